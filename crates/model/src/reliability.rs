//! Is a stated probability true? Reliability of stated assurances over simulated worlds whose truth is known, and the
//! difference between two plans tried in the same worlds.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF as _, StudentsT};

use crate::error::{ModelError, check};
use crate::proportion::Share;
use crate::sample_size::Sides;

/// What was stated of one world, and what was so.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Stated {
    /// Stated probability of absence, 0 to 1.
    pub p_free: f64,
    /// Whether the world really was free.
    pub free: bool,
}

/// One bin of the reliability curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bin {
    /// Lower end of the stated probabilities, included.
    pub from: f64,
    /// Upper end; included only in the last bin.
    pub to: f64,
    /// Worlds in the bin.
    pub worlds: u64,
    /// Of them, those that were free.
    pub free: u64,
    /// Mean stated probability in the bin; `None` without worlds. Compare it with the interval, not the bin's middle.
    pub mean_stated: Option<f64>,
    /// Exact binomial interval (Clopper & Pearson 1934, Biometrika 26:404-413) of the share that was free; `None`
    /// without worlds.
    pub interval: Option<(f64, f64)>,
}

impl Bin {
    /// Whether the mean stated probability lies in the interval; `None` without worlds.
    pub fn agrees(&self) -> Option<bool> {
        let (low, high) = self.interval?;
        self.mean_stated.map(|mean| (low..=high).contains(&mean))
    }
}

/// The reliability curve: worlds sorted into bins by what was stated, and the share of each bin that was free. `edges`
/// are the bins' ends, rising, from 0 to 1.
///
/// # Errors
/// A stated probability or confidence out of range, or edges that do not rise from 0 to 1.
pub fn curve(worlds: &[Stated], edges: &[f64], confidence: f64) -> Result<Vec<Bin>, ModelError> {
    let rising = edges.windows(2).all(|w| w[0] < w[1]);
    let whole = edges.first() == Some(&0.0) && edges.last() == Some(&1.0);
    if !rising || !whole {
        return Err(ModelError::Inconsistent(
            "the ends of the bins must rise from 0 to 1".into(),
        ));
    }
    let ok = confidence > 0.0 && confidence < 1.0;
    check("confidence", confidence, ok, "above 0 and below 1")?;
    let last = edges.len() - 2;
    let mut sums = vec![(0_u64, 0_u64, 0.0); last + 1];
    for w in worlds {
        let p = w.p_free;
        check(
            "stated probability",
            p,
            (0.0..=1.0).contains(&p),
            "between 0 and 1",
        )?;
        let bin = (edges.partition_point(|e| *e <= p) - 1).min(last);
        sums[bin].0 += 1;
        sums[bin].1 += u64::from(w.free);
        sums[bin].2 += p;
    }
    sums.into_iter()
        .zip(edges.windows(2))
        .map(|((worlds, free, stated), ends)| {
            let some = worlds > 0;
            let interval = || Share::new(free, worlds)?.interval(confidence, Sides::Two);
            Ok(Bin {
                from: ends[0],
                to: ends[1],
                worlds,
                free,
                mean_stated: some.then(|| stated / worlds as f64),
                interval: some.then(interval).transpose()?,
            })
        })
        .collect()
}

/// Mean difference of paired outcomes and its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Difference {
    /// Mean of second minus first.
    pub mean: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Pairs.
    pub pairs: usize,
}

/// Two plans tried in the same worlds (common random numbers): the mean of second minus first with Student's interval on
/// the differences, which leaves out what the worlds have in common.
///
/// # Errors
/// Lists of unequal length, fewer than two pairs, an outcome that is not a number, or a confidence out of range.
pub fn paired(first: &[f64], second: &[f64], confidence: f64) -> Result<Difference, ModelError> {
    let ok = confidence > 0.0 && confidence < 1.0;
    check("confidence", confidence, ok, "above 0 and below 1")?;
    if first.len() != second.len() || first.len() < 2 {
        return Err(ModelError::Inconsistent(
            "two plans are compared over the same worlds, two or more".into(),
        ));
    }
    let mut differences = Vec::with_capacity(first.len());
    for (a, b) in first.iter().zip(second) {
        differences.push(check("outcome", b - a, true, "a finite number")?);
    }
    let pairs = differences.len();
    let n = pairs as f64;
    let mean = differences.iter().sum::<f64>() / n;
    let variance = differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let t = StudentsT::new(0.0, 1.0, n - 1.0)
        .map_err(|e| ModelError::Inconsistent(e.to_string()))?
        .inverse_cdf(0.5 + 0.5 * confidence);
    let half = t * (variance / n).sqrt();
    Ok(Difference {
        mean,
        low: mean - half,
        high: mean + half,
        pairs,
    })
}
