//! Rounds: what is due on which days, who drives there, and the paper that comes back.
//!
//! * [`rounds()`]: what is due on one day, zone by zone, with nothing planned.
//! * [`due`]: the visits that are due over several days, each with its days and hours, its length and its worth.
//! * [`propose`]: shares them among crews and days; [`adopt`] writes that down; [`adopted`] shows what holds.
//! * [`sheet`]: the paper of one round, and the answers that are typed in from it.
//! * [`files`]: the adopted rounds for calendars, satellite receivers and spreadsheets.

mod adopt;
mod before;
pub mod code;
mod crew_days;
pub mod due;
mod ends;
pub mod files;
pub(crate) mod heat;
mod lines;
mod propose;
pub mod sheet;
mod stays;
mod travel;
mod view;
mod zones;

pub use adopt::adopt;
pub use crew_days::Without;
pub use lines::put_lines;
pub use propose::{Ask, Proposal, USUAL_ITERATIONS, propose};
pub use stays::Stay;
pub use travel::{USUAL_DETOUR, USUAL_SPEED_KMH};
pub use view::{
    AdoptedView, CrewMinutes, LeftOutView, PlannedRoundView, PlannedStopView, RoundsView, adopted, named_zone,
};
pub use zones::{Crew, Rounds, Stop, ZoneRound, crews, rounds};
pub(crate) use zones::{costs, nearest_next};
