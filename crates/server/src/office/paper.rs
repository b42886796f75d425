//! Paper: what the programme knows, as PDF documents to be printed.
//!
//! What is printed is what the same call shows on a screen: the functions of `earlywood_print::fill` read the programme for
//! both this server and the command line.

use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use earlywood_chain::desk::USUAL_DRAWS;
use earlywood_chain::due;
use earlywood_chain::ground::GroundOptions;
use earlywood_journal::Programme;
use earlywood_print::PrintError;
use earlywood_print::fill::forms::{CustodyAsked, LabelsAsked, NoticeAsked, SafetyAsked};
use earlywood_print::fill::{self, season::Decoration};
use earlywood_print::specimens::SpecimenLabels;
use earlywood_print::stock::{LabelSheet, Paper};
use jiff::civil::{Date, DateTime};
use serde::Deserialize;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::caller::{Caller, Right};
use super::problem::{Problem, ProblemBody};
use super::rounds::{download, zone};
use super::state::{App, Office};
use super::views::asked;

pub(super) fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(routes!(sheets))
        .routes(routes!(month))
        .routes(routes!(season))
        .routes(routes!(labels))
        .routes(routes!(specimens))
        .routes(routes!(custody))
        .routes(routes!(notice))
        .routes(routes!(safety))
}

impl From<PrintError> for Problem {
    fn from(error: PrintError) -> Self {
        match error {
            PrintError::Code { .. } => Problem::field("text", error.to_string()),
            PrintError::Sheet { .. } | PrintError::CodeTooSmall { .. } => {
                Problem::field("sheet", error.to_string())
            }
            PrintError::Value { .. } => {
                Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "bad-field", error.to_string())
            }
            error => Problem::fault(error),
        }
    }
}

/// Size of the paper.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Size {
    /// 210 mm by 297 mm.
    #[default]
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl From<Size> for Paper {
    fn from(size: Size) -> Self {
        match size {
            Size::A4 => Paper::A4,
            Size::Letter => Paper::Letter,
        }
    }
}

/// The moment that a document is dated with: the programme's own time.
fn made(office: &Office, programme: &Programme) -> Result<DateTime, Problem> {
    Ok(office.now()?.with_time_zone(zone(programme)?).datetime())
}

/// Text that was given; blanks are nothing.
fn given(text: Option<String>) -> Option<String> {
    text.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty())
}

/// A PDF to be saved.
fn pdf(name: &str, bytes: Vec<u8>) -> Response {
    download("application/pdf", name, bytes)
}

/// Which sheets.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SheetsAsked {
    /// First day; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    from: Option<Date>,
    /// Last day; the first one when left out.
    #[param(value_type = Option<String>, format = Date)]
    to: Option<Date>,
    /// One crew alone.
    crew: Option<String>,
    /// One sheet alone, by its code.
    sheet: Option<String>,
    /// Whom crews call, in words.
    call: Option<String>,
    #[serde(default)]
    #[param(inline)]
    paper: Size,
}

/// The adopted rounds on paper: cautions, a map, the stops and the form that is typed in later.
#[utoipa::path(get, path = "/api/1/paper/sheets", tag = "paper", params(SheetsAsked),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn sheets(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<SheetsAsked>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let from = query.from.unwrap_or_else(|| office.today());
    let to = query.to.unwrap_or(from);
    // A sheet has pages: more than four weeks at once is a mistake rather than a wish.
    if from.until(to).map_or(0, |span| span.get_days()) >= 28 {
        return Err(Problem::field("to", "sheets of at most 28 days at once"));
    }
    let which = fill::sheets::Asked {
        from,
        to,
        crew: given(query.crew),
        sheet: given(query.sheet),
        paper: query.paper.into(),
        call: given(query.call),
        invented: None,
    };
    let here = office.clone();
    let bytes = office
        .read(move |programme| {
            let filled = fill::sheets(programme, &which)?;
            Ok(earlywood_print::sheet::round_sheets(
                &filled,
                made(&here, programme)?,
            )?)
        })
        .await?;
    Ok(pdf(&format!("round-sheets-{from}.pdf"), bytes))
}

/// Which month.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct MonthAsked {
    /// First day.
    #[param(value_type = String, format = Date)]
    from: Date,
    /// Last day.
    #[param(value_type = String, format = Date)]
    to: Date,
    /// The target whose clocks say what was due; the strictest of all adopted ones when left out.
    target: Option<String>,
    /// Whom it is for.
    partner: Option<String>,
    /// What happened, in words; an empty line begins a paragraph.
    narrative: Option<String>,
    /// Miles driven, where they were kept.
    miles: Option<f64>,
    #[serde(default)]
    #[param(inline)]
    paper: Size,
}

/// The month's report to a partner.
#[utoipa::path(get, path = "/api/1/paper/month", tag = "paper", params(MonthAsked),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn month(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<MonthAsked>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let miles = query.miles;
    if miles.is_some_and(|m| !(0.0..=1e6).contains(&m)) {
        return Err(Problem::field("miles", "miles driven: 0 to 1000000"));
    }
    let paragraphs = |text: String| -> Vec<String> {
        text.split("\n\n")
            .filter_map(|p| given(Some(p.to_owned())))
            .collect()
    };
    let (here, from) = (office.clone(), query.from);
    let bytes = office
        .read(move |programme| {
            let limits = match &given(query.target) {
                Some(id) => due::limits(&earlywood_chain::target(programme, id)?),
                None => due::strictest(programme.profiles()?.iter().map(|p| &p.profile)),
            };
            let which = fill::month::Asked {
                from: query.from,
                to: query.to,
                limits,
                paper: query.paper.into(),
                partner: given(query.partner),
                prepared_by: Some(caller.person),
                narrative: query.narrative.map(paragraphs).unwrap_or_default(),
                miles,
                invented: None,
            };
            let filled = fill::month(programme, &which)?;
            Ok(earlywood_print::month::month_report(
                &filled,
                made(&here, programme)?,
            )?)
        })
        .await?;
    Ok(pdf(&format!("month-{from}.pdf"), bytes))
}

/// Which season.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SeasonPaper {
    /// One target; all that were adopted when left out.
    target: Option<String>,
    /// The day up to which records count; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    on: Option<Date>,
    /// Weather station; the only one when left out.
    station: Option<String>,
    #[serde(default)]
    #[param(inline)]
    paper: Size,
}

/// The season's report: how sure, from what, with maps and charts.
#[utoipa::path(get, path = "/api/1/paper/season", tag = "paper", params(SeasonPaper),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn season(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<SeasonPaper>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let on = query.on.unwrap_or_else(|| office.today());
    let which = fill::season::Asked {
        targets: given(query.target).into_iter().collect(),
        on,
        station: given(query.station),
        ground: GroundOptions::default(),
        draws: USUAL_DRAWS,
        decoration: Decoration::default(),
    };
    let here = office.clone();
    let bytes = office
        .read(move |programme| {
            let mut notes = Vec::new();
            let data = fill::season::gather(programme, &which, &mut notes)?;
            let made = made(&here, programme)?;
            Ok(earlywood_print::season::season_report(
                &data,
                query.paper.into(),
                made,
            )?)
        })
        .await?;
    Ok(pdf(&format!("season-{on}.pdf"), bytes))
}

/// Words between commas or semicolons.
fn several(text: Option<String>) -> Vec<String> {
    let text = text.unwrap_or_default();
    text.split([',', ';'])
        .filter_map(|part| given(Some(part.to_owned())))
        .collect()
}

/// The sheet of labels that a person means: where none is named, that for the paper.
fn label_sheet(named: Option<String>) -> Result<LabelSheet, Problem> {
    Ok(given(named)
        .as_deref()
        .unwrap_or("a4-70x37")
        .parse::<LabelSheet>()?)
}

/// Which labels of traps.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct LabelsQuery {
    /// A ready sheet (a4-70x37, a4-99x38, letter-67x25, letter-102x51, roll-62x29) or an own size; a4-70x37 when left out.
    sheet: Option<String>,
    /// First free label of the first sheet, from 1.
    start_at: Option<usize>,
    /// Labels of traps with commas between; all that hang or are stored when left out.
    traps: Option<String>,
    /// Whom to call.
    call: Option<String>,
}

/// Labels of traps.
#[utoipa::path(get, path = "/api/1/paper/labels", tag = "paper", params(LabelsQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn labels(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<LabelsQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let sheet = label_sheet(query.sheet)?;
    let here = office.clone();
    let bytes = office
        .read(move |programme| {
            let which = LabelsAsked {
                sheet,
                start_at: query.start_at.unwrap_or(1),
                traps: several(query.traps),
                call: given(query.call),
                made: made(&here, programme)?,
            };
            let filled = fill::labels(programme, &which)?;
            Ok(earlywood_print::labels::traps(&filled)?)
        })
        .await?;
    Ok(pdf("trap-labels.pdf", bytes))
}

/// Which series of specimen labels.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SpecimensQuery {
    /// As for labels of traps.
    sheet: Option<String>,
    /// First free label of the first sheet, from 1.
    start_at: Option<usize>,
    /// Year in the numbers; this one when left out.
    year: Option<i16>,
    /// First running number.
    first: u32,
    /// So many numbers.
    count: u32,
    /// 2 or 3 of each; 2 when left out.
    copies: Option<usize>,
}

/// A series of specimen labels, each number twice or three times.
#[utoipa::path(get, path = "/api/1/paper/specimens", tag = "paper", params(SpecimensQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn specimens(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<SpecimensQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let sheet = label_sheet(query.sheet)?;
    let here = office.clone();
    let bytes = office
        .read(move |programme| {
            Ok(earlywood_print::specimens::series(&SpecimenLabels {
                sheet,
                start_at: query.start_at.unwrap_or(1),
                programme: programme.name()?,
                invented: None,
                year: query.year.unwrap_or_else(|| here.today().year()),
                first: query.first,
                count: query.count,
                copies: query.copies.unwrap_or(2),
                made: made(&here, programme)?,
            })?)
        })
        .await?;
    Ok(pdf("specimen-labels.pdf", bytes))
}

/// Which hand-over.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct CustodyQuery {
    /// A hand-over that was offered: its specimens and people are filled in.
    handover: Option<String>,
    /// Specimens with commas between; what the giver has when left out.
    specimens: Option<String>,
    /// Who gives.
    from: Option<String>,
    /// Who takes.
    to: Option<String>,
    /// Where.
    place: Option<String>,
    /// What for.
    purpose: Option<String>,
    /// Empty rows after the items, at most 100.
    blank_rows: Option<usize>,
    #[serde(default)]
    #[param(inline)]
    paper: Size,
}

/// The form that goes with specimens from hand to hand.
#[utoipa::path(get, path = "/api/1/paper/custody", tag = "paper", params(CustodyQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn custody(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<CustodyQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let which = CustodyAsked {
        handover: given(query.handover),
        specimens: several(query.specimens),
        from: given(query.from),
        to: given(query.to),
        place: given(query.place),
        purpose: given(query.purpose),
        paper: query.paper.into(),
        blank_rows: query.blank_rows.unwrap_or(0).min(100),
    };
    let here = office.clone();
    let bytes = office
        .read(move |programme| {
            let filled = fill::custody(programme, &which, made(&here, programme)?)?;
            Ok(earlywood_print::custody::form(&filled)?)
        })
        .await?;
    Ok(pdf("custody.pdf", bytes))
}

/// Which notice.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct NoticeQuery {
    /// The trap; a line to write on when left out.
    trap: Option<String>,
    /// Telephone.
    phone: Option<String>,
    /// The office, with its address.
    office: Option<String>,
    /// How often the trap is looked at, English.
    visits_en: Option<String>,
    /// The same in Spanish.
    visits_es: Option<String>,
    #[serde(default)]
    #[param(inline)]
    paper: Size,
}

/// A notice for a door, English and Spanish.
#[utoipa::path(get, path = "/api/1/paper/notice", tag = "paper", params(NoticeQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn notice(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<NoticeQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let which = NoticeAsked {
        trap: given(query.trap),
        phone: given(query.phone),
        office: given(query.office),
        visits_en: given(query.visits_en),
        visits_es: given(query.visits_es),
        paper: query.paper.into(),
    };
    let here = office.clone();
    let bytes = office
        .read(move |programme| {
            let filled = fill::notice(programme, &which, made(&here, programme)?)?;
            Ok(earlywood_print::notice::door(&filled)?)
        })
        .await?;
    Ok(pdf("door-notice.pdf", bytes))
}

/// Which safety sheet.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct SafetyQuery {
    /// The crew.
    crew: Option<String>,
    /// The day; today when left out.
    #[param(value_type = Option<String>, format = Date)]
    on: Option<Date>,
    /// Local emergency number.
    emergency: Option<String>,
    /// The supervisor's number.
    supervisor: Option<String>,
    /// Nearest hospital.
    hospital: Option<String>,
    /// Electricity company's emergency number.
    power: Option<String>,
    /// Check-in times, with commas between.
    check_ins: Option<String>,
    #[serde(default)]
    #[param(inline)]
    paper: Size,
}

/// A crew's safety sheet.
#[utoipa::path(get, path = "/api/1/paper/safety", tag = "paper", params(SafetyQuery),
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf"), (status = "4XX", body = ProblemBody)),
    extensions(("x-earlywood-right" = json!("read"))))]
async fn safety(
    State(office): State<App>,
    caller: Caller,
    query: Result<Query<SafetyQuery>, QueryRejection>,
) -> Result<Response, Problem> {
    caller.may(Right::Read)?;
    let query = asked(query)?;
    let which = SafetyAsked {
        crew: given(query.crew),
        on: query.on.unwrap_or_else(|| office.today()),
        emergency: given(query.emergency),
        supervisor: given(query.supervisor),
        hospital: given(query.hospital),
        power: given(query.power),
        check_ins: several(query.check_ins),
        own: Vec::new(),
        paper: query.paper.into(),
    };
    let here = office.clone();
    let bytes = office
        .read(move |programme| {
            let filled = fill::safety(programme, &which, made(&here, programme)?)?;
            Ok(earlywood_print::safety::sheet(&filled)?)
        })
        .await?;
    Ok(pdf("crew-safety.pdf", bytes))
}
