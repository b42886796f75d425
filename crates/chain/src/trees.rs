//! Trees that were looked at.

use std::collections::{BTreeMap, HashMap};

use earlywood_journal::{Programme, Recorded, TreeInspected};
use earlywood_model::record::Looked;
use jiff::civil::Date;
use serde::Serialize;
use uuid::Uuid;

use crate::error::ChainError;
use crate::view::word;

/// A sign that was looked for.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SignRow {
    /// Which.
    pub sign: String,
    /// What was seen: its shape, whether fresh, in words.
    pub result: String,
    /// How many.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
}

/// A look at a tree.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct InspectionRow {
    /// Latitude.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lat: Option<f64>,
    /// Longitude.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lon: Option<f64>,
    /// The entry.
    pub entry: Uuid,
    /// The tree's label.
    pub tree: String,
    /// Its species.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub species: Option<String>,
    /// The day.
    pub on: Date,
    /// By whom: the crew, or the person who recorded it.
    pub by: String,
    /// Parts that were looked at.
    pub looked: Vec<String>,
    /// From where.
    pub from: String,
    /// How long.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<u32>,
    /// Signs that were found.
    pub signs: Vec<SignRow>,
    /// Classes of crown and borer, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub severity: Option<String>,
    /// What is to be done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub action: Option<String>,
    /// When to look again.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next_look: Option<Date>,
    /// Photos.
    pub photos: usize,
    /// In plain words: looked, none; or why not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub words: Option<String>,
}

/// How often a sign was found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SignCount {
    /// Which.
    pub sign: String,
    /// How often.
    pub count: u64,
}

/// The trees that were looked at.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Trees {
    /// The newest first.
    pub inspections: Vec<InspectionRow>,
    /// How many in all.
    pub total: usize,
    /// Signs found over all of them, the most frequent first.
    pub signs: Vec<SignCount>,
}

/// Looks at trees whose label, species or finder holds `text`, the newest first.
///
/// # Errors
/// A programme that can't be read.
pub fn trees(programme: &Programme, text: Option<&str>, limit: usize) -> Result<Trees, ChainError> {
    let wanted = text.map(str::to_lowercase).filter(|t| !t.trim().is_empty());
    let holds = |t: &TreeInspected| {
        let Some(wanted) = &wanted else { return true };
        let words = [
            Some(&t.tree),
            t.species.as_ref(),
            t.crew.as_ref(),
            t.host.as_ref(),
        ];
        words
            .into_iter()
            .flatten()
            .any(|w| w.to_lowercase().contains(wanted.as_str()))
    };
    let mut all: Vec<Recorded<TreeInspected>> = programme.inspections()?;
    all.retain(|t| holds(&t.value));
    all.sort_by_key(|t| std::cmp::Reverse((t.value.date, t.entry)));
    let mut counts: BTreeMap<String, u64> = BTreeMap::new();
    for sign in all.iter().flat_map(|t| &t.value.signs) {
        *counts.entry(word(&sign.sign)).or_default() += 1;
    }
    let mut signs: Vec<SignCount> = counts
        .into_iter()
        .map(|(sign, count)| SignCount { sign, count })
        .collect();
    signs.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| a.sign.cmp(&b.sign)));
    let total = all.len();
    all.truncate(limit);
    let mut people: HashMap<Uuid, String> = HashMap::new();
    for t in all.iter().filter(|t| t.value.crew.is_none()) {
        if let Some(entry) = programme.entry(t.entry)? {
            people.insert(t.entry, entry.person);
        }
    }
    let row = |t: Recorded<TreeInspected>| {
        let by = people.remove(&t.entry);
        inspection_row(t.entry, t.value, by)
    };
    Ok(Trees {
        inspections: all.into_iter().map(row).collect(),
        total,
        signs,
    })
}

fn inspection_row(entry: Uuid, t: TreeInspected, person: Option<String>) -> InspectionRow {
    let severity: Vec<String> = [("crown", &t.crown), ("borer", &t.borer)]
        .into_iter()
        .filter_map(|(what, s)| s.as_ref().map(|s| format!("{what} {} of {}", s.class, s.of)))
        .collect();
    let words = match (t.looked, t.none_found) {
        (Looked::No, _) => Some(t.why_not.unwrap_or_else(|| "could not look".into())),
        (_, true) => Some("looked, none".into()),
        (Looked::Partly, false) => t.why_not,
        (Looked::Fully, false) => None,
    };
    InspectionRow {
        lat: t.position.map(|p| p.lat),
        lon: t.position.map(|p| p.lon),
        entry,
        tree: t.tree,
        species: t.species,
        on: t.date,
        by: t.crew.or(person).unwrap_or_default(),
        looked: t.parts.iter().map(word).collect(),
        from: word(&t.from),
        minutes: t.minutes,
        signs: t
            .signs
            .iter()
            .map(|s| SignRow {
                sign: word(&s.sign),
                result: [
                    s.shape.as_ref().map(word),
                    s.fresh.map(|f| if f { "fresh" } else { "old" }.to_owned()),
                    s.note.clone(),
                ]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join(", "),
                count: s.count,
            })
            .collect(),
        severity: (!severity.is_empty()).then(|| severity.join(", ")),
        action: t.action,
        next_look: t.next_look,
        photos: t.photos.len(),
        words,
    }
}
