//! Whom to tell, in which order, by when: the protocol's chain as a checklist.

use earlywood_journal::{Act, Body, Draft, Programme, Receipt, ResponseStepDone};
use jiff::{Timestamp, ToSpan as _};
use serde::Serialize;

use super::case::Case;
use crate::Notes;
use crate::error::ChainError;

/// How a step stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Taken in time.
    Done,
    /// Taken after its time.
    DoneLate,
    /// To be taken now.
    Due,
    /// Its time has passed.
    Late,
    /// Somebody of an earlier place was not told yet.
    Waits,
}

impl Standing {
    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Standing::Done => "done",
            Standing::DoneLate => "done late",
            Standing::Due => "due",
            Standing::Late => "LATE",
            Standing::Waits => "waits for those before",
        }
    }
}

/// A step of the chain.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Step {
    /// Its id.
    pub id: String,
    /// Who is told.
    pub who: String,
    /// What.
    pub what: String,
    /// Place in the order, from 1.
    pub order: u32,
    /// By when.
    pub due: Timestamp,
    /// Whether it tells the public.
    pub public: bool,
    /// How it stands.
    pub standing: Standing,
    /// When it was taken.
    pub done: Option<Timestamp>,
    /// Who recorded that.
    pub by: Option<String>,
    /// What was noted.
    pub note: Option<String>,
}

/// The checklist of a case.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Checklist {
    /// When the find was confirmed: the hours run from there.
    pub confirmed: Option<Timestamp>,
    /// The steps, in order.
    pub steps: Vec<Step>,
    /// Whether the public may be told: confirmed, and everybody before was told.
    pub may_be_public: bool,
    /// Worth knowing.
    pub notes: Notes,
}

/// The checklist as it stands at an instant. Where the find is not confirmed any more there is nothing to tell.
///
/// # Errors
/// No protocol.
pub fn checklist(case: &Case, now: Timestamp) -> Result<Checklist, ChainError> {
    let protocol = case.protocol()?;
    let mut notes = Notes::new();
    let Some(opening) = case.opening() else {
        notes.push("the find is not confirmed any more: nobody is to be told of it, and whoever was told needs to hear that".into());
        return Ok(Checklist { confirmed: None, steps: Vec::new(), may_be_public: false, notes });
    };
    let mut steps = Vec::new();
    for step in protocol.chain() {
        let minutes = (step.hours.central() * 60.0).round() as i64;
        let due = opening.confirmed.checked_add(minutes.minutes())?;
        let done = case.response.as_ref().and_then(|r| r.step(&step.id));
        let told = |id: &str| case.response.as_ref().is_some_and(|r| r.step(id).is_some());
        let waits = protocol.notify.iter().any(|other| other.order < step.order && !told(&other.id));
        let standing = match done {
            Some(done) if done.at <= due => Standing::Done,
            Some(_) => Standing::DoneLate,
            None if waits => Standing::Waits,
            None if now > due => Standing::Late,
            None => Standing::Due,
        };
        if done.is_some() && waits {
            notes.push(format!("{} was told before everybody who comes earlier", step.who));
        }
        steps.push(Step {
            id: step.id.clone(),
            who: step.who.clone(),
            what: step.what.clone(),
            order: step.order,
            due,
            public: step.public,
            standing,
            done: done.map(|d| d.at),
            by: done.map(|d| d.person.clone()),
            note: done.and_then(|d| d.value.note.clone()),
        });
    }
    let may_be_public = steps.iter().all(|s| s.public || s.done.is_some());
    if !may_be_public {
        notes.push("CONFIDENTIAL: not everybody who comes before the public was told".into());
    }
    Ok(Checklist {
        confirmed: Some(opening.confirmed),
        steps,
        may_be_public,
        notes,
    })
}

/// Records that a step was taken, at the given time or now.
///
/// # Errors
/// No response, no such step, or what the journal refuses.
pub fn take(
    programme: &mut Programme,
    act: &Act,
    case: &Case,
    step: &str,
    at: Option<String>,
    note: Option<String>,
) -> Result<Receipt, ChainError> {
    let protocol = case.protocol()?;
    if !protocol.notify.iter().any(|s| s.id == step) {
        let ids: Vec<&str> = protocol.chain().iter().map(|s| s.id.as_str()).collect();
        return Err(ChainError::asked(
            "step",
            format!("the protocol has no step {step:?}; it has {}", ids.join(", ")),
        ));
    }
    let draft = Draft {
        event_time: at,
        body: Body::ResponseStepDone(ResponseStepDone {
            find: case.find.clone(),
            step: step.to_owned(),
            note,
        }),
    };
    Ok(programme.append(act, draft)?)
}
