//! `earlywood print`: paper and files from a programme file.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use clap::{Args, Subcommand, ValueEnum};
use earlywood_chain::due;
use earlywood_journal::{Limit, Programme};
use earlywood_print::Made;
use earlywood_print::fill::{month, season, sheets};
use earlywood_print::month::month_report;
use earlywood_print::report::ReportData;
use earlywood_print::season::season_report;
use earlywood_print::sheet::round_sheets;
use earlywood_print::stock::Paper;
use jiff::ToSpan as _;
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
    /// Round sheets as a PDF: cautions, map, and the form that `sheet CODE` asks for. Of the rounds that were adopted.
    Sheets(SheetsArgs),
    /// The month report to the partner as a PDF, with the figures of `ask month`.
    Month(MonthArgs),
    /// The season report as a PDF.
    Season(SeasonArgs),
}

/// What all paper needs.
#[derive(Args)]
struct PaperArgs {
    /// Size of the paper.
    #[arg(long, value_enum, default_value = "a4")]
    paper: PaperSize,
    /// The data are invented, and this says so on the paper.
    #[arg(long, value_name = "STATEMENT")]
    invented: Option<String>,
}

#[derive(Clone, Copy, ValueEnum)]
enum PaperSize {
    /// 210 by 297 mm.
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl From<PaperSize> for Paper {
    fn from(size: PaperSize) -> Self {
        match size {
            PaperSize::A4 => Paper::A4,
            PaperSize::Letter => Paper::Letter,
        }
    }
}

#[derive(Args)]
struct SheetsArgs {
    /// Where to write them.
    #[arg(long, value_name = "OUT", default_value = "round-sheets.pdf")]
    out: PathBuf,
    /// First day; today when left out.
    #[arg(long, value_name = "D")]
    from: Option<Date>,
    /// Days.
    #[arg(long, value_name = "N", default_value = "1", value_parser = clap::value_parser!(i32).range(1..=366))]
    days: i32,
    /// One crew's alone.
    #[arg(long, value_name = "CREW")]
    crew: Option<String>,
    /// The sheet with this code alone, whatever its day.
    #[arg(long, value_name = "CODE", conflicts_with_all = ["from", "days"])]
    sheet: Option<String>,
    /// Whom crews call, in words.
    #[arg(long, value_name = "WORDS")]
    call: Option<String>,
    #[command(flatten)]
    paper: PaperArgs,
}

#[derive(Args)]
struct MonthArgs {
    /// Where to write it.
    #[arg(long, value_name = "OUT", default_value = "month.pdf")]
    out: PathBuf,
    /// First day.
    #[arg(long, value_name = "D")]
    from: Date,
    /// Last day.
    #[arg(long, value_name = "D")]
    to: Date,
    /// The target whose clocks say what was due; the strictest of all adopted ones when left out.
    #[arg(long, value_name = "T")]
    target: Option<String>,
    /// Days between looks, WARN,FAIL; takes the place of the profile's.
    #[arg(long, value_name = "WARN,FAIL", value_parser = super::ask::limit)]
    look_days: Option<Limit>,
    /// Whom it is for, in words.
    #[arg(long, value_name = "WORDS")]
    partner: Option<String>,
    /// Who drew it up, in words.
    #[arg(long, value_name = "WORDS")]
    prepared_by: Option<String>,
    /// A text file that tells what happened; an empty line ends a paragraph. Lines to write on when left out.
    #[arg(long, value_name = "TEXT")]
    narrative: Option<PathBuf>,
    /// Miles driven, where somebody kept them.
    #[arg(long, value_name = "N", value_parser = crate::number::not_negative, allow_negative_numbers = true)]
    miles: Option<f64>,
    #[command(flatten)]
    paper: PaperArgs,
}

#[derive(Args)]
struct SeasonArgs {
    #[command(flatten)]
    of: SeasonOf,
    /// Where to write it.
    #[arg(long, value_name = "OUT", default_value = "season.pdf")]
    out: PathBuf,
    #[command(flatten)]
    paper: PaperArgs,
}

/// What a season's report covers.
#[derive(Args)]
struct SeasonOf {
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

#[derive(Args)]
struct ReportArgs {
    /// Where to write it.
    #[arg(long, value_name = "OUT", default_value = "report.html")]
    out: PathBuf,
    #[command(flatten)]
    of: SeasonOf,
}

pub(crate) fn run(args: PrintArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    match args.what {
        What::Report(report) => {
            let data = season_data(&programme, report.of, None)?;
            write(
                &report.out,
                "report",
                earlywood_print::report::html(&data).as_bytes(),
                form,
            )
        }
        What::Sheets(sheets) => print_sheets(&programme, sheets, form),
        What::Month(month) => print_month(&programme, month, form),
        What::Season(season) => {
            let data = season_data(&programme, season.of, season.paper.invented)?;
            let pdf = season_report(&data, season.paper.paper.into(), made())?;
            write(&season.out, "report", &pdf, form)
        }
    }
}

/// The date of what is printed: now, on this machine's clock, to the minute.
fn made() -> Made {
    let now = jiff::ZonedDateTime::now().datetime();
    now.date().at(now.hour(), now.minute(), 0, 0)
}

fn write(out: &Path, what: &str, bytes: &[u8], form: Form) -> Result<()> {
    std::fs::write(out, bytes).with_context(|| format!("{} can't be written", out.display()))?;
    form.say(
        || format!("{} holds the {what}.", out.display()),
        || json!({what: out}),
    )
}

fn season_data(programme: &Programme, of: SeasonOf, invented: Option<String>) -> Result<ReportData> {
    let asked = season::Asked {
        targets: of.target,
        on: of.on.unwrap_or_else(super::today),
        station: of.station,
        ground: of.ground.into(),
        draws: of.draws,
        decoration: season::Decoration {
            invented,
            ..season::Decoration::default()
        },
    };
    let mut notes = Vec::new();
    let data = season::gather(programme, &asked, &mut notes);
    tell(&notes);
    Ok(data?)
}

fn print_sheets(programme: &Programme, args: SheetsArgs, form: Form) -> Result<()> {
    let from = args.from.unwrap_or_else(super::today);
    let asked = sheets::Asked {
        from,
        to: from.saturating_add((args.days - 1).days()),
        crew: args.crew,
        sheet: args.sheet,
        paper: args.paper.paper.into(),
        call: args.call,
        invented: args.paper.invented,
    };
    let pdf = round_sheets(&sheets::sheets(programme, &asked)?, made())?;
    write(&args.out, "sheets", &pdf, form)
}

fn print_month(programme: &Programme, args: MonthArgs, form: Form) -> Result<()> {
    let mut limits = match &args.target {
        Some(id) => due::limits(&earlywood_chain::target(programme, id)?),
        None => due::strictest(programme.profiles()?.iter().map(|p| &p.profile)),
    };
    limits.look = args.look_days.or(limits.look);
    let narrative = match &args.narrative {
        Some(file) => paragraphs(
            &std::fs::read_to_string(file).with_context(|| format!("{} can't be read", file.display()))?,
        ),
        None => Vec::new(),
    };
    let asked = month::Asked {
        from: args.from,
        to: args.to,
        limits,
        paper: args.paper.paper.into(),
        partner: args.partner,
        prepared_by: args.prepared_by,
        narrative,
        miles: args.miles,
        invented: args.paper.invented,
    };
    let pdf = month_report(&month::month(programme, &asked)?, made())?;
    write(&args.out, "report", &pdf, form)
}

/// Paragraphs of a text: an empty line ends one.
fn paragraphs(text: &str) -> Vec<String> {
    let mut all = vec![String::new()];
    for line in text.lines().map(str::trim) {
        match all.last_mut() {
            Some(last) if !line.is_empty() => {
                if !last.is_empty() {
                    last.push(' ');
                }
                last.push_str(line);
            }
            _ => all.push(String::new()),
        }
    }
    all.retain(|p| !p.is_empty());
    all
}
