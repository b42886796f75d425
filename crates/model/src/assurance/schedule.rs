//! From visits to credited effort: what each day of each trap may be counted as.

use jiff::civil::Date;

use super::types::{Cause, FittedOn, Input, PlacementInput};
use crate::clock::{Clock, Parts};
use crate::error::ModelError;
use crate::profile::ClocksSection;
use crate::record::{Looked, TrapFound, Visit, VisitKind};
use crate::weather::days_between;

/// Lure row of a lure that is always fresh (used to ask what weak lures cost).
pub(super) const ALWAYS_FRESH: i32 = i32::MAX;

/// The days and periods of one assessment. Days count from the season's first day, 0.
#[derive(Debug, Clone)]
pub(super) struct Calendar {
    pub(super) start: Date,
    /// The as-of day.
    pub(super) today: i32,
    /// The day after the season's last.
    pub(super) end: i32,
    /// First and past-the-end day of every period of the season, split at the as-of day.
    pub(super) periods: Vec<(i32, i32)>,
    /// How many of them lie up to the as-of day.
    pub(super) to_date: usize,
    /// Period of each day of the season.
    period_of: Vec<u16>,
}

impl Calendar {
    pub(super) fn new(input: &Input<'_>) -> Result<Self, ModelError> {
        let settings = input.settings;
        let start = settings.season_start;
        let end = day_number(start, settings.season_end) + 1;
        if end > 4_000 {
            return Err(ModelError::Inconsistent(format!(
                "the season runs over {end} days; a season is at most ten years"
            )));
        }
        let today = day_number(start, settings.as_of);
        let length = settings.period_days.cast_signed();
        let mut periods = Vec::new();
        let mut fill = |from: i32, to: i32| {
            let mut at = from;
            while at < to {
                periods.push((at, (at + length).min(to)));
                at += length;
            }
            periods.len()
        };
        let to_date = fill(0, (today + 1).min(end));
        fill((today + 1).min(end), end);
        let mut period_of = Vec::new();
        for (index, (from, to)) in periods.iter().enumerate() {
            let index = u16::try_from(index).unwrap_or(u16::MAX);
            period_of.extend((*from..*to).map(|_| index));
        }
        Ok(Calendar {
            start,
            today,
            end,
            periods,
            to_date,
            period_of,
        })
    }

    pub(super) fn day(&self, date: Date) -> i32 {
        day_number(self.start, date)
    }

    /// Period of a day of the season up to the as-of day.
    pub(super) fn period(&self, date: Date) -> Option<usize> {
        let day = self.day(date);
        let period = usize::from(*self.period_of.get(usize::try_from(day).ok()?)?);
        (day <= self.today && period < self.to_date).then_some(period)
    }

    /// The periods up to the as-of day that days `from..to` reach into, each with the share of its days.
    pub(super) fn shares_between(&self, from: i32, to: i32) -> Vec<(usize, f64)> {
        self.periods[..self.to_date]
            .iter()
            .enumerate()
            .map(|(t, (start, end))| {
                let days = (to.min(*end) - from.max(*start)).max(0);
                (t, f64::from(days) / f64::from(end - start))
            })
            .filter(|(_, share)| *share > 0.0)
            .collect()
    }

    /// Day after the last one whose effort a look up to the as-of day can credit.
    pub(super) fn counted_end(&self) -> i32 {
        self.today.min(self.end)
    }
}

fn day_number(start: Date, date: Date) -> i32 {
    i32::try_from(days_between(start, date)).unwrap_or(if date < start { i32::MIN / 4 } else { i32::MAX / 4 })
}

/// A clock's factor by whole days of age, taken in the middle of the day.
#[derive(Debug, Clone)]
struct Table(Option<Vec<f64>>);

impl Table {
    fn new(clock: Option<Clock>, days: usize) -> Self {
        Table(clock.map(|c| (0..=days).map(|age| c.factor(age as f64 + 0.5)).collect()))
    }

    /// 1 where the trap has no such part.
    fn at(&self, age_days: i32) -> f64 {
        match &self.0 {
            None => 1.0,
            Some(table) => match usize::try_from(age_days) {
                Err(_) => 1.0,
                Ok(age) => table.get(age).copied().unwrap_or(0.0),
            },
        }
    }
}

/// The five clocks of a profile as tables.
#[derive(Debug, Clone)]
pub(super) struct Clocks {
    look: Table,
    lure: Table,
    insert: Table,
    killing_agent: Table,
    body: Table,
    has_insert: bool,
    /// Planned days between looks.
    look_every: i32,
}

impl Clocks {
    pub(super) fn new(section: &ClocksSection, catch_spoils: bool) -> Result<Self, ModelError> {
        const DAYS: usize = 8_000;
        let look = Clock::try_from(&section.look)?;
        let lure = Clock::try_from(&section.lure)?;
        let optional =
            |days: &Option<crate::profile::ClockDays>| days.as_ref().map(Clock::try_from).transpose();
        Ok(Clocks {
            look: Table::new(catch_spoils.then_some(look), DAYS),
            lure: Table::new(Some(lure), DAYS),
            insert: Table::new(optional(&section.insert)?, DAYS),
            killing_agent: Table::new(optional(&section.killing_agent)?, DAYS),
            body: Table::new(Some(Clock::try_from(&section.body)?), DAYS),
            has_insert: section.insert.is_some(),
            look_every: look.nominal_days.clamp(1.0, 4_000.0).round() as i32,
        })
    }
}

/// What is imagined to have gone better than it did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct WhatIf {
    on_time: bool,
    held_on_time: bool,
    fresh_lures: bool,
    sound_parts: bool,
    always_up: bool,
    never_impaired: bool,
    always_fully: bool,
}

impl WhatIf {
    pub(super) const EVERYTHING: WhatIf = WhatIf {
        on_time: true,
        held_on_time: true,
        fresh_lures: true,
        sound_parts: true,
        always_up: true,
        never_impaired: true,
        always_fully: true,
    };

    pub(super) fn without(cause: Cause) -> Self {
        let none = WhatIf::default();
        match cause {
            Cause::LateOrMissedLooks => WhatIf {
                on_time: true,
                ..none
            },
            Cause::Holds => WhatIf {
                held_on_time: true,
                ..none
            },
            Cause::WeakLures => WhatIf {
                fresh_lures: true,
                ..none
            },
            Cause::WornParts => WhatIf {
                sound_parts: true,
                ..none
            },
            Cause::DownOrGone => WhatIf {
                always_up: true,
                ..none
            },
            Cause::Impaired => WhatIf {
                never_impaired: true,
                ..none
            },
            Cause::PartlyLooked => WhatIf {
                always_fully: true,
                ..none
            },
        }
    }
}

/// Some days of one trap that count alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Segment {
    /// Day the lure was fitted, or [`ALWAYS_FRESH`].
    pub(super) lure: i32,
    /// Factor of clocks, 0 to 1.
    pub(super) factor: f32,
    /// First day.
    pub(super) from: u16,
    /// Day after the last.
    pub(super) to: u16,
    /// Period both lie in.
    pub(super) period: u16,
    /// Power of the drawn impaired share `h`.
    pub(super) power: u8,
    /// Power of `1 - h`: what looks in part left to see.
    pub(super) rest: u8,
}

/// Powers of `1 - h` beyond this are dropped: less than that is left to see.
pub(super) const MOST_RESTS: u8 = 7;
/// Powers of `h` beyond this count as this power would: no trap is that badly off.
pub(super) const MOST_POWERS: u8 = 15;

/// Everything one placement did, as segments.
#[derive(Debug, Clone, Default)]
pub(super) struct Record {
    /// Effort that a look has credited.
    pub(super) credited: Vec<Segment>,
    /// Effort that a full look on the as-of day would credit.
    pub(super) waiting: Vec<Segment>,
    /// Effort from the as-of day to the end of the season if nothing is renewed.
    pub(super) ahead: Vec<Segment>,
    /// The same if lure and parts are renewed on the as-of day.
    pub(super) ahead_renewed: Vec<Segment>,
    /// Days it hung in the season, up to the as-of day.
    pub(super) calendar_days: i32,
    /// Day of the last look.
    pub(super) last_look: Option<i32>,
}

/// Days a trap hung in one state, whose catch nobody has looked at.
#[derive(Debug, Clone, Copy)]
struct Run {
    from: i32,
    to: i32,
    parts: Parts,
    power: u8,
    rest: u8,
}

/// How a run of days is turned into segments.
#[derive(Clone, Copy)]
struct Credit {
    /// Day of the look; `None` where the look clock is left out (days to come, looked at on time).
    look: Option<i32>,
    power: u8,
}

struct Walker<'a> {
    calendar: &'a Calendar,
    clocks: &'a Clocks,
    what_if: WhatIf,
    parts: Parts,
    up: bool,
    /// Taken down or moved away: not to be hung again here.
    closed: bool,
    at: i32,
    /// Day from which the trap is not at this place any more.
    end: i32,
    waiting: Vec<Run>,
    record: Record,
}

/// Walks through one placement's visits in order of date.
///
/// The rules (each errs, where it errs, to the side of less effort):
/// 1. Effort of a day counts only if a later stop looked at the catch, and only looks up to the as-of day exist. A look
///    on day L covers the days before L; the day of the look itself waits for the next.
/// 2. Looked fully: all of it. Looked in part: the profile's impaired share `h` of it; the rest, `1 - h`, goes on waiting.
///    Trap found impaired: `h` of it, for the trap itself caught less; looked at in part too: `h²`.
/// 3. Not reached: nothing happens. What waits goes on waiting; nothing can have been renewed.
/// 4. Reached but not looked at: what waits goes on waiting, unless its catch was thrown away with the insert, the body
///    or (in a trap without an insert) the fluid. Found impaired: the impaired share holds for all that waits.
/// 5. Found down: as impaired if somebody looked, otherwise nothing since the last look. *Conservative*: it may have
///    fallen yesterday. It was put up again at that stop.
/// 6. Found gone: nothing since the last look. It hangs again only once a body is fitted, and draws only once a lure is.
/// 7. Taken down without a look: what waits is lost.
/// 8. The look clock: a catch older than its warning age counts less, past its failed age nothing (specimens fall off
///    and rot). [`super::Settings::catch_spoils`] turns this off.
/// 9. Hanging renews everything, unless the placement says when its used parts were fitted.
/// 10. A hold excuses the crew. It credits nothing; what waits is subject to rules 1 and 8 as ever.
pub(super) fn walk(
    calendar: &Calendar,
    clocks: &Clocks,
    placement: &PlacementInput,
    what_if: WhatIf,
) -> Record {
    let hung = calendar.day(placement.hung);
    let end = placement.taken_down.map_or(i32::MAX, |date| calendar.day(date));
    let parts = placement.fitted.map_or(
        Parts::all_on(hung),
        |FittedOn {
             lure,
             insert,
             killing_agent,
             body,
         }| Parts {
            lure: Some(calendar.day(lure)),
            insert: Some(calendar.day(insert)),
            killing_agent: Some(calendar.day(killing_agent)),
            body: Some(calendar.day(body)),
        },
    );
    let mut walker = Walker {
        calendar,
        clocks,
        what_if,
        parts,
        up: true,
        closed: false,
        at: hung,
        end,
        waiting: Vec::new(),
        record: Record::default(),
    };
    let last = calendar.counted_end().min(end);
    walker.record.calendar_days = (last - hung.max(0)).max(0);
    for stop in stops(calendar, clocks, placement, hung, what_if) {
        walker.stop(stop);
    }
    walker.finish()
}

/// A stop as far as effort is concerned.
#[derive(Debug, Clone, Copy)]
struct Stop {
    day: i32,
    kind: VisitKind,
    found: TrapFound,
    looked: Looked,
    lure: bool,
    insert: bool,
    killing_agent: bool,
    body: bool,
}

impl Stop {
    fn new(day: i32, visit: &Visit) -> Self {
        let renewed = visit.renewed;
        Stop {
            day,
            kind: visit.kind,
            found: visit.found,
            looked: visit.looked,
            lure: renewed.lure,
            insert: renewed.insert,
            killing_agent: renewed.killing_agent,
            body: renewed.body,
        }
    }

    /// The same stop, had it gone better; `made_good`: somebody looks if the trap can be reached.
    fn what_if(mut self, what_if: WhatIf, made_good: bool) -> Self {
        if what_if.always_up && matches!(self.found, TrapFound::Down | TrapFound::Gone) {
            self.found = TrapFound::Working;
            self.looked = Looked::Fully;
        }
        if what_if.never_impaired && self.found == TrapFound::Impaired {
            self.found = TrapFound::Working;
        }
        let there = !matches!(self.found, TrapFound::Gone | TrapFound::NotReached);
        if made_good && there && self.looked == Looked::No && self.kind != VisitKind::Hang {
            self.looked = Looked::Fully;
        }
        if what_if.always_fully && self.looked == Looked::Partly {
            self.looked = Looked::Fully;
        }
        self
    }

    fn due_look(day: i32) -> Self {
        Stop {
            day,
            kind: VisitKind::Service,
            found: TrapFound::Working,
            looked: Looked::Fully,
            lure: false,
            insert: false,
            killing_agent: false,
            body: false,
        }
    }

    /// Whether somebody looked at a catch that was there.
    fn looks(&self) -> bool {
        self.looked != Looked::No && !matches!(self.found, TrapFound::Gone | TrapFound::NotReached)
    }

    /// A fixed order, so that the order in which visits of one day are handed over does not matter.
    fn key(&self) -> (i32, u8, u8, u8, [bool; 4]) {
        let kind = match self.kind {
            VisitKind::Service => 0,
            VisitKind::Hang => 1,
            VisitKind::Move => 2,
            VisitKind::TakeDown => 3,
        };
        let found = match self.found {
            TrapFound::Gone => 0,
            TrapFound::Down => 1,
            TrapFound::Impaired => 2,
            TrapFound::NotReached => 3,
            TrapFound::Working => 4,
        };
        let looked = match self.looked {
            Looked::No => 0,
            Looked::Partly => 1,
            Looked::Fully => 2,
        };
        (
            self.day,
            kind,
            found,
            looked,
            [self.lure, self.insert, self.killing_agent, self.body],
        )
    }
}

fn stops(
    calendar: &Calendar,
    clocks: &Clocks,
    placement: &PlacementInput,
    hung: i32,
    what_if: WhatIf,
) -> Vec<Stop> {
    let held = |day: i32| {
        placement
            .holds
            .iter()
            .any(|h| (calendar.day(h.from)..=calendar.day(h.to)).contains(&day))
    };
    let made_good = |day: i32| {
        if held(day) {
            what_if.held_on_time
        } else {
            what_if.on_time
        }
    };
    let really: Vec<Stop> = placement
        .visits
        .iter()
        .map(|visit| Stop::new(calendar.day(visit.date), visit))
        .filter(|stop| stop.day >= hung && stop.day <= calendar.today)
        // The first hanging and a move to this place are what "hung" says already.
        .filter(|stop| stop.day > hung || !matches!(stop.kind, VisitKind::Hang | VisitKind::Move))
        .collect();
    let mut stops: Vec<Stop> = really
        .iter()
        .map(|stop| stop.what_if(what_if, made_good(stop.day)))
        .collect();
    if what_if.on_time || what_if.held_on_time {
        let looks = really.iter().filter(|s| s.looks()).map(|s| s.day).collect();
        let end = placement.taken_down.map_or(i32::MAX, |date| calendar.day(date));
        let last = end.min(calendar.today).min(calendar.end);
        let due = due_looks(hung, last, clocks.look_every, looks);
        stops.extend(due.into_iter().filter(|day| made_good(*day)).map(Stop::due_look));
    }
    stops.sort_by_key(Stop::key);
    stops
}

/// Days on which a look was due and none was made: `every` days after the last look, made or due.
///
/// Judged on the looks really made, whatever else is imagined, so that imagining more can only add looks.
fn due_looks(hung: i32, last: i32, every: i32, mut made: Vec<i32>) -> Vec<i32> {
    made.sort_unstable();
    let mut made = made.into_iter().peekable();
    let (mut out, mut at) = (Vec::new(), hung);
    loop {
        let due = at + every;
        while made.next_if(|day| *day <= at).is_some() {}
        match made.peek() {
            Some(day) if *day <= due => at = *day,
            _ if due > last => return out,
            _ => {
                out.push(due);
                at = due;
            }
        }
    }
}

impl Walker<'_> {
    fn stop(&mut self, stop: Stop) {
        self.hang_until(stop.day);
        if stop.found == TrapFound::NotReached {
            return;
        }
        let looked = stop.looks();
        match stop.found {
            TrapFound::NotReached | TrapFound::Working => {}
            TrapFound::Down if !looked => self.waiting.clear(),
            TrapFound::Impaired | TrapFound::Down => {
                self.waiting
                    .iter_mut()
                    .for_each(|run| run.power = (run.power + 1).min(MOST_POWERS));
            }
            TrapFound::Gone => {
                self.waiting.clear();
                self.up = false;
                self.parts = Parts::NONE;
            }
        }
        if looked {
            self.credit(stop.day, stop.looked == Looked::Partly);
            self.record.last_look = Some(stop.day);
        }
        let thrown_away = stop.insert || stop.body || (stop.killing_agent && !self.clocks.has_insert);
        if thrown_away || matches!(stop.kind, VisitKind::Hang | VisitKind::TakeDown | VisitKind::Move) {
            self.waiting.clear();
        }
        self.renew(stop);
        match stop.kind {
            VisitKind::Hang => {
                self.parts = Parts::all_on(stop.day);
                (self.up, self.closed) = (true, false);
            }
            VisitKind::TakeDown | VisitKind::Move => (self.up, self.closed) = (false, true),
            VisitKind::Service if stop.found != TrapFound::Gone || stop.body => self.up = true,
            VisitKind::Service => {}
        }
    }

    fn renew(&mut self, stop: Stop) {
        let day = Some(stop.day);
        if stop.lure {
            self.parts.lure = day;
        }
        if stop.insert {
            self.parts.insert = day;
        }
        if stop.killing_agent {
            self.parts.killing_agent = day;
        }
        if stop.body {
            self.parts.body = day;
        }
    }

    /// Lets the trap hang as it is up to a day.
    fn hang_until(&mut self, day: i32) {
        let to = day.min(self.end).min(self.calendar.counted_end());
        let from = self.at.max(0);
        if self.up && from < to {
            self.waiting.push(Run {
                from,
                to,
                parts: self.parts,
                power: 0,
                rest: 0,
            });
        }
        self.at = self.at.max(day);
    }

    fn credit(&mut self, look: i32, partly: bool) {
        let mut runs = std::mem::take(&mut self.waiting);
        let mut out = std::mem::take(&mut self.record.credited);
        let credit = Credit {
            look: Some(look),
            power: u8::from(partly),
        };
        runs.iter().for_each(|run| self.segments(run, credit, &mut out));
        self.record.credited = out;
        if partly {
            runs.iter_mut().for_each(|run| run.rest += 1);
            runs.retain(|run| run.rest <= MOST_RESTS);
            self.waiting = runs;
        }
    }

    fn finish(mut self) -> Record {
        let today = self.calendar.today;
        if self.at > today {
            // Not hung yet.
            return self.record;
        }
        self.hang_until(today);
        // A trap that is not there any more can't be looked at; one that was taken down was not.
        if self.end <= today {
            self.up = false;
            self.waiting.clear();
        }
        let mut waiting = Vec::new();
        for run in &self.waiting {
            self.segments(
                run,
                Credit {
                    look: Some(today),
                    power: 0,
                },
                &mut waiting,
            );
        }
        self.record.waiting = waiting;
        let to = self.calendar.end.min(self.end);
        let from = today.max(0);
        if from < to && !self.closed {
            let credit = Credit { look: None, power: 0 };
            let (mut ahead, mut renewed) = (Vec::new(), Vec::new());
            if self.up {
                self.segments(
                    &Run {
                        from,
                        to,
                        parts: self.parts,
                        power: 0,
                        rest: 0,
                    },
                    credit,
                    &mut ahead,
                );
            }
            self.segments(
                &Run {
                    from,
                    to,
                    parts: Parts::all_on(today),
                    power: 0,
                    rest: 0,
                },
                credit,
                &mut renewed,
            );
            self.record.ahead = ahead;
            self.record.ahead_renewed = renewed;
        }
        self.record
    }

    /// Factor of the clocks on one day and the lure that hung then; `None` where it draws or holds nothing.
    fn factor(&self, parts: Parts, day: i32, look: Option<i32>) -> Option<(f64, i32)> {
        let clocks = self.clocks;
        let aged = |table: &Table, fitted: Option<i32>| match fitted {
            _ if self.what_if.sound_parts => 1.0,
            Some(on) => table.at(day - on),
            None if table.0.is_none() => 1.0,
            None => 0.0,
        };
        let (lure_factor, lure) = match parts.lure {
            _ if self.what_if.fresh_lures => (1.0, ALWAYS_FRESH),
            Some(on) => (clocks.lure.at(day - on), on),
            None => (0.0, 0),
        };
        let spoiled = look.map_or(1.0, |on| clocks.look.at(on - day - 1));
        let factor = lure_factor
            * aged(&clocks.insert, parts.insert)
            * aged(&clocks.killing_agent, parts.killing_agent)
            * aged(&clocks.body, parts.body)
            * spoiled;
        (factor > 0.0).then_some((factor, lure))
    }

    fn segments(&self, run: &Run, credit: Credit, out: &mut Vec<Segment>) {
        for day in run.from..run.to {
            let Some((factor, lure)) = self.factor(run.parts, day, credit.look) else {
                continue;
            };
            let Some(&period) = usize::try_from(day)
                .ok()
                .and_then(|d| self.calendar.period_of.get(d))
            else {
                continue;
            };
            // Both fit: a season has at most 4 000 days.
            let (from, to) = (day as u16, day as u16 + 1);
            let power = (run.power + credit.power).min(MOST_POWERS);
            let segment = Segment {
                lure,
                factor: factor as f32,
                from,
                to,
                period,
                power,
                rest: run.rest,
            };
            match out.last_mut() {
                Some(last)
                    if last.to == from
                        && Segment {
                            from: last.from,
                            to: last.to,
                            ..segment
                        } == *last =>
                {
                    last.to = to;
                }
                _ => out.push(segment),
            }
        }
    }
}
