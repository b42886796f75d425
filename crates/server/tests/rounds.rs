//! Rounds by HTTP as the app calls them: proposed in the background, adopted, as files and paper, and typed in from a sheet.
#![allow(clippy::unwrap_used)]

use std::time::Duration;

use crate::common;
use crate::common::{Browser, Office, act, person_of, staffed};
use earlywood_journal::{Body, CrewFormed, LoadMode, Programme};
use earlywood_model::record::{Access, Placement, Position, Shift, Skill};
use jiff::civil::{date, time};
use serde_json::{Value, json};

const TARGET: &str = "mediterranean-fruit-fly";
const TODAY: &str = common::TODAY;

/// Six traps that hang since April and were never looked at, and one crew of one person.
fn office() -> (tempfile::TempDir, Office) {
    let dir = tempfile::tempdir().unwrap();
    let path = staffed(dir.path());
    let mut p = Programme::open(&path).unwrap();
    let at = |n: u8| Position {
        lat: 34.0 + 0.01 * f64::from(n),
        lon: -100.0,
    };
    let placements: Vec<Placement> = (0..6)
        .map(|n| Placement {
            trap: format!("T{n}"),
            place: format!("P{n}"),
            position: at(n),
            targets: vec![TARGET.into()],
            hung: date(2026, 4, 1),
            taken_down: None,
        })
        .collect();
    p.record_placements(&act(), &placements).unwrap();
    let crew = CrewFormed {
        crew: "crew-1".into(),
        people: vec![person_of("inspector")],
        from: date(2026, 1, 1),
        to: None,
    };
    p.append(&act(), Body::CrewFormed(crew)).unwrap();
    let shift = Shift {
        label: "crew-1".into(),
        depot: at(2),
        end: None,
        starts: time(7, 0, 0, 0),
        ends: time(15, 0, 0, 0),
        break_minutes: 0,
        break_from: None,
        break_to: None,
        days: Vec::new(),
        from: None,
        to: None,
        skills: Vec::new(),
    };
    p.load(&act(), "crews.csv", LoadMode::Replace, &[shift]).unwrap();
    let access = Access {
        label: "P1".into(),
        directions: Some("Gate at the north end".into()),
        cautions: vec!["dog in the yard".into()],
        opens: None,
        closes: None,
        days: Vec::new(),
        permit: None,
        permit_from: None,
        permit_to: None,
        needs: Vec::new(),
        minutes: None,
        park: None,
    };
    let ladder = Access {
        label: "P5".into(),
        needs: vec![Skill::Ladder],
        cautions: Vec::new(),
        directions: None,
        ..access.clone()
    };
    p.load(&act(), "access.csv", LoadMode::Replace, &[access, ladder])
        .unwrap();
    drop(p);
    let office = Office::over(path, |_| ());
    (dir, office)
}

fn worked_out(who: &mut Browser, ask: Value) -> (String, Value) {
    let begun = who.good("POST", "/api/1/rounds/drafts", ask);
    let path = format!("/api/1/rounds/drafts/{}", begun["draft"].as_str().unwrap());
    for _ in 0..1_200 {
        let draft = who.good("GET", &path, Value::Null);
        if draft["state"] != "working" {
            return (path, draft);
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("the rounds are not worked out after a minute");
}

#[test]
fn rounds_are_proposed_adopted_printed_and_typed_in() {
    let (_dir, office) = office();
    let mut lead = office.lead();
    let mut supervisor = office.invited(&mut lead, &person_of("supervisor"));
    let none = lead.good("GET", "/api/1/rounds/adopted", Value::Null);
    assert!(none["adopted"].is_null() && none["rounds"].as_array().unwrap().is_empty());

    // A question that can't be, and one that finds nobody.
    let refused = supervisor.call(
        "POST",
        "/api/1/rounds/drafts",
        json!({"from": TODAY, "at": "25:00"}),
    );
    assert_eq!(
        (refused.status, refused.json()["where"].clone()),
        (422, json!("at"))
    );
    let (_, failed) = worked_out(
        &mut supervisor,
        json!({"from": TODAY, "days": 1, "without": [{"crew": "crew-1"}]}),
    );
    assert_eq!(failed["state"], "failed", "{failed}");
    assert!(!failed["why"].as_str().unwrap().is_empty());

    let (path, draft) = worked_out(&mut supervisor, json!({"from": TODAY, "days": 1}));
    assert_eq!(draft["state"], "ready", "{draft}");
    let stops = draft["rounds"]["rounds"][0]["stops"].as_array().unwrap();
    assert_eq!(stops.len(), 5, "{draft}");
    let gate = stops.iter().find(|stop| stop["place"] == "P1").unwrap();
    assert_eq!(gate["cautions"], json!(["dog in the yard"]));
    assert_eq!(
        draft["rounds"]["left_out"][0]["trap"], "T5",
        "nobody has a ladder"
    );

    let blank = supervisor.call("POST", &format!("{path}/adopt"), json!({"reason": " "}));
    assert_eq!(
        (blank.status, blank.json()["where"].clone()),
        (422, json!("reason"))
    );
    supervisor.good(
        "POST",
        &format!("{path}/adopt"),
        json!({"reason": "the week as usual"}),
    );
    let again = supervisor.call("POST", &format!("{path}/adopt"), json!({"reason": "twice"}));
    assert_eq!(again.status, 404, "what is adopted is no draft any more");

    let held = lead.good("GET", &format!("/api/1/rounds/adopted?from={TODAY}"), Value::Null);
    assert_eq!(held["adopted"]["reason"], "the week as usual");
    let round = &held["rounds"][0];
    assert_eq!(round["people"], json!([person_of("inspector")]));
    let code = round["sheet"].as_str().unwrap().to_owned();

    for (kind, begins, content) in [
        (
            "rounds/files/ics",
            "BEGIN:VCALENDAR",
            "text/calendar; charset=utf-8",
        ),
        ("rounds/files/gpx", "<?xml", "application/gpx+xml"),
        ("rounds/files/csv", "date,", "text/csv; charset=utf-8"),
        ("paper/sheets", "%PDF-", "application/pdf"),
    ] {
        let reply = lead.send("GET", &format!("/api/1/{kind}?from={TODAY}"), "", None);
        let text = String::from_utf8_lossy(&reply.bytes);
        assert_eq!(reply.status, 200, "{kind}: {text}");
        assert!(text.trim_start_matches('\u{feff}').starts_with(begins), "{kind}");
        assert_eq!(reply.headers["content-type"], content, "{kind}");
        assert!(reply.headers["content-disposition"].starts_with("attachment; filename="));
    }
    assert_eq!(lead.send("GET", "/api/1/rounds/files/doc", "", None).status, 404);
    let month = lead.send(
        "GET",
        "/api/1/paper/month?from=2026-05-01&to=2026-05-31&partner=State%20office",
        "",
        None,
    );
    assert_eq!((month.status, &month.bytes[..5]), (200, &b"%PDF-"[..]));

    // The sheet comes back: all rows or none.
    let mut clerk = office.invited(&mut lead, &person_of("clerk"));
    let path = format!("/api/1/rounds/sheets/{}", code.to_lowercase());
    let form = clerk.good("GET", &path, Value::Null);
    let mut rows = form["rows"].clone();
    assert_eq!(rows.as_array().unwrap().len(), 5);
    rows[0]["found"] = json!("working");
    rows[0]["looked"] = json!("fully");
    rows[0]["suspects"] = json!("0");
    rows[1]["found"] = json!("working");
    let wrong = clerk.good("POST", &path, json!({"rows": rows}));
    assert_eq!(
        (
            &wrong["recorded"],
            &wrong["problems"][0]["row"],
            &wrong["problems"][0]["column"]
        ),
        (&json!(0), &json!(2), &json!("looked")),
        "{wrong}"
    );
    let held = lead.good("GET", &format!("/api/1/rounds/adopted?from={TODAY}"), Value::Null);
    assert!(
        held["rounds"][0]["stops"]
            .as_array()
            .unwrap()
            .iter()
            .all(|s| s["done"] == false)
    );
    rows[1]["found"] = json!("");
    let done = clerk.good("POST", &path, json!({"rows": rows}));
    assert_eq!((&done["recorded"], &done["problems"]), (&json!(1), &json!([])));
    let form = clerk.good("GET", &path, Value::Null);
    assert_eq!(form["recorded"], json!([1]));
    assert_eq!(form["round"]["stops"][0]["done"], true);

    let slip = clerk.call("GET", "/api/1/rounds/sheets/33334", Value::Null);
    assert_eq!((slip.status, slip.json()["where"].clone()), (422, json!("code")));
}
