//! Worlds a minute: trials and calibrations of a district as large as the demo's, for two shipped targets.
//!
//! `cargo bench -p earlywood-model --bench trial`. The ground is invented: 3 000 cells of 0.2 ha in two zones, 150 traps on
//! a lattice, three seasons of weather. Arguments: worlds of the trial, worlds of each calibration. `bench/trial/run.sh`
//! does the same with the program and the demo's own file.

#![allow(clippy::print_stdout)] // a bench tells its figures

use std::time::Instant;

use earlywood_model::assurance::Cell;
use earlywood_model::param::Dist;
use earlywood_model::profile::by_id;
use earlywood_model::trial::{
    CalibrationSettings, Input, Plan, PlanTrap, PriorOf, Routine, Settings, Truth, calibrate, run,
};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};

const CELLS: u32 = 3_000;
const ACROSS: u32 = 60;
const SIDE_M: f64 = 46.0;
const TRAPS: u32 = 150;

type Done<T> = Result<T, Box<dyn std::error::Error>>;

fn weather(from: Date, days: i32) -> Done<Series> {
    let day = |k: i32| {
        let at = from.saturating_add(k.days());
        let season = (f64::from(at.day_of_year()) - 15.0) / 365.0 * std::f64::consts::TAU;
        let middle = 13.0 - 12.0 * season.cos();
        DailyTemp {
            date: at,
            tmin_c: middle - 6.0,
            tmax_c: middle + 6.0,
        }
    };
    Ok(Series::new((0..days).map(day).collect())?)
}

fn main() -> Done<()> {
    let numbers: Vec<u32> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let worlds = numbers.first().copied().unwrap_or(2_000);
    let stated = numbers.get(1).copied().unwrap_or(1_000);
    let cells: Vec<Cell> = (0..CELLS)
        .map(|i| Cell {
            x_m: f64::from(i % ACROSS) * SIDE_M,
            y_m: f64::from(i / ACROSS) * SIDE_M,
            weight: 1.0 + f64::from(i % 11),
            zone: usize::from(i % ACROSS >= ACROSS / 2),
        })
        .collect();
    let traps = (0..TRAPS)
        .map(|k| {
            let i = k * (CELLS / TRAPS);
            PlanTrap {
                label: format!("T{k}"),
                x_m: f64::from(i % ACROSS) * SIDE_M + 9.0,
                y_m: f64::from(i / ACROSS) * SIDE_M + 7.0,
                cost: 1.0,
                recorded: None,
            }
        })
        .collect();
    let plan = Plan {
        name: "lattice".into(),
        traps,
    };
    let weather = weather(date(2023, 1, 1), 5 * 366)?;
    let settings = Settings {
        replicates: worlds,
        ..Settings::new(date(2024, 1, 1), date(2026, 12, 31))
    };
    for target in ["emerald-ash-borer", "polyphagous-shot-hole-borer"] {
        let profile = by_id(target)?;
        let spread = profile.trial.as_ref().ok_or("the profile has a trial section")?;
        let routine = Routine {
            seasons: (2024..=2026).map(|y| (date(y, 4, 1), date(y, 11, 1))).collect(),
            look_every_days: profile.clocks.look.nominal_days.round() as u32,
            lure_every_days: 60,
            late_days: Dist::Pert {
                low: 0.0,
                mode: 1.0,
                high: 7.0,
            },
            not_reached: 0.03,
            impaired: 0.03,
            visit_cost: 0.25,
        };
        let input = Input {
            cells: &cells,
            cell_area_m2: SIDE_M * SIDE_M,
            weather: &weather,
            profile,
            spread,
            routine: &routine,
            settings: &settings,
        };
        let began = Instant::now();
        let (trial, _) = run(&input, std::slice::from_ref(&plan))?;
        let seconds = began.elapsed().as_secs_f64();
        println!(
            "{target}: {worlds} worlds in {seconds:.2} s on {} threads = {:.0} a minute; found in {}, died out in {}, capped in {}",
            rayon::current_num_threads(),
            60.0 * f64::from(worlds) / seconds,
            trial.plans[0].detected.worlds,
            trial.died_out,
            trial.capped
        );
        let asked = CalibrationSettings {
            worlds: stated,
            draws: 100,
            last_as_of: date(2024, 12, 31),
            season: (date(2024, 1, 1), date(2024, 12, 31)),
            prior: PriorOf::Spread,
        };
        for truth in Truth::ALL {
            let began = Instant::now();
            let curves = calibrate(&input, &plan, &asked, &[truth])?;
            let seconds = began.elapsed().as_secs_f64();
            println!(
                "  {stated} {}: {seconds:.2} s = {:.0} a minute; found in {}",
                truth.words(),
                60.0 * f64::from(stated) / seconds,
                curves[0].found
            );
            let check = curves[0].sensitivity;
            println!(
                "    sensitivity stated {:.3}, found {:.3} ({:.3}-{:.3}) of {}",
                check.mean_stated.unwrap_or(0.0),
                check.found.share,
                check.found.interval.0,
                check.found.interval.1,
                check.found.of
            );
            for bin in curves[0].bins.iter().filter(|b| b.worlds > 0) {
                let (low, high) = bin.interval.unwrap_or((0.0, 1.0));
                println!(
                    "    {:.1}-{:.1}: {:5} worlds, stated {:.3}, free {:.3} ({low:.3}-{high:.3}){}",
                    bin.from,
                    bin.to,
                    bin.worlds,
                    bin.mean_stated.unwrap_or(0.0),
                    bin.free as f64 / bin.worlds as f64,
                    if bin.agrees() == Some(false) { " off" } else { "" }
                );
            }
        }
    }
    Ok(())
}
