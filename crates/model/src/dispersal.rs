//! How far insects go: dispersal kernels in the plane, the speed of a front, and the radius a survey must cover.
//!
//! A kernel gives the density of end points a square metre at a distance r from the start, the same in all directions;
//! summed over the plane it is 1. Two different things are called exponential: [`Kernel::exponential`] is exponential in
//! the density over the plane, [`Kernel::exponential_radial`] in the distance itself (common in forestry).

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};
use statrs::function::erf::{erfc, erfc_inv};
use statrs::function::gamma::ln_gamma;

use crate::error::{ModelError, check};

/// A checked dispersal kernel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Shape", into = "Shape")]
pub struct Kernel(Shape);

/// A kernel's form and parameters, as written in files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Shape {
    /// Diffusion for a time.
    Gaussian {
        /// Diffusion coefficient D, square metres a day; mean squared displacement is 4Dt.
        diffusion_m2_per_day: f64,
        /// Time t, days.
        days: f64,
    },
    /// `exp(-r/a) / (2 pi a^2)`.
    Exponential {
        /// Scale a, metres: half the mean distance.
        scale_m: f64,
    },
    /// `exp(-r/a) / (2 pi a r)`: the distance itself is exponential.
    ExponentialRadial {
        /// Scale a, metres: the mean distance.
        scale_m: f64,
    },
    /// The 2Dt of Clark et al. 1999, Ecology 80:1475-1494: `p / (pi u (1 + r^2/u)^(p+1))`.
    #[serde(rename = "2dt")]
    TwoDt {
        /// Scale u, square metres.
        u_m2: f64,
        /// Shape p; the mean is finite above 1/2.
        p: f64,
    },
    /// The logarithm of distance is normal.
    Lognormal {
        /// Median distance, metres.
        median_m: f64,
        /// Standard deviation of the natural logarithm of distance.
        sigma: f64,
    },
    /// A share of the insects by one kernel, the rest by another.
    Mixed {
        /// Share by the first, 0 to 1.
        first_share: f64,
        /// The first.
        first: Box<Kernel>,
        /// The other.
        second: Box<Kernel>,
    },
}

impl TryFrom<Shape> for Kernel {
    type Error = ModelError;

    fn try_from(shape: Shape) -> Result<Self, ModelError> {
        match shape {
            Shape::Gaussian {
                diffusion_m2_per_day: d,
                days,
            } => {
                check("diffusion coefficient", d, d > 0.0, "above 0 square metres a day")?;
                check("days", days, days > 0.0, "above 0")?;
            }
            Shape::Exponential { scale_m } | Shape::ExponentialRadial { scale_m } => {
                check("scale", scale_m, scale_m > 0.0, "above 0 metres")?;
            }
            Shape::TwoDt { u_m2, p } => {
                check("u", u_m2, u_m2 > 0.0, "above 0 square metres")?;
                check("p", p, p > 0.0, "above 0")?;
            }
            Shape::Lognormal { median_m, sigma } => {
                check("median", median_m, median_m > 0.0, "above 0 metres")?;
                check("sigma", sigma, sigma > 0.0, "above 0")?;
            }
            Shape::Mixed { first_share, .. } => {
                let ok = (0.0..=1.0).contains(&first_share);
                check("share of the first kernel", first_share, ok, "between 0 and 1")?;
            }
        }
        Ok(Kernel(shape))
    }
}

impl From<Kernel> for Shape {
    fn from(kernel: Kernel) -> Shape {
        kernel.0
    }
}

impl Kernel {
    /// Diffusion with a coefficient in square metres a day for a number of days.
    ///
    /// # Errors
    /// A value that is not above 0.
    pub fn gaussian(diffusion_m2_per_day: f64, days: f64) -> Result<Self, ModelError> {
        Shape::Gaussian {
            diffusion_m2_per_day,
            days,
        }
        .try_into()
    }

    /// The diffusion whose mean distance after a number of days is `mean_m`: `D = mean^2 / (pi t)`.
    ///
    /// # Errors
    /// A value that is not above 0.
    pub fn gaussian_with_mean(mean_m: f64, days: f64) -> Result<Self, ModelError> {
        check("mean distance", mean_m, mean_m > 0.0, "above 0 metres")?;
        Kernel::gaussian(mean_m * mean_m / (PI * days), days)
    }

    /// Exponential in the density over the plane; the scale is half the mean distance.
    ///
    /// # Errors
    /// A scale that is not above 0.
    pub fn exponential(scale_m: f64) -> Result<Self, ModelError> {
        Shape::Exponential { scale_m }.try_into()
    }

    /// Exponential in the distance itself; the scale is the mean distance.
    ///
    /// # Errors
    /// A scale that is not above 0.
    pub fn exponential_radial(scale_m: f64) -> Result<Self, ModelError> {
        Shape::ExponentialRadial { scale_m }.try_into()
    }

    /// The 2Dt of Clark et al. 1999, Ecology 80:1475-1494, with scale u in square metres and shape p.
    ///
    /// # Errors
    /// A value that is not above 0.
    pub fn two_dt(u_m2: f64, p: f64) -> Result<Self, ModelError> {
        Shape::TwoDt { u_m2, p }.try_into()
    }

    /// Lognormal distance with a median in metres and the standard deviation of the logarithm.
    ///
    /// # Errors
    /// A value that is not above 0.
    pub fn lognormal(median_m: f64, sigma: f64) -> Result<Self, ModelError> {
        Shape::Lognormal { median_m, sigma }.try_into()
    }

    /// Lognormal distance from a published median and mean: `sigma = sqrt(2 ln(mean / median))`.
    ///
    /// # Errors
    /// A median that is not above 0, or a mean that is not above the median.
    pub fn lognormal_with_mean(median_m: f64, mean_m: f64) -> Result<Self, ModelError> {
        check("median", median_m, median_m > 0.0, "above 0 metres")?;
        check("mean", mean_m, mean_m > median_m, "above the median")?;
        Kernel::lognormal(median_m, (2.0 * (mean_m / median_m).ln()).sqrt())
    }

    /// A share of the insects (0 to 1) by the first kernel, the rest by the second.
    ///
    /// # Errors
    /// A share outside 0 to 1.
    pub fn mixed(first_share: f64, first: Kernel, second: Kernel) -> Result<Self, ModelError> {
        let (first, second) = (Box::new(first), Box::new(second));
        Shape::Mixed {
            first_share,
            first,
            second,
        }
        .try_into()
    }

    /// The form and its parameters.
    pub fn shape(&self) -> &Shape {
        &self.0
    }

    /// Density of end points at a distance in metres, a square metre. Infinite at 0 for the radial exponential, whose
    /// insects are packed ever more closely toward the start; 0 there for the lognormal, in which none stays.
    pub fn density_per_m2(&self, r_m: f64) -> f64 {
        let r = r_m.abs();
        match &self.0 {
            Shape::Gaussian {
                diffusion_m2_per_day,
                days,
            } => {
                let four_dt = 4.0 * diffusion_m2_per_day * days;
                (-r * r / four_dt).exp() / (PI * four_dt)
            }
            Shape::Exponential { scale_m: a } => (-r / a).exp() / (2.0 * PI * a * a),
            Shape::ExponentialRadial { scale_m: a } => (-r / a).exp() / (2.0 * PI * a * r),
            Shape::TwoDt { u_m2, p } => p / (PI * u_m2) * (-(p + 1.0) * (r * r / u_m2).ln_1p()).exp(),
            Shape::Lognormal { median_m, sigma } => {
                if r == 0.0 {
                    return 0.0;
                }
                // r^2 goes into the exponent, so that a tiny r can't divide by 0
                let z = (r / median_m).ln() / sigma;
                (-0.5 * z * z - 2.0 * r.ln()).exp() / ((2.0 * PI).powf(1.5) * sigma)
            }
            Shape::Mixed {
                first_share: w,
                first,
                second,
            } => {
                // a part without weight must not bring in its infinity
                let part = |w: f64, k: &Kernel| if w == 0.0 { 0.0 } else { w * k.density_per_m2(r) };
                part(*w, first) + part(1.0 - w, second)
            }
        }
    }

    /// Share that goes farther than a distance in metres; keeps its digits far out in the tail.
    pub fn beyond(&self, r_m: f64) -> f64 {
        let r = r_m.max(0.0);
        match &self.0 {
            Shape::Gaussian {
                diffusion_m2_per_day,
                days,
            } => (-r * r / (4.0 * diffusion_m2_per_day * days)).exp(),
            Shape::Exponential { scale_m } => two_stage_tail(r / scale_m),
            Shape::ExponentialRadial { scale_m } => (-r / scale_m).exp(),
            Shape::TwoDt { u_m2, p } => (-p * (r * r / u_m2).ln_1p()).exp(),
            Shape::Lognormal { median_m, sigma } => 0.5 * erfc(log_sds(r, *median_m, *sigma)),
            Shape::Mixed {
                first_share: w,
                first,
                second,
            } => w * first.beyond(r) + (1.0 - w) * second.beyond(r),
        }
    }

    /// Share that stays within a distance in metres; keeps its digits close to the start.
    pub fn within(&self, r_m: f64) -> f64 {
        let r = r_m.max(0.0);
        match &self.0 {
            Shape::Gaussian {
                diffusion_m2_per_day,
                days,
            } => -(-r * r / (4.0 * diffusion_m2_per_day * days)).exp_m1(),
            Shape::Exponential { scale_m } => two_stage_head(r / scale_m),
            Shape::ExponentialRadial { scale_m } => -(-r / scale_m).exp_m1(),
            Shape::TwoDt { u_m2, p } => -(-p * (r * r / u_m2).ln_1p()).exp_m1(),
            Shape::Lognormal { median_m, sigma } => 0.5 * erfc(-log_sds(r, *median_m, *sigma)),
            Shape::Mixed {
                first_share: w,
                first,
                second,
            } => w * first.within(r) + (1.0 - w) * second.within(r),
        }
    }

    /// Radius in metres within which a share stays: 0 for a share of 0 or less, infinite for 1 or more.
    pub fn quantile(&self, share: f64) -> f64 {
        if share <= 0.0 {
            return 0.0;
        }
        self.radius_leaving((-share).ln_1p())
    }

    /// Radius in metres beyond which a share goes; for shares far below 1, of which `1 - share` would keep no digits.
    pub fn radius_beyond(&self, share: f64) -> f64 {
        if share <= 0.0 {
            f64::INFINITY
        } else {
            self.radius_leaving(share.ln())
        }
    }

    /// Radius in metres beyond which a share goes whose natural logarithm is given.
    fn radius_leaving(&self, ln_share: f64) -> f64 {
        if ln_share >= 0.0 {
            return 0.0;
        }
        if ln_share.is_nan() || ln_share == f64::NEG_INFINITY {
            return f64::INFINITY;
        }
        match &self.0 {
            Shape::Gaussian {
                diffusion_m2_per_day,
                days,
            } => (-4.0 * diffusion_m2_per_day * days * ln_share).sqrt(),
            Shape::Exponential { scale_m } => {
                scale_m * bisect((0.0, 4.0 + 2.0 * -ln_share), |x| x.ln_1p() - x < ln_share)
            }
            Shape::ExponentialRadial { scale_m } => -scale_m * ln_share,
            Shape::TwoDt { u_m2, p } => (u_m2 * (-ln_share / p).exp_m1()).sqrt(),
            Shape::Lognormal { median_m, sigma } => {
                median_m * (sigma * std::f64::consts::SQRT_2 * upper_normal(ln_share)).exp()
            }
            Shape::Mixed { first, second, .. } => {
                let ends = (first.radius_leaving(ln_share), second.radius_leaving(ln_share));
                // compared on the side that is small, where digits are kept
                let past = |r: f64| {
                    if ln_share < -std::f64::consts::LN_2 {
                        self.beyond(r) < ln_share.exp()
                    } else {
                        self.within(r) > -ln_share.exp_m1()
                    }
                };
                bisect((ends.0.min(ends.1), ends.0.max(ends.1)), past)
            }
        }
    }

    /// Mean distance, metres; `None` where it is infinite (2Dt with p of 1/2 or less).
    pub fn mean_m(&self) -> Option<f64> {
        match &self.0 {
            Shape::Gaussian {
                diffusion_m2_per_day,
                days,
            } => Some((PI * diffusion_m2_per_day * days).sqrt()),
            Shape::Exponential { scale_m } => Some(2.0 * scale_m),
            Shape::ExponentialRadial { scale_m } => Some(*scale_m),
            Shape::TwoDt { u_m2, p } => {
                let mean = |p: f64| 0.5 * (PI * u_m2).sqrt() * (ln_gamma(p - 0.5) - ln_gamma(p)).exp();
                (*p > 0.5).then(|| mean(*p))
            }
            Shape::Lognormal { median_m, sigma } => Some(median_m * (0.5 * sigma * sigma).exp()),
            Shape::Mixed {
                first_share,
                first,
                second,
            } => weighted(*first_share, first.mean_m(), second.mean_m()),
        }
        .filter(|mean| mean.is_finite())
    }

    /// Mean squared distance, square metres; `None` where it is infinite (2Dt with p of 1 or less).
    pub fn mean_square_m2(&self) -> Option<f64> {
        match &self.0 {
            Shape::Gaussian {
                diffusion_m2_per_day,
                days,
            } => Some(4.0 * diffusion_m2_per_day * days),
            Shape::Exponential { scale_m } => Some(6.0 * scale_m * scale_m),
            Shape::ExponentialRadial { scale_m } => Some(2.0 * scale_m * scale_m),
            Shape::TwoDt { u_m2, p } => (*p > 1.0).then(|| u_m2 / (p - 1.0)),
            Shape::Lognormal { median_m, sigma } => Some(median_m * median_m * (2.0 * sigma * sigma).exp()),
            Shape::Mixed {
                first_share,
                first,
                second,
            } => weighted(*first_share, first.mean_square_m2(), second.mean_square_m2()),
        }
        .filter(|square| square.is_finite())
    }

    /// The same kernel with every distance multiplied by a factor.
    ///
    /// # Errors
    /// A factor that is not above 0, or that carries a parameter out of its range.
    pub fn scaled(&self, factor: f64) -> Result<Self, ModelError> {
        check("factor", factor, factor > 0.0, "above 0")?;
        match &self.0 {
            Shape::Gaussian {
                diffusion_m2_per_day,
                days,
            } => Kernel::gaussian(diffusion_m2_per_day * factor * factor, *days),
            Shape::Exponential { scale_m } => Kernel::exponential(scale_m * factor),
            Shape::ExponentialRadial { scale_m } => Kernel::exponential_radial(scale_m * factor),
            Shape::TwoDt { u_m2, p } => Kernel::two_dt(u_m2 * factor * factor, *p),
            Shape::Lognormal { median_m, sigma } => Kernel::lognormal(median_m * factor, *sigma),
            Shape::Mixed {
                first_share,
                first,
                second,
            } => Kernel::mixed(*first_share, first.scaled(factor)?, second.scaled(factor)?),
        }
    }

    /// The kernel of the same form that keeps a share of its insects within a published radius.
    ///
    /// # Errors
    /// A share that is not between 0 and 1, or a radius that is not above 0.
    pub fn fitted_to(&self, point: RadiusOfShare) -> Result<Self, ModelError> {
        let RadiusOfShare { share, radius_m } = point;
        check("share", share, share > 0.0 && share < 1.0, "above 0 and below 1")?;
        check("radius", radius_m, radius_m > 0.0, "above 0 metres")?;
        self.scaled(radius_m / self.quantile(share))
    }

    /// Radius in metres that a delimiting survey must cover round the source.
    ///
    /// # Errors
    /// A share or confidence that is not between 0 and 1, or a number of insects or escapes that is not above 0.
    pub fn delimiting_radius_m(&self, aim: Delimit) -> Result<f64, ModelError> {
        let fraction = |what, v: f64| check(what, v, v > 0.0 && v < 1.0, "above 0 and below 1");
        let count = |what, v: f64| check(what, v, v > 0.0, "above 0");
        match aim {
            Delimit::ShareOutside { share } => Ok(self.radius_beyond(fraction("share outside", share)?)),
            Delimit::ExpectedOutside { insects, fewer_than } => {
                count("insects", insects)?;
                Ok(self.radius_beyond(count("insects outside", fewer_than)? / insects))
            }
            Delimit::AllInside { insects, confidence } => {
                count("insects", insects)?;
                // 1 - C^(1/N), the share that may stay outside
                let outside = -(fraction("confidence", confidence)?.ln() / insects).exp_m1();
                Ok(self.radius_beyond(outside))
            }
        }
    }
}

/// A published figure: the share of insects that stayed within a radius.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RadiusOfShare {
    /// The share, between 0 and 1.
    pub share: f64,
    /// The radius, metres.
    pub radius_m: f64,
}

/// What a delimiting radius is to promise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Delimit {
    /// At most this share of the insects is outside.
    ShareOutside {
        /// The share, between 0 and 1.
        share: f64,
    },
    /// Of so many insects, fewer than this number are outside on average.
    ExpectedOutside {
        /// Insects in all.
        insects: f64,
        /// The number outside.
        fewer_than: f64,
    },
    /// All of so many insects are inside with this confidence.
    AllInside {
        /// Insects in all.
        insects: f64,
        /// The confidence, between 0 and 1.
        confidence: f64,
    },
}

/// A population that grows and diffuses at once.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GrowingFront {
    /// Intrinsic rate of growth r, a year.
    pub growth_per_year: f64,
    /// Diffusion coefficient D, square metres a year.
    pub diffusion_m2_per_year: f64,
}

impl GrowingFront {
    /// Speed of the front, metres a year: `2 sqrt(r D)` (Skellam 1951, Biometrika 38:196-218; Fisher 1937, Ann Eugen
    /// 7:355-369); 0 for a population that does not grow.
    pub fn speed_m_per_year(&self) -> f64 {
        2.0 * (self.growth_per_year * self.diffusion_m2_per_year)
            .max(0.0)
            .sqrt()
    }
}

/// A population that grows and spreads once a generation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GenerationFront {
    /// Growth factor a generation.
    pub growth_per_generation: f64,
    /// Mean squared displacement a generation, square metres.
    pub mean_square_m2: f64,
}

impl GenerationFront {
    /// Speed of the front, metres a generation: `a sqrt(ln growth)` with `a^2` the mean squared displacement (Skellam
    /// 1951, Biometrika 38:196-218); 0 for a population that does not grow.
    pub fn speed_m_per_generation(&self) -> f64 {
        (self.mean_square_m2 * self.growth_per_generation.ln().max(0.0)).sqrt()
    }
}

fn weighted(first_share: f64, first: Option<f64>, second: Option<f64>) -> Option<f64> {
    match (first, second) {
        (first, _) if first_share == 1.0 => first,
        (_, second) if first_share == 0.0 => second,
        (Some(a), Some(b)) => Some(first_share * a + (1.0 - first_share) * b),
        _ => None,
    }
}

/// `(1 + x) exp(-x)`: the tail of a sum of two exponential stages.
fn two_stage_tail(x: f64) -> f64 {
    // far out x * 0 would be nothing times infinity
    if x > 1e3 { 0.0 } else { (1.0 + x) * (-x).exp() }
}

/// `1 - (1 + x) exp(-x)`. Near 0 the difference would lose all digits, so it is summed as `exp(-x) (x^2/2! + x^3/3! + ..)`.
fn two_stage_head(x: f64) -> f64 {
    if x > 1.0 {
        return 1.0 - two_stage_tail(x);
    }
    let (mut term, mut sum) = (0.5 * x * x, 0.0);
    for k in 3..=20 {
        sum += term;
        term *= x / f64::from(k);
    }
    sum * (-x).exp()
}

/// Standard deviations of log distance above the median, over the root of 2.
fn log_sds(r_m: f64, median_m: f64, sigma: f64) -> f64 {
    if r_m == 0.0 {
        return f64::NEG_INFINITY;
    }
    (r_m / median_m).ln() / (sigma * std::f64::consts::SQRT_2)
}

/// The z above which (over the root of 2) a standard normal lies with a probability whose logarithm is given.
fn upper_normal(ln_share: f64) -> f64 {
    if ln_share < -std::f64::consts::LN_2 {
        erfc_inv(2.0 * ln_share.exp().max(f64::MIN_POSITIVE))
    } else {
        -erfc_inv(2.0 * (-ln_share.exp_m1()))
    }
}

/// Where `past` turns from false to true between two ends, to the last bit.
fn bisect((mut low, mut high): (f64, f64), past: impl Fn(f64) -> bool) -> f64 {
    loop {
        let middle = low + 0.5 * (high - low);
        if middle <= low || middle >= high {
            return middle;
        }
        if past(middle) { high = middle } else { low = middle }
    }
}
