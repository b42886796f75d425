//! Plantings: what sealed entries hold, on the devices that were given their contents.

use rusqlite::{Connection, params};

use super::facts_of;
use super::record_text;
use crate::body::{Body, Planting};
use crate::error::Error;
use crate::store::Log;

/// Opens what can be opened. Gives the traps in which anything was planted.
pub(crate) fn refresh(db: &Connection, log: &dyn Log) -> Result<Vec<String>, Error> {
    db.execute("DELETE FROM plantings", [])?;
    let mut traps = Vec::new();
    for fact in facts_of(db, "sealed", "sealed")? {
        let Body::Sealed(sealed) = fact.body()? else {
            continue;
        };
        let Some(bytes) = log.content(sealed.content)? else {
            continue;
        };
        // What can't be read plants nothing; the entry that names it stands all the same.
        let Ok(planting) = Planting::read(&bytes) else {
            continue;
        };
        let text = record_text(&planting)?;
        db.prepare_cached(
            "INSERT OR IGNORE INTO plantings (planting, entry, trap, day, body) VALUES (?, ?, ?, ?, ?)",
        )?
        .execute(params![
            planting.planting,
            fact.entry.as_bytes(),
            planting.trap,
            planting.date.to_string(),
            text
        ])?;
        traps.push(planting.trap);
    }
    Ok(traps)
}
