#![allow(clippy::unwrap_used)]

use earlywood_model::param::{Dist, Mark as Known, Param};
use earlywood_model::regulated::{AreaRing, Satellite};
use proptest::prelude::*;

use super::*;
use crate::geodesy::{Xy, destination};

const CENTRE: Position = Position {
    lat: 44.5,
    lon: -93.2,
};

fn fixed(value: f64) -> Param {
    Param {
        dist: Dist::Fixed { value },
        unit: "m".into(),
        source: "none".into(),
        mark: Known::CommonPractice,
        note: None,
    }
}

fn ring(id: &str, radius_m: f64) -> AreaRing {
    AreaRing {
        id: id.into(),
        words: format!("{id} zone"),
        radius_m: fixed(radius_m),
        dense_radius_m: None,
    }
}

fn rule(radius_m: f64) -> AreaRule {
    AreaRule {
        shape: Shape::Radius {},
        rings: vec![ring("regulated", radius_m)],
        dense_at_least: None,
        satellite: None,
        gap_m: None,
        snap: vec![],
        keep_holes_km2: None,
        do_not_bait_m: None,
    }
}

fn snapping() -> Vec<Snap> {
    vec![
        Snap::Parcels { largest_km2: None },
        Snap::Lines {
            within_m: fixed(150.0),
            least_m: fixed(200.0),
        },
        Snap::Legs {
            within_m: fixed(60.0),
        },
    ]
}

/// A position so many metres east and north of the middle of the tests.
fn at(x_m: f64, y_m: f64) -> Position {
    Frame::new(CENTRE).from_xy(Xy { x_m, y_m })
}

fn find(id: &str, x_m: f64, y_m: f64) -> Find {
    Find {
        id: id.into(),
        at: at(x_m, y_m),
        epicentre: true,
        signs: None,
    }
}

/// A polygon through corners in metres.
fn plot(corners: &[(f64, f64)]) -> Area {
    let mut outer: Vec<[f64; 2]> = corners
        .iter()
        .map(|&(x, y)| {
            let p = at(x, y);
            [p.lon, p.lat]
        })
        .collect();
    outer.push(outer[0]);
    Area(vec![vec![outer]])
}

fn block(west: f64, south: f64, width: f64, height: f64) -> Area {
    plot(&[
        (west, south),
        (west + width, south),
        (west + width, south + height),
        (west, south + height),
    ])
}

fn street(corners: &[(f64, f64)]) -> Vec<[f64; 2]> {
    corners
        .iter()
        .map(|&(x, y)| {
            let p = at(x, y);
            [p.lon, p.lat]
        })
        .collect()
}

#[derive(Default)]
struct Town {
    parcels: Vec<(String, Area)>,
    lines: Vec<(String, Vec<[f64; 2]>)>,
    units: Vec<(String, Area)>,
    held: Vec<(String, Area)>,
}

impl Town {
    fn draw(&self, rule: &AreaRule, finds: &[Find]) -> Result<Vec<Drawn>, BoundaryError> {
        fn lent(all: &[(String, Area)]) -> Vec<Labelled<'_>> {
            all.iter().map(|(label, area)| Labelled { label, area }).collect()
        }
        let lines: Vec<NamedLine<'_>> = self
            .lines
            .iter()
            .map(|(name, line)| NamedLine { name, line })
            .collect();
        draw(&Inputs {
            rule,
            finds,
            parcels: &lent(&self.parcels),
            lines: &lines,
            units: &lent(&self.units),
            held: &lent(&self.held),
        })
    }

    fn one(&self, rule: &AreaRule, finds: &[Find]) -> Drawn {
        self.draw(rule, finds).unwrap().pop().unwrap()
    }
}

/// The discs about the finds lie in the area, to the very circle.
fn holds_discs(area: &Area, finds: &[Find], radius_m: f64) {
    let index = crate::AreaIndex::new([area]);
    for find in finds {
        for k in 0..180 {
            for share in [0.2, 0.7, 0.97, 1.0] {
                let p = destination(find.at, f64::from(k) * 2.0 + 0.37, radius_m * share);
                assert!(index.contains(p), "{} {k} {share} {p:?}", find.id);
            }
        }
    }
}

/// Whether the parcel lies in the area: points just inside its corners and edges.
fn holds_whole(area: &Area, parcel: &Area) -> bool {
    let frame = Frame::new(CENTRE);
    let (inner, outer) = (to_plane(&frame, parcel), to_plane(&frame, area));
    plane::beyond_m2(&inner, &outer) < 0.5
}

#[test]
fn one_find_makes_a_circle() {
    let finds = [find("f1", 0.0, 0.0)];
    let drawn = Town::default().one(&rule(7_242.048), &finds);
    holds_discs(&drawn.area, &finds, 7_242.048);
    // 4.5 miles: 63.617 square miles, and the polygon is larger by less than 30 cm all round.
    let circle_km2 = 63.617 * 2.589_988_110_336;
    assert!(
        drawn.km2 > circle_km2 - 0.001 && drawn.km2 < circle_km2 + 0.02,
        "{}",
        drawn.km2
    );
    assert_eq!(drawn.walks.len(), 1);
    assert_eq!(drawn.walks[0].stretches.len(), 1, "all one curve");
    assert_eq!(drawn.steps[0].what, "round");
    assert!((drawn.steps[0].added_km2 - drawn.km2).abs() < 1e-9);
    // RFC 7946: the outer ring runs counterclockwise.
    let outer = &drawn.area.0[0][0];
    let doubled: f64 = outer
        .windows(2)
        .map(|w| w[0][0] * w[1][1] - w[1][0] * w[0][1])
        .sum();
    assert!(doubled > 0.0);
    assert_eq!(outer.first(), outer.last());
}

#[test]
fn zones_closer_than_the_gap_become_one_with_the_land_between() {
    let town = Town::default();
    for apart_m in [300.0, 700.0, 990.0, 1_010.0] {
        let finds = [find("a", 0.0, 0.0), find("b", 2_000.0 + apart_m, 0.0)];
        let mut rule = rule(1_000.0);
        let apart = town.one(&rule, &finds);
        assert_eq!(apart.area.0.len(), 2);
        rule.gap_m = Some(fixed(1_000.0));
        let merged = town.one(&rule, &finds);
        assert_eq!(
            merged.area.0.len(),
            if apart_m < 1_000.0 { 1 } else { 2 },
            "{apart_m}"
        );
        let middle = at(1_000.0 + 0.5 * apart_m, 0.0);
        assert_eq!(crate::area::contains(&merged.area, middle), apart_m < 1_000.0);
        let step = merged.steps.iter().find(|s| s.what == "merge").unwrap();
        assert!(
            (step.added_km2 - (merged.km2 - apart.km2)).abs() < 1e-9,
            "{apart_m} {} {} {} {:?}",
            step.added_km2,
            merged.km2,
            apart.km2,
            merged
                .steps
                .iter()
                .map(|s| (s.what, s.added_km2))
                .collect::<Vec<_>>()
        );
        holds_discs(&merged.area, &finds, 1_000.0);
    }
    // The notch where two circles meet is land between them too.
    let finds = [find("a", 0.0, 0.0), find("b", 1_800.0, 0.0)];
    let mut rule = rule(1_000.0);
    let notch = at(900.0, 480.0);
    assert!(!crate::area::contains(&town.one(&rule, &finds).area, notch));
    rule.gap_m = Some(fixed(1_000.0));
    assert!(crate::area::contains(&town.one(&rule, &finds).area, notch));
}

#[test]
fn enclosed_land_is_taken_in_unless_the_rule_keeps_it() {
    let finds: Vec<Find> = (0..12)
        .map(|k| {
            let turn = f64::from(k) * std::f64::consts::TAU / 12.0;
            find(&format!("f{k}"), 3_000.0 * turn.sin(), 3_000.0 * turn.cos())
        })
        .collect();
    let mut rule = rule(1_000.0);
    let filled = Town::default().one(&rule, &finds);
    assert_eq!(filled.area.0[0].len(), 1);
    let step = filled.steps.iter().find(|s| s.what == "holes").unwrap();
    assert!(step.added_km2 > 12.0, "a hole of 2 km radius: {}", step.added_km2);
    rule.keep_holes_km2 = Some(fixed(5.0));
    let kept = Town::default().one(&rule, &finds);
    assert_eq!(kept.area.0[0].len(), 2);
    assert!((filled.km2 - kept.km2 - step.added_km2).abs() < 1e-6);
    assert!(kept.walks[1].hole && kept.text().contains("Except the land inside"));
    rule.keep_holes_km2 = Some(fixed(50.0));
    assert_eq!(
        Town::default().one(&rule, &finds).area.0[0].len(),
        1,
        "too small to keep"
    );
}

#[test]
fn single_finds_are_satellites_or_left_out() {
    let mut rule = rule(1_000.0);
    rule.satellite = Some(Satellite {
        within_m: fixed(100.0),
        radius_m: None,
    });
    let single = |id: &str, x_m: f64| Find {
        epicentre: false,
        ..find(id, x_m, 0.0)
    };
    // The second lies near the first's circle, the third near the second's only.
    let finds = [
        find("a", 0.0, 0.0),
        single("b", 1_050.0),
        single("c", 2_100.0),
        single("d", 3_300.0),
    ];
    let drawn = Town::default().one(&rule, &finds);
    assert_eq!(drawn.finds, ["a", "b", "c"]);
    assert_eq!(drawn.left_out.len(), 1);
    let (id, off_m) = &drawn.left_out[0];
    assert!(id == "d" && (off_m - 200.0).abs() < 1.0, "{off_m}");
    holds_discs(&drawn.area, &finds[..3], 1_000.0);
    assert!(drawn.text().contains("Find d is no epicentre"));
    let error = Town::default().draw(&rule, &[single("b", 0.0)]).unwrap_err();
    assert_eq!(error, BoundaryError::NoEpicentre { finds: 1 });
}

#[test]
fn many_signs_reach_farther_and_rings_hold_each_other() {
    let mut rule = rule(800.0);
    rule.rings.push(AreaRing {
        dense_radius_m: Some(fixed(4_000.0)),
        ..ring("buffer", 2_400.0)
    });
    rule.dense_at_least = Some(fixed(100.0));
    let finds = [
        find("a", 0.0, 0.0),
        Find {
            signs: Some(120),
            ..find("b", 6_000.0, 0.0)
        },
    ];
    let drawn = Town::default().draw(&rule, &finds).unwrap();
    assert_eq!(drawn.len(), 2);
    holds_discs(&drawn[0].area, &finds, 800.0);
    holds_discs(&drawn[1].area, &finds[..1], 2_400.0);
    holds_discs(&drawn[1].area, &finds[1..], 4_000.0);
    assert!(!crate::area::contains(&drawn[1].area, at(-2_500.0, 0.0)));
    assert!(holds_whole(&drawn[1].area, &drawn[0].area));
    let all = feature_collection(&drawn);
    assert_eq!(all["features"][0]["properties"]["ring"], "buffer");
}

#[test]
fn parcels_are_kept_whole() {
    let finds = [find("a", 0.0, 0.0)];
    let mut town = Town::default();
    for i in -15..15_i32 {
        for k in -15..15_i32 {
            let (west, south) = (f64::from(i) * 100.0, f64::from(k) * 100.0);
            town.parcels
                .push((format!("P{i},{k}"), block(west, south, 100.0, 100.0)));
        }
    }
    town.parcels
        .push(("far".into(), block(9_000.0, 0.0, 100.0, 100.0)));
    let mut rule = rule(980.0);
    rule.snap = vec![Snap::Parcels { largest_km2: None }];
    let drawn = town.one(&rule, &finds);
    holds_discs(&drawn.area, &finds, 980.0);
    let frame = Frame::new(CENTRE);
    let ground = to_plane(&frame, &drawn.area);
    for (label, parcel) in &town.parcels {
        let share = share(&to_plane(&frame, parcel), &ground);
        assert!(!share.is_split(), "{label}: {share:?}");
        assert!(!drawn.parcels.contains(label) || share.is_met(), "{label}");
    }
    assert!(drawn.parcels.len() > 60 && !drawn.parcels.contains(&"far".to_owned()));
    // Blocks of 100 m that meet a circle of 980 m (which passes no corner and no side of one by less than 4 m), as a count independent of polygons: nearest corner within the radius.
    let near = |v: f64| if v >= 0.0 { v } else { -v - 100.0 };
    let met = (-15..15).flat_map(|i| (-15..15).map(move |k| (i, k)));
    let met = met
        .filter(|&(i, k): &(i32, i32)| near(f64::from(i) * 100.0).hypot(near(f64::from(k) * 100.0)) < 980.0);
    assert!(
        (drawn.km2 - met.count() as f64 * 0.01).abs() < 1e-4,
        "{}",
        drawn.km2
    );
    assert!(
        drawn.walks[0]
            .stretches
            .iter()
            .all(|s| matches!(s.along, Along::Parcels(_))),
        "{}",
        drawn.text()
    );
    // One that is too large stays split, and is named.
    rule.snap = vec![Snap::Parcels {
        largest_km2: Some(fixed(0.005)),
    }];
    let split = town.one(&rule, &finds);
    assert!(split.parcels.is_empty() && split.split_parcels.len() > 60);
    assert!(
        split
            .notes
            .iter()
            .any(|n| n.contains("Larger than the rule takes whole"))
    );
}

#[test]
fn the_boundary_follows_a_named_line_outside_it() {
    let finds = [find("a", 0.0, 0.0)];
    let mut town = Town::default();
    // A straight street 100 m beyond the circle's north, a nearer lane inside, one too far, one radial.
    town.lines.push((
        "Mill Street".into(),
        street(&[(-3_000.0, 1_100.0), (-10.0, 1_100.0)]),
    ));
    town.lines.push((
        "Mill Street".into(),
        street(&[(-10.0, 1_100.0), (3_000.0, 1_100.0)]),
    ));
    town.lines.push((
        "Inner Lane".into(),
        street(&[(-3_000.0, 900.0), (3_000.0, 900.0)]),
    ));
    town.lines.push((
        "Far Road".into(),
        street(&[(-3_000.0, -1_300.0), (3_000.0, -1_300.0)]),
    ));
    town.lines
        .push(("Radial Way".into(), street(&[(0.0, -900.0), (0.0, -3_000.0)])));
    town.lines
        .push((String::new(), street(&[(1_050.0, -3_000.0), (1_050.0, 3_000.0)])));
    let mut rule = rule(1_000.0);
    rule.snap = vec![Snap::Lines {
        within_m: fixed(150.0),
        least_m: fixed(200.0),
    }];
    let drawn = town.one(&rule, &finds);
    holds_discs(&drawn.area, &finds, 1_000.0);
    assert!(
        drawn.lines.contains(&"Mill Street".to_owned()),
        "{:?}",
        drawn.lines
    );
    for not in ["Far Road", "Radial Way", ""] {
        assert!(!drawn.lines.contains(&not.to_owned()), "{not}");
    }
    // Due north the boundary lies on the street now, to a few centimetres.
    assert!(crate::area::contains(&drawn.area, at(0.0, 1_099.9)));
    assert!(!crate::area::contains(&drawn.area, at(0.0, 1_100.1)));
    let along = drawn.walks[0]
        .stretches
        .iter()
        .filter(|s| s.along == Along::Line("Mill Street".into()));
    // Within 150 m of the circle: sqrt(1150^2 - 1100^2) either side.
    let length_m: f64 = along.map(|s| s.length_m).sum();
    assert!(
        (length_m - 2.0 * (1_150.0_f64.powi(2) - 1_100.0_f64.powi(2)).sqrt()).abs() < 45.0,
        "{length_m}"
    );
    assert!(drawn.text().contains("along Mill Street"), "{}", drawn.text());
    assert!(!crate::area::contains(&drawn.area, at(0.0, -1_001.0)));
}

#[test]
fn curves_become_few_straight_legs_outside() {
    let finds = [find("a", 0.0, 0.0), find("b", 1_700.0, 300.0)];
    let mut rule = rule(1_000.0);
    let round = Town::default().one(&rule, &finds);
    rule.snap = vec![Snap::Legs {
        within_m: fixed(40.0),
    }];
    let drawn = Town::default().one(&rule, &finds);
    holds_discs(&drawn.area, &finds, 1_000.0);
    let legs = &drawn.walks[0].stretches;
    assert!(legs.iter().all(|s| s.along == Along::Straight));
    // A corner 40 m outside turns by twice acos(1000 / 1040), 31.8 degrees; the curve turns by 599, and has two ends and a notch.
    assert!((15..=24).contains(&legs.len()), "{} legs", legs.len());
    assert!(drawn.km2 > round.km2);
    // Nowhere farther outside than the rule says.
    let frame = Frame::new(CENTRE);
    let tree = edge_index(&to_plane(&frame, &round.area));
    for &[lon, lat] in &drawn.area.0[0][0] {
        let xy = frame.to_xy_exact(Position { lat, lon });
        let p = Coord { x: xy.x_m, y: xy.y_m };
        let off_m = apart(p, tree.nearest_neighbor(&[p.x, p.y]).unwrap().nearest(p));
        assert!(off_m < 40.1, "{off_m}");
    }
    // Each leg begins where the one before ends, and the bearings and lengths lead round.
    for two in legs.windows(2) {
        assert!(crate::geodesic_m(two[0].to, two[1].from) < 1e-3);
        let reached = destination(two[0].from, two[0].bearing_deg, two[0].length_m);
        assert!(crate::geodesic_m(reached, two[0].to) < 2.0, "a leg is straight");
    }
    assert!(crate::geodesic_m(legs.last().unwrap().to, legs[0].from) < 1e-3);
}

#[test]
fn squares_are_whole_cells_of_a_grid_that_stays() {
    let mile = 1_609.344;
    let mut rule = rule(4.5 * mile);
    rule.shape = Shape::Squares {
        side_m: fixed(mile),
        anchor: None,
    };
    let first = find("a", 0.0, 0.0);
    let drawn = Town::default().one(&rule, std::slice::from_ref(&first));
    // A block of nine by nine miles: 209.789 km2.
    assert_eq!(drawn.cells, Some(81));
    assert!((drawn.km2 - 209.789).abs() < 0.01, "{}", drawn.km2);
    assert_eq!(drawn.walks[0].stretches.len(), 4, "{}", drawn.text());
    let finds = [first, find("b", 3_000.0, -700.0)];
    let more = Town::default().one(&rule, &finds);
    assert!(holds_whole(&more.area, &drawn.area), "the grid stays");
    holds_discs(&more.area, &finds[1..], 4.5 * mile);
    let cells = more.cells.unwrap() as f64;
    assert!(
        (more.km2 / cells - mile * mile / 1e6).abs() < 1e-3,
        "whole cells only: {} {cells}",
        more.km2
    );
    rule.shape = Shape::Squares {
        side_m: fixed(1.0),
        anchor: None,
    };
    assert_eq!(
        Town::default().draw(&rule, &finds).unwrap_err(),
        BoundaryError::TooManyCells { side_m: 1.0 }
    );
}

#[test]
fn whole_units_are_taken() {
    let mut town = Town::default();
    for i in -2..2_i32 {
        let (west, label) = (f64::from(i) * 4_000.0, format!("unit {i}"));
        town.units.push((label, block(west, -5_000.0, 4_000.0, 10_000.0)));
    }
    let mut rule = rule(500.0);
    rule.shape = Shape::Units {};
    let finds = [find("a", 300.0, 0.0)];
    let drawn = town.one(&rule, &finds);
    assert_eq!(drawn.units, ["unit -1", "unit 0"]);
    assert!((drawn.km2 - 80.0).abs() < 0.01, "{}", drawn.km2);
    holds_discs(&drawn.area, &finds, 500.0);
    assert!(
        drawn.text().contains("along the limit of unit"),
        "{}",
        drawn.text()
    );
    let nowhere = [find("a", 20_000.0, 0.0)];
    assert_eq!(
        town.draw(&rule, &nowhere).unwrap_err(),
        BoundaryError::NoUnits { units: 4 }
    );
}

#[test]
fn a_version_holds_the_version_before() {
    let rule = rule(1_000.0);
    let first = Town::default().one(&rule, &[find("a", 0.0, 0.0)]);
    let town = Town {
        held: vec![("regulated".into(), first.area.clone())],
        ..Town::default()
    };
    let second = town.one(&rule, &[find("b", 1_500.0, 0.0)]);
    assert!(holds_whole(&second.area, &first.area));
    assert!(second.steps.iter().any(|s| s.what == "held" && s.added_km2 > 1.0));
}

#[test]
fn what_is_wrong_is_told() {
    let town = Town::default();
    let good = [find("a", 0.0, 0.0)];
    assert_eq!(
        town.draw(&rule(1_000.0), &[]).unwrap_err(),
        BoundaryError::NoFinds
    );
    let told = |rule: &AreaRule, finds: &[Find], town: &Town| town.draw(rule, finds).unwrap_err().to_string();
    assert!(told(&rule(0.0), &good, &town).contains("above 0 m"));
    assert!(told(&rule(f64::NAN), &good, &town).contains("number"));
    let nowhere = [Find {
        at: Position { lat: 95.0, lon: 0.0 },
        ..good[0].clone()
    }];
    assert!(told(&rule(10.0), &nowhere, &town).contains("latitude"));
    let twice = [good[0].clone(), good[0].clone()];
    assert!(told(&rule(10.0), &twice, &town).contains("given twice"));
    let apart = [good[0].clone(), find("b", 700_000.0, 0.0)];
    assert!(told(&rule(10.0), &apart, &town).contains("respond to them apart"));
    for at in [
        Position { lat: 79.99, lon: 0.0 },
        Position {
            lat: -17.0,
            lon: 179.99,
        },
        Position {
            lat: 5.0,
            lon: -179.99,
        },
    ] {
        let edge = [Find {
            at,
            ..good[0].clone()
        }];
        assert!(
            matches!(
                town.draw(&rule(5_000.0), &edge).unwrap_err(),
                BoundaryError::Edge { .. }
            ),
            "{at:?}"
        );
    }
    let mut bad = Town::default();
    bad.parcels.push((
        "bow tie".into(),
        plot(&[(0.0, 0.0), (100.0, 100.0), (100.0, 0.0), (0.0, 101.0)]),
    ));
    let message = told(&rule(10.0), &good, &bad);
    assert!(
        message.contains("parcel bow tie") && message.contains("crosses itself"),
        "{message}"
    );
    let mut bad = Town::default();
    bad.lines.push(("Short Street".into(), street(&[(0.0, 0.0)])));
    assert!(told(&rule(10.0), &good, &bad).contains("Short Street"));
}

#[test]
fn places_near_a_find_are_listed() {
    let finds = [at(0.0, 0.0), at(5_000.0, 0.0)];
    let spots = [
        at(2_999.0, 0.0),
        at(0.0, 3_001.0),
        at(100.0, 0.0),
        at(-2_000.0, 2_300.0),
    ];
    let near = within_of_finds(&finds, 3_000.0, &spots);
    assert_eq!(near.iter().map(|n| n.0).collect::<Vec<_>>(), [0, 2]);
    assert!(
        (near[0].1 - 2_001.0).abs() < 0.5,
        "to the nearest find: {}",
        near[0].1
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// Whatever the finds, parcels and lines: the discs are held, no parcel is split, and each step only adds.
    #[test]
    fn the_boundary_never_moves_inward(
        spots in prop::collection::vec((-4_000.0..4_000.0_f64, -4_000.0..4_000.0_f64), 1..7),
        blocks in prop::collection::vec((-6_000.0..6_000.0_f64, -6_000.0..6_000.0_f64, 20.0..900.0_f64, 20.0..900.0_f64, -0.4..0.4_f64), 0..25),
        roads in prop::collection::vec(prop::collection::vec((-7_000.0..7_000.0_f64, -7_000.0..7_000.0_f64), 2..7), 0..8),
        radius_m in 200.0..1_800.0_f64,
        gap_m in 50.0..1_500.0_f64,
        order in 0..3_usize,
    ) {
        let finds: Vec<Find> = spots.iter().enumerate().map(|(i, s)| find(&format!("f{i}"), s.0, s.1)).collect();
        let mut town = Town::default();
        for (i, &(x, y, w, h, lean)) in blocks.iter().enumerate() {
            let corners = [(x, y), (x + w, y + lean * w), (x + w - lean * h, y + lean * w + h), (x - lean * h, y + h)];
            town.parcels.push((format!("P{i}"), plot(&corners)));
        }
        for (i, road) in roads.iter().enumerate() {
            town.lines.push((format!("Road {}", i % 5), street(road)));
        }
        let mut rule = rule(radius_m);
        rule.gap_m = Some(fixed(gap_m));
        rule.snap = snapping();
        if order == 1 {
            rule.snap.swap(0, 1);
        } else if order == 2 {
            rule.snap.remove(0);
        }
        let drawn = town.one(&rule, &finds);
        holds_discs(&drawn.area, &finds, radius_m);
        for two in drawn.steps.windows(2) {
            prop_assert!(holds_whole(&two[1].after, &two[0].after), "{} after {}", two[1].what, two[0].what);
        }
        let frame = Frame::new(CENTRE);
        let ground = to_plane(&frame, &drawn.area);
        if order != 2 {
            for (label, parcel) in &town.parcels {
                let share = share(&to_plane(&frame, parcel), &ground);
                // A little more than what counts as a touch: the frame here is not the one it was drawn in.
                prop_assert!(!share.is_met() || share.whole_m2 - share.within_m2 <= 1.5 * share.touch_m2, "{label} {share:?}");
            }
        }
        let walked: f64 = drawn.walks.iter().flat_map(|w| &w.stretches).map(|s| s.length_m).sum();
        prop_assert!((walked / 1e3 - drawn.perimeter_km).abs() < 1e-3 * drawn.perimeter_km + 0.01, "{walked} {}", drawn.perimeter_km);
        prop_assert!(drawn.area.0.iter().all(|rings| rings.len() == 1));
        // No hair: nowhere does the boundary run out and straight back.
        for ring in rings_of(&ground) {
            for w in ring.windows(3) {
                let (out, back) = (w[1] - w[0], w[2] - w[1]);
                let (cross, dot) = (out.x * back.y - out.y * back.x, out.x * back.x + out.y * back.y);
                prop_assert!(dot >= 0.0 || cross.abs() > 1e-4 * dot.abs() || dot.abs() < 0.01, "{w:?}");
            }
        }
    }
}
