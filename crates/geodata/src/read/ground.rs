//! Ground: from a WKT column or from GeoJSON, with every position and ring checked.

use std::str::FromStr;

use earlywood_model::record::{Area, Position};
use wkt::Wkt;
use wkt::types::{Coord, LineString, Polygon};

use super::field;
use super::row::{Row, Sink};

impl Row<'_> {
    /// The record's ground, sound.
    pub(super) fn ground(&self, sink: &mut Sink) -> Option<Area> {
        let (area, column) = match self.ground {
            Some(area) => (area.clone(), "geometry"),
            None => (self.wkt(sink)?, "wkt"),
        };
        let fault = positions_fault(&area).or_else(|| {
            crate::area::fault(&area).map(|(rule, value)| {
                (
                    value,
                    rule,
                    "mend the shape in a map program and export again".to_owned(),
                )
            })
        });
        if let Some((value, rule, remedy)) = fault {
            sink.push(Some(self.number), Some((column, &value)), &rule, &remedy);
            return None;
        }
        Some(area)
    }

    fn wkt(&self, sink: &mut Sink) -> Option<Area> {
        let text = self.need("wkt", sink)?;
        let parsed = nested_little(&text)
            .then(|| Wkt::<f64>::from_str(&text).ok())
            .flatten();
        match parsed {
            Some(Wkt::Polygon(polygon)) => Some(Area(vec![rings(&polygon)])),
            Some(Wkt::MultiPolygon(all)) => Some(Area(all.polygons().iter().map(rings).collect())),
            Some(_) => {
                let remedy = "give a POLYGON or MULTIPOLYGON";
                sink.at(self, "wkt", "this is the wrong kind of geometry", remedy);
                None
            }
            None => {
                sink.at(
                    self,
                    "wkt",
                    "this is not well-known text",
                    "write for example POLYGON((-74 40, -73 40, -73 41, -74 40)): longitude first",
                );
                None
            }
        }
    }
}

/// Guards the recursive parser of geometry collections against hostile nesting.
fn nested_little(text: &str) -> bool {
    let mut depth = 0_i32;
    text.bytes().all(|b| {
        depth += i32::from(b == b'(') - i32::from(b == b')');
        depth <= 8
    })
}

fn rings(polygon: &Polygon<f64>) -> Vec<Vec<[f64; 2]>> {
    let ring = |line: &LineString<f64>| line.coords().iter().map(|c: &Coord<f64>| [c.x, c.y]).collect();
    polygon.rings().iter().map(ring).collect()
}

/// The first position that can't be one: `(value, rule, remedy)`.
fn positions_fault(area: &Area) -> Option<(String, String, String)> {
    area.0.iter().flatten().flatten().find_map(|&[lon, lat]| {
        let shown = format!("[{lon}, {lat}]");
        if !(lon.is_finite() && lat.is_finite()) {
            return Some((
                shown,
                "a position needs two numbers, longitude and latitude".into(),
                "mend the shape in a map program and export again".into(),
            ));
        }
        // Ground may reach 0, 0 or open sea: only what is no place on the globe, or no place for a tree, is refused.
        match field::position(lat, lon) {
            Err(_) if lat == 0.0 && lon == 0.0 => None,
            Err((_, (rule, remedy))) => Some((shown, rule, remedy)),
            Ok(Position { .. }) => None,
        }
    })
}
