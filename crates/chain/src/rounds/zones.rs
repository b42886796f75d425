//! The stops that are due, zone by zone, in an order that can be driven.

use std::collections::BTreeMap;

use earlywood_journal::{Level, Programme};
use earlywood_model::record::Position;
use jiff::civil::Date;
use serde::Serialize;

use crate::desk::{Desk, USUAL_DRAWS};
use crate::due::{Board, Costs, price, rank};
use crate::error::ChainError;
use crate::ground::WHOLE;
use crate::view::DueTrap;
use crate::{Notes, ground};

/// A stop of a round.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Stop {
    /// The trap.
    #[serde(flatten)]
    pub trap: DueTrap,
    /// Its place in the round, from 1.
    pub order: usize,
}

/// The stops of one zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ZoneRound {
    /// The zone.
    pub zone: String,
    /// Its stops, in order.
    pub stops: Vec<Stop>,
}

/// A crew of the day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Crew {
    /// Its label.
    pub crew: String,
    /// Who is in it.
    pub people: Vec<String>,
}

/// All rounds of a day.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Rounds {
    /// The day.
    pub on: Date,
    /// Zone by zone.
    pub zones: Vec<ZoneRound>,
    /// Crews of the day.
    pub crews: Vec<Crew>,
    /// Worth knowing.
    pub notes: Notes,
}

/// The stops due on a day.
///
/// # Errors
/// A programme that can't be read.
pub fn rounds(desk: &Desk, programme: &Programme, on: Date) -> Result<Rounds, ChainError> {
    let board = Board::read(programme, on)?;
    let mut due = board.all();
    due.retain(|t| t.level != Level::Fine);
    let mut notes = Notes::new();
    price(&mut due, &costs(desk, programme, &board, on, &mut notes));
    rank(&mut due);
    let mut zones: BTreeMap<String, Vec<DueTrap>> = BTreeMap::new();
    for trap in due {
        let zone = trap.zone.clone().unwrap_or_else(|| ground::WHOLE.to_owned());
        zones.entry(zone).or_default().push(trap);
    }
    if zones.len() > 1 && zones.contains_key(WHOLE) {
        notes.push(format!("stops that lie in no zone stand under {WHOLE:?}"));
    }
    notes.push("the order goes from each stop to the nearest next one, as the crow flies".into());
    Ok(Rounds {
        on,
        zones: zones
            .into_iter()
            .map(|(zone, stops)| ZoneRound {
                zone,
                stops: in_order(stops),
            })
            .collect(),
        crews: crews(programme, on)?,
        notes,
    })
}

/// What a visit would add, by trap, over all targets that traps hang for.
pub(crate) fn costs(desk: &Desk, programme: &Programme, board: &Board, on: Date, notes: &mut Notes) -> Costs {
    let mut costs = Costs::new();
    for target in board.limits().keys() {
        match desk.answered(programme, target, on, USUAL_DRAWS, None) {
            Ok(answered) => {
                for visit in answered.answer.zones.iter().flat_map(|z| &z.next_visits) {
                    let adds = (visit.from_look, visit.from_renewal);
                    let kept = costs.entry(visit.label.clone()).or_insert(adds);
                    if adds.0 + adds.1 > kept.0 + kept.1 {
                        *kept = adds;
                    }
                }
            }
            Err(why) => notes.push(format!("no figures for {target}: {}", why.words())),
        }
    }
    costs
}

/// From the stop that comes first in the list always to the nearest one left.
fn in_order(stops: Vec<DueTrap>) -> Vec<Stop> {
    let at: Vec<Position> = stops
        .iter()
        .map(|s| Position {
            lat: s.lat,
            lon: s.lon,
        })
        .collect();
    let order = nearest_next(&at);
    let mut stops: Vec<Option<DueTrap>> = stops.into_iter().map(Some).collect();
    order
        .into_iter()
        .enumerate()
        .filter_map(|(n, i)| stops[i].take().map(|trap| Stop { trap, order: n + 1 }))
        .collect()
}

/// An order that starts with the first and goes on to the nearest one left each time. Distances are those of a plane on
/// which longitude is shortened by the latitude: over a county, the order is that of the ellipsoid.
pub(crate) fn nearest_next(at: &[Position]) -> Vec<usize> {
    let Some(first) = at.first() else {
        return Vec::new();
    };
    let squeeze = first.lat.to_radians().cos();
    let plane: Vec<[f64; 2]> = at.iter().map(|p| [p.lon * squeeze, p.lat]).collect();
    let mut left: rstar::RTree<rstar::primitives::GeomWithData<[f64; 2], usize>> = rstar::RTree::bulk_load(
        plane
            .iter()
            .enumerate()
            .map(|(i, p)| rstar::primitives::GeomWithData::new(*p, i))
            .collect(),
    );
    let mut order = Vec::with_capacity(at.len());
    let mut here = plane[0];
    while let Some(next) = left.pop_nearest_neighbor(&here) {
        here = *next.geom();
        order.push(next.data);
    }
    order
}

/// Crews as they were formed last, by the day.
///
/// # Errors
/// A programme that can't be read.
pub fn crews(programme: &Programme, on: Date) -> Result<Vec<Crew>, ChainError> {
    let mut all: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for formed in programme.crews_formed()? {
        let crew = formed.value;
        if crew.from <= on && crew.to.is_none_or(|to| on <= to) {
            all.insert(crew.crew, crew.people);
        }
    }
    Ok(all
        .into_iter()
        .map(|(crew, people)| Crew { crew, people })
        .collect())
}
