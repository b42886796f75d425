//! The programme file: making, opening, appending, reading, backing up.

use std::collections::{HashMap, HashSet};
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{
    Host, Land, Pathway, Place, Placement, TrapFound, Visit, VisitKind, WeatherDay, Zone,
};

use jiff::civil::Date;
use rusqlite::{Connection, OpenFlags, OptionalExtension, TransactionBehavior, params};
use uuid::{ContextV7, Uuid};

use crate::body::{
    Body, Correction, Determination, LoadMode, Loaded, Plan, ProgrammeSetUp, TakeDown, TargetAdopted, What,
};
use crate::chunk::{self, Chunk, ChunkRef};
use crate::entry::{Act, COLUMNS, Chain, Draft, Entry, Receipt, new_id, to_sql_integer};
use crate::error::{Error, Refusal};
use crate::hash::Hash;
use crate::load::{Bulk, check_label};
use crate::read::read_hosts;
use crate::verify::{self, Verification};
use crate::{project, rules, schema};

/// An open programme file.
///
/// Every change is one transaction: when a call returns `Ok`, its entries are on the disk (the write-ahead log was
/// flushed); when it returns an error, nothing was changed. Several processes may have the file open.
#[derive(Debug)]
pub struct Programme {
    pub(crate) db: Connection,
    path: PathBuf,
    writable: bool,
    device: Uuid,
    ids: ContextV7,
}

// Making and opening.
impl Programme {
    /// Makes a new programme file. It appears under `path` only when it is complete and on the disk.
    ///
    /// # Errors
    /// A file that is there already, a name that is no label, a folder that can't be written.
    pub fn create(path: &Path, name: &str, act: &Act) -> Result<Self, Error> {
        check_label("name", name)?;
        check_free(path)?;
        let ids = ContextV7::new();
        let making = sibling(path, &new_id(act.now().timestamp(), &ids).simple().to_string());
        let done = write_new_file(&making, name, act, &ids).and_then(|()| publish(&making, path));
        remove_with_neighbours(&making);
        done?;
        Self::open(path)
    }

    /// Opens a programme file for reading and writing.
    ///
    /// # Errors
    /// No such file, another program's file, a newer layout, a file that was never finished or is damaged, or one that
    /// can't be written.
    pub fn open(path: &Path) -> Result<Self, Error> {
        Self::open_as(path, true)
    }

    /// Opens a programme file for reading: every change is refused, and nothing in its folder is needed to be writable.
    ///
    /// # Errors
    /// As [`Programme::open`], except that the file may be read-only.
    pub fn open_read_only(path: &Path) -> Result<Self, Error> {
        Self::open_as(path, false)
    }

    fn open_as(path: &Path, writable: bool) -> Result<Self, Error> {
        let db = schema::open(path, writable)?;
        let device = db
            .query_row("SELECT device FROM this_device", [], |row| row.get(0))
            .optional()?
            .map(Uuid::from_bytes)
            .ok_or_else(|| Error::HalfMade {
                path: path.to_owned(),
                why: "it names no device".into(),
            })?;
        Ok(Programme {
            db,
            path: path.to_owned(),
            writable,
            device,
            ids: ContextV7::new(),
        })
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The device that this file appends for.
    pub fn device(&self) -> Uuid {
        self.device
    }

    /// Name of the programme.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn name(&self) -> Result<String, Error> {
        self.fact("name")
    }

    /// Id of the programme, the same in every copy.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn id(&self) -> Result<Uuid, Error> {
        self.fact("id")?
            .parse()
            .map_err(|_| Error::Damaged("the programme's id is no UUID".into()))
    }

    fn fact(&self, key: &str) -> Result<String, Error> {
        self.db
            .query_row("SELECT value FROM programme WHERE key = ?", [key], |row| {
                row.get(0)
            })
            .optional()?
            .ok_or_else(|| Error::Damaged(format!("the programme has no {key}; rebuild it")))
    }
}

/// The names that SQLite keeps beside a database.
const NEIGHBOURS: [&str; 3] = ["-wal", "-shm", "-journal"];

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

fn sibling(path: &Path, mark: &str) -> PathBuf {
    with_suffix(path, &format!(".making-{mark}"))
}

/// Neither the file may be there nor a neighbour left behind by a deleted one: SQLite would play a left-over log into
/// the new file.
fn check_free(path: &Path) -> Result<(), Error> {
    let names = std::iter::once(path.to_owned()).chain(NEIGHBOURS.map(|suffix| with_suffix(path, suffix)));
    match names.into_iter().find(|name| name.exists()) {
        Some(path) => Err(Error::AlreadyExists { path }),
        None => Ok(()),
    }
}

fn remove_with_neighbours(path: &Path) {
    for suffix in NEIGHBOURS.into_iter().chain([""]) {
        // Nothing to tell when it is not there; a left-over of this name is never opened again.
        let _ = fs::remove_file(with_suffix(path, suffix));
    }
}

fn write_new_file(path: &Path, name: &str, act: &Act, ids: &ContextV7) -> Result<(), Error> {
    File::create_new(path).map_err(|e| Error::io(path, e))?;
    let mut db = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    schema::configure(&db, true)?;
    let device = new_id(act.now().timestamp(), ids);
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    tx.execute_batch(schema::JOURNAL)?;
    tx.execute_batch(project::SCHEMA)?;
    tx.execute("INSERT INTO this_device (device) VALUES (?)", [device.as_bytes()])?;
    let body = Body::ProgrammeSetUp(ProgrammeSetUp {
        programme: new_id(act.now().timestamp(), ids),
        name: name.to_owned(),
        made_by: concat!("earlywood-journal ", env!("CARGO_PKG_VERSION")).to_owned(),
    });
    let mut chain = Chain {
        device,
        number: 0,
        last: None,
        ids,
    };
    append_one(&tx, &mut chain, act, &Draft::from(body))?;
    save_head(&tx, &chain)?;
    tx.pragma_update(None, "application_id", schema::APPLICATION_ID)?;
    tx.pragma_update(None, "user_version", schema::LAYOUT)?;
    tx.commit()?;
    db.close().map_err(|(_, error)| Error::from(error))
}

/// Gives a finished file its name, never over another file, and has both on the disk.
fn publish(made: &Path, path: &Path) -> Result<(), Error> {
    let sync = |p: &Path| {
        File::open(p)
            .and_then(|f| f.sync_all())
            .map_err(|e| Error::io(p, e))
    };
    sync(made)?;
    match fs::hard_link(made, path) {
        Ok(()) => {}
        Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {
            return Err(Error::AlreadyExists {
                path: path.to_owned(),
            });
        }
        // A file system without hard links: the last moment to look is the best there is.
        Err(_) if !path.exists() => fs::rename(made, path).map_err(|e| Error::io(path, e))?,
        Err(e) => return Err(Error::io(path, e)),
    }
    let folder = path
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."));
    if cfg!(unix) { sync(folder) } else { Ok(()) }
}

// Appending.
impl Programme {
    /// Appends one entry.
    ///
    /// # Errors
    /// A move that is not allowed ([`Error::Refused`]), or a file that can't be written.
    pub fn append(&mut self, act: &Act, draft: impl Into<Draft>) -> Result<Receipt, Error> {
        let draft = draft.into();
        self.change(|tx, chain| {
            rules::check(tx, &draft.body, act.today())?;
            Ok(append_one(tx, chain, act, &draft)?.receipt())
        })
    }

    /// Appends entries in their order, all or none. Each is checked against the state that those before it leave.
    ///
    /// # Errors
    /// As [`Programme::append`]; the error's index names the draft.
    pub fn append_all(&mut self, act: &Act, drafts: &[Draft]) -> Result<Vec<Receipt>, Error> {
        self.change(|tx, chain| {
            let append = |(i, draft): (usize, &Draft)| {
                rules::check(tx, &draft.body, act.today())
                    .and_then(|()| append_one(tx, chain, act, draft))
                    .map(|entry| entry.receipt())
                    .map_err(|e| e.at(i))
            };
            drafts.iter().enumerate().map(append).collect()
        })
    }

    /// Records visits, all or none. A take-down visit to a trap that still hangs also takes it down (an entry of its own,
    /// after the visit's). The receipts are those of the visits.
    ///
    /// # Errors
    /// As [`Programme::append`]; the error's index names the visit.
    pub fn record_visits(&mut self, act: &Act, visits: &[Visit]) -> Result<Vec<Receipt>, Error> {
        self.change(|tx, chain| {
            let mut receipts = Vec::with_capacity(visits.len());
            for (i, visit) in visits.iter().enumerate() {
                let bodies = [Some(Body::VisitMade(visit.clone())), take_down_of(tx, visit)?];
                let mut receipt = None;
                for body in bodies.into_iter().flatten() {
                    rules::check(tx, &body, act.today()).map_err(|e| e.at(i))?;
                    let entry = append_one(tx, chain, act, &Draft::from(body)).map_err(|e| e.at(i))?;
                    receipt.get_or_insert(entry.receipt());
                }
                receipts.extend(receipt);
            }
            Ok(receipts)
        })
    }

    /// Records placements, all or none.
    ///
    /// # Errors
    /// As [`Programme::append`]; the error's index names the placement.
    pub fn record_placements(&mut self, act: &Act, placements: &[Placement]) -> Result<Vec<Receipt>, Error> {
        let drafts: Vec<Draft> = placements
            .iter()
            .map(|p| Body::TrapPlaced(p.clone()).into())
            .collect();
        self.append_all(act, &drafts)
    }

    /// Adopts a target profile, given as its TOML text.
    ///
    /// # Errors
    /// A text that is no profile, or a file that can't be written.
    pub fn adopt_target(&mut self, act: &Act, toml: &str) -> Result<Receipt, Error> {
        let profile = TargetProfile::from_toml(toml).map_err(Refusal::Profile)?;
        self.append(
            act,
            Body::TargetAdopted(TargetAdopted {
                id: profile.id,
                toml: toml.to_owned(),
            }),
        )
    }

    /// Adopts a plan. Its target must have been adopted.
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn adopt_plan(&mut self, act: &Act, plan: Plan) -> Result<Receipt, Error> {
        self.append(act, Body::PlanAdopted(plan))
    }

    /// Takes a trap down.
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn take_down(&mut self, act: &Act, down: TakeDown) -> Result<Receipt, Error> {
        self.append(act, Body::TrapTakenDown(down))
    }

    /// Records a determination.
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn determine(&mut self, act: &Act, determination: Determination) -> Result<Receipt, Error> {
        self.append(act, Body::Determination(determination))
    }

    /// Corrects an earlier entry by a new one.
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn correct(&mut self, act: &Act, correction: Correction) -> Result<Receipt, Error> {
        self.append(act, Body::Correction(correction))
    }

    /// Loads hosts. See [`Programme::load`].
    ///
    /// # Errors
    /// As [`Programme::load`].
    pub fn load_hosts(
        &mut self,
        act: &Act,
        source: &str,
        mode: LoadMode,
        rows: &[Host],
    ) -> Result<Receipt, Error> {
        self.load(act, source, mode, rows)
    }

    /// Loads pathways. See [`Programme::load`].
    ///
    /// # Errors
    /// As [`Programme::load`].
    pub fn load_pathways(
        &mut self,
        act: &Act,
        source: &str,
        mode: LoadMode,
        rows: &[Pathway],
    ) -> Result<Receipt, Error> {
        self.load(act, source, mode, rows)
    }

    /// Loads land. See [`Programme::load`].
    ///
    /// # Errors
    /// As [`Programme::load`].
    pub fn load_land(
        &mut self,
        act: &Act,
        source: &str,
        mode: LoadMode,
        rows: &[Land],
    ) -> Result<Receipt, Error> {
        self.load(act, source, mode, rows)
    }

    /// Loads zones. See [`Programme::load`].
    ///
    /// # Errors
    /// As [`Programme::load`].
    pub fn load_zones(
        &mut self,
        act: &Act,
        source: &str,
        mode: LoadMode,
        rows: &[Zone],
    ) -> Result<Receipt, Error> {
        self.load(act, source, mode, rows)
    }

    /// Loads weather. See [`Programme::load`].
    ///
    /// # Errors
    /// As [`Programme::load`].
    pub fn load_weather(
        &mut self,
        act: &Act,
        source: &str,
        mode: LoadMode,
        rows: &[WeatherDay],
    ) -> Result<Receipt, Error> {
        self.load(act, source, mode, rows)
    }

    /// Loads places. See [`Programme::load`].
    ///
    /// # Errors
    /// As [`Programme::load`].
    pub fn load_places(
        &mut self,
        act: &Act,
        source: &str,
        mode: LoadMode,
        rows: &[Place],
    ) -> Result<Receipt, Error> {
        self.load(act, source, mode, rows)
    }

    /// Loads a set of records as one entry and its chunks, all or none. `source` says where they came from (a file name).
    ///
    /// # Errors
    /// A record that can't be, or a label used twice, whose index the error carries; nothing to add; a file that can't
    /// be written.
    pub fn load<T: Bulk>(
        &mut self,
        act: &Act,
        source: &str,
        mode: LoadMode,
        rows: &[T],
    ) -> Result<Receipt, Error> {
        if rows.is_empty() && mode == LoadMode::Add {
            return Err(Refusal::NothingToLoad.into());
        }
        self.must_be_writable()?;
        check_batch(rows, act.today())?;
        let chunks = chunk::pack(rows)?;
        let body = Body::Loaded(Loaded {
            what: T::WHAT,
            mode,
            source: source.to_owned(),
            rows: rows.len() as u64,
            encoding: chunk::ENCODING.to_owned(),
            chunks: chunks.iter().map(|chunk| chunk.name).collect(),
        });
        self.change(|tx, chain| {
            if mode == LoadMode::Add {
                check_new(tx, rows)?;
            }
            chunks.iter().try_for_each(|chunk| store(tx, chunk))?;
            Ok(append_one(tx, chain, act, &Draft::from(body))?.receipt())
        })
    }

    fn must_be_writable(&self) -> Result<(), Error> {
        if self.writable {
            Ok(())
        } else {
            Err(Error::ReadOnly("it was opened for reading only".into()))
        }
    }

    /// Runs one change: takes the write lock first, then reads the end of the chain, then commits all or nothing.
    fn change<T>(
        &mut self,
        work: impl FnOnce(&Connection, &mut Chain<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        self.must_be_writable()?;
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut chain = read_chain(&tx, self.device, &self.ids)?;
        let done = work(&tx, &mut chain)?;
        save_head(&tx, &chain)?;
        tx.commit()?;
        Ok(done)
    }

    /// Computes every projection anew from the entries alone, in one transaction.
    ///
    /// # Errors
    /// An entry or chunk that can't be read; the projections then stay as they were.
    pub fn rebuild(&mut self) -> Result<(), Error> {
        self.must_be_writable()?;
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        project::clear(&tx)?;
        replay(&tx, &tx)?;
        tx.commit()?;
        Ok(())
    }
}

fn append_one(tx: &Connection, chain: &mut Chain<'_>, act: &Act, draft: &Draft) -> Result<Entry, Error> {
    let entry = chain.seal(act, draft)?;
    entry.insert(tx)?;
    // What was written is projected, not what was meant: a rebuild will see nothing else.
    project::apply(tx, &entry, &entry.body()?, &|name| content(tx, name))?;
    Ok(entry)
}

fn read_chain<'c>(tx: &Connection, device: Uuid, ids: &'c ContextV7) -> Result<Chain<'c>, Error> {
    let read = |sql: &str| {
        tx.prepare_cached(sql)?
            .query_row([device.as_bytes()], |row| {
                Ok((row.get::<_, i64>(0)?, row.get::<_, [u8; 32]>(1)?))
            })
            .optional()
    };
    let last = read("SELECT number, hash FROM entries WHERE device = ? ORDER BY number DESC LIMIT 1")?;
    // Appending to a chain that lost its end would make a second history under the same numbers.
    if last != read("SELECT number, hash FROM heads WHERE device = ?")? {
        return Err(Error::Damaged(
            "the last entry is not the one that was written last".into(),
        ));
    }
    let number = last.map_or(0, |(number, _)| u64::try_from(number).unwrap_or(0));
    Ok(Chain {
        device,
        number,
        last: last.map(|(_, hash)| Hash(hash)),
        ids,
    })
}

fn save_head(tx: &Connection, chain: &Chain<'_>) -> Result<(), Error> {
    if let Some(hash) = chain.last {
        tx.prepare_cached("INSERT OR REPLACE INTO heads (device, number, hash) VALUES (?, ?, ?)")?
            .execute(params![
                chain.device.as_bytes(),
                to_sql_integer(chain.number)?,
                hash.0
            ])?;
    }
    Ok(())
}

fn take_down_of(tx: &Connection, visit: &Visit) -> Result<Option<Body>, Error> {
    // A trap that could not be reached still hangs, whatever the stop was for.
    if visit.kind != VisitKind::TakeDown || visit.found == TrapFound::NotReached {
        return Ok(None);
    }
    let hangs = tx
        .prepare_cached(
            "SELECT 1 FROM placements WHERE trap = ? AND taken_down IS NULL AND withdrawn_by IS NULL",
        )?
        .exists([&visit.trap])?;
    let down = TakeDown {
        trap: visit.trap.clone(),
        date: visit.date,
        reason: None,
    };
    Ok(hangs.then_some(Body::TrapTakenDown(down)))
}

/// Checks the records of a load on their own and against each other.
fn check_batch<T: Bulk>(rows: &[T], today: Date) -> Result<(), Error> {
    let mut seen = HashMap::with_capacity(rows.len());
    for (i, row) in rows.iter().enumerate() {
        row.check(today).map_err(|refusal| Error::from(refusal).at(i))?;
        if let Some(first) = seen.insert(row.key(), i) {
            let label = row.key().into_owned();
            return Err(Error::from(Refusal::DuplicateInBatch {
                what: T::WHAT,
                label,
                first,
            })
            .at(i));
        }
    }
    Ok(())
}

/// No record of the load may be in the programme already.
fn check_new<T: Bulk>(tx: &Connection, rows: &[T]) -> Result<(), Error> {
    let known: HashSet<String> = match T::WHAT {
        What::Hosts => read_hosts(tx)?.into_iter().map(|host| host.label).collect(),
        What::Weather => keys(tx, "SELECT station || ' ' || date FROM weather")?,
        what => keys(tx, &format!("SELECT label FROM {}", what.word()))?,
    };
    match rows
        .iter()
        .enumerate()
        .find(|(_, row)| known.contains(row.key().as_ref()))
    {
        None => Ok(()),
        Some((i, row)) => {
            let refusal = Refusal::DuplicateInProgramme {
                what: T::WHAT,
                label: row.key().into_owned(),
            };
            Err(Error::from(refusal).at(i))
        }
    }
}

fn keys(tx: &Connection, sql: &str) -> Result<HashSet<String>, Error> {
    Ok(tx
        .prepare(sql)?
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?)
}

fn store(tx: &Connection, chunk: &Chunk) -> Result<(), Error> {
    let there = tx
        .prepare_cached("SELECT 1 FROM contents WHERE hash = ?")?
        .exists([chunk.name.hash.0])?;
    if !there {
        tx.prepare_cached("INSERT INTO contents (hash, length, bytes) VALUES (?, ?, ?)")?
            .execute(params![
                chunk.name.hash.0,
                to_sql_integer(chunk.name.bytes)?,
                chunk.bytes
            ])?;
    }
    Ok(())
}

pub(crate) fn content(db: &Connection, name: &ChunkRef) -> Result<Vec<u8>, Error> {
    db.prepare_cached("SELECT bytes FROM contents WHERE hash = ?")?
        .query_row([name.hash.0], |row| row.get(0))
        .optional()?
        .ok_or_else(|| Error::Damaged(format!("the contents {} are missing", name.hash)))
}

/// Applies every entry of `journal` to the empty projections of `to`.
pub(crate) fn replay(journal: &Connection, to: &Connection) -> Result<(), Error> {
    let mut select = journal.prepare(&format!("SELECT {COLUMNS} FROM entries ORDER BY device, number"))?;
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let entry = Entry::from_row(row)?;
        let unreadable =
            |e: Error| Error::Damaged(format!("entry {} of device {}: {e}", entry.number, entry.device));
        let body = entry.body().map_err(unreadable)?;
        project::apply(to, &entry, &body, &|name| content(journal, name))?;
    }
    Ok(())
}

// Proving and copying.
impl Programme {
    /// Walks the whole journal: numbering, hashes, bodies, contents, heads, guards, and the projections against a
    /// rebuild of them beside the file. Changes nothing, and sees one moment even while others append.
    ///
    /// # Errors
    /// A file that can't be read at all. Damage is no error here but [`Verification::first_bad`].
    pub fn verify(&self) -> Result<Verification, Error> {
        verify::verify(&self.db, self.device)
    }

    /// Copies the programme, as of one moment, to a new file, and verifies the copy before it gets its name.
    ///
    /// # Errors
    /// A file that is there already or can't be written; a copy that does not verify, which is then removed.
    pub fn backup(&self, to: &Path) -> Result<Verification, Error> {
        check_free(to)?;
        let making = sibling(to, &Uuid::now_v7().simple().to_string());
        let done = self
            .copy_verified(&making)
            .and_then(|seen| publish(&making, to).map(|()| seen));
        remove_with_neighbours(&making);
        done
    }

    fn copy_verified(&self, to: &Path) -> Result<Verification, Error> {
        let text = to.to_str().ok_or_else(|| {
            Error::io(
                to,
                std::io::Error::new(std::io::ErrorKind::InvalidInput, "the name is not UTF-8"),
            )
        })?;
        self.db.execute("VACUUM INTO ?", [text])?;
        let seen = Programme::open_read_only(to)?.verify()?;
        match &seen.first_bad {
            None => Ok(seen),
            Some(bad) => Err(Error::Damaged(format!("the copy does not verify: {bad}"))),
        }
    }
}
