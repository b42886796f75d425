//! The month report: the figures of the screen, and beside them what a partner asks for.

use std::collections::BTreeMap;

use earlywood_chain::ChainError;
use earlywood_geodata::AreaIndex;
use earlywood_journal::{Limits, Plan, Programme};
use earlywood_model::record::{Position, Zone};
use jiff::Timestamp;
use jiff::civil::Date;

use super::sheets::cause_words;
use crate::month::{Area, Confirmed, HoldDays, MonthReport};
use crate::stock::Paper;

/// What stands for ground that lies in no zone.
const NO_ZONE: &str = "in no zone";

/// Which report.
#[derive(Debug, Clone)]
pub struct Asked {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// After how many days what is due, as for [`Programme::month`].
    pub limits: Limits,
    /// Paper.
    pub paper: Paper,
    /// Whom it is for, in words.
    pub partner: Option<String>,
    /// Who drew it up, in words.
    pub prepared_by: Option<String>,
    /// What happened, paragraph by paragraph.
    pub narrative: Vec<String>,
    /// Miles driven, where somebody kept them: the journal does not.
    pub miles: Option<f64>,
    /// Statement for data that are invented.
    pub invented: Option<String>,
}

/// The report of a span of days.
///
/// # Errors
/// As [`Programme::month`].
pub fn month(programme: &Programme, asked: &Asked) -> Result<MonthReport, ChainError> {
    let figures = programme.month(asked.from, asked.to, &asked.limits)?;
    let confirmed = confirmed(programme, asked)?;
    let ids = figures.targets.iter().map(|t| t.target.as_str());
    let names = names(programme, ids.chain(confirmed.iter().map(|c| c.target.as_str())));
    Ok(MonthReport {
        paper: asked.paper,
        programme: programme.name()?,
        invented: asked.invented.clone(),
        partner: asked.partner.clone(),
        prepared_by: asked.prepared_by.clone(),
        narrative: asked.narrative.clone(),
        miles: asked.miles,
        planned_km: planned_km(programme, asked)?,
        look: asked.limits.look,
        areas: areas(programme, asked)?,
        holds: holds(programme, asked)?,
        confirmed,
        names,
        figures,
    })
}

/// Common names of targets, by id; of one that nobody knows, its id.
fn names<'a>(programme: &Programme, ids: impl Iterator<Item = &'a str>) -> BTreeMap<String, String> {
    ids.map(|id| {
        let name = earlywood_chain::target(programme, id).map_or_else(|_| id.to_owned(), |p| p.common_name);
        (id.to_owned(), name)
    })
    .collect()
}

/// Finds the zone of a position.
struct Zones {
    zones: Vec<Zone>,
    index: AreaIndex,
}

impl Zones {
    fn of(&self, p: Position) -> String {
        let zone = self.index.first_at(p).map(|z| self.zones[z].label.clone());
        zone.unwrap_or_else(|| NO_ZONE.to_owned())
    }
}

/// Places of the plans in force and traps that hung when the last day ended, by target and zone.
fn areas(programme: &Programme, asked: &Asked) -> Result<Vec<Area>, ChainError> {
    let zones = programme.zones()?;
    let index = AreaIndex::new(zones.iter().map(|z| &z.area));
    let zones = Zones { zones, index };
    let mut counts: BTreeMap<(String, String), (Option<u64>, u64)> = BTreeMap::new();
    for plan in plans_in_force(programme, asked.to)?.into_values() {
        for place in &plan.places {
            let count = counts
                .entry((plan.target.clone(), zones.of(place.position)))
                .or_default();
            count.0 = Some(count.0.unwrap_or(0) + 1);
        }
    }
    for placed in programme.placements()? {
        if placed.hung <= asked.to && placed.taken_down.is_none_or(|day| asked.to < day) {
            for target in &placed.targets {
                counts
                    .entry((target.clone(), zones.of(placed.position)))
                    .or_default()
                    .1 += 1;
            }
        }
    }
    let area = |((target, area), (required, deployed))| Area {
        target,
        area,
        required,
        deployed,
    };
    Ok(counts.into_iter().map(area).collect())
}

/// Each target's plan that was adopted last, by the day.
fn plans_in_force(programme: &Programme, by: Date) -> Result<BTreeMap<String, Plan>, ChainError> {
    let mut adopted: Vec<(Timestamp, uuid::Uuid, Plan)> = Vec::new();
    for plan in programme.plans()? {
        let Some(entry) = programme.entry(plan.entry)? else {
            continue;
        };
        // The day is that of the place where it was adopted, so it is read off before the offset is gone.
        let day: Option<Date> = entry.event_time.get(..10).and_then(|day| day.parse().ok());
        if day.is_some_and(|day| day <= by) {
            adopted.push((entry.event_time.parse()?, plan.entry, plan.value));
        }
    }
    adopted.sort_by_key(|(at, entry, _)| (*at, *entry));
    Ok(adopted
        .into_iter()
        .map(|(_, _, plan)| (plan.target.clone(), plan))
        .collect())
}

/// Kilometres of the rounds of these days, as they were planned; none unless every round's way was known.
fn planned_km(programme: &Programme, asked: &Asked) -> Result<Option<f64>, ChainError> {
    let adopted = programme.rounds_adopted()?;
    let (mut km, mut any) = (0.0, false);
    let mut day = asked.from;
    while day <= asked.to {
        let held = adopted.iter().rfind(|r| r.value.from <= day && day <= r.value.to);
        for round in held
            .iter()
            .flat_map(|r| &r.value.rounds)
            .filter(|r| r.date == day)
        {
            let Some(own) = round.km else { return Ok(None) };
            (km, any) = (km + own, true);
        }
        let Ok(next) = day.tomorrow() else { break };
        day = next;
    }
    Ok(any.then_some(km))
}

/// Holds in force on one of the days.
fn holds(programme: &Programme, asked: &Asked) -> Result<Vec<HoldDays>, ChainError> {
    let mut all = Vec::new();
    for hold in programme.holds()? {
        if hold.from <= asked.to && hold.to.is_none_or(|last| asked.from <= last) {
            all.push(HoldDays {
                hold: hold.hold,
                cause: cause_words(&hold.cause).to_owned(),
                from: hold.from,
                to: hold.to,
            });
        }
    }
    Ok(all)
}

/// What was taken on one of the days and stands as confirmed.
fn confirmed(programme: &Programme, asked: &Asked) -> Result<Vec<Confirmed>, ChainError> {
    let mut all = Vec::new();
    for find in programme.finds()? {
        let Some(day) = find.day.filter(|day| asked.from <= *day && *day <= asked.to) else {
            continue;
        };
        if find.state == "confirmed" {
            all.push(Confirmed {
                target: find.target,
                specimen: find.specimen,
                trap: find.trap,
                taken: day,
            });
        }
    }
    Ok(all)
}
