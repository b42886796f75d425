//! What a network catches of insects that are spread out rather than at known points.

use std::f64::consts::PI;

use super::{Cutoff, Grid, Point, Surface, SurfaceTrap};
use crate::capture::Capture;
use crate::error::{ModelError, check};

/// Steps to a reach or, below, to a standard deviation. The trapezoid rule converges faster than any power on such smooth
/// bells; with these steps its error on the sech is below 1e-12 and what is left is rounding.
const STEPS_PER_REACH: f64 = 4.0;
const STEPS_PER_SD: f64 = 2.0;
/// Capture below this share of a trap's peak is left out.
const NEGLIGIBLE: f64 = 1e-14;
/// The bell beyond this many standard deviations holds less than 1e-15.
const FAR_SDS: f64 = 8.5;
/// Nodes to a side of a block that is kept or left out as a whole.
const BLOCK: usize = 32;
const MOST_NODES: usize = 40_000_000;

/// Insects that leave one point and diffuse: on day t their density is Gaussian with variance `2 D t` along each axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiffusingPopulation {
    source: Point,
    diffusion_m2_per_day: f64,
}

impl DiffusingPopulation {
    /// A population that leaves `source` on day 0 with a diffusion coefficient in square metres a day.
    ///
    /// # Errors
    /// A coordinate that is not a number, or a coefficient that is not above 0.
    pub fn new(source: Point, diffusion_m2_per_day: f64) -> Result<Self, ModelError> {
        source.check()?;
        let ok = diffusion_m2_per_day > 0.0;
        check(
            "diffusion coefficient",
            diffusion_m2_per_day,
            ok,
            "above 0 square metres a day",
        )?;
        Ok(DiffusingPopulation {
            source,
            diffusion_m2_per_day,
        })
    }

    /// Mean capture over the insects on each of the first `days` days, by traps whose capture functions hold for a day.
    /// Positions are drawn anew every day, so the days combine as [`any_trap`](crate::capture::life::any_trap) does; for
    /// insects that stay put that overstates. Numbers hold to about 1e-10 for sech and half-normal capture, to 1e-3 for
    /// the exponential with its cusp, and to a few per cent for the disc with its rim.
    ///
    /// # Errors
    /// Spread so wide against the traps' reach that the sum would need more than 40 million points.
    pub fn daily_capture(&self, traps: &[SurfaceTrap], days: u32) -> Result<Vec<f64>, ModelError> {
        (1..=days)
            .map(|t| self.mean_capture(traps, f64::from(t)))
            .collect()
    }

    fn mean_capture(&self, traps: &[SurfaceTrap], day: f64) -> Result<f64, ModelError> {
        let variance_m2 = 2.0 * self.diffusion_m2_per_day * day;
        let sd_m = variance_m2.sqrt();
        let Some(least_reach_m) = traps.iter().map(|t| t.capture.reach_m()).reduce(f64::min) else {
            return Ok(0.0);
        };
        let step_m = (least_reach_m / STEPS_PER_REACH).min(sd_m / STEPS_PER_SD);
        let nodes = self.nodes(traps, step_m, FAR_SDS * sd_m)?;
        let caught = Surface::over_points(&nodes)?.probabilities(traps, Cutoff::ShareOfPeak(NEGLIGIBLE));
        let density = |p: &Point| {
            let (dx, dy) = (p.x_m - self.source.x_m, p.y_m - self.source.y_m);
            (-(dx * dx + dy * dy) / (2.0 * variance_m2)).exp() / (2.0 * PI * variance_m2)
        };
        let sum: f64 = nodes.iter().zip(&caught).map(|(p, c)| density(p) * c).sum();
        Ok((sum * step_m * step_m).min(1.0))
    }

    /// Nodes of a lattice round the source, as far as both the bell and some trap's capture go.
    fn nodes(&self, traps: &[SurfaceTrap], step_m: f64, far_m: f64) -> Result<Vec<Point>, ModelError> {
        let side_m = step_m * BLOCK as f64;
        let blocks = (far_m / side_m).ceil();
        let half_diagonal_m = side_m * std::f64::consts::FRAC_1_SQRT_2;
        let mut nodes = Vec::new();
        let mut bx = -blocks;
        while bx < blocks {
            let x0_m = self.source.x_m + bx * side_m;
            let (mut y_blocks, centre_x_m) = (Vec::new(), x0_m + 0.5 * side_m);
            for trap in traps {
                let far_m = Cutoff::ShareOfPeak(NEGLIGIBLE).distance_m(&trap.capture) + half_diagonal_m;
                let dx_m = (trap.at.x_m - centre_x_m).abs();
                if dx_m <= far_m {
                    let chord_m = ((far_m - dx_m) * (far_m + dx_m)).sqrt();
                    let y_m = trap.at.y_m - self.source.y_m;
                    let low = ((y_m - chord_m) / side_m - 0.5).floor().max(-blocks);
                    let high = ((y_m + chord_m) / side_m - 0.5).ceil().min(blocks - 1.0);
                    let mut by = low;
                    while by <= high {
                        y_blocks.push(by);
                        by += 1.0;
                    }
                }
            }
            y_blocks.sort_by(f64::total_cmp);
            y_blocks.dedup();
            for by in y_blocks {
                let first = Point {
                    x_m: x0_m,
                    y_m: self.source.y_m + by * side_m,
                };
                let block = Grid {
                    first,
                    spacing_m: step_m,
                    cols: BLOCK,
                    rows: BLOCK,
                };
                nodes.extend((0..BLOCK).flat_map(|r| (0..BLOCK).map(move |c| block.point(c, r))));
            }
            if nodes.len() > MOST_NODES {
                return Err(ModelError::Inconsistent(
                    "the insects spread too widely against the reach of the traps for this sum; take fewer days".into(),
                ));
            }
            bx += 1.0;
        }
        Ok(nodes)
    }
}

/// Mean capture of an insect anywhere among traps on an endless square lattice, each meeting it independently: the mean
/// over one square of `1 - prod(1 - p)`. Depends on the spacing in reaches only; far apart it is sampling area over square.
///
/// # Errors
/// A spacing that is not above 0, or more than 4 000 or less than 0.05 times the reach.
pub fn mean_capture_in_lattice(capture: Capture, spacing_m: f64) -> Result<f64, ModelError> {
    let in_reaches = spacing_m / capture.reach_m();
    let ok = (0.05..=4000.0).contains(&in_reaches);
    check("spacing over reach", in_reaches, ok, "between 0.05 and 4000")?;
    let steps = (in_reaches * STEPS_PER_REACH).ceil().max(8.0) as usize;
    let spacing = spacing_m / steps as f64;
    // the square round one trap looks the same in all four quarters; the trapezoid rule counts its rim half
    let half = steps.div_ceil(2);
    let grid = Grid {
        first: Point { x_m: 0.0, y_m: 0.0 },
        spacing_m: spacing,
        cols: half + 1,
        rows: half + 1,
    };
    let cutoff = Cutoff::ShareOfPeak(NEGLIGIBLE);
    let reach = (cutoff.distance_m(&capture) / spacing_m).ceil() as i32 + 1;
    let mut traps = Vec::new();
    for i in -reach..=reach {
        for j in -reach..=reach {
            let at = Point {
                x_m: f64::from(i) * spacing_m,
                y_m: f64::from(j) * spacing_m,
            };
            traps.push(SurfaceTrap::new(at, capture, 1.0)?);
        }
    }
    let caught = Surface::over_grid(&grid)?.probabilities(&traps, cutoff);
    Ok(mean_by_symmetry(&caught, steps))
}

/// Mean over a periodic square of `steps` nodes a side, from its first quarter.
fn mean_by_symmetry(quarter: &[f64], steps: usize) -> f64 {
    let half = steps.div_ceil(2);
    // node k stands for itself and for steps - k; nodes past the middle of an odd number repeat others
    let weight = |k: usize| match k {
        0 => 1.0,
        k if 2 * k == steps => 1.0,
        k if 2 * k < steps => 2.0,
        _ => 0.0,
    };
    let (mut sum, mut total) = (0.0, 0.0);
    for r in 0..=half {
        for c in 0..=half {
            let w = weight(r) * weight(c);
            sum += w * quarter[r * (half + 1) + c];
            total += w;
        }
    }
    sum / total
}
