//! What can go wrong, in plain words.

use std::path::PathBuf;

use earlywood_model::error::ModelError;
use jiff::civil::Date;
use uuid::Uuid;

use crate::body::What;
use crate::machine::{find, specimen, trap};
use crate::verify::Head;

/// Why the programme file did not do what was asked. Nothing is changed when an error is returned.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// There is no such file.
    #[error("{} does not exist", path.display())]
    NotFound {
        /// The file.
        path: PathBuf,
    },
    /// A file would be overwritten.
    #[error("{} already exists and is left as it is", path.display())]
    AlreadyExists {
        /// The file.
        path: PathBuf,
    },
    /// The file is something else.
    #[error("{} is not a programme file: {why}", path.display())]
    NotAProgramme {
        /// The file.
        path: PathBuf,
        /// How that shows.
        why: String,
    },
    /// A newer program wrote the file.
    #[error("{} has layout {found}; this program knows layouts up to {known}: use a newer program", path.display())]
    NewerLayout {
        /// The file.
        path: PathBuf,
        /// Its layout.
        found: i64,
        /// The newest layout known here.
        known: i64,
    },
    /// Setting the file up was interrupted.
    #[error("{} was never finished ({why}): delete it and make a new one", path.display())]
    HalfMade {
        /// The file.
        path: PathBuf,
        /// What is missing.
        why: String,
    },
    /// The bytes are not those that were written.
    #[error("the programme file is damaged: {0}; keep it as it is, and go back to a backup")]
    Damaged(String),
    /// The file can't be written, or was opened for reading only.
    #[error("the programme file can't be written: {0}")]
    ReadOnly(String),
    /// Another process kept the file for too long.
    #[error("another program is writing to the programme file; try again when it has finished")]
    Busy,
    /// No room.
    #[error("the disk is full: nothing was recorded")]
    DiskFull,
    /// A record or a move is not allowed.
    #[error("{}{refusal}", row_words(*.index))]
    Refused {
        /// Which of the records given, counted from 0; `None` when the whole call is meant.
        index: Option<usize>,
        /// Why.
        refusal: Box<Refusal>,
    },
    /// A body that can't be written or read as its kind.
    #[error("a {kind} body can't be used: {why}")]
    Body {
        /// Kind of the entry.
        kind: String,
        /// Why.
        why: String,
    },
    /// Two copies that have nothing to say to each other, or a message that can't be.
    #[error("{0}")]
    Exchange(String),
    /// The device's signing key is missing, unreadable or another device's.
    #[error("{0}")]
    Key(String),
    /// The operating system refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What it said.
        source: std::io::Error,
    },
    /// The database server refused, can't be reached, or went away before anything was kept.
    #[error("{at}: {why}; nothing of this was recorded")]
    Server {
        /// The server and its database, without the password.
        at: String,
        /// What is the matter.
        why: String,
    },
    /// The server went away after it was told to keep the changes and before it said that it had.
    #[error(
        "{at}: the connection broke before the server said whether it had kept the changes ({why}). \
         Look before repeating: {}",
        look_words(*.last)
    )]
    Unknown {
        /// The server and its database, without the password.
        at: String,
        /// How the connection broke.
        why: String,
        /// The head that the device has if the changes were kept; `None` when they held no entry.
        last: Option<Head>,
    },
    /// The database refused, for a reason not told apart above.
    #[error("the programme file's database says: {0}")]
    Database(rusqlite::Error),
}

fn look_words(last: Option<Head>) -> String {
    match last {
        Some(Head { device, number, .. }) => format!(
            "they are all recorded if the journal's device {device} has come to entry {number}, and else none is"
        ),
        None => "they held no entry, and may be repeated without harm".into(),
    }
}

fn row_words(index: Option<usize>) -> String {
    index.map_or_else(String::new, |i| format!("record {}: ", i + 1))
}

/// Why a record or a move is not allowed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// A field has a value that can't be.
    #[error("{field} {value} is not allowed: {rule}")]
    Field {
        /// Name of the field, as it is in the record.
        field: &'static str,
        /// The value given.
        value: String,
        /// The rule.
        rule: String,
    },
    /// The same label twice among the records given.
    #[error("{what} label {label:?} is used twice: record {} has it too", first + 1)]
    DuplicateInBatch {
        /// What is being loaded.
        what: What,
        /// The label (for weather: station and date).
        label: String,
        /// The record that had it first, counted from 0.
        first: usize,
    },
    /// The label is in the programme already.
    #[error(
        "{what} label {label:?} is in the programme already; to put a new set in its place, load with replace"
    )]
    DuplicateInProgramme {
        /// What is being loaded.
        what: What,
        /// The label (for weather: station and date).
        label: String,
    },
    /// Nothing to add.
    #[error("there is nothing to load")]
    NothingToLoad,
    /// A day that has not come yet.
    #[error("{field} {date} lies in the future (today is {today})")]
    FutureDate {
        /// Name of the field.
        field: &'static str,
        /// The date given.
        date: Date,
        /// Today, where the person is.
        today: Date,
    },
    /// A time that has not come yet.
    #[error("event time {event_time} lies in the future (it is {now})")]
    FutureTime {
        /// The time given.
        event_time: String,
        /// Now.
        now: String,
    },
    /// No trap of that label was ever placed.
    #[error("trap {0:?} is unknown: it was never placed")]
    UnknownTrap(String),
    /// The trap did not hang then.
    #[error("trap {trap:?} was first hung on {hung}, after {date}")]
    BeforeHung {
        /// The trap.
        trap: String,
        /// The day of the record.
        date: Date,
        /// The day it was first hung.
        hung: Date,
    },
    /// The trap was down by then.
    #[error("trap {trap:?} was taken down on {taken_down}, before {date}, and not hung again by then")]
    AfterTakeDown {
        /// The trap.
        trap: String,
        /// The day of the record.
        date: Date,
        /// The day it was taken down.
        taken_down: Date,
    },
    /// One trap can't hang twice at once.
    #[error("trap {trap:?} hangs at {place:?} since {hung}{}: take it down first", until_words(*.taken_down))]
    HangsAlready {
        /// The trap.
        trap: String,
        /// Where it hangs then.
        place: String,
        /// Since when.
        hung: Date,
        /// Until when.
        taken_down: Option<Date>,
    },
    /// A placement or trap that does not hang can't be taken down.
    #[error("trap {trap:?} does not hang: it was taken down on {taken_down}")]
    DownAlready {
        /// The trap.
        trap: String,
        /// Since when.
        taken_down: Date,
    },
    /// Two days of one record in the wrong order.
    #[error("{later} {later_date} comes before {earlier} {earlier_date}")]
    DatesReversed {
        /// The field that should be earlier.
        earlier: &'static str,
        /// Its date.
        earlier_date: Date,
        /// The field that should be later.
        later: &'static str,
        /// Its date.
        later_date: Date,
    },
    /// Something recorded depends on what would go.
    #[error("trap {trap:?} has a {what} on {date} that would be left without a hanging trap")]
    StillNeeded {
        /// The trap.
        trap: String,
        /// "visit" or "determination".
        what: &'static str,
        /// Its day.
        date: Date,
    },
    /// A move that the trap's state does not allow.
    #[error("{0}")]
    Trap(trap::Illegal),
    /// A move that the specimen's state does not allow.
    #[error("{0}")]
    Specimen(specimen::Illegal),
    /// A determination that the find's state or the speaker's authority does not allow.
    #[error("{0}")]
    Find(find::Illegal),
    /// The person has no right to do that.
    #[error("{person} may not record a {kind}: {why}")]
    NotEntitled {
        /// The person.
        person: String,
        /// Kind of the entry.
        kind: String,
        /// Why not, or whose it is.
        why: String,
    },
    /// Something that is named is not known, or not in the state that it should be in.
    #[error("{what} {label:?} {why}")]
    Unfit {
        /// What it is.
        what: &'static str,
        /// Its label.
        label: String,
        /// What is wrong with it.
        why: String,
    },
    /// The parts of a visit do not agree with each other.
    #[error("{0}")]
    Visit(ModelError),
    /// Exactly this visit is recorded already.
    #[error("this very visit to trap {trap:?} on {date} is recorded already")]
    SameVisit {
        /// The trap.
        trap: String,
        /// The day.
        date: Date,
    },
    /// The profile can't be adopted.
    #[error("{0}")]
    Profile(ModelError),
    /// The protocol can't be adopted, or not be read any more.
    #[error("{0}")]
    Protocol(ModelError),
    /// A plan for a target that was not adopted.
    #[error("target {0:?} was not adopted by this programme")]
    UnknownTarget(String),
    /// A correction of nothing.
    #[error("no entry {0} is in this programme")]
    UnknownEntry(Uuid),
    /// A correction of something that can't be corrected so.
    #[error("entry {entry} is a {kind}: {rule}")]
    NotCorrectable {
        /// The entry.
        entry: Uuid,
        /// Its kind.
        kind: String,
        /// What may be done.
        rule: &'static str,
    },
    /// Corrected after it was withdrawn.
    #[error("entry {entry} was withdrawn by entry {by}; record it anew instead")]
    Withdrawn {
        /// The entry.
        entry: Uuid,
        /// The correction that withdrew it.
        by: Uuid,
    },
    /// A kind that only the journal itself may write, or that has a typed body.
    #[error("an entry of kind {kind:?} can't be appended in this way: {rule}")]
    Kind {
        /// The kind.
        kind: String,
        /// How to do it.
        rule: &'static str,
    },
}

fn until_words(taken_down: Option<Date>) -> String {
    taken_down.map_or_else(String::new, |d| format!(" until {d}"))
}

impl From<trap::Illegal> for Refusal {
    fn from(illegal: trap::Illegal) -> Self {
        use trap::Illegal as I;
        match illegal {
            I::UnknownTrap { trap, .. } => Refusal::UnknownTrap(trap),
            I::BeforeHung { trap, date, hung } => Refusal::BeforeHung { trap, date, hung },
            I::AfterTakeDown {
                trap,
                date,
                taken_down,
            } => Refusal::AfterTakeDown {
                trap,
                date,
                taken_down,
            },
            I::HangsAlready {
                trap,
                place,
                hung,
                taken_down,
            } => Refusal::HangsAlready {
                trap,
                place,
                hung,
                taken_down,
            },
            I::DownAlready { trap, taken_down } => Refusal::DownAlready { trap, taken_down },
            I::StillNeeded { trap, what, date } => Refusal::StillNeeded { trap, what, date },
            other => Refusal::Trap(other),
        }
    }
}

impl From<Refusal> for Error {
    fn from(refusal: Refusal) -> Self {
        Error::Refused {
            index: None,
            refusal: Box::new(refusal),
        }
    }
}

impl Error {
    /// The same refusal, saying which of the records given was meant.
    pub(crate) fn at(self, index: usize) -> Self {
        match self {
            Error::Refused { refusal, .. } => Error::Refused {
                index: Some(index),
                refusal,
            },
            other => other,
        }
    }

    /// Which of the records given was refused, counted from 0, so that the caller can name the row of its file.
    pub fn index(&self) -> Option<usize> {
        match self {
            Error::Refused { index, .. } => *index,
            _ => None,
        }
    }

    /// Why, without the record's number, when a record or a move was refused.
    pub fn refusal(&self) -> Option<&Refusal> {
        match self {
            Error::Refused { refusal, .. } => Some(refusal),
            _ => None,
        }
    }

    pub(crate) fn io(path: &std::path::Path, source: std::io::Error) -> Self {
        Error::Io {
            path: path.to_owned(),
            source,
        }
    }
}

impl From<rusqlite::Error> for Error {
    fn from(error: rusqlite::Error) -> Self {
        use rusqlite::ErrorCode::*;
        match error.sqlite_error_code() {
            Some(DatabaseBusy | DatabaseLocked) => Error::Busy,
            Some(DatabaseCorrupt | NotADatabase) => Error::Damaged(error.to_string()),
            Some(ReadOnly) => Error::ReadOnly("the file or its folder may not be written".into()),
            Some(DiskFull) => Error::DiskFull,
            _ => Error::Database(error),
        }
    }
}
