//! The server: who may ask, what is answered, and the bounds on all of it.

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header as http_header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use earlywood_journal::Hash;
use earlywood_journal::sync::{self, Accepted, Bundle, Limit, Limits, Offer, Scope, SyncError, hex, unhex};
use http_body_util::BodyExt;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use serde::{Deserialize, Serialize};
use tokio::net::TcpListener;
use tokio::sync::{Mutex, Semaphore};
use tokio::time::{sleep, timeout};
use tower::ServiceExt as _;
use uuid::Uuid;

use crate::auth::{Challenge, Challenges, Stale, header, is_signed, reply_message, request_message};
use crate::office::{Opened, Peer};
use crate::tls::Tls;
use crate::{CopyError, PROTOCOL, ProgrammeCopy};

/// Is told, in words, of a fault of the server's own.
pub type OnFault = Arc<dyn Fn(&str) + Send + Sync>;

/// What the server puts up with. All defaults are design choices.
#[derive(Clone)]
pub struct Config {
    /// Whether other machines may reach it. Without this only loopback addresses are listened on. The calls themselves are
    /// signed but not encrypted: put a TLS proxy or a private network in front.
    pub allow_remote: bool,
    /// Most bytes of one request's body, as sent. Default 64 MiB.
    pub max_body: u32,
    /// Most bytes of all bodies that are being received at one time; not below `max_body`. Default 256 MiB.
    pub body_budget: u32,
    /// Most requests at work at one time; others wait, then get 503. Default 256.
    pub max_requests: usize,
    /// Most open connections. Default 1 024.
    pub max_connections: usize,
    /// Longest one request may take. Default 5 minutes.
    pub request_timeout: Duration,
    /// Longest wait for the next bytes of a request, or for room to work on it. Default 20 s.
    pub idle_timeout: Duration,
    /// How long a challenge counts. Default 2 minutes.
    pub challenge_life: Duration,
    /// Most of what one reply holds.
    pub reply: Limit,
    /// Bounds on what a request unpacks to.
    pub limits: Limits,
    /// Told of faults that are the server's own and not for the other side to read.
    pub on_fault: Option<OnFault>,
}

impl Default for Config {
    fn default() -> Self {
        Config {
            allow_remote: false,
            max_body: 64 << 20,
            body_budget: 256 << 20,
            max_requests: 256,
            max_connections: 1_024,
            request_timeout: Duration::from_secs(300),
            idle_timeout: Duration::from_secs(20),
            challenge_life: Duration::from_secs(120),
            reply: Limit::default(),
            limits: Limits::default(),
            on_fault: None,
        }
    }
}

/// Why the server does not run.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The office.
    #[error(transparent)]
    Office(#[from] crate::office::OfficeError),
    /// An address that other machines can reach was not asked for.
    #[error(
        "{0} can be reached from other machines; listen on 127.0.0.1, or say that this is wanted (allow remote)"
    )]
    NotLoopback(SocketAddr),
    /// The address can't be listened on.
    #[error("can't listen on {address}: {why}")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// What the system says.
        why: std::io::Error,
    },
    /// The system gives no random bytes.
    #[error("the system gives no random numbers: {0}")]
    Random(#[from] getrandom::Error),
}

type Shared = Arc<Mutex<Box<dyn ProgrammeCopy + Send>>>;

struct Inner {
    /// The one writer: whoever holds it works on the journal, on a thread that may block.
    copy: Shared,
    /// The office over the same file, where there is one: what a phone needs for its day is reckoned there.
    office: Option<crate::office::App>,
    programme: Uuid,
    device: Uuid,
    challenges: Challenges,
    config: Config,
    requests: Semaphore,
    /// KiB of bodies that may still be received.
    body_kib: Semaphore,
    /// Unpacking takes memory: one at a time for each core.
    unpacking: Semaphore,
}

type App = Arc<Inner>;

/// Most used challenges that are remembered; they are forgotten when they expire. 200 000 in two minutes are 1 600 requests a second.
const MOST_USED: usize = 200_000;
/// How long running requests get to finish when the server stops.
const GRACE: Duration = Duration::from_secs(10);
/// Most bytes of a request that are read and thrown away so that its sender can hear why it was refused.
const DRAIN_BYTES: usize = 4 << 20;
const DRAIN_TIME: Duration = Duration::from_secs(5);
/// Most bytes of a small JSON request, and of an offer.
const SMALL_BODY: u32 = 4 << 10;
const OFFER_BODY: u32 = 2 << 20;
/// How messages of the journal are written.
const NDJSON: &str = "application/x-ndjson";

/// The calls, without a listener: for use inside another server.
///
/// # Errors
/// The system gives no random bytes.
pub fn router(copy: impl ProgrammeCopy + Send + 'static, config: Config) -> Result<Router, ServeError> {
    let app = inner(copy, config, None)?;
    Ok(bounded(
        sync_routes(app.clone())
            .fallback(no_such_call)
            .method_not_allowed_fallback(wrong_method),
        app,
    ))
}

/// The sync calls and all of an office's, without a listener.
pub(crate) fn office_router(office: &crate::office::App, config: Config) -> Result<Router, ServeError> {
    let app = inner(office.copy(), config, Some(office.clone()))?;
    let routes = sync_routes(app.clone()).merge(crate::office::router(office));
    Ok(crate::office::surround(bounded(routes, app), office))
}

fn inner(
    copy: impl ProgrammeCopy + Send + 'static,
    config: Config,
    office: Option<crate::office::App>,
) -> Result<App, ServeError> {
    Ok(Arc::new(Inner {
        programme: copy.programme(),
        device: copy.device(),
        copy: Arc::new(Mutex::new(Box::new(copy))),
        office,
        challenges: Challenges::new(config.challenge_life, MOST_USED)?,
        requests: Semaphore::new(config.max_requests),
        body_kib: Semaphore::new(kib(config.body_budget.max(config.max_body)) as usize),
        unpacking: Semaphore::new(std::thread::available_parallelism().map_or(1, usize::from)),
        config,
    }))
}

fn sync_routes(app: App) -> Router {
    let days = app.office.is_some();
    let routes = Router::new()
        .route("/api/1/about", get(about))
        .route("/api/1/sync/challenge", post(challenge))
        .route("/api/1/sync/offer", post(offer))
        .route("/api/1/sync/exchange", post(exchange))
        .route("/api/1/sync/give", post(give));
    let routes = if days {
        routes.route("/api/1/phone/day", post(day))
    } else {
        routes
    };
    routes.with_state(app)
}

fn bounded(router: Router, app: App) -> Router {
    router.layer(from_fn_with_state(app, bounds))
}

/// The sync calls, for the office's document of all calls.
#[derive(utoipa::OpenApi)]
#[openapi(paths(about, challenge, offer, exchange, give, day))]
pub(crate) struct Document;

async fn no_such_call() -> Refusal {
    Refusal::new(
        StatusCode::NOT_FOUND,
        "no-such-call",
        "there is no such call here",
    )
}

async fn wrong_method() -> Refusal {
    Refusal::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "wrong-method",
        "this call is made with another HTTP method",
    )
}

/// A listening server.
pub struct Server {
    listener: TcpListener,
    address: SocketAddr,
    router: Router,
    config: Config,
    tls: Option<Tls>,
}

impl Server {
    /// Listens on `address` (port 0: any free one) for copies of the programme that `copy` is one of.
    ///
    /// # Errors
    /// An address beyond loopback without `allow_remote`; one that can't be listened on.
    pub async fn bind(
        copy: impl ProgrammeCopy + Send + 'static,
        address: SocketAddr,
        config: Config,
    ) -> Result<Self, ServeError> {
        Self::listen(router(copy, config.clone())?, address, config, None).await
    }

    /// Listens on `address` for people at the office, for phones, and for other copies. With `tls` the connections are
    /// encrypted. `office` is told whether the address is this machine's alone, and whether there is TLS.
    ///
    /// # Errors
    /// As [`Server::bind`].
    pub async fn office(
        office: &Opened,
        address: SocketAddr,
        config: Config,
        tls: Option<Tls>,
    ) -> Result<Self, ServeError> {
        Self::listen(office_router(&office.app, config.clone())?, address, config, tls).await
    }

    async fn listen(
        router: Router,
        address: SocketAddr,
        config: Config,
        tls: Option<Tls>,
    ) -> Result<Self, ServeError> {
        if !config.allow_remote && !address.ip().to_canonical().is_loopback() {
            return Err(ServeError::NotLoopback(address));
        }
        let listen = |why| ServeError::Listen { address, why };
        let listener = TcpListener::bind(address).await.map_err(listen)?;
        Ok(Server {
            address: listener.local_addr().map_err(listen)?,
            router,
            listener,
            config,
            tls,
        })
    }

    /// The address that is listened on.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Serves until `stop` is done; then takes no more connections and gives running requests ten seconds to finish.
    pub async fn run(self, stop: impl Future<Output = ()>) {
        let connections = Arc::new(Semaphore::new(self.config.max_connections));
        let graceful = GracefulShutdown::new();
        let mut http = hyper::server::conn::http1::Builder::new();
        http.timer(TokioTimer::new())
            .header_read_timeout(self.config.idle_timeout)
            .max_buf_size(64 << 10);
        let mut stop = std::pin::pin!(stop);
        loop {
            let next = async {
                // The semaphore is never closed; if it were, no more connections would be taken.
                let permit = connections.clone().acquire_owned().await.ok()?;
                Some((permit, self.listener.accept().await))
            };
            let accepted = tokio::select! {
                () = &mut stop => break,
                accepted = next => accepted,
            };
            match accepted {
                Some((permit, Ok((stream, peer)))) => {
                    // Small replies go out at once; without it they wait for the other side's word on the bytes before.
                    let _ = stream.set_nodelay(true);
                    let router =
                        self.router
                            .clone()
                            .map_request(move |mut request: axum::http::Request<_>| {
                                request.extensions_mut().insert(Peer(peer.ip()));
                                request
                            });
                    let service = TowerToHyperService::new(router);
                    let (http, watcher) = (http.clone(), graceful.watcher());
                    let (tls, patience) = (self.tls.clone(), self.config.idle_timeout);
                    tokio::spawn(async move {
                        // What breaks a connection is the other side's affair; it will ask again.
                        match tls {
                            None => drop(
                                watcher
                                    .watch(http.serve_connection(TokioIo::new(stream), service))
                                    .await,
                            ),
                            Some(Tls(acceptor)) => {
                                if let Ok(Ok(stream)) = timeout(patience, acceptor.accept(stream)).await {
                                    drop(
                                        watcher
                                            .watch(http.serve_connection(TokioIo::new(stream), service))
                                            .await,
                                    );
                                }
                            }
                        }
                        drop(permit);
                    });
                }
                // Out of file handles, or a connection that was gone at once: go on, not too fast.
                Some((_, Err(_))) => sleep(Duration::from_millis(50)).await,
                None => break,
            }
        }
        drop(self.listener);
        let _ = timeout(GRACE, graceful.shutdown()).await;
    }
}

/// What the other side reads when it gets nothing else.
struct Refusal {
    status: StatusCode,
    code: &'static str,
    words: String,
}

impl Refusal {
    fn new(status: StatusCode, code: &'static str, words: impl Into<String>) -> Self {
        Refusal {
            status,
            code,
            words: words.into(),
        }
    }

    fn bad(code: &'static str, words: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, code, words)
    }

    fn too_large(limit: u64) -> Self {
        Self::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "too-large",
            format!("this request is larger than the {limit} bytes that are taken here; send less at a time"),
        )
    }

    fn busy() -> Self {
        Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "busy",
            "the server has too much to do; try again in a moment",
        )
    }

    fn slow() -> Self {
        Self::new(
            StatusCode::REQUEST_TIMEOUT,
            "too-slow",
            "the request did not arrive in time; send less at a time",
        )
    }

    fn wrong_programme(ours: Uuid) -> Self {
        Self::new(
            StatusCode::CONFLICT,
            "wrong-programme",
            format!("this server keeps programme {ours}, and yours is another: they are not merged"),
        )
    }
}

impl From<Stale> for Refusal {
    fn from(stale: Stale) -> Self {
        let unauthorized = |code, words| Refusal::new(StatusCode::UNAUTHORIZED, code, words);
        match stale {
            Stale::Expired => unauthorized(
                "challenge-expired",
                "the challenge has expired or was made for another device; ask for a new one",
            ),
            Stale::Used => unauthorized(
                "challenge-used",
                "the challenge was used before; ask for a new one for every request",
            ),
            Stale::Full => Refusal::busy(),
        }
    }
}

impl From<SyncError> for Refusal {
    fn from(e: SyncError) -> Self {
        match e {
            SyncError::TooMuch { limit, .. } => {
                let mut refusal = Refusal::too_large(limit);
                refusal.words = format!("{e}; send less at a time");
                refusal
            }
            e => Refusal::bad("bad-message", e.to_string()),
        }
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let body = serde_json::json!({"code": self.code, "words": self.words}).to_string();
        let mut response = (
            self.status,
            [(http_header::CONTENT_TYPE, "application/json")],
            body,
        )
            .into_response();
        if self.status == StatusCode::SERVICE_UNAVAILABLE {
            let headers = response.headers_mut();
            headers.insert(http_header::RETRY_AFTER, HeaderValue::from_static("2"));
        }
        response
    }
}

/// Bounds on the number of requests at work and on the time of each.
async fn bounds(State(app): State<App>, request: Request, next: Next) -> Response {
    let Ok(Ok(_permit)) = timeout(app.config.idle_timeout, app.requests.acquire()).await else {
        return Refusal::busy().into_response();
    };
    match timeout(app.config.request_timeout, next.run(request)).await {
        Ok(response) => response,
        Err(_) => Refusal::slow().into_response(),
    }
}

fn json(value: &impl Serialize) -> Response {
    match serde_json::to_string(value) {
        Ok(text) => ([(http_header::CONTENT_TYPE, "application/json")], text).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// What serves here, and what of.
#[derive(serde::Serialize, utoipa::ToSchema)]
struct About {
    program: &'static str,
    /// Version of the calls.
    protocol: u32,
    /// Version of the sync message.
    message: u64,
    /// Id of the programme.
    programme: Uuid,
}

/// What is served here.
#[utoipa::path(get, path = "/api/1/about", tag = "sync", security(),
    responses((status = 200, body = About),
        (status = "4XX", body = crate::office::ProblemBody)),
    extensions(("x-earlywood-right" = json!("public"))))]
async fn about(State(app): State<App>) -> Response {
    json(&About {
        program: "earlywood",
        protocol: PROTOCOL,
        message: sync::VERSION,
        programme: app.programme,
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChallengeRequest {
    device: Uuid,
}

#[derive(Serialize)]
struct ChallengeReply {
    challenge: String,
    expires_in_s: u64,
}

/// A challenge for a device's next call.
#[utoipa::path(post, path = "/api/1/sync/challenge", tag = "sync", security(),
    request_body(content = String, content_type = "application/json"),
    responses((status = 200, body = String, content_type = "application/json"),
        (status = "4XX", body = crate::office::ProblemBody)),
    extensions(("x-earlywood-right" = json!("public"))))]
async fn challenge(State(app): State<App>, headers: HeaderMap, body: Body) -> Result<Response, Refusal> {
    let length = content_length(&headers, SMALL_BODY);
    let mut body = body;
    let length = match length {
        Ok(length) => length,
        Err(refusal) => return Err(after_draining(body, refusal).await),
    };
    let bytes = receive(&app, &mut body, length).await?;
    let request: ChallengeRequest = serde_json::from_slice(&bytes).map_err(|_| {
        Refusal::bad(
            "bad-request",
            "a challenge is asked for with {\"device\": \"its id\"}",
        )
    })?;
    let challenge = app.new_challenge(request.device)?;
    Ok(json(&ChallengeReply {
        challenge: hex(&challenge),
        expires_in_s: app.config.challenge_life.as_secs(),
    }))
}

/// How far each side has come.
#[utoipa::path(post, path = "/api/1/sync/offer", tag = "sync", security(("device" = [])),
    request_body(content = String, content_type = "application/x-ndjson"),
    responses((status = 200, body = String, content_type = "application/x-ndjson"),
        (status = "4XX", body = crate::office::ProblemBody)),
    extensions(("x-earlywood-right" = json!("device"))))]
async fn offer(State(app): State<App>, headers: HeaderMap, body: Body) -> Result<Response, Refusal> {
    let (caller, bytes) = admit(&app, &headers, "offer", OFFER_BODY, body).await?;
    let limits = app.config.limits;
    let theirs = app
        .unpack(move || read_offer(&bytes, caller.gzip, &limits))
        .await?;
    if theirs.programme != app.programme {
        return Err(Refusal::wrong_programme(app.programme));
    }
    let ours = app.with_copy(|copy| copy.offer()).await?;
    let packed = app.pack_offer(ours, caller.wants_gzip).await?;
    reply(&app, &caller, "", packed, NDJSON).await
}

/// Takes what is new, and gives what the other side lacks.
#[utoipa::path(post, path = "/api/1/sync/exchange", tag = "sync", security(("device" = [])),
    request_body(content = String, content_type = "application/x-ndjson"),
    responses((status = 200, body = String, content_type = "application/x-ndjson"),
        (status = "4XX", body = crate::office::ProblemBody)),
    extensions(("x-earlywood-right" = json!("device"))))]
async fn exchange(State(app): State<App>, headers: HeaderMap, body: Body) -> Result<Response, Refusal> {
    let (caller, bytes) = admit(&app, &headers, "exchange", app.config.max_body, body).await?;
    let limits = app.config.limits;
    let theirs = app
        .unpack(move || read_bundle(&bytes, caller.gzip, &limits))
        .await?;
    if theirs.programme != app.programme {
        return Err(Refusal::wrong_programme(app.programme));
    }
    let limit = Limit {
        bytes: caller
            .reply_bytes
            .unwrap_or(usize::MAX)
            .min(app.config.reply.bytes),
        ..app.config.reply
    };
    let scope = caller.scope;
    let (accepted, ours) = app
        .with_copy(move |copy| {
            let accepted = copy.accept(jiff::Timestamp::now(), &theirs)?;
            Ok((accepted, copy.bundle(&theirs.offer(), scope, limit)?))
        })
        .await?;
    let zip = caller.wants_gzip;
    let packed = app
        .unpack(move || write_bundle(&ours, zip))
        .await
        .map_err(|refusal| app.own_fault(&refusal.words))?;
    reply(&app, &caller, &accepted_text(accepted), packed, NDJSON).await
}

/// A phone gives what it has; the reply says how far this side has come with that.
#[utoipa::path(post, path = "/api/1/sync/give", tag = "sync", security(("device" = [])),
    request_body(content = String, content_type = "application/x-ndjson"),
    responses((status = 200, body = String, content_type = "application/x-ndjson"),
        (status = "4XX", body = crate::office::ProblemBody)),
    extensions(("x-earlywood-right" = json!("device"))))]
async fn give(State(app): State<App>, headers: HeaderMap, body: Body) -> Result<Response, Refusal> {
    let (mut caller, bytes) = admit(&app, &headers, "give", app.config.max_body, body).await?;
    app.holder_of(caller.device).await?;
    let limits = app.config.limits;
    let theirs = app
        .unpack(move || read_bundle(&bytes, caller.gzip, &limits))
        .await?;
    if theirs.programme != app.programme {
        return Err(Refusal::wrong_programme(app.programme));
    }
    let (accepted, ours) = app
        .with_copy(move |copy| Ok((copy.accept(jiff::Timestamp::now(), &theirs)?, copy.offer()?)))
        .await?;
    // A browser unpacks what it gets before a page sees it, and the hash is over what was sent: plain, then.
    caller.wants_gzip = false;
    let packed = app.pack_offer(ours, false).await?;
    reply(&app, &caller, &accepted_text(accepted), packed, NDJSON).await
}

/// The day that a phone asks about: the server's own today when left out.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct DayAsked {
    today: Option<jiff::civil::Date>,
}

/// All that a phone needs for its holder's day off the network.
#[utoipa::path(post, path = "/api/1/phone/day", tag = "sync", security(("device" = [])),
    request_body(content = String, content_type = "application/json"),
    responses((status = 200, body = String, content_type = "application/json"),
        (status = "4XX", body = crate::office::ProblemBody)),
    extensions(("x-earlywood-right" = json!("device"))))]
async fn day(State(app): State<App>, headers: HeaderMap, body: Body) -> Result<Response, Refusal> {
    let (mut caller, bytes) = admit(&app, &headers, "day", SMALL_BODY, body).await?;
    let person = app.holder_of(caller.device).await?;
    let asked: DayAsked = match bytes.is_empty() {
        true => DayAsked::default(),
        false => serde_json::from_slice(&bytes).map_err(|_| {
            Refusal::bad(
                "bad-request",
                "a day is asked for with {\"today\": \"2026-06-01\"} or {}",
            )
        })?,
    };
    let Some(office) = &app.office else {
        return Err(no_such_call().await);
    };
    // Packed as the content itself, for the page to unpack: a browser would unpack an encoding before the hash is compared.
    let zip = std::mem::take(&mut caller.wants_gzip);
    let packed = crate::office::phone_day(office, person, asked.today, zip).await;
    let packed = packed.map_err(|problem| match problem.fault {
        Some(fault) => app.own_fault(&fault),
        None => Refusal::new(problem.status, problem.code, problem.words),
    })?;
    let media_type = if zip {
        "application/gzip"
    } else {
        "application/json"
    };
    reply(&app, &caller, "", packed, media_type).await
}

fn read_offer(bytes: &[u8], gzip: bool, limits: &Limits) -> Result<Offer, SyncError> {
    if gzip {
        sync::decode_offer_gzip(bytes, limits)
    } else {
        sync::decode_offer(bytes, limits)
    }
}

fn read_bundle(bytes: &[u8], gzip: bool, limits: &Limits) -> Result<Bundle, SyncError> {
    if gzip {
        sync::decode_gzip(bytes, limits)
    } else {
        sync::decode(bytes, limits)
    }
}

fn write_bundle(bundle: &Bundle, gzip: bool) -> Result<Vec<u8>, SyncError> {
    let mut out = Vec::new();
    if gzip {
        sync::encode_gzip(bundle, &mut out)?;
    } else {
        sync::encode(bundle, &mut out)?;
    }
    Ok(out)
}

/// What became of the request's bundle, as JSON in ASCII short enough for a header.
fn accepted_text(mut accepted: Accepted) -> String {
    // Both are design choices: with them the header stays below 8 KiB.
    const MOST_HELD: usize = 16;
    const MOST_CHARS: usize = 60;
    accepted.held_back.truncate(MOST_HELD);
    for held in &mut accepted.held_back {
        if held.why.chars().count() > MOST_CHARS * 4 {
            held.why = held.why.chars().take(MOST_CHARS * 4).chain(['…']).collect();
        }
    }
    // A struct of numbers and strings always has a JSON text.
    let text = serde_json::to_string(&accepted).unwrap_or_default();
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_ascii() {
            out.push(c);
        } else {
            let mut units = [0; 2];
            for unit in c.encode_utf16(&mut units) {
                out += &format!("\\u{unit:04x}");
            }
        }
    }
    out
}

/// A device whose request is good so far.
#[derive(Debug, Clone, Copy)]
struct Caller {
    device: Uuid,
    scope: Scope,
    challenge: Challenge,
    gzip: bool,
    wants_gzip: bool,
    reply_bytes: Option<usize>,
}

/// Lets a request in: only that of an enrolled device is read at all.
async fn admit(
    app: &App,
    headers: &HeaderMap,
    call: &str,
    max_body: u32,
    mut body: Body,
) -> Result<(Caller, Bytes), Refusal> {
    let known = async {
        let length = content_length(headers, max_body)?;
        let (caller, hash) = identify(app, headers, call).await?;
        Ok((caller, hash, length))
    };
    let (caller, hash, length) = match known.await {
        Ok(known) => known,
        Err(refusal) => return Err(after_draining(body, refusal).await),
    };
    let bytes = receive(app, &mut body, length).await?;
    if Hash::of(&bytes) != hash {
        return Err(Refusal::bad(
            "body-altered",
            "the request's body is not the one that was signed: it was altered or cut off on its way",
        ));
    }
    Ok((caller, bytes))
}

async fn identify(app: &App, headers: &HeaderMap, call: &str) -> Result<(Caller, Hash), Refusal> {
    let programme = uuid_field(headers, header::PROGRAMME)?;
    let device = uuid_field(headers, header::DEVICE)?;
    let challenge: Challenge = hex_field(headers, header::CHALLENGE)?;
    let hash = Hash(hex_field(headers, header::BODY_HASH)?);
    let signature: [u8; 64] = hex_field(headers, header::SIGNATURE)?;
    let caller = Caller {
        device,
        scope: Scope::Partner,
        challenge,
        gzip: is_gzip(headers)?,
        wants_gzip: text(headers, http_header::ACCEPT_ENCODING.as_str()).is_some_and(|v| v.contains("gzip")),
        reply_bytes: text(headers, header::REPLY_BYTES).and_then(|v| v.parse().ok()),
    };
    if programme != app.programme {
        return Err(Refusal::wrong_programme(app.programme));
    }
    app.challenges.check(device, &challenge, Instant::now())?;
    let enrolled = app.with_copy(move |copy| copy.device_key(device)).await?;
    let Some((key, scope)) = enrolled else {
        return Err(Refusal::new(
            StatusCode::FORBIDDEN,
            "not-enrolled",
            format!(
                "device {device} is not enrolled in this programme, or was withdrawn from it; \
                 ask the programme lead to enrol it"
            ),
        ));
    };
    if !is_signed(
        &key,
        &request_message(programme, device, call, &challenge, hash),
        &signature,
    ) {
        return Err(Refusal::new(
            StatusCode::UNAUTHORIZED,
            "bad-signature",
            "the request is not signed with the key that this device was enrolled with",
        ));
    }
    app.challenges.use_up(&challenge, Instant::now())?;
    app.with_copy(move |copy| {
        copy.heard(device);
        Ok(())
    })
    .await?;
    Ok((Caller { scope, ..caller }, hash))
}

fn text<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers.get(name)?.to_str().ok()
}

fn field<T>(headers: &HeaderMap, name: &str, read: impl FnOnce(&str) -> Option<T>) -> Result<T, Refusal> {
    text(headers, name).and_then(read).ok_or_else(|| {
        Refusal::bad(
            "bad-header",
            format!("the header field {name} is missing or malformed"),
        )
    })
}

fn uuid_field(headers: &HeaderMap, name: &str) -> Result<Uuid, Refusal> {
    field(headers, name, |text| Uuid::try_parse(text).ok())
}

fn hex_field<const N: usize>(headers: &HeaderMap, name: &str) -> Result<[u8; N], Refusal> {
    field(headers, name, |text| unhex(text)?.try_into().ok())
}

fn is_gzip(headers: &HeaderMap) -> Result<bool, Refusal> {
    match text(headers, http_header::CONTENT_ENCODING.as_str()) {
        None | Some("identity") => Ok(false),
        Some("gzip") => Ok(true),
        Some(_) => Err(Refusal::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "bad-encoding",
            "a body is sent as it is, or with content-encoding gzip",
        )),
    }
}

fn content_length(headers: &HeaderMap, max: u32) -> Result<u32, Refusal> {
    let stated = text(headers, http_header::CONTENT_LENGTH.as_str()).and_then(|v| v.parse::<u64>().ok());
    match stated {
        None => Err(Refusal::new(
            StatusCode::LENGTH_REQUIRED,
            "length-missing",
            "a request states its length (content-length)",
        )),
        Some(length) => u32::try_from(length)
            .ok()
            .filter(|length| *length <= max)
            .ok_or_else(|| Refusal::too_large(max.into())),
    }
}

fn kib(bytes: u32) -> u32 {
    bytes.div_ceil(1 << 10).max(1)
}

/// Receives a body of the stated length, within what may be received at one time.
async fn receive(app: &App, body: &mut Body, length: u32) -> Result<Bytes, Refusal> {
    let room = timeout(app.config.idle_timeout, app.body_kib.acquire_many(kib(length))).await;
    let Ok(Ok(_room)) = room else {
        return Err(Refusal::busy());
    };
    let cut_off = || Refusal::bad("cut-off", "the request was cut off on its way; send it again");
    let mut bytes = Vec::new();
    loop {
        match timeout(app.config.idle_timeout, body.frame()).await {
            Err(_) => return Err(Refusal::slow()),
            Ok(None) => break,
            Ok(Some(Err(_))) => return Err(cut_off()),
            Ok(Some(Ok(frame))) => {
                if let Some(data) = frame.data_ref() {
                    bytes.extend_from_slice(data);
                }
            }
        }
        if bytes.len() > length as usize {
            return Err(Refusal::too_large(length.into()));
        }
    }
    if bytes.len() == length as usize {
        Ok(bytes.into())
    } else {
        Err(cut_off())
    }
}

/// Reads some of a refused request first: a sender that is still sending would not hear the answer.
async fn after_draining(mut body: Body, refusal: Refusal) -> Refusal {
    let drain = async {
        let mut left = DRAIN_BYTES;
        while let Some(Ok(frame)) = body.frame().await {
            left = left.saturating_sub(frame.data_ref().map_or(0, Bytes::len));
            if left == 0 {
                break;
            }
        }
    };
    let _ = timeout(DRAIN_TIME, drain).await;
    refusal
}

/// The signed reply, with a challenge for the next request.
async fn reply(
    app: &App,
    caller: &Caller,
    accepted: &str,
    packed: Vec<u8>,
    media_type: &str,
) -> Result<Response, Refusal> {
    let hash = Hash::of(&packed);
    let message = reply_message(app.programme, app.device, &caller.challenge, accepted, hash);
    let signature = app.with_copy(move |copy| copy.sign(&message)).await?;
    let next = app.new_challenge(caller.device)?;
    let mut response = Response::new(Body::from(packed));
    let mut put = |name: &'static str, value: String| {
        // Hex, ids, numbers and JSON in ASCII are all good header values.
        if let Ok(value) = HeaderValue::from_str(&value) {
            response
                .headers_mut()
                .insert(HeaderName::from_static(name), value);
        }
    };
    put(header::DEVICE, app.device.to_string());
    put(header::BODY_HASH, hash.to_string());
    put(header::SIGNATURE, hex(&signature));
    put(header::CHALLENGE, hex(&next));
    if !accepted.is_empty() {
        put(header::ACCEPTED, accepted.to_owned());
    }
    put("content-type", media_type.into());
    if caller.wants_gzip {
        put("content-encoding", "gzip".into());
    }
    Ok(response)
}

impl Inner {
    fn new_challenge(&self, device: Uuid) -> Result<Challenge, Refusal> {
        self.challenges
            .make(device, Instant::now())
            .map_err(|e| self.own_fault(&e.to_string()))
    }

    /// A fault of the server's own: its words are for its keeper, not for the other side.
    fn own_fault(&self, words: &str) -> Refusal {
        if let Some(tell) = &self.config.on_fault {
            tell(words);
        }
        Refusal::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "server-fault",
            "the server could not do this and has changed nothing; its keeper can see why; try again later",
        )
    }

    /// The person who holds a device. Calls for phones are for nobody else: an office's machine takes the whole journal.
    async fn holder_of(&self, device: Uuid) -> Result<String, Refusal> {
        let holder = self.with_copy(move |copy| copy.holder(device)).await?;
        holder.ok_or_else(|| {
            Refusal::new(
                StatusCode::FORBIDDEN,
                "no-holder",
                "this call is for a device that is held by a person who has a role today; ask the programme lead",
            )
        })
    }

    async fn pack_offer(&self, ours: Offer, zip: bool) -> Result<Vec<u8>, Refusal> {
        let pack = move || {
            let mut out = Vec::new();
            match zip {
                true => sync::encode_offer_gzip(&ours, &mut out),
                false => sync::encode_offer(&ours, &mut out),
            }
            .map(|()| out)
        };
        self.unpack(pack)
            .await
            .map_err(|refusal| self.own_fault(&refusal.words))
    }

    /// Works on the journal, alone, on a thread that may block. What was begun is finished even if the request is cut off.
    async fn with_copy<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut dyn ProgrammeCopy) -> Result<T, CopyError> + Send + 'static,
    ) -> Result<T, Refusal> {
        let mut copy = self.copy.clone().lock_owned().await;
        match tokio::task::spawn_blocking(move || work(&mut **copy)).await {
            Ok(Ok(done)) => Ok(done),
            Ok(Err(e)) => Err(self.own_fault(&e.to_string())),
            Err(e) => Err(self.own_fault(&e.to_string())),
        }
    }

    /// Packs or unpacks a message on a thread that may block.
    async fn unpack<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> Result<T, SyncError> + Send + 'static,
    ) -> Result<T, Refusal> {
        let Ok(_permit) = self.unpacking.acquire().await else {
            return Err(Refusal::busy());
        };
        match tokio::task::spawn_blocking(work).await {
            Ok(done) => Ok(done?),
            Err(e) => Err(self.own_fault(&e.to_string())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_accepted_fits_a_header() {
        let held = earlywood_journal::sync::Held {
            device: Uuid::from_u128(1),
            entries: u64::MAX,
            why: "é\n\u{1f332}\"".repeat(500),
        };
        let text = accepted_text(Accepted {
            held_back: vec![held; 100],
            ..Accepted::default()
        });
        assert!(text.len() < 32 << 10 && HeaderValue::from_str(&text).is_ok());
        let back: Accepted = serde_json::from_str(&text).unwrap();
        assert_eq!(back.held_back.len(), 16);
        assert!(back.held_back[0].why.starts_with("é\n\u{1f332}\"é"));
    }
}
