//! Who may do what: devices that were enrolled, people and their roles, identifiers and their authority.
//!
//! Computed from the few entries that grant something, which are a set like all others: the same on every copy that has
//! them. The root is the first entry: its device and its person (the first lead). Whoever is trusted may extend trust
//! as far as the role allows; what an untrusted device says of anybody's rights counts for nothing.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use rusqlite::Connection;
use uuid::Uuid;

use crate::body::{AuthorityGranted, Body, PersonEnrolled, PublicKey, Role, Status};
use crate::entry::Entry;
use crate::error::{Error, Refusal};
use crate::machine::find::Rank;
use crate::project::Fact;

/// The kinds of entries on which trust rests.
pub(crate) const KINDS: [&str; 5] = [
    "programme-set-up",
    "device-enrolled",
    "device-withdrawn",
    "person-enrolled",
    "authority-granted",
];

/// An entry on which trust rests.
#[derive(Debug, Clone)]
pub(crate) struct Grant {
    id: Uuid,
    device: Uuid,
    number: u64,
    person: String,
    day: Date,
    body: Body,
}

impl Grant {
    pub(crate) fn of_entry(entry: &Entry) -> Result<Self, Error> {
        let body = entry.body()?;
        Ok(Grant {
            id: entry.id,
            device: entry.device,
            number: entry.number,
            person: entry.person.clone(),
            day: entry.recorded_day(),
            body,
        })
    }

    fn of_fact(fact: Fact) -> Result<Self, Error> {
        Ok(Grant {
            id: fact.entry,
            device: fact.device,
            number: fact.number,
            body: fact.body()?,
            person: fact.person,
            day: fact.recorded,
        })
    }
}

/// An enrolled device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Device {
    /// Its key; none for the founding device of a layout 1 file that has not signed yet.
    pub(crate) key: Option<PublicKey>,
    /// The one person who may act on it; `None`: anybody with a role (an office machine).
    pub(crate) holder: Option<String>,
    /// Number of its last entry that counts, when it was withdrawn (a lost phone).
    pub(crate) last_number: Option<u64>,
    /// Number of the entry from which on its entries must be signed.
    pub(crate) signed_from: u64,
    /// The entry that enrolled it.
    pub(crate) by: Uuid,
}

impl Device {
    fn may_be_used_by(&self, person: &str) -> bool {
        self.holder.as_deref().is_none_or(|holder| holder == person)
    }
}

/// Who may do what.
#[derive(Debug, Clone, Default)]
pub(crate) struct Trust {
    pub(crate) devices: BTreeMap<Uuid, Device>,
    pub(crate) people: BTreeMap<String, PersonEnrolled>,
    founder: Option<String>,
    founding_device: Option<Uuid>,
    authorities: Vec<(Uuid, AuthorityGranted)>,
}

impl Trust {
    /// From the projected facts, as recorded: what grants a right is withdrawn by a newer grant, not by a correction.
    pub(crate) fn of_facts(db: &Connection) -> Result<Self, Error> {
        Ok(Trust::of(Trust::grants(db)?))
    }

    /// The projected entries on which trust rests.
    pub(crate) fn grants(db: &Connection) -> Result<Vec<Grant>, Error> {
        let mut grants = Vec::new();
        for kind in KINDS {
            let mut select = db.prepare_cached(&format!(
                "SELECT {} FROM facts WHERE kind = ?",
                crate::project::facts::COLUMNS
            ))?;
            let mut rows = select.query([kind])?;
            while let Some(row) = rows.next()? {
                grants.push(Grant::of_fact(Fact::from_row(row)?)?);
            }
        }
        Ok(grants)
    }

    /// From the entries on which it rests, in any order.
    pub(crate) fn of(mut grants: Vec<Grant>) -> Self {
        // The founding entry first, even where a clock that had lost its time made an entry that seems older.
        grants.sort_by_key(|grant| (!matches!(grant.body, Body::ProgrammeSetUp(_)), grant.id));
        let founding = grants.iter().find(|g| matches!(g.body, Body::ProgrammeSetUp(_)));
        // More than one founding entry is two programmes in one: only the first counts.
        let mut trusted: BTreeSet<Uuid> = founding.map(|g| g.device).into_iter().collect();
        // A device with a slow clock may enrol another by an entry that seems older than its own enrolment: once more,
        // until nothing is added. Every round adds a device, so this ends.
        let mut known = BTreeMap::new();
        loop {
            let trust = Trust::pass(&grants, &trusted, known);
            let before = trusted.len();
            trusted.extend(trust.devices.keys());
            if trusted.len() == before {
                return trust;
            }
            known = trust.devices;
        }
    }

    /// One round, knowing the devices that the round before came to.
    fn pass(grants: &[Grant], trusted: &BTreeSet<Uuid>, known: BTreeMap<Uuid, Device>) -> Self {
        let mut trust = Trust::default();
        for grant in grants.iter().filter(|grant| trusted.contains(&grant.device)) {
            trust.take(grant, &known);
        }
        trust
    }

    fn take(&mut self, grant: &Grant, known: &BTreeMap<Uuid, Device>) {
        if let Body::ProgrammeSetUp(set_up) = &grant.body {
            if self.founder.is_none() {
                self.founder = Some(grant.person.clone());
                self.founding_device = Some(grant.device);
                let device = Device {
                    key: set_up.key,
                    holder: None,
                    last_number: None,
                    signed_from: if set_up.key.is_some() { 1 } else { u64::MAX },
                    by: grant.id,
                };
                self.devices.insert(grant.device, device);
            }
            return;
        }
        let device = self
            .devices
            .get(&grant.device)
            .or_else(|| known.get(&grant.device));
        let holds = device.is_some_and(|device| device.may_be_used_by(&grant.person));
        if !holds || !self.is(&grant.person, Role::Lead, grant.day) {
            return;
        }
        match &grant.body {
            Body::DeviceEnrolled(b) => match self.devices.get_mut(&b.device) {
                None => drop(self.devices.insert(
                    b.device,
                    Device {
                        key: Some(b.key),
                        holder: b.holder.clone(),
                        last_number: None,
                        signed_from: 1,
                        by: grant.id,
                    },
                )),
                // The founding device of a layout 1 file begins to sign with this very entry.
                Some(device) if device.key.is_none() && b.device == grant.device => {
                    device.key = Some(b.key);
                    device.signed_from = grant.number;
                }
                Some(_) => {} // the first enrolment stands
            },
            Body::DeviceWithdrawn(b) => {
                if let Some(device) = self.devices.get_mut(&b.device) {
                    let last = device.last_number.map_or(b.last_number, |n| n.min(b.last_number));
                    device.last_number = Some(last);
                }
            }
            Body::PersonEnrolled(b) => drop(self.people.insert(b.person.clone(), b.clone())),
            Body::AuthorityGranted(b) => self.authorities.push((grant.id, b.clone())),
            _ => {}
        }
    }

    /// Whether a person has a role on a day.
    pub(crate) fn is(&self, person: &str, role: Role, day: Date) -> bool {
        match self.people.get(person) {
            Some(enrolled) => {
                enrolled.roles.contains(&role)
                    && enrolled.from <= day
                    && enrolled.to.is_none_or(|to| day <= to)
            }
            None => role == Role::Lead && self.founder.as_deref() == Some(person),
        }
    }

    /// All that decides what a person may do on a device, to be compared with what it was.
    pub(crate) fn view(
        &self,
        person: &str,
        device: Uuid,
    ) -> (Option<&PersonEnrolled>, bool, Option<&Device>) {
        (
            self.people.get(person),
            self.founder.as_deref() == Some(person),
            self.devices.get(&device),
        )
    }

    /// Whether a device was withdrawn.
    pub(crate) fn is_withdrawn(&self, device: Uuid) -> bool {
        self.devices
            .get(&device)
            .is_some_and(|device| device.last_number.is_some())
    }

    /// The key on which everything rests.
    pub(crate) fn founding_key(&self) -> Option<PublicKey> {
        self.devices.get(&self.founding_device?)?.key
    }

    /// Every authority granted, in the canonical order.
    pub(crate) fn authorities(&self) -> &[(Uuid, AuthorityGranted)] {
        &self.authorities
    }

    /// Whether a person was enrolled, or founded the programme.
    pub(crate) fn knows(&self, person: &str) -> bool {
        self.people.contains_key(person) || self.founder.as_deref() == Some(person)
    }

    /// Everybody who was enrolled, and the founder, by id.
    pub(crate) fn known(&self) -> BTreeSet<&str> {
        self.people
            .keys()
            .map(String::as_str)
            .chain(self.founder.as_deref())
            .collect()
    }

    /// Whether somebody else is lead on a day.
    pub(crate) fn another_lead(&self, than: &str, day: Date) -> bool {
        let founder = self.founder.as_deref().filter(|p| !self.people.contains_key(*p));
        let mut people = self.people.keys().map(String::as_str).chain(founder);
        people.any(|person| person != than && self.is(person, Role::Lead, day))
    }

    /// Whether a person may act on a device.
    fn holds(&self, device: Uuid, person: &str) -> bool {
        self.devices
            .get(&device)
            .is_some_and(|device| device.may_be_used_by(person))
    }

    /// The roles that a person has on a day.
    pub(crate) fn roles(&self, person: &str, day: Date) -> Vec<Role> {
        const ALL: [Role; 6] = [
            Role::Lead,
            Role::Supervisor,
            Role::Inspector,
            Role::Identifier,
            Role::Clerk,
            Role::Partner,
        ];
        ALL.into_iter()
            .filter(|&role| self.is(person, role, day))
            .collect()
    }

    /// Whether a person may record such a body on a device that day. `own`: a correction of one's own entry.
    pub(crate) fn may(
        &self,
        device: Uuid,
        person: &str,
        day: Date,
        body: &Body,
        own: bool,
    ) -> Result<(), Refusal> {
        let refuse = |why: String| {
            Err(Refusal::NotEntitled {
                person: person.to_owned(),
                kind: body.kind().to_owned(),
                why,
            })
        };
        if !self.holds(device, person) {
            let why = match self.devices.get(&device).and_then(|d| d.holder.clone()) {
                Some(holder) => format!("this device is held by {holder}"),
                None => format!("device {device} is not enrolled: the lead enrols it"),
            };
            return refuse(why);
        }
        let roles = self.roles(person, day);
        if roles.is_empty() {
            return refuse(format!("{person} has no role on {day}; the lead enrols people"));
        }
        if roles.iter().any(|&role| allows(role, body, own)) {
            return Ok(());
        }
        let may: Vec<&str> = ROLES
            .iter()
            .filter(|(role, _)| allows(*role, body, own))
            .map(|(_, word)| *word)
            .collect();
        refuse(match may.as_slice() {
            [] => "nobody may".into(),
            may => format!("that is for {}", may.join(", ")),
        })
    }

    /// How far a person's word goes for a target on a day. Of the grants for that target that had begun by then, the newest
    /// stands, also where it grants less or has run out: that is how an authority is taken back.
    pub(crate) fn rank(&self, person: &str, target: &str, stage: Option<&str>, day: Date) -> Rank {
        let covers = |a: &AuthorityGranted| {
            a.person == person
                && a.from <= day
                && a.taxa.iter().any(|taxon| taxon == "*" || taxon == target)
                && (a.life_stages.is_empty() || stage.is_none_or(|s| a.life_stages.iter().any(|x| x == s)))
        };
        self.authorities
            .iter()
            .rev()
            .map(|(_, authority)| authority)
            .find(|authority| covers(authority))
            .filter(|authority| authority.to.is_none_or(|to| day <= to))
            .map_or(Rank::None, |authority| rank_of(authority.up_to))
    }
}

fn rank_of(status: Status) -> Rank {
    match status {
        Status::Tentative => Rank::Tentative,
        Status::Determined => Rank::Determined,
        Status::Confirmed => Rank::Confirmed,
        Status::Suspect | Status::RuledOut | Status::Undeterminable => Rank::None,
    }
}

const ROLES: [(Role, &str); 6] = [
    (Role::Lead, "lead"),
    (Role::Supervisor, "supervisor"),
    (Role::Inspector, "inspector"),
    (Role::Identifier, "identifier"),
    (Role::Clerk, "clerk"),
    (Role::Partner, "partner"),
];

/// The least rights that each role needs for its work (common practice, no source).
fn allows(role: Role, body: &Body, own: bool) -> bool {
    use Role::{Clerk, Identifier, Inspector, Lead, Supervisor};
    let among = |roles: &[Role]| roles.contains(&role);
    match body {
        Body::ProgrammeSetUp(_) => false,
        Body::Loaded(_) => among(&[Lead, Supervisor, Clerk]),
        Body::TargetAdopted(_)
        | Body::PlanAdopted(_)
        | Body::ProtocolAdopted(_)
        | Body::ResponseOpened(_)
        | Body::AreaDrawn(_)
        | Body::AreaLifted(_)
        | Body::PestReportIssued(_)
        | Body::ResponseClosed(_)
        | Body::DeviceEnrolled(_)
        | Body::DeviceWithdrawn(_)
        | Body::PersonEnrolled(_)
        | Body::AuthorityGranted(_)
        | Body::Other(_) => among(&[Lead]),
        Body::PersonErased(_) => among(&[Lead, Clerk]),
        // The journal itself writes it, whoever receives.
        Body::ClockSeen(_) => role != Role::Partner,
        Body::CrewFormed(_)
        | Body::RoundsAdopted(_)
        | Body::ResponseStepDone(_)
        | Body::DelimitingAdopted(_)
        | Body::HoldDeclared(_)
        | Body::HoldLifted(_)
        | Body::Sealed(_)
        | Body::ConflictSettled(_)
        | Body::TrapWrittenOff(_) => among(&[Lead, Supervisor]),
        Body::PlantingClosed(_) => among(&[Lead, Supervisor, Identifier]),
        Body::TrapPlaced(_)
        | Body::TrapTakenDown(_)
        | Body::VisitMade(_)
        | Body::TrapRegistered(_)
        | Body::TrapCameBack(_)
        | Body::TreeInspected(_)
        | Body::Supply(_) => among(&[Lead, Supervisor, Inspector, Clerk]),
        Body::SpecimenTaken(_)
        | Body::SpecimensOffered(_)
        | Body::SpecimensAccepted(_)
        | Body::SpecimensDeclined(_) => among(&[Lead, Supervisor, Inspector, Identifier]),
        Body::ScreeningMade(_) | Body::SpecimenEnded(_) => among(&[Lead, Supervisor, Identifier]),
        Body::Determination(b) if b.status == Status::Suspect => {
            among(&[Lead, Supervisor, Inspector, Identifier])
        }
        Body::Determination(_) => among(&[Lead, Identifier]),
        Body::Correction(_) => among(&[Lead, Supervisor, Clerk]) || (own && among(&[Inspector, Identifier])),
    }
}
