//! The release clock: how much of the time that must pass without a find has passed, and when it will have.
//!
//! The protocol names the term: generations by heat, years, or whole seasons of flight. The clock starts on the day after
//! the last find, starts anew on every find, and counts only while effort was held: days on which the effective
//! trap-days were at least a stated share of those planned. A day without a record of effort does not count: nobody looked.
//! Silence is then weighed by the zero-catch bounds and the sighting-record test of [`crate::freedom`], on effective
//! trap-days. All of it is a proposal: an authority releases, by the law of the place.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};
use crate::freedom::{SightingRecord, ZeroCatch};
use crate::param::Param;
use crate::phenology::HeatModel;
use crate::weather::{Series, days_between, plus_days};

/// What must pass without a find.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Term {
    /// Generations by heat.
    Generations {
        /// How many, above 0.
        count: Param,
    },
    /// Years of 365.25 days.
    Years {
        /// How many, above 0.
        count: Param,
    },
    /// Whole seasons: one in which a find fell, or whose first day lies before the last find, is none.
    Seasons {
        /// How many, a whole number above 0.
        count: Param,
    },
}

/// The protocol's rule of release.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// What must pass.
    pub term: Term,
    /// Least share of planned trap-days that must be effective for a day to count, 0 to 1. For a season: for as many of
    /// its planned days, the same share.
    pub least_effort: Param,
}

/// Effort of one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayEffort {
    /// The day.
    pub date: Date,
    /// Effective trap-days, 0 or more.
    pub effective: f64,
    /// Trap-days that the protocol asked for on this day. 0 (out of season): the day counts toward years, and toward no
    /// generation.
    pub planned: f64,
}

/// A season of flight, past or to come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Season {
    /// First day.
    pub from: Date,
    /// Last day, included.
    pub to: Date,
}

/// Heat of one generation of the target.
#[derive(Debug, Clone, Copy)]
pub struct Heat<'a> {
    /// How heat is counted.
    pub model: &'a HeatModel,
    /// Weather that covers the days from the last find to the day asked about, and past years for a forecast.
    pub series: &'a Series,
    /// Degree-days of one generation, above 0.
    pub generation_dd: f64,
}

/// What the clock reads from.
#[derive(Debug, Clone, Copy)]
pub struct Record<'a> {
    /// Days of confirmed finds, any order, 1 or more; those after the day asked about are not known yet.
    pub finds: &'a [Date],
    /// Effort, one entry a day, by date.
    pub effort: &'a [DayEffort],
    /// Needed for generations.
    pub heat: Option<Heat<'a>>,
    /// Needed for seasons, by date, those to come as well.
    pub seasons: &'a [Season],
}

/// When the clock will have run out, if effort is held from now on and nothing is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Forecast {
    /// Earliest of the dates by past years' weather; all three are the same where weather plays no part.
    pub earliest: Date,
    /// The middle one (the later of two).
    pub median: Date,
    /// The latest.
    pub latest: Date,
    /// Past years it rests on; 0 where weather plays no part.
    pub years: usize,
}

/// The clock on one day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct State {
    /// The last find on or before the day asked about: the clock starts on the day after.
    pub last_find: Date,
    /// What has passed, in the term's unit.
    pub passed: f64,
    /// What is still to pass; 0 when the clock has run out.
    pub remaining: f64,
    /// Days since the last find on which effort was held.
    pub held_days: u32,
    /// Days since on which it was not: they don't count.
    pub lost_days: u32,
    /// First day on which enough had passed.
    pub done_on: Option<Date>,
    /// When it will be; `None` when it is done, or where no past year or coming season tells.
    pub forecast: Option<Forecast>,
}

impl Protocol {
    /// Checks the protocol's figures.
    ///
    /// # Errors
    /// A figure out of its range, uncertain, or without a source.
    pub fn check(&self) -> Result<(), ModelError> {
        let count = self.count();
        for param in [count, &self.least_effort] {
            param.dist.check()?;
            if !param.dist.is_fixed() || param.source.trim().is_empty() {
                return Err(ModelError::Inconsistent(
                    "a release protocol's figures are fixed numbers, each with its source".into(),
                ));
            }
        }
        check(
            "term of release",
            count.central(),
            count.central() > 0.0,
            "above 0",
        )?;
        if let Term::Seasons { .. } = self.term {
            let whole = count.central().fract() == 0.0;
            check("seasons of release", count.central(), whole, "a whole number")?;
        }
        let share = self.least_effort.central();
        check(
            "least effort",
            share,
            (0.0..=1.0).contains(&share),
            "between 0 and 1",
        )?;
        Ok(())
    }

    /// How much must pass, in the unit of its kind.
    pub fn count(&self) -> &Param {
        match &self.term {
            Term::Generations { count } | Term::Years { count } | Term::Seasons { count } => count,
        }
    }

    /// The clock on a day.
    ///
    /// # Errors
    /// Figures out of range, no find on or before the day, effort out of order or below 0, generations without heat or
    /// whose weather does not cover the days since the last find, or seasons out of order.
    pub fn state(&self, record: Record<'_>, on: Date) -> Result<State, ModelError> {
        self.check()?;
        check_record(&record)?;
        let known = record.finds.iter().filter(|f| **f <= on);
        let last_find = known.copied().max().ok_or_else(|| {
            ModelError::Inconsistent(format!("no find on or before {on}: there is no clock to read"))
        })?;
        let mut state = State {
            last_find,
            passed: 0.0,
            remaining: 0.0,
            held_days: 0,
            lost_days: 0,
            done_on: None,
            forecast: None,
        };
        let needed = self.count().central();
        let daily_dd = self.daily_dd(&record, last_find, on)?;
        for n in 1..=days_between(last_find, on) {
            let day = plus_days(last_find, n);
            let held = self.is_held(&record, day);
            if held {
                state.held_days += 1;
            } else {
                state.lost_days += 1;
            }
            state.passed += match (&self.term, &daily_dd) {
                (Term::Years { .. }, _) if held => 1.0 / 365.25,
                (Term::Generations { .. }, Some(dd)) if held => dd[n as usize - 1],
                (Term::Seasons { .. }, _) => self.season_ending(&record, last_find, day),
                _ => 0.0,
            };
            // sums of thousands of days are right to far better than this
            if state.done_on.is_none() && state.passed >= needed - 1e-9 {
                state.done_on = Some(day);
            }
        }
        if state.done_on.is_none() {
            state.remaining = needed - state.passed;
            state.forecast = self.forecast(&record, state.remaining, last_find, on)?;
        }
        Ok(state)
    }

    fn is_held(&self, record: &Record<'_>, day: Date) -> bool {
        let Ok(i) = record.effort.binary_search_by(|e| e.date.cmp(&day)) else {
            return false;
        };
        let effort = record.effort[i];
        if effort.planned <= 0.0 {
            return matches!(self.term, Term::Years { .. });
        }
        effort.effective >= self.least_effort.central() * effort.planned
    }

    /// 1 on the last day of a season that counts.
    fn season_ending(&self, record: &Record<'_>, last_find: Date, day: Date) -> f64 {
        let Some(season) = record.seasons.iter().find(|s| s.to == day && s.from > last_find) else {
            return 0.0;
        };
        let days = days_between(season.from, season.to) + 1;
        let held = (0..days)
            .filter(|n| self.is_held(record, plus_days(season.from, *n)))
            .count();
        f64::from(u8::from(
            held as f64 >= self.least_effort.central() * days as f64 && held > 0,
        ))
    }

    /// Generations of each day from the day after the last find to `on`; `None` where heat plays no part.
    fn daily_dd(&self, record: &Record<'_>, last: Date, on: Date) -> Result<Option<Vec<f64>>, ModelError> {
        if !matches!(self.term, Term::Generations { .. }) {
            return Ok(None);
        }
        let heat = needed_heat(record)?;
        let days = days_between(last, on);
        if days > 0 && (heat.series.first() > plus_days(last, 1) || heat.series.last() < on) {
            return Err(ModelError::Inconsistent(format!(
                "generations since the find of {last} need weather to {on}, but it runs from {} to {}",
                heat.series.first(),
                heat.series.last()
            )));
        }
        let skip = days_between(heat.series.first(), last) + 1;
        let all = heat.model.rule.daily(heat.series.days());
        let mine = all.iter().skip(skip.max(0) as usize).take(days.max(0) as usize);
        Ok(Some(mine.map(|dd| dd / heat.generation_dd).collect()))
    }

    fn forecast(
        &self,
        record: &Record<'_>,
        remaining: f64,
        last_find: Date,
        on: Date,
    ) -> Result<Option<Forecast>, ModelError> {
        let certain = |date| Forecast {
            earliest: date,
            median: date,
            latest: date,
            years: 0,
        };
        match self.term {
            Term::Years { .. } => {
                let days = (remaining * 365.25 - 1e-6).ceil() as i64;
                Ok(Some(certain(plus_days(on, days))))
            }
            Term::Seasons { .. } => {
                let mut coming = record.seasons.iter().filter(|s| s.to > on && s.from > last_find);
                Ok(coming.nth(remaining.round() as usize - 1).map(|s| certain(s.to)))
            }
            Term::Generations { .. } => by_past_years(needed_heat(record)?, remaining, on),
        }
    }
}

fn needed_heat<'a>(record: &Record<'a>) -> Result<Heat<'a>, ModelError> {
    let heat = record.heat.ok_or_else(|| {
        ModelError::Inconsistent("a term in generations needs weather and the heat of one generation".into())
    })?;
    let dd = heat.generation_dd;
    check("heat of one generation", dd, dd > 0.0, "above 0 degree-days")?;
    Ok(heat)
}

/// The same calendar day in each past year, run on with the weather that followed; years whose weather ends before the
/// clock would are left out.
fn by_past_years(heat: Heat<'_>, remaining: f64, on: Date) -> Result<Option<Forecast>, ModelError> {
    let daily = heat.model.rule.daily(heat.series.days());
    let mut dates = Vec::new();
    for year in heat.series.years() {
        // 29 February stands at 28 where there is none
        let day = Date::new(year, on.month(), on.day()).or_else(|_| Date::new(year, on.month(), 28));
        let Ok(start) = day else { continue };
        if start >= on || start < heat.series.first() {
            continue;
        }
        let from = days_between(heat.series.first(), start) as usize + 1;
        let mut sum = 0.0;
        for (n, dd) in daily.iter().skip(from).enumerate() {
            sum += dd / heat.generation_dd;
            if sum >= remaining - 1e-9 {
                dates.push(plus_days(on, n as i64 + 1));
                break;
            }
        }
    }
    dates.sort();
    Ok((!dates.is_empty()).then(|| Forecast {
        earliest: dates[0],
        median: dates[dates.len() / 2],
        latest: dates[dates.len() - 1],
        years: dates.len(),
    }))
}

fn check_record(record: &Record<'_>) -> Result<(), ModelError> {
    for e in record.effort {
        check(
            "effective trap-days",
            e.effective,
            e.effective >= 0.0,
            "0 or more",
        )?;
        check("planned trap-days", e.planned, e.planned >= 0.0, "0 or more")?;
    }
    if record.effort.windows(2).any(|w| w[0].date >= w[1].date) {
        return Err(ModelError::Inconsistent(
            "effort must be one entry a day, in the order of dates".into(),
        ));
    }
    let out_of_order = record.seasons.windows(2).any(|w| w[0].to >= w[1].from);
    if out_of_order || record.seasons.iter().any(|s| s.from > s.to) {
        return Err(ModelError::Inconsistent(
            "seasons must follow one another without overlap".into(),
        ));
    }
    Ok(())
}

/// What the silence since the last find says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Silence {
    /// Effective trap-days since the last find.
    pub trap_days: f64,
    /// Chance of catching none in them, were the smallest population worth finding there: Poisson.
    pub none_poisson: f64,
    /// The same with clumped catches, where clumping was given.
    pub none_clumped: Option<f64>,
    /// Chance of so long a silence were the pest still there at the rate of the sightings (Solow 1993), on effective
    /// trap-days; `None` where there was no effort up to the last find.
    pub sighting_p: Option<f64>,
}

/// Weighs the silence from the last find to a day, both on effective trap-days ([`crate::freedom`] has the formulas). All
/// days count here, whether effort was held or not: each is worth what it was.
///
/// `mean_per_trap_day` is the catch a trap-day would give at the density tested, above 0; `traps` how many traps shared
/// the effort (clumping is per trap); `clumping` is k.
///
/// # Errors
/// Figures out of range, effort out of order, or no find on or before the day.
pub fn silence(
    record: Record<'_>,
    on: Date,
    mean_per_trap_day: f64,
    traps: f64,
    clumping: Option<f64>,
) -> Result<Silence, ModelError> {
    check_record(&record)?;
    let known: Vec<Date> = record.finds.iter().copied().filter(|f| *f <= on).collect();
    let Some(last_find) = known.iter().copied().max() else {
        return Err(ModelError::Inconsistent(format!(
            "no find on or before {on}: no silence after one"
        )));
    };
    let sum = |keep: &dyn Fn(Date) -> bool| -> f64 {
        let days = record.effort.iter().filter(|e| keep(e.date));
        days.map(|e| e.effective).sum()
    };
    let before = sum(&|d| d <= last_find);
    let trap_days = sum(&|d| d > last_find && d <= on);
    let network = ZeroCatch::new(traps, mean_per_trap_day)?;
    let each = trap_days / traps;
    let sightings = u32::try_from(known.len()).unwrap_or(u32::MAX);
    Ok(Silence {
        trap_days,
        none_poisson: network.chance_of_none(each)?,
        none_clumped: clumping
            .map(|k| network.chance_of_none_clumped(each, k))
            .transpose()?,
        sighting_p: (before > 0.0)
            .then(|| SightingRecord::new(sightings, before, before + trap_days).map(|r| r.silence_p()))
            .transpose()?,
    })
}
