//! From the journal to assurance: placements with their visits, finds, weather observed and then usual.

use std::collections::HashMap;

use anyhow::{Result, bail};
use earlywood_geodata::AreaIndex;
use earlywood_journal::{Programme, Status};
use earlywood_model::assurance::{Assurance, Cell, Find, Input, PlacementInput, Settings, ZoneInput, assess};
use earlywood_model::record::{Placement, Visit};
use earlywood_model::weather::Series;
use jiff::civil::Date;

use super::ground::Ground;
use crate::out::note;

/// Everything the engine needs, owned.
pub(crate) struct Question {
    pub(crate) placements: Vec<Placement>,
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
        let placements: Vec<Placement> = programme
            .placements()?
            .into_iter()
            .filter(|p| p.targets.iter().any(|t| t == id))
            .filter(|p| p.hung <= asked.on && p.taken_down.is_none_or(|d| d >= start))
            .collect();
        let zones_at = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
        let inputs = placements
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
                    fitted: None,
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

/// Confirmed determinations of the target, in the zone of the trap that caught it.
fn finds(programme: &Programme, ground: &Ground, placements: &[Placement], on: Date) -> Result<Vec<Find>> {
    let zones_at = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
    let mut finds = Vec::new();
    for d in programme.determinations()? {
        let d = d.value;
        if d.status != Status::Confirmed || d.target != ground.profile.id || d.date > on {
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
