//! What entries say: one typed, versioned body per kind.

use std::fmt;

use earlywood_model::record::{Place, Placement, Visit};
use jiff::civil::Date;
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::Value;
use uuid::Uuid;

use crate::canonical::canonical_json;
use crate::chunk::ChunkRef;
use crate::error::Error;

/// Body version written for every kind known here.
pub(crate) const BODY_VERSION: u32 = 1;

/// A set of records that is loaded in bulk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// Host trees.
    Hosts,
    /// Pathways of arrival.
    Pathways,
    /// Land that may, or may not, be used.
    Land,
    /// Areas that are reported on.
    Zones,
    /// Daily temperatures.
    Weather,
    /// Spots where a trap may hang.
    Places,
}

impl What {
    /// All of them.
    pub const ALL: [What; 6] = [
        What::Hosts,
        What::Pathways,
        What::Land,
        What::Zones,
        What::Weather,
        What::Places,
    ];

    /// The word for it, as people type it.
    pub fn word(self) -> &'static str {
        match self {
            What::Hosts => "hosts",
            What::Pathways => "pathways",
            What::Land => "land",
            What::Zones => "zones",
            What::Weather => "weather",
            What::Places => "places",
        }
    }

    fn kind(self) -> &'static str {
        match self {
            What::Hosts => "hosts-loaded",
            What::Pathways => "pathways-loaded",
            What::Land => "land-loaded",
            What::Zones => "zones-loaded",
            What::Weather => "weather-loaded",
            What::Places => "places-loaded",
        }
    }

    fn of_kind(kind: &str) -> Option<What> {
        What::ALL.into_iter().find(|what| what.kind() == kind)
    }
}

impl fmt::Display for What {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// What a load does with the records that are there already.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LoadMode {
    /// Adds to the set; a label that is there already is refused.
    #[default]
    Add,
    /// Takes the place of the whole set. For weather the set is one station's series: stations that the load does not
    /// name keep theirs. What was there before stays in the journal.
    Replace,
}

/// The programme was set up: the first entry of its first device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProgrammeSetUp {
    /// Id of the programme, the same in every copy.
    pub programme: Uuid,
    /// Its name.
    pub name: String,
    /// The program that made the file, and its version.
    pub made_by: String,
}

/// A set of records was loaded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Loaded {
    /// Which set.
    pub what: What,
    /// Added, or put in place of the old one.
    pub mode: LoadMode,
    /// Where it came from, in the person's words (a file name).
    pub source: String,
    /// Number of records.
    pub rows: u64,
    /// Encoding of the chunks; `"ndjson+gzip"`.
    pub encoding: String,
    /// The chunks that hold them, in order.
    pub chunks: Vec<ChunkRef>,
}

/// A target profile was adopted, as a whole, so that every later figure can be recomputed from it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TargetAdopted {
    /// The target's id; adopting it again puts the new profile in the old one's place.
    pub id: String,
    /// The profile's TOML text, untouched.
    pub toml: String,
}

/// A plan was adopted: where the traps for one target are to hang.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Target id.
    pub target: String,
    /// The chosen places, whole, so that the plan stands even when places are loaded anew.
    pub places: Vec<Place>,
    /// Value of the objective.
    pub objective: f64,
    /// Proved upper bound on the objective of any plan, where one was computed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bound: Option<f64>,
    /// Settings that produced it (number of traps, spacing, seed, ...).
    pub settings: Value,
    /// Why this plan.
    pub reason: String,
}

/// A trap was taken down.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TakeDown {
    /// The trap's label.
    pub trap: String,
    /// The day.
    pub date: Date,
    /// Why, where there was a reason other than the end of the season.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// How sure a determination is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// Might be the target.
    Suspect,
    /// Named, not yet by someone whose word is final.
    Tentative,
    /// Named by someone with standing.
    Determined,
    /// Confirmed: a find.
    Confirmed,
    /// It is not the target.
    RuledOut,
    /// It can't be told what it is.
    Undeterminable,
}

/// What a specimen out of a trap is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Determination {
    /// The trap it came from.
    pub trap: String,
    /// The day it was taken from the trap.
    pub date: Date,
    /// The target it is, or is not.
    pub target: String,
    /// How sure.
    pub status: Status,
    /// Who says so (role or id, no personal data).
    pub by: String,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// An earlier entry was wrong.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Id of the entry that is corrected. A visit that was corrected before is named by its first entry.
    pub corrects: Uuid,
    /// Why.
    pub reason: String,
    /// What holds instead.
    pub change: Change,
}

/// What a correction does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "to", rename_all = "kebab-case")]
pub enum Change {
    /// It never was: for a visit, a determination, a plan, a take-down, or a placement on which nothing hangs.
    Withdraw,
    /// The visit was like this.
    Visit {
        /// The visit as it was.
        visit: Visit,
    },
}

/// A body of a kind or version that this program does not know; kept as it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Other {
    /// Kind of the entry.
    pub kind: String,
    /// Version of the body.
    pub version: u32,
    /// The body.
    pub body: Value,
}

/// What one entry says.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Body {
    /// `programme-set-up`
    ProgrammeSetUp(ProgrammeSetUp),
    /// `hosts-loaded`, `pathways-loaded`, `land-loaded`, `zones-loaded`, `weather-loaded`, `places-loaded`
    Loaded(Loaded),
    /// `target-adopted`
    TargetAdopted(TargetAdopted),
    /// `plan-adopted`
    PlanAdopted(Plan),
    /// `trap-placed`
    TrapPlaced(Placement),
    /// `trap-taken-down`
    TrapTakenDown(TakeDown),
    /// `visit-made`
    VisitMade(Visit),
    /// `determination`
    Determination(Determination),
    /// `correction`
    Correction(Correction),
    /// Any other kind, or a known kind with a newer body.
    Other(Other),
}

impl Body {
    /// The entry's kind.
    pub fn kind(&self) -> &str {
        match self {
            Body::ProgrammeSetUp(_) => "programme-set-up",
            Body::Loaded(loaded) => loaded.what.kind(),
            Body::TargetAdopted(_) => "target-adopted",
            Body::PlanAdopted(_) => "plan-adopted",
            Body::TrapPlaced(_) => "trap-placed",
            Body::TrapTakenDown(_) => "trap-taken-down",
            Body::VisitMade(_) => "visit-made",
            Body::Determination(_) => "determination",
            Body::Correction(_) => "correction",
            Body::Other(other) => &other.kind,
        }
    }

    /// Version of the body.
    pub fn version(&self) -> u32 {
        match self {
            Body::Other(other) => other.version,
            _ => BODY_VERSION,
        }
    }

    /// Whether this program knows how to read the kind and version.
    pub fn is_known(kind: &str, version: u32) -> bool {
        const KINDS: [&str; 8] = [
            "programme-set-up",
            "target-adopted",
            "plan-adopted",
            "trap-placed",
            "trap-taken-down",
            "visit-made",
            "determination",
            "correction",
        ];
        version == BODY_VERSION && (KINDS.contains(&kind) || What::of_kind(kind).is_some())
    }

    /// The day on which it happened, for the kinds of which only the day is known.
    pub(crate) fn day(&self) -> Option<Date> {
        match self {
            Body::TrapPlaced(placement) => Some(placement.hung),
            Body::TrapTakenDown(down) => Some(down.date),
            Body::VisitMade(visit) => Some(visit.date),
            _ => None,
        }
    }

    /// The body's one canonical spelling.
    pub(crate) fn to_text(&self) -> Result<String, Error> {
        let value = match self {
            Body::ProgrammeSetUp(b) => serde_json::to_value(b),
            Body::Loaded(b) => serde_json::to_value(b),
            Body::TargetAdopted(b) => serde_json::to_value(b),
            Body::PlanAdopted(b) => serde_json::to_value(b),
            Body::TrapPlaced(b) => serde_json::to_value(b),
            Body::TrapTakenDown(b) => serde_json::to_value(b),
            Body::VisitMade(b) => serde_json::to_value(b),
            Body::Determination(b) => serde_json::to_value(b),
            Body::Correction(b) => serde_json::to_value(b),
            Body::Other(b) => return canonical_json(&b.body),
        };
        canonical_json(&value.map_err(|e| self.unusable(e.to_string()))?)
    }

    fn unusable(&self, why: String) -> Error {
        Error::Body {
            kind: self.kind().to_owned(),
            why,
        }
    }

    /// Reads a body of any kind and version; what is not known comes back as [`Body::Other`].
    ///
    /// # Errors
    /// A body that is not what its kind and version say.
    pub fn read(kind: &str, version: u32, text: &str) -> Result<Body, Error> {
        fn of<T: DeserializeOwned>(kind: &str, text: &str) -> Result<T, Error> {
            serde_json::from_str(text).map_err(|e| Error::Body {
                kind: kind.to_owned(),
                why: e.to_string(),
            })
        }
        if !Body::is_known(kind, version) {
            return Ok(Body::Other(Other {
                kind: kind.to_owned(),
                version,
                body: of(kind, text)?,
            }));
        }
        Ok(match kind {
            "programme-set-up" => Body::ProgrammeSetUp(of(kind, text)?),
            "target-adopted" => Body::TargetAdopted(of(kind, text)?),
            "plan-adopted" => Body::PlanAdopted(of(kind, text)?),
            "trap-placed" => Body::TrapPlaced(of(kind, text)?),
            "trap-taken-down" => Body::TrapTakenDown(of(kind, text)?),
            "visit-made" => Body::VisitMade(of(kind, text)?),
            "determination" => Body::Determination(of(kind, text)?),
            "correction" => Body::Correction(of(kind, text)?),
            _ => {
                let loaded: Loaded = of(kind, text)?;
                if What::of_kind(kind) != Some(loaded.what) {
                    let why = format!("it speaks of {}", loaded.what);
                    return Err(Error::Body {
                        kind: kind.to_owned(),
                        why,
                    });
                }
                Body::Loaded(loaded)
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_kinds_and_versions_are_kept() {
        let text = r#"{"specimen":"S-1"}"#;
        for (kind, version) in [("specimen-taken", 1), ("visit-made", 2)] {
            let body = Body::read(kind, version, text).unwrap();
            assert!(matches!(body, Body::Other(_)));
            assert_eq!((body.kind(), body.version()), (kind, version));
            assert_eq!(body.to_text().unwrap(), text);
        }
    }

    #[test]
    fn a_body_of_another_kind_is_refused() {
        let take_down = Body::TrapTakenDown(TakeDown {
            trap: "A".into(),
            date: jiff::civil::date(2026, 5, 1),
            reason: None,
        });
        let text = take_down.to_text().unwrap();
        assert_eq!(text, r#"{"date":"2026-05-01","trap":"A"}"#);
        assert_eq!(Body::read("trap-taken-down", 1, &text).unwrap(), take_down);
        assert!(Body::read("visit-made", 1, &text).is_err());
        assert!(Body::read("hosts-loaded", 1, &text).is_err());
    }
}
