//! Large neighbourhoods: all places of a whole stripe of ground are set free at once and chosen anew, exactly, at a price.

use rayon::prelude::*;

use super::band::{Band, Scratch};
use super::core::Core;
use super::kernel::Kernel;
use super::solve::Deadline;

/// Which way the stripes run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Along {
    /// West to east.
    X,
    /// South to north.
    Y,
}

/// How one sweep cuts the ground.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cut {
    pub(crate) along: Along,
    /// Width of a stripe.
    pub(crate) width_m: f64,
    /// Shift of the stripes, as a share of the width.
    pub(crate) shift: f64,
    /// How far a place's influence reaches: stripes at least twice as far apart are worked on together.
    pub(crate) margin_m: f64,
}

/// Re-chooses stripe after stripe, each to the best of objective minus `price` times cost given all else.
/// `chosen` is replaced by a set that is at least as good by that measure. Returns whether anything changed, and adds to `work`.
pub(crate) fn sweep<K: Kernel>(
    core: &Core<K>,
    chosen: &mut Vec<u32>,
    price: f64,
    cut: &Cut,
    work: &mut u64,
    deadline: &Deadline,
) -> bool {
    let Some(xy) = &core.xy else { return false };
    let across = |i: u32| match cut.along {
        Along::X => xy[i as usize].y_m,
        Along::Y => xy[i as usize].x_m,
    };
    let along = |i: u32| match cut.along {
        Along::X => xy[i as usize].x_m,
        Along::Y => xy[i as usize].y_m,
    };
    let single = core.single_gains();
    let mut inside = vec![false; core.len()];
    for &i in chosen.iter() {
        inside[i as usize] = true;
    }
    let first_m = (0..core.len() as u32).map(across).fold(f64::INFINITY, f64::min) - cut.shift * cut.width_m;
    let mut stripes: Vec<Vec<u32>> = Vec::new();
    for i in 0..core.len() as u32 {
        if inside[i as usize] || single[i as usize] > price * core.cost[i as usize] {
            let s = ((across(i) - first_m) / cut.width_m) as usize;
            if stripes.len() <= s {
                stripes.resize(s + 1, Vec::new());
            }
            stripes[s].push(i);
        }
    }
    let mut changed = false;
    let period = 1 + (2.0 * cut.margin_m / cut.width_m).ceil() as usize;
    for turn in 0..period {
        if deadline.passed() {
            return changed;
        }
        let now: Vec<u32> = (0..core.len() as u32).filter(|&i| inside[i as usize]).collect();
        let state = core.states(&now);
        let news: Vec<(Vec<u32>, Vec<u32>, u64)> = stripes
            .par_iter()
            .enumerate()
            .filter(|(s, list)| s % period == turn && !list.is_empty())
            .map_init(Scratch::new, |scratch, (_, list)| {
                let held: Vec<u32> = list.iter().copied().filter(|&i| inside[i as usize]).collect();
                let local = core.local(list, &held, &state, &inside);
                let mut order: Vec<u32> = (0..local.len() as u32).collect();
                order.sort_by(|&a, &b| {
                    let (a, b) = (local.origin[a as usize], local.origin[b as usize]);
                    along(a).total_cmp(&along(b)).then(a.cmp(&b))
                });
                let band = Band::new(&local, order, |_| true);
                let prices: Vec<f64> = band
                    .place
                    .iter()
                    .map(|&k| price * local.cost[k as usize])
                    .collect();
                let net =
                    |set: &[u32]| band.value_of(set) - set.iter().map(|&k| prices[k as usize]).sum::<f64>();
                let held_local: Vec<u32> = (0..band.place.len() as u32)
                    .filter(|&k| inside[local.origin[band.place[k as usize] as usize] as usize])
                    .collect();
                let best = band.solve(&prices, 0.0, 10_000, scratch);
                let better = band.obeys(&best.bought) && net(&best.bought) > net(&held_local) + 1e-12 * price;
                let after = if better {
                    best.bought
                        .iter()
                        .map(|&k| local.origin[band.place[k as usize] as usize])
                        .collect()
                } else {
                    held.clone()
                };
                (held, after, best.work)
            })
            .collect();
        for (before, after, done) in news {
            *work += done;
            changed |= before.len() != after.len() || after.iter().any(|&i| !inside[i as usize]);
            for i in before {
                inside[i as usize] = false;
            }
            for i in after {
                inside[i as usize] = true;
            }
        }
    }
    *chosen = (0..core.len() as u32).filter(|&i| inside[i as usize]).collect();
    changed
}
