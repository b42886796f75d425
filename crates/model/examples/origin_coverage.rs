//! Of simulated finds, how many regions of the origin hold the truth? `cargo run -p earlywood-model --example
//! origin_coverage [FINDS] [DRAWS]`; 2 000 finds unless told otherwise. Prints one line for each way of scattering catches.
//!
//! Ground, traps and beliefs are invented: 900 cells of 50 m with unequal priors, 36 traps of unequal effort, a sech with
//! uncertain reach and peak.
#![allow(clippy::print_stdout)] // it tells its figures

use std::error::Error;
use std::time::Instant;

use earlywood_model::capture::Form;
use earlywood_model::dispersal::Kernel;
use earlywood_model::origin::coverage::{Simulation, coverage};
use earlywood_model::origin::posterior::{Beliefs, Catches, FirstFlight, Flyers};
use earlywood_model::origin::{OriginGrid, TrapCatch};
use earlywood_model::param::Dist;
use earlywood_model::sample_size::Sides;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let finds = arguments.next().map_or(Ok(2000), |a| a.parse())?;
    let draws = arguments.next().map_or(Ok(60), |a| a.parse())?;
    let grid = OriginGrid {
        x_m: 0.0,
        y_m: 0.0,
        step_m: 50.0,
        columns: 30,
        rows: 30,
    };
    let mut candidates = grid.candidates();
    for (i, c) in candidates.iter_mut().enumerate() {
        c.weight = 1.0 + (i % 11) as f64;
    }
    let traps: Vec<TrapCatch> = (0..36)
        .map(|i| TrapCatch {
            x_m: 125.0 + 240.0 * f64::from(i % 6),
            y_m: 125.0 + 240.0 * f64::from(i / 6),
            catch: 0.0,
            effort: 0.4 + 0.1 * f64::from(i % 7),
        })
        .collect();
    let beliefs = Beliefs {
        form: Form::Sech,
        reach_m: Dist::LogNormal {
            median: 60.0,
            sigma: 0.3,
        },
        peak: Dist::Pert {
            low: 0.05,
            mode: 0.15,
            high: 0.4,
        },
        first_flight: None,
        catches: Catches::Poisson,
        flyers: Flyers::LogNormal {
            median: 100.0,
            sigma: 0.8,
        },
    };
    let clumped = Catches::Clumped {
        clumping: Dist::LogNormal {
            median: 0.7,
            sigma: 0.4,
        },
    };
    let flown = FirstFlight {
        kernel: Kernel::exponential(40.0)?,
        factor: Dist::LogNormal {
            median: 1.0,
            sigma: 0.3,
        },
    };
    for (words, catches, first_flight) in [
        ("Poisson", Catches::Poisson, None),
        ("negative binomial", clumped, None),
        ("Poisson, after a first flight", Catches::Poisson, Some(flown)),
    ] {
        let beliefs = Beliefs {
            catches,
            first_flight,
            ..beliefs.clone()
        };
        let simulation = Simulation {
            finds,
            share: 0.95,
            flyers_median: 100.0,
            flyers_sigma: 0.8,
            draws,
            seed: 2026,
        };
        let began = Instant::now();
        let told = coverage(&candidates, &traps, &beliefs, simulation)?;
        let (low, high) = told.held.interval(0.95, Sides::Two)?;
        println!(
            "{words}: of {finds} finds {} in their 95 % region, {:.2} % ({:.2}-{:.2}); promised {:.2} %; {} incursions; {:.1} s",
            told.held.successes(),
            100.0 * told.held.point().unwrap_or(0.0),
            100.0 * low,
            100.0 * high,
            100.0 * told.promised,
            told.incursions,
            began.elapsed().as_secs_f64()
        );
    }
    Ok(())
}
