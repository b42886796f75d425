//! What the planner refuses, and why.

/// Why the planner refused its input.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PlannerError {
    /// A number is NaN, infinite or outside its range.
    #[error("{what} of {item} {index} is {value}; it must be {rule}")]
    BadNumber {
        /// The quantity, in words.
        what: &'static str,
        /// "cell" or "place".
        item: &'static str,
        /// Index of the cell or place in the input, from 0.
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
    /// An index names no cell or place.
    #[error("{what} names {item} {index}, but there are only {count}")]
    NoSuchIndex {
        /// Which list held the index.
        what: &'static str,
        /// "cell" or "place".
        item: &'static str,
        /// The index, from 0.
        index: usize,
        /// How many there are.
        count: usize,
    },
    /// Two lists that describe the same things have different lengths.
    #[error("{what} has {given} entries, but {needed} are needed")]
    WrongLength {
        /// Which list.
        what: &'static str,
        /// Its length.
        given: usize,
        /// The length it should have.
        needed: usize,
    },
    /// Two places that must both be kept hang closer together than the spacing allows.
    #[error(
        "kept places {first} and {second} are closer together than the spacing allows; free one of them or lower the spacing"
    )]
    KeptTooClose {
        /// Index of one kept place.
        first: usize,
        /// Index of the other.
        second: usize,
    },
    /// The kept places alone use more than the limit.
    #[error("the kept places alone need {needed}, but the limit is {limit}")]
    KeptOverLimit {
        /// What the kept places use: a number of traps or a cost.
        needed: f64,
        /// The limit.
        limit: f64,
    },
    /// A place is both kept and forbidden.
    #[error("place {index} is both kept and forbidden")]
    KeptAndForbidden {
        /// Index of the place.
        index: usize,
    },
    /// There is nothing to choose from.
    #[error("there are no {0} to plan with")]
    Empty(&'static str),
    /// More cells or places than the planner's 32-bit indices can name.
    #[error("there are {0} {1}; the planner can handle at most 4 000 000 000")]
    TooMany(usize, &'static str),
}
