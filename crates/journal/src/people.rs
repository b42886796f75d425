//! People and devices: who is who (erasable, beside the journal), and how a copy becomes a device of its own.

use std::path::Path;

use rusqlite::TransactionBehavior;
use serde::{Deserialize, Serialize};
use uuid::{ContextV7, Uuid};

use crate::body::{Body, DeviceEnrolled, PersonEnrolled, PersonErased, Role};
use crate::entry::{Act, Draft, Receipt, new_id};
use crate::error::{Error, Refusal};
use crate::exchange::Request;
use crate::key::DeviceKey;
use crate::load::field;
use crate::programme::Programme;
use crate::store::sqlite::SqliteLog;
use crate::store::{Log, Writing};
use crate::trust::Trust;

/// What the side table says of a person. None of it is in the journal, and all of it can be erased.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Personal {
    /// Name as the person wants it written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Telephone number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub phone: Option<String>,
    /// E-mail address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub email: Option<String>,
    /// Postal address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// Languages, preferred hours, whatever helps to reach them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A person as the journal knows them, by id.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// Id, as it stands in entries.
    pub id: String,
    /// Roles on the day asked for.
    pub roles: Vec<Role>,
    /// The enrolment in force, if the person was ever enrolled (the founder may never have been).
    pub enrolled: Option<PersonEnrolled>,
}

/// A device that may write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownDevice {
    /// Its id.
    pub device: Uuid,
    /// The person who holds it; none for an office machine.
    pub holder: Option<String>,
    /// Its last entry that counts, when it was withdrawn.
    pub last_number: Option<u64>,
    /// Entries of it that are here.
    pub entries: u64,
}

impl Programme {
    /// Everybody who was enrolled, and the founder, with the roles they have on a day.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn people(&self, day: jiff::civil::Date) -> Result<Vec<Person>, Error> {
        let trust = Trust::of_facts(&self.db)?;
        let person = |id: &str| Person {
            id: id.to_owned(),
            roles: trust.roles(id, day),
            enrolled: trust.people.get(id).cloned(),
        };
        Ok(trust.known().iter().map(|id| person(id)).collect())
    }

    /// The roles that a person has on a day.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn roles(&self, person: &str, day: jiff::civil::Date) -> Result<Vec<Role>, Error> {
        Ok(Trust::of_facts(&self.db)?.roles(person, day))
    }

    /// Every device that was enrolled.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn devices(&self) -> Result<Vec<KnownDevice>, Error> {
        let log = self.log_view();
        let trust = Trust::of_facts(&self.db)?;
        let known = trust.devices.iter().map(|(device, known)| {
            Ok(KnownDevice {
                device: *device,
                holder: known.holder.clone(),
                last_number: known.last_number,
                entries: log.head(*device)?.map_or(0, |head| head.number),
            })
        });
        known.collect()
    }

    /// Enrols a person, or gives one other roles.
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn enrol_person(&mut self, act: &Act, person: PersonEnrolled) -> Result<Receipt, Error> {
        self.append(act, Body::PersonEnrolled(person))
    }

    /// Enrols a device that has asked for it.
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn enrol_device(
        &mut self,
        act: &Act,
        request: Request,
        holder: Option<String>,
    ) -> Result<Receipt, Error> {
        self.append(
            act,
            Body::DeviceEnrolled(DeviceEnrolled {
                device: request.device,
                key: request.key,
                holder,
                note: None,
            }),
        )
    }

    /// What the side table says of a person. Lead, supervisor and clerk may look; everybody may look at their own.
    ///
    /// # Errors
    /// A person without that right; a database that can't be read.
    pub fn personal(&self, act: &Act, person: &str) -> Result<Option<Personal>, Error> {
        self.may_see_people(act, person)?;
        match self.log_view().private(person)? {
            None => Ok(None),
            Some(text) => serde_json::from_str(&text)
                .map(Some)
                .map_err(|e| Error::Damaged(format!("what is kept of {person} can't be read: {e}"))),
        }
    }

    fn may_see_people(&self, act: &Act, person: &str) -> Result<(), Error> {
        let roles = self.roles(act.person(), act.today())?;
        let among = |role| roles.contains(&role);
        if act.person() == person || among(Role::Lead) || among(Role::Supervisor) || among(Role::Clerk) {
            return Ok(());
        }
        Err(Refusal::NotEntitled {
            person: act.person().to_owned(),
            kind: "look at people's data".into(),
            why: "that is for lead, supervisor, clerk, and the person".into(),
        }
        .into())
    }

    /// Writes down who a person is, beside the journal.
    ///
    /// # Errors
    /// A person without that right, or one that the journal does not know; a file that can't be written.
    pub fn set_personal(&mut self, act: &Act, person: &str, personal: &Personal) -> Result<(), Error> {
        self.may_see_people(act, person)?;
        if !Trust::of_facts(&self.db)?.knows(person) {
            return Err(Refusal::Unfit {
                what: "person",
                label: person.to_owned(),
                why: "is not known here".into(),
            }
            .into());
        }
        let text = serde_json::to_string(personal)
            .map_err(|e| Error::from(field("person", person, &e.to_string())))?;
        self.private_change(|log| log.set_private(person, Some(&text)))
    }

    /// Erases what is known of a person beyond the id. The journal, which never held any of it, stays as it is and stays
    /// verifiable; one entry more says that it was done.
    ///
    /// # Errors
    /// A person without that right; a file that can't be written.
    pub fn erase_person(&mut self, act: &Act, person: &str) -> Result<Receipt, Error> {
        // The entry first: who may not write it may not erase either. Both or neither are kept.
        let draft = Draft::from(Body::PersonErased(PersonErased {
            person: person.to_owned(),
        }));
        let receipt = self.change(|session| {
            let receipt = session.append(act, &draft)?.receipt();
            session.log.set_private(person, None)?;
            Ok(receipt)
        })?;
        if let Some(shared) = &mut self.shared {
            let writing = shared.write()?;
            writing.set_private(person, None)?;
            writing.commit()?;
        }
        // The write-ahead log holds what was erased until it is written back.
        self.db
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        Ok(receipt)
    }

    fn private_change(&mut self, work: impl Fn(&dyn Writing) -> Result<(), Error>) -> Result<(), Error> {
        self.must_be_writable()?;
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        work(&SqliteLog(&*tx))?;
        tx.commit()?;
        if let Some(shared) = &mut self.shared {
            let writing = shared.write()?;
            work(&*writing)?;
            writing.commit()?;
        }
        Ok(())
    }

    /// Makes this copy a device of its own, with a new key beside the file. It can read at once, and write once a lead has
    /// enrolled it (see [`Programme::request`]) and it has heard so.
    ///
    /// # Errors
    /// A folder or file that can't be written.
    pub fn join(&mut self, now: jiff::Timestamp) -> Result<Request, Error> {
        self.must_be_writable()?;
        let key = DeviceKey::generate(new_id(now, &ContextV7::new()))?;
        key.write(&DeviceKey::path_beside(self.path()))?;
        self.db
            .execute("UPDATE this_device SET device = ?", [key.device().as_bytes()])?;
        let request = Request {
            device: key.device(),
            key: key.public(),
        };
        self.become_device(key);
        Ok(request)
    }

    /// Puts a backup back as a working file. The backup's own device wrote on after it was made, perhaps, so the restored
    /// file is a new device, which a lead enrols; entries made since the backup come back from other copies by an
    /// exchange. With `key` (the old device's key file, kept in a safe) it goes on as the old device: only right when no
    /// other copy holds later entries of it.
    ///
    /// # Errors
    /// A backup that does not verify; a file that is there already; a key of another device.
    pub fn restore(
        backup: &Path,
        to: &Path,
        now: jiff::Timestamp,
        key: Option<&Path>,
    ) -> Result<Self, Error> {
        Programme::open_read_only(backup)?.backup(to)?;
        let mut restored = Programme::open(to)?;
        match key {
            None => drop(restored.join(now)?),
            Some(path) => {
                let key = DeviceKey::read(path)?.ok_or_else(|| Error::NotFound {
                    path: path.to_owned(),
                })?;
                if key.device() != restored.device() {
                    return Err(Error::Key(format!(
                        "{} is the key of device {}, the backup is of device {}",
                        path.display(),
                        key.device(),
                        restored.device()
                    )));
                }
                key.write(&DeviceKey::path_beside(to))?;
                restored.become_device(key);
            }
        }
        Ok(restored)
    }
}
