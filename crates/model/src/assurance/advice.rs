//! What cost most, and which visit would add most: questions asked at central parameters.

use rayon::prelude::*;

use super::draw::{Climate, DayWeight, Effort, Hazards, Outcome, Scratch, Setting, evaluate};
use super::field::Field;
use super::kernel::{exp_neg, one_minus_exp_neg};
use super::schedule::{ALWAYS_FRESH, Clocks, Record, Segment, WhatIf, walk};
use super::types::{Cause, Input, Loss, NextVisit};
use crate::error::ModelError;
use crate::profile::DrawnParams;
use crate::weather::plus_days;

/// Differences in sensitivity below this are rounding.
const NOTHING: f64 = 1e-12;

/// The central view of a programme: everything that is asked once, not once per draw.
pub(super) struct Central<'a> {
    pub(super) input: &'a Input<'a>,
    pub(super) clocks: &'a Clocks,
    pub(super) setting: &'a Setting,
    pub(super) field: &'a Field,
    pub(super) records: &'a [Record],
    pub(super) params: &'a DrawnParams,
}

/// Days on which the lures of these records were fitted, sorted.
pub(super) fn lure_days(records: &[Record]) -> Vec<i32> {
    let mut days: Vec<i32> = records
        .iter()
        .flat_map(|r| [&r.credited, &r.waiting, &r.ahead, &r.ahead_renewed])
        .flatten()
        .map(|s| s.lure)
        .filter(|day| *day != ALWAYS_FRESH)
        .collect();
    days.sort_unstable();
    days.dedup();
    days
}

impl Central<'_> {
    /// Outcome of some records at central parameters.
    fn outcome(&self, records: &[Record]) -> Result<Outcome, ModelError> {
        let setting = Setting {
            lure_days: lure_days(records),
            ..self.setting.clone()
        };
        let climate = Climate::new(self.input, &setting, self.params, DayWeight::Flight)?;
        let effort = Effort::of(
            &setting,
            self.field
                .traps
                .iter()
                .map(|trap| records[*trap].credited.as_slice()),
        );
        let floor = self.input.settings.capture_floor;
        evaluate(
            &setting,
            self.field,
            &effort,
            self.params,
            &climate,
            floor,
            &mut Scratch::default(),
        )
    }

    /// Outcome of the visits really made.
    pub(super) fn actual(&self) -> Result<Outcome, ModelError> {
        self.outcome(self.records)
    }

    /// Losses of each zone by cause, largest first, and the loss in all.
    pub(super) fn losses(&self, actual: &[f64]) -> Result<Vec<(Vec<Loss>, f64)>, ModelError> {
        let mut asked: Vec<(Option<Cause>, WhatIf)> = Cause::ALL
            .iter()
            .map(|cause| (Some(*cause), WhatIf::without(*cause)))
            .collect();
        asked.push((None, WhatIf::EVERYTHING));
        let answers: Vec<(Option<Cause>, Vec<f64>)> = asked
            .into_par_iter()
            .map(|(cause, what_if)| {
                let walk = |placement| walk(&self.setting.calendar, self.clocks, placement, what_if);
                let records: Vec<Record> = self.input.placements.par_iter().map(walk).collect();
                let outcome = self.outcome(&records)?;
                Ok((
                    cause,
                    outcome
                        .sensitivity
                        .iter()
                        .map(|s| s.last().copied().unwrap_or(0.0))
                        .collect(),
                ))
            })
            .collect::<Result<_, ModelError>>()?;
        Ok(actual
            .iter()
            .enumerate()
            .map(|(zone, actual)| {
                let mut losses = Vec::new();
                let mut in_all: f64 = 0.0;
                for (cause, sensitivity) in &answers {
                    let lost = sensitivity[zone] - actual;
                    match cause {
                        Some(cause) if lost > NOTHING => losses.push(Loss {
                            cause: *cause,
                            sensitivity: lost,
                        }),
                        Some(_) => {}
                        None => in_all = lost.max(0.0),
                    }
                }
                losses.sort_by(|a, b| b.sensitivity.total_cmp(&a.sensitivity));
                (losses, in_all)
            })
            .collect())
    }

    /// Next visits of each zone, those that add most first, and the weight of each zone that has seen any effort.
    pub(super) fn next_visits(&self) -> Result<(Vec<Vec<NextVisit>>, Vec<f64>), ModelError> {
        let calendar = &self.setting.calendar;
        let climate = Climate::new(self.input, self.setting, self.params, DayWeight::Flight)?;
        let days = Climate::new(self.input, self.setting, self.params, DayWeight::AnyFlight)?;
        let hazards = Hazards::new(
            self.params.capture,
            self.input.settings.capture_floor,
            self.field.distance_m,
        );
        let exposure: Vec<f64> = climate
            .flight_of
            .iter()
            .map(|f| f * self.params.screening * self.params.flyers)
            .collect();
        let trap_means = |parts: &[fn(&Record) -> &[Segment]]| -> Vec<Vec<f64>> {
            let mean = |trap: &usize| {
                let mut means = vec![0.0; calendar.periods.len()];
                parts
                    .iter()
                    .for_each(|part| climate.add_means(part(&self.records[*trap]), &mut means));
                means
            };
            self.field.traps.par_iter().map(mean).collect()
        };
        let credited = trap_means(&[|r| &r.credited]);
        let all = trap_means(&[|r| &r.credited, |r| &r.waiting, |r| &r.ahead]);
        let now = Searched::new(self.field, &hazards, &credited, &exposure);
        let later = Searched::new(self.field, &hazards, &all, &exposure);
        let zones = self.input.zones.len();
        let mut covered = vec![0.0; zones];
        for (slot, seen) in now.log_escape.iter().enumerate() {
            if *seen > 0.0 {
                covered[self.field.block_zone[slot / super::field::LANES]] += self.field.weights[slot];
            }
        }
        let reached = reached_by_trap(self.field);
        let gains: Vec<(usize, Vec<(f64, f64)>)> = self
            .field
            .traps
            .par_iter()
            .zip(&reached)
            .map(|(placement, slots)| {
                let record = &self.records[*placement];
                let (mut waiting, mut better) = (
                    vec![0.0; calendar.periods.len()],
                    vec![0.0; calendar.periods.len()],
                );
                climate.add_means(&record.waiting, &mut waiting);
                climate.add_means(&record.ahead_renewed, &mut better);
                let mut as_is = vec![0.0; calendar.periods.len()];
                climate.add_means(&record.ahead, &mut as_is);
                better
                    .iter_mut()
                    .zip(&as_is)
                    .for_each(|(b, a)| *b = (*b - a).max(0.0));
                let mut gain = vec![(0.0, 0.0); zones];
                for (slot, distance_m) in slots {
                    let Some(hazard) = hazards.at(f64::from(*distance_m)) else {
                        continue;
                    };
                    let zone = self.field.block_zone[*slot as usize / super::field::LANES];
                    let weight = self.field.weights[*slot as usize];
                    gain[zone].0 += weight * now.gain(*slot as usize, hazard, &waiting, &exposure);
                    gain[zone].1 += weight * later.gain(*slot as usize, hazard, &better, &exposure);
                }
                (*placement, gain)
            })
            .collect();
        let mut visits = vec![Vec::new(); zones];
        for (placement, gain) in &gains {
            let record = &self.records[*placement];
            for (list, (from_look, from_renewal)) in visits.iter_mut().zip(gain) {
                if from_look + from_renewal > NOTHING {
                    list.push(NextVisit {
                        label: self.input.placements[*placement].label.clone(),
                        placement: *placement,
                        from_look: *from_look,
                        from_renewal: *from_renewal,
                        waiting_trap_days: days.total(&record.waiting),
                        last_look: record
                            .last_look
                            .map(|day| plus_days(calendar.start, i64::from(day))),
                    });
                }
            }
        }
        for list in &mut visits {
            let total = |v: &NextVisit| v.from_look + v.from_renewal;
            list.sort_by(|a, b| {
                total(b)
                    .total_cmp(&total(a))
                    .then_with(|| a.label.cmp(&b.label))
                    .then(a.placement.cmp(&b.placement))
            });
            list.truncate(self.input.settings.next_visits);
        }
        Ok((visits, covered))
    }

    /// Effective trap-days of every placement: looked at, and waiting for a look.
    pub(super) fn trap_days(&self) -> Result<Vec<(f64, f64)>, ModelError> {
        let days = Climate::new(self.input, self.setting, self.params, DayWeight::AnyFlight)?;
        Ok(self
            .records
            .iter()
            .map(|r| (days.total(&r.credited), days.total(&r.waiting)))
            .collect())
    }
}

/// How thoroughly every cell has been searched.
struct Searched {
    periods: usize,
    /// `exp(-hazard)` of every slot and period.
    left: Vec<f64>,
    /// `-ln` of the chance that an incursion in the slot was missed.
    log_escape: Vec<f64>,
}

impl Searched {
    fn new(field: &Field, hazards: &Hazards, means: &[Vec<f64>], exposure: &[f64]) -> Self {
        let periods = exposure.len();
        let slot = |slot: usize| {
            let mut sum = vec![0.0; periods];
            for pair in field.pairs_of(slot) {
                let Some(hazard) = hazards.at(f64::from(pair.distance_m)) else {
                    break;
                };
                sum.iter_mut()
                    .zip(&means[pair.trap as usize])
                    .for_each(|(s, m)| *s += hazard * m);
            }
            let log_escape: f64 = sum
                .iter()
                .zip(exposure)
                .map(|(a, x)| x * one_minus_exp_neg(*a))
                .sum();
            sum.iter_mut().for_each(|a| *a = exp_neg(*a));
            (sum, log_escape)
        };
        let slots: Vec<(Vec<f64>, f64)> = (0..field.cells.len()).into_par_iter().map(slot).collect();
        let log_escape = slots.iter().map(|s| s.1).collect();
        Searched {
            periods,
            left: slots.into_iter().flat_map(|s| s.0).collect(),
            log_escape,
        }
    }

    /// What more effort of one trap adds to the chance of seeing an incursion in a cell.
    fn gain(&self, slot: usize, hazard: f64, more: &[f64], exposure: &[f64]) -> f64 {
        let left = &self.left[slot * self.periods..(slot + 1) * self.periods];
        let added: f64 = left
            .iter()
            .zip(more)
            .zip(exposure)
            .filter(|((_, more), _)| **more > 0.0)
            .map(|((left, more), exposure)| exposure * left * one_minus_exp_neg(hazard * more))
            .sum();
        if added > 0.0 {
            exp_neg(self.log_escape[slot]) * one_minus_exp_neg(added)
        } else {
            0.0
        }
    }
}

/// Slots and distances reached by every trap.
fn reached_by_trap(field: &Field) -> Vec<Vec<(u32, f32)>> {
    let mut out = vec![Vec::new(); field.traps.len()];
    for slot in 0..field.cells.len() {
        for pair in field.pairs_of(slot) {
            // Slots are fewer than cells plus fillers: they fit.
            out[pair.trap as usize].push((slot as u32, pair.distance_m));
        }
    }
    out
}
