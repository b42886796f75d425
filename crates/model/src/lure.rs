//! How a lure ages with heat: equivalent days, what is left, and how strongly it still draws.
//!
//! Release rises with temperature by a factor `Q10` per 10 degrees (or by Arrhenius' law). One day at temperature `T` uses
//! up `Q10^((T - Tref)/10)` *equivalent days* at the reference temperature. Over a day whose temperature swings as a sine
//! of mean `m` and half-range `A` the exact mean of that factor is `Q10^((m - Tref)/10) * I0(A ln(Q10) / 10)`, with `I0`
//! the modified Bessel function: the daily mean alone gives too little, for the warm hours release more than the cool
//! hours save.
//!
//! A zero-order device (a pouch or bubble with a liquid reserve) releases at the same rate until it is empty; a first-order
//! device (a septum, a plastic matrix) releases in proportion to what is left.

use std::f64::consts::{LN_2, PI};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};
use crate::weather::DailyTemp;

/// Molar gas constant, J/(mol K), exact since the SI revision of 2019 (CODATA 2018).
pub const GAS_CONSTANT: f64 = 8.314_462_618;
const KELVIN: f64 = 273.15;
/// Relative slack in "used up": sums of rounded day factors may miss the rated life by rounding alone.
const ROUNDING: f64 = 1e-9;
/// Points on the half circle for the Arrhenius day mean; the mid-point rule converges faster than any power here.
const DAY_POINTS: u32 = 64;

/// How release depends on what is left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kinetics {
    /// The same rate until the reserve is gone.
    ZeroOrder,
    /// In proportion to what is left.
    FirstOrder,
}

/// How release depends on temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RateLaw {
    /// A factor per 10 degrees.
    Q10 {
        /// The factor, above 0.
        q10: f64,
    },
    /// Arrhenius' law.
    Arrhenius {
        /// Activation energy, J/mol, 0 or more.
        activation_j_per_mol: f64,
    },
}

/// Two temperatures between which a Q10 and an activation energy are set equal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TempPair {
    /// The cooler, degrees Celsius.
    pub low_c: f64,
    /// The warmer, degrees Celsius.
    pub high_c: f64,
}

impl TempPair {
    fn checked(self) -> Result<Self, ModelError> {
        check(
            "cooler temperature",
            self.low_c,
            self.low_c > -KELVIN,
            "above absolute zero",
        )?;
        check(
            "warmer temperature",
            self.high_c,
            self.high_c > self.low_c,
            "above the cooler one",
        )?;
        Ok(self)
    }

    /// `1/T_low - 1/T_high`, per kelvin.
    fn inverse_gap(self) -> f64 {
        1.0 / (self.low_c + KELVIN) - 1.0 / (self.high_c + KELVIN)
    }
}

impl RateLaw {
    /// Checks the law's parameter.
    ///
    /// # Errors
    /// A Q10 not above 0, a negative activation energy, or not a number.
    pub fn checked(self) -> Result<Self, ModelError> {
        match self {
            RateLaw::Q10 { q10 } => check("q10", q10, q10 > 0.0, "above 0")?,
            RateLaw::Arrhenius {
                activation_j_per_mol: e,
            } => check("activation energy", e, e >= 0.0, "0 or more J/mol")?,
        };
        Ok(self)
    }

    /// The Arrhenius law that agrees with this one between two temperatures.
    ///
    /// # Errors
    /// Temperatures not in order, or a Q10 below 1 (no activation energy is negative).
    pub fn to_arrhenius(self, over: TempPair) -> Result<RateLaw, ModelError> {
        let over = over.checked()?;
        match self.checked()? {
            RateLaw::Q10 { q10 } => RateLaw::Arrhenius {
                activation_j_per_mol: q10.ln() * (over.high_c - over.low_c) / 10.0 * GAS_CONSTANT
                    / over.inverse_gap(),
            }
            .checked(),
            same @ RateLaw::Arrhenius { .. } => Ok(same),
        }
    }

    /// The Q10 law that agrees with this one between two temperatures.
    ///
    /// # Errors
    /// Temperatures not in order.
    pub fn to_q10(self, over: TempPair) -> Result<RateLaw, ModelError> {
        let over = over.checked()?;
        match self.checked()? {
            RateLaw::Arrhenius {
                activation_j_per_mol: e,
            } => RateLaw::Q10 {
                q10: (e / GAS_CONSTANT * over.inverse_gap() * 10.0 / (over.high_c - over.low_c)).exp(),
            }
            .checked(),
            same @ RateLaw::Q10 { .. } => Ok(same),
        }
    }

    /// Release at `temperature_c` relative to release at `reference_c`.
    pub fn relative_rate(self, at: AgainstReference) -> f64 {
        match self {
            RateLaw::Q10 { q10 } => finite((q10.ln() * (at.temperature_c - at.reference_c) / 10.0).exp()),
            RateLaw::Arrhenius {
                activation_j_per_mol: e,
            } => {
                // Below absolute zero there is nothing to release; it also keeps the law finite on absurd input.
                let kelvin = (at.temperature_c + KELVIN).max(1.0);
                finite((e / GAS_CONSTANT * (1.0 / (at.reference_c + KELVIN) - 1.0 / kelvin)).exp())
            }
        }
    }

    /// Mean of [`RateLaw::relative_rate`] over a day whose temperature is a sine between the two extremes: exact
    /// (Bessel) for Q10, by quadrature to rounding for Arrhenius.
    pub fn day_factor(self, day: SineDay) -> f64 {
        let mid = 0.5 * day.tmin_c + 0.5 * day.tmax_c;
        let half_range = 0.5 * (day.tmax_c - day.tmin_c).abs();
        match self {
            RateLaw::Q10 { q10 } => {
                let per_degree = q10.ln() / 10.0;
                let x = (half_range * per_degree).abs();
                finite((per_degree * (mid - day.reference_c) + x).exp() * bessel_i0_scaled(x))
            }
            RateLaw::Arrhenius { .. } => {
                let sum: f64 = (0..DAY_POINTS)
                    .map(|k| PI * (f64::from(k) + 0.5) / f64::from(DAY_POINTS))
                    .map(|angle| {
                        self.relative_rate(AgainstReference {
                            temperature_c: mid + half_range * angle.cos(),
                            reference_c: day.reference_c,
                        })
                    })
                    .sum();
                finite(sum / f64::from(DAY_POINTS))
            }
        }
    }
}

/// A temperature and the reference it is held against, degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgainstReference {
    /// The temperature.
    pub temperature_c: f64,
    /// The reference.
    pub reference_c: f64,
}

/// A day's extremes at the device and the reference temperature, degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SineDay {
    /// Lowest temperature.
    pub tmin_c: f64,
    /// Highest temperature.
    pub tmax_c: f64,
    /// Reference temperature.
    pub reference_c: f64,
}

/// Keeps an overflow a number: no lure lives through it anyway.
fn finite(rate: f64) -> f64 {
    rate.min(f64::MAX)
}

/// `exp(-|x|) I0(x)`, the exponentially scaled modified Bessel function of order 0.
///
/// Power series (all terms positive, so no cancellation) up to 20, the asymptotic series beyond, where its smallest term
/// is below rounding (Abramowitz & Stegun 1964, 9.6.12 and 9.7.1).
pub fn bessel_i0_scaled(x: f64) -> f64 {
    let x = x.abs();
    if x <= 20.0 {
        let quarter_square = 0.25 * x * x;
        let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
        while term > f64::EPSILON * sum {
            term *= quarter_square / (k * k);
            sum += term;
            k += 1.0;
        }
        (-x).exp() * sum
    } else {
        let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
        while term > f64::EPSILON * sum {
            let odd = 2.0 * k - 1.0;
            term *= odd * odd / (8.0 * k * x);
            sum += term;
            k += 1.0;
        }
        sum / (2.0 * PI * x).sqrt()
    }
}

/// A lure device.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lure {
    /// Zero- or first-order.
    pub kinetics: Kinetics,
    /// Zero-order: days until empty at the reference temperature. First-order: half-life in days there.
    pub life_days: f64,
    /// Reference temperature, degrees Celsius.
    pub reference_c: f64,
    /// Factor by which release rises per 10 degrees.
    pub q10: f64,
    /// Exponent of potency on release: `potency = (rate / rate of a fresh lure)^beta`. 0: any release draws fully.
    pub beta: f64,
    /// How much hotter than the air the device runs, degrees.
    pub sun_offset_c: f64,
}

/// A lure at the end of one day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LureDay {
    /// The day.
    pub date: Date,
    /// Equivalent days at the reference temperature used up since the lure was put in, this day included.
    pub equivalent_days: f64,
    /// Share of the load left at the end of the day, 0 to 1.
    pub left: f64,
    /// Potency at the end of the day, 0 to 1: [`Lure::potency`] of `equivalent_days`. The day's own mean is never lower
    /// ([`Lure::mean_potency`]).
    pub potency: f64,
}

impl Lure {
    /// A checked lure; see the fields for what each value is. Name the fields instead where order could be mistaken
    /// ([`Lure::checked`]).
    ///
    /// # Errors
    /// As [`Lure::checked`].
    pub fn new(
        kinetics: Kinetics,
        life_days: f64,
        reference_c: f64,
        q10: f64,
        beta: f64,
        sun_offset_c: f64,
    ) -> Result<Self, ModelError> {
        Lure {
            kinetics,
            life_days,
            reference_c,
            q10,
            beta,
            sun_offset_c,
        }
        .checked()
    }

    /// Checks the values.
    ///
    /// # Errors
    /// A life not above 0, a reference below absolute zero, a Q10 not above 0, a negative beta, or anything not a number.
    pub fn checked(self) -> Result<Self, ModelError> {
        check("lure life", self.life_days, self.life_days > 0.0, "above 0 days")?;
        check(
            "reference temperature",
            self.reference_c,
            self.reference_c > -KELVIN,
            "above absolute zero",
        )?;
        check("q10", self.q10, self.q10 > 0.0, "above 0")?;
        check("beta", self.beta, self.beta >= 0.0, "0 or more")?;
        check("sun offset", self.sun_offset_c, true, "a number of degrees")?;
        Ok(self)
    }

    /// Equivalent days used up by one day between these air temperatures, the device's sun offset added.
    pub fn day_factor(&self, tmin_c: f64, tmax_c: f64) -> f64 {
        RateLaw::Q10 { q10: self.q10 }.day_factor(self.at_device(tmin_c, tmax_c))
    }

    fn at_device(&self, tmin_c: f64, tmax_c: f64) -> SineDay {
        SineDay {
            tmin_c: tmin_c + self.sun_offset_c,
            tmax_c: tmax_c + self.sun_offset_c,
            reference_c: self.reference_c,
        }
    }

    /// Share of the full load released per equivalent day by a fresh device: `1 / life` or `ln 2 / half-life`.
    pub fn fresh_rate_per_day(&self) -> f64 {
        match self.kinetics {
            Kinetics::ZeroOrder => 1.0 / self.life_days,
            Kinetics::FirstOrder => LN_2 / self.life_days,
        }
    }

    /// Share of the load left after so many equivalent days, 0 to 1.
    pub fn left(&self, equivalent_days: f64) -> f64 {
        let used = equivalent_days.max(0.0);
        match self.kinetics {
            Kinetics::ZeroOrder if self.is_used_up(used) => 0.0,
            Kinetics::ZeroOrder => 1.0 - used / self.life_days,
            Kinetics::FirstOrder => (-LN_2 * used / self.life_days).exp(),
        }
    }

    /// Power to draw after so many equivalent days, relative to a fresh device of the same kind at the same
    /// temperature, 0 to 1: `(rate / fresh rate)^beta`. Zero-order: 1 while reserve remains, 0 after.
    ///
    /// The day's own warmth is left out on purpose: capture curves were measured with fresh lures over a season's
    /// temperatures, so a warm day's stronger plume is in them already.
    pub fn potency(&self, equivalent_days: f64) -> f64 {
        let used = equivalent_days.max(0.0);
        match self.kinetics {
            Kinetics::ZeroOrder => f64::from(u8::from(!self.is_used_up(used))),
            Kinetics::FirstOrder => (-LN_2 * self.beta * used / self.life_days).exp(),
        }
    }

    /// Mean potency while the equivalent age grows over `span`, 0 to 1.
    pub fn mean_potency(&self, span: std::ops::Range<f64>) -> f64 {
        let (from, width) = (span.start.max(0.0), span.end - span.start.max(0.0));
        if width.is_nan() || width <= 0.0 {
            return self.potency(from);
        }
        match self.kinetics {
            Kinetics::ZeroOrder => ((self.life_days - from) / width).clamp(0.0, 1.0),
            Kinetics::FirstOrder => {
                let decay = LN_2 * self.beta / self.life_days * width;
                let shape = if decay > 0.0 {
                    -(-decay).exp_m1() / decay
                } else {
                    1.0
                };
                self.potency(from) * shape
            }
        }
    }

    /// Equivalent days until release has fallen to the share `rate_share` of a fresh device's. Zero-order: its life.
    ///
    /// # Errors
    /// A share not above 0 or above 1.
    pub fn life_to_rate_share(&self, rate_share: f64) -> Result<f64, ModelError> {
        check(
            "rate share",
            rate_share,
            rate_share > 0.0 && rate_share <= 1.0,
            "above 0 and at most 1",
        )?;
        Ok(match self.kinetics {
            Kinetics::ZeroOrder => self.life_days,
            Kinetics::FirstOrder => -rate_share.ln() * self.life_days / LN_2,
        })
    }

    /// The lure at the end of each day, from the day it was put in (the first given). Follow with [`empty_on`].
    pub fn age(&self, days: &[DailyTemp]) -> Vec<LureDay> {
        self.age_by(RateLaw::Q10 { q10: self.q10 }, days)
    }

    /// As [`Lure::age`], under another temperature law.
    pub fn age_by(&self, law: RateLaw, days: &[DailyTemp]) -> Vec<LureDay> {
        let mut used = 0.0;
        days.iter()
            .map(|day| {
                used = finite(used + law.day_factor(self.at_device(day.tmin_c, day.tmax_c)));
                LureDay {
                    date: day.date,
                    equivalent_days: used,
                    left: self.left(used),
                    potency: self.potency(used),
                }
            })
            .collect()
    }

    fn is_used_up(&self, equivalent_days: f64) -> bool {
        equivalent_days >= self.life_days * (1.0 - ROUNDING)
    }
}

/// The day on which a lure ran empty: the first with nothing left. `None` while reserve remains, and always for a
/// first-order device, which weakens but never runs dry ([`Lure::life_to_rate_share`] tells when it is too weak).
pub fn empty_on(days: &[LureDay]) -> Option<Date> {
    days.iter().find(|d| d.left <= 0.0).map(|d| d.date)
}
