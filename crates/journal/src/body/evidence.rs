//! Evidence beside traps and looks at trees: detection trees and what the public reports.

use earlywood_model::record::Position;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{Peeled, Says, Subject, check_accuracy, check_each_label, check_range, check_words, refuse};
use crate::error::Refusal;
use crate::load::{check_day, check_label, check_position};

/// A girdled detection tree was felled or climbed and peeled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DetectionTreePeeled {
    /// The tree's own label (its tag).
    pub tree: String,
    /// Label of the loaded host it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub host: Option<String>,
    /// Species, scientific name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub species: Option<String>,
    /// Where it stands; left out where the host is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Radius in which it surely stands, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position_accuracy_m: Option<f64>,
    /// The day on which it was girdled.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub girdled: Date,
    /// The day on which it was peeled.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// The crew.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Share of its bark that was peeled, 0 to 1; 0 when it was not done.
    pub peeled_share: f64,
    /// What it showed.
    pub found: Peeled,
    /// Labels of specimens taken out of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub specimens: Vec<String>,
    /// Anything a reader must know; why it was not peeled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl DetectionTreePeeled {
    /// Checks that the parts of the record agree with each other.
    ///
    /// # Errors
    /// A tree without a place, peeled before it was girdled, or a result without peeling.
    pub fn check(&self) -> Result<(), Refusal> {
        check_label("tree", &self.tree)?;
        for (name, label) in [
            ("host", &self.host),
            ("species", &self.species),
            ("crew", &self.crew),
        ] {
            label.iter().try_for_each(|label| check_label(name, label))?;
        }
        if self.position.is_none() && self.host.is_none() {
            return refuse("position", "empty", "where it stands, or the host that it is");
        }
        self.position.map_or(Ok(()), check_position)?;
        check_accuracy(self.position, self.position_accuracy_m)?;
        if self.date < self.girdled {
            return Err(Refusal::DatesReversed {
                earlier: "girdled",
                earlier_date: self.girdled,
                later: "date",
                later_date: self.date,
            });
        }
        check_range("peeled_share", Some(self.peeled_share), 0.0, 1.0, "of the bark")?;
        check_words("note", self.note.as_deref())?;
        check_each_label("specimens", &self.specimens)?;
        let peeled = self.peeled_share > 0.0;
        match self.found {
            Peeled::NotDone if peeled => refuse(
                "found",
                "not-done",
                "something was peeled; say positive or negative",
            ),
            Peeled::NotDone if self.note.is_none() => refuse("note", "empty", "say why it was not peeled"),
            Peeled::NotDone if !self.specimens.is_empty() => {
                refuse("specimens", "of a tree not peeled", "peel it first")
            }
            Peeled::Positive | Peeled::Negative if !peeled => refuse(
                "peeled_share",
                0,
                "above 0 for a tree that was peeled; else say not-done",
            ),
            _ => Ok(()),
        }
    }
}

impl Says for DetectionTreePeeled {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_day("girdled", self.girdled, today)?;
        check_day("date", self.date, today)?;
        self.check()
    }
    fn subjects(&self) -> Vec<Subject> {
        let specimens = self.specimens.iter().cloned().map(Subject::Specimen);
        std::iter::once(Subject::Tree(self.tree.clone()))
            .chain(specimens)
            .collect()
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}

/// Somebody from the public reported something. Who, stands elsewhere: never in the journal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TipReceived {
    /// Label of the tip, unique for ever.
    pub tip: String,
    /// The day it came.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// Id of the target it might be; any of them where none is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    /// What was reported, in plain words, without names, numbers or addresses of people.
    pub what: String,
    /// The zone it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// Where, as far as is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Radius in which it surely is, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position_accuracy_m: Option<f64>,
}

impl Says for TipReceived {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("tip", &self.tip)?;
        check_day("date", self.date, today)?;
        for (name, label) in [("target", &self.target), ("zone", &self.zone)] {
            label.iter().try_for_each(|label| check_label(name, label))?;
        }
        check_words("what", Some(&self.what))?;
        self.position.map_or(Ok(()), check_position)?;
        check_accuracy(self.position, self.position_accuracy_m)
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Tip(self.tip.clone())]
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}

/// What came of a tip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum TipEnd {
    /// It was followed up and is something else.
    SomethingElse,
    /// It was followed up on the spot, and nothing was found.
    NothingFound,
    /// It could not be followed up. That is never "nothing found".
    NotFollowed,
    /// Specimens were taken: their determination tells.
    SpecimensTaken,
}

/// A tip was followed up, or could not be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TipClosed {
    /// The tip.
    pub tip: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// What came of it.
    pub end: TipEnd,
    /// Labels of specimens taken.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub specimens: Vec<String>,
    /// Anything a reader must know; why it was not followed up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl Says for TipClosed {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("tip", &self.tip)?;
        check_day("date", self.date, today)?;
        check_each_label("specimens", &self.specimens)?;
        check_words("note", self.note.as_deref())?;
        match self.end {
            TipEnd::SpecimensTaken if self.specimens.is_empty() => {
                refuse("specimens", "none", "the labels of the specimens that were taken")
            }
            TipEnd::SomethingElse | TipEnd::NothingFound | TipEnd::NotFollowed
                if !self.specimens.is_empty() =>
            {
                refuse(
                    "end",
                    "without specimens",
                    "specimens-taken, where specimens are listed",
                )
            }
            TipEnd::NotFollowed if self.note.is_none() => {
                refuse("note", "empty", "say why it was not followed up")
            }
            _ => Ok(()),
        }
    }
    fn subjects(&self) -> Vec<Subject> {
        let specimens = self.specimens.iter().cloned().map(Subject::Specimen);
        std::iter::once(Subject::Tip(self.tip.clone()))
            .chain(specimens)
            .collect()
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}
