//! Choosing places, by hand-sized tables.

use std::collections::HashSet;
use std::time::Instant;

use anyhow::{Result, bail};
use clap::{Args, ValueEnum};
use earlywood_planner::siting::{Limit, Objective, Options, Position, Problem, WeightedCell, solve};
use serde_json::{Value, json};

use super::CaptureOptions;
use super::input::Table;
use crate::number;

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum ObjectiveArg {
    /// Weighted chance that each cell's incursion is seen.
    Sensitivity,
    /// Weight of the cells that have a trap within the reach.
    Cover,
}

#[derive(Args)]
pub(crate) struct SitingArgs {
    #[command(flatten)]
    capture: CaptureOptions,
    /// Flyers of the design incursion in each cell; left out, the objective is the chance that one flyer is caught.
    #[arg(long, value_name = "N", value_parser = number::positive, allow_negative_numbers = true)]
    flyers: Option<f64>,
    /// Traps to place.
    #[arg(long, value_name = "K", allow_negative_numbers = true, value_parser = clap::value_parser!(u32).range(1..))]
    pick: u32,
    /// Least distance between two traps, metres.
    #[arg(long, value_name = "M", default_value = "0", value_parser = number::not_negative, allow_negative_numbers = true)]
    spacing: f64,
    /// What to make as large as possible.
    #[arg(long, value_enum, default_value = "sensitivity")]
    objective: ObjectiveArg,
    /// Seed of the search.
    #[arg(long, default_value = "1")]
    seed: u64,
    /// Keep working on the bound until the plan is proved best or the effort runs out.
    #[arg(long)]
    prove: bool,
}

/// Beyond this distance capture is left out of the objective: it is too small to move any digit that is printed.
const LEAST_CAPTURE: f64 = 1e-9;

struct Rows {
    cells: Vec<WeightedCell>,
    places: Vec<Position>,
    ids: Vec<String>,
}

fn rows() -> Result<Rows> {
    let table = Table::from_stdin(&["kind", "id", "x", "y", "weight"], &[])?;
    let mut rows = Rows {
        cells: Vec::new(),
        places: Vec::new(),
        ids: Vec::new(),
    };
    let mut seen = HashSet::new();
    for row in table.rows() {
        let (kind, id) = (row.text("kind")?, row.text("id")?);
        let (x_m, y_m) = (row.number("x")?, row.number("y")?);
        if !seen.insert((kind.to_string(), id.to_string())) {
            bail!(row.complaint("id", id, &format!("used once; another {kind} has it")));
        }
        match kind {
            "cell" => rows.cells.push(WeightedCell {
                x_m,
                y_m,
                weight: row.amount("weight")?,
            }),
            "place" => {
                rows.places.push(Position { x_m, y_m });
                rows.ids.push(id.to_string());
            }
            other => bail!(row.complaint("kind", other, "cell or place")),
        }
    }
    if !rows.cells.iter().map(|c| c.weight).sum::<f64>().is_finite() {
        bail!(
            "standard input: the weights add up to more than a number can hold; only their ratios matter, so divide them"
        );
    }
    if rows.cells.is_empty() || rows.places.is_empty() {
        bail!("standard input needs at least one row of kind cell and one of kind place");
    }
    Ok(rows)
}

pub(super) fn siting(args: &SitingArgs) -> Result<Value> {
    let started = Instant::now();
    let capture = args.capture.capture()?;
    let objective = match (args.objective, args.flyers) {
        (ObjectiveArg::Cover, _) => Objective::Cover,
        (ObjectiveArg::Sensitivity, None) => Objective::OneFlyer,
        (ObjectiveArg::Sensitivity, Some(n)) => Objective::Flyers(n),
    };
    let rows = rows()?;
    let limit = Limit::Count(args.pick as usize);
    let problem = match objective {
        // A place covers a cell that lies within the reach, whatever the form.
        Objective::Cover => Problem::from_points(
            &rows.cells,
            &rows.places,
            args.capture.reach,
            |_| 1.0,
            objective,
            limit,
        ),
        _ => {
            let cutoff_m = capture.cutoff_m(LEAST_CAPTURE).max(f64::MIN_POSITIVE);
            Problem::from_points(
                &rows.cells,
                &rows.places,
                cutoff_m,
                |d| capture.hazard(d),
                objective,
                limit,
            )
        }
    }?
    .spaced(args.spacing)?;
    let options = Options {
        seed: args.seed,
        prove: args.prove,
        ..Options::default()
    };
    let plan = solve(&problem, &options)?;
    let chosen: Vec<&str> = plan.chosen.iter().map(|&i| rows.ids[i].as_str()).collect();
    let curve: Vec<Value> = plan
        .curve
        .iter()
        .map(|&(k, f)| json!({"traps": k, "objective": f}))
        .collect();
    Ok(json!({
        "chosen": chosen,
        "objective": plan.objective,
        "bound": plan.bound,
        "gap": plan.gap,
        "seconds": started.elapsed().as_secs_f64(),
        "curve": curve,
    }))
}
