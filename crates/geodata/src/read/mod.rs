//! Files to records: CSV and GeoJSON in, checked once, with every problem told in words a person can act on.
//!
//! The columns of each kind of file are listed in `docs/formats.md`.

mod days;
mod features;
mod field;
mod ground;
mod positions;
mod records;
mod roads;
mod row;
mod text;
mod weather;

use std::collections::{BTreeMap, HashSet};
use std::path::Path;

use earlywood_model::record::{
    Access, Host, Land, Pathway, Place, Placement, Position, Road, Shift, Visit, WeatherDay, Zone,
};
use jiff::civil::Date;
use rayon::prelude::*;

use crate::problem::{Loaded, Problem, Unit};
use row::{Cells, Column, Headings, Row, Sink};
use text::{FileFault, Style};

/// What the reader has to know besides the file.
#[derive(Debug, Clone)]
pub struct Context<'a> {
    /// Dates after this day are in the future.
    pub today: Date,
    /// Labels the programme already has of this kind; a file may not use them again.
    pub existing: Option<&'a HashSet<String>>,
    /// The programme's zones; positions must lie near them. Empty when there are none yet.
    pub zones: &'a [Zone],
    /// The programme's places: an existing trap may name one instead of giving its position.
    pub places: &'a [Place],
    /// How far outside the zones' bounding box a position may lie, metres.
    pub margin_m: f64,
    /// How many problems are kept for the listing; all are counted.
    pub problem_cap: usize,
}

impl Context<'_> {
    /// A context with nothing in the programme yet: 5 km of margin, 100 problems listed.
    pub fn new(today: Date) -> Self {
        Context {
            today,
            existing: None,
            zones: &[],
            places: &[],
            margin_m: 5_000.0,
            problem_cap: 100,
        }
    }
}

/// What kind of geometry a record has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// None: tables only.
    None,
    /// A point, in columns lat and lon or as a GeoJSON Point.
    Point,
    /// Ground, in a WKT column or as a GeoJSON Polygon or MultiPolygon.
    Ground,
    /// A line: a GeoJSON LineString, nothing else.
    Line,
}

mod sealed {
    use super::{Batch, Column, Context, Date, Headings, Position, Row, Shape, Sink};

    pub trait Record: Sized + Send + Sync {
        const WHAT: &'static str;
        const SHAPE: Shape;
        const COLUMNS: &'static [Column];
        /// Whether labels must be unique.
        const LABELLED: bool = false;
        /// Room outside the programme's area besides [`Context::margin_m`], metres.
        const EXTRA_MARGIN_M: f64 = 0.0;

        fn from_row(row: &Row<'_>, today: Date, sink: &mut Sink) -> Option<Self>;
        fn label(&self) -> &str {
            ""
        }
        fn position(&self) -> Option<Position> {
            None
        }
        /// Things to tell about the headings alone.
        fn heading_notes(_headings: &Headings) -> Vec<String> {
            Vec::new()
        }
        /// Checks that need all records.
        fn finish(_batch: &mut Batch<Self>, _context: &Context<'_>) {}
        /// Reads layouts that are not a plain table of this kind; `None` when the file is one.
        fn other_layout(_file: &str, _text: &str, _context: &Context<'_>) -> Option<Batch<Self>> {
            None
        }
    }
}
use sealed::Record;

/// A record that can be read from a file: hosts, pathways, land, zones, weather, places, placements, visits, roads, crews' days,
/// access to places.
pub trait Loadable: Record {}
impl Loadable for Host {}
impl Loadable for Pathway {}
impl Loadable for Land {}
impl Loadable for Zone {}
impl Loadable for WeatherDay {}
impl Loadable for Place {}
impl Loadable for Placement {}
impl Loadable for Visit {}
impl Loadable for Road {}
impl Loadable for Shift {}
impl Loadable for Access {}

/// Records on their way: those still good, and the problems so far.
pub struct Batch<T> {
    good: Vec<T>,
    rows: Vec<usize>,
    sink: Sink,
    late: Sink,
    bad_rows: usize,
    known: Vec<String>,
    unknown: Vec<String>,
    notes: Vec<String>,
    headings: BTreeMap<&'static str, String>,
}

impl<T: Record> Batch<T> {
    fn new(file: &str, unit: Unit, cap: usize) -> Batch<T> {
        Batch {
            good: Vec::new(),
            rows: Vec::new(),
            sink: Sink::new(file, unit, cap),
            late: Sink::new(file, unit, cap),
            bad_rows: 0,
            known: Vec::new(),
            unknown: Vec::new(),
            notes: Vec::new(),
            headings: BTreeMap::new(),
        }
    }

    fn name_headings(&mut self, headings: &Headings) {
        self.unknown = headings.unknown();
        self.known = headings.known();
        self.headings = headings
            .columns
            .iter()
            .map(|c| (c.name, headings.heading(c.name)))
            .collect();
        self.notes.extend(near_unknown(headings));
        self.notes.extend(T::heading_notes(headings));
    }

    /// A problem found with record `index` after all were read.
    fn blame(&mut self, index: usize, column: &str, value: &str, rule: &str, remedy: &str) {
        let heading = self
            .headings
            .get(column)
            .cloned()
            .unwrap_or_else(|| column.to_owned());
        self.late
            .push(Some(self.rows[index]), Some((&heading, value)), rule, remedy);
    }

    /// Takes records out; `bad` must be sorted and without doubles.
    fn remove(&mut self, bad: &[usize]) {
        self.bad_rows += bad.len();
        let gone: HashSet<usize> = bad.iter().copied().collect();
        let mut index = 0..;
        self.good
            .retain(|_| index.next().is_none_or(|i| !gone.contains(&i)));
        let mut index = 0..;
        self.rows
            .retain(|_| index.next().is_none_or(|i| !gone.contains(&i)));
    }

    fn into_loaded(self) -> Loaded<T> {
        let mut problems: Vec<Problem> = self.sink.kept;
        problems.extend(self.late.kept);
        problems.sort_by_key(|p| p.row);
        problems.truncate(self.sink.cap);
        Loaded {
            file: self.sink.file,
            unit: self.sink.unit,
            good: self.good,
            rows: self.rows,
            problems,
            problem_count: self.sink.count + self.late.count,
            bad_rows: self.bad_rows,
            columns: self.known,
            unknown_columns: self.unknown,
            notes: self.notes,
        }
    }

    fn stopped(mut self, fault: FileFault) -> Batch<T> {
        let value = fault.value.as_deref();
        self.sink
            .push(fault.row, value.map(|v| ("", v)), &fault.rule, &fault.remedy);
        self
    }
}

fn near_unknown(headings: &Headings) -> Vec<String> {
    let unused = |c: &&Column| !headings.has(c.name);
    headings
        .unknown()
        .iter()
        .filter_map(|found| {
            let near = headings
                .columns
                .iter()
                .filter(unused)
                .find(|c| row::near(c.name, found))?;
            Some(format!(
                "column {found} is not known here and was left aside; did you mean {}?",
                near.name
            ))
        })
        .collect()
}

/// Reads a file of records. `progress` is told bytes done and bytes in all.
///
/// Whatever is wrong, up to a file that isn't there, is a problem in the answer; nothing is printed and nothing panics.
pub fn read_file<T: Loadable>(
    path: &Path,
    context: &Context<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Loaded<T> {
    let name = path.display().to_string();
    match std::fs::read(path) {
        Ok(bytes) => read_bytes(&name, &bytes, context, progress),
        Err(e) => Batch::<T>::new(&name, Unit::Row, context.problem_cap)
            .stopped(FileFault::new(
                format!("the file can't be read: {e}"),
                "check the name and whether you may read it",
            ))
            .into_loaded(),
    }
}

/// Reads records from the bytes of a file called `name` (its extension helps to tell the format).
pub fn read_bytes<T: Loadable>(
    name: &str,
    bytes: &[u8],
    context: &Context<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Loaded<T> {
    let mut batch = match text::decode(bytes) {
        Err(fault) => Batch::<T>::new(name, Unit::Row, context.problem_cap).stopped(fault),
        Ok(text) if is_json(name, text) => read_features(name, text, context),
        Ok(text) => {
            T::other_layout(name, text, context).unwrap_or_else(|| read_table(name, text, context, progress))
        }
    };
    check_labels(&mut batch, context);
    positions::check(&mut batch, context);
    T::finish(&mut batch, context);
    progress(bytes.len() as u64, bytes.len() as u64);
    batch.into_loaded()
}

fn is_json(name: &str, text: &str) -> bool {
    let name = name.to_lowercase();
    text.trim_start().starts_with('{') || name.ends_with(".geojson") || name.ends_with(".json")
}

/// Bytes of table a thread takes at a time.
const PIECE_BYTES: usize = 1 << 20;
/// Pieces between two words of progress.
const PIECES_A_TURN: usize = 8;

fn read_table<T: Loadable>(
    name: &str,
    text: &str,
    context: &Context<'_>,
    progress: &mut dyn FnMut(u64, u64),
) -> Batch<T> {
    let mut batch = Batch::new(name, Unit::Row, context.problem_cap);
    let style = Style::sniff(text);
    batch.notes.extend(style.note());
    let (pieces, unclosed) = text::cut(text, style, PIECE_BYTES);
    if let Some(row) = unclosed {
        return batch.stopped(
            FileFault::new(
                "a quotation mark opened in this row is never closed",
                "close it, or take it out",
            )
            .at(row),
        );
    }
    let headings = match table_headings::<T>(text, style) {
        Ok(found) => found,
        Err(fault) => return batch.stopped(fault),
    };
    batch.name_headings(&headings.0);
    let (headings, heading_row) = headings;
    let mut empty = 0;
    for turn in pieces.chunks(PIECES_A_TURN) {
        let read: Vec<PieceRead<T>> = turn
            .par_iter()
            .map(|&piece| read_piece(name, text, piece, style, &headings, heading_row, context))
            .collect();
        for piece in read {
            batch.good.extend(piece.good);
            batch.rows.extend(piece.rows);
            batch.bad_rows += piece.bad_rows;
            batch.sink.absorb(piece.sink);
            empty += piece.empty;
        }
        let done = turn.last().map_or(0, |p| p.end);
        progress(done as u64, text.len() as u64);
    }
    if empty > 0 {
        batch.notes.push(format!("{empty} empty rows were passed over"));
    }
    if batch.good.is_empty() && batch.bad_rows == 0 && batch.sink.count == 0 {
        return batch.stopped(FileFault::new(
            "there is a heading but no row below it",
            "check that the export finished",
        ));
    }
    batch
}

struct PieceRead<T> {
    good: Vec<T>,
    rows: Vec<usize>,
    sink: Sink,
    bad_rows: usize,
    empty: usize,
}

fn read_piece<T: Record>(
    name: &str,
    text: &str,
    piece: text::Piece,
    style: Style,
    headings: &Headings,
    heading_row: usize,
    context: &Context<'_>,
) -> PieceRead<T> {
    let mut read = PieceRead {
        good: Vec::new(),
        rows: Vec::new(),
        sink: Sink::new(name, Unit::Row, context.problem_cap),
        bad_rows: 0,
        empty: 0,
    };
    let width = headings.found.len();
    read.empty = text::each_record(text, piece, style, |number, record| {
        if number <= heading_row {
            return;
        }
        if record.len() != width && !only_empty_beyond(record, width) {
            read.bad_rows += 1;
            read.sink.push(
                Some(number),
                None,
                &format!("the row has {} cells but the heading has {width}", record.len()),
                "check for a comma inside a value (put such a value in \"quotation marks\") or a cut-off row",
            );
            return;
        }
        let row = Row {
            number,
            cells: Cells::Csv(record),
            headings,
            ground: None,
        };
        match T::from_row(&row, context.today, &mut read.sink) {
            Some(record) => {
                read.good.push(record);
                read.rows.push(number);
            }
            None => read.bad_rows += 1,
        }
    });
    read
}

/// Spreadsheets write extra empty cells at the end of a row.
fn only_empty_beyond(record: &csv::StringRecord, width: usize) -> bool {
    record.len() > width && record.iter().skip(width).all(|c| c.trim().is_empty())
}

fn table_headings<T: Record>(text: &str, style: Style) -> Result<(Headings, usize), FileFault> {
    let mut first: Option<(usize, Vec<String>)> = None;
    // The heading is the first row that is not empty; a few thousand characters hold it.
    let (pieces, _) = text::cut(text, style, 1 << 12);
    for piece in pieces {
        text::each_record(text, piece, style, |row, record| {
            first.get_or_insert_with(|| (row, record.iter().map(str::to_owned).collect()));
        });
        if first.is_some() {
            break;
        }
    }
    let (row, mut found) =
        first.ok_or_else(|| FileFault::new("the file is empty", "check that the export finished"))?;
    while found.len() > 1 && found.last().is_some_and(|h| h.trim().is_empty()) {
        found.pop();
    }
    let headings = Headings::new(found, T::COLUMNS);
    check_headings::<T>(&headings).map_err(|f| f.at(row))?;
    Ok((headings, row))
}

fn check_headings<T: Record>(headings: &Headings) -> Result<(), FileFault> {
    if let Some((name, all)) = headings.twice() {
        let mut fault = FileFault::new(
            format!("more than one column is read as {name}"),
            "keep one of them, rename the others",
        );
        fault.value = Some(all.join(", "));
        return Err(fault);
    }
    let missing = headings.missing();
    let Some(&first) = missing.first() else {
        return Ok(());
    };
    let found: Vec<&str> = headings.found.iter().map(|h| h.trim()).collect();
    let looks_like_data = found.iter().any(|h| h.parse::<f64>().is_ok());
    let mut remedy: Vec<String> = Vec::new();
    if looks_like_data {
        remedy.push("the first row must name the columns".into());
    }
    for name in &missing {
        let unknown = headings.unknown();
        if let Some(near) = unknown.iter().find(|h| row::near(name, h)) {
            remedy.push(format!("rename column {near} to {name}?"));
        }
    }
    remedy.push(format!(
        "{} need the columns {}",
        T::WHAT,
        T::COLUMNS
            .iter()
            .filter(|c| c.required)
            .map(|c| c.name)
            .collect::<Vec<_>>()
            .join(", ")
    ));
    let rule = if missing.len() == 1 {
        format!("the column {first} is missing")
    } else {
        format!("the columns {} are missing", missing.join(", "))
    };
    let mut fault = FileFault::new(rule, remedy.join("; "));
    fault.value = Some(format!("found: {}", found.join(", ")));
    Err(fault)
}

fn read_features<T: Loadable>(name: &str, text: &str, context: &Context<'_>) -> Batch<T> {
    let mut batch = Batch::new(name, Unit::Feature, context.problem_cap);
    if T::SHAPE == Shape::None {
        return batch.stopped(FileFault::new(
            format!("{} are read from tables, not from GeoJSON", T::WHAT),
            "give a CSV file",
        ));
    }
    let features = match features::parse(text, T::SHAPE, &mut batch.sink) {
        Ok(features) => features,
        Err(fault) => return batch.stopped(fault),
    };
    batch.bad_rows = features.lost;
    let headings = Headings::new(features.headings, T::COLUMNS);
    let absent: Vec<&str> = headings
        .missing()
        .into_iter()
        .filter(|name| T::SHAPE != Shape::Ground || *name != "wkt")
        .collect();
    if !absent.is_empty() && !features.rows.is_empty() {
        let mut fault = check_headings::<T>(&headings)
            .err()
            .unwrap_or_else(|| FileFault::new("a property is missing", ""));
        fault.rule = format!("no feature has the property {}", absent.join(", "));
        batch.bad_rows += features.rows.len();
        return batch.stopped(fault);
    }
    if let Some((name, all)) = headings.twice() {
        return batch.stopped(FileFault::new(
            format!("more than one property is read as {name}: {}", all.join(", ")),
            "keep one of them, rename the others",
        ));
    }
    batch.name_headings(&headings);
    for feature in &features.rows {
        let row = Row {
            number: feature.number,
            cells: Cells::Texts(&feature.texts),
            headings: &headings,
            ground: feature.ground.as_ref(),
        };
        match T::from_row(&row, context.today, &mut batch.sink) {
            Some(record) => {
                batch.good.push(record);
                batch.rows.push(feature.number);
            }
            None => batch.bad_rows += 1,
        }
    }
    batch
}

/// A label may be used once: in the file, and in the programme.
fn check_labels<T: Record>(batch: &mut Batch<T>, context: &Context<'_>) {
    if !T::LABELLED {
        return;
    }
    let mut first: std::collections::HashMap<&str, usize> =
        std::collections::HashMap::with_capacity(batch.good.len());
    let mut bad: Vec<(usize, String, String)> = Vec::new();
    for (i, record) in batch.good.iter().enumerate() {
        let label = record.label();
        if context.existing.is_some_and(|known| known.contains(label)) {
            bad.push((i, label.to_owned(), "the programme already has this label".into()));
        } else if let Some(&before) = first.get(label) {
            let rule = format!(
                "this label is used already in {} {}",
                batch.sink.unit.word(),
                batch.rows[before]
            );
            bad.push((i, label.to_owned(), rule));
        } else {
            first.insert(label, i);
        }
    }
    for (i, label, rule) in &bad {
        batch.blame(*i, "label", label, rule, "give each its own label");
    }
    let gone: Vec<usize> = bad.iter().map(|b| b.0).collect();
    batch.remove(&gone);
}

#[cfg(test)]
mod tests;
