//! The office: what people see and do in the browser, and what phones ask for, over one programme file.
//!
//! Calls are JSON below `/api/1`, listed in the document at `/api/1/openapi.json`. Whoever signed in holds a cookie; what a
//! person may do is asked of the journal with every call (`caller`). Reads have a programme of their own and never wait
//! for the one writer (`state`).

mod caller;
mod drafts;
mod entries;
mod journal;
mod load;
mod map;
mod openapi;
mod paper;
mod people;
mod phone;
mod plan;
mod problem;
mod read_body;
mod response;
mod rounds;
mod signin;
mod state;
mod verifying;
mod views;
mod words;

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use earlywood_journal::Programme;
use jiff::civil::Date;
use tower_http::compression::CompressionLayer;

pub(crate) use phone::phone_day;
pub(crate) use signin::origin::Peer;
pub use signin::store::SignInError;
pub(crate) use state::App;
use state::Office;

use crate::OnFault;
pub(crate) use problem::ProblemBody;
use problem::{Fault, Problem};

/// How the office is run. All defaults are design choices.
#[derive(Clone)]
pub struct OfficeConfig {
    /// The day that it is, for demonstrations and tests; none: the system's.
    pub today: Option<Date>,
    /// Names under which the office is reached, as people type them (no port). With any given, a request to another name
    /// is refused. Names of this machine are always good.
    pub names: Vec<String>,
    /// A proxy stands in front, speaks TLS to the outside and says in `x-forwarded-for` and `x-forwarded-proto` who asked
    /// and how.
    pub behind_proxy: bool,
    /// The connections themselves are encrypted.
    pub tls: bool,
    /// Only this machine can reach it: requests to other names come from a page that wants to deceive.
    pub loopback: bool,
    /// How long a session lasts unused. Default 12 hours: a working day.
    pub session_idle: Duration,
    /// How long a session lasts in all. Default 7 days.
    pub session_life: Duration,
    /// How long a code for a device lasts. Default 15 minutes.
    pub code_life: Duration,
    /// How long an invitation lasts. Default 24 hours.
    pub invitation_life: Duration,
    /// Told of faults that are the server's own.
    pub on_fault: Option<OnFault>,
}

impl Default for OfficeConfig {
    fn default() -> Self {
        OfficeConfig {
            today: None,
            names: Vec::new(),
            behind_proxy: false,
            tls: false,
            loopback: true,
            session_idle: Duration::from_secs(12 * 3600),
            session_life: Duration::from_secs(7 * 24 * 3600),
            code_life: Duration::from_secs(15 * 60),
            invitation_life: Duration::from_secs(24 * 3600),
            on_fault: None,
        }
    }
}

/// Why the office can't be opened.
#[derive(Debug, thiserror::Error)]
pub enum OfficeError {
    /// The programme file.
    #[error(transparent)]
    Programme(#[from] earlywood_journal::Error),
    /// The sign-in file.
    #[error(transparent)]
    SignIn(#[from] SignInError),
}

/// An office that is not served yet.
pub struct Opened {
    pub(crate) app: App,
}

impl Opened {
    /// Opens the office over a programme file that is open for writing, and the sign-in file beside it.
    ///
    /// # Errors
    /// A programme without its device's key; a sign-in file that can't be used.
    pub fn new(programme: Programme, config: OfficeConfig) -> Result<Self, OfficeError> {
        Ok(Opened {
            app: Office::open(programme, config)?,
        })
    }

    /// The code with which the first account is made; none where there is one. To be shown on the server's own terminal,
    /// and nowhere else.
    pub fn first_run_code(&self) -> Option<String> {
        self.app.signin.first_run_code()
    }
}

/// All office calls and the app, to be merged with the sync calls. Needs a runtime: what was gathered in memory is written
/// down now and then.
pub(crate) fn router(app: &App) -> Router {
    tokio::spawn(signin::keep_now_and_then(Arc::downgrade(app)));
    let (calls, document) = openapi::routes().with_state(app.clone()).split_for_parts();
    let gate = Arc::new(caller::Gate::of(&document));
    calls
        .route_layer(from_fn_with_state((app.clone(), gate), caller::check))
        .merge(openapi::document_route(document))
        .layer(CompressionLayer::new().gzip(true))
        .fallback(elsewhere)
        .method_not_allowed_fallback(async || {
            Problem::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "wrong-method",
                "this call is made with another HTTP method",
            )
        })
}

/// What surrounds every reply of the office's server, those of sync too.
pub(crate) fn surround(router: Router, app: &App) -> Router {
    router.layer(from_fn_with_state(app.clone(), around))
}

async fn elsewhere(method: Method, uri: Uri, headers: HeaderMap) -> Response {
    if uri.path() == "/api" || uri.path().starts_with("/api/") {
        return Problem::new(
            StatusCode::NOT_FOUND,
            "no-such-call",
            "there is no such call here",
        )
        .into_response();
    }
    crate::assets::answer(&method, uri.path(), &headers)
}

/// MapLibre runs its workers from blobs and draws images from blobs and data. Nothing comes from other hosts.
const POLICY: &str = "default-src 'self'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; \
    media-src 'self' blob:; worker-src 'self' blob:; child-src 'self' blob:; connect-src 'self'; font-src 'self'; \
    manifest-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

const HEADERS: [(HeaderName, &str); 6] = [
    (header::CONTENT_SECURITY_POLICY, POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (
        HeaderName::from_static("permissions-policy"),
        "camera=(self), geolocation=(self), microphone=(), payment=(), usb=()",
    ),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

async fn around(State(app): State<App>, request: Request, next: Next) -> Response {
    let mut response = match check_name(&app, request.headers()) {
        Ok(()) => {
            let is_call = request.uri().path().starts_with("/api/");
            let mut response = next.run(request).await;
            if is_call {
                let headers = response.headers_mut();
                headers
                    .entry(header::CACHE_CONTROL)
                    .or_insert(HeaderValue::from_static("no-store"));
            }
            response
        }
        Err(problem) => problem.into_response(),
    };
    if let (Some(Fault(words)), Some(tell)) = (response.extensions().get::<Fault>(), &app.config.on_fault) {
        tell(words);
    }
    for (name, value) in HEADERS {
        response
            .headers_mut()
            .insert(name, HeaderValue::from_static(value));
    }
    response
}

/// A page elsewhere can have its own name point to this machine, and then read what is served here (DNS rebinding). Its
/// requests carry that name.
fn check_name(app: &App, headers: &HeaderMap) -> Result<(), Problem> {
    use signin::origin::{authority, host_of, is_loopback_name};
    let name = authority(headers).map(host_of).unwrap_or_default();
    let is_known = app
        .config
        .names
        .iter()
        .any(|known| known.eq_ignore_ascii_case(name));
    if is_known || is_loopback_name(name) || (!app.config.loopback && app.config.names.is_empty()) {
        return Ok(());
    }
    Err(Problem::new(
        StatusCode::MISDIRECTED_REQUEST,
        "wrong-host",
        format!("this server is not reached under the name {name:?}; its keeper can add it (--name)"),
    ))
}
