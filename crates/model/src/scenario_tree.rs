//! Scenario trees: surveillance that looks harder where risk is higher, and how components add up.
//!
//! Martin, Cameron & Greiner 2007 Prev Vet Med 79:71-97.

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// One risk group of a population.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RiskGroup {
    /// Relative risk, 0 or more; only ratios matter.
    pub relative_risk: f64,
    /// Share of the population in this group, 0 to 1; the shares of all groups add up to 1.
    pub population_share: f64,
}

/// What was looked at in one risk group.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Looks {
    /// Units looked at.
    pub units: u64,
    /// Chance that looking at one infested unit shows it, 0 to 1.
    pub unit_sensitivity: f64,
}

/// Adjusted risks `AR_g = RR_g / Σ RR_j·PrP_j`, scaled so that `Σ PrP_g·AR_g = 1`.
///
/// # Errors
/// A negative risk or share, shares that do not add up to 1 (to 1e-6), or no risk anywhere.
pub fn adjusted_risks(groups: &[RiskGroup]) -> Result<Vec<f64>, ModelError> {
    let (mut total, mut shares) = (0.0, 0.0);
    for group in groups {
        let RiskGroup {
            relative_risk,
            population_share,
        } = *group;
        check("relative risk", relative_risk, relative_risk >= 0.0, "0 or more")?;
        check(
            "share of the population",
            population_share,
            (0.0..=1.0).contains(&population_share),
            "0 to 1",
        )?;
        total += relative_risk * population_share;
        shares += population_share;
    }
    check(
        "the sum of the groups' shares",
        shares,
        (shares - 1.0).abs() <= 1e-6,
        "1",
    )?;
    check("the groups' mean risk", total, total > 0.0, "above 0")?;
    Ok(groups.iter().map(|g| g.relative_risk / total).collect())
}

/// Sensitivity of one component, `1 - Π_g (1 - EPI_g·SeU_g)^{n_g}` with `EPI_g = AR_g·P*`.
///
/// # Errors
/// As [`adjusted_risks`]; not one entry of `looks` per group; a design prevalence or sensitivity out of range; a group
/// in which the design prevalence would infest more units than there are (`EPI_g` above 1).
pub fn component_sensitivity(
    groups: &[RiskGroup],
    looks: &[Looks],
    design_prevalence: f64,
) -> Result<f64, ModelError> {
    if groups.len() != looks.len() {
        return Err(ModelError::Inconsistent(format!(
            "{} risk groups but looks for {}: give one entry per group, with 0 units where nobody looked",
            groups.len(),
            looks.len()
        )));
    }
    let p = design_prevalence;
    check("design prevalence", p, (0.0..=1.0).contains(&p), "0 to 1")?;
    let mut ln_miss = 0.0;
    for (risk, look) in adjusted_risks(groups)?.into_iter().zip(looks) {
        let infested = risk * p;
        check(
            "a group's effective probability of infection",
            infested,
            infested <= 1.0,
            "not above 1",
        )?;
        let se = look.unit_sensitivity;
        check("unit sensitivity", se, (0.0..=1.0).contains(&se), "0 to 1")?;
        if look.units > 0 {
            ln_miss += look.units as f64 * (-infested * se).ln_1p();
        }
    }
    Ok(-ln_miss.exp_m1())
}

/// Sensitivity of several components together, `1 - Π (1 - CSe_k)`.
///
/// Only for components that see the pest independently: traps and an inspection of the same trees in the same week are
/// not independent, and this would overstate them.
///
/// # Errors
/// A sensitivity outside 0 to 1.
pub fn combine_independent(components: &[f64]) -> Result<f64, ModelError> {
    let mut ln_miss = 0.0;
    for &se in components {
        check("component sensitivity", se, (0.0..=1.0).contains(&se), "0 to 1")?;
        ln_miss += (-se).ln_1p();
    }
    Ok(-f64::exp_m1(ln_miss))
}
