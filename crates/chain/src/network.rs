//! A network at its best (lures fresh, every visit made): what it would see in each cell, and what a change of a few traps
//! would change. Built once, asked many times while a trap is dragged over the map.

use std::sync::{Arc, Mutex, PoisonError};

use earlywood_geodata::places::Ground as PlaceGround;
use earlywood_geodata::{PlaceRules, Standing, geodesic_m};
use earlywood_model::assurance::Band;
use earlywood_model::capture::Capture;
use earlywood_model::detection::{Cutoff, Point, Surface, SurfaceTrap};
use earlywood_model::profile::DrawnParams;
use earlywood_model::record::{Place, Position};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::error::ChainError;
use crate::ground::Ground;

/// Pairs whose capture lies below this share of the peak are left out, as when a plan is made.
const CUTOFF: Cutoff = Cutoff::ShareOfPeak(1e-6);
/// A cell whose value changes by no more than this is not told; design choice, half of what two decimals show as 0.1 %.
const LEAST_CHANGE: f64 = 0.0005;
/// Most draws behind a band of a what-if; they share the processor with everybody else's questions.
pub const MOST_DRAWS: u32 = 200;

/// A trap on the drawing board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Spot {
    /// Label of the trap, or of the place.
    pub label: String,
    /// Latitude.
    pub lat: f64,
    /// Longitude.
    pub lon: f64,
    /// A plan must keep it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub kept: bool,
    /// What one season there costs, crew hours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cost: Option<f64>,
}

impl Spot {
    /// Where it is.
    ///
    /// # Errors
    /// No position on the globe.
    pub fn position(&self) -> Result<Position, ChainError> {
        Ok(Position::new(self.lat, self.lon)?)
    }

    /// A place as a spot.
    pub fn of(place: &Place) -> Spot {
        Spot {
            label: place.label.clone(),
            lat: place.position.lat,
            lon: place.position.lon,
            kept: place.kept,
            cost: Some(place.cost),
        }
    }
}

/// One draw's network: hazards and what is caught.
#[derive(Debug)]
struct Drawn {
    capture: Capture,
    caught: f64,
    hazard: Vec<f64>,
    /// Sum of share x value, by zone and in all.
    zones: Vec<f64>,
    all: f64,
}

/// A network over the ground of one target.
pub struct Network {
    /// The ground.
    pub ground: Arc<Ground>,
    spots: Vec<Spot>,
    at: Vec<Point>,
    positions: Vec<Position>,
    surface: Surface,
    /// Share of all the risk, by cell.
    share: Vec<f64>,
    /// Share of its zone's risk, by cell.
    zone_share: Vec<f64>,
    zone: Vec<usize>,
    zones: usize,
    central: Drawn,
    standing: Arc<Standing>,
    spacing_m: f64,
    drawn: Mutex<Option<(u32, Arc<Vec<Drawn>>)>>,
}

impl std::fmt::Debug for Network {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "Network({} traps, {} cells)",
            self.spots.len(),
            self.share.len()
        )
    }
}

/// What to try.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Change {
    /// Traps that would hang elsewhere, with where.
    pub moved: Vec<Spot>,
    /// Traps that would be added.
    pub added: Vec<Position>,
    /// Labels of traps that would go.
    pub removed: Vec<String>,
}

/// One zone, or all of them, before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct BeforeAfter {
    /// The zone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// Sensitivity of the network as it is.
    pub before: f64,
    /// Sensitivity of the network as it would be.
    pub after: f64,
    /// Band of the first, over draws.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub band_before: Option<crate::view::Band>,
    /// Band of the second.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub band_after: Option<crate::view::Band>,
}

/// A rule that a spot breaks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Broken {
    /// The trap or place.
    pub label: String,
    /// The rule, in words.
    pub words: String,
}

/// What a change would change.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct WhatIf {
    /// By zone.
    pub zones: Vec<BeforeAfter>,
    /// Over the whole ground.
    pub all: BeforeAfter,
    /// Cells whose value changes: index, before, after.
    pub cells: Vec<(u32, f64, f64)>,
    /// Rules that the moved and added traps would break.
    pub broken_rules: Vec<Broken>,
    /// How long it took.
    pub milliseconds: f64,
}

/// The rules of a target's profile about hosts, land and zones, laid out over its ground.
///
/// # Errors
/// Rules that contradict each other.
pub fn standing(ground: &Ground) -> Result<Standing, ChainError> {
    let siting = &ground.profile.siting;
    let rules = PlaceRules::new(
        siting.standoff_min_m.central(),
        siting.standoff_max_m.central(),
        siting.spacing_m.central(),
    )?;
    let around = PlaceGround {
        hosts: &ground.hosts,
        land: &ground.land,
        zones: &ground.zones,
    };
    Ok(Standing::new(around, rules)?)
}

/// The network's value in one cell, from its hazard: `1 - exp(-s N (1 - exp(-H)))`.
fn seen(caught: f64, hazard: f64) -> f64 {
    -(caught * (-hazard).exp_m1()).exp_m1()
}

impl Network {
    /// Lays it out and reckons it at central parameters.
    ///
    /// # Errors
    /// Positions that can't be; rules of the profile that contradict each other.
    pub fn new(
        ground: Arc<Ground>,
        standing: Arc<Standing>,
        spots: Vec<Spot>,
    ) -> Result<Network, ChainError> {
        let points: Vec<Point> = ground
            .xy
            .iter()
            .map(|p| Point {
                x_m: p.x_m,
                y_m: p.y_m,
            })
            .collect();
        let surface = Surface::over_points(&points)?;
        let zones = ground.zone_labels().len();
        let zone: Vec<usize> = ground.cells.cells.iter().map(|c| c.zone.unwrap_or(0)).collect();
        let mut totals = vec![0.0; zones];
        let weights = ground.cells.weights();
        zone.iter().zip(&weights).for_each(|(z, w)| totals[*z] += w);
        let zone_share = zone
            .iter()
            .zip(&weights)
            .map(|(z, w)| if totals[*z] > 0.0 { w / totals[*z] } else { 0.0 })
            .collect();
        let spacing_m = ground.profile.siting.spacing_m.central();
        let positions: Vec<Position> = spots.iter().map(Spot::position).collect::<Result<_, _>>()?;
        let mut network = Network {
            at: positions.iter().map(|p| point(&ground, *p)).collect(),
            positions,
            share: ground.shares(),
            central: Drawn {
                capture: ground.params.capture,
                caught: 0.0,
                hazard: Vec::new(),
                zones: Vec::new(),
                all: 0.0,
            },
            ground,
            spots,
            surface,
            zone_share,
            zone,
            zones,
            standing,
            spacing_m,
            drawn: Mutex::new(None),
        };
        network.central = network.reckon(&network.ground.params)?;
        Ok(network)
    }

    /// The same network, held to another least distance between traps than the profile's.
    pub fn spaced(mut self, spacing_m: f64) -> Self {
        self.spacing_m = spacing_m;
        self
    }

    fn reckon(&self, params: &DrawnParams) -> Result<Drawn, ChainError> {
        let traps: Vec<SurfaceTrap> = self
            .at
            .iter()
            .map(|at| SurfaceTrap::new(*at, params.capture, 1.0))
            .collect::<Result<_, _>>()?;
        let hazard = self.surface.hazards(&traps, CUTOFF);
        let caught = params.flyers * params.screening;
        let mut drawn = Drawn {
            capture: params.capture,
            caught,
            zones: vec![0.0; self.zones],
            all: 0.0,
            hazard,
        };
        for (c, hazard) in drawn.hazard.iter().enumerate() {
            let value = seen(caught, *hazard);
            drawn.zones[self.zone[c]] += self.zone_share[c] * value;
            drawn.all += self.share[c] * value;
        }
        Ok(drawn)
    }

    /// The traps.
    pub fn spots(&self) -> &[Spot] {
        &self.spots
    }

    /// Value of every cell.
    pub fn values(&self) -> Vec<f64> {
        let caught = self.central.caught;
        self.central.hazard.iter().map(|h| seen(caught, *h)).collect()
    }

    /// Sensitivity over the whole ground, and by zone.
    pub fn sensitivity(&self) -> (f64, Vec<(String, f64)>) {
        let labels = self.ground.zone_labels();
        (
            self.central.all,
            labels
                .into_iter()
                .zip(self.central.zones.iter().copied())
                .collect(),
        )
    }

    /// Median and band over the whole ground.
    ///
    /// # Errors
    /// A profile that can't be drawn from.
    pub fn band(&self, draws: u32) -> Result<Band, ChainError> {
        let drawn = self.drawn(draws)?;
        Ok(band_of(drawn.iter().map(|d| d.all).collect()))
    }

    /// The network under draws of its parameters: the same stream for the same number, kept for the next question.
    fn drawn(&self, draws: u32) -> Result<Arc<Vec<Drawn>>, ChainError> {
        let draws = draws.clamp(1, MOST_DRAWS);
        let mut kept = self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, made)) = kept.as_ref().filter(|(n, _)| *n == draws) {
            return Ok(Arc::clone(made));
        }
        let made: Vec<Drawn> = (0..draws)
            .into_par_iter()
            .map(|draw| {
                let mut rng = ChaCha8Rng::seed_from_u64(1);
                rng.set_stream(u64::from(draw));
                self.reckon(&self.ground.profile.drawn(&mut rng)?)
            })
            .collect::<Result<_, ChainError>>()?;
        let made = Arc::new(made);
        *kept = Some((draws, Arc::clone(&made)));
        Ok(made)
    }

    /// The rules that the network's own traps break.
    pub fn broken_rules(&self) -> Vec<Broken> {
        let places: Vec<Place> = self
            .spots
            .iter()
            .zip(&self.positions)
            .map(|(s, p)| place(&s.label, *p))
            .collect();
        let mut broken: Vec<Broken> = places
            .par_iter()
            .flat_map_iter(|p| self.standing_faults(p))
            .collect();
        for (later, here) in self.positions.iter().enumerate() {
            broken.extend(self.too_near(&self.spots[later].label, *here, 0..later, &[]));
        }
        broken
    }

    fn standing_faults(&self, place: &Place) -> Vec<Broken> {
        let faults = self.standing.faults(&self.ground.hosts, place);
        let broken = |fault: earlywood_geodata::Fault| Broken {
            label: place.label.clone(),
            words: fault.to_string(),
        };
        faults.into_iter().map(broken).collect()
    }

    /// The nearest of the network's traps that hangs too near a spot.
    fn too_near(
        &self,
        label: &str,
        here: Position,
        among: std::ops::Range<usize>,
        gone: &[usize],
    ) -> Option<Broken> {
        let (spacing_m, at) = (self.spacing_m, point(&self.ground, here));
        let near = |i: &usize| self.at[*i].distance_m(at) < 1.001 * spacing_m && !gone.contains(i);
        let (other, distance_m) = among
            .filter(near)
            .map(|i| (i, geodesic_m(here, self.positions[i])))
            .filter(|(_, d)| *d < spacing_m)
            .min_by(|a, b| a.1.total_cmp(&b.1))?;
        Some(Broken {
            label: label.to_owned(),
            words: format!(
                "{distance_m:.1} m from trap {}; the least is {spacing_m} m",
                self.spots[other].label
            ),
        })
    }

    /// What a change would change. Only the cells within the reach of the traps concerned are reckoned.
    ///
    /// # Errors
    /// A label that the network does not have, or a position that can't be.
    pub fn what_if(&self, change: &Change, draws: u32) -> Result<WhatIf, ChainError> {
        let find = |label: &str| {
            self.spots
                .iter()
                .position(|s| s.label == label)
                .ok_or_else(|| ChainError::Unknown {
                    what: "trap",
                    label: label.to_owned(),
                })
        };
        let mut gone = Vec::new();
        for label in change.moved.iter().map(|s| &s.label).chain(&change.removed) {
            let at = find(label)?;
            if gone.contains(&at) {
                return Err(ChainError::asked(
                    "moved",
                    format!("trap {label:?} is named twice"),
                ));
            }
            gone.push(at);
        }
        let mut come: Vec<(String, Position)> = Vec::new();
        for spot in &change.moved {
            come.push((spot.label.clone(), spot.position()?));
        }
        for (n, p) in change.added.iter().enumerate() {
            come.push((format!("new {}", n + 1), Position::new(p.lat, p.lon)?));
        }
        let central = self.effect(&self.central, &gone, &come)?;
        let mut bands = None;
        if draws > 0 {
            let drawn = self.drawn(draws)?;
            let effects: Vec<Effect> = drawn
                .par_iter()
                .map(|d| self.effect(d, &gone, &come))
                .collect::<Result<_, _>>()?;
            bands = Some((drawn, effects));
        }
        let row = |zone: Option<usize>, label: Option<String>| {
            let of = |d: &Drawn| zone.map_or(d.all, |z| d.zones[z]);
            let after = |e: &Effect| zone.map_or(e.all, |z| e.zones[z]);
            BeforeAfter {
                zone: label,
                before: of(&self.central),
                after: after(&central),
                band_before: bands
                    .as_ref()
                    .map(|(d, _)| band_of(d.iter().map(of).collect()).into()),
                band_after: bands
                    .as_ref()
                    .map(|(_, e)| band_of(e.iter().map(after).collect()).into()),
            }
        };
        let labels = self.ground.zone_labels();
        Ok(WhatIf {
            zones: labels
                .into_iter()
                .enumerate()
                .map(|(z, label)| row(Some(z), Some(label)))
                .collect(),
            all: row(None, None),
            cells: central
                .cells
                .into_iter()
                .filter(|(_, before, after)| (before - after).abs() > LEAST_CHANGE)
                .collect(),
            broken_rules: self.broken_by(&come, &gone),
            milliseconds: 0.0,
        })
    }

    fn broken_by(&self, come: &[(String, Position)], gone: &[usize]) -> Vec<Broken> {
        let mut broken = Vec::new();
        for (i, (label, here)) in come.iter().enumerate() {
            broken.extend(self.standing_faults(&place(label, *here)));
            broken.extend(self.too_near(label, *here, 0..self.spots.len(), gone));
            let spacing_m = self.spacing_m;
            for (other, there) in &come[..i] {
                let distance_m = geodesic_m(*here, *there);
                if distance_m < spacing_m {
                    broken.push(Broken {
                        label: label.clone(),
                        words: format!("{distance_m:.1} m from trap {other}; the least is {spacing_m} m"),
                    });
                }
            }
        }
        broken
    }

    fn effect(
        &self,
        drawn: &Drawn,
        gone: &[usize],
        come: &[(String, Position)],
    ) -> Result<Effect, ChainError> {
        let points = gone
            .iter()
            .map(|i| (self.at[*i], -1.0))
            .chain(come.iter().map(|(_, p)| (point(&self.ground, *p), 1.0)));
        let (points, signs): (Vec<Point>, Vec<f64>) = points.unzip();
        let traps: Vec<SurfaceTrap> = points
            .iter()
            .map(|at| SurfaceTrap::new(*at, drawn.capture, 1.0))
            .collect::<Result<_, _>>()?;
        let table = self.surface.coverage(&traps, CUTOFF);
        let mut changed: Vec<(u32, f64)> = Vec::with_capacity(table.cell.len());
        for (row, sign) in signs.iter().enumerate() {
            let (cells, hazards) = table.row(row);
            changed.extend(cells.iter().zip(hazards).map(|(c, h)| (*c, sign * h)));
        }
        changed.sort_by_key(|(c, _)| *c);
        let mut effect = Effect {
            cells: Vec::new(),
            zones: drawn.zones.clone(),
            all: drawn.all,
        };
        for run in changed.chunk_by(|a, b| a.0 == b.0) {
            let c = run[0].0 as usize;
            let delta: f64 = run.iter().map(|r| r.1).sum();
            let before = seen(drawn.caught, drawn.hazard[c]);
            // Taking away what was added before may leave a rounding below 0.
            let after = seen(drawn.caught, (drawn.hazard[c] + delta).max(0.0));
            effect.zones[self.zone[c]] += self.zone_share[c] * (after - before);
            effect.all += self.share[c] * (after - before);
            effect.cells.push((run[0].0, before, after));
        }
        Ok(effect)
    }
}

/// What a change does under one set of parameters.
struct Effect {
    cells: Vec<(u32, f64, f64)>,
    zones: Vec<f64>,
    all: f64,
}

fn point(ground: &Ground, p: Position) -> Point {
    let xy = ground.cells.frame.to_xy(p);
    Point {
        x_m: xy.x_m,
        y_m: xy.y_m,
    }
}

fn place(label: &str, position: Position) -> Place {
    Place {
        label: label.to_owned(),
        position,
        cost: 1.0,
        kept: false,
        forbidden: false,
    }
}

/// Median and 5-95 % band, interpolated between the two nearest.
pub(crate) fn band_of(mut values: Vec<f64>) -> Band {
    values.sort_by(f64::total_cmp);
    let at = |q: f64| {
        let place = q * (values.len().max(1) - 1) as f64;
        let (low, high) = (place.floor() as usize, place.ceil() as usize);
        match (values.get(low), values.get(high)) {
            (Some(a), Some(b)) => a + (place - place.floor()) * (b - a),
            _ => 0.0,
        }
    };
    Band {
        p05: at(0.05),
        median: at(0.5),
        p95: at(0.95),
    }
}
