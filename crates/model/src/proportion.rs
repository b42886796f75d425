//! A share seen in a small number of trials, and what may honestly be said of it: planted-specimen audits above all.
//!
//! "9 of 10 recovered" is no 90 %: with 95 % confidence it is 61 % or more. The bounds are exact (Clopper & Pearson 1934
//! Biometrika 26:404-413, by the regularised incomplete beta; see [`clopper_pearson`]). What a share says about a
//! parameter of the model is carried by its posterior instead (Bayes with a uniform prior): a distribution can be drawn
//! from, a bound can't.

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};
use crate::param::{Dist, Mark, Param};
pub use crate::sample_size::{Sides, clopper_pearson};

/// Most trials that are counted; beyond it whole numbers are no longer exact as `f64`.
const MOST: u64 = 1 << 53;

/// Successes in a number of trials.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Share {
    successes: u64,
    trials: u64,
}

impl Share {
    /// A share.
    ///
    /// # Errors
    /// More successes than trials, or more trials than can be counted exactly (2^53).
    pub fn new(successes: u64, trials: u64) -> Result<Self, ModelError> {
        check(
            "the number of trials",
            trials as f64,
            trials <= MOST,
            "at most 2^53",
        )?;
        check(
            "the number of successes",
            successes as f64,
            successes <= trials,
            "not more than the number of trials",
        )?;
        Ok(Share { successes, trials })
    }

    /// Successes.
    pub fn successes(self) -> u64 {
        self.successes
    }

    /// Trials.
    pub fn trials(self) -> u64 {
        self.trials
    }

    /// Successes per trial; `None` without a trial: there is no share of nothing. Never show it without a bound.
    pub fn point(self) -> Option<f64> {
        (self.trials > 0).then(|| self.successes as f64 / self.trials as f64)
    }

    /// Exact confidence interval. Without a trial it is 0 to 1: nothing is known.
    ///
    /// # Errors
    /// A confidence that is not between 0 and 1.
    pub fn interval(self, confidence: f64, sides: Sides) -> Result<(f64, f64), ModelError> {
        if self.trials == 0 {
            // Any one trial asks the same of the confidence.
            return clopper_pearson(0, 1, confidence, sides).map(|_| (0.0, 1.0));
        }
        clopper_pearson(self.successes, self.trials, confidence, sides)
    }

    /// "At least so much, with this confidence": the one-sided lower bound.
    ///
    /// # Errors
    /// A confidence that is not between 0 and 1.
    pub fn at_least(self, confidence: f64) -> Result<f64, ModelError> {
        self.interval(confidence, Sides::Lower).map(|(low, _)| low)
    }

    /// "At most so much, with this confidence": the one-sided upper bound.
    ///
    /// # Errors
    /// A confidence that is not between 0 and 1.
    pub fn at_most(self, confidence: f64) -> Result<f64, ModelError> {
        self.interval(confidence, Sides::Upper).map(|(_, high)| high)
    }

    /// What is believed of the true share afterwards, when every share was held equally likely before (Bayes with a
    /// uniform prior): Beta(k + 1, n - k + 1), of mean (k + 1) / (n + 2). Without a trial it is the prior.
    pub fn posterior(self) -> Dist {
        Dist::Beta {
            alpha: self.successes as f64 + 1.0,
            beta: (self.trials - self.successes) as f64 + 1.0,
        }
    }
}

/// The least number of trials that, were all of them successes, shows a share of at least `share` with a confidence: the
/// least n with `(1 - confidence)^(1/n) >= share`. 59 for 95 % with 95 % confidence.
///
/// # Errors
/// A share or a confidence that is not between 0 and 1, neither included.
pub fn trials_needed(share: f64, confidence: f64) -> Result<u64, ModelError> {
    const RULE: &str = "between 0 and 1, neither included";
    check("the share to be shown", share, share > 0.0 && share < 1.0, RULE)?;
    check(
        "confidence",
        confidence,
        confidence > 0.0 && confidence < 1.0,
        RULE,
    )?;
    // The division may be a little off; the bound itself then puts that right.
    let about = ((-confidence).ln_1p() / share.ln()).ceil();
    check(
        "the number of trials needed",
        about,
        about < MOST as f64,
        "a number that can be counted",
    )?;
    // A tie (50 % with 75 % confidence: two) must not be lost to the last bit.
    let shows = |n: u64| -> Result<bool, ModelError> {
        Ok(Share::new(n, n)?.at_least(confidence)? >= share * (1.0 - 1e-12))
    };
    let mut n = (about as u64).max(1);
    if n > 1 && shows(n - 1)? {
        n -= 1;
    } else if !shows(n)? {
        n += 1;
    }
    Ok(n)
}

/// Screening sensitivity (s: share of caught targets that are seen and named) as a programme's own audit shows it, for a
/// profile's `design.screening`. Count the plantings that were recovered or missed; one whose trap was lost says nothing.
///
/// It stands for s only as far as a planted specimen is as easy to see as a caught one.
///
/// # Errors
/// More recovered than planted.
pub fn screening_from_audit(recovered: u64, planted: u64) -> Result<Param, ModelError> {
    let share = Share::new(recovered, planted)?;
    let bound = share.at_least(0.95)?;
    let (source, mark) = if planted == 0 {
        ("none".to_owned(), Mark::SetByProgramme)
    } else {
        let source = format!("this programme's planted specimens: {recovered} of {planted} recovered");
        (source, Mark::Calculated)
    };
    Ok(Param {
        dist: share.posterior(),
        unit: "share".into(),
        source,
        mark,
        note: Some(format!(
            "posterior of a uniform prior (Bayes); at least {:.0} % with 95 % confidence (Clopper & Pearson 1934, \
             one-sided); holds as far as planted specimens are as easy to see as caught ones",
            (bound * 100.0).floor()
        )),
    })
}
