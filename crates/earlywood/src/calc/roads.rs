//! Drive times along the roads of an OpenStreetMap extract.

use std::collections::HashSet;
use std::path::PathBuf;
use std::time::Instant;

use anyhow::{Result, bail};
use clap::Args;
use earlywood_geodata::roads::{Closure, OsmOptions, RoadNet, RoadOptions, read_osm_pbf_file};
use earlywood_model::record::Position;
use serde_json::{Value, json};

use super::input::Table;
use crate::number;

#[derive(Args)]
pub(crate) struct RoadsArgs {
    /// The extract (.osm.pbf).
    #[arg(long, value_name = "FILE")]
    pbf: PathBuf,
    /// Crews may use private roads.
    #[arg(long)]
    private: bool,
    /// Close a road by its label, for example way/123; may be given again.
    #[arg(long, value_name = "LABEL")]
    closed: Vec<String>,
    /// Longest walk from a road, metres; what lies farther is off the roads.
    #[arg(long, value_name = "M", default_value = "500", value_parser = number::not_negative, allow_negative_numbers = true)]
    max_walk: f64,
    /// Give the length of each drive, metres, too.
    #[arg(long)]
    metres: bool,
}

pub(super) fn roads(args: &RoadsArgs) -> Result<Value> {
    let began = Instant::now();
    let options = OsmOptions {
        clip: None,
        private: args.private,
    };
    let read = read_osm_pbf_file(&args.pbf, &options)?;
    let read_s = began.elapsed().as_secs_f64();
    let (ids, at) = rows()?;
    let began = Instant::now();
    let net = RoadNet::build(
        &read.roads,
        &RoadOptions {
            max_walk_m: args.max_walk,
            closures: args.closed.iter().cloned().map(Closure::Road).collect(),
            ..RoadOptions::default()
        },
    )?;
    let build_s = began.elapsed().as_secs_f64();
    let began = Instant::now();
    let table = net.times(&at);
    let table_s = began.elapsed().as_secs_f64();
    let seconds: Vec<Vec<Option<u32>>> = (0..at.len())
        .map(|i| (0..at.len()).map(|j| table.seconds(i, j)).collect())
        .collect();
    let walks: Vec<Option<u32>> = table
        .walk_s
        .iter()
        .zip(&table.off_road)
        .map(|(&s, &off)| (!off).then_some(s))
        .collect();
    let counts = net.counts();
    let mut answer = json!({
        "ids": ids,
        "seconds": seconds,
        "walk_s": walks,
        "roads": {
            "read": counts.roads,
            "closed": counts.closed,
            "off_main": counts.off_main,
            "junctions": counts.junctions,
            "edges": counts.edges,
        },
        "took_s": {"read": read_s, "build": build_s, "table": table_s},
        "notes": read.notes,
    });
    if args.metres {
        let metres: Vec<Vec<Option<f64>>> = at
            .iter()
            .map(|&a| at.iter().map(|&b| net.path(a, b).map(|d| d.metres)).collect())
            .collect();
        answer["metres"] = json!(metres);
    }
    Ok(answer)
}

fn rows() -> Result<(Vec<String>, Vec<Position>)> {
    let table = Table::from_stdin(&["id", "lat", "lon"], &[])?;
    let (mut ids, mut at, mut seen) = (Vec::new(), Vec::new(), HashSet::new());
    for row in table.rows() {
        let (id, lat, lon) = (row.text("id")?, row.number("lat")?, row.number("lon")?);
        if !seen.insert(id.to_owned()) {
            bail!(row.complaint("id", id, "used once; another row has it"));
        }
        if lat.abs() > 90.0 {
            bail!(row.complaint("lat", &lat.to_string(), "-90 to 90 degrees"));
        }
        if lon.abs() > 180.0 {
            bail!(row.complaint("lon", &lon.to_string(), "-180 to 180 degrees"));
        }
        ids.push(id.to_owned());
        at.push(Position { lat, lon });
    }
    Ok((ids, at))
}
