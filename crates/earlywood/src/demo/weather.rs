//! Ten years of invented daily weather for one station: a year's wave, spells that last some days, a mild trend.

use earlywood_model::record::WeatherDay;
use jiff::ToSpan as _;
use jiff::civil::Date;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

/// The invented climate. None of it is a claim about a real place.
const MEAN_C: f64 = 13.6;
const YEAR_WAVE_C: f64 = 9.8;
/// Day of the year on which the rising wave crosses its mean (late April: the year lags the sun by about a month).
const WAVE_ZERO_DAY: f64 = 112.0;
const TREND_C_PER_YEAR: f64 = 0.03;
/// How much of today's anomaly is left tomorrow; spells of about three days.
const SPELL_MEMORY: f64 = 0.72;
const SPELL_SD_C: f64 = 3.1;
const YEAR_SD_C: f64 = 0.55;

/// Every day of the years `first..=last` for a station, temperatures rounded to a tenth as stations report them.
pub(super) fn invent(seed: u64, station: &str, first: i16, last: i16) -> Vec<WeatherDay> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x57EA_7E12);
    let mut spell = 0.0;
    let mut days = Vec::with_capacity(366 * usize::from((last - first).unsigned_abs() + 1));
    for year in first..=last {
        let level = MEAN_C + TREND_C_PER_YEAR * f64::from(year - first) + YEAR_SD_C * normal(&mut rng);
        let first_day = Date::constant(year, 1, 1);
        for date in first_day.series(1.day()).take_while(|d| d.year() == year) {
            spell = SPELL_MEMORY * spell
                + SPELL_SD_C * (1.0 - SPELL_MEMORY * SPELL_MEMORY).sqrt() * normal(&mut rng);
            days.push(one_day(station, date, level, spell, &mut rng));
        }
    }
    days
}

fn one_day(station: &str, date: Date, level: f64, spell: f64, rng: &mut ChaCha8Rng) -> WeatherDay {
    let wave = (std::f64::consts::TAU * (f64::from(date.day_of_year()) - WAVE_ZERO_DAY) / 365.25).sin();
    // Winter spells swing wider than summer's, and clear summer days have the wider daily range.
    let mean = level + YEAR_WAVE_C * wave + spell * (1.0 - 0.2 * wave);
    let half_range = (5.6 + 1.2 * wave + 1.1 * normal(rng)).max(1.4);
    let tenth = |c: f64| (c * 10.0).round() / 10.0;
    WeatherDay {
        station: station.to_owned(),
        date,
        tmin_c: tenth(mean - half_range),
        tmax_c: tenth(mean + half_range),
    }
}

fn normal<R: Rng + ?Sized>(rng: &mut R) -> f64 {
    StandardNormal.sample(rng)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weather_is_whole_and_plausible() {
        let days = invent(7, "S1", 2016, 2025);
        assert_eq!(days.len(), 3653, "ten years with three leap days");
        for pair in days.windows(2) {
            assert_eq!(pair[0].date.tomorrow().unwrap(), pair[1].date);
        }
        for d in &days {
            assert!(d.tmax_c > d.tmin_c);
            assert!(
                (-30.0..=46.0).contains(&d.tmin_c) && (-30.0..=46.0).contains(&d.tmax_c),
                "{d:?}"
            );
        }
        let month_mean = |m: i8| {
            let of: Vec<f64> = days
                .iter()
                .filter(|d| d.date.month() == m)
                .map(|d| 0.5 * (d.tmin_c + d.tmax_c))
                .collect();
            of.iter().sum::<f64>() / of.len() as f64
        };
        assert!((1.0..8.0).contains(&month_mean(1)), "{}", month_mean(1));
        assert!((20.0..27.0).contains(&month_mean(7)), "{}", month_mean(7));
    }

    #[test]
    fn the_same_seed_gives_the_same_weather_and_another_does_not() {
        assert_eq!(invent(1, "S", 2020, 2021), invent(1, "S", 2020, 2021));
        assert_ne!(invent(1, "S", 2020, 2020), invent(2, "S", 2020, 2020));
    }
}
