//! Rounds: those that hold, drafts of new ones, the files and the paper that go out, and the sheets that come back.

use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use earlywood_chain::ChainError;
use earlywood_chain::rounds::files::{self, Export, Which};
use earlywood_chain::rounds::sheet::{SheetForm, Typed, TypedRow, Wrong, sheet, type_in};
use earlywood_chain::rounds::{self, Ask, RoundsView, Without};
use earlywood_journal::Programme;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
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
use super::state::{App, blocking};
use super::views::asked;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(adopted))
        .routes(routes!(file))
        .routes(routes!(begin))
        .routes(routes!(one, remove))
        .routes(routes!(adopt))
        .routes(routes!(form, fill_in))
}

/// Days of files in one answer: a year. Design choice.
const MOST_FILE_DAYS: i32 = 366;

/// The zone of the programme's times: that which was named when rounds were adopted last, else this machine's.
pub(super) fn zone(programme: &Programme) -> Result<TimeZone, Problem> {
    let named = rounds::named_zone(programme)?;
    Ok(match named {
        Some(name) => TimeZone::get(&name).map_err(ChainError::from)?,
        None => TimeZone::system(),
    })
}

/// A span of days.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct Days {
    /// First day; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    from: Option<Date>,
    /// Last day; the first one when left out.
    #[param(value_type = Option<String>, format = Date)]
    to: Option<Date>,
    /// One crew alone; files only.
    crew: Option<String>,
}

/// The rounds that hold on some days, with what to mind at each stop and what is done.
#[utoipa::path(get, path = "/api/1/rounds/adopted", tag = "rounds", params(Days),
    responses((status = 200, body = RoundsView), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn adopted(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<Days>, QueryRejection>,
) -> Result<axum::Json<RoundsView>, Problem> {
    caller.may(Right::Read)?;
    let days = asked(query)?;
    let from = days.from.unwrap_or_else(|| office.today());
    let to = days.to.unwrap_or(from);
    short_enough(from, to)?;
    let told = office
        .read(move |programme| {
            let mut view = rounds::adopted(programme, from, to)?;
            if let Some(crew) = &days.crew {
                view.rounds.retain(|round| round.crew == *crew);
            }
            Ok(view)
        })
        .await?;
    Ok(axum::Json(told))
}

fn short_enough(from: Date, to: Date) -> Result<(), Problem> {
    let days = from.until(to).map_or(0, |span| span.get_days());
    if days >= MOST_FILE_DAYS {
        return Err(Problem::field(
            "to",
            format!("at most {MOST_FILE_DAYS} days at once"),
        ));
    }
    Ok(())
}

/// The rounds that hold, as a file: `ics` for calendars (a round an event), `gpx` for satellite receivers, `csv` for spreadsheets.
#[utoipa::path(get, path = "/api/1/rounds/files/{format}", tag = "rounds",
    params(("format" = String, Path, description = "ics, gpx or csv."), Days),
    responses((status = 200, body = String, content_type = "text/plain"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn file(
    State(office): State<App>,
    caller: Caller,
    Path(format): Path<String>,
    query: Result<Query<Days>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let days = asked(query)?;
    let kind = match format.as_str() {
        "ics" => "text/calendar; charset=utf-8",
        "gpx" => "application/gpx+xml",
        "csv" => "text/csv; charset=utf-8",
        _ => {
            return Err(Problem::not_found(format!(
                "rounds are no {format:?}; there are ics, gpx and csv"
            )));
        }
    };
    let from = days.from.unwrap_or_else(|| office.today());
    let to = days.to.unwrap_or(from);
    short_enough(from, to)?;
    let which = Which {
        from,
        to,
        crew: days.crew.filter(|crew| !crew.is_empty()),
    };
    let name = format!("rounds-{from}.{format}");
    let text = office
        .read(move |programme| {
            let export = Export::of(programme, &which, zone(programme)?)?;
            Ok(match format.as_str() {
                "ics" => files::ics(&export, false)?,
                "gpx" => files::gpx(&export),
                _ => files::csv(&export)?,
            })
        })
        .await?;
    Ok(download(kind, &name, text.into_bytes()))
}

/// A file that the browser saves rather than shows.
pub(super) fn download(kind: &'static str, name: &str, bytes: Vec<u8>) -> Response {
    // Names are made here, of days and plain words: nothing in them needs quoting.
    let disposition = format!("attachment; filename=\"{name}\"");
    (
        [
            (header::CONTENT_TYPE, kind.to_owned()),
            (header::CONTENT_DISPOSITION, disposition),
        ],
        bytes,
    )
        .into_response()
}

/// A crew that stays at home.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct StaysHome {
    crew: String,
    /// On this day; on all when left out.
    #[serde(default)]
    #[schema(value_type = Option<String>, format = Date)]
    date: Option<Date>,
}

/// Which rounds are wanted.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct RoundsAsk {
    /// First day.
    #[schema(value_type = String, format = Date)]
    from: Date,
    /// How many days, 1 to 28; left out with `at`: the days that are left of the rounds that hold.
    #[serde(default)]
    days: Option<u16>,
    /// Crews that do not go out.
    #[serde(default)]
    without: Vec<StaysHome>,
    /// Days on which nobody works.
    #[serde(default)]
    #[schema(value_type = Vec<String>)]
    no_work: Vec<Date>,
    /// HH:MM of the first day: plan again from then on; what is done stays, crews start from their last stop.
    #[serde(default)]
    at: Option<String>,
    /// Roads that are closed: their labels, or a circle as LAT,LON,RADIUS_M.
    #[serde(default)]
    closed: Vec<String>,
    /// No work on a day whose loaded weather is hotter, degrees Celsius.
    #[serde(default)]
    heat_limit_c: Option<f64>,
    /// The same seed gives the same rounds; 1 when left out.
    #[serde(default)]
    seed: Option<u64>,
}

/// Days that are planned when nobody says how many: a week.
const USUAL_DAYS: u16 = 7;
/// Most of each list of a question. Design choice.
const MOST_LISTED: usize = 200;

impl RoundsAsk {
    fn read(self) -> Result<Ask, Problem> {
        for (field, count) in [
            ("without", self.without.len()),
            ("no_work", self.no_work.len()),
            ("closed", self.closed.len()),
        ] {
            if count > MOST_LISTED {
                return Err(Problem::field(field, format!("at most {MOST_LISTED} at once")));
            }
        }
        let at = match self.at.as_deref().map(str::trim).filter(|at| !at.is_empty()) {
            None => None,
            Some(at) => Some(Time::strptime("%H:%M", at).map_err(|_| {
                Problem::field("at", format!("{at:?} is not a time of the day, as in 13:05"))
            })?),
        };
        let mut ask = Ask::new(self.from, self.days.unwrap_or(USUAL_DAYS));
        ask.all_days = self.days.is_none();
        ask.due.no_work = self.no_work;
        ask.due.heat_limit_c = self.heat_limit_c.filter(|c| c.is_finite());
        ask.without = self
            .without
            .into_iter()
            .map(|w| Without {
                crew: w.crew,
                date: w.date,
            })
            .collect();
        ask.at = at;
        ask.closed = self.closed;
        ask.seed = self.seed.unwrap_or(ask.seed);
        Ok(ask)
    }
}

/// Begins to work out rounds; GET the draft until its state is no longer "working".
#[utoipa::path(post, path = "/api/1/rounds/drafts", tag = "rounds", request_body = RoundsAsk,
    responses((status = 200, body = Begun), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("plan"))))]
async fn begin(
    State(office): State<App>,
    caller: Caller,
    Json(ask): Json<RoundsAsk>,
) -> Result<axum::Json<Begun>, Problem> {
    caller.may(Right::Plan)?;
    let ask = ask.read()?;
    let id = Uuid::now_v7();
    office.work.rounds.begin(id)?;
    tokio::spawn(make(office, id, ask));
    Ok(axum::Json(Begun { draft: id }))
}

/// Works them out in their turn, with a programme of their own.
async fn make(office: App, id: Uuid, mut ask: Ask) {
    let Ok(_turn) = office.work.planning.acquire().await else {
        return;
    };
    let (work, path, today) = (office.work.clone(), office.path.clone(), office.today());
    let done = blocking(move || {
        let made = Programme::open_read_only(&path)
            .map_err(ChainError::from)
            .and_then(|programme| {
                ask.time_zone = rounds::named_zone(&programme)?;
                rounds::propose(&work.desk, &programme, &ask, today)
            });
        match made {
            Ok(proposal) => Standing::Ready(Arc::new(proposal)),
            Err(why) => Standing::Failed(why.words()),
        }
    });
    let standing = done.await.unwrap_or_else(|_| {
        Standing::Failed("the server could not work these rounds out; its keeper can see why".into())
    });
    office.work.rounds.end(id, standing);
}

/// Rounds on the drawing board.
#[derive(Debug, Serialize, ToSchema)]
struct RoundsDraft {
    draft: Uuid,
    state: DraftState,
    /// The rounds, once they are ready.
    #[serde(skip_serializing_if = "Option::is_none")]
    rounds: Option<RoundsView>,
    /// Why there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    why: Option<String>,
}

/// Rounds on the drawing board, as they would be.
#[utoipa::path(get, path = "/api/1/rounds/drafts/{draft}", tag = "rounds",
    params(("draft" = Uuid, Path, description = "The draft.")),
    responses((status = 200, body = RoundsDraft), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn one(
    State(office): State<App>,
    caller: Caller,
    Path(draft): Path<Uuid>,
) -> Result<axum::Json<RoundsDraft>, Problem> {
    caller.may(Right::Read)?;
    let (state, proposal, why) = office.work.rounds.told(draft)?;
    let rounds = match proposal {
        Some(proposal) => Some(
            office
                .read(move |programme| Ok(proposal.view(programme)?))
                .await?,
        ),
        None => None,
    };
    Ok(axum::Json(RoundsDraft {
        draft,
        state,
        rounds,
        why,
    }))
}

/// Takes rounds off the drawing board.
#[utoipa::path(delete, path = "/api/1/rounds/drafts/{draft}", tag = "rounds",
    params(("draft" = Uuid, Path, description = "The draft.")),
    responses((status = 200, body = Object), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("plan"))))]
async fn remove(
    State(office): State<App>,
    caller: Caller,
    Path(draft): Path<Uuid>,
) -> Result<axum::Json<serde_json::Value>, Problem> {
    caller.may(Right::Plan)?;
    office.work.rounds.remove(draft)?;
    Ok(axum::Json(serde_json::json!({})))
}

/// Adopts rounds: they go into the journal with the reason, and hold from then on for their days.
#[utoipa::path(post, path = "/api/1/rounds/drafts/{draft}/adopt", tag = "rounds", request_body = Reason,
    params(("draft" = Uuid, Path, description = "The draft.")),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("plan"))))]
async fn adopt(
    State(office): State<App>,
    caller: Caller,
    Path(draft): Path<Uuid>,
    Json(asked): Json<Reason>,
) -> Result<axum::Json<Receipt>, Problem> {
    caller.may(Right::Plan)?;
    let proposal = office.work.rounds.ready(draft)?;
    let receipt = office
        .write(&caller, move |programme, act| {
            Ok(rounds::adopt(programme, act, &proposal, &asked.reason)?)
        })
        .await?;
    // What is adopted is no longer a draft: a second click must not adopt it again.
    let _ = office.work.rounds.remove(draft);
    Ok(axum::Json(receipt.into()))
}

/// The form of a round's paper: its stops in the paper's order, to be filled in.
#[utoipa::path(get, path = "/api/1/rounds/sheets/{code}", tag = "rounds",
    params(("code" = String, Path, description = "The code on the paper.")),
    responses((status = 200, body = SheetForm), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn form(
    State(office): State<App>,
    caller: Caller,
    Path(code): Path<String>,
) -> Result<axum::Json<SheetForm>, Problem> {
    caller.may(Right::Read)?;
    let told = office.read(move |programme| Ok(sheet(programme, &code)?)).await?;
    Ok(axum::Json(told))
}

/// Rows as they were typed from paper.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Rows {
    rows: Vec<TypedRow>,
}

/// What became of them: either problems, and nothing was written; or so many visits.
#[derive(Debug, Serialize, ToSchema)]
struct TypedIn {
    /// What is wrong, by row and column.
    problems: Vec<Wrong>,
    /// Visits that were recorded.
    recorded: usize,
}

/// Records a sheet's answers: all rows, or none where one is wrong.
#[utoipa::path(post, path = "/api/1/rounds/sheets/{code}", tag = "rounds", request_body = Rows,
    params(("code" = String, Path, description = "The code on the paper.")),
    responses((status = 200, body = TypedIn), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("record"))))]
async fn fill_in(
    State(office): State<App>,
    caller: Caller,
    Path(code): Path<String>,
    Json(asked): Json<Rows>,
) -> Result<axum::Json<TypedIn>, Problem> {
    caller.may(Right::Record)?;
    if asked.rows.len() > 1_000 {
        return Err(Problem::field("rows", "a sheet has at most 1000 rows"));
    }
    let typed = office
        .write(&caller, move |programme, act| {
            let zone = zone(programme)?;
            Ok(type_in(programme, act, &code, &asked.rows, &zone)?)
        })
        .await?;
    Ok(axum::Json(match typed {
        Typed::Problems(problems) => TypedIn {
            problems,
            recorded: 0,
        },
        Typed::Recorded(recorded) => TypedIn {
            problems: Vec::new(),
            recorded,
        },
    }))
}
