//! Evidence beside traps in the assurance engine: worked by hand, against the traps alone, and by simulated worlds.
#![allow(
    clippy::unwrap_used,
    reason = "helpers outside the test functions are tests too"
)]

use earlywood_model::assurance::{
    Assurance, Cell, CellLooks, ComponentKind, DetectionTree, Evidence, Input, Look, PlacementInput,
    Settings, Silence, TreeLooks, ZoneInput, assess, assess_with, by_cell, by_cell_with,
};
use earlywood_model::inspection::{Method, missed_counted};
use earlywood_model::param::{Dist, Mark, Param};
use earlywood_model::profile::{HotlineSection, TargetProfile, by_id};
use earlywood_model::record::{Looked, Renewed, TrapFound, Visit, VisitKind};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use proptest::prelude::*;
use rand::seq::index::sample;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const START: Date = date(2025, 1, 1);
const END: Date = date(2025, 12, 31);
const ON: Date = date(2025, 10, 15);

fn weather() -> Series {
    let first = date(2024, 1, 1);
    let days = (0..1096)
        .map(|n| {
            let mean = 12.0 - 11.0 * (std::f64::consts::TAU * f64::from(n - 20) / 365.25).cos();
            DailyTemp {
                date: first + n.days(),
                tmin_c: mean - 6.0,
                tmax_c: mean + 6.0,
            }
        })
        .collect();
    Series::new(days).unwrap()
}

fn fix(param: &mut Param, value: f64) {
    param.dist = Dist::Fixed { value };
}

fn param(value: f64) -> Param {
    Param {
        dist: Dist::Fixed { value },
        unit: "share".into(),
        source: "none".into(),
        mark: Mark::SetByProgramme,
        note: None,
    }
}

/// The ash borer with all that looks are worth fixed: 40 flyers out of two trees, no dependence unless a test says so.
fn certain() -> TargetProfile {
    let mut p = by_id("emerald-ash-borer").unwrap().clone();
    fix(&mut p.design.flyers, 40.0);
    fix(&mut p.design.prior_infested, 0.3);
    fix(&mut p.design.introduction_per_year, 0.2);
    fix(&mut p.design.impaired_share, 0.3);
    let i = p.inspection.as_mut().unwrap();
    fix(&mut i.flyers_per_tree, 20.0);
    fix(&mut i.prevalence, 0.1);
    fix(&mut i.same_tree, 1.0);
    fix(&mut i.dependent, 1.0);
    fix(i.ground.as_mut().unwrap(), 0.3);
    fix(i.in_leaf.as_mut().unwrap(), 0.5);
    fix(&mut i.branches.as_mut().unwrap().sensitivity, 0.75);
    let d = i.detection_tree.as_mut().unwrap();
    fix(&mut d.sensitivity, 0.5);
    fix(&mut d.reach_m, 100.0);
    p
}

fn look(on: Date) -> Look {
    Look {
        date: on,
        method: Method::Ground,
        in_leaf: false,
        minutes: None,
        share: 1.0,
        partly: false,
        peeled_cm: 0.0,
        beside_trap: false,
    }
}

fn branches(on: Date, peeled_cm: f64) -> Look {
    Look {
        method: Method::Branches,
        peeled_cm,
        ..look(on)
    }
}

fn tree(looks: Vec<Look>) -> TreeLooks {
    TreeLooks { weight: 1.0, looks }
}

fn in_cell(cell: usize, hosts: Option<u64>, trees: Vec<TreeLooks>) -> Evidence {
    Evidence {
        looks: vec![CellLooks { cell, hosts, trees }],
        ..Evidence::default()
    }
}

fn trap(x_m: f64) -> PlacementInput {
    let visits = (0..8)
        .map(|n| Visit {
            trap: "t".into(),
            date: date(2025, 4, 15) + (n * 21).days(),
            kind: VisitKind::Service,
            found: TrapFound::Working,
            looked: Looked::Fully,
            suspects: Some(0),
            renewed: Renewed::default(),
            lure_lot: None,
            crew: None,
            exception: None,
        })
        .collect();
    PlacementInput {
        label: format!("trap at {x_m}"),
        x_m,
        y_m: 0.0,
        zone: None,
        hung: date(2025, 4, 1),
        taken_down: None,
        visits,
        holds: Vec::new(),
        fitted: None,
    }
}

struct World {
    profile: TargetProfile,
    placements: Vec<PlacementInput>,
    settings: Settings,
}

impl World {
    fn new(traps: &[f64]) -> Self {
        World {
            profile: certain(),
            placements: traps.iter().map(|x| trap(*x)).collect(),
            settings: Settings {
                draws: 6,
                ..Settings::new(ON, START, END)
            },
        }
    }

    /// Four cells, 200 m apart, weights 1, 2, 3, 4, in one zone; a second zone without traps.
    fn input<T>(&self, ask: impl FnOnce(&Input<'_>) -> T) -> T {
        let cell = |i: u32, zone| Cell {
            x_m: 200.0 * f64::from(i),
            y_m: 0.0,
            weight: f64::from(i + 1),
            zone,
        };
        let cells: Vec<Cell> = (0..4).map(|i| cell(i, 0)).chain([cell(9, 1)]).collect();
        let zones = ["north", "south"].map(|label| ZoneInput {
            label: label.into(),
            prior_infested: None,
        });
        let weather = weather();
        ask(&Input {
            zones: &zones,
            cells: &cells,
            placements: &self.placements,
            weather: &weather,
            profile: &self.profile,
            finds: &[],
            settings: &self.settings,
        })
    }

    fn with(&self, evidence: &Evidence) -> Assurance {
        self.input(|input| assess_with(input, evidence).unwrap())
    }

    fn s(&self, evidence: &Evidence) -> f64 {
        self.with(evidence).zones[0].central_sensitivity
    }
}

#[track_caller]
fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} within {tolerance}"
    );
}

const MAY: Date = date(2025, 5, 6);

#[test]
fn without_evidence_every_figure_is_the_traps_to_the_last_bit() {
    let mut world = World::new(&[0.0, 210.0]);
    world.profile = by_id("emerald-ash-borer").unwrap().clone();
    let alone = world.input(|i| assess(i).unwrap());
    assert_eq!(world.with(&Evidence::default()), alone);
    assert!(alone.zones.iter().all(|z| z.components.is_empty()));
    // Nor does a profile without the section count anything, whatever was looked at.
    let looked = in_cell(1, Some(5), vec![tree(vec![look(MAY)])]);
    let mut bare = World::new(&[0.0, 210.0]);
    bare.profile = world.profile.clone();
    bare.profile.inspection = None;
    assert_eq!(bare.with(&looked), alone);
    assert_eq!(
        bare.input(|i| by_cell_with(i, &looked).unwrap()),
        world.input(|i| by_cell(i).unwrap())
    );
    // Looks of the coming year, or of the day after the question, are not evidence of today.
    let late = in_cell(
        1,
        Some(5),
        vec![tree(vec![look(date(2025, 10, 16)), look(date(2026, 2, 1))])],
    );
    assert_eq!(world.with(&late), alone);
    // A zone in which nobody looked stays as it is.
    let joint = world.with(&looked);
    assert_eq!(joint.zones[1], alone.zones[1]);
    assert_ne!(
        joint.zones[0].central_sensitivity,
        alone.zones[0].central_sensitivity
    );
}

#[test]
fn looks_without_traps_worked_by_hand() {
    let world = World::new(&[]);
    // Cell 1 has weight 0.2; ten hosts, two of them infested; three looked at, one of them in leaf.
    let mut in_leaf = look(MAY);
    in_leaf.in_leaf = true;
    let trees = vec![tree(vec![look(MAY)]), tree(vec![look(MAY)]), tree(vec![in_leaf])];
    let missed = missed_counted(10, 2, &[0.3, 0.3, 0.15]).unwrap();
    let answer = world.with(&in_cell(1, Some(10), trees.clone()));
    let zone = &answer.zones[0];
    close(zone.central_sensitivity, 0.2 * (1.0 - missed), 1e-14);
    // Before the look nothing is known; from its period on the figure stands.
    let at = |day: Date| {
        zone.periods
            .iter()
            .find(|p| p.from <= day && day <= p.to)
            .unwrap()
    };
    assert_eq!(at(date(2025, 4, 28)).sensitivity.median, 0.0);
    close(at(MAY).sensitivity.median, 0.2 * (1.0 - missed), 1e-14);
    // Prior 0.3, arrivals of 0.2 a year: only the prior's mass has been looked for.
    let last = zone.periods.last().unwrap();
    let alone = &world.input(|i| assess(i).unwrap()).zones[0];
    let free = alone.central_p_free.unwrap();
    let want = free / (1.0 - 0.3 * 0.2 * (1.0 - missed));
    close(last.p_free.unwrap().median, want, 1e-12);
    close(zone.central_p_free.unwrap(), want, 1e-12);
    // Hosts not counted: one in ten is infested.
    let uncounted = 1.0 - (1.0 - 0.1 * 0.3_f64).powi(2) * (1.0 - 0.1 * 0.15);
    close(world.s(&in_cell(1, None, trees)), 0.2 * uncounted, 1e-14);
}

#[test]
fn what_makes_a_look_worth_less() {
    let world = World::new(&[]);
    let one = |l: Look| world.s(&in_cell(1, Some(1), vec![tree(vec![l])]));
    let base = look(MAY);
    close(one(base), 0.2 * 0.3, 1e-14);
    close(one(Look { share: 0.25, ..base }), 0.2 * 0.075, 1e-14);
    close(one(Look { partly: true, ..base }), 0.2 * 0.09, 1e-14);
    // A lift has no figure of its own: it sees at least what a look from the ground does.
    close(
        one(Look {
            method: Method::Lift,
            ..base
        }),
        0.2 * 0.3,
        1e-14,
    );
    // Two branches of 50 cm are the published sample; one is half of it, four are no more.
    close(one(branches(MAY, 100.0)), 0.2 * 0.75, 1e-14);
    close(one(branches(MAY, 50.0)), 0.2 * 0.5, 1e-14);
    close(one(branches(MAY, 200.0)), 0.2 * 0.75, 1e-14);
    // Two looks and a branch sample at one tree, all of one fate: the best counts.
    let same = tree(vec![base, look(date(2025, 8, 1)), branches(MAY, 100.0)]);
    close(
        world.s(&in_cell(1, Some(1), vec![same.clone()])),
        0.2 * 0.75,
        1e-14,
    );
    let mut independent = World::new(&[]);
    fix(
        &mut independent.profile.inspection.as_mut().unwrap().same_tree,
        0.0,
    );
    close(
        independent.s(&in_cell(1, Some(1), vec![same])),
        0.2 * (1.0 - 0.7 * 0.7 * 0.25),
        1e-14,
    );
    // Minutes, where the profile has a rate: nine tenths within two minutes.
    let mut timed = World::new(&[]);
    timed.profile.inspection.as_mut().unwrap().search_per_minute = Some(param(10_f64.ln() / 2.0));
    let two = Look {
        minutes: Some(2.0),
        ..base
    };
    close(
        timed.s(&in_cell(1, Some(1), vec![tree(vec![two])])),
        0.2 * 0.27,
        1e-12,
    );
}

#[test]
fn traps_and_looks_are_joined_cell_by_cell() {
    let world = World::new(&[0.0, 212.0]);
    let seen = world.input(|i| by_cell(i).unwrap());
    let traps = seen[1].central;
    assert!(traps > 0.02, "{traps}");
    let trees = |beside_trap| {
        vec![
            tree(vec![Look {
                beside_trap,
                ..look(MAY)
            }]);
            4
        ]
    };
    let looks = 1.0 - missed_counted(6, 2, &[0.3; 4]).unwrap();
    let before = world.s(&Evidence::default());
    // Apart from the traps: misses multiply, in that cell only.
    let apart = in_cell(1, Some(6), trees(false));
    let joint = 1.0 - (1.0 - traps) * (1.0 - looks);
    close(world.s(&apart), before + 0.2 * (joint - traps), 1e-12);
    close(
        world.input(|i| by_cell_with(i, &apart).unwrap())[1].central,
        joint,
        1e-12,
    );
    // Beside a trap in the same week, all of one fate: the better of the two.
    let beside = in_cell(1, Some(6), trees(true));
    close(world.s(&beside), before + 0.2 * (traps.max(looks) - traps), 1e-12);
    let answer = world.with(&beside);
    let [t, i] = &answer.zones[0].components[..] else {
        panic!("traps and inspections")
    };
    assert_eq!(
        (t.kind, i.kind),
        (ComponentKind::Traps, ComponentKind::Inspections)
    );
    assert_eq!((t.units, i.units, i.beside_traps), (2, 4, 4));
    close(t.central, before, 1e-15);
    close(i.central, 0.2 * looks, 1e-14);
    close(i.weight, 0.2, 1e-15);
    close(
        t.p_free.unwrap().median,
        world.with(&Evidence::default()).zones[0]
            .periods
            .last()
            .unwrap()
            .p_free
            .unwrap()
            .median,
        1e-12,
    );
}

#[test]
fn detection_trees_count_once_peeled_within_their_reach_by_the_flight_they_stood_through() {
    let world = World::new(&[]);
    let girdled = |from: Date, to: Date, x_m: f64| Evidence {
        detection_trees: vec![DetectionTree {
            x_m,
            y_m: 0.0,
            girdled: from,
            peeled: to,
            share: 1.0,
        }],
        ..Evidence::default()
    };
    // Through the whole flight (over by mid-October in this weather): half of an incursion in cell 0 would show.
    let whole = girdled(date(2025, 3, 1), date(2025, 10, 10), 50.0);
    let flown = world.with(&whole);
    let share: f64 = flown.zones[0].periods.iter().map(|p| p.flight_share).sum();
    let at_the_peeling = flown.zones[0]
        .periods
        .iter()
        .filter(|p| p.to < date(2025, 10, 10))
        .map(|p| p.flight_share)
        .sum::<f64>();
    assert!(
        share > 0.9 && share - at_the_peeling < 0.05,
        "{share} {at_the_peeling}"
    );
    close(
        flown.zones[0].central_sensitivity,
        0.1 * (1.0 - 0.5_f64.powf(at_the_peeling)),
        2e-3,
    );
    // Two within reach multiply; one beyond it says nothing.
    let mut two = whole.clone();
    two.detection_trees.push(two.detection_trees[0]);
    close(world.s(&two), 0.1 * (1.0 - 0.25_f64.powf(at_the_peeling)), 4e-3);
    assert_eq!(
        world.s(&girdled(date(2025, 3, 1), date(2025, 10, 10), 1_000.0)),
        0.0
    );
    // Not peeled yet: nothing.
    assert_eq!(world.s(&girdled(date(2025, 3, 1), date(2025, 10, 16), 50.0)), 0.0);
    // Girdled after the flight: nothing to speak of.
    assert!(world.s(&girdled(date(2025, 10, 1), date(2025, 10, 10), 50.0)) < 0.01);
}

#[test]
fn the_public_is_heard_only_where_the_programme_says_it_has_a_hotline() {
    let silence = Evidence {
        silence: vec![Silence {
            zone: 0,
            from: START,
            to: ON,
        }],
        ..Evidence::default()
    };
    let mut world = World::new(&[0.0]);
    let alone = world.s(&Evidence::default());
    // No profile that ships states one.
    assert_eq!(world.s(&silence), alone);
    world.profile.inspection.as_mut().unwrap().hotline = Some(HotlineSection {
        since: START,
        until: None,
        zones: None,
        reports_per_year: param(0.4),
    });
    let answer = world.with(&silence);
    let days = f64::from((ON - START).get_days() + 1);
    let left = 0.6_f64.powf(days / 365.25);
    let joint = 1.0 - (1.0 - alone) * left;
    close(answer.zones[0].central_sensitivity, joint, 1e-12);
    // Looks of the same place: the better of looks and public, with the traps.
    let mut both = in_cell(1, Some(1), vec![tree(vec![look(MAY)])]);
    both.silence.clone_from(&silence.silence);
    let seen = world.input(|i| by_cell(i).unwrap());
    let want = 1.0 - (1.0 - seen[1].central) * left.min(0.7);
    close(
        world.input(|i| by_cell_with(i, &both).unwrap())[1].central,
        want,
        1e-12,
    );
    // Every cell of the zone hears it, none of the other zone.
    let cells = world.input(|i| by_cell_with(i, &silence).unwrap());
    close(cells[3].central, 1.0 - (1.0 - seen[3].central) * left, 1e-12);
    assert_eq!(cells[4].central, 0.0);
}

#[test]
fn evidence_that_contradicts_itself_is_refused() {
    let world = World::new(&[]);
    let told = |e: &Evidence| world.input(|i| assess_with(i, e).unwrap_err().to_string());
    let one = tree(vec![look(MAY)]);
    assert!(told(&in_cell(9, None, vec![one.clone()])).contains("5 cells"));
    assert!(told(&in_cell(1, Some(1), vec![one.clone(); 2])).contains("fewer hosts"));
    let mut twice = in_cell(1, None, vec![one.clone()]);
    twice.looks.push(twice.looks[0].clone());
    assert!(told(&twice).contains("twice"));
    let weightless = TreeLooks {
        weight: 0.0,
        ..one.clone()
    };
    assert!(told(&in_cell(1, None, vec![weightless])).contains("weight"));
    let half = tree(vec![Look {
        share: 1.5,
        ..look(MAY)
    }]);
    assert!(told(&in_cell(1, None, vec![half])).contains("share"));
}

/// A small world played out: an incursion in a cell drawn by weight, its infested trees drawn at random, looks made, and the
/// share of worlds in which one shows it held against the figure.
#[test]
fn simulated_worlds_are_seen_as_often_as_stated() {
    const WORLDS: u32 = 200_000;
    let world = World::new(&[]);
    // Cell 1: ten hosts, looks at four; cell 3: three hosts, two looked at, one with branches peeled too.
    let both = tree(vec![look(MAY), branches(MAY, 100.0)]);
    let evidence = Evidence {
        looks: vec![
            CellLooks {
                cell: 1,
                hosts: Some(10),
                trees: vec![tree(vec![look(MAY)]); 4],
            },
            CellLooks {
                cell: 3,
                hosts: Some(3),
                trees: vec![both, tree(vec![look(MAY)])],
            },
        ],
        ..Evidence::default()
    };
    let stated = world.s(&evidence);
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut seen = 0_u32;
    for _ in 0..WORLDS {
        let at = rng.random_range(0..10);
        let (hosts, shows): (usize, &[f64]) = match at {
            1 | 2 => (10, &[0.3; 4]),
            // Look and branches at one tree share one fate: the better of them decides.
            6..=9 => (3, &[0.75, 0.3]),
            _ => continue,
        };
        // 40 flyers, 20 a tree: two infested trees.
        let found = sample(&mut rng, hosts, 2)
            .iter()
            .any(|tree| shows.get(tree).is_some_and(|s| rng.random::<f64>() < *s));
        seen += u32::from(found);
    }
    let share = f64::from(seen) / f64::from(WORLDS);
    close(
        share,
        stated,
        4.5 * (stated * (1.0 - stated) / f64::from(WORLDS)).sqrt(),
    );
}

fn any_look() -> impl Strategy<Value = Look> {
    (
        0..280_i32,
        0..6_usize,
        any::<bool>(),
        any::<bool>(),
        0.0..=1.0,
        1.0..150.0,
    )
        .prop_map(|(day, method, in_leaf, beside_trap, share, peeled_cm)| Look {
            date: START + day.days(),
            method: Method::ALL[method],
            in_leaf,
            minutes: None,
            share,
            partly: false,
            peeled_cm,
            beside_trap,
        })
}

fn any_evidence() -> impl Strategy<Value = Evidence> {
    let trees = prop::collection::vec(prop::collection::vec(any_look(), 1..3), 1..5);
    let cell = (0..4_usize, prop::option::of(5_u64..12), trees).prop_map(|(cell, hosts, trees)| CellLooks {
        cell,
        hosts,
        trees: trees.into_iter().map(tree).collect(),
    });
    let girdled = prop::option::of((0.0..600.0, 0.1..=1.0)).prop_map(|at| {
        at.map(|(x_m, share)| DetectionTree {
            x_m,
            y_m: 0.0,
            girdled: date(2025, 4, 1),
            peeled: date(2025, 9, 20),
            share,
        })
    });
    (prop::collection::vec(cell, 0..3), girdled, any::<bool>()).prop_map(|(mut looks, girdled, silent)| {
        looks.sort_by_key(|l| l.cell);
        looks.dedup_by_key(|l| l.cell);
        let silence = Silence {
            zone: 0,
            from: START,
            to: ON,
        };
        Evidence {
            looks,
            detection_trees: girdled.into_iter().collect(),
            silence: silent.then_some(silence).into_iter().collect(),
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]
    #[test]
    fn more_looks_never_lower_and_dependence_never_raises(evidence in any_evidence(), more in any_look(), pick in 0..4_usize) {
        let mut world = World::new(&[0.0, 210.0, 600.0]);
        world.settings.draws = 3;
        let section = world.profile.inspection.as_mut().unwrap();
        section.hotline = Some(HotlineSection { since: START, until: None, zones: None, reports_per_year: param(0.2) });
        for p in [&mut section.same_tree, &mut section.dependent] {
            p.dist = Dist::Uniform { low: 0.0, high: 1.0 };
        }
        let alone = world.with(&Evidence::default());
        let joint = world.with(&evidence);
        let (a, j) = (&alone.zones[0], &joint.zones[0]);
        for (a, j) in a.periods.iter().zip(&j.periods) {
            prop_assert!(j.sensitivity.p05 >= a.sensitivity.p05 - 1e-12);
            prop_assert!(j.sensitivity.p95 <= 1.0);
            prop_assert!(j.p_free.unwrap().median >= a.p_free.unwrap().median - 1e-12);
        }
        for pair in j.periods.windows(2) {
            prop_assert!(pair[1].sensitivity.median >= pair[0].sensitivity.median - 1e-12);
        }
        for c in &j.components {
            prop_assert!(c.central <= j.central_sensitivity + 1e-12, "{:?}", c.kind);
        }
        // One more look at a tree that was looked at already, and one at another tree.
        if let Some(cell) = evidence.looks.get(pick % evidence.looks.len().max(1)) {
            let mut again = evidence.clone();
            let at = again.looks.iter_mut().find(|l| l.cell == cell.cell).unwrap();
            at.trees[0].looks.push(more);
            prop_assert!(world.s(&again) >= j.central_sensitivity - 1e-12);
            let mut another = evidence.clone();
            let at = another.looks.iter_mut().find(|l| l.cell == cell.cell).unwrap();
            at.trees.push(tree(vec![more]));
            prop_assert!(world.s(&another) >= j.central_sensitivity - 1e-12);
        }
        let s = |same, dependent| {
            let mut world = World::new(&[0.0, 210.0, 600.0]);
            world.settings.draws = 1;
            world.profile = {
                let mut p = world.profile.clone();
                let i = p.inspection.as_mut().unwrap();
                i.hotline = Some(HotlineSection { since: START, until: None, zones: None, reports_per_year: param(0.2) });
                fix(&mut i.same_tree, same);
                fix(&mut i.dependent, dependent);
                p
            };
            world.s(&evidence)
        };
        prop_assert!(s(1.0, 1.0) <= s(0.0, 1.0) + 1e-12);
        prop_assert!(s(1.0, 1.0) <= s(1.0, 0.0) + 1e-12);
        prop_assert!(s(0.0, 1.0) <= s(0.0, 0.0) + 1e-12);
    }
}
