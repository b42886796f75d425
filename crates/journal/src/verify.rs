//! Is this still what was written? Walks the chain and names the first bad entry.

use std::collections::BTreeMap;
use std::fmt;

use rusqlite::{Connection, OptionalExtension, Row};
use uuid::Uuid;

use crate::body::{Body, Loaded};
use crate::chunk::{ChunkRef, is_intact};
use crate::entry::{COLUMNS, Entry};
use crate::error::Error;
use crate::hash::Hash;
use crate::programme::replay;
use crate::{project, schema};

/// What [`crate::Programme::verify`] found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Verification {
    /// Entries found sound, up to the first bad one.
    pub entries: u64,
    /// Chunks found sound.
    pub chunks: u64,
    /// Records that those chunks hold.
    pub rows: u64,
    /// The end of each device's chain. Written down elsewhere, it proves later that no end was cut off.
    pub heads: Vec<Head>,
    /// Kinds and versions that this program does not know: kept, not shown.
    pub unknown: Vec<Unknown>,
    /// The first thing that is wrong; `None` when all is sound.
    pub first_bad: Option<Bad>,
}

impl Verification {
    /// Whether nothing is wrong.
    pub fn is_sound(&self) -> bool {
        self.first_bad.is_none()
    }
}

/// The end of one device's chain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// The device.
    pub device: Uuid,
    /// Number of its last entry.
    pub number: u64,
    /// Hash of its last entry.
    pub hash: Hash,
}

/// Entries of a kind or version that this program does not know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unknown {
    /// The kind.
    pub kind: String,
    /// Version of the body.
    pub version: u32,
    /// How many there are.
    pub entries: u64,
}

/// What is wrong, and with which entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bad {
    /// The device whose chain it is, where it is an entry's.
    pub device: Option<Uuid>,
    /// The entry's number, where it is an entry's.
    pub number: Option<u64>,
    /// What is wrong.
    pub fault: Fault,
}

impl fmt::Display for Bad {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let (Some(device), Some(number)) = (self.device, self.number) {
            write!(f, "entry {number} of device {device}: ")?;
        }
        write!(f, "{}", self.fault)
    }
}

/// A way in which a journal is not what was written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// An entry is missing.
    #[error("it should be number {expected}; entries are missing")]
    Gap {
        /// The number that should come here.
        expected: u64,
    },
    /// It is tied to another entry than the one before it.
    #[error("it does not name the hash of the entry before it")]
    Previous,
    /// It was changed.
    #[error("its hash does not match its contents: it was changed after it was written")]
    Hash,
    /// Its columns can't be read.
    #[error("it can't be read: {0}")]
    Unreadable(String),
    /// Its body is not what its kind says.
    #[error("its body can't be read: {0}")]
    Body(String),
    /// Signed, where nothing is signed.
    #[error("it carries a signature, which layout 1 does not know")]
    Signature,
    /// A chunk that it names is not there.
    #[error("the contents {0} that it names are missing")]
    ContentMissing(Hash),
    /// A chunk that it names was changed.
    #[error("the contents {0} that it names were changed")]
    ContentChanged(Hash),
    /// The entries do not end where the last append ended.
    #[error("the chain of device {device} ends at entry {found} but was written up to entry {written}")]
    Head {
        /// The device.
        device: Uuid,
        /// Number of the last entry there (0: none).
        found: u64,
        /// Number of the last entry written (0: none known).
        written: u64,
    },
    /// The file's own device has no entry.
    #[error("the file appends for device {0}, which has written nothing")]
    Device(Uuid),
    /// A table, or a trigger that keeps the journal append-only, was changed, removed or added.
    #[error("the database's {0} is not as it was made: entries could have been changed")]
    Structure(String),
    /// A projection shows something else than the entries say.
    #[error("the table {0} does not show what the entries say; rebuild it")]
    Projection(&'static str),
    /// The entries can't be projected.
    #[error("the entries can't be projected: {0}")]
    Replay(String),
    /// The database's own structure is broken.
    #[error("the database is damaged: {0}")]
    Database(String),
}

pub(crate) fn verify(db: &Connection, device: Uuid) -> Result<Verification, Error> {
    // One read transaction: one moment, whatever others append meanwhile.
    let moment = db.unchecked_transaction()?;
    let mut walk = Walk {
        db: &moment,
        seen: Verification::default(),
        unknown: BTreeMap::new(),
        at: None,
    };
    let bad = match walk.everything(device) {
        Ok(()) => None,
        Err(Stop::Bad(bad)) => Some(bad),
        Err(Stop::Error(error)) => Some(walk.damage(error)?),
    };
    let mut seen = walk.seen;
    seen.first_bad = bad;
    let unknown = walk.unknown.into_iter();
    seen.unknown = unknown
        .map(|((kind, version), entries)| Unknown {
            kind,
            version,
            entries,
        })
        .collect();
    Ok(seen)
}

/// Why the walk ends early.
enum Stop {
    Bad(Bad),
    Error(Error),
}

impl<E: Into<Error>> From<E> for Stop {
    fn from(error: E) -> Self {
        Stop::Error(error.into())
    }
}

impl From<Fault> for Stop {
    fn from(fault: Fault) -> Self {
        Stop::Bad(Bad {
            device: None,
            number: None,
            fault,
        })
    }
}

struct Walk<'a> {
    db: &'a Connection,
    seen: Verification,
    unknown: BTreeMap<(String, u32), u64>,
    /// The entry being looked at.
    at: Option<(Uuid, u64)>,
}

impl Walk<'_> {
    fn everything(&mut self, device: Uuid) -> Result<(), Stop> {
        self.chains()?;
        self.at = None;
        self.heads(device)?;
        self.structure()?;
        self.projections()
    }

    /// What SQLite could not read is a finding; that the file could not be read at all is an error.
    fn damage(&self, error: Error) -> Result<Bad, Error> {
        let text = match error {
            Error::Busy | Error::DiskFull | Error::ReadOnly(_) | Error::Io { .. } => return Err(error),
            Error::Damaged(text) => text,
            other => other.to_string(),
        };
        Ok(Bad {
            device: self.at.map(|(device, _)| device),
            number: self.at.map(|(_, number)| number),
            fault: Fault::Database(text),
        })
    }

    fn chains(&mut self) -> Result<(), Stop> {
        let db = self.db;
        let mut select = db.prepare(&format!("SELECT {COLUMNS} FROM entries ORDER BY device, number"))?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            self.at = None;
            let entry = read_entry(row)?;
            self.at = Some((entry.device, entry.number));
            let before = self
                .seen
                .heads
                .last()
                .copied()
                .filter(|head| head.device == entry.device);
            let place = |fault| {
                Stop::Bad(Bad {
                    device: Some(entry.device),
                    number: Some(entry.number),
                    fault,
                })
            };
            check_entry(&entry, before).map_err(place)?;
            match entry.body().map_err(|e| place(Fault::Body(e.to_string())))? {
                Body::Loaded(loaded) => self.contents(&loaded, &place)?,
                Body::Other(other) => *self.unknown.entry((other.kind, other.version)).or_default() += 1,
                _ => {}
            }
            if before.is_some() {
                self.seen.heads.pop();
            }
            self.seen.heads.push(Head {
                device: entry.device,
                number: entry.number,
                hash: entry.hash,
            });
            self.seen.entries += 1;
        }
        Ok(())
    }

    fn contents(&mut self, loaded: &Loaded, place: &dyn Fn(Fault) -> Stop) -> Result<(), Stop> {
        let mut select = self
            .db
            .prepare_cached("SELECT bytes FROM contents WHERE hash = ?")?;
        for chunk in &loaded.chunks {
            let intact = select
                .query_row([chunk.hash.0], |row| {
                    Ok(row.get_ref(0)?.as_blob().is_ok_and(|b| is_intact(chunk, b)))
                })
                .optional()?;
            match intact {
                None => return Err(place(Fault::ContentMissing(chunk.hash))),
                Some(false) => return Err(place(Fault::ContentChanged(chunk.hash))),
                Some(true) => self.seen.chunks += 1,
            }
        }
        let rows: u64 = loaded.chunks.iter().map(|chunk: &ChunkRef| chunk.rows).sum();
        if rows != loaded.rows {
            return Err(place(Fault::Body(format!(
                "its chunks hold {rows} records, not {}",
                loaded.rows
            ))));
        }
        self.seen.rows += rows;
        Ok(())
    }

    /// The end of every chain must be the end that was written: an entry cut off at the end leaves no gap.
    fn heads(&self, device: Uuid) -> Result<(), Stop> {
        let mut select = self
            .db
            .prepare("SELECT device, number, hash FROM heads ORDER BY device")?;
        let mut rows = select.query([])?;
        let mut written = Vec::new();
        while let Some(row) = rows.next()? {
            let number = u64::try_from(row.get::<_, i64>(1)?).unwrap_or(0);
            written.push(Head {
                device: Uuid::from_bytes(row.get(0)?),
                number,
                hash: Hash(row.get(2)?),
            });
        }
        let end = |heads: &[Head], device| heads.iter().find(|h| h.device == device).copied();
        for head in self.seen.heads.iter().chain(&written) {
            let (found, said) = (end(&self.seen.heads, head.device), end(&written, head.device));
            if found != said {
                let number = |head: Option<Head>| head.map_or(0, |h| h.number);
                let fault = Fault::Head {
                    device: head.device,
                    found: number(found),
                    written: number(said),
                };
                return Err(fault.into());
            }
        }
        end(&self.seen.heads, device)
            .map(drop)
            .ok_or_else(|| Fault::Device(device).into())
    }

    fn structure(&self) -> Result<(), Stop> {
        let says: String = self
            .db
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?;
        if says == "ok" {
            Ok(())
        } else {
            Err(Fault::Database(says).into())
        }
    }

    fn projections(&self) -> Result<(), Stop> {
        // A private database that spills to a temporary file: a large journal need not fit into memory.
        let beside = Connection::open("")?;
        beside.execute_batch("PRAGMA synchronous = OFF; PRAGMA journal_mode = OFF;")?;
        beside.execute_batch("BEGIN")?;
        beside.execute_batch(schema::JOURNAL)?;
        beside.execute_batch(project::SCHEMA)?;
        if let Some(name) = schema::altered(self.db, &beside)? {
            return Err(Fault::Structure(name).into());
        }
        replay(self.db, &beside).map_err(|e| Stop::from(Fault::Replay(e.to_string())))?;
        let differing = project::digests(self.db)?
            .into_iter()
            .zip(project::digests(&beside)?)
            .find(|(there, rebuilt)| there != rebuilt);
        match differing {
            None => Ok(()),
            Some(((table, _), _)) => Err(Fault::Projection(table).into()),
        }
    }
}

/// Reads a row that may hold anything, naming it as far as it can be read.
fn read_entry(row: &Row<'_>) -> Result<Entry, Stop> {
    Entry::from_row(row).map_err(|error| {
        Stop::Bad(Bad {
            device: row.get(0).ok().map(Uuid::from_bytes),
            number: row.get::<_, i64>(1).ok().and_then(|n| u64::try_from(n).ok()),
            fault: Fault::Unreadable(error.to_string()),
        })
    })
}

fn check_entry(entry: &Entry, before: Option<Head>) -> Result<(), Fault> {
    let expected = before.map_or(1, |head| head.number + 1);
    if entry.number != expected {
        return Err(Fault::Gap { expected });
    }
    if entry.previous != before.map(|head| head.hash) {
        return Err(Fault::Previous);
    }
    if entry.digest() != entry.hash {
        return Err(Fault::Hash);
    }
    if entry.signature.is_some() {
        return Err(Fault::Signature);
    }
    Ok(())
}
