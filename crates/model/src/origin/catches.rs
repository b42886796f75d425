//! The chance of a set of catches from one origin, with the number of insects taken out.

use serde::{Deserialize, Serialize};
use statrs::function::gamma::ln_gamma;

/// How catches scatter round their mean, under one draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Scatter {
    Poisson,
    /// Negative binomial with clumping k: variance `m + m^2/k`.
    Clumped(f64),
}

/// What is believed of N, the number of insects that flew, before the catches are looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Flyers {
    /// Nothing is believed: for each origin the N that fits best is taken ("profiled").
    Profiled,
    /// Nothing is believed but that N is above 0: prior density 1/N, integrated out. With Poisson catches this gives
    /// the same posterior as profiling.
    Unknown,
    /// Log-normal, integrated out.
    LogNormal {
        /// Median number of flyers, above 0.
        median: f64,
        /// Standard deviation of the natural logarithm, above 0.
        sigma: f64,
    },
}

/// Catches that say something, and what they add up to.
#[derive(Debug, Clone)]
pub(super) struct Counts {
    /// Catch of each trap.
    pub(super) y: Vec<f64>,
    /// Traps with a catch.
    pub(super) caught: Vec<usize>,
    pub(super) total: f64,
}

impl Counts {
    pub(super) fn new(y: Vec<f64>) -> Self {
        let caught = (0..y.len()).filter(|i| y[*i] > 0.0).collect();
        let total = y.iter().sum();
        Counts { y, caught, total }
    }
}

/// Traps so far off that even `e^FAR_UP` times the likeliest N gives them less than this `m/k` are summed as if they did
/// not bend: `k ln(1 + m/k)` is then m to within half of m²/k.
const STRAIGHT: f64 = 1e-5;
const FAR_UP: f64 = 10.0;
/// The integral over ln N is summed in steps of this many widths of its peak, on both sides until it has sunk to
/// [`SUNK`] below the peak. On such bells the trapezoid rule is then right to about 1e-8. Where few traps leave the peak
/// flat, the bends themselves, one wide in ln N each, set the longest step.
const STEP_IN_WIDTHS: f64 = 0.8;
const LONGEST_STEP: f64 = 0.7;
const SUNK: f64 = 20.0;
const MOST_STEPS: usize = 900;

/// What one insect from one origin would give each trap.
pub(super) struct Expected<'a> {
    /// Log of the expected catch, for the traps with a catch, in the order of [`Counts::caught`].
    pub(super) ln_q: &'a [f64],
    /// Log of the expected catch of all traps together.
    pub(super) ln_sum: f64,
    /// Each trap's part of that sum; read only where catches are clumped.
    pub(super) part: &'a [f64],
}

/// Log-likelihood of the catches, N taken out, up to a constant that depends on the catches alone.
pub(super) fn ln_marginal(counts: &Counts, expected: &Expected<'_>, scatter: Scatter, flyers: Flyers) -> f64 {
    let Expected { ln_q, ln_sum, .. } = *expected;
    if ln_sum == f64::NEG_INFINITY || ln_q.contains(&f64::NEG_INFINITY) {
        return f64::NEG_INFINITY;
    }
    let spatial: f64 = counts
        .caught
        .iter()
        .zip(ln_q)
        .map(|(i, l)| counts.y[*i] * (l - ln_sum))
        .sum();
    match (scatter, flyers) {
        (Scatter::Poisson, Flyers::Profiled | Flyers::Unknown) => spatial,
        (Scatter::Poisson, Flyers::LogNormal { .. }) => {
            // N Q is the mean catch of all traps: everything else about N is in it.
            let curve = Curve {
                linear: 1.0,
                power: counts.total,
                bends: Vec::new(),
                prior: prior_of(flyers, ln_sum),
            };
            spatial + curve.taken_out(flyers)
        }
        (Scatter::Clumped(k), _) => {
            let (curve, constant) = clumped(counts, expected, k, flyers);
            spatial + constant + curve.taken_out(flyers)
        }
    }
}

/// Mean and standard deviation of the log of N times Q.
fn prior_of(flyers: Flyers, ln_sum: f64) -> Option<(f64, f64)> {
    match flyers {
        Flyers::LogNormal { median, sigma } => Some((median.ln() + ln_sum, sigma)),
        Flyers::Profiled | Flyers::Unknown => None,
    }
}

/// Negative binomial with the mean of trap i `M q_i / Q`, M the mean catch of all.
fn clumped(counts: &Counts, expected: &Expected<'_>, k: f64, flyers: Flyers) -> (Curve, f64) {
    let all = counts
        .y
        .iter()
        .zip(expected.part)
        .filter(|(_, part)| **part > 0.0);
    let bends = all.map(|(y, part)| (part / k, y + k)).collect();
    // Gamma(y+k)/Gamma(k) / k^y: what of the constant depends on k, which may itself be drawn.
    let constant = counts
        .caught
        .iter()
        .map(|i| counts.y[*i])
        .map(|y| ln_gamma(y + k) - ln_gamma(k) - y * k.ln())
        .sum();
    let curve = Curve {
        linear: 0.0,
        power: counts.total,
        bends,
        prior: prior_of(flyers, expected.ln_sum),
    };
    (curve, constant)
}

/// `power u - linear e^u - sum b ln(1 + a e^u) - (u-m)^2 / 2 s^2` in u, the log of the mean catch of all traps. Each
/// part is concave in u, so there is one peak.
struct Curve {
    linear: f64,
    power: f64,
    /// (a, b) of each trap that bends.
    bends: Vec<(f64, f64)>,
    prior: Option<(f64, f64)>,
}

impl Curve {
    fn at(&self, u: f64) -> f64 {
        let m = u.exp();
        let bent: f64 = self.bends.iter().map(|(a, b)| b * (a * m).ln_1p()).sum();
        let prior = self.prior.map_or(0.0, |(mean, sd)| {
            let z = (u - mean) / sd;
            -0.5 * z * z - sd.ln()
        });
        // no linear part must not become nothing times infinity
        let linear = if self.linear > 0.0 { self.linear * m } else { 0.0 };
        self.power * u - linear - bent + prior
    }

    /// Slope and minus the curvature.
    fn slope(&self, u: f64) -> (f64, f64) {
        let m = u.exp();
        let (mut slope, mut bend) = (self.power - self.linear * m, self.linear * m);
        for (a, b) in &self.bends {
            let x = a * m;
            slope -= b * x / (1.0 + x);
            bend += b * x / ((1.0 + x) * (1.0 + x));
        }
        if let Some((mean, sd)) = self.prior {
            slope -= (u - mean) / (sd * sd);
            bend += 1.0 / (sd * sd);
        }
        (slope, bend)
    }

    /// Newton's steps, held inside a bracket that they shrink.
    fn peak(&self) -> f64 {
        let (mut low, mut high) = (-700.0_f64, 700.0_f64);
        let mut u = self.power.ln().clamp(low, high);
        for _ in 0..100 {
            let (slope, bend) = self.slope(u);
            if slope > 0.0 {
                low = u
            } else {
                high = u
            }
            let next = u + slope / bend;
            let next = if next > low && next < high {
                next
            } else {
                0.5 * (low + high)
            };
            if (next - u).abs() < 1e-10 * (1.0 + u.abs()) {
                return next;
            }
            u = next;
        }
        u
    }

    /// Sums the traps that don't bend anywhere near the peak.
    fn straighten(&mut self, peak: f64) {
        let limit = STRAIGHT * (-peak - FAR_UP).exp();
        let linear = &mut self.linear;
        self.bends.retain(|(a, b)| {
            let bends = *a >= limit;
            if !bends {
                *linear += a * b;
            }
            bends
        });
    }

    /// The value at the peak when N is profiled, else the log of the integral over u (which is that over N with density
    /// 1/N, or with the log-normal's).
    fn taken_out(mut self, flyers: Flyers) -> f64 {
        let u = self.peak();
        if flyers == Flyers::Profiled {
            return self.at(u);
        }
        self.straighten(u);
        let top = self.at(u);
        let step = (STEP_IN_WIDTHS / self.slope(u).1.sqrt()).min(LONGEST_STEP);
        let mut sum = 1.0;
        for direction in [step, -step] {
            for n in 1..MOST_STEPS {
                let down = self.at(u + n as f64 * direction) - top;
                sum += down.exp();
                if down < -SUNK {
                    break;
                }
            }
        }
        top + (sum * step).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marginal(counts: &Counts, q: &[f64], scatter: Scatter, flyers: Flyers) -> f64 {
        let ln_q: Vec<f64> = counts.caught.iter().map(|i| q[*i].ln()).collect();
        let sum: f64 = q.iter().sum();
        let part: Vec<f64> = q.iter().map(|q| q / sum).collect();
        let expected = Expected {
            ln_q: &ln_q,
            ln_sum: sum.ln(),
            part: &part,
        };
        ln_marginal(counts, &expected, scatter, flyers)
    }

    /// Against plain sums over a fine lattice of N of products of plain probabilities.
    #[test]
    fn integrals_are_those_of_a_fine_lattice() {
        let counts = Counts::new(vec![4.0, 0.0, 1.0, 0.0, 0.0]);
        let one = [0.02, 0.01, 0.03, 0.002, 1e-9];
        let two = [0.001, 0.2, 0.004, 0.02, 0.0];
        let flyers = Flyers::LogNormal {
            median: 60.0,
            sigma: 0.9,
        };
        let lattice = |q: &[f64; 5], scatter: Scatter, flyers: Flyers| {
            let mut sum = 0.0;
            let step = 1e-3;
            for n in -12_000..20_000 {
                let u = n as f64 * step;
                let mut l = match flyers {
                    Flyers::LogNormal { median, sigma } => {
                        let z = (u - f64::ln(median)) / sigma;
                        -0.5 * z * z - sigma.ln()
                    }
                    _ => 0.0,
                };
                for (y, q) in counts.y.iter().zip(q) {
                    let m = u.exp() * q;
                    l += match scatter {
                        Scatter::Poisson if *y > 0.0 => y * m.ln() - m,
                        Scatter::Poisson => -m,
                        Scatter::Clumped(k) => {
                            let rise = if *y > 0.0 { y * (m / (k + m)).ln() } else { 0.0 };
                            ln_gamma(y + k) - ln_gamma(k) + k * (k / (k + m)).ln() + rise
                        }
                    };
                }
                sum += l.exp() * step;
            }
            sum.ln()
        };
        for flyers in [Flyers::Unknown, flyers] {
            for scatter in [Scatter::Poisson, Scatter::Clumped(0.4), Scatter::Clumped(3.0)] {
                let exact = lattice(&one, scatter, flyers) - lattice(&two, scatter, flyers);
                let got = |q: &[f64; 5]| marginal(&counts, q, scatter, flyers);
                let got = got(&one) - got(&two);
                assert!(
                    (got - exact).abs() < 2e-5,
                    "{scatter:?} {flyers:?}: {got} {exact}"
                );
            }
        }
    }

    /// Two values of k compared at one origin: the constant that depends on k counts.
    #[test]
    fn clumping_is_weighed_against_clumping() {
        let counts = Counts::new(vec![6.0, 0.0]);
        let q = [0.5, 0.5];
        let l = |k| marginal(&counts, &q, Scatter::Clumped(k), Flyers::Profiled);
        // Six in one trap and none in its equal speak for clumping.
        assert!(l(0.3) > l(30.0));
        // As k grows the negative binomial becomes the Poisson: profiled at m = 3 each.
        let poisson = 6.0 * 3.0f64.ln() - 6.0;
        assert!((l(1e7) - poisson).abs() < 1e-4, "{} {poisson}", l(1e7));
    }

    /// Strong clumping and a nearly unknown number leave broad, flat integrands: still the lattice's value, never NaN.
    #[test]
    fn flat_integrands_are_summed_whole() {
        let counts = Counts::new(vec![60.0, 0.0, 3.0, 0.0]);
        let scatter = Scatter::Clumped(0.2);
        for q in [
            [0.1, 0.1, 1e-30, 1e-12],
            [0.5, 1e-3, 1e-8, 0.3],
            [1e-60, 1e-80, 1e-3, 0.0],
        ] {
            let mut sum = 0.0;
            for n in -20_000..60_000 {
                let u = f64::from(n) * 5e-3;
                let mut l = 0.0;
                for (y, q) in counts.y.iter().zip(q) {
                    let m = u.exp() * q;
                    l += y * (u + f64::max(q, 1e-300).ln() - 0.2_f64.ln()) - (y + 0.2) * (m / 0.2).ln_1p();
                }
                sum += l.exp() * 5e-3;
            }
            let constant: f64 = [60.0, 3.0]
                .iter()
                .map(|y| ln_gamma(y + 0.2) - ln_gamma(0.2))
                .sum();
            let exact = f64::ln(sum) + constant;
            let got = marginal(&counts, &q, scatter, Flyers::Unknown);
            assert!((got - exact).abs() < 1e-4, "{q:?}: {got} {exact}");
        }
    }

    #[test]
    fn very_clumped_catches_end_in_poisson() {
        let counts = Counts::new(vec![2.0, 1.0, 0.0]);
        for flyers in [
            Flyers::Profiled,
            Flyers::Unknown,
            Flyers::LogNormal {
                median: 20.0,
                sigma: 0.5,
            },
        ] {
            let difference = |scatter| {
                let l = |q: &[f64; 3]| marginal(&counts, q, scatter, flyers);
                l(&[0.1, 0.02, 0.3]) - l(&[0.2, 0.2, 0.01])
            };
            let (a, b) = (difference(Scatter::Poisson), difference(Scatter::Clumped(1e8)));
            assert!((a - b).abs() < 1e-5, "{flyers:?} {a} {b}");
        }
    }
}
