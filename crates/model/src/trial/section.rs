//! What a trial must know of a target beyond its profile's other sections: how an incursion begins, grows and spreads.

use rand::Rng;
use serde::{Deserialize, Serialize};

use crate::error::ModelError;
use crate::param::Param;
use crate::profile::Choice;

/// Form of the dispersal kernel of one generation, in two dimensions; see [`crate::dispersal`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SpreadForm {
    /// `exp(-r/a) / (2 pi a^2)`.
    Exponential,
    /// Diffusion from a point.
    Gaussian,
    /// 2Dt with p = 1.5: a fat tail whose mean still exists.
    #[serde(rename = "2dt")]
    TwoDt,
}

/// The profile's optional `[trial]` section. Nothing but a trial leans on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrialSection {
    /// Flyers that arrive together and begin an incursion, 1 or more.
    pub founders: Param,
    /// Flyers of the next generation that one flyer leaves behind while the incursion is small, above 0.
    pub growth: Param,
    /// Clumping `k` of the number that one flyer leaves (negative binomial), above 0; the smaller, the more unequal.
    pub clumping: Param,
    /// Form of the spread of one generation.
    pub spread_form: Choice<SpreadForm>,
    /// Mean distance from where a flyer grew up to where its offspring do, metres, above 0.
    pub spread_mean_m: Param,
    /// Days from the look that took a specimen to the word that names it, 0 or more.
    pub naming_days: Param,
}

/// One draw of the section.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnSpread {
    /// Mean number of founders.
    pub founders: f64,
    /// Growth a generation.
    pub growth: f64,
    /// Clumping.
    pub clumping: f64,
    /// Mean distance, metres.
    pub mean_m: f64,
}

// Guards of the formulas, not biology.
const LEAST: f64 = 1e-3;
const MOST_FOUNDERS: f64 = 1e5;
const MOST_GROWTH: f64 = 1e4;
const MOST_CLUMPING: f64 = 1e6;
const MOST_SPREAD_M: f64 = 1e6;
const MOST_NAMING_DAYS: f64 = 3_650.0;

impl TrialSection {
    /// Its parameters by name in plain words.
    pub fn parameters(&self) -> Vec<(&'static str, &Param)> {
        self.ranged().into_iter().map(|(what, p, _)| (what, p)).collect()
    }

    fn ranged(&self) -> [(&'static str, &Param, (f64, f64)); 5] {
        [
            (
                "flyers that begin an incursion",
                &self.founders,
                (1.0, MOST_FOUNDERS),
            ),
            ("growth a generation", &self.growth, (LEAST, MOST_GROWTH)),
            ("clumping of offspring", &self.clumping, (LEAST, MOST_CLUMPING)),
            (
                "mean spread a generation",
                &self.spread_mean_m,
                (LEAST, MOST_SPREAD_M),
            ),
            (
                "days until a specimen is named",
                &self.naming_days,
                (0.0, MOST_NAMING_DAYS),
            ),
        ]
    }

    /// Checks distributions, ranges, units and sources.
    ///
    /// # Errors
    /// The first parameter that is no good.
    pub fn check(&self) -> Result<(), ModelError> {
        let refuse = |why: String| Err(ModelError::Profile(format!("trial: {why}")));
        for (what, param, (low, high)) in self.ranged() {
            if let Err(e) = param.dist.check() {
                return refuse(format!("{what}: {e}"));
            }
            let middle = param.central();
            if !(low..=high).contains(&middle) {
                return refuse(format!("{what} is {middle}; it must be between {low} and {high}"));
            }
            if param.unit.trim().is_empty() {
                return refuse(format!("{what} has no unit"));
            }
            if param.source.trim().is_empty() {
                return refuse(format!(
                    "{what} names no source; write \"none\" where there is none"
                ));
            }
        }
        if self.spread_form.source.trim().is_empty() {
            return refuse("the form of spread names no source; write \"none\" where there is none".into());
        }
        Ok(())
    }

    /// A line for each figure the trial leans on, with its source and mark.
    pub fn told(&self) -> Vec<String> {
        let mut lines: Vec<String> = self
            .parameters()
            .into_iter()
            .map(|(what, p)| {
                format!(
                    "{what}: {} {}; source: {}; {}",
                    p.dist,
                    p.unit,
                    p.source,
                    p.mark.words()
                )
            })
            .collect();
        lines.push(format!(
            "form of spread: {}; source: {}; {}",
            match self.spread_form.value {
                SpreadForm::Exponential => "exponential",
                SpreadForm::Gaussian => "gaussian",
                SpreadForm::TwoDt => "2Dt with a fat tail",
            },
            self.spread_form.source,
            self.spread_form.mark.words()
        ));
        lines
    }

    /// One draw. What a wide distribution yields beyond a parameter's legal range is pulled to its end.
    pub fn drawn<R: Rng + ?Sized>(&self, rng: &mut R) -> DrawnSpread {
        DrawnSpread {
            founders: self.founders.dist.draw(rng).clamp(1.0, MOST_FOUNDERS),
            growth: self.growth.dist.draw(rng).clamp(LEAST, MOST_GROWTH),
            clumping: self.clumping.dist.draw(rng).clamp(LEAST, MOST_CLUMPING),
            mean_m: self.spread_mean_m.dist.draw(rng).clamp(LEAST, MOST_SPREAD_M),
        }
    }

    /// Days until one specimen is named.
    pub(super) fn naming_days<R: Rng + ?Sized>(&self, rng: &mut R) -> i32 {
        self.naming_days
            .dist
            .draw(rng)
            .clamp(0.0, MOST_NAMING_DAYS)
            .round() as i32
    }
}
