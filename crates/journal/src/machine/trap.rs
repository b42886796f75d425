//! A trap: in store, hanging, or written off.
//!
//! | state | register | hang | visit, determined | take down | write off | come back |
//! |---|---|---|---|---|---|---|
//! | unknown | stored | hanging | unknown trap | unknown trap | unknown trap | unknown trap |
//! | stored, never hung | stored¹ | hanging | does not hang | does not hang | written off | not written off |
//! | stored, down since a day | stored¹ | hanging | stored², else taken down before | down already | written off | not written off |
//! | hanging | hanging¹ | hangs already | hanging (condition as found) | stored³ | written off (the placement ends) | not written off |
//! | written off | written off¹ | written off | written off | written off | written off | stored |
//!
//! ¹ once; a second registration means that one label is on two traps.
//! ² on the day on which it was taken down: both ends of a placement count.
//! ³ unless the take-down names another placement, or names none while the placement has a take-down of its own.
//!
//! **Only days are known.** Events of one day have no order of their own; each time, the first that is legal comes next,
//! and where none is, the first is illegal. They are tried in this order: visits, take-downs, registrations and
//! come-backs by id; then trapping of that one day (a placement hung and taken down on it); then placements without a
//! known end; then placements with one; last, write-offs. So a trap may be taken down and hung elsewhere on one day, and
//! is visited on the day it is hung, taken down or found lost, in whatever order that was recorded.
//!
//! **A visit never takes a trap down.** A visit for taking it down that reached the trap comes with a take-down, as an
//! entry of its own or as a second event of the same id; one that did not reach it leaves the trap hanging.

use earlywood_model::record::{TrapFound, VisitKind};
use jiff::civil::Date;
use uuid::Uuid;

use super::{list, newly_illegal};

/// How a hanging trap was last found. A trap just hung works.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Condition {
    /// There, and working.
    Working,
    /// There, but not as it should be.
    Impaired,
    /// On the ground.
    Down,
    /// Not there. It hangs, for the record, until it is taken down or written off.
    Missing,
}

/// Where a trap is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// Neither registered nor hung, as far as is known.
    Unknown,
    /// In store.
    Stored {
        /// Since when.
        since: Date,
        /// The day on which it was taken down, when it came from a place.
        down: Option<Date>,
    },
    /// At a place.
    Hanging {
        /// The place.
        place: String,
        /// The entry that hung it there.
        placement: Uuid,
        /// Since when.
        since: Date,
        /// The take-down that was recorded with the placement, where it was loaded as history.
        until: Option<Date>,
        /// How it was last found.
        condition: Condition,
    },
    /// Gone for good, unless it comes back.
    WrittenOff {
        /// Why, in plain words.
        why: String,
        /// Since when.
        since: Date,
    },
}

/// What can be done with a trap.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Move {
    /// It enters the stock.
    Register,
    /// It is hung.
    Hang {
        /// The place.
        place: String,
        /// The entry that says so.
        placement: Uuid,
        /// The day of its take-down, where the placement carries it; a [`Move::TakeDown`] that names the placement must
        /// then come too (see [`placement`]).
        until: Option<Date>,
    },
    /// A stop at the trap.
    Visit {
        /// How it was found.
        found: TrapFound,
        /// What the stop was for.
        kind: VisitKind,
    },
    /// Something taken out of it on that day was named.
    Determined,
    /// It is taken down.
    TakeDown {
        /// The placement that ends; `None`: the one that is open then.
        placement: Option<Uuid>,
    },
    /// It is given up: lost, stolen, destroyed. Ends the placement if it hangs.
    WriteOff {
        /// Why, in plain words.
        why: String,
    },
    /// A trap that was written off is in store again.
    ComeBack,
}

impl Move {
    /// Whether a visit of that kind, having found the trap so, takes it down.
    pub fn takes_down(kind: VisitKind, found: TrapFound) -> bool {
        kind == VisitKind::TakeDown && found != TrapFound::NotReached
    }

    /// In which order the moves of one day are tried; see the module's words.
    fn rank(&self, day: Date) -> u8 {
        match self {
            Move::Hang { until: Some(end), .. } if *end <= day => 1,
            Move::Hang { until: None, .. } => 2,
            Move::Hang { until: Some(_), .. } => 3,
            Move::WriteOff { .. } => 4,
            _ => 0,
        }
    }

    /// A total order, so that events are a set even when two carry one id.
    fn key(&self) -> (u8, &str, Option<Uuid>, Option<Date>, u8, u8) {
        match self {
            Move::Register => (0, "", None, None, 0, 0),
            Move::ComeBack => (1, "", None, None, 0, 0),
            Move::Hang {
                place,
                placement,
                until,
            } => (2, place, Some(*placement), *until, 0, 0),
            Move::Visit { found, kind } => (3, "", None, None, *kind as u8, *found as u8),
            Move::Determined => (4, "", None, None, 0, 0),
            Move::TakeDown { placement } => (5, "", *placement, None, 0, 0),
            Move::WriteOff { why } => (6, why, None, None, 0, 0),
        }
    }
}

/// One move on one day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// The entry that says so. Two events may share an entry (a placement and its take-down).
    pub id: Uuid,
    /// The day.
    pub day: Date,
    /// The move.
    pub what: Move,
}

impl Event {
    /// An event.
    pub fn new(id: Uuid, day: Date, what: Move) -> Self {
        Event { id, day, what }
    }
}

/// The events of an entry that places a trap: hung, and taken down where it says when.
pub fn placement(id: Uuid, place: &str, hung: Date, taken_down: Option<Date>) -> Vec<Event> {
    let hang = Move::Hang {
        place: place.to_owned(),
        placement: id,
        until: taken_down,
    };
    let down = Move::TakeDown { placement: Some(id) };
    let mut events = vec![Event::new(id, hung, hang)];
    events.extend(taken_down.map(|day| Event::new(id, day, down)));
    events
}

/// Why a move is not legal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Illegal {
    /// Nothing is known of the trap.
    #[error("trap {trap:?} is unknown on {date}: it was neither registered nor hung by then")]
    UnknownTrap {
        /// The trap.
        trap: String,
        /// The day of the move.
        date: Date,
    },
    /// The label is on two traps.
    #[error("trap {trap:?} was registered on {since} already: another trap needs another label")]
    RegisteredAlready {
        /// The trap.
        trap: String,
        /// Since when.
        since: Date,
    },
    /// It is in store and was not hung since it came there.
    #[error("trap {trap:?} does not hang on {date}: it was not hung by then")]
    NotHanging {
        /// The trap.
        trap: String,
        /// The day of the move.
        date: Date,
    },
    /// It was hung only later.
    #[error("trap {trap:?} was first hung on {hung}, after {date}")]
    BeforeHung {
        /// The trap.
        trap: String,
        /// The day of the move.
        date: Date,
        /// The day it was first hung.
        hung: Date,
    },
    /// It was down by then.
    #[error("trap {trap:?} was taken down on {taken_down}, before {date}, and not hung again by then")]
    AfterTakeDown {
        /// The trap.
        trap: String,
        /// The day of the move.
        date: Date,
        /// The day it was taken down.
        taken_down: Date,
    },
    /// One trap can't hang twice at once.
    #[error("trap {trap:?} hangs at {place:?} since {hung}{}: take it down first", until_words(*taken_down))]
    HangsAlready {
        /// The trap.
        trap: String,
        /// Where it hangs.
        place: String,
        /// Since when.
        hung: Date,
        /// Until when, where that is known.
        taken_down: Option<Date>,
    },
    /// The placement has an end.
    #[error("trap {trap:?} does not hang: it was taken down on {taken_down}")]
    DownAlready {
        /// The trap.
        trap: String,
        /// Since when.
        taken_down: Date,
    },
    /// A take-down of a placement at which the trap does not hang.
    #[error(
        "trap {trap:?} hangs at {place:?} since {hung}, which is not the placement that the take-down of {date} ends"
    )]
    OtherPlacement {
        /// The trap.
        trap: String,
        /// Where it hangs.
        place: String,
        /// Since when.
        hung: Date,
        /// The day of the take-down.
        date: Date,
    },
    /// It was given up.
    #[error("trap {trap:?} was written off on {since} ({why}): record first that it came back")]
    WrittenOff {
        /// The trap.
        trap: String,
        /// Since when.
        since: Date,
        /// Why.
        why: String,
    },
    /// A come-back of a trap that was never given up.
    #[error("trap {trap:?} was not written off by {date}, so it can't come back")]
    NotWrittenOff {
        /// The trap.
        trap: String,
        /// The day of the move.
        date: Date,
    },
    /// Something recorded depends on what would go.
    #[error("trap {trap:?} has a {what} on {date} that would be left without a hanging trap")]
    StillNeeded {
        /// The trap.
        trap: String,
        /// "visit", "determination" or "take-down".
        what: &'static str,
        /// Its day.
        date: Date,
    },
    /// Something else recorded depends on what would go.
    #[error("with that, something recorded already could not have been: {0}")]
    Contradicts(Box<Illegal>),
}

fn until_words(taken_down: Option<Date>) -> String {
    taken_down.map_or_else(String::new, |d| format!(" until {d}"))
}

/// A trap in a state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trap {
    /// Its label.
    pub label: String,
    /// The day it was registered, if it was (a trap may be hung without).
    pub registered: Option<Date>,
    /// Where it is.
    pub state: State,
}

impl Trap {
    /// A trap of which nothing is known.
    pub fn unknown(label: &str) -> Self {
        Trap {
            label: label.to_owned(),
            registered: None,
            state: State::Unknown,
        }
    }

    /// One move more.
    ///
    /// # Errors
    /// Why the move is illegal.
    pub fn step(&self, event: &Event) -> Result<Trap, Illegal> {
        let mut next = self.clone();
        next.take(event).map(|()| next)
    }

    /// The same in place; nothing changes at an illegal move.
    fn take(&mut self, event: &Event) -> Result<(), Illegal> {
        let day = event.day;
        let next = match (&event.what, &self.state) {
            (Move::Register, state) => {
                if self.registered.is_some() {
                    return Err(self.refusal(event));
                }
                let new = match state {
                    State::Unknown => Some(State::Stored {
                        since: day,
                        down: None,
                    }),
                    _ => None,
                };
                self.registered = Some(day);
                new
            }
            (
                Move::Hang {
                    place,
                    placement,
                    until,
                },
                State::Unknown | State::Stored { .. },
            ) => Some(State::Hanging {
                place: place.clone(),
                placement: *placement,
                since: day,
                until: *until,
                condition: Condition::Working,
            }),
            (Move::Visit { found, .. }, State::Hanging { condition, .. }) => {
                let found = condition_found(*found).unwrap_or(*condition);
                if let State::Hanging { condition, .. } = &mut self.state {
                    *condition = found;
                }
                None
            }
            (Move::Determined, State::Hanging { .. }) => None,
            (Move::Visit { .. } | Move::Determined, State::Stored { down, .. }) if *down == Some(day) => None,
            (Move::TakeDown { placement: named }, State::Hanging { placement, until, .. })
                if named.map_or(until.is_none(), |named| named == *placement) =>
            {
                Some(State::Stored {
                    since: day,
                    down: Some(day),
                })
            }
            (Move::WriteOff { why }, State::Stored { .. } | State::Hanging { .. }) => {
                Some(State::WrittenOff {
                    why: why.clone(),
                    since: day,
                })
            }
            (Move::ComeBack, State::WrittenOff { .. }) => Some(State::Stored {
                since: day,
                down: None,
            }),
            _ => return Err(self.refusal(event)),
        };
        if let Some(state) = next {
            self.state = state;
        }
        Ok(())
    }

    /// Why an illegal move is illegal.
    fn refusal(&self, event: &Event) -> Illegal {
        let (trap, date) = (self.label.clone(), event.day);
        if let (Some(since), Move::Register) = (self.registered, &event.what) {
            return Illegal::RegisteredAlready { trap, since };
        }
        match (&self.state, &event.what) {
            (State::Unknown, _) => Illegal::UnknownTrap { trap, date },
            (State::WrittenOff { why, since }, _) => Illegal::WrittenOff {
                trap,
                since: *since,
                why: why.clone(),
            },
            (_, Move::ComeBack) => Illegal::NotWrittenOff { trap, date },
            (
                State::Hanging {
                    until: Some(until), ..
                },
                Move::TakeDown { placement: None },
            ) => Illegal::DownAlready {
                trap,
                taken_down: *until,
            },
            (State::Hanging { place, since, .. }, Move::TakeDown { .. }) => Illegal::OtherPlacement {
                trap,
                place: place.clone(),
                hung: *since,
                date,
            },
            (
                State::Hanging {
                    place, since, until, ..
                },
                _,
            ) => Illegal::HangsAlready {
                trap,
                place: place.clone(),
                hung: *since,
                taken_down: *until,
            },
            (
                State::Stored {
                    down: Some(taken_down),
                    ..
                },
                Move::TakeDown { .. },
            ) => Illegal::DownAlready {
                trap,
                taken_down: *taken_down,
            },
            (
                State::Stored {
                    down: Some(taken_down),
                    ..
                },
                _,
            ) => Illegal::AfterTakeDown {
                trap,
                date,
                taken_down: *taken_down,
            },
            (State::Stored { down: None, .. }, _) => Illegal::NotHanging { trap, date },
        }
    }
}

/// What a visit says of the trap; `None` when it was not reached.
fn condition_found(found: TrapFound) -> Option<Condition> {
    match found {
        TrapFound::Working => Some(Condition::Working),
        TrapFound::Impaired => Some(Condition::Impaired),
        TrapFound::Down => Some(Condition::Down),
        TrapFound::Gone => Some(Condition::Missing),
        TrapFound::NotReached => None,
    }
}

/// A legal move and the state after it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// The entry.
    pub id: Uuid,
    /// The day.
    pub day: Date,
    /// The state after it.
    pub after: State,
}

/// What the history of a trap comes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Folded {
    /// The trap at the end.
    pub trap: Trap,
    /// The legal moves, in order.
    pub history: Vec<Step>,
    /// The illegal ones, each entry once, in order.
    pub illegal: Vec<(Uuid, Illegal)>,
}

/// Folds the history of one trap. The order of `events`, and repetitions in it, make no difference.
pub fn fold(label: &str, events: &[Event]) -> Folded {
    fold_of(label, events.iter().collect())
}

fn fold_of(label: &str, mut events: Vec<&Event>) -> Folded {
    events.sort_by(|a, b| order(a).cmp(&order(b)));
    events.dedup();
    let mut folded = Folded {
        trap: Trap::unknown(label),
        history: Vec::with_capacity(events.len()),
        illegal: Vec::new(),
    };
    for day in events.chunk_by(|a, b| a.day == b.day) {
        fold_day(&mut folded, day);
    }
    say_when_hung(&mut folded);
    folded
}

type Order<'a> = (Date, u8, Uuid, (u8, &'a str, Option<Uuid>, Option<Date>, u8, u8));

fn order(event: &Event) -> Order<'_> {
    (event.day, event.what.rank(event.day), event.id, event.what.key())
}

/// The events of one day, in the order in which they are tried.
fn fold_day(folded: &mut Folded, day: &[&Event]) {
    let mut waiting = day.to_vec();
    while !waiting.is_empty() {
        let trap = &mut folded.trap;
        if let Some(next) = waiting.iter().position(|event| trap.take(event).is_ok()) {
            let event = waiting.remove(next);
            folded.history.push(Step {
                id: event.id,
                day: event.day,
                after: trap.state.clone(),
            });
        } else {
            let event = waiting.remove(0);
            let why = trap.refusal(event);
            list(&mut folded.illegal, event.id, why);
        }
    }
}

/// A move before the trap was first hung is told when that was: only the whole history knows.
fn say_when_hung(folded: &mut Folded) {
    let Some(first) = spans(folded).first().map(|span| span.hung) else {
        return;
    };
    for (_, why) in &mut folded.illegal {
        if let Illegal::UnknownTrap { trap, date } | Illegal::NotHanging { trap, date } = why
            && *date < first
        {
            *why = Illegal::BeforeHung {
                trap: trap.clone(),
                date: *date,
                hung: first,
            };
        }
    }
}

/// How a placement ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum How {
    /// Taken down.
    TakenDown {
        /// The entry that says so.
        by: Uuid,
    },
    /// The trap was written off: a loss accounted for.
    WrittenOff {
        /// The entry that says so.
        by: Uuid,
        /// Why.
        why: String,
    },
}

/// The stretch of days a trap hung at a place. Both ends count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// The entry that hung it.
    pub placement: Uuid,
    /// Where.
    pub place: String,
    /// Since when.
    pub hung: Date,
    /// Until when, and how it ended.
    pub ended: Option<(Date, How)>,
}

impl Span {
    /// Whether the trap hung there on a day.
    pub fn covers(&self, day: Date) -> bool {
        self.hung <= day && self.ended.as_ref().is_none_or(|(end, _)| day <= *end)
    }
}

/// The placements of a trap, oldest first; they have at most an end and a beginning in common.
pub fn spans(folded: &Folded) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    let mut hangs = false;
    for step in &folded.history {
        match &step.after {
            State::Hanging {
                place,
                placement,
                since,
                ..
            } if !hangs => {
                hangs = true;
                spans.push(Span {
                    placement: *placement,
                    place: place.clone(),
                    hung: *since,
                    ended: None,
                });
            }
            State::Hanging { .. } => {}
            after => {
                if let (true, Some(last)) = (hangs, spans.last_mut()) {
                    let by = step.id;
                    let how = match after {
                        State::WrittenOff { why, .. } => How::WrittenOff { by, why: why.clone() },
                        _ => How::TakenDown { by },
                    };
                    last.ended = Some((step.day, how));
                }
                hangs = false;
            }
        }
    }
    spans
}

/// Why new events may not be added to a history, or `None` if they may: with them, a move is illegal that was legal.
pub fn would_refuse(label: &str, history: &[Event], candidates: &[Event]) -> Option<Illegal> {
    let before = fold(label, history);
    let last = history.iter().map(|event| event.day).max();
    if let [candidate] = candidates
        && last.is_none_or(|last| last < candidate.day)
        && !history.iter().any(|event| event.id == candidate.id)
    {
        // Days are folded one after the other, so a later day changes nothing before it.
        return before.trap.step(candidate).err();
    }
    let with: Vec<&Event> = history.iter().chain(candidates).collect();
    explain(label, &before, with, |id| candidates.iter().any(|c| c.id == id))
}

/// Why one history may not take another's place (a correction, a withdrawal), or `None` if it may.
pub fn would_contradict(label: &str, before: &[Event], after: &[Event]) -> Option<Illegal> {
    let new = |id: Uuid| {
        let of = |events: &[Event]| -> Vec<Event> { events.iter().filter(|e| e.id == id).cloned().collect() };
        let (was, is) = (of(before), of(after));
        is.iter().any(|event| !was.contains(event))
    };
    explain(label, &fold(label, before), after.iter().collect(), new)
}

/// The first move that is illegal now, in words that suit whoever tries to make it so.
fn explain(label: &str, before: &Folded, after: Vec<&Event>, own: impl Fn(Uuid) -> bool) -> Option<Illegal> {
    let folded = fold_of(label, after.clone());
    let (id, why, is_own) = newly_illegal(&before.illegal, &folded.illegal, own)?;
    if is_own {
        return Some(why);
    }
    let span = spans(before).into_iter().find(|span| span.placement == id);
    let event = after.into_iter().find(|event| event.id == id);
    Some(match (why, event.map(|event| (&event.what, event.day)), span) {
        (Illegal::HangsAlready { trap, .. }, _, Some(span)) => Illegal::HangsAlready {
            trap,
            place: span.place,
            hung: span.hung,
            taken_down: span.ended.map(|(end, _)| end),
        },
        (
            Illegal::UnknownTrap { trap, .. }
            | Illegal::NotHanging { trap, .. }
            | Illegal::BeforeHung { trap, .. }
            | Illegal::AfterTakeDown { trap, .. }
            | Illegal::DownAlready { trap, .. },
            Some((what, date)),
            _,
        ) => Illegal::StillNeeded {
            trap,
            what: match what {
                Move::Determined => "determination",
                Move::TakeDown { .. } => "take-down",
                _ => "visit",
            },
            date,
        },
        (why, _, _) => Illegal::Contradicts(Box::new(why)),
    })
}

#[cfg(test)]
mod tests;
