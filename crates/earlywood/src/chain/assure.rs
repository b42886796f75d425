//! From the journal to assurance: placements with their visits, finds, weather observed and then usual.

use std::collections::{HashMap, HashSet};

use anyhow::{Result, bail};
use earlywood_geodata::AreaIndex;
use earlywood_journal::{Programme, Status};
use earlywood_model::assurance::{
    Assurance, Cell, Find, FittedOn, Input, PlacementInput, Settings, ZoneInput, assess,
};
use earlywood_model::record::{Placement, Renewed, Visit};
use earlywood_model::weather::Series;
use jiff::civil::Date;

use super::ground::Ground;
use crate::out::note;

/// Everything the engine needs, owned.
pub(crate) struct Question {
    pub(crate) placements: Vec<Placement>,
    /// Stops that took suspects which nobody has determined yet.
    pub(crate) open_suspects: usize,
    zones: Vec<ZoneInput>,
    cells: Vec<Cell>,
    inputs: Vec<PlacementInput>,
    weather: Series,
    finds: Vec<Find>,
    settings: Settings,
}

/// How the question is asked.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Asked {
    pub(crate) on: Date,
    pub(crate) draws: u32,
    pub(crate) seed: u64,
}

impl Question {
    /// Gathers the placements for this target that hung in the season of the day asked about.
    pub(crate) fn of(
        programme: &Programme,
        ground: &Ground,
        series: &Series,
        asked: Asked,
    ) -> Result<Question> {
        let heat = ground.params.heat;
        let season = heat.season_range(heat.season_of(asked.on))?;
        let (start, end) = (*season.start(), *season.end());
        let mut by_trap: HashMap<String, Vec<Visit>> = HashMap::new();
        for visit in programme.visits()? {
            by_trap.entry(visit.trap.clone()).or_default().push(visit);
        }
        let id = &ground.profile.id;
        let all = programme.placements()?;
        let placements: Vec<Placement> = all
            .iter()
            .filter(|p| p.targets.iter().any(|t| t == id))
            .filter(|p| p.hung <= asked.on && p.taken_down.is_none_or(|d| d >= start))
            .cloned()
            .collect();
        let zones_at = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
        let inputs: Vec<PlacementInput> = placements
            .iter()
            .map(|p| {
                let at = ground.cells.frame.to_xy(p.position);
                PlacementInput {
                    label: p.trap.clone(),
                    x_m: at.x_m,
                    y_m: at.y_m,
                    zone: zones_at.first_at(p.position),
                    hung: p.hung,
                    taken_down: p.taken_down,
                    visits: visits_of(p, by_trap.get(&p.trap)),
                    holds: Vec::new(),
                    fitted: fitted(p, &all, by_trap.get(&p.trap)),
                }
            })
            .collect();
        let cells = ground
            .cells
            .cells
            .iter()
            .zip(&ground.xy)
            .map(|(cell, at)| Cell {
                x_m: at.x_m,
                y_m: at.y_m,
                weight: cell.weight(),
                zone: cell.zone.unwrap_or(0),
            })
            .collect();
        let zones = ground
            .zone_labels()
            .into_iter()
            .map(|label| ZoneInput {
                label,
                prior_infested: None,
            })
            .collect();
        let settings = Settings {
            draws: asked.draws,
            seed: asked.seed,
            ..Settings::new(asked.on, start, end)
        };
        Ok(Question {
            open_suspects: open_suspects(programme, &inputs, asked.on)?,
            weather: weather_for(series, asked.on, end)?,
            finds: finds(programme, ground, &placements, asked.on)?,
            placements,
            zones,
            cells,
            inputs,
            settings,
        })
    }

    /// Asks the engine.
    pub(crate) fn answer(&self, ground: &Ground) -> Result<Assurance> {
        Ok(assess(&Input {
            zones: &self.zones,
            cells: &self.cells,
            placements: &self.inputs,
            weather: &self.weather,
            profile: &ground.profile,
            finds: &self.finds,
            settings: &self.settings,
        })?)
    }
}

/// Stops made while the trap hung at this place.
fn visits_of(placement: &Placement, all: Option<&Vec<Visit>>) -> Vec<Visit> {
    let during = |v: &&Visit| v.date >= placement.hung && placement.taken_down.is_none_or(|d| v.date <= d);
    all.map(|v| v.iter().filter(during).cloned().collect())
        .unwrap_or_default()
}

/// A trap that comes from another place within so many days was moved, and brings its used parts along; after a
/// longer rest it is taken as made ready anew. Choice of design.
const MOVED_WITHIN_DAYS: i32 = 7;

/// When the parts of a moved trap were put in; `None` for a trap hung with new ones.
fn fitted(placement: &Placement, all: &[Placement], visits: Option<&Vec<Visit>>) -> Option<FittedOn> {
    let rested = |q: &Placement| {
        q.taken_down
            .and_then(|d| d.until(placement.hung).ok())
            .map(|span| span.get_days())
    };
    let before = all
        .iter()
        .filter(|q| q.trap == placement.trap && q.hung < placement.hung)
        .filter(|q| rested(q).is_some_and(|days| (0..=MOVED_WITHIN_DAYS).contains(&days)))
        .max_by_key(|q| q.hung)?;
    let since = |renewed: fn(&Renewed) -> bool| {
        let during = |v: &&Visit| v.date >= before.hung && v.date <= placement.hung && renewed(&v.renewed);
        let last = visits.and_then(|all| all.iter().filter(during).map(|v| v.date).max());
        last.unwrap_or(before.hung)
    };
    Some(FittedOn {
        lure: since(|r| r.lure),
        insert: since(|r| r.insert),
        killing_agent: since(|r| r.killing_agent),
        body: since(|r| r.body),
    })
}

/// Observed days up to the day asked about, usual days from there to the season's end: what the season has still in
/// store is foreseen from past years, never known.
fn weather_for(series: &Series, on: Date, season_end: Date) -> Result<Series> {
    if series.first() > on {
        bail!(
            "the weather starts on {}, after the day asked about ({on})",
            series.first()
        );
    }
    if series.last() < on {
        note(&format!(
            "the weather ends on {}; days from there to {on} are those of an average year",
            series.last()
        ));
    }
    let observed = Series::new(series.between(series.first()..=on.min(series.last())).to_vec())?;
    Ok(observed.continued_with_normals(season_end)?)
}

/// Stops up to a day that took suspects of which it has not been said what they are. Until it is, the figures take
/// them for something else, which a reader must know.
fn open_suspects(programme: &Programme, placements: &[PlacementInput], on: Date) -> Result<usize> {
    let settled: HashSet<(String, Date)> = programme
        .determinations()?
        .into_iter()
        .map(|d| d.value)
        .filter(|d| !matches!(d.status, Status::Suspect | Status::Tentative))
        .map(|d| (d.trap, d.date))
        .collect();
    let taken = |v: &&Visit| v.suspects.is_some_and(|n| n > 0) && v.date <= on;
    let visits = placements.iter().flat_map(|p| &p.visits).filter(taken);
    Ok(visits
        .filter(|v| !settled.contains(&(v.trap.clone(), v.date)))
        .count())
}

/// The words for open suspects, where there are any.
pub(crate) fn suspects_words(open: usize) -> Option<String> {
    (open > 0).then(|| {
        format!("{open} stops took suspects that nobody has determined yet; until then the figures take them for something else")
    })
}

/// Confirmed determinations of the target, in the zone of the trap that caught it.
fn finds(programme: &Programme, ground: &Ground, placements: &[Placement], on: Date) -> Result<Vec<Find>> {
    let zones_at = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
    let mut finds = Vec::new();
    for made in programme.determinations()? {
        if super::determined_on(programme, &made)? > on {
            continue;
        }
        let d = made.value;
        if d.status != Status::Confirmed || d.target != ground.profile.id {
            continue;
        }
        let Some(placement) = placements.iter().rfind(|p| p.trap == d.trap && p.hung <= d.date) else {
            note(&format!(
                "the find of {} at trap {} lies outside this season's placements",
                d.date, d.trap
            ));
            continue;
        };
        let zone = if ground.zones.is_empty() {
            Some(0)
        } else {
            zones_at.first_at(placement.position)
        };
        match zone {
            Some(zone) => finds.push(Find { zone, date: d.date }),
            None => note(&format!(
                "the find of {} at trap {} lies in no zone",
                d.date, d.trap
            )),
        }
    }
    Ok(finds)
}

#[cfg(test)]
mod tests {
    use earlywood_model::record::{Looked, Position, TrapFound, VisitKind};
    use jiff::civil::date;

    use super::*;

    fn placed(hung: Date, taken_down: Option<Date>) -> Placement {
        Placement {
            trap: "T1".into(),
            place: "P".into(),
            position: Position {
                lat: 40.0,
                lon: -93.0,
            },
            targets: vec!["x".into()],
            hung,
            taken_down,
        }
    }

    #[test]
    fn a_moved_trap_brings_its_lure_and_a_rested_one_gets_a_new_one() {
        let first = placed(date(2025, 5, 1), Some(date(2025, 6, 10)));
        let lure_change = Visit {
            trap: "T1".into(),
            date: date(2025, 5, 20),
            kind: VisitKind::Service,
            found: TrapFound::Working,
            looked: Looked::Fully,
            suspects: Some(0),
            renewed: Renewed {
                lure: true,
                ..Renewed::default()
            },
            lure_lot: None,
            crew: None,
            exception: None,
        };
        let visits = vec![lure_change];
        let moved = placed(date(2025, 6, 10), None);
        let parts = fitted(&moved, &[first.clone(), moved.clone()], Some(&visits)).unwrap();
        assert_eq!((parts.lure, parts.insert), (date(2025, 5, 20), date(2025, 5, 1)));
        let rested = placed(date(2025, 7, 10), None);
        assert_eq!(
            fitted(&rested, &[first.clone(), rested.clone()], Some(&visits)),
            None
        );
        assert_eq!(fitted(&first, std::slice::from_ref(&first), Some(&visits)), None);
    }
}
