//! The chain of work over a programme file: what each command needs, joined once and in one way.
//!
//! Everything here reads a [`Programme`] and hands plain data to the model and the planner; nothing here writes.

pub(crate) mod assure;
pub(crate) mod ground;
pub(crate) mod report;
pub(crate) mod siting;
pub(crate) mod weather;

use anyhow::{Result, bail};
use earlywood_journal::{Body, Determination, Draft, Programme, Recorded};
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

/// The day a determination was made: nobody knew before.
pub(crate) fn determined_on(programme: &Programme, made: &Recorded<Determination>) -> Result<Date> {
    let entry = programme.entry(made.entry)?;
    let day = entry.and_then(|e| e.event_time.get(..10).and_then(|text| text.parse().ok()));
    Ok(day.unwrap_or(made.value.date))
}
