//! A response: what a programme decided beforehand, and what it did after a find.
//!
//! A response has the label of the find that opened it: a specimen's label, or `trap:T-1 2026-05-04` for a determination of
//! layout 1, which names a trap and a day.

use std::collections::HashSet;

use earlywood_model::record::Position;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use uuid::Uuid;

use super::{Says, Subject, check_each_label, check_range, check_span, check_words, check_year, refuse};
use crate::error::Refusal;
use crate::load::{check_day, check_label, check_position};

/// A programme took a protocol for a target; of several the one adopted last holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ProtocolAdopted {
    /// The target's id.
    pub target: String,
    /// The protocol, as it was written.
    pub toml: String,
}

/// A response begins, on a confirmed find.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ResponseOpened {
    /// The find, which gives the response its label.
    pub find: String,
    /// The target's id.
    pub target: String,
    /// The entry that adopted the protocol which holds for it.
    pub protocol: Uuid,
    /// What the protocol set off, in words, as it was proposed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub set_off: Vec<String>,
    /// Why.
    pub reason: String,
}

/// A step of the protocol's chain was taken: who was told, at the entry's own time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ResponseStepDone {
    /// The response.
    pub find: String,
    /// The step's id in the protocol.
    pub step: String,
    /// What was told, and to which office; never a private person's name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// The word that GeoJSON has for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
enum MultiPolygonWord {
    MultiPolygon,
}

/// A ring of positions, each longitude and latitude in degrees (WGS 84).
type Ring = Vec<[f64; 2]>;

/// Ground, as a GeoJSON MultiPolygon (RFC 7946): longitude first, rings closed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct MultiPolygon {
    #[serde(rename = "type")]
    word: MultiPolygonWord,
    /// Polygons, each of an outer ring and its holes.
    pub coordinates: Vec<Vec<Ring>>,
}

/// Most corners of one area: finer than any legal description, and far below what slows a phone.
const MOST_CORNERS: usize = 100_000;

impl MultiPolygon {
    /// Of these polygons, each of an outer ring and its holes; longitude first.
    pub fn new(coordinates: Vec<Vec<Vec<[f64; 2]>>>) -> Self {
        MultiPolygon {
            word: MultiPolygonWord::MultiPolygon,
            coordinates,
        }
    }

    fn check(&self) -> Result<(), Refusal> {
        const NAME: &str = "geometry";
        if self.coordinates.is_empty() {
            return refuse(NAME, "empty", "at least one polygon");
        }
        let rings = || self.coordinates.iter().flatten();
        let corners: usize = rings().map(Vec::len).sum();
        if corners > MOST_CORNERS {
            let rule = format!("at most {MOST_CORNERS} corners: simplify it");
            return refuse(NAME, format!("of {corners} corners"), &rule);
        }
        if self.coordinates.iter().any(Vec::is_empty) {
            return refuse(
                NAME,
                "a polygon without a ring",
                "an outer ring first, then holes",
            );
        }
        for ring in rings() {
            if ring.len() < 4 || ring.first() != ring.last() {
                let what = format!("a ring of {} corners", ring.len());
                return refuse(NAME, what, "rings of 4 corners or more whose last is their first");
            }
            for [lon, lat] in ring {
                check_position(Position { lat: *lat, lon: *lon })?;
            }
            if ring_area(ring) == 0.0 {
                return refuse(NAME, "a ring without an area", "rings that enclose ground");
            }
        }
        Ok(())
    }
}

/// Twice the area that a ring encloses, square degrees: only whether it is 0 means anything.
fn ring_area(ring: &[[f64; 2]]) -> f64 {
    let [x0, y0] = ring.first().copied().unwrap_or_default();
    ring.windows(2)
        .map(|two| (two[0][0] - x0) * (two[1][1] - y0) - (two[1][0] - x0) * (two[0][1] - y0))
        .sum::<f64>()
        .abs()
}

/// A regulated area was drawn, or drawn anew. Earlier versions stay as they were.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AreaDrawn {
    /// The response.
    pub find: String,
    /// Which version: 1, 2, 3, without gaps.
    pub version: u32,
    /// The confirmed finds that it was drawn from.
    pub finds: Vec<String>,
    /// The ground.
    pub geometry: MultiPolygon,
    /// Its size, square kilometres on the ellipsoid.
    pub km2: f64,
    /// Its boundary in words.
    pub text: String,
    /// What was added, step by step, in words.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub steps: Vec<String>,
    /// First day on which it holds.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// Last day on which it holds, where one was set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub to: Option<Date>,
    /// By whose order: an office and its paper, never a person's name.
    pub authority: String,
    /// Why this ground.
    pub reason: String,
    /// Settings that produced it.
    pub settings: Value,
}

/// A regulated area, or what remains of it, holds no more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AreaLifted {
    /// The response.
    pub find: String,
    /// The version that is lifted.
    pub version: u32,
    /// First day on which it holds no more.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// By whose order.
    pub authority: String,
    /// Why.
    pub reason: String,
}

/// A trap to hang, or a unit to look at, of a delimiting survey.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DelimitingSpot {
    /// Its label: a place for a trap; a tree, a block or a site for a look.
    pub label: String,
    /// Where.
    pub position: Position,
    /// The ring it lies in, from 1 at the find; 0: outside all rings.
    pub ring: u32,
    /// Hours of work that a look takes; absent for a trap.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours: Option<f64>,
}

/// A delimiting survey was settled. Of several the one adopted last holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DelimitingAdopted {
    /// The response.
    pub find: String,
    /// How it was laid out: `rings` or `optimised`.
    pub method: String,
    /// First day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// Last day, where one is set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub to: Option<Date>,
    /// Traps to hang.
    pub traps: Vec<DelimitingSpot>,
    /// What to look at.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub looks: Vec<DelimitingSpot>,
    /// Settings that produced it.
    pub settings: Value,
    /// Why.
    pub reason: String,
}

/// One item of a pest report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ReportItem {
    /// What it is about ("hosts").
    pub item: String,
    /// What it says.
    pub text: String,
}

/// A pest report was issued. A later version takes an earlier one's place and leaves it readable.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PestReportIssued {
    /// The response.
    pub find: String,
    /// Which version: 1, 2, 3, without gaps.
    pub version: u32,
    /// The day of the report.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// Whether more is to come.
    pub preliminary: bool,
    /// Its items, in order.
    pub items: Vec<ReportItem>,
    /// Items that the standard asks for and that it lacks.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
    /// The pest status category that was proposed, in the standard's words; proposed, never declared here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proposed_status: Option<String>,
    /// The authority's own statement on status, word for word, where it made one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub statement: Option<String>,
    /// To whom it went, as offices.
    pub to: String,
    /// What changed since the version before, from version 2 on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub changes: Option<String>,
}

/// How a response ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ResponseEnd {
    /// The authority released the area.
    Released,
    /// The find was none.
    NoFind,
    /// Another response or another agency goes on with it.
    HandedOver,
    /// Eradication was given up.
    GivenUp,
}

impl ResponseEnd {
    /// All of them.
    pub const ALL: [ResponseEnd; 4] = [
        ResponseEnd::Released,
        ResponseEnd::NoFind,
        ResponseEnd::HandedOver,
        ResponseEnd::GivenUp,
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            ResponseEnd::Released => "released",
            ResponseEnd::NoFind => "no-find",
            ResponseEnd::HandedOver => "handed-over",
            ResponseEnd::GivenUp => "given-up",
        }
    }
}

/// A response ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ResponseClosed {
    /// The response.
    pub find: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// How.
    pub end: ResponseEnd,
    /// By whose order.
    pub authority: String,
    /// Why.
    pub reason: String,
}

/// The subject that the label of a find names.
pub(crate) fn find_subject(find: &str) -> Subject {
    // Layout 1 named a trap and a day.
    match find.strip_prefix("trap:").and_then(|rest| rest.rsplit_once(' ')) {
        Some((trap, day)) if day.parse::<Date>().is_ok() => Subject::Trap(trap.to_owned()),
        _ => Subject::Specimen(find.to_owned()),
    }
}

fn response(find: &str) -> Subject {
    Subject::Response(find.to_owned())
}

/// Longest boundary in words, bytes: some thousands of legs.
const LONGEST_TEXT: usize = 500_000;

/// As [`check_words`] for a text that may be long, as a boundary told leg by leg is: piece by piece.
fn check_long_words(name: &'static str, text: &str) -> Result<(), Refusal> {
    if text.trim().is_empty() {
        return refuse(name, "empty", "the boundary in words");
    }
    if text.len() > LONGEST_TEXT {
        let rule = format!("at most {LONGEST_TEXT} bytes");
        return refuse(name, format!("of {} bytes", text.len()), &rule);
    }
    text.split_whitespace()
        .try_for_each(|word| check_words(name, Some(word)))
}

fn check_version(version: u32) -> Result<(), Refusal> {
    if version == 0 {
        return refuse("version", version, "1 or more");
    }
    Ok(())
}

impl Says for ProtocolAdopted {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("target", &self.target)
    }
    fn subjects(&self) -> Vec<Subject> {
        Vec::new()
    }
}

impl Says for ResponseOpened {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("find", &self.find)?;
        check_label("target", &self.target)?;
        for words in &self.set_off {
            check_words("set_off", Some(words))?;
        }
        check_words("reason", Some(&self.reason))
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![response(&self.find), find_subject(&self.find)]
    }
}

impl Says for ResponseStepDone {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("find", &self.find)?;
        check_label("step", &self.step)?;
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![response(&self.find)]
    }
}

impl Says for AreaDrawn {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("find", &self.find)?;
        check_version(self.version)?;
        if self.finds.is_empty() {
            return refuse("finds", "none", "the confirmed finds that it is drawn from");
        }
        check_each_label("finds", &self.finds)?;
        self.geometry.check()?;
        check_range("km2", Some(self.km2), f64::MIN_POSITIVE, 1e7, "square kilometres")?;
        check_long_words("text", &self.text)?;
        for words in &self.steps {
            check_words("steps", Some(words))?;
        }
        check_span(self.from, self.to)?;
        check_words("authority", Some(&self.authority))?;
        check_words("reason", Some(&self.reason))
    }
    fn subjects(&self) -> Vec<Subject> {
        std::iter::once(response(&self.find))
            .chain(self.finds.iter().map(|find| find_subject(find)))
            .collect()
    }
}

impl Says for AreaLifted {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("find", &self.find)?;
        check_version(self.version)?;
        check_year("from", self.from)?;
        check_words("authority", Some(&self.authority))?;
        check_words("reason", Some(&self.reason))
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![response(&self.find)]
    }
}

impl Says for DelimitingAdopted {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_label("find", &self.find)?;
        if !matches!(self.method.as_str(), "rings" | "optimised") {
            return refuse("method", format!("{:?}", self.method), "rings or optimised");
        }
        check_span(self.from, self.to)?;
        check_words("reason", Some(&self.reason))?;
        for (name, spots) in [("traps", &self.traps), ("looks", &self.looks)] {
            let mut seen = HashSet::new();
            for spot in spots {
                check_label("label", &spot.label)?;
                check_position(spot.position)?;
                check_range("hours", spot.hours, 0.0, 10_000.0, "hours")?;
                if !seen.insert(&spot.label) {
                    return refuse(name, format!("{:?} twice", spot.label), "each label once");
                }
            }
        }
        if self.traps.is_empty() && self.looks.is_empty() {
            return refuse("traps", "none", "a trap or a look at least");
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![response(&self.find)]
    }
}

impl Says for PestReportIssued {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("find", &self.find)?;
        check_version(self.version)?;
        check_day("date", self.date, today)?;
        if self.items.is_empty() {
            return refuse("items", "none", "at least one");
        }
        let mut seen = HashSet::new();
        for item in &self.items {
            check_label("item", &item.item)?;
            check_words("text", Some(&item.text))?;
            if !seen.insert(&item.item) {
                return refuse("items", format!("{:?} twice", item.item), "each item once");
            }
        }
        check_each_label("missing", &self.missing)?;
        check_words("proposed_status", self.proposed_status.as_deref())?;
        check_words("statement", self.statement.as_deref())?;
        check_words("to", Some(&self.to))?;
        check_words("changes", self.changes.as_deref())?;
        if (self.version > 1) != self.changes.is_some() {
            let rule = "what changed since the version before, from version 2 on";
            return refuse("changes", format!("{:?}", self.changes), rule);
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![response(&self.find)]
    }
}

impl Says for ResponseClosed {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("find", &self.find)?;
        check_day("date", self.date, today)?;
        check_words("authority", Some(&self.authority))?;
        check_words("reason", Some(&self.reason))
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![response(&self.find)]
    }
}
