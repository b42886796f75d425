//! Many insects, many days: survival, competition between traps, and insects that stay put or mix.

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// Chance that at least one of several independent traps catches one insect, `1 - prod(1 - p)`.
///
/// Overstates where traps stand closer than about two attraction ranges, as one insect is then caught "twice": there,
/// sum hazards over time and use [`Competition`].
pub fn any_trap(probabilities: &[f64]) -> f64 {
    // q' = q + p (1 - q): every term positive, so tiny chances keep their digits
    probabilities.iter().fold(0.0, |q, p| q + p * (1.0 - q))
}

/// Chance that at least one of `insects` independent insects is caught, each with probability `each`.
pub fn any_of(insects: f64, each: f64) -> f64 {
    if insects <= 0.0 || each <= 0.0 {
        return 0.0;
    }
    -(insects * (-each).ln_1p()).exp_m1()
}

/// The same for a Poisson number of insects with a mean, `1 - exp(-mean p)`.
pub fn any_of_poisson(mean_insects: f64, each: f64) -> f64 {
    -(-mean_insects * each).exp_m1()
}

/// Chance of catching an insect drawn at random from `daily` (one row an insect, one capture probability a day), when
/// each stays where it is: the mean over insects of each one's own union over days.
pub fn mean_staying_put(daily: &[Vec<f64>]) -> f64 {
    mean(daily.iter().map(|days| any_trap(days)))
}

/// The same when insects change places every day: the union over days of the day's mean. Never below
/// [`mean_staying_put`] on the same rows; right only where positions really are redrawn daily.
pub fn mean_mixing_daily(daily: &[Vec<f64>]) -> f64 {
    let days = daily.iter().map(Vec::len).max().unwrap_or(0);
    let by_day: Vec<f64> = (0..days)
        .map(|t| mean(daily.iter().map(|row| row.get(t).copied().unwrap_or(0.0))))
        .collect();
    any_trap(&by_day)
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len();
    if n == 0 {
        0.0
    } else {
        values.sum::<f64>() / n as f64
    }
}

/// Whether an insect meets the trap before or after the day's deaths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DayOrder {
    /// Exposed to the trap first, then to death.
    TrapFirst,
    /// Exposed to death first, then to the trap.
    DeathFirst,
}

/// One insect day after day: survival and capture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DailyLife {
    /// Share alive after a day, 0 to 1.
    pub survival: f64,
    /// Capture probability a day while alive, 0 to 1.
    pub capture: f64,
    /// What comes first in a day.
    pub order: DayOrder,
}

impl DailyLife {
    fn first_day(&self) -> f64 {
        match self.order {
            DayOrder::TrapFirst => self.capture,
            DayOrder::DeathFirst => self.survival * self.capture,
        }
    }

    /// Capture over a whole life, `p / (1 - s (1 - p))`, times `s` when death comes first.
    pub fn lifetime(&self) -> f64 {
        // 1 - s (1 - p), written so that s = 1 with a tiny p keeps its digits
        let leaving = (1.0 - self.survival) + self.survival * self.capture;
        if leaving > 0.0 {
            self.first_day() / leaving
        } else {
            0.0
        }
    }

    /// Capture within a number of days.
    pub fn within(&self, days: u32) -> f64 {
        let stays = self.survival * (1.0 - self.capture);
        if stays >= 1.0 || days == 0 {
            return 0.0;
        }
        self.lifetime() * -(f64::from(days) * stays.ln()).exp_m1()
    }

    /// Mean life in days of an insect that dies continuously at the rate behind the daily survival, `-1 / ln s`;
    /// infinite when nothing dies.
    pub fn mean_life_days(&self) -> f64 {
        if self.survival >= 1.0 {
            f64::INFINITY
        } else {
            -1.0 / self.survival.ln()
        }
    }
}

/// Traps and death competing for one insect at constant hazards: each insect goes to one of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Competition {
    trap_hazards_per_day: Vec<f64>,
    death_per_day: f64,
}

impl Competition {
    /// Checked hazards a day: one for each trap, and death.
    ///
    /// # Errors
    /// A hazard below 0 or not a number.
    pub fn new(trap_hazards_per_day: Vec<f64>, death_per_day: f64) -> Result<Self, ModelError> {
        for &h in &trap_hazards_per_day {
            check("hazard of a trap", h, h >= 0.0, "0 or more a day")?;
        }
        check(
            "hazard of death",
            death_per_day,
            death_per_day >= 0.0,
            "0 or more a day",
        )?;
        Ok(Competition {
            trap_hazards_per_day,
            death_per_day,
        })
    }

    /// Chance that each trap takes the insect within `days`, `h_i / H (1 - exp(-H T))`; `days` may be infinite.
    pub fn shares(&self, days: f64) -> Vec<f64> {
        let total = self.trap_hazards_per_day.iter().sum::<f64>() + self.death_per_day;
        if total <= 0.0 || days <= 0.0 {
            return vec![0.0; self.trap_hazards_per_day.len()];
        }
        let gone = -(-total * days).exp_m1();
        self.trap_hazards_per_day
            .iter()
            .map(|h| h / total * gone)
            .collect()
    }

    /// Chance that any trap takes it within `days`.
    pub fn caught(&self, days: f64) -> f64 {
        self.shares(days).iter().sum()
    }
}
