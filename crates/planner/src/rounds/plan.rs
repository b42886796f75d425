//! The answer: who goes where when, what stays undone and why, and what it costs.

use super::error::RoundsError;
use super::problem::Problem;

/// One stop of a round. All times are seconds from the start of the horizon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stop {
    /// index of the visit
    pub visit: usize,
    /// driving to it from the stop before (or from where the shift begins), seconds, without the pause
    pub drive_s: u32,
    /// the crew is there
    pub arrive_s: i64,
    /// the work begins (later than `arrive_s` if the crew waits, or rests there)
    pub start_s: i64,
    /// the work is over
    pub leave_s: i64,
}

/// What one shift does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Round {
    /// index of the shift
    pub shift: usize,
    /// the crew sets out, seconds from the start of the horizon
    pub starts_s: i64,
    /// the crew is at the end of its round, seconds from the start of the horizon
    pub ends_s: i64,
    /// the stops in order, at least one
    pub stops: Vec<Stop>,
    /// when the pause begins; none if the shift owes none, or the round is over before it must begin
    pub pause_at_s: Option<i64>,
    /// all driving, the way to the end included, seconds
    pub drive_s: i64,
    /// all work, seconds
    pub service_s: i64,
    /// standing about (neither driving, work nor pause), seconds
    pub wait_s: i64,
}

impl Round {
    /// Driving and work together: what fairness is about, seconds.
    #[must_use]
    pub fn busy_s(&self) -> i64 {
        self.drive_s + self.service_s
    }
}

/// Why a visit was left out. Found by checks on the problem and the final plan, not guessed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Why {
    /// No shift (that may do it) has all the skills it needs.
    NoSkills,
    /// It is bigger than what any of the trucks (with the skills) holds.
    TooBig,
    /// None of its windows meets any of the shifts that could otherwise do it.
    NoWindow,
    /// It can't be reached, worked at and left again within any shift, even alone.
    TooFar,
    /// It could be done alone, but fits into no round of the plan as it stands.
    NoRoom,
    /// It would fit into a round, but that costs more than leaving it out.
    NotWorthIt {
        /// what the cheapest place in the plan would cost, seconds of the objective, its day's cost included
        would_cost: f64,
    },
    /// It would fit and pay: whoever made the orders given to [`super::schedule`] left it out. Our solver never does.
    NotGiven {
        /// what the cheapest place in the plan would cost, seconds of the objective
        would_cost: f64,
    },
}

/// The objective and its parts, all in seconds of the objective.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cost {
    /// driving
    pub drive: f64,
    /// crews sent out
    pub rounds: f64,
    /// visits left out
    pub left_out: f64,
    /// days waited
    pub days: f64,
    /// visits moved away from their usual shift
    pub changes: f64,
    /// unequal days
    pub fairness: f64,
}

impl Cost {
    /// What a solver makes small.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.drive + self.rounds + self.left_out + self.days + self.changes + self.fairness
    }
}

/// A whole plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// the rounds, by index of the shift; shifts that stay at home have none
    pub rounds: Vec<Round>,
    /// visits left out, by index, with the reason
    pub left_out: Vec<(usize, Why)>,
    /// what it costs
    pub cost: Cost,
    /// how many iterations the solver did
    pub iterations: u64,
}

/// How long a solver may look for better.
///
/// With iterations alone, the answer depends on the problem, the seed and that number only, whatever the machine. A time limit ends
/// the search (and cools it) by the clock: such an answer is *not* reproducible, keep the plan itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Budget {
    /// at most so many iterations
    pub iterations: Option<u64>,
    /// at most so many seconds by the clock
    pub seconds: Option<f64>,
}

impl Budget {
    /// So many iterations: reproducible. 0 gives the first feasible plan.
    #[must_use]
    pub fn iterations(iterations: u64) -> Budget {
        Budget {
            iterations: Some(iterations),
            seconds: None,
        }
    }

    /// So many seconds by the clock: not reproducible.
    #[must_use]
    pub fn seconds(seconds: f64) -> Budget {
        Budget {
            iterations: None,
            seconds: Some(seconds),
        }
    }

    /// # Errors
    /// [`RoundsError::NoBudget`] if it has neither part, or a time that isn't above 0.
    pub(super) fn validate(&self) -> Result<(), RoundsError> {
        match (self.iterations, self.seconds) {
            (None, None) => Err(RoundsError::NoBudget),
            (_, Some(s)) if !(s.is_finite() && s > 0.0) => Err(RoundsError::NoBudget),
            _ => Ok(()),
        }
    }
}

/// Something that answers a [`Problem`]. Whatever does so, its plan passes [`super::check`].
pub trait Solver {
    /// The best plan found within the budget.
    ///
    /// # Errors
    /// What is wrong with the problem or the budget, or that the solver failed.
    fn solve(&self, problem: &Problem, budget: &Budget, seed: u64) -> Result<Plan, RoundsError>;
}
