//! Mapbox Vector Tiles, version 2.1: layers of points and polygons with their properties, as protocol buffers.
//!
//! Only what is needed here is written, straight from the specification (github.com/mapbox/vector-tile-spec, 2.1): one
//! `Layer` message a layer, keys and values listed once, geometry as zigzag-coded steps in a grid of [`EXTENT`].

use std::collections::HashMap;

/// Steps of a tile's own grid along each side; what renderers expect.
pub const EXTENT: i32 = 4096;
/// Shapes reach so far over a tile's edge, so that outlines along the cut stay out of sight.
pub const BUFFER: i32 = 64;

/// A property's value.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Text.
    Text(String),
    /// A number, single precision: four bytes, and more digits than a colour or a label shows.
    Number(f32),
    /// A whole number, 0 or more.
    Count(u64),
}

impl Value {
    /// What tells equal values.
    fn key(&self) -> Vec<u8> {
        let mut out = Vec::new();
        self.write(&mut out);
        out
    }

    fn write(&self, out: &mut Vec<u8>) {
        match self {
            Value::Text(text) => bytes_field(out, 1, text.as_bytes()),
            Value::Number(number) => {
                varint(out, (2 << 3) | 5);
                out.extend_from_slice(&number.to_le_bytes());
            }
            Value::Count(count) => {
                varint(out, 5 << 3);
                varint(out, *count);
            }
        }
    }
}

/// One layer in the making.
#[derive(Debug)]
pub struct Layer {
    name: String,
    keys: Vec<&'static str>,
    values: Vec<Value>,
    known: HashMap<Vec<u8>, u32>,
    features: Vec<u8>,
}

impl Layer {
    /// An empty layer.
    pub fn new(name: &str) -> Self {
        Layer {
            name: name.to_owned(),
            keys: Vec::new(),
            values: Vec::new(),
            known: HashMap::new(),
            features: Vec::new(),
        }
    }

    /// Adds a point in the tile's grid.
    pub fn point(&mut self, at: [i32; 2], properties: &[(&'static str, Value)]) {
        let geometry = [command(1, 1), zigzag(at[0]), zigzag(at[1])];
        self.feature(1, &geometry, properties);
    }

    /// Adds a polygon without holes: its corners in the tile's grid, in order, not closed. Fewer than three different
    /// corners are no polygon, and are left out.
    pub fn polygon(&mut self, corners: &[[i32; 2]], properties: &[(&'static str, Value)]) {
        let mut ring: Vec<[i32; 2]> = Vec::with_capacity(corners.len());
        for &corner in corners {
            if ring.last() != Some(&corner) {
                ring.push(corner);
            }
        }
        while ring.len() > 1 && ring.first() == ring.last() {
            ring.pop();
        }
        let twice = twice_area(&ring);
        if ring.len() < 3 || twice == 0 {
            return;
        }
        // An outer ring runs clockwise on a screen whose y grows downwards: its area, by the surveyor's formula, is above 0.
        if twice < 0 {
            ring.reverse();
        }
        let mut geometry = Vec::with_capacity(2 * ring.len() + 3);
        let mut from = [0, 0];
        for (i, to) in ring.iter().enumerate() {
            match i {
                0 => geometry.push(command(1, 1)),
                1 => geometry.push(command(2, ring.len() as u32 - 1)),
                _ => {}
            }
            geometry.extend([zigzag(to[0] - from[0]), zigzag(to[1] - from[1])]);
            from = *to;
        }
        geometry.push(command(7, 1));
        self.feature(3, &geometry, properties);
    }

    fn feature(&mut self, shape: u64, geometry: &[u32], properties: &[(&'static str, Value)]) {
        let mut tags = Vec::new();
        for (key, value) in properties {
            let key = match self.keys.iter().position(|k| k == key) {
                Some(at) => at,
                None => {
                    self.keys.push(key);
                    self.keys.len() - 1
                }
            };
            varint(&mut tags, key as u64);
            let next = self.values.len() as u32;
            let at = *self.known.entry(value.key()).or_insert(next);
            if at == next {
                self.values.push(value.clone());
            }
            varint(&mut tags, u64::from(at));
        }
        let mut steps = Vec::new();
        geometry.iter().for_each(|g| varint(&mut steps, u64::from(*g)));
        let mut feature = Vec::new();
        bytes_field(&mut feature, 2, &tags);
        varint(&mut feature, 3 << 3);
        varint(&mut feature, shape);
        bytes_field(&mut feature, 4, &steps);
        bytes_field(&mut self.features, 2, &feature);
    }

    /// The bytes of a tile with this one layer; none at all for a layer without features.
    pub fn into_tile(self) -> Vec<u8> {
        if self.features.is_empty() {
            return Vec::new();
        }
        let mut layer = Vec::with_capacity(self.features.len() + 1024);
        bytes_field(&mut layer, 1, self.name.as_bytes());
        layer.extend_from_slice(&self.features);
        self.keys
            .iter()
            .for_each(|key| bytes_field(&mut layer, 3, key.as_bytes()));
        for value in &self.values {
            bytes_field(&mut layer, 4, &value.key());
        }
        varint(&mut layer, 5 << 3);
        varint(&mut layer, EXTENT as u64);
        varint(&mut layer, 15 << 3);
        varint(&mut layer, 2);
        let mut tile = Vec::with_capacity(layer.len() + 8);
        bytes_field(&mut tile, 3, &layer);
        tile
    }
}

fn command(id: u32, count: u32) -> u32 {
    (count << 3) | id
}

fn zigzag(value: i32) -> u32 {
    ((value << 1) ^ (value >> 31)).cast_unsigned()
}

fn varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push((value as u8) | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

fn bytes_field(out: &mut Vec<u8>, number: u64, bytes: &[u8]) {
    varint(out, (number << 3) | 2);
    varint(out, bytes.len() as u64);
    out.extend_from_slice(bytes);
}

fn twice_area(ring: &[[i32; 2]]) -> i64 {
    ring.iter()
        .zip(ring.iter().cycle().skip(1))
        .map(|(a, b)| i64::from(a[0]) * i64::from(b[1]) - i64::from(b[0]) * i64::from(a[1]))
        .sum()
}

/// Cuts a convex polygon to the tile with its buffer (Sutherland and Hodgman 1974).
pub fn clipped(corners: &[[f64; 2]]) -> Vec<[i32; 2]> {
    let (low, high) = (-f64::from(BUFFER), f64::from(EXTENT + BUFFER));
    let mut ring = corners.to_vec();
    for axis in 0..2 {
        for (limit, sign) in [(low, 1.0), (high, -1.0)] {
            let inside = |p: &[f64; 2]| sign * (p[axis] - limit) >= 0.0;
            let mut cut = Vec::with_capacity(ring.len() + 2);
            for (i, here) in ring.iter().enumerate() {
                let before = &ring[(i + ring.len() - 1) % ring.len()];
                if inside(here) != inside(before) {
                    let share = (limit - before[axis]) / (here[axis] - before[axis]);
                    let mut at = [0.0; 2];
                    at[axis] = limit;
                    at[1 - axis] = before[1 - axis] + share * (here[1 - axis] - before[1 - axis]);
                    cut.push(at);
                }
                if inside(here) {
                    cut.push(*here);
                }
            }
            ring = cut;
        }
    }
    ring.iter()
        .map(|p| [p[0].round() as i32, p[1].round() as i32])
        .collect()
}
