//! From weather to dates: heat sums, generations, flight over the year, and the dated plan of a trapping season.
//!
//! A season belongs to the year in which its start date falls and ends on the day before the next start date: with a
//! start of 1 January it is the calendar year; with 1 July (southern hemisphere) season 2025 runs to 30 June 2026.

use std::ops::RangeInclusive;

use jiff::civil::Date;
use serde::Serialize;
use statrs::function::beta::beta_reg;

use crate::clock::Clock;
use crate::degree_days::{Cutoff, HeatDay, Method, Rule};
use crate::error::{ModelError, check};
use crate::profile::{DrawnParams, TargetProfile};
use crate::weather::{DailyTemp, Series, days_between, plus_days};

/// A day of any year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MonthDay {
    month: i8,
    day: i8,
}

impl MonthDay {
    /// Reads "MM-DD".
    ///
    /// # Errors
    /// Not two numbers, or not a day every year has (29 February is refused: three years of four lack it).
    pub fn parse(text: &str) -> Result<Self, ModelError> {
        let refuse = || {
            ModelError::Inconsistent(format!(
                "\"{text}\" is not a day of every year written MM-DD (\"01-01\")"
            ))
        };
        let (month, day) = text.split_once('-').ok_or_else(refuse)?;
        let two_digits = |part: &str| part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
        if !two_digits(month) || !two_digits(day) {
            return Err(refuse());
        }
        let month = month.parse().map_err(|_| refuse())?;
        let day = day.parse().map_err(|_| refuse())?;
        // 2023 is not a leap year.
        Date::new(2023, month, day).map_err(|_| refuse())?;
        Ok(MonthDay { month, day })
    }

    /// The day in one year.
    ///
    /// # Errors
    /// A year outside the calendar (-9999 to 9999).
    pub fn in_year(self, year: i16) -> Result<Date, ModelError> {
        Date::new(year, self.month, self.day).map_err(|_| ModelError::OutOfRange {
            what: "year",
            value: f64::from(year),
            rule: "between -9999 and 9999",
        })
    }
}

/// How heat is summed for a target: the degree-day rule and the day on which the sum starts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeatModel {
    /// Degree-day rule.
    pub rule: Rule,
    /// Start of the sum.
    pub start: MonthDay,
}

/// The heat of one season.
#[derive(Debug, Clone, PartialEq)]
pub struct SeasonHeat {
    /// Year in which the season starts.
    pub year: i16,
    /// Each day's degree-days and the sum since the start.
    pub days: Vec<HeatDay>,
    /// Whether the weather reaches the season's end.
    pub complete: bool,
}

impl SeasonHeat {
    /// Generations of `generation_dd` degree-days completed by the end of `date`, with the fraction of the one under
    /// way; 0 before the season, the season's total after the last day in hand.
    ///
    /// # Errors
    /// A generation not above 0.
    pub fn generations_by(&self, date: Date, generation_dd: f64) -> Result<f64, ModelError> {
        check(
            "generation",
            generation_dd,
            generation_dd > 0.0,
            "above 0 degree-days",
        )?;
        let sum = self
            .days
            .iter()
            .take_while(|d| d.date <= date)
            .last()
            .map_or(0.0, |d| d.sum);
        Ok(sum / generation_dd)
    }

    /// First day on which the sum reaches `sum_dd`; `None` when it does not in the days in hand.
    pub fn reached_on(&self, sum_dd: f64) -> Option<Date> {
        self.days.iter().find(|d| d.sum >= sum_dd).map(|d| d.date)
    }
}

impl HeatModel {
    /// First and last day of a season.
    ///
    /// # Errors
    /// A year outside the calendar.
    pub fn season_range(&self, year: i16) -> Result<RangeInclusive<Date>, ModelError> {
        let next = self.start.in_year(year.saturating_add(1))?;
        Ok(self.start.in_year(year)?..=plus_days(next, -1))
    }

    /// The heat of one season, from its start to its end or the last day in hand.
    ///
    /// # Errors
    /// Weather that lacks the season's first day: heat before the first day in hand would be left out of the sum.
    pub fn season(&self, series: &Series, year: i16) -> Result<SeasonHeat, ModelError> {
        let range = self.season_range(year)?;
        if series.get(*range.start()).is_none() {
            return Err(ModelError::Inconsistent(format!(
                "the heat sum of season {year} starts on {}, but the weather runs from {} to {}",
                range.start(),
                series.first(),
                series.last()
            )));
        }
        let complete = series.last() >= *range.end();
        // One day more than the season where there is one: the double methods look at the next day's minimum.
        let count = series.between(range.clone()).len();
        let with_next = series.between(*range.start()..=plus_days(*range.end(), 1));
        let mut days = self.rule.accumulate(with_next)?;
        days.truncate(count);
        Ok(SeasonHeat { year, days, complete })
    }

    /// The seasons the weather covers from first to last day.
    pub fn complete_seasons(&self, series: &Series) -> Vec<i16> {
        let covers = |year: &i16| {
            self.season_range(*year)
                .is_ok_and(|r| series.first() <= *r.start() && series.last() >= *r.end())
        };
        series.years().into_iter().filter(covers).collect()
    }

    /// The season in which a day falls: the year of the last start date on or before it.
    pub fn season_of(&self, date: Date) -> i16 {
        match self.start.in_year(date.year()) {
            Ok(start) if date >= start => date.year(),
            _ => date.year() - 1,
        }
    }
}

/// Heat sums between which adults fly, degree-days from the season's start; `start <= peak <= end`, `start < end`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeatWindow {
    /// First adults.
    pub start_dd: f64,
    /// Peak of flight.
    pub peak_dd: f64,
    /// Last adults.
    pub end_dd: f64,
}

impl HeatWindow {
    /// Checks that the sums are in order.
    ///
    /// # Errors
    /// A negative sum, sums out of order, an empty window, or not a number.
    pub fn checked(self) -> Result<Self, ModelError> {
        check(
            "first-flight sum",
            self.start_dd,
            self.start_dd >= 0.0,
            "0 degree-days or more",
        )?;
        check(
            "last-flight sum",
            self.end_dd,
            self.end_dd > self.start_dd,
            "above the first-flight sum",
        )?;
        let inside = (self.start_dd..=self.end_dd).contains(&self.peak_dd);
        check(
            "peak-flight sum",
            self.peak_dd,
            inside,
            "between first and last flight",
        )?;
        Ok(self)
    }

    /// Share of the year's flight that is over when the sum stands at `sum_dd`: the distribution function of the
    /// beta-PERT with this window's ends and mode. A choice of design: papers give first, peak and last flight, and
    /// this is the smooth one-peaked curve those three fix without further parameters.
    pub fn flown_by(&self, sum_dd: f64) -> f64 {
        let width = self.end_dd - self.start_dd;
        let x = ((sum_dd - self.start_dd) / width).clamp(0.0, 1.0);
        if x <= 0.0 || x >= 1.0 {
            return x;
        }
        let rise = 1.0 + 4.0 * (self.peak_dd - self.start_dd) / width;
        let fall = 1.0 + 4.0 * (self.end_dd - self.peak_dd) / width;
        beta_reg(rise, fall, x)
    }
}

/// When adults fly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FlightCurve {
    /// One flight a year between two heat sums.
    HeatSumWindow {
        /// How the sums are counted.
        heat: HeatModel,
        /// The sums.
        window: HeatWindow,
    },
    /// Overlapping generations: a day's flight is in proportion to its degree-days (single sine) above the threshold,
    /// so none while the day's maximum stays below it.
    TemperatureDriven {
        /// Start of the season.
        start: MonthDay,
        /// No flight below this, degrees Celsius.
        threshold_c: f64,
    },
}

impl FlightCurve {
    /// The curve of a profile under one draw of its parameters ([`TargetProfile::drawn`], [`TargetProfile::central`]).
    pub fn from_profile(_profile: &TargetProfile, draw: &DrawnParams) -> Self {
        draw.flight
    }

    /// Share of the season's flight on each day of the season. The shares sum to 1 when there is any flight and are all
    /// 0 when there is none. A season too cool to finish its flight is scaled to 1 all the same: those that fly, fly then.
    ///
    /// # Errors
    /// Weather that does not cover the whole season. Shares of half a season would claim that all flight is over;
    /// continue the series first ([`Series::continued_with_normals`]).
    pub fn daily_share(&self, series: &Series, year: i16) -> Result<Vec<(Date, f64)>, ModelError> {
        let heat = self.heat();
        let season = heat.season(series, year)?;
        if !season.complete {
            return Err(ModelError::Inconsistent(format!(
                "flight in season {year} needs weather to {}, but it ends on {}; continue it with normals or a past year",
                heat.season_range(year)?.end(),
                series.last()
            )));
        }
        let mut shares: Vec<(Date, f64)> = match self {
            FlightCurve::HeatSumWindow { window, .. } => {
                let mut before = 0.0;
                season
                    .days
                    .iter()
                    .map(|day| {
                        let flown = window.flown_by(day.sum);
                        let today = (flown - before).max(0.0);
                        before = flown;
                        (day.date, today)
                    })
                    .collect()
            }
            FlightCurve::TemperatureDriven { .. } => season.days.iter().map(|d| (d.date, d.dd)).collect(),
        };
        let total: f64 = shares.iter().map(|s| s.1).sum();
        if total > 0.0 {
            shares.iter_mut().for_each(|s| s.1 /= total);
        }
        Ok(shares)
    }

    /// The heat that drives flight.
    pub fn heat(&self) -> HeatModel {
        match *self {
            FlightCurve::HeatSumWindow { heat, .. } => heat,
            FlightCurve::TemperatureDriven { start, threshold_c } => HeatModel {
                rule: Rule {
                    method: Method::Sine,
                    cutoff: Cutoff::Horizontal,
                    lower_c: threshold_c,
                    upper_c: None,
                },
                start,
            },
        }
    }
}

/// Days on which flight has come so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct FlightDates {
    /// First day with any flight.
    pub first: Date,
    /// 1 % flown.
    pub p01: Date,
    /// 5 % flown.
    pub p05: Date,
    /// 25 % flown.
    pub p25: Date,
    /// Half flown.
    pub p50: Date,
    /// 75 % flown.
    pub p75: Date,
    /// 95 % flown.
    pub p95: Date,
    /// 99 % flown.
    pub p99: Date,
    /// Day with most flight; the first of several.
    pub peak: Date,
    /// Last day with any flight.
    pub last: Date,
}

/// Dates out of daily shares; `None` when nothing flies.
pub fn season_dates(shares: &[(Date, f64)]) -> Option<FlightDates> {
    let total: f64 = shares.iter().map(|s| s.1).sum();
    let first = shares.iter().find(|s| s.1 > 0.0)?.0;
    let last = shares.iter().rev().find(|s| s.1 > 0.0)?.0;
    let reached = |share: f64| flown_on(shares, share * total).unwrap_or(last);
    let peak = shares
        .iter()
        .fold((first, 0.0), |best, s| if s.1 > best.1 { *s } else { best })
        .0;
    Some(FlightDates {
        first,
        p01: reached(0.01),
        p05: reached(0.05),
        p25: reached(0.25),
        p50: reached(0.50),
        p75: reached(0.75),
        p95: reached(0.95),
        p99: reached(0.99),
        peak,
        last,
    })
}

/// First day by whose end `amount` has flown.
fn flown_on(shares: &[(Date, f64)], amount: f64) -> Option<Date> {
    let mut flown = 0.0;
    shares
        .iter()
        .find(|s| {
            flown += s.1;
            flown >= amount
        })
        .map(|s| s.0)
}

/// Which seasons a plan is made from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SeasonSpan {
    /// One season. Where the weather covers it, what happened; where not, a forecast: the days in hand, followed by the
    /// rest of each past season in turn.
    Year(i16),
    /// Every season the weather covers, as each went; dates of the spread are told in the year after the last.
    AllPast,
}

/// Choices of the planner; the defaults are choices of design a programme may overrule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SeasonOptions {
    /// Days before first flight by which traps hang.
    pub hang_lead_days: u32,
    /// Share of flight after which traps come down, above 0 to 1.
    pub take_down_share: f64,
    /// Share of a lure's rated life in equivalent days at which it is changed, above 0 to 1.
    pub lure_change_share: f64,
}

impl Default for SeasonOptions {
    fn default() -> Self {
        SeasonOptions {
            hang_lead_days: 14,
            take_down_share: 0.99,
            lure_change_share: 0.85,
        }
    }
}

impl SeasonOptions {
    fn check(&self) -> Result<(), ModelError> {
        let share =
            |what, value: f64| check(what, value, value > 0.0 && value <= 1.0, "above 0 and at most 1");
        share("take-down share", self.take_down_share)?;
        share("lure-change share", self.lure_change_share)?;
        let lead = f64::from(self.hang_lead_days);
        check("hang lead", lead, lead <= 366.0, "at most 366 days").map(drop)
    }
}

/// Why a lure is changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeReason {
    /// Heat has used up the set share of its rated life.
    Heat,
    /// It has hung for the nominal maximum of days.
    NominalMaximum,
}

/// One change of lure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LureChange {
    /// The day.
    pub date: Date,
    /// Why.
    pub reason: ChangeReason,
    /// Equivalent days the old lure had used.
    pub equivalent_days: f64,
}

/// What one placement uses from hanging to take-down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Supplies {
    /// Lures, the first included.
    pub lures: u32,
    /// Sticky inserts, the first included; 0 for a trap without.
    pub inserts: u32,
    /// Fills of killing agent, the first included; 0 for a trap without.
    pub killing_agent: u32,
    /// Bodies, the first included.
    pub bodies: u32,
    /// Looks, the take-down's included.
    pub looks: u32,
}

/// The dates of one season at one placement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Campaign {
    /// Traps hang by this day. Never before the season's first day: a trap needed then hangs all year.
    pub hang: Date,
    /// Traps come down on this day.
    pub take_down: Date,
    /// Lure changes in between.
    pub lure_changes: Vec<LureChange>,
    /// What it takes, per placement.
    pub supplies: Supplies,
}

/// One season under one year's weather.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeasonRow {
    /// The season whose weather this is (for a forecast: the past season that stands in for the days to come).
    pub weather_year: i16,
    /// Degree-days over the whole season.
    pub heat_sum_dd: f64,
    /// Generations that sum would carry; `None` for a target that counts in years.
    pub generations: Option<f64>,
    /// Flight dates; `None` when nothing flies.
    pub flight: Option<FlightDates>,
    /// What to do; `None` when nothing flies.
    pub campaign: Option<Campaign>,
    /// Share of flight in each fortnight from the season's first day; the last one is a day or two long.
    pub fortnights: Vec<f64>,
}

/// Middle and spread over the years.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Spread<T> {
    /// Least.
    pub min: T,
    /// 5 % quantile.
    pub p05: T,
    /// Median.
    pub median: T,
    /// 95 % quantile.
    pub p95: T,
    /// Greatest.
    pub max: T,
}

impl Spread<f64> {
    /// Over values; quantiles by linear interpolation between order statistics (type 7 of Hyndman & Fan 1996, Am Stat
    /// 50:361-365). `None` without values.
    pub fn of(mut values: Vec<f64>) -> Option<Self> {
        values.sort_by(f64::total_cmp);
        let (&min, &max) = (values.first()?, values.last()?);
        let at = |q: f64| {
            let position = q * (values.len() - 1) as f64;
            let (low, share) = (position.floor() as usize, position.fract());
            let high = (low + 1).min(values.len() - 1);
            values[low] + share * (values[high] - values[low])
        };
        Some(Spread {
            min,
            p05: at(0.05),
            median: at(0.5),
            p95: at(0.95),
            max,
        })
    }

    fn map<T>(self, f: impl Fn(f64) -> T) -> Spread<T> {
        Spread {
            min: f(self.min),
            p05: f(self.p05),
            median: f(self.median),
            p95: f(self.p95),
            max: f(self.max),
        }
    }
}

/// One fortnight of the plan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Fortnight {
    /// First day.
    pub from: Date,
    /// Last day, included.
    pub to: Date,
    /// Share of the season's flight.
    pub share: Spread<f64>,
}

/// The plan's middle and spread over its rows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlanSpread {
    /// Degree-days over the season.
    pub heat_sum_dd: Spread<f64>,
    /// Generations; `None` for a target that counts in years.
    pub generations: Option<Spread<f64>>,
    /// Hang by; to be early enough in 19 years of 20 hang by its `p05`. `None` when nothing flies in any row, like all below.
    pub hang: Option<Spread<Date>>,
    /// First flight.
    pub first_flight: Option<Spread<Date>>,
    /// Peak of flight.
    pub peak_flight: Option<Spread<Date>>,
    /// Half flown.
    pub half_flown: Option<Spread<Date>>,
    /// Take-down.
    pub take_down: Option<Spread<Date>>,
    /// Lures per placement.
    pub lures: Option<Spread<f64>>,
    /// The n-th change of lure, over the rows that have one.
    pub lure_changes: Vec<Spread<Date>>,
    /// How many rows have the n-th change.
    pub lure_changes_in: Vec<u32>,
    /// Flight per fortnight, over rows with flight.
    pub fortnights: Vec<Fortnight>,
}

/// What a plan rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// The season's own weather, complete.
    Observed,
    /// The season's days so far, then past years.
    Forecast {
        /// Days of the season in hand.
        observed_days: u32,
    },
    /// Past seasons, each as it went.
    Past,
}

/// The dated plan of a season, with the spread from year to year. Parameters are at their central values.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeasonPlan {
    /// Target id.
    pub target: String,
    /// Season in which the spread's dates are told.
    pub year: i16,
    /// What it rests on.
    pub basis: Basis,
    /// The choices made.
    pub options: SeasonOptions,
    /// One row per year's weather.
    pub rows: Vec<SeasonRow>,
    /// Middle and spread over the rows.
    pub spread: PlanSpread,
    /// Parameters it leans on that need a warning, in words.
    pub warnings: Vec<String>,
}

/// How many of one thing to order.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Order {
    /// For each placement, enough in 19 years of 20.
    pub each: f64,
    /// For all of them, spares included.
    pub quantity: u64,
}

impl SeasonPlan {
    /// Lures to order for so many placements: enough in 19 years of 20, with a share on top for spoilage and loss.
    /// 0 when nothing flies.
    ///
    /// # Errors
    /// A spare share below 0 or not a number.
    pub fn lures_to_order(&self, placements: u32, spare_share: f64) -> Result<u64, ModelError> {
        Ok(self.to_order(|s| s.lures, placements, spare_share)?.quantity)
    }

    /// The same for any of the supplies.
    ///
    /// # Errors
    /// A spare share below 0 or not a number.
    pub fn to_order(
        &self,
        of: impl Fn(&Supplies) -> u32,
        placements: u32,
        spare_share: f64,
    ) -> Result<Order, ModelError> {
        check("spare share", spare_share, spare_share >= 0.0, "0 or more")?;
        let campaigns = self.rows.iter().filter_map(|row| row.campaign.as_ref());
        let counts = campaigns.map(|c| f64::from(of(&c.supplies))).collect();
        let each = Spread::of(counts).map_or(0.0, |s| s.p95.ceil());
        // Rounded to a millionth first, so that 1.1 x 100 does not ask for 111.
        let exact = each * f64::from(placements) * (1.0 + spare_share);
        Ok(Order {
            each,
            quantity: ((exact * 1e6).round() / 1e6).ceil() as u64,
        })
    }
}

/// The season's dated plan: hang and take-down, flight per fortnight, lure changes, supplies per placement.
///
/// # Errors
/// Options out of range; weather that covers no past season (or, for the year asked, starts inside it).
pub fn season_plan(
    profile: &TargetProfile,
    series: &Series,
    span: SeasonSpan,
    options: SeasonOptions,
) -> Result<SeasonPlan, ModelError> {
    options.check()?;
    let planner = Planner {
        profile,
        params: profile.central()?,
        options,
    };
    let heat = planner.params.heat;
    let seasons = heat.complete_seasons(series);
    let (year, basis, rows) = match span {
        SeasonSpan::Year(year) if seasons.contains(&year) => {
            let row = planner.row(series, year, year)?;
            (year, Basis::Observed, vec![row])
        }
        SeasonSpan::Year(year) => {
            need_past(&seasons, series)?;
            let range = heat.season_range(year)?;
            let observed = series.between(range.clone());
            if observed.first().is_some_and(|d| d.date > *range.start()) {
                return Err(ModelError::Inconsistent(format!(
                    "season {year} starts on {}, but the weather only on {}",
                    range.start(),
                    series.first()
                )));
            }
            let rows = seasons
                .iter()
                .map(|&past| planner.row(&replay(series, &range, past - year)?, year, past))
                .collect::<Result<Vec<_>, _>>()?;
            let observed_days = u32::try_from(observed.len()).unwrap_or(u32::MAX);
            (year, Basis::Forecast { observed_days }, rows)
        }
        SeasonSpan::AllPast => {
            need_past(&seasons, series)?;
            let rows = seasons
                .iter()
                .map(|&past| planner.row(series, past, past))
                .collect::<Result<Vec<_>, _>>()?;
            (seasons[seasons.len() - 1].saturating_add(1), Basis::Past, rows)
        }
    };
    Ok(SeasonPlan {
        target: profile.id.clone(),
        year,
        basis,
        options,
        spread: spread(&heat, year, basis, &rows)?,
        rows,
        warnings: profile.warnings(),
    })
}

fn need_past(seasons: &[i16], series: &Series) -> Result<(), ModelError> {
    if seasons.is_empty() {
        return Err(ModelError::Inconsistent(format!(
            "a forecast needs at least one whole past season of weather; the weather runs from {} to {}",
            series.first(),
            series.last()
        )));
    }
    Ok(())
}

/// The days of `range`: observed where the series has them, else those of the season `years_off` years away.
fn replay(series: &Series, range: &RangeInclusive<Date>, years_off: i16) -> Result<Series, ModelError> {
    let count = days_between(*range.start(), *range.end());
    let days = (0..=count)
        .map(|k| {
            let date = plus_days(*range.start(), k);
            if let Some(day) = series.get(date) {
                return Ok(*day);
            }
            let there = same_day(date, date.year() + years_off)?;
            let stand_in = series.get(there).ok_or_else(|| {
                ModelError::Inconsistent(format!("the weather has no {there} to stand in for {date}"))
            })?;
            Ok(DailyTemp { date, ..*stand_in })
        })
        .collect::<Result<Vec<_>, ModelError>>()?;
    Series::new(days)
}

/// The same day of another year; 28 February for a 29th that year lacks.
fn same_day(date: Date, year: i16) -> Result<Date, ModelError> {
    Date::new(year, date.month(), date.day())
        .or_else(|_| Date::new(year, date.month(), date.day() - 1))
        .map_err(|e| ModelError::Inconsistent(e.to_string()))
}

struct Planner<'a> {
    profile: &'a TargetProfile,
    params: DrawnParams,
    options: SeasonOptions,
}

impl Planner<'_> {
    /// Season `year` of `series`, told as the weather of `weather_year`.
    fn row(&self, series: &Series, year: i16, weather_year: i16) -> Result<SeasonRow, ModelError> {
        let heat = self.params.heat.season(series, year)?;
        let shares = self.params.flight.daily_share(series, year)?;
        let flight = season_dates(&shares);
        let heat_sum_dd = heat.days.last().map_or(0.0, |d| d.sum);
        Ok(SeasonRow {
            weather_year,
            heat_sum_dd,
            generations: self.params.generation_dd.map(|g| heat_sum_dd / g),
            campaign: flight.map(|f| self.campaign(series, &shares, f)).transpose()?,
            flight,
            fortnights: shares
                .chunks(FORTNIGHT)
                .map(|c| c.iter().map(|s| s.1).sum())
                .collect(),
        })
    }

    fn campaign(
        &self,
        series: &Series,
        shares: &[(Date, f64)],
        flight: FlightDates,
    ) -> Result<Campaign, ModelError> {
        let (season_first, season_last) = (shares[0].0, shares[shares.len() - 1].0);
        // Where warmth alone decides, one mild winter noon would set "first flight": the 1 % day is the useful one there.
        let begin = match self.params.flight {
            FlightCurve::HeatSumWindow { .. } => flight.first,
            FlightCurve::TemperatureDriven { .. } => flight.p01,
        };
        let hang = plus_days(begin, -i64::from(self.options.hang_lead_days)).max(season_first);
        let total: f64 = shares.iter().map(|s| s.1).sum();
        let over = flown_on(shares, self.options.take_down_share * total).unwrap_or(flight.last);
        let take_down = plus_days(over, 1).min(season_last).max(hang);
        let lure_changes = self.lure_changes(series.between(hang..=plus_days(take_down, -1)));
        Ok(Campaign {
            hang,
            take_down,
            supplies: self.supplies(days_between(hang, take_down), lure_changes.len())?,
            lure_changes,
        })
    }

    /// Changes by heat or by the nominal maximum, whichever is first; none when the old lure outlasts the campaign within
    /// both its rated life and its nominal maximum. For a first-order lure the rated life is its half-life.
    fn lure_changes(&self, days: &[DailyTemp]) -> Vec<LureChange> {
        let lure = self.params.lure;
        let limit = self.options.lure_change_share * lure.life_days;
        let nominal = self.params.lure_nominal_max_days.floor().max(1.0);
        let spent: Vec<f64> = days.iter().map(|d| lure.day_factor(d.tmin_c, d.tmax_c)).collect();
        let mut changes = Vec::new();
        let (mut used, mut hung_days) = (0.0, 0.0);
        for (i, day) in days.iter().enumerate() {
            used += spent[i];
            hung_days += 1.0;
            let reason = if used >= limit {
                ChangeReason::Heat
            } else if hung_days >= nominal {
                ChangeReason::NominalMaximum
            } else {
                continue;
            };
            let rest = &spent[i + 1..];
            let outlasts =
                used + rest.iter().sum::<f64>() <= lure.life_days && hung_days + rest.len() as f64 <= nominal;
            if rest.is_empty() || outlasts {
                break;
            }
            changes.push(LureChange {
                date: day.date,
                reason,
                equivalent_days: used,
            });
            (used, hung_days) = (0.0, 0.0);
        }
        changes
    }

    fn supplies(&self, days: i64, lure_changes: usize) -> Result<Supplies, ModelError> {
        let clocks = &self.profile.clocks;
        let count = |clock: &crate::profile::ClockDays| -> Result<u32, ModelError> {
            let nominal = Clock::try_from(clock)?.nominal_days;
            Ok((days as f64 / nominal).ceil().max(1.0) as u32)
        };
        Ok(Supplies {
            lures: 1 + u32::try_from(lure_changes).unwrap_or(u32::MAX - 1),
            inserts: clocks.insert.as_ref().map_or(Ok(0), count)?,
            killing_agent: clocks.killing_agent.as_ref().map_or(Ok(0), count)?,
            bodies: count(&clocks.body)?,
            looks: count(&clocks.look)?,
        })
    }
}

const FORTNIGHT: usize = 14;

fn spread(heat: &HeatModel, year: i16, basis: Basis, rows: &[SeasonRow]) -> Result<PlanSpread, ModelError> {
    let range = heat.season_range(year)?;
    let first = *range.start();
    let told_in = |row: &SeasonRow| -> Result<Date, ModelError> {
        // A row of past weather is dated in its own year, a row of a forecast already in the plan's.
        match basis {
            Basis::Past => heat.season_range(row.weather_year).map(|r| *r.start()),
            Basis::Observed | Basis::Forecast { .. } => Ok(first),
        }
    };
    let starts = rows.iter().map(told_in).collect::<Result<Vec<_>, _>>()?;
    let dates = |pick: &dyn Fn(&SeasonRow) -> Option<Date>| -> Option<Spread<Date>> {
        let offsets = rows
            .iter()
            .zip(&starts)
            .filter_map(|(row, &start)| pick(row).map(|date| days_between(start, date) as f64))
            .collect();
        Spread::of(offsets).map(|s| s.map(|offset| plus_days(first, offset.round() as i64)))
    };
    let campaigns = || rows.iter().filter_map(|r| r.campaign.as_ref());
    let most_changes = campaigns().map(|c| c.lure_changes.len()).max().unwrap_or(0);
    let change = |row: &SeasonRow, n: usize| Some(row.campaign.as_ref()?.lure_changes.get(n)?.date);
    let fortnight = |k: usize| {
        let shares = rows.iter().filter(|r| r.flight.is_some());
        let share = Spread::of(shares.filter_map(|r| r.fortnights.get(k).copied()).collect())?;
        let from = plus_days(first, (k * FORTNIGHT) as i64);
        Some(Fortnight {
            from,
            to: plus_days(from, FORTNIGHT as i64 - 1).min(*range.end()),
            share,
        })
    };
    let none = || ModelError::Inconsistent("no season to plan from".into());
    Ok(PlanSpread {
        heat_sum_dd: Spread::of(rows.iter().map(|r| r.heat_sum_dd).collect()).ok_or_else(none)?,
        generations: Spread::of(rows.iter().filter_map(|r| r.generations).collect()),
        hang: dates(&|r| r.campaign.as_ref().map(|c| c.hang)),
        first_flight: dates(&|r| r.flight.map(|f| f.first)),
        peak_flight: dates(&|r| r.flight.map(|f| f.peak)),
        half_flown: dates(&|r| r.flight.map(|f| f.p50)),
        take_down: dates(&|r| r.campaign.as_ref().map(|c| c.take_down)),
        lures: Spread::of(campaigns().map(|c| f64::from(c.supplies.lures)).collect()),
        lure_changes: (0..most_changes)
            .filter_map(|n| dates(&|r| change(r, n)))
            .collect(),
        lure_changes_in: (0..most_changes)
            .map(|n| rows.iter().filter(|r| change(r, n).is_some()).count() as u32)
            .collect(),
        fortnights: (0..rows[0].fortnights.len()).filter_map(fortnight).collect(),
    })
}
