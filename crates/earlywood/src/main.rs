//! The program: a command line over the whole chain, from files to a plan, a season and an assurance.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

mod calc;
mod chain;
mod command;
mod demo;
mod number;
mod out;
mod report;

/// The working tool of the person who leads an invasive-pest detection-trapping programme.
///
/// One model runs through the whole job: what would this network of traps have seen, had the pest been there?
#[derive(Parser)]
#[command(
    name = "earlywood",
    version,
    arg_required_else_help = true,
    max_term_width = 110
)]
struct Cli {
    /// Print one JSON object instead of words.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Invent a district, run the whole job on it, say what was found, write the report.
    Demo(command::demo::DemoArgs),
    /// Make a new programme file.
    Init(command::init::InitArgs),
    /// Read hosts, pathways, land, zones, weather, places, traps, visits or targets into a programme file.
    Load(command::load::LoadArgs),
    /// Choose where traps hang, with the objective, a proved bound and the gap between them.
    Place(command::place::PlaceArgs),
    /// The dated plan of a year: hang, change lures, take down, order.
    Season(command::season::SeasonArgs),
    /// How sure are we that a target is absent, from the visits really made?
    Assurance(command::assurance::AssuranceArgs),
    /// Print paper and files from a programme file.
    Print(command::print::PrintArgs),
    /// The record itself: verify, read, rebuild what is derived from it, back it up.
    Journal(command::journal::JournalArgs),
    /// The target profiles that ship with the program, and what each of their figures rests on.
    Targets(command::targets::TargetsArgs),
    /// The formulas alone, for checking by hand: one JSON object per call.
    Calc(calc::CalcArgs),
}

/// The programme file a command works on.
#[derive(Args, Clone)]
pub(crate) struct FileArg {
    /// The programme file.
    #[arg(value_name = "FILE")]
    pub(crate) file: PathBuf,
}

/// Who acts: goes into the journal with every entry.
#[derive(Args, Clone)]
pub(crate) struct ActorArg {
    /// Role or number of the person acting, as the journal shall show it (no personal data).
    #[arg(long = "as", value_name = "WHO", default_value = "lead")]
    pub(crate) who: String,
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let form = if cli.json {
        out::Form::Json
    } else {
        out::Form::Words
    };
    let done = match cli.command {
        Command::Demo(args) => command::demo::run(args, form),
        Command::Init(args) => command::init::run(args, form),
        Command::Load(args) => command::load::run(args, form),
        Command::Place(args) => command::place::run(args, form),
        Command::Season(args) => command::season::run(args, form),
        Command::Assurance(args) => command::assurance::run(args, form),
        Command::Print(args) => command::print::run(args, form),
        Command::Journal(args) => command::journal::run(args, form),
        Command::Targets(args) => command::targets::run(args, form),
        Command::Calc(args) => calc::run(args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("earlywood: {error:#}");
            ExitCode::FAILURE
        }
    }
}
