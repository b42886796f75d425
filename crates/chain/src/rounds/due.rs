//! What is due over several days: for each trap the days and hours on which a visit would be in time, how long it takes, what
//! it needs, and what it is worth.
//!
//! **The window of a visit.** Every clock of a trap warns on one day and has failed on a later one ([`crate::due`]); the lure's
//! also by heat, whichever comes first. A visit may be made from the day the first clock warns, less a slack, to the day
//! before the first one fails. A trap with a clock that has failed already may be visited on any day, the sooner the better.
//! Out of these days fall those on which a hold covers the trap, nobody works, the day is too hot to work, or the place may
//! not be entered.
//!
//! **Take-downs.** A trap hangs no longer than its targets fly: once the season's plan of every target that it is baited for has
//! come to the day from which traps may come down ([`crate::season`]), the visit that is due is to take it down, from that day
//! on and with no end of its own. A trap one of whose clocks fails before that day is put in order once more first.

use std::collections::{BTreeMap, HashMap};

use earlywood_journal::{Clock, Hanging, Hold, Programme};
use earlywood_model::record::{Access, Position, Skill};
use jiff::ToSpan as _;
use jiff::civil::{Date, Time};
use serde::Serialize;

use super::ends::{Ends, Over};
use super::heat::Heat;
use super::stays::{Stay, Stays, kind};
use crate::Notes;
use crate::desk::Desk;
use crate::due::{Board, Costs, runs_on, set_back};
use crate::error::ChainError;
use crate::view::word;

/// Days that can be planned at once. Design choice: past four weeks, what is due depends on what is found before.
pub const MOST_DAYS: u16 = 28;
/// Days before its first warning on which a visit may be made already. Design choice: a trap on the way is done early rather
/// than driven to again three days later.
pub const USUAL_SLACK_DAYS: u16 = 3;
/// How far back rounds may be planned, to look back at a season. Design choice.
const FARTHEST_BACK_YEARS: i32 = 2;
/// Length of a stop of which nothing is known, minutes. Common practice, no source.
pub const USUAL_MINUTES: f64 = 15.0;

/// Which days are asked about.
#[derive(Debug, Clone, PartialEq)]
pub struct DueAsk {
    /// First day.
    pub from: Date,
    /// How many days, 1 to [`MOST_DAYS`].
    pub days: u16,
    /// Days before its first warning on which a visit may be made already.
    pub slack_days: u16,
    /// Length of a stop of which nothing is known, minutes.
    pub minutes: f64,
    /// Days on which nobody works.
    pub no_work: Vec<Date>,
    /// No work on a day whose known weather is hotter, degrees Celsius.
    pub heat_limit_c: Option<f64>,
    /// The weather station; the only one, when none is named.
    pub station: Option<String>,
    /// Traps that a plan wants hung count as due.
    pub hang: bool,
    /// Traps whose season is over count as due to be taken down.
    pub take_down: bool,
}

impl DueAsk {
    /// These days, everything else as usual.
    pub fn new(from: Date, days: u16) -> DueAsk {
        DueAsk {
            from,
            days,
            slack_days: USUAL_SLACK_DAYS,
            minutes: USUAL_MINUTES,
            no_work: Vec::new(),
            heat_limit_c: None,
            station: None,
            hang: true,
            take_down: true,
        }
    }

    /// The last day.
    pub fn to(&self) -> Date {
        self.from.saturating_add(i64::from(self.days.max(1) - 1).days())
    }

    fn check(&self, today: Date) -> Result<(), ChainError> {
        if self.days == 0 || self.days > MOST_DAYS {
            return Err(ChainError::asked(
                "days",
                format!(
                    "{} days can't be planned at once; ask for 1 to {MOST_DAYS}",
                    self.days
                ),
            ));
        }
        if self.from < today.saturating_sub(FARTHEST_BACK_YEARS.years()) {
            return Err(ChainError::asked(
                "from",
                format!(
                    "{} lies more than {FARTHEST_BACK_YEARS} years back (today is {today}); rounds are planned for days to \
                     come, or for those of a season past, to look back",
                    self.from
                ),
            ));
        }
        if self.from > today.saturating_add(1.year()) {
            return Err(ChainError::asked(
                "from",
                format!(
                    "{} lies more than a year ahead; what will be due then is not known",
                    self.from
                ),
            ));
        }
        if !(self.minutes.is_finite() && self.minutes > 0.0 && self.minutes <= 480.0) {
            return Err(ChainError::asked(
                "minutes",
                format!(
                    "{} minutes is no length of a stop; write more than 0 and at most 480",
                    self.minutes
                ),
            ));
        }
        if self.slack_days > 60 {
            return Err(ChainError::asked(
                "slack",
                format!(
                    "a slack of {} days is more than any clock needs; write 0 to 60",
                    self.slack_days
                ),
            ));
        }
        Ok(())
    }
}

/// What decided when a clock warns or fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// Days since it was set back.
    Calendar,
    /// The heat since the lure was put in.
    Heat,
}

/// When one clock of a trap warns and fails.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ClockDates {
    /// Which.
    pub clock: Clock,
    /// The day on which it was set back.
    pub since: Date,
    /// The first day on which it is due.
    pub warns: Date,
    /// The first day on which it has failed; not before it warns.
    pub fails: Date,
    /// What decided the day on which it fails.
    pub by: By,
}

/// The days of a visit, before anything forbids one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// First day.
    pub first: Date,
    /// Last day.
    pub last: Date,
    /// Since when a clock has failed, if one has.
    pub failed: Option<Date>,
    /// The last day before the first clock fails, which may lie past the days asked about; none: one has failed.
    pub in_time: Option<Date>,
}

/// The window of a visit within `from` to `to`. None: nothing comes due in these days.
pub fn window(clocks: &[ClockDates], from: Date, to: Date, slack_days: u16) -> Option<Window> {
    let warns = clocks.iter().map(|c| c.warns).min()?;
    let fails = clocks.iter().map(|c| c.fails).min()?;
    let before = fails.saturating_sub(1.day());
    // A clock that warns on the day it fails is still to be met on the day before.
    let first = warns
        .saturating_sub(i64::from(slack_days).days())
        .min(before)
        .max(from);
    if first > to {
        return None;
    }
    if fails <= from {
        return Some(Window {
            first: from,
            last: to,
            failed: Some(fails),
            in_time: None,
        });
    }
    Some(Window {
        first,
        last: before.min(to),
        failed: None,
        in_time: Some(before),
    })
}

/// A day on which a visit may be made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OpenDay {
    /// The day.
    pub date: Date,
    /// When the gate opens; none: it is never shut.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opens: Option<Time>,
    /// When the crew must be out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closes: Option<Time>,
}

/// What a visit is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Job {
    /// Look at a hanging trap and put it in order.
    Service,
    /// Hang a trap where a plan wants one.
    Hang,
    /// Take a trap down whose season is over.
    TakeDown,
}

/// A visit that is due.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DueVisit {
    /// What for.
    pub job: Job,
    /// The trap's label; of a trap to be hung, words that name its place.
    pub trap: String,
    /// Label of the place.
    pub place: String,
    /// Where it is.
    pub position: Position,
    /// Where the truck stops, if that was told.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub park: Option<Position>,
    /// Its zone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// Its clocks.
    pub clocks: Vec<ClockDates>,
    /// What is to be done, in words.
    pub what: Vec<String>,
    /// First day.
    pub first: Date,
    /// Last day.
    pub last: Date,
    /// Since when a clock has failed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub failed: Option<Date>,
    /// The last day in time, which may lie past the days asked about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub in_time: Option<Date>,
    /// The days on which it may be made.
    pub days: Vec<OpenDay>,
    /// Why not on the others of its window.
    pub shut: Vec<(Date, String)>,
    /// How long it takes.
    pub stay: Stay,
    /// What it needs.
    pub needs: Vec<Skill>,
    /// What it would add to the sensitivity of its zone (0 to 1), where that can be worked out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worth: Option<f64>,
}

/// All that is due.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DueList {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// The visits, by trap.
    pub visits: Vec<DueVisit>,
    /// Days on which nobody works, and why.
    pub days_off: Vec<(Date, String)>,
}

/// What is read once for all traps.
pub(crate) struct Reading {
    pub(crate) board: Board,
    pub(crate) access: HashMap<String, Access>,
    stays: Stays,
    heat: Option<Heat>,
    ends: Option<Ends>,
    costs: Costs,
    days_off: BTreeMap<Date, String>,
}

impl Reading {
    pub(crate) fn read(
        desk: &Desk,
        programme: &Programme,
        ask: &DueAsk,
        today: Date,
        notes: &mut Notes,
    ) -> Result<Reading, ChainError> {
        ask.check(today)?;
        let as_of = ask.from.min(today);
        if as_of < today {
            notes.push(format!(
                "{} lies in the past: what is due is reckoned for that day, from the record as it stands now",
                ask.from
            ));
        }
        let board = Board::read(programme, as_of)?;
        let access: HashMap<String, Access> = programme
            .access()?
            .into_iter()
            .map(|a| (a.label.clone(), a))
            .collect();
        let needs: HashMap<String, Vec<Skill>> = board
            .hanging
            .iter()
            .filter_map(|h| {
                let access = access.get(&h.placement.place)?;
                Some((h.placement.trap.clone(), kind(&access.needs)))
            })
            .collect();
        let stays = Stays::read(programme, &needs, ask.minutes)?;
        notes.push(stays_words(&stays, ask.minutes));
        let costs = super::costs(desk, programme, &board, as_of, notes);
        let heat = Heat::read(programme, board.limits().keys(), ask.station.as_deref(), notes)?;
        if let Some(heat) = &heat
            && heat.known_to() < ask.to()
            && !board.hanging.is_empty()
        {
            notes.push(format!(
                "weather is known up to {}; beyond, lures age as in the same days of past years, the middle one of them",
                heat.known_to()
            ));
        }
        let ends = match ask.take_down && !board.hanging.is_empty() {
            true => Ends::read(programme, board.limits().keys(), ask.station.as_deref(), notes)?,
            false => None,
        };
        let days_off = days_off(programme, ask, notes)?;
        Ok(Reading {
            board,
            access,
            stays,
            heat,
            ends,
            costs,
            days_off,
        })
    }

    /// The clocks of a trap, the lure's by calendar or heat, whichever fails first.
    fn clocks(&mut self, trap: &Hanging) -> Vec<ClockDates> {
        let mut clocks = Vec::new();
        for clock in Clock::ALL {
            let Some(limit) = self.board.limit(trap, clock) else {
                continue;
            };
            let since = set_back(trap, clock);
            let after = |days: u32| since.saturating_add(i64::from(days).days());
            let mut dates = ClockDates {
                clock,
                since,
                warns: after(limit.warn_days),
                fails: after(limit.fail_days.max(limit.warn_days)),
                by: By::Calendar,
            };
            if clock == Clock::Lure {
                self.heated(trap, &mut dates);
            }
            clocks.push(dates);
        }
        clocks
    }

    /// The first day, of all traps, on which a clock warns.
    pub(crate) fn next_due(&mut self) -> Option<Date> {
        let hanging = self.board.hanging.clone();
        let days = hanging.iter().flat_map(|h| self.clocks(h));
        days.map(|c| c.warns).min()
    }

    fn heated(&mut self, trap: &Hanging, dates: &mut ClockDates) {
        let Some(heat) = &mut self.heat else { return };
        for target in &trap.placement.targets {
            let Some(days) = heat.days(target, dates.since) else {
                continue;
            };
            if let Some(fails) = days.fails
                && fails < dates.fails
            {
                dates.fails = fails;
                dates.by = By::Heat;
            }
            if let Some(warns) = days.warns {
                dates.warns = dates.warns.min(warns);
            }
        }
        dates.warns = dates.warns.min(dates.fails);
    }

    /// The visit to a hanging trap. `forced`: it stands in a plan already, and is wanted even where nothing is due yet.
    fn visit(&mut self, trap: &Hanging, ask: &DueAsk, forced: bool) -> Option<DueVisit> {
        let clocks = self.clocks(trap);
        let to = ask.to();
        let window = window(&clocks, ask.from, to, ask.slack_days).or_else(|| {
            forced.then(|| Window {
                first: ask.from,
                last: to,
                failed: None,
                in_time: clocks.iter().map(|c| c.fails.saturating_sub(1.day())).min(),
            })
        })?;
        let p = &trap.placement;
        let zone = self.board.zone(p.position);
        let slack = i64::from(ask.slack_days).days();
        let mut what: Vec<String> = clocks
            .iter()
            .filter(|c| c.warns.saturating_sub(slack) <= window.last)
            .map(|c| c.clock.words().to_owned())
            .collect();
        if what.is_empty() {
            what.push(Clock::Look.words().to_owned());
        }
        let access = self.access.get(&p.place);
        let stay = self.stays.at(&p.trap, access);
        let holds = self.board.holds_over(&p.trap, &p.place, zone.as_deref());
        let (days, shut) = self.days(&window, access, &holds, stay.minutes);
        Some(DueVisit {
            job: Job::Service,
            trap: p.trap.clone(),
            place: p.place.clone(),
            position: p.position,
            park: access.and_then(|a| a.park),
            zone,
            what,
            first: window.first,
            last: window.last,
            failed: window.failed,
            in_time: window.in_time,
            days,
            shut,
            stay,
            needs: access.map(|a| kind(&a.needs)).unwrap_or_default(),
            worth: self.costs.get(&p.trap).map(|(look, renewal)| look + renewal),
            clocks,
        })
    }

    /// What is due on a hanging trap: the visit, or to take it down.
    fn due(&mut self, trap: &Hanging, ask: &DueAsk, forced: bool) -> Option<DueVisit> {
        let to = ask.to();
        let p = &trap.placement;
        let over = self
            .ends
            .as_mut()
            .and_then(|ends| ends.of(&p.targets, p.hung, to))
            .filter(|over| over.from <= to);
        let Some(over) = over else {
            return self.visit(trap, ask, forced);
        };
        let clocks = self.clocks(trap);
        let fails = clocks.iter().map(|c| c.fails).min();
        match fails {
            // Until then it is to catch, so it is put in order first.
            Some(day) if day < over.from && ask.from < over.from => self.visit(trap, ask, forced),
            _ => Some(self.take_down(trap, clocks, &over, ask)),
        }
    }

    fn take_down(&self, trap: &Hanging, clocks: Vec<ClockDates>, over: &Over, ask: &DueAsk) -> DueVisit {
        let p = &trap.placement;
        let access = self.access.get(&p.place);
        let zone = self.board.zone(p.position);
        let window = Window {
            first: over.from.max(ask.from),
            last: ask.to(),
            failed: None,
            in_time: None,
        };
        let stay = self.stays.take_down(&p.trap, access);
        let holds = self.board.holds_over(&p.trap, &p.place, zone.as_deref());
        let (days, shut) = self.days(&window, access, &holds, stay.minutes);
        DueVisit {
            job: Job::TakeDown,
            trap: p.trap.clone(),
            place: p.place.clone(),
            position: p.position,
            park: access.and_then(|a| a.park),
            zone,
            what: vec![format!(
                "take down (the season of {} ends on {})",
                over.target, over.from
            )],
            first: window.first,
            last: window.last,
            failed: None,
            in_time: None,
            days,
            shut,
            stay,
            needs: access.map(|a| kind(&a.needs)).unwrap_or_default(),
            // No effort is counted any more: it adds nothing.
            worth: Some(0.0),
            clocks,
        }
    }

    fn hang(&self, at: &crate::phone::PhonePlace, ask: &DueAsk) -> DueVisit {
        let access = self.access.get(&at.place);
        let stay = self.stays.hang(access);
        let window = Window {
            first: ask.from,
            last: ask.to(),
            failed: None,
            in_time: None,
        };
        let trap = to_hang(&at.place);
        let holds = self.board.holds_over(&trap, &at.place, at.zone.as_deref());
        let (days, shut) = self.days(&window, access, &holds, stay.minutes);
        DueVisit {
            job: Job::Hang,
            trap,
            place: at.place.clone(),
            position: Position {
                lat: at.lat,
                lon: at.lon,
            },
            park: access.and_then(|a| a.park),
            zone: at.zone.clone(),
            clocks: Vec::new(),
            what: vec!["hang".to_owned()],
            first: window.first,
            last: window.last,
            failed: None,
            in_time: None,
            days,
            shut,
            stay,
            needs: access.map(|a| kind(&a.needs)).unwrap_or_default(),
            worth: None,
        }
    }

    /// The days of a window on which the visit may be made, and why not on the others.
    fn days(
        &self,
        window: &Window,
        access: Option<&Access>,
        holds: &[&Hold],
        minutes: f64,
    ) -> (Vec<OpenDay>, Vec<(Date, String)>) {
        let (mut open, mut shut) = (Vec::new(), Vec::new());
        let mut date = window.first;
        while date <= window.last {
            match self.forbids(date, access, holds, minutes) {
                Some(why) => shut.push((date, why)),
                None => open.push(OpenDay {
                    date,
                    opens: access.and_then(|a| a.opens),
                    closes: access.and_then(|a| a.closes),
                }),
            }
            date = date.saturating_add(1.day());
        }
        (open, shut)
    }

    /// What forbids a visit on a day.
    fn forbids(&self, date: Date, access: Option<&Access>, holds: &[&Hold], minutes: f64) -> Option<String> {
        if let Some(why) = self.days_off.get(&date) {
            return Some(why.clone());
        }
        if let Some(hold) = holds.iter().find(|h| runs_on(h, date)) {
            let until = hold.to.map_or(String::new(), |to| format!(" until {to}"));
            return Some(format!("held by {:?} ({}){until}", hold.hold, word(&hold.cause)));
        }
        let access = access?;
        if !access.open_on(date) {
            return Some(shut_words(access, date));
        }
        let open_s = access.closes.map_or(24 * 3600, seconds) - access.opens.map_or(0, seconds);
        ((open_s as f64) < 60.0 * minutes).then(|| {
            format!(
                "the gate is open for {} minutes and the stop takes {minutes:.0}",
                open_s.max(0) / 60
            )
        })
    }
}

/// How a stop at which a trap is to be hung is called: no trap has been chosen for it yet.
pub fn to_hang(place: &str) -> String {
    let mut label = format!("to hang at {place}");
    // Labels have at most 200 bytes.
    while label.len() > 200 {
        label.pop();
    }
    label.trim_end().to_owned()
}

/// Seconds of the day.
pub(crate) fn seconds(time: Time) -> i64 {
    i64::from(time.hour()) * 3600 + i64::from(time.minute()) * 60 + i64::from(time.second())
}

fn shut_words(access: &Access, date: Date) -> String {
    let right = access.permit.as_deref().unwrap_or("the right to enter");
    match (access.permit_from, access.permit_to) {
        (Some(from), _) if date < from => format!("{right} begins on {from}"),
        (_, Some(to)) if to < date => format!("{right} ended on {to}"),
        _ => {
            let days: Vec<&str> = access.days.iter().map(|d| d.word()).collect();
            format!("the place may be entered only on {}", days.join(", "))
        }
    }
}

fn stays_words(stays: &Stays, minutes: f64) -> String {
    let odd = match stays.odd {
        0 => String::new(),
        n => format!(" ({n} more had times that can't be, and were left out)"),
    };
    match stays.learned_from() {
        0 => format!(
            "no past stop tells how long one takes: {minutes:.0} minutes where the access records say nothing (common \
             practice, no source){odd}"
        ),
        n => format!("how long stops take was learned from {n} past stops{odd}"),
    }
}

/// The days on which nobody works: those named, and those that are too hot as far as their weather is known.
fn days_off(
    programme: &Programme,
    ask: &DueAsk,
    notes: &mut Notes,
) -> Result<BTreeMap<Date, String>, ChainError> {
    let (from, to) = (ask.from, ask.to());
    let mut off: BTreeMap<Date, String> = BTreeMap::new();
    for &date in &ask.no_work {
        if date < from || to < date {
            return Err(ChainError::asked(
                "no_work",
                format!("{date}, a day without work, is not among the days asked about, {from} to {to}"),
            ));
        }
        off.insert(date, "a day without work".into());
    }
    let Some(limit) = ask.heat_limit_c else {
        return Ok(off);
    };
    if !limit.is_finite() {
        return Err(ChainError::asked("heat_limit_c", "the heat limit is no number"));
    }
    let mut known = 0_i64;
    for day in programme.weather(ask.station.as_deref())? {
        if (from..=to).contains(&day.date) {
            known += 1;
            if day.tmax_c > limit {
                off.entry(day.date).or_insert_with(|| {
                    format!("{:.1} °C are told for the day, above {limit} °C", day.tmax_c)
                });
            }
        }
    }
    for (date, why) in &off {
        notes.push(format!("no work on {date}: {why}"));
    }
    if known == 0 {
        notes.push("no weather is known for these days, so the heat limit forbids none of them".into());
    }
    Ok(off)
}

/// What is due over the days asked about. `forced`: traps that are wanted whether or not anything is due on them.
pub(crate) fn listed(
    reading: &mut Reading,
    programme: &Programme,
    ask: &DueAsk,
    forced: &dyn Fn(&str) -> bool,
    notes: &mut Notes,
) -> Result<DueList, ChainError> {
    let hanging = reading.board.hanging.clone();
    let mut visits: Vec<DueVisit> = hanging
        .iter()
        .filter_map(|trap| reading.due(trap, ask, forced(&trap.placement.trap)))
        .collect();
    if ask.hang {
        let open = crate::phone::open_places(programme, &reading.board)?;
        if !open.is_empty() {
            notes.push(format!(
                "{} traps are to be hung, as the plans want; no figure says what each is worth, so they are weighed as the \
                 middle one of the visits",
                open.len()
            ));
        }
        visits.extend(open.iter().map(|at| reading.hang(at, ask)));
    }
    visits.sort_by(|a, b| a.trap.cmp(&b.trap));
    let down = visits.iter().filter(|v| v.job == Job::TakeDown).count();
    if down > 0 {
        notes.push(format!(
            "{down} of the traps are to be taken down, as their season is over; what hangs longer does no harm, so these stops are \
             the first to be left out"
        ));
    }
    let by_heat = visits
        .iter()
        .filter(|v| v.clocks.iter().any(|c| c.by == By::Heat))
        .count();
    if by_heat > 0 {
        notes.push(format!(
            "on {by_heat} of the traps the lure is used up by heat before its days are over"
        ));
    }
    Ok(DueList {
        from: ask.from,
        to: ask.to(),
        visits,
        days_off: reading.days_off.clone().into_iter().collect(),
    })
}

/// What is due over the days asked about.
///
/// # Errors
/// Days that can't be planned; a programme that can't be read; an unknown weather station.
pub fn due_over(
    desk: &Desk,
    programme: &Programme,
    today: Date,
    ask: &DueAsk,
    notes: &mut Notes,
) -> Result<DueList, ChainError> {
    let mut reading = Reading::read(desk, programme, ask, today, notes)?;
    listed(&mut reading, programme, ask, &|_| false, notes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use proptest::prelude::*;

    fn clock(warns: Date, fails: Date) -> ClockDates {
        ClockDates {
            clock: Clock::Look,
            since: date(2026, 1, 1),
            warns,
            fails,
            by: By::Calendar,
        }
    }

    #[test]
    fn a_window_runs_from_the_warning_less_the_slack_to_the_day_before_it_fails() {
        let (from, to) = (date(2026, 6, 1), date(2026, 6, 14));
        let at = |warns: i8, fails: i8, slack| {
            window(
                &[clock(date(2026, 6, warns), date(2026, 6, fails))],
                from,
                to,
                slack,
            )
        };
        let days = |w: Option<Window>| w.map(|w| (w.first.day(), w.last.day()));
        assert_eq!(days(at(6, 10, 0)), Some((6, 9)));
        assert_eq!(days(at(6, 10, 3)), Some((3, 9)));
        assert_eq!(days(at(3, 20, 5)), Some((1, 14)));
        assert_eq!(days(at(6, 6, 0)), Some((5, 5)));
        assert_eq!(days(at(17, 20, 3)), Some((14, 14)));
        assert_eq!(at(18, 20, 3), None);
        let failed = window(&[clock(date(2026, 5, 20), date(2026, 6, 1))], from, to, 0).unwrap();
        assert_eq!((failed.first, failed.last, failed.failed), (from, to, Some(from)));
        assert_eq!(window(&[], from, to, 3), None);
    }

    fn any_clocks() -> impl Strategy<Value = Vec<ClockDates>> {
        let one = (-60_i64..60, 0_i64..40).prop_map(|(warns, more)| {
            let warns = date(2026, 6, 1).saturating_add(warns.days());
            clock(warns, warns.saturating_add(more.days()))
        });
        proptest::collection::vec(one, 1..5)
    }

    proptest! {
        #[test]
        fn windows_lie_within_the_days_and_are_in_time(clocks in any_clocks(), length in 1_i64..28, slack in 0_u16..10) {
            let from = date(2026, 6, 1);
            let to = from.saturating_add((length - 1).days());
            let fails = clocks.iter().map(|c| c.fails).min().unwrap();
            let early = clocks.iter().map(|c| c.warns).min().unwrap().saturating_sub(i64::from(slack).days());
            match window(&clocks, from, to, slack) {
                None => prop_assert!(early > to && fails > to.saturating_add(1.day()) || fails.saturating_sub(1.day()) > to),
                Some(w) => {
                    prop_assert!(from <= w.first && w.first <= w.last && w.last <= to);
                    match w.failed {
                        // Whoever comes on the last day comes in time, and there is no day in time that is left out.
                        None => prop_assert!(w.last < fails && (w.last == to || w.last.saturating_add(1.day()) == fails)),
                        Some(day) => prop_assert!(day == fails && day <= from && (w.first, w.last) == (from, to)),
                    }
                }
            }
            // More slack never takes days away.
            if let (Some(a), Some(b)) = (window(&clocks, from, to, slack), window(&clocks, from, to, slack + 1)) {
                prop_assert!(b.first <= a.first && a.last == b.last);
            }
        }
    }
}
