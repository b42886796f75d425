//! Capture, networks, origins and dispersal.

use anyhow::{Result, bail};
use clap::{Args, ValueEnum};
use earlywood_model::dispersal::Kernel;
use earlywood_model::origin::{self, OriginGrid, TrapCatch};
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
}

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
    let found = origin::locate(
        form,
        reach_m,
        &traps,
        OriginGrid::around(&traps, reach_m, args.grid)?,
    )?;
    let (x, y) = found.best();
    Ok(json!({
        "best": {"x": x, "y": y},
        "region50_m2": found.region_m2(0.5),
        "region95_m2": found.region_m2(0.95),
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
