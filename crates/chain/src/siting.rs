//! From ground to a plan: candidate places between the trees, and the best of them.

use std::time::Duration;

use earlywood_geodata::Xy;
use earlywood_geodata::places::Ground as PlaceGround;
use earlywood_geodata::places::{self, Fault, PlaceOptions, PlaceRules};
use earlywood_model::record::{Place, Placement};
use earlywood_planner::siting::{Limit, Objective, Options, Plan, Position, Problem, WeightedCell, solve};

use crate::Notes;
use crate::error::{ChainError, Lack, While as _};
use crate::ground::Ground;

/// Pairs whose capture lies below this share of the peak are left out: together they move no printed digit.
const LEAST_SHARE_OF_PEAK: f64 = 1e-6;

/// A plan proved to within this share of the best possible is proved well enough; choice of design.
const PROVED_GAP: f64 = 0.02;

/// Candidates closer together than this part of the traps' spacing are thinned: choice of design, fine enough that the
/// spacing, not the thinning, binds.
const THINNING: f64 = 0.25;

/// What the plan should make large.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Aim {
    /// The chance that the design incursion is seen.
    #[default]
    Sensitivity,
    /// The weight of the cells that have a trap within the reach.
    Cover,
}

/// What is asked of the siting.
#[derive(Debug, Clone)]
pub struct Request {
    /// How many traps, or how many crew hours.
    pub limit: Limit,
    /// What the plan should make large.
    pub aim: Aim,
    /// Least distance between traps; the profile's where none is given.
    pub spacing_m: Option<f64>,
    /// Use only the programme's own list of places.
    pub own_places_only: bool,
    /// At most so many candidates.
    pub most_candidates: usize,
    /// Places of traps that hang now must stay.
    pub keep_hanging: bool,
    /// Seed of the search.
    pub seed: u64,
    /// How hard to look, in multiples of the usual work.
    pub effort: f64,
    /// Stop after so long with the best plan so far.
    pub time_limit: Option<Duration>,
    /// Work on the bound until the plan is proved to within 2 %, or the effort runs out.
    pub prove: bool,
}

/// A plan with what it was chosen from.
pub struct Sited {
    /// What it was chosen from.
    pub candidates: Vec<Place>,
    /// The planner's answer.
    pub plan: Plan,
    /// Least distance between traps, metres.
    pub spacing_m: f64,
}

impl Sited {
    /// The chosen places.
    pub fn chosen(&self) -> Vec<Place> {
        self.plan
            .chosen
            .iter()
            .map(|&i| self.candidates[i].clone())
            .collect()
    }
}

/// Candidates for the ground: the programme's own places that keep the rules, and spots between the trees.
///
/// # Errors
/// Rules that contradict each other, or no place that keeps them.
pub fn candidates(
    ground: &Ground,
    own: &[Place],
    request: &Request,
    notes: &mut Notes,
) -> Result<Vec<Place>, ChainError> {
    let siting = &ground.profile.siting;
    let spacing_m = request.spacing_m.unwrap_or_else(|| siting.spacing_m.central());
    let (least_m, most_m) = (siting.standoff_min_m.central(), siting.standoff_max_m.central());
    let around = PlaceGround {
        hosts: &ground.hosts,
        land: &ground.land,
        zones: &ground.zones,
    };
    let rules = PlaceRules::new(least_m, most_m, spacing_m * THINNING)?;
    let mut all = own_that_keep_the_rules(own, around, rules, notes);
    if !request.own_places_only {
        let options = PlaceOptions {
            existing: own,
            most: Some(request.most_candidates),
            ..PlaceOptions::default()
        };
        let found = places::find(around, rules, |s| ground.profile.host_weight(s), &options)?;
        notes.extend(found.notes);
        all.extend(found.places);
    }
    if all.is_empty() {
        return Err(Lack::Places { least_m, most_m }.into());
    }
    Ok(all)
}

/// More faults than this are counted, not listed: places made for another target break this one's rules by the dozen.
const MOST_FAULTS_TOLD: usize = 10;

/// The user's own places, less those that break a rule which no plan may break. Each one left out is told with the
/// rule; kept places stay, whatever they break. Two of them near one another are the optimiser's business.
fn own_that_keep_the_rules(
    own: &[Place],
    ground: PlaceGround<'_>,
    rules: PlaceRules,
    notes: &mut Notes,
) -> Vec<Place> {
    let mut out = vec![false; own.len()];
    let mut told = 0;
    for fault in places::check(own, ground, rules) {
        if matches!(fault.fault, Fault::TooNearPlace { .. }) {
            continue;
        }
        let kept = own[fault.index].kept;
        out[fault.index] = !kept;
        told += 1;
        if told <= MOST_FAULTS_TOLD {
            let then = if kept {
                " (kept all the same)"
            } else {
                "; left out"
            };
            notes.push(format!("place {}: {}{then}", fault.label, fault.fault));
        }
    }
    if told > MOST_FAULTS_TOLD {
        let more = told - MOST_FAULTS_TOLD;
        notes.push(format!(
            "{more} more of the programme's places break a rule for this target"
        ));
    }
    own.iter()
        .zip(out)
        .filter(|(_, out)| !out)
        .map(|(p, _)| p.clone())
        .collect()
}

/// Chooses among candidates.
///
/// # Errors
/// Kept places that can't all be kept, or a request the planner refuses.
pub fn choose(
    ground: &Ground,
    candidates: Vec<Place>,
    hanging: &[Placement],
    request: &Request,
) -> Result<Sited, ChainError> {
    let spacing_m = request
        .spacing_m
        .unwrap_or_else(|| ground.profile.siting.spacing_m.central());
    let positions: Vec<_> = candidates.iter().map(|p| p.position).collect();
    let xy: Vec<Position> = ground
        .cells
        .frame
        .to_xy_all(&positions)
        .into_iter()
        .map(position)
        .collect();
    let cells: Vec<WeightedCell> = ground
        .xy
        .iter()
        .zip(ground.shares())
        .map(|(at, weight)| WeightedCell {
            x_m: at.x_m,
            y_m: at.y_m,
            weight,
        })
        .collect();
    let kept: Vec<usize> = (0..candidates.len())
        .filter(|&i| {
            candidates[i].kept
                || (request.keep_hanging && hanging.iter().any(|h| h.place == candidates[i].label))
        })
        .collect();
    let forbidden: Vec<usize> = (0..candidates.len())
        .filter(|&i| candidates[i].forbidden)
        .collect();
    let problem = problem(ground, &cells, &xy, request)?
        .spaced(spacing_m)?
        .kept(&kept)
        .while_doing(|| "places to be kept".into())?
        .forbidden(&forbidden)?
        .costs(candidates.iter().map(|p| p.cost).collect())?;
    let options = Options {
        seed: request.seed,
        effort: request.effort,
        time_limit: request.time_limit,
        prove: request.prove,
        // What --prove promises; without it the effort alone decides.
        target_gap: if request.prove { PROVED_GAP } else { 0.0 },
    };
    let plan = solve(&problem, &options)?;
    Ok(Sited {
        candidates,
        plan,
        spacing_m,
    })
}

fn position(at: Xy) -> Position {
    Position {
        x_m: at.x_m,
        y_m: at.y_m,
    }
}

/// Fresh lures, every visit made: the most the network could see. `S_c = 1 - exp(-s N (1 - exp(-H)))`.
fn problem(
    ground: &Ground,
    cells: &[WeightedCell],
    places: &[Position],
    request: &Request,
) -> Result<Problem, ChainError> {
    let capture = ground.params.capture;
    Ok(match request.aim {
        Aim::Cover => Problem::from_points(
            cells,
            places,
            capture.reach_m(),
            |_| 1.0,
            Objective::Cover,
            request.limit,
        )?,
        Aim::Sensitivity => {
            let cutoff_m = capture.cutoff_m(capture.peak() * LEAST_SHARE_OF_PEAK);
            let flyers = ground.params.flyers * ground.params.screening;
            Problem::from_points(
                cells,
                places,
                cutoff_m,
                |d| capture.hazard(d),
                Objective::Flyers(flyers),
                request.limit,
            )?
        }
    })
}
