//! Planning on the map: what a change would change, plans on the drawing board, and adopting one.

use std::time::Instant;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use earlywood_chain::draft::{self, AdoptedPlan, PlanAsk, PlanComparison, PlanDraft};
use earlywood_chain::network::{Change, Spot, WhatIf};
use earlywood_journal::Programme;
use earlywood_model::record::Position;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::caller::{Caller, Right};
use super::entries::Receipt;
use super::problem::{Problem, ProblemBody};
use super::read_body::{Json, Path};
use super::state::{App, blocking};
use super::views::asked;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(what_if))
        .routes(routes!(all, begin))
        .routes(routes!(compare))
        .routes(routes!(one, remove))
        .routes(routes!(adopt))
}

/// A position, degrees (WGS 84).
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Added {
    lat: f64,
    lon: f64,
}

/// A change to try. Base: the plan's places, else the traps that hang now.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct WhatIfAsk {
    /// Target id.
    target: String,
    /// A plan on the drawing board.
    #[serde(default)]
    draft: Option<Uuid>,
    /// Traps that would hang elsewhere.
    #[serde(default)]
    moved: Vec<Spot>,
    /// Traps that would be added.
    #[serde(default)]
    added: Vec<Added>,
    /// Traps that would go.
    #[serde(default)]
    removed: Vec<String>,
    /// 0: central parameters only; more: bands too, at most 200.
    #[serde(default)]
    draws: u32,
}

/// Changes that can be tried at once. Design choice.
const MOST_CHANGES: usize = 2_000;

/// What a change would change, lures fresh and every visit made.
#[utoipa::path(post, path = "/api/1/what-if", tag = "plans", request_body = WhatIfAsk,
    responses((status = 200, body = WhatIf), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("plan"))))]
async fn what_if(
    State(office): State<App>,
    caller: Caller,
    Json(ask): Json<WhatIfAsk>,
) -> Result<axum::Json<WhatIf>, Problem> {
    caller.may(Right::Plan)?;
    let began = Instant::now();
    if ask.moved.len() + ask.added.len() + ask.removed.len() > MOST_CHANGES {
        return Err(Problem::field(
            "moved",
            format!("at most {MOST_CHANGES} changes at once"),
        ));
    }
    let change = Change {
        moved: ask.moved,
        added: ask
            .added
            .iter()
            .map(|p| Position {
                lat: p.lat,
                lon: p.lon,
            })
            .collect(),
        removed: ask.removed,
    };
    let (work, draws) = (office.work.clone(), ask.draws);
    let mut told = match ask.draft {
        Some(id) => {
            let made = work.drafts.made(id)?;
            blocking(move || made.network.what_if(&change, draws)).await??
        }
        None => {
            office
                .read(move |programme| {
                    let network = work.desk.network(programme, &ask.target)?;
                    Ok(network.what_if(&change, draws)?)
                })
                .await?
        }
    };
    told.milliseconds = began.elapsed().as_secs_f64() * 1e3;
    Ok(axum::Json(told))
}

/// Plans on the drawing board, and those that were adopted.
#[derive(Debug, Serialize, ToSchema)]
struct Plans {
    /// Without their places, the newest first.
    drafts: Vec<PlanDraft>,
    /// The newest first.
    adopted: Vec<AdoptedPlan>,
}

/// All plans.
#[utoipa::path(get, path = "/api/1/plans", tag = "plans",
    responses((status = 200, body = Plans), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn all(State(office): State<App>, caller: Caller) -> Result<axum::Json<Plans>, Problem> {
    caller.may(Right::Read)?;
    let adopted = office.read(|programme| Ok(draft::adopted(programme)?)).await?;
    let drafts = office.work.drafts.all();
    Ok(axum::Json(Plans { drafts, adopted }))
}

/// A plan that is being made.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Begun {
    pub(super) draft: Uuid,
}

/// Begins to make a plan; GET it until its state is no longer "working".
#[utoipa::path(post, path = "/api/1/plans", tag = "plans", request_body = PlanAsk,
    responses((status = 200, body = Begun), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("plan"))))]
async fn begin(
    State(office): State<App>,
    caller: Caller,
    Json(ask): Json<PlanAsk>,
) -> Result<axum::Json<Begun>, Problem> {
    caller.may(Right::Plan)?;
    ask.check()?;
    let id = Uuid::now_v7();
    office
        .work
        .drafts
        .begin(id, &ask, &caller.person, jiff::Timestamp::now())?;
    tokio::spawn(make(office, id, ask));
    Ok(axum::Json(Begun { draft: id }))
}

/// Makes a plan in its turn, with a programme of its own: it may take minutes, and nobody waits for it.
async fn make(office: App, id: Uuid, ask: PlanAsk) {
    let Ok(_turn) = office.work.planning.acquire().await else {
        return;
    };
    let (work, path) = (office.work.clone(), office.path.clone());
    let done = blocking(move || match Programme::open_read_only(&path) {
        Ok(programme) => work.drafts.make(&work.desk, &programme, id, &ask),
        Err(why) => work.drafts.fail(id, &why.to_string()),
    });
    if done.await.is_err() {
        office
            .work
            .drafts
            .fail(id, "the server could not make this plan; its keeper can see why");
    }
}

/// One plan.
#[utoipa::path(get, path = "/api/1/plans/{draft}", tag = "plans",
    params(("draft" = Uuid, Path, description = "The plan.")),
    responses((status = 200, body = PlanDraft), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn one(
    State(office): State<App>,
    caller: Caller,
    Path(id): Path<Uuid>,
) -> Result<axum::Json<PlanDraft>, Problem> {
    caller.may(Right::Read)?;
    let found = office.work.drafts.get(id);
    let draft = found.ok_or_else(|| Problem::not_found("this plan is no longer on the drawing board"))?;
    Ok(axum::Json(draft))
}

/// Takes a plan off the drawing board.
#[utoipa::path(delete, path = "/api/1/plans/{draft}", tag = "plans",
    params(("draft" = Uuid, Path, description = "The plan.")),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("plan"))))]
async fn remove(
    State(office): State<App>,
    caller: Caller,
    Path(id): Path<Uuid>,
) -> Result<axum::Json<serde_json::Value>, Problem> {
    caller.may(Right::Plan)?;
    office.work.drafts.remove(id)?;
    Ok(axum::Json(serde_json::json!({})))
}

/// Which two plans.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Pair {
    /// One.
    a: Uuid,
    /// The other.
    b: Uuid,
}

/// Two plans side by side.
#[utoipa::path(get, path = "/api/1/plans/compare", tag = "plans", params(Pair),
    responses((status = 200, body = PlanComparison), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn compare(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<Pair>, QueryRejection>,
) -> Result<axum::Json<PlanComparison>, Problem> {
    caller.may(Right::Read)?;
    let pair = asked(query)?;
    let (a, b) = (office.work.drafts.made(pair.a)?, office.work.drafts.made(pair.b)?);
    let told = blocking(move || draft::compare(&a, &b)).await??;
    Ok(axum::Json(told))
}

/// Why this plan.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Reason {
    /// In plain words, for the journal.
    pub(super) reason: String,
}

/// Adopts a plan: it goes into the journal, with the reason.
#[utoipa::path(post, path = "/api/1/plans/{draft}/adopt", tag = "plans", request_body = Reason,
    params(("draft" = Uuid, Path, description = "The plan.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("adopt"))))]
async fn adopt(
    State(office): State<App>,
    caller: Caller,
    Path(id): Path<Uuid>,
    Json(asked): Json<Reason>,
) -> Result<axum::Json<Receipt>, Problem> {
    caller.may(Right::Adopt)?;
    let made = office.work.drafts.made(id)?;
    let receipt = office
        .write(&caller, move |programme, act| {
            Ok(draft::adopt(programme, act, &made, &asked.reason)?)
        })
        .await?;
    Ok(axum::Json(receipt.into()))
}
