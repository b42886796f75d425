//! What can be wrong with what is to be printed.

/// Why nothing was printed.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// The layout refused. Data can't bring this about: it is a fault of this program.
    #[error("the layout of {template} failed: {reason}. This is a fault of the program, please report it")]
    Layout {
        /// the file of `paper/`
        template: &'static str,
        /// what the layout engine said
        reason: String,
    },
    /// The data could not be written as JSON (a number that is not finite, a map with odd keys).
    #[error("what is to be printed could not be passed on: {0}")]
    Data(#[from] serde_json::Error),
    /// A text that no QR code can hold.
    #[error("{text:?} does not fit into a QR code: {why}")]
    Code {
        /// the text
        text: String,
        /// what the encoder said
        why: String,
    },
}
