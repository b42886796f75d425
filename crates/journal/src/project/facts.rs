//! Facts: one row an entry, as it stands after corrections.

use jiff::civil::Date;
use rusqlite::{Connection, OptionalExtension, Row, params};
use uuid::Uuid;

use crate::body::{Body, Change, VisitMade};
use crate::canonical::canonical_json;
use crate::entry::{Entry, to_sql_integer};
use crate::error::Error;
use crate::hash::Hash;
use crate::store::Log;

use super::conflicts::Conflict;

/// One entry as it stands now.
#[derive(Debug, Clone)]
pub(crate) struct Fact {
    pub(crate) entry: Uuid,
    pub(crate) device: Uuid,
    pub(crate) person: String,
    pub(crate) kind: String,
    pub(crate) subject: String,
    pub(crate) day: Date,
    /// Day on which it was recorded, where it happened.
    pub(crate) recorded: Date,
    /// Number on its device.
    pub(crate) number: u64,
    /// Event instant, microseconds since 1970.
    pub(crate) at: i64,
    pub(crate) version: u32,
    pub(crate) text: String,
    pub(crate) corrected_by: Option<Uuid>,
    pub(crate) withdrawn_by: Option<Uuid>,
}

pub(crate) const COLUMNS: &str = "entry, device, person, kind, subject, day, at, body_version, body, \
                                  corrected_by, withdrawn_by, recorded, number";

impl Fact {
    pub(crate) fn from_row(row: &Row<'_>) -> rusqlite::Result<Fact> {
        let day = |column| {
            let text: String = row.get(column)?;
            text.parse().map_err(|_| {
                rusqlite::Error::FromSqlConversionFailure(
                    column,
                    rusqlite::types::Type::Text,
                    format!("{text:?} stands where a date should").into(),
                )
            })
        };
        let optional =
            |column| Ok::<_, rusqlite::Error>(row.get::<_, Option<[u8; 16]>>(column)?.map(Uuid::from_bytes));
        Ok(Fact {
            entry: Uuid::from_bytes(row.get(0)?),
            device: Uuid::from_bytes(row.get(1)?),
            person: row.get(2)?,
            kind: row.get(3)?,
            subject: row.get(4)?,
            day: day(5)?,
            at: row.get(6)?,
            version: row.get(7)?,
            text: row.get(8)?,
            corrected_by: optional(9)?,
            withdrawn_by: optional(10)?,
            recorded: day(11)?,
            number: row.get::<_, i64>(12)?.unsigned_abs(),
        })
    }

    /// What it says as it stands now.
    pub(crate) fn body(&self) -> Result<Body, Error> {
        Body::read(&self.kind, self.version, &self.text)
    }
}

/// The fact of one entry.
pub(crate) fn fact(db: &Connection, entry: Uuid) -> Result<Option<Fact>, Error> {
    let mut select = db.prepare_cached(&format!("SELECT {COLUMNS} FROM facts WHERE entry = ?"))?;
    Ok(select.query_row([entry.as_bytes()], Fact::from_row).optional()?)
}

/// The facts of one kind about one subject that were not withdrawn, in the canonical order.
pub(crate) fn facts_of(db: &Connection, subject: &str, kind: &str) -> Result<Vec<Fact>, Error> {
    let mut select = db.prepare_cached(&format!(
        "SELECT {COLUMNS} FROM facts WHERE subject = ? AND kind = ? AND withdrawn_by IS NULL ORDER BY entry"
    ))?;
    let rows = select.query_map([subject, kind], Fact::from_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The corrections that name an entry, also those that were themselves withdrawn.
pub(crate) fn corrections_of(db: &Connection, entry: Uuid) -> Result<Vec<Fact>, Error> {
    let mut select = db.prepare_cached(&format!(
        "SELECT {COLUMNS} FROM facts WHERE subject = ? AND kind = 'correction' ORDER BY entry"
    ))?;
    let rows = select.query_map([entry_subject(entry)], Fact::from_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The subject to whose history an entry belongs.
pub(crate) fn primary(body: &Body) -> String {
    match body {
        Body::ProgrammeSetUp(_) => "programme".into(),
        Body::Loaded(b) => super::sets::subject(b.what),
        Body::TargetAdopted(b) => format!("target:{}", b.id),
        Body::PlanAdopted(b) => format!("target:{}", b.target),
        Body::ProtocolAdopted(b) => format!("target:{}", b.target),
        Body::RoundsAdopted(_) => "rounds".into(),
        Body::ConflictSettled(b) => super::conflicts::conflict_subject(&b.conflict),
        Body::Sealed(_) => "sealed".into(),
        _ => body
            .subjects()
            .first()
            .map_or_else(String::new, crate::body::Subject::key),
    }
}

/// The other subjects that it touches.
fn further(body: &Body) -> Vec<String> {
    let first = primary(body);
    let mut keys: Vec<String> = body.subjects().iter().map(crate::body::Subject::key).collect();
    keys.retain(|key| *key != first);
    keys
}

/// Key of an entry as a subject.
pub(crate) fn entry_subject(entry: Uuid) -> String {
    format!("entry:{entry}")
}

/// Day and instant at which an entry happened.
fn when(entry: &Entry, body: &Body) -> (Date, i64) {
    let at: Option<jiff::Timestamp> = entry.event_time.parse().ok();
    // A determination of layout 1 tells the day of the catch, not of its own making.
    let told = match body {
        Body::Determination(b) => b.trap().map(|(_, date)| date),
        _ => body.day(),
    };
    let day = told.or_else(|| entry.day()).unwrap_or(Date::ZERO);
    (day, at.map_or(0, |at| at.as_microsecond()))
}

/// How far clocks may differ before it is worth a word, seconds (common practice, no source).
const SKEW_S: i64 = 300;

/// By how many seconds the entry contradicts its own clock, if it does: it happened after it was recorded, or the
/// device's clock had been further on before (ids never go back, the recorded time does).
pub(crate) fn skew_s(entry: &Entry) -> Option<i64> {
    let recorded = entry.recorded_time.parse::<jiff::Timestamp>().ok()?.as_second();
    let happened = entry.event_time.parse::<jiff::Timestamp>().ok()?.as_second();
    let (id, _) = entry.id.get_timestamp()?.to_unix();
    let ahead = happened.max(i64::try_from(id).unwrap_or(i64::MAX)) - recorded;
    (ahead > SKEW_S).then_some(ahead)
}

/// Adds an entry's fact, as if no correction of it were known yet.
pub(crate) fn insert(
    db: &Connection,
    entry: &Entry,
    body: &Body,
    skew_s: Option<i64>,
    not_entitled: Option<&str>,
) -> Result<(), Error> {
    let (day, at) = when(entry, body);
    db.prepare_cached(&format!(
        "INSERT INTO facts ({COLUMNS}, skew_s, not_entitled) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL, ?, ?, ?, ?)"
    ))?
    .execute(params![
        entry.id.as_bytes(),
        entry.device.as_bytes(),
        entry.person,
        entry.kind,
        primary(body),
        day.to_string(),
        at,
        entry.body_version,
        entry.body_text,
        entry.recorded_day().to_string(),
        to_sql_integer(entry.number)?,
        skew_s,
        not_entitled
    ])?;
    db.prepare_cached("INSERT OR IGNORE INTO actors (person, device) VALUES (?, ?)")?
        .execute(params![entry.person, entry.device.as_bytes()])?;
    touch(db, entry.id, body)
}

pub(crate) fn await_content(db: &Connection, hash: Hash) -> Result<(), Error> {
    db.prepare_cached("INSERT OR IGNORE INTO awaited (hash) VALUES (?)")?
        .execute([hash.0])?;
    Ok(())
}

pub(crate) fn no_longer_awaited(db: &Connection, hash: Hash) -> Result<(), Error> {
    db.prepare_cached("DELETE FROM awaited WHERE hash = ?")?
        .execute([hash.0])?;
    Ok(())
}

/// Whether an entry here names a content that is not here.
pub(crate) fn is_awaited(db: &Connection, hash: Hash) -> Result<bool, Error> {
    Ok(db
        .prepare_cached("SELECT 1 FROM awaited WHERE hash = ?")?
        .exists([hash.0])?)
}

/// Everybody who recorded anything, and on which device.
pub(crate) fn actors(db: &Connection) -> Result<Vec<(String, Uuid)>, Error> {
    let mut select = db.prepare_cached("SELECT person, device FROM actors")?;
    let rows = select.query_map([], |row| Ok((row.get(0)?, Uuid::from_bytes(row.get(1)?))))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// What a person recorded on a device. Reads every fact: rights change rarely.
pub(crate) fn by_actor(db: &Connection, person: &str, device: Uuid) -> Result<Vec<Fact>, Error> {
    let mut select = db.prepare_cached(&format!(
        "SELECT {COLUMNS} FROM facts WHERE person = ? AND device = ?"
    ))?;
    let rows = select.query_map(params![person, device.as_bytes()], Fact::from_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Whether a correction is of the person's own entry. One whose entry has not come yet is taken to be.
pub(crate) fn is_own(db: &Connection, person: &str, body: &Body) -> Result<bool, Error> {
    let Body::Correction(correction) = body else {
        return Ok(false);
    };
    Ok(fact(db, correction.corrects)?.is_none_or(|corrected| corrected.person == person))
}

pub(crate) fn set_not_entitled(db: &Connection, entry: Uuid, why: Option<String>) -> Result<(), Error> {
    db.prepare_cached("UPDATE facts SET not_entitled = ? WHERE entry = ?")?
        .execute(params![why, entry.as_bytes()])?;
    Ok(())
}

/// Lists what a person had no right to record.
pub(crate) fn refresh_person(db: &Connection, person: &str) -> Result<(), Error> {
    let mut select = db.prepare_cached(
        "SELECT entry, not_entitled FROM facts WHERE person = ? AND not_entitled IS NOT NULL ORDER BY entry",
    )?;
    let rows = select.query_map([person], |row| {
        Ok(Conflict {
            kind: "not-entitled",
            entries: vec![Uuid::from_bytes(row.get(0)?)],
            words: row.get(1)?,
        })
    })?;
    let found = rows.collect::<Result<_, _>>()?;
    super::conflicts::replace(db, &format!("person:{person}"), found)
}

/// Lists the entries of a device that contradict a clock: their own, or that of a device that received them.
pub(crate) fn refresh_device(db: &Connection, device: Uuid) -> Result<(), Error> {
    let mut select = db.prepare_cached(
        "SELECT recorded, max(skew_s), group_concat(hex(entry)) FROM facts
         WHERE device = ? AND skew_s IS NOT NULL GROUP BY recorded",
    )?;
    let mut rows = select.query([device.as_bytes()])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let (day, skew): (String, i64) = (row.get(0)?, row.get(1)?);
        let mut entries: Vec<Uuid> = row
            .get::<_, String>(2)?
            .split(',')
            .filter_map(|hex| hex.parse().ok())
            .collect();
        entries.sort_unstable();
        found.push(Conflict {
            kind: "clock",
            entries,
            words: format!(
                "the clock of device {device} contradicts itself by {} on {day}",
                minutes(skew)
            ),
        });
    }
    for fact in super::facts_of(db, &format!("device:{device}"), "clock-seen")? {
        if let Body::ClockSeen(seen) = fact.body()? {
            found.push(Conflict {
                kind: "clock",
                entries: vec![fact.entry],
                words: format!(
                    "the clock of device {device} was {} ahead of the device that received its entry {}",
                    minutes(seen.ahead_s),
                    seen.number
                ),
            });
        }
    }
    found.extend(after_withdrawal(db, device)?);
    super::conflicts::replace(db, &format!("device:{device}"), found)
}

/// What a device wrote after its last number that counts: a lost phone that somebody goes on using.
fn after_withdrawal(db: &Connection, device: Uuid) -> Result<Option<Conflict>, Error> {
    let mut last: Option<u64> = None;
    for fact in super::facts_of(db, &format!("device:{device}"), "device-withdrawn")? {
        if let Body::DeviceWithdrawn(b) = fact.body()? {
            last = Some(last.map_or(b.last_number, |n| n.min(b.last_number)));
        }
    }
    let Some(last) = last else { return Ok(None) };
    let mut select =
        db.prepare_cached("SELECT entry FROM facts WHERE device = ? AND number > ? ORDER BY number")?;
    let rows = select.query_map(params![device.as_bytes(), to_sql_integer(last)?], |row| {
        row.get(0).map(Uuid::from_bytes)
    })?;
    let entries: Vec<Uuid> = rows.collect::<Result<_, _>>()?;
    Ok((!entries.is_empty()).then(|| Conflict {
        kind: "withdrawn-device",
        words: format!(
            "device {device} was withdrawn at entry {last} and wrote {} more",
            entries.len()
        ),
        entries,
    }))
}

fn minutes(seconds: i64) -> String {
    format!("{} min", seconds / 60)
}

fn touch(db: &Connection, entry: Uuid, body: &Body) -> Result<(), Error> {
    let mut insert = db.prepare_cached("INSERT OR IGNORE INTO touches (subject, entry) VALUES (?, ?)")?;
    for subject in further(body) {
        insert.execute(params![subject, entry.as_bytes()])?;
    }
    Ok(())
}

/// Why entries of a kind are neither corrected nor withdrawn, and what to do instead; `None`: they may be.
pub(crate) fn why_not_correctable(kind: &str) -> Option<&'static str> {
    Some(match kind {
        "correction" | "conflict-settled" => "name the entry that it corrects",
        "target-adopted" => "adopt the right profile; it takes the wrong one's place",
        "protocol-adopted" => "adopt the right protocol; it takes the wrong one's place",
        "area-drawn" => "draw the next version; this one stays as it was",
        "pest-report-issued" => "issue the next version; it takes this one's place and leaves it readable",
        "programme-set-up" | "sealed" | "person-erased" | "clock-seen" => "it can't be corrected",
        "person-enrolled" | "device-enrolled" | "device-withdrawn" | "authority-granted" => {
            "enrol or grant anew; the newer entry takes the older one's place"
        }
        kind if kind.ends_with("-loaded") => "load the set again with replace",
        _ => return None,
    })
}

/// Why a settlement can't withdraw entries of a kind; `None`: it can. A correction can't be corrected, but one that nobody
/// was entitled to make can be settled away.
pub(crate) fn why_not_withdrawable(kind: &str) -> Option<&'static str> {
    why_not_correctable(kind).filter(|_| kind != "correction")
}

/// What the corrections and settlements that name an entry make of it.
#[derive(Default)]
struct Verdict {
    withdrawn_by: Option<Uuid>,
    /// The correction that holds, and what it puts in the entry's place.
    instead: Option<(Uuid, u32, String)>,
    /// Corrections that come to nothing.
    void: Vec<Conflict>,
}

fn verdict(db: &Connection, named: &Fact) -> Result<Verdict, Error> {
    let subject = entry_subject(named.entry);
    let mut verdict = Verdict::default();
    let not = why_not_correctable(&named.kind);
    let void = |entry: Uuid, why: &str| Conflict {
        kind: "not-possible",
        entries: vec![named.entry, entry],
        words: format!("entry {} is a {}: {why}", named.entry, named.kind),
    };
    for fact in facts_of(db, &subject, "correction")? {
        let Body::Correction(correction) = fact.body()? else {
            continue;
        };
        match (not, correction.change) {
            (Some(why), _) => verdict.void.push(void(fact.entry, why)),
            (None, Change::Withdraw) => drop(verdict.withdrawn_by.get_or_insert(fact.entry)),
            (None, change) => match replacement(&named.kind, change) {
                Some((version, text)) => verdict.instead = Some((fact.entry, version, text)),
                None => verdict
                    .void
                    .push(void(fact.entry, "what shall stand in its place is none")),
            },
        }
    }
    if why_not_withdrawable(&named.kind).is_none()
        && let Some(by) = withdrawn_by_settlement(db, &subject)?
    {
        verdict.withdrawn_by.get_or_insert(by);
    }
    Ok(verdict)
}

/// The body that a correction puts in the place of one of a kind; none when it is of another kind or can't be read.
fn replacement(kind: &str, change: Change) -> Option<(u32, String)> {
    let (version, text) = match change {
        Change::Withdraw => return None,
        Change::Visit { visit } => {
            let body = Body::VisitMade(VisitMade::from_visit(&visit));
            if body.kind() != kind {
                return None;
            }
            (body.version(), body.to_text().ok()?)
        }
        Change::Instead { version, body } => (version, canonical_json(&body).ok()?),
    };
    let known = Body::is_known(kind, version) && Body::read(kind, version, &text).is_ok();
    known.then_some((version, text))
}

fn withdrawn_by_settlement(db: &Connection, subject: &str) -> Result<Option<Uuid>, Error> {
    let mut select = db.prepare_cached(
        "SELECT f.entry FROM touches t JOIN facts f ON f.entry = t.entry
         WHERE t.subject = ? AND f.kind = 'conflict-settled' ORDER BY f.entry LIMIT 1",
    )?;
    let by: Option<[u8; 16]> = select.query_row([subject], |row| row.get(0)).optional()?;
    Ok(by.map(Uuid::from_bytes))
}

/// Computes anew how an entry stands. Gives the bodies whose subjects are to be looked at again: before and after, when
/// anything changed.
pub(crate) fn refresh(db: &Connection, log: &dyn Log, entry: Uuid) -> Result<Vec<Body>, Error> {
    // Most entries were never named by another: one look into the index says so.
    let subject = entry_subject(entry);
    let named = db
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM facts WHERE subject = ?1) OR EXISTS (SELECT 1 FROM touches WHERE subject = ?1)",
        )?
        .query_row([subject], |row| row.get::<_, bool>(0))?;
    if !named {
        return Ok(Vec::new());
    }
    let Some(fact) = fact(db, entry)? else {
        return Ok(Vec::new());
    };
    let verdict = verdict(db, &fact)?;
    super::conflicts::replace(db, &entry_subject(entry), verdict.void)?;
    let corrected_by = verdict.instead.as_ref().map(|(by, ..)| *by);
    if (verdict.withdrawn_by, corrected_by) == (fact.withdrawn_by, fact.corrected_by) {
        return Ok(Vec::new());
    }
    let before = fact.body()?;
    // As it was recorded: an earlier correction, which holds no more, must leave no trace.
    let recorded = log
        .entry(entry)?
        .ok_or_else(|| Error::Damaged(format!("entry {entry} is projected and not there")))?;
    let (version, text) = match verdict.instead {
        Some((_, version, text)) => (version, text),
        None => (recorded.body_version, recorded.body_text.clone()),
    };
    let after = Body::read(&fact.kind, version, &text)?;
    let (day, _) = when(&recorded, &after);
    db.prepare_cached(
        "UPDATE facts SET subject = ?, day = ?, body_version = ?, body = ?, corrected_by = ?, withdrawn_by = ?
         WHERE entry = ?",
    )?
    .execute(params![
        primary(&after),
        day.to_string(),
        version,
        text,
        corrected_by.as_ref().map(Uuid::as_bytes),
        verdict.withdrawn_by.as_ref().map(Uuid::as_bytes),
        entry.as_bytes()
    ])?;
    let mut untouch = db.prepare_cached("DELETE FROM touches WHERE subject = ? AND entry = ?")?;
    for subject in further(&before) {
        untouch.execute(params![subject, entry.as_bytes()])?;
    }
    touch(db, entry, &after)?;
    Ok(vec![before, after])
}
