//! Measures a programme file: load and read of many hosts (chunks against a plain table), visits, verify, open, backup.
//!
//!     cargo run -p earlywood-journal --example measure -- [HOSTS] [VISITS]

#![allow(clippy::print_stdout, reason = "a measuring program prints what it measured")]

use std::error::Error;
use std::path::Path;
use std::time::Instant;

use earlywood_journal::{Act, LoadMode, Programme};
use earlywood_model::record::{
    Host, HostCondition, Looked, Placement, Position, Renewed, TrapFound, Visit, VisitKind,
};
use jiff::civil::date;
use rusqlite::{Connection, params};

fn timed<T>(what: &str, work: impl FnOnce() -> Result<T, Box<dyn Error>>) -> Result<T, Box<dyn Error>> {
    let (start, cpu) = (Instant::now(), cpu_seconds());
    let done = work()?;
    println!(
        "{:>9.3} s  {:>6.2} CPU-s  {what}",
        start.elapsed().as_secs_f64(),
        cpu_seconds() - cpu
    );
    Ok(done)
}

/// Processor time of all threads so far, which a busy machine does not inflate as it does the wall time. 0 where there
/// is no /proc; ticks are hundredths of a second on every Linux this runs on (proc(5), sysconf(_SC_CLK_TCK)).
fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = after_name
        .split_whitespace()
        .skip(11)
        .take(2)
        .filter_map(|t| t.parse::<f64>().ok());
    ticks.sum::<f64>() / 100.0
}

/// Invented trees: a jittered grid over half a degree.
fn hosts(count: usize) -> Vec<Host> {
    const SPECIES: [&str; 4] = [
        "Fraxinus pennsylvanica",
        "Acer negundo",
        "Quercus lobata",
        "Platanus racemosa",
    ];
    let jitter = |i: usize, k: usize| ((i * k) % 9973) as f64 * 1.7e-8;
    (0..count)
        .map(|i| Host {
            label: format!("T{i:07}"),
            species: SPECIES[i * 7 % 4].into(),
            position: Position {
                lat: 44.0 + (i / 1000) as f64 * 5e-4 + jitter(i, 7919),
                lon: -121.0 + (i % 1000) as f64 * 5e-4 + jitter(i, 104_729),
            },
            dbh_cm: Some((5 + i * 31 % 900) as f64 / 10.0),
            condition: [
                HostCondition::Healthy,
                HostCondition::Unknown,
                HostCondition::Declining,
            ][i % 3],
        })
        .collect()
}

fn visit(trap: usize, day: i8) -> Visit {
    Visit {
        trap: format!("A{trap:05}"),
        date: date(2026, 1 + day / 28, 1 + day % 28),
        kind: VisitKind::Service,
        found: TrapFound::Working,
        looked: Looked::Fully,
        suspects: Some(0),
        renewed: Renewed {
            lure: true,
            ..Renewed::default()
        },
        lure_lot: Some("L-26-3".into()),
        crew: Some("crew-2".into()),
        exception: None,
    }
}

/// The alternative to chunks: one row a host, unique on its label.
fn plain_table(path: &Path, hosts: &[Host]) -> Result<(), Box<dyn Error>> {
    let mut db = Connection::open(path)?;
    db.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
         CREATE TABLE hosts (ord INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, species TEXT, lat REAL, lon REAL,
                             dbh_cm REAL, condition TEXT) STRICT;",
    )?;
    timed("  hosts in a plain table: insert", || {
        let tx = db.transaction()?;
        let mut insert = tx.prepare(
            "INSERT INTO hosts (label, species, lat, lon, dbh_cm, condition) VALUES (?, ?, ?, ?, ?, ?)",
        )?;
        for h in hosts {
            let condition = format!("{:?}", h.condition);
            insert.execute(params![
                h.label,
                h.species,
                h.position.lat,
                h.position.lon,
                h.dbh_cm,
                condition
            ])?;
        }
        drop(insert);
        Ok(tx.commit()?)
    })?;
    timed("  hosts in a plain table: read", || {
        let mut select = db.prepare("SELECT label, species, lat, lon, dbh_cm FROM hosts ORDER BY ord")?;
        let rows = select.query_map([], |row| {
            Ok(Host {
                label: row.get(0)?,
                species: row.get(1)?,
                position: Position {
                    lat: row.get(2)?,
                    lon: row.get(3)?,
                },
                dbh_cm: row.get(4)?,
                condition: HostCondition::Healthy,
            })
        })?;
        Ok(rows.collect::<Result<Vec<_>, _>>()?.len())
    })?;
    db.close().map_err(|(_, e)| e)?;
    println!("           {:.1} MB", std::fs::metadata(path)?.len() as f64 / 1e6);
    Ok(())
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1).map(|a| a.parse::<usize>());
    let trees = args.next().transpose()?.unwrap_or(1_000_000);
    let visits = args.next().transpose()?.unwrap_or(10_000);
    let dir = tempfile::tempdir()?;
    let path = dir.path().join("measure.earlywood");
    let act = Act::new("lead", "2026-11-01T12:00:00-07:00[-07:00]".parse()?)?;
    let hosts = hosts(trees);

    let mut programme = timed("create", || Ok(Programme::create(&path, "Measured", &act)?))?;
    timed(&format!("load {trees} hosts"), || {
        Ok(programme.load_hosts(&act, "trees.csv", LoadMode::Add, &hosts)?)
    })?;
    let read = timed("read them", || Ok(programme.hosts()?))?;
    assert!(read == hosts, "hosts did not come back as they were");
    let mut one = hosts[0].clone();
    one.label = "one more".into();
    timed("add one host (labels checked against all)", || {
        Ok(programme.load_hosts(&act, "one.csv", LoadMode::Add, &[one])?)
    })?;

    let traps = visits.div_ceil(20);
    let placements: Vec<Placement> = (0..traps)
        .map(|t| Placement {
            trap: format!("A{t:05}"),
            place: format!("P{t:05}"),
            position: Position {
                lat: 44.0,
                lon: -121.0,
            },
            targets: vec!["emerald-ash-borer".into()],
            hung: date(2026, 1, 1),
            taken_down: None,
        })
        .collect();
    timed(&format!("record {traps} placements"), || {
        Ok(programme.record_placements(&act, &placements)?)
    })?;
    let made: Vec<Visit> = (0..visits).map(|i| visit(i % traps, (i / traps) as i8)).collect();
    timed(&format!("record {visits} visits in one batch"), || {
        Ok(programme.record_visits(&act, &made)?)
    })?;
    timed("record 200 visits, one transaction each", || {
        for i in 0..200 {
            programme.record_visits(&act, &[visit(i % traps, 100 + (i / traps) as i8)])?;
        }
        Ok(())
    })?;
    timed("read the visits", || Ok(programme.visits()?.len()))?;
    let seen = timed("verify (with a rebuild beside it)", || Ok(programme.verify()?))?;
    println!(
        "           {} entries, {} records in {} chunks",
        seen.entries, seen.rows, seen.chunks
    );
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    timed("rebuild", || Ok(programme.rebuild()?))?;
    timed("backup, verified", || {
        Ok(programme.backup(&dir.path().join("backup.earlywood"))?)
    })?;
    drop(programme);
    timed("open", || Ok(Programme::open(&path)?))?;
    println!(
        "           {:.1} MB",
        std::fs::metadata(&path)?.len() as f64 / 1e6
    );
    plain_table(&dir.path().join("plain.db"), &hosts)
}
