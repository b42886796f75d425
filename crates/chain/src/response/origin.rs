//! Where the catches came from: a posterior over the host trees about them, as regions over cells and as an order of search.
//!
//! Every trap within reach speaks, those that caught nothing too, each with the effort that its visits really gave it
//! (flight lives). A tree's prior weight is its host weight times the risk of the pathways where it stands. Uncertain
//! parameters are drawn; regions are highest-posterior-density over cells, never a point.

use std::collections::{BTreeMap, HashMap};

use earlywood_geodata::cells::{self, CellOptions};
use earlywood_geodata::geodesic_m;
use earlywood_journal::Programme;
use earlywood_model::assurance::{Input, PlacementInput, TrapEffort, efforts};
use earlywood_model::error::ModelError;
use earlywood_model::origin::TrapCatch;
use earlywood_model::origin::clusters::clusters;
use earlywood_model::origin::posterior::{
    Beliefs, Candidate, Catches, Draws, FirstFlight, Flyers, Posterior, posterior,
};
use earlywood_model::record::{Host, Position};
use jiff::civil::Date;
use serde::Serialize;

use super::case::Case;
use crate::Notes;
use crate::assure::Question;
use crate::error::{ChainError, Lack, While as _};
use crate::ground::Ground;

/// How the question is asked.
#[derive(Debug, Clone, Copy)]
pub struct Ask {
    /// Draws of the uncertain parameters; 0: as many as the size allows in a few seconds.
    pub draws: u32,
    /// Their seed.
    pub seed: u64,
    /// Most origins that are looked for, 1 to 8.
    pub most_origins: usize,
    /// Trees listed in the order of search.
    pub trees: usize,
}

impl Default for Ask {
    fn default() -> Self {
        Ask {
            draws: 0,
            seed: 1,
            most_origins: 4,
            trees: 200,
        }
    }
}

/// Ground that together holds a share of the posterior.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Region {
    /// The share that it holds.
    pub probability: f64,
    /// Its cells, densest first.
    pub cells: Vec<String>,
    /// Its area, hectares.
    pub hectares: f64,
    /// Host trees in it.
    pub trees: usize,
}

/// A cell with what it holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CellView {
    /// Its H3 index.
    pub cell: String,
    /// Its corners, not closed.
    pub corners: Vec<Position>,
    /// Probability that the origin stands in it.
    pub probability: f64,
    /// Whether it belongs to the 50 % region.
    pub in50: bool,
    /// Whether it belongs to the 95 % region.
    pub in95: bool,
}

/// A tree in the order of search.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tree {
    /// Its label.
    pub host: String,
    /// Its species.
    pub species: String,
    /// Where it stands.
    pub position: Position,
    /// Probability that it is the origin.
    pub probability: f64,
    /// Probability that the origin is this one or one before it.
    pub cumulative: f64,
}

/// One origin among several.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cluster {
    /// Flyers that it takes.
    pub flyers: f64,
    /// Its 95 % region, hectares.
    pub hectares95: f64,
    /// The tree at which it fits best: a place to begin, never the answer.
    pub near: String,
    /// Where that stands.
    pub position: Position,
    /// The traps whose catch is mostly its own.
    pub traps: Vec<String>,
}

/// How probable a number of origins is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Number {
    /// Origins.
    pub origins: usize,
    /// Rough probability (by BIC).
    pub probability: f64,
}

/// Where they came from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Origin {
    /// Traps that speak.
    pub traps: usize,
    /// Of those, with a catch.
    pub with_catch: usize,
    /// Insects caught.
    pub insects: u32,
    /// Host trees that might be the origin.
    pub trees: usize,
    /// Farthest distance of such a tree from a catch, metres.
    pub within_m: f64,
    /// Draws of the parameters.
    pub draws: u32,
    /// How many draws' worth of explanation there was.
    pub effective_draws: f64,
    /// Ground that holds half.
    pub region50: Region,
    /// Ground that holds 95 %.
    pub region95: Region,
    /// The cells of the 95 % region.
    pub cells: Vec<CellView>,
    /// In which order to search.
    pub search: Vec<Tree>,
    /// How many origins.
    pub numbers: Vec<Number>,
    /// The origins of the most probable number, where there is more than one.
    pub clusters: Vec<Cluster>,
    /// Worth knowing.
    pub notes: Notes,
}

/// Trees beyond this many are not asked one by one.
const MOST_TREES: usize = 20_000;
/// Evaluations of a tree against a trap that fit into a few seconds.
const WORK: f64 = 1.5e8;
/// The part of [`WORK`] that is left where catches are clumped: an integral for every tree.
const CLUMPED: f64 = 0.1;
/// Resolution of the cells in which regions are told: an edge of about 25 m, what a crew can search as one.
const CELL_RESOLUTION: u8 = 11;

/// Where the finds of a case came from. `question` must reach back to the season of the first find.
///
/// # Errors
/// No find out of a trap; no host about the finds; figures that the model refuses.
pub fn origin(
    programme: &Programme,
    case: &Case,
    ground: &Ground,
    question: &Question,
    ask: Ask,
) -> Result<Origin, ChainError> {
    let mut notes = Notes::new();
    let beliefs = beliefs(case, &mut notes);
    let within_m = window_m(case, &beliefs);
    let caught = caught(case, &mut notes)?;
    let at: Vec<Position> = caught.keys().filter_map(|trap| position_of(case, trap)).collect();
    let (labels, traps) = speaking(question.with_input(ground, watched)?, case, &caught, within_m)?;
    let hosts = trees_about(&ground.hosts, &at, within_m)?;
    if hosts.len() > MOST_TREES {
        return Err(ChainError::asked(
            "find",
            format!(
                "{} host trees stand within {within_m:.0} m of the finds, more than the {MOST_TREES} that can be weighed one \
                 by one",
                hosts.len()
            ),
        ));
    }
    let weighed = weigh(programme, case, ground, &hosts)?;
    let draws = Draws {
        draws: draws(ask, &beliefs, weighed.candidates.len(), traps.len()),
        seed: ask.seed,
    };
    let found = posterior(&weighed.candidates, &traps, &beliefs, draws)
        .while_doing(|| "where they came from can't be told".into())?;
    if found.effective_draws < 10.0 && draws.draws >= 10 {
        notes.push(format!(
            "of {} draws of the parameters only about {:.0} explain these catches: the answer hangs on those few",
            draws.draws, found.effective_draws
        ));
    }
    let (region50, region95, cells) = weighed.regions(&found)?;
    let overdispersion = case
        .protocol
        .as_ref()
        .and_then(|p| p.origin.as_ref())
        .map_or(1.0, |o| o.overdispersion.central());
    let with_catch = traps.iter().filter(|t| t.catch > 0.0).count();
    let most = ask.most_origins.min(with_catch).max(1);
    let several = clusters(&weighed.candidates, &traps, &beliefs, draws, most, overdispersion);
    let (numbers, clusters) = match several {
        Ok(several) => (
            several
                .weighed
                .iter()
                .map(|w| Number {
                    origins: w.origins,
                    probability: w.probability,
                })
                .collect(),
            weighed.clusters(&several.clusters, &labels, &traps)?,
        ),
        Err(e) => {
            notes.push(format!("how many origins there were can't be told: {e}"));
            (Vec::new(), Vec::new())
        }
    };
    if with_catch < 10 && most > 1 {
        notes.push(
            "with fewer than ten catches the number of origins is a guess: search about every catch".into(),
        );
    }
    notes.push(format!(
        "trees farther than {within_m:.0} m from every catch were not weighed"
    ));
    Ok(Origin {
        traps: traps.len(),
        with_catch,
        insects: caught.values().sum(),
        trees: hosts.len(),
        within_m,
        draws: found.draws,
        effective_draws: found.effective_draws,
        region50,
        region95,
        cells,
        search: weighed.search(&found, ask.trees)?,
        numbers,
        clusters,
        notes,
    })
}

/// What is believed, from the target's profile and the protocol.
fn beliefs(case: &Case, notes: &mut Notes) -> Beliefs {
    let part = case.protocol.as_ref().and_then(|p| p.origin.as_ref());
    if part.is_none() {
        notes.push(
            "no protocol says how far they fly before they meet a trap: the regions tell where they flew, not where they emerged"
                .into(),
        );
    }
    let flight = part.and_then(|p| p.flight.as_ref());
    let capture = &case.profile.capture;
    Beliefs {
        form: capture.form.value,
        reach_m: capture.reach_m.dist,
        peak: capture.peak.dist,
        first_flight: flight.map(|f| FirstFlight {
            kernel: f.kernel.clone(),
            factor: f.factor.dist,
        }),
        catches: part
            .and_then(|p| p.clumping.as_ref())
            .map_or(Catches::Poisson, |k| Catches::Clumped { clumping: k.dist }),
        flyers: Flyers::Unknown,
    }
}

/// Within this of a catch its origin is looked for, metres: beyond lies less than 1 % of flights of the middle kernel.
fn window_m(case: &Case, beliefs: &Beliefs) -> f64 {
    let flown = beliefs
        .first_flight
        .as_ref()
        .map_or(0.0, |f| 2.0 * f.factor.central() * f.kernel.quantile(0.99));
    (flown + 10.0 * case.profile.capture.reach_m.central()).clamp(300.0, 5_000.0)
}

/// Insects by trap.
fn caught(case: &Case, notes: &mut Notes) -> Result<BTreeMap<String, u32>, ChainError> {
    let mut caught = BTreeMap::new();
    let mut elsewhere = 0;
    for find in &case.finds {
        match (&find.trap, find.position) {
            (Some(trap), Some(_)) => *caught.entry(trap.clone()).or_insert(0) += find.count,
            _ => elsewhere += 1,
        }
    }
    if elsewhere > 0 {
        notes.push(format!(
            "{elsewhere} finds came from no trap (a tree, a tip): they are on the map, and say nothing in this posterior"
        ));
    }
    if caught.is_empty() {
        return Err(ChainError::asked(
            "find",
            "no trap caught any of these finds, so catches can't say where they came from: search about the finds themselves",
        ));
    }
    Ok(caught)
}

fn position_of(case: &Case, trap: &str) -> Option<Position> {
    let mine = case.finds.iter().filter(|f| f.trap.as_deref() == Some(trap));
    mine.filter_map(|f| f.position).next_back()
}

fn nearest_m(to: &[Position], at: Position) -> f64 {
    to.iter()
        .map(|p| geodesic_m(*p, at))
        .fold(f64::INFINITY, f64::min)
}

/// A placement and its effort.
struct Watched {
    trap: String,
    x_m: f64,
    y_m: f64,
    hung: Date,
    taken_down: Option<Date>,
    flight_lives: f64,
}

fn watched(input: &Input<'_>) -> Result<Vec<Watched>, ModelError> {
    let (by_trap, _) = efforts(input)?;
    let one = |(placement, effort): (&PlacementInput, TrapEffort)| Watched {
        trap: placement.label.clone(),
        x_m: placement.x_m,
        y_m: placement.y_m,
        hung: placement.hung,
        taken_down: placement.taken_down,
        flight_lives: effort.flight_lives,
    };
    Ok(input.placements.iter().zip(by_trap).map(one).collect())
}

/// Traps that speak, with their catch and effort. A trap that hung in two places is two.
fn speaking(
    watched: Vec<Watched>,
    case: &Case,
    caught: &BTreeMap<String, u32>,
    within_m: f64,
) -> Result<(Vec<String>, Vec<TrapCatch>), ChainError> {
    let mut traps: Vec<(String, TrapCatch)> = Vec::new();
    let mut left: BTreeMap<&str, u32> = caught.iter().map(|(trap, n)| (trap.as_str(), *n)).collect();
    for w in watched {
        // The catch belongs to the placement that hung when the insect was taken.
        let hung_then = case.finds.iter().any(|f| {
            f.trap.as_ref() == Some(&w.trap)
                && w.hung <= f.taken
                && w.taken_down.is_none_or(|down| f.taken <= down)
        });
        let mine = if hung_then {
            left.remove(w.trap.as_str())
        } else {
            None
        };
        let catch = f64::from(mine.unwrap_or(0));
        // A catch proves that the trap worked, whatever the records say of it.
        let effort = if catch > 0.0 {
            w.flight_lives.max(LEAST_EFFORT)
        } else {
            w.flight_lives
        };
        if effort > 0.0 {
            traps.push((
                w.trap,
                TrapCatch {
                    x_m: w.x_m,
                    y_m: w.y_m,
                    catch,
                    effort,
                },
            ));
        }
    }
    // Only traps near a catch can say anything.
    let near: Vec<(f64, f64)> = traps
        .iter()
        .filter(|(_, t)| t.catch > 0.0)
        .map(|(_, t)| (t.x_m, t.y_m))
        .collect();
    traps.retain(|(_, t)| {
        near.iter()
            .any(|(x, y)| (t.x_m - x).hypot(t.y_m - y) <= 2.0 * within_m)
    });
    if traps.is_empty() {
        return Err(ChainError::asked(
            "find",
            "the traps of these finds hang in no season that the weather covers: load the weather of their season",
        ));
    }
    Ok(traps.into_iter().unzip())
}

/// Effort that a trap with a catch has at least, flight lives: a thousandth, about one day.
const LEAST_EFFORT: f64 = 1e-3;

fn trees_about<'a>(hosts: &'a [Host], at: &[Position], within_m: f64) -> Result<Vec<&'a Host>, ChainError> {
    // A cheap box first: inventories are large.
    let (mut south, mut north) = (f64::INFINITY, f64::NEG_INFINITY);
    for p in at {
        south = south.min(p.lat);
        north = north.max(p.lat);
    }
    let margin = within_m / 110_000.0;
    let near: Vec<&Host> = hosts
        .iter()
        .filter(|h| (south - margin..=north + margin).contains(&h.position.lat))
        .filter(|h| nearest_m(at, h.position) <= within_m)
        .collect();
    if near.is_empty() {
        return Err(ChainError::asked(
            "find",
            format!("no host tree of the inventory stands within {within_m:.0} m of the finds"),
        ));
    }
    Ok(near)
}

fn draws(ask: Ask, beliefs: &Beliefs, trees: usize, traps: usize) -> u32 {
    if ask.draws > 0 {
        return ask.draws;
    }
    let work = match beliefs.catches {
        Catches::Poisson => WORK,
        Catches::Clumped { .. } => WORK * CLUMPED,
    };
    (work / (trees as f64 * traps as f64)).clamp(50.0, 400.0) as u32
}

/// The trees as candidates, and the cells in which they stand.
struct Weighed<'a> {
    hosts: &'a [&'a Host],
    candidates: Vec<Candidate>,
    cell_of: Vec<usize>,
    cells: Vec<u64>,
}

fn weigh<'a>(
    programme: &Programme,
    case: &Case,
    ground: &Ground,
    hosts: &'a [&'a Host],
) -> Result<Weighed<'a>, ChainError> {
    let owned: Vec<Host> = hosts.iter().map(|h| (*h).clone()).collect();
    let options = CellOptions {
        resolution: CELL_RESOLUTION,
        ..CellOptions::default()
    };
    let laid = cells::lay(
        &owned,
        &programme.pathways()?,
        &[],
        |s| case.profile.host_weight(s),
        &options,
    )
    .while_doing(|| "cells can't be laid about the finds".into())?;
    let index: HashMap<u64, usize> = laid.cells.iter().enumerate().map(|(i, c)| (c.id, i)).collect();
    let mut candidates = Vec::with_capacity(hosts.len());
    let mut cell_of = Vec::with_capacity(hosts.len());
    for host in hosts {
        let cell = cells::at(host.position, CELL_RESOLUTION).and_then(|id| index.get(&id).copied());
        let cell = cell.ok_or(Lack::Risk)?;
        let xy = ground.cells.frame.to_xy(host.position);
        candidates.push(Candidate {
            at: earlywood_model::detection::Point {
                x_m: xy.x_m,
                y_m: xy.y_m,
            },
            area_m2: 1.0,
            weight: case.profile.host_weight(&host.species) * laid.cells[cell].pathway_risk,
        });
        cell_of.push(cell);
    }
    Ok(Weighed {
        hosts,
        candidates,
        cell_of,
        cells: laid.cells.iter().map(|c| c.id).collect(),
    })
}

impl Weighed<'_> {
    /// Cells by probability: equal ground, so the densest are the most probable.
    fn by_cell(&self, found: &Posterior) -> Result<Vec<(usize, f64)>, ChainError> {
        let mass = found.gathered(&self.cell_of, self.cells.len())?;
        let mut order: Vec<(usize, f64)> = mass.into_iter().enumerate().collect();
        order.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        Ok(order)
    }

    fn region(&self, order: &[(usize, f64)], share: f64) -> Region {
        let mut probability = 0.0;
        let mut taken = 0;
        while taken < order.len() && probability < share {
            probability += order[taken].1;
            taken += 1;
        }
        let inside: Vec<usize> = order[..taken].iter().map(|(cell, _)| *cell).collect();
        let id = |cell: &usize| self.cells[*cell];
        Region {
            probability,
            cells: inside.iter().map(|c| format!("{:x}", id(c))).collect(),
            hectares: inside.iter().map(|c| cells::area_of(id(c))).sum::<f64>() / 10_000.0,
            trees: self.cell_of.iter().filter(|c| inside.contains(c)).count(),
        }
    }

    fn regions(&self, found: &Posterior) -> Result<(Region, Region, Vec<CellView>), ChainError> {
        let order = self.by_cell(found)?;
        let (half, most) = (self.region(&order, 0.5), self.region(&order, 0.95));
        let views = order[..most.cells.len()]
            .iter()
            .enumerate()
            .map(|(rank, (cell, probability))| CellView {
                cell: format!("{:x}", self.cells[*cell]),
                corners: cells::corners(self.cells[*cell]),
                probability: *probability,
                in50: rank < half.cells.len(),
                in95: true,
            })
            .collect();
        Ok((half, most, views))
    }

    fn search(&self, found: &Posterior, most: usize) -> Result<Vec<Tree>, ChainError> {
        let order = found.search_order(|_| 1.0)?;
        let tree = |step: &earlywood_model::origin::posterior::SearchStep| {
            let host = self.hosts[step.candidate];
            Tree {
                host: host.label.clone(),
                species: host.species.clone(),
                position: host.position,
                probability: step.mass,
                cumulative: step.cumulative,
            }
        };
        Ok(order.iter().take(most).map(tree).collect())
    }

    fn clusters(
        &self,
        found: &[earlywood_model::origin::clusters::Cluster],
        labels: &[String],
        traps: &[TrapCatch],
    ) -> Result<Vec<Cluster>, ChainError> {
        if found.len() < 2 {
            return Ok(Vec::new());
        }
        let one = |c: &earlywood_model::origin::clusters::Cluster| {
            let host = self.hosts[c.best];
            let order = self.by_cell(&c.posterior)?;
            let mine = labels.iter().zip(traps).zip(&c.share);
            Ok(Cluster {
                flyers: c.flyers,
                hectares95: self.region(&order, 0.95).hectares,
                near: host.label.clone(),
                position: host.position,
                traps: mine
                    .filter(|((_, trap), share)| trap.catch > 0.0 && **share > 0.5)
                    .map(|((label, _), _)| label.clone())
                    .collect(),
            })
        };
        found.iter().map(one).collect()
    }
}
