//! Spots moved to places that may be used: the nearest suitable one each, and why some could not be placed.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BinaryHeap};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{Cell, M2_PER_KM2, Rings, Spot};
use crate::detection::Point;
use crate::error::{ModelError, check};

/// Ground on which no baited trap may hang: a lure draws the pest into land that may be clean.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoBait {
    /// What it is called ("nursery at the mill").
    pub name: String,
    /// The ground.
    pub ground: Ground,
}

/// A piece of ground, in metres of the local frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Ground {
    /// All within a distance of a point.
    Circle {
        /// Middle, metres.
        at: Point,
        /// Radius, metres, above 0.
        radius_m: f64,
    },
    /// A polygon: closed lines, outer ones and holes alike (a point is inside if it lies in an odd number of them).
    Polygon {
        /// Lines of three corners or more; the last need not repeat the first.
        lines: Vec<Vec<Point>>,
    },
}

impl Ground {
    /// Checks the figures.
    ///
    /// # Errors
    /// A radius not above 0, a line of fewer than three corners, a corner that is no number.
    pub fn check(&self) -> Result<(), ModelError> {
        match self {
            Ground::Circle { at, radius_m } => {
                check("x of a circle", at.x_m, true, "a finite number")?;
                check("y of a circle", at.y_m, true, "a finite number")?;
                check("radius of a circle", *radius_m, *radius_m > 0.0, "above 0 m").map(drop)
            }
            Ground::Polygon { lines } => {
                for line in lines {
                    let n = line.len() as f64;
                    check("corners of a polygon", n, n >= 3.0, "3 or more")?;
                    for p in line {
                        check("x of a corner", p.x_m, true, "a finite number")?;
                        check("y of a corner", p.y_m, true, "a finite number")?;
                    }
                }
                Ok(())
            }
        }
    }

    /// Whether a point lies in it.
    pub fn holds(&self, p: Point) -> bool {
        match self {
            Ground::Circle { at, radius_m } => at.distance_m(p) <= *radius_m,
            Ground::Polygon { lines } => {
                let mut inside = false;
                for line in lines {
                    for (k, a) in line.iter().enumerate() {
                        let b = line[(k + 1) % line.len()];
                        let crosses = (a.y_m > p.y_m) != (b.y_m > p.y_m);
                        if crosses && p.x_m < (b.x_m - a.x_m) * (p.y_m - a.y_m) / (b.y_m - a.y_m) + a.x_m {
                            inside = !inside;
                        }
                    }
                }
                inside
            }
        }
    }
}

/// A spot with its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// Index of the spot.
    pub spot: usize,
    /// Index of the place.
    pub place: usize,
    /// How far the trap hangs from the spot, metres.
    pub moved_m: f64,
}

/// Why a spot has no place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Why {
    /// It lies on ground where nothing may be baited: index of the zone.
    NoBait(usize),
    /// No place in its cell or ring lies near enough.
    NoPlace,
    /// Places there are, but nothing may be baited there: index of the zone of the nearest.
    PlacesNoBait(usize),
    /// Places there are, but other spots are nearer to them.
    Taken,
}

/// A spot that could not be placed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missing {
    /// Index of the spot.
    pub spot: usize,
    /// Why.
    pub why: Why,
}

impl Missing {
    /// In words.
    pub fn words(&self, zones: &[NoBait]) -> String {
        let name = |n: &usize| zones.get(*n).map_or("", |z| z.name.as_str()).to_owned();
        match &self.why {
            Why::NoBait(zone) => format!("lies in \"{}\", where nothing may be baited", name(zone)),
            Why::NoPlace => "no place that may be used lies near enough in its part of the ring".into(),
            Why::PlacesNoBait(zone) => {
                format!(
                    "the places near it lie in \"{}\", where nothing may be baited",
                    name(zone)
                )
            }
            Why::Taken => "the places near it are taken by spots that lie nearer".into(),
        }
    }
}

/// Spots and their places.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Snapped {
    /// Spots placed, by spot.
    pub placed: Vec<Placed>,
    /// Spots that were not, by spot.
    pub missing: Vec<Missing>,
}

struct Next {
    moved_m: f64,
    spot: usize,
    place: usize,
}
impl PartialEq for Next {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Next {}
impl PartialOrd for Next {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Next {
    /// The nearest pair is the greatest: it leaves the heap first.
    fn cmp(&self, other: &Self) -> Ordering {
        let by = other.moved_m.total_cmp(&self.moved_m);
        by.then(other.spot.cmp(&self.spot))
            .then(other.place.cmp(&self.place))
    }
}

/// Gives spots of a day to places, one trap a place: always the nearest pair that is left, so that no trap hangs farther off than
/// it must. A place serves a spot of its own cell (its own ring, where rings are circles) no farther than `most_m`; left out, the
/// whole cell, or for circles one spacing between the ring's traps (design choice: farther off is another spot's ground).
///
/// # Errors
/// A zone or a place that is no ground, a distance not above 0.
pub fn snap(
    rings: &Rings,
    on: Date,
    spots: &[Spot],
    places: &[Point],
    zones: &[NoBait],
    most_m: Option<f64>,
) -> Result<Snapped, ModelError> {
    if let Some(most_m) = most_m {
        check("the distance to a place", most_m, most_m > 0.0, "above 0 m")?;
    }
    zones.iter().try_for_each(|z| z.ground.check())?;
    for p in places {
        check("x of a place", p.x_m, true, "a finite number")?;
        check("y of a place", p.y_m, true, "a finite number")?;
    }
    let board = Board::new(rings, on, spots, places, zones, most_m);
    let mut taken = vec![false; places.len()];
    let mut answer = Snapped::default();
    let mut heap = BinaryHeap::new();
    for (spot, s) in spots.iter().enumerate() {
        match zone_of(zones, s.at) {
            Some(zone) => answer.missing.push(Missing {
                spot,
                why: Why::NoBait(zone),
            }),
            None => match board.nearest(spot, &taken) {
                Some(next) => heap.push(next),
                None => answer.missing.push(board.missing(spot)),
            },
        }
    }
    while let Some(next) = heap.pop() {
        if taken[next.place] {
            match board.nearest(next.spot, &taken) {
                Some(next) => heap.push(next),
                None => answer.missing.push(Missing {
                    spot: next.spot,
                    why: Why::Taken,
                }),
            }
            continue;
        }
        taken[next.place] = true;
        answer.placed.push(Placed {
            spot: next.spot,
            place: next.place,
            moved_m: next.moved_m,
        });
    }
    answer.placed.sort_by_key(|p| p.spot);
    answer.missing.sort_by_key(|m| m.spot);
    Ok(answer)
}

fn zone_of(zones: &[NoBait], at: Point) -> Option<usize> {
    zones.iter().position(|z| z.ground.holds(at))
}

/// Where a place is kept: its square cell, or a square as wide as a trap may be moved.
type Bucket = (i64, i64);

struct Board<'a> {
    rings: &'a Rings,
    spots: &'a [Spot],
    places: &'a [Point],
    /// Ring and square of each place, and the zone that forbids it.
    ring: Vec<Option<usize>>,
    cell: Vec<Option<Cell>>,
    zone: Vec<Option<usize>>,
    buckets: BTreeMap<Bucket, Vec<usize>>,
    wide_m: f64,
    most_m: Option<f64>,
}

impl<'a> Board<'a> {
    fn new(
        rings: &'a Rings,
        on: Date,
        spots: &'a [Spot],
        places: &'a [Point],
        zones: &[NoBait],
        most_m: Option<f64>,
    ) -> Self {
        let mut board = Board {
            rings,
            spots,
            places,
            ring: places.iter().map(|p| rings.ring_of(*p, on)).collect(),
            cell: places.iter().map(|p| rings.cell_of(*p)).collect(),
            zone: places.iter().map(|p| zone_of(zones, *p)).collect(),
            buckets: BTreeMap::new(),
            wide_m: 1.0,
            most_m,
        };
        let limits = spots.iter().map(|s| board.limit_m(s)).filter(|m| m.is_finite());
        board.wide_m = limits.fold(1.0, f64::max);
        for (i, p) in places
            .iter()
            .enumerate()
            .filter(|(i, _)| board.ring[*i].is_some())
        {
            let bucket = board.bucket(*p, board.cell[i]);
            board.buckets.entry(bucket).or_default().push(i);
        }
        board
    }

    fn limit_m(&self, spot: &Spot) -> f64 {
        if let Some(most_m) = self.most_m {
            return most_m;
        }
        if spot.cell.is_some() {
            return f64::INFINITY;
        }
        let density = self.rings.protocol().traps_per_km2(spot.ring);
        if density > 0.0 {
            return (M2_PER_KM2 / density).sqrt();
        }
        // A centre with extra traps only: as far as its ring goes.
        let edge = self.rings.protocol().ring[spot.ring].to_m.as_ref();
        edge.map_or(1.0, |p| p.central())
    }

    fn bucket(&self, at: Point, cell: Option<Cell>) -> Bucket {
        match cell {
            Some(cell) => (cell.column, cell.row),
            None => (
                (at.x_m / self.wide_m).floor() as i64,
                (at.y_m / self.wide_m).floor() as i64,
            ),
        }
    }

    /// Places near enough in the spot's own part of the ring, with their distance.
    fn near(&self, spot: usize) -> impl Iterator<Item = (usize, f64)> {
        let s = &self.spots[spot];
        let limit = self.limit_m(s);
        let (x, y) = self.bucket(s.at, s.cell);
        let round = if s.cell.is_some() { 0 } else { 1 };
        (-round..=round)
            .flat_map(move |dx| (-round..=round).map(move |dy| (x + dx, y + dy)))
            .filter_map(|bucket| self.buckets.get(&bucket))
            .flatten()
            .filter(move |i| self.ring[**i] == Some(s.ring) && self.cell[**i] == s.cell)
            .map(move |i| (*i, s.at.distance_m(self.places[*i])))
            .filter(move |(_, d)| *d <= limit)
    }

    fn nearest(&self, spot: usize, taken: &[bool]) -> Option<Next> {
        self.near(spot)
            .filter(|(i, _)| !taken[*i] && self.zone[*i].is_none())
            .map(|(place, moved_m)| Next { moved_m, spot, place })
            .max()
    }

    fn missing(&self, spot: usize) -> Missing {
        let nearest = self
            .near(spot)
            .min_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
        let why = match nearest.and_then(|(i, _)| self.zone[i]) {
            Some(zone) => Why::PlacesNoBait(zone),
            None => Why::NoPlace,
        };
        Missing { spot, why }
    }
}
