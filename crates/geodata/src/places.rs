//! Candidate places between trees, and the same rules applied to a person's own list.
//!
//! A baited trap on a healthy host draws the pest to it, so a trap hangs between trees. The corners of the hosts' Voronoi
//! diagram (the circumcentres of their Delaunay triangles) are the points farthest from all trees around; they, the middles of
//! Delaunay edges, and a ring about each tree that stands alone are the candidates.

use std::collections::{HashMap, HashSet};

use earlywood_model::record::{Host, HostCondition, Land, LandRule, Place, Position, Zone};
use rayon::prelude::*;
use rstar::RTree;
use rstar::primitives::GeomWithData;
use spade::{DelaunayTriangulation, Point2, Triangulation};

use crate::area::AreaIndex;
use crate::geodesy::{Frame, Xy, geodesic_m};
use crate::problem::{GeoError, at_least};

/// Where a trap may hang in relation to hosts and other traps. Metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceRules {
    standoff_min_m: f64,
    standoff_max_m: f64,
    spacing_m: f64,
}

impl PlaceRules {
    /// Checked rules: least distance from a host that may be healthy, greatest distance from the nearest host of any
    /// condition, least distance between two places.
    ///
    /// # Errors
    /// A negative or infinite distance, or a greatest stand-off that is not above the least.
    pub fn new(standoff_min_m: f64, standoff_max_m: f64, spacing_m: f64) -> Result<PlaceRules, GeoError> {
        at_least("the least stand-off", standoff_min_m, 0.0, "0 metres or more")?;
        at_least("the greatest stand-off", standoff_max_m, 0.0, "0 metres or more")?;
        at_least("the spacing", spacing_m, 0.0, "0 metres or more")?;
        if standoff_max_m < standoff_min_m + 2.0 * MARGIN_M {
            return Err(GeoError::Inconsistent(format!(
                "the greatest stand-off ({standoff_max_m} m) must be above the least ({standoff_min_m} m)"
            )));
        }
        Ok(PlaceRules {
            standoff_min_m,
            standoff_max_m,
            spacing_m,
        })
    }

    /// Least distance from a healthy (or not assessed) host.
    pub fn standoff_min_m(&self) -> f64 {
        self.standoff_min_m
    }

    /// Greatest distance from the nearest host.
    pub fn standoff_max_m(&self) -> f64 {
        self.standoff_max_m
    }

    /// Least distance between two places.
    pub fn spacing_m(&self) -> f64 {
        self.spacing_m
    }
}

/// Kept from a limit, so that rounding a position to 7 decimals (1.1 cm) breaks no rule, metres.
const MARGIN_M: f64 = 0.02;
/// Kept from a limit as a share of it, for the frame's own error (0.01 % at a county's rim).
const MARGIN_SHARE: f64 = 1e-4;
/// Places closer than this are one place, metres.
const SAME_PLACE_M: f64 = 1.0;

/// What places stand among.
#[derive(Debug, Clone, Copy)]
pub struct Ground<'a> {
    /// Hosts.
    pub hosts: &'a [Host],
    /// Land that may and may not be used; where any is usable, a place must be inside one.
    pub land: &'a [Land],
    /// Zones; where there are any, a place must be inside one.
    pub zones: &'a [Zone],
}

/// How new places are chosen and named.
#[derive(Debug, Clone)]
pub struct PlaceOptions<'a> {
    /// Before the number in a label.
    pub prefix: &'a str,
    /// First number.
    pub first_number: usize,
    /// Places the programme has: new ones keep the spacing from them and never take their labels.
    pub existing: &'a [Place],
    /// At most so many, those among the greatest host weight first; `None` for all.
    pub most: Option<usize>,
}

impl Default for PlaceOptions<'_> {
    fn default() -> Self {
        PlaceOptions {
            prefix: "P-",
            first_number: 1,
            existing: &[],
            most: None,
        }
    }
}

/// New places, from north to south and west to east.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub struct Places {
    /// The places; positions have 7 decimals.
    pub places: Vec<Place>,
    /// Distance from each to the nearest host, metres; same length.
    pub nearest_host_m: Vec<f64>,
    /// Candidates looked at, before any rule.
    pub candidates: usize,
    /// Candidates that kept the stand-off.
    pub with_standoff: usize,
    /// Of those, the ones on land and in zones that may be used.
    pub on_usable_ground: usize,
    /// What a person should know.
    pub notes: Vec<String>,
}

/// Which rule a place breaks.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// Too near a host that is, or may be, healthy.
    TooNearHost {
        /// The host's label.
        host: String,
        /// Distance, metres.
        distance_m: f64,
        /// Least distance, metres.
        least_m: f64,
    },
    /// Too far from any host.
    TooFarFromHosts {
        /// Distance to the nearest, metres; infinite when there is no host.
        distance_m: f64,
        /// Greatest distance, metres.
        most_m: f64,
    },
    /// On land that may not be used.
    OnForbiddenLand {
        /// The land's label.
        land: String,
        /// Why it may not be used.
        reason: Option<String>,
    },
    /// On none of the land that may be used.
    OffUsableLand,
    /// In no zone.
    OutsideZones,
    /// Too near another place of the list.
    TooNearPlace {
        /// The other place's label.
        other: String,
        /// Distance, metres.
        distance_m: f64,
        /// Least distance, metres.
        least_m: f64,
    },
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Fault::TooNearHost {
                host,
                distance_m,
                least_m,
            } => write!(
                f,
                "{distance_m:.1} m from host {host}, which is or may be healthy; the least is {least_m} m"
            ),
            Fault::TooFarFromHosts { distance_m, most_m } if distance_m.is_finite() => write!(
                f,
                "{distance_m:.1} m from the nearest host; the greatest is {most_m} m"
            ),
            Fault::TooFarFromHosts { .. } => write!(f, "there is no host at all"),
            Fault::OnForbiddenLand { land, reason } => {
                write!(f, "on land {land}, which may not be used")?;
                reason.as_ref().map_or(Ok(()), |r| write!(f, " ({r})"))
            }
            Fault::OffUsableLand => write!(f, "on none of the land that may be used"),
            Fault::OutsideZones => write!(f, "in no zone"),
            Fault::TooNearPlace {
                other,
                distance_m,
                least_m,
            } => write!(
                f,
                "{distance_m:.1} m from place {other}; the least is {least_m} m"
            ),
        }
    }
}

/// One broken rule of one place in a list.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceFault {
    /// The place, by its position in the list.
    pub index: usize,
    /// Its label.
    pub label: String,
    /// The rule it breaks.
    pub fault: Fault,
}

impl std::fmt::Display for PlaceFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "place {}: {}", self.label, self.fault)
    }
}

type HostTree = RTree<GeomWithData<[f64; 2], u32>>;

/// Whether a trap must keep its distance from a host.
fn keeps_distance(host: &Host) -> bool {
    matches!(host.condition, HostCondition::Healthy | HostCondition::Unknown)
}

/// Everything a candidate is held against.
#[derive(Debug)]
struct Site {
    frame: Frame,
    hosts: Vec<Xy>,
    any: HostTree,
    /// Hosts to keep away from; `None` when that is all of them.
    guarded: Option<HostTree>,
    usable: Option<AreaIndex>,
    forbidden: AreaIndex,
    /// Label and reason of each.
    forbidden_land: Vec<(String, Option<String>)>,
    zones: Option<AreaIndex>,
}

impl Site {
    fn new(ground: Ground<'_>, frame: Frame) -> Site {
        let positions: Vec<Position> = ground.hosts.iter().map(|h| h.position).collect();
        let hosts = frame.to_xy_all(&positions);
        let entry = |i: usize| GeomWithData::new([hosts[i].x_m, hosts[i].y_m], i as u32);
        let all_guarded = ground.hosts.iter().all(keeps_distance);
        let (any, guarded) = rayon::join(
            || RTree::bulk_load((0..hosts.len()).map(entry).collect()),
            || {
                (!all_guarded).then(|| {
                    let list = (0..hosts.len()).filter(|&i| keeps_distance(&ground.hosts[i]));
                    RTree::bulk_load(list.map(entry).collect())
                })
            },
        );
        let by_rule = |rule: LandRule| ground.land.iter().filter(move |l| l.rule == rule);
        let has_usable = by_rule(LandRule::Usable).next().is_some();
        Site {
            frame,
            any,
            guarded,
            usable: has_usable.then(|| AreaIndex::new(by_rule(LandRule::Usable).map(|l| &l.area))),
            forbidden: AreaIndex::new(by_rule(LandRule::Forbidden).map(|l| &l.area)),
            forbidden_land: by_rule(LandRule::Forbidden)
                .map(|l| (l.label.clone(), l.reason.clone()))
                .collect(),
            zones: (!ground.zones.is_empty()).then(|| AreaIndex::new(ground.zones.iter().map(|z| &z.area))),
            hosts,
        }
    }

    fn nearest(tree: &HostTree, at: Xy) -> Option<(u32, f64)> {
        tree.nearest_neighbor(&[at.x_m, at.y_m]).map(|host| {
            let [x_m, y_m] = *host.geom();
            (host.data, at.distance_m(Xy { x_m, y_m }))
        })
    }

    fn nearest_any_m(&self, at: Xy) -> f64 {
        Self::nearest(&self.any, at).map_or(f64::INFINITY, |n| n.1)
    }

    fn nearest_guarded(&self, at: Xy) -> Option<(u32, f64)> {
        Self::nearest(self.guarded.as_ref().unwrap_or(&self.any), at)
    }

    /// Stand-off kept, with the margin for rounding.
    fn keeps_standoff(&self, at: Xy, rules: &PlaceRules) -> bool {
        let least_m = rules.standoff_min_m * (1.0 + MARGIN_SHARE) + MARGIN_M;
        let most_m = rules.standoff_max_m * (1.0 - MARGIN_SHARE) - MARGIN_M;
        let far_enough = match &self.guarded {
            Some(_) => self.nearest_guarded(at).is_none_or(|(_, d)| d >= least_m),
            None => true,
        };
        if !far_enough {
            return false;
        }
        let nearest_m = self.nearest_any_m(at);
        nearest_m <= most_m && (self.guarded.is_some() || nearest_m >= least_m)
    }

    fn may_be_used(&self, p: Position) -> bool {
        !self.forbidden.contains(p)
            && self.usable.as_ref().is_none_or(|u| u.contains(p))
            && self.zones.as_ref().is_none_or(|z| z.contains(p))
    }
}

/// Finds places between the hosts that keep every rule.
///
/// Where two would be closer than the spacing, the one among the greater host weight within about the greatest stand-off
/// stays, then the more northern. `species_weight` gives a host's weight from its species. The same input gives the same
/// places whatever the number of threads.
///
/// # Errors
/// No hosts, or a weight that is negative or not a number.
pub fn find(
    ground: Ground<'_>,
    rules: PlaceRules,
    species_weight: impl Fn(&str) -> f64,
    options: &PlaceOptions<'_>,
) -> Result<Places, GeoError> {
    if ground.hosts.is_empty() {
        return Err(GeoError::Inconsistent(
            "there are no hosts to find places between: load hosts first".into(),
        ));
    }
    let frame = Frame::about(ground.hosts.iter().map(|h| h.position))?;
    let site = Site::new(ground, frame);
    let attraction = Attraction::new(&site, ground.hosts, &rules, species_weight)?;
    let stems = distinct(&site.hosts);
    let raw = between_trees(&stems, &rules, site.guarded.is_none())?;
    let mut candidates = raw.len();
    let mut kept = keep_standoff(&site, &raw, &rules);
    let ring = about_lone_trees(&stems, &kept, &rules);
    candidates += ring.len();
    kept.extend(keep_standoff(&site, &ring, &rules));
    let with_standoff = kept.len();
    kept = kept
        .into_par_iter()
        .with_min_len(1024)
        .filter(|c| site.may_be_used(c.position))
        .collect();
    let on_usable_ground = kept.len();
    let chosen = thin(kept, &site, &attraction, &rules, options);
    let nearest_host_m = chosen.iter().map(|c| site.nearest_any_m(c.at)).collect();
    let mut notes = Vec::new();
    if chosen.is_empty() {
        notes.push(why_none(candidates, with_standoff, &rules));
    }
    Ok(Places {
        places: name(&chosen, options),
        nearest_host_m,
        candidates,
        with_standoff,
        on_usable_ground,
        notes,
    })
}

fn why_none(candidates: usize, with_standoff: usize, rules: &PlaceRules) -> String {
    if with_standoff == 0 {
        return format!(
            "none of {candidates} spots between trees lies {} to {} m from the nearest tree: change the stand-off",
            rules.standoff_min_m, rules.standoff_max_m
        );
    }
    format!(
        "{with_standoff} spots keep the stand-off, but none is on usable land, inside a zone and away from existing places"
    )
}

/// A spot that may become a place.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    at: Xy,
    position: Position,
}

/// Host positions without doubles, to the centimetre, so that no two vertices of the triangulation coincide.
fn distinct(hosts: &[Xy]) -> Vec<Xy> {
    let to_cm = |v: f64| (v * 100.0).round() as i64;
    let mut cm: Vec<(i64, i64)> = hosts
        .par_iter()
        .with_min_len(4096)
        .map(|h| (to_cm(h.x_m), to_cm(h.y_m)))
        .collect();
    cm.par_sort_unstable();
    cm.dedup();
    cm.into_iter()
        .map(|(x, y)| Xy {
            x_m: x as f64 / 100.0,
            y_m: y as f64 / 100.0,
        })
        .collect()
}

/// Circumcentres and edge middles whose distance from their own trees is within the rules.
fn between_trees(stems: &[Xy], rules: &PlaceRules, all_guarded: bool) -> Result<Vec<Xy>, GeoError> {
    let vertices = stems.iter().map(|s| Point2::new(s.x_m, s.y_m)).collect();
    let mesh: DelaunayTriangulation<Point2<f64>> = DelaunayTriangulation::bulk_load(vertices)
        .map_err(|e| GeoError::Inconsistent(format!("the hosts can't be triangulated: {e}")))?;
    // A tree that needs no distance may be near; one that does, may not.
    let least_m = if all_guarded { rules.standoff_min_m } else { 0.0 };
    let fits = |radius_m: f64| radius_m >= least_m && radius_m <= rules.standoff_max_m;
    let mut spots: Vec<Xy> = mesh
        .inner_faces()
        .filter_map(|face| {
            let (centre, radius2) = face.circumcircle();
            fits(radius2.sqrt()).then_some(Xy {
                x_m: centre.x,
                y_m: centre.y,
            })
        })
        .collect();
    spots.extend(mesh.undirected_edges().filter_map(|edge| {
        let [a, b] = edge.positions();
        let half = 0.5 * (a.x - b.x).hypot(a.y - b.y);
        fits(half).then_some(Xy {
            x_m: 0.5 * (a.x + b.x),
            y_m: 0.5 * (a.y + b.y),
        })
    }));
    Ok(spots)
}

/// Six spots about each tree that has no candidate within the greatest stand-off.
fn about_lone_trees(stems: &[Xy], kept: &[Candidate], rules: &PlaceRules) -> Vec<Xy> {
    let near = RTree::bulk_load(kept.iter().map(|c| [c.at.x_m, c.at.y_m]).collect());
    let most2 = rules.standoff_max_m * rules.standoff_max_m;
    let middle_m = 0.5 * (rules.standoff_min_m + rules.standoff_max_m);
    stems
        .par_iter()
        .with_min_len(1024)
        .filter(|s| {
            near.locate_within_distance([s.x_m, s.y_m], most2)
                .next()
                .is_none()
        })
        .flat_map_iter(|s| {
            (0..6).map(|k| {
                let (sin, cos) = (f64::from(k) * std::f64::consts::FRAC_PI_3).sin_cos();
                Xy {
                    x_m: s.x_m + middle_m * sin,
                    y_m: s.y_m + middle_m * cos,
                }
            })
        })
        .collect()
}

/// Rounds to the 7 decimals a position is written with, then judges the rounded spot.
fn keep_standoff(site: &Site, spots: &[Xy], rules: &PlaceRules) -> Vec<Candidate> {
    let round = |v: f64| (v * 1e7).round() / 1e7;
    spots
        .par_iter()
        .with_min_len(512)
        .filter(|&&at| site.keeps_standoff(at, rules))
        .filter_map(|&at| {
            let exact = site.frame.from_xy(at);
            let position = Position {
                lat: round(exact.lat),
                lon: round(exact.lon),
            };
            let at = site.frame.to_xy(position);
            site.keeps_standoff(at, rules)
                .then_some(Candidate { at, position })
        })
        .collect()
}

/// Host weight on a coarse grid: which of two spots stands among more hosts.
struct Attraction {
    side_m: f64,
    weight: HashMap<(i64, i64), f64>,
}

impl Attraction {
    fn new(
        site: &Site,
        hosts: &[Host],
        rules: &PlaceRules,
        species_weight: impl Fn(&str) -> f64,
    ) -> Result<Attraction, GeoError> {
        let mut known: HashMap<&str, f64> = HashMap::new();
        let mut made = Attraction {
            side_m: rules.standoff_max_m.max(10.0),
            weight: HashMap::new(),
        };
        for (host, &at) in hosts.iter().zip(&site.hosts) {
            let weight = match known.get(host.species.as_str()) {
                Some(&w) => w,
                None => {
                    let w = species_weight(&host.species);
                    at_least("a host's weight", w, 0.0, "0 or more")?;
                    known.insert(&host.species, w);
                    w
                }
            };
            *made.weight.entry(square(at, made.side_m)).or_default() += weight;
        }
        Ok(made)
    }

    fn of(&self, at: Xy) -> f64 {
        let (i, j) = square(at, self.side_m);
        neighbours(i, j).filter_map(|key| self.weight.get(&key)).sum()
    }
}

fn square(at: Xy, side_m: f64) -> (i64, i64) {
    ((at.x_m / side_m).floor() as i64, (at.y_m / side_m).floor() as i64)
}

fn neighbours(i: i64, j: i64) -> impl Iterator<Item = (i64, i64)> {
    (-1..=1).flat_map(move |di| (-1..=1).map(move |dj| (i + di, j + dj)))
}

/// Takes candidates in order of host weight, each if no place taken before is closer than the spacing.
fn thin(
    candidates: Vec<Candidate>,
    site: &Site,
    attraction: &Attraction,
    rules: &PlaceRules,
    options: &PlaceOptions<'_>,
) -> Vec<Candidate> {
    let spacing_m = (rules.spacing_m * (1.0 + MARGIN_SHARE) + MARGIN_M).max(SAME_PLACE_M);
    let mut scored: Vec<(f64, Candidate)> = candidates
        .into_par_iter()
        .with_min_len(1024)
        .map(|c| (attraction.of(c.at), c))
        .collect();
    scored.par_sort_by(|(wa, a), (wb, b)| {
        wb.total_cmp(wa)
            .then(b.position.lat.total_cmp(&a.position.lat))
            .then(a.position.lon.total_cmp(&b.position.lon))
    });
    let mut taken = Spaced::new(spacing_m);
    for place in options.existing {
        taken.put(site.frame.to_xy(place.position));
    }
    let most = options.most.unwrap_or(usize::MAX);
    let mut chosen: Vec<Candidate> = Vec::new();
    for (_, candidate) in scored {
        if chosen.len() >= most {
            break;
        }
        if taken.is_free(candidate.at) {
            taken.put(candidate.at);
            chosen.push(candidate);
        }
    }
    chosen.sort_by(|a, b| {
        b.position
            .lat
            .total_cmp(&a.position.lat)
            .then(a.position.lon.total_cmp(&b.position.lon))
    });
    chosen
}

/// Points on a grid as wide as the spacing: only nine squares can hold one too near.
struct Spaced {
    spacing_m: f64,
    squares: HashMap<(i64, i64), Vec<Xy>>,
}

impl Spaced {
    fn new(spacing_m: f64) -> Spaced {
        Spaced {
            spacing_m,
            squares: HashMap::new(),
        }
    }

    fn put(&mut self, at: Xy) {
        self.squares
            .entry(square(at, self.spacing_m))
            .or_default()
            .push(at);
    }

    fn is_free(&self, at: Xy) -> bool {
        let (i, j) = square(at, self.spacing_m);
        neighbours(i, j)
            .filter_map(|key| self.squares.get(&key))
            .flatten()
            .all(|other| at.distance_m(*other) >= self.spacing_m)
    }
}

fn name(chosen: &[Candidate], options: &PlaceOptions<'_>) -> Vec<Place> {
    let used: HashSet<&str> = options.existing.iter().map(|p| p.label.as_str()).collect();
    let last = options.first_number + chosen.len() + used.len();
    let width = last.to_string().len().max(4);
    let mut numbers = options.first_number..;
    let mut next_label = || {
        numbers
            .by_ref()
            .map(|n| format!("{}{n:0width$}", options.prefix))
            .find(|label| !used.contains(label.as_str()))
            .unwrap_or_default()
    };
    chosen
        .iter()
        .map(|c| Place {
            label: next_label(),
            position: c.position,
            cost: 1.0,
            kept: false,
            forbidden: false,
        })
        .collect()
}

/// The same ground, laid out once for many questions about single spots.
#[derive(Debug)]
pub struct Standing {
    site: Site,
    rules: PlaceRules,
}

impl Standing {
    /// Lays it out.
    ///
    /// # Errors
    /// No hosts at all.
    pub fn new(ground: Ground<'_>, rules: PlaceRules) -> Result<Standing, GeoError> {
        let frame = Frame::about(ground.hosts.iter().map(|h| h.position))?;
        Ok(Standing {
            site: Site::new(ground, frame),
            rules,
        })
    }

    /// Which rules about hosts, land and zones a spot breaks. `hosts` are those it was laid out with.
    pub fn faults(&self, hosts: &[Host], place: &Place) -> Vec<Fault> {
        if hosts.len() != self.site.hosts.len() {
            return Vec::new();
        }
        standing_faults(&self.site, hosts, place, &self.rules)
    }
}

/// Holds a person's own list of places against the same rules, and says which place breaks which.
///
/// Distances in the answers are geodesics. Nothing is taken out of the list: that is for the person to decide.
pub fn check(places: &[Place], ground: Ground<'_>, rules: PlaceRules) -> Vec<PlaceFault> {
    let known = ground.hosts.iter().map(|h| h.position);
    let Ok(frame) = Frame::about(known.chain(places.iter().map(|p| p.position))) else {
        return Vec::new();
    };
    let site = Site::new(ground, frame);
    let others: HostTree = RTree::bulk_load(
        places
            .iter()
            .enumerate()
            .map(|(i, p)| (i, frame.to_xy(p.position)))
            .map(|(i, at)| GeomWithData::new([at.x_m, at.y_m], i as u32))
            .collect(),
    );
    places
        .par_iter()
        .enumerate()
        .flat_map_iter(|(index, place)| {
            let mut faults = standing_faults(&site, ground.hosts, place, &rules);
            faults.extend(spacing_fault(&site, &others, places, index, &rules));
            faults.into_iter().map(move |fault| PlaceFault {
                index,
                label: place.label.clone(),
                fault,
            })
        })
        .collect()
}

fn standing_faults(site: &Site, hosts: &[Host], place: &Place, rules: &PlaceRules) -> Vec<Fault> {
    let (mut faults, at) = (Vec::new(), site.frame.to_xy(place.position));
    let true_m = |i: u32| geodesic_m(place.position, hosts[i as usize].position);
    if let Some((i, _)) = site.nearest_guarded(at)
        && true_m(i) < rules.standoff_min_m
    {
        faults.push(Fault::TooNearHost {
            host: hosts[i as usize].label.clone(),
            distance_m: true_m(i),
            least_m: rules.standoff_min_m,
        });
    }
    let nearest_m = Site::nearest(&site.any, at).map_or(f64::INFINITY, |(i, _)| true_m(i));
    if nearest_m > rules.standoff_max_m {
        faults.push(Fault::TooFarFromHosts {
            distance_m: nearest_m,
            most_m: rules.standoff_max_m,
        });
    }
    if let Some(k) = site.forbidden.first_at(place.position) {
        faults.push(Fault::OnForbiddenLand {
            land: site.forbidden_land[k].0.clone(),
            reason: site.forbidden_land[k].1.clone(),
        });
    }
    if site.usable.as_ref().is_some_and(|u| !u.contains(place.position)) {
        faults.push(Fault::OffUsableLand);
    }
    if site.zones.as_ref().is_some_and(|z| !z.contains(place.position)) {
        faults.push(Fault::OutsideZones);
    }
    faults
}

/// The nearest earlier place that is too near; of a pair only the later is blamed.
fn spacing_fault(
    site: &Site,
    others: &HostTree,
    places: &[Place],
    index: usize,
    rules: &PlaceRules,
) -> Option<Fault> {
    let at = site.frame.to_xy(places[index].position);
    let (other, distance_m) = others
        .nearest_neighbor_iter_with_distance_2(&[at.x_m, at.y_m])
        .take_while(|(_, d2)| d2.sqrt() < rules.spacing_m * (1.0 + MARGIN_SHARE))
        .filter(|(o, _)| (o.data as usize) < index)
        .map(|(o, _)| &places[o.data as usize])
        .map(|o| (o, geodesic_m(places[index].position, o.position)))
        .find(|(_, d)| *d < rules.spacing_m)?;
    Some(Fault::TooNearPlace {
        other: other.label.clone(),
        distance_m,
        least_m: rules.spacing_m,
    })
}

#[cfg(test)]
mod tests;
