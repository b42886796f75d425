//! What the public may see: confirmed finds alone, coarsened to cells of about 5 km2, and regulated areas in force.
//!
//! Neither a suspect nor a find whose chain of notices has not come to the public yet is in it; nor any label of a specimen,
//! trap or tree, any person, or any position finer than the cell.

use std::collections::{BTreeMap, HashSet};

use earlywood_geodata::{cells, geodesic_m};
use earlywood_journal::{MultiPolygon, Programme};
use earlywood_model::record::Position;
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::case::{Case, confirmed, label_of};
use crate::Notes;
use crate::error::ChainError;

/// Resolution of public cells: about 5 km2, 1.4 km an edge. Design choice: wide enough that no property can be told.
const RESOLUTION: u8 = 7;

/// The public cell in which a position lies.
pub(crate) fn coarse(at: Position) -> Option<u64> {
    cells::at(at, RESOLUTION)
}

/// Finds of one target in one cell.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PublicCell {
    /// The cell.
    pub cell: String,
    /// Its corners, not closed.
    #[serde(skip)]
    pub corners: Vec<Position>,
    /// Target id.
    pub target: String,
    /// Its common name.
    pub common_name: String,
    /// Finds.
    pub finds: u32,
    /// Month of the first, as `2026-05`.
    pub first: String,
    /// Month of the last.
    pub last: String,
}

/// A regulated area in force.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PublicArea {
    /// Target id.
    pub target: String,
    /// Which version.
    pub version: u32,
    /// First day on which it holds.
    pub from: Date,
    /// Last day, where one was set.
    pub to: Option<Date>,
    /// By whose order.
    pub authority: String,
    /// Square kilometres.
    pub km2: f64,
    /// The ground.
    #[serde(skip)]
    pub geometry: MultiPolygon,
}

/// What the public may see on a day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Public {
    /// Cells with confirmed finds.
    pub cells: Vec<PublicCell>,
    /// Areas in force.
    pub areas: Vec<PublicArea>,
    /// What was held back, in numbers alone.
    pub notes: Notes,
}

/// An arc about a find tells where it is from so many corners at distances so alike, over so much of the radius. Design choice:
/// three corners fix a circle, legs and small parcels lie a few hundredths of the radius outside it, and a straight line so long
/// has ends 15 % farther off than its middle.
const ARC_CORNERS: usize = 6;
const ARC_ALIKE: f64 = 0.04;
const ARC_CHORD: f64 = 1.0;

/// Whether a stretch of the boundary is an arc about a point, so that the point can be measured from it.
fn gives_away(ground: &MultiPolygon, point: Position) -> bool {
    let rings = ground.coordinates.iter().flatten();
    rings.into_iter().any(|ring| {
        let corners: Vec<Position> = ring.iter().map(|&[lon, lat]| Position { lat, lon }).collect();
        let apart: Vec<f64> = corners.iter().map(|at| geodesic_m(point, *at)).collect();
        (0..corners.len()).any(|first| is_arc(&corners[first..], &apart[first..]))
    })
}

/// Whether an arc begins with the first of these corners; `apart` is how far each lies from its middle.
fn is_arc(corners: &[Position], apart: &[f64]) -> bool {
    let (mut least, mut most) = (apart[0], apart[0]);
    for (n, &m) in apart.iter().enumerate() {
        (least, most) = (least.min(m), most.max(m));
        if most - least > ARC_ALIKE * least {
            return false;
        }
        if n + 1 >= ARC_CORNERS && geodesic_m(corners[0], corners[n]) >= ARC_CHORD * least {
            return true;
        }
    }
    false
}

/// What the public may see on a day.
///
/// # Errors
/// A programme that can't be read.
pub fn public(programme: &Programme, on: Date) -> Result<Public, ChainError> {
    let mut notes = Notes::new();
    let mut held_back = 0;
    let mut unplaced = 0;
    let mut cells: BTreeMap<(String, u64), (u32, Date, Date)> = BTreeMap::new();
    let mut told: BTreeMap<String, bool> = BTreeMap::new();
    let mut responses = Vec::new();
    let mut finds_at = Vec::new();
    for response in programme.responses()? {
        let case = Case::of(programme, response.find(), on)?;
        let may = may_be_public(&case);
        finds_at.extend(case.finds.iter().filter_map(|f| f.position));
        told.extend(case.finds.iter().map(|f| (f.label.clone(), may)));
        if may {
            responses.push(response);
        }
    }
    for find in confirmed(programme, on)? {
        if !told.get(&find.label).copied().unwrap_or(false) {
            held_back += 1;
            continue;
        }
        let Some(cell) = find.position.and_then(coarse) else {
            unplaced += 1;
            continue;
        };
        let entry = cells
            .entry((find.target, cell))
            .or_insert((0, find.taken, find.taken));
        *entry = (entry.0 + 1, entry.1.min(find.taken), entry.2.max(find.taken));
    }
    if held_back > 0 {
        notes.push(format!(
            "{held_back} confirmed finds are held back: no response is open on them, or the protocol's notices have not come to \
             the public yet"
        ));
    }
    if unplaced > 0 {
        notes.push(format!("{unplaced} confirmed finds have no position"));
    }
    // What is regulated must be known to those who must obey; but nobody reads it on a map before the owner was told.
    let areas = responses.iter().filter_map(|r| {
        let area = &r.area_on(on)?.value;
        Some(PublicArea {
            target: r.target().to_owned(),
            version: area.version,
            from: area.from,
            to: area.to,
            authority: area.authority.clone(),
            km2: area.km2,
            geometry: area.geometry.clone(),
        })
    });
    let areas: Vec<PublicArea> = areas.collect();
    for area in &areas {
        if finds_at.iter().any(|at| gives_away(&area.geometry, *at)) {
            notes.push(format!(
                "the boundary of version {} runs at one distance round a find: whoever measures it finds the place closely. Draw it \
                 along parcels, named lines, squares or units before it is published",
                area.version
            ));
        }
    }
    let month = |date: Date| date.strftime("%Y-%m").to_string();
    let mut shown = Vec::new();
    for ((target, cell), (finds, first, last)) in cells {
        shown.push(PublicCell {
            cell: format!("{cell:x}"),
            corners: cells::corners(cell),
            common_name: crate::target(programme, &target)?.common_name,
            target,
            finds,
            first: month(first),
            last: month(last),
        });
    }
    Ok(Public {
        cells: shown,
        areas,
        notes,
    })
}

/// Whether the chain of notices has come to the public: a step that tells it was taken, and everybody before was told.
fn may_be_public(case: &Case) -> bool {
    let Some(protocol) = &case.protocol else {
        return false;
    };
    let Some(response) = &case.response else {
        return false;
    };
    let taken = |id: &str| response.step(id).is_some();
    let mut public = protocol.notify.iter().filter(|s| s.public).peekable();
    let reached = match public.peek() {
        Some(_) => public.any(|s| taken(&s.id)),
        None => true,
    };
    reached && protocol.notify.iter().all(|s| s.public || taken(&s.id))
}

impl Public {
    /// As GeoJSON (RFC 7946).
    pub fn geojson(&self) -> Value {
        let ring = |corners: &[Position]| {
            let mut ring: Vec<[f64; 2]> = corners.iter().map(|p| [p.lon, p.lat]).collect();
            ring.extend(ring.first().copied());
            ring
        };
        let cells = self.cells.iter().map(|c| {
            let mut properties = json!(c);
            properties["kind"] = json!("confirmed-finds");
            json!({
                "type": "Feature",
                "geometry": { "type": "Polygon", "coordinates": [ring(&c.corners)] },
                "properties": properties,
            })
        });
        let areas = self.areas.iter().map(|a| {
            let mut properties = json!(a);
            properties["kind"] = json!("regulated-area");
            json!({ "type": "Feature", "geometry": a.geometry, "properties": properties })
        });
        json!({ "type": "FeatureCollection", "features": cells.chain(areas).collect::<Vec<_>>() })
    }
}

/// The labels of confirmed finds on which no response is open, by target: what waits for a decision.
///
/// # Errors
/// A programme that can't be read.
pub fn unanswered(programme: &Programme) -> Result<Vec<(String, String)>, ChainError> {
    let mut covered: HashSet<(String, String)> = HashSet::new();
    for response in programme.responses()? {
        let case = Case::of(programme, response.find(), Date::MAX)?;
        covered.extend(case.finds.into_iter().map(|f| (f.label, f.target)));
    }
    let rows = programme.finds()?;
    let open = rows.iter().filter(|row| row.state == "confirmed");
    Ok(open
        .map(|row| (label_of(row), row.target.clone()))
        .filter(|find| !covered.contains(find))
        .collect())
}
