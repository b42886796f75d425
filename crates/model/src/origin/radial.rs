//! Capture against the distance between where an insect started and a trap, under one draw of the parameters; with or
//! without a flight between the two.

use std::f64::consts::{PI, TAU};

use super::ln_shape;
use crate::capture::Capture;
use crate::dispersal::Kernel;

/// Steps of the table that stands for the flight and the capture together, per width of the narrower of the two.
const STEPS_PER_WIDTH: f64 = 4.0;
/// Most entries of that table; a wider stretch gets wider steps.
const MOST_ENTRIES: f64 = 600.0;
/// Rings and directions over which the narrower of the two is summed.
const RINGS: usize = 48;
const DIRECTIONS: usize = 24;
/// Steps of the capture's own radial distribution.
const CAPTURE_STEPS: usize = 2000;
/// Capture below this share of the peak is left out of that distribution.
const NEGLIGIBLE: f64 = 1e-9;

/// Chance that a trap catches an insect that started at a distance.
#[derive(Debug, Clone)]
pub(super) enum Radial {
    /// The insect flies from where it started.
    Plain { capture: Capture, ln_peak: f64 },
    /// It first goes some way by a kernel: logarithms at equal steps from distance 0.
    Spread { step_m: f64, ln_p: Vec<f64> },
}

impl Radial {
    pub(super) fn plain(capture: Capture) -> Self {
        Radial::Plain {
            capture,
            ln_peak: capture.peak().ln(),
        }
    }

    /// `(k * p)(d)`, the kernel folded with the capture function, tabulated to `longest_m`.
    ///
    /// The fold is summed over equal shares of whichever of the two is narrower, so that the other is smooth between
    /// the nodes. The share of a kernel within a small disc stands for its density there, which may be infinite.
    pub(super) fn spread(capture: Capture, kernel: &Kernel, longest_m: f64) -> Self {
        let own = CaptureRings::new(&capture);
        let (narrow_m, kernel_is_narrow) = {
            let kernel_m = kernel.quantile(0.5);
            (kernel_m.min(own.median_m), kernel_m < own.median_m)
        };
        let step_m = (narrow_m / STEPS_PER_WIDTH).max(longest_m / MOST_ENTRIES);
        let entries = (longest_m / step_m).ceil() as usize + 2;
        let radii: Vec<f64> = (0..RINGS)
            .map(|ring| {
                let share = (ring as f64 + 0.5) / RINGS as f64;
                if kernel_is_narrow {
                    kernel.quantile(share)
                } else {
                    own.quantile(share)
                }
            })
            .collect();
        let core_m = narrow_m / RINGS as f64;
        let core = kernel.within(core_m) / (PI * core_m * core_m);
        let density = |r: f64| {
            if r < core_m {
                core
            } else {
                kernel.density_per_m2(r)
            }
        };
        let area_m2 = capture.sampling_area_m2();
        let at = |d: f64| {
            let mut sum = 0.0;
            for r in &radii {
                for k in 0..DIRECTIONS {
                    let angle = TAU * (k as f64 + 0.5) / DIRECTIONS as f64;
                    let far = (d * d + r * r - 2.0 * d * r * angle.cos()).max(0.0).sqrt();
                    sum += if kernel_is_narrow {
                        capture.probability(far)
                    } else {
                        area_m2 * density(far)
                    };
                }
            }
            // Shares of a probability: never above the peak, whatever the sum's own error.
            (sum / (RINGS * DIRECTIONS) as f64).min(capture.peak())
        };
        Radial::Spread {
            step_m,
            ln_p: (0..entries).map(|i| at(i as f64 * step_m).ln()).collect(),
        }
    }

    /// Natural log of the chance at a distance, metres; minus infinity where there is none.
    pub(super) fn ln_probability(&self, distance_m: f64) -> f64 {
        match self {
            Radial::Plain { capture, ln_peak } => {
                ln_peak + ln_shape(capture.form(), distance_m / capture.reach_m())
            }
            Radial::Spread { step_m, ln_p } => {
                let x = distance_m / step_m;
                let i = (x as usize).min(ln_p.len() - 2);
                let (low, high) = (ln_p[i], ln_p[i + 1]);
                if low == f64::NEG_INFINITY || high == f64::NEG_INFINITY {
                    return f64::NEG_INFINITY;
                }
                low + (x - i as f64).min(1.0) * (high - low)
            }
        }
    }

    /// The chance at a distance; may underflow to 0 where its logarithm still stands.
    pub(super) fn probability(&self, distance_m: f64) -> f64 {
        match self {
            Radial::Plain { capture, .. } => capture.probability(distance_m),
            Radial::Spread { .. } => self.ln_probability(distance_m).exp(),
        }
    }
}

/// How capture is spread over distance from the trap: share of the sampling area within a radius.
struct CaptureRings {
    step_m: f64,
    within: Vec<f64>,
    median_m: f64,
}

impl CaptureRings {
    fn new(capture: &Capture) -> Self {
        let far_m = capture.cutoff_m(NEGLIGIBLE * capture.peak());
        let step_m = far_m / CAPTURE_STEPS as f64;
        let mut sum = 0.0;
        let mut within = vec![0.0];
        for i in 0..CAPTURE_STEPS {
            let r = (i as f64 + 0.5) * step_m;
            sum += r * capture.probability(r);
            within.push(sum);
        }
        within.iter_mut().for_each(|w| *w /= sum);
        let mut rings = CaptureRings {
            step_m,
            within,
            median_m: 0.0,
        };
        rings.median_m = rings.quantile(0.5);
        rings
    }

    fn quantile(&self, share: f64) -> f64 {
        let i = self
            .within
            .partition_point(|w| *w < share)
            .clamp(1, CAPTURE_STEPS);
        let (low, high) = (self.within[i - 1], self.within[i]);
        let part = if high > low {
            (share - low) / (high - low)
        } else {
            0.5
        };
        (i as f64 - 1.0 + part) * self.step_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::Form;

    /// A bell folded with a bell is a bell: the closed form.
    #[test]
    fn bells_fold_to_a_bell() {
        for (sigma, sd) in [(40.0, 15.0), (40.0, 160.0), (30.0, 30.0)] {
            let capture = Capture::new(Form::HalfNormal, sigma, 0.4).unwrap();
            let kernel = Kernel::gaussian(0.5 * sd * sd, 1.0).unwrap();
            let folded = Radial::spread(capture, &kernel, 1000.0);
            let variance: f64 = sigma * sigma + sd * sd;
            for d in [0.0, 20.0, 55.0, 120.0, 300.0] {
                let exact = 0.4 * sigma * sigma / variance * (-d * d / (2.0 * variance)).exp();
                let got = folded.probability(d);
                assert!(
                    (got - exact).abs() < 0.03 * exact + 1e-4 * 0.4,
                    "sigma {sigma} sd {sd} d {d}: {got} {exact}"
                );
            }
        }
    }

    /// Flight moves insects about but catches neither more nor fewer over the plane.
    #[test]
    fn the_sampling_area_stays() {
        for form in [Form::Sech, Form::Exponential, Form::HalfNormal, Form::Disc] {
            for kernel in [
                Kernel::exponential_radial(60.0).unwrap(),
                Kernel::exponential(20.0).unwrap(),
                Kernel::two_dt(2500.0, 2.5).unwrap(),
            ] {
                let capture = Capture::new(form, 30.0, 0.3).unwrap();
                let folded = Radial::spread(capture, &kernel, 3000.0);
                let step = 0.5;
                let sum: f64 = (0..6000)
                    .map(|i| (i as f64 + 0.5) * step)
                    .map(|r| TAU * r * folded.probability(r) * step)
                    .sum();
                let area = capture.sampling_area_m2();
                assert!(
                    (sum / area - 1.0).abs() < 0.04,
                    "{form:?} {kernel:?} {}",
                    sum / area
                );
            }
        }
    }
}
