//! Whole squares, whole units.

use geo::{BooleanOps, BoundingRect, Coord, LineString, MultiPolygon, Polygon};

use super::BoundaryError;
use super::plane::{Ground, together};

/// No area has more cells than this: a slip in the side, not a plan. Design choice.
const MOST_CELLS: f64 = 4e6;
/// A cell that is met by less than this is not met, metres: rounding. What is required is held to this much.
const TOUCH_M: f64 = 0.001;

/// An axis-parallel rectangle, counterclockwise.
pub(super) fn rectangle(west: f64, south: f64, east: f64, north: f64) -> Polygon<f64> {
    let at = |x, y| Coord { x, y };
    Polygon::new(
        LineString::new(vec![
            at(west, south),
            at(east, south),
            at(east, north),
            at(west, north),
        ]),
        vec![],
    )
}

/// All cells of the grid that the ground meets. The frame's centre is the middle of a cell.
///
/// Row by row: a piece of the ground that hangs together within a row meets every cell between its western and its eastern
/// end.
pub(super) fn cells_met(ground: &Ground, side_m: f64) -> Result<(Ground, usize), BoundaryError> {
    let Some(bounds) = ground.bounding_rect() else {
        return Ok((MultiPolygon::new(vec![]), 0));
    };
    let index = |at_m: f64| (at_m / side_m + 0.5).floor();
    let edge = |i: f64| (i - 0.5) * side_m;
    let (low, high) = (bounds.min(), bounds.max());
    let rows = (index(low.y + TOUCH_M), index(high.y - TOUCH_M));
    let across = (high.x - low.x) / side_m + 2.0;
    if (rows.1 - rows.0 + 1.0) * across > MOST_CELLS {
        return Err(BoundaryError::TooManyCells { side_m });
    }
    let (mut runs, mut count) = (Vec::new(), 0.0);
    let mut row = rows.0;
    while row <= rows.1 {
        let strip = rectangle(
            low.x - side_m,
            edge(row) + TOUCH_M,
            high.x + side_m,
            edge(row + 1.0) - TOUCH_M,
        );
        let mut spans: Vec<(f64, f64)> = ground
            .intersection(&strip)
            .iter()
            .filter_map(BoundingRect::bounding_rect)
            .filter(|piece| piece.width() > 2.0 * TOUCH_M)
            .map(|piece| (index(piece.min().x + TOUCH_M), index(piece.max().x - TOUCH_M)))
            .collect();
        spans.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut merged: Vec<(f64, f64)> = Vec::new();
        for span in spans {
            match merged.last_mut() {
                Some(last) if span.0 <= last.1 + 1.0 => last.1 = last.1.max(span.1),
                _ => merged.push(span),
            }
        }
        for (from, to) in merged {
            count += to - from + 1.0;
            runs.push(rectangle(edge(from), edge(row), edge(to + 1.0), edge(row + 1.0)));
        }
        row += 1.0;
    }
    Ok((together(runs), count as usize))
}
