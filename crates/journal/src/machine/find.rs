//! A find: what is thought of one specimen for one target, opinion by opinion.
//!
//! | state | suspect, tentative, determined, confirmed | ruled out, undeterminable | planted |
//! |---|---|---|---|
//! | no opinion | that¹ | that | planted |
//! | suspect, tentative, determined | that¹, if not lower; the same again leaves it | that, by the rank of the opinion that stands or a higher one | planted |
//! | confirmed | confirmed¹ leaves it; the others would lower it | overturned, by rank confirmed | planted (annulled) |
//! | ruled out, undeterminable | that¹, by the rank that said so or a higher one | that, likewise | planted |
//! | overturned | that¹, by rank confirmed | that (overturned), by rank confirmed | planted |
//! | planted | planted¹; confirmed is illegal | planted | planted |
//!
//! ¹ suspect by anybody; tentative, determined and confirmed by a person of that rank or a higher one. Confirmed needs,
//! besides, that the specimen was looked at for a plant mark while plantings are outstanding at its trap.
//!
//! *Rank* is what a person's authority for that taxon went up to at the time of the opinion. Every opinion stays in the
//! history, whatever stands in the end. Events are ordered by instant, then by id. Planted is final: such a specimen is
//! never a find, and one that was confirmed before the planting was known is annulled and flagged.

use jiff::Timestamp;
use uuid::Uuid;

use super::{list, newly_illegal};
use crate::body::Status;

/// How far a person's word goes for a taxon.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum Rank {
    /// No authority: may suspect.
    #[default]
    None,
    /// May name.
    Tentative,
    /// May determine.
    Determined,
    /// May confirm, and overturn.
    Confirmed,
}

impl Rank {
    /// The rank that an opinion needs.
    pub fn needed(status: Status) -> Rank {
        match status {
            Status::Suspect | Status::RuledOut | Status::Undeterminable => Rank::None,
            Status::Tentative => Rank::Tentative,
            Status::Determined => Rank::Determined,
            Status::Confirmed => Rank::Confirmed,
        }
    }

    /// The word shown to people.
    pub fn word(self) -> &'static str {
        match self {
            Rank::None => "none",
            Rank::Tentative => "tentative",
            Rank::Determined => "determined",
            Rank::Confirmed => "confirmed",
        }
    }
}

/// Who said something, and when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// Who.
    pub by: String,
    /// The speaker's rank then.
    pub rank: Rank,
    /// When.
    pub at: Timestamp,
}

/// What a specimen is, for one target.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// Nobody said anything.
    NoOpinion,
    /// Might be the target.
    Suspect(Said),
    /// Named, not yet by someone whose word is final.
    Tentative(Said),
    /// Named by someone with standing.
    Determined(Said),
    /// A find.
    Confirmed {
        /// Since when.
        since: Timestamp,
        /// By whom.
        by: String,
    },
    /// It is not the target.
    RuledOut(Said),
    /// It can't be told what it is.
    Undeterminable(Said),
    /// It was planted to test a crew: never a find.
    Planted {
        /// Since when that is known.
        since: Timestamp,
        /// It stood as a find until then.
        annulled: bool,
    },
    /// It was a find and is none any more.
    Overturned {
        /// What was said instead: ruled out or undeterminable.
        status: Status,
        /// By whom, and when.
        said: Said,
    },
}

impl State {
    /// Whether it is a find.
    pub fn is_find(&self) -> bool {
        matches!(self, State::Confirmed { .. })
    }

    /// Whether it still waits for an answer.
    pub fn is_open(&self) -> bool {
        matches!(
            self,
            State::Suspect(_) | State::Tentative(_) | State::Determined(_)
        )
    }

    /// The opinion that stands.
    pub fn status(&self) -> Option<Status> {
        match self {
            State::NoOpinion | State::Planted { .. } => None,
            State::Suspect(_) => Some(Status::Suspect),
            State::Tentative(_) => Some(Status::Tentative),
            State::Determined(_) => Some(Status::Determined),
            State::Confirmed { .. } => Some(Status::Confirmed),
            State::RuledOut(_) => Some(Status::RuledOut),
            State::Undeterminable(_) => Some(Status::Undeterminable),
            State::Overturned { status, .. } => Some(*status),
        }
    }

    /// The rank that whoever contradicts must have.
    fn rank(&self) -> Rank {
        match self {
            State::NoOpinion | State::Suspect(_) | State::Planted { .. } => Rank::None,
            State::Tentative(_) => Rank::Tentative,
            State::Determined(_) => Rank::Determined,
            State::Confirmed { .. } | State::Overturned { .. } => Rank::Confirmed,
            State::RuledOut(said) | State::Undeterminable(said) => said.rank,
        }
    }

    /// How high it stands on the ladder from suspect to confirmed; 0 off it.
    fn rung(&self) -> u8 {
        match self {
            State::Suspect(_) => rung(Status::Suspect),
            State::Tentative(_) => rung(Status::Tentative),
            State::Determined(_) => rung(Status::Determined),
            State::Confirmed { .. } => rung(Status::Confirmed),
            _ => 0,
        }
    }
}

/// How high an opinion stands on the ladder; 0: it leads off it.
fn rung(status: Status) -> u8 {
    match status {
        Status::RuledOut | Status::Undeterminable => 0,
        Status::Suspect => 1,
        Status::Tentative => 2,
        Status::Determined => 3,
        Status::Confirmed => 4,
    }
}

/// What is said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Move {
    /// An opinion.
    Opinion {
        /// How sure.
        status: Status,
        /// Who.
        by: String,
        /// How far the speaker's word went for that taxon at that time.
        rank: Rank,
        /// Whether the specimen was looked at for a plant mark.
        mark_checked: bool,
        /// Whether plantings were outstanding at its trap, so that a confirmation needs that look.
        mark_needed: bool,
    },
    /// It turned out to be planted.
    Planted,
}

/// One move at one instant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// The entry that says so.
    pub id: Uuid,
    /// When it was said.
    pub at: Timestamp,
    /// What.
    pub what: Move,
}

impl Event {
    /// An event.
    pub fn new(id: Uuid, at: Timestamp, what: Move) -> Self {
        Event { id, at, what }
    }

    /// A total order, so that events are a set even when two carry one id.
    fn order(&self) -> Order<'_> {
        let what = match &self.what {
            Move::Planted => None,
            Move::Opinion {
                status,
                by,
                rank,
                mark_checked,
                mark_needed,
            } => Some((*status as u8, by.as_str(), *rank, *mark_checked, *mark_needed)),
        };
        (self.at, self.id, what)
    }
}

type Order<'a> = (Timestamp, Uuid, Option<(u8, &'a str, Rank, bool, bool)>);

/// Why an opinion is not legal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Illegal {
    /// The speaker's word does not go so far.
    #[error(
        "{by:?} can't say {:?} of specimen {specimen:?} for {target:?}: that needs authority up to {}, and theirs is {}",
        word(*status), needs.word(), rank.word()
    )]
    NoAuthority {
        /// The specimen.
        specimen: String,
        /// The target.
        target: String,
        /// Who.
        by: String,
        /// What was said.
        status: Status,
        /// How far the speaker's word goes.
        rank: Rank,
        /// How far it would have to go.
        needs: Rank,
    },
    /// Only ruling out and "undeterminable" lead down.
    #[error(
        "specimen {specimen:?} is {} for {target:?} since {} ({by:?} says so): {:?} would lower that; rule it out, or \
         say that it can't be told",
        word(*stands), day(*since), word(*status)
    )]
    Lowers {
        /// The specimen.
        specimen: String,
        /// The target.
        target: String,
        /// What stands.
        stands: Status,
        /// Who said so.
        by: String,
        /// Since when.
        since: Timestamp,
        /// What was said.
        status: Status,
    },
    /// A planted insect must not become a find.
    #[error(
        "specimen {specimen:?} can't be confirmed for {target:?} yet: planted insects are outstanding at its trap; look \
         for a mark, and say that you did"
    )]
    MarkNotChecked {
        /// The specimen.
        specimen: String,
        /// The target.
        target: String,
    },
    /// A planted insect is no find.
    #[error("specimen {specimen:?} was planted to test a crew (known since {}): it can't be a find of {target:?}", day(*since))]
    WasPlanted {
        /// The specimen.
        specimen: String,
        /// The target.
        target: String,
        /// Since when that is known.
        since: Timestamp,
    },
    /// Something recorded depends on what would go.
    #[error("with that, something recorded already could not have been: {0}")]
    Contradicts(Box<Illegal>),
}

/// The words shown to people.
fn word(status: Status) -> &'static str {
    match status {
        Status::Suspect => "suspect",
        Status::Tentative => "tentative",
        Status::Determined => "determined",
        Status::Confirmed => "confirmed",
        Status::RuledOut => "ruled out",
        Status::Undeterminable => "undeterminable",
    }
}

fn day(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d").to_string()
}

/// What is thought of one specimen for one target.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Find {
    /// The specimen's label.
    pub specimen: String,
    /// The target's id.
    pub target: String,
    /// What stands.
    pub state: State,
}

impl Find {
    /// Nothing said yet.
    pub fn new(specimen: &str, target: &str) -> Self {
        Find {
            specimen: specimen.to_owned(),
            target: target.to_owned(),
            state: State::NoOpinion,
        }
    }

    /// One move more.
    ///
    /// # Errors
    /// Why the move is illegal.
    pub fn step(&self, event: &Event) -> Result<Find, Illegal> {
        let state = self.next(event)?;
        Ok(Find {
            state,
            ..self.clone()
        })
    }

    /// The state after a move.
    fn next(&self, event: &Event) -> Result<State, Illegal> {
        let at = event.at;
        let Move::Opinion {
            status,
            by,
            rank,
            mark_checked,
            mark_needed,
        } = &event.what
        else {
            return Ok(match &self.state {
                State::Planted { .. } => self.state.clone(),
                state => State::Planted {
                    since: at,
                    annulled: state.is_find(),
                },
            });
        };
        if let State::Planted { since, .. } = &self.state {
            return match status {
                Status::Confirmed => Err(Illegal::WasPlanted {
                    specimen: self.specimen.clone(),
                    target: self.target.clone(),
                    since: *since,
                }),
                _ => self.check_rank(*status, by, *rank).map(|()| self.state.clone()),
            };
        }
        self.check_ladder(*status)?;
        self.check_rank(*status, by, *rank)?;
        if *status == Status::Confirmed && *mark_needed && !mark_checked {
            return Err(Illegal::MarkNotChecked {
                specimen: self.specimen.clone(),
                target: self.target.clone(),
            });
        }
        if self.state.rung() > 0 && self.state.rung() == rung(*status) {
            return Ok(self.state.clone());
        }
        let by = by.clone();
        let said = Said { by, rank: *rank, at };
        Ok(match (status, &self.state) {
            (
                Status::RuledOut | Status::Undeterminable,
                State::Confirmed { .. } | State::Overturned { .. },
            ) => State::Overturned {
                status: *status,
                said,
            },
            (Status::Suspect, _) => State::Suspect(said),
            (Status::Tentative, _) => State::Tentative(said),
            (Status::Determined, _) => State::Determined(said),
            (Status::Confirmed, _) => State::Confirmed {
                since: at,
                by: said.by,
            },
            (Status::RuledOut, _) => State::RuledOut(said),
            (Status::Undeterminable, _) => State::Undeterminable(said),
        })
    }

    fn check_ladder(&self, status: Status) -> Result<(), Illegal> {
        if rung(status) == 0 || rung(status) >= self.state.rung() {
            return Ok(());
        }
        let (stands, by, since) = match &self.state {
            State::Suspect(said) => (Status::Suspect, &said.by, said.at),
            State::Tentative(said) => (Status::Tentative, &said.by, said.at),
            State::Determined(said) => (Status::Determined, &said.by, said.at),
            State::Confirmed { since, by } => (Status::Confirmed, by, *since),
            _ => return Ok(()),
        };
        Err(Illegal::Lowers {
            specimen: self.specimen.clone(),
            target: self.target.clone(),
            stands,
            by: by.clone(),
            since,
            status,
        })
    }

    fn check_rank(&self, status: Status, by: &str, rank: Rank) -> Result<(), Illegal> {
        // Climbing needs the rank of the rung alone; contradicting needs that of what is contradicted too.
        let contradicts = rung(status) == 0 || self.state.rung() == 0;
        let stands = if contradicts {
            self.state.rank()
        } else {
            Rank::None
        };
        let needs = Rank::needed(status).max(stands);
        if rank >= needs {
            return Ok(());
        }
        Err(Illegal::NoAuthority {
            specimen: self.specimen.clone(),
            target: self.target.clone(),
            by: by.to_owned(),
            status,
            rank,
            needs,
        })
    }
}

/// A legal move and the state after it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// The entry.
    pub id: Uuid,
    /// When.
    pub at: Timestamp,
    /// The state after it.
    pub after: State,
}

/// What the opinions come to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folded {
    /// What stands at the end.
    pub find: Find,
    /// The legal moves, in order.
    pub history: Vec<Step>,
    /// The illegal ones, each entry once, in order.
    pub illegal: Vec<(Uuid, Illegal)>,
}

/// Folds what was said of one specimen for one target. The order of `events`, and repetitions in it, make no difference.
pub fn fold(specimen: &str, target: &str, events: &[Event]) -> Folded {
    fold_of(specimen, target, events.iter().collect())
}

fn fold_of(specimen: &str, target: &str, mut events: Vec<&Event>) -> Folded {
    events.sort_by(|a, b| a.order().cmp(&b.order()));
    events.dedup();
    let mut folded = Folded {
        find: Find::new(specimen, target),
        history: Vec::with_capacity(events.len()),
        illegal: Vec::new(),
    };
    for event in events {
        match folded.find.next(event) {
            Ok(state) => {
                folded.find.state = state.clone();
                folded.history.push(Step {
                    id: event.id,
                    at: event.at,
                    after: state,
                });
            }
            Err(why) => list(&mut folded.illegal, event.id, why),
        }
    }
    folded
}

/// Why new events may not be added to a history, or `None` if they may: with them, a move is illegal that was legal.
///
/// [`Move::Planted`] is no one's opinion and comes when a planting is closed: ask only for opinions, or a confirmation
/// made in the meantime would keep the truth out.
pub fn would_refuse(
    specimen: &str,
    target: &str,
    history: &[Event],
    candidates: &[Event],
) -> Option<Illegal> {
    let before = fold(specimen, target, history);
    let after = fold_of(specimen, target, history.iter().chain(candidates).collect());
    let own = |id| candidates.iter().any(|candidate| candidate.id == id);
    let (_, why, is_own) = newly_illegal(&before.illegal, &after.illegal, own)?;
    Some(if is_own {
        why
    } else {
        Illegal::Contradicts(Box::new(why))
    })
}

/// Why one history may not take another's place (a correction, a withdrawal), or `None` if it may.
pub fn would_contradict(specimen: &str, target: &str, before: &[Event], after: &[Event]) -> Option<Illegal> {
    let (before, after) = (fold(specimen, target, before), fold(specimen, target, after));
    let (_, why, _) = newly_illegal(&before.illegal, &after.illegal, |_| false)?;
    Some(Illegal::Contradicts(Box::new(why)))
}

#[cfg(test)]
mod tests;
