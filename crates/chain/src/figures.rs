//! Targets, and how sure we are that each is absent: every figure with what it rests on.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_journal::Programme;
use earlywood_model::assurance::{self, Cause, ComponentKind};
use earlywood_model::param::Param;
use earlywood_model::profile::{self, TargetProfile};
use jiff::civil::Date;
use serde::Serialize;

use crate::Notes;
use crate::desk::{Answered, Desk};
use crate::error::ChainError;
use crate::view::{Band, word};
use crate::wording::{component_words, sentence};

/// Next visits listed for each zone.
const LISTED: usize = 20;

/// One assumption behind the figures.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Assumption {
    /// The parameter.
    pub name: String,
    /// What a reader must know of it.
    pub words: String,
    /// Its value with its distribution.
    pub value: String,
    /// Its unit.
    pub unit: String,
    /// Where it comes from.
    pub source: String,
    /// How it is known: read, calculated, from-memory, common-practice or set-by-programme.
    pub confidence: String,
}

/// A target.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Target {
    /// Its id.
    pub id: String,
    /// Common name.
    pub common_name: String,
    /// Scientific name.
    pub scientific_name: String,
    /// The programme has adopted it.
    pub adopted: bool,
    /// What a reader must know.
    pub caution: String,
    /// Traps that hang for it now.
    pub traps_out: usize,
    /// What the figures rest on.
    pub assumptions: Vec<Assumption>,
    /// Parameters that must not be leaned on without knowing how they came about.
    pub warnings: Vec<String>,
}

/// Every target: those adopted first, then the profiles that ship.
///
/// # Errors
/// A programme that can't be read.
pub fn targets(programme: &Programme) -> Result<Vec<Target>, ChainError> {
    let mut out: BTreeMap<String, usize> = BTreeMap::new();
    for trap in programme.hanging()? {
        for id in trap.placement.targets {
            *out.entry(id).or_default() += 1;
        }
    }
    let adopted: Vec<TargetProfile> = programme.profiles()?.into_iter().map(|p| p.profile).collect();
    let known: BTreeSet<&str> = adopted.iter().map(|p| p.id.as_str()).collect();
    let of = |p: &TargetProfile, adopted: bool| Target {
        id: p.id.clone(),
        common_name: p.common_name.clone(),
        scientific_name: p.scientific_name.clone(),
        adopted,
        caution: p.caution.clone(),
        traps_out: out.get(&p.id).copied().unwrap_or(0),
        assumptions: assumptions(p),
        warnings: p.warnings(),
    };
    let mut all: Vec<Target> = adopted.iter().map(|p| of(p, true)).collect();
    all.extend(
        profile::shipped()
            .iter()
            .filter(|p| !known.contains(p.id.as_str()))
            .map(|p| of(p, false)),
    );
    Ok(all)
}

/// Every parameter of a profile, as a reader sees it.
pub fn assumptions(profile: &TargetProfile) -> Vec<Assumption> {
    rows(profile.parameters())
}

/// The same of what inspections are worth: only of interest where figures lean on them.
pub fn inspection_assumptions(profile: &TargetProfile) -> Vec<Assumption> {
    rows(
        profile
            .inspection
            .as_ref()
            .map_or_else(Vec::new, |i| i.parameters()),
    )
}

fn rows(parameters: Vec<(&'static str, &Param)>) -> Vec<Assumption> {
    parameters
        .into_iter()
        .map(|(name, p)| Assumption {
            name: name.into(),
            words: p.note.clone().unwrap_or_else(|| p.mark.words().into()),
            value: p.dist.to_string(),
            unit: p.unit.clone(),
            source: p.source.clone(),
            confidence: word(&p.mark),
        })
        .collect()
}

/// One period of a zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Period {
    /// First day.
    pub from: Date,
    /// Last day, included.
    pub to: Date,
    /// Share of the year's flight in it.
    pub flight_share: f64,
    /// Sensitivity from the season's start to its end.
    pub sensitivity: Band,
    /// Probability of absence after it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_free: Option<Band>,
}

/// What one cause took away.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Loss {
    /// The cause.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub cause: Cause,
    /// In plain words.
    pub words: String,
    /// Sensitivity lost, 0 to 1.
    pub points: f64,
}

/// A visit that would add to the figure.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct NextVisit {
    /// The trap.
    pub trap: String,
    /// Where it hangs.
    pub place: String,
    /// Sensitivity that a full look would add.
    pub from_look: f64,
    /// Sensitivity at the season's end that renewing lure and parts would add.
    pub from_renewal: f64,
    /// Last full look.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_look: Option<Date>,
    /// Days of effort that wait for a look.
    pub waiting_trap_days: f64,
}

/// What one kind of evidence would say of a zone by itself.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Component {
    /// traps, inspections, detection-trees or hotline.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub kind: ComponentKind,
    /// In plain English words.
    pub words: String,
    /// Sensitivity to date.
    pub sensitivity: Band,
    /// Probability of absence to date by this alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_free: Option<Band>,
    /// Traps, trees looked at, detection trees, or days of silence.
    pub units: usize,
    /// Looks among them that were made beside a trap in the same week.
    pub beside_traps: usize,
    /// Share of the zone's risk that it speaks of.
    pub weight: f64,
}

impl From<&assurance::Component> for Component {
    fn from(c: &assurance::Component) -> Self {
        Component {
            kind: c.kind,
            words: component_words(c),
            sensitivity: c.sensitivity.into(),
            p_free: c.p_free.map(Band::from),
            units: c.units,
            beside_traps: c.beside_traps,
            weight: c.weight,
        }
    }
}

/// One zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ZoneAssurance {
    /// Its label.
    pub zone: String,
    /// Day of the first confirmed find.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub found_on: Option<Date>,
    /// The sentence a lead can say aloud, in English.
    pub sentence: String,
    /// Sensitivity to date.
    pub sensitivity: Band,
    /// Probability of absence to date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_free: Option<Band>,
    /// What each kind of evidence would say alone; empty where the traps stand alone.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub components: Vec<Component>,
    /// The series over the season.
    pub periods: Vec<Period>,
    /// Share of the risk within reach of a trap.
    pub covered_weight: f64,
    /// Cells with weight.
    pub cells: usize,
    /// Placements that hung in the season.
    pub placements: usize,
    /// Days traps hung.
    pub calendar_trap_days: f64,
    /// Days' worth of working, baited, looked-at trap.
    pub effective_trap_days: f64,
    /// The same that still waits for a look.
    pub waiting_trap_days: f64,
    /// What cost most, largest first.
    pub losses: Vec<Loss>,
    /// What all causes together took away.
    pub lost_in_all: f64,
    /// Next visits, those that add most first.
    pub next_visits: Vec<NextVisit>,
}

/// The answer to "is it here, and how sure are we?".
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Assurance {
    /// The target.
    pub target: String,
    /// Its common name.
    pub common_name: String,
    /// Its scientific name.
    pub scientific_name: String,
    /// What a reader must know.
    pub caution: String,
    /// The day asked about.
    pub on: Date,
    /// First day of the season.
    pub season_from: Date,
    /// Last day of the season.
    pub season_to: Date,
    /// Flyers of the design incursion.
    pub flyers: f64,
    /// Draws behind the bands.
    pub draws: u32,
    /// Their seed.
    pub seed: u64,
    /// Share of the year's flight so far.
    pub flight_to_date: Band,
    /// Stops that took suspects which nobody has determined yet.
    pub open_suspects: usize,
    /// One a zone.
    pub zones: Vec<ZoneAssurance>,
    /// What the figures rest on.
    pub assumptions: Vec<Assumption>,
    /// What must be known before leaning on them.
    pub warnings: Vec<String>,
    /// Worth knowing besides.
    pub notes: Notes,
}

/// How the question is put.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Asked {
    /// Target id.
    pub target: String,
    /// The day.
    pub on: Date,
    /// Draws behind the bands, 1 to 5 000.
    pub draws: u32,
    /// One zone only.
    pub zone: Option<String>,
    /// Weather station; the only one where none is named.
    pub station: Option<String>,
}

/// Most draws a caller may ask for: a thousand are usual for a report, and everybody shares the processor.
const MOST_DRAWS: u32 = 5_000;

/// How sure we are that a target is absent.
///
/// # Errors
/// A day that has not come, a number of draws out of range, a zone that there is not; as [`Desk::answered`].
pub fn assurance(
    desk: &Desk,
    programme: &Programme,
    asked: &Asked,
    today: Date,
) -> Result<Assurance, ChainError> {
    let on = asked.on;
    if on > today {
        return Err(ChainError::asked(
            "on",
            format!("{on} lies in the future; assurance rests on visits made"),
        ));
    }
    if !(1..=MOST_DRAWS).contains(&asked.draws) {
        return Err(ChainError::asked("draws", format!("1 to {MOST_DRAWS} draws")));
    }
    let answered = desk.answered(
        programme,
        &asked.target,
        on,
        asked.draws,
        asked.station.as_deref(),
    )?;
    let wanted = |z: &&assurance::ZoneAssurance| asked.zone.as_ref().is_none_or(|w| *w == z.zone);
    let zones: Vec<ZoneAssurance> = answered
        .answer
        .zones
        .iter()
        .filter(wanted)
        .map(|z| zone_of(z, &answered))
        .collect();
    if let (true, Some(zone)) = (zones.is_empty(), &asked.zone) {
        return Err(ChainError::Unknown {
            what: "zone",
            label: zone.clone(),
        });
    }
    let profile = &answered.profile;
    let mut assumptions = assumptions(profile);
    if zones.iter().any(|z| !z.components.is_empty()) {
        assumptions.extend(inspection_assumptions(profile));
    }
    Ok(Assurance {
        target: profile.id.clone(),
        common_name: profile.common_name.clone(),
        scientific_name: profile.scientific_name.clone(),
        caution: profile.caution.clone(),
        on,
        season_from: answered.season.0,
        season_to: answered.season.1,
        flyers: answered.flyers,
        draws: answered.answer.draws,
        seed: answered.answer.seed,
        flight_to_date: answered.answer.flight_to_date.into(),
        open_suspects: answered.open_suspects,
        zones,
        assumptions,
        warnings: answered.answer.warnings.clone(),
        notes: answered.notes.clone(),
    })
}

const NOTHING: Band = Band {
    median: 0.0,
    p05: 0.0,
    p95: 0.0,
};

fn zone_of(zone: &assurance::ZoneAssurance, answered: &Answered) -> ZoneAssurance {
    let last = zone.periods.last();
    ZoneAssurance {
        zone: zone.zone.clone(),
        found_on: zone.found_on,
        sentence: sentence(zone, &answered.profile.common_name, answered.flyers),
        sensitivity: last.map_or(NOTHING, |p| p.sensitivity.into()),
        p_free: last.and_then(|p| p.p_free).map(Band::from),
        components: zone.components.iter().map(Component::from).collect(),
        periods: zone.periods.iter().map(period_of).collect(),
        covered_weight: zone.covered_weight,
        cells: zone.cells,
        placements: zone.placements,
        calendar_trap_days: zone.calendar_trap_days,
        effective_trap_days: zone.effective_trap_days,
        waiting_trap_days: zone.waiting_trap_days.max(0.0),
        losses: zone
            .losses
            .iter()
            .map(|l| Loss {
                cause: l.cause,
                words: l.cause.words().into(),
                points: l.sensitivity,
            })
            .collect(),
        lost_in_all: zone.lost_in_all,
        next_visits: zone
            .next_visits
            .iter()
            .take(LISTED)
            .map(|v| NextVisit {
                trap: v.label.clone(),
                place: answered.placements[v.placement].place.clone(),
                from_look: v.from_look,
                from_renewal: v.from_renewal,
                last_look: v.last_look,
                waiting_trap_days: v.waiting_trap_days,
            })
            .collect(),
    }
}

fn period_of(p: &assurance::PeriodFigures) -> Period {
    Period {
        from: p.from,
        to: p.to,
        flight_share: p.flight_share,
        sensitivity: p.sensitivity.into(),
        p_free: p.p_free.map(Band::from),
    }
}
