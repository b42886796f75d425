//! The pest report of a response: the items that ISPM 17 (2002, section 6.1) asks for, filled from the record as far as it
//! goes, with what is missing named; issued as versions that supersede, never overwrite, one another.
//!
//! The place is told as a zone and a coarse cell: a report becomes public once it is official. Persons are ids.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_geodata::AreaIndex;
use earlywood_journal::{Act, Body, PestReportIssued, Programme, Receipt, ReportItem};
use jiff::civil::Date;
use serde::Serialize;

use super::case::Case;
use super::public::coarse;
use super::status::{Status, status};
use crate::error::ChainError;

/// The items, in the standard's order: id, what it is, whether the standard wants it in every report.
pub const ITEMS: [(&str, &str, bool); 10] = [
    ("pest", "scientific name of the pest", true),
    ("date", "date of the report", true),
    ("hosts", "hosts or articles concerned", true),
    ("status", "status of the pest, by ISPM 8", true),
    ("distribution", "distribution", true),
    ("map", "map of the distribution", true),
    (
        "danger",
        "nature of the immediate or potential danger, or another reason to report",
        true,
    ),
    ("measures", "phytosanitary measures applied or required", false),
    ("purpose", "their purpose", false),
    (
        "record",
        "the pest record: stage, count, day, how found, how identified",
        false,
    ),
];

/// A report not issued yet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Draft {
    /// The version that it would be.
    pub version: u32,
    /// Its items, in the standard's order; those that somebody wrote after them.
    pub items: Vec<Item>,
    /// Ids of the items that the standard wants and that are missing.
    pub missing: Vec<String>,
    /// Items whose text differs from the version before.
    pub changed: Vec<String>,
    /// The status that is proposed.
    pub status: Status,
}

/// An item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Item {
    /// Its id.
    pub item: String,
    /// What it is.
    pub what: String,
    /// What it says.
    pub text: String,
}

/// What somebody adds to what the record tells, by item id. `danger` is never filled by the program.
pub type Given = BTreeMap<String, String>;

/// The next version of a case's report.
///
/// # Errors
/// An item that the standard does not have; a programme that can't be read.
pub fn draft(programme: &Programme, case: &Case, given: &Given) -> Result<Draft, ChainError> {
    for item in given.keys() {
        if !ITEMS.iter().any(|(id, ..)| id == item) {
            let ids: Vec<&str> = ITEMS.iter().map(|(id, ..)| *id).collect();
            return Err(ChainError::asked(
                "item",
                format!("a pest report has no item {item:?}; it has {}", ids.join(", ")),
            ));
        }
    }
    let before = case.response.as_ref().and_then(|r| r.reports.last());
    let status = status(case);
    let mut items = Vec::new();
    let mut missing = Vec::new();
    for (id, what, wanted) in ITEMS {
        let known = match given.get(id) {
            Some(words) => Some(words.clone()),
            None => own(programme, case, id, &status)?,
        };
        // What somebody wrote into the version before holds until somebody writes anew.
        let kept = || {
            let of = before?.value.items.iter().find(|i| i.item == id)?;
            matches!(id, "danger" | "purpose" | "map").then(|| of.text.clone())
        };
        match known.or_else(kept) {
            Some(text) => items.push(Item {
                item: id.into(),
                what: what.into(),
                text,
            }),
            None if wanted => missing.push(id.to_owned()),
            None => {}
        }
    }
    let said = |id: &str| {
        before
            .and_then(|b| b.value.items.iter().find(|i| i.item == id))
            .map(|i| &i.text)
    };
    let changed = items
        .iter()
        .filter(|i| i.item != "date" && said(&i.item) != Some(&i.text))
        .map(|i| i.item.clone())
        .collect();
    Ok(Draft {
        version: before.map_or(1, |b| b.value.version + 1),
        items,
        missing,
        changed,
        status,
    })
}

/// What the record tells for an item; `None` where it tells nothing.
fn own(programme: &Programme, case: &Case, id: &str, status: &Status) -> Result<Option<String>, ChainError> {
    let profile = &case.profile;
    Ok(match id {
        "pest" => Some(format!("{} ({})", profile.scientific_name, profile.common_name)),
        "date" => Some(case.on.to_string()),
        "hosts" => hosts(programme, case)?,
        "status" => Some(format!(
            "Proposed: {}. {}",
            status.words,
            status.evidence.join("; ")
        )),
        "distribution" => distribution(programme, case)?,
        "map" => case
            .response
            .as_ref()
            .and_then(|r| r.newest_area(case.on))
            .map(|area| {
                format!(
                    "attached as GeoJSON: regulated area, version {}",
                    area.value.version
                )
            }),
        "measures" => measures(case),
        "record" => record(case),
        _ => None,
    })
}

fn hosts(programme: &Programme, case: &Case) -> Result<Option<String>, ChainError> {
    let trees: BTreeSet<&str> = case.finds.iter().filter_map(|f| f.tree.as_deref()).collect();
    let mut species: BTreeSet<String> = BTreeSet::new();
    if !trees.is_empty() {
        let seen = programme.inspections()?.into_iter().map(|r| r.value);
        species.extend(
            seen.filter(|t| trees.contains(t.tree.as_str()))
                .filter_map(|t| t.species),
        );
    }
    let traps: BTreeSet<&str> = case.finds.iter().filter_map(|f| f.trap.as_deref()).collect();
    let in_trees = species.into_iter().collect::<Vec<_>>().join(", ");
    let hosts_of: Vec<&str> = case.profile.hosts.iter().map(|h| h.taxon.as_str()).collect();
    Ok(match (in_trees.is_empty(), traps.len()) {
        (false, _) => Some(format!("found in {in_trees}")),
        (true, 0) => None,
        (true, n) => Some(format!(
            "caught in {n} trap(s), in no plant so far; hosts looked after here: {}",
            hosts_of.join(", ")
        )),
    })
}

fn distribution(programme: &Programme, case: &Case) -> Result<Option<String>, ChainError> {
    let at = case.positions();
    if at.is_empty() {
        return Ok(None);
    }
    let zones = programme.zones()?;
    let index = AreaIndex::new(zones.iter().map(|z| &z.area));
    let named: BTreeSet<&str> = at
        .iter()
        .filter_map(|p| index.first_at(*p))
        .map(|z| zones[z].label.as_str())
        .collect();
    let cells: BTreeSet<String> = at
        .iter()
        .filter_map(|p| coarse(*p))
        .map(|c| format!("{c:x}"))
        .collect();
    let mut words = format!(
        "{} confirmed finds in {} map cell(s) of about 5 km2 ({})",
        case.finds.len(),
        cells.len(),
        cells.into_iter().collect::<Vec<_>>().join(", ")
    );
    if !named.is_empty() {
        words.push_str(&format!(
            ", in {}",
            named.into_iter().collect::<Vec<_>>().join(", ")
        ));
    }
    if let Some(area) = case.response.as_ref().and_then(|r| r.area_on(case.on)) {
        words.push_str(&format!("; regulated area of {:.2} km2", area.value.km2));
    }
    Ok(Some(words))
}

fn measures(case: &Case) -> Option<String> {
    let response = case.response.as_ref()?;
    let mut words = Vec::new();
    if let Some(area) = response.newest_area(case.on) {
        words.push(format!(
            "area of {:.2} km2 regulated from {} ({})",
            area.value.km2, area.value.from, area.value.authority
        ));
    }
    if let Some(survey) = response.delimiting.last() {
        words.push(format!(
            "delimiting survey from {}: {} traps, {} inspection units",
            survey.value.from,
            survey.value.traps.len(),
            survey.value.looks.len()
        ));
    }
    if let Some(end) = &response.closed {
        words.push(format!("ended on {} ({})", end.value.date, end.value.end.word()));
    }
    (!words.is_empty()).then(|| words.join("; "))
}

fn record(case: &Case) -> Option<String> {
    let lines: Vec<String> = case
        .finds
        .iter()
        .map(|f| {
            let stage = f.life_stage.as_deref().unwrap_or("stage not recorded");
            let how = match (&f.trap, &f.tree) {
                (Some(_), _) => "by a trap",
                (None, Some(_)) => "on a tree",
                _ => "otherwise",
            };
            let named = f.method.as_deref().unwrap_or("method not recorded");
            format!(
                "{}: {} x {stage}, {how}; identified {named} by {}",
                f.taken, f.count, f.by
            )
        })
        .collect();
    (!lines.is_empty()).then(|| lines.join("\n"))
}

/// What is said besides the items when a report is issued.
#[derive(Debug, Clone, Default)]
pub struct Issue {
    /// To whom it goes, as offices.
    pub to: String,
    /// The authority's own statement on status, word for word.
    pub statement: Option<String>,
    /// What changed since the version before; the changed items are named where nothing is given.
    pub changes: Option<String>,
    /// Whether it is final; a report with missing items never is.
    pub last: bool,
}

/// Issues a draft.
///
/// # Errors
/// As [`entry`]; what the journal refuses (no response, for one).
pub fn issue(
    programme: &mut Programme,
    act: &Act,
    case: &Case,
    draft: Draft,
    how: Issue,
) -> Result<Receipt, ChainError> {
    let body = entry(case, draft, how, act.today())?;
    Ok(programme.append(act, Body::PestReportIssued(body))?)
}

/// What is recorded of a draft that is issued on a day.
///
/// # Errors
/// A report that lacks items called final.
pub fn entry(case: &Case, draft: Draft, how: Issue, date: Date) -> Result<PestReportIssued, ChainError> {
    if how.last && !draft.missing.is_empty() {
        return Err(ChainError::asked(
            "final",
            format!(
                "a report without {} is preliminary: give them, or leave --final out",
                draft.missing.join(", ")
            ),
        ));
    }
    let changes = match (draft.version, how.changes) {
        (1, _) => None,
        (_, Some(words)) => Some(words),
        (_, None) if draft.changed.is_empty() => Some("nothing but its date".into()),
        (_, None) => Some(format!("changed: {}", draft.changed.join(", "))),
    };
    Ok(PestReportIssued {
        find: case.find.clone(),
        version: draft.version,
        date,
        preliminary: !how.last,
        items: draft
            .items
            .into_iter()
            .map(|i| ReportItem {
                item: i.item,
                text: i.text,
            })
            .collect(),
        missing: draft.missing,
        proposed_status: Some(draft.status.words),
        statement: how.statement,
        to: how.to,
        changes,
    })
}
