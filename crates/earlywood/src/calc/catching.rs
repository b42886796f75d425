//! Capture, networks, origins and dispersal.

use anyhow::{Result, bail};
use clap::{Args, ValueEnum};
use earlywood_model::dispersal::Kernel;
use earlywood_model::origin::posterior::{Beliefs, Catches, Draws, Flyers, posterior};
use earlywood_model::origin::{self, OriginGrid, TrapCatch};
use earlywood_model::param::Dist;
use serde_json::{Value, json};

use super::CaptureOptions;
use super::input::Table;
use crate::number;

#[derive(Args)]
pub(crate) struct CaptureArgs {
    #[command(flatten)]
    capture: CaptureOptions,
    /// Distances, metres, comma-separated.
    #[arg(long, value_name = "A,B,C", value_delimiter = ',', required = true, value_parser = number::not_negative, allow_negative_numbers = true)]
    distances: Vec<f64>,
}

pub(super) fn capture(args: &CaptureArgs) -> Result<Value> {
    let capture = args.capture.capture()?;
    let p: Vec<f64> = args.distances.iter().map(|&d| capture.probability(d)).collect();
    Ok(json!({"p": p, "sampling_area_m2": capture.sampling_area_m2()}))
}

#[derive(Args)]
pub(crate) struct NetworkArgs {
    #[command(flatten)]
    capture: CaptureOptions,
    /// Flyers of the design incursion in a cell.
    #[arg(long, value_name = "N", value_parser = number::not_negative, allow_negative_numbers = true)]
    flyers: f64,
}

pub(super) fn network(args: &NetworkArgs) -> Result<Value> {
    let capture = args.capture.capture()?;
    let table = Table::from_stdin(&["kind", "x", "y"], &[])?;
    let (mut traps, mut cells) = (Vec::new(), Vec::new());
    for row in table.rows() {
        let at = (row.number("x")?, row.number("y")?);
        match row.text("kind")? {
            "trap" => traps.push(at),
            "cell" => cells.push(at),
            other => bail!(row.complaint("kind", other, "trap or cell")),
        }
    }
    if cells.is_empty() {
        bail!("standard input has no cell rows, so there is nothing to answer for");
    }
    let answer: Vec<Value> = cells
        .iter()
        .map(|&(x, y)| {
            // Traps compete: hazards add, so no insect is caught twice.
            let hazard: f64 = traps
                .iter()
                .map(|&(tx, ty)| capture.hazard(f64::hypot(tx - x, ty - y)))
                .sum();
            let p_one = -(-hazard).exp_m1();
            json!({"x": x, "y": y, "p_one": p_one, "sensitivity": -(-args.flyers * p_one).exp_m1()})
        })
        .collect();
    Ok(json!({ "cells": answer }))
}

#[derive(Args)]
pub(crate) struct OriginArgs {
    #[command(flatten)]
    capture: CaptureOptions,
    /// Step of the grid of candidate origins, metres.
    #[arg(long, value_name = "M", value_parser = number::positive, allow_negative_numbers = true)]
    grid: f64,
    /// Clumping k of the catches (negative binomial, variance m + m2/k); Poisson when left out.
    #[arg(long, value_name = "K", value_parser = number::positive, allow_negative_numbers = true)]
    clumping: Option<f64>,
    /// How unsure the reach is: standard deviation of its natural logarithm, about --reach as the median.
    #[arg(long, value_name = "SIGMA", value_parser = number::positive, allow_negative_numbers = true)]
    reach_sigma: Option<f64>,
    /// Flyers expected: median and standard deviation of the natural logarithm, as N,SIGMA. Efforts are then flight lives and
    /// --peak matters. When left out nothing is believed of their number.
    #[arg(long, value_name = "N,SIGMA", value_delimiter = ',', value_parser = number::positive, allow_negative_numbers = true)]
    flyers: Vec<f64>,
    /// Where it may have arrived: X,Y,REACH,WEIGHT, a risk that falls to 1/e over REACH metres, over a background of 1. May be
    /// given several times; without it every node is believed alike.
    #[arg(long, value_name = "X,Y,REACH,WEIGHT", value_parser = arrival, allow_hyphen_values = true)]
    arrival: Vec<Arrival>,
    /// Draws of an unsure reach.
    #[arg(long, value_name = "N", default_value = "200", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    draws: u32,
    /// Seed of the draws.
    #[arg(long, default_value = "1")]
    seed: u64,
}

/// A place through which it may have arrived.
#[derive(Debug, Clone, Copy)]
struct Arrival {
    x_m: f64,
    y_m: f64,
    reach_m: f64,
    weight: f64,
}

fn arrival(text: &str) -> Result<Arrival, String> {
    let parts: Vec<f64> = text.split(',').map(number::finite).collect::<Result<_, _>>()?;
    match parts.as_slice() {
        &[x_m, y_m, reach_m, weight] if reach_m > 0.0 && weight >= 0.0 => Ok(Arrival {
            x_m,
            y_m,
            reach_m,
            weight,
        }),
        _ => Err(format!(
            "{text:?} must be X,Y,REACH,WEIGHT with a reach above 0 and a weight of 0 or more"
        )),
    }
}

/// Nodes times traps times draws that are answered in a reasonable time.
const MOST_WORK: f64 = 2e9;

pub(super) fn origin(args: &OriginArgs) -> Result<Value> {
    let table = Table::from_stdin(&["x", "y", "catch", "effort"], &[])?;
    let mut traps = Vec::new();
    for row in table.rows() {
        traps.push(TrapCatch {
            x_m: row.number("x")?,
            y_m: row.number("y")?,
            catch: row.amount("catch")?,
            effort: row.amount("effort")?,
        });
    }
    let (form, reach_m) = (args.capture.form.into(), args.capture.reach);
    let grid = OriginGrid::around(&traps, reach_m, args.grid)?;
    let plain = args.clumping.is_none()
        && args.reach_sigma.is_none()
        && args.flyers.is_empty()
        && args.arrival.is_empty();
    if !plain {
        return believed(args, &traps, grid);
    }
    let found = origin::locate(form, reach_m, &traps, grid)?;
    let (x, y) = found.best();
    Ok(json!({
        "best": {"x": x, "y": y},
        "region50_m2": found.region_m2(0.5),
        "region95_m2": found.region_m2(0.95),
    }))
}

/// The same with beliefs: clumped catches, an unsure reach, a number of flyers, places of arrival.
fn believed(args: &OriginArgs, traps: &[TrapCatch], grid: OriginGrid) -> Result<Value> {
    let flyers = match args.flyers.as_slice() {
        [] => Flyers::Unknown,
        &[median, sigma] => Flyers::LogNormal { median, sigma },
        _ => bail!("--flyers takes two numbers, N,SIGMA"),
    };
    let fixed = |value| Dist::Fixed { value };
    let beliefs = Beliefs {
        form: args.capture.form.into(),
        reach_m: args
            .reach_sigma
            .map_or(fixed(args.capture.reach), |sigma| Dist::LogNormal {
                median: args.capture.reach,
                sigma,
            }),
        peak: fixed(args.capture.peak),
        first_flight: None,
        catches: args
            .clumping
            .map_or(Catches::Poisson, |k| Catches::Clumped { clumping: fixed(k) }),
        flyers,
    };
    let mut candidates = grid.candidates();
    for candidate in &mut candidates {
        if !args.arrival.is_empty() {
            let risk = |a: &Arrival| {
                a.weight * (-f64::hypot(candidate.at.x_m - a.x_m, candidate.at.y_m - a.y_m) / a.reach_m).exp()
            };
            candidate.weight = 1.0 + args.arrival.iter().map(risk).sum::<f64>();
        }
    }
    let draws = if args.reach_sigma.is_some() { args.draws } else { 1 };
    let work = candidates.len() as f64 * traps.len() as f64 * f64::from(draws);
    if work > MOST_WORK {
        bail!(
            "{} nodes by {} traps by {draws} draws are too many to answer in time; choose a coarser --grid or fewer --draws",
            candidates.len(),
            traps.len()
        );
    }
    let found = posterior(
        &candidates,
        traps,
        &beliefs,
        Draws {
            draws,
            seed: args.seed,
        },
    )?;
    let best = candidates[found.best()].at;
    Ok(json!({
        "best": {"x": best.x_m, "y": best.y_m},
        "region50_m2": found.region(0.5).area_m2,
        "region95_m2": found.region(0.95).area_m2,
        "draws": found.draws,
        "effective_draws": found.effective_draws,
    }))
}

#[derive(Clone, Copy, ValueEnum)]
enum KernelArg {
    /// Diffusion: needs --diffusion and --days.
    Gaussian,
    /// Two-dimensional exponential: needs --scale.
    Exponential,
    /// Exponential in the distance itself (common in forestry, and different): needs --scale.
    ExponentialRadial,
    /// Student-like 2Dt: needs --u and --p.
    #[value(name = "2dt")]
    TwoDt,
    /// Lognormal distance: needs --median and --sigma.
    Lognormal,
}

#[derive(Args)]
pub(crate) struct SpreadArgs {
    /// The kernel.
    #[arg(long, value_enum)]
    kernel: KernelArg,
    /// Diffusion coefficient, square metres a day (mean squared displacement is 4Dt).
    #[arg(long, value_name = "M2/D", value_parser = number::positive, allow_negative_numbers = true)]
    diffusion: Option<f64>,
    /// Days of diffusion.
    #[arg(long, value_parser = number::positive, allow_negative_numbers = true)]
    days: Option<f64>,
    /// Scale of the exponential, metres.
    #[arg(long, value_name = "M", value_parser = number::positive, allow_negative_numbers = true)]
    scale: Option<f64>,
    /// Scale of the 2Dt, square metres.
    #[arg(long, value_name = "M2", value_parser = number::positive, allow_negative_numbers = true)]
    u: Option<f64>,
    /// Shape of the 2Dt.
    #[arg(long, value_parser = number::positive, allow_negative_numbers = true)]
    p: Option<f64>,
    /// Median of the lognormal, metres.
    #[arg(long, value_name = "M", value_parser = number::positive, allow_negative_numbers = true)]
    median: Option<f64>,
    /// Standard deviation of the log distance.
    #[arg(long, value_parser = number::positive, allow_negative_numbers = true)]
    sigma: Option<f64>,
    /// Distance whose share is wanted, metres.
    #[arg(long, value_name = "M", value_parser = number::not_negative, allow_negative_numbers = true)]
    within: f64,
    /// Share whose radius is wanted, 0 to 1.
    #[arg(long, value_parser = number::share, allow_negative_numbers = true)]
    quantile: f64,
}

impl SpreadArgs {
    fn kernel(&self) -> Result<Kernel> {
        let given = [
            ("--diffusion", self.diffusion),
            ("--days", self.days),
            ("--scale", self.scale),
            ("--u", self.u),
            ("--p", self.p),
            ("--median", self.median),
            ("--sigma", self.sigma),
        ];
        let needed: &[&str] = match self.kernel {
            KernelArg::Gaussian => &["--diffusion", "--days"],
            KernelArg::Exponential | KernelArg::ExponentialRadial => &["--scale"],
            KernelArg::TwoDt => &["--u", "--p"],
            KernelArg::Lognormal => &["--median", "--sigma"],
        };
        for (name, value) in given {
            match (needed.contains(&name), value) {
                (true, None) => bail!("this kernel needs {} ({name} is missing)", needed.join(" and ")),
                (false, Some(_)) => bail!("this kernel has no {name}; it takes {}", needed.join(" and ")),
                _ => {}
            }
        }
        let of = |name| {
            given
                .iter()
                .find(|g| g.0 == name)
                .and_then(|g| g.1)
                .unwrap_or(f64::NAN)
        };
        Ok(match self.kernel {
            KernelArg::Gaussian => Kernel::gaussian(of("--diffusion"), of("--days"))?,
            KernelArg::Exponential => Kernel::exponential(of("--scale"))?,
            KernelArg::ExponentialRadial => Kernel::exponential_radial(of("--scale"))?,
            KernelArg::TwoDt => Kernel::two_dt(of("--u"), of("--p"))?,
            KernelArg::Lognormal => Kernel::lognormal(of("--median"), of("--sigma"))?,
        })
    }
}

pub(super) fn spread(args: &SpreadArgs) -> Result<Value> {
    let kernel = args.kernel()?;
    if args.quantile >= 1.0 {
        bail!("--quantile 1 lies at infinity for this kernel; give a share below 1");
    }
    let (p_within, radius_m) = (kernel.within(args.within), kernel.quantile(args.quantile));
    if !p_within.is_finite() || !radius_m.is_finite() {
        bail!("with these parameters the kernel is wider, or narrower, than a number can hold");
    }
    // A mean that is infinite (2Dt with p of 1/2 or less) is null.
    Ok(json!({"p_within": p_within, "radius_m": radius_m, "mean_m": kernel.mean_m()}))
}
