//! Rounds: stand-in until the solver's branch is merged.
#![allow(missing_docs)]
mod error;
mod plan;
mod problem;
mod stand_in;
pub use error::RoundsError;
pub use plan::{Budget, Cost, Plan, Round, Solver, Stop, Why};
pub use problem::{Pause, Problem, Shift, Travel, Usual, Visit, Weights};
pub use stand_in::{Insertion, check};
