//! `earlywood supply`: lures, inserts and the rest, lot by lot.

use anyhow::Result;
use clap::{Args, Subcommand};
use earlywood_chain::supplies::{self, Forecast, FromLot, PerItem, SupplyForecast, SupplyOrder};
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::record::{AnyActor, Desk};
use crate::FileArg;
use crate::out::{Form, table};

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
    /// What is needed week by week, which lots it comes from, what expires, what to order and by when.
    ///
    /// A trap needs a piece on the day its clock first warns (a lure also by heat). Nothing is taken to be known that you do
    /// not say: without --lead-days no day to order by is told, nothing spoils, and nothing is kept in reserve.
    #[serde(skip)]
    Forecast(ForecastArgs),
}

#[derive(Args)]
struct ForecastArgs {
    /// First day of the first week; today when left out.
    #[arg(long)]
    from: Option<Date>,
    /// Weeks ahead.
    #[arg(long, default_value_t = supplies::USUAL_WEEKS)]
    weeks: u32,
    /// Days from an order to the day it is in store: 30, or 30,lure=45 where items differ.
    #[arg(long, default_value = "", hide_default_value = true)]
    lead_days: String,
    /// Share of the pieces taken out that never work in a trap: 0.05, or 0.05,body=0.1.
    #[arg(
        long,
        default_value = "",
        hide_default_value = true,
        allow_hyphen_values = true
    )]
    spoilage: String,
    /// Pieces are to be in store so many days before they are needed: 7, or 7,lure=14.
    #[arg(
        long,
        default_value = "",
        hide_default_value = true,
        allow_hyphen_values = true
    )]
    safety: String,
    /// One order covers so many weeks.
    #[arg(long, default_value_t = 1)]
    batch: u32,
    /// Share of the bodies and poles taken down at a season's end that hang again.
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    reuse: f64,
    /// Pieces handed out and not written down as used count as in store.
    #[arg(long)]
    with_crews: bool,
    /// Weather station; the only one when left out.
    #[arg(long)]
    station: Option<String>,
}

pub(crate) fn run(args: SupplyArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    let lot = match &args.what {
        What::List => return list(&desk),
        What::Forecast(asked) => return forecast(&desk, asked),
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

fn forecast(desk: &Desk<'_>, asked: &ForecastArgs) -> Result<()> {
    let today = super::today();
    let ask = supplies::Ask {
        from: asked.from.unwrap_or(today),
        weeks: asked.weeks,
        lead_days: PerItem::read("lead_days", &asked.lead_days)?,
        spoilage: PerItem::read("spoilage", &asked.spoilage)?,
        safety_days: PerItem::read("safety_days", &asked.safety)?,
        batch_weeks: asked.batch,
        reuse: asked.reuse,
        with_crews: asked.with_crews,
        station: asked.station.clone(),
    };
    let told = supplies::forecast(&desk.read()?, &ask, today)?;
    desk.form.say(|| forecast_words(&told), || json!(told))
}

fn forecast_words(told: &Forecast) -> String {
    let mut lines = vec![format!("Supplies from {} to {}.", told.from, told.to)];
    if told.items.is_empty() {
        lines.push("Nothing is needed, and nothing is in store.".into());
    }
    for item in &told.items {
        lines.push(String::new());
        lines.push(item_words(item));
    }
    let orders: Vec<Vec<String>> = told
        .items
        .iter()
        .flat_map(|i| i.orders.iter().map(move |o| order_row(i, o)))
        .collect();
    if !orders.is_empty() {
        lines.push(String::new());
        lines.push(table(
            &[
                "to order",
                "pieces",
                "order by",
                "in store by",
                "needed from",
                "to",
                "",
            ],
            &orders,
        ));
    }
    if !told.notes.is_empty() {
        lines.push(String::new());
        lines.extend(told.notes.iter().map(|note| format!("Note: {note}.")));
    }
    lines.join("\n")
}

fn name(item: &SupplyForecast) -> String {
    match item.targets.as_slice() {
        [] => item.item.word().to_owned(),
        targets => format!("{} for {}", item.item.word(), targets.join(" and ")),
    }
}

fn lots(lots: &[FromLot]) -> String {
    let one = |l: &FromLot| {
        format!(
            "{} of {}",
            l.pieces,
            l.lot.as_deref().unwrap_or("those taken down")
        )
    };
    lots.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// One item: what it comes to, and the weeks in which something happens.
fn item_words(item: &SupplyForecast) -> String {
    let mut head = format!("{}: {} needed, {} in store", name(item), item.need, item.in_store);
    if !item.expired_already.is_empty() {
        head += &format!(", expired already {}", lots(&item.expired_already));
    }
    if item.lost > 0 {
        head += &format!(", {} will expire unused", item.lost);
    }
    head += &item.short_from.map_or_else(
        || ", enough".to_owned(),
        |day| format!(", {} short from {day}", item.short),
    );
    let busy = |w: &&supplies::SupplyWeek| w.need > 0 || w.back > 0 || !w.expired.is_empty();
    let rows: Vec<Vec<String>> = item
        .weeks
        .iter()
        .filter(busy)
        .map(|w| {
            let back = if w.back > 0 {
                format!("{} came down", w.back)
            } else {
                String::new()
            };
            vec![
                w.from.to_string(),
                w.need.to_string(),
                lots(&w.used),
                w.short.to_string(),
                lots(&w.expired),
                w.left.to_string(),
                back,
            ]
        })
        .collect();
    if rows.is_empty() {
        return head;
    }
    let header = ["week from", "need", "used", "short", "expires", "left", ""];
    format!("{head}\n{}", table(&header, &rows))
}

fn order_row(item: &SupplyForecast, order: &SupplyOrder) -> Vec<String> {
    let by = order
        .order_by
        .map_or_else(|| "lead time not given".to_owned(), |day| day.to_string());
    let late = order.arrives.map_or_else(String::new, |day| {
        format!(
            "late: ordered today it comes on {day}, {} are needed before",
            order.missing_before
        )
    });
    vec![
        name(item),
        order.pieces.to_string(),
        by,
        order.arrive_by.to_string(),
        order.covers.0.to_string(),
        order.covers.1.to_string(),
        late,
    ]
}
