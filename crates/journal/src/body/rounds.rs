//! Rounds: who drives where on which day, as somebody adopted it.

use std::collections::HashSet;

use earlywood_model::record::Position;
use jiff::civil::{Date, Time};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::{Says, Subject, check_range, check_words, check_year, refuse};
use crate::error::Refusal;
use crate::load::{check_label, check_position};

/// The crews' days from a day on were settled. Of several such entries the one adopted last holds for its days.
///
/// What an optimiser proposed is not computed again: the rounds stand here as they were adopted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RoundsAdopted {
    /// First day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub from: Date,
    /// Last day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub to: Date,
    /// The rounds: one for each crew and day on which it goes out.
    pub rounds: Vec<PlannedRound>,
    /// What was due and found no room, each with the reason.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOut>,
    /// Settings that produced it (speeds, budget, seed, ...).
    pub settings: Value,
    /// Why these rounds.
    pub reason: String,
}

/// One crew's stops on one day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PlannedRound {
    /// The short code that stands on its paper.
    pub sheet: String,
    /// The crew's id.
    pub crew: String,
    /// The day.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::Day"))]
    pub date: Date,
    /// When it leaves.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::ClockTime"))]
    pub starts: Time,
    /// When it is back.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::ClockTime"))]
    pub ends: Time,
    /// On the road and on foot, minutes.
    pub drive_minutes: f64,
    /// At the stops, minutes.
    pub work_minutes: f64,
    /// Length of the break, minutes.
    pub break_minutes: u32,
    /// When the break begins, if there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(
        feature = "schema",
        schemars(with = "Option<earlywood_model::record::ClockTime>")
    )]
    pub break_at: Option<Time>,
    /// Length of the drive, kilometres, where roads were known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub km: Option<f64>,
    /// The stops, in order.
    pub stops: Vec<PlannedStop>,
}

/// One stop of a round.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct PlannedStop {
    /// The trap's label.
    pub trap: String,
    /// Label of the place where it hangs.
    pub place: String,
    /// Where that is.
    pub position: Position,
    /// When the crew begins there.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::ClockTime"))]
    pub arrive: Time,
    /// When it leaves.
    #[cfg_attr(feature = "schema", schemars(with = "earlywood_model::record::ClockTime"))]
    pub leave: Time,
    /// To it from the stop before, on the road and on foot, minutes.
    pub drive_minutes: f64,
    /// What is due there, in words ("look", "lure").
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub what: Vec<String>,
}

/// A visit that was due and is in no round.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// The trap's label.
    pub trap: String,
    /// Label of the place where it hangs.
    pub place: String,
    /// Why, in words.
    pub reason: String,
    /// What the visit would have added to the probability of absence, where that was worked out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worth: Option<f64>,
    /// The last day on which it would have been in time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
    pub last_day: Option<Date>,
}

impl RoundsAdopted {
    /// The round with this code on its paper.
    pub fn sheet(&self, code: &str) -> Option<&PlannedRound> {
        self.rounds.iter().find(|round| round.sheet == code)
    }
}

impl Says for RoundsAdopted {
    fn check_on(&self, _today: Date) -> Result<(), Refusal> {
        check_year("from", self.from)?;
        check_year("to", self.to)?;
        if self.to < self.from {
            return refuse("to", self.to, &format!("not before the first day, {}", self.from));
        }
        check_words("reason", Some(&self.reason))?;
        let (mut sheets, mut crew_days) = (HashSet::new(), HashSet::new());
        for round in &self.rounds {
            round.check(self.from, self.to)?;
            if !sheets.insert(&round.sheet) {
                return refuse("sheet", format!("{:?}", round.sheet), "one round a code");
            }
            if !crew_days.insert((&round.crew, round.date)) {
                return refuse(
                    "crew",
                    format!("{:?} on {}", round.crew, round.date),
                    "one round a crew and day",
                );
            }
        }
        for left in &self.left_out {
            check_label("trap", &left.trap)?;
            check_label("place", &left.place)?;
            check_words("reason", Some(&left.reason))?;
            check_range("worth", left.worth, -1.0, 1.0, "of probability")?;
        }
        Ok(())
    }
    fn subjects(&self) -> Vec<Subject> {
        let mut crews: Vec<Subject> = self
            .rounds
            .iter()
            .map(|round| Subject::Crew(round.crew.clone()))
            .collect();
        crews.sort();
        crews.dedup();
        crews
    }
}

/// Minutes of a day.
const DAY: f64 = 1440.0;

impl PlannedRound {
    fn check(&self, from: Date, to: Date) -> Result<(), Refusal> {
        check_label("sheet", &self.sheet)?;
        check_label("crew", &self.crew)?;
        if self.date < from || to < self.date {
            return refuse("date", self.date, &format!("from {from} to {to}"));
        }
        if self.ends < self.starts {
            return refuse(
                "ends",
                self.ends,
                &format!("not before the round starts, {}", self.starts),
            );
        }
        check_range("drive_minutes", Some(self.drive_minutes), 0.0, DAY, "minutes")?;
        check_range("work_minutes", Some(self.work_minutes), 0.0, DAY, "minutes")?;
        check_range("km", self.km, 0.0, 10_000.0, "km")?;
        let mut before = self.starts;
        for stop in &self.stops {
            check_label("trap", &stop.trap)?;
            check_label("place", &stop.place)?;
            check_position(stop.position)?;
            check_range("drive_minutes", Some(stop.drive_minutes), 0.0, DAY, "minutes")?;
            if stop.arrive < before || stop.leave < stop.arrive {
                return refuse("arrive", stop.arrive, "stops one after the other");
            }
            before = stop.leave;
            for what in &stop.what {
                check_words("what", Some(what))?;
            }
        }
        if self.ends < before {
            return refuse("ends", self.ends, "not before the last stop");
        }
        Ok(())
    }
}
