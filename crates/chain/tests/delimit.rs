//! A delimiting survey in an invented wood of ash: the protocol's rings and the optimised plan, weighed on the same scenarios.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use earlywood_chain::ground::{Ground, GroundOptions};
use earlywood_chain::response::Case;
use earlywood_chain::response::delimit::{Delimiting, Wanted, delimiting};
use earlywood_journal::{Body, LoadMode, Programme, Status};
use earlywood_model::protocol;
use earlywood_model::record::{Area, Host, Pathway, Position};
use jiff::civil::{Date, date};

use crate::common::{
    ASH_BORER, adopt_protocol, ash, created, hung, lead, look_for_ash_borer, opened, said, taken,
};

const ON: Date = date(2024, 10, 1);
const EDGE: usize = 36;

fn tree(row: usize, column: usize) -> Position {
    // About 110 m apart; every second row set off, so that places between trees are not all alike.
    Position {
        lat: 44.0 + 0.001 * row as f64,
        lon: -100.0 + 0.0014 * (column as f64 + 0.3 * (row % 2) as f64),
    }
}

fn site(with_extent: bool) -> (tempfile::TempDir, Programme) {
    let lead = lead("2024-10-01T08:00:00");
    let (dir, mut programme) = created(&lead);
    let hosts: Vec<Host> = (0..EDGE * EDGE)
        .map(|n| ash(format!("A{n:04}"), tree(n / EDGE, n % EDGE)))
        .collect();
    programme.load(&lead, "trees.csv", LoadMode::Add, &hosts).unwrap();
    let mill = Pathway {
        label: "mill".into(),
        kind: "firewood".into(),
        position: tree(10, 10),
        weight: 3.0,
        reach_m: 200.0,
    };
    programme
        .load(&lead, "pathways.csv", LoadMode::Add, &[mill])
        .unwrap();
    look_for_ash_borer(&mut programme, &lead);
    let at = Position {
        lat: 44.01805,
        ..tree(18, 18)
    };
    let placement = hung("T1", "P1", at, ASH_BORER, date(2024, 5, 1));
    programme.record_placements(&lead, &[placement]).unwrap();
    let shipped = protocol::shipped_toml(ASH_BORER).unwrap();
    let toml = if with_extent {
        shipped.to_owned()
    } else {
        // The protocol of one who says nothing of how far it may have come.
        let from = shipped.find("[rings.extent]").unwrap();
        let to = from + shipped[from..].find("\n\n").unwrap();
        format!("{}{}", &shipped[..from], &shipped[to..])
    };
    let protocol = adopt_protocol(&mut programme, &lead, &toml);
    for body in [
        taken("S-1", "T1", date(2024, 7, 1), 1),
        said("S-1", Status::Confirmed, None),
        opened("S-1", protocol),
    ] {
        programme.append(&lead, body).unwrap();
    }
    (dir, programme)
}

fn made(programme: &Programme, wanted: &Wanted) -> Result<Delimiting, earlywood_chain::ChainError> {
    let case = Case::of(programme, "S-1", ON).unwrap();
    let ground = Ground::of(programme, case.profile.clone(), GroundOptions::default()).unwrap();
    delimiting(programme, &case, &ground, None, wanted)
}

fn quick() -> Wanted {
    Wanted {
        scenarios: 120,
        worlds: 600,
        ..Wanted::default()
    }
}

#[test]
fn rings_and_plan_are_laid_weighed_on_the_same_scenarios_and_adopted() {
    let (_dir, mut programme) = site(true);
    let survey = made(&programme, &quick()).unwrap();
    assert_eq!(survey.rings.len(), 2);
    assert_eq!(survey.hanging, 1);
    let placed: usize = survey.rings.iter().map(|r| r.placed).sum();
    assert_eq!(placed, survey.by_rings.traps.len());
    assert!(placed > 20, "{placed}");
    let wanted: usize = survey.rings.iter().map(|r| r.wanted).sum();
    assert_eq!(placed + survey.unplaced.len(), wanted);
    assert!(survey.unplaced.iter().all(|u| !u.why.is_empty()));
    // All the core's trees, a tenth of the buffer's.
    assert!(survey.rings[0].trees > 100 && survey.rings[1].trees < survey.rings[0].trees);

    let plan = survey.optimised.as_ref().unwrap();
    assert!(plan.traps.len() <= placed && plan.hours <= survey.by_rings.hours + 1e-9);
    let places: BTreeSet<&str> = plan.traps.iter().map(|t| t.place.as_str()).collect();
    assert_eq!(places.len(), plan.traps.len());
    let (rings, ours) = (survey.by_rings.worth.unwrap(), plan.worth.unwrap());
    for worth in [rings, ours] {
        assert!(worth.whole <= worth.share + 1e-12 && worth.share <= 1.0);
        assert!(
            (worth.whole - worth.whole_by_trial).abs() < 5.0 * worth.standard_error,
            "{worth:?}"
        );
    }
    assert!(
        ours.share >= rings.share,
        "as much effort, spent where it tells: {ours:?} {rings:?}"
    );
    assert!(plan.bound.unwrap() <= 1.0 && plan.gap.unwrap() < 0.1);
    assert_eq!(made(&programme, &quick()).unwrap(), survey, "the same again");

    let map = survey.geojson();
    assert_eq!(
        map["features"].as_array().unwrap().len(),
        placed + survey.by_rings.looks.len() + plan.traps.len() + plan.looks.len() + survey.unplaced.len()
    );
    assert!(survey.adopted("optimised", (ON, None), &quick(), " ").is_err());
    assert!(survey.adopted("by hand", (ON, None), &quick(), "a test").is_err());
    assert!(
        survey
            .adopted("rings", (ON, Some(date(2024, 9, 1))), &quick(), "a test")
            .is_err()
    );
    let entry = survey
        .adopted("optimised", (ON, None), &quick(), "finds more of the edge")
        .unwrap();
    programme
        .append(&lead("2024-10-01T09:00:00"), Body::DelimitingAdopted(entry))
        .unwrap();
    let response = programme.response("S-1").unwrap().unwrap();
    assert_eq!(
        response.delimiting.last().unwrap().value.traps.len(),
        plan.traps.len()
    );
}

#[test]
fn what_is_asked_for_holds_and_what_can_not_be_is_told() {
    let (_dir, programme) = site(true);
    let here = tree(18, 18);
    let (d_lat, d_lon) = (0.004, 0.006);
    let corner = |n: f64, e: f64| [here.lon + e * d_lon, here.lat + n * d_lat];
    let line = vec![
        corner(-1.0, -1.0),
        corner(-1.0, 1.0),
        corner(1.0, 1.0),
        corner(1.0, -1.0),
        corner(-1.0, -1.0),
    ];
    let wanted = Wanted {
        traps: Some(5),
        hours: Some(3.0),
        no_bait: vec![("clean nursery".into(), Area(vec![vec![line]]))],
        ..quick()
    };
    let survey = made(&programme, &wanted).unwrap();
    let plan = survey.optimised.as_ref().unwrap();
    assert!(plan.traps.len() <= 5 && plan.hours <= 3.0 + 1e-9);
    let inside = |p: Position| (p.lat - here.lat).abs() < d_lat && (p.lon - here.lon).abs() < d_lon;
    for layout in [&survey.by_rings, plan] {
        assert!(layout.traps.iter().all(|t| !inside(t.position)));
    }
    assert!(survey.unplaced.iter().any(|u| u.why.contains("clean nursery")));

    let unknown = Wanted {
        heavy: vec!["S-9".into()],
        ..quick()
    };
    assert!(
        made(&programme, &unknown)
            .unwrap_err()
            .to_string()
            .contains("S-9")
    );
}

#[test]
fn without_an_extent_there_are_rings_alone() {
    let (_dir, programme) = site(false);
    let survey = made(&programme, &quick()).unwrap();
    assert!(
        survey.optimised.is_none() && survey.by_rings.worth.is_none() && survey.bounded_already.is_none()
    );
    assert!(!survey.by_rings.traps.is_empty());
    assert!(survey.notes.iter().any(|n| n.contains("extent")));
    assert!(
        survey
            .adopted("rings", (ON, None), &quick(), "the protocol")
            .is_ok()
    );
    assert!(survey.adopted("optimised", (ON, None), &quick(), "no").is_err());
}
