//! The sign-in file: accounts, passkeys, sessions, codes and when devices were heard of, in a SQLite file beside the programme.
//!
//! It is no part of the programme: what is secret must not travel with a copy, a backup or an exchange, and what is of
//! this server alone (who is signed in here) means nothing elsewhere. A programme put back from a backup begins with the
//! first-run code again.

use std::collections::HashMap;
use std::fs::OpenOptions;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use uuid::Uuid;

use super::session::{Session, TokenHash};

/// SQLite `application_id`: the letters EWSI.
const APPLICATION_ID: i32 = 0x4557_5349;
const LAYOUT: i64 = 1;

const TABLES: &str = "
CREATE TABLE programme (id BLOB NOT NULL) STRICT;
CREATE TABLE accounts (
    person TEXT NOT NULL PRIMARY KEY, handle BLOB NOT NULL UNIQUE, password TEXT NOT NULL, changed_at INTEGER NOT NULL)
    STRICT, WITHOUT ROWID;
CREATE TABLE passkeys (
    id TEXT NOT NULL PRIMARY KEY, person TEXT NOT NULL, rp_id TEXT NOT NULL, label TEXT NOT NULL,
    made_at INTEGER NOT NULL, used_at INTEGER, credential TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE INDEX passkeys_by_person ON passkeys (person);
CREATE TABLE sessions (
    hash BLOB NOT NULL PRIMARY KEY, person TEXT NOT NULL, made_at INTEGER NOT NULL, used_at INTEGER NOT NULL)
    STRICT, WITHOUT ROWID;
CREATE TABLE codes (
    hash BLOB NOT NULL PRIMARY KEY, purpose TEXT NOT NULL, person TEXT NOT NULL, made_by TEXT NOT NULL,
    ends_at INTEGER NOT NULL, used_by TEXT) STRICT, WITHOUT ROWID;
CREATE TABLE heard (device BLOB NOT NULL PRIMARY KEY, at INTEGER NOT NULL) STRICT, WITHOUT ROWID;
";

/// Why the sign-in file can't be used.
#[derive(Debug, thiserror::Error)]
pub enum SignInError {
    /// It is something else, or of another programme.
    #[error("{} {why}", path.display())]
    NotOurs {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: &'static str,
    },
    /// It can't be made or read.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// SQLite refused.
    #[error("the sign-in file: {0}")]
    Database(#[from] rusqlite::Error),
    /// No random bytes, or a password that can't be hashed.
    #[error("{0}")]
    Secret(String),
}

/// A passkey as it is kept.
#[derive(Debug, Clone)]
pub(crate) struct KeptPasskey {
    pub(crate) id: String,
    pub(crate) rp_id: String,
    pub(crate) label: String,
    pub(crate) made_at: i64,
    pub(crate) used_at: Option<i64>,
    /// JSON of the library's own type.
    pub(crate) credential: String,
}

/// What a code lets its holder do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct KeptCode {
    pub(crate) person: String,
    pub(crate) made_by: String,
}

/// The open file; every call may block.
#[derive(Clone)]
pub(crate) struct Store(Arc<Mutex<Connection>>);

/// Where the sign-in file of a programme is.
pub(crate) fn path_beside(programme: &Path) -> PathBuf {
    let mut name = programme.as_os_str().to_owned();
    name.push(".signin");
    name.into()
}

type Done<T> = Result<T, SignInError>;

impl Store {
    /// Opens the file beside a programme; makes it, readable by its owner only, where there is none.
    pub(crate) fn open(programme: &Path, id: Uuid) -> Done<Self> {
        let path = path_beside(programme);
        let mut options = OpenOptions::new();
        options.write(true).create(true).truncate(false);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let io = |source| SignInError::Io {
            path: path.clone(),
            source,
        };
        let is_new = options.open(&path).and_then(|f| f.metadata()).map_err(io)?.len() == 0;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(&path, flags)?;
        db.busy_timeout(Duration::from_secs(5))?;
        let pragma = |name: &str| db.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
        let ours = (i64::from(APPLICATION_ID), LAYOUT);
        if is_new {
            db.pragma_update(None, "journal_mode", "WAL")?;
            let tx = db.unchecked_transaction()?;
            tx.execute_batch(TABLES)?;
            tx.execute("INSERT INTO programme (id) VALUES (?)", [id.as_bytes()])?;
            tx.pragma_update(None, "application_id", APPLICATION_ID)?;
            tx.pragma_update(None, "user_version", LAYOUT)?;
            tx.commit()?;
        } else if (pragma("application_id")?, pragma("user_version")?) != ours {
            let why = "is no sign-in file of this program: put it away, and the first-run code begins anew";
            return Err(SignInError::NotOurs { path, why });
        }
        db.pragma_update(None, "synchronous", "FULL")?;
        // A password's hash that was replaced is wiped, not only forgotten.
        db.pragma_update(None, "secure_delete", "ON")?;
        let kept: [u8; 16] = db.query_row("SELECT id FROM programme", [], |row| row.get(0))?;
        if Uuid::from_bytes(kept) != id {
            let why = "belongs to another programme: put it away, and the first-run code begins anew";
            return Err(SignInError::NotOurs { path, why });
        }
        Ok(Store(Arc::new(Mutex::new(db))))
    }

    fn with<T>(&self, work: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Done<T> {
        let db = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(work(&db)?)
    }

    /// All or nothing.
    fn change<T>(&self, work: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Done<T> {
        self.with(|db| {
            let tx = db.unchecked_transaction()?;
            let done = work(&tx)?;
            tx.commit()?;
            Ok(done)
        })
    }

    // Accounts.

    pub(crate) fn has_accounts(&self) -> Done<bool> {
        self.with(|db| db.prepare_cached("SELECT 1 FROM accounts")?.exists([]))
    }

    pub(crate) fn people_with_account(&self) -> Done<Vec<String>> {
        self.with(|db| {
            let mut select = db.prepare_cached("SELECT person FROM accounts ORDER BY person")?;
            select.query_map([], |row| row.get(0))?.collect()
        })
    }

    /// The PHC text of a person's password.
    pub(crate) fn password(&self, person: &str) -> Done<Option<String>> {
        self.with(|db| {
            db.prepare_cached("SELECT password FROM accounts WHERE person = ?")?
                .query_row([person], |row| row.get(0))
                .optional()
        })
    }

    /// The random id under which authenticators know a person.
    pub(crate) fn handle(&self, person: &str) -> Done<Option<Uuid>> {
        self.with(|db| {
            db.prepare_cached("SELECT handle FROM accounts WHERE person = ?")?
                .query_row([person], |row| row.get(0).map(Uuid::from_bytes))
                .optional()
        })
    }

    /// The first account of all; false where there is one already.
    pub(crate) fn found(&self, person: &str, handle: Uuid, password: &str, now: i64) -> Done<bool> {
        self.change(|db| {
            if db.prepare_cached("SELECT 1 FROM accounts")?.exists([])? {
                return Ok(false);
            }
            put_account(db, person, handle, password, now)?;
            Ok(true)
        })
    }

    /// Gives a person a password. All sessions end, and with `afresh` (an invitation) all passkeys go too.
    pub(crate) fn set_password(
        &self,
        person: &str,
        handle: Uuid,
        password: &str,
        afresh: bool,
        now: i64,
    ) -> Done<()> {
        self.change(|db| {
            put_account(db, person, handle, password, now)?;
            db.execute("DELETE FROM sessions WHERE person = ?", [person])?;
            if afresh {
                db.execute("DELETE FROM passkeys WHERE person = ?", [person])?;
            }
            Ok(())
        })
    }

    // Sessions.

    pub(crate) fn sessions(&self) -> Done<HashMap<TokenHash, Session>> {
        self.with(|db| {
            let mut select = db.prepare("SELECT hash, person, made_at, used_at FROM sessions")?;
            let rows = select.query_map([], |row| {
                let session = Session {
                    person: row.get(1)?,
                    made_at: row.get(2)?,
                    used_at: row.get(3)?,
                };
                Ok((row.get(0)?, session))
            })?;
            rows.collect()
        })
    }

    pub(crate) fn begin_session(&self, hash: &TokenHash, session: &Session, ended: &[TokenHash]) -> Done<()> {
        self.change(|db| {
            for old in ended {
                db.execute("DELETE FROM sessions WHERE hash = ?", [old])?;
            }
            db.execute(
                "INSERT INTO sessions (hash, person, made_at, used_at) VALUES (?, ?, ?, ?)",
                params![hash, session.person, session.made_at, session.used_at],
            )?;
            Ok(())
        })
    }

    pub(crate) fn end_session(&self, hash: &TokenHash) -> Done<()> {
        self.with(|db| db.execute("DELETE FROM sessions WHERE hash = ?", [hash]))
            .map(drop)
    }

    pub(crate) fn end_sessions_of(&self, person: &str) -> Done<()> {
        self.with(|db| db.execute("DELETE FROM sessions WHERE person = ?", [person]))
            .map(drop)
    }

    /// What was gathered in memory: last uses of sessions, and when devices were heard of. What has ended goes.
    pub(crate) fn keep(
        &self,
        used: &HashMap<TokenHash, i64>,
        heard: &HashMap<Uuid, i64>,
        (made_before, used_before): (i64, i64),
        now: i64,
    ) -> Done<()> {
        self.change(|db| {
            for (hash, at) in used {
                db.prepare_cached("UPDATE sessions SET used_at = ? WHERE hash = ?")?
                    .execute(params![at, hash])?;
            }
            for (device, at) in heard {
                db.prepare_cached("INSERT OR REPLACE INTO heard (device, at) VALUES (?, ?)")?
                    .execute(params![device.as_bytes(), at])?;
            }
            db.execute(
                "DELETE FROM sessions WHERE made_at <= ? OR used_at <= ?",
                [made_before, used_before],
            )?;
            db.execute("DELETE FROM codes WHERE ends_at <= ?", [now])?;
            Ok(())
        })
    }

    pub(crate) fn heard(&self) -> Done<HashMap<Uuid, i64>> {
        self.with(|db| {
            let mut select = db.prepare("SELECT device, at FROM heard")?;
            let rows = select.query_map([], |row| Ok((Uuid::from_bytes(row.get(0)?), row.get(1)?)))?;
            rows.collect()
        })
    }

    // Codes.

    pub(crate) fn put_code(&self, hash: &[u8; 32], purpose: &str, code: &KeptCode, ends_at: i64) -> Done<()> {
        self.with(|db| {
            db.execute(
                "INSERT INTO codes (hash, purpose, person, made_by, ends_at) VALUES (?, ?, ?, ?, ?)",
                params![hash, purpose, code.person, code.made_by, ends_at],
            )
        })
        .map(drop)
    }

    /// Uses a code up, for `user` alone: the same user may ask again until it ends, should the answer have been lost.
    pub(crate) fn use_code(
        &self,
        hash: &[u8; 32],
        purpose: &str,
        user: &str,
        now: i64,
    ) -> Done<Option<KeptCode>> {
        self.with(|db| {
            db.prepare_cached(
                "UPDATE codes SET used_by = ?3 WHERE hash = ?1 AND purpose = ?2 AND ends_at > ?4
                 AND (used_by IS NULL OR used_by = ?3) RETURNING person, made_by",
            )?
            .query_row(params![hash, purpose, user, now], |row| {
                Ok(KeptCode {
                    person: row.get(0)?,
                    made_by: row.get(1)?,
                })
            })
            .optional()
        })
    }

    /// Makes a code good again that was used in vain.
    pub(crate) fn free_code(&self, hash: &[u8; 32]) -> Done<()> {
        self.with(|db| db.execute("UPDATE codes SET used_by = NULL WHERE hash = ?", [hash]))
            .map(drop)
    }

    // Passkeys.

    pub(crate) fn passkeys(&self, person: &str) -> Done<Vec<KeptPasskey>> {
        self.with(|db| {
            let mut select = db.prepare_cached(
                "SELECT id, rp_id, label, made_at, used_at, credential FROM passkeys WHERE person = ? ORDER BY made_at, id",
            )?;
            let rows = select.query_map([person], |row| {
                Ok(KeptPasskey {
                    id: row.get(0)?,
                    rp_id: row.get(1)?,
                    label: row.get(2)?,
                    made_at: row.get(3)?,
                    used_at: row.get(4)?,
                    credential: row.get(5)?,
                })
            })?;
            rows.collect()
        })
    }

    /// Keeps a new passkey; false where that id is known already.
    pub(crate) fn add_passkey(&self, person: &str, key: &KeptPasskey) -> Done<bool> {
        self.with(|db| {
            db.execute(
                "INSERT OR IGNORE INTO passkeys (id, person, rp_id, label, made_at, credential) VALUES (?, ?, ?, ?, ?, ?)",
                params![key.id, person, key.rp_id, key.label, key.made_at, key.credential],
            )
        })
        .map(|rows| rows == 1)
    }

    pub(crate) fn passkey_used(&self, id: &str, credential: &str, now: i64) -> Done<()> {
        self.with(|db| {
            db.execute(
                "UPDATE passkeys SET used_at = ?, credential = ? WHERE id = ?",
                params![now, credential, id],
            )
        })
        .map(drop)
    }

    /// Removes a passkey of a person; false where there is none.
    pub(crate) fn remove_passkey(&self, person: &str, id: &str) -> Done<bool> {
        self.with(|db| db.execute("DELETE FROM passkeys WHERE id = ? AND person = ?", [id, person]))
            .map(|rows| rows == 1)
    }
}

fn put_account(
    db: &Connection,
    person: &str,
    handle: Uuid,
    password: &str,
    now: i64,
) -> rusqlite::Result<()> {
    db.execute(
        "INSERT INTO accounts (person, handle, password, changed_at) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT (person) DO UPDATE SET password = ?3, changed_at = ?4",
        params![person, handle.as_bytes(), password, now],
    )?;
    Ok(())
}
