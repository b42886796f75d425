//! Phones: how one becomes a device of the programme, and what it needs for its day.

use std::io::Write as _;
use std::time::Instant;

use axum::extract::State;
use earlywood_chain::view::Now;
use earlywood_journal::sync::{hex, unhex};
use earlywood_journal::{PublicKey, Request as DeviceRequest};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::problem::{Problem, ProblemBody};
use super::read_body::Json;
use super::signin::limits::Key;
use super::signin::routes::{ProgrammeName, Visitor, programme_name, wrong_code};
use super::signin::{code, session};
use super::state::App;
use crate::auth::{enrol_message, is_signed};

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new().routes(routes!(enrol))
}

/// A device that was given a code.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct DeviceEnrol {
    code: String,
    /// An id that the device has chosen: a UUID of version 7.
    device: Uuid,
    /// Its Ed25519 public key, 64 hexadecimal digits.
    key: String,
    /// By that key, over programme, device, key and code; see API.md.
    signature: String,
}

/// The device may write from now on, for its holder.
#[derive(Debug, Serialize, ToSchema)]
struct DeviceEnrolled {
    programme: ProgrammeName,
    /// Id of the holder.
    person: String,
    /// The holder's name, where the side table has it.
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    server: ServerKey,
}

/// The device of this office, whose signature the phone is to believe.
#[derive(Debug, Serialize, ToSchema)]
struct ServerKey {
    device: Uuid,
    /// 64 hexadecimal digits.
    key: String,
}

/// Enrols a device with a code, in the name of the lead who made it. The same device may ask again while the code lasts,
/// should the answer have been lost.
#[utoipa::path(post, path = "/api/1/devices/enrol", tag = "phones", security(), request_body = DeviceEnrol,
    responses((status = 200, body = DeviceEnrolled), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("public"))))]
async fn enrol(
    State(office): State<App>,
    visitor: Visitor,
    Json(asked): Json<DeviceEnrol>,
) -> Result<axum::Json<DeviceEnrolled>, Problem> {
    let keys = [Key::Address(visitor.address), Key::Codes];
    office.signin.limits.begin(&keys, Instant::now())?;
    let key: PublicKey = asked
        .key
        .parse()
        .map_err(|e| Problem::field("key", format!("{e}")))?;
    if asked.device.get_version_num() != 7 {
        return Err(Problem::field("device", "a device's id is a UUID of version 7"));
    }
    let signature = unhex(&asked.signature).and_then(|bytes| <[u8; 64]>::try_from(bytes).ok());
    let signature =
        signature.ok_or_else(|| Problem::field("signature", "a signature is 128 hexadecimal digits"))?;
    // Who does not hold the key can't enrol it, even with a code.
    let message = enrol_message(office.programme, asked.device, &key.0, &asked.code);
    if !is_signed(&key.0, &message, &signature) {
        return Err(Problem::field(
            "signature",
            "the request is not signed with the device's own key",
        ));
    }
    let hash = code::hash(&code::normal(&asked.code));
    let user = format!("{} {key}", asked.device);
    let now = session::now();
    let used = office
        .signin
        .store(move |store| store.use_code(&hash, "device", &user, now))
        .await?;
    let code = used.ok_or_else(wrong_code)?;
    office.signin.limits.good(&keys, Instant::now());
    let request = DeviceRequest {
        device: asked.device,
        key,
    };
    let (holder, today) = (code.person.clone(), office.today());
    let enrolled = office
        .write_as(&code.made_by, move |programme, act| {
            let known = programme.device_key(request.device, today)?;
            let is_here = known.is_some_and(|(known, _)| known == request.key)
                && programme.holder(request.device, today)?.as_ref() == Some(&holder);
            if !is_here {
                programme.enrol_device(act, request, Some(holder))?;
            }
            Ok(())
        })
        .await;
    if let Err(problem) = enrolled {
        office.signin.store(move |store| store.free_code(&hash)).await?;
        return Err(problem);
    }
    office.signin.heard(asked.device);
    let (person, act) = (code.person, office.act(&code.made_by)?);
    let who = person.clone();
    let name = office
        .read(move |programme| Ok(programme.personal(&act, &who)?.and_then(|personal| personal.name)))
        .await?;
    Ok(axum::Json(DeviceEnrolled {
        programme: programme_name(&office).await?,
        person,
        name,
        server: ServerKey {
            device: office.device,
            key: hex(&office.key.public().0),
        },
    }))
}

/// All that a person's phone needs for a day, as JSON, packed by gzip where that is wanted.
pub(crate) async fn phone_day(
    office: &App,
    person: String,
    today: Option<Date>,
    zip: bool,
) -> Result<Vec<u8>, Problem> {
    let now = Now {
        today: today.unwrap_or_else(|| office.today()),
        at: Timestamp::now(),
    };
    office
        .read(move |programme| {
            let day = earlywood_chain::phone::day(programme, &person, now)?;
            let text = serde_json::to_vec(&day).map_err(Problem::fault)?;
            if zip {
                gzip(&text).map_err(Problem::fault)
            } else {
                Ok(text)
            }
        })
        .await
}

fn gzip(bytes: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    packer.write_all(bytes)?;
    packer.finish()
}
