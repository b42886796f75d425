//! When a lure is used up by heat: the weather as far as it is known, and each past year's same days beyond.

use std::collections::HashMap;

use earlywood_journal::Programme;
use earlywood_model::lure::Lure;
use earlywood_model::phenology::SeasonOptions;
use earlywood_model::weather::Series;
use jiff::ToSpan as _;
use jiff::civil::Date;

use crate::Notes;
use crate::error::ChainError;

/// A lure that outlives the weather in hand by so many days is not followed further. Design choice: far past any plan.
const FARTHEST_DAYS: u32 = 500;

/// The day on which a lure is due to be changed, and the day on which it is used up, by heat.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct HeatDays {
    /// So much of its rated life is used that the season's plan would change it; none: not within reach.
    pub(crate) warns: Option<Date>,
    /// All of it is used; none: not within reach.
    pub(crate) fails: Option<Date>,
}

/// Lures of the targets over one series of weather.
pub(crate) struct Heat {
    series: Series,
    lures: HashMap<String, Lure>,
    /// The share of a rated life at which a lure is changed: that of the season's plan.
    change_share: f64,
    told: HashMap<(String, Date), Option<HeatDays>>,
}

impl Heat {
    /// Reads weather and lures. None, with a note, where there is no weather.
    pub(crate) fn read<'a>(
        programme: &Programme,
        targets: impl Iterator<Item = &'a String>,
        station: Option<&str>,
        notes: &mut Notes,
    ) -> Result<Option<Heat>, ChainError> {
        let series = match crate::weather::series(programme, station, notes) {
            Ok(series) => series,
            Err(why) if station.is_some() => return Err(why),
            Err(why) => {
                notes.push(format!("lures are judged by the calendar alone: {}", why.words()));
                return Ok(None);
            }
        };
        let mut lures = HashMap::new();
        for id in targets {
            // A target that nobody knows any more has no lure to follow.
            if let Ok(profile) = crate::target(programme, id) {
                lures.insert(id.clone(), profile.central()?.lure);
            }
        }
        Ok(Some(Heat::new(series, lures)))
    }

    fn new(series: Series, lures: HashMap<String, Lure>) -> Heat {
        Heat {
            series,
            lures,
            change_share: SeasonOptions::default().lure_change_share,
            told: HashMap::new(),
        }
    }

    /// The weather in hand.
    pub(crate) fn series(&self) -> &Series {
        &self.series
    }

    /// Last day of the weather in hand.
    pub(crate) fn known_to(&self) -> Date {
        self.series.last()
    }

    /// The days of a lure for this target that was put in on a day. None where the weather does not reach back to it.
    pub(crate) fn days(&mut self, target: &str, put_in: Date) -> Option<HeatDays> {
        let key = (target.to_owned(), put_in);
        if let Some(told) = self.told.get(&key) {
            return *told;
        }
        let told = self.lures.get(target).and_then(|lure| self.reckon(lure, put_in));
        self.told.insert(key, told);
        told
    }

    fn reckon(&self, lure: &Lure, put_in: Date) -> Option<HeatDays> {
        if put_in < self.series.first() {
            return None;
        }
        let limits = [self.change_share * lure.life_days, lure.life_days];
        let (mut used, mut crossed) = (0.0, [None; 2]);
        if put_in <= self.series.last() {
            for day in self.series.between(put_in..=self.series.last()) {
                used += lure.day_factor(day.tmin_c, day.tmax_c);
                cross(&mut crossed, limits, used, day.date);
            }
        }
        if crossed[1].is_none() {
            let from = put_in.max(self.series.last().saturating_add(1.day()));
            for (slot, beyond) in crossed.iter_mut().zip(self.beyond(lure, from, used, limits)) {
                *slot = slot.or(beyond);
            }
        }
        Some(HeatDays {
            warns: crossed[0],
            fails: crossed[1],
        })
    }

    /// The middle, over the past years, of the days on which the limits are reached when the weather goes on as it did then.
    fn beyond(&self, lure: &Lure, from: Date, used: f64, limits: [f64; 2]) -> [Option<Date>; 2] {
        let mut reached: [Vec<Option<Date>>; 2] = Default::default();
        for back in 1..=from.year() - self.series.first().year() {
            let Some(crossed) = self.as_then(lure, from, used, limits, back) else {
                continue;
            };
            for (all, one) in reached.iter_mut().zip(crossed) {
                all.push(one);
            }
        }
        reached.map(|mut days| {
            // None is "later than all": such a year counts as one that reaches it late.
            days.sort_by_key(|d| d.unwrap_or(Date::MAX));
            // Of an even number the earlier middle one: a day too early costs a drive, one too late a dead lure.
            days.get(days.len().saturating_sub(1) / 2).copied().flatten()
        })
    }

    /// The days on which the limits are reached if it goes on as `back` years before. None where that weather is not in hand
    /// up to the day on which the lure is used up.
    fn as_then(
        &self,
        lure: &Lure,
        from: Date,
        used: f64,
        limits: [f64; 2],
        back: i16,
    ) -> Option<[Option<Date>; 2]> {
        let (mut used, mut crossed, mut day) = (used, [None; 2], from);
        for _ in 0..FARTHEST_DAYS {
            let then = day.saturating_sub(i32::from(back).years());
            let weather = self.series.get(then)?;
            used += lure.day_factor(weather.tmin_c, weather.tmax_c);
            cross(&mut crossed, limits, used, day);
            if crossed[1].is_some() {
                break;
            }
            day = day.saturating_add(1.day());
        }
        Some(crossed)
    }
}

fn cross(crossed: &mut [Option<Date>; 2], limits: [f64; 2], used: f64, day: Date) {
    for (slot, limit) in crossed.iter_mut().zip(limits) {
        // A hair of slack, for the sums are rounded.
        if slot.is_none() && used >= limit * (1.0 - 1e-9) {
            *slot = Some(day);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use earlywood_model::lure::Kinetics;
    use earlywood_model::weather::DailyTemp;
    use jiff::civil::date;

    fn lure() -> Lure {
        // At its reference temperature all day, one day of the calendar is one day of its life.
        Lure::new(Kinetics::ZeroOrder, 30.0, 20.0, 2.0, 1.0, 0.0).unwrap()
    }

    fn series(from: Date, to: Date, at: impl Fn(Date) -> f64) -> Series {
        let mut days = Vec::new();
        let mut date = from;
        while date <= to {
            days.push(DailyTemp {
                date,
                tmin_c: at(date),
                tmax_c: at(date),
            });
            date = date.tomorrow().unwrap();
        }
        Series::new(days).unwrap()
    }

    fn heat(series: Series) -> Heat {
        Heat::new(series, [("moth".to_owned(), lure())].into())
    }

    #[test]
    fn at_the_reference_a_lure_lives_as_rated_and_ten_degrees_above_half_as_long() {
        let year = |t: f64| heat(series(date(2024, 1, 1), date(2026, 12, 31), move |_| t));
        let days = year(20.0).days("moth", date(2026, 6, 1)).unwrap();
        // 30 days: 1 to 30 June; 85 % of them are used up on the 26th.
        assert_eq!(days.fails, Some(date(2026, 6, 30)));
        assert_eq!(days.warns, Some(date(2026, 6, 26)));
        assert_eq!(
            year(30.0).days("moth", date(2026, 6, 1)).unwrap().fails,
            Some(date(2026, 6, 15))
        );
        assert_eq!(year(20.0).days("gnat", date(2026, 6, 1)), None);
        assert_eq!(year(20.0).days("moth", date(2023, 6, 1)), None);
    }

    #[test]
    fn beyond_the_weather_in_hand_the_middle_of_the_past_years_speaks() {
        // Known up to 10 June 2026; the past Junes had 10, 20 and 30 degrees.
        let at = |d: Date| match d.year() {
            2023 => 10.0,
            2024 => 20.0,
            2025 => 30.0,
            _ => 20.0,
        };
        let mut heat = heat(series(date(2023, 1, 1), date(2026, 6, 10), at));
        assert_eq!(
            heat.days("moth", date(2026, 6, 1)).unwrap().fails,
            Some(date(2026, 6, 30))
        );
    }
}
