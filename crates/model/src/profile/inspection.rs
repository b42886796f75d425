//! How well looks at trees, branch samples, detection trees and a hotline show a target: an optional section of a profile.
//!
//! Without the section nothing of the sort is counted as evidence, however many trees were looked at.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{Choice, Entry, Legal, SHARE, clamp, named_source, refuse};
use crate::error::ModelError;
use crate::inspection::{Method, TreePart};
use crate::param::Param;

/// What inspections are worth for a target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InspectionSection {
    /// Flyers that one infested tree sends out in a season. The design incursion's flyers divided by it are its infested
    /// trees: rounded down, at least one, at most the hosts of the cell.
    pub flyers_per_tree: Param,
    /// Share of the hosts of an infested cell that are infested, used only where the hosts of a cell are not all counted.
    pub prevalence: Param,
    /// Share of repeat looks at one tree that share one fate (0: independent; 1: only the best look counts).
    pub same_tree: Param,
    /// Share of evidence that shares one fate where two components are stated dependent (0: independent; 1: only the
    /// better of the two counts).
    pub dependent: Param,
    /// Looks from the ground with the bare eye: chance that a look at an infested tree shows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ground: Option<Param>,
    /// Looks from the ground with a binocular; those of the bare eye where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub binocular: Option<Param>,
    /// Looks from a ladder; those with a binocular where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ladder: Option<Param>,
    /// Looks by climbing; those from a ladder where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub climb: Option<Param>,
    /// Looks from a lift; those by climbing where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lift: Option<Param>,
    /// What is left of a look's sensitivity when the tree is in leaf (or it was not recorded); all of it where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub in_leaf: Option<Param>,
    /// Rate of finding, per minute: a look of `m` minutes is worth `1 - exp(-rate·m)` of a long one. Where absent, or
    /// where no minutes were recorded, a look counts in full.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub search_per_minute: Option<Param>,
    /// Parts of the tree on which its signs are looked for: a look counts by the share of them it took in. All parts
    /// count where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signs_on: Option<Choice<Vec<TreePart>>>,
    /// Branches cut and peeled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub branches: Option<BranchSection>,
    /// Girdled detection trees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detection_tree: Option<DetectionTreeSection>,
    /// The public's reports. Absent in every profile that ships: only a programme that has a hotline may say so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hotline: Option<HotlineSection>,
}

/// Branches cut and peeled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BranchSection {
    /// Chance that the full sample shows an infested tree.
    pub sensitivity: Param,
    /// Length peeled in the full sample, cm, all branches together. Less counts by `1 - (1-S)^share`; more counts no more.
    pub peeled_cm: Param,
}

/// Girdled detection trees: they draw the target, and are peeled at the season's end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DetectionTreeSection {
    /// Chance that one such tree, girdled before the flight and peeled whole after it, shows the design incursion when that
    /// sits within its reach.
    pub sensitivity: Param,
    /// Distance from which it draws, metres.
    pub reach_m: Param,
}

/// The public's reports: passive surveillance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HotlineSection {
    /// First day on which the public could report, and every report was followed up.
    pub since: Date,
    /// Last day; it still runs where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Date>,
    /// Labels of the zones it serves; all where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zones: Option<Vec<String>>,
    /// Chance that an infested place is reported within a year.
    pub reports_per_year: Param,
}

const PER_TREE: Legal = 0.01..=1e9;
const RATE: Legal = 0.001..=100.0;
const PEELED: Legal = 1.0..=100_000.0;
const REACH: Legal = 0.1..=100_000.0;

/// Names of the parameters of looks, by [`Method::index`].
const LOOKS: [&str; Method::COUNT] = [
    "sensitivity of a look from the ground",
    "sensitivity of a look with a binocular",
    "sensitivity of a look from a ladder",
    "sensitivity of a look by climbing",
    "sensitivity of a look from a lift",
    "sensitivity of a branch sample",
];

impl InspectionSection {
    /// The parameter behind a method: its own, or that of the next weaker vantage; `None` where there is neither.
    pub fn behind(&self, method: Method) -> Option<&Param> {
        let mut at = Some(method);
        while let Some(method) = at {
            let own = match method {
                Method::Ground => self.ground.as_ref(),
                Method::Binocular => self.binocular.as_ref(),
                Method::Ladder => self.ladder.as_ref(),
                Method::Climb => self.climb.as_ref(),
                Method::Lift => self.lift.as_ref(),
                Method::Branches => self.branches.as_ref().map(|b| &b.sensitivity),
            };
            if own.is_some() {
                return own;
            }
            at = method.weaker();
        }
        None
    }

    /// Whether looks by the method count at all.
    pub fn counts(&self, method: Method) -> bool {
        self.behind(method).is_some()
    }

    /// Every parameter with its name in plain words.
    pub fn parameters(&self) -> Vec<(&'static str, &Param)> {
        self.params().into_iter().map(|e| (e.what, e.param)).collect()
    }

    pub(super) fn params(&self) -> Vec<Entry<'_>> {
        let mut all = Vec::new();
        let mut add = |what, param, legal| all.push(Entry { what, param, legal });
        add(
            "flyers that one infested tree sends out",
            &self.flyers_per_tree,
            &PER_TREE,
        );
        add(
            "share of hosts infested where hosts are not counted",
            &self.prevalence,
            &SHARE,
        );
        add(
            "share of repeat looks at a tree that fail together",
            &self.same_tree,
            &SHARE,
        );
        add(
            "share of dependent evidence that fails together",
            &self.dependent,
            &SHARE,
        );
        let own = [
            &self.ground,
            &self.binocular,
            &self.ladder,
            &self.climb,
            &self.lift,
        ];
        for (what, param) in LOOKS.into_iter().zip(own) {
            if let Some(param) = param {
                add(what, param, &SHARE);
            }
        }
        if let Some(param) = &self.in_leaf {
            add("what leaves leave of a look", param, &SHARE);
        }
        if let Some(param) = &self.search_per_minute {
            add("rate of finding while looking", param, &RATE);
        }
        if let Some(b) = &self.branches {
            add(LOOKS[Method::Branches.index()], &b.sensitivity, &SHARE);
            add("length peeled in a full branch sample", &b.peeled_cm, &PEELED);
        }
        if let Some(d) = &self.detection_tree {
            add("sensitivity of a detection tree", &d.sensitivity, &SHARE);
            add("reach of a detection tree", &d.reach_m, &REACH);
        }
        if let Some(h) = &self.hotline {
            add(
                "chance that the public reports an infested place within a year",
                &h.reports_per_year,
                &SHARE,
            );
        }
        all
    }

    pub(super) fn check(&self) -> Result<(), ModelError> {
        self.params().iter().try_for_each(Entry::check)?;
        if let Some(parts) = &self.signs_on {
            named_source("the parts on which signs are looked for", &parts.source)?;
            if parts.value.is_empty() {
                return refuse("signs_on lists no part; leave it out where all parts count".into());
            }
            for (i, part) in parts.value.iter().enumerate() {
                if parts.value[..i].contains(part) {
                    return refuse(format!("signs_on lists {} twice", part.words()));
                }
            }
        }
        if let Some(h) = &self.hotline {
            if h.until.is_some_and(|until| until < h.since) {
                return refuse(format!("the hotline ends before it begins on {}", h.since));
            }
            if h.zones.as_ref().is_some_and(Vec::is_empty) {
                return refuse("the hotline serves no zone; leave zones out where it serves all".into());
            }
        }
        Ok(())
    }

    /// Plain numbers, always drawn in the same order.
    pub(super) fn drawn(&self, value: &mut dyn FnMut(&Param, &Legal) -> f64) -> DrawnInspection {
        let (flyers_per_tree, prevalence) = (
            value(&self.flyers_per_tree, &PER_TREE),
            value(&self.prevalence, &SHARE),
        );
        let (same_tree, dependent) = (value(&self.same_tree, &SHARE), value(&self.dependent, &SHARE));
        let mut sensitivity = [None; Method::COUNT];
        let own = [
            &self.ground,
            &self.binocular,
            &self.ladder,
            &self.climb,
            &self.lift,
        ];
        for (slot, param) in sensitivity.iter_mut().zip(own) {
            *slot = param.as_ref().map(|p| value(p, &SHARE));
        }
        let in_leaf = self.in_leaf.as_ref().map_or(1.0, |p| value(p, &SHARE));
        let search_per_minute = self.search_per_minute.as_ref().map(|p| value(p, &RATE));
        let mut full_peeled_cm = 1.0;
        if let Some(b) = &self.branches {
            sensitivity[Method::Branches.index()] = Some(value(&b.sensitivity, &SHARE));
            full_peeled_cm = value(&b.peeled_cm, &PEELED);
        }
        for method in Method::ALL {
            if sensitivity[method.index()].is_none() {
                let weaker = method.weaker().and_then(|w| sensitivity[w.index()]);
                sensitivity[method.index()] = weaker;
            }
        }
        DrawnInspection {
            flyers_per_tree,
            prevalence,
            same_tree,
            dependent,
            sensitivity,
            in_leaf,
            search_per_minute,
            full_peeled_cm,
            detection_tree: self.detection_tree.as_ref().map(|d| DrawnDetectionTree {
                sensitivity: value(&d.sensitivity, &SHARE),
                reach_m: value(&d.reach_m, &REACH),
            }),
            reports_per_year: self.hotline.as_ref().map(|h| value(&h.reports_per_year, &SHARE)),
        }
    }
}

/// One draw of what inspections are worth, or the central values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnInspection {
    /// Flyers that one infested tree sends out in a season, above 0.
    pub flyers_per_tree: f64,
    /// Share of an infested cell's hosts that are infested, where they are not counted.
    pub prevalence: f64,
    /// Share of repeat looks at one tree that share one fate.
    pub same_tree: f64,
    /// Share of dependent evidence that shares one fate.
    pub dependent: f64,
    /// Chance that a full look shows an infested tree, by [`Method::index`]; `None` where it does not count.
    pub sensitivity: [Option<f64>; Method::COUNT],
    /// What leaves leave of a look.
    pub in_leaf: f64,
    /// Rate of finding per minute.
    pub search_per_minute: Option<f64>,
    /// Length peeled in a full branch sample, cm.
    pub full_peeled_cm: f64,
    /// Detection trees, where they count.
    pub detection_tree: Option<DrawnDetectionTree>,
    /// Chance that an infested place is reported within a year, where there is a hotline.
    pub reports_per_year: Option<f64>,
}

/// One draw of what a detection tree is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnDetectionTree {
    /// Chance that one shows the design incursion within its reach.
    pub sensitivity: f64,
    /// Its reach, metres.
    pub reach_m: f64,
}

impl DrawnInspection {
    /// Infested trees of a design incursion of so many flyers: rounded down, at least one.
    pub fn infested_trees(&self, flyers: f64) -> u64 {
        clamp((flyers / self.flyers_per_tree).floor(), &(1.0..=1e12)) as u64
    }
}
