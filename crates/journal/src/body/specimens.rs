//! Specimens: where they came from, who holds them, what they are, and what became of them.

use earlywood_model::record::Position;
use jiff::civil::Date;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::{
    Photo, Says, Subject, check_count, check_each_label, check_person, check_photos, check_words, refuse,
};
use crate::canonical::canonical_json;
use crate::error::{Error, Refusal};
use crate::hash::Hash;
use crate::load::{check_day, check_label, check_position};

/// How sure a determination is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
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

impl Status {
    /// The word for it, as it stands in bodies.
    pub fn word(self) -> &'static str {
        match self {
            Status::Suspect => "suspect",
            Status::Tentative => "tentative",
            Status::Determined => "determined",
            Status::Confirmed => "confirmed",
            Status::RuledOut => "ruled-out",
            Status::Undeterminable => "undeterminable",
        }
    }
}

/// What was collected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Material {
    /// A whole sticky insert or panel, to be screened.
    Insert,
    /// An insect.
    Insect,
    /// A larva.
    Larva,
    /// A branch.
    Branch,
    /// A piece with a gallery.
    Gallery,
    /// A log.
    Log,
    /// Frass or boring dust.
    Frass,
    /// Anything else; the note says what.
    Other,
}

/// Where a specimen came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "is", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Origin {
    /// Out of a trap.
    Trap {
        /// The trap.
        trap: String,
        /// The day.
        #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
        date: Date,
    },
    /// From a tree.
    Tree {
        /// The tree.
        tree: String,
        /// The day.
        #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
        date: Date,
    },
    /// Out of another specimen.
    Specimen {
        /// The specimen it was part of.
        parent: String,
    },
    /// From anywhere else.
    Other {
        /// Where, in plain words.
        words: String,
        /// Where on the globe.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        position: Option<Position>,
    },
}

/// Something was collected and got its label.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SpecimenTaken {
    /// Its label, unique for ever.
    pub specimen: String,
    /// What it is made of.
    pub what: Material,
    /// Where it came from.
    pub from: Origin,
    /// Number of pieces, at least 1, where they were counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
    /// Its container, in plain words ("vial", "pouch").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub container: Option<String>,
    /// What it is kept in, in plain words ("dry", "cold", "70 % ethanol").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kept_in: Option<String>,
    /// Id of the target it might be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suspected: Option<String>,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Photos.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub photos: Vec<Photo>,
}

/// Specimens are handed to somebody, who has yet to accept them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SpecimensOffered {
    /// Label of the hand-over.
    pub handover: String,
    /// Labels of the specimens; at least one.
    pub specimens: Vec<String>,
    /// Id of the person who hands them over.
    pub from: String,
    /// Id of the person who is to get them.
    pub to: String,
    /// Where, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// Number of the seal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal: Option<String>,
    /// Whether the seal is whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal_intact: Option<bool>,
    /// State of the specimens, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<String>,
    /// What for, in plain words.
    pub purpose: String,
    /// Number of containers that go out, at least 1.
    pub containers: u32,
}

/// The specimens of a hand-over came in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SpecimensAccepted {
    /// Label of the hand-over.
    pub handover: String,
    /// Id of the person who has them now.
    pub by: String,
    /// Number of containers that came in, at least 1.
    pub containers: u32,
    /// Whether the seal was whole; none: there was no seal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal_intact: Option<bool>,
    /// State of the specimens, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condition: Option<String>,
}

/// The specimens of a hand-over were not accepted: they stay with whoever offered them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SpecimensDeclined {
    /// Label of the hand-over.
    pub handover: String,
    /// Id of the person who declined.
    pub by: String,
    /// Why.
    pub why: String,
}

/// An insert or panel was gone through in the office.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ScreeningMade {
    /// Label of what was screened.
    pub specimen: String,
    /// 1 for the first pass, 2 for the check by another person.
    pub pass: u8,
    /// Id of the person who screened.
    pub by: String,
    /// Minutes spent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u32>,
    /// Suspects seen; 0 means "looked, none".
    pub suspects: u32,
    /// Labels of the specimens lifted from it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub children: Vec<String>,
    /// Look-alikes seen and put aside.
    pub look_alikes: u32,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// How it was determined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// From a photo.
    Image,
    /// From its form, specimen in hand.
    Morphology,
    /// From its DNA.
    Dna,
    /// In another way; the note says how.
    Other,
}

/// Sex of an insect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Sex {
    /// Female.
    Female,
    /// Male.
    Male,
}

/// What a determination is about.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Determined {
    /// A labelled specimen.
    Specimen(String),
    /// Whatever a trap had caught, as it was recorded before specimens had labels (version 1).
    Trap {
        /// The trap it came from.
        trap: String,
        /// The day it was taken from the trap.
        date: Date,
    },
}

/// What a specimen is, in one person's opinion. Several may stand beside each other; the official one is flagged.
///
/// One about a specimen is written as version 2, one about a trap's catch as version 1; the latter has no `name`, `rank`,
/// `method`, `life_stage`, `sex`, `mated`, `sure`, `mark_checked` and `official`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Determination {
    /// What it is about.
    pub of: Determined,
    /// The target it is, or is not.
    pub target: String,
    /// How sure.
    pub status: Status,
    /// Scientific name given to it.
    pub name: Option<String>,
    /// Rank of that name ("species", "genus").
    pub rank: Option<String>,
    /// Who says so (role or id, no personal data).
    pub by: String,
    /// How it was determined; never none in version 2.
    pub method: Option<Method>,
    /// Life stage ("adult", "larva").
    pub life_stage: Option<String>,
    /// Sex.
    pub sex: Option<Sex>,
    /// Whether a female had mated.
    pub mated: Option<bool>,
    /// How sure, in the person's own words.
    pub sure: Option<String>,
    /// Whether somebody looked for the mark of a planted specimen.
    pub mark_checked: bool,
    /// Whether this is the official one.
    pub official: bool,
    /// Anything a reader must know.
    pub note: Option<String>,
}

/// Version 1 as written: about a trap's catch.
#[derive(Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(
    feature = "schema",
    schemars(description = "What the catch of a trap on one day is, in one person's opinion.")
)]
pub(crate) struct DeterminationV1 {
    /// The trap it came from.
    trap: String,
    /// The day it was taken from the trap.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    date: Date,
    /// The target it is, or is not.
    target: String,
    /// How sure.
    status: Status,
    /// Who says so (role or id, no personal data).
    by: String,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    note: Option<String>,
}

/// Version 2 as written: about a specimen.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[cfg_attr(
    feature = "schema",
    schemars(description = "What a specimen is, in one person's opinion.")
)]
pub(crate) struct DeterminationV2 {
    /// The specimen.
    specimen: String,
    /// The target it is, or is not.
    target: String,
    /// How sure.
    status: Status,
    /// Scientific name given to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    /// Rank of that name ("species", "genus").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rank: Option<String>,
    /// Id of the person who says so.
    by: String,
    /// How it was determined.
    method: Method,
    /// Life stage ("adult", "larva").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    life_stage: Option<String>,
    /// Sex.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sex: Option<Sex>,
    /// Whether a female had mated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    mated: Option<bool>,
    /// How sure, in the person's own words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sure: Option<String>,
    /// Whether somebody looked for the mark of a planted specimen.
    mark_checked: bool,
    /// Whether this is the official determination.
    official: bool,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    note: Option<String>,
}

impl Determination {
    /// What a trap's catch of one day is: the form of version 1.
    pub fn of_trap(
        trap: impl Into<String>,
        date: Date,
        target: impl Into<String>,
        status: Status,
        by: impl Into<String>,
    ) -> Self {
        let of = Determined::Trap {
            trap: trap.into(),
            date,
        };
        Determination::about(of, target.into(), status, by.into())
    }

    /// What a labelled specimen is: the form of version 2. Nothing else is said; fill in the other fields.
    pub fn of_specimen(
        specimen: impl Into<String>,
        target: impl Into<String>,
        status: Status,
        by: impl Into<String>,
        method: Method,
    ) -> Self {
        let of = Determined::Specimen(specimen.into());
        Determination {
            method: Some(method),
            ..Determination::about(of, target.into(), status, by.into())
        }
    }

    fn about(of: Determined, target: String, status: Status, by: String) -> Self {
        Determination {
            of,
            target,
            status,
            name: None,
            rank: None,
            by,
            method: None,
            life_stage: None,
            sex: None,
            mated: None,
            sure: None,
            mark_checked: false,
            official: false,
            note: None,
        }
    }

    /// The same with a note.
    #[must_use]
    pub fn with_note(mut self, note: Option<String>) -> Self {
        self.note = note;
        self
    }

    /// The specimen, for one that is about a specimen.
    pub fn specimen(&self) -> Option<&str> {
        match &self.of {
            Determined::Specimen(specimen) => Some(specimen),
            Determined::Trap { .. } => None,
        }
    }

    /// The trap and the day its catch was taken, for one that is about a trap's catch.
    pub fn trap(&self) -> Option<(&str, Date)> {
        match &self.of {
            Determined::Trap { trap, date } => Some((trap, *date)),
            Determined::Specimen(_) => None,
        }
    }

    /// The version in which it is written.
    pub fn version(&self) -> u32 {
        match self.of {
            Determined::Specimen(_) => 2,
            Determined::Trap { .. } => 1,
        }
    }

    /// Checks that the parts of the record agree with each other.
    ///
    /// # Errors
    /// Details that the form about a trap can't hold; a rank without a name; a mated male; an official guess; ...
    pub fn check(&self) -> Result<(), Refusal> {
        check_label("target", &self.target)?;
        match &self.of {
            Determined::Trap { trap, .. } => {
                check_label("trap", trap)?;
                check_label("by", &self.by)?;
                if self.by.contains('@') {
                    return check_person("by", &self.by);
                }
                self.check_no_details()
            }
            Determined::Specimen(specimen) => {
                check_label("specimen", specimen)?;
                check_person("by", &self.by)?;
                check_words("note", self.note.as_deref())?;
                self.check_details()
            }
        }
    }

    fn check_no_details(&self) -> Result<(), Refusal> {
        let details = [
            ("name", self.name.is_some()),
            ("rank", self.rank.is_some()),
            ("method", self.method.is_some()),
            ("life_stage", self.life_stage.is_some()),
            ("sex", self.sex.is_some()),
            ("mated", self.mated.is_some()),
            ("sure", self.sure.is_some()),
            ("mark_checked", self.mark_checked),
            ("official", self.official),
        ];
        match details.into_iter().find(|(_, given)| *given) {
            Some((name, _)) => refuse(
                name,
                "given",
                "only a determination of a labelled specimen says so much",
            ),
            None => Ok(()),
        }
    }

    fn check_details(&self) -> Result<(), Refusal> {
        for (name, label) in [
            ("name", &self.name),
            ("rank", &self.rank),
            ("life_stage", &self.life_stage),
        ] {
            label.iter().try_for_each(|label| check_label(name, label))?;
        }
        check_words("sure", self.sure.as_deref())?;
        if self.rank.is_some() && self.name.is_none() {
            return refuse("rank", "without a name", "give the name whose rank it is");
        }
        match self.method {
            None => return refuse("method", "empty", "say how it was determined"),
            Some(Method::Other) if self.note.is_none() => {
                return refuse("method", "other", "say in the note how it was determined");
            }
            Some(_) => {}
        }
        if self.mated.is_some() && self.sex != Some(Sex::Female) {
            return refuse("mated", "given", "only of a female; say that it is one");
        }
        if self.official && matches!(self.status, Status::Suspect | Status::Tentative) {
            return refuse(
                "official",
                true,
                &format!("a {} determination is never the official one", self.status.word()),
            );
        }
        Ok(())
    }
}

impl From<DeterminationV1> for Determination {
    fn from(v1: DeterminationV1) -> Self {
        Determination::of_trap(v1.trap, v1.date, v1.target, v1.status, v1.by).with_note(v1.note)
    }
}

impl From<DeterminationV2> for Determination {
    fn from(v2: DeterminationV2) -> Self {
        Determination {
            of: Determined::Specimen(v2.specimen),
            target: v2.target,
            status: v2.status,
            name: v2.name,
            rank: v2.rank,
            by: v2.by,
            method: Some(v2.method),
            life_stage: v2.life_stage,
            sex: v2.sex,
            mated: v2.mated,
            sure: v2.sure,
            mark_checked: v2.mark_checked,
            official: v2.official,
            note: v2.note,
        }
    }
}

impl Serialize for Determination {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let this = self.clone();
        match this.of {
            Determined::Trap { trap, date } => DeterminationV1 {
                trap,
                date,
                target: this.target,
                status: this.status,
                by: this.by,
                note: this.note,
            }
            .serialize(serializer),
            Determined::Specimen(specimen) => DeterminationV2 {
                specimen,
                target: this.target,
                status: this.status,
                name: this.name,
                rank: this.rank,
                by: this.by,
                method: this
                    .method
                    .ok_or_else(|| serde::ser::Error::custom("its method is not given"))?,
                life_stage: this.life_stage,
                sex: this.sex,
                mated: this.mated,
                sure: this.sure,
                mark_checked: this.mark_checked,
                official: this.official,
                note: this.note,
            }
            .serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Determination {
    /// Either form, told apart by its fields. [`super::Body::read`] goes by the version instead.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Either {
            V2(DeterminationV2),
            V1(DeterminationV1),
        }
        Ok(match Either::deserialize(deserializer)? {
            Either::V2(v2) => v2.into(),
            Either::V1(v1) => v1.into(),
        })
    }
}

/// What became of a specimen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    /// Given back.
    Returned,
    /// Kept for good, as a voucher.
    Retained,
    /// Destroyed.
    Destroyed,
    /// Lost.
    Lost,
}

/// A specimen's way is over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SpecimenEnded {
    /// The specimen.
    pub specimen: String,
    /// What became of it.
    pub how: Ending,
    /// Where it is now, in plain words; must be said of one that was returned or retained.
    #[serde(rename = "where")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub where_: Option<String>,
    /// Id of the person who saw to it.
    pub by: String,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// Something stands in the journal by its hash only: whoever lacks the content learns nothing of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Sealed {
    /// BLAKE3 of the content.
    pub content: Hash,
    /// Number of its bytes.
    pub bytes: u64,
}

/// What was planted, where: the content behind a [`Sealed`] entry, salted so that nobody can guess it from its hash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Planting {
    /// 32 lower-case hexadecimal digits drawn at random.
    pub salt: String,
    /// Label of the planting.
    pub planting: String,
    /// The trap it was planted in.
    pub trap: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// Species of what was planted, scientific name.
    pub species: String,
    /// How it is marked, in plain words.
    pub mark: String,
    /// Labels of what was planted; at least one.
    pub specimens: Vec<String>,
    /// Id of the person who planted it.
    pub by: String,
}

impl Planting {
    /// Checks the parts of it.
    ///
    /// # Errors
    /// A salt that is none, a label that is none, nothing planted, a day after `today`.
    pub fn check(&self, today: Date) -> Result<(), Refusal> {
        let hex = |b: u8| matches!(b, b'0'..=b'9' | b'a'..=b'f');
        if self.salt.len() != 32 || !self.salt.bytes().all(hex) {
            return refuse(
                "salt",
                format!("{:?}", self.salt),
                "32 lower-case hexadecimal digits drawn at random",
            );
        }
        for (name, label) in [
            ("planting", &self.planting),
            ("trap", &self.trap),
            ("species", &self.species),
        ] {
            check_label(name, label)?;
        }
        check_words("mark", Some(&self.mark))?;
        check_some("specimens", &self.specimens)?;
        check_person("by", &self.by)?;
        check_day("date", self.date, today)
    }

    /// The content's bytes: its canonical JSON.
    ///
    /// # Errors
    /// None that a [checked](Planting::check) planting could meet.
    pub fn to_bytes(&self) -> Result<Vec<u8>, Error> {
        let value = serde_json::to_value(self).map_err(|e| unusable(e.to_string()))?;
        Ok(canonical_json(&value)?.into_bytes())
    }

    /// Reads a content.
    ///
    /// # Errors
    /// Bytes that are no planting.
    pub fn read(bytes: &[u8]) -> Result<Self, Error> {
        serde_json::from_slice(bytes).map_err(|e| unusable(e.to_string()))
    }

    /// What the journal's entry says of these bytes.
    pub fn seal(bytes: &[u8]) -> Sealed {
        Sealed {
            content: Hash::of(bytes),
            bytes: bytes.len() as u64,
        }
    }
}

fn unusable(why: String) -> Error {
    Error::Body {
        kind: "planting".into(),
        why,
    }
}

/// How a planting ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "is", rename_all = "kebab-case", deny_unknown_fields)]
pub enum PlantingOutcome {
    /// It came back as this specimen.
    Recovered {
        /// The specimen's label.
        specimen: String,
    },
    /// The trap was looked at and it was overlooked.
    Missed {},
    /// It fell out, or the trap was lost: says nothing about the look.
    Lost {},
}

/// It was found out whether a planted specimen came back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PlantingClosed {
    /// Label of the planting.
    pub planting: String,
    /// How it ended.
    pub outcome: PlantingOutcome,
    /// Id of the person who found out.
    pub by: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
}

fn check_some(name: &'static str, labels: &[String]) -> Result<(), Refusal> {
    if labels.is_empty() {
        return refuse(name, "none", "at least one");
    }
    check_each_label(name, labels)
}

impl Says for SpecimenTaken {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("specimen", &self.specimen)?;
        match &self.from {
            Origin::Trap { trap, date } => {
                check_label("trap", trap)?;
                check_day("date", *date, today)?;
                if matches!(self.what, Material::Branch | Material::Gallery | Material::Log) {
                    return refuse("from", "a trap", "a branch, gallery or log comes from a tree");
                }
            }
            Origin::Tree { tree, date } => {
                check_label("tree", tree)?;
                check_day("date", *date, today)?;
                if self.what == Material::Insert {
                    return refuse("from", "a tree", "an insert comes from a trap");
                }
            }
            Origin::Specimen { parent } => {
                check_label("parent", parent)?;
                if *parent == self.specimen {
                    return refuse("parent", format!("{parent:?}"), "another specimen than itself");
                }
            }
            Origin::Other { words, position } => {
                check_words("words", Some(words))?;
                position.map_or(Ok(()), check_position)?;
            }
        }
        if self.count == Some(0) {
            return refuse(
                "count",
                0,
                "at least 1; where nothing was taken there is no specimen",
            );
        }
        if self.what == Material::Other && self.note.is_none() {
            return refuse("note", "empty", "say what it is");
        }
        self.suspected
            .iter()
            .try_for_each(|target| check_label("suspected", target))?;
        check_words("container", self.container.as_deref())?;
        check_words("kept_in", self.kept_in.as_deref())?;
        check_words("note", self.note.as_deref())?;
        check_photos(&self.photos)
    }
    fn subjects(&self) -> Vec<Subject> {
        let from = match &self.from {
            Origin::Trap { trap, .. } => Some(Subject::Trap(trap.clone())),
            Origin::Tree { tree, .. } => Some(Subject::Tree(tree.clone())),
            Origin::Specimen { parent } => Some(Subject::Specimen(parent.clone())),
            Origin::Other { .. } => None,
        };
        std::iter::once(Subject::Specimen(self.specimen.clone()))
            .chain(from)
            .collect()
    }
    fn day(&self) -> Option<Date> {
        match self.from {
            Origin::Trap { date, .. } | Origin::Tree { date, .. } => Some(date),
            Origin::Specimen { .. } | Origin::Other { .. } => None,
        }
    }
}

fn check_containers(containers: u32) -> Result<(), Refusal> {
    if containers == 0 {
        return refuse("containers", 0, "at least 1");
    }
    Ok(())
}

impl Says for SpecimensOffered {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("handover", &self.handover)?;
        check_some("specimens", &self.specimens)?;
        check_person("from", &self.from)?;
        check_person("to", &self.to)?;
        if self.from == self.to {
            return refuse(
                "to",
                format!("{:?}", self.to),
                "somebody else than who hands them over",
            );
        }
        check_words("place", self.place.as_deref())?;
        self.seal.iter().try_for_each(|seal| check_label("seal", seal))?;
        if self.seal_intact.is_some() && self.seal.is_none() {
            return refuse("seal_intact", "without a seal", "give the number of the seal");
        }
        check_words("condition", self.condition.as_deref())?;
        check_words("purpose", Some(&self.purpose))?;
        check_containers(self.containers)
    }
    fn subjects(&self) -> Vec<Subject> {
        let specimens = self.specimens.iter().cloned().map(Subject::Specimen);
        std::iter::once(Subject::Handover(self.handover.clone()))
            .chain(specimens)
            .collect()
    }
}

impl Says for SpecimensAccepted {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("handover", &self.handover)?;
        check_person("by", &self.by)?;
        check_words("condition", self.condition.as_deref())?;
        check_containers(self.containers)
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Handover(self.handover.clone())]
    }
}

impl Says for SpecimensDeclined {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("handover", &self.handover)?;
        check_person("by", &self.by)?;
        check_words("why", Some(&self.why))
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Handover(self.handover.clone())]
    }
}

impl Says for ScreeningMade {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("specimen", &self.specimen)?;
        check_person("by", &self.by)?;
        if !matches!(self.pass, 1 | 2) {
            return refuse("pass", self.pass, "1 or 2");
        }
        if self.minutes.is_some_and(|minutes| minutes > 24 * 60) {
            return refuse("minutes", self.minutes.unwrap_or_default(), "no more than a day");
        }
        check_each_label("children", &self.children)?;
        if self.children.contains(&self.specimen) {
            return refuse(
                "children",
                format!("{:?}", self.specimen),
                "other labels than what was screened",
            );
        }
        let seen = u64::from(self.suspects) + u64::from(self.look_alikes);
        if self.children.len() as u64 > seen {
            return refuse(
                "children",
                format!("{} specimens", self.children.len()),
                &format!("no more than the {seen} suspects and look-alikes that were seen"),
            );
        }
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        std::iter::once(&self.specimen)
            .chain(&self.children)
            .cloned()
            .map(Subject::Specimen)
            .collect()
    }
}

impl Says for Determination {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        if let Determined::Trap { date, .. } = self.of {
            check_day("date", date, today)?;
        }
        self.check()
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![match &self.of {
            Determined::Specimen(specimen) => Subject::Specimen(specimen.clone()),
            Determined::Trap { trap, .. } => Subject::Trap(trap.clone()),
        }]
    }
}

impl Says for SpecimenEnded {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("specimen", &self.specimen)?;
        check_person("by", &self.by)?;
        check_words("where", self.where_.as_deref())?;
        if matches!(self.how, Ending::Returned | Ending::Retained) && self.where_.is_none() {
            return refuse("where", "empty", "say where it is now");
        }
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Specimen(self.specimen.clone())]
    }
}

impl Says for Sealed {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        if self.bytes == 0 {
            return refuse("bytes", 0, "at least 1");
        }
        check_count("bytes", self.bytes)
    }
    /// None: what it is about is sealed.
    fn subjects(&self) -> Vec<Subject> {
        Vec::new()
    }
}

impl Says for PlantingClosed {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("planting", &self.planting)?;
        check_person("by", &self.by)?;
        check_day("date", self.date, today)?;
        match &self.outcome {
            PlantingOutcome::Recovered { specimen } => check_label("specimen", specimen),
            PlantingOutcome::Missed {} | PlantingOutcome::Lost {} => Ok(()),
        }
    }
    fn subjects(&self) -> Vec<Subject> {
        let specimen = match &self.outcome {
            PlantingOutcome::Recovered { specimen } => Some(Subject::Specimen(specimen.clone())),
            PlantingOutcome::Missed {} | PlantingOutcome::Lost {} => None,
        };
        std::iter::once(Subject::Planting(self.planting.clone()))
            .chain(specimen)
            .collect()
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}
