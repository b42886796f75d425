//! Ground as polygons in the plane of a local metric frame: discs, unions, gaps, holes.
//!
//! A ground's outer rings run counterclockwise, its holes clockwise: what is outside lies to the right of every ring.

use earlywood_model::record::{Area, Position};
use geo::algorithm::buffer::{Buffer, BufferStyle, LineJoin};
use geo::{Area as _, BooleanOps, Coord, LineString, MultiPolygon, Polygon, unary_union};
use rstar::{AABB, PointDistance, RTree, RTreeObject};

use crate::area::AreaIndex;
use crate::geodesy::{Frame, Xy, destination};

/// Polygons in metres of a frame.
pub(super) type Ground = MultiPolygon<f64>;

/// A disc is drawn as a polygon that lies outside the true circle by no more than this, metres. Design choice.
pub const DISC_ERROR_M: f64 = 0.25;
/// By this much a disc is drawn too large, so that no rounding on the way to degrees cuts into it, metres. Design choice.
pub const DISC_MARGIN_M: f64 = 0.05;
/// Edges longer than this get points in between wherever they pass between degrees and metres, so that what is straight in
/// one is straight in the other to 1 cm at 45 degrees and 3 cm at 80, metres. Design choice.
pub(super) const EDGE_M: f64 = 500.0;
/// Angle between the corners of a rounded join, radians.
const JOIN_RAD: f64 = 0.05;
/// Pieces and holes smaller than this are dust of the arithmetic, m2.
const DUST_M2: f64 = 1e-3;
/// What runs out and back within less than this is a hair of it, metres: less than a disc's margin.
const HAIR_M: f64 = 1e-3;
/// So near the straight way between its neighbours a corner of a grown ground is none, metres: far less than it grew.
const WASTE_M: f64 = 1e-4;

/// One edge of a ground.
#[derive(Debug, Clone, Copy)]
pub(super) struct Edge {
    pub(super) a: Coord<f64>,
    pub(super) b: Coord<f64>,
    /// Number of the ring, over all polygons.
    pub(super) ring: usize,
    /// Number of the polygon.
    pub(super) part: usize,
    /// Way along the ring at `a`, metres.
    pub(super) along_m: f64,
}

impl Edge {
    /// The nearest point of the edge.
    pub(super) fn nearest(&self, p: Coord<f64>) -> Coord<f64> {
        let d = self.b - self.a;
        let length2 = d.x * d.x + d.y * d.y;
        if length2 == 0.0 {
            return self.a;
        }
        let t = (((p.x - self.a.x) * d.x + (p.y - self.a.y) * d.y) / length2).clamp(0.0, 1.0);
        self.a + d * t
    }
}

impl RTreeObject for Edge {
    type Envelope = AABB<[f64; 2]>;
    fn envelope(&self) -> Self::Envelope {
        AABB::from_corners([self.a.x, self.a.y], [self.b.x, self.b.y])
    }
}

impl PointDistance for Edge {
    fn distance_2(&self, point: &[f64; 2]) -> f64 {
        let p = Coord {
            x: point[0],
            y: point[1],
        };
        let q = self.nearest(p);
        (p.x - q.x).powi(2) + (p.y - q.y).powi(2)
    }
}

pub(super) fn apart(a: Coord<f64>, b: Coord<f64>) -> f64 {
    (a.x - b.x).hypot(a.y - b.y)
}

/// Twice the signed area of a triangle: above 0 where `c` lies left of the way from `a` to `b`.
pub(super) fn turn(a: Coord<f64>, b: Coord<f64>, c: Coord<f64>) -> f64 {
    (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x)
}

/// Every edge of a ground, and the length of each ring.
pub(super) fn edges(ground: &Ground) -> (Vec<Edge>, Vec<f64>) {
    let (mut all, mut lengths) = (Vec::new(), Vec::new());
    for (part, polygon) in ground.iter().enumerate() {
        for line in std::iter::once(polygon.exterior()).chain(polygon.interiors()) {
            let mut along_m = 0.0;
            for w in line.0.windows(2) {
                all.push(Edge {
                    a: w[0],
                    b: w[1],
                    ring: lengths.len(),
                    part,
                    along_m,
                });
                along_m += apart(w[0], w[1]);
            }
            lengths.push(along_m);
        }
    }
    (all, lengths)
}

/// Edges, ready to be asked for the nearest.
pub(super) fn edge_index(ground: &Ground) -> RTree<Edge> {
    RTree::bulk_load(edges(ground).0)
}

/// A ground, ready to be asked whether a point is in it.
pub(super) fn inside_index(ground: &Ground) -> AreaIndex {
    let ring = |line: &LineString<f64>| line.0.iter().map(|c| [c.x, c.y]).collect::<Vec<_>>();
    let area = Area(
        ground
            .iter()
            .map(|p| {
                std::iter::once(p.exterior())
                    .chain(p.interiors())
                    .map(ring)
                    .collect()
            })
            .collect(),
    );
    AreaIndex::new([&area])
}

pub(super) fn is_inside(index: &AreaIndex, p: Coord<f64>) -> bool {
    index.contains(Position { lat: p.y, lon: p.x })
}

/// Corners, `[longitude, latitude]`, in the frame. Long edges get points in between.
pub(super) fn line_to_plane(frame: &Frame, line: &[[f64; 2]]) -> Vec<Coord<f64>> {
    let at = |lon: f64, lat: f64| {
        let xy = frame.to_xy_exact(Position { lat, lon });
        Coord { x: xy.x_m, y: xy.y_m }
    };
    let mut out: Vec<Coord<f64>> = Vec::with_capacity(line.len());
    for (i, &[lon, lat]) in line.iter().enumerate() {
        let here = at(lon, lat);
        if i > 0 {
            let [lon0, lat0] = line[i - 1];
            let pieces = out.last().map_or(1.0, |last| {
                (apart(*last, here) / EDGE_M).ceil().clamp(1.0, 4096.0)
            });
            for k in 1..pieces as usize {
                let t = k as f64 / pieces;
                out.push(at(lon0 + t * (lon - lon0), lat0 + t * (lat - lat0)));
            }
        }
        out.push(here);
    }
    out
}

/// An area in the frame: its own overlaps resolved, rings turned as a ground's are.
pub(super) fn to_plane(frame: &Frame, area: &Area) -> Ground {
    let ring = |r: &Vec<[f64; 2]>| LineString::new(line_to_plane(frame, r));
    let raw = MultiPolygon::new(
        area.0
            .iter()
            .filter_map(|rings| rings.split_first())
            .map(|(outer, holes)| Polygon::new(ring(outer), holes.iter().map(ring).collect()))
            .collect(),
    );
    sound(raw)
}

/// Rings turned as a ground's are, each polygon for itself, then united.
fn sound(raw: MultiPolygon<f64>) -> Ground {
    use geo::orient::{Direction, Orient};
    together(raw.orient(Direction::Default).0)
}

/// A ground in degrees: rings as RFC 7946 turns them (outer counterclockwise), long edges with points in between.
pub(super) fn to_area(frame: &Frame, ground: &Ground) -> Area {
    let ring = |line: &LineString<f64>| -> Vec<[f64; 2]> {
        let mut out: Vec<[f64; 2]> = Vec::with_capacity(line.0.len());
        for w in line.0.windows(2) {
            let pieces = (apart(w[0], w[1]) / EDGE_M).ceil().max(1.0);
            for k in 0..pieces as usize {
                let c = w[0] + (w[1] - w[0]) * (k as f64 / pieces);
                let p = frame.from_xy(Xy { x_m: c.x, y_m: c.y });
                if out.last() != Some(&[p.lon, p.lat]) {
                    out.push([p.lon, p.lat]);
                }
            }
        }
        if let Some(&first) = out.first() {
            if out.len() > 1 && out.last() == Some(&first) {
                out.pop();
            }
            out.push(first);
        }
        out
    };
    Area(
        ground
            .iter()
            .map(|p| {
                std::iter::once(p.exterior())
                    .chain(p.interiors())
                    .map(ring)
                    .collect()
            })
            .collect(),
    )
}

/// Corners of the polygon that stands for a disc of this radius.
pub(super) fn disc_corners(radius_m: f64) -> usize {
    let half = (radius_m / (radius_m + DISC_ERROR_M)).acos();
    ((std::f64::consts::PI / half).ceil() as usize).clamp(72, 8192)
}

/// The ground within a geodesic radius of a position, as a polygon outside the true circle by [`DISC_MARGIN_M`] at least
/// and by [`DISC_ERROR_M`] more at most.
pub(super) fn disc(frame: &Frame, at: Position, radius_m: f64) -> Polygon<f64> {
    let n = disc_corners(radius_m);
    let out_m = (radius_m + DISC_MARGIN_M) / (std::f64::consts::PI / n as f64).cos();
    let corner = |k: usize| {
        let p = destination(at, -360.0 * k as f64 / n as f64, out_m);
        let xy = frame.to_xy_exact(p);
        Coord { x: xy.x_m, y: xy.y_m }
    };
    Polygon::new(LineString::new((0..n).map(corner).collect()), vec![])
}

/// All of these as one ground. Outer rings must run counterclockwise.
pub(super) fn together(polygons: Vec<Polygon<f64>>) -> Ground {
    if polygons.is_empty() {
        return MultiPolygon::new(vec![]);
    }
    without_dust(unary_union([&MultiPolygon::new(polygons)]))
}

/// Both as one ground.
pub(super) fn with(ground: &Ground, more: impl IntoIterator<Item = Polygon<f64>>) -> Ground {
    together(ground.0.iter().cloned().chain(more).collect())
}

/// Without pieces and holes that are dust, and without hairs.
fn without_dust(ground: Ground) -> Ground {
    MultiPolygon::new(
        ground
            .0
            .into_iter()
            .map(|p| {
                let (outer, holes) = p.into_inner();
                let holes = holes.into_iter().map(without_hairs);
                let holes = holes.filter(|h| ring_m2(h) > DUST_M2).collect();
                Polygon::new(without_hairs(outer), holes)
            })
            .filter(|p| p.unsigned_area() > DUST_M2)
            .collect(),
    )
}

/// A ring without bits that run out and straight back: where edges of two polygons lie on each other, their union has some.
fn without_hairs(ring: LineString<f64>) -> LineString<f64> {
    let n = ring.0.len().saturating_sub(1);
    let is_hair = |i: usize| is_hair(ring.0[(i + n - 1) % n], ring.0[i], ring.0[i + 1]);
    if n < 3 || !(0..n).any(is_hair) {
        return ring;
    }
    let mut out: Vec<Coord<f64>> = Vec::with_capacity(n);
    for &c in &ring.0[..n] {
        add_without_hair(&mut out, c);
    }
    // Those at the ring's own beginning: walked over once more from the middle of what is left.
    let half = out.len() / 2;
    out.rotate_left(half);
    let mut again = Vec::with_capacity(out.len());
    for c in out {
        add_without_hair(&mut again, c);
    }
    LineString::new(again)
}

fn add_without_hair(out: &mut Vec<Coord<f64>>, c: Coord<f64>) {
    while let [.., a, b] = out[..] {
        if !is_hair(a, b, c) {
            break;
        }
        out.pop();
    }
    if out.last() != Some(&c) {
        out.push(c);
    }
}

/// Whether the way from `a` to `b` to `c` turns straight back on itself.
fn is_hair(a: Coord<f64>, b: Coord<f64>, c: Coord<f64>) -> bool {
    let (out, back) = (b - a, c - b);
    let longer_m = apart(a, b).max(apart(b, c));
    out.x * back.x + out.y * back.y < 0.0 && turn(a, b, c).abs() <= HAIR_M * longer_m
}

fn ring_m2(line: &LineString<f64>) -> f64 {
    Polygon::new(line.clone(), vec![]).unsigned_area()
}

/// Many polygons as one ground, near ones first: what lies inside a union is gone before the next one is made.
pub(super) fn union_near_first(mut parts: Vec<(Coord<f64>, Polygon<f64>)>) -> Ground {
    if parts.len() <= 4 {
        return together(parts.into_iter().map(|(_, p)| p).collect());
    }
    let span = |pick: fn(&Coord<f64>) -> f64| {
        let (low, high) = parts
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (c, _)| {
                (l.min(pick(c)), h.max(pick(c)))
            });
        high - low
    };
    let wide = span(|c| c.x) >= span(|c| c.y);
    parts.sort_by(|(a, _), (b, _)| {
        let (first, second) = if wide {
            (a.x.total_cmp(&b.x), a.y.total_cmp(&b.y))
        } else {
            (a.y.total_cmp(&b.y), a.x.total_cmp(&b.x))
        };
        first.then(second)
    });
    let far = parts.split_off(parts.len() / 2);
    let (a, b) = rayon::join(|| union_near_first(parts), || union_near_first(far));
    with(&a, b.0)
}

/// The ground with its holes filled, but for those larger than `keep_m2`; and how much land that took in, m2.
pub(super) fn without_holes(ground: Ground, keep_m2: f64) -> (Ground, f64) {
    let mut filled_m2 = 0.0;
    let parts: Vec<Polygon<f64>> = ground
        .0
        .into_iter()
        .map(|polygon| {
            let (outer, holes) = polygon.into_inner();
            let kept = holes
                .into_iter()
                .filter(|hole| {
                    let m2 = ring_m2(hole);
                    let keep = m2 > keep_m2;
                    filled_m2 += if keep { 0.0 } else { m2 };
                    keep
                })
                .collect();
            Polygon::new(outer, kept)
        })
        .collect();
    // A polygon may stand in a hole of another.
    if filled_m2 > 0.0 && parts.len() > 1 {
        let before: f64 = parts.iter().map(geo::Area::unsigned_area).sum();
        let ground = together(parts);
        let overlap_m2 = before - ground.unsigned_area();
        return (ground, (filled_m2 - overlap_m2).max(0.0));
    }
    (MultiPolygon::new(parts), filled_m2)
}

fn resized(ground: &Ground, by_m: f64) -> Ground {
    let style = BufferStyle::new(by_m).line_join(LineJoin::Round(JOIN_RAD));
    ground.buffer_with_style(style)
}

/// Morphological closing: the ground with every place that no disc of diameter `gap_m` can reach from outside (Serra 1982,
/// Image analysis and mathematical morphology), to 0.03 % of the gap, since rounded corners are polygons. The ground itself where
/// there is no such place. Slits may be left; see [`mended`].
pub(super) fn closed(ground: Ground, gap_m: f64) -> Ground {
    // Grown so that the rounded corners hold the true ones, and shrunk by as much, so that straight edges come back where they
    // were.
    let by_m = 0.5 * gap_m / (0.5 * JOIN_RAD).cos();
    // Only what is really new: where both have the same edge, two roundings of it would leave slits.
    let new = resized(&resized(&ground, by_m), -by_m).difference(&ground);
    let mut real = new
        .0
        .into_iter()
        .filter(|piece| {
            let round_m: f64 = piece.exterior().0.windows(2).map(|w| apart(w[0], w[1])).sum();
            piece.unsigned_area() > SLIVER_M2.max(SLIVER_M * round_m)
        })
        .peekable();
    if real.peek().is_none() {
        return ground;
    }
    with(&ground, real)
}

/// The box of the ground within a geodesic radius of a position, to a hundredth of a millimetre: south-western and north-eastern
/// corner.
pub(super) fn disc_box(frame: &Frame, at: Position, radius_m: f64) -> (Coord<f64>, Coord<f64>) {
    let on = |azimuth_deg: f64| {
        let xy = frame.to_xy_exact(destination(at, azimuth_deg, radius_m));
        Coord { x: xy.x_m, y: xy.y_m }
    };
    // Each side is reached near its own direction; by thirds, since the way there rises to it and falls behind it.
    let most = |towards_deg: f64, reach: fn(Coord<f64>) -> f64| {
        let (mut low, mut high) = (towards_deg - 60.0, towards_deg + 60.0);
        for _ in 0..60 {
            let third = (high - low) / 3.0;
            if reach(on(low + third)) < reach(on(high - third)) {
                low += third;
            } else {
                high -= third;
            }
        }
        reach(on(0.5 * (low + high)))
    };
    let (east, north) = (most(90.0, |c| c.x), most(0.0, |c| c.y));
    let (west, south) = (-most(270.0, |c| -c.x), -most(180.0, |c| -c.y));
    (Coord { x: west, y: south }, Coord { x: east, y: north })
}

/// A new piece smaller than this, or narrower, is a sliver of rounding, m2 and metres.
const SLIVER_M2: f64 = 1.0;
const SLIVER_M: f64 = 0.02;
/// By so much a ground is grown to close slits and undo knots that rounding left, metres; less than [`DISC_MARGIN_M`].
pub(super) const MEND_M: f64 = 0.01;

/// The ground a centimetre larger, without the slits and knots that are narrower than two. Never inward.
pub(super) fn mended(ground: Ground) -> Ground {
    let style = BufferStyle::new(MEND_M).line_join(LineJoin::Miter(1.0));
    let grown = without_dust(ground.buffer_with_style(style));
    let grown = grown.into_iter().map(|p| {
        let (outer, holes) = p.into_inner();
        Polygon::new(without_waste(&outer), holes.iter().map(without_waste).collect())
    });
    with(&ground, grown)
}

/// A ring without corners that lie on the straight way between their neighbours: growing puts one either side of each corner,
/// less than a millimetre off, and an edge so short has no way of its own.
fn without_waste(ring: &LineString<f64>) -> LineString<f64> {
    let mut out: Vec<Coord<f64>> = Vec::with_capacity(ring.0.len());
    for &c in &ring.0 {
        if let [.., a, b] = out[..]
            && turn(a, b, c).abs() <= WASTE_M * apart(a, c)
            && (b - a).x * (c - b).x + (b - a).y * (c - b).y >= 0.0
        {
            out.pop();
        }
        out.push(c);
    }
    if out.len() < 4 {
        ring.clone()
    } else {
        LineString::new(out)
    }
}

/// A triangle, counterclockwise; `None` where there is none.
pub(super) fn triangle(a: Coord<f64>, b: Coord<f64>, c: Coord<f64>) -> Option<Polygon<f64>> {
    let doubled = turn(a, b, c);
    if doubled.abs() < 1e-6 {
        return None;
    }
    let corners = if doubled > 0.0 {
        vec![a, b, c]
    } else {
        vec![a, c, b]
    };
    Some(Polygon::new(LineString::new(corners), vec![]))
}

/// What a line sweeps on its way from `p` to `p2` when each point of it is tied to its own point (`q`, `q2`) of the ground.
pub(super) fn swept(
    p: Coord<f64>,
    p2: Coord<f64>,
    q: Coord<f64>,
    q2: Coord<f64>,
) -> impl Iterator<Item = Polygon<f64>> {
    triangle(p, p2, q).into_iter().chain(triangle(p2, q2, q))
}

/// Points along a line, no farther apart than `step_m`; its own corners among them.
pub(super) fn points_along(line: &[Coord<f64>], step_m: f64) -> Vec<Coord<f64>> {
    let mut out = Vec::new();
    for w in line.windows(2) {
        let pieces = (apart(w[0], w[1]) / step_m).ceil().max(1.0);
        out.extend((0..pieces as usize).map(|k| w[0] + (w[1] - w[0]) * (k as f64 / pieces)));
    }
    out.extend(line.last());
    out
}

/// Joins parts that lie within `gap_m` of each other, with the land between: all that lies on the shortest way from a point of
/// one to the other, where that is no longer than the gap.
///
/// The closing alone leaves two round zones apart whose gap is only a little below the limit.
pub(super) fn joined(mut ground: Ground, gap_m: f64) -> Ground {
    // Each round joins every part to a neighbour, so parts at least halve while any are near.
    for _ in 0..64 {
        let bridges = bridges(&ground, gap_m);
        if bridges.is_empty() {
            return ground;
        }
        let parts = ground.0.len();
        ground = with(&ground, bridges);
        if ground.0.len() >= parts {
            return ground;
        }
    }
    ground
}

fn bridges(ground: &Ground, gap_m: f64) -> Vec<Polygon<f64>> {
    if ground.0.len() < 2 {
        return Vec::new();
    }
    let tree = edge_index(ground);
    let step_m = (gap_m / 16.0).max(1.0);
    let mut found = Vec::new();
    for (part, polygon) in ground.iter().enumerate() {
        let across = |p: Coord<f64>| {
            let point = [p.x, p.y];
            tree.locate_within_distance(point, gap_m * gap_m)
                .filter(|edge| edge.part != part)
                .map(|edge| edge.nearest(p))
                .min_by(|a, b| apart(*a, p).total_cmp(&apart(*b, p)))
        };
        let points = points_along(&polygon.exterior().0, step_m);
        let tied: Vec<(Coord<f64>, Option<Coord<f64>>)> =
            points.into_iter().map(|p| (p, across(p))).collect();
        for w in tied.windows(2) {
            match (w[0], w[1]) {
                ((p, Some(q)), (p2, Some(q2))) => found.extend(swept(p, p2, q, q2)),
                // A neck narrower than the step: half the edge is near, and at least that is taken in.
                ((p, Some(q)), (p2, None)) | ((p2, None), (p, Some(q))) => {
                    let short = (1.0 / apart(p, p2).max(1.0)).min(1.0);
                    found.extend(triangle(p, p + (p2 - p) * short, q));
                }
                _ => {}
            }
        }
    }
    found
}

/// Ground of one that is not of the other, m2.
#[cfg(test)]
pub(super) fn beyond_m2(a: &Ground, b: &Ground) -> f64 {
    a.difference(b).unsigned_area()
}
