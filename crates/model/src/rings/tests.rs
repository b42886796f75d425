//! The worked layouts of the trade, and what must hold of any.
#![allow(clippy::unwrap_used)]

use jiff::civil::{Date, date};
use proptest::prelude::*;

use super::snap::{Ground, NoBait, Why, snap};
use super::*;
use crate::detection::Point;
use crate::param::Dist;

const DAY: Date = date(2026, 5, 1);
const MILE_M: f64 = 1609.344;

fn p(value: f64) -> Param {
    Param {
        dist: Dist::Fixed { value },
        unit: "any".into(),
        source: "a test".into(),
        mark: Mark::Read,
        note: None,
    }
}

fn at(x_m: f64, y_m: f64) -> Point {
    Point { x_m, y_m }
}

fn centre(x_m: f64, y_m: f64) -> Centre {
    Centre {
        at: at(x_m, y_m),
        since: DAY,
        heavy: false,
    }
}

fn ring(name: &str, density: f64) -> Ring {
    Ring {
        name: name.into(),
        to_m: None,
        cells: None,
        traps: Some(Density::PerKm2 { traps: p(density) }),
        look_every_days: Some(p(7.0)),
        inspect: None,
    }
}

/// Squares of one mile; densities a square mile.
fn mile_squares(per_mi2: &[f64]) -> RingProtocol {
    let mi2 = MILE_M * MILE_M / 1e6;
    RingProtocol {
        shape: Shape::Squares { cell_m: p(MILE_M) },
        ring: per_mi2
            .iter()
            .enumerate()
            .map(|(k, d)| ring(&format!("{k}"), d / mi2))
            .collect(),
        extra_in_centre: None,
        duration: Duration::Generations { count: p(3.0) },
        extension: None,
        tree_look: None,
        extent: None,
    }
}

fn circles(edges: &[(f64, f64)]) -> RingProtocol {
    let ring = |(k, (to, density)): (usize, &(f64, f64))| Ring {
        to_m: Some(p(*to)),
        ..ring(&format!("{k}"), *density)
    };
    RingProtocol {
        shape: Shape::Radius {},
        ring: edges.iter().enumerate().map(ring).collect(),
        extra_in_centre: None,
        duration: Duration::Days { count: p(90.0) },
        extension: None,
        tree_look: None,
        extent: None,
    }
}

// The fruit-fly block of nine by nine mile squares: 2 020 traps at 100/50/25/20/20 a square mile, 425 at 25/5/5/5/5.
#[test]
fn the_block_of_81_mile_squares_holds_the_traps_it_should() {
    for (per_mi2, total, extra) in [
        ([100.0, 50.0, 25.0, 20.0, 20.0], 2020, 0),
        ([25.0, 5.0, 5.0, 5.0, 5.0], 425, 0),
        ([0.0, 50.0, 25.0, 20.0, 10.0], 1600, 0),
        ([0.0, 50.0, 25.0, 20.0, 10.0], 1800, 200),
    ] {
        let mut protocol = mile_squares(&per_mi2);
        protocol.extra_in_centre = (extra > 0).then(|| p(f64::from(extra)));
        let rings = Rings::new(protocol, vec![centre(300.0, -70.0)]).unwrap();
        let cells = rings.cells(DAY);
        let of_ring = |k| cells.values().filter(|(ring, _)| *ring == k).count();
        assert_eq!(cells.len(), 81);
        assert_eq!([0, 1, 2, 3, 4].map(of_ring), [1, 8, 16, 24, 32]);
        let spots = rings.spots(DAY);
        assert_eq!(spots.len(), total);
        for s in &spots {
            assert_eq!(rings.ring_of(s.at, DAY), Some(s.ring));
            assert_eq!(rings.cell_of(s.at), s.cell);
        }
        for (cell, (ring, _)) in &cells {
            let inside = spots.iter().filter(|s| s.cell == Some(*cell)).count();
            let centre = if *ring == 0 { extra as usize } else { 0 };
            assert_eq!(inside, per_mi2[*ring] as usize + centre);
        }
    }
}

// Spacing of n traps a square mile: metres, worked out with a calculator.
#[test]
fn spacing_and_density_are_one_thing() {
    for (n, spacing) in [
        (1.0, 1609.3),
        (4.0, 804.7),
        (5.0, 719.7),
        (25.0, 321.9),
        (36.0, 268.2),
        (50.0, 227.6),
        (100.0, 160.9),
    ] {
        let density = Density::Spacing {
            spacing_m: p(spacing),
        };
        let per_mi2 = density.per_km2(None) * 2.589_988_110_336;
        assert!((per_mi2 - n).abs() < 2e-3 * n, "{n}: {per_mi2}");
        let mut protocol = mile_squares(&[1.0]);
        protocol.ring[0].traps = Some(density);
        let rings = Rings::new(protocol, vec![centre(0.0, 0.0)]).unwrap();
        assert_eq!(rings.spots(DAY).len(), n as usize);
    }
    // Where the number is a square, the net is the square one.
    let rings = Rings::new(mile_squares(&[100.0]), vec![centre(0.0, 0.0)]).unwrap();
    let spots = rings.spots(DAY);
    for s in &spots {
        let near = spots
            .iter()
            .filter(|o| *o != s)
            .map(|o| o.at.distance_m(s.at))
            .fold(f64::MAX, f64::min);
        assert!((near - 160.9344).abs() < 1e-6, "{near}");
    }
}

#[test]
fn circles_hold_density_times_area_and_spread_it_evenly() {
    let rings = Rings::new(circles(&[(800.0, 20.0), (2400.0, 5.0)]), vec![centre(10.0, 20.0)]).unwrap();
    let spots = rings.spots(DAY);
    let count = |ring| spots.iter().filter(|s| s.ring == ring).count();
    // pi 0.8^2 20 = 40.2; pi (2.4^2 - 0.8^2) 5 = 80.4
    assert_eq!((count(0), count(1)), (40, 80));
    for quarter in 0..4 {
        let inside = spots
            .iter()
            .filter(|s| {
                let turn = (s.at.y_m - 20.0)
                    .atan2(s.at.x_m - 10.0)
                    .rem_euclid(std::f64::consts::TAU);
                (turn / std::f64::consts::FRAC_PI_2) as usize == quarter
            })
            .count();
        assert!((27..=33).contains(&inside), "{inside} in quarter {quarter}");
    }
}

#[test]
fn a_heavy_find_reaches_farther() {
    let mut protocol = circles(&[(804.672, 10.0), (2414.016, 0.0)]);
    protocol.extension = Some(Extension {
        counted: "exit holes on one tree".into(),
        over: p(100.0),
        to_m: p(4023.36),
    });
    let extension = protocol.extension.clone().unwrap();
    assert!(extension.is_heavy(101.0) && !extension.is_heavy(100.0));
    for (heavy, ring) in [(false, None), (true, Some(1))] {
        let rings = Rings::new(
            protocol.clone(),
            vec![Centre {
                heavy,
                ..centre(0.0, 0.0)
            }],
        )
        .unwrap();
        assert_eq!(rings.ring_of(at(0.0, 4000.0), DAY), ring);
        assert_eq!(rings.ring_of(at(0.0, 4100.0), DAY), None);
    }
    let mut squares = mile_squares(&[25.0, 5.0]);
    squares.extension = Some(Extension {
        to_m: p(2.5 * MILE_M),
        ..extension
    });
    let rings = Rings::new(
        squares,
        vec![Centre {
            heavy: true,
            ..centre(0.0, 0.0)
        }],
    )
    .unwrap();
    // 2.5 miles are the find's half cell and two more.
    assert_eq!(rings.cells(DAY).len(), 25);
    assert_eq!(rings.spots(DAY).len(), 25 + 24 * 5);
}

#[test]
fn a_new_find_re_centres_and_every_date_keeps_its_ring() {
    let later = date(2026, 6, 10);
    let second = Centre {
        since: later,
        ..centre(1000.0, 0.0)
    };
    // Given out of order.
    let rings = Rings::new(
        circles(&[(500.0, 40.0), (1500.0, 8.0)]),
        vec![second, centre(0.0, 0.0)],
    )
    .unwrap();
    let there = at(1200.0, 0.0);
    assert_eq!(rings.versions(), [DAY, later]);
    assert_eq!(rings.ring_of(there, date(2026, 4, 30)), None);
    assert_eq!(rings.ring_of(there, date(2026, 6, 9)), Some(1));
    assert_eq!(rings.ring_of(there, later), Some(0));
    let told: Vec<_> = rings.history_of(there).iter().map(|c| (c.from, c.ring)).collect();
    assert_eq!(told, [(DAY, Some(1)), (later, Some(0))]);
    assert_eq!(rings.history_of(at(-200.0, 0.0)).len(), 1);
    assert_eq!(rings.history_of(at(2400.0, 0.0))[1].ring, Some(1));

    let (before, after) = (rings.spots(date(2026, 5, 20)), rings.spots(later));
    assert_eq!(before.iter().filter(|s| s.ring == 0).count(), 31);
    // Each spot carries its innermost ring; old spots that keep their ring stay where they hang.
    for s in &after {
        assert_eq!(rings.ring_of(s.at, later), Some(s.ring));
    }
    for s in before
        .iter()
        .filter(|s| rings.ring_of(s.at, later) == Some(s.ring))
    {
        assert!(after.contains(s), "{s:?}");
    }
    // Two circles that overlap hold what their union asks for, not twice the lens.
    let core = after.iter().filter(|s| s.ring == 0).count();
    assert_eq!(core, 62, "the cores touch in one point only");
}

#[test]
fn trees_all_or_a_share() {
    let mut protocol = circles(&[(500.0, 0.0), (2000.0, 0.0)]);
    for (k, share) in [(0, 1.0), (1, 0.1)] {
        protocol.ring[k].inspect = Some(Inspect {
            share: p(share),
            every_days: None,
        });
    }
    let rings = Rings::new(protocol, vec![centre(0.0, 0.0)]).unwrap();
    let trees: Vec<Point> = (-30..=30)
        .flat_map(|x| (-30..=30).map(move |y| at(f64::from(x) * 90.0, f64::from(y) * 90.0)))
        .collect();
    let wanted = rings.trees(&trees, DAY);
    let of = |k| {
        trees
            .iter()
            .filter(|t| rings.ring_of(**t, DAY) == Some(k))
            .count()
    };
    let got = |k| wanted.iter().filter(|(_, ring)| *ring == k).count();
    assert_eq!(got(0), of(0));
    assert_eq!(got(1), (of(1) as f64 * 0.1).ceil() as usize);
    let east = wanted
        .iter()
        .filter(|(i, ring)| *ring == 1 && trees[*i].x_m > 0.0)
        .count();
    assert!(
        (2 * east).abs_diff(got(1)) <= got(1) / 5,
        "{east} of {} lie east",
        got(1)
    );
}

#[test]
fn spots_go_to_the_nearest_place_and_not_where_nothing_may_be_baited() {
    let rings = Rings::new(mile_squares(&[4.0]), vec![centre(0.0, 0.0)]).unwrap();
    let spots = rings.spots(DAY);
    // Spots at (±402, ±402).
    let places = vec![
        at(-390.0, -402.0),
        at(402.0, -380.0),
        at(420.0, -402.0),
        at(-402.0, 500.0),
        at(900.0, 402.0), // another cell
    ];
    let free = snap(&rings, DAY, &spots, &places, &[], None).unwrap();
    let pairs: Vec<(usize, usize)> = free.placed.iter().map(|p| (p.spot, p.place)).collect();
    // The spot without a place of its own takes the free one of its cell.
    assert_eq!(pairs, [(0, 0), (1, 2), (2, 3), (3, 1)]);
    let near = snap(&rings, DAY, &spots, &places, &[], Some(150.0)).unwrap();
    assert_eq!(near.placed.len(), 3);
    assert_eq!((near.missing[0].spot, &near.missing[0].why), (3, &Why::NoPlace));

    let zones = [
        NoBait {
            name: "nursery".into(),
            ground: Ground::Circle {
                at: at(402.0, -402.0),
                radius_m: 10.0,
            },
        },
        NoBait {
            name: "orchard".into(),
            ground: Ground::Polygon {
                lines: vec![
                    vec![
                        at(-800.0, 450.0),
                        at(0.0, 450.0),
                        at(0.0, 600.0),
                        at(-800.0, 600.0),
                    ],
                    vec![at(-10.0, 460.0), at(-5.0, 460.0), at(-5.0, 470.0)],
                ],
            },
        },
    ];
    let kept = snap(&rings, DAY, &spots, &places, &zones, Some(150.0)).unwrap();
    let why: Vec<_> = kept.missing.iter().map(|m| (m.spot, m.why.clone())).collect();
    assert_eq!(
        why,
        [(1, Why::NoBait(0)), (2, Why::PlacesNoBait(1)), (3, Why::NoPlace)]
    );
    assert!(kept.missing[1].words(&zones).contains("orchard"));
    assert!(zones[1].ground.holds(at(-20.0, 465.0)) && !zones[1].ground.holds(at(-6.0, 462.0)));
}

#[test]
fn one_place_serves_one_spot() {
    let rings = Rings::new(circles(&[(1000.0, 2.0)]), vec![centre(0.0, 0.0)]).unwrap();
    let spots = rings.spots(DAY);
    assert_eq!(spots.len(), 6);
    let done = snap(
        &rings,
        DAY,
        &spots,
        &[at(0.0, 0.0), at(10.0, 0.0)],
        &[],
        Some(3000.0),
    )
    .unwrap();
    assert_eq!(done.placed.len(), 2);
    assert!(done.missing.iter().all(|m| m.why == Why::Taken));
}

#[test]
fn a_protocol_is_a_file_and_what_is_wrong_in_it_is_told() {
    let figure = |v: &str, source: &str| {
        format!(
            "{{ dist = {{ kind = \"fixed\", value = {v} }}, unit = \"x\", source = \"{source}\", mark = \"from-memory\" }}"
        )
    };
    let file = |to: &str, source: &str, more: &str| {
        format!(
            "shape = {{ kind = \"radius\" }}\nduration = {{ kind = \"seasons\", count = {} }}\n[[ring]]\nname = \"core\"\n\
             to_m = {}\ntraps = {{ kind = \"per-km2\", traps = {} }}\n{more}\n",
            figure("2", "a source"),
            figure(to, "a source"),
            figure("25", source)
        )
    };
    let look = format!("look_every_days = {}", figure("14", "a source"));
    let good = RingProtocol::from_toml(&file("800", "a source", &look)).unwrap();
    assert_eq!(good.warnings().len(), 4);
    assert!(!good.is_read());
    assert_eq!(good.duration.words(), "2 seasons");
    assert_eq!(
        RingProtocol::from_toml(&toml::to_string(&good).unwrap()).unwrap(),
        good
    );
    for (text, told) in [
        (file("0", "a source", &look), "ring \"core\", to_m is 0"),
        (file("800", " ", &look), "no source"),
        (file("800", "a source", ""), "look_every_days"),
        (file("800", "a source", &format!("{look}\nrings = 3")), "rings"),
        (
            file(
                "800",
                "a source",
                &format!("{look}\ncells = {}", figure("1", "s")),
            ),
            "no cells",
        ),
        (file("nan", "a source", &look), "value"),
    ] {
        let error = RingProtocol::from_toml(&text).unwrap_err().to_string();
        assert!(error.contains(told), "{told}: {error}");
    }
    let mut believed = circles(&[(800.0, 1.0)]);
    believed.extent = Some(Extent {
        generations: Param {
            dist: Dist::Uniform { low: 1.0, high: 4.0 },
            ..p(1.0)
        },
        founders: p(2.0),
        growth: p(5.0),
        insects_a_tree: p(10.0),
        enclose_m: p(800.0),
        sectors: p(8.0),
    });
    believed.tree_look = Some(TreeLook {
        minutes: p(12.0),
        sensitivity: p(0.3),
    });
    believed.check().unwrap();
    assert!(believed.is_read() && believed.warnings().is_empty());
    believed.extent.as_mut().unwrap().sectors = p(0.5);
    assert!(
        believed
            .check()
            .unwrap_err()
            .to_string()
            .contains("sectors is 0.5")
    );
    let mut shrinking = circles(&[(800.0, 1.0), (700.0, 1.0)]);
    assert!(
        shrinking
            .check()
            .unwrap_err()
            .to_string()
            .contains("above that of the ring")
    );
    shrinking.ring.clear();
    assert!(shrinking.check().is_err());
    assert!(Rings::new(circles(&[(800.0, 1e9)]), vec![centre(0.0, 0.0)]).is_err());
    assert!(Rings::new(circles(&[(800.0, 1.0)]), vec![]).is_err());
    assert!(Rings::new(circles(&[(800.0, 1.0)]), vec![centre(f64::NAN, 0.0)]).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn snapping_keeps_to_ring_limit_zone_and_one_trap_a_place(
        squares: bool,
        finds in prop::collection::vec((-2000.0..2000.0f64, -2000.0..2000.0f64), 1..4),
        places in prop::collection::vec((-4000.0..4000.0f64, -4000.0..4000.0f64), 0..300),
        (zx, zy, zr) in (-2000.0..2000.0f64, -2000.0..2000.0f64, 1.0..900.0f64),
        most in prop::option::of(50.0..900.0f64),
    ) {
        let protocol = if squares {
            mile_squares(&[25.0, 4.0])
        } else {
            circles(&[(600.0, 20.0), (1800.0, 3.0)])
        };
        let finds: Vec<Centre> = finds.iter().map(|(x, y)| centre(*x, *y)).collect();
        let rings = Rings::new(protocol, finds).unwrap();
        let places: Vec<Point> = places.iter().map(|(x, y)| at(*x, *y)).collect();
        let zone = NoBait { name: "z".into(), ground: Ground::Circle { at: at(zx, zy), radius_m: zr } };
        let spots = rings.spots(DAY);
        let done = snap(&rings, DAY, &spots, &places, std::slice::from_ref(&zone), most).unwrap();
        prop_assert_eq!(done.placed.len() + done.missing.len(), spots.len());
        let mut used = std::collections::BTreeSet::new();
        for placed in &done.placed {
            let (spot, place) = (spots[placed.spot], places[placed.place]);
            prop_assert!(used.insert(placed.place));
            prop_assert!(!zone.ground.holds(place) && !zone.ground.holds(spot.at));
            prop_assert_eq!(rings.ring_of(place, DAY), Some(spot.ring));
            prop_assert_eq!(rings.cell_of(place), spot.cell);
            prop_assert!((placed.moved_m - place.distance_m(spot.at)).abs() < 1e-9);
            prop_assert!(most.is_none_or(|m| placed.moved_m <= m));
        }
        // Nobody is left out next to a free place.
        for missing in done.missing.iter().filter(|m| m.why == Why::Taken || m.why == Why::NoPlace) {
            let spot = spots[missing.spot];
            let free = places.iter().enumerate().any(|(i, q)| {
                !used.contains(&i) && !zone.ground.holds(*q) && rings.ring_of(*q, DAY) == Some(spot.ring)
                    && rings.cell_of(*q) == spot.cell
                    && spot.at.distance_m(*q) <= most.unwrap_or(if squares { f64::INFINITY } else { 200.0 })
            });
            prop_assert!(!free);
        }
    }
}
