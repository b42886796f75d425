//! A trap dragged over a large county: 25 000 traps, 100 000 cells, one trap moved at a time.
//!
//! `cargo bench -p earlywood-chain --bench what_if`. The ground is invented: hosts on a lattice of 55 m, so that each has
//! about a cell of its own, and traps at random among them. Prints what laying the network out takes, what one question
//! takes (median, 95 %, longest of 300), and the same with a band; and a figure, so that a fast wrong answer is seen.
//! Arguments: hosts on a side of the lattice, traps.

#![allow(clippy::print_stdout)] // a bench tells its figures

use std::sync::Arc;
use std::time::Instant;

use earlywood_chain::ground::{Ground, GroundOptions};
use earlywood_chain::network::{Change, Network, Spot, standing};
use earlywood_journal::{Act, LoadMode, Programme};
use earlywood_model::profile;
use earlywood_model::record::{Host, HostCondition, Position};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

const STEP_M: f64 = 55.0;
/// Metres of a degree of latitude, near enough for an invented lattice.
const DEGREE_M: f64 = 111_000.0;
const QUESTIONS: usize = 300;
const DRAWS: u32 = 50;

type Done<T> = Result<T, Box<dyn std::error::Error>>;

fn at(x_m: f64, y_m: f64) -> Done<Position> {
    let lat: f64 = 40.0 + y_m / DEGREE_M;
    Ok(Position::new(
        lat,
        -93.0 + x_m / (DEGREE_M * 40.0_f64.to_radians().cos()),
    )?)
}

fn hosts(side: usize) -> Done<Vec<Host>> {
    let host = |i: usize| {
        Ok(Host {
            label: format!("H-{i}"),
            species: "Fraxinus pennsylvanica".into(),
            position: at((i % side) as f64 * STEP_M, (i / side) as f64 * STEP_M)?,
            dbh_cm: None,
            condition: HostCondition::Unknown,
        })
    };
    (0..side * side).map(host).collect()
}

fn milliseconds(mut took: Vec<f64>) -> String {
    took.sort_by(f64::total_cmp);
    let nth = |share: f64| took[((took.len() - 1) as f64 * share).round() as usize];
    format!(
        "median {:.2} ms, 95 % {:.2} ms, longest {:.2} ms",
        nth(0.5),
        nth(0.95),
        nth(1.0)
    )
}

fn ask(network: &Network, rng: &mut ChaCha8Rng, draws: u32, times: usize) -> Done<String> {
    let mut took = Vec::with_capacity(times);
    let mut moved = 0.0;
    for _ in 0..times {
        let spot = &network.spots()[rng.random_range(0..network.spots().len())];
        let mut to = spot.clone();
        to.lat += rng.random_range(-1e-3..1e-3);
        to.lon += rng.random_range(-1e-3..1e-3);
        let change = Change {
            moved: vec![to],
            ..Change::default()
        };
        let began = Instant::now();
        let told = network.what_if(&change, draws)?;
        took.push(began.elapsed().as_secs_f64() * 1e3);
        moved += told.all.after - told.all.before;
    }
    Ok(format!("{} (sum of changes {moved:+.6})", milliseconds(took)))
}

fn main() -> Done<()> {
    let mut numbers = std::env::args().filter_map(|a| a.parse::<usize>().ok());
    let (side, traps) = (numbers.next().unwrap_or(320), numbers.next().unwrap_or(25_000));
    let folder = tempfile::tempdir()?;
    let act = Act::new("lead", "2025-05-01T09:00:00-06:00[-06:00]".parse()?)?;
    let mut programme = Programme::create(&folder.path().join("a.earlywood"), "Invented ground", &act)?;
    programme.load_hosts(&act, "lattice", LoadMode::Add, &hosts(side)?)?;
    let began = Instant::now();
    let target = profile::by_id("emerald-ash-borer")?.clone();
    let ground = Arc::new(Ground::of(&programme, target, GroundOptions::default())?);
    println!(
        "ground: {} cells in {:.1} s",
        ground.cells.cells.len(),
        began.elapsed().as_secs_f64()
    );
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let width_m = side as f64 * STEP_M;
    let spot = |n: usize, rng: &mut ChaCha8Rng| {
        let p = at(rng.random_range(0.0..width_m), rng.random_range(0.0..width_m))?;
        Ok(Spot {
            label: format!("T-{n}"),
            lat: p.lat,
            lon: p.lon,
            kept: false,
            cost: None,
        })
    };
    let spots: Vec<Spot> = (0..traps).map(|n| spot(n, &mut rng)).collect::<Done<_>>()?;
    let began = Instant::now();
    let network = Network::new(ground.clone(), Arc::new(standing(&ground)?), spots)?;
    println!(
        "network: {traps} traps laid out in {:.2} s; sensitivity {:.4}",
        began.elapsed().as_secs_f64(),
        network.sensitivity().0
    );
    println!("a trap dragged: {}", ask(&network, &mut rng, 0, QUESTIONS)?);
    let began = Instant::now();
    ask(&network, &mut rng, DRAWS, 1)?;
    println!(
        "first band of {DRAWS} draws: {:.2} s",
        began.elapsed().as_secs_f64()
    );
    println!(
        "a trap dropped, band of {DRAWS} draws: {}",
        ask(&network, &mut rng, DRAWS, 20)?
    );
    Ok(())
}
