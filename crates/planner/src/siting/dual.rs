//! The proof: a Lagrangian bound over bands of ground.
//!
//! Cells are divided among bands `T`. Each band has its own copy of every place that reaches it, at a price `lambda_i^T`, and the
//! prices of a place's copies add up to `mu` times its cost. For any plan within budget `B`,
//! `f(x) <= f(x) + mu (B - cost(x)) = mu B + sum_T (f_T(x) - lambda^T x) <= mu B + sum_T V_T(lambda)`, where `V_T` is the best the
//! band can do at its prices ([`super::band`]). So every choice of prices with `mu >= 0` gives a bound, and prices are improved
//! by subgradients: where one band buys a place that its neighbour does not, its price rises here and falls there. The length
//! of a step is Polyak's, with the best plan's objective as the target.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::band::{Band, BandBest, Scratch};
use super::core::Core;
use super::kernel::Kernel;
use super::solve::Deadline;

/// Prices at which the bound was computed.
#[derive(Debug, Clone)]
struct Prices {
    mu: f64,
    copy: Vec<Vec<f64>>,
}

/// A place and its copies, as (band, index in the band).
type Copies = (u32, Vec<(u32, u32)>);

/// Bands, prices, and the best bound so far.
pub(crate) struct Dual<'a, K: Kernel> {
    core: &'a Core<K>,
    bands: Vec<Band<K>>,
    prices: Prices,
    best_prices: Prices,
    copies: Vec<Copies>,
    /// How often each candidate was bought lately, averaged over its copies and, with fading weight, over rounds.
    liked: Vec<f64>,
    /// Gain alone and cost of places too weak to be candidates.
    weak: Vec<(f64, f64)>,
    pub(crate) bound: f64,
    /// Length of a step in Polyak's units, and rounds since the last progress.
    theta: f64,
    idle: u32,
    /// States a band may hold before it starts to forget.
    pub(crate) most_states: usize,
    /// Work done so far, in the unit of [`Kernel::WORK`].
    pub(crate) work: u64,
}

/// How long to improve a bound.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Effort {
    pub(crate) rounds: usize,
    pub(crate) work: u64,
    /// Stop when `(bound - target) / bound` is no larger.
    pub(crate) gap: f64,
}

impl<'a, K: Kernel> Dual<'a, K> {
    /// Bands of `band_m` metres, or a single one for a problem without positions, priced at `mu` in proportion to what each place adds
    /// to each band alone.
    pub(crate) fn new(core: &'a Core<K>, single: &[f64], mu: f64, band_m: f64) -> Self {
        let south_m = core.cell_xy.as_ref().map_or(0.0, |xy| {
            xy.iter().map(|p| p.y_m).fold(f64::INFINITY, f64::min) - 0.5 * band_m
        });
        let band_of = |c: u32| {
            core.cell_xy
                .as_ref()
                .map_or(0, |xy| ((xy[c as usize].y_m - south_m) / band_m) as u32)
        };
        let along = |i: u32| core.xy.as_ref().map_or(0.0, |xy| xy[i as usize].x_m);
        let mut weak = Vec::new();
        let mut members: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
        for (i, &alone) in single.iter().enumerate() {
            // The margin leaves room for `mu` to fall.
            if alone < 0.9 * mu * core.cost[i] {
                weak.push((alone, core.cost[i]));
                continue;
            }
            let mut touched: Vec<u32> = core.cell[core.row(i)].iter().map(|&c| band_of(c)).collect();
            touched.sort_unstable();
            touched.dedup();
            for t in touched {
                members.entry(t).or_default().push(i as u32);
            }
        }
        let bands: Vec<Band<K>> = members
            .into_par_iter()
            .map(|(t, mut list)| {
                list.sort_by(|&a, &b| along(a).total_cmp(&along(b)).then(a.cmp(&b)));
                Band::new(core, list, |c| band_of(c) == t)
            })
            .collect();
        let mut copies: BTreeMap<u32, Vec<(u32, u32)>> = BTreeMap::new();
        for (t, band) in bands.iter().enumerate() {
            for (k, &i) in band.place.iter().enumerate() {
                copies.entry(i).or_default().push((t as u32, k as u32));
            }
        }
        let mut copy: Vec<Vec<f64>> = bands.iter().map(|b| vec![0.0; b.place.len()]).collect();
        for (&i, list) in &copies {
            let alone = |&(t, k): &(u32, u32)| bands[t as usize].single[k as usize];
            let total: f64 = list.iter().map(alone).sum();
            for at in list {
                let share = if total > 0.0 {
                    alone(at) / total
                } else {
                    1.0 / list.len() as f64
                };
                copy[at.0 as usize][at.1 as usize] = mu * core.cost[i as usize] * share;
            }
        }
        let prices = Prices { mu, copy };
        Self {
            core,
            bands,
            best_prices: prices.clone(),
            prices,
            liked: vec![0.0; copies.len()],
            copies: copies.into_iter().collect(),
            weak,
            bound: f64::INFINITY,
            theta: 1.0,
            idle: 0,
            most_states: 0,
            work: 0,
        }
    }

    /// The bound at the present prices, and what each band buys. Any `mu >= 0` and any prices are valid as long as a place's copies
    /// cost at most `mu` times its cost together, which the steps keep up to rounding; the excess is added back here.
    fn evaluate(&mut self) -> (f64, Vec<BandBest>) {
        let (most, bands, prices) = (self.most_states, &self.bands, &self.prices);
        let best: Vec<BandBest> = bands
            .par_iter()
            .zip(&prices.copy)
            .map_init(Scratch::new, |scratch, (band, price)| {
                band.solve(price, 0.0, most, scratch)
            })
            .collect();
        let yielded: f64 = best.iter().map(|b| b.value).sum();
        let weak: f64 = self
            .weak
            .iter()
            .map(|&(gain, cost)| (gain - prices.mu * cost).max(0.0))
            .sum();
        let excess: f64 = self
            .copies
            .iter()
            .map(|(i, list)| {
                let paid: f64 = list
                    .iter()
                    .map(|&(t, k)| prices.copy[t as usize][k as usize])
                    .sum();
                (paid - prices.mu * self.core.cost[*i as usize]).max(0.0)
            })
            .sum();
        self.work += best.iter().map(|b| b.work).sum::<u64>();
        (
            self.core.base_value + self.core.budget * prices.mu + yielded + weak + excess,
            best,
        )
    }

    /// Improves the prices towards a bound of `target`, the value of a plan.
    pub(crate) fn descend(&mut self, target: f64, effort: &Effort, deadline: &Deadline) {
        if self.most_states == 0 {
            // A guess of what a round with full bands would cost: each entry of each copy for each state, a few times over.
            let entries: usize = self.bands.iter().map(Band::entries).sum();
            let one = 4.0 * (entries as u64 * K::WORK).max(1) as f64;
            self.most_states = ((effort.work as f64 / 20.0 / one) as usize).clamp(16, 2_000);
        }
        let until = self.work + effort.work;
        for _ in 0..effort.rounds {
            if self.gap(target) <= effort.gap.max(1e-9) || self.work >= until || deadline.passed() {
                return;
            }
            let before = self.work;
            let (bound, best) = self.evaluate();
            // As much memory as leaves time for some tens of rounds.
            let spent = self.work - before;
            if best.iter().any(|b| b.crowded) && spent < effort.work / 25 {
                self.most_states = (self.most_states * 2).min(200_000);
            } else if spent > effort.work / 10 {
                self.most_states = (self.most_states / 2).max(64);
            }
            if bound < self.bound {
                self.idle = if bound < self.bound - 0.01 * (self.bound - target) {
                    0
                } else {
                    self.idle + 1
                };
                self.bound = bound;
                self.best_prices.clone_from(&self.prices);
            } else {
                self.idle += 1;
            }
            if self.idle >= 6 || bound > target + 3.0 * (self.bound - target) {
                // Too long a step, or stuck: back to the best prices with shorter steps.
                self.idle = 0;
                self.theta = (self.theta * 0.6).max(1e-3);
                if bound > self.bound {
                    self.prices.clone_from(&self.best_prices);
                    if bound > target + 3.0 * (self.bound - target) {
                        let (_, again) = self.evaluate();
                        self.step(self.bound - target, &again);
                        continue;
                    }
                }
            }
            self.step(bound - target, &best);
        }
    }

    fn gap(&self, target: f64) -> f64 {
        if self.bound.is_finite() && self.bound > 0.0 {
            (self.bound - target) / self.bound
        } else {
            f64::INFINITY
        }
    }

    /// One step against the subgradient at the present prices.
    fn step(&mut self, excess: f64, best: &[BandBest]) {
        let mut bought: Vec<Vec<bool>> = self.bands.iter().map(|b| vec![false; b.place.len()]).collect();
        for (flags, b) in bought.iter_mut().zip(best) {
            for &k in &b.bought {
                flags[k as usize] = true;
            }
        }
        let share = |list: &[(u32, u32)]| {
            let count = list
                .iter()
                .filter(|&&(t, k)| bought[t as usize][k as usize])
                .count();
            (count as f64, count as f64 / list.len() as f64)
        };
        let (mut quarrel, mut used) = (0.0, 0.0);
        for ((i, list), liked) in self.copies.iter().zip(&mut self.liked) {
            let (count, mean) = share(list);
            *liked = 0.7 * *liked + 0.3 * mean;
            quarrel += count * (1.0 - mean);
            used += mean * self.core.cost[*i as usize];
        }
        // The price of the budget moves on its own scale: its subgradient is in units of cost, not of copies.
        let budget = self.core.budget;
        let mut slack = budget - used;
        if self.prices.mu <= 0.0 && slack > 0.0 {
            slack = 0.0;
        }
        let scale = 1.0 / budget.max(1e-300);
        let norm = quarrel + slack * slack * scale;
        if norm <= 0.0 || excess <= 0.0 {
            return;
        }
        let length = self.theta * excess / norm;
        let mu = self.prices.mu;
        let next_mu =
            (mu - (length * slack * scale).clamp(-0.1 * mu.max(length), 0.1 * mu.max(length))).max(0.0);
        for (i, list) in &self.copies {
            let (_, mean) = share(list);
            let shift = (next_mu - mu) * self.core.cost[*i as usize] / list.len() as f64;
            for &(t, k) in list {
                let x = f64::from(u8::from(bought[t as usize][k as usize]));
                self.prices.copy[t as usize][k as usize] += length * (x - mean) + shift;
            }
        }
        self.prices.mu = next_mu;
    }

    /// The price of the budget at the best bound.
    pub(crate) fn mu(&self) -> f64 {
        self.best_prices.mu
    }

    /// A set without conflicts made of the places the bands like most.
    pub(crate) fn favourites(&self) -> Vec<u32> {
        let mut order: Vec<usize> = (0..self.copies.len()).filter(|&k| self.liked[k] > 0.2).collect();
        order.sort_by(|&a, &b| self.liked[b].total_cmp(&self.liked[a]).then(a.cmp(&b)));
        let mut blocked = vec![false; self.core.len()];
        let mut set = Vec::new();
        for k in order {
            let i = self.copies[k].0;
            if !blocked[i as usize] {
                set.push(i);
                for &j in self.core.conflicts_of(i as usize) {
                    blocked[j as usize] = true;
                }
            }
        }
        set
    }
}
