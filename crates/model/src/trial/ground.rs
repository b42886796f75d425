//! Cells and traps as squares of ground, to find what is near.

use crate::assurance::Cell;

/// No more squares than this; larger ones instead.
const MOST_SQUARES: f64 = 4_000_000.0;

/// Points sorted into squares.
#[derive(Debug, Clone)]
pub(super) struct Squares {
    side_m: f64,
    west_m: f64,
    south_m: f64,
    columns: usize,
    rows: usize,
    /// Members of square `s` are `members[starts[s]..starts[s + 1]]`.
    starts: Vec<u32>,
    members: Vec<u32>,
}

impl Squares {
    pub(super) fn new(points: &[(f64, f64)], side_m: f64) -> Self {
        let least = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).fold(f64::INFINITY, f64::min);
        let most = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).fold(f64::NEG_INFINITY, f64::max);
        let (west, south) = (least(|p| p.0), least(|p| p.1));
        let (wide, high) = (most(|p| p.0) - west, most(|p| p.1) - south);
        let mut side_m = side_m.max(1e-3);
        if points.is_empty() {
            return Squares {
                side_m,
                west_m: 0.0,
                south_m: 0.0,
                columns: 0,
                rows: 0,
                starts: vec![0],
                members: Vec::new(),
            };
        }
        while (wide / side_m + 1.0) * (high / side_m + 1.0) > MOST_SQUARES {
            side_m *= 2.0;
        }
        let columns = (wide / side_m) as usize + 1;
        let rows = (high / side_m) as usize + 1;
        let mut squares = Squares {
            side_m,
            west_m: west,
            south_m: south,
            columns,
            rows,
            starts: vec![0; columns * rows + 1],
            members: vec![0; points.len()],
        };
        let homes: Vec<usize> = points
            .iter()
            .map(|p| squares.square(*p).map_or(0, |(c, r)| r * columns + c))
            .collect();
        homes.iter().for_each(|h| squares.starts[h + 1] += 1);
        for s in 1..squares.starts.len() {
            squares.starts[s] += squares.starts[s - 1];
        }
        let mut next = squares.starts.clone();
        for (index, home) in (0_u32..).zip(&homes) {
            squares.members[next[*home] as usize] = index;
            next[*home] += 1;
        }
        squares
    }

    fn square(&self, (x, y): (f64, f64)) -> Option<(usize, usize)> {
        let c = (x - self.west_m) / self.side_m;
        let r = (y - self.south_m) / self.side_m;
        let inside = c >= 0.0 && r >= 0.0 && c < self.columns as f64 && r < self.rows as f64;
        inside.then_some((c as usize, r as usize))
    }

    /// Members of the square in which a point lies.
    pub(super) fn with(&self, point: (f64, f64)) -> &[u32] {
        self.square(point).map_or(&[], |(c, r)| self.of(c, r))
    }

    fn of(&self, column: usize, row: usize) -> &[u32] {
        let s = row * self.columns + column;
        &self.members[self.starts[s] as usize..self.starts[s + 1] as usize]
    }

    /// Members of every square that comes within a distance of a point.
    pub(super) fn within(&self, (x, y): (f64, f64), distance_m: f64) -> impl Iterator<Item = u32> + '_ {
        let span = |low: f64, count: usize, at: f64| {
            let from = ((at - distance_m - low) / self.side_m).floor().max(0.0);
            let to = ((at + distance_m - low) / self.side_m)
                .floor()
                .min(count as f64 - 1.0);
            if to < from {
                0..0
            } else {
                from as usize..to as usize + 1
            }
        };
        let columns = span(self.west_m, self.columns, x);
        span(self.south_m, self.rows, y)
            .flat_map(move |r| columns.clone().map(move |c| (c, r)))
            .flat_map(|(c, r)| self.of(c, r).iter().copied())
    }
}

/// The cells on which insects live.
#[derive(Debug)]
pub(super) struct Landscape {
    pub(super) at: Vec<(f64, f64)>,
    squares: Squares,
    /// Running sum of weights.
    risk: Vec<f64>,
}

impl Landscape {
    pub(super) fn new(cells: &[Cell], cell_area_m2: f64) -> Self {
        let at: Vec<(f64, f64)> = cells.iter().map(|c| (c.x_m, c.y_m)).collect();
        let squares = Squares::new(&at, 1.2 * cell_area_m2.sqrt());
        let risk = cells
            .iter()
            .scan(0.0, |sum, c| {
                *sum += c.weight;
                Some(*sum)
            })
            .collect();
        Landscape { at, squares, risk }
    }

    /// The cell drawn by risk, for a number from 0 to 1.
    pub(super) fn arrival(&self, luck: f64) -> u32 {
        let wanted = luck * self.risk.last().copied().unwrap_or(0.0);
        let cell = self.risk.partition_point(|sum| *sum <= wanted);
        // Rounding may point past the last cell with any risk.
        let last = self
            .risk
            .partition_point(|sum| *sum < self.risk.last().copied().unwrap_or(0.0));
        cell.min(last) as u32
    }

    /// The cell on which an insect comes down; `None` where no host stands.
    pub(super) fn landing(&self, point: (f64, f64)) -> Option<u32> {
        let near = |c: &u32| {
            let (x, y) = self.at[*c as usize];
            (x - point.0).powi(2) + (y - point.1).powi(2)
        };
        let here = self.squares.with(point).iter().copied();
        here.min_by(|a, b| near(a).total_cmp(&near(b)))
    }
}
