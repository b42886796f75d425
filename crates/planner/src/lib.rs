//! Where traps go: optimisers over the model, with proved bounds.
//!
//! [`siting`] chooses the places where traps hang and says how far from the best possible plan its answer can be.

pub mod rounds;
pub mod siting;
