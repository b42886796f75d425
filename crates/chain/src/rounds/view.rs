//! Rounds as people look at them: those that hold, with what to mind at each stop and what is done.

use std::collections::{BTreeMap, HashMap, HashSet};

use earlywood_journal::{LeftOut, PlannedRound, PlannedStop, Programme, RoundsAdopted};
use earlywood_model::record::{Access, Position, TrapFound};
use jiff::civil::{Date, Time};
use serde::Serialize;
use uuid::Uuid;

use super::crews;
use crate::Notes;
use crate::error::ChainError;

/// Hours and minutes, as clocks show them.
fn minute<S: serde::Serializer>(time: &Time, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(&time.strftime("%H:%M").to_string())
}

#[allow(clippy::ref_option)] // the signature that serde asks for
fn maybe_minute<S: serde::Serializer>(time: &Option<Time>, to: S) -> Result<S::Ok, S::Error> {
    match time {
        Some(time) => minute(time, to),
        None => to.serialize_none(),
    }
}

/// A stop of a round.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PlannedStopView {
    /// The trap.
    pub trap: String,
    /// Label of the place.
    pub place: String,
    /// Latitude.
    pub lat: f64,
    /// Longitude.
    pub lon: f64,
    /// When the crew begins there, HH:MM.
    #[serde(serialize_with = "minute")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub arrive: Time,
    /// When it leaves, HH:MM.
    #[serde(serialize_with = "minute")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub leave: Time,
    /// To it from the stop before, minutes.
    pub drive_minutes: f64,
    /// What is due there.
    pub what: Vec<String>,
    /// What to mind there: of the place, and of the land it lies on.
    pub cautions: Vec<String>,
    /// How to find it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub directions: Option<String>,
    /// What a stop there needs: pole, ladder, two-people.
    pub needs: Vec<String>,
    /// It was reached, on the day or earlier since these rounds began.
    pub done: bool,
}

/// A crew's day.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PlannedRoundView {
    /// The short code on its paper.
    pub sheet: String,
    /// The crew.
    pub crew: String,
    /// Who is in it that day.
    pub people: Vec<String>,
    /// The day.
    pub date: Date,
    /// When it leaves, HH:MM.
    #[serde(serialize_with = "minute")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub starts: Time,
    /// When it is back, HH:MM.
    #[serde(serialize_with = "minute")]
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub ends: Time,
    /// Driving and walking, minutes.
    pub drive_minutes: f64,
    /// At the stops, minutes.
    pub work_minutes: f64,
    /// Length of the break, minutes.
    pub break_minutes: u32,
    /// When the break begins, HH:MM.
    #[serde(serialize_with = "maybe_minute", skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>))]
    pub break_at: Option<Time>,
    /// Length of the drive, km, where roads were known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub km: Option<f64>,
    /// The drive along the roads, `[lon, lat]`, where they are known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<Vec<[f64; 2]>>,
    /// The stops, in order.
    pub stops: Vec<PlannedStopView>,
}

/// A visit that found no room.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LeftOutView {
    /// The trap.
    pub trap: String,
    /// Label of the place.
    pub place: String,
    /// Latitude, where the place is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lat: Option<f64>,
    /// Longitude.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lon: Option<f64>,
    /// Why.
    pub reason: String,
    /// What the visit would have added to the sensitivity of its zone (0 to 1).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worth: Option<f64>,
    /// The last day in time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_day: Option<Date>,
}

/// The adoption that is shown.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AdoptedView {
    /// Its entry.
    pub entry: Uuid,
    /// When it was recorded: RFC 3339 with offset.
    pub at: String,
    /// By whom.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// Minutes of a crew over all days shown.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct CrewMinutes {
    /// The crew.
    pub crew: String,
    /// On the road and at the stops.
    pub minutes: f64,
}

/// Rounds over several days.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct RoundsView {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// Who adopted them; none: nothing was adopted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adopted: Option<AdoptedView>,
    /// The rounds, by day and crew.
    pub rounds: Vec<PlannedRoundView>,
    /// What found no room.
    pub left_out: Vec<LeftOutView>,
    /// Minutes of each crew.
    pub fairness: Vec<CrewMinutes>,
    /// Worth knowing.
    pub notes: Notes,
}

/// The part of an adoption that holds.
pub(crate) struct Holding {
    pub(crate) entry: Uuid,
    /// First and last day on which it holds, within those asked about.
    pub(crate) from: Date,
    pub(crate) to: Date,
    pub(crate) rounds: Vec<PlannedRound>,
    pub(crate) left_out: Vec<LeftOut>,
    pub(crate) reason: String,
    /// First day of the whole adoption.
    pub(crate) began: Date,
}

/// The adoptions that hold from one day to another, by their first day. Of two that cover the same day the later one holds for
/// that day and those after it.
pub(crate) fn holding(programme: &Programme, from: Date, to: Date) -> Result<Vec<Holding>, ChainError> {
    let all = programme.rounds_adopted()?;
    let mut held = Vec::new();
    for (i, recorded) in all.iter().enumerate() {
        let a: &RoundsAdopted = &recorded.value;
        // The first day that a later adoption takes over.
        let taken = all[i + 1..]
            .iter()
            .map(|b| &b.value)
            .filter(|b| b.from <= a.to && a.from <= b.to)
            .map(|b| b.from.max(a.from))
            .min();
        let last = taken
            .map_or(a.to, |t| t.saturating_sub(jiff::ToSpan::day(1)))
            .min(to);
        let first = a.from.max(from);
        if first > last {
            continue;
        }
        held.push(Holding {
            entry: recorded.entry,
            from: first,
            to: last,
            rounds: a
                .rounds
                .iter()
                .filter(|r| (first..=last).contains(&r.date))
                .cloned()
                .collect(),
            left_out: a.left_out.clone(),
            reason: a.reason.clone(),
            began: a.from,
        });
    }
    held.sort_by_key(|h| h.from);
    Ok(held)
}

/// What has to be read to show stops.
pub(crate) struct Viewer<'a> {
    programme: &'a Programme,
    access: HashMap<String, Access>,
    ground: crate::phone::Ground,
    places: HashMap<String, Position>,
    reached: HashMap<String, Vec<Date>>,
    hung: HashSet<String>,
}

impl<'a> Viewer<'a> {
    pub(crate) fn read(programme: &'a Programme) -> Result<Viewer<'a>, ChainError> {
        let mut places: HashMap<String, Position> = programme
            .places()?
            .into_iter()
            .map(|p| (p.label, p.position))
            .collect();
        for plan in programme.plans()? {
            places.extend(plan.value.places.into_iter().map(|p| (p.label, p.position)));
        }
        let (mut reached, mut hung): (HashMap<String, Vec<Date>>, HashSet<String>) = Default::default();
        for placement in programme.placements()? {
            if placement.taken_down.is_none() {
                hung.insert(placement.place.clone());
            }
            places.insert(placement.place, placement.position);
        }
        for stop in programme.stops()? {
            if stop.value.found != TrapFound::NotReached {
                reached.entry(stop.value.trap).or_default().push(stop.value.date);
            }
        }
        Ok(Viewer {
            programme,
            access: programme
                .access()?
                .into_iter()
                .map(|a| (a.label.clone(), a))
                .collect(),
            ground: crate::phone::Ground::read(programme)?,
            places,
            reached,
            hung,
        })
    }

    fn stop(&self, stop: PlannedStop, began: Date, date: Date) -> PlannedStopView {
        let access = self.access.get(&stop.place);
        let mut cautions: Vec<String> = access.map(|a| a.cautions.clone()).unwrap_or_default();
        cautions.extend(self.ground.cautions(stop.position));
        let reached = |days: &Vec<Date>| days.iter().any(|d| (began..=date).contains(d));
        let hang = stop.trap == super::due::to_hang(&stop.place);
        PlannedStopView {
            done: if hang {
                self.hung.contains(&stop.place)
            } else {
                self.reached.get(&stop.trap).is_some_and(reached)
            },
            trap: stop.trap,
            place: stop.place,
            lat: stop.position.lat,
            lon: stop.position.lon,
            arrive: stop.arrive,
            leave: stop.leave,
            drive_minutes: stop.drive_minutes,
            what: stop.what,
            cautions,
            directions: access.and_then(|a| a.directions.clone()),
            needs: access
                .map(|a| a.needs.iter().map(|n| n.word().to_owned()).collect())
                .unwrap_or_default(),
        }
    }

    pub(crate) fn round(&self, round: PlannedRound, began: Date) -> Result<PlannedRoundView, ChainError> {
        let people = crews(self.programme, round.date)?
            .into_iter()
            .find(|c| c.crew == round.crew)
            .map(|c| c.people)
            .unwrap_or_default();
        Ok(PlannedRoundView {
            sheet: round.sheet,
            people,
            starts: round.starts,
            ends: round.ends,
            drive_minutes: round.drive_minutes,
            work_minutes: round.work_minutes,
            break_minutes: round.break_minutes,
            break_at: round.break_at,
            km: round.km,
            line: None,
            stops: round
                .stops
                .into_iter()
                .map(|s| self.stop(s, began, round.date))
                .collect(),
            crew: round.crew,
            date: round.date,
        })
    }

    pub(crate) fn left_out(&self, left: LeftOut) -> LeftOutView {
        let at = self.places.get(&left.place);
        LeftOutView {
            lat: at.map(|p| p.lat),
            lon: at.map(|p| p.lon),
            trap: left.trap,
            place: left.place,
            reason: left.reason,
            worth: left.worth,
            last_day: left.last_day,
        }
    }
}

/// Minutes on the road and at the stops, by crew.
pub(crate) fn fairness(rounds: &[PlannedRoundView]) -> Vec<CrewMinutes> {
    let mut minutes: BTreeMap<&str, f64> = BTreeMap::new();
    for round in rounds {
        *minutes.entry(&round.crew).or_default() += round.drive_minutes + round.work_minutes;
    }
    minutes
        .into_iter()
        .map(|(crew, minutes)| CrewMinutes {
            crew: crew.to_owned(),
            minutes,
        })
        .collect()
}

/// The time zone that was named when rounds were adopted last, if one was.
///
/// # Errors
/// A programme that can't be read.
pub fn named_zone(programme: &Programme) -> Result<Option<String>, ChainError> {
    let last = programme.rounds_adopted()?.pop();
    Ok(last.and_then(|a| Some(a.value.settings.get("time_zone")?.as_str()?.to_owned())))
}

/// The adopted rounds that hold from one day to another.
///
/// # Errors
/// Days out of order; a programme that can't be read.
pub fn adopted(programme: &Programme, from: Date, to: Date) -> Result<RoundsView, ChainError> {
    if to < from {
        return Err(ChainError::asked("to", format!("{to} lies before {from}")));
    }
    let viewer = Viewer::read(programme)?;
    let (mut rounds, mut left_out, mut shown, mut notes) = (Vec::new(), Vec::new(), None, Notes::new());
    for held in holding(programme, from, to)? {
        for round in held.rounds {
            rounds.push(viewer.round(round, held.began)?);
        }
        left_out.extend(held.left_out.into_iter().map(|l| viewer.left_out(l)));
        if let Some(entry) = programme.entry(held.entry)? {
            shown = Some(AdoptedView {
                entry: held.entry,
                at: entry.recorded_time.clone(),
                by: entry.person.clone(),
                reason: held.reason,
            });
        }
    }
    if shown.is_none() {
        notes.push(format!("no rounds are adopted for {from} to {to}"));
    }
    rounds.sort_by(|a, b| (a.date, &a.crew).cmp(&(b.date, &b.crew)));
    Ok(RoundsView {
        from,
        to,
        adopted: shown,
        fairness: fairness(&rounds),
        rounds,
        left_out,
        notes,
    })
}
