//! The same question asked of every cell: would an incursion that sits here have been seen by now?

use rayon::prelude::*;

use super::advice::lure_days;
use super::draw::{Climate, DayWeight, Effort, Scratch, Setting, cutoff_m, seen_by_slot};
use super::evidence::{Evidence, Prepared};
use super::field::{self, Field};
use super::schedule::{Calendar, Clocks, Record, WhatIf, walk};
use super::types::{Band, Input};
use super::{band, check_records, draws};
use crate::error::ModelError;
use crate::profile::DrawnParams;

/// What is known of one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellSeen {
    /// Sensitivity to date at central parameters.
    pub central: f64,
    /// Median and band over the draws.
    pub band: Band,
}

impl CellSeen {
    /// A cell that no trap reaches, or whose weight is 0.
    const NOTHING: CellSeen = CellSeen {
        central: 0.0,
        band: Band {
            p05: 0.0,
            median: 0.0,
            p95: 0.0,
        },
    };
}

/// Sensitivity to date of every cell, in the order of the input: the chance that the design incursion, had it sat in that
/// cell all season, would have been seen by the as-of date. The zones' figures of [`super::assess`] are the means of these,
/// draw by draw, weighted by the cells' weights. Cells of weight 0 are not reckoned and read 0.
///
/// # Errors
/// As [`super::assess`].
pub fn by_cell(input: &Input<'_>) -> Result<Vec<CellSeen>, ModelError> {
    by_cell_with(input, &Evidence::default())
}

/// One draw: by slot of the field, by place of the evidence, and what the public's silence leaves, by zone.
struct One<T> {
    slots: Vec<T>,
    places: Vec<T>,
    silence: Vec<f64>,
}

/// As [`by_cell`], with evidence beside the traps joined to them, as in [`super::assess_with`].
///
/// # Errors
/// As [`super::assess_with`].
pub fn by_cell_with(input: &Input<'_>, evidence: &Evidence) -> Result<Vec<CellSeen>, ModelError> {
    let settings = input.settings;
    settings.check()?;
    check_records(input)?;
    let weights = field::normalised_weights(input)?;
    let calendar = Calendar::new(input)?;
    let clocks = Clocks::new(&input.profile.clocks, settings.catch_spoils)?;
    let records: Vec<Record> = input
        .placements
        .par_iter()
        .map(|placement| walk(&calendar, &clocks, placement, WhatIf::default()))
        .collect();
    let setting = Setting {
        calendar,
        lure_days: lure_days(&records),
        priors: input.zones.iter().map(|z| z.prior_infested).collect(),
    };
    let floor = settings.capture_floor;
    let central = input.profile.central()?;
    let drawn = draws(input)?;
    let longest = drawn
        .iter()
        .chain([&central])
        .map(|p| cutoff_m(&p.capture, floor))
        .fold(0.0, f64::max);
    let credited: Vec<bool> = records.iter().map(|r| !r.credited.is_empty()).collect();
    let field = Field::new(input, &weights, &credited, longest);
    let segments = field.traps.iter().map(|trap| records[*trap].credited.as_slice());
    let effort = Effort::of(&setting, segments);
    let prepared = Prepared::new(
        input,
        evidence,
        &weights,
        &setting,
        &records,
        drawn.iter().chain([&central]),
        longest,
    )?;
    let one = |scratch: &mut Scratch, params: &DrawnParams| -> Result<One<f64>, ModelError> {
        let climate = Climate::new(input, &setting, params, DayWeight::Flight)?;
        let slots = seen_by_slot(&setting, &field, &effort, params, &climate, floor, scratch);
        let (places, silence) = prepared
            .as_ref()
            .and_then(|p| p.join_cells(&setting, params, &climate, floor, scratch))
            .unwrap_or_default();
        Ok(One {
            slots,
            places,
            silence,
        })
    };
    let middle = one(&mut Scratch::default(), &central)?;
    let all: Vec<One<f32>> = drawn
        .par_iter()
        .map_init(Scratch::default, |scratch, params| {
            // Half the memory; a hundred thousand cells and as many draws as anybody waits for still fit.
            let narrow = |values: Vec<f64>| values.into_iter().map(|v| v as f32).collect();
            let of = one(scratch, params)?;
            Ok(One {
                slots: narrow(of.slots),
                places: narrow(of.places),
                silence: of.silence,
            })
        })
        .collect::<Result<_, ModelError>>()?;
    let mut cells = vec![CellSeen::NOTHING; input.cells.len()];
    let silent = middle.silence.iter().any(|left| *left < 1.0);
    if silent {
        // Where no trap is near the public's silence speaks alone.
        for (out, (cell, weight)) in cells.iter_mut().zip(input.cells.iter().zip(&weights)) {
            if *weight > 0.0 {
                *out = CellSeen {
                    central: 1.0 - middle.silence[cell.zone],
                    band: band(all.iter().map(|draw| 1.0 - draw.silence[cell.zone])),
                };
            }
        }
    }
    for (slot, &cell) in field.cells.iter().enumerate() {
        if let Some(out) = cells.get_mut(cell) {
            let zone = input.cells[cell].zone;
            // No silence leaves the traps' figure as it is, to the last digit.
            let with = |seen: f64, silence: &[f64]| match silence.get(zone) {
                Some(left) if *left < 1.0 => 1.0 - (1.0 - seen) * left,
                _ => seen,
            };
            *out = CellSeen {
                central: with(middle.slots[slot], &middle.silence),
                band: band(
                    all.iter()
                        .map(|draw| with(f64::from(draw.slots[slot]), &draw.silence)),
                ),
            };
        }
    }
    for (place, cell) in prepared.iter().flat_map(Prepared::cells).enumerate() {
        cells[cell] = CellSeen {
            central: middle.places[place],
            band: band(all.iter().map(|draw| f64::from(draw.places[place]))),
        };
    }
    Ok(cells)
}
