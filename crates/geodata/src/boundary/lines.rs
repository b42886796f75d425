//! The boundary moved out to named lines.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_model::record::Area;
use geo::Coord;
use rstar::RTree;

use super::NamedLine;
use super::parcels::box_of;
use super::plane::{
    Edge, Ground, apart, edges, inside_index, is_inside, line_to_plane, points_along, swept, to_area, with,
};
use crate::area::AreaIndex;
use crate::geodesy::Frame;

/// Metres in a degree of latitude, at least.
const M_PER_DEG: f64 = 110_000.0;
/// As many bins of the boundary in a row may be without a line before a stretch along it ends.
const LOOSE_BINS: usize = 2;

/// A point of a line outside the boundary, tied to the nearest point of it.
#[derive(Debug, Clone, Copy)]
struct Tie {
    p: Coord<f64>,
    q: Coord<f64>,
    ring: usize,
    bin: usize,
    off_m: f64,
}

/// The boundary in bins of equal length, ring by ring: which name runs nearest outside each.
struct Bins {
    step_m: f64,
    nearest: Vec<Vec<Option<(f64, usize)>>>,
}

impl Bins {
    fn new(lengths: &[f64], step_m: f64) -> Self {
        let ring = |length: &f64| vec![None; (length / step_m).ceil().max(1.0) as usize];
        Bins {
            step_m,
            nearest: lengths.iter().map(ring).collect(),
        }
    }

    fn note(&mut self, ring: usize, bin: usize, off_m: f64, name: usize) {
        let slot = &mut self.nearest[ring][bin];
        if slot.is_none_or(|(best, _)| off_m < best) {
            *slot = Some((off_m, name));
        }
    }

    /// Bins from one to another, the shorter way round.
    fn between(&self, ring: usize, from: usize, to: usize) -> Vec<usize> {
        let n = self.nearest[ring].len();
        let ahead = (to + n - from) % n;
        if ahead <= n / 2 {
            (0..=ahead).map(|k| (from + k) % n).collect()
        } else {
            (0..=n - ahead).map(|k| (to + k) % n).collect()
        }
    }

    /// For each bin the name whose stretch it belongs to, where the stretch is `least_m` long.
    fn stretches(&self, least_m: f64) -> Vec<Vec<Option<usize>>> {
        self.nearest
            .iter()
            .map(|ring| long_stretches(ring, self.step_m, least_m))
            .collect()
    }
}

fn long_stretches(ring: &[Option<(f64, usize)>], step_m: f64, least_m: f64) -> Vec<Option<usize>> {
    let n = ring.len();
    let mut out = vec![None; n];
    let names: BTreeSet<usize> = ring.iter().flatten().map(|&(_, name)| name).collect();
    for name in names {
        let mine = |i: usize| ring[i % n].is_some_and(|(_, other)| other == name);
        // Begin where a stretch begins, so that none is cut at the ring's first corner.
        let start = (0..n)
            .find(|&i| mine(i) && !(1..=LOOSE_BINS + 1).any(|k| mine(i + n - k % n)))
            .unwrap_or(0);
        let mut i = 0;
        while i < n {
            if !mine(start + i) {
                i += 1;
                continue;
            }
            let (mut end, mut loose) = (i, 0);
            let mut at = i + 1;
            while at < n && loose <= LOOSE_BINS {
                if mine(start + at) {
                    (end, loose) = (at, 0);
                } else {
                    loose += 1;
                }
                at += 1;
            }
            if (end + 1 - i) as f64 * step_m >= least_m {
                for k in i..=end {
                    let slot = &mut out[(start + k) % n];
                    if mine(start + k) || slot.is_none() {
                        *slot = Some(name);
                    }
                }
            }
            i = end + 1;
        }
    }
    out
}

/// The ground moved out to named lines that run within `within_m` outside it, along at least `least_m` of its boundary; and
/// the names followed. Where several do, the nearest is followed.
pub(super) fn follow(
    frame: &Frame,
    ground: &Ground,
    lines: &[NamedLine<'_>],
    within_m: f64,
    least_m: f64,
) -> (Ground, BTreeSet<String>) {
    let step_m = (within_m / 8.0).clamp(2.0, 20.0);
    let near = lines_near(frame, ground, lines, within_m);
    let (all, lengths) = edges(ground);
    let tree = RTree::bulk_load(all);
    let inside = inside_index(ground);
    let mut names: BTreeMap<&str, usize> = BTreeMap::new();
    for &i in &near {
        let next = names.len();
        names.entry(lines[i].name).or_insert(next);
    }
    let mut bins = Bins::new(&lengths, step_m);
    let tie = |p: Coord<f64>| tie(&tree, &bins.nearest, p, within_m, step_m);
    let tied: Vec<(usize, Vec<Option<Tie>>)> = near
        .iter()
        .map(|&i| {
            let points = points_along(&line_to_plane(frame, lines[i].line), step_m);
            (
                names[lines[i].name],
                outside(&points, &inside)
                    .into_iter()
                    .map(|p| p.and_then(tie))
                    .collect(),
            )
        })
        .collect();
    for (name, ties) in &tied {
        note_all(&mut bins, *name, ties, within_m);
    }
    let stretches = bins.stretches(least_m);
    let (mut sweeps, mut followed) = (Vec::new(), BTreeSet::new());
    for (name, ties) in &tied {
        for w in ties.windows(2) {
            let (Some(a), Some(b)) = (w[0], w[1]) else {
                continue;
            };
            let held = |t: Tie| stretches[t.ring][t.bin] == Some(*name);
            if a.ring == b.ring && held(a) && held(b) && a.off_m + b.off_m > 0.0 {
                sweeps.extend(swept(a.p, b.p, a.q, b.q));
                followed.insert(*name);
            }
        }
    }
    let words = names
        .iter()
        .filter(|(_, at)| followed.contains(at))
        .map(|(name, _)| (*name).to_owned());
    (with(ground, sweeps), words.collect())
}

fn tie(
    tree: &RTree<Edge>,
    bins: &[Vec<Option<(f64, usize)>>],
    p: Coord<f64>,
    within_m: f64,
    step_m: f64,
) -> Option<Tie> {
    let edge = tree.nearest_neighbor(&[p.x, p.y])?;
    let q = edge.nearest(p);
    let off_m = apart(p, q);
    let bin = ((edge.along_m + apart(edge.a, q)) / step_m) as usize;
    let bin = bin.min(bins[edge.ring].len() - 1);
    (off_m <= within_m).then_some(Tie {
        p,
        q,
        ring: edge.ring,
        bin,
        off_m,
    })
}

fn note_all(bins: &mut Bins, name: usize, ties: &[Option<Tie>], within_m: f64) {
    for t in ties.iter().flatten() {
        bins.note(t.ring, t.bin, t.off_m, name);
    }
    let far = (4.0 * within_m / bins.step_m) as usize + 2;
    for w in ties.windows(2) {
        let (Some(a), Some(b)) = (w[0], w[1]) else {
            continue;
        };
        if a.ring != b.ring {
            continue;
        }
        let between = bins.between(a.ring, a.bin, b.bin);
        // Where the nearest point of the boundary jumps across a bay, the bay is not followed.
        if between.len() <= far {
            for bin in between {
                bins.note(a.ring, bin, a.off_m.max(b.off_m), name);
            }
        }
    }
}

/// Points of a line that lie outside the ground, with the spots where the line comes out of it or goes in; `None` between.
fn outside(points: &[Coord<f64>], inside: &AreaIndex) -> Vec<Option<Coord<f64>>> {
    let mut out = Vec::with_capacity(points.len());
    let mut before: Option<(Coord<f64>, bool)> = None;
    for &p in points {
        let within = is_inside(inside, p);
        if let Some((last, last_within)) = before
            && last_within != within
        {
            out.push(Some(crossing(last, p, last_within, inside)));
        }
        out.push((!within).then_some(p));
        before = Some((p, within));
    }
    out
}

/// Where a line that begins inside (or outside) crosses the boundary, by halving.
fn crossing(mut a: Coord<f64>, mut b: Coord<f64>, a_within: bool, inside: &AreaIndex) -> Coord<f64> {
    for _ in 0..40 {
        let middle = a + (b - a) * 0.5;
        if is_inside(inside, middle) == a_within {
            a = middle;
        } else {
            b = middle;
        }
    }
    if a_within { b } else { a }
}

/// Named lines that come within `within_m` of the ground's box, by number.
pub(super) fn lines_near(
    frame: &Frame,
    ground: &Ground,
    lines: &[NamedLine<'_>],
    within_m: f64,
) -> Vec<usize> {
    let Some(([west, south], [east, north])) = box_of(&to_area(frame, ground)) else {
        return Vec::new();
    };
    let lat = 2.0 * within_m / M_PER_DEG;
    let lon = lat / south.abs().max(north.abs()).to_radians().cos();
    let meets = |line: &[[f64; 2]]| {
        box_of(&Area(vec![vec![line.to_vec()]])).is_some_and(|([w, s], [e, n])| {
            w <= east + lon && e >= west - lon && s <= north + lat && n >= south - lat
        })
    };
    (0..lines.len())
        .filter(|&i| !lines[i].name.trim().is_empty() && meets(lines[i].line))
        .collect()
}
