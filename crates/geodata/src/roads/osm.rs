//! Drivable ways of an OpenStreetMap extract (`.osm.pbf`).
//!
//! Words and their meaning are those of the OpenStreetMap wiki, pages "Key:highway", "Key:oneway", "Key:maxspeed" and
//! "Key:access" (from memory):
//!
//! * `highway`: motorway, trunk, primary, secondary, tertiary and their `_link`s; residential, unclassified,
//!   living_street and road are [`RoadClass::Local`]; service; track. Anything else is not for driving. `area=yes` is out.
//! * access: the first of `motorcar`, `motor_vehicle`, `vehicle`, `access` that is given counts. `no`, `emergency`,
//!   `military`, `bus`, `psv` keep a way out; `private`, `permit`, `agricultural`, `forestry` do unless
//!   [`OsmOptions::private`] says that crews may use such roads.
//! * `oneway`: yes, true, 1 along the line; -1, reverse against it; any other word both ways. Not given, motorways (with
//!   their links) and `junction=roundabout` or `circular` are one-way along their line.
//! * `maxspeed`: km/h, or "30 mph"; "walk" is 6 km/h (set by the programme); of several the least; others are ignored.
//!
//! Gates and bollards on nodes, turn restrictions and rules that hold by the hour are not read.

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use earlywood_model::record::{Oneway, Position, Road, RoadClass};
use osmpbf::{Element, ElementReader};

/// What is wanted of an extract.
#[derive(Debug, Clone, Default)]
pub struct OsmOptions {
    /// Only roads within this box, its south-west and north-east corners; none: all. A piece of road that touches the
    /// box is kept up to its next corner beyond it, so that what meets inside stays joined.
    pub clip: Option<(Position, Position)>,
    /// Whether crews may use private roads.
    pub private: bool,
}

/// What an extract held.
#[derive(Debug, Clone, PartialEq)]
pub struct OsmRoads {
    /// The roads, in the file's order; labels are "way/123", or "way/123/2" for the second piece of a cut way.
    pub roads: Vec<Road>,
    /// Things a person should know that are not wrong.
    pub notes: Vec<String>,
}

/// Why an extract gives no roads.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RoadsError {
    /// The file can't be read.
    #[error("{file}: the file can't be read: {source}; check the name and whether you may read it")]
    Unreadable {
        /// The file, as the person named it.
        file: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// It is no `.osm.pbf` file.
    #[error("{file}: this is not an OpenStreetMap .pbf file; give an extract whose name ends in .osm.pbf")]
    NotPbf {
        /// The file.
        file: String,
    },
    /// The file ends before its last block does.
    #[error(
        "{file}: the file is cut off: the block that begins at byte {at} is not all there; copy or download the extract again"
    )]
    CutOff {
        /// The file.
        file: String,
        /// Where the unfinished block begins.
        at: u64,
    },
    /// A block can't be unpacked.
    #[error("{file}: the file is damaged ({why}); copy or download the extract again")]
    Damaged {
        /// The file.
        file: String,
        /// What the unpacking said.
        why: String,
    },
    /// There is no drivable road in it.
    #[error(
        "{file}: no drivable road is in this extract ({ways} ways in all); was it filtered? Make it again with highways kept"
    )]
    NoRoads {
        /// The file.
        file: String,
        /// Ways of any sort.
        ways: usize,
    },
    /// Roads are there but their nodes are not.
    #[error(
        "{file}: {ways} roads name nodes that are not in the file, so none of them can be drawn; make the extract with complete ways"
    )]
    NodesMissing {
        /// The file.
        file: String,
        /// Roads that name them.
        ways: usize,
    },
    /// No road comes near the programme's ground.
    #[error(
        "{file}: none of its {roads} roads reaches the programme's ground (latitude {south:.4} to {north:.4}, longitude \
         {west:.4} to {east:.4}); the extract covers another district"
    )]
    OutOfReach {
        /// The file.
        file: String,
        /// Roads elsewhere.
        roads: usize,
        /// The ground's south edge, degrees.
        south: f64,
        /// Its north edge.
        north: f64,
        /// Its west edge.
        west: f64,
        /// Its east edge.
        east: f64,
    },
}

/// A way that may be driven, before its nodes are known.
struct Way {
    id: i64,
    class: RoadClass,
    oneway: Oneway,
    speed_kmh: Option<f64>,
    name: Option<String>,
    nodes: Vec<i64>,
}

/// Reads the drivable ways of an extract that is a file.
///
/// # Errors
/// As [`read_osm_pbf`], and a file that can't be read.
pub fn read_osm_pbf_file(path: &Path, options: &OsmOptions) -> Result<OsmRoads, RoadsError> {
    let file = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|source| RoadsError::Unreadable {
        file: file.clone(),
        source,
    })?;
    read_osm_pbf(&file, &bytes, options)
}

/// Reads the drivable ways of an extract, in two passes: ways may come before their nodes.
///
/// # Errors
/// A file that is no `.osm.pbf`, is cut off or damaged; an extract without drivable roads, without their nodes, or of
/// another district.
pub fn read_osm_pbf(file: &str, bytes: &[u8], options: &OsmOptions) -> Result<OsmRoads, RoadsError> {
    check_blocks(file, bytes)?;
    let mut ways: Vec<Way> = Vec::new();
    let (mut all, mut private) = (0_usize, 0_usize);
    each_element(file, bytes, |element| {
        if let Element::Way(way) = element {
            all += 1;
            let tags = Tags(way.tags().collect());
            let Some(class) = tags.class() else { return };
            match tags.access() {
                May::Never => return,
                May::WithLeave if !options.private => {
                    private += 1;
                    return;
                }
                _ => {}
            }
            ways.push(Way {
                id: way.id(),
                class,
                oneway: tags.oneway(class),
                speed_kmh: tags.get("maxspeed").and_then(speed_kmh),
                name: tags.get("name").map(str::to_owned),
                nodes: way.refs().collect(),
            });
        }
    })?;
    if ways.is_empty() {
        return Err(RoadsError::NoRoads {
            file: file.to_owned(),
            ways: all,
        });
    }
    let at = positions(file, bytes, &ways)?;
    let mut made = lay(file, &ways, &at, options)?;
    if private > 0 {
        made.notes.push(format!(
            "{private} private roads were left out; say that crews may use private roads to have them"
        ));
    }
    Ok(made)
}

/// Where the nodes of the ways are, degrees longitude and latitude.
fn positions(file: &str, bytes: &[u8], ways: &[Way]) -> Result<HashMap<i64, [f64; 2]>, RoadsError> {
    let mut at: HashMap<i64, [f64; 2]> = ways
        .iter()
        .flat_map(|w| w.nodes.iter().map(|&n| (n, [f64::NAN; 2])))
        .collect();
    let mut put = |id: i64, lon: f64, lat: f64| {
        if let Some(p) = at.get_mut(&id)
            && lon.abs() <= 180.0
            && lat.abs() <= 90.0
        {
            *p = [lon, lat];
        }
    };
    each_element(file, bytes, |element| match element {
        Element::Node(n) => put(n.id(), n.lon(), n.lat()),
        Element::DenseNode(n) => put(n.id(), n.lon(), n.lat()),
        _ => {}
    })?;
    at.retain(|_, p| !p[0].is_nan());
    Ok(at)
}

fn lay(
    file: &str,
    ways: &[Way],
    at: &HashMap<i64, [f64; 2]>,
    options: &OsmOptions,
) -> Result<OsmRoads, RoadsError> {
    let mut roads = Vec::new();
    let (mut drawn, mut lacking, mut missing) = (0_usize, 0_usize, 0_usize);
    for way in ways {
        let absent = way.nodes.iter().filter(|n| !at.contains_key(n)).count();
        missing += absent;
        lacking += usize::from(absent > 0);
        let (pieces, whole) = pieces(way, at, options.clip);
        drawn += usize::from(whole);
        for (i, (nodes, line)) in pieces.into_iter().enumerate() {
            let label = match i {
                0 => format!("way/{}", way.id),
                _ => format!("way/{}/{}", way.id, i + 1),
            };
            roads.push(Road {
                label,
                class: way.class,
                oneway: way.oneway,
                speed_kmh: way.speed_kmh,
                name: way.name.clone(),
                nodes,
                line,
            });
        }
    }
    let file = file.to_owned();
    if drawn == 0 {
        return Err(if lacking > 0 {
            RoadsError::NodesMissing { file, ways: lacking }
        } else {
            RoadsError::NoRoads {
                file,
                ways: ways.len(),
            }
        });
    }
    if let (true, Some((low, high))) = (roads.is_empty(), options.clip) {
        return Err(RoadsError::OutOfReach {
            file,
            roads: drawn,
            south: low.lat,
            north: high.lat,
            west: low.lon,
            east: high.lon,
        });
    }
    let mut notes = Vec::new();
    if lacking > 0 {
        notes.push(format!(
            "{lacking} roads name {missing} nodes that are not in the file (usual at an extract's edge); they are cut there"
        ));
    }
    Ok(OsmRoads { roads, notes })
}

type Piece = (Vec<i64>, Vec<[f64; 2]>);

/// The pieces of a way that can be drawn and touch the box; and whether anything of it can be drawn at all.
fn pieces(way: &Way, at: &HashMap<i64, [f64; 2]>, clip: Option<(Position, Position)>) -> (Vec<Piece>, bool) {
    let mut made: Vec<Piece> = Vec::new();
    let (mut whole, mut open) = (false, false);
    for pair in way.nodes.windows(2) {
        let (Some(&a), Some(&b)) = (at.get(&pair[0]), at.get(&pair[1])) else {
            open = false;
            continue;
        };
        if pair[0] == pair[1] {
            continue;
        }
        whole = true;
        if !clip.is_none_or(|c| touches(a, b, c)) {
            open = false;
            continue;
        }
        match made.last_mut() {
            Some(last) if open => {
                last.0.push(pair[1]);
                last.1.push(b);
            }
            _ => made.push((pair.to_vec(), vec![a, b])),
        }
        open = true;
    }
    (made, whole)
}

/// Whether the box about a segment meets the clip box: a little more than the segment itself, never less.
fn touches(a: [f64; 2], b: [f64; 2], (low, high): (Position, Position)) -> bool {
    a[0].min(b[0]) <= high.lon
        && a[0].max(b[0]) >= low.lon
        && a[1].min(b[1]) <= high.lat
        && a[1].max(b[1]) >= low.lat
}

struct Tags<'a>(Vec<(&'a str, &'a str)>);

enum May {
    Always,
    WithLeave,
    Never,
}

impl<'a> Tags<'a> {
    fn get(&self, key: &str) -> Option<&'a str> {
        self.0.iter().find(|t| t.0 == key).map(|t| t.1.trim())
    }

    fn class(&self) -> Option<RoadClass> {
        if self.get("area") == Some("yes") {
            return None;
        }
        let word = self.get("highway")?;
        Some(match word.strip_suffix("_link").unwrap_or(word) {
            "motorway" => RoadClass::Motorway,
            "trunk" => RoadClass::Trunk,
            "primary" => RoadClass::Primary,
            "secondary" => RoadClass::Secondary,
            "tertiary" => RoadClass::Tertiary,
            "residential" | "unclassified" | "living_street" | "road" => RoadClass::Local,
            "service" => RoadClass::Service,
            "track" => RoadClass::Track,
            _ => return None,
        })
    }

    fn access(&self) -> May {
        let told = ["motorcar", "motor_vehicle", "vehicle", "access"]
            .iter()
            .find_map(|k| self.get(k));
        match told {
            Some("no" | "emergency" | "military" | "bus" | "psv") => May::Never,
            Some("private" | "permit" | "agricultural" | "forestry") => May::WithLeave,
            _ => May::Always,
        }
    }

    fn oneway(&self, class: RoadClass) -> Oneway {
        match self.get("oneway") {
            Some("yes" | "true" | "1") => Oneway::Forward,
            Some("-1" | "reverse") => Oneway::Backward,
            Some(_) => Oneway::Both,
            None if class == RoadClass::Motorway => Oneway::Forward,
            None if matches!(self.get("junction"), Some("roundabout" | "circular")) => Oneway::Forward,
            None => Oneway::Both,
        }
    }
}

/// A posted speed in km/h; none where the words don't give one.
fn speed_kmh(text: &str) -> Option<f64> {
    text.split(';')
        .filter_map(|part| {
            let part = part.trim();
            if part == "walk" {
                return Some(6.0);
            }
            // An international mile is 1.609344 km exactly (1959).
            let (number, unit) = match part.strip_suffix("mph") {
                Some(n) => (n, 1.609_344),
                None => (part.strip_suffix("km/h").unwrap_or(part), 1.0),
            };
            let kmh = number.trim().parse::<f64>().ok()? * unit;
            (3.0..=200.0).contains(&kmh).then_some(kmh)
        })
        .reduce(f64::min)
}

fn each_element(file: &str, bytes: &[u8], mut tell: impl FnMut(Element<'_>)) -> Result<(), RoadsError> {
    let damaged = |why: String| RoadsError::Damaged {
        file: file.to_owned(),
        why,
    };
    // The reader adds up the numbers it finds, and numbers that can't be may stop it.
    catch_unwind(AssertUnwindSafe(|| ElementReader::new(bytes).for_each(&mut tell)))
        .map_err(|_| damaged("its numbers can't be".into()))?
        .map_err(|e| damaged(e.to_string()))
}

/// Largest head of a block, bytes (OpenStreetMap wiki, "PBF Format": 64 KiB).
const MOST_HEAD: usize = 64 * 1024;

/// Follows the blocks from first to last: the first must be an OSMHeader, and all must be there.
fn check_blocks(file: &str, bytes: &[u8]) -> Result<(), RoadsError> {
    let not_pbf = || RoadsError::NotPbf {
        file: file.to_owned(),
    };
    let mut at = 0;
    while at < bytes.len() {
        let cut = || RoadsError::CutOff {
            file: file.to_owned(),
            at: at as u64,
        };
        let size =
            bytes
                .get(at..at + 4)
                .ok_or_else(if at == 0 { &not_pbf as &dyn Fn() -> _ } else { &cut })?;
        let size = u32::from_be_bytes([size[0], size[1], size[2], size[3]]) as usize;
        if size > MOST_HEAD {
            return Err(if at == 0 { not_pbf() } else { damage(file, at) });
        }
        let head = bytes.get(at + 4..at + 4 + size);
        // A file of which not even the first head is there may still be told by its first word.
        let Some(head) = head else {
            let begun = bytes
                .get(4..)
                .is_some_and(|b| b.starts_with(b"\x0a\x09OSMHeader"));
            return Err(if at > 0 || begun { cut() } else { not_pbf() });
        };
        if at == 0 && !head.starts_with(b"\x0a\x09OSMHeader") {
            return Err(not_pbf());
        }
        let data = data_size(head).ok_or_else(|| damage(file, at))?;
        let end = (at + 4 + size)
            .checked_add(data)
            .ok_or_else(|| damage(file, at))?;
        if end > bytes.len() {
            return Err(cut());
        }
        at = end;
    }
    if bytes.is_empty() { Err(not_pbf()) } else { Ok(()) }
}

fn damage(file: &str, at: usize) -> RoadsError {
    RoadsError::Damaged {
        file: file.to_owned(),
        why: format!("the head of the block at byte {at} makes no sense"),
    }
}

/// The field `datasize` (3) of a block's head: protocol buffers, fields of varints and of bytes.
fn data_size(head: &[u8]) -> Option<usize> {
    let (mut at, mut size) = (0, None);
    while at < head.len() {
        let key = varint(head, &mut at)?;
        let value = varint(head, &mut at)?;
        match (key >> 3, key & 7) {
            (3, 0) => size = usize::try_from(value).ok(),
            (_, 0) => {}
            (_, 2) => at = at.checked_add(usize::try_from(value).ok()?)?,
            _ => return None,
        }
    }
    size.filter(|_| at == head.len())
}

fn varint(bytes: &[u8], at: &mut usize) -> Option<u64> {
    let mut value = 0_u64;
    for shift in (0..64).step_by(7) {
        let byte = *bytes.get(*at)?;
        *at += 1;
        value |= u64::from(byte & 0x7f) << shift;
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}
