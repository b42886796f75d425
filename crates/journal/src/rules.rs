//! Which moves are allowed, given what the projections say. Everything here is asked before an entry is appended; what
//! came from another device is not refused but listed as a conflict (see `project`).

use earlywood_model::profile::TargetProfile;
use earlywood_model::protocol::Protocol;
use jiff::civil::Date;
use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use crate::body::{
    Body, Change, ConflictSettled, Correction, Decision, Determination, Determined, DeviceEnrolled,
    HoldLifted, Origin, PersonEnrolled, Plan, PlantingClosed, PlantingOutcome, ProtocolAdopted,
    ResponseOpened, Role, RoundsAdopted, SpecimenTaken, SpecimensAccepted, SpecimensOffered, Subject, Supply,
    SupplyMove, TargetAdopted, VisitMade,
};
use crate::canonical::canonical_json;
use crate::error::{Error, Refusal};
use crate::load::{Bulk, field};
use crate::machine::trap::{self, Event, Move};
use crate::machine::{find, specimen};
use crate::project::{self, facts_of, response, specimens, traps};
use crate::trust::Trust;

/// Stands for the entry that is not written yet.
pub(crate) const CANDIDATE: Uuid = Uuid::max();

/// Who acts, where, and when; what the rules are asked for.
pub(crate) struct Asked<'a> {
    pub(crate) trust: &'a Trust,
    pub(crate) device: Uuid,
    pub(crate) person: &'a str,
    /// The day it is where the person is.
    pub(crate) today: Date,
    /// The day on which the entry is recorded, where the event happened.
    pub(crate) recorded: Date,
    /// Event instant of the draft.
    pub(crate) at: jiff::Timestamp,
    /// The day of the event.
    pub(crate) day: Date,
}

/// Checks a body on its own, the person's right to record it, and what the state says, in this order.
pub(crate) fn check(db: &Connection, asked: &Asked<'_>, body: &Body) -> Result<(), Error> {
    if matches!(
        body,
        Body::ProgrammeSetUp(_) | Body::Loaded(_) | Body::ClockSeen(_)
    ) {
        return Err(Refusal::Kind {
            kind: body.kind().to_owned(),
            rule: "the journal itself writes it: see Programme::create, load and accept",
        }
        .into());
    }
    body.check(asked.today)?;
    check_rights(db, asked, body)?;
    match body {
        Body::TrapPlaced(b) => {
            let new = trap::placement(CANDIDATE, &b.place, b.hung, b.taken_down);
            check_trap(db, &b.trap, &new, false)
        }
        Body::TrapTakenDown(b) => check_trap(db, &b.trap, &traps::events_of(CANDIDATE, body), true),
        Body::TrapRegistered(b) => {
            check_trap(db, &b.trap, &traps::events_on(CANDIDATE, asked.day, body), false)
        }
        Body::TrapWrittenOff(b) => check_trap(db, &b.trap, &traps::events_of(CANDIDATE, body), true),
        Body::TrapCameBack(b) => check_trap(db, &b.trap, &traps::events_of(CANDIDATE, body), false),
        Body::VisitMade(b) => check_visit(db, b, None),
        Body::TargetAdopted(b) => check_target(b),
        Body::PlanAdopted(b) => check_plan(db, b, asked.today),
        Body::RoundsAdopted(b) => check_rounds(db, b),
        Body::ProtocolAdopted(b) => check_protocol(db, b),
        Body::ResponseOpened(b) => {
            check_opening(db, b).and_then(|()| check_response(db, asked, &b.find, body))
        }
        Body::ResponseStepDone(b) => check_response(db, asked, &b.find, body),
        Body::AreaDrawn(b) => check_response(db, asked, &b.find, body),
        Body::AreaLifted(b) => check_response(db, asked, &b.find, body),
        Body::DelimitingAdopted(b) => check_response(db, asked, &b.find, body),
        Body::PestReportIssued(b) => check_response(db, asked, &b.find, body),
        Body::ResponseClosed(b) => check_response(db, asked, &b.find, body),
        Body::SpecimenTaken(b) => check_taken(db, asked, b),
        Body::SpecimensOffered(b) => check_offer(db, asked, b),
        Body::SpecimensAccepted(b) => check_acceptance(db, asked, b, body),
        Body::SpecimensDeclined(b) => check_answer(db, asked, &b.handover, body),
        Body::ScreeningMade(b) => check_specimen(db, asked, &b.specimen, body),
        Body::SpecimenEnded(b) => check_specimen(db, asked, &b.specimen, body),
        Body::Determination(b) => check_determination(db, asked, b, body),
        Body::HoldDeclared(b) => check_unused(db, "hold", &b.hold, "hold-declared"),
        Body::HoldLifted(b) => check_lift(db, b),
        Body::Supply(b) => check_supply(db, b),
        Body::DeviceEnrolled(b) => check_enrolment(asked, b),
        Body::DeviceWithdrawn(b) => known(asked.trust.devices.contains_key(&b.device), "device", b.device),
        Body::PersonEnrolled(b) => check_person(asked, b),
        Body::CrewFormed(b) => {
            let unknown = b.people.iter().find(|p| !asked.trust.knows(p));
            unknown.map_or(Ok(()), |person| known(false, "person", person))
        }
        Body::AuthorityGranted(b) => known(asked.trust.knows(&b.person), "person", &b.person),
        Body::PlantingClosed(b) => check_closing(db, asked, b, body),
        Body::ConflictSettled(b) => check_settlement(db, b),
        Body::Correction(b) => check_correction(db, asked, b),
        Body::Other(b) => check_other(&b.kind, b.version),
        Body::TreeInspected(_)
        | Body::PersonErased(_)
        | Body::Sealed(_)
        | Body::ClockSeen(_)
        | Body::ProgrammeSetUp(_)
        | Body::Loaded(_) => Ok(()),
    }
}

/// Whether the person may record such a body here and now.
pub(crate) fn check_rights(db: &Connection, asked: &Asked<'_>, body: &Body) -> Result<(), Error> {
    let own = match body {
        Body::Correction(b) => project::fact(db, b.corrects)?.is_some_and(|fact| fact.person == asked.person),
        _ => false,
    };
    Ok(asked
        .trust
        .may(asked.device, asked.person, asked.recorded, body, own)?)
}

fn unfit(what: &'static str, label: impl ToString, why: impl Into<String>) -> Error {
    Refusal::Unfit {
        what,
        label: label.to_string(),
        why: why.into(),
    }
    .into()
}

fn known(is: bool, what: &'static str, label: impl ToString) -> Result<(), Error> {
    if is {
        Ok(())
    } else {
        Err(unfit(what, label, "is not known here"))
    }
}

fn check_unused(db: &Connection, what: &'static str, label: &str, kind: &str) -> Result<(), Error> {
    if facts_of(db, &format!("{what}:{label}"), kind)?.is_empty() {
        Ok(())
    } else {
        Err(unfit(
            what,
            label,
            "is recorded already: another one needs another label",
        ))
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

// Traps.

/// The trap's machine, asked whether these events may come on top of what is recorded. With `stops`, no visit or
/// specimen may be left without a hanging trap either.
fn check_trap(db: &Connection, label: &str, new: &[Event], stops: bool) -> Result<(), Error> {
    let mut history = traps::moves(db, label)?;
    if stops {
        history.extend(traps::stops(db, label)?);
    }
    match trap::would_refuse(label, &history, new) {
        None => Ok(()),
        Some(illegal) => Err(Refusal::from(illegal).into()),
    }
}

/// The same for an entry whose events go, or become others.
fn check_trap_with(db: &Connection, label: &str, entry: Uuid, instead: Vec<Event>) -> Result<(), Error> {
    let mut history = traps::moves(db, label)?;
    history.extend(traps::stops(db, label)?);
    let mut left: Vec<Event> = history
        .iter()
        .filter(|event| event.id != entry)
        .cloned()
        .collect();
    left.extend(instead);
    match trap::would_contradict(label, &history, &left) {
        None => Ok(()),
        Some(illegal) => Err(Refusal::from(illegal).into()),
    }
}

/// The trap must have hung on that day.
fn check_hanging(db: &Connection, trap: &str, date: Date) -> Result<(), Error> {
    check_trap(db, trap, &[Event::new(CANDIDATE, date, Move::Determined)], false)
}

fn check_visit(db: &Connection, visit: &VisitMade, instead_of: Option<Uuid>) -> Result<(), Error> {
    check_hanging(db, &visit.trap, visit.date)?;
    let same = db
        .prepare_cached(
            "SELECT 1 FROM facts WHERE subject = ? AND kind = 'visit-made' AND day = ? AND body = ?
             AND withdrawn_by IS NULL AND entry <> ?",
        )?
        .exists(params![
            traps::subject(&visit.trap),
            visit.date.to_string(),
            Body::VisitMade(visit.clone()).to_text()?,
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

// Plans and targets.

fn check_target(target: &TargetAdopted) -> Result<(), Error> {
    let profile = TargetProfile::from_toml(&target.toml).map_err(Refusal::Profile)?;
    if profile.id != target.id {
        let rule = format!("the profile's own id is {:?}", profile.id);
        return Err(field("target", format!("{:?}", target.id), &rule).into());
    }
    Ok(())
}

fn check_plan(db: &Connection, plan: &Plan, today: Date) -> Result<(), Error> {
    check_adopted(db, &plan.target)?;
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

/// Rounds send out crews that somebody formed.
fn check_rounds(db: &Connection, rounds: &RoundsAdopted) -> Result<(), Error> {
    let mut formed = db.prepare_cached("SELECT 1 FROM facts WHERE subject = ? AND kind = 'crew-formed'")?;
    for round in &rounds.rounds {
        let crew = Subject::Crew(round.crew.clone());
        known(formed.exists([crew.key()])?, "crew", &round.crew)?;
    }
    Ok(())
}

// Responses.

fn check_protocol(db: &Connection, adopted: &ProtocolAdopted) -> Result<(), Error> {
    let protocol = Protocol::from_toml(&adopted.toml).map_err(Refusal::Protocol)?;
    if protocol.target != adopted.target {
        let rule = format!("the protocol's own target is {:?}", protocol.target);
        return Err(field("target", format!("{:?}", adopted.target), &rule).into());
    }
    check_adopted(db, &adopted.target)
}

fn check_adopted(db: &Connection, target: &str) -> Result<(), Error> {
    let adopted = db
        .prepare_cached("SELECT 1 FROM facts WHERE subject = ? AND kind = 'target-adopted'")?
        .exists([format!("target:{target}")])?;
    if adopted {
        Ok(())
    } else {
        Err(Refusal::UnknownTarget(target.to_owned()).into())
    }
}

/// A response opens under a protocol of its own target.
fn check_opening(db: &Connection, opened: &ResponseOpened) -> Result<(), Error> {
    check_adopted(db, &opened.target)?;
    let named = project::fact(db, opened.protocol)?;
    match named.map(|fact| fact.body()).transpose()? {
        Some(Body::ProtocolAdopted(b)) if b.target == opened.target => Ok(()),
        _ => Err(unfit(
            "protocol",
            opened.protocol,
            format!("is no adopted protocol of target {:?}", opened.target),
        )),
    }
}

/// What this body says must be able to stand beside what is recorded.
fn check_response(db: &Connection, asked: &Asked<'_>, find: &str, body: &Body) -> Result<(), Error> {
    let mut all = response::done(db, find)?;
    check_next(find, &all, body)?;
    all.push(response::Done {
        entry: CANDIDATE,
        person: asked.person.to_owned(),
        at: asked.at,
        body: body.clone(),
    });
    all.sort_by_key(|done| (done.at, done.entry));
    let found = response::impossible(db, find, &all)?;
    match found
        .into_iter()
        .find(|conflict| conflict.entries.contains(&CANDIDATE))
    {
        Some(conflict) => Err(unfit(
            "response",
            find,
            format!("can't take this: {}", conflict.words),
        )),
        None => Ok(()),
    }
}

/// Versions follow each other without gaps, and a step is taken once.
fn check_next(find: &str, all: &[response::Done], body: &Body) -> Result<(), Error> {
    let next = |version: u32, of: fn(&Body) -> Option<u32>| {
        let next = all.iter().filter_map(|done| of(&done.body)).max().unwrap_or(0) + 1;
        if version == next {
            Ok(())
        } else {
            Err(field(
                "version",
                version,
                &format!("the next version of {find:?} is {next}"),
            )
            .into())
        }
    };
    match body {
        Body::AreaDrawn(b) => next(b.version, |body| match body {
            Body::AreaDrawn(b) => Some(b.version),
            _ => None,
        }),
        Body::PestReportIssued(b) => next(b.version, |body| match body {
            Body::PestReportIssued(b) => Some(b.version),
            _ => None,
        }),
        Body::ResponseStepDone(step) => {
            let before = all.iter().find(|done| match &done.body {
                Body::ResponseStepDone(b) => b.step == step.step,
                _ => false,
            });
            let why = |done: &response::Done| {
                format!(
                    "was taken already, {}; withdraw entry {} first",
                    done.at, done.entry
                )
            };
            before.map_or(Ok(()), |done| Err(unfit("step", &step.step, why(done))))
        }
        _ => Ok(()),
    }
}

// Specimens.

/// The specimen's machine, asked whether what this body says may come on top of what is recorded.
fn check_specimen(db: &Connection, asked: &Asked<'_>, label: &str, body: &Body) -> Result<(), Error> {
    let history = specimens::events(db, label)?;
    let new = specimens::events_of(label, CANDIDATE, asked.at, asked.person, body);
    match specimen::would_refuse(label, &history, &new) {
        None => Ok(()),
        Some(illegal) => Err(Refusal::Specimen(illegal).into()),
    }
}

fn check_taken(db: &Connection, asked: &Asked<'_>, taken: &SpecimenTaken) -> Result<(), Error> {
    let body = Body::SpecimenTaken(taken.clone());
    check_specimen(db, asked, &taken.specimen, &body)?;
    match &taken.from {
        Origin::Trap { trap, date } => check_hanging(db, trap, *date),
        Origin::Specimen { parent } => check_specimen(db, asked, parent, &body),
        Origin::Tree { tree, .. } => {
            let seen = !facts_of(db, &format!("tree:{tree}"), "tree-inspected")?.is_empty();
            known(seen, "tree", tree)
        }
        Origin::Other { .. } => Ok(()),
    }
}

fn check_offer(db: &Connection, asked: &Asked<'_>, offer: &SpecimensOffered) -> Result<(), Error> {
    check_unused(db, "handover", &offer.handover, "specimens-offered")?;
    if offer.from != asked.person
        && !asked.trust.is(asked.person, Role::Supervisor, asked.today)
        && !asked.trust.is(asked.person, Role::Lead, asked.today)
    {
        return Err(unfit(
            "hand-over",
            &offer.handover,
            format!("is {}'s to offer, not {}'s", offer.from, asked.person),
        ));
    }
    known(asked.trust.knows(&offer.to), "person", &offer.to)?;
    let body = Body::SpecimensOffered(offer.clone());
    offer
        .specimens
        .iter()
        .try_for_each(|label| check_specimen(db, asked, label, &body))
}

/// An answer is the addressee's own, and for every specimen of the offer at once.
fn check_answer(db: &Connection, asked: &Asked<'_>, handover: &str, body: &Body) -> Result<(), Error> {
    let offer =
        specimens::offer(db, handover)?.ok_or_else(|| unfit("hand-over", handover, "was never offered"))?;
    let (Body::SpecimensAccepted(SpecimensAccepted { by, .. })
    | Body::SpecimensDeclined(crate::body::SpecimensDeclined { by, .. })) = body
    else {
        return Ok(());
    };
    if by != asked.person {
        return Err(unfit(
            "hand-over",
            handover,
            format!("is {by}'s to answer, not {}'s", asked.person),
        ));
    }
    offer
        .specimens
        .iter()
        .try_for_each(|label| check_specimen(db, asked, label, body))
}

fn check_acceptance(
    db: &Connection,
    asked: &Asked<'_>,
    accepted: &SpecimensAccepted,
    body: &Body,
) -> Result<(), Error> {
    check_answer(db, asked, &accepted.handover, body)?;
    let offer = specimens::offer(db, &accepted.handover)?;
    // Containers out = containers in, or somebody must say what happened.
    match offer {
        Some(offer) if offer.containers != accepted.containers && accepted.condition.is_none() => Err(unfit(
            "hand-over",
            &accepted.handover,
            format!(
                "was offered as {} containers and accepted as {}: say in condition what happened, or decline it",
                offer.containers, accepted.containers
            ),
        )),
        _ => Ok(()),
    }
}

fn check_determination(
    db: &Connection,
    asked: &Asked<'_>,
    determination: &Determination,
    body: &Body,
) -> Result<(), Error> {
    match &determination.of {
        // The form of layout 1: still written where specimens have no labels; its finds carry no custody.
        Determined::Trap { trap, date } => check_hanging(db, trap, *date),
        Determined::Specimen(label) => {
            check_specimen(db, asked, label, body)?;
            let history = specimens::opinions(db, asked.trust, label, &determination.target)?;
            let new = specimens::opinion(
                db,
                asked.trust,
                label,
                CANDIDATE,
                (asked.at, asked.day),
                determination,
            )?;
            match find::would_refuse(label, &determination.target, &history, &[new]) {
                None => Ok(()),
                Some(illegal) => Err(Refusal::Find(illegal).into()),
            }
        }
    }
}

/// A planting is in a trap that hangs, under a label of its own.
pub(crate) fn check_planting(db: &Connection, planting: &crate::body::Planting) -> Result<(), Error> {
    check_hanging(db, &planting.trap, planting.date)?;
    let used = db
        .prepare_cached("SELECT 1 FROM plantings WHERE planting = ?")?
        .exists([&planting.planting])?;
    if used {
        return Err(unfit(
            "planting",
            &planting.planting,
            "is recorded already: another one needs another label",
        ));
    }
    Ok(())
}

/// What is closed is a planting that is open here, and what came back is a specimen that was taken from its trap.
fn check_closing(
    db: &Connection,
    asked: &Asked<'_>,
    closed: &PlantingClosed,
    body: &Body,
) -> Result<(), Error> {
    check_unused(db, "planting", &closed.planting, "planting-closed")?;
    let trap: Option<String> = db
        .prepare_cached("SELECT trap FROM plantings WHERE planting = ?")?
        .query_row([&closed.planting], |row| row.get(0))
        .optional()?;
    let Some(trap) = trap else {
        return Err(unfit("planting", &closed.planting, "is not known here"));
    };
    let PlantingOutcome::Recovered { specimen } = &closed.outcome else {
        return Ok(());
    };
    check_specimen(db, asked, specimen, body)?;
    match specimens::source(db, specimen)?.trap {
        Some(from) if from == trap => Ok(()),
        _ => Err(unfit(
            "specimen",
            specimen,
            format!("did not come from trap {trap:?}, where that was planted"),
        )),
    }
}

// Holds and supplies.

fn check_lift(db: &Connection, lift: &HoldLifted) -> Result<(), Error> {
    let subject = format!("hold:{}", lift.hold);
    let declared = facts_of(db, &subject, "hold-declared")?;
    let Some(fact) = declared.first() else {
        return Err(unfit("hold", &lift.hold, "was never declared"));
    };
    check_unused(db, "hold", &lift.hold, "hold-lifted")?;
    match fact.body()? {
        Body::HoldDeclared(hold) if lift.date < hold.from => Err(Refusal::DatesReversed {
            earlier: "from",
            earlier_date: hold.from,
            later: "date",
            later_date: lift.date,
        }
        .into()),
        _ => Ok(()),
    }
}

fn check_supply(db: &Connection, supply: &Supply) -> Result<(), Error> {
    let lot = project::lots::stock(db, &supply.lot)?;
    let too_many = |quantity: u32, at_hand: i64| {
        if i64::from(quantity) > at_hand {
            Err(unfit(
                "lot",
                &supply.lot,
                format!("has {at_hand} in store, not {quantity}"),
            ))
        } else {
            Ok(())
        }
    };
    match (&supply.what, lot) {
        (SupplyMove::Received { item, .. }, Some(lot)) if *item != lot.item => {
            Err(unfit("lot", &supply.lot, "was received as something else"))
        }
        (SupplyMove::Received { .. }, _) => Ok(()),
        (_, None) => Err(unfit("lot", &supply.lot, "was never received")),
        (SupplyMove::Issued { quantity, .. } | SupplyMove::Disposed { quantity, .. }, Some(lot)) => {
            too_many(*quantity, lot.in_store)
        }
        (SupplyMove::Returned { quantity, .. }, Some(lot)) if i64::from(*quantity) > lot.issued => {
            Err(unfit(
                "lot",
                &supply.lot,
                format!("has {} issued, not {quantity}", lot.issued),
            ))
        }
        _ => Ok(()),
    }
}

// Devices and people.

fn check_enrolment(asked: &Asked<'_>, enrolled: &DeviceEnrolled) -> Result<(), Error> {
    let own = asked
        .trust
        .devices
        .get(&enrolled.device)
        .is_some_and(|d| d.key.is_none());
    if asked.trust.devices.contains_key(&enrolled.device) && !own {
        return Err(unfit("device", enrolled.device, "is enrolled already"));
    }
    if asked
        .trust
        .devices
        .values()
        .any(|device| device.key == Some(enrolled.key))
    {
        return Err(unfit("key", enrolled.key, "belongs to another device"));
    }
    match &enrolled.holder {
        Some(holder) => known(asked.trust.knows(holder), "person", holder),
        None => Ok(()),
    }
}

fn check_person(asked: &Asked<'_>, enrolled: &PersonEnrolled) -> Result<(), Error> {
    let leads = enrolled.roles.contains(&Role::Lead)
        && enrolled.from <= asked.today
        && enrolled.to.is_none_or(|to| asked.today <= to);
    if !leads && !asked.trust.another_lead(&enrolled.person, asked.today) {
        return Err(unfit(
            "person",
            &enrolled.person,
            "is the only lead: enrol another one first, or nobody could grant anything any more",
        ));
    }
    Ok(())
}

// Conflicts and corrections.

fn check_settlement(db: &Connection, settled: &ConflictSettled) -> Result<(), Error> {
    let Some(conflict) = project::conflicts::listed(db, &settled.conflict)? else {
        return Err(unfit("conflict", &settled.conflict, "is not listed here"));
    };
    if let Some(by) = conflict.settled_by {
        return Err(unfit(
            "conflict",
            &settled.conflict,
            format!("was settled by entry {by}"),
        ));
    }
    match &settled.decision {
        Decision::Withdraw { entries } => {
            if let Some(other) = entries.iter().find(|e| !conflict.entries.contains(e)) {
                return Err(unfit("entry", other, "is not among those in conflict"));
            }
            for &entry in entries {
                let Some(fact) = project::fact(db, entry)? else {
                    continue;
                };
                if let Some(rule) = project::facts::why_not_withdrawable(&fact.kind) {
                    let kind = fact.kind;
                    return Err(Refusal::NotCorrectable { entry, kind, rule }.into());
                }
            }
            Ok(())
        }
        Decision::KeepAll {} | Decision::AcceptLoss {} => Ok(()),
    }
}

fn check_correction(db: &Connection, asked: &Asked<'_>, correction: &Correction) -> Result<(), Error> {
    let entry = correction.corrects;
    let corrected = project::fact(db, entry)?.ok_or(Refusal::UnknownEntry(entry))?;
    let kind = corrected.kind.clone();
    let not = |rule| {
        Err(Refusal::NotCorrectable {
            entry,
            kind: kind.clone(),
            rule,
        }
        .into())
    };
    if let Some(rule) = project::facts::why_not_correctable(&kind) {
        return not(rule);
    }
    match kind.as_str() {
        "specimens-accepted" | "specimens-declined" => return not("hand the specimens over once more"),
        kind if !Body::is_known(kind, corrected.version) => return not("it can't be corrected"),
        _ => {}
    }
    if let Some(by) = corrected.withdrawn_by {
        return Err(Refusal::Withdrawn { entry, by }.into());
    }
    match &correction.change {
        Change::Visit { visit } if kind == "visit-made" => {
            let visit = VisitMade::from_visit(visit);
            visit.check()?;
            check_visit(db, &visit, Some(entry))
        }
        Change::Visit { .. } => {
            not("only a visit can be corrected to a visit; withdraw it and record the right one")
        }
        Change::Instead { version, body } => {
            let instead = Body::read_strict(&kind, *version, &canonical_json(body)?)?;
            check_instead(db, asked, entry, &corrected.body()?, &instead)
        }
        Change::Withdraw => match corrected.body()? {
            Body::TrapPlaced(b) => check_trap_with(db, &b.trap, entry, Vec::new()),
            Body::TrapTakenDown(b) => check_trap_with(db, &b.trap, entry, Vec::new()),
            Body::TrapWrittenOff(b) => check_trap_with(db, &b.trap, entry, Vec::new()),
            Body::TrapCameBack(b) => check_trap_with(db, &b.trap, entry, Vec::new()),
            Body::SpecimenTaken(b) => check_no_history(db, &b.specimen, entry),
            Body::ResponseOpened(b) if response::done(db, &b.find)?.len() > 1 => {
                not("more was recorded of the response: close it instead")
            }
            _ => Ok(()),
        },
    }
}

/// A specimen on which anything else hangs can't be made never to have been.
fn check_no_history(db: &Connection, label: &str, entry: Uuid) -> Result<(), Error> {
    let history = specimens::events(db, label)?;
    let left: Vec<_> = history
        .iter()
        .filter(|event| event.id != entry)
        .cloned()
        .collect();
    match specimen::would_contradict(label, &history, &left) {
        None => Ok(()),
        Some(illegal) => Err(Refusal::Specimen(illegal).into()),
    }
}

fn check_instead(
    db: &Connection,
    asked: &Asked<'_>,
    entry: Uuid,
    was: &Body,
    instead: &Body,
) -> Result<(), Error> {
    instead.check(asked.today)?;
    let not = |rule| {
        let kind = was.kind().to_owned();
        Err(Refusal::NotCorrectable { entry, kind, rule }.into())
    };
    match (was, instead) {
        (Body::VisitMade(_), Body::VisitMade(b)) => check_visit(db, b, Some(entry)),
        (Body::TrapPlaced(a), Body::TrapPlaced(b)) if a.trap == b.trap => {
            check_trap_with(db, &a.trap, entry, traps::events_of(entry, instead))
        }
        (Body::TrapTakenDown(a), Body::TrapTakenDown(b)) if a.trap == b.trap => {
            check_trap_with(db, &a.trap, entry, traps::events_of(entry, instead))
        }
        (Body::TreeInspected(_), Body::TreeInspected(_)) => Ok(()),
        (Body::HoldDeclared(a), Body::HoldDeclared(b)) if a.hold == b.hold => Ok(()),
        (Body::SpecimenTaken(a), Body::SpecimenTaken(b)) if a.specimen == b.specimen && a.from == b.from => {
            Ok(())
        }
        (Body::Supply(a), Body::Supply(b)) if a.lot == b.lot => Ok(()),
        (Body::Determination(_), _) => not("opinions stand: record another one, or withdraw this one"),
        _ => not("it can be withdrawn and recorded anew, not replaced"),
    }
}
