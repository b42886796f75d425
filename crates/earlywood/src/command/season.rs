//! `earlywood season`: the dated plan of a year.

use anyhow::{Result, bail};
use clap::Args;
use earlywood_journal::Programme;
use earlywood_model::phenology::{
    Basis, SeasonOptions, SeasonPlan, SeasonSpan, Spread, Supplies, season_plan,
};
use jiff::civil::Date;
use serde_json::json;

use crate::FileArg;
use crate::number;
use crate::out::{Form, note, table};

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
    let profile = crate::chain::target_or_only(&programme, args.target.as_deref())?;
    let series = crate::chain::weather::series(&programme, args.station.as_deref())?;
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
    plan.warnings.iter().for_each(|w| note(w));
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

/// Traps in the latest plan saved for the target.
pub(crate) fn planned_traps(programme: &Programme, target: &str) -> Result<u32> {
    let latest = programme.plans()?.into_iter().rfind(|p| p.value.target == target);
    Ok(latest.map_or(0, |p| u32::try_from(p.value.places.len()).unwrap_or(u32::MAX)))
}

/// One line of the order.
pub(crate) struct Order {
    pub(crate) what: &'static str,
    pub(crate) each: f64,
    pub(crate) quantity: u64,
}

/// Supplies for so many traps: the 95th percentile over the years, a share on top for spoilage and loss.
pub(crate) fn orders(plan: &SeasonPlan, traps: u32, spare: f64) -> Result<Vec<Order>> {
    let of = |what, count: fn(&Supplies) -> u32| -> Result<Order> {
        let order = plan.to_order(count, traps, spare)?;
        Ok(Order {
            what,
            each: order.each,
            quantity: order.quantity,
        })
    };
    [
        of("lures", |s| s.lures),
        of("sticky inserts", |s| s.inserts),
        of("killing agents", |s| s.killing_agent),
        of("trap bodies", |s| s.bodies),
    ]
    .into_iter()
    .collect()
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

/// The dates of a plan with their spread: what, earliest, 5 %, median, 95 %, latest.
pub(crate) fn date_rows(plan: &SeasonPlan) -> Vec<(String, Spread<Date>)> {
    let s = &plan.spread;
    let mut rows: Vec<(String, Spread<Date>)> = [
        ("hang the traps by", s.hang),
        ("first flight", s.first_flight),
        ("peak flight", s.peak_flight),
        ("half flown", s.half_flown),
    ]
    .into_iter()
    .filter_map(|(what, spread)| spread.map(|d| (what.to_string(), d)))
    .collect();
    rows.extend(
        s.lure_changes
            .iter()
            .enumerate()
            .map(|(i, d)| (format!("lure change {}", i + 1), *d)),
    );
    rows.extend(s.take_down.map(|d| ("take down from".to_string(), d)));
    rows
}

/// The years of weather a plan rests on, in words.
pub(crate) fn years_words(plan: &SeasonPlan) -> String {
    let years: Vec<i16> = plan.rows.iter().map(|r| r.weather_year).collect();
    match (years.first(), years.last()) {
        (Some(a), Some(b)) if a != b => format!("{a} to {b} ({} years)", years.len()),
        (Some(a), _) => a.to_string(),
        _ => "no years".into(),
    }
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
