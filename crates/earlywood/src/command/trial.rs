//! `earlywood trial`: would the plan find an incursion, how soon and how small; and is what we state true?

use anyhow::{Result, bail};
use clap::{Args, ValueEnum};
use earlywood_chain::ground::Ground;
use earlywood_chain::trial::{Answer, Asked, Given, Named, Question, state};
use earlywood_chain::wording::{ground_unit, share};
use earlywood_journal::Programme;
use earlywood_model::assurance::Band;
use earlywood_model::profile::TargetProfile;
use earlywood_model::reliability::{Bin, Difference};
use earlywood_model::trial::{Against, Curve, Kind, PlanResult, Presence, PriorOf};
use jiff::civil::Date;
use serde_json::json;

use crate::FileArg;
use crate::chain::{GroundArgs, tell};
use crate::number;
use crate::out::{Form, table};

#[derive(Clone, Copy, ValueEnum)]
enum KindArg {
    /// Founders that arrive, grow and spread.
    Growing,
    /// The design incursion of the assurance: so many flyers in one cell, no growth, no spread.
    Design,
}

#[derive(Clone, Copy, ValueEnum)]
enum PriorArg {
    /// Drawn anew in every world, 0 to 1, and told to the statement: low and high statements all come about.
    Spread,
    /// The profile's.
    Profile,
}

#[derive(Args)]
pub(crate) struct TrialArgs {
    #[command(flatten)]
    file: FileArg,
    /// Target, by id; the programme's only one when left out.
    #[arg(long, value_name = "T")]
    target: Option<String>,
    /// Weather station; the only one when left out.
    #[arg(long)]
    station: Option<String>,
    #[command(flatten)]
    ground: GroundArgs,
    /// Simulated worlds.
    #[arg(long, value_name = "N", default_value = "1000", value_parser = worlds)]
    replicates: u32,
    /// The plan tried: latest, plan-1, plan-2 ..., hanging, or recorded; when left out the plan saved last, else the traps that hang.
    #[arg(long, value_name = "NAME", value_parser = Named::parse)]
    plan: Option<Named>,
    /// Another plan, tried in the very same worlds.
    #[arg(long, value_name = "NAME", value_parser = Named::parse)]
    against: Option<Named>,
    /// Year in which the first season starts; that of the last day of weather when left out.
    #[arg(long, value_name = "Y")]
    year: Option<i16>,
    /// Seasons played; an incursion is there on the first day of the first.
    #[arg(long, value_name = "N", default_value = "3", value_parser = clap::value_parser!(u8).range(1..=20))]
    seasons: u8,
    /// The day up to which records count; today when left out.
    #[arg(long, value_name = "D")]
    on: Option<Date>,
    /// Seed of all luck.
    #[arg(long, default_value = "1")]
    seed: u64,
    /// What the incursions are.
    #[arg(long, value_enum, default_value = "growing")]
    incursion: KindArg,
    /// Let worlds be free or infested as the profile believes, instead of an incursion in each.
    #[arg(long)]
    as_believed: bool,
    /// An incursion grows no further than so many flyers a generation.
    #[arg(long, value_name = "N", default_value = "20000", value_parser = clap::value_parser!(u32).range(1..=10_000_000))]
    most_insects: u32,
    /// Hold what the assurance states of the plan's first season against what is so, in as many worlds.
    #[arg(long)]
    calibration: bool,
    /// Prior of each world of the calibration.
    #[arg(long, value_enum, default_value = "spread", requires = "calibration")]
    prior: PriorArg,
    /// Parameter draws behind each statement of the calibration.
    #[arg(long, value_name = "N", default_value = "100", requires = "calibration", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    draws: u32,
    /// Flyers that begin an incursion, in place of the profile's.
    #[arg(long, value_name = "N", value_parser = number::positive, allow_negative_numbers = true)]
    founders: Option<f64>,
    /// Flyers of the next generation for each one, in place of the profile's.
    #[arg(long, value_name = "R", value_parser = number::positive, allow_negative_numbers = true)]
    growth: Option<f64>,
    /// Mean spread of a generation, metres, in place of the profile's.
    #[arg(long, value_name = "M", value_parser = number::positive, allow_negative_numbers = true)]
    spread_m: Option<f64>,
    /// Days from the look to the specimen's name, in place of the profile's.
    #[arg(long, value_name = "DAYS", value_parser = number::not_negative, allow_negative_numbers = true)]
    naming_days: Option<f64>,
    /// Days between looks, in place of the profile's.
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..=366))]
    look_every: Option<u32>,
    /// Days by which every visit comes late.
    #[arg(long, value_name = "DAYS", value_parser = number::not_negative, allow_negative_numbers = true)]
    late_days: Option<f64>,
    /// Share of visits that do not reach the trap; the record's when left out.
    #[arg(long, value_name = "SHARE", value_parser = number::share, allow_negative_numbers = true)]
    not_reached: Option<f64>,
    /// Share of visits that find the trap impaired; the record's when left out.
    #[arg(long, value_name = "SHARE", value_parser = number::share, allow_negative_numbers = true)]
    impaired: Option<f64>,
    /// Crew hours of one visit, on top of what the places cost.
    #[arg(long, value_name = "HOURS", value_parser = number::not_negative, allow_negative_numbers = true)]
    visit_hours: Option<f64>,
}

fn worlds(text: &str) -> Result<u32, String> {
    match text.parse::<u32>() {
        Ok(n) if (1..=1_000_000).contains(&n) => Ok(n),
        Ok(_) => Err(format!("{text} worlds can't be tried; write 1 to 1000000")),
        Err(_) => Err(format!("{text:?} is no whole number of worlds")),
    }
}

pub(crate) fn run(args: TrialArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let profile = earlywood_chain::target_or_only(&programme, args.target.as_deref())?;
    let mut notes = Vec::new();
    let series = earlywood_chain::weather::series(&programme, args.station.as_deref(), &mut notes)?;
    let ground = Ground::of(&programme, profile, args.ground.into())?;
    notes.extend(ground.cells.notes.iter().cloned());
    let year = args
        .year
        .unwrap_or_else(|| ground.params.heat.season_of(series.last()));
    if !(1900..=2200).contains(&year) {
        bail!("--year {year} is not a year this program plans for (1900 to 2200)");
    }
    let on = args.on.unwrap_or_else(super::today);
    let asked = Asked {
        plan: args.plan,
        against: args.against,
        year,
        seasons: args.seasons,
        on,
        replicates: args.replicates,
        seed: args.seed,
        kind: match args.incursion {
            KindArg::Growing => Kind::Growing,
            KindArg::Design => Kind::Design,
        },
        presence: if args.as_believed {
            Presence::Believed
        } else {
            Presence::Certain
        },
        most_insects: args.most_insects,
        given: Given {
            founders: args.founders,
            growth: args.growth,
            spread_m: args.spread_m,
            naming_days: args.naming_days,
            look_every_days: args.look_every,
            late_days: args.late_days,
            not_reached: args.not_reached,
            impaired: args.impaired,
            visit_hours: args.visit_hours,
        },
    };
    let question = Question::of(&programme, &ground, &series, &asked, &mut notes)?;
    tell(&notes);
    let prior = match args.prior {
        PriorArg::Spread => PriorOf::Spread,
        PriorArg::Profile => PriorOf::Profile,
    };
    let calibration = args.calibration.then_some((args.draws, prior));
    let answer = answer(&programme, &question, calibration)?;
    form.say(|| words(&answer, &ground.profile), || json!(answer))
}

/// Plays the trial, and the calibration with so many draws a statement and such a prior where it is asked for.
pub(crate) fn answer(
    programme: &Programme,
    question: &Question,
    calibration: Option<(u32, PriorOf)>,
) -> Result<Answer> {
    Ok(Answer {
        programme: programme.id()?.to_string(),
        state: state(programme)?,
        trial: question.trial()?,
        calibration: match calibration {
            Some((draws, prior)) => question.calibration(draws, prior)?,
            None => Vec::new(),
        },
        rests_on: question.rests_on(),
        version: env!("CARGO_PKG_VERSION").to_string(),
    })
}

fn words(answer: &Answer, profile: &TargetProfile) -> String {
    let trial = &answer.trial;
    let s = &trial.settings;
    let mut lines = vec![
        format!(
            "{}: {} simulated worlds, {} infested, {} to {}, seed {}.",
            profile.common_name, s.replicates, trial.infested, s.from, s.to, s.seed
        ),
        profile.caution.clone(),
    ];
    if trial.died_out > 0 {
        lines.push(format!(
            "In {} of them it died out by itself before anybody knew.",
            trial.died_out
        ));
    }
    if trial.capped > 0 {
        lines.push(format!(
            "In {} of them it came up against {} flyers a generation, and was let grow no further.",
            trial.capped, s.most_insects
        ));
    }
    for plan in &trial.plans {
        lines.push(String::new());
        lines.extend(of_plan(plan));
    }
    if let Some(against) = &trial.against {
        lines.push(String::new());
        lines.extend(compared(against));
    }
    for curve in &answer.calibration {
        lines.push(String::new());
        lines.extend(calibrated(curve));
    }
    lines.push(String::new());
    lines.push("What the figures rest on:".into());
    lines.extend(answer.rests_on.iter().map(|l| format!("  {l}")));
    lines.join("\n")
}

/// A median with its band; the unit says how finely.
fn spread(band: Option<Band>, unit: &str) -> String {
    let digits = if unit == "ha" { 2 } else { 0 };
    band.map_or("-".into(), |b| {
        format!(
            "{:.digits$} {unit} ({:.digits$} to {:.digits$})",
            b.median, b.p05, b.p95
        )
    })
}

fn ground(area_m2: Option<Band>) -> String {
    let (scale, unit) = ground_unit(area_m2.map_or(0.0, |area| area.median));
    let scaled = area_m2.map(|b| Band {
        p05: scale * b.p05,
        median: scale * b.median,
        p95: scale * b.p95,
    });
    spread(scaled, unit)
}

fn of_plan(plan: &PlanResult) -> Vec<String> {
    let d = &plan.detected;
    let mut lines = vec![format!(
        "{} ({} traps): found in {} of {} infested worlds, a share of {} (95 % interval {} to {}). Cost {:.1} crew hours.",
        plan.name,
        plan.traps,
        d.worlds,
        d.of,
        share(d.share),
        share(d.interval.0),
        share(d.interval.1),
        plan.cost
    )];
    if d.worlds > 0 {
        lines.push("  Where it was found, in the middle (5 to 95 % of worlds):".into());
        lines.push(format!(
            "    first insect in a trap after {}; known after {}; in generation {}.",
            spread(plan.first_catch_days, "days"),
            spread(plan.known_days, "days"),
            spread(plan.generations, "").replace("  ", " ")
        ));
        lines.push(format!(
            "    by then {}, on {} and {}, at most {} from where it began.",
            spread(plan.insects, "flyers"),
            spread(plan.cells, "cells"),
            ground(plan.area_m2),
            spread(plan.radius_m, "m")
        ));
    }
    lines
}

fn compared(a: &Against) -> Vec<String> {
    let row = |what: &str, d: &Difference, scale: f64, digits: usize| {
        let figure = |v: f64| format!("{:+.digits$}", scale * v);
        let clear = if d.low > 0.0 || d.high < 0.0 {
            ""
        } else {
            "no clear difference"
        };
        vec![
            format!("  {what}"),
            figure(d.mean),
            format!("{} to {}", figure(d.low), figure(d.high)),
            clear.to_string(),
        ]
    };
    let rows = [
        row("share found, points", &a.detected, 100.0, 2),
        row("days until known", &a.days, 1.0, 1),
        row("flyers by then", &a.insects, 1.0, 1),
        row("ground by then, ha", &a.area_m2, 1e-4, 2),
        row("cost, crew hours", &a.cost, 1.0, 1),
    ];
    vec![
        format!(
            "{} less {}, in the same {} worlds (a miss counts to the trial's end):",
            a.second, a.first, a.detected.pairs
        ),
        table(&["  what", "difference", "95 % interval", ""], &rows),
    ]
}

fn calibrated(curve: &Curve) -> Vec<String> {
    let rows: Vec<Vec<String>> = curve.bins.iter().filter(|b| b.worlds > 0).map(of_bin).collect();
    let said = curve.worlds - curve.found;
    let check = &curve.sensitivity;
    let traps = check.mean_stated.map(|mean| {
        format!(
            "  Of {} worlds infested all season {:.1} % were found by the day asked about (95 % interval {:.1} to {:.1} %); stated \
             was {:.1} % on average{}.",
            check.found.of,
            100.0 * check.found.share,
            100.0 * check.found.interval.0,
            100.0 * check.found.interval.1,
            100.0 * mean,
            if check.agrees() == Some(false) { ": off" } else { "" }
        )
    });
    let mut lines = vec![format!(
        "Is it true what we state? {} in {}; of {said} nothing was found, and stated was:",
        curve.worlds,
        curve.truth.words()
    )];
    if rows.is_empty() {
        lines.push("  nothing".into());
    } else {
        lines.push(table(
            &[
                "  stated P(free)",
                "worlds",
                "mean stated",
                "really free",
                "95 % interval",
                "",
            ],
            &rows,
        ));
    }
    lines.extend(traps);
    lines
}

fn of_bin(bin: &Bin) -> Vec<String> {
    let (low, high) = bin.interval.unwrap_or((0.0, 1.0));
    vec![
        format!("  {:.1} to {:.1}", bin.from, bin.to),
        bin.worlds.to_string(),
        format!("{:.3}", bin.mean_stated.unwrap_or(0.0)),
        format!("{:.3}", bin.free as f64 / bin.worlds as f64),
        format!("{low:.3} to {high:.3}"),
        match bin.agrees() {
            Some(false) => "off".into(),
            _ => String::new(),
        },
    ]
}
