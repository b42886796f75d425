//! How long it takes from stop to stop.

use earlywood_geodata::roads::Closure;
use earlywood_geodata::{RoadNet, RoadOptions, Travel, geodesic_m};
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
    /// Along roads, and on foot from where the truck is left.
    Roads(Box<RoadNet>),
}

/// Farther than this from any road nobody carries a trap: the stop is then listed as one that can't be reached. Design choice.
const FARTHEST_WALK_M: f64 = 1_500.0;

/// A closure as it is typed: `lat,lon,radius in metres`, or the label of a road.
fn closure(text: &str) -> Result<Closure, ChainError> {
    let numbers: Vec<f64> = text
        .split(',')
        .filter_map(|part| part.trim().parse().ok())
        .collect();
    match numbers.as_slice() {
        [lat, lon, radius_m] if text.split(',').count() == 3 => {
            let position = Position::new(*lat, *lon)
                .map_err(|e| ChainError::asked("closed", format!("{text:?}: {e}")))?;
            if !(radius_m.is_finite() && *radius_m > 0.0) {
                return Err(ChainError::asked(
                    "closed",
                    format!("{text:?}: a radius is a number of metres above 0"),
                ));
            }
            Ok(Closure::Around {
                position,
                radius_m: *radius_m,
            })
        }
        _ => Ok(Closure::Road(text.trim().to_owned())),
    }
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
        programme: &Programme,
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
        let roads = programme.roads()?;
        if roads.is_empty() {
            if !closed.is_empty() {
                return Err(ChainError::asked(
                    "closed",
                    "no roads are loaded, so none can be closed: drives are reckoned as the crow flies",
                ));
            }
            notes.push(format!(
                "no roads are loaded: drives are straight lines times {detour}, at {speed_kmh} km/h (common practice, no source)"
            ));
            return Ok(Ways::Straight { detour, speed_kmh });
        }
        let options = RoadOptions {
            max_walk_m: FARTHEST_WALK_M,
            closures: closed.iter().map(|c| closure(c)).collect::<Result<_, _>>()?,
            ..RoadOptions::default()
        };
        let net = RoadNet::build(&roads, &options).map_err(|e| ChainError::asked("roads", e.to_string()))?;
        let ways = Travel::Roads(Box::new(net));
        notes.push(ways.note());
        let Travel::Roads(net) = ways else {
            return Ok(Ways::Straight { detour, speed_kmh });
        };
        Ok(Ways::Roads(net))
    }

    /// Whether these are roads.
    pub(crate) fn roads(&self) -> bool {
        match self {
            Ways::Straight { .. } => false,
            Ways::Roads(_) => true,
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
            Ways::Roads(net) => {
                let table = net.times(at);
                for i in 0..n {
                    for j in (0..n).filter(|&j| j != i) {
                        // On foot from the stop to the truck, and from the truck to the next stop.
                        seconds[i * n + j] = table.seconds(i, j).map_or(u32::MAX, |drive| {
                            drive
                                .saturating_add(table.walk_s[i])
                                .saturating_add(table.walk_s[j])
                        });
                    }
                }
            }
        }
        Times { n, seconds }
    }

    /// The way along the roads from one to the other, and its length in metres; none where no roads are known.
    pub(crate) fn leg(&self, from: Position, to: Position) -> Option<(Vec<Position>, f64)> {
        match self {
            Ways::Straight { .. } => None,
            Ways::Roads(net) => net.path(from, to).map(|drive| (drive.line, drive.metres)),
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
            Ways::Roads(net) => net
                .snap_or_say(&format!("the depot of {crew}"), depot)
                .map(drop)
                .map_err(|e| ChainError::asked("depot", e.to_string())),
        }
    }
}
