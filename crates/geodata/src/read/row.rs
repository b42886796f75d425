//! A record as it stands in the file, whatever the format, and the place where its problems go.

use std::borrow::Cow;

use earlywood_model::record::Area;

use crate::problem::{Problem, Unit};

/// A column that means something.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    pub(crate) name: &'static str,
    pub(crate) aliases: &'static [&'static str],
    pub(crate) required: bool,
}

impl Column {
    pub(super) const fn required(name: &'static str, aliases: &'static [&'static str]) -> Column {
        Column {
            name,
            aliases,
            required: true,
        }
    }

    pub(super) const fn optional(name: &'static str, aliases: &'static [&'static str]) -> Column {
        Column {
            name,
            aliases,
            required: false,
        }
    }

    pub(super) fn is_called(&self, heading: &str) -> bool {
        let heading = plain(heading);
        self.name == heading || self.aliases.contains(&heading.as_ref())
    }
}

/// A heading without case, outer spaces and the difference between space, hyphen and underscore.
pub(super) fn plain(heading: &str) -> Cow<'_, str> {
    let trimmed = heading.trim();
    let tidy = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_';
    if trimmed.bytes().all(tidy) {
        return Cow::Borrowed(trimmed);
    }
    Cow::Owned(trimmed.to_lowercase().replace([' ', '-'], "_"))
}

/// Whether two words are near enough for one to be a slip for the other.
pub(super) fn near(wanted: &str, found: &str) -> bool {
    let (wanted, found) = (plain(wanted), plain(found));
    if wanted.is_empty() || found.is_empty() || found.len() > 64 {
        return false;
    }
    let within = |long: &str, short: &str| short.len() >= 3 && long.contains(short);
    within(&found, &wanted)
        || within(&wanted, &found)
        || edits(&wanted, &found) <= if wanted.len() < 5 { 1 } else { 2 }
}

/// Levenshtein's distance (Levenshtein 1966, Soviet Physics Doklady 10:707-710).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let change = corner + usize::from(ca != *cb);
            corner = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(corner + 1);
        }
    }
    row[b.len()]
}

/// Which heading of the file holds each known column.
#[derive(Debug, Clone)]
pub struct Headings {
    pub(super) found: Vec<String>,
    pub(super) columns: &'static [Column],
    pub(super) index: Vec<Option<usize>>,
}

impl Headings {
    pub(super) fn new(found: Vec<String>, columns: &'static [Column]) -> Headings {
        let index = columns
            .iter()
            .map(|c| found.iter().position(|h| c.is_called(h)))
            .collect();
        Headings {
            found,
            columns,
            index,
        }
    }

    pub(super) fn has(&self, column: &str) -> bool {
        self.place(column).is_some()
    }

    pub(super) fn place(&self, column: &str) -> Option<usize> {
        let at = self.columns.iter().position(|c| c.name == column)?;
        self.index[at]
    }

    pub(super) fn unknown(&self) -> Vec<String> {
        self.found
            .iter()
            .enumerate()
            .filter(|(i, h)| !h.trim().is_empty() && !self.index.contains(&Some(*i)))
            .map(|(_, h)| h.trim().to_owned())
            .collect()
    }

    /// Headings that name a known column, in the file's order.
    pub(super) fn known(&self) -> Vec<String> {
        let mut places: Vec<usize> = self.index.iter().flatten().copied().collect();
        places.sort_unstable();
        places.iter().map(|&i| self.found[i].trim().to_owned()).collect()
    }

    /// Headings that two columns share, or that name one column twice.
    pub(super) fn twice(&self) -> Option<(&'static str, Vec<String>)> {
        self.columns.iter().find_map(|c| {
            let all: Vec<String> = self.found.iter().filter(|h| c.is_called(h)).cloned().collect();
            (all.len() > 1).then_some((c.name, all))
        })
    }

    pub(super) fn missing(&self) -> Vec<&'static str> {
        self.columns
            .iter()
            .zip(&self.index)
            .filter(|(c, i)| c.required && i.is_none())
            .map(|(c, _)| c.name)
            .collect()
    }

    /// The heading a person sees for a known column.
    pub(super) fn heading(&self, column: &str) -> String {
        self.place(column)
            .map_or_else(|| column.to_owned(), |i| self.found[i].trim().to_owned())
    }
}

/// The cells of a record.
#[derive(Debug, Clone, Copy)]
pub(super) enum Cells<'a> {
    Csv(&'a csv::StringRecord),
    Texts(&'a [String]),
}

/// One record of the file.
pub struct Row<'a> {
    pub(super) number: usize,
    pub(super) cells: Cells<'a>,
    pub(super) headings: &'a Headings,
    /// Ground, for shapes that have it: read from GeoJSON already, or to be read from a WKT column.
    pub(super) ground: Option<&'a Area>,
}

impl<'a> Row<'a> {
    /// The trimmed text of a known column; empty when the file hasn't it.
    pub(super) fn get(&self, column: &str) -> &'a str {
        let Some(i) = self.headings.place(column) else {
            return "";
        };
        match self.cells {
            Cells::Csv(record) => record.get(i).unwrap_or("").trim(),
            Cells::Texts(texts) => texts.get(i).map_or("", |t| t.trim()),
        }
    }
}

/// Where problems go: the first ones kept, all counted.
#[derive(Debug)]
pub struct Sink {
    pub(super) file: String,
    pub(super) unit: Unit,
    pub(super) cap: usize,
    pub(super) kept: Vec<Problem>,
    pub(super) count: usize,
}

/// Values longer than this are cut in messages, characters.
const SHOWN_CHARS: usize = 60;

pub(super) fn shown(value: &str) -> String {
    let mut text: String = value.chars().take(SHOWN_CHARS).collect();
    if text.len() < value.len() {
        text.push_str("...");
    }
    text.replace(['\n', '\r', '\t'], " ")
}

impl Sink {
    pub(super) fn new(file: &str, unit: Unit, cap: usize) -> Sink {
        Sink {
            file: file.to_owned(),
            unit,
            cap,
            kept: Vec::new(),
            count: 0,
        }
    }

    /// A problem with the value of one column.
    pub(super) fn at(&mut self, row: &Row<'_>, column: &str, rule: &str, remedy: &str) {
        let value = row.get(column);
        self.push(
            Some(row.number),
            Some((&row.headings.heading(column), value)),
            rule,
            remedy,
        );
    }

    /// A problem with a record, or with the whole file.
    pub(super) fn push(&mut self, row: Option<usize>, place: Option<(&str, &str)>, rule: &str, remedy: &str) {
        self.count += 1;
        if self.kept.len() >= self.cap {
            return;
        }
        self.kept.push(Problem {
            file: self.file.clone(),
            unit: self.unit,
            row,
            column: place.map(|p| p.0.to_owned()).filter(|c| !c.is_empty()),
            value: place.map(|p| shown(p.1)),
            rule: rule.to_owned(),
            remedy: remedy.to_owned(),
        });
    }

    pub(super) fn absorb(&mut self, other: Sink) {
        self.count += other.count;
        let room = self.cap.saturating_sub(self.kept.len());
        self.kept.extend(other.kept.into_iter().take(room));
    }
}
