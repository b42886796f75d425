//! The unit of ground the model works on: H3 cells with host weight, introduction risk and zone.
//!
//! The risk weight of a cell is `w = host weight x pathway risk`, with
//! `pathway risk = background + sum over pathways of weight * exp(-distance / reach)`. The two factors stay apart in
//! [`Cell`], so that a weight can be explained.

use std::collections::{BTreeMap, HashMap};

use earlywood_model::record::{Area, Host, Pathway, Position, Zone};
use h3o::{CellIndex, LatLng, Resolution};
use rayon::prelude::*;

use crate::area::{self, AreaIndex};
use crate::geodesy::{Frame, Xy, geodesic_m};
use crate::problem::{GeoError, at_least};

/// Within this of the frame's centre its straight lines are right to 0.01 %; beyond it distances are geodesics, metres.
const FRAME_REACH_M: f64 = 150_000.0;

/// How cells are laid.
#[derive(Debug, Clone, PartialEq)]
pub struct CellOptions {
    /// H3 resolution, 0 to 15. At 10 a cell covers about 1.5 ha.
    pub resolution: u8,
    /// Introduction risk far from every pathway, in the unit of the pathways' weights; 0 or more.
    pub background_risk: f64,
    /// Leave out cells in which there is no host (their weight is 0).
    pub drop_hostless: bool,
    /// More cells than this are refused: a zone drawn over a continent, or too fine a resolution.
    pub most_cells: usize,
}

impl Default for CellOptions {
    fn default() -> Self {
        CellOptions {
            resolution: 10,
            background_risk: 1.0,
            drop_hostless: true,
            most_cells: 5_000_000,
        }
    }
}

/// One cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// Its H3 index.
    pub id: u64,
    /// Its centre.
    pub centre: Position,
    /// Its zone, by place in the list of zones; `None` when the programme has no zones.
    pub zone: Option<usize>,
    /// Hosts standing in it.
    pub hosts: u32,
    /// Sum of the weights of those hosts.
    pub host_weight: f64,
    /// Relative risk that the target arrives here.
    pub pathway_risk: f64,
}

impl Cell {
    /// The cell's risk weight, host weight times pathway risk; 0 where no host stands.
    pub fn weight(&self) -> f64 {
        self.host_weight * self.pathway_risk
    }

    /// The H3 index as it is usually written, 15 hexadecimal digits.
    pub fn id_text(&self) -> String {
        format!("{:x}", self.id)
    }

    /// The cell's corners, in order, not closed.
    pub fn corners(&self) -> Vec<Position> {
        corners(self.id)
    }

    /// Ground it covers, square metres (H3's own figure, on a sphere).
    pub fn area_m2(&self) -> f64 {
        CellIndex::try_from(self.id).map_or(0.0, CellIndex::area_m2)
    }
}

/// All cells of a programme.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Cells {
    /// H3 resolution.
    pub resolution: u8,
    /// The cells, by rising H3 index.
    pub cells: Vec<Cell>,
    /// Zone labels; [`Cell::zone`] points here.
    pub zone_labels: Vec<String>,
    /// The frame about the cells, for distances.
    pub frame: Frame,
    /// Hosts of the target that stand in no cell (outside every zone).
    pub hosts_outside: usize,
    /// Cells left out because no host stands in them.
    pub hostless_dropped: usize,
    /// What a person should know: zones that overlap, zones without a cell, species without weight.
    pub notes: Vec<String>,
}

impl Cells {
    /// The centres in the frame, in the order of the cells.
    pub fn xy(&self) -> Vec<Xy> {
        let centres: Vec<Position> = self.cells.iter().map(|c| c.centre).collect();
        self.frame.to_xy_all(&centres)
    }

    /// The risk weights, in the order of the cells.
    pub fn weights(&self) -> Vec<f64> {
        self.cells.iter().map(Cell::weight).collect()
    }

    /// Positions in `cells` of one zone's cells.
    pub fn of_zone(&self, zone: usize) -> Vec<usize> {
        (0..self.cells.len())
            .filter(|&i| self.cells[i].zone == Some(zone))
            .collect()
    }
}

/// The cell of a resolution in which a position lies, by its H3 index; `None` for a resolution or position that can't be.
pub fn at(position: Position, resolution: u8) -> Option<u64> {
    let resolution = Resolution::try_from(resolution).ok()?;
    let at = LatLng::new(position.lat, position.lon).ok()?;
    Some(u64::from(at.to_cell(resolution)))
}

/// Ground that a cell covers, square metres (H3's own figure, on a sphere); 0 for no H3 index.
pub fn area_of(id: u64) -> f64 {
    CellIndex::try_from(id).map_or(0.0, CellIndex::area_m2)
}

/// The cell of a coarser resolution that holds a cell, by its H3 index; `None` for a finer resolution or no H3 index.
pub fn parent(id: u64, resolution: u8) -> Option<u64> {
    let resolution = Resolution::try_from(resolution).ok()?;
    CellIndex::try_from(id).ok()?.parent(resolution).map(u64::from)
}

/// Corners of any H3 cell, in order, not closed; empty for no H3 index.
pub fn corners(id: u64) -> Vec<Position> {
    CellIndex::try_from(id).map_or_else(
        |_| Vec::new(),
        |cell| cell.boundary().iter().map(|&p| to_position(p)).collect(),
    )
}

/// Mean length of an edge of H3's cells of a resolution, metres; `None` above 15.
pub fn mean_edge_m(resolution: u8) -> Option<f64> {
    Resolution::try_from(resolution)
        .ok()
        .map(Resolution::edge_length_m)
}

fn to_position(p: LatLng) -> Position {
    Position {
        lat: p.lat(),
        lon: p.lng(),
    }
}

fn cell_of(p: Position, resolution: Resolution) -> Option<CellIndex> {
    LatLng::new(p.lat, p.lon).ok().map(|at| at.to_cell(resolution))
}

/// Lays cells over the zones; without zones, over every cell with a host and the ring of cells around it.
///
/// A cell is in the zone that holds its centre, the first in the list where zones overlap (noted). A cell on the rim whose
/// centre lies outside every zone is taken in too when a host of a zone stands in it, and is in that zone, so that no
/// host is lost. `species_weight` gives a host's weight from its species, 0 for no host.
///
/// # Errors
/// A resolution above 15, a negative or infinite background risk or weight, too many cells, or nothing to lay cells over.
pub fn lay(
    hosts: &[Host],
    pathways: &[Pathway],
    zones: &[Zone],
    species_weight: impl Fn(&str) -> f64 + Sync,
    options: &CellOptions,
) -> Result<Cells, GeoError> {
    let resolution = Resolution::try_from(options.resolution).map_err(|_| GeoError::OutOfRange {
        what: "the H3 resolution",
        value: f64::from(options.resolution),
        rule: "between 0 and 15",
    })?;
    at_least("the background risk", options.background_risk, 0.0, "0 or more")?;
    let mut notes = Vec::new();
    let weights = host_weights(hosts, &species_weight, &mut notes)?;
    let standing = gather(hosts, &weights, resolution);
    let mut zone_of: BTreeMap<u64, Option<usize>> = if zones.is_empty() {
        around_hosts(&standing, resolution, options)?
    } else {
        let index = AreaIndex::new(zones.iter().map(|z| &z.area));
        let mut covered = cover(zones, &index, resolution, options, &mut notes)?;
        take_in_the_rim(&mut covered, &standing, hosts, &index);
        covered
    };
    let hosts_outside = standing
        .iter()
        .filter(|s| !zone_of.contains_key(&s.cell))
        .map(|s| s.hosts.len())
        .sum();
    let laid = zone_of.len();
    if options.drop_hostless {
        let with_host: HashMap<u64, ()> = standing.iter().map(|s| (s.cell, ())).collect();
        zone_of.retain(|id, _| with_host.contains_key(id));
    }
    let hostless_dropped = laid - zone_of.len();
    let mut cells = bare_cells(&zone_of, &standing);
    let frame = Frame::about(cells.iter().map(|c| c.centre)).map_err(|_| {
        GeoError::Inconsistent("no host stands in any cell: load hosts, and zones they stand in".into())
    })?;
    spread_risk(&mut cells, pathways, &frame, options.background_risk)?;
    Ok(Cells {
        resolution: options.resolution,
        cells,
        zone_labels: zones.iter().map(|z| z.label.clone()).collect(),
        frame,
        hosts_outside,
        hostless_dropped,
        notes,
    })
}

/// Each host's weight, asking once for each species.
fn host_weights(
    hosts: &[Host],
    species_weight: &impl Fn(&str) -> f64,
    notes: &mut Vec<String>,
) -> Result<Vec<f64>, GeoError> {
    let mut known: HashMap<&str, f64> = HashMap::new();
    let mut without: BTreeMap<&str, usize> = BTreeMap::new();
    let mut weights = Vec::with_capacity(hosts.len());
    for host in hosts {
        let weight = match known.get(host.species.as_str()) {
            Some(&w) => w,
            None => {
                let w = species_weight(&host.species);
                at_least("a host's weight", w, 0.0, "0 or more")?;
                known.insert(&host.species, w);
                w
            }
        };
        if weight == 0.0 {
            *without.entry(&host.species).or_default() += 1;
        }
        weights.push(weight);
    }
    let count: usize = without.values().sum();
    if count > 0 {
        let named: Vec<&str> = without.keys().take(5).copied().collect();
        notes.push(format!(
            "{count} trees of {} species are no hosts of the target and weigh nothing ({}{})",
            without.len(),
            named.join(", "),
            if without.len() > 5 { ", ..." } else { "" }
        ));
    }
    Ok(weights)
}

/// The hosts of one cell.
struct Standing {
    cell: u64,
    hosts: Vec<u32>,
    weight: f64,
}

/// Hosts by cell, cells rising. Trees that are no hosts of the target don't stand in any cell. Sums run in the order of the
/// hosts, so that the number of threads changes no bit.
fn gather(hosts: &[Host], weights: &[f64], resolution: Resolution) -> Vec<Standing> {
    let mut keyed: Vec<(u64, u32)> = hosts
        .par_iter()
        .enumerate()
        .with_min_len(4096)
        .filter(|(i, _)| weights[*i] > 0.0)
        .filter_map(|(i, h)| cell_of(h.position, resolution).map(|c| (u64::from(c), i as u32)))
        .collect();
    keyed.par_sort_unstable();
    keyed
        .chunk_by(|a, b| a.0 == b.0)
        .map(|group| Standing {
            cell: group[0].0,
            hosts: group.iter().map(|g| g.1).collect(),
            weight: group.iter().map(|g| weights[g.1 as usize]).sum(),
        })
        .collect()
}

fn too_many(count: usize, options: &CellOptions) -> Result<(), GeoError> {
    if count <= options.most_cells {
        return Ok(());
    }
    Err(GeoError::Inconsistent(format!(
        "about {count} cells of resolution {} would be needed, more than {}: take a coarser resolution, or check the zones",
        options.resolution, options.most_cells
    )))
}

fn around_hosts(
    standing: &[Standing],
    resolution: Resolution,
    options: &CellOptions,
) -> Result<BTreeMap<u64, Option<usize>>, GeoError> {
    debug_assert_eq!(u8::from(resolution), options.resolution);
    let mut all: Vec<u64> = standing
        .par_iter()
        .filter_map(|s| CellIndex::try_from(s.cell).ok())
        .flat_map_iter(|cell| cell.grid_disk::<Vec<_>>(1).into_iter().map(u64::from))
        .collect();
    all.par_sort_unstable();
    all.dedup();
    too_many(all.len(), options)?;
    Ok(all.into_iter().map(|id| (id, None)).collect())
}

/// The cells whose centre is in a zone.
fn cover(
    zones: &[Zone],
    index: &AreaIndex,
    resolution: Resolution,
    options: &CellOptions,
    notes: &mut Vec<String>,
) -> Result<BTreeMap<u64, Option<usize>>, GeoError> {
    let ground_m2: f64 = zones.iter().map(|z| area::area_m2(&z.area)).sum();
    too_many((ground_m2 / resolution.area_m2()) as usize, options)?;
    let mut placed: Vec<(u64, usize, bool)> = Vec::new();
    for polygon in zones.iter().flat_map(|z| &z.area.0) {
        let alone = AreaIndex::new([&Area(vec![polygon.clone()])]);
        if let Some(bounds) = alone.bounds() {
            placed.extend(centres_inside(index, bounds, resolution));
        }
    }
    placed.par_sort_unstable();
    placed.dedup();
    let shared = placed.iter().filter(|p| p.2).count();
    if shared > 0 {
        notes.push(format!(
            "zones overlap: {shared} cells lie in more than one and count for the first in the list"
        ));
    }
    let mut counts = vec![0_usize; zones.len()];
    for p in &placed {
        counts[p.1] += 1;
    }
    for (zone, _) in zones.iter().zip(&counts).filter(|(_, c)| **c == 0) {
        notes.push(format!(
            "zone {} holds no cell's centre at resolution {} (it is smaller than a cell, or under other zones)",
            zone.label, options.resolution
        ));
    }
    Ok(placed.into_iter().map(|(id, zone, _)| (id, Some(zone))).collect())
}

/// Every cell whose centre is in an area: `(cell, first area, whether in several)`, cells rising.
///
/// Points of a lattice fine enough to hit every cell are turned into cells row by row. Half a lattice square's diagonal must be
/// below the least distance from a cell's centre to its rim: in a regular hexagon that is 0.87 of the edge, and H3's cells vary
/// in area by a factor of about two at one resolution (h3geo.org, "Table of cell statistics"), so half the mean edge is safe.
fn centres_inside(
    index: &AreaIndex,
    (low, high): (Position, Position),
    resolution: Resolution,
) -> Vec<(u64, usize, bool)> {
    let step_m = resolution.edge_length_m() * 0.5 * std::f64::consts::SQRT_2;
    // Most metres in a degree of latitude on WGS 84 (at the poles: 111 694), so that a step is never longer than meant.
    let step_deg = step_m / 111_700.0;
    let rows = ((high.lat - low.lat) / step_deg).ceil() as u64 + 2;
    let mut found: Vec<(u64, usize, bool)> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|row| {
            let lat = low.lat + (row as f64 - 0.5) * step_deg;
            let lon_step = step_deg / lat.abs().min(89.0).to_radians().cos();
            let columns = ((high.lon - low.lon) / lon_step).ceil() as u64 + 2;
            let mut last = 0;
            (0..columns).filter_map(move |column| {
                let lon = low.lon + (column as f64 - 0.5) * lon_step;
                let cell = cell_of(Position { lat, lon }, resolution)?;
                let id = u64::from(cell);
                if id == last {
                    return None;
                }
                last = id;
                let held = index.all_at(to_position(LatLng::from(cell)));
                Some((id, *held.first()?, held.len() > 1))
            })
        })
        .collect();
    found.par_sort_unstable();
    found.dedup();
    found
}

/// Adds the cells that a zone's hosts stand in though their centres lie outside.
fn take_in_the_rim(
    covered: &mut BTreeMap<u64, Option<usize>>,
    standing: &[Standing],
    hosts: &[Host],
    index: &AreaIndex,
) {
    let rim: Vec<(u64, usize)> = standing
        .par_iter()
        .filter(|s| !covered.contains_key(&s.cell))
        .filter_map(|s| {
            let zones = s
                .hosts
                .iter()
                .filter_map(|&h| index.first_at(hosts[h as usize].position));
            zones.min().map(|zone| (s.cell, zone))
        })
        .collect();
    covered.extend(rim.into_iter().map(|(id, zone)| (id, Some(zone))));
}

fn bare_cells(zone_of: &BTreeMap<u64, Option<usize>>, standing: &[Standing]) -> Vec<Cell> {
    let mut with_host = standing.iter().peekable();
    zone_of
        .iter()
        .filter_map(|(&id, &zone)| {
            while with_host.next_if(|s| s.cell < id).is_some() {}
            let here = with_host.next_if(|s| s.cell == id);
            let cell = CellIndex::try_from(id).ok()?;
            Some(Cell {
                id,
                centre: to_position(LatLng::from(cell)),
                zone,
                hosts: here.map_or(0, |s| s.hosts.len() as u32),
                host_weight: here.map_or(0.0, |s| s.weight),
                pathway_risk: 0.0,
            })
        })
        .collect()
}

fn spread_risk(
    cells: &mut [Cell],
    pathways: &[Pathway],
    frame: &Frame,
    background_risk: f64,
) -> Result<(), GeoError> {
    for pathway in pathways {
        at_least("a pathway's weight", pathway.weight, 0.0, "0 or more")?;
        at_least("a pathway's reach", pathway.reach_m, 1e-3, "above 0 metres")?;
    }
    let near = |xy: Xy| xy.distance_m(Xy::default()) <= FRAME_REACH_M;
    let sources: Vec<(&Pathway, Xy, bool)> = pathways
        .iter()
        .map(|p| (p, frame.to_xy(p.position)))
        .map(|(p, xy)| (p, xy, near(xy)))
        .collect();
    cells.par_iter_mut().with_min_len(256).for_each(|cell| {
        let at = frame.to_xy(cell.centre);
        let cell_near = near(at);
        let arrivals: f64 = sources
            .iter()
            .map(|&(p, xy, source_near)| {
                let d_m = if cell_near && source_near {
                    at.distance_m(xy)
                } else {
                    geodesic_m(cell.centre, p.position)
                };
                p.weight * (-d_m / p.reach_m).exp()
            })
            .sum();
        cell.pathway_risk = background_risk + arrivals;
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use earlywood_model::record::HostCondition;

    fn host(k: usize, species: &str, lat: f64, lon: f64) -> Host {
        Host {
            label: format!("H{k}"),
            species: species.into(),
            position: Position { lat, lon },
            dbh_cm: None,
            condition: HostCondition::Unknown,
        }
    }

    fn square_zone(label: &str, west: f64, south: f64, side: f64) -> Zone {
        let ring = vec![
            [west, south],
            [west + side, south],
            [west + side, south + side],
            [west, south + side],
            [west, south],
        ];
        Zone {
            label: label.into(),
            area: Area(vec![vec![ring]]),
        }
    }

    fn scattered(count: usize, west: f64, south: f64, side: f64) -> Vec<Host> {
        // A low-discrepancy scatter (Roberts's R2 sequence), no randomness needed.
        (0..count)
            .map(|k| {
                let (u, v) = (
                    (k as f64 * 0.754_877_666).fract(),
                    (k as f64 * 0.569_840_291).fract(),
                );
                let species = if k % 3 == 0 {
                    "Quercus rubra"
                } else {
                    "Acer rubrum"
                };
                host(k, species, south + side * v, west + side * u)
            })
            .collect()
    }

    fn pathway(lat: f64, lon: f64, weight: f64, reach_m: f64) -> Pathway {
        Pathway {
            label: "F".into(),
            kind: "firewood".into(),
            position: Position { lat, lon },
            weight,
            reach_m,
        }
    }

    #[test]
    fn no_host_is_lost_and_the_weights_add_up() {
        let zones = [
            square_zone("east", 10.05, 50.0, 0.05),
            square_zone("west", 10.0, 50.0, 0.05),
        ];
        let hosts = scattered(5000, 10.0, 50.0, 0.1);
        let inside = hosts.iter().filter(|h| h.position.lat < 50.05).count();
        let weight = |s: &str| if s.starts_with("Acer") { 2.0 } else { 0.5 };
        let cells = lay(&hosts, &[], &zones, weight, &CellOptions::default()).unwrap();
        let in_cells: usize = cells.cells.iter().map(|c| c.hosts as usize).sum();
        assert_eq!(in_cells + cells.hosts_outside, 5000);
        // Every host of a zone is in a cell; of those outside only some in rim cells.
        assert!(
            in_cells >= inside && in_cells < inside + 200,
            "{in_cells} {inside}"
        );
        let total: f64 = cells.weights().iter().sum();
        assert!(total <= 5000.0 / 3.0 * 0.5 + 10000.0 / 3.0 * 2.0);
        for c in &cells.cells {
            assert!(c.hosts > 0 && c.zone.is_some() && c.pathway_risk == 1.0);
        }
        // Zone by centre, or for rim cells by their hosts.
        let index = AreaIndex::new(zones.iter().map(|z| &z.area));
        assert!(
            cells
                .cells
                .iter()
                .all(|c| index.first_at(c.centre).is_none_or(|z| Some(z) == c.zone))
        );
        assert_eq!(cells.zone_labels, ["east", "west"]);
        assert!(!cells.of_zone(0).is_empty() && !cells.of_zone(1).is_empty());
    }

    #[test]
    fn cells_cover_the_zone_when_hostless_cells_are_kept() {
        let zones = [square_zone("z", 10.0, 50.0, 0.05)];
        let options = CellOptions {
            drop_hostless: false,
            ..CellOptions::default()
        };
        let cells = lay(&scattered(10, 10.0, 50.0, 0.05), &[], &zones, |_| 1.0, &options).unwrap();
        let covered: f64 = cells.cells.iter().map(Cell::area_m2).sum();
        let truth = area::area_m2(&zones[0].area);
        assert!((covered / truth - 1.0).abs() < 0.02, "{covered} {truth}");
        assert!(
            cells
                .cells
                .iter()
                .filter(|c| c.hosts == 0)
                .all(|c| c.weight() == 0.0)
        );
        assert!(cells.cells.windows(2).all(|w| w[0].id < w[1].id));
        assert_eq!(cells.cells[0].corners().len(), 6);
        assert_eq!(cells.cells[0].id_text().len(), 15);
    }

    #[test]
    fn the_cover_is_h3s_own_cover() {
        use h3o::geom::{ContainmentMode, TilerBuilder};
        // A star with a hole, at several places on the globe and resolutions.
        for (lat, lon, res) in [
            (50.0, 10.0, 9),
            (-33.0, 151.0, 10),
            (64.0, -147.0, 9),
            (1.0, 103.8, 10),
            (41.0, -74.0, 7),
        ] {
            let size = if res == 7 { 0.5 } else { 0.03 };
            let star = |scale: f64| -> Vec<[f64; 2]> {
                (0..=20)
                    .map(|k| (k % 20, std::f64::consts::TAU * f64::from(k % 20) / 20.0))
                    .map(|(k, t)| (t, size * scale * if k % 2 == 0 { 1.0 } else { 0.55 }))
                    .map(|(t, r)| [lon + r * t.cos(), lat + r * t.sin()])
                    .collect()
            };
            let shape = Area(vec![vec![star(1.0), star(0.3)]]);
            let resolution = Resolution::try_from(res).unwrap();
            let index = AreaIndex::new([&shape]);
            let ours: Vec<u64> = centres_inside(&index, index.bounds().unwrap(), resolution)
                .iter()
                .map(|c| c.0)
                .collect();
            let mut tiler = TilerBuilder::new(resolution)
                .containment_mode(ContainmentMode::ContainsCentroid)
                .build();
            tiler.add_batch(area::to_multi_polygon(&shape).0).unwrap();
            let mut theirs: Vec<u64> = tiler.into_coverage().map(u64::from).collect();
            theirs.sort_unstable();
            theirs.dedup();
            assert!(ours.len() > 50, "{}", ours.len());
            assert_eq!(ours, theirs, "at {lat}, {lon}");
        }
    }

    #[test]
    fn pathway_risk_is_the_formula_on_geodesics() {
        let hosts = scattered(300, 10.0, 50.0, 0.2);
        let paths = [
            pathway(50.1, 10.1, 5.0, 2000.0),
            pathway(50.0, 10.0, 1.0, 500.0),
            pathway(44.0, 2.0, 1e9, 50_000.0),
        ];
        let options = CellOptions {
            background_risk: 0.25,
            ..CellOptions::default()
        };
        let cells = lay(&hosts, &paths, &[], |_| 1.0, &options).unwrap();
        for c in &cells.cells {
            let want: f64 = 0.25
                + paths
                    .iter()
                    .map(|p| p.weight * (-geodesic_m(c.centre, p.position) / p.reach_m).exp())
                    .sum::<f64>();
            assert!(
                (c.pathway_risk / want - 1.0).abs() < 1e-4,
                "{} {want}",
                c.pathway_risk
            );
            assert_eq!(c.weight(), c.host_weight * c.pathway_risk);
        }
    }

    #[test]
    fn without_zones_the_neighbours_of_hosts_are_laid() {
        let options = CellOptions {
            drop_hostless: false,
            ..CellOptions::default()
        };
        let one = [host(0, "Acer rubrum", 50.0, 10.0)];
        assert_eq!(lay(&one, &[], &[], |_| 1.0, &options).unwrap().cells.len(), 7);
        assert_eq!(
            lay(&one, &[], &[], |_| 1.0, &CellOptions::default())
                .unwrap()
                .cells
                .len(),
            1
        );
    }

    #[test]
    fn the_order_of_hosts_changes_no_more_than_rounding_and_threads_change_nothing() {
        let hosts = scattered(20_000, 10.0, 50.0, 0.1);
        let weight = |s: &str| if s.starts_with("Acer") { 0.7 } else { 0.1 };
        let run = |threads| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| {
                lay(
                    &hosts,
                    &[pathway(50.0, 10.0, 1.0, 900.0)],
                    &[],
                    weight,
                    &CellOptions::default(),
                )
                .unwrap()
                .cells
            })
        };
        assert_eq!(run(1), run(3));
    }

    #[test]
    fn what_cannot_be_laid_is_refused_in_words() {
        let say = |hosts: &[Host], zones: &[Zone], options: &CellOptions, w: f64| {
            lay(hosts, &[], zones, |_| w, options)
                .err()
                .map(|e| e.to_string())
                .unwrap_or_default()
        };
        let (base, one) = (CellOptions::default(), [host(0, "Acer", 50.0, 10.0)]);
        assert!(
            say(
                &one,
                &[],
                &CellOptions {
                    resolution: 16,
                    ..base.clone()
                },
                1.0
            )
            .contains("between 0 and 15")
        );
        assert!(
            say(
                &one,
                &[],
                &CellOptions {
                    background_risk: f64::NAN,
                    ..base.clone()
                },
                1.0
            )
            .contains("background")
        );
        assert!(say(&one, &[], &base, f64::INFINITY).contains("weight"));
        assert!(say(&[], &[], &base, 1.0).contains("no host"));
        let continent = [square_zone("z", 0.0, 30.0, 30.0)];
        assert!(say(&one, &continent, &base, 1.0).contains("coarser"));
        let mut bad = pathway(50.0, 10.0, 1.0, 0.0);
        assert!(lay(&one, &[bad.clone()], &[], |_| 1.0, &base).is_err());
        bad.reach_m = f64::NAN;
        assert!(lay(&one, &[bad], &[], |_| 1.0, &base).is_err());
    }

    #[test]
    fn overlaps_and_trees_that_are_no_hosts_are_told() {
        let zones = [
            square_zone("a", 10.0, 50.0, 0.03),
            square_zone("b", 10.01, 50.0, 0.03),
            square_zone("tiny", 10.2, 50.2, 1e-6),
        ];
        let cells = lay(
            &scattered(100, 10.0, 50.0, 0.03),
            &[],
            &zones,
            |s| f64::from(u8::from(s.starts_with("Acer"))),
            &CellOptions::default(),
        )
        .unwrap();
        let notes = cells.notes.join("\n");
        assert!(
            notes.contains("overlap") && notes.contains("tiny") && notes.contains("Quercus rubra"),
            "{notes}"
        );
    }
}
