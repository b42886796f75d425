//! How sure are we that a target is absent, from the visits really made?
//!
//! [`assess`] takes cells, placements with their visits, weather and a target profile, and says for every zone: what a
//! design incursion's chance of being seen was (sensitivity), how probable absence is after nothing was found, what cost
//! most, and which visit would add most.
//!
//! **From visits to effort.** Every day of every trap is worth potency of its lure (heat) × its clocks (lure by the
//! calendar, insert, killing agent, body) × whether it was up, and is credited only by a later stop that looked at the
//! catch. The rules, one by one, stand at `walk` in `schedule.rs`; in short: not reached, not looked at, down and gone
//! credit nothing; impaired and looked at in part credit a share; "could not look" is never "looked, none". Age of catch
//! counts too: the look clock.
//!
//! **From effort to sensitivity.** `S_c = 1 - exp(-s Σ_t N φ_t (1 - exp(-Σ_i a_ic e_it)))` per cell and
//! `S = Σ w_c S_c` per zone, with `e_it` the mean effort of trap `i` in period `t`, weighted by each day's flight. Traps
//! compete for one insect; insects of one incursion are caught independently given their cell.
//!
//! **From sensitivity to assurance.** Presence is carried jointly over cells, period by period, with re-introduction
//! between periods (see `evaluate` in `draw.rs`), so cells searched well and cells not searched at all are never mixed.
//!
//! **Other evidence.** [`assess_with`] joins looks at trees, branch samples, detection trees and the public's silence to the
//! traps (see [`Evidence`] and [`crate::inspection`]).
//!
//! **The series looks back.** Each point says what is known *today* about the season up to that period: effort of a past
//! period is credited by whatever look came later, up to the as-of day. The last point is the figure for today. To see
//! what could have been said on an earlier day, ask again with that day.
//!
//! **Bands.** Every draw takes all parameters from their distributions with a random stream of its own (ChaCha, stream =
//! number of the draw), so a seed gives the same figures whatever the number of threads. Bands are over what is believed
//! of the parameters before trapping; finding nothing is not used to revise the parameters themselves.

mod advice;
mod draw;
mod effort;
mod evidence;
mod field;
mod kernel;
mod schedule;
mod surface;
mod types;

use jiff::civil::Date;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use advice::{Central, lure_days};
use draw::{Climate, DayWeight, Effort, Outcome, Scratch, Setting, cutoff_m, evaluate};
pub use effort::{DayOfEffort, TrapEffort, efforts};
pub use evidence::{
    CellLooks, Component, ComponentKind, DetectionTree, Evidence, Look, MethodLooks, Silence, TreeLooks,
    same_week,
};
use evidence::{Joint, Prepared};
use field::Field;
use schedule::{Calendar, Clocks, Record, WhatIf, walk};
pub use surface::{CellSeen, by_cell, by_cell_with};
pub use types::{
    Assurance, Band, Cause, Cell, Find, FittedOn, Hold, Input, Loss, NextVisit, PeriodFigures,
    PlacementInput, Settings, ZoneAssurance, ZoneInput,
};

use crate::error::{ModelError, check};
use crate::profile::DrawnParams;
use crate::weather::plus_days;

/// Assesses every zone. Zones without weight, cells without traps and programmes without visits are fine: their
/// sensitivity is 0.
///
/// # Errors
/// Input that contradicts itself (a cell in a zone that does not exist, a trap taken down before it was hung, a visit
/// whose parts disagree), or weather that does not cover the lures' ages or the flight season.
pub fn assess(input: &Input<'_>) -> Result<Assurance, ModelError> {
    assess_with(input, &Evidence::default())
}

/// As [`assess`], with evidence beside the traps (looks at trees, branch samples, detection trees, the public's silence)
/// joined to them as [`Evidence`] and the profile say. Sensitivity and probability of absence are those of all together;
/// each component's own stand in [`ZoneAssurance::components`]. Losses and next visits stay the traps'. No evidence, or a
/// profile that says nothing of it, gives [`assess`] to the last digit.
///
/// # Errors
/// As [`assess`]; evidence that contradicts itself (a cell that does not exist, more trees than hosts).
pub fn assess_with(input: &Input<'_>, evidence: &Evidence) -> Result<Assurance, ModelError> {
    let settings = input.settings;
    settings.check()?;
    check_records(input)?;
    let weights = field::normalised_weights(input)?;
    let calendar = Calendar::new(input)?;
    let clocks = Clocks::new(&input.profile.clocks, settings.catch_spoils)?;
    let walk = |placement| walk(&calendar, &clocks, placement, WhatIf::default());
    let records: Vec<Record> = input.placements.par_iter().map(walk).collect();
    let setting = Setting {
        calendar,
        lure_days: lure_days(&records),
        priors: input.zones.iter().map(|z| z.prior_infested).collect(),
    };

    let params = input.profile.central()?;
    let central_m = cutoff_m(&params.capture, settings.capture_floor);
    let hung: Vec<bool> = input
        .placements
        .iter()
        .map(|p| p.hung <= settings.as_of)
        .collect();
    let central_field = Field::new(input, &weights, &hung, central_m);
    let central = Central {
        input,
        clocks: &clocks,
        setting: &setting,
        field: &central_field,
        records: &records,
        params: &params,
    };
    let actual = central.actual()?;
    let to_date: Vec<f64> = actual
        .sensitivity
        .iter()
        .map(|s| s.last().copied().unwrap_or(0.0))
        .collect();
    let losses = central.losses(&to_date)?;
    let (visits, covered) = central.next_visits()?;
    let trap_days = central.trap_days()?;
    let central_climate = Climate::new(input, &setting, &params, DayWeight::Flight)?;

    let drawn = draws(input)?;
    let run = run_draws(input, evidence, &weights, &setting, &records, &drawn, &params)?;
    let facts = run.facts;
    let central_joint = run.prepared.as_ref().and_then(|prepared| {
        prepared.join(
            &setting,
            &central_field,
            &actual,
            &params,
            &central_climate,
            settings.capture_floor,
            &mut Scratch::default(),
        )
    });
    let stated = central_joint.as_ref().map_or(&actual, |j| &j.outcome);
    let traps: Vec<&Outcome> = run.outcomes.iter().map(|(traps, _)| traps).collect();
    let joints: Vec<&Joint> = run.outcomes.iter().filter_map(|(_, j)| j.as_ref()).collect();
    let outcomes: Vec<&Outcome> = run
        .outcomes
        .iter()
        .map(|(traps, joint)| joint.as_ref().map_or(traps, |j| &j.outcome))
        .collect();

    let zone_of = field::zones_of_placements(input);
    let mut zones = Vec::with_capacity(input.zones.len());
    for (zone, (((losses, lost_in_all), next_visits), covered_weight)) in
        losses.into_iter().zip(visits).zip(covered).enumerate()
    {
        let found_on = input
            .finds
            .iter()
            .filter(|f| f.zone == zone && f.date <= settings.as_of)
            .map(|f| f.date)
            .min();
        let mine = || (0..records.len()).filter(|i| zone_of[*i] == Some(zone));
        let covered_weight = covered_weight.min(1.0);
        let placements = mine().filter(|i| records[*i].calendar_days > 0).count();
        let components = match (&run.prepared, &central_joint) {
            (Some(prepared), Some(joint)) => prepared.components(
                zone,
                found_on.is_some(),
                (placements, covered_weight),
                &traps,
                &joints,
                (&actual, joint),
            ),
            _ => Vec::new(),
        };
        zones.push(ZoneAssurance {
            zone: input.zones[zone].label.clone(),
            found_on,
            periods: periods(
                &setting.calendar,
                &outcomes,
                zone,
                found_on,
                &central_climate.flight_of,
            ),
            central_sensitivity: stated.sensitivity[zone].last().copied().unwrap_or(0.0),
            central_p_free: found_on
                .is_none()
                .then(|| stated.p_free[zone].last().copied())
                .flatten(),
            components,
            covered_weight,
            cells: input
                .cells
                .iter()
                .zip(&weights)
                .filter(|(c, w)| c.zone == zone && **w > 0.0)
                .count(),
            placements,
            calendar_trap_days: mine().map(|i| f64::from(records[i].calendar_days)).sum(),
            effective_trap_days: mine().map(|i| trap_days[i].0).sum(),
            waiting_trap_days: mine().map(|i| trap_days[i].1).sum(),
            losses,
            lost_in_all,
            next_visits,
        });
    }
    Ok(Assurance {
        target: input.profile.id.clone(),
        as_of: settings.as_of,
        draws: settings.draws,
        seed: settings.seed,
        flight_to_date: band(outcomes.iter().map(|o| o.flight_to_date)),
        pairs: facts.pairs,
        pair_distance_m: facts.distance_m,
        draws_cut_short: facts.cut_short,
        warnings: input.profile.warnings(),
        zones,
    })
}

fn check_records(input: &Input<'_>) -> Result<(), ModelError> {
    for zone in input.zones {
        if let Some(prior) = zone.prior_infested {
            check(
                "a zone's prior probability of infestation",
                prior,
                (0.0..=1.0).contains(&prior),
                "0 to 1",
            )?;
        }
    }
    for find in input.finds {
        if find.zone >= input.zones.len() {
            return Err(ModelError::Inconsistent(format!(
                "the find of {} lies in no zone",
                find.date
            )));
        }
    }
    for placement in input.placements {
        for visit in &placement.visits {
            visit.check().map_err(|e| {
                ModelError::Inconsistent(format!("visit to {} on {}: {e}", placement.label, visit.date))
            })?;
        }
    }
    Ok(())
}

/// The parameters of every draw.
fn draws(input: &Input<'_>) -> Result<Vec<DrawnParams>, ModelError> {
    (0..input.settings.draws)
        .into_par_iter()
        .map(|draw| {
            let mut rng = ChaCha8Rng::seed_from_u64(input.settings.seed);
            rng.set_stream(u64::from(draw));
            input.profile.drawn(&mut rng)
        })
        .collect()
}

/// What was kept and what was cut.
struct Facts {
    pairs: usize,
    distance_m: f64,
    cut_short: u32,
}

/// All draws.
struct Run {
    /// What the traps say, and what they say together with other evidence.
    outcomes: Vec<(Outcome, Option<Joint>)>,
    prepared: Option<Prepared>,
    facts: Facts,
}

fn run_draws(
    input: &Input<'_>,
    evidence: &Evidence,
    weights: &[f64],
    setting: &Setting,
    records: &[Record],
    drawn: &[DrawnParams],
    central: &DrawnParams,
) -> Result<Run, ModelError> {
    let floor = input.settings.capture_floor;
    let credited: Vec<bool> = records.iter().map(|r| !r.credited.is_empty()).collect();
    let cutoffs: Vec<f64> = drawn.iter().map(|p| cutoff_m(&p.capture, floor)).collect();
    let longest = cutoffs.iter().copied().fold(0.0, f64::max);
    let field = Field::new(input, weights, &credited, longest);
    let effort = Effort::of(
        setting,
        field.traps.iter().map(|trap| records[*trap].credited.as_slice()),
    );
    let prepared = Prepared::new(
        input,
        evidence,
        weights,
        setting,
        records,
        drawn.iter().chain([central]),
        longest.max(cutoff_m(&central.capture, floor)),
    )?;
    let outcomes = drawn
        .par_iter()
        .map_init(Scratch::default, |scratch, params| {
            let climate = Climate::new(input, setting, params, DayWeight::Flight)?;
            let traps = evaluate(setting, &field, &effort, params, &climate, floor, scratch)?;
            let joint = prepared
                .as_ref()
                .and_then(|p| p.join(setting, &field, &traps, params, &climate, floor, scratch));
            Ok((traps, joint))
        })
        .collect::<Result<_, ModelError>>()?;
    let short = |cutoff: &&f64| !field.pairs.is_empty() && **cutoff > field.distance_m;
    let facts = Facts {
        pairs: field.pairs.len(),
        distance_m: field.distance_m,
        cut_short: u32::try_from(cutoffs.iter().filter(short).count()).unwrap_or(u32::MAX),
    };
    Ok(Run {
        outcomes,
        prepared,
        facts,
    })
}

fn periods(
    calendar: &Calendar,
    outcomes: &[&Outcome],
    zone: usize,
    found_on: Option<Date>,
    flight: &[f64],
) -> Vec<PeriodFigures> {
    calendar.periods[..calendar.to_date]
        .iter()
        .enumerate()
        .map(|(t, (from, to))| {
            let last = plus_days(calendar.start, i64::from(*to) - 1);
            let free = || band(outcomes.iter().map(|o| o.p_free[zone][t]));
            PeriodFigures {
                from: plus_days(calendar.start, i64::from(*from)),
                to: last,
                flight_share: flight[t],
                sensitivity: band(outcomes.iter().map(|o| o.sensitivity[zone][t])),
                p_free: found_on.is_none_or(|found| last < found).then(free),
            }
        })
        .collect()
}

/// Median and 5–95 % band, interpolated between the two nearest draws.
fn band(values: impl Iterator<Item = f64>) -> Band {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let at = |q: f64| {
        let place = q * (sorted.len() - 1) as f64;
        let (low, high) = (place.floor() as usize, place.ceil() as usize);
        sorted[low] + (place - place.floor()) * (sorted[high] - sorted[low])
    };
    Band {
        p05: at(0.05),
        median: at(0.5),
        p95: at(0.95),
    }
}
