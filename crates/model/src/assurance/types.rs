//! What the assurance engine takes and what it gives back: plain data.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};
use crate::profile::TargetProfile;
use crate::record::Visit;
use crate::weather::Series;

/// A unit of ground. Coordinates are metres on any one local plane shared with the placements.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Cell {
    /// Easting of its centre, metres.
    pub x_m: f64,
    /// Northing of its centre, metres.
    pub y_m: f64,
    /// Relative chance that an incursion starts here (introduction risk × host), 0 or more. Only ratios within one
    /// zone matter: the engine normalises.
    pub weight: f64,
    /// Index into [`Input::zones`].
    pub zone: usize,
}

/// A zone that is reported on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZoneInput {
    /// The label people use for it.
    pub label: String,
    /// Probability of infestation at the start of the season where last season's result is carried over; the
    /// profile's own prior where absent.
    pub prior_infested: Option<f64>,
}

/// A time during which crews were held back (weather, closure). It excuses the crew; it credits no effort.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hold {
    /// First day.
    pub from: Date,
    /// Last day, included.
    pub to: Date,
}

/// When the parts of a trap were fitted that was hung with used parts (moved from another place).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct FittedOn {
    /// The lure.
    pub lure: Date,
    /// The sticky insert.
    pub insert: Date,
    /// The killing agent or fluid.
    pub killing_agent: Date,
    /// The body.
    pub body: Date,
}

/// One trap at one place between two dates, with everything that was done to it there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlacementInput {
    /// The trap's label.
    pub label: String,
    /// Easting, metres.
    pub x_m: f64,
    /// Northing, metres.
    pub y_m: f64,
    /// Zone its trap-days are reported under; the zone of the nearest cell where absent.
    pub zone: Option<usize>,
    /// Day it was hung; effort begins on this day.
    pub hung: Date,
    /// Day it was taken down, if it was; effort ends the day before.
    pub taken_down: Option<Date>,
    /// Stops at this placement. Any order; they are sorted by date.
    pub visits: Vec<Visit>,
    /// Times at which this placement's visits were held.
    pub holds: Vec<Hold>,
    /// Dates of its parts when it was hung with used ones; all new on the day it was hung where absent.
    pub fitted: Option<FittedOn>,
}

/// A confirmed determination of the target in a zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Find {
    /// Index into [`Input::zones`].
    pub zone: usize,
    /// Day the specimen was taken.
    pub date: Date,
}

/// Dates, draws and limits of one assessment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// The day the question is asked. Only looks dated on or before it count.
    pub as_of: Date,
    /// First day of the season; the prior holds on this day.
    pub season_start: Date,
    /// Last day of the season, included.
    pub season_end: Date,
    /// Length of a period, days (1 to 366); the last one may be shorter.
    pub period_days: u32,
    /// Parameter draws behind every band (1 to 100 000).
    pub draws: u32,
    /// Seed of the draws.
    pub seed: u64,
    /// How many next visits to list per zone.
    pub next_visits: usize,
    /// Whether the look clock limits how long a catch waits for a look (see [`crate::assurance`]).
    pub catch_spoils: bool,
    /// Pairs whose capture lies below this share of the capture at distance 0 are left out; 0 < share < 1. At the usual
    /// 3e-4 that leaves out less than 0.3 % of a trap's sampling area whatever the form, and never adds any.
    pub capture_floor: f64,
}

impl Settings {
    /// Usual settings for a season: weekly periods, 1 000 draws, 20 next visits.
    pub fn new(as_of: Date, season_start: Date, season_end: Date) -> Self {
        Settings {
            as_of,
            season_start,
            season_end,
            period_days: 7,
            draws: 1_000,
            seed: 1,
            next_visits: 20,
            catch_spoils: true,
            capture_floor: 3e-4,
        }
    }

    /// Checks the settings.
    ///
    /// # Errors
    /// A season that ends before it starts, a day asked about before the season, no draws, or a length or limit out
    /// of range.
    pub fn check(&self) -> Result<(), ModelError> {
        if self.season_end < self.season_start {
            return Err(ModelError::Inconsistent(format!(
                "the season ends on {} but starts on {}",
                self.season_end, self.season_start
            )));
        }
        if self.as_of < self.season_start {
            return Err(ModelError::Inconsistent(format!(
                "assurance is asked for {} but the season starts on {}: there is nothing to report yet",
                self.as_of, self.season_start
            )));
        }
        check(
            "period length in days",
            f64::from(self.period_days),
            (1..=366).contains(&self.period_days),
            "1 to 366",
        )?;
        check(
            "number of draws",
            f64::from(self.draws),
            (1..=100_000).contains(&self.draws),
            "1 to 100 000",
        )?;
        check(
            "capture floor",
            self.capture_floor,
            self.capture_floor > 0.0 && self.capture_floor < 1.0,
            "between 0 and 1, neither included",
        )
        .map(drop)
    }
}

/// Everything the engine needs. Borrowed: nothing is copied but what it computes.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a> {
    /// The zones; cells and finds name them by index.
    pub zones: &'a [ZoneInput],
    /// The cells.
    pub cells: &'a [Cell],
    /// The placements.
    pub placements: &'a [PlacementInput],
    /// Daily temperatures. They must cover every day from the earliest lure fitted to the as-of date; flight after
    /// the last day of the series is not foreseen, so pass observed days followed by normals for the whole year.
    pub weather: &'a Series,
    /// The target.
    pub profile: &'a TargetProfile,
    /// Confirmed finds.
    pub finds: &'a [Find],
    /// Dates, draws, limits.
    pub settings: &'a Settings,
}

/// Median and 5–95 % band over the parameter draws.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// 5 % quantile.
    pub p05: f64,
    /// Median.
    pub median: f64,
    /// 95 % quantile.
    pub p95: f64,
}

/// One period of one zone's series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PeriodFigures {
    /// First day.
    pub from: Date,
    /// Last day, included.
    pub to: Date,
    /// Share of the year's flight in this period at central parameters.
    pub flight_share: f64,
    /// Sensitivity from the start of the season to the end of this period, from looks made up to the as-of date.
    pub sensitivity: Band,
    /// Probability that the target is absent after this period without a find; none from the day of a find on.
    pub p_free: Option<Band>,
}

/// Why sensitivity was lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Looks late, missed, or stops at which nobody looked.
    LateOrMissedLooks,
    /// Looks that a hold excused.
    Holds,
    /// Lures weak, spent or missing.
    WeakLures,
    /// Inserts, killing agents or bodies past their time.
    WornParts,
    /// Traps found on the ground or gone.
    DownOrGone,
    /// Traps found impaired.
    Impaired,
    /// Catches looked at only in part.
    PartlyLooked,
}

impl Cause {
    /// All causes.
    pub const ALL: [Cause; 7] = [
        Cause::LateOrMissedLooks,
        Cause::Holds,
        Cause::WeakLures,
        Cause::WornParts,
        Cause::DownOrGone,
        Cause::Impaired,
        Cause::PartlyLooked,
    ];

    /// The words shown to people.
    pub fn words(self) -> &'static str {
        match self {
            Cause::LateOrMissedLooks => "looks late or missed",
            Cause::Holds => "visits held back (weather, closure)",
            Cause::WeakLures => "lures weak or spent",
            Cause::WornParts => "inserts, killing agents or bodies past their time",
            Cause::DownOrGone => "traps down or gone",
            Cause::Impaired => "traps found impaired",
            Cause::PartlyLooked => "catches looked at only in part",
        }
    }
}

/// What one cause took away.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Loss {
    /// The cause.
    pub cause: Cause,
    /// Sensitivity the zone would have had more, had this cause alone not been (0 to 1; ×100 = points), at central
    /// parameters. Causes overlap, so the losses do not add up to [`ZoneAssurance::lost_in_all`].
    pub sensitivity: f64,
}

/// A visit that would add to sensitivity if it were made on the as-of date.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NextVisit {
    /// The trap's label.
    pub label: String,
    /// Index of the placement in [`Input::placements`].
    pub placement: usize,
    /// Sensitivity to date that a full look would add, by crediting the effort that waits for one.
    pub from_look: f64,
    /// Sensitivity at the end of the season that renewing lure and parts today would add on top, if every trap stays
    /// as it is and is looked at on the last day; 0 where the weather given does not reach that far.
    pub from_renewal: f64,
    /// Days of effort (effective trap-days at central parameters) that wait for a look.
    pub waiting_trap_days: f64,
    /// Day of the last look, if there was one.
    pub last_look: Option<Date>,
}

/// One zone's result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZoneAssurance {
    /// The zone's label.
    pub zone: String,
    /// Day of the first find on or before the as-of date: from then on probability of absence has no meaning.
    pub found_on: Option<Date>,
    /// The series. Empty flight and empty periods are listed too.
    pub periods: Vec<PeriodFigures>,
    /// Sensitivity to date at central parameters.
    pub central_sensitivity: f64,
    /// Probability of absence to date at central parameters.
    pub central_p_free: Option<f64>,
    /// What each kind of evidence would say alone, the traps first; empty where the traps stand alone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub components: Vec<super::Component>,
    /// Share of the zone's weight within reach of at least one trap with credited effort, central parameters.
    pub covered_weight: f64,
    /// Number of cells with weight above 0.
    pub cells: usize,
    /// Placements reported under this zone that hung at some time in the season up to the as-of date.
    pub placements: usize,
    /// Days traps hung, season start to as-of date.
    pub calendar_trap_days: f64,
    /// Days' worth of working, baited, looked-at trap while flight was possible, central parameters.
    pub effective_trap_days: f64,
    /// The same for effort that still waits for a look.
    pub waiting_trap_days: f64,
    /// What cost most, largest first; causes that cost nothing are left out. The first three are the ones to tell.
    pub losses: Vec<Loss>,
    /// What all causes together took away.
    pub lost_in_all: f64,
    /// Next visits, those that add most first.
    pub next_visits: Vec<NextVisit>,
}

/// The answer to "is it here, and how sure are we?".
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Assurance {
    /// The target's id.
    pub target: String,
    /// The day asked about.
    pub as_of: Date,
    /// Draws made.
    pub draws: u32,
    /// Their seed.
    pub seed: u64,
    /// Share of the year's flight up to the as-of date (within the season), over the draws.
    pub flight_to_date: Band,
    /// Cell-trap pairs kept.
    pub pairs: usize,
    /// Greatest cell-trap distance looked at, metres.
    pub pair_distance_m: f64,
    /// Draws whose reach went beyond that distance; what lies beyond was left out, which can only lower sensitivity.
    pub draws_cut_short: u32,
    /// Parameters the figures lean on that need a warning, in words.
    pub warnings: Vec<String>,
    /// One result per zone, in the order given.
    pub zones: Vec<ZoneAssurance>,
}
