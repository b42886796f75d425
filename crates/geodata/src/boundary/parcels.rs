//! Parcels kept whole.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_model::record::{Area, Position};
use geo::{Area as _, BooleanOps, BoundingRect, Coord, LineString, MultiPolygon, Polygon};
use rayon::prelude::*;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

use super::plane::{Ground, edges, to_plane, with};
use super::{BoundaryError, Labelled};
use crate::geodesy::{Frame, Xy};

type Boxed = GeomWithData<Rectangle<[f64; 2]>, usize>;

/// Parcels that touch the boundary by so little are not split by it: maps of parcels and roads fit each other no better.
/// Square metres, and metres of width along the parcel's own boundary. Design choice.
const TOUCH_M2: f64 = 1.0;
const TOUCH_M: f64 = 0.02;
/// A box in degrees is asked for with this much about it, degrees: a quarter of a metre.
const PAD_DEG: f64 = 2.5e-6;

/// Named polygons, ready to be asked which of them a boundary crosses.
pub(super) struct Parcels<'a> {
    all: &'a [Labelled<'a>],
    tree: RTree<Boxed>,
    frame: Frame,
}

pub(super) fn box_of(area: &Area) -> Option<([f64; 2], [f64; 2])> {
    let corners = area.0.iter().filter_map(|rings| rings.first()).flatten();
    corners.fold(None, |bounds, &[x, y]| {
        let ([w, s], [e, n]) = bounds.unwrap_or(([x, y], [x, y]));
        Some(([w.min(x), s.min(y)], [e.max(x), n.max(y)]))
    })
}

/// What is unsound about any of the areas, told with its label.
pub(super) fn check_all(what: &'static str, all: &[Labelled<'_>]) -> Result<(), BoundaryError> {
    let wrong = |one: &Labelled<'_>| {
        let beyond = one
            .area
            .0
            .iter()
            .flatten()
            .flatten()
            .find(|c| Position::new(c[1], c[0]).is_err())
            .map(|c| {
                (
                    "a corner lies outside the globe".to_owned(),
                    format!("[{}, {}]", c[0], c[1]),
                )
            });
        let (rule, value) = beyond.or_else(|| crate::area::fault(one.area))?;
        Some(BoundaryError::Polygon {
            what,
            label: one.label.to_owned(),
            rule,
            value,
        })
    };
    let found: Vec<BoundaryError> = all.par_iter().filter_map(wrong).collect();
    found.into_iter().next().map_or(Ok(()), Err)
}

impl<'a> Parcels<'a> {
    pub(super) fn new(all: &'a [Labelled<'a>], frame: Frame) -> Self {
        let boxes = all.iter().enumerate().filter_map(|(i, one)| {
            let (low, high) = box_of(one.area)?;
            Some(Boxed::new(Rectangle::from_corners(low, high), i))
        });
        Parcels {
            all,
            tree: RTree::bulk_load(boxes.collect()),
            frame,
        }
    }

    /// Those whose box meets an edge of the ground.
    pub(super) fn near(&self, ground: &Ground) -> BTreeSet<usize> {
        let degrees = |c: Coord<f64>| {
            let p = self.frame.from_xy(Xy { x_m: c.x, y_m: c.y });
            [p.lon, p.lat]
        };
        let mut found = BTreeSet::new();
        for edge in edges(ground).0 {
            let (a, b) = (degrees(edge.a), degrees(edge.b));
            let low = [a[0].min(b[0]) - PAD_DEG, a[1].min(b[1]) - PAD_DEG];
            let high = [a[0].max(b[0]) + PAD_DEG, a[1].max(b[1]) + PAD_DEG];
            let met = self
                .tree
                .locate_in_envelope_intersecting(&AABB::from_corners(low, high));
            found.extend(met.map(|boxed| boxed.data));
        }
        found
    }

    /// Those whose box meets the ground's own box.
    pub(super) fn about(&self, ground: &Ground) -> Vec<usize> {
        let area = super::plane::to_area(&self.frame, ground);
        let Some((low, high)) = box_of(&area) else {
            return Vec::new();
        };
        let mut found: Vec<usize> = self
            .tree
            .locate_in_envelope_intersecting(&AABB::from_corners(low, high))
            .map(|boxed| boxed.data)
            .collect();
        found.sort_unstable();
        found
    }

    pub(super) fn plane(&self, at: usize) -> Ground {
        to_plane(&self.frame, self.all[at].area)
    }

    pub(super) fn label(&self, at: usize) -> &'a str {
        self.all[at].label
    }
}

/// How much of a parcel lies in the ground.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Share {
    pub(super) whole_m2: f64,
    pub(super) within_m2: f64,
    /// What counts as nothing, m2.
    pub(super) touch_m2: f64,
}

impl Share {
    pub(super) fn is_met(self) -> bool {
        self.within_m2 > self.touch_m2
    }

    pub(super) fn is_split(self) -> bool {
        self.is_met() && self.whole_m2 - self.within_m2 > self.touch_m2
    }
}

/// How much of `parcel` lies in `ground`. Only the ground about the parcel is looked at.
pub(super) fn share(parcel: &Ground, ground: &Ground) -> Share {
    let whole_m2 = parcel.unsigned_area();
    let round_m: f64 = edges(parcel).1.iter().sum();
    let touch_m2 = (TOUCH_M2 + TOUCH_M * round_m).min(0.05 * whole_m2);
    let within_m2 = parcel.bounding_rect().map_or(0.0, |bounds| {
        parcel.intersection(&clipped(ground, bounds)).unsigned_area()
    });
    Share {
        whole_m2,
        within_m2,
        touch_m2,
    }
}

/// The ground within a rectangle (Sutherland and Hodgman 1974), ring by ring; edges may run along the rectangle twice, which
/// changes no area.
fn clipped(ground: &Ground, bounds: geo::Rect<f64>) -> Ground {
    let ring = |line: &LineString<f64>| {
        let mut at: Vec<Coord<f64>> = line.0.clone();
        at.pop();
        at = half(&at, |c| c.x - bounds.min().x);
        at = half(&at, |c| bounds.max().x - c.x);
        at = half(&at, |c| c.y - bounds.min().y);
        at = half(&at, |c| bounds.max().y - c.y);
        LineString::new(at)
    };
    MultiPolygon::new(
        ground
            .iter()
            .filter_map(|polygon| {
                let outer = ring(polygon.exterior());
                let holes = polygon
                    .interiors()
                    .iter()
                    .map(ring)
                    .filter(|h| h.0.len() > 2)
                    .collect();
                (outer.0.len() > 2).then(|| Polygon::new(outer, holes))
            })
            .collect(),
    )
}

/// The part of a ring on which `side` is 0 or more.
fn half(ring: &[Coord<f64>], side: impl Fn(Coord<f64>) -> f64) -> Vec<Coord<f64>> {
    let mut out = Vec::with_capacity(ring.len().min(64));
    let Some(&last) = ring.last() else {
        return out;
    };
    let (mut before, mut before_side) = (last, side(last));
    for &here in ring {
        let here_side = side(here);
        if (before_side < 0.0) != (here_side < 0.0) {
            out.push(before + (here - before) * (before_side / (before_side - here_side)));
        }
        if here_side >= 0.0 {
            out.push(here);
        }
        (before, before_side) = (here, here_side);
    }
    out
}

/// What became of parcels at a boundary.
#[derive(Debug, Default)]
pub(super) struct Taken {
    /// Taken whole.
    pub(super) whole: BTreeMap<usize, Ground>,
    /// Too large to be taken; they stay split.
    pub(super) split: BTreeSet<usize>,
}

/// The ground with every parcel that its boundary would split taken in whole.
pub(super) fn take_whole(
    mut ground: Ground,
    parcels: &Parcels<'_>,
    largest_m2: f64,
    taken: &mut Taken,
) -> Ground {
    // Parcels that overlap others may bring new ones; each round takes at least one, so it ends.
    loop {
        let candidates: Vec<usize> = parcels
            .near(&ground)
            .into_iter()
            .filter(|i| !taken.whole.contains_key(i) && !taken.split.contains(i))
            .collect();
        let met: Vec<(usize, Ground, Share)> = candidates
            .into_par_iter()
            .map(|i| {
                let parcel = parcels.plane(i);
                let share = share(&parcel, &ground);
                (i, parcel, share)
            })
            .filter(|(_, _, share)| share.is_split())
            .collect();
        let mut new = Vec::new();
        for (i, parcel, share) in met {
            if share.whole_m2 > largest_m2 {
                taken.split.insert(i);
            } else {
                new.extend(parcel.0.iter().cloned());
                taken.whole.insert(i, parcel);
            }
        }
        if new.is_empty() {
            return ground;
        }
        ground = with(&ground, new);
    }
}
