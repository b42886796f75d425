//! The one error type of the model: what was wrong, with the value that was wrong.

/// Why the model refused its input.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ModelError {
    /// A number lies outside the range in which the formula has a meaning.
    #[error("{what} is {value}; it must be {rule}")]
    OutOfRange {
        /// The quantity, in the words a person used for it.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The rule it broke, to be read after "must be".
        rule: &'static str,
    },
    /// Two inputs contradict each other, or something needed is missing.
    #[error("{0}")]
    Inconsistent(String),
    /// A target profile could not be read.
    #[error("target profile: {0}")]
    Profile(String),
}

/// Checks `value` against `ok`, refusing NaN and infinities with the same message.
pub(crate) fn check(what: &'static str, value: f64, ok: bool, rule: &'static str) -> Result<f64, ModelError> {
    if value.is_finite() && ok {
        Ok(value)
    } else {
        Err(ModelError::OutOfRange { what, value, rule })
    }
}
