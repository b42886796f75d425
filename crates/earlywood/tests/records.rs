//! A season of records through the program itself: people, copies that exchange, specimens, supplies, and what it
//! refuses on the way. All invented.

#![allow(clippy::unwrap_used)] // helpers outside #[test] functions may fail as loudly as the tests

use std::path::PathBuf;

use crate::common::{Answer, run};
use serde_json::Value;

struct Office {
    dir: tempfile::TempDir,
}

impl Office {
    fn new() -> Self {
        let office = Office {
            dir: tempfile::tempdir().unwrap(),
        };
        office.good("a", &["init"]);
        std::fs::write(
            office.path("traps.csv"),
            "trap,place,lat,lon,targets,hung\nA-1,P-1,34.0,-100.0,emerald-ash-borer,2026-05-01\n",
        )
        .unwrap();
        office
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn earlywood(&self, copy: &str, words: &[&str]) -> Answer {
        let mut all = vec![words[0].to_string(), self.path(copy).display().to_string()];
        all.extend(
            words[1..]
                .iter()
                .map(|w| w.replace('@', &format!("{}/", self.dir.path().display()))),
        );
        run(&all, b"")
    }

    fn good(&self, copy: &str, words: &[&str]) -> String {
        let answer = self.earlywood(copy, words);
        assert_eq!(answer.code, Some(0), "{words:?}: {answer:?}");
        answer.stdout
    }

    fn json(&self, copy: &str, words: &[&str]) -> Value {
        serde_json::from_str(&self.good(copy, &[words, &["--json"]].concat())).unwrap()
    }

    fn refused(&self, copy: &str, words: &[&str], part: &str) {
        let answer = self.earlywood(copy, words);
        assert_eq!(answer.code, Some(1), "{words:?}: {answer:?}");
        assert!(
            answer.stdout.is_empty() && answer.stderr.contains(part),
            "{words:?}: {answer:?}"
        );
    }
}

#[test]
fn people_are_enrolled_told_and_erased_and_the_journal_still_holds() {
    let office = Office::new();
    office.refused(
        "a",
        &["hold", "declare", "H-1", "--cause", "wind", "--as", "p-9"],
        "may not record",
    );
    office.good(
        "a",
        &[
            "people",
            "enrol",
            "p-2",
            "--role",
            "identifier",
            "--from",
            "2026-01-01",
        ],
    );
    office.good("a", &["people", "crew", "crew-1", "--of", "p-2"]);
    office.good(
        "a",
        &[
            "people",
            "tell",
            "p-2",
            "--name",
            "Invented Person",
            "--phone",
            "000",
        ],
    );
    assert!(
        office
            .good("a", &["people", "who", "p-2"])
            .contains("Invented Person")
    );
    office.good("a", &["people", "erase", "p-2"]);
    assert_eq!(office.json("a", &["people", "who", "p-2"])["kept"], false);
    assert_eq!(office.json("a", &["journal", "verify"])["sound"], true);
}

#[test]
fn a_copy_joins_is_enrolled_and_exchanges_by_file_and_by_hand() {
    let office = Office::new();
    office.good("a", &["journal", "backup", "@b"]);
    office.refused(
        "b",
        &["supply", "count", "L-1", "--quantity", "1", "--storage", "shelf"],
        "journal FILE join",
    );
    let line = office.json("b", &["journal", "join"])["line"]
        .as_str()
        .unwrap()
        .to_owned();
    office.good("a", &["journal", "enrol", &line]);
    office.refused("a", &["journal", "enrol", "nonsense"], "no enrolment request");
    office.good("a", &["journal", "merge", "@b"]);
    office.good(
        "b",
        &[
            "hold",
            "declare",
            "H-1",
            "--cause",
            "wind",
            "--from",
            "2026-06-01",
        ],
    );
    office.good("b", &["journal", "bundle", "@b.bundle"]);
    assert_eq!(office.json("a", &["journal", "take", "@b.bundle"])["new"], 1);
    assert_eq!(office.json("a", &["hold", "list"])["holds"][0]["hold"], "H-1");
    assert_eq!(
        office.json("a", &["journal", "devices"])["devices"]
            .as_array()
            .unwrap()
            .len(),
        2
    );
    assert!(
        office
            .good("b", &["journal", "verify"])
            .contains("every hash right")
    );
}

#[test]
fn supplies_are_traced_and_bad_input_is_named() {
    let office = Office::new();
    office.good(
        "a",
        &["supply", "receive", "L-1", "--item", "lure", "--quantity", "10"],
    );
    office.good(
        "a",
        &["supply", "issue", "L-1", "--quantity", "4", "--to", "crew-1"],
    );
    assert_eq!(office.json("a", &["supply", "list"])["lots"][0]["in_store"], 6);
    assert_eq!(
        office.json("a", &["supply", "trace", "L-1"])["moves"]
            .as_array()
            .unwrap()
            .len(),
        2
    );
    office.refused(
        "a",
        &["supply", "receive", "L-2", "--item", "pie", "--quantity", "1"],
        "pie",
    );
    office.refused("a", &["journal", "append", "no-such", "{}"], "no kind");
    office.refused(
        "a",
        &["journal", "settle", "ff", "--keep", "--reason", "x"],
        "no conflict",
    );
    office.refused(
        "a",
        &["journal", "share", "postgres://h/db?password=secret"],
        "PGPASSWORD",
    );
    office.refused("a", &["journal", "share", "b"], "no server");
    office.refused("a", &["ask", "overdue"], "--look-days");
    assert!(office.good("a", &["journal", "schema", "supply"]).contains("lot"));
}

#[test]
fn a_specimen_goes_from_hand_to_hand() {
    let office = Office::new();
    office.good(
        "a",
        &[
            "people",
            "enrol",
            "p-2",
            "--role",
            "identifier",
            "--from",
            "2026-01-01",
        ],
    );
    office.good(
        "a",
        &[
            "specimen",
            "take",
            "S-1",
            "--what",
            "insect",
            "--elsewhere",
            "a window sill",
        ],
    );
    office.good(
        "a",
        &[
            "specimen",
            "offer",
            "HO-1",
            "--specimens",
            "S-1",
            "--to",
            "p-2",
            "--purpose",
            "a name",
            "--containers",
            "1",
        ],
    );
    assert_eq!(
        office.json("a", &["specimen", "unanswered"])["offers"][0]["handover"],
        "HO-1"
    );
    office.good(
        "a",
        &["specimen", "accept", "HO-1", "--containers", "1", "--as", "p-2"],
    );
    assert_eq!(office.json("a", &["specimen", "where", "S-1"])["holder"], "p-2");
}

impl Office {
    /// A supervisor, two inspectors, an identifier and a laboratory; two traps; a second office that has joined.
    fn staffed() -> Self {
        let office = Office::new();
        std::fs::write(
            office.path("traps.csv"),
            "trap,place,lat,lon,targets,hung\nA-1,P-1,34.0,-100.0,emerald-ash-borer,2026-05-01\n\
             A-2,P-2,34.01,-100.0,emerald-ash-borer,2026-05-01\n",
        )
        .unwrap();
        office.good("a", &["load", "traps", "@traps.csv"]);
        for (person, role) in [
            ("sup", "supervisor"),
            ("ins", "inspector"),
            ("ins-2", "inspector"),
            ("idf", "identifier"),
            ("lab", "identifier"),
        ] {
            office.good(
                "a",
                &["people", "enrol", person, "--role", role, "--from", "2026-01-01"],
            );
        }
        for (person, up_to) in [("idf", "determined"), ("lab", "confirmed")] {
            let words = [
                "people",
                "authority",
                person,
                "--taxa",
                "emerald-ash-borer",
                "--up-to",
                up_to,
            ];
            office.good("a", &[words.as_slice(), &["--from", "2026-01-01"]].concat());
        }
        office.good("a", &["journal", "backup", "@b"]);
        let line = office.json("b", &["journal", "join"])["line"]
            .as_str()
            .unwrap()
            .to_owned();
        office.good("a", &["journal", "enrol", &line]);
        office.good("a", &["journal", "merge", "@b"]);
        office
    }

    fn visit(&self, copy: &str, trap: &str, day: &str, more: &str, person: &str) -> String {
        let body = format!(
            r#"{{"trap":"{trap}","date":"{day}","kind":"service","found":"working","looked":"fully","outcome":"complete"{more}}}"#
        );
        let words = ["journal", "append", "visit-made", &body, "--as", person];
        self.json(copy, &words)["entry"].as_str().unwrap().to_owned()
    }
}

#[test]
fn from_the_trap_to_the_name_and_a_planted_insect_is_never_a_find() {
    let office = Office::staffed();
    let caught = r#","catch":{"suspects":1,"specimens":["S-1"]},"renewed":{"lure":{"lot":"L-1"}}"#;
    office.visit("a", "A-1", "2026-06-01", caught, "ins");
    let planted = r#","catch":{"suspects":1,"specimens":["S-2"]}"#;
    let plant = [
        "plant",
        "add",
        "PL-1",
        "--trap",
        "A-2",
        "--species",
        "invented",
        "--mark",
        "blue dot",
    ];
    office.good(
        "a",
        &[
            plant.as_slice(),
            &["--specimens", "X-1", "--on", "2026-06-01", "--as", "sup"],
        ]
        .concat(),
    );
    office.visit("a", "A-2", "2026-06-01", planted, "ins");
    office.refused(
        "a",
        &["plant", "list", "--as", "ins"],
        "a test that is known is none",
    );

    let both = [
        "specimen",
        "offer",
        "H-1",
        "--specimens",
        "S-1",
        "S-2",
        "--to",
        "idf",
        "--purpose",
        "naming",
    ];
    office.good(
        "a",
        &[both.as_slice(), &["--containers", "2", "--as", "ins"]].concat(),
    );
    office.refused(
        "a",
        &["specimen", "accept", "H-1", "--containers", "2", "--as", "lab"],
        "addressed to",
    );
    office.refused(
        "a",
        &["specimen", "accept", "H-1", "--containers", "1", "--as", "idf"],
        "offered as 2 containers",
    );
    office.good(
        "a",
        &["specimen", "accept", "H-1", "--containers", "2", "--as", "idf"],
    );
    for (pass, person) in [("1", "idf"), ("2", "lab")] {
        let screen = [
            "specimen",
            "screen",
            "S-1",
            "--pass",
            pass,
            "--suspects",
            "1",
            "--look-alikes",
            "0",
        ];
        office.good("a", &[screen.as_slice(), &["--as", person]].concat());
    }
    let say = |specimen: &'static str, status: &'static str| {
        vec![
            "specimen",
            "determine",
            specimen,
            "--target",
            "emerald-ash-borer",
            "--status",
            status,
            "--method",
            "dna",
        ]
    };
    office.refused(
        "a",
        &[say("S-1", "confirmed"), vec!["--as", "idf"]].concat(),
        "needs authority",
    );
    office.good("a", &[say("S-1", "determined"), vec!["--as", "idf"]].concat());
    office.good("a", &[say("S-1", "confirmed"), vec!["--as", "lab"]].concat());
    office.refused(
        "a",
        &[say("S-2", "confirmed"), vec!["--as", "lab"]].concat(),
        "look for a mark",
    );
    office.good(
        "a",
        &["plant", "close", "PL-1", "--recovered", "S-2", "--as", "idf"],
    );
    let marked = [say("S-2", "confirmed"), vec!["--mark-checked", "--as", "lab"]].concat();
    office.refused("a", &marked, "can't be a find");

    let found = office.json("a", &["specimen", "where", "S-1"]);
    assert_eq!(found["holder"], "idf", "{found}");
    assert_eq!(found["custody"].as_array().unwrap().len(), 2, "{found}");
    assert_eq!(found["finds"][0]["state"], "confirmed", "{found}");
    assert_eq!(
        office.json("a", &["specimen", "where", "S-2"])["finds"]
            .as_array()
            .unwrap()
            .len(),
        0
    );
    let recovery = office.json("a", &["plant", "recovery"]);
    assert_eq!(
        (&recovery["recovered"], &recovery["missed"]),
        (&1.into(), &0.into()),
        "{recovery}"
    );
    let trace = office.json("a", &["supply", "trace", "L-1"]);
    assert_eq!(trace["traps_now"], serde_json::json!(["A-1"]), "{trace}");

    let month = [
        "ask",
        "month",
        "--from",
        "2026-06-01",
        "--to",
        "2026-06-30",
        "--look-days",
        "30,45",
    ];
    let figures = office.json("a", &month);
    assert_eq!(figures["differences"], serde_json::json!([]), "{figures}");
    assert_eq!(figures, office.json("a", &month), "identical twice");
    let overdue = office.json("a", &["ask", "overdue", "--look-days", "14,28"]);
    assert!(overdue.to_string().contains("A-1"), "{overdue}");
}

#[test]
fn two_crews_at_one_trap_are_told_and_settled_on_every_copy() {
    let office = Office::staffed();
    let first = office.visit("a", "A-1", "2026-06-01", r#","catch":{"suspects":0}"#, "ins");
    let second = office.visit(
        "b",
        "A-1",
        "2026-06-01",
        r#","catch":{"suspects":0},"adjusted":["cleaned"]"#,
        "ins-2",
    );
    let merged = office.json("a", &["journal", "merge", "@b"]);
    assert!(merged.to_string().contains("conflicts"), "{merged}");
    let open = office.json("b", &["journal", "conflicts"]);
    let id = open["conflicts"][0]["id"].as_str().unwrap().to_owned();
    assert!(
        open.to_string().contains(&first) && open.to_string().contains(&second),
        "{open}"
    );
    let settle = [
        "journal",
        "settle",
        &id,
        "--withdraw",
        &second,
        "--reason",
        "one stop, told twice",
        "--as",
    ];
    office.refused("b", &[settle.as_slice(), &["ins-2"]].concat(), "lead, supervisor");
    office.good("b", &[settle.as_slice(), &["sup"]].concat());
    office.good("a", &["journal", "merge", "@b"]);
    for copy in ["a", "b"] {
        assert_eq!(
            office.json(copy, &["journal", "conflicts"])["conflicts"],
            serde_json::json!([])
        );
        assert_eq!(office.json(copy, &["journal", "verify"])["sound"], true);
    }
}

#[test]
fn a_served_copy_and_a_restored_one_hear_of_everything() {
    use std::io::{BufRead, BufReader};
    let office = Office::staffed();
    office.visit("b", "A-1", "2026-06-01", r#","catch":{"suspects":0}"#, "ins");
    let mut serving = std::process::Command::new(env!("CARGO_BIN_EXE_earlywood"))
        .args([
            "serve",
            office.path("a").to_str().unwrap(),
            "--listen",
            "127.0.0.1:0",
        ])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(serving.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    let url = line
        .split_whitespace()
        .find(|word| word.starts_with("http://"))
        .unwrap()
        .to_owned();
    let synced = office.earlywood("b", &["sync", &url]);
    let again = office.json("b", &["sync", &url]);
    serving.kill().unwrap();
    serving.wait().unwrap();
    assert_eq!(synced.code, Some(0), "{synced:?}");
    assert_eq!(
        (&again["sent"], &again["received"]),
        (&0.into(), &0.into()),
        "{again}"
    );
    let heads = |copy: &str| office.json(copy, &["journal", "verify"])["heads"].clone();
    assert_eq!(heads("a"), heads("b"));
    let refused = office.earlywood("b", &["sync", &url]);
    assert_eq!(refused.code, Some(1), "nobody serves any more: {refused:?}");

    office.good("a", &["journal", "backup", "@safe"]);
    office.visit("a", "A-2", "2026-06-02", r#","catch":{"suspects":0}"#, "ins");
    let line = office.json("c", &["journal", "restore", "@safe"])["line"]
        .as_str()
        .unwrap()
        .to_owned();
    office.good("a", &["journal", "enrol", &line]);
    office.good("c", &["journal", "merge", "@a"]);
    assert_eq!(heads("a"), heads("c"));
    office.refused("c", &["journal", "restore", "@safe"], "already exists");
}

#[test]
fn supplies_are_told_ahead() {
    let office = Office::new();
    let empty = office.good("a", &["supply", "forecast"]);
    assert!(
        empty.contains("Nothing is needed") && empty.contains("no lot was received"),
        "{empty}"
    );
    office.good("a", &["load", "traps", "@traps.csv"]);
    office.good(
        "a",
        &[
            "supply",
            "receive",
            "L-1",
            "--item",
            "lure",
            "--quantity",
            "1",
            "--made",
            "2020-01-01",
        ],
    );
    office.good(
        "a",
        &[
            "supply",
            "receive",
            "L-0",
            "--item",
            "lure",
            "--quantity",
            "7",
            "--made",
            "2020-01-01",
            "--expires",
            "2021-01-01",
        ],
    );

    let told = office.json(
        "a",
        &[
            "supply",
            "forecast",
            "--weeks",
            "60",
            "--lead-days",
            "30,lure=45",
            "--safety",
            "7",
        ],
    );
    let of = |item: &str| {
        let found = told["items"]
            .as_array()
            .unwrap()
            .iter()
            .find(|i| i["item"] == item);
        found.cloned().unwrap_or_else(|| panic!("no {item} in {told}"))
    };
    let lure = of("lure");
    assert_eq!(lure["targets"], serde_json::json!(["emerald-ash-borer"]));
    assert_eq!(lure["weeks"].as_array().unwrap().len(), 60);
    assert_eq!(lure["in_store"], 1);
    assert_eq!(
        lure["expired_already"],
        serde_json::json!([{"lot": "L-0", "pieces": 7}])
    );
    // The trap has hung too long: its lure is due today and is there, the next is not.
    assert_eq!(
        lure["weeks"][0]["used"],
        serde_json::json!([{"lot": "L-1", "pieces": 1}])
    );
    assert_eq!(
        lure["short"].as_u64().unwrap() + 1,
        lure["need"].as_u64().unwrap()
    );
    let date = |v: &Value| v.as_str().unwrap().parse::<jiff::civil::Date>().unwrap();
    let order = &lure["orders"][0];
    let lead = date(&order["arrive_by"]) - date(&order["order_by"]);
    assert_eq!(lead.get_days(), 45);
    let order = &of("body")["orders"][0];
    assert_eq!(
        (date(&order["arrive_by"]) - date(&order["order_by"])).get_days(),
        30
    );

    let words = office.good("a", &["supply", "forecast", "--weeks", "60"]);
    assert!(
        words.contains("lure for emerald-ash-borer") && words.contains("lead time not given"),
        "{words}"
    );
    assert!(
        words.contains("1 of L-1") && words.contains("expired already 7 of L-0"),
        "{words}"
    );
    for (bad, part) in [
        (["--weeks", "0"], "1 to 104"),
        (["--lead-days", "soon"], "soon"),
        (["--spoilage", "1.5"], "0 to 0.9"),
        (["--safety", "-1"], "-1"),
        (["--from", "2020-01-01"], "has passed"),
        (["--station", "nowhere"], "nowhere"),
    ] {
        office.refused("a", &[&["supply", "forecast"], &bad[..]].concat(), part);
    }
}
