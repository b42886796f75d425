//! The journal as somebody reads it: page by page, the newest first; and several answers of one moment.

use jiff::civil::Date;
use rusqlite::params;
use uuid::Uuid;

use crate::body::AuthorityGranted;
use crate::entry::{COLUMNS, Entry};
use crate::error::Error;
use crate::programme::Programme;
use crate::trust::Trust;

/// Which entries [`Programme::page`] gives.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PageFilter {
    /// Of this kind only.
    pub kind: Option<String>,
    /// Recorded by this person only.
    pub person: Option<String>,
    /// Written by this device only.
    pub device: Option<Uuid>,
    /// About this subject only ("trap:A-1").
    pub subject: Option<String>,
    /// With this text in the body only, upper and lower case alike where they are ASCII.
    pub text: Option<String>,
    /// Older than this entry only: the last of the page before.
    pub before: Option<Uuid>,
    /// At most so many.
    pub limit: usize,
}

/// An entry of a page, and what later entries say of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Paged {
    /// The entry as it was written.
    pub entry: Entry,
    /// The last correction that changed what it says.
    pub corrected_by: Option<Uuid>,
    /// The correction that withdrew it.
    pub withdrawn_by: Option<Uuid>,
}

/// Kinds with fewer entries are looked up by kind, the others found on the way through the newest.
const RARE: i64 = 20_000;

impl Programme {
    /// Entries by the moment of their ids, the newest first.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn page(&self, filter: &PageFilter) -> Result<Vec<Paged>, Error> {
        let before = filter.before.unwrap_or(Uuid::max());
        let is_rare = match &filter.kind {
            None => false,
            Some(kind) => {
                let count = "SELECT count(*) FROM (SELECT 1 FROM facts WHERE kind = ?1 LIMIT ?2)";
                let mut count = self.db.prepare_cached(count)?;
                count.query_row(params![kind, RARE], |row| row.get::<_, i64>(0))? < RARE
            }
        };
        let kind = match is_rare {
            true => "id IN (SELECT entry FROM facts WHERE kind = ?2)",
            false => "(?2 IS NULL OR kind = ?2)",
        };
        let subject = match &filter.subject {
            Some(_) => {
                "id IN (SELECT entry FROM touches WHERE subject = ?5 UNION SELECT entry FROM facts WHERE subject = ?5)"
            }
            None => "?5 IS NULL",
        };
        let escaped = filter.text.as_ref().map(|text| {
            format!(
                "%{}%",
                text.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_")
            )
        });
        let mut select = self.db.prepare_cached(&format!(
            "SELECT {COLUMNS}, (SELECT corrected_by FROM facts WHERE entry = entries.id),
                    (SELECT withdrawn_by FROM facts WHERE entry = entries.id)
             FROM entries WHERE id < ?1 AND {kind} AND (?3 IS NULL OR person = ?3) AND (?4 IS NULL OR device = ?4)
             AND {subject} AND (?6 IS NULL OR body LIKE ?6 ESCAPE '\\') ORDER BY id DESC LIMIT ?7"
        ))?;
        let limit = i64::try_from(filter.limit).unwrap_or(i64::MAX);
        let rows = select.query_map(
            params![
                before.as_bytes(),
                filter.kind,
                filter.person,
                filter.device.map(Uuid::into_bytes),
                filter.subject,
                escaped,
                limit
            ],
            |row| {
                let optional = |column| {
                    Ok::<_, rusqlite::Error>(row.get::<_, Option<[u8; 16]>>(column)?.map(Uuid::from_bytes))
                };
                Ok(Paged {
                    entry: Entry::from_row(row)?,
                    corrected_by: optional(12)?,
                    withdrawn_by: optional(13)?,
                })
            },
        )?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What later entries say of one entry.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn paged(&self, id: Uuid) -> Result<Option<Paged>, Error> {
        let Some(entry) = self.entry(id)? else {
            return Ok(None);
        };
        let fact = crate::project::fact(&self.db, id)?;
        Ok(Some(Paged {
            entry,
            corrected_by: fact.as_ref().and_then(|fact| fact.corrected_by),
            withdrawn_by: fact.as_ref().and_then(|fact| fact.withdrawn_by),
        }))
    }

    /// How many entries there are. It grows with every entry, so that what was computed can be kept under it.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn revision(&self) -> Result<u64, Error> {
        let mut select = self
            .db
            .prepare_cached("SELECT coalesce(sum(number), 0) FROM heads")?;
        Ok(select.query_row([], |row| row.get::<_, i64>(0))?.unsigned_abs())
    }

    /// Does all reading of `work` at one moment, whatever others append meanwhile. It may not verify or back up the
    /// file, which look for a moment of their own.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn at_one_moment<T>(&self, work: impl FnOnce(&Self) -> T) -> Result<T, Error> {
        let moment = self.db.unchecked_transaction()?;
        let done = work(self);
        moment.finish()?;
        Ok(done)
    }

    /// Every authority that was granted to identifiers, the oldest first; of those for one taxon the newest counts.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn authorities(&self) -> Result<Vec<AuthorityGranted>, Error> {
        let trust = Trust::of_facts(&self.db)?;
        Ok(trust
            .authorities()
            .iter()
            .map(|(_, granted)| granted.clone())
            .collect())
    }

    /// The person who holds a device that is enrolled and was not withdrawn, and has a role on that day.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn holder(&self, device: Uuid, day: Date) -> Result<Option<String>, Error> {
        let trust = Trust::of_facts(&self.db)?;
        let known = trust
            .devices
            .get(&device)
            .filter(|known| known.last_number.is_none());
        let holder = known.and_then(|known| known.holder.clone());
        Ok(holder.filter(|person| !trust.roles(person, day).is_empty()))
    }
}
