//! The delimiting survey, by rings or optimised.
//!
//! The protocol's rings are laid round the finds and their spots moved to places that may be used. Scenarios of how far it may have
//! come are drawn from the origin's posterior (from the finds where there is none), the protocol's flight and its extent.
//! The optimised plan spends as many traps and crew-hours, or as many as are asked for, where they show the edge best. Both are then
//! weighed on *fresh* scenarios, by formula and by trial: a plan looks too good on those it was made from.
//!
//! Traps are taken as working for one whole flight, with a fresh lure; looks as independent. Both flatter every layout alike.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use earlywood_geodata::{Frame, Xy, cells};
use earlywood_journal::{DelimitingAdopted, DelimitingSpot, Programme};
use earlywood_model::detection::Point;
use earlywood_model::dispersal::Kernel;
use earlywood_model::param::Dist;
use earlywood_model::record::{Area, Host, Place, Position};
use earlywood_model::rings::snap::{Ground as Bare, NoBait, snap};
use earlywood_model::rings::{Centre, Extent, RingProtocol, Rings, Shape};
use earlywood_planner::delimit::spread::{Life, Spread};
use earlywood_planner::delimit::trial::trial;
use earlywood_planner::delimit::{
    self, DelimitError, Ground as Stakes, Known, Limits, Look, Options, Problem, Scenario, Trap, Use, solve,
};
use jiff::civil::Date;
use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;
use serde::Serialize;
use serde_json::{Value, json};

use super::case::Case;
use super::origin::Origin;
use super::whole::{How, whole};
use crate::Notes;
use crate::error::ChainError;
use crate::ground::Ground;
use crate::siting::{Request, candidates};

/// What is wanted.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// Traps of the optimised plan, above those that hang; as many as the rings place when left out.
    pub traps: Option<usize>,
    /// Its crew-hours of looks; as many as the rings' looks take when left out.
    pub hours: Option<f64>,
    /// Finds, by label, for which the protocol's extension holds.
    pub heavy: Vec<String>,
    /// Ground, by name, on which no baited trap may hang, beyond the programme's forbidden land.
    pub no_bait: Vec<(String, Area)>,
    /// Places that are weighed, at most.
    pub most_candidates: usize,
    /// Scenarios planned with, and as many fresh ones.
    pub scenarios: u32,
    /// Worlds of the trial.
    pub worlds: u32,
    /// Seed of everything drawn.
    pub seed: u64,
}

impl Default for Wanted {
    fn default() -> Self {
        Wanted {
            traps: None,
            hours: None,
            heavy: Vec::new(),
            no_bait: Vec::new(),
            most_candidates: 6000,
            scenarios: 400,
            worlds: 2000,
            seed: 1,
        }
    }
}

/// A trap to hang.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrapSpot {
    /// Its place.
    pub place: String,
    /// Where.
    pub position: Position,
    /// Its ring, from 1 at the find; 0 outside all.
    pub ring: u32,
    /// Optimised: what the chance to show the edge would lose without it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adds: Option<f64>,
    /// Rings: how far the place lies from the protocol's spot, metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub moved_m: Option<f64>,
}

/// Trees to look at, standing together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LookSpot {
    /// Label of the block: its first tree, and how many more.
    pub label: String,
    /// Labels of its trees.
    pub trees: Vec<String>,
    /// Where its first tree stands.
    pub position: Position,
    /// Ring of its first tree, from 1; 0 outside all.
    pub ring: u32,
    /// Crew-hours.
    pub hours: f64,
    /// Optimised: what the chance to show the edge would lose without it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adds: Option<f64>,
}

/// How well a layout shows the edge, on scenarios that it was not made from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Worth {
    /// Share of the edge that is expected to be found.
    pub share: f64,
    /// Chance that all of the edge is found.
    pub whole: f64,
    /// By trial: share of worlds in which all of the edge was found.
    pub whole_by_trial: f64,
    /// By trial: share of worlds in which nothing infested lay outside the area then drawn.
    pub nothing_outside: f64,
    /// Standard error of the two by trial, at most.
    pub standard_error: f64,
    /// Worlds played.
    pub worlds: u32,
}

/// One layout.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Layout {
    /// `rings` or `optimised`.
    pub method: &'static str,
    /// Traps to hang.
    pub traps: Vec<TrapSpot>,
    /// Trees to look at.
    pub looks: Vec<LookSpot>,
    /// Crew-hours of the looks.
    pub hours: f64,
    /// How good it is; absent where the protocol says nothing of the extent.
    pub worth: Option<Worth>,
    /// Optimised: no plan with as many traps and hours shows a larger share of the edge, on the scenarios planned with.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bound: Option<f64>,
    /// Optimised: how far it may lie under the best, as a share of the bound.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gap: Option<f64>,
}

/// A ring of the protocol, and what of it could be placed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RingView {
    /// From 1.
    pub ring: u32,
    /// What the protocol calls it.
    pub name: String,
    /// Traps that the protocol wants.
    pub wanted: usize,
    /// Traps that found a place.
    pub placed: usize,
    /// Days between looks at its traps.
    pub look_every_days: Option<f64>,
    /// Trees to look at.
    pub trees: usize,
}

/// A spot that found no place.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Unplaced {
    /// Where the protocol wants the trap.
    pub position: Position,
    /// Its ring, from 1.
    pub ring: u32,
    /// Why it has no place.
    pub why: String,
}

/// Both layouts beside each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Delimiting {
    /// The find.
    pub find: String,
    /// The day the rings were laid for.
    pub on: Date,
    /// How long the protocol surveys after the last find, in words.
    pub duration: String,
    /// Days on which the rings were laid anew.
    pub versions: Vec<Date>,
    /// Ring by ring.
    pub rings: Vec<RingView>,
    /// Spots without a place.
    pub unplaced: Vec<Unplaced>,
    /// By rings.
    pub by_rings: Layout,
    /// Optimised; absent where the protocol says nothing of the extent.
    pub optimised: Option<Layout>,
    /// Traps that hang already and count for both.
    pub hanging: usize,
    /// Chance that even now nothing lies outside; absent as `optimised`.
    pub bounded_already: Option<f64>,
    /// Worth knowing.
    pub notes: Notes,
}

/// Trees looked at as one block of the optimised plan, at most: half a morning's work stays divisible (design choice).
const BLOCK: usize = 10;
/// Chance of capture, as a part of the peak, below which a trap says nothing of a cell.
const NEGLIGIBLE: f64 = 1e-4;
/// Ground beyond this round the finds is not weighed, metres.
const FARTHEST_M: f64 = 30_000.0;

impl From<DelimitError> for ChainError {
    fn from(error: DelimitError) -> Self {
        ChainError::asked("delimiting", error.to_string())
    }
}

/// The survey of a case, with the ground and the origin that it rests on worked out first.
///
/// # Errors
/// As [`whole`] and [`delimiting`].
pub fn survey(
    programme: &Programme,
    case: &Case,
    how: How,
    wanted: &Wanted,
) -> Result<Delimiting, ChainError> {
    let all = whole(programme, case, how)?;
    let ground = Ground::of(programme, case.profile.clone(), how.ground)?;
    delimiting(programme, case, &ground, all.origin.as_ref(), wanted)
}

/// Lays out the protocol's rings and the optimised plan for a case. `origin` is that of [`super::origin`], where there is one.
///
/// # Errors
/// No protocol, or one without rings; no find with a position; no place or host about the finds; figures that are refused.
pub fn delimiting(
    programme: &Programme,
    case: &Case,
    ground: &Ground,
    origin: Option<&Origin>,
    wanted: &Wanted,
) -> Result<Delimiting, ChainError> {
    let protocol = case.protocol()?;
    let rules = protocol.rings.as_ref().ok_or_else(|| {
        ChainError::asked(
            "protocol",
            format!(
                "the protocol of {} says nothing of rings: add [rings] to it and adopt it again",
                case.profile.id
            ),
        )
    })?;
    let mut notes = Notes::new();
    let rings = lay(case, rules, wanted)?;
    let bare = no_bait(case, &wanted.no_bait);
    let flight = protocol.origin.as_ref().and_then(|o| o.flight.as_ref());
    let flight = flight.map(|f| (&f.kernel, f.factor.dist));
    let about = About::of(programme, case, ground, &rings, flight, &bare, wanted, &mut notes)?;
    let (mut by_rings, views, unplaced) = about.by_rings(&rings, case, &bare)?;

    let mut optimised = None;
    let mut bounded_already = None;
    match (&rules.extent, flight) {
        (None, _) => notes.push(
            "the protocol says nothing of the extent ([rings.extent]): the rings are laid, but neither weighed nor optimised"
                .into(),
        ),
        (Some(_), None) => notes.push(
            "the protocol says nothing of flight ([origin.flight]): the rings are laid, but neither weighed nor optimised".into(),
        ),
        (Some(extent), Some(flight)) => {
            let drawn = about.drawn(case, origin, extent, flight, wanted, &mut notes)?;
            let own = about.optimise(&rings, case, &drawn.planned, &by_rings, wanted)?;
            by_rings.worth = Some(about.worth(&drawn.fresh, &by_rings, wanted)?);
            let worth = about.worth(&drawn.fresh, &own, wanted)?;
            bounded_already = Some(drawn.fresh.bounded_already());
            optimised = Some(Layout {
                worth: Some(worth),
                ..own
            });
        }
    }
    notes.extend(rules.warnings());
    Ok(Delimiting {
        find: case.find.clone(),
        on: case.on,
        duration: rules.duration.words(),
        versions: rings.versions(),
        rings: views,
        unplaced,
        by_rings,
        optimised,
        hanging: about.held.len(),
        bounded_already,
        notes,
    })
}

/// The protocol's rings round the finds of a case.
///
/// # Errors
/// No find with a position, a label in `heavy` that is none of its finds, rings that are refused.
pub fn lay(case: &Case, rules: &RingProtocol, wanted: &Wanted) -> Result<Rings, ChainError> {
    if let Some(label) = wanted
        .heavy
        .iter()
        .find(|l| case.finds.iter().all(|f| f.label != **l))
    {
        return Err(ChainError::Unknown {
            what: "find of this response",
            label: label.clone(),
        });
    }
    let centres: Vec<Centre> = case
        .finds
        .iter()
        .filter_map(|f| {
            Some(Centre {
                at: case.point(f.position?),
                since: f.taken,
                heavy: wanted.heavy.contains(&f.label),
            })
        })
        .collect();
    if centres.is_empty() {
        return Err(ChainError::asked(
            "find",
            "no confirmed find of this response has a position, so nothing can be laid round it",
        ));
    }
    Ok(Rings::new(rules.clone(), centres)?)
}

fn no_bait(case: &Case, named: &[(String, Area)]) -> Vec<NoBait> {
    let corner = |c: &[f64; 2]| case.point(Position { lon: c[0], lat: c[1] });
    named
        .iter()
        .map(|(name, area)| NoBait {
            name: name.clone(),
            ground: Bare::Polygon {
                lines: area
                    .0
                    .iter()
                    .flatten()
                    .map(|line| line.iter().map(corner).collect())
                    .collect(),
            },
        })
        .collect()
}

/// Everything about the finds, in metres.
struct About<'a> {
    frame: &'a Frame,
    ground: &'a Ground,
    /// Cells with hosts: middle and hosts.
    cells: Vec<delimit::Position>,
    inside: Vec<Vec<&'a Host>>,
    /// Width of a cell, metres.
    cell_m: f64,
    resolution: u8,
    index: HashMap<u64, usize>,
    places: Vec<Place>,
    at: Vec<Point>,
    /// Places where nothing may be baited.
    barred: Vec<bool>,
    /// Where traps for the target hang already.
    held: Vec<Position>,
    hours_a_tree: f64,
    sensitivity: f64,
    spacing_m: f64,
}

struct Drawn {
    planned: Stakes,
    fresh: Stakes,
}

fn flat(p: Point) -> delimit::Position {
    delimit::Position {
        x_m: p.x_m,
        y_m: p.y_m,
    }
}

/// Where the outermost ring ends, metres from a find.
fn outermost_m(rules: &RingProtocol, heavy: bool) -> f64 {
    let extended = rules
        .extension
        .as_ref()
        .filter(|_| heavy)
        .map_or(0.0, |e| e.to_m.central());
    let edge = match &rules.shape {
        Shape::Radius {} => rules
            .ring
            .last()
            .and_then(|r| r.to_m.as_ref())
            .map_or(0.0, |p| p.central()),
        Shape::Squares { cell_m } => {
            let cells: f64 = rules
                .ring
                .iter()
                .map(|r| r.cells.as_ref().map_or(1.0, |p| p.central()))
                .sum();
            (cells - 0.5) * cell_m.central() * std::f64::consts::SQRT_2
        }
    };
    edge.max(extended)
}

impl<'a> About<'a> {
    #[expect(clippy::too_many_arguments, reason = "one call, all of it needed")]
    fn of(
        programme: &Programme,
        case: &'a Case,
        ground: &'a Ground,
        rings: &Rings,
        flight: Option<(&Kernel, Dist)>,
        bare: &[NoBait],
        wanted: &Wanted,
        notes: &mut Notes,
    ) -> Result<Self, ChainError> {
        let rules = rings.protocol();
        // As far as the rings, and as far again as a few generations may have flown.
        let flown = match (&rules.extent, flight) {
            (Some(extent), Some((kernel, factor))) => {
                2.0 * extent.generations.central().max(1.0).sqrt() * factor.central() * kernel.quantile(0.99)
            }
            _ => 0.0,
        };
        let rings_m = outermost_m(rules, rings.centres().iter().any(|c| c.heavy));
        let far_m = (1.2 * rings_m).max(flown).min(FARTHEST_M);
        let is_near = |p: Position, far_m: f64| {
            let at = case.point(p);
            rings.centres().iter().any(|c| c.at.distance_m(at) <= far_m)
        };
        let hosts: Vec<&Host> = ground
            .hosts
            .iter()
            .filter(|h| is_near(h.position, far_m))
            .collect();
        if hosts.is_empty() {
            return Err(ChainError::asked(
                "find",
                format!("no host tree of the inventory stands within {far_m:.0} m of the finds"),
            ));
        }
        let resolution = ground.cells.resolution;
        let mut by_cell: BTreeMap<u64, Vec<&Host>> = BTreeMap::new();
        for host in hosts {
            if let Some(id) = cells::at(host.position, resolution) {
                by_cell.entry(id).or_default().push(host);
            }
        }
        let middle = |id: u64| {
            let corners = cells::corners(id);
            let n = corners.len().max(1) as f64;
            let at: Vec<Point> = corners.iter().map(|c| case.point(*c)).collect();
            delimit::Position {
                x_m: at.iter().map(|p| p.x_m).sum::<f64>() / n,
                y_m: at.iter().map(|p| p.y_m).sum::<f64>() / n,
            }
        };
        let area_m2 = by_cell.keys().next().map_or(1.0, |id| cells::area_of(*id));
        let index = by_cell.keys().enumerate().map(|(i, id)| (*id, i)).collect();
        let middles = by_cell.keys().map(|id| middle(*id)).collect();

        // Candidates among the hosts near the rings only: a county's would take long.
        let near = Ground {
            profile: ground.profile.clone(),
            params: ground.params,
            hosts: ground
                .hosts
                .iter()
                .filter(|h| is_near(h.position, far_m))
                .cloned()
                .collect(),
            pathways: Vec::new(),
            land: ground.land.clone(),
            zones: ground.zones.clone(),
            cells: ground.cells.clone(),
            xy: Vec::new(),
        };
        let hanging = programme.hanging()?;
        let taken: BTreeSet<&str> = hanging.iter().map(|h| h.placement.place.as_str()).collect();
        let own: Vec<Place> = programme
            .places()?
            .into_iter()
            .filter(|p| !p.forbidden && !taken.contains(p.label.as_str()) && is_near(p.position, far_m))
            .collect();
        let request = Request {
            // Only candidates are asked for: the planner of a survey is another.
            limit: earlywood_planner::siting::Limit::Count(1),
            aim: crate::siting::Aim::default(),
            spacing_m: None,
            own_places_only: false,
            most_candidates: wanted.most_candidates,
            keep_hanging: false,
            seed: wanted.seed,
            effort: 1.0,
            time_limit: None,
            prove: false,
        };
        let places = candidates(&near, &own, &request, notes)?;
        let at: Vec<Point> = places.iter().map(|p| case.point(p.position)).collect();
        let held: Vec<Position> = hanging
            .iter()
            .filter(|h| {
                h.placement.targets.contains(&case.profile.id) && is_near(h.placement.position, far_m)
            })
            .map(|h| h.placement.position)
            .collect();
        let look = rules.tree_look.as_ref();
        Ok(About {
            frame: &case.frame,
            ground,
            cells: middles,
            inside: by_cell.into_values().collect(),
            cell_m: area_m2.max(1.0).sqrt(),
            resolution,
            index,
            barred: at
                .iter()
                .map(|p| bare.iter().any(|z| z.ground.holds(*p)))
                .collect(),
            places,
            at,
            held,
            hours_a_tree: look.map_or(0.0, |l| l.minutes.central() / 60.0),
            sensitivity: look.map_or(0.0, |l| l.sensitivity.central()),
            spacing_m: ground.profile.siting.spacing_m.central(),
        })
    }

    fn position(&self, at: Point) -> Position {
        self.frame.from_xy(Xy {
            x_m: at.x_m,
            y_m: at.y_m,
        })
    }

    fn point(&self, p: Position) -> Point {
        let xy = self.frame.to_xy(p);
        Point {
            x_m: xy.x_m,
            y_m: xy.y_m,
        }
    }

    fn by_rings(
        &self,
        rings: &Rings,
        case: &Case,
        bare: &[NoBait],
    ) -> Result<(Layout, Vec<RingView>, Vec<Unplaced>), ChainError> {
        let spots = rings.spots(case.on);
        let done = snap(rings, case.on, &spots, &self.at, bare, None)?;
        let traps: Vec<TrapSpot> = done
            .placed
            .iter()
            .map(|p| TrapSpot {
                place: self.places[p.place].label.clone(),
                position: self.places[p.place].position,
                ring: spots[p.spot].ring as u32 + 1,
                adds: None,
                moved_m: Some(p.moved_m),
            })
            .collect();
        let unplaced = done
            .missing
            .iter()
            .map(|m| Unplaced {
                position: self.position(spots[m.spot].at),
                ring: spots[m.spot].ring as u32 + 1,
                why: m.words(bare),
            })
            .collect();
        let hosts: Vec<&Host> = self.inside.iter().flatten().copied().collect();
        let at: Vec<Point> = hosts.iter().map(|h| self.point(h.position)).collect();
        let wanted = rings.trees(&at, case.on);
        let looks: Vec<LookSpot> = wanted
            .iter()
            .map(|(tree, ring)| self.look(&[hosts[*tree]], *ring as u32 + 1, None))
            .collect();
        let ring = |k: usize, ring: &earlywood_model::rings::Ring| RingView {
            ring: k as u32 + 1,
            name: ring.name.clone(),
            wanted: spots.iter().filter(|s| s.ring == k).count(),
            placed: traps.iter().filter(|t| t.ring == k as u32 + 1).count(),
            look_every_days: ring.look_every_days.as_ref().map(|p| p.central()),
            trees: wanted.iter().filter(|(_, r)| *r == k).count(),
        };
        let views = rings
            .protocol()
            .ring
            .iter()
            .enumerate()
            .map(|(k, r)| ring(k, r))
            .collect();
        let layout = Layout {
            method: "rings",
            hours: looks.iter().map(|l| l.hours).sum(),
            traps,
            looks,
            worth: None,
            bound: None,
            gap: None,
        };
        Ok((layout, views, unplaced))
    }

    fn look(&self, trees: &[&Host], ring: u32, adds: Option<f64>) -> LookSpot {
        let more = trees.len() - 1;
        let first = &trees[0].label;
        LookSpot {
            label: if more == 0 {
                first.clone()
            } else {
                format!("{first} and {more} more")
            },
            trees: trees.iter().map(|t| t.label.clone()).collect(),
            position: trees[0].position,
            ring,
            hours: self.hours_a_tree * trees.len() as f64,
            adds,
        }
    }

    /// Scenarios to plan with, and fresh ones to weigh with.
    fn drawn(
        &self,
        case: &Case,
        origin: Option<&Origin>,
        extent: &Extent,
        (kernel, factor): (&Kernel, Dist),
        wanted: &Wanted,
        notes: &mut Notes,
    ) -> Result<Drawn, ChainError> {
        let began = self.began(case, origin, notes);
        let trees: Vec<f64> = self.inside.iter().map(|h| h.len() as f64).collect();
        let (generations, founders) = (extent.generations.dist, extent.founders.dist);
        let (growth, a_tree) = (extent.growth.dist, extent.insects_a_tree.central());
        let spread = Spread {
            cells: &self.cells,
            origin: &began,
            trees: &trees,
            cell_m: self.cell_m,
            screening: self.ground.params.screening,
            insects_a_tree: a_tree,
        };
        let life = |rng: &mut ChaCha8Rng| Life {
            generations: generations.draw(rng).round().clamp(0.0, 100.0) as u32,
            founders: founders.draw(rng).round().clamp(1.0, 1000.0) as u32,
            growth: growth.draw(rng).max(0.0),
        };
        // A flight longer than the ground that is weighed ends nowhere in it: cut, so that heavy tails stay numbers.
        let quantile = Quantiles::of(kernel);
        let flight = |rng: &mut ChaCha8Rng| {
            let stretched = factor.draw(rng).max(0.0);
            (stretched * quantile.at(rng.random())).min(2.0 * FARTHEST_M)
        };
        let known = Known {
            finds: case
                .finds
                .iter()
                .filter_map(|f| f.position)
                .map(|p| flat(self.point(p)))
                .collect(),
            enclose_m: extent.enclose_m.central(),
            sectors: extent.sectors.central() as u32,
        };
        let made = |seed: u64| -> Result<Stakes, ChainError> {
            let drawn: Vec<Scenario> = spread.scenarios(wanted.scenarios, seed, life, flight)?;
            Ok(Stakes::new(self.cells.clone(), drawn, known.clone())?)
        };
        Ok(Drawn {
            planned: made(wanted.seed)?,
            fresh: made(wanted.seed.wrapping_add(0x9e37_79b9_7f4a_7c15))?,
        })
    }

    /// Chance that it began in each cell: the origin's posterior, or the cells of the finds.
    fn began(&self, case: &Case, origin: Option<&Origin>, notes: &mut Notes) -> Vec<f64> {
        let mut began = vec![0.0; self.cells.len()];
        let mut put = |at: Position, mass: f64| {
            let cell = cells::at(at, self.resolution).and_then(|id| self.index.get(&id).copied());
            let here = flat(self.point(at));
            let far = |c: &delimit::Position| (c.x_m - here.x_m).hypot(c.y_m - here.y_m);
            let nearest =
                || (0..self.cells.len()).min_by(|a, b| far(&self.cells[*a]).total_cmp(&far(&self.cells[*b])));
            if let Some(cell) = cell.or_else(nearest) {
                began[cell] += mass;
            }
        };
        match origin {
            Some(origin) => {
                for cell in origin.cells.iter().filter(|c| !c.corners.is_empty()) {
                    let n = cell.corners.len() as f64;
                    let middle = Position {
                        lat: cell.corners.iter().map(|c| c.lat).sum::<f64>() / n,
                        lon: cell.corners.iter().map(|c| c.lon).sum::<f64>() / n,
                    };
                    put(middle, cell.probability);
                }
            }
            None => {
                notes.push("where it began is not known: scenarios begin at the finds themselves".into());
                for find in &case.finds {
                    if let Some(at) = find.position {
                        put(at, f64::from(find.count));
                    }
                }
            }
        }
        began
    }

    fn optimise(
        &self,
        rings: &Rings,
        case: &Case,
        stakes: &Stakes,
        by_rings: &Layout,
        wanted: &Wanted,
    ) -> Result<Layout, ChainError> {
        let free = self
            .places
            .iter()
            .zip(&self.barred)
            .map(|(p, barred)| (p.position, *barred));
        let traps: Vec<Trap> = free
            .map(|(p, barred)| self.trap(p, if barred { Use::Barred } else { Use::Free }))
            .chain(self.held.iter().map(|p| self.trap(*p, Use::Held)))
            .collect();
        let mut looks = Vec::new();
        let mut blocks: Vec<&[&Host]> = Vec::new();
        if self.sensitivity > 0.0 {
            for (cell, hosts) in (0u32..).zip(&self.inside) {
                for block in hosts.chunks(BLOCK) {
                    looks.push(self.look_of(cell, block.len()));
                    blocks.push(block);
                }
            }
        }
        let limits = Limits {
            traps: wanted.traps.unwrap_or(by_rings.traps.len()),
            hours: wanted.hours.unwrap_or(by_rings.hours),
            spacing_m: self.spacing_m,
        };
        let problem = self.problem(stakes, traps, looks, limits)?;
        let plan = solve(&problem, &Options::default())?;
        let ring = |at: Point| rings.ring_of(at, case.on).map_or(0, |r| r as u32 + 1);
        Ok(Layout {
            method: "optimised",
            traps: plan
                .traps
                .iter()
                .map(|t| TrapSpot {
                    place: self.places[t.index].label.clone(),
                    position: self.places[t.index].position,
                    ring: ring(self.at[t.index]),
                    adds: Some(t.adds),
                    moved_m: None,
                })
                .collect(),
            looks: plan
                .looks
                .iter()
                .map(|l| {
                    let block = blocks[l.index];
                    self.look(block, ring(self.point(block[0].position)), Some(l.adds))
                })
                .collect(),
            hours: plan.hours,
            worth: None,
            bound: Some(plan.bound),
            gap: Some(plan.gap),
        })
    }

    fn trap(&self, at: Position, usage: Use) -> Trap {
        Trap {
            at: flat(self.point(at)),
            usage,
        }
    }

    fn look_of(&self, cell: u32, trees: usize) -> Look {
        Look {
            cell,
            hours: self.hours_a_tree * trees as f64,
            chance_each: self.sensitivity * trees as f64 / self.inside[cell as usize].len() as f64,
        }
    }

    fn problem<'s>(
        &self,
        stakes: &'s Stakes,
        traps: Vec<Trap>,
        looks: Vec<Look>,
        limits: Limits,
    ) -> Result<Problem<'s>, ChainError> {
        let capture = self.ground.params.capture;
        let cutoff_m = capture.cutoff_m(NEGLIGIBLE * capture.peak()).max(1.0);
        Ok(Problem::new(
            stakes,
            traps,
            looks,
            cutoff_m,
            |d| capture.probability(d),
            limits,
        )?)
    }

    /// Any layout on any scenarios, by formula and by trial.
    fn worth(&self, stakes: &Stakes, layout: &Layout, wanted: &Wanted) -> Result<Worth, ChainError> {
        let own = layout.traps.iter().map(|t| self.trap(t.position, Use::Free));
        let traps: Vec<Trap> = own
            .chain(self.held.iter().map(|p| self.trap(*p, Use::Held)))
            .collect();
        let mut trees: BTreeMap<usize, usize> = BTreeMap::new();
        for look in &layout.looks {
            let cell = cells::at(look.position, self.resolution).and_then(|id| self.index.get(&id));
            if let Some(cell) = cell.filter(|_| self.sensitivity > 0.0) {
                *trees.entry(*cell).or_default() += look.trees.len();
            }
        }
        let looks: Vec<Look> = trees
            .iter()
            .map(|(cell, n)| self.look_of(*cell as u32, *n))
            .collect();
        let limits = Limits {
            traps: layout.traps.len(),
            hours: layout.hours,
            spacing_m: 0.0,
        };
        let (hang, look): (Vec<usize>, Vec<usize>) =
            ((0..layout.traps.len()).collect(), (0..looks.len()).collect());
        let problem = self.problem(stakes, traps, looks, limits)?;
        let chance = problem.evaluate(&hang, &look)?;
        let played = trial(&problem, &hang, &look, wanted.worlds, wanted.seed)?;
        Ok(Worth {
            share: chance.share,
            whole: chance.whole,
            whole_by_trial: played.whole,
            nothing_outside: played.nothing_outside,
            standard_error: played.standard_error(0.5),
            worlds: played.worlds,
        })
    }
}

/// A kernel's distances at even steps of probability: drawing one is a look-up.
struct Quantiles {
    metres: Vec<f64>,
}

impl Quantiles {
    const STEPS: usize = 2000;

    fn of(kernel: &Kernel) -> Self {
        let at = |k: usize| kernel.quantile((k as f64 + 0.5) / Self::STEPS as f64);
        Quantiles {
            metres: (0..Self::STEPS).map(at).collect(),
        }
    }

    fn at(&self, u: f64) -> f64 {
        let at = (u * Self::STEPS as f64) as usize;
        self.metres[at.min(Self::STEPS - 1)]
    }
}

impl Delimiting {
    /// The layout of a method.
    ///
    /// # Errors
    /// A method that is not `rings` or `optimised`, or an optimised plan that could not be made.
    pub fn layout(&self, method: &str) -> Result<&Layout, ChainError> {
        match method {
            "rings" => Ok(&self.by_rings),
            "optimised" => self.optimised.as_ref().ok_or_else(|| {
                ChainError::asked(
                    "method",
                    "there is no optimised plan: the protocol says nothing of the extent or of flight",
                )
            }),
            _ => Err(ChainError::asked(
                "method",
                format!("\"{method}\" is no method; write rings or optimised"),
            )),
        }
    }

    /// The entry with which people with standing adopt one of the two.
    ///
    /// # Errors
    /// As [`Delimiting::layout`]; a last day before the first; no reason.
    pub fn adopted(
        &self,
        method: &str,
        (from, to): (Date, Option<Date>),
        wanted: &Wanted,
        reason: &str,
    ) -> Result<DelimitingAdopted, ChainError> {
        let layout = self.layout(method)?;
        super::in_order(from, to)?;
        if reason.trim().is_empty() {
            return Err(ChainError::asked("reason", "say why this layout is adopted"));
        }
        let trap = |t: &TrapSpot| DelimitingSpot {
            label: t.place.clone(),
            position: t.position,
            ring: t.ring,
            hours: None,
        };
        let look = |l: &LookSpot| DelimitingSpot {
            label: l.label.clone(),
            position: l.position,
            ring: l.ring,
            hours: Some(l.hours),
        };
        Ok(DelimitingAdopted {
            find: self.find.clone(),
            method: layout.method.to_owned(),
            from,
            to,
            traps: layout.traps.iter().map(trap).collect(),
            looks: layout.looks.iter().map(look).collect(),
            settings: json!({
                "on": self.on, "traps": wanted.traps, "hours": wanted.hours, "heavy": wanted.heavy,
                "no_bait": wanted.no_bait.iter().map(|(name, _)| name).collect::<Vec<_>>(),
                "scenarios": wanted.scenarios, "worlds": wanted.worlds, "seed": wanted.seed,
                "worth": layout.worth, "bound": layout.bound,
            }),
            reason: reason.to_owned(),
        })
    }

    /// Both layouts and the spots without a place, as GeoJSON (RFC 7946). Confidential: exact positions.
    pub fn geojson(&self) -> Value {
        let feature = |at: Position, kind: &str, method: &str, properties: Value| {
            let mut properties = properties;
            properties["kind"] = json!(kind);
            properties["method"] = json!(method);
            json!({
                "type": "Feature",
                "geometry": { "type": "Point", "coordinates": [at.lon, at.lat] },
                "properties": properties,
            })
        };
        let mut features = Vec::new();
        for layout in std::iter::once(&self.by_rings).chain(&self.optimised) {
            let method = layout.method;
            features.extend(
                layout
                    .traps
                    .iter()
                    .map(|t| feature(t.position, "delimiting-trap", method, json!(t))),
            );
            features.extend(
                layout
                    .looks
                    .iter()
                    .map(|l| feature(l.position, "delimiting-look", method, json!(l))),
            );
        }
        let unplaced = self.unplaced.iter();
        features.extend(unplaced.map(|u| feature(u.position, "delimiting-unplaced", "rings", json!(u))));
        json!({ "type": "FeatureCollection", "features": features })
    }
}
