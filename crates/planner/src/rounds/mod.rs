//! Rounds: which crew goes where on which day, in which order?

mod chance;
mod check;
mod error;
mod model;
mod ours;
mod plan;
mod problem;
mod schedule;
mod search;

pub use check::{Fault, check};
pub use error::RoundsError;
pub use ours::StringRemovals;
pub use plan::{Budget, Cost, Plan, Round, Solver, Stop, Why};
pub use problem::{Pause, Problem, Shift, Travel, Usual, Visit, Weights};
pub use schedule::schedule;
