//! Measures a programme of many seasons: appends beside plain SQLite and a plain fsync, then a file of T traps x Y seasons
//! x 20 visits (made once, kept): open, questions, verify, rebuild.
//!
//!     seasons appends DIR               single entries and batches, ours and the peers
//!     seasons build FILE TRAPS SEASONS  makes the file
//!     seasons open FILE                 open, name, counts, one trap, what is overdue
//!     seasons verify FILE | rebuild FILE

#![allow(clippy::print_stdout, reason = "a measuring program prints what it measured")]

use std::error::Error;
use std::fs::File;
use std::io::Write as _;
use std::path::Path;
use std::time::Instant;

use earlywood_journal::{Act, Limit, Limits, Near, Programme};
use earlywood_model::record::{Looked, Placement, Position, Renewed, TrapFound, Visit, VisitKind};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use rusqlite::{Connection, params};

type Done = Result<(), Box<dyn Error>>;

fn act() -> Result<Act, Box<dyn Error>> {
    Ok(Act::new("lead", "2026-11-20T12:00:00-08:00[-08:00]".parse()?)?)
}

fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = after_name.split_whitespace().skip(11).take(2);
    ticks.filter_map(|t| t.parse::<f64>().ok()).sum::<f64>() / 100.0
}

/// Highest resident memory so far, MiB (proc(5), VmHWM).
fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|line| line.split_whitespace().next()?.parse::<u64>().ok());
    kib.unwrap_or(0) / 1024
}

fn timed<T>(what: &str, work: impl FnOnce() -> Result<T, Box<dyn Error>>) -> Result<T, Box<dyn Error>> {
    let (start, cpu) = (Instant::now(), cpu_seconds());
    let done = work()?;
    println!(
        "{:>9.3} s {:>8.2} CPU-s {:>6} MiB  {what}",
        start.elapsed().as_secs_f64(),
        cpu_seconds() - cpu,
        peak_mib()
    );
    Ok(done)
}

fn placement(trap: usize, hung: Date, down: Option<Date>) -> Placement {
    Placement {
        trap: format!("T-{trap:05}"),
        place: format!("P-{trap:05}"),
        position: Position {
            lat: 44.0 + (trap / 200) as f64 * 1e-3,
            lon: -121.0 + (trap % 200) as f64 * 1e-3,
        },
        targets: vec!["emerald-ash-borer".into()],
        hung,
        taken_down: down,
    }
}

fn visit(trap: usize, day: Date, n: usize) -> Visit {
    Visit {
        trap: format!("T-{trap:05}"),
        date: day,
        kind: VisitKind::Service,
        found: TrapFound::Working,
        looked: Looked::Fully,
        suspects: Some(0),
        renewed: Renewed {
            lure: n.is_multiple_of(5),
            ..Renewed::default()
        },
        lure_lot: n.is_multiple_of(5).then(|| format!("L-{}", n / 5)),
        crew: Some(format!("crew-{}", trap % 30)),
        exception: None,
    }
}

/// Visits a season, ten days apart from the day after hanging.
const VISITS: usize = 20;

fn build(path: &Path, traps: usize, seasons: i16) -> Done {
    let act = act()?;
    let mut programme = Programme::create(path, "Many Seasons", &act)?;
    for season in 0..seasons {
        let year = 2026 - (seasons - 1) + season;
        let (hung, down) = (date(year, 4, 1), date(year, 10, 31));
        let open = year == 2026;
        let placements: Vec<Placement> = (0..traps)
            .map(|trap| placement(trap, hung, (!open).then_some(down)))
            .collect();
        programme.record_placements(&act, &placements)?;
        let visits: Vec<Visit> = (0..VISITS)
            .flat_map(|n| {
                let day = hung.saturating_add((1 + 10 * n as i64).days());
                (0..traps).map(move |trap| visit(trap, day, n))
            })
            .collect();
        timed(
            &format!("season {year}: {} visits in one transaction", visits.len()),
            || Ok(programme.record_visits(&act, &visits)?),
        )?;
    }
    let bytes = std::fs::metadata(path)?.len();
    println!("{:.2} GiB", bytes as f64 / f64::from(1 << 30));
    Ok(())
}

fn open(path: &Path) -> Done {
    let programme = timed("open", || Ok(Programme::open(path)?))?;
    timed("name", || Ok(programme.name()?))?;
    let counts = timed("counts of everything", || Ok(programme.counts()?))?;
    println!("            {counts:?}");
    let limit = Limit {
        warn_days: 14,
        fail_days: 28,
    };
    let limits = Limits {
        look: Some(limit),
        ..Limits::default()
    };
    let due = timed("what is overdue", || {
        Ok(programme.overdue(date(2026, 11, 20), &limits)?)
    })?;
    println!("            {} traps overdue", due.len());
    let near = Near::Point {
        position: Position {
            lat: 44.05,
            lon: -120.95,
        },
        radius_m: 300.0,
    };
    let passed = timed("when were we last on this street (300 m)", || {
        Ok(programme.last_on(&near, None)?)
    })?;
    println!("            {} stops", passed.len());
    Ok(())
}

fn appends(dir: &Path) -> Done {
    let act = act()?;
    let mut programme = Programme::create(&dir.join("ours.earlywood"), "Appends", &act)?;
    let traps = 1000;
    let placements: Vec<_> = (0..traps)
        .map(|trap| placement(trap, date(2026, 4, 1), None))
        .collect();
    programme.record_placements(&act, &placements)?;
    let mut visits = (0..).map(|i| {
        let day = date(2026, 4, 2).saturating_add(((i / traps) as i64).days());
        visit(i % traps, day, i)
    });
    let plain = Connection::open(dir.join("plain.db"))?;
    plain.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
         CREATE TABLE entries (device BLOB, number INTEGER, id BLOB UNIQUE, body TEXT, rest BLOB, PRIMARY KEY (device, number));",
    )?;
    let mut number = 0_i64;
    let mut file = File::create(dir.join("plain.log"))?;
    for (batch, rounds) in [(1, 300), (100, 20), (1000, 10)] {
        let (mut ours, mut sqlite, mut fsync) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..rounds {
            let rows: Vec<Visit> = visits.by_ref().take(batch).collect();
            let start = Instant::now();
            programme.record_visits(&act, &rows)?;
            ours.push(start.elapsed().as_secs_f64());
            // The same bytes as an entry has: its body, and hash, signature, times and ids.
            let bodies: Vec<String> = rows.iter().map(serde_json::to_string).collect::<Result<_, _>>()?;
            let start = Instant::now();
            plain.execute_batch("BEGIN IMMEDIATE")?;
            for body in &bodies {
                number += 1;
                plain
                    .prepare_cached("INSERT INTO entries VALUES (?, ?, ?, ?, ?)")?
                    .execute(params![
                        [0_u8; 16],
                        number,
                        number.to_be_bytes(),
                        body,
                        [7_u8; 220]
                    ])?;
            }
            plain.execute_batch("COMMIT")?;
            sqlite.push(start.elapsed().as_secs_f64());
            let start = Instant::now();
            for body in &bodies {
                file.write_all(body.as_bytes())?;
                file.write_all(&[7; 260])?;
            }
            file.sync_data()?;
            fsync.push(start.elapsed().as_secs_f64());
        }
        let rate = |mut seconds: Vec<f64>| {
            seconds.sort_by(f64::total_cmp);
            batch as f64 / seconds[seconds.len() / 2]
        };
        let (ours, sqlite, fsync) = (rate(ours), rate(sqlite), rate(fsync));
        println!(
            "{batch:>5} a commit: ours {ours:>8.0}/s   plain SQLite {sqlite:>8.0}/s (ratio {:.2})   plain fsync {fsync:>8.0}/s (ratio {:.2})",
            ours / sqlite,
            ours / fsync
        );
    }
    Ok(())
}

fn main() -> Done {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["appends", dir] => appends(Path::new(dir)),
        ["build", file, traps, seasons] => build(Path::new(file), traps.parse()?, seasons.parse()?),
        ["open", file] => open(Path::new(file)),
        ["verify", file] => {
            let programme = Programme::open_read_only(Path::new(file))?;
            let seen = timed(
                "verify: chain, hashes, signatures, projections against a rebuild",
                || Ok(programme.verify()?),
            )?;
            println!(
                "            {} entries, {} signed, sound: {}",
                seen.entries,
                seen.signed,
                seen.is_sound()
            );
            Ok(())
        }
        ["rebuild", file] => {
            let mut programme = Programme::open(Path::new(file))?;
            let entries = programme.counts()?.entries;
            timed(&format!("rebuild of {entries} entries"), || {
                Ok(programme.rebuild()?)
            })
        }
        _ => Err(
            "seasons appends DIR | build FILE TRAPS SEASONS | open FILE | verify FILE | rebuild FILE".into(),
        ),
    }
}
