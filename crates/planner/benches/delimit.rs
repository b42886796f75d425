//! A delimiting survey of 1 800 traps: the protocol's rings as they are, and the optimised plan with its proved bound.
//!
//! `cargo bench -p earlywood-planner --bench delimit`. The ground is invented: hosts in two thirds of the cells of a block of nine by
//! nine mile squares, a find in the middle, an origin within a kilometre of it, one to four generations since. Prints
//! sizes, times and what the plans find, on the scenarios planned with and on fresh ones. Arguments: traps, crew-hours, scenarios.

#![allow(clippy::print_stdout)] // a bench tells its figures

use std::time::Instant;

use earlywood_planner::delimit::spread::{Life, Spread};
use earlywood_planner::delimit::trial::trial;
use earlywood_planner::delimit::{
    Ground, Known, Limits, Look, Options, Position, Problem, Scenario, Trap, Use, solve,
};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

const MILE_M: f64 = 1609.344;
const CELL_M: f64 = 120.0;
const REACH_M: f64 = 60.0;

fn capture(d: f64) -> f64 {
    0.3 / (d / REACH_M).cosh()
}

/// Traps of the classic block: 200 in the middle, 50, 25, 20 and 10 a square mile in the rings.
fn block() -> Vec<Position> {
    let mut spots = Vec::new();
    for row in -4i32..=4 {
        for column in -4i32..=4 {
            let n = [200, 50, 25, 20, 10][row.abs().max(column.abs()) as usize];
            let rows = f64::from(n).sqrt().round() as i32;
            for r in 0..rows {
                let columns = n * (r + 1) / rows - n * r / rows;
                for c in 0..columns {
                    let part = |k: i32, of: i32| (f64::from(k) + 0.5) / f64::from(of) - 0.5;
                    spots.push(Position {
                        x_m: (f64::from(column) + part(c, columns)) * MILE_M,
                        y_m: (f64::from(row) + part(r, rows)) * MILE_M,
                    });
                }
            }
        }
    }
    spots
}

fn main() {
    let number = |n: usize| std::env::args().filter_map(|a| a.parse::<usize>().ok()).nth(n);
    let (traps, hours, draws) = (
        number(0).unwrap_or(1800),
        number(1).unwrap_or(200),
        number(2).unwrap_or(500),
    );
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let half = (4.5 * MILE_M / CELL_M) as i32;
    let mut cells = Vec::new();
    for row in -half..=half {
        for column in -half..=half {
            if rng.random::<f64>() < 0.67 {
                cells.push(Position {
                    x_m: f64::from(column) * CELL_M,
                    y_m: f64::from(row) * CELL_M,
                });
            }
        }
    }
    let trees: Vec<f64> = cells.iter().map(|_| f64::from(rng.random_range(1..12))).collect();
    let origin: Vec<f64> = cells
        .iter()
        .map(|c| (-(c.x_m.hypot(c.y_m) / 400.0).powi(2)).exp())
        .collect();
    let spread = Spread {
        cells: &cells,
        origin: &origin,
        trees: &trees,
        cell_m: CELL_M,
        screening: 0.9,
        insects_a_tree: 4.0,
    };
    let life = |rng: &mut ChaCha8Rng| Life {
        generations: rng.random_range(1..=4),
        founders: 2,
        growth: rng.random_range(3.0..8.0),
    };
    // Exponential in the plane: the sum of two exponential steps, 160 m each.
    let flight = |rng: &mut ChaCha8Rng| -160.0 * (rng.random::<f64>() * rng.random::<f64>()).max(1e-300).ln();
    let made = |seed: u32| -> Vec<Scenario> {
        spread
            .scenarios(draws as u32, seed.into(), life, flight)
            .expect("scenarios")
    };
    let known = Known {
        finds: vec![Position { x_m: 0.0, y_m: 0.0 }],
        enclose_m: 800.0,
        sectors: 8,
    };
    let began = Instant::now();
    let ground = Ground::new(cells.clone(), made(1), known.clone()).expect("ground");
    let scenarios_s = began.elapsed().as_secs_f64();
    let fresh = Ground::new(cells.clone(), made(2), known).expect("ground");

    let free = |at: Position| Trap { at, usage: Use::Free };
    // A place at each cell, shifted at random.
    let places: Vec<Trap> = cells
        .iter()
        .map(|c| {
            free(Position {
                x_m: c.x_m + rng.random_range(-50.0..50.0),
                y_m: c.y_m + rng.random_range(-50.0..50.0),
            })
        })
        .collect();
    let looks: Vec<Look> = (0u32..)
        .zip(&trees)
        .map(|(cell, n)| Look {
            cell,
            hours: 0.25 * n,
            chance_each: 0.3,
        })
        .collect();
    let limits = Limits {
        traps,
        hours: hours as f64,
        spacing_m: 60.0,
    };
    let cutoff_m = 8.0 * REACH_M;
    let began = Instant::now();
    let problem =
        Problem::new(&ground, places.clone(), looks.clone(), cutoff_m, capture, limits).expect("problem");
    let set_up_s = began.elapsed().as_secs_f64();
    let began = Instant::now();
    let plan = solve(&problem, &Options::default()).expect("plan");
    let solve_s = began.elapsed().as_secs_f64();

    println!(
        "{} cells, {} places, {} looks, {} scenarios with {} pieces of edges",
        cells.len(),
        places.len(),
        looks.len(),
        draws,
        ground.pieces()
    );
    println!(
        "scenarios {scenarios_s:.2} s, set up {set_up_s:.2} s, plan {solve_s:.2} s; all {:.2} s",
        scenarios_s + set_up_s + solve_s
    );
    println!(
        "plan: {} traps, {:.1} of {hours} crew-hours; share of the edge {:.4} (bound {:.4}, gap {:.2} %), whole edge {:.4}",
        plan.traps.len(),
        plan.hours,
        plan.chance.share,
        plan.bound,
        100.0 * plan.gap,
        plan.chance.whole
    );
    let rings: Vec<Trap> = block().into_iter().map(free).collect();
    let all: Vec<usize> = (0..rings.len()).collect();
    let chosen: Vec<usize> = plan.traps.iter().map(|c| c.index).collect();
    let looked: Vec<usize> = plan.looks.iter().map(|c| c.index).collect();
    let told = |what: &str, ground: &Ground, traps: Vec<Trap>, hang: &[usize], look: &[usize]| {
        let problem = Problem::new(ground, traps, looks.clone(), cutoff_m, capture, limits).expect("problem");
        let chance = problem.evaluate(hang, look).expect("a layout of its own");
        let played = trial(&problem, hang, look, 2000, 9).expect("a layout of its own");
        println!(
            "{what}: share {:.4}, whole {:.4}; by trial share {:.4}, whole {:.4}, nothing outside {:.4}",
            chance.share, chance.whole, played.share, played.whole, played.nothing_outside
        );
    };
    println!(
        "on {draws} fresh scenarios, {:.4} of them without an edge to find:",
        fresh.bounded_already()
    );
    told(
        &format!("  {} traps of the block of mile squares", rings.len()),
        &fresh,
        rings,
        &all,
        &[],
    );
    told("  the plan's traps alone", &fresh, places.clone(), &chosen, &[]);
    told("  the plan, traps and looks", &fresh, places, &chosen, &looked);
}
