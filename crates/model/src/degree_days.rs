//! Degree-days of a day from its minimum and maximum, by every published method and upper cut-off.
//!
//! All of them rest on one quantity: the area `A(tau)` of the day's temperature curve above a level `tau`, in
//! degree-days. With lower threshold `TL` and upper threshold `TU`
//!
//! * horizontal cut-off (development goes on at its best rate above `TU`): `A(TL) - A(TU)`
//! * intermediate cut-off (it slows above `TU` as fast as it rose below): `A(TL) - 2 A(TU)`
//! * vertical cut-off (it stops above `TU`): `A(TL) - A(TU) - (TU - TL) * share of the day above TU`
//!
//! Single and double triangle: Sevacherian, Stern & Mueller 1977, J Econ Entomol 70:399-402. Single and double sine:
//! Baskerville & Emin 1969, Ecology 50:514-517; Allen 1976, Environ Entomol 5:388-396. Cut-offs: Zalom et al. 1983, UC
//! Leaflet 21373 (from memory); Roltsch et al. 1999, Int J Biometeorol 42:169-176 (journal from memory).
//!
//! A threshold sum from the literature is valid only with the method, cut-off, thresholds and start date it was
//! fitted with. One degree-day Celsius is 1.8 degree-days Fahrenheit.

use std::f64::consts::{FRAC_PI_2, PI};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};
use crate::weather::{DailyTemp, days_between};

/// Shape given to the day's temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// The whole day at `(Tmin + Tmax) / 2`: `max(0, M - TL)`, the plain average variant. (The other variant, which
    /// first pulls minimum and maximum into `[TL, TU]`, gives different sums: [`Rule::floored_average`].)
    Average,
    /// One sine wave between minimum and maximum.
    Sine,
    /// Two straight lines between minimum and maximum.
    Triangle,
    /// Half a sine from this day's minimum, half one to the next day's minimum.
    DoubleSine,
    /// Half a triangle from this day's minimum, half one to the next day's minimum.
    DoubleTriangle,
}

/// What heat above the upper threshold does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cutoff {
    /// Nothing more: development continues at the rate of the upper threshold.
    Horizontal,
    /// Slows development at the rate at which it rose. A long day far above the upper threshold would count below
    /// zero; the day's figure is then 0, for development cannot be undone.
    Intermediate,
    /// Stops development while it lasts.
    Vertical,
}

/// Half a wave between two extremes, as either method draws it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wave {
    Flat,
    Sine,
    Triangle,
}

/// The extremes between which a wave runs; `low <= high`.
#[derive(Debug, Clone, Copy)]
struct Swing {
    low: f64,
    high: f64,
}

impl Swing {
    /// Of a double method's second half the "minimum" is tomorrow's and may lie above today's maximum when a warm front
    /// passes: the wave then runs between the same two levels, the other way up, with the same area.
    fn between(a: f64, b: f64) -> Self {
        Swing {
            low: a.min(b),
            high: a.max(b),
        }
    }

    fn mid(self) -> f64 {
        0.5 * self.low + 0.5 * self.high
    }

    /// Area above `tau`, degree-days; 0 or more.
    fn area_above(self, tau: f64, wave: Wave) -> f64 {
        let mid = self.mid();
        if wave == Wave::Flat {
            return (mid - tau).max(0.0);
        }
        // These two come first, so that a day without a swing (half-range 0) never divides by it.
        if self.low >= tau {
            return mid - tau;
        }
        if self.high <= tau {
            return 0.0;
        }
        match wave {
            Wave::Triangle => {
                let above = self.high - tau;
                0.5 * above * (above / (self.high - self.low))
            }
            _ => {
                let half_range = 0.5 * (self.high - self.low);
                let sin = ((tau - mid) / half_range).clamp(-1.0, 1.0);
                let cos = ((1.0 - sin) * (1.0 + sin)).sqrt();
                (((mid - tau) * (FRAC_PI_2 - sin.asin()) + half_range * cos) / PI).max(0.0)
            }
        }
    }

    /// Share of the day above `tau`, 0 to 1. A day that only touches `tau` from below counts as not above it.
    fn share_above(self, tau: f64, wave: Wave) -> f64 {
        match wave {
            Wave::Flat => f64::from(u8::from(self.mid() > tau)),
            _ if self.high <= tau => 0.0,
            _ if self.low >= tau => 1.0,
            Wave::Triangle => (self.high - tau) / (self.high - self.low),
            Wave::Sine => {
                let half_range = 0.5 * (self.high - self.low);
                let sin = ((tau - self.mid()) / half_range).clamp(-1.0, 1.0);
                (FRAC_PI_2 - sin.asin()) / PI
            }
        }
    }
}

/// A complete degree-day rule: without all four parts a sum means nothing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Rule {
    /// Shape of the day.
    pub method: Method,
    /// Effect of heat above the upper threshold.
    pub cutoff: Cutoff,
    /// Lower threshold, degrees Celsius.
    pub lower_c: f64,
    /// Upper threshold, degrees Celsius, above the lower; `None` when there is none (the cut-off then plays no part).
    pub upper_c: Option<f64>,
}

/// One day's degree-days and the sum so far.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HeatDay {
    /// The day.
    pub date: Date,
    /// Its degree-days, 0 or more.
    pub dd: f64,
    /// Sum from the first day up to and with this one.
    pub sum: f64,
}

impl Rule {
    /// A checked rule.
    ///
    /// # Errors
    /// A threshold that is not a number, or an upper one not above the lower.
    pub fn new(
        method: Method,
        cutoff: Cutoff,
        lower_c: f64,
        upper_c: Option<f64>,
    ) -> Result<Self, ModelError> {
        check("lower threshold", lower_c, true, "a number of degrees")?;
        if let Some(upper) = upper_c {
            check(
                "upper threshold",
                upper,
                upper > lower_c,
                "a number above the lower threshold",
            )?;
        }
        Ok(Rule {
            method,
            cutoff,
            lower_c,
            upper_c,
        })
    }

    /// Degree-days of each day, 0 or more, in the order given.
    ///
    /// The double methods use the next day's minimum. The last day, and a day whose successor is not the next calendar
    /// day, have none: there the single form of the same method stands in.
    ///
    /// Days are expected to have passed [`DailyTemp::check`] (a [`crate::weather::Series`] has); [`Rule::accumulate`]
    /// checks them itself.
    pub fn daily(&self, days: &[DailyTemp]) -> Vec<f64> {
        days.iter()
            .enumerate()
            .map(|(i, day)| {
                let next_min = days
                    .get(i + 1)
                    .filter(|next| self.looks_ahead() && days_between(day.date, next.date) == 1)
                    .map(|next| next.tmin_c);
                self.day(day, next_min)
            })
            .collect()
    }

    /// Degree-days and running sum of each day, refusing days that are not right.
    ///
    /// # Errors
    /// A temperature that is not a number, or a maximum below its minimum; the message names the date.
    pub fn accumulate(&self, days: &[DailyTemp]) -> Result<Vec<HeatDay>, ModelError> {
        days.iter().try_for_each(DailyTemp::check)?;
        let mut sum = 0.0;
        Ok(days
            .iter()
            .zip(self.daily(days))
            .map(|(day, dd)| {
                sum += dd;
                HeatDay {
                    date: day.date,
                    dd,
                    sum,
                }
            })
            .collect())
    }

    /// Degree-days of one day; `next_min_c` is the next day's minimum, used by the double methods only.
    pub fn day(&self, day: &DailyTemp, next_min_c: Option<f64>) -> f64 {
        let wave = match self.method {
            Method::Average => Wave::Flat,
            Method::Sine | Method::DoubleSine => Wave::Sine,
            Method::Triangle | Method::DoubleTriangle => Wave::Triangle,
        };
        let first = self.swing(Swing::between(day.tmin_c, day.tmax_c), wave);
        let whole = match next_min_c {
            Some(next) if self.looks_ahead() => {
                0.5 * first + 0.5 * self.swing(Swing::between(next, day.tmax_c), wave)
            }
            _ => first,
        };
        whole.max(0.0)
    }

    /// The average method's other variant: minimum and maximum are first pulled into `[TL, TU]`, then averaged. Some
    /// published sums were fitted with it; it always counts at least as much as [`Method::Average`] when there is no
    /// upper threshold. Method and cut-off of the rule play no part.
    pub fn floored_average(&self, day: &DailyTemp) -> f64 {
        let pull = |t: f64| t.clamp(self.lower_c, self.upper_c.unwrap_or(f64::MAX));
        0.5 * pull(day.tmin_c) + 0.5 * pull(day.tmax_c) - self.lower_c
    }

    fn looks_ahead(&self) -> bool {
        matches!(self.method, Method::DoubleSine | Method::DoubleTriangle)
    }

    /// May be negative for the intermediate cut-off; the caller clamps the whole day.
    fn swing(&self, swing: Swing, wave: Wave) -> f64 {
        let lower = swing.area_above(self.lower_c, wave);
        let Some(upper_c) = self.upper_c.filter(|&u| swing.high > u) else {
            return lower;
        };
        let upper = swing.area_above(upper_c, wave);
        match self.cutoff {
            Cutoff::Horizontal => lower - upper,
            Cutoff::Intermediate => lower - 2.0 * upper,
            Cutoff::Vertical => lower - upper - (upper_c - self.lower_c) * swing.share_above(upper_c, wave),
        }
    }

    /// Days needed to gather `sum_dd` at one unchanging temperature; `None` when it brings no heat.
    ///
    /// # Errors
    /// A temperature or sum that is not a number, or a negative sum.
    pub fn days_at_constant(&self, at: ConstantHeat) -> Result<Option<f64>, ModelError> {
        check("temperature", at.temperature_c, true, "a number of degrees")?;
        check("degree-day sum", at.sum_dd, at.sum_dd >= 0.0, "0 or more")?;
        let per_day = self.day(
            &DailyTemp {
                date: Date::ZERO,
                tmin_c: at.temperature_c,
                tmax_c: at.temperature_c,
            },
            None,
        );
        Ok((per_day > 0.0).then(|| at.sum_dd / per_day))
    }
}

/// A heat sum to be gathered at one temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConstantHeat {
    /// Temperature day and night, degrees Celsius.
    pub temperature_c: f64,
    /// Sum wanted, degree-days.
    pub sum_dd: f64,
}

/// Days, with the fraction of the last one, until the running sum of `daily_dd` reaches `sum_dd`; `None` when it never does.
pub fn days_to_reach(daily_dd: &[f64], sum_dd: f64) -> Option<f64> {
    let mut sum = 0.0;
    if sum_dd <= 0.0 {
        return Some(0.0);
    }
    let mut elapsed = 0.0;
    for &dd in daily_dd {
        if sum + dd >= sum_dd {
            return Some(elapsed + (sum_dd - sum) / dd);
        }
        sum += dd;
        elapsed += 1.0;
    }
    None
}

/// Degree-days Fahrenheit from degree-days Celsius: a factor only, no offset.
pub fn dd_f_from_c(dd_c: f64) -> f64 {
    1.8 * dd_c
}

/// Degree-days Celsius from degree-days Fahrenheit: a factor only, no offset.
pub fn dd_c_from_f(dd_f: f64) -> f64 {
    dd_f / 1.8
}

/// The Briere-1 development rate, `r(T) = a T (T - T0) sqrt(TL - T)` (Briere et al. 1999, Environ Entomol 28:22-29).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Briere1 {
    /// Scale a, per day per degree^2.5.
    pub scale: f64,
    /// Lower threshold T0, degrees Celsius, 0 or more.
    pub lower_c: f64,
    /// Upper threshold TL, degrees Celsius, above the lower.
    pub upper_c: f64,
}

impl Briere1 {
    /// Checks the parameters.
    ///
    /// # Errors
    /// A scale not above 0, a lower threshold below 0 (the formula's other root would then lie inside the range), or
    /// an upper not above it.
    pub fn checked(self) -> Result<Self, ModelError> {
        check("Briere scale", self.scale, self.scale > 0.0, "above 0")?;
        check("lower threshold", self.lower_c, self.lower_c >= 0.0, "0 or more")?;
        check(
            "upper threshold",
            self.upper_c,
            self.upper_c > self.lower_c,
            "a number above the lower threshold",
        )?;
        Ok(self)
    }

    /// Development rate per day; 0 outside the thresholds.
    pub fn rate(&self, temperature_c: f64) -> f64 {
        if temperature_c <= self.lower_c || temperature_c >= self.upper_c {
            return 0.0;
        }
        self.scale * temperature_c * (temperature_c - self.lower_c) * (self.upper_c - temperature_c).sqrt()
    }

    /// Temperature of fastest development, degrees Celsius: the root of `r' = 0`.
    pub fn optimum_c(&self) -> f64 {
        let (t0, tl) = (self.lower_c, self.upper_c);
        (4.0 * tl + 3.0 * t0 + (16.0 * tl * tl + 9.0 * t0 * t0 - 16.0 * t0 * tl).sqrt()) / 10.0
    }
}
