//! Lazy greedy: always the place that adds most, with gains refreshed only when they reach the top of the heap.

use std::collections::BinaryHeap;

use super::core::Core;
use super::kernel::Kernel;
use crate::lazy::Entry;

/// What greedy makes large at each step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Score {
    /// The gain.
    Gain,
    /// The gain per unit of cost.
    GainPerCost,
}

impl Score {
    pub(crate) fn of(self, gain: f64, cost: f64) -> f64 {
        match self {
            Self::Gain => gain,
            // A free place that adds anything comes first.
            Self::GainPerCost if cost <= 0.0 => {
                if gain > 0.0 {
                    f64::INFINITY
                } else {
                    0.0
                }
            }
            Self::GainPerCost => gain / cost,
        }
    }
}

/// Extends `chosen` greedily until the budget is used or nothing adds anything. `allowed` limits what may be added.
/// Gains only fall as places are chosen (submodularity), so a refreshed gain that stays on top is exactly the largest.
pub(crate) fn extend<K: Kernel>(
    core: &Core<K>,
    chosen: &mut Vec<u32>,
    score: Score,
    allowed: Option<&[u32]>,
) {
    let mut state = core.states(chosen);
    let mut blocked = vec![false; core.len()];
    let mut left = core.budget;
    for &i in chosen.iter() {
        left -= core.cost[i as usize];
        blocked[i as usize] = true;
        for &j in core.conflicts_of(i as usize) {
            blocked[j as usize] = true;
        }
    }
    let gains: Vec<(u32, f64)> = match allowed {
        None if chosen.is_empty() => (0u32..).zip(core.single_gains()).collect(),
        None => (0..core.len() as u32)
            .map(|i| (i, core.gain(&state, i as usize)))
            .collect(),
        Some(list) => list.iter().map(|&i| (i, core.gain(&state, i as usize))).collect(),
    };
    let mut heap: BinaryHeap<Entry> = gains
        .into_iter()
        .filter(|&(i, gain)| !blocked[i as usize] && gain > 0.0)
        .map(|(item, gain)| Entry {
            score: score.of(gain, core.cost[item as usize]),
            item,
            round: 0,
        })
        .collect();
    let mut round = 0;
    while let Some(top) = heap.pop() {
        let i = top.item as usize;
        if blocked[i] || core.cost[i] > left {
            continue;
        }
        if top.round < round {
            let gain = core.gain(&state, i);
            if gain > 0.0 {
                heap.push(Entry {
                    score: score.of(gain, core.cost[i]),
                    item: top.item,
                    round,
                });
            }
            continue;
        }
        core.add(&mut state, i);
        left -= core.cost[i];
        blocked[i] = true;
        for &j in core.conflicts_of(i) {
            blocked[j as usize] = true;
        }
        chosen.push(top.item);
        round += 1;
    }
}

/// Greedy from nothing.
pub(crate) fn plan<K: Kernel>(core: &Core<K>, score: Score) -> Vec<u32> {
    let mut chosen = Vec::new();
    extend(core, &mut chosen, score, None);
    chosen
}
