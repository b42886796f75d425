//! People and devices: who takes part, who they are, and which machines are theirs.

use std::collections::HashMap;

use axum::extract::State;
use axum::http::HeaderMap;
use earlywood_journal::{AuthorityGranted, Personal, Programme, Role};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::caller::{Caller, Right};
use super::entries::Receipt;
use super::problem::{Problem, ProblemBody};
use super::read_body::{Json, Path};
use super::signin::routes::{Code, Invite, make_code};
use super::state::App;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(people))
        .routes(routes!(personal, set_personal, erase_personal))
        .routes(routes!(devices))
        .routes(routes!(device_code))
}

/// A device that was not heard of for this long is said to be silent: a day, so that a day off is none. Design choice.
const SILENT_S: i64 = 24 * 3600;

/// A person of the programme.
#[derive(Debug, Serialize, ToSchema)]
struct PersonRow {
    person: String,
    #[schema(value_type = Vec<String>)]
    roles: Vec<Role>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    from: Option<Date>,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    to: Option<Date>,
    /// From the side table, for those who may see it.
    #[serde(skip_serializing_if = "Option::is_none")]
    personal: Option<PersonalRow>,
    has_account: bool,
    authorities: Vec<AuthorityRow>,
}

/// Who a person is. Kept beside the journal, and erasable.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
struct PersonalRow {
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    phone: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    email: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    address: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    note: Option<String>,
}

impl From<Personal> for PersonalRow {
    fn from(p: Personal) -> Self {
        PersonalRow {
            name: p.name,
            phone: p.phone,
            email: p.email,
            address: p.address,
            note: p.note,
        }
    }
}

impl PersonalRow {
    /// Longest of each field. Design choice.
    const MOST: usize = 1_000;

    fn checked(self) -> Result<Personal, Problem> {
        let field = |name: &str, text: Option<String>| match text
            .map(|t| t.trim().to_owned())
            .filter(|t| !t.is_empty())
        {
            Some(text) if text.len() > Self::MOST => Err(Problem::field(
                name,
                format!("{name} has more than {} bytes", Self::MOST),
            )),
            other => Ok(other),
        };
        Ok(Personal {
            name: field("name", self.name)?,
            phone: field("phone", self.phone)?,
            email: field("email", self.email)?,
            address: field("address", self.address)?,
            note: field("note", self.note)?,
        })
    }
}

/// How far an identifier's word counts.
#[derive(Debug, Clone, Serialize, ToSchema)]
struct AuthorityRow {
    taxa: Vec<String>,
    /// tentative, determined or confirmed.
    up_to: String,
    #[schema(value_type = String, format = Date)]
    from: Date,
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    to: Option<Date>,
    granted_by: String,
}

impl AuthorityRow {
    fn of(granted: &AuthorityGranted) -> Self {
        AuthorityRow {
            taxa: granted.taxa.clone(),
            up_to: serde_json::to_value(granted.up_to)
                .ok()
                .and_then(|word| word.as_str().map(str::to_owned))
                .unwrap_or_default(),
            from: granted.from,
            to: granted.to,
            granted_by: granted.granted_by.clone(),
        }
    }
}

/// Everybody who was enrolled.
#[derive(Debug, Serialize, ToSchema)]
struct PersonRows {
    people: Vec<PersonRow>,
}

/// Lists the people of the programme, with the roles they have today. Who they are is told to lead, supervisor and clerk,
/// and to everybody of themselves.
#[utoipa::path(get, path = "/api/1/people", tag = "people", responses((status = 200, body = PersonRows)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn people(State(office): State<App>, caller: Caller) -> Result<axum::Json<PersonRows>, Problem> {
    caller.may(Right::Read)?;
    let accounts = office.signin.store(|store| store.people_with_account()).await?;
    let (today, act) = (office.today(), office.act(&caller.person)?);
    let sees_all = caller.has(Right::People);
    let people = office
        .read(move |programme| {
            let authorities = programme.authorities()?;
            let row = |person: earlywood_journal::Person| {
                let personal = match sees_all || person.id == act.person() {
                    true => programme.personal(&act, &person.id)?.map(PersonalRow::from),
                    false => None,
                };
                Ok(PersonRow {
                    from: person.enrolled.as_ref().map(|enrolled| enrolled.from),
                    to: person.enrolled.as_ref().and_then(|enrolled| enrolled.to),
                    has_account: accounts.binary_search(&person.id).is_ok(),
                    authorities: authorities
                        .iter()
                        .filter(|granted| granted.person == person.id)
                        .map(AuthorityRow::of)
                        .collect(),
                    roles: person.roles,
                    person: person.id,
                    personal,
                })
            };
            programme
                .people(today)?
                .into_iter()
                .map(row)
                .collect::<Result<_, Problem>>()
        })
        .await?;
    Ok(axum::Json(PersonRows { people }))
}

/// What the side table says of a person; empty where it says nothing.
#[utoipa::path(get, path = "/api/1/people/{person}/personal", tag = "people", params(("person" = String, Path)),
    responses((status = 200, body = PersonalRow), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("people")), ("x-earlywood-or-oneself" = json!(true))))]
async fn personal(
    State(office): State<App>,
    caller: Caller,
    Path(person): Path<String>,
) -> Result<axum::Json<PersonalRow>, Problem> {
    if person != caller.person {
        caller.may(Right::People)?;
    }
    let act = office.act(&caller.person)?;
    let known = office
        .read(move |programme| Ok(programme.personal(&act, &person)?))
        .await?;
    Ok(axum::Json(known.map(PersonalRow::from).unwrap_or_default()))
}

/// Writes down who a person is, beside the journal. What is left out is no longer known.
#[utoipa::path(put, path = "/api/1/people/{person}/personal", tag = "people", params(("person" = String, Path)),
    request_body = PersonalRow, responses((status = 200, body = Value), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("people")), ("x-earlywood-or-oneself" = json!(true))))]
async fn set_personal(
    State(office): State<App>,
    caller: Caller,
    Path(person): Path<String>,
    Json(row): Json<PersonalRow>,
) -> Result<axum::Json<Value>, Problem> {
    if person != caller.person {
        caller.may(Right::People)?;
    }
    let personal = row.checked()?;
    office
        .write(&caller, move |programme, act| {
            Ok(programme.set_personal(act, &person, &personal)?)
        })
        .await?;
    Ok(axum::Json(json!({})))
}

/// Erases who a person is. The journal stays as it is, and notes that it was done.
#[utoipa::path(delete, path = "/api/1/people/{person}/personal", tag = "people", params(("person" = String, Path)),
    responses((status = 200, body = Receipt), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("erase"))))]
async fn erase_personal(
    State(office): State<App>,
    caller: Caller,
    Path(person): Path<String>,
) -> Result<axum::Json<Receipt>, Problem> {
    caller.may(Right::Erase)?;
    let receipt = office
        .write(&caller, move |programme, act| {
            Ok(programme.erase_person(act, &person)?)
        })
        .await?;
    Ok(axum::Json(receipt.into()))
}

/// A device that may write.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct DeviceRow {
    device: Uuid,
    #[serde(skip_serializing_if = "Option::is_none")]
    holder: Option<String>,
    /// It is the one of this office.
    this_office: bool,
    /// Entries of it that are here.
    entries: u64,
    /// Its last entry that counts, where it was withdrawn.
    #[serde(skip_serializing_if = "Option::is_none")]
    withdrawn_after: Option<u64>,
    /// Its last signed call here.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    last_heard: Option<Timestamp>,
    /// Not heard of for a day although its holder has a role.
    silent: bool,
}

/// Every device, with what this office heard of it.
pub(crate) fn device_rows(
    programme: &Programme,
    office: Uuid,
    heard: &HashMap<Uuid, i64>,
    (now, today): (Timestamp, Date),
) -> Result<Vec<DeviceRow>, Problem> {
    let mut at_work: HashMap<String, bool> = HashMap::new();
    for person in programme.people(today)? {
        at_work.insert(person.id, !person.roles.is_empty());
    }
    let row = |known: earlywood_journal::KnownDevice| {
        let last = heard.get(&known.device).copied();
        let is_old = last.is_none_or(|at| now.as_second() - at > SILENT_S);
        let works = known
            .holder
            .as_ref()
            .is_some_and(|holder| at_work.get(holder) == Some(&true));
        DeviceRow {
            this_office: known.device == office,
            silent: works && is_old && known.last_number.is_none(),
            last_heard: last.and_then(|at| Timestamp::from_second(at).ok()),
            device: known.device,
            holder: known.holder,
            entries: known.entries,
            withdrawn_after: known.last_number,
        }
    };
    Ok(programme.devices()?.into_iter().map(row).collect())
}

/// Every device that was enrolled.
#[derive(Debug, Serialize, ToSchema)]
struct DeviceRows {
    devices: Vec<DeviceRow>,
}

/// Lists the devices, and when each was heard of last.
#[utoipa::path(get, path = "/api/1/devices", tag = "people", responses((status = 200, body = DeviceRows)),
    extensions(("x-earlywood-right" = json!("devices"))))]
async fn devices(State(office): State<App>, caller: Caller) -> Result<axum::Json<DeviceRows>, Problem> {
    caller.may(Right::Devices)?;
    let (heard, device) = (office.signin.last_heard(), office.device);
    let now = (Timestamp::now(), office.today());
    let devices = office
        .read(move |programme| device_rows(programme, device, &heard, now))
        .await?;
    Ok(axum::Json(DeviceRows { devices }))
}

/// Makes a code with which a person's phone enrols itself, in the caller's name. It counts once and not for long.
#[utoipa::path(post, path = "/api/1/devices/code", tag = "people", request_body = Invite,
    responses((status = 200, body = Code), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("lead"))))]
async fn device_code(
    State(office): State<App>,
    caller: Caller,
    headers: HeaderMap,
    Json(asked): Json<Invite>,
) -> Result<axum::Json<Code>, Problem> {
    caller.may(Right::Lead)?;
    let life = office.config.code_life;
    let code = make_code(
        &office,
        &headers,
        &caller,
        ("device", "/phone#enrol=", 8),
        life,
        asked.person,
    )
    .await?;
    Ok(axum::Json(code))
}
