//! The charts: assurance against number of traps, flight by fortnight, assurance over time, stated against true.

use jiff::ToSpan as _;
use jiff::civil::Date;
use maud::{Markup, html};

use super::svg::{
    ACCENT, BAND, FAMILY, GRID, INK, SOFT_INK, Scale, banded, close, day_number, line, n, percent,
    probability, ring, short_day, ticks,
};
use super::{Fortnight, PlanResult, TrialCurve, ZoneAssurance};

/// A chart's size in page pixels, and the class that shows it on wide or narrow pages.
#[derive(Debug, Clone, Copy)]
struct Size {
    class: &'static str,
    width: f64,
    height: f64,
}

const WIDE: Size = Size {
    class: "wide",
    width: 720.0,
    height: 300.0,
};
const NARROW: Size = Size {
    class: "narrow",
    width: 350.0,
    height: 260.0,
};
const SMALL: Size = Size {
    class: "small",
    width: 340.0,
    height: 230.0,
};
const LETTERS: f64 = 13.0;

/// The plot's own rectangle inside a chart.
#[derive(Debug, Clone, Copy)]
struct Plot {
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
}

impl Plot {
    fn in_size(size: Size, top: f64) -> Self {
        Plot {
            left: 44.0,
            top,
            right: size.width - 14.0,
            bottom: size.height - 42.0,
        }
    }

    fn y(&self, low: f64, high: f64) -> Scale {
        Scale {
            data: (low, high),
            draw: (self.bottom, self.top),
        }
    }

    fn x(&self, low: f64, high: f64) -> Scale {
        Scale {
            data: (low, high),
            draw: (self.left, self.right),
        }
    }
}

fn svg(size: Size, id: &str, title: &str, body: Markup) -> Markup {
    let id = format!("{id}-{}", size.class);
    html! {
        svg class=(format!("chart {}", size.class)) viewBox=(format!("0 0 {} {}", n(size.width), n(size.height)))
            style=(format!("max-width:{}px", n(size.width))) role="img" aria-labelledby=(id) {
            title id=(id) { (title) }
            (body)
        }
    }
}

/// A chart that stands alone, for paper.
fn alone(size: Size, body: Markup) -> String {
    html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(format!("0 0 {} {}", n(size.width), n(size.height)))
            font-family=(FAMILY) { (body) }
    }
    .into_string()
}

fn text(x: f64, y: f64, anchor: &str, colour: &str, words: &str) -> Markup {
    html! {
        text x=(n(x)) y=(n(y)) text-anchor=(anchor) font-size=(n(LETTERS)) fill=(colour) { (words) }
    }
}

/// About how wide bold words are, page pixels.
fn letters_wide(words: &str) -> f64 {
    0.6 * LETTERS * words.chars().count() as f64
}

/// A label that must read over lines and bands.
fn label(x: f64, y: f64, anchor: &str, words: &str) -> Markup {
    html! {
        text x=(n(x)) y=(n(y)) text-anchor=(anchor) font-size=(n(LETTERS)) font-weight="700" fill=(INK)
            stroke="#ffffff" stroke-width="4" stroke-linejoin="round" paint-order="stroke" { (words) }
    }
}

/// Level lines with their values, on the left.
fn levels(plot: Plot, y: Scale, values: &[f64], words: impl Fn(f64) -> String) -> Markup {
    html! {
        @for &v in values {
            @let at = y.at(v);
            path d=(format!("M{} {}H{}", n(plot.left), n(at), n(plot.right))) stroke=(GRID) stroke-width="1" {}
            (text(plot.left - 7.0, at + 4.5, "end", SOFT_INK, &words(v)))
        }
    }
}

/// As many decimals as a tick's step needs.
fn decimals(values: &[f64]) -> usize {
    match values {
        [a, b, ..] if (b - a) < 0.0099 => 3,
        [a, b, ..] if (b - a) < 0.099 => 2,
        _ => 1,
    }
}

fn nothing(words: &str) -> Markup {
    html! { p.none { (words) } }
}

/// The plan's objective against the number of traps.
pub(crate) fn curve(plan: &PlanResult, id: &str) -> Markup {
    if plan.curve.is_empty() {
        return nothing("No curve was computed.");
    }
    let title = format!(
        "Line chart: programme sensitivity rises with the number of traps to {} at {} traps; the proved bound there is {}",
        probability(plan.objective),
        plan.traps,
        probability(plan.bound)
    );
    html! { @for size in [WIDE, NARROW] { (svg(size, id, &title, curve_body(plan, size))) } }
}

/// [`curve`] for paper; none when no curve was computed.
pub(crate) fn curve_alone(plan: &PlanResult) -> Option<String> {
    (!plan.curve.is_empty()).then(|| alone(WIDE, curve_body(plan, WIDE)))
}

fn curve_body(plan: &PlanResult, size: Size) -> Markup {
    let plot = Plot::in_size(size, if size.width > 500.0 { 32.0 } else { 46.0 });
    let most = plan
        .curve
        .iter()
        .map(|(k, _)| *k)
        .chain([plan.traps])
        .max()
        .unwrap_or(1)
        .max(1) as f64;
    let top = plan
        .curve
        .iter()
        .map(|(_, v)| *v)
        .chain([plan.objective, plan.bound])
        .fold(0.0, f64::max);
    let values = ticks(0.0, (top * 1.05).clamp(1e-6, 1.0), 5);
    let step = if values.len() > 1 {
        values[1] - values[0]
    } else {
        1.0
    };
    let high = ((top / step).ceil() * step).min(1.0).max(step);
    let values = ticks(0.0, high, 5);
    let y = plot.y(0.0, high);
    let x = plot.x(0.0, most);
    let places = decimals(&values);
    let (px, py) = (x.at(plan.traps as f64), y.at(plan.objective));
    let own_words = format!("this plan: {} at {} traps", close(plan.objective), plan.traps);
    // Under the curve there is room: to the right of the point if the words fit, else against the right edge, below
    // wherever the curve runs above their left end.
    let (anchor, own_x, own_y) = if px + 10.0 + letters_wide(&own_words) < plot.right {
        ("start", px + 10.0, py + 24.0)
    } else {
        let left_end = plot.right - letters_wide(&own_words);
        let above = plan
            .curve
            .iter()
            .filter(|(k, _)| x.at(*k as f64) <= left_end)
            .map(|(_, v)| *v)
            .fold(0.0, f64::max);
        ("end", plot.right - 2.0, y.at(above.min(plan.objective)) + 24.0)
    };
    let bound_words = if size.width > 500.0 {
        vec![format!(
            "no plan of {} traps can pass {}",
            plan.traps,
            close(plan.bound)
        )]
    } else {
        vec![
            format!("no plan of {} traps", plan.traps),
            format!("can pass {}", close(plan.bound)),
        ]
    };
    let count_ticks = ticks(0.0, most, if size.width > 500.0 { 8 } else { 4 });
    html! {
        (levels(plot, y, &values, |v| format!("{v:.places$}")))
        @for &k in count_ticks.iter().filter(|k| k.fract() == 0.0) {
            (text(x.at(k), plot.bottom + 18.0, "middle", SOFT_INK, &format!("{k:.0}")))
        }
        (text(plot.right, plot.bottom + 36.0, "end", SOFT_INK, "traps"))
        (text(0.0, 13.0, "start", SOFT_INK, "programme sensitivity, fresh lures"))
        path d=(format!("M{} {}H{}", n(plot.left), n(y.at(plan.bound)), n(plot.right)))
            stroke=(INK) stroke-width="1.2" stroke-dasharray="5 4" {}
        path d=(line(plan.curve.iter().map(|(k, v)| (x.at(*k as f64), y.at(*v)))))
            fill="none" stroke=(ACCENT) stroke-width="2.6" stroke-linejoin="round" {}
        circle cx=(n(px)) cy=(n(py)) r="5" fill=(ACCENT) stroke="#ffffff" stroke-width="1.5" {}
        @for (k, line_words) in bound_words.iter().rev().enumerate() {
            (label(plot.left + 6.0, y.at(plan.bound) - 6.0 - 16.0 * k as f64, "start", line_words))
        }
        (label(own_x, own_y.min(plot.bottom - 6.0), anchor, &own_words))
    }
}

/// Share of the year's flight in each fortnight.
pub(crate) fn fortnights(rows: &[Fortnight], id: &str) -> Markup {
    let Some((shown, peak, first, last)) = flown(rows) else {
        return nothing("No flight is expected in this year.");
    };
    let title = format!(
        "Bar chart: share of the year's flight by fortnight, from {} to {}; the busiest fortnight starts {} with {}",
        short_day(first.from),
        short_day(last.from),
        short_day(peak.from),
        percent(peak.share.median)
    );
    html! { @for size in [WIDE, NARROW] { (svg(size, id, &title, fortnights_body(shown, peak, size))) } }
}

/// [`fortnights`] for paper; none when there is no flight.
pub(crate) fn fortnights_alone(rows: &[Fortnight]) -> Option<String> {
    flown(rows).map(|(shown, peak, ..)| alone(WIDE, fortnights_body(shown, peak, WIDE)))
}

/// The fortnights shown (those with flight, and one on either side), the busiest, the first and the last with flight.
fn flown(rows: &[Fortnight]) -> Option<(&[Fortnight], &Fortnight, &Fortnight, &Fortnight)> {
    let flown = |f: &Fortnight| f.share.high > 0.000_5;
    let (first, last) = (rows.iter().position(flown)?, rows.iter().rposition(flown)?);
    let shown = &rows[first.saturating_sub(1)..(last + 2).min(rows.len())];
    let peak = shown
        .iter()
        .max_by(|a, b| a.share.median.total_cmp(&b.share.median))?;
    Some((shown, peak, &rows[first], &rows[last]))
}

fn fortnights_body(shown: &[Fortnight], peak: &Fortnight, size: Size) -> Markup {
    let plot = Plot::in_size(size, 48.0);
    let top = shown.iter().map(|f| f.share.high).fold(0.0, f64::max).max(1e-3);
    let y = plot.y(0.0, top);
    let slot = (plot.right - plot.left) / shown.len() as f64;
    let bar = (0.72 * slot).min(46.0);
    let middle = |k: usize| plot.left + (k as f64 + 0.5) * slot;
    // Every label needs room: about 58 px.
    let every = ((58.0 / slot).ceil() as usize).max(1);
    let peak_at = shown.iter().position(|f| f.from == peak.from).unwrap_or(0);
    let peak_words = format!("{} from {}", percent(peak.share.median), short_day(peak.from));
    let anchor = if middle(peak_at) > plot.right - 80.0 {
        "end"
    } else if middle(peak_at) < plot.left + 80.0 {
        "start"
    } else {
        "middle"
    };
    html! {
        (levels(plot, y, &ticks(0.0, top, 4), |v| format!("{:.0} %", 100.0 * v)))
        (text(0.0, 13.0, "start", SOFT_INK, "share of flight; whiskers: 5–95 % of the years"))
        @for (k, f) in shown.iter().enumerate() {
            @let x = middle(k);
            @let h = plot.bottom - y.at(f.share.median);
            rect x=(n(x - 0.5 * bar)) y=(n(plot.bottom - h)) width=(n(bar)) height=(n(h)) fill=(ACCENT) {}
            @if f.share.high - f.share.low > 1e-4 {
                path d=(format!("M{x} {lo}V{hi}M{a} {hi}H{b}M{a} {lo}H{b}",
                        x = n(x), lo = n(y.at(f.share.low)), hi = n(y.at(f.share.high)), a = n(x - 4.0), b = n(x + 4.0)))
                    stroke=(INK) stroke-width="1.3" fill="none" {}
            }
            @if k % every == 0 { (text(x, plot.bottom + 18.0, "middle", SOFT_INK, &short_day(f.from))) }
        }
        path d=(format!("M{} {}H{}", n(plot.left), n(plot.bottom), n(plot.right))) stroke=(INK) stroke-width="1" {}
        (label(middle(peak_at), y.at(peak.share.high) - 7.0, anchor, &peak_words))
        (text(plot.right, plot.bottom + 36.0, "end", SOFT_INK, "first day of the fortnight"))
    }
}

/// The lowest value worth showing over several zones: one axis for all, so that they can be compared.
pub(crate) fn common_low(zones: &[ZoneAssurance]) -> f64 {
    let low = zones
        .iter()
        .flat_map(|z| &z.free)
        .map(|(_, b)| b.low)
        .filter(|v| v.is_finite())
        .fold(1.0, f64::min);
    // Down to a round twentieth, and never so close to 1 that noise fills the plot.
    ((low * 20.0 - 1e-9).floor() / 20.0).clamp(0.0, 0.9)
}

/// The probability that one zone is free, over time.
pub(crate) fn assurance(zone: &ZoneAssurance, low: f64, id: &str) -> Markup {
    let Some(&(_, now)) = zone.free.last() else {
        return nothing("No visits are recorded yet.");
    };
    let title = format!(
        "Line chart: probability that {} is free of the target, over time; now {}",
        zone.zone,
        banded(now)
    );
    svg(SMALL, id, &title, assurance_body(zone, low))
}

/// [`assurance`] for paper; none without records.
pub(crate) fn assurance_alone(zone: &ZoneAssurance, low: f64) -> Option<String> {
    (!zone.free.is_empty()).then(|| alone(SMALL, assurance_body(zone, low)))
}

fn assurance_body(zone: &ZoneAssurance, low: f64) -> Markup {
    let plot = Plot::in_size(SMALL, 34.0);
    let first = zone.free[0].0;
    let (last, now) = zone.free[zone.free.len() - 1];
    let (d0, d1) = (day_number(first), day_number(last));
    let x = plot.x(d0, if d1 > d0 { d1 } else { d0 + 1.0 });
    let y = plot.y(low, 1.0);
    let values = ticks(low, 1.0, 5);
    let places = decimals(&values);
    let at = |date: Date, v: f64| (x.at(day_number(date)), y.at(v.clamp(low, 1.0)));
    let band = zone
        .free
        .iter()
        .map(|(d, b)| at(*d, b.high))
        .chain(zone.free.iter().rev().map(|(d, b)| at(*d, b.low)));
    let (ex, ey) = at(last, now.median);
    // Below the line near the top of the plot there is always room.
    let label_y = if ey + 24.0 < plot.bottom - 4.0 {
        ey + 24.0
    } else {
        ey - 12.0
    };
    html! {
        (levels(plot, y, &values, |v| format!("{v:.places$}")))
        @for (date, words) in months(first, last) {
            (text(x.at(day_number(date)), plot.bottom + 18.0, "middle", SOFT_INK, &words))
        }
        path d=(ring(band)) fill=(BAND) fill-opacity="0.85" {}
        path d=(line(zone.free.iter().map(|(d, b)| at(*d, b.median)))) fill="none" stroke=(ACCENT) stroke-width="2.6"
            stroke-linejoin="round" {}
        circle cx=(n(ex)) cy=(n(ey)) r="4.5" fill=(ACCENT) stroke="#ffffff" stroke-width="1.5" {}
        (label(ex - 2.0, label_y, "end", &banded(now)))
        text x="0" y="15" font-size="15" font-weight="700" fill=(INK) { (zone.zone) }
    }
}

/// Stated probability against the share that was really free.
pub(crate) fn reliability(curve: &TrialCurve, id: &str) -> Markup {
    if curve.points.is_empty() {
        return nothing("Nothing was stated in these worlds.");
    }
    let off = curve.points.iter().filter(|p| !p.agrees()).count();
    let title = format!(
        "Dot chart: share really free against stated probability, {}; {off} of {} dots lie off the diagonal",
        curve.title,
        curve.points.len()
    );
    svg(SMALL, id, &title, reliability_body(curve))
}

/// [`reliability`] for paper; none where nothing was stated.
pub(crate) fn reliability_alone(curve: &TrialCurve) -> Option<String> {
    (!curve.points.is_empty()).then(|| alone(SMALL, reliability_body(curve)))
}

fn reliability_body(curve: &TrialCurve) -> Markup {
    let plot = Plot::in_size(SMALL, 34.0);
    let (x, y) = (plot.x(0.0, 1.0), plot.y(0.0, 1.0));
    let values = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0];
    html! {
        (levels(plot, y, &values, |v| format!("{v:.1}")))
        @for v in values { (text(x.at(v), plot.bottom + 18.0, "middle", SOFT_INK, &format!("{v:.1}"))) }
        path d=(line([(x.at(0.0), y.at(0.0)), (x.at(1.0), y.at(1.0))].into_iter())) fill="none" stroke=(INK) stroke-width="1.2"
            stroke-dasharray="5 4" {}
        @for p in &curve.points {
            @let at = x.at(p.stated);
            path d=(format!("M{a} {l}V{h}", a = n(at), l = n(y.at(p.interval.0)), h = n(y.at(p.interval.1))))
                stroke=(INK) stroke-width="1.3" fill="none" {}
            @if p.agrees() {
                circle cx=(n(at)) cy=(n(y.at(p.free))) r="4" fill=(ACCENT) stroke="#ffffff" stroke-width="1" {}
            } @else {
                rect x=(n(at - 4.0)) y=(n(y.at(p.free) - 4.0)) width="8" height="8" fill="#ffffff" stroke=(INK) stroke-width="2" {}
            }
        }
        (text(0.0, 15.0, "start", SOFT_INK, "share really free"))
        (text(plot.right, plot.bottom + 36.0, "end", SOFT_INK, "stated probability that it is free"))
    }
}

/// Firsts of months between two days, at most about five, named.
fn months(first: Date, last: Date) -> Vec<(Date, String)> {
    let mut out = Vec::new();
    let mut at = first.first_of_month();
    if at < first {
        at = at.saturating_add(1.month());
    }
    while at <= last && out.len() < 600 {
        out.push(at);
        at = at.saturating_add(1.month());
    }
    let every = out.len().div_ceil(6).max(1);
    out.into_iter()
        .step_by(every)
        .map(|d| {
            let words = if every >= 12 {
                d.strftime("%Y")
            } else {
                d.strftime("%b")
            };
            (d, words.to_string())
        })
        .collect()
}
