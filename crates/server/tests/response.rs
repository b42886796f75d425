//! A response by HTTP as the app calls it, from the protocol to the end, on a street of ash with one confirmed beetle.
#![allow(clippy::unwrap_used)]

use std::time::Duration;

use crate::common;
use crate::common::{Browser, LEAD, Office, act, person_of, staffed};
use earlywood_journal::body::{Material, Method, Origin};
use earlywood_journal::{
    AuthorityGranted, Body, Determination, Draft, LoadMode, Programme, SpecimenTaken, Status, TargetAdopted,
    VisitMade,
};
use earlywood_model::profile;
use earlywood_model::record::{
    Host, HostCondition, Looked, Placement, Position, Renewed, TrapFound, Visit, VisitKind,
};
use jiff::civil::date;
use serde_json::{Value, json};

const TARGET: &str = "emerald-ash-borer";
const FIND: &str = "/api/1/responses/S-1";

/// Thirty ashes along a street, a trap among them, and what it caught: confirmed on 20 May.
fn office() -> (tempfile::TempDir, Office) {
    let dir = tempfile::tempdir().unwrap();
    let path = staffed(dir.path());
    let mut p = Programme::open(&path).unwrap();
    let at = |n: u16| Position {
        lat: 44.0,
        lon: -100.0 + 0.00015 * f64::from(n),
    };
    let hosts: Vec<Host> = (0..30)
        .map(|n| Host {
            label: format!("A{n}"),
            position: at(n),
            species: "Fraxinus".into(),
            dbh_cm: Some(30.0),
            condition: HostCondition::Healthy,
        })
        .collect();
    p.load(&act(), "trees.csv", LoadMode::Add, &hosts).unwrap();
    let shipped = |toml: &&str| toml.contains(&format!("id = \"{TARGET}\""));
    let target = TargetAdopted {
        id: TARGET.into(),
        toml: profile::SHIPPED_TOML.into_iter().find(shipped).unwrap().into(),
    };
    p.append(&act(), Body::TargetAdopted(target)).unwrap();
    let authority = AuthorityGranted {
        person: LEAD.into(),
        taxa: vec!["*".into()],
        up_to: Status::Confirmed,
        life_stages: vec![],
        from: date(2026, 1, 1),
        to: None,
        granted_by: "letter 1".into(),
        note: None,
    };
    p.append(&act(), Body::AuthorityGranted(authority)).unwrap();
    let trap = Placement {
        trap: "T1".into(),
        place: "P1".into(),
        position: at(10),
        targets: vec![TARGET.into()],
        hung: date(2026, 5, 1),
        taken_down: None,
    };
    p.record_placements(&act(), &[trap]).unwrap();
    let day = date(2026, 5, 20);
    let visit = Visit {
        trap: "T1".into(),
        date: day,
        kind: VisitKind::Service,
        found: TrapFound::Working,
        looked: Looked::Fully,
        suspects: Some(1),
        renewed: Renewed::default(),
        lure_lot: None,
        crew: None,
        exception: None,
    };
    let specimen = SpecimenTaken {
        specimen: "S-1".into(),
        what: Material::Insect,
        from: Origin::Trap {
            trap: "T1".into(),
            date: day,
        },
        count: Some(1),
        container: None,
        kept_in: None,
        suspected: None,
        note: None,
        photos: vec![],
    };
    let said = |status| {
        let mut said = Determination::of_specimen("S-1", TARGET, status, LEAD, Method::Morphology);
        said.life_stage = Some("adult".into());
        said.mark_checked = true;
        Body::Determination(said)
    };
    for (hour, body) in [
        (10, Body::VisitMade(VisitMade::from_visit(&visit))),
        (11, Body::SpecimenTaken(specimen)),
        (12, said(Status::Suspect)),
        (13, said(Status::Confirmed)),
    ] {
        let event_time = Some(format!("2026-05-20T{hour}:00:00-07:00"));
        p.append(&act(), Draft { event_time, body }).unwrap();
    }
    drop(p);
    let office = Office::over(path, |_| ());
    (dir, office)
}

/// The lead in an office where the protocol is adopted and the response open.
fn opened(office: &Office) -> Browser {
    let mut lead = office.lead();
    lead.good("POST", "/api/1/responses/protocols", json!({"target": TARGET}));
    lead.good("POST", &format!("{FIND}/open"), json!({"reason": "one beetle"}));
    lead
}

/// Status, code and place of a refusal.
fn refusal(who: &mut Browser, method: &str, path: &str, body: Value) -> (u16, String, Value) {
    let reply = who.call(method, path, body);
    (reply.status, reply.code(), reply.json()["where"].clone())
}

#[test]
fn a_response_goes_from_its_protocol_to_its_end() {
    let (_dir, office) = office();
    let mut lead = office.lead();
    let list = lead.get("/api/1/responses");
    assert_eq!(list["responses"], json!([]));
    assert_eq!(list["waiting"], json!([{"find": "S-1", "target": TARGET}]));
    let mine = |list: &Value| -> Value {
        let rows = list["protocols"].as_array().unwrap();
        rows.iter().find(|row| row["target"] == TARGET).unwrap().clone()
    };
    assert_eq!(
        (&mine(&list)["adopted"], &mine(&list)["shipped"]),
        (&json!(false), &json!(true))
    );
    // Without a protocol nothing is opened.
    let early = refusal(
        &mut lead,
        "POST",
        &format!("{FIND}/open"),
        json!({"reason": "one beetle"}),
    );
    assert_eq!((early.0, early.2), (422, json!("protocol")));

    let mut lead = {
        lead.good("POST", "/api/1/responses/protocols", json!({"target": TARGET}));
        lead.good("POST", &format!("{FIND}/open"), json!({"reason": "one beetle"}));
        lead
    };
    let list = lead.get("/api/1/responses");
    assert_eq!(list["waiting"], json!([]));
    assert_eq!(mine(&list)["adopted"], json!(true));
    let row = &list["responses"][0];
    assert_eq!((&row["find"], &row["state"]), (&json!("S-1"), &json!("open")));
    // Nobody was told in eleven days.
    assert!(row["steps_late"].as_u64().unwrap() > 0, "{row}");

    let whole = lead.get(FIND);
    assert_eq!(whole["state"], "open");
    assert_eq!(whole["finds"][0]["label"], "S-1");
    assert_eq!(whole["proposed"]["met"][0]["finds"], json!(["S-1"]));
    // No weather is loaded: said, not guessed.
    assert!(!whole["lacking"].as_array().unwrap().is_empty());
    let first = whole["checklist"]["steps"][0]["id"].as_str().unwrap().to_owned();
    lead.good(
        "POST",
        &format!("{FIND}/steps/{first}"),
        json!({"at": "2026-05-20T14:00:00-07:00", "note": "the state's office"}),
    );
    let step = lead.get(FIND)["checklist"]["steps"][0].clone();
    assert_eq!(
        (&step["standing"], &step["by"]),
        (&json!("done"), &json!(LEAD)),
        "{step}"
    );

    let file = lead.call("GET", &format!("{FIND}/geojson"), Value::Null);
    assert_eq!(file.status, 200);
    assert_eq!(file.headers["content-type"], "application/geo+json");
    assert_eq!(
        file.headers["content-disposition"],
        format!("attachment; filename=\"response-{}.geojson\"", common::TODAY)
    );
    assert_eq!(file.json()["features"][0]["properties"]["kind"], "find");

    let draft = lead.good("POST", &format!("{FIND}/report/draft"), json!({}));
    assert!(draft["missing"].as_array().unwrap().contains(&json!("danger")));
    let unfinished = json!({"items": {}, "to": "the state's office", "final": true});
    let refused = refusal(&mut lead, "POST", &format!("{FIND}/report"), unfinished);
    assert_eq!((refused.0, refused.2), (422, json!("final")));
    let issue = json!({"items": {"danger": "kills every ash"}, "to": "the state's office", "final": false});
    lead.good("POST", &format!("{FIND}/report"), issue);
    let reports = lead.get(&format!("{FIND}/reports"))["reports"].clone();
    let items = reports[0]["items"].as_array().unwrap();
    let danger = items.iter().find(|item| item["item"] == "danger").unwrap();
    assert_eq!(danger["text"], "kills every ash");
    assert!(danger["what"].as_str().unwrap().contains("danger"));

    let end = json!({"end": "handed-over", "authority": "order 9", "reason": "another agency goes on"});
    let unknown = json!({"end": "bored", "authority": "order 9", "reason": "x"});
    assert_eq!(
        lead.refused("POST", &format!("{FIND}/close"), unknown).1,
        "bad-request"
    );
    // The beetle still stands confirmed.
    let none = json!({"end": "no-find", "authority": "order 9", "reason": "none"});
    let refused = refusal(&mut lead, "POST", &format!("{FIND}/close"), none);
    assert_eq!((refused.0, refused.2), (422, json!("end")));
    lead.good("POST", &format!("{FIND}/close"), end.clone());
    let closed = lead.get("/api/1/responses")["responses"][0].clone();
    assert_eq!(
        closed["closed"],
        json!({"date": common::TODAY, "end": "handed-over"})
    );
    assert_eq!(lead.refused("POST", &format!("{FIND}/close"), end).0, 422);
}

#[test]
fn an_area_is_adopted_as_it_was_seen_or_as_it_was_drawn_and_lifted() {
    let (_dir, office) = office();
    let mut lead = opened(&office);
    let area = format!("{FIND}/area");
    let square = |east: f64| {
        let ring = [
            [-100.05, 43.95],
            [east, 43.95],
            [east, 44.05],
            [-100.05, 44.05],
            [-100.05, 43.95],
        ];
        json!({"type": "Polygon", "coordinates": [ring]})
    };
    let order = |more: Value| {
        let mut ask = json!({"authority": "order 7", "reason": "the first find"});
        for (key, value) in more.as_object().unwrap() {
            ask[key] = value.clone();
        }
        ask
    };
    let proposal = lead.call("GET", &area, Value::Null);
    assert_eq!(proposal.status, 200, "{}", proposal.json());
    let proposal = proposal.json();
    assert_eq!(proposal["version"], 1);
    assert!(proposal["within"]["hosts"].as_u64().unwrap() > 0);
    let hash = proposal["hash"].as_str().unwrap().to_owned();
    for (ask, place) in [
        (json!({}), "hash"),
        (json!({"hash": hash, "geometry": square(-99.95)}), "hash"),
        (
            json!({"hash": hash, "from": "2026-06-01", "to": "2026-05-01"}),
            "to",
        ),
        (
            json!({"geometry": {"type": "Point", "coordinates": [0, 0]}}),
            "geometry",
        ),
        (json!({"geometry": {"no": "type"}}), "geometry"),
        (
            json!({"geometry": {"type": "Polygon", "coordinates": "?"}}),
            "geometry",
        ),
        (
            json!({"geometry": {"type": "FeatureCollection", "features": []}}),
            "geometry",
        ),
    ] {
        let refused = refusal(&mut lead, "POST", &area, order(ask.clone()));
        assert_eq!((refused.0, refused.2), (422, json!(place)), "{ask}");
    }
    let unreadable = order(json!({"hash": hash, "from": "the first of June"}));
    assert_eq!(lead.refused("POST", &area, unreadable).0, 400);
    let stale = order(json!({"hash": "0".repeat(64)}));
    assert_eq!(
        lead.refused("POST", &area, stale),
        (409, "changed-since".to_owned())
    );

    lead.good("POST", &area, order(json!({"hash": hash})));
    let holds = lead.get(FIND)["area"].clone();
    assert_eq!(
        (&holds["version"], &holds["reason"]),
        (&json!(1), &json!("the first find"))
    );
    // What is regulated is not given up by being drawn anew.
    let narrow = refusal(
        &mut lead,
        "POST",
        &area,
        order(json!({"geometry": square(-99.99)})),
    );
    assert_eq!((narrow.0, narrow.2), (422, json!("geometry")));
    let drawn = order(json!({"geometry": square(-99.95), "to": "2026-12-31"}));
    lead.good("POST", &area, drawn);
    let holds = lead.get(FIND)["area"].clone();
    assert_eq!(
        (&holds["version"], &holds["to"]),
        (&json!(2), &json!("2026-12-31"))
    );
    lead.good(
        "POST",
        &format!("{area}/2/lift"),
        json!({"authority": "order 8", "reason": "a mistake"}),
    );
    assert!(lead.get(FIND)["area"].is_null());
    let ghost = json!({"authority": "order 8", "reason": "a mistake"});
    assert_eq!(lead.refused("POST", &format!("{area}/9/lift"), ghost).0, 422);
}

#[test]
fn a_survey_is_laid_out_in_the_background() {
    let (_dir, office) = office();
    let mut lead = opened(&office);
    let surveys = format!("{FIND}/surveys");
    let refused = refusal(&mut lead, "POST", &surveys, json!({"hours": -1}));
    assert_eq!((refused.0, refused.2), (422, json!("hours")));
    let begun = lead.good("POST", &surveys, json!({"traps": 3}));
    let path = format!("/api/1/responses/surveys/{}", begun["draft"].as_str().unwrap());
    let mut draft = lead.get(&path);
    for _ in 0..1_200 {
        if draft["state"] != "working" {
            break;
        }
        std::thread::sleep(Duration::from_millis(50));
        draft = lead.get(&path);
    }
    assert_eq!(draft["state"], "ready", "{draft}");
    let adopt = format!("{path}/adopt");
    let days = json!({"method": "rings", "reason": "the rule", "from": "2026-06-02", "to": "2026-06-01"});
    let refused = refusal(&mut lead, "POST", &adopt, days);
    assert_eq!((refused.0, refused.2), (422, json!("to")));
    lead.good("POST", &adopt, json!({"method": "rings", "reason": "the rule"}));
    assert_eq!(lead.get(FIND)["delimiting"]["reason"], "the rule");
    assert_eq!(
        lead.refused("POST", &adopt, json!({"method": "rings", "reason": "twice"}))
            .0,
        404
    );
}

#[test]
fn a_response_is_not_for_everybody_nor_about_just_anything() {
    let (_dir, office) = office();
    let mut lead = opened(&office);
    for role in ["partner", "inspector"] {
        let mut other = office.invited(&mut lead, &person_of(role));
        for path in [
            "/api/1/responses",
            FIND,
            "/api/1/responses/S-1/geojson",
            "/api/1/responses/S-1/reports",
        ] {
            assert_eq!(
                other.refused("GET", path, Value::Null),
                (403, "not-entitled".into()),
                "{role} {path}"
            );
        }
    }
    // A supervisor may look and tell; closing is the lead's, by the journal's own table.
    let mut supervisor = office.invited(&mut lead, &person_of("supervisor"));
    assert_eq!(supervisor.get(FIND)["state"], "open");
    let end = json!({"end": "given-up", "authority": "order 9", "reason": "none"});
    assert_eq!(
        supervisor.refused("POST", &format!("{FIND}/close"), end),
        (403, "not-entitled".into())
    );

    for path in [
        "/api/1/responses/S-9",
        "/api/1/responses/S-9/area",
        "/api/1/responses/S-9/reports",
    ] {
        assert_eq!(lead.refused("GET", path, Value::Null).0, 404, "{path}");
    }
    assert_eq!(
        lead.refused("POST", "/api/1/responses/S-9/open", json!({"reason": "x"}))
            .0,
        404
    );
    let spaced = "/api/1/responses/trap%3AT-1%202026-05-04";
    assert_eq!(lead.refused("GET", spaced, Value::Null).0, 404);
    assert_eq!(
        refusal(&mut lead, "GET", &format!("{FIND}?on=2027-01-01"), Value::Null),
        (422, "bad-field".into(), json!("on"))
    );
    assert_eq!(
        lead.refused("GET", &format!("{FIND}?on=soon"), Value::Null).1,
        "bad-query"
    );
    assert_eq!(
        lead.refused("POST", &format!("{FIND}/steps/nobody"), json!({})).0,
        422
    );
    for ask in [
        json!({}),
        json!({"target": "unicorn"}),
        json!({"toml": "not = a protocol"}),
    ] {
        let refused = lead.refused("POST", "/api/1/responses/protocols", ask.clone());
        assert_eq!(refused, (422, "bad-field".into()), "{ask}");
    }
    let item = json!({"items": {"weather": "fine"}});
    assert_eq!(
        refusal(&mut lead, "POST", &format!("{FIND}/report/draft"), item).2,
        json!("item")
    );
}
