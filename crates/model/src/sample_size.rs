//! How many units must be looked at, and what looking at so many has shown.
//!
//! Everything here is about finding none: the sample is large enough when `P(0 found) <= 1 - C` if the pest is present
//! at the level of detection. Exact forms first; the quick forms in print stand beside them under their authors' names.
//!
//! **Exactness.** The number of infested units `D = floor(N × level)` is worked out on the decimal number as written,
//! so `0.29 × 100` is 29 although the product of the two doubles is not. `ln P(0)` is a compensated sum of at most
//! `min(n, D)` logarithms, good to about `1e-14` relative. Where it lies within `1e-12` of the limit, a product of whole
//! numbers decides (up to [`EXACT_TERMS`] factors), so ties such as `N = 20, D = 1, n = 19` are right too. With that the
//! size is exact for every population up to [`LARGEST_POPULATION`], save the practically empty case of a near-tie with
//! more factors than that.

use serde::{Deserialize, Serialize};
use statrs::function::beta::beta_reg;

use crate::error::{ModelError, check};

/// Largest population treated as finite; beyond it the binomial form differs by less than one unit in any use.
pub const LARGEST_POPULATION: u64 = 1_000_000_000_000;
/// Most factors for which a near-tie is decided in whole numbers.
pub const EXACT_TERMS: u64 = 4096;
/// Relative closeness of two logarithms that counts as a near-tie.
const NEAR: f64 = 1e-12;
/// `ln` of a probability below which it is zero for every purpose here.
const LN_NOTHING: f64 = -800.0;

/// How `population × level` becomes a whole number of infested units.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum UnitsRule {
    /// Rounded down: the safe rule, and the one the tables of ISPM 31 (2008) follow.
    #[default]
    Floor,
    /// Rounded to the nearest, half up.
    Round,
    /// Rounded up: the least demanding.
    Ceil,
}

/// What a survey is asked to show.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Question {
    /// Units there are; `None` for a population so large that taking some out changes nothing (binomial).
    pub population: Option<u64>,
    /// Level of detection (design prevalence): the share of infested units to be found, above 0, up to 1.
    pub level: f64,
    /// Method sensitivity: chance that looking at an infested unit shows it, above 0, up to 1.
    pub sensitivity: f64,
    /// Confidence wanted, 0 to 1.
    pub confidence: f64,
    /// How level and population make whole units.
    pub rule: UnitsRule,
}

/// A size that answers a [`Question`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// The least number of units to look at.
    pub n: u64,
    /// The confidence that number reaches; not below the confidence wanted.
    pub confidence: f64,
    /// Infested units at the level of detection; `None` for a population taken as unlimited.
    pub infested: Option<u64>,
}

impl Question {
    /// The least `n` with `P(0 found) <= 1 - C`, exactly: hypergeometric with an imperfect method for a finite
    /// population, binomial otherwise.
    ///
    /// # Errors
    /// A level, sensitivity or confidence out of range; a level that makes no whole infested unit; a confidence that
    /// even looking at every unit can't reach.
    pub fn answer(&self) -> Result<Answer, ModelError> {
        match self.population {
            None => {
                let n = binomial(self.level, self.sensitivity, self.confidence)?;
                let confidence = binomial_confidence(n, self.level, self.sensitivity)?;
                Ok(Answer {
                    n,
                    confidence: confidence.max(self.confidence),
                    infested: None,
                })
            }
            Some(population) => {
                let infested = infested_units(population, self.level, self.rule)?;
                let lot = Lot::new(population, infested)?;
                let n = lot.sample_size(self.sensitivity, self.confidence)?;
                let confidence = lot.confidence(n, self.sensitivity)?.max(self.confidence);
                Ok(Answer {
                    n,
                    confidence,
                    infested: Some(infested),
                })
            }
        }
    }

    /// Confidence reached by looking at `n` units and finding none.
    ///
    /// # Errors
    /// As [`Question::answer`]; more units than there are.
    pub fn confidence_of(&self, n: u64) -> Result<f64, ModelError> {
        match self.population {
            None => binomial_confidence(n, self.level, self.sensitivity),
            Some(population) => Lot::new(population, infested_units(population, self.level, self.rule)?)?
                .confidence(n, self.sensitivity),
        }
    }
}

/// A decimal number `digits / 10^places`, exactly as the shortest text of the double reads.
#[derive(Debug, Clone, Copy)]
struct Decimal {
    digits: u128,
    places: u32,
}

impl Decimal {
    /// Reads a finite number in `[0, 1]`; `None` when it has so many places that it is nothing beside any population.
    fn of(value: f64) -> Option<Decimal> {
        let text = format!("{value:e}");
        let (mantissa, exponent) = text.split_once('e')?;
        let exponent: i32 = exponent.parse().ok()?;
        let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
        let digits: u128 = format!("{whole}{fraction}").parse().ok()?;
        let places = i32::try_from(fraction.len()).ok()? - exponent;
        match u32::try_from(places) {
            Ok(places) if places <= 37 => Some(Decimal { digits, places }),
            Ok(_) => None,
            // 1e0 and the like: no place after the point.
            Err(_) => Some(Decimal {
                digits: digits * 10u128.pow(places.unsigned_abs()),
                places: 0,
            }),
        }
    }

    fn scale(self) -> u128 {
        10u128.pow(self.places)
    }
}

/// `1 - value` as the decimal text means it, rounded once (so that 1 - 0.95 is 0.05).
fn one_minus(value: f64) -> f64 {
    match Decimal::of(value) {
        Some(d) if d.digits <= d.scale() => (d.scale() - d.digits) as f64 / d.scale() as f64,
        _ => 1.0 - value,
    }
}

/// Whole infested units in `population` at `level`, worked out on the decimal number as written.
///
/// # Errors
/// A level outside (0, 1], a population of none or too large, or a result of no unit at all (then the level can't be
/// asked of so small a population).
pub fn infested_units(population: u64, level: f64, rule: UnitsRule) -> Result<u64, ModelError> {
    check_share("level of detection", level)?;
    check_population(population)?;
    let units = match Decimal::of(level) {
        None => u64::from(rule == UnitsRule::Ceil),
        Some(d) => {
            // At most 1e12 × 1e17: far inside u128.
            let (product, scale) = (d.digits * u128::from(population), d.scale());
            let units = match rule {
                UnitsRule::Floor => product / scale,
                UnitsRule::Round => (2 * product + scale) / (2 * scale),
                UnitsRule::Ceil => product.div_ceil(scale),
            };
            u64::try_from(units).unwrap_or(u64::MAX)
        }
    };
    if units == 0 {
        return Err(ModelError::OutOfRange {
            what: "the number of infested units (population × level of detection, as a whole number)",
            value: 0.0,
            rule: "1 or more; so small a population can't be asked about so low a level: raise the level, or take \
                   the whole population as one unit",
        });
    }
    Ok(units)
}

fn check_share(what: &'static str, value: f64) -> Result<f64, ModelError> {
    check(
        what,
        value,
        value > 0.0 && value <= 1.0,
        "above 0 and not above 1",
    )
}

fn check_confidence(value: f64) -> Result<f64, ModelError> {
    check(
        "confidence",
        value,
        (0.0..=1.0).contains(&value),
        "between 0 and 1",
    )
}

fn check_population(population: u64) -> Result<(), ModelError> {
    let ok = (1..=LARGEST_POPULATION).contains(&population);
    check(
        "population",
        population as f64,
        ok,
        "1 to 10^12; treat a larger one as unlimited",
    )
    .map(drop)
}

/// A finite population with a given number of infested units in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lot {
    population: u64,
    infested: u64,
}

impl Lot {
    /// A lot of `population` units of which `infested` are infested.
    ///
    /// # Errors
    /// A population of none or above [`LARGEST_POPULATION`]; infested units none, or more than there are units.
    pub fn new(population: u64, infested: u64) -> Result<Self, ModelError> {
        check_population(population)?;
        let ok = (1..=population).contains(&infested);
        check(
            "the number of infested units",
            infested as f64,
            ok,
            "1 or more, and not more than the population",
        )?;
        Ok(Lot { population, infested })
    }

    /// `ln P(0 found)` when `n` units are looked at by a method that never misses: the hypergeometric
    /// `C(N-D, n) / C(N, n)`.
    fn ln_none_perfect(self, n: u64) -> f64 {
        let Lot { population, infested } = self;
        if n > population - infested {
            return f64::NEG_INFINITY;
        }
        // The same product from either side: take the one with fewer factors.
        let (terms, other) = if infested <= n {
            (infested, n)
        } else {
            (n, infested)
        };
        let other = other as f64;
        let (mut sum, mut lost) = (0.0_f64, 0.0_f64);
        for i in 0..terms {
            let step = (-other / (population - i) as f64).ln_1p() - lost;
            let next = sum + step;
            lost = (next - sum) - step;
            sum = next;
            if sum < LN_NOTHING {
                break;
            }
        }
        sum
    }

    /// `ln P(0 found)` with a method that shows an infested unit with probability `sensitivity`:
    /// `ln Σ_k Hyp(k) (1 - Se)^k`.
    ///
    /// The sum runs outward from the likeliest `k` on ratios of neighbouring terms, beside the plain sum of the same
    /// weights, and the two are divided: no factorial is ever formed, so nothing cancels however large the lot.
    fn ln_none(self, n: u64, sensitivity: f64) -> f64 {
        if sensitivity >= 1.0 {
            return self.ln_none_perfect(n);
        }
        let Lot { population, infested } = self;
        let share = infested as f64 / population as f64;
        // Hoeffding (1963, J Am Stat Assoc 58:13-30): drawing without replacement misses no more often.
        let bound = n as f64 * (-share * sensitivity).ln_1p();
        if bound < LN_NOTHING {
            return bound;
        }
        let lowest = n.saturating_sub(population - infested);
        let highest = n.min(infested);
        let likeliest =
            ((u128::from(n) + 1) * (u128::from(infested) + 1) / (u128::from(population) + 2)) as u64;
        let likeliest = likeliest.clamp(lowest, highest);
        let miss = 1.0 - sensitivity;
        // weight(k+1) / weight(k)
        let ratio = |k: u64| {
            let (k_f, spare) = (k as f64, (population - infested) as f64 - (n as f64 - k as f64));
            ((infested - k) as f64 / (k_f + 1.0)) * ((n - k) as f64 / (spare + 1.0))
        };
        let (mut plain, mut missed, mut offset) = (1.0_f64, 1.0_f64, 0.0_f64);
        let mut weight = 1.0;
        let mut tilted = 1.0;
        for k in likeliest..highest {
            weight *= ratio(k);
            tilted *= ratio(k) * miss;
            plain += weight;
            missed += tilted;
            if weight < 1e-20 * plain {
                break;
            }
        }
        (weight, tilted) = (1.0, 1.0);
        for k in (lowest..likeliest).rev() {
            let down = 1.0 / ratio(k);
            weight *= down;
            tilted *= down / miss;
            plain += weight;
            missed += tilted;
            if tilted > 1e200 {
                // Keep the tilted sum within range; its scale is carried in the logarithm.
                tilted *= 1e-200;
                missed *= 1e-200;
                offset += 200.0 * std::f64::consts::LN_10;
            }
            if weight < 1e-20 * plain && tilted < 1e-20 * missed && down < miss {
                break;
            }
        }
        (likeliest as f64 * miss.ln() + missed.ln() + offset - plain.ln()).min(0.0)
    }

    /// Confidence reached by looking at `n` units and finding none: `1 - Σ_k Hyp(k) (1 - Se)^k`.
    ///
    /// # Errors
    /// A sensitivity out of range; more units than there are.
    pub fn confidence(self, n: u64, sensitivity: f64) -> Result<f64, ModelError> {
        check_share("method sensitivity", sensitivity)?;
        self.check_n(n)?;
        Ok(-self.ln_none(n, sensitivity).exp_m1())
    }

    fn check_n(self, n: u64) -> Result<(), ModelError> {
        let ok = n <= self.population;
        check(
            "the number of units looked at",
            n as f64,
            ok,
            "not more than the population",
        )
        .map(drop)
    }

    /// Whether `n` units satisfy `P(0 found) <= 1 - C`.
    fn enough(self, n: u64, sensitivity: f64, confidence: f64) -> bool {
        let (have, limit) = (self.ln_none(n, sensitivity), one_minus(confidence).ln());
        if have == f64::NEG_INFINITY {
            return true;
        }
        if limit == f64::NEG_INFINITY || (have - limit).abs() > NEAR * limit.abs().max(NEAR) {
            return have <= limit;
        }
        match Decimal::of(confidence) {
            Some(c) if sensitivity >= 1.0 && n.min(self.infested) <= EXACT_TERMS => self.enough_exactly(n, c),
            _ => true,
        }
    }

    /// The same in whole numbers: `Π(N-n-i) · 10^k <= (10^k - C·10^k) · Π(N-i)`.
    fn enough_exactly(self, n: u64, confidence: Decimal) -> bool {
        let (terms, other) = if self.infested <= n {
            (self.infested, n)
        } else {
            (n, self.infested)
        };
        let mut left = Whole::from(confidence.scale());
        let mut right = Whole::from(confidence.scale() - confidence.digits.min(confidence.scale()));
        for i in 0..terms {
            left.multiply(self.population - other - i);
            right.multiply(self.population - i);
        }
        left.at_most(&right)
    }

    /// The least number of units to look at so that `P(0 found) <= 1 - C`.
    ///
    /// # Errors
    /// A sensitivity or confidence out of range; a confidence that looking at every unit does not reach.
    pub fn sample_size(self, sensitivity: f64, confidence: f64) -> Result<u64, ModelError> {
        check_share("method sensitivity", sensitivity)?;
        check_confidence(confidence)?;
        if !self.enough(self.population, sensitivity, confidence) {
            let reached = -self.ln_none(self.population, sensitivity).exp_m1();
            return Err(ModelError::Inconsistent(format!(
                "a confidence of {confidence} can't be reached: looking at all {} units with a method that shows {} \
                 of {} infested units on average reaches {reached:.6}; use a better method, look twice, or ask for less",
                self.population,
                sensitivity * self.infested as f64,
                self.infested
            )));
        }
        let share = self.infested as f64 / self.population as f64;
        let roof = (one_minus(confidence).ln() / (-share * sensitivity).ln_1p()).ceil() + 2.0;
        let roof = if roof.is_finite() {
            (roof as u64).min(self.population)
        } else {
            self.population
        };
        let (mut low, mut high) = (
            0,
            if self.enough(roof, sensitivity, confidence) {
                roof
            } else {
                self.population
            },
        );
        while low < high {
            let middle = low + (high - low) / 2;
            if self.enough(middle, sensitivity, confidence) {
                high = middle;
            } else {
                low = middle + 1;
            }
        }
        Ok(low)
    }

    /// The quick form `n ≈ (1 - (1-C)^(1/D)) (N - (D-1)/2)` for a method that never misses (Cannon & Roe 1982,
    /// "Livestock disease surveys"), not rounded.
    ///
    /// # Errors
    /// A confidence out of range.
    pub fn cannon_roe_1982(self, confidence: f64) -> Result<f64, ModelError> {
        check_confidence(confidence)?;
        let infested = self.infested as f64;
        let share = -(one_minus(confidence).ln() / infested).exp_m1();
        Ok(share * (self.population as f64 - 0.5 * (infested - 1.0)))
    }

    /// The quick form `n ≈ (N/Se)(1 - (1-C)^(1/D))` for an imperfect method (Cannon 2001 Prev Vet Med 49:141-163), not
    /// rounded. It may exceed the population.
    ///
    /// # Errors
    /// A sensitivity or confidence out of range.
    pub fn cannon_2001(self, sensitivity: f64, confidence: f64) -> Result<f64, ModelError> {
        check_share("method sensitivity", sensitivity)?;
        check_confidence(confidence)?;
        let share = -(one_minus(confidence).ln() / self.infested as f64).exp_m1();
        Ok(self.population as f64 / sensitivity * share)
    }

    /// The quick confidence `1 - (1 - n·Se/N)^D` (Cannon 2001 Prev Vet Med 49:141-163).
    ///
    /// # Errors
    /// A sensitivity out of range; more units than there are.
    pub fn cannon_2001_confidence(self, n: u64, sensitivity: f64) -> Result<f64, ModelError> {
        check_share("method sensitivity", sensitivity)?;
        self.check_n(n)?;
        let each = -(n as f64) * sensitivity / self.population as f64;
        Ok(-(self.infested as f64 * each.ln_1p()).exp_m1())
    }
}

/// A whole number of any size: just enough of one to settle a tie.
struct Whole(Vec<u64>);

impl Whole {
    fn from(value: u128) -> Self {
        let mut limbs = vec![value as u64, (value >> 64) as u64];
        while limbs.last() == Some(&0) {
            limbs.pop();
        }
        Whole(limbs)
    }

    fn multiply(&mut self, factor: u64) {
        let mut carry = 0u128;
        for limb in &mut self.0 {
            let product = u128::from(*limb) * u128::from(factor) + carry;
            *limb = product as u64;
            carry = product >> 64;
        }
        if carry > 0 {
            self.0.push(carry as u64);
        }
        while self.0.last() == Some(&0) {
            self.0.pop();
        }
    }

    fn at_most(&self, other: &Whole) -> bool {
        (self.0.len(), self.0.iter().rev().collect::<Vec<_>>())
            <= (other.0.len(), other.0.iter().rev().collect::<Vec<_>>())
    }
}

/// Least whole number `n >= x`, where `x` may stand above a whole number by rounding error alone.
fn least_whole(x: f64, what: &'static str) -> Result<u64, ModelError> {
    let nearest = x.round();
    let n = if (x - nearest).abs() <= NEAR * x.abs().max(1.0) {
        nearest
    } else {
        x.ceil()
    };
    check(
        what,
        n,
        (0.0..=9e15).contains(&n),
        "a number that can be looked at; nothing finite reaches it",
    )?;
    Ok(n as u64)
}

/// Least sample from an unlimited population: `⌈ln(1-C) / ln(1 - p·Se)⌉` (ISPM 31, 2008, appendix 1).
///
/// # Errors
/// A share out of range, or a confidence of 1 that no finite sample reaches.
pub fn binomial(level: f64, sensitivity: f64, confidence: f64) -> Result<u64, ModelError> {
    let each = check_share("level of detection", level)? * check_share("method sensitivity", sensitivity)?;
    check_confidence(confidence)?;
    if confidence == 0.0 {
        return Ok(0);
    }
    if each >= 1.0 {
        return Ok(1);
    }
    least_whole(one_minus(confidence).ln() / (-each).ln_1p(), "the sample size").map(|n| n.max(1))
}

/// Least sample from an unlimited population when infested units are rare and counts Poisson:
/// `⌈-ln(1-C) / (p·Se)⌉`.
///
/// # Errors
/// As [`binomial`].
pub fn poisson(level: f64, sensitivity: f64, confidence: f64) -> Result<u64, ModelError> {
    let each = check_share("level of detection", level)? * check_share("method sensitivity", sensitivity)?;
    check_confidence(confidence)?;
    if confidence == 0.0 {
        return Ok(0);
    }
    least_whole(-one_minus(confidence).ln() / each, "the sample size").map(|n| n.max(1))
}

/// Confidence reached by `n` units of an unlimited population, none found: `1 - (1 - p·Se)^n`.
///
/// # Errors
/// A share out of range.
pub fn binomial_confidence(n: u64, level: f64, sensitivity: f64) -> Result<f64, ModelError> {
    let each = check_share("level of detection", level)? * check_share("method sensitivity", sensitivity)?;
    if n == 0 {
        return Ok(0.0);
    }
    Ok(-(n as f64 * (-each).ln_1p()).exp_m1())
}

/// Highest prevalence that finding none in `n` leaves open at the given confidence, one-sided and exact:
/// `(1 - (1-C)^(1/n)) / Se`, not above 1.
///
/// # Errors
/// Nobody looked (`n` = 0), or a share out of range.
pub fn upper_bound_none_found(n: u64, sensitivity: f64, confidence: f64) -> Result<f64, ModelError> {
    check(
        "the number of units looked at",
        n as f64,
        n > 0,
        "1 or more: no look, no bound",
    )?;
    check_share("method sensitivity", sensitivity)?;
    check_confidence(confidence)?;
    Ok((-(one_minus(confidence).ln() / n as f64).exp_m1() / sensitivity).min(1.0))
}

/// Which ends of a confidence interval are wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sides {
    /// Both ends, half the error on each.
    Two,
    /// A lower end only; the upper is 1.
    Lower,
    /// An upper end only; the lower is 0.
    Upper,
}

/// Exact confidence interval of a proportion from `found` of `n` (Clopper & Pearson 1934 Biometrika 26:404-413).
///
/// # Errors
/// No unit, more found than there were, or a confidence that is not between 0 and 1.
pub fn clopper_pearson(found: u64, n: u64, confidence: f64, sides: Sides) -> Result<(f64, f64), ModelError> {
    check("the number of units", n as f64, n > 0, "1 or more")?;
    check(
        "the number found",
        found as f64,
        found <= n,
        "not more than the number of units",
    )?;
    check(
        "confidence",
        confidence,
        confidence > 0.0 && confidence < 1.0,
        "between 0 and 1, neither included",
    )?;
    let error = one_minus(confidence) * if sides == Sides::Two { 0.5 } else { 1.0 };
    let (found_f, n_f) = (found as f64, n as f64);
    let low = match (sides, found) {
        (Sides::Upper, _) | (_, 0) => 0.0,
        _ if found == n => (error.ln() / n_f).exp(),
        _ => beta_quantile(error, found_f, n_f - found_f + 1.0),
    };
    let high = match sides {
        Sides::Lower => 1.0,
        _ if found == n => 1.0,
        _ if found == 0 => -(error.ln() / n_f).exp_m1(),
        _ => beta_quantile(1.0 - error, found_f + 1.0, n_f - found_f),
    };
    Ok((low, high))
}

/// Quantile of the beta distribution by halving: slow, and right to the last bit that its distribution function has.
fn beta_quantile(probability: f64, alpha: f64, beta: f64) -> f64 {
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if beta_reg(alpha, beta, middle) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
