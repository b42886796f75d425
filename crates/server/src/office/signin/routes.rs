//! The calls of sign-in.

use std::net::IpAddr;
use std::sync::Arc;
use std::time::Instant;

use axum::extract::{FromRequestParts, State};
use axum::http::header::SET_COOKIE;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use earlywood_journal::Role;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::limits::Key;
use super::session::{self, Token};
use super::store::KeptCode;
use super::{code, origin, password};
use crate::office::caller::{Caller, Right, is_safe};
use crate::office::problem::{Problem, ProblemBody};
use crate::office::read_body::Json;
use crate::office::state::{App, Office};

pub(crate) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(me))
        .routes(routes!(first_run))
        .routes(routes!(sign_in))
        .routes(routes!(sign_out))
        .routes(routes!(new_password))
        .routes(routes!(invite))
        .routes(routes!(accept))
}

/// Somebody who need not be signed in. What changes something must come from a page of this server's own.
pub(crate) struct Visitor {
    pub(crate) address: IpAddr,
    pub(crate) token: Option<Token>,
    pub(crate) headers: HeaderMap,
}

impl FromRequestParts<Arc<Office>> for Visitor {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, office: &Arc<Office>) -> Result<Self, Problem> {
        if !is_safe(&parts.method) {
            origin::check(office, parts)?;
        }
        Ok(Visitor {
            address: origin::address(office, &parts.headers, &parts.extensions),
            token: Token::of(&parts.headers),
            headers: parts.headers.clone(),
        })
    }
}

/// Who is signed in, and what a page must know at its start.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Me {
    /// Until somebody has a password.
    first_run: bool,
    #[schema(value_type = String, format = Date)]
    today: Date,
    /// Count of entries.
    #[serde(skip_serializing_if = "Option::is_none")]
    revision: Option<u64>,
    programme: ProgrammeName,
    #[serde(skip_serializing_if = "Option::is_none")]
    person: Option<String>,
    /// As it stands in the side table.
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Vec<String>>)]
    roles: Option<Vec<Role>>,
    /// To be sent as `x-earlywood-csrf` with every call that changes something.
    #[serde(skip_serializing_if = "Option::is_none")]
    csrf: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    passkeys: Option<PasskeyState>,
    /// Whether the page came encrypted or from this machine, so that a phone can keep it off line.
    secure: bool,
}

/// A programme's id and name.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct ProgrammeName {
    pub(crate) id: Uuid,
    pub(crate) name: String,
}

/// What passkeys a person has here.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PasskeyState {
    /// Whether this name of the server can have them: not an IP address, and encrypted or this machine's own.
    possible: bool,
    count: usize,
}

/// What is known of whoever holds this token.
pub(crate) async fn me_of(office: &App, headers: &HeaderMap, token: Option<&Token>) -> Result<Me, Problem> {
    let mut me = Me {
        first_run: office.signin.first_run_code().is_some(),
        today: office.today(),
        revision: None,
        programme: programme_name(office).await?,
        person: None,
        name: None,
        roles: None,
        csrf: None,
        passkeys: None,
        secure: origin::is_secure(office, headers),
    };
    let held = token.and_then(|token| {
        let person = office.signin.sessions.look(&token.hash(), session::now())?;
        Some((token, person))
    });
    let Some((token, person)) = held else {
        return Ok(me);
    };
    let roles = office.roles_of(&person).await?;
    if roles.is_empty() {
        office.signin.end_sessions_of(&person).await?;
        return Ok(me);
    }
    let act = office.act(&person)?;
    let (name, revision) = office
        .read(move |programme| {
            let name = programme
                .personal(&act, act.person())?
                .and_then(|personal| personal.name);
            Ok((name, programme.revision()?))
        })
        .await?;
    let count = {
        let person = person.clone();
        office
            .signin
            .store(move |store| store.passkeys(&person))
            .await?
            .len()
    };
    let possible = super::passkey::rp_id(office, headers).is_some();
    me.passkeys = Some(PasskeyState { possible, count });
    (me.name, me.revision, me.roles) = (name, Some(revision), Some(roles));
    (me.person, me.csrf) = (Some(person), Some(token.csrf()));
    Ok(me)
}

pub(crate) async fn programme_name(office: &App) -> Result<ProgrammeName, Problem> {
    let name = office.read(|programme| Ok(programme.name()?)).await?;
    Ok(ProgrammeName {
        id: office.programme,
        name,
    })
}

fn with_cookie(cookie: Option<HeaderValue>, reply: impl IntoResponse) -> Response {
    let mut response = reply.into_response();
    if let Some(cookie) = cookie {
        response.headers_mut().append(SET_COOKIE, cookie);
    }
    response
}

/// Signs a person in who has proved who it is.
pub(crate) async fn let_in(office: &App, visitor: &Visitor, person: &str) -> Result<Response, Problem> {
    if office.roles_of(person).await?.is_empty() {
        return Err(Problem::not_entitled(format!(
            "{person} has no role today; the lead enrols people"
        )));
    }
    let token = office.signin.begin(person, visitor.token.as_ref()).await?;
    let me = me_of(office, &visitor.headers, Some(&token)).await?;
    Ok(with_cookie(
        token.cookie(origin::is_https(office, &visitor.headers)),
        axum::Json(me),
    ))
}

/// Who is signed in. Answers everybody.
#[utoipa::path(get, path = "/api/1/me", tag = "sign-in", security(),
    responses((status = 200, body = Me)), extensions(("x-earlywood-right" = json!("public"))))]
async fn me(State(office): State<App>, visitor: Visitor) -> Result<axum::Json<Me>, Problem> {
    Ok(axum::Json(
        me_of(&office, &visitor.headers, visitor.token.as_ref()).await?,
    ))
}

/// The first account: the code from the server's terminal, and a password of the lead's own choice.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct FirstRun {
    code: String,
    person: String,
    password: String,
}

/// Makes the first account, that of a lead, with the code that stands on the server's terminal.
#[utoipa::path(post, path = "/api/1/first-run", tag = "sign-in", security(), request_body = FirstRun,
    responses((status = 200, body = Me), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("public"))))]
async fn first_run(
    State(office): State<App>,
    visitor: Visitor,
    Json(asked): Json<FirstRun>,
) -> Result<Response, Problem> {
    let keys = [Key::Address(visitor.address), Key::Codes];
    office.signin.limits.begin(&keys, Instant::now())?;
    let over = || {
        Problem::new(
            StatusCode::CONFLICT,
            "not-first",
            "somebody has an account here already; the lead invites others",
        )
    };
    let code = office.signin.first_run_code().ok_or_else(over)?;
    // Compared as BLAKE3 hashes, which is done in constant time.
    if blake3::hash(code.as_bytes()) != blake3::hash(code::normal(&asked.code).as_bytes()) {
        return Err(wrong_code());
    }
    office.signin.limits.good(&keys, Instant::now());
    let person = asked.person.trim().to_owned();
    if !office.roles_of(&person).await?.contains(&Role::Lead) {
        return Err(Problem::field(
            "person",
            format!("{person} is not a lead of this programme today; the first account is the lead's"),
        ));
    }
    let hash = checked_hash(&office, "password", asked.password, &person).await?;
    let (who, now) = (person.clone(), session::now());
    if !office
        .signin
        .store(move |store| store.found(&who, new_handle()?, &hash, now))
        .await?
    {
        return Err(over());
    }
    office.signin.first_run_is_over();
    let_in(&office, &visitor, &person).await
}

pub(crate) fn wrong_code() -> Problem {
    Problem::new(
        StatusCode::FORBIDDEN,
        "wrong-code",
        "this code is wrong, was used already, or has run out; ask for a new one",
    )
}

/// The random id under which authenticators know a person: it tells nothing of the person.
fn new_handle() -> Result<Uuid, super::SignInError> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(|e| super::SignInError::Secret(e.to_string()))?;
    Ok(uuid::Builder::from_random_bytes(bytes).into_uuid())
}

/// Checks a new password and hashes it.
async fn checked_hash(office: &App, field: &str, password: String, person: &str) -> Result<String, Problem> {
    let programme = programme_name(office).await?.name;
    password::check(field, &password, person, &programme)?;
    office.signin.hashing(move || password::hash(&password)).await
}

/// A person's id and password.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct SignInAsked {
    person: String,
    password: String,
}

fn wrong_password() -> Problem {
    Problem::new(
        StatusCode::FORBIDDEN,
        "wrong-password",
        "no account of that name has that password; after some attempts you will have to wait",
    )
}

/// Signs in with a password.
#[utoipa::path(post, path = "/api/1/sign-in", tag = "sign-in", security(), request_body = SignInAsked,
    responses((status = 200, body = Me), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("public"))))]
async fn sign_in(
    State(office): State<App>,
    visitor: Visitor,
    Json(asked): Json<SignInAsked>,
) -> Result<Response, Problem> {
    let person = asked.person.trim().to_owned();
    let keys = [Key::Account(clipped(&person)), Key::Address(visitor.address)];
    office.signin.limits.begin(&keys, Instant::now())?;
    if !is_password_of(&office, &person, asked.password).await? {
        return Err(wrong_password());
    }
    office.signin.limits.good(&keys, Instant::now());
    let_in(&office, &visitor, &person).await
}

/// No person's id is longer; what is longer need not be remembered whole.
fn clipped(person: &str) -> String {
    person.chars().take(64).collect()
}

async fn is_password_of(office: &App, person: &str, given: String) -> Result<bool, Problem> {
    let who = person.to_owned();
    let kept = office.signin.store(move |store| store.password(&who)).await?;
    let nobody = office.signin.nobody.clone();
    office
        .signin
        .hashing(move || password::is_right(&given, kept.as_deref(), &nobody))
        .await
}

/// Ends the session.
#[utoipa::path(post, path = "/api/1/sign-out", tag = "sign-in",
    responses((status = 200, body = serde_json::Value)), extensions(("x-earlywood-right" = json!("own"))))]
async fn sign_out(
    State(office): State<App>,
    caller: Caller,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    office.signin.end(&caller.token).await?;
    let cookie = session::no_cookie(origin::is_https(&office, &headers));
    Ok(with_cookie(cookie, axum::Json(json!({}))))
}

/// The old password and a new one.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct NewPassword {
    old: String,
    new: String,
}

/// Changes the caller's password. All sessions of the caller end, here and elsewhere; the reply begins a new one.
#[utoipa::path(post, path = "/api/1/password", tag = "sign-in", request_body = NewPassword,
    responses((status = 200, body = Me), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("own"))))]
async fn new_password(
    State(office): State<App>,
    caller: Caller,
    visitor: Visitor,
    Json(asked): Json<NewPassword>,
) -> Result<Response, Problem> {
    let keys = [Key::Account(caller.person.clone()), Key::Address(visitor.address)];
    office.signin.limits.begin(&keys, Instant::now())?;
    if !is_password_of(&office, &caller.person, asked.old).await? {
        return Err(wrong_password().at("old"));
    }
    office.signin.limits.good(&keys, Instant::now());
    let hash = checked_hash(&office, "new", asked.new, &caller.person).await?;
    put_password(&office, &caller.person, hash, false).await?;
    let_in(&office, &visitor, &caller.person).await
}

/// Puts a password down, and ends what was begun with the one before.
async fn put_password(office: &App, person: &str, hash: String, afresh: bool) -> Result<(), Problem> {
    let (who, now) = (person.to_owned(), session::now());
    office
        .signin
        .store(move |store| store.set_password(&who, new_handle()?, &hash, afresh, now))
        .await?;
    office.signin.sessions.end_all_of(person, None);
    Ok(())
}

/// A person who is to be let in.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Invite {
    pub(crate) person: String,
}

/// A code to be handed over, and until when it counts.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Code {
    pub(crate) code: String,
    #[schema(value_type = String, format = DateTime)]
    pub(crate) expires_at: Timestamp,
    /// Where the code is typed in already. The code stands behind the #, which browsers keep to themselves.
    pub(crate) link: String,
}

/// Makes a code of some length for a person, in the caller's name.
pub(crate) async fn make_code(
    office: &App,
    headers: &HeaderMap,
    caller: &Caller,
    (purpose, path, length): (&'static str, &str, usize),
    life: std::time::Duration,
    person: String,
) -> Result<Code, Problem> {
    let (who, today) = (person.clone(), office.today());
    let is_known = office
        .read(move |programme| {
            let people = programme.people(today)?;
            Ok(people
                .iter()
                .any(|known| known.id == who && !known.roles.is_empty()))
        })
        .await?;
    if !is_known {
        return Err(Problem::field(
            "person",
            format!("{person:?} has no role in this programme today; enrol the person first"),
        ));
    }
    let code = code::new(length)?;
    let hash = code::hash(&code);
    let kept = KeptCode {
        person,
        made_by: caller.person.clone(),
    };
    let ends_at = session::now().saturating_add(i64::try_from(life.as_secs()).unwrap_or(i64::MAX));
    office
        .signin
        .store(move |store| store.put_code(&hash, purpose, &kept, ends_at))
        .await?;
    let base = origin::own_origin(office, headers).unwrap_or_default();
    Ok(Code {
        link: format!("{base}{path}{code}"),
        code,
        expires_at: Timestamp::from_second(ends_at).map_err(Problem::fault)?,
    })
}

/// Invites a person who has a role: a code with which the person chooses a password. Also the way back for who has
/// forgotten one: what was before (password, passkeys, sessions) ends when the code is used.
#[utoipa::path(post, path = "/api/1/accounts/invite", tag = "sign-in", request_body = Invite,
    responses((status = 200, body = Code), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("lead"))))]
async fn invite(
    State(office): State<App>,
    caller: Caller,
    headers: HeaderMap,
    Json(asked): Json<Invite>,
) -> Result<axum::Json<Code>, Problem> {
    caller.may(Right::Lead)?;
    let life = office.config.invitation_life;
    let code = make_code(
        &office,
        &headers,
        &caller,
        ("invitation", "/accept#", 12),
        life,
        asked.person,
    )
    .await?;
    Ok(axum::Json(code))
}

/// Gives the invited person the password, if who invited is still a lead.
async fn take_invitation(office: &App, code: KeptCode, password: String) -> Result<(), Problem> {
    if !office.roles_of(&code.made_by).await?.contains(&Role::Lead) {
        return Err(Problem::not_entitled(format!(
            "{} made this code and is no lead any more; ask a lead for a new one",
            code.made_by
        )));
    }
    let hash = checked_hash(office, "password", password, &code.person).await?;
    put_password(office, &code.person, hash, true).await
}

/// A code and the password that goes with it from now on.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Accept {
    code: String,
    password: String,
}

/// Takes an invitation: the person chooses a password and is signed in.
#[utoipa::path(post, path = "/api/1/accounts/accept", tag = "sign-in", security(), request_body = Accept,
    responses((status = 200, body = Me), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("public"))))]
async fn accept(
    State(office): State<App>,
    visitor: Visitor,
    Json(asked): Json<Accept>,
) -> Result<Response, Problem> {
    let keys = [Key::Address(visitor.address), Key::Codes];
    office.signin.limits.begin(&keys, Instant::now())?;
    let hash = code::hash(&code::normal(&asked.code));
    let (now, user) = (session::now(), new_handle()?.to_string());
    let used = office
        .signin
        .store(move |store| store.use_code(&hash, "invitation", &user, now))
        .await?;
    let code = used.ok_or_else(wrong_code)?;
    office.signin.limits.good(&keys, Instant::now());
    let person = code.person.clone();
    let done = take_invitation(&office, code, asked.password).await;
    if let Err(problem) = done {
        // The person may try another password with the same code.
        office.signin.store(move |store| store.free_code(&hash)).await?;
        return Err(problem);
    }
    office.signin.first_run_is_over();
    let_in(&office, &visitor, &person).await
}
