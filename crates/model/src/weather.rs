//! Daily air temperature: checked, gap-free series, their normals, and a guard against the wrong unit.
//!
//! A missing day is never zero degrees: a series either has every day between its ends or says which it had to fill.

use jiff::civil::Date;
use jiff::{Span, ToSpan as _};
use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// Highest air temperature on record, degrees Celsius (world record as kept by the World Meteorological
/// Organization, Furnace Creek 1913; from memory).
pub const RECORD_HIGH_C: f64 = 56.7;
/// Lowest air temperature on record, degrees Celsius (Vostok 1983, same keeper; from memory).
pub const RECORD_LOW_C: f64 = -89.2;
/// No place on Earth has a higher mean over the year, degrees Celsius, rounded up from 34.4 (Dallol, Ethiopia,
/// 1960s; from memory).
const HIGHEST_YEAR_MEAN_C: f64 = 35.0;
/// Nor a higher mean over a month, degrees Celsius, rounded up from about 42.5 (Death Valley, July; from memory).
const HIGHEST_MONTH_MEAN_C: f64 = 43.0;
/// Days in hand from which the yearly bound may be used: enough that no cold season can be missing.
const YEAR_OF_DAYS: usize = 330;
/// Days in hand from which the monthly bound may be used.
const MONTH_OF_DAYS: usize = 28;

/// One day's extremes of air temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DailyTemp {
    /// The day.
    pub date: Date,
    /// Lowest temperature, degrees Celsius.
    pub tmin_c: f64,
    /// Highest temperature, degrees Celsius; not below the lowest.
    pub tmax_c: f64,
}

impl DailyTemp {
    /// Checks that both extremes are numbers and in order.
    ///
    /// # Errors
    /// Not a number, infinite, or a maximum below the minimum; the message names the date.
    pub fn check(&self) -> Result<(), ModelError> {
        let DailyTemp { date, tmin_c, tmax_c } = *self;
        if !tmin_c.is_finite() || !tmax_c.is_finite() {
            return Err(ModelError::Inconsistent(format!(
                "temperature on {date} is not a number (minimum {tmin_c}, maximum {tmax_c})"
            )));
        }
        if tmax_c < tmin_c {
            return Err(ModelError::Inconsistent(format!(
                "on {date} the maximum ({tmax_c} C) is below the minimum ({tmin_c} C)"
            )));
        }
        Ok(())
    }

    /// Mid-point of the day, `(Tmin + Tmax) / 2`, degrees Celsius.
    pub fn mid_c(&self) -> f64 {
        // Halved first so that the sum of two huge values cannot overflow.
        0.5 * self.tmin_c + 0.5 * self.tmax_c
    }
}

/// A run of missing days that was filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Gap {
    /// First missing day.
    pub first: Date,
    /// Last missing day.
    pub last: Date,
    /// How many days were missing.
    pub days: u32,
}

/// A series without a hole: one entry for every day between its ends, in order, each with `Tmax >= Tmin`.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Series {
    days: Vec<DailyTemp>,
}

impl Series {
    /// A checked series. The days may come in any order.
    ///
    /// # Errors
    /// No day at all, a day given twice, a day missing between the ends, a value that is not a number, a maximum
    /// below its minimum. The message names the date.
    pub fn new(mut days: Vec<DailyTemp>) -> Result<Self, ModelError> {
        sort_and_check(&mut days)?;
        for pair in days.windows(2) {
            let missing = days_between(pair[0].date, pair[1].date) - 1;
            if missing > 0 {
                return Err(ModelError::Inconsistent(format!(
                    "the weather has no entry for {}{}",
                    pair[0].date.tomorrow().unwrap_or(pair[0].date),
                    if missing > 1 {
                        format!(" and the {} days after it", missing - 1)
                    } else {
                        String::new()
                    }
                )));
            }
        }
        Ok(Series { days })
    }

    /// A checked series in which runs of up to `max_gap_days` missing days are filled by a straight line between the
    /// neighbouring days' minima and maxima. What was filled is returned, so that it can be told.
    ///
    /// # Errors
    /// As [`Series::new`], and a gap longer than allowed.
    pub fn with_gaps_filled(
        mut days: Vec<DailyTemp>,
        max_gap_days: u32,
    ) -> Result<(Self, Vec<Gap>), ModelError> {
        sort_and_check(&mut days)?;
        let mut filled: Vec<DailyTemp> = Vec::with_capacity(days.len());
        let mut gaps = Vec::new();
        for day in days {
            if let Some(&before) = filled.last() {
                let step = days_between(before.date, day.date);
                let missing = u32::try_from(step - 1).unwrap_or(u32::MAX);
                if missing > max_gap_days {
                    return Err(ModelError::Inconsistent(format!(
                        "the weather has no entry for {missing} days between {} and {}; up to {max_gap_days} may be filled",
                        before.date, day.date
                    )));
                }
                let first = filled.len();
                for k in 1..=missing {
                    let share = f64::from(k) / f64::from(missing + 1);
                    filled.push(DailyTemp {
                        date: before.date.saturating_add(i64::from(k).days()),
                        tmin_c: before.tmin_c + share * (day.tmin_c - before.tmin_c),
                        tmax_c: before.tmax_c + share * (day.tmax_c - before.tmax_c),
                    });
                }
                if missing > 0 {
                    gaps.push(Gap {
                        first: filled[first].date,
                        last: filled[filled.len() - 1].date,
                        days: missing,
                    });
                }
            }
            filled.push(day);
        }
        Ok((Series { days: filled }, gaps))
    }

    /// All days in order; never empty.
    pub fn days(&self) -> &[DailyTemp] {
        &self.days
    }

    /// First day.
    pub fn first(&self) -> Date {
        self.days[0].date
    }

    /// Last day.
    pub fn last(&self) -> Date {
        self.days[self.days.len() - 1].date
    }

    /// One day, if the series reaches it.
    pub fn get(&self, date: Date) -> Option<&DailyTemp> {
        let offset = usize::try_from(days_between(self.first(), date)).ok()?;
        self.days.get(offset)
    }

    /// The days from `range.start` to `range.end`, both included, as far as the series has them.
    pub fn between(&self, range: std::ops::RangeInclusive<Date>) -> &[DailyTemp] {
        let from = days_between(self.first(), *range.start()).max(0);
        let to = days_between(self.first(), *range.end()) + 1;
        let clip = |n: i64| usize::try_from(n).unwrap_or(0).min(self.days.len());
        let (from, to) = (clip(from), clip(to));
        &self.days[from.min(to)..to]
    }

    /// The days of one calendar year, as far as the series has them.
    pub fn year(&self, year: i16) -> &[DailyTemp] {
        match (Date::new(year, 1, 1), Date::new(year, 12, 31)) {
            (Ok(first), Ok(last)) => self.between(first..=last),
            _ => &[],
        }
    }

    /// The calendar years in which the series has at least one day.
    pub fn years(&self) -> Vec<i16> {
        (self.first().year()..=self.last().year()).collect()
    }

    /// Mean minimum and maximum of each calendar day over the years in hand.
    ///
    /// Averages are smoother than any real year, so degree-days summed over normals fall short of the mean of the years'
    /// sums near a threshold. For a forecast prefer replaying past years ([`crate::phenology::season_plan`] does).
    pub fn normals(&self) -> Normals {
        let mut sums = vec![(0.0, 0.0, 0_u32); CALENDAR_DAYS];
        for day in &self.days {
            let slot = &mut sums[calendar_slot(day.date)];
            slot.0 += day.tmin_c;
            slot.1 += day.tmax_c;
            slot.2 += 1;
        }
        let mean = |&(low, high, n): &(f64, f64, u32)| {
            (n > 0).then(|| MeanTemp {
                tmin_c: low / f64::from(n),
                tmax_c: high / f64::from(n),
                years: n,
            })
        };
        let mut slots: Vec<Option<MeanTemp>> = sums.iter().map(mean).collect();
        // 29 February has a quarter of the years at best and often none: then its neighbours speak for it.
        if slots[LEAP_SLOT].is_none()
            && let (Some(a), Some(b)) = (slots[LEAP_SLOT - 1], slots[LEAP_SLOT + 1])
        {
            slots[LEAP_SLOT] = Some(MeanTemp {
                tmin_c: 0.5 * (a.tmin_c + b.tmin_c),
                tmax_c: 0.5 * (a.tmax_c + b.tmax_c),
                years: 0,
            });
        }
        Normals { slots }
    }

    /// The series continued with its own normals up to and with `through`, for questions that need the whole year while
    /// it is still running. Nothing changes when the series already reaches that day.
    ///
    /// # Errors
    /// A calendar day no year in hand has.
    pub fn continued_with_normals(&self, through: Date) -> Result<Series, ModelError> {
        let mut days = self.days.clone();
        if through > self.last() {
            let normals = self.normals();
            days.extend(normals.series(plus_days(self.last(), 1)..=through)?.days);
        }
        Ok(Series { days })
    }

    /// Whether the figures can be degrees Celsius at all; see [`unit_check`].
    pub fn unit_check(&self) -> UnitCheck {
        unit_check(&self.days)
    }
}

fn sort_and_check(days: &mut [DailyTemp]) -> Result<(), ModelError> {
    if days.is_empty() {
        return Err(ModelError::Inconsistent("the weather has no days".into()));
    }
    days.iter().try_for_each(DailyTemp::check)?;
    days.sort_by_key(|d| d.date);
    match days.windows(2).find(|w| w[0].date == w[1].date) {
        Some(twice) => Err(ModelError::Inconsistent(format!(
            "the weather has two entries for {}",
            twice[0].date
        ))),
        None => Ok(()),
    }
}

/// Whole days from `a` to `b`; negative when `b` is earlier.
pub(crate) fn days_between(a: Date, b: Date) -> i64 {
    // Dates of jiff span ten thousand years at most, so the hour count fits easily.
    a.duration_until(b).as_hours() / 24
}

/// `date` moved by `days`, stopping at the calendar's ends.
pub(crate) fn plus_days(date: Date, days: i64) -> Date {
    date.saturating_add(Span::new().days(days))
}

const CALENDAR_DAYS: usize = 366;
/// Slot of 29 February when days are counted in a leap year.
const LEAP_SLOT: usize = 59;

/// Position of a date's month and day in a leap year, 0 to 365.
fn calendar_slot(date: Date) -> usize {
    const BEFORE: [usize; 12] = [0, 31, 60, 91, 121, 152, 182, 213, 244, 274, 305, 335];
    let month = usize::try_from(date.month()).unwrap_or(1);
    BEFORE[month - 1] + usize::try_from(date.day()).unwrap_or(1) - 1
}

/// Mean extremes of one calendar day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeanTemp {
    /// Mean minimum, degrees Celsius.
    pub tmin_c: f64,
    /// Mean maximum, degrees Celsius.
    pub tmax_c: f64,
    /// How many years it rests on; 0 where neighbours speak for it.
    pub years: u32,
}

/// Mean extremes of every calendar day.
#[derive(Debug, Clone, PartialEq)]
pub struct Normals {
    slots: Vec<Option<MeanTemp>>,
}

impl Normals {
    /// The mean of `date`'s calendar day; `None` when no year has it.
    pub fn get(&self, date: Date) -> Option<MeanTemp> {
        self.slots[calendar_slot(date)]
    }

    /// A series made of normals.
    ///
    /// # Errors
    /// An empty range, or a calendar day no year has.
    pub fn series(&self, range: std::ops::RangeInclusive<Date>) -> Result<Series, ModelError> {
        let count = days_between(*range.start(), *range.end());
        let days = (0..=count)
            .map(|k| {
                let date = plus_days(*range.start(), k);
                let mean = self.get(date).ok_or_else(|| {
                    ModelError::Inconsistent(format!("no year in hand has the calendar day of {date}"))
                })?;
                Ok(DailyTemp {
                    date,
                    tmin_c: mean.tmin_c,
                    tmax_c: mean.tmax_c,
                })
            })
            .collect::<Result<Vec<_>, ModelError>>()?;
        Series::new(days)
    }
}

/// Verdict on whether temperatures are degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum UnitCheck {
    /// Nothing speaks against it. (A few cold weeks in Fahrenheit can pass: no figure there is impossible in Celsius.)
    Plausible,
    /// A value outside anything ever recorded: refuse the file.
    Impossible {
        /// The day.
        date: Date,
        /// The value.
        value_c: f64,
        /// Whether the whole file makes sense when read as Fahrenheit.
        fits_fahrenheit: bool,
    },
    /// Each value could occur, but not so many together: ask before using the file.
    LikelyFahrenheit {
        /// Median of the daily mid-points as given.
        median: f64,
        /// The bound it passed, degrees Celsius.
        bound_c: f64,
    },
}

impl UnitCheck {
    /// The verdict in a sentence, `None` when plausible.
    pub fn message(&self) -> Option<String> {
        match *self {
            UnitCheck::Plausible => None,
            UnitCheck::Impossible {
                date,
                value_c,
                fits_fahrenheit,
            } => Some(format!(
                "{value_c} C on {date} is outside every air temperature ever recorded ({RECORD_LOW_C} to {RECORD_HIGH_C} C){}",
                if fits_fahrenheit {
                    "; the file looks like degrees Fahrenheit"
                } else {
                    ""
                }
            )),
            UnitCheck::LikelyFahrenheit { median, bound_c } => Some(format!(
                "half the days are warmer than {median:.1}, but no place on Earth is above {bound_c} C for so long; the file looks like degrees Fahrenheit"
            )),
        }
    }

    /// The verdict as an error: anything but plausible is refused.
    ///
    /// # Errors
    /// When the verdict is not [`UnitCheck::Plausible`].
    pub fn require_plausible(&self) -> Result<(), ModelError> {
        self.message()
            .map_or(Ok(()), |m| Err(ModelError::Inconsistent(m)))
    }
}

/// Can these be degrees Celsius?
///
/// Three bounds, from certain to likely: a single value outside the world records; a median over at least 330 days above
/// the hottest yearly mean known (35); a median over at least 28 days above the hottest monthly mean known (43). A whole
/// temperate year in Fahrenheit has a median near 50 and fails; medians are used so that one typing slip cannot decide.
pub fn unit_check(days: &[DailyTemp]) -> UnitCheck {
    let outside = |v: f64| !(RECORD_LOW_C..=RECORD_HIGH_C).contains(&v);
    let to_c = |f: f64| (f - 32.0) / 1.8;
    let impossible = days
        .iter()
        .flat_map(|d| [(d.date, d.tmin_c), (d.date, d.tmax_c)])
        .find(|&(_, v)| outside(v));
    if let Some((date, value_c)) = impossible {
        let fits_fahrenheit = days
            .iter()
            .all(|d| !outside(to_c(d.tmin_c)) && !outside(to_c(d.tmax_c)));
        return UnitCheck::Impossible {
            date,
            value_c,
            fits_fahrenheit,
        };
    }
    let bound_c = match days.len() {
        n if n >= YEAR_OF_DAYS => HIGHEST_YEAR_MEAN_C,
        n if n >= MONTH_OF_DAYS => HIGHEST_MONTH_MEAN_C,
        _ => return UnitCheck::Plausible,
    };
    let mut mids: Vec<f64> = days.iter().map(DailyTemp::mid_c).collect();
    mids.sort_by(f64::total_cmp);
    let median = mids[mids.len() / 2];
    if median > bound_c {
        UnitCheck::LikelyFahrenheit { median, bound_c }
    } else {
        UnitCheck::Plausible
    }
}

/// Celsius from Fahrenheit, for temperatures.
///
/// # Errors
/// Not a number.
pub fn celsius_from_fahrenheit(fahrenheit: f64) -> Result<f64, ModelError> {
    check("temperature", fahrenheit, true, "a number").map(|f| (f - 32.0) / 1.8)
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn day(d: Date, tmin_c: f64, tmax_c: f64) -> DailyTemp {
        DailyTemp {
            date: d,
            tmin_c,
            tmax_c,
        }
    }

    fn run(from: Date, n: i64, tmin_c: f64, tmax_c: f64) -> Vec<DailyTemp> {
        (0..n).map(|k| day(plus_days(from, k), tmin_c, tmax_c)).collect()
    }

    #[test]
    fn refuses_what_is_not_a_series_and_names_the_date() {
        let d = date(2025, 3, 1);
        let says = |days: Vec<DailyTemp>, words: &str| {
            let told = Series::new(days).unwrap_err().to_string();
            assert!(told.contains(words), "{told}");
        };
        says(vec![], "no days");
        says(vec![day(d, 5.0, 4.0)], "2025-03-01");
        says(vec![day(d, f64::NAN, 4.0)], "2025-03-01");
        says(vec![day(d, 1.0, f64::INFINITY)], "2025-03-01");
        says(
            vec![day(d, 1.0, 2.0), day(d, 1.0, 2.0)],
            "two entries for 2025-03-01",
        );
        says(
            vec![day(d, 1.0, 2.0), day(plus_days(d, 2), 1.0, 2.0)],
            "no entry for 2025-03-02",
        );
    }

    #[test]
    fn sorts_and_finds_days() {
        let d = date(2024, 2, 28);
        let mut days = run(d, 4, 0.0, 10.0);
        days.reverse();
        let s = Series::new(days).unwrap();
        assert_eq!(s.first(), d);
        assert_eq!(s.last(), date(2024, 3, 2));
        assert_eq!(s.get(date(2024, 2, 29)).unwrap().date, date(2024, 2, 29));
        assert!(s.get(date(2024, 2, 27)).is_none());
        assert!(s.get(date(2024, 3, 3)).is_none());
        assert_eq!(s.between(date(2024, 1, 1)..=date(2024, 2, 29)).len(), 2);
        assert_eq!(s.between(date(2025, 1, 1)..=date(2025, 2, 1)).len(), 0);
        assert_eq!(s.between(date(2023, 1, 1)..=date(2023, 2, 1)).len(), 0);
        assert_eq!(s.year(2024).len(), 4);
        assert_eq!(s.year(2023).len(), 0);
    }

    #[test]
    fn short_gaps_are_filled_and_told_long_ones_refused() {
        let d = date(2025, 12, 30);
        let days = vec![day(d, 0.0, 10.0), day(plus_days(d, 4), 8.0, 18.0)];
        let (s, gaps) = Series::with_gaps_filled(days.clone(), 3).unwrap();
        assert_eq!(s.days().len(), 5);
        assert_eq!(s.days()[2], day(date(2026, 1, 1), 4.0, 14.0));
        assert_eq!(
            gaps,
            vec![Gap {
                first: date(2025, 12, 31),
                last: date(2026, 1, 2),
                days: 3
            }]
        );
        let told = Series::with_gaps_filled(days, 2).unwrap_err().to_string();
        assert!(
            told.contains("3 days between 2025-12-30 and 2026-01-03"),
            "{told}"
        );
    }

    #[test]
    fn normals_average_the_years_and_invent_only_the_leap_day() {
        let mut days = run(date(2022, 1, 1), 365, 0.0, 10.0);
        days.extend(run(date(2023, 1, 1), 365, 2.0, 14.0));
        let normals = Series::new(days).unwrap().normals();
        let mean = normals.get(date(2030, 7, 1)).unwrap();
        assert_eq!((mean.tmin_c, mean.tmax_c, mean.years), (1.0, 12.0, 2));
        assert_eq!(normals.get(date(2024, 2, 29)).unwrap().years, 0);
        let year = normals.series(date(2024, 1, 1)..=date(2024, 12, 31)).unwrap();
        assert_eq!(year.days().len(), 366);
        let part = Series::new(run(date(2022, 3, 1), 10, 0.0, 1.0))
            .unwrap()
            .normals();
        assert!(part.get(date(2022, 4, 1)).is_none());
        assert!(part.series(date(2024, 3, 1)..=date(2024, 4, 1)).is_err());
    }

    #[test]
    fn fahrenheit_is_noticed() {
        let hot = Series::new(run(date(2025, 7, 1), 3, 60.0, 90.0)).unwrap();
        let UnitCheck::Impossible { fits_fahrenheit, .. } = hot.unit_check() else {
            panic!("90 C passed")
        };
        assert!(fits_fahrenheit);
        assert!(hot.unit_check().require_plausible().is_err());
        // A cool coast in Fahrenheit: every value below the record, the year's median is not.
        let coast = Series::new(run(date(2025, 1, 1), 365, 41.0, 55.0)).unwrap();
        assert!(matches!(coast.unit_check(), UnitCheck::LikelyFahrenheit { .. }));
        // A desert July in Celsius is hot, and true.
        let desert = Series::new(run(date(2025, 7, 1), 31, 32.0, 49.0)).unwrap();
        assert_eq!(desert.unit_check(), UnitCheck::Plausible);
        let temperate = Series::new(run(date(2025, 1, 1), 365, 5.0, 15.0)).unwrap();
        assert_eq!(temperate.unit_check(), UnitCheck::Plausible);
        let junk = Series::new(run(date(2025, 1, 1), 2, -9999.0, 15.0)).unwrap();
        assert!(matches!(
            junk.unit_check(),
            UnitCheck::Impossible {
                fits_fahrenheit: false,
                ..
            }
        ));
    }
}
