//! The main job through the program itself, on a small invented ground: files in, a plan, a season, visits, assurance,
//! a find; and what it refuses on the way.

#![allow(clippy::unwrap_used)] // helpers outside #[test] functions may fail as loudly as the tests

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use crate::common::{Answer, run};
use serde_json::Value;

const TARGET: &str = "mediterranean-fruit-fly";

/// A folder with input files and a programme file in it.
struct Ground {
    dir: tempfile::TempDir,
}

impl Ground {
    /// 144 citrus trees on a 40 m grid in two zones, a market between them, three years of weather. All invented.
    fn new() -> Ground {
        let ground = Ground {
            dir: tempfile::tempdir().unwrap(),
        };
        ground.write("hosts.csv", &hosts());
        ground.write("zones.geojson", &zones());
        ground.write(
            "pathways.csv",
            "label,kind,lat,lon,weight,reach_m\nmarket,fruit market,34.0020,-100.0000,5,150\n",
        );
        ground.write("weather.csv", &weather());
        ground
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    /// Runs the program on this ground's programme file: `words[0] FILE words[1..]`; words that end like a file of the
    /// ground are taken from its folder.
    fn earlywood(&self, words: &[&str]) -> Answer {
        let mut all = vec![
            words[0].to_string(),
            self.path("g.earlywood").display().to_string(),
        ];
        for word in &words[1..] {
            let is_file = [".csv", ".geojson", ".toml", ".html"]
                .iter()
                .any(|e| word.ends_with(e));
            all.push(if is_file {
                self.path(word).display().to_string()
            } else {
                (*word).to_string()
            });
        }
        run(&all, b"")
    }

    fn good(&self, words: &[&str]) -> Answer {
        let answer = self.earlywood(words);
        assert_eq!(answer.code, Some(0), "{words:?}: {answer:?}");
        answer
    }

    fn json(&self, words: &[&str]) -> Value {
        let mut words = words.to_vec();
        words.push("--json");
        serde_json::from_str(&self.good(&words).stdout).unwrap()
    }

    /// Refused: not zero, a plain message with these words, nothing on standard output.
    fn refused(&self, words: &[&str], parts: &[&str]) {
        let answer = self.earlywood(words);
        assert_eq!(answer.code, Some(1), "{words:?}: {answer:?}");
        assert!(
            answer.stdout.is_empty() && !answer.stderr.contains("panicked"),
            "{words:?}: {answer:?}"
        );
        for part in parts {
            assert!(
                answer.stderr.contains(part),
                "{part:?} is not in {:?}",
                answer.stderr
            );
        }
    }

    fn load_all(&self) {
        self.good(&["init"]);
        for (what, file) in [
            ("zones", "zones.geojson"),
            ("hosts", "hosts.csv"),
            ("pathways", "pathways.csv"),
            ("weather", "weather.csv"),
        ] {
            self.good(&["load", what, file]);
        }
    }

    /// A saved plan of eight traps, hung on 1 April 2025, as the sheet a field office keeps.
    fn plan_and_hang(&self) {
        self.good(&[
            "place",
            "--target",
            TARGET,
            "--traps",
            "8",
            "--spacing",
            "60",
            "--save",
            "--reason",
            "test",
            "--out",
            "plan.csv",
        ]);
        let plan = fs::read_to_string(self.path("plan.csv")).unwrap();
        let mut sheet = String::from("trap,place,targets,hung\n");
        for (n, line) in plan.lines().skip(1).enumerate() {
            let place = line.split(',').next().unwrap();
            writeln!(sheet, "T{n},{place},{TARGET},2025-04-01").unwrap();
        }
        self.write("traps.csv", &sheet);
        self.good(&["load", "traps", "traps.csv"]);
    }

    fn assurance(&self, on: &str) -> Value {
        self.json(&["assurance", "--on", on, "--draws", "60"])
    }
}

fn hosts() -> String {
    let mut text = String::from("label,species,lat,lon,condition\n");
    for row in 0..12 {
        for column in 0..12 {
            let (lat, lon) = (
                34.0 + 0.00036 * f64::from(row),
                -100.0 + 0.00043 * f64::from(column - 6),
            );
            writeln!(
                text,
                "H{row:02}{column:02},Citrus sinensis,{lat:.6},{lon:.6},healthy"
            )
            .unwrap();
        }
    }
    text
}

fn zones() -> String {
    let square = |label: &str, west: f64, east: f64| {
        format!(
            r#"{{"type":"Feature","properties":{{"label":"{label}"}},"geometry":{{"type":"Polygon","coordinates":[[[{west},33.998],[{east},33.998],[{east},34.006],[{west},34.006],[{west},33.998]]]}}}}"#
        )
    };
    format!(
        r#"{{"type":"FeatureCollection","features":[{},{}]}}"#,
        square("Westside", -100.006, -100.0),
        square("Eastside", -100.0, -99.994)
    )
}

fn weather() -> String {
    let mut text = String::from("date,tmin_c,tmax_c\n");
    let mut day = jiff::civil::date(2023, 1, 1);
    while day.year() < 2026 {
        let season = (f64::from(day.day_of_year() - 105) / 365.0 * std::f64::consts::TAU).sin();
        writeln!(
            text,
            "{day},{:.1},{:.1}",
            10.0 + 8.0 * season,
            22.0 + 9.0 * season
        )
        .unwrap();
        day = day.tomorrow().unwrap();
    }
    text
}

fn sensitivity(zone: &Value) -> f64 {
    zone["periods"].as_array().unwrap().last().unwrap()["sensitivity"]["median"]
        .as_f64()
        .unwrap()
}

/// One service of every trap on a day.
fn visits(day: &str, found: &str, looked: &str, suspects: &str) -> String {
    let mut text = String::from("trap,date,kind,found,looked,suspects,renewed\n");
    for n in 0..8 {
        let renewed = if looked == "no" { "none" } else { "lure+insert" };
        writeln!(text, "T{n},{day},service,{found},{looked},{suspects},{renewed}").unwrap();
    }
    text
}

#[test]
fn the_whole_job_on_a_small_ground() {
    let ground = Ground::new();
    ground.load_all();

    let plan = ground.json(&["place", "--target", TARGET, "--traps", "8", "--spacing", "60"]);
    assert_eq!(plan["chosen"].as_array().unwrap().len(), 8);
    assert!(plan["bound"].as_f64() >= plan["objective"].as_f64() && plan["gap"].as_f64() >= Some(0.0));
    assert_eq!(plan["saved"], false);
    assert_eq!(
        ground.json(&["journal", "log", "--kind", "plan-adopted"])["entries"],
        serde_json::json!([])
    );
    ground.plan_and_hang();

    let season = ground.json(&["season", "--year", "2026"]);
    assert_eq!(season["traps"], 8);
    assert!(
        season["order"]["lures"].as_u64() >= Some(8),
        "{}",
        season["order"]
    );
    assert_eq!(
        season["plan"]["rows"].as_array().unwrap().len(),
        3,
        "one row for each past year"
    );

    let before = ground.assurance("2025-06-01");
    assert_eq!(before["zones"].as_array().unwrap().len(), 2);
    let nothing: f64 = before["zones"].as_array().unwrap().iter().map(sensitivity).sum();
    assert_eq!(nothing, 0.0, "no look has been made");

    // Could not look: a record of its own, and worth nothing.
    ground.write("locked.csv", &visits("2025-05-20", "not-reached", "no", ""));
    ground.good(&["load", "visits", "locked.csv"]);
    let locked: f64 = ground.assurance("2025-06-01")["zones"]
        .as_array()
        .unwrap()
        .iter()
        .map(sensitivity)
        .sum();
    assert_eq!(locked, 0.0);

    ground.write("looked.csv", &visits("2025-06-05", "working", "fully", "0"));
    ground.good(&["load", "visits", "looked.csv"]);
    let after = ground.assurance("2025-06-06");
    for zone in after["zones"].as_array().unwrap() {
        let seen = sensitivity(zone);
        assert!(seen > 0.0 && seen < 1.0, "{seen}");
        let free = zone["periods"].as_array().unwrap().last().unwrap()["p_free"]["median"]
            .as_f64()
            .unwrap();
        assert!(free > 0.0 && free < 1.0, "never certain: {free}");
        assert!(
            !zone["losses"].as_array().unwrap().is_empty(),
            "a locked gate and an old lure cost something"
        );
    }
    assert!(after["zones"][0]["next_visits"][0]["waiting_trap_days"].is_number());
    assert_eq!(
        ground.json(&["assurance", "--on", "2025-06-06", "--zone", "Westside"])["zones"]
            .as_array()
            .unwrap()
            .len(),
        1
    );

    // A suspect waits, is confirmed, and ends all talk of absence in its zone from that day on.
    ground.write(
        "suspect.csv",
        "trap,date,kind,found,looked,suspects\nT0,2025-06-20,service,working,fully,1\n",
    );
    ground.good(&["load", "visits", "suspect.csv"]);
    assert_eq!(ground.assurance("2025-06-21")["open_suspects"], 1);
    let determine = [
        "journal",
        "determine",
        "--trap",
        "T0",
        "--taken",
        "2025-06-20",
        "--on",
        "2025-06-25",
    ];
    let who = [
        "--target",
        TARGET,
        "--status",
        "confirmed",
        "--by",
        "identifier-1",
    ];
    ground.good(&[&determine[..], &who[..]].concat());
    for (on, open) in [("2025-06-24", 1), ("2025-06-25", 0)] {
        assert_eq!(
            ground.assurance(on)["open_suspects"],
            open,
            "{on}: open until it is said what it is"
        );
    }
    let found = |on: &str| {
        let answer = ground.assurance(on);
        let zones = answer["zones"].as_array().unwrap().clone();
        zones.iter().filter(|z| !z["found_on"].is_null()).count()
    };
    assert_eq!(
        (found("2025-06-24"), found("2025-06-25")),
        (0, 1),
        "known from the day it was determined"
    );

    ground.good(&[
        "print",
        "report",
        "--on",
        "2025-07-01",
        "--draws",
        "60",
        "--out",
        "report.html",
    ]);
    let page = fs::read_to_string(ground.path("report.html")).unwrap();
    assert!(page.contains("Found:") && page.contains("Westside") && !page.contains("<script"));
    assert!(ground.good(&["journal", "verify"]).stdout.contains("holds"));
}

#[test]
fn the_plan_does_not_depend_on_the_number_of_threads() {
    let ground = Ground::new();
    ground.load_all();
    let with = |threads: &str| {
        let out = std::process::Command::new(env!("CARGO_BIN_EXE_earlywood"))
            .env("RAYON_NUM_THREADS", threads)
            .arg("place")
            .arg(ground.path("g.earlywood"))
            .args(["--target", TARGET, "--traps", "10", "--spacing", "50", "--json"])
            .output()
            .unwrap();
        let plan: Value = serde_json::from_slice(&out.stdout).unwrap();
        (
            plan["chosen"].clone(),
            plan["objective"].clone(),
            plan["bound"].clone(),
        )
    };
    assert_eq!(with("1"), with("4"));
}

#[test]
fn a_bad_row_stops_the_load_unless_the_good_ones_are_to_be_kept() {
    let ground = Ground::new();
    ground.good(&["init"]);
    ground.write("bad.csv", "label,species,lat,lon\nA,Citrus sinensis,34.0,-100.0\nA,Citrus sinensis,34.1,-100.0\nB,Citrus sinensis,x,-100\n");
    ground.refused(
        &["load", "hosts", "bad.csv"],
        &["row 3", "row 4", "column lat", "nothing was written"],
    );
    assert_eq!(
        ground.json(&["journal", "log"])["entries"]
            .as_array()
            .unwrap()
            .len(),
        1,
        "only the set-up"
    );
    let kept = ground.json(&["load", "hosts", "bad.csv", "--keep-good"]);
    assert_eq!((&kept["written"], &kept["left_out"]), (&1.into(), &2.into()));
    assert_eq!(
        ground.json(&["load", "hosts", "hosts.csv", "--check"])["written"],
        0
    );
    assert_eq!(
        ground.json(&["load", "hosts", "hosts.csv", "--replace"])["written"],
        144
    );
}

#[test]
fn visits_that_cannot_be_are_refused_with_their_row() {
    let ground = Ground::new();
    ground.load_all();
    ground.plan_and_hang();
    let head = "trap,date,kind,found,looked,suspects\n";
    let cases = [
        ("T99,2025-06-01,service,working,fully,0", "T99"),
        ("T0,2025-03-01,service,working,fully,0", "2025-04-01"),
        ("T0,2025-06-01,service,working,fully,", "looked, none"),
        ("T0,2025-06-01,service,not-reached,fully,0", "not reached"),
        ("T0,2199-06-01,service,working,fully,0", "future"),
        ("T0,2025-06-01,service,working,no,2", "not looked at"),
    ];
    for (row, part) in cases {
        ground.write(
            "v.csv",
            &format!("{head}T1,2025-06-01,service,working,fully,0\n{row}\n"),
        );
        ground.refused(
            &["load", "visits", "v.csv"],
            &["row 3", part, "nothing was written"],
        );
    }
    ground.write(
        "v.csv",
        &format!("{head}T1,2025-06-01,service,working,fully,0\n{}\n", cases[0].0),
    );
    assert_eq!(
        ground.json(&["load", "visits", "v.csv", "--keep-good"])["written"],
        1
    );
}

#[test]
fn what_is_missing_is_said_in_plain_words() {
    let ground = Ground::new();
    ground.refused(&["assurance"], &["g.earlywood"]);
    ground.write("g.earlywood", "not a programme");
    ground.refused(&["journal", "verify"], &["programme file"]);
    fs::remove_file(ground.path("g.earlywood")).unwrap();
    ground.good(&["init"]);
    ground.refused(&["init"], &["already exists"]);
    ground.refused(
        &["place", "--target", TARGET, "--traps", "5"],
        &["no hosts are loaded"],
    );
    ground.refused(
        &["place", "--target", "no-such-target", "--traps", "5"],
        &["no-such-target", TARGET],
    );
    ground.refused(
        &["season", "--year", "2026", "--target", TARGET],
        &["no weather is loaded"],
    );
    ground.good(&["load", "hosts", "hosts.csv"]);
    ground.refused(
        &["place", "--target", "emerald-ash-borer", "--traps", "5"],
        &["Fraxinus"],
    );
    ground.good(&["load", "weather", "weather.csv"]);
    ground.refused(
        &["assurance", "--target", TARGET, "--on", "2199-01-01"],
        &["future"],
    );
    ground.refused(&["load", "targets", "hosts.csv"], &["target profile"]);
    ground.refused(
        &["load", "visits", "weather.csv", "--replace"],
        &["never replaced"],
    );
    ground.refused(&["journal", "backup", "hosts.csv"], &["exists"]);
}

#[test]
fn a_demo_refuses_a_folder_that_is_not_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let mine: &Path = &dir.path().join("my-notes.txt");
    fs::write(mine, "keep").unwrap();
    let answer = run(
        &["demo".into(), "--dir".into(), dir.path().display().to_string()],
        b"",
    );
    assert_eq!(answer.code, Some(1));
    assert!(answer.stderr.contains("not empty"), "{answer:?}");
    assert_eq!(fs::read_to_string(mine).unwrap(), "keep");
}
