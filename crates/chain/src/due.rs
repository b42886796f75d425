//! What is due on the traps that hang, by their targets' clocks, and which holds excuse the crews.

use std::collections::{BTreeMap, HashMap};

use earlywood_geodata::AreaIndex;
use earlywood_journal::body::HoldScope;
use earlywood_journal::{Clock, Hanging, Hold, Level, Limit, Limits, Programme};
use earlywood_model::profile::{ClockDays, TargetProfile};
use earlywood_model::record::{Position, Zone};
use jiff::civil::Date;

use crate::error::ChainError;
use crate::view::{ClockAge, DueTrap, HoldRow, word};

/// The limits of each clock, from a target's profile.
pub fn limits(profile: &TargetProfile) -> Limits {
    let clocks = &profile.clocks;
    Limits {
        look: Some(days(&clocks.look)),
        lure: Some(days(&clocks.lure)),
        insert: clocks.insert.as_ref().map(days),
        killing_agent: clocks.killing_agent.as_ref().map(days),
        body: Some(days(&clocks.body)),
    }
}

/// Whole days: due from the first day that is not within.
// Days of a checked profile are finite and not negative; what would not fit is as good as never.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn days(clock: &ClockDays) -> Limit {
    Limit {
        warn_days: clock.warning_days.ceil() as u32,
        fail_days: clock.failed_days.ceil() as u32,
    }
}

/// The stricter of two limits, where one trap is baited for several targets.
fn stricter(a: Option<Limit>, b: Option<Limit>) -> Option<Limit> {
    match (a, b) {
        (Some(a), Some(b)) => Some(Limit {
            warn_days: a.warn_days.min(b.warn_days),
            fail_days: a.fail_days.min(b.fail_days),
        }),
        (one, other) => one.or(other),
    }
}

/// The strictest limits of several targets.
pub fn strictest<'a>(profiles: impl Iterator<Item = &'a TargetProfile>) -> Limits {
    profiles.map(limits).fold(Limits::default(), |a, b| Limits {
        look: stricter(a.look, b.look),
        lure: stricter(a.lure, b.lure),
        insert: stricter(a.insert, b.insert),
        killing_agent: stricter(a.killing_agent, b.killing_agent),
        body: stricter(a.body, b.body),
    })
}

/// Zones, holds and limits, read once for all traps.
pub struct Board {
    today: Date,
    zones: Vec<Zone>,
    index: AreaIndex,
    holds: Vec<Hold>,
    limits: BTreeMap<String, Limits>,
    /// The traps that hang, by label.
    pub hanging: Vec<Hanging>,
}

impl Board {
    /// Reads it.
    ///
    /// # Errors
    /// A programme that can't be read.
    pub fn read(programme: &Programme, today: Date) -> Result<Board, ChainError> {
        let mut hanging = programme.hanging()?;
        hanging.retain(|h| h.placement.hung <= today);
        let mut limits_of = BTreeMap::new();
        for id in hanging.iter().flat_map(|h| &h.placement.targets) {
            if !limits_of.contains_key(id) {
                // A target that nobody knows any more has no clocks; the trap is listed all the same.
                let known = crate::target(programme, id)
                    .map(|p| limits(&p))
                    .unwrap_or_default();
                limits_of.insert(id.clone(), known);
            }
        }
        let zones = programme.zones()?;
        Ok(Board {
            today,
            index: AreaIndex::new(zones.iter().map(|z| &z.area)),
            zones,
            holds: programme.holds()?,
            limits: limits_of,
            hanging,
        })
    }

    /// The limits of every target that traps hang for.
    pub fn limits(&self) -> &BTreeMap<String, Limits> {
        &self.limits
    }

    /// The zone that a position lies in.
    pub fn zone(&self, p: Position) -> Option<String> {
        self.index.first_at(p).map(|z| self.zones[z].label.clone())
    }

    /// What is due on a trap.
    pub fn due(&self, trap: &Hanging) -> DueTrap {
        let placement = &trap.placement;
        let clocks: Vec<ClockAge> = Clock::ALL
            .into_iter()
            .filter_map(|clock| self.age(trap, clock))
            .collect();
        let zone = self.zone(placement.position);
        DueTrap {
            lat: placement.position.lat,
            lon: placement.position.lon,
            trap: placement.trap.clone(),
            place: placement.place.clone(),
            targets: placement.targets.clone(),
            level: clocks.iter().map(|c| c.level).max().unwrap_or(Level::Fine),
            clocks,
            costs: None,
            from_look: None,
            from_renewal: None,
            last_look: trap.last_look,
            last_stop: trap.last_visit,
            held_by: self
                .holds
                .iter()
                .find(|h| self.in_force(h) && covers(h, &placement.trap, &placement.place, zone.as_deref()))
                .map(|h| h.hold.clone()),
            zone,
        }
    }

    fn age(&self, trap: &Hanging, clock: Clock) -> Option<ClockAge> {
        let limit = self.limit(trap, clock)?;
        let since = set_back(trap, clock);
        let days = since
            .until(self.today)
            .map_or(0, |span| i64::from(span.get_days()))
            .max(0);
        let level = if days >= i64::from(limit.fail_days) {
            Level::Fail
        } else if days >= i64::from(limit.warn_days) {
            Level::Warn
        } else {
            Level::Fine
        };
        Some(ClockAge {
            clock,
            level,
            days,
            since,
            warn_days: Some(limit.warn_days),
            fail_days: Some(limit.fail_days),
        })
    }

    fn in_force(&self, hold: &Hold) -> bool {
        runs_on(hold, self.today)
    }

    /// The holds that ever cover a trap at a place, whatever the day.
    pub fn holds_over(&self, trap: &str, place: &str, zone: Option<&str>) -> Vec<&Hold> {
        self.holds
            .iter()
            .filter(|h| covers(h, trap, place, zone))
            .collect()
    }

    /// The strictest limit of a clock over the targets that a trap is baited for.
    pub fn limit(&self, trap: &Hanging, clock: Clock) -> Option<Limit> {
        let targets = trap.placement.targets.iter();
        let all = targets.filter_map(|id| self.limits.get(id));
        all.map(|l| l.of(clock)).fold(None, stricter)
    }

    /// The holds in force, each with how many hanging traps it covers.
    pub fn holds_in_force(&self) -> Vec<HoldRow> {
        let zones: Vec<Option<String>> = self
            .hanging
            .iter()
            .map(|h| self.zone(h.placement.position))
            .collect();
        let count = |hold: &Hold| {
            self.hanging
                .iter()
                .zip(&zones)
                .filter(|(h, zone)| covers(hold, &h.placement.trap, &h.placement.place, zone.as_deref()))
                .count()
        };
        self.holds
            .iter()
            .filter(|h| self.in_force(h))
            .map(|hold| HoldRow {
                hold: hold.hold.clone(),
                reason: word(&hold.cause),
                from: hold.from,
                to: hold.to,
                scope: serde_json::to_value(&hold.scope).unwrap_or_default(),
                traps: count(hold),
            })
            .collect()
    }

    /// Every hanging trap with what is due, by label.
    pub fn all(&self) -> Vec<DueTrap> {
        self.hanging.iter().map(|h| self.due(h)).collect()
    }
}

/// The day from which a clock of a hanging trap counts: the day it was hung, if the clock was never set back since.
pub fn set_back(trap: &Hanging, clock: Clock) -> Date {
    let day = match clock {
        Clock::Look => trap.last_look,
        Clock::Lure => trap.lure,
        Clock::Insert => trap.insert,
        Clock::KillingAgent => trap.killing_agent,
        Clock::Body => trap.body,
    };
    day.unwrap_or(trap.placement.hung)
}

/// Whether a hold covers a day.
pub fn runs_on(hold: &Hold, day: Date) -> bool {
    hold.from <= day && hold.to.is_none_or(|to| day <= to)
}

fn covers(hold: &Hold, trap: &str, place: &str, zone: Option<&str>) -> bool {
    let among = |labels: &[String], label: &str| labels.iter().any(|l| l == label);
    match &hold.scope {
        HoldScope::All => true,
        HoldScope::Zones(labels) => zone.is_some_and(|z| among(labels, z)),
        HoldScope::Places(labels) => among(labels, place),
        HoldScope::Traps(labels) => among(labels, trap),
    }
}

/// What a visit would add, by trap: look and renewal. Where a trap hangs for several targets, the one it adds most to.
pub type Costs = HashMap<String, (f64, f64)>;

/// Puts what a visit would add to its trap.
pub(crate) fn price(due: &mut [DueTrap], costs: &Costs) {
    for trap in due {
        if let Some((look, renewal)) = costs.get(&trap.trap) {
            trap.costs = Some(look + renewal);
            trap.from_look = Some(*look);
            trap.from_renewal = Some(*renewal);
        }
    }
}

/// The traps that cost most first; then those without a figure, by how long they have waited for a look.
pub(crate) fn rank(due: &mut [DueTrap]) {
    let waited = |t: &DueTrap| t.clocks.first().map_or(0, |c| c.days);
    due.sort_by(|a, b| {
        let cost = |t: &DueTrap| t.costs.unwrap_or(-1.0);
        cost(b)
            .total_cmp(&cost(a))
            .then_with(|| b.level.cmp(&a.level))
            .then_with(|| waited(b).cmp(&waited(a)))
            .then_with(|| a.trap.cmp(&b.trap))
    });
}
