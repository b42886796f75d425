//! Delimiting: which traps and which looks at trees show best where an infestation ends?
//!
//! # What is asked
//! The true infestation is unknown; it is given as scenarios with weights: which cells of the ground are infested, and how many
//! insects will fly from each ([`Scenario`], made by [`spread`](mod@spread) from where it began, how it breeds and how far it
//! flies). Round the finds that are known, an area will be drawn: everything within [`Known::enclose_m`] of a find, known or new,
//! and what lies between finds. The survey has done its work if nothing infested lies outside that area.
//!
//! So the *edge* of a scenario is taken piece by piece ([`edge`]). In each sector of the compass, seen from the known finds, the
//! outermost infested cell must come to lie inside; it does if something is found within `enclose_m` of it. A piece holds the
//! infested cells that would do. A sector of which all lies within `enclose_m` of a known find needs nothing: there is no piece.
//!
//! # What is made large
//! A trap at `i` catches one insect from cell `c` with chance `p_ic = 1 - exp(-a_ic)`; traps compete, one insect is caught once.
//! One look `k` at the trees of cell `c` finds each infested tree there with chance `1 - exp(-h_k)`. With `N_jc` insects (Poisson)
//! and `m_jc` infested trees in cell `c` of scenario `j`, a piece `e` is found with chance
//!
//! ```text
//! y_je = 1 - exp(-U_je),   U_je = sum over c in e of  N_jc (1 - exp(-sum_i a_ic x_i)) + m_jc sum_k h_k x_k
//! ```
//!
//! and the plan maximises [`Chance::share`] `= sum_j w_j mean_e y_je`: the share of the edge that is expected to be found. A scenario
//! without pieces counts 1. `U` is a concave function of the plan and `1 - exp(-U)` a concave, rising one of `U`, so the share is
//! monotone and submodular: lazy greedy is sound, and its concave extension gives a proved upper bound. The chance that *all*
//! pieces are found, [`Chance::whole`] `= sum_j w_j prod_e y_je`, is neither; but it never lies above the share, so the bound holds for
//! it too, and `1 - sum_j w_j E_j (1 - mean_e y_je)`, with `E_j` pieces, lies below it: what is missing from the share is
//! what can go wrong. With one sector the two are the same number. [`Options::whole`] ends with exchanges that raise the whole.
//!
//! Known alternatives make large the area with detections, or small the infested trees that are missed (Yemshanov et al. 2019,
//! Forestry cpz028 and PLoS ONE e0220687). Both put the effort near the find, where most of the infestation is; a
//! boundary is decided by the few that went farthest. That is why the pieces, not the insects, carry the weight here.
//!
//! [`trial`](mod@trial) plays scenarios insect by insect and asks the plain question, whether anything lies outside the area that
//! would be drawn. Play it on scenarios that the plan was not made from.

mod bound;
mod edge;
mod engine;
mod error;
mod problem;
mod solve;
pub mod spread;
#[cfg(test)]
mod tests;
pub mod trial;

pub use edge::{Known, edge};
pub use error::DelimitError;
pub use problem::{Ground, Infested, Limits, Look, Problem, Scenario, Trap, Use};
pub use solve::{Chance, Chosen, Options, Plan, solve};

pub use crate::siting::Position;
