//! Planning again in the middle of a day: what was planned, what of it is done, where the crews are.

use std::collections::{BTreeMap, HashMap, HashSet};

use earlywood_journal::{PlannedRound, PlannedStop, Programme, VisitMade};
use earlywood_model::record::{Position, TrapFound};
use jiff::civil::{Date, Time};

use super::crew_days::CrewDay;
use super::due::{DueVisit, seconds};
use super::view::holding;
use crate::error::ChainError;

/// What stood before, at the moment of planning again.
pub(crate) struct Before {
    /// The day.
    pub(crate) date: Date,
    /// The moment, seconds of the day.
    pub(crate) at_s: i64,
    /// The rounds that held, from that day on.
    pub(crate) rounds: Vec<PlannedRound>,
    /// What each crew has done that day, in order; traps it reached.
    pub(crate) done: BTreeMap<String, Vec<PlannedStop>>,
    /// Traps that were reached that day.
    pub(crate) reached: HashSet<String>,
    /// Traps that were tried that day and not reached.
    pub(crate) tried: HashSet<String>,
}

/// The time of day in a moment as the record has it (RFC 3339 with offset): that of the place.
fn local(text: Option<&String>) -> Option<Time> {
    text?.get(11..19)?.parse().ok()
}

impl Before {
    /// Reads it. The rounds that hold from `date` to `to` are those to be planned again.
    ///
    /// # Errors
    /// No rounds hold on that day.
    pub(crate) fn read(programme: &Programme, date: Date, to: Date, at: Time) -> Result<Before, ChainError> {
        let rounds: Vec<PlannedRound> = holding(programme, date, to)?
            .into_iter()
            .flat_map(|h| h.rounds)
            .collect();
        if !rounds.iter().any(|r| r.date == date) {
            return Err(ChainError::asked(
                "at",
                format!(
                    "no rounds are adopted for {date}, so there are none to plan again; leave the time out"
                ),
            ));
        }
        let today: Vec<VisitMade> = programme
            .stops()?
            .into_iter()
            .map(|s| s.value)
            .filter(|v| v.date == date)
            .collect();
        let at_s = seconds(at);
        let reached: HashSet<String> = today
            .iter()
            .filter(|v| v.found != TrapFound::NotReached)
            .map(|v| v.trap.clone())
            .collect();
        let tried = today
            .iter()
            .map(|v| v.trap.clone())
            .filter(|trap| !reached.contains(trap))
            .collect();
        let mut before = Before {
            date,
            at_s,
            rounds,
            done: BTreeMap::new(),
            reached,
            tried,
        };
        before.sort_done(programme, &today)?;
        Ok(before)
    }

    /// The stops of all rounds that held.
    pub(crate) fn stops(&self) -> impl Iterator<Item = &PlannedStop> {
        self.rounds.iter().flat_map(|r| &r.stops)
    }

    fn planned(&self, trap: &str) -> Option<(&PlannedRound, &PlannedStop)> {
        self.rounds
            .iter()
            .find_map(|r| Some((r, r.stops.iter().find(|s| s.trap == trap)?)))
    }

    fn sort_done(&mut self, programme: &Programme, today: &[VisitMade]) -> Result<(), ChainError> {
        let places: HashMap<String, (String, Position)> = programme
            .placements()?
            .into_iter()
            .map(|p| (p.trap, (p.place, p.position)))
            .collect();
        let mut done: BTreeMap<String, Vec<(i64, PlannedStop)>> = BTreeMap::new();
        let mut seen = HashSet::new();
        for visit in today.iter().filter(|v| v.found != TrapFound::NotReached) {
            if !seen.insert(visit.trap.as_str()) {
                continue;
            }
            let planned = self.planned(&visit.trap);
            let crew = visit
                .crew
                .clone()
                .or_else(|| planned.map(|(r, _)| r.crew.clone()));
            let base = planned.map(|(_, s)| s.clone()).or_else(|| {
                let (place, position) = places.get(&visit.trap)?.clone();
                Some(PlannedStop {
                    trap: visit.trap.clone(),
                    place,
                    position,
                    arrive: Time::midnight(),
                    leave: Time::midnight(),
                    drive_minutes: 0.0,
                    what: Vec::new(),
                })
            });
            let (Some(crew), Some(mut stop)) = (crew, base) else {
                continue;
            };
            stop.arrive = local(visit.arrive.as_ref()).unwrap_or(stop.arrive);
            stop.leave = local(visit.leave.as_ref()).unwrap_or(stop.leave.max(stop.arrive));
            done.entry(crew).or_default().push((seconds(stop.arrive), stop));
        }
        for (crew, mut stops) in done {
            stops.sort_by(|a, b| (a.0, &a.1.trap).cmp(&(b.0, &b.1.trap)));
            let now = time_of(self.at_s);
            let mut earlier = Time::midnight();
            let in_order = stops.into_iter().map(|(_, mut stop)| {
                // What was told may overlap; on paper one stop comes after the other, and all of it before now.
                stop.arrive = stop.arrive.max(earlier).min(now);
                stop.leave = stop.leave.max(stop.arrive).min(now);
                earlier = stop.leave;
                stop
            });
            let in_order = in_order.collect();
            self.done.insert(crew, in_order);
        }
        Ok(())
    }

    /// The crew-days that are left: this day's begin now, where the crew is.
    pub(crate) fn left_of(&self, crew_days: Vec<CrewDay>) -> Vec<CrewDay> {
        crew_days
            .into_iter()
            .filter_map(|mut day| {
                if day.date != self.date {
                    return Some(day);
                }
                day.opens_s = day.opens_s.max(self.at_s);
                if let Some(last) = self.done.get(&day.crew).and_then(|stops| stops.last()) {
                    day.from = last.position;
                }
                let rested = self.rounds.iter().any(|r| {
                    r.crew == day.crew
                        && r.date == self.date
                        && r.break_at.is_some_and(|t| seconds(t) < self.at_s)
                });
                day.rest = day.rest.filter(|_| !rested).and_then(|mut rest| {
                    rest.from_s = rest.from_s.max(day.opens_s);
                    // A break whose time is over was taken, or is taken when the crew comes in.
                    let ends = day.closes_s - i64::from(rest.minutes) * 60;
                    (rest.from_s <= rest.to_s.min(ends)).then_some(rest)
                });
                (day.opens_s < day.closes_s).then_some(day)
            })
            .collect()
    }

    /// Takes out what is done, and this day from what was tried in vain.
    pub(crate) fn without_done(&self, visits: &mut Vec<DueVisit>) {
        visits.retain(|v| !self.reached.contains(&v.trap));
        for visit in visits {
            if self.tried.contains(&visit.trap) {
                visit.days.retain(|d| d.date != self.date);
                visit
                    .shut
                    .push((self.date, "it was tried that day and not reached".into()));
            }
        }
    }

    /// The crew and day that had a trap.
    pub(crate) fn usual(&self, trap: &str) -> Option<(&str, Date)> {
        self.planned(trap).map(|(r, _)| (r.crew.as_str(), r.date))
    }

    /// The round of a crew on the day.
    pub(crate) fn round_of(&self, crew: &str) -> Option<&PlannedRound> {
        self.rounds.iter().find(|r| r.crew == crew && r.date == self.date)
    }
}

/// The time of day at so many seconds; the last second of the day for what lies beyond it.
pub(crate) fn time_of(seconds: i64) -> Time {
    let s = seconds.clamp(0, 86_399);
    let part = |v: i64| i8::try_from(v).unwrap_or(0);
    Time::new(part(s / 3600), part(s / 60 % 60), part(s % 60), 0).unwrap_or(Time::midnight())
}
