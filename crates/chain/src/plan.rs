//! A plan as the journal holds it, and how it gets there.

use earlywood_journal::{Act, LoadMode, Plan, Programme, Receipt};
use earlywood_model::record::Place;
use earlywood_planner::siting::Limit;
use serde_json::{Value, json};

use crate::error::ChainError;
use crate::ground::{Ground, GroundOptions};
use crate::siting::{Aim, Request, Sited};

/// The plan as the journal holds it, with everything needed to make it again.
pub fn entry(
    ground: &Ground,
    sited: &Sited,
    request: &Request,
    options: GroundOptions,
    reason: String,
) -> Plan {
    Plan {
        target: ground.profile.id.clone(),
        places: sited.chosen(),
        objective: sited.plan.objective,
        bound: Some(sited.plan.bound),
        settings: json!({
            "limit": limit_json(request.limit),
            "spacing_m": sited.spacing_m,
            "resolution": ground.cells.resolution,
            "background_risk": options.background_risk,
            "candidates": sited.candidates.len(),
            "own_places_only": request.own_places_only,
            "objective": aim_word(request.aim),
            // As text: the journal holds no whole number beyond what a double holds exactly.
            "seed": request.seed.to_string(),
            "effort": request.effort,
            "prove": request.prove,
            "stopped_early": sited.plan.stopped_early,
            "seconds": sited.plan.seconds,
            "curve": sited.plan.curve,
            "version": env!("CARGO_PKG_VERSION"),
        }),
        reason,
    }
}

/// Writes the target (if the programme has not adopted it), the new places and the plan.
///
/// # Errors
/// What the journal refuses; nothing is written after the first refusal.
pub fn save(
    programme: &mut Programme,
    act: &Act,
    ground: &Ground,
    own: &[Place],
    plan: Plan,
) -> Result<Receipt, ChainError> {
    if !programme.profiles()?.iter().any(|p| p.profile.id == plan.target) {
        programme.adopt_target(act, &ground.profile.to_toml()?)?;
    }
    let new: Vec<Place> = plan
        .places
        .iter()
        .filter(|p| !own.iter().any(|o| o.label == p.label))
        .cloned()
        .collect();
    if !new.is_empty() {
        programme.load_places(act, "earlywood place", LoadMode::Add, &new)?;
    }
    Ok(programme.adopt_plan(act, plan)?)
}

fn limit_json(limit: Limit) -> Value {
    match limit {
        Limit::Count(k) => json!({ "traps": k }),
        Limit::Budget(hours) => json!({ "budget": hours }),
    }
}

/// The word for what a plan makes large.
pub fn aim_word(aim: Aim) -> &'static str {
    match aim {
        Aim::Sensitivity => "sensitivity",
        Aim::Cover => "cover",
    }
}
