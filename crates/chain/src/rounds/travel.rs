//! How long it takes from stop to stop: along roads where they are loaded, else straight lines, which is told.

use earlywood_geodata::geodesic_m;
use earlywood_geodata::roads::{Closure, RoadNet, RoadOptions, Travel};
use earlywood_journal::Programme;
use earlywood_model::record::Position;

use crate::Notes;
use crate::error::ChainError;

/// Length of a drive over the length of the straight line, where no roads are loaded. Common practice, no source.
pub const USUAL_DETOUR: f64 = 1.3;
/// Speed of such a drive, km/h. Common practice, no source.
pub const USUAL_SPEED_KMH: f64 = 40.0;
/// Without roads, a depot farther than this from every stop is a mistake in its position. Design choice: no crew's day begins
/// so.
const FARTHEST_DEPOT_M: f64 = 200_000.0;

/// The way a crew gets about.
pub(crate) struct Ways {
    travel: Travel,
}

/// Times between places, row = from; walks from the road and back to it are in them.
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

/// A closed road: its label, or a circle as `LAT,LON,RADIUS_M`.
fn closure(text: &str) -> Result<Closure, ChainError> {
    let parts: Vec<&str> = text.split(',').map(str::trim).collect();
    let [lat, lon, radius] = parts.as_slice() else {
        return Ok(Closure::Road(text.to_owned()));
    };
    let number = |text: &str| text.parse::<f64>().ok().filter(|v| v.is_finite());
    let (Some(lat), Some(lon), Some(radius_m)) = (number(lat), number(lon), number(radius)) else {
        return Ok(Closure::Road(text.to_owned()));
    };
    if radius_m <= 0.0 {
        return Err(ChainError::asked(
            "closed",
            format!("a radius of {radius_m} m closes nothing; write LAT,LON,RADIUS_M with a radius above 0"),
        ));
    }
    Ok(Closure::Around {
        position: Position::new(lat, lon)?,
        radius_m,
    })
}

impl Ways {
    /// Roads where they are loaded, else straight lines.
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
        let closures: Vec<Closure> = closed.iter().map(|c| closure(c)).collect::<Result<_, _>>()?;
        let roads = programme.roads()?;
        let travel = if roads.is_empty() {
            if !closures.is_empty() {
                return Err(ChainError::asked(
                    "closed",
                    "no roads are loaded, so none can be closed: drives are reckoned as the crow flies",
                ));
            }
            Travel::straight(detour, speed_kmh)?
        } else {
            let options = RoadOptions {
                closures,
                ..RoadOptions::default()
            };
            Travel::Roads(Box::new(RoadNet::build(&roads, &options)?))
        };
        let source = match travel {
            Travel::Roads(_) => "speeds by class of road are set by the programme",
            Travel::Straight { .. } => "common practice, no source",
        };
        notes.push(format!("{} ({source})", travel.note()));
        Ok(Ways { travel })
    }

    /// Whether these are roads.
    pub(crate) fn roads(&self) -> bool {
        matches!(self.travel, Travel::Roads(_))
    }

    /// Times between all of these.
    pub(crate) fn times(&self, at: &[Position]) -> Times {
        let table = self.travel.times(at);
        let n = at.len();
        let mut seconds = vec![0_u32; n * n];
        for i in 0..n {
            for j in (0..n).filter(|j| *j != i) {
                seconds[i * n + j] = table.seconds(i, j).map_or(u32::MAX, |drive| {
                    drive
                        .saturating_add(table.walk_s[i])
                        .saturating_add(table.walk_s[j])
                        .min(u32::MAX - 1)
                });
            }
        }
        Times { n, seconds }
    }

    /// The way along the roads from one to the other, and its length in metres; none where no roads are known.
    pub(crate) fn leg(&self, from: Position, to: Position) -> Option<(Vec<Position>, f64)> {
        let drive = self.travel.path(from, to)?;
        Some((drive.line, drive.metres))
    }

    /// Why no crew gets to a stop, if it lies off the roads.
    pub(crate) fn off_road(&self, stop: Position) -> Option<String> {
        match &self.travel {
            Travel::Roads(net) if net.snap(stop).is_none() => Some(
                "it lies too far to walk from any road that is loaded; tell where to park (load access)"
                    .into(),
            ),
            _ => None,
        }
    }

    /// A depot must lie where a crew could start from.
    pub(crate) fn check_depot(
        &self,
        crew: &str,
        depot: Position,
        stops: &[Position],
    ) -> Result<(), ChainError> {
        match &self.travel {
            Travel::Roads(net) => net
                .snap_or_say(&format!("the depot of {crew}"), depot)
                .map(|_| ())
                .map_err(|why| ChainError::asked("depot", why.to_string())),
            Travel::Straight { .. } => {
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
