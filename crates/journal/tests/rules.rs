//! What is accepted, what is refused and in which words, and what the readers show afterwards.

#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use crate::common::*;
use earlywood_journal::{
    Body, Change, Correction, Determination, Draft, Error, Hash, LoadMode, LogFilter, Other, Plan, Programme,
    Refusal, Status, TakeDown, VisitMade, What,
};
use earlywood_model::record::{
    Area, Land, LandRule, Looked, Pathway, Place, Placement, Position, TrapFound, Visit, Zone,
};
use jiff::civil::Date;
use rusqlite::Connection;

fn refused<T: std::fmt::Debug>(result: Result<T, Error>) -> (Option<usize>, Refusal) {
    match result {
        Err(Error::Refused { index, refusal }) => (index, *refusal),
        other => panic!("expected a refusal, got {other:?}"),
    }
}

fn down(trap: &str, date: Date) -> TakeDown {
    TakeDown {
        trap: trap.into(),
        date,
        reason: None,
    }
}

fn withdraw(entry: uuid::Uuid) -> Correction {
    Correction {
        corrects: entry,
        reason: "typed wrong".into(),
        change: Change::Withdraw,
    }
}

fn determination(trap: &str, date: Date) -> Determination {
    Determination::of_trap(trap, date, "emerald-ash-borer", Status::Confirmed, "identifier-1")
}

fn square() -> Area {
    Area(vec![vec![vec![
        [-121.0, 44.0],
        [-121.0, 44.1],
        [-120.9, 44.1],
        [-121.0, 44.0],
    ]]])
}

#[test]
fn a_new_file_holds_its_first_entry_and_nothing_else() {
    let (_dir, path, programme) = new_programme();
    assert_eq!(programme.name().unwrap(), "Alder Reach");
    let log = whole_log(&programme);
    assert_eq!(log.len(), 1);
    assert_eq!(
        (log[0].number, log[0].previous, log[0].kind.as_str()),
        (1, None, "programme-set-up")
    );
    assert_eq!(log[0].device, programme.device());
    assert_eq!(log[0].event_time, "2026-11-20T12:00:00-08:00");
    assert_eq!(log[0].recorded_time, "2026-11-20T20:00:00Z");
    assert_eq!(log[0].id.get_version_num(), 7);
    let names: Vec<_> = std::fs::read_dir(path.parent().unwrap())
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    assert!(
        !names.iter().any(|n| n.to_string_lossy().contains("making")),
        "left over: {names:?}"
    );
}

#[test]
fn a_file_that_is_there_is_left_alone() {
    let (_dir, path, programme) = new_programme();
    let before = std::fs::read(&path).unwrap();
    assert!(matches!(
        Programme::create(&path, "Other", &act()),
        Err(Error::AlreadyExists { .. })
    ));
    assert_eq!(std::fs::read(&path).unwrap(), before);
    drop(programme);
}

#[test]
fn every_set_comes_back_as_it_was_loaded() {
    let (_dir, path, mut p) = new_programme();
    let act = act();
    let trees = hosts(0..45_123);
    let pathways = [Pathway {
        label: "Camp".into(),
        kind: "firewood".into(),
        position: position(),
        weight: 0.1 + 0.2,
        reach_m: 1_500.0,
    }];
    let land = [Land {
        label: "Park".into(),
        rule: LandRule::Usable,
        area: square(),
        reason: Some("consent".into()),
    }];
    let zones = [
        Zone {
            label: "East".into(),
            area: square(),
        },
        Zone {
            label: "West".into(),
            area: square(),
        },
    ];
    let places = [
        place("P-2"),
        Place {
            cost: 2.5,
            kept: true,
            ..place("P-1")
        },
    ];
    p.load_hosts(&act, "trees.csv", LoadMode::Add, &trees).unwrap();
    p.load_pathways(&act, "pathways.csv", LoadMode::Add, &pathways)
        .unwrap();
    p.load_land(&act, "land.geojson", LoadMode::Add, &land).unwrap();
    p.load_zones(&act, "zones.geojson", LoadMode::Add, &zones)
        .unwrap();
    p.load_places(&act, "places.csv", LoadMode::Add, &places).unwrap();
    let days = [
        weather("Creek", day(1, 2)),
        weather("Alder", day(1, 2)),
        weather("Alder", day(1, 1)),
    ];
    p.load_weather(&act, "weather.csv", LoadMode::Add, &days).unwrap();
    drop(p);
    let p = Programme::open_read_only(&path).unwrap();
    assert!(p.hosts().unwrap() == trees);
    assert_eq!(p.pathways().unwrap(), pathways);
    assert_eq!(p.land().unwrap(), land);
    assert_eq!(p.zones().unwrap(), zones);
    assert_eq!(p.places().unwrap(), places);
    assert_eq!(
        p.weather(Some("Alder")).unwrap(),
        [days[2].clone(), days[1].clone()]
    );
    assert_eq!(p.weather(None).unwrap().len(), 3);
    let stations = p.stations().unwrap();
    assert_eq!(
        (stations[0].label.as_str(), stations[0].days, stations[0].first),
        ("Alder", 2, day(1, 1))
    );
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!(seen.rows, 45_123 + 1 + 1 + 2 + 2 + 3);
    assert_eq!(p.counts().unwrap().hosts, 45_123);
}

#[test]
fn a_load_names_the_row_that_can_not_be() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    let mut rows = hosts(0..5);
    rows[3].label = "T-1".into();
    let (index, refusal) = refused(p.load_hosts(&act, "x", LoadMode::Add, &rows));
    assert_eq!(index, Some(3));
    assert_eq!(
        refusal,
        Refusal::DuplicateInBatch {
            what: What::Hosts,
            label: "T-1".into(),
            first: 1
        }
    );
    rows[3].label = "T-3".into();
    for (spoil, word) in [
        (
            Position {
                lat: f64::NAN,
                lon: 0.0,
            },
            "latitude",
        ),
        (Position { lat: 0.0, lon: 181.0 }, "longitude"),
    ] {
        rows[2].position = spoil;
        let error = p.load_hosts(&act, "x", LoadMode::Add, &rows).unwrap_err();
        assert_eq!(error.index(), Some(2));
        assert!(
            error.to_string().starts_with("record 3: ") && error.to_string().contains(word),
            "{error}"
        );
    }
    let hot = earlywood_model::record::WeatherDay {
        tmin_c: 20.0,
        ..weather("Alder", day(1, 2))
    };
    let late = weather("Alder", day(11, 21));
    assert_eq!(
        refused(p.load_weather(&act, "x", LoadMode::Add, &[weather("Alder", day(1, 1)), hot])).0,
        Some(1)
    );
    let (index, refusal) =
        refused(p.load_weather(&act, "x", LoadMode::Add, &[weather("Alder", day(11, 20)), late]));
    assert_eq!(index, Some(1));
    let (date, today) = (day(11, 21), day(11, 20));
    assert_eq!(
        refusal,
        Refusal::FutureDate {
            field: "date",
            date,
            today
        }
    );
    assert_eq!(
        refused(p.load_hosts(&act, "x", LoadMode::Add, &[])).1,
        Refusal::NothingToLoad
    );
    assert_eq!(whole_log(&p).len(), 1, "a refused load must leave nothing");
}

#[test]
fn adding_refuses_known_labels_and_replacing_takes_the_set_s_place() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    p.load_hosts(&act, "a", LoadMode::Add, &hosts(0..3)).unwrap();
    p.load_hosts(&act, "b", LoadMode::Add, &hosts(3..5)).unwrap();
    let (index, refusal) = refused(p.load_hosts(&act, "c", LoadMode::Add, &[host("new"), host("T-4")]));
    assert_eq!(index, Some(1));
    assert_eq!(
        refusal,
        Refusal::DuplicateInProgramme {
            what: What::Hosts,
            label: "T-4".into()
        }
    );
    assert_eq!(p.hosts().unwrap(), hosts(0..5));
    p.load_hosts(&act, "d", LoadMode::Replace, &hosts(4..6)).unwrap();
    assert_eq!(p.hosts().unwrap(), hosts(4..6));
    // The same records again: the same chunk, stored once, counted once.
    p.load_hosts(&act, "d", LoadMode::Replace, &hosts(4..6)).unwrap();
    assert_eq!(p.hosts().unwrap(), hosts(4..6));
    p.load_places(&act, "e", LoadMode::Add, &[place("P")]).unwrap();
    assert_eq!(
        refused(p.load_places(&act, "e", LoadMode::Add, &[place("Q"), place("P")])).0,
        Some(1)
    );
    p.load_places(&act, "e", LoadMode::Replace, &[]).unwrap();
    assert_eq!(p.places().unwrap(), []);
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn replacing_weather_leaves_other_stations_alone() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    let both = [
        weather("Alder", day(1, 1)),
        weather("Alder", day(1, 2)),
        weather("Creek", day(1, 1)),
    ];
    p.load_weather(&act, "a", LoadMode::Add, &both).unwrap();
    assert_eq!(
        refused(p.load_weather(&act, "b", LoadMode::Add, &[weather("Alder", day(1, 2))])).0,
        Some(0)
    );
    p.load_weather(&act, "b", LoadMode::Replace, &[weather("Alder", day(1, 3))])
        .unwrap();
    assert_eq!(
        p.weather(None).unwrap(),
        [weather("Alder", day(1, 3)), weather("Creek", day(1, 1))]
    );
}

#[test]
fn visits_fall_on_days_on_which_the_trap_hangs() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    p.record_placements(&act, &[placement("A", day(4, 10), None)])
        .unwrap();
    let cases = [
        (visit("Z", day(5, 1)), Refusal::UnknownTrap("Z".into())),
        (
            visit("A", day(4, 9)),
            Refusal::BeforeHung {
                trap: "A".into(),
                date: day(4, 9),
                hung: day(4, 10),
            },
        ),
        (
            visit("A", day(11, 21)),
            Refusal::FutureDate {
                field: "date",
                date: day(11, 21),
                today: day(11, 20),
            },
        ),
    ];
    for (bad, expected) in cases {
        let (index, refusal) = refused(p.record_visits(&act, &[visit("A", day(5, 2)), bad]));
        assert_eq!((index, refusal), (Some(1), expected));
    }
    let unsure = Visit {
        looked: Looked::No,
        ..visit("A", day(5, 1))
    };
    assert!(matches!(
        refused(p.record_visits(&act, &[unsure])).1,
        Refusal::Field { .. }
    ));
    assert_eq!(p.visits().unwrap(), [], "all or none");

    p.record_visits(&act, &[visit("A", day(4, 10)), visit("A", day(11, 20))])
        .unwrap();
    let (index, refusal) = refused(p.record_visits(&act, &[visit("A", day(4, 10))]));
    assert_eq!(
        (index, refusal),
        (
            Some(0),
            Refusal::SameVisit {
                trap: "A".into(),
                date: day(4, 10)
            }
        )
    );
    let could_not_look = Visit {
        found: TrapFound::NotReached,
        looked: Looked::No,
        suspects: None,
        exception: Some("gate locked".into()),
        ..visit("A", day(4, 10))
    };
    p.record_visits(&act, std::slice::from_ref(&could_not_look))
        .unwrap();
    assert_eq!(p.visits().unwrap()[1], could_not_look);
    assert_eq!(p.visits().unwrap()[1].suspects, None);
}

#[test]
fn a_take_down_that_did_not_reach_the_trap_leaves_it_hanging() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    p.record_placements(&act, &[placement("A", day(4, 1), None)])
        .unwrap();
    let locked = Visit {
        found: TrapFound::NotReached,
        looked: Looked::No,
        suspects: None,
        ..take_down_visit("A", day(6, 1))
    };
    p.record_visits(&act, &[locked, visit("A", day(6, 8))]).unwrap();
    assert_eq!(p.placements().unwrap()[0].taken_down, None);
}

#[test]
fn a_take_down_visit_takes_the_trap_down() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    p.record_placements(&act, &[placement("A", day(4, 1), None)])
        .unwrap();
    let rows = [take_down_visit("A", day(6, 1)), visit("A", day(5, 1))];
    assert_eq!(p.record_visits(&act, &rows).unwrap().len(), 2);
    assert_eq!(p.placements().unwrap()[0].taken_down, Some(day(6, 1)));
    let kinds: Vec<_> = whole_log(&p).into_iter().map(|e| e.kind).collect();
    assert_eq!(kinds[2..], ["visit-made", "trap-taken-down", "visit-made"]);
    let (_, refusal) = refused(p.record_visits(&act, &[visit("A", day(6, 2))]));
    assert_eq!(
        refusal,
        Refusal::AfterTakeDown {
            trap: "A".into(),
            date: day(6, 2),
            taken_down: day(6, 1)
        }
    );
    let (_, refusal) = refused(p.take_down(&act, down("A", day(6, 3))));
    assert_eq!(
        refusal,
        Refusal::DownAlready {
            trap: "A".into(),
            taken_down: day(6, 1)
        }
    );
    // A take-down dated before a visit that stands contradicts it.
    p.record_placements(&act, &[placement("A", day(6, 1), None)])
        .unwrap();
    p.record_visits(&act, &[visit("A", day(7, 1))]).unwrap();
    let (index, refusal) = refused(p.record_visits(&act, &[take_down_visit("A", day(6, 20))]));
    assert_eq!(index, Some(0));
    assert_eq!(
        refusal,
        Refusal::StillNeeded {
            trap: "A".into(),
            what: "visit",
            date: day(7, 1)
        }
    );
}

#[test]
fn one_trap_hangs_once_at_a_time() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    let first = placement("A", day(4, 1), Some(day(5, 1)));
    let second = placement("A", day(5, 1), None);
    p.record_placements(&act, &[first.clone(), second.clone()])
        .unwrap();
    let clashes: [Placement; 4] = [
        placement("A", day(4, 30), Some(day(5, 2))),
        placement("A", day(3, 1), None),
        placement("A", day(6, 1), Some(day(6, 2))),
        placement("A", day(3, 1), Some(day(4, 2))),
    ];
    for clash in clashes {
        assert!(matches!(
            refused(p.record_placements(&act, &[placement("B", day(4, 1), None), clash])),
            (Some(1), Refusal::HangsAlready { .. })
        ));
    }
    p.record_placements(&act, &[placement("A", day(3, 1), Some(day(4, 1)))])
        .unwrap();
    let reversed = placement("C", day(4, 2), Some(day(4, 1)));
    assert!(matches!(
        refused(p.record_placements(&act, &[reversed])).1,
        Refusal::DatesReversed { .. }
    ));
    let bare = Placement {
        targets: vec![],
        ..placement("C", day(4, 2), None)
    };
    assert!(matches!(
        refused(p.record_placements(&act, &[bare])).1,
        Refusal::Field { field: "targets", .. }
    ));
    let hung: Vec<_> = p.placements().unwrap().iter().map(|p| p.hung).collect();
    assert_eq!(hung, [day(3, 1), day(4, 1), day(5, 1)]);
}

#[test]
fn corrections_replace_or_withdraw_and_keep_what_was_said() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    let hung = p
        .record_placements(&act, &[placement("A", day(4, 1), None)])
        .unwrap()[0];
    let wrong = p.record_visits(&act, &[visit("A", day(5, 1))]).unwrap()[0];
    let right = Visit {
        suspects: Some(3),
        ..visit("A", day(5, 2))
    };
    let change = Change::Visit { visit: right.clone() };
    let correction = Correction {
        corrects: wrong.id,
        reason: "wrong day".into(),
        change,
    };
    let by = p.correct(&act, correction.clone()).unwrap();
    let shown = p.recorded_visits().unwrap();
    assert_eq!(
        (&shown[0].value, shown[0].entry, shown[0].corrected_by),
        (&right, wrong.id, Some(by.id))
    );
    assert_eq!(
        p.entry(wrong.id).unwrap().unwrap().body().unwrap(),
        Body::VisitMade(VisitMade::from_visit(&visit("A", day(5, 1))))
    );

    let nowhere = Correction {
        change: Change::Visit {
            visit: visit("A", day(3, 1)),
        },
        ..correction.clone()
    };
    assert!(matches!(
        refused(p.correct(&act, nowhere)).1,
        Refusal::BeforeHung { .. }
    ));
    let no_reason = Correction {
        reason: " ".into(),
        ..correction.clone()
    };
    assert!(matches!(
        refused(p.correct(&act, no_reason)).1,
        Refusal::Field { field: "reason", .. }
    ));
    for (entry, rule) in [
        (by.id, "name the entry"),
        (whole_log(&p)[0].id, "can't be corrected"),
    ] {
        let (_, refusal) = refused(p.correct(&act, withdraw(entry)));
        assert!(refusal.to_string().contains(rule), "{refusal}");
    }
    let not_a_visit = Correction {
        corrects: hung.id,
        ..correction.clone()
    };
    assert!(matches!(
        refused(p.correct(&act, not_a_visit)).1,
        Refusal::NotCorrectable { .. }
    ));
    assert_eq!(
        refused(p.correct(&act, withdraw(p.id().unwrap()))).1,
        Refusal::UnknownEntry(p.id().unwrap())
    );

    let (_, refusal) = refused(p.correct(&act, withdraw(hung.id)));
    assert_eq!(
        refusal,
        Refusal::StillNeeded {
            trap: "A".into(),
            what: "visit",
            date: day(5, 2)
        }
    );
    let by = p.correct(&act, withdraw(wrong.id)).unwrap();
    assert_eq!(p.visits().unwrap(), []);
    assert_eq!(
        refused(p.correct(&act, correction)).1,
        Refusal::Withdrawn {
            entry: wrong.id,
            by: by.id
        }
    );
    p.correct(&act, withdraw(hung.id)).unwrap();
    assert_eq!(p.placements().unwrap(), []);
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn a_withdrawn_take_down_lets_the_trap_hang_again_unless_it_hangs_elsewhere() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    p.record_placements(&act, &[placement("A", day(4, 1), None)])
        .unwrap();
    let first = p.take_down(&act, down("A", day(5, 1))).unwrap();
    p.correct(&act, withdraw(first.id)).unwrap();
    assert_eq!(p.placements().unwrap()[0].taken_down, None);
    let second = p.take_down(&act, down("A", day(6, 1))).unwrap();
    p.record_placements(&act, &[placement("A", day(7, 1), None)])
        .unwrap();
    assert!(matches!(
        refused(p.correct(&act, withdraw(second.id))).1,
        Refusal::HangsAlready { .. }
    ));
    assert_eq!(p.placements().unwrap()[0].taken_down, Some(day(6, 1)));
}

#[test]
fn targets_plans_and_determinations() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    let plan = Plan {
        target: "emerald-ash-borer".into(),
        places: vec![place("P-1"), place("P-2")],
        objective: 0.449,
        bound: Some(0.4571),
        settings: serde_json::json!({"traps": 2, "spacing_m": 200.5, "seed": "18446744073709551615"}),
        reason: "first plan".into(),
    };
    assert_eq!(
        refused(p.adopt_plan(&act, plan.clone())).1,
        Refusal::UnknownTarget("emerald-ash-borer".into())
    );
    assert!(matches!(
        refused(p.adopt_target(&act, "id = 3")).1,
        Refusal::Profile(_)
    ));
    let toml = profile_toml();
    p.adopt_target(&act, &toml).unwrap();
    let profiles = p.profiles().unwrap();
    assert_eq!(
        (profiles[0].profile.id.as_str(), &profiles[0].toml),
        ("emerald-ash-borer", &toml)
    );
    p.adopt_target(&act, &format!("{toml}\n# revised\n")).unwrap();
    assert!(p.profiles().unwrap()[0].toml.ends_with("# revised\n"));
    assert_eq!(p.profiles().unwrap().len(), 1);

    let adopted = p.adopt_plan(&act, plan.clone()).unwrap();
    assert_eq!(p.plans().unwrap()[0].value, plan);
    let infinite = Plan {
        bound: Some(f64::INFINITY),
        ..plan.clone()
    };
    assert!(matches!(
        refused(p.adopt_plan(&act, infinite)).1,
        Refusal::Field { field: "bound", .. }
    ));
    let twice = Plan {
        places: vec![place("P"), place("P")],
        ..plan.clone()
    };
    assert!(matches!(
        refused(p.adopt_plan(&act, twice)).1,
        Refusal::Field { field: "place", .. }
    ));
    let seed = Plan {
        settings: serde_json::json!({"seed": u64::MAX}),
        ..plan
    };
    assert!(matches!(p.adopt_plan(&act, seed), Err(Error::Body { .. })));
    p.correct(&act, withdraw(adopted.id)).unwrap();
    assert_eq!(p.plans().unwrap(), []);

    assert_eq!(
        refused(p.determine(&act, determination("A", day(5, 1)))).1,
        Refusal::UnknownTrap("A".into())
    );
    p.record_placements(&act, &[placement("A", day(4, 1), Some(day(6, 1)))])
        .unwrap();
    p.determine(&act, determination("A", day(6, 1))).unwrap();
    assert!(matches!(
        refused(p.determine(&act, determination("A", day(6, 2)))).1,
        Refusal::AfterTakeDown { .. }
    ));
    assert_eq!(
        p.determinations().unwrap()[0].value,
        determination("A", day(6, 1))
    );
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn unknown_kinds_are_kept_reported_and_harmless() {
    let (_dir, path, mut p) = new_programme();
    let act = act();
    let other = |kind: &str, version| {
        Body::Other(Other {
            kind: kind.into(),
            version,
            body: serde_json::json!({"b": 1, "a": [null]}),
        })
    };
    p.append(&act, other("trap-painted", 1)).unwrap();
    let draft = Draft {
        event_time: Some("2026-11-19T07:00:00+05:45".into()),
        body: other("visit-made", 3),
    };
    p.append(&act, draft).unwrap();
    p.append(&act, other("visit-made", 3)).unwrap();
    assert!(matches!(
        refused(p.append(&act, other("visit-made", 2))).1,
        Refusal::Kind { .. }
    ));
    assert!(matches!(
        refused(p.append(&act, other("Bad Kind", 1))).1,
        Refusal::Field { .. }
    ));
    drop(p);
    let mut p = Programme::open(&path).unwrap();
    p.rebuild().unwrap();
    let seen = p.verify().unwrap();
    assert!(seen.is_sound());
    let unknown: Vec<_> = seen
        .unknown
        .iter()
        .map(|u| (u.kind.as_str(), u.version, u.entries))
        .collect();
    assert_eq!(unknown, [("trap-painted", 1, 1), ("visit-made", 3, 2)]);
    let log = p
        .log(&LogFilter {
            kind: Some("visit-made".into()),
            ..LogFilter::default()
        })
        .unwrap();
    assert_eq!(log[0].event_time, "2026-11-19T07:00:00+05:45");
    assert_eq!(log[0].body_text, r#"{"a":[null],"b":1}"#);
    let last = p
        .log(&LogFilter {
            last: Some(2),
            ..LogFilter::default()
        })
        .unwrap();
    assert_eq!(last.iter().map(|e| e.number).collect::<Vec<_>>(), [3, 4]);
    let from = p
        .log(&LogFilter {
            from_number: Some(4),
            ..LogFilter::default()
        })
        .unwrap();
    assert_eq!(from.iter().map(|e| e.number).collect::<Vec<_>>(), [4]);
}

#[test]
fn batches_are_all_or_none_and_name_the_draft() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    let drafts = [
        Draft::from(Body::TrapPlaced(placement("A", day(4, 1), None))),
        Draft::from(Body::VisitMade(VisitMade::from_visit(&visit("A", day(5, 1))))),
        Draft::from(Body::TrapTakenDown(down("A", day(6, 1)))),
        Draft::from(Body::TrapPlaced(placement("A", day(6, 1), None))),
    ];
    let late = Draft {
        event_time: Some("2026-11-20T12:00:01-08:00".into()),
        ..drafts[1].clone()
    };
    let mut spoilt = drafts.to_vec();
    spoilt[1] = late;
    let (index, refusal) = refused(p.append_all(&act, &spoilt));
    assert_eq!(index, Some(1));
    assert!(matches!(refusal, Refusal::FutureTime { .. }));
    assert_eq!(whole_log(&p).len(), 1);
    let receipts = p.append_all(&act, &drafts).unwrap();
    assert_eq!(
        receipts.iter().map(|r| r.number).collect::<Vec<_>>(),
        [2, 3, 4, 5]
    );
    let log = whole_log(&p);
    for (receipt, pair) in receipts.iter().zip(log.windows(2)) {
        assert_eq!(pair[1].previous, Some(pair[0].hash));
        assert_eq!((pair[1].id, pair[1].hash), (receipt.id, receipt.hash));
    }
    assert!(
        receipts.is_sorted_by_key(|r| r.id),
        "ids of one process sort by the order made"
    );
    // The journal itself writes these.
    assert!(matches!(
        refused(p.append(&act, log[0].body().unwrap())).1,
        Refusal::Kind { .. }
    ));
}

#[test]
fn the_database_itself_refuses_to_change_the_journal() {
    let (_dir, path, mut p) = new_programme();
    furnish(&mut p);
    drop(p);
    let db = Connection::open(&path).unwrap();
    for sql in [
        "UPDATE entries SET person = 'x'",
        "UPDATE entries SET signature = x'00' WHERE number = 1",
        "DELETE FROM entries WHERE number = 3",
        "INSERT OR REPLACE INTO entries SELECT * FROM entries WHERE number = 2",
        "REPLACE INTO entries (device, number, id, event_time, recorded_time, person, kind, body_version, body, hash)
            SELECT device, 99, id, event_time, recorded_time, 'x', kind, body_version, body, hash FROM entries",
        "UPDATE contents SET length = 0",
        "DELETE FROM contents",
        "INSERT OR REPLACE INTO contents SELECT hash, 0, x'' FROM contents",
    ] {
        let error = db.execute(sql, []).unwrap_err().to_string();
        assert!(error.contains("are never"), "{sql}: {error}");
    }
    drop(db);
    assert!(Programme::open(&path).unwrap().verify().unwrap().is_sound());
}

#[test]
fn a_backup_is_the_same_programme_and_never_overwrites() {
    let (dir, path, mut p) = new_programme();
    furnish(&mut p);
    let to = dir.path().join("backup.earlywood");
    let seen = p.backup(&to).unwrap();
    assert_eq!(seen, p.verify().unwrap());
    let copy = Programme::open(&to).unwrap();
    assert_eq!(everything(&copy).unwrap(), everything(&p).unwrap());
    assert!(matches!(p.backup(&to), Err(Error::AlreadyExists { .. })));
    assert!(matches!(p.backup(&path), Err(Error::AlreadyExists { .. })));
    // A projection that lies is no reason to copy the lie.
    Connection::open(&path)
        .unwrap()
        .execute(
            "UPDATE facts SET subject = 'trap:B' WHERE kind = 'visit-made'",
            [],
        )
        .unwrap();
    let other = dir.path().join("other.earlywood");
    assert!(matches!(p.backup(&other), Err(Error::Damaged(_))));
    assert!(!other.exists());
    p.rebuild().unwrap();
    p.backup(&other).unwrap();
}

#[test]
fn times_are_kept_as_given_and_hashes_differ() {
    let (_dir, _path, mut p) = new_programme();
    furnish(&mut p);
    let log = whole_log(&p);
    let mut hashes: Vec<Hash> = log.iter().map(|e| e.hash).collect();
    hashes.sort();
    hashes.dedup();
    assert_eq!(hashes.len(), log.len());
    let hung = log.iter().find(|e| e.kind == "trap-placed").unwrap();
    assert_eq!(hung.event_time, "2026-04-01T00:00:00-08:00");
}
