//! What each trap's effort was worth, and what each day's was: for questions about catches and about silence.

use jiff::civil::Date;

use super::check_records;
use super::draw::{Climate, DayWeight, Setting};
use super::schedule::{Calendar, Clocks, Record, WhatIf, walk};
use super::types::Input;
use crate::assurance::advice::lure_days;
use crate::error::ModelError;
use crate::weather::plus_days;

/// Effort of one placement from the season's first day to the as-of day, at central parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrapEffort {
    /// Share of a flight life for which a fresh lure in a working trap would have stood: what multiplies the capture
    /// probability's hazard. Above 1 where several years' flights lie in the span.
    pub flight_lives: f64,
    /// Effective trap-days, on days with any flight.
    pub trap_days: f64,
    /// Effective trap-days that wait for a look.
    pub waiting_trap_days: f64,
}

/// Effort of one day over all placements.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayOfEffort {
    /// The day.
    pub date: Date,
    /// Effective trap-days of traps that somebody has looked at since, 0 or more.
    pub effective: f64,
    /// Traps that hung.
    pub hung: u32,
    /// Whether there was any flight, so that a trap could have caught something.
    pub flight: bool,
}

/// Effort of each placement, in the order of the input, and of each day from the season's first to the as-of day.
///
/// # Errors
/// As [`super::assess`].
pub fn efforts(input: &Input<'_>) -> Result<(Vec<TrapEffort>, Vec<DayOfEffort>), ModelError> {
    input.settings.check()?;
    check_records(input)?;
    let calendar = Calendar::new(input)?;
    let clocks = Clocks::new(&input.profile.clocks, input.settings.catch_spoils)?;
    let records: Vec<Record> = input
        .placements
        .iter()
        .map(|placement| walk(&calendar, &clocks, placement, WhatIf::default()))
        .collect();
    let setting = Setting {
        calendar,
        lure_days: lure_days(&records),
        priors: Vec::new(),
    };
    let params = input.profile.central()?;
    let flown = Climate::new(input, &setting, &params, DayWeight::Flight)?;
    let days = Climate::new(input, &setting, &params, DayWeight::AnyFlight)?;
    let by_trap = records
        .iter()
        .map(|record| TrapEffort {
            flight_lives: flown.total(&record.credited),
            trap_days: days.total(&record.credited),
            waiting_trap_days: days.total(&record.waiting),
        })
        .collect();
    let calendar = &setting.calendar;
    let length = usize::try_from((calendar.today + 1).min(calendar.end)).unwrap_or(0);
    let mut effective = vec![0.0; length];
    for record in &records {
        days.add_days(&record.credited, &mut effective);
    }
    let mut hung = vec![0_u32; length];
    for placement in input.placements {
        let from = calendar.day(placement.hung).clamp(0, length as i32) as usize;
        let to = placement
            .taken_down
            .map_or(length as i32, |down| calendar.day(down));
        for day in &mut hung[from..(to.clamp(from as i32, length as i32) as usize)] {
            *day += 1;
        }
    }
    let by_day = (0..length)
        .map(|day| DayOfEffort {
            date: plus_days(calendar.start, day as i64),
            effective: effective[day],
            hung: hung[day],
            flight: days.any_on(day),
        })
        .collect();
    Ok((by_trap, by_day))
}
