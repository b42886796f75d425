//! The journal in a SQLite database: the tables of [`crate::schema::JOURNAL`].

use std::ops::Deref;
use std::path::Path;

use rusqlite::{Connection, OptionalExtension, Row, Transaction, TransactionBehavior, params};
use uuid::Uuid;

use super::{Log, Store, Writing};
use crate::entry::{COLUMNS, Entry, to_sql_integer};
use crate::error::Error;
use crate::hash::Hash;
use crate::schema;
use crate::verify::Head;

/// A journal alone in a SQLite file, without projections: to hold a copy, and to test the store by itself. A
/// programme file has the same tables beside its projections.
#[derive(Debug)]
pub struct SqliteStore {
    db: Connection,
}

impl SqliteStore {
    /// Opens the journal at `path`, and makes it when there is none.
    ///
    /// # Errors
    /// A file that is something else or can't be written.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let mut db = Connection::open(path)?;
        schema::configure(&db, true)?;
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        if tx.query_row("SELECT count(*) FROM sqlite_schema", [], |row| {
            row.get::<_, i64>(0)
        })? == 0
        {
            schema::create_journal(&tx)?;
        }
        tx.commit()?;
        Ok(SqliteStore { db })
    }
}

impl Store for SqliteStore {
    fn write(&mut self) -> Result<Box<dyn Writing + '_>, Error> {
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        Ok(Box::new(SqliteLog(tx)))
    }

    fn read(&mut self) -> Result<Box<dyn Log + '_>, Error> {
        let tx = self.db.transaction()?;
        // The moment is the first read's, so that it is taken now.
        tx.query_row("SELECT 1 FROM sqlite_schema LIMIT 1", [], |_| Ok(()))
            .optional()?;
        Ok(Box::new(SqliteLog(tx)))
    }
}

/// The journal's tables: over a [`Transaction`], which it commits, or over a `&Connection` whose transaction is
/// somebody else's to commit.
pub(crate) struct SqliteLog<C>(pub(crate) C);

fn head_at(row: &Row<'_>) -> rusqlite::Result<Head> {
    let number: i64 = row.get(1)?;
    Ok(Head {
        device: Uuid::from_bytes(row.get(0)?),
        number: u64::try_from(number).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(1, number))?,
        hash: Hash(row.get(2)?),
    })
}

impl<C: Deref<Target = Connection>> Log for SqliteLog<C> {
    fn devices(&self) -> Result<Vec<Uuid>, Error> {
        // One look into the index a device, not one an entry.
        let mut select = self.0.prepare_cached(
            "WITH RECURSIVE d(device) AS (
                 SELECT min(device) FROM entries
                 UNION ALL SELECT (SELECT min(device) FROM entries WHERE device > d.device) FROM d WHERE d.device IS NOT NULL)
             SELECT device FROM d WHERE device IS NOT NULL",
        )?;
        let rows = select.query_map([], |row| row.get(0).map(Uuid::from_bytes))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn head(&self, device: Uuid) -> Result<Option<Head>, Error> {
        let mut select = self
            .0
            .prepare_cached("SELECT device, number, hash FROM heads WHERE device = ?")?;
        Ok(select.query_row([device.as_bytes()], head_at).optional()?)
    }

    fn heads(&self) -> Result<Vec<Head>, Error> {
        let mut select = self
            .0
            .prepare_cached("SELECT device, number, hash FROM heads ORDER BY device")?;
        let rows = select.query_map([], head_at)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn entry(&self, id: Uuid) -> Result<Option<Entry>, Error> {
        let mut select = self
            .0
            .prepare_cached(&format!("SELECT {COLUMNS} FROM entries WHERE id = ?"))?;
        Ok(select.query_row([id.as_bytes()], Entry::from_row).optional()?)
    }

    fn entries(&self, device: Uuid, from: u64, limit: u64) -> Result<Vec<Entry>, Error> {
        let mut select = self.0.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM entries WHERE device = ? AND number >= ? ORDER BY number LIMIT ?"
        ))?;
        let bound = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
        let rows = select.query_map(
            params![device.as_bytes(), bound(from), bound(limit)],
            Entry::from_row,
        )?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn has_content(&self, hash: Hash) -> Result<bool, Error> {
        let mut select = self.0.prepare_cached("SELECT 1 FROM contents WHERE hash = ?")?;
        Ok(select.exists([hash.0])?)
    }

    fn content(&self, hash: Hash) -> Result<Option<Vec<u8>>, Error> {
        let mut select = self
            .0
            .prepare_cached("SELECT bytes FROM contents WHERE hash = ?")?;
        Ok(select.query_row([hash.0], |row| row.get(0)).optional()?)
    }

    fn private(&self, person: &str) -> Result<Option<String>, Error> {
        let mut select = self
            .0
            .prepare_cached("SELECT body FROM people WHERE person = ?")?;
        Ok(select.query_row([person], |row| row.get(0)).optional()?)
    }

    fn people(&self) -> Result<Vec<String>, Error> {
        let mut select = self
            .0
            .prepare_cached("SELECT person FROM people ORDER BY person")?;
        let rows = select.query_map([], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn of_kinds(&self, kinds: &[&str]) -> Result<Vec<Entry>, Error> {
        let marks = vec!["?"; kinds.len()].join(", ");
        let mut select = self
            .0
            .prepare(&format!("SELECT {COLUMNS} FROM entries WHERE kind IN ({marks})"))?;
        let rows = select.query_map(rusqlite::params_from_iter(kinds), Entry::from_row)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

impl<C: Deref<Target = Connection>> SqliteLog<C> {
    fn insert_entry(&self, entry: &Entry) -> Result<(), Error> {
        entry.insert(&self.0)?;
        self.0
            .prepare_cached("INSERT OR REPLACE INTO heads (device, number, hash) VALUES (?, ?, ?)")?
            .execute(params![
                entry.device.as_bytes(),
                to_sql_integer(entry.number)?,
                entry.hash.0
            ])?;
        Ok(())
    }

    fn put(&self, hash: Hash, bytes: &[u8]) -> Result<(), Error> {
        if !self.has_content(hash)? {
            self.0
                .prepare_cached("INSERT INTO contents (hash, length, bytes) VALUES (?, ?, ?)")?
                .execute(params![hash.0, to_sql_integer(bytes.len() as u64)?, bytes])?;
        }
        Ok(())
    }

    fn set_row(&self, person: &str, json: Option<&str>) -> Result<(), Error> {
        match json {
            Some(json) => self
                .0
                .prepare_cached("INSERT OR REPLACE INTO people (person, body) VALUES (?, ?)")?
                .execute([person, json])?,
            None => self
                .0
                .prepare_cached("DELETE FROM people WHERE person = ?")?
                .execute([person])?,
        };
        Ok(())
    }
}

macro_rules! writing {
    ($connection:ty, $commit:expr) => {
        impl Writing for SqliteLog<$connection> {
            fn insert(&self, entry: &Entry) -> Result<(), Error> {
                self.insert_entry(entry)
            }
            fn put_content(&self, hash: Hash, bytes: &[u8]) -> Result<(), Error> {
                self.put(hash, bytes)
            }
            fn set_private(&self, person: &str, json: Option<&str>) -> Result<(), Error> {
                self.set_row(person, json)
            }
            fn flush(&self) -> Result<(), Error> {
                Ok(())
            }
            fn commit(self: Box<Self>) -> Result<(), Error> {
                $commit(self.0)
            }
        }
    };
}
writing!(&Connection, |_| Ok(()));
writing!(Transaction<'_>, |tx: Transaction<'_>| Ok(tx.commit()?));
