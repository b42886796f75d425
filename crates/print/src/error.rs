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
    /// A sheet of labels that can't be: the figure that is wrong, and why.
    #[error("the sheet of labels can't be: {figure} is {value}; {rule}")]
    Sheet {
        /// which figure
        figure: &'static str,
        /// its value
        value: String,
        /// what it must be
        rule: String,
    },
    /// A QR code would be too small to be read.
    #[error(
        "labels of {width_mm} mm by {height_mm} mm are too small: the dots of the code of {text:?} would be {dot_mm:.2} mm, \
         and a phone needs {needed_mm} mm. Take larger labels or shorter numbers"
    )]
    CodeTooSmall {
        /// what the code holds
        text: String,
        /// label's width, millimetres
        width_mm: f64,
        /// label's height, millimetres
        height_mm: f64,
        /// side of a dot, millimetres
        dot_mm: f64,
        /// smallest side that is printed, millimetres
        needed_mm: f64,
    },
    /// A value that can't be printed.
    #[error("{what} is {value}; it must be {rule}")]
    Value {
        /// which value
        what: &'static str,
        /// the value
        value: String,
        /// what it must be
        rule: String,
    },
}
