//! Target profiles: the biology as data, with a source and a mark on every parameter.
//!
//! A profile is a TOML file. The ones shipped stand in the repository's `targets/` folder and are embedded in the
//! program; a programme may bring its own. Nothing in here is a constant of the code.

mod inspection;

use std::ops::RangeInclusive;
use std::sync::LazyLock;

use rand::Rng;
use serde::{Deserialize, Serialize};

use crate::capture::Capture;
use crate::clock::Clock;
use crate::degree_days::Rule;
use crate::error::ModelError;
use crate::lure::Lure;
use crate::param::{Dist, Mark, Param};
use crate::phenology::{FlightCurve, HeatModel, HeatWindow, MonthDay};
use crate::trial::TrialSection;
pub use inspection::{
    BranchSection, DetectionTreeSection, DrawnDetectionTree, DrawnInspection, HotlineSection,
    InspectionSection,
};

/// A statement that is not a number (a method, a form), with its source and mark.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Choice<T> {
    /// The choice.
    pub value: T,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub mark: Mark,
    /// Anything a reader must know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A host taxon and how much it counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HostTaxon {
    /// Genus ("Fraxinus") or species ("Acer negundo"); the longest match wins.
    pub taxon: String,
    /// Relative weight, 0 or more.
    pub weight: f64,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub mark: Mark,
}

/// Everything the model needs to know about one target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TargetProfile {
    /// Version of this layout; 1.
    pub layout: u32,
    /// Short id people type after `--target` ("emerald-ash-borer").
    pub id: String,
    /// Common name.
    pub common_name: String,
    /// Scientific name with author and year where known.
    pub scientific_name: String,
    /// What a reader must know before using the profile.
    pub caution: String,
    /// Host taxa.
    pub hosts: Vec<HostTaxon>,
    /// How traps catch it.
    pub capture: CaptureSection,
    /// How its lure ages.
    pub lure: LureSection,
    /// The five clocks.
    pub clocks: ClocksSection,
    /// Heat and flight.
    pub heat: HeatSection,
    /// What the assurance is about.
    pub design: DesignSection,
    /// Where its traps may hang.
    pub siting: SitingSection,
    /// What looks at trees and other evidence beside traps are worth; absent: they are not counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inspection: Option<InspectionSection>,
    /// How an incursion begins, grows and spreads; only trials lean on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trial: Option<TrialSection>,
}

/// Capture against distance: `p(d) = peak * form(d / reach)`, cumulative over one flight life.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CaptureSection {
    /// The function's form.
    pub form: Choice<crate::capture::Form>,
    /// Reach, metres (1/lambda of the sech; delta; sigma; radius of the disc).
    pub reach_m: Param,
    /// Capture at distance zero, 0 to 1.
    pub peak: Param,
}

/// The lure device and its ageing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LureSection {
    /// The device's kinetics.
    pub kind: Choice<crate::lure::Kinetics>,
    /// Zero-order: rated days at the reference temperature. First-order: half-life in days there.
    pub life_days: Param,
    /// Reference temperature, degrees Celsius.
    pub reference_c: Param,
    /// Factor by which release rises per 10 degrees.
    pub q10: Param,
    /// Exponent of potency on release rate.
    pub beta: Param,
    /// How much hotter than air the device runs, degrees.
    pub sun_offset_c: Param,
    /// Change no later than this, whatever the heat says, days.
    pub nominal_max_days: Param,
}

/// One clock's three ages in days.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockDays {
    /// Planned renewal, days.
    pub nominal_days: f64,
    /// Shown as overdue from here, days; full effect up to here.
    pub warning_days: f64,
    /// No effect from here on, days.
    pub failed_days: f64,
    /// Where it comes from.
    pub source: String,
    /// How it is known.
    pub mark: Mark,
}

/// The five clocks a visit may renew.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClocksSection {
    /// The look itself.
    pub look: ClockDays,
    /// The lure's calendar life (heat is in [`LureSection`]).
    pub lure: ClockDays,
    /// The sticky insert; absent for a trap that has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub insert: Option<ClockDays>,
    /// The killing agent or fluid; absent for a trap that has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub killing_agent: Option<ClockDays>,
    /// The trap body.
    pub body: ClockDays,
}

/// When flight happens, in the target's own heat units.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
#[allow(
    clippy::large_enum_variant,
    reason = "a handful exist in a run; boxes would only clutter its use"
)]
pub enum FlightSection {
    /// One flight a year between two heat sums, peaking at a third (degree-days C from the start date).
    HeatSumWindow {
        /// First adults.
        start_dd: Param,
        /// Peak flight.
        peak_dd: Param,
        /// Last adults.
        end_dd: Param,
    },
    /// Overlapping generations: flight on a day is in proportion to its heat above the flight threshold.
    TemperatureDriven {
        /// No flight while the day's maximum stays below this, degrees Celsius.
        threshold_c: Param,
    },
}

/// Degree-day rule, generations and flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeatSection {
    /// Degree-day method, with which the sums below were fitted.
    pub method: Choice<crate::degree_days::Method>,
    /// Upper cut-off rule.
    pub cutoff: Choice<crate::degree_days::Cutoff>,
    /// Lower threshold, degrees Celsius.
    pub lower_c: Param,
    /// Upper threshold, degrees Celsius; absent when none was fitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upper_c: Option<Param>,
    /// Month and day on which the sum starts ("01-01"; northern hemisphere).
    pub start: Choice<String>,
    /// Degree-days C of one generation; absent where life is counted in years.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub generation_dd: Option<Param>,
    /// When adults fly.
    pub flight: FlightSection,
}

/// The incursion the programme wants to be able to see.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DesignSection {
    /// Flyers of the design incursion over the season (N).
    pub flyers: Param,
    /// Screening sensitivity: share of caught targets that are seen and named (s).
    pub screening: Param,
    /// Share of effort credited to a trap found impaired or looked at only in part, 0 to 1.
    pub impaired_share: Param,
    /// Probability, before any trapping, that the target is present (per zone).
    pub prior_infested: Param,
    /// Probability of a new introduction per year (per zone).
    pub introduction_per_year: Param,
}

/// Where a trap may hang in relation to hosts and other traps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SitingSection {
    /// Least distance from a healthy host, metres.
    pub standoff_min_m: Param,
    /// Greatest distance from the nearest host, metres.
    pub standoff_max_m: Param,
    /// Least distance between two traps for this target, metres.
    pub spacing_m: Param,
}

impl TargetProfile {
    /// Reads and checks a profile.
    ///
    /// # Errors
    /// TOML that does not parse, an unknown or missing field, a distribution or value out of its range.
    pub fn from_toml(text: &str) -> Result<Self, ModelError> {
        let profile: TargetProfile = toml::from_str(text).map_err(|e| ModelError::Profile(e.to_string()))?;
        profile.check()?;
        Ok(profile)
    }

    /// The profile as TOML, to be edited and brought back.
    ///
    /// # Errors
    /// Values that TOML cannot hold.
    pub fn to_toml(&self) -> Result<String, ModelError> {
        toml::to_string_pretty(self).map_err(|e| ModelError::Profile(e.to_string()))
    }

    /// Relative weight of a host: that of the longest taxon on the list that begins its name, whatever the case. A
    /// genus stands for all its species; what is not on the list weighs 0.
    pub fn host_weight(&self, species: &str) -> f64 {
        let name = words(species);
        self.hosts
            .iter()
            .map(|host| (words(&host.taxon), host.weight))
            .filter(|(taxon, _)| !taxon.is_empty() && name.starts_with(taxon))
            .max_by_key(|(taxon, _)| taxon.len())
            .map_or(0.0, |(_, weight)| weight)
    }

    /// A sentence for each parameter whose figure must not be leaned on without knowing how it came about.
    pub fn warnings(&self) -> Vec<String> {
        let mut told: Vec<String> = self
            .params()
            .into_iter()
            .filter(|entry| entry.param.mark.needs_warning())
            .map(|entry| {
                let Param { unit, mark, note, .. } = entry.param;
                sentence(&format!("{} ({unit})", entry.what), *mark, note.as_deref())
            })
            .collect();
        let mut choice = |what: &str, mark: Mark, note: &Option<String>| {
            if mark.needs_warning() {
                told.push(sentence(what, mark, note.as_deref()));
            }
        };
        choice(
            "form of capture against distance",
            self.capture.form.mark,
            &self.capture.form.note,
        );
        choice("kind of lure", self.lure.kind.mark, &self.lure.kind.note);
        choice("degree-day method", self.heat.method.mark, &self.heat.method.note);
        choice("upper cut-off", self.heat.cutoff.mark, &self.heat.cutoff.note);
        choice(
            "start of the heat sum",
            self.heat.start.mark,
            &self.heat.start.note,
        );
        for (what, clock) in self.clocks.all() {
            choice(&format!("clock of the {what}"), clock.mark, &None);
        }
        let unsure: Vec<&str> = self
            .hosts
            .iter()
            .filter(|h| h.mark.needs_warning())
            .map(|h| h.taxon.as_str())
            .collect();
        if !unsure.is_empty() {
            told.push(format!(
                "Host weights of {} rest on no published figure (marked from memory, or to be set by the programme).",
                unsure.join(", ")
            ));
        }
        told
    }

    /// As [`TargetProfile::warnings`], for what inspections are worth: told only where a figure leans on them.
    pub fn inspection_warnings(&self) -> Vec<String> {
        let Some(section) = &self.inspection else {
            return Vec::new();
        };
        let mut told: Vec<String> = section
            .params()
            .into_iter()
            .filter(|entry| entry.param.mark.needs_warning())
            .map(|entry| {
                let Param { unit, mark, note, .. } = entry.param;
                sentence(&format!("{} ({unit})", entry.what), *mark, note.as_deref())
            })
            .collect();
        if let Some(parts) = section.signs_on.as_ref().filter(|p| p.mark.needs_warning()) {
            told.push(sentence(
                "parts of the tree on which signs are looked for",
                parts.mark,
                parts.note.as_deref(),
            ));
        }
        told
    }

    /// All of [`TargetProfile::warnings`] in one sentence that names the figures only; `None` when there is nothing to
    /// warn of.
    pub fn warning_summary(&self) -> Option<String> {
        let told = self.warnings();
        let name = |sentence: &String| match sentence.split_once(": ") {
            Some((name, _)) => uncapitalised(name),
            None => "host weights".to_owned(),
        };
        let names: Vec<String> = told.iter().map(name).collect();
        (!names.is_empty()).then(|| {
            format!(
                "{} figures for {} have no published source at hand or are quoted from memory; check them before leaning on this: {}.",
                names.len(),
                uncapitalised(&self.common_name),
                names.join("; ")
            )
        })
    }

    /// The model's parameters at their central values.
    ///
    /// # Errors
    /// A profile that would not pass the check on reading.
    pub fn central(&self) -> Result<DrawnParams, ModelError> {
        self.params_from(&mut |param, legal| clamp(param.central(), legal))
    }

    /// One draw of the model's parameters, each from its own distribution, independently, always in the same order.
    ///
    /// A draw outside a parameter's legal range (a capture above 1, a life below 0) is pulled to the nearest end of
    /// that range; so are an upper threshold below the lower and heat sums out of order. Wide distributions near an
    /// end therefore pile up a little there: choose a distribution whose own range is legal (PERT, beta) to avoid it.
    ///
    /// # Errors
    /// A profile that would not pass the check on reading.
    pub fn drawn<R: Rng + ?Sized>(&self, rng: &mut R) -> Result<DrawnParams, ModelError> {
        self.params_from(&mut |param, legal| clamp(param.dist.draw(rng), legal))
    }

    fn params_from(&self, value: &mut dyn FnMut(&Param, &Legal) -> f64) -> Result<DrawnParams, ModelError> {
        let capture = Capture::new(
            self.capture.form.value,
            value(&self.capture.reach_m, &REACH),
            value(&self.capture.peak, &SHARE),
        )?;
        let lure = Lure {
            kinetics: self.lure.kind.value,
            life_days: value(&self.lure.life_days, &LIFE),
            reference_c: value(&self.lure.reference_c, &TEMPERATURE),
            q10: value(&self.lure.q10, &Q10),
            beta: value(&self.lure.beta, &BETA),
            sun_offset_c: value(&self.lure.sun_offset_c, &OFFSET),
        }
        .checked()?;
        let lure_nominal_max_days = value(&self.lure.nominal_max_days, &LIFE);
        let lower_c = value(&self.heat.lower_c, &TEMPERATURE);
        let upper_c = self
            .heat
            .upper_c
            .as_ref()
            .map(|p| value(p, &TEMPERATURE).max(lower_c + LEAST_GAP_C));
        let heat = HeatModel {
            rule: Rule::new(self.heat.method.value, self.heat.cutoff.value, lower_c, upper_c)?,
            start: MonthDay::parse(&self.heat.start.value)?,
        };
        let generation_dd = self.heat.generation_dd.as_ref().map(|p| value(p, &GENERATION));
        let flight = match &self.heat.flight {
            FlightSection::HeatSumWindow {
                start_dd,
                peak_dd,
                end_dd,
            } => {
                let start_dd = value(start_dd, &SUM);
                let peak_dd = value(peak_dd, &SUM).max(start_dd);
                let end_dd = value(end_dd, &SUM).max(peak_dd).max(start_dd + LEAST_WINDOW_DD);
                FlightCurve::HeatSumWindow {
                    heat,
                    window: HeatWindow {
                        start_dd,
                        peak_dd,
                        end_dd,
                    }
                    .checked()?,
                }
            }
            FlightSection::TemperatureDriven { threshold_c } => FlightCurve::TemperatureDriven {
                start: heat.start,
                threshold_c: value(threshold_c, &TEMPERATURE),
            },
        };
        Ok(DrawnParams {
            capture,
            lure,
            lure_nominal_max_days,
            heat,
            generation_dd,
            flight,
            flyers: value(&self.design.flyers, &FLYERS),
            screening: value(&self.design.screening, &SHARE),
            impaired_share: value(&self.design.impaired_share, &SHARE),
            prior_infested: value(&self.design.prior_infested, &SHARE),
            introduction_per_year: value(&self.design.introduction_per_year, &SHARE),
            // The last to be drawn: the figures of traps stay as they are, with the section or without.
            inspection: self.inspection.as_ref().map(|i| i.drawn(value)),
        })
    }

    /// Every uncertain parameter with its name in plain words; those of inspections apart, in
    /// [`InspectionSection::parameters`].
    pub fn parameters(&self) -> Vec<(&'static str, &Param)> {
        self.params()
            .into_iter()
            .map(|entry| (entry.what, entry.param))
            .collect()
    }

    /// Every parameter with its name in plain words and its legal range.
    fn params(&self) -> Vec<Entry<'_>> {
        let mut all = Vec::new();
        let mut add = |what, param, legal| all.push(Entry { what, param, legal });
        add("capture reach", &self.capture.reach_m, &REACH);
        add("capture at distance zero", &self.capture.peak, &SHARE);
        add("lure life", &self.lure.life_days, &LIFE);
        add("lure reference temperature", &self.lure.reference_c, &TEMPERATURE);
        add("lure Q10", &self.lure.q10, &Q10);
        add("exponent of lure potency", &self.lure.beta, &BETA);
        add("lure's warmth above the air", &self.lure.sun_offset_c, &OFFSET);
        add("longest a lure may hang", &self.lure.nominal_max_days, &LIFE);
        add("lower temperature threshold", &self.heat.lower_c, &TEMPERATURE);
        if let Some(upper) = &self.heat.upper_c {
            add("upper temperature threshold", upper, &TEMPERATURE);
        }
        if let Some(generation) = &self.heat.generation_dd {
            add("heat of one generation", generation, &GENERATION);
        }
        match &self.heat.flight {
            FlightSection::HeatSumWindow {
                start_dd,
                peak_dd,
                end_dd,
            } => {
                add("heat sum at first flight", start_dd, &SUM);
                add("heat sum at peak flight", peak_dd, &SUM);
                add("heat sum at last flight", end_dd, &SUM);
            }
            FlightSection::TemperatureDriven { threshold_c } => {
                add("flight threshold", threshold_c, &TEMPERATURE);
            }
        }
        add("flyers of the design incursion", &self.design.flyers, &FLYERS);
        add("screening sensitivity", &self.design.screening, &SHARE);
        add(
            "effort credited to an impaired trap",
            &self.design.impaired_share,
            &SHARE,
        );
        add(
            "probability of presence before trapping",
            &self.design.prior_infested,
            &SHARE,
        );
        add(
            "introductions per year",
            &self.design.introduction_per_year,
            &SHARE,
        );
        add(
            "least distance from a healthy host",
            &self.siting.standoff_min_m,
            &DISTANCE,
        );
        add(
            "greatest distance from a host",
            &self.siting.standoff_max_m,
            &DISTANCE,
        );
        add("least distance between traps", &self.siting.spacing_m, &DISTANCE);
        all
    }

    fn check(&self) -> Result<(), ModelError> {
        if self.layout != LAYOUT {
            return refuse(format!(
                "layout {} is not known; this version reads layout {LAYOUT}",
                self.layout
            ));
        }
        if !is_kebab_case(&self.id) {
            return refuse(format!(
                "id \"{}\" must be lower-case words joined by single hyphens",
                self.id
            ));
        }
        for (what, text) in [
            ("common_name", &self.common_name),
            ("scientific_name", &self.scientific_name),
            ("caution", &self.caution),
        ] {
            if text.trim().is_empty() {
                return refuse(format!("{what} is empty"));
            }
        }
        self.params().iter().try_for_each(Entry::check)?;
        self.inspection
            .as_ref()
            .map_or(Ok(()), InspectionSection::check)?;
        self.trial.as_ref().map_or(Ok(()), TrialSection::check)?;
        self.check_hosts()?;
        for (what, clock) in self.clocks.all() {
            Clock::try_from(clock).map_err(|e| ModelError::Profile(format!("clock of the {what}: {e}")))?;
            named_source(what, &clock.source)?;
        }
        let (near, far) = (&self.siting.standoff_min_m, &self.siting.standoff_max_m);
        if near.central() > far.central() {
            return refuse(
                "the least distance from a healthy host is above the greatest from any host".into(),
            );
        }
        self.check_heat()?;
        self.central().map(drop).map_err(|e| match e {
            same @ ModelError::Profile(_) => same,
            other => ModelError::Profile(other.to_string()),
        })
    }

    /// The draws are put in order; the central values must be in order by themselves.
    fn check_heat(&self) -> Result<(), ModelError> {
        if let Some(upper) = &self.heat.upper_c
            && upper.central() <= self.heat.lower_c.central()
        {
            return refuse("the upper temperature threshold is not above the lower".into());
        }
        if let FlightSection::HeatSumWindow {
            start_dd,
            peak_dd,
            end_dd,
        } = &self.heat.flight
        {
            HeatWindow {
                start_dd: start_dd.central(),
                peak_dd: peak_dd.central(),
                end_dd: end_dd.central(),
            }
            .checked()
            .map_err(|e| ModelError::Profile(e.to_string()))?;
        }
        Ok(())
    }

    fn check_hosts(&self) -> Result<(), ModelError> {
        for (i, host) in self.hosts.iter().enumerate() {
            let taxon = words(&host.taxon);
            if taxon.is_empty() {
                return refuse("a host has no taxon".into());
            }
            if !host.weight.is_finite() || host.weight < 0.0 {
                return refuse(format!(
                    "weight of host {} is {}; it must be 0 or more",
                    host.taxon, host.weight
                ));
            }
            if self.hosts[..i].iter().any(|other| words(&other.taxon) == taxon) {
                return refuse(format!("host {} is listed twice", host.taxon));
            }
            named_source(&host.taxon, &host.source)?;
        }
        if self.hosts.iter().all(|h| h.weight <= 0.0) {
            return refuse("no host has a weight above 0".into());
        }
        Ok(())
    }
}

impl ClocksSection {
    /// The clocks there are, each with the name of what it measures.
    pub fn all(&self) -> Vec<(&'static str, &ClockDays)> {
        let mut all = vec![("look", &self.look), ("lure", &self.lure)];
        all.extend(self.insert.iter().map(|c| ("insert", c)));
        all.extend(self.killing_agent.iter().map(|c| ("killing agent", c)));
        all.push(("body", &self.body));
        all
    }
}

/// The model's parameters as plain numbers: one draw, or the central values. All lie in their legal ranges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnParams {
    /// Capture against distance.
    pub capture: Capture,
    /// The lure.
    pub lure: Lure,
    /// A lure is changed no later than this, days.
    pub lure_nominal_max_days: f64,
    /// Degree-day rule and start.
    pub heat: HeatModel,
    /// Degree-days C of one generation, where one is known.
    pub generation_dd: Option<f64>,
    /// Flight over the season.
    pub flight: FlightCurve,
    /// Flyers of the design incursion over the season.
    pub flyers: f64,
    /// Share of caught targets that are seen and named, 0 to 1.
    pub screening: f64,
    /// Share of effort credited to an impaired or partly looked-at trap, 0 to 1.
    pub impaired_share: f64,
    /// Probability of presence before trapping, per zone, 0 to 1.
    pub prior_infested: f64,
    /// Probability of a new introduction per year, per zone, 0 to 1.
    pub introduction_per_year: f64,
    /// What looks at trees and other evidence beside traps are worth, where the profile says so.
    pub inspection: Option<DrawnInspection>,
}

const LAYOUT: u32 = 1;
/// Least distance kept between drawn thresholds, degrees.
const LEAST_GAP_C: f64 = 0.1;
/// Least width kept in a drawn flight window, degree-days.
const LEAST_WINDOW_DD: f64 = 1.0;

type Legal = RangeInclusive<f64>;

// Ranges are those in which the formulas mean something, wide enough for any insect; they are guards, not biology.
const SHARE: Legal = 0.0..=1.0;
const REACH: Legal = 0.1..=100_000.0;
const LIFE: Legal = 0.5..=3_660.0;
const TEMPERATURE: Legal = -40.0..=60.0;
const Q10: Legal = 0.1..=50.0;
const BETA: Legal = 0.0..=5.0;
const OFFSET: Legal = -10.0..=40.0;
const GENERATION: Legal = 1.0..=20_000.0;
const SUM: Legal = 0.0..=20_000.0;
const FLYERS: Legal = 0.0..=1e9;
const DISTANCE: Legal = 0.0..=100_000.0;

fn clamp(value: f64, legal: &Legal) -> f64 {
    value.clamp(*legal.start(), *legal.end())
}

/// One parameter on the way through a check.
struct Entry<'a> {
    what: &'static str,
    param: &'a Param,
    legal: &'static Legal,
}

impl Entry<'_> {
    fn check(&self) -> Result<(), ModelError> {
        let Entry { what, param, legal } = self;
        param
            .dist
            .check()
            .map_err(|e| ModelError::Profile(format!("{what}: {e}")))?;
        // Distributions without ends are judged by their middle; what a draw brings beyond the range is clamped.
        let known = match param.dist {
            Dist::Uniform { low, high } | Dist::Pert { low, high, .. } => [low, high],
            _ => [param.central(); 2],
        };
        if let Some(value) = known.into_iter().find(|v| !legal.contains(v)) {
            return refuse(format!(
                "{what} is {value}; it must be between {} and {}",
                legal.start(),
                legal.end()
            ));
        }
        if param.unit.trim().is_empty() {
            return refuse(format!("{what} has no unit"));
        }
        named_source(what, &param.source)
    }
}

fn refuse<T>(why: String) -> Result<T, ModelError> {
    Err(ModelError::Profile(why))
}

fn named_source(what: &str, source: &str) -> Result<(), ModelError> {
    if source.trim().is_empty() {
        return refuse(format!(
            "{what} names no source; write \"none\" where there is none"
        ));
    }
    Ok(())
}

fn uncapitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map(|c| c.to_lowercase().to_string())
        .unwrap_or_default()
        + chars.as_str()
}

fn sentence(what: &str, mark: Mark, note: Option<&str>) -> String {
    let mut chars = what.chars();
    let first = chars
        .next()
        .map(|c| c.to_uppercase().to_string())
        .unwrap_or_default();
    let mut told = format!("{first}{}: {}.", chars.as_str(), mark.words());
    if let Some(note) = note {
        told.push(' ');
        told.push_str(note);
        if !note.ends_with(['.', '!', '?']) {
            told.push('.');
        }
    }
    told
}

/// The words of a name in lower case, the hybrid sign left out ("Platanus × hispanica", "Platanus x hispanica").
fn words(name: &str) -> Vec<String> {
    name.split_whitespace()
        .map(|w| w.trim_start_matches('×').to_lowercase())
        .filter(|w| !w.is_empty() && w != "x")
        .collect()
}

fn is_kebab_case(id: &str) -> bool {
    id.split('-')
        .all(|word| !word.is_empty() && word.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit()))
}

/// The profiles that come with the program, as text: a starting point for a programme's own.
pub const SHIPPED_TOML: [&str; 7] = [
    include_str!("../../../targets/polyphagous-shot-hole-borer.toml"),
    include_str!("../../../targets/emerald-ash-borer.toml"),
    include_str!("../../../targets/asian-longhorned-beetle.toml"),
    include_str!("../../../targets/walnut-twig-beetle.toml"),
    include_str!("../../../targets/spongy-moth.toml"),
    include_str!("../../../targets/japanese-beetle.toml"),
    include_str!("../../../targets/mediterranean-fruit-fly.toml"),
];

static SHIPPED: LazyLock<Vec<TargetProfile>> = LazyLock::new(|| {
    SHIPPED_TOML
        .iter()
        // They are part of the build and every one is read by the tests, so this cannot fail on a user's machine.
        .map(|text| TargetProfile::from_toml(text).expect("a shipped profile is read by the tests"))
        .collect()
});

/// The profiles that come with the program.
pub fn shipped() -> &'static [TargetProfile] {
    &SHIPPED
}

/// The shipped profile with this id.
///
/// # Errors
/// No such profile; the message lists those there are.
pub fn by_id(id: &str) -> Result<&'static TargetProfile, ModelError> {
    shipped().iter().find(|p| p.id == id).ok_or_else(|| {
        let ids: Vec<&str> = shipped().iter().map(|p| p.id.as_str()).collect();
        ModelError::Profile(format!(
            "there is no target \"{id}\"; there are {}",
            ids.join(", ")
        ))
    })
}
