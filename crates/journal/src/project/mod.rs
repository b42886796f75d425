//! Projections: the current state, computed from entries alone.
//!
//! Every entry gives one *fact*, and facts are a set: adding them in any order gives the same rows. What follows from
//! several facts (does a correction stand? where does the trap hang?) is computed anew, from the facts of the subject
//! that was touched, whenever one of them arrives. So what a copy shows depends on which entries it has, never on
//! the way or the order in which they came, and a rebuild is nothing but adding them all again.

pub(crate) mod conflicts;
pub(crate) mod facts;
pub(crate) mod lots;
pub(crate) mod response;
mod sealed;
mod sets;
pub(crate) mod specimens;
pub(crate) mod traps;

use std::collections::BTreeSet;

use rusqlite::Connection;
use rusqlite::types::ValueRef;
use serde::Serialize;
use uuid::Uuid;

use crate::body::{Body, Decision, Subject, What};
use crate::chunk::ChunkRef;
use crate::entry::Entry;
use crate::error::Error;
use crate::exchange;
use crate::hash::Hash;
use crate::store::Log;
use crate::trust::{self, Grant, Trust};

pub(crate) use facts::{Fact, fact, facts_of};

/// A projected table and the order in which its rows are compared.
pub(crate) struct Table {
    pub(crate) name: &'static str,
    order: &'static str,
}

const fn table(name: &'static str, order: &'static str) -> Table {
    Table { name, order }
}

/// Every projected table.
pub(crate) const TABLES: [Table; 19] = [
    table("facts", "entry"),
    table("touches", "subject, entry"),
    table("actors", "person, device"),
    table("awaited", "hash"),
    table("host_chunks", "ord"),
    table("pathways", "ord"),
    table("land", "ord"),
    table("zones", "ord"),
    table("places", "ord"),
    table("weather", "station, date"),
    table("road_chunks", "ord"),
    table("crews", "ord"),
    table("access", "ord"),
    table("placements", "entry"),
    table("traps", "trap"),
    table("specimens", "specimen"),
    table("finds", "source, target"),
    table("plantings", "planting"),
    table("conflicts", "id"),
];

/// Hosts have no table of rows. Measured for a million (`examples/measure.rs`, processor time): reading them back
/// takes 0.7 s spread over all cores from chunks, 0.5 s on one core from a table; but a table would cost another 1.3 s
/// at each load and triple the file.
const SCHEMA: &str = "
CREATE TABLE facts (
    entry BLOB NOT NULL UNIQUE, device BLOB NOT NULL, person TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL,
    day TEXT NOT NULL, at INTEGER NOT NULL, body_version INTEGER NOT NULL, body TEXT NOT NULL,
    corrected_by BLOB, withdrawn_by BLOB, recorded TEXT NOT NULL, number INTEGER NOT NULL, skew_s INTEGER, not_entitled TEXT) STRICT;
CREATE INDEX facts_by_subject ON facts (subject, kind, day);
CREATE INDEX facts_by_kind ON facts (kind, day);
CREATE INDEX facts_withdrawn ON facts (kind) WHERE withdrawn_by IS NOT NULL;
CREATE INDEX facts_not_entitled ON facts (person) WHERE not_entitled IS NOT NULL;
CREATE INDEX facts_skewed ON facts (device) WHERE skew_s IS NOT NULL;
CREATE TABLE touches (subject TEXT NOT NULL, entry BLOB NOT NULL, PRIMARY KEY (subject, entry)) STRICT, WITHOUT ROWID;
CREATE TABLE actors (
    person TEXT NOT NULL, device BLOB NOT NULL, PRIMARY KEY (person, device)) STRICT, WITHOUT ROWID;
CREATE TABLE awaited (hash BLOB NOT NULL PRIMARY KEY) STRICT, WITHOUT ROWID;
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
    entry BLOB NOT NULL PRIMARY KEY, trap TEXT NOT NULL, place TEXT NOT NULL, hung TEXT NOT NULL, taken_down TEXT,
    down_by BLOB, body TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE INDEX placements_by_trap ON placements (trap, hung);
CREATE INDEX placements_by_place ON placements (place);
CREATE INDEX placements_by_lat ON placements (json_extract(body, '$.position.lat'));
CREATE TABLE traps (
    trap TEXT NOT NULL PRIMARY KEY, state TEXT NOT NULL, since TEXT NOT NULL, place TEXT, placement BLOB,
    condition TEXT, last_visit TEXT, last_look TEXT, lure TEXT, lure_lot TEXT, insert_day TEXT, killing_agent TEXT,
    body_day TEXT, next_due TEXT) STRICT, WITHOUT ROWID;
CREATE TABLE specimens (
    specimen TEXT NOT NULL PRIMARY KEY, state TEXT NOT NULL, holder TEXT, since TEXT NOT NULL, offered_to TEXT,
    handover TEXT, parent TEXT, trap TEXT, tree TEXT, day TEXT, planted TEXT) STRICT, WITHOUT ROWID;
CREATE INDEX specimens_by_trap ON specimens (trap);
CREATE INDEX specimens_offered ON specimens (offered_to) WHERE offered_to IS NOT NULL;
CREATE INDEX specimens_held ON specimens (holder) WHERE holder IS NOT NULL;
CREATE TABLE finds (
    source TEXT NOT NULL, target TEXT NOT NULL, state TEXT NOT NULL, since TEXT NOT NULL, by TEXT NOT NULL, trap TEXT,
    day TEXT, specimen TEXT, PRIMARY KEY (source, target)) STRICT, WITHOUT ROWID;
CREATE INDEX finds_by_trap ON finds (trap);
CREATE TABLE plantings (
    planting TEXT NOT NULL PRIMARY KEY, entry BLOB NOT NULL, trap TEXT NOT NULL, day TEXT NOT NULL, body TEXT NOT NULL)
    STRICT, WITHOUT ROWID;
CREATE INDEX plantings_by_trap ON plantings (trap);
CREATE TABLE conflicts (
    id TEXT NOT NULL PRIMARY KEY, subject TEXT NOT NULL, kind TEXT NOT NULL, entries TEXT NOT NULL, words TEXT NOT NULL,
    settled_by BLOB) STRICT, WITHOUT ROWID;
CREATE INDEX conflicts_by_subject ON conflicts (subject);
";

/// JSON of a record as the projection keeps it (and compares it).
pub(crate) fn record_text<T: Serialize>(record: &T) -> Result<String, Error> {
    serde_json::to_string(record).map_err(|e| Error::Body {
        kind: "record".into(),
        why: e.to_string(),
    })
}

/// Makes every projected table.
pub(crate) fn create(db: &Connection) -> Result<(), Error> {
    db.execute_batch(SCHEMA)?;
    Ok(db.execute_batch(SCHEMA_3)?)
}

/// Empties every projection.
pub(crate) fn clear(db: &Connection) -> Result<(), Error> {
    for table in &TABLES {
        db.execute(&format!("DELETE FROM {}", table.name), [])?;
    }
    Ok(())
}

/// The tables that layout 3 added.
pub(crate) const SCHEMA_3: &str = "
CREATE TABLE road_chunks (
    ord INTEGER PRIMARY KEY, hash BLOB NOT NULL, bytes INTEGER NOT NULL, rows INTEGER NOT NULL) STRICT;
CREATE TABLE crews  (ord INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, body TEXT NOT NULL) STRICT;
CREATE TABLE access (ord INTEGER PRIMARY KEY, label TEXT NOT NULL UNIQUE, body TEXT NOT NULL) STRICT;
";

/// Brings the projections up to date. Facts are added at once; what follows from them when [`Projector::settle`] is
/// called, once for each subject, however many facts touched it.
pub(crate) struct Projector<'a> {
    db: &'a Connection,
    log: &'a dyn Log,
    /// Who may do what, as of the last settling.
    pub(crate) trust: Trust,
    dirty: Dirty,
}

/// Subjects of which a fact has arrived and whose state was not computed since.
#[derive(Default)]
struct Dirty {
    /// Entries that a correction or a settlement names, or that arrived late.
    entries: BTreeSet<Uuid>,
    /// Traps whose placements may have changed.
    spans: BTreeSet<String>,
    traps: BTreeSet<String>,
    specimens: BTreeSet<String>,
    handovers: BTreeSet<String>,
    devices: BTreeSet<Uuid>,
    people: BTreeSet<String>,
    conflicts: BTreeSet<String>,
    responses: BTreeSet<String>,
    /// Sets of records whose loads arrived out of order.
    sets: BTreeSet<What>,
    trust: bool,
    sealed: bool,
}

impl<'a> Projector<'a> {
    pub(crate) fn new(db: &'a Connection, log: &'a dyn Log, trust: Trust) -> Self {
        Projector {
            db,
            log,
            trust,
            dirty: Dirty::default(),
        }
    }

    /// Adds the fact of an entry that may have been named by others before it came.
    pub(crate) fn add(&mut self, entry: &Entry, body: &Body) -> Result<(), Error> {
        self.dirty.entries.insert(entry.id);
        self.add_fact(entry, body, false)
    }

    /// Adds the fact of an entry that was made and checked this moment, so that no other can name it.
    pub(crate) fn add_new(&mut self, entry: &Entry, body: &Body) -> Result<(), Error> {
        self.add_fact(entry, body, true)
    }

    fn add_fact(&mut self, entry: &Entry, body: &Body, checked: bool) -> Result<(), Error> {
        let not_entitled = self.not_entitled(entry, body)?;
        let skew_s = facts::skew_s(entry);
        if skew_s.is_some() || self.trust.is_withdrawn(entry.device) {
            self.dirty.devices.insert(entry.device);
        }
        if not_entitled.is_some() {
            self.dirty.people.insert(entry.person.clone());
        }
        facts::insert(self.db, entry, body, skew_s, not_entitled.as_deref())?;
        for hash in exchange::named(body).later {
            if !self.log.has_content(hash)? {
                facts::await_content(self.db, hash)?;
            }
        }
        self.mark(body);
        if let Body::Loaded(loaded) = body {
            self.load(entry.id, loaded, checked)?;
        }
        Ok(())
    }

    /// A content has arrived that an entry had named.
    pub(crate) fn content_came(&mut self, hash: Hash) -> Result<(), Error> {
        // It may be a sealed entry's.
        self.dirty.sealed = true;
        facts::no_longer_awaited(self.db, hash)
    }

    /// Why the person had no right to record this, if so. The founding entry founds all rights, and
    /// what a device saw of a clock is nobody's deed.
    fn not_entitled(&self, entry: &Entry, body: &Body) -> Result<Option<String>, Error> {
        if matches!(body, Body::ProgrammeSetUp(_) | Body::ClockSeen(_)) {
            return Ok(None);
        }
        let own = facts::is_own(self.db, &entry.person, body)?;
        let day = entry.recorded_day();
        let refused = self.trust.may(entry.device, &entry.person, day, body, own).err();
        Ok(refused.map(|refusal| refusal.to_string()))
    }

    /// Marks the subjects of a body that now counts, or counts no more.
    fn mark(&mut self, body: &Body) {
        let dirty = &mut self.dirty;
        match body {
            Body::TrapPlaced(_) | Body::TrapTakenDown(_) | Body::TrapRegistered(_) => {}
            Body::Correction(b) => drop(dirty.entries.insert(b.corrects)),
            Body::ConflictSettled(b) => {
                dirty.conflicts.insert(b.conflict.clone());
                if let Decision::Withdraw { entries } = &b.decision {
                    dirty.entries.extend(entries);
                }
            }
            Body::SpecimensOffered(b) => drop(dirty.handovers.insert(b.handover.clone())),
            Body::SpecimensAccepted(b) => drop(dirty.handovers.insert(b.handover.clone())),
            Body::SpecimensDeclined(b) => drop(dirty.handovers.insert(b.handover.clone())),
            Body::Sealed(_) | Body::PlantingClosed(_) => dirty.sealed = true,
            Body::ClockSeen(b) => drop(dirty.devices.insert(b.device)),
            Body::DeviceWithdrawn(b) => {
                dirty.trust = true;
                dirty.devices.insert(b.device);
            }
            body if trust::KINDS.contains(&body.kind()) => dirty.trust = true,
            _ => {}
        }
        for subject in body.subjects() {
            match subject {
                Subject::Trap(trap) => {
                    if !matches!(
                        body,
                        Body::VisitMade(_) | Body::Determination(_) | Body::SpecimenTaken(_)
                    ) {
                        dirty.spans.insert(trap.clone());
                    }
                    dirty.traps.insert(trap);
                }
                Subject::Specimen(specimen) => drop(dirty.specimens.insert(specimen)),
                Subject::Response(find) => drop(dirty.responses.insert(find)),
                _ => {}
            }
        }
    }

    /// Computes what later checks of this very transaction rest on: rights, corrections, placements, sets.
    pub(crate) fn settle_ground(&mut self) -> Result<(), Error> {
        if std::mem::take(&mut self.dirty.trust) {
            self.settle_trust()?;
        }
        // A correction that was withdrawn has what it corrected looked at again: from two rounds on, nothing is added.
        while let Some(entry) = self.dirty.entries.pop_first() {
            for body in facts::refresh(self.db, self.log, entry)? {
                self.mark(&body);
            }
            self.settle_own(entry)?;
        }
        for trap in std::mem::take(&mut self.dirty.spans) {
            traps::refresh_spans(self.db, &trap)?;
        }
        for what in std::mem::take(&mut self.dirty.sets) {
            self.reload(what)?;
        }
        Ok(())
    }

    /// Rights have changed: asks anew of whatever was recorded by those whom it may concern.
    fn settle_trust(&mut self) -> Result<(), Error> {
        let before = std::mem::replace(&mut self.trust, Trust::of_facts(self.db)?);
        for (person, device) in facts::actors(self.db)? {
            if before.view(&person, device) != self.trust.view(&person, device) {
                self.reconsider(&person, device)?;
            }
        }
        if before.authorities() != self.trust.authorities() {
            self.dirty.specimens.extend(specimens::determined(self.db)?);
        }
        Ok(())
    }

    fn reconsider(&mut self, person: &str, device: Uuid) -> Result<(), Error> {
        for fact in facts::by_actor(self.db, person, device)? {
            self.reconsider_fact(&fact)?;
        }
        self.dirty.people.insert(person.to_owned());
        Ok(())
    }

    fn reconsider_fact(&mut self, fact: &Fact) -> Result<(), Error> {
        // As it was recorded, whatever a correction made of it.
        let entry = self.log.entry(fact.entry)?;
        let entry = entry
            .ok_or_else(|| Error::Damaged(format!("entry {} is projected and not there", fact.entry)))?;
        let not_entitled = self.not_entitled(&entry, &entry.body()?)?;
        facts::set_not_entitled(self.db, fact.entry, not_entitled)
    }

    /// A corrected entry has arrived after its correction: whose own it is shows only now.
    fn settle_own(&mut self, entry: Uuid) -> Result<(), Error> {
        for fact in facts::corrections_of(self.db, entry)? {
            self.reconsider_fact(&fact)?;
            self.dirty.people.insert(fact.person);
        }
        Ok(())
    }

    /// Computes everything that follows from the facts added.
    pub(crate) fn settle(&mut self) -> Result<(), Error> {
        self.settle_ground()?;
        if std::mem::take(&mut self.dirty.sealed) {
            for trap in sealed::refresh(self.db, self.log)? {
                self.dirty.specimens.extend(specimens::from_trap(self.db, &trap)?);
            }
        }
        let traps = std::mem::take(&mut self.dirty.traps);
        for trap in &traps {
            traps::refresh(self.db, trap)?;
        }
        for handover in std::mem::take(&mut self.dirty.handovers) {
            self.dirty
                .specimens
                .extend(specimens::refresh_handover(self.db, &handover)?);
        }
        let mut specimens = std::mem::take(&mut self.dirty.specimens);
        let mut seen = BTreeSet::new();
        while let Some(specimen) = specimens.pop_first() {
            for done in specimens::refresh(self.db, &self.trust, &specimen)? {
                specimens.remove(&done);
                seen.insert(done);
            }
        }
        self.settle_responses(traps, seen)?;
        for device in std::mem::take(&mut self.dirty.devices) {
            facts::refresh_device(self.db, device)?;
        }
        for person in std::mem::take(&mut self.dirty.people) {
            facts::refresh_person(self.db, &person)?;
        }
        for conflict in std::mem::take(&mut self.dirty.conflicts) {
            conflicts::settle(self.db, &conflict)?;
        }
        Ok(())
    }

    /// Responses rest on finds: those that name what was just looked at are looked at too.
    fn settle_responses(
        &mut self,
        traps: BTreeSet<String>,
        specimens: BTreeSet<String>,
    ) -> Result<(), Error> {
        let mut responses = std::mem::take(&mut self.dirty.responses);
        if response::any(self.db)? {
            let subjects =
                (traps.into_iter().map(Subject::Trap)).chain(specimens.into_iter().map(Subject::Specimen));
            for subject in subjects {
                responses.extend(response::naming(self.db, &subject.key())?);
            }
        }
        responses
            .iter()
            .try_for_each(|find| response::refresh(self.db, find))
    }

    fn content(&self, name: &ChunkRef) -> Result<Vec<u8>, Error> {
        self.log
            .content(name.hash)?
            .ok_or_else(|| Error::Damaged(format!("the contents {} are missing", name.hash)))
    }
}

/// Adds every entry of `log` to the empty projections of `db`.
pub(crate) fn replay(log: &dyn Log, db: &Connection) -> Result<(), Error> {
    let mut grants = Vec::new();
    for entry in log.of_kinds(&trust::KINDS)? {
        grants.push(Grant::of_entry(&entry).map_err(|e| unreadable(&entry, &e))?);
    }
    let mut projector = Projector::new(db, log, Trust::of(grants));
    log.each(&mut |entry| {
        let body = entry.body().map_err(|e| unreadable(&entry, &e))?;
        // What corrections and settlements name, they mark themselves; everything else stands as it was recorded.
        projector.add_fact(&entry, &body, false)
    })?;
    projector.settle()
}

fn unreadable(entry: &Entry, e: &Error) -> Error {
    Error::Damaged(format!("entry {} of device {}: {e}", entry.number, entry.device))
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
