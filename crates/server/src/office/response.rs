//! What follows a find: notices, regulated area, delimiting survey, pest reports and the end. All of it is confidential.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use earlywood_chain::ChainError;
use earlywood_chain::ground::GroundOptions;
use earlywood_chain::response::delimit::{self, Delimiting, Wanted};
use earlywood_chain::response::report::{self, Issue};
use earlywood_chain::response::steps::{self, Standing as Step};
use earlywood_chain::response::{Case, How, Whole, area, closing, in_order, origin, public, trigger, whole};
use earlywood_journal::body::ResponseEnd;
use earlywood_journal::{
    Act, AreaLifted, Body, Hash, MultiPolygon, Programme, ProtocolAdopted, Response as Recorded,
};
use earlywood_model::protocol::{self, Protocol};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::caller::{Caller, Right};
use super::drafts::{DraftState, Standing};
use super::entries::Receipt;
use super::plan::{Begun, Reason};
use super::problem::{Problem, ProblemBody};
use super::read_body::{Json, Path};
use super::rounds::download;
use super::state::{App, Office, blocking};
use super::views::{asked, now};

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(all))
        .routes(routes!(adopt_protocol))
        .routes(routes!(one))
        .routes(routes!(geojson))
        .routes(routes!(open))
        .routes(routes!(step))
        .routes(routes!(proposed_area, draw))
        .routes(routes!(lift))
        .routes(routes!(begin_survey))
        .routes(routes!(survey, drop_survey))
        .routes(routes!(adopt_survey))
        .routes(routes!(draft_report))
        .routes(routes!(issue_report))
        .routes(routes!(reports))
        .routes(routes!(close))
}

/// Most of each list of a question. Design choice.
const MOST_LISTED: usize = 200;
/// Most traps of a survey that are asked for. Design choice: far above any delimiting protocol.
const MOST_TRAPS: usize = 20_000;
/// Most crew-hours of a survey that are asked for. Design choice.
const MOST_HOURS: f64 = 100_000.0;

/// The day asked about.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct OnDay {
    /// The day asked about; today when left out, none that is to come.
    #[param(value_type = Option<String>, format = Date)]
    on: Option<Date>,
    /// Weather station; the only one when left out.
    station: Option<String>,
}

impl OnDay {
    /// The day, and the instant from which hours of notices are counted.
    fn read(&self, office: &Office) -> Result<(Date, Timestamp), Problem> {
        if self.on.is_some_and(|on| on > office.today()) {
            let words = "this day is still to come; a response rests on what was found";
            return Err(Problem::field("on", words));
        }
        let now = now(office, self.on);
        Ok((now.today, now.at))
    }
}

fn how(now: Timestamp) -> How {
    How {
        now,
        ground: GroundOptions::default(),
        origin: origin::Ask::default(),
    }
}

/// The find that opened it, or is to.
#[derive(Debug, Serialize, ToSchema)]
struct Waiting {
    find: String,
    /// Target id.
    target: String,
}

/// How a response ended.
#[derive(Debug, Serialize, ToSchema)]
struct Ended {
    #[schema(value_type = String, format = Date)]
    date: Date,
    /// released, no-find, handed-over or given-up.
    #[schema(value_type = String)]
    end: ResponseEnd,
}

/// A response in one line.
#[derive(Debug, Serialize, ToSchema)]
struct ResponseRow {
    find: String,
    /// Target id.
    target: String,
    common_name: String,
    #[schema(value_type = String, format = DateTime)]
    opened: Timestamp,
    /// open or closed.
    state: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    closed: Option<Ended>,
    /// Of the area that holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    area_km2: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    area_version: Option<u32>,
    /// Notices whose time has passed.
    steps_late: usize,
    /// Notices to be given now.
    steps_due: usize,
    /// Pest reports that were issued.
    reports: usize,
}

impl ResponseRow {
    fn of(programme: &Programme, response: &Recorded, on: Date, now: Timestamp) -> Result<Self, ChainError> {
        let case = Case::of(programme, response.find(), on)?;
        let steps = match case.protocol {
            Some(_) => steps::checklist(&case, now)?.steps,
            None => Vec::new(),
        };
        let standing = |how: Step| steps.iter().filter(|step| step.standing == how).count();
        let area = response.newest_area(on).map(|noted| &noted.value);
        Ok(ResponseRow {
            find: response.find().to_owned(),
            target: response.target().to_owned(),
            common_name: case.profile.common_name,
            opened: response.opened.at,
            state: if response.closed.is_some() {
                "closed"
            } else {
                "open"
            },
            closed: response.closed.as_ref().map(|closed| Ended {
                date: closed.value.date,
                end: closed.value.end,
            }),
            area_km2: area.map(|area| area.km2),
            area_version: area.map(|area| area.version),
            steps_late: standing(Step::Late),
            steps_due: standing(Step::Due),
            reports: response.reports.len(),
        })
    }
}

/// A protocol: what is decided beforehand about a find.
#[derive(Debug, Serialize, ToSchema)]
struct ProtocolRow {
    /// Target id.
    target: String,
    common_name: String,
    /// Whether the programme has adopted one for this target.
    adopted: bool,
    /// Whether one comes with the program.
    shipped: bool,
    /// Rules that set something off.
    rules: usize,
    /// Who is to be told.
    to_tell: usize,
    /// What it leaves to people and the law.
    caution: String,
    warnings: Vec<String>,
}

impl ProtocolRow {
    fn of(programme: &Programme, protocol: &Protocol, adopted: bool) -> Result<Self, ChainError> {
        Ok(ProtocolRow {
            common_name: earlywood_chain::target(programme, &protocol.target)?.common_name,
            adopted,
            shipped: protocol::shipped_toml(&protocol.target).is_some(),
            rules: protocol.trigger.rules.len(),
            to_tell: protocol.notify.len(),
            caution: protocol.caution.clone(),
            warnings: protocol.warnings(),
            target: protocol.target.clone(),
        })
    }
}

/// Those adopted, then those that ship and are not adopted.
fn protocols(programme: &Programme) -> Result<Vec<ProtocolRow>, ChainError> {
    let mut rows = Vec::new();
    for own in programme.profiles()? {
        if let Some(adopted) = programme.protocol(&own.profile.id)? {
            rows.push(ProtocolRow::of(programme, &adopted.protocol, true)?);
        }
    }
    for shipped in protocol::shipped() {
        if !rows.iter().any(|row| row.target == shipped.target) {
            rows.push(ProtocolRow::of(programme, shipped, false)?);
        }
    }
    Ok(rows)
}

/// Responses, finds that wait for one, and protocols.
#[derive(Debug, Serialize, ToSchema)]
struct Responses {
    responses: Vec<ResponseRow>,
    /// Confirmed finds on which no response is open.
    waiting: Vec<Waiting>,
    protocols: Vec<ProtocolRow>,
    notes: Vec<String>,
}

/// All responses, what waits for one, and the protocols.
#[utoipa::path(get, path = "/api/1/responses", tag = "responses", params(OnDay),
    responses((status = 200, body = Responses), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn all(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<OnDay>, QueryRejection>,
) -> Result<axum::Json<Responses>, Problem> {
    caller.may(Right::Respond)?;
    let (on, at) = asked(query)?.read(&office)?;
    let told = office
        .read(move |programme| {
            let rows = programme.responses()?;
            let rows = rows
                .iter()
                .map(|response| ResponseRow::of(programme, response, on, at));
            let waiting = public::unanswered(programme)?
                .into_iter()
                .map(|(find, target)| Waiting { find, target })
                .collect();
            Ok(Responses {
                responses: rows.collect::<Result<_, _>>()?,
                waiting,
                protocols: protocols(programme)?,
                notes: Vec::new(),
            })
        })
        .await?;
    Ok(axum::Json(told))
}

/// Which protocol: that which ships for a target, or one as TOML.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct ProtocolAsk {
    /// A target whose protocol comes with the program.
    #[serde(default)]
    target: Option<String>,
    /// A protocol, as it is written.
    #[serde(default)]
    toml: Option<String>,
}

/// Adopts a protocol: from then on it says what a find of its target sets off.
#[utoipa::path(post, path = "/api/1/responses/protocols", tag = "responses", request_body = ProtocolAsk,
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn adopt_protocol(
    State(office): State<App>,
    caller: Caller,
    Json(ask): Json<ProtocolAsk>,
) -> Result<axum::Json<Receipt>, Problem> {
    caller.may(Right::Respond)?;
    let (field, toml) = match (ask.target, ask.toml) {
        (Some(target), None) => {
            let shipped = protocol::shipped_toml(&target).ok_or_else(|| {
                Problem::field(
                    "target",
                    format!("no protocol for {target:?} comes with the program"),
                )
            })?;
            ("target", shipped.to_owned())
        }
        (None, Some(toml)) => ("toml", toml),
        _ => {
            return Err(Problem::field(
                "target",
                "give a target or a protocol, one of the two",
            ));
        }
    };
    let read = Protocol::from_toml(&toml).map_err(|e| Problem::field(field, e.to_string()))?;
    let body = ProtocolAdopted {
        target: read.target,
        toml,
    };
    let receipt = office
        .write(&caller, move |programme, act| {
            Ok(programme.append(act, Body::ProtocolAdopted(body))?)
        })
        .await?;
    Ok(axum::Json(receipt.into()))
}

async fn worked_out(
    office: &App,
    find: String,
    query: Result<Query<OnDay>, QueryRejection>,
) -> Result<(Whole, Date), Problem> {
    let query = asked(query)?;
    let (on, at) = query.read(office)?;
    let all = office
        .read(move |programme| {
            let mut case = Case::of(programme, &find, on)?;
            case.station = query.station;
            Ok(whole(programme, &case, how(at))?)
        })
        .await?;
    Ok((all, on))
}

/// Everything about one find: finds, what the protocol sets off, whom to tell, where it came from, the clock, area, survey, status
/// and reports. A part that can't be worked out is absent, and `lacking` says why.
#[utoipa::path(get, path = "/api/1/responses/{find}", tag = "responses",
    params(("find" = String, Path, description = "The find's label."), OnDay),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn one(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    query: Result<Query<OnDay>, QueryRejection>,
) -> Result<axum::Json<Whole>, Problem> {
    caller.may(Right::Respond)?;
    Ok(axum::Json(worked_out(&office, find, query).await?.0))
}

/// Finds, cells of the origin and the area that holds, as a GeoJSON file. Confidential: exact positions.
#[utoipa::path(get, path = "/api/1/responses/{find}/geojson", tag = "responses",
    params(("find" = String, Path, description = "The find's label."), OnDay),
    responses((status = 200, body = Object, content_type = "application/geo+json"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn geojson(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    query: Result<Query<OnDay>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Respond)?;
    let (all, on) = worked_out(&office, find, query).await?;
    let bytes = serde_json::to_vec(&all.geojson()).map_err(Problem::fault)?;
    Ok(download(
        "application/geo+json",
        &format!("response-{on}.geojson"),
        bytes,
    ))
}

/// Writes what a case leads to, in the caller's name, on what is known today.
async fn record(
    office: &App,
    caller: &Caller,
    find: String,
    work: impl FnOnce(&mut Programme, &Act, &Case) -> Result<earlywood_journal::Receipt, Problem> + Send + 'static,
) -> Result<axum::Json<Receipt>, Problem> {
    caller.may(Right::Respond)?;
    let receipt = office
        .write(caller, move |programme, act| {
            let case = Case::of(programme, &find, act.today())?;
            work(programme, act, &case)
        })
        .await?;
    Ok(axum::Json(receipt.into()))
}

/// Begins a response to a confirmed find.
#[utoipa::path(post, path = "/api/1/responses/{find}/open", tag = "responses", request_body = Reason,
    params(("find" = String, Path, description = "The find's label.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn open(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    Json(ask): Json<Reason>,
) -> Result<axum::Json<Receipt>, Problem> {
    record(&office, &caller, find, move |programme, act, case| {
        let body = trigger::opening(programme, case, &ask.reason)?;
        Ok(programme.append(act, Body::ResponseOpened(body))?)
    })
    .await
}

/// That somebody was told.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct StepAsk {
    /// When, RFC 3339 with offset; now when left out.
    #[serde(default)]
    at: Option<String>,
    /// What was told, to which office; no private person's name.
    #[serde(default)]
    note: Option<String>,
}

/// Records that somebody of the protocol's chain was told.
#[utoipa::path(post, path = "/api/1/responses/{find}/steps/{step}", tag = "responses", request_body = StepAsk,
    params(("find" = String, Path, description = "The find's label."), ("step" = String, Path, description = "The step's id.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn step(
    State(office): State<App>,
    caller: Caller,
    Path((find, step)): Path<(String, String)>,
    Json(ask): Json<StepAsk>,
) -> Result<axum::Json<Receipt>, Problem> {
    record(&office, &caller, find, move |programme, act, case| {
        Ok(steps::take(programme, act, case, &step, ask.at, ask.note)?)
    })
    .await
}

/// The next version of the regulated area, as the protocol's rule would draw it.
#[derive(Debug, Serialize, ToSchema)]
struct AreaProposal {
    version: u32,
    /// What lies in it.
    #[schema(value_type = Object)]
    within: area::Within,
    /// What it adds to the version that holds.
    #[schema(value_type = Object)]
    added: area::Added,
    /// Why this ground.
    reason: String,
    /// How it came to be.
    steps: Vec<String>,
    /// Its boundary in words.
    text: String,
    /// Every ring, the widest first.
    #[schema(value_type = Object)]
    geojson: Value,
    /// Where no lure may draw the pest, if the rule says so.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    do_not_bait: Option<area::DoNotBait>,
    notes: Vec<String>,
    /// Of the ground: adopt it with this, so that what is adopted is what was seen.
    hash: String,
}

impl AreaProposal {
    fn of(made: area::Proposal) -> Result<Self, Problem> {
        Ok(AreaProposal {
            version: made.version,
            steps: made.steps(),
            text: made.text(),
            geojson: made.geojson(),
            hash: hash_of(&made)?,
            within: made.within,
            added: made.added,
            reason: made.reason,
            do_not_bait: made.do_not_bait,
            notes: made.notes,
        })
    }
}

/// A hash of the ground of a proposal.
fn hash_of(made: &area::Proposal) -> Result<String, Problem> {
    let ground = made.area().map(|outer| MultiPolygon::new(outer.area.0.clone()));
    let text = serde_json::to_vec(&ground).map_err(Problem::fault)?;
    Ok(Hash::of(&text).to_string())
}

/// The next version of the regulated area by the protocol's rule; nothing is written.
#[utoipa::path(get, path = "/api/1/responses/{find}/area", tag = "responses",
    params(("find" = String, Path, description = "The find's label."), OnDay),
    responses((status = 200, body = AreaProposal), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn proposed_area(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    query: Result<Query<OnDay>, QueryRejection>,
) -> Result<axum::Json<AreaProposal>, Problem> {
    caller.may(Right::Respond)?;
    let query = asked(query)?;
    let (on, _) = query.read(&office)?;
    let told = office
        .read(move |programme| {
            let mut case = Case::of(programme, &find, on)?;
            case.station = query.station;
            AreaProposal::of(area::of_case(programme, &case)?)
        })
        .await?;
    Ok(axum::Json(told))
}

/// Ground to be regulated: the rule's, named by its hash, or drawn elsewhere.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct AreaAsk {
    /// First day; today when left out.
    #[serde(default)]
    #[schema(value_type = Option<String>, format = Date)]
    from: Option<Date>,
    /// Last day.
    #[serde(default)]
    #[schema(value_type = Option<String>, format = Date)]
    to: Option<Date>,
    /// By whose order: an office and its paper.
    authority: String,
    /// Why this ground.
    reason: String,
    /// Of the proposal that was seen.
    #[serde(default)]
    hash: Option<String>,
    /// GeoJSON with one or more polygons, instead of the rule's ground.
    #[serde(default)]
    #[schema(value_type = Option<Object>)]
    geometry: Option<Value>,
    /// Its boundary in words; with `geometry` only.
    #[serde(default)]
    text: Option<String>,
}

/// Adopts the next version of the regulated area. 409 `changed-since` when the rule would now draw another one.
#[utoipa::path(post, path = "/api/1/responses/{find}/area", tag = "responses", request_body = AreaAsk,
    params(("find" = String, Path, description = "The find's label.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn draw(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    Json(ask): Json<AreaAsk>,
) -> Result<axum::Json<Receipt>, Problem> {
    record(&office, &caller, find, move |programme, act, case| {
        let from = ask.from.unwrap_or_else(|| act.today());
        in_order(from, ask.to)?;
        let body = match (&ask.geometry, &ask.hash) {
            (Some(geometry), None) => {
                let order = area::Order {
                    from,
                    to: ask.to,
                    authority: ask.authority,
                    reason: ask.reason,
                };
                area::drawn_elsewhere(case, geometry, ask.text, order)?
            }
            (None, Some(hash)) => {
                let made = area::of_case(programme, case)?;
                if hash_of(&made)? != *hash {
                    return Err(Problem::new(
                        StatusCode::CONFLICT,
                        "changed-since",
                        "the rule would now draw another area than the one you saw; look at it again",
                    ));
                }
                made.entry(&case.find, from, ask.to, &ask.authority, Some(&ask.reason))
                    .ok_or_else(|| Problem::field("hash", "the rule draws no ground round these finds"))?
            }
            _ => {
                return Err(Problem::field(
                    "hash",
                    "give the hash of the proposal or a geometry, one of the two",
                ));
            }
        };
        Ok(programme.append(act, Body::AreaDrawn(body))?)
    })
    .await
}

/// Why an area holds no more.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct LiftAsk {
    /// First day on which it holds no more; today when left out.
    #[serde(default)]
    #[schema(value_type = Option<String>, format = Date)]
    from: Option<Date>,
    /// By whose order.
    authority: String,
    reason: String,
}

/// Lifts a version of the regulated area.
#[utoipa::path(post, path = "/api/1/responses/{find}/area/{version}/lift", tag = "responses", request_body = LiftAsk,
    params(("find" = String, Path, description = "The find's label."), ("version" = u32, Path, description = "The version.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn lift(
    State(office): State<App>,
    caller: Caller,
    Path((find, version)): Path<(String, u32)>,
    Json(ask): Json<LiftAsk>,
) -> Result<axum::Json<Receipt>, Problem> {
    record(&office, &caller, find, move |programme, act, case| {
        let body = AreaLifted {
            find: case.find.clone(),
            version,
            from: ask.from.unwrap_or_else(|| act.today()),
            authority: ask.authority,
            reason: ask.reason,
        };
        Ok(programme.append(act, Body::AreaLifted(body))?)
    })
    .await
}

/// A delimiting survey on the drawing board, and how it was asked for.
pub(crate) struct Survey {
    made: Delimiting,
    wanted: Wanted,
}

/// What a survey may spend.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct SurveyAsk {
    /// Traps of the optimised plan; as many as the rings place when left out.
    #[serde(default)]
    traps: Option<usize>,
    /// Crew-hours of looking at trees; as many as the rings' looks take when left out.
    #[serde(default)]
    hours: Option<f64>,
    /// Finds so heavy that the protocol's extension holds for them.
    #[serde(default)]
    heavy: Vec<String>,
    /// The same seed gives the same survey; 1 when left out.
    #[serde(default)]
    seed: Option<u64>,
}

impl SurveyAsk {
    fn read(self) -> Result<Wanted, Problem> {
        if self.traps.is_some_and(|traps| traps > MOST_TRAPS) {
            return Err(Problem::field("traps", format!("at most {MOST_TRAPS}")));
        }
        if self
            .hours
            .is_some_and(|hours| !(0.0..=MOST_HOURS).contains(&hours))
        {
            return Err(Problem::field("hours", format!("0 to {MOST_HOURS}")));
        }
        if self.heavy.len() > MOST_LISTED {
            return Err(Problem::field("heavy", format!("at most {MOST_LISTED} at once")));
        }
        Ok(Wanted {
            traps: self.traps,
            hours: self.hours,
            heavy: self.heavy,
            seed: self.seed.unwrap_or(1),
            ..Wanted::default()
        })
    }
}

/// Begins to lay out the delimiting survey; GET the draft until its state is no longer "working".
#[utoipa::path(post, path = "/api/1/responses/{find}/surveys", tag = "responses", request_body = SurveyAsk,
    params(("find" = String, Path, description = "The find's label.")),
    responses((status = 200, body = Begun), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn begin_survey(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    Json(ask): Json<SurveyAsk>,
) -> Result<axum::Json<Begun>, Problem> {
    caller.may(Right::Respond)?;
    let wanted = ask.read()?;
    let (today, label) = (office.today(), find.clone());
    office
        .read(move |programme| Ok(Case::of(programme, &label, today).map(drop)?))
        .await?;
    let id = Uuid::now_v7();
    office.work.surveys.begin(id)?;
    tokio::spawn(lay_out(office, id, find, wanted));
    Ok(axum::Json(Begun { draft: id }))
}

/// Lays it out in its turn, with a programme of its own.
async fn lay_out(office: App, id: Uuid, find: String, wanted: Wanted) {
    let Ok(_turn) = office.work.planning.acquire().await else {
        return;
    };
    let (path, now) = (office.path.clone(), now(&office, None));
    let done = blocking(move || {
        let made = Programme::open_read_only(&path)
            .map_err(ChainError::from)
            .and_then(|programme| {
                let case = Case::of(&programme, &find, now.today)?;
                delimit::survey(&programme, &case, how(now.at), &wanted)
            });
        match made {
            Ok(made) => Standing::Ready(Arc::new(Survey { made, wanted })),
            Err(why) => Standing::Failed(why.words()),
        }
    });
    let standing = done.await.unwrap_or_else(|_| {
        Standing::Failed("the server could not lay this survey out; its keeper can see why".into())
    });
    office.work.surveys.end(id, standing);
}

/// A delimiting survey on the drawing board.
#[derive(Debug, Serialize, ToSchema)]
struct SurveyDraft {
    draft: Uuid,
    state: DraftState,
    /// The survey by rings and optimised, once it is ready.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    survey: Option<Value>,
    /// Why there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

/// A delimiting survey on the drawing board, as it would be.
#[utoipa::path(get, path = "/api/1/responses/surveys/{draft}", tag = "responses",
    params(("draft" = Uuid, Path, description = "The draft.")),
    responses((status = 200, body = SurveyDraft), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn survey(
    State(office): State<App>,
    caller: Caller,
    Path(draft): Path<Uuid>,
) -> Result<axum::Json<SurveyDraft>, Problem> {
    caller.may(Right::Respond)?;
    let (state, made, why) = office.work.surveys.told(draft)?;
    let survey = made
        .map(|survey| serde_json::to_value(&survey.made))
        .transpose()
        .map_err(Problem::fault)?;
    Ok(axum::Json(SurveyDraft {
        draft,
        state,
        survey,
        why,
    }))
}

/// Takes a survey off the drawing board.
#[utoipa::path(delete, path = "/api/1/responses/surveys/{draft}", tag = "responses",
    params(("draft" = Uuid, Path, description = "The draft.")),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn drop_survey(
    State(office): State<App>,
    caller: Caller,
    Path(draft): Path<Uuid>,
) -> Result<axum::Json<Value>, Problem> {
    caller.may(Right::Respond)?;
    office.work.surveys.remove(draft)?;
    Ok(axum::Json(serde_json::json!({})))
}

/// Which of the two layouts, when, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct SurveyAdopted {
    /// rings or optimised.
    method: String,
    /// First day; today when left out.
    #[serde(default)]
    #[schema(value_type = Option<String>, format = Date)]
    from: Option<Date>,
    /// Last day.
    #[serde(default)]
    #[schema(value_type = Option<String>, format = Date)]
    to: Option<Date>,
    reason: String,
}

/// Adopts one of a survey's two layouts.
#[utoipa::path(post, path = "/api/1/responses/surveys/{draft}/adopt", tag = "responses", request_body = SurveyAdopted,
    params(("draft" = Uuid, Path, description = "The draft.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn adopt_survey(
    State(office): State<App>,
    caller: Caller,
    Path(draft): Path<Uuid>,
    Json(ask): Json<SurveyAdopted>,
) -> Result<axum::Json<Receipt>, Problem> {
    caller.may(Right::Respond)?;
    let survey = office.work.surveys.ready(draft)?;
    let receipt = office
        .write(&caller, move |programme, act| {
            let days = (ask.from.unwrap_or_else(|| act.today()), ask.to);
            let body = survey
                .made
                .adopted(&ask.method, days, &survey.wanted, &ask.reason)?;
            Ok(programme.append(act, Body::DelimitingAdopted(body))?)
        })
        .await?;
    // What is adopted is no longer a draft: a second click must not adopt it again.
    let _ = office.work.surveys.remove(draft);
    Ok(axum::Json(receipt.into()))
}

/// What somebody adds to what the record tells.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Items {
    /// Words by item id.
    #[serde(default)]
    items: BTreeMap<String, String>,
}

/// The next version of the pest report, as it would be; nothing is written.
#[utoipa::path(post, path = "/api/1/responses/{find}/report/draft", tag = "responses", request_body = Items,
    params(("find" = String, Path, description = "The find's label.")),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn draft_report(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    Json(ask): Json<Items>,
) -> Result<axum::Json<report::Draft>, Problem> {
    caller.may(Right::Respond)?;
    let today = office.today();
    let told = office
        .read(move |programme| {
            let case = Case::of(programme, &find, today)?;
            Ok(report::draft(programme, &case, &ask.items)?)
        })
        .await?;
    Ok(axum::Json(told))
}

/// A pest report to be issued.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct IssueAsk {
    /// Words by item id.
    #[serde(default)]
    items: BTreeMap<String, String>,
    /// To whom it goes, as offices.
    to: String,
    /// The authority's own statement on status, word for word.
    #[serde(default)]
    statement: Option<String>,
    /// What changed since the version before; the changed items are named when left out.
    #[serde(default)]
    changes: Option<String>,
    /// It is no preliminary report.
    #[serde(rename = "final")]
    last: bool,
}

/// Issues the next version of the pest report. No version is ever overwritten.
#[utoipa::path(post, path = "/api/1/responses/{find}/report", tag = "responses", request_body = IssueAsk,
    params(("find" = String, Path, description = "The find's label.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn issue_report(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    Json(ask): Json<IssueAsk>,
) -> Result<axum::Json<Receipt>, Problem> {
    record(&office, &caller, find, move |programme, act, case| {
        let draft = report::draft(programme, case, &ask.items)?;
        let how = Issue {
            to: ask.to,
            statement: ask.statement,
            changes: ask.changes,
            last: ask.last,
        };
        Ok(report::issue(programme, act, case, draft, how)?)
    })
    .await
}

/// An item of a report.
#[derive(Debug, Serialize, ToSchema)]
struct IssuedItem {
    item: String,
    /// What it is.
    what: &'static str,
    text: String,
}

/// A report as it was issued.
#[derive(Debug, Serialize, ToSchema)]
struct Issued {
    version: u32,
    #[schema(value_type = String, format = Date)]
    date: Date,
    preliminary: bool,
    /// To whom it went.
    to: String,
    /// The authority's own statement, word for word.
    #[serde(skip_serializing_if = "Option::is_none")]
    statement: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    changes: Option<String>,
    items: Vec<IssuedItem>,
    /// What it lacks.
    missing: Vec<String>,
}

/// All versions of a pest report.
#[derive(Debug, Serialize, ToSchema)]
struct Reports {
    reports: Vec<Issued>,
}

/// Every version of the pest report, as it was issued.
#[utoipa::path(get, path = "/api/1/responses/{find}/reports", tag = "responses",
    params(("find" = String, Path, description = "The find's label.")),
    responses((status = 200, body = Reports), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn reports(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
) -> Result<axum::Json<Reports>, Problem> {
    caller.may(Right::Respond)?;
    let response = office
        .read(move |programme| {
            let none = || Problem::not_found(format!("no response to {find:?} was opened"));
            programme.response(&find)?.ok_or_else(none)
        })
        .await?;
    let what = |item: &str| {
        let of_standard = report::ITEMS.iter().find(|(id, ..)| *id == item);
        of_standard.map_or("", |(_, what, _)| what)
    };
    let issued = |report: earlywood_journal::PestReportIssued| Issued {
        version: report.version,
        date: report.date,
        preliminary: report.preliminary,
        to: report.to,
        statement: report.statement,
        changes: report.changes,
        items: report
            .items
            .into_iter()
            .map(|i| IssuedItem {
                what: what(&i.item),
                item: i.item,
                text: i.text,
            })
            .collect(),
        missing: report.missing,
    };
    let reports = response.reports.into_iter().map(|noted| issued(noted.value));
    Ok(axum::Json(Reports {
        reports: reports.collect(),
    }))
}

/// How a response ends.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct CloseAsk {
    /// released, no-find, handed-over or given-up.
    #[schema(value_type = String)]
    end: ResponseEnd,
    /// By whose order.
    authority: String,
    reason: String,
}

/// Ends a response.
#[utoipa::path(post, path = "/api/1/responses/{find}/close", tag = "responses", request_body = CloseAsk,
    params(("find" = String, Path, description = "The find's label.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("respond"))))]
async fn close(
    State(office): State<App>,
    caller: Caller,
    Path(find): Path<String>,
    Json(ask): Json<CloseAsk>,
) -> Result<axum::Json<Receipt>, Problem> {
    record(&office, &caller, find, move |programme, act, case| {
        let body = closing(case, ask.end, act.today(), ask.authority, ask.reason)?;
        Ok(programme.append(act, Body::ResponseClosed(body))?)
    })
    .await
}
