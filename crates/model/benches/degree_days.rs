//! Degree-days of many stations over ten years: nanoseconds per station-day, by method and cut-off, on one thread.
//!
//! `bench/degree_days/run.sh` runs numpy on the same days and prints the ratio.

use std::hint::black_box;

use divan::Bencher;
use divan::counter::ItemsCount;
use earlywood_model::degree_days::{Cutoff, Method, Rule};
use earlywood_model::weather::DailyTemp;
use jiff::ToSpan as _;
use jiff::civil::date;

const STATIONS: usize = 1_000;
const DAYS: usize = 3_650;
const LOWER_C: f64 = 13.34;
const UPPER_C: f64 = 33.08;

fn main() {
    divan::main();
}

/// The same days `peer.py` makes: a year's sine, a station's offset, a little hash noise on mean and range.
fn station(k: usize) -> Vec<DailyTemp> {
    let first = date(2015, 1, 1);
    (0..DAYS)
        .map(|d| {
            let noise = |salt: u64| {
                let mixed = (d as u64 + 1_000_003 * k as u64 + salt).wrapping_mul(0x9E37_79B9_7F4A_7C15);
                (mixed >> 11) as f64 / (1_u64 << 53) as f64
            };
            let season = (std::f64::consts::TAU * d as f64 / 365.25).sin();
            let mid = 16.0 + 9.0 * season + 0.004 * k as f64 + 8.0 * (noise(0) - 0.5);
            let half = 2.0 + 7.0 * noise(17);
            DailyTemp {
                date: first.saturating_add((d as i64).days()),
                tmin_c: mid - half,
                tmax_c: mid + half,
            }
        })
        .collect()
}

fn stations() -> Vec<Vec<DailyTemp>> {
    (0..STATIONS).map(station).collect()
}

#[divan::bench(
    args = [Method::Average, Method::Sine, Method::Triangle, Method::DoubleSine, Method::DoubleTriangle],
    sample_count = 10,
    sample_size = 1,
)]
fn horizontal(bencher: Bencher, method: Method) {
    measure(bencher, method, Cutoff::Horizontal);
}

#[divan::bench(args = [Method::Sine, Method::DoubleSine], sample_count = 10, sample_size = 1)]
fn vertical(bencher: Bencher, method: Method) {
    measure(bencher, method, Cutoff::Vertical);
}

fn measure(bencher: Bencher, method: Method, cutoff: Cutoff) {
    let stations = stations();
    let rule = Rule::new(method, cutoff, LOWER_C, Some(UPPER_C)).expect("thresholds in order");
    bencher.counter(ItemsCount::new(STATIONS * DAYS)).bench_local(|| {
        let sum: f64 = stations
            .iter()
            .map(|days| rule.daily(black_box(days)).iter().sum::<f64>())
            .sum();
        black_box(sum)
    });
}

/// One line for the script: nanoseconds per station-day and the sum, to be compared with the peer's. Fifty stations at a
/// time, best of nine runs each, as the peer does: short enough to find quiet moments on a busy machine.
#[divan::bench(sample_count = 1, sample_size = 1)]
fn report_line() {
    let stations = stations();
    let rule =
        Rule::new(Method::Sine, Cutoff::Horizontal, LOWER_C, Some(UPPER_C)).expect("thresholds in order");
    let (mut nanoseconds, mut sum) = (0, 0.0);
    for block in stations.chunks(50) {
        let mut best = u128::MAX;
        let mut block_sum = 0.0;
        for _ in 0..9 {
            let begin = std::time::Instant::now();
            block_sum = block
                .iter()
                .map(|days| rule.daily(black_box(days)).iter().sum::<f64>())
                .sum();
            best = best.min(begin.elapsed().as_nanos());
        }
        nanoseconds += best;
        sum += block_sum;
    }
    let each = nanoseconds as f64 / (STATIONS * DAYS) as f64;
    // Standard error, so that the table of the benches stays whole.
    eprintln!("earlywood sine horizontal ns_per_station_day={each:.3} sum={sum:.6}");
}
