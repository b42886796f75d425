//! A specimen: who holds it, what was done with it, and where it ended.
//!
//! | state | taken, lifted | split, screened | offered | accepted | declined | opinion | plant found | ended |
//! |---|---|---|---|---|---|---|---|---|
//! | unknown | held | unknown | unknown | unknown | unknown | unknown | unknown | unknown |
//! | held | taken twice | held¹ | offered, if by the holder to another | no such offer | no such offer | held | held² | ended |
//! | offered | taken twice | offered¹ | offer open | held by the addressee, if by them | held by the same, if by either side | offered | offered² | ended |
//! | ended | taken twice | ended already | ended already | ended already | ended already | ended, if on an image | ended² | ended already |
//!
//! ¹ a child's label once; pass 1 once, then pass 2 once and by somebody else.
//! ² one planting only; the same again says nothing new.
//!
//! Events are ordered by instant, then by id, with one exception: an answer (accepted, declined) never comes before the
//! offer that it names, so that two devices whose clocks differ a little do not undo a hand-over that both sides signed.
//! Custody changes by acceptance alone. Whoever offered may decline too: that takes the offer back.
//!
//! That a child is not its own ancestor is the affair of whoever sees more than one specimen.

use std::collections::HashMap;

use jiff::Timestamp;
use uuid::Uuid;

use super::{list, newly_illegal};

/// Where a specimen is in its life.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// Never taken, as far as is known.
    Unknown,
    /// Somebody has it.
    Held {
        /// Who.
        by: String,
        /// Since when.
        since: Timestamp,
    },
    /// Somebody has it and has offered it to somebody else, who did not answer yet.
    Offered {
        /// Who has it.
        by: String,
        /// Since when they have it.
        held_since: Timestamp,
        /// To whom it was offered.
        to: String,
        /// Label of the hand-over.
        handover: String,
        /// When it was offered.
        since: Timestamp,
    },
    /// It exists no more, or left the programme.
    Ended {
        /// How, in plain words (returned, retained, destroyed, lost).
        how: String,
        /// Who says so.
        by: String,
        /// Since when.
        since: Timestamp,
    },
}

/// What can be done with a specimen.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Move {
    /// Collected in the field; who collected it holds it.
    Taken {
        /// Who.
        by: String,
    },
    /// Lifted from another specimen; who lifted it holds it.
    Lifted {
        /// Label of the parent.
        parent: String,
        /// Who.
        by: String,
    },
    /// Another specimen was lifted from it.
    Split {
        /// Label of the child.
        child: String,
    },
    /// Offered to somebody else.
    Offered {
        /// Label of the hand-over.
        handover: String,
        /// Who has it.
        from: String,
        /// Who shall have it.
        to: String,
    },
    /// The offer was taken up.
    Accepted {
        /// Label of the hand-over.
        handover: String,
        /// Who has it now.
        by: String,
    },
    /// The offer was turned down, or taken back.
    Declined {
        /// Label of the hand-over.
        handover: String,
        /// Who says so.
        by: String,
    },
    /// Looked through for suspects.
    Screened {
        /// First or second pass: 1 or 2.
        pass: u8,
        /// Who.
        by: String,
    },
    /// Somebody said what it is. What that makes of a target is [`find`](super::find)'s affair.
    Opinion {
        /// Who.
        by: String,
        /// Whether a picture of it was looked at, not the specimen.
        image: bool,
    },
    /// It was planted to test a crew.
    PlantFound {
        /// Label of the planting.
        planting: String,
    },
    /// Its life ended.
    Ended {
        /// How, in plain words.
        how: String,
        /// Who says so.
        by: String,
    },
}

/// One move at one instant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// The entry that says so.
    pub id: Uuid,
    /// When it happened.
    pub at: Timestamp,
    /// The move.
    pub what: Move,
}

impl Event {
    /// An event.
    pub fn new(id: Uuid, at: Timestamp, what: Move) -> Self {
        Event { id, at, what }
    }
}

/// Why a move is not legal. Instants are told in UTC, to the minute.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Illegal {
    /// Nothing is known of the specimen.
    #[error("specimen {specimen:?} is unknown at {}: it was not taken by then", minute(*at))]
    Unknown {
        /// The specimen.
        specimen: String,
        /// When the move was made.
        at: Timestamp,
    },
    /// The label is on two specimens.
    #[error("specimen {specimen:?} was taken by {by:?} at {} already: another specimen needs another label", minute(*since))]
    TakenTwice {
        /// The specimen.
        specimen: String,
        /// Who took it first.
        by: String,
        /// When.
        since: Timestamp,
    },
    /// The child's label is on two specimens.
    #[error("specimen {child:?} was lifted from {specimen:?} already: another child needs another label")]
    ChildTwice {
        /// The parent.
        specimen: String,
        /// The child.
        child: String,
    },
    /// Only the holder can offer it.
    #[error("specimen {specimen:?} can't be offered by {from:?}: {holder:?} holds it since {}", minute(*since))]
    NotHolder {
        /// The specimen.
        specimen: String,
        /// Who offered it.
        from: String,
        /// Who has it.
        holder: String,
        /// Since when.
        since: Timestamp,
    },
    /// Whoever has it need not be given it.
    #[error("specimen {specimen:?} is with {holder:?} already: an offer is to somebody else")]
    ToHolder {
        /// The specimen.
        specimen: String,
        /// Who has it.
        holder: String,
    },
    /// One offer at a time.
    #[error(
        "specimen {specimen:?} was offered to {to:?} at {} (hand-over {handover:?}) and that is not answered yet",
        minute(*since)
    )]
    OfferOpen {
        /// The specimen.
        specimen: String,
        /// To whom.
        to: String,
        /// Label of the hand-over.
        handover: String,
        /// When.
        since: Timestamp,
    },
    /// An answer to an offer that is not open.
    #[error("specimen {specimen:?} has no open offer {handover:?}; {holder:?} holds it")]
    NoSuchOffer {
        /// The specimen.
        specimen: String,
        /// Label of the hand-over.
        handover: String,
        /// Who has it.
        holder: String,
    },
    /// An answer by somebody who was not asked.
    #[error("hand-over {handover:?} of specimen {specimen:?} is addressed to {to:?}: {by:?} can't answer it")]
    NotAddressee {
        /// The specimen.
        specimen: String,
        /// Label of the hand-over.
        handover: String,
        /// Who was asked.
        to: String,
        /// Who answered.
        by: String,
    },
    /// There are two passes.
    #[error("pass {pass} of specimen {specimen:?} is not known: screening has passes 1 and 2")]
    NoSuchPass {
        /// The specimen.
        specimen: String,
        /// The pass given.
        pass: u8,
    },
    /// Second before first.
    #[error("specimen {specimen:?} had no first pass by then, so it can't have a second")]
    NoFirstPass {
        /// The specimen.
        specimen: String,
    },
    /// A pass is made once.
    #[error("pass {pass} of specimen {specimen:?} was made by {by:?} already")]
    PassTwice {
        /// The specimen.
        specimen: String,
        /// The pass.
        pass: u8,
        /// Who made it.
        by: String,
    },
    /// The second pass is a check by somebody else.
    #[error("{by:?} made the first pass of specimen {specimen:?}: the second is somebody else's")]
    SamePerson {
        /// The specimen.
        specimen: String,
        /// Who.
        by: String,
    },
    /// Planted twice.
    #[error("specimen {specimen:?} was planted as {first:?}: it can't be of planting {second:?} too")]
    OtherPlanting {
        /// The specimen.
        specimen: String,
        /// The planting known.
        first: String,
        /// The other.
        second: String,
    },
    /// Nothing can be done with what is not there.
    #[error("specimen {specimen:?} was {how} at {} ({by:?} says so): only a picture of it can still be looked at", minute(*since))]
    EndedAlready {
        /// The specimen.
        specimen: String,
        /// How.
        how: String,
        /// Who says so.
        by: String,
        /// When.
        since: Timestamp,
    },
    /// Something recorded depends on what would go.
    #[error("with that, something recorded already could not have been: {0}")]
    Contradicts(Box<Illegal>),
}

/// An instant in words: UTC, to the minute.
fn minute(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d %H:%M UTC").to_string()
}

/// A specimen in a state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Specimen {
    /// Its label.
    pub label: String,
    /// Where it is in its life.
    pub state: State,
    /// Who took or lifted it, and when.
    pub taken: Option<(String, Timestamp)>,
    /// The specimen it was lifted from, if it was.
    pub parent: Option<String>,
    /// Specimens lifted from it, in the order in which that was done.
    pub children: Vec<String>,
    /// Who made the first and the second pass.
    pub passes: [Option<String>; 2],
    /// The planting it belongs to, once known. A planted specimen is never a find.
    pub planted: Option<String>,
}

impl Specimen {
    /// A specimen of which nothing is known.
    pub fn unknown(label: &str) -> Self {
        Specimen {
            label: label.to_owned(),
            state: State::Unknown,
            taken: None,
            parent: None,
            children: Vec::new(),
            passes: [None, None],
            planted: None,
        }
    }

    /// Who holds it; `None` before it was taken and after it ended.
    pub fn holder(&self) -> Option<&str> {
        match &self.state {
            State::Held { by, .. } | State::Offered { by, .. } => Some(by),
            State::Unknown | State::Ended { .. } => None,
        }
    }

    /// Since when an offer waits for its answer.
    pub fn open_since(&self) -> Option<Timestamp> {
        match self.state {
            State::Offered { since, .. } => Some(since),
            _ => None,
        }
    }

    /// One move more.
    ///
    /// # Errors
    /// Why the move is illegal.
    pub fn step(&self, event: &Event) -> Result<Specimen, Illegal> {
        let mut next = self.clone();
        next.take(event, event.at).map(|()| next)
    }

    /// The same in place, at the instant at which it counts; nothing changes at an illegal move.
    fn take(&mut self, event: &Event, at: Timestamp) -> Result<(), Illegal> {
        self.check_alive(event)?;
        match &event.what {
            Move::Taken { by } => {
                self.begin(by, None, at);
                Ok(())
            }
            Move::Lifted { parent, by } => {
                self.begin(by, Some(parent), at);
                Ok(())
            }
            Move::Split { child } => {
                if self.children.contains(child) {
                    return Err(Illegal::ChildTwice {
                        specimen: self.label.clone(),
                        child: child.clone(),
                    });
                }
                self.children.push(child.clone());
                Ok(())
            }
            Move::Offered { handover, from, to } => self.offer(handover, from, to, at),
            Move::Accepted { handover, by } => self.answer(handover, by, true, at),
            Move::Declined { handover, by } => self.answer(handover, by, false, at),
            Move::Screened { pass, by } => self.screen(*pass, by),
            Move::Opinion { .. } => Ok(()),
            Move::PlantFound { planting } => match &self.planted {
                Some(first) if first != planting => Err(Illegal::OtherPlanting {
                    specimen: self.label.clone(),
                    first: first.clone(),
                    second: planting.clone(),
                }),
                _ => {
                    self.planted = Some(planting.clone());
                    Ok(())
                }
            },
            Move::Ended { how, by } => {
                self.state = State::Ended {
                    how: how.clone(),
                    by: by.clone(),
                    since: at,
                };
                Ok(())
            }
        }
    }

    /// What is not taken yet, and what is not there any more, allows little.
    fn check_alive(&self, event: &Event) -> Result<(), Illegal> {
        let specimen = self.label.clone();
        match (&self.state, &event.what) {
            (State::Unknown, Move::Taken { .. } | Move::Lifted { .. }) => Ok(()),
            (State::Unknown, _) => Err(Illegal::Unknown {
                specimen,
                at: event.at,
            }),
            (_, Move::Taken { .. } | Move::Lifted { .. }) => {
                // Every state but the unknown one began with somebody.
                let (by, since) = self.taken.clone().unwrap_or((String::new(), event.at));
                Err(Illegal::TakenTwice { specimen, by, since })
            }
            (State::Ended { .. }, Move::Opinion { image: true, .. } | Move::PlantFound { .. }) => Ok(()),
            (State::Ended { how, by, since }, _) => Err(Illegal::EndedAlready {
                specimen,
                how: how.clone(),
                by: by.clone(),
                since: *since,
            }),
            _ => Ok(()),
        }
    }

    fn begin(&mut self, by: &str, parent: Option<&str>, at: Timestamp) {
        self.taken = Some((by.to_owned(), at));
        self.parent = parent.map(str::to_owned);
        self.state = State::Held {
            by: by.to_owned(),
            since: at,
        };
    }

    fn offer(&mut self, handover: &str, from: &str, to: &str, at: Timestamp) -> Result<(), Illegal> {
        match &self.state {
            State::Held { by, .. } if by == from && from == to => Err(Illegal::ToHolder {
                specimen: self.label.clone(),
                holder: by.clone(),
            }),
            State::Held { by, since } if by == from => {
                self.state = State::Offered {
                    by: by.clone(),
                    held_since: *since,
                    to: to.to_owned(),
                    handover: handover.to_owned(),
                    since: at,
                };
                Ok(())
            }
            State::Offered {
                to, handover, since, ..
            } => Err(Illegal::OfferOpen {
                specimen: self.label.clone(),
                to: to.clone(),
                handover: handover.clone(),
                since: *since,
            }),
            State::Held { by, since } => Err(Illegal::NotHolder {
                specimen: self.label.clone(),
                from: from.to_owned(),
                holder: by.clone(),
                since: *since,
            }),
            State::Unknown | State::Ended { .. } => Ok(()), // refused before
        }
    }

    fn answer(&mut self, named: &str, who: &str, taken: bool, at: Timestamp) -> Result<(), Illegal> {
        let specimen = self.label.clone();
        let State::Offered {
            by,
            held_since,
            to,
            handover,
            ..
        } = &self.state
        else {
            return Err(self.no_such_offer(named));
        };
        if handover != named {
            return Err(self.no_such_offer(named));
        }
        if who != to && (taken || who != by) {
            return Err(Illegal::NotAddressee {
                specimen,
                handover: handover.clone(),
                to: to.clone(),
                by: who.to_owned(),
            });
        }
        let (by, since) = if taken { (to, at) } else { (by, *held_since) };
        self.state = State::Held {
            by: by.clone(),
            since,
        };
        Ok(())
    }

    fn no_such_offer(&self, handover: &str) -> Illegal {
        Illegal::NoSuchOffer {
            specimen: self.label.clone(),
            handover: handover.to_owned(),
            holder: self.holder().unwrap_or_default().to_owned(),
        }
    }

    fn screen(&mut self, pass: u8, by: &str) -> Result<(), Illegal> {
        let specimen = self.label.clone();
        let slot = match pass {
            1 => 0,
            2 => 1,
            _ => return Err(Illegal::NoSuchPass { specimen, pass }),
        };
        if let Some(by) = &self.passes[slot] {
            return Err(Illegal::PassTwice {
                specimen,
                pass,
                by: by.clone(),
            });
        }
        if slot == 1 {
            match &self.passes[0] {
                None => return Err(Illegal::NoFirstPass { specimen }),
                Some(first) if first == by => {
                    let by = by.to_owned();
                    return Err(Illegal::SamePerson { specimen, by });
                }
                Some(_) => {}
            }
        }
        self.passes[slot] = Some(by.to_owned());
        Ok(())
    }
}

/// A stretch of time in one person's hands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Held {
    /// Who.
    pub by: String,
    /// Since when.
    pub from: Timestamp,
    /// Until when; `None`: still.
    pub to: Option<Timestamp>,
}

/// A legal move and the state after it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// The entry.
    pub id: Uuid,
    /// When it counts.
    pub at: Timestamp,
    /// The state after it.
    pub after: State,
}

/// What the history of a specimen comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folded {
    /// The specimen at the end.
    pub specimen: Specimen,
    /// The legal moves, in order.
    pub history: Vec<Step>,
    /// The illegal ones, each entry once, in order.
    pub illegal: Vec<(Uuid, Illegal)>,
    /// In whose hands it was, without gaps from its taking to its end.
    pub custody: Vec<Held>,
}

/// Folds the history of one specimen. The order of `events`, and repetitions in it, make no difference.
pub fn fold(label: &str, events: &[Event]) -> Folded {
    fold_of(label, events.iter().collect())
}

fn fold_of(label: &str, events: Vec<&Event>) -> Folded {
    let mut folded = Folded {
        specimen: Specimen::unknown(label),
        history: Vec::with_capacity(events.len()),
        illegal: Vec::new(),
        custody: Vec::new(),
    };
    for (at, event) in in_order(events) {
        match folded.specimen.take(event, at) {
            Ok(()) => {
                let after = folded.specimen.state.clone();
                hand_over(&mut folded.custody, folded.specimen.holder(), at);
                folded.history.push(Step {
                    id: event.id,
                    at,
                    after,
                });
            }
            Err(why) => list(&mut folded.illegal, event.id, why),
        }
    }
    folded
}

/// Events with the instants at which they count: an answer never before its offer.
fn in_order(events: Vec<&Event>) -> Vec<(Timestamp, &Event)> {
    let mut offered: HashMap<&str, Timestamp> = HashMap::new();
    for event in &events {
        if let Move::Offered { handover, .. } = &event.what {
            let at = offered.entry(handover).or_insert(event.at);
            *at = event.at.min(*at);
        }
    }
    let mut all: Vec<(Timestamp, bool, &Event)> = events
        .into_iter()
        .map(|event| match &event.what {
            Move::Accepted { handover, .. } | Move::Declined { handover, .. } => {
                match offered.get(handover.as_str()) {
                    Some(offer) if event.at <= *offer => (*offer, true, event),
                    _ => (event.at, false, event),
                }
            }
            _ => (event.at, false, event),
        })
        .collect();
    all.sort_by(|(a, a_late, x), (b, b_late, y)| (a, a_late, x.id, &x.what).cmp(&(b, b_late, y.id, &y.what)));
    all.dedup();
    all.into_iter().map(|(at, _, event)| (at, event)).collect()
}

/// Brings the chain of custody up to date.
fn hand_over(custody: &mut Vec<Held>, holder: Option<&str>, at: Timestamp) {
    if let Some(last) = custody.last_mut() {
        if Some(last.by.as_str()) == holder && last.to.is_none() {
            return;
        }
        last.to = last.to.or(Some(at));
    }
    if let Some(by) = holder {
        custody.push(Held {
            by: by.to_owned(),
            from: at,
            to: None,
        });
    }
}

/// Why new events may not be added to a history, or `None` if they may: with them, a move is illegal that was legal.
pub fn would_refuse(label: &str, history: &[Event], candidates: &[Event]) -> Option<Illegal> {
    let with = history.iter().chain(candidates).collect();
    let (before, after) = (fold(label, history), fold_of(label, with));
    let own = |id| candidates.iter().any(|candidate| candidate.id == id);
    let (_, why, is_own) = newly_illegal(&before.illegal, &after.illegal, own)?;
    Some(if is_own {
        why
    } else {
        Illegal::Contradicts(Box::new(why))
    })
}

/// Why one history may not take another's place (a correction, a withdrawal), or `None` if it may.
pub fn would_contradict(label: &str, before: &[Event], after: &[Event]) -> Option<Illegal> {
    let (before, after) = (fold(label, before), fold(label, after));
    let (_, why, _) = newly_illegal(&before.illegal, &after.illegal, |_| false)?;
    Some(Illegal::Contradicts(Box::new(why)))
}

#[cfg(test)]
mod tests;
