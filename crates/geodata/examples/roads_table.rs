//! For bench/roads: `roads_table FILE.osm.pbf` reads id,lat,lon on standard input, prints the table and what it took.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::io::Read;
use std::time::Instant;

use earlywood_geodata::roads::{OsmOptions, RoadNet, RoadOptions, read_osm_pbf_file};
use earlywood_model::record::Position;
use serde_json::json;

fn main() {
    let file = std::env::args().nth(1).unwrap_or_default();
    let began = Instant::now();
    let read = match read_osm_pbf_file(file.as_ref(), &OsmOptions::default()) {
        Ok(read) => read,
        Err(e) => {
            eprintln!("{e}");
            std::process::exit(1);
        }
    };
    let read_s = began.elapsed().as_secs_f64();
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text).unwrap();
    let rows: Vec<Vec<&str>> = text.lines().skip(1).map(|l| l.split(',').collect()).collect();
    let at: Vec<Position> = rows
        .iter()
        .map(|r| Position {
            lat: r[1].parse().unwrap(),
            lon: r[2].parse().unwrap(),
        })
        .collect();
    let began = Instant::now();
    let net = RoadNet::build(&read.roads, &RoadOptions::default()).unwrap();
    let build_s = began.elapsed().as_secs_f64();
    let began = Instant::now();
    let table = net.times(&at);
    let table_s = began.elapsed().as_secs_f64();
    let n = at.len();
    let seconds: Vec<Vec<Option<u32>>> = (0..n)
        .map(|i| (0..n).map(|j| table.seconds(i, j)).collect())
        .collect();
    let ids: Vec<&str> = rows.iter().map(|r| r[0]).collect();
    let counts = format!("{:?}", net.counts());
    println!(
        "{}",
        json!({"ids": ids, "seconds": seconds, "walk_s": table.walk_s, "counts": counts, "notes": read.notes,
               "took_s": {"read": read_s, "build": build_s, "table": table_s}})
    );
}
