//! Is this still what was written? Walks the chain and names the first bad entry.

use std::collections::BTreeMap;
use std::fmt;

use rayon::prelude::*;
use rusqlite::{Connection, Row};
use uuid::Uuid;

use crate::body::{Body, Loaded, Photo, PublicKey};
use crate::chunk::{ChunkRef, is_intact};
use crate::entry::{COLUMNS, Entry};
use crate::error::Error;
use crate::hash::Hash;
use crate::store::Log;
use crate::store::sqlite::SqliteLog;
use crate::trust::{self, Grant, Trust};
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
    /// Entries that carry a signature; the others are of a layout 1 file, before it signed.
    pub signed: u64,
    /// Photos and sealed contents that are named and not here (yet).
    pub awaited: u64,
    /// The founding device's key: the root of all trust. Compare it with what was written down when the programme was
    /// set up; a journal that was forged as a whole has another one.
    pub founder: Option<PublicKey>,
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
    /// It is not signed by its device's key, or not signed at all.
    #[error(
        "its signature was not made with the key of its device: somebody else wrote it, or it was changed"
    )]
    Signature,
    /// Nobody who may do so has enrolled the device.
    #[error("its device was not enrolled by a lead: nobody vouches for it")]
    NotEnrolled,
    /// A device's ids go back.
    #[error("its id is not above that of the entry before it")]
    Order,
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
    /// The file's own device is none.
    #[error("the file appends for device {0}, which is no device's id")]
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

/// Verifies a programme file.
pub(crate) fn verify(db: &Connection, device: Uuid) -> Result<Verification, Error> {
    // One read transaction: one moment, whatever others append meanwhile.
    let moment = db.unchecked_transaction()?;
    let log = SqliteLog(&*moment);
    let mut walk = Walk::new(&log);
    let done = walk.file(&moment, device);
    walk.finish(done)
}

/// Verifies a journal wherever it is kept: all but what only a file has (its structure, its projections).
///
/// # Errors
/// A store that can't be read at all. Damage is no error here but [`Verification::first_bad`].
pub fn verify_log(log: &dyn Log) -> Result<Verification, Error> {
    let mut walk = Walk::new(log);
    let done = walk.log();
    walk.finish(done)
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
    log: &'a dyn Log,
    seen: Verification,
    unknown: BTreeMap<(String, u32), u64>,
    /// The entry being looked at.
    at: Option<(Uuid, u64)>,
    /// Whose signatures count; `None`: the entries on which that rests can't be read.
    trust: Option<Trust>,
    /// Id of the device's last entry.
    last_id: Uuid,
}

/// Entries whose hashes and signatures are reckoned at once, on all cores.
const BATCH: usize = 1024;

impl<'a> Walk<'a> {
    fn new(log: &'a dyn Log) -> Self {
        Walk {
            log,
            seen: Verification::default(),
            unknown: BTreeMap::new(),
            at: None,
            trust: None,
            last_id: Uuid::nil(),
        }
    }

    fn finish(self, done: Result<(), Stop>) -> Result<Verification, Error> {
        let bad = match done {
            Ok(()) => None,
            Err(Stop::Bad(bad)) => Some(bad),
            Err(Stop::Error(error)) => Some(self.damage(error)?),
        };
        let mut seen = self.seen;
        seen.first_bad = bad;
        seen.unknown = self
            .unknown
            .into_iter()
            .map(|((kind, version), entries)| Unknown {
                kind,
                version,
                entries,
            })
            .collect();
        Ok(seen)
    }

    fn file(&mut self, db: &Connection, device: Uuid) -> Result<(), Stop> {
        let trusted = self.find_trust();
        let mut select = db.prepare(&format!("SELECT {COLUMNS} FROM entries ORDER BY device, number"))?;
        let mut rows = select.query([])?;
        let mut batch = Vec::with_capacity(BATCH);
        while let Some(row) = rows.next()? {
            match read_entry(row) {
                Ok(entry) => batch.push(entry),
                Err(stop) => {
                    self.batch(&mut batch)?;
                    return Err(stop);
                }
            }
            if batch.len() == BATCH {
                self.batch(&mut batch)?;
            }
        }
        self.batch(&mut batch)?;
        self.at = None;
        trusted?;
        self.heads(Some(device))?;
        self.structure(db)?;
        self.projections(db)
    }

    fn log(&mut self) -> Result<(), Stop> {
        let trusted = self.find_trust();
        let log = self.log;
        let mut batch = Vec::with_capacity(BATCH);
        let mut stopped = None;
        let read = log.each(&mut |entry| {
            batch.push(entry);
            if batch.len() == BATCH && stopped.is_none() {
                stopped = self.batch(&mut batch).err();
            }
            batch.truncate(BATCH);
            Ok(())
        });
        if let Some(stop) = stopped {
            return Err(stop);
        }
        self.batch(&mut batch)?;
        read?;
        self.at = None;
        trusted?;
        self.heads(None)
    }

    /// Finds out whose signatures count, from entries that the walk has still to prove.
    fn find_trust(&mut self) -> Result<(), Stop> {
        let mut grants = Vec::new();
        for entry in self.log.of_kinds(&trust::KINDS)? {
            grants.push(Grant::of_entry(&entry)?);
        }
        let trust = Trust::of(grants);
        self.seen.founder = trust.founding_key();
        self.trust = Some(trust);
        Ok(())
    }

    /// What SQLite could not read is a finding; that the file could not be read at all is an error.
    fn damage(&self, error: Error) -> Result<Bad, Error> {
        let text = match error {
            Error::Busy | Error::DiskFull | Error::ReadOnly(_) | Error::Io { .. } | Error::Server { .. } => {
                return Err(error);
            }
            Error::Damaged(text) => text,
            other => other.to_string(),
        };
        Ok(Bad {
            device: self.at.map(|(device, _)| device),
            number: self.at.map(|(_, number)| number),
            fault: Fault::Database(text),
        })
    }

    fn batch(&mut self, batch: &mut Vec<Entry>) -> Result<(), Stop> {
        let trust = self.trust.as_ref();
        let proofs: Vec<Result<(), Fault>> =
            batch.par_iter().map(|entry| check_proof(entry, trust)).collect();
        for (entry, proof) in batch.drain(..).zip(proofs) {
            self.entry(&entry, proof)?;
        }
        Ok(())
    }

    fn entry(&mut self, entry: &Entry, proof: Result<(), Fault>) -> Result<(), Stop> {
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
        check_place(entry, before).map_err(place)?;
        proof.map_err(place)?;
        if before.is_some() && entry.id <= self.last_id {
            return Err(place(Fault::Order));
        }
        self.last_id = entry.id;
        match entry.body().map_err(|e| place(Fault::Body(e.to_string())))? {
            Body::Loaded(loaded) => self.contents(&loaded, &place)?,
            Body::Other(other) => *self.unknown.entry((other.kind, other.version)).or_default() += 1,
            Body::Sealed(sealed) => self.attachment(sealed.content, &place)?,
            Body::VisitMade(visit) => self.photos(&visit.photos, &place)?,
            Body::TreeInspected(tree) => self.photos(&tree.photos, &place)?,
            Body::SpecimenTaken(taken) => self.photos(&taken.photos, &place)?,
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
        self.seen.signed += u64::from(entry.signature.is_some());
        self.seen.entries += 1;
        Ok(())
    }

    fn photos(&mut self, photos: &[Photo], place: &dyn Fn(Fault) -> Stop) -> Result<(), Stop> {
        photos
            .iter()
            .try_for_each(|photo| self.attachment(photo.hash, place))
    }

    /// A content that may arrive later or never; one that is here must be the one that is named. (How long it is, the
    /// entry's writer may have got wrong; the hash says all.)
    fn attachment(&mut self, hash: Hash, place: &dyn Fn(Fault) -> Stop) -> Result<(), Stop> {
        match self.log.content(hash)? {
            None => self.seen.awaited += 1,
            Some(content) if Hash::of(&content) == hash => self.seen.chunks += 1,
            Some(_) => return Err(place(Fault::ContentChanged(hash))),
        }
        Ok(())
    }

    fn contents(&mut self, loaded: &Loaded, place: &dyn Fn(Fault) -> Stop) -> Result<(), Stop> {
        for chunk in &loaded.chunks {
            match self.log.content(chunk.hash)? {
                None => return Err(place(Fault::ContentMissing(chunk.hash))),
                Some(bytes) if is_intact(chunk, &bytes) => self.seen.chunks += 1,
                Some(_) => return Err(place(Fault::ContentChanged(chunk.hash))),
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
    fn heads(&self, device: Option<Uuid>) -> Result<(), Stop> {
        let written = self.log.heads()?;
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
        // A copy that has just joined has written nothing yet: then its id is at least one that a device gets.
        match device {
            Some(device)
                if !self.seen.heads.iter().any(|head| head.device == device)
                    && device.get_version_num() != 7 =>
            {
                Err(Fault::Device(device).into())
            }
            _ => Ok(()),
        }
    }

    fn structure(&self, db: &Connection) -> Result<(), Stop> {
        let says: String = db.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?;
        if says == "ok" {
            Ok(())
        } else {
            Err(Fault::Database(says).into())
        }
    }

    fn projections(&self, db: &Connection) -> Result<(), Stop> {
        // A private database that spills to a temporary file: a large journal need not fit into memory.
        let beside = Connection::open("")?;
        beside.execute_batch(
            "PRAGMA synchronous = OFF; PRAGMA journal_mode = OFF; PRAGMA cache_size = -65536;",
        )?;
        beside.execute_batch("BEGIN")?;
        schema::create_journal(&beside)?;
        project::create(&beside)?;
        if let Some(name) = schema::altered(db, &beside)? {
            return Err(Fault::Structure(name).into());
        }
        project::replay(self.log, &beside).map_err(|e| Stop::from(Fault::Replay(e.to_string())))?;
        let differing = project::digests(db)?
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

fn check_place(entry: &Entry, before: Option<Head>) -> Result<(), Fault> {
    let expected = before.map_or(1, |head| head.number + 1);
    if entry.number != expected {
        return Err(Fault::Gap { expected });
    }
    if entry.previous != before.map(|head| head.hash) {
        return Err(Fault::Previous);
    }
    Ok(())
}

/// Hash and signature of one entry: nothing of its place.
pub(crate) fn check_proof(entry: &Entry, trust: Option<&Trust>) -> Result<(), Fault> {
    if entry.digest() != entry.hash {
        return Err(Fault::Hash);
    }
    let Some(trust) = trust else { return Ok(()) };
    let Some(device) = trust.devices.get(&entry.device) else {
        return Err(Fault::NotEnrolled);
    };
    match (&device.key, &entry.signature) {
        (_, None) if entry.number < device.signed_from => Ok(()),
        (Some(key), Some(signature))
            if entry.number >= device.signed_from && key.signed(&entry.hash, signature) =>
        {
            Ok(())
        }
        _ => Err(Fault::Signature),
    }
}
