//! Shares of small numbers: published check values, closed forms, and the exact binomial tail by brute force.
#![allow(clippy::unwrap_used)]

use earlywood_model::param::{Dist, Mark};
use earlywood_model::profile::{TargetProfile, shipped};
use earlywood_model::proportion::{Share, Sides, screening_from_audit, trials_needed};
use proptest::prelude::*;
use rand::SeedableRng as _;

fn share(successes: u64, trials: u64) -> Share {
    Share::new(successes, trials).unwrap()
}

/// P(X >= k) for a binomial, term by term from the smallest.
fn tail(k: u64, n: u64, p: f64) -> f64 {
    let term = |x: u64| {
        let choose: f64 = (0..x).map(|i| (n - i) as f64 / (i + 1) as f64).product();
        choose * p.powi(x as i32) * (1.0 - p).powi((n - x) as i32)
    };
    let mut terms: Vec<f64> = (k..=n).map(term).collect();
    terms.sort_by(f64::total_cmp);
    terms.iter().sum()
}

/// Where an increasing function crosses a value, by halving.
fn crossing(value: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if f(middle) < value {
            low = middle
        } else {
            high = middle
        }
    }
    0.5 * (low + high)
}

/// One-sided 95 % lower bounds, computed for the trade notes; to the whole per cent.
#[test]
fn audits_in_whole_per_cents() {
    for (k, n, per_cent) in [(9, 10, 61.0), (18, 20, 72.0), (27, 30, 76.0), (90, 100, 84.0)] {
        let bound = share(k, n).at_least(0.95).unwrap();
        assert_eq!((bound * 100.0).round(), per_cent, "{k}/{n}: {bound}");
    }
    assert!(share(59, 59).at_least(0.95).unwrap() >= 0.95);
    assert!(share(58, 58).at_least(0.95).unwrap() < 0.95);
}

#[test]
fn the_least_number_of_trials() {
    for (s, c, n) in [
        (0.95, 0.95, 59),
        (0.9, 0.95, 29),
        (0.8, 0.95, 14),
        (0.99, 0.95, 299),
        (0.5, 0.75, 2),
        (0.5, 0.875, 3),
        (0.1, 0.5, 1),
    ] {
        assert_eq!(trials_needed(s, c).unwrap(), n, "{s} at {c}");
    }
    for bad in [0.0, 1.0, -0.1, 1.1, f64::NAN] {
        assert!(trials_needed(bad, 0.95).is_err() && trials_needed(0.9, bad).is_err());
    }
    assert!(trials_needed(1.0 - f64::EPSILON, 0.95).is_err());
}

#[test]
fn none_and_all_have_closed_forms() {
    for n in [1_u64, 2, 10, 59, 1000] {
        let root = |error: f64| error.powf(1.0 / n as f64);
        let near = |got: f64, want: f64| assert!((got - want).abs() < 1e-12, "{got} {want}");
        near(share(n, n).at_least(0.95).unwrap(), root(0.05));
        near(share(0, n).at_most(0.95).unwrap(), 1.0 - root(0.05));
        let (low, high) = share(n, n).interval(0.95, Sides::Two).unwrap();
        near(low, root(0.025));
        assert_eq!(high, 1.0);
        let (low, high) = share(0, n).interval(0.95, Sides::Two).unwrap();
        near(high, 1.0 - root(0.025));
        assert_eq!(low, 0.0);
    }
}

#[test]
fn without_a_trial_nothing_is_known() {
    let none = share(0, 0);
    assert_eq!(none.point(), None);
    for sides in [Sides::Two, Sides::Lower, Sides::Upper] {
        assert_eq!(none.interval(0.95, sides).unwrap(), (0.0, 1.0));
        assert!(none.interval(1.0, sides).is_err() && none.interval(f64::NAN, sides).is_err());
    }
    assert_eq!(
        none.posterior(),
        Dist::Beta {
            alpha: 1.0,
            beta: 1.0
        }
    );
    assert!(Share::new(2, 1).is_err() && Share::new(0, u64::MAX).is_err());
    let words = Share::new(2, 1).unwrap_err().to_string();
    assert_eq!(
        words,
        "the number of successes is 2; it must be not more than the number of trials"
    );
}

#[test]
fn the_posterior_moves_the_models_screening_and_nothing_else() {
    let before = &shipped()[0];
    let mut after: TargetProfile = before.clone();
    after.design.screening = screening_from_audit(27, 30).unwrap();
    // It passes the profile's own check, and is what the model then draws.
    let after = TargetProfile::from_toml(&after.to_toml().unwrap()).unwrap();
    let (was, is) = (before.central().unwrap(), after.central().unwrap());
    assert!((is.screening - 28.0 / 32.0).abs() < 1e-12);
    assert_eq!((was.flyers, was.impaired_share), (is.flyers, is.impaired_share));
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
    let drawn: Vec<f64> = (0..20_000)
        .map(|_| after.drawn(&mut rng).unwrap().screening)
        .collect();
    let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
    let variance = drawn.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / drawn.len() as f64;
    // Mean and variance of Beta(28, 4).
    assert!((mean - 0.875).abs() < 0.002, "{mean}");
    assert!(
        (variance - 28.0 * 4.0 / (32.0 * 32.0 * 33.0)).abs() < 2e-4,
        "{variance}"
    );
}

#[test]
fn an_audit_says_where_it_comes_from() {
    let param = screening_from_audit(18, 20).unwrap();
    assert_eq!(
        (param.source.as_str(), param.mark, param.unit.as_str()),
        (
            "this programme's planted specimens: 18 of 20 recovered",
            Mark::Calculated,
            "share"
        )
    );
    let note = param.note.unwrap();
    assert!(note.contains("at least 71 % with 95 % confidence"), "{note}");
    let none = screening_from_audit(0, 0).unwrap();
    assert_eq!((none.source.as_str(), none.mark), ("none", Mark::SetByProgramme));
    assert!(none.mark.needs_warning());
    assert!(screening_from_audit(3, 2).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn bounds_are_where_the_exact_tail_crosses_the_error(
        (k, n) in (1..60_u64).prop_flat_map(|n| (0..=n, Just(n))),
        confidence in 0.5..0.999_f64,
    ) {
        let error = 1.0 - confidence;
        let s = share(k, n);
        let low = if k == 0 { 0.0 } else { crossing(error, |p| tail(k, n, p)) };
        let high = if k == n { 1.0 } else { crossing(confidence, |p| tail(k + 1, n, p)) };
        prop_assert!((s.at_least(confidence).unwrap() - low).abs() < 1e-9);
        prop_assert!((s.at_most(confidence).unwrap() - high).abs() < 1e-9);
        let two = s.interval(confidence, Sides::Two).unwrap();
        let half = 0.5 + 0.5 * confidence;
        prop_assert!((two.0 - s.at_least(half).unwrap()).abs() < 1e-9);
        prop_assert!((two.1 - s.at_most(half).unwrap()).abs() < 1e-9);
        let point = s.point().unwrap();
        prop_assert!(two.0 <= point && point <= two.1);
    }

    #[test]
    fn all_successes_need_exactly_so_many(least in 0.01..0.995_f64, confidence in 0.05..0.999_f64) {
        let n = trials_needed(least, confidence).unwrap();
        prop_assert!(share(n, n).at_least(confidence).unwrap() >= least * (1.0 - 1e-9));
        prop_assert!(n == 1 || share(n - 1, n - 1).at_least(confidence).unwrap() < least);
    }
}
