//! Supplies ahead: what traps need week by week, which lots it comes from, what expires, what to order and by when.
//!
//! * `need`: what traps need on which day, from their clocks, the heat, the seasons, the plans and the holds.
//! * `balance`: that against the lots in store, used first what expires first; numbers only.
//! * `ask`: what nobody can know but who asks: lead time, spoilage, safety.

mod ask;
mod balance;
mod need;

use earlywood_journal::body::Item;
use earlywood_journal::{Programme, Stock};
use jiff::civil::Date;
use serde::Serialize;

pub use ask::{Ask, MOST_WEEKS, PerItem, USUAL_WEEKS};
pub use balance::{
    Days, FromLot, Kind, Lot, Pieces, SupplyForecast, SupplyItem, SupplyOrder, SupplyWeek, Terms, balance,
};

use crate::Notes;
use crate::error::ChainError;

/// What one item was reckoned with.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SupplyTerms {
    /// What.
    pub item: SupplyItem,
    /// Days from an order to the day it is in store; left out: not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lead_days: Option<u32>,
    /// Share of the pieces taken out that never work in a trap.
    pub spoilage: f64,
    /// Pieces are to be in store so many days before they are needed.
    pub safety_days: u32,
}

/// The forecast of all supplies.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Forecast {
    /// The day on which the store is as it was reckoned with.
    pub today: Date,
    /// First day of the first whole week.
    pub from: Date,
    /// Last day of the last week.
    pub to: Date,
    /// What it was reckoned with, by item.
    pub terms: Vec<SupplyTerms>,
    /// Item by item.
    pub items: Vec<SupplyForecast>,
    /// Worth knowing.
    pub notes: Notes,
}

/// The forecast of lures, inserts, killing agents, bodies and poles.
///
/// # Errors
/// A question out of its range; an unknown weather station; a programme that can't be read. No weather, no plan, no lot and
/// a target that nobody knows are told in the notes.
pub fn forecast(programme: &Programme, ask: &Ask, today: Date) -> Result<Forecast, ChainError> {
    ask.check(today)?;
    let days = Days {
        today,
        from: ask.from,
        weeks: ask.weeks,
        batch_weeks: ask.batch_weeks,
    };
    let mut notes = Notes::new();
    let needs = need::needs(programme, ask, today, days.to(), &mut notes)?;
    let lots = lots(programme, ask.with_crews, &mut notes)?;
    let items = balance(&days, &needs.wanted, &needs.back, &lots, |item| ask.terms(item));
    let ordered = items.iter().filter(|i| !i.orders.is_empty());
    if ordered.into_iter().any(|i| ask.terms(i.item).lead_days.is_none()) {
        notes.push("lead time not given: no day to order by can be told".into());
    }
    if items.iter().any(|i| i.short > 0) {
        notes.push("what is ordered is taken to keep until it is used".into());
    }
    let terms = SupplyItem::ALL.map(|item| {
        let terms = ask.terms(item);
        SupplyTerms {
            item,
            lead_days: terms.lead_days,
            spoilage: terms.spoilage,
            safety_days: terms.safety_days,
        }
    });
    Ok(Forecast {
        today,
        from: ask.from,
        to: days.to(),
        terms: terms.into(),
        items,
        notes,
    })
}

fn item(of: Item) -> Option<SupplyItem> {
    match of {
        Item::Lure => Some(SupplyItem::Lure),
        Item::Insert => Some(SupplyItem::Insert),
        Item::KillingAgent => Some(SupplyItem::KillingAgent),
        Item::Body => Some(SupplyItem::Body),
        Item::Pole => Some(SupplyItem::Pole),
        Item::Other => None,
    }
}

/// The lots as they stand, by the books.
fn lots(programme: &Programme, with_crews: bool, notes: &mut Notes) -> Result<Vec<Lot>, ChainError> {
    let (mut lots, mut out) = (Vec::new(), 0);
    for stock in programme.stocks()? {
        let Some(item) = item(stock.item) else { continue };
        let crews = handed_out(programme, &stock)?;
        out += crews;
        doubts(&stock, notes);
        let count = stock.in_store.max(0).unsigned_abs() + if with_crews { crews } else { 0 };
        lots.push(Lot {
            label: stock.lot,
            item,
            target: stock.target,
            expires: stock.expires,
            count,
        });
    }
    if lots.is_empty() {
        notes.push("no lot was received: all that is needed is to be ordered".into());
    }
    if out > 0 {
        let how = if with_crews {
            "counted as in store"
        } else {
            "not counted"
        };
        notes.push(format!(
            "{out} pieces were handed out and no stop says that it used them; they are {how}"
        ));
    }
    Ok(lots)
}

/// Pieces of a lot that were handed out and not put into a trap, as far as stops tell.
fn handed_out(programme: &Programme, stock: &Stock) -> Result<u64, ChainError> {
    if stock.issued <= 0 {
        return Ok(0);
    }
    let visits = programme.lot_trace(&stock.lot)?.visits;
    let used: usize = visits.iter().map(|v| v.put_into.len()).sum();
    let left = stock
        .issued
        .saturating_sub(i64::try_from(used).unwrap_or(i64::MAX));
    Ok(left.max(0).unsigned_abs())
}

fn doubts(stock: &Stock, notes: &mut Notes) {
    let lot = &stock.lot;
    if stock.in_store < 0 {
        notes.push(format!(
            "of lot {lot:?} more went out than came in; it counts as empty: count it"
        ));
    }
    if let Some((found, books)) = stock.counted
        && found != books
    {
        notes.push(format!(
            "at the last count of lot {lot:?} there were {found} pieces and by the books {books}; the books are reckoned with"
        ));
    }
    if stock.expires.is_none() && stock.in_store > 0 {
        notes.push(format!("lot {lot:?} has no expiry date: it is taken to keep"));
    }
}
