//! How long it takes from stop to stop.

use earlywood_geodata::geodesic_m;
use earlywood_journal::Programme;
use earlywood_model::record::Position;

use crate::Notes;
use crate::error::ChainError;

/// Length of a drive over the length of the straight line, where no roads are loaded. Common practice, no source.
pub const USUAL_DETOUR: f64 = 1.3;
/// Speed of such a drive, km/h. Common practice, no source.
pub const USUAL_SPEED_KMH: f64 = 40.0;
/// A depot farther than this from every stop is a mistake in its position. Design choice: no crew's day begins so.
const FARTHEST_DEPOT_M: f64 = 200_000.0;

/// The way a crew gets about.
pub(crate) enum Ways {
    /// As the crow flies, times a factor, at one speed.
    Straight {
        /// Length of the drive over that of the straight line, 1 or more.
        detour: f64,
        /// km/h.
        speed_kmh: f64,
    },
}

/// Times between places, row = from.
pub(crate) struct Times {
    n: usize,
    /// Seconds; [`u32::MAX`]: no way.
    pub(crate) seconds: Vec<u32>,
}

impl Times {
    pub(crate) fn seconds(&self, from: usize, to: usize) -> Option<u32> {
        if from == to {
            return Some(0);
        }
        let s = *self.seconds.get(from * self.n + to)?;
        (s != u32::MAX).then_some(s)
    }
}

impl Ways {
    /// Roads where they are loaded, else straight lines, which is told.
    pub(crate) fn read(
        _programme: &Programme,
        closed: &[String],
        detour: f64,
        speed_kmh: f64,
        notes: &mut Notes,
    ) -> Result<Ways, ChainError> {
        if !(detour.is_finite() && (1.0..=10.0).contains(&detour)) {
            return Err(ChainError::asked(
                "detour",
                format!("a detour factor of {detour} can't be; write 1 to 10"),
            ));
        }
        if !(speed_kmh.is_finite() && (1.0..=200.0).contains(&speed_kmh)) {
            return Err(ChainError::asked(
                "speed",
                format!("{speed_kmh} km/h is no speed of a drive; write 1 to 200"),
            ));
        }
        if !closed.is_empty() {
            return Err(ChainError::asked(
                "closed",
                "no roads are loaded, so none can be closed: drives are reckoned as the crow flies",
            ));
        }
        notes.push(format!(
            "no roads are loaded: drives are straight lines times {detour}, at {speed_kmh} km/h (common practice, no source)"
        ));
        Ok(Ways::Straight { detour, speed_kmh })
    }

    /// Whether these are roads.
    pub(crate) fn roads(&self) -> bool {
        match self {
            Ways::Straight { .. } => false,
        }
    }

    /// Times between all of these.
    // A drive round the world is far below what fits.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub(crate) fn times(&self, at: &[Position]) -> Times {
        let n = at.len();
        let mut seconds = vec![0_u32; n * n];
        match self {
            Ways::Straight { detour, speed_kmh } => {
                for i in 0..n {
                    for j in 0..i {
                        let s = geodesic_m(at[i], at[j]) * detour / (speed_kmh / 3.6);
                        seconds[i * n + j] = s.ceil() as u32;
                        seconds[j * n + i] = s.ceil() as u32;
                    }
                }
            }
        }
        Times { n, seconds }
    }

    /// The way along the roads from one to the other, and its length in metres; none where no roads are known.
    pub(crate) fn leg(&self, _from: Position, _to: Position) -> Option<(Vec<Position>, f64)> {
        match self {
            Ways::Straight { .. } => None,
        }
    }

    /// A depot must lie where a crew could start from.
    pub(crate) fn check_depot(
        &self,
        crew: &str,
        depot: Position,
        stops: &[Position],
    ) -> Result<(), ChainError> {
        match self {
            Ways::Straight { .. } => {
                let nearest = stops
                    .iter()
                    .map(|s| geodesic_m(depot, *s))
                    .fold(f64::INFINITY, f64::min);
                if nearest.is_finite() && nearest > FARTHEST_DEPOT_M {
                    return Err(ChainError::asked(
                        "depot",
                        format!(
                            "the depot of {crew} ({:.5}, {:.5}) lies {:.0} km from the nearest stop: look at its latitude and \
                             longitude",
                            depot.lat,
                            depot.lon,
                            nearest / 1000.0
                        ),
                    ));
                }
                Ok(())
            }
        }
    }
}
