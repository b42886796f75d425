//! A lot of supplies: where it went and what carries it.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use rusqlite::Connection;
use serde::Serialize;
use uuid::Uuid;

use super::{facts_where, read_day};
use crate::body::{Body, SupplyMove, VisitMade};
use crate::error::Error;
use crate::programme::Programme;
use crate::project::lots::{Stock, stock};
use crate::project::traps::subject;
use crate::project::{Fact, facts_of};

/// The part of a trap that a lot went into.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// The lure.
    Lure,
    /// The sticky insert.
    Insert,
    /// The killing agent or fluid.
    KillingAgent,
    /// The trap's body.
    Body,
}

impl Part {
    const ALL: [Part; 4] = [Part::Lure, Part::Insert, Part::KillingAgent, Part::Body];

    /// What a visit renewed it with: `Some(None)` where the lot was not told.
    fn renewed(self, visit: &VisitMade) -> Option<Option<&str>> {
        let renewal = match self {
            Part::Lure => &visit.renewed.lure,
            Part::Insert => &visit.renewed.insert,
            Part::KillingAgent => &visit.renewed.killing_agent,
            Part::Body => &visit.renewed.body,
        };
        renewal.as_ref().map(|renewal| renewal.lot.as_deref())
    }
}

/// Something happened to the lot itself.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LotMove {
    /// The day.
    pub day: Date,
    /// Who recorded it.
    pub person: String,
    /// What happened.
    pub what: SupplyMove,
    /// The entry.
    pub entry: Uuid,
}

/// A visit that put the lot into a trap, or found it there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LotVisit {
    /// The day.
    pub day: Date,
    /// The trap.
    pub trap: String,
    /// Into which parts it was put; empty: the lure was found hanging and left there.
    pub put_into: Vec<Part>,
    /// The entry.
    pub entry: Uuid,
}

/// A trap carried the lot.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Carried {
    /// The trap.
    pub trap: String,
    /// In which part.
    pub part: Part,
    /// From this day (the first on which it is known to).
    pub from: Date,
    /// To this day, on which it was renewed or the placement ended; none: it still does.
    pub to: Option<Date>,
}

/// Everything known of a lot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LotTrace {
    /// Its label.
    pub lot: String,
    /// What is left of it, if it was ever received here.
    pub stock: Option<Stock>,
    /// What happened to it, by time.
    pub moves: Vec<LotMove>,
    /// The visits that put it into a trap or found it there, by day.
    pub visits: Vec<LotVisit>,
    /// Which traps carried it, part by part, by trap and day.
    pub carried: Vec<Carried>,
    /// The traps that carry it now, by label.
    pub traps_now: Vec<String>,
    /// First and last day on which some trap carried it; no last day: some still do. None: none ever did.
    pub window: Option<(Date, Option<Date>)>,
}

impl Programme {
    /// Where a lot went: which visits put it into which traps, and which carry it now. An unknown lot gives an empty answer.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn lot_trace(&self, lot: &str) -> Result<LotTrace, Error> {
        let visits = visits(&self.db, lot)?;
        let traps: BTreeSet<&String> = visits.iter().map(|visit| &visit.trap).collect();
        let mut carried = Vec::new();
        for trap in traps {
            carried.extend(carried_by(&self.db, trap, lot)?);
        }
        carried.sort();
        let now: BTreeSet<&String> = carried
            .iter()
            .filter(|span| span.to.is_none())
            .map(|span| &span.trap)
            .collect();
        let first = carried.iter().map(|span| span.from).min();
        let last = carried
            .iter()
            .map(|span| span.to)
            .max_by_key(|to| to.unwrap_or(Date::MAX));
        Ok(LotTrace {
            lot: lot.to_owned(),
            stock: stock(&self.db, lot)?,
            moves: moves(&self.db, lot)?,
            traps_now: now.into_iter().cloned().collect(),
            window: first.map(|first| (first, last.flatten())),
            carried,
            visits,
        })
    }
}

fn moves(db: &Connection, lot: &str) -> Result<Vec<LotMove>, Error> {
    let mut facts = facts_of(db, &format!("lot:{lot}"), "supply")?;
    facts.sort_by_key(|fact| (fact.at, fact.entry));
    let mut moves = Vec::new();
    for fact in facts {
        if let Body::Supply(supply) = fact.body()? {
            moves.push(LotMove {
                day: fact.day,
                person: fact.person,
                what: supply.what,
                entry: fact.entry,
            });
        }
    }
    Ok(moves)
}

fn visits(db: &Connection, lot: &str) -> Result<Vec<LotVisit>, Error> {
    let facts = facts_where(
        db,
        "kind = 'visit-made' AND entry IN (SELECT entry FROM touches WHERE subject = ?) ORDER BY day, entry",
        [format!("lot:{lot}")],
    )?;
    let mut visits = Vec::new();
    for fact in facts {
        if let Body::VisitMade(visit) = fact.body()? {
            visits.push(LotVisit {
                day: visit.date,
                put_into: Part::ALL
                    .into_iter()
                    .filter(|part| part.renewed(&visit) == Some(Some(lot)))
                    .collect(),
                trap: visit.trap,
                entry: fact.entry,
            });
        }
    }
    Ok(visits)
}

/// The spans in which one trap carried the lot.
fn carried_by(db: &Connection, trap: &str, lot: &str) -> Result<Vec<Carried>, Error> {
    let mut visits: Vec<(Fact, VisitMade)> = Vec::new();
    for fact in facts_of(db, &subject(trap), "visit-made")? {
        if let Body::VisitMade(visit) = fact.body()? {
            visits.push((fact, visit));
        }
    }
    visits.sort_by_key(|(fact, visit)| (visit.date, fact.at, fact.entry));
    let mut select =
        db.prepare_cached("SELECT hung, taken_down FROM placements WHERE trap = ? ORDER BY hung, entry")?;
    let mut rows = select.query([trap])?;
    let mut carried = Vec::new();
    while let Some(row) = rows.next()? {
        let hung = read_day(&row.get::<_, String>(0)?)?;
        let ended = row
            .get::<_, Option<String>>(1)?
            .as_deref()
            .map(read_day)
            .transpose()?;
        let there = |visit: &VisitMade| hung <= visit.date && ended.is_none_or(|end| visit.date <= end);
        let mut open: BTreeMap<Part, Date> = BTreeMap::new();
        let span = |part, from, to| Carried {
            trap: trap.to_owned(),
            part,
            from,
            to,
        };
        for (_, visit) in visits.iter().filter(|(_, visit)| there(visit)) {
            for part in Part::ALL {
                // What the lure's lot is may also be read off it.
                let found = match part {
                    Part::Lure => visit.hanging_lot.as_deref().map(Some),
                    _ => None,
                };
                let Some(now) = part.renewed(visit).or(found) else {
                    continue;
                };
                if now == Some(lot) {
                    open.entry(part).or_insert(visit.date);
                } else if let Some(from) = open.remove(&part) {
                    carried.push(span(part, from, Some(visit.date)));
                }
            }
        }
        carried.extend(open.into_iter().map(|(part, from)| span(part, from, ended)));
    }
    Ok(carried)
}
