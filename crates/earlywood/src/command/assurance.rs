//! `earlywood assurance`: is it here, and how sure are we?

use anyhow::{Result, bail};
use clap::Args;
use earlywood_chain::assure::{Asked, Question, suspects_words};
use earlywood_chain::ground::Ground;
use earlywood_chain::wording::{band, component_words, sentence};
use earlywood_model::assurance::{Assurance, ZoneAssurance};
use earlywood_model::profile::TargetProfile;
use jiff::civil::Date;
use serde_json::json;

use crate::FileArg;
use crate::chain::{GroundArgs, tell};
use crate::out::{Form, note, table};

#[derive(Args)]
pub(crate) struct AssuranceArgs {
    #[command(flatten)]
    file: FileArg,
    /// Only this zone.
    #[arg(long, value_name = "Z")]
    zone: Option<String>,
    /// The day asked about; today when left out.
    #[arg(long, value_name = "D")]
    on: Option<Date>,
    /// Target, by id; the programme's only one when left out.
    #[arg(long, value_name = "T")]
    target: Option<String>,
    /// Weather station; the only one when left out.
    #[arg(long)]
    station: Option<String>,
    #[command(flatten)]
    ground: GroundArgs,
    /// Draws of the uncertain parameters behind every band.
    #[arg(long, value_name = "N", default_value = "1000", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    draws: u32,
    /// Seed of the draws.
    #[arg(long, default_value = "1")]
    seed: u64,
}

pub(crate) fn run(args: AssuranceArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let profile = earlywood_chain::target_or_only(&programme, args.target.as_deref())?;
    let mut notes = Vec::new();
    let series = earlywood_chain::weather::series(&programme, args.station.as_deref(), &mut notes)?;
    let ground = Ground::of(&programme, profile, args.ground.into())?;
    notes.extend(ground.cells.notes.iter().cloned());
    let on = args.on.unwrap_or_else(super::today);
    if on > super::today() {
        bail!("--on {on} lies in the future; assurance rests on visits made");
    }
    let question = Question::of(
        &programme,
        &ground,
        &series,
        Asked {
            on,
            draws: args.draws,
            seed: args.seed,
        },
        &mut notes,
    )?;
    tell(&notes);
    if question.is_of_nothing() {
        note("no trap for this target hung in the season: the figures are those of not looking");
    }
    if let Some(words) = suspects_words(question.open_suspects) {
        note(&words);
    }
    let mut answer = question.answer(&ground)?;
    if let Some(zone) = &args.zone {
        let labels: Vec<String> = answer.zones.iter().map(|z| z.zone.clone()).collect();
        answer.zones.retain(|z| &z.zone == zone);
        if answer.zones.is_empty() {
            bail!("no zone {zone:?}; there are {}", labels.join(", "));
        }
    }
    tell(&answer.warnings);
    form.say(
        || words(&answer, &ground.profile, ground.params.flyers),
        || {
            let mut told = json!(answer);
            told["open_suspects"] = json!(question.open_suspects);
            told
        },
    )
}

fn words(answer: &Assurance, profile: &TargetProfile, flyers: f64) -> String {
    let mut lines = vec![
        format!(
            "{} on {}; flight so far {} of the year's.",
            profile.common_name,
            answer.as_of,
            band(answer.flight_to_date)
        ),
        profile.caution.clone(),
    ];
    for zone in &answer.zones {
        lines.push(String::new());
        lines.push(sentence(zone, &profile.common_name, flyers));
        lines.extend(details(zone));
    }
    lines.join("\n")
}

fn details(zone: &ZoneAssurance) -> Vec<String> {
    let mut lines = vec![format!(
        "  {} traps; {:.0} trap-days on the calendar, {:.0} effective, {:.0} more wait for a look; {:.0} % of the risk within reach.",
        zone.placements,
        zone.calendar_trap_days,
        zone.effective_trap_days,
        zone.waiting_trap_days.max(0.0),
        100.0 * zone.covered_weight
    )];
    if !zone.components.is_empty() {
        let mut rows: Vec<Vec<String>> = zone
            .components
            .iter()
            .map(|c| {
                vec![
                    format!("  {}", component_words(c)),
                    band(c.sensitivity),
                    c.p_free.map_or_else(String::new, band),
                ]
            })
            .collect();
        if let Some(last) = zone.periods.last() {
            rows.push(vec![
                "  together".into(),
                band(last.sensitivity),
                last.p_free.map_or_else(String::new, band),
            ]);
        }
        lines.push(table(&["  evidence", "would have seen it", "absent"], &rows));
    }
    let costs: Vec<String> = zone
        .losses
        .iter()
        .take(3)
        .map(|l| format!("{} {:.2} points", l.cause.words(), 100.0 * l.sensitivity))
        .collect();
    if !costs.is_empty() {
        lines.push(format!("  What cost most: {}.", costs.join("; ")));
    }
    let rows: Vec<Vec<String>> = zone
        .next_visits
        .iter()
        .take(5)
        .map(|v| {
            vec![
                format!("  {}", v.label),
                format!("{:+.2} points", 100.0 * v.from_look),
                format!("{:+.2} points", 100.0 * v.from_renewal),
                v.last_look.map_or("never looked at".into(), |d| d.to_string()),
            ]
        })
        .collect();
    if !rows.is_empty() {
        lines.push(table(
            &["  next visits", "a look adds", "renewal adds later", "last look"],
            &rows,
        ));
    }
    lines
}
