//! From a journal with looks at trees, a detection tree and tips to assurance.
#![allow(clippy::unwrap_used)]

use earlywood_chain::assure::{Asked, Question};
use earlywood_chain::ground::{Ground, GroundOptions};
use earlywood_journal::{Act, Body, Draft, LoadMode, Programme};
use earlywood_model::assurance::{Assurance, ComponentKind};
use earlywood_model::profile::{TargetProfile, by_id};
use earlywood_model::record::{Host, HostCondition, Position};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use serde_json::{Value, json};
use tempfile::TempDir;

use crate::common::{created, lead};

const ON: Date = date(2026, 10, 30);

fn act() -> Act {
    lead("2026-11-20T06:00:00")
}

fn weather() -> Series {
    let days = (0..731).map(|n| {
        let mean = 12.0 - 11.0 * (std::f64::consts::TAU * f64::from(n - 20) / 365.25).cos();
        DailyTemp {
            date: date(2025, 1, 1) + n.days(),
            tmin_c: mean - 6.0,
            tmax_c: mean + 6.0,
        }
    });
    Series::new(days.collect()).unwrap()
}

fn at(n: u32) -> Position {
    Position {
        lat: 45.0,
        lon: 7.0 + f64::from(n) * 1e-3,
    }
}

/// Five ash trees, 80 m apart, and what is recorded of them.
fn programme(bodies: &[(&str, Value)]) -> (TempDir, Programme) {
    let (dir, mut programme) = created(&act());
    let hosts: Vec<Host> = (0..5)
        .map(|n| Host {
            label: format!("H-{n}"),
            species: "Fraxinus excelsior".into(),
            position: at(n),
            dbh_cm: None,
            condition: HostCondition::Unknown,
        })
        .collect();
    programme
        .load_hosts(&act(), "a.csv", LoadMode::Add, &hosts)
        .unwrap();
    for (kind, body) in bodies {
        let body = Body::read_strict(kind, 1, &body.to_string()).unwrap();
        programme
            .append(
                &act(),
                Draft {
                    event_time: None,
                    body,
                },
            )
            .unwrap();
    }
    (dir, programme)
}

fn ask(programme: &Programme, profile: TargetProfile) -> Assurance {
    let ground = Ground::of(programme, profile, GroundOptions::default()).unwrap();
    let asked = Asked {
        on: ON,
        draws: 20,
        seed: 1,
    };
    let question = Question::of(programme, &ground, &weather(), asked, &mut Vec::new()).unwrap();
    question.answer(&ground).unwrap()
}

fn ash_borer() -> TargetProfile {
    by_id("emerald-ash-borer").unwrap().clone()
}

fn look(n: u32, none_found: bool) -> (&'static str, Value) {
    let mut body = json!({"tree": format!("TAG-{n}"), "host": format!("H-{n}"), "species": "Fraxinus excelsior",
        "species_sure": "sure", "date": "2026-03-10", "from": "ground", "parts": ["upper-trunk", "branches", "canopy"],
        "looked": "fully", "leaf": "leafless", "none_found": none_found});
    if !none_found {
        body["signs"] = json!([{"sign": "hole"}]);
    }
    ("tree-inspected", body)
}

#[test]
fn looks_that_showed_nothing_count_and_others_do_not() {
    let mut could_not = look(2, true);
    could_not.1 = json!({"tree": "TAG-2", "host": "H-2", "species_sure": "unknown", "date": "2026-03-10", "from": "ground",
        "looked": "no", "why_not": "locked gate", "leaf": "leafless", "none_found": false});
    let (_dir, programme) = programme(&[look(0, true), look(1, false), could_not]);
    let answer = ask(&programme, ash_borer());
    let zone = &answer.zones[0];
    let inspections = zone
        .components
        .iter()
        .find(|c| c.kind == ComponentKind::Inspections)
        .unwrap();
    assert_eq!(inspections.units, 1);
    // One of five cells alike, one host in it, a look worth 0.05.
    assert!(
        (zone.central_sensitivity - 0.2 * 0.05).abs() < 1e-9,
        "{}",
        zone.central_sensitivity
    );
    let told = |words: &str| answer.warnings.iter().any(|w| w.contains(words));
    assert!(told("saw signs"), "{:?}", answer.warnings);
    assert!(
        told("Sensitivity of a look from the ground"),
        "{:?}",
        answer.warnings
    );
    let mut bare = ash_borer();
    bare.inspection = None;
    let answer = ask(&programme, bare);
    assert!(answer.zones[0].components.is_empty());
    assert!(
        answer
            .warnings
            .iter()
            .any(|w| w.contains("does not say what a look is worth"))
    );
}

#[test]
fn tips_end_the_silence_until_they_are_settled() {
    let tip = (
        "tip-received",
        json!({"tip": "T-1", "date": "2026-03-02", "what": "holes in an ash"}),
    );
    let closed = |end: &str| {
        (
            "tip-closed",
            json!({"tip": "T-1", "date": "2026-03-09", "end": end, "note": "no place was given"}),
        )
    };
    let mut profile = ash_borer();
    let days = |bodies: &[(&str, Value)], profile: &TargetProfile| {
        let (_dir, programme) = programme(bodies);
        let answer = ask(&programme, profile.clone());
        let hotline = answer.zones[0]
            .components
            .iter()
            .find(|c| c.kind == ComponentKind::Hotline);
        hotline.map(|c| c.units)
    };
    assert_eq!(days(&[], &profile), None);
    let section = profile.inspection.as_mut().unwrap();
    section.hotline = Some(earlywood_model::profile::HotlineSection {
        since: date(2026, 2, 1),
        until: None,
        zones: None,
        reports_per_year: section.prevalence.clone(),
    });
    let all = Some(usize::try_from((ON - date(2026, 2, 1)).get_days()).unwrap() + 1);
    assert_eq!(days(&[], &profile), all);
    // From the open tip on the zone is silent no more; "could not follow" is never "nothing found".
    assert_eq!(days(std::slice::from_ref(&tip), &profile), Some(29));
    assert_eq!(days(&[tip.clone(), closed("not-followed")], &profile), Some(29));
    assert_eq!(days(&[tip.clone(), closed("nothing-found")], &profile), all);
}

#[test]
fn a_detection_tree_counts_where_it_stood() {
    let peeled = json!({"tree": "D-1", "host": "H-3", "girdled": "2026-03-01", "date": "2026-10-20", "peeled_share": 1.0,
        "found": "negative"});
    let (_dir, programme) = programme(&[("detection-tree-peeled", peeled)]);
    let answer = ask(&programme, ash_borer());
    let zone = &answer.zones[0];
    let trees = zone
        .components
        .iter()
        .find(|c| c.kind == ComponentKind::DetectionTrees)
        .unwrap();
    assert_eq!(trees.units, 1);
    assert!(zone.central_sensitivity > 0.08, "{}", zone.central_sensitivity);
}
