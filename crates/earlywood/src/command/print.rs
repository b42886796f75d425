//! `earlywood print`: paper and files from a programme file.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use clap::{Args, Subcommand, ValueEnum};
use earlywood_chain::due;
use earlywood_journal::{Limit, Programme};
use earlywood_print::Made;
use earlywood_print::fill::{choice, forms, month, season, sheets, trial};
use earlywood_print::month::month_report;
use earlywood_print::report::ReportData;
use earlywood_print::season::season_report;
use earlywood_print::sheet::round_sheets;
use earlywood_print::specimens::{self, SpecimenLabels};
use earlywood_print::stock::{LabelSheet, Paper};
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
    /// Labels of traps that hang or are stored, with the code a phone scans, as a PDF.
    Labels(LabelsArgs),
    /// Numbered labels for specimens, printed beforehand, as a PDF.
    Specimens(SpecimensArgs),
    /// The custody form of specimens that pass from hand to hand, filled in or blank, as a PDF.
    Custody(CustodyArgs),
    /// The notice on the door, in English and Spanish, as a PDF.
    Notice(NoticeArgs),
    /// The crew's safety sheet as a PDF.
    Safety(SafetyArgs),
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

/// The sheet of labels.
#[derive(Args)]
struct StockArgs {
    /// The sheet: a name such as a4-70x37 or letter-67x25, or an own size WxH,COLUMNS,ROWS[,LEFT,TOP[,GAPS]][@PAGE] in mm.
    #[arg(long, value_name = "STOCK", default_value = "a4-70x37")]
    stock: LabelSheet,
    /// First free label of the first sheet, row by row.
    #[arg(long, value_name = "N", default_value = "1")]
    start_at: usize,
    /// The data are invented, and this says so on the paper.
    #[arg(long, value_name = "STATEMENT")]
    invented: Option<String>,
}

#[derive(Args)]
struct LabelsArgs {
    /// Where to write them.
    #[arg(long, value_name = "OUT", default_value = "trap-labels.pdf")]
    out: PathBuf,
    #[command(flatten)]
    on: StockArgs,
    /// Whom to call, in words; a line to write on when left out.
    #[arg(long, value_name = "WORDS")]
    call: Option<String>,
    /// Traps, by label; all that hang or are stored when left out.
    #[arg(long, value_name = "LABEL", num_args = 1..)]
    trap: Vec<String>,
    /// Traps that hang for this target alone.
    #[arg(long, value_name = "T")]
    target: Option<String>,
    /// Traps that hang in this zone alone.
    #[arg(long, value_name = "Z")]
    zone: Option<String>,
}

#[derive(Args)]
struct SpecimensArgs {
    /// Where to write them.
    #[arg(long, value_name = "OUT", default_value = "specimen-labels.pdf")]
    out: PathBuf,
    #[command(flatten)]
    on: StockArgs,
    /// Year in the numbers; this year when left out.
    #[arg(long, value_name = "YEAR")]
    year: Option<i16>,
    /// First running number: the one after the last that was printed.
    #[arg(long, value_name = "N")]
    first: u32,
    /// So many numbers.
    #[arg(long, value_name = "N")]
    count: u32,
    /// 2: container and inside; 3: one for the form too.
    #[arg(long, value_name = "N", default_value = "2")]
    copies: usize,
}

#[derive(Args)]
struct CustodyArgs {
    /// Where to write it.
    #[arg(long, value_name = "OUT", default_value = "custody.pdf")]
    out: PathBuf,
    /// A hand-over that was offered: its specimens, people, place and purpose are filled in.
    #[arg(long, value_name = "LABEL", conflicts_with = "specimen")]
    handover: Option<String>,
    /// Specimens, by label. When left out: what `--from` has, and a blank form without it.
    #[arg(long, value_name = "LABEL", num_args = 1..)]
    specimen: Vec<String>,
    /// Who gives: a person's id, or words.
    #[arg(long, value_name = "WORDS")]
    from: Option<String>,
    /// Who takes: a person's id, or words.
    #[arg(long, value_name = "WORDS")]
    to: Option<String>,
    /// Where, in words.
    #[arg(long, value_name = "WORDS")]
    place: Option<String>,
    /// What for, in words.
    #[arg(long, value_name = "WORDS")]
    purpose: Option<String>,
    /// Empty rows after the specimens.
    #[arg(long, value_name = "N", default_value = "0")]
    blank_rows: usize,
    #[command(flatten)]
    paper: PaperArgs,
}

#[derive(Args)]
struct NoticeArgs {
    /// Where to write it.
    #[arg(long, value_name = "OUT", default_value = "notice.pdf")]
    out: PathBuf,
    /// A trap that hangs; a line to write on when left out.
    #[arg(long, value_name = "LABEL")]
    trap: Option<String>,
    /// Telephone.
    #[arg(long, value_name = "WORDS")]
    phone: Option<String>,
    /// The office, with its address.
    #[arg(long, value_name = "WORDS")]
    office: Option<String>,
    /// How often the trap is looked at, English, such as "about every two weeks".
    #[arg(long, value_name = "WORDS")]
    visits_en: Option<String>,
    /// The same in Spanish.
    #[arg(long, value_name = "WORDS")]
    visits_es: Option<String>,
    #[command(flatten)]
    paper: PaperArgs,
}

#[derive(Args)]
struct SafetyArgs {
    /// Where to write it.
    #[arg(long, value_name = "OUT", default_value = "safety.pdf")]
    out: PathBuf,
    /// The crew, by label: it and its people of the day stand on the sheet. A line to write on when left out.
    #[arg(long, value_name = "CREW")]
    crew: Option<String>,
    /// The day; today when left out.
    #[arg(long, value_name = "D")]
    on: Option<Date>,
    /// Local emergency number.
    #[arg(long, value_name = "WORDS")]
    emergency: Option<String>,
    /// The supervisor's number.
    #[arg(long, value_name = "WORDS")]
    supervisor: Option<String>,
    /// Nearest hospital.
    #[arg(long, value_name = "WORDS")]
    hospital: Option<String>,
    /// Electricity company's emergency number.
    #[arg(long, value_name = "WORDS")]
    power: Option<String>,
    /// Check-in times, in words; four lines to write on when left out.
    #[arg(long, value_name = "WORDS", num_args = 1..)]
    check_in: Vec<String>,
    /// The programme's own prompts, in words.
    #[arg(long, value_name = "WORDS", num_args = 1..)]
    own: Vec<String>,
    #[command(flatten)]
    paper: PaperArgs,
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
    /// What `earlywood trial FILE --json` wrote; one file a target. Its figures, and the curve of its calibration, go into the report.
    #[arg(long, value_name = "JSON")]
    trial: Vec<PathBuf>,
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
        What::Labels(labels) => print_labels(&programme, labels, form),
        What::Specimens(specimens) => print_specimens(&programme, specimens, form),
        What::Custody(custody) => print_custody(&programme, custody, form),
        What::Notice(notice) => print_notice(&programme, notice, form),
        What::Safety(safety) => print_safety(&programme, safety, form),
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
    let mut data = data?;
    for file in &of.trial {
        add_trial(programme, &mut data, file).with_context(|| format!("{}", file.display()))?;
    }
    Ok(data)
}

fn add_trial(programme: &Programme, data: &mut ReportData, file: &Path) -> Result<()> {
    let text = std::fs::read_to_string(file).context("can't be read")?;
    let answer = serde_json::from_str(&text).context(
        "this is not what a trial writes; make it with: earlywood trial FILE --calibration --json > trial.json",
    )?;
    Ok(trial::add(programme, data, &answer)?)
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

fn print_labels(programme: &Programme, args: LabelsArgs, form: Form) -> Result<()> {
    let choice = choice::Choice {
        traps: args.trap,
        target: args.target,
        zone: args.zone,
    };
    let asked = forms::LabelsAsked {
        sheet: args.on.stock,
        start_at: args.on.start_at,
        traps: choice::traps(programme, &choice)?,
        call: args.call,
        made: made(),
    };
    let mut labels = forms::labels(programme, &asked)?;
    labels.invented = args.on.invented;
    write(
        &args.out,
        "labels",
        &earlywood_print::labels::traps(&labels)?,
        form,
    )
}

fn print_specimens(programme: &Programme, args: SpecimensArgs, form: Form) -> Result<()> {
    let pdf = specimens::series(&SpecimenLabels {
        sheet: args.on.stock,
        start_at: args.on.start_at,
        programme: programme.name()?,
        invented: args.on.invented,
        year: args.year.unwrap_or_else(|| super::today().year()),
        first: args.first,
        count: args.count,
        copies: args.copies,
        made: made(),
    })?;
    write(&args.out, "labels", &pdf, form)
}

fn print_custody(programme: &Programme, args: CustodyArgs, form: Form) -> Result<()> {
    let asked = forms::CustodyAsked {
        handover: args.handover,
        specimens: args.specimen,
        from: args.from,
        to: args.to,
        place: args.place,
        purpose: args.purpose,
        paper: args.paper.paper.into(),
        blank_rows: args.blank_rows,
    };
    let mut custody = forms::custody(programme, &asked, made())?;
    custody.invented = args.paper.invented;
    write(
        &args.out,
        "form",
        &earlywood_print::custody::form(&custody)?,
        form,
    )
}

fn print_notice(programme: &Programme, args: NoticeArgs, form: Form) -> Result<()> {
    let asked = forms::NoticeAsked {
        trap: args.trap,
        phone: args.phone,
        office: args.office,
        visits_en: args.visits_en,
        visits_es: args.visits_es,
        paper: args.paper.paper.into(),
    };
    let mut notice = forms::notice(programme, &asked, made())?;
    notice.invented = args.paper.invented;
    write(
        &args.out,
        "notice",
        &earlywood_print::notice::door(&notice)?,
        form,
    )
}

fn print_safety(programme: &Programme, args: SafetyArgs, form: Form) -> Result<()> {
    let asked = forms::SafetyAsked {
        crew: args.crew,
        on: args.on.unwrap_or_else(super::today),
        emergency: args.emergency,
        supervisor: args.supervisor,
        hospital: args.hospital,
        power: args.power,
        check_ins: args.check_in,
        own: args.own,
        paper: args.paper.paper.into(),
    };
    let mut safety = forms::safety(programme, &asked, made())?;
    safety.invented = args.paper.invented;
    write(
        &args.out,
        "sheet",
        &earlywood_print::safety::sheet(&safety)?,
        form,
    )
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
