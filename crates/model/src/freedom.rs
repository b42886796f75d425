//! Probability of freedom from looks that found nothing, and what may be said after a last catch.
//!
//! Bayes on one question, present or absent, period by period with re-introduction between (Martin, Cameron & Greiner
//! 2007 Prev Vet Med 79:71-97); zero-catch declarations; sighting records.

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

fn check_probability(what: &'static str, value: f64) -> Result<f64, ModelError> {
    check(what, value, (0.0..=1.0).contains(&value), "between 0 and 1")
}

fn check_positive(what: &'static str, value: f64) -> Result<f64, ModelError> {
    check(what, value, value > 0.0, "above 0")
}

fn check_not_negative(what: &'static str, value: f64) -> Result<f64, ModelError> {
    check(what, value, value >= 0.0, "0 or more")
}

/// `(1-π) / (1 - π·S)` for checked input. A certain infestation stays certain, whatever is not found.
pub(crate) fn posterior(prior_infested: f64, sensitivity: f64) -> f64 {
    if prior_infested >= 1.0 {
        return 0.0;
    }
    // 1 - π·S = (1-π) + π(1-S): no cancellation when π is near 1.
    let free = 1.0 - prior_infested;
    free / (free + prior_infested * (1.0 - sensitivity))
}

/// Probability of freedom after a period of sensitivity `S` without a find: `(1-π) / (1 - π·S)`.
///
/// # Errors
/// A probability outside 0 to 1.
pub fn posterior_free(prior_infested: f64, sensitivity: f64) -> Result<f64, ModelError> {
    check_probability("prior probability of infestation", prior_infested)?;
    check_probability("sensitivity", sensitivity)?;
    Ok(posterior(prior_infested, sensitivity))
}

/// Prior probability of infestation for the next period, `(1-f) + i - (1-f)·i`.
///
/// # Errors
/// A probability outside 0 to 1.
pub fn carry_over(p_free: f64, introduction: f64) -> Result<f64, ModelError> {
    check_probability("probability of freedom", p_free)?;
    check_probability("probability of introduction", introduction)?;
    Ok(1.0 - p_free * (1.0 - introduction))
}

/// A chance per year as a chance per stretch of `days`, at a constant rate: `1 - (1-p)^(days/365.25)`.
///
/// # Errors
/// A probability outside 0 to 1, or a negative number of days.
pub fn per_period(per_year: f64, days: f64) -> Result<f64, ModelError> {
    check_probability("probability of introduction per year", per_year)?;
    check_not_negative("days", days)?;
    if days == 0.0 {
        return Ok(0.0);
    }
    Ok(-(days / 365.25 * (-per_year).ln_1p()).exp_m1())
}

/// Probability of freedom, period by period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FreedomSeries {
    /// After each period without a find.
    pub p_free: Vec<f64>,
    /// Where it tends if every further period is like the last.
    pub limit: f64,
}

/// The sequence of probabilities of freedom over `periods` equal periods, and its limit.
///
/// # Errors
/// A probability outside 0 to 1.
pub fn series(
    prior_infested: f64,
    sensitivity: f64,
    introduction: f64,
    periods: usize,
) -> Result<FreedomSeries, ModelError> {
    series_of(prior_infested, &vec![sensitivity; periods], introduction).and_then(|p_free| {
        Ok(FreedomSeries {
            p_free,
            limit: limit(prior_infested, sensitivity, introduction)?,
        })
    })
}

/// The same with a sensitivity of its own for every period.
///
/// # Errors
/// A probability outside 0 to 1.
pub fn series_of(
    prior_infested: f64,
    sensitivities: &[f64],
    introduction: f64,
) -> Result<Vec<f64>, ModelError> {
    let mut prior = check_probability("prior probability of infestation", prior_infested)?;
    check_probability("probability of introduction", introduction)?;
    let mut out = Vec::with_capacity(sensitivities.len());
    for &sensitivity in sensitivities {
        let free = posterior_free(prior, sensitivity)?;
        out.push(free);
        prior = carry_over(free, introduction)?;
    }
    Ok(out)
}

/// Where the sequence tends: `(S-i) / (S(1-i))` while looking outweighs introduction, else 0. Without looks and
/// without introduction it stays where it was.
///
/// # Errors
/// A probability outside 0 to 1.
pub fn limit(prior_infested: f64, sensitivity: f64, introduction: f64) -> Result<f64, ModelError> {
    check_probability("prior probability of infestation", prior_infested)?;
    check_probability("sensitivity", sensitivity)?;
    check_probability("probability of introduction", introduction)?;
    if prior_infested >= 1.0 {
        return Ok(0.0);
    }
    if sensitivity == 0.0 && introduction == 0.0 {
        return Ok(1.0 - prior_infested);
    }
    if sensitivity <= introduction {
        return Ok(0.0);
    }
    Ok(((sensitivity - introduction) / (sensitivity * (1.0 - introduction))).clamp(0.0, 1.0))
}

/// Sensitivity that lifts the probability of freedom from `from` to `to`: `(f1-f0) / (f1·(1-f0))`; 0 where nothing is
/// needed.
///
/// # Errors
/// A probability outside 0 to 1, or a start of 0 from which no look leads away.
pub fn sensitivity_needed(from: f64, to: f64) -> Result<f64, ModelError> {
    check_probability("probability of freedom wanted", to)?;
    check(
        "probability of freedom now",
        from,
        from > 0.0 && from <= 1.0,
        "above 0 and not above 1",
    )?;
    if to <= from {
        return Ok(0.0);
    }
    Ok((to - from) / (to * (1.0 - from)))
}

/// Flies per trap per day from catch and trap-days actually served (sum of days over traps that could be read; ISPM 26
/// appendix 1). Relative: comparable only for one trap, lure and species.
///
/// # Errors
/// No trap-day, or a negative catch.
pub fn catch_per_trap_day(catch: f64, trap_days: f64) -> Result<f64, ModelError> {
    check_not_negative("catch", catch)?;
    check(
        "trap-days served",
        trap_days,
        trap_days > 0.0,
        "above 0: no trap-day, no rate",
    )?;
    Ok(catch / trap_days)
}

/// Expected catch of a network: what the smallest population worth finding would give one trap in one stretch of time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ZeroCatch {
    /// Expected catch per trap and unit of time (week, day) at the density tested, above 0.
    pub mean_per_trap: f64,
    /// Traps, above 0.
    pub traps: f64,
}

impl ZeroCatch {
    /// From trap efficiency × area (σ) and density (λ), per trap and unit of time (Barclay & Hargrove 2005 Bull
    /// Entomol Res 95:1-11): `mean = σ·λ`.
    ///
    /// # Errors
    /// A quantity that is not above 0.
    pub fn from_efficiency(traps: f64, efficiency_area: f64, density: f64) -> Result<Self, ModelError> {
        check_positive("trap efficiency × area", efficiency_area)?;
        check_positive("density", density)?;
        Self::new(traps, efficiency_area * density)
    }

    /// From traps and the expected catch per trap and unit of time.
    ///
    /// # Errors
    /// A quantity that is not above 0.
    pub fn new(traps: f64, mean_per_trap: f64) -> Result<Self, ModelError> {
        check_positive("the number of traps", traps)?;
        check_positive("expected catch per trap and unit of time", mean_per_trap)?;
        Ok(ZeroCatch { mean_per_trap, traps })
    }

    /// Chance of catching none in `time` though the pest is there: `exp(-m·n·w)` (Poisson; the logic of Meats & Clift
    /// 2005).
    ///
    /// # Errors
    /// A negative time.
    pub fn chance_of_none(&self, time: f64) -> Result<f64, ModelError> {
        check_not_negative("time", time)?;
        Ok((-self.mean_per_trap * self.traps * time).exp())
    }

    /// The same with clumped catches (negative binomial of clumping `k`, each trap's mean over the whole time
    /// `μ = m·w`): `(1 + μ/k)^{-k·n}`.
    ///
    /// # Errors
    /// A negative time or a clumping that is not above 0.
    pub fn chance_of_none_clumped(&self, time: f64, clumping: f64) -> Result<f64, ModelError> {
        check_not_negative("time", time)?;
        check_positive("clumping k", clumping)?;
        Ok((-clumping * self.traps * (self.mean_per_trap * time / clumping).ln_1p()).exp())
    }

    /// Time of zero catch after which that chance is down to `miss`: `-ln(miss) / (m·n)`.
    ///
    /// # Errors
    /// A chance that is not between 0 and 1.
    pub fn time_until(&self, miss: f64) -> Result<f64, ModelError> {
        check(
            "chance of a miss",
            miss,
            miss > 0.0 && miss <= 1.0,
            "above 0 and not above 1",
        )?;
        Ok(-miss.ln() / (self.mean_per_trap * self.traps))
    }
}

/// Chance of no catch up to and including each generation 0, 1, … of survivors that multiply by `growth` from `start`,
/// each insect caught with probability `capture`: `(1-p)^{Σ N_g}`.
///
/// Survivors that grow betray themselves; survivors that do not grow may stay unseen for long. Report both.
///
/// # Errors
/// A start or growth below 0, or a probability out of range.
pub fn chance_of_none_growing(
    start: f64,
    growth: f64,
    capture: f64,
    generations: usize,
) -> Result<Vec<f64>, ModelError> {
    check_not_negative("survivors at the start", start)?;
    check_not_negative("growth per generation", growth)?;
    check_probability("chance of capture", capture)?;
    let (mut size, mut total) = (start, 0.0);
    Ok((0..=generations)
        .map(|_| {
            total += size;
            size *= growth;
            if capture >= 1.0 {
                if total > 0.0 { 0.0 } else { 1.0 }
            } else {
                (total * (-capture).ln_1p()).exp()
            }
        })
        .collect())
}

/// Days that `cycles` life cycles take at a steady rate of heat.
///
/// # Errors
/// A quantity that is not above 0.
pub fn cycle_days(cycles: f64, cycle_dd: f64, dd_per_day: f64) -> Result<f64, ModelError> {
    check_positive("life cycles", cycles)?;
    check_positive("degree-days per cycle", cycle_dd)?;
    check_positive("degree-days per day", dd_per_day)?;
    Ok(cycles * cycle_dd / dd_per_day)
}

/// When to stop looking: cost of one more survey against cost of a wrong declaration (after Regan et al. 2006 Ecol
/// Lett 9:759-766).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StopRule {
    /// Surveys without a find that minimise cost, as a real number.
    pub surveys: f64,
    /// The best whole number of surveys.
    pub best: u64,
    /// Expected cost there.
    pub cost: f64,
}

/// Minimises `Cs·n + Ce·r^n`: `n* = ln(-Cs / (Ce·ln r)) / ln r`, with `r` the chance per survey that the pest is still
/// there and missed.
///
/// # Errors
/// Costs not above 0, or a chance that is not between 0 and 1.
pub fn stop_rule(survey_cost: f64, escape_cost: f64, missed_per_survey: f64) -> Result<StopRule, ModelError> {
    check_positive("cost of a survey", survey_cost)?;
    check_positive("cost of a wrong declaration", escape_cost)?;
    let r = missed_per_survey;
    check(
        "chance of a miss per survey",
        r,
        r > 0.0 && r < 1.0,
        "between 0 and 1, neither included",
    )?;
    let surveys = ((-survey_cost / (escape_cost * r.ln())).ln() / r.ln()).max(0.0);
    let cost = |n: f64| survey_cost * n + escape_cost * r.powf(n);
    let (low, high) = (surveys.floor(), surveys.ceil());
    let best = if cost(low) <= cost(high) { low } else { high };
    Ok(StopRule {
        surveys,
        best: best as u64,
        cost: cost(best),
    })
}

/// A record of sightings on a scale of time or, better, of cumulative effective trap-days.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SightingRecord {
    /// Sightings, 1 or more.
    pub sightings: u32,
    /// Effort from the start to the last sighting, above 0.
    pub last: f64,
    /// Effort from the start to now, not below `last`.
    pub now: f64,
}

impl SightingRecord {
    /// A checked record. All of it assumes a constant rate of sightings while present: it misleads for a growing
    /// incursion (Caley & Barry 2014 PLoS ONE 9:e95857).
    ///
    /// # Errors
    /// No sighting, or times out of order.
    pub fn new(sightings: u32, last: f64, now: f64) -> Result<Self, ModelError> {
        check("sightings", f64::from(sightings), sightings > 0, "1 or more")?;
        check_positive("effort up to the last sighting", last)?;
        check(
            "effort up to now",
            now,
            now >= last,
            "not below the effort up to the last sighting",
        )?;
        Ok(SightingRecord { sightings, last, now })
    }

    /// Chance of so long a silence if the pest were still present: `(Tn/T)^n` (Solow 1993 Ecology 74:962-964).
    pub fn silence_p(&self) -> f64 {
        (f64::from(self.sightings) * (self.last / self.now).ln()).exp()
    }

    /// Bayes factor of presence against absence, `(n-1) / ((T/Tn)^{n-1} - 1)` (Solow 1993); infinite when nothing has
    /// been silent yet. With one sighting, its limit `1 / ln(T/Tn)`.
    pub fn bayes_factor(&self) -> f64 {
        let ln_ratio = (self.now / self.last).ln();
        if self.sightings == 1 {
            return 1.0 / ln_ratio;
        }
        let n1 = f64::from(self.sightings - 1);
        n1 / (n1 * ln_ratio).exp_m1()
    }

    /// Probability that the pest is present, from a prior probability of presence.
    ///
    /// # Errors
    /// A prior outside 0 to 1.
    pub fn p_present(&self, prior_present: f64) -> Result<f64, ModelError> {
        check_probability("prior probability of presence", prior_present)?;
        if prior_present == 0.0 {
            return Ok(0.0);
        }
        let odds_against = (1.0 - prior_present) / prior_present / self.bayes_factor();
        Ok(1.0 / (1.0 + odds_against))
    }

    /// Effort at which [`SightingRecord::silence_p`] falls to `p`: `Tn · p^{-1/n}`.
    ///
    /// # Errors
    /// A probability that is not above 0 and not above 1.
    pub fn silent_until(&self, p: f64) -> Result<f64, ModelError> {
        check(
            "chance of silence",
            p,
            p > 0.0 && p <= 1.0,
            "above 0 and not above 1",
        )?;
        Ok(self.last * (-p.ln() / f64::from(self.sightings)).exp())
    }

    /// `(1 - n/Tn)^{T-Tn}` with time in units in which at most one sighting falls (McInerney et al. 2006 Conserv Biol
    /// 20:562-567).
    ///
    /// # Errors
    /// More sightings than units of time.
    pub fn mcinerney_p(&self) -> Result<f64, ModelError> {
        let rate = f64::from(self.sightings) / self.last;
        check(
            "sightings per unit of time",
            rate,
            rate <= 1.0,
            "not above 1: use a shorter unit",
        )?;
        if self.now <= self.last {
            return Ok(1.0);
        }
        Ok(((self.now - self.last) * (-rate).ln_1p()).exp())
    }
}
