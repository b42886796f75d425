//! The invented district as records, and as the input files a programme would bring.

use std::fs::{self, File};
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};
use earlywood_model::record::{
    Area, Host, HostCondition, Land, LandRule, Oneway, Pathway, Position, Road, Shift, WeatherDay, Zone,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::Serialize;
use serde_json::{Value, json};

use super::files::write_csv;
use super::layout::{GroundKind, Layout, RIVER_HALF_WIDTH_M};
use super::plane::{Plane, Xy};
use super::{days, roads, weather};

/// The district's name. Invented, as everything in it.
pub(crate) const NAME: &str = "Tarrowbend";
/// The year whose season is played.
pub(crate) const SEASON_YEAR: i16 = 2025;
/// Years of weather, the season year the last of them.
pub(crate) const WEATHER_YEARS: i16 = 10;
/// Host trees.
pub(crate) const TREES: usize = 20_000;
/// The targets the demo looks for: one that flies once a year, one that flies whenever it is warm.
pub(crate) const TARGETS: [&str; 2] = ["emerald-ash-borer", "polyphagous-shot-hole-borer"];
/// What every output of the demo must say.
pub(crate) const STATEMENT: &str = "Tarrowbend does not exist. Its town, trees, streets, weather, crews, visits and the hidden \
     incursion are invented from a seed by this program to show the work from end to end. The coordinates lie near \
     40 degrees north so that day length and distances are sensible; whatever stands there in the world is not meant. \
     The target profiles are the program's own, with their sources; the figures are computed from the invented data.";

/// The middle of the district: a point at about 40 N with no meaning.
const MIDDLE: Position = Position {
    lat: 40.2,
    lon: -93.6,
};
const STATION: &str = "Tarrowbend waterworks";

/// An invented district: the records, and shapes for drawing it.
#[derive(Debug, Clone)]
pub(crate) struct District {
    /// The plane it was drawn on.
    pub(crate) plane: Plane,
    /// Host trees.
    pub(crate) hosts: Vec<Host>,
    /// Where a pest may arrive.
    pub(crate) pathways: Vec<Pathway>,
    /// Land that may and may not be used.
    pub(crate) land: Vec<Land>,
    /// The three zones.
    pub(crate) zones: Vec<Zone>,
    /// Daily weather, ten years ending with the season year.
    pub(crate) weather: Vec<WeatherDay>,
    /// Roads that may be driven; names are theirs, as parcels and boundaries know them.
    pub(crate) roads: Vec<Road>,
    /// The crews' working days.
    pub(crate) crews: Vec<Shift>,
    /// The river's middle line, for maps.
    pub(crate) river: Vec<Xy>,
    /// The river's width, metres.
    pub(crate) river_width_m: f64,
    /// Streets and bridges, for maps.
    pub(crate) streets: Vec<Vec<Xy>>,
    /// Parks, woods and greenways, for maps.
    pub(crate) greens: Vec<Vec<Xy>>,
}

/// Where the input files were written.
#[derive(Debug, Clone)]
pub(crate) struct Files {
    /// `hosts.csv`.
    pub(crate) hosts: PathBuf,
    /// `pathways.csv`.
    pub(crate) pathways: PathBuf,
    /// `land.geojson`.
    pub(crate) land: PathBuf,
    /// `zones.geojson`.
    pub(crate) zones: PathBuf,
    /// `weather.csv`.
    pub(crate) weather: PathBuf,
    /// `roads.geojson`.
    pub(crate) roads: PathBuf,
    /// `crews.csv`.
    pub(crate) crews: PathBuf,
}

/// Invents the district of a seed. The same seed gives the same district on every machine.
pub(crate) fn invent(seed: u64) -> District {
    let layout = Layout::draw(seed, TREES);
    let plane = Plane::at(MIDDLE);
    let area = |ring: &[Xy]| Area(vec![vec![closed(ring, &plane)]]);
    let roads = roads::draw(&layout, &plane, seed);
    District {
        plane,
        hosts: hosts(seed, &layout, &plane),
        pathways: pathways(&layout, &plane),
        land: land(&layout, &area),
        zones: layout
            .zones
            .iter()
            .map(|(zone, ring)| Zone {
                label: zone.label().to_owned(),
                area: area(ring),
            })
            .collect(),
        weather: weather::invent(seed, STATION, SEASON_YEAR - WEATHER_YEARS + 1, SEASON_YEAR),
        crews: days::crews(&roads, &plane),
        roads,
        river: layout.river.clone(),
        river_width_m: 2.0 * RIVER_HALF_WIDTH_M,
        streets: layout
            .streets
            .iter()
            .map(|s| s.line.clone())
            .chain(layout.bridges.clone())
            .collect(),
        greens: layout
            .grounds
            .iter()
            .filter(|g| matches!(g.kind, GroundKind::Park | GroundKind::Wood | GroundKind::Greenway))
            .map(|g| g.ring.clone())
            .collect(),
    }
}

/// A ring as GeoJSON wants it: longitude first, the first point repeated at the end.
fn closed(ring: &[Xy], plane: &Plane) -> Vec<[f64; 2]> {
    ring.iter()
        .chain(ring.first())
        .map(|&p| {
            let at = plane.position(p);
            [at.lon, at.lat]
        })
        .collect()
}

fn hosts(seed: u64, layout: &Layout, plane: &Plane) -> Vec<Host> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xC0_4D17);
    layout
        .trees
        .iter()
        .enumerate()
        .map(|(k, tree)| Host {
            label: format!("T{:05}", k + 1),
            species: tree.species.to_owned(),
            position: plane.position(tree.at),
            dbh_cm: tree.dbh_cm,
            condition: match rng.random::<f64>() {
                u if u < 0.83 => HostCondition::Healthy,
                u if u < 0.935 => HostCondition::Declining,
                u if u < 0.955 => HostCondition::Dead,
                // Inventories are never complete: these were not rated.
                _ => HostCondition::Unknown,
            },
        })
        .collect()
}

fn pathways(layout: &Layout, plane: &Plane) -> Vec<Pathway> {
    let mut next = 0;
    layout
        .grounds
        .iter()
        .filter_map(|g| {
            // Invented: what comes in is unpacked, stacked or burnt near by, so the risk falls within a few streets.
            let (kind, weight, reach_m) = match g.kind {
                GroundKind::TimberYard => ("timber", 5.0, 160.0),
                GroundKind::CampGround => ("firewood", 4.0, 150.0),
                GroundKind::Nursery => ("nursery stock", 3.0, 140.0),
                GroundKind::GreenWasteYard => ("green waste", 2.5, 150.0),
                _ => return None,
            };
            next += 1;
            Some(Pathway {
                label: format!("P{next} {}", g.name),
                kind: kind.to_owned(),
                position: plane.position(g.middle),
                weight,
                reach_m,
            })
        })
        .collect()
}

fn land(layout: &Layout, area: &impl Fn(&[Xy]) -> Area) -> Vec<Land> {
    let grounds = layout.grounds.iter().filter_map(|g| {
        let (rule, reason) = match g.kind {
            // Public ground: nothing to be told of it. A reason is what crews read among their cautions.
            GroundKind::Park | GroundKind::Greenway | GroundKind::Wood => (LandRule::Usable, None),
            GroundKind::School => (LandRule::Forbidden, Some("no traps near pupils")),
            GroundKind::PlayArea => (LandRule::Forbidden, Some("glue within children's reach")),
            GroundKind::RailYard => (LandRule::Forbidden, Some("no entry")),
            _ => return None,
        };
        Some(Land {
            label: g.name.to_owned(),
            rule,
            area: area(&g.ring),
            reason: reason.map(str::to_owned),
        })
    });
    let streets = layout.streets.iter().enumerate().map(|(k, s)| Land {
        label: format!("street {} {:03}", s.zone.label(), k + 1),
        rule: LandRule::Usable,
        area: area(&s.ring),
        reason: None,
    });
    grounds.chain(streets).collect()
}

#[derive(Serialize)]
struct HostRow<'a> {
    label: &'a str,
    species: &'a str,
    lat: f64,
    lon: f64,
    dbh_cm: Option<f64>,
    condition: HostCondition,
}

#[derive(Serialize)]
struct PathwayRow<'a> {
    label: &'a str,
    kind: &'a str,
    lat: f64,
    lon: f64,
    weight: f64,
    reach_m: f64,
}

impl District {
    /// Writes the input files into a folder, which is made if need be. They are read back by the ordinary loader.
    ///
    /// # Errors
    /// A folder or file that can't be written; the message names it.
    pub(crate) fn write_files(&self, dir: &Path) -> Result<Files> {
        fs::create_dir_all(dir).with_context(|| format!("could not make the folder {}", dir.display()))?;
        let files = Files {
            hosts: dir.join("hosts.csv"),
            pathways: dir.join("pathways.csv"),
            land: dir.join("land.geojson"),
            zones: dir.join("zones.geojson"),
            weather: dir.join("weather.csv"),
            roads: dir.join("roads.geojson"),
            crews: dir.join("crews.csv"),
        };
        write_csv(
            &files.hosts,
            self.hosts.iter().map(|h| HostRow {
                label: &h.label,
                species: &h.species,
                lat: h.position.lat,
                lon: h.position.lon,
                dbh_cm: h.dbh_cm,
                condition: h.condition,
            }),
        )?;
        write_csv(
            &files.pathways,
            self.pathways.iter().map(|p| PathwayRow {
                label: &p.label,
                kind: &p.kind,
                lat: p.position.lat,
                lon: p.position.lon,
                weight: p.weight,
                reach_m: p.reach_m,
            }),
        )?;
        write_csv(&files.weather, self.weather.iter())?;
        write_geojson(
            &files.land,
            self.land.iter().map(|l| {
                let mut properties = json!({"label": l.label, "rule": l.rule});
                if let Some(reason) = &l.reason {
                    properties["reason"] = json!(reason);
                }
                (properties, ground(&l.area))
            }),
        )?;
        write_geojson(
            &files.zones,
            self.zones
                .iter()
                .map(|z| (json!({"label": z.label}), ground(&z.area))),
        )?;
        write_geojson(&files.roads, self.roads.iter().map(road_feature))?;
        days::write_crews(&files.crews, &self.crews)?;
        Ok(files)
    }
}

/// Ground as a GeoJSON geometry. One polygon is a Polygon: some readers do not expect a MultiPolygon of one.
fn ground(area: &Area) -> Value {
    match area.0.as_slice() {
        [one] => json!({"type": "Polygon", "coordinates": one}),
        many => json!({"type": "MultiPolygon", "coordinates": many}),
    }
}

fn road_feature(road: &Road) -> (Value, Value) {
    let mut properties = json!({"label": road.label, "class": road.class});
    if let Some(name) = &road.name {
        properties["name"] = json!(name);
    }
    if road.oneway != Oneway::Both {
        properties["oneway"] = json!(road.oneway);
    }
    if let Some(speed) = road.speed_kmh {
        properties["speed_kmh"] = json!(speed);
    }
    (
        properties,
        json!({"type": "LineString", "coordinates": road.line}),
    )
}

/// Writes features, each with its properties and its geometry.
fn write_geojson(path: &Path, features: impl Iterator<Item = (Value, Value)>) -> Result<()> {
    let name = || format!("could not write {}", path.display());
    let features: Vec<Value> = features
        .map(|(properties, geometry)| json!({"type": "Feature", "properties": properties, "geometry": geometry}))
        .collect();
    let mut out = BufWriter::new(File::create(path).with_context(name)?);
    serde_json::to_writer(
        &mut out,
        &json!({"type": "FeatureCollection", "features": features}),
    )
    .with_context(name)?;
    out.write_all(b"\n").with_context(name)?;
    out.flush().with_context(name)
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeMap, HashSet};

    use super::super::plane::inside;
    use super::*;

    fn ring_of(area: &Area, plane: &Plane) -> Vec<Xy> {
        area.0[0][0]
            .iter()
            .map(|&[lon, lat]| plane.point(Position { lat, lon }))
            .collect()
    }

    #[test]
    fn the_district_is_whole() {
        let d = invent(1);
        assert_eq!(d.hosts.len(), TREES);
        assert_eq!(d.zones.len(), 3);
        let labels: HashSet<&str> = d.hosts.iter().map(|h| h.label.as_str()).collect();
        assert_eq!(labels.len(), TREES, "labels are unique");
        let kinds: HashSet<&str> = d.pathways.iter().map(|p| p.kind.as_str()).collect();
        assert_eq!(
            kinds,
            HashSet::from(["timber", "firewood", "nursery stock", "green waste"])
        );
        assert_eq!(d.pathways.len(), 5);
        let land: HashSet<&str> = d.land.iter().map(|l| l.label.as_str()).collect();
        assert_eq!(land.len(), d.land.len(), "land labels are unique");
        assert_eq!(d.land.iter().filter(|l| l.rule == LandRule::Forbidden).count(), 4);
    }

    #[test]
    fn every_tree_stands_in_exactly_one_zone_and_every_zone_has_hosts_of_both_targets() {
        for seed in [1, 2, 99] {
            let d = invent(seed);
            let rings: Vec<Vec<Xy>> = d.zones.iter().map(|z| ring_of(&z.area, &d.plane)).collect();
            let mut genera: BTreeMap<(usize, String), usize> = BTreeMap::new();
            for h in &d.hosts {
                let at = d.plane.point(h.position);
                let zones: Vec<usize> = (0..3).filter(|&k| inside(at, &rings[k])).collect();
                assert_eq!(zones.len(), 1, "seed {seed} {h:?}");
                let genus = h.species.split(' ').next().unwrap().to_owned();
                *genera.entry((zones[0], genus)).or_default() += 1;
            }
            for zone in 0..3 {
                for genus in ["Fraxinus", "Acer", "Platanus", "Quercus", "Juglans"] {
                    let n = genera.get(&(zone, genus.to_owned())).copied().unwrap_or(0);
                    assert!(n > 40, "seed {seed} zone {zone} {genus} {n}");
                }
            }
        }
    }

    #[test]
    fn the_ground_does_not_overlap_itself_where_it_matters() {
        for seed in [1, 2, 99] {
            let d = invent(seed);
            let wet = |p: Xy| {
                d.river
                    .iter()
                    .any(|r| r.distance_m(p) < 0.5 * d.river_width_m - 6.0)
            };
            for h in &d.hosts {
                assert!(
                    !wet(d.plane.point(h.position)),
                    "seed {seed}: {} stands in the river",
                    h.label
                );
            }
            for l in d.land.iter().filter(|l| l.rule == LandRule::Forbidden) {
                let middle = {
                    let ring = ring_of(&l.area, &d.plane);
                    let n = (ring.len() - 1) as f64;
                    let sum = ring[..ring.len() - 1]
                        .iter()
                        .fold((0.0, 0.0), |s, p| (s.0 + p.x, s.1 + p.y));
                    super::super::plane::xy(sum.0 / n, sum.1 / n)
                };
                assert!(!wet(middle), "seed {seed}: {} lies in the river", l.label);
            }
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_district() {
        let (a, b) = (invent(5), invent(5));
        assert_eq!(a.hosts, b.hosts);
        assert_eq!(a.land, b.land);
        assert_eq!(a.weather, b.weather);
        assert_ne!(a.hosts, invent(6).hosts);
    }

    #[test]
    fn the_files_hold_what_the_district_holds() {
        let dir = tempfile::tempdir().unwrap();
        let d = invent(3);
        let files = d.write_files(dir.path()).unwrap();
        let mut rows = csv::Reader::from_path(&files.hosts).unwrap();
        assert_eq!(
            rows.headers().unwrap().iter().collect::<Vec<_>>(),
            ["label", "species", "lat", "lon", "dbh_cm", "condition"]
        );
        let records: Vec<csv::StringRecord> = rows.records().map(|r| r.unwrap()).collect();
        assert_eq!(records.len(), TREES);
        let unknown = records.iter().filter(|r| &r[5] == "unknown").count();
        assert!(
            (400..1600).contains(&unknown),
            "{unknown} trees of unknown condition"
        );
        assert_eq!(records[0][2].parse::<f64>().unwrap(), d.hosts[0].position.lat);
        let mut weather = csv::Reader::from_path(&files.weather).unwrap();
        let read: Vec<WeatherDay> = weather.deserialize().map(|r| r.unwrap()).collect();
        assert_eq!(read, d.weather);
        let zones: serde_json::Value = serde_json::from_reader(File::open(&files.zones).unwrap()).unwrap();
        let ring = zones["features"][0]["geometry"]["coordinates"][0]
            .as_array()
            .unwrap();
        assert_eq!(ring.first(), ring.last(), "GeoJSON rings are closed");
        assert_eq!(zones["features"][0]["properties"]["label"], "Eastbank");
    }
}
