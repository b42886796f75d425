//! What can be wrong with a question about rounds.

use thiserror::Error;

/// Why a rounds problem can't be worked on. Indices count from 0, in the order the caller gave.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RoundsError {
    /// No shift was given: nobody can drive.
    #[error("there is no shift: give at least one crew a working day")]
    NoShifts,
    /// No visit was given: nothing is due.
    #[error("there is no visit: nothing is due")]
    NoVisits,
    /// The travel table isn't square.
    #[error("the travel table has {found} numbers, but {locations} locations need {locations} x {locations}")]
    Ragged {
        /// number of locations
        locations: usize,
        /// how many numbers were given
        found: usize,
    },
    /// A shift or a visit names a location that isn't in the travel table.
    #[error("{who} names location {at}, but the travel table has only {locations}")]
    UnknownLocation {
        /// "shift 3" or "visit 17"
        who: String,
        /// the location named
        at: usize,
        /// how many there are
        locations: usize,
    },
    /// A visit names a shift that doesn't exist.
    #[error("visit {visit} names shift {shift}, but there are only {shifts}")]
    UnknownShift {
        /// index of the visit
        visit: usize,
        /// the shift named
        shift: usize,
        /// how many there are
        shifts: usize,
    },
    /// A shift ends before (or when) it begins.
    #[error("shift {shift} ends at {closes_s} s, not after it begins at {opens_s} s")]
    ShiftEndsFirst {
        /// index of the shift
        shift: usize,
        /// begin, seconds
        opens_s: i64,
        /// end, seconds
        closes_s: i64,
    },
    /// A pause doesn't fit in its window within the shift.
    #[error(
        "the pause of shift {shift} ({length_s} s) does not fit between {earliest_s} s and {latest_s} s of the shift"
    )]
    PauseDoesNotFit {
        /// index of the shift
        shift: usize,
        /// length, seconds
        length_s: u32,
        /// begin of the window, seconds
        earliest_s: i64,
        /// end of the window, seconds
        latest_s: i64,
    },
    /// A visit has no window at all.
    #[error("visit {visit} has no window: say when it may start")]
    NoWindow {
        /// index of the visit
        visit: usize,
    },
    /// A visit's window ends before it begins.
    #[error("window {window} of visit {visit} ends at {to_s} s, before it begins at {from_s} s")]
    WindowEndsFirst {
        /// index of the visit
        visit: usize,
        /// index of the window
        window: usize,
        /// begin, seconds
        from_s: i64,
        /// end, seconds
        to_s: i64,
    },
    /// A number that must be finite and 0 or more isn't.
    #[error("{what} is {value}; it must be a finite number of 0 or more")]
    BadNumber {
        /// what the number is, "worth of visit 3"
        what: String,
        /// the number given
        value: f64,
    },
    /// A time is further away than any horizon (more than 100 years of seconds).
    #[error("{what} is {value} s from the start of the horizon: beyond any plan")]
    BadTime {
        /// what the time is, "end of shift 3"
        what: String,
        /// the time given, seconds
        value: i64,
    },
    /// A visit's costs by day don't reach to the last day.
    #[error(
        "visit {visit} has costs for {found} days, but the shifts reach to day {last_day} (give none, or one for every day)"
    )]
    DayCosts {
        /// index of the visit
        visit: usize,
        /// how many were given
        found: usize,
        /// greatest day of a shift
        last_day: usize,
    },
    /// Neither a number of iterations nor a time was given.
    #[error("no budget: give a number of iterations, a time in seconds (above 0) or both")]
    NoBudget,
    /// Orders handed in to be timed can't be driven.
    #[error("the order given for shift {shift} can't be driven: {why}")]
    BadOrder {
        /// index of the shift
        shift: usize,
        /// what is wrong, in words
        why: String,
    },
    /// A solver other than our own failed.
    #[error("the solver failed: {0}")]
    Solver(String),
}
