//! `earlywood plant`: marked specimens put into traps, to learn how many are seen.

use anyhow::Result;
use clap::{Args, Subcommand};
use earlywood_journal::Planting;
use jiff::civil::Date;
use serde_json::json;

use super::record::{AnyActor, Desk};
use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct PlantArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// Write down a planted specimen, sealed: crews' copies are not given what it says.
    Add(Add),
    /// Say how a planting ended.
    Close(Close),
    /// List plantings (for lead, supervisor and identifier).
    List,
    /// How many planted specimens came back, with an exact one-sided bound.
    Recovery {
        /// Planted on or after this day.
        #[arg(long)]
        from: Option<Date>,
        /// Planted on or before this day.
        #[arg(long)]
        to: Option<Date>,
        /// Confidence of the bound, between 0 and 1.
        #[arg(long, value_parser = crate::number::share, default_value = "0.95")]
        confidence: f64,
    },
}

#[derive(Args)]
struct Add {
    /// Label of the planting.
    planting: String,
    /// The trap.
    #[arg(long)]
    trap: String,
    /// Day; today when left out.
    #[arg(long)]
    on: Option<Date>,
    /// Species planted.
    #[arg(long)]
    species: String,
    /// How it is marked.
    #[arg(long)]
    mark: String,
    /// Labels on the planted specimens.
    #[arg(long, required = true, num_args = 1.., value_delimiter = ',')]
    specimens: Vec<String>,
}

#[derive(Args)]
struct Close {
    /// Label of the planting.
    planting: String,
    /// The specimen that was found and is the planted one.
    #[arg(long, required_unless_present_any = ["missed", "lost"], conflicts_with_all = ["missed", "lost"])]
    recovered: Option<String>,
    /// It was there and nobody saw it.
    #[arg(long, conflicts_with = "lost")]
    missed: bool,
    /// It was lost with its trap or otherwise: that says nothing about looking.
    #[arg(long)]
    lost: bool,
    /// Day; today when left out.
    #[arg(long)]
    on: Option<Date>,
}

pub(crate) fn run(args: PlantArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    let act = args.actor.act()?;
    match args.what {
        What::Add(it) => {
            let planting = Planting {
                salt: format!("{:032x}", rand::random::<u128>()),
                planting: it.planting,
                trap: it.trap,
                date: it.on.unwrap_or_else(super::today),
                species: it.species,
                mark: it.mark,
                specimens: it.specimens,
                by: args.actor.who().to_owned(),
            };
            let receipt = desk.open()?.plant(&act, &planting)?;
            desk.receipt(&receipt)
        }
        What::Close(it) => {
            let outcome = match it.recovered {
                Some(specimen) => json!({"is": "recovered", "specimen": specimen}),
                None if it.missed => json!({"is": "missed"}),
                None => json!({"is": "lost"}),
            };
            let date = it.on.unwrap_or_else(super::today);
            let body =
                json!({"planting": it.planting, "outcome": outcome, "by": args.actor.who(), "date": date});
            desk.record("planting-closed", 1, &body)
        }
        What::List => desk.list(
            "plantings",
            &desk.read()?.plantings(&act)?,
            "Nothing was planted.",
        ),
        What::Recovery { from, to, confidence } => desk.show(
            &desk.read()?.planted_recovery(&act, from, to, confidence)?,
            "nothing",
        ),
    }
}
