//! The tables of a programme file, and how a file is opened without trusting it.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::time::Duration;

use rusqlite::backup::Backup;
use rusqlite::{Connection, OpenFlags, OptionalExtension, TransactionBehavior};

use crate::error::Error;
use crate::project;
use crate::store::sqlite::SqliteLog;

/// SQLite `application_id` of a programme file: the letters EWOD.
pub const APPLICATION_ID: i32 = 0x4557_4F44;
/// The layout written and read here (SQLite `user_version`).
pub const LAYOUT: i64 = 4;

/// How long a writer waits for another one before it gives up.
const PATIENCE: Duration = Duration::from_secs(20);

/// The journal proper. An `INSERT OR REPLACE` deletes without firing DELETE triggers, hence the third guard of each.
pub(crate) const JOURNAL: &str = "
CREATE TABLE entries (
    device        BLOB    NOT NULL CHECK (length(device) = 16),
    number        INTEGER NOT NULL CHECK (number >= 1),
    id            BLOB    NOT NULL UNIQUE CHECK (length(id) = 16),
    previous      BLOB    CHECK (length(previous) = 32),
    event_time    TEXT    NOT NULL,
    recorded_time TEXT    NOT NULL,
    person        TEXT    NOT NULL,
    kind          TEXT    NOT NULL,
    body_version  INTEGER NOT NULL,
    body          TEXT    NOT NULL,
    hash          BLOB    NOT NULL CHECK (length(hash) = 32),
    signature     BLOB,
    PRIMARY KEY (device, number)
) STRICT;
CREATE TABLE contents (
    hash   BLOB    NOT NULL PRIMARY KEY CHECK (length(hash) = 32),
    length INTEGER NOT NULL CHECK (length = length(bytes)),
    bytes  BLOB    NOT NULL
) STRICT;
CREATE TABLE heads (
    device BLOB    NOT NULL PRIMARY KEY,
    number INTEGER NOT NULL,
    hash   BLOB    NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE this_device (device BLOB NOT NULL) STRICT;
CREATE TRIGGER entries_never_change BEFORE UPDATE ON entries
    BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
CREATE TRIGGER entries_never_go BEFORE DELETE ON entries
    BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END;
CREATE TRIGGER entries_never_replaced BEFORE INSERT ON entries
    WHEN EXISTS (SELECT 1 FROM entries WHERE device = NEW.device AND number = NEW.number)
      OR EXISTS (SELECT 1 FROM entries WHERE id = NEW.id)
    BEGIN SELECT RAISE(ABORT, 'entries are never replaced'); END;
CREATE TRIGGER contents_never_change BEFORE UPDATE ON contents
    BEGIN SELECT RAISE(ABORT, 'contents are never changed'); END;
CREATE TRIGGER contents_never_go BEFORE DELETE ON contents
    BEGIN SELECT RAISE(ABORT, 'contents are never deleted'); END;
CREATE TRIGGER contents_never_replaced BEFORE INSERT ON contents
    WHEN EXISTS (SELECT 1 FROM contents WHERE hash = NEW.hash)
    BEGIN SELECT RAISE(ABORT, 'contents are never replaced'); END;
";

/// What is known of people beyond their ids. No part of the journal: a row can be erased, and SQLite is told to wipe it.
pub(crate) const PEOPLE: &str =
    "CREATE TABLE people (person TEXT NOT NULL PRIMARY KEY, body TEXT NOT NULL) STRICT, WITHOUT ROWID;";

/// Every table that is no projection.
pub(crate) fn create_journal(db: &Connection) -> Result<(), Error> {
    db.execute_batch(JOURNAL)?;
    Ok(db.execute_batch(PEOPLE)?)
}

/// Opens an existing file; nothing in it is believed yet.
pub(crate) fn open(path: &Path, writable: bool) -> Result<Connection, Error> {
    check_bytes(path)?;
    let mode = if writable {
        OpenFlags::SQLITE_OPEN_READ_WRITE
    } else {
        OpenFlags::SQLITE_OPEN_READ_ONLY
    };
    let db = Connection::open_with_flags(path, mode | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
    let db = if !writable && needs_neighbours(&db) {
        open_immutable(path)?
    } else {
        db
    };
    check_header(path, &db)?;
    if writable && db.is_readonly("main")? {
        return Err(Error::ReadOnly(format!(
            "{} is read-only for you",
            path.display()
        )));
    }
    configure(&db, writable)?;
    let db = up_to_date(db, writable)?;
    check_tables(path, &db)?;
    Ok(db)
}

/// Brings a file of an older layout to this one: its entries stay as they are, its projections are made anew. A file that
/// is only read is not touched; what is read then is a private copy.
fn up_to_date(db: Connection, writable: bool) -> Result<Connection, Error> {
    if read_header(&db)?.1 == LAYOUT {
        return Ok(db);
    }
    let mut db = if writable { db } else { private_copy(&db)? };
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Another process may have done it meanwhile.
    match read_header(&tx)?.1 {
        LAYOUT => {}
        1 => migrate_from_1(&tx)?,
        2 => migrate_from_2(&tx)?,
        _ => reread(&tx, &project::response::KINDS_4)?,
    }
    tx.pragma_update(None, "user_version", LAYOUT)?;
    tx.commit()?;
    Ok(db)
}

fn private_copy(db: &Connection) -> Result<Connection, Error> {
    // An empty name: a temporary database that spills to the disk and goes when it is closed.
    let mut copy = Connection::open("")?;
    Backup::new(db, &mut copy)?.run_to_completion(4096, Duration::ZERO, None)?;
    copy.pragma_update(None, "journal_mode", "MEMORY")?;
    configure(&copy, false)?;
    Ok(copy)
}

/// Layout 1 had one table a kind, no side table of people, and no signatures.
fn migrate_from_1(tx: &Connection) -> Result<(), Error> {
    const OLD: [&str; 13] = [
        "programme",
        "host_chunks",
        "pathways",
        "land",
        "zones",
        "places",
        "weather",
        "placements",
        "take_downs",
        "visits",
        "targets",
        "plans",
        "determinations",
    ];
    for table in OLD {
        tx.execute_batch(&format!("DROP TABLE IF EXISTS {table}"))?;
    }
    tx.execute_batch(PEOPLE)?;
    project::create(tx)?;
    project::replay(&SqliteLog(tx), tx)
}

/// Layout 2 had no roads, no crews' days and no access. Entries that it could not read, for a newer copy had sent them, are
/// read now: then everything is computed anew; else there is nothing to compute.
fn migrate_from_2(tx: &Connection) -> Result<(), Error> {
    tx.execute_batch(project::SCHEMA_3)?;
    let mut newer = vec!["roads-loaded", "crews-loaded", "access-loaded", "rounds-adopted"];
    newer.extend(project::response::KINDS_4);
    reread(tx, &newer)
}

/// Computes everything anew if there are entries of kinds that the older program could not read. Layout 4 added no table,
/// only the kinds of responses.
fn reread(tx: &Connection, newer: &[&str]) -> Result<(), Error> {
    let mut select = tx.prepare("SELECT 1 FROM entries WHERE kind = ? LIMIT 1")?;
    for kind in newer {
        if select.exists([kind])? {
            project::clear(tx)?;
            return project::replay(&SqliteLog(tx), tx);
        }
    }
    Ok(())
}

/// A file in write-ahead mode needs neighbour files even to be read, and here none can be made.
fn needs_neighbours(db: &Connection) -> bool {
    let code = read_header(db).err().and_then(|error| error.sqlite_error_code());
    matches!(
        code,
        Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::ReadOnly)
    )
}

/// Reads a file in a folder that can't be written as the finished file it is. A log beside it would belong to it.
fn open_immutable(path: &Path) -> Result<Connection, Error> {
    let not = |why: &str| Error::ReadOnly(format!("{} {why}", path.display()));
    if wal_of(path).exists() {
        return Err(not(
            "was not closed (its -wal file is there): copy both to a folder you may write, and open that",
        ));
    }
    let text = path
        .to_str()
        .ok_or_else(|| not("can't be read in a read-only folder: its name is not UTF-8"))?;
    let escaped = text.replace('%', "%25").replace('?', "%3f").replace('#', "%23");
    let flags =
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX | OpenFlags::SQLITE_OPEN_URI;
    Ok(Connection::open_with_flags(
        format!("file:{escaped}?immutable=1"),
        flags,
    )?)
}

fn wal_of(path: &Path) -> std::path::PathBuf {
    let mut wal = path.as_os_str().to_owned();
    wal.push("-wal");
    wal.into()
}

/// What the file shows before SQLite touches it: that it is a file, a database, and as long as it says.
fn check_bytes(path: &Path) -> Result<(), Error> {
    let not = |why: &str| Error::NotAProgramme {
        path: path.to_owned(),
        why: why.into(),
    };
    let meta = std::fs::metadata(path).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => Error::NotFound {
            path: path.to_owned(),
        },
        _ => Error::io(path, e),
    })?;
    if !meta.is_file() {
        return Err(not("it is not a file"));
    }
    if meta.len() == 0 {
        return Err(not("it is empty (0 bytes)"));
    }
    let mut head = [0; 100];
    let read = File::open(path).and_then(|mut file| file.read_exact(&mut head));
    if read.is_err_and(|e| e.kind() != std::io::ErrorKind::UnexpectedEof)
        || &head[..16] != b"SQLite format 3\0"
    {
        return Err(not("it does not start like one"));
    }
    // SQLite file format 1.3: page size at 16 (1 means 65536), pages at 28, valid when the counters at 24 and 92 agree.
    let word = |at: usize| {
        u64::from(u32::from_be_bytes([
            head[at],
            head[at + 1],
            head[at + 2],
            head[at + 3],
        ]))
    };
    let page = match u16::from_be_bytes([head[16], head[17]]) {
        1 => 65_536,
        n => u64::from(n),
    };
    let says = page * word(28);
    if word(24) == word(92) && meta.len() < says && !wal_of(path).exists() {
        return Err(Error::Damaged(format!(
            "{} is cut short: {} bytes instead of {says}",
            path.display(),
            meta.len()
        )));
    }
    Ok(())
}

fn read_header(db: &Connection) -> Result<(i64, i64), rusqlite::Error> {
    let pragma = |name: &str| db.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    Ok((pragma("application_id")?, pragma("user_version")?))
}

fn check_header(path: &Path, db: &Connection) -> Result<(), Error> {
    db.busy_timeout(PATIENCE)?;
    let (application, layout) = read_header(db)?;
    if application != i64::from(APPLICATION_ID) {
        let why = "it is a database of another program".into();
        return Err(Error::NotAProgramme {
            path: path.to_owned(),
            why,
        });
    }
    if layout > LAYOUT {
        return Err(Error::NewerLayout {
            path: path.to_owned(),
            found: layout,
            known: LAYOUT,
        });
    }
    if layout < 1 {
        return Err(half_made(path, "it has no layout number"));
    }
    Ok(())
}

fn half_made(path: &Path, why: &str) -> Error {
    Error::HalfMade {
        path: path.to_owned(),
        why: why.into(),
    }
}

pub(crate) fn configure(db: &Connection, writable: bool) -> Result<(), Error> {
    db.busy_timeout(PATIENCE)?;
    if writable {
        db.pragma_update(None, "journal_mode", "WAL")?;
        db.pragma_update(None, "synchronous", "FULL")?;
        // On macOS a plain fsync does not reach the platter; elsewhere this changes nothing.
        db.pragma_update(None, "fullfsync", true)?;
    }
    // 64 MiB of pages: indexes of millions of rows are filled in no order, and the default of 2 MiB would thrash.
    db.pragma_update(None, "cache_size", -65_536)?;
    db.pragma_update(None, "foreign_keys", true)?;
    // An erased person is gone from the file, not only from its lists.
    db.pragma_update(None, "secure_delete", true)?;
    db.pragma_update(None, "cell_size_check", true)?;
    db.pragma_update(None, "trusted_schema", false)?;
    db.set_prepared_statement_cache_capacity(64);
    Ok(())
}

fn check_tables(path: &Path, db: &Connection) -> Result<(), Error> {
    let mut present = db.prepare("SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = ?")?;
    let journal = ["entries", "contents", "heads", "this_device", "people"];
    for table in journal.into_iter().chain(project::TABLES.iter().map(|t| t.name)) {
        if !present.exists([table])? {
            return Err(half_made(path, &format!("table {table} is missing")));
        }
    }
    let first = db
        .query_row("SELECT 1 FROM entries WHERE number = 1 LIMIT 1", [], |_| Ok(()))
        .optional()?;
    first.ok_or_else(|| half_made(path, "its first entry is missing"))
}

/// The table, index or guard that is not as it was made, or should not be there, if any.
pub(crate) fn altered(db: &Connection, as_made: &Connection) -> Result<Option<String>, Error> {
    let (here, made) = (objects(db)?, objects(as_made)?);
    let differs = |(a, b): (&BTreeMap<String, String>, &BTreeMap<String, String>)| {
        a.iter()
            .find(|(name, sql)| b.get(*name) != Some(*sql))
            .map(|(name, _)| name.clone())
    };
    Ok(differs((&here, &made)).or_else(|| differs((&made, &here))))
}

fn objects(db: &Connection) -> Result<BTreeMap<String, String>, Error> {
    let mut select = db.prepare("SELECT type || ' ' || name, coalesce(sql, '') FROM sqlite_schema")?;
    let rows = select.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(rows.collect::<Result<_, _>>()?)
}
