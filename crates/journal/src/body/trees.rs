//! Looks at trees: what was looked at, from where, what was seen, and how bad it is.

use earlywood_model::record::{Looked, Position};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{
    Photo, Says, Subject, check_accuracy, check_each_label, check_photos, check_range, check_words,
    check_year, refuse,
};
use crate::error::Refusal;
use crate::load::{check_day, check_label, check_position};

/// How sure a tree's species is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Sureness {
    /// Beyond doubt.
    Sure,
    /// Most likely.
    Probable,
    /// Not known.
    Unknown,
}

/// From where a tree was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Vantage {
    /// From the ground.
    Ground,
    /// From the ground, with a binocular.
    Binocular,
    /// From a ladder.
    Ladder,
    /// By climbing.
    Climb,
    /// From a lift.
    Lift,
}

/// A part of a tree that was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum TreePart {
    /// Root collar and base.
    Base,
    /// Trunk up to 2 m.
    LowerTrunk,
    /// Trunk from 2 to 6 m.
    UpperTrunk,
    /// Branches.
    Branches,
    /// The canopy.
    Canopy,
}

/// Whether leaves hid the bark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Leaf {
    /// In leaf.
    InLeaf,
    /// Without leaves.
    Leafless,
    /// Not recorded.
    Unknown,
}

/// A sign that something lives in the tree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum SignKind {
    /// Holes by which adults left, or by which beetles went in.
    Hole,
    /// Pits chewed for eggs, or chewed bark.
    EggPit,
    /// Frass or boring dust.
    Frass,
    /// Dark stains or wet patches.
    Stain,
    /// Gum, resin or white sugary crusts.
    Gum,
    /// Splits or blisters in the bark.
    BarkSplit,
    /// Loose bark.
    LooseBark,
    /// Bark stripped by woodpeckers or squirrels.
    Stripped,
    /// Galleries under the bark.
    Gallery,
    /// A live stage was seen.
    LiveStage,
    /// The crown is thin or dies back.
    CrownThin,
    /// Shoots from the trunk or the base.
    Shoots,
    /// Single branches with wilted or brown leaves.
    Flagging,
    /// The tree is dead.
    TreeDead,
    /// The tree was felled or is gone.
    TreeGone,
    /// Cut wood lies there.
    CutWood,
    /// Anything else; the note says what.
    Other,
}

/// Outline of a hole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum HoleShape {
    /// Flat on one side, like the letter D.
    D,
    /// Round.
    Round,
    /// Oval.
    Oval,
    /// Neither.
    Irregular,
}

/// One sign that was seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Sign {
    /// What it is.
    pub sign: SignKind,
    /// Smallest and largest size seen, mm; both the same where one was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub size_mm: Option<[f64; 2]>,
    /// Outline, of holes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shape: Option<HoleShape>,
    /// How many were counted; at least 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
    /// Bark on which they were counted, square metres; none: on all that was looked at.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub patch_m2: Option<f64>,
    /// Height above ground, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub height_m: Option<f64>,
    /// Fresh (true), old (false), or not told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fresh: Option<bool>,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A class on a named scale.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Severity {
    /// Name of the scale.
    pub scale: String,
    /// Version of the scale, from 1.
    pub scale_version: u32,
    /// The class, from 1 (the least) to `of`.
    pub class: u8,
    /// Number of classes, at least 2.
    pub of: u8,
}

/// What a peeled branch showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Peeled {
    /// Galleries or live stages.
    Positive,
    /// Looked, none.
    Negative,
    /// Not peeled yet.
    NotDone,
}

/// A branch that was cut to be peeled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BranchSample {
    /// Its label.
    pub label: String,
    /// Height it was cut at, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub height_m: Option<f64>,
    /// Diameter at its base, cm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base_cm: Option<f64>,
    /// Length, cm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_cm: Option<f64>,
    /// Length that was peeled, cm; 0 when it was not done.
    pub peeled_cm: f64,
    /// What it showed.
    pub found: Peeled,
    /// Labels of specimens taken out of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub specimens: Vec<String>,
}

/// A look at one tree.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TreeInspected {
    /// The tree's own label (its tag).
    pub tree: String,
    /// Label of the loaded host it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub host: Option<String>,
    /// Species, scientific name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub species: Option<String>,
    /// How sure the species is.
    pub species_sure: Sureness,
    /// Where it stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<Position>,
    /// Radius in which it surely stands, metres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position_accuracy_m: Option<f64>,
    /// Diameter at breast height, cm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dbh_cm: Option<f64>,
    /// Where it grows, in plain words ("street", "yard", "riverside").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub setting: Option<String>,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// The crew.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// From where it was looked at.
    pub from: Vantage,
    /// What was looked at.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<TreePart>,
    /// Whether those parts were looked at. `no` is never "nothing there".
    pub looked: Looked,
    /// Why it was looked at in part or not at all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_not: Option<String>,
    /// Whether leaves hid the bark.
    pub leaf: Leaf,
    /// Minutes spent looking.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u32>,
    /// The signs that were seen.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub signs: Vec<Sign>,
    /// "Looked, none": true when it was looked at and no sign was seen.
    pub none_found: bool,
    /// Class of the crown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crown: Option<Severity>,
    /// Class by the count of signs of borers: a scale apart from the crown's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub borer: Option<Severity>,
    /// Branches cut to be peeled.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub branch_samples: Vec<BranchSample>,
    /// Labels of other specimens taken.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub specimens: Vec<String>,
    /// Photos.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub photos: Vec<Photo>,
    /// What was done or asked for, in plain words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub action: Option<String>,
    /// Day of the next look.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub next_look: Option<Date>,
}

impl Sign {
    fn check(&self) -> Result<(), Refusal> {
        if let Some([lo, hi]) = self.size_mm {
            check_range("size_mm", Some(lo), f64::MIN_POSITIVE, 1000.0, "mm, above 0")?;
            check_range("size_mm", Some(hi), f64::MIN_POSITIVE, 1000.0, "mm, above 0")?;
            if lo > hi {
                return refuse("size_mm", format!("{lo} to {hi}"), "the smaller first");
            }
        }
        if self.shape.is_some() && self.sign != SignKind::Hole {
            return refuse("shape", "of something else", "only holes have a shape");
        }
        if self.count == Some(0) {
            return refuse("count", 0, "at least 1; a sign that was not seen is left out");
        }
        // A patch of a hectare is a typing error: no tree has that much bark.
        check_range(
            "patch_m2",
            self.patch_m2,
            f64::MIN_POSITIVE,
            1000.0,
            "square metres, above 0",
        )?;
        if self.patch_m2.is_some() && self.count.is_none() {
            return refuse("patch_m2", "without a count", "say how many were counted on it");
        }
        check_height(self.height_m)?;
        if self.sign == SignKind::Other && self.note.is_none() {
            return refuse("note", "empty", "say what the sign is");
        }
        check_words("note", self.note.as_deref())
    }
}

/// The tallest trees known stand a little above 115 m (from memory).
fn check_height(height_m: Option<f64>) -> Result<(), Refusal> {
    check_range("height_m", height_m, 0.0, 120.0, "metres")
}

impl Severity {
    fn check(&self) -> Result<(), Refusal> {
        check_label("scale", &self.scale)?;
        if self.scale_version == 0 {
            return refuse("scale_version", 0, "a number from 1");
        }
        if self.of < 2 {
            return refuse("of", self.of, "a scale has at least 2 classes");
        }
        if !(1..=self.of).contains(&self.class) {
            return refuse("class", self.class, &format!("from 1 to {}", self.of));
        }
        Ok(())
    }
}

impl BranchSample {
    fn check(&self) -> Result<(), Refusal> {
        check_label("branch_samples", &self.label)?;
        check_height(self.height_m)?;
        check_range("base_cm", self.base_cm, f64::MIN_POSITIVE, 500.0, "cm, above 0")?;
        check_range(
            "length_cm",
            self.length_cm,
            f64::MIN_POSITIVE,
            10_000.0,
            "cm, above 0",
        )?;
        check_range("peeled_cm", Some(self.peeled_cm), 0.0, 10_000.0, "cm")?;
        check_each_label("specimens", &self.specimens)?;
        let peeled = self.peeled_cm > 0.0;
        match self.found {
            Peeled::NotDone if peeled => refuse(
                "found",
                "not-done",
                "something was peeled; say positive or negative",
            ),
            Peeled::NotDone if !self.specimens.is_empty() => refuse(
                "specimens",
                "of a branch not peeled",
                "peel it first, or list them with the tree",
            ),
            Peeled::Positive | Peeled::Negative if !peeled => refuse(
                "peeled_cm",
                0,
                "above 0 for a branch that was peeled; else say not-done",
            ),
            _ if self.length_cm.is_some_and(|length| self.peeled_cm > length) => {
                refuse("peeled_cm", self.peeled_cm, "no longer than the branch")
            }
            _ => Ok(()),
        }
    }
}

impl TreeInspected {
    /// Checks that the parts of the record agree with each other.
    ///
    /// # Errors
    /// A sign without a look, a look without a result, a class outside its scale, a size above its range, ...
    pub fn check(&self) -> Result<(), Refusal> {
        self.check_tree()?;
        self.check_look()?;
        self.signs.iter().try_for_each(Sign::check)?;
        for severity in [&self.crown, &self.borer].into_iter().flatten() {
            severity.check()?;
        }
        if let (Some(crown), Some(borer)) = (&self.crown, &self.borer)
            && crown.scale == borer.scale
        {
            return refuse(
                "borer",
                format!("{:?}", borer.scale),
                "a scale apart from the crown's",
            );
        }
        self.branch_samples.iter().try_for_each(BranchSample::check)?;
        let in_branches = self
            .branch_samples
            .iter()
            .flat_map(|b| std::iter::once(&b.label).chain(&b.specimens));
        check_each_label("specimens", self.specimens.iter().chain(in_branches))?;
        check_photos(&self.photos)?;
        check_words("action", self.action.as_deref())
    }

    fn check_tree(&self) -> Result<(), Refusal> {
        check_label("tree", &self.tree)?;
        for (name, label) in [
            ("host", &self.host),
            ("species", &self.species),
            ("crew", &self.crew),
        ] {
            label.iter().try_for_each(|label| check_label(name, label))?;
        }
        match (self.species_sure, &self.species) {
            (Sureness::Sure | Sureness::Probable, None) => {
                return refuse("species", "empty", "name the species, or say that it is unknown");
            }
            (Sureness::Unknown, Some(species)) => {
                return refuse(
                    "species_sure",
                    "unknown",
                    &format!("{species:?} is given: say sure or probable"),
                );
            }
            _ => {}
        }
        self.position.map_or(Ok(()), check_position)?;
        check_accuracy(self.position, self.position_accuracy_m)?;
        check_range("dbh_cm", self.dbh_cm, f64::MIN_POSITIVE, 1500.0, "cm, above 0")?;
        check_words("setting", self.setting.as_deref())?;
        if self.minutes.is_some_and(|minutes| minutes > 24 * 60) {
            return refuse("minutes", self.minutes.unwrap_or_default(), "no more than a day");
        }
        Ok(())
    }

    fn check_look(&self) -> Result<(), Refusal> {
        check_words("why_not", self.why_not.as_deref())?;
        for (i, part) in self.parts.iter().enumerate() {
            if self.parts.iter().skip(i + 1).any(|other| other == part) {
                return refuse("parts", format!("{part:?} twice"), "each part once");
            }
        }
        if self.looked == Looked::No {
            return self.check_not_looked();
        }
        if self.parts.is_empty() {
            return refuse(
                "parts",
                "none",
                "say what was looked at, or that it was not looked at",
            );
        }
        match (self.looked, &self.why_not) {
            (Looked::Partly, None) => {
                return refuse("why_not", "empty", "say why it was looked at in part only");
            }
            (Looked::Fully, Some(why)) => {
                return refuse(
                    "why_not",
                    format!("{why:?}"),
                    "it was looked at fully; leave it out",
                );
            }
            _ => {}
        }
        match (self.signs.is_empty(), self.none_found) {
            (true, false) => refuse(
                "none_found",
                false,
                "no sign is given: say none_found, or list the signs",
            ),
            (false, true) => refuse("none_found", true, "signs are given: they can't both hold"),
            (true, true) if self.branch_samples.iter().any(|b| b.found == Peeled::Positive) => refuse(
                "none_found",
                true,
                "a branch was positive: list what it showed as a sign",
            ),
            _ => Ok(()),
        }
    }

    fn check_not_looked(&self) -> Result<(), Refusal> {
        if self.why_not.is_none() {
            return refuse("why_not", "empty", "say why it was not looked at");
        }
        if self.none_found {
            return refuse(
                "none_found",
                true,
                "it was not looked at; that is not \"looked, none\"",
            );
        }
        let seen = [
            ("parts", !self.parts.is_empty()),
            ("signs", !self.signs.is_empty()),
            ("crown", self.crown.is_some()),
            ("borer", self.borer.is_some()),
            ("branch_samples", !self.branch_samples.is_empty()),
            ("specimens", !self.specimens.is_empty()),
        ];
        match seen.into_iter().find(|(_, given)| *given) {
            Some((name, _)) => refuse(name, "given", "it was not looked at; leave it out, or say looked"),
            None => Ok(()),
        }
    }
}

impl Says for TreeInspected {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_day("date", self.date, today)?;
        if let Some(next) = self.next_look {
            check_year("next_look", next)?;
            if next < self.date {
                return refuse(
                    "next_look",
                    next,
                    &format!("not before the look on {}", self.date),
                );
            }
        }
        self.check()
    }
    fn subjects(&self) -> Vec<Subject> {
        let in_branches = self
            .branch_samples
            .iter()
            .flat_map(|b| std::iter::once(&b.label).chain(&b.specimens));
        let specimens = self
            .specimens
            .iter()
            .chain(in_branches)
            .cloned()
            .map(Subject::Specimen);
        std::iter::once(Subject::Tree(self.tree.clone()))
            .chain(specimens)
            .collect()
    }
    fn day(&self) -> Option<Date> {
        Some(self.date)
    }
}
