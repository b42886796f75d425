//! A large county: a million trees read, laid into cells, and places found between them.
//!
//! `cargo bench -p earlywood-geodata`; each figure is for the whole job named.

use std::fmt::Write as _;
use std::sync::OnceLock;

use earlywood_geodata::places::{self, Ground, PlaceOptions, PlaceRules};
use earlywood_geodata::{AreaIndex, CellOptions, Context, Frame, cells, geodesic_m, read_bytes};
use earlywood_model::record::{Area, Host, HostCondition, Pathway, Position, Zone};

fn main() {
    divan::main();
}

/// Trees in clumps along invented streets: blocks of 100 m, a tree about every 12 m, over 0.4 degrees.
fn hosts(count: usize) -> Vec<Host> {
    let mut state = 88_172_645_463_325_252_u64;
    // Xorshift (Marsaglia 2003, Journal of Statistical Software 8(14)): the same county every time.
    let mut random = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..count)
        .map(|k| {
            let (u, v) = (random(), random());
            // Half the trees stand along streets 0.001 degrees apart.
            let (lat, lon) = if k % 2 == 0 {
                ((u * 400.0).floor() / 1000.0 + random() * 3e-5, v * 0.5)
            } else {
                (u * 0.4, v * 0.5)
            };
            Host {
                label: format!("T{k}"),
                species: ["Fraxinus pennsylvanica", "Acer negundo", "Quercus rubra"][k % 3].into(),
                position: Position {
                    lat: 45.0 + lat,
                    lon: 7.0 + lon,
                },
                dbh_cm: Some(30.0),
                condition: HostCondition::Healthy,
            }
        })
        .collect()
}

fn million() -> &'static [Host] {
    static HOSTS: OnceLock<Vec<Host>> = OnceLock::new();
    HOSTS.get_or_init(|| hosts(1_000_000))
}

fn csv_text() -> &'static str {
    static TEXT: OnceLock<String> = OnceLock::new();
    TEXT.get_or_init(|| {
        let mut text = "label,species,lat,lon,dbh_cm,condition\n".to_owned();
        for h in million() {
            let _ = writeln!(
                text,
                "{},{},{:.7},{:.7},30.0,healthy",
                h.label, h.species, h.position.lat, h.position.lon
            );
        }
        text
    })
}

/// A zone of 500 corners around everything.
fn zone() -> Zone {
    let corner = |k: usize| {
        let t = std::f64::consts::TAU * (k % 500) as f64 / 500.0;
        let r = 1.0 + 0.05 * (17.0 * t).sin();
        [7.25 + 0.3 * r * t.cos(), 45.2 + 0.25 * r * t.sin()]
    };
    Zone {
        label: "county".into(),
        area: Area(vec![vec![(0..=500).map(corner).collect()]]),
    }
}

fn pathways() -> Vec<Pathway> {
    (0..50)
        .map(|k| Pathway {
            label: format!("W{k}"),
            kind: "firewood".into(),
            position: Position {
                lat: 45.0 + 0.008 * f64::from(k),
                lon: 7.0 + (0.37 * f64::from(k)).fract() * 0.5,
            },
            weight: 1.0,
            reach_m: 2000.0,
        })
        .collect()
}

#[divan::bench(sample_count = 3)]
fn read_a_million_hosts() -> usize {
    let today = jiff::civil::date(2026, 6, 30);
    let text = csv_text();
    let loaded = read_bytes::<Host>("hosts.csv", text.as_bytes(), &Context::new(today), &mut |_, _| {});
    assert_eq!(loaded.good.len(), 1_000_000);
    loaded.good.len()
}

#[divan::bench(sample_count = 3)]
fn read_a_million_hosts_inside_a_zone() -> usize {
    let today = jiff::civil::date(2026, 6, 30);
    let zones = [zone()];
    let context = Context {
        zones: &zones,
        ..Context::new(today)
    };
    read_bytes::<Host>("hosts.csv", csv_text().as_bytes(), &context, &mut |_, _| {})
        .good
        .len()
}

#[divan::bench(sample_count = 3, args = ["hosts' neighbourhood", "zone"])]
fn cells_of_a_million_hosts(over: &str) -> usize {
    let zones = if over == "zone" { vec![zone()] } else { vec![] };
    cells::lay(million(), &pathways(), &zones, |_| 1.0, &CellOptions::default()).map_or(0, |c| c.cells.len())
}

#[divan::bench(sample_count = 1, args = [20_000, 1_000_000])]
fn places_between_trees(count: usize) -> usize {
    let zones = [zone()];
    let ground = Ground {
        hosts: &million()[..count],
        land: &[],
        zones: &zones,
    };
    let Ok(rules) = PlaceRules::new(10.0, 60.0, 25.0) else {
        return 0;
    };
    places::find(ground, rules, |_| 1.0, &PlaceOptions::default()).map_or(0, |p| p.places.len())
}

#[divan::bench(sample_count = 3)]
fn a_million_points_in_polygons() -> usize {
    let zone = zone();
    let index = AreaIndex::new([&zone.area]);
    million().iter().filter(|h| index.contains(h.position)).count()
}

#[divan::bench(sample_count = 3)]
fn a_million_positions_to_the_frame() -> f64 {
    let at: Vec<Position> = million().iter().map(|h| h.position).collect();
    let frame = Frame::new(at[0]);
    frame.to_xy_all(&at).iter().map(|p| p.x_m).sum()
}

#[divan::bench(sample_count = 3)]
fn a_hundred_thousand_geodesics() -> f64 {
    million()[..100_000]
        .windows(2)
        .map(|w| geodesic_m(w[0].position, w[1].position))
        .sum()
}
