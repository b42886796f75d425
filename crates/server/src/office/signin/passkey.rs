//! Passkeys (WebAuthn): signing in with what a device keeps, instead of a password.
//!
//! A passkey belongs to the name under which the server is reached (its RP id), so a server that is reached by an IP
//! address can have none.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use jiff::Timestamp;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use url::Url;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use webauthn_rs::prelude::{
    Passkey, PasskeyAuthentication, PasskeyRegistration, PublicKeyCredential, RegisterPublicKeyCredential,
    Webauthn, WebauthnBuilder, WebauthnError,
};

use super::limits::Key;
use super::routes::{Visitor, let_in, programme_name};
use super::store::KeptPasskey;
use super::{origin, session};
use crate::office::caller::Caller;
use crate::office::problem::{Problem, ProblemBody};
use crate::office::read_body::Json;
use crate::office::state::{App, Office};

/// How long a person has to answer the browser's question.
const LIFE: Duration = Duration::from_secs(300);
/// Most questions that are open at one time.
const MOST_OPEN: usize = 2_000;
/// Most passkeys of one person. Design choice.
const MOST_OF_ONE: usize = 20;

pub(crate) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(list))
        .routes(routes!(register_begin))
        .routes(routes!(register_finish))
        .routes(routes!(sign_in_begin))
        .routes(routes!(sign_in_finish))
        .routes(routes!(remove))
}

/// A question that a browser is about to answer.
enum Ceremony {
    Register {
        person: String,
        rp_id: String,
        state: PasskeyRegistration,
    },
    SignIn {
        person: String,
        rp_id: String,
        state: PasskeyAuthentication,
    },
}

/// The open questions, by their challenge. Each is answered once.
#[derive(Default)]
pub(crate) struct Ceremonies(Mutex<HashMap<Vec<u8>, (Instant, Ceremony)>>);

impl Ceremonies {
    fn open(&self, challenge: Vec<u8>, ceremony: Ceremony) -> Result<(), Problem> {
        let now = Instant::now();
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if all.len() >= MOST_OPEN {
            all.retain(|_, (begun, _)| now.duration_since(*begun) < LIFE);
            if all.len() >= MOST_OPEN {
                return Err(Problem::busy());
            }
        }
        all.insert(challenge, (now, ceremony));
        Ok(())
    }

    fn take(&self, challenge: &[u8]) -> Option<Ceremony> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (begun, ceremony) = all.remove(challenge)?;
        (begun.elapsed() < LIFE).then_some(ceremony)
    }
}

/// The name to which passkeys belong here; none where there can be none.
pub(crate) fn rp_id(office: &Office, headers: &HeaderMap) -> Option<String> {
    let host = origin::host_of(origin::authority(headers)?).to_ascii_lowercase();
    let is_name = host.parse::<IpAddr>().is_err() && !host.is_empty();
    (is_name && origin::is_secure(office, headers)).then_some(host)
}

fn webauthn(office: &App, headers: &HeaderMap, programme: &str) -> Result<(Webauthn, String), Problem> {
    let impossible = || {
        Problem::new(
            StatusCode::CONFLICT,
            "no-passkeys-here",
            "passkeys belong to a name: reach this server by its name and https, or as localhost, not by an IP address",
        )
    };
    let rp = rp_id(office, headers).ok_or_else(impossible)?;
    let origin = origin::own_origin(office, headers).and_then(|origin| Url::parse(&origin).ok());
    let origin = origin.ok_or_else(impossible)?;
    let built = WebauthnBuilder::new(&rp, &origin).and_then(|builder| builder.rp_name(programme).build());
    Ok((built.map_err(|_| impossible())?, rp))
}

fn refused(e: WebauthnError) -> Problem {
    Problem::new(
        StatusCode::FORBIDDEN,
        "bad-passkey",
        format!("this passkey was not accepted: {e:?}"),
    )
}

fn no_question() -> Problem {
    Problem::new(
        StatusCode::CONFLICT,
        "passkey-too-late",
        "this took too long, or was answered already; begin again",
    )
}

/// The challenge that an answer is to, as it stands in the answer. Whether the answer is good is found out later.
fn challenge_of(credential: &Value) -> Result<Vec<u8>, Problem> {
    #[derive(Deserialize)]
    struct ClientData {
        challenge: String,
    }
    let read = || {
        let text = credential.get("response")?.get("clientDataJSON")?.as_str()?;
        let bytes = URL_SAFE_NO_PAD.decode(text.trim_end_matches('=')).ok()?;
        let data: ClientData = serde_json::from_slice(&bytes).ok()?;
        URL_SAFE_NO_PAD.decode(data.challenge.trim_end_matches('=')).ok()
    };
    read().ok_or_else(|| Problem::field("credential", "this is no passkey's answer"))
}

fn credential<T: DeserializeOwned>(value: Value) -> Result<T, Problem> {
    serde_json::from_value(value)
        .map_err(|e| Problem::field("credential", format!("this is no passkey's answer: {e}")))
}

fn options(reply: impl Serialize) -> Result<axum::Json<Value>, Problem> {
    let mut value = serde_json::to_value(reply).map_err(Problem::fault)?;
    Ok(axum::Json(
        value.get_mut("publicKey").map(Value::take).unwrap_or_default(),
    ))
}

async fn kept(office: &App, person: &str) -> Result<Vec<KeptPasskey>, Problem> {
    let person = person.to_owned();
    office.signin.store(move |store| store.passkeys(&person)).await
}

fn read_kept(kept: &[KeptPasskey], rp: &str) -> Vec<Passkey> {
    let own = kept.iter().filter(|key| key.rp_id == rp);
    own.filter_map(|key| serde_json::from_str(&key.credential).ok())
        .collect()
}

/// A passkey of the caller.
#[derive(Debug, Serialize, ToSchema)]
struct PasskeyRow {
    id: String,
    label: String,
    #[schema(value_type = String, format = DateTime)]
    made_at: Timestamp,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    used_at: Option<Timestamp>,
}

impl PasskeyRow {
    fn of(key: &KeptPasskey) -> Self {
        let moment = |at: i64| Timestamp::from_second(at).unwrap_or_default();
        PasskeyRow {
            id: key.id.clone(),
            label: key.label.clone(),
            made_at: moment(key.made_at),
            used_at: key.used_at.map(moment),
        }
    }
}

/// The passkeys of the caller.
#[derive(Debug, Serialize, ToSchema)]
struct PasskeyRows {
    passkeys: Vec<PasskeyRow>,
}

/// Lists the caller's passkeys.
#[utoipa::path(get, path = "/api/1/passkeys", tag = "sign-in", responses((status = 200, body = PasskeyRows)),
    extensions(("x-earlywood-right" = json!("own"))))]
async fn list(State(office): State<App>, caller: Caller) -> Result<axum::Json<PasskeyRows>, Problem> {
    let kept = kept(&office, &caller.person).await?;
    Ok(axum::Json(PasskeyRows {
        passkeys: kept.iter().map(PasskeyRow::of).collect(),
    }))
}

/// Begins to make a passkey: what the browser is to be asked.
#[utoipa::path(post, path = "/api/1/passkeys/register/begin", tag = "sign-in",
    responses((status = 200, description = "PublicKeyCredentialCreationOptions as JSON", body = Value),
        (status = "4XX", body = ProblemBody)), extensions(("x-earlywood-right" = json!("own"))))]
async fn register_begin(
    State(office): State<App>,
    caller: Caller,
    headers: HeaderMap,
) -> Result<axum::Json<Value>, Problem> {
    let programme = programme_name(&office).await?.name;
    let (webauthn, rp_id) = webauthn(&office, &headers, &programme)?;
    let kept = kept(&office, &caller.person).await?;
    if kept.len() >= MOST_OF_ONE {
        return Err(Problem::new(
            StatusCode::CONFLICT,
            "too-many-passkeys",
            "you have twenty passkeys: remove one that you no longer use first",
        ));
    }
    let person = caller.person.clone();
    let handle = office.signin.store(move |store| store.handle(&person)).await?;
    let handle = handle.ok_or_else(Problem::signed_out)?;
    let known = read_kept(&kept, &rp_id)
        .iter()
        .map(|key| key.cred_id().clone())
        .collect();
    let (reply, state) = webauthn
        .start_passkey_registration(handle, &caller.person, &caller.person, Some(known))
        .map_err(refused)?;
    let ceremony = Ceremony::Register {
        person: caller.person,
        rp_id,
        state,
    };
    office
        .signin
        .ceremonies
        .open(reply.public_key.challenge.to_vec(), ceremony)?;
    options(reply)
}

/// The browser's answer, and what the person calls the device.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct NewPasskey {
    label: String,
    /// RegistrationResponseJSON.
    #[schema(value_type = Object)]
    credential: Value,
}

/// Keeps a new passkey.
#[utoipa::path(post, path = "/api/1/passkeys/register/finish", tag = "sign-in", request_body = NewPasskey,
    responses((status = 200, body = PasskeyRow), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("own"))))]
async fn register_finish(
    State(office): State<App>,
    caller: Caller,
    headers: HeaderMap,
    Json(asked): Json<NewPasskey>,
) -> Result<axum::Json<PasskeyRow>, Problem> {
    let label: String = asked
        .label
        .trim()
        .chars()
        .filter(|c| !c.is_control())
        .take(60)
        .collect();
    if label.is_empty() {
        return Err(Problem::field(
            "label",
            "give it a name, such as the device that keeps it",
        ));
    }
    let ceremony = office.signin.ceremonies.take(&challenge_of(&asked.credential)?);
    let Some(Ceremony::Register { person, rp_id, state }) = ceremony else {
        return Err(no_question());
    };
    let answer: RegisterPublicKeyCredential = credential(asked.credential)?;
    let (webauthn, rp) = webauthn(&office, &headers, &programme_name(&office).await?.name)?;
    if person != caller.person || rp != rp_id {
        return Err(no_question());
    }
    let passkey = webauthn
        .finish_passkey_registration(&answer, &state)
        .map_err(refused)?;
    let key = KeptPasskey {
        id: URL_SAFE_NO_PAD.encode(passkey.cred_id()),
        rp_id,
        label,
        made_at: session::now(),
        used_at: None,
        credential: serde_json::to_string(&passkey).map_err(Problem::fault)?,
    };
    let row = PasskeyRow::of(&key);
    match office
        .signin
        .store(move |store| store.add_passkey(&person, &key))
        .await?
    {
        true => Ok(axum::Json(row)),
        false => Err(Problem::new(
            StatusCode::CONFLICT,
            "known-passkey",
            "this passkey is known here already",
        )),
    }
}

/// Whose passkey is asked for.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct WhoseKey {
    person: String,
}

/// Begins to sign in with a passkey: what the browser is to be asked. Of people without one the reply looks the same.
#[utoipa::path(post, path = "/api/1/passkeys/sign-in/begin", tag = "sign-in", security(), request_body = WhoseKey,
    responses((status = 200, description = "PublicKeyCredentialRequestOptions as JSON", body = Value),
        (status = "4XX", body = ProblemBody)), extensions(("x-earlywood-right" = json!("public"))))]
async fn sign_in_begin(
    State(office): State<App>,
    visitor: Visitor,
    Json(asked): Json<WhoseKey>,
) -> Result<axum::Json<Value>, Problem> {
    let keys = [Key::Address(visitor.address)];
    office.signin.limits.begin(&keys, Instant::now())?;
    let programme = programme_name(&office).await?.name;
    let (webauthn, rp_id) = webauthn(&office, &visitor.headers, &programme)?;
    let person = asked.person.trim().to_owned();
    let own = read_kept(&kept(&office, &person).await?, &rp_id);
    // Only an answer can be wrong; but who asks without ever answering is slowed down after a while.
    if own.is_empty() {
        return Ok(axum::Json(no_ones_options(&office, &rp_id, &person)?));
    }
    office.signin.limits.good(&keys, Instant::now());
    let (reply, state) = webauthn.start_passkey_authentication(&own).map_err(refused)?;
    let ceremony = Ceremony::SignIn { person, rp_id, state };
    office
        .signin
        .ceremonies
        .open(reply.public_key.challenge.clone(), ceremony)?;
    options(reply)
}

/// What the reply would look like if the person had a passkey: the same invented one each time.
fn no_ones_options(office: &Office, rp_id: &str, person: &str) -> Result<Value, Problem> {
    let mut challenge = [0; 32];
    getrandom::fill(&mut challenge).map_err(Problem::fault)?;
    let id = blake3::keyed_hash(&office.signin.secret, format!("passkey of {person}").as_bytes());
    Ok(json!({
        "challenge": URL_SAFE_NO_PAD.encode(challenge),
        "timeout": LIFE.as_millis() as u64,
        "rpId": rp_id,
        "allowCredentials": [{"type": "public-key", "id": URL_SAFE_NO_PAD.encode(id.as_bytes())}],
        "userVerification": "required",
    }))
}

/// The browser's answer.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct KeyAnswer {
    /// AuthenticationResponseJSON.
    #[schema(value_type = Object)]
    credential: Value,
}

/// Signs in with a passkey.
#[utoipa::path(post, path = "/api/1/passkeys/sign-in/finish", tag = "sign-in", security(), request_body = KeyAnswer,
    responses((status = 200, body = super::routes::Me), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("public"))))]
async fn sign_in_finish(
    State(office): State<App>,
    visitor: Visitor,
    Json(asked): Json<KeyAnswer>,
) -> Result<Response, Problem> {
    let keys = [Key::Address(visitor.address)];
    office.signin.limits.begin(&keys, Instant::now())?;
    let ceremony = office.signin.ceremonies.take(&challenge_of(&asked.credential)?);
    let Some(Ceremony::SignIn { person, rp_id, state }) = ceremony else {
        return Err(no_question());
    };
    let answer: PublicKeyCredential = credential(asked.credential)?;
    let (webauthn, rp) = webauthn(&office, &visitor.headers, &programme_name(&office).await?.name)?;
    if rp != rp_id {
        return Err(no_question());
    }
    let proof = webauthn
        .finish_passkey_authentication(&answer, &state)
        .map_err(refused)?;
    office.signin.limits.good(&keys, Instant::now());
    let id = URL_SAFE_NO_PAD.encode(proof.cred_id());
    // Removed, or replaced by an invitation, while the browser asked.
    let used = kept(&office, &person)
        .await?
        .into_iter()
        .find(|key| key.id == id)
        .ok_or_else(no_question)?;
    let mut passkey: Passkey = serde_json::from_str(&used.credential).map_err(Problem::fault)?;
    passkey.update_credential(&proof);
    let (text, now) = (
        serde_json::to_string(&passkey).map_err(Problem::fault)?,
        session::now(),
    );
    office
        .signin
        .store(move |store| store.passkey_used(&id, &text, now))
        .await?;
    let_in(&office, &visitor, &person).await
}

/// Removes a passkey of the caller.
#[utoipa::path(delete, path = "/api/1/passkeys/{id}", tag = "sign-in", params(("id" = String, Path)),
    responses((status = 200, body = Value), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("own"))))]
async fn remove(
    State(office): State<App>,
    caller: Caller,
    Path(id): Path<String>,
) -> Result<axum::Json<Value>, Problem> {
    let person = caller.person;
    match office
        .signin
        .store(move |store| store.remove_passkey(&person, &id))
        .await?
    {
        true => Ok(axum::Json(json!({}))),
        false => Err(Problem::not_found("you have no such passkey")),
    }
}
