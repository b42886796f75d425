//! Whatever is fed to `earlywood calc`, it answers in one whole JSON object or refuses in plain words.
//!
//! A refusal is: an exit code that is not 0, nothing on standard output, and a message a person can act on. No
//! panic, no half answer, no figure that is not a number.

use std::io::{Read as _, Write as _};

use crate::common::{self, Answer, run, start};
use serde_json::Value;

/// One correct call of a topic, from which every hostile one is made.
struct Topic {
    name: &'static str,
    options: &'static [(&'static str, &'static str)],
    /// Options without which there is no answer.
    needed: &'static [&'static str],
    /// CSV for standard input; "" where the topic reads none.
    rows: &'static str,
    /// Columns that hold numbers.
    number_columns: &'static [&'static str],
    /// Of those, the ones that can't be below 0.
    amount_columns: &'static [&'static str],
}

const TOPICS: &[Topic] = &[
    Topic {
        name: "degree-days",
        options: &[
            ("--lower", "10"),
            ("--upper", "30"),
            ("--method", "double-sine"),
            ("--cutoff", "intermediate"),
        ],
        needed: &["--lower"],
        rows: "date,tmin_c,tmax_c\n2024-05-01,5,20\n2024-05-02,9,21\n2024-05-03,12,34\n",
        number_columns: &["tmin_c", "tmax_c"],
        amount_columns: &[],
    },
    Topic {
        name: "capture",
        options: &[
            ("--form", "sech"),
            ("--reach", "10"),
            ("--peak", "0.8"),
            ("--distances", "0,5,10"),
        ],
        needed: &["--form", "--reach", "--distances"],
        rows: "",
        number_columns: &[],
        amount_columns: &[],
    },
    Topic {
        name: "network",
        options: &[
            ("--form", "exponential"),
            ("--reach", "20"),
            ("--peak", "0.8"),
            ("--flyers", "50"),
        ],
        needed: &["--form", "--reach", "--flyers"],
        rows: "kind,x,y\ntrap,0,0\ntrap,30,0\ncell,10,10\n",
        number_columns: &["x", "y"],
        amount_columns: &[],
    },
    Topic {
        name: "lure",
        options: &[
            ("--kind", "zero-order"),
            ("--rated-days", "42"),
            ("--reference-c", "20"),
            ("--q10", "2"),
            ("--beta", "0.4"),
        ],
        needed: &["--kind", "--rated-days", "--reference-c", "--q10"],
        rows: "date,tmin_c,tmax_c\n2024-05-01,5,20\n2024-05-02,9,21\n2024-05-03,12,34\n",
        number_columns: &["tmin_c", "tmax_c"],
        amount_columns: &[],
    },
    Topic {
        name: "sample-size",
        options: &[
            ("--population", "1000"),
            ("--level", "0.01"),
            ("--sensitivity", "0.8"),
            ("--confidence", "0.95"),
        ],
        needed: &["--population", "--level", "--confidence"],
        rows: "",
        number_columns: &[],
        amount_columns: &[],
    },
    Topic {
        name: "freedom",
        options: &[
            ("--prior-infested", "0.5"),
            ("--sensitivity", "0.6"),
            ("--introduction", "0.02"),
            ("--periods", "8"),
        ],
        needed: &["--prior-infested", "--sensitivity", "--periods"],
        rows: "",
        number_columns: &[],
        amount_columns: &[],
    },
    Topic {
        name: "siting",
        options: &[
            ("--form", "sech"),
            ("--reach", "15"),
            ("--peak", "0.8"),
            ("--flyers", "20"),
            ("--pick", "2"),
            ("--spacing", "12"),
            ("--objective", "sensitivity"),
        ],
        needed: &["--form", "--reach", "--pick"],
        rows: "kind,id,x,y,weight\ncell,1,5,0,1\ncell,2,48,0,3\ncell,3,90,0,2\nplace,a,10,0,0\nplace,b,50,0,0\nplace,c,80,0,0\n",
        number_columns: &["x", "y", "weight"],
        amount_columns: &["weight"],
    },
    Topic {
        name: "origin",
        options: &[
            ("--form", "half-normal"),
            ("--reach", "40"),
            ("--peak", "0.8"),
            ("--grid", "5"),
        ],
        needed: &["--form", "--reach", "--grid"],
        rows: "x,y,catch,effort\n0,0,8,1\n100,0,3,1\n0,100,2,1\n100,100,1,1\n",
        number_columns: &["x", "y", "catch", "effort"],
        amount_columns: &["catch", "effort"],
    },
    Topic {
        name: "spread",
        options: &[
            ("--kernel", "lognormal"),
            ("--median", "100"),
            ("--sigma", "1"),
            ("--within", "500"),
            ("--quantile", "0.95"),
        ],
        needed: &["--kernel", "--median", "--sigma", "--within", "--quantile"],
        rows: "",
        number_columns: &[],
        amount_columns: &[],
    },
];

/// Options whose value is a probability or a share.
const SHARES: &[&str] = &[
    "--peak",
    "--level",
    "--sensitivity",
    "--confidence",
    "--prior-infested",
    "--introduction",
    "--quantile",
];

/// Options whose value is a word, or a list.
const WORDS: &[&str] = &[
    "--method",
    "--cutoff",
    "--form",
    "--kind",
    "--objective",
    "--kernel",
];

/// Options whose value may lie below 0 (temperatures).
const MAY_BE_NEGATIVE: &[&str] = &["--lower", "--upper", "--reference-c"];

impl Topic {
    fn arguments(&self, options: &[(&str, String)]) -> Vec<String> {
        let mut all = vec!["calc".to_owned(), self.name.to_owned()];
        // One word each, so that a value that begins with a dash is seen as a value.
        all.extend(options.iter().map(|(name, value)| format!("{name}={value}")));
        all
    }

    fn own_options(&self) -> Vec<(&'static str, String)> {
        self.options
            .iter()
            .map(|&(name, value)| (name, value.to_owned()))
            .collect()
    }

    /// The correct call with one option's value replaced.
    fn with(&self, option: &str, value: &str) -> Answer {
        let mut options = self.own_options();
        for (name, old) in &mut options {
            if *name == option {
                *old = value.to_owned();
            }
        }
        run(&self.arguments(&options), self.rows.as_bytes())
    }

    /// The correct options and one more.
    fn and(&self, option: &'static str, value: &str) -> Answer {
        let mut options = self.own_options();
        options.push((option, value.to_owned()));
        run(&self.arguments(&options), self.rows.as_bytes())
    }

    /// The correct options with other standard input.
    fn fed(&self, stdin: &[u8]) -> Answer {
        run(&self.arguments(&self.own_options()), stdin)
    }

    /// The correct rows with one column of the last row replaced.
    fn with_cell(&self, column: &str, value: &str) -> Answer {
        let mut lines: Vec<String> = self.rows.lines().map(str::to_owned).collect();
        let at = lines[0]
            .split(',')
            .position(|c| c == column)
            .expect("a column of the topic");
        // The first row of siting is a cell, whose weight counts.
        let row = 1;
        let mut cells: Vec<String> = lines[row].split(',').map(str::to_owned).collect();
        cells[at] = value.to_owned();
        lines[row] = cells.join(",");
        self.fed((lines.join("\n") + "\n").as_bytes())
    }
}

fn topic(name: &str) -> &'static Topic {
    TOPICS.iter().find(|t| t.name == name).expect("a topic")
}

/// Collects what is wrong, so that one run shows all of it.
#[derive(Default)]
struct Verdicts {
    calls: usize,
    faults: Vec<String>,
}

impl Verdicts {
    /// Refused, in plain words.
    fn refused(&mut self, what: &str, got: &Answer) {
        self.note(what, got, check_refused(got));
    }

    /// Either refused, or answered whole and with real figures.
    fn survived(&mut self, what: &str, got: &Answer) {
        let verdict = if got.code == Some(0) {
            check_answered(got)
        } else {
            check_refused(got)
        };
        self.note(what, got, verdict);
    }

    /// Answered whole and with real figures.
    fn answered(&mut self, what: &str, got: &Answer) {
        self.note(what, got, check_answered(got));
    }

    fn note(&mut self, what: &str, got: &Answer, verdict: Result<(), String>) {
        self.calls += 1;
        if let Err(fault) = verdict {
            self.faults.push(format!("{what}: {fault}: {got:?}"));
        }
    }

    /// Fails with every fault found.
    #[track_caller]
    fn close(self) {
        assert!(self.calls > 0, "nothing was called");
        assert!(
            self.faults.is_empty(),
            "{} of {} calls:\n{}",
            self.faults.len(),
            self.calls,
            self.faults.join("\n")
        );
    }
}

fn check_refused(got: &Answer) -> Result<(), String> {
    if !matches!(got.code, Some(code) if code != 0) {
        return Err("not refused".into());
    }
    if !got.stdout.is_empty() {
        return Err("printed before refusing".into());
    }
    check_plain(&got.stderr)
}

/// One JSON object whose every number is finite. JSON has no infinity: a number that is none is written as null. Two
/// keys may say null and mean it: a lure that does not run empty, and the mean of a kernel that has none.
fn check_answered(got: &Answer) -> Result<(), String> {
    if got.code != Some(0) || got.stderr.contains("panicked") {
        return Err("not answered".into());
    }
    let Ok(Value::Object(keys)) = serde_json::from_str(&got.stdout) else {
        return Err("no JSON object".into());
    };
    match keys
        .iter()
        .find(|(key, part)| !matches!(key.as_str(), "empty_on" | "mean_m") && has_null(part))
    {
        Some((key, _)) => Err(format!("null in {key}")),
        None => Ok(()),
    }
}

fn has_null(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::Array(parts) => parts.iter().any(has_null),
        Value::Object(parts) => parts.values().any(has_null),
        _ => false,
    }
}

/// The message is for people: some words, none of them from inside the program.
fn check_plain(said: &str) -> Result<(), String> {
    const INSIDE: [&str; 10] = [
        "panicked",
        "RUST_BACKTRACE",
        ".rs:",
        "unwrap",
        "Err(",
        "Some(",
        "None",
        "ParseFloat",
        "ParseInt",
        "invalid float literal",
    ];
    if said.trim().len() < 15 {
        return Err("says nothing".into());
    }
    if said.len() > 3500 {
        return Err("says too much".into());
    }
    match INSIDE.iter().find(|inside| said.contains(**inside)) {
        Some(inside) => Err(format!("speaks of {inside}")),
        None => Ok(()),
    }
}

/// Without this the refusals below would prove nothing.
#[test]
fn the_calls_these_tests_start_from_are_correct() {
    let mut v = Verdicts::default();
    for topic in TOPICS {
        v.answered(topic.name, &topic.fed(topic.rows.as_bytes()));
    }
    v.close();
}

#[test]
fn input_that_is_no_table() {
    let mut v = Verdicts::default();
    for topic in TOPICS.iter().filter(|t| !t.rows.is_empty()) {
        let header = topic.rows.lines().next().expect("a header");
        let mut latin1 = format!("{header}\n").into_bytes();
        latin1.extend(b"caf\xe9,\xff,\xfe,1,2\n");
        let twice = format!("{header},{}\n", header.split(',').next().expect("a column"));
        let binary: Vec<u8> = (0..4096u32)
            .map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8)
            .collect();
        let cases: Vec<(&str, Vec<u8>)> = vec![
            ("nothing", Vec::new()),
            ("blank lines", b"\n\n\n".to_vec()),
            ("only a byte-order mark", b"\xef\xbb\xbf".to_vec()),
            ("header only", format!("{header}\n").into_bytes()),
            (
                "no header",
                topic
                    .rows
                    .lines()
                    .skip(1)
                    .collect::<Vec<_>>()
                    .join("\n")
                    .into_bytes(),
            ),
            (
                "wrong header",
                topic.rows.replacen(header, "a,b,c,d,e", 1).into_bytes(),
            ),
            ("header with a column twice", twice.into_bytes()),
            ("not UTF-8", latin1),
            (
                "UTF-16",
                topic.rows.encode_utf16().flat_map(u16::to_le_bytes).collect(),
            ),
            ("binary", binary),
            ("an open quote", format!("{header}\n\"5,5,5,5\n").into_bytes()),
            ("a row cut short", format!("{}{}", topic.rows, "9").into_bytes()),
            (
                "a row too long",
                format!("{}{}", topic.rows, "1,2,3,4,5,6,7,8\n").into_bytes(),
            ),
            ("JSON", b"{\"days\": []}".to_vec()),
        ];
        for (what, bytes) in cases {
            v.refused(&format!("{}: {what}", topic.name), &topic.fed(&bytes));
        }
    }
    v.close();
}

#[test]
fn cells_that_are_no_numbers() {
    let mut v = Verdicts::default();
    for topic in TOPICS {
        for column in topic.number_columns {
            for value in [
                "NaN", "nan", "inf", "-inf", "infinity", "1e999", "-1e999", "", "abc", "\"1,5\"", "0x10",
                "1e", "--1",
            ] {
                let got = topic.with_cell(column, value);
                let what = format!("{}: {column} = {value:?}", topic.name);
                v.refused(&what, &got);
                // Where it is: the column and the line, which is the second.
                assert!(
                    got.stderr.contains(column) && got.stderr.contains('2'),
                    "{what}: {}",
                    got.stderr
                );
            }
        }
        for column in topic.amount_columns {
            v.refused(
                &format!("{}: {column} = -1", topic.name),
                &topic.with_cell(column, "-1"),
            );
        }
    }
    v.close();
}

#[test]
fn cells_that_are_extreme() {
    let mut v = Verdicts::default();
    for topic in TOPICS {
        for column in topic.number_columns {
            for value in [
                "1e308",
                "-1e308",
                "1.7976931348623157e308",
                "1e-308",
                "5e-324",
                "-0",
                "1e154",
                "1e12",
            ] {
                v.survived(
                    &format!("{}: {column} = {value}", topic.name),
                    &topic.with_cell(column, value),
                );
            }
        }
    }
    v.close();
}

#[test]
fn options_that_are_no_numbers() {
    let mut v = Verdicts::default();
    for topic in TOPICS {
        for (option, _) in topic.options {
            for value in [
                "", " ", "NaN", "inf", "-inf", "1e999", "abc", "ten", "1;2", "\u{fffd}",
            ] {
                v.refused(
                    &format!("{} {option}={value:?}", topic.name),
                    &topic.with(option, value),
                );
            }
            if !WORDS.contains(option) && !MAY_BE_NEGATIVE.contains(option) {
                for value in ["-1", "-1e308", "-0.001"] {
                    v.refused(
                        &format!("{} {option}={value}", topic.name),
                        &topic.with(option, value),
                    );
                }
            }
            if SHARES.contains(option) {
                for value in ["1.0000001", "2", "95", "1e308"] {
                    v.refused(
                        &format!("{} {option}={value}", topic.name),
                        &topic.with(option, value),
                    );
                }
            }
        }
    }
    v.close();
}

#[test]
fn options_that_are_extreme() {
    let mut v = Verdicts::default();
    for topic in TOPICS {
        for (option, _) in topic.options.iter().filter(|(name, _)| !WORDS.contains(name)) {
            for value in [
                "0",
                "-0",
                "1",
                "1e308",
                "1.7976931348623157e308",
                "1e-308",
                "5e-324",
                "0.9999999999999999",
                "1e15",
                "4294967296",
                "18446744073709551615",
                "99999999999999999999999999",
            ] {
                v.survived(
                    &format!("{} {option}={value}", topic.name),
                    &topic.with(option, value),
                );
            }
        }
    }
    v.close();
}

#[test]
fn options_missing_unknown_or_twice() {
    let mut v = Verdicts::default();
    for topic in TOPICS {
        for missing in topic.needed {
            let options: Vec<_> = topic
                .own_options()
                .into_iter()
                .filter(|(name, _)| name != missing)
                .collect();
            v.refused(
                &format!("{} without {missing}", topic.name),
                &run(&topic.arguments(&options), topic.rows.as_bytes()),
            );
        }
        // A list may come in several parts.
        for (option, _) in topic.options.iter().filter(|(name, _)| *name != "--distances") {
            let mut options = topic.own_options();
            let value = options
                .iter()
                .find(|(name, _)| name == option)
                .expect("it is there")
                .1
                .clone();
            options.push((option, value));
            v.refused(
                &format!("{} with {option} twice", topic.name),
                &run(&topic.arguments(&options), topic.rows.as_bytes()),
            );
        }
        for stray in ["--bogus=1", "--", "stray", "--reach=5 --reach", "-x"] {
            let mut arguments = topic.arguments(&topic.own_options());
            arguments.push(stray.to_owned());
            if stray == "--" {
                arguments.push("stray".to_owned());
            }
            v.refused(
                &format!("{} {stray}", topic.name),
                &run(&arguments, topic.rows.as_bytes()),
            );
        }
    }
    for line in [
        vec!["calc"],
        vec!["calc", "bogus"],
        vec!["calc", ""],
        vec!["bogus"],
        vec![],
    ] {
        let arguments: Vec<String> = line.iter().map(|&s| s.to_owned()).collect();
        v.refused(&format!("{line:?}"), &run(&arguments, b""));
    }
    v.close();
}

#[test]
fn weather_that_cannot_be() {
    let mut v = Verdicts::default();
    for name in ["degree-days", "lure"] {
        for (what, rows) in [
            ("a maximum below the minimum", "2024-05-01,20,5\n"),
            ("a day twice", "2024-05-01,5,20\n2024-05-01,6,21\n"),
            ("a day missing", "2024-05-01,5,20\n2024-05-03,6,21\n"),
            ("no such day", "2025-02-29,5,20\n"),
            ("no such month", "2024-13-01,5,20\n"),
            ("no date", "yesterday,5,20\n"),
            ("a date turned round", "01/05/2024,5,20\n"),
            ("colder than anything can be", "2024-05-01,-300,20\n"),
        ] {
            let rows = format!("date,tmin_c,tmax_c\n{rows}");
            v.refused(&format!("{name}: {what}"), &topic(name).fed(rows.as_bytes()));
        }
    }
    v.refused(
        "thresholds turned round",
        &topic("degree-days").with("--upper", "5"),
    );
    v.refused("thresholds equal", &topic("degree-days").with("--upper", "10"));
    v.close();
}

#[test]
fn lures_that_contradict_themselves() {
    let mut v = Verdicts::default();
    let lure = topic("lure");
    v.refused("a half-life missing", &lure.with("--kind", "first-order"));
    let mut both = lure.own_options();
    both.push(("--half-life-days", "30".to_owned()));
    v.refused("both lives", &run(&lure.arguments(&both), lure.rows.as_bytes()));
    v.close();
}

#[test]
fn samples_that_cannot_reach_the_confidence() {
    let mut v = Verdicts::default();
    let line = |population: &str, level: &str, sensitivity: &str, confidence: &str| {
        let options = [
            ("--population", population),
            ("--level", level),
            ("--sensitivity", sensitivity),
            ("--confidence", confidence),
        ]
        .map(|(name, value)| (name, value.to_owned()));
        run(&topic("sample-size").arguments(&options), b"")
    };
    // One infested unit in ten, seen half the time: even looking at all ten finds it half the time.
    v.refused("a look too poor", &line("10", "0.1", "0.5", "0.99"));
    v.refused("a blind look", &line("1000", "0.01", "0", "0.95"));
    v.refused("nothing to find", &line("none", "0", "1", "0.95"));
    v.refused("certainty without an end", &line("none", "0.01", "1", "1"));
    v.refused("half a tree", &line("1.5", "0.01", "1", "0.95"));
    v.answered(
        "certainty by looking at nearly all",
        &line("100", "0.05", "1", "1"),
    );
    // Big, and still at once.
    v.survived(
        "a very large population",
        &line("1000000000000", "0.000001", "0.7", "0.95"),
    );
    v.survived("one in a billion billions", &line("none", "1e-18", "1", "0.95"));
    v.close();
}

#[test]
fn sites_that_cannot_be() {
    let mut v = Verdicts::default();
    let siting = topic("siting");
    let header = "kind,id,x,y,weight\n";
    for (what, rows) in [
        ("no place", "cell,1,0,0,1\n"),
        ("no cell", "place,a,0,0,0\n"),
        ("a third kind", "cell,1,0,0,1\nplace,a,0,0,0\ntrap,b,1,1,0\n"),
        (
            "a place twice",
            "cell,1,0,0,1\nplace,a,0,0,0\nplace,a,50,0,0\nplace,b,90,0,0\n",
        ),
    ] {
        v.refused(what, &siting.fed(format!("{header}{rows}").as_bytes()));
    }
    for (what, rows) in [
        (
            "no weight anywhere",
            "cell,1,0,0,0\nplace,a,0,0,0\nplace,b,90,0,0\n",
        ),
        ("fewer places than traps", "cell,1,0,0,1\nplace,a,0,0,0\n"),
        (
            "all in one spot",
            "cell,1,0,0,1\nplace,a,0,0,0\nplace,b,0,0,0\nplace,c,0,0,0\n",
        ),
        (
            "at opposite ends",
            "cell,1,-1e308,0,1\nplace,a,1e308,0,0\nplace,b,-1e308,0,0\n",
        ),
        (
            "weights at opposite ends",
            "cell,1,0,0,1e308\ncell,2,90,0,1e308\nplace,a,0,0,0\nplace,b,90,0,0\n",
        ),
    ] {
        for objective in ["sensitivity", "cover"] {
            let mut options = siting.own_options();
            options.last_mut().expect("the objective comes last").1 = objective.to_owned();
            let got = run(&siting.arguments(&options), format!("{header}{rows}").as_bytes());
            v.survived(&format!("{what}, {objective}"), &got);
        }
    }
    v.close();
}

#[test]
fn catches_that_say_nothing() {
    let mut v = Verdicts::default();
    let origin = topic("origin");
    v.refused("no catch", &origin.fed(b"x,y,catch,effort\n0,0,0,1\n100,0,0,1\n"));
    v.refused(
        "no effort",
        &origin.fed(b"x,y,catch,effort\n0,0,1,0\n100,0,2,0\n"),
    );
    v.refused(
        "a catch without effort",
        &origin.fed(b"x,y,catch,effort\n0,0,1,0\n100,0,2,1\n"),
    );
    v.refused("a grid too fine", &origin.with("--grid", "1e-9"));
    for (option, value) in [
        ("--clumping", "0"),
        ("--reach-sigma", "-1"),
        ("--flyers", "20"),
        ("--flyers", "20,0"),
        ("--arrival", "1,2,3"),
        ("--arrival", "1,2,0,1"),
        ("--arrival", "1,2,3,-1"),
        ("--draws", "0"),
    ] {
        v.refused(&format!("{option} {value}"), &origin.and(option, value));
    }
    v.answered("one trap", &origin.fed(b"x,y,catch,effort\n10,20,1,1\n"));
    v.survived(
        "traps out of each other's reach",
        &origin.fed(b"x,y,catch,effort\n0,0,5,1\n4000,0,5,1\n"),
    );
    v.close();
}

#[test]
fn kernels_that_contradict_themselves() {
    let mut v = Verdicts::default();
    let spread = |line: &str| run(&common::calc(&format!("spread {line}")), b"");
    v.refused(
        "parameters of another kernel",
        &spread("--kernel gaussian --scale 50 --within 1 --quantile 0.5"),
    );
    v.refused(
        "one parameter too many",
        &spread("--kernel exponential --scale 50 --u 3 --within 1 --quantile 0.5"),
    );
    v.refused(
        "the radius of everything",
        &spread("--kernel exponential --scale 50 --within 1 --quantile 1"),
    );
    v.refused(
        "no such kernel",
        &spread("--kernel cauchy --scale 50 --within 1 --quantile 0.5"),
    );
    for kernel in [
        "gaussian --diffusion 1e308 --days 1e308",
        "gaussian --diffusion 5e-324 --days 5e-324",
        "exponential --scale 1e308",
        "exponential --scale 5e-324",
        "2dt --u 1e308 --p 1e308",
        "2dt --u 5e-324 --p 5e-324",
        "2dt --u 2500 --p 0.5",
        "2dt --u 2500 --p 1e-6",
        "2dt --u 2500 --p 1e6",
        "lognormal --median 1e308 --sigma 1e308",
        "lognormal --median 5e-324 --sigma 5e-324",
    ] {
        for at in ["0", "5e-324", "1e308"] {
            for quantile in ["0", "5e-324", "0.9999999999999999"] {
                let line = format!("--kernel {kernel} --within {at} --quantile {quantile}");
                v.survived(&line, &spread(&line));
            }
        }
    }
    v.close();
}

#[test]
fn freedom_at_its_ends() {
    let mut v = Verdicts::default();
    let freedom = |prior: &str, sensitivity: &str, introduction: &str| {
        let options = [
            ("--prior-infested", prior),
            ("--sensitivity", sensitivity),
            ("--introduction", introduction),
            ("--periods", "3"),
        ]
        .map(|(name, value)| (name, value.to_owned()));
        run(&topic("freedom").arguments(&options), b"")
    };
    for prior in ["0", "1", "0.5"] {
        for sensitivity in ["0", "1", "0.5"] {
            for introduction in ["0", "1", "0.5"] {
                let got = freedom(prior, sensitivity, introduction);
                let what = format!("prior {prior}, sensitivity {sensitivity}, introduction {introduction}");
                v.survived(&what, &got);
                if got.code == Some(0) {
                    let value: Value = serde_json::from_str(&got.stdout).expect("checked above");
                    let p = value["p_free"].as_array().expect("a list");
                    assert!(
                        p.iter()
                            .all(|p| (0.0..=1.0).contains(&p.as_f64().expect("a number"))),
                        "{what}: {value}"
                    );
                }
            }
        }
    }
    v.close();
}

/// The reader goes away before the answer is written (`earlywood calc … | head -0`): no panic, no noise.
#[test]
fn a_reader_that_goes_away() {
    let mut rows = String::from("date,tmin_c,tmax_c\n");
    let first = jiff::civil::date(1990, 1, 1);
    for i in 0..20_000 {
        rows.push_str(&format!(
            "{},5,20\n",
            first.saturating_add(jiff::Span::new().days(i))
        ));
    }
    let topic = topic("degree-days");
    let mut child = start(&topic.arguments(&topic.own_options()));
    drop(child.stdout.take());
    let mut stdin = child.stdin.take().expect("a pipe");
    drop(stdin.write_all(rows.as_bytes()));
    drop(stdin);
    let mut said = String::new();
    child
        .stderr
        .take()
        .expect("a pipe")
        .read_to_string(&mut said)
        .expect("readable");
    child.wait().expect("the program ends");
    assert!(!said.contains("panicked"), "{said}");
}
