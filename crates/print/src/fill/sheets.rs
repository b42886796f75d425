//! Round sheets of the rounds that were adopted.

use std::collections::BTreeMap;

use earlywood_chain::ChainError;
use earlywood_chain::rounds::crews;
use earlywood_journal::body::{Cause, HoldScope, LeftOut, PlannedRound, PlannedStop, RoundsAdopted};
use earlywood_journal::{Hold, Programme};
use earlywood_model::record::{Access, Position, Road, RoadClass, Shift, Skill};
use jiff::civil::{Date, Time};

use crate::map::{MapRoad, RoundMap};
use crate::sheet::{RoundSheet, RoundSheets, SheetLeftOut, SheetPaper, SheetStop};

/// Which sheets.
#[derive(Debug, Clone)]
pub struct Asked {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// One crew alone; none: all of them.
    pub crew: Option<String>,
    /// One sheet alone, by its code.
    pub sheet: Option<String>,
    /// Paper.
    pub paper: SheetPaper,
    /// Whom crews call, in words.
    pub call: Option<String>,
    /// Statement for data that are invented.
    pub invented: Option<String>,
}

/// The sheets of the rounds that hold on these days, by day and crew.
///
/// Of several adoptions that cover a day the one adopted last holds for it.
///
/// # Errors
/// A span that ends before it begins; a crew or code that has no round on these days; a programme that can't be read.
pub fn sheets(programme: &Programme, asked: &Asked) -> Result<RoundSheets, ChainError> {
    if asked.to < asked.from {
        return Err(ChainError::asked("to", format!("{} is before the first day, {}", asked.to, asked.from)));
    }
    let office = Office::read(programme)?;
    let mut rounds = Vec::new();
    let mut day = asked.from;
    while day <= asked.to {
        rounds.extend(office.day(programme, day, asked)?);
        let Ok(next) = day.tomorrow() else { break };
        day = next;
    }
    if rounds.is_empty() {
        if let Some(code) = &asked.sheet {
            return Err(ChainError::Unknown { what: "sheet", label: code.clone() });
        }
        let whose = asked.crew.as_ref().map_or_else(String::new, |crew| format!(" for {crew:?}"));
        return Err(ChainError::asked(
            "from",
            format!("no round was adopted{whose} from {} to {}", asked.from, asked.to),
        ));
    }
    Ok(RoundSheets {
        paper: asked.paper,
        programme: programme.name()?,
        invented: asked.invented.clone(),
        call: asked.call.clone(),
        rounds,
    })
}

/// What all sheets are made from.
struct Office {
    adopted: Vec<RoundsAdopted>,
    access: BTreeMap<String, Access>,
    shifts: BTreeMap<String, Shift>,
    zones: Vec<(String, Vec<Vec<Position>>)>,
    roads: Vec<Road>,
    holds: Vec<Hold>,
}

impl Office {
    fn read(programme: &Programme) -> Result<Office, ChainError> {
        let ring = |ring: &Vec<[f64; 2]>| ring.iter().copied().map(position).collect();
        Ok(Office {
            adopted: programme.rounds_adopted()?.into_iter().map(|r| r.value).collect(),
            access: programme.access()?.into_iter().map(|a| (a.label.clone(), a)).collect(),
            shifts: programme.shifts()?.into_iter().map(|s| (s.label.clone(), s)).collect(),
            zones: programme
                .zones()?
                .iter()
                .map(|z| (z.label.clone(), z.area.0.iter().flatten().map(ring).collect()))
                .collect(),
            roads: programme.roads()?,
            holds: programme.holds()?,
        })
    }

    /// The sheets of one day, by crew.
    fn day(&self, programme: &Programme, day: Date, asked: &Asked) -> Result<Vec<RoundSheet>, ChainError> {
        let Some(held) = self.adopted.iter().rfind(|r| r.from <= day && day <= r.to) else {
            return Ok(Vec::new());
        };
        let wanted = |round: &&PlannedRound| {
            round.date == day
                && asked.crew.as_ref().is_none_or(|crew| *crew == round.crew)
                && asked.sheet.as_ref().is_none_or(|code| *code == round.sheet)
        };
        let mut rounds: Vec<&PlannedRound> = held.rounds.iter().filter(wanted).collect();
        rounds.sort_by(|a, b| a.crew.cmp(&b.crew));
        let people: BTreeMap<String, Vec<String>> =
            crews(programme, day)?.into_iter().map(|c| (c.crew, c.people)).collect();
        Ok(rounds
            .into_iter()
            .map(|round| self.sheet(round, held, people.get(&round.crew).cloned().unwrap_or_default()))
            .collect())
    }

    fn sheet(&self, round: &PlannedRound, held: &RoundsAdopted, people: Vec<String>) -> RoundSheet {
        RoundSheet {
            sheet: round.sheet.clone(),
            crew: round.crew.clone(),
            people,
            date: round.date,
            starts: round.starts,
            ends: round.ends,
            drive_minutes: round.drive_minutes,
            work_minutes: round.work_minutes,
            break_minutes: round.break_minutes,
            break_at: round.break_at,
            km: round.km,
            notes: self.holds.iter().filter_map(|hold| hold_words(hold, round.date)).collect(),
            map: self.map(round),
            stops: round.stops.iter().map(|stop| self.stop(stop, round.date)).collect(),
            left_out: left_out(&held.left_out),
        }
    }

    fn map(&self, round: &PlannedRound) -> RoundMap {
        let shift = self.shifts.get(&round.crew);
        let depot = shift.map(|s| s.depot);
        let mut seen: Vec<Position> = round.stops.iter().map(|s| s.position).collect();
        seen.extend(depot);
        RoundMap {
            zones: self.zones.clone(),
            roads: roads_near(&self.roads, &seen),
            line: Vec::new(),
            depot,
            end: shift.and_then(|s| s.end),
            stops: Vec::new(),
        }
    }

    fn stop(&self, stop: &PlannedStop, day: Date) -> SheetStop {
        let access = self.access.get(&stop.place);
        let mut cautions = access.map(|a| a.cautions.clone()).unwrap_or_default();
        cautions.extend(access.and_then(|a| no_right(a, day)));
        SheetStop {
            trap: stop.trap.clone(),
            place: stop.place.clone(),
            position: stop.position,
            arrive: stop.arrive,
            leave: stop.leave,
            drive_minutes: stop.drive_minutes,
            what: stop.what.clone(),
            cautions,
            directions: access.and_then(|a| a.directions.clone()),
            needs: access.map(|a| a.needs.iter().map(|s| need(*s)).collect()).unwrap_or_default(),
            entry: access.map(entry).unwrap_or_default(),
        }
    }
}

fn position([lon, lat]: [f64; 2]) -> Position {
    Position { lat, lon }
}

fn need(skill: Skill) -> String {
    skill.word().replace('-', " ")
}

/// A right to enter that does not hold on the day is a caution, whatever the plan says.
fn no_right(access: &Access, day: Date) -> Option<String> {
    if let Some(last) = access.permit_to.filter(|last| *last < day) {
        return Some(format!("The right to enter ended on {last}: do not enter, call the office"));
    }
    let first = access.permit_from.filter(|first| day < *first)?;
    Some(format!("The right to enter begins on {first}: do not enter, call the office"))
}

/// When the gate is open, and by what right one enters.
fn entry(access: &Access) -> Vec<String> {
    let hour = |t: Time| t.strftime("%H:%M").to_string();
    let mut said = Vec::new();
    match (access.opens, access.closes) {
        (Some(a), Some(b)) => said.push(format!("gate open {}–{}", hour(a), hour(b))),
        (Some(a), None) => said.push(format!("gate opens {}", hour(a))),
        (None, Some(b)) => said.push(format!("gate shuts {}: be out by then", hour(b))),
        (None, None) => {}
    }
    if !access.days.is_empty() {
        let days: Vec<&str> = access.days.iter().map(|d| d.word()).collect();
        said.push(format!("only {}", days.join(", ")));
    }
    if let Some(permit) = &access.permit {
        let until = access.permit_to.map_or_else(String::new, |last| format!(" until {last}"));
        said.push(format!("entered by {permit}{until}"));
    }
    if let Some(park) = access.park {
        said.push(format!("park at {:.5}, {:.5}", park.lat, park.lon));
    }
    said
}

/// A hold that is in force on the day, in words.
fn hold_words(hold: &Hold, day: Date) -> Option<String> {
    if day < hold.from || hold.to.is_some_and(|last| last < day) {
        return None;
    }
    let what = match &hold.scope {
        HoldScope::All => "the whole programme".to_owned(),
        HoldScope::Zones(zones) => format!("zone {}", zones.join(", ")),
        HoldScope::Places(places) => format!("place {}", places.join(", ")),
        HoldScope::Traps(traps) => format!("trap {}", traps.join(", ")),
    };
    let until = hold.to.map_or_else(|| "until it is lifted".to_owned(), |last| format!("to {last}"));
    Some(format!("Hold on {what}: {}, from {} {until}. No visit there.", cause_words(&hold.cause), hold.from))
}

pub(crate) fn cause_words(cause: &Cause) -> &str {
    match cause {
        Cause::Lightning => "lightning",
        Cause::Wind => "wind",
        Cause::Rain => "rain",
        Cause::Heat => "heat",
        Cause::Smoke => "smoke",
        Cause::FireClosure => "closed because of fire",
        Cause::Flood => "flood",
        Cause::Hunting => "hunting",
        Cause::PesticideReEntry => "a pesticide was sprayed",
        Cause::Police => "police activity",
        Cause::Holiday => "holiday",
        Cause::Other(words) => words,
    }
}

/// Roads that may be seen on a map of these positions: those with a corner in their box and half its size around it.
fn roads_near(roads: &[Road], seen: &[Position]) -> Vec<MapRoad> {
    let span = |pick: fn(&Position) -> f64| {
        let values = seen.iter().map(pick);
        let (low, high) = values.fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
        // A hundredth of a degree is about a kilometre: one stop alone still has surroundings.
        let more = (0.5 * (high - low)).max(0.01);
        (low - more, high + more)
    };
    if seen.is_empty() {
        return Vec::new();
    }
    let (lats, lons) = (span(|p| p.lat), span(|p| p.lon));
    let inside = |&[lon, lat]: &[f64; 2]| lats.0 <= lat && lat <= lats.1 && lons.0 <= lon && lon <= lons.1;
    roads
        .iter()
        .filter(|road| road.line.iter().any(inside))
        .map(|road| MapRoad {
            line: road.line.iter().copied().map(position).collect(),
            main: matches!(
                road.class,
                RoadClass::Motorway | RoadClass::Trunk | RoadClass::Primary | RoadClass::Secondary
            ),
        })
        .collect()
}

/// What would have added most first; what has no worth told last.
fn left_out(all: &[LeftOut]) -> Vec<SheetLeftOut> {
    let mut sorted: Vec<&LeftOut> = all.iter().collect();
    let worth = |l: &LeftOut| l.worth.unwrap_or(f64::NEG_INFINITY);
    sorted.sort_by(|a, b| worth(b).total_cmp(&worth(a)).then_with(|| a.trap.cmp(&b.trap)));
    sorted
        .into_iter()
        .map(|l| SheetLeftOut {
            trap: l.trap.clone(),
            place: l.place.clone(),
            reason: l.reason.clone(),
            last_day: l.last_day,
        })
        .collect()
}
