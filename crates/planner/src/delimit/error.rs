//! What the delimiting planner refuses, and why.

/// Why the delimiting planner refused its input.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DelimitError {
    /// A number is NaN, infinite or outside its range.
    #[error("{what} of {item} {index} is {value}; it must be {rule}")]
    BadNumber {
        /// The quantity, in words.
        what: &'static str,
        /// "cell", "trap", "look" or "scenario".
        item: &'static str,
        /// Its index in the input, from 0.
        index: usize,
        /// The value given.
        value: f64,
        /// The rule it broke, to be read after "must be".
        rule: &'static str,
    },
    /// A setting of the whole problem is NaN, infinite or outside its range.
    #[error("{what} is {value}; it must be {rule}")]
    BadSetting {
        /// The setting, in words.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The rule it broke, to be read after "must be".
        rule: &'static str,
    },
    /// An index names nothing.
    #[error("{item} {index} names {what} {named}, but there are only {count}")]
    NoSuchIndex {
        /// What is named: "cell", "infested cell".
        what: &'static str,
        /// What names it.
        item: &'static str,
        /// Its index, from 0.
        index: usize,
        /// The index named.
        named: usize,
        /// How many there are.
        count: usize,
    },
    /// There is nothing to plan with.
    #[error("there are no {0} to plan with")]
    Empty(&'static str),
    /// More than the planner's 32-bit indices can name.
    #[error("there are {0} {1}; the planner can handle at most 4 000 000 000")]
    TooMany(usize, &'static str),
}

/// Refuses what is no number or breaks its rule.
pub(crate) fn number(
    item: &'static str,
    index: usize,
    what: &'static str,
    value: f64,
    ok: bool,
    rule: &'static str,
) -> Result<(), DelimitError> {
    if value.is_finite() && ok {
        Ok(())
    } else {
        Err(DelimitError::BadNumber {
            what,
            item,
            index,
            value,
            rule,
        })
    }
}

/// Refuses a setting that is no number or breaks its rule.
pub(crate) fn setting(
    what: &'static str,
    value: f64,
    ok: bool,
    rule: &'static str,
) -> Result<(), DelimitError> {
    if value.is_finite() && ok {
        Ok(())
    } else {
        Err(DelimitError::BadSetting { what, value, rule })
    }
}
