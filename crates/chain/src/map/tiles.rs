//! Ground as vector tiles: a million hosts and a hundred thousand cells, each zoom with no more than an eye can tell apart.

use std::sync::{Arc, OnceLock};

use earlywood_geodata::cells;
use earlywood_model::record::{Host, HostCondition, Position};
use rayon::prelude::*;
use rstar::primitives::GeomWithData;
use rstar::{AABB, RTree};

use super::mvt::{EXTENT, Layer, Value, clipped};
use crate::error::ChainError;
use crate::ground::{Ground, WHOLE};

/// Deepest zoom that is answered: a tile of some 15 cm a step of 1 m.
const DEEPEST: u8 = 22;
/// Bits a side of the grid that points are sorted in: finer than a centimetre.
const BITS: u32 = 30;
/// A tile's side is cut into 2 to this many buckets, one point each: a bucket is then 4 to 8 pixels wide.
const BUCKET_BITS: u32 = 6;
/// A tile with no more points than this shows each of them.
const MOST_POINTS: usize = 1500;
/// Cells whose edge is shorter than this on the screen are put together to coarser ones, pixels (of 512 a tile).
const LEAST_EDGE_PX: f64 = 3.0;

/// Which tile: zoom, column from the west, row from the north.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct TileId {
    /// Zoom.
    pub z: u8,
    /// Column.
    pub x: u32,
    /// Row.
    pub y: u32,
}

impl TileId {
    /// A checked tile.
    ///
    /// # Errors
    /// A zoom above 22, or a column or row that the zoom does not have.
    pub fn new(z: u8, x: u32, y: u32) -> Result<Self, ChainError> {
        if z > DEEPEST || u64::from(x.max(y)) >= 1 << z {
            return Err(ChainError::asked(
                "tile",
                format!(
                    "there is no tile {z}/{x}/{y}: zoom 0 to {DEEPEST}, column and row below 2 to its power"
                ),
            ));
        }
        Ok(TileId { z, x, y })
    }

    /// From the whole world's square to the tile's grid.
    fn local(self, [u, v]: [f64; 2]) -> [f64; 2] {
        let n = f64::from(1_u32 << self.z);
        let side = f64::from(EXTENT);
        [
            (u * n - f64::from(self.x)) * side,
            (v * n - f64::from(self.y)) * side,
        ]
    }
}

/// Web Mercator on a square of side 1, from the north-west.
fn mercator(p: Position) -> [f64; 2] {
    let sin = p.lat.to_radians().sin().clamp(-0.9999, 0.9999);
    [
        p.lon / 360.0 + 0.5,
        0.5 - ((1.0 + sin) / (1.0 - sin)).ln() / (4.0 * std::f64::consts::PI),
    ]
}

/// Bits of both axes interleaved: a tile's points lie together.
fn morton([u, v]: [f64; 2]) -> u64 {
    let quantised = |t: f64| {
        let side = f64::from(1_u32 << BITS);
        (t * side).clamp(0.0, side - 1.0) as u64
    };
    spread(quantised(u)) | (spread(quantised(v)) << 1)
}

fn spread(mut v: u64) -> u64 {
    v = (v | (v << 16)) & 0x0000_ffff_0000_ffff;
    v = (v | (v << 8)) & 0x00ff_00ff_00ff_00ff;
    v = (v | (v << 4)) & 0x0f0f_0f0f_0f0f_0f0f;
    v = (v | (v << 2)) & 0x3333_3333_3333_3333;
    (v | (v << 1)) & 0x5555_5555_5555_5555
}

/// Hosts, sorted so that the points of any tile stand in one row.
#[derive(Debug)]
pub struct Stand {
    keys: Vec<u64>,
    at: Vec<[f64; 2]>,
    label: Vec<Box<str>>,
    species: Vec<u32>,
    condition: Vec<HostCondition>,
    dbh_cm: Vec<f32>,
    names: Vec<String>,
}

impl Stand {
    /// Sorts them.
    pub fn new(hosts: &[Host]) -> Self {
        let mut order: Vec<(u64, u32)> = hosts
            .par_iter()
            .enumerate()
            .map(|(i, h)| (morton(mercator(h.position)), i as u32))
            .collect();
        order.par_sort_unstable();
        let mut numbers = std::collections::HashMap::new();
        let mut stand = Stand {
            keys: order.iter().map(|o| o.0).collect(),
            at: Vec::with_capacity(order.len()),
            label: Vec::with_capacity(order.len()),
            species: Vec::with_capacity(order.len()),
            condition: Vec::with_capacity(order.len()),
            dbh_cm: Vec::with_capacity(order.len()),
            names: Vec::new(),
        };
        for (_, i) in order {
            let host = &hosts[i as usize];
            stand.at.push(mercator(host.position));
            stand.label.push(host.label.as_str().into());
            let next = stand.names.len() as u32;
            let species = *numbers.entry(host.species.as_str()).or_insert(next);
            if species == next {
                stand.names.push(host.species.clone());
            }
            stand.species.push(species);
            stand.condition.push(host.condition);
            stand.dbh_cm.push(host.dbh_cm.map_or(f32::NAN, |d| d as f32));
        }
        stand
    }

    /// The tile's points; where there are too many to be told apart, one for each small square with how many it stands for.
    pub fn tile(&self, tile: TileId) -> Vec<u8> {
        let bits = 2 * (BITS - u32::from(tile.z));
        let prefix = spread(u64::from(tile.x)) | (spread(u64::from(tile.y)) << 1);
        let inside = self.between(prefix << bits, (prefix + 1) << bits, 0..self.keys.len());
        let mut layer = Layer::new("hosts");
        if inside.len() <= MOST_POINTS {
            inside.for_each(|i| self.add(&mut layer, tile, i, 1));
            return layer.into_tile();
        }
        let bucket = bits.saturating_sub(2 * BUCKET_BITS);
        let mut first = inside.start;
        while first < inside.end {
            let end = ((self.keys[first] >> bucket) + 1) << bucket;
            let run = self.between(self.keys[first], end, first..inside.end);
            self.add(&mut layer, tile, first, run.len());
            first = run.end.max(first + 1);
        }
        layer.into_tile()
    }

    fn between(&self, from: u64, to: u64, among: std::ops::Range<usize>) -> std::ops::Range<usize> {
        let keys = &self.keys[among.clone()];
        let low = keys.partition_point(|k| *k < from);
        let high = keys.partition_point(|k| *k < to);
        among.start + low..among.start + high.max(low)
    }

    fn add(&self, layer: &mut Layer, tile: TileId, i: usize, n: usize) {
        let [x, y] = tile.local(self.at[i]);
        let mut properties = vec![("n", Value::Count(n as u64))];
        let species = Value::Text(self.names[self.species[i] as usize].clone());
        if n == 1 {
            properties.push(("label", Value::Text(self.label[i].to_string())));
            properties.push(("species", species));
            properties.push(("condition", Value::Text(condition_word(self.condition[i]).into())));
            if self.dbh_cm[i].is_finite() {
                properties.push(("dbh_cm", Value::Number(self.dbh_cm[i])));
            }
        }
        layer.point([x.round() as i32, y.round() as i32], &properties);
    }
}

/// A host's condition, as it is written in files.
pub fn condition_word(condition: HostCondition) -> &'static str {
    match condition {
        HostCondition::Healthy => "healthy",
        HostCondition::Declining => "declining",
        HostCondition::Dead => "dead",
        HostCondition::Unknown => "unknown",
    }
}

type Centres = RTree<GeomWithData<[f64; 2], u32>>;

/// Cells put together: one H3 cell of a coarser resolution, or one cell itself.
#[derive(Debug)]
struct Group {
    id: u64,
    members: Vec<u32>,
    weight: f64,
}

#[derive(Debug)]
struct Level {
    groups: Vec<Group>,
    centres: Centres,
    edge_m: f64,
}

/// The ground's cells, laid out for tiles.
#[derive(Debug)]
pub struct CellMap {
    ground: Arc<Ground>,
    levels: Vec<OnceLock<Level>>,
}

/// One figure a cell, under the name that the tile gives it.
pub type Figure<'a> = (&'static str, &'a [f64]);

impl CellMap {
    /// Lays them out; each coarser level only when it is asked for.
    pub fn new(ground: Arc<Ground>) -> Self {
        let count = usize::from(ground.cells.resolution) + 1;
        CellMap {
            ground,
            levels: (0..count).map(|_| OnceLock::new()).collect(),
        }
    }

    /// How many cells there are.
    pub fn cells(&self) -> usize {
        self.ground.cells.cells.len()
    }

    fn level(&self, resolution: u8) -> &Level {
        self.levels[usize::from(resolution)].get_or_init(|| {
            let cells = &self.ground.cells.cells;
            let fine = resolution == self.ground.cells.resolution;
            let mut keyed: Vec<(u64, u32)> = cells
                .par_iter()
                .enumerate()
                .map(|(i, c)| {
                    let id = if fine {
                        Some(c.id)
                    } else {
                        cells::parent(c.id, resolution)
                    };
                    (id.unwrap_or(c.id), i as u32)
                })
                .collect();
            keyed.par_sort_unstable();
            let groups: Vec<Group> = keyed
                .chunk_by(|a, b| a.0 == b.0)
                .map(|run| Group {
                    id: run[0].0,
                    members: run.iter().map(|r| r.1).collect(),
                    weight: run.iter().map(|r| cells[r.1 as usize].weight()).sum(),
                })
                .collect();
            let centres = groups.iter().enumerate().filter_map(|(i, g)| {
                let ring = cells::corners(g.id);
                let n = ring.len() as f64;
                let at = ring
                    .iter()
                    .map(|p| mercator(*p))
                    .fold([0.0; 2], |a, p| [a[0] + p[0], a[1] + p[1]]);
                (n > 0.0).then(|| GeomWithData::new([at[0] / n, at[1] / n], i as u32))
            });
            Level {
                centres: RTree::bulk_load(centres.collect()),
                groups,
                edge_m: cells::mean_edge_m(resolution).unwrap_or(f64::INFINITY),
            }
        })
    }

    /// The tile's cells with their figures. Where cells would be too small to see, they are put together: weights add, a
    /// figure is the mean weighted by them, and "n" says how many cells it is of.
    pub fn tile(&self, tile: TileId, figures: &[Figure<'_>]) -> Vec<u8> {
        let n = f64::from(1_u32 << tile.z);
        let middle_lat = {
            let v = (f64::from(tile.y) + 0.5) / n;
            (std::f64::consts::PI * (1.0 - 2.0 * v)).sinh().atan()
        };
        // Length of the equator on the sphere of Web Mercator.
        let metres_a_side = 40_075_016.686 * middle_lat.cos() / n;
        let finest = self.ground.cells.resolution;
        let resolution = (0..=finest)
            .rev()
            .find(|r| {
                let edge_m = cells::mean_edge_m(*r).unwrap_or(f64::INFINITY);
                512.0 * edge_m / metres_a_side >= LEAST_EDGE_PX
            })
            .unwrap_or(0);
        let level = self.level(resolution);
        // Corners lie within 1.5 mean edges of the centre, whatever the distortion.
        let room = 2.0 * level.edge_m / metres_a_side + 0.02;
        let low = [(f64::from(tile.x) - room) / n, (f64::from(tile.y) - room) / n];
        let high = [
            (f64::from(tile.x) + 1.0 + room) / n,
            (f64::from(tile.y) + 1.0 + room) / n,
        ];
        let mut found: Vec<u32> = level
            .centres
            .locate_in_envelope(&AABB::from_corners(low, high))
            .map(|g| g.data)
            .collect();
        found.sort_unstable();
        let mut layer = Layer::new("cells");
        for i in found {
            self.add(&mut layer, tile, &level.groups[i as usize], figures);
        }
        layer.into_tile()
    }

    fn add(&self, layer: &mut Layer, tile: TileId, group: &Group, figures: &[Figure<'_>]) {
        let ring: Vec<[f64; 2]> = cells::corners(group.id)
            .iter()
            .map(|p| tile.local(mercator(*p)))
            .collect();
        let corners = clipped(&ring);
        if corners.len() < 3 {
            return;
        }
        let mut properties = vec![
            ("id", Value::Text(format!("{:x}", group.id))),
            ("weight", Value::Number(group.weight as f32)),
        ];
        if let [only] = group.members.as_slice() {
            properties.push(("cell", Value::Count(u64::from(*only))));
        } else {
            properties.push(("n", Value::Count(group.members.len() as u64)));
        }
        let cells = &self.ground.cells;
        let first = &cells.cells[group.members[0] as usize];
        let zone = first.zone.map_or(WHOLE, |z| cells.zone_labels[z].as_str());
        properties.push(("zone", Value::Text(zone.into())));
        for (name, values) in figures {
            properties.push((name, Value::Number(self.mean(group, values) as f32)));
        }
        layer.polygon(&corners, &properties);
    }

    fn mean(&self, group: &Group, values: &[f64]) -> f64 {
        let cells = &self.ground.cells.cells;
        let at = |i: &u32| values.get(*i as usize).copied().unwrap_or(0.0);
        let sum = |weight: &dyn Fn(&u32) -> f64| group.members.iter().map(|i| weight(i) * at(i)).sum::<f64>();
        if group.weight > 0.0 {
            sum(&|i| cells[*i as usize].weight()) / group.weight
        } else {
            sum(&|_| 1.0) / group.members.len() as f64
        }
    }
}
