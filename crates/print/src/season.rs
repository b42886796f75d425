//! The season report on paper: what the page of [`crate::report`] says, set as a document with numbered figures and tables.
//!
//! It takes the same [`ReportData`] and the same words for figures, so the two can't disagree.

use serde::Serialize;

use crate::PrintError;
use crate::engine::{Made, Template, pdf};
use crate::report::map::{self, Frame};
use crate::report::page::{MOST_FINDS, effective, found_words, plain_sentence, sentence_case};
use crate::report::svg::{RAMP, banded, close, day, percent, points, probability, short_day, whole};
use crate::report::{
    DateRow, PlanResult, ReportData, ResponsePart, SeasonPlan, TargetReport, TrialPoint, TrialResult,
    VisitSummary, ZoneAssurance, chart, response,
};
use crate::stock::Paper;

/// Letters on a map of 1000 units that is printed 170 mm wide: 1.4 times 14 units are 9.5 points.
const MAP_UNIT: f64 = 1.4;

/// The report as a PDF.
///
/// # Errors
/// See [`pdf`].
pub fn season_report(data: &ReportData, paper: Paper, made: Made) -> Result<Vec<u8>, PrintError> {
    pdf(Template::SEASON, &Doc::of(data, paper, made), made)
}

#[derive(Serialize)]
struct Doc<'a> {
    title: String,
    paper: &'static str,
    programme: &'a str,
    year: i16,
    as_of: String,
    invented: Option<&'a str>,
    written_by: &'a str,
    printed: String,
    ramp: Vec<(&'static str, String)>,
    answers: Vec<Answer>,
    targets: Vec<TargetDoc<'a>>,
    methods: &'a [(String, String)],
    cautions: &'a [String],
}

#[derive(Serialize)]
struct Answer {
    found: bool,
    words: String,
}

#[derive(Serialize)]
struct TargetDoc<'a> {
    name: String,
    latin: &'a str,
    caution: &'a str,
    map: Option<MapDoc<'a>>,
    finds: Vec<[String; 4]>,
    finds_more: usize,
    zones: Vec<[String; 3]>,
    zone_charts: Vec<String>,
    zone_low: Option<String>,
    costs: Vec<[String; 3]>,
    next: Vec<[String; 5]>,
    visits: Option<VisitDoc>,
    plan: Option<PlanDoc>,
    season: Option<SeasonDoc<'a>>,
    trial: Option<TrialDoc<'a>>,
    warnings: &'a [String],
    responses: Vec<ResponseDoc<'a>>,
    parameters: Vec<ParameterDoc<'a>>,
}

#[derive(Serialize)]
struct ResponseDoc<'a> {
    title: &'a str,
    caution: &'a str,
    in_short: Option<&'a str>,
    map: Option<String>,
    caption: String,
    parts: &'a [(String, Vec<String>)],
}

#[derive(Serialize)]
struct MapDoc<'a> {
    drawing: String,
    tall: bool,
    caption: String,
    measure: Option<&'a str>,
    together: bool,
    signs: Vec<(String, String)>,
}

#[derive(Serialize)]
struct VisitDoc {
    figures: Vec<(&'static str, String)>,
    words: String,
    missed: Vec<[String; 2]>,
}

#[derive(Serialize)]
struct PlanDoc {
    words: String,
    curve: Option<String>,
}

#[derive(Serialize)]
struct SeasonDoc<'a> {
    years: &'a str,
    dates: Vec<[String; 4]>,
    flight: Option<String>,
    supplies: Vec<[String; 3]>,
}

#[derive(Serialize)]
struct TrialDoc<'a> {
    words: &'a [String],
    curves: Vec<CurveDoc>,
    rests_on: &'a [String],
}

#[derive(Serialize)]
struct CurveDoc {
    title: String,
    drawing: Option<String>,
    rows: Vec<[String; 5]>,
}

#[derive(Serialize)]
struct ParameterDoc<'a> {
    name: String,
    value: &'a str,
    mark: &'a str,
    doubtful: bool,
    source: &'a str,
}

impl<'a> Doc<'a> {
    fn of(data: &'a ReportData, paper: Paper, made: Made) -> Doc<'a> {
        let frame = Frame::around(&data.map, &data.targets);
        Doc {
            title: format!("{}: detection trapping in {}", data.programme, data.season_year),
            paper: paper.name(),
            programme: &data.programme,
            year: data.season_year,
            as_of: day(data.as_of),
            invented: data.invented.as_deref(),
            written_by: &data.written_by,
            printed: made.strftime("%Y-%m-%d %H:%M").to_string(),
            ramp: RAMP
                .iter()
                .enumerate()
                .map(|(k, colour)| {
                    (
                        *colour,
                        format!("{:.1}–{:.1}", k as f64 * 0.2, (k + 1) as f64 * 0.2),
                    )
                })
                .collect(),
            answers: data.targets.iter().flat_map(|t| answers(t, data)).collect(),
            targets: data
                .targets
                .iter()
                .map(|t| target(t, data, frame.as_ref()))
                .collect(),
            methods: &data.methods,
            cautions: &data.cautions,
        }
    }
}

fn answers(target: &TargetReport, data: &ReportData) -> Vec<Answer> {
    let found = target.finds.first().map(|first| Answer {
        found: true,
        words: found_words(target, first),
    });
    let absent = target.zones.iter().filter(|z| !z.found).map(|zone| Answer {
        found: false,
        words: plain_sentence(target, zone, data),
    });
    found.into_iter().chain(absent).collect()
}

fn target<'a>(t: &'a TargetReport, data: &ReportData, frame: Option<&Frame>) -> TargetDoc<'a> {
    let low = chart::common_low(&t.zones);
    TargetDoc {
        name: sentence_case(&t.common_name),
        latin: &t.scientific_name,
        caution: &t.caution,
        map: frame.map(|frame| MapDoc {
            drawing: map::alone(&data.map, t, frame, MAP_UNIT),
            tall: frame.height_per_width() > 0.97,
            caption: map::caption(t),
            measure: (!t.cells.is_empty()).then_some(t.cell_measure.as_str()),
            together: map::drawn_together(t, frame),
            signs: map::signs_alone(&data.map, t),
        }),
        finds: t
            .finds
            .iter()
            .take(MOST_FINDS)
            .map(|f| [f.label.clone(), f.zone.clone(), day(f.taken), day(f.confirmed)])
            .collect(),
        finds_more: t.finds.len().saturating_sub(MOST_FINDS),
        zones: t.zones.iter().map(zone_row).collect(),
        zone_charts: t
            .zones
            .iter()
            .filter(|z| !z.found)
            .filter_map(|z| chart::assurance_alone(z, low))
            .collect(),
        zone_low: (low > 0.0).then(|| probability(low)),
        costs: t
            .costs
            .iter()
            .map(|c| [sentence_case(&c.what), c.zone.clone(), points(c.lost)])
            .collect(),
        next: t
            .next_visits
            .iter()
            .map(|v| {
                [
                    v.trap.clone(),
                    v.zone.clone(),
                    short_day(v.due),
                    v.todo.clone(),
                    points(v.gain),
                ]
            })
            .collect(),
        visits: t.visits.as_ref().map(visits),
        plan: t.plan.as_ref().map(plan),
        season: t.season.as_ref().map(season),
        trial: t.trial.as_ref().map(trial),
        warnings: &t.warnings,
        responses: t.responses.iter().map(response_doc).collect(),
        parameters: t
            .parameters
            .iter()
            .map(|p| ParameterDoc {
                name: sentence_case(&p.name),
                value: &p.value,
                mark: &p.mark,
                doubtful: p.doubtful,
                source: &p.source,
            })
            .collect(),
    }
}

fn trial(t: &TrialResult) -> TrialDoc<'_> {
    let row = |p: &TrialPoint| {
        [
            format!("{:.1} to {:.1}", p.bin.0, p.bin.1),
            whole(p.worlds as f64),
            format!("{:.3}", p.stated),
            format!("{:.3}", p.free),
            format!(
                "{:.3} to {:.3}{}",
                p.interval.0,
                p.interval.1,
                if p.agrees() { "" } else { ", off" }
            ),
        ]
    };
    TrialDoc {
        words: &t.words,
        curves: t
            .curves
            .iter()
            .map(|c| CurveDoc {
                title: format!(
                    "{}: {} statements. {}",
                    sentence_case(&c.title),
                    whole(c.worlds as f64),
                    c.traps
                ),
                drawing: chart::reliability_alone(c),
                rows: c.points.iter().map(row).collect(),
            })
            .collect(),
        rests_on: &t.rests_on,
    }
}

fn zone_row(z: &ZoneAssurance) -> [String; 3] {
    let free = match (z.found, z.free.last()) {
        (true, _) => "not stated: found".to_owned(),
        (false, Some((_, band))) => banded(*band),
        (false, None) => "no records".to_owned(),
    };
    [z.zone.clone(), banded(z.sensitivity), free]
}

fn visits(v: &VisitSummary) -> VisitDoc {
    let count = |n: u32| whole(f64::from(n));
    VisitDoc {
        figures: vec![
            ("due", count(v.due)),
            ("made in time", count(v.made)),
            ("made late", count(v.late)),
            ("missed", count(v.missed.iter().map(|(_, n)| n).sum())),
            ("found down or gone", count(v.found_out)),
            ("looked at in part", count(v.partly)),
            ("suspects taken", count(v.suspects)),
            ("effective share", effective(v)),
        ],
        words: format!(
            "{} effective of {} calendar trap-days. “Could not look” is counted as missed, never as “looked, none”.",
            whole(v.effective_trap_days),
            whole(v.calendar_trap_days)
        ),
        missed: v
            .missed
            .iter()
            .map(|(why, n)| [sentence_case(why), count(*n)])
            .collect(),
    }
}

fn plan(p: &PlanResult) -> PlanDoc {
    PlanDoc {
        words: format!(
            "{} traps, chosen from {} candidate places. With fresh lures and no trap lost the plan reaches {}; it is proved that \
             no choice of {} places can pass {}, so it is within {} of the best any plan could do.",
            p.traps,
            whole(p.candidates as f64),
            close(p.objective),
            p.traps,
            close(p.bound),
            percent(p.gap())
        ),
        curve: chart::curve_alone(p),
    }
}

fn season(s: &SeasonPlan) -> SeasonDoc<'_> {
    let spread = |d: &DateRow| {
        if d.early == d.late {
            "same every year".to_owned()
        } else {
            format!("{} to {}", short_day(d.early), short_day(d.late))
        }
    };
    SeasonDoc {
        years: &s.years,
        dates: s
            .dates
            .iter()
            .map(|d| [sentence_case(&d.what), day(d.median), spread(d), d.why.clone()])
            .collect(),
        flight: chart::fortnights_alone(&s.fortnights),
        supplies: s
            .supplies
            .iter()
            .map(|(what, n, how)| [sentence_case(what), n.clone(), how.clone()])
            .collect(),
    }
}

fn response_doc(part: &ResponsePart) -> ResponseDoc<'_> {
    ResponseDoc {
        title: &part.title,
        caution: &part.caution,
        in_short: part.in_short.as_deref(),
        map: response::map(part).map(maud::Markup::into_string),
        caption: response::caption(part),
        parts: &part.parts,
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::datetime;

    use super::*;
    use crate::report::sample;

    const MADE: Made = datetime(2025, 10, 3, 9, 30, 0, 0);

    /// Writes the sample for looking at: `EARLYWOOD_SEASON=/tmp/somewhere`.
    #[test]
    fn a_report_is_written_when_asked_for() {
        let Some(folder) = std::env::var_os("EARLYWOOD_SEASON") else {
            return;
        };
        let folder = std::path::PathBuf::from(folder);
        let data = match std::env::var_os("EARLYWOOD_PROGRAMME") {
            Some(file) => {
                let programme = earlywood_journal::Programme::open_read_only(file.as_ref()).unwrap();
                let asked = crate::fill::season::Asked {
                    targets: Vec::new(),
                    on: jiff::civil::date(2025, 9, 30),
                    station: None,
                    ground: earlywood_chain::ground::GroundOptions {
                        resolution: None,
                        background_risk: 1.0,
                    },
                    draws: 200,
                    decoration: crate::fill::season::Decoration::default(),
                };
                crate::fill::season::gather(&programme, &asked, &mut Vec::new()).unwrap()
            }
            None => sample::report(),
        };
        let doc = serde_json::to_vec(&Doc::of(&data, Paper::A4, MADE)).unwrap();
        std::fs::write(folder.join("season.json"), doc).unwrap();
        std::fs::write(
            folder.join("season.pdf"),
            season_report(&data, Paper::A4, MADE).unwrap(),
        )
        .unwrap();
    }

    #[test]
    fn the_same_report_is_the_same_bytes() {
        let data = sample::report();
        for paper in [Paper::A4, Paper::Letter] {
            let one = season_report(&data, paper, MADE).unwrap();
            assert!(one.starts_with(b"%PDF-"));
            assert_eq!(one, season_report(&data, paper, MADE).unwrap());
        }
    }

    #[test]
    fn a_report_without_records_is_still_one() {
        let mut data = sample::report();
        for t in &mut data.targets {
            (t.cells, t.hosts, t.finds, t.traps) = (vec![], vec![], vec![], vec![]);
            (t.plan, t.season, t.visits) = (None, None, None);
            (t.zones, t.costs, t.next_visits, t.parameters) = (vec![], vec![], vec![], vec![]);
        }
        season_report(&data, Paper::A4, MADE).unwrap();
        data.map = crate::report::MapBase::default();
        data.targets.clear();
        season_report(&data, Paper::A4, MADE).unwrap();
    }

    #[test]
    fn what_is_said_first_is_what_the_page_says_first() {
        let data = sample::report();
        let page = crate::report::html(&data);
        let doc = Doc::of(&data, Paper::A4, MADE);
        assert!(doc.answers.iter().any(|a| a.found));
        for answer in doc.answers.iter().filter(|a| a.found) {
            assert!(page.contains(&answer.words), "{}", answer.words);
        }
    }
}
