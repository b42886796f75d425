//! A proved upper bound: the concave extension of the share, and the largest value of its tangents within the limits.
//!
//! With `0 <= x <= 1` the share is a concave function that equals the plan's own wherever all `x` are whole. So at any `x` its tangent
//! lies above every plan; the tangent's largest value under K traps and H hours is a sum of the K largest slopes and a
//! fractional knapsack. Spacing is left out, which can only raise the bound. The point moves by Frank and Wolfe's method
//! (1956, Naval Research Logistics Quarterly 3:95-110), with the best step along each line.

use super::engine::{Item, slopes};
use super::problem::{Problem, Use};

/// A point of the extension, as hazards: of traps on an insect of each cell, of looks on a tree of each cell.
struct At {
    met: Vec<f64>,
    seen: Vec<f64>,
}

impl At {
    fn nothing(problem: &Problem<'_>) -> Self {
        let cells = problem.ground.cells.len();
        At {
            met: vec![0.0; cells],
            seen: vec![0.0; cells],
        }
    }

    fn put(&mut self, problem: &Problem<'_>, item: Item, part: f64) {
        match item {
            Item::Trap(i) => {
                for (c, hazard) in problem.reach_of(i) {
                    self.met[*c as usize] += part * hazard;
                }
            }
            Item::Look(k) => self.seen[problem.looks[k].cell as usize] += part * problem.sight[k],
        }
    }

    fn towards(&self, other: &At, step: f64) -> At {
        let mix = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a + step * (b - a)).collect();
        At {
            met: mix(&self.met, &other.met),
            seen: mix(&self.seen, &other.seen),
        }
    }

    /// Chance that each piece is missed.
    fn missed(&self, problem: &Problem<'_>) -> Vec<f64> {
        let ground = problem.ground;
        let mut found = vec![0.0; ground.share.len()];
        for c in 0..self.met.len() {
            let caught = -(-self.met[c]).exp_m1();
            for &(e, flyers, trees) in ground.gives_of(c) {
                found[e as usize] += flyers * caught + trees * self.seen[c];
            }
        }
        found.iter().map(|u| (-u).exp()).collect()
    }

    /// The share and its slopes by cell: per unit of `met` and of `seen`.
    fn share(&self, problem: &Problem<'_>) -> (f64, Vec<f64>) {
        let ground = problem.ground;
        let missed = self.missed(problem);
        let share = ground
            .share
            .iter()
            .zip(&missed)
            .map(|(w, m)| w * (1.0 - m))
            .sum::<f64>();
        let weight = ground.share.iter().zip(&missed).map(|(w, m)| w * m).collect();
        (share + ground.bounded, weight)
    }

    /// Slope of the share along the way to another point.
    fn slope_to(&self, problem: &Problem<'_>, weight: &[f64], other: &At) -> f64 {
        let ground = problem.ground;
        let mut slope = 0.0;
        for c in 0..self.met.len() {
            let (met, seen) = (other.met[c] - self.met[c], other.seen[c] - self.seen[c]);
            if met == 0.0 && seen == 0.0 {
                continue;
            }
            let escape = (-self.met[c]).exp();
            for &(e, flyers, trees) in ground.gives_of(c) {
                slope += weight[e as usize] * (flyers * escape * met + trees * seen);
            }
        }
        slope
    }
}

/// The best bound of at most `rounds` tangents, the first at the plan `start`; stops once it is within `enough` of the plan's own
/// share, as a part of it.
pub(crate) fn bound(problem: &Problem<'_>, start: &[Item], rounds: u32, enough: f64) -> f64 {
    let mut held = At::nothing(problem);
    for (i, _) in problem
        .traps
        .iter()
        .enumerate()
        .filter(|(_, t)| t.usage == Use::Held)
    {
        held.put(problem, Item::Trap(i), 1.0);
    }
    let mut at = held.towards(&held, 0.0);
    start.iter().for_each(|item| at.put(problem, *item, 1.0));
    let own = at.share(problem).0;
    let mut best: f64 = 1.0;
    for _ in 0..rounds.max(1) {
        let (share, weight) = at.share(problem);
        let (by_trap, by_look) = slopes(problem, &weight, &at.met, &mut 0);
        let mut top = held.towards(&held, 0.0);
        for (item, part) in vertex(problem, &by_trap, &by_look) {
            top.put(problem, item, part);
        }
        let rise = at.slope_to(problem, &weight, &top);
        best = best.min(share + rise.max(0.0));
        if best - own <= enough * own || rise <= 1e-12 {
            break;
        }
        // The share along the line is concave: the best step is where its slope turns.
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..12 {
            let middle = 0.5 * (low + high);
            let there = at.towards(&top, middle);
            let (_, weight) = there.share(problem);
            let ahead = there.towards(&top, 1.0);
            if there.slope_to(problem, &weight, &ahead) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        at = at.towards(&top, 0.5 * (low + high));
    }
    // Sums of many small numbers: a hair above what they say, so that rounding can't make the bound untrue.
    (best * (1.0 + 1e-12)).min(1.0)
}

/// What slopes that simply add up can reach most with: the K best traps, and looks by slope an hour, the last in part.
fn vertex(problem: &Problem<'_>, by_trap: &[f64], by_look: &[f64]) -> Vec<(Item, f64)> {
    let free = |i: &usize| problem.traps[*i].usage == Use::Free && by_trap[*i] > 0.0;
    let mut traps: Vec<usize> = (0..by_trap.len()).filter(free).collect();
    traps.sort_unstable_by(|a, b| by_trap[*b].total_cmp(&by_trap[*a]).then(a.cmp(b)));
    traps.truncate(problem.limits.traps);
    let mut all: Vec<(Item, f64)> = traps.into_iter().map(|i| (Item::Trap(i), 1.0)).collect();

    let mut looks: Vec<usize> = (0..by_look.len()).filter(|k| by_look[*k] > 0.0).collect();
    let hours = |k: usize| problem.looks[k].hours;
    looks.sort_unstable_by(|a, b| {
        let (a_first, b_first) = (by_look[*a] * hours(*b), by_look[*b] * hours(*a));
        b_first.total_cmp(&a_first).then(a.cmp(b))
    });
    let mut left = problem.limits.hours;
    for k in looks {
        let part = if hours(k) <= left { 1.0 } else { left / hours(k) };
        all.push((Item::Look(k), part));
        left -= part * hours(k);
        if part < 1.0 {
            break;
        }
    }
    all
}
