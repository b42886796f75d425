//! Plans on the drawing board: made on request, compared, edited, adopted. Nothing here is in the journal until somebody
//! adopts it, with a reason.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use earlywood_journal::{Act, Plan, Programme, Receipt};
use earlywood_model::record::Place;
use earlywood_planner::siting::Limit;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::desk::{Desk, hanging_spots, options_of};
use crate::error::ChainError;
use crate::ground::GroundOptions;
use crate::map::Ends;
use crate::map::tiles::{Figure, TileId};
use crate::network::{Broken, Network, Spot};
use crate::siting::{Aim, Request, Sited, candidates, choose};
use crate::view::Band;
use crate::{Notes, plan};

/// Drafts kept; the one made first goes first. Design choice.
const MOST_DRAFTS: usize = 24;
/// Spots between the trees that a search looks at, as on the command line.
const MOST_CANDIDATES: usize = 20_000;
/// Draws behind a plan's band.
const BAND_DRAWS: u32 = 50;
/// Most work that one caller may ask for, in multiples of the usual.
const MOST_EFFORT: f64 = 20.0;
/// Most traps of one plan.
const MOST_TRAPS: usize = 100_000;

/// Places that are taken as they are.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Hanging {
    /// The traps that hang now.
    Hanging,
}

/// An edited plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Edited {
    /// The draft it was made from.
    #[serde(default)]
    pub from: Option<Uuid>,
    /// Its places.
    pub places: Vec<Spot>,
}

/// No search, but these places.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum AsIs {
    /// The traps that hang now.
    Hanging(Hanging),
    /// These places.
    Edited(Edited),
}

/// What is asked for.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PlanAsk {
    /// Target id.
    pub target: String,
    /// What to call it.
    pub name: Option<String>,
    /// So many traps, kept ones included ...
    pub traps: Option<usize>,
    /// ... or the season's budget, crew hours.
    pub budget: Option<f64>,
    /// What to make large.
    pub aim: Option<Aim>,
    /// Least distance between two traps; the profile's own where absent.
    pub spacing_m: Option<f64>,
    /// Only among the programme's own places.
    pub own_places_only: bool,
    /// Keep every trap of the target that hangs now.
    pub keep_hanging: bool,
    /// How hard to look, in multiples of the usual work.
    pub effort: Option<f64>,
    /// Work on the bound until the plan is proved to within 2 %, or the effort runs out.
    pub prove: bool,
    /// Seed of the search.
    pub seed: Option<u64>,
    /// No search, but places as they are.
    pub as_is: Option<AsIs>,
}

impl PlanAsk {
    /// Whether it can be asked at all.
    ///
    /// # Errors
    /// Neither or both of a number of traps and a budget; a number out of its range.
    pub fn check(&self) -> Result<(), ChainError> {
        if self.target.is_empty() {
            return Err(ChainError::asked("target", "name the target"));
        }
        if let Some(AsIs::Edited(edited)) = &self.as_is {
            return check_spots(&edited.places);
        }
        if self.as_is.is_some() {
            return Ok(());
        }
        match (self.traps, self.budget) {
            (Some(k), None) if (1..=MOST_TRAPS).contains(&k) => {}
            (Some(_), None) => {
                return Err(ChainError::asked("traps", format!("1 to {MOST_TRAPS} traps")));
            }
            (None, Some(hours)) if hours.is_finite() && hours > 0.0 => {}
            (None, Some(_)) => return Err(ChainError::asked("budget", "crew hours, above 0")),
            _ => {
                return Err(ChainError::asked(
                    "traps",
                    "say how many traps, or a budget of crew hours; one of the two",
                ));
            }
        }
        let within = |field, value: Option<f64>, most: f64| match value {
            Some(v) if !(v.is_finite() && (0.0..=most).contains(&v)) => {
                Err(ChainError::asked(field, format!("0 to {most}")))
            }
            _ => Ok(()),
        };
        within("effort", self.effort, MOST_EFFORT)?;
        within("spacing_m", self.spacing_m, 100_000.0)
    }

    fn request(&self) -> Request {
        Request {
            limit: match (self.traps, self.budget) {
                (_, Some(hours)) => Limit::Budget(hours),
                (traps, None) => Limit::Count(traps.unwrap_or(0)),
            },
            aim: self.aim.unwrap_or_default(),
            spacing_m: self.spacing_m,
            own_places_only: self.own_places_only,
            most_candidates: MOST_CANDIDATES,
            keep_hanging: self.keep_hanging,
            seed: self.seed.unwrap_or(1),
            effort: self.effort.unwrap_or(1.0),
            time_limit: None,
            prove: self.prove,
        }
    }
}

fn check_spots(spots: &[Spot]) -> Result<(), ChainError> {
    if spots.len() > MOST_TRAPS {
        return Err(ChainError::asked(
            "places",
            format!("at most {MOST_TRAPS} places"),
        ));
    }
    let mut labels = HashSet::new();
    for spot in spots {
        spot.position()?;
        if spot.label.trim().is_empty() || !labels.insert(spot.label.as_str()) {
            return Err(ChainError::asked(
                "places",
                format!("label {:?} is empty, or there twice", spot.label),
            ));
        }
        if spot.cost.is_some_and(|c| !(c.is_finite() && c >= 0.0)) {
            return Err(ChainError::asked(
                "places",
                format!("the cost of {} must be 0 or more", spot.label),
            ));
        }
    }
    Ok(())
}

/// Where a draft stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum State {
    /// It is being made.
    Working,
    /// It can be looked at.
    Done,
    /// It could not be made.
    Failed,
}

/// Sensitivity of one zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ZoneValue {
    /// The zone.
    pub zone: String,
    /// Its sensitivity, lures fresh and every visit made.
    pub value: f64,
}

/// What the plan would see.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Sensitivity {
    /// Over the whole ground.
    pub all: f64,
    /// Its band.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub band: Option<Band>,
    /// By zone.
    pub zones: Vec<ZoneValue>,
}

/// What the plan needs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Cost {
    /// Traps.
    pub traps: usize,
    /// Crew hours of a season: the sum of the places' costs.
    pub hours: f64,
}

/// A plan on the drawing board.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PlanDraft {
    /// Its id.
    pub draft: Uuid,
    /// What it is called.
    pub name: String,
    /// Target id.
    pub target: String,
    /// When it was asked for.
    pub made_at: Timestamp,
    /// By whom.
    pub by: String,
    /// Where it stands.
    pub state: State,
    /// Why it could not be made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub words: Option<String>,
    /// Its places.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub places: Option<Vec<Spot>>,
    /// How many.
    pub traps: usize,
    /// What was made large.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub objective: Option<f64>,
    /// What no plan under the same rules can beat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bound: Option<f64>,
    /// How far the objective is from it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gap: Option<f64>,
    /// Seconds the search took.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seconds: Option<f64>,
    /// What it would see.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensitivity: Option<Sensitivity>,
    /// Best objective by number of traps.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curve: Option<Vec<(usize, f64)>>,
    /// What it needs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cost: Option<Cost>,
    /// Places it was chosen from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub candidates: Option<usize>,
    /// Least distance between two traps.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spacing_m: Option<f64>,
    /// Rules that its places break.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub broken_rules: Option<Vec<Broken>>,
    /// Worth knowing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub notes: Option<Notes>,
}

/// What belongs to a draft that is done.
#[derive(Debug)]
pub struct Made {
    /// The network of its places.
    pub network: Arc<Network>,
    places: Vec<Place>,
    objective: f64,
    bound: Option<f64>,
    settings: Value,
    told: PlanDraft,
}

#[derive(Debug, Clone)]
struct Kept {
    told: PlanDraft,
    made: Option<Arc<Made>>,
}

/// The drafts that are kept, for all callers.
#[derive(Debug, Default)]
pub struct Drafts {
    kept: Mutex<VecDeque<Kept>>,
}

impl Drafts {
    fn lock(&self) -> std::sync::MutexGuard<'_, VecDeque<Kept>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes note of a draft that will be made. The oldest that is done goes when there are too many.
    ///
    /// # Errors
    /// Too many are being made at once.
    pub fn begin(&self, draft: Uuid, ask: &PlanAsk, by: &str, at: Timestamp) -> Result<(), ChainError> {
        let mut kept = self.lock();
        if kept.len() >= MOST_DRAFTS {
            let done = kept.iter().position(|k| k.told.state != State::Working);
            match done {
                Some(at) => drop(kept.remove(at)),
                None => {
                    return Err(ChainError::asked(
                        "plan",
                        "too many plans are being made at once; wait for one of them",
                    ));
                }
            }
        }
        kept.push_back(Kept {
            told: PlanDraft {
                draft,
                name: ask.name.clone().unwrap_or_else(|| usual_name(ask)),
                target: ask.target.clone(),
                made_at: at,
                by: by.to_owned(),
                state: State::Working,
                words: None,
                places: None,
                traps: 0,
                objective: None,
                bound: None,
                gap: None,
                seconds: None,
                sensitivity: None,
                curve: None,
                cost: None,
                candidates: None,
                spacing_m: None,
                broken_rules: None,
                notes: None,
            },
            made: None,
        });
        Ok(())
    }

    /// Makes it: may take minutes. What comes of it, also a refusal, is kept under its id, unless it was dropped meanwhile.
    pub fn make(&self, desk: &Desk, programme: &Programme, draft: Uuid, ask: &PlanAsk) {
        let Some(told) = self.get(draft) else { return };
        let outcome = draw_up(desk, programme, ask, told);
        let mut kept = self.lock();
        let Some(mine) = kept.iter_mut().find(|k| k.told.draft == draft) else {
            return;
        };
        match outcome {
            Ok(made) => {
                mine.told = made.told.clone();
                mine.made = Some(Arc::new(made));
            }
            Err(why) => {
                mine.told.state = State::Failed;
                mine.told.words = Some(why.words());
            }
        }
    }

    /// Marks a draft as failed for a reason outside of its making.
    pub fn fail(&self, draft: Uuid, words: &str) {
        if let Some(mine) = self.lock().iter_mut().find(|k| k.told.draft == draft) {
            mine.told.state = State::Failed;
            mine.told.words = Some(words.to_owned());
        }
    }

    /// One draft.
    pub fn get(&self, draft: Uuid) -> Option<PlanDraft> {
        self.lock()
            .iter()
            .find(|k| k.told.draft == draft)
            .map(|k| k.told.clone())
    }

    /// All drafts, without their places, the newest first.
    pub fn all(&self) -> Vec<PlanDraft> {
        let bare = |k: &Kept| PlanDraft {
            places: None,
            curve: None,
            broken_rules: None,
            ..k.told.clone()
        };
        self.lock().iter().rev().map(bare).collect()
    }

    /// Drops one.
    ///
    /// # Errors
    /// There is none of that id.
    pub fn remove(&self, draft: Uuid) -> Result<(), ChainError> {
        let mut kept = self.lock();
        let before = kept.len();
        kept.retain(|k| k.told.draft != draft);
        if kept.len() == before {
            return Err(unknown(draft));
        }
        Ok(())
    }

    /// A draft that is done.
    ///
    /// # Errors
    /// There is none of that id, or it is not done.
    pub fn made(&self, draft: Uuid) -> Result<Arc<Made>, ChainError> {
        let kept = self.lock();
        let mine = kept
            .iter()
            .find(|k| k.told.draft == draft)
            .ok_or_else(|| unknown(draft))?;
        mine.made
            .clone()
            .ok_or_else(|| ChainError::asked("draft", "this plan is not done"))
    }
}

fn unknown(draft: Uuid) -> ChainError {
    ChainError::Unknown {
        what: "draft",
        label: draft.to_string(),
    }
}

fn usual_name(ask: &PlanAsk) -> String {
    match (&ask.as_is, ask.traps, ask.budget) {
        (Some(AsIs::Hanging(_)), ..) => "what hangs now".into(),
        (Some(AsIs::Edited(_)), ..) => "edited".into(),
        (None, Some(k), _) => format!("{k} traps"),
        (None, None, Some(hours)) => format!("{hours} hours"),
        (None, None, None) => "plan".into(),
    }
}

/// Places with the figures of how they were found, where a search found them.
struct Chosen {
    places: Vec<Place>,
    sited: Option<(Sited, Request)>,
    settings: Value,
}

fn draw_up(desk: &Desk, programme: &Programme, ask: &PlanAsk, told: PlanDraft) -> Result<Made, ChainError> {
    ask.check()?;
    let started = Instant::now();
    let ground = desk.ground(programme, &ask.target)?;
    let options = options_of(programme, &ask.target)?;
    let mut notes = ground.cells.notes.clone();
    let own = programme.places()?;
    let chosen = match &ask.as_is {
        None => search(programme, &ground, &own, ask, options, &mut notes)?,
        Some(as_is) => as_they_are(programme, &own, as_is, ask, ground.cells.resolution, options)?,
    };
    let standing = desk.standing(programme, &ask.target, &ground)?;
    let sited = chosen.sited.as_ref().map(|(sited, _)| sited.spacing_m);
    let spacing_m = sited
        .or(ask.spacing_m)
        .unwrap_or_else(|| ground.profile.siting.spacing_m.central());
    let spots = chosen.places.iter().map(Spot::of).collect();
    let network = Arc::new(Network::new(ground, standing, spots)?.spaced(spacing_m));
    let (all, zones) = network.sensitivity();
    let found = chosen.sited.as_ref().map(|(sited, _)| &sited.plan);
    let told = PlanDraft {
        state: State::Done,
        traps: chosen.places.len(),
        places: Some(chosen.places.iter().map(Spot::of).collect()),
        objective: Some(found.map_or(all, |p| p.objective)),
        bound: found.map(|p| p.bound),
        gap: found.map(|p| p.gap),
        seconds: Some(started.elapsed().as_secs_f64()),
        sensitivity: Some(Sensitivity {
            all,
            band: Some(network.band(BAND_DRAWS)?.into()),
            zones: zones
                .into_iter()
                .map(|(zone, value)| ZoneValue { zone, value })
                .collect(),
        }),
        curve: found.map(|p| p.curve.clone()),
        cost: Some(Cost {
            traps: chosen.places.len(),
            hours: chosen.places.iter().map(|p| p.cost).sum(),
        }),
        candidates: chosen.sited.as_ref().map(|(s, _)| s.candidates.len()),
        spacing_m: Some(spacing_m),
        broken_rules: Some(network.broken_rules()),
        notes: Some(notes),
        ..told
    };
    Ok(Made {
        objective: told.objective.unwrap_or(all),
        bound: told.bound,
        settings: chosen.settings,
        places: chosen.places,
        network,
        told,
    })
}

fn search(
    programme: &Programme,
    ground: &crate::ground::Ground,
    own: &[Place],
    ask: &PlanAsk,
    options: GroundOptions,
    notes: &mut Notes,
) -> Result<Chosen, ChainError> {
    let request = ask.request();
    let hanging: Vec<_> = programme
        .hanging()?
        .into_iter()
        .map(|h| h.placement)
        .filter(|p| p.targets.contains(&ask.target))
        .collect();
    let spots = candidates(ground, own, &request, notes)?;
    let sited = choose(ground, spots, &hanging, &request)?;
    let entry = plan::entry(ground, &sited, &request, options, String::new());
    Ok(Chosen {
        places: sited.chosen(),
        settings: entry.settings,
        sited: Some((sited, request)),
    })
}

/// The traps that hang, by their places; or an edited plan. A spot that was moved and still has the label of a place that
/// the programme knows elsewhere gets a label of its own.
fn as_they_are(
    programme: &Programme,
    own: &[Place],
    as_is: &AsIs,
    ask: &PlanAsk,
    resolution: u8,
    options: GroundOptions,
) -> Result<Chosen, ChainError> {
    let (spots, how) = match as_is {
        AsIs::Hanging(_) => (
            hanging_places(programme, &ask.target)?,
            json!({"as_is": "hanging"}),
        ),
        AsIs::Edited(edited) => (
            edited.places.clone(),
            json!({"as_is": "edited", "edited_from": edited.from.map(|id| id.to_string())}),
        ),
    };
    let known: HashMap<&str, &Place> = own.iter().map(|p| (p.label.as_str(), p)).collect();
    let mut taken: HashSet<String> = own.iter().map(|p| p.label.clone()).collect();
    taken.extend(spots.iter().map(|s| s.label.clone()));
    let mut places = Vec::with_capacity(spots.len());
    for spot in &spots {
        let position = spot.position()?;
        let before = known.get(spot.label.as_str());
        let moved = before.is_some_and(|p| earlywood_geodata::geodesic_m(p.position, position) > 1.0);
        let label = if moved {
            free_label(&spot.label, &mut taken)
        } else {
            spot.label.clone()
        };
        places.push(Place {
            label,
            position: before.filter(|_| !moved).map_or(position, |p| p.position),
            cost: spot.cost.or(before.map(|p| p.cost)).unwrap_or(1.0),
            kept: spot.kept,
            forbidden: false,
        });
    }
    let mut settings = how;
    settings["resolution"] = json!(resolution);
    settings["background_risk"] = json!(options.background_risk);
    settings["version"] = json!(env!("CARGO_PKG_VERSION"));
    Ok(Chosen {
        places,
        sited: None,
        settings,
    })
}

fn free_label(label: &str, taken: &mut HashSet<String>) -> String {
    let free = (2..)
        .map(|n| format!("{label}-{n}"))
        .find(|l| !taken.contains(l))
        .unwrap_or_else(|| label.to_owned());
    taken.insert(free.clone());
    free
}

/// The places at which traps of a target hang now.
fn hanging_places(programme: &Programme, target: &str) -> Result<Vec<Spot>, ChainError> {
    let place_of: HashMap<String, String> = programme
        .hanging()?
        .into_iter()
        .map(|h| (h.placement.trap, h.placement.place))
        .collect();
    let mut spots = hanging_spots(programme, target)?;
    for spot in &mut spots {
        if let Some(place) = place_of.get(&spot.label) {
            spot.label.clone_from(place);
        }
    }
    // Two traps may hang at one place; a plan names it once.
    let mut seen = HashSet::new();
    spots.retain(|s| seen.insert(s.label.clone()));
    Ok(spots)
}

/// One zone under two plans.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ZonePair {
    /// The zone.
    pub zone: String,
    /// Under the first.
    pub a: f64,
    /// Under the second.
    pub b: f64,
}

/// Two plans side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PlanComparison {
    /// The first.
    pub a: PlanDraft,
    /// The second.
    pub b: PlanDraft,
    /// Places that both have, within a metre.
    pub same_places: usize,
    /// Places of the first alone.
    pub only_a: Vec<Spot>,
    /// Places of the second alone.
    pub only_b: Vec<Spot>,
    /// By zone.
    pub zones: Vec<ZonePair>,
    /// Ends of the cells' difference, second less first.
    pub difference: Ends,
}

/// Two plans of one target side by side.
///
/// # Errors
/// Plans of two targets, or over ground that was laid anew between them.
pub fn compare(a: &Made, b: &Made) -> Result<PlanComparison, ChainError> {
    let difference = differences(a, b)?;
    let key = |s: &Spot| ((s.lat * 1e5).round() as i64, (s.lon * 1e5).round() as i64);
    let of = |m: &Made| -> HashSet<(i64, i64)> { m.network.spots().iter().map(key).collect() };
    let (in_a, in_b) = (of(a), of(b));
    let only = |m: &Made, other: &HashSet<(i64, i64)>| -> Vec<Spot> {
        m.network
            .spots()
            .iter()
            .filter(|s| !other.contains(&key(s)))
            .cloned()
            .collect()
    };
    let (_, zones_a) = a.network.sensitivity();
    let (_, zones_b) = b.network.sensitivity();
    Ok(PlanComparison {
        a: a.told.clone(),
        b: b.told.clone(),
        same_places: in_a.intersection(&in_b).count(),
        only_a: only(a, &in_b),
        only_b: only(b, &in_a),
        zones: zones_a
            .into_iter()
            .zip(zones_b)
            .map(|((zone, a), (_, b))| ZonePair { zone, a, b })
            .collect(),
        difference: Ends::of(difference.into_iter()),
    })
}

/// Second less first, cell by cell.
fn differences(a: &Made, b: &Made) -> Result<Vec<f64>, ChainError> {
    let ids = |m: &Made| -> Vec<u64> { m.network.ground.cells.cells.iter().map(|c| c.id).collect() };
    if a.told.target != b.told.target || ids(a) != ids(b) {
        return Err(ChainError::asked(
            "b",
            "these plans are for different targets, or the ground changed between them: make one of them anew",
        ));
    }
    let (a, b) = (a.network.values(), b.network.values());
    Ok(b.iter().zip(&a).map(|(b, a)| b - a).collect())
}

/// A tile of one plan's cells.
///
/// # Errors
/// Ground that was laid anew since the plan was made.
pub fn tile(desk: &Desk, programme: &Programme, made: &Made, tile: TileId) -> Result<Vec<u8>, ChainError> {
    let values = made.network.values();
    tile_of(desk, programme, made, tile, &[("s", &values)])
}

/// A tile of two plans' cells and their difference.
///
/// # Errors
/// As [`compare`] and [`tile`].
pub fn compare_tile(
    desk: &Desk,
    programme: &Programme,
    (a, b): (&Made, &Made),
    tile: TileId,
) -> Result<Vec<u8>, ChainError> {
    let difference = differences(a, b)?;
    let (in_a, in_b) = (a.network.values(), b.network.values());
    tile_of(
        desk,
        programme,
        a,
        tile,
        &[("a", &in_a), ("b", &in_b), ("d", &difference)],
    )
}

fn tile_of(
    desk: &Desk,
    programme: &Programme,
    made: &Made,
    tile: TileId,
    figures: &[Figure<'_>],
) -> Result<Vec<u8>, ChainError> {
    let map = desk.cell_map(programme, &made.told.target)?;
    if map.cells() != made.network.ground.cells.cells.len() {
        return Err(ChainError::asked(
            "draft",
            "the ground was laid anew since this plan was made: make it anew",
        ));
    }
    Ok(map.tile(tile, figures))
}

/// A plan that was adopted.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AdoptedPlan {
    /// The entry.
    pub entry: Uuid,
    /// When.
    pub on: String,
    /// By whom.
    pub by: String,
    /// Target id.
    pub target: String,
    /// How many traps.
    pub traps: usize,
    /// What was made large.
    pub objective: f64,
    /// What no plan under the same rules can beat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bound: Option<f64>,
    /// Why this plan.
    pub reason: String,
}

/// Every plan that was adopted, the newest first.
///
/// # Errors
/// A programme that can't be read.
pub fn adopted(programme: &Programme) -> Result<Vec<AdoptedPlan>, ChainError> {
    let mut all = Vec::new();
    for plan in programme.plans()?.into_iter().rev() {
        let entry = programme.entry(plan.entry)?;
        all.push(AdoptedPlan {
            entry: plan.entry,
            on: entry.as_ref().map(|e| e.event_time.clone()).unwrap_or_default(),
            by: entry.map(|e| e.person).unwrap_or_default(),
            target: plan.value.target,
            traps: plan.value.places.len(),
            objective: plan.value.objective,
            bound: plan.value.bound,
            reason: plan.value.reason,
        });
    }
    Ok(all)
}

/// Writes a plan into the journal: the target where it was not adopted yet, the new places, the plan.
///
/// # Errors
/// No reason; what the journal refuses.
pub fn adopt(programme: &mut Programme, act: &Act, made: &Made, reason: &str) -> Result<Receipt, ChainError> {
    if reason.trim().is_empty() {
        return Err(ChainError::asked(
            "reason",
            "say why this plan, in a few words: it goes into the journal",
        ));
    }
    let own = programme.places()?;
    // New places found on one draft may have been used by another meanwhile.
    let clash = made.places.iter().find(|p| {
        own.iter()
            .any(|o| o.label == p.label && earlywood_geodata::geodesic_m(o.position, p.position) > 1.0)
    });
    if let Some(place) = clash {
        return Err(ChainError::asked(
            "draft",
            format!(
                "place {} is elsewhere in the programme by now: make the plan anew",
                place.label
            ),
        ));
    }
    let plan = Plan {
        target: made.told.target.clone(),
        places: made.places.clone(),
        objective: made.objective,
        bound: made.bound,
        settings: made.settings.clone(),
        reason: reason.to_owned(),
    };
    plan::save(programme, act, &made.network.ground, &own, plan)
}
