//! What would this network of traps have seen, had the pest been there?
//!
//! This crate is the model and nothing else: no files, no clock, no network, no threads of its own beyond rayon.
//! Data comes in as checked records ([`record`]) and a target profile ([`profile`]); figures go out.

pub mod assurance;
pub mod capture;
pub mod clock;
pub mod degree_days;
pub mod detection;
pub mod dispersal;
pub mod error;
pub mod freedom;
pub mod inspection;
pub mod ledger;
pub mod lure;
pub mod origin;
pub mod param;
pub mod phenology;
pub mod profile;
pub mod proportion;
pub mod protocol;
pub mod record;
pub mod regulated;
pub mod release;
pub mod reliability;
pub mod rings;
pub mod sample_size;
pub mod scenario_tree;
pub mod trial;
pub mod trigger;
pub mod weather;

pub use error::ModelError;
