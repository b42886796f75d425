//! Capture functions, sampling areas, survival and competition against published figures and worked values.
//!
//! Where a paper gives the formula it is named. "Worked value" stands for a value computed independently of this code,
//! with numpy and scipy.
#![allow(clippy::unwrap_used)]

use earlywood_model::capture::attraction::{
    Annulus, BaitTrial, Encounter, FlightLayer, MassRelease, TrapRing, TrappingArea, per_insect,
    share_passing,
};
use earlywood_model::capture::life::{
    Competition, DailyLife, DayOrder, any_of, any_of_poisson, any_trap, mean_mixing_daily, mean_staying_put,
};
use earlywood_model::capture::{Capture, Form, Observation};
use earlywood_model::detection::{
    Cutoff, DiffusingPopulation, Point, Surface, SurfaceTrap, mean_capture_in_lattice,
};

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

fn sech(reach_m: f64) -> Capture {
    Capture::new(Form::Sech, reach_m, 1.0).unwrap()
}

fn at(x_m: f64, y_m: f64) -> Point {
    Point { x_m, y_m }
}

fn trap(place: Point, capture: Capture) -> SurfaceTrap {
    SurfaceTrap::new(place, capture, 1.0).unwrap()
}

/// Manoukis, Hall & Geib 2014, Sci Rep 4:7015: the hyperbolic secant. Worked values.
#[test]
fn sech_by_distance() {
    let c = sech(10.0);
    assert_eq!(c.probability(0.0), 1.0);
    ten_digits(c.probability(5.0), 0.886818884);
    ten_digits(c.probability(10.0), 0.6480542737);
    ten_digits(c.probability(20.0), 0.2658022288);
    ten_digits(c.probability(100.0), 9.079985934e-05);
    ten_digits(sech(36.0).probability(100.0), 0.1238741604);
}

/// Inverses of the same function: Manoukis, Hall & Geib 2014, Sci Rep 4:7015. Worked values.
#[test]
fn sech_by_probability() {
    ten_digits(sech(10.0).cutoff_m(0.5), 13.16957897);
    ten_digits(sech(36.0).cutoff_m(0.5), 47.41048429);
    ten_digits(sech(10.0).cutoff_m(0.05), 36.88253867);
    ten_digits(sech(10.0).cutoff_m(0.01), 52.98292366);
    let seen = Observation {
        distance_m: 36.0,
        probability: 0.65,
    };
    let through = Capture::through(Form::Sech, 1.0, seen).unwrap();
    ten_digits(1.0 / through.reach_m(), 0.02766831507);
    ten_digits(through.probability(36.0), 0.65);
}

/// Closed form of the sech's area in the plane, 4 pi G / lambda^2. Worked values.
#[test]
fn sech_sampling_area() {
    ten_digits(sech(10.0).sampling_area_m2(), 1151.036313);
    ten_digits(sech(10.0).sampling_radius_m(), 19.14121829);
    ten_digits(sech(36.0).sampling_area_m2(), 14917.43061);
}

/// The closed forms against a sum over the plane, ring by ring.
#[test]
fn sampling_areas_are_the_sum_over_the_plane() {
    for form in [Form::Sech, Form::Exponential, Form::HalfNormal, Form::Disc] {
        let c = Capture::new(form, 20.0, 0.5).unwrap();
        let step_m = 0.01;
        let sum: f64 = (0..200_000)
            .map(|i| (f64::from(i) + 0.5) * step_m)
            .map(|r| 2.0 * std::f64::consts::PI * r * c.probability(r) * step_m)
            .sum();
        near(sum, c.sampling_area_m2(), 1e-6);
    }
}

/// Shelly et al. 2014, J Asia-Pac Entomol 17:525-530, and Lance & Gates 1994, J Econ Entomol 87:1377-1383: three ways to
/// the sampling area of one medfly trap agree. Arithmetic on the papers' figures: worked values.
#[test]
fn medfly_sampling_area_three_ways() {
    let p = per_insect(0.999, 2300.0).unwrap();
    near(p, 0.0029988663, 2e-8);
    let detected = MassRelease {
        ground_m2: 2.59e6,
        traps: 5,
        share_caught: p,
    };
    near(detected.sampling_area_m2(), 1553.4, 5e-5);
    let recaptured = MassRelease {
        ground_m2: 2.6e6,
        traps: 10,
        share_caught: 0.006,
    };
    ten_digits(recaptured.sampling_area_m2(), 1560.0);
    near(sech(14.0).sampling_area_m2(), 2256.0, 5e-4);

    let seen =
        [(25.0, 0.065), (50.0, 0.038), (100.0, 0.011), (200.0, 0.001)].map(|(distance_m, probability)| {
            Observation {
                distance_m,
                probability,
            }
        });
    let fitted = Capture::fit_exponential(&seen).unwrap();
    near(fitted.peak(), 0.1217449, 1e-6);
    near(fitted.reach_m(), 41.67665, 1e-7);
    near(fitted.sampling_area_m2(), 1328.7, 5e-5);
}

/// Shelly et al. 2010, J Econ Entomol 103(6): fifty males of the oriental fruit fly always detected by five traps. The
/// field value contains days of movement and so exceeds the snapshot area. Worked values.
#[test]
fn oriental_fruit_fly_sampling_area() {
    let p = per_insect(0.999, 50.0).unwrap();
    near(p, 0.12903641, 1e-7);
    let field_m2 = MassRelease {
        ground_m2: 2.59e6,
        traps: 5,
        share_caught: p,
    }
    .sampling_area_m2();
    near(field_m2, 66_841.0, 1e-5);
    near((field_m2 / std::f64::consts::PI).sqrt(), 145.9, 5e-4);
    near(sech(36.0).sampling_area_m2(), 14_917.0, 5e-5);
}

/// Closed forms of the exponential and the half-normal. Worked values.
#[test]
fn exponential_and_half_normal_sampling_area() {
    for form in [Form::Exponential, Form::HalfNormal] {
        ten_digits(
            Capture::new(form, 20.0, 0.5).unwrap().sampling_area_m2(),
            1256.637061,
        );
    }
}

/// Turchin & Odendaal 1996, Environ Entomol 25:582-588: southern pine beetle, about 0.1 ha. Worked values.
#[test]
fn reach_from_sampling_area() {
    let disc = Capture::with_sampling_area(Form::Disc, 1.0, 1000.0).unwrap();
    near(disc.reach_m(), 17.84124, 1e-6);
    let c = Capture::with_sampling_area(Form::Sech, 1.0, 1000.0).unwrap();
    near(c.reach_m(), 9.320849, 1e-7);
    ten_digits(c.sampling_area_m2(), 1000.0);
}

/// Byers, Anderbrant & Löfqvist 1989, J Chem Ecol 15:749-765, and Byers 2009, J Theor Biol 256:81-89. Worked values.
#[test]
fn effective_attraction_radius() {
    let trial = BaitTrial {
        baited_catch: 58.0,
        passive_catch: 4.0,
        silhouette_m2: 0.3,
    };
    let ear_m = trial.effective_radius_m().unwrap();
    ten_digits(ear_m, 1.176710672);
    let layer = FlightLayer { height_sd_m: 0.88 };
    ten_digits(layer.thickness_m(), 2.205832882);
    ten_digits(layer.circular_radius_m(ear_m).unwrap(), 0.9860221135);
    for (ear_m, height_sd_m, expected_m) in [(1.0, 1.0, 0.6266570687), (2.0, 2.0, 1.253314137)] {
        ten_digits(
            FlightLayer { height_sd_m }.circular_radius_m(ear_m).unwrap(),
            expected_m,
        );
    }
    assert!(
        BaitTrial {
            passive_catch: 0.0,
            ..trial
        }
        .effective_radius_m()
        .is_err()
    );
    assert!(FlightLayer { height_sd_m: 0.0 }.circular_radius_m(1.0).is_err());
}

/// Byers 2009, J Theor Biol 256:81-89: encounters of straight fliers, and rings of traps. Worked values.
#[test]
fn straight_fliers() {
    let met = Encounter {
        circular_radius_m: 1.0,
        speed_m_per_s: 1.0,
        density_per_m2: 1e-4,
    };
    ten_digits(met.per_second() * 3600.0, 0.72);
    let ring = TrapRing {
        traps: 8,
        ring_radius_m: 50.0,
        effective_radius_m: 1.5,
    };
    ten_digits(ring.share_stopped(), 0.07639437268);
    ten_digits(share_passing(&[ring, ring]), (1.0 - 0.07639437268_f64).powi(2));
    assert_eq!(TrapRing { traps: 1000, ..ring }.share_stopped(), 1.0);
}

/// Adams et al. 2017, J Econ Entomol 110(2), codling moth: dispersal 260 m, Tfer 0.01, 21 ha. Worked values.
#[test]
fn trapping_area_and_density() {
    let whole = TrappingArea::new(std::f64::consts::PI * 260.0 * 260.0, 0.01).unwrap();
    ten_digits(whole.area_m2 / 1e4, 21.23716634);
    let area = TrappingArea::new(21e4, 0.01).unwrap();
    for (catch, per_ha) in [
        (1.0, 4.761905),
        (3.0, 14.28571),
        (10.0, 47.61905),
        (30.0, 142.85714),
    ] {
        near(area.density_per_m2(catch) * 1e4, per_ha, 5e-7);
    }
    near(
        area.density_not_ruled_out_per_m2(0.95).unwrap() * 1e4,
        14.26539,
        5e-7,
    );
    assert!(area.density_not_ruled_out_per_m2(1.0).is_err());
}

/// Miller et al. 2015: share caught over annuli, weighted by ground. Worked values.
#[test]
fn trapping_area_from_annuli() {
    let radii_m = [0.0, 50.0, 100.0, 150.0, 200.0, 260.0];
    let shares = [0.10, 0.04, 0.02, 0.008, 0.002];
    let annuli: Vec<Annulus> = shares
        .iter()
        .zip(radii_m.windows(2))
        .map(|(&share_caught, r)| Annulus {
            inner_m: r[0],
            outer_m: r[1],
            share_caught,
        })
        .collect();
    let area = TrappingArea::from_annuli(&annuli).unwrap();
    ten_digits(area.share_caught, 0.01472189349);
    ten_digits(area.sampling_area_m2(), 3126.513009);
    assert!(TrappingArea::from_annuli(&[]).is_err());
}

/// Several traps, one insect: worked values.
#[test]
fn several_traps() {
    let c = sech(10.0);
    ten_digits(
        any_trap(&[c.probability(10.0), c.probability(20.0)]),
        0.7416022322,
    );

    let corners = [at(0.0, 0.0), at(100.0, 0.0), at(0.0, 100.0), at(100.0, 100.0)];
    let insect = at(30.0, 40.0);
    let each = corners.map(|p| sech(20.0).probability(p.distance_m(insect)));
    // the order of the published worked values is that of the corners
    let expected = [0.1630712319, 0.03549736331, 0.06979625695, 0.01990619823];
    let mut sorted = (each, expected);
    sorted.0.sort_by(f64::total_cmp);
    sorted.1.sort_by(f64::total_cmp);
    for (got, want) in sorted.0.iter().zip(sorted.1) {
        ten_digits(*got, want);
    }
    ten_digits(any_trap(&each), 0.2640680788);

    let traps = corners.map(|p| trap(p, sech(20.0)));
    let surface = Surface::over_points(&[insect]).unwrap();
    ten_digits(surface.probabilities(&traps, Cutoff::Nowhere)[0], 0.2640680788);
}

/// Insects that differ and stay put: the mean of products is not the product of means. Worked values.
#[test]
fn average_after_multiplying_escapes() {
    let daily = [vec![0.5, 0.5], vec![0.0, 0.0]];
    ten_digits(mean_staying_put(&daily), 0.375);
    ten_digits(mean_mixing_daily(&daily), 0.4375);
    assert_eq!(mean_mixing_daily(&[]), 0.0);
}

/// Many insects, binomial and Poisson: worked values.
#[test]
fn many_insects() {
    ten_digits(any_of(50.0, 0.02), 0.6358303199);
    ten_digits(any_of_poisson(50.0, 0.02), 0.6321205588);
    assert_eq!(any_of(0.0, 1.0), 0.0);
    assert_eq!(any_of(1e6, 1.0), 1.0);
    assert!(any_of(1e6, 1e-3) <= 1.0 && any_of(1e6, 1e-300) > 0.0);
}

/// Survival and capture day by day: worked values.
#[test]
fn lifetime_capture() {
    let life = DailyLife {
        survival: 0.9,
        capture: 0.02,
        order: DayOrder::TrapFirst,
    };
    let later = DailyLife {
        order: DayOrder::DeathFirst,
        ..life
    };
    ten_digits(life.lifetime(), 0.1694915254);
    ten_digits(later.lifetime(), 0.1525423729);
    ten_digits(life.within(30), 0.1655722522);
    ten_digits(later.within(30), 0.149015027);
    ten_digits(life.mean_life_days(), 9.491221581);
    assert_eq!(
        DailyLife {
            survival: 0.0,
            capture: 1.0,
            order: DayOrder::TrapFirst
        }
        .within(0),
        0.0
    );
    assert_eq!(
        DailyLife {
            survival: 1.0,
            capture: 0.0,
            order: DayOrder::TrapFirst
        }
        .lifetime(),
        0.0
    );
}

/// Survival and capture in continuous time: worked values.
#[test]
fn lifetime_capture_in_continuous_time() {
    let one = Competition::new(vec![0.02], 0.1).unwrap();
    ten_digits(one.caught(30.0), 0.1621127129);
    ten_digits(one.caught(f64::INFINITY), 0.1666666667);
}

/// Manoukis, Hall & Geib 2014 daily model for a moving population, one trap 100 m from the source. Worked values by two
/// quadratures.
#[test]
fn moving_population() {
    let population = DiffusingPopulation::new(at(0.0, 0.0), 1000.0).unwrap();
    let daily = population
        .daily_capture(&[trap(at(100.0, 0.0), sech(10.0))], 10)
        .unwrap();
    for (day, expected) in [
        (1, 0.009074986251),
        (2, 0.01330545024),
        (3, 0.01313393874),
        (5, 0.01093370098),
        (10, 0.007048416172),
    ] {
        ten_digits(daily[day - 1], expected);
    }
    ten_digits(any_trap(&daily[..3]), 0.03510127105);
    ten_digits(any_trap(&daily), 0.09597648738);
    ten_digits(any_of(20.0, any_trap(&daily)), 0.8670787176);
    let mut alive = 1.0;
    let weighted: Vec<f64> = daily
        .iter()
        .map(|p| {
            alive *= 0.9;
            p * alive
        })
        .collect();
    ten_digits(any_trap(&weighted), 0.05980331771);
}

/// The trap may stand anywhere round the source, and a network far off catches nothing.
#[test]
fn moving_population_is_the_same_all_round() {
    let population = DiffusingPopulation::new(at(5e5, 4.2e6), 1000.0).unwrap();
    let round = |x: f64, y: f64| {
        let traps = [trap(at(5e5 + x, 4.2e6 + y), sech(10.0))];
        population.daily_capture(&traps, 1).unwrap()[0]
    };
    near(round(60.0, 80.0), 0.009074986251, 1e-9);
    near(round(-100.0, 0.0), 0.009074986251, 1e-9);
    assert_eq!(round(1e5, 0.0), 0.0);
    assert_eq!(population.daily_capture(&[], 2).unwrap(), [0.0, 0.0]);
    assert!(DiffusingPopulation::new(at(0.0, 0.0), 0.0).is_err());
}

/// Mean capture in an endless square lattice of sech traps: worked values, each to the digits given.
#[test]
fn lattice_of_traps() {
    let spacings_m = [50.0, 100.0, 200.0, 500.0, 1000.0];
    let table = [
        (10.0, [0.42381, 0.11497, 0.028776, 0.004604, 0.001151]),
        (20.0, [0.915964, 0.42381, 0.11497, 0.018417, 0.004604]),
        (36.0, [0.999772, 0.861923, 0.354051, 0.059668, 0.014917]),
    ];
    for (reach_m, row) in table {
        for (spacing_m, expected) in spacings_m.into_iter().zip(row) {
            let got = mean_capture_in_lattice(sech(reach_m), spacing_m).unwrap();
            let digits = if !(0.1..=0.5).contains(&expected) {
                5.1e-7
            } else {
                5.1e-6
            };
            assert!((got - expected).abs() < digits, "{reach_m} {spacing_m}: {got}");
        }
    }
    // sparse limit: sampling area over the square of the spacing
    let sparse = mean_capture_in_lattice(sech(10.0), 5000.0).unwrap();
    near(sparse, sech(10.0).sampling_area_m2() / 25e6, 1e-6);
    assert!(mean_capture_in_lattice(sech(10.0), 0.0).is_err());
}

/// Competing hazards: worked values.
#[test]
fn competing_traps() {
    let both = Competition::new(vec![0.02, 0.01], 0.1).unwrap();
    let shares = both.shares(30.0);
    ten_digits(shares[0], 0.1507320136);
    ten_digits(shares[1], 0.07536600681);
    ten_digits(both.caught(30.0), 0.2260980204);
    assert!(Competition::new(vec![-0.1], 0.1).is_err());
    assert_eq!(Competition::new(vec![0.0], 0.0).unwrap().caught(30.0), 0.0);
}
