//! Freedom, zero catch, sighting records and scenario trees against worked values.
//!
//! Unless another source is named, the values were computed independently with numpy/scipy.

use earlywood_model::freedom::{
    SightingRecord, ZeroCatch, carry_over, catch_per_trap_day, chance_of_none_growing, cycle_days, limit,
    per_period, posterior_free, sensitivity_needed, series, series_of, stop_rule,
};
use earlywood_model::scenario_tree::{
    Looks, RiskGroup, adjusted_risks, combine_independent, component_sensitivity,
};
use proptest::prelude::*;

fn close(got: f64, want: f64, relative: f64) {
    assert!(
        (got - want).abs() <= relative * want.abs(),
        "got {got}, want {want}"
    );
}

/// The formulas of Martin, Cameron & Greiner 2007 Prev Vet Med 79:71-97.
#[test]
fn freedom_over_periods() {
    let with = series(0.5, 0.6, 0.02, 8).unwrap();
    let want = [
        0.714_285_714_3,
        0.853_658_536_6,
        0.927_528_393_7,
        0.961_487_854_8,
        0.976_074_330_9,
        0.982_155_974_4,
        0.984_660_112_8,
        0.985_685_883_6,
    ];
    for (got, want) in with.p_free.iter().zip(want) {
        close(*got, want, 1e-9);
    }
    close(with.limit, 0.986_394_557_8, 1e-9);
    let without = series(0.5, 0.6, 0.0, 4).unwrap();
    for (got, want) in
        without
            .p_free
            .iter()
            .zip([0.714_285_714_3, 0.862_068_965_5, 0.939_849_624_1, 0.975_039_001_6])
    {
        close(*got, want, 1e-9);
    }
    for (se, want) in [
        (0.8, [0.833_333, 0.957_031, 0.986_929, 0.993_261]),
        (0.95, [0.952_381, 0.996_441, 0.998_799, 0.998_919]),
    ] {
        for (got, want) in series(0.5, se, 0.02, 4).unwrap().p_free.iter().zip(want) {
            close(*got, want, 1e-6);
        }
    }
    close(sensitivity_needed(0.5, 0.95).unwrap(), 0.947_368_421_1, 1e-9);
    close(sensitivity_needed(0.9, 0.99).unwrap(), 0.909_090_909_1, 1e-9);
}

#[test]
fn ends_of_freedom() {
    assert_eq!(posterior_free(0.0, 0.3).unwrap(), 1.0);
    assert_eq!(posterior_free(1.0, 1.0).unwrap(), 0.0);
    assert_eq!(posterior_free(0.4, 1.0).unwrap(), 1.0);
    assert_eq!(limit(0.3, 0.0, 0.0).unwrap(), 0.7);
    assert_eq!(limit(0.3, 0.1, 0.2).unwrap(), 0.0);
    assert_eq!(limit(0.3, 1.0, 1.0).unwrap(), 0.0);
    assert_eq!(sensitivity_needed(0.9, 0.5).unwrap(), 0.0);
    assert!(sensitivity_needed(0.0, 0.5).is_err());
    assert_eq!(per_period(1.0, 7.0).unwrap(), 1.0);
    assert_eq!(per_period(1.0, 0.0).unwrap(), 0.0);
    close(per_period(0.02, 365.25).unwrap(), 0.02, 1e-14);
    for bad in [f64::NAN, f64::INFINITY, -0.01, 1.01] {
        assert!(posterior_free(bad, 0.5).is_err());
        assert!(posterior_free(0.5, bad).is_err());
        assert!(series(0.5, 0.5, bad, 3).is_err());
        assert!(carry_over(bad, 0.1).is_err());
        assert!(limit(0.5, bad, 0.1).is_err());
    }
    // A prior within a hair of certainty loses no digits.
    close(
        posterior_free(1.0 - 1e-12, 0.999_999).unwrap(),
        1e-12 / (1e-12 + 1e-6),
        1e-4,
    );
}

/// Sums behind zero-catch declarations (logic of Meats & Clift 2005; Barclay & Hargrove 2005 Bull Entomol Res 95:1-11).
#[test]
fn zero_catch() {
    let zero = ZeroCatch::new(200.0, 0.001).unwrap();
    close(zero.chance_of_none(15.0).unwrap(), 0.049_787_068_37, 1e-9);
    close(zero.time_until(0.05).unwrap(), 14.978_661_37, 1e-9);
    close(zero.time_until(0.01).unwrap(), 23.025_850_93, 1e-9);
    close(
        zero.chance_of_none_clumped(15.0, 0.5).unwrap(),
        0.052_032_839_85,
        1e-9,
    );
    close(
        zero.chance_of_none_clumped(15.0, 0.05).unwrap(),
        0.072_538_150_29,
        1e-9,
    );
    let network = ZeroCatch::from_efficiency(40.0, 0.002, 1.0).unwrap();
    close(network.chance_of_none(30.0).unwrap(), 0.090_717_953_29, 1e-9);
    close(network.time_until(0.05).unwrap(), 37.446_653_42, 1e-9);
    close(
        ZeroCatch::from_efficiency(100.0, 0.001, 1.0)
            .unwrap()
            .chance_of_none(7.0)
            .unwrap(),
        0.496_585,
        1e-6,
    );
    for (mean, weeks) in [
        (0.001, [150, 60, 30, 8]),
        (0.005, [30, 12, 6, 2]),
        (0.01, [15, 6, 3, 1]),
    ] {
        for (traps, want) in [20.0, 50.0, 100.0, 400.0].into_iter().zip(weeks) {
            let got = ZeroCatch::new(traps, mean)
                .unwrap()
                .time_until(0.05)
                .unwrap()
                .ceil();
            assert_eq!(got as u64, want, "{mean} {traps}");
        }
    }
    let growing = chance_of_none_growing(2.0, 5.0, 0.05, 3).unwrap();
    for (got, want) in growing.iter().zip([0.9025, 0.540_360_087_7, 0.041_577_993_59]) {
        close(*got, want, 1e-9);
    }
    close(growing[3], 1.1214e-7, 1e-4);
    let steady = chance_of_none_growing(2.0, 1.0, 0.05, 3).unwrap();
    for (got, want) in steady
        .iter()
        .zip([0.9025, 0.814_506_25, 0.735_091_890_6, 0.663_420_431_3])
    {
        close(*got, want, 1e-9);
    }
    assert_eq!(chance_of_none_growing(0.0, 2.0, 1.0, 2).unwrap(), [1.0; 3]);
    close(cycle_days(3.0, 398.0, 8.0).unwrap(), 149.25, 1e-12);
    close(cycle_days(3.0, 328.0, 12.0).unwrap(), 82.0, 1e-12);
    let stop = stop_rule(1000.0, 1e5, 0.4).unwrap();
    close(stop.surveys, 4.930_475_074, 1e-9);
    assert_eq!(stop.best, 5);
    close(stop.cost, 6024.0, 1e-12);
    assert!(ZeroCatch::new(0.0, 0.1).is_err() && ZeroCatch::new(1.0, f64::NAN).is_err());
    assert!(zero.time_until(0.0).is_err());
}

#[test]
fn catch_rates_count_served_trap_days() {
    for (catch, trap_days, want) in [
        (14.0, 40.0 * 14.0, 0.025),
        (1.0, 25.0 * 7.0, 0.005_714),
        (700.0, 100.0 * 7.0, 1.0),
        (3.0, 120.0 * 14.0, 0.001_786),
        (8.0, 20.0 * 7.0 + 10.0 * 14.0, 0.028_571),
        (18.0, 25.0 * 7.0, 0.102_857_142_9),
    ] {
        close(catch_per_trap_day(catch, trap_days).unwrap(), want, 2e-4);
    }
    assert!(catch_per_trap_day(0.0, 0.0).is_err());
}

/// Solow 1993 Ecology 74:962-964; McInerney et al. 2006 Conserv Biol 20:562-567.
#[test]
fn sighting_records() {
    let record = SightingRecord::new(5, 10.0, 15.0).unwrap();
    close(record.silence_p(), 0.131_687_242_8, 1e-9);
    close(record.bayes_factor(), 0.984_615_384_6, 1e-9);
    close(record.p_present(0.5).unwrap(), 0.496_124_031, 1e-9);
    close(record.silent_until(0.05).unwrap(), 18.205_642_03, 1e-9);
    close(record.mcinerney_p().unwrap(), 0.031_25, 1e-12);
    close(
        SightingRecord::new(5, 300.0, 520.0).unwrap().silence_p(),
        0.063_913_051_82,
        1e-9,
    );
    assert_eq!(
        SightingRecord::new(5, 10.0, 10.0)
            .unwrap()
            .p_present(0.5)
            .unwrap(),
        1.0
    );
    assert_eq!(record.p_present(0.0).unwrap(), 0.0);
    assert!(SightingRecord::new(0, 1.0, 2.0).is_err());
    assert!(SightingRecord::new(1, 3.0, 2.0).is_err());
}

/// Martin, Cameron & Greiner 2007 Prev Vet Med 79:71-97.
#[test]
fn scenario_trees() {
    let groups = [
        RiskGroup {
            relative_risk: 1.0,
            population_share: 0.8,
        },
        RiskGroup {
            relative_risk: 3.0,
            population_share: 0.2,
        },
    ];
    let risks = adjusted_risks(&groups).unwrap();
    close(risks[0], 0.714_285_714_3, 1e-9);
    close(risks[1], 2.142_857_143, 1e-9);
    let looks = |low, high, unit_sensitivity| {
        [
            Looks {
                units: low,
                unit_sensitivity,
            },
            Looks {
                units: high,
                unit_sensitivity,
            },
        ]
    };
    let low = component_sensitivity(&groups, &looks(150, 50, 0.6), 0.01).unwrap();
    close(low, 0.725_076_996_1, 1e-9);
    let high = component_sensitivity(&groups, &looks(50, 150, 0.6), 0.01).unwrap();
    close(high, 0.884_192_147_5, 1e-9);
    let one = [RiskGroup {
        relative_risk: 1.0,
        population_share: 1.0,
    }];
    let plain = |units, unit_sensitivity| {
        component_sensitivity(
            &one,
            &[Looks {
                units,
                unit_sensitivity,
            }],
            0.01,
        )
        .unwrap()
    };
    close(plain(200, 0.6), 0.699_892_479, 1e-9);
    let traps = combine_independent(&[0.35, 0.35, 0.1, 0.1, 0.1, 0.1, 0.1]).unwrap();
    close(traps, 0.750_517_975, 1e-9);
    close(combine_independent(&[low, traps]).unwrap(), 0.931_411_652_3, 1e-9);
    // Risk strata in the EFSA manner.
    close(
        component_sensitivity(&groups, &looks(50, 100, 0.7), 0.01).unwrap(),
        0.828_297,
        1e-6,
    );
    close(plain(150, 0.7), 0.651_352, 1e-6);
    assert_eq!(combine_independent(&[]).unwrap(), 0.0);
    assert_eq!(combine_independent(&[0.2, 1.0]).unwrap(), 1.0);
    assert!(component_sensitivity(&groups, &looks(1, 1, 0.5)[..1], 0.01).is_err());
    assert!(
        component_sensitivity(&groups, &looks(1, 1, 0.5), 0.6).is_err(),
        "EPI above 1"
    );
    assert!(
        adjusted_risks(&[RiskGroup {
            relative_risk: 1.0,
            population_share: 0.5
        }])
        .is_err()
    );
    assert!(adjusted_risks(&[]).is_err());
}

proptest! {
    #[test]
    fn freedom_stays_a_probability(
        prior in 0.0..=1.0f64,
        sensitivities in prop::collection::vec(0.0..=1.0f64, 0..40),
        introduction in 0.0..=1.0f64,
    ) {
        let out = series_of(prior, &sensitivities, introduction).unwrap();
        prop_assert!(out.iter().all(|f| (0.0..=1.0).contains(f)));
        // More sensitivity in any period never means less assurance.
        let better: Vec<f64> = sensitivities.iter().map(|s| s + 0.5 * (1.0 - s)).collect();
        let more = series_of(prior, &better, introduction).unwrap();
        prop_assert!(out.iter().zip(&more).all(|(a, b)| *a <= *b + 1e-12));
    }

    #[test]
    fn the_sequence_tends_to_its_limit(prior in 0.0..0.99f64, s in 0.3..0.99f64, i in 0.0..0.2f64) {
        let out = series(prior, s, i, 3000).unwrap();
        prop_assert!((out.p_free[2999] - out.limit).abs() < 1e-6, "{:?}", (out.p_free[2999], out.limit));
    }

    #[test]
    fn the_sensitivity_needed_is_the_one(from in 0.01..0.99f64, to in 0.01..0.999f64) {
        let s = sensitivity_needed(from, to).unwrap();
        let got = posterior_free(1.0 - from, s).unwrap();
        let right = if to > from { (got - to).abs() < 1e-12 } else { s == 0.0 };
        prop_assert!(right);
    }

    #[test]
    fn two_equal_risk_groups_are_one(share in 0.01..0.99f64, p in 0.0001..0.5f64, n in 0u64..500, se in 0.0..=1.0f64) {
        let groups = [
            RiskGroup { relative_risk: 2.0, population_share: share },
            RiskGroup { relative_risk: 2.0, population_share: 1.0 - share },
        ];
        let looks = [Looks { units: n, unit_sensitivity: se }, Looks { units: 7, unit_sensitivity: se }];
        let one = [RiskGroup { relative_risk: 1.0, population_share: 1.0 }];
        let a = component_sensitivity(&groups, &looks, p).unwrap();
        let b = component_sensitivity(&one, &[Looks { units: n + 7, unit_sensitivity: se }], p).unwrap();
        prop_assert!((a - b).abs() < 1e-12);
    }
}
