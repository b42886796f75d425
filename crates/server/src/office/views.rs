//! What the office looks at: morning, targets, assurance, season, rounds, bench, trees, stores.

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use earlywood_chain::ChainError;
use earlywood_chain::desk::USUAL_DRAWS;
use earlywood_chain::view::Now;
use earlywood_chain::{bench, due, figures, morning, rounds, season, stores, supplies, trees};
use earlywood_journal::{Limits, LotTrace, Month};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::caller::{Caller, Right};
use super::problem::{Problem, ProblemBody};
use super::read_body::Path;
use super::state::{App, Office};

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(morning_of))
        .routes(routes!(targets))
        .routes(routes!(assurance))
        .routes(routes!(season_of))
        .routes(routes!(rounds_of))
        .routes(routes!(bench_of))
        .routes(routes!(specimen))
        .routes(routes!(trees_of))
        .routes(routes!(stores_of))
        .routes(routes!(lot))
        .routes(routes!(supplies_ahead))
        .routes(routes!(month))
}

/// A question that can be read, or plain words on what is wrong with it.
pub(super) fn asked<T>(query: Result<Query<T>, QueryRejection>) -> Result<T, Problem> {
    let Query(asked) = query.map_err(|e| {
        let words = format!("the question can't be read: {}", e.body_text());
        Problem::bad("bad-query", words)
    })?;
    Ok(asked)
}

/// The moment of a question: now, or the noon of another day that was asked about.
pub(super) fn now(office: &Office, on: Option<Date>) -> Now {
    let today = on.unwrap_or_else(|| office.today());
    let noon = || {
        today
            .at(12, 0, 0, 0)
            .to_zoned_datetime(jiff::tz::TimeZone::system())
            .ok()
    };
    let now = if today == office.today() {
        office.now().ok()
    } else {
        noon()
    };
    Now {
        today,
        at: now.map_or_else(jiff::Timestamp::now, |moment| moment.timestamp()),
    }
}

/// A day.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct OnDay {
    /// The day; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    on: Option<Date>,
}

/// What is overdue and what it costs, what waits, what stands in the way.
#[utoipa::path(get, path = "/api/1/morning", tag = "views", params(OnDay),
    responses((status = 200, body = morning::Morning), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn morning_of(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<OnDay>, QueryRejection>,
) -> Result<axum::Json<morning::Morning>, Problem> {
    caller.may(Right::Read)?;
    let (work, now) = (office.work.clone(), now(&office, asked(query)?.on));
    let told = office
        .read(move |programme| Ok(morning::morning(&work.desk, programme, now)?))
        .await?;
    Ok(axum::Json(told))
}

/// All targets.
#[derive(Debug, Serialize, ToSchema)]
struct Targets {
    targets: Vec<figures::Target>,
}

/// Targets: those adopted first, then the profiles that ship, each with what its figures rest on.
#[utoipa::path(get, path = "/api/1/targets", tag = "views",
    responses((status = 200, body = Targets), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn targets(State(office): State<App>, caller: Caller) -> Result<axum::Json<Targets>, Problem> {
    caller.may(Right::Read)?;
    let targets = office.read(|programme| Ok(figures::targets(programme)?)).await?;
    Ok(axum::Json(Targets { targets }))
}

/// How sure, of what, when.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct AssuranceAsked {
    /// Target id.
    target: String,
    /// The day asked about; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    on: Option<Date>,
    /// One zone only.
    zone: Option<String>,
    /// Draws behind the bands; 200 when left out.
    draws: Option<u32>,
    /// Weather station; the only one when left out.
    station: Option<String>,
}

/// How sure we are that a target is absent, from the visits really made.
#[utoipa::path(get, path = "/api/1/assurance", tag = "views", params(AssuranceAsked),
    responses((status = 200, body = figures::Assurance), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn assurance(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<AssuranceAsked>, QueryRejection>,
) -> Result<axum::Json<figures::Assurance>, Problem> {
    caller.may(Right::Read)?;
    let (query, today, work) = (asked(query)?, office.today(), office.work.clone());
    let question = figures::Asked {
        target: query.target,
        on: query.on.unwrap_or(today),
        draws: query.draws.unwrap_or(USUAL_DRAWS),
        zone: query.zone.filter(|z| !z.is_empty()),
        station: query.station.filter(|s| !s.is_empty()),
    };
    let told = office
        .read(move |programme| Ok(figures::assurance(&work.desk, programme, &question, today)?))
        .await?;
    Ok(axum::Json(told))
}

/// Which season.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SeasonAsked {
    /// Target id.
    target: String,
    /// The year; this one when left out.
    year: Option<i16>,
}

/// The dated plan of a year.
#[utoipa::path(get, path = "/api/1/season", tag = "views", params(SeasonAsked),
    responses((status = 200, body = season::Season), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn season_of(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<SeasonAsked>, QueryRejection>,
) -> Result<axum::Json<season::Season>, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let year = query.year.unwrap_or_else(|| office.today().year());
    let told = office
        .read(move |programme| Ok(season::season(programme, &query.target, year)?))
        .await?;
    Ok(axum::Json(told))
}

/// Stops that are due, zone by zone, in an order that can be driven.
#[utoipa::path(get, path = "/api/1/rounds", tag = "views", params(OnDay),
    responses((status = 200, body = rounds::Rounds), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn rounds_of(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<OnDay>, QueryRejection>,
) -> Result<axum::Json<rounds::Rounds>, Problem> {
    caller.may(Right::Read)?;
    let (work, on) = (
        office.work.clone(),
        asked(query)?.on.unwrap_or_else(|| office.today()),
    );
    let told = office
        .read(move |programme| Ok(rounds::rounds(&work.desk, programme, on)?))
        .await?;
    Ok(axum::Json(told))
}

/// Whose table.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct BenchAsked {
    /// This person's only; everybody's when left out.
    person: Option<String>,
}

/// What lies on the tables, the most urgent first.
#[utoipa::path(get, path = "/api/1/bench", tag = "views", params(BenchAsked),
    responses((status = 200, body = bench::Bench), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn bench_of(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<BenchAsked>, QueryRejection>,
) -> Result<axum::Json<bench::Bench>, Problem> {
    caller.may(Right::Read)?;
    let (person, now) = (asked(query)?.person, now(&office, None));
    let told = office
        .read(move |programme| Ok(bench::bench(programme, now, person.as_deref())?))
        .await?;
    Ok(axum::Json(told))
}

/// Everything known of one specimen, as far as the caller may know it.
#[utoipa::path(get, path = "/api/1/specimens/{label}", tag = "views",
    params(("label" = String, Path, description = "Its label.")),
    responses((status = 200, body = bench::SpecimenView), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn specimen(
    State(office): State<App>,
    caller: Caller,
    Path(label): Path<String>,
) -> Result<axum::Json<bench::SpecimenView>, Problem> {
    caller.may(Right::Read)?;
    let act = office.act(&caller.person)?;
    let told = office
        .read(move |programme| Ok(bench::specimen(programme, &act, &label)?))
        .await?;
    Ok(axum::Json(told))
}

/// Which trees.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct TreesAsked {
    /// With this in label, species or crew only.
    q: Option<String>,
    /// At most so many; 200 when left out, never more than 2 000.
    limit: Option<usize>,
}

/// Looks at trees, the newest first.
#[utoipa::path(get, path = "/api/1/trees", tag = "views", params(TreesAsked),
    responses((status = 200, body = trees::Trees), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn trees_of(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<TreesAsked>, QueryRejection>,
) -> Result<axum::Json<trees::Trees>, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let limit = query.limit.unwrap_or(200).clamp(1, 2_000);
    let told = office
        .read(move |programme| Ok(trees::trees(programme, query.q.as_deref(), limit)?))
        .await?;
    Ok(axum::Json(told))
}

/// All lots.
#[derive(Debug, Serialize, ToSchema)]
struct Lots {
    lots: Vec<stores::LotRow>,
}

/// Supplies, lot by lot.
#[utoipa::path(get, path = "/api/1/stores", tag = "views",
    responses((status = 200, body = Lots), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn stores_of(State(office): State<App>, caller: Caller) -> Result<axum::Json<Lots>, Problem> {
    caller.may(Right::Read)?;
    let today = office.today();
    let lots = office
        .read(move |programme| Ok(stores::stores(programme, today)?))
        .await?;
    Ok(axum::Json(Lots { lots }))
}

/// Where a lot went: visits that used it, traps that carry it.
#[utoipa::path(get, path = "/api/1/stores/{lot}", tag = "views",
    params(("lot" = String, Path, description = "Its label.")),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn lot(
    State(office): State<App>,
    caller: Caller,
    Path(lot): Path<String>,
) -> Result<axum::Json<LotTrace>, Problem> {
    caller.may(Right::Read)?;
    let trace = office
        .read(move |programme| Ok(programme.lot_trace(&lot)?))
        .await?;
    if trace.stock.is_none() && trace.moves.is_empty() && trace.visits.is_empty() {
        return Err(Problem::not_found(format!("there is no lot {:?}", trace.lot)));
    }
    Ok(axum::Json(trace))
}

/// How far ahead, and what only people know. Figures that differ by item are written as `30,lure=45`.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SuppliesAsked {
    /// First day of the first week; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    from: Option<Date>,
    /// Weeks, 1 to 104; 26 when left out.
    weeks: Option<u32>,
    /// Days from an order to the day it is in store; not given when left out.
    lead_days: Option<String>,
    /// Share of the pieces taken out that never work in a trap, 0 to 0.9; 0 when left out.
    spoilage: Option<String>,
    /// Pieces are to be in store so many days before they are needed; 0 when left out.
    safety_days: Option<String>,
    /// One order covers so many weeks; 1 when left out.
    batch_weeks: Option<u32>,
    /// Share of the bodies and poles taken down that hang again, 0 to 1; 0 when left out.
    reuse: Option<f64>,
    /// Pieces handed out and not written down as used count as in store; no when left out.
    with_crews: Option<bool>,
    /// Weather station; the only one when left out.
    station: Option<String>,
}

impl SuppliesAsked {
    fn ask(self, today: Date) -> Result<supplies::Ask, ChainError> {
        let each =
            |field, text: Option<String>| supplies::PerItem::read(field, text.as_deref().unwrap_or(""));
        let usual = supplies::Ask::new(self.from.unwrap_or(today));
        Ok(supplies::Ask {
            weeks: self.weeks.unwrap_or(usual.weeks),
            lead_days: each("lead_days", self.lead_days)?,
            spoilage: each("spoilage", self.spoilage)?,
            safety_days: each("safety_days", self.safety_days)?,
            batch_weeks: self.batch_weeks.unwrap_or(usual.batch_weeks),
            reuse: self.reuse.unwrap_or(usual.reuse),
            with_crews: self.with_crews.unwrap_or(usual.with_crews),
            station: self.station.filter(|s| !s.is_empty()),
            ..usual
        })
    }
}

/// Supplies ahead: what traps need week by week, from which lots, what expires, what to order and by when.
#[utoipa::path(get, path = "/api/1/supplies/forecast", tag = "views", params(SuppliesAsked),
    responses((status = 200, body = supplies::Forecast), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn supplies_ahead(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<SuppliesAsked>, QueryRejection>,
) -> Result<axum::Json<supplies::Forecast>, Problem> {
    caller.may(Right::Read)?;
    let today = office.today();
    let ask = asked(query)?.ask(today)?;
    let told = office
        .read(move |programme| Ok(supplies::forecast(programme, &ask, today)?))
        .await?;
    Ok(axum::Json(told))
}

/// A span of days.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Span {
    /// First day.
    #[param(value_type = String, format = Date)]
    from: Date,
    /// Last day.
    #[param(value_type = String, format = Date)]
    to: Date,
    /// The target whose clocks say what was due; the strictest of all adopted ones when left out.
    target: Option<String>,
}

/// The figures of a month, or of any span of days.
#[utoipa::path(get, path = "/api/1/month", tag = "views", params(Span),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn month(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<Span>, QueryRejection>,
) -> Result<axum::Json<Month>, Problem> {
    caller.may(Right::Read)?;
    let span = asked(query)?;
    let told = office
        .read(move |programme| {
            let limits = match &span.target {
                Some(id) => due::limits(&earlywood_chain::target(programme, id)?),
                None => due::strictest(programme.profiles()?.iter().map(|p| &p.profile)),
            };
            let limits: Limits = limits;
            Ok(programme.month(span.from, span.to, &limits)?)
        })
        .await?;
    Ok(axum::Json(told))
}
