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
    /// Who drives where on which day: what is due, shared among the crews. Nothing is written without --adopt.
    Rounds(command::rounds::RoundsArgs),
    /// All that follows a find: whom to tell, where it came from, the regulated area, the release clock, the pest report.
    Response(command::response::ResponseArgs),
    /// Adopted rounds as a file for calendars (ics), satellite receivers (gpx) or spreadsheets (csv).
    Export(command::export::ExportArgs),
    /// The form of one round, by the code on its paper; with --typed, record the answers that came back.
    Sheet(command::sheet::SheetArgs),
    /// Print paper and files from a programme file.
    Print(command::print::PrintArgs),
    /// The record itself: verify, read, rebuild what is derived from it, back it up.
    Journal(command::journal::JournalArgs),
    /// Who takes part, in what role, and whose word counts.
    People(command::people::PeopleArgs),
    /// Specimens: from the trap to the name, and who holds them.
    Specimen(command::specimen::SpecimenArgs),
    /// Lures, inserts and the rest, lot by lot.
    Supply(command::supply::SupplyArgs),
    /// Days on which work stops somewhere.
    Hold(command::field::HoldArgs),
    /// Looks at host trees.
    Tree(command::field::TreeArgs),
    /// Traps: register, write off, show.
    Trap(command::field::TrapArgs),
    /// Marked specimens put into traps, to learn how many are seen.
    Plant(command::plant::PlantArgs),
    /// Questions to the record: when were we last here, what is overdue, a month's figures.
    Ask(command::ask::AskArgs),
    /// Let other copies of the programme exchange with this one over HTTP.
    Serve(command::serve::ServeArgs),
    /// Exchange with a copy that is served.
    Sync(command::serve::SyncArgs),
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
        Command::Rounds(args) => command::rounds::run(args, form),
        Command::Response(args) => command::response::run(args, form),
        Command::Export(args) => command::export::run(&args, form),
        Command::Sheet(args) => command::sheet::run(&args, form),
        Command::Print(args) => command::print::run(args, form),
        Command::Journal(args) => command::journal::run(args, form),
        Command::People(args) => command::people::run(args, form),
        Command::Specimen(args) => command::specimen::run(args, form),
        Command::Supply(args) => command::supply::run(args, form),
        Command::Hold(args) => command::field::hold(args, form),
        Command::Tree(args) => command::field::tree(args, form),
        Command::Trap(args) => command::field::trap(args, form),
        Command::Plant(args) => command::plant::run(args, form),
        Command::Ask(args) => command::ask::run(args, form),
        Command::Serve(args) => command::serve::serve(args, form),
        Command::Sync(args) => command::serve::sync(&args, form),
        Command::Targets(args) => command::targets::run(args, form),
        Command::Calc(args) => calc::run(args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            match chain::hint(&error) {
                Some(hint) => eprintln!("earlywood: {error:#}; {hint}"),
                None => eprintln!("earlywood: {error:#}"),
            }
            ExitCode::FAILURE
        }
    }
}
