//! Where a journal is kept: the entries, the contents that they name, and the erasable side table of people.
//!
//! A store keeps what happened and nothing else; what follows from it (the projections) is computed beside it. Two
//! stores are the same journal when their heads are the same, since a head's hash covers its whole chain.

#[cfg(feature = "postgres")]
pub(crate) mod postgres;
pub(crate) mod sqlite;

use uuid::Uuid;

use crate::entry::Entry;
use crate::error::Error;
use crate::hash::Hash;
use crate::verify::Head;

#[cfg(feature = "postgres")]
pub use postgres::PostgresStore;
pub use sqlite::SqliteStore;

/// One moment of one journal, to be read.
pub trait Log {
    /// Every device that has an entry here.
    ///
    /// # Errors
    /// A store that can't be read; so for every method of this trait.
    fn devices(&self) -> Result<Vec<Uuid>, Error>;

    /// The end of a device's chain as it was written.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn head(&self, device: Uuid) -> Result<Option<Head>, Error>;

    /// The end of every device's chain as it was written, by device.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn heads(&self) -> Result<Vec<Head>, Error>;

    /// One entry.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn entry(&self, id: Uuid) -> Result<Option<Entry>, Error>;

    /// A device's entries from number `from` on, ascending, at most `limit`.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn entries(&self, device: Uuid, from: u64, limit: u64) -> Result<Vec<Entry>, Error>;

    /// Whether a content is here.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn has_content(&self, hash: Hash) -> Result<bool, Error>;

    /// The bytes of a content.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn content(&self, hash: Hash) -> Result<Option<Vec<u8>>, Error>;

    /// What the side table says of a person: JSON text.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn private(&self, person: &str) -> Result<Option<String>, Error>;

    /// Everyone of whom the side table says something, by id.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn people(&self) -> Result<Vec<String>, Error>;

    /// Every entry of some kinds, in no order.
    ///
    /// # Errors
    /// As [`Log::devices`].
    fn of_kinds(&self, kinds: &[&str]) -> Result<Vec<Entry>, Error> {
        let mut found = Vec::new();
        self.each(&mut |entry| {
            if kinds.contains(&entry.kind.as_str()) {
                found.push(entry);
            }
            Ok(())
        })?;
        Ok(found)
    }

    /// Every entry: each device's in the order of their numbers, the devices one after another.
    ///
    /// # Errors
    /// As [`Log::devices`]; also what `each` returns.
    fn each(&self, each: &mut dyn FnMut(Entry) -> Result<(), Error>) -> Result<(), Error> {
        for device in self.devices()? {
            let mut from = 1;
            loop {
                let page = self.entries(device, from, PAGE)?;
                let Some(last) = page.last() else { break };
                from = last.number + 1;
                page.into_iter().try_for_each(&mut *each)?;
            }
        }
        Ok(())
    }
}

/// Entries read at a time.
pub(crate) const PAGE: u64 = 2_000;

/// The one writer of a journal. Dropped without [`Writing::commit`], nothing happened.
pub trait Writing: Log {
    /// Adds an entry and moves its device's head. The caller has checked that it continues the chain.
    ///
    /// # Errors
    /// An entry whose id or number is there already, or a store that can't be written; so for every method of this
    /// trait.
    fn insert(&self, entry: &Entry) -> Result<(), Error>;

    /// Adds a content; the same content is stored once.
    ///
    /// # Errors
    /// As [`Writing::insert`].
    fn put_content(&self, hash: Hash, bytes: &[u8]) -> Result<(), Error>;

    /// Puts (`Some`) or erases (`None`) what the side table says of a person.
    ///
    /// # Errors
    /// As [`Writing::insert`].
    fn set_private(&self, person: &str, json: Option<&str>) -> Result<(), Error>;

    /// Sends what was gathered, so that a refusal by the store shows now.
    ///
    /// # Errors
    /// As [`Writing::insert`].
    fn flush(&self) -> Result<(), Error>;

    /// Has everything on the disk: when this returns `Ok`, it is there.
    ///
    /// # Errors
    /// As [`Writing::insert`]; nothing was written then.
    fn commit(self: Box<Self>) -> Result<(), Error>;
}

/// A place where a journal is kept.
pub trait Store: Send {
    /// Waits for the other writers and becomes the one writer.
    ///
    /// # Errors
    /// A store that can't be reached or written, or another writer that takes too long.
    fn write(&mut self) -> Result<Box<dyn Writing + '_>, Error>;

    /// Reads one moment, whatever others write meanwhile.
    ///
    /// # Errors
    /// A store that can't be reached.
    fn read(&mut self) -> Result<Box<dyn Log + '_>, Error>;
}
