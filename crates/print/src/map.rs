//! The map of a round: roads in grey, the outline of zones, the way from the depot past every numbered stop and back.
//!
//! Drawn in black, grey and white alone, so that a copying machine loses nothing. Lengths are tenths of a millimetre.

use earlywood_geodata::Frame;
use earlywood_model::record::Position;
use maud::{Markup, html};

use crate::report::svg::{FAMILY, line, metres, n, ring};

/// What is drawn.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RoundMap {
    /// Zones: label and rings.
    pub zones: Vec<(String, Vec<Vec<Position>>)>,
    /// Roads; may be empty. Those outside the drawing are left away.
    pub roads: Vec<MapRoad>,
    /// The way the truck goes. Empty: straight from stop to stop.
    pub line: Vec<Position>,
    /// Where the day begins.
    pub depot: Option<Position>,
    /// Where it ends, if elsewhere.
    pub end: Option<Position>,
    /// The stops in their order: number 1 first.
    pub stops: Vec<Position>,
}

/// A road on the map.
#[derive(Debug, Clone, PartialEq)]
pub struct MapRoad {
    /// Its corners.
    pub line: Vec<Position>,
    /// A road between places, not one of houses: drawn thicker.
    pub main: bool,
}

/// Tenths of a millimetre in one.
const MM: f64 = 10.0;
/// Half the side of the least ground shown, metres: one stop alone still has surroundings.
const LEAST_HALF_M: f64 = 250.0;
/// Share of the ground's length left free around it.
const MARGIN: f64 = 0.06;
/// Radius of a stop's number.
const DISC: f64 = 2.6 * MM;

type Xy = (f64, f64);

/// From positions to the drawing.
struct Sheet {
    frame: Frame,
    west_m: f64,
    north_m: f64,
    per_m: f64,
    width: f64,
    height: f64,
}

impl Sheet {
    fn around(seen: &[Position], width_mm: f64, height_mm: (f64, f64)) -> Option<Sheet> {
        let frame = Frame::about(seen.iter().copied()).ok()?;
        let (mut west, mut south, mut east, mut north) = (f64::MAX, f64::MAX, f64::MIN, f64::MIN);
        for p in seen {
            let xy = frame.to_xy(*p);
            (west, east) = (west.min(xy.x_m), east.max(xy.x_m));
            (south, north) = (south.min(xy.y_m), north.max(xy.y_m));
        }
        let margin = MARGIN * (east - west).max(north - south);
        let half = |low: f64, high: f64| (0.5 * (high - low) + margin).max(LEAST_HALF_M);
        let (half_w, half_h) = (half(west, east), half(south, north));
        let width = width_mm * MM;
        let height = (width * half_h / half_w).clamp(height_mm.0 * MM, height_mm.1 * MM);
        let per_m = (0.5 * width / half_w).min(0.5 * height / half_h);
        Some(Sheet {
            west_m: 0.5 * (west + east) - 0.5 * width / per_m,
            north_m: 0.5 * (south + north) + 0.5 * height / per_m,
            frame,
            per_m,
            width,
            height,
        })
    }

    fn at(&self, p: Position) -> Xy {
        let xy = self.frame.to_xy(p);
        (
            (xy.x_m - self.west_m) * self.per_m,
            (self.north_m - xy.y_m) * self.per_m,
        )
    }

    fn all(&self, line: &[Position]) -> Vec<Xy> {
        line.iter().map(|&p| self.at(p)).collect()
    }

    /// Whether any of a line may be seen: its box meets the drawing.
    fn sees(&self, line: &[Xy]) -> bool {
        let within = |low: f64, high: f64, most: f64| low <= most && high >= 0.0;
        let span = |pick: fn(&Xy) -> f64| {
            let values = line.iter().map(pick);
            values.fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)))
        };
        let ((w, e), (nn, s)) = (span(|p| p.0), span(|p| p.1));
        within(w, e, self.width) && within(nn, s, self.height)
    }

    fn has(&self, (x, y): Xy, edge: f64) -> bool {
        x > edge && y > edge && x < self.width - edge && y < self.height - edge
    }

    /// The longest round length that takes at most a quarter of the width.
    fn bar_m(&self) -> f64 {
        let most = 0.25 * self.width / self.per_m;
        let power = 10f64.powf(most.max(1.0).log10().floor());
        let fits = [5.0, 2.0, 1.0]
            .into_iter()
            .map(|m| m * power)
            .find(|m| *m <= most);
        fits.unwrap_or(power)
    }
}

/// The drawing as text of SVG, `width_mm` wide and between the two heights high; none without a stop or depot.
pub fn round_map(map: &RoundMap, width_mm: f64, height_mm: (f64, f64)) -> Option<String> {
    let mut seen = map.stops.clone();
    seen.extend(map.depot.iter().chain(&map.end));
    seen.extend(&map.line);
    let sheet = Sheet::around(&seen, width_mm, height_mm)?;
    let way = sheet.all(&way(map));
    let spots = sheet.all(&map.stops);
    let ends: Vec<Xy> = map.depot.iter().chain(&map.end).map(|&p| sheet.at(p)).collect();
    let places = label_places(&spots, &ends, &sheet);
    let (w, h) = (n(sheet.width), n(sheet.height + 7.0 * MM));
    let drawing = html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(format!("{}mm", n(sheet.width / MM)))
            height=(format!("{}mm", n(sheet.height / MM + 7.0))) viewBox=(format!("0 0 {w} {h}")) font-family=(FAMILY) {
            defs { clipPath id="edge" { rect width=(w) height=(n(sheet.height)) {} } }
            g clip-path="url(#edge)" {
                (roads(map, &sheet))
                (zones(map, &sheet, &spots, &places))
                (way_drawn(&way))
                (signs(map, &sheet))
                (numbers(&spots, &places))
            }
            rect x="2" y="2" width=(n(sheet.width - 4.0)) height=(n(sheet.height - 4.0)) fill="none" stroke="#000000"
                stroke-width="4" {}
            (scale_and_north(&sheet))
        }
    };
    Some(drawing.into_string())
}

/// The way: as given, else from the depot straight past the stops to the end.
fn way(map: &RoundMap) -> Vec<Position> {
    if !map.line.is_empty() {
        return map.line.clone();
    }
    let end = map.end.or(map.depot);
    map.depot
        .into_iter()
        .chain(map.stops.iter().copied())
        .chain(end)
        .collect()
}

fn roads(map: &RoundMap, sheet: &Sheet) -> Markup {
    let drawn = |main: bool| -> String {
        let lines = map
            .roads
            .iter()
            .filter(|road| road.main == main)
            .map(|road| sheet.all(&road.line));
        lines.filter(|l| sheet.sees(l)).map(line).collect()
    };
    html! {
        g fill="none" stroke-linejoin="round" stroke-linecap="round" {
            path d=(drawn(false)) stroke="#c4c4c4" stroke-width="4" {}
            path d=(drawn(true)) stroke="#9a9a9a" stroke-width="10" {}
            path d=(drawn(true)) stroke="#ececec" stroke-width="6" {}
        }
    }
}

fn zones(map: &RoundMap, sheet: &Sheet, spots: &[Xy], places: &[Xy]) -> Markup {
    let signs: Vec<Xy> = spots.iter().chain(places).copied().collect();
    html! {
        @for (label, rings) in &map.zones {
            @let outline: Vec<Vec<Xy>> = rings.iter().map(|r| sheet.all(r)).collect();
            path d=(outline.iter().map(|r| ring(r.iter().copied())).collect::<String>())
                fill="none" stroke="#444444" stroke-width="3.5" stroke-dasharray="22 9 4 9" {}
            @if let Some((x, y)) = roomiest(&outline, &signs, label, sheet) {
                text x=(n(x)) y=(n(y)) text-anchor="middle" font-size="32" font-style="italic" fill="#333333"
                    stroke="#ffffff" stroke-width="9" stroke-linejoin="round" paint-order="stroke" { (label) }
            }
        }
    }
}

/// Where in the visible part of a zone its name is farthest from every sign; none where no part is seen.
fn roomiest(outline: &[Vec<Xy>], signs: &[Xy], label: &str, sheet: &Sheet) -> Option<Xy> {
    const STEPS: usize = 24;
    let half = 9.0 * label.chars().count() as f64 + 12.0;
    let inside = |at: Xy| outline.iter().filter(|r| in_ring(at, r)).count() % 2 == 1;
    let room = |(x, y): Xy| {
        let gap = |&(sx, sy): &Xy| ((sx - x).abs() - half).max(0.0).hypot(sy - y + 10.0);
        signs.iter().map(gap).fold(20.0 * MM, f64::min)
    };
    let share = |k: usize, whole: f64| whole * (k as f64 + 0.5) / STEPS as f64;
    let spots = (0..STEPS).flat_map(|i| (0..STEPS).map(move |j| (i, j)));
    spots
        .map(|(i, j)| (share(i, sheet.width), share(j, sheet.height)))
        .filter(|&(x, y)| {
            x > half && x < sheet.width - half && inside((x - half, y)) && inside((x + half, y))
        })
        .map(|at| (room(at), at))
        .filter(|(room, _)| *room > 4.0 * MM)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, at)| at)
}

/// Even-odd rule.
fn in_ring((x, y): Xy, ring: &[Xy]) -> bool {
    let next = ring.iter().cycle().skip(1);
    let crossed = ring
        .iter()
        .zip(next)
        .filter(|&(&(ax, ay), &(bx, by))| (ay > y) != (by > y) && x < (bx - ax) * (y - ay) / (by - ay) + ax);
    crossed.count() % 2 == 1
}

fn way_drawn(way: &[Xy]) -> Markup {
    html! {
        g fill="none" stroke-linejoin="round" stroke-linecap="round" {
            path d=(line(way.iter().copied())) stroke="#ffffff" stroke-width="15" {}
            path d=(line(way.iter().copied())) stroke="#000000" stroke-width="6" {}
        }
        path d=(arrows(way)) fill="#000000" {}
    }
}

/// Heads of arrows along the way, one every two centimetres or so.
fn arrows(way: &[Xy]) -> String {
    const EVERY: f64 = 20.0 * MM;
    let mut heads = String::new();
    let mut since = 0.5 * EVERY;
    for pair in way.windows(2) {
        let ((ax, ay), (bx, by)) = (pair[0], pair[1]);
        let length = (bx - ax).hypot(by - ay);
        since += length;
        if since < EVERY || length < 1.0 {
            continue;
        }
        since = 0.0;
        let (ux, uy) = ((bx - ax) / length, (by - ay) / length);
        let (mx, my) = (0.5 * (ax + bx), 0.5 * (ay + by));
        let (long, wide) = (1.5 * MM, 1.15 * MM);
        heads.push_str(&ring([
            (mx + long * ux, my + long * uy),
            (mx - long * ux - wide * uy, my - long * uy + wide * ux),
            (mx - long * ux + wide * uy, my - long * uy - wide * ux),
        ]));
    }
    heads
}

/// A square with a letter where the day begins (D) and, if elsewhere, where it ends (E).
fn signs(map: &RoundMap, sheet: &Sheet) -> Markup {
    let sign = |p: Option<Position>, letter: &str| {
        html! {
            @if let Some((x, y)) = p.map(|p| sheet.at(p)) {
                rect x=(n(x - 26.0)) y=(n(y - 26.0)) width="52" height="52" fill="#000000" stroke="#ffffff" stroke-width="6" {}
                text x=(n(x)) y=(n(y + 13.0)) text-anchor="middle" font-size="38" font-weight="700" fill="#ffffff" { (letter) }
            }
        }
    };
    html! { (sign(map.end, "E")) (sign(map.depot, "D")) }
}

fn numbers(spots: &[Xy], places: &[Xy]) -> Markup {
    html! {
        @for (&(sx, sy), &(x, y)) in spots.iter().zip(places) {
            @if (sx, sy) != (x, y) {
                path d=(line([(sx, sy), (x, y)])) stroke="#ffffff" stroke-width="7" fill="none" {}
                path d=(line([(sx, sy), (x, y)])) stroke="#000000" stroke-width="2.5" fill="none" {}
                circle cx=(n(sx)) cy=(n(sy)) r="7" fill="#000000" stroke="#ffffff" stroke-width="2.5" {}
            }
        }
        @for (k, &(x, y)) in places.iter().enumerate() {
            circle cx=(n(x)) cy=(n(y)) r=(n(DISC)) fill="#ffffff" stroke="#000000" stroke-width="4" {}
            text x=(n(x)) y=(n(y + 11.0)) text-anchor="middle" font-size=(if k < 99 { "31" } else { "24" }) font-weight="700" {
                ((k + 1))
            }
        }
    }
}

/// Where each stop's number stands: on the stop where there is room, else beside it, nearest first. A number that finds no
/// room stands on its stop all the same.
fn label_places(spots: &[Xy], taken: &[Xy], sheet: &Sheet) -> Vec<Xy> {
    const TURNS: usize = 24;
    const RINGS: usize = 14;
    let mut places: Vec<Xy> = Vec::with_capacity(spots.len());
    for (k, &(x, y)) in spots.iter().enumerate() {
        let around = (0..RINGS).flat_map(|r| {
            let away = DISC * (1.9 + 0.9 * r as f64);
            (0..TURNS).map(move |t| {
                let turn = std::f64::consts::TAU * t as f64 / TURNS as f64;
                (x + away * turn.cos(), y + away * turn.sin())
            })
        });
        let own = std::iter::once((x, y));
        let far = |a: Xy, b: Xy, least: f64| (a.0 - b.0).hypot(a.1 - b.1) >= least;
        let free = |at: &Xy| {
            sheet.has(*at, DISC)
                && places.iter().all(|p| far(*p, *at, 2.15 * DISC))
                && taken.iter().all(|p| far(*p, *at, 2.2 * DISC))
                // No number may hide another stop's spot.
                && spots.iter().enumerate().all(|(o, p)| o == k || far(*p, *at, 1.35 * DISC) || far(*p, (x, y), 0.5))
        };
        let found = own.chain(around).find(free);
        places.push(found.unwrap_or((x, y)));
    }
    places
}

fn scale_and_north(sheet: &Sheet) -> Markup {
    let bar_m = sheet.bar_m();
    let bar = bar_m * sheet.per_m;
    let y = sheet.height + 4.0 * MM;
    let (nx, ny) = (sheet.width - 2.2 * MM, sheet.height + 1.4 * MM);
    html! {
        path d=(format!("M3 {}v20h{}v-20", n(y - 10.0), n(bar))) fill="none" stroke="#000000" stroke-width="4" {}
        text x=(n(bar + 22.0)) y=(n(y + 11.0)) font-size="31" { (metres(bar_m)) }
        path d=(ring([(nx, ny), (nx + 17.0, ny + 48.0), (nx, ny + 36.0), (nx - 17.0, ny + 48.0)])) {}
        text x=(n(nx - 30.0)) y=(n(ny + 37.0)) text-anchor="end" font-size="31" { "north" }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(lat: f64, lon: f64) -> Position {
        Position { lat, lon }
    }

    fn drawn(stops: Vec<Position>) -> String {
        let map = RoundMap {
            depot: Some(at(40.0, -80.0)),
            stops,
            ..RoundMap::default()
        };
        round_map(&map, 180.0, (80.0, 120.0)).unwrap()
    }

    #[test]
    fn every_stop_has_its_number_once_and_no_two_numbers_overlap() {
        // Sixty stops within a few hundred metres, four of them on one spot.
        let stops: Vec<Position> = (0..60)
            .map(|k| {
                let k = f64::from(k / 4 * 4);
                at(40.01 + 0.0004 * (k % 9.0), -80.01 + 0.0005 * (k % 7.0))
            })
            .collect();
        let sheet = Sheet::around(&stops, 180.0, (80.0, 120.0)).unwrap();
        let places = label_places(&sheet.all(&stops), &[], &sheet);
        for (k, a) in places.iter().enumerate() {
            for b in &places[..k] {
                assert!((a.0 - b.0).hypot(a.1 - b.1) > 2.0 * DISC, "{a:?} {b:?}");
            }
        }
        let text = drawn(stops);
        for k in 1..=60 {
            assert_eq!(text.matches(&format!(">{k}</text>")).count(), 1, "{k}");
        }
    }

    #[test]
    fn one_spot_alone_is_a_map_and_nothing_is_none() {
        assert!(drawn(vec![at(40.0, -80.0)]).contains("100 m"));
        assert!(round_map(&RoundMap::default(), 180.0, (80.0, 120.0)).is_none());
        assert!(!drawn(Vec::new()).contains("NaN"));
    }

    #[test]
    fn roads_far_away_are_left_out() {
        let road = |lat: f64| MapRoad {
            line: vec![at(lat, -80.0), at(lat, -79.99)],
            main: true,
        };
        let map = |roads| RoundMap {
            stops: vec![at(40.0, -80.0), at(40.01, -79.99)],
            roads,
            ..RoundMap::default()
        };
        let none = round_map(&map(vec![]), 180.0, (80.0, 120.0)).unwrap();
        let far = round_map(&map(vec![road(41.0)]), 180.0, (80.0, 120.0)).unwrap();
        let near = round_map(&map(vec![road(40.005)]), 180.0, (80.0, 120.0)).unwrap();
        assert_eq!(none, far);
        assert_ne!(none, near);
    }
}
