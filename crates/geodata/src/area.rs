//! Polygons on the ground: how large, where, which of them a point is in, and whether they are sound.
//!
//! Edges are straight in longitude and latitude, as RFC 7946 section 3.1.1 says of GeoJSON.

use earlywood_model::record::{Area, Position};
use geo::{BooleanOps, Centroid, Coord, GeodesicArea, LineString, MultiPolygon, Polygon, Validation as _};
use rstar::{AABB, RTree, RTreeObject};

type Ring = Vec<[f64; 2]>;

/// The area as a geometry of the `geo` crates (x = longitude, y = latitude, degrees).
pub fn to_multi_polygon(area: &Area) -> MultiPolygon<f64> {
    let line =
        |ring: &Ring| LineString::new(ring.iter().map(|&[lon, lat]| Coord { x: lon, y: lat }).collect());
    MultiPolygon::new(
        area.0
            .iter()
            .filter_map(|rings| rings.split_first())
            .map(|(outer, holes)| Polygon::new(line(outer), holes.iter().map(line).collect()))
            .collect(),
    )
}

/// Ground covered, square metres on the WGS 84 ellipsoid, holes taken off, whichever way the rings run
/// (Karney 2013, Journal of Geodesy 87:43-55, section 6).
pub fn area_m2(area: &Area) -> f64 {
    let ring_m2 = |ring: &Ring| {
        let line = LineString::new(ring.iter().map(|&[x, y]| Coord { x, y }).collect());
        Polygon::new(line, vec![]).geodesic_area_signed().abs()
    };
    area.0
        .iter()
        .filter_map(|rings| rings.split_first())
        .map(|(outer, holes)| (ring_m2(outer) - holes.iter().map(ring_m2).sum::<f64>()).max(0.0))
        .sum()
}

/// Ground of `area` that is not ground of `other`, square metres, holes taken off. Both must be sound ([`fault`]).
pub fn beyond_m2(area: &Area, other: &Area) -> f64 {
    let beyond = to_multi_polygon(area).difference(&to_multi_polygon(other));
    let ring = |line: &LineString<f64>| line.coords().map(|c| [c.x, c.y]).collect();
    let rings = |p: &Polygon<f64>| {
        std::iter::once(p.exterior())
            .chain(p.interiors())
            .map(ring)
            .collect()
    };
    area_m2(&Area(beyond.iter().map(rings).collect()))
}

/// What is unsound about an area as a whole, in words: what [`fault`] finds, a hole outside its ring, polygons that lie on each
/// other (their ground would count twice).
pub fn unsound(area: &Area) -> Option<String> {
    if let Some((rule, value)) = fault(area) {
        return Some(format!("{rule}: {value}"));
    }
    let checked = to_multi_polygon(area).check_validation();
    checked.err().map(|e| e.to_string())
}

/// Length of all rings, metres of geodesic between their corners.
pub fn perimeter_m(area: &Area) -> f64 {
    let at = |&[lon, lat]: &[f64; 2]| Position { lat, lon };
    area.0
        .iter()
        .flatten()
        .flat_map(|ring| ring.windows(2))
        .map(|w| crate::geodesic_m(at(&w[0]), at(&w[1])))
        .sum()
}

/// Middle of the ground (centroid in longitude and latitude); `None` for an empty area.
pub fn centroid(area: &Area) -> Option<Position> {
    to_multi_polygon(area).centroid().map(|p| Position {
        lat: p.y(),
        lon: p.x(),
    })
}

/// Whether a position is in the area. A point on an edge is in one of the two areas that share the edge, never in both.
///
/// For many points build an [`AreaIndex`].
pub fn contains(area: &Area, p: Position) -> bool {
    area.0.iter().any(|rings| {
        rings
            .iter()
            .fold(false, |inside, ring| inside ^ odd_crossings(ring, p))
    })
}

/// Whether a ray east from `p` crosses the ring an odd number of times.
fn odd_crossings(ring: &[[f64; 2]], p: Position) -> bool {
    let last = ring.last().into_iter();
    let before = last.chain(ring.iter());
    before
        .zip(ring.iter())
        .fold(false, |odd, (a, b)| odd ^ crosses_east(a, b, p))
}

/// Half-open in latitude, so that a ray through a corner counts it once.
fn crosses_east(a: &[f64; 2], b: &[f64; 2], p: Position) -> bool {
    if (a[1] > p.lat) == (b[1] > p.lat) {
        return false;
    }
    // The lower end first, so that the two areas on either side of an edge do the same arithmetic.
    let (a, b) = if a[1] < b[1] { (a, b) } else { (b, a) };
    p.lon < a[0] + (p.lat - a[1]) * (b[0] - a[0]) / (b[1] - a[1])
}

/// One polygon, with its edges sorted into slabs of latitude: a point meets only the edges of its slab.
#[derive(Debug, Clone)]
struct SlabPolygon {
    owner: usize,
    low: [f64; 2],
    high: [f64; 2],
    slabs_per_degree: f64,
    starts: Vec<u32>,
    edges: Vec<[[f64; 2]; 2]>,
}

impl SlabPolygon {
    fn new(owner: usize, rings: &[Ring]) -> Option<SlabPolygon> {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for point in rings.first()? {
            for k in 0..2 {
                low[k] = low[k].min(point[k]);
                high[k] = high[k].max(point[k]);
            }
        }
        let all: Vec<[[f64; 2]; 2]> = rings
            .iter()
            .flat_map(|ring| {
                ring.iter()
                    .zip(ring.iter().cycle().skip(1))
                    .map(|(&a, &b)| [a, b])
            })
            .filter(|[a, b]| a[1] != b[1])
            .collect();
        let height = high[1] - low[1];
        if !(height.is_finite() && height > 0.0) {
            return None;
        }
        let count = (all.len() / 2).clamp(1, 4096);
        let mut made = SlabPolygon {
            owner,
            low,
            high,
            slabs_per_degree: count as f64 / height,
            starts: Vec::with_capacity(count + 1),
            edges: Vec::new(),
        };
        let mut slabs: Vec<Vec<[[f64; 2]; 2]>> = vec![Vec::new(); count];
        for edge in all {
            let (y0, y1) = (edge[0][1].min(edge[1][1]), edge[0][1].max(edge[1][1]));
            let (from, to) = (made.slab(y0, count), made.slab(y1, count));
            for slab in &mut slabs[from..=to] {
                slab.push(edge);
            }
        }
        made.starts.push(0);
        for slab in slabs {
            made.edges.extend(slab);
            made.starts.push(made.edges.len() as u32);
        }
        Some(made)
    }

    // The same monotone arithmetic for edges and points, so that no edge is missed at a slab's rim.
    fn slab(&self, lat: f64, count: usize) -> usize {
        (((lat - self.low[1]) * self.slabs_per_degree) as usize).min(count - 1)
    }

    fn contains(&self, p: Position) -> bool {
        if p.lon < self.low[0] || p.lon > self.high[0] || p.lat < self.low[1] || p.lat > self.high[1] {
            return false;
        }
        let slab = self.slab(p.lat, self.starts.len() - 1);
        let edges = &self.edges[self.starts[slab] as usize..self.starts[slab + 1] as usize];
        edges
            .iter()
            .fold(false, |odd, [a, b]| odd ^ crosses_east(a, b, p))
    }
}

impl RTreeObject for SlabPolygon {
    type Envelope = AABB<[f64; 2]>;
    fn envelope(&self) -> Self::Envelope {
        AABB::from_corners(self.low, self.high)
    }
}

/// Many areas, ready to be asked which of them a position is in. A million questions take a fraction of a second.
#[derive(Debug, Clone)]
pub struct AreaIndex {
    tree: RTree<SlabPolygon>,
    count: usize,
    bounds: Option<([f64; 2], [f64; 2])>,
}

impl AreaIndex {
    /// Indexes areas; each is known by its place in the order given.
    pub fn new<'a>(areas: impl IntoIterator<Item = &'a Area>) -> AreaIndex {
        let (mut polygons, mut count) = (Vec::new(), 0);
        for (owner, area) in areas.into_iter().enumerate() {
            count = owner + 1;
            polygons.extend(area.0.iter().filter_map(|rings| SlabPolygon::new(owner, rings)));
        }
        let bounds = polygons.iter().map(|p| (p.low, p.high)).reduce(|a, b| {
            (
                [a.0[0].min(b.0[0]), a.0[1].min(b.0[1])],
                [a.1[0].max(b.1[0]), a.1[1].max(b.1[1])],
            )
        });
        AreaIndex {
            tree: RTree::bulk_load(polygons),
            count,
            bounds,
        }
    }

    /// How many areas were given.
    pub fn len(&self) -> usize {
        self.count
    }

    /// Whether no area was given.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// South-west and north-east corners of all the ground; `None` when there is none.
    pub fn bounds(&self) -> Option<(Position, Position)> {
        self.bounds.map(|(low, high)| {
            (
                Position {
                    lat: low[1],
                    lon: low[0],
                },
                Position {
                    lat: high[1],
                    lon: high[0],
                },
            )
        })
    }

    /// Every area the position is in, in the order the areas were given.
    pub fn all_at(&self, p: Position) -> Vec<usize> {
        let mut found: Vec<usize> = self.holding(p).collect();
        found.sort_unstable();
        found.dedup();
        found
    }

    /// The first of the areas, in the order given, that the position is in.
    pub fn first_at(&self, p: Position) -> Option<usize> {
        self.holding(p).min()
    }

    /// Whether any of the areas holds the position.
    pub fn contains(&self, p: Position) -> bool {
        self.holding(p).next().is_some()
    }

    fn holding(&self, p: Position) -> impl Iterator<Item = usize> + '_ {
        self.tree
            .locate_in_envelope_intersecting(&AABB::from_point([p.lon, p.lat]))
            .filter(move |polygon| polygon.contains(p))
            .map(|polygon| polygon.owner)
    }
}

/// What is unsound about an area: `(rule, value)` in words, or `None` when it can be used.
///
/// A ring must have at least four positions, be closed (RFC 7946 section 3.1.6), enclose some ground and not cross itself.
pub fn fault(area: &Area) -> Option<(String, String)> {
    if area.0.iter().all(Vec::is_empty) {
        return Some(("the area has no ring".into(), String::new()));
    }
    area.0.iter().flatten().find_map(|ring| ring_fault(ring))
}

fn ring_fault(ring: &[[f64; 2]]) -> Option<(String, String)> {
    let show = |p: &[f64; 2]| format!("[{}, {}]", p[0], p[1]);
    if ring.len() < 4 {
        return Some((
            "a ring needs at least four positions, the last the same as the first".into(),
            format!("{} positions", ring.len()),
        ));
    }
    let (first, last) = (ring.first()?, ring.last()?);
    if first != last {
        return Some((
            "the ring is not closed: its last position must be the same as its first".into(),
            format!("first {}, last {}", show(first), show(last)),
        ));
    }
    if let Some((a, b)) = crossing(ring) {
        return Some((
            "the ring crosses itself".into(),
            format!("edges that start at {} and {}", show(&ring[a]), show(&ring[b])),
        ));
    }
    let doubled: f64 = ring
        .windows(2)
        .map(|w| (w[0][0] - first[0]) * (w[1][1] - first[1]) - (w[1][0] - first[0]) * (w[0][1] - first[1]))
        .sum();
    (doubled == 0.0).then(|| ("the ring encloses no ground".into(), show(first)))
}

/// The first pair of edges that cross, by a sweep in longitude.
fn crossing(ring: &[[f64; 2]]) -> Option<(usize, usize)> {
    let side = |a: [f64; 2], b: [f64; 2], c: [f64; 2]| {
        let coord = |p: [f64; 2]| robust::Coord { x: p[0], y: p[1] };
        robust::orient2d(coord(a), coord(b), coord(c))
    };
    let edge = |i: usize| (ring[i], ring[i + 1]);
    let span = |i: usize, k: usize| {
        let (a, b) = edge(i);
        (a[k].min(b[k]), a[k].max(b[k]))
    };
    let mut order: Vec<usize> = (0..ring.len() - 1).collect();
    order.sort_by(|&i, &j| span(i, 0).0.total_cmp(&span(j, 0).0));
    let mut active: Vec<usize> = Vec::new();
    for &i in &order {
        let (west, (south, north)) = (span(i, 0).0, span(i, 1));
        active.retain(|&j| span(j, 0).1 >= west);
        for &j in &active {
            let (s, n) = span(j, 1);
            if s > north || n < south {
                continue;
            }
            let ((a, b), (c, d)) = (edge(i), edge(j));
            let (c_side, d_side) = (side(a, b, c), side(a, b, d));
            let (a_side, b_side) = (side(c, d, a), side(c, d, b));
            // Strictly on either side of each other: touching at a corner is not crossing.
            let splits = |u: f64, v: f64| (u > 0.0 && v < 0.0) || (u < 0.0 && v > 0.0);
            if splits(c_side, d_side) && splits(a_side, b_side) {
                return Some((i.min(j), i.max(j)));
            }
        }
        active.push(i);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn square(west: f64, south: f64, side: f64) -> Ring {
        vec![
            [west, south],
            [west + side, south],
            [west + side, south + side],
            [west, south + side],
            [west, south],
        ]
    }

    #[test]
    fn a_one_degree_polygon_measures_as_published() {
        // Polygon 40-41 N, 74-73 W, computed independently with pyproj 3.7.2 (PROJ 9.5.1, Karney's geodesics).
        let area = Area(vec![vec![square(-74.0, 40.0, 1.0)]]);
        assert!(
            (area_m2(&area) - 9_412_788_745.69).abs() < 1.0,
            "{}",
            area_m2(&area)
        );
        assert!(
            (perimeter_m(&area) - 391_616.656_37).abs() < 1e-3,
            "{}",
            perimeter_m(&area)
        );
        let mut reversed = area.clone();
        reversed.0[0][0].reverse();
        assert!((area_m2(&reversed) - area_m2(&area)).abs() < 1e-3);
        let middle = centroid(&area).unwrap();
        assert!((middle.lat - 40.5).abs() < 1e-9 && (middle.lon + 73.5).abs() < 1e-9);
    }

    #[test]
    fn holes_are_taken_off() {
        let whole = Area(vec![vec![square(10.0, 50.0, 1.0)]]);
        let hole = Area(vec![vec![square(10.25, 50.25, 0.5)]]);
        let ring = Area(vec![vec![square(10.0, 50.0, 1.0), square(10.25, 50.25, 0.5)]]);
        assert!((area_m2(&ring) - (area_m2(&whole) - area_m2(&hole))).abs() < 1e-3);
        let inside_hole = Position { lat: 50.5, lon: 10.5 };
        assert!(!contains(&ring, inside_hole) && contains(&whole, inside_hole));
        let index = AreaIndex::new([&ring, &whole]);
        assert_eq!(index.all_at(inside_hole), vec![1]);
        assert_eq!(index.first_at(Position { lat: 50.1, lon: 10.1 }), Some(0));
        assert_eq!(centroid(&Area::default()), None);
        assert_eq!(area_m2(&Area::default()), 0.0);
    }

    #[test]
    fn a_shared_edge_belongs_to_one_side_only() {
        let (left, right) = (
            Area(vec![vec![square(0.0, 0.0, 1.0)]]),
            Area(vec![vec![square(1.0, 0.0, 1.0)]]),
        );
        for k in 0..100 {
            let p = Position {
                lat: f64::from(k) / 100.0,
                lon: 1.0,
            };
            assert_ne!(contains(&left, p), contains(&right, p), "{p:?}");
        }
    }

    #[test]
    fn unsound_rings_are_named() {
        let say = |ring: Ring| fault(&Area(vec![vec![ring]])).map(|f| f.0).unwrap_or_default();
        assert!(say(vec![[0., 0.], [1., 0.], [0., 0.]]).contains("at least four"));
        assert!(say(vec![[0., 0.], [1., 0.], [1., 1.], [0., 1.]]).contains("not closed"));
        assert!(say(vec![[0., 0.], [1., 1.], [1., 0.], [0., 1.], [0., 0.]]).contains("crosses itself"));
        assert!(say(vec![[0., 0.], [1., 1.], [2., 2.], [0., 0.]]).contains("no ground"));
        assert_eq!(say(square(0., 0., 1.)), "");
        assert!(fault(&Area::default()).is_some());
    }

    proptest! {
        /// The index answers as the plain crossing count does, and as `geo` does away from edges.
        #[test]
        fn the_index_agrees_with_geo(
            // A star-shaped ring: sorted angles, any radii.
            mut spokes in prop::collection::vec((0.0..std::f64::consts::TAU, 0.1..1.0_f64), 3..60),
            points in prop::collection::vec((-1.1..1.1_f64, -1.1..1.1_f64), 50),
        ) {
            use geo::Contains;
            spokes.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut ring: Ring = spokes.iter().map(|(t, r)| [r * t.cos(), r * t.sin()]).collect();
            ring.push(ring[0]);
            let area = Area(vec![vec![ring]]);
            let (index, shape) = (AreaIndex::new([&area]), to_multi_polygon(&area));
            for (lon, lat) in points {
                let p = Position { lat, lon };
                prop_assert_eq!(index.contains(p), contains(&area, p));
                prop_assert_eq!(index.contains(p), shape.contains(&geo::Point::new(lon, lat)));
            }
        }

        /// No ring makes the checks panic or take a NaN for sound ground.
        #[test]
        fn any_ring_is_judged(points in prop::collection::vec(prop::array::uniform2(-200.0..200.0_f64), 0..40)) {
            let area = Area(vec![vec![points]]);
            let _ = fault(&area);
            prop_assert!(area_m2(&area).is_finite() || fault(&area).is_some());
            let _ = AreaIndex::new([&area]).contains(Position { lat: 0.0, lon: 0.0 });
        }
    }
}
