//! JSON Schemas (draft 2020-12) of every kind and version of body, and of the envelope around them.
//!
//! They stand in `crates/journal/schemas`; a test compares them with what is made here and, with
//! `EARLYWOOD_WRITE_SCHEMAS=1`, writes them. A schema tells the shape of a body; that its parts agree is for
//! [`Body::check`] to tell.

use earlywood_model::record::{Placement, Visit};
use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde_json::{Value, json};

use super::records::{CorrectionV2, ProgrammeSetUpV1, ProgrammeSetUpV2};
use super::specimens::{DeterminationV1, DeterminationV2};
use super::{
    AreaDrawn, AreaLifted, AuthorityGranted, Body, ClockSeen, ConflictSettled, Correction, CrewFormed,
    DelimitingAdopted, DetectionTreePeeled, DeviceEnrolled, DeviceWithdrawn, HoldDeclared, HoldLifted,
    Loaded, PersonEnrolled, PersonErased, PestReportIssued, Plan, PlantingClosed, ProtocolAdopted,
    ResponseClosed, ResponseOpened, ResponseStepDone, RoundsAdopted, ScreeningMade, Sealed, SpecimenEnded,
    SpecimenTaken, SpecimensAccepted, SpecimensDeclined, SpecimensOffered, Supply, TakeDown, TargetAdopted,
    TipClosed, TipReceived, TrapCameBack, TrapRegistered, TrapWrittenOff, TreeInspected, VisitMade, What,
};

/// How a moment looks in JSON: stands in for the text in schemas.
#[derive(Debug)]
pub(crate) struct Moment;

const MOMENT: &str =
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?(Z|[+-][0-9]{2}:[0-9]{2})$";

impl JsonSchema for Moment {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Moment".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string", "format": "date-time", "pattern": MOMENT,
            "description": "A moment, RFC 3339 with offset, as in 2026-05-01T09:30:00-07:00."
        })
    }
}

/// The schema of one kind and version; `None` for what is not known here.
pub fn schema(kind: &str, version: u32) -> Option<Value> {
    if !Body::is_known(kind, version) {
        return None;
    }
    let of = match (kind, version) {
        ("programme-set-up", 1) => made::<ProgrammeSetUpV1>(),
        ("programme-set-up", _) => made::<ProgrammeSetUpV2>(),
        ("visit-made", 1) => made::<Visit>(),
        ("visit-made", _) => made::<VisitMade>(),
        ("determination", 1) => made::<DeterminationV1>(),
        ("determination", _) => made::<DeterminationV2>(),
        ("correction", 1) => without_instead(made::<Correction>()),
        ("correction", _) => made::<CorrectionV2>(),
        ("target-adopted", _) => made::<TargetAdopted>(),
        ("plan-adopted", _) => made::<Plan>(),
        ("rounds-adopted", _) => made::<RoundsAdopted>(),
        ("trap-placed", _) => made::<Placement>(),
        ("trap-taken-down", _) => made::<TakeDown>(),
        ("device-enrolled", _) => made::<DeviceEnrolled>(),
        ("device-withdrawn", _) => made::<DeviceWithdrawn>(),
        ("person-enrolled", _) => made::<PersonEnrolled>(),
        ("crew-formed", _) => made::<CrewFormed>(),
        ("authority-granted", _) => made::<AuthorityGranted>(),
        ("person-erased", _) => made::<PersonErased>(),
        ("trap-registered", _) => made::<TrapRegistered>(),
        ("trap-written-off", _) => made::<TrapWrittenOff>(),
        ("trap-came-back", _) => made::<TrapCameBack>(),
        ("hold-declared", _) => made::<HoldDeclared>(),
        ("hold-lifted", _) => made::<HoldLifted>(),
        ("tree-inspected", _) => made::<TreeInspected>(),
        ("specimen-taken", _) => made::<SpecimenTaken>(),
        ("specimens-offered", _) => made::<SpecimensOffered>(),
        ("specimens-accepted", _) => made::<SpecimensAccepted>(),
        ("specimens-declined", _) => made::<SpecimensDeclined>(),
        ("screening-made", _) => made::<ScreeningMade>(),
        ("specimen-ended", _) => made::<SpecimenEnded>(),
        ("supply", _) => made::<Supply>(),
        ("sealed", _) => made::<Sealed>(),
        ("planting-closed", _) => made::<PlantingClosed>(),
        ("conflict-settled", _) => made::<ConflictSettled>(),
        ("clock-seen", _) => made::<ClockSeen>(),
        ("protocol-adopted", _) => made::<ProtocolAdopted>(),
        ("response-opened", _) => made::<ResponseOpened>(),
        ("response-step-done", _) => made::<ResponseStepDone>(),
        ("area-drawn", _) => made::<AreaDrawn>(),
        ("area-lifted", _) => made::<AreaLifted>(),
        ("delimiting-adopted", _) => made::<DelimitingAdopted>(),
        ("pest-report-issued", _) => made::<PestReportIssued>(),
        ("response-closed", _) => made::<ResponseClosed>(),
        ("detection-tree-peeled", _) => made::<DetectionTreePeeled>(),
        ("tip-closed", _) => made::<TipClosed>(),
        ("tip-received", _) => made::<TipReceived>(),
        (kind, _) => of_one_set(made::<Loaded>(), What::of_kind(kind)?),
    };
    Some(titled(of, &format!("{kind}, version {version}")))
}

/// The schema of the content behind a `sealed` entry, which is no body itself.
pub fn planting() -> Value {
    titled(made::<super::Planting>(), "planting, version 1")
}

/// The schema of the envelope, as entries are passed from program to program: see FORMAT.md.
pub fn envelope() -> Value {
    let id = |what: &str| {
        json!({
            "type": "string", "format": "uuid", "description": what,
            "pattern": "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$"
        })
    };
    let hash = |what: &str| json!({ "type": "string", "pattern": "^[0-9a-f]{64}$", "description": what });
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "entry, version 1",
        "description": "One entry of the journal: who recorded what, when, on which device, tied to the device's entry before.",
        "type": "object",
        "properties": {
            "id": id("Id of the entry: UUIDv7; those of one device always increase."),
            "device": id("Id of the device that wrote it: UUIDv7."),
            "number": {
                "type": "integer", "minimum": 1, "maximum": 9_007_199_254_740_991_u64,
                "description": "Its number on that device: 1, 2, 3, without gaps."
            },
            "previous": {
                "description": "Hash of the device's entry before it; null for its first.",
                "anyOf": [hash("BLAKE3, 64 hexadecimal digits."), { "type": "null" }]
            },
            "event_time": {
                "type": "string", "format": "date-time", "pattern": MOMENT,
                "description": "When it happened: RFC 3339 with offset, kept as given."
            },
            "recorded_time": {
                "type": "string", "format": "date-time", "pattern": "Z$",
                "description": "When it was recorded: RFC 3339 in UTC."
            },
            "person": {
                "type": "string", "minLength": 1, "maxLength": 64, "pattern": "^[^@]+$",
                "description": "Id or role of who recorded it; never personal data."
            },
            "kind": {
                "type": "string", "pattern": "^[a-z0-9-]{1,64}$",
                "description": "Which kind of body follows; a reader keeps kinds that it does not know."
            },
            "body_version": { "type": "integer", "minimum": 1, "description": "Version of the body." },
            "body": {
                "type": "string",
                "description": "The body: RFC 8785 canonical JSON, as text, because the hash covers exactly these bytes."
            },
            "hash": hash("BLAKE3 over all of the above, as FORMAT.md says."),
            "signature": {
                "description": "Ed25519 signature by the device's key: 128 hexadecimal digits; null in files of layout 1.",
                "anyOf": [{ "type": "string", "pattern": "^[0-9a-f]{128}$" }, { "type": "null" }]
            }
        },
        "required": [
            "id", "device", "number", "previous", "event_time", "recorded_time", "person", "kind", "body_version",
            "body", "hash", "signature"
        ],
        "additionalProperties": false
    })
}

fn made<T: JsonSchema>() -> Value {
    SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<T>()
        .to_value()
}

fn titled(mut schema: Value, title: &str) -> Value {
    if let Some(members) = schema.as_object_mut() {
        members.insert("title".into(), title.into());
    }
    sorted(schema)
}

/// Members in one order, so that a file does not change without reason; "$schema" and the title are on top anyway.
fn sorted(value: Value) -> Value {
    match value {
        // Links of the program's own documentation mean nothing to other readers.
        Value::String(text) if text.contains('`') => {
            let json = [("[`", ""), ("`]", ""), ("`Some(0)`", "0"), ("`None`", "null")];
            json.into_iter()
                .fold(text, |text, (rust, plain)| text.replace(rust, plain))
                .into()
        }
        Value::Object(members) => {
            let mut members: Vec<_> = members
                .into_iter()
                .map(|(name, member)| (name, sorted(member)))
                .collect();
            members.sort_by_key(|(name, _)| rank(name));
            Value::Object(members.into_iter().collect())
        }
        Value::Array(items) => Value::Array(items.into_iter().map(sorted).collect()),
        other => other,
    }
}

/// What a reader wants first comes first; all else keeps its order (that of the fields).
fn rank(name: &str) -> u8 {
    match name {
        "$schema" => 0,
        "title" => 1,
        "description" => 2,
        "$defs" => 4,
        _ => 3,
    }
}

fn of_one_set(mut schema: Value, what: What) -> Value {
    if let Some(member) = schema.pointer_mut("/properties/what") {
        *member = json!({ "const": what.word(), "description": "Which set." });
    }
    if let Some(definitions) = schema.pointer_mut("/$defs").and_then(Value::as_object_mut) {
        definitions.remove("What");
    }
    schema
}

/// Version 1 of a correction knew "withdraw" and "visit" only.
fn without_instead(mut schema: Value) -> Value {
    if let Some(Value::Array(forms)) = schema.pointer_mut("/$defs/Change/oneOf") {
        forms.retain(|form| form.pointer("/properties/to/const") != Some(&json!("instead")));
    }
    schema
}
