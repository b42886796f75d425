//! Records about the record itself: setting up, loads, targets, plans, corrections, and what settles a conflict.

use std::fmt;

use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{Place, Visit};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use super::people::{PublicKey, check_key};
use super::{Says, Subject, check_count, check_words, refuse};
use crate::chunk::{ChunkRef, ENCODING};
use crate::error::Refusal;
use crate::hash::Hash;
use crate::load::{Bulk, check_label, field};

/// A set of records that is loaded in bulk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
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
    /// Roads that may be driven.
    Roads,
    /// Working days of the crews.
    Crews,
    /// How places are got to, and when they may be entered.
    Access,
}

impl What {
    /// All of them.
    pub const ALL: [What; 9] = [
        What::Hosts,
        What::Pathways,
        What::Land,
        What::Zones,
        What::Weather,
        What::Places,
        What::Roads,
        What::Crews,
        What::Access,
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
            What::Roads => "roads",
            What::Crews => "crews",
            What::Access => "access",
        }
    }

    pub(crate) fn kind(self) -> &'static str {
        match self {
            What::Hosts => "hosts-loaded",
            What::Pathways => "pathways-loaded",
            What::Land => "land-loaded",
            What::Zones => "zones-loaded",
            What::Weather => "weather-loaded",
            What::Places => "places-loaded",
            What::Roads => "roads-loaded",
            What::Crews => "crews-loaded",
            What::Access => "access-loaded",
        }
    }

    /// The table of its chunks, for the sets of which only these are kept: they are too large to be kept twice.
    pub(crate) fn chunk_table(self) -> Option<&'static str> {
        match self {
            What::Hosts => Some("host_chunks"),
            What::Roads => Some("road_chunks"),
            _ => None,
        }
    }

    pub(crate) fn of_kind(kind: &str) -> Option<What> {
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
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
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
///
/// With a key it is written as version 2; without (a file of layout 1) as version 1.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ProgrammeSetUp {
    /// Id of the programme, the same in every copy.
    pub programme: Uuid,
    /// Its name.
    pub name: String,
    /// The program that made the file, and its version.
    pub made_by: String,
    /// Public key of the founding device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub key: Option<PublicKey>,
}

/// Version 1 as written. Fields that it does not know are passed over, as they always were.
#[derive(Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(
    feature = "schema",
    schemars(description = "The programme was set up: the first entry of its first device.")
)]
pub(crate) struct ProgrammeSetUpV1 {
    /// Id of the programme, the same in every copy.
    programme: Uuid,
    /// Its name.
    name: String,
    /// The program that made the file, and its version.
    made_by: String,
}

/// Version 2 as written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(
    feature = "schema",
    schemars(description = "The programme was set up: the first entry of its first device.")
)]
pub(crate) struct ProgrammeSetUpV2 {
    /// Id of the programme, the same in every copy.
    programme: Uuid,
    /// Its name.
    name: String,
    /// The program that made the file, and its version.
    made_by: String,
    /// Public key of the founding device.
    key: PublicKey,
}

impl From<ProgrammeSetUpV1> for ProgrammeSetUp {
    fn from(v1: ProgrammeSetUpV1) -> Self {
        ProgrammeSetUp {
            programme: v1.programme,
            name: v1.name,
            made_by: v1.made_by,
            key: None,
        }
    }
}

impl From<ProgrammeSetUpV2> for ProgrammeSetUp {
    fn from(v2: ProgrammeSetUpV2) -> Self {
        ProgrammeSetUp {
            programme: v2.programme,
            name: v2.name,
            made_by: v2.made_by,
            key: Some(v2.key),
        }
    }
}

/// A set of records was loaded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
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
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct TargetAdopted {
    /// The target's id; adopting it again puts the new profile in the old one's place.
    pub id: String,
    /// The profile's TOML text, untouched.
    pub toml: String,
}

/// A plan was adopted: where the traps for one target are to hang.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
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

/// An earlier entry was wrong.
///
/// One that puts a whole body in the place of another is written as version 2, the others as version 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Correction {
    /// Id of the entry that is corrected. An entry that was corrected before is named by its first entry.
    pub corrects: Uuid,
    /// Why.
    pub reason: String,
    /// What holds instead.
    pub change: Change,
}

/// What a correction does.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "to", rename_all = "kebab-case")]
pub enum Change {
    /// It never was: for a visit, a determination, a plan, a take-down, a placement on which nothing hangs, ...
    Withdraw,
    /// The visit was like this (version 1).
    Visit {
        /// The visit as it was.
        visit: Visit,
    },
    /// This holds in the place of what the corrected entry says (version 2).
    Instead {
        /// Version of the body.
        version: u32,
        /// The whole body as it should have been, of the same kind as the corrected entry.
        body: Value,
    },
}

/// Version 2 as written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(
    feature = "schema",
    schemars(description = "An earlier entry was wrong; a whole body takes the place of what it says.")
)]
pub(crate) struct CorrectionV2 {
    /// Id of the entry that is corrected. An entry that was corrected before is named by its first entry.
    corrects: Uuid,
    /// Why.
    reason: String,
    /// What holds instead.
    change: ChangeV2,
}

/// What a correction of version 2 does.
#[derive(Deserialize)]
#[serde(tag = "to", rename_all = "kebab-case", deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub(crate) enum ChangeV2 {
    /// This holds in the place of what the corrected entry says.
    Instead {
        /// Version of the body.
        version: u32,
        /// The whole body as it should have been, of the same kind as the corrected entry.
        body: Value,
    },
}

impl From<CorrectionV2> for Correction {
    fn from(v2: CorrectionV2) -> Self {
        let ChangeV2::Instead { version, body } = v2.change;
        Correction {
            corrects: v2.corrects,
            reason: v2.reason,
            change: Change::Instead { version, body },
        }
    }
}

impl Correction {
    /// The version in which it is written.
    pub fn version(&self) -> u32 {
        match self.change {
            Change::Withdraw | Change::Visit { .. } => 1,
            Change::Instead { .. } => 2,
        }
    }
}

/// How a conflict is settled.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "is", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Decision {
    /// All entries stand as they are.
    KeepAll {},
    /// These entries are withdrawn.
    Withdraw {
        /// Their ids; at least one.
        entries: Vec<Uuid>,
    },
    /// Something is lost, and it is known.
    AcceptLoss {},
}

/// A supervisor settled a conflict.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ConflictSettled {
    /// Id of the conflict: 64 hexadecimal digits.
    pub conflict: String,
    /// How.
    pub decision: Decision,
    /// Why.
    pub reason: String,
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

fn check_not_blank(name: &'static str, text: &str, rule: &str) -> Result<(), Refusal> {
    if text.trim().is_empty() {
        return refuse(name, "empty", rule);
    }
    Ok(())
}

fn check_id(name: &'static str, id: Uuid) -> Result<(), Refusal> {
    if id.is_nil() {
        return refuse(name, id, "an id, not zeros");
    }
    Ok(())
}

impl Says for ProgrammeSetUp {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_id("programme", self.programme)?;
        check_not_blank("name", &self.name, "the programme's name")?;
        self.key.map_or(Ok(()), check_key)
    }
    fn subjects(&self) -> Vec<Subject> {
        Vec::new()
    }
}

impl Says for Loaded {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        if self.encoding != ENCODING {
            return refuse("encoding", format!("{:?}", self.encoding), ENCODING);
        }
        check_count("rows", self.rows)?;
        let mut rows = 0_u64;
        for chunk in &self.chunks {
            check_count("bytes", chunk.bytes)?;
            rows = rows.saturating_add(chunk.rows);
        }
        if rows != self.rows {
            return refuse("rows", self.rows, &format!("the chunks hold {rows}"));
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        Vec::new()
    }
}

impl Says for TargetAdopted {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("target", &self.id)?;
        let profile = TargetProfile::from_toml(&self.toml).map_err(Refusal::Profile)?;
        if profile.id != self.id {
            return refuse(
                "target",
                format!("{:?}", self.id),
                &format!("the profile's own id is {:?}", profile.id),
            );
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        Vec::new()
    }
}

impl Says for Plan {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("target", &self.target)?;
        for (name, value) in [("objective", Some(self.objective)), ("bound", self.bound)] {
            if let Some(value) = value.filter(|value| !value.is_finite()) {
                return refuse(name, value, "a number");
            }
        }
        let mut seen = std::collections::HashSet::new();
        for place in &self.places {
            place.check(today)?;
            if !seen.insert(&place.label) {
                return refuse("place", format!("{:?}", place.label), "chosen once");
            }
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        Vec::new()
    }
}

impl Says for Correction {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_id("corrects", self.corrects)?;
        check_not_blank("reason", &self.reason, "say why, in plain words")?;
        match &self.change {
            Change::Withdraw => Ok(()),
            Change::Visit { visit } => {
                check_label("trap", &visit.trap)?;
                crate::load::check_day("date", visit.date, today)?;
                visit.check().map_err(Refusal::Visit)
            }
            Change::Instead { version: 0, .. } => refuse("version", 0, "a number from 1"),
            Change::Instead { body, .. } if !body.is_object() => {
                refuse("body", "not an object", "the whole body as it should have been")
            }
            Change::Instead { .. } => Ok(()),
        }
    }
    fn subjects(&self) -> Vec<Subject> {
        let trap = match &self.change {
            Change::Visit { visit } => Some(Subject::Trap(visit.trap.clone())),
            Change::Withdraw | Change::Instead { .. } => None,
        };
        std::iter::once(Subject::Entry(self.corrects))
            .chain(trap)
            .collect()
    }
}

impl Says for ConflictSettled {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        if self.conflict.parse::<Hash>().is_err() {
            return refuse(
                "conflict",
                format!("{:?}", self.conflict),
                "64 lower-case hexadecimal digits",
            );
        }
        check_words("reason", Some(&self.reason))?;
        let Decision::Withdraw { entries } = &self.decision else {
            return Ok(());
        };
        if entries.is_empty() {
            return refuse("entries", "none", "at least one; else say keep-all");
        }
        for (i, entry) in entries.iter().enumerate() {
            check_id("entries", *entry)?;
            if entries.iter().skip(i + 1).any(|other| other == entry) {
                return refuse("entries", entry, "each entry once");
            }
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        match &self.decision {
            Decision::Withdraw { entries } => entries.iter().copied().map(Subject::Entry).collect(),
            Decision::KeepAll {} | Decision::AcceptLoss {} => Vec::new(),
        }
    }
}

impl Other {
    pub(crate) fn check(&self) -> Result<(), Refusal> {
        let ok = (1..=64).contains(&self.kind.len())
            && self
                .kind
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
        if !ok {
            let rule = "1 to 64 of the characters a-z, 0-9 and -";
            return Err(field("kind", format!("{:?}", self.kind), rule));
        }
        if super::Body::is_known(&self.kind, self.version) {
            return Err(Refusal::Kind {
                kind: self.kind.clone(),
                rule: "it has a typed body; use that",
            });
        }
        if self.version == 0 {
            return refuse("version", 0, "a number from 1");
        }
        Ok(())
    }
}
