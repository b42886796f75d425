//! Looks at trees as evidence: what finding no sign on so many of so many hosts is worth, and what several kinds of evidence
//! are worth together.
//!
//! **One tree.** A method has a chance of showing an infested tree (its sensitivity). Looks at one tree again see much the
//! same: the sign that was out of sight is out of sight still. With sensitivities `s_k` the tree is missed with
//!
//! ```text
//! m = r·min(1 - s_k) + (1 - r)·Π(1 - s_k)
//! ```
//!
//! where `r` is the share of cases in which all looks share one fate. `P(A and B) <= min(P(A), P(B))` whatever the
//! dependence, so `r = 1`, "only the best look counts", can't overstate; `r = 0` is independence. The mixture is a choice
//! of design.
//!
//! **A cell.** Of `H` counted hosts `D` are infested, any `D` of them alike. `n` trees were looked at, tree `j` with
//! sensitivity `s_j`. That none of them showed it has the exact probability [`missed_counted`]: the hypergeometric with an
//! imperfect method, the method differing from tree to tree. Where the hosts are not counted, `n` draws from a large
//! population: [`missed_uncounted`].
//!
//! **Several components** ([`Missed::together`]). Independent components multiply their misses (Martin, Cameron & Greiner
//! 2007 Prev Vet Med 79:71-97, from memory). Stated dependent are:
//! - a trap and a look at a tree beside it in the same week (one crew, one stop, one tree);
//! - traps and detection trees (both draw from the same few flyers);
//! - the public's reports and looks in one place (both see the same signs, and reports send crews to look).
//!
//! The chance that all components miss is at most the chance that any choice of them misses. Over choices without a stated
//! dependent pair, whose misses may be multiplied, the least is a bound that holds however strong the dependence. That
//! bound and independence are mixed by a share `r` as above. More evidence never lowers the result, and the result never
//! exceeds independence.

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// How a tree was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// From the ground, with the bare eye.
    Ground,
    /// From the ground, with a binocular.
    Binocular,
    /// From a ladder.
    Ladder,
    /// By climbing.
    Climb,
    /// From a lift.
    Lift,
    /// Branches cut and peeled.
    Branches,
}

impl Method {
    /// How many there are.
    pub const COUNT: usize = 6;
    /// All of them, the weaker first.
    pub const ALL: [Method; Method::COUNT] = [
        Method::Ground,
        Method::Binocular,
        Method::Ladder,
        Method::Climb,
        Method::Lift,
        Method::Branches,
    ];

    /// Its place in [`Method::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }

    /// The vantage that sees no more than this one: its figure stands in where this one has none.
    pub fn weaker(self) -> Option<Method> {
        match self {
            Method::Ground | Method::Branches => None,
            Method::Binocular => Some(Method::Ground),
            Method::Ladder => Some(Method::Binocular),
            Method::Climb => Some(Method::Ladder),
            Method::Lift => Some(Method::Climb),
        }
    }

    /// The words shown to people.
    pub fn words(self) -> &'static str {
        match self {
            Method::Ground => "looks from the ground",
            Method::Binocular => "looks with a binocular",
            Method::Ladder => "looks from a ladder",
            Method::Climb => "looks by climbing",
            Method::Lift => "looks from a lift",
            Method::Branches => "branch samples",
        }
    }
}

/// A part of a tree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TreePart {
    /// Root collar and base.
    Base,
    /// Trunk up to 2 m.
    LowerTrunk,
    /// Trunk from 2 to 6 m.
    UpperTrunk,
    /// Branches.
    Branches,
    /// The canopy.
    Canopy,
}

impl TreePart {
    /// The words shown to people.
    pub fn words(self) -> &'static str {
        match self {
            TreePart::Base => "base",
            TreePart::LowerTrunk => "trunk up to 2 m",
            TreePart::UpperTrunk => "trunk from 2 to 6 m",
            TreePart::Branches => "branches",
            TreePart::Canopy => "canopy",
        }
    }
}

/// Chance that looks at one infested tree all miss it: `misses` of the single looks, `together` the share of cases in which
/// they share one fate. 1 for no look. All within 0 to 1.
pub fn missed_on_tree(misses: impl IntoIterator<Item = f64>, together: f64) -> f64 {
    let (mut least, mut product) = (1.0_f64, 1.0);
    for miss in misses {
        least = least.min(miss);
        product *= miss;
    }
    together * least + (1.0 - together) * product
}

/// Chance that no look shows it, `infested` of `hosts` trees being infested, any of them alike, and the trees looked at
/// having these sensitivities (0 to 1; one for each tree, none twice). Exact.
///
/// Infested trees beyond the hosts are left out. The sum over how many infested trees were among those looked at is made
/// tree by tree: the next one is infested with probability `(D - k)/(H - i)`, `k` of the `i` before it being so. Time and
/// memory go with the trees looked at times the infested trees among them.
///
/// # Errors
/// More trees looked at than there are; a sensitivity out of range.
pub fn missed_counted(hosts: u64, infested: u64, sensitivities: &[f64]) -> Result<f64, ModelError> {
    check_sensitivities(sensitivities)?;
    check(
        "the number of trees looked at",
        sensitivities.len() as f64,
        sensitivities.len() as u64 <= hosts,
        "no more than the hosts there are",
    )?;
    Ok(missed_of(hosts, infested, sensitivities, &mut Vec::new()))
}

/// As [`missed_counted`], without its checks and with memory to use again.
pub(crate) fn missed_of(hosts: u64, infested: u64, sensitivities: &[f64], by_count: &mut Vec<f64>) -> f64 {
    let infested = infested.min(hosts);
    let most = usize::try_from(infested).map_or(sensitivities.len(), |d| d.min(sensitivities.len()));
    if infested == hosts {
        return sensitivities.iter().map(|s| 1.0 - s).product();
    }
    by_count.clear();
    by_count.resize(most + 1, 0.0);
    by_count[0] = 1.0;
    for (i, s) in sensitivities.iter().enumerate() {
        let left = (hosts - i as u64) as f64;
        for k in (0..=most.min(i + 1)).rev() {
            let chance = |k: usize| ((infested as f64 - k as f64) / left).clamp(0.0, 1.0);
            let sound = by_count[k] * (1.0 - chance(k));
            let ill = if k > 0 {
                by_count[k - 1] * chance(k - 1) * (1.0 - s)
            } else {
                0.0
            };
            by_count[k] = sound + ill;
        }
    }
    by_count.iter().sum::<f64>().clamp(0.0, 1.0)
}

/// The same where the hosts are not counted: each tree looked at is infested with the chance `prevalence` (0 to 1),
/// `Π(1 - p·s_j)`.
///
/// # Errors
/// A prevalence or sensitivity out of range.
pub fn missed_uncounted(prevalence: f64, sensitivities: &[f64]) -> Result<f64, ModelError> {
    check(
        "the share of hosts that are infested",
        prevalence,
        (0.0..=1.0).contains(&prevalence),
        "0 to 1",
    )?;
    check_sensitivities(sensitivities)?;
    Ok(sensitivities.iter().map(|s| 1.0 - prevalence * s).product())
}

fn check_sensitivities(all: &[f64]) -> Result<(), ModelError> {
    for &s in all {
        check("sensitivity of a look", s, (0.0..=1.0).contains(&s), "0 to 1")?;
    }
    Ok(())
}

/// Chance that each component alone missed an incursion in one place: 0 to 1, and 1 where there was none of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Missed {
    /// Traps.
    pub traps: f64,
    /// Looks at trees apart from traps.
    pub looks_apart: f64,
    /// All looks at trees, those beside a trap in the same week too; at most `looks_apart`.
    pub looks: f64,
    /// Detection trees.
    pub detection_trees: f64,
    /// The public.
    pub hotline: f64,
}

impl Missed {
    /// No evidence at all.
    pub const ALL: Missed = Missed {
        traps: 1.0,
        looks_apart: 1.0,
        looks: 1.0,
        detection_trees: 1.0,
        hotline: 1.0,
    };

    /// Chance that all missed it, were they independent.
    pub fn independent(self) -> f64 {
        self.traps * self.looks * self.detection_trees * self.hotline
    }

    /// The bound that holds however the components stated dependent hang together.
    pub fn at_most(self) -> f64 {
        // Dependent pairs: traps and looks beside them, traps and detection trees, the public and looks.
        [
            self.traps * self.looks_apart,
            self.traps * self.hotline,
            self.looks * self.detection_trees,
            self.detection_trees * self.hotline,
        ]
        .into_iter()
        .fold(1.0, f64::min)
    }

    /// Chance that all missed it, `dependent` being the share (0 to 1) of dependent evidence that shares one fate.
    pub fn together(self, dependent: f64) -> f64 {
        let independent = self.independent();
        // Where nothing is dependent the bound is independence, to the last digit.
        independent + dependent * (self.at_most() - independent).max(0.0)
    }
}
