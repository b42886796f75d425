//! Looks at trees as evidence: worked by hand, against the published check values, and against small simulated worlds.
#![allow(clippy::unwrap_used)]

use earlywood_model::inspection::{Missed, missed_counted, missed_on_tree, missed_uncounted};
use earlywood_model::sample_size::{Lot, binomial};
use earlywood_model::scenario_tree::{Looks, RiskGroup, combine_independent, component_sensitivity};
use proptest::prelude::*;
use rand::seq::SliceRandom as _;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} within {tolerance}"
    );
}

/// Check 5.1 of the science sheet, seen from the other side: so many looks reach the confidence, one fewer does not.
#[test]
fn published_sample_sizes_reach_their_confidence_and_one_fewer_does_not() {
    for (hosts, infested, n) in [
        (1000, 10, 258),
        (100, 1, 95),
        (100, 5, 45),
        (500, 5, 225),
        (200, 2, 155),
        (50, 1, 48),
        (1000, 50, 57),
        (1000, 1, 950),
    ] {
        let missed = |n: usize| missed_counted(hosts, infested, &vec![1.0; n]).unwrap();
        assert!(
            missed(n) <= 0.05 + 1e-12 && missed(n - 1) > 0.05,
            "{hosts} {infested}"
        );
    }
    // The imperfect method of the same check: N = 1000, D = 10, Se = 0.8, n = 300 sees with 0.9363842609.
    close(
        1.0 - missed_counted(1000, 10, &[0.8; 300]).unwrap(),
        0.936_384_260_9,
        1e-10,
    );
    let n = binomial(0.01, 0.5, 0.95).unwrap();
    assert_eq!(n, 598);
    assert!(missed_uncounted(0.01, &vec![0.5; 598]).unwrap() <= 0.05);
    assert!(missed_uncounted(0.01, &vec![0.5; 597]).unwrap() > 0.05);
}

#[test]
fn a_cell_worked_by_hand() {
    // Ten hosts, two infested, three looked at with 0.5: none, one, two infested among them with 7/15, 7/15, 1/15.
    let want = 7.0 / 15.0 + 7.0 / 15.0 * 0.5 + 1.0 / 15.0 * 0.25;
    close(missed_counted(10, 2, &[0.5; 3]).unwrap(), want, 1e-15);
    // One infested among four, two looked at by different methods: half the time neither is it.
    close(
        missed_counted(4, 1, &[0.3, 0.6]).unwrap(),
        0.5 + 0.25 * 0.7 + 0.25 * 0.4,
        1e-15,
    );
    // All infested: every look has its chance.
    close(missed_counted(2, 9, &[0.3, 0.6]).unwrap(), 0.7 * 0.4, 1e-15);
    assert_eq!(missed_counted(4, 1, &[]).unwrap(), 1.0);
    close(missed_uncounted(0.1, &[0.3, 0.6]).unwrap(), 0.97 * 0.94, 1e-15);
}

/// Check 5.2: traps 2 at 0.35 and 5 at 0.10, joined with the risk-based inspections, when nothing is dependent.
#[test]
fn traps_and_inspections_of_the_check_value() {
    let groups = [(1.0, 0.8), (3.0, 0.2)].map(|(relative_risk, population_share)| RiskGroup {
        relative_risk,
        population_share,
    });
    let looks = [150, 50].map(|units| Looks {
        units,
        unit_sensitivity: 0.6,
    });
    let inspections = component_sensitivity(&groups, &looks, 0.01).unwrap();
    close(inspections, 0.725_076_996_1, 1e-10);
    // The same by the formula used here: a draw from a large population, tree by tree.
    let adjusted = [0.714_285_714_285_714_3, 2.142_857_142_857_143];
    let by_tree: Vec<f64> = [(150, adjusted[0]), (50, adjusted[1])]
        .into_iter()
        .flat_map(|(n, risk)| vec![0.6 * risk; n])
        .collect();
    let missed = missed_uncounted(0.01, &by_tree.iter().map(|s| s.min(1.0)).collect::<Vec<_>>());
    // 0.6 x 2.14 lies above 1 and is no sensitivity; the product of the misses is what counts.
    let product: f64 = by_tree.iter().map(|s| 1.0 - 0.01 * s).product();
    close(1.0 - product, inspections, 1e-12);
    assert!(missed.unwrap() >= product);
    let traps = 1.0 - 0.65_f64.powi(2) * 0.9_f64.powi(5);
    close(traps, 0.750_517_975, 1e-9);
    let apart = Missed {
        traps: 1.0 - traps,
        looks: 1.0 - inspections,
        looks_apart: 1.0 - inspections,
        ..Missed::ALL
    };
    close(1.0 - apart.together(0.0), 0.931_411_652_3, 1e-10);
    close(
        1.0 - apart.together(1.0),
        combine_independent(&[traps, inspections]).unwrap(),
        1e-12,
    );
    // All of the looks beside the traps in the same week: at the worst only the better of the two counts.
    let beside = Missed {
        looks_apart: 1.0,
        ..apart
    };
    close(1.0 - beside.together(1.0), traps.max(inspections), 1e-12);
    close(
        1.0 - beside.together(0.5),
        0.5 * (traps.max(inspections) + 0.931_411_652_3),
        1e-10,
    );
}

/// The four numbers of the trade: girdled trees and traps against the emerald ash borer at low density.
#[test]
fn detection_trees_and_traps_of_the_published_trial() {
    let per_tree = 1.0 - 0.1_f64.powf(1.0 / 3.0);
    close(per_tree, 0.535_841_116_6, 1e-9);
    let per_trap = 1.0 - 0.6_f64.powf(0.2);
    close(per_trap, 0.097_119_548_55, 1e-10);
    let site = |traps: i32, trees: i32| Missed {
        traps: (1.0 - per_trap).powi(traps),
        detection_trees: (1.0 - per_tree).powi(trees),
        ..Missed::ALL
    };
    close(1.0 - site(0, 3).together(1.0), 0.9, 1e-9);
    close(1.0 - site(5, 0).together(1.0), 0.4, 1e-9);
    // They draw from the same flyers: at the worst five traps add nothing to three trees.
    close(1.0 - site(5, 3).together(1.0), 0.9, 1e-9);
    close(1.0 - site(5, 3).together(0.0), 0.94, 1e-9);
}

#[test]
fn the_public_and_looks_are_dependent_the_public_and_traps_are_not() {
    let missed = Missed {
        traps: 0.5,
        looks: 0.6,
        looks_apart: 0.6,
        hotline: 0.7,
        ..Missed::ALL
    };
    close(missed.together(1.0), 0.5 * 0.6, 1e-15);
    close(missed.together(0.0), 0.5 * 0.6 * 0.7, 1e-15);
    let without_looks = Missed {
        looks: 1.0,
        looks_apart: 1.0,
        ..missed
    };
    close(without_looks.together(1.0), 0.35, 1e-15);
}

#[test]
fn what_can_not_be_is_refused() {
    let told = missed_counted(2, 1, &[0.5; 3]).unwrap_err().to_string();
    assert!(told.contains("no more than the hosts"), "{told}");
    assert!(missed_counted(3, 1, &[1.5]).is_err());
    assert!(missed_counted(3, 1, &[f64::NAN]).is_err());
    assert!(missed_uncounted(1.2, &[0.5]).is_err());
}

/// Looks at random trees of a small world: what share shows it, against the formula, by three methods and repeat looks of
/// which a known share fail together.
#[test]
fn a_small_world_is_seen_as_often_as_the_formula_says() {
    const WORLDS: u32 = 60_000;
    let together = 0.4;
    // Sensitivities of the looks at each of the trees looked at.
    let looks: [&[f64]; 6] = [
        &[0.3],
        &[0.3, 0.3],
        &[0.6],
        &[0.75, 0.3],
        &[0.05],
        &[0.3, 0.6, 0.3],
    ];
    let by_tree: Vec<f64> = looks
        .iter()
        .map(|l| 1.0 - missed_on_tree(l.iter().map(|s| 1.0 - s), together))
        .collect();
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    for (hosts, infested) in [(6_u64, 1), (9, 3), (25, 4), (25, 25), (200, 1)] {
        let want = 1.0 - missed_counted(hosts, infested, &by_tree).unwrap();
        let mut seen = 0_u32;
        let mut trees: Vec<u64> = (0..hosts).collect();
        for _ in 0..WORLDS {
            trees.shuffle(&mut rng);
            let ill = &trees[..usize::try_from(infested).unwrap()];
            let found = looks.iter().zip(0..).any(|(looks, tree)| {
                if !ill.contains(&tree) {
                    return false;
                }
                if rng.random::<f64>() < together {
                    // One fate: one draw decides all looks at the tree.
                    let fate = rng.random::<f64>();
                    looks.iter().any(|s| fate < *s)
                } else {
                    looks.iter().any(|s| rng.random::<f64>() < *s)
                }
            });
            seen += u32::from(found);
        }
        let share = f64::from(seen) / f64::from(WORLDS);
        let error = (want * (1.0 - want) / f64::from(WORLDS)).sqrt();
        close(share, want, 4.5 * error + 1e-9);
    }
}

proptest! {
    #[test]
    fn equal_looks_are_the_hypergeometric_of_the_sample_sizes(hosts in 1_u64..400, d in 1_u64..60, n in 0_u64..400, s in 0.01..=1.0) {
        let (infested, n) = (d.min(hosts), n.min(hosts));
        let got = missed_counted(hosts, infested, &vec![s; usize::try_from(n).unwrap()]).unwrap();
        let want = 1.0 - Lot::new(hosts, infested).unwrap().confidence(n, s).unwrap();
        prop_assert!((got - want).abs() < 1e-11, "{got} {want}");
    }

    #[test]
    fn one_more_look_never_sees_less(hosts in 8_u64..60, infested in 0_u64..12, looks in prop::collection::vec(0.0..=1.0, 0..7), more in 0.0..=1.0, r in 0.0..=1.0) {
        let before = missed_counted(hosts, infested, &looks).unwrap();
        let mut after = looks.clone();
        after.push(more);
        prop_assert!(missed_counted(hosts, infested, &after).unwrap() <= before + 1e-12);
        // The order does not matter.
        after.reverse();
        let reversed = missed_counted(hosts, infested, &after).unwrap();
        after.reverse();
        prop_assert!((reversed - missed_counted(hosts, infested, &after).unwrap()).abs() < 1e-12);
        // Taking out of a finite population sees at least what draws with replacement see.
        let p = (infested.min(hosts)) as f64 / hosts as f64;
        prop_assert!(before <= missed_uncounted(p, &looks).unwrap() + 1e-12);
        // The same look made at a tree already looked at.
        let misses: Vec<f64> = looks.iter().map(|s| 1.0 - s).collect();
        let tree = missed_on_tree(misses.iter().copied(), r);
        let again = missed_on_tree(misses.iter().copied().chain([1.0 - more]), r);
        prop_assert!(again <= tree + 1e-12);
        prop_assert!(tree >= missed_on_tree(misses.iter().copied(), 0.0) - 1e-12);
    }

    #[test]
    fn dependence_never_helps_and_evidence_never_hurts(
        t in 0.0..=1.0, a in 0.0..=1.0, b in 0.0..=1.0, d in 0.0..=1.0, g in 0.0..=1.0, r in 0.0..=1.0, less in 0.0..=1.0
    ) {
        let missed = Missed { traps: t, looks_apart: a, looks: a * b, detection_trees: d, hotline: g };
        let joint = missed.together(r);
        prop_assert!(joint >= missed.independent() - 1e-15);
        prop_assert!(joint <= t.min(a * b).min(d).min(g).max(missed.at_most()) + 1e-15);
        for better in [
            Missed { traps: t * less, ..missed },
            Missed { looks_apart: a * less, looks: a * b * less, ..missed },
            Missed { looks: a * b * less, ..missed },
            Missed { detection_trees: d * less, ..missed },
            Missed { hotline: g * less, ..missed },
        ] {
            prop_assert!(better.together(r) <= joint + 1e-15);
        }
        // Traps alone stay the traps, to the last bit.
        prop_assert_eq!(Missed { traps: t, ..Missed::ALL }.together(r), t);
    }
}
