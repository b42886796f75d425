//! Dispersal kernels, spread and delimiting radii against published figures and worked values.
//!
//! "Worked value" stands for a value computed independently of this code, with numpy and scipy.
#![allow(clippy::unwrap_used)]

use earlywood_model::dispersal::{Delimit, GenerationFront, GrowingFront, Kernel, RadiusOfShare};
use proptest::prelude::*;

#[track_caller]
fn near(got: f64, expected: f64, relative: f64) {
    assert!(
        (got - expected).abs() <= relative * expected.abs(),
        "got {got}, expected {expected}"
    );
}

/// Values given to ten significant digits.
#[track_caller]
fn ten_digits(got: f64, expected: f64) {
    near(got, expected, 6e-10);
}

/// Exponential over the plane against the exponential in distance: worked values.
#[test]
fn exponentials() {
    let unit = Kernel::exponential(1.0).unwrap();
    near(unit.quantile(0.5), 1.67834699, 3e-9);
    ten_digits(unit.quantile(0.95), 4.743864518);
    ten_digits(unit.quantile(0.99), 6.638352068);
    ten_digits(Kernel::exponential(50.0).unwrap().within(100.0), 0.5939941503);
    ten_digits(
        Kernel::exponential_radial(50.0).unwrap().within(100.0),
        0.8646647168,
    );
    assert_eq!(unit.mean_m(), Some(2.0));
    assert_eq!(Kernel::exponential_radial(50.0).unwrap().mean_m(), Some(50.0));
}

/// Diffusion: worked values.
#[test]
fn gaussian() {
    let k = Kernel::gaussian(1e4, 30.0).unwrap();
    ten_digits(k.mean_square_m2().unwrap(), 1.2e6);
    ten_digits(k.mean_m().unwrap(), 970.8129563);
    ten_digits(k.quantile(0.95), 1896.016542);
    near(k.quantile(0.99), 2350.788, 3e-7);
}

/// Clark et al. 1999, Ecology 80:1475-1494, the 2Dt. Worked values.
#[test]
fn two_dt() {
    let k = Kernel::two_dt(2500.0, 1.5).unwrap();
    ten_digits(k.within(100.0), 0.9105572809);
    ten_digits(k.quantile(0.5), 38.32104683);
    ten_digits(k.quantile(0.95), 126.1751065);
    ten_digits(k.mean_m().unwrap(), 50.0);
    assert_eq!(Kernel::two_dt(2500.0, 0.5).unwrap().mean_m(), None);
}

/// Lognormal and mixed kernels: worked values.
#[test]
fn lognormal_and_mixed() {
    let k = Kernel::lognormal(100.0, 1.0).unwrap();
    ten_digits(k.mean_m().unwrap(), 164.8721271);
    ten_digits(k.quantile(0.95), 518.0251602);
    let mixed = Kernel::mixed(
        0.95,
        Kernel::exponential(50.0).unwrap(),
        Kernel::exponential(1000.0).unwrap(),
    )
    .unwrap();
    ten_digits(mixed.beyond(500.0), 0.04596422874);
    ten_digits(mixed.quantile(0.99), 2994.308347);
}

/// Smith et al. 2001, Environ Entomol 30:1036, Asian longhorned beetle: 98 % within 560 m. Worked values.
#[test]
fn asian_longhorned_beetle() {
    let seen = RadiusOfShare {
        share: 0.98,
        radius_m: 560.0,
    };
    let exponential = Kernel::exponential(1.0).unwrap().fitted_to(seen).unwrap();
    near(exponential.mean_m().unwrap(), 2.0 * 95.99031811, 6e-10);
    near(exponential.mean_m().unwrap(), 191.98, 3e-5);
    let diffusion = Kernel::gaussian(1.0, 1.0).unwrap().fitted_to(seen).unwrap();
    ten_digits(diffusion.mean_square_m2().unwrap().sqrt(), 283.1309375);
    near(diffusion.mean_m().unwrap(), 250.92, 3e-5);
}

/// Kees et al. 2017, Environ Entomol 46:633, walnut twig beetle on a flight mill: mean 372 m, median 158 m. Worked value.
#[test]
fn walnut_twig_beetle() {
    let k = Kernel::lognormal_with_mean(158.0, 372.0).unwrap();
    near(k.mean_m().unwrap(), 372.0, 1e-12);
    near(
        (k.quantile(0.841_344_746_068_542_9) / 158.0).ln(),
        1.3086625,
        4e-8,
    );
}

/// Caton et al. 2025, J Econ Entomol toaf095, medfly: mean 96.3 m in a day; the 30-day radius agrees with the under 1 km
/// of Meats et al. 2003, Aust J Exp Agric 43:397. Worked values.
#[test]
fn mediterranean_fruit_fly() {
    let day = Kernel::gaussian_with_mean(96.3, 1.0).unwrap();
    let diffusion = day.mean_square_m2().unwrap() / 4.0;
    ten_digits(diffusion, 2951.907208);
    let month = Kernel::gaussian(diffusion, 30.0).unwrap();
    near(month.quantile(0.95), 1030.13341, 6e-9);
}

/// Skellam 1951, Biometrika 38:196-218: the speed of a front, with 4Dt the mean squared displacement. Worked values.
#[test]
fn front_speed() {
    let km2 = 1e6;
    let speed = |growth_per_year: f64, d_km2: f64| {
        GrowingFront {
            growth_per_year,
            diffusion_m2_per_year: d_km2 * km2,
        }
        .speed_m_per_year()
            / 1e3
    };
    ten_digits(speed(1.0, 0.25), 1.0);
    ten_digits(speed(1.5, 1.0), 2.449489743);
    let by_generation = GenerationFront {
        growth_per_generation: 8.0,
        mean_square_m2: 0.5 * km2,
    };
    near(by_generation.speed_m_per_generation() / 1e3, 1.01966699, 6e-9);
    near(speed(8.0_f64.ln(), 0.5 / 4.0), 1.01966699, 6e-9);
    assert_eq!(speed(-1.0, 1.0), 0.0);
    assert_eq!(
        GenerationFront {
            growth_per_generation: 0.5,
            mean_square_m2: 1.0
        }
        .speed_m_per_generation(),
        0.0
    );
}

/// Three promises a delimiting radius may make: worked values.
#[test]
fn delimiting_radius() {
    let k = Kernel::gaussian(1e4, 30.0).unwrap();
    let radius = |aim| k.delimiting_radius_m(aim).unwrap();
    ten_digits(radius(Delimit::ShareOutside { share: 0.05 }), 1896.016542);
    ten_digits(
        radius(Delimit::ExpectedOutside {
            insects: 200.0,
            fewer_than: 0.05,
        }),
        3154.815299,
    );
    ten_digits(
        radius(Delimit::AllInside {
            insects: 20.0,
            confidence: 0.95,
        }),
        2675.939367,
    );
    ten_digits(k.within(2675.939367), 0.9974386212);
    assert_eq!(
        radius(Delimit::ExpectedOutside {
            insects: 1.0,
            fewer_than: 2.0
        }),
        0.0
    );
    assert!(
        radius(Delimit::AllInside {
            insects: 1e6,
            confidence: 1.0 - 1e-12
        })
        .is_finite()
    );
    assert!(
        k.delimiting_radius_m(Delimit::ShareOutside { share: 1.0 })
            .is_err()
    );
    assert!(
        k.delimiting_radius_m(Delimit::AllInside {
            insects: 0.0,
            confidence: 0.9
        })
        .is_err()
    );
}

#[test]
fn refuses_what_makes_no_kernel() {
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(Kernel::gaussian(bad, 1.0).is_err() && Kernel::gaussian(1.0, bad).is_err());
        assert!(Kernel::exponential(bad).is_err() && Kernel::exponential_radial(bad).is_err());
        assert!(Kernel::two_dt(bad, 1.0).is_err() && Kernel::two_dt(1.0, bad).is_err());
        assert!(Kernel::lognormal(bad, 1.0).is_err() && Kernel::lognormal(1.0, bad).is_err());
    }
    assert!(Kernel::lognormal_with_mean(100.0, 90.0).is_err());
    let k = Kernel::exponential(1.0).unwrap();
    assert!(Kernel::mixed(1.5, k.clone(), k).is_err());
    assert!(toml::from_str::<Kernel>("kind = \"2dt\"\nu_m2 = -1.0\np = 1.0").is_err());
    assert!(toml::from_str::<Kernel>("kind = \"2dt\"\nu_m2 = 1.0\np = 1.0").is_ok());
}

fn single() -> impl Strategy<Value = Kernel> {
    let scale = || 0.1..5000.0;
    prop_oneof![
        (0.1..1e5, 0.1..400.0).prop_map(|(d, t)| Kernel::gaussian(d, t).unwrap()),
        scale().prop_map(|a| Kernel::exponential(a).unwrap()),
        scale().prop_map(|a| Kernel::exponential_radial(a).unwrap()),
        (0.1..1e6, 0.2..6.0).prop_map(|(u, p)| Kernel::two_dt(u, p).unwrap()),
        (scale(), 0.05..2.5).prop_map(|(m, s)| Kernel::lognormal(m, s).unwrap()),
    ]
}

fn kernel() -> impl Strategy<Value = Kernel> {
    prop_oneof![
        single(),
        (0.0..=1.0, single(), single()).prop_map(|(w, a, b)| Kernel::mixed(w, a, b).unwrap())
    ]
}

proptest! {
    #[test]
    fn shares_add_up_and_rise_with_the_radius(k in kernel(), r in 0.0..1e7, more in 0.0..1e5) {
        prop_assert!((k.within(r) + k.beyond(r) - 1.0).abs() < 1e-12);
        prop_assert!(k.within(r + more) >= k.within(r) * (1.0 - 1e-12));
        prop_assert!((0.0..=1.0).contains(&k.within(r)) && (0.0..=1.0).contains(&k.beyond(r)));
        prop_assert!(k.density_per_m2(r) >= 0.0);
    }

    #[test]
    fn quantile_is_the_inverse(k in kernel(), q in 0.001..0.999, tail_exponent in -12.0..-1.0) {
        let (r, tail) = (k.quantile(q), 10f64.powf(tail_exponent));
        prop_assert!((k.within(r) - q).abs() < 1e-9, "{} {}", k.within(r), q);
        let back = k.beyond(k.radius_beyond(tail));
        prop_assert!((back / tail - 1.0).abs() < 1e-6, "{} {}", back, tail);
    }

    #[test]
    fn density_is_the_slope_of_the_share(k in kernel(), q in 0.02..0.98) {
        let r = k.quantile(q);
        let h = r * 1e-4;
        let slope = (k.within(r + h) - k.within(r - h)) / (2.0 * h);
        let ring = 2.0 * std::f64::consts::PI * r * k.density_per_m2(r);
        prop_assert!((ring - slope).abs() < 1e-4 * ring.max(slope), "{} {}", ring, slope);
    }

    #[test]
    fn ends_are_in_order(k in kernel()) {
        prop_assert_eq!(k.within(0.0), 0.0);
        prop_assert_eq!(k.beyond(0.0), 1.0);
        prop_assert_eq!(k.quantile(0.0), 0.0);
        prop_assert_eq!(k.quantile(1.0), f64::INFINITY);
        prop_assert_eq!(k.radius_beyond(0.0), f64::INFINITY);
        prop_assert!(k.beyond(1e300) < 1e-3 && k.beyond(f64::INFINITY) == 0.0);
    }

    #[test]
    fn scaling_carries_every_distance(k in kernel(), factor in 0.01..100.0, q in 0.01..0.99) {
        let scaled = k.scaled(factor).unwrap();
        prop_assert!((scaled.quantile(q) / (factor * k.quantile(q)) - 1.0).abs() < 1e-6);
    }
}
