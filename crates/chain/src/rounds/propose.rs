//! From what is due to rounds: the problem that the planner solves, and its answer, checked again.
//!
//! **What counts, in one unit.** The planner makes a sum of seconds small. A second of driving is one second. Leaving out a
//! visit that would be too late after these days costs four hours, and on top up to eight more in proportion to what it would
//! add to assurance: the visit worth most, eight. So nothing that is due is left out to save a drive within a county, and where
//! time is short those worth least go first. A visit that is in time even after these days costs one hour in place of four: it
//! goes before all others of like worth; so does a trap that is only to be taken down. A visit whose clock has failed already costs more with each day that it waits, up to
//! half of what leaving it out costs on the last day. In a plan made anew in mid-day, another crew or day than before costs half
//! an hour. All of these weights are design choices.

use std::collections::{BTreeMap, HashMap, HashSet};

use earlywood_journal::{LeftOut, PlannedRound, PlannedStop, Programme};
use earlywood_model::record::{Position, Skill};
use earlywood_planner::rounds as planner;
use jiff::ToSpan as _;
use jiff::civil::{Date, Time};
use planner::Solver as _;
use serde_json::{Value, json};

use super::before::{Before, time_of};
use super::code::Codes;
use super::crew_days::{CrewDay, Days, Without, crew_days};
use super::due::{DueAsk, DueList, DueVisit, Job, MOST_DAYS, Reading, listed, seconds};
use super::travel::{Times, USUAL_DETOUR, USUAL_SPEED_KMH, Ways};
use super::view::{CrewMinutes, PlannedRoundView, RoundsView, Viewer, fairness, holding};
use crate::Notes;
use crate::desk::Desk;
use crate::error::ChainError;

/// Leaving out a visit that would be too late afterwards, seconds.
const LEFT_OUT_S: f64 = 4.0 * 3600.0;
/// Leaving out one that is still in time afterwards.
const CAN_WAIT_S: f64 = 3600.0;
/// On top, for the visit that would add most.
const MOST_WORTH_S: f64 = 8.0 * 3600.0;
/// Another crew or day than the plan before had.
const CHANGE_S: f64 = 1800.0;
/// What the last busy second of a full day costs, in seconds; that of an empty one costs nothing. So a stop goes to a crew with
/// less to do as long as the longer way there is not much longer than the stop. Design choice.
const FAIRNESS: f64 = 2.0;
/// Seconds of a day.
const DAY_S: i64 = 86_400;
/// Rounds of search that are made when nobody says how long to look. Design choice.
pub const USUAL_ITERATIONS: u64 = 20_000;

/// Which rounds are wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask {
    /// Which days, and what counts as due.
    pub due: DueAsk,
    /// The days were not said: those of a plan that is made anew.
    pub all_days: bool,
    /// Crews that stay at home.
    pub without: Vec<Without>,
    /// Plan again from this time of the first day on, keeping what is done.
    pub at: Option<Time>,
    /// Roads that are closed: their labels, or `LAT,LON,RADIUS_M`.
    pub closed: Vec<String>,
    /// How many rounds of search are made.
    pub iterations: u64,
    /// The same seed gives the same rounds.
    pub seed: u64,
    /// Length of a drive over that of the straight line, where no roads are loaded.
    pub detour: f64,
    /// Speed of such a drive, km/h.
    pub speed_kmh: f64,
    /// The time zone of the programme's times, where one was named.
    pub time_zone: Option<String>,
}

impl Ask {
    /// These days, everything else as usual.
    pub fn new(from: Date, days: u16) -> Ask {
        Ask {
            due: DueAsk::new(from, days),
            all_days: false,
            without: Vec::new(),
            at: None,
            closed: Vec::new(),
            iterations: USUAL_ITERATIONS,
            seed: 1,
            detour: USUAL_DETOUR,
            speed_kmh: USUAL_SPEED_KMH,
            time_zone: None,
        }
    }
}

/// Rounds that nobody has adopted yet.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// The rounds, by day and crew.
    pub rounds: Vec<PlannedRound>,
    /// What found no room, the most worth first.
    pub left_out: Vec<LeftOut>,
    /// How they were made.
    pub settings: Value,
    /// Minutes of each crew that works on these days, also of those that stay at home.
    pub fairness: Vec<CrewMinutes>,
    /// Worth knowing.
    pub notes: Notes,
}

impl Proposal {
    /// It, as people look at it.
    ///
    /// # Errors
    /// A programme that can't be read.
    pub fn view(&self, programme: &Programme) -> Result<RoundsView, ChainError> {
        let viewer = Viewer::read(programme)?;
        let rounds: Result<Vec<PlannedRoundView>, ChainError> = self
            .rounds
            .iter()
            .map(|r| viewer.round(r.clone(), self.from))
            .collect();
        Ok(RoundsView {
            from: self.from,
            to: self.to,
            adopted: None,
            rounds: rounds?,
            left_out: self.left_out.iter().map(|l| viewer.left_out(l.clone())).collect(),
            fairness: self.fairness.clone(),
            notes: self.notes.clone(),
        })
    }
}

/// Places between which crews drive, each once.
#[derive(Default)]
struct Spots {
    at: Vec<Position>,
    known: HashMap<(u64, u64), usize>,
}

impl Spots {
    fn index(&mut self, p: Position) -> usize {
        *self
            .known
            .entry((p.lat.to_bits(), p.lon.to_bits()))
            .or_insert_with(|| {
                self.at.push(p);
                self.at.len() - 1
            })
    }
}

/// What goes to the planner, and what its numbers mean.
struct Table {
    from: Date,
    crew_days: Vec<CrewDay>,
    visits: Vec<DueVisit>,
    times: Times,
    /// Index of each crew-day's begin and end, and of each visit.
    ends: Vec<(usize, usize)>,
    stops: Vec<usize>,
    at: Vec<Position>,
}

impl Table {
    fn day(&self, date: Date) -> usize {
        let days = self.from.until(date).map_or(0, |span| span.get_days());
        usize::try_from(days).unwrap_or(0)
    }

    fn offset(&self, date: Date) -> i64 {
        i64::try_from(self.day(date)).unwrap_or(0) * DAY_S
    }
}

/// Proposes rounds.
///
/// # Errors
/// Days that can't be planned, no crew that works, a depot nobody can start from, nothing due; a programme that can't be read;
/// an answer of the planner that does not hold (a fault of the program: nothing is kept of it).
pub fn propose(desk: &Desk, programme: &Programme, ask: &Ask, today: Date) -> Result<Proposal, ChainError> {
    let mut notes = Notes::new();
    let mut ask = ask.clone();
    let before = before(programme, &mut ask)?;
    let mut reading = Reading::read(desk, programme, &ask.due, today, &mut notes)?;
    let wanted: HashSet<&str> = before
        .iter()
        .flat_map(|b| b.stops())
        .map(|s| s.trap.as_str())
        .collect();
    let mut list = listed(
        &mut reading,
        programme,
        &ask.due,
        &|trap| wanted.contains(trap),
        &mut notes,
    )?;
    if let Some(before) = &before {
        before.without_done(&mut list.visits);
    }
    if list.visits.is_empty() && before.is_none() {
        return Err(nothing_due(&mut reading, &ask.due));
    }
    let days = Days {
        from: list.from,
        to: list.to,
        off: &list.days_off,
        without: &ask.without,
    };
    let mut crew_days = match crew_days(programme, &days, &mut notes) {
        // Whoever is ill today takes nothing of what is done along: with nobody left all that is left is listed.
        Err(_) if before.is_some() && !ask.without.is_empty() => Vec::new(),
        other => other?,
    };
    if let Some(before) = &before {
        crew_days = before.left_of(crew_days);
    }
    let ways = Ways::read(programme, &ask.closed, ask.detour, ask.speed_kmh, &mut notes)?;
    let (open, blocked): (Vec<DueVisit>, Vec<DueVisit>) =
        list.visits.iter().cloned().partition(|v| !v.days.is_empty());
    let mut left_out: Vec<LeftOut> = blocked.iter().map(|v| left(v, blocked_words(v))).collect();
    let (open, astray): (Vec<DueVisit>, Vec<DueVisit>) =
        open.into_iter().partition(|v| ways.off_road(parked(v)).is_none());
    left_out.extend(
        astray
            .iter()
            .filter_map(|v| Some(left(v, ways.off_road(parked(v))?))),
    );
    let mut rounds = Vec::new();
    let mut staying = crew_days.clone();
    if open.is_empty() || crew_days.is_empty() {
        left_out.extend(open.iter().map(|v| left(v, "no crew is left to do it".into())));
    } else {
        let table = table(&ways, list.from, crew_days, open)?;
        let plan = solve(&table, &list, before.as_ref(), &ask)?;
        let made = made(&table, &ways, &plan);
        check(&table, &list, &made, &plan)?;
        left_out.extend(plan.left_out.iter().map(|(v, why)| {
            let visit = &table.visits[*v];
            left(visit, why_words(visit, *why, &list))
        }));
        rounds = made;
        staying = table.crew_days;
    }
    if let Some(before) = &before {
        keep_done(before, &mut rounds);
        list_lost(before, &rounds, &mut left_out);
    }
    rounds.sort_by(|a, b| (a.date, &a.crew).cmp(&(b.date, &b.crew)));
    left_out.sort_by(|a, b| {
        let worth = |l: &LeftOut| l.worth.unwrap_or(-1.0);
        worth(b).total_cmp(&worth(a)).then_with(|| a.trap.cmp(&b.trap))
    });
    put_codes(programme, &mut rounds)?;
    let mut proposal = Proposal {
        from: list.from,
        to: list.to,
        rounds,
        left_out,
        settings: settings(&ask, &ways),
        fairness: Vec::new(),
        notes,
    };
    let viewed = proposal.view(programme)?;
    proposal.fairness = fairness(&viewed.rounds);
    for day in staying {
        if !proposal.fairness.iter().any(|f| f.crew == day.crew) {
            proposal.fairness.push(CrewMinutes {
                crew: day.crew,
                minutes: 0.0,
            });
        }
    }
    Ok(proposal)
}

/// What is planned anew, if anything; then the days are those that its rounds still cover.
fn before(programme: &Programme, ask: &mut Ask) -> Result<Option<Before>, ChainError> {
    let Some(at) = ask.at else { return Ok(None) };
    let from = ask.due.from;
    if ask.all_days {
        let far = from.saturating_add(i64::from(MOST_DAYS - 1).days());
        let last = holding(programme, from, far)?
            .into_iter()
            .filter(|h| h.from == from)
            .map(|h| h.to)
            .max()
            .unwrap_or(from);
        let days = from.until(last).map_or(0, |span| span.get_days());
        ask.due.days = u16::try_from(days).unwrap_or(0) + 1;
    }
    Before::read(programme, from, ask.due.to(), at).map(Some)
}

/// Where the truck stops for a visit.
fn parked(visit: &DueVisit) -> Position {
    visit.park.unwrap_or(visit.position)
}

fn nothing_due(reading: &mut Reading, ask: &DueAsk) -> ChainError {
    let (from, to) = (ask.from, ask.to());
    let next = match reading.next_due() {
        Some(day) => format!("; the next clock warns on {day}"),
        None => "; no trap hangs".into(),
    };
    ChainError::asked("days", format!("nothing is due from {from} to {to}{next}"))
}

fn table(
    ways: &Ways,
    from: Date,
    crew_days: Vec<CrewDay>,
    visits: Vec<DueVisit>,
) -> Result<Table, ChainError> {
    let parks: Vec<Position> = visits.iter().map(parked).collect();
    let mut checked = HashSet::new();
    for day in &crew_days {
        if checked.insert(&day.crew) {
            ways.check_depot(&day.crew, day.from, &parks)?;
            ways.check_depot(&day.crew, day.to, &parks)?;
        }
    }
    let mut spots = Spots::default();
    let ends = crew_days
        .iter()
        .map(|d| (spots.index(d.from), spots.index(d.to)))
        .collect();
    let stops = parks.into_iter().map(|p| spots.index(p)).collect();
    let times = ways.times(&spots.at);
    Ok(Table {
        from,
        crew_days,
        visits,
        times,
        ends,
        stops,
        at: spots.at,
    })
}

fn bits(skills: &[Skill]) -> u32 {
    Skill::ALL
        .iter()
        .enumerate()
        .filter(|(_, s)| skills.contains(s))
        .fold(0, |bits, (i, _)| bits | 1 << i)
}

fn solve(
    table: &Table,
    list: &DueList,
    before: Option<&Before>,
    ask: &Ask,
) -> Result<planner::Plan, ChainError> {
    let n = table.at.len();
    let names: BTreeMap<&str, usize> = table
        .crew_days
        .iter()
        .map(|d| d.crew.as_str())
        .collect::<std::collections::BTreeSet<_>>()
        .into_iter()
        .enumerate()
        .map(|(i, crew)| (crew, i))
        .collect();
    let shifts = table
        .crew_days
        .iter()
        .zip(&table.ends)
        .map(|(day, &(from_at, to_at))| {
            let offset = table.offset(day.date);
            planner::Shift {
                crew: names[day.crew.as_str()],
                day: table.day(day.date),
                from_at,
                to_at,
                opens_s: offset + day.opens_s,
                closes_s: offset + day.closes_s,
                pause: day.rest.map(|rest| planner::Pause {
                    length_s: rest.minutes * 60,
                    earliest_s: offset + rest.from_s,
                    latest_s: offset + rest.to_s + i64::from(rest.minutes) * 60,
                }),
                skills: bits(&day.skills),
                capacity: None,
            }
        });
    let worths = worths(&table.visits, list);
    let visits = table.visits.iter().enumerate().map(|(v, visit)| {
        let usual = before.and_then(|b| {
            let (crew, date) = b.usual(&visit.trap)?;
            let shift = table
                .crew_days
                .iter()
                .position(|d| d.crew == crew && d.date == date)?;
            Some(planner::Usual {
                shift,
                cost: CHANGE_S,
            })
        });
        planner::Visit {
            at: table.stops[v],
            service_s: service_s(visit),
            windows: windows(table, visit),
            ends_in_window: true,
            needs: bits(&visit.needs),
            worth: worths[v],
            day_cost: day_costs(visit, worths[v], list),
            usual,
            only_shifts: Vec::new(),
            load: 0,
        }
    });
    let problem = planner::Problem {
        travel: planner::Travel::new(n, table.times.seconds.clone()).map_err(unsound)?,
        shifts: shifts.collect(),
        visits: visits.collect(),
        weights: planner::Weights {
            fairness: FAIRNESS,
            ..planner::Weights::default()
        },
    };
    let plan = planner::StringRemovals
        .solve(&problem, &planner::Budget::iterations(ask.iterations), ask.seed)
        .map_err(unsound)?;
    planner::check(&problem, &plan).map_err(|faults| {
        let first = faults.first().map(ToString::to_string).unwrap_or_default();
        ChainError::asked(
            "rounds",
            format!("the planner's answer does not hold ({first}); this is a fault of the program, and nothing was kept"),
        )
    })?;
    Ok(plan)
}

fn unsound(why: planner::RoundsError) -> ChainError {
    ChainError::asked("rounds", format!("these rounds can't be planned: {why}"))
}

/// Whole seconds of work.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // checked lengths: minutes of a day at most
fn service_s(visit: &DueVisit) -> u32 {
    (visit.stay.minutes * 60.0).round().clamp(1.0, 86_399.0) as u32
}

/// The hours of each day on which the work may begin and must be over.
fn windows(table: &Table, visit: &DueVisit) -> Vec<(i64, i64)> {
    visit
        .days
        .iter()
        .map(|d| {
            let offset = table.offset(d.date);
            (
                offset + d.opens.map_or(0, seconds),
                offset + d.closes.map_or(DAY_S - 1, seconds),
            )
        })
        .collect()
}

/// What leaving out each visit costs, seconds.
fn worths(visits: &[DueVisit], list: &DueList) -> Vec<f64> {
    let mut figures: Vec<f64> = visits
        .iter()
        .filter_map(|v| v.worth)
        .map(|w| w.max(0.0))
        .collect();
    figures.sort_by(f64::total_cmp);
    let most = figures.last().copied().unwrap_or(0.0);
    let middle = figures.get(figures.len() / 2).copied().unwrap_or(0.0);
    visits
        .iter()
        .map(|v| {
            let waits = match v.job {
                Job::Service => v.in_time.is_some_and(|day| day > list.to),
                Job::Hang => false,
                Job::TakeDown => true,
            };
            let base = if waits { CAN_WAIT_S } else { LEFT_OUT_S };
            let share = if most > 0.0 {
                v.worth.unwrap_or(middle).max(0.0) / most
            } else {
                0.0
            };
            base + MOST_WORTH_S * share
        })
        .collect()
}

/// What waiting costs, by day: only what has failed already loses by it.
fn day_costs(visit: &DueVisit, worth_s: f64, list: &DueList) -> Vec<f64> {
    if visit.failed.is_none() {
        return Vec::new();
    }
    let days = list.from.until(list.to).map_or(0, |span| span.get_days()) + 1;
    (0..days)
        .map(|k| f64::from(k) * worth_s / (2.0 * f64::from(days)))
        .collect()
}

/// The planner's rounds with labels and times of the day.
fn made(table: &Table, ways: &Ways, plan: &planner::Plan) -> Vec<PlannedRound> {
    plan.rounds
        .iter()
        .map(|round| made_round(table, ways, round))
        .collect()
}

fn minutes(seconds: impl Into<f64>) -> f64 {
    seconds.into() / 60.0
}

fn made_round(table: &Table, ways: &Ways, round: &planner::Round) -> PlannedRound {
    let day = &table.crew_days[round.shift];
    let offset = table.offset(day.date);
    let clock = |s: i64| time_of(s - offset);
    let stops = round
        .stops
        .iter()
        .map(|stop| {
            let visit = &table.visits[stop.visit];
            PlannedStop {
                trap: visit.trap.clone(),
                place: visit.place.clone(),
                position: visit.position,
                arrive: clock(stop.start_s),
                leave: clock(stop.leave_s),
                drive_minutes: minutes(stop.drive_s),
                what: visit.what.clone(),
            }
        })
        .collect();
    let rest = round.pause_at_s.and(day.rest);
    PlannedRound {
        sheet: String::new(),
        crew: day.crew.clone(),
        date: day.date,
        starts: clock(round.starts_s),
        ends: clock(round.ends_s),
        drive_minutes: round.drive_s as f64 / 60.0,
        work_minutes: round.service_s as f64 / 60.0,
        break_minutes: rest.map_or(0, |r| r.minutes),
        break_at: round.pause_at_s.map(clock),
        km: km(table, ways, round),
        stops,
    }
}

fn km(table: &Table, ways: &Ways, round: &planner::Round) -> Option<f64> {
    let (first, last) = table.ends[round.shift];
    let between = round.stops.iter().map(|s| table.stops[s.visit]);
    let mut here = first;
    let mut metres = 0.0;
    for next in between.chain([last]) {
        if next != here {
            metres += ways.leg(table.at[here], table.at[next])?.1;
        }
        here = next;
    }
    ways.roads().then_some(metres / 1000.0)
}

/// Checks the rounds once more against what was asked, in its own terms: labels, days, times of the day.
fn check(
    table: &Table,
    list: &DueList,
    rounds: &[PlannedRound],
    plan: &planner::Plan,
) -> Result<(), ChainError> {
    let faults = faults(table, list, rounds, plan);
    match faults.first() {
        None => Ok(()),
        Some(first) => Err(ChainError::asked(
            "rounds",
            format!(
                "the rounds break {} rules, the first: {first}; this is a fault of the program, and nothing was kept",
                faults.len()
            ),
        )),
    }
}

fn faults(table: &Table, list: &DueList, rounds: &[PlannedRound], plan: &planner::Plan) -> Vec<String> {
    let mut faults = Vec::new();
    let mut placed: HashMap<&str, usize> = HashMap::new();
    for left in &plan.left_out {
        if let Some(visit) = table.visits.get(left.0) {
            *placed.entry(&visit.trap).or_default() += 1;
        }
    }
    let by_trap: HashMap<&str, usize> = table
        .visits
        .iter()
        .enumerate()
        .map(|(i, v)| (v.trap.as_str(), i))
        .collect();
    let mut out = HashSet::new();
    for round in rounds {
        let name = format!("{} on {}", round.crew, round.date);
        let day = table
            .crew_days
            .iter()
            .position(|d| d.crew == round.crew && d.date == round.date);
        let Some(day) = day else {
            faults.push(format!("{name} does not work"));
            continue;
        };
        if !out.insert((&round.crew, round.date)) {
            faults.push(format!("{name} has two rounds"));
        }
        if list.days_off.iter().any(|(d, _)| *d == round.date) {
            faults.push(format!("{name}: nobody works on that day"));
        }
        for stop in &round.stops {
            *placed.entry(&stop.trap).or_default() += 1;
        }
        faults.extend(
            round_faults(table, day, round, &by_trap)
                .into_iter()
                .map(|f| format!("{name}: {f}")),
        );
    }
    for visit in &table.visits {
        let times = placed.get(visit.trap.as_str()).copied().unwrap_or(0);
        if times != 1 {
            faults.push(format!("{} stands in the plan {times} times", visit.trap));
        }
    }
    faults
}

fn round_faults(
    table: &Table,
    day: usize,
    round: &PlannedRound,
    by_trap: &HashMap<&str, usize>,
) -> Vec<String> {
    let mut faults = Vec::new();
    let crew = &table.crew_days[day];
    let (mut here, last) = table.ends[day];
    let mut now = seconds(round.starts);
    if now < crew.opens_s || seconds(round.ends) > crew.closes_s {
        faults.push(format!(
            "{} to {} is not within its day",
            round.starts, round.ends
        ));
    }
    let rest = round
        .break_at
        .map(|at| (seconds(at), i64::from(round.break_minutes) * 60));
    if let (Some((at, _)), Some(owed)) = (rest, crew.rest)
        && !(owed.from_s..=owed.to_s).contains(&at)
    {
        faults.push(format!("the break begins at {}, outside its hours", time_of(at)));
    }
    let mut rested = rest.is_none();
    for stop in &round.stops {
        let Some(&v) = by_trap.get(stop.trap.as_str()) else {
            faults.push(format!("{} was not due", stop.trap));
            continue;
        };
        let (visit, there) = (&table.visits[v], table.stops[v]);
        let Some(drive) = table.times.seconds(here, there) else {
            faults.push(format!("there is no way to {}", stop.trap));
            continue;
        };
        let (arrive, leave) = (seconds(stop.arrive), seconds(stop.leave));
        let mut least = now + i64::from(drive);
        if let Some((at, length)) = rest
            && !rested
            && at + length <= arrive
        {
            rested = true;
            least += length;
            // A break that began after the crew got there delays it by the wait as well.
            least = least.max(at + length);
        }
        if arrive < least {
            faults.push(format!("{} begins before the crew can be there", stop.trap));
        }
        if leave - arrive < i64::from(service_s(visit)) {
            faults.push(format!("the stop at {} is too short", stop.trap));
        }
        let open = visit.days.iter().find(|d| d.date == round.date);
        match open {
            None => faults.push(format!("{} may not be visited that day", stop.trap)),
            Some(d)
                if d.opens.is_some_and(|t| stop.arrive < t) || d.closes.is_some_and(|t| stop.leave > t) =>
            {
                faults.push(format!("{} is visited while its gate is shut", stop.trap));
            }
            Some(_) => {}
        }
        if visit.needs.iter().any(|n| !crew.skills.contains(n)) {
            faults.push(format!("{} needs what the crew has not", stop.trap));
        }
        (here, now) = (there, leave);
    }
    let home = table.times.seconds(here, last).map(i64::from);
    let resting = if rested {
        0
    } else {
        i64::from(round.break_minutes) * 60
    };
    if home.is_none_or(|drive| now + drive + resting > seconds(round.ends)) {
        faults.push("the crew can't be back when it says".into());
    }
    faults
}

fn left(visit: &DueVisit, reason: String) -> LeftOut {
    LeftOut {
        trap: visit.trap.clone(),
        place: visit.place.clone(),
        reason,
        worth: visit.worth.map(|w| w.clamp(-1.0, 1.0)),
        last_day: visit.in_time,
    }
}

/// Why none of its days will do.
fn blocked_words(visit: &DueVisit) -> String {
    let mut words: Vec<&str> = visit.shut.iter().map(|(_, why)| why.as_str()).collect();
    words.dedup();
    let days = if visit.first == visit.last {
        format!("on {}", visit.first)
    } else {
        format!("from {} to {}", visit.first, visit.last)
    };
    format!("no day {days} will do: {}", words.join("; "))
}

fn why_words(visit: &DueVisit, why: planner::Why, list: &DueList) -> String {
    let needs: Vec<&str> = visit.needs.iter().map(|n| n.word()).collect();
    let mut words = match why {
        planner::Why::NoSkills => format!("no crew that works has what it needs: {}", needs.join(", ")),
        planner::Why::TooBig => "it is more than any truck holds".into(),
        planner::Why::NoWindow => {
            "no crew works at the hours and on the days at which it may be visited".into()
        }
        planner::Why::TooFar => "no crew can drive there, do the work and be back within its day".into(),
        planner::Why::NoRoom => "no time is left for it".into(),
        planner::Why::NotGiven { .. } => "left out by hand, though there was time for it".into(),
        planner::Why::NotWorthIt { .. } => "the time goes to visits that are worth more".into(),
    };
    let mut shut: Vec<&str> = visit.shut.iter().map(|(_, why)| why.as_str()).collect();
    shut.dedup();
    if !shut.is_empty() {
        words.push_str(&format!(
            " ({} of its days are out: {})",
            visit.shut.len(),
            shut.join("; ")
        ));
    }
    match (visit.failed, visit.in_time) {
        (Some(day), _) => words.push_str(&format!("; a clock failed on {day}")),
        (None, Some(day)) if day > list.to => words.push_str("; it is still in time after these days"),
        _ => {}
    }
    words
}

/// Puts the stops that are done at the head of their crew's round.
fn keep_done(before: &Before, rounds: &mut Vec<PlannedRound>) {
    for (crew, done) in &before.done {
        let old = before.round_of(crew);
        let drive: f64 = done.iter().map(|s| s.drive_minutes).sum();
        let work: f64 = done
            .iter()
            .map(|s| minutes(i32::try_from(seconds(s.leave) - seconds(s.arrive)).unwrap_or(0)))
            .sum();
        let (Some(first), Some(last)) = (done.first(), done.last()) else {
            continue;
        };
        let starts = old.map_or(first.arrive, |r| r.starts.min(first.arrive));
        let taken =
            old.and_then(|r| Some((r.break_at.filter(|t| seconds(*t) < before.at_s)?, r.break_minutes)));
        let now = rounds
            .iter_mut()
            .find(|r| r.crew == *crew && r.date == before.date);
        if let Some(round) = now {
            round.starts = starts;
            round.drive_minutes += drive;
            round.work_minutes += work;
            if let (None, Some((at, length))) = (round.break_at, taken) {
                (round.break_at, round.break_minutes) = (Some(at), length);
            }
            round.stops.splice(0..0, done.iter().cloned());
        } else {
            rounds.push(PlannedRound {
                sheet: String::new(),
                crew: crew.clone(),
                date: before.date,
                starts,
                ends: last.leave,
                drive_minutes: drive,
                work_minutes: work,
                break_minutes: taken.map_or(0, |(_, length)| length),
                break_at: taken.map(|(at, _)| at),
                km: None,
                stops: done.clone(),
            });
        }
    }
}

/// Lists every stop of the rounds before that is neither done nor planned nor listed: its trap does not hang any more.
fn list_lost(before: &Before, rounds: &[PlannedRound], left_out: &mut Vec<LeftOut>) {
    let mut there: HashSet<String> = rounds
        .iter()
        .flat_map(|r| &r.stops)
        .map(|s| s.trap.clone())
        .collect();
    there.extend(before.reached.iter().cloned());
    there.extend(left_out.iter().map(|l| l.trap.clone()));
    for stop in before.stops() {
        if there.insert(stop.trap.clone()) {
            let hang = stop.trap == super::due::to_hang(&stop.place);
            left_out.push(LeftOut {
                trap: stop.trap.clone(),
                place: stop.place.clone(),
                reason: if hang {
                    "no plan wants a trap hung there any more, or one hangs".into()
                } else {
                    "the trap does not hang any more".into()
                },
                worth: None,
                last_day: None,
            });
        }
    }
}

/// Codes that no round of the programme has.
pub(crate) fn put_codes(programme: &Programme, rounds: &mut [PlannedRound]) -> Result<(), ChainError> {
    let used: HashSet<String> = programme
        .rounds_adopted()?
        .into_iter()
        .flat_map(|a| a.value.rounds)
        .map(|r| r.sheet)
        .collect();
    let mut key = programme.id()?.as_bytes().to_vec();
    key.extend(programme.device().as_bytes());
    let mut codes = Codes::new(&key, used);
    for round in rounds {
        round.sheet = codes
            .next()
            .ok_or_else(|| ChainError::asked("rounds", "all 279 841 codes of sheets are used"))?;
    }
    Ok(())
}

fn settings(ask: &Ask, ways: &Ways) -> Value {
    let mut settings = json!({
        "slack_days": ask.due.slack_days,
        "minutes": ask.due.minutes,
        "no_work": ask.due.no_work,
        "heat_limit_c": ask.due.heat_limit_c,
        "hang": ask.due.hang,
        "take_down": ask.due.take_down,
        "without": ask.without.iter().map(|w| match w.date {
            Some(date) => format!("{}:{date}", w.crew),
            None => w.crew.clone(),
        }).collect::<Vec<_>>(),
        "at": ask.at.map(|t| t.strftime("%H:%M").to_string()),
        "closed": ask.closed,
        "iterations": ask.iterations,
        "seed": ask.seed,
        "roads": ways.roads(),
        "time_zone": ask.time_zone,
    });
    if !ways.roads() {
        settings["detour"] = json!(ask.detour);
        settings["speed_kmh"] = json!(ask.speed_kmh);
    }
    settings
}
