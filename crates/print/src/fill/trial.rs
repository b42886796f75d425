//! A trial's answer, as `earlywood trial --json` wrote it, into the season report.

use earlywood_chain::ChainError;
use earlywood_chain::trial::{Answer, state};
use earlywood_chain::wording::ground_unit;
use earlywood_journal::Programme;
use earlywood_model::assurance::Band;
use earlywood_model::trial::{Curve, PlanResult};

use crate::report::{ReportData, TrialCurve, TrialPoint, TrialResult};

/// Puts a trial into the section of its target.
///
/// # Errors
/// A trial of another programme, or of a target the report does not cover; a programme that can't be read.
pub fn add(programme: &Programme, data: &mut ReportData, answer: &Answer) -> Result<(), ChainError> {
    let id = programme.id()?.to_string();
    if answer.programme != id {
        return Err(ChainError::asked(
            "trial",
            "this trial was run on another programme",
        ));
    }
    let profile = earlywood_chain::target(programme, &answer.trial.target)?;
    let Some(section) = data
        .targets
        .iter_mut()
        .find(|t| t.common_name == profile.common_name)
    else {
        return Err(ChainError::asked(
            "trial",
            format!(
                "the trial is about {}, which this report does not cover",
                profile.common_name
            ),
        ));
    };
    let same = answer.state == state(programme)?;
    section.trial = Some(result(answer, same));
    Ok(())
}

fn result(answer: &Answer, same_record: bool) -> TrialResult {
    let trial = &answer.trial;
    let s = &trial.settings;
    let mut words = vec![format!(
        "{} simulated worlds, {} of them infested, from {} to {} (seed {}). {}",
        s.replicates,
        trial.infested,
        s.from,
        s.to,
        s.seed,
        if same_record {
            "The record stands as it did when the trial was run."
        } else {
            "The record has changed since the trial was run: run it again before leaning on it."
        }
    )];
    words.extend(trial.plans.iter().map(plan));
    if trial.died_out > 0 {
        words.push(format!(
            "In {} worlds the incursion died out by itself before anybody knew.",
            trial.died_out
        ));
    }
    if let Some(a) = &trial.against {
        words.push(format!(
            "{} less {}, in the same worlds: share found {:+.1} points (95 % interval {:+.1} to {:+.1}); days until known, a miss \
             counted to the end, {:+.0} ({:+.0} to {:+.0}); cost {:+.1} crew hours.",
            a.second,
            a.first,
            100.0 * a.detected.mean,
            100.0 * a.detected.low,
            100.0 * a.detected.high,
            a.days.mean,
            a.days.low,
            a.days.high,
            a.cost.mean
        ));
    }
    TrialResult {
        words,
        curves: answer.calibration.iter().map(curve).collect(),
        rests_on: answer.rests_on.clone(),
    }
}

fn plan(p: &PlanResult) -> String {
    let d = &p.detected;
    let band = |b: Option<Band>, scale: f64, unit: &str| {
        b.map_or_else(String::new, |b| {
            let scaled = |v: f64| {
                let v = v * scale;
                if v < 10.0 {
                    format!("{v:.1}")
                } else {
                    format!("{v:.0}")
                }
            };
            format!(
                "{} {unit} ({} to {})",
                scaled(b.median),
                scaled(b.p05),
                scaled(b.p95)
            )
        })
    };
    let found = format!(
        "{} with {} traps found it in {} of {} ({:.1} %, 95 % interval {:.1} to {:.1} %).",
        p.name,
        p.traps,
        d.worlds,
        d.of,
        100.0 * d.share,
        100.0 * d.interval.0,
        100.0 * d.interval.1
    );
    if d.worlds == 0 {
        return found;
    }
    let (scale, unit) = ground_unit(p.area_m2.map_or(0.0, |area| area.median));
    format!(
        "{found} Where it did, it was known after {}, when the incursion had {} on {}: medians, with what lies between 5 and 95 % of \
         those worlds.",
        band(p.known_days, 1.0, "days"),
        band(p.insects, 1.0, "flyers"),
        band(p.area_m2, scale, unit)
    )
}

fn curve(c: &Curve) -> TrialCurve {
    let points = c.bins.iter().filter_map(|b| {
        Some(TrialPoint {
            bin: (b.from, b.to),
            worlds: b.worlds,
            stated: b.mean_stated?,
            free: b.free as f64 / b.worlds as f64,
            interval: b.interval?,
        })
    });
    TrialCurve {
        title: c.truth.words().to_string(),
        worlds: c.worlds - c.found,
        traps: traps(c),
        points: points.collect(),
    }
}

/// Stated sensitivity against finds, in a sentence.
fn traps(c: &Curve) -> String {
    let check = &c.sensitivity;
    let Some(mean) = check.mean_stated else {
        return "No world was infested all season.".to_owned();
    };
    format!(
        "Of {} worlds infested all season {:.1} % were found (95 % interval {:.1} to {:.1} %); stated was {:.1} % on average{}.",
        check.found.of,
        100.0 * check.found.share,
        100.0 * check.found.interval.0,
        100.0 * check.found.interval.1,
        100.0 * mean,
        if check.agrees() == Some(false) {
            ", which is off"
        } else {
            ""
        }
    )
}
