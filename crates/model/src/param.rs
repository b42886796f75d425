//! Uncertain parameters: a distribution, where it comes from, and how far to trust it.

use rand::{Rng, RngExt};
use rand_distr::{Beta, Distribution as _, LogNormal, Normal};
use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// How a shipped number is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// Read in the cited source.
    Read,
    /// Computed from figures read in the cited source.
    Calculated,
    /// Quoted from memory: check it before leaning on it.
    FromMemory,
    /// Usual in the trade, no source.
    CommonPractice,
    /// No published figure was at hand: the programme must set it. Ships with a wide distribution.
    SetByProgramme,
}

impl Mark {
    /// The words shown to people.
    pub fn words(self) -> &'static str {
        match self {
            Mark::Read => "read in the source",
            Mark::Calculated => "calculated from the source",
            Mark::FromMemory => "from memory, check before use",
            Mark::CommonPractice => "common practice, no source",
            Mark::SetByProgramme => "set by the programme, no published figure",
        }
    }

    /// Whether every output that leans on the parameter must say so.
    pub fn needs_warning(self) -> bool {
        matches!(self, Mark::SetByProgramme | Mark::FromMemory)
    }
}

/// What is believed about one number.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Dist {
    /// Known, or treated as known.
    Fixed {
        /// The value.
        value: f64,
    },
    /// Anything between two ends, equally likely.
    Uniform {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// The beta-PERT distribution: a most likely value between two ends (shape 4).
    Pert {
        /// Lower end.
        low: f64,
        /// Most likely value.
        mode: f64,
        /// Upper end.
        high: f64,
    },
    /// A proportion.
    Beta {
        /// First shape, > 0.
        alpha: f64,
        /// Second shape, > 0.
        beta: f64,
    },
    /// A positive quantity known to within a factor.
    LogNormal {
        /// The median, > 0.
        median: f64,
        /// Standard deviation of the natural logarithm, >= 0.
        sigma: f64,
    },
    /// A quantity known to within an amount.
    Normal {
        /// Mean.
        mean: f64,
        /// Standard deviation, >= 0.
        sd: f64,
    },
}

impl Dist {
    /// Checks the distribution's own parameters.
    ///
    /// # Errors
    /// A shape, end or spread that makes no distribution.
    pub fn check(&self) -> Result<(), ModelError> {
        match *self {
            Dist::Fixed { value } => check("value", value, true, "a number").map(drop),
            Dist::Uniform { low, high } => {
                check("low", low, true, "a number")?;
                check("high", high, high >= low, "a number not below low").map(drop)
            }
            Dist::Pert { low, mode, high } => {
                check("low", low, true, "a number")?;
                check("mode", mode, mode >= low, "a number not below low")?;
                check("high", high, high >= mode, "a number not below mode").map(drop)
            }
            Dist::Beta { alpha, beta } => {
                check("alpha", alpha, alpha > 0.0, "above 0")?;
                check("beta", beta, beta > 0.0, "above 0").map(drop)
            }
            Dist::LogNormal { median, sigma } => {
                check("median", median, median > 0.0, "above 0")?;
                check("sigma", sigma, sigma >= 0.0, "0 or more").map(drop)
            }
            Dist::Normal { mean, sd } => {
                check("mean", mean, true, "a number")?;
                check("sd", sd, sd >= 0.0, "0 or more").map(drop)
            }
        }
    }

    /// The value used when one number is wanted: the mode of a PERT, the median of a log-normal, else the mean.
    pub fn central(&self) -> f64 {
        match *self {
            Dist::Fixed { value } => value,
            Dist::Uniform { low, high } => 0.5 * (low + high),
            Dist::Pert { mode, .. } => mode,
            Dist::Beta { alpha, beta } => alpha / (alpha + beta),
            Dist::LogNormal { median, .. } => median,
            Dist::Normal { mean, .. } => mean,
        }
    }

    /// Whether there is anything uncertain about it.
    pub fn is_fixed(&self) -> bool {
        match *self {
            Dist::Fixed { .. } => true,
            Dist::Uniform { low, high } | Dist::Pert { low, high, .. } => low == high,
            Dist::Beta { .. } => false,
            Dist::LogNormal { sigma, .. } => sigma == 0.0,
            Dist::Normal { sd, .. } => sd == 0.0,
        }
    }

    /// One draw. The distribution must have passed [`Dist::check`]; a broken one yields its central value.
    pub fn draw<R: Rng + ?Sized>(&self, rng: &mut R) -> f64 {
        let beta_between = |low: f64, mode: f64, high: f64, rng: &mut R| {
            let width = high - low;
            if width <= 0.0 {
                return low;
            }
            let (a, b) = (
                1.0 + 4.0 * (mode - low) / width,
                1.0 + 4.0 * (high - mode) / width,
            );
            Beta::new(a, b).map_or(mode, |d| low + width * d.sample(rng))
        };
        match *self {
            Dist::Fixed { value } => value,
            Dist::Uniform { low, high } => low + (high - low) * rng.random::<f64>(),
            Dist::Pert { low, mode, high } => beta_between(low, mode, high, rng),
            Dist::Beta { alpha, beta } => Beta::new(alpha, beta).map_or(self.central(), |d| d.sample(rng)),
            Dist::LogNormal { median, sigma } => {
                LogNormal::new(median.ln(), sigma).map_or(median, |d| d.sample(rng))
            }
            Dist::Normal { mean, sd } => Normal::new(mean, sd).map_or(mean, |d| d.sample(rng)),
        }
    }
}

impl std::fmt::Display for Dist {
    /// The value, or the most likely value with its ends, as a person writes it.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match *self {
            Dist::Fixed { value } => write!(f, "{value}"),
            Dist::Uniform { low, high } => write!(f, "{low} to {high}, all equally likely"),
            Dist::Pert { low, mode, high } => write!(f, "{mode} ({low} to {high})"),
            Dist::Beta { alpha, beta } => write!(f, "{:.2} (beta {alpha}, {beta})", self.central()),
            Dist::LogNormal { median, sigma } => {
                let factor = (1.645 * sigma).exp();
                write!(
                    f,
                    "{median} (to within a factor of {factor:.2} nine times in ten)"
                )
            }
            Dist::Normal { mean, sd } => write!(f, "{mean} (standard deviation {sd})"),
        }
    }
}

/// One parameter of a target profile: a distribution with its unit, source and mark.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Param {
    /// What is believed.
    pub dist: Dist,
    /// Unit, in words a person reads ("m", "days", "degree-days C", "share").
    pub unit: String,
    /// Where the figure comes from; "none" where there is no source.
    pub source: String,
    /// How it is known.
    pub mark: Mark,
    /// Anything a reader must know before leaning on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl Param {
    /// The single value used where no uncertainty is carried.
    pub fn central(&self) -> f64 {
        self.dist.central()
    }
}
