//! One value at a time: text to number, date, word or position, or a message that says what to do.

use earlywood_model::record::Position;
use jiff::civil::Date;

use super::row::{Row, Sink};

/// What is wrong with a value: `(rule, remedy)`.
pub(super) type Wrong = (String, String);

fn wrong<T>(rule: impl Into<String>, remedy: impl Into<String>) -> Result<T, Wrong> {
    Err((rule.into(), remedy.into()))
}

/// The oldest date taken: instruments and inventories of the trade begin after it.
pub(super) const FIRST_YEAR: i16 = 1900;

/// A finite number written with a decimal point.
pub(super) fn number(text: &str) -> Result<f64, Wrong> {
    if let Ok(value) = text.parse::<f64>() {
        if value.is_finite() {
            return Ok(value);
        }
        return wrong(
            "this is not a number that can be used",
            "correct it, or leave the cell empty",
        );
    }
    let digits = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if let Some((whole, part)) = text.split_once(',')
        && digits(whole.trim_start_matches(['-', '+']))
        && digits(part)
    {
        return wrong(
            "decimal comma: a comma separates columns here",
            format!("write {whole}.{part}"),
        );
    }
    if text.starts_with('#') {
        return wrong(
            "this is a spreadsheet's error, not a number",
            "correct the formula in the spreadsheet, then save again",
        );
    }
    let leading = text
        .trim_start_matches(['-', '+'])
        .starts_with(|c: char| c.is_ascii_digit());
    if leading && text.contains(['°', '\'', '"', '′']) {
        return wrong(
            "degrees, minutes and seconds are not read",
            "give decimal degrees, for example 40.7128",
        );
    }
    if leading && text.ends_with(|c: char| c.is_alphabetic()) {
        return wrong(
            "a number must stand alone",
            "take the unit out of the cell; the column's name says the unit",
        );
    }
    wrong("this is not a number", "write a number such as 12.5")
}

/// A day written year-month-day; a time after it (`T...`) is left aside.
pub(super) fn date(text: &str, today: Date) -> Result<Date, Wrong> {
    let day = parse_date(text)?;
    if day.year() < FIRST_YEAR {
        return wrong(
            format!("the date lies before {FIRST_YEAR}"),
            "check the year: four digits, first of all",
        );
    }
    if day > today {
        return wrong(
            format!("the date lies in the future (today is {today})"),
            "check the year and the order of month and day",
        );
    }
    Ok(day)
}

fn parse_date(text: &str) -> Result<Date, Wrong> {
    let bytes = text.as_bytes();
    let part = |from: usize, to: usize| {
        bytes.get(from..to).and_then(|b| {
            b.iter().try_fold(0_i16, |n, c| {
                c.is_ascii_digit().then(|| n * 10 + i16::from(c - b'0'))
            })
        })
    };
    let dashed = bytes.get(4) == Some(&b'-') && bytes.get(7) == Some(&b'-');
    let ends = matches!(bytes.get(10), None | Some(b'T' | b't' | b' '));
    if let (true, true, Some(y), Some(m), Some(d)) = (dashed, ends, part(0, 4), part(5, 7), part(8, 10)) {
        return Date::new(y, m as i8, d as i8).or_else(|_| {
            wrong(
                "there is no such day",
                "check month (01 to 12) and day; the order is year-month-day",
            )
        });
    }
    if text.contains('/') || text.contains('.') {
        return wrong(
            "month and day can't be told apart in this way of writing",
            "write the date year-month-day, for example 2026-06-03",
        );
    }
    wrong(
        "this is not a date",
        "write the date year-month-day, for example 2026-06-03",
    )
}

/// A day as GHCN-Daily writes it: eight digits, or year-month-day.
pub(super) fn compact_date(text: &str, today: Date) -> Result<Date, Wrong> {
    if text.len() == 8 && text.bytes().all(|b| b.is_ascii_digit()) {
        return date(&format!("{}-{}-{}", &text[..4], &text[4..6], &text[6..]), today);
    }
    date(text, today)
}

/// A word of a fixed list. Case, spaces and underscores don't matter; aliases are `(alias, word's value)`.
pub(super) fn word<T: Copy>(text: &str, words: &[(&str, T)]) -> Result<T, Wrong> {
    let said = text.trim().to_lowercase().replace([' ', '_'], "-");
    if let Some((_, value)) = words.iter().find(|(w, _)| *w == said) {
        return Ok(*value);
    }
    let list: Vec<&str> = words.iter().map(|(w, _)| *w).collect();
    let near = list
        .iter()
        .find(|w| super::row::near(w, &said))
        .map(|w| format!("did you mean {w}? "));
    wrong(
        "this word is not known here",
        format!("{}write one of: {}", near.unwrap_or_default(), list.join(", ")),
    )
}

/// Whether a coordinate can only be metres or feet of some map projection.
fn projected(value: f64) -> bool {
    value.abs() > 1000.0
}

/// Northern- and southernmost latitudes at which anything this tool is about can stand. Trees reach 72.5 N (Taimyr larch:
/// Naurzbaev & Vaganov 2000, Journal of Geophysical Research 105:7317) and 56 S (Cape Horn islands: Buma et al. 2021,
/// National Geographic Field Notes); a little room is given beyond both.
const TREE_LATITUDES: (f64, f64) = (-60.0, 75.0);

/// A position in degrees: `(column at fault, rule, remedy)` when it can't be one.
pub(super) fn position(lat: f64, lon: f64) -> Result<Position, (&'static str, Wrong)> {
    let at = |column, rule: &str, remedy: &str| Err((column, (rule.to_owned(), remedy.to_owned())));
    if projected(lat) || projected(lon) {
        let column = if projected(lat) { "lat" } else { "lon" };
        return at(
            column,
            "degrees end at 90 and 180: these look like projected metres or feet",
            "give WGS 84 degrees (export the layer as EPSG:4326)",
        );
    }
    if lat == 0.0 && lon == 0.0 {
        return at(
            "lat",
            "0, 0 is open sea and usually means that the position is missing",
            "find the position, or take the row out",
        );
    }
    let swapped_would_do = (TREE_LATITUDES.0..=TREE_LATITUDES.1).contains(&lon) && lat.abs() <= 180.0;
    if !(-90.0..=90.0).contains(&lat) {
        return if swapped_would_do {
            at(
                "lat",
                "a latitude lies between -90 and 90",
                "latitude and longitude look swapped: exchange the two",
            )
        } else {
            at("lat", "a latitude lies between -90 and 90", "check the value")
        };
    }
    if !(-180.0..=180.0).contains(&lon) {
        return if (180.0..=360.0).contains(&lon) {
            at(
                "lon",
                "a longitude lies between -180 and 180",
                &format!("west longitudes are negative: {:.6}?", lon - 360.0),
            )
        } else {
            at("lon", "a longitude lies between -180 and 180", "check the value")
        };
    }
    if !(TREE_LATITUDES.0..=TREE_LATITUDES.1).contains(&lat) {
        return at(
            "lat",
            "no tree grows at this latitude",
            if swapped_would_do {
                "latitude and longitude look swapped: exchange the two"
            } else {
                "check the value"
            },
        );
    }
    Ok(Position { lat, lon })
}

impl Row<'_> {
    /// Text that must be there.
    pub(super) fn need(&self, column: &'static str, sink: &mut Sink) -> Option<String> {
        let text = self.get(column);
        if text.is_empty() {
            sink.at(self, column, "the cell is empty", "this column must be filled in");
            return None;
        }
        Some(text.to_owned())
    }

    /// Text that may be missing.
    pub(super) fn optional(&self, column: &'static str) -> Option<String> {
        let text = self.get(column);
        (!text.is_empty()).then(|| text.to_owned())
    }

    fn judged<T>(&self, column: &'static str, sink: &mut Sink, judged: Result<T, Wrong>) -> Option<T> {
        judged
            .map_err(|(rule, remedy)| sink.at(self, column, &rule, &remedy))
            .ok()
    }

    /// A number that must be there.
    pub(super) fn number(&self, column: &'static str, sink: &mut Sink) -> Option<f64> {
        let text = self.get(column);
        if text.is_empty() {
            sink.at(self, column, "the cell is empty", "this column must be filled in");
            return None;
        }
        self.judged(column, sink, number(text))
    }

    /// A number that may be missing, between two ends.
    ///
    /// `Err(())` when it is there and wrong.
    pub(super) fn optional_within(
        &self,
        column: &'static str,
        (least, most): (f64, f64),
        remedy: &str,
        sink: &mut Sink,
    ) -> Result<Option<f64>, ()> {
        if self.get(column).is_empty() {
            return Ok(None);
        }
        let value = self.number(column, sink).ok_or(())?;
        if value < least {
            let rule = format!("the value must be {least} or more");
            sink.at(self, column, &rule, "check the value");
            return Err(());
        }
        if value > most {
            sink.at(self, column, &format!("the value must be {most} or less"), remedy);
            return Err(());
        }
        Ok(Some(value))
    }

    /// A date that must be there, not in the future.
    pub(super) fn date(&self, column: &'static str, today: Date, sink: &mut Sink) -> Option<Date> {
        let text = self.get(column);
        if text.is_empty() {
            sink.at(self, column, "the cell is empty", "this column must be filled in");
            return None;
        }
        self.judged(column, sink, date(text, today))
    }

    /// A word that must be there.
    pub(super) fn word<T: Copy>(
        &self,
        column: &'static str,
        words: &[(&str, T)],
        sink: &mut Sink,
    ) -> Option<T> {
        let text = self.get(column);
        if text.is_empty() {
            let list: Vec<&str> = words.iter().map(|(w, _)| *w).collect();
            let remedy = format!("write one of: {}", list.join(", "));
            sink.at(self, column, "the cell is empty", &remedy);
            return None;
        }
        self.judged(column, sink, word(text, words))
    }

    /// The position in the columns lat and lon.
    pub(super) fn position(&self, sink: &mut Sink) -> Option<Position> {
        let (lat, lon) = (self.number("lat", sink), self.number("lon", sink));
        position(lat?, lon?)
            .map_err(|(column, (rule, remedy))| sink.at(self, column, &rule, &remedy))
            .ok()
    }

    /// Yes or no; empty is no.
    pub(super) fn flag(&self, column: &'static str, sink: &mut Sink) -> Option<bool> {
        if self.get(column).is_empty() {
            return Some(false);
        }
        let words = [
            ("yes", true),
            ("no", false),
            ("true", true),
            ("false", false),
            ("1", true),
            ("0", false),
        ];
        self.word(column, &words, sink)
    }
}
