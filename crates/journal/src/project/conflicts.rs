//! What two people did that can't both be: listed, never settled in silence.

use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use super::facts_of;
use super::record_text;
use crate::error::Error;

/// A conflict about to be listed.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Conflict {
    pub(crate) kind: &'static str,
    /// The entries that can't all stand, in the canonical order.
    pub(crate) entries: Vec<Uuid>,
    pub(crate) words: String,
}

impl Conflict {
    /// A move that the state did not allow: it changed nothing.
    pub(crate) fn illegal(entry: Uuid, why: &dyn std::fmt::Display) -> Self {
        Conflict {
            kind: "not-possible",
            entries: vec![entry],
            words: why.to_string(),
        }
    }

    /// The same on every copy that has the same entries.
    pub(crate) fn id(&self, subject: &str) -> String {
        let mut hasher = blake3::Hasher::new();
        for part in ["earlywood/conflict/1", self.kind, subject] {
            hasher.update(&(part.len() as u64).to_be_bytes());
            hasher.update(part.as_bytes());
        }
        for entry in &self.entries {
            hasher.update(entry.as_bytes());
        }
        hasher.finalize().to_hex().to_string()
    }
}

/// Key of a conflict as a subject.
pub(crate) fn conflict_subject(id: &str) -> String {
    format!("conflict:{id}")
}

/// Puts these conflicts in the place of the subject's old ones.
pub(crate) fn replace(db: &Connection, subject: &str, found: Vec<Conflict>) -> Result<(), Error> {
    db.prepare_cached("DELETE FROM conflicts WHERE subject = ?")?
        .execute([subject])?;
    for conflict in found {
        let id = conflict.id(subject);
        let settled = settled_by(db, &id)?;
        let entries: Vec<String> = conflict.entries.iter().map(Uuid::to_string).collect();
        db.prepare_cached(
            "INSERT OR REPLACE INTO conflicts (id, subject, kind, entries, words, settled_by) VALUES (?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            id,
            subject,
            conflict.kind,
            record_text(&entries)?,
            conflict.words,
            settled.as_ref().map(Uuid::as_bytes)
        ])?;
    }
    Ok(())
}

/// A settlement has arrived: marks its conflict, if it is listed here.
pub(crate) fn settle(db: &Connection, id: &str) -> Result<(), Error> {
    let by = settled_by(db, id)?;
    db.prepare_cached("UPDATE conflicts SET settled_by = ? WHERE id = ?")?
        .execute(params![by.as_ref().map(Uuid::as_bytes), id])?;
    Ok(())
}

fn settled_by(db: &Connection, id: &str) -> Result<Option<Uuid>, Error> {
    Ok(facts_of(db, &conflict_subject(id), "conflict-settled")?
        .first()
        .map(|fact| fact.entry))
}

/// A conflict as it is listed.
pub(crate) struct Listed {
    pub(crate) entries: Vec<Uuid>,
    pub(crate) settled_by: Option<Uuid>,
}

/// The conflict of that id, if it is listed here.
pub(crate) fn listed(db: &Connection, id: &str) -> Result<Option<Listed>, Error> {
    let mut select = db.prepare_cached("SELECT entries, settled_by FROM conflicts WHERE id = ?")?;
    let row = select
        .query_row([id], |row| {
            Ok((row.get::<_, String>(0)?, row.get::<_, Option<[u8; 16]>>(1)?))
        })
        .optional()?;
    row.map(|(entries, by)| {
        Ok(Listed {
            entries: serde_json::from_str(&entries)
                .map_err(|e| Error::Damaged(format!("a conflict can't be read: {e}")))?,
            settled_by: by.map(Uuid::from_bytes),
        })
    })
    .transpose()
}

/// How many conflicts wait for a supervisor.
pub(crate) fn open(db: &Connection) -> Result<u64, Error> {
    let mut select = db.prepare_cached("SELECT count(*) FROM conflicts WHERE settled_by IS NULL")?;
    Ok(select.query_row([], |row| row.get::<_, i64>(0))?.unsigned_abs())
}
