//! `earlywood supply`: lures, inserts and the rest, lot by lot.

use anyhow::Result;
use clap::{Args, Subcommand};
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::record::{AnyActor, Desk};
use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct SupplyArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: What,
}

/// What happened to a lot; the names are those of the entry.
#[derive(Subcommand, Serialize)]
#[serde(tag = "is")]
enum What {
    /// A lot came in.
    #[command(name = "receive")]
    #[serde(rename = "received")]
    Receive {
        /// Label of the lot.
        #[serde(skip)]
        lot: String,
        /// lure, insert, killing-agent, body, pole or other.
        #[arg(long)]
        item: String,
        /// Pieces.
        #[arg(long)]
        quantity: u32,
        /// Target id it is for.
        #[arg(long)]
        target: Option<String>,
        /// Day it was made.
        #[arg(long)]
        made: Option<Date>,
        /// Day after which it must not be used.
        #[arg(long)]
        expires: Option<Date>,
        /// Where it is kept.
        #[arg(long)]
        storage: Option<String>,
        /// At how many degrees Celsius.
        #[arg(long, allow_negative_numbers = true)]
        storage_c: Option<f64>,
    },
    /// A lot was put somewhere else.
    #[command(name = "store")]
    #[serde(rename = "stored")]
    Store {
        /// Label of the lot.
        #[serde(skip)]
        lot: String,
        /// Where it is kept.
        #[arg(long)]
        storage: String,
        /// At how many degrees Celsius.
        #[arg(long, allow_negative_numbers = true)]
        storage_c: Option<f64>,
    },
    /// Pieces went to a crew or person.
    #[command(name = "issue")]
    #[serde(rename = "issued")]
    Issue {
        /// Label of the lot.
        #[serde(skip)]
        lot: String,
        /// Pieces.
        #[arg(long)]
        quantity: u32,
        /// Crew or person.
        #[arg(long)]
        to: String,
    },
    /// Pieces came back.
    #[command(name = "return")]
    #[serde(rename = "returned")]
    Return {
        /// Label of the lot.
        #[serde(skip)]
        lot: String,
        /// Pieces.
        #[arg(long)]
        quantity: u32,
        /// Crew or person.
        #[arg(long)]
        from: String,
    },
    /// Pieces were thrown away.
    #[command(name = "dispose")]
    #[serde(rename = "disposed")]
    Dispose {
        /// Label of the lot.
        #[serde(skip)]
        lot: String,
        /// Pieces.
        #[arg(long)]
        quantity: u32,
        /// Why.
        #[arg(long)]
        why: String,
    },
    /// Somebody counted what is there.
    #[command(name = "count")]
    #[serde(rename = "counted")]
    Count {
        /// Label of the lot.
        #[serde(skip)]
        lot: String,
        /// Pieces.
        #[arg(long)]
        quantity: u32,
        /// Where they are kept.
        #[arg(long)]
        storage: String,
    },
    /// Where a lot went: its moves, the stops that used it, the traps that carry it now.
    Trace {
        /// Label of the lot.
        #[serde(skip)]
        lot: String,
    },
    /// What is in store.
    List,
}

pub(crate) fn run(args: SupplyArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    let lot = match &args.what {
        What::List => return list(&desk),
        What::Trace { lot } => return desk.show(&desk.read()?.lot_trace(lot)?, "nothing"),
        What::Receive { lot, .. }
        | What::Store { lot, .. }
        | What::Issue { lot, .. }
        | What::Return { lot, .. }
        | What::Dispose { lot, .. }
        | What::Count { lot, .. } => lot,
    };
    desk.record("supply", 1, &json!({"lot": lot, "what": args.what}))
}

fn list(desk: &Desk<'_>) -> Result<()> {
    let stocks = desk.read()?.stocks()?;
    let rows: Vec<Value> = stocks
        .iter()
        .map(|s| {
            json!({"lot": s.lot, "item": s.item, "target": s.target, "expires": s.expires, "storage": s.storage,
                "received": s.received, "in_store": s.in_store, "issued": s.issued, "disposed": s.disposed,
                "counted": s.counted.map(|(found, _)| found)})
        })
        .collect();
    desk.list("lots", &rows, "No lot was received.")
}
