//! The question: who may drive when, what is due where, and what each thing costs.

use super::error::RoundsError;

/// Seconds that no time may lie beyond: 100 years, from the start of the horizon either way.
const FAR_S: i64 = 100 * 366 * 86_400;

/// Travel times between locations, row = from.
#[derive(Debug, Clone, PartialEq)]
pub struct Travel {
    locations: usize,
    seconds: Vec<u32>,
}

impl Travel {
    /// The number that stands for "no way from here to there".
    pub const UNREACHABLE: u32 = u32::MAX;

    /// A table of `locations` x `locations` travel times in seconds, row = from, [`Travel::UNREACHABLE`] where there is no way.
    /// Times may differ by direction. The diagonal is taken as 0 whatever it says.
    ///
    /// # Errors
    /// [`RoundsError::Ragged`] if there are not that many numbers.
    pub fn new(locations: usize, seconds: Vec<u32>) -> Result<Travel, RoundsError> {
        if locations.checked_mul(locations) != Some(seconds.len()) {
            return Err(RoundsError::Ragged {
                locations,
                found: seconds.len(),
            });
        }
        let mut travel = Travel { locations, seconds };
        for at in 0..locations {
            travel.seconds[at * locations + at] = 0;
        }
        Ok(travel)
    }

    /// How many locations the table has.
    #[must_use]
    pub fn locations(&self) -> usize {
        self.locations
    }

    /// Seconds from one location to another; none if there is no way, or no such location.
    #[must_use]
    pub fn seconds(&self, from: usize, to: usize) -> Option<u32> {
        if from >= self.locations || to >= self.locations {
            return None;
        }
        let s = self.seconds[from * self.locations + to];
        (s != Travel::UNREACHABLE).then_some(s)
    }

    /// The raw number, [`Travel::UNREACHABLE`] where there is no way. Both must be below [`Travel::locations`].
    pub(super) fn raw(&self, from: usize, to: usize) -> u32 {
        self.seconds[from * self.locations + to]
    }
}

/// A break that a crew is owed: one piece, wholly between two times.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pause {
    /// how long, seconds (above 0)
    pub length_s: u32,
    /// it begins no earlier, seconds from the start of the horizon
    pub earliest_s: i64,
    /// it is over by then, seconds from the start of the horizon
    pub latest_s: i64,
}

/// One crew's working day.
///
/// The crew leaves `from_at` no earlier than `opens_s` and is at `to_at` by `closes_s`. The pause is taken at a stop (before or after
/// the work there) or on the way, never during the work. A round that is over by the last moment at which the pause could begin
/// (`latest_s - length_s`) owes none: the crew rests after it.
///
/// To plan again in mid-day, give the time and the place at which the crew is free as `opens_s` and `from_at`, drop the pause if it was
/// taken, and leave out the visits that are done.
#[derive(Debug, Clone, PartialEq)]
pub struct Shift {
    /// whose day it is (only told apart, for reports)
    pub crew: usize,
    /// which day of the horizon, from 0: [`Visit::day_cost`] is looked up by it
    pub day: usize,
    /// location at which it begins
    pub from_at: usize,
    /// location at which it ends
    pub to_at: usize,
    /// begin, seconds from the start of the horizon
    pub opens_s: i64,
    /// end, seconds from the start of the horizon
    pub closes_s: i64,
    /// the break owed
    pub pause: Option<Pause>,
    /// what the crew can do, one bit each
    pub skills: u32,
    /// how much the truck holds (in the unit of [`Visit::load`]); none = no limit
    pub capacity: Option<u32>,
}

/// What a visit has been told before, and what it costs to change that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Usual {
    /// index of the shift it is usually (or was last) given to
    pub shift: usize,
    /// cost of giving it to another one, seconds of the objective, 0 or more
    pub cost: f64,
}

/// One thing to do at one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Visit {
    /// its location
    pub at: usize,
    /// how long the work takes, seconds
    pub service_s: u32,
    /// the work begins within one of these (first and last second, both allowed), seconds from the start of the horizon; any order
    pub windows: Vec<(i64, i64)>,
    /// the work must also be *over* by the end of that window (a gate that closes)
    pub ends_in_window: bool,
    /// what the crew must be able to do: all these bits of [`Shift::skills`]
    pub needs: u32,
    /// cost of leaving it out, seconds of the objective, 0 or more
    pub worth: f64,
    /// cost of doing it on day 0, 1, 2 ..: what waiting costs; empty = nothing; else one for every day of the shifts, 0 or more
    pub day_cost: Vec<f64>,
    /// the shift it is usually given to
    pub usual: Option<Usual>,
    /// only these shifts may do it; empty = any
    pub only_shifts: Vec<usize>,
    /// room it takes in the truck
    pub load: u32,
}

impl Visit {
    /// A visit with one window, nothing needed, and nothing it costs but its worth.
    #[must_use]
    pub fn plain(at: usize, service_s: u32, window: (i64, i64), worth: f64) -> Visit {
        Visit {
            at,
            service_s,
            windows: vec![window],
            ends_in_window: false,
            needs: 0,
            worth,
            day_cost: Vec::new(),
            usual: None,
            only_shifts: Vec::new(),
            load: 0,
        }
    }
}

/// What the parts of the objective weigh. All design choices, to be set by the programme.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// cost of a second of driving (1 makes the objective's unit a second of driving)
    pub drive: f64,
    /// cost of sending a crew out at all, seconds of the objective
    pub round: f64,
    /// cost of unequal days: a shift with `b` busy seconds (driving and work) of `l` costs `fairness * b^2 / (2 l)`, so that the last busy
    /// second of a full day costs `fairness`, that of an empty one nothing
    pub fairness: f64,
}

impl Default for Weights {
    fn default() -> Weights {
        Weights {
            drive: 1.0,
            round: 0.0,
            fairness: 0.2,
        }
    }
}

/// Everything a solver is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    /// travel times between locations
    pub travel: Travel,
    /// who may drive when
    pub shifts: Vec<Shift>,
    /// what is due
    pub visits: Vec<Visit>,
    /// what the parts of the objective weigh
    pub weights: Weights,
}

impl Problem {
    /// Is the question sound? Every solver asks this first.
    ///
    /// # Errors
    /// The first fault found, with the index of the shift or visit.
    pub fn validate(&self) -> Result<(), RoundsError> {
        if self.shifts.is_empty() {
            return Err(RoundsError::NoShifts);
        }
        if self.visits.is_empty() {
            return Err(RoundsError::NoVisits);
        }
        let w = &self.weights;
        number(|| "the weight of driving".into(), w.drive)?;
        number(|| "the cost of a round".into(), w.round)?;
        number(|| "the weight of fairness".into(), w.fairness)?;
        for (s, shift) in self.shifts.iter().enumerate() {
            self.validate_shift(s, shift)?;
        }
        let last_day = self.shifts.iter().map(|s| s.day).max().unwrap_or(0);
        for (v, visit) in self.visits.iter().enumerate() {
            self.validate_visit(v, visit, last_day)?;
        }
        Ok(())
    }

    fn validate_shift(&self, s: usize, shift: &Shift) -> Result<(), RoundsError> {
        for at in [shift.from_at, shift.to_at] {
            self.known(|| format!("shift {s}"), at)?;
        }
        let (opens_s, closes_s) = (shift.opens_s, shift.closes_s);
        time(|| format!("the begin of shift {s}"), opens_s)?;
        time(|| format!("the end of shift {s}"), closes_s)?;
        if closes_s <= opens_s {
            return Err(RoundsError::ShiftEndsFirst {
                shift: s,
                opens_s,
                closes_s,
            });
        }
        if let Some(p) = shift.pause {
            time(|| format!("the earliest pause of shift {s}"), p.earliest_s)?;
            time(|| format!("the latest pause of shift {s}"), p.latest_s)?;
            let (from, to) = (p.earliest_s.max(opens_s), p.latest_s.min(closes_s));
            if p.length_s == 0 || to - from < i64::from(p.length_s) {
                return Err(RoundsError::PauseDoesNotFit {
                    shift: s,
                    length_s: p.length_s,
                    earliest_s: p.earliest_s,
                    latest_s: p.latest_s,
                });
            }
        }
        Ok(())
    }

    fn validate_visit(&self, v: usize, visit: &Visit, last_day: usize) -> Result<(), RoundsError> {
        self.known(|| format!("visit {v}"), visit.at)?;
        if visit.windows.is_empty() {
            return Err(RoundsError::NoWindow { visit: v });
        }
        for (k, &(from_s, to_s)) in visit.windows.iter().enumerate() {
            time(|| format!("the begin of window {k} of visit {v}"), from_s)?;
            time(|| format!("the end of window {k} of visit {v}"), to_s)?;
            if to_s < from_s {
                return Err(RoundsError::WindowEndsFirst {
                    visit: v,
                    window: k,
                    from_s,
                    to_s,
                });
            }
        }
        number(|| format!("the worth of visit {v}"), visit.worth)?;
        if !visit.day_cost.is_empty() && visit.day_cost.len() <= last_day {
            return Err(RoundsError::DayCosts {
                visit: v,
                found: visit.day_cost.len(),
                last_day,
            });
        }
        for (day, &cost) in visit.day_cost.iter().enumerate() {
            number(|| format!("the cost of day {day} of visit {v}"), cost)?;
        }
        if let Some(usual) = visit.usual {
            number(
                || format!("the cost of changing the shift of visit {v}"),
                usual.cost,
            )?;
        }
        let named = visit
            .only_shifts
            .iter()
            .copied()
            .chain(visit.usual.map(|u| u.shift));
        let shifts = self.shifts.len();
        for shift in named {
            if shift >= shifts {
                return Err(RoundsError::UnknownShift {
                    visit: v,
                    shift,
                    shifts,
                });
            }
        }
        Ok(())
    }

    fn known(&self, who: impl Fn() -> String, at: usize) -> Result<(), RoundsError> {
        let locations = self.travel.locations();
        if at < locations {
            Ok(())
        } else {
            Err(RoundsError::UnknownLocation {
                who: who(),
                at,
                locations,
            })
        }
    }
}

fn number(what: impl Fn() -> String, value: f64) -> Result<(), RoundsError> {
    if value.is_finite() && value >= 0.0 {
        Ok(())
    } else {
        Err(RoundsError::BadNumber { what: what(), value })
    }
}

fn time(what: impl Fn() -> String, value: i64) -> Result<(), RoundsError> {
    if value.abs() <= FAR_S {
        Ok(())
    } else {
        Err(RoundsError::BadTime { what: what(), value })
    }
}
