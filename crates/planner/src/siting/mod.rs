//! Siting: which places should carry a trap?
//!
//! Every cell `c` of the ground has a weight `w_c` (how likely and how bad an arrival there would be). A trap at place `i` meets a
//! flyer from cell `c` with hazard `a_ic = -ln(1 - p_ic)`. The plan is the set of places that maximises
//! `sum_c w_c g(sum_i a_ic x_i)`, with `g` concave ([`Objective`]), under a number of traps or a budget ([`Limit`]), a least
//! spacing between traps, places that must be kept and places that may not be used.
//!
//! [`solve`] returns a [`Plan`] with its objective *and a proved upper bound* on what any plan could reach.
//!
//! ```
//! use earlywood_planner::siting::{Limit, Objective, Options, Position, Problem, WeightedCell, solve};
//! let cells: Vec<WeightedCell> =
//!     (0..10).map(|k| WeightedCell { x_m: 100.0 * f64::from(k), y_m: 0.0, weight: 0.1 }).collect();
//! let places: Vec<Position> = (0..10).map(|k| Position { x_m: 100.0 * f64::from(k), y_m: 50.0 }).collect();
//! let problem = Problem::from_points(&cells, &places, 500.0, |d| (-d / 100.0).exp(), Objective::OneFlyer, Limit::Count(3))?
//!     .spaced(200.0)?;
//! let plan = solve(&problem, &Options::default())?;
//! assert_eq!(plan.chosen.len(), 3);
//! assert!(plan.bound >= plan.objective);
//! # Ok::<(), earlywood_planner::siting::PlannerError>(())
//! ```

mod anneal;
mod band;
mod core;
mod dual;
mod error;
mod exact;
mod greedy;
mod kernel;
mod primal;
mod problem;
mod refine;
mod relax;
mod solve;
mod swap;
#[cfg(test)]
mod tests;

pub use error::PlannerError;
pub use problem::{Limit, Objective, Position, Problem, WeightedCell};
pub use solve::{Options, Plan, solve};
