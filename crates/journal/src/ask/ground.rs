//! When was somebody last here?

use std::collections::{BTreeMap, BTreeSet};

use earlywood_model::record::{Placement, Position};
use jiff::civil::Date;
use rusqlite::Connection;
use serde::Serialize;
use uuid::Uuid;

use super::{damaged, facts_where, refuse};
use crate::body::Body;
use crate::error::Error;
use crate::programme::Programme;
use crate::project::traps::{distance_m, subject};

/// A spot that is asked about.
#[derive(Debug, Clone, PartialEq)]
pub enum Near {
    /// A place, by its label. It has no extent: traps that hang there count, trees do not.
    Place(String),
    /// A circle.
    Point {
        /// Its middle.
        position: Position,
        /// Its radius, metres; the edge belongs to it.
        radius_m: f64,
    },
}

/// What somebody did there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PassedBy {
    /// A stop at a trap.
    Visit,
    /// A look at a tree.
    Inspection,
}

/// Somebody was there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Passed {
    /// The day.
    pub day: Date,
    /// What for.
    pub what: PassedBy,
    /// The trap, at a stop.
    pub trap: Option<String>,
    /// The tree, at an inspection.
    pub tree: Option<String>,
    /// The place of the trap.
    pub place: Option<String>,
    /// Who recorded it.
    pub person: String,
    /// The crew, where it was told.
    pub crew: Option<String>,
    /// The entry.
    pub entry: Uuid,
}

impl Programme {
    /// When somebody was last there: stops at traps, reached or not, and looks at trees; newest first.
    ///
    /// A stop was where the crew looked for the trap, where that was told, else where the trap hung on that day (a day on
    /// which it was moved counts at both). A look at a tree counts by its recorded position; one without is not found.
    ///
    /// # Errors
    /// A radius that is no distance; a database that can't be read.
    pub fn last_on(&self, area: &Near, since: Option<Date>) -> Result<Vec<Passed>, Error> {
        let since = since.unwrap_or(Date::MIN);
        let mut by_trap: BTreeMap<String, Vec<Spot>> = BTreeMap::new();
        for spot in spots(&self.db, area)? {
            by_trap.entry(spot.trap.clone()).or_default().push(spot);
        }
        let mut passed = Vec::new();
        for (trap, spots) in &by_trap {
            visits(&self.db, trap, spots, since, &mut passed)?;
        }
        if let Near::Point { position, radius_m } = area {
            inspections(&self.db, *position, *radius_m, since, &mut passed)?;
        }
        passed.sort_by_key(|p| std::cmp::Reverse((p.day, p.entry)));
        Ok(passed)
    }
}

/// A stretch of time in which a trap hung there.
struct Spot {
    trap: String,
    place: String,
    hung: String,
    taken_down: Option<String>,
}

/// Metres in a degree of latitude, on the sphere of [`distance_m`], a little less so that the box is too large.
const METRES_A_DEGREE: f64 = 111_100.0;

fn spots(db: &Connection, area: &Near) -> Result<Vec<Spot>, Error> {
    const COLUMNS: &str = "trap, place, hung, taken_down, body";
    // The expression is that of the index placements_by_lat.
    const LAT: &str = "json_extract(body, '$.position.lat')";
    let mut spots = Vec::new();
    let mut take = |row: &rusqlite::Row<'_>| -> Result<(), Error> {
        if let Near::Point { position, radius_m } = area {
            let text = row.get_ref(4)?.as_str().map_err(rusqlite::Error::from)?;
            let placement: Placement = serde_json::from_str(text).map_err(|e| damaged(&e))?;
            if distance_m(*position, placement.position) > *radius_m {
                return Ok(());
            }
        }
        spots.push(Spot {
            trap: row.get(0)?,
            place: row.get(1)?,
            hung: row.get(2)?,
            taken_down: row.get(3)?,
        });
        Ok(())
    };
    match area {
        Near::Place(label) => {
            let mut select =
                db.prepare_cached(&format!("SELECT {COLUMNS} FROM placements WHERE place = ?"))?;
            let mut rows = select.query([label])?;
            while let Some(row) = rows.next()? {
                take(row)?;
            }
        }
        Near::Point { position, radius_m } => {
            if !(radius_m.is_finite() && *radius_m >= 0.0) {
                return refuse("radius_m", radius_m, "a distance in metres, 0 or more");
            }
            let reach = radius_m / METRES_A_DEGREE + 1e-9;
            let mut select = db.prepare_cached(&format!(
                "SELECT {COLUMNS} FROM placements WHERE {LAT} BETWEEN ? AND ?"
            ))?;
            let mut rows = select.query([position.lat - reach, position.lat + reach])?;
            while let Some(row) = rows.next()? {
                take(row)?;
            }
        }
    }
    Ok(spots)
}

fn visits(
    db: &Connection,
    trap: &str,
    spots: &[Spot],
    since: Date,
    passed: &mut Vec<Passed>,
) -> Result<(), Error> {
    let mut seen = BTreeSet::new();
    let facts = facts_where(
        db,
        "subject = ?1 AND kind = 'visit-made' AND day >= ?2",
        (subject(trap), since.to_string()),
    )?;
    for fact in facts {
        let Body::VisitMade(visit) = fact.body()? else {
            continue;
        };
        let day = visit.date.to_string();
        let here = spots.iter().find(|spot| {
            let hung = spot.hung <= day && spot.taken_down.as_ref().is_none_or(|down| day <= *down);
            let moved_here = visit.moved_to.as_ref().is_some_and(|to| to.place == spot.place);
            match &visit.place {
                Some(place) => *place == spot.place || (moved_here && hung),
                None => hung,
            }
        });
        if let (Some(spot), true) = (here, seen.insert(fact.entry)) {
            passed.push(Passed {
                day: visit.date,
                what: PassedBy::Visit,
                trap: Some(trap.to_owned()),
                tree: None,
                place: Some(spot.place.clone()),
                person: fact.person,
                crew: visit.crew,
                entry: fact.entry,
            });
        }
    }
    Ok(())
}

fn inspections(
    db: &Connection,
    middle: Position,
    radius_m: f64,
    since: Date,
    passed: &mut Vec<Passed>,
) -> Result<(), Error> {
    for fact in facts_where(db, "kind = 'tree-inspected' AND day >= ?", [since.to_string()])? {
        let Body::TreeInspected(tree) = fact.body()? else {
            continue;
        };
        if tree.position.is_some_and(|p| distance_m(middle, p) <= radius_m) {
            passed.push(Passed {
                day: tree.date,
                what: PassedBy::Inspection,
                trap: None,
                tree: Some(tree.tree),
                place: None,
                person: fact.person,
                crew: tree.crew,
                entry: fact.entry,
            });
        }
    }
    Ok(())
}
