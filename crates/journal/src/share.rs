//! A store that several copies share: the journal of a PostgreSQL server, say. A copy takes from it what it lacks before
//! it changes anything, under the store's lock, and gives it what is new before its own file keeps the change.
//!
//! So the shared store's entries are in one order of commits for everybody, each office has the whole programme in its
//! own file, reads from that, and can go on reading when the server is away.

use rusqlite::Connection;

use crate::entry::Entry;
use crate::error::Error;
use crate::exchange::{self, named};
use crate::hash::Hash;
use crate::programme::Programme;
use crate::project::Projector;
use crate::store::{Log, PAGE, Store, Writing};
use crate::sync::Bundle;
use crate::trust::Trust;
use crate::verify::Head;

/// Entries taken at a time, so that a large journal need not fit into memory.
const AT_ONCE: usize = 20_000;

/// Brings the file up to what the shared store holds.
pub(crate) fn pull(db: &Connection, log: &dyn Writing, shared: &dyn Log) -> Result<(), Error> {
    loop {
        let bundle = lacking(log, shared)?;
        if bundle.entries.is_empty() {
            return Ok(());
        }
        let mut projector = Projector::new(db, log, Trust::of_facts(db)?);
        let (accepted, _) = exchange::take(db, log, &mut projector, &bundle)?;
        projector.settle()?;
        // What was held back may be vouched for by what comes next; when nothing came, nothing will.
        if accepted.new > 0 {
            continue;
        }
        if let Some(held) = accepted.held_back.first() {
            return Err(Error::Exchange(format!(
                "the shared store has {} entries of device {} that can't be taken: {}",
                held.entries, held.device, held.why
            )));
        }
        return Ok(());
    }
}

/// What the shared store has and the file has not, up to a limit. All devices' enrolments come before what rests on them
/// because a device's entries are taken from the oldest on, and the rest is asked for again.
fn lacking(log: &dyn Log, shared: &dyn Log) -> Result<Bundle, Error> {
    let heads = shared.heads()?;
    let mut entries: Vec<Entry> = Vec::new();
    for head in &heads {
        let mut from = log.head(head.device)?.map_or(1, |ours| ours.number + 1);
        while from <= head.number && entries.len() < AT_ONCE {
            let page = shared.entries(head.device, from, PAGE)?;
            let Some(last) = page.last() else { break };
            from = last.number + 1;
            entries.extend(page);
        }
    }
    let mut contents = Vec::new();
    for entry in &entries {
        for hash in all_named(entry)? {
            if !log.has_content(hash)? {
                contents.extend(shared.content(hash)?.map(|bytes| (hash, bytes)));
            }
        }
    }
    contents.sort_by_key(|(hash, _)| *hash);
    contents.dedup_by_key(|(hash, _)| *hash);
    Ok(Bundle {
        programme: uuid::Uuid::nil(),
        heads,
        wants: Vec::new(),
        entries,
        contents,
        complete: true,
    })
}

fn all_named(entry: &Entry) -> Result<Vec<Hash>, Error> {
    // A body that can't be read is not this one's to judge.
    let Ok(body) = entry.body() else {
        return Ok(Vec::new());
    };
    let named = named(&body);
    Ok(named.needed.into_iter().chain(named.later).collect())
}

/// Gives the shared store what the file has and it has not.
pub(crate) fn push(log: &dyn Log, shared: &dyn Writing) -> Result<(), Error> {
    for head in log.heads()? {
        let there = shared.head(head.device)?;
        if there.is_some_and(|there| there.number >= head.number) {
            continue;
        }
        let mut from = there.map_or(1, |there| there.number + 1);
        while from <= head.number {
            let page = log.entries(head.device, from, PAGE)?;
            let Some(last) = page.last() else { break };
            from = last.number + 1;
            for entry in &page {
                for hash in all_named(entry)? {
                    if let Some(bytes) = log.content(hash)?
                        && !shared.has_content(hash)?
                    {
                        shared.put_content(hash, &bytes)?;
                    }
                }
                shared.insert(entry)?;
            }
        }
    }
    shared.flush()
}

/// What a copy between stores came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Copied {
    /// Entries that the target now holds.
    pub entries: u64,
    /// Contents that were given.
    pub contents: u64,
    /// People of whom the side table tells something.
    pub people: u64,
    /// The heads, the same on both sides: equal heads are equal journals.
    pub heads: Vec<Head>,
}

/// Copies a whole journal into another store, side table of people included, and proves by the heads' hashes and every
/// content's hash that it is the same. What the target has already (a copy that was cut off) is not sent again.
///
/// # Errors
/// A target that holds another journal; a store that can't be read or written.
pub fn copy_journal(from: &dyn Log, to: &mut dyn Store) -> Result<Copied, Error> {
    let writing = to.write()?;
    for theirs in writing.heads()? {
        let ours = from.entries(theirs.device, theirs.number, 1)?;
        if ours.first().is_none_or(|entry| entry.hash != theirs.hash) {
            return Err(Error::Exchange(format!(
                "the target holds entries of device {} that are not these: it is another journal, or further on",
                theirs.device
            )));
        }
    }
    push(from, &*writing)?;
    let people = from.people()?;
    for person in &people {
        writing.set_private(person, from.private(person)?.as_deref())?;
    }
    writing.commit()?;
    prove(from, to, people.len() as u64)
}

/// Walks the target and compares it with the source.
fn prove(from: &dyn Log, to: &mut dyn Store, people: u64) -> Result<Copied, Error> {
    let there = to.read()?;
    let heads = from.heads()?;
    if there.heads()? != heads {
        return Err(Error::Exchange(
            "the copy does not end where the original ends".into(),
        ));
    }
    let proof = crate::verify::verify_log(&*there)?;
    if let Some(bad) = proof.first_bad {
        return Err(Error::Exchange(format!("the copy does not verify: {bad}")));
    }
    Ok(Copied {
        entries: proof.entries,
        contents: proof.chunks,
        people,
        heads,
    })
}

impl Programme {
    /// Copies this programme's journal and side table into another store, proved by hash.
    ///
    /// # Errors
    /// As [`copy_journal`].
    pub fn copy_to(&self, to: &mut dyn Store) -> Result<Copied, Error> {
        // One moment, whatever others append to the file meanwhile.
        let moment = self.db.unchecked_transaction()?;
        copy_journal(&crate::store::sqlite::SqliteLog(&*moment), to)
    }

    /// From now on (until the file is closed) this copy shares a store with others: every change takes what is new there
    /// and is kept there too before it returns.
    ///
    /// # Errors
    /// A store that can't be read, holds another programme, or holds what can't be taken.
    pub fn share(&mut self, mut store: Box<dyn Store>) -> Result<(), Error> {
        {
            let shared = store.write()?;
            let tx = self
                .db
                .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            let log = crate::store::sqlite::SqliteLog(&*tx);
            check_common_root(&log, &*shared)?;
            pull(&tx, &log, &*shared)?;
            push(&log, &*shared)?;
            shared.commit()?;
            tx.commit()?;
        }
        self.shared = Some(store);
        Ok(())
    }

    /// Takes what is new in the shared store, if there is one.
    ///
    /// # Errors
    /// As [`Programme::share`].
    pub fn refresh(&mut self) -> Result<(), Error> {
        let Some(store) = &mut self.shared else {
            return Ok(());
        };
        let shared = store.read()?;
        let tx = self
            .db
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        pull(&tx, &crate::store::sqlite::SqliteLog(&*tx), &*shared)?;
        tx.commit()?;
        Ok(())
    }
}

/// An empty store takes any programme; one that holds something must hold this one.
fn check_common_root(log: &dyn Log, shared: &dyn Log) -> Result<(), Error> {
    let founding = |log: &dyn Log| -> Result<Option<uuid::Uuid>, Error> {
        Ok(log
            .of_kinds(&["programme-set-up"])?
            .iter()
            .map(|entry| entry.id)
            .min())
    };
    match founding(shared)? {
        Some(theirs) if Some(theirs) != founding(log)? => {
            Err(Error::Exchange("the shared store holds another programme".into()))
        }
        _ => Ok(()),
    }
}
