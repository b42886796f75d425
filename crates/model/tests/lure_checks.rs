//! Lure ageing against worked values (computed independently with numpy/scipy unless a source is named) and its laws.

#![allow(
    clippy::unwrap_used,
    reason = "helpers outside the test functions are tests too"
)]
#![allow(clippy::approx_constant, reason = "worked values stand as they were worked")]

use earlywood_model::lure::{
    AgainstReference, Kinetics, Lure, RateLaw, SineDay, TempPair, bessel_i0_scaled, empty_on,
};
use earlywood_model::weather::DailyTemp;
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use proptest::prelude::*;

const FIRST: Date = date(2025, 6, 1);

fn close(got: f64, want: f64, slack: f64, what: &str) {
    assert!((got - want).abs() <= slack, "{what}: {got} against {want}");
}

fn lure(kinetics: Kinetics, life_days: f64) -> Lure {
    Lure::new(kinetics, life_days, 20.0, 2.0, 1.0, 0.0).unwrap()
}

fn days(temps: &[(f64, f64)]) -> Vec<DailyTemp> {
    temps
        .iter()
        .enumerate()
        .map(|(k, &(tmin_c, tmax_c))| DailyTemp {
            date: FIRST.saturating_add((k as i64).days()),
            tmin_c,
            tmax_c,
        })
        .collect()
}

fn constant(n: usize, at: f64) -> Vec<DailyTemp> {
    days(&vec![(at, at); n])
}

#[test]
fn q10_of_two_relative_to_twenty_degrees() {
    let law = RateLaw::Q10 { q10: 2.0 };
    for (temperature_c, want) in [
        (10.0, 0.5),
        (15.0, 0.707_106_781_2),
        (25.0, 1.414_213_562),
        (30.0, 2.0),
        (35.0, 2.828_427_125),
    ] {
        let got = law.relative_rate(AgainstReference {
            temperature_c,
            reference_c: 20.0,
        });
        close(got, want, 5e-10, &format!("at {temperature_c}"));
    }
}

/// The sine-day mean: mean 20 and 25, half-range 8.
#[test]
fn a_swinging_day_releases_more_than_its_mean() {
    let lure = lure(Kinetics::ZeroOrder, 42.0);
    close(lure.day_factor(12.0, 28.0), 1.078_362_506, 5e-10, "mean 20");
    close(lure.day_factor(17.0, 33.0), 1.525_034_881, 5e-10, "mean 25");
    assert_eq!(lure.day_factor(20.0, 20.0), 1.0);
}

/// Boll-weevil dispensers released up to 13 times more at 62 than at 28 C: a Q10 of 13^(10/34) = 2.126328684.
#[test]
fn q10_from_two_measured_rates() {
    let law = RateLaw::Q10 { q10: 2.126_328_684 };
    let ratio = law.relative_rate(AgainstReference {
        temperature_c: 62.0,
        reference_c: 28.0,
    });
    close(ratio, 13.0, 1e-7, "13-fold");
}

/// Q10 = 2 and 3 between 20 and 30 C are 51.216 and 81.176 kJ/mol; 60 kJ/mol is 2.25246543 there.
#[test]
fn arrhenius_and_q10_convert() {
    let over = TempPair {
        low_c: 20.0,
        high_c: 30.0,
    };
    for (q10, kj) in [(2.0, 51.216), (3.0, 81.176)] {
        let RateLaw::Arrhenius { activation_j_per_mol } = RateLaw::Q10 { q10 }.to_arrhenius(over).unwrap()
        else {
            panic!("an Arrhenius law was asked for")
        };
        close(activation_j_per_mol / 1000.0, kj, 5e-4, "kJ/mol");
        let RateLaw::Q10 { q10: back } = RateLaw::Arrhenius { activation_j_per_mol }.to_q10(over).unwrap()
        else {
            panic!("a Q10 law was asked for")
        };
        close(back, q10, 1e-12, "there and back");
    }
    let law = RateLaw::Arrhenius {
        activation_j_per_mol: 60_000.0,
    };
    let got = law.relative_rate(AgainstReference {
        temperature_c: 30.0,
        reference_c: 20.0,
    });
    close(got, 2.252_465_43, 5e-9, "60 kJ/mol");
    assert!(RateLaw::Q10 { q10: 0.5 }.to_arrhenius(over).is_err());
    assert!(
        law.to_q10(TempPair {
            low_c: 30.0,
            high_c: 20.0
        })
        .is_err()
    );
    assert!(RateLaw::Q10 { q10: 0.0 }.checked().is_err());
    assert!(
        RateLaw::Arrhenius {
            activation_j_per_mol: -1.0
        }
        .checked()
        .is_err()
    );
}

/// Daily means 18, 20, 24, 28, 32, 30, 26: 10.74427288 equivalent days in 7; a 42-day lure has 0.7441839791 left and, the
/// week repeating, empties after 27.36341522 days, so in the course of the 28th.
#[test]
fn a_warm_week_uses_eleven_days() {
    let week = [18.0, 20.0, 24.0, 28.0, 32.0, 30.0, 26.0].map(|t| (t, t));
    let lure = lure(Kinetics::ZeroOrder, 42.0);
    let aged = lure.age(&days(&week));
    close(aged[6].equivalent_days, 10.744_272_88, 5e-9, "equivalent days");
    close(aged[6].left, 0.744_183_979_1, 5e-11, "left");
    assert_eq!((aged[6].potency, empty_on(&aged)), (1.0, None));
    close(
        42.0 / (aged[6].equivalent_days / 7.0),
        27.363_415_22,
        5e-9,
        "days to empty",
    );
    let many: Vec<(f64, f64)> = week.iter().copied().cycle().take(35).collect();
    let aged = lure.age(&days(&many));
    assert_eq!(empty_on(&aged), Some(FIRST.saturating_add(27.days())));
    assert_eq!(
        (aged[26].potency, aged[27].potency, aged[27].left),
        (1.0, 0.0, 0.0)
    );
}

/// 150 mg at 3 mg a day and 20 C: 50 days; at 30 C 25 days.
#[test]
fn zero_order_runs_dry_on_the_day() {
    let lure = lure(Kinetics::ZeroOrder, 50.0);
    close(150.0 * lure.fresh_rate_per_day(), 3.0, 1e-12, "mg a day");
    for (at, last) in [(20.0, 50), (30.0, 25)] {
        let aged = lure.age(&constant(60, at));
        assert_eq!(
            empty_on(&aged),
            Some(FIRST.saturating_add((last - 1).days())),
            "at {at}"
        );
        let last = usize::try_from(last).unwrap();
        assert!(aged[last - 2].left > 0.0 && aged[last - 1].left == 0.0);
    }
}

/// Half-life 30 days at 20 C, 150 mg: 3.465735903 mg a day at first; after 42 days 0.3789291416 left at 20 C and
/// 0.1435872944 at 30 C.
#[test]
fn first_order_fades() {
    let lure = lure(Kinetics::FirstOrder, 30.0);
    close(
        150.0 * lure.fresh_rate_per_day(),
        3.465_735_903,
        5e-10,
        "mg a day",
    );
    for (at, want) in [(20.0, 0.378_929_141_6), (30.0, 0.143_587_294_4)] {
        let aged = lure.age(&constant(42, at));
        close(aged[41].left, want, 5e-11, &format!("left at {at}"));
        assert_eq!(empty_on(&aged), None);
    }
    close(
        lure.life_to_rate_share(0.5).unwrap(),
        30.0,
        1e-12,
        "half the rate at the half-life",
    );
    assert!(lure.life_to_rate_share(0.0).is_err() && lure.life_to_rate_share(1.1).is_err());
}

/// 42 days at 0.02 a day: 0.571949332 with a constant lure; 0.4907852265 when potency is rate^0.5 with a half-life of 30
/// days (days 0 to 41, each at its start); with the trap down 14 of 42 days at 0.01: 0.2452807128 against 0.3443407794.
#[test]
fn detection_with_a_fading_lure() {
    let seen = |daily: &dyn Fn(i32) -> f64| {
        let ln_missed: f64 = (0..42).map(|t| (-daily(t)).ln_1p()).sum();
        -ln_missed.exp_m1()
    };
    close(seen(&|_| 0.02), 0.571_949_332, 5e-10, "constant");
    let fading = Lure {
        beta: 0.5,
        ..lure(Kinetics::FirstOrder, 30.0)
    };
    close(
        seen(&|t| 0.02 * fading.potency(f64::from(t))),
        0.490_785_226_5,
        5e-11,
        "fading",
    );
    close(
        seen(&|t| if t < 28 { 0.01 } else { 0.0 }),
        0.245_280_712_8,
        5e-11,
        "down 14 days",
    );
    close(seen(&|_| 0.01), 0.344_340_779_4, 5e-11, "never down");
}

/// Against scipy.special.i0e; from 1e-8 to 1e12.
#[test]
fn scaled_bessel_function() {
    for (x, want) in BESSEL {
        let got = bessel_i0_scaled(x);
        assert!((got / want - 1.0).abs() < 2e-15, "{x}: {got} against {want}");
        assert_eq!(bessel_i0_scaled(-x), got);
    }
    assert_eq!(bessel_i0_scaled(0.0), 1.0);
}

/// The series and the asymptotic form meet where they are joined, and both equal the defining integral.
#[test]
fn bessel_equals_its_integral() {
    for k in 0..=400 {
        let x = f64::from(k) * 0.1;
        let n = 4_000;
        let mean = (0..n)
            .map(|j| std::f64::consts::PI * (f64::from(j) + 0.5) / f64::from(n))
            .map(|angle| (x * (angle.cos() - 1.0)).exp())
            .sum::<f64>()
            / f64::from(n);
        let got = bessel_i0_scaled(x);
        assert!((got / mean - 1.0).abs() < 1e-13, "{x}: {got} against {mean}");
    }
}

#[test]
fn sun_ages_a_lure_faster() {
    let shaded = lure(Kinetics::ZeroOrder, 42.0);
    let sunny = Lure {
        sun_offset_c: 10.0,
        ..shaded
    };
    close(
        sunny.day_factor(12.0, 28.0),
        2.0 * shaded.day_factor(12.0, 28.0),
        1e-12,
        "ten degrees, Q10 2",
    );
}

#[test]
fn impossible_lures_are_refused() {
    let new = |life, reference, q10, beta, offset| {
        Lure::new(Kinetics::ZeroOrder, life, reference, q10, beta, offset)
    };
    assert!(new(42.0, 20.0, 2.0, 0.0, 0.0).is_ok());
    for bad in [
        new(0.0, 20.0, 2.0, 1.0, 0.0),
        new(f64::INFINITY, 20.0, 2.0, 1.0, 0.0),
        new(42.0, f64::NAN, 2.0, 1.0, 0.0),
        new(42.0, -300.0, 2.0, 1.0, 0.0),
        new(42.0, 20.0, 0.0, 1.0, 0.0),
        new(42.0, 20.0, 2.0, -0.1, 0.0),
        new(42.0, 20.0, 2.0, 1.0, f64::NAN),
    ] {
        assert!(bad.is_err());
    }
}

/// Brute-force mean over the sine day.
fn sine_day_mean(law: RateLaw, day: SineDay) -> f64 {
    let n = 2_000;
    (0..n)
        .map(|k| std::f64::consts::TAU * (f64::from(k) + 0.5) / f64::from(n))
        .map(|angle| {
            let temperature_c =
                0.5 * (day.tmin_c + day.tmax_c) + 0.5 * (day.tmax_c - day.tmin_c) * angle.sin();
            law.relative_rate(AgainstReference {
                temperature_c,
                reference_c: day.reference_c,
            })
        })
        .sum::<f64>()
        / f64::from(n)
}

proptest! {
    #[test]
    fn day_factor_is_the_mean_over_the_day(tmin_c in -20.0..35.0_f64, range in 0.0..30.0_f64, reference_c in 0.0..40.0_f64, q10 in 0.3..6.0_f64, kj in 0.0..150.0_f64) {
        let day = SineDay { tmin_c, tmax_c: tmin_c + range, reference_c };
        for law in [RateLaw::Q10 { q10 }, RateLaw::Arrhenius { activation_j_per_mol: 1000.0 * kj }] {
            let (got, want) = (law.day_factor(day), sine_day_mean(law, day));
            prop_assert!((got / want - 1.0).abs() < 1e-10, "{:?}: {} against {}", law, got, want);
        }
    }

    #[test]
    fn potency_and_left_stay_in_range_and_never_rise(life in 0.5..400.0_f64, beta in 0.0..5.0_f64, q10 in 1.0..5.0_f64, temps in prop::collection::vec((-20.0..30.0_f64, 0.0..25.0_f64), 1..120), first_order: bool) {
        let kinetics = if first_order { Kinetics::FirstOrder } else { Kinetics::ZeroOrder };
        let lure = Lure::new(kinetics, life, 20.0, q10, beta, 0.0).unwrap();
        let pairs: Vec<(f64, f64)> = temps.iter().map(|&(low, range)| (low, low + range)).collect();
        let aged = lure.age(&days(&pairs));
        let (mut before, mut potency) = (0.0, 1.0);
        for day in &aged {
            prop_assert!((0.0..=1.0).contains(&day.left) && (0.0..=1.0).contains(&day.potency));
            prop_assert!(day.potency <= potency && day.equivalent_days > before);
            let mean = lure.mean_potency(before..day.equivalent_days);
            prop_assert!(mean >= day.potency - 1e-9 && mean <= potency + 1e-9, "{} {} {}", potency, mean, day.potency);
            (before, potency) = (day.equivalent_days, day.potency);
        }
        prop_assert_eq!(empty_on(&aged), aged.iter().find(|d| d.left == 0.0).map(|d| d.date));
    }

    #[test]
    fn finite_in_finite_out(tmin_c in -1e9..1e9_f64, range in 0.0..1e9_f64, q10 in 1e-6..1e6_f64, life in 1e-3..1e6_f64) {
        for kinetics in [Kinetics::ZeroOrder, Kinetics::FirstOrder] {
            let lure = Lure::new(kinetics, life, 20.0, q10, 1.0, 0.0).unwrap();
            for day in lure.age(&days(&[(tmin_c, tmin_c + range); 3])) {
                prop_assert!(day.equivalent_days.is_finite() && day.left.is_finite() && day.potency.is_finite(), "{:?}", day);
            }
        }
    }
}

/// `(x, exp(-x) I0(x))` by scipy.special.i0e.
const BESSEL: [(f64, f64); 12] = [
    (1e-08, 0.9999999900000003),
    (0.1, 0.9071009257823011),
    (0.55, 0.6214135184984515),
    (1.0, 0.46575960759364043),
    (2.5, 0.27004644161220276),
    (7.0, 0.15373774467288123),
    (12.0, 0.11642622121344044),
    (19.9, 0.09000858886438959),
    (20.1, 0.08955376362061344),
    (45.0, 0.05963811501173194),
    (700.0, 0.015081295651531355),
    (1000000000000.0, 3.9894228040148256e-07),
];
