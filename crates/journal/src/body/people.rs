//! Who takes part: devices, people, crews, and what an identifier's word is worth.

use std::fmt;
use std::str::FromStr;

use jiff::civil::Date;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use uuid::Uuid;

use super::{
    Says, Status, Subject, check_count, check_each_label, check_person, check_span, check_words, refuse,
};
use crate::error::Refusal;
use crate::hash::Hash;
use crate::load::check_label;

/// An Ed25519 public key; shown and stored in bodies as 64 lower-case hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PublicKey(pub [u8; 32]);

/// Why a text is no public key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a public key is 64 lower-case hexadecimal digits")]
pub struct NotAKey;

impl fmt::Display for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        Hash(self.0).fmt(f)
    }
}

impl fmt::Debug for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "PublicKey({self})")
    }
}

impl FromStr for PublicKey {
    type Err = NotAKey;

    fn from_str(text: &str) -> Result<Self, NotAKey> {
        text.parse::<Hash>()
            .map(|Hash(bytes)| PublicKey(bytes))
            .map_err(|_| NotAKey)
    }
}

impl Serialize for PublicKey {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for PublicKey {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(feature = "schema")]
impl schemars::JsonSchema for PublicKey {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "PublicKey".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string", "pattern": "^[0-9a-f]{64}$",
            "description": "An Ed25519 public key: 64 lower-case hexadecimal digits."
        })
    }
}

/// An all-zero key is what a forgotten field looks like.
pub(crate) fn check_key(key: PublicKey) -> Result<(), Refusal> {
    if key.0 == [0; 32] {
        return refuse("key", key, "the device's own public key, not zeros");
    }
    Ok(())
}

/// What a person may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Leads the programme: everything.
    Lead,
    /// Supervises crews, settles conflicts, keeps supplies.
    Supervisor,
    /// Makes visits and inspections, takes specimens.
    Inspector,
    /// Screens and determines specimens.
    Identifier,
    /// Loads data and keeps the records.
    Clerk,
    /// Reads only.
    Partner,
}

/// A device was let into the programme: from here on its signature counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviceEnrolled {
    /// Id of the device.
    pub device: Uuid,
    /// Its public key.
    pub key: PublicKey,
    /// Id of the person who holds it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holder: Option<String>,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A device was shut out: lost, broken or handed back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct DeviceWithdrawn {
    /// Id of the device.
    pub device: Uuid,
    /// Number of its last entry that still counts; 0 when none does.
    pub last_number: u64,
    /// Why.
    pub reason: String,
}

/// A person takes part, in these roles. Said again, it takes the place of what was said before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PersonEnrolled {
    /// The person's id ("p-14"); name, telephone and the like stand in the erasable side table only.
    pub person: String,
    /// What the person may do; at least one.
    pub roles: Vec<Role>,
    /// First day; may lie ahead.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// Last day; none: until further notice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub to: Option<Date>,
}

/// People make up a crew. Said again, it takes the place of what was said before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CrewFormed {
    /// The crew's id ("crew-3").
    pub crew: String,
    /// Ids of its people; at least one.
    pub people: Vec<String>,
    /// First day; may lie ahead.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// Last day; none: until further notice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub to: Option<Date>,
}

/// How far a person's word on a specimen counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct AuthorityGranted {
    /// The person's id.
    pub person: String,
    /// Target ids or scientific names; `"*"` alone means any.
    pub taxa: Vec<String>,
    /// The surest status the person may give: tentative, determined or confirmed.
    pub up_to: Status,
    /// Life stages it holds for ("adult", "larva"); none: all.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub life_stages: Vec<String>,
    /// First day; may lie ahead.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// Last day; none: until further notice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub to: Option<Date>,
    /// Who vouches for it: an id, a role or an office.
    pub granted_by: String,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// The side table's row about a person is gone; the id stays in the journal and names nobody any more.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PersonErased {
    /// The person's id.
    pub person: String,
}

fn check_device(device: Uuid) -> Result<(), Refusal> {
    if device.is_nil() {
        return refuse("device", device, "the id of a device, not zeros");
    }
    Ok(())
}

/// A device that received an entry of another saw that the other's clock was ahead of its own.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ClockSeen {
    /// The device that wrote the entry.
    pub device: Uuid,
    /// Number of the entry on that device.
    pub number: u64,
    /// By how many seconds its recorded time lay in the receiver's future.
    pub ahead_s: i64,
}

impl Says for ClockSeen {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_count("number", self.number)?;
        if self.ahead_s < 1 {
            return refuse("ahead_s", self.ahead_s, "at least 1");
        }
        check_count("ahead_s", self.ahead_s.unsigned_abs())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Device(self.device)]
    }
}

impl Says for DeviceEnrolled {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_device(self.device)?;
        check_key(self.key)?;
        self.holder
            .iter()
            .try_for_each(|holder| check_person("holder", holder))?;
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Device(self.device)]
    }
}

impl Says for DeviceWithdrawn {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_device(self.device)?;
        check_count("last_number", self.last_number)?;
        check_words("reason", Some(&self.reason))
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Device(self.device)]
    }
}

impl Says for PersonEnrolled {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_person("person", &self.person)?;
        if self.roles.is_empty() {
            return refuse(
                "roles",
                "none",
                "at least one role; to end it, give the last day in \"to\"",
            );
        }
        for (i, role) in self.roles.iter().enumerate() {
            if self.roles.iter().skip(i + 1).any(|other| other == role) {
                return refuse("roles", format!("{role:?} twice"), "each role once");
            }
        }
        if self.roles.contains(&Role::Partner) && self.roles.len() > 1 {
            return refuse(
                "roles",
                "partner with others",
                "a partner only reads; leave partner out",
            );
        }
        check_span(self.from, self.to)
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Person(self.person.clone())]
    }
}

impl Says for CrewFormed {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_person("crew", &self.crew)?;
        if self.people.is_empty() {
            return refuse(
                "people",
                "none",
                "at least one; to end the crew, give the last day in \"to\"",
            );
        }
        self.people
            .iter()
            .try_for_each(|person| check_person("people", person))?;
        check_each_label("people", &self.people)?;
        check_span(self.from, self.to)
    }
    fn subjects(&self) -> Vec<Subject> {
        let people = self.people.iter().cloned().map(Subject::Person);
        std::iter::once(Subject::Crew(self.crew.clone()))
            .chain(people)
            .collect()
    }
}

impl Says for AuthorityGranted {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_person("person", &self.person)?;
        check_person("granted_by", &self.granted_by)?;
        if self.taxa.is_empty() {
            return refuse("taxa", "none", "at least one target id or name, or \"*\" for any");
        }
        check_each_label("taxa", &self.taxa)?;
        if self.taxa.iter().any(|taxon| taxon == "*") && self.taxa.len() > 1 {
            return refuse("taxa", "\"*\" with others", "\"*\" alone, for it means any");
        }
        if !matches!(
            self.up_to,
            Status::Tentative | Status::Determined | Status::Confirmed
        ) {
            return refuse("up_to", self.up_to.word(), "tentative, determined or confirmed");
        }
        check_each_label("life_stages", &self.life_stages)?;
        check_span(self.from, self.to)?;
        check_words("note", self.note.as_deref())
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Person(self.person.clone())]
    }
}

impl Says for PersonErased {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        // A person whose id was itself unlucky must still be erasable.
        check_label("person", &self.person)
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Person(self.person.clone())]
    }
}
