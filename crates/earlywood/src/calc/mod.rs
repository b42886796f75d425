//! `earlywood calc TOPIC`: the formulas alone, for checking by hand.
//!
//! Each topic reads CSV with a header on standard input where it needs rows, and prints one JSON object.

mod catching;
mod chance;
mod heat;
mod input;
mod roads;
mod siting;

use anyhow::Result;
use clap::{Args, Subcommand, ValueEnum};
use earlywood_model::capture::{Capture, Form};
use serde_json::Value;

#[derive(Args)]
pub(crate) struct CalcArgs {
    #[command(subcommand)]
    topic: Topic,
}

#[derive(Subcommand)]
enum Topic {
    /// Degree-days per day and summed. Rows: date,tmin_c,tmax_c
    DegreeDays(heat::DegreeDaysArgs),
    /// Probability of capture against distance, and the effective sampling area.
    Capture(catching::CaptureArgs),
    /// What a set of traps would see in each cell. Rows: kind,x,y (kind is trap or cell; metres)
    Network(catching::NetworkArgs),
    /// How a lure ages with temperature. Rows: date,tmin_c,tmax_c
    Lure(heat::LureArgs),
    /// How many units to look at to detect a level of infestation with a confidence.
    SampleSize(chance::SampleSizeArgs),
    /// Probability of freedom over periods without a find, with re-introduction.
    Freedom(chance::FreedomArgs),
    /// Choose places for traps, with a proved bound. Rows: kind,id,x,y,weight (kind is cell or place; metres)
    Siting(siting::SitingArgs),
    /// Where a catch came from. Rows: x,y,catch,effort
    Origin(catching::OriginArgs),
    /// Drive times along the roads of an OpenStreetMap extract. Rows: id,lat,lon
    Roads(roads::RoadsArgs),
    /// How far a dispersal kernel carries.
    Spread(catching::SpreadArgs),
}

/// The capture function's form.
#[derive(Clone, Copy, ValueEnum)]
pub(crate) enum FormArg {
    /// Hyperbolic secant.
    Sech,
    /// Exponential.
    Exponential,
    /// Half-normal.
    HalfNormal,
    /// The same everywhere inside the reach, nothing outside.
    Disc,
}

impl From<FormArg> for Form {
    fn from(form: FormArg) -> Form {
        match form {
            FormArg::Sech => Form::Sech,
            FormArg::Exponential => Form::Exponential,
            FormArg::HalfNormal => Form::HalfNormal,
            FormArg::Disc => Form::Disc,
        }
    }
}

/// The options that state a capture function.
#[derive(Args)]
pub(crate) struct CaptureOptions {
    /// Form of the function.
    #[arg(long, value_enum)]
    form: FormArg,
    /// Reach, metres: 1/lambda of the sech, delta, sigma, or the disc's radius.
    #[arg(long, value_name = "M", value_parser = crate::number::positive, allow_negative_numbers = true)]
    reach: f64,
    /// Capture at distance 0 over the whole exposure, 0 to 1. The plain textbook function has 1; field data rarely do.
    #[arg(long, value_name = "P0", default_value = "1", value_parser = crate::number::share, allow_negative_numbers = true)]
    peak: f64,
}

impl CaptureOptions {
    fn capture(&self) -> Result<Capture> {
        Ok(Capture::new(self.form.into(), self.reach, self.peak)?)
    }
}

/// Runs one topic and prints its answer.
pub(crate) fn run(args: CalcArgs) -> Result<()> {
    let answer = match args.topic {
        Topic::DegreeDays(a) => heat::degree_days(&a)?,
        Topic::Capture(a) => catching::capture(&a)?,
        Topic::Network(a) => catching::network(&a)?,
        Topic::Lure(a) => heat::lure(&a)?,
        Topic::SampleSize(a) => chance::sample_size(&a)?,
        Topic::Freedom(a) => chance::freedom(&a)?,
        Topic::Siting(a) => siting::siting(&a)?,
        Topic::Origin(a) => catching::origin(&a)?,
        Topic::Roads(a) => roads::roads(&a)?,
        Topic::Spread(a) => catching::spread(&a)?,
    };
    print_json(&answer)
}

/// One JSON object on standard output, on one line.
pub(crate) fn print_json(value: &Value) -> Result<()> {
    crate::out::line(&serde_json::to_string(value)?)
}
