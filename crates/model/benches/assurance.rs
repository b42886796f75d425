//! A large county's assurance for a season: 25 000 traps, 0.5 million visits, 100 000 cells, 1 000 draws.
//!
//! `cargo bench -p earlywood-model --bench assurance`. The network is invented: cells on a 120 m lattice (about the spacing
//! of H3 resolution 10), traps at random among them, a visit every eight days or so of which some fail. Prints time,
//! pairs and the figures, so that a fast wrong answer is seen. Arguments: traps, cells, draws, then any word to use the
//! shipped shot hole borer profile as it is instead of a fixed 36 m sech with an uncertain rest.

#![allow(clippy::print_stdout)] // a bench tells its figures

use std::time::Instant;

use earlywood_model::assurance::{Cell, Input, PlacementInput, Settings, ZoneInput, assess};
use earlywood_model::param::Dist;
use earlywood_model::profile::{SHIPPED_TOML, TargetProfile};
use earlywood_model::record::{Looked, Renewed, TrapFound, Visit, VisitKind};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

const START: Date = date(2025, 4, 1);
const END: Date = date(2025, 10, 27);

fn weather() -> Series {
    let first = date(2024, 1, 1);
    let days = (0..1096)
        .map(|n| {
            let mean = 16.0 - 9.0 * (std::f64::consts::TAU * f64::from(n - 20) / 365.25).cos();
            DailyTemp {
                date: first + n.days(),
                tmin_c: mean - 6.0,
                tmax_c: mean + 6.0,
            }
        })
        .collect();
    Series::new(days).expect("a series without gaps")
}

fn visits(rng: &mut ChaCha8Rng) -> Vec<Visit> {
    let mut day = 0;
    let mut since_lure = 0;
    let mut out = Vec::new();
    loop {
        let step = rng.random_range(6..=14);
        day += step;
        since_lure += step;
        let when = START + day.days();
        if when > END {
            return out;
        }
        let (found, looked) = match rng.random_range(0..100) {
            0..4 => (TrapFound::NotReached, Looked::No),
            4..6 => (TrapFound::Gone, Looked::No),
            6..9 => (TrapFound::Down, Looked::No),
            9..14 => (TrapFound::Impaired, Looked::Fully),
            14..18 => (TrapFound::Working, Looked::Partly),
            _ => (TrapFound::Working, Looked::Fully),
        };
        let mut renewed = Renewed::default();
        if found == TrapFound::Gone {
            renewed = Renewed::ALL;
        } else if since_lure > 42 && found != TrapFound::NotReached {
            renewed = Renewed {
                body: false,
                ..Renewed::ALL
            };
        }
        if renewed.lure {
            since_lure = 0;
        }
        out.push(Visit {
            trap: String::new(),
            date: when,
            kind: VisitKind::Service,
            found,
            looked,
            suspects: (looked != Looked::No).then_some(0),
            renewed,
            lure_lot: None,
            crew: None,
            exception: None,
        });
    }
}

fn profile(as_shipped: bool) -> TargetProfile {
    let mut profile = TargetProfile::from_toml(SHIPPED_TOML[0]).expect("a profile that ships reads");
    if !as_shipped {
        profile.capture.form.value = earlywood_model::capture::Form::Sech;
        profile.capture.reach_m.dist = Dist::Fixed { value: 36.0 };
    }
    profile
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let number = |i: usize, usual: usize| arguments.get(i).and_then(|a| a.parse().ok()).unwrap_or(usual);
    let (traps, cells, draws) = (number(0, 25_000), number(1, 100_000), number(2, 1_000));
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let side = (cells as f64).sqrt().ceil() as usize;
    let zones: Vec<ZoneInput> = (0..9)
        .map(|z| ZoneInput {
            label: format!("zone {z}"),
            prior_infested: None,
        })
        .collect();
    let third = side.div_ceil(3);
    let cells: Vec<Cell> = (0..cells)
        .map(|i| {
            let (column, row) = (i % side, i / side);
            Cell {
                x_m: 120.0 * column as f64,
                y_m: 120.0 * row as f64,
                weight: rng.random::<f64>(),
                zone: (column / third + 3 * (row / third)).min(8),
            }
        })
        .collect();
    let width = 120.0 * side as f64;
    let placements: Vec<PlacementInput> = (0..traps)
        .map(|i| PlacementInput {
            label: format!("{i}"),
            x_m: width * rng.random::<f64>(),
            y_m: width * rng.random::<f64>(),
            zone: None,
            hung: START + rng.random_range(-10..20).days(),
            taken_down: None,
            visits: visits(&mut rng),
            holds: Vec::new(),
            fitted: None,
        })
        .collect();
    let stops: usize = placements.iter().map(|p| p.visits.len()).sum();
    let profile = profile(arguments.len() > 3);
    let settings = Settings {
        draws: draws as u32,
        ..Settings::new(END, START, END)
    };
    let weather = weather();
    let input = Input {
        zones: &zones,
        cells: &cells,
        placements: &placements,
        weather: &weather,
        profile: &profile,
        finds: &[],
        settings: &settings,
    };
    let began = Instant::now();
    let result = assess(&input).expect("the invented county is sound");
    let seconds = began.elapsed().as_secs_f64();
    println!(
        "{traps} traps, {stops} visits, {} cells, {draws} draws, {} threads: {seconds:.2} s",
        cells.len(),
        rayon::current_num_threads()
    );
    println!(
        "{} pairs within {:.0} m, {} draws cut short; {} periods",
        result.pairs,
        result.pair_distance_m,
        result.draws_cut_short,
        result.zones[0].periods.len()
    );
    for zone in result.zones.iter().take(3) {
        let last = zone.periods.last().expect("a season has periods");
        let free = last.p_free.expect("nothing was found");
        println!(
            "{}: S {:.3} ({:.3}-{:.3}), P(free) {:.3} ({:.3}-{:.3}), {:.0} of {:.0} trap-days, first cause {:?}",
            zone.zone,
            last.sensitivity.median,
            last.sensitivity.p05,
            last.sensitivity.p95,
            free.median,
            free.p05,
            free.p95,
            zone.effective_trap_days,
            zone.calendar_trap_days,
            zone.losses.first().map(|l| (l.cause, l.sensitivity))
        );
    }
}
