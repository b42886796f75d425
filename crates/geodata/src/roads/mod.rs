//! Roads: read from an OpenStreetMap extract, joined to a net, and asked how long a drive takes.
//!
//! * [`osm`] reads the drivable ways of a `.osm.pbf` extract.
//! * [`net`] joins roads at their shared nodes, snaps positions to them and answers queries with a contraction hierarchy.
//! * `sweep` answers for many positions at once where that is quicker.
//! * [`travel`] is one face for drives along roads and, without roads, for straight lines times a detour factor.

pub mod net;
pub mod osm;
mod sweep;
pub mod travel;

#[cfg(test)]
mod tests;

pub use net::{Closure, Drive, NetCounts, RoadNet, RoadOptions, Snap, Speeds};
pub use osm::{OsmOptions, OsmRoads, RoadsError, read_osm_pbf, read_osm_pbf_file};
pub use travel::{Travel, TravelTable};
