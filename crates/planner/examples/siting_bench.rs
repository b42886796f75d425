//! Runs the planner on an instance file written by bench/siting/instance.py and prints one line of JSON.
//!
//! `cargo run --release -p earlywood-planner --example siting_bench -- FILE [--objective one|cover|flyers:N] [--prove]
//! [--effort E] [--seconds S] [--seed N] [--target G]`
#![allow(clippy::print_stdout, clippy::unwrap_used, missing_docs)]

use std::io::Read;
use std::time::Duration;

use earlywood_planner::siting::{Limit, Objective, Options, Position, Problem, solve};

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let option = |name: &str| {
        args.iter()
            .position(|a| a == name)
            .and_then(|k| args.get(k + 1))
            .cloned()
    };
    let objective = match option("--objective").as_deref() {
        None | Some("one") => Objective::OneFlyer,
        Some("cover") => Objective::Cover,
        Some(text) => Objective::Flyers(text.trim_start_matches("flyers:").parse().unwrap()),
    };
    let problem = read(&args[0], objective, option("--pick").map(|k| k.parse().unwrap()));
    let mut options = Options {
        prove: args.iter().any(|a| a == "--prove"),
        ..Options::default()
    };
    if let Some(effort) = option("--effort") {
        options.effort = effort.parse().unwrap();
    }
    if let Some(seed) = option("--seed") {
        options.seed = seed.parse().unwrap();
    }
    if let Some(gap) = option("--target") {
        options.target_gap = gap.parse().unwrap();
    }
    if let Some(seconds) = option("--seconds") {
        options.time_limit = Some(Duration::from_secs_f64(seconds.parse().unwrap()));
    }
    let plan = solve(&problem, &options).unwrap();
    assert!(problem.allows(&plan.chosen));
    println!(
        "{{\"places\":{},\"chosen\":{},\"objective\":{:.6},\"bound\":{:.6},\"gap\":{:.5},\"seconds\":{:.2},\"cpu_seconds\":{:.2},\"peak_mib\":{},\"stopped_early\":{}}}",
        problem.places(),
        plan.chosen.len(),
        plan.objective,
        plan.bound,
        plan.gap,
        plan.seconds,
        cpu_seconds(),
        peak_mib(),
        plan.stopped_early
    );
}

struct Reader(std::io::BufReader<std::fs::File>);
impl Reader {
    fn bytes<const N: usize>(&mut self) -> [u8; N] {
        let mut out = [0; N];
        self.0.read_exact(&mut out).unwrap();
        out
    }
    fn number(&mut self) -> usize {
        u64::from_le_bytes(self.bytes()) as usize
    }
    fn floats(&mut self, n: usize) -> Vec<f64> {
        (0..n).map(|_| f64::from_le_bytes(self.bytes())).collect()
    }
    fn ints(&mut self, n: usize) -> Vec<usize> {
        (0..n)
            .map(|_| u32::from_le_bytes(self.bytes()) as usize)
            .collect()
    }
}

/// The hazards are taken from the file rather than computed, so that both sides solve the identical problem. For the cover
/// objective a cell counts as covered where p is at least one half.
fn read(path: &str, objective: Objective, pick_given: Option<usize>) -> Problem {
    let mut r = Reader(std::io::BufReader::new(std::fs::File::open(path).unwrap()));
    assert_eq!(&r.bytes::<8>(), b"EWSITE01");
    let (places, cells, pick, entries, conflicts) =
        (r.number(), r.number(), r.number(), r.number(), r.number());
    let _spacing_m = r.floats(1);
    let weights = r.floats(cells);
    let to_points = |xy: Vec<f64>| -> Vec<Position> {
        xy.chunks_exact(2)
            .map(|p| Position { x_m: p[0], y_m: p[1] })
            .collect()
    };
    let place_xy = to_points(r.floats(2 * places));
    let cell_xy = to_points(r.floats(2 * cells));
    let start: Vec<usize> = (0..=places).map(|_| r.number()).collect();
    let cell = r.ints(entries);
    let p = r.floats(entries);
    let pairs: Vec<(usize, usize)> = r
        .ints(2 * conflicts)
        .chunks_exact(2)
        .map(|c| (c[0], c[1]))
        .collect();
    let rows: Vec<Vec<(usize, f64)>> = (0..places)
        .map(|i| {
            (start[i]..start[i + 1])
                .filter(|&k| objective != Objective::Cover || p[k] >= 0.5)
                .map(|k| (cell[k], -(-p[k]).ln_1p()))
                .collect()
        })
        .collect();
    Problem::from_rows(
        weights,
        &rows,
        objective,
        Limit::Count(pick_given.unwrap_or(pick)),
    )
    .unwrap()
    .located(&place_xy, &cell_xy)
    .unwrap()
    .conflicting(&pairs)
    .unwrap()
}

fn cpu_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after = text.rsplit(')').next().unwrap_or("");
    let ticks: f64 = after
        .split_whitespace()
        .skip(11)
        .take(2)
        .filter_map(|t| t.parse::<f64>().ok())
        .sum();
    ticks / 100.0
}

fn peak_mib() -> u64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    text.lines()
        .find_map(|l| l.strip_prefix("VmHWM:"))
        .and_then(|v| v.trim().trim_end_matches("kB").trim().parse::<u64>().ok())
        .unwrap_or(0)
        / 1024
}
