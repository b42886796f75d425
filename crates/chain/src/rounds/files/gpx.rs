//! GPX 1.1: a waypoint for each stop, a route for each round, and its drive along the roads as a track where that is known.
//!
//! The order of elements is that of the schema (topografix.com/GPX/1/1/gpx.xsd): metadata, waypoints, routes, tracks; within a
//! point name, cmt, desc, type.

use std::fmt::Write as _;

use super::{Export, Exported};
use crate::rounds::view::PlannedStopView;

/// The rounds as a GPX document.
pub fn gpx(export: &Export) -> String {
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    out.push_str(
        "<gpx version=\"1.1\" creator=\"Earlywood\" xmlns=\"http://www.topografix.com/GPX/1/1\" \
         xmlns:xsi=\"http://www.w3.org/2001/XMLSchema-instance\" \
         xsi:schemaLocation=\"http://www.topografix.com/GPX/1/1 http://www.topografix.com/GPX/1/1/gpx.xsd\">\n",
    );
    let _ = writeln!(
        out,
        "  <metadata><name>{}</name></metadata>",
        escaped(&export.programme)
    );
    for exported in &export.rounds {
        for (n, stop) in (1..).zip(&exported.round.stops) {
            point(&mut out, "  ", "wpt", exported, n, stop);
        }
    }
    for exported in &export.rounds {
        let round = &exported.round;
        let _ = writeln!(out, "  <rte>\n    <name>{}</name>", escaped(&title(exported)));
        let _ = writeln!(
            out,
            "    <desc>{}</desc>",
            escaped(&format!("sheet {}, {} stops", round.sheet, round.stops.len()))
        );
        for (n, stop) in (1..).zip(&round.stops) {
            point(&mut out, "    ", "rtept", exported, n, stop);
        }
        out.push_str("  </rte>\n");
    }
    for exported in &export.rounds {
        let Some(line) = &exported.round.line else {
            continue;
        };
        let _ = writeln!(
            out,
            "  <trk>\n    <name>{}</name>\n    <trkseg>",
            escaped(&title(exported))
        );
        for [lon, lat] in line {
            let _ = writeln!(out, "      <trkpt lat=\"{lat:.7}\" lon=\"{lon:.7}\"/>");
        }
        out.push_str("    </trkseg>\n  </trk>\n");
    }
    out.push_str("</gpx>\n");
    out
}

fn title(exported: &Exported) -> String {
    format!("{} {}", exported.round.crew, exported.round.date)
}

fn point(out: &mut String, indent: &str, tag: &str, exported: &Exported, n: usize, stop: &PlannedStopView) {
    let mut words: Vec<String> = stop.cautions.iter().map(|c| format!("caution: {c}")).collect();
    words.push(format!(
        "{} at {}",
        stop.what.join(", "),
        stop.arrive.strftime("%H:%M")
    ));
    words.extend(stop.directions.clone());
    let _ = writeln!(
        out,
        "{indent}<{tag} lat=\"{:.7}\" lon=\"{:.7}\"><name>{}</name><desc>{}</desc><type>{}</type></{tag}>",
        stop.lat,
        stop.lon,
        escaped(&format!("{n} {}", stop.trap)),
        escaped(&words.join("; ")),
        escaped(&exported.round.sheet)
    );
}

/// Text as XML 1.0 can hold it: five characters escaped, those it has no place for left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&apos;"),
            '\n' | '\t' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => {}
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #[test]
    fn text_can_stand_in_xml() {
        assert_eq!(
            super::escaped("a<b>&\"'\u{1}\n\u{ffff}é"),
            "a&lt;b&gt;&amp;&quot;&apos; é"
        );
    }
}
