//! Projections: the current state, computed from entries alone.
//!
//! [`apply`] is the only writer of these tables. It reads nothing but the tables themselves, the entry and the chunks
//! that the entry names, so that replaying the entries anywhere gives the same rows.

use earlywood_model::record::WeatherDay;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, params};
use serde::Serialize;

use crate::body::{Body, Change, Correction, LoadMode, Loaded, What};
use crate::chunk::{ChunkRef, unpack};
use crate::entry::{Entry, to_sql_integer};
use crate::error::Error;
use crate::hash::Hash;
use crate::load::Bulk;

/// A projected table and the order in which its rows are compared.
pub(crate) struct Table {
    pub(crate) name: &'static str,
    order: &'static str,
}

const fn table(name: &'static str, order: &'static str) -> Table {
    Table { name, order }
}

/// Every projected table.
pub(crate) const TABLES: [Table; 13] = [
    table("programme", "key"),
    table("host_chunks", "ord"),
    table("pathways", "ord"),
    table("land", "ord"),
    table("zones", "ord"),
    table("places", "ord"),
    table("weather", "station, date"),
    table("placements", "ord"),
    table("take_downs", "ord"),
    table("visits", "ord"),
    table("targets", "id"),
    table("plans", "ord"),
    table("determinations", "ord"),
];

/// Hosts have no table of rows. Measured for a million (`examples/measure.rs`, processor time): reading them back
/// takes 0.7 s spread over all cores from chunks, 0.5 s on one core from a table; but a table would cost another 1.3 s
/// at each load and triple the file.
pub(crate) const SCHEMA: &str = "
CREATE TABLE programme (key TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE host_chunks (
    ord INTEGER PRIMARY KEY, hash BLOB NOT NULL, bytes INTEGER NOT NULL, rows INTEGER NOT NULL) STRICT;
CREATE TABLE pathways (ord INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, body TEXT NOT NULL) STRICT;
CREATE TABLE land     (ord INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, body TEXT NOT NULL) STRICT;
CREATE TABLE zones    (ord INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, body TEXT NOT NULL) STRICT;
CREATE TABLE places   (ord INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, body TEXT NOT NULL) STRICT;
CREATE TABLE weather (
    station TEXT NOT NULL, date TEXT NOT NULL, tmin_c REAL NOT NULL, tmax_c REAL NOT NULL,
    PRIMARY KEY (station, date)) STRICT, WITHOUT ROWID;
CREATE TABLE placements (
    ord INTEGER PRIMARY KEY, entry BLOB NOT NULL UNIQUE, trap TEXT NOT NULL, place TEXT NOT NULL, hung TEXT NOT NULL,
    taken_down TEXT, down_by BLOB, body TEXT NOT NULL, withdrawn_by BLOB) STRICT;
CREATE INDEX placements_by_trap ON placements (trap, hung);
CREATE TABLE take_downs (
    ord INTEGER PRIMARY KEY, entry BLOB NOT NULL UNIQUE, trap TEXT NOT NULL, date TEXT NOT NULL, body TEXT NOT NULL,
    withdrawn_by BLOB) STRICT;
CREATE TABLE visits (
    ord INTEGER PRIMARY KEY, entry BLOB NOT NULL UNIQUE, trap TEXT NOT NULL, date TEXT NOT NULL, body TEXT NOT NULL,
    corrected_by BLOB, withdrawn_by BLOB) STRICT;
CREATE INDEX visits_by_trap ON visits (trap, date);
CREATE TABLE targets (
    id TEXT NOT NULL PRIMARY KEY, entry BLOB NOT NULL, adopted TEXT NOT NULL, toml TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE plans (
    ord INTEGER PRIMARY KEY, entry BLOB NOT NULL UNIQUE, target TEXT NOT NULL, body TEXT NOT NULL, withdrawn_by BLOB)
    STRICT;
CREATE TABLE determinations (
    ord INTEGER PRIMARY KEY, entry BLOB NOT NULL UNIQUE, trap TEXT NOT NULL, date TEXT NOT NULL, target TEXT NOT NULL,
    status TEXT NOT NULL, body TEXT NOT NULL, withdrawn_by BLOB) STRICT;
CREATE INDEX determinations_by_trap ON determinations (trap, date);
";

/// Where a chunk's bytes come from.
pub(crate) type Contents<'a> = &'a dyn Fn(&ChunkRef) -> Result<Vec<u8>, Error>;

/// JSON of a record as the projection keeps it (and compares it).
pub(crate) fn record_text<T: Serialize>(record: &T) -> Result<String, Error> {
    serde_json::to_string(record).map_err(|e| Error::Body {
        kind: "record".into(),
        why: e.to_string(),
    })
}

/// Empties every projection.
pub(crate) fn clear(db: &Connection) -> Result<(), Error> {
    for table in &TABLES {
        db.execute(&format!("DELETE FROM {}", table.name), [])?;
    }
    Ok(())
}

/// Brings the projections up to date with one entry more.
pub(crate) fn apply(
    db: &Connection,
    entry: &Entry,
    body: &Body,
    contents: Contents<'_>,
) -> Result<(), Error> {
    let id = entry.id.as_bytes();
    match body {
        Body::ProgrammeSetUp(b) => {
            let mut set = db.prepare_cached("INSERT OR REPLACE INTO programme (key, value) VALUES (?, ?)")?;
            set.execute(["id", &b.programme.to_string()])?;
            set.execute(["name", &b.name])?;
        }
        Body::Loaded(b) => apply_load(db, b, contents)?,
        Body::TargetAdopted(b) => {
            db.prepare_cached(
                "INSERT OR REPLACE INTO targets (id, entry, adopted, toml) VALUES (?, ?, ?, ?)",
            )?
            .execute(params![b.id, id, entry.event_time, b.toml])?;
        }
        Body::PlanAdopted(b) => {
            db.prepare_cached("INSERT INTO plans (entry, target, body) VALUES (?, ?, ?)")?
                .execute(params![id, b.target, record_text(b)?])?;
        }
        Body::TrapPlaced(b) => {
            let down = b.taken_down.map(|date| date.to_string());
            db.prepare_cached(
                "INSERT INTO placements (entry, trap, place, hung, taken_down, body) VALUES (?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![id, b.trap, b.place, b.hung.to_string(), down, record_text(b)?])?;
        }
        Body::TrapTakenDown(b) => {
            let date = b.date.to_string();
            db.prepare_cached("INSERT INTO take_downs (entry, trap, date, body) VALUES (?, ?, ?, ?)")?
                .execute(params![id, b.trap, date, record_text(b)?])?;
            db.prepare_cached(
                "UPDATE placements SET taken_down = ?, down_by = ? WHERE ord =
                    (SELECT max(ord) FROM placements
                     WHERE trap = ? AND taken_down IS NULL AND withdrawn_by IS NULL)",
            )?
            .execute(params![date, id, b.trap])?;
        }
        Body::VisitMade(b) => {
            db.prepare_cached("INSERT INTO visits (entry, trap, date, body) VALUES (?, ?, ?, ?)")?
                .execute(params![id, b.trap, b.date.to_string(), record_text(b)?])?;
        }
        Body::Determination(b) => {
            let status = record_text(&b.status)?;
            db.prepare_cached(
                "INSERT INTO determinations (entry, trap, date, target, status, body) VALUES (?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                id,
                b.trap,
                b.date.to_string(),
                b.target,
                status.trim_matches('"'),
                record_text(b)?
            ])?;
        }
        Body::Correction(b) => apply_correction(db, entry, b)?,
        Body::Other(_) => {} // kept in the journal, reported by verify, and shown nowhere else
    }
    Ok(())
}

fn apply_correction(db: &Connection, entry: &Entry, correction: &Correction) -> Result<(), Error> {
    let (by, whom) = (entry.id.as_bytes(), correction.corrects.as_bytes());
    match &correction.change {
        Change::Visit { visit } => {
            db.prepare_cached(
                "UPDATE visits SET trap = ?, date = ?, body = ?, corrected_by = ? WHERE entry = ?",
            )?
            .execute(params![
                visit.trap,
                visit.date.to_string(),
                record_text(visit)?,
                by,
                whom
            ])?;
        }
        Change::Withdraw => {
            for table in ["visits", "determinations", "plans", "placements", "take_downs"] {
                db.prepare_cached(&format!("UPDATE {table} SET withdrawn_by = ? WHERE entry = ?"))?
                    .execute(params![by, whom])?;
            }
            db.prepare_cached("UPDATE placements SET taken_down = NULL, down_by = NULL WHERE down_by = ?")?
                .execute([whom])?;
        }
    }
    Ok(())
}

fn apply_load(db: &Connection, loaded: &Loaded, contents: Contents<'_>) -> Result<(), Error> {
    match loaded.what {
        What::Hosts => apply_hosts(db, loaded),
        What::Weather => apply_weather(db, loaded, contents),
        What::Pathways => apply_labelled::<earlywood_model::record::Pathway>(db, loaded, contents),
        What::Land => apply_labelled::<earlywood_model::record::Land>(db, loaded, contents),
        What::Zones => apply_labelled::<earlywood_model::record::Zone>(db, loaded, contents),
        What::Places => apply_labelled::<earlywood_model::record::Place>(db, loaded, contents),
    }
}

fn apply_hosts(db: &Connection, loaded: &Loaded) -> Result<(), Error> {
    if loaded.mode == LoadMode::Replace {
        db.execute("DELETE FROM host_chunks", [])?;
    }
    let mut insert = db.prepare_cached("INSERT INTO host_chunks (hash, bytes, rows) VALUES (?, ?, ?)")?;
    for chunk in &loaded.chunks {
        insert.execute(params![
            chunk.hash.0,
            to_sql_integer(chunk.bytes)?,
            to_sql_integer(chunk.rows)?
        ])?;
    }
    Ok(())
}

fn apply_labelled<T: Bulk>(db: &Connection, loaded: &Loaded, contents: Contents<'_>) -> Result<(), Error> {
    let table = loaded.what.word();
    if loaded.mode == LoadMode::Replace {
        db.execute(&format!("DELETE FROM {table}"), [])?;
    }
    let mut insert = db.prepare_cached(&format!("INSERT INTO {table} (label, body) VALUES (?, ?)"))?;
    for chunk in &loaded.chunks {
        for row in unpack::<T>(chunk, &contents(chunk)?)? {
            insert.execute(params![row.key(), record_text(&row)?])?;
        }
    }
    Ok(())
}

fn apply_weather(db: &Connection, loaded: &Loaded, contents: Contents<'_>) -> Result<(), Error> {
    let mut days: Vec<WeatherDay> = Vec::new();
    for chunk in &loaded.chunks {
        days.extend(unpack::<WeatherDay>(chunk, &contents(chunk)?)?);
    }
    if loaded.mode == LoadMode::Replace {
        let mut stations: Vec<&str> = days.iter().map(|day| day.station.as_str()).collect();
        stations.sort_unstable();
        stations.dedup();
        let mut delete = db.prepare_cached("DELETE FROM weather WHERE station = ?")?;
        for station in stations {
            delete.execute([station])?;
        }
    }
    let mut insert =
        db.prepare_cached("INSERT INTO weather (station, date, tmin_c, tmax_c) VALUES (?, ?, ?, ?)")?;
    for day in &days {
        insert.execute(params![day.station, day.date.to_string(), day.tmin_c, day.tmax_c])?;
    }
    Ok(())
}

/// One hash per projected table, over every value of every row in order.
pub(crate) fn digests(db: &Connection) -> Result<Vec<(&'static str, Hash)>, Error> {
    TABLES
        .iter()
        .map(|table| Ok((table.name, digest(db, table)?)))
        .collect()
}

fn digest(db: &Connection, table: &Table) -> Result<Hash, Error> {
    let mut hasher = blake3::Hasher::new();
    let mut statement = db.prepare(&format!("SELECT * FROM {} ORDER BY {}", table.name, table.order))?;
    let columns = statement.column_count();
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        for column in 0..columns {
            let (tag, bytes): (u8, &[u8]) = match row.get_ref(column)? {
                ValueRef::Null => (0, &[]),
                ValueRef::Integer(n) => (1, &n.to_be_bytes()),
                ValueRef::Real(x) => (2, &x.to_bits().to_be_bytes()),
                ValueRef::Text(text) => (3, text),
                ValueRef::Blob(blob) => (4, blob),
            };
            hasher.update(&[tag]);
            hasher.update(&(bytes.len() as u64).to_be_bytes());
            hasher.update(bytes);
        }
    }
    Ok(Hash(*hasher.finalize().as_bytes()))
}
