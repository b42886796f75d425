//! The records that flow down the chain: checked once at the edge, trusted afterwards.
//!
//! Positions are WGS 84 degrees. "Looked, none" and "could not look" are different values everywhere.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// How a day looks in JSON; stands in for [`Date`] in schemas.
#[cfg(feature = "schema")]
#[derive(Debug)]
pub struct Day;

#[cfg(feature = "schema")]
impl schemars::JsonSchema for Day {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Day".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string", "format": "date", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$",
            "description": "A day, YYYY-MM-DD."
        })
    }
}

/// A WGS 84 position in decimal degrees.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Position {
    /// Latitude, -90 to 90, north positive.
    pub lat: f64,
    /// Longitude, -180 to 180, east positive.
    pub lon: f64,
}

impl Position {
    /// A checked position.
    ///
    /// # Errors
    /// A latitude or longitude outside the globe, or not a number.
    pub fn new(lat: f64, lon: f64) -> Result<Self, ModelError> {
        check(
            "latitude",
            lat,
            (-90.0..=90.0).contains(&lat),
            "between -90 and 90 degrees",
        )?;
        check(
            "longitude",
            lon,
            (-180.0..=180.0).contains(&lon),
            "between -180 and 180 degrees",
        )?;
        Ok(Position { lat, lon })
    }
}

/// An area: the coordinates of a GeoJSON MultiPolygon (polygons, rings, `[longitude, latitude]`), outer ring first.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Area(pub Vec<Vec<Vec<[f64; 2]>>>);

/// State of a host tree as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HostCondition {
    /// Healthy: a baited trap must keep its distance.
    Healthy,
    /// In decline or stressed.
    Declining,
    /// Dead, or cut and still lying there.
    Dead,
    /// Not recorded; treated as healthy where distance matters.
    #[default]
    Unknown,
}

/// A tree or planting in which a target could live.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Host {
    /// Inventory label, unique in the programme.
    pub label: String,
    /// Scientific name as given ("Fraxinus pennsylvanica").
    pub species: String,
    /// Where it stands.
    pub position: Position,
    /// Diameter at breast height, cm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dbh_cm: Option<f64>,
    /// Its state.
    #[serde(default)]
    pub condition: HostCondition,
}

/// A place through which a pest may arrive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pathway {
    /// Label, unique in the programme.
    pub label: String,
    /// What it is, in plain words ("firewood", "nursery stock", "green waste", "port").
    pub kind: String,
    /// Where it is.
    pub position: Position,
    /// Relative introduction risk, 0 or more; only ratios between pathways matter.
    pub weight: f64,
    /// Distance over which its risk falls to 1/e, metres.
    pub reach_m: f64,
}

/// Whether traps may hang on a piece of land.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LandRule {
    /// Traps may hang here.
    Usable,
    /// Traps may not hang here, whatever other land says.
    Forbidden,
}

/// Land that may, or may not, be used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Land {
    /// Label, unique in the programme.
    pub label: String,
    /// The rule.
    pub rule: LandRule,
    /// Its ground.
    pub area: Area,
    /// Why: consent, notice, closure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// An area that is reported on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Zone {
    /// Label, unique in the programme; the word people type after `--zone`.
    pub label: String,
    /// Its ground.
    pub area: Area,
}

/// One day's air temperature at one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WeatherDay {
    /// Station label.
    pub station: String,
    /// The day.
    pub date: Date,
    /// Lowest temperature, degrees Celsius.
    pub tmin_c: f64,
    /// Highest temperature, degrees Celsius.
    pub tmax_c: f64,
}

/// A spot where a trap may hang, usable again and again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Place {
    /// Label, unique in the programme.
    pub label: String,
    /// Where it is.
    pub position: Position,
    /// What one season there costs, in any one unit (crew hours); 1 where not told.
    #[serde(default = "one")]
    pub cost: f64,
    /// Keep a trap here in every plan.
    #[serde(default)]
    pub kept: bool,
    /// Never hang a trap here.
    #[serde(default)]
    pub forbidden: bool,
}

fn one() -> f64 {
    1.0
}

/// A placement: a trap at a place, for its targets, between two dates. All effort hangs on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Placement {
    /// The trap's label. One trap label has at most one placement at a time.
    pub trap: String,
    /// Label of the place.
    pub place: String,
    /// Where it hangs.
    pub position: Position,
    /// Target ids it is baited for.
    pub targets: Vec<String>,
    /// Day it was hung.
    #[cfg_attr(feature = "schema", schemars(with = "Day"))]
    pub hung: Date,
    /// Day it was taken down, if it has been.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<Day>"))]
    pub taken_down: Option<Date>,
}

/// What a stop at a trap was for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum VisitKind {
    /// The trap was hung.
    Hang,
    /// Looked at and put in order.
    Service,
    /// Moved to another place.
    Move,
    /// Taken down for good.
    TakeDown,
}

/// How the trap was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum TrapFound {
    /// There, and working.
    Working,
    /// There, but not as it should be (twisted, dusty, lure missing, panel torn).
    Impaired,
    /// On the ground.
    Down,
    /// Not there.
    Gone,
    /// Could not be reached.
    NotReached,
}

/// Whether the catch was looked at. Never confuse `No` with an empty trap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Looked {
    /// The whole catch was looked at.
    Fully,
    /// Part of it was.
    Partly,
    /// It was not looked at.
    No,
}

/// Which of the trap's clocks a visit renewed (the look itself is [`Looked`]).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(default)]
pub struct Renewed {
    /// The lure was changed.
    pub lure: bool,
    /// The sticky insert was changed.
    pub insert: bool,
    /// The killing agent or fluid was renewed.
    pub killing_agent: bool,
    /// The trap body was replaced.
    pub body: bool,
}

impl Renewed {
    /// All four: what hanging a trap does.
    pub const ALL: Renewed = Renewed {
        lure: true,
        insert: true,
        killing_agent: true,
        body: true,
    };
}

/// One stop at a trap.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Visit {
    /// The trap's label.
    pub trap: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "Day"))]
    pub date: Date,
    /// What the stop was for.
    pub kind: VisitKind,
    /// How the trap was found.
    pub found: TrapFound,
    /// Whether the catch was looked at.
    pub looked: Looked,
    /// Suspects taken: `Some(0)` is "looked, none"; `None` is "did not look".
    pub suspects: Option<u32>,
    /// What was renewed.
    #[serde(default)]
    pub renewed: Renewed,
    /// Lot of the lure put in, when one was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lure_lot: Option<String>,
    /// Who made the stop (crew name or number).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Why not, in plain words, when something could not be done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exception: Option<String>,
}

impl Visit {
    /// Checks that the parts of the record agree with each other.
    ///
    /// # Errors
    /// A catch without a look, a look without a catch, or a look at a trap that was not there.
    pub fn check(&self) -> Result<(), ModelError> {
        let not_there = matches!(self.found, TrapFound::Gone | TrapFound::NotReached);
        match (self.looked, self.suspects) {
            (Looked::No, Some(_)) => Err(ModelError::Inconsistent(
                "suspects are counted but the catch was not looked at; leave suspects empty, or say looked"
                    .into(),
            )),
            (Looked::Fully | Looked::Partly, None) => Err(ModelError::Inconsistent(
                "the catch was looked at but suspects is empty; write 0 for \"looked, none\"".into(),
            )),
            (Looked::Fully | Looked::Partly, Some(_)) if not_there && self.kind != VisitKind::Hang => {
                Err(ModelError::Inconsistent(
                    "the trap was gone or not reached, so its catch can't have been looked at".into(),
                ))
            }
            _ => Ok(()),
        }
    }
}
