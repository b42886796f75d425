//! How long drives take, along roads or as the crow flies.

use earlywood_model::record::Position;
use rayon::prelude::*;

use crate::geodesy::geodesic_m;
use crate::problem::{GeoError, at_least};
use crate::roads::net::{Drive, RoadNet};

/// Times between positions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TravelTable {
    /// How many positions drives begin at.
    pub rows: usize,
    /// How many they end at.
    pub columns: usize,
    /// Seconds at the wheel, row by row (row = from), rounded up; [`u32::MAX`]: no way. Walks are not in it.
    pub seconds: Vec<u32>,
    /// Walk from the road to each position drives end at, seconds one way; 0 for those off the roads.
    pub walk_s: Vec<u32>,
    /// Whether each position drives end at is too far from any road.
    pub off_road: Vec<bool>,
}

impl TravelTable {
    /// Seconds from one to the other; `None` where there is no way or no such position.
    pub fn seconds(&self, from: usize, to: usize) -> Option<u32> {
        if from >= self.rows || to >= self.columns {
            return None;
        }
        Some(self.seconds[from * self.columns + to]).filter(|&s| s != u32::MAX)
    }
}

/// How crews get about; callers need not know which it is.
#[derive(Debug)]
pub enum Travel {
    /// Along roads.
    Roads(Box<RoadNet>),
    /// Straight lines times a detour factor, at one speed.
    Straight {
        /// Length of the drive over that of the straight line, 1 or more.
        detour: f64,
        /// km/h.
        speed_kmh: f64,
    },
}

impl Travel {
    /// Drives without roads.
    ///
    /// # Errors
    /// A detour below 1, or a speed below 1 km/h.
    pub fn straight(detour: f64, speed_kmh: f64) -> Result<Travel, GeoError> {
        Ok(Travel::Straight {
            detour: at_least("the detour factor", detour, 1.0, "1 or more")?,
            speed_kmh: at_least("the speed of a drive", speed_kmh, 1.0, "1 km/h or more")?,
        })
    }

    /// The table of a geodesic times a detour factor at one speed; the same both ways.
    ///
    /// # Errors
    /// As [`Travel::straight`].
    pub fn geodesic(positions: &[Position], detour: f64, speed_kmh: f64) -> Result<TravelTable, GeoError> {
        Ok(Travel::straight(detour, speed_kmh)?.times(positions))
    }

    /// Times between all of these, row = from.
    pub fn times(&self, positions: &[Position]) -> TravelTable {
        self.times_between(positions, positions)
    }

    /// Times from some positions (rows) to others (columns).
    pub fn times_between(&self, from: &[Position], to: &[Position]) -> TravelTable {
        match self {
            Travel::Roads(net) => net.times_between(from, to),
            Travel::Straight { detour, speed_kmh } => TravelTable {
                rows: from.len(),
                columns: to.len(),
                seconds: from
                    .par_iter()
                    .flat_map_iter(|&a| to.iter().map(move |&b| straight_s(a, b, *detour, *speed_kmh)))
                    .collect(),
                walk_s: vec![0; to.len()],
                off_road: vec![false; to.len()],
            },
        }
    }

    /// The drive along roads with its line; `None` without roads or without a way.
    pub fn path(&self, from: Position, to: Position) -> Option<Drive> {
        match self {
            Travel::Roads(net) => net.path(from, to),
            Travel::Straight { .. } => None,
        }
    }

    /// What a person must be told about how times were had.
    pub fn note(&self) -> String {
        match self {
            Travel::Roads(net) => {
                let c = net.counts();
                format!(
                    "drives follow {} roads ({} closed, {} cut off from the others); turns cost nothing and none is forbidden",
                    c.roads, c.closed, c.off_main
                )
            }
            Travel::Straight { detour, speed_kmh } => {
                format!("no roads are loaded: drives are straight lines times {detour}, at {speed_kmh} km/h")
            }
        }
    }
}

/// Taken from the lesser position to the greater, so that both ways are the same to the last bit.
fn straight_s(a: Position, b: Position, detour: f64, speed_kmh: f64) -> u32 {
    let (low, high) = if (a.lat, a.lon) <= (b.lat, b.lon) {
        (a, b)
    } else {
        (b, a)
    };
    (geodesic_m(low, high) * detour * 3.6 / speed_kmh).ceil() as u32
}
