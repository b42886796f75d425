//! Why a step could not be taken, for programs to tell apart and for people to read.

use earlywood_geodata::GeoError;
use earlywood_journal::Error as JournalError;
use earlywood_model::error::ModelError;
use earlywood_planner::siting::PlannerError;

/// What a step needs and the programme does not have.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Lack {
    /// No tree inventory.
    #[error("no hosts are loaded")]
    Hosts,
    /// An inventory without a tree of this target.
    #[error("none of the hosts loaded is a host of {target} ({taxa})")]
    HostsOf {
        /// The target's common name.
        target: String,
        /// Its hosts.
        taxa: String,
    },
    /// Nowhere can the target arrive.
    #[error("every cell has risk 0: no host stands inside a zone where the target could arrive")]
    Risk,
    /// No weather at all.
    #[error("no weather is loaded")]
    Weather,
    /// No weather of that station.
    #[error("there is no weather of station {0:?}")]
    Station(String),
    /// No target was adopted, baited for or named.
    #[error("the programme has no target yet, and none was named")]
    Target,
    /// No spot keeps the rules.
    #[error(
        "no place keeps the rules: {least_m} m or more from a healthy host, {most_m} m or less from the nearest one, on land \
         that may be used"
    )]
    Places {
        /// Least distance from a healthy host.
        least_m: f64,
        /// Greatest distance from the nearest host.
        most_m: f64,
    },
}

/// What has to be named because there are several.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Choice {
    /// A target.
    Target,
    /// A weather station.
    Station,
}

/// Why a step could not be taken.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ChainError {
    /// The programme file refused, or can't be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The model refused.
    #[error(transparent)]
    Model(#[from] ModelError),
    /// The planner refused.
    #[error(transparent)]
    Planner(#[from] PlannerError),
    /// A computation over positions was refused.
    #[error(transparent)]
    Geo(#[from] GeoError),
    /// A day or time that can't be.
    #[error(transparent)]
    Time(#[from] jiff::Error),
    /// Something must be loaded or done first.
    #[error(transparent)]
    Lacking(#[from] Lack),
    /// There are several, and none was named.
    #[error("{}: {}", several_words(*.what), among.join(", "))]
    Several {
        /// What has to be named.
        what: Choice,
        /// Those there are.
        among: Vec<String>,
    },
    /// There is no such thing.
    #[error("there is no {what} {label:?}")]
    Unknown {
        /// What was looked for.
        what: &'static str,
        /// The label given.
        label: String,
    },
    /// The question can't be answered as it was asked.
    #[error("{words}")]
    Asked {
        /// Name of the field that is meant.
        field: &'static str,
        /// What is the matter.
        words: String,
    },
    /// A file has bad rows, and they were not to be left out.
    #[error("{summary}; nothing was written")]
    BadRows {
        /// The file, and how many of its rows are good and bad.
        summary: String,
    },
    /// The journal refused one row of a file.
    #[error("{source_name}, {unit} {row}: {why}; nothing was written")]
    Row {
        /// The file.
        source_name: String,
        /// What `row` counts.
        unit: &'static str,
        /// Its number.
        row: usize,
        /// Why.
        why: String,
    },
    /// What was being done when one of the others happened.
    #[error("{what}")]
    Within {
        /// What was being done.
        what: String,
        /// What happened.
        source: Box<ChainError>,
    },
}

fn several_words(what: Choice) -> &'static str {
    match what {
        Choice::Target => "this programme has several targets; name one",
        Choice::Station => "several stations are loaded; name one",
    }
}

impl ChainError {
    /// A question that can't be answered as it was asked.
    pub fn asked(field: &'static str, words: impl Into<String>) -> Self {
        ChainError::Asked {
            field,
            words: words.into(),
        }
    }

    /// The error itself, without what was being done.
    pub fn root(&self) -> &ChainError {
        match self {
            ChainError::Within { source, .. } => source.root(),
            other => other,
        }
    }

    /// All of it in one line.
    pub fn words(&self) -> String {
        match self {
            ChainError::Within { what, source } => format!("{what}: {}", source.words()),
            other => other.to_string(),
        }
    }

    /// A word for programs.
    pub fn code(&self) -> &'static str {
        match self.root() {
            ChainError::Journal(JournalError::Refused { .. }) | ChainError::Row { .. } => "refused",
            ChainError::BadRows { .. } => "bad-rows",
            ChainError::Journal(_) => "programme",
            ChainError::Lacking(_) => "lacking",
            ChainError::Several { .. } => "several",
            ChainError::Unknown { .. } => "unknown",
            _ => "asked",
        }
    }

    /// The field that is meant, where one is.
    pub fn field(&self) -> Option<&'static str> {
        match self.root() {
            ChainError::Asked { field, .. } => Some(field),
            ChainError::Several {
                what: Choice::Target, ..
            } => Some("target"),
            ChainError::Several {
                what: Choice::Station,
                ..
            } => Some("station"),
            ChainError::Unknown { what, .. } => Some(what),
            _ => None,
        }
    }
}

/// Says what was being done when an error happened.
pub(crate) trait While<T> {
    fn while_doing(self, what: impl FnOnce() -> String) -> Result<T, ChainError>;
}

impl<T, E: Into<ChainError>> While<T> for Result<T, E> {
    fn while_doing(self, what: impl FnOnce() -> String) -> Result<T, ChainError> {
        self.map_err(|e| ChainError::Within {
            what: what(),
            source: Box::new(e.into()),
        })
    }
}
