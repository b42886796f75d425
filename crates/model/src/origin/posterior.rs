//! The posterior over given cells or trees, with priors, and with every uncertain parameter integrated out.
//!
//! `P(s | catches) ∝ w_s Σ_d L(s; θ_d)`: the likelihood is averaged over seeded draws θ of reach, peak, flight and
//! clumping, so draws that explain the catches badly count little. Expected catch of trap i is `N q_i(s)`,
//! `q_i = e_i p(d_i)`; N, the number of flyers, is taken out as [`Flyers`] says (formulas: module [`crate::origin`]).

use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

pub use super::catches::Flyers;
use super::catches::{Counts, Expected, Scatter, ln_marginal};
use super::radial::Radial;
use super::{OriginGrid, TrapCatch};
use crate::capture::{Capture, Form};
use crate::detection::Point;
use crate::dispersal::Kernel;
use crate::error::{ModelError, check};
use crate::param::Dist;

/// A place at which the insects may have started: a cell's centre, or a tree. A cell that is wide against the reach must
/// be given as several candidates (see [`Posterior::gathered`]): the likelihood is that of its point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// Where, metres in the traps' local frame.
    pub at: Point,
    /// Ground it stands for, square metres, above 0; the same for all where trees are the candidates.
    pub area_m2: f64,
    /// Relative belief before the catches (introduction risk × host), 0 or more; only ratios matter.
    pub weight: f64,
}

/// A flight between the origin and the place from which traps are met.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FirstFlight {
    /// The kernel.
    pub kernel: Kernel,
    /// Factor on all its distances: `fixed 1` where the kernel is taken as known.
    pub factor: Dist,
}

/// How catches scatter round their mean.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Catches {
    /// Each insect for itself.
    Poisson,
    /// Negative binomial: variance `m + m^2/k`.
    Clumped {
        /// k, above 0; small where insects come in bursts.
        clumping: Dist,
    },
}

/// What is believed of the target and its traps, from its profile.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Beliefs {
    /// Form of capture against distance.
    pub form: Form,
    /// Its reach, metres.
    pub reach_m: Dist,
    /// Its peak, above 0, at most 1. It says nothing about where unless N has a log-normal prior.
    pub peak: Dist,
    /// Flight between origin and capture, where the origin is where they emerged rather than where they flew.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_flight: Option<FirstFlight>,
    /// How catches scatter.
    pub catches: Catches,
    /// How many flew.
    pub flyers: Flyers,
}

/// Parameter draws.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Draws {
    /// How many, 1 to 100 000. One is enough where nothing is uncertain.
    pub draws: u32,
    /// Their seed: the same input and seed give the same answer, to the last bit, whatever the number of threads.
    pub seed: u64,
}

/// One draw of the parameters.
#[derive(Debug, Clone)]
pub(super) struct Drawn {
    pub(super) radial: Radial,
    pub(super) scatter: Scatter,
}

impl Beliefs {
    /// Checks every distribution.
    ///
    /// # Errors
    /// A distribution that is none, or whose central value lies outside the parameter's range.
    pub fn check(&self) -> Result<(), ModelError> {
        self.reach_m.check()?;
        self.peak.check()?;
        let (reach, peak) = (self.reach_m.central(), self.peak.central());
        check("reach", reach, reach > 0.0, "above 0 m")?;
        check("peak", peak, peak > 0.0 && peak <= 1.0, "above 0, at most 1")?;
        if let Some(flight) = &self.first_flight {
            flight.factor.check()?;
            let factor = flight.factor.central();
            check("factor on flight distances", factor, factor > 0.0, "above 0")?;
        }
        if let Catches::Clumped { clumping } = &self.catches {
            clumping.check()?;
            let k = clumping.central();
            check("clumping", k, k > 0.0, "above 0")?;
        }
        if let Flyers::LogNormal { median, sigma } = self.flyers {
            check("median number of flyers", median, median > 0.0, "above 0")?;
            check("spread of the number of flyers", sigma, sigma > 0.0, "above 0")?;
        }
        Ok(())
    }

    /// Whether one draw says all.
    fn is_certain(&self) -> bool {
        self.reach_m.is_fixed()
            && self.peak.is_fixed()
            && self.first_flight.as_ref().is_none_or(|f| f.factor.is_fixed())
            && match &self.catches {
                Catches::Poisson => true,
                Catches::Clumped { clumping } => clumping.is_fixed(),
            }
    }

    /// The parameters at their central values.
    pub(super) fn central(&self, longest_m: f64) -> Result<Drawn, ModelError> {
        self.parameters(longest_m, &mut |dist| dist.central())
    }

    /// One draw, from a random stream of its own.
    pub(super) fn drawn(&self, longest_m: f64, seed: u64, stream: u64) -> Result<Drawn, ModelError> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        self.parameters(longest_m, &mut |dist| dist.draw(&mut rng))
    }

    /// Values outside a parameter's range are pulled to its end, as profiles do.
    fn parameters(&self, longest_m: f64, value: &mut dyn FnMut(&Dist) -> f64) -> Result<Drawn, ModelError> {
        let reach_m = value(&self.reach_m).clamp(1e-3, 1e7);
        let peak = value(&self.peak).clamp(1e-9, 1.0);
        let capture = Capture::new(self.form, reach_m, peak)?;
        let radial = match &self.first_flight {
            None => Radial::plain(capture),
            Some(flight) => {
                let factor = value(&flight.factor).clamp(1e-6, 1e6);
                Radial::spread(capture, &flight.kernel.scaled(factor)?, longest_m)
            }
        };
        let scatter = match &self.catches {
            Catches::Poisson => Scatter::Poisson,
            Catches::Clumped { clumping } => Scatter::Clumped(value(clumping).clamp(1e-3, 1e9)),
        };
        Ok(Drawn { radial, scatter })
    }
}

impl OriginGrid {
    /// The grid's nodes as candidates, each believed alike.
    pub fn candidates(&self) -> Vec<Candidate> {
        (0..self.columns * self.rows)
            .map(|at| {
                let (x_m, y_m) = self.position(at);
                Candidate {
                    at: Point { x_m, y_m },
                    area_m2: self.step_m * self.step_m,
                    weight: 1.0,
                }
            })
            .collect()
    }
}

/// Where they came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Posterior probability of each candidate, in the order given, summing to 1.
    pub mass: Vec<f64>,
    /// Draws made.
    pub draws: u32,
    /// How many draws' worth of explanation there was, `(Σ Z_d)² / Σ Z_d²` with `Z_d` a draw's own evidence: near 1 of
    /// many says that few of the drawn parameters explain the catches, so the answer hangs on those few; take more
    /// draws, or look at the beliefs.
    pub effective_draws: f64,
    /// Log of the mean likelihood over prior and draws, up to a constant of the catches: for comparing beliefs.
    pub ln_evidence: f64,
    area_m2: Vec<f64>,
}

/// A set of candidates that together hold a share of the posterior.
#[derive(Debug, Clone, PartialEq)]
pub struct Region {
    /// Indices of the candidates, densest first.
    pub candidates: Vec<usize>,
    /// Their area together, square metres.
    pub area_m2: f64,
    /// Their probability together: the share asked for, or a little more.
    pub mass: f64,
}

/// One step of a search.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SearchStep {
    /// Index of the candidate to look at.
    pub candidate: usize,
    /// Probability that it is the origin.
    pub mass: f64,
    /// Probability that the origin is this one or one before it.
    pub cumulative: f64,
}

/// Candidates handled by one task; sums run block by block in order.
const BLOCK: usize = 64;

/// A sum of expected catches above this has lost no digit to underflow.
const SAFE: f64 = 1e-200;

/// The posterior over candidates.
///
/// # Errors
/// Beliefs, candidates or catches that make no sense; no catch at all; or catches that no candidate could explain.
pub fn posterior(
    candidates: &[Candidate],
    traps: &[TrapCatch],
    beliefs: &Beliefs,
    draws: Draws,
) -> Result<Posterior, ModelError> {
    beliefs.check()?;
    let ok = (1..=100_000).contains(&draws.draws);
    check("draws", f64::from(draws.draws), ok, "between 1 and 100000")?;
    check_candidates(candidates)?;
    super::check_catches(traps)?;
    let longest_m = longest_m(candidates, traps);
    let number = if beliefs.is_certain() { 1 } else { draws.draws };
    let drawn: Vec<Drawn> = (0..number)
        .into_par_iter()
        .map(|d| beliefs.drawn(longest_m, draws.seed, u64::from(d)))
        .collect::<Result<_, _>>()?;
    posterior_of(candidates, traps, beliefs.flyers, &drawn)
}

pub(super) fn longest_m(candidates: &[Candidate], traps: &[TrapCatch]) -> f64 {
    let mut ends = [f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY];
    let traps = traps.iter().map(|t| (t.x_m, t.y_m));
    for (x, y) in candidates.iter().map(|c| (c.at.x_m, c.at.y_m)).chain(traps) {
        ends = [ends[0].min(x), ends[1].max(x), ends[2].min(y), ends[3].max(y)];
    }
    (ends[1] - ends[0]).hypot(ends[3] - ends[2]).max(1.0)
}

pub(super) fn check_candidates(candidates: &[Candidate]) -> Result<(), ModelError> {
    for c in candidates {
        check("x of a candidate", c.at.x_m, true, "a finite number")?;
        check("y of a candidate", c.at.y_m, true, "a finite number")?;
        check("area of a candidate", c.area_m2, c.area_m2 > 0.0, "above 0 m2")?;
        check("weight of a candidate", c.weight, c.weight >= 0.0, "0 or more")?;
    }
    if candidates.iter().all(|c| c.weight <= 0.0) {
        return Err(ModelError::Inconsistent(
            "no candidate origin has a weight above 0, so there is nowhere to look".into(),
        ));
    }
    Ok(())
}

pub(super) fn posterior_of(
    candidates: &[Candidate],
    traps: &[TrapCatch],
    flyers: Flyers,
    drawn: &[Drawn],
) -> Result<Posterior, ModelError> {
    // A trap without effort saw nothing, and says nothing.
    let traps: Vec<&TrapCatch> = traps.iter().filter(|t| t.effort > 0.0).collect();
    let counts = Counts::new(traps.iter().map(|t| t.catch).collect());
    let total_weight: f64 = candidates.iter().map(|c| c.weight).sum();
    let blocks: Vec<(Vec<f64>, Vec<f64>)> = candidates
        .par_chunks(BLOCK)
        .map(|block| block_of(block, total_weight, &traps, &counts, flyers, drawn))
        .collect();
    let ln_mass: Vec<f64> = blocks.iter().flat_map(|(mass, _)| mass.iter().copied()).collect();
    let ln_all = ln_sum_exp(ln_mass.iter().copied());
    if ln_all == f64::NEG_INFINITY {
        return Err(ModelError::Inconsistent(
            "no candidate origin could explain these catches with what is believed of capture and flight"
                .into(),
        ));
    }
    let evidence: Vec<f64> = (0..drawn.len())
        .map(|d| ln_sum_exp(blocks.iter().map(|(_, draws)| draws[d])))
        .collect();
    let squares = ln_sum_exp(evidence.iter().map(|e| 2.0 * e));
    Ok(Posterior {
        mass: ln_mass.iter().map(|l| (l - ln_all).exp()).collect(),
        draws: drawn.len() as u32,
        effective_draws: (2.0 * ln_sum_exp(evidence.iter().copied()) - squares).exp(),
        ln_evidence: ln_all - (drawn.len() as f64).ln(),
        area_m2: candidates.iter().map(|c| c.area_m2).collect(),
    })
}

/// Log of weight times summed likelihood, by candidate; and summed over the block's candidates, by draw.
fn block_of(
    block: &[Candidate],
    total_weight: f64,
    traps: &[&TrapCatch],
    counts: &Counts,
    flyers: Flyers,
    drawn: &[Drawn],
) -> (Vec<f64>, Vec<f64>) {
    let (mut distance, mut q, mut ln_q) = (Vec::new(), vec![0.0; traps.len()], Vec::new());
    let ln_effort: Vec<f64> = counts.caught.iter().map(|i| traps[*i].effort.ln()).collect();
    let mut all = vec![f64::NEG_INFINITY; block.len() * drawn.len()];
    for (candidate, row) in block.iter().zip(all.chunks_mut(drawn.len())) {
        if candidate.weight <= 0.0 {
            continue;
        }
        distance.clear();
        distance.extend(
            traps
                .iter()
                .map(|t| (t.x_m - candidate.at.x_m).hypot(t.y_m - candidate.at.y_m)),
        );
        let ln_prior = (candidate.weight / total_weight).ln();
        for (draw, out) in drawn.iter().zip(row) {
            ln_q.clear();
            let caught = counts.caught.iter().zip(&ln_effort);
            ln_q.extend(caught.map(|(i, e)| e + draw.radial.ln_probability(distance[*i])));
            let ln_sum = expected_of_all(traps, &distance, draw, &mut q);
            let expected = Expected {
                ln_q: &ln_q,
                ln_sum,
                part: &q,
            };
            *out = ln_prior + ln_marginal(counts, &expected, draw.scatter, flyers);
        }
    }
    let by_candidate = all
        .chunks(drawn.len())
        .map(|row| ln_sum_exp(row.iter().copied()))
        .collect();
    let by_draw = (0..drawn.len())
        .map(|d| ln_sum_exp(all[d..].iter().step_by(drawn.len()).copied()))
        .collect();
    (by_candidate, by_draw)
}

/// Log of what one insect would give all traps together; fills `part` with each trap's part where catches are clumped.
fn expected_of_all(traps: &[&TrapCatch], distance: &[f64], draw: &Drawn, part: &mut [f64]) -> f64 {
    let mut sum = 0.0;
    for ((q, trap), d) in part.iter_mut().zip(traps).zip(distance) {
        *q = trap.effort * draw.radial.probability(*d);
        sum += *q;
    }
    let divide = draw.scatter != Scatter::Poisson;
    if sum > SAFE {
        if divide {
            part.iter_mut().for_each(|q| *q /= sum);
        }
        return sum.ln();
    }
    // So far from every trap that chances underflow: the same by logarithms.
    for ((q, trap), d) in part.iter_mut().zip(traps).zip(distance) {
        *q = trap.effort.ln() + draw.radial.ln_probability(*d);
    }
    let ln_sum = ln_sum_exp(part.iter().copied());
    if divide && ln_sum > f64::NEG_INFINITY {
        part.iter_mut().for_each(|q| *q = (*q - ln_sum).exp());
    }
    ln_sum
}

pub(super) fn ln_sum_exp(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = values.clone().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + values.map(|v| (v - top).exp()).sum::<f64>().ln()
}

impl Posterior {
    /// The candidate with the highest posterior density; the first of several. Never read it without the regions.
    pub fn best(&self) -> usize {
        let density = |i: usize| self.mass[i] / self.area_m2[i];
        (0..self.mass.len()).fold(0, |b, i| if density(i) > density(b) { i } else { b })
    }

    /// The smallest ground that holds a share of the posterior (highest posterior density).
    pub fn region(&self, share: f64) -> Region {
        let mut order: Vec<usize> = (0..self.mass.len()).filter(|i| self.mass[*i] > 0.0).collect();
        let density = |i: &usize| self.mass[*i] / self.area_m2[*i];
        order.sort_unstable_by(|a, b| density(b).total_cmp(&density(a)).then(a.cmp(b)));
        let (mut mass, mut area_m2, mut taken) = (0.0, 0.0, 0);
        while taken < order.len() && mass < share {
            mass += self.mass[order[taken]];
            area_m2 += self.area_m2[order[taken]];
            taken += 1;
        }
        order.truncate(taken);
        Region {
            candidates: order,
            area_m2,
            mass,
        }
    }

    /// Candidates in the order in which looking finds the origin soonest on average: by probability for the cost of a
    /// look (`cost` gives it by index, above 0, any unit), which is the best order where a look at the right place always
    /// finds it (Smith's rule: 1956, Nav Res Logist Q 3:59-66). Candidates of probability 0 are left out.
    ///
    /// # Errors
    /// A cost that is not above 0.
    pub fn search_order(&self, cost: impl Fn(usize) -> f64) -> Result<Vec<SearchStep>, ModelError> {
        let mut order = Vec::new();
        for (i, &mass) in self.mass.iter().enumerate().filter(|(_, m)| **m > 0.0) {
            let cost = check("cost of a look", cost(i), cost(i) > 0.0, "above 0")?;
            order.push((i, mass, mass / cost));
        }
        order.sort_unstable_by(|a, b| b.2.total_cmp(&a.2).then(a.0.cmp(&b.0)));
        let mut cumulative = 0.0;
        Ok(order
            .into_iter()
            .map(|(candidate, mass, _)| {
                cumulative += mass;
                SearchStep {
                    candidate,
                    mass,
                    cumulative,
                }
            })
            .collect())
    }

    /// Probability summed over groups, as of trees over the cells they stand in: `group_of` gives each candidate's.
    ///
    /// # Errors
    /// A group out of range, or a list that is not as long as the candidates.
    pub fn gathered(&self, group_of: &[usize], groups: usize) -> Result<Vec<f64>, ModelError> {
        if group_of.len() != self.mass.len() || group_of.iter().any(|g| *g >= groups) {
            return Err(ModelError::Inconsistent(
                "each candidate origin needs one group, numbered from 0".into(),
            ));
        }
        let mut sums = vec![0.0; groups];
        for (g, m) in group_of.iter().zip(&self.mass) {
            sums[*g] += m;
        }
        Ok(sums)
    }
}
