//! Why a call was refused, as the app and its people read it.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use earlywood_chain::ChainError;
use earlywood_journal::{Error, Refusal};
use serde::Serialize;
use utoipa::ToSchema;

/// A refusal: an HTTP status, a short code for programs, plain words for people, and the field that is meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Problem {
    pub(crate) status: StatusCode,
    pub(crate) code: &'static str,
    pub(crate) words: String,
    /// The field, or file row and column, that is meant.
    pub(crate) fields: Option<String>,
    /// Seconds to wait before the next attempt.
    pub(crate) retry_after: Option<u64>,
    /// What the server's keeper must know and the caller need not.
    pub(crate) fault: Option<String>,
}

/// How a refusal is written.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Problem)]
pub(crate) struct ProblemBody {
    /// Short and fixed, for programs.
    code: &'static str,
    /// Plain words, for people.
    words: String,
    /// Field, or row and column of a file, that is meant.
    #[serde(rename = "where", skip_serializing_if = "Option::is_none")]
    place: Option<String>,
}

/// Travels with a response to whoever may tell the server's keeper.
#[derive(Debug, Clone)]
pub(crate) struct Fault(pub(crate) String);

impl Problem {
    pub(crate) fn new(status: StatusCode, code: &'static str, words: impl Into<String>) -> Self {
        Problem {
            status,
            code,
            words: words.into(),
            fields: None,
            retry_after: None,
            fault: None,
        }
    }

    /// 400: it can't be read at all.
    pub(crate) fn bad(code: &'static str, words: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, code, words)
    }

    /// 422: it was read, and one field can't be.
    pub(crate) fn field(field: &str, words: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, "bad-field", words).at(field)
    }

    /// 404.
    pub(crate) fn not_found(words: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not-found", words)
    }

    /// 401.
    pub(crate) fn signed_out() -> Self {
        Self::new(
            StatusCode::UNAUTHORIZED,
            "signed-out",
            "you are not signed in, or were signed out; sign in again",
        )
    }

    /// 403.
    pub(crate) fn not_entitled(words: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "not-entitled", words)
    }

    /// 503.
    pub(crate) fn busy() -> Self {
        Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "busy",
            "the server has too much to do; try again in a moment",
        )
        .after(2)
    }

    /// 500: the server's own fault, whose details are for its keeper.
    pub(crate) fn fault(detail: impl ToString) -> Self {
        let mut problem = Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "server-fault",
            "the server could not do this and has changed nothing; its keeper can see why; try again later",
        );
        problem.fault = Some(detail.to_string());
        problem
    }

    /// The same, naming the field that is meant.
    pub(crate) fn at(mut self, field: impl Into<String>) -> Self {
        self.fields = Some(field.into());
        self
    }

    /// The same, to be tried again after some seconds.
    pub(crate) fn after(mut self, seconds: u64) -> Self {
        self.retry_after = Some(seconds);
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = ProblemBody {
            code: self.code,
            words: self.words,
            place: self.fields,
        };
        let mut response = (self.status, axum::Json(body)).into_response();
        if let Some(seconds) = self.retry_after {
            response
                .headers_mut()
                .insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if let Some(fault) = self.fault {
            response.extensions_mut().insert(Fault(fault));
        }
        response
    }
}

impl From<Error> for Problem {
    fn from(error: Error) -> Self {
        let index = error.index();
        if let Some(refusal) = error.refusal() {
            return of_refusal(refusal, error.to_string(), index);
        }
        let unprocessable = |code| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, code, error.to_string());
        match &error {
            Error::Body { .. } => unprocessable("bad-body"),
            Error::Exchange(_) => unprocessable("refused"),
            Error::Busy => Problem {
                words: error.to_string(),
                ..Problem::busy()
            },
            // These words help whoever reads them: somebody in the office can go and look.
            Error::DiskFull
            | Error::ReadOnly(_)
            | Error::Key(_)
            | Error::Server { .. }
            | Error::Unknown { .. } => Problem {
                words: error.to_string(),
                ..Problem::fault(&error)
            },
            _ => Problem::fault(&error),
        }
    }
}

impl From<ChainError> for Problem {
    fn from(error: ChainError) -> Self {
        match error {
            ChainError::Journal(error) => error.into(),
            // What was being done is worth saying, unless it was the server's own fault.
            ChainError::Within { source, .. } if matches!(source.root(), ChainError::Journal(_)) => {
                (*source).into()
            }
            error => {
                let status = match error.root() {
                    ChainError::Unknown { .. } => StatusCode::NOT_FOUND,
                    _ => StatusCode::UNPROCESSABLE_ENTITY,
                };
                let mut problem = Problem::new(status, error.code(), error.words());
                problem.fields = error.field().map(str::to_owned);
                problem
            }
        }
    }
}

fn of_refusal(refusal: &Refusal, words: String, index: Option<usize>) -> Problem {
    let unprocessable = |code| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, code, words.clone());
    let place = |field: &str| match index {
        Some(i) => format!("{i}.{field}"),
        None => field.to_owned(),
    };
    match refusal {
        Refusal::NotEntitled { .. } => Problem::not_entitled(words),
        Refusal::Field { field, .. } | Refusal::FutureDate { field, .. } => {
            unprocessable("bad-field").at(place(field))
        }
        Refusal::FutureTime { .. } => unprocessable("bad-field").at(place("event_time")),
        Refusal::DatesReversed { later, .. } => unprocessable("bad-field").at(place(later)),
        _ => match index {
            Some(i) => unprocessable("refused").at(i.to_string()),
            None => unprocessable("refused"),
        },
    }
}
