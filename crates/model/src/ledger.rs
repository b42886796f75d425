//! The books of a month: do the traps, and the visits due, add up?
//!
//! Pure arithmetic on labels. Nothing is estimated: what does not add up is listed, label by label, in plain words.
//!
//! *Traps.* Hung before the period or during it = taken down + lost (accounted for) + still hanging. A trap may be hung
//! and taken down more than once; what is counted is placements, under whatever label the caller gives them.
//!
//! *Visits.* Due = made (on time or late) + excused by a hold + missed. A visit that was not due is no fault and counts
//! nowhere here.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::error::ModelError;

/// Placements of a period, by label (each label one placement).
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Placements {
    /// Hung when the period began.
    pub at_start: BTreeSet<String>,
    /// Hung during the period.
    pub hung: BTreeSet<String>,
    /// Taken down during the period.
    pub taken_down: BTreeSet<String>,
    /// Lost during the period and accounted for (written off).
    pub lost: BTreeSet<String>,
    /// Hanging when the period ended, as counted or as the records of that day say.
    pub at_end: BTreeSet<String>,
}

/// What became of a visit that was due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Made inside its window.
    OnTime,
    /// Made after its window.
    Late,
    /// Not made, and a hold excuses the crew. It is no effort all the same.
    Excused,
    /// Not made.
    Missed,
}

impl Outcome {
    /// Every outcome.
    pub const ALL: [Outcome; 4] = [Outcome::OnTime, Outcome::Late, Outcome::Excused, Outcome::Missed];

    /// The words shown to people.
    pub fn words(self) -> &'static str {
        match self {
            Outcome::OnTime => "made on time",
            Outcome::Late => "made late",
            Outcome::Excused => "excused by a hold",
            Outcome::Missed => "missed",
        }
    }
}

/// Visits of a period, by label (a trap and the day its visit was due, in any words that are unique).
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct VisitsDue {
    /// Due during the period.
    pub due: BTreeSet<String>,
    /// Made inside the window.
    pub on_time: BTreeSet<String>,
    /// Made after the window.
    pub late: BTreeSet<String>,
    /// Excused by a hold.
    pub excused: BTreeSet<String>,
    /// Not made.
    pub missed: BTreeSet<String>,
}

/// Something that does not add up.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Difference {
    /// It hung and there is no saying where it went.
    Vanished {
        /// The placement.
        placement: String,
    },
    /// It hangs at the end and was never hung.
    FromNowhere {
        /// The placement.
        placement: String,
    },
    /// It hangs at the end although it ended.
    HangsThoughEnded {
        /// The placement.
        placement: String,
        /// It was lost, not taken down.
        lost: bool,
    },
    /// It was taken down and lost.
    EndedTwice {
        /// The placement.
        placement: String,
    },
    /// It ended and was never hung.
    EndedUnhung {
        /// The placement.
        placement: String,
        /// It was lost, not taken down.
        lost: bool,
    },
    /// It hung at the start and was hung again under the same label.
    HungTwice {
        /// The placement.
        placement: String,
    },
    /// A visit that was due and has no outcome.
    NoOutcome {
        /// The visit.
        visit: String,
    },
    /// A visit with more than one outcome.
    ManyOutcomes {
        /// The visit.
        visit: String,
        /// Its outcomes.
        outcomes: Vec<Outcome>,
    },
    /// A visit that was not due and has an outcome.
    NotDue {
        /// The visit.
        visit: String,
        /// Its outcome.
        outcome: Outcome,
    },
}

fn end_words(lost: bool) -> &'static str {
    if lost { "written off" } else { "taken down" }
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Difference::Vanished { placement } => write!(
                f,
                "{placement:?} hung and hangs no more, but was neither taken down nor written off"
            ),
            Difference::FromNowhere { placement } => {
                write!(f, "{placement:?} hangs at the end, but was never hung")
            }
            Difference::HangsThoughEnded { placement, lost } => {
                write!(f, "{placement:?} was {}, but hangs at the end", end_words(*lost))
            }
            Difference::EndedTwice { placement } => {
                write!(f, "{placement:?} was both taken down and written off")
            }
            Difference::EndedUnhung { placement, lost } => {
                write!(f, "{placement:?} was {}, but was never hung", end_words(*lost))
            }
            Difference::HungTwice { placement } => {
                write!(f, "{placement:?} hung at the start and was hung again")
            }
            Difference::NoOutcome { visit } => {
                write!(f, "{visit:?} was due and is neither made, excused nor missed")
            }
            Difference::ManyOutcomes { visit, outcomes } => {
                let words: Vec<&str> = outcomes.iter().map(|outcome| outcome.words()).collect();
                write!(f, "{visit:?} is counted more than once: {}", words.join(" and "))
            }
            Difference::NotDue { visit, outcome } => {
                write!(f, "{visit:?} is {}, but was not due", outcome.words())
            }
        }
    }
}

/// The traps' side of the books.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TrapBalance {
    /// Hung at the start or during the period.
    pub traps_in: u64,
    /// Taken down.
    pub taken_down: u64,
    /// Lost and accounted for.
    pub lost: u64,
    /// Still hanging.
    pub still_hanging: u64,
    /// What does not add up, in order of label.
    pub differences: Vec<Difference>,
}

impl TrapBalance {
    /// In less taken down, lost and still hanging. 0 alone proves nothing (two faults may cancel); see
    /// [`TrapBalance::adds_up`].
    pub fn gap(&self) -> i128 {
        let out = i128::from(self.taken_down) + i128::from(self.lost) + i128::from(self.still_hanging);
        i128::from(self.traps_in) - out
    }

    /// Whether every placement is accounted for, once.
    pub fn adds_up(&self) -> bool {
        self.differences.is_empty()
    }
}

/// Holds a period's placements against each other.
pub fn traps(period: &Placements) -> TrapBalance {
    let every: BTreeSet<&String> = [
        &period.at_start,
        &period.hung,
        &period.taken_down,
        &period.lost,
        &period.at_end,
    ]
    .into_iter()
    .flatten()
    .collect();
    let mut differences = Vec::new();
    for label in every {
        let (start, hung) = (period.at_start.contains(label), period.hung.contains(label));
        let (down, lost) = (period.taken_down.contains(label), period.lost.contains(label));
        let (known, ended, end) = (start || hung, down || lost, period.at_end.contains(label));
        let placement = || label.clone();
        let mut add = |is: bool, difference: &dyn Fn(String) -> Difference| {
            if is {
                differences.push(difference(placement()));
            }
        };
        add(start && hung, &|placement| Difference::HungTwice { placement });
        add(down && lost, &|placement| Difference::EndedTwice { placement });
        add(ended && !known, &|placement| Difference::EndedUnhung {
            placement,
            lost: !down,
        });
        add(ended && end, &|placement| Difference::HangsThoughEnded {
            placement,
            lost: !down,
        });
        add(known && !ended && !end, &|placement| Difference::Vanished {
            placement,
        });
        add(end && !known && !ended, &|placement| Difference::FromNowhere {
            placement,
        });
    }
    TrapBalance {
        traps_in: period.at_start.union(&period.hung).count() as u64,
        taken_down: period.taken_down.len() as u64,
        lost: period.lost.len() as u64,
        still_hanging: period.at_end.len() as u64,
        differences,
    }
}

/// The visits' side of the books.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct VisitBalance {
    /// Due.
    pub due: u64,
    /// Made inside the window.
    pub on_time: u64,
    /// Made after it.
    pub late: u64,
    /// Excused by a hold.
    pub excused: u64,
    /// Missed.
    pub missed: u64,
    /// What does not add up, in order of label.
    pub differences: Vec<Difference>,
}

impl VisitBalance {
    /// Made, on time or late.
    pub fn made(&self) -> u64 {
        self.on_time + self.late
    }

    /// Due less made, excused and missed. 0 alone proves nothing; see [`VisitBalance::adds_up`].
    pub fn gap(&self) -> i128 {
        let told = [self.on_time, self.late, self.excused, self.missed];
        i128::from(self.due) - told.into_iter().map(i128::from).sum::<i128>()
    }

    /// Whether every visit due has one outcome.
    pub fn adds_up(&self) -> bool {
        self.differences.is_empty()
    }

    /// Share of the visits due that were made on time, of those that no hold excused; `None` where there were none.
    ///
    /// # Errors
    /// Books that do not add up: a share of them would be a figure nobody can explain.
    pub fn on_time_share(&self) -> Result<Option<f64>, ModelError> {
        if let Some(first) = self.differences.first() {
            return Err(ModelError::Inconsistent(format!(
                "the visits due do not add up ({} differences; the first: {first}), so no share of them can be stated",
                self.differences.len()
            )));
        }
        let asked = self.due.saturating_sub(self.excused);
        Ok((asked > 0).then(|| self.on_time as f64 / asked as f64))
    }
}

/// Holds a period's visits against what was due.
pub fn visits(period: &VisitsDue) -> VisitBalance {
    let mut told: BTreeMap<&String, Vec<Outcome>> =
        period.due.iter().map(|visit| (visit, Vec::new())).collect();
    let sets = [&period.on_time, &period.late, &period.excused, &period.missed];
    for (outcome, set) in Outcome::ALL.into_iter().zip(sets) {
        for visit in set {
            told.entry(visit).or_default().push(outcome);
        }
    }
    let mut differences = Vec::new();
    for (visit, outcomes) in told {
        if !period.due.contains(visit) {
            differences.extend(outcomes.iter().map(|outcome| Difference::NotDue {
                visit: visit.clone(),
                outcome: *outcome,
            }));
        } else if outcomes.is_empty() {
            differences.push(Difference::NoOutcome { visit: visit.clone() });
        } else if outcomes.len() > 1 {
            differences.push(Difference::ManyOutcomes {
                visit: visit.clone(),
                outcomes,
            });
        }
    }
    let count = |set: &BTreeSet<String>| set.len() as u64;
    VisitBalance {
        due: count(&period.due),
        on_time: count(&period.on_time),
        late: count(&period.late),
        excused: count(&period.excused),
        missed: count(&period.missed),
        differences,
    }
}
