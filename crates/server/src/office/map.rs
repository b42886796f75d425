//! The map: frame, light layers as GeoJSON, hosts and cells as vector tiles.

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use earlywood_chain::draft;
use earlywood_chain::map::{self, LayerName, MapFrame, tiles::TileId};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::caller::{Caller, Right};
use super::problem::{Problem, ProblemBody};
use super::read_body::Path;
use super::state::App;
use super::views::asked;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(frame))
        .routes(routes!(layer))
        .routes(routes!(hosts))
        .routes(routes!(cells))
        .routes(routes!(plan))
        .routes(routes!(compare))
}

/// Which map.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct MapAsked {
    /// Target id.
    target: String,
    /// The day; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    on: Option<Date>,
    /// The revision the map was drawn with; only makes the address its own, so that tiles may be kept.
    rev: Option<u64>,
}

/// What a map must know before it draws.
#[utoipa::path(get, path = "/api/1/map", tag = "map", params(MapAsked),
    responses((status = 200, body = MapFrame), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn frame(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<MapAsked>, QueryRejection>,
) -> Result<axum::Json<MapFrame>, Problem> {
    caller.may(Right::Read)?;
    let (query, work) = (asked(query)?, office.work.clone());
    let on = query.on.unwrap_or_else(|| office.today());
    let told = office
        .read(move |programme| Ok(map::frame(&work.desk, programme, &query.target, on)?))
        .await?;
    Ok(axum::Json(told))
}

/// Which layer.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct LayerAsked {
    /// Traps and finds of this target only; without it, traps have no figures.
    target: Option<String>,
    /// The day; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    on: Option<Date>,
    /// Only makes the address its own.
    #[allow(dead_code)]
    rev: Option<u64>,
}

/// One of the light layers, whole.
#[utoipa::path(get, path = "/api/1/map/{layer}", tag = "map",
    params(("layer" = String, Path, description = "zones.geojson, land.geojson, pathways.geojson, places.geojson, \
        traps.geojson or finds.geojson."), LayerAsked),
    responses((status = 200, body = Object, content_type = "application/geo+json"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn layer(
    State(office): State<App>,
    caller: Caller,
    Path(name): Path<String>,
    query: Result<Query<LayerAsked>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let (query, work) = (asked(query)?, office.work.clone());
    let layer = name.strip_suffix(".geojson").and_then(LayerName::parse);
    let layer = layer.ok_or_else(|| Problem::not_found(format!("the map has no layer {name:?}")))?;
    let on = query.on.unwrap_or_else(|| office.today());
    let text = office
        .read(move |programme| {
            let told = map::layer(&work.desk, programme, layer, query.target.as_deref(), on)?;
            serde_json::to_vec(&told).map_err(Problem::fault)
        })
        .await?;
    Ok(([(header::CONTENT_TYPE, "application/geo+json")], text).into_response())
}

/// Address of a tile: `{z}/{x}/{y}.mvt`.
fn tile_of(z: u8, x: u32, y: &str) -> Result<TileId, Problem> {
    let row = y.strip_suffix(".mvt").and_then(|y| y.parse().ok());
    let row = row.ok_or_else(|| Problem::not_found("a tile's address ends in ROW.mvt"))?;
    Ok(TileId::new(z, x, row)?)
}

/// A tile's bytes. One whose address names the revision never changes, and the browser may keep it.
fn tile_response(bytes: Vec<u8>, keep: bool) -> Response {
    let cache = if keep {
        "private, max-age=86400, immutable"
    } else {
        "private, no-cache"
    };
    let headers = [
        (header::CONTENT_TYPE, "application/vnd.mapbox-vector-tile"),
        (header::CACHE_CONTROL, cache),
    ];
    (headers, bytes).into_response()
}

/// Which hosts.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct HostsAsked {
    /// Hosts of this target only; all when left out.
    target: Option<String>,
    /// Only makes the address its own.
    rev: Option<u64>,
}

/// A tile of hosts, thinned where they can't be told apart: layer "hosts", points.
#[utoipa::path(get, path = "/api/1/tiles/hosts/{z}/{x}/{y}", tag = "map",
    params(("z" = u8, Path, description = "Zoom."), ("x" = u32, Path, description = "Column."),
        ("y" = String, Path, description = "Row, then .mvt."), HostsAsked),
    responses((status = 200, body = Vec<u8>, content_type = "application/vnd.mapbox-vector-tile"),
        (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn hosts(
    State(office): State<App>,
    caller: Caller,
    Path((z, x, y)): Path<(u8, u32, String)>,
    query: Result<Query<HostsAsked>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let (query, work, tile) = (asked(query)?, office.work.clone(), tile_of(z, x, &y)?);
    let keep = query.rev.is_some();
    let bytes = office
        .read(move |programme| {
            Ok(map::host_tile(
                &work.desk,
                programme,
                query.target.as_deref(),
                tile,
            )?)
        })
        .await?;
    Ok(tile_response(bytes, keep))
}

/// A tile of cells with weight and sensitivity to date: layer "cells", polygons.
#[utoipa::path(get, path = "/api/1/tiles/cells/{z}/{x}/{y}", tag = "map",
    params(("z" = u8, Path, description = "Zoom."), ("x" = u32, Path, description = "Column."),
        ("y" = String, Path, description = "Row, then .mvt."), MapAsked),
    responses((status = 200, body = Vec<u8>, content_type = "application/vnd.mapbox-vector-tile"),
        (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn cells(
    State(office): State<App>,
    caller: Caller,
    Path((z, x, y)): Path<(u8, u32, String)>,
    query: Result<Query<MapAsked>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let (query, work, tile) = (asked(query)?, office.work.clone(), tile_of(z, x, &y)?);
    let on = query.on.unwrap_or_else(|| office.today());
    let keep = query.rev.is_some();
    let bytes = office
        .read(move |programme| Ok(map::cell_tile(&work.desk, programme, &query.target, on, tile)?))
        .await?;
    Ok(tile_response(bytes, keep))
}

/// A tile of one plan's cells: layer "cells", polygons with what the plan would see.
#[utoipa::path(get, path = "/api/1/tiles/plan/{draft}/{z}/{x}/{y}", tag = "map",
    params(("draft" = Uuid, Path, description = "The plan."), ("z" = u8, Path, description = "Zoom."),
        ("x" = u32, Path, description = "Column."), ("y" = String, Path, description = "Row, then .mvt.")),
    responses((status = 200, body = Vec<u8>, content_type = "application/vnd.mapbox-vector-tile"),
        (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn plan(
    State(office): State<App>,
    caller: Caller,
    Path((id, z, x, y)): Path<(Uuid, u8, u32, String)>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let (work, tile) = (office.work.clone(), tile_of(z, x, &y)?);
    let made = work.drafts.made(id)?;
    let bytes = office
        .read(move |programme| Ok(draft::tile(&work.desk, programme, &made, tile)?))
        .await?;
    Ok(tile_response(bytes, true))
}

/// A tile of two plans' cells and their difference: layer "cells", polygons.
#[utoipa::path(get, path = "/api/1/tiles/compare/{a}/{b}/{z}/{x}/{y}", tag = "map",
    params(("a" = Uuid, Path, description = "One plan."), ("b" = Uuid, Path, description = "The other."),
        ("z" = u8, Path, description = "Zoom."), ("x" = u32, Path, description = "Column."),
        ("y" = String, Path, description = "Row, then .mvt.")),
    responses((status = 200, body = Vec<u8>, content_type = "application/vnd.mapbox-vector-tile"),
        (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn compare(
    State(office): State<App>,
    caller: Caller,
    Path((a, b, z, x, y)): Path<(Uuid, Uuid, u8, u32, String)>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let (work, tile) = (office.work.clone(), tile_of(z, x, &y)?);
    let (a, b) = (work.drafts.made(a)?, work.drafts.made(b)?);
    let bytes = office
        .read(move |programme| Ok(draft::compare_tile(&work.desk, programme, (&a, &b), tile)?))
        .await?;
    Ok(tile_response(bytes, true))
}
