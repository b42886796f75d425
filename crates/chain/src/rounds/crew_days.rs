//! Who works when: the crews formed, on the days of their shifts.

use std::collections::{BTreeMap, HashSet};

use earlywood_journal::Programme;
use earlywood_model::record::{Position, Shift, Skill};
use jiff::ToSpan as _;
use jiff::civil::{Date, Time};

use super::crews;
use super::due::seconds;
use crate::Notes;
use crate::error::ChainError;

/// A crew that does not go out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Without {
    /// The crew.
    pub crew: String,
    /// On this day only; none: on all days asked about.
    pub date: Option<Date>,
}

/// A crew's break.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Rest {
    pub(crate) minutes: u32,
    /// It begins in these seconds of the day.
    pub(crate) from_s: i64,
    pub(crate) to_s: i64,
}

/// One crew on one day.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CrewDay {
    pub(crate) crew: String,
    pub(crate) people: usize,
    pub(crate) date: Date,
    /// Seconds of the day.
    pub(crate) opens_s: i64,
    pub(crate) closes_s: i64,
    pub(crate) from: Position,
    pub(crate) to: Position,
    pub(crate) rest: Option<Rest>,
    pub(crate) skills: Vec<Skill>,
}

/// The days asked about and who is away.
pub(crate) struct Days<'a> {
    pub(crate) from: Date,
    pub(crate) to: Date,
    pub(crate) off: &'a [(Date, String)],
    pub(crate) without: &'a [Without],
}

impl Days<'_> {
    fn is_off(&self, date: Date) -> bool {
        self.off.iter().any(|(d, _)| *d == date)
    }

    fn is_away(&self, crew: &str, date: Date) -> bool {
        self.without
            .iter()
            .any(|w| w.crew == crew && w.date.is_none_or(|d| d == date))
    }
}

/// Every crew on every day on which it works.
pub(crate) fn crew_days(
    programme: &Programme,
    days: &Days<'_>,
    notes: &mut Notes,
) -> Result<Vec<CrewDay>, ChainError> {
    let shifts: BTreeMap<String, Shift> = programme
        .shifts()?
        .into_iter()
        .map(|s| (s.label.clone(), s))
        .collect();
    if shifts.is_empty() {
        return Err(ChainError::asked(
            "crews",
            "no crew's working day is loaded (depot, hours, break)",
        ));
    }
    known(programme, days, &shifts)?;
    let (mut all, mut lacking, mut formed) = (Vec::new(), HashSet::new(), false);
    let mut date = days.from;
    while date <= days.to {
        for crew in crews(programme, date)? {
            formed = true;
            let Some(shift) = shifts.get(&crew.crew) else {
                lacking.insert(crew.crew);
                continue;
            };
            if shift.works_on(date) && !days.is_off(date) && !days.is_away(&crew.crew, date) {
                all.push(crew_day(shift, crew.people.len(), date)?);
            }
        }
        date = date.saturating_add(1.day());
    }
    let mut lacking: Vec<String> = lacking.into_iter().collect();
    lacking.sort();
    if !lacking.is_empty() {
        notes.push(format!(
            "no working day is loaded for {}: without one a crew is not sent out",
            lacking.join(", ")
        ));
    }
    if all.is_empty() {
        return Err(nobody(days, &shifts, formed));
    }
    Ok(all)
}

/// A crew that is said to be away must be one that there is.
fn known(programme: &Programme, days: &Days<'_>, shifts: &BTreeMap<String, Shift>) -> Result<(), ChainError> {
    let formed: HashSet<String> = programme
        .crews_formed()?
        .into_iter()
        .map(|c| c.value.crew)
        .collect();
    for away in days.without {
        if !shifts.contains_key(&away.crew) && !formed.contains(&away.crew) {
            return Err(ChainError::Unknown {
                what: "crew",
                label: away.crew.clone(),
            });
        }
        if let Some(date) = away.date
            && (date < days.from || days.to < date)
        {
            return Err(ChainError::asked(
                "without",
                format!(
                    "{date}, on which {} is away, is not among {} to {}",
                    away.crew, days.from, days.to
                ),
            ));
        }
    }
    Ok(())
}

fn nobody(days: &Days<'_>, shifts: &BTreeMap<String, Shift>, formed: bool) -> ChainError {
    let (from, to) = (days.from, days.to);
    let words = if !formed {
        let loaded: Vec<&str> = shifts.keys().map(String::as_str).collect();
        format!(
            "no crew is formed on any day from {from} to {to}, though working days of {} are loaded",
            loaded.join(", ")
        )
    } else {
        format!(
            "no crew that is formed works on any day from {from} to {to}: all are off, away, or have no working day"
        )
    };
    ChainError::asked("crews", words)
}

fn crew_day(shift: &Shift, people: usize, date: Date) -> Result<CrewDay, ChainError> {
    let (opens_s, closes_s) = (seconds(shift.starts), seconds(shift.ends));
    if closes_s <= opens_s {
        return Err(ChainError::asked(
            "crews",
            format!(
                "the day of {} ends at {} and begins at {}",
                shift.label, shift.ends, shift.starts
            ),
        ));
    }
    let length_s = i64::from(shift.break_minutes) * 60;
    let or = |time: Option<Time>, usual: i64| time.map_or(usual, seconds);
    let rest = (length_s > 0).then(|| Rest {
        minutes: shift.break_minutes,
        from_s: or(shift.break_from, opens_s).max(opens_s),
        to_s: or(shift.break_to, closes_s - length_s).min(closes_s - length_s),
    });
    if let Some(rest) = rest
        && rest.to_s < rest.from_s
    {
        return Err(ChainError::asked(
            "crews",
            format!("the break of {} does not fit into its day", shift.label),
        ));
    }
    // Who is in the crew that day tells better than the list whether there are two.
    let mut skills: Vec<Skill> = shift
        .skills
        .iter()
        .copied()
        .filter(|s| *s != Skill::TwoPeople)
        .collect();
    if people >= 2 {
        skills.push(Skill::TwoPeople);
    }
    Ok(CrewDay {
        crew: shift.label.clone(),
        people,
        date,
        opens_s,
        closes_s,
        from: shift.depot,
        to: shift.end.unwrap_or(shift.depot),
        rest,
        skills,
    })
}
