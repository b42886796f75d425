//! The office's work from end to end: files looked at and loaded, a plan drawn and adopted, the map, the morning, the
//! figures, each by HTTP as the app calls them.
#![allow(clippy::unwrap_used)]

use std::fmt::Write as _;
use std::time::Duration;

use crate::common::{Browser, Office};
use serde_json::{Value, json};

const TARGET: &str = "mediterranean-fruit-fly";

fn hosts() -> String {
    let mut text = String::from("label,species,lat,lon,condition\n");
    for n in 0..100 {
        let (lat, lon) = (
            34.0 + 3.6e-4 * f64::from(n / 10),
            -100.0 + 4.3e-4 * f64::from(n % 10),
        );
        writeln!(text, "H-{n},Citrus sinensis,{lat:.7},{lon:.7},healthy").unwrap();
    }
    text
}

fn weather() -> String {
    let mut text = String::from("station,date,tmin_c,tmax_c\n");
    let mut day = jiff::civil::date(2023, 1, 1);
    while day <= jiff::civil::date(2026, 5, 31) {
        let phase = f64::from(day.day_of_year()) / 365.0 * std::f64::consts::TAU;
        let mean = 17.0 - 10.0 * phase.cos();
        writeln!(text, "S1,{day},{:.1},{:.1}", mean - 6.0, mean + 6.0).unwrap();
        day = day.tomorrow().unwrap();
    }
    text
}

const ZONES: &str = r#"{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"label":"north"},
    "geometry":{"type":"Polygon","coordinates":[[[-100.002,33.998],[-99.993,33.998],[-99.993,34.006],[-100.002,34.006],
    [-100.002,33.998]]]}}]}"#;

fn load(lead: &mut Browser, what: &str, name: &str, text: &str) {
    let path = format!("/api/1/load/preview?what={what}&name={name}");
    let reply = lead.send("POST", &path, "application/octet-stream", Some(text.as_bytes()));
    assert_eq!(reply.status, 200, "{}", String::from_utf8_lossy(&reply.bytes));
    let told = reply.json();
    assert_eq!(told["bad"], 0, "{told}");
    let path = format!("/api/1/load/{}/commit", told["draft"].as_str().unwrap());
    let done = lead.good("POST", &path, json!({"keep_good": false, "replace": false}));
    assert_eq!(done["written"], told["good"]);
}

fn drawn(lead: &mut Browser, ask: Value) -> Value {
    let begun = lead.good("POST", "/api/1/plans", ask);
    let path = format!("/api/1/plans/{}", begun["draft"].as_str().unwrap());
    for _ in 0..600 {
        let plan = lead.good("GET", &path, Value::Null);
        if plan["state"] != "working" {
            return plan;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    panic!("the plan is not done after a minute");
}

#[test]
fn the_office_does_its_work_from_files_to_figures() {
    let office = Office::new();
    let mut lead = office.lead();
    // Before anything is loaded, the pages say what is missing.
    let empty = lead.call("GET", &format!("/api/1/map?target={TARGET}"), Value::Null);
    assert_eq!((empty.status, empty.code().as_str()), (422, "lacking"));
    assert_eq!(
        lead.good("GET", "/api/1/morning", Value::Null)["counts"]["traps_out"],
        0
    );
    load(&mut lead, "zones", "zones.geojson", ZONES);
    load(&mut lead, "hosts", "hosts.csv", &hosts());
    load(&mut lead, "weather", "weather.csv", &weather());

    let plan = drawn(
        &mut lead,
        json!({"target": TARGET, "traps": 4, "spacing_m": 60, "name": "four"}),
    );
    assert_eq!(
        (&plan["state"], &plan["traps"]),
        (&json!("done"), &json!(4)),
        "{plan}"
    );
    let id = plan["draft"].as_str().unwrap().to_owned();
    let place = plan["places"][0].clone();
    let mut moved = place.clone();
    moved["lat"] = json!(place["lat"].as_f64().unwrap() + 2e-4);
    let tried = lead.good(
        "POST",
        "/api/1/what-if",
        json!({"target": TARGET, "draft": id, "moved": [moved], "added": [], "removed": [], "draws": 5}),
    );
    assert!(tried["all"]["band_after"]["p05"].is_f64(), "{tried}");
    assert!(tried["zones"][0]["before"].as_f64().unwrap() > 0.0);
    let refused = lead.call("POST", &format!("/api/1/plans/{id}/adopt"), json!({"reason": ""}));
    assert_eq!(
        (refused.status, refused.json()["where"].clone()),
        (422, json!("reason"))
    );
    lead.good(
        "POST",
        &format!("/api/1/plans/{id}/adopt"),
        json!({"reason": "a test"}),
    );
    let plans = lead.good("GET", "/api/1/plans", Value::Null);
    assert_eq!(plans["adopted"][0]["reason"], "a test");
    assert!(plans["drafts"][0]["places"].is_null());

    let map = lead.good("GET", &format!("/api/1/map?target={TARGET}"), Value::Null);
    assert_eq!(map["counts"]["hosts"], 100);
    for layer in ["zones", "land", "pathways", "places", "traps", "finds"] {
        let shown = lead.good(
            "GET",
            &format!("/api/1/map/{layer}.geojson?target={TARGET}"),
            Value::Null,
        );
        assert_eq!(shown["type"], "FeatureCollection", "{layer}");
    }
    for tile in [
        format!("/api/1/tiles/hosts/0/0/0.mvt?target={TARGET}"),
        format!("/api/1/tiles/cells/0/0/0.mvt?target={TARGET}"),
        format!("/api/1/tiles/plan/{id}/0/0/0.mvt"),
        format!("/api/1/tiles/compare/{id}/{id}/0/0/0.mvt"),
    ] {
        let reply = lead.send("GET", &tile, "", None);
        assert_eq!(reply.status, 200, "{tile}");
        assert_eq!(
            reply.headers["content-type"],
            "application/vnd.mapbox-vector-tile"
        );
        assert!(!reply.bytes.is_empty(), "{tile}");
    }
    let odd = lead.call("GET", "/api/1/tiles/hosts/2/9/0.mvt", Value::Null);
    assert_eq!(odd.status, 422);

    let sure = lead.good(
        "GET",
        &format!("/api/1/assurance?target={TARGET}&draws=20"),
        Value::Null,
    );
    assert_eq!(sure["zones"][0]["zone"], "north");
    assert!(!sure["assumptions"].as_array().unwrap().is_empty());
    for path in [
        "/api/1/targets".to_owned(),
        format!("/api/1/season?target={TARGET}&year=2026"),
        "/api/1/rounds".into(),
        "/api/1/bench".into(),
        "/api/1/trees".into(),
        "/api/1/stores".into(),
        "/api/1/supplies/forecast".into(),
        "/api/1/month?from=2026-05-01&to=2026-05-31".into(),
    ] {
        lead.good("GET", &path, Value::Null);
    }
    // The plan of four traps is not hung yet: each wants a body, and nothing is in store.
    let ahead = lead.good(
        "GET",
        "/api/1/supplies/forecast?weeks=60&lead_days=20,lure=30&spoilage=0&safety_days=0",
        Value::Null,
    );
    let bodies = ahead["items"]
        .as_array()
        .unwrap()
        .iter()
        .find(|i| i["item"] == "body")
        .unwrap();
    assert!(bodies["need"].as_u64().unwrap() >= 4, "{ahead}");
    assert_eq!(bodies["need"], bodies["short"]);
    assert!(bodies["orders"][0]["order_by"].is_string(), "{bodies}");
    for (bad, field) in [
        ("lead_days=soon", "lead_days"),
        ("weeks=0", "weeks"),
        ("spoilage=1", "spoilage"),
        ("from=2001-01-01", "from"),
    ] {
        let refused = lead.call("GET", &format!("/api/1/supplies/forecast?{bad}"), Value::Null);
        assert_eq!(
            (refused.status, refused.json()["where"].clone()),
            (422, json!(field)),
            "{bad}"
        );
    }
    for missing in ["/api/1/specimens/S-1", "/api/1/stores/L-1"] {
        assert_eq!(lead.call("GET", missing, Value::Null).status, 404, "{missing}");
    }
}
