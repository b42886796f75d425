//! The problem as the caller states it, checked once.

use rayon::prelude::*;
use rstar::primitives::GeomWithData;
use rstar::{AABB, RTree};

use super::error::PlannerError;
use super::kernel::HAZARD_CAP;

/// What the plan should make large. Values are `sum of weight x g`, where `g` lies in [0, 1].
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Objective {
    /// `g(H) = 1 - exp(-H)`: the chance that one flyer from the cell is caught by at least one trap.
    OneFlyer,
    /// `g(H) = 1 - exp(-N (1 - exp(-H)))`: the chance that at least one of N flyers (Poisson) is caught. N must be positive.
    Flyers(f64),
    /// `g` is 1 when any chosen place covers the cell, that is has a hazard above 0 there, and 0 otherwise: the maximal covering
    /// location problem (Church & ReVelle 1974, Papers of the Regional Science Association 32:101-118).
    Cover,
}

/// What the plan may use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// At most so many traps, kept places included; costs are ignored.
    Count(usize),
    /// At most this total cost (crew hours, say), kept places included. Costs come from [`Problem::costs`]; without them
    /// every place costs 1.
    Budget(f64),
}

/// A point on a local plane, metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Position {
    /// Metres eastward.
    pub x_m: f64,
    /// Metres northward.
    pub y_m: f64,
}

/// A cell's centre on the local plane and its weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightedCell {
    /// Metres eastward.
    pub x_m: f64,
    /// Metres northward.
    pub y_m: f64,
    /// Weight, at least 0; the objective is in the same unit. Weights that sum to 1 make the objective a probability.
    pub weight: f64,
}

/// A siting problem: cells, places, hazards between them, and the rules a plan must obey.
#[derive(Debug, Clone)]
pub struct Problem {
    pub(crate) weights: Vec<f64>,
    /// Where each place's entries start in `cell` and `hazard`; one longer than the number of places.
    pub(crate) start: Vec<usize>,
    pub(crate) cell: Vec<u32>,
    pub(crate) hazard: Vec<f64>,
    /// Positions of places, when the problem was built from points.
    pub(crate) place_xy: Option<Vec<Position>>,
    pub(crate) cell_xy: Option<Vec<Position>>,
    /// Pairs of places that may not both be chosen, each once, smaller index first, sorted.
    pub(crate) conflicts: Vec<(u32, u32)>,
    pub(crate) kept: Vec<u32>,
    pub(crate) forbidden: Vec<bool>,
    pub(crate) costs: Option<Vec<f64>>,
    pub(crate) objective: Objective,
    pub(crate) limit: Limit,
}

impl Problem {
    /// Builds the problem from points. `hazard(d)` is the hazard `-ln(1 - p)` of a trap at `d` metres; pairs farther apart
    /// than `cutoff_m` are left out. It runs in parallel over places.
    ///
    /// # Errors
    /// Coordinates, weights, hazards or limits that are NaN, infinite or negative; no cells or no places.
    pub fn from_points(
        cells: &[WeightedCell],
        places: &[Position],
        cutoff_m: f64,
        hazard: impl Fn(f64) -> f64 + Sync,
        objective: Objective,
        limit: Limit,
    ) -> Result<Self, PlannerError> {
        check_setting(
            "the cut-off distance",
            cutoff_m,
            cutoff_m > 0.0,
            "a positive number of metres",
        )?;
        for (index, cell) in cells.iter().enumerate() {
            check_position(
                "cell",
                index,
                Position {
                    x_m: cell.x_m,
                    y_m: cell.y_m,
                },
            )?;
        }
        for (index, &place) in places.iter().enumerate() {
            check_position("place", index, place)?;
        }
        let grid = Grid::new(cells, cutoff_m);
        let rows: Vec<Vec<(u32, f64)>> = places
            .par_iter()
            .map(|place| grid.row(cells, *place, cutoff_m, &hazard))
            .collect();
        let mut problem = Self::assemble(cells.iter().map(|c| c.weight).collect(), &rows, objective, limit)?;
        problem.place_xy = Some(places.to_vec());
        problem.cell_xy = Some(
            cells
                .iter()
                .map(|c| Position {
                    x_m: c.x_m,
                    y_m: c.y_m,
                })
                .collect(),
        );
        Ok(problem)
    }

    /// Builds the problem from a list of `(cell, hazard)` for each place, for ground that is not a plane (or to test with).
    ///
    /// # Errors
    /// As [`Problem::from_points`]; also an index that names no cell.
    pub fn from_rows(
        weights: Vec<f64>,
        rows: &[Vec<(usize, f64)>],
        objective: Objective,
        limit: Limit,
    ) -> Result<Self, PlannerError> {
        let count = weights.len();
        let mut narrow = Vec::with_capacity(rows.len());
        for row in rows {
            let mut out: Vec<(u32, f64)> = Vec::with_capacity(row.len());
            for &(index, hazard) in row {
                if index >= count {
                    return Err(PlannerError::NoSuchIndex {
                        what: "a hazard",
                        item: "cell",
                        index,
                        count,
                    });
                }
                out.push((index as u32, hazard));
            }
            out.sort_by_key(|entry| entry.0);
            out.dedup_by(|later, first| {
                let same = later.0 == first.0;
                if same {
                    first.1 += later.1;
                }
                same
            });
            narrow.push(out);
        }
        Self::assemble(weights, &narrow, objective, limit)
    }

    /// Gives positions to a problem built from rows, which lets the planner work by neighbourhood and prove tighter bounds. They
    /// change nothing about what the problem is.
    ///
    /// # Errors
    /// Lists of another length than places and cells; coordinates that are not finite.
    pub fn located(mut self, places: &[Position], cells: &[Position]) -> Result<Self, PlannerError> {
        for (what, given, needed) in [
            ("the list of place positions", places.len(), self.places()),
            ("the list of cell positions", cells.len(), self.cells()),
        ] {
            if given != needed {
                return Err(PlannerError::WrongLength { what, given, needed });
            }
        }
        for (index, &at) in places.iter().enumerate() {
            check_position("place", index, at)?;
        }
        for (index, &at) in cells.iter().enumerate() {
            check_position("cell", index, at)?;
        }
        self.place_xy = Some(places.to_vec());
        self.cell_xy = Some(cells.to_vec());
        Ok(self)
    }

    fn assemble(
        weights: Vec<f64>,
        rows: &[Vec<(u32, f64)>],
        objective: Objective,
        limit: Limit,
    ) -> Result<Self, PlannerError> {
        if weights.is_empty() {
            return Err(PlannerError::Empty("cells"));
        }
        if rows.is_empty() {
            return Err(PlannerError::Empty("places"));
        }
        for (count, what) in [(weights.len(), "cells"), (rows.len(), "places")] {
            if count > 4_000_000_000 {
                return Err(PlannerError::TooMany(count, what));
            }
        }
        for (index, &value) in weights.iter().enumerate() {
            check_number(
                "the weight",
                "cell",
                index,
                value,
                value >= 0.0,
                "a number of at least 0",
            )?;
        }
        if let Objective::Flyers(n) = objective {
            check_setting("the number of flyers", n, n > 0.0, "a positive number")?;
        }
        if let Limit::Budget(budget) = limit {
            check_setting("the budget", budget, budget >= 0.0, "a number of at least 0")?;
        }
        let entries = rows.iter().map(Vec::len).sum();
        let (mut start, mut cell, mut hazard) = (
            Vec::with_capacity(rows.len() + 1),
            Vec::with_capacity(entries),
            Vec::with_capacity(entries),
        );
        start.push(0);
        for (index, row) in rows.iter().enumerate() {
            for &(c, a) in row {
                check_number("a hazard", "place", index, a, a >= 0.0, "a number of at least 0")?;
                if a > 0.0 {
                    cell.push(c);
                    hazard.push(a.min(HAZARD_CAP));
                }
            }
            start.push(cell.len());
        }
        Ok(Self {
            weights,
            start,
            cell,
            hazard,
            place_xy: None,
            cell_xy: None,
            conflicts: Vec::new(),
            kept: Vec::new(),
            forbidden: vec![false; rows.len()],
            costs: None,
            objective,
            limit,
        })
    }

    /// Requires at least `spacing_m` metres between any two chosen places (a pair exactly that far apart is allowed). Only for
    /// problems built from points; 0 sets no rule.
    ///
    /// # Errors
    /// A spacing that is negative or not finite; a problem without positions.
    pub fn spaced(mut self, spacing_m: f64) -> Result<Self, PlannerError> {
        check_setting("the spacing", spacing_m, spacing_m >= 0.0, "at least 0 m")?;
        let Some(xy) = &self.place_xy else {
            return Err(PlannerError::Empty(
                "positions (give pairs of conflicting places instead of a spacing)",
            ));
        };
        if spacing_m > 0.0 {
            // A relative 1e-12 forgives the rounding of coordinates that lie on a grid exactly `spacing_m` wide.
            let least_squared = (spacing_m * (1.0 - 1e-12)).powi(2);
            let tree = RTree::bulk_load(
                xy.iter()
                    .enumerate()
                    .map(|(i, p)| GeomWithData::new([p.x_m, p.y_m], i as u32))
                    .collect(),
            );
            let close: Vec<(u32, u32)> = xy
                .par_iter()
                .enumerate()
                .flat_map_iter(|(i, p)| {
                    let reach = AABB::from_corners(
                        [p.x_m - spacing_m, p.y_m - spacing_m],
                        [p.x_m + spacing_m, p.y_m + spacing_m],
                    );
                    let mine: Vec<(u32, u32)> = tree
                        .locate_in_envelope(&reach)
                        .filter(|other| {
                            let [x, y] = *other.geom();
                            other.data as usize > i
                                && (x - p.x_m).powi(2) + (y - p.y_m).powi(2) < least_squared
                        })
                        .map(|other| (i as u32, other.data))
                        .collect();
                    mine
                })
                .collect();
            self.conflicts.extend(close);
            self.conflicts.sort_unstable();
            self.conflicts.dedup();
        }
        Ok(self)
    }

    /// Adds pairs of places that may not both be chosen.
    ///
    /// # Errors
    /// An index that names no place.
    pub fn conflicting(mut self, pairs: &[(usize, usize)]) -> Result<Self, PlannerError> {
        for &(i, j) in pairs {
            self.check_place("a conflict", i)?;
            self.check_place("a conflict", j)?;
            if i != j {
                self.conflicts.push((i.min(j) as u32, i.max(j) as u32));
            }
        }
        self.conflicts.sort_unstable();
        self.conflicts.dedup();
        Ok(self)
    }

    /// Places that must be in the plan (last season's, say). Whether they fit is checked by [`super::solve`].
    ///
    /// # Errors
    /// An index that names no place.
    pub fn kept(mut self, places: &[usize]) -> Result<Self, PlannerError> {
        for &index in places {
            self.check_place("the list of kept places", index)?;
            self.kept.push(index as u32);
        }
        self.kept.sort_unstable();
        self.kept.dedup();
        Ok(self)
    }

    /// Places that may not be in the plan.
    ///
    /// # Errors
    /// An index that names no place.
    pub fn forbidden(mut self, places: &[usize]) -> Result<Self, PlannerError> {
        for &index in places {
            self.check_place("the list of forbidden places", index)?;
            self.forbidden[index] = true;
        }
        Ok(self)
    }

    /// What each place costs, in the unit of [`Limit::Budget`]; at least 0.
    ///
    /// # Errors
    /// A cost that is negative or not finite; a list that is not as long as the list of places.
    pub fn costs(mut self, costs: Vec<f64>) -> Result<Self, PlannerError> {
        if costs.len() != self.places() {
            return Err(PlannerError::WrongLength {
                what: "the list of costs",
                given: costs.len(),
                needed: self.places(),
            });
        }
        for (index, &value) in costs.iter().enumerate() {
            check_number(
                "the cost",
                "place",
                index,
                value,
                value >= 0.0,
                "a number of at least 0",
            )?;
        }
        self.costs = Some(costs);
        Ok(self)
    }

    /// Number of places.
    #[must_use]
    pub fn places(&self) -> usize {
        self.start.len() - 1
    }

    /// Number of cells.
    #[must_use]
    pub fn cells(&self) -> usize {
        self.weights.len()
    }

    /// Number of pairs of places that may not both be chosen.
    #[must_use]
    pub fn conflict_count(&self) -> usize {
        self.conflicts.len()
    }

    /// The objective of any set of places, by its definition; the rules are not checked.
    ///
    /// # Errors
    /// An index that names no place.
    pub fn evaluate(&self, chosen: &[usize]) -> Result<f64, PlannerError> {
        for &index in chosen {
            self.check_place("the plan", index)?;
        }
        let mut total = vec![0.0; self.cells()];
        for &i in chosen {
            for k in self.start[i]..self.start[i + 1] {
                total[self.cell[k] as usize] += self.hazard[k];
            }
        }
        let g = |h: f64| match self.objective {
            Objective::OneFlyer => -(-h).exp_m1(),
            Objective::Flyers(n) => -(n * (-h).exp_m1()).exp_m1(),
            Objective::Cover => f64::from(u8::from(h > 0.0)),
        };
        Ok(total.iter().zip(&self.weights).map(|(&h, &w)| w * g(h)).sum())
    }

    /// Whether the plan obeys the rules: spacing, kept, forbidden, limit.
    #[must_use]
    pub fn allows(&self, chosen: &[usize]) -> bool {
        let mut inside = vec![false; self.places()];
        for &i in chosen {
            if i >= self.places() || inside[i] || self.forbidden[i] {
                return false;
            }
            inside[i] = true;
        }
        let used: f64 = chosen.iter().map(|&i| self.cost(i)).sum();
        self.kept.iter().all(|&i| inside[i as usize])
            && self
                .conflicts
                .iter()
                .all(|&(i, j)| !(inside[i as usize] && inside[j as usize]))
            && used <= self.limit_value() + self.limit_slack()
    }

    /// The cost that counts against the limit.
    pub(crate) fn cost(&self, place: usize) -> f64 {
        match (self.limit, &self.costs) {
            (Limit::Budget(_), Some(costs)) => costs[place],
            _ => 1.0,
        }
    }

    pub(crate) fn limit_value(&self) -> f64 {
        match self.limit {
            Limit::Count(k) => k as f64,
            Limit::Budget(budget) => budget,
        }
    }

    /// Rounding allowed when many costs are summed.
    pub(crate) fn limit_slack(&self) -> f64 {
        1e-9 * self.limit_value()
    }

    fn check_place(&self, what: &'static str, index: usize) -> Result<(), PlannerError> {
        if index < self.places() {
            Ok(())
        } else {
            Err(PlannerError::NoSuchIndex {
                what,
                item: "place",
                index,
                count: self.places(),
            })
        }
    }
}

fn check_setting(what: &'static str, value: f64, ok: bool, rule: &'static str) -> Result<(), PlannerError> {
    if value.is_finite() && ok {
        Ok(())
    } else {
        Err(PlannerError::BadSetting { what, value, rule })
    }
}

fn check_number(
    what: &'static str,
    item: &'static str,
    index: usize,
    value: f64,
    ok: bool,
    rule: &'static str,
) -> Result<(), PlannerError> {
    if value.is_finite() && ok {
        Ok(())
    } else {
        Err(PlannerError::BadNumber {
            what,
            item,
            index,
            value,
            rule,
        })
    }
}

fn check_position(item: &'static str, index: usize, at: Position) -> Result<(), PlannerError> {
    check_number("x", item, index, at.x_m, true, "a finite number of metres")?;
    check_number("y", item, index, at.y_m, true, "a finite number of metres")
}

/// Cells in square buckets, so that the cells near a place are found without looking at the others.
struct Grid {
    bucket_m: f64,
    west_m: f64,
    south_m: f64,
    columns: usize,
    rows: usize,
    start: Vec<usize>,
    cell: Vec<u32>,
}

impl Grid {
    fn new(cells: &[WeightedCell], cutoff_m: f64) -> Self {
        let fold = |f: fn(f64, f64) -> f64, get: fn(&WeightedCell) -> f64, first: f64| {
            cells.iter().map(get).fold(first, f)
        };
        let west_m = fold(f64::min, |c| c.x_m, f64::INFINITY);
        let east_m = fold(f64::max, |c| c.x_m, f64::NEG_INFINITY);
        let south_m = fold(f64::min, |c| c.y_m, f64::INFINITY);
        let north_m = fold(f64::max, |c| c.y_m, f64::NEG_INFINITY);
        let extent_m = (east_m - west_m).max(north_m - south_m).max(0.0);
        // No more buckets than a few per cell, however small the cut-off is beside the ground.
        let most_per_side = (2.0 * (cells.len() as f64).sqrt()).ceil().max(1.0);
        let bucket_m = (cutoff_m / 4.0)
            .max(extent_m / most_per_side)
            .max(f64::MIN_POSITIVE);
        let columns = if cells.is_empty() {
            1
        } else {
            ((east_m - west_m) / bucket_m) as usize + 1
        };
        let rows = if cells.is_empty() {
            1
        } else {
            ((north_m - south_m) / bucket_m) as usize + 1
        };
        let mut grid = Self {
            bucket_m,
            west_m,
            south_m,
            columns,
            rows,
            start: vec![0; columns * rows + 1],
            cell: Vec::new(),
        };
        let bucket_of: Vec<usize> = cells
            .iter()
            .map(|c| grid.row_of(c.y_m) * columns + grid.column_of(c.x_m))
            .collect();
        for &b in &bucket_of {
            grid.start[b + 1] += 1;
        }
        for b in 0..columns * rows {
            grid.start[b + 1] += grid.start[b];
        }
        let mut next = grid.start.clone();
        grid.cell = vec![0; cells.len()];
        for (c, &b) in bucket_of.iter().enumerate() {
            grid.cell[next[b]] = c as u32;
            next[b] += 1;
        }
        grid
    }

    fn column_of(&self, x_m: f64) -> usize {
        (((x_m - self.west_m) / self.bucket_m).max(0.0) as usize).min(self.columns - 1)
    }

    fn row_of(&self, y_m: f64) -> usize {
        (((y_m - self.south_m) / self.bucket_m).max(0.0) as usize).min(self.rows - 1)
    }

    fn row(
        &self,
        cells: &[WeightedCell],
        place: Position,
        cutoff_m: f64,
        hazard: &(impl Fn(f64) -> f64 + Sync),
    ) -> Vec<(u32, f64)> {
        let mut out = Vec::new();
        let (left, right) = (
            self.column_of(place.x_m - cutoff_m),
            self.column_of(place.x_m + cutoff_m),
        );
        for row in self.row_of(place.y_m - cutoff_m)..=self.row_of(place.y_m + cutoff_m) {
            let span = self.start[row * self.columns + left]..self.start[row * self.columns + right + 1];
            for &c in &self.cell[span] {
                let cell = &cells[c as usize];
                let distance_m = (cell.x_m - place.x_m).hypot(cell.y_m - place.y_m);
                if distance_m <= cutoff_m {
                    let a = hazard(distance_m);
                    // NaN must reach the check, so only true zeros are dropped here.
                    if a != 0.0 && cell.weight != 0.0 {
                        out.push((c, if a == f64::INFINITY { HAZARD_CAP } else { a }));
                    }
                }
            }
        }
        out.sort_unstable_by_key(|entry| entry.0);
        out
    }
}
