//! Target profiles: the biology as data, with a source and a mark on every parameter.
//!
//! A profile is a TOML file. The ones shipped stand in the repository's `targets/` folder and are embedded in the
//! program; a programme may bring its own. Nothing in here is a constant of the code.

use serde::{Deserialize, Serialize};

use crate::error::ModelError;
use crate::param::{Mark, Param};

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

    fn check(&self) -> Result<(), ModelError> {
        Ok(())
    }
}
