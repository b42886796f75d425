//! The response to a find: what it came to in words, and a map of origin, area and survey.

use maud::{Markup, html};

use super::svg::{self, ACCENT, BAND, INK, n, ring};
use super::{Point, ResponsePart};

/// Width and height of the map in drawing units.
const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 420.0;

/// The section on one response.
pub(crate) fn part(response: &ResponsePart) -> Markup {
    html! {
        h3 { (response.title) }
        p.note { (response.caution) }
        @if let Some(short) = &response.in_short { p { "In short: " (short) "." } }
        @if let Some(map) = map(response) {
            figure {
                (map)
                figcaption { (caption(response)) }
            }
        }
        @for (heading, words) in &response.parts {
            h4 { (heading) }
            @for sentence in words { p { (sentence) } }
        }
    }
}

/// What the map shows, in words.
pub(crate) fn caption(response: &ResponsePart) -> String {
    let mut shown = vec!["ringed dots: confirmed finds"];
    if !response.cells.is_empty() {
        shown.push("dark cells: half the probability of the origin; pale and dark together: 95 %");
    }
    if !response.area.is_empty() {
        shown.push("thick line: the regulated area");
    }
    if !response.survey.is_empty() {
        shown.push("crosses: traps of the delimiting survey");
    }
    format!("{}. Not for the public: exact places.", shown.join("; "))
}

/// The map as a drawing of its own; none where nothing has a place.
pub(crate) fn map(response: &ResponsePart) -> Option<Markup> {
    let points = || {
        let cells = response.cells.iter().flat_map(|(ring, _)| ring);
        let area = response.area.iter().flatten();
        cells.chain(area).chain(&response.finds).chain(&response.survey)
    };
    let (west, south, east, north) = svg::bounds(points())?;
    // A single find would have no extent.
    let least = 100.0;
    let scale = (WIDTH - 40.0).min(HEIGHT * 10.0) / (east - west).max(least);
    let scale = scale.min((HEIGHT - 40.0) / (north - south).max(least));
    let (middle_x, middle_y) = (0.5 * (west + east), 0.5 * (south + north));
    let at = |p: &Point| {
        (
            0.5 * WIDTH + (p.x_m - middle_x) * scale,
            0.5 * HEIGHT - (p.y_m - middle_y) * scale,
        )
    };
    let cells = |in50: bool| -> String {
        let mine = response.cells.iter().filter(|(_, half)| *half == in50);
        mine.map(|(corners, _)| ring(corners.iter().map(at))).collect()
    };
    let area: String = response.area.iter().map(|r| ring(r.iter().map(at))).collect();
    let bar_m = bar(0.3 * WIDTH / scale);
    let title = format!("Map of {}", response.title);
    Some(html! {
        svg viewBox=(format!("0 0 {} {}", n(WIDTH), n(HEIGHT))) role="img" aria-label=(title) xmlns="http://www.w3.org/2000/svg" {
            rect x="0" y="0" width=(n(WIDTH)) height=(n(HEIGHT)) fill="#ffffff" {}
            path d=(cells(false)) fill=(BAND) {}
            path d=(cells(true)) fill=(ACCENT) fill-opacity="0.75" {}
            path d=(area) fill="none" stroke=(INK) stroke-width="3" stroke-linejoin="round" {}
            @for p in &response.survey {
                @let (x, y) = at(p);
                path d=(format!("M{} {}h6M{} {}v6", n(x - 3.0), n(y), n(x), n(y - 3.0))) stroke=(INK) stroke-width="1" {}
            }
            @for p in &response.finds {
                @let (x, y) = at(p);
                circle cx=(n(x)) cy=(n(y)) r="7" fill="#ffffff" stroke=(INK) stroke-width="2" {}
                circle cx=(n(x)) cy=(n(y)) r="2.5" fill=(INK) {}
            }
            path d=(format!("M20 {y}h{w}M20 {a}v8M{e} {a}v8", y = n(HEIGHT - 16.0), w = n(bar_m * scale), a = n(HEIGHT - 20.0), e = n(20.0 + bar_m * scale)))
                stroke=(INK) stroke-width="1.5" fill="none" {}
            text x=(n(28.0 + bar_m * scale)) y=(n(HEIGHT - 11.0)) font-size="14" fill=(INK) font-family=(svg::FAMILY) { (svg::metres(bar_m)) }
        }
    })
}

/// The longest round length up to a limit.
fn bar(most: f64) -> f64 {
    let power = 10f64.powf(most.max(1.0).log10().floor());
    let steps = [5.0, 2.0, 1.0].into_iter().map(|m| m * power);
    steps.into_iter().find(|m| *m <= most).unwrap_or(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> ResponsePart {
        let p = |x_m, y_m| Point { x_m, y_m };
        ResponsePart {
            title: "The response to find S-1".into(),
            caution: "Confidential.".into(),
            in_short: Some("2.00 km2 regulated (version 1)".into()),
            parts: vec![(
                "Where it came from".into(),
                vec!["50 % within 1 ha <here>.".into()],
            )],
            cells: vec![(vec![p(0.0, 0.0), p(50.0, 0.0), p(25.0, 40.0)], true)],
            area: vec![vec![p(-800.0, -800.0), p(800.0, -800.0), p(0.0, 800.0)]],
            survey: vec![p(100.0, 100.0)],
            finds: vec![p(10.0, 10.0)],
        }
    }

    #[test]
    fn the_part_says_and_shows_everything_and_nothing_else() {
        let page = part(&sample()).into_string();
        for said in [
            "The response to find S-1",
            "Where it came from",
            "&lt;here&gt;",
            "regulated area",
            "In short: 2.00 km2",
            "500 m",
        ] {
            assert!(page.contains(said), "{said}: {page}");
        }
        let bare = ResponsePart {
            cells: vec![],
            area: vec![],
            survey: vec![],
            finds: vec![],
            ..sample()
        };
        let page = part(&bare).into_string();
        assert!(!page.contains("<svg"), "nothing has a place");
        let one = ResponsePart {
            cells: vec![],
            area: vec![],
            survey: vec![],
            ..sample()
        };
        let page = part(&one).into_string();
        assert!(page.contains("<svg") && !page.contains("NaN") && !page.contains("inf"));
    }
}
