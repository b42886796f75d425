//! The invented district's roads: its streets, a few main roads over the bridges, and what joins the pieces.
//!
//! Drawn from a stream of its own, after everything else: a road more or less changes no tree and no trap.

use std::collections::HashMap;

use earlywood_model::record::{Oneway, Road, RoadClass};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use super::layout::{GridLine, GroundKind, Layout, ZoneName};
use super::plane::{Plane, Xy, xy};

/// A stub of a main road behind its last junction is cut off up to this length, metres.
const STUB_M: f64 = 90.0;
/// Corners closer than this to the straight line between their neighbours are left out, metres.
const STRAIGHT_M: f64 = 0.3;
/// Streets of the old town within this distance of its middle may be one-way, metres.
const ONEWAY_WITHIN_M: f64 = 650.0;
const OLD_TOWN: Xy = xy(-620.0, -330.0);

/// A road on the plane.
#[derive(Debug, Clone)]
struct Way {
    class: RoadClass,
    oneway: Oneway,
    speed_kmh: Option<f64>,
    name: Option<String>,
    line: Vec<Xy>,
}

impl Way {
    fn of(class: RoadClass, name: Option<String>, line: Vec<Xy>) -> Way {
        Way {
            class,
            oneway: Oneway::Both,
            speed_kmh: None,
            name,
            line,
        }
    }
}

/// The roads of a district. Every corner can be reached from every other one.
pub(super) fn draw(layout: &Layout, plane: &Plane, seed: u64) -> Vec<Road> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x0A_D50F);
    let main = main_roads(layout, &mut rng);
    let mains = main.len();
    let mut ways = main;
    ways.extend(layout.streets.iter().map(|street| {
        let name = street_name(street.zone, street.grid_line);
        Way::of(RoadClass::Local, Some(name), street.line.clone())
    }));
    let met = meet(&mut ways);
    for (way, met) in ways.iter_mut().zip(&met).take(mains) {
        cut_stubs(&mut way.line, met);
    }
    lead_into_grounds(layout, &mut ways);
    join(layout, &mut ways);
    let ways = one_ways(ways);
    records(&ways, plane)
}

/// A main road through corners chosen by hand, from west to east or from north to south.
struct MainRoad {
    class: RoadClass,
    name: &'static str,
    before: &'static [Xy],
    /// The bridge it takes, as the layout counts them, between the corners before it and those after.
    bridge: Option<usize>,
    after: &'static [Xy],
}

/// They pass between parks, schools and yards, wherever the seed moves those.
const MAIN_ROADS: [MainRoad; 7] = [
    MainRoad {
        class: RoadClass::Secondary,
        name: "Mill Bridge Road",
        before: &[xy(-2040.0, -700.0), xy(-1180.0, -720.0), xy(-700.0, -800.0)],
        bridge: Some(0),
        after: &[xy(480.0, -800.0), xy(1400.0, -715.0), xy(2040.0, -650.0)],
    },
    MainRoad {
        class: RoadClass::Primary,
        name: "Middle Bridge Road",
        before: &[xy(-2040.0, 10.0), xy(-1130.0, 20.0), xy(-620.0, 40.0)],
        bridge: Some(1),
        after: &[xy(460.0, 70.0), xy(1420.0, 60.0), xy(2040.0, 40.0)],
    },
    MainRoad {
        class: RoadClass::Secondary,
        name: "North Bridge Road",
        before: &[xy(-1130.0, 985.0), xy(-700.0, 960.0)],
        bridge: Some(2),
        after: &[xy(520.0, 910.0), xy(1450.0, 870.0), xy(2040.0, 820.0)],
    },
    MainRoad {
        class: RoadClass::Primary,
        name: "Tarrow Road",
        before: &[
            xy(-1080.0, 1620.0),
            xy(-1090.0, 980.0),
            xy(-1120.0, 300.0),
            xy(-1140.0, 20.0),
            xy(-1250.0, -420.0),
            xy(-1180.0, -760.0),
        ],
        bridge: None,
        after: &[],
    },
    MainRoad {
        class: RoadClass::Secondary,
        name: "Kiln Road",
        before: &[xy(-800.0, -740.0), xy(-790.0, -1200.0), xy(-760.0, -1610.0)],
        bridge: None,
        after: &[],
    },
    MainRoad {
        class: RoadClass::Primary,
        name: "Market Road",
        before: &[
            xy(470.0, 1620.0),
            xy(520.0, 910.0),
            xy(460.0, 70.0),
            xy(430.0, -420.0),
            xy(480.0, -800.0),
            xy(620.0, -1610.0),
        ],
        bridge: None,
        after: &[],
    },
    MainRoad {
        class: RoadClass::Tertiary,
        name: "Quarry Road",
        before: &[xy(1395.0, 930.0), xy(1420.0, 60.0), xy(1390.0, -790.0)],
        bridge: None,
        after: &[],
    },
];

fn main_roads(layout: &Layout, rng: &mut ChaCha8Rng) -> Vec<Way> {
    MAIN_ROADS
        .iter()
        .map(|road| {
            let bridge = road.bridge.and_then(|n| layout.bridges.get(n));
            let bridge = bridge.cloned().unwrap_or_default();
            let corners = [road.before, &bridge, road.after].concat();
            let mut way = Way::of(
                road.class,
                Some(road.name.to_owned()),
                winding(&corners, &bridge, rng),
            );
            way.speed_kmh = (road.class == RoadClass::Primary).then_some(60.0);
            way
        })
        .collect()
}

/// A line through corners, with a point about every 60 m that is moved a little; what lies on a bridge stays.
fn winding(corners: &[Xy], bridge: &[Xy], rng: &mut ChaCha8Rng) -> Vec<Xy> {
    let mut line = Vec::new();
    for pair in corners.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        line.push(a);
        if bridge.contains(&a) && bridge.contains(&b) {
            continue;
        }
        let parts = (a.distance_m(b) / 60.0).floor().max(1.0);
        let mut t = 1.0;
        while t < parts {
            let move_by = xy(rng.random_range(-4.0..4.0), rng.random_range(-4.0..4.0));
            let share = t / parts;
            line.push(xy(a.x + share * (b.x - a.x), a.y + share * (b.y - a.y)).plus(move_by));
            t += 1.0;
        }
    }
    line.extend(corners.last());
    line
}

/// Words for streets: what grows, flies or is made somewhere. More than a zone has streets in one direction.
const WORDS: [&str; 67] = [
    "Alder", "Anvil", "Apple", "Aspen", "Barley", "Barn", "Basket", "Beech", "Birch", "Bramble", "Briar",
    "Brook", "Carter", "Cedar", "Cherry", "Clover", "Cooper", "Cowslip", "Crane", "Currant", "Dove", "Elder",
    "Fallow", "Fennel", "Fern", "Finch", "Flint", "Forge", "Furrow", "Garland", "Gorse", "Granary", "Harrow",
    "Hawthorn", "Hazel", "Heron", "Hop", "Juniper", "Kestrel", "Larch", "Lark", "Linden", "Linnet", "Loom",
    "Maple", "Medlar", "Miller", "Mulberry", "Nettle", "Oriole", "Osier", "Pear", "Plover", "Plum", "Poplar",
    "Quince", "Reed", "Rowan", "Rye", "Sorrel", "Spindle", "Swift", "Tanner", "Thistle", "Walnut", "Willow",
    "Wren",
];

fn street_name(zone: ZoneName, line: GridLine) -> String {
    let (kind, shift) = match (zone, line.long) {
        (ZoneName::Eastbank, true) => ("Avenue", 5),
        (ZoneName::Eastbank, false) => ("Place", 31),
        (ZoneName::Oldmill, true) => ("Street", 12),
        (ZoneName::Oldmill, false) => ("Lane", 47),
        (ZoneName::Northfield, true) => ("Drive", 24),
        (ZoneName::Northfield, false) => ("Way", 58),
    };
    let count = i32::try_from(WORDS.len()).unwrap_or(1);
    let at = usize::try_from((line.number + shift).rem_euclid(count)).unwrap_or(0);
    format!("{} {kind}", WORDS[at])
}

/// Where two segments cross: the shares of their lengths.
fn crossing(a: (Xy, Xy), b: (Xy, Xy)) -> Option<(f64, f64)> {
    let (r, s) = (xy(a.1.x - a.0.x, a.1.y - a.0.y), xy(b.1.x - b.0.x, b.1.y - b.0.y));
    let cross = r.x * s.y - r.y * s.x;
    if cross.abs() < 1e-9 {
        return None;
    }
    let d = xy(b.0.x - a.0.x, b.0.y - a.0.y);
    let (t, u) = ((d.x * s.y - d.y * s.x) / cross, (d.x * r.y - d.y * r.x) / cross);
    ((0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&u)).then_some((t, u))
}

/// The corners of the box round a line.
fn bounds(line: &[Xy]) -> (Xy, Xy) {
    let far = (
        xy(f64::INFINITY, f64::INFINITY),
        xy(f64::NEG_INFINITY, f64::NEG_INFINITY),
    );
    line.iter().fold(far, |(low, high), p| {
        (
            xy(low.x.min(p.x), low.y.min(p.y)),
            xy(high.x.max(p.x), high.y.max(p.y)),
        )
    })
}

/// Gives ways that cross a corner in common. Gives those corners, way by way.
fn meet(ways: &mut [Way]) -> Vec<Vec<Xy>> {
    let boxes: Vec<(Xy, Xy)> = ways.iter().map(|w| bounds(&w.line)).collect();
    let apart = |a: usize, b: usize| {
        let ((a_low, a_high), (b_low, b_high)) = (boxes[a], boxes[b]);
        a_high.x < b_low.x || b_high.x < a_low.x || a_high.y < b_low.y || b_high.y < a_low.y
    };
    // New corners: the segment they lie on, the share of its length, where.
    let mut new: Vec<Vec<(usize, f64, Xy)>> = vec![Vec::new(); ways.len()];
    for a in 0..ways.len() {
        for b in a + 1..ways.len() {
            if apart(a, b) {
                continue;
            }
            for (i, p) in ways[a].line.windows(2).enumerate() {
                for (j, q) in ways[b].line.windows(2).enumerate() {
                    let Some((t, u)) = crossing((p[0], p[1]), (q[0], q[1])) else {
                        continue;
                    };
                    let at = xy(p[0].x + t * (p[1].x - p[0].x), p[0].y + t * (p[1].y - p[0].y));
                    new[a].push((i, t, at));
                    new[b].push((j, u, at));
                }
            }
        }
    }
    for (way, corners) in ways.iter_mut().zip(&mut new) {
        corners.sort_by(|a, b| a.0.cmp(&b.0).then_with(|| a.1.total_cmp(&b.1)));
        for &(segment, _, at) in corners.iter().rev() {
            way.line.insert(segment + 1, at);
        }
    }
    new.into_iter()
        .map(|corners| corners.into_iter().map(|(_, _, at)| at).collect())
        .collect()
}

/// Takes away what a road runs on behind its first and last junction, where that is short.
fn cut_stubs(line: &mut Vec<Xy>, met: &[Xy]) {
    for _ in 0..2 {
        line.reverse();
        let Some(last) = line.iter().rposition(|p| met.contains(p)) else {
            return;
        };
        let stub: f64 = line[last..].windows(2).map(|p| p[0].distance_m(p[1])).sum();
        if stub < STUB_M {
            line.truncate(last + 1);
        }
    }
}

fn over_the_river(a: Xy, b: Xy, river: &[Xy]) -> bool {
    river.windows(2).any(|r| crossing((a, b), (r[0], r[1])).is_some())
}

/// Tracks into woods, drives into yards and camp grounds: from their middle to the nearest corner of a road.
fn lead_into_grounds(layout: &Layout, ways: &mut Vec<Way>) {
    let corners: Vec<Xy> = ways.iter().flat_map(|w| w.line.iter().copied()).collect();
    for ground in &layout.grounds {
        let (class, name) = match ground.kind {
            GroundKind::Wood => (RoadClass::Track, format!("track into {}", ground.name)),
            GroundKind::TimberYard
            | GroundKind::CampGround
            | GroundKind::Nursery
            | GroundKind::GreenWasteYard => (RoadClass::Service, format!("drive of the {}", ground.name)),
            _ => continue,
        };
        let nearest = corners
            .iter()
            .filter(|c| !over_the_river(ground.middle, **c, &layout.river))
            .min_by(|a, b| {
                ground
                    .middle
                    .distance_m(**a)
                    .total_cmp(&ground.middle.distance_m(**b))
            });
        if let Some(&corner) = nearest {
            ways.push(Way::of(class, Some(name), vec![corner, ground.middle]));
        }
    }
}

/// Corners by number, each once.
#[derive(Default)]
struct Corners {
    known: HashMap<(u64, u64), usize>,
    at: Vec<Xy>,
}

impl Corners {
    fn number(&mut self, p: Xy) -> usize {
        *self
            .known
            .entry((p.x.to_bits(), p.y.to_bits()))
            .or_insert_with(|| {
                self.at.push(p);
                self.at.len() - 1
            })
    }

    fn of(ways: &[Way]) -> (Corners, Vec<Vec<usize>>) {
        let mut corners = Corners::default();
        let numbers = ways
            .iter()
            .map(|w| w.line.iter().map(|&p| corners.number(p)).collect())
            .collect();
        (corners, numbers)
    }
}

/// Joins pieces that hang together with nothing else, each to the nearest corner of another on its bank.
fn join(layout: &Layout, ways: &mut Vec<Way>) {
    loop {
        let (corners, numbers) = Corners::of(ways);
        let piece = pieces(corners.at.len(), &numbers);
        let mut sizes: HashMap<usize, usize> = HashMap::new();
        piece.iter().for_each(|p| *sizes.entry(*p).or_default() += 1);
        let Some(largest) = sizes
            .iter()
            .max_by_key(|(p, n)| (**n, usize::MAX - **p))
            .map(|(p, _)| *p)
        else {
            return;
        };
        // The piece whose first corner comes first, so that the order does not hang on a hash.
        let Some(lonely) = piece.iter().copied().find(|p| *p != largest) else {
            return;
        };
        let mut best: Option<(f64, Xy, Xy)> = None;
        for (a, _) in corners.at.iter().zip(&piece).filter(|(_, p)| **p == lonely) {
            for (b, _) in corners.at.iter().zip(&piece).filter(|(_, p)| **p != lonely) {
                let d = a.distance_m(*b);
                if best.is_none_or(|(least, ..)| d < least) && !over_the_river(*a, *b, &layout.river) {
                    best = Some((d, *a, *b));
                }
            }
        }
        match best {
            Some((_, a, b)) => ways.push(Way::of(RoadClass::Service, None, vec![a, b])),
            // Nothing else on its bank: then it is no road.
            None => ways.retain(|w| !w.line.iter().any(|p| same_piece(&corners, &piece, *p, lonely))),
        }
    }
}

fn same_piece(corners: &Corners, piece: &[usize], p: Xy, wanted: usize) -> bool {
    corners
        .known
        .get(&(p.x.to_bits(), p.y.to_bits()))
        .is_some_and(|n| piece[*n] == wanted)
}

/// For each corner the lowest number of those it hangs together with.
fn pieces(corners: usize, ways: &[Vec<usize>]) -> Vec<usize> {
    fn root(of: &mut [usize], mut k: usize) -> usize {
        while of[k] != k {
            of[k] = of[of[k]];
            k = of[k];
        }
        k
    }
    let mut of: Vec<usize> = (0..corners).collect();
    for pair in ways.iter().flat_map(|w| w.windows(2)) {
        let (a, b) = (root(&mut of, pair[0]), root(&mut of, pair[1]));
        of[a.max(b)] = a.min(b);
    }
    (0..corners).map(|k| root(&mut of, k)).collect()
}

/// Makes streets of the old town one-way, by turns in one direction and the other, as long as every corner can still be
/// reached from every other one.
fn one_ways(ways: Vec<Way>) -> Vec<Way> {
    let (_, numbers) = Corners::of(&ways);
    let mut uses: HashMap<usize, usize> = HashMap::new();
    numbers
        .iter()
        .flatten()
        .for_each(|n| *uses.entry(*n).or_default() += 1);
    let mut all: Vec<Way> = Vec::new();
    let mut candidates = Vec::new();
    for (way, corners) in ways.into_iter().zip(&numbers) {
        let middle = way.line[way.line.len() / 2];
        let in_town = way.name.as_deref().is_some_and(|n| n.ends_with(" Street"))
            && middle.distance_m(OLD_TOWN) < ONEWAY_WITHIN_M;
        let junctions: Vec<usize> = (0..corners.len()).filter(|k| uses[&corners[*k]] > 1).collect();
        let (first, last) = match (junctions.first(), junctions.last()) {
            (Some(&first), Some(&last)) if in_town && junctions.len() > 2 => (first, last),
            _ => {
                all.push(way);
                continue;
            }
        };
        // What lies beyond the last junction is a dead end and stays open both ways.
        for (from, to) in [(0, first), (first, last), (last, way.line.len() - 1)] {
            if from == to {
                continue;
            }
            if (from, to) == (first, last) {
                candidates.push(all.len());
            }
            all.push(Way {
                line: way.line[from..=to].to_vec(),
                ..way.clone()
            });
        }
    }
    let mut direction = Oneway::Forward;
    for k in candidates {
        all[k].oneway = direction;
        if strongly_joined(&all) {
            all[k].speed_kmh = Some(30.0);
            direction = match direction {
                Oneway::Forward => Oneway::Backward,
                _ => Oneway::Forward,
            };
        } else {
            all[k].oneway = Oneway::Both;
        }
    }
    all
}

/// Whether every corner can be reached from every other one.
fn strongly_joined(ways: &[Way]) -> bool {
    let (corners, numbers) = Corners::of(ways);
    let mut ahead: Vec<Vec<usize>> = vec![Vec::new(); corners.at.len()];
    let mut back = ahead.clone();
    for (way, numbers) in ways.iter().zip(&numbers) {
        for pair in numbers.windows(2) {
            if way.oneway != Oneway::Backward {
                ahead[pair[0]].push(pair[1]);
                back[pair[1]].push(pair[0]);
            }
            if way.oneway != Oneway::Forward {
                ahead[pair[1]].push(pair[0]);
                back[pair[0]].push(pair[1]);
            }
        }
    }
    let reached = |next: &[Vec<usize>]| {
        let mut seen = vec![false; next.len()];
        let mut stack: Vec<usize> = (!next.is_empty()).then_some(0).into_iter().collect();
        while let Some(k) = stack.pop() {
            if !std::mem::replace(&mut seen[k], true) {
                stack.extend(next[k].iter().filter(|n| !seen[**n]));
            }
        }
        seen.into_iter().all(|s| s)
    };
    reached(&ahead) && reached(&back)
}

/// The ways as records, without the corners that bend nothing and join nothing.
fn records(ways: &[Way], plane: &Plane) -> Vec<Road> {
    let (_, numbers) = Corners::of(ways);
    let mut uses: HashMap<usize, usize> = HashMap::new();
    numbers
        .iter()
        .flatten()
        .for_each(|n| *uses.entry(*n).or_default() += 1);
    let mut nodes: HashMap<(u64, u64), i64> = HashMap::new();
    let mut roads = Vec::new();
    for (way, numbers) in ways.iter().zip(&numbers) {
        let mut road = Road {
            label: format!("R{:04}", roads.len() + 1),
            class: way.class,
            oneway: way.oneway,
            speed_kmh: way.speed_kmh,
            name: way.name.clone(),
            nodes: Vec::new(),
            line: Vec::new(),
        };
        for k in kept(&way.line, |k| uses[&numbers[k]] > 1) {
            let at = plane.position(way.line[k]);
            let next = i64::try_from(nodes.len()).unwrap_or(i64::MAX) + 1;
            let node = *nodes.entry((at.lat.to_bits(), at.lon.to_bits())).or_insert(next);
            if road.nodes.last() != Some(&node) {
                road.nodes.push(node);
                road.line.push([at.lon, at.lat]);
            }
        }
        if road.nodes.len() > 1 {
            roads.push(road);
        }
    }
    roads
}

/// Corners of a line that must stay: its ends, its junctions, and where it bends.
fn kept(line: &[Xy], junction: impl Fn(usize) -> bool) -> Vec<usize> {
    let mut kept = vec![0];
    for k in 1..line.len() {
        let from = kept[kept.len() - 1];
        let last = k + 1 == line.len();
        // Kept as well when one left out before it would lie off the straight line to the next.
        let bends =
            !last && (from + 1..=k).any(|j| off_line_m(line[j], line[from], line[k + 1]) > STRAIGHT_M);
        if last || junction(k) || bends {
            kept.push(k);
        }
    }
    kept
}

/// Distance of a point from the straight line through two others, metres.
fn off_line_m(p: Xy, a: Xy, b: Xy) -> f64 {
    let length = a.distance_m(b).max(1e-9);
    ((b.x - a.x) * (p.y - a.y) - (b.y - a.y) * (p.x - a.x)).abs() / length
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use earlywood_geodata::roads::{RoadNet, RoadOptions};

    use super::super::district;
    use super::*;

    #[test]
    fn every_road_leads_to_every_other_whatever_the_seed() {
        for seed in [1, 2, 7, 99] {
            let d = district::invent(seed);
            let net = RoadNet::build(&d.roads, &RoadOptions::default()).unwrap();
            let ends: Vec<_> = d.crews.iter().map(|c| c.depot).collect();
            for road in d.roads.iter().step_by(7) {
                let [lon, lat] = road.line[road.line.len() / 2];
                let there = earlywood_model::record::Position { lat, lon };
                for &depot in &ends {
                    assert!(
                        net.path(depot, there).is_some() && net.path(there, depot).is_some(),
                        "seed {seed} {}",
                        road.label
                    );
                }
            }
            let oneways = d.roads.iter().filter(|r| r.oneway != Oneway::Both).count();
            assert!(oneways >= 3, "seed {seed}: {oneways} one-way streets");
            let labels: BTreeSet<&str> = d.roads.iter().map(|r| r.label.as_str()).collect();
            assert_eq!(labels.len(), d.roads.len());
        }
    }

    #[test]
    fn two_streets_of_a_zone_never_share_a_name() {
        let mut names = BTreeSet::new();
        for zone in [ZoneName::Eastbank, ZoneName::Oldmill, ZoneName::Northfield] {
            for long in [true, false] {
                for number in -33..=33 {
                    assert!(names.insert(street_name(zone, GridLine { long, number })));
                }
            }
        }
    }

    #[test]
    fn crossing_lines_get_a_corner_in_common_and_parallel_ones_none() {
        let way = |line| Way::of(RoadClass::Local, None, line);
        let mut ways = vec![
            way(vec![xy(-10.0, 0.0), xy(10.0, 0.0)]),
            way(vec![xy(0.0, -10.0), xy(0.0, 10.0)]),
            way(vec![xy(-10.0, 3.0), xy(-5.0, 3.0)]),
        ];
        let met = meet(&mut ways);
        assert_eq!(met.iter().map(Vec::len).collect::<Vec<_>>(), [1, 1, 0]);
        assert_eq!(ways[0].line[1], ways[1].line[1]);
        assert!(ways[0].line[1].distance_m(xy(0.0, 0.0)) < 1e-9);
        assert_eq!(ways[2].line.len(), 2);
    }

    #[test]
    fn a_straight_line_keeps_its_ends_and_its_junctions() {
        let line: Vec<Xy> = (0..9).map(|k| xy(20.0 * f64::from(k), 0.0)).collect();
        assert_eq!(kept(&line, |k| k == 3), [0, 3, 8]);
        let bow: Vec<Xy> = (0..9)
            .map(|k| xy(20.0 * f64::from(k), f64::from(k * k)))
            .collect();
        assert!(kept(&bow, |_| false).len() > 4);
    }
}
