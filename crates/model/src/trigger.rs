//! What a find sets off, by the programme's own protocol: rules as data, evaluated on dated, located, confirmed finds.
//!
//! A rule reads "k finds within r of each other within so many generations, of such stages and sexes, so far from
//! commercial hosts, set off this". Every figure of a rule carries its source and mark, as in target profiles. The
//! program only proposes: a person with standing starts what a rule sets off, and the law of the place decides.
//!
//! *Within r* is read pairwise or round one find, as the rule says ([`Within`]). *Within a generation* is counted in
//! generations since any fixed day, from heat sums ([`generations_at`]) or years; the caller gives each find its own.
//! Nothing here turns an unknown stage, sex or mating into a known one: a rule that asks for mated females is not met by a
//! female of whom that was not looked at; [`Outcome::nearly`] names it, so that somebody looks.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::detection::Point;
use crate::error::{ModelError, check};
use crate::param::Param;
use crate::phenology::HeatModel;
use crate::weather::Series;

/// Life stage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Adult.
    Adult,
    /// Egg, larva, nymph or pupa: it was born here.
    Immature,
}

/// Sex of an adult.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sex {
    /// Female.
    Female,
    /// Male.
    Male,
}

/// One confirmed find.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Where, metres in a local frame.
    pub at: Point,
    /// Day it was taken.
    pub date: Date,
    /// Generations since a day that is the same for all finds ([`generations_at`]); years where life is counted so.
    pub generations: f64,
    /// Insects, 1 or more.
    pub count: u32,
    /// Stage; `None` where it was not told.
    pub stage: Option<Stage>,
    /// Sex; `None` where it was not told.
    pub sex: Option<Sex>,
    /// Whether mated; `None` where nobody looked.
    pub mated: Option<bool>,
    /// Distance to the nearest commercial host, metres; `None` where it is not known.
    pub commercial_host_m: Option<f64>,
}

/// How "within r" is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Within {
    /// All lie within r of one of them.
    OfOneFind,
    /// Each lies within r of each other.
    OfEachOther,
}

/// Which finds a rule counts. Absent: whatever it is, known or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Counted {
    /// Only this stage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stage: Option<Stage>,
    /// Only this sex.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sex: Option<Sex>,
    /// Only mated, or only unmated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mated: Option<bool>,
}

/// Where a rule holds, by the distance of its finds to commercial hosts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Commercial {
    /// Only where every find lies farther than this from commercial hosts.
    AllBeyond {
        /// Metres.
        distance_m: Param,
    },
    /// Only where some find lies within this of commercial hosts.
    AnyWithin {
        /// Metres.
        distance_m: Param,
    },
}

/// One rule of a protocol.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rule {
    /// Short id ("two-adults").
    pub id: String,
    /// What it sets off, in the programme's words ("delimiting survey").
    pub sets_off: String,
    /// Insects needed, 1 or more.
    pub insects: Param,
    /// Radius r, metres; not read where one find alone meets the rule.
    pub radius_m: Param,
    /// How r is read.
    pub within: Within,
    /// Generations within which they are found.
    pub generations: Param,
    /// Which finds count.
    #[serde(default)]
    pub counted: Counted,
    /// Where it holds; everywhere if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub commercial: Option<Commercial>,
}

/// A protocol: its rules, for one target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// The rules, each evaluated for itself.
    pub rules: Vec<Rule>,
}

/// A rule that is met.
#[derive(Debug, Clone, PartialEq)]
pub struct Fired {
    /// Index of the rule in the protocol.
    pub rule: usize,
    /// Indices of the finds that meet it, by date: the earliest set that does.
    pub finds: Vec<usize>,
    /// Insects among them.
    pub insects: u64,
    /// Why, in words.
    pub why: String,
}

/// What a set of finds sets off.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Rules met, in the protocol's order.
    pub fired: Vec<Fired>,
    /// Rules not met that would be if what is unknown of some finds turned out so: what to look at now, in words.
    pub nearly: Vec<Fired>,
}

/// Most finds that may lie within one find's radius and window where each must lie near each other; beyond, the search for
/// the largest set could take for ever.
const MOST_NEIGHBOURS: usize = 64;

impl Protocol {
    /// Reads and checks a protocol.
    ///
    /// # Errors
    /// TOML that does not parse, a field unknown or missing, a figure out of its range or without a source.
    pub fn from_toml(text: &str) -> Result<Self, ModelError> {
        let protocol: Protocol =
            toml::from_str(text).map_err(|e| ModelError::Inconsistent(format!("protocol: {e}")))?;
        protocol.check()?;
        Ok(protocol)
    }

    /// Checks every rule.
    ///
    /// # Errors
    /// A figure out of its range or without a source, an empty or repeated id.
    pub fn check(&self) -> Result<(), ModelError> {
        for (i, rule) in self.rules.iter().enumerate() {
            let refuse = |what: &str| ModelError::Inconsistent(format!("rule \"{}\": {what}", rule.id));
            if rule.id.trim().is_empty() || rule.sets_off.trim().is_empty() {
                return Err(refuse("it needs an id and words for what it sets off"));
            }
            if self.rules[..i].iter().any(|other| other.id == rule.id) {
                return Err(refuse("this id is used twice"));
            }
            let distance = rule.commercial.as_ref().map(Commercial::distance);
            let figures = [&rule.insects, &rule.radius_m, &rule.generations];
            for param in figures.into_iter().chain(distance) {
                param.dist.check()?;
                if !param.dist.is_fixed() {
                    return Err(refuse(
                        "a protocol's figures are fixed numbers, not distributions",
                    ));
                }
                if param.source.trim().is_empty() {
                    return Err(refuse(
                        "a figure has no source; write \"none\" where there is none",
                    ));
                }
            }
            let k = rule.insects.central();
            check(
                "insects of a rule",
                k,
                k >= 1.0 && k.fract() == 0.0,
                "a whole number, 1 or more",
            )?;
            let r = rule.radius_m.central();
            check("radius of a rule", r, r > 0.0, "above 0 m")?;
            let g = rule.generations.central();
            check("generations of a rule", g, g > 0.0, "above 0")?;
            if let Some(distance) = distance {
                let d = distance.central();
                check("distance to commercial hosts", d, d >= 0.0, "0 m or more")?;
            }
        }
        Ok(())
    }

    /// Rules whose figures need a warning, in words.
    pub fn warnings(&self) -> Vec<String> {
        let mut told = Vec::new();
        for rule in &self.rules {
            let distance = rule.commercial.as_ref().map(Commercial::distance);
            let named = [
                ("insects", Some(&rule.insects)),
                ("radius", Some(&rule.radius_m)),
                ("generations", Some(&rule.generations)),
                ("distance to commercial hosts", distance),
            ];
            for (what, param) in named {
                if let Some(param) = param.filter(|p| p.mark.needs_warning()) {
                    told.push(format!("Rule \"{}\", {what}: {}.", rule.id, param.mark.words()));
                }
            }
        }
        told
    }

    /// Which rules these finds meet, with which of them, and why.
    ///
    /// # Errors
    /// A find without insects or with a position or generation that is no number; or more than 64 finds round one where
    /// each must lie near each other (such an outbreak needs no rule to be seen).
    pub fn evaluate(&self, finds: &[Found]) -> Result<Outcome, ModelError> {
        for f in finds {
            check("x of a find", f.at.x_m, true, "a finite number")?;
            check("y of a find", f.at.y_m, true, "a finite number")?;
            check("generations at a find", f.generations, true, "a finite number")?;
            check("insects of a find", f64::from(f.count), f.count > 0, "1 or more")?;
            if let Some(d) = f.commercial_host_m {
                check("distance to commercial hosts", d, d >= 0.0, "0 m or more")?;
            }
        }
        let mut outcome = Outcome {
            fired: Vec::new(),
            nearly: Vec::new(),
        };
        for (i, rule) in self.rules.iter().enumerate() {
            if let Some(set) = rule.met(finds, false)? {
                outcome.fired.push(rule.told(i, finds, set, false));
            } else if let Some(set) = rule.met(finds, true)? {
                outcome.nearly.push(rule.told(i, finds, set, true));
            }
        }
        Ok(outcome)
    }
}

impl Protocol {
    /// Of each find, whether some rule is met by it, alone or together with others: those of [`Protocol::evaluate`]'s earliest set,
    /// and those that came later. Where each must lie near each other, only the 63 others that lie nearest are looked at.
    ///
    /// # Errors
    /// As [`Protocol::evaluate`].
    pub fn meeting(&self, finds: &[Found]) -> Result<Vec<bool>, ModelError> {
        let mut meets = vec![false; finds.len()];
        for fired in self.evaluate(finds)?.fired {
            for i in fired.finds {
                meets[i] = true;
            }
        }
        for rule in &self.rules {
            for i in 0..finds.len() {
                if !meets[i] && rule.counts(&finds[i], false) {
                    meets[i] = rule.set_with(finds, &rule.about(finds, i), false)?.is_some();
                }
            }
        }
        Ok(meets)
    }
}

impl Commercial {
    fn distance(&self) -> &Param {
        match self {
            Commercial::AllBeyond { distance_m } | Commercial::AnyWithin { distance_m } => distance_m,
        }
    }

    /// Whether one find meets the condition; an unknown distance does only where the doubt counts for the rule.
    fn is_met_by(&self, find: &Found, in_doubt: bool) -> bool {
        let limit = self.distance().central();
        match (self, find.commercial_host_m) {
            (_, None) => in_doubt,
            (Commercial::AllBeyond { .. }, Some(d)) => d > limit,
            (Commercial::AnyWithin { .. }, Some(d)) => d <= limit,
        }
    }
}

impl Rule {
    /// Whether a find counts; what is unknown counts only where the doubt is given to the rule.
    fn counts(&self, find: &Found, in_doubt: bool) -> bool {
        fn agrees<T: PartialEq>(wanted: Option<T>, known: Option<T>, in_doubt: bool) -> bool {
            match (wanted, known) {
                (None, _) => true,
                (Some(_), None) => in_doubt,
                (Some(wanted), Some(known)) => wanted == known,
            }
        }
        let beyond = match &self.commercial {
            Some(all @ Commercial::AllBeyond { .. }) => all.is_met_by(find, in_doubt),
            _ => true,
        };
        beyond
            && agrees(self.counted.stage, find.stage, in_doubt)
            && agrees(self.counted.sex, find.sex, in_doubt)
            && agrees(self.counted.mated, find.mated, in_doubt)
    }

    /// The first set, by date of its last find, that meets the rule.
    fn met(&self, finds: &[Found], in_doubt: bool) -> Result<Option<Vec<usize>>, ModelError> {
        let mut order: Vec<usize> = (0..finds.len())
            .filter(|i| self.counts(&finds[*i], in_doubt))
            .collect();
        order.sort_by(|a, b| finds[*a].date.cmp(&finds[*b].date).then(a.cmp(b)));
        // Finds are let in one by one in the order of their dates: the first prefix that holds a set names its last find.
        for end in 0..order.len() {
            if let Some(mut set) = self.set_with(finds, &order[..=end], in_doubt)? {
                set.sort_by(|a, b| finds[*a].date.cmp(&finds[*b].date).then(a.cmp(b)));
                return Ok(Some(set));
            }
        }
        Ok(None)
    }

    /// Finds that may stand in one set with a find, which comes last.
    fn about(&self, finds: &[Found], find: usize) -> Vec<usize> {
        let apart = |i: &usize| finds[*i].at.distance_m(finds[find].at);
        // Round one of them, two may lie twice the radius apart.
        let radius = self.radius_m.central();
        let (reach, most) = match self.within {
            Within::OfOneFind => (2.0 * radius, finds.len()),
            Within::OfEachOther => (radius, MOST_NEIGHBOURS - 1),
        };
        let mut others: Vec<usize> = (0..finds.len())
            .filter(|i| *i != find && self.counts(&finds[*i], false) && apart(i) <= reach)
            .collect();
        others.sort_by(|a, b| apart(a).total_cmp(&apart(b)));
        others.truncate(most);
        others.push(find);
        others
    }

    /// A set among `open` that meets the rule and holds its last find.
    fn set_with(
        &self,
        finds: &[Found],
        open: &[usize],
        in_doubt: bool,
    ) -> Result<Option<Vec<usize>>, ModelError> {
        let Some(&last) = open.last() else {
            return Ok(None);
        };
        let (radius, window) = (self.radius_m.central(), self.generations.central());
        let centres: Vec<usize> = match self.within {
            Within::OfEachOther => vec![last],
            Within::OfOneFind => open.to_vec(),
        };
        for centre in centres {
            let near: Vec<usize> = open
                .iter()
                .copied()
                .filter(|i| finds[*i].at.distance_m(finds[centre].at) <= radius)
                .collect();
            if !near.contains(&last) {
                continue;
            }
            // every window begins at some find
            for &first in &near {
                let from = finds[first].generations;
                let set: Vec<usize> = near
                    .iter()
                    .copied()
                    .filter(|i| (from..=from + window).contains(&finds[*i].generations))
                    .collect();
                if !set.contains(&last) || (self.within == Within::OfOneFind && !set.contains(&centre)) {
                    continue;
                }
                if self.within == Within::OfOneFind {
                    if self.is_enough(finds, &set, in_doubt) {
                        return Ok(Some(set));
                    }
                } else if let Some(found) = self.all_near(finds, &set, last, in_doubt)? {
                    return Ok(Some(found));
                }
            }
        }
        Ok(None)
    }

    fn is_enough(&self, finds: &[Found], set: &[usize], in_doubt: bool) -> bool {
        let insects: u64 = set.iter().map(|i| u64::from(finds[*i].count)).sum();
        let near_hosts = match &self.commercial {
            Some(any @ Commercial::AnyWithin { .. }) => {
                set.iter().any(|i| any.is_met_by(&finds[*i], in_doubt))
            }
            _ => true,
        };
        insects as f64 >= self.insects.central() && near_hosts
    }

    /// A subset of `pool` with `last` in which each lies near each other and which is enough: depth-first.
    fn all_near(
        &self,
        finds: &[Found],
        pool: &[usize],
        last: usize,
        in_doubt: bool,
    ) -> Result<Option<Vec<usize>>, ModelError> {
        if pool.len() > MOST_NEIGHBOURS {
            return Err(ModelError::Inconsistent(format!(
                "rule \"{}\": more than {MOST_NEIGHBOURS} finds lie round one; read its radius as \"of-one-find\"",
                self.id
            )));
        }
        let rest: Vec<usize> = pool.iter().copied().filter(|i| *i != last).collect();
        let mut set = vec![last];
        Ok(self.grow(finds, &rest, &mut set, in_doubt).then_some(set))
    }

    fn grow(&self, finds: &[Found], rest: &[usize], set: &mut Vec<usize>, in_doubt: bool) -> bool {
        if self.is_enough(finds, set, in_doubt) {
            return true;
        }
        let radius = self.radius_m.central();
        for (n, &next) in rest.iter().enumerate() {
            // All that is left may not be enough: no need to try.
            let mut all = set.clone();
            all.extend(&rest[n..]);
            if !self.is_enough(finds, &all, in_doubt) {
                return false;
            }
            if set
                .iter()
                .all(|i| finds[*i].at.distance_m(finds[next].at) <= radius)
            {
                set.push(next);
                if self.grow(finds, &rest[n + 1..], set, in_doubt) {
                    return true;
                }
                set.pop();
            }
        }
        false
    }

    fn told(&self, rule: usize, finds: &[Found], set: Vec<usize>, in_doubt: bool) -> Fired {
        let insects: u64 = set.iter().map(|i| u64::from(finds[*i].count)).sum();
        let (first, last) = (finds[set[0]].date, finds[set[set.len() - 1]].date);
        let farthest = set
            .iter()
            .flat_map(|a| set.iter().map(move |b| (a, b)))
            .map(|(a, b)| finds[*a].at.distance_m(finds[*b].at))
            .fold(0.0, f64::max);
        let span = set.iter().map(|i| finds[*i].generations);
        let generations = span.clone().fold(f64::NEG_INFINITY, f64::max) - span.fold(f64::INFINITY, f64::min);
        let needed = self.insects.central();
        let dates = if first == last {
            format!("on {first}")
        } else {
            format!("from {first} to {last}")
        };
        let doubt = if in_doubt {
            "; not all of stage, sex, mating or distance to commercial hosts is known: look at that now"
        } else {
            ""
        };
        let why = format!(
            "{insects} found {dates}, at most {farthest:.0} m apart and {generations:.2} generations; the rule asks for \
             {needed} within {:.0} m and {} generations{doubt}",
            self.radius_m.central(),
            self.generations.central()
        );
        Fired {
            rule,
            finds: set,
            insects,
            why,
        }
    }
}

/// Generations by heat from the first day of `series` to the end of `date`: what [`Found::generations`] holds. Unlike a
/// season's sum it does not begin anew at New Year: heat of all days counts.
///
/// # Errors
/// A generation that is not above 0, or a day that the weather does not hold.
pub fn generations_at(
    heat: &HeatModel,
    series: &Series,
    date: Date,
    generation_dd: f64,
) -> Result<f64, ModelError> {
    check(
        "generation",
        generation_dd,
        generation_dd > 0.0,
        "above 0 degree-days",
    )?;
    let days = heat.rule.accumulate(series.days())?;
    days.iter()
        .find(|d| d.date == date)
        .map(|d| d.sum / generation_dd)
        .ok_or_else(|| {
            ModelError::Inconsistent(format!(
                "generations on {date} need weather of that day, but it runs from {} to {}",
                series.first(),
                series.last()
            ))
        })
}
