//! Where each trap hangs, from everything said of it.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_model::record::{Looked, Placement, Position, TrapFound};
use jiff::civil::Date;
use rusqlite::{Connection, params};
use uuid::Uuid;

use super::conflicts::{self, Conflict};
use super::{Fact, facts_of, record_text};
use crate::body::{Body, Loss, VisitMade};
use crate::error::Error;
use crate::machine::trap::{self, Condition, Event, How, Move, State};

/// Key of a trap as a subject.
pub(crate) fn subject(trap: &str) -> String {
    format!("trap:{trap}")
}

/// What moves a trap: few entries, whatever the number of its visits.
const MOVES: &str =
    "('trap-placed', 'trap-taken-down', 'trap-registered', 'trap-written-off', 'trap-came-back')";
/// What needs the trap to hang on its day.
const STOPS: &str = "('visit-made', 'determination')";

fn facts_among(db: &Connection, trap: &str, kinds: &str) -> Result<Vec<Fact>, Error> {
    let mut select = db.prepare_cached(&format!(
        "SELECT {} FROM facts WHERE subject = ? AND kind IN {kinds} AND withdrawn_by IS NULL",
        super::facts::COLUMNS
    ))?;
    let rows = select.query_map([subject(trap)], Fact::from_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The moves that an entry makes its trap do; none for an entry of another kind.
pub(crate) fn events_of(entry: Uuid, body: &Body) -> Vec<Event> {
    match body {
        Body::TrapPlaced(b) => trap::placement(entry, &b.place, b.hung, b.taken_down),
        Body::TrapTakenDown(b) => vec![Event::new(entry, b.date, Move::TakeDown { placement: None })],
        Body::VisitMade(b) => vec![Event::new(
            entry,
            b.date,
            Move::Visit {
                found: b.found,
                kind: b.kind,
            },
        )],
        Body::TrapWrittenOff(b) => {
            let why = match &b.note {
                Some(note) => format!("{}: {note}", loss_words(b.why)),
                None => loss_words(b.why).to_owned(),
            };
            vec![Event::new(entry, b.date, Move::WriteOff { why })]
        }
        Body::TrapCameBack(b) => vec![Event::new(entry, b.date, Move::ComeBack)],
        _ => Vec::new(),
    }
}

/// The same, with the day of the entry for the kinds whose body tells none.
pub(crate) fn events_on(entry: Uuid, day: Date, body: &Body) -> Vec<Event> {
    match body {
        Body::TrapRegistered(_) => vec![Event::new(entry, day, Move::Register)],
        other => events_of(entry, other),
    }
}

fn loss_words(loss: Loss) -> &'static str {
    match loss {
        Loss::Lost => "lost",
        Loss::Stolen => "stolen",
        Loss::Destroyed => "destroyed",
        Loss::Vandalised => "vandalised",
        Loss::Other => "other",
    }
}

/// The moves of a trap, without the stops at it.
pub(crate) fn moves(db: &Connection, trap: &str) -> Result<Vec<Event>, Error> {
    let mut events = Vec::new();
    for fact in facts_among(db, trap, MOVES)? {
        events.extend(events_on(fact.entry, fact.day, &fact.body()?));
    }
    Ok(events)
}

/// The stops at a trap, as far as they need it to hang: their days. How it was found is not told here.
pub(crate) fn stops(db: &Connection, trap: &str) -> Result<Vec<Event>, Error> {
    let mut select = db.prepare_cached(&format!(
        "SELECT entry, day, kind FROM facts WHERE subject = ?1 AND kind IN {STOPS} AND withdrawn_by IS NULL
         UNION ALL
         SELECT f.entry, f.day, f.kind FROM touches t JOIN facts f ON f.entry = t.entry
         WHERE t.subject = ?1 AND f.kind = 'specimen-taken' AND f.withdrawn_by IS NULL"
    ))?;
    let mut rows = select.query([subject(trap)])?;
    let mut events = Vec::new();
    while let Some(row) = rows.next()? {
        let day = row.get::<_, String>(1)?;
        let day = day
            .parse()
            .map_err(|_| Error::Damaged(format!("{day:?} stands where a date should")))?;
        let what = if row.get_ref(2)?.as_str().is_ok_and(|kind| kind == "visit-made") {
            Move::Visit {
                found: earlywood_model::record::TrapFound::NotReached,
                kind: earlywood_model::record::VisitKind::Service,
            }
        } else {
            Move::Determined
        };
        events.push(Event::new(Uuid::from_bytes(row.get(0)?), day, what));
    }
    Ok(events)
}

/// Computes anew the placements of a trap: those that the trap's machine makes of what was said.
pub(crate) fn refresh_spans(db: &Connection, trap: &str) -> Result<(), Error> {
    let facts = facts_among(db, trap, MOVES)?;
    let mut events = Vec::new();
    let mut bodies = std::collections::HashMap::new();
    for fact in &facts {
        let body = fact.body()?;
        events.extend(events_on(fact.entry, fact.day, &body));
        bodies.insert(fact.entry, body);
    }
    db.prepare_cached("DELETE FROM placements WHERE trap = ?")?
        .execute([trap])?;
    let folded = trap::fold(trap, &events);
    for span in trap::spans(&folded) {
        let Some(Body::TrapPlaced(body)) = bodies.get(&span.placement) else {
            continue;
        };
        db.prepare_cached(
            "INSERT INTO placements (entry, trap, place, hung, taken_down, down_by, body) VALUES (?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![
            span.placement.as_bytes(),
            trap,
            span.place,
            span.hung.to_string(),
            span.ended.as_ref().map(|(day, _)| day.to_string()),
            span.ended.as_ref().and_then(|(_, how)| ended_by(how, span.placement)),
            record_text(body)?
        ])?;
    }
    Ok(())
}

/// The entry that ended a placement, where it is not the placement's own.
fn ended_by(how: &How, placement: Uuid) -> Option<[u8; 16]> {
    let (How::TakenDown { by } | How::WrittenOff { by, .. }) = how;
    (*by != placement).then(|| *by.as_bytes())
}

/// How far from its place a trap may be visited before the place is in doubt, metres: a poor fix under trees (common
/// practice, no source).
const ASTRAY_M: f64 = 100.0;

/// Computes anew the state of a trap, its clocks and what about it can't be.
pub(crate) fn refresh(db: &Connection, label: &str) -> Result<(), Error> {
    let mut events = Vec::new();
    let mut visits = Vec::new();
    for fact in facts_among(db, label, MOVES)? {
        events.extend(events_on(fact.entry, fact.day, &fact.body()?));
    }
    for fact in facts_of(db, &subject(label), "visit-made")? {
        let body = fact.body()?;
        events.extend(events_of(fact.entry, &body));
        if let Body::VisitMade(visit) = body {
            visits.push((fact, visit));
        }
    }
    events.extend(
        stops(db, label)?
            .into_iter()
            .filter(|event| event.what == Move::Determined),
    );
    let folded = trap::fold(label, &events);
    let mut found: Vec<Conflict> = folded
        .illegal
        .iter()
        .map(|(entry, why)| Conflict::illegal(*entry, why))
        .collect();
    found.extend(visited_by_two(label, &visits));
    found.extend(visited_elsewhere(db, label, &visits)?);
    conflicts::replace(db, &subject(label), found)?;
    super::specimens::refresh_trap_finds(db, label)?;
    write_state(db, label, &folded, &visits)
}

/// Visits of one day that two devices recorded: two crews at one trap, or one stop recorded twice.
fn visited_by_two(label: &str, visits: &[(Fact, VisitMade)]) -> Vec<Conflict> {
    let mut days: BTreeMap<Date, Vec<&Fact>> = BTreeMap::new();
    for (fact, visit) in visits {
        days.entry(visit.date).or_default().push(fact);
    }
    let by_two = |facts: &Vec<&Fact>| facts.iter().any(|fact| fact.device != facts[0].device);
    days.into_iter()
        .filter(|(_, facts)| by_two(facts))
        .map(|(day, facts)| Conflict {
            kind: "visited-twice",
            entries: facts.iter().map(|fact| fact.entry).collect(),
            words: format!(
                "trap {label:?} was visited on {day} by {} devices independently",
                devices(&facts)
            ),
        })
        .collect()
}

fn devices(facts: &[&Fact]) -> usize {
    facts
        .iter()
        .map(|fact| fact.device)
        .collect::<BTreeSet<_>>()
        .len()
}

/// Visits at a place, or a position, where the trap did not hang then: it had been moved.
fn visited_elsewhere(
    db: &Connection,
    label: &str,
    visits: &[(Fact, VisitMade)],
) -> Result<Vec<Conflict>, Error> {
    let told = |visit: &VisitMade| visit.place.is_some() || visit.position.is_some();
    if !visits.iter().any(|(_, visit)| told(visit)) {
        return Ok(Vec::new());
    }
    let mut select =
        db.prepare_cached("SELECT entry, hung, taken_down, body FROM placements WHERE trap = ?")?;
    let rows = select.query_map([label], |row| {
        Ok((
            Uuid::from_bytes(row.get(0)?),
            row.get::<_, String>(1)?,
            row.get::<_, Option<String>>(2)?,
            row.get::<_, String>(3)?,
        ))
    })?;
    let mut placements = Vec::new();
    for row in rows {
        let (entry, hung, down, body) = row?;
        let placement: Placement = serde_json::from_str(&body)
            .map_err(|e| Error::Damaged(format!("a placement can't be read: {e}")))?;
        placements.push((entry, hung, down, placement));
    }
    let mut found = Vec::new();
    for (fact, visit) in visits.iter().filter(|(_, visit)| told(visit)) {
        let day = visit.date.to_string();
        let mut then: Vec<_> = placements
            .iter()
            .filter(|(_, hung, down, _)| *hung <= day && down.as_ref().is_none_or(|down| day <= *down))
            .collect();
        if then.is_empty() || then.iter().any(|(.., placement)| is_there(visit, placement)) {
            continue;
        }
        let Some((placement, .., at)) = then.pop() else {
            continue;
        };
        found.push(Conflict {
            kind: "old-place",
            entries: vec![*placement, fact.entry],
            words: format!(
                "trap {label:?} was visited on {day} {}, but hung at {:?} then",
                visit
                    .place
                    .as_ref()
                    .map_or_else(|| "elsewhere".into(), |place| format!("at {place:?}")),
                at.place
            ),
        });
    }
    Ok(found)
}

fn is_there(visit: &VisitMade, placement: &Placement) -> bool {
    if visit
        .moved_to
        .as_ref()
        .is_some_and(|to| to.place == placement.place)
    {
        return true;
    }
    match (&visit.place, visit.position) {
        (Some(place), _) => *place == placement.place,
        (None, Some(position)) => {
            let slack = ASTRAY_M + visit.position_accuracy_m.unwrap_or(0.0);
            distance_m(position, placement.position) <= slack
        }
        (None, None) => true,
    }
}

/// On a sphere of 6371 km; within half a per cent, which is far less than a fix under trees is worth.
pub(crate) fn distance_m(a: Position, b: Position) -> f64 {
    let (lat_a, lat_b) = (a.lat.to_radians(), b.lat.to_radians());
    let half = |x: f64| (x / 2.0).sin().powi(2);
    let h = half(lat_b - lat_a) + lat_a.cos() * lat_b.cos() * half((b.lon - a.lon).to_radians());
    2.0 * 6_371_000.0 * h.sqrt().min(1.0).asin()
}

/// The days on which each clock of the placement that is open now was last set back.
#[derive(Default)]
struct Clocks {
    visit: Option<Date>,
    look: Option<Date>,
    lure: Option<Date>,
    lure_lot: Option<String>,
    insert: Option<Date>,
    killing_agent: Option<Date>,
    body: Option<Date>,
    next_due: Option<Date>,
}

fn clocks(since: Date, visits: &[(Fact, VisitMade)]) -> Clocks {
    let mut clocks = Clocks {
        lure: Some(since),
        insert: Some(since),
        killing_agent: Some(since),
        body: Some(since),
        ..Clocks::default()
    };
    let mut visits: Vec<_> = visits.iter().filter(|(_, visit)| visit.date >= since).collect();
    visits.sort_by_key(|(fact, visit)| (visit.date, fact.at, fact.entry));
    for (_, visit) in visits {
        let day = Some(visit.date);
        clocks.next_due = visit.next_due;
        if visit.found == TrapFound::NotReached {
            continue;
        }
        clocks.visit = day;
        if visit.looked == Looked::Fully {
            clocks.look = day;
        }
        if let Some(lure) = &visit.renewed.lure {
            clocks.lure = day;
            clocks.lure_lot = lure.lot.clone();
        } else if visit.hanging_lot.is_some() {
            clocks.lure_lot = visit.hanging_lot.clone();
        }
        for (renewed, clock) in [
            (&visit.renewed.insert, &mut clocks.insert),
            (&visit.renewed.killing_agent, &mut clocks.killing_agent),
            (&visit.renewed.body, &mut clocks.body),
        ] {
            if renewed.is_some() {
                *clock = day;
            }
        }
    }
    clocks
}

fn write_state(
    db: &Connection,
    label: &str,
    folded: &trap::Folded,
    visits: &[(Fact, VisitMade)],
) -> Result<(), Error> {
    db.prepare_cached("DELETE FROM traps WHERE trap = ?")?
        .execute([label])?;
    let text = |day: Option<Date>| day.map(|day| day.to_string());
    let mut clock = Clocks::default();
    let (state, since, place, placement, condition) = match &folded.trap.state {
        State::Unknown => return Ok(()),
        State::Stored { since, .. } => ("stored", *since, None, None, None),
        State::WrittenOff { since, .. } => ("written-off", *since, None, None, None),
        State::Hanging {
            place,
            placement,
            since,
            condition,
            ..
        } => {
            clock = clocks(*since, visits);
            (
                "hanging",
                *since,
                Some(place),
                Some(*placement),
                Some(condition_word(*condition)),
            )
        }
    };
    db.prepare_cached(
        "INSERT INTO traps (trap, state, since, place, placement, condition, last_visit, last_look, lure, lure_lot,
                            insert_day, killing_agent, body_day, next_due)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        label,
        state,
        since.to_string(),
        place,
        placement.as_ref().map(Uuid::as_bytes),
        condition,
        text(clock.visit),
        text(clock.look),
        text(clock.lure),
        clock.lure_lot,
        text(clock.insert),
        text(clock.killing_agent),
        text(clock.body),
        text(clock.next_due)
    ])?;
    Ok(())
}

fn condition_word(condition: Condition) -> &'static str {
    match condition {
        Condition::Working => "working",
        Condition::Impaired => "impaired",
        Condition::Down => "down",
        Condition::Missing => "missing",
    }
}
