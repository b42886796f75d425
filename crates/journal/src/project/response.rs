//! Responses: what was done after a find, and what of it can't be.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use rusqlite::{Connection, params};
use uuid::Uuid;

use super::conflicts::{self, Conflict};
use super::{Fact, facts_of};
use crate::body::response::find_subject;
use crate::body::{Body, ResponseEnd, Subject};
use crate::error::Error;

/// The kinds of which a response is made.
pub(crate) const KINDS: [&str; 7] = [
    "response-opened",
    "response-step-done",
    "area-drawn",
    "area-lifted",
    "delimiting-adopted",
    "pest-report-issued",
    "response-closed",
];

/// The kinds that came with layout 4.
pub(crate) const KINDS_4: [&str; 8] = [
    "protocol-adopted",
    "response-opened",
    "response-step-done",
    "area-drawn",
    "area-lifted",
    "delimiting-adopted",
    "pest-report-issued",
    "response-closed",
];

/// Key of a response as a subject.
pub(crate) fn subject(find: &str) -> String {
    Subject::Response(find.to_owned()).key()
}

/// One thing that was done, recorded or about to be.
#[derive(Debug, Clone)]
pub(crate) struct Done {
    pub(crate) entry: Uuid,
    pub(crate) person: String,
    pub(crate) at: Timestamp,
    pub(crate) body: Body,
}

impl Done {
    fn of(fact: &Fact) -> Result<Done, Error> {
        Ok(Done {
            entry: fact.entry,
            person: fact.person.clone(),
            at: Timestamp::from_microsecond(fact.at).unwrap_or(Timestamp::MIN),
            body: fact.body()?,
        })
    }
}

/// All that was recorded of a response and not withdrawn, in the order of instants and ids.
pub(crate) fn done(db: &Connection, find: &str) -> Result<Vec<Done>, Error> {
    let subject = subject(find);
    let mut all = Vec::new();
    for kind in KINDS {
        for fact in facts_of(db, &subject, kind)? {
            all.push(Done::of(&fact)?);
        }
    }
    all.sort_by_key(|done| (done.at, done.entry));
    Ok(all)
}

/// Whether a find stands confirmed for a target.
pub(crate) fn is_confirmed(db: &Connection, find: &str, target: &str) -> Result<bool, Error> {
    let source = match find_subject(find) {
        Subject::Trap(_) => find.to_owned(),
        subject => subject.key(),
    };
    Ok(db
        .prepare_cached("SELECT 1 FROM finds WHERE source = ? AND target = ? AND state = 'confirmed'")?
        .exists(params![source, target])?)
}

/// Every response that anybody opened or spoke of.
pub(crate) fn labels(db: &Connection) -> Result<BTreeSet<String>, Error> {
    let mut select = db.prepare_cached(
        "SELECT DISTINCT substr(subject, 10) FROM facts WHERE kind = ? AND withdrawn_by IS NULL",
    )?;
    let rows = select.query_map(["response-opened"], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Whether there is any response here: most programmes have none, and then nothing needs asking.
pub(crate) fn any(db: &Connection) -> Result<bool, Error> {
    Ok(db
        .prepare_cached("SELECT 1 FROM facts WHERE kind = 'response-opened' LIMIT 1")?
        .exists([])?)
}

/// The responses that name a trap or a specimen.
pub(crate) fn naming(db: &Connection, subject: &str) -> Result<Vec<String>, Error> {
    let mut select = db.prepare_cached(
        "SELECT DISTINCT substr(f.subject, 10) FROM touches t JOIN facts f ON f.entry = t.entry
         WHERE t.subject = ? AND f.kind IN ('response-opened', 'area-drawn')",
    )?;
    let rows = select.query_map([subject], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Computes anew what of a response can't be.
pub(crate) fn refresh(db: &Connection, find: &str) -> Result<(), Error> {
    let found = impossible(db, find, &done(db, find)?)?;
    conflicts::replace(db, &subject(find), found)
}

/// What of these can't be, or can't be together.
pub(crate) fn impossible(db: &Connection, find: &str, all: &[Done]) -> Result<Vec<Conflict>, Error> {
    let mut found = Vec::new();
    let illegal = |entry: Uuid, why: String| Conflict::illegal(entry, &why);
    let opened: Vec<(&Done, &str)> = all
        .iter()
        .filter_map(|done| match &done.body {
            Body::ResponseOpened(b) => Some((done, b.target.as_str())),
            _ => None,
        })
        .collect();
    let Some(&(opening, target)) = opened.first() else {
        return Ok(all
            .iter()
            .map(|done| {
                let why = format!(
                    "response {find:?} was never opened: a {} can't be",
                    done.body.kind()
                );
                illegal(done.entry, why)
            })
            .collect());
    };
    for (again, _) in &opened[1..] {
        found.push(illegal(
            again.entry,
            format!("response {find:?} was opened already on {}", day(opening.at)),
        ));
    }
    let closings: Vec<&Done> = all
        .iter()
        .filter(|done| matches!(done.body, Body::ResponseClosed(_)))
        .collect();
    let closed = closings.first().copied();
    for again in closings.iter().skip(1) {
        found.push(illegal(
            again.entry,
            format!("response {find:?} was closed already"),
        ));
    }
    let no_find = closed
        .is_some_and(|done| matches!(&done.body, Body::ResponseClosed(b) if b.end == ResponseEnd::NoFind));
    if !no_find && !is_confirmed(db, find, target)? {
        found.push(illegal(
            opening.entry,
            format!("response {find:?} rests on a find of {target:?} that is not confirmed; close it if there is none"),
        ));
    }
    if let Some(closing) = closed {
        for late in all
            .iter()
            .filter(|done| (done.at, done.entry) > (closing.at, closing.entry))
        {
            if matches!(
                late.body,
                Body::ResponseStepDone(_) | Body::AreaDrawn(_) | Body::DelimitingAdopted(_)
            ) {
                let why = format!("response {find:?} was closed on {}", day(closing.at));
                found.push(illegal(late.entry, why));
            }
        }
    }
    found.extend(areas(db, find, target, all, no_find)?);
    found.extend(versions(find, "pest report", all, |body| match body {
        Body::PestReportIssued(b) => Some(b.version),
        _ => None,
    }));
    Ok(found)
}

fn areas(
    db: &Connection,
    find: &str,
    target: &str,
    all: &[Done],
    no_find: bool,
) -> Result<Vec<Conflict>, Error> {
    let drawn = |body: &Body| match body {
        Body::AreaDrawn(b) => Some(b.version),
        _ => None,
    };
    let mut found = versions(find, "regulated area", all, drawn);
    let mut lifted: BTreeSet<u32> = BTreeSet::new();
    for done in all {
        let Body::AreaLifted(b) = &done.body else { continue };
        if !all.iter().any(|other| drawn(&other.body) == Some(b.version)) {
            let why = format!("response {find:?} has no regulated area of version {}", b.version);
            found.push(Conflict::illegal(done.entry, &why));
        } else if !lifted.insert(b.version) {
            let why = format!(
                "version {} of the regulated area of {find:?} was lifted already",
                b.version
            );
            found.push(Conflict::illegal(done.entry, &why));
        }
    }
    // An area that a later version replaced is history: only the newest must still rest on finds.
    let newest = all.iter().filter_map(|done| drawn(&done.body)).max();
    for done in all {
        let Body::AreaDrawn(b) = &done.body else { continue };
        if no_find || lifted.contains(&b.version) || Some(b.version) != newest {
            continue;
        }
        for named in &b.finds {
            if !is_confirmed(db, named, target)? {
                let why = format!(
                    "version {} of the regulated area of {find:?} is drawn from {named:?}, which is not a confirmed find of \
                     {target:?}",
                    b.version
                );
                found.push(Conflict::illegal(done.entry, &why));
            }
        }
    }
    Ok(found)
}

/// Two of one version, made on two copies.
fn versions(find: &str, what: &str, all: &[Done], version: impl Fn(&Body) -> Option<u32>) -> Vec<Conflict> {
    let mut made: BTreeMap<u32, Vec<Uuid>> = BTreeMap::new();
    for done in all {
        if let Some(number) = version(&done.body) {
            made.entry(number).or_default().push(done.entry);
        }
    }
    let twice = made.into_iter().filter(|(_, entries)| entries.len() > 1);
    twice
        .map(|(number, mut entries)| {
            entries.sort_unstable();
            Conflict {
                kind: "version-twice",
                words: format!(
                    "version {number} of the {what} of response {find:?} was made {} times",
                    entries.len()
                ),
                entries,
            }
        })
        .collect()
}

fn day(at: Timestamp) -> String {
    at.strftime("%Y-%m-%d").to_string()
}
