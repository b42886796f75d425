//! What a trial takes and what it gives back: plain data.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::section::TrialSection;
use crate::assurance::{Band, Cell, FittedOn};
use crate::error::{ModelError, check};
use crate::param::Dist;
use crate::profile::TargetProfile;
use crate::proportion::Share;
use crate::record::Visit;
use crate::reliability::{Bin, Difference};
use crate::sample_size::Sides;
use crate::weather::Series;

/// A trap of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanTrap {
    /// Its label, or that of its place. Two plans with a trap of one label give it the same luck with its visits.
    pub label: String,
    /// Easting, metres, on the plane of the cells.
    pub x_m: f64,
    /// Northing, metres.
    pub y_m: f64,
    /// What hanging it there costs, in the programme's unit of cost (crew hours a season, as siting reckons).
    pub cost: f64,
    /// What was really done to it; with a routine, nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recorded: Option<Recorded>,
}

/// The record of one placement: taken as it is in every world.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recorded {
    /// Day it was hung.
    pub hung: Date,
    /// Day it was taken down.
    pub taken_down: Option<Date>,
    /// Its stops.
    pub visits: Vec<Visit>,
    /// When its parts were fitted, if it was hung with used ones.
    pub fitted: Option<FittedOn>,
}

/// How crews go about a plan that has no record yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Routine {
    /// Days on which traps are hung and taken down, season by season; both included, in order, not overlapping.
    pub seasons: Vec<(Date, Date)>,
    /// Planned days between two looks.
    pub look_every_days: u32,
    /// A lure is changed at the last look before it would hang longer than this, days.
    pub lure_every_days: u32,
    /// Days by which a visit comes late (below 0 counts as on time).
    pub late_days: Dist,
    /// Share of visits at which the trap can't be reached.
    pub not_reached: f64,
    /// Share of visits at which the trap is found impaired: it caught less since the last look.
    pub impaired: f64,
    /// What one visit costs, in the unit of [`PlanTrap::cost`]; visits count beside it.
    pub visit_cost: f64,
}

impl Routine {
    fn check(&self) -> Result<(), ModelError> {
        let days =
            |what, value: u32| check(what, f64::from(value), (1..=3_660).contains(&value), "1 to 3660");
        days("days between looks", self.look_every_days)?;
        days("days between changes of lure", self.lure_every_days)?;
        self.late_days.check()?;
        let share = |what, v: f64| check(what, v, (0.0..=1.0).contains(&v), "0 to 1");
        share("share of visits that do not reach the trap", self.not_reached)?;
        share("share of visits that find the trap impaired", self.impaired)?;
        check(
            "cost of a visit",
            self.visit_cost,
            self.visit_cost >= 0.0,
            "0 or more",
        )?;
        let rising = self.seasons.windows(2).all(|w| w[0].1 < w[1].0);
        if self.seasons.is_empty() || !rising || self.seasons.iter().any(|(from, to)| to <= from) {
            return Err(ModelError::Inconsistent(
                "a routine's seasons each end after they begin, and follow each other".into(),
            ));
        }
        Ok(())
    }
}

/// A plan to be tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// What it is called.
    pub name: String,
    /// Its traps.
    pub traps: Vec<PlanTrap>,
}

/// What the simulated incursion is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// The design incursion of the assurance: so many flyers a season from one cell, no growth, no spread.
    Design,
    /// Founders that arrive, grow and spread.
    Growing,
}

/// Whether a world is infested at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Presence {
    /// One incursion in every world, there when the trial begins.
    Certain,
    /// At most one: present at the beginning with the prior of the profile, else arriving with its yearly chance.
    Believed,
}

/// Dates, numbers and limits of a trial.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// First day, on which the incursion is there.
    pub from: Date,
    /// Last day, included; flight must be known to here.
    pub to: Date,
    /// Worlds, 1 to 1 000 000.
    pub replicates: u32,
    /// Seed of all of them.
    pub seed: u64,
    /// What the incursion is.
    pub kind: Kind,
    /// Whether there is one.
    pub presence: Presence,
    /// An incursion grows no further than this many flyers a generation: room and patience end there. Design choice.
    pub most_insects: u32,
}

impl Settings {
    /// Usual settings.
    pub fn new(from: Date, to: Date) -> Self {
        Settings {
            from,
            to,
            replicates: 1_000,
            seed: 1,
            kind: Kind::Growing,
            presence: Presence::Certain,
            most_insects: 20_000,
        }
    }
}

/// Everything a trial needs. Borrowed.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a> {
    /// The cells: weight is arrival risk; zones as the assurance has them.
    pub cells: &'a [Cell],
    /// Ground of one cell, square metres, above 0.
    pub cell_area_m2: f64,
    /// Daily temperatures over all seasons the trial touches, and back to the oldest lure.
    pub weather: &'a Series,
    /// The target.
    pub profile: &'a TargetProfile,
    /// How incursions begin, grow and spread.
    pub spread: &'a TrialSection,
    /// How crews work where nothing is recorded.
    pub routine: &'a Routine,
    /// Dates, numbers, limits.
    pub settings: &'a Settings,
}

impl Input<'_> {
    pub(super) fn check(&self) -> Result<(), ModelError> {
        let s = self.settings;
        let n = s.replicates;
        check(
            "number of replicates",
            f64::from(n),
            (1..=1_000_000).contains(&n),
            "1 to 1 000 000",
        )?;
        check(
            "largest number of insects",
            f64::from(s.most_insects),
            s.most_insects > 0,
            "1 or more",
        )?;
        check(
            "area of a cell",
            self.cell_area_m2,
            self.cell_area_m2 > 0.0,
            "above 0 square metres",
        )?;
        self.spread.check()?;
        self.routine.check()?;
        if s.to <= s.from {
            return Err(ModelError::Inconsistent(format!(
                "the trial ends on {} but begins on {}",
                s.to, s.from
            )));
        }
        let total: f64 = self.cells.iter().map(|c| c.weight).sum();
        for cell in self.cells {
            check("a cell's weight", cell.weight, cell.weight >= 0.0, "0 or more")?;
            check(
                "a cell's easting",
                cell.x_m,
                cell.x_m.abs() <= 1e9,
                "a number of metres",
            )?;
            check(
                "a cell's northing",
                cell.y_m,
                cell.y_m.abs() <= 1e9,
                "a number of metres",
            )?;
        }
        check(
            "risk over all cells",
            total,
            total > 0.0,
            "above 0: nothing can arrive anywhere",
        )
        .map(drop)
    }
}

/// What one plan made of one world.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Days from the arrival to the first insect in a trap, up to the detection.
    pub first_catch_days: Option<f64>,
    /// Days from the arrival to the look that took the specimen which was named first.
    pub taken_days: Option<f64>,
    /// Days from the arrival to its being known.
    pub known_days: Option<f64>,
    /// Days from the arrival to its being known, or to the end of the trial where it was missed.
    pub days_or_end: f64,
    /// Generations begun when it was known, or at the end.
    pub generations: u32,
    /// Flyers of the generation then.
    pub insects: u32,
    /// Cells with insects then.
    pub cells: u32,
    /// Ground of those cells, square metres.
    pub area_m2: f64,
    /// Greatest distance of insects from where it began, metres.
    pub radius_m: f64,
    /// What the plan cost in this world, trap by trap and visit by visit.
    pub cost: f64,
}

/// One world.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Replicate {
    /// Day the incursion arrived, counted from the trial's first; `None` where the world is free.
    pub arrived: Option<i32>,
    /// Cell in which it began.
    pub cell: Option<u32>,
    /// It died out by itself before the end.
    pub died_out: bool,
    /// It came up against [`Settings::most_insects`].
    pub capped: bool,
    /// Plan by plan; empty in a free world.
    pub outcomes: Vec<Outcome>,
}

/// A share of worlds with its exact 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ShareOf {
    /// Worlds that have it.
    pub worlds: u64,
    /// Worlds looked at.
    pub of: u64,
    /// The share; 0 without worlds.
    pub share: f64,
    /// Exact binomial interval (Clopper & Pearson 1934).
    pub interval: (f64, f64),
}

impl ShareOf {
    /// So many of so many worlds.
    pub(super) fn new(worlds: u64, of: u64) -> Result<Self, ModelError> {
        let share = Share::new(worlds, of)?;
        Ok(ShareOf {
            worlds,
            of,
            share: share.point().unwrap_or(0.0),
            interval: if of > 0 {
                share.interval(0.95, Sides::Two)?
            } else {
                (0.0, 1.0)
            },
        })
    }
}

/// One plan over all worlds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlanResult {
    /// The plan.
    pub name: String,
    /// Its traps.
    pub traps: usize,
    /// Infested worlds in which it was detected.
    pub detected: ShareOf,
    /// Of the worlds with a detection: days to the first catch, median and 5–95 %.
    pub first_catch_days: Option<Band>,
    /// Days until it was known.
    pub known_days: Option<Band>,
    /// Generations then.
    pub generations: Option<Band>,
    /// Flyers then.
    pub insects: Option<Band>,
    /// Cells then.
    pub cells: Option<Band>,
    /// Ground then, square metres.
    pub area_m2: Option<Band>,
    /// Greatest distance then, metres.
    pub radius_m: Option<Band>,
    /// Mean cost of a world.
    pub cost: f64,
}

/// The second plan against the first in the same worlds: second minus first, with 95 % intervals.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Against {
    /// First plan.
    pub first: String,
    /// Second plan.
    pub second: String,
    /// Share detected.
    pub detected: Difference,
    /// Days until known, a miss counted to the trial's end.
    pub days: Difference,
    /// Flyers when known, or at the trial's end.
    pub insects: Difference,
    /// Ground when known, or at the trial's end, square metres.
    pub area_m2: Difference,
    /// Cost.
    pub cost: Difference,
}

/// What a trial found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// The target.
    pub target: String,
    /// Settings it was run with.
    pub settings: Settings,
    /// Infested worlds.
    pub infested: u64,
    /// Of them, those in which it died out by itself.
    pub died_out: u64,
    /// Of them, those that came up against the largest number of insects.
    pub capped: u64,
    /// Plan by plan.
    pub plans: Vec<PlanResult>,
    /// The second against the first, where there are two and two infested worlds.
    pub against: Option<Against>,
}

/// Under which truth a curve was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Truth {
    /// The world is as the statement believes: the check of the reckoning itself.
    AsBelieved,
    /// Incursions that found, grow and spread as in the trial, while the statement believes in the design incursion.
    Growing,
    /// The design incursion, but reach and number of flyers are lower than believed: the check of the check. What is
    /// stated of sensitivity must then fail; the curve too, where the traps weigh in it.
    WrongParameters,
}

impl Truth {
    /// All, in the order they are shown.
    pub const ALL: [Truth; 3] = [Truth::AsBelieved, Truth::Growing, Truth::WrongParameters];

    /// The words shown to people.
    pub fn words(self) -> &'static str {
        match self {
            Truth::AsBelieved => "worlds as the statement believes them",
            Truth::Growing => "worlds with growing, spreading incursions",
            Truth::WrongParameters => {
                "worlds with half the reach and a quarter of the flyers believed, to see the check fail"
            }
        }
    }
}

/// Prior of each world of a calibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PriorOf {
    /// Drawn anew in each world, 0 to 1 equally likely, and told to the statement: so that low and high statements
    /// all come about.
    Spread,
    /// The profile's.
    Profile,
}

/// How a calibration is run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CalibrationSettings {
    /// Worlds of each curve, 1 to 1 000 000.
    pub worlds: u32,
    /// Parameter draws behind each statement.
    pub draws: u32,
    /// Last day a statement may be asked about.
    pub last_as_of: Date,
    /// First and last day of the season the statements are about.
    pub season: (Date, Date),
    /// Prior.
    pub prior: PriorOf,
}

/// Stated sensitivity against finds, over the worlds infested from the season's first day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SensitivityCheck {
    /// Mean of the sensitivities to date that were stated (medians over the draws); `None` without such worlds.
    pub mean_stated: Option<f64>,
    /// Share of those worlds in which something was found by the day asked about.
    pub found: ShareOf,
}

impl SensitivityCheck {
    /// Whether the mean stated lies in the interval of the share; `None` without worlds.
    pub fn agrees(&self) -> Option<bool> {
        let (low, high) = self.found.interval;
        self.mean_stated.map(|mean| (low..=high).contains(&mean))
    }
}

/// One reliability curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Under which truth.
    pub truth: Truth,
    /// Worlds simulated.
    pub worlds: u64,
    /// Worlds in which something was found by the day asked about: there nothing is stated.
    pub found: u64,
    /// What was stated of finding it, and what was found. Where traps see little, the bins mostly show the prior; this
    /// weighs the traps.
    pub sensitivity: SensitivityCheck,
    /// The rest, by stated probability.
    pub bins: Vec<Bin>,
}
