//! Our own solver.

use std::time::Instant;

use super::areas::{NEIGHBOURS, improve};
use super::error::RoundsError;
use super::model::Model;
use super::plan::{Budget, Plan, Solver};
use super::problem::Problem;
use super::schedule::plan_of;
use super::search::State;

/// Ruin and recreate with simulated annealing. Feasible at once, better with every iteration; the same problem, seed and number of
/// iterations give the same plan on every machine.
#[derive(Debug, Clone, Copy, Default)]
pub struct StringRemovals;

impl Solver for StringRemovals {
    fn solve(&self, problem: &Problem, budget: &Budget, seed: u64) -> Result<Plan, RoundsError> {
        let began = Instant::now();
        problem.validate()?;
        budget.validate()?;
        let m = Model::new(problem, NEIGHBOURS);
        let mut state = State::new(&m, seed);
        state.construct();
        let iterations = improve(&m, &mut state, budget, seed, began);
        state.fill();
        Ok(plan_of(problem, &m, &mut state, iterations))
    }
}
