//! The demo leaves a district at work: a planned morning, stops with their hours, stock, paper.

#![allow(clippy::unwrap_used)] // helpers outside #[test] functions may fail as loudly as the tests

use std::fs;
use std::path::Path;

use crate::common::run;
use serde_json::Value;

const MORNING: &str = "2025-07-15";

fn ask(file: &Path, before: &[&str], after: &[&str]) -> Value {
    let mut args: Vec<String> = before.iter().map(ToString::to_string).collect();
    args.push(file.display().to_string());
    args.extend(after.iter().map(ToString::to_string));
    args.push("--json".into());
    let answer = run(&args, b"");
    assert_eq!(answer.code, Some(0), "{args:?} {answer:?}");
    serde_json::from_str(&answer.stdout).unwrap()
}

#[test]
fn a_small_demo_ends_with_a_planned_morning_and_its_paper() {
    let dir = tempfile::tempdir().unwrap();
    let demo = dir.path().join("demo");
    let played = |traps: &str| {
        let args = ["demo", "--dir", &demo.display().to_string(), "--traps", traps];
        let answer = run(&args.map(str::to_owned), b"");
        assert_eq!(answer.code, Some(0), "{answer:?}");
        // One line more for the response, where these few traps caught it.
        let lines = answer.stdout.lines().count();
        let answered = usize::from(answer.stdout.contains("The response to find"));
        assert_eq!(lines, 5 + answered, "{answer:?}");
        assert!(
            answer.stderr.contains("does not exist"),
            "it says that all is invented"
        );
    };
    played("25");
    for name in ["round-sheets.pdf", "trap-labels.pdf", "season-report.pdf"] {
        let pdf = fs::read(demo.join("paper").join(name)).unwrap();
        assert!(pdf.starts_with(b"%PDF"), "{name}");
    }
    for name in ["roads.geojson", "crews.csv", "access.csv"] {
        assert!(demo.join(name).exists(), "{name}");
    }
    let at_work = demo.join("at-work.earlywood");
    let view = ask(&at_work, &["rounds"], &["--show", "--on", MORNING, "--days", "4"]);
    let rounds = view["rounds"].as_array().unwrap();
    assert!(!rounds.is_empty(), "{view}");
    for round in rounds {
        assert!(
            round["km"].as_f64().unwrap() > 0.0,
            "drives follow roads: {round}"
        );
        let stops = round["stops"].as_array().unwrap();
        let told = |stop: &Value| stop["directions"].as_str().is_some_and(|d| !d.is_empty());
        assert!(stops.iter().all(told), "{round}");
    }
    // Lengths of stops are learned from the hours that crews wrote down: not all are the usual quarter of an hour.
    let stop_minutes: Vec<f64> = rounds
        .iter()
        .map(|r| r["work_minutes"].as_f64().unwrap())
        .collect();
    let stops: usize = rounds.iter().map(|r| r["stops"].as_array().unwrap().len()).sum();
    assert!(
        (stop_minutes.iter().sum::<f64>() - 15.0 * stops as f64).abs() > 1.0,
        "{stop_minutes:?} for {stops} stops"
    );
    // Over a demo's folder the next one is written, and nothing of the old stays behind.
    fs::write(demo.join("paper/round-sheets.pdf"), "old").unwrap();
    played("1");
    let sheets = fs::read(demo.join("paper/round-sheets.pdf"));
    assert!(sheets.map_or(true, |pdf| pdf.starts_with(b"%PDF")));
}

/// Plays a demo and gives what it printed and its report.
fn played(dir: &Path, more: &[&str]) -> (String, String) {
    let dir_words = dir.display().to_string();
    let args: Vec<String> = ["demo", "--dir", &dir_words]
        .iter()
        .chain(more)
        .map(ToString::to_string)
        .collect();
    let answer = run(&args, b"");
    assert_eq!(answer.code, Some(0), "{answer:?}");
    let report = fs::read_to_string(dir.join("report.html")).unwrap();
    (answer.stdout, report)
}

fn curves_for_both(report: &str) {
    assert_eq!(report.matches("100 simulated worlds").count(), 2);
    assert_eq!(report.matches("worlds as the statement believes them").count(), 2);
}

#[test]
fn a_hidden_incursion_ends_in_a_find_that_is_answered_step_by_step() {
    let dir = tempfile::tempdir().unwrap();
    let (said, report) = played(dir.path(), &[]);
    assert!(said.contains("FOUND"), "{said}");
    assert!(said.contains("The response to find"), "{said}");
    for part in [
        "The response to find",
        "Where it came from",
        "95 % within",
        "The delimiting survey",
        "The regulated area",
        "When it ends",
        "Pest status, proposed",
    ] {
        assert!(report.contains(part), "{part}");
    }
    assert!(
        !report.contains("Not worked out"),
        "every part could be worked out"
    );
    curves_for_both(&report);
    let file = dir.path().join("district.earlywood");
    let all = ask(&file, &["response"], &[]);
    let [one] = all["responses"].as_array().unwrap().as_slice() else {
        panic!("{all}")
    };
    assert!(all["waiting"].as_array().unwrap().is_empty(), "{all}");
    assert!(one["area_km2"].as_f64().unwrap() > 0.1, "{all}");
    let told = ask(
        &file,
        &["response"],
        &[one["find"].as_str().unwrap(), "--on", "2025-12-31"],
    );
    let steps = told["checklist"]["steps"].as_array().unwrap();
    assert!(
        !steps.is_empty() && steps.iter().all(|s| s["standing"] == "done"),
        "{told}"
    );
    assert!(told["delimiting"]["traps"].as_u64().unwrap() > 0, "{told}");
    assert_eq!(told["reports"][0]["missing"], serde_json::json!([]), "{told}");
}

#[test]
fn without_an_incursion_it_ends_in_an_assurance() {
    let dir = tempfile::tempdir().unwrap();
    let (said, report) = played(dir.path(), &["--no-incursion"]);
    assert_eq!(said.matches("not found. Had it been there").count(), 2, "{said}");
    assert!(
        !said.contains("response") && !report.contains("The response to find"),
        "{said}"
    );
    curves_for_both(&report);
    let all = ask(&dir.path().join("district.earlywood"), &["response"], &[]);
    assert!(all["responses"].as_array().unwrap().is_empty(), "{all}");
}
