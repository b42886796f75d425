//! The response to a find through the program itself: from the suspect to the release, with what is refused on the way, and
//! what of it the public gets to see. All invented.

#![allow(clippy::unwrap_used)] // helpers outside #[test] functions may fail as loudly as the tests

use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use crate::common::{Answer, run};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use serde_json::{Value, json};

const TARGET: &str = "emerald-ash-borer";
/// Where the trap hangs that catches it.
const TRAP: [&str; 2] = ["44.00005", "-99.99685"];
/// Few draws: what is asked here is not how sharp the origin is.
const SHOW: &str = "response S-1 --draws 20";
const ADOPT_AREA: &str = "response S-1 area --adopt --authority order-7 --reason a-beetle";

struct District {
    dir: tempfile::TempDir,
}

/// In last year's summer, which is past on every day on which this runs.
fn july() -> Date {
    date(jiff::ZonedDateTime::now().year() - 1, 7, 1)
}

/// Weather with summers and winters, from the year before last to today.
fn weather() -> String {
    let first = date(july().year() - 1, 1, 1);
    let today = jiff::ZonedDateTime::now().date();
    let mut text = String::from("date,tmin_c,tmax_c\n");
    for day in first.series(1.day()).take_while(|day| *day <= today) {
        let summer = (5..=9).contains(&day.month());
        let temperatures = if summer { "12,26" } else { "-4,6" };
        writeln!(text, "{day},{temperatures}").unwrap();
    }
    text
}

/// A GeoJSON polygon: a square with its south-western corner and its side, in degrees.
fn square(west: f64, south: f64, side: f64) -> String {
    let (east, north) = (west + side, south + side);
    let ring = json!([
        [west, south],
        [east, south],
        [east, north],
        [west, north],
        [west, south]
    ]);
    json!({"type": "Polygon", "coordinates": [ring]}).to_string()
}

impl District {
    /// A row of ash by two traps; what one of them caught in July stays a suspect.
    fn new() -> District {
        let district = District {
            dir: tempfile::tempdir().unwrap(),
        };
        let mut trees = String::from("label,species,lat,lon,condition\n");
        for n in 0..13 {
            let lon = -99.9978 + 0.00015 * f64::from(n);
            writeln!(trees, "A{n:02},Fraxinus,44.0001,{lon:.5},healthy").unwrap();
        }
        let (hung, [lat, lon]) = (july().saturating_sub(60.days()), TRAP);
        let traps = format!(
            "trap,place,lat,lon,targets,hung\n\
             T1,P1,{lat},{lon},{TARGET},{hung}\nT2,P2,{lat},-99.99600,{TARGET},{hung}\n"
        );
        let nursery = "label,kind,lat,lon,weight,reach_m\nnursery,nursery stock,44.0,-99.997,3,200\n";
        let profile = run(&["targets", TARGET, "--toml"].map(str::to_owned), b"").stdout;
        district.good("init");
        for (what, file, text) in [
            ("hosts", "@hosts.csv", trees.as_str()),
            ("pathways", "@pathways.csv", nursery),
            ("weather", "@weather.csv", &weather()),
            ("traps", "@traps.csv", &traps),
            ("targets", "@target.toml", &profile),
        ] {
            district.write(file, text);
            district.good(&format!("load {what} {file}"));
        }
        district.good(&format!(
            "people authority lead --taxa * --up-to confirmed --from {hung}"
        ));
        district.take("S-1", "T1");
        district.determine("S-1", "suspect");
        district
    }

    fn take(&self, specimen: &str, trap: &str) {
        let on = july();
        self.good(&format!(
            "specimen take {specimen} --what insect --count 1 --trap {trap} --on {on}"
        ));
    }

    fn determine(&self, specimen: &str, status: &str) {
        self.good(&format!(
            "specimen determine {specimen} --target {TARGET} --status {status} --method morphology --life-stage adult \
             --mark-checked"
        ));
    }

    /// As [`District::new`], the find confirmed and a response open on it.
    fn responding() -> District {
        let district = District::new();
        district.determine("S-1", "confirmed");
        district.good(&format!("response adopt {TARGET}"));
        district.good("response S-1 open --reason one-beetle");
        district
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name.trim_start_matches('@'))
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    fn read(&self, name: &str) -> Value {
        serde_json::from_str(&fs::read_to_string(self.path(name)).unwrap()).unwrap()
    }

    /// A command with the programme file after its first word; `@` stands for the folder.
    fn earlywood(&self, line: &str) -> Answer {
        let folder = format!("{}/", self.dir.path().display());
        let (command, rest) = line.split_once(' ').unwrap_or((line, ""));
        let words = [command, "@d.earlywood"]
            .into_iter()
            .chain(rest.split_whitespace());
        let words: Vec<String> = words.map(|word| word.replace('@', &folder)).collect();
        run(&words, b"")
    }

    fn good(&self, line: &str) -> String {
        let answer = self.earlywood(line);
        assert_eq!(answer.code, Some(0), "{line}: {answer:?}");
        answer.stdout
    }

    fn json(&self, line: &str) -> Value {
        serde_json::from_str(&self.good(&format!("{line} --json"))).unwrap()
    }

    /// How many entries the journal has.
    fn entries(&self) -> usize {
        let log = self.json("journal log --last 0");
        log["entries"].as_array().unwrap().len()
    }

    /// Refused by the program itself: code 1, nothing but one message, nothing written.
    fn refused(&self, line: &str, parts: &[&str]) {
        let before = self.entries();
        let answer = self.earlywood(line);
        assert_eq!(answer.code, Some(1), "{line}: {answer:?}");
        assert!(answer.stdout.is_empty(), "{line}: {answer:?}");
        let said = answer.stderr.lines().filter(|said| !said.starts_with("note: "));
        let message = said.collect::<Vec<_>>().join("\n");
        let alone = message.matches("earlywood: ").count() == 1 && !message.contains("panicked");
        assert!(message.starts_with("earlywood: ") && alone, "{line}: {message}");
        for part in parts {
            assert!(message.contains(part), "{line}: no {part:?} in {message:?}");
        }
        assert_eq!(self.entries(), before, "{line}");
    }

    /// Refused for how it was asked: code 2, with the option that is wrong, nothing written.
    fn misasked(&self, line: &str, part: &str) {
        let before = self.entries();
        let answer = self.earlywood(line);
        assert_eq!(answer.code, Some(2), "{line}: {answer:?}");
        assert!(
            answer.stdout.is_empty() && answer.stderr.starts_with("error: ") && answer.stderr.contains(part),
            "{line}: {answer:?}"
        );
        assert_eq!(self.entries(), before, "{line}");
    }
}

/// The names in an object, in the order of the alphabet.
fn keys(value: &Value) -> Vec<&str> {
    let mut keys: Vec<&str> = value.as_object().unwrap().keys().map(String::as_str).collect();
    keys.sort_unstable();
    keys
}

/// What stands under these pointers (RFC 6901).
fn at(value: &Value, pointers: &[&str]) -> Value {
    let of = |pointer: &&str| {
        value
            .pointer(pointer)
            .unwrap_or_else(|| panic!("no {pointer} in {value}"))
    };
    pointers.iter().map(of).cloned().collect()
}

fn count(list: &Value) -> usize {
    list.as_array().unwrap().len()
}

#[test]
fn a_find_waits_until_somebody_opens_a_response_to_it() {
    let district = District::new();
    assert_eq!(district.json("response"), json!({"responses": [], "waiting": []}));
    district.refused("response S-1", &["S-1 is suspect", "not confirmed"]);
    district.determine("S-1", "confirmed");
    assert_eq!(
        district.json("response")["waiting"],
        json!([{"find": "S-1", "target": TARGET}])
    );
    assert!(district.good("response").contains("WAITS: find S-1"));
    // Without a protocol there is something to be told, but nothing to be begun.
    let whole = district.json(SHOW);
    assert_eq!(
        at(&whole, &["/state", "/finds/0/label"]),
        json!(["not begun", "S-1"])
    );
    assert!(whole["lacking"].to_string().contains("protocol"), "{whole}");
    let open = "response S-1 open --reason one-beetle";
    district.refused(open, &["no protocol", "adopt one first"]);
    district.refused("response adopt no-such", &["no-such", TARGET]);
    district.refused(&format!("response S-1 adopt {TARGET}"), &["leave the find out"]);
    district.refused("response open --reason x", &["name the find"]);
    let shipped = include_str!("../../../protocols/emerald-ash-borer.toml");
    district.write("half.toml", &shipped[..shipped.len() / 2]);
    district.refused("response adopt @half.toml", &["half.toml: "]);
    district.write("other.toml", &shipped.replace(TARGET, "no-such-target"));
    district.refused("response adopt @other.toml", &["no-such-target"]);

    let adopted = district.json(&format!("response adopt {TARGET}"));
    assert_eq!(keys(&adopted), ["entry", "target", "warnings"]);
    assert!(adopted["target"] == TARGET && count(&adopted["warnings"]) > 0);
    district.refused("response S-1 step lead", &["never opened"]);
    let opened = district.good(open);
    assert!(
        opened.contains("one-beetle") && opened.contains("near-nursery"),
        "{opened}"
    );
    district.refused(open, &["opened already"]);
    let all = district.json("response");
    assert_eq!(count(&all["waiting"]), 0);
    assert_eq!(
        keys(&all["responses"][0]),
        ["area_km2", "find", "opened", "reports", "state", "target"]
    );
    let pointers = [
        "/responses/0/find",
        "/responses/0/state",
        "/responses/0/area_km2",
        "/responses/0/reports",
    ];
    assert_eq!(at(&all, &pointers), json!(["S-1", "open", null, 0]));
}

#[test]
fn what_is_known_is_told_in_words_as_json_and_on_a_map() {
    let district = District::responding();
    let words = district.good(SHOW);
    for part in [
        "CONFIDENTIAL",
        "Whom to tell",
        "Where it came from",
        "Release clock",
        "Pest status, proposed: Present: transient",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }
    let expected = "area checklist clock common_name delimiting find finds lacking notes origin proposed reports state \
                    status target";
    let whole = district.json(SHOW);
    assert_eq!(keys(&whole), expected.split_whitespace().collect::<Vec<_>>());
    assert_eq!(whole["lacking"], json!([]));
    let map = format!("{SHOW} --geojson @map.geojson");
    district.good(&map);
    let read = district.read("map.geojson");
    let of = |kind: &str| -> Vec<&Value> {
        let features = read["features"].as_array().unwrap().iter();
        features.filter(|f| f["properties"]["kind"] == kind).collect()
    };
    let [find] = of("find")[..] else { panic!("{read}") };
    let [lat, lon] = TRAP.map(|degrees| degrees.parse::<f64>().unwrap());
    assert_eq!(find["geometry"]["coordinates"], json!([lon, lat]));
    assert!(!of("origin-cell").is_empty());
    district.refused(&map, &["map.geojson is there already", "--force"]);
    district.good(&format!("{map} --force"));
    // A part that can't be worked out is named, and the others are told.
    let mars = district.json("response S-1 --station mars");
    assert!(mars["origin"].is_null() && mars["checklist"].is_object());
    assert!(
        mars["lacking"].to_string().contains("mars"),
        "{}",
        mars["lacking"]
    );
    district.refused("response S-1 --on 2999-01-01", &["2999-01-01", "future"]);
    district.misasked("response S-1 --on someday", "--on");
    district.misasked("response S-1 --draws=-1", "--draws");
}

#[test]
fn steps_are_taken_once_in_their_time() {
    let district = District::responding();
    let standing = || {
        let whole = district.json(SHOW);
        at(
            &whole,
            &["/checklist/steps/0/standing", "/checklist/steps/1/standing"],
        )
    };
    assert_eq!(standing(), json!(["due", "waits"]));
    let lead = "response S-1 step lead --note by-telephone";
    let recorded = district.json(lead);
    assert_eq!(
        (keys(&recorded), &recorded["find"]),
        (vec!["entry", "find"], &json!("S-1"))
    );
    assert_eq!(standing(), json!(["done", "due"]));
    district.refused(lead, &["taken already"]);
    district.refused(
        "response S-1 step mayor",
        &["no step \"mayor\"", "state-partner", "public"],
    );
    let at = "response S-1 step commissioner --at";
    district.refused(&format!("{at} 2999-01-01T00:00:00Z"), &["lies in the future"]);
    district.refused(&format!("{at} yesterday"), &["yesterday", "RFC 3339"]);
}

#[test]
fn an_area_is_proposed_adopted_drawn_elsewhere_and_lifted() {
    let district = District::responding();
    let before = district.entries();
    let proposed = district.json("response S-1 area --geojson @area.geojson");
    assert_eq!(district.entries(), before, "a proposal is no entry");
    assert_eq!(
        keys(&proposed),
        [
            "added", "geojson", "notes", "reason", "steps", "text", "version", "within"
        ]
    );
    assert_eq!(district.read("area.geojson"), proposed["geojson"]);
    assert_eq!(
        at(&proposed, &["/version", "/within/hosts", "/within/traps"]),
        json!([1, 13, 2])
    );
    // A circle of 2.4 km, with straight legs a little outside it.
    let km2 = proposed["within"]["km2"].as_f64().unwrap();
    assert!(km2 > 18.09 && km2 < 19.0, "{km2}");
    let words = district.good("response S-1 area");
    for part in [
        "proposed; --adopt",
        "Infested zone:",
        "Regulated area:",
        "clockwise",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }

    assert!(district.good(ADOPT_AREA).contains("version 1"));
    let area_km2 = || district.json("response")["responses"][0]["area_km2"].as_f64();
    assert_eq!(area_km2(), Some(km2));
    let held = &district.json(SHOW)["area"];
    assert_eq!(at(held, &["/version", "/authority"]), json!([1, "order-7"]));
    assert_eq!(held["geometry"], proposed["geojson"]["features"][0]["geometry"]);
    // Nothing new was found: the next version would add nothing.
    let again = district.json("response S-1 area");
    assert_eq!(at(&again, &["/version", "/added/to_version"]), json!([2, 1]));
    assert!(
        again["added"]["km2"].as_f64().unwrap().abs() < 1e-3,
        "{}",
        again["added"]
    );

    district.write("wide.geojson", &square(-100.05, 43.95, 0.1));
    district.write("wide.txt", "From the bridge along the creek to the mill.\n");
    district.good(&format!(
        "{ADOPT_AREA} --geometry @wide.geojson --text @wide.txt --from 2025-01-01"
    ));
    let held = &district.json(SHOW)["area"];
    assert_eq!(
        at(held, &["/version", "/versions", "/from"]),
        json!([2, 2, "2025-01-01"])
    );
    assert!(held["text"].as_str().unwrap().contains("along the creek"));
    // 0.1 degrees of a parallel at 44 N is 8.02 km, of a meridian 11.11 km.
    assert!((area_km2().unwrap() - 89.1).abs() < 0.5, "{:?}", area_km2());

    let lift =
        |version: &str| format!("response S-1 lift --version {version} --authority order-9 --reason clean");
    district.refused(&lift("3"), &["3"]);
    district.misasked(&lift("two"), "--version");
    district.good(&lift("2"));
    district.refused(&lift("2"), &["lifted already"]);
    assert_eq!((area_km2(), &district.json(SHOW)["area"]), (None, &Value::Null));
    let anew = district.json("response S-1 area");
    assert_eq!(at(&anew, &["/version", "/added/to_version"]), json!([3, null]));
}

#[test]
fn ground_that_can_not_be_is_refused_and_nothing_is_written() {
    let district = District::responding();
    let good = square(-100.05, 43.95, 0.1);
    let open = format!("{}]]}}", &good[..good.rfind(",[").unwrap()]);
    let bow = json!({"type": "Polygon", "coordinates": [[[-100, 44], [-99, 45], [-99, 44], [-100, 45], [-100, 44]]]});
    for (name, text, parts) in [
        ("half", &good[..good.len() / 2], &["half.geojson is no JSON"][..]),
        ("empty", "", &["empty.geojson is no JSON"]),
        (
            "point",
            r#"{"type":"Point","coordinates":[-100,44]}"#,
            &["point.geojson", "a Point is no ground"],
        ),
        (
            "none",
            r#"{"type":"FeatureCollection","features":[]}"#,
            &["none.geojson", "no polygon"],
        ),
        ("open", &open, &["open.geojson", "not closed"]),
        (
            "swapped",
            &square(43.95, -100.05, 0.1),
            &["longitude before latitude"],
        ),
        (
            "huge",
            &good.replace("-100.05", "1e400"),
            &["huge.geojson is no JSON"],
        ),
        ("bow", &bow.to_string(), &["bow.geojson", "crosses itself"]),
    ] {
        let file = format!("@{name}.geojson");
        district.write(&file, text);
        district.refused(&format!("{ADOPT_AREA} --geometry {file}"), parts);
    }
    district.write("good.geojson", &good);
    let from_file = format!("{ADOPT_AREA} --geometry @good.geojson");
    district.refused(
        &format!("{ADOPT_AREA} --geometry @gone.geojson"),
        &["gone.geojson can't be read"],
    );
    district.refused(
        &format!("{from_file} --text @gone.txt"),
        &["gone.txt can't be read"],
    );
    for line in [ADOPT_AREA, &from_file] {
        let line = format!("{line} --from 2025-06-02 --to 2025-06-01");
        district.refused(&line, &["2025-06-01", "2025-06-02"]);
    }
    district.refused("response S-1 area --geometry @good.geojson", &["--adopt"]);
    district.misasked("response S-1 area --adopt", "--authority");
    district.misasked(&format!("{ADOPT_AREA} --text @good.geojson"), "--geometry");
    district.misasked(&format!("{ADOPT_AREA} --from tomorrow"), "--from");
    assert!(district.json(SHOW)["area"].is_null());
}

#[test]
fn a_delimiting_survey_is_laid_out_and_adopted() {
    let district = District::responding();
    let survey = "response S-1 delimit --draws 20";
    district.misasked(&format!("{survey} --hours -1"), "0 or more");
    district.misasked(&format!("{survey} --hours NaN"), "--hours");
    district.misasked(&format!("{survey} --traps 2.5"), "--traps");
    district.misasked(&format!("{survey} --adopt rings"), "--reason");
    district.misasked(&format!("{survey} --adopt by-hand --reason r"), "optimised");
    district.refused(&format!("{survey} --heavy S-9"), &["S-9"]);

    let before = district.entries();
    let made = district.json(&format!("{survey} --geojson @survey.geojson"));
    assert_eq!(district.entries(), before, "a draft is no entry");
    let (traps, looks) = (
        count(&made["by_rings"]["traps"]),
        count(&made["by_rings"]["looks"]),
    );
    assert!(traps > 0 && looks == 13, "{}", made["by_rings"]);
    assert_eq!(at(&made, &["/find", "/hanging"]), json!(["S-1", 2]));
    assert!(count(&district.read("survey.geojson")["features"]) >= traps + looks);

    let rings = format!("{survey} --adopt rings --reason as-written");
    district.refused(
        &format!("{rings} --from 2025-06-02 --to 2025-06-01"),
        &["before the first"],
    );
    let words = district.good(&rings);
    assert!(words.contains(&format!("{traps} traps, 13 units")), "{words}");
    let held = &district.json(SHOW)["delimiting"];
    assert_eq!(
        at(held, &["/method", "/traps", "/looks", "/reason"]),
        json!(["rings", traps, looks, "as-written"])
    );
}

#[test]
fn a_report_is_final_only_when_it_is_whole() {
    let district = District::responding();
    let report = "response S-1 report";
    let draft = district.json(report);
    assert_eq!(
        at(&draft, &["/version", "/missing"]),
        json!([1, ["map", "danger"]])
    );
    for place in [TRAP[0], TRAP[1], "T1", "44.000"] {
        assert!(!draft.to_string().contains(place), "{place}: {draft}");
    }
    let words = district.good(report);
    assert!(
        words.contains("not issued") && words.contains("MISSING: danger"),
        "{words}"
    );
    let issue = format!("{report} --issue --to state-partner");
    district.refused(
        &format!("{issue} --item weather=fine"),
        &["no item \"weather\"", "distribution"],
    );
    district.misasked(&format!("{issue} --item weather"), "ITEM=WORDS");
    district.misasked(&format!("{issue} --item danger="), "ITEM=WORDS");
    district.misasked(&format!("{report} --issue"), "--to");
    district.refused(&format!("{issue} --final"), &["map, danger", "preliminary"]);
    let said = district.good(&issue);
    assert!(
        said.contains("version 1, issued") && said.contains("map, danger"),
        "{said}"
    );
    let said = district.good(&format!(
        "{issue} --item danger=kills-ash --item map=by-request --final --statement eradication-goes-on"
    ));
    assert!(said.contains("version 2, issued; it lacks nothing"), "{said}");
    let whole = district.json(SHOW);
    let pointers = [
        "/reports/0/version",
        "/reports/0/preliminary",
        "/reports/1/version",
        "/reports/1/preliminary",
        "/status/statement",
    ];
    assert_eq!(
        at(&whole, &pointers),
        json!([1, true, 2, false, "eradication-goes-on"])
    );
    let changes = whole["reports"][1]["changes"].as_str().unwrap();
    assert!(
        changes.contains("danger") && changes.contains("map") && !changes.contains("pest"),
        "{changes}"
    );
}

#[test]
fn a_response_is_closed_once() {
    let district = District::responding();
    let close = |end: &str| format!("response S-1 close --end {end} --authority order-9 --reason passed-on");
    district.misasked(&close("forgotten"), "handed-over");
    district.misasked("response S-1 close --end released", "--authority");
    district.good(&close("handed-over"));
    district.refused(&close("released"), &["closed already"]);
    let list = district.json("response");
    let state = list["responses"][0]["state"].as_str().unwrap();
    assert!(
        state.contains("closed on") && state.contains("handed-over"),
        "{state}"
    );
    assert_eq!(district.json(SHOW)["state"], "closed");
    district.refused("response S-1 step lead", &["closed"]);
    district.refused(ADOPT_AREA, &["closed"]);
    // The report of the end is still to be issued.
    district.good("response S-1 report --issue --to state-partner");
}

#[test]
fn no_such_find_and_no_such_file_are_said_plainly_by_every_part() {
    let district = District::responding();
    for part in [
        "",
        "open --reason r",
        "step lead",
        "area",
        "area --adopt --authority o --reason r",
        "delimit",
        "lift --version 1 --authority o --reason r",
        "report",
        "report --issue --to o",
        "close --end no-find --authority o --reason r",
    ] {
        district.refused(&format!("response S-9 {part}"), &["no find \"S-9\""]);
        let gone = district.path("gone.earlywood");
        let words = format!("response {} S-1 {part}", gone.display());
        let words: Vec<String> = words.split_whitespace().map(str::to_owned).collect();
        let answer = run(&words, b"");
        assert_eq!((answer.code, answer.stdout.as_str()), (Some(1), ""), "{words:?}");
        assert_eq!(answer.stderr.lines().count(), 1, "{answer:?}");
        assert!(
            answer.stderr.contains("gone.earlywood does not exist"),
            "{answer:?}"
        );
        assert!(!gone.exists());
    }
}

#[test]
fn the_public_sees_confirmed_finds_alone_in_coarse_cells_and_only_when_all_were_told() {
    let district = District::responding();
    // Another insect stays a suspect.
    district.take("S-2", "T2");
    district.determine("S-2", "suspect");
    district.good(ADOPT_AREA);
    let export = "export --as geojson --public";
    let early = district.earlywood(&format!("{export} @early.geojson --json"));
    let told: Value = serde_json::from_str(&early.stdout).unwrap();
    assert_eq!(at(&told, &["/cells", "/areas"]), json!([0, 0]));
    assert!(
        early.stderr.contains("1 confirmed finds are held back"),
        "{early:?}"
    );
    assert_eq!(count(&district.read("early.geojson")["features"]), 0);
    for step in "lead commissioner state-partner federal-partner neighbours owner public".split(' ') {
        district.good(&format!("response S-1 step {step}"));
    }
    let circle = district.earlywood(&format!("{export} @map.geojson --json"));
    let told: Value = serde_json::from_str(&circle.stdout).unwrap();
    assert_eq!(at(&told, &["/cells", "/areas"]), json!([1, 1]));
    // No parcels, lines or units are loaded: the boundary is a circle about the find.
    let gives_away = "whoever measures it finds the place closely";
    assert!(circle.stderr.contains(gives_away), "{circle:?}");
    let map = district.read("map.geojson");
    let [cell, area] = map["features"].as_array().unwrap().as_slice() else {
        panic!("{map}");
    };
    let month = july().strftime("%Y-%m").to_string();
    assert_eq!(
        at(
            cell,
            &["/properties/kind", "/properties/finds", "/properties/first"]
        ),
        json!(["confirmed-finds", 1, month])
    );
    assert_eq!(
        at(area, &["/properties/kind", "/properties/authority"]),
        json!(["regulated-area", "order-7"])
    );
    let text = map.to_string();
    let day = july().to_string();
    for hidden in ["S-1", "S-2", "T1", "T2", "P1", "A00", &day] {
        assert!(!text.contains(hidden), "{hidden}: {text}");
    }
    for place in TRAP {
        assert!(!cell.to_string().contains(place), "{place}: {cell}");
    }
    let ring: Vec<[f64; 2]> = serde_json::from_value(cell["geometry"]["coordinates"][0].clone()).unwrap();
    assert_eq!(ring.first(), ring.last());
    let span = |k: usize| {
        let all = || ring.iter().map(|p| p[k]);
        all().fold(f64::MIN, f64::max) - all().fold(f64::MAX, f64::min)
    };
    assert!(
        span(0) > 0.02 && span(1) > 0.015,
        "a cell of about 5 km2: {ring:?}"
    );
    district.refused(
        &format!("{export} @map.geojson"),
        &["map.geojson is there already"],
    );
    district.refused("export --as geojson @x.geojson", &["--public"]);
    district.refused("export --as csv --public @x.csv", &["--public"]);
    assert!(!district.path("x.geojson").exists() && !district.path("x.csv").exists());
    district.write("wide.geojson", &square(-100.05, 43.95, 0.1));
    district.good(&format!("{ADOPT_AREA} --geometry @wide.geojson"));
    let wide = district.earlywood(&format!("{export} @wide-map.geojson --json"));
    assert!(
        wide.code == Some(0) && !wide.stderr.contains(gives_away),
        "{wide:?}"
    );
    // On a day before it was confirmed there was nothing to see.
    let past = district.json(&format!("{export} @past.geojson --from {day}"));
    assert_eq!(at(&past, &["/cells", "/areas"]), json!([0, 0]));
}
