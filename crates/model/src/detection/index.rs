//! Points laid out so that the ones near a trap are a few unbroken runs of memory.
//!
//! The plane is cut into strips that run along x; inside a strip points are sorted by x, and a table of bins tells where
//! a given x begins. On points that form a regular grid each strip is one row of it. A trap meets, in each strip, one run
//! of slots: its chord, rounded outward. Strips end in empty slots (at infinity, where nothing is caught), so that runs may
//! be read in whole groups.

use std::ops::Range;

use super::kernel::{LANES, Term};
use super::{Grid, Point};

/// Slot that holds no point.
const EMPTY: u32 = u32::MAX;
const POINTS_PER_BIN: f64 = 2.0;
/// Fewer points than this in a strip waste memory on its padding.
const LEAST_POINTS_PER_STRIP: usize = 16;
/// Chords are widened by this share, so that rounding can't lose a point on the rim.
const SLACK: f64 = 1e-9;

/// One strip's slots and height.
#[derive(Debug, Clone, Copy)]
pub(super) struct Strip {
    pub(super) first_slot: usize,
    /// Past the empty slots.
    pub(super) end_slot: usize,
    low_y_m: f64,
    high_y_m: f64,
}

/// Neighbouring slots that a trap may reach, and their common y if they have one.
#[derive(Debug, Clone)]
pub(super) struct Run {
    pub(super) slots: Range<usize>,
    pub(super) level_y_m: Option<f64>,
}

impl Strip {
    /// The slots that hold points.
    pub(super) fn points(&self) -> Range<usize> {
        self.first_slot..self.end_slot - LANES
    }
}

#[derive(Debug, Clone)]
pub(super) struct Index {
    pub(super) xs_m: Vec<f64>,
    pub(super) ys_m: Vec<f64>,
    /// Which point a slot holds.
    point_of: Vec<u32>,
    /// How many points lie in slots before a point's own.
    rank_of: Vec<u32>,
    strips: Vec<Strip>,
    rows: Ruler,
    bins: Ruler,
    /// First slot at or after each bin's start, `bins.count + 1` entries a strip; empty where each bin holds one point.
    bin_starts: Vec<u32>,
}

/// Cuts a line into equal pieces, numbered from 0; what lies outside belongs to the first or last.
#[derive(Debug, Clone, Copy)]
struct Ruler {
    start_m: f64,
    per_m: f64,
    count: usize,
}

impl Ruler {
    /// Pieces around `count` points from `low_m` to `high_m`, both included.
    fn around(low_m: f64, high_m: f64, count: usize) -> Self {
        let pitch_m = if count > 1 {
            (high_m - low_m) / (count - 1) as f64
        } else {
            0.0
        };
        let per_m = 1.0 / pitch_m;
        if per_m.is_finite() && per_m > 0.0 {
            Ruler {
                start_m: low_m - 0.5 * pitch_m,
                per_m,
                count,
            }
        } else {
            Ruler {
                start_m: low_m,
                per_m: 0.0,
                count: 1,
            }
        }
    }

    /// Never falls as `at_m` rises, whatever the rounding.
    fn piece(&self, at_m: f64) -> usize {
        // `as` sends what is below 0, or not a number, to 0
        (((at_m - self.start_m) * self.per_m) as usize).min(self.count - 1)
    }
}

impl Index {
    pub(super) fn over_points(points: &[Point]) -> Self {
        let (low, high) = bounds(points);
        let rows = Ruler::around(low.y_m, high.y_m, strip_count(points.len(), low, high));
        let per_strip = points.len() as f64 / rows.count as f64;
        let bins = Ruler::around(
            low.x_m,
            high.x_m,
            (per_strip / POINTS_PER_BIN).ceil().max(1.0) as usize,
        );

        let mut members: Vec<u32> = vec![0; rows.count + 1];
        for p in points {
            members[rows.piece(p.y_m) + 1] += 1;
        }
        for s in 0..rows.count {
            members[s + 1] += members[s];
        }
        let mut order = vec![0; points.len()];
        let mut next = members.clone();
        for (i, p) in points.iter().enumerate() {
            let at = &mut next[rows.piece(p.y_m)];
            order[*at as usize] = i as u32;
            *at += 1;
        }
        let mut index = Index::with_room(points.len(), rows, bins);
        for s in 0..rows.count {
            let inside = &mut order[members[s] as usize..members[s + 1] as usize];
            // stable, so that points at one x keep their order
            inside.sort_by(|&a, &b| points[a as usize].x_m.total_cmp(&points[b as usize].x_m));
            index.push_strip(inside.iter().map(|&i| (i, points[i as usize])));
        }
        index
    }

    pub(super) fn over_grid(grid: &Grid) -> Self {
        let last = grid.point(grid.cols - 1, grid.rows - 1);
        let rows = Ruler::around(grid.first.y_m, last.y_m, grid.rows);
        let bins = Ruler::around(grid.first.x_m, last.x_m, grid.cols);
        let mut index = Index::with_room(grid.len(), rows, bins);
        // a spacing below the resolution of the coordinates leaves fewer strips than rows
        let rows_per_strip = if rows.count == grid.rows { 1 } else { grid.rows };
        let one_to_a_bin = rows_per_strip == 1 && bins.count == grid.cols;
        for s in 0..rows.count {
            let (from, to) = (s * rows_per_strip, (s + 1) * rows_per_strip);
            let cells = (from..to)
                .flat_map(|r| (0..grid.cols).map(move |c| ((r * grid.cols + c) as u32, grid.point(c, r))));
            index.push_strip(cells);
            if one_to_a_bin {
                index.bin_starts.clear();
            }
        }
        index
    }

    fn with_room(points: usize, rows: Ruler, bins: Ruler) -> Self {
        let slots = points + rows.count * LANES;
        Index {
            xs_m: Vec::with_capacity(slots),
            ys_m: Vec::with_capacity(slots),
            point_of: Vec::with_capacity(slots),
            rank_of: vec![0; points],
            strips: Vec::with_capacity(rows.count),
            rows,
            bins,
            bin_starts: Vec::with_capacity(rows.count * (bins.count + 1)),
        }
    }

    /// Appends one strip, whose points come sorted by x.
    fn push_strip(&mut self, points: impl Iterator<Item = (u32, Point)>) {
        let first_slot = self.xs_m.len();
        let (mut low_y_m, mut high_y_m) = (f64::INFINITY, f64::NEG_INFINITY);
        let mut started = 0;
        for (i, p) in points {
            let slot = self.xs_m.len() as u32;
            let bin = self.bins.piece(p.x_m);
            while started <= bin {
                self.bin_starts.push(slot);
                started += 1;
            }
            self.xs_m.push(p.x_m);
            self.ys_m.push(p.y_m);
            self.point_of.push(i);
            self.rank_of[i as usize] = slot - self.padding();
            low_y_m = low_y_m.min(p.y_m);
            high_y_m = high_y_m.max(p.y_m);
        }
        let end = self.xs_m.len() as u32;
        self.bin_starts
            .extend(std::iter::repeat_n(end, self.bins.count + 1 - started));
        let end_slot = self.xs_m.len() + LANES;
        self.xs_m.resize(end_slot, f64::INFINITY);
        self.ys_m.resize(end_slot, f64::INFINITY);
        self.point_of.resize(end_slot, EMPTY);
        self.strips.push(Strip {
            first_slot,
            end_slot,
            low_y_m,
            high_y_m,
        });
    }

    pub(super) fn points(&self) -> usize {
        self.rank_of.len()
    }

    #[cfg(test)]
    pub(super) fn slots(&self) -> usize {
        self.xs_m.len()
    }

    pub(super) fn strips(&self) -> usize {
        self.strips.len()
    }

    pub(super) fn strip(&self, s: usize) -> &Strip {
        &self.strips[s]
    }

    /// A point's place among all points, in the order of slots.
    pub(super) fn rank_of(&self, point: usize) -> usize {
        self.rank_of[point] as usize
    }

    /// Whether slots hold the points in their own order, as those of a grid.
    pub(super) fn in_order(&self) -> bool {
        self.rank_of.is_sorted()
    }

    /// Empty slots in the strips so far.
    fn padding(&self) -> u32 {
        (self.strips.len() * LANES) as u32
    }

    /// The point in a slot that holds one.
    pub(super) fn point_in(&self, slot: usize) -> u32 {
        self.point_of[slot]
    }

    /// Those of some strips that a trap's circle may touch.
    #[inline(always)]
    pub(super) fn strips_of(&self, term: &Term, among: &Range<usize>) -> Range<usize> {
        let far_m = term.far_m * (1.0 + SLACK);
        let (low, high) = (
            self.rows.piece(term.y_m - far_m),
            self.rows.piece(term.y_m + far_m),
        );
        low.max(among.start)..(high + 1).min(among.end)
    }

    /// The runs of several strips, all at once: what one costs is waiting, and they can wait together.
    #[inline(always)]
    pub(super) fn runs(&self, strips: Range<usize>, term: &Term, runs: &mut Vec<Run>) {
        runs.clear();
        for s in strips {
            if let Some(slots) = self.run(s, term) {
                let Strip {
                    low_y_m, high_y_m, ..
                } = self.strips[s];
                let level_y_m = (low_y_m == high_y_m).then_some(low_y_m);
                runs.push(Run { slots, level_y_m });
            }
        }
    }

    /// Slots of one strip that hold every point within a trap's cut-off; a whole number of groups of [`LANES`].
    #[inline(always)]
    pub(super) fn run(&self, s: usize, term: &Term) -> Option<Range<usize>> {
        let strip = &self.strips[s];
        let dy_m = (strip.low_y_m - term.y_m).max(term.y_m - strip.high_y_m).max(0.0);
        let far_m = term.far_m * (1.0 + SLACK);
        if dy_m > far_m {
            return None;
        }
        let chord_m = ((far_m - dy_m) * (far_m + dy_m)).sqrt() * (1.0 + SLACK);
        let (low, high) = (
            self.bins.piece(term.x_m - chord_m),
            self.bins.piece(term.x_m + chord_m) + 1,
        );
        let (first, end) = if self.bin_starts.is_empty() {
            (strip.first_slot + low, strip.first_slot + high)
        } else {
            let starts = &self.bin_starts[s * (self.bins.count + 1)..];
            (starts[low] as usize, starts[high] as usize)
        };
        let groups = (end - first).div_ceil(LANES);
        (groups > 0).then(|| first..first + groups * LANES)
    }
}

fn bounds(points: &[Point]) -> (Point, Point) {
    let first = points.first().copied().unwrap_or(Point { x_m: 0.0, y_m: 0.0 });
    points.iter().fold((first, first), |(low, high), p| {
        (
            Point {
                x_m: low.x_m.min(p.x_m),
                y_m: low.y_m.min(p.y_m),
            },
            Point {
                x_m: high.x_m.max(p.x_m),
                y_m: high.y_m.max(p.y_m),
            },
        )
    })
}

/// As many strips as a square grid of this many points over the same ground has rows: exactly one a row when the points
/// are such a grid.
fn strip_count(points: usize, low: Point, high: Point) -> usize {
    let (w_m, h_m) = (high.x_m - low.x_m, high.y_m - low.y_m);
    if points < 2 || h_m <= 0.0 {
        return 1;
    }
    // the spacing s of a grid with (w/s + 1) (h/s + 1) points
    let less_one = points as f64 - 1.0;
    let half = 0.5 * (w_m + h_m);
    let spacing_m = (half + (half * half + less_one * w_m * h_m).sqrt()) / less_one;
    let rows = (h_m / spacing_m).round() as usize + 1;
    rows.clamp(1, points / LEAST_POINTS_PER_STRIP + 1)
}
