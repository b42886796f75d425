//! Specimens and what they are: states folded from everything said of each.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::civil::Date;
use rusqlite::{Connection, params};
use uuid::Uuid;

use super::conflicts::{self, Conflict};
use super::{Fact, facts_of};
use crate::body::{
    Body, Determination, Determined, Ending, Method, Origin, PlantingOutcome, SpecimensOffered, Status,
};
use crate::error::Error;
use crate::machine::find;
use crate::machine::specimen::{self, Event, Move, State};
use crate::trust::Trust;

/// Key of a specimen as a subject.
pub(crate) fn subject(label: &str) -> String {
    format!("specimen:{label}")
}

/// The instant of a fact.
pub(crate) fn instant(at: i64) -> Timestamp {
    Timestamp::from_microsecond(at).unwrap_or(Timestamp::UNIX_EPOCH)
}

/// Everything said of a specimen: facts about it and facts that touch it.
fn facts(db: &Connection, label: &str) -> Result<Vec<Fact>, Error> {
    let columns = super::facts::COLUMNS;
    let mut select = db.prepare_cached(&format!(
        "SELECT {columns} FROM facts WHERE subject = ?1 AND withdrawn_by IS NULL
         UNION ALL
         SELECT {} FROM touches t JOIN facts f ON f.entry = t.entry WHERE t.subject = ?1 AND f.withdrawn_by IS NULL",
        columns.split(", ").map(|c| format!("f.{}", c.trim())).collect::<Vec<_>>().join(", ")
    ))?;
    let rows = select.query_map([subject(label)], Fact::from_row)?;
    let mut facts: Vec<Fact> = rows.collect::<Result<_, _>>()?;
    // The answers to a hand-over name the hand-over alone.
    let handovers: Vec<String> = facts
        .iter()
        .filter(|fact| fact.kind == "specimens-offered")
        .map(|fact| fact.subject.clone())
        .collect();
    for handover in handovers {
        for kind in ["specimens-accepted", "specimens-declined"] {
            facts.extend(facts_of(db, &handover, kind)?);
        }
    }
    Ok(facts)
}

/// The moves that have happened to a specimen.
pub(crate) fn events(db: &Connection, label: &str) -> Result<Vec<Event>, Error> {
    let mut events = Vec::new();
    for fact in facts(db, label)? {
        events.extend(events_of(
            label,
            fact.entry,
            instant(fact.at),
            &fact.person,
            &fact.body()?,
        ));
    }
    Ok(events)
}

/// The moves that one body makes a specimen do.
pub(crate) fn events_of(label: &str, entry: Uuid, at: Timestamp, person: &str, body: &Body) -> Vec<Event> {
    let what = match body {
        Body::SpecimenTaken(b) if b.specimen == label => match &b.from {
            Origin::Specimen { parent } => Move::Lifted {
                parent: parent.clone(),
                by: person.to_owned(),
            },
            _ => Move::Taken {
                by: person.to_owned(),
            },
        },
        Body::SpecimenTaken(b) => Move::Split {
            child: b.specimen.clone(),
        },
        Body::SpecimensOffered(b) => Move::Offered {
            handover: b.handover.clone(),
            from: b.from.clone(),
            to: b.to.clone(),
        },
        Body::SpecimensAccepted(b) => Move::Accepted {
            handover: b.handover.clone(),
            by: b.by.clone(),
        },
        Body::SpecimensDeclined(b) => Move::Declined {
            handover: b.handover.clone(),
            by: b.by.clone(),
        },
        Body::ScreeningMade(b) if b.specimen == label => Move::Screened {
            pass: b.pass,
            by: b.by.clone(),
        },
        Body::Determination(b) => Move::Opinion {
            by: b.by.clone(),
            image: b.method == Some(Method::Image),
        },
        Body::PlantingClosed(b) => Move::PlantFound {
            planting: b.planting.clone(),
        },
        Body::SpecimenEnded(b) => Move::Ended {
            how: ending(b.how).to_owned(),
            by: b.by.clone(),
        },
        _ => return Vec::new(),
    };
    vec![Event::new(entry, at, what)]
}

fn ending(how: Ending) -> &'static str {
    match how {
        Ending::Returned => "returned",
        Ending::Retained => "retained",
        Ending::Destroyed => "destroyed",
        Ending::Lost => "lost",
    }
}

/// The offer of a hand-over.
pub(crate) fn offer(db: &Connection, handover: &str) -> Result<Option<SpecimensOffered>, Error> {
    let offered = facts_of(db, &format!("handover:{handover}"), "specimens-offered")?;
    Ok(match offered.first().map(Fact::body).transpose()? {
        Some(Body::SpecimensOffered(offer)) => Some(offer),
        _ => None,
    })
}

/// Where a specimen was taken: from a trap or tree, or from a specimen that was.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Source {
    pub(crate) trap: Option<String>,
    pub(crate) tree: Option<String>,
    pub(crate) day: Option<Date>,
    pub(crate) parent: Option<String>,
}

/// Deepest chain of parents that is followed; more is a ring of labels.
const DEEPEST: usize = 32;

pub(crate) fn source(db: &Connection, label: &str) -> Result<Source, Error> {
    let mut found = Source::default();
    let mut at = label.to_owned();
    for _ in 0..DEEPEST {
        let taken = facts_of(db, &subject(&at), "specimen-taken")?;
        let Some(fact) = taken.first() else { break };
        let Body::SpecimenTaken(body) = fact.body()? else {
            break;
        };
        match body.from {
            Origin::Trap { trap, date } => {
                found.trap = Some(trap);
                found.day = Some(date);
            }
            Origin::Tree { tree, date } => {
                found.tree = Some(tree);
                found.day = Some(date);
            }
            Origin::Specimen { parent } => {
                found.parent.get_or_insert_with(|| parent.clone());
                at = parent;
                continue;
            }
            Origin::Other { .. } => found.day = Some(fact.day),
        }
        break;
    }
    Ok(found)
}

/// What was said of a specimen for one target, as the find's machine takes it.
pub(crate) fn opinions(
    db: &Connection,
    trust: &Trust,
    label: &str,
    target: &str,
) -> Result<Vec<find::Event>, Error> {
    let mut events = Vec::new();
    for fact in facts(db, label)? {
        match fact.body()? {
            Body::Determination(b) if b.target == target => {
                events.push(opinion(
                    db,
                    trust,
                    label,
                    fact.entry,
                    (instant(fact.at), fact.day),
                    &b,
                )?);
            }
            Body::PlantingClosed(b) if matches!(b.outcome, PlantingOutcome::Recovered { .. }) => {
                events.push(find::Event::new(
                    fact.entry,
                    instant(fact.at),
                    find::Move::Planted,
                ));
            }
            _ => {}
        }
    }
    Ok(events)
}

/// One opinion, recorded or not yet, said at an instant on a day.
pub(crate) fn opinion(
    db: &Connection,
    trust: &Trust,
    label: &str,
    entry: Uuid,
    (at, day): (Timestamp, Date),
    said: &Determination,
) -> Result<find::Event, Error> {
    let mark_needed = said.status == Status::Confirmed && is_planting_out(db, label, at)?;
    let what = find::Move::Opinion {
        status: said.status,
        by: said.by.clone(),
        rank: trust.rank(&said.by, &said.target, said.life_stage.as_deref(), day),
        mark_checked: said.mark_checked,
        mark_needed,
    };
    Ok(find::Event::new(entry, at, what))
}

/// Whether, at an instant, a planted specimen was still in the trap that the specimen came from.
fn is_planting_out(db: &Connection, label: &str, at: Timestamp) -> Result<bool, Error> {
    let Source {
        trap: Some(trap),
        day: Some(day),
        ..
    } = source(db, label)?
    else {
        return Ok(false);
    };
    let mut select = db.prepare_cached("SELECT planting FROM plantings WHERE trap = ? AND day <= ?")?;
    let rows = select.query_map([&trap, &day.to_string()], |row| row.get::<_, String>(0))?;
    for planting in rows {
        let closed = facts_of(db, &format!("planting:{}", planting?), "planting-closed")?;
        if !closed.iter().any(|fact| instant(fact.at) < at) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Computes anew the state of a specimen and of those lifted from it. Gives the labels that were looked at.
pub(crate) fn refresh(db: &Connection, trust: &Trust, label: &str) -> Result<BTreeSet<String>, Error> {
    let mut seen = BTreeSet::new();
    let mut waiting = vec![label.to_owned()];
    while let Some(label) = waiting.pop() {
        if seen.insert(label.clone()) {
            waiting.extend(refresh_one(db, trust, &label)?);
        }
    }
    Ok(seen)
}

/// Lists what two sides of a hand-over say differently, and gives the specimens that it is about.
pub(crate) fn refresh_handover(db: &Connection, handover: &str) -> Result<Vec<String>, Error> {
    let subject = format!("handover:{handover}");
    let offers = facts_of(db, &subject, "specimens-offered")?;
    let mut found = Vec::new();
    let mut specimens = Vec::new();
    let mut offered = None;
    for fact in &offers {
        if let Body::SpecimensOffered(offer) = fact.body()? {
            specimens.extend(offer.specimens.iter().cloned());
            offered.get_or_insert((fact.entry, offer.containers));
        }
    }
    if let [first, second, ..] = offers.as_slice() {
        found.push(Conflict {
            kind: "label-twice",
            entries: vec![first.entry, second.entry],
            words: format!("hand-over {handover:?} is the label of two offers"),
        });
    }
    for fact in facts_of(db, &subject, "specimens-accepted")? {
        let Body::SpecimensAccepted(accepted) = fact.body()? else {
            continue;
        };
        if let Some((offer, containers)) =
            offered.filter(|(_, containers)| *containers != accepted.containers)
        {
            found.push(Conflict {
                kind: "containers",
                entries: vec![offer, fact.entry],
                words: format!(
                    "hand-over {handover:?}: {containers} containers were offered, {} accepted",
                    accepted.containers
                ),
            });
        }
    }
    conflicts::replace(db, &subject, found)?;
    Ok(specimens)
}

fn refresh_one(db: &Connection, trust: &Trust, label: &str) -> Result<Vec<String>, Error> {
    let events = events(db, label)?;
    let folded = specimen::fold(label, &events);
    let source = source(db, label)?;
    let mut found: Vec<Conflict> = Vec::new();
    for (entry, why) in &folded.illegal {
        found.push(Conflict::illegal(*entry, why));
    }
    db.prepare_cached("DELETE FROM specimens WHERE specimen = ?")?
        .execute([label])?;
    if folded.specimen.state != State::Unknown {
        insert(db, label, &folded, &source)?;
    }
    refresh_finds(db, trust, label, &source, &mut found)?;
    conflicts::replace(db, &subject(label), found)?;
    // All that name it as their parent, rightly or not: where they came from follows from it.
    Ok(events
        .into_iter()
        .filter_map(|event| match event.what {
            Move::Split { child } => Some(child),
            _ => None,
        })
        .collect())
}

fn insert(db: &Connection, label: &str, folded: &specimen::Folded, source: &Source) -> Result<(), Error> {
    let text = |at: &Timestamp| at.to_string();
    let (state, holder, since, offered_to, handover) = match &folded.specimen.state {
        State::Unknown => return Ok(()),
        State::Held { by, since } => ("held", Some(by), text(since), None, None),
        State::Offered {
            by,
            since,
            to,
            handover,
            ..
        } => ("offered", Some(by), text(since), Some(to), Some(handover)),
        State::Ended { how, since, .. } => (how.as_str(), None, text(since), None, None),
    };
    db.prepare_cached(
        "INSERT INTO specimens (specimen, state, holder, since, offered_to, handover, parent, trap, tree, day, planted)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        label,
        state,
        holder,
        since,
        offered_to,
        handover,
        source.parent,
        source.trap,
        source.tree,
        source.day.map(|day| day.to_string()),
        folded.specimen.planted
    ])?;
    Ok(())
}

fn refresh_finds(
    db: &Connection,
    trust: &Trust,
    label: &str,
    source: &Source,
    conflicts: &mut Vec<Conflict>,
) -> Result<(), Error> {
    let mut targets = BTreeSet::new();
    for fact in facts_of(db, &subject(label), "determination")? {
        if let Body::Determination(b) = fact.body()? {
            targets.insert(b.target);
        }
    }
    db.prepare_cached("DELETE FROM finds WHERE source = ?")?
        .execute([subject(label)])?;
    for target in targets {
        let folded = find::fold(label, &target, &opinions(db, trust, label, &target)?);
        for (entry, why) in &folded.illegal {
            conflicts.push(Conflict::illegal(*entry, why));
        }
        let (state, since, by) = describe(&folded.find.state);
        let Some(since) = since else { continue };
        put_find(
            db,
            &FindRow {
                source: &subject(label),
                target: &target,
                state,
                since: &since.to_string(),
                by,
                trap: source.trap.as_deref(),
                day: source.day,
                specimen: Some(label),
            },
        )?;
    }
    Ok(())
}

fn describe(state: &find::State) -> (&'static str, Option<Timestamp>, &str) {
    use find::State as S;
    match state {
        S::NoOpinion => ("none", None, ""),
        S::Suspect(said) => ("suspect", Some(said.at), &said.by),
        S::Tentative(said) => ("tentative", Some(said.at), &said.by),
        S::Determined(said) => ("determined", Some(said.at), &said.by),
        S::Confirmed { since, by } => ("confirmed", Some(*since), by),
        S::RuledOut(said) => ("ruled-out", Some(said.at), &said.by),
        S::Undeterminable(said) => ("undeterminable", Some(said.at), &said.by),
        S::Planted { since, .. } => ("planted", Some(*since), ""),
        S::Overturned { said, .. } => ("overturned", Some(said.at), &said.by),
    }
}

struct FindRow<'a> {
    source: &'a str,
    target: &'a str,
    state: &'a str,
    since: &'a str,
    by: &'a str,
    trap: Option<&'a str>,
    day: Option<Date>,
    specimen: Option<&'a str>,
}

fn put_find(db: &Connection, row: &FindRow<'_>) -> Result<(), Error> {
    db.prepare_cached(
        "INSERT OR REPLACE INTO finds (source, target, state, since, by, trap, day, specimen) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        row.source,
        row.target,
        row.state,
        row.since,
        row.by,
        row.trap,
        row.day.map(|day| day.to_string()),
        row.specimen
    ])?;
    Ok(())
}

/// Computes anew what determinations of layout 1, which name a trap and a day, say of each day and target: the last one
/// stands, as it did then.
pub(crate) fn refresh_trap_finds(db: &Connection, trap: &str) -> Result<(), Error> {
    db.prepare_cached("DELETE FROM finds WHERE trap = ? AND specimen IS NULL")?
        .execute([trap])?;
    for fact in facts_of(db, &super::traps::subject(trap), "determination")? {
        let Body::Determination(b) = fact.body()? else {
            continue;
        };
        let Determined::Trap { date, .. } = &b.of else {
            continue;
        };
        put_find(
            db,
            &FindRow {
                source: &format!("trap:{trap} {date}"),
                target: &b.target,
                state: b.status.word(),
                since: &instant(fact.at).to_string(),
                by: &b.by,
                trap: Some(trap),
                day: Some(*date),
                specimen: None,
            },
        )?;
    }
    Ok(())
}

/// The specimens that came from a trap.
pub(crate) fn from_trap(db: &Connection, trap: &str) -> Result<Vec<String>, Error> {
    let mut select = db.prepare_cached("SELECT specimen FROM specimens WHERE trap = ?")?;
    let rows = select.query_map([trap], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The specimens of which somebody said what they are.
pub(crate) fn determined(db: &Connection) -> Result<Vec<String>, Error> {
    let mut select = db.prepare_cached(
        "SELECT DISTINCT substr(subject, 10) FROM facts WHERE kind = 'determination' AND subject LIKE 'specimen:%'",
    )?;
    let rows = select.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Whose custody a specimen was in, one after another, and what was illegal.
pub(crate) fn folded(db: &Connection, label: &str) -> Result<specimen::Folded, Error> {
    Ok(specimen::fold(label, &events(db, label)?))
}
