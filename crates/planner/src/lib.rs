//! Where traps go and who visits them when.
//!
//! [`siting`] chooses the places where traps hang and says how far from the best possible plan its answer can be. [`rounds`] gives the visits
//! that are due to crews and days, in an order that can be driven.

pub mod delimit;
mod lazy;
pub mod rounds;
pub mod siting;
