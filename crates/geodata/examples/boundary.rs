//! For tests/python/test_boundary.py: draws a regulated area from a JSON document on standard input.
//!
//! `{"rule": "TOML", "finds": [{"id", "lat", "lon", "epicentre", "signs"}], "parcels": [{"label", "area"}], "lines": [{"name",
//! "line"}], "units": [...], "held": [...]}`; prints the feature collection, with the area after every step.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::io::Read;
use std::time::Instant;

use earlywood_geodata::boundary::{Find, Inputs, Labelled, NamedLine, draw, feature_collection};
use earlywood_model::record::{Area, Position};
use earlywood_model::regulated::AreaRule;
use serde_json::{Value, json};

fn labelled(given: &Value) -> Vec<(String, Area)> {
    let all = given.as_array().into_iter().flatten();
    all.map(|one| {
        let area = serde_json::from_value(one["area"].clone()).unwrap();
        (one["label"].as_str().unwrap().to_owned(), area)
    })
    .collect()
}

fn main() {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).unwrap();
    let given: Value = serde_json::from_str(&text).unwrap();
    let rule =
        AreaRule::from_toml(given["rule"].as_str().unwrap()).unwrap_or_else(|e| refuse(&e.to_string()));
    let finds: Vec<Find> = given["finds"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| Find {
            id: f["id"].as_str().unwrap().to_owned(),
            at: Position {
                lat: f["lat"].as_f64().unwrap(),
                lon: f["lon"].as_f64().unwrap(),
            },
            epicentre: f["epicentre"].as_bool().unwrap_or(true),
            signs: f["signs"].as_u64().map(|n| u32::try_from(n).unwrap()),
        })
        .collect();
    let lines: Vec<(String, Vec<[f64; 2]>)> = given["lines"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|l| {
            (
                l["name"].as_str().unwrap().to_owned(),
                serde_json::from_value(l["line"].clone()).unwrap(),
            )
        })
        .collect();
    let (parcels, units, held) = (
        labelled(&given["parcels"]),
        labelled(&given["units"]),
        labelled(&given["held"]),
    );
    let (parcels, units, held) = (refer(&parcels), refer(&units), refer(&held));
    let lines: Vec<NamedLine<'_>> = lines
        .iter()
        .map(|(name, line)| NamedLine { name, line })
        .collect();
    let began = Instant::now();
    let inputs = Inputs {
        rule: &rule,
        finds: &finds,
        parcels: &parcels,
        lines: &lines,
        units: &units,
        held: &held,
    };
    let drawn = draw(&inputs).unwrap_or_else(|e| refuse(&e.to_string()));
    let seconds = began.elapsed().as_secs_f64();
    let mut out = feature_collection(&drawn);
    out["seconds"] = json!(seconds);
    let after = |d: &earlywood_geodata::boundary::Drawn| -> Vec<Value> {
        d.steps
            .iter()
            .map(|s| json!({"what": s.what, "area": s.after}))
            .collect()
    };
    out["after"] = json!(drawn.iter().rev().map(after).collect::<Vec<_>>());
    println!("{out}");
}

fn refer(all: &[(String, Area)]) -> Vec<Labelled<'_>> {
    all.iter().map(|(label, area)| Labelled { label, area }).collect()
}

fn refuse(why: &str) -> ! {
    eprintln!("{why}");
    std::process::exit(1);
}
