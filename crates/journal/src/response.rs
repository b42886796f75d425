//! What was done after finds, as a reader sees it.

use earlywood_model::protocol::Protocol;
use jiff::Timestamp;
use jiff::civil::Date;
use uuid::Uuid;

use crate::body::{
    AreaDrawn, AreaLifted, Body, DelimitingAdopted, PestReportIssued, ProtocolAdopted, ResponseClosed,
    ResponseOpened, ResponseStepDone,
};
use crate::error::{Error, Refusal};
use crate::programme::Programme;
use crate::project::response::{self, Done};

/// Something that was recorded, by whom, and when it happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Noted<T> {
    /// The entry.
    pub entry: Uuid,
    /// Who recorded it.
    pub person: String,
    /// When it happened.
    pub at: Timestamp,
    /// What it says.
    pub value: T,
}

impl<T> Noted<T> {
    fn of(done: &Done, value: T) -> Self {
        Noted {
            entry: done.entry,
            person: done.person.clone(),
            at: done.at,
            value,
        }
    }
}

/// A response: every version of everything, in the order in which it happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// How it began.
    pub opened: Noted<ResponseOpened>,
    /// Steps of the chain, in the order taken.
    pub steps: Vec<Noted<ResponseStepDone>>,
    /// Areas, by version.
    pub areas: Vec<Noted<AreaDrawn>>,
    /// Liftings, in order.
    pub lifted: Vec<Noted<AreaLifted>>,
    /// Delimiting surveys, the newest last.
    pub delimiting: Vec<Noted<DelimitingAdopted>>,
    /// Pest reports, by version.
    pub reports: Vec<Noted<PestReportIssued>>,
    /// How it ended.
    pub closed: Option<Noted<ResponseClosed>>,
}

impl Response {
    /// The find that opened it, which is its label.
    pub fn find(&self) -> &str {
        &self.opened.value.find
    }

    /// The target's id.
    pub fn target(&self) -> &str {
        &self.opened.value.target
    }

    /// The area in force on a day: the newest version that has begun, until it is lifted or its last day is past. A version
    /// takes the place of the one before it, which does not come back.
    pub fn area_on(&self, day: Date) -> Option<&Noted<AreaDrawn>> {
        let mut drawn = self.drawn();
        let begun = drawn.rfind(|area| area.value.from <= day)?;
        (!self.is_over(&begun.value, day)).then_some(begun)
    }

    /// The newest version that is not over on a day, one that is still to begin too: what the next version must hold.
    pub fn newest_area(&self, day: Date) -> Option<&Noted<AreaDrawn>> {
        let newest = self.drawn().next_back()?;
        (!self.is_over(&newest.value, day)).then_some(newest)
    }

    /// Versions but for those that were lifted before they began.
    fn drawn(&self) -> impl DoubleEndedIterator<Item = &Noted<AreaDrawn>> {
        self.areas.iter().filter(|area| {
            self.lifted_from(area.value.version)
                .is_none_or(|day| day >= area.value.from)
        })
    }

    fn lifted_from(&self, version: u32) -> Option<Date> {
        let mine = self.lifted.iter().filter(|l| l.value.version == version);
        mine.map(|l| l.value.from).min()
    }

    fn is_over(&self, area: &AreaDrawn, day: Date) -> bool {
        area.to.is_some_and(|to| to < day) || self.lifted_from(area.version).is_some_and(|from| from <= day)
    }

    /// When a step was taken first.
    pub fn step(&self, id: &str) -> Option<&Noted<ResponseStepDone>> {
        self.steps.iter().find(|step| step.value.step == id)
    }

    /// The response in its order; `None` where nobody opened it.
    fn of(all: Vec<Done>) -> Option<Response> {
        let opened = all.iter().find_map(|done| match &done.body {
            Body::ResponseOpened(b) => Some(Noted::of(done, b.clone())),
            _ => None,
        })?;
        let mut response = Response {
            opened,
            steps: Vec::new(),
            areas: Vec::new(),
            lifted: Vec::new(),
            delimiting: Vec::new(),
            reports: Vec::new(),
            closed: None,
        };
        for done in all {
            match &done.body {
                Body::ResponseStepDone(b) => response.steps.push(Noted::of(&done, b.clone())),
                Body::AreaDrawn(b) => response.areas.push(Noted::of(&done, b.clone())),
                Body::AreaLifted(b) => response.lifted.push(Noted::of(&done, b.clone())),
                Body::DelimitingAdopted(b) => response.delimiting.push(Noted::of(&done, b.clone())),
                Body::PestReportIssued(b) => response.reports.push(Noted::of(&done, b.clone())),
                Body::ResponseClosed(b) if response.closed.is_none() => {
                    response.closed = Some(Noted::of(&done, b.clone()));
                }
                _ => {}
            }
        }
        response.areas.sort_by_key(|area| area.value.version);
        response.reports.sort_by_key(|report| report.value.version);
        Some(response)
    }
}

/// A protocol as it was adopted last.
#[derive(Debug, Clone, PartialEq)]
pub struct AdoptedProtocol {
    /// The entry.
    pub entry: Uuid,
    /// The protocol, read.
    pub protocol: Protocol,
    /// The protocol, as it was written.
    pub toml: String,
}

impl Programme {
    /// Every response, in the order in which they were opened.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn responses(&self) -> Result<Vec<Response>, Error> {
        let mut all = Vec::new();
        for find in response::labels(&self.db)? {
            all.extend(Response::of(response::done(&self.db, &find)?));
        }
        all.sort_by_key(|response| (response.opened.at, response.opened.entry));
        Ok(all)
    }

    /// The response that a find opened.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn response(&self, find: &str) -> Result<Option<Response>, Error> {
        Ok(Response::of(response::done(&self.db, find)?))
    }

    /// The protocol of a target, as adopted last.
    ///
    /// # Errors
    /// As [`Programme::hosts`]; also a protocol that this program can't read any more.
    pub fn protocol(&self, target: &str) -> Result<Option<AdoptedProtocol>, Error> {
        let mine = self.recorded("protocol-adopted", "entry", |body| match body {
            Body::ProtocolAdopted(b) if b.target == target => Some(b),
            _ => None,
        })?;
        let read = |(entry, adopted): (Uuid, ProtocolAdopted)| {
            Ok(AdoptedProtocol {
                entry,
                protocol: Protocol::from_toml(&adopted.toml).map_err(Refusal::Protocol)?,
                toml: adopted.toml,
            })
        };
        mine.into_iter()
            .next_back()
            .map(|recorded| read((recorded.entry, recorded.value)))
            .transpose()
    }

    /// The protocol that an entry adopted: the one under which a response was opened.
    ///
    /// # Errors
    /// As [`Programme::protocol`].
    pub fn protocol_of(&self, entry: Uuid) -> Result<Option<AdoptedProtocol>, Error> {
        let Some(found) = self.entry(entry)? else {
            return Ok(None);
        };
        match found.body()? {
            Body::ProtocolAdopted(adopted) => Ok(Some(AdoptedProtocol {
                entry,
                protocol: Protocol::from_toml(&adopted.toml).map_err(Refusal::Protocol)?,
                toml: adopted.toml,
            })),
            _ => Ok(None),
        }
    }
}
