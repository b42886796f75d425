//! Random histories: the projections are at any moment what a rebuild gives, and any edit of an entry is found.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::path::Path;

use crate::common::*;
use earlywood_journal::{
    Body, Change, Correction, Determination, Draft, Error, Fault, LoadMode, Other, Programme, Status,
    TakeDown,
};
use earlywood_model::record::Visit;
use jiff::ToSpan as _;
use jiff::civil::Date;
use proptest::prelude::*;
use rusqlite::{Connection, types::Value};

/// One thing somebody tries to do; many are refused, which is part of the history.
#[derive(Debug, Clone)]
enum Attempt {
    Place {
        trap: u8,
        from: u16,
        days: Option<u16>,
    },
    TakeDown {
        trap: u8,
        on: u16,
    },
    Visits {
        trap: u8,
        on: Vec<(u16, Option<u32>)>,
        last_takes_down: bool,
    },
    Determine {
        trap: u8,
        on: u16,
    },
    Withdraw {
        nth: prop::sample::Index,
    },
    Revisit {
        nth: prop::sample::Index,
        trap: u8,
        on: u16,
    },
    Hosts {
        mode: LoadMode,
        from: usize,
        count: usize,
    },
    Places {
        mode: LoadMode,
        from: usize,
        count: usize,
    },
    Weather {
        mode: LoadMode,
        station: u8,
        from: u16,
        count: u16,
    },
    Adopt {
        remark: u8,
    },
    Unknown,
    Reopen,
    Rebuild,
}

fn on(days: u16) -> Date {
    day(1, 1).saturating_add(i64::from(days).days())
}

fn trap(n: u8) -> String {
    format!("trap {n}")
}

fn attempt() -> impl Strategy<Value = Attempt> {
    // A few traps over 330 days (a few of them still to come), so that histories do collide.
    let (t, d) = (|| 0..3_u8, || 0..330_u16);
    let mode = || prop_oneof![Just(LoadMode::Add), Just(LoadMode::Replace)];
    prop_oneof![
        3 => (t(), d(), prop::option::of(0..120_u16)).prop_map(|(trap, from, days)| Attempt::Place { trap, from, days }),
        2 => (t(), d()).prop_map(|(trap, on)| Attempt::TakeDown { trap, on }),
        4 => (t(), prop::collection::vec((d(), prop::option::of(0..3_u32)), 1..4), any::<bool>())
            .prop_map(|(trap, on, last_takes_down)| Attempt::Visits { trap, on, last_takes_down }),
        1 => (t(), d()).prop_map(|(trap, on)| Attempt::Determine { trap, on }),
        3 => any::<prop::sample::Index>().prop_map(|nth| Attempt::Withdraw { nth }),
        2 => (any::<prop::sample::Index>(), t(), d()).prop_map(|(nth, trap, on)| Attempt::Revisit { nth, trap, on }),
        1 => (mode(), 0..50_usize, 0..30_usize).prop_map(|(mode, from, count)| Attempt::Hosts { mode, from, count }),
        1 => (mode(), 0..9_usize, 0..5_usize).prop_map(|(mode, from, count)| Attempt::Places { mode, from, count }),
        1 => (mode(), 0..2_u8, 0..300_u16, 0..9_u16)
            .prop_map(|(mode, station, from, count)| Attempt::Weather { mode, station, from, count }),
        1 => any::<u8>().prop_map(|remark| Attempt::Adopt { remark }),
        1 => Just(Attempt::Unknown),
        1 => Just(Attempt::Reopen),
        1 => Just(Attempt::Rebuild),
    ]
}

fn seen(trap_number: u8, days: u16, suspects: Option<u32>) -> Visit {
    use earlywood_model::record::Looked;
    let looked = if suspects.is_some() {
        Looked::Fully
    } else {
        Looked::No
    };
    Visit {
        looked,
        suspects,
        ..visit(&trap(trap_number), on(days))
    }
}

fn try_it(p: &mut Programme, path: &Path, attempt: &Attempt) -> Result<(), Error> {
    let act = act();
    let nth_entry = |p: &Programme, nth: &prop::sample::Index| {
        let log = whole_log(p);
        log[nth.index(log.len())].id
    };
    let append = |p: &mut Programme, body: Body| p.append(&act, Draft::from(body)).map(drop);
    match attempt {
        Attempt::Place { trap: t, from, days } => {
            let down = days.map(|n| on(from + n));
            p.record_placements(&act, &[placement(&trap(*t), on(*from), down)])
                .map(drop)
        }
        Attempt::TakeDown { trap: t, on: d } => append(
            p,
            Body::TrapTakenDown(TakeDown {
                trap: trap(*t),
                date: on(*d),
                reason: None,
            }),
        ),
        Attempt::Visits {
            trap: t,
            on: days,
            last_takes_down,
        } => {
            let mut visits: Vec<Visit> = days.iter().map(|&(d, suspects)| seen(*t, d, suspects)).collect();
            if let (true, Some(last)) = (*last_takes_down, visits.last_mut()) {
                last.kind = earlywood_model::record::VisitKind::TakeDown;
            }
            p.record_visits(&act, &visits).map(drop)
        }
        Attempt::Determine { trap: t, on: d } => append(
            p,
            Body::Determination(
                Determination::of_trap(
                    trap(*t),
                    on(*d),
                    "emerald-ash-borer",
                    Status::Tentative,
                    "identifier-1",
                )
                .with_note(Some("wing missing".into())),
            ),
        ),
        Attempt::Withdraw { nth } => {
            let corrects = nth_entry(p, nth);
            append(
                p,
                Body::Correction(Correction {
                    corrects,
                    reason: "not so".into(),
                    change: Change::Withdraw,
                }),
            )
        }
        Attempt::Revisit { nth, trap: t, on: d } => {
            let corrects = nth_entry(p, nth);
            let change = Change::Visit {
                visit: seen(*t, *d, Some(1)),
            };
            append(
                p,
                Body::Correction(Correction {
                    corrects,
                    reason: "other day".into(),
                    change,
                }),
            )
        }
        Attempt::Hosts { mode, from, count } => p
            .load_hosts(&act, "trees.csv", *mode, &hosts(*from..from + count))
            .map(drop),
        Attempt::Places { mode, from, count } => {
            let places: Vec<_> = (*from..from + count).map(|i| place(&format!("P-{i}"))).collect();
            p.load_places(&act, "places.csv", *mode, &places).map(drop)
        }
        Attempt::Weather {
            mode,
            station,
            from,
            count,
        } => {
            let days: Vec<_> = (*from..from + count)
                .map(|d| weather(&format!("station {station}"), on(d)))
                .collect();
            p.load_weather(&act, "weather.csv", *mode, &days).map(drop)
        }
        Attempt::Adopt { remark } => p
            .adopt_target(&act, &format!("{}\n# {remark}\n", profile_toml()))
            .map(drop),
        Attempt::Unknown => append(
            p,
            Body::Other(Other {
                kind: "moon-phase".into(),
                version: 3,
                body: serde_json::json!({"z": 0.1, "a": []}),
            }),
        ),
        Attempt::Reopen => Programme::open(path).map(|again| *p = again),
        Attempt::Rebuild => p.rebuild(),
    }
}

/// What must hold of the readers whatever was tried.
fn check_state(p: &Programme) -> Result<(), TestCaseError> {
    let placements = p.placements().unwrap();
    for (i, a) in placements.iter().enumerate() {
        for b in placements[..i].iter().filter(|b| b.trap == a.trap) {
            let apart =
                a.taken_down.is_some_and(|d| d <= b.hung) || b.taken_down.is_some_and(|d| d <= a.hung);
            prop_assert!(apart, "{a:?} and {b:?} hang at once");
        }
    }
    for visit in p.visits().unwrap() {
        let hangs = placements.iter().any(|a| {
            a.trap == visit.trap && a.hung <= visit.date && a.taken_down.is_none_or(|d| visit.date <= d)
        });
        prop_assert!(hangs, "{visit:?} to a trap that does not hang");
    }
    let labels: Vec<_> = p.hosts().unwrap().into_iter().map(|h| h.label).collect();
    let unique: std::collections::HashSet<_> = labels.iter().collect();
    prop_assert_eq!(unique.len(), labels.len());
    prop_assert_eq!(p.counts().unwrap().hosts, labels.len() as u64);
    Ok(())
}

/// Short here; a longer run sets PROPTEST_CASES.
fn cases(short: u32) -> u32 {
    std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(short)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(24), max_shrink_iters: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn projections_equal_a_rebuild_at_any_moment(history in prop::collection::vec(attempt(), 1..40)) {
        let (_dir, path, mut p) = new_programme();
        for attempt in &history {
            let before = everything(&p).unwrap();
            match try_it(&mut p, &path, attempt) {
                Ok(()) => {}
                Err(Error::Refused { .. }) => prop_assert_eq!(everything(&p).unwrap(), before, "refused, yet changed"),
                Err(error) => return Err(TestCaseError::fail(format!("{attempt:?}: {error}"))),
            }
            // Verify rebuilds beside the file and compares every table.
            let found = p.verify().unwrap();
            prop_assert!(found.is_sound(), "after {attempt:?}: {:?}", found.first_bad);
            check_state(&p)?;
        }
        let before = everything(&p).unwrap();
        p.rebuild().unwrap();
        prop_assert_eq!(everything(&p).unwrap(), before);
    }
}

/// Writes `value` over one field of the entry in the nth row, with all guards taken off and put back on.
fn tamper(path: &Path, nth: usize, column: &str, value: Value, as_text: bool) -> Result<(), rusqlite::Error> {
    let db = Connection::open(path)?;
    let guards: Vec<(String, String)> = db
        .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    for (name, _) in &guards {
        db.execute_batch(&format!("DROP TRIGGER {name}"))?;
    }
    db.execute_batch("PRAGMA ignore_check_constraints = ON")?;
    let new = if as_text { "CAST(? AS TEXT)" } else { "?" };
    let row = "(SELECT rowid FROM entries ORDER BY number LIMIT 1 OFFSET ?)";
    let done = db.execute(
        &format!("UPDATE entries SET {column} = {new} WHERE rowid = {row}"),
        (value, nth as i64),
    );
    for (_, sql) in &guards {
        db.execute_batch(sql)?;
    }
    done.map(drop)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(200), max_shrink_iters: 50, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_edit_of_any_byte_of_an_entry_is_found(
        nth in any::<prop::sample::Index>(),
        column in prop::sample::select(vec!["device", "number", "id", "previous", "event_time", "recorded_time",
                                            "person", "kind", "body_version", "body", "hash", "signature"]),
        at in any::<prop::sample::Index>(),
        flip in 1..=255_u8,
    ) {
        let (dir, path) = furnished();
        let copy = dir.path().join(format!("copy-{}", uuid::Uuid::now_v7().simple()));
        std::fs::copy(path, &copy).unwrap();
        let p = Programme::open_read_only(&copy).unwrap();
        let log = whole_log(&p);
        drop(p);
        let nth = nth.index(log.len());
        let old: Value = Connection::open(&copy).unwrap()
            .query_row(&format!("SELECT {column} FROM entries WHERE number = ?"), [nth as i64 + 1], |row| row.get(0))
            .unwrap();
        let spoil = |mut bytes: Vec<u8>| {
            let at = at.index(bytes.len());
            bytes[at] ^= flip;
            bytes
        };
        let text = matches!(old, Value::Text(_));
        let new = match old {
            Value::Text(text) => Value::Blob(spoil(text.into_bytes())),
            Value::Blob(bytes) => Value::Blob(spoil(bytes)),
            Value::Integer(n) => Value::Integer(n ^ (i64::from(flip) << (8 * at.index(8)))),
            Value::Null => Value::Blob(vec![flip; 1 + at.index(64)]),
            Value::Real(x) => Value::Real(-x),
        };
        if tamper(&copy, nth, column, new, text).is_err() {
            return Ok(()); // a number or id that another entry has: the database itself refused
        }
        // Opening may already refuse (the first entry or the device gone); else verify must name the entry.
        if let Ok(p) = Programme::open_read_only(&copy) {
            let bad = p.verify().unwrap().first_bad;
            prop_assert!(bad.is_some(), "{column} of entry {} changed, and nobody noticed", nth + 1);
            let bad = bad.unwrap();
            // An entry moved to another device or number is missed where it was, or fits nowhere where it is.
            if !["device", "number"].contains(&column) {
                prop_assert_eq!(bad.number, Some(nth as u64 + 1), "{:?}", bad);
            }
        }
        std::fs::remove_file(&copy).unwrap();
    }
}

/// One furnished file for all cases, checkpointed and closed.
fn furnished() -> &'static (tempfile::TempDir, std::path::PathBuf) {
    static FILE: std::sync::OnceLock<(tempfile::TempDir, std::path::PathBuf)> = std::sync::OnceLock::new();
    FILE.get_or_init(|| {
        let (dir, path, mut p) = new_programme();
        furnish(&mut p);
        drop(p);
        (dir, path)
    })
}

#[test]
fn removed_swapped_and_forged_entries_are_found() {
    let (dir, path) = furnished();
    let cases: [(&str, &str); 9] = [
        ("first", "DELETE FROM entries WHERE number = 1"),
        ("middle", "DELETE FROM entries WHERE number = 7"),
        ("last", "DELETE FROM entries WHERE number = (SELECT max(number) FROM entries)"),
        ("swapped", "UPDATE entries SET number = CASE number WHEN 5 THEN -6 WHEN 6 THEN -5 END WHERE number IN (5, 6);
                     UPDATE entries SET number = -number WHERE number < 0"),
        ("chunk gone", "DELETE FROM contents WHERE rowid = 1"),
        ("chunk changed", "UPDATE contents SET bytes = zeroblob(length) WHERE rowid = 1"),
        ("head", "UPDATE heads SET number = number + 1"),
        ("device", "UPDATE this_device SET device = zeroblob(16)"),
        ("projection", "UPDATE placements SET hung = '2026-01-01' WHERE trap = 'A'"),
    ];
    for (name, sql) in cases {
        let copy = dir.path().join(name);
        std::fs::copy(path, &copy).unwrap();
        let db = Connection::open(&copy).unwrap();
        let guards: Vec<String> = db
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger'")
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        assert_eq!(guards.len(), 6);
        for guard in &guards {
            db.execute_batch(&format!("DROP TRIGGER {guard}")).unwrap();
        }
        db.execute_batch("PRAGMA ignore_check_constraints = ON").unwrap();
        db.execute_batch(sql).unwrap();
        drop(db);
        let fault = match Programme::open(&copy) {
            Ok(p) => p.verify().unwrap().first_bad.map(|bad| bad.fault),
            Err(Error::HalfMade { .. }) if name == "first" => continue,
            Err(error) => panic!("{name}: {error}"),
        };
        let expected = match name {
            "middle" => matches!(fault, Some(Fault::Gap { expected: 7 })),
            "last" | "head" => matches!(fault, Some(Fault::Head { .. })),
            "swapped" => matches!(fault, Some(Fault::Previous)),
            "chunk gone" => matches!(fault, Some(Fault::ContentMissing(_))),
            "chunk changed" => matches!(fault, Some(Fault::ContentChanged(_))),
            "device" => matches!(fault, Some(Fault::Device(_))),
            // The guards were taken off here, which is found first.
            _ => matches!(fault, Some(Fault::Structure(_))),
        };
        assert!(expected, "{name}: {fault:?}");
    }
}

#[test]
fn a_chain_that_lost_its_end_is_not_continued() {
    let (_dir, path, mut p) = new_programme();
    furnish(&mut p);
    drop(p);
    let db = Connection::open(&path).unwrap();
    db.execute_batch("DROP TRIGGER entries_never_go; DELETE FROM entries WHERE number > 10")
        .unwrap();
    let mut p = Programme::open(&path).unwrap();
    let error = p
        .record_placements(&act(), &[placement("Z", day(4, 1), None)])
        .unwrap_err();
    assert!(matches!(error, Error::Damaged(_)), "{error}");
}
