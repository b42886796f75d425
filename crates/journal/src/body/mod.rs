//! What entries say: one typed, versioned body per kind.
//!
//! An old version is read for ever, into the type of the newest. A version is written only where the value needs it:
//! [`Body::version`] says which. A field that a known version does not have is refused ([`Body::read_strict`] finds it
//! for every kind, [`Body::read`] for the kinds and versions that came after the first layout; those of the first layout
//! passed such fields over, and still do, so that no entry becomes unreadable).

#[cfg(any(test, feature = "arbitrary"))]
pub mod arbitrary;
pub(crate) mod field;
pub(crate) mod people;
pub(crate) mod records;
pub(crate) mod response;
pub(crate) mod rounds;
#[cfg(feature = "schema")]
pub mod schemas;
pub(crate) mod specimens;
pub(crate) mod supplies;
pub(crate) mod trees;

use std::collections::HashSet;

use earlywood_model::record::{Placement, Position, Visit};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use serde_json::Value;
use uuid::Uuid;

use crate::canonical::canonical_json;
use crate::error::{Error, Refusal};
use crate::hash::Hash;
use crate::load::{check_label, field};

pub use field::{
    ByCatch, ByCatchLevel, Catch, Cause, Exception, HoldDeclared, HoldLifted, HoldScope, Impairment, Loss,
    MovedTo, NOT_TOLD, Notice, Outcome, Proof, Renewal, Renewals, Resident, TakeDown, TrapCameBack,
    TrapRegistered, TrapWrittenOff, VisitMade,
};
pub use people::{
    AuthorityGranted, ClockSeen, CrewFormed, DeviceEnrolled, DeviceWithdrawn, NotAKey, PersonEnrolled,
    PersonErased, PublicKey, Role,
};
pub use records::{
    Change, ConflictSettled, Correction, Decision, LoadMode, Loaded, Other, Plan, ProgrammeSetUp,
    TargetAdopted, What,
};
pub use response::{
    AreaDrawn, AreaLifted, DelimitingAdopted, DelimitingSpot, MultiPolygon, PestReportIssued,
    ProtocolAdopted, ReportItem, ResponseClosed, ResponseEnd, ResponseOpened, ResponseStepDone,
};
pub use rounds::{LeftOut, PlannedRound, PlannedStop, RoundsAdopted};
pub use specimens::{
    Determination, Determined, Ending, Material, Method, Origin, Planting, PlantingClosed, PlantingOutcome,
    ScreeningMade, Sealed, Sex, SpecimenEnded, SpecimenTaken, SpecimensAccepted, SpecimensDeclined,
    SpecimensOffered, Status,
};
pub use supplies::{Item, Supply, SupplyMove};
pub use trees::{
    BranchSample, HoleShape, Leaf, Peeled, Severity, Sign, SignKind, Sureness, TreeInspected, TreePart,
    Vantage,
};

/// A photo or another attachment, by its hash; the bytes may arrive later, or never.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Photo {
    /// BLAKE3 of its bytes.
    pub hash: Hash,
    /// Number of its bytes.
    pub bytes: u64,
    /// Its media type ("image/jpeg").
    pub media: String,
    /// What it shows, in plain words ("overview", "tag", "suspect with scale").
    pub shows: String,
}

/// What an entry touches: each has a state of its own, folded from the entries that touch it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum Subject {
    /// A trap.
    Trap(String),
    /// A tree that was inspected.
    Tree(String),
    /// A specimen.
    Specimen(String),
    /// A hand-over of specimens.
    Handover(String),
    /// A lot of supplies.
    Lot(String),
    /// A person.
    Person(String),
    /// A crew.
    Crew(String),
    /// A device.
    Device(Uuid),
    /// A hold.
    Hold(String),
    /// A planting of marked specimens.
    Planting(String),
    /// Another entry, which this one corrects or withdraws.
    Entry(Uuid),
    /// A place.
    Place(String),
    /// A response, by the find that opened it.
    Response(String),
}

impl Subject {
    /// The word for its sort.
    pub fn sort(&self) -> &'static str {
        match self {
            Subject::Trap(_) => "trap",
            Subject::Tree(_) => "tree",
            Subject::Specimen(_) => "specimen",
            Subject::Handover(_) => "handover",
            Subject::Lot(_) => "lot",
            Subject::Person(_) => "person",
            Subject::Crew(_) => "crew",
            Subject::Device(_) => "device",
            Subject::Hold(_) => "hold",
            Subject::Planting(_) => "planting",
            Subject::Entry(_) => "entry",
            Subject::Place(_) => "place",
            Subject::Response(_) => "response",
        }
    }

    /// One text for it, unlike that of any other subject: `"trap:A-1"`.
    pub fn key(&self) -> String {
        let label = match self {
            Subject::Trap(label)
            | Subject::Tree(label)
            | Subject::Specimen(label)
            | Subject::Handover(label)
            | Subject::Lot(label)
            | Subject::Person(label)
            | Subject::Crew(label)
            | Subject::Hold(label)
            | Subject::Planting(label)
            | Subject::Place(label)
            | Subject::Response(label) => label.clone(),
            Subject::Device(id) | Subject::Entry(id) => id.to_string(),
        };
        format!("{}:{label}", self.sort())
    }
}

/// What every body can tell of itself.
pub(crate) trait Says {
    /// Checks the body on its own, without looking at what was recorded before.
    fn check_on(&self, today: Date) -> Result<(), Refusal>;
    /// What it touches.
    fn subjects(&self) -> Vec<Subject>;
    /// The day on which it happened, where the body tells it.
    fn day(&self) -> Option<Date> {
        None
    }
}

pub(crate) fn refuse<T>(name: &'static str, value: impl ToString, rule: &str) -> Result<T, Refusal> {
    Err(field(name, value, rule))
}

/// Longest free text, bytes.
const LONGEST_WORDS: usize = 4000;

/// Free text in plain words: something in it, not endless, and no e-mail address, for it can never be erased.
pub(crate) fn check_words(name: &'static str, words: Option<&str>) -> Result<(), Refusal> {
    let Some(words) = words else { return Ok(()) };
    if words.trim().is_empty() {
        return refuse(name, "empty", "some words, or leave it out");
    }
    if words.len() > LONGEST_WORDS {
        return refuse(
            name,
            format!("of {} bytes", words.len()),
            &format!("at most {LONGEST_WORDS} bytes"),
        );
    }
    if words.chars().any(|c| c.is_control() && !matches!(c, '\n' | '\t')) {
        return refuse(name, format!("{words:?}"), "no control characters");
    }
    if words.split_whitespace().any(looks_like_email) {
        let rule = "no e-mail addresses: the journal can't be erased; use the person's id";
        return refuse(name, format!("{words:?}"), rule);
    }
    Ok(())
}

fn looks_like_email(word: &str) -> bool {
    word.split_once('@').is_some_and(|(name, host)| {
        name.ends_with(char::is_alphanumeric) && host.starts_with(char::is_alphanumeric) && host.contains('.')
    })
}

/// Id of a person, a crew or a role: a short label, never personal data.
pub(crate) fn check_person(name: &'static str, id: &str) -> Result<(), Refusal> {
    check_label(name, id)?;
    if id.contains('@') {
        let rule = "no personal data in the journal; use an id or a role instead of an e-mail address";
        return refuse(name, format!("{id:?}"), rule);
    }
    if id.len() > 64 {
        return refuse(
            name,
            format!("{id:?}"),
            "a short id or role of at most 64 bytes, such as p-14 or crew-3",
        );
    }
    Ok(())
}

/// Labels of one list: each a label, each once.
pub(crate) fn check_each_label<'a>(
    name: &'static str,
    labels: impl IntoIterator<Item = &'a String>,
) -> Result<(), Refusal> {
    let mut seen = HashSet::new();
    for label in labels {
        check_label(name, label)?;
        if !seen.insert(label) {
            return refuse(name, format!("{label:?} twice"), "each label once");
        }
    }
    Ok(())
}

/// A day that may lie ahead, in the years that are written with four digits.
pub(crate) fn check_year(name: &'static str, date: Date) -> Result<(), Refusal> {
    if date.year() < 1 {
        return refuse(name, date, "a year from 0001");
    }
    Ok(())
}

/// A stretch of days, both ends counted; it may lie ahead.
pub(crate) fn check_span(from: Date, to: Option<Date>) -> Result<(), Refusal> {
    check_year("from", from)?;
    match to {
        Some(to) if to < from => Err(Refusal::DatesReversed {
            earlier: "from",
            earlier_date: from,
            later: "to",
            later_date: to,
        }),
        _ => Ok(()),
    }
}

/// A moment as RFC 3339 with offset, and the day it is where that offset holds.
pub(crate) fn check_moment(name: &'static str, text: &str) -> Result<(Timestamp, Date), Refusal> {
    let moment = text
        .parse::<Timestamp>()
        .ok()
        .filter(|_| crate::entry::is_rfc_3339(text));
    let day = text.get(..10).and_then(|day| day.parse::<Date>().ok());
    match (moment, day) {
        (Some(moment), Some(day)) => Ok((moment, day)),
        _ => refuse(
            name,
            format!("{text:?}"),
            "RFC 3339 with an offset, as in 2026-05-01T09:30:00-07:00",
        ),
    }
}

/// A number in a range, both ends counted.
pub(crate) fn check_range(
    name: &'static str,
    value: Option<f64>,
    lowest: f64,
    highest: f64,
    unit: &str,
) -> Result<(), Refusal> {
    let Some(value) = value.filter(|value| !(lowest..=highest).contains(value)) else {
        return Ok(());
    };
    let lowest = if lowest == f64::MIN_POSITIVE { 0.0 } else { lowest };
    refuse(name, value, &format!("from {lowest} to {highest} {unit}"))
}

/// An accuracy means something only with its position; beyond 100 km it says nothing about a trap or tree.
pub(crate) fn check_accuracy(position: Option<Position>, accuracy_m: Option<f64>) -> Result<(), Refusal> {
    if position.is_none() && accuracy_m.is_some() {
        return refuse(
            "position_accuracy_m",
            "without a position",
            "give the position too",
        );
    }
    check_range("position_accuracy_m", accuracy_m, 0.0, 100_000.0, "metres")
}

/// A count that every JSON reader keeps exactly.
pub(crate) fn check_count(name: &'static str, count: u64) -> Result<(), Refusal> {
    if count >= 1 << 53 {
        return refuse(name, count, "below 2^53, where JSON readers lose digits");
    }
    Ok(())
}

pub(crate) fn check_photos(photos: &[Photo]) -> Result<(), Refusal> {
    let mut seen = HashSet::new();
    for photo in photos {
        if photo.bytes == 0 {
            return refuse("bytes", 0, "at least 1");
        }
        check_count("bytes", photo.bytes)?;
        check_label("media", &photo.media)?;
        let is_type = photo
            .media
            .split_once('/')
            .is_some_and(|(a, b)| !a.is_empty() && !b.is_empty());
        if !is_type || photo.media.contains(char::is_whitespace) {
            return refuse(
                "media",
                format!("{:?}", photo.media),
                "a media type such as image/jpeg",
            );
        }
        check_words("shows", Some(&photo.shows))?;
        if !seen.insert(photo.hash) {
            return refuse("photos", format!("{} twice", photo.hash), "each photo once");
        }
    }
    Ok(())
}

/// What one entry says.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
// Nearly every body is a visit, which is also the largest: a box around it would only cost an allocation each.
#[allow(clippy::large_enum_variant)]
pub enum Body {
    /// `programme-set-up`
    ProgrammeSetUp(ProgrammeSetUp),
    /// `hosts-loaded`, `pathways-loaded`, `land-loaded`, `zones-loaded`, `weather-loaded`, `places-loaded`,
    /// `roads-loaded`, `crews-loaded`, `access-loaded`
    Loaded(Loaded),
    /// `target-adopted`
    TargetAdopted(TargetAdopted),
    /// `plan-adopted`
    PlanAdopted(Plan),
    /// `rounds-adopted`
    RoundsAdopted(RoundsAdopted),
    /// `trap-placed`
    TrapPlaced(Placement),
    /// `trap-taken-down`
    TrapTakenDown(TakeDown),
    /// `visit-made`
    VisitMade(VisitMade),
    /// `determination`
    Determination(Determination),
    /// `correction`
    Correction(Correction),
    /// `device-enrolled`
    DeviceEnrolled(DeviceEnrolled),
    /// `device-withdrawn`
    DeviceWithdrawn(DeviceWithdrawn),
    /// `person-enrolled`
    PersonEnrolled(PersonEnrolled),
    /// `crew-formed`
    CrewFormed(CrewFormed),
    /// `authority-granted`
    AuthorityGranted(AuthorityGranted),
    /// `person-erased`
    PersonErased(PersonErased),
    /// `trap-registered`
    TrapRegistered(TrapRegistered),
    /// `trap-written-off`
    TrapWrittenOff(TrapWrittenOff),
    /// `trap-came-back`
    TrapCameBack(TrapCameBack),
    /// `hold-declared`
    HoldDeclared(HoldDeclared),
    /// `hold-lifted`
    HoldLifted(HoldLifted),
    /// `tree-inspected`
    TreeInspected(TreeInspected),
    /// `specimen-taken`
    SpecimenTaken(SpecimenTaken),
    /// `specimens-offered`
    SpecimensOffered(SpecimensOffered),
    /// `specimens-accepted`
    SpecimensAccepted(SpecimensAccepted),
    /// `specimens-declined`
    SpecimensDeclined(SpecimensDeclined),
    /// `screening-made`
    ScreeningMade(ScreeningMade),
    /// `specimen-ended`
    SpecimenEnded(SpecimenEnded),
    /// `supply`
    Supply(Supply),
    /// `sealed`
    Sealed(Sealed),
    /// `planting-closed`
    PlantingClosed(PlantingClosed),
    /// `conflict-settled`
    ConflictSettled(ConflictSettled),
    /// `clock-seen`
    ClockSeen(ClockSeen),
    /// `protocol-adopted`
    ProtocolAdopted(ProtocolAdopted),
    /// `response-opened`
    ResponseOpened(ResponseOpened),
    /// `response-step-done`
    ResponseStepDone(ResponseStepDone),
    /// `area-drawn`
    AreaDrawn(AreaDrawn),
    /// `area-lifted`
    AreaLifted(AreaLifted),
    /// `delimiting-adopted`
    DelimitingAdopted(DelimitingAdopted),
    /// `pest-report-issued`
    PestReportIssued(PestReportIssued),
    /// `response-closed`
    ResponseClosed(ResponseClosed),
    /// Any other kind, or a known kind with a newer body.
    Other(Other),
}

/// Every kind and the newest version of its body; all versions from 1 are known.
const KINDS: [(&str, u32); 49] = [
    ("programme-set-up", 2),
    ("hosts-loaded", 1),
    ("pathways-loaded", 1),
    ("land-loaded", 1),
    ("zones-loaded", 1),
    ("weather-loaded", 1),
    ("places-loaded", 1),
    ("roads-loaded", 1),
    ("crews-loaded", 1),
    ("access-loaded", 1),
    ("target-adopted", 1),
    ("plan-adopted", 1),
    ("rounds-adopted", 1),
    ("trap-placed", 1),
    ("trap-taken-down", 1),
    ("visit-made", 2),
    ("determination", 2),
    ("correction", 2),
    ("device-enrolled", 1),
    ("device-withdrawn", 1),
    ("person-enrolled", 1),
    ("crew-formed", 1),
    ("authority-granted", 1),
    ("person-erased", 1),
    ("trap-registered", 1),
    ("trap-written-off", 1),
    ("trap-came-back", 1),
    ("hold-declared", 1),
    ("hold-lifted", 1),
    ("tree-inspected", 1),
    ("specimen-taken", 1),
    ("specimens-offered", 1),
    ("specimens-accepted", 1),
    ("specimens-declined", 1),
    ("screening-made", 1),
    ("specimen-ended", 1),
    ("supply", 1),
    ("sealed", 1),
    ("planting-closed", 1),
    ("conflict-settled", 1),
    ("clock-seen", 1),
    ("protocol-adopted", 1),
    ("response-opened", 1),
    ("response-step-done", 1),
    ("area-drawn", 1),
    ("area-lifted", 1),
    ("delimiting-adopted", 1),
    ("pest-report-issued", 1),
    ("response-closed", 1),
];

/// The same expression for whichever body it is; `Other` apart.
macro_rules! whichever {
    ($body:expr, $b:ident => $each:expr, $other:ident => $otherwise:expr) => {
        match $body {
            Body::ProgrammeSetUp($b) => $each,
            Body::Loaded($b) => $each,
            Body::TargetAdopted($b) => $each,
            Body::PlanAdopted($b) => $each,
            Body::RoundsAdopted($b) => $each,
            Body::TrapPlaced($b) => $each,
            Body::TrapTakenDown($b) => $each,
            Body::VisitMade($b) => $each,
            Body::Determination($b) => $each,
            Body::Correction($b) => $each,
            Body::DeviceEnrolled($b) => $each,
            Body::DeviceWithdrawn($b) => $each,
            Body::PersonEnrolled($b) => $each,
            Body::CrewFormed($b) => $each,
            Body::AuthorityGranted($b) => $each,
            Body::PersonErased($b) => $each,
            Body::TrapRegistered($b) => $each,
            Body::TrapWrittenOff($b) => $each,
            Body::TrapCameBack($b) => $each,
            Body::HoldDeclared($b) => $each,
            Body::HoldLifted($b) => $each,
            Body::TreeInspected($b) => $each,
            Body::SpecimenTaken($b) => $each,
            Body::SpecimensOffered($b) => $each,
            Body::SpecimensAccepted($b) => $each,
            Body::SpecimensDeclined($b) => $each,
            Body::ScreeningMade($b) => $each,
            Body::SpecimenEnded($b) => $each,
            Body::Supply($b) => $each,
            Body::Sealed($b) => $each,
            Body::PlantingClosed($b) => $each,
            Body::ConflictSettled($b) => $each,
            Body::ClockSeen($b) => $each,
            Body::ProtocolAdopted($b) => $each,
            Body::ResponseOpened($b) => $each,
            Body::ResponseStepDone($b) => $each,
            Body::AreaDrawn($b) => $each,
            Body::AreaLifted($b) => $each,
            Body::DelimitingAdopted($b) => $each,
            Body::PestReportIssued($b) => $each,
            Body::ResponseClosed($b) => $each,
            Body::Other($other) => $otherwise,
        }
    };
}

impl Body {
    /// The entry's kind.
    pub fn kind(&self) -> &str {
        match self {
            Body::ProgrammeSetUp(_) => "programme-set-up",
            Body::Loaded(loaded) => loaded.what.kind(),
            Body::TargetAdopted(_) => "target-adopted",
            Body::PlanAdopted(_) => "plan-adopted",
            Body::RoundsAdopted(_) => "rounds-adopted",
            Body::TrapPlaced(_) => "trap-placed",
            Body::TrapTakenDown(_) => "trap-taken-down",
            Body::VisitMade(_) => "visit-made",
            Body::Determination(_) => "determination",
            Body::Correction(_) => "correction",
            Body::DeviceEnrolled(_) => "device-enrolled",
            Body::DeviceWithdrawn(_) => "device-withdrawn",
            Body::PersonEnrolled(_) => "person-enrolled",
            Body::CrewFormed(_) => "crew-formed",
            Body::AuthorityGranted(_) => "authority-granted",
            Body::PersonErased(_) => "person-erased",
            Body::TrapRegistered(_) => "trap-registered",
            Body::TrapWrittenOff(_) => "trap-written-off",
            Body::TrapCameBack(_) => "trap-came-back",
            Body::HoldDeclared(_) => "hold-declared",
            Body::HoldLifted(_) => "hold-lifted",
            Body::TreeInspected(_) => "tree-inspected",
            Body::SpecimenTaken(_) => "specimen-taken",
            Body::SpecimensOffered(_) => "specimens-offered",
            Body::SpecimensAccepted(_) => "specimens-accepted",
            Body::SpecimensDeclined(_) => "specimens-declined",
            Body::ScreeningMade(_) => "screening-made",
            Body::SpecimenEnded(_) => "specimen-ended",
            Body::Supply(_) => "supply",
            Body::Sealed(_) => "sealed",
            Body::PlantingClosed(_) => "planting-closed",
            Body::ConflictSettled(_) => "conflict-settled",
            Body::ClockSeen(_) => "clock-seen",
            Body::ProtocolAdopted(_) => "protocol-adopted",
            Body::ResponseOpened(_) => "response-opened",
            Body::ResponseStepDone(_) => "response-step-done",
            Body::AreaDrawn(_) => "area-drawn",
            Body::AreaLifted(_) => "area-lifted",
            Body::DelimitingAdopted(_) => "delimiting-adopted",
            Body::PestReportIssued(_) => "pest-report-issued",
            Body::ResponseClosed(_) => "response-closed",
            Body::Other(other) => &other.kind,
        }
    }

    /// The version in which this very value is written.
    pub fn version(&self) -> u32 {
        match self {
            Body::ProgrammeSetUp(set_up) if set_up.key.is_some() => 2,
            Body::VisitMade(_) => 2,
            Body::Determination(determination) => determination.version(),
            Body::Correction(correction) => correction.version(),
            Body::Other(other) => other.version,
            _ => 1,
        }
    }

    /// Every kind and version that this program knows how to read.
    pub fn kinds() -> impl Iterator<Item = (&'static str, u32)> {
        KINDS
            .into_iter()
            .flat_map(|(kind, newest)| (1..=newest).map(move |version| (kind, version)))
    }

    /// Whether this program knows how to read the kind and version.
    pub fn is_known(kind: &str, version: u32) -> bool {
        let newest = KINDS
            .iter()
            .find(|(known, _)| *known == kind)
            .map_or(0, |(_, newest)| *newest);
        (1..=newest).contains(&version)
    }

    /// The day on which it happened, for the kinds whose body tells it.
    pub fn day(&self) -> Option<Date> {
        whichever!(self, b => Says::day(b), _other => None)
    }

    /// The moment at which it happened, RFC 3339 with offset, where the body tells it: when the crew arrived.
    pub fn moment(&self) -> Option<&str> {
        match self {
            Body::VisitMade(visit) => visit.arrive.as_deref(),
            _ => None,
        }
    }

    /// Checks the body on its own: labels, ranges, days, whether its parts agree, no personal data. Whether the move is
    /// allowed, given what was recorded before, is not asked.
    ///
    /// # Errors
    /// What is wrong, in plain words.
    pub fn check(&self, today: Date) -> Result<(), Refusal> {
        whichever!(self, b => b.check_on(today), other => other.check())
    }

    /// What it touches, each once; what it happened to first.
    pub fn subjects(&self) -> Vec<Subject> {
        let mut subjects = whichever!(self, b => Says::subjects(b), _other => Vec::new());
        let mut seen = HashSet::new();
        subjects.retain(|subject| seen.insert(subject.clone()));
        subjects
    }

    /// The body's one canonical spelling, in the version that [`Body::version`] says.
    ///
    /// # Errors
    /// A number that JSON readers would change; a determination of a specimen without its method.
    pub fn to_text(&self) -> Result<String, Error> {
        let value =
            whichever!(self, b => serde_json::to_value(b), other => return canonical_json(&other.body));
        canonical_json(&value.map_err(|e| unusable(self.kind(), e))?)
    }

    /// Reads a body of any kind and version; what is not known comes back as [`Body::Other`].
    ///
    /// # Errors
    /// A body that is not what its kind and version say.
    pub fn read(kind: &str, version: u32, text: &str) -> Result<Body, Error> {
        fn of<T: DeserializeOwned>(kind: &str, text: &str) -> Result<T, Error> {
            serde_json::from_str(text).map_err(|e| unusable(kind, e))
        }
        Ok(match (kind, version) {
            ("programme-set-up", 1) => {
                Body::ProgrammeSetUp(of::<records::ProgrammeSetUpV1>(kind, text)?.into())
            }
            ("programme-set-up", 2) => {
                Body::ProgrammeSetUp(of::<records::ProgrammeSetUpV2>(kind, text)?.into())
            }
            ("visit-made", 1) => Body::VisitMade(VisitMade::from_visit(&of::<Visit>(kind, text)?)),
            ("visit-made", 2) => Body::VisitMade(of(kind, text)?),
            ("determination", 1) => Body::Determination(of::<specimens::DeterminationV1>(kind, text)?.into()),
            ("determination", 2) => Body::Determination(of::<specimens::DeterminationV2>(kind, text)?.into()),
            ("correction", 1) => Body::Correction(correction_of_version_1(of(kind, text)?)?),
            ("correction", 2) => Body::Correction(of::<records::CorrectionV2>(kind, text)?.into()),
            ("target-adopted", 1) => Body::TargetAdopted(of(kind, text)?),
            ("plan-adopted", 1) => Body::PlanAdopted(of(kind, text)?),
            ("rounds-adopted", 1) => Body::RoundsAdopted(of(kind, text)?),
            ("trap-placed", 1) => Body::TrapPlaced(of(kind, text)?),
            ("trap-taken-down", 1) => Body::TrapTakenDown(of(kind, text)?),
            ("device-enrolled", 1) => Body::DeviceEnrolled(of(kind, text)?),
            ("device-withdrawn", 1) => Body::DeviceWithdrawn(of(kind, text)?),
            ("person-enrolled", 1) => Body::PersonEnrolled(of(kind, text)?),
            ("crew-formed", 1) => Body::CrewFormed(of(kind, text)?),
            ("authority-granted", 1) => Body::AuthorityGranted(of(kind, text)?),
            ("person-erased", 1) => Body::PersonErased(of(kind, text)?),
            ("trap-registered", 1) => Body::TrapRegistered(of(kind, text)?),
            ("trap-written-off", 1) => Body::TrapWrittenOff(of(kind, text)?),
            ("trap-came-back", 1) => Body::TrapCameBack(of(kind, text)?),
            ("hold-declared", 1) => Body::HoldDeclared(of(kind, text)?),
            ("hold-lifted", 1) => Body::HoldLifted(of(kind, text)?),
            ("tree-inspected", 1) => Body::TreeInspected(of(kind, text)?),
            ("specimen-taken", 1) => Body::SpecimenTaken(of(kind, text)?),
            ("specimens-offered", 1) => Body::SpecimensOffered(of(kind, text)?),
            ("specimens-accepted", 1) => Body::SpecimensAccepted(of(kind, text)?),
            ("specimens-declined", 1) => Body::SpecimensDeclined(of(kind, text)?),
            ("screening-made", 1) => Body::ScreeningMade(of(kind, text)?),
            ("specimen-ended", 1) => Body::SpecimenEnded(of(kind, text)?),
            ("supply", 1) => Body::Supply(of(kind, text)?),
            ("sealed", 1) => Body::Sealed(of(kind, text)?),
            ("planting-closed", 1) => Body::PlantingClosed(of(kind, text)?),
            ("conflict-settled", 1) => Body::ConflictSettled(of(kind, text)?),
            ("clock-seen", 1) => Body::ClockSeen(of(kind, text)?),
            ("protocol-adopted", 1) => Body::ProtocolAdopted(of(kind, text)?),
            ("response-opened", 1) => Body::ResponseOpened(of(kind, text)?),
            ("response-step-done", 1) => Body::ResponseStepDone(of(kind, text)?),
            ("area-drawn", 1) => Body::AreaDrawn(of(kind, text)?),
            ("area-lifted", 1) => Body::AreaLifted(of(kind, text)?),
            ("delimiting-adopted", 1) => Body::DelimitingAdopted(of(kind, text)?),
            ("pest-report-issued", 1) => Body::PestReportIssued(of(kind, text)?),
            ("response-closed", 1) => Body::ResponseClosed(of(kind, text)?),
            (kind, 1) if What::of_kind(kind).is_some() => {
                let loaded: Loaded = of(kind, text)?;
                if loaded.what.kind() != kind {
                    return Err(unusable(kind, format!("it speaks of {}", loaded.what)));
                }
                Body::Loaded(loaded)
            }
            _ => Body::Other(Other {
                kind: kind.to_owned(),
                version,
                body: of(kind, text)?,
            }),
        })
    }

    /// As [`Body::read`], for a body that is about to be appended: also refuses every field that reading would pass over,
    /// at any depth, because it would be lost in silence.
    ///
    /// # Errors
    /// As [`Body::read`]; a field that the kind and version do not have.
    pub fn read_strict(kind: &str, version: u32, text: &str) -> Result<Body, Error> {
        let body = Body::read(kind, version, text)?;
        let given: Value = serde_json::from_str(text).map_err(|e| unusable(kind, e))?;
        // A visit of version 1 is compared as what it was.
        let kept = match (&body, version) {
            (Body::VisitMade(visit), 1) => {
                serde_json::to_value(visit.to_visit()).map_err(|e| unusable(kind, e))?
            }
            _ => serde_json::from_str(&body.to_text()?).map_err(|e| unusable(kind, e))?,
        };
        match first_lost(&given, &kept, "") {
            Some(path) => Err(unusable(kind, format!("version {version} has no field {path}"))),
            None => Ok(body),
        }
    }
}

fn unusable(kind: &str, why: impl ToString) -> Error {
    Error::Body {
        kind: kind.to_owned(),
        why: why.to_string(),
    }
}

/// Version 1 had no `instead`.
fn correction_of_version_1(correction: Correction) -> Result<Correction, Error> {
    match correction.change {
        Change::Instead { .. } => Err(unusable("correction", "\"instead\" came with version 2")),
        Change::Withdraw | Change::Visit { .. } => Ok(correction),
    }
}

/// Path of the first field of `given` that `kept` lacks. A null says the same as no field; so does an empty list or object.
fn first_lost(given: &Value, kept: &Value, path: &str) -> Option<String> {
    let says_nothing = |value: &Value| match value {
        Value::Null => true,
        Value::Array(items) => items.is_empty(),
        Value::Object(members) => members.is_empty(),
        _ => false,
    };
    match (given, kept) {
        (Value::Object(given), Value::Object(kept)) => given.iter().find_map(|(name, value)| {
            let path = if path.is_empty() {
                name.clone()
            } else {
                format!("{path}.{name}")
            };
            match kept.get(name) {
                Some(kept) => first_lost(value, kept, &path),
                None if says_nothing(value) => None,
                None => Some(path),
            }
        }),
        (Value::Array(given), Value::Array(kept)) => {
            given.iter().zip(kept).find_map(|(g, k)| first_lost(g, k, path))
        }
        _ => None,
    }
}
