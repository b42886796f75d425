//! What may happen to a trap, a specimen and a find, in what order, and what state that leaves them in.
//!
//! Nothing here knows the database, the clock or the bodies of entries: a caller turns entries into small events and
//! gets a state back. Each machine has a `step` (one move from one state: the new state, or why not) and a `fold` over
//! the whole history of one subject. A fold is a function of the **set** of events: it puts them in order itself, takes
//! the same event twice as once, never fails, leaves the state as it is at an illegal move and lists that move. So two
//! devices that hold the same entries agree, whatever the order in which the entries reached them.
//!
//! `would_refuse` asks the fold whether new events may be appended: they may not when, with them, a move is illegal that
//! was not illegal without them, be it one of their own or one recorded earlier.

pub mod find;
pub mod specimen;
pub mod trap;

use uuid::Uuid;

/// The first move that is illegal after but was not before, the new events' own first. `true`: it is one of their own.
fn newly_illegal<I: Clone>(
    before: &[(Uuid, I)],
    after: &[(Uuid, I)],
    own: impl Fn(Uuid) -> bool,
) -> Option<(Uuid, I, bool)> {
    let new: Vec<&(Uuid, I)> = after
        .iter()
        .filter(|(id, _)| !before.iter().any(|(known, _)| known == id))
        .collect();
    let first = new.iter().find(|(id, _)| own(*id)).or_else(|| new.first())?;
    Some((first.0, first.1.clone(), own(first.0)))
}

/// Keeps the first reason given for an entry: one that makes two moves is listed once.
fn list<I>(illegal: &mut Vec<(Uuid, I)>, id: Uuid, why: I) {
    if !illegal.iter().any(|(known, _)| *known == id) {
        illegal.push((id, why));
    }
}
