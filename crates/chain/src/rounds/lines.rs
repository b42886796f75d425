//! The drives of rounds along the roads, to be drawn.

use std::collections::HashMap;

use earlywood_journal::Programme;
use earlywood_model::record::{Access, Position, Shift};

use super::travel::{USUAL_DETOUR, USUAL_SPEED_KMH, Ways};
use super::view::PlannedRoundView;
use crate::Notes;
use crate::error::ChainError;

/// Puts the drive along the roads to each round, from the depot over the stops to its end. Nothing is put where no roads are
/// loaded, or where one of the stops can't be driven to.
///
/// The net of roads is made anew for this: it takes seconds where there are many.
///
/// # Errors
/// A programme that can't be read; roads that make no net.
pub fn put_lines<'a>(
    programme: &Programme,
    rounds: impl Iterator<Item = &'a mut PlannedRoundView>,
) -> Result<(), ChainError> {
    if programme.roads()?.is_empty() {
        return Ok(());
    }
    let ways = Ways::read(programme, &[], USUAL_DETOUR, USUAL_SPEED_KMH, &mut Notes::new())?;
    let shifts: HashMap<String, Shift> = programme
        .shifts()?
        .into_iter()
        .map(|s| (s.label.clone(), s))
        .collect();
    let access: HashMap<String, Access> = programme
        .access()?
        .into_iter()
        .map(|a| (a.label.clone(), a))
        .collect();
    for round in rounds {
        let shift = shifts.get(&round.crew);
        let stops = round.stops.iter().map(|s| {
            let at = Position {
                lat: s.lat,
                lon: s.lon,
            };
            access.get(&s.place).and_then(|a| a.park).unwrap_or(at)
        });
        let way: Vec<Position> = shift
            .map(|s| s.depot)
            .into_iter()
            .chain(stops)
            .chain(shift.map(|s| s.end.unwrap_or(s.depot)))
            .collect();
        round.line = line(&ways, &way);
    }
    Ok(())
}

fn line(ways: &Ways, way: &[Position]) -> Option<Vec<[f64; 2]>> {
    let mut line: Vec<[f64; 2]> = Vec::new();
    for pair in way.windows(2) {
        if pair[0] == pair[1] {
            continue;
        }
        let (leg, _) = ways.leg(pair[0], pair[1])?;
        for p in leg {
            let at = [p.lon, p.lat];
            if line.last() != Some(&at) {
                line.push(at);
            }
        }
    }
    (!line.is_empty()).then_some(line)
}
