//! The map: ground common to all targets once, then each target's cells, traps and finds over it.
//!
//! Two drawings are made of every map, for wide and for narrow pages: same ground, larger signs and letters.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::svg::{ACCENT, FAMILY, INK, RAMP, line, metres, mid_sentence, n, ramp, ring};
use super::{MapBase, MapCell, Point, TargetReport, TrapState, svg};

/// Width of every map in drawing units.
const WIDTH: f64 = 1000.0;
/// At most so many host trees are drawn; beyond that every second, third ... one.
const MOST_HOSTS: usize = 4_000;

/// From metres on the ground to drawing units.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Frame {
    west_m: f64,
    north_m: f64,
    units_per_m: f64,
    height: f64,
}

impl Frame {
    /// A frame around everything that has to be seen; `None` when there is nothing.
    pub(crate) fn around(base: &MapBase, targets: &[TargetReport]) -> Option<Frame> {
        let zones = base.zones.iter().flat_map(|(_, rings)| rings).flatten();
        let pathways = base.pathways.iter().map(|p| &p.at);
        let seen = targets.iter().flat_map(|t| {
            let cells = t.cells.iter().flat_map(|c| &c.ring);
            cells
                .chain(t.traps.iter().map(|trap| &trap.at))
                .chain(t.finds.iter().map(|f| &f.at))
        });
        let (west, south, east, north) = svg::bounds(zones.chain(pathways).chain(seen))?;
        let margin = 0.015 * (east - west).max(north - south).max(1.0);
        let width_m = (east - west + 2.0 * margin).max(0.55 * (north - south + 2.0 * margin));
        let units_per_m = WIDTH / width_m;
        Some(Frame {
            west_m: 0.5 * (west + east) - 0.5 * width_m,
            north_m: north + margin,
            units_per_m,
            height: (north - south + 2.0 * margin) * units_per_m,
        })
    }

    /// How high a map is, for its width.
    pub(crate) fn height_per_width(&self) -> f64 {
        self.height / WIDTH
    }

    fn at(&self, p: &Point) -> (f64, f64) {
        (
            (p.x_m - self.west_m) * self.units_per_m,
            (self.north_m - p.y_m) * self.units_per_m,
        )
    }

    fn rings<'a>(&self, rings: impl IntoIterator<Item = &'a Vec<Point>>) -> String {
        rings
            .into_iter()
            .map(|r| ring(r.iter().map(|p| self.at(p))))
            .collect()
    }

    fn lines<'a>(&self, lines: impl IntoIterator<Item = &'a Vec<Point>>) -> String {
        lines
            .into_iter()
            .map(|l| line(l.iter().map(|p| self.at(p))))
            .collect()
    }

    /// The longest round length that takes at most a quarter of the width.
    fn scale_bar_m(&self) -> f64 {
        let most = 0.25 * WIDTH / self.units_per_m;
        let power = 10f64.powf(most.max(1.0).log10().floor());
        [5.0, 2.0, 1.0]
            .into_iter()
            .map(|m| m * power)
            .find(|m| *m <= most)
            .unwrap_or(power)
    }
}

/// Ground that every map uses, drawn once and hidden.
pub(crate) fn ground(base: &MapBase, frame: &Frame) -> Markup {
    html! {
        svg.defs width="0" height="0" aria-hidden="true" focusable="false" { (ground_defs(base, frame)) }
    }
}

fn ground_defs(base: &MapBase, frame: &Frame) -> Markup {
    let water = (base.water_width_m * frame.units_per_m).max(2.0);
    html! {
            defs {
                pattern #map-hatch width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    rect width="7" height="7" fill="#ffffff" {}
                    rect width="2.4" height="7" fill="#6b665e" {}
                }
                clipPath #map-clip { rect width=(n(WIDTH)) height=(n(frame.height)) {} }
                g #map-greens { path d=(frame.rings(&base.greens)) fill="#e3e8d6" {} }
                g #map-ground fill="none" stroke-linejoin="round" stroke-linecap="round" {
                    path d=(frame.lines(&base.roads)) stroke="#ffffff" stroke-opacity="0.65" stroke-width="1.5" {}
                    path d=(frame.rings(&base.greens)) stroke="#5d6f47" stroke-width="1.1" {}
                    path d=(frame.lines(&base.water)) stroke="#b4d0e2" stroke-width=(n(water)) {}
                    path d=(frame.rings(&base.forbidden)) fill="url(#map-hatch)" stroke=(INK) stroke-width="1" {}
                }
                g #map-zones fill="none" stroke-linejoin="round" {
                    @for (_, rings) in &base.zones {
                        path d=(frame.rings(rings)) stroke="#ffffff" stroke-opacity="0.8" stroke-width="4.5" {}
                    }
                    @for (_, rings) in &base.zones {
                        path d=(frame.rings(rings)) stroke=(INK) stroke-width="1.6" {}
                    }
                }
            }
    }
}

/// A target's cells and hosts, drawn once and hidden.
pub(crate) fn layer(target: &TargetReport, key: usize, frame: &Frame) -> Markup {
    html! {
        svg.defs width="0" height="0" aria-hidden="true" focusable="false" { (layer_defs(target, key, frame)) }
    }
}

fn layer_defs(target: &TargetReport, key: usize, frame: &Frame) -> Markup {
    let every = target.hosts.len().div_ceil(MOST_HOSTS).max(1);
    // A line of no length with a round end is a dot: thousands of trees in one short path.
    let dots: String = target
        .hosts
        .iter()
        .step_by(every)
        .map(|p| {
            let (x, y) = frame.at(p);
            format!("M{} {}h0", n(x), n(y))
        })
        .collect();
    let (cells, _) = drawn_cells(&target.cells, frame);
    html! {
            defs {
                g id=(format!("map-cells-{key}")) {
                    @for step in RAMP {
                        path fill=(step) d=(cells.iter().filter(|c| ramp(c.1) == step).map(|c| c.0.as_str()).collect::<String>()) {}
                    }
                }
                g id=(format!("map-hosts-{key}")) {
                    path d=(dots) stroke="#3f3a33" stroke-opacity="0.55" stroke-width="1.7" stroke-linecap="round" {}
                }
            }
    }
}

/// One target's map with its legend.
pub(crate) fn figure(base: &MapBase, target: &TargetReport, key: usize, frame: &Frame) -> Markup {
    html! {
        figure.map {
            (drawing(base, target, key, frame, Look { name: "wide", unit: 1.0 }))
            (drawing(base, target, key, frame, Look { name: "narrow", unit: 2.7 }))
            (legend(base, target, frame))
            figcaption { (caption(target)) }
        }
    }
}

/// How large signs and letters are drawn.
#[derive(Clone, Copy)]
struct Look {
    name: &'static str,
    /// Drawing units in one pixel of the page.
    unit: f64,
}

fn drawing(base: &MapBase, target: &TargetReport, key: usize, frame: &Frame, look: Look) -> Markup {
    let id = format!("map-{key}-{}", look.name);
    html! {
        svg class=(look.name) viewBox=(view_box(frame, look.unit)) role="img" aria-labelledby=(id) {
            title id=(id) { (spoken(base, target)) }
            (painted(base, target, key, frame, look.unit))
        }
    }
}

/// The map with its scale below it.
fn view_box(frame: &Frame, u: f64) -> String {
    format!("0 0 {} {}", n(WIDTH), n(frame.height + 40.0 * u))
}

/// The map as text of SVG that stands alone, for paper: 1000 units wide, letters of 14 `u` units.
pub(crate) fn alone(base: &MapBase, target: &TargetReport, frame: &Frame, u: f64) -> String {
    html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(view_box(frame, u)) font-family=(FAMILY) {
            (ground_defs(base, frame))
            (layer_defs(target, 0, frame))
            (painted(base, target, 0, frame, u))
        }
    }
    .into_string()
}

fn painted(base: &MapBase, target: &TargetReport, key: usize, frame: &Frame, u: f64) -> Markup {
    let signs: Vec<(f64, f64)> = target
        .traps
        .iter()
        .map(|t| &t.at)
        .chain(base.pathways.iter().map(|p| &p.at))
        .chain(target.finds.iter().map(|f| &f.at))
        .map(|p| frame.at(p))
        .collect();
    html! {
            g clip-path="url(#map-clip)" {
                rect width=(n(WIDTH)) height=(n(frame.height)) fill="#fbf9f4" {}
                use href="#map-greens" {}
                use href=(format!("#map-cells-{key}")) {}
                use href="#map-ground" {}
                use href=(format!("#map-hosts-{key}")) {}
                use href="#map-zones" {}
                @for pathway in &base.pathways { (diamond(frame.at(&pathway.at), u)) }
                @for trap in &target.traps {
                    g {
                        title { (trap.label) }
                        (trap_sign(frame.at(&trap.at), trap.state, trap_size(target.traps.len(), u)))
                    }
                }
                @for find in &target.finds { (find_ring(frame.at(&find.at), u)) }
                @for (k, pathway) in base.pathways.iter().enumerate() {
                    (diamond_number(frame.at(&pathway.at), k + 1, u))
                }
                @for (label, rings) in &base.zones { (zone_label(label, rings, &signs, frame, u)) }
                @if let Some(find) = target.finds.first() { (find_label(find, frame, u)) }
            }
            rect width=(n(WIDTH)) height=(n(frame.height)) fill="none" stroke="#8b857b" stroke-width=(n(u)) {}
            (scale_and_north(frame, u))
    }
}

/// Signs shrink a little when there are many.
fn trap_size(traps: usize, unit: f64) -> f64 {
    let crowd = if traps > 400 {
        0.72
    } else if traps > 150 {
        0.85
    } else {
        1.0
    };
    (crowd * unit).min(1.9 * crowd)
}

fn trap_sign((x, y): (f64, f64), state: TrapState, u: f64) -> Markup {
    let r = 5.2 * u;
    html! {
        @match state {
            TrapState::Working => {
                circle cx=(n(x)) cy=(n(y)) r=(n(r)) fill=(INK) stroke="#ffffff" stroke-width=(n(1.5 * u)) {}
            }
            TrapState::Impaired => {
                circle cx=(n(x)) cy=(n(y)) r=(n(r)) fill="#ffffff" stroke=(INK) stroke-width=(n(2.4 * u)) {}
            }
            TrapState::Out => {
                circle cx=(n(x)) cy=(n(y)) r=(n(r + u)) fill="#ffffff" {}
                path d=(format!("M{} {}L{} {}M{} {}L{} {}",
                        n(x - r), n(y - r), n(x + r), n(y + r), n(x - r), n(y + r), n(x + r), n(y - r)))
                    stroke=(INK) stroke-width=(n(2.6 * u)) fill="none" {}
            }
        }
    }
}

fn diamond((x, y): (f64, f64), u: f64) -> Markup {
    let r = 7.5 * u;
    html! {
        path d=(ring([(x, y - r), (x + r, y), (x, y + r), (x - r, y)]))
            fill=(ACCENT) stroke="#ffffff" stroke-width=(n(1.6 * u)) {}
    }
}

/// The pathway's number beside its diamond, drawn last so that no trap hides it.
fn diamond_number((x, y): (f64, f64), number: usize, u: f64) -> Markup {
    html! {
        text x=(n(x + 10.0 * u)) y=(n(y + 5.0 * u)) font-size=(n(14.0 * u)) font-weight="700" fill=(ACCENT)
            stroke="#ffffff" stroke-width=(n(4.0 * u)) stroke-linejoin="round" paint-order="stroke" { (number) }
    }
}

fn find_ring((x, y): (f64, f64), u: f64) -> Markup {
    html! {
        circle cx=(n(x)) cy=(n(y)) r=(n(13.0 * u)) fill="none" stroke="#ffffff" stroke-width=(n(7.0 * u)) {}
        circle cx=(n(x)) cy=(n(y)) r=(n(13.0 * u)) fill="none" stroke=(ACCENT) stroke-width=(n(4.0 * u)) {}
    }
}

/// Text with a white edge, so that it reads over anything.
fn over(x: f64, y: f64, anchor: &str, size: f64, text: &str) -> Markup {
    html! {
        text x=(n(x)) y=(n(y)) text-anchor=(anchor) font-size=(n(size)) font-weight="700" fill=(INK)
            stroke="#ffffff" stroke-width=(n(0.28 * size)) stroke-linejoin="round" paint-order="stroke" { (text) }
    }
}

fn find_label(find: &super::Find, frame: &Frame, u: f64) -> Markup {
    let (x, y) = frame.at(&find.at);
    let right = x < 0.6 * WIDTH;
    let (dx, anchor) = if right {
        (19.0 * u, "start")
    } else {
        (-19.0 * u, "end")
    };
    over(
        x + dx,
        y + 5.0 * u,
        anchor,
        14.0 * u,
        &format!("Find, {}", find.label),
    )
}

/// A zone's name where the fewest signs are in its way: the roomiest of a few spots well inside the zone.
fn zone_label(label: &str, rings: &[Vec<Point>], signs: &[(f64, f64)], frame: &Frame, u: f64) -> Markup {
    let size = 17.0 * u;
    let half = 0.31 * size * label.chars().count() as f64;
    let outline: Vec<Vec<(f64, f64)>> = rings
        .iter()
        .map(|r| r.iter().map(|p| frame.at(p)).collect())
        .collect();
    let inside = |at: (f64, f64)| outline.iter().filter(|r| in_ring(at, r)).count() % 2 == 1;
    let room = |(x, y): (f64, f64)| {
        signs
            .iter()
            .map(|&(sx, sy)| ((sx - x).abs() - half).max(0.0).hypot(sy - (y - 0.35 * size)))
            .fold(8.0 * size, f64::min)
    };
    let Some((west, south, east, north)) = svg::bounds(rings.iter().flatten()) else {
        return html! {};
    };
    const STEPS: i32 = 12;
    let spots = (2..STEPS - 1)
        .flat_map(|i| (2..STEPS - 1).map(move |j| (f64::from(i), f64::from(j))))
        .map(|(i, j)| {
            let share = |a: f64, b: f64, k: f64| a + (b - a) * k / f64::from(STEPS);
            frame.at(&Point {
                x_m: share(west, east, i),
                y_m: share(south, north, j),
            })
        });
    let best = spots
        .filter(|&(x, y)| inside((x - half, y)) && inside((x + half, y)))
        .max_by(|a, b| room(*a).total_cmp(&room(*b)));
    let (x, y) = best.unwrap_or_else(|| {
        frame.at(&Point {
            x_m: 0.5 * (west + east),
            y_m: 0.5 * (south + north),
        })
    });
    over(x, y, "middle", size, label)
}

/// Even-odd rule, in drawing units.
fn in_ring((x, y): (f64, f64), ring: &[(f64, f64)]) -> bool {
    let next = ring.iter().cycle().skip(1);
    ring.iter()
        .zip(next)
        .filter(|&(&(ax, ay), &(bx, by))| (ay > y) != (by > y) && x < (bx - ax) * (y - ay) / (by - ay) + ax)
        .count()
        % 2
        == 1
}

fn scale_and_north(frame: &Frame, u: f64) -> Markup {
    let bar_m = frame.scale_bar_m();
    let bar = bar_m * frame.units_per_m;
    let (x, y) = (2.0 * u, frame.height + 14.0 * u);
    let (nx, ny) = (WIDTH - 14.0 * u, frame.height + 10.0 * u);
    html! {
        path d=(format!("M{} {}v{}h{}v{}", n(x), n(y - 5.0 * u), n(10.0 * u), n(bar), n(-10.0 * u)))
            fill="none" stroke=(INK) stroke-width=(n(1.6 * u)) {}
        text x=(n(x + bar + 9.0 * u)) y=(n(y + 5.0 * u)) font-size=(n(13.0 * u)) fill=(INK) { (metres(bar_m)) }
        path d=(ring([(nx, ny - 4.0 * u), (nx + 7.0 * u, ny + 18.0 * u), (nx, ny + 13.0 * u), (nx - 7.0 * u, ny + 18.0 * u)]))
            fill=(INK) {}
        text x=(n(nx - 14.0 * u)) y=(n(ny + 13.0 * u)) text-anchor="end" font-size=(n(13.0 * u)) fill=(INK) { "north" }
    }
}

/// Cells smaller than this are put together for drawing, drawing units from middle to corner.
const LEAST_CELL: f64 = 4.5;
/// More cells than this are put together, too.
const MOST_CELLS: usize = 6_000;
/// Middle to corner of the hexagons they are put together in.
const BIN: f64 = 11.0;

/// Cells as they are drawn: their own outlines, or hexagons with the weighted mean of the cells whose middles they hold
/// where their own would be too small to see. Values and outlines are in drawing units.
fn drawn_cells(cells: &[MapCell], frame: &Frame) -> (Vec<(String, f64)>, bool) {
    let corner: f64 = cells
        .iter()
        .filter_map(|c| svg::bounds(&c.ring).map(|(w, s, e, nn)| 0.25 * (e - w + nn - s) * frame.units_per_m))
        .sum::<f64>()
        / cells.len().max(1) as f64;
    if corner >= LEAST_CELL && cells.len() <= MOST_CELLS {
        let own = cells
            .iter()
            .map(|c| (ring(c.ring.iter().map(|p| frame.at(p))), c.value));
        return (own.collect(), false);
    }
    let mut bins: BTreeMap<(i64, i64), (f64, f64)> = BTreeMap::new();
    for cell in cells
        .iter()
        .filter(|c| c.value.is_finite() && c.weight.is_finite() && c.weight >= 0.0)
    {
        let Some((w, s, e, nn)) = svg::bounds(&cell.ring) else {
            continue;
        };
        let middle = frame.at(&Point {
            x_m: 0.5 * (w + e),
            y_m: 0.5 * (s + nn),
        });
        let sums = bins.entry(hexagon_of(middle)).or_default();
        sums.0 += cell.weight * cell.value;
        sums.1 += cell.weight;
    }
    let drawn = bins
        .into_iter()
        .filter(|(_, (_, weight))| *weight > 0.0)
        .map(|(at, (sum, weight))| {
            let (x, y) = hexagon_middle(at);
            let corners = (0..6).map(|k| {
                let turn = std::f64::consts::FRAC_PI_3 * f64::from(k) + std::f64::consts::FRAC_PI_6;
                (x + BIN * turn.cos(), y + BIN * turn.sin())
            });
            (ring(corners), sum / weight)
        });
    (drawn.collect(), true)
}

/// Middle of a hexagon with a corner upward, from its axial coordinates.
fn hexagon_middle((q, r): (i64, i64)) -> (f64, f64) {
    let (q, r) = (q as f64, r as f64);
    (BIN * 3f64.sqrt() * (q + 0.5 * r), BIN * 1.5 * r)
}

/// Axial coordinates of the hexagon a point lies in: round in three coordinates that sum to 0, and put right the one
/// that was rounded most.
fn hexagon_of((x, y): (f64, f64)) -> (i64, i64) {
    let r = y / (1.5 * BIN);
    let q = x / (3f64.sqrt() * BIN) - 0.5 * r;
    let s = -q - r;
    let (rq, rr, rs) = (q.round(), r.round(), s.round());
    let (dq, dr, ds) = ((rq - q).abs(), (rr - r).abs(), (rs - s).abs());
    if dq > dr && dq > ds {
        ((-rr - rs) as i64, rr as i64)
    } else if dr > ds {
        (rq as i64, (-rq - rs) as i64)
    } else {
        (rq as i64, rr as i64)
    }
}

/// What the signs of a map mean, for paper: a drawing and words.
pub(crate) fn signs_alone(base: &MapBase, target: &TargetReport) -> Vec<(String, String)> {
    let sign = |drawn: Markup| {
        html! { svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 18 18" width="18" height="18" { (drawn) } }.into_string()
    };
    let state = |state, words: &str| {
        let words = format!("{words} ({})", count(target, state));
        (sign(trap_sign((9.0, 9.0), state, 1.15)), words)
    };
    let mut signs = vec![
        state(TrapState::Working, "working"),
        state(TrapState::Impaired, "impaired or overdue"),
        state(TrapState::Out, "down, gone or not reached"),
    ];
    if !target.finds.is_empty() {
        signs.push((sign(find_ring((9.0, 9.0), 0.5)), "confirmed find".to_owned()));
    }
    if !target.hosts.is_empty() {
        let dots = html! {
            path d="M5 6h0M12 8h0M7 13h0" stroke="#3f3a33" stroke-width="2.4" stroke-linecap="round" {}
        };
        let thinned = if target.hosts.len() > MOST_HOSTS {
            " (thinned for the map)"
        } else {
            ""
        };
        signs.push((sign(dots), format!("host trees{thinned}")));
    }
    if !base.forbidden.is_empty() {
        let hatched = html! {
            rect x="1" y="3" width="16" height="12" fill="#ffffff" stroke=(INK) {}
            path d="M1 9L7 3M1 15L13 3M5 15L17 3M11 15L17 9" stroke="#6b665e" stroke-width="1.6" fill="none" {}
        };
        signs.push((sign(hatched), "no traps allowed".to_owned()));
    }
    for (k, pathway) in base.pathways.iter().enumerate() {
        let words = format!("{}: {} ({})", k + 1, pathway.label, pathway.kind);
        signs.push((sign(diamond((9.0, 9.0), 1.0)), words));
    }
    signs
}

/// Whether cells are so small that they are drawn together.
pub(crate) fn drawn_together(target: &TargetReport, frame: &Frame) -> bool {
    drawn_cells(&target.cells, frame).1
}

fn count(target: &TargetReport, state: TrapState) -> usize {
    target.traps.iter().filter(|t| t.state == state).count()
}

fn legend(base: &MapBase, target: &TargetReport, frame: &Frame) -> Markup {
    let (_, together) = drawn_cells(&target.cells, frame);
    let sign = |state: TrapState| {
        html! {
            svg.key viewBox="0 0 18 18" aria-hidden="true" { (trap_sign((9.0, 9.0), state, 1.15)) }
        }
    };
    html! {
        div.legend {
            @if !target.cells.is_empty() {
                div {
                    p.head { (target.cell_measure) }
                    @if together { p { "mean over the hosts in each hexagon" } }
                    ul.ramp {
                        @for (k, colour) in RAMP.iter().enumerate() {
                            li {
                                svg.swatch viewBox="0 0 34 16" aria-hidden="true" {
                                    rect x="0.5" y="0.5" width="33" height="15" fill=(colour) stroke="#8b857b" {}
                                }
                                (format!("{:.1}–{:.1}", k as f64 * 0.2, (k + 1) as f64 * 0.2))
                            }
                        }
                    }
                }
            }
            div {
                p.head { "Traps at the last record" }
                ul {
                    li { (sign(TrapState::Working)) "working (" (count(target, TrapState::Working)) ")" }
                    li { (sign(TrapState::Impaired)) "impaired or overdue (" (count(target, TrapState::Impaired)) ")" }
                    li { (sign(TrapState::Out)) "down, gone or not reached (" (count(target, TrapState::Out)) ")" }
                    @if !target.finds.is_empty() {
                        li { svg.key viewBox="0 0 18 18" aria-hidden="true" { (find_ring((9.0, 9.0), 0.5)) } "confirmed find" }
                    }
                    @if !target.hosts.is_empty() {
                        li {
                            svg.key viewBox="0 0 18 18" aria-hidden="true" {
                                path d="M5 6h0M12 8h0M7 13h0" stroke="#3f3a33" stroke-width="2.4" stroke-linecap="round" {}
                            }
                            "host trees" @if target.hosts.len() > MOST_HOSTS { " (thinned for the map)" }
                        }
                    }
                    @if !base.forbidden.is_empty() {
                        li {
                            svg.key viewBox="0 0 18 18" aria-hidden="true" {
                                rect x="1" y="3" width="16" height="12" fill="url(#map-hatch)" stroke=(INK) {}
                            }
                            "no traps allowed"
                        }
                    }
                }
            }
            @if !base.pathways.is_empty() {
                div {
                    p.head { "Where it may arrive" }
                    ul {
                        @for (k, pathway) in base.pathways.iter().enumerate() {
                            li {
                                svg.key.two viewBox="0 0 34 18" aria-hidden="true" {
                                    (diamond((9.0, 9.0), 1.0))
                                    (diamond_number((9.0, 9.0), k + 1, 1.0))
                                }
                                span { (pathway.label) " (" (pathway.kind) ")" }
                            }
                        }
                    }
                }
            }
        }
    }
}

pub(crate) fn caption(target: &TargetReport) -> String {
    format!(
        "{} traps for {}; the darker the ground, the likelier that the traps would see a design incursion there.",
        target.traps.len(),
        mid_sentence(&target.common_name)
    )
}

fn spoken(base: &MapBase, target: &TargetReport) -> String {
    let zones: Vec<&str> = base.zones.iter().map(|(label, _)| label.as_str()).collect();
    let found = match target.finds.as_slice() {
        [] => "no find".to_owned(),
        [one] => format!("one find, at {} in {}", one.label, one.zone),
        many => format!("{} finds", many.len()),
    };
    format!(
        "Map of the traps for {} in {}: {} working, {} impaired, {} out; {found}",
        target.common_name,
        zones.join(", "),
        count(target, TrapState::Working),
        count(target, TrapState::Impaired),
        count(target, TrapState::Out),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_lies_in_the_hexagon_with_the_nearest_middle() {
        for k in 0..500 {
            let p = (f64::from(k % 37) * 3.7 - 20.0, f64::from(k % 41) * 2.9 - 30.0);
            let own = hexagon_of(p);
            let away = |at: (i64, i64)| {
                let m = hexagon_middle(at);
                (m.0 - p.0).hypot(m.1 - p.1)
            };
            for dq in -1..=1 {
                for dr in -1..=1 {
                    assert!(away(own) <= away((own.0 + dq, own.1 + dr)) + 1e-9, "{p:?}");
                }
            }
        }
    }

    #[test]
    fn small_cells_are_put_together_by_weight() {
        let base = MapBase {
            zones: vec![("Z".to_owned(), vec![square(0.0, 0.0, 5_000.0)])],
            ..MapBase::default()
        };
        let frame = Frame::around(&base, &[]).unwrap();
        let cell = |x: f64, value, weight| MapCell {
            ring: square(x, 2_000.0, 10.0),
            value,
            weight,
        };
        let (drawn, together) = drawn_cells(&[cell(2_000.0, 0.2, 3.0), cell(2_001.0, 0.6, 1.0)], &frame);
        assert!(together);
        assert_eq!(drawn.len(), 1);
        assert!((drawn[0].1 - 0.3).abs() < 1e-12);
        let large = MapCell {
            ring: square(0.0, 0.0, 100.0),
            value: 0.5,
            weight: 0.0,
        };
        assert!(!drawn_cells(&[large], &frame).1);
    }

    fn square(x: f64, y: f64, side: f64) -> Vec<Point> {
        [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side)]
            .into_iter()
            .map(|(dx, dy)| Point {
                x_m: x + dx,
                y_m: y + dy,
            })
            .collect()
    }
}
