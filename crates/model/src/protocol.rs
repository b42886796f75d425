//! A target's protocol of response, as the programme wrote it: what sets off what, who is told by when, the rings of the
//! delimiting survey, how the regulated area is drawn, and when it ends.
//!
//! One TOML file a target, adopted into the programme. Every figure carries its source and mark, as in target profiles. The
//! programme's own protocol and the law of the place decide; the protocols that come with the program are starting points
//! and say so.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::dispersal::Kernel;
use crate::error::ModelError;
use crate::param::{Mark, Param};
use crate::{release, trigger};

/// Layout of protocol files that is read here.
pub const LAYOUT: u32 = 1;

/// How a generation is counted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Generation {
    /// By heat, with the target profile's own rule.
    Heat {
        /// Degree-days of one generation, above 0.
        degree_days: Param,
    },
    /// By the calendar.
    Years {
        /// Years of one generation, above 0.
        years: Param,
    },
}

impl Generation {
    /// The figure, whichever it is.
    pub fn length(&self) -> &Param {
        match self {
            Generation::Heat { degree_days } => degree_days,
            Generation::Years { years } => years,
        }
    }
}

/// Somebody who is told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Notify {
    /// Short id ("state-partner").
    pub id: String,
    /// Who is told, as an office or a role, never by name.
    pub who: String,
    /// What they are told or asked, in the programme's words.
    pub what: String,
    /// Place in the chain, from 1: nobody of a later place is told before everybody of the earlier ones.
    pub order: u32,
    /// Hours after the confirmation by which it is done, above 0.
    pub hours: Param,
    /// Whether it may be told outside the programme and its partners: only once the find is confirmed and the earlier
    /// places were told.
    #[serde(default)]
    pub public: bool,
}

/// A flight between the tree that an insect left and the ground on which it met traps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Flight {
    /// The kernel.
    pub kernel: Kernel,
    /// Where the kernel comes from; "none" where there is no source.
    pub source: String,
    /// How it is known.
    pub mark: Mark,
    /// Factor on all its distances, above 0: how unsure the kernel is.
    pub factor: Param,
}

/// How the origin of catches is sought.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OriginPart {
    /// Flight from the origin; absent where the origin is where they flew.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flight: Option<Flight>,
    /// Clumping k of catches (negative binomial), above 0; absent: each insect is caught for itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clumping: Option<Param>,
    /// Variance of catches over their mean, 1 or more: how much evidence a second origin needs.
    pub overdispersion: Param,
}

impl OriginPart {
    fn check(&self) -> Result<(), ModelError> {
        let refuse = |what: &str| Err(ModelError::Inconsistent(format!("protocol: [origin] {what}")));
        if let Some(flight) = &self.flight {
            flight.factor.dist.check()?;
            if flight.source.trim().is_empty() || flight.factor.source.trim().is_empty() {
                return refuse("a figure has no source; write \"none\" where there is none");
            }
            if flight.factor.central() <= 0.0 {
                return refuse("the factor on flight distances must be above 0");
            }
        }
        if let Some(clumping) = &self.clumping {
            clumping.dist.check()?;
            if clumping.central() <= 0.0 || clumping.source.trim().is_empty() {
                return refuse("clumping must be above 0, with a source");
            }
        }
        check_figure("overdispersion of catches", &self.overdispersion)?;
        if self.overdispersion.central() < 1.0 {
            return refuse("overdispersion must be 1 or more");
        }
        Ok(())
    }

    fn marks(&self) -> impl Iterator<Item = (&'static str, Mark)> {
        let flight = self.flight.iter().flat_map(|f| {
            [
                ("Flight between origin and traps", f.mark),
                ("Factor on flight distances", f.factor.mark),
            ]
        });
        flight
            .chain(self.clumping.iter().map(|c| ("Clumping of catches", c.mark)))
            .chain([("Overdispersion of catches", self.overdispersion.mark)])
    }
}

/// All that a programme decided beforehand about a find of one target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// Layout of the file: [`LAYOUT`].
    pub layout: u32,
    /// Target id.
    pub target: String,
    /// What a reader must know before leaning on it.
    pub caution: String,
    /// Kinds of pathway (as in the programme's pathways) at whose places the hosts are grown for sale.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub commercial_pathways: Vec<String>,
    /// How a generation is counted.
    pub generation: Generation,
    /// What sets off what.
    pub trigger: trigger::Protocol,
    /// Whom to tell.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notify: Vec<Notify>,
    /// How the origin of catches is sought; absent: where they flew, each insect for itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<OriginPart>,
    /// Rings of the delimiting survey.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rings: Option<toml::Table>,
    /// How the regulated area is drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub area: Option<toml::Table>,
    /// When it ends.
    pub release: release::Protocol,
}

impl Protocol {
    /// Reads and checks a protocol.
    ///
    /// # Errors
    /// TOML that does not parse (with line and column), a field unknown or missing, a figure out of its range or without a
    /// source.
    pub fn from_toml(text: &str) -> Result<Self, ModelError> {
        let protocol: Protocol =
            toml::from_str(text).map_err(|e| ModelError::Inconsistent(format!("protocol: {e}")))?;
        protocol.check()?;
        Ok(protocol)
    }

    /// Checks all parts.
    ///
    /// # Errors
    /// A figure out of its range, uncertain or without a source; an id used twice; a place in the chain that is skipped.
    pub fn check(&self) -> Result<(), ModelError> {
        let refuse = |what: String| Err(ModelError::Inconsistent(format!("protocol: {what}")));
        if self.layout != LAYOUT {
            return refuse(format!(
                "layout {} is not known here; write {LAYOUT}",
                self.layout
            ));
        }
        if self.target.trim().is_empty() {
            return refuse("it names no target".into());
        }
        if self.caution.trim().is_empty() {
            return refuse(
                "it has no caution: say whose rules it follows and what it leaves to the law".into(),
            );
        }
        let words = match self.generation {
            Generation::Heat { .. } => "degree-days of a generation",
            Generation::Years { .. } => "years of a generation",
        };
        check_figure(words, self.generation.length())?;
        self.trigger.check()?;
        if self.trigger.rules.is_empty() {
            return refuse("[trigger] has no rule: nothing would ever be set off".into());
        }
        self.check_chain()?;
        if let Some(origin) = &self.origin {
            origin.check()?;
        }
        self.release.check()
    }

    fn check_chain(&self) -> Result<(), ModelError> {
        let refuse = |what: String| Err(ModelError::Inconsistent(format!("protocol: {what}")));
        for (i, step) in self.notify.iter().enumerate() {
            let empty = [&step.id, &step.who, &step.what]
                .iter()
                .any(|text| text.trim().is_empty());
            if empty {
                return refuse(format!(
                    "[[notify]] number {}: id, who and what need words",
                    i + 1
                ));
            }
            if self.notify[..i].iter().any(|other| other.id == step.id) {
                return refuse(format!("[[notify]] \"{}\": this id is used twice", step.id));
            }
            check_figure("hours of a step of [[notify]]", &step.hours)?;
        }
        let last = self.notify.iter().map(|step| step.order).max().unwrap_or(0);
        match (1..=last.min(1000)).find(|place| self.notify.iter().all(|step| step.order != *place)) {
            Some(place) => refuse(format!("[[notify]]: nobody has place {place} in the order")),
            None if self
                .notify
                .iter()
                .any(|step| step.order == 0 || step.order > 1000) =>
            {
                refuse("[[notify]]: places in the order go from 1 to 1000".into())
            }
            None => Ok(()),
        }
    }

    /// The chain of those to be told, by place and then by hours.
    pub fn chain(&self) -> Vec<&Notify> {
        let mut steps: Vec<&Notify> = self.notify.iter().collect();
        steps.sort_by(|a, b| {
            let hours = a.hours.central().total_cmp(&b.hours.central());
            a.order.cmp(&b.order).then(hours).then(a.id.cmp(&b.id))
        });
        steps
    }

    /// Figures that nobody read anywhere, in words.
    pub fn warnings(&self) -> Vec<String> {
        let sentence = |what: &str, mark: Mark| format!("{what}: {}.", mark.words());
        let mut told = self.trigger.warnings();
        let length = self.generation.length();
        if length.mark.needs_warning() {
            told.push(sentence("Length of a generation", length.mark));
        }
        let origin = self.origin.iter().flat_map(OriginPart::marks);
        told.extend(
            origin
                .filter(|(_, mark)| mark.needs_warning())
                .map(|(what, mark)| sentence(what, mark)),
        );
        let hours = self.notify.iter().filter(|step| step.hours.mark.needs_warning());
        if let Some(first) = hours.clone().next() {
            let ids: Vec<&str> = hours.map(|step| step.id.as_str()).collect();
            told.push(sentence(
                &format!("Hours to tell {}", ids.join(", ")),
                first.hours.mark,
            ));
        }
        for (what, param) in [
            ("Term of release", self.release.count()),
            ("Least effort of the release clock", &self.release.least_effort),
        ] {
            if param.mark.needs_warning() {
                told.push(sentence(what, param.mark));
            }
        }
        told
    }
}

/// A figure of a protocol is one number, above 0, with its source.
fn check_figure(what: &'static str, param: &Param) -> Result<(), ModelError> {
    param.dist.check()?;
    if !param.dist.is_fixed() || param.source.trim().is_empty() {
        return Err(ModelError::Inconsistent(format!(
            "protocol: {what}: write one fixed number, with a source (\"none\" where there is none)"
        )));
    }
    let value = param.central();
    if value > 0.0 && value.is_finite() {
        Ok(())
    } else {
        Err(ModelError::OutOfRange {
            what,
            value,
            rule: "above 0",
        })
    }
}

/// The protocols that come with the program, as text: starting points for a programme's own.
pub const SHIPPED_TOML: [&str; 2] = [
    include_str!("../../../protocols/emerald-ash-borer.toml"),
    include_str!("../../../protocols/polyphagous-shot-hole-borer.toml"),
];

static SHIPPED: LazyLock<Vec<Protocol>> = LazyLock::new(|| {
    SHIPPED_TOML
        .iter()
        // They are part of the build and every one is read by the tests, so this cannot fail on a user's machine.
        .map(|text| Protocol::from_toml(text).expect("a shipped protocol is read by the tests"))
        .collect()
});

/// The protocols that come with the program.
pub fn shipped() -> &'static [Protocol] {
    &SHIPPED
}

/// The text of the protocol that comes with the program for a target, if one does.
pub fn shipped_toml(target: &str) -> Option<&'static str> {
    let at = shipped().iter().position(|p| p.target == target)?;
    Some(SHIPPED_TOML[at])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_protocol_is_read_and_belongs_to_a_shipped_target() {
        for text in SHIPPED_TOML {
            let protocol = Protocol::from_toml(text).unwrap();
            crate::profile::by_id(&protocol.target).unwrap();
            let again = Protocol::from_toml(&toml::to_string(&protocol).unwrap()).unwrap();
            assert_eq!(again, protocol);
            let chain = protocol.chain();
            assert!(chain.windows(2).all(|two| two[0].order <= two[1].order));
            assert!(chain.last().unwrap().public, "the public comes last");
        }
        assert!(shipped_toml("spongy-moth").is_none());
    }

    #[test]
    fn what_is_wrong_is_told() {
        let good = SHIPPED_TOML[0];
        for (from, to, told) in [
            ("layout = 1", "layout = 9", "layout 9"),
            ("order = 1", "order = 9", "nobody has place"),
            ("id = \"state-partner\"", "id = \"lead\"", "used twice"),
            ("order = 2", "place = 2", "place"),
            ("kind = \"years\"", "kind = \"moons\"", "moons"),
        ] {
            assert!(good.contains(from), "{from}");
            let text = good.replacen(from, to, 1);
            let error = Protocol::from_toml(&text).unwrap_err().to_string();
            assert!(error.contains(told), "{told}: {error}");
        }
        let text = good.replacen(
            "hours = { dist = { kind = \"fixed\", value = 1 }",
            "hours = { dist = { kind = \"fixed\", value = 0 }",
            1,
        );
        assert_ne!(text, good);
        assert!(
            Protocol::from_toml(&text)
                .unwrap_err()
                .to_string()
                .contains("above 0")
        );
    }
}
