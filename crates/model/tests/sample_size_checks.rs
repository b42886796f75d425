//! Sample sizes against tables, anchors and worked values from outside the code.
//!
//! The two CSV tables were computed with scipy's exact hypergeometric and binomial distributions; the column
//! `recalled_ispm31` holds table values of ISPM 31 (2008), appendix 2, quoted from memory, which agree.

#![allow(clippy::unwrap_used)] // a test may fail on the spot

use earlywood_model::ModelError;
use earlywood_model::sample_size::{
    Lot, Question, Sides, UnitsRule, binomial, binomial_confidence, clopper_pearson, infested_units, poisson,
    upper_bound_none_found,
};
use proptest::prelude::*;

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} within {tolerance}"
    );
}

fn rows(name: &str) -> Vec<std::collections::HashMap<String, String>> {
    let path = format!("{}/tests/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let rows: Vec<_> = csv::Reader::from_path(path)
        .unwrap()
        .deserialize()
        .map(Result::unwrap)
        .collect();
    rows
}

#[test]
fn every_cell_of_the_hypergeometric_table() {
    let rows = rows("sample-size-hypergeometric.csv");
    assert_eq!(rows.len(), 310);
    let mut recalled = 0;
    for row in rows {
        let population = row["lot_size"].parse().unwrap();
        let level = row["level_pct"].parse::<f64>().unwrap() / 100.0;
        let confidence = row["confidence"].parse().unwrap();
        for (rule, d, n) in [
            (UnitsRule::Floor, "d_floor", "n_floor"),
            (UnitsRule::Round, "d_round", "n_round"),
            (UnitsRule::Ceil, "d_ceil", "n_ceil"),
        ] {
            let question = Question {
                population: Some(population),
                level,
                sensitivity: 1.0,
                confidence,
                rule,
            };
            let units: u64 = row[d].parse().unwrap();
            if units == 0 {
                let refused = question.answer();
                assert!(
                    matches!(refused, Err(ModelError::OutOfRange { .. })),
                    "{row:?}: {refused:?}"
                );
                assert_eq!(row[n], "", "{row:?}");
                continue;
            }
            let answer = question.answer().unwrap();
            assert_eq!(answer.infested, Some(units), "{row:?} {rule:?}");
            assert_eq!(answer.n, row[n].parse::<u64>().unwrap(), "{row:?} {rule:?}");
            assert!(answer.confidence >= confidence, "{row:?} {rule:?}");
            assert_eq!(
                question.confidence_of(answer.n).unwrap().max(confidence),
                answer.confidence
            );
            if rule == UnitsRule::Floor && !row["recalled_ispm31"].is_empty() {
                assert_eq!(
                    answer.n,
                    row["recalled_ispm31"].parse::<u64>().unwrap(),
                    "{row:?}"
                );
                recalled += 1;
            }
        }
    }
    assert_eq!(recalled, 276);
}

#[test]
fn every_cell_of_the_binomial_table() {
    let rows = rows("sample-size-binomial.csv");
    assert_eq!(rows.len(), 200);
    for row in rows {
        let share = |key: &str| row[key].parse::<f64>().unwrap() / 100.0;
        let (level, sensitivity) = (share("level_pct"), share("efficacy_pct"));
        let confidence = row["confidence"].parse().unwrap();
        assert_eq!(
            binomial(level, sensitivity, confidence).unwrap(),
            row["n_binomial"].parse::<u64>().unwrap(),
            "{row:?}"
        );
        assert_eq!(
            poisson(level, sensitivity, confidence).unwrap(),
            row["n_poisson"].parse::<u64>().unwrap(),
            "{row:?}"
        );
    }
}

/// Cannon & Roe 1982, tables: confidence 0.99, population 1 600, 1 % -> 399.
#[test]
fn cannon_and_roe_anchor() {
    let question = Question {
        population: Some(1600),
        level: 0.01,
        sensitivity: 1.0,
        confidence: 0.99,
        rule: UnitsRule::Floor,
    };
    assert_eq!(question.answer().unwrap().n, 399);
    let quick = Lot::new(1600, 16).unwrap().cannon_roe_1982(0.99).unwrap();
    close(quick, 398.29, 0.005);
    assert_eq!(quick.ceil() as u64, 399);
}

/// McSorley & Littell 1993 Nematropica 23:177-181: 5 % infested -> 59 (95 %) and 90 (99 %).
#[test]
fn mcsorley_and_littell_anchor() {
    assert_eq!(binomial(0.05, 1.0, 0.95).unwrap(), 59);
    assert_eq!(binomial(0.05, 1.0, 0.99).unwrap(), 90);
}

/// Worked values, computed independently with numpy/scipy.
#[test]
fn worked_values() {
    for (level, se, c, n) in [
        (0.01, 1.0, 0.95, 299),
        (0.01, 0.8, 0.95, 373),
        (0.01, 0.5, 0.95, 598),
        (0.01, 0.63, 0.95, 475),
        (0.05, 1.0, 0.95, 59),
        (0.1, 1.0, 0.95, 29),
        (0.001, 1.0, 0.95, 2995),
        (0.01, 1.0, 0.99, 459),
        (0.01, 0.6, 0.95, 498),
        (0.001, 0.8, 0.95, 3744),
        (0.01, 0.6, 0.99, 766),
        (0.0002, 1.0, 0.99, 23_024),
        (0.02, 0.7, 0.95, 213),
        (0.01, 0.5, 0.90, 460),
        (0.01, 1.0, 0.80, 161),
    ] {
        assert_eq!(binomial(level, se, c).unwrap(), n, "{level} {se} {c}");
    }
    for (population, infested, c, n) in [
        (1000, 10, 0.95, 258),
        (100, 1, 0.95, 95),
        (100, 5, 0.95, 45),
        (500, 5, 0.95, 225),
        (200, 2, 0.95, 155),
        (10_000, 100, 0.95, 294),
        (50, 1, 0.95, 48),
        (1000, 50, 0.95, 57),
        (1000, 20, 0.95, 138),
        (1000, 5, 0.95, 450),
        (1000, 1, 0.95, 950),
        (1000, 10, 0.99, 368),
    ] {
        assert_eq!(
            Lot::new(population, infested)
                .unwrap()
                .sample_size(1.0, c)
                .unwrap(),
            n,
            "{population} {infested}"
        );
    }
    close(
        Lot::new(1000, 10).unwrap().cannon_roe_1982(0.95).unwrap(),
        257.7007,
        5e-5,
    );
    close(
        Lot::new(100, 5).unwrap().cannon_roe_1982(0.95).unwrap(),
        44.1705,
        5e-5,
    );
    let lot = Lot::new(1000, 10).unwrap();
    close(lot.cannon_2001(0.8, 0.95).unwrap(), 323.58, 5e-3);
    assert_eq!(lot.sample_size(0.8, 0.95).unwrap(), 323);
    close(
        lot.cannon_2001_confidence(300, 0.8).unwrap(),
        0.935_711_110_7,
        5e-11,
    );
    close(lot.confidence(300, 0.8).unwrap(), 0.936_384_260_9, 5e-11);
    close(
        upper_bound_none_found(299, 1.0, 0.95).unwrap(),
        0.009_969_146_793,
        5e-13,
    );
}

/// A fixed share of 2 % is no confidence rule: ISPM 31 (2008), appendix 5; values computed independently with scipy.
#[test]
fn fixed_share_sampling() {
    for (population, n, confidence) in [
        (50, 1, 0.1000),
        (100, 2, 0.1909),
        (200, 4, 0.3461),
        (300, 6, 0.4715),
        (400, 8, 0.5729),
        (500, 10, 0.6548),
        (1000, 20, 0.8810),
        (1500, 30, 0.9590),
        (3000, 60, 0.9983),
    ] {
        let question = Question {
            population: Some(population),
            level: 0.1,
            sensitivity: 1.0,
            confidence: 0.95,
            rule: UnitsRule::Floor,
        };
        close(question.confidence_of(n).unwrap(), confidence, 5e-5);
    }
    for (population, n) in [
        (10, 10),
        (50, 22),
        (100, 25),
        (200, 27),
        (300, 28),
        (500, 28),
        (1000, 29),
        (3000, 29),
    ] {
        let lot = Lot::new(population, population / 10).unwrap();
        assert_eq!(lot.sample_size(1.0, 0.95).unwrap(), n, "{population}");
    }
}

/// Imperfect method, exact beside quick: computed independently with scipy.
#[test]
fn imperfect_method_table() {
    for (population, infested, n, se, exact, quick) in [
        (1000, 10, 258, 1.0, 0.950_204, 0.949_413),
        (1000, 10, 258, 0.8, 0.901_781, 0.900_913),
        (1000, 10, 324, 0.8, 0.950_797, 0.950_225),
        (500, 5, 100, 0.6, 0.473_056, 0.472_268),
        (5000, 50, 290, 1.0, 0.950_347, 0.949_587),
    ] {
        let lot = Lot::new(population, infested).unwrap();
        close(lot.confidence(n, se).unwrap(), exact, 5e-7);
        close(lot.cannon_2001_confidence(n, se).unwrap(), quick, 5e-7);
    }
    for (population, infested, c, se, n) in [
        (1000, 10, 0.95, 1.0, 259),
        (1000, 10, 0.95, 0.8, 324),
        (2000, 20, 0.95, 0.6, 464),
        (10_000, 100, 0.95, 0.5, 591),
        (20_000, 200, 0.95, 1.0, 298),
    ] {
        let quick = Lot::new(population, infested)
            .unwrap()
            .cannon_2001(se, c)
            .unwrap();
        assert_eq!(quick.ceil() as u64, n, "{population} {infested}");
    }
}

/// Two-stage: trees within cells, cells within the area. Computed independently with scipy.
#[test]
fn two_stages() {
    let cell = binomial_confidence(60, 0.05, 0.6).unwrap();
    close(cell, 0.839_193, 5e-7);
    assert_eq!(binomial(0.1, cell, 0.95).unwrap(), 35);
}

#[test]
fn bounds_after_finding_none() {
    for (n, bound) in [
        (30, 0.095_034),
        (60, 0.048_703),
        (100, 0.029_513),
        (300, 0.009_936),
        (1000, 0.002_991),
    ] {
        close(upper_bound_none_found(n, 1.0, 0.95).unwrap(), bound, 5e-7);
        close(clopper_pearson(0, n, 0.95, Sides::Upper).unwrap().1, bound, 5e-7);
    }
}

/// Planted-specimen audits: Clopper-Pearson 95 %, computed independently with scipy.
#[test]
fn clopper_pearson_list() {
    for (found, n, low, high) in [
        (28, 30, 0.7793, 0.9918),
        (19, 20, 0.7513, 0.9987),
        (20, 20, 0.8316, 1.0),
        (10, 10, 0.6915, 1.0),
        (45, 50, 0.7819, 0.9667),
        (59, 60, 0.9106, 0.9996),
    ] {
        let (l, h) = clopper_pearson(found, n, 0.95, Sides::Two).unwrap();
        close(l, low, 5e-5);
        close(h, high, 5e-5);
    }
    // All found: how many are needed to claim at least t.
    for (t, n) in [(0.8, 14), (0.9, 29), (0.95, 59), (0.99, 299)] {
        assert!(clopper_pearson(n, n, 0.95, Sides::Lower).unwrap().0 >= t);
        assert!(clopper_pearson(n - 1, n - 1, 0.95, Sides::Lower).unwrap().0 < t);
    }
}

#[test]
fn the_floor_is_not_fooled_by_binary_fractions() {
    // The products of the doubles: 28.999999999999996, 7.000000000000001, 56.99999999999999, 114.99999999999999.
    for (population, level, units) in [
        (100, 0.29, 29),
        (100, 0.07, 7),
        (100, 0.57, 57),
        (100, 1.0, 100),
        (1000, 0.115, 115),
        (300, 0.01, 3),
    ] {
        assert_eq!(
            infested_units(population, level, UnitsRule::Floor).unwrap(),
            units,
            "{population} × {level}"
        );
        assert_eq!(
            infested_units(population, level, UnitsRule::Ceil).unwrap(),
            units,
            "{population} × {level}"
        );
    }
    // Every two- and three-place level gives exactly what whole-number arithmetic gives.
    for population in [1u64, 7, 50, 99, 100, 1000, 12_345, 1_000_000_000] {
        for thousandths in 1..=1000u64 {
            let level = thousandths as f64 / 1000.0;
            let want = population * thousandths / 1000;
            match infested_units(population, level, UnitsRule::Floor) {
                Ok(units) => assert_eq!(units, want, "{population} × {level}"),
                Err(_) => assert_eq!(want, 0, "{population} × {level}"),
            }
        }
    }
    assert!(infested_units(1_000_000, 1e-300, UnitsRule::Floor).is_err());
    assert_eq!(infested_units(1_000_000, 1e-300, UnitsRule::Ceil).unwrap(), 1);
}

#[test]
fn ties_are_decided_in_whole_numbers() {
    // P(0) = 1/20 = 1 - 0.95 exactly at n = 19.
    assert_eq!(Lot::new(20, 1).unwrap().sample_size(1.0, 0.95).unwrap(), 19);
    assert_eq!(Lot::new(1000, 1).unwrap().sample_size(1.0, 0.999).unwrap(), 999);
    assert_eq!(Lot::new(10, 1).unwrap().sample_size(1.0, 0.7).unwrap(), 7);
    // C(3,2)/C(5,2) = 3/10.
    assert_eq!(Lot::new(5, 2).unwrap().sample_size(1.0, 0.7).unwrap(), 2);
    assert_eq!(binomial(0.5, 1.0, 0.75).unwrap(), 2);
    assert_eq!(binomial(0.1, 1.0, 0.271).unwrap(), 3);
}

#[test]
fn ends_and_hostile_input() {
    let lot = Lot::new(100, 5).unwrap();
    assert_eq!(lot.sample_size(1.0, 1.0).unwrap(), 96);
    assert_eq!(lot.sample_size(1.0, 0.0).unwrap(), 0);
    assert_eq!(lot.confidence(0, 0.5).unwrap(), 0.0);
    assert_eq!(lot.confidence(100, 1.0).unwrap(), 1.0);
    assert_eq!(Lot::new(1, 1).unwrap().sample_size(1.0, 0.95).unwrap(), 1);
    assert_eq!(binomial(1.0, 1.0, 1.0).unwrap(), 1);
    assert!(binomial(0.5, 1.0, 1.0).is_err(), "no finite sample is certain");
    assert!(
        lot.sample_size(0.1, 0.95).is_err(),
        "looking at all five infested units shows 41 % at most"
    );
    assert!(lot.sample_size(0.0, 0.95).is_err());
    assert!(lot.confidence(101, 1.0).is_err());
    assert!(Lot::new(10, 0).is_err());
    assert!(Lot::new(10, 11).is_err());
    assert!(Lot::new(0, 0).is_err());
    for bad in [f64::NAN, f64::INFINITY, -0.1, 1.1] {
        assert!(binomial(bad, 1.0, 0.95).is_err());
        assert!(poisson(0.1, bad, 0.95).is_err());
        assert!(lot.sample_size(1.0, bad).is_err());
        assert!(clopper_pearson(1, 2, bad, Sides::Two).is_err());
        assert!(infested_units(100, bad, UnitsRule::Floor).is_err());
    }
    assert!(clopper_pearson(3, 2, 0.95, Sides::Two).is_err());
    assert!(upper_bound_none_found(0, 1.0, 0.95).is_err());
}

/// A billion units: beside the binomial (from which it must differ by next to nothing) and on identities.
#[test]
fn a_billion_units() {
    let lot = Lot::new(1_000_000_000, 10_000_000).unwrap();
    assert_eq!(lot.sample_size(1.0, 0.95).unwrap(), 299);
    assert_eq!(lot.sample_size(0.8, 0.95).unwrap(), 373);
    // One infested unit: the confidence is n/N to the last bit that matters.
    let one = Lot::new(1_000_000_000, 1).unwrap();
    assert_eq!(one.sample_size(1.0, 0.95).unwrap(), 950_000_000);
    close(one.confidence(123_456_789, 1.0).unwrap(), 0.123_456_789, 1e-15);
    // Drawn from either side the hypergeometric is the same: C(N-D,n)/C(N,n) is symmetric in D and n.
    let a = Lot::new(1_000_000_000, 40_000)
        .unwrap()
        .confidence(70_000, 1.0)
        .unwrap();
    let b = Lot::new(1_000_000_000, 70_000)
        .unwrap()
        .confidence(40_000, 1.0)
        .unwrap();
    close(a, b, 1e-13);
    // Half of it infested and half of it looked at: certain, and quick.
    let half = Lot::new(1_000_000_000, 500_000_000).unwrap();
    assert_eq!(half.confidence(500_000_000, 0.5).unwrap(), 1.0);
    // A poor method: against the binomial again, where 1e6 of 1e9 are looked at and 1e6 infested.
    let poor = Lot::new(1_000_000_000, 1_000_000)
        .unwrap()
        .confidence(1_000_000, 0.001)
        .unwrap();
    close(poor, binomial_confidence(1_000_000, 0.001, 0.001).unwrap(), 1e-6);
}

/// The imperfect method by the plain sum on small lots.
fn plain_confidence(population: u64, infested: u64, n: u64, se: f64) -> f64 {
    let choose = |n: u64, k: u64| (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64);
    let total = choose(population, n);
    let none: f64 = (0..=n.min(infested))
        .filter(|k| n - k <= population - infested)
        .map(|k| {
            choose(infested, k) * choose(population - infested, n - k) / total * (1.0 - se).powi(k as i32)
        })
        .sum();
    1.0 - none
}

proptest! {
    #[test]
    fn agrees_with_the_plain_sum(population in 1u64..60, a in 0.0..1.0f64, b in 0.0..1.0f64, se in 0.001..1.0f64) {
        let infested = 1 + (a * (population - 1) as f64) as u64;
        let n = (b * population as f64) as u64;
        let got = Lot::new(population, infested).unwrap().confidence(n, se).unwrap();
        let want = plain_confidence(population, infested, n, se);
        prop_assert!((got - want).abs() < 1e-12, "{got} {want}");
    }

    #[test]
    fn the_answer_is_the_least(population in 1u64..3000, a in 0.0..1.0f64, se in 0.3..1.0f64, c in 0.01..0.99f64) {
        let infested = 1 + (a * (population - 1) as f64) as u64;
        let lot = Lot::new(population, infested).unwrap();
        match lot.sample_size(se, c) {
            Ok(n) => {
                prop_assert!(lot.confidence(n, se).unwrap() >= c - 1e-12);
                if n > 0 {
                    prop_assert!(lot.confidence(n - 1, se).unwrap() < c);
                }
            }
            Err(_) => prop_assert!(lot.confidence(population, se).unwrap() < c),
        }
    }

    #[test]
    fn more_looks_never_mean_less(population in 2u64..100_000, a in 0.0..1.0f64, b in 0.0..1.0f64, se in 0.001..=1.0f64) {
        let infested = 1 + (a * (population - 1) as f64) as u64;
        let n = (b * (population - 1) as f64) as u64;
        let lot = Lot::new(population, infested).unwrap();
        let (less, more) = (lot.confidence(n, se).unwrap(), lot.confidence(n + 1, se).unwrap());
        prop_assert!(less <= more + 1e-14 && (0.0..=1.0).contains(&more));
    }
}
