//! What two copies of one programme give each other, and what is taken of it.
//!
//! A copy takes an entry when it continues its device's chain, its hash and signature hold, its device was enrolled by a
//! lead, and the contents without which it says nothing are there. Whatever does not is held back, with the reason, and
//! comes again with the next exchange. Nothing is refused because of what it says: what can't be, given what others
//! did, is listed as a conflict. So copies that have exchanged all they can hold the same entries and show the same.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::path::Path;

use jiff::civil::Date;
use rusqlite::Connection;
use uuid::Uuid;

use crate::body::{Body, ClockSeen, Photo, PublicKey, Role};
use crate::entry::{Act, Draft, Entry};
use crate::error::Error;
use crate::hash::Hash;
use crate::programme::{Programme, Session};
use crate::store::{Log, Writing};
use crate::sync::{Accepted, Bundle, Held, Limit, Offer, Scope};
use crate::trust::{self, Grant, Trust};
use crate::verify::{Head, check_proof};

/// By how many seconds a received entry's recorded time may lie ahead before the clock is in doubt (common practice, no
/// source).
const CLOCK_S: i64 = 300;
/// Most contents that one offer asks for.
const MOST_WANTS: i64 = 1_000;

/// The contents that a body names: those without which it says nothing, and those that may come later.
#[derive(Default)]
pub(crate) struct Named {
    pub(crate) needed: Vec<Hash>,
    pub(crate) later: Vec<Hash>,
}

pub(crate) fn named(body: &Body) -> Named {
    let later = |photos: &[Photo]| Named {
        later: photos.iter().map(|photo| photo.hash).collect(),
        ..Named::default()
    };
    match body {
        Body::Loaded(loaded) => Named {
            needed: loaded.chunks.iter().map(|chunk| chunk.hash).collect(),
            ..Named::default()
        },
        Body::Sealed(sealed) => Named {
            later: vec![sealed.content],
            ..Named::default()
        },
        Body::VisitMade(b) => later(&b.photos),
        Body::TreeInspected(b) => later(&b.photos),
        Body::SpecimenTaken(b) => later(&b.photos),
        _ => Named::default(),
    }
}

/// A device that asks to be enrolled: one line that a person can carry from one machine to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Request {
    /// The device.
    pub device: Uuid,
    /// Its public key.
    pub key: PublicKey,
}

impl std::fmt::Display for Request {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "earlywood-device:{}:{}", self.device, self.key)
    }
}

impl std::str::FromStr for Request {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self, Error> {
        let not = || {
            Error::Exchange(format!(
                "{text:?} is no enrolment request; one reads earlywood-device:ID:KEY"
            ))
        };
        let rest = text.trim().strip_prefix("earlywood-device:").ok_or_else(not)?;
        let (device, key) = rest.split_once(':').ok_or_else(not)?;
        Ok(Request {
            device: device.parse().map_err(|_| not())?,
            key: key.parse().map_err(|_| not())?,
        })
    }
}

impl Programme {
    /// How far this copy has come.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn offer(&self) -> Result<Offer, Error> {
        let mut select = self
            .db
            .prepare_cached("SELECT hash FROM awaited ORDER BY hash LIMIT ?")?;
        let rows = select.query_map([MOST_WANTS], |row| row.get(0).map(Hash))?;
        Ok(Offer {
            programme: self.id()?,
            heads: self.log_view().heads()?,
            wants: rows.collect::<Result<_, _>>()?,
        })
    }

    /// What the other copy lacks, within what it may be given and what goes into one message.
    ///
    /// # Errors
    /// Another programme's offer; a database that can't be read.
    pub fn bundle(&self, theirs: &Offer, scope: Scope, limit: Limit) -> Result<Bundle, Error> {
        self.check_same(theirs.programme)?;
        let ours = self.offer()?;
        let mut bundle = Bundle {
            programme: ours.programme,
            heads: ours.heads.clone(),
            wants: ours.wants,
            entries: Vec::new(),
            contents: Vec::new(),
            complete: true,
        };
        let mut filling = Filling {
            bundle: &mut bundle,
            limit,
            bytes: 0,
            forked: Vec::new(),
        };
        let log = self.log_view();
        for head in &ours.heads {
            let known = theirs.heads.iter().find(|their| their.device == head.device);
            filling.entries_of(&log, head, known)?;
        }
        let sealed: HashSet<Hash> = match scope {
            Scope::Everything => HashSet::new(),
            Scope::Crew | Scope::Partner => self.sealed_contents()?,
        };
        for hash in theirs.wants.iter().filter(|hash| !sealed.contains(hash)) {
            filling.content(&log, *hash)?;
        }
        filling.tell_forks(&log)?;
        Ok(bundle)
    }

    fn sealed_contents(&self) -> Result<HashSet<Hash>, Error> {
        Ok(self
            .recorded("sealed", "entry", |body| match body {
                Body::Sealed(sealed) => Some(sealed.content),
                _ => None,
            })?
            .into_iter()
            .map(|recorded| recorded.value)
            .collect())
    }

    fn check_same(&self, theirs: Uuid) -> Result<(), Error> {
        let ours = self.id()?;
        if ours == theirs {
            return Ok(());
        }
        Err(Error::Exchange(format!(
            "these are two programmes, not two copies of one: {ours} here, {theirs} there"
        )))
    }

    /// Takes what is good of a bundle, in one transaction. The same bundle twice changes nothing.
    ///
    /// # Errors
    /// Another programme's bundle, or a file that can't be written; nothing was changed then.
    pub fn accept(&mut self, now: jiff::Timestamp, bundle: &Bundle) -> Result<Accepted, Error> {
        self.check_same(bundle.programme)?;
        self.receive(now, bundle)
    }

    /// Exchanges with another programme file: both then have what either had (of what can be taken). A file that can't
    /// be written is only read.
    ///
    /// # Errors
    /// Another programme's file, or one that can't be read.
    pub fn merge_file(&mut self, now: jiff::Timestamp, other: &Path) -> Result<(Accepted, Accepted), Error> {
        let mut there = match Programme::open(other) {
            Err(Error::ReadOnly(_)) => Programme::open_read_only(other)?,
            opened => opened?,
        };
        let here = self.take_all(now, &there)?;
        let back = if there.is_writable() {
            there.take_all(now, self)?
        } else {
            Accepted::default()
        };
        // What the other side could only now vouch for (an enrolment that it had not seen) comes with a second round.
        let again = self.take_all(now, &there)?;
        Ok((sum(here, again), back))
    }

    /// Takes all that another open copy has, bundle by bundle.
    ///
    /// # Errors
    /// As [`Programme::accept`].
    pub fn take_all(&mut self, now: jiff::Timestamp, other: &Programme) -> Result<Accepted, Error> {
        let mut total = Accepted::default();
        loop {
            let asked = self.offer()?;
            let bundle = other.bundle(&asked, Scope::Everything, Limit::default())?;
            let accepted = self.accept(now, &bundle)?;
            let stuck = accepted.new == 0 && accepted.contents == 0;
            total = sum(total, accepted);
            // What came may name contents (a photo) that could not be asked for before.
            let answered = |hash| asked.wants.contains(hash);
            if stuck || (bundle.complete && self.offer()?.wants.iter().all(answered)) {
                return Ok(total);
            }
        }
    }

    /// Key of a device that is enrolled and was not withdrawn, and what it may be given on a day: what its holder's role
    /// needs. An office machine, which nobody holds alone, is given everything.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn device_key(&self, device: Uuid, day: Date) -> Result<Option<(PublicKey, Scope)>, Error> {
        let trust = Trust::of_facts(&self.db)?;
        let Some(enrolled) = trust.devices.get(&device).filter(|d| d.last_number.is_none()) else {
            return Ok(None);
        };
        let scope = match &enrolled.holder {
            None => Scope::Everything,
            Some(holder) => {
                let is = |role| trust.is(holder, role, day);
                if is(Role::Lead) || is(Role::Supervisor) || is(Role::Identifier) {
                    Scope::Everything
                } else if is(Role::Partner) && !is(Role::Inspector) && !is(Role::Clerk) {
                    Scope::Partner
                } else {
                    Scope::Crew
                }
            }
        };
        Ok(enrolled.key.map(|key| (key, scope)))
    }

    /// Signs a message that is no entry with this device's key.
    ///
    /// # Errors
    /// The key is not beside the file.
    pub fn sign(&self, message: &[u8]) -> Result<[u8; 64], Error> {
        Ok(self.key()?.sign_message(message))
    }

    /// The line with which this device asks to be enrolled.
    ///
    /// # Errors
    /// The key is not beside the file.
    pub fn request(&self) -> Result<Request, Error> {
        Ok(Request {
            device: self.device(),
            key: self.key()?.public(),
        })
    }
}

fn sum(a: Accepted, b: Accepted) -> Accepted {
    Accepted {
        new: a.new + b.new,
        known: a.known.max(b.known),
        contents: a.contents + b.contents,
        // What was held back in an earlier round may have come in a later one.
        held_back: b.held_back,
        conflicts: a.conflicts + b.conflicts,
    }
}

struct Filling<'b> {
    bundle: &'b mut Bundle,
    limit: Limit,
    bytes: usize,
    /// Entries that stand here in the place of the other side's last one.
    forked: Vec<Entry>,
}

impl Filling<'_> {
    /// Whether something of that size still goes in; if not, the other side must ask again. One thing always does.
    fn has_room(&mut self, bytes: usize) -> bool {
        let empty = self.bundle.entries.is_empty() && self.bundle.contents.is_empty();
        let fits = self.bundle.entries.len() < self.limit.entries && self.bytes + bytes <= self.limit.bytes;
        if empty || fits {
            self.bytes += bytes;
            return true;
        }
        self.bundle.complete = false;
        false
    }

    fn entries_of(&mut self, log: &dyn Log, head: &Head, known: Option<&Head>) -> Result<(), Error> {
        let mut from = known.map_or(1, |known| known.number + 1);
        if let Some(known) = known.filter(|known| known.number > 0) {
            // A chain that went two ways can't be continued. The other side can't know from a head beyond its own.
            match log.entries(head.device, known.number, 1)?.into_iter().next() {
                Some(entry) if entry.hash == known.hash => {}
                other => {
                    self.forked.extend(other);
                    return Ok(());
                }
            }
        }
        while from <= head.number && self.bundle.complete {
            let page = log.entries(
                head.device,
                from,
                crate::store::PAGE.min(self.limit.entries as u64 + 1),
            )?;
            let Some(last) = page.last() else { break };
            from = last.number + 1;
            for entry in page {
                if !self.entry(log, entry)? {
                    return Ok(());
                }
            }
        }
        Ok(())
    }

    /// Shows the other side where its chains and these differ: after all else, so that it never takes the room of what
    /// can be taken.
    fn tell_forks(&mut self, log: &dyn Log) -> Result<(), Error> {
        for entry in std::mem::take(&mut self.forked) {
            if !self.bundle.complete || !self.entry(log, entry)? {
                break;
            }
        }
        Ok(())
    }

    fn entry(&mut self, log: &dyn Log, entry: Entry) -> Result<bool, Error> {
        let needed = if entry.kind.ends_with("-loaded") {
            named(&entry.body()?).needed
        } else {
            Vec::new()
        };
        let mut contents = Vec::new();
        for hash in needed {
            if !self.bundle.contents.iter().any(|(there, _)| *there == hash) {
                contents.extend(log.content(hash)?.map(|bytes| (hash, bytes)));
            }
        }
        let bytes = entry.body_text.len() + contents.iter().map(|(_, bytes)| bytes.len()).sum::<usize>();
        if !self.has_room(bytes) {
            return Ok(false);
        }
        self.bundle.contents.extend(contents);
        self.bundle.entries.push(entry);
        Ok(true)
    }

    fn content(&mut self, log: &dyn Log, hash: Hash) -> Result<(), Error> {
        if self.bundle.contents.iter().any(|(there, _)| *there == hash) {
            return Ok(());
        }
        if let Some(bytes) = log.content(hash)?
            && self.has_room(bytes.len())
        {
            self.bundle.contents.push((hash, bytes));
        }
        Ok(())
    }
}

/// What is taken of a bundle, worked out before anything is written.
struct Sifted<'b> {
    entries: Vec<(&'b Entry, Body)>,
    known: u64,
    held_back: Vec<Held>,
}

/// Sifts a bundle against a journal: which entries continue their chains, whose signatures hold.
fn sift<'b>(db: &Connection, log: &dyn Log, bundle: &'b Bundle) -> Result<Sifted<'b>, Error> {
    let mut sifted = Sifted {
        entries: Vec::new(),
        known: 0,
        held_back: Vec::new(),
    };
    let given: HashMap<Hash, &[u8]> = bundle
        .contents
        .iter()
        .filter(|(hash, bytes)| Hash::of(bytes) == *hash)
        .map(|(hash, bytes)| (*hash, bytes.as_slice()))
        .collect();
    let mut chains: BTreeMap<Uuid, Vec<(&Entry, Body)>> = BTreeMap::new();
    for (device, entries) in by_device(&bundle.entries) {
        let chain = continued(log, device, entries, &given, &mut sifted)?;
        if !chain.is_empty() {
            chains.insert(device, chain);
        }
    }
    tell_forks(log, bundle, &mut sifted)?;
    vouch(db, chains, &mut sifted)?;
    Ok(sifted)
}

fn by_device(entries: &[Entry]) -> BTreeMap<Uuid, Vec<&Entry>> {
    let mut devices: BTreeMap<Uuid, Vec<&Entry>> = BTreeMap::new();
    for entry in entries {
        devices.entry(entry.device).or_default().push(entry);
    }
    devices
        .values_mut()
        .for_each(|entries| entries.sort_by_key(|e| e.number));
    devices
}

/// The entries that go on where this copy's chain of the device ends, as far as they are in order.
fn continued<'b>(
    log: &dyn Log,
    device: Uuid,
    entries: Vec<&'b Entry>,
    given: &HashMap<Hash, &[u8]>,
    sifted: &mut Sifted<'b>,
) -> Result<Vec<(&'b Entry, Body)>, Error> {
    let head = log.head(device)?;
    let (mut number, mut last) = head.map_or((0, None), |head| (head.number, Some(head.hash)));
    let mut last_id = match number {
        0 => Uuid::nil(),
        _ => log
            .entries(device, number, 1)?
            .first()
            .map_or(Uuid::nil(), |entry| entry.id),
    };
    let total = entries.len();
    let mut chain = Vec::new();
    for (i, entry) in entries.into_iter().enumerate() {
        let mut hold = |why: String| {
            sifted.held_back.push(Held {
                device,
                entries: (total - i) as u64,
                why,
            });
        };
        if entry.number <= number {
            match log.entries(device, entry.number, 1)?.first() {
                Some(there) if there.hash == entry.hash => {
                    sifted.known += 1;
                    continue;
                }
                _ => {
                    hold(fork_words(entry.number));
                    break;
                }
            }
        }
        if entry.number != number + 1 {
            hold(format!(
                "entries {} to {} are missing before it",
                number + 1,
                entry.number - 1
            ));
            break;
        }
        if entry.previous != last {
            hold(fork_words(entry.number));
            break;
        }
        if entry.digest() != entry.hash {
            hold(format!(
                "entry {} was changed: its hash does not match",
                entry.number
            ));
            break;
        }
        match fit(log, entry, last_id, given)? {
            Ok(body) => chain.push((entry, body)),
            Err(why) => {
                hold(format!("entry {}: {why}", entry.number));
                break;
            }
        }
        (number, last, last_id) = (entry.number, Some(entry.hash), entry.id);
    }
    Ok(chain)
}

fn fork_words(number: u64) -> String {
    format!(
        "the device wrote two different entries under number {number}: its file was copied with its key, or put back \
         from a backup; each side keeps its own"
    )
}

/// Whether an entry can be read, projected and kept; if not, why.
fn fit(
    log: &dyn Log,
    entry: &Entry,
    last_id: Uuid,
    given: &HashMap<Hash, &[u8]>,
) -> Result<Result<Body, String>, Error> {
    let body = match entry.body() {
        Ok(body) => body,
        Err(e) => return Ok(Err(e.to_string())),
    };
    if entry.id <= last_id || entry.id.get_version_num() != 7 {
        return Ok(Err("its id is not above that of the entry before it".into()));
    }
    if log.entry(entry.id)?.is_some() {
        return Ok(Err(format!("its id {} belongs to another entry", entry.id)));
    }
    let texts = [
        &entry.person,
        &entry.kind,
        &entry.event_time,
        &entry.recorded_time,
    ];
    if texts.iter().any(|text| text.contains('\0')) {
        return Ok(Err("a field holds a NUL character".into()));
    }
    for (name, time) in [("event", &entry.event_time), ("recorded", &entry.recorded_time)] {
        if time.parse::<jiff::Timestamp>().is_err() {
            return Ok(Err(format!("its {name} time {time:?} is no time")));
        }
    }
    if let Body::Loaded(loaded) = &body {
        let rows = loaded
            .chunks
            .iter()
            .try_fold(0_u64, |sum, chunk| sum.checked_add(chunk.rows));
        if rows != Some(loaded.rows) {
            return Ok(Err(
                "its chunks hold another number of records than it says".into()
            ));
        }
        for chunk in &loaded.chunks {
            let bytes = match given.get(&chunk.hash) {
                Some(bytes) => Some(Cow::Borrowed(*bytes)),
                None => log.content(chunk.hash)?.map(Cow::Owned),
            };
            let Some(bytes) = bytes.filter(|bytes| crate::chunk::is_intact(chunk, bytes)) else {
                return Ok(Err(format!(
                    "the contents {} that it needs did not come",
                    chunk.hash
                )));
            };
            // What can't be unpacked could never be shown, and would stop every rebuild.
            if let Err(e) = crate::load::try_unpack(loaded.what, chunk, &bytes) {
                return Ok(Err(e.to_string()));
            }
        }
    }
    Ok(Ok(body))
}

/// A sender whose head is one that this copy holds differently has another history of that device.
fn tell_forks(log: &dyn Log, bundle: &Bundle, sifted: &mut Sifted<'_>) -> Result<(), Error> {
    for theirs in &bundle.heads {
        let Some(ours) = log.head(theirs.device)? else {
            continue;
        };
        let told = sifted.held_back.iter().any(|held| held.device == theirs.device);
        if told || theirs.number > ours.number || theirs.number == 0 {
            continue;
        }
        let there = log.entries(theirs.device, theirs.number, 1)?;
        if there.first().is_none_or(|entry| entry.hash != theirs.hash) {
            sifted.held_back.push(Held {
                device: theirs.device,
                entries: 0,
                why: fork_words(theirs.number),
            });
        }
    }
    Ok(())
}

/// Takes the chains of devices that are enrolled, by what is here or by what comes along and is itself vouched for.
fn vouch<'b>(
    db: &Connection,
    mut chains: BTreeMap<Uuid, Vec<(&'b Entry, Body)>>,
    sifted: &mut Sifted<'b>,
) -> Result<(), Error> {
    let mut grants = Trust::grants(db)?;
    let mut trust = Trust::of(grants.clone());
    loop {
        let vouched: Vec<Uuid> = chains
            .keys()
            .copied()
            .filter(|device| trust.devices.contains_key(device))
            .collect();
        if vouched.is_empty() {
            break;
        }
        for device in vouched {
            let chain = chains.remove(&device).unwrap_or_default();
            // The founding device of a layout 1 file enrols its own key in the middle of its chain.
            let mut own = grants.clone();
            for (entry, _) in chain
                .iter()
                .filter(|(entry, _)| trust::KINDS.contains(&entry.kind.as_str()))
            {
                own.push(Grant::of_entry(entry)?);
            }
            let with_own = Trust::of(own);
            let good = chain
                .iter()
                .position(|(entry, _)| check_proof(entry, Some(&with_own)).is_err())
                .unwrap_or(chain.len());
            if let Some((entry, _)) = chain.get(good) {
                sifted.held_back.push(Held {
                    device,
                    entries: (chain.len() - good) as u64,
                    why: format!("entry {} is not signed with the device's key", entry.number),
                });
            }
            for (entry, body) in chain.into_iter().take(good) {
                if trust::KINDS.contains(&entry.kind.as_str()) {
                    grants.push(Grant::of_entry(entry)?);
                }
                sifted.entries.push((entry, body));
            }
        }
        trust = Trust::of(grants.clone());
    }
    for (device, chain) in chains {
        sifted.held_back.push(Held {
            device,
            entries: chain.len() as u64,
            why:
                "the device is not enrolled: a lead enrols it, then these entries come with the next exchange"
                    .into(),
        });
    }
    Ok(())
}

/// Writes what was sifted, and says what became of the bundle.
pub(crate) fn take(
    db: &Connection,
    log: &dyn Writing,
    projector: &mut crate::project::Projector<'_>,
    bundle: &Bundle,
) -> Result<(Accepted, Vec<ClockRead>), Error> {
    let sifted = sift(db, log, bundle)?;
    let mut accepted = Accepted {
        known: sifted.known,
        held_back: sifted.held_back,
        ..Accepted::default()
    };
    let mut wanted: BTreeSet<Hash> = BTreeSet::new();
    for (_, body) in &sifted.entries {
        let named = named(body);
        wanted.extend(named.needed);
        wanted.extend(named.later);
    }
    for (hash, bytes) in &bundle.contents {
        let asked_for = wanted.contains(hash) || crate::project::facts::is_awaited(db, *hash)?;
        if asked_for && Hash::of(bytes) == *hash && !log.has_content(*hash)? {
            log.put_content(*hash, bytes)?;
            projector.content_came(*hash)?;
            accepted.contents += 1;
        }
    }
    let mut clocks = Vec::new();
    for (entry, body) in &sifted.entries {
        log.insert(entry)?;
        projector.add(entry, body)?;
        clocks.push(ClockRead {
            device: entry.device,
            number: entry.number,
            recorded: entry.recorded_time.clone(),
        });
        accepted.new += 1;
    }
    Ok((accepted, clocks))
}

/// When an entry that came was recorded, by its own device's clock.
pub(crate) struct ClockRead {
    device: Uuid,
    number: u64,
    recorded: String,
}

/// Writes down which clocks were ahead of this one: whoever receives is the only one to see it.
pub(crate) fn note_clocks(
    session: &mut Session<'_>,
    now: jiff::Timestamp,
    clocks: &[ClockRead],
) -> Result<(), Error> {
    let mut worst: BTreeMap<Uuid, (i64, u64)> = BTreeMap::new();
    for read in clocks {
        let Ok(recorded) = read.recorded.parse::<jiff::Timestamp>() else {
            continue;
        };
        let ahead = recorded.as_second() - now.as_second();
        if ahead > CLOCK_S {
            let seen = worst.entry(read.device).or_insert((ahead, read.number));
            *seen = (*seen).max((ahead, read.number));
        }
    }
    let act = Act::new("journal", now.to_zoned_datetime(jiff::tz::TimeZone::UTC))?;
    for (device, (ahead_s, number)) in worst {
        let seen = ClockSeen {
            device,
            number,
            ahead_s,
        };
        session.write(&act, &Draft::from(Body::ClockSeen(seen)))?;
    }
    Ok(())
}
