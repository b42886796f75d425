//! Curves made into straight legs that run outside them.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use geo::{BooleanOps, Coord, LineString, MultiPolygon, Polygon};
use rstar::RTree;

use super::plane::{Edge, Ground, apart, turn, with};

/// Two edges that turn by more than this are not made to meet, radians: the corner would run far out.
const SHARPEST_RAD: f64 = 2.4;
/// An edge shorter than this is not made longer, metres: rounding has turned it too far.
const SHORTEST_M: f64 = 1.0;

/// The ground with every run of edges for which `curved` holds made into straight legs that lie outside it, by no more than
/// `within_m`. The ends of a run stay where they are.
pub(super) fn straightened(
    ground: &Ground,
    within_m: f64,
    curved: impl Fn(Coord<f64>, Coord<f64>) -> bool,
) -> Ground {
    let ring = |ring: &LineString<f64>| straight_ring(ring, within_m, &curved);
    let raw = MultiPolygon::new(
        ground
            .iter()
            .map(|p| Polygon::new(ring(p.exterior()), p.interiors().iter().map(ring).collect()))
            .collect(),
    );
    // Legs of one run may cross those of another: what is gone round at all is in. And the ground itself is, whatever rounding
    // did to a leg: the boundary never moves inward.
    let nothing = MultiPolygon::new(Vec::<Polygon<f64>>::new());
    let legs = raw.union_with_fill_rule(&nothing, geo::bool_ops::FillRule::NonZero);
    with(ground, legs.0)
}

/// A ring with its curved runs made into legs.
fn straight_ring(
    ring: &LineString<f64>,
    within_m: f64,
    curved: &impl Fn(Coord<f64>, Coord<f64>) -> bool,
) -> LineString<f64> {
    let (start, runs) = runs(ring, curved);
    if runs.is_empty() {
        return ring.clone();
    }
    let n = ring.0.len() - 1;
    let (mut out, mut k) = (Vec::with_capacity(n), 0);
    let mut runs = runs.into_iter().peekable();
    while k < n {
        match runs.next_if(|run| run.0 == k) {
            Some((_, run)) => {
                let legs = outer_legs(&run, within_m);
                // Its last corner begins what comes after it.
                out.extend_from_slice(&legs[..legs.len() - 1]);
                k += run.len() - 1;
            }
            None => {
                out.push(ring.0[(start + k) % n]);
                k += 1;
            }
        }
    }
    LineString::new(out)
}

/// A run of curved edges: the number of its first corner, and its corners.
type Run = (usize, Vec<Coord<f64>>);

/// Runs of edges that are curved, each with the number of its first corner, counted from the corner that is given first. A ring
/// that is one curve all round is cut at its northernmost corner.
fn runs(ring: &LineString<f64>, curved: &impl Fn(Coord<f64>, Coord<f64>) -> bool) -> (usize, Vec<Run>) {
    let n = ring.0.len().saturating_sub(1);
    if n < 3 {
        return (0, Vec::new());
    }
    let at = |i: usize| ring.0[i % n];
    let is: Vec<bool> = (0..n).map(|i| curved(at(i), at(i + 1))).collect();
    let start = match is.iter().position(|c| !c) {
        Some(i) => i,
        None => (0..n).max_by(|&a, &b| at(a).y.total_cmp(&at(b).y)).unwrap_or(0),
    };
    let mut out: Vec<Run> = Vec::new();
    let mut open = false;
    for k in 0..n {
        let i = (start + k) % n;
        if !is[i] {
            open = false;
            continue;
        }
        if !open {
            out.push((k, vec![at(i)]));
            open = true;
        }
        if let Some((_, run)) = out.last_mut() {
            run.push(at(i + 1));
        }
    }
    (start, out)
}

/// One way of dropping an edge or a corner, with the land it takes in.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Step {
    added_m2: f64,
    /// Corner at which it is done.
    at: usize,
    /// New corner between `at` and the one after it, which both go; `None`: `at` alone goes.
    corner: Option<Coord<f64>>,
    /// Stamps of the corners it was worked out from.
    stamp: u64,
}

impl Eq for Step {}
impl Ord for Step {
    fn cmp(&self, other: &Self) -> Ordering {
        // The smallest first; the place decides a tie, so that the result is the same every time.
        other
            .added_m2
            .total_cmp(&self.added_m2)
            .then(other.at.cmp(&self.at))
    }
}
impl PartialOrd for Step {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// Where the way from `a` to `b`, lengthened, meets the one from `c` to `d`, begun earlier; for ways that turn left, not too
/// sharply.
fn meeting([a, b, c, d]: [Coord<f64>; 4]) -> Option<Coord<f64>> {
    let (first, second) = (b - a, d - c);
    let cross = first.x * second.y - first.y * second.x;
    let dot = first.x * second.x + first.y * second.y;
    let turned = cross.atan2(dot);
    let short_m = apart(a, b).min(apart(c, d));
    if short_m < SHORTEST_M || !(turned > 0.0 && turned < SHARPEST_RAD) {
        return None;
    }
    let t = ((c.x - b.x) * second.y - (c.y - b.y) * second.x) / cross;
    let corner = b + first * t;
    let back = (c - corner).x * second.x + (c - corner).y * second.y;
    (t > 0.0 && back > 0.0).then_some(corner)
}

/// The corners still there, as a chain.
struct Chain<'a> {
    at: Vec<Coord<f64>>,
    before: Vec<usize>,
    after: Vec<usize>,
    stamp: Vec<u64>,
    gone: Vec<bool>,
    curve: &'a RTree<Edge>,
    within_m: f64,
}

const NONE: usize = usize::MAX;

impl Chain<'_> {
    fn off_m(&self, p: Coord<f64>) -> f64 {
        self.curve
            .nearest_neighbor(&[p.x, p.y])
            .map_or(f64::INFINITY, |edge| apart(p, edge.nearest(p)))
    }

    /// Drops corner `at`, where the way turns right (into the ground's outside): the chord lies outside.
    fn drop_corner(&self, at: usize) -> Option<Step> {
        let (p, n) = (self.before[at], self.after[at]);
        if p == NONE || n == NONE {
            return None;
        }
        let doubled = turn(self.at[p], self.at[at], self.at[n]);
        if doubled > 0.0 {
            return None;
        }
        let chord = apart(self.at[p], self.at[n]);
        // A way that goes straight back on itself has no chord.
        let deep_enough = chord > 0.0 && -doubled / chord <= self.within_m;
        let middle = self.at[p] + (self.at[n] - self.at[p]) * 0.5;
        let near = deep_enough && (doubled > -1e-9 || self.off_m(middle) <= self.within_m);
        near.then(|| Step {
            added_m2: -0.5 * doubled,
            at,
            corner: None,
            stamp: self.stamps([p, at, n, at]),
        })
    }

    /// Along bends to the left: keeps an edge, drops as many of those after it as can go while the two left still meet near the
    /// curve, and goes on from there. A circle gets the fewest legs so.
    fn sweep(&mut self) {
        let mut u = 0;
        while self.after[u] != NONE {
            let v = self.after[u];
            if let Some((last, corner)) = self.farthest(u, v) {
                let mut gone = self.after[v];
                while gone != NONE {
                    self.gone[gone] = true;
                    if gone == last {
                        break;
                    }
                    gone = self.after[gone];
                }
                let next = self.after[last];
                (self.after[v], self.before[next], self.at[v]) = (next, v, corner);
            }
            u = v;
        }
    }

    /// The last corner from which an edge meets the one from `u` to `v` no farther out than allowed, and where.
    fn farthest(&self, u: usize, v: usize) -> Option<(usize, Coord<f64>)> {
        let (mut at, mut best) = (v, None);
        loop {
            let next = self.after[at];
            if next == NONE || turn(self.at[self.before[at]], self.at[at], self.at[next]) <= 0.0 {
                return best;
            }
            if at != v && apart(self.at[at], self.at[next]) >= SHORTEST_M {
                let corner = meeting([u, v, at, next].map(|i| self.at[i]));
                match corner.filter(|&corner| self.off_m(corner) <= self.within_m) {
                    Some(corner) => best = Some((at, corner)),
                    None => return best,
                }
            }
            at = next;
        }
    }

    /// Drops the edge from `u` on, where the way turns left at both its ends: its neighbours are made to meet outside.
    fn drop_edge(&self, u: usize) -> Option<Step> {
        let v = self.after[u];
        if v == NONE {
            return None;
        }
        let (p, n) = (self.before[u], self.after[v]);
        if p == NONE || n == NONE {
            return None;
        }
        let (a, b, c, d) = (self.at[p], self.at[u], self.at[v], self.at[n]);
        if turn(a, b, c) <= 0.0 || turn(b, c, d) <= 0.0 {
            return None;
        }
        let corner = meeting([a, b, c, d])?;
        let added_m2 = 0.5 * turn(b, corner, c).abs();
        (self.off_m(corner) <= self.within_m).then(|| Step {
            added_m2,
            at: u,
            corner: Some(corner),
            stamp: self.stamps([p, u, v, n]),
        })
    }

    fn stamps(&self, corners: [usize; 4]) -> u64 {
        corners.iter().map(|&i| self.stamp[i]).sum()
    }

    fn is_current(&self, step: &Step) -> bool {
        if self.gone[step.at] {
            return false;
        }
        let again = match step.corner {
            None => self.drop_corner(step.at),
            Some(_) => self.drop_edge(step.at),
        };
        again.is_some_and(|now| now.stamp == step.stamp)
    }

    fn offer(&self, at: usize, heap: &mut BinaryHeap<Step>) {
        heap.extend(self.drop_corner(at));
        heap.extend(self.drop_edge(at));
    }

    fn apply(&mut self, step: &Step, heap: &mut BinaryHeap<Step>) {
        let at = step.at;
        let gone = match step.corner {
            None => at,
            Some(corner) => {
                self.at[at] = corner;
                self.stamp[at] += 1;
                self.after[at]
            }
        };
        let (p, n) = (self.before[gone], self.after[gone]);
        (self.after[p], self.before[n]) = (n, p);
        self.gone[gone] = true;
        self.stamp[p] += 1;
        self.stamp[n] += 1;
        // Whatever was worked out from a corner that changed is worked out again.
        let mut about = vec![p, n];
        for start in [p, n] {
            let (b, a) = (self.before[start], self.after[start]);
            about.extend([b, a]);
            if b != NONE {
                about.push(self.before[b]);
            }
        }
        about.sort_unstable();
        about.dedup();
        for at in about {
            if at != NONE && !self.gone[at] {
                self.offer(at, heap);
            }
        }
    }
}

/// Straight legs from the first to the last point of a run that never lie left of it (inside), and at most `within_m` right.
///
/// Two moves, each of which only ever takes land in: a corner that turns right is cut by its chord, and an edge between two left
/// turns goes when its neighbours are lengthened until they meet. Bends to the left are swept first; of what is left to do, what
/// takes in the least land is done first.
fn outer_legs(run: &[Coord<f64>], within_m: f64) -> Vec<Coord<f64>> {
    let n = run.len();
    if n < 3 {
        return run.to_vec();
    }
    let edge = |(i, w): (usize, &[Coord<f64>])| Edge {
        a: w[0],
        b: w[1],
        ring: 0,
        part: i,
        along_m: 0.0,
    };
    let curve = RTree::bulk_load(run.windows(2).enumerate().map(edge).collect());
    let mut chain = Chain {
        at: run.to_vec(),
        before: (0..n).map(|i| i.checked_sub(1).unwrap_or(NONE)).collect(),
        after: (0..n).map(|i| if i + 1 < n { i + 1 } else { NONE }).collect(),
        stamp: vec![0; n],
        gone: vec![false; n],
        curve: &curve,
        within_m,
    };
    chain.sweep();
    let mut heap = BinaryHeap::new();
    for at in (0..n).filter(|&at| !chain.gone[at]).collect::<Vec<_>>() {
        chain.offer(at, &mut heap);
    }
    while let Some(step) = heap.pop() {
        if chain.is_current(&step) {
            chain.apply(&step, &mut heap);
        }
    }
    (0..n).filter(|&i| !chain.gone[i]).map(|i| chain.at[i]).collect()
}
