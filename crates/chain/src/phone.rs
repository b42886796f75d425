//! All that a phone needs for its day off the network.

use std::collections::{BTreeMap, HashMap, HashSet};

use earlywood_geodata::AreaIndex;
use earlywood_journal::{Clock, Hanging, Level, Limit, Programme, Role, VisitMade};
use earlywood_model::record::{Access, Host, Land, Place, Position};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use uuid::Uuid;

use crate::due::Board;
use crate::error::ChainError;
use crate::rounds::{self, crews, nearest_next};
use crate::view::{ClockAge, HoldRow, Now, word};
use crate::{Notes, stores};

/// Stops of one day's round: more than a crew drives to in a week. Design choice.
const MOST_STOPS: usize = 300;
/// Places to hang a trap that are sent: more than all crews hang in a week. Design choice.
const MOST_TO_HANG: usize = 1_000;
/// Trees near the stops that are sent, and how near. Design choice: what fits a phone, and a walk from the trap.
const MOST_TREES: usize = 5_000;
const NEAR_M: f64 = 300.0;
/// Specimen labels that are sent, the newest first.
const MOST_LABELS: usize = 20_000;

/// A trap, for scanning and typing labels.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhoneTrap {
    /// Latitude.
    pub lat: f64,
    /// Longitude.
    pub lon: f64,
    /// Its label.
    pub trap: String,
    /// Label of its place.
    pub place: String,
    /// Its zone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// Targets it is baited for.
    pub targets: Vec<String>,
    /// "hanging" or "stored".
    pub state: String,
    /// Since when it hangs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hung: Option<Date>,
    /// Lot of its lure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lure_lot: Option<String>,
}

/// A place of an adopted plan at which a trap is still to be hung.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhonePlace {
    /// Latitude.
    pub lat: f64,
    /// Longitude.
    pub lon: f64,
    /// Its label.
    pub place: String,
    /// Its zone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// Targets for which a plan wants a trap here and none hangs.
    pub targets: Vec<String>,
    /// What one season there costs, as the plan has it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cost: Option<f64>,
    /// What to mind on the land.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
}

/// The last stop at a trap.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LastStop {
    /// The day.
    pub on: Date,
    /// By which crew or person.
    pub by: String,
    /// How it was found, in words.
    pub words: String,
}

/// When the adopted round of the crew has a stop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhonePlanned {
    /// Code of the round's sheet.
    pub sheet: String,
    /// When the crew begins there, HH:MM.
    pub arrive: String,
    /// When it leaves, HH:MM.
    pub leave: String,
}

/// A stop of the round.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhoneStop {
    /// The trap.
    #[serde(flatten)]
    pub trap: PhoneTrap,
    /// Its place in the round, from 1.
    pub order: usize,
    /// The worst of its clocks.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub level: Level,
    /// Its clocks.
    pub clocks: Vec<ClockAge>,
    /// What to mind at the place, and on the land it hangs on.
    pub cautions: Vec<String>,
    /// How to find it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub directions: Option<String>,
    /// What a stop there needs: pole, ladder, two-people.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<String>,
    /// When the adopted round has it; none: it is in no round of the crew's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub planned: Option<PhonePlanned>,
    /// The last stop.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last: Option<LastStop>,
    /// Label of a hold that excuses the crew today.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held_by: Option<String>,
}

/// A target, as a crew must know it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhoneTarget {
    /// Its id.
    pub id: String,
    /// Common name.
    pub common_name: String,
    /// Scientific name.
    pub scientific_name: String,
    /// What a reader must know.
    pub caution: String,
}

/// A lot with something on hand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhoneLot {
    /// Its label.
    pub lot: String,
    /// What it consists of.
    pub item: String,
    /// Pieces in store.
    pub on_hand: i64,
    /// Day after which it must not be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expires: Option<Date>,
}

/// A tree near a stop.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhoneTree {
    /// Latitude.
    pub lat: f64,
    /// Longitude.
    pub lon: f64,
    /// Its label.
    pub label: String,
    /// Its species.
    pub species: String,
}

/// Days after which a clock is due, and after which it has failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhoneLimit {
    /// Due.
    pub warn_days: u32,
    /// Failed.
    pub fail_days: u32,
}

/// The programme a day belongs to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhoneProgramme {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: String,
}

/// A phone's day.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Day {
    /// When it was put together.
    pub made_at: Timestamp,
    /// The day.
    pub today: Date,
    /// The programme.
    pub programme: PhoneProgramme,
    /// Who holds the phone.
    pub person: String,
    /// Their name, where whoever asks may know it and fills it in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Their roles today.
    #[cfg_attr(feature = "openapi", schema(value_type = Vec<String>))]
    pub roles: Vec<Role>,
    /// The crew they are in today.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crew: Option<String>,
    /// Due today, in an order that can be driven.
    pub stops: Vec<PhoneStop>,
    /// Every trap that hangs or rests.
    pub traps: Vec<PhoneTrap>,
    /// Places of the latest plans at which a trap is still to be hung, by zone.
    pub to_hang: Vec<PhonePlace>,
    /// Traps on the books that never hung.
    pub never_hung: Vec<String>,
    /// Targets that traps hang for.
    pub targets: Vec<PhoneTarget>,
    /// Lots with something on hand.
    pub lots: Vec<PhoneLot>,
    /// Hosts near today's stops, nearest first.
    pub trees: Vec<PhoneTree>,
    /// Holds in force.
    pub holds: Vec<HoldRow>,
    /// Specimen labels that are used already.
    pub used_specimens: Vec<String>,
    /// Limits of each clock, the strictest of all targets.
    pub limits: BTreeMap<String, PhoneLimit>,
    /// Worth knowing.
    pub notes: Notes,
}

/// Puts a person's day together.
///
/// # Errors
/// A programme that can't be read.
pub fn day(programme: &Programme, person: &str, now: Now) -> Result<Day, ChainError> {
    let board = Board::read(programme, now.today)?;
    let mut notes = Notes::new();
    let ground = Ground::read(programme)?;
    let crew = crews(programme, now.today)?
        .into_iter()
        .find(|c| c.people.iter().any(|p| p == person))
        .map(|c| c.crew);
    let planned = Planned::read(programme, now.today, crew.as_deref())?;
    let stops = stops(programme, &board, &ground, &planned, &mut notes)?;
    let to_hang = to_hang(programme, &board, &ground, &mut notes)?;
    let traps = traps(programme, &board)?;
    let known: HashSet<&str> = traps.iter().map(|t| t.trap.as_str()).collect();
    let mut never_hung = programme.stored()?;
    never_hung.retain(|trap| !known.contains(trap.as_str()));
    let at: Vec<Position> = stops
        .iter()
        .map(|s| Position {
            lat: s.trap.lat,
            lon: s.trap.lon,
        })
        .collect();
    Ok(Day {
        made_at: now.at,
        today: now.today,
        programme: PhoneProgramme {
            id: programme.id()?,
            name: programme.name()?,
        },
        person: person.to_owned(),
        name: None,
        roles: programme.roles(person, now.today)?,
        crew,
        stops,
        traps,
        to_hang,
        never_hung,
        targets: targets(programme, &board),
        lots: lots(programme, now.today)?,
        trees: trees_near(programme.hosts()?, &at),
        holds: board.holds_in_force(),
        used_specimens: used_specimens(programme)?,
        limits: limits(&board),
        notes,
    })
}

fn phone_trap(trap: &Hanging, zone: Option<String>) -> PhoneTrap {
    let p = &trap.placement;
    PhoneTrap {
        lat: p.position.lat,
        lon: p.position.lon,
        trap: p.trap.clone(),
        place: p.place.clone(),
        zone,
        targets: p.targets.clone(),
        state: "hanging".into(),
        hung: Some(p.hung),
        lure_lot: trap.lure_lot.clone(),
    }
}

/// What the adopted rounds say about a day, seen from one crew.
struct Planned {
    /// The crew's own stops that are still to be made: place in its order, and when, by trap.
    own: HashMap<String, (usize, PhonePlanned)>,
    /// Stops of other crews.
    others: HashSet<String>,
}

impl Planned {
    fn read(programme: &Programme, today: Date, crew: Option<&str>) -> Result<Planned, ChainError> {
        let mut planned = Planned {
            own: HashMap::new(),
            others: HashSet::new(),
        };
        for round in rounds::adopted(programme, today, today)?.rounds {
            let open = round.stops.into_iter().filter(|s| !s.done);
            if Some(round.crew.as_str()) == crew {
                let when = |stop: &rounds::PlannedStopView| PhonePlanned {
                    sheet: round.sheet.clone(),
                    arrive: stop.arrive.strftime("%H:%M").to_string(),
                    leave: stop.leave.strftime("%H:%M").to_string(),
                };
                planned.own.extend(
                    open.enumerate()
                        .map(|(n, stop)| (stop.trap.clone(), (n, when(&stop)))),
                );
            } else {
                planned.others.extend(open.map(|stop| stop.trap));
            }
        }
        Ok(planned)
    }

    /// The crew's own first, in their order; then what is due and in nobody's round; then what others do.
    fn rank(&self, trap: &str) -> (u8, usize) {
        match self.own.get(trap) {
            Some((n, _)) => (0, *n),
            None if self.others.contains(trap) => (2, 0),
            None => (1, 0),
        }
    }

    fn words(&self) -> Option<String> {
        (!self.own.is_empty()).then(|| {
            format!(
                "the first {} stops are the round of your crew, in its order; what else is due follows",
                self.own.len()
            )
        })
    }
}

fn stops(
    programme: &Programme,
    board: &Board,
    ground: &Ground,
    planned: &Planned,
    notes: &mut Notes,
) -> Result<Vec<PhoneStop>, ChainError> {
    let mut due: Vec<(crate::view::DueTrap, &Hanging)> = board
        .hanging
        .iter()
        .map(|h| (board.due(h), h))
        .filter(|(d, _)| d.level != Level::Fine || planned.own.contains_key(&d.trap))
        .collect();
    notes.extend(planned.words());
    if due.len() > MOST_STOPS {
        notes.push(format!(
            "{} traps are due; the {MOST_STOPS} that have waited longest are on this phone",
            due.len()
        ));
        let waited = |d: &crate::view::DueTrap| d.clocks.first().map_or(0, |c| c.days);
        due.sort_by(|(a, _), (b, _)| {
            let rank = |d: &crate::view::DueTrap| planned.rank(&d.trap).0;
            rank(a)
                .cmp(&rank(b))
                .then_with(|| (b.level, waited(b)).cmp(&(a.level, waited(a))))
                .then_with(|| a.trap.cmp(&b.trap))
        });
        due.truncate(MOST_STOPS);
    }
    let last = last_stops(programme, &due)?;
    let at: Vec<Position> = due.iter().map(|(_, h)| h.placement.position).collect();
    let mut order = nearest_next(&at);
    // Stable: within what is in nobody's round the nearest comes next.
    order.sort_by_key(|&i| planned.rank(&due[i].0.trap));
    let access: HashMap<String, Access> = programme
        .access()?
        .into_iter()
        .map(|a| (a.label.clone(), a))
        .collect();
    let mut stops = Vec::with_capacity(due.len());
    for (n, i) in order.into_iter().enumerate() {
        let (told, trap) = &due[i];
        let there = access.get(&trap.placement.place);
        let mut cautions: Vec<String> = there.map(|a| a.cautions.clone()).unwrap_or_default();
        cautions.extend(ground.cautions(at[i]));
        stops.push(PhoneStop {
            trap: phone_trap(trap, told.zone.clone()),
            order: n + 1,
            level: told.level,
            clocks: told.clocks.clone(),
            cautions,
            directions: there.and_then(|a| a.directions.clone()),
            needs: there
                .map(|a| a.needs.iter().map(|need| need.word().to_owned()).collect())
                .unwrap_or_default(),
            planned: planned.own.get(&told.trap).map(|(_, when)| when.clone()),
            last: last.get(&told.trap).cloned(),
            held_by: told.held_by.clone(),
        });
    }
    Ok(stops)
}

/// The land, to be asked what to mind on it.
pub(crate) struct Ground {
    land: Vec<Land>,
    index: AreaIndex,
}

impl Ground {
    pub(crate) fn read(programme: &Programme) -> Result<Ground, ChainError> {
        let land = programme.land()?;
        Ok(Ground {
            index: AreaIndex::new(land.iter().map(|l| &l.area)),
            land,
        })
    }

    pub(crate) fn cautions(&self, at: Position) -> Vec<String> {
        let reason = |i: usize| {
            let l: &Land = &self.land[i];
            l.reason.as_ref().map(|why| format!("{}: {why}", l.label))
        };
        self.index.all_at(at).into_iter().filter_map(reason).collect()
    }
}

/// Places of the latest plan of each target, with the targets for which no trap hangs there.
pub(crate) fn open_places(programme: &Programme, board: &Board) -> Result<Vec<PhonePlace>, ChainError> {
    let mut plans: BTreeMap<String, Vec<Place>> = BTreeMap::new();
    for plan in programme.plans()? {
        // The newest comes last, and takes the place of the ones before.
        plans.insert(plan.value.target, plan.value.places);
    }
    let hangs: HashSet<(&str, &str)> = board
        .hanging
        .iter()
        .flat_map(|h| {
            let p = &h.placement;
            p.targets.iter().map(|t| (p.place.as_str(), t.as_str()))
        })
        .collect();
    // A place may have been ruled out since the plan was adopted.
    let ruled_out: HashSet<String> = programme
        .places()?
        .into_iter()
        .filter(|p| p.forbidden)
        .map(|p| p.label)
        .collect();
    let mut open: BTreeMap<String, PhonePlace> = BTreeMap::new();
    for (target, places) in plans {
        for place in places {
            if hangs.contains(&(place.label.as_str(), target.as_str())) || ruled_out.contains(&place.label) {
                continue;
            }
            let at = open.entry(place.label.clone()).or_insert_with(|| PhonePlace {
                lat: place.position.lat,
                lon: place.position.lon,
                zone: board.zone(place.position),
                place: place.label,
                targets: Vec::new(),
                cost: Some(place.cost),
                cautions: Vec::new(),
            });
            at.targets.push(target.clone());
        }
    }
    Ok(open.into_values().collect())
}

fn to_hang(
    programme: &Programme,
    board: &Board,
    ground: &Ground,
    notes: &mut Notes,
) -> Result<Vec<PhonePlace>, ChainError> {
    let mut open = open_places(programme, board)?;
    // Places outside all zones come last.
    open.sort_by(|a, b| (a.zone.is_none(), &a.zone, &a.place).cmp(&(b.zone.is_none(), &b.zone, &b.place)));
    if open.len() > MOST_TO_HANG {
        notes.push(format!(
            "traps are to be hung at {} places; {MOST_TO_HANG} of them are on this phone, by zone",
            open.len()
        ));
        open.truncate(MOST_TO_HANG);
    }
    let mut sorted = Vec::with_capacity(open.len());
    for zone in open.chunk_by(|a, b| a.zone == b.zone) {
        let at: Vec<Position> = zone
            .iter()
            .map(|p| Position {
                lat: p.lat,
                lon: p.lon,
            })
            .collect();
        sorted.extend(nearest_next(&at).into_iter().map(|i| PhonePlace {
            cautions: ground.cautions(at[i]),
            ..zone[i].clone()
        }));
    }
    Ok(sorted)
}

fn last_stops(
    programme: &Programme,
    due: &[(crate::view::DueTrap, &Hanging)],
) -> Result<HashMap<String, LastStop>, ChainError> {
    let mut last: HashMap<&str, (Uuid, VisitMade)> = HashMap::new();
    let wanted: HashMap<&str, Option<Date>> =
        due.iter().map(|(d, _)| (d.trap.as_str(), d.last_stop)).collect();
    for stop in programme.stops()? {
        // By day: a later one takes the place of an earlier one.
        if let Some((trap, _)) = wanted.get_key_value(stop.value.trap.as_str()) {
            last.insert(trap, (stop.entry, stop.value));
        }
    }
    let mut told = HashMap::new();
    for (trap, (entry, visit)) in last {
        let by = match &visit.crew {
            Some(crew) => crew.clone(),
            None => programme.entry(entry)?.map(|e| e.person).unwrap_or_default(),
        };
        let simple = visit.to_visit();
        let mut words = vec![word(&simple.found).replace('-', " ")];
        words.push(match simple.suspects {
            None => "not looked at".into(),
            Some(0) => "looked, none".into(),
            Some(n) => format!("{n} suspects"),
        });
        words.extend(simple.exception);
        told.insert(
            trap.to_owned(),
            LastStop {
                on: visit.date,
                by,
                words: words.join(", "),
            },
        );
    }
    Ok(told)
}

/// Those that hang, and those that were taken down and may be hung again, with where they hung last.
fn traps(programme: &Programme, board: &Board) -> Result<Vec<PhoneTrap>, ChainError> {
    let mut all: Vec<PhoneTrap> = board
        .hanging
        .iter()
        .map(|h| phone_trap(h, board.zone(h.placement.position)))
        .collect();
    let resting = programme.stored()?;
    if resting.is_empty() {
        return Ok(all);
    }
    let mut before: HashMap<String, earlywood_model::record::Placement> = HashMap::new();
    for p in programme.placements()? {
        before.insert(p.trap.clone(), p);
    }
    all.extend(
        resting
            .iter()
            .filter_map(|trap| before.get(trap))
            .map(|p| PhoneTrap {
                lat: p.position.lat,
                lon: p.position.lon,
                trap: p.trap.clone(),
                place: p.place.clone(),
                zone: board.zone(p.position),
                targets: p.targets.clone(),
                state: "stored".into(),
                hung: None,
                lure_lot: None,
            }),
    );
    Ok(all)
}

fn targets(programme: &Programme, board: &Board) -> Vec<PhoneTarget> {
    let known = board
        .limits()
        .keys()
        .filter_map(|id| crate::target(programme, id).ok());
    known
        .map(|p| PhoneTarget {
            id: p.id,
            common_name: p.common_name,
            scientific_name: p.scientific_name,
            caution: p.caution,
        })
        .collect()
}

fn lots(programme: &Programme, today: Date) -> Result<Vec<PhoneLot>, ChainError> {
    let lots = stores::stores(programme, today)?;
    Ok(lots
        .into_iter()
        .filter(|l| l.on_hand > 0)
        .map(|l| PhoneLot {
            lot: l.lot,
            item: l.item,
            on_hand: l.on_hand,
            expires: l.expires,
        })
        .collect())
}

fn limits(board: &Board) -> BTreeMap<String, PhoneLimit> {
    let strictest = |clock: Clock| {
        let all = board.limits().values().filter_map(|l| l.of(clock));
        all.reduce(|a, b| Limit {
            warn_days: a.warn_days.min(b.warn_days),
            fail_days: a.fail_days.min(b.fail_days),
        })
    };
    Clock::ALL
        .into_iter()
        .filter_map(|clock| {
            let limit = strictest(clock)?;
            let told = PhoneLimit {
                warn_days: limit.warn_days,
                fail_days: limit.fail_days,
            };
            Some((word(&clock), told))
        })
        .collect()
}

/// Labels that end in a number, as those of a printed roll do, the newest first: a doubled one is caught off the network.
fn used_specimens(programme: &Programme) -> Result<Vec<String>, ChainError> {
    let printed = |label: &String| label.ends_with(|c: char| c.is_ascii_digit());
    let labels = programme.specimens_taken()?.into_iter().rev();
    Ok(labels
        .map(|t| t.value.specimen)
        .filter(printed)
        .take(MOST_LABELS)
        .collect())
}

/// Metres in a degree of latitude, about: which of two trees is nearer needs no better.
const METRES_A_DEGREE: f64 = 111_200.0;

fn trees_near(hosts: Vec<Host>, stops: &[Position]) -> Vec<PhoneTree> {
    let Some(first) = stops.first() else {
        return Vec::new();
    };
    let squeeze = first.lat.to_radians().cos();
    let plane = |p: Position| [p.lon * squeeze * METRES_A_DEGREE, p.lat * METRES_A_DEGREE];
    let tree = rstar::RTree::bulk_load(stops.iter().map(|p| plane(*p)).collect::<Vec<[f64; 2]>>());
    let mut near: Vec<(f64, Host)> = hosts
        .into_iter()
        .filter_map(|host| {
            let at = plane(host.position);
            let stop = tree.nearest_neighbor(&at)?;
            let d = (stop[0] - at[0]).hypot(stop[1] - at[1]);
            (d <= NEAR_M).then_some((d, host))
        })
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.label.cmp(&b.1.label)));
    near.truncate(MOST_TREES);
    near.into_iter()
        .map(|(_, h)| PhoneTree {
            lat: h.position.lat,
            lon: h.position.lon,
            label: h.label,
            species: h.species,
        })
        .collect()
}
