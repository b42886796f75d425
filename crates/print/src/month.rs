//! The month report to the partner: what was required and done, what was lost, what waits, and what is not known.
//!
//! Every figure that a screen shows too is taken from the same answer of the journal ([`Month`]); this module adds sums of
//! rows and shares for display. What nobody recorded is called "not recorded", never 0.

use std::collections::BTreeMap;

use earlywood_journal::{Limit, Month};
use earlywood_model::proportion::Share;
use jiff::civil::Date;
use serde::Serialize;

use crate::PrintError;
use crate::engine::{Made, Template, pdf};
use crate::report::svg::{day, percent, whole};
use crate::stock::Paper;

/// What the report says.
#[derive(Debug, Clone)]
pub struct MonthReport {
    /// Paper.
    pub paper: Paper,
    /// The programme.
    pub programme: String,
    /// When the data are invented: the statement that says so.
    pub invented: Option<String>,
    /// Whom it is for.
    pub partner: Option<String>,
    /// Who drew it up.
    pub prepared_by: Option<String>,
    /// What happened, paragraph by paragraph. Empty: lines to write on.
    pub narrative: Vec<String>,
    /// Miles driven, where they were kept.
    pub miles: Option<f64>,
    /// Kilometres of the adopted rounds, where known.
    pub planned_km: Option<f64>,
    /// The look's clock by which stops were due.
    pub look: Option<Limit>,
    /// Required and deployed, by target and area.
    pub areas: Vec<Area>,
    /// Holds of the days.
    pub holds: Vec<HoldDays>,
    /// Finds taken on the days.
    pub confirmed: Vec<Confirmed>,
    /// Common names of targets, by id.
    pub names: BTreeMap<String, String>,
    /// The figures.
    pub figures: Month,
}

/// One target's traps in one area.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Area {
    /// Target id.
    pub target: String,
    /// The zone, or where there is none.
    pub area: String,
    /// Places of the plan in force there; none: no plan has a place there.
    pub required: Option<u64>,
    /// Traps that hung there when the last day ended.
    pub deployed: u64,
}

/// A hold, as far as a partner need know.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HoldDays {
    /// Its label.
    pub hold: String,
    /// Why.
    pub cause: String,
    /// First day.
    pub from: Date,
    /// Last day; none: open-ended.
    pub to: Option<Date>,
}

/// A confirmed find.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Confirmed {
    /// Target id.
    pub target: String,
    /// The specimen, where it has a label.
    pub specimen: Option<String>,
    /// The trap it came from, where it came from one.
    pub trap: Option<String>,
    /// The day it was taken.
    pub taken: Date,
}

/// The report as a PDF.
///
/// # Errors
/// See [`pdf`].
pub fn month_report(report: &MonthReport, made: Made) -> Result<Vec<u8>, PrintError> {
    pdf(Template::MONTH, &Doc::of(report, made), made)
}

#[derive(Serialize)]
struct Doc<'a> {
    title: String,
    paper: &'static str,
    programme: &'a str,
    span: String,
    invented: Option<&'a str>,
    partner: Option<&'a str>,
    prepared_by: Option<&'a str>,
    printed: String,
    heads: Vec<(&'static str, String)>,
    confirmed: Vec<[String; 4]>,
    areas: Vec<AreaGroup>,
    traps: Vec<(&'static str, String)>,
    lost: Vec<(String, String)>,
    due_rule: String,
    stops: Vec<[String; 3]>,
    missed_why: Vec<(String, String)>,
    stops_made: Vec<(&'static str, String)>,
    holds: Vec<[String; 4]>,
    specimens: Vec<(&'static str, String)>,
    pending_ages: Vec<(&'static str, String)>,
    pending: Vec<[String; 3]>,
    pending_more: usize,
    planted: Vec<(&'static str, String)>,
    planted_words: String,
    trees: Vec<(&'static str, String)>,
    supplies: Vec<[String; 6]>,
    time: Vec<(&'static str, String)>,
    narrative: &'a [String],
    differences: &'a [String],
    conflicts: String,
}

/// One target's rows and their sum.
#[derive(Serialize)]
struct AreaGroup {
    target: String,
    rows: Vec<[String; 4]>,
    total: [String; 4],
}

/// At most so many specimens that wait are listed one by one. Design choice.
const MOST_PENDING: usize = 20;
/// Confidence of the bound on the share of planted specimens recovered. Common practice.
const CONFIDENCE: f64 = 0.95;
/// Ages by which what waits is counted: last day of each step, and its words. Design choice.
const AGES: [(i64, &str); 4] = [
    (7, "a week or less"),
    (30, "8 to 30 days"),
    (90, "31 to 90 days"),
    (i64::MAX, "more than 90 days"),
];

const NOT_RECORDED: &str = "not recorded";

fn count(n: u64) -> String {
    whole(n as f64)
}

fn signed(n: i64) -> String {
    whole(n as f64)
}

fn share_of(part: u64, of: u64) -> String {
    if of == 0 {
        "–".to_owned()
    } else {
        percent(part as f64 / of as f64)
    }
}

impl<'a> Doc<'a> {
    fn of(report: &'a MonthReport, made: Made) -> Doc<'a> {
        let f = &report.figures;
        let span = format!("{} to {}", day(f.from), day(f.to));
        Doc {
            title: format!("{}: month report, {span}", report.programme),
            paper: report.paper.name(),
            programme: &report.programme,
            span,
            invented: report.invented.as_deref(),
            partner: report.partner.as_deref(),
            prepared_by: report.prepared_by.as_deref(),
            printed: made.strftime("%Y-%m-%d %H:%M").to_string(),
            heads: heads(report),
            confirmed: report
                .confirmed
                .iter()
                .map(|c| confirmed_row(report, c))
                .collect(),
            areas: area_groups(report),
            traps: traps(f),
            lost: f
                .traps
                .lost
                .iter()
                .map(|c| (c.what.clone(), count(c.count)))
                .collect(),
            due_rule: due_rule(report.look),
            stops: stops(f),
            missed_why: f
                .stops
                .missed_why
                .iter()
                .map(|c| (c.what.clone(), count(c.count)))
                .collect(),
            stops_made: stops_made(f),
            holds: report.holds.iter().map(hold_row).collect(),
            specimens: specimens(f),
            pending_ages: pending_ages(f),
            pending: f
                .specimens
                .pending
                .iter()
                .take(MOST_PENDING)
                .map(pending_row)
                .collect(),
            pending_more: f.specimens.pending.len().saturating_sub(MOST_PENDING),
            planted: planted(f),
            planted_words: planted_words(f),
            trees: trees(f),
            supplies: f.supplies.iter().map(supply_row).collect(),
            time: time(report),
            narrative: &report.narrative,
            differences: &f.differences,
            conflicts: count(f.conflicts_open),
        }
    }
}

fn heads(report: &MonthReport) -> Vec<(&'static str, String)> {
    let f = &report.figures;
    vec![
        ("traps out", count(f.traps.out_at_end)),
        ("looks due", count(f.stops.due)),
        ("on time", share_of(f.stops.on_time, f.stops.due)),
        ("missed", count(f.stops.missed)),
        ("specimens taken", count(f.specimens.taken)),
        ("waiting", count(f.specimens.pending.len() as u64)),
        ("confirmed finds", count(report.confirmed.len() as u64)),
    ]
}

fn name(report: &MonthReport, target: &str) -> String {
    report
        .names
        .get(target)
        .cloned()
        .unwrap_or_else(|| target.to_owned())
}

fn confirmed_row(report: &MonthReport, c: &Confirmed) -> [String; 4] {
    let or_dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "–".to_owned());
    [
        name(report, &c.target),
        or_dash(&c.specimen),
        or_dash(&c.trap),
        day(c.taken),
    ]
}

/// Rows by target, each with its sum as the journal states it.
fn area_groups(report: &MonthReport) -> Vec<AreaGroup> {
    let row = |area: String, required: Option<u64>, deployed: u64| {
        let words = required.map_or_else(|| "no plan".to_owned(), count);
        [
            area,
            words,
            count(deployed),
            share_of(deployed, required.unwrap_or(0)),
        ]
    };
    report
        .figures
        .targets
        .iter()
        .map(|t| AreaGroup {
            target: name(report, &t.target),
            rows: report
                .areas
                .iter()
                .filter(|a| a.target == t.target)
                // An area without a place in a plan that exists requires none there.
                .map(|a| row(a.area.clone(), a.required.or(t.required.map(|_| 0)), a.deployed))
                .collect(),
            total: row("all areas".to_owned(), t.required, t.out_at_end),
        })
        .collect()
}

fn traps(f: &Month) -> Vec<(&'static str, String)> {
    let t = &f.traps;
    vec![
        ("Out when the first day began", count(t.out_at_start)),
        ("Hung", count(t.hung)),
        (
            "  of those, moved from another place on the day",
            count(t.relocated),
        ),
        ("Taken down, those moved included", count(t.taken_down)),
        ("Lost and written off", count(t.written_off)),
        ("Out when the last day ended", count(t.out_at_end)),
    ]
}

fn due_rule(look: Option<Limit>) -> String {
    match look {
        Some(limit) => format!(
            "A look is due {} days after the last full look or the hanging, late from the day after, and missed when none is made \
             within {} days.",
            limit.warn_days, limit.fail_days
        ),
        None => "No clock of looks was given, so nothing was due.".to_owned(),
    }
}

fn stops(f: &Month) -> Vec<[String; 3]> {
    let s = &f.stops;
    let row = |words: &str, n: u64| [words.to_owned(), count(n), share_of(n, s.due)];
    vec![
        row("Due", s.due),
        row("Made on time", s.on_time),
        row("Made late", s.late),
        row("Excused by a hold (no service all the same)", s.excused),
        row("Missed", s.missed),
    ]
}

fn stops_made(f: &Month) -> Vec<(&'static str, String)> {
    vec![
        (
            "Stops recorded, due or not, reached or not",
            count(f.stops.visits),
        ),
        ("  of those, full looks at the catch", count(f.stops.looked)),
    ]
}

fn hold_row(hold: &HoldDays) -> [String; 4] {
    let to = hold.to.map_or_else(|| "open".to_owned(), day);
    [hold.hold.clone(), hold.cause.clone(), day(hold.from), to]
}

fn specimens(f: &Month) -> Vec<(&'static str, String)> {
    let s = &f.specimens;
    vec![
        ("Taken", count(s.taken)),
        ("First gone through (inserts and panels)", count(s.screened)),
        ("First named", count(s.determined)),
        ("Waiting when the last day ended", count(s.pending.len() as u64)),
    ]
}

fn pending_ages(f: &Month) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    let mut after = i64::MIN;
    for (until, words) in AGES {
        let within = f
            .specimens
            .pending
            .iter()
            .filter(|p| after < p.age_days && p.age_days <= until);
        rows.push((words, count(within.count() as u64)));
        after = until;
    }
    rows
}

fn pending_row(p: &earlywood_journal::Pending) -> [String; 3] {
    [p.specimen.clone(), day(p.taken), p.age_days.to_string()]
}

fn planted(f: &Month) -> Vec<(&'static str, String)> {
    let p = &f.planted;
    vec![
        ("Planted on these days", count(p.planted)),
        ("Recovered", count(p.recovered)),
        ("Missed", count(p.missed)),
        ("Lost (says nothing about the look)", count(p.lost)),
    ]
}

/// The share recovered never stands without its bound.
fn planted_words(f: &Month) -> String {
    let (recovered, trials) = (f.planted.recovered, f.planted.recovered + f.planted.missed);
    let bound = Share::new(recovered, trials).and_then(|s| Ok((s.point(), s.at_least(CONFIDENCE)?)));
    match bound {
        Ok((Some(point), low)) => format!(
            "{} of {} recovered: {}; with {:.0} % confidence at least {} (exact one-sided bound, Clopper and Pearson 1934).",
            count(recovered),
            count(trials),
            percent(point),
            100.0 * CONFIDENCE,
            percent(low)
        ),
        _ => "No planted specimen was closed on these days: nothing can be said about the looks.".to_owned(),
    }
}

fn trees(f: &Month) -> Vec<(&'static str, String)> {
    let t = &f.trees;
    vec![
        ("Looks at trees", count(t.inspections)),
        ("Trees looked at, each once", count(t.trees)),
        ("Branches cut", count(t.branch_samples)),
        ("  with galleries or live stages", count(t.branches_positive)),
        ("  peeled, none", count(t.branches_negative)),
        ("Hours, where told", format!("{:.1}", t.hours)),
    ]
}

fn supply_row(lot: &earlywood_journal::LotMonth) -> [String; 6] {
    [
        lot.lot.clone(),
        signed(lot.received),
        signed(lot.issued),
        count(lot.used),
        signed(lot.disposed),
        signed(lot.on_hand),
    ]
}

fn time(report: &MonthReport) -> Vec<(&'static str, String)> {
    const KM_PER_MILE: f64 = 1.609_344; // international mile, exact
    let s = &report.figures.stops;
    let hours = if s.timed == 0 {
        NOT_RECORDED.to_owned()
    } else {
        format!(
            "{:.1}, from {} of {} stops",
            s.hours,
            count(s.timed),
            count(s.visits)
        )
    };
    let miles = report.miles.map_or_else(|| NOT_RECORDED.to_owned(), whole);
    let planned = report.planned_km.map_or_else(
        || "not known".to_owned(),
        |km| {
            format!(
                "{} ({} km), planned and not measured",
                whole(km / KM_PER_MILE),
                whole(km)
            )
        },
    );
    vec![
        ("Hours at stops, where arrival and leaving were told", hours),
        ("Hours by class of work", NOT_RECORDED.to_owned()),
        ("Miles driven", miles),
        ("Miles of the adopted rounds", planned),
        ("Complaints and injuries", NOT_RECORDED.to_owned()),
    ]
}

#[cfg(test)]
mod tests {
    use earlywood_journal::{Act, Limits, Programme};
    use jiff::civil::{date, datetime};

    use super::*;
    use crate::fill::month as fill;

    const MADE: Made = datetime(2026, 7, 1, 8, 0, 0, 0);

    fn asked() -> fill::Asked {
        fill::Asked {
            from: date(2026, 6, 1),
            to: date(2026, 6, 30),
            limits: Limits {
                look: Some(Limit {
                    warn_days: 14,
                    fail_days: 21,
                }),
                ..Limits::default()
            },
            paper: Paper::A4,
            partner: Some("State survey office".into()),
            prepared_by: None,
            narrative: Vec::new(),
            miles: None,
            invented: None,
        }
    }

    fn empty() -> MonthReport {
        let folder = tempfile::tempdir().unwrap();
        let now = "2026-05-01T08:00:00-04:00[America/New_York]".parse().unwrap();
        let act = Act::new("lead", now).unwrap();
        let programme = Programme::create(&folder.path().join("p.earlywood"), "Tarrowbend", &act).unwrap();
        fill::month(&programme, &asked()).unwrap()
    }

    /// Reads a real programme and writes its report: `EARLYWOOD_MONTH=/tmp/somewhere EARLYWOOD_PROGRAMME=x.earlywood`.
    #[test]
    fn a_report_is_written_when_asked_for() {
        let (Some(folder), Some(file)) = (
            std::env::var_os("EARLYWOOD_MONTH"),
            std::env::var_os("EARLYWOOD_PROGRAMME"),
        ) else {
            return;
        };
        let programme = Programme::open_read_only(file.as_ref()).unwrap();
        let profiles = programme.profiles().unwrap();
        let asked = fill::Asked {
            from: date(2025, 6, 1),
            to: date(2025, 6, 30),
            limits: earlywood_chain::due::strictest(profiles.iter().map(|p| &p.profile)),
            ..asked()
        };
        let report = fill::month(&programme, &asked).unwrap();
        let folder = std::path::PathBuf::from(folder);
        std::fs::write(
            folder.join("month.json"),
            serde_json::to_vec(&Doc::of(&report, MADE)).unwrap(),
        )
        .unwrap();
        std::fs::write(folder.join("month.pdf"), month_report(&report, MADE).unwrap()).unwrap();
    }

    #[test]
    fn what_nobody_recorded_is_not_zero() {
        let report = empty();
        let told: BTreeMap<_, _> = time(&report).into_iter().collect();
        assert_eq!(told["Miles driven"], NOT_RECORDED);
        assert_eq!(
            told["Hours at stops, where arrival and leaving were told"],
            NOT_RECORDED
        );
        assert!(planted_words(&report.figures).contains("nothing can be said"));
        assert_eq!(stops(&report.figures)[1][2], "–");
    }

    #[test]
    fn a_share_recovered_has_its_bound() {
        let mut report = empty();
        (report.figures.planted.recovered, report.figures.planted.missed) = (9, 1);
        // 61 %: the exact bound of 9 in 10, reckoned independently with scipy.stats.beta.ppf(0.05, 9, 2) = 0.6058.
        assert!(
            planted_words(&report.figures)
                .starts_with("9 of 10 recovered: 90 %; with 95 % confidence at least 61 %")
        );
    }

    #[test]
    fn ages_count_every_specimen_that_waits_once() {
        let mut report = empty();
        report.figures.specimens.pending = [0, 7, 8, 30, 31, 90, 91, 400]
            .map(|age_days| earlywood_journal::Pending {
                specimen: format!("S-{age_days}"),
                taken: date(2026, 6, 1),
                age_days,
            })
            .to_vec();
        let counts: Vec<String> = pending_ages(&report.figures)
            .into_iter()
            .map(|(_, n)| n)
            .collect();
        assert_eq!(counts, ["2", "2", "2", "2"]);
    }

    #[test]
    fn an_empty_month_is_a_report_and_the_same_bytes_twice() {
        let report = empty();
        let one = month_report(&report, MADE).unwrap();
        assert!(one.starts_with(b"%PDF-"));
        assert_eq!(one, month_report(&report, MADE).unwrap());
    }
}
