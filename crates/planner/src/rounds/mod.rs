//! Rounds: which crew goes where on which day, in which order?
//!
//! A [`Problem`] holds travel times, [`Shift`]s (one crew, one day) and [`Visit`]s (windows, length, skills, and what leaving it out
//! costs). A [`Solver`] answers with a [`Plan`]; [`check`] looks at any plan with arithmetic of its own; [`schedule`] times orders made
//! elsewhere. All times are seconds from the start of the horizon.
//!
//! The objective: driving, crews sent out, visits left out, days waited, changes of the usual shift, unequal days. Each part is in
//! [`Cost`], its weight in [`Weights`].
//!
//! [`StringRemovals`] is our own solver. With a budget of iterations it gives the same plan for the same seed on every machine.
//!
//! ```
//! use earlywood_planner::rounds::{Budget, Problem, Shift, Solver, StringRemovals, Travel, Visit, Weights, check};
//! let hour = 3600;
//! let shift = Shift {
//!     crew: 0, day: 0, from_at: 0, to_at: 0, opens_s: 8 * hour, closes_s: 16 * hour, pause: None, skills: 0, capacity: None,
//! };
//! let problem = Problem {
//!     travel: Travel::new(2, vec![0, 600, 600, 0])?,
//!     shifts: vec![shift],
//!     visits: vec![Visit::plain(1, 900, (9 * hour, 11 * hour), 50_000.0)],
//!     weights: Weights::default(),
//! };
//! let plan = StringRemovals.solve(&problem, &Budget::iterations(100), 1)?;
//! check(&problem, &plan).expect("a plan of ours passes");
//! assert_eq!(plan.rounds[0].stops[0].start_s, 9 * hour);
//! # Ok::<(), earlywood_planner::rounds::RoundsError>(())
//! ```

mod areas;
mod chance;
mod check;
mod error;
mod model;
mod ours;
mod plan;
mod problem;
mod route;
mod schedule;
mod search;

pub use check::{Fault, check};
pub use error::RoundsError;
pub use ours::StringRemovals;
pub use plan::{Budget, Cost, Plan, Round, Solver, Stop, Why};
pub use problem::{Pause, Problem, Shift, Travel, Usual, Visit, Weights};
pub use schedule::schedule;
