//! Times the detection surface on an instance written by `bench/detection/instance.py`; see `bench/detection/run.sh`.
//!
//! usage: `detection_bench INSTANCE RUNS ANSWER`. Prints one JSON object a line and writes the cells' probabilities.
#![allow(clippy::print_stdout)]

use std::error::Error;
use std::time::Instant;

use earlywood_model::capture::{Capture, Form};
use earlywood_model::detection::{Cutoff, Grid, Point, Surface, SurfaceTrap};

const SPACING_M: f64 = 50.0;
const DAYS: f64 = 14.0;
const CUTOFF: Cutoff = Cutoff::ShareOfPeak(1e-6);

struct Instance {
    grid: Grid,
    traps: Vec<SurfaceTrap>,
}

fn read(path: &str) -> Result<Instance, Box<dyn Error>> {
    let bytes = std::fs::read(path)?;
    let words: Vec<[u8; 8]> = bytes
        .chunks_exact(8)
        .map(|w| w.try_into())
        .collect::<Result<_, _>>()?;
    let (head, numbers) = words
        .split_at_checked(3)
        .ok_or("the instance file is cut short")?;
    let [columns, rows, count] = [0, 1, 2].map(|i| u64::from_le_bytes(head[i]) as usize);
    if numbers.len() != 5 * count {
        return Err("the instance file is cut short".into());
    }
    let value = |part: usize, i: usize| f64::from_le_bytes(numbers[part * count + i]);
    let traps = (0..count)
        .map(|i| {
            let at = Point {
                x_m: value(0, i),
                y_m: value(1, i),
            };
            // one day's capture, for all days: the hazards add up
            SurfaceTrap::new(at, Capture::new(Form::Sech, value(2, i), value(3, i))?, DAYS)
        })
        .collect::<Result<_, _>>()?;
    let first = Point {
        x_m: 0.5 * SPACING_M,
        y_m: 0.5 * SPACING_M,
    };
    Ok(Instance {
        grid: Grid {
            first,
            spacing_m: SPACING_M,
            cols: columns,
            rows,
        },
        traps,
    })
}

/// The same traps with exposures that differ from one another in the last place: takes the other way through the kernel.
fn with_different_exposures(traps: &[SurfaceTrap]) -> Result<Vec<SurfaceTrap>, Box<dyn Error>> {
    let nudged = |(i, t): (usize, &SurfaceTrap)| {
        SurfaceTrap::new(
            t.at(),
            t.capture(),
            t.exposure() * (1.0 + (i % 2) as f64 * f64::EPSILON),
        )
    };
    Ok(traps.iter().enumerate().map(nudged).collect::<Result<_, _>>()?)
}

fn median_seconds<T>(runs: usize, mut run: impl FnMut() -> T) -> f64 {
    let mut seconds: Vec<f64> = (0..runs.max(1))
        .map(|_| {
            let started = Instant::now();
            std::hint::black_box(run());
            started.elapsed().as_secs_f64()
        })
        .collect();
    seconds.sort_by(f64::total_cmp);
    seconds[seconds.len() / 2]
}

fn say(name: &str, label: &str, seconds: f64) {
    println!("{{\"name\": \"{name}\", \"label\": \"{label}\", \"seconds\": {seconds}}}");
}

fn on_threads<T: Send>(threads: usize, run: impl FnOnce() -> T + Send) -> Result<T, Box<dyn Error>> {
    Ok(rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()?
        .install(run))
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut args = std::env::args().skip(1);
    let (Some(path), Some(runs), Some(answer)) = (args.next(), args.next(), args.next()) else {
        return Err("usage: detection_bench INSTANCE RUNS ANSWER".into());
    };
    let runs: usize = runs.parse()?;
    let Instance { grid, traps } = read(&path)?;
    let surface = Surface::over_grid(&grid)?;
    let points: Vec<Point> = (0..grid.rows)
        .flat_map(|r| (0..grid.cols).map(move |c| grid.point(c, r)))
        .collect();
    let scattered = Surface::over_points(&points)?;
    let uneven = with_different_exposures(&traps)?;

    say(
        "ours-layout",
        "ours, layout of the grid",
        median_seconds(runs, || Surface::over_grid(&grid)),
    );
    say(
        "ours-layout-points",
        "ours, layout of any points",
        median_seconds(runs, || Surface::over_points(&points)),
    );
    let cores = std::thread::available_parallelism()?.get();
    let mut counts = vec![1, cores];
    counts.dedup();
    for threads in counts {
        let plural = if threads == 1 { "" } else { "s" };
        let suffix = format!("{threads} thread{plural}");
        let of = |surface: &Surface, traps: &[SurfaceTrap]| {
            on_threads(threads, || {
                median_seconds(runs, || surface.probabilities(traps, CUTOFF))
            })
        };
        say(
            &format!("ours-{threads}"),
            &format!("ours, {suffix}"),
            of(&surface, &traps)?,
        );
        say(
            &format!("ours-points-{threads}"),
            &format!("ours, any points, {suffix}"),
            of(&scattered, &traps)?,
        );
        say(
            &format!("ours-logs-{threads}"),
            &format!("ours, any exposures, {suffix}"),
            of(&surface, &uneven)?,
        );
        let rows = on_threads(threads, || {
            median_seconds(runs, || surface.coverage(&traps, CUTOFF))
        })?;
        say(
            &format!("ours-coverage-{threads}"),
            &format!("ours, sparse table, {suffix}"),
            rows,
        );
    }
    let bytes: Vec<u8> = surface
        .probabilities(&traps, CUTOFF)
        .iter()
        .flat_map(|p| p.to_le_bytes())
        .collect();
    std::fs::write(answer, bytes)?;
    Ok(())
}
