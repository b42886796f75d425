//! What people look at, as plain data: the names of the fields are those of the JSON.

use earlywood_journal::{Clock, Level};
use earlywood_model::assurance;
use earlywood_model::record::Position;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use uuid::Uuid;

/// When a question is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Now {
    /// The day, where the programme is.
    pub today: Date,
    /// The moment.
    pub at: Timestamp,
}

/// Median and 5-95 % band over draws of the uncertain parameters.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Band {
    /// Median.
    pub median: f64,
    /// 5 % quantile.
    pub p05: f64,
    /// 95 % quantile.
    pub p95: f64,
}

impl From<assurance::Band> for Band {
    fn from(b: assurance::Band) -> Self {
        Band {
            median: b.median,
            p05: b.p05,
            p95: b.p95,
        }
    }
}

/// A position, degrees (WGS 84).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct At {
    /// Latitude.
    pub lat: f64,
    /// Longitude.
    pub lon: f64,
}

impl From<Position> for At {
    fn from(p: Position) -> Self {
        At {
            lat: p.lat,
            lon: p.lon,
        }
    }
}

/// How far one of a trap's clocks has run.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ClockAge {
    /// look, lure, insert, killing-agent or body.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub clock: Clock,
    /// fine, warn or fail.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub level: Level,
    /// Days since it was set back.
    pub days: i64,
    /// The day on which it was; the day the trap was hung, if that never happened.
    pub since: Date,
    /// Due from so many days on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub warn_days: Option<u32>,
    /// Failed from so many days on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fail_days: Option<u32>,
}

/// A hanging trap with what is due on it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct DueTrap {
    /// Latitude.
    pub lat: f64,
    /// Longitude.
    pub lon: f64,
    /// Its label.
    pub trap: String,
    /// Label of its place.
    pub place: String,
    /// Its zone, if it hangs in one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// Targets it is baited for.
    pub targets: Vec<String>,
    /// The worst of its clocks: fine, warn or fail.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub level: Level,
    /// Its clocks.
    pub clocks: Vec<ClockAge>,
    /// Sensitivity of its zone (0 to 1) that a visit today would add; absent: no figure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub costs: Option<f64>,
    /// Of that, by the look.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_look: Option<f64>,
    /// Of that, by what the visit renews.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_renewal: Option<f64>,
    /// Last full look.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_look: Option<Date>,
    /// Last stop that reached it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_stop: Option<Date>,
    /// Label of a hold that excuses the crew today.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held_by: Option<String>,
}

/// A hold in force.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct HoldRow {
    /// Its label.
    pub hold: String,
    /// Why.
    pub reason: String,
    /// First day.
    pub from: Date,
    /// Last day; absent: until it is lifted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<Date>,
    /// What it covers.
    #[cfg_attr(feature = "openapi", schema(value_type = Object))]
    pub scope: serde_json::Value,
    /// Hanging traps that it covers.
    pub traps: usize,
}

/// A conflict that waits for a supervisor.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ConflictRow {
    /// Its id.
    pub id: String,
    /// What it is about.
    pub subject: String,
    /// Its sort.
    pub kind: String,
    /// What is the matter.
    pub words: String,
    /// The entries that can't all stand.
    pub entries: Vec<String>,
    /// The entry that settled it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled_by: Option<Uuid>,
}

/// A find.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct FindRow {
    /// Latitude of the trap or tree.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lat: Option<f64>,
    /// Longitude.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lon: Option<f64>,
    /// The specimen.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub specimen: Option<String>,
    /// The trap that made it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trap: Option<String>,
    /// Its zone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// The day it was taken.
    pub day: Date,
    /// The target.
    pub target: String,
    /// What was said last.
    pub state: String,
    /// Since when.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<Date>,
}

/// A specimen on a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct TrayRow {
    /// Its label.
    pub specimen: String,
    /// The trap it was taken out of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trap: Option<String>,
    /// The place where that hung.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The zone of that.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// The target it may be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    /// The day it was taken.
    pub taken: Date,
    /// Hours in these hands, or since it was offered.
    pub hours: f64,
    /// suspect, answer, look or finish: what it waits for, the most urgent first.
    pub urgency: String,
    /// What was said last ("suspect", ...), or "held" or "offered" where nothing was.
    pub state: String,
    /// Who has it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held_by: Option<String>,
    /// It has waited longer than a day for what should be done within one.
    pub late: bool,
    /// Photos taken of it.
    pub photos: usize,
}

/// A hand-over that was not answered.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct HandoverRow {
    /// Its label.
    pub handover: String,
    /// Who has the specimens.
    pub from: String,
    /// Who should answer.
    pub to: String,
    /// The specimens.
    pub specimens: Vec<String>,
    /// Since when it waits.
    pub offered: Timestamp,
    /// Hours since.
    pub hours: f64,
    /// Longer than a day.
    pub late: bool,
}

/// Hours from one moment to another; 0 when it lies ahead.
pub(crate) fn hours(from: Timestamp, to: Timestamp) -> f64 {
    ((to.as_second() - from.as_second()) as f64 / 3600.0).max(0.0)
}

/// The word that a value has in JSON; the text of the only value of one that is a pair.
pub(crate) fn word<T: Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text,
        Ok(serde_json::Value::Object(map)) => map
            .into_iter()
            .next()
            .map(|(key, value)| value.as_str().map_or(key, str::to_owned))
            .unwrap_or_default(),
        Ok(other) => other.to_string(),
        Err(_) => String::new(),
    }
}
