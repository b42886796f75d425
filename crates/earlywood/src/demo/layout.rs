//! The invented ground itself: a town on both banks of a winding river.
//!
//! Streets follow three grids, one per zone, each turned its own way; trees stand along the streets, in clumps in the
//! parks, in a strip along the river and in scattered woods. Nothing here models a real town; the shares and
//! spacings only have to look like one.

use std::collections::HashMap;
use std::f64::consts::TAU;

use rand::seq::SliceRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

use super::plane::{Xy, inside, xy};

/// Half the district's width and height, metres.
const HALF_WIDTH_M: f64 = 2150.0;
const HALF_HEIGHT_M: f64 = 1700.0;
/// Half the river's width, metres.
pub(super) const RIVER_HALF_WIDTH_M: f64 = 22.0;
/// Half the width of the public land along a street, metres.
const STREET_HALF_WIDTH_M: f64 = 11.0;
/// Street trees stand this far from the middle of the street, metres.
const TREE_ROW_M: f64 = 7.5;
/// No two trees are closer than this, metres.
const TREE_GAP_M: f64 = 2.5;

/// The three zones, in the order of [`Layout::zones`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum ZoneName {
    Eastbank,
    Oldmill,
    Northfield,
}

impl ZoneName {
    pub(super) fn label(self) -> &'static str {
        match self {
            ZoneName::Eastbank => "Eastbank",
            ZoneName::Oldmill => "Oldmill",
            ZoneName::Northfield => "Northfield",
        }
    }
}

/// What a piece of ground is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum GroundKind {
    Park,
    Greenway,
    Wood,
    TimberYard,
    CampGround,
    Nursery,
    GreenWasteYard,
    School,
    PlayArea,
    RailYard,
}

/// A named piece of ground.
#[derive(Debug, Clone)]
pub(super) struct Ground {
    pub(super) kind: GroundKind,
    pub(super) name: &'static str,
    pub(super) middle: Xy,
    pub(super) ring: Vec<Xy>,
}

/// A line of a zone's grid: all its pieces are one street.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) struct GridLine {
    /// One of the long streets, not a cross street.
    pub(super) long: bool,
    /// Counted from the middle of the district, both ways.
    pub(super) number: i32,
}

/// One run of a street without a break.
#[derive(Debug, Clone)]
pub(super) struct Street {
    pub(super) zone: ZoneName,
    /// Which line of its zone's grid it is a piece of.
    pub(super) grid_line: GridLine,
    pub(super) line: Vec<Xy>,
    /// The public strip along it.
    pub(super) ring: Vec<Xy>,
}

/// A tree before it gets its label.
#[derive(Debug, Clone)]
pub(super) struct Tree {
    pub(super) at: Xy,
    pub(super) species: &'static str,
    pub(super) dbh_cm: Option<f64>,
}

/// The whole ground.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) river: Vec<Xy>,
    pub(super) zones: Vec<(ZoneName, Vec<Xy>)>,
    pub(super) grounds: Vec<Ground>,
    pub(super) streets: Vec<Street>,
    pub(super) bridges: Vec<Vec<Xy>>,
    pub(super) trees: Vec<Tree>,
}

impl Layout {
    /// Draws the ground for a seed, with exactly `trees` trees.
    pub(super) fn draw(seed: u64, trees: usize) -> Layout {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x6E0_6E0);
        let shape = Shape::draw(&mut rng);
        let grounds = draw_grounds(&shape, &mut rng);
        let streets = draw_streets(&shape, &grounds, &mut rng);
        let mut planter = Planter::new(rng);
        planter.along_streets(&streets);
        planter.in_grounds(&shape, &grounds);
        planter.along_river(&shape, &grounds);
        planter.in_yards(&shape, &grounds, &streets);
        Layout {
            river: shape.river(),
            zones: shape.zones(),
            bridges: shape.bridges(),
            trees: planter.thinned_to(trees),
            grounds,
            streets,
        }
    }
}

/// The lines that bound everything: the river's course, the line between the two western zones, the outer edge.
#[derive(Debug, Clone)]
struct Shape {
    phase: [f64; 7],
}

impl Shape {
    fn draw(rng: &mut ChaCha8Rng) -> Self {
        Shape {
            phase: std::array::from_fn(|_| rng.random_range(0.0..TAU)),
        }
    }

    fn river_x(&self, y: f64) -> f64 {
        -120.0
            + 210.0 * (TAU * y / 2300.0 + self.phase[0]).sin()
            + 70.0 * (TAU * y / 870.0 + self.phase[1]).sin()
    }

    /// Distance to the river's middle, near enough for planting: the horizontal distance times the cosine of its slope.
    fn river_distance_m(&self, p: Xy) -> f64 {
        let slope = (self.river_x(p.y + 5.0) - self.river_x(p.y - 5.0)) / 10.0;
        (p.x - self.river_x(p.y)).abs() / (1.0 + slope * slope).sqrt()
    }

    fn divide_y(&self, x: f64) -> f64 {
        90.0 + 60.0 * (TAU * x / 1900.0 + self.phase[2]).sin()
    }

    fn top(&self, x: f64) -> f64 {
        HALF_HEIGHT_M + 45.0 * (TAU * x / 2100.0 + self.phase[3]).sin() - 0.000_02 * x * x
    }

    fn bottom(&self, x: f64) -> f64 {
        -HALF_HEIGHT_M + 45.0 * (TAU * x / 1700.0 + self.phase[4]).sin() + 0.000_02 * x * x
    }

    fn left(&self, y: f64) -> f64 {
        -HALF_WIDTH_M + 50.0 * (TAU * y / 1800.0 + self.phase[5]).sin() + 0.000_03 * y * y
    }

    fn right(&self, y: f64) -> f64 {
        HALF_WIDTH_M + 50.0 * (TAU * y / 1500.0 + self.phase[6]).sin() - 0.000_03 * y * y
    }

    /// The zone a point lies in, when it is at least `margin_m` inside the outer edge.
    fn zone_of(&self, p: Xy, margin_m: f64) -> Option<ZoneName> {
        let within = p.x > self.left(p.y) + margin_m
            && p.x < self.right(p.y) - margin_m
            && p.y > self.bottom(p.x) + margin_m
            && p.y < self.top(p.x) - margin_m;
        if !within {
            return None;
        }
        Some(if p.x > self.river_x(p.y) {
            ZoneName::Eastbank
        } else if p.y > self.divide_y(p.x) {
            ZoneName::Northfield
        } else {
            ZoneName::Oldmill
        })
    }

    fn river(&self) -> Vec<Xy> {
        steps(-HALF_HEIGHT_M - 60.0, HALF_HEIGHT_M + 60.0)
            .map(|y| xy(self.river_x(y), y))
            .collect()
    }

    /// Where the river meets a level line such as the top edge: a few rounds of `y = edge(river_x(y))`.
    fn river_meets(&self, edge: impl Fn(f64) -> f64) -> Xy {
        let mut y = edge(0.0);
        for _ in 0..40 {
            y = edge(self.river_x(y));
        }
        xy(self.river_x(y), y)
    }

    fn corner(&self, side: impl Fn(f64) -> f64, edge: impl Fn(f64) -> f64) -> Xy {
        let mut y = edge(0.0);
        for _ in 0..40 {
            y = edge(side(y));
        }
        xy(side(y), y)
    }

    /// The three zones' rings, anticlockwise. Neighbours share the same points along their common line.
    fn zones(&self) -> Vec<(ZoneName, Vec<Xy>)> {
        let south = self.river_meets(|x| self.bottom(x));
        let north = self.river_meets(|x| self.top(x));
        let fork = self.river_meets(|x| self.divide_y(x));
        let south_east = self.corner(|y| self.right(y), |x| self.bottom(x));
        let north_east = self.corner(|y| self.right(y), |x| self.top(x));
        let north_west = self.corner(|y| self.left(y), |x| self.top(x));
        let south_west = self.corner(|y| self.left(y), |x| self.bottom(x));
        let west = self.corner(|y| self.left(y), |x| self.divide_y(x));
        let river = |from: Xy, to: Xy| between(from.y, to.y, |y| xy(self.river_x(y), y));
        let east_side = |from: Xy, to: Xy| between(from.y, to.y, |y| xy(self.right(y), y));
        let west_side = |from: Xy, to: Xy| between(from.y, to.y, |y| xy(self.left(y), y));
        let top = |from: Xy, to: Xy| between(from.x, to.x, |x| xy(x, self.top(x)));
        let bottom = |from: Xy, to: Xy| between(from.x, to.x, |x| xy(x, self.bottom(x)));
        let divide = |from: Xy, to: Xy| between(from.x, to.x, |x| xy(x, self.divide_y(x)));
        let ring = |parts: Vec<Vec<Xy>>| parts.concat();
        vec![
            (
                ZoneName::Eastbank,
                ring(vec![
                    bottom(south, south_east),
                    east_side(south_east, north_east),
                    top(north_east, north),
                    river(north, fork),
                    river(fork, south),
                ]),
            ),
            (
                ZoneName::Oldmill,
                ring(vec![
                    bottom(south_west, south),
                    river(south, fork),
                    divide(fork, west),
                    west_side(west, south_west),
                ]),
            ),
            (
                ZoneName::Northfield,
                ring(vec![
                    divide(west, fork),
                    river(fork, north),
                    top(north, north_west),
                    west_side(north_west, west),
                ]),
            ),
        ]
    }

    fn bridges(&self) -> Vec<Vec<Xy>> {
        [-820.0, 60.0, 940.0]
            .into_iter()
            .map(|y| {
                let x = self.river_x(y);
                vec![xy(x - 90.0, y - 6.0), xy(x + 90.0, y + 6.0)]
            })
            .collect()
    }
}

/// Multiples of 50 m strictly between two values, upward.
fn steps(from: f64, to: f64) -> impl Iterator<Item = f64> {
    let first = (from / 50.0).floor() as i64 + 1;
    (first..).map(|k| k as f64 * 50.0).take_while(move |v| *v < to)
}

/// A curve's points from one parameter to another: the start, every multiple of 50 m, and not the end.
fn between(from: f64, to: f64, at: impl Fn(f64) -> Xy) -> Vec<Xy> {
    let mut middle: Vec<f64> = steps(from.min(to), from.max(to)).collect();
    if to < from {
        middle.reverse();
    }
    std::iter::once(from).chain(middle).map(at).collect()
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A rounded, uneven patch of ground.
fn blob(middle: Xy, radius_m: f64, rng: &mut ChaCha8Rng) -> Vec<Xy> {
    let (a, b) = (rng.random_range(0.0..TAU), rng.random_range(0.0..TAU));
    (0..28)
        .map(|k| {
            let t = TAU * f64::from(k) / 28.0;
            let r = radius_m * (1.0 + 0.16 * (2.0 * t + a).sin() + 0.08 * (3.0 * t + b).sin());
            middle.plus(xy(r * t.cos(), r * t.sin()))
        })
        .collect()
}

/// A rectangle turned about its middle.
fn rectangle(middle: Xy, width_m: f64, height_m: f64, radians: f64) -> Vec<Xy> {
    [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]
        .into_iter()
        .map(|(u, v)| xy(u * width_m, v * height_m).turned(radians).plus(middle))
        .collect()
}

/// Every named piece of ground: placed by hand, moved a little by the seed.
fn draw_grounds(shape: &Shape, rng: &mut ChaCha8Rng) -> Vec<Ground> {
    use GroundKind::{
        CampGround, GreenWasteYard, Greenway, Nursery, Park, PlayArea, RailYard, School, TimberYard, Wood,
    };
    let mut grounds = Vec::new();
    let mut round = |kind, name, middle: Xy, radius_m: f64, rng: &mut ChaCha8Rng| {
        let middle = middle.plus(xy(rng.random_range(-35.0..35.0), rng.random_range(-35.0..35.0)));
        let ring = blob(middle, radius_m, rng);
        grounds.push(Ground {
            kind,
            name,
            middle,
            ring,
        });
        middle
    };
    let common = round(Park, "Meadow Common", xy(1050.0, 380.0), 190.0, rng);
    round(Park, "Quarry Park", xy(1500.0, -980.0), 130.0, rng);
    round(Park, "Bandstand Park", xy(-980.0, -420.0), 115.0, rng);
    round(Park, "Orchard Green", xy(-1400.0, 900.0), 150.0, rng);
    round(Park, "Furrow Park", xy(-860.0, 1250.0), 95.0, rng);
    round(Wood, "Hollow Wood", xy(1720.0, 1250.0), 230.0, rng);
    round(Wood, "Kiln Wood", xy(-1760.0, -1250.0), 240.0, rng);
    round(Wood, "Rook Wood", xy(-1840.0, 560.0), 150.0, rng);
    round(Wood, "Sandpit Wood", xy(1790.0, -330.0), 150.0, rng);
    let mut block = |kind, name, middle: Xy, width_m, height_m, degrees: f64, rng: &mut ChaCha8Rng| {
        let middle = middle.plus(xy(rng.random_range(-20.0..20.0), rng.random_range(-20.0..20.0)));
        let ring = rectangle(middle, width_m, height_m, degrees.to_radians());
        grounds.push(Ground {
            kind,
            name,
            middle,
            ring,
        });
    };
    let by_river = |y: f64, across: f64| xy(shape.river_x(y) + across, y);
    block(
        TimberYard,
        "timber yard at the mill",
        by_river(-560.0, -190.0),
        190.0,
        150.0,
        8.0,
        rng,
    );
    block(
        CampGround,
        "river camp ground",
        by_river(1330.0, -210.0),
        210.0,
        170.0,
        -6.0,
        rng,
    );
    block(
        Nursery,
        "nursery on the north road",
        xy(-1500.0, 1380.0),
        190.0,
        140.0,
        4.0,
        rng,
    );
    block(
        Nursery,
        "nursery on the east road",
        xy(1700.0, 330.0),
        170.0,
        150.0,
        -5.0,
        rng,
    );
    block(
        GreenWasteYard,
        "green waste yard",
        xy(950.0, -1400.0),
        150.0,
        120.0,
        0.0,
        rng,
    );
    block(RailYard, "rail yard", xy(-1180.0, -960.0), 560.0, 70.0, 14.0, rng);
    block(
        School,
        "school ground, east",
        xy(700.0, -420.0),
        170.0,
        130.0,
        -5.0,
        rng,
    );
    block(
        School,
        "school ground, north",
        xy(-700.0, 640.0),
        150.0,
        120.0,
        9.0,
        rng,
    );
    let play = common.plus(xy(45.0, -30.0));
    grounds.push(Ground {
        kind: PlayArea,
        name: "play area on the common",
        middle: play,
        ring: rectangle(play, 70.0, 50.0, 0.2),
    });
    for (name, side, from, to) in [
        ("greenway, east bank", 1.0, -1150.0, 1250.0),
        ("greenway, mill reach", -1.0, -380.0, 40.0),
        ("greenway, north reach", -1.0, 180.0, 1150.0),
    ] {
        grounds.push(greenway(shape, name, side, from, to, Greenway));
    }
    grounds
}

fn greenway(shape: &Shape, name: &'static str, side: f64, from: f64, to: f64, kind: GroundKind) -> Ground {
    let at = |y: f64, off: f64| xy(shape.river_x(y) + side * off, y);
    let near = between(from, to, |y| at(y, RIVER_HALF_WIDTH_M + 6.0));
    let mut far = between(from, to, |y| at(y, RIVER_HALF_WIDTH_M + 52.0));
    far.reverse();
    let ring = [near, far].concat();
    Ground {
        kind,
        name,
        middle: at(0.5 * (from + to), RIVER_HALF_WIDTH_M + 28.0),
        ring,
    }
}

/// How one zone's streets lie.
struct Grid {
    zone: ZoneName,
    turned_degrees: f64,
    /// Spacing of the long streets and of the cross streets, metres.
    long_m: f64,
    cross_m: f64,
    /// How far the long streets wave from straight, metres.
    wave_m: f64,
}

const GRIDS: [Grid; 3] = [
    Grid {
        zone: ZoneName::Eastbank,
        turned_degrees: -5.0,
        long_m: 112.0,
        cross_m: 205.0,
        wave_m: 0.0,
    },
    Grid {
        zone: ZoneName::Oldmill,
        turned_degrees: 14.0,
        long_m: 96.0,
        cross_m: 128.0,
        wave_m: 4.0,
    },
    Grid {
        zone: ZoneName::Northfield,
        turned_degrees: 4.0,
        long_m: 134.0,
        cross_m: 240.0,
        wave_m: 24.0,
    },
];

fn draw_streets(shape: &Shape, grounds: &[Ground], rng: &mut ChaCha8Rng) -> Vec<Street> {
    let free = |p: Xy, zone: ZoneName| {
        shape.zone_of(p, 30.0) == Some(zone)
            && shape.river_distance_m(p) > RIVER_HALF_WIDTH_M + 62.0
            && !grounds
                .iter()
                .any(|g| g.middle.distance_m(p) < 700.0 && inside(p, &g.ring))
    };
    let mut streets = Vec::new();
    for grid in &GRIDS {
        let turn = grid.turned_degrees.to_radians();
        for (along_long, spacing) in [(true, grid.long_m), (false, grid.cross_m)] {
            let lines = (3200.0 / spacing) as i32;
            for k in -lines..=lines {
                let grid_line = GridLine {
                    long: along_long,
                    number: k,
                };
                let phase = rng.random_range(0.0..TAU);
                let mut run: Vec<Xy> = Vec::new();
                for step in -160..=160 {
                    let v = f64::from(step) * 20.0;
                    let wave = if along_long {
                        grid.wave_m * (TAU * v / 760.0 + phase).sin()
                    } else {
                        0.0
                    };
                    let u = f64::from(k) * spacing + wave;
                    let p = if along_long { xy(v, u) } else { xy(u, v) }.turned(turn);
                    // One step in sixty is missing: closes and dead ends break the grid up.
                    if free(p, grid.zone) && rng.random::<f64>() > 1.0 / 60.0 {
                        run.push(p);
                    } else {
                        finish_run(&mut run, (grid.zone, grid_line), &mut streets);
                    }
                }
                finish_run(&mut run, (grid.zone, grid_line), &mut streets);
            }
        }
    }
    streets
}

fn finish_run(run: &mut Vec<Xy>, (zone, grid_line): (ZoneName, GridLine), streets: &mut Vec<Street>) {
    let line = std::mem::take(run);
    if line.len() >= 5 {
        let ring = strip(&line, STREET_HALF_WIDTH_M);
        streets.push(Street {
            zone,
            grid_line,
            line,
            ring,
        });
    }
}

/// Unit normal, to the left of the direction of travel, at a vertex of a line.
fn left_normal(line: &[Xy], k: usize) -> Xy {
    let (a, b) = (line[k.saturating_sub(1)], line[(k + 1).min(line.len() - 1)]);
    let length = a.distance_m(b).max(1e-9);
    xy(-(b.y - a.y) / length, (b.x - a.x) / length)
}

/// The ring of a strip along a line; points within 20 cm of straight are left out to keep the files small.
fn strip(line: &[Xy], half_width_m: f64) -> Vec<Xy> {
    let keep: Vec<usize> = (0..line.len())
        .filter(|&k| k == 0 || k + 1 == line.len() || bends(line, k))
        .collect();
    let side = |sign: f64| {
        keep.iter().map(move |&k| {
            let n = left_normal(line, k);
            line[k].plus(xy(sign * half_width_m * n.x, sign * half_width_m * n.y))
        })
    };
    side(-1.0).chain(side(1.0).rev()).collect()
}

fn bends(line: &[Xy], k: usize) -> bool {
    let (a, b, c) = (line[k - 1], line[k], line[k + 1]);
    let cross = (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x);
    cross.abs() / a.distance_m(c).max(1e-9) > 0.2
}

/// Species with their shares in one kind of ground.
type Mix = &'static [(&'static str, f64)];

const STREET_MIX: Mix = &[
    ("Fraxinus pennsylvanica", 14.0),
    ("Fraxinus americana", 6.0),
    ("Acer platanoides", 14.0),
    ("Acer rubrum", 9.0),
    ("Acer saccharum", 7.0),
    ("Platanus x acerifolia", 10.0),
    ("Quercus rubra", 6.0),
    ("Quercus palustris", 6.0),
    ("Tilia cordata", 9.0),
    ("Gleditsia triacanthos", 9.0),
    ("Ulmus americana", 3.0),
    ("Pyrus calleryana", 4.0),
    ("Malus sp.", 3.0),
];
const PARK_MIX: Mix = &[
    ("Quercus macrocarpa", 13.0),
    ("Quercus rubra", 10.0),
    ("Fraxinus americana", 11.0),
    ("Acer saccharum", 12.0),
    ("Juglans nigra", 9.0),
    ("Platanus occidentalis", 8.0),
    ("Tilia americana", 9.0),
    ("Pinus strobus", 11.0),
    ("Ulmus americana", 6.0),
    ("Aesculus glabra", 5.0),
    ("Malus sp.", 6.0),
];
const RIVER_MIX: Mix = &[
    ("Salix nigra", 20.0),
    ("Populus deltoides", 20.0),
    ("Acer negundo", 17.0),
    ("Acer saccharinum", 12.0),
    ("Platanus occidentalis", 13.0),
    ("Fraxinus pennsylvanica", 13.0),
    ("Juglans nigra", 5.0),
];
const WOOD_MIX: Mix = &[
    ("Quercus rubra", 20.0),
    ("Quercus macrocarpa", 16.0),
    ("Carya ovata", 14.0),
    ("Acer saccharum", 16.0),
    ("Fraxinus americana", 12.0),
    ("Juglans nigra", 8.0),
    ("Prunus serotina", 8.0),
    ("Ulmus rubra", 6.0),
];
const YARD_MIX: Mix = &[
    ("Acer platanoides", 13.0),
    ("Malus sp.", 15.0),
    ("Juglans nigra", 8.0),
    ("Fraxinus pennsylvanica", 9.0),
    ("Quercus palustris", 8.0),
    ("Picea abies", 14.0),
    ("Betula nigra", 10.0),
    ("Prunus sp.", 13.0),
    ("Acer saccharinum", 10.0),
];

fn pick(mix: Mix, rng: &mut ChaCha8Rng) -> &'static str {
    let total: f64 = mix.iter().map(|(_, share)| share).sum();
    let mut left = rng.random::<f64>() * total;
    for &(species, share) in mix {
        left -= share;
        if left < 0.0 {
            return species;
        }
    }
    mix[mix.len() - 1].0
}

/// Plants trees, never two within [`TREE_GAP_M`].
struct Planter {
    rng: ChaCha8Rng,
    trees: Vec<Tree>,
    taken: HashMap<(i32, i32), Vec<Xy>>,
}

impl Planter {
    fn new(rng: ChaCha8Rng) -> Self {
        Planter {
            rng,
            trees: Vec::new(),
            taken: HashMap::new(),
        }
    }

    fn plant(&mut self, at: Xy, species: &'static str, median_dbh_cm: f64) {
        let key = |v: f64| (v / TREE_GAP_M).floor() as i32;
        let (i, j) = (key(at.x), key(at.y));
        let crowded = (i - 1..=i + 1)
            .flat_map(|a| (j - 1..=j + 1).map(move |b| (a, b)))
            .filter_map(|k| self.taken.get(&k))
            .flatten()
            .any(|other| other.distance_m(at) < TREE_GAP_M);
        if crowded {
            return;
        }
        self.taken.entry((i, j)).or_default().push(at);
        let cm = (median_dbh_cm * (0.42 * normal(&mut self.rng)).exp())
            .clamp(5.0, 150.0)
            .round();
        let dbh_cm = (self.rng.random::<f64>() > 0.03).then_some(cm);
        self.trees.push(Tree { at, species, dbh_cm });
    }

    fn along_streets(&mut self, streets: &[Street]) {
        for street in streets {
            // One species was planted along most of a street; the gaps were filled later with what was at hand.
            let first = pick(STREET_MIX, &mut self.rng);
            let (gap_share, dbh) = match street.zone {
                ZoneName::Eastbank => (0.42, 30.0),
                ZoneName::Oldmill => (0.45, 38.0),
                ZoneName::Northfield => (0.38, 22.0),
            };
            for side in [-1.0, 1.0] {
                let mut to_next = self.rng.random_range(4.0..14.0);
                for k in 0..street.line.len() - 1 {
                    let (a, b) = (street.line[k], street.line[k + 1]);
                    let length = a.distance_m(b);
                    let n = left_normal(&street.line, k);
                    while to_next < length {
                        let t = to_next / length;
                        let row = side * (TREE_ROW_M + 0.4 * normal(&mut self.rng));
                        let at = xy(
                            a.x + t * (b.x - a.x) + row * n.x,
                            a.y + t * (b.y - a.y) + row * n.y,
                        );
                        to_next += self.rng.random_range(10.0..17.0);
                        if self.rng.random::<f64>() < gap_share || on_another(street, at, streets) {
                            continue;
                        }
                        let species = if self.rng.random::<f64>() < 0.6 {
                            first
                        } else {
                            pick(STREET_MIX, &mut self.rng)
                        };
                        self.plant(at, species, dbh);
                    }
                    to_next -= length;
                }
            }
        }
    }

    fn in_grounds(&mut self, shape: &Shape, grounds: &[Ground]) {
        for ground in grounds {
            let (per_ha, mix, dbh) = match ground.kind {
                GroundKind::Park => (32.0, PARK_MIX, 42.0),
                GroundKind::Wood => (70.0, WOOD_MIX, 30.0),
                GroundKind::CampGround => (60.0, RIVER_MIX, 34.0),
                GroundKind::School => (12.0, PARK_MIX, 30.0),
                GroundKind::Nursery => (45.0, STREET_MIX, 7.0),
                _ => continue,
            };
            let wanted = (per_ha * area_m2(&ground.ring) / 10_000.0) as usize;
            let until = self.trees.len() + wanted;
            for _ in 0..wanted {
                // A clump: some trees of one or two kinds around a middle.
                let Some(middle) = self.point_in(&ground.ring) else {
                    continue;
                };
                let kind = pick(mix, &mut self.rng);
                for _ in 0..self.rng.random_range(3..14) {
                    let spread = xy(16.0 * normal(&mut self.rng), 16.0 * normal(&mut self.rng));
                    let at = middle.plus(spread);
                    let species = if self.rng.random::<f64>() < 0.55 {
                        kind
                    } else {
                        pick(mix, &mut self.rng)
                    };
                    let in_play = grounds
                        .iter()
                        .any(|g| g.kind == GroundKind::PlayArea && inside(at, &g.ring));
                    if inside(at, &ground.ring) && !in_play && shape.zone_of(at, 10.0).is_some() {
                        self.plant(at, species, dbh);
                    }
                }
                if self.trees.len() >= until {
                    break;
                }
            }
        }
    }

    fn point_in(&mut self, ring: &[Xy]) -> Option<Xy> {
        let (low, high) = bounds(ring);
        (0..200)
            .map(|_| {
                xy(
                    self.rng.random_range(low.x..high.x),
                    self.rng.random_range(low.y..high.y),
                )
            })
            .find(|p| inside(*p, ring))
    }

    fn along_river(&mut self, shape: &Shape, grounds: &[Ground]) {
        let built = |p: Xy| {
            grounds.iter().any(|g| {
                matches!(g.kind, GroundKind::TimberYard | GroundKind::CampGround) && inside(p, &g.ring)
            })
        };
        for _ in 0..3400 {
            let y = self.rng.random_range(-HALF_HEIGHT_M..HALF_HEIGHT_M);
            // Dense at the bank, thinning out over about 20 m.
            let off = RIVER_HALF_WIDTH_M + 4.0 - 14.0 * self.rng.random_range(0.02f64..1.0).ln();
            let side = if self.rng.random::<bool>() { 1.0 } else { -1.0 };
            let at = xy(shape.river_x(y) + side * off * 1.15, y);
            // Stretches come and go along the bank.
            let stretch = 0.55 + 0.45 * (TAU * y / 610.0 + side).sin();
            let wet = shape.river_distance_m(at) < RIVER_HALF_WIDTH_M + 3.0;
            if !wet && self.rng.random::<f64>() < stretch && shape.zone_of(at, 10.0).is_some() && !built(at) {
                let species = pick(RIVER_MIX, &mut self.rng);
                self.plant(at, species, 40.0);
            }
        }
    }

    /// Trees in gardens, known to the inventory here and there.
    fn in_yards(&mut self, shape: &Shape, grounds: &[Ground], streets: &[Street]) {
        for street in streets {
            for k in 0..street.line.len() {
                if self.rng.random::<f64>() > 0.28 {
                    continue;
                }
                let n = left_normal(&street.line, k);
                let off =
                    self.rng.random_range(16.0..44.0) * if self.rng.random::<bool>() { 1.0 } else { -1.0 };
                let at = street.line[k].plus(xy(off * n.x + 4.0 * normal(&mut self.rng), off * n.y));
                let taken = grounds.iter().any(|g| inside(at, &g.ring))
                    || streets.iter().any(|s| inside(at, &s.ring));
                if !taken && shape.zone_of(at, 10.0).is_some() {
                    let species = pick(YARD_MIX, &mut self.rng);
                    self.plant(at, species, 28.0);
                }
            }
        }
    }

    /// Exactly `wanted` of the trees planted, chosen evenly, still in the order they were planted.
    fn thinned_to(mut self, wanted: usize) -> Vec<Tree> {
        let mut order: Vec<usize> = (0..self.trees.len()).collect();
        order.shuffle(&mut self.rng);
        order.truncate(wanted);
        order.sort_unstable();
        order.into_iter().map(|k| self.trees[k].clone()).collect()
    }
}

/// Whether a point stands on the roadway of another street (the trees stop short of a crossing).
fn on_another(own: &Street, at: Xy, streets: &[Street]) -> bool {
    streets.iter().any(|s| {
        !std::ptr::eq(s, own) && s.zone == own.zone && {
            let (first, last) = (s.line[0], s.line[s.line.len() - 1]);
            let reach = first.distance_m(last);
            first.distance_m(at) < reach + 20.0 && last.distance_m(at) < reach + 20.0 && inside(at, &s.ring)
        }
    })
}

fn bounds(ring: &[Xy]) -> (Xy, Xy) {
    ring.iter().fold(
        (
            xy(f64::INFINITY, f64::INFINITY),
            xy(f64::NEG_INFINITY, f64::NEG_INFINITY),
        ),
        |(low, high), p| {
            (
                xy(low.x.min(p.x), low.y.min(p.y)),
                xy(high.x.max(p.x), high.y.max(p.y)),
            )
        },
    )
}

/// Area of a ring, square metres (shoelace formula).
pub(super) fn area_m2(ring: &[Xy]) -> f64 {
    let next = ring.iter().cycle().skip(1);
    0.5 * ring
        .iter()
        .zip(next)
        .map(|(a, b)| a.x * b.y - b.x * a.y)
        .sum::<f64>()
        .abs()
}
