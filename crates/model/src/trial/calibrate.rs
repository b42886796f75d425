//! Is a stated probability of absence true? Seasons are simulated, the assurance engine is asked about each record in
//! which nothing was found, and what it said is held against what was so.
//!
//! Of each world one zone is asked, drawn evenly, on a day drawn evenly: so the worlds are independent of each other,
//! and the exact intervals of [`crate::reliability::curve`] hold. The stated figure is the one people read, the median
//! over the parameter draws. It is not the mean over them, so even worlds drawn from the very beliefs of the statement
//! can lie a little off it where parameters are wide; the curve shows by how much.

use rand::RngExt as _;
use rayon::prelude::*;

use super::ground::Landscape;
use super::luck::{Purpose, mix, stream};
use super::play::{FLOOR, Made, Ready, Rules, play};
use super::truths;
use super::types::{
    CalibrationSettings, Curve, Input, Kind, Plan, Presence, PriorOf, SensitivityCheck, ShareOf, Truth,
};
use super::visits::Clocks;
use super::world::{Distances, Truths, World, arrival_day};
use crate::assurance::{self, Cell, PlacementInput, ZoneInput, assess};
use crate::capture::Capture;
use crate::error::{ModelError, check};
use crate::reliability::{Stated, curve};
use crate::weather::{days_between, plus_days};

/// Ends of the bins of every curve.
const EDGES: [f64; 11] = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0];
/// In the worlds that are not as believed: the share of the believed reach, and of the believed flyers.
const WRONG_REACH: f64 = 0.5;
const WRONG_FLYERS: f64 = 0.25;
/// Draws looked at to see how far a trap can matter to a zone.
const REACH_DRAWS: u64 = 64;

/// What came of one world.
struct Asked {
    /// What was stated of it and what was so; `None` where something was found.
    stated: Option<Stated>,
    /// Of a world infested all season: the sensitivity stated, and whether something was found.
    sensitivity: Option<(f64, bool)>,
}

/// One zone on its own.
struct Zone {
    cells: Vec<Cell>,
    land: Landscape,
    plan: Plan,
    ready: Ready,
}

/// Curves under the truths asked for, over one plan's traps. [`Input::settings`] gives the seed and the days, which must
/// begin with the season's; its number of replicates is not used.
///
/// # Errors
/// As [`super::run`] and [`crate::assurance::assess`]; a season that the trial's days do not cover.
pub fn calibrate(
    input: &Input<'_>,
    plan: &Plan,
    settings: &CalibrationSettings,
    of: &[Truth],
) -> Result<Vec<Curve>, ModelError> {
    input.check()?;
    let worlds = settings.worlds;
    check(
        "number of worlds",
        f64::from(worlds),
        (1..=1_000_000).contains(&worlds),
        "1 to 1 000 000",
    )?;
    let (start, end) = settings.season;
    if input.settings.from != start || input.settings.to < end || settings.last_as_of <= start {
        return Err(ModelError::Inconsistent(format!(
            "a calibration of the season {start} to {end} needs a trial from its first day to its last or later, and a day \
             asked about after its first"
        )));
    }
    let clocks = Clocks::new(input.profile)?;
    let distances = Distances::new(input.spread.spread_form.value)?;
    let zones = zones(input, plan, &clocks)?;
    of.iter()
        .map(|truth| {
            let all: Vec<Asked> = (0..u64::from(worlds))
                .into_par_iter()
                .map(|number| world(input, settings, &zones, &clocks, &distances, *truth, number))
                .collect::<Result<_, ModelError>>()?;
            let stated: Vec<Stated> = all.iter().filter_map(|a| a.stated).collect();
            let seen: Vec<(f64, bool)> = all.iter().filter_map(|a| a.sensitivity).collect();
            let found = seen.iter().filter(|s| s.1).count() as u64;
            let mean = seen.iter().map(|s| s.0).sum::<f64>() / seen.len() as f64;
            Ok(Curve {
                truth: *truth,
                worlds: u64::from(worlds),
                found: (all.len() - stated.len()) as u64,
                sensitivity: SensitivityCheck {
                    mean_stated: (!seen.is_empty()).then_some(mean),
                    found: ShareOf::new(found, seen.len() as u64)?,
                },
                bins: curve(&stated, &EDGES, 0.95)?,
            })
        })
        .collect()
}

/// The zones with any risk, each with its cells and the traps that can matter to them.
fn zones(input: &Input<'_>, plan: &Plan, clocks: &Clocks) -> Result<Vec<Zone>, ModelError> {
    let mut reach_m = 0.0_f64;
    for number in 0..REACH_DRAWS {
        let capture = truths(input, number)?.params.capture;
        if capture.peak() > 0.0 {
            reach_m = reach_m.max(capture.cutoff_m(FLOOR * capture.peak()));
        }
    }
    let count = input.cells.iter().map(|c| c.zone + 1).max().unwrap_or(0);
    let mut out = Vec::new();
    for zone in 0..count {
        let of_zone = input.cells.iter().filter(|c| c.zone == zone && c.weight > 0.0);
        let cells: Vec<Cell> = of_zone.map(|c| Cell { zone: 0, ..*c }).collect();
        if cells.is_empty() {
            continue;
        }
        let ends = |of: fn(&Cell) -> f64| {
            cells
                .iter()
                .map(of)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                    (l.min(v), h.max(v))
                })
        };
        let (x, y) = (ends(|c| c.x_m), ends(|c| c.y_m));
        let mut near = plan.clone();
        let inside = |v: f64, (low, high): (f64, f64)| v >= low - reach_m && v <= high + reach_m;
        near.traps.retain(|t| inside(t.x_m, x) && inside(t.y_m, y));
        out.push(Zone {
            land: Landscape::new(&cells, input.cell_area_m2),
            ready: Ready::new(&near, input, clocks)?,
            cells,
            plan: near,
        });
    }
    Ok(out)
}

/// What is so, where it is not what is believed.
fn bent(truth: Truth, mut truths: Truths) -> Result<Truths, ModelError> {
    if truth == Truth::WrongParameters {
        let c = truths.params.capture;
        truths.params.capture = Capture::new(c.form(), c.reach_m() * WRONG_REACH, c.peak())?;
        truths.params.flyers *= WRONG_FLYERS;
    }
    Ok(truths)
}

/// Plays one world and asks the engine about it.
fn world(
    input: &Input<'_>,
    settings: &CalibrationSettings,
    zones: &[Zone],
    clocks: &Clocks,
    distances: &Distances,
    truth: Truth,
    number: u64,
) -> Result<Asked, ModelError> {
    let seed = input.settings.seed;
    let (start, end) = settings.season;
    let mut ask = stream(seed, number, Purpose::Question, 0);
    let zone = &zones[((ask.random::<f64>() * zones.len() as f64) as usize).min(zones.len() - 1)];
    let last = days_between(start, settings.last_as_of.min(end));
    let as_of = 1 + (ask.random::<f64>() * last as f64) as i64;
    let as_of = as_of.min(last) as i32;
    let any_prior: f64 = ask.random();
    let truths = bent(truth, truths(input, number)?)?;
    let prior = match settings.prior {
        PriorOf::Spread => any_prior,
        PriorOf::Profile => truths.params.prior_infested,
    };
    let mut arrival = stream(seed, number, Purpose::Arrival, 0);
    let luck: f64 = arrival.random();
    let yearly = truths.params.introduction_per_year;
    let arrived = arrival_day(Presence::Believed, prior, yearly, as_of + 1, &mut arrival)?;
    let kind = if truth == Truth::Growing {
        Kind::Growing
    } else {
        Kind::Design
    };
    let mut made = Made::new(&zone.ready, input, clocks, number);
    let (mut free, mut found) = (true, false);
    if let Some(arrived) = arrived {
        let mut world = World::new(input, kind, number, &truths, arrived, &zone.land, distances, luck)?;
        let rules = Rules {
            last: as_of,
            naming: false,
        };
        found = play(&mut world, &mut made, &zone.land.at, rules).known.is_some();
        let g = world.windows.iter().rposition(|w| w.from <= as_of).unwrap_or(0);
        free = kind == Kind::Growing && world.generation(g).insects == 0;
    }
    let all_season = arrived == Some(0);
    if found && !all_season {
        return Ok(Asked {
            stated: None,
            sensitivity: None,
        });
    }
    let (p_free, sensitivity) = statement(input, settings, zone, &mut made, as_of, prior, number)?;
    Ok(Asked {
        stated: (!found).then_some(Stated { p_free, free }),
        sensitivity: all_season.then_some((sensitivity, found)),
    })
}

/// What the assurance engine says of the world's record, as if nothing had been found: probability of absence, and
/// sensitivity to date.
fn statement(
    input: &Input<'_>,
    settings: &CalibrationSettings,
    zone: &Zone,
    made: &mut Made<'_>,
    as_of: i32,
    prior: f64,
    number: u64,
) -> Result<(f64, f64), ModelError> {
    let (start, end) = settings.season;
    let as_of_date = plus_days(start, i64::from(as_of));
    let mut placements = Vec::new();
    for (i, trap) in zone.plan.traps.iter().enumerate() {
        let (x_m, y_m) = zone.ready.place(i);
        let mut place = PlacementInput {
            label: trap.label.clone(),
            x_m,
            y_m,
            zone: Some(0),
            hung: start,
            taken_down: None,
            visits: Vec::new(),
            holds: Vec::new(),
            fitted: None,
        };
        if let Some(r) = &trap.recorded {
            (place.hung, place.taken_down, place.fitted) = (r.hung, r.taken_down, r.fitted);
            place.visits.clone_from(&r.visits);
            placements.push(place);
            continue;
        }
        let visits = made.of(i).visits(&trap.label, input.settings.from, as_of);
        for (hung, down) in input
            .routine
            .seasons
            .iter()
            .filter(|(hung, down)| *hung <= end && *down >= start)
        {
            placements.push(PlacementInput {
                hung: *hung,
                taken_down: Some(*down),
                visits: visits
                    .iter()
                    .filter(|v| v.date >= *hung && v.date <= *down)
                    .cloned()
                    .collect(),
                ..place.clone()
            });
        }
    }
    let zones = [ZoneInput {
        label: String::new(),
        prior_infested: (settings.prior == PriorOf::Spread).then_some(prior),
    }];
    let asked = assurance::Settings {
        draws: settings.draws,
        seed: mix(input.settings.seed, number),
        next_visits: 0,
        capture_floor: FLOOR,
        ..assurance::Settings::new(as_of_date, start, end)
    };
    let answer = assess(&assurance::Input {
        zones: &zones,
        cells: &zone.cells,
        placements: &placements,
        weather: input.weather,
        profile: input.profile,
        finds: &[],
        settings: &asked,
    })?;
    let last = answer.zones.first().and_then(|z| z.periods.last());
    last.and_then(|p| Some((p.p_free?.median, p.sensitivity.median)))
        .ok_or_else(|| ModelError::Inconsistent(format!("nothing can be stated on {as_of_date}")))
}
