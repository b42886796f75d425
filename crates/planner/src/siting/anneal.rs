//! Simulated annealing by insertion with ejection: a place goes in, the chosen places it conflicts with go out.
//!
//! On small ground a few independent chains look for the best set within the budget. On large ground the map is cut into
//! squares, with a new random offset in every round; inside each square only places whose cells all lie in the square may move,
//! so the squares can be annealed at the same time without touching each other. There each trap pays a price instead of a
//! budget, and the price is moved between rounds until what is used meets the budget.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::core::Core;
use super::kernel::Kernel;
use super::solve::Deadline;

/// One stretch of annealing over a (local) problem.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stretch {
    /// Temperature at the start and at the end, in units of the objective.
    pub(crate) hot: f64,
    pub(crate) cold: f64,
    /// Number of proposals.
    pub(crate) proposals: u64,
    /// What one unit of cost must earn.
    pub(crate) price: f64,
    /// What may be used at most.
    pub(crate) cap: f64,
    /// Remember the best set met on the way.
    pub(crate) keep_best: bool,
}

/// The state of a chain.
pub(crate) struct Chain<'a, K: Kernel> {
    core: &'a Core<K>,
    state: Vec<K::State>,
    inside: Vec<bool>,
    chosen: Vec<u32>,
    /// Where each chosen place stands in `chosen`.
    seat: Vec<u32>,
    used: f64,
    /// Gained so far, minus what the price takes, relative to the start.
    score: f64,
    log: Vec<(u32, K::State)>,
    out: Vec<u32>,
}

impl<'a, K: Kernel> Chain<'a, K> {
    pub(crate) fn new(core: &'a Core<K>, chosen: &[u32]) -> Self {
        let mut chain = Self {
            core,
            state: core.states(chosen),
            inside: vec![false; core.len()],
            chosen: Vec::new(),
            seat: vec![u32::MAX; core.len()],
            used: 0.0,
            score: 0.0,
            log: Vec::new(),
            out: Vec::new(),
        };
        for &i in chosen {
            chain.seat_in(i as usize);
        }
        chain
    }

    fn seat_in(&mut self, place: usize) {
        self.inside[place] = true;
        self.seat[place] = self.chosen.len() as u32;
        self.chosen.push(place as u32);
        self.used += self.core.cost[place];
    }

    fn unseat(&mut self, place: usize) {
        self.inside[place] = false;
        let at = self.seat[place] as usize;
        self.chosen.swap_remove(at);
        if let Some(&moved) = self.chosen.get(at) {
            self.seat[moved as usize] = at as u32;
        }
        self.used -= self.core.cost[place];
    }

    /// Takes a place's effect off the cells, remembering what was there, and returns what it had added.
    fn lift(&mut self, place: usize) -> f64 {
        let core = self.core;
        let row = core.row(place);
        let mut loss = 0.0;
        for (&c, &p) in core.cell[row.clone()].iter().zip(&core.p[row]) {
            let slot = &mut self.state[c as usize];
            self.log.push((c, *slot));
            *slot = core.kernel.remove(*slot, p);
            loss += core.weight[c as usize] * core.kernel.gain(*slot, p);
        }
        loss
    }

    fn undo(&mut self) {
        while let Some((c, before)) = self.log.pop() {
            self.state[c as usize] = before;
        }
    }

    fn accept(&mut self, place: Option<usize>, change: f64) {
        self.log.clear();
        let out = std::mem::take(&mut self.out);
        for &j in &out {
            self.unseat(j as usize);
        }
        self.out = out;
        if let Some(v) = place {
            self.core.add(&mut self.state, v);
            self.seat_in(v);
        }
        self.score += change;
    }

    /// Runs the stretch and returns the best set met (or the last).
    pub(crate) fn run(&mut self, stretch: &Stretch, rng: &mut ChaCha8Rng, candidates: &[u32]) -> Vec<u32> {
        let core = self.core;
        if candidates.is_empty() {
            return self.chosen.clone();
        }
        let mut best = self.chosen.clone();
        let mut best_score = if self.used <= stretch.cap {
            self.score
        } else {
            f64::NEG_INFINITY
        };
        let cooling = (stretch.cold / stretch.hot).ln() / 64.0;
        let block = stretch.proposals.div_ceil(64);
        for step in 0..64 {
            let temperature = stretch.hot * (cooling * f64::from(step)).exp();
            // Products of many factors drift; start each block from exact states.
            self.state = core.states(&self.chosen);
            for _ in 0..block {
                let v = candidates[rng.random_range(0..candidates.len())] as usize;
                // One uniform number decides: accept when change > temperature * ln(u).
                let least = temperature * rng.random::<f64>().max(1e-300).ln();
                self.out.clear();
                if self.inside[v] {
                    if stretch.price <= 0.0 {
                        continue;
                    }
                    let change = stretch.price * core.cost[v] - self.lift(v);
                    self.out.push(v as u32);
                    if change > least {
                        self.accept(None, change)
                    } else {
                        self.undo()
                    }
                } else {
                    let mut used = self.used + core.cost[v];
                    for &j in core.conflicts_of(v) {
                        if self.inside[j as usize] {
                            self.out.push(j);
                            used -= core.cost[j as usize];
                        }
                    }
                    while used > stretch.cap {
                        let u = self.chosen[rng.random_range(0..self.chosen.len())];
                        if !self.out.contains(&u) {
                            self.out.push(u);
                            used -= core.cost[u as usize];
                        }
                        if self.out.len() == self.chosen.len() {
                            break;
                        }
                    }
                    let mut change = stretch.price * (self.used - used);
                    for k in 0..self.out.len() {
                        let j = self.out[k] as usize;
                        change -= self.lift(j);
                    }
                    change += core.gain(&self.state, v);
                    if used <= stretch.cap && change > least {
                        self.accept(Some(v), change);
                    } else {
                        self.undo();
                        continue;
                    }
                }
                if stretch.keep_best && self.score > best_score && self.used <= stretch.cap {
                    best_score = self.score;
                    best.clear();
                    best.extend_from_slice(&self.chosen);
                }
            }
        }
        if stretch.keep_best {
            best
        } else {
            self.chosen.clone()
        }
    }
}

/// A deterministic generator for one piece of work.
pub(crate) fn generator(seed: u64, round: u64, piece: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ round.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    rng.set_stream(piece);
    rng
}

/// Independent chains over the whole problem; the best set of all, or `None` when the time ran out first.
pub(crate) fn chains<K: Kernel>(
    core: &Core<K>,
    from: &[u32],
    candidates: &[u32],
    chains: u64,
    stretch: &Stretch,
    seed: u64,
    deadline: &Deadline,
) -> Option<Vec<u32>> {
    let found: Vec<(f64, Vec<u32>)> = (0..chains)
        .into_par_iter()
        .filter_map(|piece| {
            if deadline.passed() {
                return None;
            }
            let mut chain = Chain::new(core, from);
            let mut set = chain.run(stretch, &mut generator(seed, 0, piece), candidates);
            set.sort_unstable();
            Some((core.value(&set), set))
        })
        .collect();
    found
        .into_iter()
        .reduce(|a, b| if b.0 > a.0 { b } else { a })
        .map(|best| best.1)
}

/// The squares of one round.
pub(crate) struct Squares {
    side_m: f64,
    margin_m: f64,
    west_m: f64,
    south_m: f64,
    columns: usize,
    rows: usize,
}

impl Squares {
    /// How far a place's influence reaches: to its farthest cell, or half the way to its farthest conflict.
    pub(crate) fn margin_m<K: Kernel>(core: &Core<K>) -> Option<f64> {
        let (xy, cell_xy) = (core.xy.as_ref()?, core.cell_xy.as_ref()?);
        let reach = (0..core.len())
            .into_par_iter()
            .map(|i| {
                let to_cells = core.cell[core.row(i)].iter().map(|&c| {
                    (cell_xy[c as usize].x_m - xy[i].x_m).hypot(cell_xy[c as usize].y_m - xy[i].y_m)
                });
                let to_conflicts = core
                    .conflicts_of(i)
                    .iter()
                    .map(|&j| 0.5 * (xy[j as usize].x_m - xy[i].x_m).hypot(xy[j as usize].y_m - xy[i].y_m));
                to_cells.chain(to_conflicts).fold(0.0, f64::max)
            })
            .reduce(|| 0.0, f64::max);
        Some(reach * (1.0 + 1e-9) + 1e-6)
    }

    fn square_of(&self, x_m: f64, y_m: f64) -> Option<usize> {
        let (x, y) = (
            (x_m - self.west_m) / self.side_m,
            (y_m - self.south_m) / self.side_m,
        );
        let (column, row) = (x.floor(), y.floor());
        let edge = self.margin_m / self.side_m;
        let inner = |f: f64| f >= edge && f <= 1.0 - edge;
        (inner(x - column) && inner(y - row)).then_some(row as usize * self.columns + column as usize)
    }
}

/// Annealing in squares. `price` is what a unit of cost must earn, adjusted as it goes; returns the last set, whose use may be a
/// little off the budget.
pub(crate) fn squares<K: Kernel>(
    core: &Core<K>,
    from: &[u32],
    plan: &SquarePlan,
    deadline: &Deadline,
) -> Vec<u32> {
    let (Some(xy), Some(margin_m)) = (&core.xy, Squares::margin_m(core)) else {
        return from.to_vec();
    };
    let single = core.single_gains();
    let mut price = plan.price;
    let mut inside = vec![false; core.len()];
    for &i in from {
        inside[i as usize] = true;
    }
    let mut chosen = from.to_vec();
    let bounds = xy.iter().fold(
        [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY],
        |b, p| [b[0].min(p.x_m), b[1].min(p.y_m), b[2].max(p.x_m), b[3].max(p.y_m)],
    );
    let area_m2 = ((bounds[2] - bounds[0]) * (bounds[3] - bounds[1])).max(1.0);
    let side_m = (plan.places_per_square * area_m2 / core.len() as f64)
        .sqrt()
        .max(6.0 * margin_m);
    for round in 0..plan.rounds {
        if deadline.passed() {
            break;
        }
        let share = round as f64 / plan.rounds as f64;
        let at = |share: f64| plan.hot * (plan.cold / plan.hot).powf(share);
        let mut rng = generator(plan.seed, round + 1, u64::MAX);
        let squares = Squares {
            side_m,
            margin_m,
            west_m: bounds[0] - side_m * (0.05 + 0.9 * rng.random::<f64>()),
            south_m: bounds[1] - side_m * (0.05 + 0.9 * rng.random::<f64>()),
            columns: ((bounds[2] - bounds[0]) / side_m) as usize + 3,
            rows: ((bounds[3] - bounds[1]) / side_m) as usize + 3,
        };
        let mut members: Vec<Vec<u32>> = vec![Vec::new(); squares.columns * squares.rows];
        for i in 0..core.len() {
            // What cannot earn its price even alone is not worth a proposal.
            if (single[i] >= 0.9 * price * core.cost[i] || inside[i])
                && let Some(square) = squares.square_of(xy[i].x_m, xy[i].y_m)
            {
                members[square].push(i as u32);
            }
        }
        let state = core.states(&chosen);
        let news: Vec<(Vec<u32>, Vec<u32>)> = members
            .into_par_iter()
            .enumerate()
            .filter(|(_, list)| !list.is_empty())
            .map(|(piece, list)| {
                let held: Vec<u32> = list.iter().copied().filter(|&i| inside[i as usize]).collect();
                let local = core.local(&list, &held, &state, &inside);
                let now: Vec<u32> = (0..local.len() as u32)
                    .filter(|&k| inside[local.origin[k as usize] as usize])
                    .collect();
                let candidates: Vec<u32> = (0..local.len() as u32).collect();
                let stretch = Stretch {
                    hot: at(share) * price,
                    cold: at(share + 1.0 / plan.rounds as f64) * price,
                    proposals: plan.proposals_per_place * local.len() as u64,
                    price,
                    cap: f64::INFINITY,
                    keep_best: false,
                };
                let set = Chain::new(&local, &now).run(
                    &stretch,
                    &mut generator(plan.seed, round + 1, piece as u64),
                    &candidates,
                );
                (held, set.iter().map(|&k| local.origin[k as usize]).collect())
            })
            .collect();
        for (before, after) in news {
            for i in before {
                inside[i as usize] = false;
            }
            for i in after {
                inside[i as usize] = true;
            }
        }
        chosen = (0..core.len() as u32).filter(|&i| inside[i as usize]).collect();
        let used: f64 = chosen.iter().map(|&i| core.cost[i as usize]).sum();
        // Large corrections early, small ones late.
        let over = ((used - core.budget) / core.budget).clamp(-0.5, 0.5);
        price *= (plan.price_step * over).exp();
    }
    chosen
}

/// How [`squares`] should work.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SquarePlan {
    pub(crate) seed: u64,
    pub(crate) rounds: u64,
    pub(crate) proposals_per_place: u64,
    pub(crate) places_per_square: f64,
    /// Temperatures in multiples of the price.
    pub(crate) hot: f64,
    pub(crate) cold: f64,
    pub(crate) price: f64,
    pub(crate) price_step: f64,
}
