//! The page itself: headings, sentences, tables, in the order in which a programme lead is asked about them.

use std::collections::BTreeSet;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::map::{self, Frame};
use super::svg::{banded, close, day, mid_sentence, percent, points, probability, short_day, whole};
use super::{Find, ReportData, SeasonPlan, TargetReport, VisitSummary, ZoneAssurance, chart};

const CSS: &str = include_str!("page.css");

/// The report as one self-contained HTML page.
pub fn html(data: &ReportData) -> String {
    let frame = Frame::around(&data.map, &data.targets);
    let title = format!("{}: detection trapping in {}", data.programme, data.season_year);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light";
                title { (title) }
                style { (PreEscaped(CSS)) }
            }
            body {
                @if let Some(frame) = &frame { (map::ground(&data.map, frame)) }
                header {
                    h1 { (title) }
                    p.by { "Records counted up to " (day(data.as_of)) "." }
                    @if let Some(statement) = &data.invented {
                        div.notice role="note" { p { strong { "Everything here is invented. " } (statement) } }
                    }
                }
                (contents(data))
                main {
                    h2.first #answers { "Is it here, and how sure are we?" }
                    (answers(data))
                    @for (key, target) in data.targets.iter().enumerate() {
                        (target_section(data, target, key, frame.as_ref()))
                    }
                    (method_section(data))
                    (caution_section(data))
                }
                footer {
                    p { "Written by " (data.written_by) "." }
                    @if data.invented.is_some() { p { "Invented data: not for any decision about a real place." } }
                }
            }
        }
    };
    page.into_string()
}

fn contents(data: &ReportData) -> Markup {
    html! {
        nav aria-label="Contents" {
            ol {
                li { a href="#answers" { "Is it here?" } }
                @for (key, target) in data.targets.iter().enumerate() {
                    li { a href=(format!("#target-{key}")) { (sentence_case(&target.common_name)) } }
                }
                li { a href="#methods" { "How the figures are made" } }
                @if !data.cautions.is_empty() { li { a href="#cautions" { "Working safely" } } }
            }
        }
    }
}

/// First letter large, the rest as it is.
pub(crate) fn sentence_case(words: &str) -> String {
    let mut letters = words.chars();
    letters
        .next()
        .map_or_else(String::new, |c| c.to_uppercase().chain(letters).collect())
}

fn answers(data: &ReportData) -> Markup {
    html! {
        ul.answers {
            @for target in &data.targets {
                @if let Some(first) = target.finds.first() { (found_answer(target, first)) }
                @for zone in target.zones.iter().filter(|z| !z.found) { li { (unbroken(&plain_sentence(target, zone, data))) } }
            }
        }
        p.note {
            "A figure in brackets is the 5–95 % band: where the truth lies in nine draws of ten, given what is and is not known "
            "about the insect, its lure and the incursion's size. Finding nothing never proves that nothing is there."
        }
    }
}

/// What is said first when there is a find.
fn found_answer(target: &TargetReport, first: &Find) -> Markup {
    html! { li.find { strong { "Found: " } (found_words(target, first)) } }
}

/// The oldest find, how many followed, and what can no longer be claimed.
pub(crate) fn found_words(target: &TargetReport, first: &Find) -> String {
    let zones: BTreeSet<&str> = target.finds.iter().map(|f| f.zone.as_str()).collect();
    let zones: Vec<&str> = zones.into_iter().collect();
    let confirmed = if first.confirmed == first.taken {
        String::new()
    } else {
        format!(", confirmed {}", day(first.confirmed))
    };
    let more = match target.finds.len() {
        0 | 1 => String::new(),
        2 => "; 1 more find since".to_owned(),
        n => format!("; {} more finds since", n - 1),
    };
    format!(
        "{} at {} in {}, taken {}{confirmed}{more}. Nothing is claimed about absence in {} until a response has shown it.",
        mid_sentence(&target.common_name),
        first.label,
        first.zone,
        day(first.taken),
        zones.join(" and ")
    )
}

/// At most so many finds are listed one by one.
pub(crate) const MOST_FINDS: usize = 25;

fn finds_part(target: &TargetReport) -> Markup {
    if target.finds.is_empty() {
        return html! {};
    }
    let rows = target.finds.iter().take(MOST_FINDS).map(|f| {
        vec![
            words(&f.label),
            words(&f.zone),
            kept(day(f.taken)),
            kept(day(f.confirmed)),
        ]
    });
    let hidden = target.finds.len().saturating_sub(MOST_FINDS);
    html! {
        h3 { "Finds" }
        (table(
            "Confirmed determinations, oldest first",
            &[
                Column("Trap", false),
                Column("Zone", false),
                Column("Taken", false),
                Column("Confirmed", false),
            ],
            rows.collect(),
        ))
        @if hidden > 0 { p.note { "and " (hidden) " more." } }
    }
}

/// The sentence a lead is asked for.
pub(crate) fn plain_sentence(target: &TargetReport, zone: &ZoneAssurance, data: &ReportData) -> String {
    let free = zone.free.last().map_or_else(String::new, |(_, band)| {
        format!(
            " As of {}, the probability that it is not there at that size is {}.",
            day(data.as_of),
            banded(*band)
        )
    });
    format!(
        "If {} had been in {} at the design size ({}), we'd have seen it with probability {}.{free}",
        mid_sentence(&target.common_name),
        zone.zone,
        flyers(target),
        banded(zone.sensitivity),
    )
}

/// Keeps what stands in brackets, and the word before it, on one line when it is a band of figures.
fn unbroken(text: &str) -> Markup {
    let mut parts = Vec::new();
    let mut rest = text;
    while let Some(open) = rest.find(" (") {
        let start = rest[..open].rfind(' ').map_or(0, |k| k + 1);
        let end = rest[open..].find(')').map_or(rest.len(), |k| open + k + 1);
        let keep = rest[open..end].contains('–');
        parts.push((&rest[..if keep { start } else { end }], false));
        if keep {
            parts.push((&rest[start..end], true));
        }
        rest = &rest[end..];
    }
    html! {
        @for (part, keep) in parts { @if keep { span.nb { (part) } } @else { (part) } }
        (rest)
    }
}

fn flyers(target: &TargetReport) -> String {
    let b = target.design_flyers;
    if b.low == b.high {
        format!("{} flyers in the season", whole(b.median))
    } else {
        format!(
            "{} flyers in the season, {} to {}",
            whole(b.median),
            whole(b.low),
            whole(b.high)
        )
    }
}

fn target_section(data: &ReportData, target: &TargetReport, key: usize, frame: Option<&Frame>) -> Markup {
    html! {
        h2 id=(format!("target-{key}")) {
            (sentence_case(&target.common_name)) " " span.latin { (target.scientific_name) }
        }
        p { (target.caution) }
        @if let Some(frame) = frame {
            (map::layer(target, key, frame))
            (map::figure(&data.map, target, key, frame))
        }
        (finds_part(target))
        @for response in &target.responses { (super::response::part(response)) }
        (assurance_part(target, key))
        (costs_part(target))
        (next_part(target))
        (visits_part(target))
        (plan_part(target, key))
        (season_part(target, key))
        (trial_part(target, key))
        (parameters_part(target))
    }
}

/// A column's heading, and whether it holds numbers.
struct Column(&'static str, bool);

/// A table that turns into a list of cards on a phone. The first cell of a row names the row.
fn table(caption: &str, columns: &[Column], rows: Vec<Vec<Markup>>) -> Markup {
    let class = |numeric: bool| if numeric { Some("num") } else { None };
    html! {
        table {
            caption { (caption) }
            thead { tr { @for Column(head, numeric) in columns { th scope="col" class=[class(*numeric)] { (head) } } } }
            tbody {
                @for row in rows {
                    tr {
                        @for (k, (cell, Column(head, numeric))) in row.iter().zip(columns).enumerate() {
                            @if k == 0 { th scope="row" class=[class(*numeric)] { (cell) } }
                            @else { td class=[class(*numeric)] data-head=(head) { (cell) } }
                        }
                    }
                }
            }
        }
    }
}

fn words(text: impl AsRef<str>) -> Markup {
    html! { (text.as_ref()) }
}

/// Words that stay on one line.
fn kept(text: impl AsRef<str>) -> Markup {
    html! { span.nb { (text.as_ref()) } }
}

fn assurance_part(target: &TargetReport, key: usize) -> Markup {
    if target.zones.is_empty() {
        return html! {};
    }
    let low = chart::common_low(&target.zones);
    let rows = target.zones.iter().map(|z| {
        let now = z.free.last().map(|(_, b)| *b);
        vec![
            words(&z.zone),
            words(banded(z.sensitivity)),
            html! { @if z.found { "not stated: found" } @else if let Some(b) = now { (banded(b)) } @else { "no records" } },
        ]
    });
    html! {
        h3 { "How sure we are, zone by zone" }
        (table(
            "Chance that the work really done would have seen the design incursion, and the probability that the zone is free of it. \
             Late and missed visits, traps down and spent lures all count against it.",
            &[Column("Zone", false), Column("Would have seen it", true), Column("Free of it", true)],
            rows.collect(),
        ))
        (evidence_part(target))
        figure {
            div.multiples {
                @for (k, zone) in target.zones.iter().enumerate().filter(|(_, z)| !z.found) {
                    (chart::assurance(zone, low, &format!("free-{key}-{k}")))
                }
            }
            figcaption {
                "Probability that the zone is free of the target at the design size: median and 5–95 % band."
                @if low > 0.0 { " The axis starts at " (probability(low)) ", not at 0." }
            }
        }
    }
}

/// Every kind of evidence apart, and all together.
fn evidence_part(target: &TargetReport) -> Markup {
    let zones: Vec<_> = target.zones.iter().filter(|z| !z.evidence.is_empty()).collect();
    if zones.is_empty() {
        return html! {};
    }
    let mut rows = Vec::new();
    for zone in zones {
        for e in &zone.evidence {
            rows.push(vec![
                words(&zone.zone),
                html! { (sentence_case(&e.kind)) ": " (e.units) },
                words(banded(e.sensitivity)),
                html! { @if let Some(b) = e.free { (banded(b)) } @else { "not stated: found" } },
            ]);
        }
        let free = zone.free.last().map(|(_, b)| *b).filter(|_| !zone.found);
        rows.push(vec![
            words(&zone.zone),
            html! { strong { "Together" } },
            words(banded(zone.sensitivity)),
            html! { @if let Some(b) = free { (banded(b)) } @else { "not stated: found" } },
        ]);
    }
    html! {
        h3 { "What each kind of evidence says" }
        (table(
            "Each kind by itself, and all together. Kinds that are not independent are not multiplied as if they were.",
            &[
                Column("Zone", false),
                Column("Evidence", false),
                Column("Would have seen it", true),
                Column("Free of it", true),
            ],
            rows,
        ))
    }
}

fn costs_part(target: &TargetReport) -> Markup {
    if target.costs.is_empty() {
        return html! {};
    }
    let rows = target.costs.iter().map(|c| {
        vec![
            words(sentence_case(&c.what)),
            words(&c.zone),
            words(points(c.lost)),
        ]
    });
    html! {
        h3 { "What cost most" }
        (table(
            "How much higher the chance of having seen it would stand without each of these.",
            &[Column("Cause", false), Column("Zone", false), Column("Lost", true)],
            rows.collect(),
        ))
    }
}

fn next_part(target: &TargetReport) -> Markup {
    if target.next_visits.is_empty() {
        return html! {};
    }
    let rows = target.next_visits.iter().map(|v| {
        vec![
            words(&v.trap),
            words(&v.zone),
            kept(short_day(v.due)),
            words(&v.todo),
            words(points(v.gain)),
        ]
    });
    html! {
        h3 { "Next visits that would add most" }
        (table(
            "Ranked by what each visit would add to its zone's chance of seeing the design incursion.",
            &[
                Column("Trap", false),
                Column("Zone", false),
                Column("Due", false),
                Column("What to do", false),
                Column("Adds", true),
            ],
            rows.collect(),
        ))
    }
}

fn visits_part(target: &TargetReport) -> Markup {
    let Some(v) = &target.visits else { return html! {} };
    let missed: u32 = v.missed.iter().map(|(_, n)| n).sum();
    let count = |n: u32| whole(f64::from(n));
    let figure = |name: &str, value: String| html! { div { dt { (name) } dd { (value) } } };
    html! {
        h3 { "Visits due and made" }
        dl.figures {
            (figure("due", count(v.due)))
            (figure("made in time", count(v.made)))
            (figure("made late", count(v.late)))
            (figure("missed", count(missed)))
            (figure("found down or gone", count(v.found_out)))
            (figure("looked at in part", count(v.partly)))
            (figure("suspects taken", count(v.suspects)))
            (figure("effective share of trap-days", effective(v)))
        }
        p {
            (whole(v.effective_trap_days)) " effective of " (whole(v.calendar_trap_days))
            " calendar trap-days. “Could not look” is counted as missed, never as “looked, none”."
        }
        @if !v.missed.is_empty() {
            (table(
                "Why visits were missed",
                &[Column("Reason", false), Column("Visits", true)],
                v.missed.iter().map(|(reason, n)| vec![words(sentence_case(reason)), words(count(*n))]).collect(),
            ))
        }
    }
}

pub(crate) fn effective(v: &VisitSummary) -> String {
    if v.calendar_trap_days > 0.0 {
        percent(v.effective_trap_days / v.calendar_trap_days)
    } else {
        "none".to_owned()
    }
}

fn plan_part(target: &TargetReport, key: usize) -> Markup {
    let Some(plan) = &target.plan else { return html! {} };
    html! {
        h3 { "Where the traps hang, and how good that is" }
        p {
            (plan.traps) " traps, chosen from " (whole(plan.candidates as f64)) " candidate places"
            @if let Some(s) = plan.seconds { " in " (format!("{s:.1}")) " s" }
            ". With fresh lures and no trap lost the plan reaches " (close(plan.objective))
            "; it is proved that no choice of " (plan.traps) " places can pass " (close(plan.bound))
            ", so it is within " strong { (percent(plan.gap())) } " of the best any plan could do."
        }
        figure {
            (chart::curve(plan, &format!("curve-{key}")))
            figcaption { "What more traps would bring, and what fewer would cost: programme sensitivity against number of traps." }
        }
    }
}

fn season_part(target: &TargetReport, key: usize) -> Markup {
    let Some(season) = &target.season else {
        return html! {};
    };
    html! {
        h3 { "The dated season" }
        (season_dates(season))
        figure {
            (chart::fortnights(&season.fortnights, &format!("flight-{key}")))
            figcaption { "When it flies, from the weather of " (season.years) ": median of the years." }
        }
        @if !season.supplies.is_empty() {
            (table(
                "Supplies to order",
                &[Column("What", false), Column("How many", true), Column("Reckoned from", false)],
                season.supplies.iter().map(|(a, b, c)| vec![words(sentence_case(a)), words(b), words(c)]).collect(),
            ))
        }
    }
}

/// What the dots of a reliability chart mean.
pub(crate) const RELIABILITY_WORDS: &str = "Of the simulated worlds in which a probability was stated, the share that was really free \
    of the target, with its exact 95 % interval. Dots on the dashed line are statements that were true; a hollow square lies off it.";

fn trial_part(target: &TargetReport, key: usize) -> Markup {
    let Some(trial) = &target.trial else {
        return html! {};
    };
    html! {
        h3 { "Tried on simulated incursions" }
        @for sentence in &trial.words { p { (sentence) } }
        @if !trial.curves.is_empty() {
            h3 { "Is it true what we state?" }
            @for (k, curve) in trial.curves.iter().enumerate() {
                figure {
                    div.multiples { (chart::reliability(curve, &format!("true-{key}-{k}"))) }
                    figcaption { (sentence_case(&curve.title)) ": " (curve.worlds) " statements. " (curve.traps) " " (RELIABILITY_WORDS) }
                }
            }
        }
        @if !trial.rests_on.is_empty() {
            p { "What the trial rests on:" }
            ul { @for line in &trial.rests_on { li { (line) } } }
        }
    }
}

fn season_dates(season: &SeasonPlan) -> Markup {
    let rows = season.dates.iter().map(|d| {
        let spread = if d.early == d.late {
            "same every year".to_owned()
        } else {
            format!("{} to {}", short_day(d.early), short_day(d.late))
        };
        vec![
            words(sentence_case(&d.what)),
            kept(day(d.median)),
            kept(spread),
            words(&d.why),
        ]
    });
    table(
        &format!(
            "Dates from heat sums, with their spread over the weather of {}",
            season.years
        ),
        &[
            Column("What", false),
            Column("When", false),
            Column("Over the years", false),
            Column("Rule", false),
        ],
        rows.collect(),
    )
}

fn parameters_part(target: &TargetReport) -> Markup {
    let rows = target.parameters.iter().map(|p| {
        let mark = html! { @if p.doubtful { span.mark { (p.mark) } } @else { (p.mark) } };
        vec![
            words(sentence_case(&p.name)),
            words(&p.value),
            mark,
            words(&p.source),
        ]
    });
    html! {
        @if !target.warnings.is_empty() {
            h3 { "Before leaning on these figures" }
            ul.warnings { @for w in &target.warnings { li { (w) } } }
        }
        @if !target.parameters.is_empty() {
            h3 { "Parameters and their sources" }
            (table(
                "Every number about the insect, its lure and its trap, and how it is known",
                &[Column("Parameter", false), Column("Value", false), Column("How known", false), Column("Source", false)],
                rows.collect(),
            ))
        }
    }
}

fn method_section(data: &ReportData) -> Markup {
    html! {
        h2 #methods { "How the figures are made" }
        @for (title, text) in &data.methods {
            h3 { (title) }
            p { (text) }
        }
        @if let Some(statement) = &data.invented {
            h3 { "What is invented" }
            p { (statement) }
        }
    }
}

fn caution_section(data: &ReportData) -> Markup {
    html! {
        @if !data.cautions.is_empty() {
            h2 #cautions { "Working safely" }
            ul.cautions { @for c in &data.cautions { li { (c) } } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample;
    use super::*;
    use crate::report::Band;

    #[test]
    fn the_page_asks_nothing_of_the_network_and_runs_no_script() {
        let page = html(&sample::report());
        for word in [
            "<script", "http://", "https://", "url(http", "@import", "<link", "<iframe", "src=",
        ] {
            assert!(!page.contains(word), "{word}");
        }
        assert!(page.starts_with("<!DOCTYPE html>"));
    }

    #[test]
    fn the_page_says_what_is_invented_and_says_nothing_when_nothing_is() {
        let mut data = sample::report();
        let statement = data.invented.clone().unwrap();
        assert!(html(&data).contains(&statement));
        data.invented = None;
        assert!(!html(&data).to_lowercase().contains("invented"));
    }

    #[test]
    fn the_plain_sentence_reads_as_it_should() {
        let data = sample::report();
        let mut target = data.targets[0].clone();
        target.design_flyers = Band {
            low: 200.0,
            median: 200.0,
            high: 200.0,
        };
        let mut zone = target.zones[0].clone();
        zone.sensitivity = Band {
            low: 0.66,
            median: 0.81,
            high: 0.90,
        };
        zone.free.clear();
        assert_eq!(
            plain_sentence(&target, &zone, &data),
            "If emerald ash borer had been in Northfield at the design size (200 flyers in the season), we'd have seen it \
             with probability 0.81 (0.66–0.90)."
        );
    }

    #[test]
    fn a_find_ends_the_claim_of_absence_in_its_zone() {
        let data = sample::report();
        let page = html(&data);
        let found = &data.targets[1];
        let zone = &found.finds[0].zone;
        assert!(page.contains("Found: "));
        assert!(page.contains("not stated: found"));
        assert!(!page.contains(&format!("If polyphagous shot hole borer had been in {zone}")));
    }

    #[test]
    fn text_is_escaped() {
        let mut data = sample::report();
        data.programme = "A & B <i>county</i>".to_owned();
        data.map.pathways[0].label = "<b>yard</b>".to_owned();
        let page = html(&data);
        assert!(page.contains("A &amp; B &lt;i&gt;county"));
        assert!(!page.contains("<b>yard"));
    }

    #[test]
    fn every_id_is_used_once_and_every_reference_leads_somewhere() {
        let page = html(&sample::report());
        let page: &str = &page;
        let after = |mark: &'static str| {
            page.match_indices(mark).map(move |(k, m)| {
                let rest = &page[k + m.len()..];
                &rest[..rest.find(['"', ')']).unwrap()]
            })
        };
        let ids: Vec<&str> = after(" id=\"").collect();
        let unique: std::collections::HashSet<&str> = ids.iter().copied().collect();
        assert_eq!(ids.len(), unique.len());
        for reference in after("href=\"#")
            .chain(after("aria-labelledby=\""))
            .chain(after("url(#"))
        {
            assert!(unique.contains(reference), "{reference}");
        }
    }

    #[test]
    fn an_empty_report_is_still_a_page() {
        let mut data = sample::report();
        data.map = super::super::MapBase::default();
        data.targets.clear();
        data.methods.clear();
        data.cautions.clear();
        let page = html(&data);
        assert!(page.ends_with("</html>"));
        assert!(!page.contains("NaN"));
    }

    #[test]
    fn a_target_without_records_says_so_and_draws_no_nonsense() {
        let mut data = sample::report();
        for t in &mut data.targets {
            t.cells.clear();
            t.hosts.clear();
            t.finds.clear();
            for z in &mut t.zones {
                z.free.clear();
                z.found = false;
            }
            if let Some(plan) = &mut t.plan {
                plan.curve.clear();
                plan.bound = 0.0;
                plan.objective = 0.0;
            }
            if let Some(season) = &mut t.season {
                season.fortnights.clear();
            }
        }
        let page = html(&data);
        assert!(page.contains("No visits are recorded yet."));
        assert!(page.contains("No flight is expected"));
        assert!(!page.contains("NaN") && !page.contains(">inf"));
    }

    /// Writes the sample report for looking at: `EARLYWOOD_SAMPLE=/tmp/sample.html cargo test -p earlywood sample_page`.
    #[test]
    fn sample_page_is_written_when_asked_for() {
        let page = html(&sample::report());
        assert!(page.len() < 3_000_000, "{} bytes", page.len());
        if let Some(path) = std::env::var_os("EARLYWOOD_SAMPLE") {
            std::fs::write(path, page).unwrap();
        }
    }
}
