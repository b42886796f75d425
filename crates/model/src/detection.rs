//! The detection surface: what a network of traps would catch of insects that start at each of many points.
//!
//! For a point c the hazards of all traps add up, `H_c = sum_i e_i a_ic`, with `a = -ln(1 - p)` the capture hazard of one
//! flight life and `e` the trap's exposure (lure potency times share of the time it was up, or a number of days). The
//! chance of being caught is then `1 - exp(-H_c)`: traps compete and one insect is never caught twice.
//!
//! Coordinates are metres on any plane in which distances are right; positions on the globe are projected before they
//! come here. Results are the same to the last bit whatever the number of threads.

mod index;
mod kernel;
mod network;

use std::ops::Range;

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::capture::{Capture, Form};
use crate::error::{ModelError, check};
use index::Index;
use kernel::{Gather, Row, Scratch, Term, Tile};
pub use network::{DiffusingPopulation, mean_capture_in_lattice};

/// Slots in a tile: what a core's cache holds comfortably. Tiles are whole strips, so a tile may have more.
const TILE_SLOTS: usize = 8192;

/// A point of the plane, metres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// East, metres.
    pub x_m: f64,
    /// North, metres.
    pub y_m: f64,
}

impl Point {
    /// Distance to another point, metres.
    pub fn distance_m(self, other: Point) -> f64 {
        (self.x_m - other.x_m).hypot(self.y_m - other.y_m)
    }

    fn check(self) -> Result<(), ModelError> {
        check("x", self.x_m, true, "a number of metres")?;
        check("y", self.y_m, true, "a number of metres").map(drop)
    }
}

/// A regular grid of points: cell `row * cols + col` lies `col` spacings east and `row` spacings north of the first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Grid {
    /// The first cell's point (its centre).
    pub first: Point,
    /// Distance between neighbours, metres, above 0.
    pub spacing_m: f64,
    /// Cells from west to east, 1 or more.
    pub cols: usize,
    /// Cells from south to north, 1 or more.
    pub rows: usize,
}

impl Grid {
    /// Number of cells.
    pub fn len(&self) -> usize {
        self.cols * self.rows
    }

    /// Whether there are no cells.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The point of the cell in a column and row.
    pub fn point(&self, col: usize, row: usize) -> Point {
        Point {
            x_m: self.first.x_m + col as f64 * self.spacing_m,
            y_m: self.first.y_m + row as f64 * self.spacing_m,
        }
    }
}

/// A trap on the surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurfaceTrap {
    at: Point,
    capture: Capture,
    exposure: f64,
}

impl SurfaceTrap {
    /// A trap at a point, with its capture function and its exposure: the factor on its hazard, 0 or more (1: one flight
    /// life with a fresh lure and a working trap; 0: a trap that does nothing).
    ///
    /// # Errors
    /// A coordinate or exposure that is not a number, or an exposure below 0.
    pub fn new(at: Point, capture: Capture, exposure: f64) -> Result<Self, ModelError> {
        at.check()?;
        check("exposure", exposure, exposure >= 0.0, "0 or more")?;
        Ok(SurfaceTrap {
            at,
            capture,
            exposure,
        })
    }

    /// Where it hangs.
    pub fn at(&self) -> Point {
        self.at
    }

    /// Its capture function.
    pub fn capture(&self) -> Capture {
        self.capture
    }

    /// Its exposure.
    pub fn exposure(&self) -> f64 {
        self.exposure
    }

    /// Hazard of one insect that starts at a point, by the plain formula. At most exposure times
    /// [`MAX_HAZARD`](crate::capture::MAX_HAZARD).
    pub fn hazard_at(&self, point: Point) -> f64 {
        self.exposure * self.capture.hazard(self.at.distance_m(point))
    }

    fn does_something(&self) -> bool {
        self.exposure > 0.0 && self.capture.peak() > 0.0
    }

    fn term(&self, cutoff: Cutoff) -> Term {
        Term::new(
            self.at.x_m,
            self.at.y_m,
            self.capture,
            self.exposure,
            cutoff.distance_m(&self.capture),
        )
    }
}

/// From what distance on a trap is not looked at. Each trap loses, per cell, at most the probability named here.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cutoff {
    /// Where capture falls below this probability.
    Probability(f64),
    /// Where capture falls below this share of the trap's peak.
    ShareOfPeak(f64),
    /// Nowhere: every trap against every cell, down to the smallest `f64`.
    Nowhere,
}

impl Cutoff {
    /// The distance for one capture function, metres.
    pub fn distance_m(self, capture: &Capture) -> f64 {
        match self {
            Cutoff::Probability(p) => capture.cutoff_m(p),
            Cutoff::ShareOfPeak(share) => capture.cutoff_m(share * capture.peak()),
            Cutoff::Nowhere => f64::INFINITY,
        }
    }
}

/// Chance behind a hazard, `1 - exp(-h)`.
pub fn probability_of(hazard: f64) -> f64 {
    -(-hazard).exp_m1()
}

/// A sparse table of hazards: row by row, the columns that are not empty.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Csr {
    /// Where each row starts in the other two; one more than there are rows.
    pub offsets: Vec<usize>,
    /// Columns, rising within a row.
    pub cell: Vec<u32>,
    /// Hazards.
    pub hazard: Vec<f64>,
}

impl Csr {
    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.offsets.len().saturating_sub(1)
    }

    /// One row: its columns and their hazards.
    pub fn row(&self, row: usize) -> (&[u32], &[f64]) {
        let range = self.offsets[row]..self.offsets[row + 1];
        (&self.cell[range.clone()], &self.hazard[range])
    }

    /// The same table by column: from cells by trap to traps by cell. `columns` is the number of columns.
    pub fn transposed(&self, columns: usize) -> Csr {
        let mut offsets = vec![0; columns + 1];
        for &c in &self.cell {
            offsets[c as usize + 1] += 1;
        }
        for c in 0..columns {
            offsets[c + 1] += offsets[c];
        }
        let mut next = offsets.clone();
        let (mut cell, mut hazard) = (vec![0; self.cell.len()], vec![0.0; self.hazard.len()]);
        for row in 0..self.rows() {
            let (cells, hazards) = self.row(row);
            for (&c, &h) in cells.iter().zip(hazards) {
                let at = &mut next[c as usize];
                cell[*at] = row as u32;
                hazard[*at] = h;
                *at += 1;
            }
        }
        Csr {
            offsets,
            cell,
            hazard,
        }
    }
}

/// Points, laid out once for many questions about traps among them.
#[derive(Debug, Clone)]
pub struct Surface {
    index: Index,
    in_order: bool,
    tiles: Vec<Range<usize>>,
}

impl Surface {
    /// Lays out any points. Cells keep the order of `points`.
    ///
    /// # Errors
    /// A coordinate that is not a number, or more points than 32 bits can number.
    pub fn over_points(points: &[Point]) -> Result<Self, ModelError> {
        points.iter().try_for_each(|p| p.check())?;
        check_count(points.len())?;
        Ok(Surface::over(Index::over_points(points)))
    }

    /// Lays out a regular grid: the same as its points, built several times faster.
    ///
    /// # Errors
    /// A grid without cells or spacing, or with more cells than 32 bits can number.
    pub fn over_grid(grid: &Grid) -> Result<Self, ModelError> {
        grid.first.check()?;
        check(
            "grid spacing",
            grid.spacing_m,
            grid.spacing_m > 0.0,
            "above 0 metres",
        )?;
        check_count(grid.cols.saturating_mul(grid.rows))?;
        if grid.is_empty() {
            return Err(ModelError::Inconsistent(
                "a grid needs one column and one row or more".into(),
            ));
        }
        grid.point(grid.cols - 1, grid.rows - 1).check()?;
        Ok(Surface::over(Index::over_grid(grid)))
    }

    fn over(index: Index) -> Self {
        let mut tiles = Vec::new();
        let mut start = 0;
        for s in 0..index.strips() {
            let slots = index.strip(s).end_slot - index.strip(start).first_slot;
            if slots >= TILE_SLOTS || s + 1 == index.strips() {
                tiles.push(start..s + 1);
                start = s + 1;
            }
        }
        Surface {
            in_order: index.in_order(),
            index,
            tiles,
        }
    }

    /// Number of cells.
    pub fn len(&self) -> usize {
        self.index.points()
    }

    /// Whether there are no cells.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Summed hazard of every cell, in the order of the points given.
    ///
    /// Agrees with the sum of [`SurfaceTrap::hazard_at`] over the traps within the cut-off to a relative 1e-12. Traps with
    /// no exposure or no peak are as if they weren't there.
    pub fn hazards(&self, traps: &[SurfaceTrap], cutoff: Cutoff) -> Vec<f64> {
        self.in_point_order(self.by_rank(traps, cutoff, |_| {}))
    }

    /// Chance, for every cell, that an insect which starts there is caught: `1 - exp(-H)`.
    pub fn probabilities(&self, traps: &[SurfaceTrap], cutoff: Cutoff) -> Vec<f64> {
        self.in_point_order(self.by_rank(traps, cutoff, kernel::to_probabilities))
    }

    /// For each trap the cells within its cut-off and their hazards (times its exposure). Traps that do nothing have
    /// empty rows.
    pub fn coverage(&self, traps: &[SurfaceTrap], cutoff: Cutoff) -> Csr {
        let counts: Vec<usize> = traps.par_iter().map(|t| self.count_within(t, cutoff)).collect();
        let mut offsets = Vec::with_capacity(traps.len() + 1);
        offsets.push(0);
        for n in counts {
            offsets.push(offsets[offsets.len() - 1] + n);
        }
        let total = offsets[traps.len()];
        let (mut cell, mut hazard) = (vec![0; total], vec![0.0; total]);
        let mut rows = Vec::with_capacity(traps.len());
        let (mut cells_left, mut hazards_left) = (cell.as_mut_slice(), hazard.as_mut_slice());
        for (i, trap) in traps.iter().enumerate() {
            let n = offsets[i + 1] - offsets[i];
            let (cells, hazards);
            (cells, cells_left) = cells_left.split_at_mut(n);
            (hazards, hazards_left) = hazards_left.split_at_mut(n);
            rows.push((trap, cells, hazards));
        }
        rows.into_par_iter()
            .for_each_init(Vec::new, |room, (trap, cells, hazards)| {
                if !cells.is_empty() {
                    let row = Row {
                        cells: &mut *cells,
                        hazards: &mut *hazards,
                        room,
                    };
                    kernel::fill_row(&self.index, &trap.term(cutoff), row);
                    sort_pairs(cells, hazards);
                }
            });
        Csr {
            offsets,
            cell,
            hazard,
        }
    }

    /// Cells within a distance of a point, rising.
    ///
    /// # Errors
    /// A coordinate that is not a number, or a distance outside 1e-6 to 2e7 metres.
    pub fn neighbours(&self, point: Point, within_m: f64) -> Result<Vec<u32>, ModelError> {
        let disc = Capture::new(Form::Disc, within_m, 1.0)?;
        let trap = SurfaceTrap::new(point, disc, 1.0)?;
        Ok(self.coverage(&[trap], Cutoff::Nowhere).cell)
    }

    fn count_within(&self, trap: &SurfaceTrap, cutoff: Cutoff) -> usize {
        let mut count = 0;
        if trap.does_something() {
            kernel::count_within(&self.index, &trap.term(cutoff), &mut count);
        }
        count
    }

    /// Hazards in the order of slots, each tile's finished off by `finish`.
    fn by_rank(&self, traps: &[SurfaceTrap], cutoff: Cutoff, finish: impl Fn(&mut [f64]) + Sync) -> Vec<f64> {
        let working: Vec<&SurfaceTrap> = traps.iter().filter(|t| t.does_something()).collect();
        let terms: Vec<Term> = working.iter().map(|t| t.term(cutoff)).collect();
        let gather = match working.first() {
            Some(first) if working.iter().all(|t| t.exposure == first.exposure) => Gather::Product {
                exposure: first.exposure,
            },
            _ => Gather::Logs,
        };
        let by_tile = self.terms_by_tile(&terms);
        let mut hazards = vec![0.0; self.len()];
        let mut left = hazards.as_mut_slice();
        let mut work = Vec::with_capacity(self.tiles.len());
        for (strips, terms) in self.tiles.iter().zip(&by_tile) {
            let out;
            (out, left) = left.split_at_mut(strips.clone().map(|s| self.index.strip(s).points().len()).sum());
            work.push((strips, terms, out));
        }
        work.into_par_iter()
            .filter(|(_, terms, _)| !terms.is_empty())
            .for_each_init(
                || (Scratch::default(), Vec::new()),
                |(scratch, room), (strips, terms, out)| {
                    let first = self.index.strip(strips.start).first_slot;
                    room.clear();
                    room.resize(self.index.strip(strips.end - 1).end_slot - first, 0.0);
                    let mut tile = Tile {
                        index: &self.index,
                        strips: strips.clone(),
                        hazard: &mut *room,
                    };
                    kernel::accumulate(&mut tile, terms, gather, scratch);
                    finish(room);
                    let mut filled = 0;
                    for strip in strips.clone().map(|s| self.index.strip(s).points()) {
                        let n = strip.len();
                        out[filled..filled + n]
                            .copy_from_slice(&room[strip.start - first..strip.end - first]);
                        filled += n;
                    }
                },
            );
        hazards
    }

    /// The terms that may touch each tile, in their own order.
    fn terms_by_tile<'a>(&self, terms: &'a [Term]) -> Vec<Vec<&'a Term>> {
        let mut by_tile = vec![Vec::new(); self.tiles.len()];
        for term in terms {
            let strips = self.index.strips_of(term, &(0..self.index.strips()));
            let first = self.tiles.partition_point(|t| t.end <= strips.start);
            for (tile, list) in self.tiles.iter().zip(&mut by_tile).skip(first) {
                if tile.start >= strips.end {
                    break;
                }
                list.push(term);
            }
        }
        by_tile
    }

    fn in_point_order(&self, by_rank: Vec<f64>) -> Vec<f64> {
        if self.in_order {
            return by_rank;
        }
        (0..self.len())
            .into_par_iter()
            .with_min_len(TILE_SLOTS)
            .map(|c| by_rank[self.index.rank_of(c)])
            .collect()
    }
}

/// Slots and points are numbered in 32 bits; padding may take up to as many slots again.
fn check_count(points: usize) -> Result<(), ModelError> {
    let rule = "at most 2000000000";
    check("number of cells", points as f64, points <= 2_000_000_000, rule).map(drop)
}

/// Sorts two slices together by the first; most often they are in order already.
fn sort_pairs(keys: &mut [u32], values: &mut [f64]) {
    if keys.is_sorted() {
        return;
    }
    let mut pairs: Vec<(u32, f64)> = keys.iter().copied().zip(values.iter().copied()).collect();
    pairs.sort_unstable_by_key(|&(k, _)| k);
    for ((k, v), pair) in keys.iter_mut().zip(values).zip(pairs) {
        (*k, *v) = pair;
    }
}
