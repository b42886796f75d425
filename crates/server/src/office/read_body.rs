//! Reading a request: its body, within bounds, and the parts of its path.

use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode};
use http_body_util::BodyExt;
use serde::de::DeserializeOwned;
use tokio::time::timeout;

use super::problem::Problem;
use super::state::Office;

/// Most bytes of a JSON request: a plan of a large programme has some. Design choice.
const MOST_JSON: usize = 8 << 20;
/// Most of a refused request that is read and thrown away, and for how long.
pub(crate) const DRAIN_BYTES: usize = 4 << 20;
const DRAIN_TIME: Duration = Duration::from_secs(5);
/// Longest wait for the next bytes.
const IDLE: Duration = Duration::from_secs(20);

/// A JSON body.
pub(crate) struct Json<T>(pub(crate) T);

impl<T: DeserializeOwned> FromRequest<Arc<Office>> for Json<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, _: &Arc<Office>) -> Result<Self, Problem> {
        let kind = request.headers().get(CONTENT_TYPE).and_then(|v| v.to_str().ok());
        // A form of another site can't send this type without asking first.
        if kind.is_none_or(|kind| !kind.trim().to_ascii_lowercase().starts_with("application/json")) {
            return Err(Problem::new(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "not-json",
                "this call takes JSON (content-type: application/json)",
            ));
        }
        let bytes = receive(request, MOST_JSON).await?;
        read_json(&bytes).map(Json)
    }
}

/// The parts of a request's path.
pub(crate) struct Path<T>(pub(crate) T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for Path<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let read = axum::extract::Path::from_request_parts(parts, state).await;
        let axum::extract::Path(value) = read.map_err(|e| {
            Problem::bad(
                "bad-path",
                format!("the address can't be read: {}", e.body_text()),
            )
        })?;
        Ok(Path(value))
    }
}

/// Reads JSON, naming what is wrong with it.
pub(crate) fn read_json<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, Problem> {
    serde_json::from_slice(bytes).map_err(|e| {
        let code = if e.is_data() { "bad-request" } else { "bad-json" };
        Problem::bad(code, format!("the request can't be read: {e}"))
    })
}

/// Receives a body of at most `most` bytes; each part of it must come within 20 s.
pub(crate) async fn receive(request: Request, most: usize) -> Result<Bytes, Problem> {
    let too_large = || {
        Problem::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too-large",
            format!("this call takes at most {} KiB", most >> 10),
        )
    };
    let stated = stated_length(request.headers());
    let mut body: Body = request.into_body();
    if stated.is_some_and(|length| length > most as u64) {
        drain(&mut body, most + DRAIN_BYTES).await;
        return Err(too_large());
    }
    let mut bytes = Vec::new();
    loop {
        match timeout(IDLE, body.frame()).await {
            Err(_) => {
                return Err(Problem::new(
                    StatusCode::REQUEST_TIMEOUT,
                    "too-slow",
                    "the request did not arrive in time; try again",
                ));
            }
            Ok(None) => return Ok(bytes.into()),
            Ok(Some(Err(_))) => {
                return Err(Problem::bad(
                    "cut-off",
                    "the request was cut off on its way; send it again",
                ));
            }
            Ok(Some(Ok(frame))) => {
                if let Some(data) = frame.data_ref() {
                    bytes.extend_from_slice(data);
                }
            }
        }
        if bytes.len() > most {
            drain(&mut body, DRAIN_BYTES).await;
            return Err(too_large());
        }
    }
}

/// Reads on for a moment and throws it away: a sender that is still sending would not hear the answer.
pub(crate) async fn drain(body: &mut Body, most: usize) {
    let reading = async {
        let mut left = most;
        while let Some(Ok(frame)) = body.frame().await {
            left = left.saturating_sub(frame.data_ref().map_or(0, Bytes::len));
            if left == 0 {
                break;
            }
        }
    };
    let _ = timeout(DRAIN_TIME, reading).await;
}

fn stated_length(headers: &HeaderMap) -> Option<u64> {
    headers.get(CONTENT_LENGTH)?.to_str().ok()?.parse().ok()
}
