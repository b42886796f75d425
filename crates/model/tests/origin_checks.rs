//! Where a catch came from: worked values, brute force, priors, uncertainty, several origins, coverage.
//!
//! "Worked value" stands for a value computed independently of this code, with numpy and scipy.
#![allow(clippy::unwrap_used)]

use earlywood_model::capture::{Capture, Form};
use earlywood_model::detection::Point;
use earlywood_model::dispersal::Kernel;
use earlywood_model::origin::clusters::{Clusters, clusters};
use earlywood_model::origin::coverage::{Simulation, coverage};
use earlywood_model::origin::posterior::{
    Beliefs, Candidate, Catches, Draws, FirstFlight, Flyers, Posterior, posterior,
};
use earlywood_model::origin::{OriginGrid, TrapCatch, locate};
use earlywood_model::param::Dist;
use earlywood_model::sample_size::Sides;
use proptest::prelude::*;

const ONCE: Draws = Draws { draws: 1, seed: 1 };

fn trap(x_m: f64, y_m: f64, catch: f64, effort: f64) -> TrapCatch {
    TrapCatch {
        x_m,
        y_m,
        catch,
        effort,
    }
}

fn square() -> Vec<TrapCatch> {
    vec![
        trap(0.0, 0.0, 8.0, 1.0),
        trap(100.0, 0.0, 3.0, 1.0),
        trap(0.0, 100.0, 2.0, 1.0),
        trap(100.0, 100.0, 1.0, 1.0),
    ]
}

fn known(form: Form, reach_m: f64) -> Beliefs {
    Beliefs {
        form,
        reach_m: Dist::Fixed { value: reach_m },
        peak: Dist::Fixed { value: 0.5 },
        first_flight: None,
        catches: Catches::Poisson,
        flyers: Flyers::Unknown,
    }
}

fn lattice(from: f64, step_m: f64, side: usize) -> Vec<Candidate> {
    OriginGrid {
        x_m: from,
        y_m: from,
        step_m,
        columns: side,
        rows: side,
    }
    .candidates()
}

/// The worked values of the square of four traps hold for the posterior as for the plain formula.
#[test]
fn the_square_of_four_traps() {
    let candidates = lattice(-100.0, 1.0, 301);
    let found = posterior(&candidates, &square(), &known(Form::Exponential, 50.0), ONCE).unwrap();
    let best = candidates[found.best()].at;
    assert_eq!((best.x_m, best.y_m), (24.0, 5.0));
    let region = found.region(0.95);
    assert!((region.area_m2 - 20_385.0).abs() <= 2.0, "{}", region.area_m2);
    // The posterior mean lies outside the square (worked value): regions must be read, not the mean.
    let mean = |of: fn(Point) -> f64| -> f64 {
        candidates
            .iter()
            .zip(&found.mass)
            .map(|(c, m)| of(c.at) * m)
            .sum()
    };
    assert!((mean(|p| p.x_m) + 16.06).abs() < 0.01, "{}", mean(|p| p.x_m));
    assert!((mean(|p| p.y_m) + 36.80).abs() < 0.01, "{}", mean(|p| p.y_m));
}

#[test]
fn the_plain_formula_is_a_case_of_it() {
    let grid = OriginGrid::around(&square(), 30.0, 10.0).unwrap();
    for form in [Form::Sech, Form::Exponential, Form::HalfNormal] {
        let plain = locate(form, 30.0, &square(), grid).unwrap();
        for flyers in [Flyers::Unknown, Flyers::Profiled] {
            let beliefs = Beliefs {
                flyers,
                ..known(form, 30.0)
            };
            let whole = posterior(&grid.candidates(), &square(), &beliefs, ONCE).unwrap();
            for (a, b) in plain.mass.iter().zip(&whole.mass) {
                assert!((a - b).abs() < 1e-12, "{form:?} {a} {b}");
            }
        }
    }
}

/// A bell on a symmetric layout has an analytic best point: x = 50 + (sd²/100) ln(4/10), y = 50 + (sd²/100) ln(3/11).
#[test]
fn a_bell_on_a_square_has_an_analytic_answer() {
    let (x, y) = (50.0 + 16.0 * 0.4f64.ln(), 50.0 + 16.0 * (3.0f64 / 11.0).ln());
    assert!((x - 35.33934829).abs() < 1e-7 && (y - 29.21147225).abs() < 1e-7);
    let candidates: Vec<Candidate> = lattice(-0.5, 0.01, 101)
        .into_iter()
        .map(|mut c| {
            (c.at.x_m, c.at.y_m) = (c.at.x_m + x, c.at.y_m + y);
            c
        })
        .collect();
    let found = posterior(&candidates, &square(), &known(Form::HalfNormal, 40.0), ONCE).unwrap();
    let best = candidates[found.best()].at;
    assert!(
        (best.x_m - x).abs() < 0.006 && (best.y_m - y).abs() < 0.006,
        "{best:?}"
    );
}

/// Bell, flight by a bell, N unknown: the same as a bell of the summed variance without flight.
#[test]
fn a_first_flight_widens_the_bell() {
    let candidates = lattice(-100.0, 10.0, 31);
    let (sigma, sd): (f64, f64) = (30.0, 40.0);
    let flown = Beliefs {
        first_flight: Some(FirstFlight {
            kernel: Kernel::gaussian(0.5 * sd * sd, 1.0).unwrap(),
            factor: Dist::Fixed { value: 1.0 },
        }),
        ..known(Form::HalfNormal, sigma)
    };
    let with = posterior(&candidates, &square(), &flown, ONCE).unwrap();
    let wide = known(Form::HalfNormal, sigma.hypot(sd));
    let without = posterior(&candidates, &square(), &wide, ONCE).unwrap();
    let apart: f64 = with
        .mass
        .iter()
        .zip(&without.mass)
        .map(|(a, b)| (a - b).abs())
        .sum::<f64>()
        / 2.0;
    assert!(apart < 0.05, "total variation {apart}");
    assert!(
        with.region(0.95).area_m2
            > 1.5
                * posterior(&candidates, &square(), &known(Form::HalfNormal, sigma), ONCE)
                    .unwrap()
                    .region(0.95)
                    .area_m2
    );
}

fn ln_factorial(n: f64) -> f64 {
    (1..=n as u64).map(|i| (i as f64).ln()).sum()
}

/// Everything at once against plain sums: reach one of a few draws, N over a lattice, plain probabilities.
#[test]
fn brute_force_with_a_log_normal_number_of_flyers() {
    let candidates = [
        (0.0, 0.0, 1.0),
        (60.0, 20.0, 3.0),
        (150.0, 90.0, 0.5),
        (30.0, 80.0, 0.0),
    ]
    .map(|(x_m, y_m, weight)| Candidate {
        at: Point { x_m, y_m },
        area_m2: 1.0,
        weight,
    });
    let traps = [
        trap(10.0, 0.0, 2.0, 0.7),
        trap(90.0, 40.0, 0.0, 1.0),
        trap(50.0, 50.0, 1.0, 0.4),
    ];
    let beliefs = Beliefs {
        peak: Dist::Fixed { value: 0.3 },
        flyers: Flyers::LogNormal {
            median: 25.0,
            sigma: 0.7,
        },
        ..known(Form::Sech, 36.0)
    };
    let capture = Capture::new(Form::Sech, 36.0, 0.3).unwrap();
    let likelihood = |c: &Candidate| {
        let mut sum = 0.0;
        for n in -8000..8000 {
            let z = f64::from(n) * 1e-3;
            let flyers = 25.0 * (0.7 * z).exp();
            let mut l = -0.5 * z * z;
            for t in &traps {
                let mean =
                    flyers * t.effort * capture.probability((t.x_m - c.at.x_m).hypot(t.y_m - c.at.y_m));
                l += t.catch * mean.ln() - mean - ln_factorial(t.catch);
            }
            sum += l.exp();
        }
        sum
    };
    let raw: Vec<f64> = candidates.iter().map(|c| c.weight * likelihood(c)).collect();
    let total: f64 = raw.iter().sum();
    let found = posterior(&candidates, &traps, &beliefs, ONCE).unwrap();
    for (got, raw) in found.mass.iter().zip(&raw) {
        assert!((got - raw / total).abs() < 1e-6, "{got} {}", raw / total);
    }
}

/// With two equally likely draws of the parameters the likelihoods are averaged, not the posteriors.
#[test]
fn uncertain_parameters_are_averaged_by_what_they_explain() {
    let candidates = lattice(-100.0, 20.0, 16);
    let beliefs = Beliefs {
        reach_m: Dist::Uniform {
            low: 20.0,
            high: 80.0,
        },
        ..known(Form::HalfNormal, 40.0)
    };
    let draws = Draws {
        draws: 4000,
        seed: 11,
    };
    let got = posterior(&candidates, &square(), &beliefs, draws).unwrap();
    assert!(
        got.effective_draws > 100.0 && got.effective_draws < 4000.0,
        "{}",
        got.effective_draws
    );
    // the same integral by a midpoint rule over reach
    let mut sums = vec![0.0; candidates.len()];
    for i in 0..600 {
        let reach = 20.0 + 0.1 * (f64::from(i) + 0.5);
        let one = posterior(&candidates, &square(), &known(Form::HalfNormal, reach), ONCE).unwrap();
        for (s, m) in sums.iter_mut().zip(&one.mass) {
            *s += m * one.ln_evidence.exp();
        }
    }
    let total: f64 = sums.iter().sum();
    for (got, s) in got.mass.iter().zip(&sums) {
        assert!(
            (got - s / total).abs() < 0.03 * (s / total) + 1e-4,
            "{got} {}",
            s / total
        );
    }
}

#[test]
fn clumped_catches_tell_less() {
    let candidates = lattice(-100.0, 5.0, 61);
    let area = |catches| {
        let beliefs = Beliefs {
            catches,
            ..known(Form::HalfNormal, 40.0)
        };
        posterior(&candidates, &square(), &beliefs, ONCE)
            .unwrap()
            .region(0.95)
            .area_m2
    };
    let clumped = |value| {
        area(Catches::Clumped {
            clumping: Dist::Fixed { value },
        })
    };
    let poisson = area(Catches::Poisson);
    assert!(clumped(0.5) > 1.5 * poisson, "{} {poisson}", clumped(0.5));
    assert!(
        (clumped(1e8) - poisson).abs() <= 50.0,
        "{} {poisson}",
        clumped(1e8)
    );
}

#[test]
fn two_bursts_far_apart_are_two_origins_and_one_is_one() {
    let candidates = lattice(0.0, 50.0, 41);
    let mut traps: Vec<TrapCatch> = (0..100)
        .map(|i| {
            trap(
                100.0 + 200.0 * f64::from(i % 10),
                100.0 + 200.0 * f64::from(i / 10),
                0.0,
                1.0,
            )
        })
        .collect();
    let beliefs = known(Form::Exponential, 80.0);
    // what so many flyers from one point give on average, rounded
    let capture = Capture::new(Form::Exponential, 80.0, 0.5).unwrap();
    let pour = |traps: &mut [TrapCatch], x: f64, y: f64, flyers: f64| {
        for t in traps {
            t.catch += (flyers * capture.probability((t.x_m - x).hypot(t.y_m - y))).round();
        }
    };
    pour(&mut traps, 500.0, 500.0, 200.0);
    let one = clusters(&candidates, &traps, &beliefs, ONCE, 3, 1.0).unwrap();
    assert_eq!(one.clusters.len(), 1);
    assert!(one.weighed[0].probability > 0.9, "{:?}", one.weighed);
    let best = candidates[one.clusters[0].best].at;
    assert!((best.x_m - 500.0).abs() <= 50.0 && (best.y_m - 500.0).abs() <= 50.0);
    assert!(
        (one.clusters[0].flyers - 200.0).abs() < 40.0,
        "{}",
        one.clusters[0].flyers
    );

    pour(&mut traps, 1500.0, 1400.0, 80.0);
    let two = clusters(&candidates, &traps, &beliefs, ONCE, 4, 1.0).unwrap();
    assert_eq!(two.clusters.len(), 2, "{:?}", two.weighed);
    assert!(two.weighed[1].probability > 0.9, "{:?}", two.weighed);
    assert!(two.clusters[0].flyers > two.clusters[1].flyers);
    let second = candidates[two.clusters[1].best].at;
    assert!(
        (second.x_m - 1500.0).abs() <= 50.0 && (second.y_m - 1400.0).abs() <= 50.0,
        "{second:?}"
    );
    // Each catch is shared out in full, and each posterior sits at its own origin.
    for (i, t) in traps.iter().enumerate() {
        let shared: f64 = two.clusters.iter().map(|c| c.share[i]).sum();
        assert!((shared - f64::from(u8::from(t.catch > 0.0))).abs() < 1e-9);
    }
    let held = |c: usize, at: Point| {
        let region = two.clusters[c].posterior.region(0.95);
        region.candidates.iter().any(|i| candidates[*i].at == at)
    };
    assert!(
        held(
            0,
            Point {
                x_m: 500.0,
                y_m: 500.0
            }
        ) && held(
            1,
            Point {
                x_m: 1500.0,
                y_m: 1400.0
            }
        )
    );
    assert!(!held(
        0,
        Point {
            x_m: 1500.0,
            y_m: 1400.0
        }
    ));
    let sum: f64 = two.weighed.iter().map(|w| w.probability).sum();
    assert!((sum - 1.0).abs() < 1e-12);
    for pair in two.weighed.windows(2) {
        assert!(
            pair[1].log_likelihood >= pair[0].log_likelihood - 1e-9,
            "more origins fit worse"
        );
    }
    // Strong clumping asks for more before it believes in three rather than two, or in two rather than one.
    let cautious = clusters(&candidates, &traps, &beliefs, ONCE, 4, 4.0).unwrap();
    let lead = |c: &Clusters| c.weighed[0].criterion - c.weighed[1].criterion;
    assert!(lead(&cautious) < lead(&two), "{} {}", lead(&cautious), lead(&two));
}

fn coverage_case() -> (Vec<Candidate>, Vec<TrapCatch>, Beliefs) {
    let mut candidates = lattice(-150.0, 25.0, 25);
    for (i, c) in candidates.iter_mut().enumerate() {
        c.weight = 1.0 + (i % 7) as f64;
    }
    let traps = (0..25)
        .map(|i| {
            trap(
                100.0 * f64::from(i % 5) - 50.0,
                100.0 * f64::from(i / 5) - 50.0,
                0.0,
                0.5 + 0.1 * f64::from(i % 6),
            )
        })
        .collect();
    let beliefs = Beliefs {
        form: Form::Sech,
        reach_m: Dist::LogNormal {
            median: 36.0,
            sigma: 0.3,
        },
        peak: Dist::Pert {
            low: 0.05,
            mode: 0.15,
            high: 0.4,
        },
        first_flight: None,
        catches: Catches::Poisson,
        flyers: Flyers::LogNormal {
            median: 30.0,
            sigma: 0.8,
        },
    };
    (candidates, traps, beliefs)
}

/// The small run of `examples/origin_coverage.rs`. Of 300 finds at 95 %, fewer than 270 or more than 298 held happen by
/// chance less than once in a thousand.
#[test]
fn regions_hold_what_they_promise() {
    let (candidates, traps, beliefs) = coverage_case();
    for (seed, catches) in [
        (3, Catches::Poisson),
        (
            4,
            Catches::Clumped {
                clumping: Dist::Uniform { low: 0.5, high: 2.0 },
            },
        ),
    ] {
        let simulation = Simulation {
            finds: 300,
            share: 0.95,
            flyers_median: 30.0,
            flyers_sigma: 0.8,
            draws: 12,
            seed,
        };
        let beliefs = Beliefs {
            catches,
            ..beliefs.clone()
        };
        let told = coverage(&candidates, &traps, &beliefs, simulation).unwrap();
        let held = told.held.successes();
        assert!((270..=298).contains(&held), "{held} of 300");
        let (low, high) = told.held.interval(0.999, Sides::Two).unwrap();
        assert!(
            low <= told.promised && told.promised <= high,
            "{} not in {low}..{high}",
            told.promised
        );
        assert!(told.promised >= 0.95 && told.incursions >= 300);
    }
}

/// Strong clumping, an unknown number, an uncertain reach: where the integrals over N are broadest.
#[test]
fn regions_hold_with_bursts_and_an_unknown_number() {
    let (candidates, traps, beliefs) = coverage_case();
    let simulation = Simulation {
        finds: 200,
        share: 0.95,
        flyers_median: 400.0,
        flyers_sigma: 0.8,
        draws: 20,
        seed: 9,
    };
    let clumped = Beliefs {
        catches: Catches::Clumped {
            clumping: Dist::Fixed { value: 0.2 },
        },
        flyers: Flyers::Unknown,
        ..beliefs
    };
    let told = coverage(&candidates, &traps, &clumped, simulation).unwrap();
    // Below 175 or above 199 of 200 less than once in a thousand.
    let held = told.held.successes();
    assert!((175..=199).contains(&held), "{:?}", told.held);
    assert!(told.promised >= 0.95, "{}", told.promised);
}

#[test]
fn refusals() {
    let candidates = lattice(0.0, 10.0, 4);
    let beliefs = known(Form::Sech, 30.0);
    let with = |candidates: &[Candidate], traps: &[TrapCatch], beliefs: &Beliefs, draws| {
        posterior(candidates, traps, beliefs, draws).is_err()
    };
    let none: Vec<TrapCatch> = square()
        .into_iter()
        .map(|t| TrapCatch { catch: 0.0, ..t })
        .collect();
    assert!(with(&candidates, &none, &beliefs, ONCE));
    assert!(with(&candidates, &[trap(0.0, 0.0, 1.0, 0.0)], &beliefs, ONCE));
    assert!(with(&[], &square(), &beliefs, ONCE));
    let weightless: Vec<Candidate> = candidates
        .iter()
        .map(|c| Candidate { weight: 0.0, ..*c })
        .collect();
    assert!(with(&weightless, &square(), &beliefs, ONCE));
    let flat: Vec<Candidate> = candidates
        .iter()
        .map(|c| Candidate { area_m2: 0.0, ..*c })
        .collect();
    assert!(with(&flat, &square(), &beliefs, ONCE));
    assert!(with(
        &candidates,
        &square(),
        &beliefs,
        Draws { draws: 0, seed: 0 }
    ));
    assert!(with(&candidates, &square(), &known(Form::Sech, -1.0), ONCE));
    assert!(with(&candidates, &square(), &known(Form::Disc, 5.0), ONCE));
    for flyers in [
        Flyers::LogNormal {
            median: 0.0,
            sigma: 1.0,
        },
        Flyers::LogNormal {
            median: 5.0,
            sigma: 0.0,
        },
    ] {
        assert!(with(
            &candidates,
            &square(),
            &Beliefs {
                flyers,
                ..beliefs.clone()
            },
            ONCE
        ));
    }
    assert!(clusters(&candidates, &square(), &beliefs, ONCE, 0, 1.0).is_err());
    assert!(clusters(&candidates, &square(), &beliefs, ONCE, 2, 0.5).is_err());
    let found = posterior(&candidates, &square(), &beliefs, ONCE).unwrap();
    assert!(found.search_order(|_| 0.0).is_err());
    assert!(found.gathered(&[0; 3], 1).is_err());
    assert!(found.gathered(&[7; 16], 2).is_err());
}

/// Nothing overflows far away, clumped or not, and what is nearest is still most likely.
#[test]
fn far_away_traps_still_tell() {
    let candidates: Vec<Candidate> = (0..5)
        .map(|i| Candidate {
            at: Point {
                x_m: 100_000.0 + 1000.0 * f64::from(i),
                y_m: 0.0,
            },
            area_m2: 1.0,
            weight: 1.0,
        })
        .collect();
    let traps = [trap(0.0, 0.0, 1.0, 1.0), trap(50.0, 0.0, 0.0, 1.0)];
    for catches in [
        Catches::Poisson,
        Catches::Clumped {
            clumping: Dist::Fixed { value: 0.5 },
        },
    ] {
        let beliefs = Beliefs {
            catches,
            ..known(Form::Sech, 1.0)
        };
        let found = posterior(&candidates, &traps, &beliefs, ONCE).unwrap();
        let sum: f64 = found.mass.iter().sum();
        assert!((sum - 1.0).abs() < 1e-9, "{:?}", found.mass);
    }
}

fn same(a: &Posterior, b: &Posterior, within: f64) -> bool {
    a.mass.iter().zip(&b.mass).all(|(a, b)| (a - b).abs() <= within)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn what_must_hold_of_any_posterior(
        places in prop::collection::vec((0.0..500.0f64, 0.0..500.0f64, 0u32..4, 0.1..2.0f64), 2..8),
        weights in prop::collection::vec(0.0..3.0f64, 49),
        clumped in any::<bool>(),
        log_normal in any::<bool>(),
        scale in 0.1..10.0f64,
    ) {
        let mut traps: Vec<TrapCatch> = places.iter().map(|(x, y, c, e)| trap(*x, *y, f64::from(*c), *e)).collect();
        traps[0].catch += 1.0;
        let mut candidates = lattice(0.0, 80.0, 7);
        for (c, w) in candidates.iter_mut().zip(&weights) {
            c.weight = *w;
        }
        candidates[0].weight = 0.0;
        candidates[1].weight += 0.1;
        let beliefs = Beliefs {
            reach_m: Dist::LogNormal { median: 40.0, sigma: 0.4 },
            catches: if clumped {
                Catches::Clumped { clumping: Dist::Uniform { low: 0.3, high: 3.0 } }
            } else {
                Catches::Poisson
            },
            flyers: if log_normal {
                Flyers::LogNormal { median: 50.0, sigma: 1.0 }
            } else {
                Flyers::Unknown
            },
            ..known(Form::Sech, 40.0)
        };
        let draws = Draws { draws: 20, seed: 5 };
        let found = posterior(&candidates, &traps, &beliefs, draws).unwrap();
        let sum: f64 = found.mass.iter().sum();
        prop_assert!((sum - 1.0).abs() < 1e-9);
        prop_assert!(found.mass.iter().all(|m| (0.0..=1.0).contains(m)));
        prop_assert_eq!(found.mass[0], 0.0);
        prop_assert!(found.effective_draws >= 0.999 && found.effective_draws <= 20.001);
        // regions are nested, and hold what they say
        let (half, most) = (found.region(0.5), found.region(0.95));
        prop_assert!(half.mass >= 0.5 - 1e-9 && most.mass >= 0.95 - 1e-9);
        prop_assert_eq!(&most.candidates[..half.candidates.len()], &half.candidates[..]);
        prop_assert_eq!(most.candidates.first().copied(), Some(found.best()));
        // order of search: falling, ending at 1
        let order = found.search_order(|_| 2.0).unwrap();
        prop_assert!(order.windows(2).all(|w| w[0].mass >= w[1].mass));
        prop_assert!((order.last().unwrap().cumulative - 1.0).abs() < 1e-9);
        // only ratios of weights matter; the order of traps does not; a trap without effort says nothing
        let scaled: Vec<Candidate> = candidates.iter().map(|c| Candidate { weight: c.weight * scale, ..*c }).collect();
        prop_assert!(same(&found, &posterior(&scaled, &traps, &beliefs, draws).unwrap(), 1e-9));
        let mut shuffled = traps.clone();
        shuffled.reverse();
        prop_assert!(same(&found, &posterior(&candidates, &shuffled, &beliefs, draws).unwrap(), 1e-9));
        let mut idle = traps.clone();
        idle.push(trap(40.0, 40.0, 0.0, 0.0));
        prop_assert!(same(&found, &posterior(&candidates, &idle, &beliefs, draws).unwrap(), 1e-12));
        // one thread or several: the same bits
        let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        let alone = pool.install(|| posterior(&candidates, &traps, &beliefs, draws)).unwrap();
        prop_assert_eq!(&alone, &found);
        // gathered by row
        let rows: Vec<usize> = (0..49).map(|i| i / 7).collect();
        prop_assert!((found.gathered(&rows, 7).unwrap().iter().sum::<f64>() - 1.0).abs() < 1e-9);
    }

    /// A working trap with no catch never makes the ground near it more likely than ground far from every trap.
    #[test]
    fn an_empty_trap_pushes_away(x in 100.0..400.0f64, y in 100.0..400.0f64) {
        let candidates = lattice(0.0, 50.0, 11);
        let beliefs = known(Form::HalfNormal, 60.0);
        let traps = vec![trap(250.0, 250.0, 3.0, 1.0)];
        let before = posterior(&candidates, &traps, &beliefs, ONCE).unwrap();
        let mut more = traps.clone();
        more.push(trap(x, y, 0.0, 1.0));
        let after = posterior(&candidates, &more, &beliefs, ONCE).unwrap();
        let ratio = |i: usize| after.mass[i] / before.mass[i];
        let far = |i: usize| (candidates[i].at.x_m - x).hypot(candidates[i].at.y_m - y);
        let nearest = (0..121).fold(0, |b, i| if far(i) < far(b) { i } else { b });
        let likely = 60; // the candidate at the trap that caught
        if far(nearest) < far(likely) {
            prop_assert!(ratio(nearest) <= ratio(likely) + 1e-12);
        }
    }
}
