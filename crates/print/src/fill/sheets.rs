//! Round sheets of the rounds that were adopted.

use std::collections::BTreeMap;

use earlywood_chain::ChainError;
use earlywood_chain::rounds::{LeftOutView, PlannedRoundView, PlannedStopView, adopted, put_lines, sheet};
use earlywood_journal::body::{Cause, HoldScope};
use earlywood_journal::{Hold, Programme};
use earlywood_model::record::{Access, Position, Road, RoadClass, Shift};
use jiff::civil::{Date, Time};

use crate::map::{MapRoad, RoundMap};
use crate::sheet::{RoundSheet, RoundSheets, SheetLeftOut, SheetStop};
use crate::stock::Paper;

/// Which sheets.
#[derive(Debug, Clone)]
pub struct Asked {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// One crew alone; none: all of them.
    pub crew: Option<String>,
    /// One sheet alone, by its code as somebody typed it; whatever the days.
    pub sheet: Option<String>,
    /// Paper.
    pub paper: Paper,
    /// Whom crews call, in words.
    pub call: Option<String>,
    /// Statement for data that are invented.
    pub invented: Option<String>,
}

/// The sheets of the rounds that hold on these days, by day and crew, as [`adopted`] tells them.
///
/// # Errors
/// A span that ends before it begins; a crew or code that has no round on these days; a programme that can't be read.
pub fn sheets(programme: &Programme, asked: &Asked) -> Result<RoundSheets, ChainError> {
    if asked.to < asked.from {
        return Err(ChainError::asked(
            "to",
            format!("{} is before the first day, {}", asked.to, asked.from),
        ));
    }
    let (mut held, left_out) = match &asked.sheet {
        Some(code) => {
            let round = sheet::sheet(programme, code)?.round;
            let left_out = adopted(programme, round.date, round.date)?.left_out;
            (vec![round], left_out)
        }
        None => {
            let held = adopted(programme, asked.from, asked.to)?;
            (held.rounds, held.left_out)
        }
    };
    held.retain(|round| asked.crew.as_ref().is_none_or(|crew| *crew == round.crew));
    if held.is_empty() {
        return Err(nothing(asked));
    }
    put_lines(programme, held.iter_mut())?;
    let office = Office::read(programme)?;
    let left_out = self::left_out(&left_out);
    let rounds: Vec<RoundSheet> = held.iter().map(|round| office.sheet(round, &left_out)).collect();
    Ok(RoundSheets {
        paper: asked.paper,
        programme: programme.name()?,
        invented: asked.invented.clone(),
        call: asked.call.clone(),
        rounds,
    })
}

fn nothing(asked: &Asked) -> ChainError {
    let whose = asked
        .crew
        .as_ref()
        .map_or_else(String::new, |crew| format!(" for crew {crew:?}"));
    ChainError::asked(
        "from",
        format!("no round is adopted{whose} from {} to {}", asked.from, asked.to),
    )
}

/// What all sheets are made from.
struct Office {
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
            access: programme
                .access()?
                .into_iter()
                .map(|a| (a.label.clone(), a))
                .collect(),
            shifts: programme
                .shifts()?
                .into_iter()
                .map(|s| (s.label.clone(), s))
                .collect(),
            zones: programme
                .zones()?
                .iter()
                .map(|z| (z.label.clone(), z.area.0.iter().flatten().map(ring).collect()))
                .collect(),
            roads: programme.roads()?,
            holds: programme.holds()?,
        })
    }

    fn sheet(&self, round: &PlannedRoundView, left_out: &[SheetLeftOut]) -> RoundSheet {
        RoundSheet {
            sheet: round.sheet.clone(),
            crew: round.crew.clone(),
            people: round.people.clone(),
            date: round.date,
            starts: round.starts,
            ends: round.ends,
            drive_minutes: round.drive_minutes,
            work_minutes: round.work_minutes,
            break_minutes: round.break_minutes,
            break_at: round.break_at,
            km: round.km,
            notes: self
                .holds
                .iter()
                .filter_map(|hold| hold_words(hold, round.date))
                .collect(),
            map: self.map(round),
            stops: round
                .stops
                .iter()
                .map(|stop| self.stop(stop, round.date))
                .collect(),
            left_out: left_out.to_vec(),
        }
    }

    fn map(&self, round: &PlannedRoundView) -> RoundMap {
        let shift = self.shifts.get(&round.crew);
        let depot = shift.map(|s| s.depot);
        let line: Vec<Position> = round.line.iter().flatten().copied().map(position).collect();
        let mut seen: Vec<Position> = round.stops.iter().map(spot).collect();
        seen.extend(depot);
        seen.extend(&line);
        RoundMap {
            zones: self.zones.clone(),
            roads: roads_near(&self.roads, &seen),
            line,
            depot,
            end: shift.and_then(|s| s.end),
            stops: Vec::new(),
        }
    }

    fn stop(&self, stop: &PlannedStopView, day: Date) -> SheetStop {
        let access = self.access.get(&stop.place);
        let mut cautions = stop.cautions.clone();
        cautions.extend(access.and_then(|a| no_right(a, day)));
        let mut what = stop.what.clone();
        if stop.done {
            what.push("visited already when this was printed".to_owned());
        }
        SheetStop {
            trap: stop.trap.clone(),
            place: stop.place.clone(),
            position: spot(stop),
            arrive: stop.arrive,
            leave: stop.leave,
            drive_minutes: stop.drive_minutes,
            what,
            cautions,
            directions: stop.directions.clone(),
            needs: stop.needs.iter().map(|need| need.replace('-', " ")).collect(),
            entry: access.map(entry).unwrap_or_default(),
        }
    }
}

fn spot(stop: &PlannedStopView) -> Position {
    Position {
        lat: stop.lat,
        lon: stop.lon,
    }
}

fn position([lon, lat]: [f64; 2]) -> Position {
    Position { lat, lon }
}

/// A right to enter that does not hold on the day is a caution, whatever the plan says.
fn no_right(access: &Access, day: Date) -> Option<String> {
    if let Some(last) = access.permit_to.filter(|last| *last < day) {
        return Some(format!(
            "The right to enter ended on {last}: do not enter, call the office"
        ));
    }
    let first = access.permit_from.filter(|first| day < *first)?;
    Some(format!(
        "The right to enter begins on {first}: do not enter, call the office"
    ))
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
        let until = access
            .permit_to
            .map_or_else(String::new, |last| format!(" until {last}"));
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
    let until = hold
        .to
        .map_or_else(|| "until it is lifted".to_owned(), |last| format!("to {last}"));
    Some(format!(
        "Hold on {what}: {}, from {} {until}. No visit there.",
        cause_words(&hold.cause),
        hold.from
    ))
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
fn left_out(all: &[LeftOutView]) -> Vec<SheetLeftOut> {
    let mut sorted: Vec<&LeftOutView> = all.iter().collect();
    let worth = |l: &LeftOutView| l.worth.unwrap_or(f64::NEG_INFINITY);
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
