//! Rounds: which crew goes where on which day, in which order?

mod check;
mod error;
mod plan;
mod problem;

pub use check::{Fault, check};
pub use error::RoundsError;
pub use plan::{Budget, Cost, Plan, Round, Solver, Stop, Why};
pub use problem::{Pause, Problem, Shift, Travel, Usual, Visit, Weights};
