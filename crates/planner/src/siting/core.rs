//! The problem the optimisers see: only what is still undecided, in an order that does not depend on the caller's.

use rayon::prelude::*;

use super::error::PlannerError;
use super::kernel::Kernel;
use super::problem::{Position, Problem};

/// Free places, the cells they reach, and what the kept places have already done to those cells.
#[derive(Debug, Clone)]
pub(crate) struct Core<K: Kernel> {
    pub(crate) kernel: K,
    /// Weight of each cell.
    pub(crate) weight: Vec<f64>,
    /// State of each cell before any free place is chosen.
    pub(crate) base: Vec<K::State>,
    pub(crate) start: Vec<usize>,
    pub(crate) cell: Vec<u32>,
    pub(crate) p: Vec<f64>,
    pub(crate) conflict_start: Vec<usize>,
    pub(crate) conflict: Vec<u32>,
    pub(crate) cost: Vec<f64>,
    /// What may still be spent, rounding slack included.
    pub(crate) budget: f64,
    pub(crate) xy: Option<Vec<Position>>,
    pub(crate) cell_xy: Option<Vec<Position>>,
    /// Index of each free place in the caller's list.
    pub(crate) origin: Vec<u32>,
    /// Value of the kept places alone, over all cells.
    pub(crate) base_value: f64,
}

impl<K: Kernel> Core<K> {
    /// Applies the kept and forbidden places and sorts the rest.
    pub(crate) fn new(problem: &Problem, kernel: K) -> Result<Self, PlannerError> {
        let n = problem.places();
        let mut state = vec![kernel.empty(); problem.cells()];
        let mut free: Vec<bool> = problem.forbidden.iter().map(|&f| !f).collect();
        let mut used = 0.0;
        let mut is_kept = vec![false; n];
        for &i in &problem.kept {
            let i = i as usize;
            if problem.forbidden[i] {
                return Err(PlannerError::KeptAndForbidden { index: i });
            }
            is_kept[i] = true;
            free[i] = false;
            used += problem.cost(i);
            for k in problem.start[i]..problem.start[i + 1] {
                let c = problem.cell[k] as usize;
                state[c] = kernel.add(state[c], catch(problem.hazard[k]));
            }
        }
        for &(i, j) in &problem.conflicts {
            let (i, j) = (i as usize, j as usize);
            match (is_kept[i], is_kept[j]) {
                (true, true) => return Err(PlannerError::KeptTooClose { first: i, second: j }),
                (true, false) => free[j] = false,
                (false, true) => free[i] = false,
                _ => {}
            }
        }
        let limit = problem.limit_value();
        if used > limit + problem.limit_slack() {
            return Err(PlannerError::KeptOverLimit { needed: used, limit });
        }
        let budget = limit + problem.limit_slack() - used;
        let base_value = problem
            .weights
            .iter()
            .zip(&state)
            .map(|(&w, &s)| w * kernel.value(s))
            .sum();
        let mut origin: Vec<u32> = (0..n as u32)
            .filter(|&i| {
                let row = problem.start[i as usize]..problem.start[i as usize + 1];
                free[i as usize]
                    && problem.cost(i as usize) <= budget
                    && row
                        .clone()
                        .any(|k| problem.weights[problem.cell[k] as usize] > 0.0)
            })
            .collect();
        let mut reached = vec![false; problem.cells()];
        for &i in &origin {
            for k in problem.start[i as usize]..problem.start[i as usize + 1] {
                reached[problem.cell[k] as usize] = true;
            }
        }
        let mut cells: Vec<u32> = (0..problem.cells() as u32)
            .filter(|&c| reached[c as usize] && problem.weights[c as usize] > 0.0)
            .collect();
        sort_canonically(problem, &mut origin, &mut cells);
        Ok(Self::gather(
            problem, kernel, &state, origin, &cells, budget, base_value,
        ))
    }

    fn gather(
        problem: &Problem,
        kernel: K,
        state: &[K::State],
        origin: Vec<u32>,
        cells: &[u32],
        budget: f64,
        base_value: f64,
    ) -> Self {
        let mut cell_rank = vec![u32::MAX; problem.cells()];
        for (rank, &c) in cells.iter().enumerate() {
            cell_rank[c as usize] = rank as u32;
        }
        let mut place_rank = vec![u32::MAX; problem.places()];
        for (rank, &i) in origin.iter().enumerate() {
            place_rank[i as usize] = rank as u32;
        }
        let (mut start, mut cell, mut p) = (vec![0], Vec::new(), Vec::new());
        let mut row: Vec<(u32, f64)> = Vec::new();
        for &i in &origin {
            row.clear();
            for k in problem.start[i as usize]..problem.start[i as usize + 1] {
                let rank = cell_rank[problem.cell[k] as usize];
                if rank != u32::MAX {
                    row.push((rank, catch(problem.hazard[k])));
                }
            }
            row.sort_unstable_by_key(|entry| entry.0);
            cell.extend(row.iter().map(|entry| entry.0));
            p.extend(row.iter().map(|entry| entry.1));
            start.push(cell.len());
        }
        let pairs: Vec<(u32, u32)> = problem
            .conflicts
            .iter()
            .map(|&(i, j)| (place_rank[i as usize], place_rank[j as usize]))
            .filter(|&(i, j)| i != u32::MAX && j != u32::MAX)
            .collect();
        let (conflict_start, conflict) = neighbours(origin.len(), &pairs);
        let pick = |xy: &Option<Vec<Position>>, list: &[u32]| {
            xy.as_ref()
                .map(|xy| list.iter().map(|&i| xy[i as usize]).collect::<Vec<_>>())
        };
        Self {
            kernel,
            weight: cells.iter().map(|&c| problem.weights[c as usize]).collect(),
            base: cells.iter().map(|&c| state[c as usize]).collect(),
            start,
            cell,
            p,
            conflict_start,
            conflict,
            cost: origin.iter().map(|&i| problem.cost(i as usize)).collect(),
            budget,
            xy: pick(&problem.place_xy, &origin),
            cell_xy: pick(&problem.cell_xy, cells),
            origin,
            base_value,
        }
    }

    /// The problem of `list` alone, everything else staying as it is: `held` are the members of `list` that are chosen now, `state` the
    /// cells under all chosen places, `inside` all chosen places. Members that conflict with a chosen place outside are left
    /// out. In the result `origin` holds indices of this problem.
    pub(crate) fn local(&self, list: &[u32], held: &[u32], state: &[K::State], inside: &[bool]) -> Self {
        let member = |i: u32| list.binary_search(&i).ok();
        let origin: Vec<u32> = list
            .iter()
            .copied()
            .filter(|&i| {
                self.conflicts_of(i as usize)
                    .iter()
                    .all(|&j| !inside[j as usize] || member(j).is_some())
            })
            .collect();
        let mut cells: Vec<u32> = origin
            .iter()
            .flat_map(|&i| self.cell[self.row(i as usize)].iter().copied())
            .collect();
        cells.sort_unstable();
        cells.dedup();
        let span = cells.last().map_or(0, |last| (last - cells[0]) as usize + 1);
        let first = cells.first().copied().unwrap_or(0);
        // Local numbers of cells: a direct table where the numbers lie close together, which sorting along the curve makes usual.
        let table: Option<Vec<u32>> = (span <= 64 * cells.len()).then(|| {
            let mut table = vec![u32::MAX; span];
            for (k, &c) in cells.iter().enumerate() {
                table[(c - first) as usize] = k as u32;
            }
            table
        });
        let rank = |c: u32| match &table {
            Some(table) => Some(table[c.checked_sub(first)? as usize]).filter(|&k| k != u32::MAX),
            None => cells.binary_search(&c).ok().map(|k| k as u32),
        };
        let mut base: Vec<K::State> = cells.iter().map(|&c| state[c as usize]).collect();
        for &i in held {
            for k in self.row(i as usize) {
                if let Some(c) = rank(self.cell[k]) {
                    base[c as usize] = self.kernel.remove(base[c as usize], self.p[k]);
                }
            }
        }
        let (mut start, mut cell, mut p) = (vec![0], Vec::new(), Vec::new());
        let (mut conflict_start, mut conflict) = (vec![0], Vec::new());
        for &i in &origin {
            let row = self.row(i as usize);
            cell.extend(self.cell[row.clone()].iter().filter_map(|&c| rank(c)));
            p.extend_from_slice(&self.p[row]);
            start.push(cell.len());
            conflict.extend(
                self.conflicts_of(i as usize)
                    .iter()
                    .filter_map(|j| origin.binary_search(j).ok().map(|k| k as u32)),
            );
            conflict_start.push(conflict.len());
        }
        Self {
            kernel: self.kernel,
            weight: cells.iter().map(|&c| self.weight[c as usize]).collect(),
            base,
            start,
            cell,
            p,
            conflict_start,
            conflict,
            cost: origin.iter().map(|&i| self.cost[i as usize]).collect(),
            budget: self.budget,
            xy: self
                .xy
                .as_ref()
                .map(|xy| origin.iter().map(|&i| xy[i as usize]).collect()),
            cell_xy: None,
            origin,
            base_value: 0.0,
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.origin.len()
    }

    pub(crate) fn row(&self, place: usize) -> std::ops::Range<usize> {
        self.start[place]..self.start[place + 1]
    }

    pub(crate) fn conflicts_of(&self, place: usize) -> &[u32] {
        &self.conflict[self.conflict_start[place]..self.conflict_start[place + 1]]
    }

    /// What the place would add to these cell states.
    #[inline]
    pub(crate) fn gain(&self, state: &[K::State], place: usize) -> f64 {
        let row = self.row(place);
        let mut sum = 0.0;
        for (&c, &p) in self.cell[row.clone()].iter().zip(&self.p[row]) {
            sum += self.weight[c as usize] * self.kernel.gain(state[c as usize], p);
        }
        sum
    }

    /// What the place, which is among the chosen, adds now.
    pub(crate) fn loss(&self, state: &[K::State], place: usize) -> f64 {
        let row = self.row(place);
        let mut sum = 0.0;
        for (&c, &p) in self.cell[row.clone()].iter().zip(&self.p[row]) {
            sum += self.weight[c as usize] * self.kernel.gain(self.kernel.remove(state[c as usize], p), p);
        }
        sum
    }

    pub(crate) fn add(&self, state: &mut [K::State], place: usize) {
        for k in self.row(place) {
            let c = self.cell[k] as usize;
            state[c] = self.kernel.add(state[c], self.p[k]);
        }
    }

    pub(crate) fn remove(&self, state: &mut [K::State], place: usize) {
        for k in self.row(place) {
            let c = self.cell[k] as usize;
            state[c] = self.kernel.remove(state[c], self.p[k]);
        }
    }

    /// Cell states under a set of places, computed afresh.
    pub(crate) fn states(&self, chosen: &[u32]) -> Vec<K::State> {
        let mut state = self.base.clone();
        for &i in chosen {
            self.add(&mut state, i as usize);
        }
        state
    }

    /// Value of a set of places, kept ones included.
    pub(crate) fn value(&self, chosen: &[u32]) -> f64 {
        let state = self.states(chosen);
        let gained: f64 = state
            .iter()
            .zip(&self.base)
            .zip(&self.weight)
            .map(|((&now, &before), &w)| w * (self.kernel.value(now) - self.kernel.value(before)))
            .sum();
        self.base_value + gained
    }

    /// The gain of each place alone, over the kept ones.
    pub(crate) fn single_gains(&self) -> Vec<f64> {
        (0..self.len())
            .into_par_iter()
            .map(|i| self.gain(&self.base, i))
            .collect()
    }

    /// For each place, the places that share a cell with it (itself left out), ascending.
    pub(crate) fn sharing(&self) -> Sharing {
        let mut by_cell_start = vec![0usize; self.weight.len() + 1];
        for &c in &self.cell {
            by_cell_start[c as usize + 1] += 1;
        }
        for c in 0..self.weight.len() {
            by_cell_start[c + 1] += by_cell_start[c];
        }
        let mut next = by_cell_start.clone();
        let mut by_cell = vec![0u32; self.cell.len()];
        for i in 0..self.len() {
            for k in self.row(i) {
                let c = self.cell[k] as usize;
                by_cell[next[c]] = i as u32;
                next[c] += 1;
            }
        }
        let rows: Vec<Vec<u32>> = (0..self.len())
            .into_par_iter()
            .map_init(
                || vec![u32::MAX; self.len()],
                |seen, i| {
                    let mut near = Vec::new();
                    for k in self.row(i) {
                        let c = self.cell[k] as usize;
                        for &j in &by_cell[by_cell_start[c]..by_cell_start[c + 1]] {
                            if j as usize != i && seen[j as usize] != i as u32 {
                                seen[j as usize] = i as u32;
                                near.push(j);
                            }
                        }
                    }
                    near.sort_unstable();
                    near
                },
            )
            .collect();
        let mut start = Vec::with_capacity(rows.len() + 1);
        start.push(0);
        let mut place = Vec::with_capacity(rows.iter().map(Vec::len).sum());
        for row in rows {
            place.extend(row);
            start.push(place.len());
        }
        Sharing { start, place }
    }
}

/// Which places share a cell with which.
#[derive(Debug, Clone)]
pub(crate) struct Sharing {
    start: Vec<usize>,
    place: Vec<u32>,
}

impl Sharing {
    pub(crate) fn of(&self, place: usize) -> &[u32] {
        &self.place[self.start[place]..self.start[place + 1]]
    }
}

/// Probability of catching one flyer, from the hazard.
fn catch(hazard: f64) -> f64 {
    -(-hazard).exp_m1()
}

/// Neighbour lists of an undirected graph.
fn neighbours(n: usize, pairs: &[(u32, u32)]) -> (Vec<usize>, Vec<u32>) {
    let mut start = vec![0usize; n + 1];
    for &(i, j) in pairs {
        start[i as usize + 1] += 1;
        start[j as usize + 1] += 1;
    }
    for i in 0..n {
        start[i + 1] += start[i];
    }
    let mut next = start.clone();
    let mut other = vec![0u32; 2 * pairs.len()];
    for &(i, j) in pairs {
        for (a, b) in [(i, j), (j, i)] {
            other[next[a as usize]] = b;
            next[a as usize] += 1;
        }
    }
    for i in 0..n {
        other[start[i]..start[i + 1]].sort_unstable();
    }
    (start, other)
}

/// Sorts places and cells by what they are rather than by where the caller put them: along a Z-order curve where there are
/// positions (which also keeps neighbours close in memory), by weights and hazards where there are none.
fn sort_canonically(problem: &Problem, places: &mut [u32], cells: &mut [u32]) {
    let exact = |a: f64, b: f64| a.total_cmp(&b);
    if let (Some(place_xy), Some(cell_xy)) = (&problem.place_xy, &problem.cell_xy) {
        let curve = Curve::around(place_xy, cell_xy);
        places.par_sort_by_cached_key_then(
            |&i| curve.key(place_xy[i as usize]),
            |&a, &b| {
                let (pa, pb) = (place_xy[a as usize], place_xy[b as usize]);
                exact(pa.x_m, pb.x_m)
                    .then(exact(pa.y_m, pb.y_m))
                    .then(exact(problem.cost(a as usize), problem.cost(b as usize)))
                    .then(a.cmp(&b))
            },
        );
        cells.par_sort_by_cached_key_then(
            |&c| curve.key(cell_xy[c as usize]),
            |&a, &b| {
                let (pa, pb) = (cell_xy[a as usize], cell_xy[b as usize]);
                exact(pa.x_m, pb.x_m)
                    .then(exact(pa.y_m, pb.y_m))
                    .then(exact(problem.weights[a as usize], problem.weights[b as usize]))
                    .then(a.cmp(&b))
            },
        );
    } else {
        let mut hazards_on = vec![Vec::new(); problem.cells()];
        for i in 0..problem.places() {
            for k in problem.start[i]..problem.start[i + 1] {
                hazards_on[problem.cell[k] as usize].push(problem.hazard[k]);
            }
        }
        for list in &mut hazards_on {
            list.sort_unstable_by(f64::total_cmp);
        }
        let compare = |a: &[f64], b: &[f64]| {
            a.len().cmp(&b.len()).then_with(|| {
                a.iter()
                    .zip(b)
                    .map(|(x, y)| x.total_cmp(y))
                    .find(|o| o.is_ne())
                    .unwrap_or(std::cmp::Ordering::Equal)
            })
        };
        cells.sort_by(|&a, &b| {
            exact(problem.weights[a as usize], problem.weights[b as usize])
                .then_with(|| compare(&hazards_on[a as usize], &hazards_on[b as usize]))
                .then(a.cmp(&b))
        });
        let profile = |i: u32| {
            let mut list: Vec<f64> = (problem.start[i as usize]..problem.start[i as usize + 1])
                .flat_map(|k| [problem.weights[problem.cell[k] as usize] * problem.hazard[k]])
                .collect();
            list.sort_unstable_by(f64::total_cmp);
            list.push(problem.cost(i as usize));
            list
        };
        places.sort_by_cached_key(|&i| OrderedList(profile(i), i));
    }
}

/// A list of numbers with a total order, the caller's index last.
#[derive(PartialEq)]
struct OrderedList(Vec<f64>, u32);
impl Eq for OrderedList {}
impl PartialOrd for OrderedList {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for OrderedList {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        let by_number = self
            .0
            .iter()
            .zip(&other.0)
            .map(|(a, b)| a.total_cmp(b))
            .find(|o| o.is_ne());
        by_number
            .unwrap_or_else(|| self.0.len().cmp(&other.0.len()))
            .then(self.1.cmp(&other.1))
    }
}

/// A sort by a key computed once, with a tie-break.
trait SortByKeyThen {
    fn par_sort_by_cached_key_then(
        &mut self,
        key: impl Fn(&u32) -> u64 + Sync,
        then: impl Fn(&u32, &u32) -> std::cmp::Ordering + Sync,
    );
}

impl SortByKeyThen for [u32] {
    fn par_sort_by_cached_key_then(
        &mut self,
        key: impl Fn(&u32) -> u64 + Sync,
        then: impl Fn(&u32, &u32) -> std::cmp::Ordering + Sync,
    ) {
        let mut keyed: Vec<(u64, u32)> = self.iter().map(|i| (key(i), *i)).collect();
        keyed.par_sort_unstable_by(|a, b| a.0.cmp(&b.0).then_with(|| then(&a.1, &b.1)));
        for (slot, (_, i)) in self.iter_mut().zip(keyed) {
            *slot = i;
        }
    }
}

/// A Z-order (Morton) curve over the ground.
struct Curve {
    west_m: f64,
    south_m: f64,
    step_m: f64,
}

impl Curve {
    fn around(places: &[Position], cells: &[Position]) -> Self {
        let all = || places.iter().chain(cells);
        let west_m = all().map(|p| p.x_m).fold(f64::INFINITY, f64::min);
        let south_m = all().map(|p| p.y_m).fold(f64::INFINITY, f64::min);
        let extent_m = all()
            .map(|p| (p.x_m - west_m).max(p.y_m - south_m))
            .fold(0.0, f64::max)
            .max(f64::MIN_POSITIVE);
        Self {
            west_m,
            south_m,
            step_m: extent_m / 65_535.0,
        }
    }

    fn key(&self, at: Position) -> u64 {
        let step = |d: f64| ((d / self.step_m) as u64).min(65_535);
        spread_bits(step(at.x_m - self.west_m)) | spread_bits(step(at.y_m - self.south_m)) << 1
    }
}

fn spread_bits(value: u64) -> u64 {
    let mut v = value & 0xffff_ffff;
    v = (v | v << 16) & 0x0000_ffff_0000_ffff;
    v = (v | v << 8) & 0x00ff_00ff_00ff_00ff;
    v = (v | v << 4) & 0x0f0f_0f0f_0f0f_0f0f;
    v = (v | v << 2) & 0x3333_3333_3333_3333;
    (v | v << 1) & 0x5555_5555_5555_5555
}
