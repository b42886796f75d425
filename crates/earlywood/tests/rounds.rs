//! Rounds through the program itself: crews loaded and formed, rounds proposed, adopted and shown, files for other programs, a
//! sheet typed in; and what is refused on the way.

#![allow(clippy::unwrap_used)] // helpers outside #[test] functions may fail as loudly as the tests

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use crate::common::{Answer, run};
use jiff::ToSpan as _;
use jiff::civil::Date;
use serde_json::Value;

const TARGET: &str = "mediterranean-fruit-fly";

struct Ground {
    dir: tempfile::TempDir,
}

fn today() -> Date {
    // As the program reckons it in this time zone.
    let zone = jiff::tz::TimeZone::get("America/Denver").unwrap();
    jiff::Timestamp::now().to_zoned_datetime(zone).date()
}

impl Ground {
    /// Twelve traps, hung 30 days ago and never looked at; two crews that work every day.
    fn new() -> Ground {
        let ground = Ground {
            dir: tempfile::tempdir().unwrap(),
        };
        let mut traps = String::from("trap,place,lat,lon,targets,hung\n");
        let hung = today().saturating_sub(30.days());
        for n in 0..12 {
            let (lat, lon) = (34.0 + 0.01 * f64::from(n % 4), -100.0 + 0.01 * f64::from(n / 4));
            writeln!(traps, "T{n:02},P{n:02},{lat:.4},{lon:.4},{TARGET},{hung}").unwrap();
        }
        ground.write("traps.csv", &traps);
        ground.write(
            "crews.csv",
            "label,lat,lon,starts,ends,break_minutes,days\n\
             crew-1,34.0,-100.0,07:00,15:00,30,\"mon,tue,wed,thu,fri,sat,sun\"\n\
             crew-2,34.0,-100.0,07:00,15:00,30,\"mon,tue,wed,thu,fri,sat,sun\"\n",
        );
        ground.good(&["init"]);
        ground.good(&["load", "traps", "traps.csv"]);
        ground
    }

    fn with_crews() -> Ground {
        let ground = Ground::new();
        ground.good(&["load", "crews", "crews.csv"]);
        // The program takes this machine's day where none is given, which may be another than that of the time zone.
        let since = today().saturating_sub(2.days()).to_string();
        for (person, crew) in [("ada", "crew-1"), ("ben", "crew-2")] {
            ground.good(&["people", "enrol", person, "--role", "inspector", "--from", &since]);
            ground.good(&["people", "crew", crew, "--of", person, "--from", &since]);
        }
        ground
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    fn earlywood(&self, words: &[&str]) -> Answer {
        let mut all = vec![
            words[0].to_string(),
            self.path("g.earlywood").display().to_string(),
        ];
        for word in &words[1..] {
            let is_file = [".csv", ".ics", ".gpx"].iter().any(|e| word.ends_with(e));
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

    fn refused(&self, words: &[&str], parts: &[&str]) {
        let answer = self.earlywood(words);
        assert_ne!(answer.code, Some(0), "{words:?}: {answer:?}");
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
}

fn plan(more: &[&'static str]) -> Vec<&'static str> {
    [&["rounds", "--days", "3", "--no-hang"][..], &ZONE, more].concat()
}

const ZONE: [&str; 2] = ["--time-zone", "America/Denver"];

#[test]
fn rounds_are_proposed_adopted_shown_exported_and_typed_in() {
    let ground = Ground::with_crews();
    let words = ground.good(&plan(&[]));
    assert!(
        words.stdout.contains("Nothing was written") && words.stdout.contains("drive min"),
        "{words:?}"
    );
    assert!(
        words.stderr.contains("no roads are loaded") && words.stderr.contains("past stop"),
        "{words:?}"
    );
    let proposed = ground.json(&plan(&[]));
    let stops = |v: &Value| -> usize {
        let rounds = v["rounds"].as_array().unwrap();
        rounds.iter().map(|r| r["stops"].as_array().unwrap().len()).sum()
    };
    assert_eq!(
        stops(&proposed) + proposed["left_out"].as_array().unwrap().len(),
        12
    );
    assert!(
        ground.json(&["rounds", "--show"])["rounds"]
            .as_array()
            .unwrap()
            .is_empty()
    );
    let adopted = ground.json(&plan(&["--adopt", "--reason", "the usual week"]));
    assert!(adopted["entry"]["number"].is_u64());
    let shown = ground.json(&[&["rounds", "--show", "--days", "3"][..], &ZONE].concat());
    assert_eq!(shown["rounds"], adopted["rounds"]);
    assert_eq!(shown["adopted"]["reason"], "the usual week");
    // Files: there is none until it is whole, and none is written over.
    for (format, out) in [("ics", "r.ics"), ("gpx", "r.gpx"), ("csv", "r.csv")] {
        ground.good(&["export", "--as", format, out]);
        assert!(fs::metadata(ground.path(out)).unwrap().len() > 200);
        ground.refused(&["export", "--as", format, out], &["is there already", "--force"]);
        ground.good(&["export", "--as", format, out, "--force"]);
    }
    let left = fs::read_dir(ground.dir.path()).unwrap();
    assert!(
        left.flatten()
            .all(|f| !f.file_name().to_string_lossy().contains(".part"))
    );
    assert_eq!(
        fs::read_to_string(ground.path("r.csv")).unwrap().lines().count(),
        stops(&shown) + 1
    );
    ground.refused(
        &["export", "--as", "csv", "x.csv", "--crew", "crew-9"],
        &["crew-1, crew-2"],
    );
    ground.refused(
        &[
            "export",
            "--as",
            "csv",
            "x.csv",
            "--from",
            "2019-01-01",
            "--to",
            "2019-01-02",
        ],
        &["nothing to write"],
    );
    ground.refused(&["export", "--as", "csv", "x.csv", "--stops"], &["calendars"]);
    // A sheet of today.
    let round = &shown["rounds"][0];
    assert_eq!(round["date"], today().to_string());
    let code = round["sheet"].as_str().unwrap();
    let form = ground.good(&["sheet", code]);
    let mut lines: Vec<String> = form.stdout.lines().map(str::to_owned).collect();
    assert_eq!(lines.len(), 1 + round["stops"].as_array().unwrap().len());
    lines[1] = lines[1].trim_end_matches(',').to_owned() + ",working,fully,0,yes,no,yes,no,,,";
    ground.write("answers.csv", &lines.join("\r\n"));
    let bad = lines.join("\r\n").replace("working", "wroking");
    ground.write("bad.csv", &bad);
    ground.refused(
        &["sheet", code, "--typed", "bad.csv"],
        &["row 1, column found", "wroking", "nothing was written"],
    );
    assert!(
        ground
            .good(&["sheet", code, "--typed", "answers.csv"])
            .stdout
            .contains("1 visits recorded")
    );
    ground.refused(&["sheet", code, "--typed", "answers.csv"], &["recorded already"]);
    ground.refused(&["sheet", "AAAAA"], &["A"]);
    ground.refused(&["sheet", "O1"], &["character"]);
    // In mid-day one crew is out; nothing is lost.
    let again = ground.json(&[&["rounds", "--at", "11:00", "--without", "crew-2"][..], &ZONE].concat());
    let done = 1;
    let left = again["left_out"].as_array().unwrap().len();
    assert_eq!(stops(&again) + left, 12, "{again}");
    let again_done = again["rounds"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|r| r["stops"].as_array().unwrap());
    assert_eq!(again_done.filter(|s| s["done"] == true).count(), done);
}

#[test]
fn what_can_not_be_is_said_plainly() {
    let ground = Ground::new();
    ground.refused(&["rounds"], &["working day", "load FILE crews"]);
    ground.good(&["load", "crews", "crews.csv"]);
    ground.refused(&["rounds"], &["no crew is formed", "people FILE crew"]);
    ground.refused(&["rounds", "--time-zone", "Mars/Base"], &["Mars/Base", "IANA"]);
    ground.refused(&["rounds", "--days", "90"], &["1 to 28"]);
    ground.refused(&["rounds", "--from", "1999-01-01"], &["years back"]);
    ground.refused(&["rounds", "--at", "25:00"], &["time of the day"]);
    ground.refused(&["rounds", "--adopt"], &["--reason"]);
    ground.refused(&["rounds", "--without", "crew-1:someday"], &["someday"]);
    ground.refused(&["rounds", "--without", "crew-7"], &["crew-7"]);
    ground.refused(&["rounds", "--closed", "way/1"], &["crew"]);
}

/// Weather of a place with a winter, every day from one year's first to the end of another.
fn seasons(from: i16, to: i16) -> String {
    let mut text = String::from("date,tmin_c,tmax_c\n");
    let first = Date::constant(from, 1, 1);
    for day in first.series(1.day()).take_while(|d| d.year() <= to) {
        // Warmest late in July.
        let turn = std::f64::consts::TAU * (f64::from(day.day_of_year()) - 205.0) / 365.0;
        let mean = 11.0 + 14.0 * turn.cos();
        writeln!(text, "{day},{:.1},{:.1}", mean - 6.0, mean + 6.0).unwrap();
    }
    text
}

#[test]
fn take_downs_can_be_left_out() {
    let ground = Ground {
        dir: tempfile::tempdir().unwrap(),
    };
    // Last year: its winter is past on every day on which this runs.
    let year = today().year() - 1;
    let (hung, since, from) = (
        format!("{year}-05-01"),
        format!("{year}-01-01"),
        format!("{year}-12-15"),
    );
    ground.write(
        "traps.csv",
        &format!("trap,place,lat,lon,targets,hung\nT0,P0,34.0,-100.0,emerald-ash-borer,{hung}\n"),
    );
    ground.write(
        "crews.csv",
        "label,lat,lon,starts,ends,break_minutes,days\n\
         crew-1,34.0,-100.0,07:00,15:00,30,\"mon,tue,wed,thu,fri,sat,sun\"\n",
    );
    ground.write("weather.csv", &seasons(year - 2, year));
    ground.good(&["init"]);
    for what in ["traps", "crews", "weather"] {
        ground.good(&["load", what, &format!("{what}.csv")]);
    }
    ground.good(&["people", "enrol", "ada", "--role", "inspector", "--from", &since]);
    ground.good(&["people", "crew", "crew-1", "--of", "ada", "--from", &since]);
    let what = |more: &[&str]| {
        let asked = [&["rounds", "--from", &from, "--days", "1"][..], &ZONE, more].concat();
        ground.json(&asked)["rounds"][0]["stops"][0]["what"].to_string()
    };
    assert!(what(&[]).contains("take down"), "{}", what(&[]));
    let visited = what(&["--no-take-down"]);
    assert!(
        visited.contains("look") && !visited.contains("take down"),
        "{visited}"
    );
}
