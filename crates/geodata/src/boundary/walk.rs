//! A boundary in words: a walk round it, along named lines, along the limits of parcels, and in straight lines.

use earlywood_model::record::Position;
use geo::{Coord, LineString};
use geographiclib_rs::{Geodesic, InverseGeodesic};
use rstar::{AABB, PointDistance, RTree, RTreeObject};
use serde::{Deserialize, Serialize};

use super::plane::{Edge, Ground, apart};
use crate::geodesy::{Frame, Xy};

/// An edge runs along a line or a limit when it lies within this of it, metres. Design choice: more than rounding, less than
/// any real distance between two lines.
const ALONG_M: f64 = 0.05;
/// Shorter bits of a boundary are not told by themselves, metres. Design choice.
const SHORTEST_M: f64 = 1.0;
/// A straight leg ends where the way turns by more than this, degrees.
const STRAIGHT_DEG: f64 = 0.2;

/// What a stretch of a boundary runs along.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Along {
    /// A named line.
    Line(String),
    /// The limits of parcels, in the order of the walk.
    Parcels(Vec<String>),
    /// The limits of administrative units.
    Units(Vec<String>),
    /// A straight line that nothing on the ground marks.
    Straight,
    /// The curve at the rule's distance from the finds.
    Curve,
}

/// One stretch of a walk round an area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// What it runs along.
    pub along: Along,
    /// Where it begins.
    pub from: Position,
    /// Where it ends.
    pub to: Position,
    /// Its length, metres, on the ground.
    pub length_m: f64,
    /// Direction from its beginning to its end, degrees clockwise from true north.
    pub bearing_deg: f64,
}

/// A walk round one ring of an area, clockwise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Walk {
    /// Whether it goes round land that is not in the area.
    pub hole: bool,
    /// Its stretches; each begins where the one before ends.
    pub stretches: Vec<Stretch>,
}

/// What edges of a boundary may run along.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Mark {
    Line(String),
    Parcel(String),
    Unit(String),
}

struct Marked {
    edge: Edge,
    mark: usize,
}

impl RTreeObject for Marked {
    type Envelope = AABB<[f64; 2]>;
    fn envelope(&self) -> Self::Envelope {
        self.edge.envelope()
    }
}

impl PointDistance for Marked {
    fn distance_2(&self, point: &[f64; 2]) -> f64 {
        self.edge.distance_2(point)
    }
}

/// Lines and limits, ready to be asked which of them an edge runs along.
pub(super) struct Marks {
    tree: RTree<Marked>,
    marks: Vec<Mark>,
}

impl Marks {
    /// Marks in the order of their rank: where an edge runs along several, the first is named.
    pub(super) fn new(marked: impl IntoIterator<Item = (Mark, Vec<Vec<Coord<f64>>>)>) -> Self {
        let (mut marks, mut all) = (Vec::new(), Vec::new());
        for (mark, lines) in marked {
            for line in lines {
                all.extend(line.windows(2).map(|w| Marked {
                    edge: Edge {
                        a: w[0],
                        b: w[1],
                        ring: 0,
                        part: 0,
                        along_m: 0.0,
                    },
                    mark: marks.len(),
                }));
            }
            marks.push(mark);
        }
        Marks {
            tree: RTree::bulk_load(all),
            marks,
        }
    }

    fn at(&self, p: Coord<f64>) -> Vec<usize> {
        let near = self.tree.locate_within_distance([p.x, p.y], ALONG_M * ALONG_M);
        let mut found: Vec<usize> = near.map(|marked| marked.mark).collect();
        found.sort_unstable();
        found.dedup();
        found
    }

    /// The edge from `a` to `b` in pieces, each with its end and what it runs along, if anything. A long edge may run along the
    /// limits of many parcels in a row: it is cut where one of them ends.
    pub(super) fn pieces(&self, a: Coord<f64>, b: Coord<f64>) -> Vec<(Coord<f64>, Option<&Mark>)> {
        let edge = Edge {
            a,
            b,
            ring: 0,
            part: 0,
            along_m: 0.0,
        };
        let low = [a.x.min(b.x) - ALONG_M, a.y.min(b.y) - ALONG_M];
        let high = [a.x.max(b.x) + ALONG_M, a.y.max(b.y) + ALONG_M];
        let met = self
            .tree
            .locate_in_envelope_intersecting(&AABB::from_corners(low, high));
        let mut cuts: Vec<(f64, Coord<f64>)> = Vec::new();
        for end in met.flat_map(|marked| [marked.edge.a, marked.edge.b]) {
            let on = edge.nearest(end);
            if apart(on, end) <= ALONG_M {
                cuts.push((apart(a, on), on));
            }
        }
        cuts.sort_by(|one, other| one.0.total_cmp(&other.0));
        let (mut from, mut at_m, mut out) = (a, 0.0, Vec::new());
        let whole_m = apart(a, b);
        for (cut_m, on) in cuts {
            if cut_m - at_m > 2.0 * ALONG_M && whole_m - cut_m > 2.0 * ALONG_M {
                out.push((on, self.along(from, on)));
                (from, at_m) = (on, cut_m);
            }
        }
        out.push((b, self.along(from, b)));
        out
    }

    /// What the edge from `a` to `b` runs along in its whole length, if anything.
    fn along(&self, a: Coord<f64>, b: Coord<f64>) -> Option<&Mark> {
        let middle = a + (b - a) * 0.5;
        let (at_a, at_b) = (self.at(a), self.at(b));
        self.at(middle)
            .into_iter()
            .find(|mark| at_a.contains(mark) && at_b.contains(mark))
            .map(|mark| &self.marks[mark])
    }
}

/// Rings of a ground and of areas, as lines.
pub(super) fn rings_of(ground: &Ground) -> Vec<Vec<Coord<f64>>> {
    ground
        .iter()
        .flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()))
        .map(|line| line.0.clone())
        .collect()
}

/// Walks round every ring, clockwise, from its northernmost corner; the outer rings of the largest parts first as given.
pub(super) fn walks(frame: &Frame, ground: &Ground, marks: &Marks, straight: bool) -> Vec<Walk> {
    let mut out = Vec::new();
    for polygon in ground {
        out.push(Walk {
            hole: false,
            stretches: round(frame, polygon.exterior(), marks, straight),
        });
        for hole in polygon.interiors() {
            out.push(Walk {
                hole: true,
                stretches: round(frame, hole, marks, straight),
            });
        }
    }
    out
}

/// A run of corners along one thing.
struct Run {
    along: Along,
    corners: Vec<Coord<f64>>,
}

fn round(frame: &Frame, ring: &LineString<f64>, marks: &Marks, straight: bool) -> Vec<Stretch> {
    let corners = clockwise_from_north(ring);
    let mut runs: Vec<Run> = Vec::new();
    for w in corners.windows(2) {
        let mut from = w[0];
        for (to, mark) in marks.pieces(w[0], w[1]) {
            let along = match mark {
                Some(Mark::Line(name)) => Along::Line(name.clone()),
                Some(Mark::Parcel(label)) => Along::Parcels(vec![label.clone()]),
                Some(Mark::Unit(label)) => Along::Units(vec![label.clone()]),
                None if straight => Along::Straight,
                None => Along::Curve,
            };
            add(&mut runs, along, from, to);
            from = to;
        }
    }
    let runs = without_bits(runs);
    runs.iter().filter_map(|run| stretch(frame, run)).collect()
}

fn clockwise_from_north(ring: &LineString<f64>) -> Vec<Coord<f64>> {
    let mut at: Vec<Coord<f64>> = ring.0.clone();
    at.pop();
    let doubled: f64 = ring.0.windows(2).map(|w| w[0].x * w[1].y - w[1].x * w[0].y).sum();
    if doubled > 0.0 {
        at.reverse();
    }
    let north = (0..at.len())
        .max_by(|&a, &b| at[a].y.total_cmp(&at[b].y))
        .unwrap_or(0);
    at.rotate_left(north);
    at.extend(at.first().copied());
    at
}

fn same_way(a: Coord<f64>, b: Coord<f64>, c: Coord<f64>) -> bool {
    let (first, second) = (b - a, c - b);
    let cross = first.x * second.y - first.y * second.x;
    let dot = first.x * second.x + first.y * second.y;
    cross.atan2(dot).abs() <= STRAIGHT_DEG.to_radians()
}

/// Whether a straight run of corners goes on to `b`. Bits that rounding left on a leg have no way of their own.
fn goes_straight(corners: &[Coord<f64>], b: Coord<f64>) -> bool {
    let (Some(&first), Some(&last)) = (corners.first(), corners.last()) else {
        return false;
    };
    apart(first, last) < SHORTEST_M || apart(last, b) < SHORTEST_M || same_way(first, last, b)
}

/// Adds an edge to the last run where it goes on with the same thing, else as a run of its own.
fn add(runs: &mut Vec<Run>, along: Along, a: Coord<f64>, b: Coord<f64>) {
    if let Some(last) = runs.last_mut() {
        let goes_on = match (&mut last.along, &along) {
            (Along::Line(x), Along::Line(y)) => x == y,
            (Along::Parcels(x), Along::Parcels(y)) | (Along::Units(x), Along::Units(y)) => {
                x.extend(
                    y.iter()
                        .filter(|label| x.last() != Some(label))
                        .cloned()
                        .collect::<Vec<_>>(),
                );
                true
            }
            (Along::Straight, Along::Straight) => goes_straight(&last.corners, b),
            (Along::Curve, Along::Curve) => true,
            _ => false,
        };
        if goes_on {
            last.corners.push(b);
            return;
        }
    }
    runs.push(Run {
        along,
        corners: vec![a, b],
    });
}

/// Bits too short to tell are walked with the stretch before.
fn without_bits(runs: Vec<Run>) -> Vec<Run> {
    let mut out: Vec<Run> = Vec::with_capacity(runs.len());
    for run in runs {
        let length_m: f64 = run.corners.windows(2).map(|w| apart(w[0], w[1])).sum();
        let Some(last) = out.last_mut() else {
            out.push(run);
            continue;
        };
        if length_m < SHORTEST_M {
            last.corners.extend(run.corners.into_iter().skip(1));
            continue;
        }
        // Two runs along the same thing with a bit between them are one.
        let again = match (&mut last.along, &run.along) {
            (Along::Line(x), Along::Line(y)) => x == y,
            (Along::Parcels(x), Along::Parcels(y)) | (Along::Units(x), Along::Units(y)) => {
                x.extend(
                    y.iter()
                        .filter(|label| x.last() != Some(label))
                        .cloned()
                        .collect::<Vec<_>>(),
                );
                true
            }
            (Along::Curve, Along::Curve) => true,
            (Along::Straight, Along::Straight) => run
                .corners
                .last()
                .is_some_and(|&end| goes_straight(&last.corners, end)),
            _ => false,
        };
        if again {
            last.corners.extend(run.corners.into_iter().skip(1));
        } else {
            out.push(run);
        }
    }
    out
}

fn stretch(frame: &Frame, run: &Run) -> Option<Stretch> {
    let at = |c: &Coord<f64>| frame.from_xy(Xy { x_m: c.x, y_m: c.y });
    let (from, to) = (at(run.corners.first()?), at(run.corners.last()?));
    let length_m = run
        .corners
        .windows(2)
        .map(|w| crate::geodesic_m(at(&w[0]), at(&w[1])))
        .sum();
    Some(Stretch {
        along: run.along.clone(),
        from,
        to,
        length_m,
        bearing_deg: bearing_deg(from, to),
    })
}

/// Azimuth of the geodesic at its beginning, degrees clockwise from true north, from 0 up to 360.
pub fn bearing_deg(from: Position, to: Position) -> f64 {
    let (_, azimuth_deg, _, _): (f64, f64, f64, f64) =
        Geodesic::wgs84().inverse(from.lat, from.lon, to.lat, to.lon);
    azimuth_deg.rem_euclid(360.0)
}

/// A position as a person reads it: degrees to five decimals (about a metre), with the hemisphere.
pub fn position_words(p: Position) -> String {
    let (ns, ew) = (
        if p.lat < 0.0 { 'S' } else { 'N' },
        if p.lon < 0.0 { 'W' } else { 'E' },
    );
    format!("{:.5} {ns}, {:.5} {ew}", p.lat.abs(), p.lon.abs())
}

fn length_words(metres: f64) -> String {
    if metres < 1_000.0 {
        format!("{metres:.0} m")
    } else {
        format!("{:.2} km", metres / 1_000.0)
    }
}

/// One of the eight directions.
fn heading(bearing_deg: f64) -> &'static str {
    const WORDS: [&str; 8] = [
        "north",
        "northeast",
        "east",
        "southeast",
        "south",
        "southwest",
        "west",
        "northwest",
    ];
    WORDS[((bearing_deg / 45.0).round() as usize) % 8]
}

fn names(labels: &[String]) -> String {
    match labels {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

impl Stretch {
    /// The stretch in words, to be read after "then".
    pub fn words(&self) -> String {
        let (length, to) = (length_words(self.length_m), position_words(self.to));
        let way = heading(self.bearing_deg);
        match &self.along {
            Along::Line(name) => format!("along {name}, {length}, bearing {way} overall, to {to}"),
            Along::Parcels(labels) if labels.len() == 1 => {
                format!("along the outer limit of parcel {}, {length}, to {to}", labels[0])
            }
            Along::Parcels(labels) => format!(
                "along the outer limits of parcels {}, {length}, to {to}",
                names(labels)
            ),
            Along::Units(labels) => format!("along the limit of {}, {length}, to {to}", names(labels)),
            Along::Straight => format!(
                "in a straight line not marked on the ground, bearing {:.1} degrees true, {length}, to {to}",
                self.bearing_deg
            ),
            Along::Curve => {
                format!("along the curve at the rule's distance from the finds, {length}, to {to}")
            }
        }
    }
}

impl Walk {
    /// The walk in words.
    pub fn words(&self) -> String {
        let Some(first) = self.stretches.first() else {
            return String::new();
        };
        let mut text = String::new();
        text.push_str(if self.hole {
            "Except the land inside this line: from "
        } else {
            "From "
        });
        text.push_str(&position_words(first.from));
        text.push_str(", clockwise: ");
        let legs: Vec<String> = self.stretches.iter().map(Stretch::words).collect();
        text.push_str(&legs.join("; then "));
        text.push_str(", where the line closes.");
        text
    }
}
