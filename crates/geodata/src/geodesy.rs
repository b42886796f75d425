//! Distances on the WGS 84 ellipsoid, and a county's own metric frame.

use std::f64::consts::PI;
use std::sync::OnceLock;

use earlywood_model::record::Position;
use geographiclib_rs::{DirectGeodesic, Geodesic, InverseGeodesic};
use rayon::prelude::*;

use crate::problem::GeoError;

/// Equatorial radius of WGS 84, metres (NIMA TR8350.2, 2000).
const WGS84_A_M: f64 = 6_378_137.0;
/// Flattening of WGS 84 (NIMA TR8350.2, 2000).
const WGS84_F: f64 = 1.0 / 298.257_223_563;
const WGS84_E2: f64 = WGS84_F * (2.0 - WGS84_F);

/// Farther than this from its centre a frame leaves the fast path, metres.
const FAST_REACH_M: f64 = 200_000.0;

fn wgs84() -> &'static Geodesic {
    static GEODESIC: OnceLock<Geodesic> = OnceLock::new();
    GEODESIC.get_or_init(Geodesic::wgs84)
}

/// Length of the shortest line between two positions on the WGS 84 ellipsoid, metres.
///
/// Karney's inverse solution, right to about 15 nm (Karney 2013, Journal of Geodesy 87:43-55).
pub fn geodesic_m(a: Position, b: Position) -> f64 {
    wgs84().inverse(a.lat, a.lon, b.lat, b.lon)
}

/// The position reached from `start` along the geodesic that leaves at `azimuth_deg` (clockwise from north).
///
/// Karney's direct solution (Karney 2013, Journal of Geodesy 87:43-55).
pub fn destination(start: Position, azimuth_deg: f64, distance_m: f64) -> Position {
    let (lat, lon) = wgs84().direct(start.lat, start.lon, azimuth_deg, distance_m);
    Position { lat, lon }
}

/// A point in a [`Frame`]: metres east and north of its centre.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Xy {
    /// Metres east.
    pub x_m: f64,
    /// Metres north.
    pub y_m: f64,
}

impl Xy {
    /// Distance to another point of the same frame, metres.
    pub fn distance_m(self, other: Xy) -> f64 {
        (self.x_m - other.x_m).hypot(self.y_m - other.y_m)
    }
}

/// A local metric frame: azimuthal equidistant on the WGS 84 ellipsoid about a centre.
///
/// Distances from the centre are exact. Between two points at most `c` from the centre a straight line is at most
/// `c^2 / (6 R^2)` longer or shorter than the geodesic (Snyder 1987, USGS Professional Paper 1395, section 25): 23 parts
/// in a million at 75 km, 0.01 % at 150 km.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    centre: Position,
    // Earth-centred coordinates of the centre, and the axes of its tangent plane.
    origin_m: [f64; 3],
    east: [f64; 3],
    north: [f64; 3],
    up: [f64; 3],
    // Radii of curvature there: along the meridian, and across it.
    meridian_m: f64,
    prime_vertical_m: f64,
}

fn earth_centred_m(p: Position) -> [f64; 3] {
    let ((sin_lat, cos_lat), (sin_lon, cos_lon)) =
        (p.lat.to_radians().sin_cos(), p.lon.to_radians().sin_cos());
    let n = WGS84_A_M / (1.0 - WGS84_E2 * sin_lat * sin_lat).sqrt();
    [
        n * cos_lat * cos_lon,
        n * cos_lat * sin_lon,
        n * (1.0 - WGS84_E2) * sin_lat,
    ]
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

impl Frame {
    /// A frame about `centre`.
    pub fn new(centre: Position) -> Frame {
        let (sin_lat, cos_lat) = centre.lat.to_radians().sin_cos();
        let (sin_lon, cos_lon) = centre.lon.to_radians().sin_cos();
        let w2 = 1.0 - WGS84_E2 * sin_lat * sin_lat;
        Frame {
            centre,
            origin_m: earth_centred_m(centre),
            east: [-sin_lon, cos_lon, 0.0],
            north: [-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat],
            up: [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat],
            meridian_m: WGS84_A_M * (1.0 - WGS84_E2) / (w2 * w2.sqrt()),
            prime_vertical_m: WGS84_A_M / w2.sqrt(),
        }
    }

    /// A frame about the centroid of some positions (the mean of their directions from the earth's middle, so that
    /// it works across the 180th meridian).
    ///
    /// # Errors
    /// No positions at all.
    pub fn about(positions: impl IntoIterator<Item = Position>) -> Result<Frame, GeoError> {
        let (mut sum, mut count) = ([0.0; 3], 0_usize);
        for p in positions {
            let at = earth_centred_m(p);
            for (s, v) in sum.iter_mut().zip(at) {
                *s += v;
            }
            count += 1;
        }
        if count == 0 {
            return Err(GeoError::Inconsistent(
                "there are no positions to lay a local frame about".into(),
            ));
        }
        let (lon, lat) = (
            sum[1].atan2(sum[0]),
            (sum[2] / (1.0 - WGS84_E2)).atan2(sum[0].hypot(sum[1])),
        );
        Ok(Frame::new(Position {
            lat: lat.to_degrees(),
            lon: lon.to_degrees(),
        }))
    }

    /// Its centre.
    pub fn centre(&self) -> Position {
        self.centre
    }

    /// Projects by the geodesic from the centre (Karney 2013).
    pub fn to_xy_exact(&self, p: Position) -> Xy {
        let (distance_m, azimuth_deg, _, _): (f64, f64, f64, f64) =
            wgs84().inverse(self.centre.lat, self.centre.lon, p.lat, p.lon);
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        Xy {
            x_m: distance_m * sin,
            y_m: distance_m * cos,
        }
    }

    /// Projects a position.
    ///
    /// Within 200 km of the centre the arc is had from the chord and Euler's radius of curvature in the line's
    /// azimuth, which agrees with the geodesic to a few centimetres at 100 km and is forty times as fast; farther out it is
    /// [`Frame::to_xy_exact`].
    pub fn to_xy(&self, p: Position) -> Xy {
        let at = earth_centred_m(p);
        let chord = [
            at[0] - self.origin_m[0],
            at[1] - self.origin_m[1],
            at[2] - self.origin_m[2],
        ];
        let (e, n, u) = (dot(chord, self.east), dot(chord, self.north), dot(chord, self.up));
        let flat2 = e * e + n * n;
        let chord2 = flat2 + u * u;
        if chord2 > FAST_REACH_M * FAST_REACH_M {
            return self.to_xy_exact(p);
        }
        if flat2 == 0.0 {
            return Xy::default();
        }
        // Euler (1760): 1/R = cos^2(az)/M + sin^2(az)/N.
        let curvature = (n * n / self.meridian_m + e * e / self.prime_vertical_m) / flat2;
        let half = 0.5 * chord2.sqrt() * curvature;
        // arcsin by its series: at 200 km half is 0.016, and the first term left out is 3e-14 of the whole.
        let h2 = half * half;
        let arc = 1.0 + h2 * (1.0 / 6.0 + h2 * (3.0 / 40.0 + h2 * (15.0 / 336.0)));
        let scale = (chord2 / flat2).sqrt() * arc;
        Xy {
            x_m: e * scale,
            y_m: n * scale,
        }
    }

    /// The position of a point of the frame, by the geodesic from the centre (Karney 2013).
    pub fn from_xy(&self, p: Xy) -> Position {
        let distance_m = p.x_m.hypot(p.y_m);
        let azimuth_deg = p.x_m.atan2(p.y_m) * (180.0 / PI);
        destination(self.centre, azimuth_deg, distance_m)
    }

    /// [`Frame::to_xy`] of many positions, in parallel; same order.
    pub fn to_xy_all(&self, positions: &[Position]) -> Vec<Xy> {
        positions
            .par_iter()
            .with_min_len(4096)
            .map(|&p| self.to_xy(p))
            .collect()
    }

    /// [`Frame::from_xy`] of many points, in parallel; same order.
    pub fn from_xy_all(&self, points: &[Xy]) -> Vec<Position> {
        points
            .par_iter()
            .with_min_len(512)
            .map(|&p| self.from_xy(p))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(lat: f64, lon: f64) -> Position {
        Position { lat, lon }
    }

    #[test]
    fn karney_test_line() {
        // A line of GeodTest.dat (Karney 2010, doi 10.5281/zenodo.32156).
        let d = geodesic_m(at(5.421025561218, 0.0), at(3.0273292374789, 109.66685746573564));
        assert!((d - 12161089.9991805).abs() < 1e-6, "{d}");
        let p = destination(at(5.421025561218, 0.0), 84.846843174846, 12161089.9991805);
        assert!((p.lat - 3.0273292374789).abs() < 1e-11 && (p.lon - 109.66685746573564).abs() < 1e-11);
    }

    #[test]
    fn jfk_to_lhr_and_its_antipodal_cousin() {
        // GeographicLib's documentation (Karney), GeodSolve examples.
        assert!((geodesic_m(at(40.6, -73.8), at(51.6, -0.5)) - 5551759.40032).abs() < 1e-4);
        assert!((geodesic_m(at(-41.32, 174.81), at(40.96, -5.50)) - 19959679.26735).abs() < 1e-4);
        let (_, azi1, azi2, _): (f64, f64, f64, f64) = wgs84().inverse(40.6, -73.8, 51.6, -0.5);
        assert!((azi1 - 51.19888285).abs() < 1e-8 && (azi2 - 107.82177674).abs() < 1e-8);
    }

    #[test]
    fn flinders_peak_to_buninyong() {
        // Geocentric Datum of Australia technical manual (ICSM 2014), section 4; on GRS 80.
        let grs80 = Geodesic::new(6_378_137.0, 1.0 / 298.257_222_101);
        let dms = |d: f64, m: f64, s: f64| d + m / 60.0 + s / 3600.0;
        let (lat1, lon1) = (-dms(37., 57., 3.72030), dms(144., 25., 29.52440));
        let (lat2, lon2) = (-dms(37., 39., 10.15610), dms(143., 55., 35.38390));
        let (d, azi1, azi2, _): (f64, f64, f64, f64) = grs80.inverse(lat1, lon1, lat2, lon2);
        assert!((d - 54972.271).abs() < 1e-3, "{d}");
        assert!((azi1 + 360.0 - dms(306., 52., 5.37)).abs() * 3600.0 < 0.01);
        assert!((azi2 + 180.0 - dms(127., 10., 25.07)).abs() * 3600.0 < 0.01);
        // WGS 84 differs from GRS 80 by a tenth of a millimetre in the polar radius.
        assert!((geodesic_m(at(lat1, lon1), at(lat2, lon2)) - 54972.271).abs() < 1e-3);
    }

    #[test]
    fn direct_distances_used_by_survey_protocols() {
        // Computed independently with PROJ 9.5.1.
        let start = at(40.7128, -74.0060);
        for (m, lat_n, lon_e) in [
            (100.0, 40.71370051, -74.00481656),
            (804.672, 40.72004614, -73.99647718),
            (1609.344, 40.72729226, -73.98695436),
            (2000.0, 40.73081014, -73.98233117),
            (7242.048, 40.77801489, -73.92029464),
        ] {
            assert!((destination(start, 0.0, m).lat - lat_n).abs() < 6e-9, "{m}");
            assert!((destination(start, 90.0, m).lon - lon_e).abs() < 6e-9, "{m}");
            let frame = Frame::new(start);
            let north = frame.to_xy(at(lat_n, -74.0060));
            assert!(
                (north.y_m - m).abs() < 2e-3 && north.x_m.abs() < 1e-9,
                "{north:?}"
            );
        }
        // One degree at latitude 40 (computed independently with PROJ 9.5.1).
        assert!((geodesic_m(at(39.5, 0.0), at(40.5, 0.0)) - 111_034.638).abs() < 2.0);
    }

    #[test]
    fn a_frame_works_across_the_180th_meridian_and_refuses_nothing() {
        let frame = Frame::about([at(-17.0, 179.9), at(-17.0, -179.9)]).unwrap();
        assert!(
            (frame.centre().lon.abs() - 180.0).abs() < 1e-9,
            "{:?}",
            frame.centre()
        );
        let (a, b) = (frame.to_xy(at(-17.0, 179.9)), frame.to_xy(at(-17.0, -179.9)));
        let truth = geodesic_m(at(-17.0, 179.9), at(-17.0, -179.9));
        assert!((a.distance_m(b) / truth - 1.0).abs() < 1e-6);
        assert!(Frame::about([]).is_err());
        assert_eq!(frame.to_xy(frame.centre()), Xy::default());
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(4000))]

        /// Any two points of a county 150 km across, at any latitude where trees grow: right to 0.01 %, ten times
        /// better than asked.
        #[test]
        fn distances_within_a_county_are_right(
            lat in -65.0..65.0_f64, lon in -180.0..180.0_f64,
            az in prop::array::uniform2(0.0..360.0_f64), share in prop::array::uniform2(0.0..1.0_f64),
        ) {
            let centre = at(lat, lon);
            let frame = Frame::new(centre);
            let p = destination(centre, az[0], 75_000.0 * share[0].sqrt());
            let q = destination(centre, az[1], 75_000.0 * share[1].sqrt());
            let truth = geodesic_m(p, q);
            let flat = frame.to_xy(p).distance_m(frame.to_xy(q));
            prop_assert!((flat - truth).abs() <= 1e-4 * truth + 1e-4, "{flat} {truth}");
        }

        /// The fast path is the exact one to 5 cm anywhere within 150 km, and goes back to where it came from.
        #[test]
        fn the_fast_path_is_the_exact_one(
            lat in -75.0..75.0_f64, lon in -180.0..180.0_f64, az in 0.0..360.0_f64, d in 0.0..150_000.0_f64,
        ) {
            let centre = at(lat, lon);
            let frame = Frame::new(centre);
            let p = destination(centre, az, d);
            let (fast, exact) = (frame.to_xy(p), frame.to_xy_exact(p));
            prop_assert!(fast.distance_m(exact) < 0.05, "{fast:?} {exact:?}");
            prop_assert!(geodesic_m(frame.from_xy(exact), p) < 1e-6);
            prop_assert!(geodesic_m(frame.from_xy(fast), p) < 0.05);
        }

        /// Far points are projected by the exact path, and nothing is ever NaN.
        #[test]
        fn far_points_are_finite(a in (-90.0..=90.0_f64, -180.0..=180.0_f64), b in (-90.0..=90.0_f64, -180.0..=180.0_f64)) {
            let frame = Frame::new(at(a.0, a.1));
            let xy = frame.to_xy(at(b.0, b.1));
            prop_assert!(xy.x_m.is_finite() && xy.y_m.is_finite());
            let truth = geodesic_m(at(a.0, a.1), at(b.0, b.1));
            prop_assert!((xy.x_m.hypot(xy.y_m) - truth).abs() < 0.2, "{xy:?} {truth}");
        }
    }
}
