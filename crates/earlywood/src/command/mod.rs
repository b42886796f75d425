//! One file a command: its options, what it does in one page, what it says.

pub(crate) mod ask;
pub(crate) mod assurance;
pub(crate) mod demo;
mod exchange;
pub(crate) mod export;
pub(crate) mod field;
pub(crate) mod init;
pub(crate) mod journal;
pub(crate) mod load;
pub(crate) mod people;
pub(crate) mod place;
pub(crate) mod plant;
pub(crate) mod print;
mod record;
pub(crate) mod response;
pub(crate) mod rounds;
pub(crate) mod season;
pub(crate) mod serve;
pub(crate) mod sheet;
pub(crate) mod specimen;
pub(crate) mod supply;
pub(crate) mod targets;

use anyhow::{Context, Result};
use earlywood_journal::{Act, Programme};
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::{ActorArg, FileArg};

/// The act of this person, now: the one place where the clock enters.
pub(crate) fn act(actor: &ActorArg) -> Result<Act> {
    Ok(Act::new(&actor.who, jiff::ZonedDateTime::now())?)
}

/// Today, on this machine's clock.
pub(crate) fn today() -> Date {
    jiff::ZonedDateTime::now().date()
}

/// The time zone of a programme's times: the one named, else the one that its rounds were adopted with, else this machine's.
pub(crate) fn zone(programme: &Programme, named: Option<&str>) -> Result<TimeZone> {
    let name = match named {
        Some(name) => Some(name.to_owned()),
        None => earlywood_chain::rounds::named_zone(programme)?,
    };
    let Some(name) = name else {
        return Ok(TimeZone::system());
    };
    TimeZone::get(&name).map_err(|_| {
        anyhow::anyhow!(
            "{name:?} is no time zone; write one of the IANA list, as Europe/Vienna or America/Denver"
        )
    })
}

/// Opens a programme file to write to it.
pub(crate) fn open(file: &FileArg) -> Result<Programme> {
    Programme::open(&file.file).with_context(|| format!("{}", file.file.display()))
}

/// Opens a programme file to read it.
pub(crate) fn read(file: &FileArg) -> Result<Programme> {
    Programme::open_read_only(&file.file).with_context(|| format!("{}", file.file.display()))
}
