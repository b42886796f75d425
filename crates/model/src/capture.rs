//! Capture against distance: the chance that one flyer that starts at a distance is caught by one trap.
//!
//! Every form reads `p(d) = peak * f(d / reach)` with `f(0) = 1`. The probability is cumulative over one flight life
//! with a fresh lure and a working trap, never per day: compounding it by days counts the same flight twice. The same
//! thing as a hazard is `a = -ln(1 - p)`; hazards of several traps and of parts of a season add up.
//!
//! [`attraction`] holds the other published measures of how far a trap works; [`life`] holds survival, competition and
//! many insects.

pub mod attraction;
pub mod life;

use std::f64::consts::{LN_2, PI};

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// Catalan's constant G: the integral of `x / (2 cosh x)` over `0..inf`, hence the area under a sech in the plane.
pub const CATALAN: f64 = 0.915_965_594_177_219;

/// Greatest hazard of one meeting, `53 ln 2 = 36.74`: the escape probability behind it, `2^-53`, is the smallest an
/// `f64` can tell from certain capture. Keeps `p = 1` finite.
pub const MAX_HAZARD: f64 = 53.0 * LN_2;

const REACH_RANGE_M: std::ops::RangeInclusive<f64> = 1e-6..=2e7;
const REACH_RULE: &str = "between 0.000001 and 20000000 metres";

/// How capture falls with distance, `x = distance / reach`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// `1 / cosh(x)`: Manoukis, Hall & Geib 2014, Sci Rep 4:7015. The reach is 1/lambda, where capture is 0.648 of peak.
    Sech,
    /// `exp(-x)`: the reach is where capture is 1/e of peak.
    Exponential,
    /// `exp(-x^2 / 2)`: the reach is the standard deviation of the bell.
    HalfNormal,
    /// 1 up to the reach and 0 beyond: the covering radius of location problems (Church & ReVelle 1974).
    Disc,
}

/// One measured point of a capture curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Observation {
    /// Distance from release to trap, metres, 0 or more.
    pub distance_m: f64,
    /// Share of the released that the trap caught over their flight life, 0 to 1.
    pub probability: f64,
}

/// A checked capture function: form, reach in metres and peak.
///
/// With `peak = 1` the sech is optimistic: marked males released 25 m from a trap were caught far less often than the
/// form alone says (Shelly et al. 2014, J Asia-Pac Entomol 17:525-530). Calibrate the peak too.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RawCapture")]
pub struct Capture {
    form: Form,
    reach_m: f64,
    peak: f64,
}

#[derive(Deserialize)]
struct RawCapture {
    form: Form,
    reach_m: f64,
    peak: f64,
}

impl TryFrom<RawCapture> for Capture {
    type Error = ModelError;

    fn try_from(raw: RawCapture) -> Result<Self, ModelError> {
        Capture::new(raw.form, raw.reach_m, raw.peak)
    }
}

impl Capture {
    /// A capture function with a reach in metres (1e-6 to 2e7) and a peak, the capture at distance 0 (0 to 1).
    ///
    /// # Errors
    /// A reach or peak outside its range, or not a number.
    pub fn new(form: Form, reach_m: f64, peak: f64) -> Result<Self, ModelError> {
        check("reach", reach_m, REACH_RANGE_M.contains(&reach_m), REACH_RULE)?;
        check("peak", peak, (0.0..=1.0).contains(&peak), "between 0 and 1")?;
        Ok(Capture { form, reach_m, peak })
    }

    /// The function of this form and peak that passes through one observed point.
    ///
    /// # Errors
    /// A point at distance 0, or whose probability is not above 0 and below the peak. A disc can't be told by one point.
    pub fn through(form: Form, peak: f64, point: Observation) -> Result<Self, ModelError> {
        let unit = Capture::new(form, 1.0, peak)?;
        let Observation {
            distance_m,
            probability,
        } = point;
        check("distance", distance_m, distance_m > 0.0, "above 0 metres")?;
        if form == Form::Disc {
            return Err(ModelError::Inconsistent(
                "one point does not tell the radius of a disc".into(),
            ));
        }
        check(
            "capture probability",
            probability,
            probability > 0.0 && probability < peak,
            "above 0 and below the peak",
        )?;
        Capture::new(form, distance_m / unit.cutoff_m(probability), peak)
    }

    /// The function of this form and peak that samples `area_m2` (see [`Capture::sampling_area_m2`]).
    ///
    /// # Errors
    /// An area or peak that is not above 0.
    pub fn with_sampling_area(form: Form, peak: f64, area_m2: f64) -> Result<Self, ModelError> {
        check("sampling area", area_m2, area_m2 > 0.0, "above 0 square metres")?;
        check("peak", peak, peak > 0.0 && peak <= 1.0, "above 0, at most 1")?;
        let unit = Capture::new(form, 1.0, peak)?;
        Capture::new(form, (area_m2 / unit.sampling_area_m2()).sqrt(), peak)
    }

    /// The exponential whose logarithm fits the observed points best by least squares. Points with nothing caught carry
    /// no logarithm and are refused rather than dropped.
    ///
    /// # Errors
    /// Fewer than two distinct distances, a probability not above 0, or points that rise with distance or meet distance
    /// 0 above 1.
    pub fn fit_exponential(points: &[Observation]) -> Result<Self, ModelError> {
        for p in points {
            check("distance", p.distance_m, p.distance_m >= 0.0, "0 metres or more")?;
            let ok = p.probability > 0.0 && p.probability <= 1.0;
            check("capture probability", p.probability, ok, "above 0, at most 1")?;
        }
        let n = points.len() as f64;
        let mean_d = points.iter().map(|p| p.distance_m).sum::<f64>() / n;
        let mean_ln = points.iter().map(|p| p.probability.ln()).sum::<f64>() / n;
        let spread: f64 = points.iter().map(|p| (p.distance_m - mean_d).powi(2)).sum();
        if points.len() < 2 || spread <= 0.0 {
            return Err(ModelError::Inconsistent(
                "an exponential needs observed points at two distances or more".into(),
            ));
        }
        let cross: f64 = points
            .iter()
            .map(|p| (p.distance_m - mean_d) * (p.probability.ln() - mean_ln))
            .sum();
        let slope_per_m = cross / spread;
        check(
            "slope of ln capture on distance",
            slope_per_m,
            slope_per_m < 0.0,
            "below 0",
        )?;
        Capture::new(
            Form::Exponential,
            -1.0 / slope_per_m,
            (mean_ln - slope_per_m * mean_d).exp(),
        )
    }

    /// The form.
    pub fn form(&self) -> Form {
        self.form
    }

    /// The reach, metres.
    pub fn reach_m(&self) -> f64 {
        self.reach_m
    }

    /// Capture at distance 0.
    pub fn peak(&self) -> f64 {
        self.peak
    }

    /// Capture probability at a distance in metres; falls to exactly 0 far away.
    pub fn probability(&self, distance_m: f64) -> f64 {
        self.peak * self.share(distance_m.abs() / self.reach_m)
    }

    /// Capture as a hazard, `-ln(1 - p)`, at most [`MAX_HAZARD`].
    ///
    /// Where `p` is near 1 the escape `1 - p` is formed from `1 - f` without subtracting, so no digits are lost.
    pub fn hazard(&self, distance_m: f64) -> f64 {
        let p = self.probability(distance_m);
        if p < 0.5 {
            return -(-p).ln_1p();
        }
        let escape = (1.0 - self.peak) + self.peak * self.shortfall(distance_m.abs() / self.reach_m);
        if escape > 0.0 {
            (-escape.ln()).min(MAX_HAZARD)
        } else {
            MAX_HAZARD
        }
    }

    /// Distance beyond which capture is below `p_min`, metres: 0 when even the peak is below it, infinite when `p_min`
    /// is 0 or less. The inverse of [`Capture::probability`] for `p_min` between 0 and the peak.
    pub fn cutoff_m(&self, p_min: f64) -> f64 {
        if p_min.is_nan() || p_min <= 0.0 {
            return f64::INFINITY;
        }
        if p_min > self.peak {
            return 0.0;
        }
        let share = p_min / self.peak;
        let x = match self.form {
            // arcosh(1/q) written so that 1/q can't overflow
            Form::Sech => ((1.0 - share) * (1.0 + share)).sqrt().ln_1p() - share.ln(),
            Form::Exponential => -share.ln(),
            Form::HalfNormal => (-2.0 * share.ln()).sqrt(),
            Form::Disc => 1.0,
        };
        x * self.reach_m
    }

    /// Effective sampling area, square metres: the capture probability summed over the plane, so that expected catch is
    /// this area times density (Turchin & Odendaal 1996, Environ Entomol 25:582-588).
    pub fn sampling_area_m2(&self) -> f64 {
        let unit = match self.form {
            Form::Sech => 4.0 * PI * CATALAN,
            Form::Exponential | Form::HalfNormal => 2.0 * PI,
            Form::Disc => PI,
        };
        unit * self.peak * self.reach_m * self.reach_m
    }

    /// Radius of the circle as large as the effective sampling area, metres.
    pub fn sampling_radius_m(&self) -> f64 {
        (self.sampling_area_m2() / PI).sqrt()
    }

    /// f(x).
    fn share(&self, x: f64) -> f64 {
        match self.form {
            // 2e^-x / (1 + e^-2x): 1/cosh without the overflow near x = 710
            Form::Sech => {
                let t = (-x).exp();
                2.0 * t / (1.0 + t * t)
            }
            Form::Exponential => (-x).exp(),
            Form::HalfNormal => (-0.5 * x * x).exp(),
            Form::Disc => f64::from(u8::from(x <= 1.0)),
        }
    }

    /// 1 - f(x), to full relative precision near x = 0.
    fn shortfall(&self, x: f64) -> f64 {
        match self.form {
            Form::Sech => {
                let (t, gap) = ((-x).exp(), -(-x).exp_m1());
                gap * gap / (1.0 + t * t)
            }
            Form::Exponential => -(-x).exp_m1(),
            Form::HalfNormal => -(-0.5 * x * x).exp_m1(),
            Form::Disc => 1.0 - self.share(x),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extremes_stay_finite() {
        for form in [Form::Sech, Form::Exponential, Form::HalfNormal, Form::Disc] {
            let c = Capture::new(form, 1.0, 1.0).unwrap();
            assert_eq!(c.probability(0.0), 1.0, "{form:?}");
            assert_eq!(c.hazard(0.0), MAX_HAZARD, "{form:?}");
            assert_eq!(c.probability(100_000.0), 0.0, "{form:?}");
            assert_eq!(c.hazard(100_000.0), 0.0, "{form:?}");
            assert_eq!(c.cutoff_m(0.0), f64::INFINITY);
            assert!(c.cutoff_m(f64::MIN_POSITIVE).is_finite());
            assert_eq!(Capture::new(form, 1.0, 0.5).unwrap().cutoff_m(0.6), 0.0);
            assert_eq!(Capture::new(form, 1.0, 0.0).unwrap().hazard(0.0), 0.0);
        }
    }

    #[test]
    fn near_certain_capture_keeps_its_digits() {
        // 1 - sech(x) = x^2/2 - 5x^4/24 + ..., so the hazard at x = 1e-6 is -ln(5e-13) to 12 digits
        let c = Capture::new(Form::Sech, 1.0, 1.0).unwrap();
        assert!((c.hazard(1e-6) + 5e-13_f64.ln()).abs() < 1e-11);
    }

    #[test]
    fn refuses_what_makes_no_function() {
        for bad in [f64::NAN, f64::INFINITY, 0.0, -1.0] {
            assert!(Capture::new(Form::Sech, bad, 0.5).is_err());
        }
        for bad in [f64::NAN, f64::NEG_INFINITY, -0.1, 1.1] {
            assert!(Capture::new(Form::Sech, 10.0, bad).is_err());
        }
        let at = |distance_m, probability| Observation {
            distance_m,
            probability,
        };
        assert!(Capture::through(Form::Disc, 1.0, at(1.0, 0.5)).is_err());
        assert!(Capture::through(Form::Sech, 0.4, at(1.0, 0.5)).is_err());
        assert!(Capture::fit_exponential(&[at(10.0, 0.1), at(10.0, 0.2)]).is_err());
        assert!(Capture::fit_exponential(&[at(10.0, 0.1), at(20.0, 0.2)]).is_err());
        assert!(Capture::fit_exponential(&[at(10.0, 0.1), at(20.0, 0.0)]).is_err());
        assert!(toml::from_str::<Capture>("form = \"sech\"\nreach_m = -1.0\npeak = 0.5").is_err());
    }
}
