//! Every place against every host, land and zone, the slow way.

use super::*;
use earlywood_model::record::Area;
use proptest::prelude::*;

fn host(k: usize, lat: f64, lon: f64, condition: HostCondition) -> Host {
    Host {
        label: format!("H{k}"),
        species: "Acer".into(),
        position: Position { lat, lon },
        dbh_cm: None,
        condition,
    }
}

fn square(west: f64, south: f64, side: f64) -> Area {
    let (e, n) = (west + side, south + side);
    Area(vec![vec![vec![
        [west, south],
        [e, south],
        [e, n],
        [west, n],
        [west, south],
    ]]])
}

fn land(label: &str, rule: LandRule, area: Area) -> Land {
    Land {
        label: label.into(),
        rule,
        area,
        reason: Some("closed in spring".into()),
    }
}

fn rules(least: f64, most: f64, spacing: f64) -> PlaceRules {
    PlaceRules::new(least, most, spacing).unwrap()
}

fn find_all(hosts: &[Host], land: &[Land], zones: &[Zone], rules: PlaceRules) -> Places {
    let ground = Ground { hosts, land, zones };
    find(ground, rules, |_| 1.0, &PlaceOptions::default()).unwrap()
}

/// A grid of trees 60 m apart.
fn grid(n: usize) -> Vec<Host> {
    let frame = Frame::new(Position { lat: 48.0, lon: 9.0 });
    (0..n * n)
        .map(|k| {
            let at = Xy {
                x_m: 60.0 * (k % n) as f64,
                y_m: 60.0 * (k / n) as f64,
            };
            let p = frame.from_xy(at);
            host(k, p.lat, p.lon, HostCondition::Healthy)
        })
        .collect()
}

#[test]
fn a_square_of_trees_has_a_place_in_its_middle() {
    let found = find_all(&grid(2), &[], &[], rules(40.0, 50.0, 10.0));
    // The middle of a 60 m square is 42.4 m from its corners; no edge's middle is 40 m from both ends.
    assert_eq!(found.places.len(), 1, "{:?}", found.places);
    assert!((found.nearest_host_m[0] - 30.0 * 2.0_f64.sqrt()).abs() < 0.1);
    assert_eq!(found.places[0].label, "P-0001");
    assert_eq!(
        (
            found.places[0].cost,
            found.places[0].kept,
            found.places[0].forbidden
        ),
        (1.0, false, false)
    );
}

#[test]
fn lone_trees_rows_and_doubles_of_trees_have_places_too() {
    let one = [host(0, 48.0, 9.0, HostCondition::Healthy)];
    let about_one = find_all(&one, &[], &[], rules(20.0, 60.0, 30.0));
    assert_eq!(about_one.places.len(), 6);
    assert!(about_one.nearest_host_m.iter().all(|d| (d - 40.0).abs() < 0.1));
    let doubled: Vec<Host> = (0..5)
        .map(|k| host(k, 48.0, 9.0, HostCondition::Healthy))
        .collect();
    assert_eq!(
        find_all(&doubled, &[], &[], rules(20.0, 60.0, 30.0)).places,
        about_one.places
    );
    let row: Vec<Host> = (0..10)
        .map(|k| host(k, 48.0, 9.0 + 0.001 * k as f64, HostCondition::Healthy))
        .collect();
    assert!(find_all(&row, &[], &[], rules(20.0, 60.0, 30.0)).places.len() >= 9);
}

#[test]
fn a_trap_may_hang_near_a_dead_tree_but_not_near_an_unknown_one() {
    let dead: Vec<Host> = grid(6)
        .into_iter()
        .map(|h| Host {
            condition: HostCondition::Dead,
            ..h
        })
        .collect();
    let near = |hosts: &[Host]| {
        find_all(hosts, &[], &[], rules(35.0, 60.0, 5.0))
            .nearest_host_m
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min)
    };
    assert!(near(&dead) < 31.0);
    let mut mixed = dead;
    for h in mixed.iter_mut().step_by(3) {
        h.condition = HostCondition::Unknown;
    }
    let found = find_all(&mixed, &[], &[], rules(35.0, 60.0, 5.0));
    for p in &found.places {
        let unknown = mixed.iter().filter(|h| keeps_distance(h));
        assert!(
            unknown
                .map(|h| geodesic_m(h.position, p.position))
                .all(|d| d >= 35.0)
        );
    }
    assert!(!found.places.is_empty());
}

#[test]
fn existing_places_keep_their_room_and_their_labels() {
    let hosts = grid(4);
    let first = find_all(&hosts, &[], &[], rules(20.0, 60.0, 50.0));
    let existing = &first.places[..2];
    let options = PlaceOptions {
        existing,
        ..PlaceOptions::default()
    };
    let ground = Ground {
        hosts: &hosts,
        land: &[],
        zones: &[],
    };
    let more = find(ground, rules(20.0, 60.0, 50.0), |_| 1.0, &options).unwrap();
    for p in &more.places {
        assert!(
            existing
                .iter()
                .all(|e| e.label != p.label && geodesic_m(e.position, p.position) >= 50.0)
        );
    }
    let few = PlaceOptions {
        most: Some(3),
        prefix: "park-",
        first_number: 10,
        ..PlaceOptions::default()
    };
    let three = find(ground, rules(20.0, 60.0, 50.0), |_| 1.0, &few).unwrap();
    let labels: Vec<&str> = three.places.iter().map(|p| p.label.as_str()).collect();
    assert_eq!(labels, ["park-0010", "park-0011", "park-0012"]);
}

#[test]
fn the_greater_host_weight_goes_first() {
    let mut hosts = grid(5);
    let far = grid(5).into_iter().map(|h| Host {
        species: "Fraxinus".into(),
        position: Position {
            lat: h.position.lat - 0.05,
            ..h.position
        },
        ..h
    });
    hosts.extend(far);
    let options = PlaceOptions {
        most: Some(4),
        ..PlaceOptions::default()
    };
    let ground = Ground {
        hosts: &hosts,
        land: &[],
        zones: &[],
    };
    let weight = |s: &str| if s == "Fraxinus" { 5.0 } else { 1.0 };
    let found = find(ground, rules(20.0, 60.0, 30.0), weight, &options).unwrap();
    assert!(found.places.iter().all(|p| p.position.lat < 47.99));
}

#[test]
fn threads_change_nothing() {
    let hosts = grid(40);
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| find_all(&hosts, &[], &[], rules(20.0, 60.0, 30.0)))
    };
    assert_eq!(run(1), run(4));
}

#[test]
fn nothing_found_says_why() {
    let hosts = grid(5);
    let say = |found: Places| found.notes.join("\n");
    assert!(say(find_all(&hosts, &[], &[], rules(500.0, 500.1, 0.0))).contains("change the stand-off"));
    let elsewhere = [land("L", LandRule::Usable, square(0.0, 0.0, 1.0))];
    assert!(
        say(find_all(&hosts, &elsewhere, &[], rules(20.0, 60.0, 0.0))).contains("none is on usable land")
    );
    let ground = Ground {
        hosts: &[],
        land: &[],
        zones: &[],
    };
    assert!(find(ground, rules(1.0, 2.0, 0.0), |_| 1.0, &PlaceOptions::default()).is_err());
    let ground = Ground {
        hosts: &hosts,
        land: &[],
        zones: &[],
    };
    assert!(
        find(
            ground,
            rules(1.0, 2.0, 0.0),
            |_| f64::NAN,
            &PlaceOptions::default()
        )
        .is_err()
    );
    for (least, most, spacing) in [
        (-1.0, 5.0, 1.0),
        (5.0, 5.0, 1.0),
        (1.0, f64::INFINITY, 1.0),
        (1.0, 5.0, f64::NAN),
    ] {
        assert!(PlaceRules::new(least, most, spacing).is_err());
    }
}

#[test]
fn a_persons_own_list_is_judged_by_the_same_rules() {
    let hosts = grid(5);
    let lands = [
        land("park", LandRule::Usable, square(8.99, 47.99, 0.02)),
        land("school", LandRule::Forbidden, square(9.0012, 48.0012, 0.001)),
    ];
    let zones = [Zone {
        label: "z".into(),
        area: square(8.99, 47.99, 0.02),
    }];
    let frame = Frame::new(Position { lat: 48.0, lon: 9.0 });
    let place = |label: &str, x_m: f64, y_m: f64| Place {
        label: label.into(),
        position: frame.from_xy(Xy { x_m, y_m }),
        cost: 1.0,
        kept: false,
        forbidden: false,
    };
    let list = [
        place("good", 30.0, 30.0),
        place("near a tree", 62.0, 60.0),
        place("near a place", 40.0, 30.0),
        place("school", 150.0, 150.0),
        place("far", 5000.0, 0.0),
    ];
    let faults = check(
        &list,
        Ground {
            hosts: &hosts,
            land: &lands,
            zones: &zones,
        },
        rules(20.0, 60.0, 25.0),
    );
    let text: Vec<String> = faults.iter().map(ToString::to_string).collect();
    let about = |label: &str| -> Vec<&str> {
        text.iter()
            .map(String::as_str)
            .filter(|t| t.starts_with(&format!("place {label}:")))
            .collect()
    };
    assert!(about("good").is_empty(), "{text:?}");
    // It stands 2 m from tree 6, which is 32 m east of the place called good.
    assert!(
        about("near a tree")
            .iter()
            .any(|t| t.contains("2.0 m from host H6") && t.contains("the least is 20 m")),
        "{text:?}"
    );
    assert!(
        about("near a place")[0].contains("10.0 m from place good"),
        "{text:?}"
    );
    assert!(
        about("school")[0].contains("on land school, which may not be used (closed in spring)"),
        "{text:?}"
    );
    assert_eq!(about("far").len(), 3, "{text:?}");
    assert_eq!(
        check(
            &list[..1],
            Ground {
                hosts: &[],
                land: &[],
                zones: &[]
            },
            rules(20.0, 60.0, 25.0)
        )
        .len(),
        1
    );
    assert!(
        check(
            &[],
            Ground {
                hosts: &[],
                land: &[],
                zones: &[]
            },
            rules(20.0, 60.0, 25.0)
        )
        .is_empty()
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Stand-off, spacing, land and zones by brute force on geodesics, with healthy and dead trees mixed, at any latitude.
    #[test]
    fn no_rule_is_ever_broken(
        lat in -60.0..65.0_f64, lon in -179.0..178.0_f64,
        trees in prop::collection::vec((0.0..1.0_f64, 0.0..1.0_f64, 0..4_u8), 1..150),
        least in 0.0..40.0_f64, room in 1.0..80.0_f64, spacing in 0.0..120.0_f64,
        closed in (0.0..0.008_f64, 0.0..0.008_f64, 0.001..0.005_f64), with_usable in any::<bool>(), with_zone in any::<bool>(),
    ) {
        let states = [HostCondition::Healthy, HostCondition::Unknown, HostCondition::Declining, HostCondition::Dead];
        let hosts: Vec<Host> = trees.iter().enumerate()
            .map(|(k, (u, v, s))| host(k, lat + 0.01 * u, lon + 0.01 * v, states[usize::from(*s)]))
            .collect();
        let mut lands = vec![land("closed", LandRule::Forbidden, square(lon + closed.0, lat + closed.1, closed.2))];
        if with_usable {
            lands.push(land("a", LandRule::Usable, square(lon, lat, 0.005)));
            lands.push(land("b", LandRule::Usable, square(lon + 0.004, lat + 0.004, 0.005)));
        }
        let zones: Vec<Zone> = with_zone.then(|| Zone { label: "z".into(), area: square(lon + 0.001, lat + 0.001, 0.008) }).into_iter().collect();
        let rules = rules(least, least + room, spacing);
        let ground = Ground { hosts: &hosts, land: &lands, zones: &zones };
        let found = find(ground, rules, |_| 1.0, &PlaceOptions::default()).unwrap();
        for (k, p) in found.places.iter().enumerate() {
            let distance = |h: &Host| geodesic_m(h.position, p.position);
            let nearest = hosts.iter().map(distance).fold(f64::INFINITY, f64::min);
            prop_assert!(nearest <= rules.standoff_max_m());
            prop_assert!((nearest - found.nearest_host_m[k]).abs() < 0.01);
            prop_assert!(hosts.iter().filter(|h| keeps_distance(h)).map(distance).all(|d| d >= least));
            for other in &found.places[..k] {
                prop_assert!(geodesic_m(other.position, p.position) >= spacing);
                prop_assert!(other.label != p.label);
            }
            let on = |rule| lands.iter().filter(move |l| l.rule == rule).any(|l| crate::area::contains(&l.area, p.position));
            prop_assert!(!on(LandRule::Forbidden));
            prop_assert!(!with_usable || on(LandRule::Usable));
            prop_assert!(!with_zone || crate::area::contains(&zones[0].area, p.position));
        }
        // The rules a list is judged by are the rules it was made by.
        prop_assert_eq!(check(&found.places, ground, rules), vec![]);
    }

    /// A faulty list is judged as brute force judges it.
    #[test]
    fn check_agrees_with_brute_force(
        trees in prop::collection::vec((0.0..1.0_f64, 0.0..1.0_f64, any::<bool>()), 1..60),
        spots in prop::collection::vec((0.0..1.0_f64, 0.0..1.0_f64), 1..20),
        least in 5.0..40.0_f64, spacing in 0.0..120.0_f64,
    ) {
        let hosts: Vec<Host> = trees.iter().enumerate().map(|(k, (u, v, dead))| {
            host(k, 48.0 + 0.005 * u, 9.0 + 0.005 * v, if *dead { HostCondition::Dead } else { HostCondition::Healthy })
        }).collect();
        let places: Vec<Place> = spots.iter().enumerate().map(|(k, (u, v))| Place {
            label: k.to_string(), position: Position { lat: 48.0 + 0.005 * u, lon: 9.0 + 0.005 * v }, cost: 1.0, kept: false, forbidden: false,
        }).collect();
        let rules = rules(least, 60.0, spacing);
        let faults = check(&places, Ground { hosts: &hosts, land: &[], zones: &[] }, rules);
        for (k, p) in places.iter().enumerate() {
            let mine = |test: fn(&Fault) -> bool| faults.iter().any(|f| f.index == k && test(&f.fault));
            let distance = |h: &Host| geodesic_m(h.position, p.position);
            let near = hosts.iter().filter(|h| keeps_distance(h)).any(|h| distance(h) < least);
            prop_assert_eq!(mine(|f| matches!(f, Fault::TooNearHost { .. })), near);
            let far = hosts.iter().all(|h| distance(h) > 60.0);
            prop_assert_eq!(mine(|f| matches!(f, Fault::TooFarFromHosts { .. })), far);
            let crowded = places[..k].iter().any(|o| geodesic_m(o.position, p.position) < spacing);
            prop_assert_eq!(mine(|f| matches!(f, Fault::TooNearPlace { .. })), crowded);
        }
    }
}
