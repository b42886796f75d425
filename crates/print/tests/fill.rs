//! From a programme to paper: what was adopted is what is printed, and the month's figures are the journal's.

#![allow(clippy::unwrap_used)]

use earlywood_chain::rounds::sheet::COLUMNS;
use earlywood_journal::body::{Cause, HoldScope, Material, Origin};
use earlywood_journal::{
    Act, Body, CrewFormed, HoldDeclared, LeftOut, Limit, Limits, LoadMode, PersonEnrolled, Plan,
    PlannedRound, PlannedStop, Programme, Role, RoundsAdopted, SpecimenTaken, SpecimensOffered,
};
use earlywood_model::record::{
    Access, Area, Oneway, Place, Placement, Position, Road, RoadClass, Shift, Skill, Zone,
};
use earlywood_print::fill::{forms, month, sheets};
use earlywood_print::sheet::{FIELDS, round_sheets};
use earlywood_print::stock::Paper;
use jiff::civil::{Date, date, time};

const TARGET: &str = "emerald-ash-borer";
const DAY: Date = date(2026, 6, 4);
const STOPS: usize = 24;

struct Site {
    _folder: tempfile::TempDir,
    programme: Programme,
    act: Act,
}

fn at(n: usize) -> Position {
    let (row, column) = ((n / 6) as f64, (n % 6) as f64);
    Position {
        lat: 34.0 + 0.01 * row,
        lon: -100.0 + 0.01 * column,
    }
}

fn square(west: f64, east: f64) -> Area {
    Area(vec![vec![vec![
        [west, 33.99],
        [east, 33.99],
        [east, 34.06],
        [west, 34.06],
        [west, 33.99],
    ]]])
}

fn round(sheet: &str, crew: &str, stops: std::ops::Range<usize>) -> PlannedRound {
    let minute = |n: i64| time(7, 30, 0, 0).saturating_add(jiff::SignedDuration::from_mins(n));
    PlannedRound {
        sheet: sheet.into(),
        crew: crew.into(),
        date: DAY,
        starts: time(7, 0, 0, 0),
        ends: time(15, 0, 0, 0),
        drive_minutes: 90.0,
        work_minutes: 120.0,
        break_minutes: 30,
        break_at: Some(time(11, 30, 0, 0)),
        km: Some(31.0),
        stops: (0..)
            .zip(stops)
            .map(|(k, n)| PlannedStop {
                trap: format!("T{n:02}"),
                place: format!("P{n:02}"),
                position: at(n),
                arrive: minute(12 * k),
                leave: minute(12 * k + 6),
                drive_minutes: 6.0,
                what: vec!["look".into()],
            })
            .collect(),
    }
}

impl Site {
    fn new() -> Site {
        let folder = tempfile::tempdir().unwrap();
        let act = Act::new("lead", "2026-06-03T17:00:00-06:00[-06:00]".parse().unwrap()).unwrap();
        let mut programme =
            Programme::create(&folder.path().join("p.earlywood"), "Invented ground", &act).unwrap();
        let zone = |label: &str, west, east| Zone {
            label: label.into(),
            area: square(west, east),
        };
        programme
            .load(
                &act,
                "zones",
                LoadMode::Add,
                &[zone("West", -100.005, -99.975), zone("East", -99.975, -99.94)],
            )
            .unwrap();
        let placements: Vec<Placement> = (0..STOPS)
            .map(|n| Placement {
                trap: format!("T{n:02}"),
                place: format!("P{n:02}"),
                position: at(n),
                targets: vec![TARGET.into()],
                hung: date(2026, 5, 1),
                taken_down: None,
            })
            .collect();
        programme.record_placements(&act, &placements).unwrap();
        Site {
            _folder: folder,
            programme,
            act,
        }
    }

    fn append(&mut self, body: Body) {
        self.programme.append(&self.act, body).unwrap();
    }

    fn load<T: earlywood_journal::Bulk>(&mut self, rows: &[T]) {
        self.programme
            .load(&self.act, "test", LoadMode::Add, rows)
            .unwrap();
    }

    /// Two crews' rounds, with what their sheets need to know.
    fn with_rounds() -> Site {
        let mut site = Site::new();
        site.load(&[
            Access {
                label: "P00".into(),
                directions: Some("Detrás del molino, junto al arroyo".into()),
                cautions: vec!["dog".into()],
                opens: Some(time(7, 0, 0, 0)),
                closes: Some(time(16, 0, 0, 0)),
                needs: vec![Skill::TwoPeople],
                ..Access::default()
            },
            Access {
                label: "P01".into(),
                permit: Some("consent".into()),
                permit_to: Some(date(2026, 5, 31)),
                ..Access::default()
            },
        ]);
        site.load(&[Shift {
            label: "crew-1".into(),
            depot: at(7),
            end: None,
            starts: time(7, 0, 0, 0),
            ends: time(15, 0, 0, 0),
            break_minutes: 30,
            break_from: None,
            break_to: None,
            days: Vec::new(),
            from: None,
            to: None,
            skills: Vec::new(),
        }]);
        let road = |label: &str, lat: f64| Road {
            label: label.into(),
            class: RoadClass::Primary,
            oneway: Oneway::Both,
            speed_kmh: None,
            name: None,
            nodes: vec![1, 2],
            line: vec![[-100.0, lat], [-99.95, lat]],
        };
        site.load(&[road("near", 34.01), road("far", 36.0)]);
        for (crew, person) in [("crew-1", "insp-1"), ("crew-2", "insp-2")] {
            site.append(Body::PersonEnrolled(PersonEnrolled {
                person: person.into(),
                roles: vec![Role::Inspector],
                from: date(2026, 1, 1),
                to: None,
            }));
            site.append(Body::CrewFormed(CrewFormed {
                crew: crew.into(),
                people: vec![person.into()],
                from: date(2026, 5, 1),
                to: None,
            }));
        }
        site.append(Body::HoldDeclared(HoldDeclared {
            hold: "H-1".into(),
            cause: Cause::Hunting,
            scope: HoldScope::Zones(vec!["East".into()]),
            from: date(2026, 6, 1),
            to: None,
            note: None,
        }));
        site.append(Body::RoundsAdopted(RoundsAdopted {
            from: DAY,
            to: DAY,
            rounds: vec![round("K7QF", "crew-2", 12..STOPS), round("D3RX", "crew-1", 0..12)],
            left_out: vec![LeftOut {
                trap: "T99".into(),
                place: "P99".into(),
                reason: "no crew has time for it".into(),
                worth: Some(0.01),
                last_day: Some(date(2026, 6, 9)),
            }],
            settings: serde_json::json!({}),
            reason: "test".into(),
        }));
        site
    }
}

fn asked() -> sheets::Asked {
    sheets::Asked {
        from: DAY,
        to: DAY,
        crew: None,
        sheet: None,
        paper: Paper::Letter,
        call: None,
        invented: None,
    }
}

#[test]
fn what_was_adopted_is_what_is_printed() {
    let site = Site::with_rounds();
    let printed = sheets::sheets(&site.programme, &asked()).unwrap();
    let crews: Vec<&str> = printed.rounds.iter().map(|r| r.crew.as_str()).collect();
    assert_eq!(crews, ["crew-1", "crew-2"]);
    let mut traps: Vec<&str> = printed
        .rounds
        .iter()
        .flat_map(|r| &r.stops)
        .map(|s| s.trap.as_str())
        .collect();
    traps.sort_unstable();
    let all: Vec<String> = (0..STOPS).map(|n| format!("T{n:02}")).collect();
    assert_eq!(traps, all);
    let first = &printed.rounds[0];
    assert_eq!((first.sheet.as_str(), first.stops.len()), ("D3RX", 12));
    assert_eq!(first.people, ["insp-1"]);
    assert_eq!(first.left_out[0].trap, "T99");
    assert!(
        first.notes[0].contains("hunting") && first.notes[0].contains("East"),
        "{}",
        first.notes[0]
    );
    assert_eq!(first.map.depot, Some(at(7)));
    assert_eq!(first.map.roads.len(), 1);
    assert!(printed.rounds[1].map.depot.is_none());
    let made = DAY.at(6, 0, 0, 0);
    assert_eq!(
        round_sheets(&printed, made).unwrap(),
        round_sheets(&printed, made).unwrap()
    );
}

#[test]
fn a_crew_reads_what_it_must_know_of_a_place() {
    let site = Site::with_rounds();
    let printed = sheets::sheets(&site.programme, &asked()).unwrap();
    let [gate, ended, plain, ..] = printed.rounds[0].stops.as_slice() else {
        panic!("too few stops")
    };
    assert_eq!(gate.cautions, ["dog"]);
    assert_eq!(
        gate.directions.as_deref(),
        Some("Detrás del molino, junto al arroyo")
    );
    assert_eq!(gate.needs, ["two people"]);
    assert_eq!(gate.entry, ["gate open 07:00–16:00"]);
    assert!(
        ended.cautions[0].contains("ended on 2026-05-31"),
        "{:?}",
        ended.cautions
    );
    assert!(plain.cautions.is_empty() && plain.entry.is_empty());
}

#[test]
fn one_crew_or_one_sheet_can_be_asked_for_and_what_is_not_there_is_said() {
    let site = Site::with_rounds();
    let one = |crew: Option<&str>, sheet: Option<&str>, from: Date| {
        let asked = sheets::Asked {
            crew: crew.map(Into::into),
            sheet: sheet.map(Into::into),
            from,
            to: from,
            ..asked()
        };
        sheets::sheets(&site.programme, &asked)
            .map(|s| s.rounds.into_iter().map(|r| r.sheet).collect::<Vec<_>>())
            .map_err(|e| e.to_string())
    };
    assert_eq!(one(Some("crew-2"), None, DAY).unwrap(), ["K7QF"]);
    let why = one(Some("crew-9"), None, DAY).unwrap_err();
    assert!(why.contains("crew-9"), "{why}");
    let why = one(None, None, date(2026, 7, 1)).unwrap_err();
    assert!(why.contains("2026-07-01"), "{why}");
    assert!(one(None, Some("not a code"), DAY).is_err());
}

#[test]
fn the_form_is_the_one_that_is_typed_in() {
    assert_eq!(FIELDS, COLUMNS);
}

#[test]
fn a_custody_form_says_what_the_hand_over_said() {
    let mut site = Site::with_rounds();
    site.append(Body::SpecimenTaken(SpecimenTaken {
        specimen: "S-1".into(),
        what: Material::Insect,
        from: Origin::Other {
            words: "a window sill".into(),
            position: None,
        },
        count: Some(1),
        container: None,
        kept_in: None,
        suspected: None,
        note: None,
        photos: Vec::new(),
    }));
    site.append(Body::SpecimensOffered(SpecimensOffered {
        handover: "HO-1".into(),
        specimens: vec!["S-1".into()],
        from: "lead".into(),
        to: "insp-1".into(),
        place: Some("the bench".into()),
        seal: None,
        seal_intact: None,
        condition: None,
        purpose: "a name".into(),
        containers: 1,
    }));
    let form = |handover: &str, purpose: Option<&str>| {
        let asked = forms::CustodyAsked {
            handover: Some(handover.into()),
            purpose: purpose.map(Into::into),
            ..forms::CustodyAsked::default()
        };
        forms::custody(&site.programme, &asked, date(2026, 6, 3).at(17, 0, 0, 0))
    };
    let filled = form("HO-1", None).unwrap();
    assert_eq!(filled.purpose.as_deref(), Some("a name"));
    assert_eq!(filled.place.as_deref(), Some("the bench"));
    assert_eq!(filled.to.as_deref(), Some("insp-1"));
    // What is asked for goes before what was recorded.
    let other = form("HO-1", Some("a second look")).unwrap();
    assert_eq!(other.purpose.as_deref(), Some("a second look"));
    assert!(form("HO-2", None).unwrap_err().to_string().contains("HO-2"));
}

fn month_asked() -> month::Asked {
    month::Asked {
        from: date(2026, 5, 1),
        to: date(2026, 5, 31),
        limits: Limits {
            look: Some(Limit {
                warn_days: 14,
                fail_days: 21,
            }),
            ..Limits::default()
        },
        paper: Paper::A4,
        partner: None,
        prepared_by: None,
        narrative: Vec::new(),
        miles: None,
        invented: None,
    }
}

#[test]
fn the_months_figures_are_the_journals_and_its_areas_sum_to_them() {
    let mut site = Site::new();
    // A plan of thirty places: the traps' own, and six more.
    let places: Vec<Place> = (0..30)
        .map(|n| Place {
            label: format!("P{n:02}"),
            position: at(n),
            cost: 1.0,
            kept: false,
            forbidden: false,
        })
        .collect();
    let earlier = Act::new("lead", "2026-04-20T09:00:00-06:00[-06:00]".parse().unwrap()).unwrap();
    let plan = Plan {
        target: TARGET.into(),
        places,
        objective: 0.5,
        bound: None,
        settings: serde_json::json!({}),
        reason: "test".into(),
    };
    let profile = include_str!("../../../targets/emerald-ash-borer.toml");
    site.programme.adopt_target(&earlier, profile).unwrap();
    site.programme.adopt_plan(&earlier, plan).unwrap();
    let asked = month_asked();
    let report = month::month(&site.programme, &asked).unwrap();
    assert_eq!(
        report.figures,
        site.programme.month(asked.from, asked.to, &asked.limits).unwrap()
    );
    let figures = &report.figures.targets[0];
    assert_eq!((figures.required, figures.out_at_end), (Some(30), 24));
    let required: u64 = report.areas.iter().filter_map(|a| a.required).sum();
    let deployed: u64 = report.areas.iter().map(|a| a.deployed).sum();
    assert_eq!((required, deployed), (30, 24));
    assert!(report.areas.iter().any(|a| a.area == "West"));
    assert!(report.figures.stops.due > 0 && report.figures.stops.on_time == 0);
    assert!(report.planned_km.is_none());
}

#[test]
fn planned_kilometres_are_those_of_the_rounds_that_hold() {
    let site = Site::with_rounds();
    let asked = month::Asked {
        from: date(2026, 6, 1),
        to: date(2026, 6, 30),
        ..month_asked()
    };
    let report = month::month(&site.programme, &asked).unwrap();
    assert_eq!(report.planned_km, Some(62.0));
    assert_eq!(report.holds.len(), 1);
}
