//! `earlywood season`: the dated plan of a year.

use anyhow::{Result, bail};
use clap::Args;
use earlywood_chain::season::{Order, date_rows, orders, planned_traps, years_words};
use earlywood_model::phenology::{Basis, SeasonOptions, SeasonPlan, SeasonSpan, Spread, season_plan};
use jiff::civil::Date;
use serde_json::json;

use crate::FileArg;
use crate::chain::tell;
use crate::number;
use crate::out::{Form, table};

#[derive(Args)]
pub(crate) struct SeasonArgs {
    #[command(flatten)]
    file: FileArg,
    /// The year to plan. Its own weather is used as far as it is loaded, past years for the rest.
    #[arg(long, value_name = "Y")]
    year: i16,
    /// Target, by id; the programme's only one when left out.
    #[arg(long, value_name = "T")]
    target: Option<String>,
    /// Weather station; the only one when left out.
    #[arg(long)]
    station: Option<String>,
    /// Traps to supply; those of the latest saved plan when left out.
    #[arg(long, value_name = "K")]
    traps: Option<u32>,
    /// Days before first flight by which traps hang.
    #[arg(long, value_name = "DAYS", default_value = "14")]
    lead: u32,
    /// Supplies to order on top, for spoilage and loss, as a share.
    #[arg(long, value_name = "SHARE", default_value = "0.1", value_parser = number::not_negative, allow_negative_numbers = true)]
    spare: f64,
}

pub(crate) fn run(args: SeasonArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let profile = earlywood_chain::target_or_only(&programme, args.target.as_deref())?;
    let mut notes = Vec::new();
    let series = earlywood_chain::weather::series(&programme, args.station.as_deref(), &mut notes)?;
    tell(&notes);
    if !(1900..=2200).contains(&args.year) {
        bail!(
            "--year {} is not a year this program plans for (1900 to 2200)",
            args.year
        );
    }
    let options = SeasonOptions {
        hang_lead_days: args.lead,
        ..SeasonOptions::default()
    };
    let plan = season_plan(&profile, &series, SeasonSpan::Year(args.year), options)?;
    let traps = match args.traps {
        Some(k) => k,
        None => planned_traps(&programme, &profile.id)?,
    };
    tell(&plan.warnings);
    let orders = orders(&plan, traps, args.spare)?;
    form.say(
        || words(&plan, &profile.common_name, traps, &orders),
        || {
            let mut answer = json!({ "plan": plan, "traps": traps });
            answer["order"] = orders
                .iter()
                .map(|o| (o.what.to_string(), json!(o.quantity)))
                .collect::<serde_json::Map<_, _>>()
                .into();
            answer
        },
    )
}

fn dates(what: &str, spread: &Spread<Date>) -> Vec<String> {
    [what.to_string()]
        .into_iter()
        .chain(
            [spread.min, spread.p05, spread.median, spread.p95, spread.max]
                .iter()
                .map(Date::to_string),
        )
        .collect()
}

/// What the plan rests on, in words.
fn basis_words(plan: &SeasonPlan) -> String {
    let span = years_words(plan);
    match plan.basis {
        Basis::Observed => format!("this season's own weather, {span}"),
        Basis::Forecast { observed_days: 0 } => format!("past weather, {span}"),
        Basis::Forecast { observed_days } => {
            format!("{observed_days} days of this season's weather, continued by each of {span}")
        }
        Basis::Past => format!("past weather, {span}"),
    }
}

fn words(plan: &SeasonPlan, common_name: &str, traps: u32, orders: &[Order]) -> String {
    let mut lines = vec![
        format!("{common_name}, season {}, from {}.", plan.year, basis_words(plan)),
        String::new(),
    ];
    let rows: Vec<Vec<String>> = date_rows(plan).iter().map(|(what, d)| dates(what, d)).collect();
    if rows.is_empty() {
        lines.push("In this weather nothing flies: no trap need hang.".into());
        return lines.join("\n");
    }
    lines.push(table(&["", "earliest", "5 %", "median", "95 %", "latest"], &rows));
    lines.push(String::new());
    let share = |v: f64| format!("{:.1} %", 100.0 * v);
    let flight: Vec<Vec<String>> = plan
        .spread
        .fortnights
        .iter()
        .filter(|f| f.share.max >= 0.0005)
        .map(|f| {
            vec![
                f.from.to_string(),
                f.to.to_string(),
                share(f.share.p05),
                share(f.share.median),
                share(f.share.p95),
            ]
        })
        .collect();
    lines.push(table(
        &["fortnight from", "to", "flight 5 %", "median", "95 %"],
        &flight,
    ));
    lines.push(String::new());
    if traps == 0 {
        lines.push("No plan is saved for this target; --traps K reckons supplies.".into());
    } else {
        let rows: Vec<Vec<String>> = orders
            .iter()
            .map(|o| {
                vec![
                    o.what.to_string(),
                    format!("{:.0}", o.each),
                    o.quantity.to_string(),
                ]
            })
            .collect();
        lines.push(table(
            &["to order", "each trap", &format!("for {traps} traps")],
            &rows,
        ));
    }
    lines.join("\n")
}
