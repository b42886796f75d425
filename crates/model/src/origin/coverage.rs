//! Do the regions hold what they promise? Finds are drawn from the model itself, located, and counted.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Gamma, LogNormal, Poisson};
use rayon::prelude::*;

use super::TrapCatch;
use super::catches::Scatter;
use super::posterior::{Beliefs, Candidate, Draws, check_candidates, longest_m, posterior};
use crate::error::{ModelError, check};
use crate::proportion::Share;

/// What to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simulation {
    /// Finds to simulate, 1 or more.
    pub finds: u32,
    /// Share of the posterior that the region promises, between 0 and 1.
    pub share: f64,
    /// Median number of flyers of a simulated incursion, above 0.
    pub flyers_median: f64,
    /// Standard deviation of its natural logarithm, 0 or more.
    pub flyers_sigma: f64,
    /// Parameter draws of each posterior.
    pub draws: u32,
    /// Seed of everything.
    pub seed: u64,
}

/// What came out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coverage {
    /// Of the finds simulated, those whose region held the true origin; the interval is binomial.
    pub held: Share,
    /// Incursions drawn to get as many finds: the others were not caught, and are no finds.
    pub incursions: u64,
    /// Mean probability in the regions, a little above the share asked for, as regions are made of whole candidates:
    /// what coverage should be.
    pub promised: f64,
}

/// Incursions drawn for one find before it is given up.
const MOST_TRIES: u64 = 100_000;

/// Draws incursions (origin by weight, flyers, parameters from the beliefs, catches) until `finds` of them are caught at
/// least once, locates each, and counts how often the region holds the origin. `traps` give places and efforts; their
/// catches are ignored. Simulated parameters come from streams of their own, never those of the posterior.
///
/// # Errors
/// As [`posterior`]; settings out of range; or traps that practically never catch anything.
pub fn coverage(
    candidates: &[Candidate],
    traps: &[TrapCatch],
    beliefs: &Beliefs,
    simulation: Simulation,
) -> Result<Coverage, ModelError> {
    let Simulation { finds, share, .. } = simulation;
    check("simulated finds", f64::from(finds), finds > 0, "1 or more")?;
    check(
        "share of the region",
        share,
        share > 0.0 && share < 1.0,
        "above 0 and below 1",
    )?;
    let (median, sigma) = (simulation.flyers_median, simulation.flyers_sigma);
    check("median number of flyers", median, median > 0.0, "above 0")?;
    check("spread of the number of flyers", sigma, sigma >= 0.0, "0 or more")?;
    beliefs.check()?;
    check_candidates(candidates)?;
    let one = |find: u32| -> Result<(bool, f64, u64), ModelError> {
        let (origin, caught, tries) = simulated(candidates, traps, beliefs, simulation, find)?;
        // Every posterior has its own seed, so that one lucky set of draws is not used two thousand times.
        let draws = Draws {
            draws: simulation.draws,
            seed: simulation.seed ^ (u64::from(find) + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15),
        };
        let region = posterior(candidates, &caught, beliefs, draws)?.region(share);
        Ok((region.candidates.contains(&origin), region.mass, tries))
    };
    let all: Vec<(bool, f64, u64)> = (0..finds).into_par_iter().map(one).collect::<Result<_, _>>()?;
    let held = all.iter().filter(|(held, _, _)| *held).count() as u64;
    Ok(Coverage {
        held: Share::new(held, u64::from(finds))?,
        incursions: all.iter().map(|(_, _, tries)| tries).sum(),
        promised: all.iter().map(|(_, mass, _)| mass).sum::<f64>() / f64::from(finds),
    })
}

/// One find: its origin, its catches, and how many incursions it took.
fn simulated(
    candidates: &[Candidate],
    traps: &[TrapCatch],
    beliefs: &Beliefs,
    simulation: Simulation,
    find: u32,
) -> Result<(usize, Vec<TrapCatch>, u64), ModelError> {
    let longest = longest_m(candidates, traps);
    let total: f64 = candidates.iter().map(|c| c.weight).sum();
    let mut rng = ChaCha8Rng::seed_from_u64(simulation.seed);
    // The upper half of streams: the posterior's draws take the lower.
    rng.set_stream((1 << 63) | u64::from(find));
    for tries in 1..=MOST_TRIES {
        let mut left = rng.random::<f64>() * total;
        let origin = candidates
            .iter()
            .position(|c| {
                left -= c.weight;
                left < 0.0
            })
            .unwrap_or(candidates.len() - 1);
        let drawn = beliefs.drawn(longest, simulation.seed, rng.random::<u64>() | (1 << 63))?;
        let flyers = LogNormal::new(simulation.flyers_median.ln(), simulation.flyers_sigma)
            .map_or(simulation.flyers_median, |d| d.sample(&mut rng));
        let at = candidates[origin].at;
        let mut caught = traps.to_vec();
        for trap in &mut caught {
            let distance = (trap.x_m - at.x_m).hypot(trap.y_m - at.y_m);
            let mean = flyers * trap.effort * drawn.radial.probability(distance);
            let mean = match drawn.scatter {
                Scatter::Poisson => mean,
                Scatter::Clumped(k) => mean * Gamma::new(k, 1.0 / k).map_or(1.0, |d| d.sample(&mut rng)),
            };
            trap.catch = Poisson::new(mean).map_or(0.0, |d| d.sample(&mut rng));
        }
        if caught.iter().any(|t| t.catch > 0.0) {
            return Ok((origin, caught, tries));
        }
    }
    Err(ModelError::Inconsistent(format!(
        "of {MOST_TRIES} simulated incursions none was caught: no coverage can be told from traps like these"
    )))
}
