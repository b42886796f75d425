//! The records that flow down the chain: checked once at the edge, trusted afterwards.
//!
//! Positions are WGS 84 degrees. "Looked, none" and "could not look" are different values everywhere.

use jiff::civil::{Date, Time, Weekday as CivilWeekday};
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

/// A time of the day as it stands in JSON: `"HH:MM:SS"`.
#[cfg(feature = "schema")]
pub struct ClockTime;

#[cfg(feature = "schema")]
impl schemars::JsonSchema for ClockTime {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "ClockTime".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]$",
            "description": "A time of the day where the programme works, HH:MM:SS."
        })
    }
}

/// What a stop may need, and a crew may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Skill {
    /// A long pole, and people who may use it.
    Pole,
    /// A ladder, and people who may use it.
    Ladder,
    /// Two people at least.
    TwoPeople,
}

impl Skill {
    /// All of them.
    pub const ALL: [Skill; 3] = [Skill::Pole, Skill::Ladder, Skill::TwoPeople];

    /// The word for it, as people type it.
    pub fn word(self) -> &'static str {
        match self {
            Skill::Pole => "pole",
            Skill::Ladder => "ladder",
            Skill::TwoPeople => "two-people",
        }
    }
}

/// A day of the week.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs)]
pub enum Weekday {
    Mon,
    Tue,
    Wed,
    Thu,
    Fri,
    Sat,
    Sun,
}

impl Weekday {
    /// All of them, from Monday.
    pub const ALL: [Weekday; 7] = [
        Weekday::Mon,
        Weekday::Tue,
        Weekday::Wed,
        Weekday::Thu,
        Weekday::Fri,
        Weekday::Sat,
        Weekday::Sun,
    ];

    /// The word for it, as people type it.
    pub fn word(self) -> &'static str {
        match self {
            Weekday::Mon => "mon",
            Weekday::Tue => "tue",
            Weekday::Wed => "wed",
            Weekday::Thu => "thu",
            Weekday::Fri => "fri",
            Weekday::Sat => "sat",
            Weekday::Sun => "sun",
        }
    }

    /// The one a date falls on.
    pub fn of(date: Date) -> Weekday {
        match date.weekday() {
            CivilWeekday::Monday => Weekday::Mon,
            CivilWeekday::Tuesday => Weekday::Tue,
            CivilWeekday::Wednesday => Weekday::Wed,
            CivilWeekday::Thursday => Weekday::Thu,
            CivilWeekday::Friday => Weekday::Fri,
            CivilWeekday::Saturday => Weekday::Sat,
            CivilWeekday::Sunday => Weekday::Sun,
        }
    }
}

/// What sort of road it is; which of the words of OpenStreetMap mean which is told where they are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RoadClass {
    /// A motorway.
    Motorway,
    /// A trunk road.
    Trunk,
    /// A primary road.
    Primary,
    /// A secondary road.
    Secondary,
    /// A tertiary road.
    Tertiary,
    /// A street where people live, or a minor road without a class.
    Local,
    /// A drive, a car park's lanes, a yard.
    Service,
    /// A track through fields or woods.
    Track,
}

impl RoadClass {
    /// All of them, the fastest first.
    pub const ALL: [RoadClass; 8] = [
        RoadClass::Motorway,
        RoadClass::Trunk,
        RoadClass::Primary,
        RoadClass::Secondary,
        RoadClass::Tertiary,
        RoadClass::Local,
        RoadClass::Service,
        RoadClass::Track,
    ];

    /// The word for it, as people type it.
    pub fn word(self) -> &'static str {
        match self {
            RoadClass::Motorway => "motorway",
            RoadClass::Trunk => "trunk",
            RoadClass::Primary => "primary",
            RoadClass::Secondary => "secondary",
            RoadClass::Tertiary => "tertiary",
            RoadClass::Local => "local",
            RoadClass::Service => "service",
            RoadClass::Track => "track",
        }
    }
}

/// Which way a road may be driven, seen along its line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Oneway {
    /// Both ways.
    #[default]
    Both,
    /// Along its line only.
    Forward,
    /// Against its line only.
    Backward,
}

/// A stretch of road that may be driven. The same node number on two roads is a junction, and nothing else is: a bridge
/// meets no road below it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Road {
    /// Label, unique in the programme ("way/123").
    pub label: String,
    /// What sort of road it is.
    pub class: RoadClass,
    /// Which way it may be driven.
    #[serde(default)]
    pub oneway: Oneway,
    /// Posted speed limit, km/h, where one is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed_kmh: Option<f64>,
    /// Its name, where it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Numbers of its nodes, one for each corner of its line; at least two.
    pub nodes: Vec<i64>,
    /// Its corners, `[lon, lat]` in degrees.
    pub line: Vec<[f64; 2]>,
}

/// A crew's usual working day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shift {
    /// The crew's id ("crew-3"); one row a crew.
    pub label: String,
    /// Where its day begins.
    pub depot: Position,
    /// Where its day ends; none: where it began.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<Position>,
    /// When it leaves the depot.
    pub starts: Time,
    /// When it must be back.
    pub ends: Time,
    /// Length of its break, minutes; 0 for none.
    #[serde(default)]
    pub break_minutes: u32,
    /// The break begins at this time or later; none: any time of the shift.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub break_from: Option<Time>,
    /// The break begins at this time or earlier; none: any time of the shift.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub break_to: Option<Time>,
    /// The days of the week on which it works; empty: Monday to Friday.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub days: Vec<Weekday>,
    /// First day on which it works so; none: from ever.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Date>,
    /// Last day on which it works so; none: for ever.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Date>,
    /// What it has.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub skills: Vec<Skill>,
}

impl Shift {
    /// Whether it works on a day.
    pub fn works_on(&self, date: Date) -> bool {
        let day = Weekday::of(date);
        let usual = if self.days.is_empty() {
            day <= Weekday::Fri
        } else {
            self.days.contains(&day)
        };
        usual && self.from.is_none_or(|from| from <= date) && self.to.is_none_or(|to| date <= to)
    }
}

/// What a crew must know to get to a place, and when it may.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Access {
    /// Label of the place; one row a place.
    pub label: String,
    /// How to find it, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub directions: Option<String>,
    /// What to beware of there ("dog", "overhead line 6 m east", "ring first").
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
    /// When its gate opens; none: never shut.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opens: Option<Time>,
    /// When its gate shuts: the crew must be out by then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closes: Option<Time>,
    /// The days of the week on which it may be entered; empty: every day.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub days: Vec<Weekday>,
    /// By what right it is entered, in words ("consent", "notice", "permit 12").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permit: Option<String>,
    /// First day of that right; none: from ever.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permit_from: Option<Date>,
    /// Last day of that right; none: for ever.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub permit_to: Option<Date>,
    /// What a stop there needs.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<Skill>,
    /// Length of a stop there, minutes, where it is known better than past stops tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<f64>,
    /// Where to leave the truck, if not at the nearest road.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub park: Option<Position>,
}

impl Access {
    /// Whether the place may be entered on a day.
    pub fn open_on(&self, date: Date) -> bool {
        (self.days.is_empty() || self.days.contains(&Weekday::of(date)))
            && self.permit_from.is_none_or(|from| from <= date)
            && self.permit_to.is_none_or(|to| date <= to)
    }
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
