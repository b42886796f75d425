//! The crews' year: what was due, what was done, and what went wrong.
//!
//! [`work_season`] plays the field work and knows, for every trap and day, how well it really worked
//! ([`TrapTruth`]); [`read_catches`] then goes through the same stops and writes down what a crew would have seen.
//! The programme under test is given the visits only, never the truth.
//!
//! The failings are the demo's own invention, at rates a supervisor would call an ordinary year.

use earlywood_model::record::{Looked, Placement, Renewed, TrapFound, Visit, VisitKind};
use jiff::civil::Date;
use jiff::{Span, ToSpan as _};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::incursion::Catch;

/// The dated plan the crews work to.
#[derive(Debug, Clone)]
pub(crate) struct Calendar {
    /// First day of hanging.
    pub(crate) hang: Date,
    /// First day of taking down.
    pub(crate) take_down: Date,
    /// Days between services.
    pub(crate) service_days: u16,
    /// Days on which the lures are due to be changed; each is done at the first stop on or after it.
    pub(crate) lure_changes: Vec<Date>,
    /// Sticky inserts are changed at the first stop after so many days; `None` for a trap that has none.
    pub(crate) insert_days: Option<u16>,
    /// Whether the trap has fluid or a killing strip, which crews renew at every service.
    pub(crate) killing_agent: bool,
}

/// How often things go wrong. Shares are per stop, rates per trap and day.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Failings {
    /// Share of rounds that start late.
    pub(crate) late_round: f64,
    /// Most days a round is late.
    pub(crate) late_days: u16,
    /// Share of stops where the gate is locked.
    pub(crate) locked: f64,
    /// Share of stops left out without a word.
    pub(crate) forgotten: f64,
    /// Share of due lure changes for which no lure was on the truck.
    pub(crate) no_lure: f64,
    /// Share of looks that cover part of the catch.
    pub(crate) partly: f64,
    /// Storms from mid-April to the end of September.
    pub(crate) storms: u16,
    /// Share of traps a storm brings down.
    pub(crate) downed: f64,
    /// Traps taken or smashed, per trap and day.
    pub(crate) vandals_per_day: f64,
    /// Traps twisted, dusted or torn, per trap and day.
    pub(crate) wear_per_day: f64,
    /// What an impaired trap still catches, as a share.
    pub(crate) worn_share: f64,
    /// Share of looks at which a look-alike is taken as a suspect.
    pub(crate) look_alike: f64,
}

impl Failings {
    /// An ordinary year.
    pub(crate) const ORDINARY: Failings = Failings {
        late_round: 0.22,
        late_days: 8,
        locked: 0.025,
        forgotten: 0.015,
        no_lure: 0.05,
        partly: 0.025,
        storms: 2,
        downed: 0.09,
        vandals_per_day: 0.000_5,
        wear_per_day: 0.002,
        worn_share: 0.5,
        look_alike: 0.002,
    };

    /// Nothing ever goes wrong; for tests.
    #[cfg(test)]
    const NONE: Failings = Failings {
        late_round: 0.0,
        late_days: 0,
        locked: 0.0,
        forgotten: 0.0,
        no_lure: 0.0,
        partly: 0.0,
        storms: 0,
        downed: 0.0,
        vandals_per_day: 0.0,
        wear_per_day: 0.0,
        worn_share: 1.0,
        look_alike: 0.0,
    };
}

/// How well a trap really worked, day by day.
#[derive(Debug, Clone)]
pub(crate) struct TrapTruth {
    /// The trap's label.
    pub(crate) trap: String,
    /// First day of `days`.
    pub(crate) from: Date,
    /// One entry a day.
    pub(crate) days: Vec<TrapDay>,
}

/// A trap on one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TrapDay {
    /// 1 up and in order, 0 not there, between: impaired.
    pub(crate) up: f64,
    /// The day its lure was put in.
    pub(crate) lure_since: Date,
}

/// A season's field work, before anybody has looked at a catch.
#[derive(Debug, Clone)]
pub(crate) struct FieldWork {
    /// Visits in the order they were made; `suspects` is 0 wherever there was a look.
    pub(crate) visits: Vec<Visit>,
    /// What was really there, in the order of the placements.
    pub(crate) truth: Vec<TrapTruth>,
    /// The days of the storms.
    pub(crate) storms: Vec<Date>,
    /// Stops that were due: trap and day.
    pub(crate) due: Vec<(String, Date)>,
}

/// What an identifier said of a suspect.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Verdict {
    /// The trap.
    pub(crate) trap: String,
    /// The day the suspect was taken.
    pub(crate) taken: Date,
    /// The day of the determination.
    pub(crate) determined: Date,
    /// Specimens that are the target; 0: all were ruled out.
    pub(crate) confirmed: u32,
    /// Specimens that were something else.
    pub(crate) ruled_out: u32,
}

const CREW_STOPS_A_DAY: usize = 32;

/// Plays the field work of one season.
///
/// `placements` give the traps; their own dates are ignored in favour of the calendar and of what the crews managed
/// ([`as_worked`] puts the real ones in). `crews` are the crews' names; each gets a share of the traps.
pub(crate) fn work_season(
    placements: &[Placement],
    calendar: &Calendar,
    failings: &Failings,
    crews: &[&str],
    seed: u64,
) -> FieldWork {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5EA5_0000);
    // Storms are the district's, not a plan's: drawn over the warm half of the year, so that work for two targets under
    // one seed meets the same ones.
    let new_year = Date::constant(calendar.hang.year(), 1, 1);
    let mut storms: Vec<Date> = (0..failings.storms)
        .map(|_| after(new_year, rng.random_range(105..=270)))
        .collect();
    storms.sort_unstable();
    let rounds = draw_rounds(calendar, failings, crews.len().max(1), &mut rng);
    let routes = routes(placements, crews.len().max(1));
    let mut work = FieldWork {
        visits: Vec::new(),
        truth: Vec::new(),
        storms,
        due: Vec::new(),
    };
    for (placement, &(crew, stop)) in placements.iter().zip(&routes) {
        // One stream for each trap: another trap more or less changes nothing for the others.
        let own = placement
            .trap
            .bytes()
            .fold(seed, |h, b| h.wrapping_mul(0x0100_0000_01b3) ^ u64::from(b));
        let mut trap = TrapYear {
            calendar,
            failings,
            storms: &work.storms,
            rng: ChaCha8Rng::seed_from_u64(own),
            label: &placement.trap,
            crew: crews.get(crew).copied(),
            offset_days: stop / CREW_STOPS_A_DAY,
            visits: Vec::new(),
            due: Vec::new(),
            days: Vec::new(),
        };
        trap.play(&rounds[crew]);
        work.truth.push(TrapTruth {
            trap: placement.trap.clone(),
            from: calendar.hang,
            days: trap.days,
        });
        work.visits.append(&mut trap.visits);
        work.due.append(&mut trap.due);
    }
    work.visits
        .sort_by(|a, b| (a.date, &a.trap).cmp(&(b.date, &b.trap)));
    work.due.sort_by(|a, b| (a.1, &a.0).cmp(&(b.1, &b.0)));
    work
}

/// The placements with the dates on which their traps were really hung and taken down or written off.
pub(crate) fn as_worked(placements: &[Placement], work: &FieldWork) -> Vec<Placement> {
    placements
        .iter()
        .map(|p| {
            let own = || work.visits.iter().filter(|v| v.trap == p.trap);
            let hung = own()
                .find(|v| v.kind == VisitKind::Hang)
                .map_or(p.hung, |v| v.date);
            let down = |v: &&Visit| v.kind == VisitKind::TakeDown;
            Placement {
                hung,
                taken_down: own().rfind(down).map(|v| v.date),
                ..p.clone()
            }
        })
        .collect()
}

/// One round of one crew: when it was due, and how many days late it started.
#[derive(Debug, Clone, Copy)]
struct Round {
    due: Date,
    late_days: u16,
    kind: VisitKind,
}

fn draw_rounds(
    calendar: &Calendar,
    failings: &Failings,
    crews: usize,
    rng: &mut ChaCha8Rng,
) -> Vec<Vec<Round>> {
    let step = calendar.service_days.max(1);
    (0..crews)
        .map(|_| {
            let mut rounds = vec![Round {
                due: calendar.hang,
                late_days: 0,
                kind: VisitKind::Hang,
            }];
            let mut due = after(calendar.hang, step);
            // A service in the last days before taking down would be for nothing.
            while days_between(due, calendar.take_down) > step / 2 && due < calendar.take_down {
                let late = rng.random::<f64>() < failings.late_round && failings.late_days > 0;
                let late_days = if late {
                    rng.random_range(1..=failings.late_days)
                } else {
                    0
                };
                rounds.push(Round {
                    due,
                    late_days: late_days.min(step - 1),
                    kind: VisitKind::Service,
                });
                due = after(due, step);
            }
            rounds.push(Round {
                due: calendar.take_down,
                late_days: 0,
                kind: VisitKind::TakeDown,
            });
            rounds
        })
        .collect()
}

/// For each placement its crew and its stop on the crew's route: crews share the district west to east, and drive
/// their part from south to north.
fn routes(placements: &[Placement], crews: usize) -> Vec<(usize, usize)> {
    let mut order: Vec<usize> = (0..placements.len()).collect();
    order.sort_by(|&a, &b| {
        let key = |k: usize| (placements[k].position.lon, &placements[k].trap);
        key(a).0.total_cmp(&key(b).0).then_with(|| key(a).1.cmp(key(b).1))
    });
    let each = placements.len().div_ceil(crews).max(1);
    let mut routes = vec![(0, 0); placements.len()];
    for (crew, part) in order.chunks_mut(each).enumerate() {
        part.sort_by(|&a, &b| placements[a].position.lat.total_cmp(&placements[b].position.lat));
        for (stop, &k) in part.iter().enumerate() {
            routes[k] = (crew, stop);
        }
    }
    routes
}

/// One trap's year.
struct TrapYear<'a> {
    calendar: &'a Calendar,
    failings: &'a Failings,
    storms: &'a [Date],
    rng: ChaCha8Rng,
    label: &'a str,
    crew: Option<&'a str>,
    offset_days: usize,
    visits: Vec<Visit>,
    due: Vec<(String, Date)>,
    days: Vec<TrapDay>,
}

/// The state a trap is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    NotHung,
    Up,
    Worn,
    Down,
    Gone,
}

impl TrapYear<'_> {
    fn chance(&mut self, share: f64) -> bool {
        self.rng.random::<f64>() < share
    }

    fn play(&mut self, rounds: &[Round]) {
        let mut state = State::NotHung;
        let mut lure_since = self.calendar.hang;
        let mut insert_since = self.calendar.hang;
        let mut day = self.calendar.hang;
        for round in rounds {
            let due = after(round.due, self.offset_days as u16);
            self.due.push((self.label.to_owned(), due));
            let Some(date) = self.stop_day(round, due) else {
                continue;
            };
            while day < date {
                state = self.weather_the_day(day, state);
                self.days.push(self.truth_of(state, lure_since));
                day = after(day, 1);
            }
            let visit = self.stop(date, round.kind, state, lure_since, insert_since);
            if visit.renewed.lure {
                lure_since = date;
            }
            if visit.renewed.insert {
                insert_since = date;
            }
            state = after_stop(&visit, state);
            self.visits.push(visit);
            if round.kind == VisitKind::TakeDown && state == State::NotHung {
                return;
            }
        }
        // A take-down that failed: the trap hangs on unseen for a fortnight, then is fetched.
        let fetched = after(day.max(self.calendar.take_down), 14);
        while day < fetched {
            state = self.weather_the_day(day, state);
            self.days.push(self.truth_of(state, lure_since));
            day = after(day, 1);
        }
        if state != State::NotHung {
            let gone = state == State::Gone;
            self.visits.push(Visit {
                trap: self.label.to_owned(),
                date: day,
                kind: VisitKind::TakeDown,
                found: found(state),
                looked: if gone { Looked::No } else { Looked::Fully },
                suspects: (!gone).then_some(0),
                renewed: Renewed::default(),
                lure_lot: None,
                crew: self.crew.map(str::to_owned),
                exception: gone.then(|| "trap missing; written off".to_owned()),
            });
        }
    }

    /// The day of the stop, or `None` when it was forgotten.
    fn stop_day(&mut self, round: &Round, due: Date) -> Option<Date> {
        let forgettable = round.kind == VisitKind::Service;
        if forgettable && self.chance(self.failings.forgotten) {
            return None;
        }
        Some(after(due, round.late_days))
    }

    fn weather_the_day(&mut self, day: Date, state: State) -> State {
        let standing = matches!(state, State::Up | State::Worn);
        if standing && self.chance(self.failings.vandals_per_day) {
            return State::Gone;
        }
        if standing && self.storms.contains(&day) && self.chance(self.failings.downed) {
            return State::Down;
        }
        if state == State::Up && self.chance(self.failings.wear_per_day) {
            return State::Worn;
        }
        state
    }

    fn truth_of(&self, state: State, lure_since: Date) -> TrapDay {
        let up = match state {
            State::Up => 1.0,
            State::Worn => self.failings.worn_share,
            State::NotHung | State::Down | State::Gone => 0.0,
        };
        TrapDay { up, lure_since }
    }

    fn stop(
        &mut self,
        date: Date,
        kind: VisitKind,
        state: State,
        lure_since: Date,
        insert_since: Date,
    ) -> Visit {
        let mut visit = Visit {
            trap: self.label.to_owned(),
            date,
            kind,
            found: found(state),
            looked: Looked::No,
            suspects: None,
            renewed: Renewed::default(),
            lure_lot: None,
            crew: self.crew.map(str::to_owned),
            exception: None,
        };
        if kind == VisitKind::Hang {
            visit.found = TrapFound::Working;
            visit.renewed = Renewed::ALL;
            visit.lure_lot = Some(lot(date));
            return visit;
        }
        if self.chance(self.failings.locked) {
            visit.found = TrapFound::NotReached;
            visit.exception = Some("no access: gate locked".to_owned());
            // The trap still hangs, so this was no take-down.
            if kind == VisitKind::TakeDown {
                visit.kind = VisitKind::Service;
            }
            return visit;
        }
        match state {
            State::Gone => self.replace(&mut visit),
            _ => self.service(&mut visit, state, lure_since, insert_since),
        }
        visit
    }

    fn replace(&mut self, visit: &mut Visit) {
        if visit.kind == VisitKind::TakeDown {
            visit.exception = Some("trap missing; written off".to_owned());
        } else if self.chance(0.75) {
            visit.renewed = Renewed::ALL;
            visit.lure_lot = Some(lot(visit.date));
            visit.exception = Some("trap missing; new one hung".to_owned());
        } else {
            visit.exception = Some("trap missing; no spare on the truck".to_owned());
        }
    }

    fn service(&mut self, visit: &mut Visit, state: State, lure_since: Date, insert_since: Date) {
        let date = visit.date;
        let part = state == State::Down || self.chance(self.failings.partly);
        visit.looked = if part { Looked::Partly } else { Looked::Fully };
        visit.suspects = Some(0);
        visit.exception = match state {
            State::Down => Some("trap on the ground; part of the catch lost; hung again".to_owned()),
            State::Worn => Some("panel dusty and twisted; put in order".to_owned()),
            _ if part => Some("insert wet; part of it could not be read".to_owned()),
            _ => None,
        };
        if visit.kind == VisitKind::TakeDown {
            return;
        }
        visit.renewed.body = state == State::Down;
        visit.renewed.insert = state != State::Up
            || self
                .calendar
                .insert_days
                .is_some_and(|d| days_between(insert_since, date) >= d);
        visit.renewed.killing_agent = self.calendar.killing_agent;
        let lure_due = self
            .calendar
            .lure_changes
            .iter()
            .any(|c| lure_since < *c && *c <= date);
        if lure_due && self.chance(self.failings.no_lure) {
            visit.exception = Some("no lure on the truck; change left for the next visit".to_owned());
        } else if lure_due || state == State::Down {
            visit.renewed.lure = true;
            visit.lure_lot = Some(lot(date));
        }
    }
}

fn found(state: State) -> TrapFound {
    match state {
        State::Worn => TrapFound::Impaired,
        State::Down => TrapFound::Down,
        State::Gone => TrapFound::Gone,
        State::NotHung | State::Up => TrapFound::Working,
    }
}

/// The state a stop leaves behind.
fn after_stop(visit: &Visit, before: State) -> State {
    match (visit.kind, visit.found) {
        (_, TrapFound::NotReached) => before,
        (VisitKind::TakeDown, _) => State::NotHung,
        (_, TrapFound::Gone) if !visit.renewed.body => State::Gone,
        _ => State::Up,
    }
}

/// Lures come in lots by quarter.
fn lot(date: Date) -> String {
    format!(
        "L{:02}-{}",
        date.year().rem_euclid(100),
        (date.month() - 1) / 3 + 1
    )
}

/// Goes through the stops with the season's real catches and writes down what was seen.
///
/// At a full look every specimen in the trap is seen with probability `screening`, at a part look with half of it.
/// What was in a trap that was gone is lost; so is what was overlooked on an insert that was then changed. Suspects
/// go to the identifier, who answers after some days. After a look-alike the answer is "ruled out".
pub(crate) fn read_catches(
    work: &FieldWork,
    catches: &[Catch],
    failings: &Failings,
    screening: f64,
    seed: u64,
) -> (Vec<Visit>, Vec<Verdict>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x0C47_C4E5);
    let mut waiting: Vec<(&Catch, bool)> = catches.iter().map(|c| (c, false)).collect();
    let mut visits = work.visits.clone();
    let mut verdicts = Vec::new();
    for visit in &mut visits {
        let looked = match visit.looked {
            Looked::Fully => 1.0,
            Looked::Partly => 0.5,
            Looked::No => 0.0,
        };
        let mut seen = 0;
        for (catch, done) in &mut waiting {
            if *done || catch.trap != visit.trap || catch.date >= visit.date {
                continue;
            }
            if looked > 0.0 && rng.random::<f64>() < screening * looked {
                seen += 1;
                *done = true;
            }
            *done |= visit.renewed.insert || visit.found == TrapFound::Gone;
        }
        // A crew takes insects that are not the target, too.
        let others = u32::from(looked > 0.0 && rng.random::<f64>() < failings.look_alike);
        if visit.suspects.is_some() {
            visit.suspects = Some(seen + others);
        }
        if seen + others > 0 {
            verdicts.push(Verdict {
                trap: visit.trap.clone(),
                taken: visit.date,
                determined: after(visit.date, rng.random_range(4..=11)),
                confirmed: seen,
                ruled_out: others,
            });
        }
    }
    (visits, verdicts)
}

fn after(date: Date, days: u16) -> Date {
    let span: Span = i32::from(days).days();
    date.saturating_add(span)
}

/// Whole days from one date to a later one; 0 when it is not later.
fn days_between(from: Date, to: Date) -> u16 {
    from.until(to)
        .map_or(0, |s| u16::try_from(s.get_days()).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use earlywood_model::record::Position;
    use jiff::civil::date;

    use super::*;

    fn placements(n: usize) -> Vec<Placement> {
        (0..n)
            .map(|k| Placement {
                trap: format!("T{k:03}"),
                place: format!("PL{k:03}"),
                position: Position {
                    lat: 40.19 + 0.002 * (k / 10) as f64,
                    lon: -93.61 + 0.002 * (k % 10) as f64,
                },
                targets: vec!["emerald-ash-borer".to_owned()],
                hung: date(2025, 5, 1),
                taken_down: None,
            })
            .collect()
    }

    fn calendar() -> Calendar {
        Calendar {
            hang: date(2025, 5, 1),
            take_down: date(2025, 9, 15),
            service_days: 14,
            lure_changes: vec![date(2025, 6, 25), date(2025, 8, 10)],
            insert_days: Some(28),
            killing_agent: false,
        }
    }

    const CREWS: [&str; 2] = ["crew A", "crew B"];

    #[test]
    fn when_nothing_goes_wrong_every_stop_is_made_on_its_day() {
        let work = work_season(&placements(40), &calendar(), &Failings::NONE, &CREWS, 1);
        assert_eq!(work.visits.len(), work.due.len());
        for (visit, due) in work.visits.iter().zip(&work.due) {
            assert_eq!((&visit.trap, visit.date), (&due.0, due.1));
            assert_eq!(visit.exception, None);
            assert_eq!(visit.found, TrapFound::Working);
        }
        for truth in &work.truth {
            assert!(
                truth
                    .days
                    .iter()
                    .all(|d| d.up == 1.0 && d.lure_since <= date(2025, 9, 15))
            );
            let since: std::collections::BTreeSet<Date> = truth.days.iter().map(|d| d.lure_since).collect();
            assert_eq!(since.len(), 3, "hung, and two changes: {since:?}");
        }
    }

    #[test]
    fn an_ordinary_year_has_its_failings_and_every_record_agrees_with_itself() {
        let work = work_season(&placements(120), &calendar(), &Failings::ORDINARY, &CREWS, 3);
        let mut seen: BTreeMap<String, usize> = BTreeMap::new();
        for visit in &work.visits {
            visit.check().unwrap();
            *seen.entry(format!("{:?}", visit.found)).or_default() += 1;
        }
        for state in [
            TrapFound::Working,
            TrapFound::Impaired,
            TrapFound::Down,
            TrapFound::Gone,
            TrapFound::NotReached,
        ] {
            assert!(
                seen.contains_key(&format!("{state:?}")),
                "{state:?} never happened: {seen:?}"
            );
        }
        let services = work
            .visits
            .iter()
            .filter(|v| v.kind == VisitKind::Service)
            .count();
        let services_due = work.due.len() - 2 * 120;
        assert!(
            services < services_due,
            "{services} of {services_due}: none was forgotten"
        );
        assert!(work.visits.iter().any(|v| v.looked == Looked::Partly));
        let late = work
            .due
            .iter()
            .filter(|d| !work.visits.iter().any(|v| v.trap == d.0 && v.date == d.1))
            .count();
        assert!(late > 20, "{late}");
        // Every trap has one hanging before all else, and its visits are in order and end with it down or written off.
        for p in placements(120) {
            assert_eq!(
                work.visits
                    .iter()
                    .filter(|v| v.trap == p.trap && v.kind == VisitKind::TakeDown)
                    .count(),
                1
            );
            let own: Vec<&Visit> = work.visits.iter().filter(|v| v.trap == p.trap).collect();
            assert_eq!(own[0].kind, VisitKind::Hang);
            assert_eq!(own.iter().filter(|v| v.kind == VisitKind::Hang).count(), 1);
            assert!(own.windows(2).all(|w| w[0].date < w[1].date), "{own:?}");
            let last = own[own.len() - 1];
            assert_eq!(last.kind, VisitKind::TakeDown);
            assert_ne!(last.found, TrapFound::NotReached);
        }
    }

    #[test]
    fn a_trap_found_down_was_not_catching_the_day_before() {
        let work = work_season(&placements(200), &calendar(), &Failings::ORDINARY, &CREWS, 9);
        let mut checked = 0;
        for visit in work
            .visits
            .iter()
            .filter(|v| matches!(v.found, TrapFound::Down | TrapFound::Gone))
        {
            let truth = work.truth.iter().find(|t| t.trap == visit.trap).unwrap();
            let k = usize::from(days_between(truth.from, visit.date)) - 1;
            assert_eq!(truth.days[k].up, 0.0);
            checked += 1;
        }
        assert!(checked > 5);
    }

    #[test]
    fn the_same_seed_gives_the_same_year() {
        let run = |seed| work_season(&placements(30), &calendar(), &Failings::ORDINARY, &CREWS, seed).visits;
        assert_eq!(run(4), run(4));
        assert_ne!(run(4), run(5));
    }

    #[test]
    fn a_catch_is_seen_once_at_the_next_look_and_confirmed_some_days_later() {
        let work = work_season(&placements(10), &calendar(), &Failings::NONE, &CREWS, 1);
        let catch = Catch {
            trap: "T003".to_owned(),
            date: date(2025, 6, 10),
        };
        let (visits, verdicts) = read_catches(&work, &[catch], &Failings::NONE, 1.0, 1);
        let with: Vec<&Visit> = visits
            .iter()
            .filter(|v| v.suspects.is_some_and(|n| n > 0))
            .collect();
        assert_eq!(with.len(), 1);
        assert_eq!((with[0].trap.as_str(), with[0].date), ("T003", date(2025, 6, 12)));
        assert_eq!(verdicts.len(), 1);
        assert_eq!(verdicts[0].confirmed, 1);
        assert!(verdicts[0].determined > verdicts[0].taken);
        let (_, none) = read_catches(&work, &[], &Failings::NONE, 1.0, 1);
        assert!(none.is_empty());
    }

    #[test]
    fn screening_sees_its_share() {
        // 400 catches, each with one look before its insert is changed: seen with probability 0.6, binomial sd 9.8.
        let mut calendar = calendar();
        calendar.insert_days = Some(1);
        let work = work_season(&placements(10), &calendar, &Failings::NONE, &CREWS, 1);
        let catches: Vec<Catch> = (0..400)
            .map(|k| Catch {
                trap: format!("T{:03}", k % 10),
                date: date(2025, 6, 10),
            })
            .collect();
        let (_, verdicts) = read_catches(&work, &catches, &Failings::NONE, 0.6, 11);
        let seen: u32 = verdicts.iter().map(|v| v.confirmed).sum();
        assert!((240.0 - f64::from(seen)).abs() < 4.0 * 9.8, "{seen}");
    }
}
