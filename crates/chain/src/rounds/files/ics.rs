//! iCalendar (RFC 5545): an event for each round, and one for each stop where that is wanted.

use std::fmt::Write as _;

use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;

use super::{Export, Exported};
use crate::error::ChainError;
use crate::rounds::view::PlannedStopView;

/// Longest line before it is folded, octets without the line break (RFC 5545, 3.1).
const LONGEST_LINE: usize = 75;

/// The rounds as a calendar. Times are in UTC, reckoned from the programme's own; the same rounds give the same bytes.
///
/// # Errors
/// A time that the time zone does not have.
pub fn ics(export: &Export, with_stops: bool) -> Result<String, ChainError> {
    let mut out = Lines::default();
    out.put("BEGIN:VCALENDAR");
    out.put("VERSION:2.0");
    out.put("PRODID:-//Earlywood//Rounds//EN");
    out.put("CALSCALE:GREGORIAN");
    out.put("METHOD:PUBLISH");
    for exported in &export.rounds {
        round(&mut out, export, exported)?;
        if with_stops {
            for (n, stop) in (1..).zip(&exported.round.stops) {
                event_of_stop(&mut out, export, exported, n, stop)?;
            }
        }
    }
    out.put("END:VCALENDAR");
    Ok(out.text)
}

fn round(out: &mut Lines, export: &Export, exported: &Exported) -> Result<(), ChainError> {
    let round = &exported.round;
    let mut words = vec![
        format!("Sheet {}", round.sheet),
        format!(
            "{:.0} minutes on the way, {:.0} at the stops",
            round.drive_minutes, round.work_minutes
        ),
    ];
    if let Some(at) = round.break_at {
        words.push(format!(
            "Break of {} minutes from {}",
            round.break_minutes,
            hm(at)
        ));
    }
    for (n, stop) in (1..).zip(&round.stops) {
        words.push(format!(
            "{n}. {} {} at {} ({})",
            hm(stop.arrive),
            stop.trap,
            stop.place,
            stop.what.join(", ")
        ));
    }
    let event = Event {
        uid: format!("round-{}@{}", round.sheet, export.id),
        stamp: exported.adopted,
        date: round.date,
        starts: round.starts,
        ends: round.ends,
        summary: format!("{}: {} stops ({})", round.crew, round.stops.len(), round.sheet),
        words: words.join("\n"),
        place: None,
        at: round.stops.first().map(|s| (s.lat, s.lon)),
    };
    event.write(out, &export.zone)
}

fn event_of_stop(
    out: &mut Lines,
    export: &Export,
    exported: &Exported,
    n: usize,
    stop: &PlannedStopView,
) -> Result<(), ChainError> {
    let round = &exported.round;
    let mut words: Vec<String> = stop.cautions.iter().map(|c| format!("Caution: {c}")).collect();
    words.extend(stop.directions.clone());
    words.push(format!("Due: {}", stop.what.join(", ")));
    if !stop.needs.is_empty() {
        words.push(format!("Needs: {}", stop.needs.join(", ")));
    }
    let event = Event {
        uid: format!("stop-{}-{n}@{}", round.sheet, export.id),
        stamp: exported.adopted,
        date: round.date,
        starts: stop.arrive,
        ends: stop.leave,
        summary: format!("{} {n}: {}", round.crew, stop.trap),
        words: words.join("\n"),
        place: Some(stop.place.clone()),
        at: Some((stop.lat, stop.lon)),
    };
    event.write(out, &export.zone)
}

fn hm(time: Time) -> String {
    time.strftime("%H:%M").to_string()
}

struct Event {
    uid: String,
    stamp: Timestamp,
    date: Date,
    starts: Time,
    ends: Time,
    summary: String,
    words: String,
    place: Option<String>,
    at: Option<(f64, f64)>,
}

impl Event {
    fn write(&self, out: &mut Lines, zone: &TimeZone) -> Result<(), ChainError> {
        let utc = |time: Time| -> Result<String, ChainError> {
            let moment = self.date.to_datetime(time).to_zoned_datetime(zone.clone())?;
            Ok(stamp(moment.timestamp()))
        };
        out.put("BEGIN:VEVENT");
        out.put(&format!("UID:{}", self.uid));
        out.put(&format!("DTSTAMP:{}", stamp(self.stamp)));
        out.put(&format!("DTSTART:{}", utc(self.starts)?));
        out.put(&format!("DTEND:{}", utc(self.ends)?));
        out.put(&format!("SUMMARY:{}", escaped(&self.summary)));
        out.put(&format!("DESCRIPTION:{}", escaped(&self.words)));
        if let Some(place) = &self.place {
            out.put(&format!("LOCATION:{}", escaped(place)));
        }
        if let Some((lat, lon)) = self.at {
            out.put(&format!("GEO:{lat:.6};{lon:.6}"));
        }
        out.put("END:VEVENT");
        Ok(())
    }
}

fn stamp(moment: Timestamp) -> String {
    moment.strftime("%Y%m%dT%H%M%SZ").to_string()
}

/// Text as RFC 5545, 3.3.11 wants it. Control characters can't stand there at all.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => {
                out.push('\\');
                out.push(c);
            }
            '\n' => out.push_str("\\n"),
            '\t' => out.push(' '),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

/// Content lines, folded.
#[derive(Default)]
struct Lines {
    text: String,
}

impl Lines {
    fn put(&mut self, line: &str) {
        let (mut left, mut room) = (line, LONGEST_LINE);
        loop {
            if left.len() <= room {
                let _ = write!(self.text, "{left}\r\n");
                return;
            }
            // No character is torn: the greatest boundary that fits.
            let mut cut = room;
            while !left.is_char_boundary(cut) {
                cut -= 1;
            }
            let _ = write!(self.text, "{}\r\n ", &left[..cut]);
            left = &left[cut..];
            // The blank that leads a continued line is one of its octets.
            room = LONGEST_LINE - 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn lines_are_folded_and_unfold_to_themselves(text in "[a-z ,;é水🌲]{0,300}") {
            let mut lines = Lines::default();
            lines.put(&text);
            prop_assert!(lines.text.ends_with("\r\n"));
            for line in lines.text.split_terminator("\r\n") {
                prop_assert!(line.len() <= LONGEST_LINE, "{}", line.len());
            }
            let unfolded = lines.text.replace("\r\n ", "");
            prop_assert_eq!(unfolded.strip_suffix("\r\n"), Some(text.as_str()));
        }
    }

    #[test]
    fn text_is_escaped() {
        assert_eq!(escaped("a,b;c\\d\ne\u{7}"), "a\\,b\\;c\\\\d\\ne");
    }
}
