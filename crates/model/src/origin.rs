//! Where a caught insect came from: a posterior over ground, with exposure and zero catches.
//!
//! Catches are Poisson with mean `N q_i(s)`, `q_i = e_i p(d_i)`; profiling N out leaves the spatial log-likelihood
//! `l(s) = sum y_i ln(q_i / sum q)` (the multinomial form; traps with zero catch speak through the sum). Clumped catches
//! are negative binomial with variance `m + m^2/k`: `sum ln G(y+k)/G(k) + y ln(m/(k+m)) + k ln(k/(k+m))`. Regions are
//! highest-posterior-density: never read the best point without them.
//!
//! [`locate`] is the plain formula on a grid with a flat prior. [`posterior`](mod@posterior) takes cells or trees with
//! priors and integrates uncertain parameters out; [`clusters`](mod@clusters) looks for several origins;
//! [`coverage`](mod@coverage) checks by simulation that regions hold what they promise.

mod catches;
pub mod clusters;
pub mod coverage;
pub mod posterior;
mod radial;

use rayon::prelude::*;

use crate::capture::Form;
use crate::error::{ModelError, check};

/// One trap's catch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrapCatch {
    /// East, metres in a local frame.
    pub x_m: f64,
    /// North, metres in a local frame.
    pub y_m: f64,
    /// Targets caught, 0 or more.
    pub catch: f64,
    /// Effective trap-days (any unit, the same for all), 0 or more.
    pub effort: f64,
}

/// A square grid of candidate origins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OriginGrid {
    /// West edge: x of the first column, metres.
    pub x_m: f64,
    /// South edge: y of the first row, metres.
    pub y_m: f64,
    /// Step, metres.
    pub step_m: f64,
    /// Columns.
    pub columns: usize,
    /// Rows.
    pub rows: usize,
}

/// More nodes than this are refused: the posterior would not fit an ordinary machine's memory.
const MOST_NODES: f64 = 25e6;

impl OriginGrid {
    /// A grid round the traps, with a margin of the larger of their extent and twice the reach on each side: within
    /// that margin lies nearly all a form with that reach could explain.
    ///
    /// # Errors
    /// No traps, a step that is not above 0, or so fine a step that the grid passes 25 million nodes.
    pub fn around(traps: &[TrapCatch], reach_m: f64, step_m: f64) -> Result<Self, ModelError> {
        // No programme is wider than the earth; a step beyond it also has no area that a number can hold.
        check(
            "grid step",
            step_m,
            step_m > 0.0 && step_m <= 1e7,
            "above 0 m and at most 10 000 km",
        )?;
        if traps.is_empty() {
            return Err(ModelError::Inconsistent("no traps were given".into()));
        }
        let span = |of: fn(&TrapCatch) -> f64| {
            traps
                .iter()
                .map(of)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
                    (a.min(v), b.max(v))
                })
        };
        let ((west, east), (south, north)) = (span(|t| t.x_m), span(|t| t.y_m));
        let margin = (east - west).max(north - south).max(2.0 * reach_m);
        let count = |extent: f64| ((extent + 2.0 * margin) / step_m).round() + 1.0;
        let (columns, rows) = (count(east - west), count(north - south));
        let nodes = columns * rows;
        if !nodes.is_finite() || nodes > MOST_NODES {
            return Err(ModelError::Inconsistent(format!(
                "a {step_m} m grid over these traps has {nodes:.3e} nodes; choose a coarser one"
            )));
        }
        Ok(OriginGrid {
            x_m: west - margin,
            y_m: south - margin,
            step_m,
            columns: columns as usize,
            rows: rows as usize,
        })
    }

    /// Position of node `at` (row by row from the south-west), metres.
    pub fn position(&self, at: usize) -> (f64, f64) {
        let (row, column) = (at / self.columns, at % self.columns);
        (
            self.x_m + column as f64 * self.step_m,
            self.y_m + row as f64 * self.step_m,
        )
    }
}

/// The posterior on its grid.
#[derive(Debug, Clone)]
pub struct Origin {
    /// The grid.
    pub grid: OriginGrid,
    /// Posterior mass of each node, summing to 1.
    pub mass: Vec<f64>,
    /// Spatial log-likelihood at the best node.
    pub best_log_likelihood: f64,
    best: usize,
}

/// Natural log of the form's shape at `u = d / reach` (peak left out: it cancels), exact where the shape underflows.
fn ln_shape(form: Form, u: f64) -> f64 {
    match form {
        Form::Sech => std::f64::consts::LN_2 - u - (-2.0 * u).exp().ln_1p(),
        Form::Exponential => -u,
        Form::HalfNormal => -0.5 * u * u,
        Form::Disc => {
            if u <= 1.0 {
                0.0
            } else {
                f64::NEG_INFINITY
            }
        }
    }
}

/// The spatial log-likelihood of an origin at (`x_m`, `y_m`); minus infinity where a catch could not happen.
pub fn log_likelihood(form: Form, reach_m: f64, traps: &[TrapCatch], x_m: f64, y_m: f64) -> f64 {
    let ln_q = |t: &TrapCatch| t.effort.ln() + ln_shape(form, (t.x_m - x_m).hypot(t.y_m - y_m) / reach_m);
    let top = traps.iter().map(ln_q).fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return f64::NEG_INFINITY;
    }
    let ln_sum = top + traps.iter().map(|t| (ln_q(t) - top).exp()).sum::<f64>().ln();
    traps
        .iter()
        .filter(|t| t.catch > 0.0)
        .map(|t| t.catch * (ln_q(t) - ln_sum))
        .sum()
}

/// Catches and efforts that can be asked where they came from.
fn check_catches(traps: &[TrapCatch]) -> Result<(), ModelError> {
    for t in traps {
        check("x", t.x_m, true, "a finite number")?;
        check("y", t.y_m, true, "a finite number")?;
        check("catch", t.catch, t.catch >= 0.0, "0 or more")?;
        check(
            "effort",
            t.effort,
            t.effort >= 0.0 && (t.effort > 0.0 || t.catch == 0.0),
            "above 0 where there is a catch",
        )?;
    }
    if traps.iter().all(|t| t.catch == 0.0) {
        return Err(ModelError::Inconsistent(
            "nothing was caught, so there is no origin to look for".into(),
        ));
    }
    Ok(())
}

/// The posterior of the origin over `grid`, flat prior.
///
/// # Errors
/// A reach not above 0, a negative catch or effort, no catch at all, a catch without effort, or catches that no node
/// of the grid could explain.
pub fn locate(form: Form, reach_m: f64, traps: &[TrapCatch], grid: OriginGrid) -> Result<Origin, ModelError> {
    check("reach", reach_m, reach_m > 0.0, "above 0 m")?;
    check_catches(traps)?;
    let nodes = grid.columns * grid.rows;
    let mut mass: Vec<f64> = (0..nodes)
        .into_par_iter()
        .map(|at| {
            let (x, y) = grid.position(at);
            log_likelihood(form, reach_m, traps, x, y)
        })
        .collect();
    let (best, top) =
        mass.iter().copied().enumerate().fold(
            (0, f64::NEG_INFINITY),
            |b, (i, l)| if l > b.1 { (i, l) } else { b },
        );
    if top == f64::NEG_INFINITY {
        return Err(ModelError::Inconsistent(
            "no origin on the grid could explain these catches with this form and reach".into(),
        ));
    }
    let mut total = 0.0;
    for m in &mut mass {
        *m = (*m - top).exp();
        total += *m;
    }
    mass.iter_mut().for_each(|m| *m /= total);
    Ok(Origin {
        grid,
        mass,
        best_log_likelihood: top,
        best,
    })
}

impl Origin {
    /// The most likely node, metres.
    pub fn best(&self) -> (f64, f64) {
        self.grid.position(self.best)
    }

    /// Nodes of the smallest region that holds `share` of the posterior, most likely first.
    pub fn region(&self, share: f64) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.mass.len()).collect();
        order.sort_unstable_by(|&a, &b| self.mass[b].total_cmp(&self.mass[a]).then(a.cmp(&b)));
        let mut held = 0.0;
        let mut taken = 0;
        while taken < order.len() && held < share {
            held += self.mass[order[taken]];
            taken += 1;
        }
        order.truncate(taken);
        order
    }

    /// Area of [`Origin::region`], square metres.
    pub fn region_m2(&self, share: f64) -> f64 {
        self.region(share).len() as f64 * self.grid.step_m * self.grid.step_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> Vec<TrapCatch> {
        [
            (0.0, 0.0, 8.0),
            (100.0, 0.0, 3.0),
            (0.0, 100.0, 2.0),
            (100.0, 100.0, 1.0),
        ]
        .map(|(x_m, y_m, catch)| TrapCatch {
            x_m,
            y_m,
            catch,
            effort: 1.0,
        })
        .to_vec()
    }

    // Worked values, computed independently with numpy/scipy.
    #[test]
    fn exponential_square_matches_the_worked_values() {
        let traps = square();
        let grid = OriginGrid::around(&traps, 50.0, 1.0).unwrap();
        assert_eq!(
            (grid.x_m, grid.y_m, grid.columns, grid.rows),
            (-100.0, -100.0, 301, 301)
        );
        let found = locate(Form::Exponential, 50.0, &traps, grid).unwrap();
        assert_eq!(found.best(), (24.0, 5.0));
        assert!((found.best_log_likelihood - -15.64864243).abs() < 1e-8);
        for ((x, y), l) in [
            ((0.0, 0.0), -16.81857752),
            ((25.0, 25.0), -16.02168573),
            ((50.0, 50.0), -19.40812106),
        ] {
            assert!((log_likelihood(Form::Exponential, 50.0, &traps, x, y) - l).abs() < 1e-8);
        }
        assert!(
            (found.region_m2(0.95) - 20_385.0).abs() <= 2.0,
            "{}",
            found.region_m2(0.95)
        );
    }

    #[test]
    fn other_forms_peak_where_they_should() {
        let near = |form, reach: f64, x: f64, y: f64| {
            let grid = OriginGrid {
                x_m: x - 1.0,
                y_m: y - 1.0,
                step_m: 0.01,
                columns: 201,
                rows: 201,
            };
            let best = locate(form, reach, &square(), grid).unwrap().best();
            assert!(
                (best.0 - x).abs() < 0.011 && (best.1 - y).abs() < 0.011,
                "{best:?}"
            );
        };
        near(Form::Sech, 30.0, 32.45090, 22.70108);
        // Gaussian on a symmetric layout has the analytic answer x = 50 + (sd^2/100) ln(4/10), y = 50 + (sd^2/100) ln(3/11).
        near(
            Form::HalfNormal,
            40.0,
            50.0 + 16.0 * 0.4f64.ln(),
            50.0 + 16.0 * (3.0f64 / 11.0).ln(),
        );
    }

    #[test]
    fn refuses_what_it_cannot_answer() {
        let mut traps = square();
        let grid = OriginGrid::around(&traps, 50.0, 5.0).unwrap();
        traps.iter_mut().for_each(|t| t.catch = 0.0);
        assert!(locate(Form::Sech, 50.0, &traps, grid).is_err());
        assert!(locate(Form::Disc, 10.0, &square(), grid).is_err());
        assert!(OriginGrid::around(&square(), 50.0, 1e-6).is_err());
        assert!(OriginGrid::around(&[], 50.0, 1.0).is_err());
    }

    #[test]
    fn far_traps_do_not_underflow() {
        let traps = vec![
            TrapCatch {
                x_m: 0.0,
                y_m: 0.0,
                catch: 1.0,
                effort: 1.0,
            },
            TrapCatch {
                x_m: 100_000.0,
                y_m: 0.0,
                catch: 1.0,
                effort: 1.0,
            },
        ];
        let l = log_likelihood(Form::Sech, 1.0, &traps, 0.0, 0.0);
        assert!(l.is_finite() && l < -99_000.0);
    }
}
