//! The concave relaxation: a bound for ground where traps reach so far that bands cannot remember what matters.
//!
//! `g` lies under each of its tangents, so for any point `H0`, `f(x) <= sum_c w_c (g(H0_c) + g'(H0_c) (H_c(x) - H0_c))`, which is a
//! sum over the chosen places; its largest value within the budget, at most one place of a clique of conflicting ones, is
//! easy. The tangent point is improved by Frank and Wolfe's method (1956, Naval Research Logistics Quarterly 3:95-110).

use super::core::Core;
use super::kernel::Kernel;
use super::solve::Deadline;

/// The best bound found in at most `rounds` rounds, starting at the point that `start` reaches.
pub(crate) fn bound<K: Kernel>(core: &Core<K>, start: &[u32], rounds: usize, deadline: &Deadline) -> f64 {
    let kernel = core.kernel;
    let hazard: Vec<f64> = core.p.iter().map(|&p| kernel.hazard(p)).collect();
    let floor: Vec<f64> = core.base.iter().map(|&s| kernel.total_hazard(s)).collect();
    let cliques = cliques(core);
    let load = |set: &[(u32, f64)]| {
        let mut h = floor.clone();
        for &(i, share) in set {
            for k in core.row(i as usize) {
                h[core.cell[k] as usize] += share * hazard[k];
            }
        }
        h
    };
    let mut at = load(&start.iter().map(|&i| (i, 1.0)).collect::<Vec<_>>());
    let mut best = f64::INFINITY;
    for round in 0..rounds {
        if deadline.passed() {
            break;
        }
        let mut constant = core.base_value;
        let mut slope = vec![0.0; at.len()];
        for c in 0..at.len() {
            let (value, rise) = kernel.tangent(at[c]);
            slope[c] = core.weight[c] * rise;
            constant += core.weight[c] * (value - kernel.tangent(floor[c]).0) - slope[c] * (at[c] - floor[c]);
        }
        let gains: Vec<f64> = (0..core.len())
            .map(|i| {
                core.row(i)
                    .map(|k| slope[core.cell[k] as usize] * hazard[k])
                    .sum()
            })
            .collect();
        let (total, vertex) = best_vertex(core, &gains, &cliques);
        best = best.min(constant + total);
        let towards = load(&vertex);
        let step = 2.0 / (round as f64 + 3.0);
        for (h, t) in at.iter_mut().zip(towards) {
            *h += step * (t - *h);
        }
    }
    best
}

/// Each place's clique: places are taken in order and join the first clique of a conflicting place that accepts them.
fn cliques<K: Kernel>(core: &Core<K>) -> Vec<u32> {
    let mut home = vec![u32::MAX; core.len()];
    let mut members: Vec<Vec<u32>> = Vec::new();
    for i in 0..core.len() {
        let conflicts = core.conflicts_of(i);
        let accepted = conflicts
            .iter()
            .map(|&j| home[j as usize])
            .filter(|&q| q != u32::MAX)
            .find(|&q| {
                members[q as usize]
                    .iter()
                    .all(|j| conflicts.binary_search(j).is_ok())
            });
        let q = accepted.unwrap_or_else(|| {
            members.push(Vec::new());
            members.len() as u32 - 1
        });
        members[q as usize].push(i as u32);
        home[i] = q;
    }
    home
}

/// The most that gains which simply add up can reach within the budget: for each place with any, its share and the total. Within a
/// clique the steps of the upper envelope of (cost, gain) are taken, which is the exact fractional optimum.
fn best_vertex<K: Kernel>(core: &Core<K>, gains: &[f64], cliques: &[u32]) -> (f64, Vec<(u32, f64)>) {
    let mut order: Vec<u32> = (0..core.len() as u32)
        .filter(|&i| gains[i as usize] > 0.0)
        .collect();
    order.sort_unstable_by(|&a, &b| {
        let (ca, cb) = (core.cost[a as usize], core.cost[b as usize]);
        cliques[a as usize]
            .cmp(&cliques[b as usize])
            .then(ca.total_cmp(&cb))
            .then(gains[b as usize].total_cmp(&gains[a as usize]))
            .then(a.cmp(&b))
    });
    // Steps (gain, cost, from, to) of each clique's envelope, slopes falling.
    let mut steps: Vec<(f64, f64, Option<u32>, u32)> = Vec::new();
    let mut hull: Vec<u32> = Vec::new();
    let at = |i: Option<&u32>| i.map_or((0.0, 0.0), |&i| (core.cost[i as usize], gains[i as usize]));
    let flush = |hull: &mut Vec<u32>, steps: &mut Vec<(f64, f64, Option<u32>, u32)>| {
        for k in 0..hull.len() {
            let from = k.checked_sub(1).map(|k| hull[k]);
            let ((c0, g0), (c1, g1)) = (at(from.as_ref()), at(Some(&hull[k])));
            steps.push((g1 - g0, c1 - c0, from, hull[k]));
        }
        hull.clear();
    };
    for (k, &i) in order.iter().enumerate() {
        if k > 0 && cliques[order[k - 1] as usize] != cliques[i as usize] {
            flush(&mut hull, &mut steps);
        }
        let (c, g) = at(Some(&i));
        if g <= at(hull.last()).1 {
            continue;
        }
        while let Some(last) = hull.last() {
            let (c1, g1) = at(Some(last));
            let (c0, g0) = at(hull.len().checked_sub(2).map(|k| &hull[k]));
            if (g1 - g0) * (c - c1) <= (g - g1) * (c1 - c0) {
                hull.pop();
            } else {
                break;
            }
        }
        hull.push(i);
    }
    flush(&mut hull, &mut steps);
    steps.sort_by(|a, b| (b.0 * a.1).total_cmp(&(a.0 * b.1)).then(a.3.cmp(&b.3)));
    let mut share = vec![0.0; core.len()];
    let (mut total, mut left) = (0.0, core.budget);
    for (gain, cost, from, to) in steps {
        let part = if cost <= left { 1.0 } else { left / cost };
        total += part * gain;
        left -= part * cost;
        if let Some(from) = from {
            share[from as usize] -= part;
        }
        share[to as usize] += part;
        if part < 1.0 {
            break;
        }
    }
    let vertex = (0..core.len() as u32)
        .filter(|&i| share[i as usize] > 0.0)
        .map(|i| (i, share[i as usize]))
        .collect();
    (total, vertex)
}
