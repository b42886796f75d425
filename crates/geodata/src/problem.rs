//! What was wrong, where, and what to do about it.

use std::fmt;

/// Why a computation over positions was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum GeoError {
    /// A number lies outside the range in which it has a meaning.
    #[error("{what} is {value}; it must be {rule}")]
    OutOfRange {
        /// The quantity.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The rule it broke, read after "must be".
        rule: &'static str,
    },
    /// Inputs contradict each other, or something needed is missing.
    #[error("{0}")]
    Inconsistent(String),
}

pub(crate) fn at_least(
    what: &'static str,
    value: f64,
    least: f64,
    rule: &'static str,
) -> Result<f64, GeoError> {
    if value.is_finite() && value >= least {
        Ok(value)
    } else {
        Err(GeoError::OutOfRange { what, value, rule })
    }
}

/// What a record is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Unit {
    /// Rows of a table as a spreadsheet numbers them: the header is row 1.
    #[default]
    Row,
    /// Features of a GeoJSON file, the first being 1.
    Feature,
}

impl Unit {
    /// The word a person reads.
    pub fn word(self) -> &'static str {
        match self {
            Unit::Row => "row",
            Unit::Feature => "feature",
        }
    }
}

/// One thing wrong in a file: where, what rule it broke, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file, as the person named it.
    pub file: String,
    /// What `row` counts.
    pub unit: Unit,
    /// Row or feature number; `None` when the whole file is meant.
    pub row: Option<usize>,
    /// The column, by its heading in the file where there is one.
    pub column: Option<String>,
    /// The value, as written; long ones are cut.
    pub value: Option<String>,
    /// The rule that was broken, in words.
    pub rule: String,
    /// What to do.
    pub remedy: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if let Some(row) = self.row {
            write!(f, ", {} {row}", self.unit.word())?;
        }
        if let Some(column) = &self.column {
            write!(f, ", column {column}")?;
        }
        if let Some(value) = &self.value {
            write!(f, ", value \"{value}\"")?;
        }
        write!(f, ": {}", self.rule)?;
        if !self.remedy.is_empty() {
            write!(f, "; {}", self.remedy)?;
        }
        Ok(())
    }
}

/// What came out of a file. The caller decides whether any problem stops everything or the good records are kept.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Loaded<T> {
    /// The file, as the person named it.
    pub file: String,
    /// What rows are counted in.
    pub unit: Unit,
    /// Records without a problem, in the file's order.
    pub good: Vec<T>,
    /// Row (or feature) number of each good record; same length as `good`.
    pub rows: Vec<usize>,
    /// Problems in the file's order; at most [`crate::Context::problem_cap`] are kept.
    pub problems: Vec<Problem>,
    /// How many problems there were in all.
    pub problem_count: usize,
    /// How many records had a problem.
    pub bad_rows: usize,
    /// Columns that were read, as they stand in the file; empty where the file is no plain table or collection.
    pub columns: Vec<String>,
    /// Columns that mean nothing here, as they stand in the file.
    pub unknown_columns: Vec<String>,
    /// Things a person should know that are not wrong.
    pub notes: Vec<String>,
}

impl<T> Loaded<T> {
    /// Whether nothing was wrong.
    pub fn is_clean(&self) -> bool {
        self.problem_count == 0
    }

    /// One line for a person: how many records are good, how many are not.
    pub fn summary(&self) -> String {
        let (word, good) = (self.unit.word(), self.good.len());
        if self.is_clean() {
            return format!("{}: {good} {word}s read, nothing wrong", self.file);
        }
        format!(
            "{}: {good} good {word}s, {} with problems ({} problems in all)",
            self.file, self.bad_rows, self.problem_count
        )
    }

    /// The listing a person reads: each kept problem on a line, then how many more there are.
    pub fn listing(&self) -> String {
        let mut text: Vec<String> = self.problems.iter().map(ToString::to_string).collect();
        let hidden = self.problem_count.saturating_sub(self.problems.len());
        if hidden > 0 {
            text.push(format!(
                "... and {hidden} more problems of which the listing is cut"
            ));
        }
        text.join("\n")
    }
}
