//! The harness of `fuzz/` on stable Rust: the seeds, and seeded mutations of them. `EARLYWOOD_FUZZ=n` for n of them each.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::harness;
use std::path::PathBuf;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn iterations() -> u32 {
    std::env::var("EARLYWOOD_FUZZ").map_or(4_000, |n| n.parse().expect("EARLYWOOD_FUZZ is a number"))
}

fn seeds(target: &str) -> Vec<(String, Vec<u8>)> {
    let dir = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("fuzz/seeds")
        .join(target);
    let mut files: Vec<_> = std::fs::read_dir(dir)
        .unwrap()
        .map(|f| f.unwrap().path())
        .collect();
    files.sort();
    assert!(!files.is_empty());
    let name = |file: &PathBuf| file.file_name().unwrap().to_string_lossy().into_owned();
    files
        .iter()
        .map(|file| (name(file), std::fs::read(file).unwrap()))
        .collect()
}

/// What tends to break readers of JSON.
const TOKENS: [&str; 24] = [
    "null",
    "true",
    "{}",
    "[]",
    "\"\"",
    "-1",
    "0",
    "1e999",
    "9007199254740993",
    "18446744073709551616",
    "\\ud800",
    "\\u0000",
    "\n",
    "\r\n",
    "\"",
    "\\",
    "{\"",
    "}",
    "]",
    ",",
    "\u{feff}",
    "é",
    "NaN",
    "9999-12-31",
];

fn mutate(rng: &mut ChaCha8Rng, seeds: &[(String, Vec<u8>)]) -> Vec<u8> {
    let mut data = seeds[rng.random_range(0..seeds.len())].1.clone();
    for _ in 0..rng.random_range(1..6) {
        let at = rng.random_range(0..=data.len());
        let to = (at + rng.random_range(0..12)).min(data.len());
        match rng.random_range(0..7) {
            0 if at < data.len() => data[at] ^= 1 << rng.random_range(0..8),
            1 => data.truncate(at),
            2 => drop(data.drain(at..to)),
            3 => drop(data.splice(at..to, TOKENS[rng.random_range(0..TOKENS.len())].bytes())),
            4 => {
                let piece = data[at..to].to_vec();
                let into = rng.random_range(0..=data.len());
                drop(data.splice(into..into, piece));
            }
            5 => {
                let other = &seeds[rng.random_range(0..seeds.len())].1;
                let from = rng.random_range(0..=other.len());
                data.truncate(at);
                data.extend_from_slice(&other[from..]);
            }
            _ => {
                // Whole lines change places.
                let mut lines: Vec<Vec<u8>> = data
                    .split_inclusive(|&b| b == b'\n')
                    .map(<[u8]>::to_vec)
                    .collect();
                if lines.len() > 1 {
                    let (a, b) = (rng.random_range(0..lines.len()), rng.random_range(0..lines.len()));
                    lines.swap(a, b);
                }
                data = lines.concat();
            }
        }
    }
    data
}

fn run(target: &str, harness: fn(&[u8]) -> bool) -> String {
    let seeds = seeds(target);
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let mut read = 0;
    for i in 0..iterations() {
        let data = mutate(&mut rng, &seeds);
        match std::panic::catch_unwind(|| harness(&data)) {
            Ok(was_read) => read += u32::from(was_read),
            Err(_) => panic!("{target}, mutation {i}: {:?}", String::from_utf8_lossy(&data)),
        }
    }
    format!(
        "{target}: {} mutations of {} seeds, {read} read",
        iterations(),
        seeds.len()
    )
}

#[test]
fn sync_messages() {
    for (name, data) in seeds("sync_message") {
        assert_eq!(harness::sync_message(&data), !name.starts_with("bad-"), "{name}");
    }
    println!("{}", run("sync_message", harness::sync_message));
}

#[test]
fn entry_bodies() {
    for (name, data) in seeds("entry_body") {
        assert_eq!(harness::entry_body(&data), !name.starts_with("bad-"), "{name}");
    }
    println!("{}", run("entry_body", harness::entry_body));
}
