//! What must hold of capture and of the detection surface, whatever the numbers.
#![allow(clippy::unwrap_used)]

use earlywood_model::capture::life::any_of;
use earlywood_model::capture::{Capture, Form, MAX_HAZARD};
use earlywood_model::detection::{Cutoff, Grid, Point, Surface, SurfaceTrap, probability_of};
use proptest::prelude::*;

fn form() -> impl Strategy<Value = Form> {
    prop_oneof![
        Just(Form::Sech),
        Just(Form::Exponential),
        Just(Form::HalfNormal),
        Just(Form::Disc)
    ]
}

fn capture() -> impl Strategy<Value = Capture> {
    let peak = prop_oneof![Just(0.0), Just(1.0), Just(0.95), 0.0..1.0, 1e-9..1e-6];
    (form(), 1.0..300.0, peak).prop_map(|(form, reach_m, peak)| Capture::new(form, reach_m, peak).unwrap())
}

fn point() -> impl Strategy<Value = Point> {
    (0.0..2000.0, -500.0..1500.0).prop_map(|(x_m, y_m)| Point { x_m, y_m })
}

fn traps(exposure: impl Strategy<Value = f64> + Clone) -> impl Strategy<Value = Vec<SurfaceTrap>> {
    let trap = (point(), capture(), exposure).prop_map(|(at, c, e)| SurfaceTrap::new(at, c, e).unwrap());
    prop::collection::vec(trap, 0..40)
}

fn exposures() -> impl Strategy<Value = f64> + Clone {
    prop_oneof![Just(0.0), Just(1.0), 0.0..1.0, 1.0..30.0]
}

/// Either the same exposure for all (products of escapes) or any (logarithms): the two ways through the kernel.
fn network() -> impl Strategy<Value = Vec<SurfaceTrap>> {
    prop_oneof![traps(Just(14.0)), traps(exposures())]
}

fn points() -> impl Strategy<Value = Vec<Point>> {
    let grid = (1..30usize, 1..30usize, 1.0..100.0).prop_map(|(cols, rows, spacing_m)| {
        let grid = Grid {
            first: Point { x_m: 3.0, y_m: -7.0 },
            spacing_m,
            cols,
            rows,
        };
        (0..rows)
            .flat_map(|r| (0..cols).map(move |c| grid.point(c, r)))
            .collect()
    });
    let line = prop::collection::vec(point(), 1..40)
        .prop_map(|ps| ps.into_iter().map(|p| Point { x_m: 12.0, ..p }).collect());
    let with_twins = prop::collection::vec(point(), 1..20).prop_map(|ps| [ps.clone(), ps].concat());
    prop_oneof![prop::collection::vec(point(), 0..400), grid, line, with_twins]
}

fn cutoff() -> impl Strategy<Value = Cutoff> {
    prop_oneof![
        Just(Cutoff::Nowhere),
        (1e-12..1e-2).prop_map(Cutoff::Probability),
        (1e-9..1e-1).prop_map(Cutoff::ShareOfPeak),
    ]
}

/// Every pair by the plain formula.
fn brute_force(points: &[Point], traps: &[SurfaceTrap], cutoff: Cutoff) -> Vec<f64> {
    let within = |t: &SurfaceTrap, p: Point| t.at().distance_m(p) <= cutoff.distance_m(&t.capture());
    points
        .iter()
        .map(|&p| {
            traps
                .iter()
                .filter(|t| within(t, p))
                .map(|t| t.hazard_at(p))
                .sum()
        })
        .collect()
}

fn close(a: f64, b: f64, relative: f64) -> bool {
    // below 1e-290 the surface gives 0
    (a - b).abs() <= relative * b.abs() || (a - b).abs() < 1e-290
}

fn bits(values: &[f64]) -> Vec<u64> {
    values.iter().map(|v| v.to_bits()).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn capture_falls_with_distance_and_stays_below_peak(c in capture(), d in 0.0..1e5, further in 0.0..1e4) {
        let (near, far) = (c.probability(d), c.probability(d + further));
        prop_assert!((0.0..=c.peak()).contains(&near));
        prop_assert!(far <= near);
        prop_assert!((0.0..=MAX_HAZARD).contains(&c.hazard(d)));
        prop_assert!(c.hazard(d + further) <= c.hazard(d) * (1.0 + 1e-14));
        prop_assert!((probability_of(c.hazard(d)) - near).abs() <= 1e-15);
    }

    #[test]
    fn cutoff_is_where_capture_falls_below(c in capture(), share in 1e-9..1.0) {
        prop_assume!(c.form() != Form::Disc && c.peak() > 0.0);
        let d = c.cutoff_m(share * c.peak());
        prop_assert!(close(c.probability(d), share * c.peak(), 1e-9), "{} {}", c.probability(d), share * c.peak());
    }

    #[test]
    fn many_flyers_never_certain_beyond_one(flyers in 0.0..1e6, p in 0.0..=1.0) {
        let s = any_of(flyers, p);
        prop_assert!((0.0..=1.0).contains(&s));
        prop_assert!(any_of(flyers + 1.0, p) >= s);
    }

    #[test]
    fn surface_is_the_sum_over_all_pairs(ps in points(), ts in network(), cut in cutoff()) {
        let surface = Surface::over_points(&ps).unwrap();
        let expected = brute_force(&ps, &ts, cut);
        let hazards = surface.hazards(&ts, cut);
        prop_assert_eq!(hazards.len(), ps.len());
        for (got, want) in hazards.iter().zip(&expected) {
            prop_assert!(got.is_finite() && close(*got, *want, 1e-12), "{} {}", got, want);
        }
        for (got, want) in surface.probabilities(&ts, cut).iter().zip(&expected) {
            prop_assert!(close(*got, probability_of(*want), 1e-12) && (0.0..=1.0).contains(got));
        }
    }

    #[test]
    fn coverage_holds_the_same_hazards(ps in points(), ts in network(), cut in cutoff()) {
        let surface = Surface::over_points(&ps).unwrap();
        let table = surface.coverage(&ts, cut);
        prop_assert_eq!(table.rows(), ts.len());
        let mut sums = vec![0.0; ps.len()];
        for (i, t) in ts.iter().enumerate() {
            let (cells, hazards) = table.row(i);
            prop_assert!(cells.windows(2).all(|w| w[0] < w[1]));
            for (&c, &h) in cells.iter().zip(hazards) {
                prop_assert!(close(h, t.hazard_at(ps[c as usize]), 1e-12));
                sums[c as usize] += h;
            }
        }
        for (got, want) in sums.iter().zip(surface.hazards(&ts, cut)) {
            prop_assert!(close(*got, want, 1e-12));
        }
        prop_assert_eq!(table.transposed(ps.len()).transposed(ts.len()), table);
    }

    #[test]
    fn one_more_trap_never_catches_less(ps in points(), ts in network(), extra in (point(), capture())) {
        let surface = Surface::over_points(&ps).unwrap();
        let before = surface.hazards(&ts, Cutoff::Nowhere);
        let mut more = ts.clone();
        more.push(SurfaceTrap::new(extra.0, extra.1, 1.0).unwrap());
        for (b, a) in before.iter().zip(surface.hazards(&more, Cutoff::Nowhere)) {
            prop_assert!(a >= b * (1.0 - 1e-13));
        }
    }

    #[test]
    fn a_trap_without_exposure_changes_nothing(ps in points(), ts in network(), extra in (point(), capture())) {
        let surface = Surface::over_points(&ps).unwrap();
        let mut more = ts.clone();
        more.insert(ts.len() / 2, SurfaceTrap::new(extra.0, extra.1, 0.0).unwrap());
        let (before, after) = (surface.hazards(&ts, Cutoff::Nowhere), surface.hazards(&more, Cutoff::Nowhere));
        prop_assert_eq!(bits(&before), bits(&after));
    }

    #[test]
    fn order_of_traps_does_not_matter(ps in points(), ts in network(), turn in 0..40usize) {
        let surface = Surface::over_points(&ps).unwrap();
        let mut turned = ts.clone();
        turned.rotate_left(if ts.is_empty() { 0 } else { turn % ts.len() });
        turned.reverse();
        let (one, other) = (surface.hazards(&ts, Cutoff::Nowhere), surface.hazards(&turned, Cutoff::Nowhere));
        for (a, b) in one.iter().zip(other) {
            prop_assert!(close(*a, b, 1e-12), "{} {}", a, b);
        }
    }

    #[test]
    fn a_grid_is_the_same_as_its_points(
        cols in 1..60usize, rows in 1..60usize, spacing_m in 0.5..60.0, ts in network(), cut in cutoff()
    ) {
        let grid = Grid { first: Point { x_m: 400.0, y_m: -300.0 }, spacing_m, cols, rows };
        let ps: Vec<Point> = (0..rows).flat_map(|r| (0..cols).map(move |c| grid.point(c, r))).collect();
        let on_grid = Surface::over_grid(&grid).unwrap().hazards(&ts, cut);
        let on_points = Surface::over_points(&ps).unwrap().hazards(&ts, cut);
        for (a, b) in on_grid.iter().zip(on_points) {
            prop_assert!(close(*a, b, 1e-12), "{} {}", a, b);
        }
    }

    #[test]
    fn neighbours_are_those_within_the_distance(ps in points(), from in point(), within_m in 0.1..800.0) {
        let found = Surface::over_points(&ps).unwrap().neighbours(from, within_m).unwrap();
        let (dx, dy) = (|p: &Point| p.x_m - from.x_m, |p: &Point| p.y_m - from.y_m);
        let expected: Vec<u32> = (0..ps.len() as u32)
            .filter(|&i| {
                let p = &ps[i as usize];
                dx(p) * dx(p) + dy(p) * dy(p) <= within_m * within_m
            })
            .collect();
        prop_assert_eq!(found, expected);
    }
}

fn sample_network(equal: bool) -> Vec<SurfaceTrap> {
    (0..500u32)
        .map(|i| {
            let t = f64::from(i);
            let at = Point {
                x_m: (t * 617.3) % 10_000.0,
                y_m: (t * 911.7) % 10_000.0,
            };
            let capture = Capture::new(Form::Sech, 50.0 + t % 90.0, 0.05 + (t % 17.0) / 20.0).unwrap();
            SurfaceTrap::new(at, capture, if equal { 14.0 } else { 1.0 + t % 13.0 }).unwrap()
        })
        .collect()
}

#[test]
fn bit_identical_whatever_the_number_of_threads() {
    let grid = Grid {
        first: Point { x_m: 0.0, y_m: 0.0 },
        spacing_m: 50.0,
        cols: 201,
        rows: 203,
    };
    let surface = Surface::over_grid(&grid).unwrap();
    for equal in [true, false] {
        let traps = sample_network(equal);
        let run = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| {
                let hazards = surface.hazards(&traps, Cutoff::ShareOfPeak(1e-6));
                (
                    bits(&hazards),
                    surface.coverage(&traps, Cutoff::ShareOfPeak(1e-6)),
                )
            })
        };
        let one = run(1);
        for threads in [2, 3, 7] {
            assert!(run(threads) == one, "{threads} threads");
        }
    }
}

#[test]
fn certain_capture_and_crowds_of_traps_stay_finite() {
    let here = Point { x_m: 0.0, y_m: 0.0 };
    for form in [Form::Sech, Form::Exponential, Form::HalfNormal, Form::Disc] {
        let certain = SurfaceTrap::new(here, Capture::new(form, 10.0, 1.0).unwrap(), 1.0).unwrap();
        let strong = SurfaceTrap::new(here, Capture::new(form, 10.0, 0.9).unwrap(), 1.0).unwrap();
        let surface = Surface::over_points(&[here, Point { x_m: 1e5, y_m: 0.0 }]).unwrap();
        for traps in [vec![certain; 3], vec![strong; 5000], vec![certain; 5000]] {
            let h = surface.hazards(&traps, Cutoff::Nowhere);
            let expected = traps.len() as f64 * traps[0].hazard_at(here);
            assert!(
                (h[0] - expected).abs() < 1e-12 * expected,
                "{form:?} {} {expected}",
                h[0]
            );
            assert_eq!(h[1], 0.0);
            assert_eq!(surface.probabilities(&traps, Cutoff::Nowhere)[0], 1.0);
        }
    }
}

#[test]
fn refuses_what_is_not_a_number() {
    let c = Capture::new(Form::Sech, 10.0, 1.0).unwrap();
    let here = Point { x_m: 0.0, y_m: 0.0 };
    assert!(SurfaceTrap::new(here, c, f64::NAN).is_err());
    assert!(SurfaceTrap::new(here, c, -1.0).is_err());
    assert!(
        SurfaceTrap::new(
            Point {
                x_m: f64::NAN,
                y_m: 0.0
            },
            c,
            1.0
        )
        .is_err()
    );
    assert!(
        Surface::over_points(&[Point {
            x_m: 0.0,
            y_m: f64::INFINITY
        }])
        .is_err()
    );
    let grid = Grid {
        first: here,
        spacing_m: 50.0,
        cols: 2,
        rows: 2,
    };
    assert!(
        Surface::over_grid(&Grid {
            spacing_m: 0.0,
            ..grid
        })
        .is_err()
    );
    assert!(Surface::over_grid(&Grid { cols: 0, ..grid }).is_err());
    assert!(
        Surface::over_grid(&Grid {
            cols: usize::MAX,
            ..grid
        })
        .is_err()
    );
    assert!(
        Surface::over_points(&[])
            .unwrap()
            .hazards(&[], Cutoff::Nowhere)
            .is_empty()
    );
}
