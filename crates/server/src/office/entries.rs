//! Writing: entries in the caller's name, and photos.

use axum::body::Body as HttpBody;
use axum::extract::{Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use earlywood_journal::{Body, Draft, Hash};
use serde::{Deserialize, Serialize};

use serde_json::value::RawValue;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::caller::{Caller, Right};
use super::problem::{Problem, ProblemBody};
use super::read_body::{Json, Path, receive};
use super::state::App;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(write))
        .routes(routes!(write_all))
        .routes(routes!(attach))
        .routes(routes!(attachment))
}

/// Most entries of one batch. Design choice.
const MOST_AT_ONCE: usize = 5_000;
/// Most bytes of a photo.
const MOST_PHOTO: usize = 16 << 20;

/// An entry to be written in the caller's name.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct NewEntry {
    /// Kind, such as "visit-made".
    kind: String,
    /// Version of the body.
    version: u32,
    /// Of the kind's JSON Schema (`crates/journal/schemas`).
    #[schema(value_type = Object)]
    body: Box<RawValue>,
    /// When it happened, if that was earlier: RFC 3339 with offset.
    #[serde(default)]
    event_time: Option<String>,
}

impl NewEntry {
    fn draft(&self) -> Result<Draft, Problem> {
        // The text as it came: nothing of a number is lost on the way.
        let body = Body::read_strict(&self.kind, self.version, self.body.get());
        let body = body.map_err(|e| {
            let problem = Problem::from(e);
            match problem.fields {
                Some(_) => problem,
                None => problem.at("body"),
            }
        })?;
        Ok(Draft {
            event_time: self.event_time.clone(),
            body,
        })
    }
}

/// Several entries, to be written all or none.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct NewEntries {
    entries: Vec<NewEntry>,
}

/// Proof that an entry is on the disk.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct Receipt {
    /// Id of the entry.
    pub(crate) entry: Uuid,
    /// Its number on this office's device.
    pub(crate) number: u64,
}

impl From<earlywood_journal::Receipt> for Receipt {
    fn from(receipt: earlywood_journal::Receipt) -> Self {
        Receipt {
            entry: receipt.id,
            number: receipt.number,
        }
    }
}

/// As many receipts as there were entries, in their order.
#[derive(Debug, Serialize, ToSchema)]
struct Receipts {
    receipts: Vec<Receipt>,
}

/// Writes one entry. What the caller may write, and what is possible, is for the journal to say.
#[utoipa::path(post, path = "/api/1/entries", tag = "writing", request_body = NewEntry,
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("record"))))]
async fn write(
    State(office): State<App>,
    caller: Caller,
    Json(new): Json<NewEntry>,
) -> Result<axum::Json<Receipt>, Problem> {
    caller.may(Right::Record)?;
    let draft = new.draft()?;
    let receipt = office
        .write(&caller, move |programme, act| Ok(programme.append(act, draft)?))
        .await?;
    Ok(axum::Json(receipt.into()))
}

/// Writes several entries, all or none; each may rest on those before it. A refusal's `where` begins with the index.
#[utoipa::path(post, path = "/api/1/entries/batch", tag = "writing", request_body = NewEntries,
    responses((status = 200, body = Receipts), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("record"))))]
async fn write_all(
    State(office): State<App>,
    caller: Caller,
    Json(new): Json<NewEntries>,
) -> Result<axum::Json<Receipts>, Problem> {
    caller.may(Right::Record)?;
    if new.entries.is_empty() || new.entries.len() > MOST_AT_ONCE {
        return Err(Problem::field(
            "entries",
            format!("1 to {MOST_AT_ONCE} entries at a time"),
        ));
    }
    let drafts = new.entries.iter().enumerate().map(|(i, entry)| {
        entry.draft().map_err(|mut problem| {
            problem.words = format!("record {}: {}", i + 1, problem.words);
            let field = problem.fields.take().unwrap_or_default();
            problem.at(format!("{i}.{field}"))
        })
    });
    let drafts: Vec<Draft> = drafts.collect::<Result<_, _>>()?;
    let receipts = office
        .write(&caller, move |programme, act| {
            Ok(programme.append_all(act, &drafts)?)
        })
        .await?;
    Ok(axum::Json(Receipts {
        receipts: receipts.into_iter().map(Receipt::from).collect(),
    }))
}

/// A photo that is kept here.
#[derive(Debug, Serialize, ToSchema)]
struct Attachment {
    /// BLAKE3, by which entries name it.
    hash: String,
    bytes: u64,
    media_type: &'static str,
}

/// What a picture is, by its first bytes; what it says of itself does not count.
pub(crate) fn picture(bytes: &[u8]) -> Option<(&'static str, &'static str)> {
    if bytes.starts_with(&[0xff, 0xd8, 0xff]) {
        Some(("image/jpeg", "jpg"))
    } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
        Some(("image/png", "png"))
    } else if bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
        Some(("image/webp", "webp"))
    } else {
        None
    }
}

/// Keeps a photo that an entry will name by its hash. The body is the picture itself.
#[utoipa::path(post, path = "/api/1/attachments", tag = "writing",
    request_body(content = Vec<u8>, content_type = "image/*", description = "JPEG, PNG or WebP of at most 16 MiB"),
    responses((status = 200, body = Attachment), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("record"))))]
async fn attach(
    State(office): State<App>,
    caller: Caller,
    request: Request,
) -> Result<axum::Json<Attachment>, Problem> {
    caller.may(Right::Record)?;
    let bytes = receive(request, MOST_PHOTO).await?;
    let Some((media_type, _)) = picture(&bytes) else {
        return Err(Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "no-picture",
            "this is no JPEG, PNG or WebP picture",
        ));
    };
    let length = bytes.len() as u64;
    let hash = office
        .write(&caller, move |programme, _| Ok(programme.attach(&bytes)?))
        .await?;
    Ok(axum::Json(Attachment {
        hash: hash.to_string(),
        bytes: length,
        media_type,
    }))
}

/// A photo. Other contents of the journal (loaded data, sealed plantings) are not given out here.
#[utoipa::path(get, path = "/api/1/attachments/{hash}", tag = "writing", params(("hash" = String, Path)),
    responses((status = 200, body = Vec<u8>, content_type = "image/*"), (status = 404, body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn attachment(
    State(office): State<App>,
    caller: Caller,
    Path(hash): Path<String>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let none = || Problem::not_found("there is no such photo here (it may still be on its way)");
    let wanted: Hash = hash.parse().map_err(|_| none())?;
    let bytes = office
        .read(move |programme| Ok(programme.attachment(wanted)?))
        .await?
        .ok_or_else(none)?;
    let (media_type, end) = picture(&bytes).ok_or_else(none)?;
    let mut response = HttpBody::from(bytes).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media_type));
    // What has this name never changes; but only who is signed in may have it.
    headers.insert(
        header::CACHE_CONTROL,
        HeaderValue::from_static("private, max-age=31536000, immutable"),
    );
    if let Ok(name) = HeaderValue::from_str(&format!("inline; filename=\"{wanted}.{end}\"")) {
        headers.insert(header::CONTENT_DISPOSITION, name);
    }
    // A picture that is really a page would find nothing here that it may do.
    headers.insert(
        header::CONTENT_SECURITY_POLICY,
        HeaderValue::from_static("default-src 'none'; sandbox"),
    );
    Ok(response)
}
