//! Roads as GeoJSON lines. Where two lines have a corner in common, they meet.

use earlywood_model::record::{Oneway, Position, Road, RoadClass};
use jiff::civil::Date;

use super::field;
use super::row::{Column, Row, Sink};
use super::{Record, Shape};

/// No road is posted faster or slower than this, km/h; a figure outside is in another unit, or a slip. Design choice.
const POSTED_KMH: (f64, f64) = (5.0, 150.0);

impl Record for Road {
    const WHAT: &'static str = "roads";
    const SHAPE: Shape = Shape::Line;
    const LABELLED: bool = true;
    // Roads lead out of the programme's area and back.
    const EXTRA_MARGIN_M: f64 = 45_000.0;
    const COLUMNS: &'static [Column] = &[
        Column::required("label", &["id"]),
        Column::required("class", &[]),
        Column::optional("oneway", &[]),
        Column::optional("speed_kmh", &[]),
        Column::optional("name", &[]),
    ];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Road> {
        let label = row.need("label", sink);
        let classes = RoadClass::ALL.map(|class| (class.word(), class));
        let class = row.word("class", &classes, sink);
        let oneway = oneway(row, sink);
        let speed_kmh = row.optional_within("speed_kmh", POSTED_KMH, "give km/h, not miles", sink);
        let line = line(row, sink);
        let line = line?;
        Some(Road {
            label: label?,
            class: class?,
            oneway: oneway?,
            speed_kmh: speed_kmh.ok()?,
            name: row.optional("name"),
            nodes: line.iter().map(|&corner| node_of(corner)).collect(),
            line,
        })
    }

    fn label(&self) -> &str {
        &self.label
    }

    fn position(&self) -> Option<Position> {
        self.line.first().map(|&[lon, lat]| Position { lat, lon })
    }
}

fn oneway(row: &Row<'_>, sink: &mut Sink) -> Option<Oneway> {
    if row.get("oneway").is_empty() {
        return Some(Oneway::Both);
    }
    let words = [
        ("both", Oneway::Both),
        ("forward", Oneway::Forward),
        ("backward", Oneway::Backward),
        ("no", Oneway::Both),
        ("false", Oneway::Both),
        ("yes", Oneway::Forward),
        ("true", Oneway::Forward),
    ];
    row.word("oneway", &words, sink)
}

/// The corners, without those that repeat the one before.
fn line(row: &Row<'_>, sink: &mut Sink) -> Option<Vec<[f64; 2]>> {
    let mut wrong = |value: &str, rule: &str, remedy: &str| {
        sink.push(Some(row.number), Some(("geometry", value)), rule, remedy);
        None
    };
    let Some(given) = row.ground.and_then(|area| area.0.first()?.first()) else {
        return wrong(
            "",
            "a road needs a line",
            "give the roads as GeoJSON LineStrings, or as an OpenStreetMap .pbf extract",
        );
    };
    let mut line: Vec<[f64; 2]> = Vec::with_capacity(given.len());
    for &[lon, lat] in given {
        if let Err((_, (rule, remedy))) = field::position(lat, lon) {
            return wrong(&format!("{lon}, {lat}"), &rule, &remedy);
        }
        let corner = [rounded(lon), rounded(lat)];
        if line.last() != Some(&corner) {
            line.push(corner);
        }
    }
    if line.len() < 2 {
        return wrong("", "the line has fewer than two corners", "take the feature out");
    }
    Some(line)
}

/// Degrees to seven decimals (a centimetre): what decides whether two corners are one.
fn rounded(degrees: f64) -> f64 {
    (degrees * 1e7).round() / 1e7
}

/// A number for a corner: equal for equal positions, and for no others.
#[allow(clippy::cast_possible_truncation)] // both parts are whole and below 4e9
fn node_of([lon, lat]: [f64; 2]) -> i64 {
    let x = ((lon + 180.0) * 1e7).round() as i64;
    let y = ((lat + 90.0) * 1e7).round() as i64;
    (x << 31) | y
}
