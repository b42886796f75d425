//! Which moves are allowed, given what the projections say.

use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{Placement, Visit};
use jiff::civil::Date;
use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use crate::body::{Body, Change, Correction, Determination, Plan, TakeDown, TargetAdopted};
use crate::error::{Error, Refusal};
use crate::load::{Bulk, check_day, check_label, field};
use crate::project::record_text;

/// The stretch of days a trap hung at a place.
struct Span {
    entry: [u8; 16],
    place: String,
    hung: Date,
    taken_down: Option<Date>,
}

impl Span {
    /// Both ends count: a trap is visited on the day it is hung and on the day it is taken down.
    fn covers(&self, day: Date) -> bool {
        self.hung <= day && self.taken_down.is_none_or(|down| day <= down)
    }

    /// A trap may be taken down and hung elsewhere on one day.
    fn overlaps(&self, hung: Date, taken_down: Option<Date>) -> bool {
        self.taken_down.is_none_or(|down| hung < down) && taken_down.is_none_or(|down| self.hung < down)
    }
}

fn read_day(text: &str) -> Result<Date, Error> {
    text.parse()
        .map_err(|_| Error::Damaged(format!("{text:?} stands where a date should")))
}

/// The live placements of a trap, oldest first.
fn spans(db: &Connection, trap: &str) -> Result<Vec<Span>, Error> {
    let mut select = db.prepare_cached(
        "SELECT entry, place, hung, taken_down FROM placements
         WHERE trap = ? AND withdrawn_by IS NULL ORDER BY hung, ord",
    )?;
    let mut rows = select.query([trap])?;
    let mut spans = Vec::new();
    while let Some(row) = rows.next()? {
        spans.push(Span {
            entry: row.get(0)?,
            place: row.get(1)?,
            hung: read_day(&row.get::<_, String>(2)?)?,
            taken_down: row
                .get::<_, Option<String>>(3)?
                .as_deref()
                .map(read_day)
                .transpose()?,
        });
    }
    Ok(spans)
}

/// Checks a body against the state, before it is appended.
pub(crate) fn check(db: &Connection, body: &Body, today: Date) -> Result<(), Error> {
    match body {
        Body::TrapPlaced(b) => check_placement(db, b, today),
        Body::TrapTakenDown(b) => check_take_down(db, b, today),
        Body::VisitMade(b) => check_visit(db, b, today, None),
        Body::Determination(b) => check_determination(db, b, today),
        Body::TargetAdopted(b) => check_target(b),
        Body::PlanAdopted(b) => check_plan(db, b, today),
        Body::Correction(b) => check_correction(db, b, today),
        Body::Other(b) => check_other(&b.kind, b.version),
        Body::ProgrammeSetUp(_) | Body::Loaded(_) => Err(Refusal::Kind {
            kind: body.kind().to_owned(),
            rule: "Programme::create and Programme::load write it",
        }
        .into()),
    }
}

fn check_other(kind: &str, version: u32) -> Result<(), Error> {
    let ok = (1..=64).contains(&kind.len())
        && kind
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
    if !ok {
        let rule = "1 to 64 of the characters a-z, 0-9 and -";
        return Err(field("kind", format!("{kind:?}"), rule).into());
    }
    if Body::is_known(kind, version) {
        return Err(Refusal::Kind {
            kind: kind.to_owned(),
            rule: "it has a typed body; use that",
        }
        .into());
    }
    Ok(())
}

fn check_placement(db: &Connection, placement: &Placement, today: Date) -> Result<(), Error> {
    check_label("trap", &placement.trap)?;
    check_label("place", &placement.place)?;
    crate::load::check_position(placement.position)?;
    if placement.targets.is_empty() {
        return Err(field("targets", "none", "at least one target the trap is baited for").into());
    }
    for target in &placement.targets {
        check_label("target", target)?;
    }
    check_day("hung", placement.hung, today)?;
    if let Some(down) = placement.taken_down {
        check_day("taken_down", down, today)?;
        check_order("hung", placement.hung, "taken_down", down)?;
    }
    let clash = |span: &&Span| span.overlaps(placement.hung, placement.taken_down);
    match spans(db, &placement.trap)?.iter().find(clash) {
        None => Ok(()),
        Some(span) => Err(Refusal::HangsAlready {
            trap: placement.trap.clone(),
            place: span.place.clone(),
            hung: span.hung,
            taken_down: span.taken_down,
        }
        .into()),
    }
}

fn check_order(earlier: &'static str, a: Date, later: &'static str, b: Date) -> Result<(), Refusal> {
    if a <= b {
        Ok(())
    } else {
        Err(Refusal::DatesReversed {
            earlier,
            earlier_date: a,
            later,
            later_date: b,
        })
    }
}

fn check_take_down(db: &Connection, down: &TakeDown, today: Date) -> Result<(), Error> {
    check_label("trap", &down.trap)?;
    check_day("date", down.date, today)?;
    let spans = spans(db, &down.trap)?;
    let Some(last) = spans.last() else {
        return Err(Refusal::UnknownTrap(down.trap.clone()).into());
    };
    let Some(open) = spans.iter().find(|span| span.taken_down.is_none()) else {
        let taken_down = spans
            .iter()
            .filter_map(|span| span.taken_down)
            .max()
            .unwrap_or(last.hung);
        return Err(Refusal::DownAlready {
            trap: down.trap.clone(),
            taken_down,
        }
        .into());
    };
    check_order("hung", open.hung, "taken down", down.date)?;
    let changed = spans.iter().map(|span| Span {
        entry: span.entry,
        place: String::new(),
        hung: span.hung,
        taken_down: if span.entry == open.entry {
            Some(down.date)
        } else {
            span.taken_down
        },
    });
    check_nothing_left_hanging(db, &down.trap, &changed.collect::<Vec<_>>())
}

/// Every visit and determination of the trap must fall on a day it hangs.
fn check_nothing_left_hanging(db: &Connection, trap: &str, spans: &[Span]) -> Result<(), Error> {
    for (table, what) in [("visits", "visit"), ("determinations", "determination")] {
        let mut select = db.prepare_cached(&format!(
            "SELECT DISTINCT date FROM {table} WHERE trap = ? AND withdrawn_by IS NULL ORDER BY date"
        ))?;
        let mut rows = select.query([trap])?;
        while let Some(row) = rows.next()? {
            let date = read_day(&row.get::<_, String>(0)?)?;
            if !spans.iter().any(|span| span.covers(date)) {
                return Err(Refusal::StillNeeded {
                    trap: trap.to_owned(),
                    what,
                    date,
                }
                .into());
            }
        }
    }
    Ok(())
}

/// The trap must have hung on that day.
fn check_hanging(db: &Connection, trap: &str, date: Date) -> Result<(), Error> {
    let spans = spans(db, trap)?;
    let Some(first) = spans.first() else {
        return Err(Refusal::UnknownTrap(trap.to_owned()).into());
    };
    if spans.iter().any(|span| span.covers(date)) {
        return Ok(());
    }
    let trap = trap.to_owned();
    let down_before = spans
        .iter()
        .filter_map(|span| span.taken_down)
        .filter(|&down| down < date)
        .max();
    Err(match down_before {
        Some(taken_down) => Refusal::AfterTakeDown {
            trap,
            date,
            taken_down,
        },
        None => Refusal::BeforeHung {
            trap,
            date,
            hung: first.hung,
        },
    }
    .into())
}

fn check_visit(db: &Connection, visit: &Visit, today: Date, instead_of: Option<Uuid>) -> Result<(), Error> {
    check_label("trap", &visit.trap)?;
    check_day("date", visit.date, today)?;
    visit.check().map_err(Refusal::Visit)?;
    check_hanging(db, &visit.trap, visit.date)?;
    let same = db
        .prepare_cached(
            "SELECT 1 FROM visits WHERE trap = ? AND date = ? AND body = ? AND withdrawn_by IS NULL AND entry <> ?",
        )?
        .exists(params![
            visit.trap,
            visit.date.to_string(),
            record_text(visit)?,
            instead_of.unwrap_or_default().as_bytes()
        ])?;
    if same {
        return Err(Refusal::SameVisit {
            trap: visit.trap.clone(),
            date: visit.date,
        }
        .into());
    }
    Ok(())
}

fn check_determination(db: &Connection, determination: &Determination, today: Date) -> Result<(), Error> {
    check_label("target", &determination.target)?;
    check_label("by", &determination.by)?;
    check_day("date", determination.date, today)?;
    check_hanging(db, &determination.trap, determination.date)
}

fn check_target(target: &TargetAdopted) -> Result<(), Error> {
    check_label("target", &target.id)?;
    let profile = TargetProfile::from_toml(&target.toml).map_err(Refusal::Profile)?;
    if profile.id != target.id {
        let rule = format!("the profile's own id is {:?}", profile.id);
        return Err(Refusal::Field {
            field: "target",
            value: format!("{:?}", target.id),
            rule,
        }
        .into());
    }
    Ok(())
}

fn check_plan(db: &Connection, plan: &Plan, today: Date) -> Result<(), Error> {
    if !db
        .prepare_cached("SELECT 1 FROM targets WHERE id = ?")?
        .exists([&plan.target])?
    {
        return Err(Refusal::UnknownTarget(plan.target.clone()).into());
    }
    for (name, value) in [("objective", Some(plan.objective)), ("bound", plan.bound)] {
        if let Some(value) = value.filter(|value| !value.is_finite()) {
            return Err(field(name, value, "a number").into());
        }
    }
    let mut seen = std::collections::HashSet::new();
    for place in &plan.places {
        place.check(today)?;
        if !seen.insert(&place.label) {
            return Err(field("place", format!("{:?}", place.label), "chosen once").into());
        }
    }
    Ok(())
}

/// Where the corrected entry shows in the projections, and by which correction it was withdrawn.
fn find_corrected(db: &Connection, id: Uuid) -> Result<Option<(&'static str, Option<Uuid>)>, Error> {
    for table in ["visits", "determinations", "plans", "placements", "take_downs"] {
        let found = db
            .prepare_cached(&format!("SELECT withdrawn_by FROM {table} WHERE entry = ?"))?
            .query_row([id.as_bytes()], |row| row.get::<_, Option<[u8; 16]>>(0))
            .optional()?;
        if let Some(withdrawn_by) = found {
            return Ok(Some((table, withdrawn_by.map(Uuid::from_bytes))));
        }
    }
    Ok(None)
}

fn check_correction(db: &Connection, correction: &Correction, today: Date) -> Result<(), Error> {
    let entry = correction.corrects;
    if correction.reason.trim().is_empty() {
        return Err(field("reason", "empty", "say why, in plain words").into());
    }
    let kind: Option<String> = db
        .prepare_cached("SELECT kind FROM entries WHERE id = ?")?
        .query_row([entry.as_bytes()], |row| row.get(0))
        .optional()?;
    let kind = kind.ok_or(Refusal::UnknownEntry(entry))?;
    let Some((table, withdrawn_by)) = find_corrected(db, entry)? else {
        let rule = match kind.as_str() {
            "correction" => "name the entry that it corrects",
            kind if kind.ends_with("-loaded") => "load the set again with replace",
            "target-adopted" => "adopt the right profile; it takes the wrong one's place",
            _ => "it can't be corrected",
        };
        return Err(Refusal::NotCorrectable { entry, kind, rule }.into());
    };
    if let Some(by) = withdrawn_by {
        return Err(Refusal::Withdrawn { entry, by }.into());
    }
    match &correction.change {
        Change::Visit { visit } if table == "visits" => check_visit(db, visit, today, Some(entry)),
        Change::Visit { .. } => {
            let rule = "only a visit can be corrected to a visit; withdraw it and record the right one";
            Err(Refusal::NotCorrectable { entry, kind, rule }.into())
        }
        Change::Withdraw if table == "placements" => check_placement_withdrawal(db, entry),
        Change::Withdraw if table == "take_downs" => check_take_down_withdrawal(db, entry),
        Change::Withdraw => Ok(()),
    }
}

fn trap_of(db: &Connection, table: &str, entry: Uuid) -> Result<String, Error> {
    let sql = format!("SELECT trap FROM {table} WHERE entry = ?");
    Ok(db
        .prepare_cached(&sql)?
        .query_row([entry.as_bytes()], |row| row.get(0))?)
}

fn check_placement_withdrawal(db: &Connection, entry: Uuid) -> Result<(), Error> {
    let trap = trap_of(db, "placements", entry)?;
    let mut others = spans(db, &trap)?;
    others.retain(|span| &span.entry != entry.as_bytes());
    check_nothing_left_hanging(db, &trap, &others)
}

fn check_take_down_withdrawal(db: &Connection, entry: Uuid) -> Result<(), Error> {
    let trap = trap_of(db, "take_downs", entry)?;
    let placement: Option<[u8; 16]> = db
        .prepare_cached("SELECT entry FROM placements WHERE down_by = ? AND withdrawn_by IS NULL")?
        .query_row([entry.as_bytes()], |row| row.get(0))
        .optional()?;
    let spans = spans(db, &trap)?;
    let Some(reopened) = spans.iter().find(|span| Some(span.entry) == placement) else {
        return Ok(());
    };
    let clash = |span: &&Span| span.entry != reopened.entry && span.overlaps(reopened.hung, None);
    match spans.iter().find(clash) {
        None => Ok(()),
        Some(span) => Err(Refusal::HangsAlready {
            trap,
            place: span.place.clone(),
            hung: span.hung,
            taken_down: span.taken_down,
        }
        .into()),
    }
}
