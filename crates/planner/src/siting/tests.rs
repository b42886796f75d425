//! Each bound on its own against brute force: in a plan they cover for one another.
// Helpers of tests stand outside #[test] functions; a panic there is a failed test all the same.
#![allow(clippy::unwrap_used)]

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::core::Core;
use super::dual::{Dual, Effort};
use super::kernel::{Cover, Flyers, Kernel, OneFlyer};
use super::problem::{Limit, Objective, Position, Problem, WeightedCell};
use super::refine::{Along, Cut, sweep};
use super::relax;
use super::solve::Deadline;

const NO_DEADLINE: Deadline = Deadline { at: None };

fn ground(seed: u64, objective: Objective) -> Problem {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (wide_m, high_m) = (rng.random_range(500.0..4000.0), rng.random_range(500.0..4000.0));
    let cells: Vec<WeightedCell> = (0..120)
        .map(|_| WeightedCell {
            x_m: rng.random::<f64>() * wide_m,
            y_m: rng.random::<f64>() * high_m,
            weight: rng.random::<f64>().powi(3),
        })
        .collect();
    let n = rng.random_range(6..13);
    let places: Vec<Position> = (0..n)
        .map(|_| Position {
            x_m: rng.random::<f64>() * wide_m,
            y_m: rng.random::<f64>() * high_m,
        })
        .collect();
    let costs = (0..n).map(|_| rng.random_range(0.3..2.0)).collect();
    let limit = if seed.is_multiple_of(3) {
        Limit::Budget(rng.random_range(1.0..5.0))
    } else {
        Limit::Count(1 + seed as usize % 5)
    };
    let reach_m = rng.random_range(80.0..300.0);
    Problem::from_points(
        &cells,
        &places,
        4.0 * reach_m,
        |d| 2.0 * (-d / reach_m).exp(),
        objective,
        limit,
    )
    .unwrap()
    .spaced(rng.random_range(0.0..700.0))
    .unwrap()
    .costs(costs)
    .unwrap()
    .kept(if seed.is_multiple_of(4) { &[0] } else { &[] })
    .unwrap()
}

fn sets<K: Kernel>(core: &Core<K>) -> Vec<Vec<u32>> {
    (0u32..1 << core.len())
        .map(|mask| {
            (0..core.len() as u32)
                .filter(|i| mask >> i & 1 == 1)
                .collect::<Vec<u32>>()
        })
        .filter(|set| {
            set.iter()
                .all(|&i| core.conflicts_of(i as usize).iter().all(|j| !set.contains(j)))
        })
        .collect()
}

fn cost<K: Kernel>(core: &Core<K>, set: &[u32]) -> f64 {
    set.iter().map(|&i| core.cost[i as usize]).sum()
}

fn each_bound<K: Kernel>(problem: &Problem, kernel: K, seed: u64) {
    let Ok(core) = Core::new(problem, kernel) else {
        return;
    };
    if core.len() == 0 {
        return;
    }
    let sets = sets(&core);
    let best = sets
        .iter()
        .filter(|set| cost(&core, set) <= core.budget)
        .map(|set| core.value(set))
        .fold(f64::NEG_INFINITY, f64::max);
    let single = core.single_gains();
    let slack = 1e-12 * best.abs();
    for (mu_share, band_m, rounds) in [(0.0, 300.0, 3), (0.5, 700.0, 40), (2.0, 1e5, 40)] {
        let mu = mu_share * best / core.budget;
        let mut dual = Dual::new(&core, &single, mu, band_m);
        dual.descend(
            best,
            &Effort {
                rounds,
                work: 1 << 40,
                gap: 0.0,
            },
            &NO_DEADLINE,
        );
        assert!(
            dual.bound >= best - slack,
            "seed {seed}: bands of {band_m} m say {} under {best}",
            dual.bound
        );
    }
    for start in [&[][..], &[0][..]] {
        let bound = relax::bound(&core, start, 30, &NO_DEADLINE);
        assert!(
            bound >= best - slack,
            "seed {seed}: the relaxation says {bound} under {best}"
        );
    }
    // A sweep whose stripe holds everything finds the best set at its price.
    for price in [0.0, 0.3 * best / core.budget] {
        let net = |set: &[u32]| core.value(set) - price * cost(&core, set);
        let ideal = sets.iter().map(|set| net(set)).fold(f64::NEG_INFINITY, f64::max);
        for along in [Along::X, Along::Y] {
            let cut = Cut {
                along,
                width_m: 1e5,
                shift: 0.25,
                margin_m: 1.0,
            };
            let mut set = Vec::new();
            sweep(&core, &mut set, price, &cut, &mut 0, &NO_DEADLINE);
            assert!(
                (net(&set) - ideal).abs() <= 1e-9 * ideal.abs(),
                "seed {seed}: {} is not {ideal}",
                net(&set)
            );
        }
    }
}

#[test]
fn every_bound_alone_is_above_the_optimum_and_a_full_sweep_is_exact() {
    for seed in 0..60 {
        let flyers = 0.5 + seed as f64;
        each_bound(&ground(seed, Objective::OneFlyer), OneFlyer, seed);
        each_bound(&ground(seed, Objective::Flyers(flyers)), Flyers { flyers }, seed);
        each_bound(&ground(seed, Objective::Cover), Cover, seed);
    }
}
