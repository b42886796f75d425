//! The clock of one thing a visit renews: how old it may get, and what it is worth past that.

use serde::Serialize;

use crate::error::{ModelError, check};
use crate::profile::ClockDays;

/// Three ages in days, in order: renew by, shown as overdue, worth nothing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Clock {
    /// Planned renewal, days, above 0.
    pub nominal_days: f64,
    /// Overdue from here; full effect up to here. Days, not below nominal.
    pub warning_days: f64,
    /// No effect from here. Days, not below warning.
    pub failed_days: f64,
}

/// Where on its clock a thing stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ClockState {
    /// Younger than the planned renewal.
    Fresh,
    /// Renewal is due; full effect.
    Due,
    /// Past the warning; losing effect.
    Overdue,
    /// No effect.
    Failed,
}

impl Clock {
    /// Checks that the ages are numbers and in order.
    ///
    /// # Errors
    /// A nominal age not above 0, or ages out of order.
    pub fn checked(self) -> Result<Self, ModelError> {
        let Clock {
            nominal_days,
            warning_days,
            failed_days,
        } = self;
        check("nominal age", nominal_days, nominal_days > 0.0, "above 0 days")?;
        check(
            "warning age",
            warning_days,
            warning_days >= nominal_days,
            "not below the nominal age",
        )?;
        check(
            "failed age",
            failed_days,
            failed_days >= warning_days,
            "not below the warning age",
        )?;
        Ok(self)
    }

    /// Effect left at an age: 1 up to the warning age, then falling in a straight line to 0 at the failed age. The
    /// straight line is a choice of design: no one has published the curve, and it errs to neither side by much when
    /// warning and failed are set with care. Negative ages count as new.
    pub fn factor(&self, age_days: f64) -> f64 {
        if age_days.is_nan() || age_days >= self.failed_days {
            0.0
        } else if age_days <= self.warning_days {
            1.0
        } else {
            (self.failed_days - age_days) / (self.failed_days - self.warning_days)
        }
    }

    /// Where a thing of this age stands.
    pub fn state(&self, age_days: f64) -> ClockState {
        if age_days.is_nan() || age_days >= self.failed_days {
            ClockState::Failed
        } else if age_days >= self.warning_days {
            ClockState::Overdue
        } else if age_days >= self.nominal_days {
            ClockState::Due
        } else {
            ClockState::Fresh
        }
    }
}

impl TryFrom<&ClockDays> for Clock {
    type Error = ModelError;

    fn try_from(days: &ClockDays) -> Result<Self, ModelError> {
        Clock {
            nominal_days: days.nominal_days,
            warning_days: days.warning_days,
            failed_days: days.failed_days,
        }
        .checked()
    }
}

/// Days on which a trap's parts were fitted, counted as the caller counts; `None` for a part that is not there.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Parts {
    pub(crate) lure: Option<i32>,
    pub(crate) insert: Option<i32>,
    pub(crate) killing_agent: Option<i32>,
    pub(crate) body: Option<i32>,
}

impl Parts {
    pub(crate) fn all_on(day: i32) -> Self {
        Parts {
            lure: Some(day),
            insert: Some(day),
            killing_agent: Some(day),
            body: Some(day),
        }
    }

    pub(crate) const NONE: Parts = Parts {
        lure: None,
        insert: None,
        killing_agent: None,
        body: None,
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    const CLOCK: Clock = Clock {
        nominal_days: 14.0,
        warning_days: 20.0,
        failed_days: 30.0,
    };

    #[test]
    fn factor_holds_then_falls_to_nothing() {
        for (age, want) in [
            (-3.0, 1.0),
            (0.0, 1.0),
            (20.0, 1.0),
            (25.0, 0.5),
            (30.0, 0.0),
            (1e9, 0.0),
        ] {
            assert_eq!(CLOCK.factor(age), want, "age {age}");
        }
        assert_eq!(CLOCK.factor(f64::NAN), 0.0);
        let step = Clock {
            failed_days: 20.0,
            ..CLOCK
        };
        assert_eq!((step.factor(19.999), step.factor(20.0)), (1.0, 0.0));
    }

    #[test]
    fn states_follow_the_ages() {
        use ClockState::{Due, Failed, Fresh, Overdue};
        for (age, want) in [
            (0.0, Fresh),
            (14.0, Due),
            (20.0, Overdue),
            (29.9, Overdue),
            (30.0, Failed),
        ] {
            assert_eq!(CLOCK.state(age), want, "age {age}");
        }
        assert!(Fresh < Failed);
    }

    #[test]
    fn ages_out_of_order_are_refused() {
        assert!(CLOCK.checked().is_ok());
        for bad in [
            Clock {
                nominal_days: 0.0,
                ..CLOCK
            },
            Clock {
                warning_days: 13.0,
                ..CLOCK
            },
            Clock {
                failed_days: 19.0,
                ..CLOCK
            },
            Clock {
                failed_days: f64::NAN,
                ..CLOCK
            },
            Clock {
                failed_days: f64::INFINITY,
                ..CLOCK
            },
        ] {
            assert!(bad.checked().is_err(), "{bad:?}");
        }
    }
}
