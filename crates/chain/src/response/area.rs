//! The regulated area, drawn from the finds by the protocol's rule.
//!
//! From the programme come parcels (`land`, whatever its rule: a label and a polygon), named lines (`roads` that have a name)
//! and units (`zones`). What comes out is a proposal: the next version, with what is in it and what it adds to the version that
//! holds. A person with standing adopts it by recording [`Proposal::entry`]; the law of the place decides.
//!
//! Each version holds the one before it: a regulated area shrinks by being lifted, never by being drawn anew.

use std::collections::{BTreeMap, HashSet};

use earlywood_geodata::AreaIndex;
use earlywood_geodata::area::{area_m2, beyond_m2};
use earlywood_geodata::boundary::{
    self, BoundaryError, Drawn, Find, Inputs, Labelled, NamedLine, within_of_finds,
};
use earlywood_journal::body::{AreaDrawn, MultiPolygon};
use earlywood_journal::{Programme, Response};
use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{Area, Host, Land, Position, Road, Zone};
use earlywood_model::regulated::AreaRule;
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::case::Case;
use super::trigger;
use crate::Notes;
use crate::error::ChainError;

/// What lies in an area.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Within {
    /// Ground, km2.
    pub km2: f64,
    /// Hosts of the target.
    pub hosts: usize,
    /// Hosts by species, as the inventory names them.
    pub species: BTreeMap<String, usize>,
    /// Parcels (land with a label) that share ground with it: their middle or, a little inward, a corner lies in it.
    pub parcels: usize,
    /// Traps that hang in it.
    pub traps: usize,
}

/// What a version adds to the one that holds.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Added {
    /// The version it is held against; absent where there is none.
    pub to_version: Option<u32>,
    /// Ground, km2.
    pub km2: f64,
    /// Hosts of the target.
    pub hosts: usize,
    /// Parcels, by label.
    pub parcels: Vec<String>,
    /// Finds that the version before did not know.
    pub finds: Vec<String>,
}

/// The next version of a regulated area, proposed.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// Its number: one more than the newest.
    pub version: u32,
    /// Its rings, the innermost first; the last is the area.
    pub rings: Vec<Drawn>,
    /// What lies in it.
    pub within: Within,
    /// What it adds.
    pub added: Added,
    /// Why this ground, in words.
    pub reason: String,
    /// The rule, as JSON.
    pub rule: Value,
    /// Where no trap may hang, if the rule says so.
    pub do_not_bait: Option<DoNotBait>,
    /// Worth knowing.
    pub notes: Notes,
}

/// The ground near finds where no lure may draw the pest.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DoNotBait {
    /// Distance from a find, metres.
    pub radius_m: f64,
    /// Traps that hang there, baited for the target: to be taken down.
    pub traps: Vec<Near>,
    /// Candidate places there: none of them is to be used.
    pub places: Vec<Near>,
}

/// Something near a find.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Near {
    /// Its label.
    pub label: String,
    /// Distance to the nearest find, metres.
    pub distance_m: f64,
}

/// The programme's own map, as a boundary sees it.
struct Map {
    land: Vec<Land>,
    roads: Vec<Road>,
    zones: Vec<Zone>,
}

impl Map {
    fn of(programme: &Programme) -> Result<Map, ChainError> {
        let roads = programme.roads()?;
        Ok(Map {
            land: programme.land()?,
            roads: roads.into_iter().filter(|road| road.name.is_some()).collect(),
            zones: programme.zones()?,
        })
    }

    fn draw(
        &self,
        rule: &AreaRule,
        finds: &[Find],
        held: &[(String, Area)],
    ) -> Result<Vec<Drawn>, BoundaryError> {
        let parcels: Vec<Labelled<'_>> = self
            .land
            .iter()
            .map(|land| Labelled {
                label: &land.label,
                area: &land.area,
            })
            .collect();
        let units: Vec<Labelled<'_>> = self
            .zones
            .iter()
            .map(|zone| Labelled {
                label: &zone.label,
                area: &zone.area,
            })
            .collect();
        let lines: Vec<NamedLine<'_>> = self
            .roads
            .iter()
            .filter_map(|road| {
                Some(NamedLine {
                    name: road.name.as_deref()?,
                    line: &road.line,
                })
            })
            .collect();
        let held: Vec<Labelled<'_>> = held
            .iter()
            .map(|(label, area)| Labelled { label, area })
            .collect();
        boundary::draw(&Inputs {
            rule,
            finds,
            parcels: &parcels,
            lines: &lines,
            units: &units,
            held: &held,
        })
    }
}

/// Proposes the next version of the regulated area.
///
/// `finds` are confirmed finds with a position, the oldest first; `epicentre` says which of them set the area off by
/// themselves. `before` is what was done so far: the newest version that is not over is held.
///
/// # Errors
/// No find, or one that can't be drawn round; land, zones or roads that can't be used; a programme that can't be read.
pub fn propose(
    programme: &Programme,
    rule: &AreaRule,
    profile: &TargetProfile,
    finds: &[Find],
    before: Option<&Response>,
    on: Date,
) -> Result<Proposal, ChainError> {
    let map = Map::of(programme)?;
    let newest = before
        .and_then(|response| response.areas.last())
        .map(|noted| &noted.value);
    let holding = before
        .and_then(|response| response.newest_area(on))
        .map(|noted| &noted.value);
    let held = holding.map(|area| held_rings(area, rule)).unwrap_or_default();
    let rings = map
        .draw(rule, finds, &held)
        .map_err(|e| ChainError::asked("area", e.to_string()))?;
    let Some(outer) = rings.last() else {
        return Err(ChainError::asked("area", "the rule has no ring"));
    };
    let hosts: Vec<Host> = programme
        .hosts()?
        .into_iter()
        .filter(|host| profile.host_weight(&host.species) > 0.0)
        .collect();
    let old = holding.map(|area| Area(area.geometry.coordinates.clone()));
    let within = within(programme, &map, &hosts, &outer.area)?;
    let added = added(&map, &hosts, outer, holding, old.as_ref());
    let at: Vec<Position> = finds.iter().map(|find| find.at).collect();
    let do_not_bait = match &rule.do_not_bait_m {
        Some(radius) => Some(near_finds(programme, &profile.id, &at, radius.central(), on)?),
        None => None,
    };
    let version = newest.map_or(0, |area| area.version) + 1;
    let reason = reason(version, outer, &added);
    let notes = notes(&map, rule, outer);
    Ok(Proposal {
        version,
        within,
        added,
        reason,
        rule: serde_json::to_value(rule).unwrap_or_default(),
        do_not_bait,
        notes,
        rings,
    })
}

/// The rings of the version that holds, by id: those it wrote down, else its ground as the outermost ring.
fn held_rings(area: &AreaDrawn, rule: &AreaRule) -> Vec<(String, Area)> {
    let written = area
        .settings
        .get("rings")
        .and_then(Value::as_array)
        .into_iter()
        .flatten();
    let mut rings: Vec<(String, Area)> = written
        .filter_map(|ring| {
            let id = ring.get("ring")?.as_str()?.to_owned();
            let area = serde_json::from_value(ring.get("area")?.clone()).ok()?;
            Some((id, area))
        })
        .collect();
    if let Some(last) = rule.rings.last() {
        rings.retain(|(id, _)| *id != last.id);
        rings.push((last.id.clone(), Area(area.geometry.coordinates.clone())));
    }
    rings
}

fn within(programme: &Programme, map: &Map, hosts: &[Host], area: &Area) -> Result<Within, ChainError> {
    let index = AreaIndex::new([area]);
    let mut species = BTreeMap::new();
    let mut count = 0;
    for host in hosts.iter().filter(|host| index.contains(host.position)) {
        *species.entry(host.species.clone()).or_insert(0) += 1;
        count += 1;
    }
    let hanging = programme.hanging()?;
    Ok(Within {
        km2: area_m2(area) / 1e6,
        hosts: count,
        species,
        parcels: map.land.iter().filter(|land| shares_ground(&index, land)).count(),
        traps: hanging
            .iter()
            .filter(|h| index.contains(h.placement.position))
            .count(),
    })
}

/// How far toward a parcel's middle its corners are looked at: a boundary along parcels passes through the corners of the
/// neighbours too. Design choice: 3 cm of a parcel of 30 m.
const INWARD: f64 = 1e-3;

/// Whether a parcel shares ground with the area: its middle or, a little inward, a corner lies in it.
fn shares_ground(index: &AreaIndex, land: &Land) -> bool {
    let Some(middle) = earlywood_geodata::area::centroid(&land.area) else {
        return false;
    };
    let inward = |&[lon, lat]: &[f64; 2]| Position {
        lat: lat + INWARD * (middle.lat - lat),
        lon: lon + INWARD * (middle.lon - lon),
    };
    let mut corners = land.area.0.iter().flatten().flatten().map(inward);
    index.contains(middle) || corners.any(|p| index.contains(p))
}

fn added(map: &Map, hosts: &[Host], outer: &Drawn, holding: Option<&AreaDrawn>, old: Option<&Area>) -> Added {
    let (new, old_index) = (AreaIndex::new([&outer.area]), AreaIndex::new(old));
    let known: HashSet<&str> = holding
        .iter()
        .flat_map(|area| &area.finds)
        .map(String::as_str)
        .collect();
    let fresh = |land: &&Land| shares_ground(&new, land) && !shares_ground(&old_index, land);
    Added {
        to_version: holding.map(|area| area.version),
        km2: outer.km2 - old.map_or(0.0, |area| area_m2(area) / 1e6),
        hosts: hosts
            .iter()
            .filter(|host| new.contains(host.position) && !old_index.contains(host.position))
            .count(),
        parcels: map
            .land
            .iter()
            .filter(fresh)
            .map(|land| land.label.clone())
            .collect(),
        finds: outer
            .finds
            .iter()
            .filter(|id| !known.contains(id.as_str()))
            .cloned()
            .collect(),
    }
}

fn reason(version: u32, outer: &Drawn, added: &Added) -> String {
    let finds = match outer.finds.as_slice() {
        [one] => format!("confirmed find {one}"),
        many => format!("{} confirmed finds", many.len()),
    };
    match added.to_version {
        None => format!("Version {version}: drawn round {finds} by the protocol's rule."),
        Some(old) => format!(
            "Version {version}: drawn round {finds}, {} of them new since version {old}, by the protocol's rule; it holds version \
             {old} and adds {:.2} km2, {} hosts and {} parcels.",
            added.finds.len(),
            added.km2,
            added.hosts,
            added.parcels.len()
        ),
    }
}

fn notes(map: &Map, rule: &AreaRule, outer: &Drawn) -> Notes {
    let mut notes = outer.notes.clone();
    let asks = |word: &str| rule.snap.iter().any(|snap| snap.word() == word);
    if asks("parcels") && map.land.is_empty() {
        notes.push("The rule keeps parcels whole, but no land is loaded: none was.".into());
    }
    if asks("lines") && map.roads.is_empty() {
        notes.push(
            "The rule follows named lines, but no road with a name is loaded: none was followed.".into(),
        );
    }
    notes
}

/// Traps of a target and candidate places within `radius_m` of finds, the nearest first.
///
/// # Errors
/// A programme that can't be read.
pub fn near_finds(
    programme: &Programme,
    target: &str,
    finds: &[Position],
    radius_m: f64,
    on: Date,
) -> Result<DoNotBait, ChainError> {
    let standing: Vec<(String, Position)> = programme
        .placements()?
        .into_iter()
        .filter(|p| p.hung <= on && p.taken_down.is_none_or(|down| down > on))
        .filter(|p| p.targets.iter().any(|baited| baited == target))
        .map(|p| (p.trap, p.position))
        .collect();
    let candidates: Vec<(String, Position)> = programme
        .places()?
        .into_iter()
        .filter(|place| !place.forbidden)
        .map(|place| (place.label, place.position))
        .collect();
    Ok(DoNotBait {
        radius_m,
        traps: nearest_first(finds, radius_m, &standing),
        places: nearest_first(finds, radius_m, &candidates),
    })
}

fn nearest_first(finds: &[Position], radius_m: f64, all: &[(String, Position)]) -> Vec<Near> {
    let at: Vec<Position> = all.iter().map(|(_, at)| *at).collect();
    let mut near: Vec<Near> = within_of_finds(finds, radius_m, &at)
        .into_iter()
        .map(|(i, distance_m)| Near {
            label: all[i].0.clone(),
            distance_m,
        })
        .collect();
    near.sort_by(|a, b| {
        a.distance_m
            .total_cmp(&b.distance_m)
            .then_with(|| a.label.cmp(&b.label))
    });
    near
}

/// Proposes the next version for a case, by its protocol's rule.
///
/// # Errors
/// No protocol, or one without an area; as [`propose`].
pub fn of_case(programme: &Programme, case: &Case) -> Result<Proposal, ChainError> {
    let rule = case.protocol()?.area.as_ref().ok_or_else(|| {
        ChainError::asked(
            "area",
            format!(
                "the protocol of {} has no [area]: add it and adopt it again, or draw the ground elsewhere and give it as GeoJSON",
                case.profile.id
            ),
        )
    })?;
    let epicentres = trigger::propose(programme, case)?.epicentres;
    let finds: Vec<Find> = case
        .finds
        .iter()
        .filter_map(|f| {
            Some(Find {
                id: f.label.clone(),
                at: f.position?,
                epicentre: epicentres.contains(&f.label),
                signs: Some(f.count),
            })
        })
        .collect();
    propose(
        programme,
        rule,
        &case.profile,
        &finds,
        case.response.as_ref(),
        case.on,
    )
}

/// By whose order ground is regulated, why, and when.
#[derive(Debug, Clone)]
pub struct Order {
    /// First day.
    pub from: Date,
    /// Last day, where one is set.
    pub to: Option<Date>,
    /// An office and its paper, never a person's name.
    pub authority: String,
    /// Why this ground.
    pub reason: String,
}

/// The entry that adopts ground drawn elsewhere: every polygon of some GeoJSON. Without words for its boundary, so many
/// polygons of so many corners.
///
/// # Errors
/// No GeoJSON of polygons; ground that can't be, that holds none of the finds, or that leaves out ground of the version before.
pub fn drawn_elsewhere(
    case: &Case,
    geojson: &Value,
    text: Option<String>,
    order: Order,
) -> Result<AreaDrawn, ChainError> {
    let mut polygons = Vec::new();
    gather(geojson, &mut polygons)?;
    if polygons.is_empty() {
        return Err(ChainError::asked("geometry", "there is no polygon in it"));
    }
    let area = Area(polygons);
    if let Some(why) = earlywood_geodata::area::unsound(&area) {
        return Err(ChainError::asked("geometry", why));
    }
    check_place(case, &area)?;
    let text = text.unwrap_or_else(|| {
        let corners: usize = area
            .0
            .iter()
            .flatten()
            .map(|ring| ring.len().saturating_sub(1))
            .sum();
        format!(
            "{} polygons with {corners} corners, as drawn in a file",
            area.0.len()
        )
    });
    let version = case.response.as_ref().map_or(0, |r| r.areas.len()) + 1;
    Ok(AreaDrawn {
        find: case.find.clone(),
        version: u32::try_from(version).unwrap_or(u32::MAX),
        finds: case.finds.iter().map(|f| f.label.clone()).collect(),
        km2: area_m2(&area) / 1e6,
        geometry: MultiPolygon::new(area.0),
        text,
        steps: Vec::new(),
        from: order.from,
        to: order.to,
        authority: order.authority,
        reason: order.reason,
        settings: json!({"from_file": true}),
    })
}

/// Share of the version before that a drawing may leave out: another program rounds corners. Design choice.
const ROUNDED_OFF: f64 = 1e-3;

/// Refuses ground away from the finds, and ground that gives up some of what is regulated.
fn check_place(case: &Case, area: &Area) -> Result<(), ChainError> {
    let index = AreaIndex::new([area]);
    let mut at = case.finds.iter().filter_map(|f| f.position).peekable();
    if at.peek().is_some() && !at.any(|p| index.contains(p)) {
        let words = "none of the finds lies in this ground; GeoJSON writes longitude before latitude";
        return Err(ChainError::asked("geometry", words));
    }
    let before = case.response.as_ref().and_then(|r| r.newest_area(case.on));
    let Some(before) = before.map(|noted| &noted.value) else {
        return Ok(());
    };
    let old = Area(before.geometry.coordinates.clone());
    let lost = beyond_m2(&old, area);
    if lost > ROUNDED_OFF * area_m2(&old) {
        return Err(ChainError::asked(
            "geometry",
            format!(
                "it leaves out {:.2} km2 of version {}: a regulated area shrinks by being lifted, not by being drawn anew; lift \
                 that version first",
                lost / 1e6,
                before.version
            ),
        ));
    }
    Ok(())
}

/// Rings of longitude and latitude.
type Rings = Vec<Vec<[f64; 2]>>;
/// Rings of positions, as GeoJSON writes a polygon: an altitude may follow (RFC 7946 section 3.1.1).
type Written = Vec<Vec<Vec<f64>>>;

/// Without altitudes.
fn level(rings: Written) -> Result<Rings, ChainError> {
    let place = |at: Vec<f64>| match *at.as_slice() {
        [lon, lat] | [lon, lat, _] => Ok([lon, lat]),
        _ => Err(ChainError::asked(
            "geometry",
            format!(
                "a position has {} numbers; it needs longitude and latitude",
                at.len()
            ),
        )),
    };
    rings
        .into_iter()
        .map(|ring| ring.into_iter().map(place).collect())
        .collect()
}

fn gather(value: &Value, polygons: &mut Vec<Rings>) -> Result<(), ChainError> {
    let wrong = |words: String| ChainError::asked("geometry", words);
    let coordinates = || value.get("coordinates").cloned().unwrap_or(Value::Null);
    let unreadable = |what: &str, e: serde_json::Error| wrong(format!("a {what}'s coordinates: {e}"));
    match value.get("type").and_then(Value::as_str) {
        Some("FeatureCollection") => {
            let features = value.get("features").and_then(Value::as_array);
            for feature in features.into_iter().flatten() {
                gather(feature, polygons)?;
            }
        }
        Some("Feature") => gather(value.get("geometry").unwrap_or(&Value::Null), polygons)?,
        Some(what @ "Polygon") => {
            let one: Written = serde_json::from_value(coordinates()).map_err(|e| unreadable(what, e))?;
            polygons.push(level(one)?);
        }
        Some(what @ "MultiPolygon") => {
            let many: Vec<Written> =
                serde_json::from_value(coordinates()).map_err(|e| unreadable(what, e))?;
            for one in many {
                polygons.push(level(one)?);
            }
        }
        Some(other) => return Err(wrong(format!("a {other} is no ground; give polygons"))),
        None => return Err(wrong("this is no GeoJSON: it has no \"type\"".into())),
    }
    Ok(())
}

impl Proposal {
    /// The area itself: its outermost ring.
    pub fn area(&self) -> Option<&Drawn> {
        self.rings.last()
    }

    /// The boundary of every ring in words.
    pub fn text(&self) -> String {
        self.rings.iter().map(Drawn::text).collect::<Vec<_>>().join("\n")
    }

    /// The steps by which the outermost ring came to be, in words.
    pub fn steps(&self) -> Vec<String> {
        let steps = self.area().map(|area| area.steps.as_slice()).unwrap_or_default();
        steps
            .iter()
            .map(|s| format!("{}: {:.2} km2 added", s.words, s.added_km2))
            .collect()
    }

    /// GeoJSON of every ring, the widest first.
    pub fn geojson(&self) -> Value {
        boundary::feature_collection(&self.rings)
    }

    /// The entry by which a person adopts it. `reason` left out: the proposal's own.
    ///
    /// `authority` is an office and its paper, never a person's name.
    pub fn entry(
        &self,
        find: &str,
        from: Date,
        to: Option<Date>,
        authority: &str,
        reason: Option<&str>,
    ) -> Option<AreaDrawn> {
        let outer = self.area()?;
        let rings: Vec<Value> = self
            .rings
            .iter()
            .map(|ring| {
                let mut told = json!({"ring": ring.ring, "words": ring.words, "km2": ring.km2});
                // The outermost is the entry's own geometry.
                if ring.ring != outer.ring {
                    told["area"] = json!(ring.area);
                }
                told
            })
            .collect();
        Some(AreaDrawn {
            find: find.to_owned(),
            version: self.version,
            finds: outer.finds.clone(),
            geometry: MultiPolygon::new(outer.area.0.clone()),
            km2: outer.km2,
            text: self.text(),
            steps: self.steps(),
            from,
            to,
            authority: authority.to_owned(),
            reason: reason.unwrap_or(&self.reason).to_owned(),
            settings: json!({"rule": self.rule, "rings": rings, "within": self.within, "added": self.added}),
        })
    }
}
