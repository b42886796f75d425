//! Everything about one find at once: what the command line, the office and the report show.

use earlywood_journal::Programme;
use jiff::Timestamp;
use serde::Serialize;
use serde_json::{Value, json};

use super::case::{Case, Find};
use super::clock::{Clock, clock};
use super::origin::{Ask, Origin, origin};
use super::status::{Status, status};
use super::steps::{Checklist, checklist};
use super::trigger::{Proposed, propose};
use crate::assure::{Asked, Question};
use crate::error::ChainError;
use crate::ground::{Ground, GroundOptions};
use crate::{Notes, weather};

/// Everything about one find. A part that can't be worked out is absent, and `lacking` says why.
#[derive(Debug, Serialize)]
pub struct Whole {
    /// The find that names it.
    pub find: String,
    /// Target id.
    pub target: String,
    /// Its common name.
    pub common_name: String,
    /// Whether a response is open, closed, or not yet begun.
    pub state: &'static str,
    /// Confirmed finds.
    pub finds: Vec<Find>,
    /// What the protocol sets off.
    pub proposed: Option<Proposed>,
    /// Whom to tell.
    pub checklist: Option<Checklist>,
    /// Where it came from.
    pub origin: Option<Origin>,
    /// The release clock.
    pub clock: Option<Clock>,
    /// The status that is proposed.
    pub status: Status,
    /// The area that holds.
    pub area: Option<AreaView>,
    /// The delimiting survey that was adopted.
    pub delimiting: Option<DelimitingView>,
    /// Pest reports issued.
    pub reports: Vec<ReportView>,
    /// Parts that could not be worked out, and why.
    pub lacking: Vec<Lacking>,
    /// Worth knowing.
    pub notes: Notes,
}

/// A part that could not be worked out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Lacking {
    /// Which.
    pub part: &'static str,
    /// Why, and what to do.
    pub why: String,
}

/// The regulated area that holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AreaView {
    /// Which version.
    pub version: u32,
    /// Versions in all.
    pub versions: usize,
    /// Square kilometres.
    pub km2: f64,
    /// First day.
    pub from: jiff::civil::Date,
    /// Last day, where one was set.
    pub to: Option<jiff::civil::Date>,
    /// By whose order.
    pub authority: String,
    /// Why.
    pub reason: String,
    /// Its boundary in words.
    pub text: String,
    /// What was added, step by step.
    pub steps: Vec<String>,
    /// The ground.
    pub geometry: earlywood_journal::MultiPolygon,
}

/// The delimiting survey that was adopted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DelimitingView {
    /// How it was laid out.
    pub method: String,
    /// First day.
    pub from: jiff::civil::Date,
    /// Last day, where one was set.
    pub to: Option<jiff::civil::Date>,
    /// Traps by ring, from ring 1 on.
    pub traps: usize,
    /// Of those, traps that hang now at the place named.
    pub hanging: usize,
    /// Units to look at.
    pub looks: usize,
    /// Hours of looking.
    pub hours: f64,
    /// Why.
    pub reason: String,
}

/// A report that was issued.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReportView {
    /// Which version.
    pub version: u32,
    /// Its day.
    pub date: jiff::civil::Date,
    /// Whether more is to come.
    pub preliminary: bool,
    /// To whom it went.
    pub to: String,
    /// What it lacks.
    pub missing: Vec<String>,
    /// What changed.
    pub changes: Option<String>,
}

/// How everything is worked out.
#[derive(Debug, Clone, Copy)]
pub struct How {
    /// Now: hours of the checklist are counted from it.
    pub now: Timestamp,
    /// How cells are laid.
    pub ground: GroundOptions,
    /// How the origin is sought.
    pub origin: Ask,
}

/// Everything about a case.
///
/// # Errors
/// A programme that can't be read. What a part lacks is no error.
pub fn whole(programme: &Programme, case: &Case, how: How) -> Result<Whole, ChainError> {
    let mut notes = case.notes.clone();
    let mut lacking = Vec::new();
    let proposed = part("trigger", propose(programme, case), &mut lacking);
    let checklist = part("steps", checklist(case, how.now), &mut lacking);
    let (origin, clock) = match worked(programme, case, how, &mut notes, &mut lacking) {
        Ok(both) => both,
        Err(e) => {
            lacking.push(Lacking {
                part: "origin and clock",
                why: e.words(),
            });
            (None, None)
        }
    };
    let response = case.response.as_ref();
    let hanging = programme.hanging()?;
    Ok(Whole {
        find: case.find.clone(),
        target: case.profile.id.clone(),
        common_name: case.profile.common_name.clone(),
        state: match response {
            None => "not begun",
            Some(r) if r.closed.is_some() => "closed",
            Some(_) => "open",
        },
        finds: case.finds.clone(),
        proposed,
        checklist,
        origin,
        clock,
        status: status(case),
        area: response.and_then(|r| {
            let area = &r.newest_area(case.on)?.value;
            Some(AreaView {
                version: area.version,
                versions: r.areas.len(),
                km2: area.km2,
                from: area.from,
                to: area.to,
                authority: area.authority.clone(),
                reason: area.reason.clone(),
                text: area.text.clone(),
                steps: area.steps.clone(),
                geometry: area.geometry.clone(),
            })
        }),
        delimiting: response
            .and_then(|r| r.delimiting.last())
            .map(|d| DelimitingView {
                method: d.value.method.clone(),
                from: d.value.from,
                to: d.value.to,
                traps: d.value.traps.len(),
                hanging: d
                    .value
                    .traps
                    .iter()
                    .filter(|spot| hanging.iter().any(|h| h.placement.place == spot.label))
                    .count(),
                looks: d.value.looks.len(),
                hours: d.value.looks.iter().filter_map(|l| l.hours).sum(),
                reason: d.value.reason.clone(),
            }),
        reports: response.map_or_else(Vec::new, |r| {
            r.reports
                .iter()
                .map(|report| ReportView {
                    version: report.value.version,
                    date: report.value.date,
                    preliminary: report.value.preliminary,
                    to: report.value.to.clone(),
                    missing: report.value.missing.clone(),
                    changes: report.value.changes.clone(),
                })
                .collect()
        }),
        lacking,
        notes,
    })
}

/// What needs ground and weather.
fn worked(
    programme: &Programme,
    case: &Case,
    how: How,
    notes: &mut Notes,
    lacking: &mut Vec<Lacking>,
) -> Result<(Option<Origin>, Option<Clock>), ChainError> {
    let Some(first) = case.finds.first().map(|f| f.taken) else {
        return Err(ChainError::asked(
            "find",
            "no find of this response stands confirmed",
        ));
    };
    let series = weather::series(programme, case.station.as_deref(), notes)?;
    let ground = Ground::of(programme, case.profile.clone(), how.ground)?;
    let asked = Asked {
        on: case.on,
        draws: 1,
        seed: how.origin.seed,
    };
    let question = Question::spanning(programme, &ground, &series, asked, first, notes)?;
    let origin = part(
        "origin",
        origin(programme, case, &ground, &question, how.origin),
        lacking,
    );
    let clock = part("clock", clock(case, &ground, &question, &series), lacking);
    Ok((origin, clock))
}

fn part<T>(name: &'static str, made: Result<T, ChainError>, lacking: &mut Vec<Lacking>) -> Option<T> {
    match made {
        Ok(made) => Some(made),
        Err(e) => {
            lacking.push(Lacking {
                part: name,
                why: e.words(),
            });
            None
        }
    }
}

impl Whole {
    /// Finds, cells of the origin's 95 % region and the area that holds, as GeoJSON (RFC 7946). Confidential: exact positions.
    pub fn geojson(&self) -> Value {
        let point = |f: &Find| {
            let at = f.position?;
            let mut properties = json!(f);
            properties["kind"] = json!("find");
            Some(json!({
                "type": "Feature",
                "geometry": { "type": "Point", "coordinates": [at.lon, at.lat] },
                "properties": properties,
            }))
        };
        let mut features: Vec<Value> = self.finds.iter().filter_map(point).collect();
        for cell in self.origin.iter().flat_map(|o| &o.cells) {
            let mut ring: Vec<[f64; 2]> = cell.corners.iter().map(|p| [p.lon, p.lat]).collect();
            ring.extend(ring.first().copied());
            features.push(json!({
                "type": "Feature",
                "geometry": { "type": "Polygon", "coordinates": [ring] },
                "properties": {
                    "kind": "origin-cell", "cell": cell.cell, "probability": cell.probability,
                    "in50": cell.in50, "in95": cell.in95,
                },
            }));
        }
        if let Some(area) = &self.area {
            features.push(json!({
                "type": "Feature",
                "geometry": area.geometry,
                "properties": {
                    "kind": "regulated-area", "version": area.version, "km2": area.km2, "from": area.from,
                    "authority": area.authority,
                },
            }));
        }
        json!({ "type": "FeatureCollection", "features": features })
    }
}
