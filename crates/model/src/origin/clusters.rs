//! Several origins at once: how many there were, how sure that is, and where each was.
//!
//! Catches of trap i are Poisson with mean `Σ_c N_c q_i(s_c)`. For one origin, two, and so on, the best places and
//! numbers are sought over the candidates at central parameters: an origin is added where it explains most, then each in
//! turn is taken out and sought again with the others in place, until nothing gets better. How many is weighed by the
//! Bayesian information criterion, `-2 l / c + 3 C ln(traps)` (Schwarz 1978, Ann Stat 6:461-464), three parameters an
//! origin; c, the overdispersion, divides the log-likelihood where catches are clumped (quasi-likelihood: Burnham &
//! Anderson 2002, Model Selection, ch. 2 [from memory]). `exp(-BIC/2)`, normalised, is a rough probability of each number,
//! good with ten catches and more; it is a guide for where to look next, and no proof.
//!
//! Each origin's own posterior then takes its share of every catch: parts of a Poisson sum, split by share, are Poisson
//! again.

use rayon::prelude::*;

use super::TrapCatch;
use super::posterior::{Beliefs, Candidate, Drawn, Draws, Posterior, check_candidates, longest_m, posterior};
use crate::error::{ModelError, check};

/// Most origins that are looked for.
pub const MOST_ORIGINS: usize = 8;
/// Rounds of taking each out and seeking it again.
const MOST_ROUNDS: usize = 12;
/// An improvement of log-likelihood below this is none.
const NOTHING: f64 = 1e-9;

/// One number of origins, weighed.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighed {
    /// Number of origins.
    pub origins: usize,
    /// Log-likelihood at the best places and numbers found, up to a constant of the catches.
    pub log_likelihood: f64,
    /// The criterion; smaller is better.
    pub criterion: f64,
    /// Rough probability of this number among those weighed.
    pub probability: f64,
}

/// One origin among several.
#[derive(Debug, Clone, PartialEq)]
pub struct Cluster {
    /// Index of the candidate where it fits best.
    pub best: usize,
    /// Flyers it takes, in insects where the traps' efforts are in flight lives.
    pub flyers: f64,
    /// Its share of each trap's catch, 0 to 1, in the order of the traps; 0 where nothing was caught.
    pub share: Vec<f64>,
    /// Where it was, by its share of the catches.
    pub posterior: Posterior,
}

/// How many, and where.
#[derive(Debug, Clone, PartialEq)]
pub struct Clusters {
    /// Numbers of origins, 1 upward, each weighed; all that could be fitted.
    pub weighed: Vec<Weighed>,
    /// The origins of the most probable number, most flyers first.
    pub clusters: Vec<Cluster>,
}

/// An origin under way.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Source {
    candidate: usize,
    flyers: f64,
}

/// Expected catches of one insect: by candidate, of traps with a catch; and summed over all traps.
struct Table {
    caught: Vec<Vec<f64>>,
    sum: Vec<f64>,
    y: Vec<f64>,
}

/// Weighs one origin against two and more, up to `most`, and says where each of the best number was.
///
/// `overdispersion` is the variance of catches over their mean, 1 for Poisson catches, more where they are clumped.
///
/// # Errors
/// As [`posterior`]; a number of origins outside 1 to [`MOST_ORIGINS`]; an overdispersion below 1.
pub fn clusters(
    candidates: &[Candidate],
    traps: &[TrapCatch],
    beliefs: &Beliefs,
    draws: Draws,
    most: usize,
    overdispersion: f64,
) -> Result<Clusters, ModelError> {
    beliefs.check()?;
    check_candidates(candidates)?;
    super::check_catches(traps)?;
    let ok = (1..=MOST_ORIGINS).contains(&most);
    check("most origins", most as f64, ok, "between 1 and 8")?;
    check(
        "overdispersion",
        overdispersion,
        overdispersion >= 1.0,
        "1 or more",
    )?;
    let table = Table::new(candidates, traps, &beliefs.central(longest_m(candidates, traps))?);
    let watching = traps.iter().filter(|t| t.effort > 0.0).count();
    let mut fits: Vec<(Vec<Source>, f64)> = Vec::new();
    for origins in 1..=most {
        let before = fits.last().map_or(&[][..], |(sources, _)| sources);
        let Some(fit) = table.fit(before, candidates) else {
            break;
        };
        // An origin that took no insects is none: more would only repeat it.
        if origins > 1 && fit.0.iter().any(|s| s.flyers <= 0.0) {
            break;
        }
        fits.push(fit);
    }
    if fits.is_empty() {
        return Err(ModelError::Inconsistent(
            "no candidate origin could explain these catches at the central values of capture and flight"
                .into(),
        ));
    }
    let weighed = weigh(&fits, watching, overdispersion);
    let chosen = (0..weighed.len()).fold(0, |b, i| {
        if weighed[i].criterion < weighed[b].criterion {
            i
        } else {
            b
        }
    });
    let mut sources = fits[chosen].0.clone();
    sources.sort_by(|a, b| b.flyers.total_cmp(&a.flyers).then(a.candidate.cmp(&b.candidate)));
    let clusters = (0..sources.len())
        .map(|c| cluster(c, &sources, &table, candidates, traps, beliefs, draws))
        .collect::<Result<_, _>>()?;
    Ok(Clusters { weighed, clusters })
}

fn weigh(fits: &[(Vec<Source>, f64)], watching: usize, overdispersion: f64) -> Vec<Weighed> {
    let criterion: Vec<f64> = fits
        .iter()
        .map(|(sources, l)| {
            -2.0 * l / overdispersion + 3.0 * sources.len() as f64 * (watching as f64).max(2.0).ln()
        })
        .collect();
    let least = criterion.iter().copied().fold(f64::INFINITY, f64::min);
    let total: f64 = criterion.iter().map(|c| (-0.5 * (c - least)).exp()).sum();
    fits.iter()
        .zip(&criterion)
        .map(|((sources, l), c)| Weighed {
            origins: sources.len(),
            log_likelihood: *l,
            criterion: *c,
            probability: (-0.5 * (c - least)).exp() / total,
        })
        .collect()
}

fn cluster(
    which: usize,
    sources: &[Source],
    table: &Table,
    candidates: &[Candidate],
    traps: &[TrapCatch],
    beliefs: &Beliefs,
    draws: Draws,
) -> Result<Cluster, ModelError> {
    let all = table.mean(sources);
    let own = table.mean(&sources[which..=which]);
    let mut parts = own.iter().zip(&all).map(|(own, all)| own / all);
    let mut share = Vec::with_capacity(traps.len());
    let mut mine = traps.to_vec();
    for trap in &mut mine {
        let part = if trap.catch > 0.0 {
            parts.next().unwrap_or(0.0)
        } else {
            0.0
        };
        trap.catch *= part;
        share.push(part);
    }
    Ok(Cluster {
        best: sources[which].candidate,
        flyers: sources[which].flyers,
        share,
        posterior: posterior(candidates, &mine, beliefs, draws)?,
    })
}

impl Table {
    fn new(candidates: &[Candidate], traps: &[TrapCatch], drawn: &Drawn) -> Self {
        let q = |c: &Candidate, t: &TrapCatch| {
            t.effort
                * drawn
                    .radial
                    .probability((t.x_m - c.at.x_m).hypot(t.y_m - c.at.y_m))
        };
        let caught: Vec<&TrapCatch> = traps.iter().filter(|t| t.catch > 0.0).collect();
        Table {
            caught: candidates
                .par_iter()
                .map(|c| caught.iter().map(|t| q(c, t)).collect())
                .collect(),
            sum: candidates
                .par_iter()
                .map(|c| traps.iter().map(|t| q(c, t)).sum())
                .collect(),
            y: caught.iter().map(|t| t.catch).collect(),
        }
    }

    /// Expected catch of the traps with a catch.
    fn mean(&self, sources: &[Source]) -> Vec<f64> {
        let mut mean = vec![0.0; self.y.len()];
        for s in sources {
            for (m, q) in mean.iter_mut().zip(&self.caught[s.candidate]) {
                *m += s.flyers * q;
            }
        }
        mean
    }

    fn log_likelihood(&self, sources: &[Source]) -> f64 {
        let mean = self.mean(sources);
        let caught: f64 = self.y.iter().zip(&mean).map(|(y, m)| y * m.ln()).sum();
        caught
            - sources
                .iter()
                .map(|s| s.flyers * self.sum[s.candidate])
                .sum::<f64>()
    }

    /// Best flyers of one more origin at a candidate, and what the log-likelihood then is but for the others' own sums:
    /// concave in N, so its slope has one root.
    fn one_more(&self, others: &[f64], candidate: usize) -> (f64, f64) {
        let (q, sum) = (&self.caught[candidate], self.sum[candidate]);
        let slope = |n: f64| -> f64 {
            let terms = self.y.iter().zip(others).zip(q);
            terms
                .map(|((y, b), q)| if *q > 0.0 { y * q / (b + n * q) } else { 0.0 })
                .sum::<f64>()
                - sum
        };
        let total: f64 = self.y.iter().sum();
        let (mut low, mut high) = (0.0, total / sum.max(f64::MIN_POSITIVE));
        let alone = others.iter().all(|b| *b == 0.0);
        let n = if alone {
            high
        } else if !slope(0.0).is_finite() || slope(0.0) > 0.0 {
            // The root lies below total / sum, where even with no others the slope is 0.
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if slope(middle) > 0.0 {
                    low = middle
                } else {
                    high = middle
                }
            }
            0.5 * (low + high)
        } else {
            0.0
        };
        let terms = self.y.iter().zip(others).zip(q);
        let caught: f64 = terms.map(|((y, b), q)| y * (b + n * q).ln()).sum();
        (n, caught - n * sum)
    }

    /// Where one more origin explains most, the others in place; the first of several. `None` where it explains nothing.
    fn seek(&self, others: &[Source], candidates: &[Candidate]) -> Option<Source> {
        let background = self.mean(others);
        let all: Vec<(f64, f64)> = (0..candidates.len())
            .into_par_iter()
            .map(|i| {
                if candidates[i].weight > 0.0 && self.sum[i] > 0.0 {
                    self.one_more(&background, i)
                } else {
                    (0.0, f64::NEG_INFINITY)
                }
            })
            .collect();
        let mut best: Option<usize> = None;
        for (i, (_, l)) in all.iter().enumerate() {
            if *l > f64::NEG_INFINITY && best.is_none_or(|b| *l > all[b].1) {
                best = Some(i);
            }
        }
        best.map(|candidate| Source {
            candidate,
            flyers: all[candidate].0,
        })
    }

    /// One origin more than `before`, all settled.
    fn fit(&self, before: &[Source], candidates: &[Candidate]) -> Option<(Vec<Source>, f64)> {
        let mut sources = before.to_vec();
        sources.push(self.seek(before, candidates)?);
        let mut best = self.log_likelihood(&sources);
        for _ in 0..MOST_ROUNDS {
            let at_start = best;
            for c in 0..sources.len() {
                let mut others = sources.clone();
                others.remove(c);
                if let Some(moved) = self.seek(&others, candidates) {
                    let mut trial = sources.clone();
                    trial[c] = moved;
                    let l = self.log_likelihood(&trial);
                    if l > best {
                        (sources, best) = (trial, l);
                    }
                }
            }
            if best - at_start < NOTHING {
                break;
            }
        }
        Some((sources, best))
    }
}
