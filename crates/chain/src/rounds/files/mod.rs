//! Adopted rounds as files for other programs: calendars, satellite receivers, spreadsheets.
//!
//! The writers are our own: each of the three formats is a page of rules of which rounds need a part, the output must be the
//! same to the last byte for the same rounds, and no library at hand folds, escapes and orders all of it that way. CSV goes
//! through the csv crate, which knows RFC 4180.

mod gpx;
mod ics;

use earlywood_journal::Programme;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use uuid::Uuid;

use super::view::{PlannedRoundView, Viewer, holding};
use crate::error::ChainError;

pub use gpx::gpx;
pub use ics::ics;

/// A round with the moment at which it was recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Exported {
    /// The round.
    pub round: PlannedRoundView,
    /// When its adoption was recorded.
    pub adopted: Timestamp,
}

/// Rounds that go out, and where and when they are.
#[derive(Debug, Clone)]
pub struct Export {
    /// The programme's name.
    pub programme: String,
    /// The programme's id.
    pub id: Uuid,
    /// Where its times are.
    pub zone: TimeZone,
    /// The rounds, by day and crew.
    pub rounds: Vec<Exported>,
}

/// Which rounds go out.
#[derive(Debug, Clone, PartialEq)]
pub struct Which {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// One crew's only.
    pub crew: Option<String>,
}

impl Export {
    /// The adopted rounds that hold on these days.
    ///
    /// # Errors
    /// No such round; a crew that is in none; a programme that can't be read.
    pub fn of(programme: &Programme, which: &Which, zone: TimeZone) -> Result<Export, ChainError> {
        let (from, to) = (which.from, which.to);
        if to < from {
            return Err(ChainError::asked("to", format!("{to} lies before {from}")));
        }
        let viewer = Viewer::read(programme)?;
        let mut rounds = Vec::new();
        for held in holding(programme, from, to)? {
            let recorded = programme.entry(held.entry)?.map(|e| e.recorded_time);
            let adopted: Timestamp = recorded.unwrap_or_default().parse()?;
            for round in held.rounds {
                rounds.push(Exported {
                    round: viewer.round(round, held.began)?,
                    adopted,
                });
            }
        }
        if rounds.is_empty() {
            return Err(ChainError::asked(
                "from",
                format!("no rounds are adopted for {from} to {to}, so there is nothing to write"),
            ));
        }
        if let Some(crew) = &which.crew {
            let crews: Vec<String> = rounds.iter().map(|r| r.round.crew.clone()).collect();
            rounds.retain(|r| r.round.crew == *crew);
            if rounds.is_empty() {
                let mut crews = crews;
                crews.sort();
                crews.dedup();
                return Err(ChainError::asked(
                    "crew",
                    format!(
                        "no round of {crew:?} is adopted for {from} to {to}; there are those of {}",
                        crews.join(", ")
                    ),
                ));
            }
        }
        rounds.sort_by(|a, b| (a.round.date, &a.round.crew).cmp(&(b.round.date, &b.round.crew)));
        Ok(Export {
            programme: programme.name()?,
            id: programme.id()?,
            zone,
            rounds,
        })
    }
}

/// A cell that no spreadsheet takes for a formula: what begins with `=`, `+`, `-`, `@`, a tab or a return, or with an apostrophe
/// before one of these, gets an apostrophe in front. [`unguarded`] takes it off again.
pub fn guarded(cell: &str) -> String {
    if is_formula(cell.trim_start_matches('\'')) {
        format!("'{cell}")
    } else {
        cell.to_owned()
    }
}

/// A cell as it was before [`guarded`].
pub fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(rest) if is_formula(rest.trim_start_matches('\'')) => rest,
        _ => cell,
    }
}

fn is_formula(cell: &str) -> bool {
    cell.starts_with(['=', '+', '-', '@', '\t', '\r'])
}

/// CSV of RFC 4180: a header, lines that end with CR LF, quotes where they are needed.
pub(crate) fn csv_text(
    header: &[&str],
    rows: impl Iterator<Item = Vec<String>>,
) -> Result<String, ChainError> {
    let broken = |e: String| ChainError::asked("csv", format!("the rows can't be written: {e}"));
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    out.write_record(header).map_err(|e| broken(e.to_string()))?;
    for row in rows {
        out.write_record(&row).map_err(|e| broken(e.to_string()))?;
    }
    let bytes = out.into_inner().map_err(|e| broken(e.to_string()))?;
    String::from_utf8(bytes).map_err(|e| broken(e.to_string()))
}

/// Every stop as a row.
///
/// Text cells are [`guarded`]; numbers are plain, so that a spreadsheet reads them as numbers (a longitude west of Greenwich
/// begins with a minus and is one).
///
/// # Errors
/// None that rounds can bring about.
pub fn csv(export: &Export) -> Result<String, ChainError> {
    let header = [
        "date",
        "crew",
        "sheet",
        "stop",
        "trap",
        "place",
        "lat",
        "lon",
        "arrive",
        "leave",
        "drive_minutes",
        "what",
        "needs",
        "cautions",
        "directions",
        "done",
    ];
    let rows = export.rounds.iter().flat_map(|e| {
        let round = &e.round;
        (1..).zip(&round.stops).map(move |(n, s): (usize, _)| {
            let time = |t: jiff::civil::Time| t.strftime("%H:%M").to_string();
            vec![
                round.date.to_string(),
                guarded(&round.crew),
                round.sheet.clone(),
                n.to_string(),
                guarded(&s.trap),
                guarded(&s.place),
                format!("{:.7}", s.lat),
                format!("{:.7}", s.lon),
                time(s.arrive),
                time(s.leave),
                format!("{:.1}", s.drive_minutes),
                guarded(&s.what.join("; ")),
                guarded(&s.needs.join("; ")),
                guarded(&s.cautions.join("; ")),
                guarded(s.directions.as_deref().unwrap_or_default()),
                if s.done { "yes" } else { "no" }.to_owned(),
            ]
        })
    });
    csv_text(&header, rows)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_a_spreadsheet_would_reckon_gets_an_apostrophe() {
        for (cell, want) in [
            ("=1+1", "'=1+1"),
            ("-2", "'-2"),
            ("@x", "'@x"),
            ("\tx", "'\tx"),
            ("'=x", "''=x"),
            ("O'Neil", "O'Neil"),
            ("'tis", "'tis"),
            ("", ""),
        ] {
            assert_eq!(guarded(cell), want);
        }
    }

    proptest! {
        #[test]
        fn guards_come_off_again(cell in "['=+@\ta-]{0,6}") {
            let guarded = guarded(&cell);
            prop_assert_eq!(unguarded(&guarded), cell.as_str());
        }
    }
}
