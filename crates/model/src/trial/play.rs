//! One plan in one world: who is caught, when, and when anybody knows.
//!
//! A flyer in cell `c` flying on day `d` is caught with probability `1 - exp(-H)`, `H = Σ_i a_ic e_id`, and by trap `i`
//! in the share `a_ic e_id / H`: traps compete, and no insect is in two. Every flyer has luck of its own, drawn from
//! the world's stream at a place fixed by its number, so two plans meet the very same flyers: what one network catches,
//! the same network with a trap more catches too.

use std::collections::HashMap;

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use super::ground::Squares;
use super::luck::{Purpose, number_of, stream};
use super::types::{Input, Plan};
use super::visits::{Clocks, Fate, Luck, LureAges, Timeline, oldest_lure};
use super::world::World;
use crate::error::ModelError;

/// Pairs whose capture lies below this share of the peak are left out, as in the assurance.
pub(super) const FLOOR: f64 = 3e-4;
/// Words of a stream that one flyer's luck takes up; a block of the generator.
const WORDS: u128 = 16;

/// A plan made ready.
#[derive(Debug)]
pub(super) struct Ready {
    at: Vec<(f64, f64)>,
    squares: Squares,
    /// Timelines of traps with a record.
    recorded: Vec<Option<Timeline>>,
    numbers: Vec<u64>,
    trap_cost: f64,
    recorded_visits: usize,
    /// Day of the oldest lure.
    pub(super) first: i32,
}

impl Ready {
    pub(super) fn new(plan: &Plan, input: &Input<'_>, clocks: &Clocks) -> Result<Self, ModelError> {
        for trap in &plan.traps {
            let placed = trap.x_m.abs() <= 1e9 && trap.y_m.abs() <= 1e9;
            let priced = trap.cost.is_finite() && trap.cost >= 0.0;
            if !(placed && priced) {
                return Err(ModelError::Inconsistent(format!(
                    "trap {} of plan {}: its place must be in metres and its cost 0 or more",
                    trap.label, plan.name
                )));
            }
        }
        let at: Vec<(f64, f64)> = plan.traps.iter().map(|t| (t.x_m, t.y_m)).collect();
        let start = input.settings.from;
        let of =
            |t: &super::types::PlanTrap| t.recorded.as_ref().map(|r| Timeline::recorded(r, start, clocks));
        let visits = |t: &super::types::PlanTrap| t.recorded.as_ref().map_or(0, |r| r.visits.len());
        Ok(Ready {
            squares: Squares::new(&at, 250.0),
            at,
            recorded: plan.traps.iter().map(of).collect(),
            numbers: plan.traps.iter().map(|t| number_of(&t.label)).collect(),
            trap_cost: plan.traps.iter().map(|t| t.cost).sum(),
            recorded_visits: plan.traps.iter().map(visits).sum(),
            first: oldest_lure(&plan.traps, start),
        })
    }

    /// Where trap `i` hangs.
    pub(super) fn place(&self, i: usize) -> (f64, f64) {
        self.at[i]
    }

    pub(super) fn len(&self) -> usize {
        self.at.len()
    }

    /// What happened at trap `i` in a world.
    fn timeline(&self, i: usize, input: &Input<'_>, clocks: &Clocks, world: u64) -> (Timeline, u32) {
        if let Some(recorded) = &self.recorded[i] {
            return (recorded.clone(), 0);
        }
        let mut rng = stream(input.settings.seed, world, Purpose::Visits, self.numbers[i]);
        Timeline::of_routine(
            input.routine,
            input.settings.from,
            input.profile,
            clocks,
            &mut rng,
        )
    }
}

/// Traps' timelines of one world, made when first asked for.
pub(super) struct Made<'a> {
    ready: &'a Ready,
    input: &'a Input<'a>,
    clocks: &'a Clocks,
    world: u64,
    lines: Vec<Option<(Timeline, u32)>>,
}

impl<'a> Made<'a> {
    pub(super) fn new(ready: &'a Ready, input: &'a Input<'a>, clocks: &'a Clocks, world: u64) -> Self {
        Made {
            ready,
            input,
            clocks,
            world,
            lines: vec![None; ready.len()],
        }
    }

    pub(super) fn of(&mut self, i: usize) -> &Timeline {
        &self.both(i).0
    }

    fn both(&mut self, i: usize) -> &(Timeline, u32) {
        let (ready, input, clocks, world) = (self.ready, self.input, self.clocks, self.world);
        self.lines[i].get_or_insert_with(|| ready.timeline(i, input, clocks, world))
    }

    /// Cost of traps and visits.
    pub(super) fn cost(&mut self) -> f64 {
        let each = self.input.routine.visit_cost;
        if each <= 0.0 {
            return self.ready.trap_cost;
        }
        let made: f64 = (0..self.ready.len()).map(|i| f64::from(self.both(i).1)).sum();
        self.ready.trap_cost + each * (made + self.ready.recorded_visits as f64)
    }
}

/// What was seen, in days from the trial's first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Seen {
    pub(super) first_catch: Option<i32>,
    /// Look that took the specimen named first, and when it was named.
    pub(super) known: Option<(i32, i32)>,
}

/// How a plan is played.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rules {
    /// Nothing after this day counts.
    pub(super) last: i32,
    /// Naming takes its time; else a specimen is known the day it is taken.
    pub(super) naming: bool,
}

/// Plays one plan in one world.
pub(super) fn play(world: &mut World<'_>, made: &mut Made<'_>, land: &[(f64, f64)], rules: Rules) -> Seen {
    let (input, clocks, ready) = (made.input, made.clocks, made.ready);
    let truths = world.truths;
    let params = &truths.params;
    let capture = params.capture;
    let mut seen = Seen::default();
    if capture.peak() <= 0.0 || ready.len() == 0 {
        return seen;
    }
    let reach_m = capture.cutoff_m(FLOOR * capture.peak());
    let days = super::world::days_of(input);
    let mut lures = None;
    let mut near_of: HashMap<u32, Vec<(usize, f64)>> = HashMap::new();
    for g in 0..world.windows.len() {
        let limit = seen.known.map_or(rules.last, |k| k.1).min(rules.last);
        if world.windows[g].from > limit {
            break;
        }
        let cells = world.generation(g).cells.clone();
        if cells.is_empty() {
            break;
        }
        // Most flyers are caught by nothing: what decides that is drawn in a row of its own, the rest only where it matters.
        let part = 2 * g as u64;
        let mut thresholds = stream(input.settings.seed, world.number, Purpose::Flight, part);
        let mut luck = stream(input.settings.seed, world.number, Purpose::Flight, part + 1);
        let mut before = 0_u64;
        for (cell, n) in cells {
            let first = before;
            before += u64::from(n);
            let near = near_of.entry(cell).or_insert_with(|| {
                let here = land[cell as usize];
                let distance = |i: usize| (ready.at[i].0 - here.0).hypot(ready.at[i].1 - here.1);
                ready
                    .squares
                    .within(here, reach_m)
                    .map(|i| (i as usize, distance(i as usize)))
                    .filter(|(_, d)| *d <= reach_m)
                    .map(|(i, d)| (i, capture.hazard(d)))
                    .collect()
            });
            let most: f64 = near.iter().map(|(_, a)| a).sum();
            if most <= 0.0 {
                continue;
            }
            thresholds.set_word_pos(u128::from(first) * 2);
            for flyer in first..before {
                let threshold = -(-thresholds.random::<f64>()).ln_1p();
                if threshold > most {
                    continue;
                }
                luck.set_word_pos(u128::from(flyer) * WORDS);
                let Some(day) = world.flight_day(g, luck.random()) else {
                    continue;
                };
                if day > rules.last {
                    continue;
                }
                let lures = lures.get_or_insert_with(|| {
                    LureAges::new(params.lure, input.weather, input.settings.from, ready.first, days)
                });
                let mut hazards: Vec<(usize, f64)> = Vec::with_capacity(near.len());
                let mut all = 0.0;
                for (i, a) in near.iter() {
                    let h = a * made.of(*i).effort(day, clocks, lures, params.impaired_share);
                    all += h;
                    hazards.push((*i, h));
                }
                if threshold > all || all <= 0.0 {
                    continue;
                }
                let mut left = luck.random::<f64>() * all;
                let winner = hazards
                    .iter()
                    .find(|(_, h)| {
                        left -= h;
                        left < 0.0
                    })
                    .or_else(|| hazards.iter().rfind(|(_, h)| *h > 0.0))
                    .map_or(0, |(i, _)| *i);
                seen.first_catch = Some(seen.first_catch.map_or(day, |f: i32| f.min(day)));
                let fate = Luck {
                    screened: luck.random(),
                    spoiled: luck.random(),
                    in_part: luck.random(),
                };
                let fate = made
                    .of(winner)
                    .fate(day, clocks, params.screening, params.impaired_share, fate);
                let Fate::Taken(look) = fate else { continue };
                let wait = if rules.naming {
                    // A stream of its own: a draw may take any number of words.
                    let mut own = ChaCha8Rng::seed_from_u64(luck.random());
                    input.spread.naming_days(&mut own)
                } else {
                    0
                };
                let named = look.saturating_add(wait);
                let earlier = seen.known.is_none_or(|(l, k)| (named, look) < (k, l));
                if named <= rules.last && earlier {
                    seen.known = Some((look, named));
                }
            }
        }
    }
    // Catches after it was known are no part of the story.
    if let (Some(first), Some((_, known))) = (seen.first_catch, seen.known) {
        seen.first_catch = Some(first.min(known));
    }
    seen
}
