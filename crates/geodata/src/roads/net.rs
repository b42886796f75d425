//! A net of roads: joined at shared nodes, contracted once, asked often.
//!
//! Drives are the quickest by class speed and posted speed (a ceiling). Turns cost nothing and no turn is forbidden: the
//! contraction hierarchy (Geisberger et al. 2008, WEA, LNCS 5038:319-333; crate `fast_paths`) knows edges only.
//! Times inside are whole milliseconds, so that equal ways are equal on every machine.

use std::collections::{HashMap, HashSet};

use earlywood_model::record::{Oneway, Position, Road, RoadClass};
use fast_paths::{FastGraph, InputGraph, PathCalculator};
use rayon::prelude::*;
use rstar::primitives::{GeomWithData, Line};
use rstar::{PointDistance, RTree};

use crate::geodesy::{Frame, Xy, geodesic_m};
use crate::problem::{GeoError, at_least};
use crate::roads::sweep::{Legs, Sweep};
use crate::roads::travel::TravelTable;

/// Usual speeds by class of road, km/h. All are set by the programme; the defaults are a design choice (no source), a
/// little below what is posted on such roads, for bends and junctions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speeds(pub [f64; 8]);

impl Default for Speeds {
    fn default() -> Speeds {
        Speeds([100.0, 80.0, 65.0, 55.0, 45.0, 30.0, 15.0, 15.0])
    }
}

impl Speeds {
    /// The usual speed on a class of road, km/h; in the order of [`RoadClass::ALL`].
    pub fn of(&self, class: RoadClass) -> f64 {
        self.0[class as usize]
    }
}

/// A table is swept row by row when the net has at most so many junctions for each column; a question to the hierarchy costs
/// about as much as settling so many (measured on the extract of `bench/roads`; either way gives the same table).
const SWEEP_JUNCTIONS: usize = 40;

/// As a [`TravelTable`] writes it.
fn or_no_way(seconds: Option<u32>) -> u32 {
    seconds.unwrap_or(u32::MAX)
}

/// Something that is closed to traffic.
#[derive(Debug, Clone, PartialEq)]
pub enum Closure {
    /// A road by its label ("way/123", which closes its pieces "way/123/2" too).
    Road(String),
    /// Every stretch that comes this near to a position.
    Around {
        /// The middle.
        position: Position,
        /// How near, metres; above 0.
        radius_m: f64,
    },
}

/// How a net is made and used.
#[derive(Debug, Clone, PartialEq)]
pub struct RoadOptions {
    /// Usual speeds; a posted speed that is lower holds instead.
    pub speeds: Speeds,
    /// Walking speed from the road to a stop with gear, km/h (set by the programme; design choice 4).
    pub walk_kmh: f64,
    /// A position farther than this from any road is off the roads, metres (set by the programme; design choice 500).
    pub max_walk_m: f64,
    /// What is closed.
    pub closures: Vec<Closure>,
}

impl Default for RoadOptions {
    fn default() -> RoadOptions {
        RoadOptions {
            speeds: Speeds::default(),
            walk_kmh: 4.0,
            max_walk_m: 500.0,
            closures: Vec::new(),
        }
    }
}

/// A run of road between two junctions, driven at one speed.
#[derive(Debug, Clone)]
struct Chain {
    from: u32,
    to: u32,
    forward: bool,
    backward: bool,
    metres: f64,
    ms: u64,
    /// Its corners in the net's list.
    start: usize,
    len: usize,
    road: usize,
    /// No crew stops on a motorway.
    stops: bool,
}

/// Where a position meets the net.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Snap {
    chain: usize,
    /// Corner of the chain before it.
    corner: usize,
    offset_m: f64,
    /// The point on the road.
    pub position: Position,
    /// From the position to the road, metres.
    pub walk_m: f64,
    /// The same on foot, seconds.
    pub walk_s: u32,
}

/// A drive along roads.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// Its line, from road point to road point.
    pub line: Vec<Position>,
    /// Length, metres.
    pub metres: f64,
    /// Time at the wheel, seconds (rounded up); without the walks at its ends.
    pub seconds: u32,
}

/// What a net is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct NetCounts {
    /// Roads given.
    pub roads: usize,
    /// Roads closed wholly or in part.
    pub closed: usize,
    /// Roads no part of which can be both reached from the main net and left for it: no stop is put on them.
    pub off_main: usize,
    /// Junctions and ends.
    pub junctions: usize,
    /// Stretches between them, each way that may be driven counted.
    pub edges: usize,
}

type Segment = GeomWithData<Line<[f64; 2]>, (u32, u32)>;

/// Roads joined to a net that answers how long a drive takes.
pub struct RoadNet {
    options: RoadOptions,
    frame: Frame,
    chains: Vec<Chain>,
    corners: Vec<Position>,
    /// Metres from the beginning of its chain to each corner.
    offsets_m: Vec<f64>,
    graph: FastGraph,
    legs: Legs,
    edges: HashMap<(u32, u32), (u32, bool)>,
    segments: RTree<Segment>,
    counts: NetCounts,
}

impl std::fmt::Debug for RoadNet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("RoadNet")
            .field("counts", &self.counts)
            .finish_non_exhaustive()
    }
}

impl RoadNet {
    /// Joins roads to a net and contracts it.
    ///
    /// # Errors
    /// No roads (or all closed); a road whose nodes and line differ in length; speeds, walk or radius out of range; a
    /// closed road that no road is called.
    pub fn build(roads: &[Road], options: &RoadOptions) -> Result<RoadNet, GeoError> {
        check(roads, options)?;
        let frame = Frame::about(roads.iter().flat_map(|r| r.line.iter().map(|&p| at(p))))?;
        let (runs, closed) = open_runs(roads, options, &frame)?;
        let mut net = RoadNet {
            options: options.clone(),
            frame,
            chains: Vec::new(),
            corners: Vec::new(),
            offsets_m: Vec::new(),
            graph: fast_paths::prepare(&frozen(InputGraph::new())),
            legs: Legs::default(),
            edges: HashMap::new(),
            segments: RTree::new(),
            counts: NetCounts {
                roads: roads.len(),
                closed,
                ..NetCounts::default()
            },
        };
        net.chain_up(roads, &runs);
        if net.chains.is_empty() {
            return Err(GeoError::Inconsistent(
                "every road is closed: no drive is possible".into(),
            ));
        }
        net.contract();
        net.index(roads.len());
        Ok(net)
    }

    /// What it is made of.
    pub fn counts(&self) -> NetCounts {
        self.counts
    }

    /// Cuts the open runs at junctions.
    fn chain_up(&mut self, roads: &[Road], runs: &[(usize, usize, usize)]) {
        let mut uses: HashMap<i64, u32> = HashMap::new();
        for &(road, first, last) in runs {
            for (i, n) in roads[road].nodes[first..=last].iter().enumerate() {
                // An end counts twice: it is a junction or a dead end, either way a node of the graph.
                let end = i == 0 || i == last - first;
                *uses.entry(*n).or_default() += if end { 2 } else { 1 };
            }
        }
        let mut number: HashMap<i64, u32> = HashMap::new();
        for &(road, first, last) in runs {
            let nodes = &roads[road].nodes;
            let mut begin = first;
            for i in first + 1..=last {
                if uses[&nodes[i]] < 2 {
                    continue;
                }
                let [from, to] = [nodes[begin], nodes[i]].map(|n| {
                    let next = number.len() as u32;
                    *number.entry(n).or_insert(next)
                });
                self.add_chain(road, &roads[road], (begin, i), (from, to));
                begin = i;
            }
        }
        self.counts.junctions = number.len();
    }

    fn add_chain(
        &mut self,
        index: usize,
        road: &Road,
        (first, last): (usize, usize),
        (from, to): (u32, u32),
    ) {
        let start = self.corners.len();
        let mut metres = 0.0;
        for (i, &p) in road.line[first..=last].iter().enumerate() {
            let p = at(p);
            if i > 0 {
                metres += geodesic_m(self.corners[start + i - 1], p);
            }
            self.corners.push(p);
            self.offsets_m.push(metres);
        }
        let usual = self.options.speeds.of(road.class);
        let kmh = road.speed_kmh.map_or(usual, |posted| posted.min(usual));
        self.chains.push(Chain {
            from,
            to,
            forward: road.oneway != Oneway::Backward,
            backward: road.oneway != Oneway::Forward,
            metres,
            ms: ((metres * 3600.0 / kmh).round() as u64).max(1),
            start,
            len: last - first + 1,
            road: index,
            stops: road.class != RoadClass::Motorway,
        });
    }

    fn contract(&mut self) {
        for (i, c) in self.chains.iter().enumerate() {
            for (may, from, to, forward) in
                [(c.forward, c.from, c.to, true), (c.backward, c.to, c.from, false)]
            {
                if !may || from == to {
                    continue;
                }
                let best = self.edges.entry((from, to)).or_insert((i as u32, forward));
                if c.ms < self.chains[best.0 as usize].ms {
                    *best = (i as u32, forward);
                }
            }
        }
        // Sorted, so that the same roads always contract to the same hierarchy.
        let mut list: Vec<(u32, u32, u64)> = self
            .edges
            .iter()
            .map(|(&(a, b), &(c, _))| (a, b, self.chains[c as usize].ms))
            .collect();
        list.sort_unstable();
        let mut input = InputGraph::new();
        for &(a, b, ms) in &list {
            input.add_edge(a as usize, b as usize, ms as usize);
        }
        // The library knows no node beyond the last edge that is no loop: a road out of nowhere, which nothing can come to,
        // makes all of our junctions known, one that has nothing but a loop too.
        let beyond = self.counts.junctions;
        if beyond > 0 {
            input.add_edge(beyond, beyond - 1, 1);
        }
        self.counts.edges = list.len();
        self.legs = Legs::new(beyond, &list);
        self.graph = fast_paths::prepare(&frozen(input));
    }

    /// Pairs of junctions between which the hierarchy and a plain Dijkstra over the same stretches, to the millisecond, differ:
    /// from, to, the hierarchy's time, Dijkstra's.
    #[cfg(test)]
    pub(super) fn wrong_times(
        &self,
        sources: impl IntoIterator<Item = u32>,
    ) -> Vec<(u32, u32, Option<u64>, Option<u64>)> {
        let mut out: Vec<Vec<(u32, u64)>> = vec![Vec::new(); self.counts.junctions];
        for c in &self.chains {
            for (may, from, to) in [(c.forward, c.from, c.to), (c.backward, c.to, c.from)] {
                if may {
                    out[from as usize].push((to, c.ms));
                }
            }
        }
        let mut calc = fast_paths::create_calculator(&self.graph);
        let mut wrong = Vec::new();
        for from in sources {
            let mut best: Vec<Option<u64>> = vec![None; out.len()];
            let mut heap = std::collections::BinaryHeap::from([(std::cmp::Reverse(0_u64), from)]);
            while let Some((std::cmp::Reverse(ms), node)) = heap.pop() {
                if best[node as usize].is_none() {
                    best[node as usize] = Some(ms);
                    heap.extend(
                        out[node as usize]
                            .iter()
                            .map(|&(to, leg)| (std::cmp::Reverse(ms + leg), to)),
                    );
                }
            }
            for (to, &want) in best.iter().enumerate() {
                let got = calc
                    .calc_path(&self.graph, from as usize, to)
                    .map(|p| p.get_weight() as u64);
                if got != want {
                    wrong.push((from, to as u32, got, want));
                }
            }
        }
        wrong
    }

    /// Lays the stretches on which a crew may stop into a tree of boxes.
    fn index(&mut self, roads: usize) {
        let mut out: Vec<Vec<u32>> = vec![Vec::new(); self.counts.junctions];
        for c in &self.chains {
            if c.forward {
                out[c.from as usize].push(c.to);
            }
            if c.backward {
                out[c.to as usize].push(c.from);
            }
        }
        let main = largest_component(&out);
        let mut segments = Vec::new();
        let mut on_main = vec![false; roads];
        for (i, c) in self.chains.iter().enumerate() {
            if !(main[c.from as usize] && main[c.to as usize]) {
                continue;
            }
            on_main[c.road] = true;
            if !c.stops {
                continue;
            }
            let xy: Vec<[f64; 2]> = self.corners[c.start..c.start + c.len]
                .iter()
                .map(|&p| flat(self.frame.to_xy(p)))
                .collect();
            for (k, pair) in xy.windows(2).enumerate() {
                if pair[0] != pair[1] {
                    segments.push(GeomWithData::new(
                        Line::new(pair[0], pair[1]),
                        (i as u32, k as u32),
                    ));
                }
            }
        }
        self.counts.off_main = on_main.iter().filter(|on| !**on).count();
        self.segments = RTree::bulk_load(segments);
    }

    fn nearest(&self, position: Position) -> Option<Snap> {
        let p = flat(self.frame.to_xy(position));
        let segment = self.segments.nearest_neighbor(&p)?;
        let (line, (chain, corner)) = (segment.geom(), segment.data);
        let [dx, dy] = [line.to[0] - line.from[0], line.to[1] - line.from[1]];
        let share = ((p[0] - line.from[0]) * dx + (p[1] - line.from[1]) * dy) / (dx * dx + dy * dy);
        let share = share.clamp(0.0, 1.0);
        let c = &self.chains[chain as usize];
        let here = c.start + corner as usize;
        let [a, b] = [self.offsets_m[here], self.offsets_m[here + 1]];
        let walk_m = line.distance_2(&p).sqrt();
        Some(Snap {
            chain: chain as usize,
            corner: corner as usize,
            offset_m: a + (b - a) * share,
            position: self.frame.from_xy(Xy {
                x_m: line.from[0] + dx * share,
                y_m: line.from[1] + dy * share,
            }),
            walk_m,
            walk_s: (walk_m * 3.6 / self.options.walk_kmh).ceil() as u32,
        })
    }

    /// The nearest point of a road where a crew may stop: not on a motorway, and only where it can come from and go on
    /// to the rest of the net. `None` farther than [`RoadOptions::max_walk_m`] from any.
    pub fn snap(&self, position: Position) -> Option<Snap> {
        self.nearest(position)
            .filter(|s| s.walk_m <= self.options.max_walk_m)
    }

    /// As [`RoadNet::snap`], for a thing that must be on the roads.
    ///
    /// # Errors
    /// It is off the roads: says what (for example "the depot of crew-3") and how far.
    pub fn snap_or_say(&self, what: &str, position: Position) -> Result<Snap, GeoError> {
        let Some(near) = self.nearest(position) else {
            return Err(GeoError::Inconsistent(
                "no road of the net has room to stop".into(),
            ));
        };
        if near.walk_m <= self.options.max_walk_m {
            return Ok(near);
        }
        Err(GeoError::Inconsistent(format!(
            "{what} ({:.5}, {:.5}) lies {:.1} km from the nearest road where a crew may stop (at most {:.0} m are walked): \
             look at its latitude and longitude, or whether the roads cover it",
            position.lat,
            position.lon,
            near.walk_m / 1000.0,
            self.options.max_walk_m
        )))
    }

    /// Milliseconds from the chain's beginning to a point of it.
    fn part_ms(&self, snap: &Snap) -> u64 {
        let c = &self.chains[snap.chain];
        if c.metres > 0.0 {
            ((c.ms as f64 * snap.offset_m / c.metres).round() as u64).min(c.ms)
        } else {
            0
        }
    }

    /// Nodes by which a point is left, each with its cost; and whether along the chain.
    fn ways_out(&self, snap: &Snap) -> Vec<(u32, u64, bool)> {
        let (c, part) = (&self.chains[snap.chain], self.part_ms(snap));
        let mut ways = Vec::with_capacity(2);
        if c.forward {
            ways.push((c.to, c.ms - part, true));
        }
        if c.backward {
            ways.push((c.from, part, false));
        }
        cheaper_of_one_node(ways)
    }

    /// Nodes by which a point is come to.
    fn ways_in(&self, snap: &Snap) -> Vec<(u32, u64, bool)> {
        let (c, part) = (&self.chains[snap.chain], self.part_ms(snap));
        let mut ways = Vec::with_capacity(2);
        if c.forward {
            ways.push((c.from, part, true));
        }
        if c.backward {
            ways.push((c.to, c.ms - part, false));
        }
        cheaper_of_one_node(ways)
    }

    /// Along one stretch, without leaving it.
    fn direct_ms(&self, from: &Snap, to: &Snap) -> Option<u64> {
        if from.chain != to.chain {
            return None;
        }
        let c = &self.chains[from.chain];
        let (a, b) = (self.part_ms(from), self.part_ms(to));
        let along = c.forward && from.offset_m <= to.offset_m;
        let against = c.backward && from.offset_m >= to.offset_m;
        (along || against).then(|| a.abs_diff(b))
    }

    /// Quickest way: milliseconds, and the nodes passed (none: it stays on one stretch).
    fn route(&self, calc: &mut PathCalculator, from: &Snap, to: &Snap) -> Option<(u64, Vec<usize>)> {
        let plain = |ways: Vec<(u32, u64, bool)>| ways.iter().map(|w| (w.0 as usize, w.1 as usize)).collect();
        let direct = self.direct_ms(from, to).map(|ms| (ms, Vec::new()));
        let round = calc
            .calc_path_multiple_sources_and_targets(
                &self.graph,
                plain(self.ways_out(from)),
                plain(self.ways_in(to)),
            )
            .map(|p| (p.get_weight() as u64, p.get_nodes().clone()));
        match (direct, round) {
            (Some(d), Some(r)) => Some(if d.0 <= r.0 { d } else { r }),
            (d, r) => d.or(r),
        }
    }

    /// Time at the wheel between two snapped points, milliseconds; `None` where there is no way.
    pub fn drive_ms(&self, from: &Snap, to: &Snap) -> Option<u64> {
        let mut calc = fast_paths::create_calculator(&self.graph);
        self.route(&mut calc, from, to).map(|r| r.0)
    }

    /// Times between all of these, row = from.
    pub fn times(&self, positions: &[Position]) -> TravelTable {
        self.times_between(positions, positions)
    }

    /// Times from some positions (rows) to others (columns); a large job is split by area so.
    pub fn times_between(&self, from: &[Position], to: &[Position]) -> TravelTable {
        let snaps =
            |list: &[Position]| -> Vec<Option<Snap>> { list.par_iter().map(|&p| self.snap(p)).collect() };
        let (rows, columns) = (snaps(from), snaps(to));
        let seconds = if self.counts.junctions <= SWEEP_JUNCTIONS * columns.len() {
            self.by_sweep(&rows, &columns)
        } else {
            self.by_hierarchy(&rows, &columns)
        };
        TravelTable {
            rows: from.len(),
            columns: to.len(),
            seconds,
            walk_s: columns.iter().map(|s| s.map_or(0, |s| s.walk_s)).collect(),
            off_road: columns.iter().map(Option::is_none).collect(),
        }
    }

    /// Whole seconds, row by row: a question to the hierarchy for each pair.
    pub(super) fn by_hierarchy(&self, rows: &[Option<Snap>], columns: &[Option<Snap>]) -> Vec<u32> {
        let rows = rows.par_iter().map_init(
            || fast_paths::create_calculator(&self.graph),
            |calc, a| {
                let to = |b: &Option<Snap>| {
                    let way = self.route(calc, a.as_ref()?, b.as_ref()?)?;
                    Some(whole_seconds(way.0))
                };
                columns.iter().map(to).map(or_no_way).collect::<Vec<u32>>()
            },
        );
        rows.flatten_iter().collect()
    }

    /// The same, with one sweep for each row.
    pub(super) fn by_sweep(&self, rows: &[Option<Snap>], columns: &[Option<Snap>]) -> Vec<u32> {
        let ways_in: Vec<Vec<(u32, u64, bool)>> = columns
            .iter()
            .map(|b| b.as_ref().map_or_else(Vec::new, |b| self.ways_in(b)))
            .collect();
        let mut wanted = vec![false; self.counts.junctions];
        for &(junction, ..) in ways_in.iter().flatten() {
            wanted[junction as usize] = true;
        }
        let rows = rows.par_iter().map_init(
            || Sweep::new(&self.legs, &wanted),
            |sweep, a| {
                if let Some(a) = a {
                    sweep.from(
                        self.ways_out(a)
                            .into_iter()
                            .map(|(junction, ms, _)| (junction, ms)),
                    );
                }
                let to = |(b, ways): (&Option<Snap>, &Vec<(u32, u64, bool)>)| {
                    let (a, b) = (a.as_ref()?, b.as_ref()?);
                    let round = ways
                        .iter()
                        .filter_map(|&(junction, ms, _)| Some(sweep.ms_to(junction)? + ms))
                        .min();
                    let direct = self.direct_ms(a, b);
                    direct.into_iter().chain(round).min().map(whole_seconds)
                };
                let row = columns.iter().zip(&ways_in).map(to);
                row.map(or_no_way).collect::<Vec<u32>>()
            },
        );
        rows.flatten_iter().collect()
    }

    /// The quickest drive between two positions, with its line; `None` where one is off the roads or there is no way.
    pub fn path(&self, from: Position, to: Position) -> Option<Drive> {
        let (a, b) = (self.snap(from)?, self.snap(to)?);
        let mut calc = fast_paths::create_calculator(&self.graph);
        let (ms, nodes) = self.route(&mut calc, &a, &b)?;
        let mut drive = Drive {
            line: vec![a.position],
            metres: 0.0,
            seconds: whole_seconds(ms),
        };
        if let (Some(&first), Some(&last)) = (nodes.first(), nodes.last()) {
            let along = |ways: Vec<(u32, u64, bool)>, node| {
                ways.iter().find(|w| w.0 as usize == node).is_some_and(|w| w.2)
            };
            let c = &self.chains[a.chain];
            let out = if along(self.ways_out(&a), first) {
                c.metres
            } else {
                0.0
            };
            self.walk_chain(a.chain, a.offset_m, out, &mut drive);
            for pair in nodes.windows(2) {
                if let Some(&(chain, forward)) = self.edges.get(&(pair[0] as u32, pair[1] as u32)) {
                    let length = self.chains[chain as usize].metres;
                    let (begin, end) = if forward { (0.0, length) } else { (length, 0.0) };
                    self.walk_chain(chain as usize, begin, end, &mut drive);
                }
            }
            let come = if along(self.ways_in(&b), last) {
                0.0
            } else {
                self.chains[b.chain].metres
            };
            self.walk_chain(b.chain, come, b.offset_m, &mut drive);
        } else {
            self.walk_chain(a.chain, a.offset_m, b.offset_m, &mut drive);
        }
        drive.line.push(b.position);
        drive.line.dedup();
        Some(drive)
    }

    /// Adds the corners of a chain between two offsets, in the order they are passed.
    fn walk_chain(&self, chain: usize, begin_m: f64, end_m: f64, drive: &mut Drive) {
        let c = &self.chains[chain];
        let (low, high) = (begin_m.min(end_m), begin_m.max(end_m));
        let mut passed: Vec<Position> = (c.start..c.start + c.len)
            .filter(|&i| (low..=high).contains(&self.offsets_m[i]))
            .map(|i| self.corners[i])
            .collect();
        if begin_m > end_m {
            passed.reverse();
        }
        drive.line.extend(passed);
        drive.metres += high - low;
    }
}

fn whole_seconds(ms: u64) -> u32 {
    u32::try_from(ms.div_ceil(1000)).unwrap_or(u32::MAX - 1)
}

/// A loop begins and ends at one node: the cheaper way counts.
fn cheaper_of_one_node(mut ways: Vec<(u32, u64, bool)>) -> Vec<(u32, u64, bool)> {
    if let [a, b] = ways[..]
        && a.0 == b.0
    {
        ways = vec![if a.1 <= b.1 { a } else { b }];
    }
    ways
}

fn frozen(mut graph: InputGraph) -> InputGraph {
    graph.freeze();
    graph
}

fn at([lon, lat]: [f64; 2]) -> Position {
    Position { lat, lon }
}

fn flat(p: Xy) -> [f64; 2] {
    [p.x_m, p.y_m]
}

fn check(roads: &[Road], options: &RoadOptions) -> Result<(), GeoError> {
    if roads.is_empty() {
        return Err(GeoError::Inconsistent(
            "there are no roads to make a net of".into(),
        ));
    }
    for class in RoadClass::ALL {
        at_least(
            "the speed on a class of road",
            options.speeds.of(class),
            1.0,
            "1 km/h or more",
        )?;
    }
    at_least("the walking speed", options.walk_kmh, 0.5, "0.5 km/h or more")?;
    at_least("the longest walk", options.max_walk_m, 0.0, "0 m or more")?;
    for r in roads {
        let sound = r.line.iter().all(|p| p[0].abs() <= 180.0 && p[1].abs() <= 90.0);
        let posted = r.speed_kmh.is_none_or(|s| s.is_finite() && s > 0.0);
        if r.nodes.len() != r.line.len() || r.nodes.len() < 2 || !sound || !posted {
            return Err(GeoError::Inconsistent(format!(
                "road {} can't be: it needs two or more nodes, a position on the globe for each, and a speed above 0",
                r.label
            )));
        }
    }
    Ok(())
}

/// Runs of corners that are open (road, first, last), and how many roads are closed wholly or in part.
type Runs = (Vec<(usize, usize, usize)>, usize);

fn open_runs(roads: &[Road], options: &RoadOptions, frame: &Frame) -> Result<Runs, GeoError> {
    let mut labels: HashSet<&str> = HashSet::new();
    let mut around: Vec<([f64; 2], f64)> = Vec::new();
    for closure in &options.closures {
        match closure {
            Closure::Road(label) => {
                labels.insert(label);
                if !roads.iter().any(|r| is_called(&r.label, label)) {
                    return Err(GeoError::Inconsistent(format!(
                        "no road is called {label}, so it can't be closed"
                    )));
                }
            }
            Closure::Around { position, radius_m } => {
                let radius_m = at_least(
                    "the radius of a closure",
                    *radius_m,
                    f64::MIN_POSITIVE,
                    "above 0 m",
                )?;
                around.push((flat(frame.to_xy(*position)), radius_m));
            }
        }
    }
    let (mut runs, mut closed) = (Vec::new(), 0);
    for (index, road) in roads.iter().enumerate() {
        if labels.iter().any(|l| is_called(&road.label, l)) {
            closed += 1;
            continue;
        }
        let last = road.nodes.len() - 1;
        if around.is_empty() {
            runs.push((index, 0, last));
            continue;
        }
        let xy: Vec<[f64; 2]> = road.line.iter().map(|&p| flat(frame.to_xy(at(p)))).collect();
        let shut = |i: usize| around.iter().any(|(p, r)| distance_m(*p, xy[i], xy[i + 1]) <= *r);
        let mut begin = 0;
        let mut hit = false;
        for i in 0..last {
            if shut(i) {
                hit = true;
                if begin < i {
                    runs.push((index, begin, i));
                }
                begin = i + 1;
            }
        }
        if begin < last {
            runs.push((index, begin, last));
        }
        closed += usize::from(hit);
    }
    Ok((runs, closed))
}

fn is_called(label: &str, asked: &str) -> bool {
    label.strip_prefix(asked).is_some_and(|rest| {
        rest.is_empty() || rest.strip_prefix('/').is_some_and(|n| n.parse::<u32>().is_ok())
    })
}

fn distance_m(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    if a == b {
        return (p[0] - a[0]).hypot(p[1] - a[1]);
    }
    Line::new(a, b).distance_2(&p).sqrt()
}

/// Which nodes belong to the largest set in which each can be reached from each (Kosaraju's two sweeps; Sharir 1981,
/// Computers & Mathematics with Applications 7:67-72), without recursion. Of equals the first.
fn largest_component(out: &[Vec<u32>]) -> Vec<bool> {
    let n = out.len();
    let mut back: Vec<Vec<u32>> = vec![Vec::new(); n];
    for (a, list) in out.iter().enumerate() {
        for &b in list {
            back[b as usize].push(a as u32);
        }
    }
    let (mut seen, mut order) = (vec![false; n], Vec::with_capacity(n));
    for root in 0..n {
        if std::mem::replace(&mut seen[root], true) {
            continue;
        }
        let mut stack = vec![(root, 0)];
        while let Some((node, next)) = stack.last_mut() {
            match out[*node].get(*next) {
                Some(&b) => {
                    *next += 1;
                    if !std::mem::replace(&mut seen[b as usize], true) {
                        stack.push((b as usize, 0));
                    }
                }
                None => {
                    order.push(*node);
                    stack.pop();
                }
            }
        }
    }
    let mut part = vec![usize::MAX; n];
    let mut sizes: Vec<usize> = Vec::new();
    for &root in order.iter().rev() {
        if part[root] != usize::MAX {
            continue;
        }
        let (mut stack, mut size) = (vec![root], 0);
        part[root] = sizes.len();
        while let Some(node) = stack.pop() {
            size += 1;
            for &b in &back[node] {
                if part[b as usize] == usize::MAX {
                    part[b as usize] = sizes.len();
                    stack.push(b as usize);
                }
            }
        }
        sizes.push(size);
    }
    let best = (0..sizes.len()).rev().max_by_key(|&i| sizes[i]);
    part.iter().map(|&p| Some(p) == best).collect()
}
