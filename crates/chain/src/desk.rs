//! What is kept between questions: grounds, answers, cell figures, networks, tiles' indices. A server has one for all its
//! callers; results are shared, and go when the programme has moved on.
//!
//! Every result is kept under what it depends on: ground under the number of entries that can change ground (so that a
//! day's visits do not lay it anew), what rests on visits under the number of all entries.

use std::sync::Arc;

use earlywood_geodata::Standing;
use earlywood_journal::Programme;
use earlywood_model::assurance::{Assurance, CellSeen};
use earlywood_model::profile::TargetProfile;
use earlywood_model::record::Placement;
use jiff::civil::Date;

use crate::assure::{Asked, Found, Question};
use crate::error::ChainError;
use crate::ground::{Ground, GroundOptions};
use crate::map::tiles::{CellMap, Stand};
use crate::network::{self, Network, Spot};
use crate::shelf::Shelf;
use crate::{Notes, weather};

/// Kinds of entries on which the ground of a target rests.
const GROUND_KINDS: [&str; 9] = [
    "hosts-loaded",
    "pathways-loaded",
    "land-loaded",
    "zones-loaded",
    "target-adopted",
    "plan-adopted",
    "planting-closed",
    "correction",
    "conflict-settled",
];

/// Draws behind the bands of cells; where there are very many cells, fewer: what a map shows is coarse.
const CELL_DRAWS: u32 = 100;
const CELL_DRAWS_MANY: u32 = 40;
const MANY_CELLS: usize = 30_000;
/// Draws behind figures that are shown without anybody having asked for a number.
pub const USUAL_DRAWS: u32 = 200;

/// A target's answer with what it rests on.
#[derive(Debug)]
pub struct Answered {
    /// The target.
    pub profile: TargetProfile,
    /// Flyers of the design incursion.
    pub flyers: f64,
    /// First and last day of the season.
    pub season: (Date, Date),
    /// The engine's answer, every next visit listed.
    pub answer: Assurance,
    /// Placements, as the next visits number them.
    pub placements: Vec<Placement>,
    /// Confirmed finds.
    pub found: Vec<Found>,
    /// Stops that took suspects which nobody has determined yet.
    pub open_suspects: usize,
    /// Worth knowing besides.
    pub notes: Notes,
}

type AnswerKey = (String, Date, u32, Option<String>, u64);

/// What is kept between questions.
pub struct Desk {
    grounds: Shelf<(String, u64), Ground>,
    maps: Shelf<(String, u64), CellMap>,
    stands: Shelf<(Option<String>, u64), Stand>,
    answers: Shelf<AnswerKey, Answered>,
    seen: Shelf<(String, Date, u64), Vec<CellSeen>>,
    standings: Shelf<(String, u64), Standing>,
    networks: Shelf<(String, u64), Network>,
    mornings: Shelf<(Date, u64), crate::morning::Figures>,
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Desk")
    }
}

impl Default for Desk {
    fn default() -> Self {
        Desk {
            grounds: Shelf::new(4),
            maps: Shelf::new(4),
            stands: Shelf::new(3),
            answers: Shelf::new(12),
            seen: Shelf::new(6),
            standings: Shelf::new(4),
            networks: Shelf::new(4),
            mornings: Shelf::new(2),
        }
    }
}

/// The number under which ground is kept.
fn ground_stamp(programme: &Programme) -> Result<u64, ChainError> {
    Ok(programme.entries_of(&GROUND_KINDS)?)
}

impl Desk {
    /// Nothing kept yet.
    pub fn new() -> Self {
        Desk::default()
    }

    /// The ground of a target, laid as its latest plan was.
    ///
    /// # Errors
    /// As [`Ground::of`].
    pub fn ground(&self, programme: &Programme, target: &str) -> Result<Arc<Ground>, ChainError> {
        let key = (target.to_owned(), ground_stamp(programme)?);
        self.grounds.get(key, || {
            let profile = crate::target(programme, target)?;
            Ground::of(programme, profile, options_of(programme, target)?)
        })
    }

    /// The ground's cells, laid out for tiles.
    ///
    /// # Errors
    /// As [`Desk::ground`].
    pub fn cell_map(&self, programme: &Programme, target: &str) -> Result<Arc<CellMap>, ChainError> {
        let key = (target.to_owned(), ground_stamp(programme)?);
        let ground = self.ground(programme, target)?;
        self.maps.get(key, || Ok(CellMap::new(ground)))
    }

    /// Hosts laid out for tiles: those of a target, or all.
    ///
    /// # Errors
    /// As [`Desk::ground`].
    pub fn stand(&self, programme: &Programme, target: Option<&str>) -> Result<Arc<Stand>, ChainError> {
        let key = (target.map(str::to_owned), ground_stamp(programme)?);
        let ground = target.map(|t| self.ground(programme, t)).transpose()?;
        self.stands.get(key, || match ground {
            Some(ground) => Ok(Stand::new(&ground.hosts)),
            None => Ok(Stand::new(&programme.hosts()?)),
        })
    }

    fn question(
        &self,
        programme: &Programme,
        ground: &Ground,
        asked: Asked,
        station: Option<&str>,
        notes: &mut Notes,
    ) -> Result<Question, ChainError> {
        let series = weather::series(programme, station, notes)?;
        Question::of(programme, ground, &series, asked, notes)
    }

    /// How sure we are that a target is absent, from the visits really made.
    ///
    /// # Errors
    /// As [`Desk::ground`], [`weather::series`] and [`Question::of`].
    pub fn answered(
        &self,
        programme: &Programme,
        target: &str,
        on: Date,
        draws: u32,
        station: Option<&str>,
    ) -> Result<Arc<Answered>, ChainError> {
        let key = (
            target.to_owned(),
            on,
            draws,
            station.map(str::to_owned),
            programme.revision()?,
        );
        let ground = self.ground(programme, target)?;
        self.answers.get(key, || {
            let mut notes = ground.cells.notes.clone();
            let asked = Asked { on, draws, seed: 1 };
            let question = self
                .question(programme, &ground, asked, station, &mut notes)?
                .listing(usize::MAX);
            if question.is_of_nothing() {
                notes.push(
                    "no trap for this target hung in the season: the figures are those of not looking".into(),
                );
            }
            notes.extend(crate::assure::suspects_words(question.open_suspects));
            Ok(Answered {
                profile: ground.profile.clone(),
                flyers: ground.params.flyers,
                season: question.season(),
                answer: question.answer(&ground)?,
                open_suspects: question.open_suspects,
                placements: question.placements,
                found: question.found,
                notes,
            })
        })
    }

    /// Sensitivity to date of every cell of a target's ground.
    ///
    /// # Errors
    /// As [`Desk::answered`].
    pub fn cells_seen(
        &self,
        programme: &Programme,
        target: &str,
        on: Date,
    ) -> Result<Arc<Vec<CellSeen>>, ChainError> {
        let key = (target.to_owned(), on, programme.revision()?);
        let ground = self.ground(programme, target)?;
        self.seen.get(key, || {
            let draws = if ground.cells.cells.len() > MANY_CELLS {
                CELL_DRAWS_MANY
            } else {
                CELL_DRAWS
            };
            let asked = Asked { on, draws, seed: 1 };
            let question = self.question(programme, &ground, asked, None, &mut Notes::new())?;
            question.cells_seen(&ground)
        })
    }

    /// The network of the traps that hang now for a target.
    ///
    /// # Errors
    /// As [`Desk::ground`].
    pub fn network(&self, programme: &Programme, target: &str) -> Result<Arc<Network>, ChainError> {
        let key = (target.to_owned(), programme.revision()?);
        let ground = self.ground(programme, target)?;
        let standing = self.standing(programme, target, &ground)?;
        self.networks.get(key, || {
            Network::new(ground, standing, hanging_spots(programme, target)?)
        })
    }

    /// The rules for places of a target, laid out over its ground.
    ///
    /// # Errors
    /// As [`network::standing`].
    pub fn standing(
        &self,
        programme: &Programme,
        target: &str,
        ground: &Ground,
    ) -> Result<Arc<Standing>, ChainError> {
        let key = (target.to_owned(), ground_stamp(programme)?);
        self.standings.get(key, || network::standing(ground))
    }

    pub(crate) fn morning_figures(
        &self,
        key: (Date, u64),
        make: impl FnOnce() -> Result<crate::morning::Figures, ChainError>,
    ) -> Result<Arc<crate::morning::Figures>, ChainError> {
        self.mornings.get(key, make)
    }
}

/// The traps that hang now for a target, as spots of a plan.
pub(crate) fn hanging_spots(programme: &Programme, target: &str) -> Result<Vec<Spot>, ChainError> {
    let costs: std::collections::HashMap<String, f64> = programme
        .places()?
        .into_iter()
        .map(|p| (p.label, p.cost))
        .collect();
    let hanging = programme.hanging()?;
    Ok(hanging
        .into_iter()
        .map(|h| h.placement)
        .filter(|p| p.targets.iter().any(|t| t == target))
        .map(|p| Spot {
            cost: costs.get(&p.place).copied(),
            label: p.trap,
            lat: p.position.lat,
            lon: p.position.lon,
            kept: false,
        })
        .collect())
}

/// How the cells of a target's latest plan were laid; as usual where there is none.
///
/// # Errors
/// A programme that can't be read.
pub fn options_of(programme: &Programme, target: &str) -> Result<GroundOptions, ChainError> {
    let latest = programme.plans()?.into_iter().rfind(|p| p.value.target == target);
    let mut options = GroundOptions::default();
    if let Some(plan) = latest {
        let settings = &plan.value.settings;
        if let Some(risk) = settings["background_risk"].as_f64() {
            options.background_risk = risk;
        }
        options.resolution = settings["resolution"].as_u64().and_then(|r| u8::try_from(r).ok());
    }
    Ok(options)
}
