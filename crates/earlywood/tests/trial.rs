//! `earlywood trial` through the program itself, on a small invented ground: what it says, that it says the same again,
//! what it refuses, and that the season report takes it in.

#![allow(clippy::unwrap_used)] // helpers outside #[test] functions may fail as loudly as the tests

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use crate::common::{Answer, run};
use serde_json::Value;

const TARGET: &str = "mediterranean-fruit-fly";

struct Ground {
    dir: tempfile::TempDir,
}

impl Ground {
    /// 36 citrus trees on a 60 m grid and three years of weather. All invented. Two plans are saved.
    fn new(with_weather: bool, with_plans: bool) -> Ground {
        let ground = Ground {
            dir: tempfile::tempdir().unwrap(),
        };
        let mut hosts = String::from("label,species,lat,lon,condition\n");
        for k in 0..36 {
            let (row, column) = (f64::from(k / 6), f64::from(k % 6));
            let (lat, lon) = (34.0 + 0.00054 * row, -100.0 + 0.00065 * column);
            writeln!(hosts, "H{k},Citrus sinensis,{lat:.6},{lon:.6},healthy").unwrap();
        }
        let mut weather = String::from("date,tmin_c,tmax_c\n");
        let mut day = jiff::civil::date(2023, 1, 1);
        while day.year() < 2026 {
            let season = (f64::from(day.day_of_year() - 105) / 365.0 * std::f64::consts::TAU).sin();
            writeln!(
                weather,
                "{day},{:.1},{:.1}",
                10.0 + 8.0 * season,
                22.0 + 9.0 * season
            )
            .unwrap();
            day = day.tomorrow().unwrap();
        }
        fs::write(ground.path("hosts.csv"), hosts).unwrap();
        fs::write(ground.path("weather.csv"), weather).unwrap();
        ground.good(&["init"]);
        ground.good(&["load", "hosts", &ground.name("hosts.csv")]);
        if with_weather {
            ground.good(&["load", "weather", &ground.name("weather.csv")]);
        }
        if with_plans {
            for traps in ["2", "6"] {
                ground.good(&[
                    "place",
                    "--target",
                    TARGET,
                    "--traps",
                    traps,
                    "--spacing",
                    "60",
                    "--save",
                    "--reason",
                    "test",
                ]);
            }
        }
        ground
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn name(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    fn earlywood(&self, words: &[&str]) -> Answer {
        let mut all = vec![words[0].to_string(), self.name("g.earlywood")];
        all.extend(words[1..].iter().map(|w| (*w).to_string()));
        run(&all, b"")
    }

    fn good(&self, words: &[&str]) -> Answer {
        let answer = self.earlywood(words);
        assert_eq!(answer.code, Some(0), "{words:?}: {answer:?}");
        answer
    }

    fn refused(&self, words: &[&str], part: &str) {
        let answer = self.earlywood(words);
        assert!(matches!(answer.code, Some(1 | 2)), "{words:?}: {answer:?}");
        assert!(
            answer.stdout.is_empty() && !answer.stderr.contains("panicked"),
            "{answer:?}"
        );
        assert!(
            answer.stderr.contains(part),
            "{part:?} is not in {:?}",
            answer.stderr
        );
    }
}

const SMALL: [&str; 8] = [
    "trial",
    "--target",
    TARGET,
    "--replicates",
    "60",
    "--seasons",
    "1",
    "--year",
];

fn small<'a>(more: &[&'a str]) -> Vec<&'a str> {
    SMALL
        .iter()
        .copied()
        .chain(["2025"])
        .chain(more.iter().copied())
        .collect()
}

#[test]
fn a_trial_tells_shares_times_sizes_costs_and_differences_and_tells_them_again() {
    let ground = Ground::new(true, true);
    let asked = small(&["--plan", "plan-1", "--against", "latest", "--visit-hours", "0.5"]);
    let told = ground.good(&asked).stdout;
    for part in [
        "60 simulated worlds",
        "plan-1 (2 traps): found in",
        "plan-2 (6 traps): found in",
        "95 % interval",
        "plan-2 less plan-1, in the same 60 worlds",
        "cost, crew hours",
        "What the figures rest on:",
        "no published figure",
    ] {
        assert!(told.contains(part), "{part:?} is not in {told}");
    }
    assert_eq!(told, ground.good(&asked).stdout);
    let mut json = asked.clone();
    json.push("--json");
    let answer: Value = serde_json::from_str(&ground.good(&json).stdout).unwrap();
    let plans = answer["trial"]["plans"].as_array().unwrap();
    let share = |k: usize| plans[k]["detected"]["share"].as_f64().unwrap();
    assert!(share(1) >= share(0), "{plans:?}");
    assert!(answer["trial"]["against"]["cost"]["low"].as_f64().unwrap() > 0.0);
    assert_eq!(answer["trial"]["settings"]["replicates"], 60);
    // A plan against itself.
    let same = small(&["--plan", "plan-2", "--against", "plan-2", "--json"]);
    let answer: Value = serde_json::from_str(&ground.good(&same).stdout).unwrap();
    for what in ["detected", "days", "insects", "area_m2", "cost"] {
        assert_eq!(answer["trial"]["against"][what]["mean"], 0.0, "{what}");
        assert_eq!(answer["trial"]["against"][what]["high"], 0.0, "{what}");
    }
}

#[test]
fn a_calibration_is_told_and_goes_into_the_report() {
    let ground = Ground::new(true, true);
    let asked = small(&["--calibration", "--draws", "5"]);
    let told = ground.good(&asked).stdout;
    for part in [
        "Is it true what we state?",
        "as the statement believes them",
        "to see the check fail",
        "infested all season",
        "really free",
    ] {
        assert!(told.contains(part), "{part:?} is not in {told}");
    }
    let mut json = asked;
    json.push("--json");
    let answer = ground.good(&json).stdout;
    let read: Value = serde_json::from_str(&answer).unwrap();
    let curves = read["calibration"].as_array().unwrap();
    assert_eq!(curves.len(), 3);
    for curve in curves {
        let said: u64 = curve["bins"]
            .as_array()
            .unwrap()
            .iter()
            .map(|b| b["worlds"].as_u64().unwrap())
            .sum();
        assert_eq!(said + curve["found"].as_u64().unwrap(), 60);
    }
    fs::write(ground.path("trial.json"), &answer).unwrap();
    let (trial, page, pdf) = (
        ground.name("trial.json"),
        ground.name("r.html"),
        ground.name("r.pdf"),
    );
    let report = |words: &[&str]| {
        let mut all = vec!["print"];
        all.extend(words);
        all.extend(["--target", TARGET, "--on", "2025-09-30", "--draws", "20"]);
        ground.good(&all);
    };
    report(&["report", "--out", &page, "--trial", &trial]);
    let html = fs::read_to_string(&page).unwrap();
    assert!(
        html.contains("Is it true what we state?") && html.contains("stands as it did"),
        "no trial in it"
    );
    report(&["season", "--out", &pdf, "--trial", &trial]);
    assert!(fs::read(&pdf).unwrap().starts_with(b"%PDF"));
    report(&["report", "--out", &page]);
    assert!(
        !fs::read_to_string(&page)
            .unwrap()
            .contains("Is it true what we state?")
    );
    // The record moves on: the report says so.
    let more = [
        "place",
        "--target",
        TARGET,
        "--traps",
        "3",
        "--spacing",
        "60",
        "--save",
        "--reason",
        "test",
    ];
    ground.good(&more);
    report(&["report", "--out", &page, "--trial", &trial]);
    assert!(
        fs::read_to_string(&page)
            .unwrap()
            .contains("run it again before leaning on it")
    );
    // Another programme's, and no trial at all.
    let other = answer.replacen(read["programme"].as_str().unwrap(), "another", 1);
    fs::write(ground.path("trial.json"), other).unwrap();
    let asked = [
        "print",
        "report",
        "--out",
        &page,
        "--trial",
        &trial,
        "--target",
        TARGET,
        "--on",
        "2025-09-30",
        "--draws",
        "20",
    ];
    ground.refused(&asked, "run on another programme");
    fs::write(ground.path("trial.json"), "{}").unwrap();
    ground.refused(&asked, "this is not what a trial writes");
}

#[test]
fn what_can_t_be_tried_is_told_plainly() {
    let bare = Ground::new(true, false);
    bare.refused(
        &["trial", "--target", TARGET, "--year", "2025", "--seasons", "1"],
        "there is no plan for",
    );
    bare.refused(&small(&["--plan", "hanging"]), "no trap for");
    let ground = Ground::new(true, true);
    ground.refused(
        &["trial", "--target", TARGET, "--replicates", "0"],
        "1 to 1000000",
    );
    ground.refused(
        &["trial", "--target", TARGET, "--replicates", "many"],
        "no whole number",
    );
    ground.refused(&small(&["--plan", "best"]), "names no plan");
    ground.refused(&small(&["--plan", "plan-7"]), "there is no plan 7");
    ground.refused(
        &["trial", "--target", TARGET, "--year", "2020"],
        "load earlier weather",
    );
    ground.refused(&small(&["--growth", "-1"]), "must be above 0");
    ground.refused(&small(&["--not-reached", "1.2"]), "--not-reached");
    ground.refused(&["trial", "--target", "no-such-beetle"], "no target");
    let dry = Ground::new(false, false);
    dry.refused(&["trial", "--target", TARGET], "no weather is loaded");
}
