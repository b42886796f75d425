//! Files into a programme: read and checked first, written afterwards, all or nothing unless told otherwise.

use std::collections::HashSet;
use std::path::Path;

use earlywood_geodata::roads::{OsmOptions, read_osm_pbf};
use earlywood_geodata::{AreaIndex, Context, Loadable, Loaded, Problem, read_bytes, read_file};
use earlywood_journal::{Act, Bulk, LoadMode, Programme};
use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{
    Access, Host, Land, Pathway, Place, Placement, Position, Road, Shift, Visit, WeatherDay, Zone,
};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::error::{ChainError, While as _};

/// What a file holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum What {
    /// Host trees.
    Hosts,
    /// Places through which a pest may arrive.
    Pathways,
    /// Land that may, or may not, be used.
    Land,
    /// Areas that are reported on.
    Zones,
    /// Daily temperatures.
    Weather,
    /// Spots where traps may hang.
    Places,
    /// Roads that may be driven: an OpenStreetMap .pbf extract, or GeoJSON lines.
    Roads,
    /// Working days of the crews.
    Crews,
    /// How places are got to, and when they may be entered.
    Access,
    /// Traps that hang: trap, place, targets, dates.
    Traps,
    /// Stops made at traps.
    Visits,
    /// A target profile of the programme's own (TOML).
    Targets,
}

impl What {
    /// Whether a new set may be put in the place of the old one.
    pub fn can_replace(self) -> bool {
        !matches!(self, What::Traps | What::Visits | What::Targets)
    }
}

/// Where the records come from.
#[derive(Debug, Clone, Copy)]
pub enum Source<'a> {
    /// A file.
    File(&'a Path),
    /// The bytes of a file of that name.
    Bytes(&'a str, &'a [u8]),
}

impl Source<'_> {
    /// As a person calls it in messages.
    fn words(&self) -> String {
        match self {
            Source::File(path) => path.display().to_string(),
            Source::Bytes(name, _) => (*name).to_string(),
        }
    }

    /// As the journal shows it: the file's name alone.
    fn name(&self) -> String {
        let path = match self {
            Source::File(path) => path,
            Source::Bytes(name, _) => Path::new(name),
        };
        path.file_name()
            .map_or_else(|| self.words(), |n| n.to_string_lossy().into_owned())
    }
}

/// The good records of a file.
#[derive(Debug, Clone, PartialEq)]
pub enum Records {
    /// Host trees.
    Hosts(Vec<Host>),
    /// Pathways.
    Pathways(Vec<Pathway>),
    /// Land.
    Land(Vec<Land>),
    /// Zones.
    Zones(Vec<Zone>),
    /// Station-days.
    Weather(Vec<WeatherDay>),
    /// Places.
    Places(Vec<Place>),
    /// Roads.
    Roads(Vec<Road>),
    /// Crews' days.
    Crews(Vec<Shift>),
    /// Access to places.
    Access(Vec<Access>),
    /// Placements.
    Traps(Vec<Placement>),
    /// Visits.
    Visits(Vec<Visit>),
    /// A target profile, with its text.
    Target(Box<TargetProfile>, String),
}

impl Records {
    /// How many.
    pub fn len(&self) -> usize {
        match self {
            Records::Hosts(r) => r.len(),
            Records::Pathways(r) => r.len(),
            Records::Land(r) => r.len(),
            Records::Zones(r) => r.len(),
            Records::Weather(r) => r.len(),
            Records::Places(r) => r.len(),
            Records::Roads(r) => r.len(),
            Records::Crews(r) => r.len(),
            Records::Access(r) => r.len(),
            Records::Traps(r) => r.len(),
            Records::Visits(r) => r.len(),
            Records::Target(..) => 1,
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn remove(&mut self, at: usize) {
        match self {
            Records::Hosts(r) => drop(r.remove(at)),
            Records::Pathways(r) => drop(r.remove(at)),
            Records::Land(r) => drop(r.remove(at)),
            Records::Zones(r) => drop(r.remove(at)),
            Records::Weather(r) => drop(r.remove(at)),
            Records::Places(r) => drop(r.remove(at)),
            Records::Roads(r) => drop(r.remove(at)),
            Records::Crews(r) => drop(r.remove(at)),
            Records::Access(r) => drop(r.remove(at)),
            Records::Traps(r) => drop(r.remove(at)),
            Records::Visits(r) => drop(r.remove(at)),
            Records::Target(..) => {}
        }
    }

    fn append(
        &self,
        programme: &mut Programme,
        act: &Act,
        source: &str,
        mode: LoadMode,
    ) -> Result<(), earlywood_journal::Error> {
        fn whole<T: Bulk>(
            programme: &mut Programme,
            act: &Act,
            source: &str,
            mode: LoadMode,
            rows: &[T],
        ) -> Result<(), earlywood_journal::Error> {
            programme.load(act, source, mode, rows).map(drop)
        }
        match self {
            Records::Hosts(r) => whole(programme, act, source, mode, r),
            Records::Pathways(r) => whole(programme, act, source, mode, r),
            Records::Land(r) => whole(programme, act, source, mode, r),
            Records::Zones(r) => whole(programme, act, source, mode, r),
            Records::Weather(r) => whole(programme, act, source, mode, r),
            Records::Places(r) => whole(programme, act, source, mode, r),
            Records::Roads(r) => whole(programme, act, source, mode, r),
            Records::Crews(r) => whole(programme, act, source, mode, r),
            Records::Access(r) => whole(programme, act, source, mode, r),
            Records::Traps(r) => programme.record_placements(act, r).map(drop),
            Records::Visits(r) => programme.record_visits(act, r).map(drop),
            Records::Target(_, toml) => programme.adopt_target(act, toml).map(drop),
        }
    }
}

/// A file as it was read.
#[derive(Debug, Clone, PartialEq)]
pub struct FileRead {
    /// What it holds.
    pub what: What,
    /// The file, as the person named it.
    pub source: String,
    /// Its name alone, as the journal will show it.
    pub name: String,
    /// What rows are counted in: "row", "feature", or "profile".
    pub unit: &'static str,
    /// Records without a problem, in the file's order.
    pub good: Records,
    /// Row number of each.
    pub rows: Vec<usize>,
    /// The first problems, in the file's order.
    pub problems: Vec<Problem>,
    /// Problems in all.
    pub problem_count: usize,
    /// Records that had a problem.
    pub bad_rows: usize,
    /// Columns that were read.
    pub columns: Vec<String>,
    /// Columns that mean nothing here.
    pub unknown_columns: Vec<String>,
    /// Things a person should know that are not wrong.
    pub notes: Vec<String>,
    /// The first problems as lines, and how many more there are.
    pub listing: String,
    /// One line on the whole.
    pub summary: String,
}

impl FileRead {
    /// Whether nothing was wrong.
    pub fn is_clean(&self) -> bool {
        self.problem_count == 0
    }
}

/// How a file is read.
pub struct Reading<'a> {
    /// The day: records of later days are refused.
    pub today: Date,
    /// Whether the records will be added, or take the place of what is there.
    pub mode: LoadMode,
    /// How many problems are kept for the listing.
    pub problem_cap: usize,
    /// Told bytes done and bytes in all.
    pub progress: &'a mut dyn FnMut(u64, u64),
}

/// Reads and checks a file against what the programme has. A file that is wrong throughout is an answer too.
///
/// # Errors
/// A set that can't be replaced; a target profile that can't be read; a programme that can't be read.
pub fn read(
    programme: &Programme,
    what: What,
    source: Source<'_>,
    mut reading: Reading<'_>,
) -> Result<FileRead, ChainError> {
    if reading.mode == LoadMode::Replace && !what.can_replace() {
        return Err(ChainError::asked(
            "replace",
            "traps, visits and targets are never replaced; what was wrong is put right by a correction",
        ));
    }
    let job = Job {
        programme,
        what,
        source,
        known: known(programme, what, reading.mode)?,
    };
    match what {
        What::Hosts => job.records(&mut reading, Records::Hosts),
        What::Pathways => job.records(&mut reading, Records::Pathways),
        What::Land => job.records(&mut reading, Records::Land),
        What::Zones => job.records(&mut reading, Records::Zones),
        What::Weather => job.records(&mut reading, Records::Weather),
        What::Places => job.records(&mut reading, Records::Places),
        What::Roads => match job.extract(&mut reading)? {
            Some(read) => Ok(read),
            None => job.records(&mut reading, Records::Roads),
        },
        What::Crews => job.records(&mut reading, Records::Crews),
        What::Access => job.records(&mut reading, Records::Access),
        What::Traps => job.records(&mut reading, Records::Traps),
        What::Visits => job.records(&mut reading, Records::Visits),
        What::Targets => job.target(),
    }
}

/// Labels that the programme has of a kind already, where a file may not use them again.
fn known(programme: &Programme, what: What, mode: LoadMode) -> Result<HashSet<String>, ChainError> {
    if mode == LoadMode::Replace {
        return Ok(HashSet::new());
    }
    Ok(match what {
        What::Hosts => programme.hosts()?.into_iter().map(|r| r.label).collect(),
        What::Pathways => programme.pathways()?.into_iter().map(|r| r.label).collect(),
        What::Land => programme.land()?.into_iter().map(|r| r.label).collect(),
        What::Zones => programme.zones()?.into_iter().map(|r| r.label).collect(),
        What::Places => programme.places()?.into_iter().map(|r| r.label).collect(),
        What::Roads => programme.roads()?.into_iter().map(|r| r.label).collect(),
        What::Crews => programme.shifts()?.into_iter().map(|r| r.label).collect(),
        What::Access => programme.access()?.into_iter().map(|r| r.label).collect(),
        // Station-days are checked by the journal: ten years of them are not worth reading twice.
        What::Weather | What::Traps | What::Visits | What::Targets => HashSet::new(),
    })
}

/// Roads of an extract are kept this far beyond the zones: a depot in the next town, a bridge up the river. Design choice.
const ROAD_MARGIN_M: f64 = 20_000.0;
/// A degree of latitude is nowhere shorter (WGS 84, at the equator), metres.
const METRES_A_DEGREE: f64 = 110_574.0;

/// Whether a file is an OpenStreetMap extract: by its name, or by the block that each begins with.
fn is_extract(name: &str, bytes: &[u8]) -> bool {
    name.to_lowercase().ends_with(".pbf")
        || bytes
            .get(..64)
            .is_some_and(|b| b.windows(9).any(|w| w == b"OSMHeader"))
}

struct Job<'a> {
    programme: &'a Programme,
    what: What,
    source: Source<'a>,
    known: HashSet<String>,
}

impl Job<'_> {
    fn records<T: Loadable>(
        &self,
        reading: &mut Reading<'_>,
        wrap: fn(Vec<T>) -> Records,
    ) -> Result<FileRead, ChainError> {
        let (zones, places) = (self.programme.zones()?, self.programme.places()?);
        let context = Context {
            existing: Some(&self.known),
            zones: &zones,
            places: &places,
            problem_cap: reading.problem_cap,
            ..Context::new(reading.today)
        };
        let loaded: Loaded<T> = match self.source {
            Source::File(path) => read_file(path, &context, reading.progress),
            Source::Bytes(name, bytes) => read_bytes(name, bytes, &context, reading.progress),
        };
        let (listing, summary) = (loaded.listing(), loaded.summary());
        Ok(FileRead {
            what: self.what,
            source: self.source.words(),
            name: self.source.name(),
            unit: loaded.unit.word(),
            good: wrap(loaded.good),
            rows: loaded.rows,
            problems: loaded.problems,
            problem_count: loaded.problem_count,
            bad_rows: loaded.bad_rows,
            columns: loaded.columns,
            unknown_columns: loaded.unknown_columns,
            notes: loaded.notes,
            listing,
            summary,
        })
    }

    /// Reads an OpenStreetMap extract; `None` when the file is none.
    fn extract(&self, reading: &mut Reading<'_>) -> Result<Option<FileRead>, ChainError> {
        let words = self.source.words();
        let unreadable = |e| ChainError::asked("source", format!("{words} can't be read: {e}"));
        let held;
        let bytes = match self.source {
            Source::File(path) if is_extract(&words, &[]) => {
                held = std::fs::read(path).map_err(unreadable)?;
                held.as_slice()
            }
            Source::File(_) => return Ok(None),
            Source::Bytes(name, bytes) if is_extract(name, bytes) => bytes,
            Source::Bytes(..) => return Ok(None),
        };
        let options = OsmOptions {
            clip: self.ground_and_margin()?,
            private: false,
        };
        let read =
            read_osm_pbf(&words, bytes, &options).map_err(|e| ChainError::asked("source", e.to_string()))?;
        (reading.progress)(bytes.len() as u64, bytes.len() as u64);
        let before = read.roads.len();
        let roads: Vec<Road> = read
            .roads
            .into_iter()
            .filter(|road| !self.known.contains(&road.label))
            .collect();
        let mut notes = read.notes;
        if roads.len() < before {
            notes.push(format!(
                "{} of the {before} roads are in the programme already and were left as they are",
                before - roads.len()
            ));
        }
        Ok(Some(FileRead {
            what: self.what,
            name: self.source.name(),
            unit: "road",
            summary: format!("{words}: {} roads, nothing wrong", roads.len()),
            source: words.clone(),
            rows: (1..=roads.len()).collect(),
            good: Records::Roads(roads),
            problems: Vec::new(),
            problem_count: 0,
            bad_rows: 0,
            columns: Vec::new(),
            unknown_columns: Vec::new(),
            notes,
            listing: String::new(),
        }))
    }

    /// South-west and north-east corner of the zones with a margin for the drives; none while there are no zones.
    fn ground_and_margin(&self) -> Result<Option<(Position, Position)>, ChainError> {
        let zones = self.programme.zones()?;
        Ok(AreaIndex::new(zones.iter().map(|z| &z.area))
            .bounds()
            .map(|(low, high)| {
                let widest = low.lat.abs().max(high.lat.abs()).min(89.0);
                let lat = ROAD_MARGIN_M / METRES_A_DEGREE;
                let lon = lat / widest.to_radians().cos();
                let corner = |p: Position, sign: f64| Position {
                    lat: p.lat + sign * lat,
                    lon: p.lon + sign * lon,
                };
                (corner(low, -1.0), corner(high, 1.0))
            }))
    }

    fn target(&self) -> Result<FileRead, ChainError> {
        let words = self.source.words();
        let toml = match self.source {
            Source::File(path) => std::fs::read_to_string(path)
                .map_err(|e| ChainError::asked("source", format!("{words} can't be read: {e}")))?,
            Source::Bytes(_, bytes) => String::from_utf8(bytes.to_vec())
                .map_err(|_| ChainError::asked("source", format!("{words} is not UTF-8 text")))?,
        };
        let profile = TargetProfile::from_toml(&toml).while_doing(|| words.clone())?;
        let notes = profile.warnings();
        Ok(FileRead {
            what: self.what,
            name: self.source.name(),
            unit: "profile",
            summary: format!("{words}: 1 good profile"),
            source: profile.id.clone(),
            good: Records::Target(Box::new(profile), toml),
            rows: vec![1],
            problems: Vec::new(),
            problem_count: 0,
            bad_rows: 0,
            columns: Vec::new(),
            unknown_columns: Vec::new(),
            notes,
            listing: String::new(),
        })
    }
}

/// More rows refused by the journal than this, and the file is not the file that was meant.
const MOST_REFUSED: usize = 200;

/// What became of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// Records written.
    pub written: usize,
    /// Records left out because they were bad, or because the journal refused them.
    pub left_out: usize,
    /// The refusals, row by row, in words.
    pub refused: Vec<String>,
}

/// Writes the good records in one piece. One that the journal refuses stops it all, unless the good ones are to be kept:
/// then it is left out, told, and the rest is tried again.
///
/// # Errors
/// Nothing good, or something bad that was not to be left out; a refusal of the journal. Nothing is written then.
pub fn write(
    programme: &mut Programme,
    act: &Act,
    read: FileRead,
    mode: LoadMode,
    keep_good: bool,
) -> Result<Written, ChainError> {
    check(&read, keep_good)?;
    let FileRead {
        source,
        name,
        unit,
        mut good,
        mut rows,
        bad_rows,
        ..
    } = read;
    let mut refused: Vec<String> = Vec::new();
    while let Err(error) = good.append(programme, act, &name, mode) {
        let at = error.index().filter(|&i| i < good.len());
        let Some(at) = at.filter(|_| !matches!(good, Records::Target(..))) else {
            return Err(error).while_doing(|| format!("{source}: nothing was written"));
        };
        let why = error
            .refusal()
            .map_or_else(|| error.to_string(), ToString::to_string);
        let row = rows[at];
        if !keep_good {
            return Err(ChainError::Row {
                source_name: source,
                unit,
                row,
                why,
            });
        }
        refused.push(format!("{source}, {unit} {row}: {why}"));
        good.remove(at);
        rows.remove(at);
        if refused.len() > MOST_REFUSED || good.is_empty() {
            return Err(ChainError::asked(
                "source",
                format!(
                    "{source}: {} rows were refused, the last because {why}; nothing was written",
                    refused.len()
                ),
            ));
        }
    }
    Ok(Written {
        written: good.len(),
        left_out: bad_rows + refused.len(),
        refused,
    })
}

/// Whether a file that was read may be written.
///
/// # Errors
/// Nothing good in it, or something bad that was not to be left out.
pub fn check(read: &FileRead, keep_good: bool) -> Result<(), ChainError> {
    if !read.is_clean() && !keep_good {
        return Err(ChainError::BadRows {
            summary: read.summary.clone(),
        });
    }
    if read.good.is_empty() {
        return Err(ChainError::asked(
            "source",
            format!(
                "{}: there is no good {} in it; nothing was written",
                read.source, read.unit
            ),
        ));
    }
    Ok(())
}
