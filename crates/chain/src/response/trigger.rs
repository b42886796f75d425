//! What the programme's protocol says of the confirmed finds.

use earlywood_geodata::geodesic_m;
use earlywood_journal::{Programme, ResponseOpened};
use earlywood_model::protocol::Generation;
use earlywood_model::record::Position;
use earlywood_model::trigger::{Fired, Found, generations_at};
use jiff::civil::Date;
use serde::Serialize;

use super::case::{Case, Find};
use crate::error::ChainError;
use crate::{Notes, weather};

/// A rule that the finds meet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Met {
    /// The rule's id.
    pub rule: String,
    /// What it sets off.
    pub sets_off: String,
    /// The finds that meet it.
    pub finds: Vec<String>,
    /// Why, in words.
    pub why: String,
}

/// What the protocol proposes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposed {
    /// Rules met.
    pub met: Vec<Met>,
    /// Rules that would be met if what nobody looked at turned out so: what to look at now.
    pub nearly: Vec<Met>,
    /// Finds that set something off, alone or with others: a regulated area is drawn round these.
    pub epicentres: Vec<String>,
    /// Distance of each find to the nearest commercial hosts, metres, where the programme knows any.
    pub commercial_host_m: Vec<Option<f64>>,
    /// Worth knowing.
    pub notes: Notes,
}

/// What the adopted protocol sets off on the finds of a case.
///
/// # Errors
/// No protocol; weather that does not cover the finds where generations are counted by heat; a find that makes no sense.
pub fn propose(programme: &Programme, case: &Case) -> Result<Proposed, ChainError> {
    let protocol = case.protocol()?;
    let mut notes = protocol.warnings();
    let commercial: Vec<Position> = programme
        .pathways()?
        .into_iter()
        .filter(|p| protocol.commercial_pathways.contains(&p.kind))
        .map(|p| p.position)
        .collect();
    if commercial.is_empty()
        && protocol
            .trigger
            .rules
            .iter()
            .any(|rule| rule.commercial.is_some())
    {
        notes.push(
            "rules ask for the distance to commercial hosts, and no pathway of those kinds is loaded: it counts as unknown".into(),
        );
    }
    let placed: Vec<(&Find, Position)> = case.finds.iter().filter_map(|f| Some((f, f.position?))).collect();
    let generations = generations(programme, case, &mut notes)?;
    let mut found = Vec::with_capacity(placed.len());
    for (find, at) in &placed {
        let nearest = commercial.iter().map(|host| geodesic_m(*at, *host));
        found.push(Found {
            at: case.point(*at),
            date: find.taken,
            generations: generations(find.taken)?,
            count: find.count,
            stage: find.stage,
            sex: find.sex,
            mated: find.mated,
            commercial_host_m: nearest.min_by(f64::total_cmp),
        });
    }
    let outcome = protocol.trigger.evaluate(&found)?;
    let meets = protocol.trigger.meeting(&found)?;
    let epicentres = placed
        .iter()
        .zip(meets)
        .filter(|(_, meets)| *meets)
        .map(|((find, _), _)| find.label.clone())
        .collect();
    let told = |fired: Vec<Fired>| -> Vec<Met> {
        let one = |f: Fired| Met {
            rule: protocol.trigger.rules[f.rule].id.clone(),
            sets_off: protocol.trigger.rules[f.rule].sets_off.clone(),
            finds: f.finds.iter().map(|i| placed[*i].0.label.clone()).collect(),
            why: f.why,
        };
        fired.into_iter().map(one).collect()
    };
    Ok(Proposed {
        met: told(outcome.fired),
        nearly: told(outcome.nearly),
        epicentres,
        commercial_host_m: found.iter().map(|f| f.commercial_host_m).collect(),
        notes,
    })
}

/// The entry that opens a response: the protocol that holds, and what it sets off as far as is known.
///
/// # Errors
/// As [`propose`].
pub fn opening(programme: &Programme, case: &Case, reason: &str) -> Result<ResponseOpened, ChainError> {
    case.protocol()?;
    let protocol = case.protocol_entry.ok_or_else(|| {
        ChainError::asked(
            "protocol",
            format!("no protocol is adopted for {}", case.profile.id),
        )
    })?;
    let proposed = propose(programme, case)?;
    let said = |m: &Met| format!("{}: {}", m.rule, m.sets_off);
    Ok(ResponseOpened {
        find: case.find.clone(),
        target: case.profile.id.clone(),
        protocol,
        set_off: proposed.met.iter().map(said).collect(),
        reason: reason.to_owned(),
    })
}

/// Generations since a fixed day, as the protocol counts them.
type Counted = Box<dyn Fn(Date) -> Result<f64, ChainError>>;

fn generations(programme: &Programme, case: &Case, notes: &mut Notes) -> Result<Counted, ChainError> {
    match &case.protocol()?.generation {
        Generation::Years { years } => {
            let years = years.central();
            Ok(Box::new(move |date| {
                let days = Date::constant(2000, 1, 1).until(date)?.get_days();
                Ok(f64::from(days) / 365.25 / years)
            }))
        }
        Generation::Heat { degree_days } => {
            let series = weather::series(programme, case.station.as_deref(), notes)?;
            let heat = case.profile.central()?.heat;
            let length = degree_days.central();
            Ok(Box::new(move |date| {
                Ok(generations_at(&heat, &series, date, length)?)
            }))
        }
    }
}
