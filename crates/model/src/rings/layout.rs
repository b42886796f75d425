//! Rings laid round finds: spots, and the ring of any point on any date.

use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::{PI, TAU};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{M2_PER_KM2, RingProtocol, Shape, refuse};
use crate::detection::Point;
use crate::error::{ModelError, check};

/// A find round which rings are laid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Centre {
    /// Where, metres in a local frame.
    pub at: Point,
    /// From which day its rings hold.
    pub since: Date,
    /// Whether the protocol's extension holds for it.
    pub heavy: bool,
}

/// A square cell: columns and rows counted from the first find's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Cell {
    /// Eastward.
    pub column: i64,
    /// Northward.
    pub row: i64,
}

/// Where the protocol wants a trap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Where, metres.
    pub at: Point,
    /// Its ring, from 0, the innermost of all that hold it.
    pub ring: usize,
    /// The find it belongs to: the first in whose ring of that number it lies.
    pub centre: usize,
    /// Its square cell, where rings are of squares.
    pub cell: Option<Cell>,
}

/// From a day on, a point is in another ring.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Change {
    /// From this day.
    pub from: Date,
    /// The ring; `None` outside all.
    pub ring: Option<usize>,
}

/// More spots than this are a mistake in the protocol.
const MOST_SPOTS: f64 = 200_000.0;
/// Turn from one spot of a ring to the next, as a share of a full turn: with it, any run of spots is spread evenly
/// (Vogel 1979, Mathematical Biosciences 44:179-189).
const GOLDEN_TURN: f64 = 0.381_966_011_250_105_1;

/// A protocol's rings round its finds.
#[derive(Debug, Clone)]
pub struct Rings {
    protocol: RingProtocol,
    centres: Vec<Centre>,
}

impl Rings {
    /// Rings of a protocol round finds, in any order; sorted here by day.
    ///
    /// # Errors
    /// A protocol that does not pass its check, no find, a find nowhere, or more spots than 200 000.
    pub fn new(protocol: RingProtocol, mut centres: Vec<Centre>) -> Result<Self, ModelError> {
        protocol.check()?;
        if centres.is_empty() {
            return refuse("there is no find to lay them round".into());
        }
        for c in &centres {
            check(
                "x of a find",
                c.at.x_m,
                c.at.x_m.abs() <= 1e8,
                "a place on earth, in metres",
            )?;
            check(
                "y of a find",
                c.at.y_m,
                c.at.y_m.abs() <= 1e8,
                "a place on earth, in metres",
            )?;
        }
        // A stable sort: finds of one day stay as given.
        centres.sort_by_key(|c| c.since);
        let rings = Rings { protocol, centres };
        let each: f64 = (0..rings.protocol.ring.len())
            .map(|k| rings.wanted(k, true) as f64)
            .sum();
        let all = each * rings.centres.len() as f64;
        if all > MOST_SPOTS {
            return refuse(format!(
                "they would hold about {all:.0} traps; at most {MOST_SPOTS} are laid out"
            ));
        }
        Ok(rings)
    }

    /// The protocol.
    pub fn protocol(&self) -> &RingProtocol {
        &self.protocol
    }

    /// The finds, by day.
    pub fn centres(&self) -> &[Centre] {
        &self.centres
    }

    /// Days on which the rings changed, the first first: each is a version of them.
    pub fn versions(&self) -> Vec<Date> {
        let days: BTreeSet<Date> = self.centres.iter().map(|c| c.since).collect();
        days.into_iter().collect()
    }

    fn cell_m(&self) -> Option<f64> {
        match &self.protocol.shape {
            Shape::Radius {} => None,
            Shape::Squares { cell_m } => Some(cell_m.central()),
        }
    }

    /// Where a ring ends: metres from the find, or cells from its cell.
    fn edge(&self, ring: usize, heavy: bool) -> f64 {
        let is_last = ring + 1 == self.protocol.ring.len();
        let far_m = self.protocol.extension.as_ref().filter(|_| heavy && is_last);
        let far_m = far_m.map_or(0.0, |e| e.to_m.central());
        match self.cell_m() {
            None => {
                let to = self.protocol.ring[ring].to_m.as_ref();
                to.map_or(0.0, |p| p.central()).max(far_m)
            }
            Some(cell_m) => {
                let inside = &self.protocol.ring[..=ring];
                let wide = |r: &super::Ring| r.cells.as_ref().map_or(1.0, |p| p.central());
                // Whole cells, outward: a hair of rounding adds none.
                let far = ((far_m - 0.5 * cell_m) / cell_m - 1e-9).ceil();
                (inside.iter().map(wide).sum::<f64>() - 1.0).max(far)
            }
        }
    }

    /// Area of one ring round one find alone, square metres.
    fn area_m2(&self, ring: usize, heavy: bool) -> f64 {
        let disc = |edge: f64| match self.cell_m() {
            None => PI * edge * edge,
            Some(cell_m) => ((2.0 * edge + 1.0) * cell_m).powi(2),
        };
        let inner = if ring == 0 {
            0.0
        } else {
            disc(self.edge(ring - 1, heavy))
        };
        disc(self.edge(ring, heavy)) - inner
    }

    /// Traps of one ring round one find alone, to the nearest whole one; of squares, the sum over whole cells.
    fn wanted(&self, ring: usize, heavy: bool) -> usize {
        let extra = if ring == 0 { self.extra() } else { 0 };
        let area_km2 = self.area_m2(ring, heavy) / M2_PER_KM2;
        let density = self.protocol.traps_per_km2(ring);
        extra
            + match self.cell_m() {
                None => (density * area_km2).round() as usize,
                Some(cell_m) => {
                    let cell_km2 = cell_m * cell_m / M2_PER_KM2;
                    self.per_cell(ring) * (area_km2 / cell_km2).round() as usize
                }
            }
    }

    /// Traps in each cell of a ring of squares.
    fn per_cell(&self, ring: usize) -> usize {
        let cell_km2 = self.protocol.cell_m2().unwrap_or(0.0) / M2_PER_KM2;
        (self.protocol.traps_per_km2(ring) * cell_km2).round() as usize
    }

    fn extra(&self) -> usize {
        self.protocol
            .extra_in_centre
            .as_ref()
            .map_or(0.0, |p| p.central()) as usize
    }

    /// The square cell of a point; `None` for rings by radius.
    pub fn cell_of(&self, at: Point) -> Option<Cell> {
        let cell_m = self.cell_m()?;
        let anchor = self.centres[0].at;
        let index = |v: f64, from: f64| ((v - from) / cell_m + 0.5).floor() as i64;
        Some(Cell {
            column: index(at.x_m, anchor.x_m),
            row: index(at.y_m, anchor.y_m),
        })
    }

    /// The middle of a cell of squares this wide.
    fn middle(&self, cell: Cell, cell_m: f64) -> Point {
        let anchor = self.centres[0].at;
        Point {
            x_m: anchor.x_m + cell.column as f64 * cell_m,
            y_m: anchor.y_m + cell.row as f64 * cell_m,
        }
    }

    /// The ring of a point round one find alone.
    fn ring_round(&self, centre: &Centre, at: Point) -> Option<usize> {
        let out = match (self.cell_of(centre.at), self.cell_of(at)) {
            (Some(c), Some(a)) => (c.column - a.column).abs().max((c.row - a.row).abs()) as f64,
            _ => centre.at.distance_m(at),
        };
        (0..self.protocol.ring.len()).find(|k| out <= self.edge(*k, centre.heavy))
    }

    /// The ring of a point on a day, from 0, and the find it belongs to: the innermost ring of all finds up to that day, of
    /// the first find that has it there. `None` outside all.
    fn place_of(&self, at: Point, on: Date) -> Option<(usize, usize)> {
        let up_to = self.centres.iter().take_while(|c| c.since <= on);
        up_to
            .enumerate()
            .filter_map(|(n, c)| Some((self.ring_round(c, at)?, n)))
            .min()
    }

    /// The ring that a point was in on a day, from 0; `None` outside all.
    pub fn ring_of(&self, at: Point, on: Date) -> Option<usize> {
        self.place_of(at, on).map(|(ring, _)| ring)
    }

    /// All rings that a point has been in, from the first find's day on, with the day each began.
    pub fn history_of(&self, at: Point) -> Vec<Change> {
        let mut told: Vec<Change> = Vec::new();
        for from in self.versions() {
            let ring = self.ring_of(at, from);
            if told.last().is_none_or(|last| last.ring != ring) {
                told.push(Change { from, ring });
            }
        }
        told
    }

    /// Where the protocol wants traps on a day: as many as it says, spread evenly in each cell or ring. Where rings of several
    /// finds meet, the innermost holds, and of the same number that of the earlier find: its traps hang already.
    pub fn spots(&self, on: Date) -> Vec<Spot> {
        match self.cell_m() {
            None => self.spots_in_circles(on),
            Some(cell_m) => self.spots_in_squares(on, cell_m),
        }
    }

    fn spots_in_circles(&self, on: Date) -> Vec<Spot> {
        let mut spots = Vec::new();
        for (centre, c) in self.centres.iter().enumerate().take_while(|(_, c)| c.since <= on) {
            for ring in 0..self.protocol.ring.len() {
                let inner = if ring == 0 {
                    0.0
                } else {
                    self.edge(ring - 1, c.heavy)
                };
                let outer = self.edge(ring, c.heavy);
                let n = self.wanted(ring, c.heavy);
                for k in 0..n {
                    let share = (k as f64 + 0.5) / n as f64;
                    let r = (inner * inner + share * (outer * outer - inner * inner)).sqrt();
                    let turn = TAU * (GOLDEN_TURN * k as f64).fract();
                    let at = Point {
                        x_m: c.at.x_m + r * turn.cos(),
                        y_m: c.at.y_m + r * turn.sin(),
                    };
                    if self.place_of(at, on) == Some((ring, centre)) {
                        spots.push(Spot {
                            at,
                            ring,
                            centre,
                            cell: None,
                        });
                    }
                }
            }
        }
        spots
    }

    /// The cells of rings of squares on a day, each with its ring and find; empty for rings by radius.
    pub fn cells(&self, on: Date) -> BTreeMap<Cell, (usize, usize)> {
        let mut cells: BTreeMap<Cell, (usize, usize)> = BTreeMap::new();
        let last = self.protocol.ring.len() - 1;
        for (n, c) in self.centres.iter().enumerate().take_while(|(_, c)| c.since <= on) {
            let Some(own) = self.cell_of(c.at) else { continue };
            let far = self.edge(last, c.heavy) as i64;
            for row in -far..=far {
                for column in -far..=far {
                    let out = row.abs().max(column.abs()) as f64;
                    let cell = Cell {
                        column: own.column + column,
                        row: own.row + row,
                    };
                    if let Some(ring) = (0..=last).find(|k| out <= self.edge(*k, c.heavy)) {
                        let held = cells.entry(cell).or_insert((ring, n));
                        *held = (*held).min((ring, n));
                    }
                }
            }
        }
        cells
    }

    fn spots_in_squares(&self, on: Date, cell_m: f64) -> Vec<Spot> {
        let found: BTreeSet<Cell> = self
            .centres
            .iter()
            .take_while(|c| c.since <= on)
            .filter_map(|c| self.cell_of(c.at))
            .collect();
        let mut spots = Vec::new();
        for (cell, (ring, centre)) in self.cells(on) {
            let extra = if found.contains(&cell) { self.extra() } else { 0 };
            let n = self.per_cell(ring) + extra;
            let middle = self.middle(cell, cell_m);
            spots.extend(in_square(n).into_iter().map(|(east, north)| Spot {
                at: Point {
                    x_m: middle.x_m + east * cell_m,
                    y_m: middle.y_m + north * cell_m,
                },
                ring,
                centre,
                cell: Some(cell),
            }));
        }
        spots
    }

    /// Which of these trees the protocol wants looked at on a day, with their rings. Where a ring asks for a share, the trees are
    /// taken along a line that winds over the ground (Morton order), so that they lie spread.
    pub fn trees(&self, trees: &[Point], on: Date) -> Vec<(usize, usize)> {
        let mut by_ring: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (i, at) in trees.iter().enumerate() {
            if let Some(ring) = self.ring_of(*at, on) {
                by_ring.entry(ring).or_default().push(i);
            }
        }
        let mut wanted = Vec::new();
        for (ring, mut inside) in by_ring {
            let Some(inspect) = &self.protocol.ring[ring].inspect else {
                continue;
            };
            let share = inspect.share.central();
            inside.sort_by_key(|i| (morton(trees[*i]), *i));
            // A share of n trees is the whole number above it: 10 % of 3 trees is one tree.
            let n = inside.len() as f64;
            let take = (share * n - 1e-9).ceil();
            let upto = |k: usize| (k as f64 * take / n + 1e-9).floor();
            let chosen = inside.iter().enumerate().filter(|(k, _)| upto(k + 1) > upto(*k));
            wanted.extend(chosen.map(|(_, tree)| (*tree, ring)));
        }
        wanted.sort_unstable();
        wanted
    }
}

/// `n` spots spread evenly in a square of edge 1 round 0: about as many rows as columns, rows as alike as whole numbers let.
fn in_square(n: usize) -> Vec<(f64, f64)> {
    let rows = (n as f64).sqrt().round().max(1.0) as usize;
    let mut spots = Vec::with_capacity(n);
    for row in 0..rows {
        let columns = n * (row + 1) / rows - n * row / rows;
        for column in 0..columns {
            spots.push((
                (column as f64 + 0.5) / columns as f64 - 0.5,
                (row as f64 + 0.5) / rows as f64 - 0.5,
            ));
        }
    }
    spots
}

/// Bits of metres east and north by turns.
fn morton(at: Point) -> u64 {
    let bits = |v: f64| {
        // 2^31 metres either way are more than the earth has.
        let mut v = (v.clamp(-1e9, 1e9) + 1e9) as u64 & 0xffff_ffff;
        for (shift, mask) in [
            (16, 0x0000_ffff_0000_ffff),
            (8, 0x00ff_00ff_00ff_00ff),
            (4, 0x0f0f_0f0f_0f0f_0f0f),
            (2, 0x3333_3333_3333_3333),
            (1, 0x5555_5555_5555_5555u64),
        ] {
            v = (v | v << shift) & mask;
        }
        v
    };
    bits(at.x_m) | bits(at.y_m) << 1
}
