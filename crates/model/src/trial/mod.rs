//! Trials: seasons played with a known incursion. Would this plan have found it, how soon, how small; is one plan better
//! than another; and is what the assurance states true?
//!
//! [`run`] plays plans in many worlds. In each world everything uncertain is drawn anew from the profile (reach, lure,
//! flight, screening, growth, spread, ...), an incursion arrives in a cell by risk, grows and spreads (`world.rs`), its
//! flyers fly by the season's weather and meet traps as they really were on that day (`visits.rs`), compete for them
//! (`play.rs`), and are found when somebody looks and screens, and known when somebody names them.
//!
//! **Common random numbers.** Worlds do not depend on plans: the same incursion, flyers and luck for each. Differences
//! between two plans are therefore paired, and most of the chance falls out of them; a plan against itself differs by
//! exactly 0. Every stream is fixed by seed, world and purpose: the number of threads changes nothing.
//!
//! [`calibrate`] asks the assurance engine itself about simulated seasons and counts how often it was right.

mod calibrate;
mod ground;
mod luck;
mod play;
mod section;
mod types;
mod visits;
mod world;

use rand::RngExt as _;
use rayon::prelude::*;

pub use calibrate::calibrate;
pub use section::{DrawnSpread, SpreadForm, TrialSection};
pub use types::{
    Against, CalibrationSettings, Curve, Input, Kind, Outcome, Plan, PlanResult, PlanTrap, Presence, PriorOf,
    Recorded, Replicate, Routine, SensitivityCheck, Settings, ShareOf, Trial, Truth,
};

use crate::assurance::Band;
use crate::error::ModelError;
use crate::reliability::paired;
use ground::Landscape;
use luck::{Purpose, stream};
use play::{Made, Ready, Rules, play};
use visits::Clocks;
use world::{Distances, Truths, World, arrival_day, days_of};

/// Confidence of every interval.
const CONFIDENCE: f64 = 0.95;

/// Plays every plan in every world, and sums up.
///
/// # Errors
/// Settings, a routine or cells out of range; weather that does not cover the seasons; no plan.
pub fn run(input: &Input<'_>, plans: &[Plan]) -> Result<(Trial, Vec<Replicate>), ModelError> {
    input.check()?;
    if plans.is_empty() {
        return Err(ModelError::Inconsistent("there is no plan to be tried".into()));
    }
    let clocks = Clocks::new(input.profile)?;
    let land = Landscape::new(input.cells, input.cell_area_m2);
    let distances = Distances::new(input.spread.spread_form.value)?;
    let ready: Vec<Ready> = plans
        .iter()
        .map(|p| Ready::new(p, input, &clocks))
        .collect::<Result<_, _>>()?;
    let replicates: Vec<Replicate> = (0..u64::from(input.settings.replicates))
        .into_par_iter()
        .map(|number| replicate(input, &ready, &clocks, &land, &distances, number))
        .collect::<Result<_, _>>()?;
    let trial = summed_up(input, plans, &replicates)?;
    Ok((trial, replicates))
}

/// What is true in a world, from the profile's beliefs.
fn truths(input: &Input<'_>, number: u64) -> Result<Truths, ModelError> {
    let mut rng = stream(input.settings.seed, number, Purpose::Beliefs, 0);
    let params = input.profile.drawn(&mut rng)?;
    let mut rng = stream(input.settings.seed, number, Purpose::Beliefs, 1);
    Ok(Truths {
        params,
        spread: input.spread.drawn(&mut rng),
    })
}

fn replicate(
    input: &Input<'_>,
    ready: &[Ready],
    clocks: &Clocks,
    land: &Landscape,
    distances: &Distances,
    number: u64,
) -> Result<Replicate, ModelError> {
    let settings = input.settings;
    let truths = truths(input, number)?;
    let days = days_of(input);
    let mut rng = stream(settings.seed, number, Purpose::Arrival, 0);
    let luck: f64 = rng.random();
    let (prior, yearly) = (truths.params.prior_infested, truths.params.introduction_per_year);
    let Some(arrived) = arrival_day(settings.presence, prior, yearly, days, &mut rng)? else {
        return Ok(Replicate {
            arrived: None,
            cell: None,
            died_out: false,
            capped: false,
            outcomes: Vec::new(),
        });
    };
    let mut world = World::new(
        input,
        settings.kind,
        number,
        &truths,
        arrived,
        land,
        distances,
        luck,
    )?;
    let rules = Rules {
        last: days - 1,
        naming: true,
    };
    let outcomes: Vec<Outcome> = ready
        .iter()
        .map(|ready| {
            let mut made = Made::new(ready, input, clocks, number);
            let seen = play(&mut world, &mut made, &land.at, rules);
            let cost = made.cost();
            outcome(&mut world, seen, days, cost, input.cell_area_m2)
        })
        .collect();
    let last = world.windows.len().saturating_sub(1);
    let died_out = settings.kind == Kind::Growing
        && outcomes.iter().any(|o| o.known_days.is_none())
        && world.generation(last).insects == 0;
    Ok(Replicate {
        arrived: Some(arrived),
        cell: Some(world.origin),
        died_out,
        capped: world.capped,
        outcomes,
    })
}

fn outcome(world: &mut World<'_>, seen: play::Seen, days: i32, cost: f64, cell_area_m2: f64) -> Outcome {
    let arrived = world.arrived;
    let since = |day: i32| f64::from(day - arrived);
    let then = seen.known.map_or(days - 1, |k| k.1);
    let g = world.windows.iter().rposition(|w| w.from <= then).unwrap_or(0);
    let generation = world.generation(g);
    Outcome {
        first_catch_days: seen.first_catch.map(since),
        taken_days: seen.known.map(|k| since(k.0)),
        known_days: seen.known.map(|k| since(k.1)),
        days_or_end: since(then),
        generations: g as u32 + 1,
        insects: generation.insects,
        cells: generation.cells.len() as u32,
        area_m2: generation.cells.len() as f64 * cell_area_m2,
        radius_m: generation.radius_m,
        cost,
    }
}

fn summed_up(input: &Input<'_>, plans: &[Plan], replicates: &[Replicate]) -> Result<Trial, ModelError> {
    let infested: Vec<&Replicate> = replicates.iter().filter(|r| r.arrived.is_some()).collect();
    let count = |has: fn(&Replicate) -> bool| infested.iter().filter(|r| has(r)).count() as u64;
    let results = plans
        .iter()
        .enumerate()
        .map(|(i, plan)| {
            let outcomes: Vec<Outcome> = infested.iter().map(|r| r.outcomes[i]).collect();
            result(plan, &outcomes)
        })
        .collect::<Result<_, ModelError>>()?;
    let against = match plans {
        [first, second, ..] if infested.len() >= 2 => {
            let of = |value: fn(&Outcome) -> f64| {
                let side =
                    |i: usize| -> Vec<f64> { infested.iter().map(|r| value(&r.outcomes[i])).collect() };
                paired(&side(0), &side(1), CONFIDENCE)
            };
            Some(Against {
                first: first.name.clone(),
                second: second.name.clone(),
                detected: of(|o| f64::from(u8::from(o.known_days.is_some())))?,
                days: of(|o| o.days_or_end)?,
                insects: of(|o| f64::from(o.insects))?,
                area_m2: of(|o| o.area_m2)?,
                cost: of(|o| o.cost)?,
            })
        }
        _ => None,
    };
    Ok(Trial {
        target: input.profile.id.clone(),
        settings: input.settings.clone(),
        infested: infested.len() as u64,
        died_out: count(|r| r.died_out),
        capped: count(|r| r.capped),
        plans: results,
        against,
    })
}

fn result(plan: &Plan, outcomes: &[Outcome]) -> Result<PlanResult, ModelError> {
    let found: Vec<&Outcome> = outcomes.iter().filter(|o| o.known_days.is_some()).collect();
    let band = |value: fn(&Outcome) -> f64| band(found.iter().map(|o| value(o)).collect());
    let of = outcomes.len() as u64;
    Ok(PlanResult {
        name: plan.name.clone(),
        traps: plan.traps.len(),
        detected: ShareOf::new(found.len() as u64, of)?,
        first_catch_days: band(|o| o.first_catch_days.unwrap_or(0.0)),
        known_days: band(|o| o.known_days.unwrap_or(0.0)),
        generations: band(|o| f64::from(o.generations)),
        insects: band(|o| f64::from(o.insects)),
        cells: band(|o| f64::from(o.cells)),
        area_m2: band(|o| o.area_m2),
        radius_m: band(|o| o.radius_m),
        cost: if of > 0 {
            outcomes.iter().map(|o| o.cost).sum::<f64>() / of as f64
        } else {
            0.0
        },
    })
}

/// Median and 5–95 % of the worlds; `None` without any.
fn band(mut values: Vec<f64>) -> Option<Band> {
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let at = |q: f64| {
        let place = q * (values.len() - 1) as f64;
        let (low, high) = (place.floor() as usize, place.ceil() as usize);
        values[low] + (place - place.floor()) * (values[high] - values[low])
    };
    Some(Band {
        p05: at(0.05),
        median: at(0.5),
        p95: at(0.95),
    })
}
