//! Which traps reach which cells, sorted so that neighbours lie together in memory.

use std::collections::HashMap;

use rayon::prelude::*;

use super::types::{Cell, Input};
use crate::error::{ModelError, check};

/// Most cell-trap pairs kept; beyond it the distance is cut (which can only lower sensitivity).
pub(super) const MOST_PAIRS: usize = 12_000_000;
/// Cells worked on together: one vector register or a few.
pub(super) const LANES: usize = 8;

/// The cells within reach of traps, and the traps within reach of cells.
#[derive(Debug, Clone, Default)]
pub(super) struct Field {
    /// Cell index (into the input) of every slot, `usize::MAX` for a slot that only fills up a block. Slots come in
    /// blocks of [`LANES`], all of one zone.
    pub(super) cells: Vec<usize>,
    /// Normalised weight of every slot; 0 for fillers.
    pub(super) weights: Vec<f64>,
    /// Zone of every block.
    pub(super) block_zone: Vec<usize>,
    /// Pairs of slot `s` are `pairs[starts[s]..starts[s + 1]]`, nearest trap first.
    pub(super) starts: Vec<usize>,
    /// Trap (index into [`Field::traps`]) and distance in metres.
    pub(super) pairs: Vec<Pair>,
    /// Placement (index into the input) of every trap here.
    pub(super) traps: Vec<usize>,
    /// Weight of a zone's cells that no trap reaches; 1 for a zone without any weight.
    pub(super) untouched: Vec<f64>,
    /// Weight of a zone's cells that some trap reaches, summed as the escapes are, so that no effort gives exactly 0.
    pub(super) touched: Vec<f64>,
    /// Greatest distance looked at, metres.
    pub(super) distance_m: f64,
}

/// A trap within reach of a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    pub(super) trap: u32,
    pub(super) distance_m: f32,
}

fn check_metres(what: &'static str, value: f64) -> Result<f64, ModelError> {
    check(
        what,
        value,
        value.abs() <= 1e9,
        "a number within a million kilometres of the origin",
    )
}

/// Checks cells and placements and says, per cell, its weight normalised over its zone.
pub(super) fn normalised_weights(input: &Input<'_>) -> Result<Vec<f64>, ModelError> {
    let mut totals = vec![0.0; input.zones.len()];
    for (index, cell) in input.cells.iter().enumerate() {
        check_metres("a cell's easting in metres", cell.x_m)?;
        check_metres("a cell's northing in metres", cell.y_m)?;
        check("a cell's weight", cell.weight, cell.weight >= 0.0, "0 or more")?;
        match totals.get_mut(cell.zone) {
            Some(total) => *total += cell.weight,
            None => {
                return Err(ModelError::Inconsistent(format!(
                    "cell {index} lies in zone {} but there are {} zones",
                    cell.zone,
                    input.zones.len()
                )));
            }
        }
    }
    for (placement, index) in input.placements.iter().zip(0..) {
        check_metres("a placement's easting in metres", placement.x_m)?;
        check_metres("a placement's northing in metres", placement.y_m)?;
        if placement
            .zone
            .is_some_and(|zone: usize| zone >= input.zones.len())
        {
            return Err(ModelError::Inconsistent(format!(
                "placement {index} ({}) is reported under a zone that does not exist",
                placement.label
            )));
        }
        if placement.taken_down.is_some_and(|down| down < placement.hung) {
            return Err(ModelError::Inconsistent(format!(
                "trap {} was taken down before it was hung on {}",
                placement.label, placement.hung
            )));
        }
    }
    let share = |cell: &Cell| {
        if totals[cell.zone] > 0.0 {
            cell.weight / totals[cell.zone]
        } else {
            0.0
        }
    };
    Ok(input.cells.iter().map(share).collect())
}

/// Squares of one size over points, for finding near ones.
struct Squares {
    side_m: f64,
    members: HashMap<(i64, i64), Vec<u32>>,
}

impl Squares {
    fn new(side_m: f64, points: &[(f64, f64)]) -> Self {
        let mut members: HashMap<(i64, i64), Vec<u32>> = HashMap::new();
        for (index, point) in (0u32..).zip(points) {
            members.entry(square(side_m, *point)).or_default().push(index);
        }
        Squares { side_m, members }
    }

    fn around(&self, point: (f64, f64), rings: i64) -> impl Iterator<Item = u32> + '_ {
        let (column, row) = square(self.side_m, point);
        (-rings..=rings)
            .flat_map(move |dx| (-rings..=rings).map(move |dy| (column + dx, row + dy)))
            .filter_map(|key| self.members.get(&key))
            .flatten()
            .copied()
    }
}

fn square(side_m: f64, (x, y): (f64, f64)) -> (i64, i64) {
    ((x / side_m).floor() as i64, (y / side_m).floor() as i64)
}

/// Interleaves the bits of a square's column and row: near squares get near numbers.
fn morton((column, row): (i64, i64)) -> u64 {
    let spread = |value: i64| {
        let mut v =
            (value.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) - i64::from(i32::MIN)).cast_unsigned();
        v = (v | (v << 16)) & 0x0000_ffff_0000_ffff;
        v = (v | (v << 8)) & 0x00ff_00ff_00ff_00ff;
        v = (v | (v << 4)) & 0x0f0f_0f0f_0f0f_0f0f;
        v = (v | (v << 2)) & 0x3333_3333_3333_3333;
        (v | (v << 1)) & 0x5555_5555_5555_5555
    };
    spread(column) | (spread(row) << 1)
}

/// Distance up to which pairs are kept: `wanted_m`, or less where that would make too many pairs (judged on a sample).
fn affordable_m(wanted_m: f64, cells: &[(f64, f64)], traps: &[(f64, f64)], most: usize) -> f64 {
    const SAMPLE: usize = 64;
    if cells.is_empty() || traps.is_empty() || cells.len() * traps.len() <= most {
        return wanted_m;
    }
    let step = traps.len().div_ceil(SAMPLE);
    let sample: Vec<_> = traps.iter().step_by(step).collect();
    let mut distances: Vec<f64> = sample
        .par_iter()
        .flat_map_iter(|t| {
            cells
                .iter()
                .map(|c| (c.0 - t.0).hypot(c.1 - t.1))
                .filter(|d| *d <= wanted_m)
        })
        .collect();
    let keep = (most as f64 * sample.len() as f64 / traps.len() as f64) as usize;
    if distances.len() <= keep {
        return wanted_m;
    }
    *distances.select_nth_unstable_by(keep, f64::total_cmp).1
}

impl Field {
    /// Finds the pairs within `wanted_m`. `active` tells which placements matter.
    pub(super) fn new(input: &Input<'_>, weights: &[f64], active: &[bool], wanted_m: f64) -> Self {
        Self::with_most_pairs(input, weights, active, wanted_m, MOST_PAIRS)
    }

    pub(super) fn with_most_pairs(
        input: &Input<'_>,
        weights: &[f64],
        active: &[bool],
        wanted_m: f64,
        most: usize,
    ) -> Self {
        let mut untouched = vec![1.0; input.zones.len()];
        input
            .cells
            .iter()
            .zip(weights)
            .filter(|(_, w)| **w > 0.0)
            .for_each(|(c, _)| untouched[c.zone] = 0.0);
        let touched = vec![0.0; input.zones.len()];
        let at = |c: &Cell| (c.x_m, c.y_m);
        let mut traps: Vec<usize> = (0..input.placements.len()).filter(|i| active[*i]).collect();
        let place = |i: usize| (input.placements[i].x_m, input.placements[i].y_m);
        let heavy: Vec<usize> = (0..input.cells.len()).filter(|i| weights[*i] > 0.0).collect();
        if wanted_m <= 0.0 || traps.is_empty() {
            heavy
                .iter()
                .for_each(|i| untouched[input.cells[*i].zone] += weights[*i]);
            return Field {
                untouched,
                touched,
                starts: vec![0],
                ..Field::default()
            };
        }
        let cell_points: Vec<_> = heavy.iter().map(|i| at(&input.cells[*i])).collect();
        let trap_points: Vec<_> = traps.iter().map(|i| place(*i)).collect();
        let distance_m = affordable_m(wanted_m, &cell_points, &trap_points, most);
        let side_m = distance_m.max(1.0);
        let fine_m = side_m / 4.0;
        // A fixed order whatever the order of the input, down to the last digit of the sums.
        traps.sort_by(|a, b| {
            let (pa, pb) = (&input.placements[*a], &input.placements[*b]);
            morton(square(fine_m, place(*a)))
                .cmp(&morton(square(fine_m, place(*b))))
                .then_with(|| pa.x_m.total_cmp(&pb.x_m))
                .then_with(|| pa.y_m.total_cmp(&pb.y_m))
                .then_with(|| (pa.hung, &pa.label).cmp(&(pb.hung, &pb.label)))
        });
        let trap_points: Vec<_> = traps.iter().map(|i| place(*i)).collect();
        let squares = Squares::new(side_m, &trap_points);
        let mut found: Vec<(usize, Vec<Pair>)> = heavy
            .par_iter()
            .map(|index| {
                let point = at(&input.cells[*index]);
                let mut near: Vec<Pair> = squares
                    .around(point, 1)
                    .map(|trap| {
                        let (x, y) = trap_points[trap as usize];
                        Pair {
                            trap,
                            distance_m: (x - point.0).hypot(y - point.1) as f32,
                        }
                    })
                    .filter(|pair| f64::from(pair.distance_m) <= distance_m)
                    .collect();
                near.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m).then(a.trap.cmp(&b.trap)));
                (*index, near)
            })
            .collect();
        found.sort_by(|(a, _), (b, _)| {
            let (ca, cb) = (&input.cells[*a], &input.cells[*b]);
            let key = |c: &Cell| (c.zone, morton(square(fine_m, at(c))));
            key(ca)
                .cmp(&key(cb))
                .then_with(|| ca.x_m.total_cmp(&cb.x_m))
                .then_with(|| ca.y_m.total_cmp(&cb.y_m))
                .then_with(|| ca.weight.total_cmp(&cb.weight))
        });
        let mut field = Field {
            traps,
            untouched,
            distance_m,
            starts: vec![0],
            ..Field::default()
        };
        for (index, pairs) in found {
            let zone = input.cells[index].zone;
            if pairs.is_empty() {
                field.untouched[zone] += weights[index];
                continue;
            }
            if field.cells.len().is_multiple_of(LANES) || field.block_zone.last() != Some(&zone) {
                field.fill_block();
                field.block_zone.push(zone);
            }
            field.cells.push(index);
            field.weights.push(weights[index]);
            field.pairs.extend(pairs);
            field.starts.push(field.pairs.len());
        }
        field.fill_block();
        field.touched = field.sum_touched(input.zones.len());
        field
    }

    fn sum_touched(&self, zones: usize) -> Vec<f64> {
        let mut sums = vec![[0.0; LANES]; zones];
        for (zone, block) in self.block_zone.iter().zip(self.weights.chunks_exact(LANES)) {
            sums[*zone]
                .iter_mut()
                .zip(block)
                .for_each(|(sum, weight)| *sum += weight);
        }
        sums.iter().map(|lanes| lanes.iter().sum()).collect()
    }

    fn fill_block(&mut self) {
        while !self.cells.len().is_multiple_of(LANES) {
            self.cells.push(usize::MAX);
            self.weights.push(0.0);
            self.starts.push(self.pairs.len());
        }
    }

    pub(super) fn pairs_of(&self, slot: usize) -> &[Pair] {
        &self.pairs[self.starts[slot]..self.starts[slot + 1]]
    }
}

/// Zone of each placement: as told, or that of the nearest cell; `None` where there is no cell at all.
pub(super) fn zones_of_placements(input: &Input<'_>) -> Vec<Option<usize>> {
    if input.cells.is_empty() || input.placements.iter().all(|p| p.zone.is_some()) {
        return input.placements.iter().map(|p| p.zone).collect();
    }
    let points: Vec<_> = input.cells.iter().map(|c| (c.x_m, c.y_m)).collect();
    let bounds = points
        .iter()
        .fold((f64::MAX, f64::MAX, f64::MIN, f64::MIN), |b, p| {
            (b.0.min(p.0), b.1.min(p.1), b.2.max(p.0), b.3.max(p.1))
        });
    let area = (bounds.2 - bounds.0).max(1.0) * (bounds.3 - bounds.1).max(1.0);
    // About two cells to a square.
    let side_m = (2.0 * area / points.len() as f64).sqrt().max(1.0);
    let squares = Squares::new(side_m, &points);
    let nearest = |x: f64, y: f64| {
        let distance = |i: u32| (points[i as usize].0 - x).hypot(points[i as usize].1 - y);
        let best = |candidates: &mut dyn Iterator<Item = u32>| {
            candidates.min_by(|a, b| distance(*a).total_cmp(&distance(*b)).then(a.cmp(b)))
        };
        for rings in [1, 4, 16] {
            if let Some(index) = best(&mut squares.around((x, y), rings))
                && distance(index) <= rings as f64 * side_m
            {
                return Some(index);
            }
        }
        best(&mut (0..points.len() as u32))
    };
    input
        .placements
        .par_iter()
        .map(|p| {
            p.zone
                .or_else(|| nearest(p.x_m, p.y_m).map(|i| input.cells[i as usize].zone))
        })
        .collect()
}
