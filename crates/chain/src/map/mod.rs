//! The map: light layers as GeoJSON (RFC 7946), heavy ones (hosts, cells) as vector tiles.

pub mod mvt;
pub mod tiles;

use earlywood_geodata::AreaIndex;
use earlywood_journal::Programme;
use earlywood_model::record::{Area, LandRule, Position};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::desk::{Desk, USUAL_DRAWS};
use crate::due::{Board, Costs, price};
use crate::error::ChainError;
use crate::morning;
use crate::view::word;
use tiles::TileId;

/// A layer that comes whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum LayerName {
    /// Areas that are reported on.
    Zones,
    /// Land that may, or may not, be used.
    Land,
    /// Places through which a pest may arrive.
    Pathways,
    /// Spots where traps may hang.
    Places,
    /// Traps that hang.
    Traps,
    /// Confirmed finds.
    Finds,
}

impl LayerName {
    /// The layer of that name.
    pub fn parse(name: &str) -> Option<LayerName> {
        serde_json::from_value(Value::String(name.to_owned())).ok()
    }
}

/// The least and the greatest of something.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Ends {
    /// The least.
    pub min: f64,
    /// The greatest.
    pub max: f64,
}

impl Ends {
    /// Those of some values; 0 and 0 where there are none.
    pub fn of(values: impl Iterator<Item = f64>) -> Ends {
        let ends = values.fold(None, |ends: Option<Ends>, v| {
            Some(ends.map_or(Ends { min: v, max: v }, |e| Ends {
                min: e.min.min(v),
                max: e.max.max(v),
            }))
        });
        ends.unwrap_or(Ends { min: 0.0, max: 0.0 })
    }
}

/// How many of each there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MapCounts {
    /// Hosts of the target.
    pub hosts: u64,
    /// Cells.
    pub cells: u64,
    /// Places.
    pub places: u64,
    /// Traps that hang for the target.
    pub traps: u64,
    /// Zones.
    pub zones: u64,
    /// Pieces of land.
    pub land: u64,
    /// Pathways.
    pub pathways: u64,
}

/// What a map must know before it draws.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MapFrame {
    /// West, south, east, north.
    pub bounds: [f64; 4],
    /// How many of each there are.
    pub counts: MapCounts,
    /// H3 resolution of the cells.
    pub resolution: u8,
    /// Grows with every entry; part of the addresses of tiles.
    pub revision: u64,
    /// The target.
    pub target: String,
    /// The day.
    pub on: Date,
    /// Ends of the cells' sensitivity to date.
    pub sensitivity: Ends,
    /// Ends of the cells' weight.
    pub weight: Ends,
    /// Worth knowing: why there is no sensitivity, where there is none.
    pub notes: Vec<String>,
}

/// What a map must know before it draws.
///
/// # Errors
/// As [`Desk::ground`]. Without weather there is no sensitivity; that is a note.
pub fn frame(desk: &Desk, programme: &Programme, target: &str, on: Date) -> Result<MapFrame, ChainError> {
    let ground = desk.ground(programme, target)?;
    let mut notes = ground.cells.notes.clone();
    let sensitivity = match desk.cells_seen(programme, target, on) {
        Ok(seen) => Ends::of(seen.iter().map(|c| c.band.median)),
        Err(why) => {
            notes.push(format!("no sensitivity on the map: {}", why.words()));
            Ends { min: 0.0, max: 0.0 }
        }
    };
    let counts = programme.counts()?;
    let traps = programme.hanging()?;
    let mine = |t: &&earlywood_journal::Hanging| t.placement.targets.iter().any(|id| id == target);
    Ok(MapFrame {
        bounds: bounds(&ground),
        counts: MapCounts {
            hosts: ground.hosts.len() as u64,
            cells: ground.cells.cells.len() as u64,
            places: counts.places,
            traps: traps.iter().filter(mine).count() as u64,
            zones: counts.zones,
            land: counts.land,
            pathways: counts.pathways,
        },
        resolution: ground.cells.resolution,
        revision: programme.revision()?,
        target: target.to_owned(),
        on,
        sensitivity,
        weight: Ends::of(ground.cells.cells.iter().map(|c| c.weight())),
        notes,
    })
}

/// Around the zones, or around the cells where there are none.
fn bounds(ground: &crate::ground::Ground) -> [f64; 4] {
    let zones = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
    if let Some((low, high)) = zones.bounds() {
        return [low.lon, low.lat, high.lon, high.lat];
    }
    let ends = |of: fn(Position) -> f64| Ends::of(ground.cells.cells.iter().map(|c| of(c.centre)));
    let (lon, lat) = (ends(|p| p.lon), ends(|p| p.lat));
    [lon.min, lat.min, lon.max, lat.max]
}

/// Seven decimals of a degree are about a centimetre.
fn number(degrees: f64) -> f64 {
    (degrees * 1e7).round() / 1e7
}

pub(crate) fn point_feature(p: Position, properties: Value) -> Value {
    json!({"type": "Feature",
        "geometry": {"type": "Point", "coordinates": [number(p.lon), number(p.lat)]},
        "properties": properties})
}

pub(crate) fn area_feature(area: &Area, properties: Value) -> Value {
    json!({"type": "Feature",
        "geometry": {"type": "MultiPolygon", "coordinates": area.0},
        "properties": properties})
}

pub(crate) fn collection(features: Vec<Value>) -> Value {
    json!({"type": "FeatureCollection", "features": features})
}

/// One of the light layers.
///
/// # Errors
/// A programme that can't be read.
pub fn layer(
    desk: &Desk,
    programme: &Programme,
    name: LayerName,
    target: Option<&str>,
    on: Date,
) -> Result<Value, ChainError> {
    let features = match name {
        LayerName::Zones => programme
            .zones()?
            .iter()
            .map(|z| area_feature(&z.area, json!({"label": z.label})))
            .collect(),
        LayerName::Land => programme
            .land()?
            .iter()
            .map(|l| {
                area_feature(
                    &l.area,
                    json!({"label": l.label, "rule": word(&l.rule), "words": land_words(l.rule, l.reason.as_deref())}),
                )
            })
            .collect(),
        LayerName::Pathways => programme
            .pathways()?
            .iter()
            .map(|p| {
                point_feature(
                    p.position,
                    json!({"label": p.label, "kind": p.kind, "weight": p.weight, "reach_m": p.reach_m}),
                )
            })
            .collect(),
        LayerName::Places => places(programme, on)?,
        LayerName::Traps => traps(desk, programme, target, on)?,
        LayerName::Finds => finds(programme, target)?,
    };
    Ok(collection(features))
}

fn land_words(rule: LandRule, reason: Option<&str>) -> String {
    let rule = match rule {
        LandRule::Usable => "traps may hang here",
        LandRule::Forbidden => "traps may not hang here",
    };
    reason.map_or_else(|| rule.to_owned(), |why| format!("{rule}: {why}"))
}

fn places(programme: &Programme, on: Date) -> Result<Vec<Value>, ChainError> {
    let board = Board::read(programme, on)?;
    let trap_at: std::collections::HashMap<&str, &str> = board
        .hanging
        .iter()
        .map(|h| (h.placement.place.as_str(), h.placement.trap.as_str()))
        .collect();
    Ok(programme
        .places()?
        .iter()
        .map(|p| {
            let mut told = json!({"label": p.label, "kept": p.kept, "forbidden": p.forbidden, "cost": p.cost,
                "zone": board.zone(p.position)});
            if let Some(trap) = trap_at.get(p.label.as_str()) {
                told["trap"] = json!(trap);
            }
            point_feature(p.position, told)
        })
        .collect())
}

fn traps(
    desk: &Desk,
    programme: &Programme,
    target: Option<&str>,
    on: Date,
) -> Result<Vec<Value>, ChainError> {
    let board = Board::read(programme, on)?;
    let mut due = board.all();
    due.retain(|t| target.is_none_or(|id| t.targets.iter().any(|t| t == id)));
    let mut costs = Costs::new();
    // Where nothing can be reckoned, the traps are shown without figures.
    if let Some(Ok(answered)) = target.map(|id| desk.answered(programme, id, on, USUAL_DRAWS, None)) {
        for visit in answered.answer.zones.iter().flat_map(|z| &z.next_visits) {
            costs.insert(visit.label.clone(), (visit.from_look, visit.from_renewal));
        }
    }
    price(&mut due, &costs);
    let hung: std::collections::HashMap<&str, Date> = board
        .hanging
        .iter()
        .map(|h| (h.placement.trap.as_str(), h.placement.hung))
        .collect();
    Ok(due
        .iter()
        .map(|t| {
            let clocks: Vec<String> = t
                .clocks
                .iter()
                .map(|c| format!("{} {} days", c.clock.words(), c.days))
                .collect();
            let told = json!({"trap": t.trap, "place": t.place, "zone": t.zone, "targets": t.targets,
                "level": word(&t.level), "clocks": clocks.join(", "), "hung": hung.get(t.trap.as_str()),
                "last_look": t.last_look, "held": t.held_by, "costs": t.costs});
            let at = Position {
                lat: t.lat,
                lon: t.lon,
            };
            point_feature(at, told)
        })
        .collect())
}

fn finds(programme: &Programme, target: Option<&str>) -> Result<Vec<Value>, ChainError> {
    let mine = |f: &morning::FindAt| target.is_none_or(|id| f.row.target == id);
    Ok(morning::finds_placed(programme)?
        .into_iter()
        .filter(mine)
        .map(|f| {
            point_feature(
                f.at,
                json!({"target": f.row.target, "day": f.row.day, "trap": f.row.trap, "specimen": f.row.specimen,
                    "zone": f.row.zone}),
            )
        })
        .collect())
}

/// A tile of hosts: those of a target, or all.
///
/// # Errors
/// As [`Desk::ground`].
pub fn host_tile(
    desk: &Desk,
    programme: &Programme,
    target: Option<&str>,
    tile: TileId,
) -> Result<Vec<u8>, ChainError> {
    Ok(desk.stand(programme, target)?.tile(tile))
}

/// A tile of cells with their weight and what has been seen so far; without weather, the weight alone.
///
/// # Errors
/// As [`Desk::ground`].
pub fn cell_tile(
    desk: &Desk,
    programme: &Programme,
    target: &str,
    on: Date,
    tile: TileId,
) -> Result<Vec<u8>, ChainError> {
    let map = desk.cell_map(programme, target)?;
    let Ok(seen) = desk.cells_seen(programme, target, on) else {
        return Ok(map.tile(tile, &[]));
    };
    let column =
        |of: fn(&earlywood_model::assurance::CellSeen) -> f64| -> Vec<f64> { seen.iter().map(of).collect() };
    let (middle, low, high) = (
        column(|c| c.band.median),
        column(|c| c.band.p05),
        column(|c| c.band.p95),
    );
    Ok(map.tile(tile, &[("s", &middle), ("s_low", &low), ("s_high", &high)]))
}
