//! Open formats in, each value checked once at the edge; geodesy, cells and candidate places.
//!
//! * [`read`] turns a file into records of the model, or into messages that say what to do about it.
//! * [`geodesy`] measures on the WGS 84 ellipsoid and gives a county its own metric frame.
//! * [`area`] measures polygons and finds which of them a point is in.
//! * [`boundary`] draws a regulated area round finds and tells its boundary in words.
//! * [`cells`] lays H3 cells over the ground, with host weight and introduction risk.
//! * [`places`] finds spots between trees where a trap may hang, and checks a person's own list of them.
//! * [`roads`] reads roads and says how long a drive takes.

pub mod area;
pub mod boundary;
pub mod cells;
pub mod geodesy;
pub mod places;
mod problem;
pub mod read;
pub mod roads;

pub use area::AreaIndex;
pub use cells::{Cell, CellOptions, Cells};
pub use geodesy::{Frame, Xy, geodesic_m};
pub use places::{Fault, Ground, PlaceFault, PlaceOptions, PlaceRules, Places, Standing};
pub use problem::{GeoError, Loaded, Problem, Unit};
pub use read::{Context, Loadable, read_bytes, read_file};
pub use roads::{RoadNet, RoadOptions, Travel, TravelTable};
