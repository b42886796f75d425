//! Small things for drawing: scales, ticks, path strings, colours, and numbers in words.

use std::fmt::Write as _;

use jiff::civil::Date;

use super::{Band, Point};

/// The family that text in drawings for paper is set in: the page's own.
pub(crate) const FAMILY: &str = "Atkinson Hyperlegible Next, DejaVu Sans";
/// Text, and every line that carries meaning. 15:1 on white.
pub(crate) const INK: &str = "#22211f";
/// Second-rank text. 7.6:1 on white.
pub(crate) const SOFT_INK: &str = "#55514b";
/// Our accent, a burnt umber. 9:1 on white.
pub(crate) const ACCENT: &str = "#7a3410";
/// The band around a line.
pub(crate) const BAND: &str = "#ecd6c6";
/// Grid lines.
pub(crate) const GRID: &str = "#dcd8d0";

/// The map's scale for values from 0 to 1, in five steps that get darker and so read without colour.
pub(crate) const RAMP: [&str; 5] = ["#f3ecd9", "#cfdcc0", "#8fbfae", "#468c90", "#17506a"];

/// The step of the map's scale a value falls in.
pub(crate) fn ramp(value: f64) -> &'static str {
    let step = (value.clamp(0.0, 1.0) * RAMP.len() as f64) as usize;
    RAMP[step.min(RAMP.len() - 1)]
}

/// From data to drawing along one axis.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    /// Data at both ends.
    pub(crate) data: (f64, f64),
    /// Drawing at both ends.
    pub(crate) draw: (f64, f64),
}

impl Scale {
    /// The place of a value; an empty data range lands in the middle.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let width = self.data.1 - self.data.0;
        let share = if width.abs() > 0.0 {
            (value - self.data.0) / width
        } else {
            0.5
        };
        self.draw.0 + share * (self.draw.1 - self.draw.0)
    }
}

/// About `wanted` round values that cover a range: steps of 1, 2, 2.5 or 5 times a power of ten.
pub(crate) fn ticks(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let width = high - low;
    if !(width > 0.0 && width.is_finite()) {
        return vec![low];
    }
    let rough = width / wanted.max(1) as f64;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 2.5, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(10.0 * power);
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(|k| k as f64 * step).collect()
}

/// A coordinate with one decimal, without a needless ".0".
pub(crate) fn n(value: f64) -> String {
    let rounded = (value * 10.0).round() / 10.0;
    // Minus zero would be written "-0".
    let rounded = if rounded == 0.0 { 0.0 } else { rounded };
    format!("{rounded}")
}

/// A path through points already in drawing units.
pub(crate) fn line(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut d = String::new();
    for (k, (x, y)) in points.into_iter().enumerate() {
        let _ = write!(d, "{}{} {}", if k == 0 { "M" } else { "L" }, n(x), n(y));
    }
    d
}

/// A closed path.
pub(crate) fn ring(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut d = line(points);
    if !d.is_empty() {
        d.push('Z');
    }
    d
}

/// The smallest box around points: (west, south, east, north), metres.
pub(crate) fn bounds<'a>(points: impl IntoIterator<Item = &'a Point>) -> Option<(f64, f64, f64, f64)> {
    points
        .into_iter()
        .filter(|p| p.x_m.is_finite() && p.y_m.is_finite())
        .fold(None, |b, p| {
            let (w, s, e, n) = b.unwrap_or((p.x_m, p.y_m, p.x_m, p.y_m));
            Some((w.min(p.x_m), s.min(p.y_m), e.max(p.x_m), n.max(p.y_m)))
        })
}

/// A probability in words: two decimals, three near the ends, and never a 0 or a 1 that is not one.
pub(crate) fn probability(p: f64) -> String {
    if p > 0.0 && p < 0.0005 {
        "<0.001".to_owned()
    } else if (0.9995..1.0).contains(&p) {
        ">0.999".to_owned()
    } else if (p > 0.0 && p < 0.005) || (0.995..1.0).contains(&p) {
        format!("{p:.3}")
    } else {
        format!("{p:.2}")
    }
}

/// A probability with its band: "0.81 (0.66–0.90)".
pub(crate) fn banded(b: Band) -> String {
    let (low, high) = (probability(b.low), probability(b.high));
    // A dash before ">" would read as an arrow.
    let joint = if high.starts_with(['<', '>']) {
        " to "
    } else {
        "–"
    };
    format!("{} ({low}{joint}{high})", probability(b.median))
}

/// A probability with three decimals, for figures that are compared closely.
pub(crate) fn close(p: f64) -> String {
    let rough = probability(p);
    if rough.starts_with(['<', '>']) {
        rough
    } else {
        format!("{p:.3}")
    }
}

/// A share as a percentage with one decimal below ten.
pub(crate) fn percent(share: f64) -> String {
    let p = 100.0 * share;
    if p > 0.0 && p < 0.05 {
        "<0.1 %".to_owned()
    } else if p.abs() < 9.95 {
        format!("{p:.1} %")
    } else {
        format!("{p:.0} %")
    }
}

/// A change of a probability in points: "1.4 points".
pub(crate) fn points(change: f64) -> String {
    let p = 100.0 * change;
    if p > 0.0 && p < 0.05 {
        "<0.1 points".to_owned()
    } else {
        format!("{p:.1} points")
    }
}

/// A whole number with thin spaces between thousands.
pub(crate) fn whole(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let mut out = String::new();
    for (k, c) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k) % 3 == 0 {
            out.push('\u{202f}');
        }
        out.push(c);
    }
    if value < -0.5 {
        format!("\u{2212}{out}")
    } else {
        out
    }
}

/// "14 May 2025".
pub(crate) fn day(date: Date) -> String {
    date.strftime("%-d %b %Y").to_string()
}

/// "14 May".
pub(crate) fn short_day(date: Date) -> String {
    date.strftime("%-d %b").to_string()
}

/// Days since a fixed day, for date axes.
pub(crate) fn day_number(date: Date) -> f64 {
    const EPOCH: Date = Date::constant(2000, 1, 1);
    EPOCH.until(date).map_or(0.0, |span| f64::from(span.get_days()))
}

/// Metres with feet or miles beside them.
pub(crate) fn metres(m: f64) -> String {
    const FT_PER_M: f64 = 1.0 / 0.3048; // international foot, exact
    const MILE_M: f64 = 1_609.344; // international mile, exact
    let us = if m >= 1_000.0 {
        format!("{:.1} mi", m / MILE_M)
    } else {
        format!("{} ft", whole((m * FT_PER_M / 10.0).round() * 10.0))
    };
    if m >= 1_000.0 {
        format!("{} km ({us})", n(m / 1_000.0))
    } else {
        format!("{} m ({us})", whole(m))
    }
}

/// First letter small unless the first word is a proper name of the sort "Asian", "Mediterranean", "Japanese".
pub(crate) fn mid_sentence(words: &str) -> String {
    const PROPER: [&str; 6] = [
        "Asian",
        "Japanese",
        "Mediterranean",
        "European",
        "Mexican",
        "Oriental",
    ];
    if PROPER.iter().any(|p| words.starts_with(p)) {
        return words.to_owned();
    }
    let mut letters = words.chars();
    letters
        .next()
        .map_or_else(String::new, |c| c.to_lowercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_cover() {
        assert_eq!(
            ticks(0.0, 1.0, 5),
            vec![0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0]
        );
        assert_eq!(ticks(0.0, 300.0, 4), vec![0.0, 100.0, 200.0, 300.0]);
        assert_eq!(ticks(2.0, 2.0, 4), vec![2.0]);
        assert_eq!(ticks(0.0, f64::NAN, 4), vec![0.0]);
    }

    #[test]
    fn a_probability_is_never_rounded_to_certainty() {
        assert_eq!(probability(0.9999), ">0.999");
        assert_eq!(probability(0.9971), "0.997");
        assert_eq!(probability(0.0001), "<0.001");
        assert_eq!(probability(0.0012), "0.001");
        assert_eq!(probability(0.0), "0.00");
        assert_eq!(probability(1.0), "1.00");
        assert_eq!(probability(0.806), "0.81");
        assert_eq!(close(0.3562), "0.356");
        assert_eq!(close(0.999_99), ">0.999");
    }

    #[test]
    fn a_band_reads_as_one_figure() {
        let band = |low, median, high| banded(Band { low, median, high });
        assert_eq!(band(0.66, 0.81, 0.90), "0.81 (0.66–0.90)");
        assert_eq!(band(0.95, 0.98, 0.9999), "0.98 (0.95 to >0.999)");
    }

    #[test]
    fn numbers_are_written_plainly() {
        assert_eq!(n(-0.04), "0");
        assert_eq!(whole(20000.0), "20\u{202f}000");
        assert_eq!(whole(-1234.0), "\u{2212}1\u{202f}234");
        assert_eq!(metres(500.0), "500 m (1\u{202f}640 ft)");
        assert_eq!(metres(1000.0), "1 km (0.6 mi)");
        assert_eq!(day(Date::constant(2025, 5, 4)), "4 May 2025");
    }

    #[test]
    fn the_ramp_gets_darker_step_by_step() {
        let lightness = |hex: &str| -> u32 {
            (1..7)
                .step_by(2)
                .map(|k| u32::from_str_radix(&hex[k..k + 2], 16).unwrap())
                .sum()
        };
        assert!(RAMP.windows(2).all(|w| lightness(w[0]) > lightness(w[1])));
        assert_eq!(ramp(0.0), RAMP[0]);
        assert_eq!(ramp(1.0), RAMP[4]);
        assert_eq!(ramp(f64::NAN), RAMP[0]);
    }

    /// Contrast as WCAG 2.1 defines it (relative luminance of sRGB).
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |hex: &str| {
            let part = |k: usize| {
                let c = f64::from(u8::from_str_radix(&hex[k..k + 2], 16).unwrap()) / 255.0;
                if c <= 0.03928 {
                    c / 12.92
                } else {
                    ((c + 0.055) / 1.055).powf(2.4)
                }
            };
            0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
        };
        let (x, y) = (luminance(a), luminance(b));
        (x.max(y) + 0.05) / (x.min(y) + 0.05)
    }

    #[test]
    fn text_colours_keep_seven_to_one_on_the_page() {
        for text in [INK, SOFT_INK, ACCENT] {
            for paper in ["#ffffff", "#faf8f4"] {
                assert!(
                    contrast(text, paper) >= 7.0,
                    "{text} on {paper}: {:.2}",
                    contrast(text, paper)
                );
            }
        }
    }
}
