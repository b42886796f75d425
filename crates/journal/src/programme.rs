//! The programme file: making, opening, appending, reading, backing up.

use std::collections::{HashMap, HashSet};
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{Host, Land, Pathway, Place, Placement, Road, Visit, WeatherDay, Zone};

use jiff::civil::Date;
use rusqlite::{Connection, OpenFlags, OptionalExtension, TransactionBehavior};
use uuid::{ContextV7, Uuid};

use crate::body::{
    Body, Correction, Determination, DeviceEnrolled, LoadMode, Loaded, Plan, ProgrammeSetUp, TakeDown,
    TargetAdopted, VisitMade, What,
};
use crate::chunk;
use crate::entry::{Act, Chain, Draft, Entry, Receipt, local_day, new_id};
use crate::error::{Error, Refusal};
use crate::hash::Hash;
use crate::key::DeviceKey;
use crate::load::{Bulk, check_label};
use crate::project::Projector;
use crate::read::read_chunked;
use crate::store::sqlite::SqliteLog;
use crate::store::{Log, Store, Writing};
use crate::sync::{Accepted, Bundle};
use crate::trust::Trust;
use crate::verify::{self, Verification};
use crate::{exchange, project, rules, schema, share};

/// Id, subject, kind, entries (JSON), whether it is settled.
type ConflictRow = (String, String, String, String, bool);

/// An open programme file.
///
/// Every change is one transaction: when a call returns `Ok`, its entries are on the disk (the write-ahead log was
/// flushed); when it returns an error, nothing was changed. Several processes may have the file open.
pub struct Programme {
    pub(crate) db: Connection,
    path: PathBuf,
    writable: bool,
    device: Uuid,
    ids: ContextV7,
    key: Option<DeviceKey>,
    /// The store that this copy shares with others, if it does.
    pub(crate) shared: Option<Box<dyn Store>>,
    /// Who may do what, and the number of facts on which that rests (they are only ever added).
    trust: (u64, Trust),
}

impl std::fmt::Debug for Programme {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Programme({}, device {})", self.path.display(), self.device)
    }
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
        let key = DeviceKey::generate(new_id(act.now().timestamp(), &ids))?;
        let beside = DeviceKey::path_beside(path);
        if beside.exists() {
            return Err(Error::AlreadyExists { path: beside });
        }
        // The key first: a programme whose device can't sign would be of no use.
        let done = write_new_file(&making, name, act, &ids, &key).and_then(|()| {
            key.write_new(&beside)?;
            publish(&making, path).inspect_err(|_| drop(fs::remove_file(&beside)))
        });
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
        let key = if writable {
            DeviceKey::read(&DeviceKey::path_beside(path))?.filter(|key| key.device() == device)
        } else {
            None
        };
        Ok(Programme {
            db,
            path: path.to_owned(),
            writable,
            device,
            ids: ContextV7::new(),
            key,
            shared: None,
            trust: (0, Trust::default()),
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
        Ok(self.set_up()?.name)
    }

    /// Id of the programme, the same in every copy.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn id(&self) -> Result<Uuid, Error> {
        Ok(self.set_up()?.programme)
    }

    /// The first entry of all: what founded the programme.
    fn set_up(&self) -> Result<ProgrammeSetUp, Error> {
        match project::facts_of(&self.db, "programme", "programme-set-up")?.first() {
            Some(fact) => match fact.body()? {
                Body::ProgrammeSetUp(set_up) => Ok(set_up),
                _ => Err(Error::Damaged("the founding entry is something else".into())),
            },
            None => Err(Error::Damaged(
                "the programme has no founding entry; rebuild it".into(),
            )),
        }
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

fn write_new_file(path: &Path, name: &str, act: &Act, ids: &ContextV7, key: &DeviceKey) -> Result<(), Error> {
    File::create_new(path).map_err(|e| Error::io(path, e))?;
    let mut db = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    schema::configure(&db, true)?;
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    schema::create_journal(&tx)?;
    project::create(&tx)?;
    tx.execute(
        "INSERT INTO this_device (device) VALUES (?)",
        [key.device().as_bytes()],
    )?;
    let body = Body::ProgrammeSetUp(ProgrammeSetUp {
        programme: new_id(act.now().timestamp(), ids),
        name: name.to_owned(),
        made_by: concat!("earlywood-journal ", env!("CARGO_PKG_VERSION")).to_owned(),
        key: Some(key.public()),
    });
    let log = SqliteLog(&*tx);
    let chain = Chain {
        device: key.device(),
        number: 0,
        last: None,
        last_id: Uuid::nil(),
        ids,
        key,
    };
    let mut session = Session::new(&tx, &log, chain, Trust::default());
    session.write(act, &Draft::from(body))?;
    session.projector.settle()?;
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
        self.change(|session| Ok(session.append(act, &draft)?.receipt()))
    }

    /// Appends entries in their order, all or none. Each is checked against the state that those before it leave.
    ///
    /// # Errors
    /// As [`Programme::append`]; the error's index names the draft.
    pub fn append_all(&mut self, act: &Act, drafts: &[Draft]) -> Result<Vec<Receipt>, Error> {
        self.change(|session| {
            let append = |(i, draft): (usize, &Draft)| {
                let entry = session.append(act, draft).map_err(|e| e.at(i))?;
                Ok(entry.receipt())
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
        self.change(|session| {
            let mut receipts = Vec::with_capacity(visits.len());
            for (i, visit) in visits.iter().enumerate() {
                let visit = VisitMade::from_visit(visit);
                receipts.push(session.append_stop(act, &visit).map_err(|e| e.at(i))?);
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
        self.change(|session| {
            if mode == LoadMode::Add {
                check_new(session.db, rows)?;
            }
            for chunk in &chunks {
                session.log.put_content(chunk.name.hash, &chunk.bytes)?;
            }
            session.check_rights(act, &body)?;
            Ok(session.write(act, &Draft::from(body))?.receipt())
        })
    }

    pub(crate) fn must_be_writable(&self) -> Result<(), Error> {
        if self.writable {
            Ok(())
        } else {
            Err(Error::ReadOnly("it was opened for reading only".into()))
        }
    }

    /// Runs one change: takes the write lock first, then reads the end of the chain, then commits all or nothing.
    pub(crate) fn change<T>(
        &mut self,
        work: impl FnOnce(&mut Session<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        self.must_be_writable()?;
        let mut shared = self.shared.as_mut().map(|store| store.write()).transpose()?;
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        let log = SqliteLog(&*tx);
        if let Some(shared) = &shared {
            share::pull(&tx, &log, &**shared)?;
        }
        let grants = count_grants(&tx)?;
        if self.trust.0 != grants {
            self.trust = (grants, Trust::of_facts(&tx)?);
        }
        let known = self.trust.1.devices.get(&self.device);
        // A file of layout 1 has no key yet: it gets one with its first change.
        let unsigned = known.is_some_and(|device| device.key.is_none());
        if self.key.is_none() {
            self.key = Some(find_key(&self.path, self.device, unsigned)?);
        }
        let Some(key) = &self.key else {
            return Err(Error::Key(no_key(&self.path, self.device)));
        };
        // What another key signs, nobody would ever take.
        if known
            .and_then(|device| device.key)
            .is_some_and(|known| known != key.public())
        {
            return Err(Error::Key(format!(
                "the key beside the file is not the one with which device {} was enrolled",
                self.device
            )));
        }
        let chain = read_chain(&log, self.device, &self.ids, key)?;
        let mut session = Session::new(&tx, &log, chain, self.trust.1.clone());
        session.unsigned = unsigned;
        let done = work(&mut session)?;
        session.projector.settle()?;
        drop(session);
        // The shared store first: what it keeps comes back to this file with the next change, should this one be lost.
        if let Some(shared) = &mut shared {
            share::push(&log, &**shared)?;
        }
        if let Some(shared) = shared {
            shared.commit()?;
        }
        tx.commit()?;
        Ok(done)
    }

    /// Takes what is good of a bundle; needs no key of this device, but notes clocks that are ahead if it has one.
    pub(crate) fn receive(&mut self, now: jiff::Timestamp, bundle: &Bundle) -> Result<Accepted, Error> {
        self.must_be_writable()?;
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        let log = SqliteLog(&*tx);
        let before = project::conflicts::open(&tx)?;
        let mut projector = Projector::new(&tx, &log, Trust::of_facts(&tx)?);
        let (mut accepted, clocks) = exchange::take(&tx, &log, &mut projector, bundle)?;
        projector.settle()?;
        let trust = projector.trust.clone();
        drop(projector);
        if let Some(key) = self.key.as_ref().filter(|key| {
            let known = trust.devices.get(&key.device());
            known.is_some_and(|device| device.key == Some(key.public()))
        }) {
            let chain = read_chain(&log, self.device, &self.ids, key)?;
            let mut session = Session::new(&tx, &log, chain, trust);
            exchange::note_clocks(&mut session, now, &clocks)?;
            session.projector.settle()?;
        }
        accepted.conflicts = project::conflicts::open(&tx)?.saturating_sub(before);
        tx.commit()?;
        Ok(accepted)
    }

    pub(crate) fn become_device(&mut self, key: DeviceKey) {
        self.device = key.device();
        self.key = Some(key);
    }

    /// The journal of this file, to be read.
    pub(crate) fn log_view(&self) -> SqliteLog<&Connection> {
        SqliteLog(&self.db)
    }

    pub(crate) fn key(&self) -> Result<&DeviceKey, Error> {
        self.key
            .as_ref()
            .ok_or_else(|| Error::Key(no_key(&self.path, self.device)))
    }

    /// Whether changes can be made at all (they may still be refused).
    pub fn is_writable(&self) -> bool {
        self.writable
    }

    /// Gives the founding device of a layout 1 file, which wrote without signatures, a key: from this entry on all that it
    /// writes is signed. The first change of such a file does it by itself; only a lead may make it. Of several copies of
    /// such a file only one may go on as the founding device; the others join.
    ///
    /// # Errors
    /// A device that signs already; a person who is no lead; a file or folder that can't be written.
    pub fn begin_signing(&mut self, act: &Act) -> Result<Receipt, Error> {
        self.change(|session| {
            if !session.unsigned {
                return Err(Error::Key("this device signs already".into()));
            }
            Ok(session.begin_signing(act)?.receipt())
        })
    }

    /// One hash per projected table, over every value in it: what tests compare between copies.
    ///
    /// # Errors
    /// A database that can't be read.
    #[doc(hidden)]
    pub fn digests(&self) -> Result<Vec<(&'static str, Hash)>, Error> {
        project::digests(&self.db)
    }

    /// Every conflict as (id, subject, kind, entries, settled), by id: what tests look at.
    ///
    /// # Errors
    /// A database that can't be read.
    #[doc(hidden)]
    pub fn conflict_rows(&self) -> Result<Vec<ConflictRow>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT id, subject, kind, entries, settled_by IS NOT NULL FROM conflicts ORDER BY id",
        )?;
        let rows = select.query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
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
        project::replay(&SqliteLog(&*tx), &tx)?;
        tx.commit()?;
        Ok(())
    }
}

/// The key beside the file, which may have come there since the file was opened; for a device that has none yet
/// (`unsigned`) a new one, written down before anything is signed with it.
fn find_key(path: &Path, device: Uuid, unsigned: bool) -> Result<DeviceKey, Error> {
    let beside = DeviceKey::path_beside(path);
    match DeviceKey::read(&beside)?.filter(|key| key.device() == device) {
        Some(key) => Ok(key),
        None if unsigned => {
            let key = DeviceKey::generate(device)?;
            key.write(&beside)?;
            Ok(key)
        }
        None => Err(Error::Key(no_key(path, device))),
    }
}

fn count_grants(db: &Connection) -> Result<u64, Error> {
    let mut count = 0;
    for kind in crate::trust::KINDS {
        let mut select = db.prepare_cached("SELECT count(*) FROM facts WHERE kind = ?")?;
        count += select
            .query_row([kind], |row| row.get::<_, i64>(0))?
            .unsigned_abs();
    }
    Ok(count)
}

fn no_key(path: &Path, device: Uuid) -> String {
    format!(
        "nothing can be recorded: the key of device {device} is not beside the file (it should be {}). Put it there, or \
         let this copy join as a device of its own: earlywood journal FILE join",
        DeviceKey::path_beside(path).display()
    )
}

/// What one change works with: the projections, the log, and the end of the device's chain.
pub(crate) struct Session<'a> {
    pub(crate) db: &'a Connection,
    pub(crate) log: &'a dyn Writing,
    pub(crate) projector: Projector<'a>,
    chain: Chain<'a>,
    /// The device has not signed anything yet: whatever comes first is preceded by the enrolment of its own key.
    unsigned: bool,
}

impl<'a> Session<'a> {
    fn new<L: Writing>(db: &'a Connection, log: &'a L, chain: Chain<'a>, trust: Trust) -> Self {
        Session {
            db,
            log,
            projector: Projector::new(db, log, trust),
            chain,
            unsigned: false,
        }
    }

    /// Checks a draft against the state that the entries before it leave, and appends it.
    pub(crate) fn append(&mut self, act: &Act, draft: &Draft) -> Result<Entry, Error> {
        self.projector.settle_ground()?;
        let event_time = act.event_time_of(draft)?;
        let asked = self.asked(act, &event_time);
        rules::check(self.db, &asked, &draft.body)?;
        self.write(act, draft)
    }

    /// What the rules are asked, for an act at a time.
    fn asked<'t>(&'t self, act: &'t Act, event_time: &str) -> rules::Asked<'t> {
        let now = act.now().timestamp();
        rules::Asked {
            trust: &self.projector.trust,
            device: self.chain.device,
            person: act.person(),
            today: act.today(),
            recorded: local_day(event_time, now),
            at: event_time.parse().unwrap_or(now),
            day: event_time
                .get(..10)
                .and_then(|day| day.parse().ok())
                .unwrap_or(act.today()),
        }
    }

    /// Whether the person may record such a body here and now.
    fn check_rights(&self, act: &Act, body: &Body) -> Result<(), Error> {
        let now = act.now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
        rules::check_rights(self.db, &self.asked(act, &now), body)
    }

    /// Appends a draft that needs no check any more.
    pub(crate) fn write(&mut self, act: &Act, draft: &Draft) -> Result<Entry, Error> {
        if self.unsigned {
            self.begin_signing(act)?;
        }
        self.seal(act, draft)
    }

    /// The founding device of a layout 1 file enrols its own key, which only a lead may do. Gives the entry, its first that
    /// is signed.
    pub(crate) fn begin_signing(&mut self, act: &Act) -> Result<Entry, Error> {
        let enrolled = Body::DeviceEnrolled(DeviceEnrolled {
            device: self.chain.device,
            key: self.chain.key.public(),
            holder: None,
            note: None,
        });
        self.check_rights(act, &enrolled)?;
        let entry = self.seal(act, &Draft::from(enrolled))?;
        self.unsigned = false;
        self.projector.settle_ground()?;
        Ok(entry)
    }

    fn seal(&mut self, act: &Act, draft: &Draft) -> Result<Entry, Error> {
        let entry = self.chain.seal(act, draft)?;
        self.log.insert(&entry)?;
        // What was written is projected, not what was meant: a rebuild will see nothing else.
        self.projector.add_new(&entry, &entry.body()?)?;
        Ok(entry)
    }
}

fn read_chain<'c>(
    log: &dyn Log,
    device: Uuid,
    ids: &'c ContextV7,
    key: &'c DeviceKey,
) -> Result<Chain<'c>, Error> {
    let written = log.head(device)?;
    let from = written.map_or(1, |head| head.number);
    let last = log.entries(device, from, 2)?;
    // Appending to a chain that lost its end would make a second history under the same numbers.
    let agree = match (&written, last.as_slice()) {
        (None, []) => true,
        (Some(head), [entry]) => entry.number == head.number && entry.hash == head.hash,
        _ => false,
    };
    if !agree {
        return Err(Error::Damaged(
            "the last entry is not the one that was written last".into(),
        ));
    }
    let last = last.first();
    Ok(Chain {
        device,
        number: last.map_or(0, |entry| entry.number),
        last: last.map(|entry| entry.hash),
        last_id: last.map_or(Uuid::nil(), |entry| entry.id),
        ids,
        key,
    })
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
        What::Hosts => read_chunked::<Host>(tx, T::WHAT)?
            .into_iter()
            .map(|r| r.label)
            .collect(),
        What::Roads => read_chunked::<Road>(tx, T::WHAT)?
            .into_iter()
            .map(|r| r.label)
            .collect(),
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
