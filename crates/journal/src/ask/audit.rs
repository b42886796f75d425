//! What planted specimens say of a programme's own eyes.

use earlywood_model::param::Param;
use earlywood_model::proportion::{Share, screening_from_audit};
use jiff::civil::Date;
use serde::Serialize;

use super::{damaged, refuse};
use crate::body::{Body, PlantingOutcome};
use crate::entry::Act;
use crate::error::Error;
use crate::programme::Programme;
use crate::project::facts_of;

/// How many planted specimens came back, and what may honestly be said of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recovery {
    /// Plantings of those days whose content is here.
    pub planted: u64,
    /// Those whose outcome is known: recovered, missed or lost.
    pub closed: u64,
    /// They came back.
    pub recovered: u64,
    /// They were overlooked.
    pub missed: u64,
    /// They fell out, or the trap was lost: says nothing about the look.
    pub lost: u64,
    /// Nothing is known of them yet.
    pub open: u64,
    /// Recovered, of those recovered or missed.
    pub share: Share,
    /// The confidence of either bound, between 0 and 1.
    pub confidence: f64,
    /// At least this share is found, with that confidence (exact one-sided Clopper-Pearson bound). 0 without a trial.
    pub at_least: f64,
    /// At most this share is found, with that confidence, the other side alone. 1 without a trial.
    pub at_most: f64,
    /// The screening sensitivity that follows, for a target's profile.
    pub param: Param,
}

impl Programme {
    /// What became of the plantings of a span of days (by the day of planting), both ends included; none: no end.
    ///
    /// # Errors
    /// A person who must not know (as [`Programme::plantings`]); a confidence that is not between 0 and 1; a database that
    /// can't be read.
    pub fn planted_recovery(
        &self,
        act: &Act,
        from: Option<Date>,
        to: Option<Date>,
        confidence: f64,
    ) -> Result<Recovery, Error> {
        let (mut planted, mut recovered, mut missed, mut lost) = (0, 0, 0, 0);
        for planting in self.plantings(act)? {
            if from.is_some_and(|from| planting.date < from) || to.is_some_and(|to| to < planting.date) {
                continue;
            }
            planted += 1;
            match self.closing(&planting.planting)? {
                None => {}
                Some(PlantingOutcome::Recovered { .. }) => recovered += 1,
                Some(PlantingOutcome::Missed {}) => missed += 1,
                Some(PlantingOutcome::Lost {}) => lost += 1,
            }
        }
        if !(confidence > 0.0 && confidence < 1.0) {
            return refuse("confidence", confidence, "between 0 and 1, neither included");
        }
        let share = Share::new(recovered, recovered + missed).map_err(|e| damaged(&e))?;
        let closed = recovered + missed + lost;
        Ok(Recovery {
            planted,
            closed,
            recovered,
            missed,
            lost,
            open: planted - closed,
            share,
            confidence,
            at_least: share.at_least(confidence).map_err(|e| damaged(&e))?,
            at_most: share.at_most(confidence).map_err(|e| damaged(&e))?,
            param: screening_from_audit(recovered, recovered + missed).map_err(|e| damaged(&e))?,
        })
    }

    /// How a planting ended. Where two said so independently, the first in the canonical order.
    fn closing(&self, planting: &str) -> Result<Option<PlantingOutcome>, Error> {
        let facts = facts_of(&self.db, &format!("planting:{planting}"), "planting-closed")?;
        Ok(match facts.first().map(crate::project::Fact::body).transpose()? {
            Some(Body::PlantingClosed(closed)) => Some(closed.outcome),
            _ => None,
        })
    }
}
