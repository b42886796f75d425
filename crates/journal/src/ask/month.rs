//! The figures of a month, or of any span of days.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_model::ledger::{self, TrapBalance, VisitBalance, VisitsDue};
use earlywood_model::record::{Looked, Placement, Position, TrapFound};
use jiff::civil::Date;
use rusqlite::{Connection, params};
use serde::Serialize;
use uuid::Uuid;

use super::overdue::{Cover, Limit, Limits, covers_day};
use super::{damaged, days_between, facts_between, later, read_day, refuse};
use crate::body::{Body, Determined, Loss, Peeled, PlantingOutcome, Status, SupplyMove, VisitMade};
use crate::error::Error;
use crate::programme::Programme;
use crate::project::conflicts;

/// So many of something.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Count {
    /// Of what, in plain words.
    pub what: String,
    /// How many.
    pub count: u64,
}

/// Traps, counted as placements. `out_at_start + hung = taken_down + written_off + out_at_end`, always.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct TrapMonth {
    /// Hung before the first day and still hanging when it began.
    pub out_at_start: u64,
    /// Hung on one of the days.
    pub hung: u64,
    /// Taken down on one of the days, those moved included.
    pub taken_down: u64,
    /// Written off on one of the days.
    pub written_off: u64,
    /// Of those written off: how they were lost, by words.
    pub lost: Vec<Count>,
    /// Hanging when the last day ended.
    pub out_at_end: u64,
    /// Placements hung on the very day on which the same trap left another place: moved. They are among `hung`.
    pub relocated: u64,
}

/// One target's traps.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TargetMonth {
    /// The target.
    pub target: String,
    /// Places of its plan that was adopted last, by the last day; none: there was no plan.
    pub required: Option<u64>,
    /// Traps baited for it that hung when the first day began.
    pub out_at_start: u64,
    /// Traps baited for it that hung when the last day ended.
    pub out_at_end: u64,
}

/// Stops. See [`Programme::month`] for what is due and when.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct StopMonth {
    /// Due on one of the days: `on_time + late + excused + missed`.
    pub due: u64,
    /// Made by their due day.
    pub on_time: u64,
    /// Made after it, before the clock had failed.
    pub late: u64,
    /// Not made, while a hold covered the trap on the due day. They are no service.
    pub excused: u64,
    /// Not made.
    pub missed: u64,
    /// Of those missed: why, as the last stop in vain says, by words.
    pub missed_why: Vec<Count>,
    /// Stops recorded on the days, due or not, reached or not.
    pub visits: u64,
    /// Of those: full looks at the catch.
    pub looked: u64,
    /// Hours between arriving and leaving, where both were told.
    pub hours: f64,
    /// Stops for which both were told.
    pub timed: u64,
}

/// A specimen that nobody has named yet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pending {
    /// Its label.
    pub specimen: String,
    /// The day it was taken.
    pub taken: Date,
    /// Days from then to the last day asked for.
    pub age_days: i64,
}

/// Specimens.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct SpecimenMonth {
    /// Taken on one of the days.
    pub taken: u64,
    /// First named (more than a suspicion, or ruled out) on one of the days.
    pub determined: u64,
    /// First gone through on one of the days: inserts and panels.
    pub screened: u64,
    /// Taken by the last day and by then neither named nor gone through nor ended; the oldest first.
    pub pending: Vec<Pending>,
}

/// Planted specimens, as far as everybody may know.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Planted {
    /// Sealed entries recorded on one of the days; what they say is not read.
    pub planted: u64,
    /// Closed on one of the days as recovered.
    pub recovered: u64,
    /// Closed on one of the days as missed.
    pub missed: u64,
    /// Closed on one of the days as lost: says nothing about the look.
    pub lost: u64,
}

/// Trees.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct TreeMonth {
    /// Looks at trees.
    pub inspections: u64,
    /// Trees that were looked at, each once. A look in vain is none.
    pub trees: u64,
    /// Branches cut.
    pub branch_samples: u64,
    /// Of those: with galleries or live stages.
    pub branches_positive: u64,
    /// Of those: peeled, none.
    pub branches_negative: u64,
    /// Hours spent looking, where told.
    pub hours: f64,
}

/// One lot of supplies.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct LotMonth {
    /// Its label.
    pub lot: String,
    /// Pieces that came in on the days.
    pub received: i64,
    /// Pieces handed out on the days, less those handed back.
    pub issued: i64,
    /// Pieces thrown away on the days.
    pub disposed: i64,
    /// Parts that stops on the days renewed from it.
    pub used: u64,
    /// In store when the last day ended. Below 0 when more was issued than is known to have come in.
    pub on_hand: i64,
}

/// The figures of a span of days.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Month {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// Traps.
    pub traps: TrapMonth,
    /// Each target that has a plan or a trap, by id.
    pub targets: Vec<TargetMonth>,
    /// Stops.
    pub stops: StopMonth,
    /// Specimens.
    pub specimens: SpecimenMonth,
    /// Planted specimens.
    pub planted: Planted,
    /// Trees.
    pub trees: TreeMonth,
    /// Every lot that was ever received, issued or used by the last day, by label.
    pub supplies: Vec<LotMonth>,
    /// Conflicts that wait for a supervisor now.
    pub conflicts_open: u64,
    /// What the entries of the days say, held against where the traps hung.
    pub trap_books: TrapBalance,
    /// The stops due, held against their outcomes.
    pub visit_books: VisitBalance,
    /// What does not add up, in words.
    pub differences: Vec<String>,
}

impl Programme {
    /// The figures of the days from `from` to `to`, both included.
    ///
    /// **Traps** are counted as placements, by the state that follows from all entries. Against them the books hold the
    /// entries themselves: a hanging or a taking down that the state did not allow (two offices at once) shows as a
    /// difference, in words.
    ///
    /// **Stops due.** Let W be the warning and F the failing age of the look's clock. The clock of a placement begins on the
    /// day it was hung and anew on each day of a full look. A stop in vain (not reached, not looked at, looked at in part)
    /// sets back nothing. From each such day a, stops fall due on a + W, a + 2W, ... until the next full look n. Counted in
    /// the span are those whose *due day* lies in it:
    /// - n on or before a + W: that one stop, on time. The next is due n + W.
    /// - n later: every due day up to n. The last of them is on time if it is n itself, late if n is not more than F - W days
    ///   after it, else missed; those before it are missed. A look that comes too late for the one and before the next due
    ///   day serves neither: it begins the clock anew.
    /// - no look any more: every due day up to the end of the placement (or of the span) is missed.
    ///
    /// A due day after the placement ended is no due day, even if a look was made for it; one on the last day is. A trap hung
    /// within the span is due W days later; one hung and ended in less than W days was never due. A look on the day of
    /// hanging changes nothing. A trap that was moved begins anew at the new place; a look on the day of moving counts at
    /// both. A *missed* stop is *excused* if a hold covers the trap, where it hung, on the due day; one made on time or late
    /// counts as made whatever the holds. Looks made after the span are known as far as they are recorded: a stop of the
    /// span's last days may be missed in a report drawn up early and late in one drawn up later.
    ///
    /// A missed stop's reason is that of the last stop in vain between the due day before and F - W days after its own, else
    /// "no stop recorded".
    ///
    /// With `limits.look` none, no stop is due.
    ///
    /// # Errors
    /// A span that ends before it begins; limits that can't be; a database that can't be read.
    pub fn month(&self, from: Date, to: Date, limits: &Limits) -> Result<Month, Error> {
        limits.check()?;
        if to < from {
            return refuse("to", to, "not before the first day");
        }
        let span = (from, to);
        let hangs = hangs(&self.db, span)?;
        let visits = visits(&self.db, span, &hangs, limits.look)?;
        let (stops, visit_books) = stops(&self.db, span, &hangs, &visits, limits.look)?;
        let trap_books = trap_books(&self.db, span, &hangs)?;
        let differences = trap_books
            .differences
            .iter()
            .chain(&visit_books.differences)
            .map(ToString::to_string)
            .collect();
        Ok(Month {
            from,
            to,
            traps: trap_figures(span, &hangs),
            targets: self.target_figures(span, &hangs)?,
            stops,
            specimens: specimens(&self.db, span)?,
            planted: planted(&self.db, span)?,
            trees: trees(&self.db, span)?,
            supplies: supplies(&self.db, span, &visits)?,
            conflicts_open: conflicts::open(&self.db)?,
            trap_books,
            visit_books,
            differences,
        })
    }

    fn target_figures(&self, (from, to): Span, hangs: &[Hang]) -> Result<Vec<TargetMonth>, Error> {
        let mut required: BTreeMap<String, u64> = BTreeMap::new();
        let mut plans = super::facts_where(
            &self.db,
            "kind = 'plan-adopted' AND day <= ? ORDER BY entry",
            [to.to_string()],
        )?;
        // The plan adopted last stands, whatever the order in which they arrived.
        plans.sort_by_key(|fact| (fact.at, fact.entry));
        for fact in plans {
            if let Body::PlanAdopted(plan) = fact.body()? {
                required.insert(plan.target, plan.places.len() as u64);
            }
        }
        let mut targets: BTreeSet<&String> = required.keys().collect();
        targets.extend(hangs.iter().flat_map(|hang| &hang.targets));
        let baited = |target: &String, out: &dyn Fn(&Hang) -> bool| {
            let traps = hangs
                .iter()
                .filter(|hang| hang.targets.contains(target) && out(hang));
            traps.count() as u64
        };
        Ok(targets
            .into_iter()
            .map(|target| TargetMonth {
                target: target.clone(),
                required: required.get(target).copied(),
                out_at_start: baited(target, &|hang| hang.out_at_start(from)),
                out_at_end: baited(target, &|hang| hang.out_at_end(to)),
            })
            .collect())
    }
}

type Span = (Date, Date);

fn within(day: Date, (from, to): Span) -> bool {
    from <= day && day <= to
}

/// A placement that hung on one of the days, or ended on one.
struct Hang {
    entry: Uuid,
    /// What it is called in the books.
    label: String,
    trap: String,
    place: String,
    position: Position,
    targets: Vec<String>,
    hung: Date,
    ended: Option<Date>,
    /// The entry that ended it, where it is not its own.
    ended_by: Option<Uuid>,
    /// How it was lost, where it was written off.
    loss: Option<Loss>,
    /// It left this place on the day on which it was hung at the next, or came from another on that day.
    moved_here: bool,
}

impl Hang {
    fn out_at_start(&self, from: Date) -> bool {
        self.hung < from && self.ended.is_none_or(|end| from <= end)
    }

    fn out_at_end(&self, to: Date) -> bool {
        self.hung <= to && self.ended.is_none_or(|end| to < end)
    }

    fn ended_in(&self, span: Span) -> bool {
        self.ended.is_some_and(|end| within(end, span))
    }
}

fn hangs(db: &Connection, (from, to): Span) -> Result<Vec<Hang>, Error> {
    let mut select = db.prepare_cached(
        "SELECT p.entry, p.trap, p.place, p.hung, p.taken_down, p.down_by, p.body, f.kind, f.body_version, f.body,
                EXISTS (SELECT 1 FROM placements q WHERE q.trap = p.trap AND q.entry <> p.entry
                        AND q.taken_down = p.hung AND q.place <> p.place)
         FROM placements p LEFT JOIN facts f ON f.entry = p.down_by
         WHERE p.hung <= ?2 AND (p.taken_down IS NULL OR p.taken_down >= ?1) ORDER BY p.trap, p.hung, p.entry",
    )?;
    let mut rows = select.query([from.to_string(), to.to_string()])?;
    let mut hangs: Vec<Hang> = Vec::new();
    let mut labels = BTreeSet::new();
    while let Some(row) = rows.next()? {
        let text = row.get_ref(6)?.as_str().map_err(rusqlite::Error::from)?;
        let placement: Placement = serde_json::from_str(text).map_err(|e| damaged(&e))?;
        let loss = match row.get::<_, Option<String>>(7)?.as_deref() {
            Some("trap-written-off") => {
                let text: String = row.get(9)?;
                match Body::read("trap-written-off", row.get(8)?, &text)? {
                    Body::TrapWrittenOff(off) => Some(off.why),
                    _ => None,
                }
            }
            _ => None,
        };
        let (trap, place): (String, String) = (row.get(1)?, row.get(2)?);
        let hung = read_day(&row.get::<_, String>(3)?)?;
        let entry = Uuid::from_bytes(row.get(0)?);
        let mut label = format!("{trap} at {place} since {hung}");
        if !labels.insert(label.clone()) {
            label = format!("{label} (entry {entry})");
        }
        hangs.push(Hang {
            entry,
            label,
            trap,
            place,
            position: placement.position,
            targets: placement.targets,
            hung,
            ended: row
                .get::<_, Option<String>>(4)?
                .as_deref()
                .map(read_day)
                .transpose()?,
            ended_by: row.get::<_, Option<[u8; 16]>>(5)?.map(Uuid::from_bytes),
            loss,
            moved_here: row.get(10)?,
        });
    }
    Ok(hangs)
}

fn counted(words: impl Iterator<Item = String>) -> Vec<Count> {
    let mut counts: BTreeMap<String, u64> = BTreeMap::new();
    for what in words {
        *counts.entry(what).or_default() += 1;
    }
    counts
        .into_iter()
        .map(|(what, count)| Count { what, count })
        .collect()
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

fn trap_figures(span: Span, hangs: &[Hang]) -> TrapMonth {
    let count = |which: &dyn Fn(&Hang) -> bool| hangs.iter().filter(|hang| which(hang)).count() as u64;
    let off = |hang: &Hang| hang.ended_in(span) && hang.loss.is_some();
    TrapMonth {
        out_at_start: count(&|hang| hang.out_at_start(span.0)),
        hung: count(&|hang| within(hang.hung, span)),
        taken_down: count(&|hang| hang.ended_in(span) && hang.loss.is_none()),
        written_off: count(&off),
        lost: counted(
            hangs
                .iter()
                .filter(|hang| off(hang))
                .filter_map(|hang| hang.loss)
                .map(|loss| loss_words(loss).to_owned()),
        ),
        out_at_end: count(&|hang| hang.out_at_end(span.1)),
        relocated: count(&|hang| within(hang.hung, span) && hang.moved_here),
    }
}

/// The entries of the days, held against where the traps hung.
fn trap_books(db: &Connection, span: Span, hangs: &[Hang]) -> Result<TrapBalance, Error> {
    let by_entry: BTreeMap<Uuid, &Hang> = hangs.iter().map(|hang| (hang.entry, hang)).collect();
    let by_end: BTreeMap<Uuid, &Hang> = hangs
        .iter()
        .filter_map(|hang| Some((hang.ended_by?, hang)))
        .collect();
    let mut books = ledger::Placements::default();
    for hang in hangs {
        if hang.out_at_start(span.0) {
            books.at_start.insert(hang.label.clone());
        }
        if hang.out_at_end(span.1) {
            books.at_end.insert(hang.label.clone());
        }
        // Its own end, told with its hanging.
        if hang.ended_by.is_none() && hang.ended_in(span) {
            books.taken_down.insert(hang.label.clone());
        }
    }
    for fact in facts_between(db, "trap-placed", span.0, span.1)? {
        let label = by_entry.get(&fact.entry).map(|hang| hang.label.clone());
        if let (None, Body::TrapPlaced(placed)) = (&label, fact.body()?) {
            let (trap, place, entry) = (placed.trap, placed.place, fact.entry);
            books
                .hung
                .insert(format!("{trap} at {place} on {} (entry {entry})", fact.day));
        }
        books.hung.extend(label);
    }
    for kind in ["trap-taken-down", "trap-written-off"] {
        for fact in facts_between(db, kind, span.0, span.1)? {
            let trap = fact.subject.strip_prefix("trap:").unwrap_or(&fact.subject);
            let label = match by_end.get(&fact.entry) {
                Some(hang) => hang.label.clone(),
                // A trap that was in store may be written off too: it left no place.
                None if kind == "trap-written-off" && !is_conflict(db, fact.entry, &fact.subject)? => {
                    continue;
                }
                None => format!("{trap} on {} (entry {})", fact.day, fact.entry),
            };
            let set = match kind {
                "trap-taken-down" => &mut books.taken_down,
                _ => &mut books.lost,
            };
            set.insert(label);
        }
    }
    Ok(ledger::traps(&books))
}

/// Whether an entry is listed as a move that its subject's state did not allow.
fn is_conflict(db: &Connection, entry: Uuid, subject: &str) -> Result<bool, Error> {
    Ok(db
        .prepare_cached(
            "SELECT 1 FROM conflicts WHERE subject = ? AND kind = 'not-possible' AND entries = ?",
        )?
        .exists(params![subject, format!("[\"{entry}\"]")])?)
}

/// Stops by trap, by day; those before the span only as far as they may bear on what is due in it.
fn visits(
    db: &Connection,
    (from, to): Span,
    hangs: &[Hang],
    look: Option<Limit>,
) -> Result<BTreeMap<String, Vec<VisitMade>>, Error> {
    let first = match look {
        Some(_) => hangs.iter().map(|hang| hang.hung).min().unwrap_or(from).min(from),
        None => from,
    };
    let last = later(
        to,
        look.map_or(0, |limit| i64::from(limit.fail_days - limit.warn_days)),
    );
    let mut visits: BTreeMap<String, Vec<VisitMade>> = BTreeMap::new();
    for fact in facts_between(db, "visit-made", first, last)? {
        if let Body::VisitMade(visit) = fact.body()? {
            visits.entry(visit.trap.clone()).or_default().push(visit);
        }
    }
    Ok(visits)
}

fn is_look(visit: &VisitMade) -> bool {
    visit.looked == Looked::Fully && visit.found != TrapFound::NotReached
}

/// What became of one due day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Made {
    OnTime,
    Late,
    No,
}

/// The due days of a placement in a span, and what became of each. `looks`: days of full looks while it hung, ascending.
fn due_days(hung: Date, ended: Option<Date>, looks: &[Date], limit: Limit, span: Span) -> Vec<(Date, Made)> {
    let (every, grace) = (
        i64::from(limit.warn_days),
        i64::from(limit.fail_days - limit.warn_days),
    );
    let last = ended.map_or(span.1, |end| end.min(span.1));
    let mut due = Vec::new();
    let starts = std::iter::once(hung).chain(looks.iter().copied().filter(|day| *day > hung));
    let mut starts: Vec<Date> = starts.collect();
    starts.dedup();
    for (i, start) in starts.iter().enumerate() {
        let next = starts.get(i + 1).copied();
        let first = later(*start, every);
        if next.is_some_and(|look| look <= first) {
            if first <= last && within(first, span) {
                due.push((first, Made::OnTime));
            }
            continue;
        }
        let mut day = first;
        while day <= last && next.is_none_or(|look| day <= look) {
            let made = match next {
                Some(look) if look == day => Made::OnTime,
                Some(look) if look < later(day, every) && days_between(day, look) <= grace => Made::Late,
                _ => Made::No,
            };
            if within(day, span) {
                due.push((day, made));
            }
            day = later(day, every);
        }
    }
    due
}

fn stops(
    db: &Connection,
    span: Span,
    hangs: &[Hang],
    visits: &BTreeMap<String, Vec<VisitMade>>,
    look: Option<Limit>,
) -> Result<(StopMonth, VisitBalance), Error> {
    let cover = Cover::read(db)?;
    let mut books = VisitsDue::default();
    let mut why = Vec::new();
    for hang in hangs {
        let Some(limit) = look else { break };
        let there =
            |visit: &&VisitMade| hang.hung <= visit.date && hang.ended.is_none_or(|end| visit.date <= end);
        let all: Vec<&VisitMade> = visits
            .get(&hang.trap)
            .into_iter()
            .flatten()
            .filter(there)
            .collect();
        let looks: Vec<Date> = all
            .iter()
            .filter(|visit| is_look(visit))
            .map(|visit| visit.date)
            .collect();
        let holds = cover.of(&hang.trap, &hang.place, Some(hang.position));
        for (day, made) in due_days(hang.hung, hang.ended, &looks, limit, span) {
            let label = format!("{}, due {day}", hang.label);
            books.due.insert(label.clone());
            let set = match made {
                Made::OnTime => &mut books.on_time,
                Made::Late => &mut books.late,
                Made::No if holds.iter().any(|hold| covers_day(hold, day)) => &mut books.excused,
                Made::No => {
                    why.push(why_missed(&all, day, limit));
                    &mut books.missed
                }
            };
            set.insert(label);
        }
    }
    let balance = ledger::visits(&books);
    let mut stops = StopMonth {
        due: balance.due,
        on_time: balance.on_time,
        late: balance.late,
        excused: balance.excused,
        missed: balance.missed,
        missed_why: counted(why.into_iter()),
        ..StopMonth::default()
    };
    let mut seconds = 0;
    for visit in visits.values().flatten().filter(|visit| within(visit.date, span)) {
        stops.visits += 1;
        stops.looked += u64::from(is_look(visit));
        let moment = |text: &Option<String>| text.as_ref()?.parse::<jiff::Timestamp>().ok();
        if let (Some(arrive), Some(leave)) = (moment(&visit.arrive), moment(&visit.leave)) {
            stops.timed += 1;
            seconds += leave.as_second() - arrive.as_second();
        }
    }
    stops.hours = seconds as f64 / 3600.0;
    Ok((stops, balance))
}

/// Why a stop was missed: what the last stop in vain about its due day says. `visits` are by day.
fn why_missed(visits: &[&VisitMade], day: Date, limit: Limit) -> String {
    let after = later(day, -i64::from(limit.warn_days));
    let until = later(day, i64::from(limit.fail_days - limit.warn_days));
    let vain = visits
        .iter()
        .rev()
        .find(|visit| after < visit.date && visit.date <= until && !is_look(visit));
    let Some(visit) = vain else {
        return "no stop recorded".into();
    };
    match (&visit.exception, visit.found, visit.looked) {
        (Some(exception), ..) => exception.words().into(),
        (None, TrapFound::NotReached, _) => "not reached".into(),
        (None, TrapFound::Gone, _) => "trap missing".into(),
        (None, _, Looked::Partly) => "looked at in part".into(),
        (None, ..) => "not looked at".into(),
    }
}

fn specimens(db: &Connection, span: Span) -> Result<SpecimenMonth, Error> {
    let mut figures = SpecimenMonth::default();
    // First day of each, by specimen.
    let (mut taken, mut named, mut screened, mut ended) =
        (BTreeMap::new(), BTreeMap::new(), BTreeMap::new(), BTreeSet::new());
    let first = |days: &mut BTreeMap<String, Date>, specimen: String, day: Date| {
        let known = days.entry(specimen).or_insert(day);
        *known = day.min(*known);
    };
    for kind in [
        "specimen-taken",
        "determination",
        "screening-made",
        "specimen-ended",
        "planting-closed",
    ] {
        for fact in facts_between(db, kind, Date::MIN, span.1)? {
            match fact.body()? {
                Body::SpecimenTaken(b) => first(&mut taken, b.specimen, fact.day),
                Body::Determination(b) => {
                    if let (Determined::Specimen(specimen), true) = (b.of, b.status != Status::Suspect) {
                        first(&mut named, specimen, fact.day);
                    }
                }
                Body::ScreeningMade(b) => first(&mut screened, b.specimen, fact.day),
                Body::SpecimenEnded(b) => drop(ended.insert(b.specimen)),
                Body::PlantingClosed(b) => {
                    if let PlantingOutcome::Recovered { specimen } = b.outcome {
                        ended.insert(specimen);
                    }
                }
                _ => {}
            }
        }
    }
    let of_span =
        |days: &BTreeMap<String, Date>| days.values().filter(|day| within(**day, span)).count() as u64;
    figures.taken = of_span(&taken);
    figures.determined = of_span(&named);
    figures.screened = of_span(&screened);
    for (specimen, day) in taken {
        if !named.contains_key(&specimen) && !screened.contains_key(&specimen) && !ended.contains(&specimen) {
            figures.pending.push(Pending {
                specimen,
                taken: day,
                age_days: days_between(day, span.1),
            });
        }
    }
    figures
        .pending
        .sort_by(|a, b| (a.taken, &a.specimen).cmp(&(b.taken, &b.specimen)));
    Ok(figures)
}

fn planted(db: &Connection, span: Span) -> Result<Planted, Error> {
    let mut figures = Planted {
        planted: facts_between(db, "sealed", span.0, span.1)?.len() as u64,
        ..Planted::default()
    };
    // As everywhere, the first closing of a planting stands.
    let mut seen = BTreeSet::new();
    let mut facts = facts_between(db, "planting-closed", Date::MIN, Date::MAX)?;
    facts.sort_by_key(|fact| fact.entry);
    for fact in facts {
        let Body::PlantingClosed(closed) = fact.body()? else {
            continue;
        };
        if !seen.insert(closed.planting) || !within(fact.day, span) {
            continue;
        }
        match closed.outcome {
            PlantingOutcome::Recovered { .. } => figures.recovered += 1,
            PlantingOutcome::Missed {} => figures.missed += 1,
            PlantingOutcome::Lost {} => figures.lost += 1,
        }
    }
    Ok(figures)
}

fn trees(db: &Connection, span: Span) -> Result<TreeMonth, Error> {
    let mut figures = TreeMonth::default();
    let mut trees = BTreeSet::new();
    let mut minutes = 0;
    for fact in facts_between(db, "tree-inspected", span.0, span.1)? {
        let Body::TreeInspected(tree) = fact.body()? else {
            continue;
        };
        figures.inspections += 1;
        minutes += u64::from(tree.minutes.unwrap_or(0));
        for sample in &tree.branch_samples {
            figures.branch_samples += 1;
            figures.branches_positive += u64::from(sample.found == Peeled::Positive);
            figures.branches_negative += u64::from(sample.found == Peeled::Negative);
        }
        if tree.looked != Looked::No {
            trees.insert(tree.tree);
        }
    }
    figures.trees = trees.len() as u64;
    figures.hours = minutes as f64 / 60.0;
    Ok(figures)
}

fn supplies(
    db: &Connection,
    span: Span,
    visits: &BTreeMap<String, Vec<VisitMade>>,
) -> Result<Vec<LotMonth>, Error> {
    let mut lots: BTreeMap<String, LotMonth> = BTreeMap::new();
    for fact in facts_between(db, "supply", Date::MIN, span.1)? {
        let Body::Supply(supply) = fact.body()? else {
            continue;
        };
        let lot = lots.entry(supply.lot).or_default();
        let now = i64::from(within(fact.day, span));
        match supply.what {
            SupplyMove::Received { quantity, .. } => {
                lot.received += now * i64::from(quantity);
                lot.on_hand += i64::from(quantity);
            }
            SupplyMove::Issued { quantity, .. } => {
                lot.issued += now * i64::from(quantity);
                lot.on_hand -= i64::from(quantity);
            }
            SupplyMove::Returned { quantity, .. } => {
                lot.issued -= now * i64::from(quantity);
                lot.on_hand += i64::from(quantity);
            }
            SupplyMove::Disposed { quantity, .. } => {
                lot.disposed += now * i64::from(quantity);
                lot.on_hand -= i64::from(quantity);
            }
            SupplyMove::Stored { .. } | SupplyMove::Counted { .. } => {}
        }
    }
    for visit in visits.values().flatten().filter(|visit| within(visit.date, span)) {
        let renewed = &visit.renewed;
        let parts = [
            &renewed.lure,
            &renewed.insert,
            &renewed.killing_agent,
            &renewed.body,
        ];
        for label in parts
            .into_iter()
            .flatten()
            .filter_map(|renewal| renewal.lot.as_ref())
        {
            lots.entry(label.clone()).or_default().used += 1;
        }
    }
    Ok(lots
        .into_iter()
        .map(|(label, lot)| LotMonth { lot: label, ..lot })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    const LIMIT: Limit = Limit {
        warn_days: 14,
        fail_days: 21,
    };

    fn june(day: i8) -> Date {
        date(2026, 6, day)
    }

    fn due(hung: Date, ended: Option<Date>, looks: &[Date]) -> Vec<(i8, Made)> {
        let span = (june(1), june(30));
        due_days(hung, ended, looks, LIMIT, span)
            .into_iter()
            .map(|(day, made)| (day.day(), made))
            .collect()
    }

    #[test]
    fn every_edge_of_what_is_due() {
        use Made::{Late, No, OnTime};
        let may = |day| date(2026, 5, day);
        // Never looked at: every fortnight.
        assert_eq!(due(may(20), None, &[]), [(3, No), (17, No)]);
        // Looked at early, on the day, a week late (the clock has failed on day 21: that is still late), too late.
        assert_eq!(due(may(20), None, &[june(1)]), [(3, OnTime), (15, No), (29, No)]);
        assert_eq!(due(may(20), None, &[june(3)])[..1], [(3, OnTime)]);
        assert_eq!(due(may(20), None, &[june(10)]), [(3, Late), (24, No)]);
        assert_eq!(due(may(20), None, &[june(11)]), [(3, No), (25, No)]);
        // The second due day is met on its day; the first was missed.
        assert_eq!(due(may(20), None, &[june(17)]), [(3, No), (17, OnTime)]);
        // Hung within, too late to be due.
        assert_eq!(due(june(17), None, &[]), []);
        assert_eq!(due(june(16), None, &[]), [(30, No)]);
        // Ended before due, on the due day, after it.
        assert_eq!(due(june(1), Some(june(14)), &[june(14)]), []);
        assert_eq!(due(june(1), Some(june(15)), &[june(15)]), [(15, OnTime)]);
        assert_eq!(due(june(1), Some(june(15)), &[]), [(15, No)]);
        // A look after the span makes late what the span's last day was due.
        assert_eq!(due(june(16), None, &[date(2026, 7, 2)]), [(30, Late)]);
        // A look on the day of hanging, and two on one day, change nothing.
        assert_eq!(
            due(june(1), None, &[june(1), june(8), june(8)]),
            [(15, OnTime), (22, No)]
        );
    }
}
