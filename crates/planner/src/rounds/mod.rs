//! Rounds: which crew goes where on which day, in which order?

mod check;
mod error;
mod plan;
mod problem;
#[allow(missing_docs)]
mod stand_in;

pub use check::Fault;
pub use error::RoundsError;
pub use plan::{Budget, Cost, Plan, Round, Solver, Stop, Why};
pub use problem::{Pause, Problem, Shift, Travel, Usual, Visit, Weights};
pub use stand_in::{Insertion, check};
