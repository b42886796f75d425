//! Loading files, with a look at them first.

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, Request, State};
use earlywood_chain::load::What;
use earlywood_chain::preview::{Handed, LoadPreview};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::caller::{Caller, Right};
use super::problem::{Problem, ProblemBody};
use super::read_body::{Json, Path, receive};
use super::state::App;
use super::views::asked;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(preview))
        .routes(routes!(commit))
        .routes(routes!(remove))
}

/// Most bytes of a file: an inventory of a million trees has about 80 MB. Design choice.
const MOST_FILE: usize = 256 << 20;

/// What is handed in.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct PreviewAsked {
    /// What the file holds.
    #[param(inline)]
    what: What,
    /// Its name, as the journal will show it.
    name: String,
}

/// Reads and checks a file (CSV, GeoJSON; TOML for targets) and keeps what was read until it is written or dropped.
#[utoipa::path(post, path = "/api/1/load/preview", tag = "loading", params(PreviewAsked),
    request_body(content = Vec<u8>, content_type = "application/octet-stream"),
    responses((status = 200, body = LoadPreview), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("load"))))]
async fn preview(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<PreviewAsked>, QueryRejection>,
    request: Request,
) -> Result<axum::Json<LoadPreview>, Problem> {
    caller.may(Right::Load)?;
    let PreviewAsked { what, name } = asked(query)?;
    if name.trim().is_empty() || name.chars().count() > 200 {
        return Err(Problem::field("name", "the file's name, at most 200 characters"));
    }
    let bytes = receive(request, MOST_FILE).await?;
    let (work, today, id) = (office.work.clone(), office.today(), Uuid::now_v7());
    let told = office
        .read(move |programme| {
            let file = Handed {
                what,
                name: &name,
                bytes: &bytes,
            };
            Ok(work.previews.look(programme, id, &caller.person, file, today)?)
        })
        .await?;
    Ok(axum::Json(told))
}

/// How to write it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Commit {
    /// Leave bad rows out; otherwise one bad row stops it all.
    #[serde(default)]
    keep_good: bool,
    /// Put them in the place of what was loaded before.
    #[serde(default)]
    replace: bool,
}

/// What was written.
#[derive(Debug, Serialize, ToSchema)]
struct Committed {
    /// Records written.
    written: usize,
    /// Records left out.
    left_out: usize,
    /// Those that the journal refused, and why.
    refused: Vec<String>,
}

/// Writes what was shown: all of it, or nothing.
#[utoipa::path(post, path = "/api/1/load/{draft}/commit", tag = "loading", request_body = Commit,
    params(("draft" = Uuid, Path, description = "The file.")),
    responses((status = 200, body = Committed), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("load"))))]
async fn commit(
    State(office): State<App>,
    caller: Caller,
    Path(id): Path<Uuid>,
    Json(how): Json<Commit>,
) -> Result<axum::Json<Committed>, Problem> {
    caller.may(Right::Load)?;
    let work = office.work.clone();
    let written = office
        .write(&caller, move |programme, act| {
            Ok(work
                .previews
                .write(programme, act, id, how.keep_good, how.replace)?)
        })
        .await?;
    Ok(axum::Json(Committed {
        written: written.written,
        left_out: written.left_out,
        refused: written.refused,
    }))
}

/// Drops a file.
#[utoipa::path(delete, path = "/api/1/load/{draft}", tag = "loading",
    params(("draft" = Uuid, Path, description = "The file.")),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("load"))))]
async fn remove(
    State(office): State<App>,
    caller: Caller,
    Path(id): Path<Uuid>,
) -> Result<axum::Json<serde_json::Value>, Problem> {
    caller.may(Right::Load)?;
    office.work.previews.remove(id, &caller.person)?;
    Ok(axum::Json(serde_json::json!({})))
}
