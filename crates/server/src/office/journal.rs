//! The journal to be read: entries, whether they are sound, and conflicts that wait.

use axum::extract::{Query, State};
use earlywood_journal::{PageFilter, Paged, Verification};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::caller::{Caller, Right};
use super::problem::{Problem, ProblemBody};
use super::read_body::Path;
use super::state::App;
use super::words;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(page))
        .routes(routes!(verify))
        .routes(routes!(one))
        .routes(routes!(conflicts))
}

/// Entries of a page, at most. Design choice.
const MOST: usize = 500;

/// Which entries are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct PageAsked {
    /// Of this kind only.
    kind: Option<String>,
    /// Recorded by this person only.
    person: Option<String>,
    /// Written by this device only.
    device: Option<Uuid>,
    /// About this only, such as "trap:A-1".
    subject: Option<String>,
    /// With this text in the body only.
    text: Option<String>,
    /// Older than this entry only: the last of the page before.
    before: Option<Uuid>,
    /// At most so many; 100 when left out, never more than 500.
    limit: Option<usize>,
}

/// An entry, and what later ones say of it.
#[derive(Debug, Serialize, ToSchema)]
struct JournalRow {
    entry: Uuid,
    device: Uuid,
    number: u64,
    /// When it happened: RFC 3339 with offset, as given.
    #[schema(format = DateTime)]
    at: String,
    /// When it was recorded.
    #[schema(format = DateTime)]
    recorded: String,
    person: String,
    kind: String,
    version: u32,
    /// One plain line.
    words: String,
    /// What it touches ("trap:A-1").
    subjects: Vec<String>,
    #[schema(value_type = Object)]
    body: Value,
    #[serde(skip_serializing_if = "Option::is_none")]
    corrected_by: Option<Uuid>,
    #[serde(skip_serializing_if = "Option::is_none")]
    withdrawn_by: Option<Uuid>,
    signed: bool,
}

impl JournalRow {
    fn of(paged: Paged) -> Self {
        let entry = paged.entry;
        let body: Value = serde_json::from_str(&entry.body_text).unwrap_or(Value::Null);
        let subjects = entry.body().map(|body| body.subjects()).unwrap_or_default();
        JournalRow {
            words: words::line(&entry.kind, &body),
            subjects: subjects.iter().map(earlywood_journal::Subject::key).collect(),
            entry: entry.id,
            device: entry.device,
            number: entry.number,
            at: entry.event_time,
            recorded: entry.recorded_time,
            person: entry.person,
            kind: entry.kind,
            version: entry.body_version,
            body,
            corrected_by: paged.corrected_by,
            withdrawn_by: paged.withdrawn_by,
            signed: entry.signature.is_some(),
        }
    }
}

/// A page of the journal.
#[derive(Debug, Serialize, ToSchema)]
struct JournalRows {
    entries: Vec<JournalRow>,
    /// Whether older ones follow.
    more: bool,
}

/// A query that can be read, or plain words on what is wrong with it.
fn asked<T>(query: Result<Query<T>, axum::extract::rejection::QueryRejection>) -> Result<T, Problem> {
    let Query(asked) = query.map_err(|e| {
        Problem::bad(
            "bad-query",
            format!("the question can't be read: {}", e.body_text()),
        )
    })?;
    Ok(asked)
}

/// Entries, the newest first.
#[utoipa::path(get, path = "/api/1/journal", tag = "journal", params(PageAsked),
    responses((status = 200, body = JournalRows), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn page(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<PageAsked>, axum::extract::rejection::QueryRejection>,
) -> Result<axum::Json<JournalRows>, Problem> {
    caller.may(Right::Read)?;
    let asked = asked(query)?;
    let limit = asked.limit.unwrap_or(100).clamp(1, MOST);
    let some = |text: Option<String>| text.filter(|text| !text.is_empty());
    let filter = PageFilter {
        kind: some(asked.kind),
        person: some(asked.person),
        device: asked.device,
        subject: some(asked.subject),
        text: some(asked.text),
        before: asked.before,
        limit: limit + 1,
    };
    let rows = office
        .read(move |programme| {
            let mut found = programme.page(&filter)?;
            let more = found.len() > limit;
            found.truncate(limit);
            Ok(JournalRows {
                entries: found.into_iter().map(JournalRow::of).collect(),
                more,
            })
        })
        .await?;
    Ok(axum::Json(rows))
}

/// One entry.
#[utoipa::path(get, path = "/api/1/journal/{id}", tag = "journal", params(("id" = Uuid, Path)),
    responses((status = 200, body = JournalRow), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn one(
    State(office): State<App>,
    caller: Caller,
    Path(id): Path<String>,
) -> Result<axum::Json<JournalRow>, Problem> {
    caller.may(Right::Read)?;
    let none = || Problem::not_found(format!("there is no entry {id:?} here"));
    let wanted: Uuid = id.parse().map_err(|_| none())?;
    let found = office.read(move |programme| Ok(programme.paged(wanted)?)).await?;
    Ok(axum::Json(JournalRow::of(found.ok_or_else(none)?)))
}

/// The end of one device's chain.
#[derive(Debug, Clone, Serialize, ToSchema)]
struct HeadRow {
    device: Uuid,
    number: u64,
    hash: String,
}

/// Whether the journal is what was written.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Verified {
    sound: bool,
    /// Entries found sound, up to the first bad one.
    entries: u64,
    /// The first thing that is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    first_bad: Option<String>,
    /// Written down elsewhere, these prove later that no end was cut off.
    heads: Vec<HeadRow>,
    /// Kinds that this program does not know: kept, not shown.
    unknown: Vec<String>,
    #[schema(value_type = String, format = DateTime)]
    pub(crate) checked_at: Timestamp,
}

impl Verified {
    pub(crate) fn of(found: &Verification, checked_at: Timestamp) -> Self {
        let head = |head: &earlywood_journal::Head| HeadRow {
            device: head.device,
            number: head.number,
            hash: head.hash.to_string(),
        };
        Verified {
            sound: found.is_sound(),
            entries: found.entries,
            first_bad: found.first_bad.as_ref().map(ToString::to_string),
            heads: found.heads.iter().map(head).collect(),
            unknown: found
                .unknown
                .iter()
                .map(|u| format!("{} version {} ({} entries)", u.kind, u.version, u.entries))
                .collect(),
            checked_at,
        }
    }
}

/// Walks the whole journal: hashes, signatures, contents, and what is shown of them. May take a while; others go on.
#[utoipa::path(get, path = "/api/1/journal/verify", tag = "journal",
    responses((status = 200, body = Verified), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn verify(State(office): State<App>, caller: Caller) -> Result<axum::Json<Verified>, Problem> {
    caller.may(Right::Read)?;
    Ok(axum::Json(office.verify().await?))
}

/// What two people did that can't both be.
#[derive(Debug, Serialize, ToSchema)]
struct ConflictRow {
    id: String,
    subject: String,
    kind: String,
    words: String,
    entries: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    settled_by: Option<Uuid>,
}

/// Conflicts, by subject.
#[derive(Debug, Serialize, ToSchema)]
struct ConflictRows {
    conflicts: Vec<ConflictRow>,
}

/// Whether settled ones are wanted too.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct ConflictsAsked {
    /// The settled ones too.
    #[serde(default)]
    all: bool,
}

/// Conflicts that wait for a supervisor. One is settled by an entry of kind conflict-settled.
#[utoipa::path(get, path = "/api/1/conflicts", tag = "journal", params(ConflictsAsked),
    responses((status = 200, body = ConflictRows), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn conflicts(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<ConflictsAsked>, axum::extract::rejection::QueryRejection>,
) -> Result<axum::Json<ConflictRows>, Problem> {
    caller.may(Right::Read)?;
    let all = asked(query)?.all;
    let row = |known: earlywood_journal::KnownConflict| ConflictRow {
        id: known.id,
        subject: known.subject,
        kind: known.kind,
        words: known.words,
        entries: known.entries,
        settled_by: known.settled_by,
    };
    let conflicts = office
        .read(move |programme| Ok(programme.conflicts(all)?))
        .await?;
    Ok(axum::Json(ConflictRows {
        conflicts: conflicts.into_iter().map(row).collect(),
    }))
}
