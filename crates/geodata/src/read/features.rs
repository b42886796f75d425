//! GeoJSON (RFC 7946): features to rows, the properties being the columns.

use earlywood_model::record::Area;
use geojson::GeometryValue;
use serde_json::{Map, Value};

use super::Shape;
use super::row::{Sink, plain};
use super::text::FileFault;

/// One feature: its number, the text of each heading, its ground if it has any.
pub(super) struct FeatureRow {
    pub(super) number: usize,
    pub(super) texts: Vec<String>,
    pub(super) ground: Option<Area>,
}

/// What a GeoJSON file held.
pub(super) struct Features {
    pub(super) headings: Vec<String>,
    pub(super) rows: Vec<FeatureRow>,
    /// How many features could not be used at all; each has its problem in the sink.
    pub(super) lost: usize,
}

const POSITION_NAMES: [&str; 6] = ["lat", "lon", "latitude", "longitude", "lng", "long"];

/// Reads the features of a file.
pub(super) fn parse(text: &str, shape: Shape, sink: &mut Sink) -> Result<Features, FileFault> {
    let top: Value = serde_json::from_str(text).map_err(|e| {
        FileFault::new(
            format!("this is not sound JSON: {e}"),
            "check that the export finished",
        )
    })?;
    let Value::Object(mut top) = top else {
        return Err(not_geojson("the file's outermost value is not an object"));
    };
    refuse_other_crs(&top)?;
    let features = top.remove("features");
    let list = match (top.get("type").and_then(Value::as_str), features) {
        (Some("FeatureCollection"), Some(Value::Array(list))) => list,
        (Some("Feature"), _) => vec![Value::Object(top)],
        (Some(other), _) => {
            return Err(not_geojson(&format!(
                "its type is \"{}\"",
                super::row::shown(other)
            )));
        }
        (None, _) => return Err(not_geojson("it has no \"type\"")),
    };
    if list.is_empty() {
        return Err(FileFault::new(
            "the FeatureCollection holds no feature",
            "check that the export finished",
        ));
    }
    let mut made = Features {
        headings: if shape == Shape::Point {
            vec!["lat".into(), "lon".into()]
        } else {
            vec![]
        },
        rows: Vec::with_capacity(list.len()),
        lost: 0,
    };
    for (i, feature) in list.into_iter().enumerate() {
        match one(feature, shape, i + 1, &mut made.headings) {
            Ok(row) => made.rows.push(row),
            Err(fault) => {
                made.lost += 1;
                let value = fault.value.as_deref().unwrap_or("");
                sink.push(Some(i + 1), Some(("geometry", value)), &fault.rule, &fault.remedy);
            }
        }
    }
    Ok(made)
}

fn not_geojson(why: &str) -> FileFault {
    FileFault::new(
        format!("this is JSON but not GeoJSON: {why}"),
        "give a GeoJSON FeatureCollection (RFC 7946)",
    )
}

/// RFC 7946 section 4 knows WGS 84 only, but older files may name another system.
fn refuse_other_crs(top: &Map<String, Value>) -> Result<(), FileFault> {
    let Some(name) = top.get("crs").and_then(|c| c["properties"]["name"].as_str()) else {
        return Ok(());
    };
    if name.ends_with("CRS84") || name.ends_with(":4326") {
        return Ok(());
    }
    let mut fault = FileFault::new(
        "the file's coordinates are not WGS 84 degrees",
        "export the layer again as WGS 84 (EPSG:4326)",
    );
    fault.value = Some(super::row::shown(name));
    Err(fault)
}

fn one(
    feature: Value,
    shape: Shape,
    number: usize,
    headings: &mut Vec<String>,
) -> Result<FeatureRow, FileFault> {
    let Value::Object(mut feature) = feature else {
        return Err(FileFault::new(
            "a feature must be a JSON object",
            "check the file",
        ));
    };
    let mut row = FeatureRow {
        number,
        texts: vec![String::new(); headings.len()],
        ground: None,
    };
    let geometry = match feature.remove("geometry") {
        None | Some(Value::Null) => None,
        Some(value) => Some(serde_json::from_value::<geojson::Geometry>(value).map_err(|e| {
            FileFault::new(
                format!("the geometry can't be read: {e}"),
                "check the feature in a map program and export again",
            )
        })?),
    };
    if shape != Shape::None {
        take_geometry(geometry.map(|g| g.value), shape, &mut row)?;
    }
    let id = feature.remove("id");
    let properties = match feature.remove("properties") {
        Some(Value::Object(map)) => map,
        _ => Map::new(),
    };
    let has_label = properties.keys().any(|k| plain(k) == "label");
    for (key, value) in properties {
        if shape == Shape::Point && POSITION_NAMES.contains(&plain(&key).as_ref()) {
            continue;
        }
        set(&mut row, headings, &key, &value);
    }
    if let (false, Some(id)) = (has_label, id) {
        set(&mut row, headings, "label", &id);
    }
    Ok(row)
}

fn set(row: &mut FeatureRow, headings: &mut Vec<String>, key: &str, value: &Value) {
    let at = headings.iter().position(|h| h == key).unwrap_or_else(|| {
        headings.push(key.to_owned());
        headings.len() - 1
    });
    if row.texts.len() <= at {
        row.texts.resize(at + 1, String::new());
    }
    row.texts[at] = text_of(value);
}

fn text_of(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(s) => s.clone(),
        // A list of words is written as the same list is in a table.
        Value::Array(list) => list.iter().map(text_of).collect::<Vec<_>>().join(" "),
        other => other.to_string(),
    }
}

fn take_geometry(
    geometry: Option<GeometryValue>,
    shape: Shape,
    row: &mut FeatureRow,
) -> Result<(), FileFault> {
    let wanted = match shape {
        Shape::Point => "a Point",
        Shape::Line => "a LineString",
        _ => "a Polygon or MultiPolygon",
    };
    let xy = |p: &geojson::Position| {
        let parts = p.as_slice();
        [parts.first(), parts.get(1)].map(|v| v.copied().unwrap_or(f64::NAN))
    };
    match (shape, geometry) {
        (_, None) => Err(FileFault::new(
            "the feature has no geometry",
            format!("give it {wanted}"),
        )),
        (Shape::Point, Some(GeometryValue::Point { coordinates })) => {
            let [lon, lat] = xy(&coordinates);
            row.texts[0] = lat.to_string();
            row.texts[1] = lon.to_string();
            Ok(())
        }
        // A line travels as the only ring of the only polygon.
        (Shape::Line, Some(GeometryValue::LineString { coordinates })) => {
            row.ground = Some(Area(vec![vec![coordinates.iter().map(xy).collect()]]));
            Ok(())
        }
        (Shape::Ground, Some(GeometryValue::Polygon { coordinates })) => {
            let rings = coordinates.iter().map(|r| r.iter().map(xy).collect()).collect();
            row.ground = Some(Area(vec![rings]));
            Ok(())
        }
        (Shape::Ground, Some(GeometryValue::MultiPolygon { coordinates })) => {
            let polygon = |p: &Vec<Vec<_>>| p.iter().map(|r| r.iter().map(xy).collect()).collect();
            row.ground = Some(Area(coordinates.iter().map(polygon).collect()));
            Ok(())
        }
        (_, Some(other)) => {
            let mut fault = FileFault::new(
                "this is the wrong kind of geometry",
                format!("give each feature {wanted}"),
            );
            fault.value = Some(other.type_name().to_owned());
            Err(fault)
        }
    }
}
