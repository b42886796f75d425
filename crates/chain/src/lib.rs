//! The steps of the job over a programme file, joined once and in one way for everything that takes them: the command
//! line, the server, the demo.
//!
//! Everything here reads a [`Programme`] (a few named steps write one) and hands plain data to the model and the planner.
//! Nothing prints, nothing reads a clock, nothing is kept between calls but what a caller holds in its hands.
//!
//! * [`ground`], [`weather`], [`assure`], [`siting`]: from the programme to the inputs of the model, and its answer.
//! * [`plan`], [`season`], [`load`]: what is worked out, and then written down.
//! * [`morning`], [`figures`], [`map`], [`bench`], [`network`]: what people look at, as plain data; [`desk`] keeps what takes
//!   long to work out.

pub mod assure;
pub mod bench;
pub mod desk;
pub mod draft;
pub mod due;
mod error;
pub mod figures;
pub mod ground;
pub mod load;
pub mod map;
pub mod morning;
pub mod network;
pub mod phone;
pub mod plan;
pub mod preview;
pub mod response;
pub mod rounds;
pub mod season;
mod shelf;
pub mod siting;
pub mod stores;
pub mod trees;
pub mod view;
pub mod weather;
pub mod wording;

use earlywood_journal::body::PlantingOutcome;
use earlywood_journal::{Body, Determination, Draft, Programme};
use earlywood_model::profile::{self, TargetProfile};
use jiff::civil::Date;

pub use desk::Desk;
pub use error::{ChainError, Choice, Lack};

/// Things worth knowing that are no part of the answer.
pub type Notes = Vec<String>;

/// The profile of a target: the programme's own if it has adopted one, else the shipped one.
///
/// # Errors
/// A target that nobody knows.
pub fn target(programme: &Programme, id: &str) -> Result<TargetProfile, ChainError> {
    if let Some(own) = programme.profiles()?.into_iter().find(|p| p.profile.id == id) {
        return Ok(own.profile);
    }
    Ok(profile::by_id(id)?.clone())
}

/// The target meant when none was named: the only one the programme has adopted or baited for.
///
/// # Errors
/// A target that nobody knows; none named, and not exactly one to be meant.
pub fn target_or_only(programme: &Programme, id: Option<&str>) -> Result<TargetProfile, ChainError> {
    if let Some(id) = id {
        return target(programme, id);
    }
    let mut ids: Vec<String> = programme.profiles()?.into_iter().map(|p| p.profile.id).collect();
    ids.extend(programme.placements()?.into_iter().flat_map(|p| p.targets));
    ids.sort();
    ids.dedup();
    match ids.as_slice() {
        [only] => target(programme, only),
        [] => Err(Lack::Target.into()),
        _ => Err(ChainError::Several {
            what: Choice::Target,
            among: ids,
        }),
    }
}

/// A determination made on a day, ready for the journal: the entry's event time is when it was said, the body's date
/// when the specimen was taken.
///
/// # Errors
/// A day without a midnight.
pub fn determination_on(day: Date, determination: Determination) -> Result<Draft, ChainError> {
    let midnight = day.to_zoned_datetime(jiff::tz::TimeZone::system())?;
    Ok(Draft {
        event_time: Some(midnight.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()),
        body: Body::Determination(determination),
    })
}

/// Planted specimens recovered, and recovered or missed. One that was lost says nothing about the look.
///
/// # Errors
/// A programme that can't be read.
pub fn audit(programme: &Programme) -> Result<(u64, u64), ChainError> {
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
