//! The invented crews' working days, and how their places are got to.
//!
//! Drawn from streams of their own, one a place: another place more or less changes nothing for the others.

use std::path::Path;

use anyhow::Result;
use earlywood_model::record::{Access, LandRule, Place, Position, Road, RoadClass, Shift, Skill, Weekday};
use jiff::civil::{Date, Time, date, time};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use serde::Serialize;

use super::district::{District, SEASON_YEAR};
use super::files::write_csv;
use super::plane::{Plane, Xy, inside, xy};

/// The crews' days. `roads` are those of the district: both yards lie at a corner of a main road.
pub(super) fn crews(roads: &[Road], plane: &Plane) -> Vec<Shift> {
    let at = |road: &str, near: Xy| {
        let corners = roads
            .iter()
            .filter(|r| r.name.as_deref() == Some(road))
            .flat_map(|r| &r.line)
            .map(|&[lon, lat]| Position { lat, lon });
        corners
            .min_by(|a, b| {
                let d = |p: &Position| plane.point(*p).distance_m(near);
                d(a).total_cmp(&d(b))
            })
            .unwrap_or_else(|| plane.position(near))
    };
    let (west, east) = (
        at("Tarrow Road", xy(-1105.0, 480.0)),
        at("Market Road", xy(500.0, 700.0)),
    );
    let crew = |label: &str, depot, (starts, ends), skills: &[Skill]| Shift {
        label: label.into(),
        depot,
        end: None,
        starts,
        ends,
        break_minutes: 30,
        break_from: Some(time(11, 30, 0, 0)),
        break_to: Some(time(13, 0, 0, 0)),
        days: Weekday::ALL[..5].to_vec(),
        from: None,
        to: None,
        skills: skills.to_vec(),
    };
    let (early, usual) = (
        (time(7, 0, 0, 0), time(15, 30, 0, 0)),
        (time(7, 30, 0, 0), time(16, 0, 0, 0)),
    );
    vec![
        crew("crew-1", west, usual, &[Skill::Pole, Skill::Ladder]),
        crew("crew-2", east, usual, &[Skill::Pole]),
        crew("crew-3", east, early, &[Skill::Pole, Skill::Ladder]),
    ]
}

/// How the places of a plan are got to, what is to be minded there, and what a stop needs.
pub(crate) fn access(places: &[Place], district: &District, seed: u64) -> Vec<Access> {
    places.iter().map(|p| at_place(p, district, seed)).collect()
}

fn at_place(place: &Place, district: &District, seed: u64) -> Access {
    let own = place.label.bytes().fold(seed ^ 0xACCE_5500, |h, b| {
        h.wrapping_mul(0x0100_0000_01b3) ^ u64::from(b)
    });
    let mut rng = ChaCha8Rng::seed_from_u64(own);
    let at = district.plane.point(place.position);
    let road = nearest_road(district, at);
    let mut access = Access {
        label: place.label.clone(),
        ..Access::default()
    };
    // Canopy traps hang from a pole more often than from the hand.
    if rng.random::<f64>() < 0.3 {
        access.needs.push(Skill::Pole);
    } else if rng.random::<f64>() < 0.08 {
        access.needs.push(Skill::Ladder);
    }
    let mut caution = |share: f64, words: &str| {
        if rng.random::<f64>() < share {
            access.cautions.push(words.to_owned());
        }
    };
    let ground = grounds_at(district, at);
    match &ground {
        Some(name) if name.ends_with("Wood") => {
            access.needs.push(Skill::TwoPeople);
            caution(1.0, "dead limbs: look up, stay out in wind");
            caution(0.4, "no signal behind the ridge: tell the office when you go in");
            access.permit = Some("the district's forester, yearly".into());
            access.permit_to = Some(date(SEASON_YEAR, 12, 31));
            access.directions = Some(way_in(name, road.as_ref()));
        }
        Some(name) if name.starts_with("greenway") => {
            caution(0.7, "the path floods after heavy rain");
            caution(0.3, "poison ivy on the bank");
            access.directions = Some(way_in(name, road.as_ref()));
        }
        Some(name) => {
            (access.opens, access.closes) = park_hours();
            caution(0.15, "mowing on Mondays: stay clear of the machines");
            access.directions = Some(way_in(name, road.as_ref()));
        }
        None => {
            if road.as_ref().is_some_and(|r| r.main) {
                caution(1.0, "fast traffic: park off the carriageway, work from the verge");
            }
            caution(0.1, "overhead line: no pole on the street side");
            caution(0.06, "loose dog two gates on: ring first");
            caution(0.04, "wasps in the wall");
            access.directions = road.as_ref().map(|r| format!("{}, {} side", r.name, r.side));
        }
    }
    access
}

fn park_hours() -> (Option<Time>, Option<Time>) {
    (Some(time(7, 0, 0, 0)), Some(time(20, 0, 0, 0)))
}

/// Name of the park, wood or path in which a point lies.
fn grounds_at(district: &District, at: Xy) -> Option<String> {
    let holds = |ring: &Vec<[f64; 2]>| {
        let ring: Vec<Xy> = ring
            .iter()
            .map(|&[lon, lat]| district.plane.point(Position { lat, lon }))
            .collect();
        inside(at, &ring)
    };
    let land = district.land.iter().find(|l| {
        l.rule == LandRule::Usable
            && !l.label.starts_with("street ")
            && l.area.0.iter().filter_map(|polygon| polygon.first()).any(holds)
    })?;
    Some(land.label.clone())
}

fn way_in(ground: &str, road: Option<&NearRoad>) -> String {
    match road {
        Some(r) => format!(
            "{ground}: in from {}, about {:.0} m {}",
            r.name,
            (r.distance_m / 10.0).round().max(1.0) * 10.0,
            r.side
        ),
        None => ground.to_owned(),
    }
}

/// The nearest road with a name.
struct NearRoad {
    name: String,
    main: bool,
    distance_m: f64,
    /// In which direction from the road the point lies.
    side: &'static str,
}

fn nearest_road(district: &District, at: Xy) -> Option<NearRoad> {
    let mut best: Option<(f64, Xy, &Road)> = None;
    for road in &district.roads {
        if road.name.is_none() || matches!(road.class, RoadClass::Service | RoadClass::Track) {
            continue;
        }
        let line: Vec<Xy> = road
            .line
            .iter()
            .map(|&[lon, lat]| district.plane.point(Position { lat, lon }))
            .collect();
        for pair in line.windows(2) {
            let foot = nearest_on(pair[0], pair[1], at);
            let d = foot.distance_m(at);
            if best.is_none_or(|(least, ..)| d < least) {
                best = Some((d, foot, road));
            }
        }
    }
    let (distance_m, foot, road) = best?;
    let away = xy(at.x - foot.x, at.y - foot.y);
    let side = match (away.x.abs() > away.y.abs(), away.x > 0.0, away.y > 0.0) {
        (true, true, _) => "east",
        (true, false, _) => "west",
        (false, _, true) => "north",
        (false, _, false) => "south",
    };
    Some(NearRoad {
        name: road.name.clone()?,
        main: road.class != RoadClass::Local,
        distance_m,
        side,
    })
}

fn nearest_on(a: Xy, b: Xy, p: Xy) -> Xy {
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    let t = ((p.x - a.x) * dx + (p.y - a.y) * dy) / (dx * dx + dy * dy).max(1e-9);
    let t = t.clamp(0.0, 1.0);
    xy(a.x + t * dx, a.y + t * dy)
}

#[derive(Serialize)]
struct CrewRow<'a> {
    label: &'a str,
    lat: f64,
    lon: f64,
    starts: String,
    ends: String,
    break_minutes: u32,
    break_from: String,
    break_to: String,
    days: String,
    skills: String,
}

#[derive(Serialize)]
struct AccessRow<'a> {
    label: &'a str,
    directions: Option<&'a str>,
    cautions: String,
    opens: String,
    closes: String,
    permit: Option<&'a str>,
    permit_to: Option<Date>,
    needs: String,
}

fn hm(time: Option<Time>) -> String {
    time.map(|t| t.strftime("%H:%M").to_string()).unwrap_or_default()
}

fn listed<T: Copy>(all: &[T], word: impl Fn(T) -> &'static str) -> String {
    all.iter().map(|&one| word(one)).collect::<Vec<_>>().join(";")
}

/// Writes crews' days as `crews.csv` is read.
///
/// # Errors
/// A file that can't be written; the message names it.
pub(super) fn write_crews(path: &Path, crews: &[Shift]) -> Result<()> {
    write_csv(
        path,
        crews.iter().map(|c| CrewRow {
            label: &c.label,
            lat: c.depot.lat,
            lon: c.depot.lon,
            starts: hm(Some(c.starts)),
            ends: hm(Some(c.ends)),
            break_minutes: c.break_minutes,
            break_from: hm(c.break_from),
            break_to: hm(c.break_to),
            days: listed(&c.days, Weekday::word),
            skills: listed(&c.skills, Skill::word),
        }),
    )
}

/// Writes how places are got to as `access.csv` is read.
///
/// # Errors
/// A file that can't be written; the message names it.
pub(crate) fn write_access(path: &Path, access: &[Access]) -> Result<()> {
    write_csv(
        path,
        access.iter().map(|a| AccessRow {
            label: &a.label,
            directions: a.directions.as_deref(),
            cautions: a.cautions.join(";"),
            opens: hm(a.opens),
            closes: hm(a.closes),
            permit: a.permit.as_deref(),
            permit_to: a.permit_to,
            needs: listed(&a.needs, Skill::word),
        }),
    )
}

#[cfg(test)]
mod tests {
    use super::super::district;
    use super::*;

    #[test]
    fn what_is_told_of_a_place_fits_where_it_lies() {
        let d = district::invent(7);
        let park = d.land.iter().find(|l| l.label == "Meadow Common").unwrap();
        let wood = d.land.iter().find(|l| l.label == "Kiln Wood").unwrap();
        let middle = |area: &earlywood_model::record::Area| {
            let ring = &area.0[0][0];
            let n = ring.len() as f64;
            let sum = ring.iter().fold((0.0, 0.0), |s, c| (s.0 + c[0], s.1 + c[1]));
            Position {
                lat: sum.1 / n,
                lon: sum.0 / n,
            }
        };
        let street = {
            let line = &d.roads.iter().find(|r| r.class == RoadClass::Local).unwrap().line;
            Position {
                lat: line[0][1],
                lon: line[0][0],
            }
        };
        let place = |label: &str, position| Place {
            label: label.into(),
            position,
            cost: 1.0,
            kept: false,
            forbidden: false,
        };
        let places = [
            place("A-1", middle(&park.area)),
            place("A-2", middle(&wood.area)),
            place("A-3", street),
        ];
        let access = super::access(&places, &d, 7);
        assert!(
            access[0]
                .directions
                .as_deref()
                .unwrap()
                .starts_with("Meadow Common: in from ")
        );
        assert!(access[0].opens.is_some() && access[0].permit.is_none());
        assert!(access[1].needs.contains(&Skill::TwoPeople) && access[1].permit.is_some());
        assert!(
            access[2].directions.as_deref().unwrap().ends_with(" side"),
            "{:?}",
            access[2]
        );
        // One more place changes nothing for the others.
        assert_eq!(super::access(&places[1..], &d, 7), access[1..]);
    }
}
