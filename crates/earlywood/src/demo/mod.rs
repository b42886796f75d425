//! The demo: an invented district, an invented year, and a hidden incursion for the programme to find or miss.
//!
//! Everything here is made up from a seed, and says so. The files written are ordinary input files: the demo's
//! programme is loaded, planned and reported through the same code as anybody's.
//!
//! * [`district`] draws the ground: zones, streets, roads, trees, pathways, land, weather, and writes the files.
//! * [`days`] says when crews work and how their places are got to.
//! * [`season`] plays the crews' year: visits made, late, missed, traps blown down.
//! * [`working_day`] is the same district on a morning in its season, as its people would find it at work.
//! * [`paper`] prints what the crews and the lead would have in their hands.
//! * [`response`] answers the first confirmed find as the protocol says.
//! * [`incursion`] lets single insects fly past the traps that really hung that day.

mod clock;
pub(crate) mod custody;
pub(crate) mod days;
pub(crate) mod district;
pub(crate) mod files;
pub(crate) mod incursion;
mod layout;
pub(crate) mod paper;
pub(crate) mod plane;
pub(crate) mod response;
mod roads;
pub(crate) mod season;
mod weather;
pub(crate) mod working_day;
