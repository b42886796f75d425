//! The chain of work over a programme file: what each command needs, joined once and in one way.
//!
//! Everything here reads a [`Programme`] and hands plain data to the model and the planner; nothing here writes.

pub(crate) mod assure;
pub(crate) mod ground;
pub(crate) mod report;
pub(crate) mod siting;
pub(crate) mod weather;

use anyhow::{Result, bail};
use earlywood_journal::body::PlantingOutcome;
use earlywood_journal::{Body, Determination, Draft, Programme};
use earlywood_model::profile::{self, TargetProfile};
use jiff::civil::Date;

/// The profile of a target: the programme's own if it has adopted one, else the shipped one.
pub(crate) fn target(programme: &Programme, id: &str) -> Result<TargetProfile> {
    if let Some(own) = programme.profiles()?.into_iter().find(|p| p.profile.id == id) {
        return Ok(own.profile);
    }
    Ok(profile::by_id(id)?.clone())
}

/// The target meant when none was named: the only one the programme has adopted or baited for.
pub(crate) fn target_or_only(programme: &Programme, id: Option<&str>) -> Result<TargetProfile> {
    if let Some(id) = id {
        return target(programme, id);
    }
    let mut ids: Vec<String> = programme.profiles()?.into_iter().map(|p| p.profile.id).collect();
    ids.extend(programme.placements()?.into_iter().flat_map(|p| p.targets));
    ids.sort();
    ids.dedup();
    match ids.as_slice() {
        [only] => target(programme, only),
        [] => bail!("name a target with --target (earlywood targets lists those that ship)"),
        several => bail!(
            "this programme has several targets; name one with --target: {}",
            several.join(", ")
        ),
    }
}

/// A determination made on a day, ready for the journal: the entry's event time is when it was said, the body's date
/// when the specimen was taken.
pub(crate) fn determination_on(day: Date, determination: Determination) -> Result<Draft> {
    let midnight = day.to_zoned_datetime(jiff::tz::TimeZone::system())?;
    Ok(Draft {
        event_time: Some(midnight.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()),
        body: Body::Determination(determination),
    })
}

/// Planted specimens recovered, and recovered or missed. One that was lost says nothing about the look.
pub(crate) fn audit(programme: &Programme) -> Result<(u64, u64)> {
    let mut counts = (0, 0);
    for closed in programme.plantings_closed()? {
        match closed.value.outcome {
            PlantingOutcome::Recovered { .. } => counts = (counts.0 + 1, counts.1 + 1),
            PlantingOutcome::Missed {} => counts.1 += 1,
            PlantingOutcome::Lost {} => {}
        }
    }
    Ok(counts)
}
