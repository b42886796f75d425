//! `earlywood print`: paper and files from a programme file.

use std::path::PathBuf;

use anyhow::{Context, Result};
use clap::{Args, Subcommand};
use earlywood_print::fill::season;
use jiff::civil::Date;
use serde_json::json;

use crate::FileArg;
use crate::chain::{GroundArgs, tell};
use crate::out::Form;

#[derive(Args)]
pub(crate) struct PrintArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// The season report: one HTML page that needs nothing else.
    Report(ReportArgs),
}

#[derive(Args)]
struct ReportArgs {
    /// Where to write it.
    #[arg(long, value_name = "OUT", default_value = "report.html")]
    out: PathBuf,
    /// Targets, by id; all that the programme has adopted when left out.
    #[arg(long, value_name = "T")]
    target: Vec<String>,
    /// The day up to which records count; today when left out.
    #[arg(long, value_name = "D")]
    on: Option<Date>,
    /// Weather station; the only one when left out.
    #[arg(long)]
    station: Option<String>,
    #[command(flatten)]
    ground: GroundArgs,
    /// Draws of the uncertain parameters behind every band.
    #[arg(long, value_name = "N", default_value = "1000", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    draws: u32,
}

pub(crate) fn run(args: PrintArgs, form: Form) -> Result<()> {
    let What::Report(report) = args.what;
    let programme = super::read(&args.file)?;
    let asked = season::Asked {
        targets: report.target,
        on: report.on.unwrap_or_else(super::today),
        station: report.station,
        ground: report.ground.into(),
        draws: report.draws,
        decoration: season::Decoration::default(),
    };
    let mut notes = Vec::new();
    let data = season::gather(&programme, &asked, &mut notes);
    tell(&notes);
    std::fs::write(&report.out, earlywood_print::report::html(&data?))
        .with_context(|| format!("{} can't be written", report.out.display()))?;
    form.say(
        || format!("{} holds the report.", report.out.display()),
        || json!({"report": report.out}),
    )
}
