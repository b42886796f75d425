//! What is left of a lot of supplies.

use jiff::civil::Date;
use rusqlite::Connection;

use super::facts_of;
use crate::body::{Body, Item, SupplyMove};
use crate::error::Error;

/// A lot as it stands.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Stock {
    /// Its label.
    pub lot: String,
    /// What it consists of.
    pub item: Item,
    /// Target id it is for, where it is for one.
    pub target: Option<String>,
    /// Day after which it must not be used.
    pub expires: Option<Date>,
    /// Where it is kept.
    pub storage: Option<String>,
    /// Pieces received.
    pub received: i64,
    /// Pieces in store: received and returned, less issued and disposed of. Below 0 when two offices issued the same.
    pub in_store: i64,
    /// Pieces with crews or used: issued and not returned.
    pub issued: i64,
    /// Pieces disposed of.
    pub disposed: i64,
    /// Pieces at the last count, and how many should have been there.
    pub counted: Option<(i64, i64)>,
}

/// A lot, if it was ever received.
pub(crate) fn stock(db: &Connection, lot: &str) -> Result<Option<Stock>, Error> {
    let mut stock: Option<Stock> = None;
    let mut facts = facts_of(db, &format!("lot:{lot}"), "supply")?;
    // Receipts first: a lot that an office received may be issued by another before the receipt is known here.
    facts.sort_by_key(|fact| (fact.at, fact.entry));
    let mut bodies = Vec::new();
    for fact in facts {
        if let Body::Supply(supply) = fact.body()? {
            bodies.push(supply.what);
        }
    }
    let (received, others): (Vec<_>, Vec<_>) = bodies
        .into_iter()
        .partition(|what| matches!(what, SupplyMove::Received { .. }));
    for what in received.into_iter().chain(others) {
        take(&mut stock, lot, what);
    }
    Ok(stock)
}

fn take(stock: &mut Option<Stock>, lot: &str, what: SupplyMove) {
    if let SupplyMove::Received {
        item,
        target,
        expires,
        storage,
        ..
    } = &what
    {
        stock.get_or_insert_with(|| Stock {
            lot: lot.to_owned(),
            item: *item,
            target: target.clone(),
            expires: *expires,
            storage: storage.clone(),
            received: 0,
            in_store: 0,
            issued: 0,
            disposed: 0,
            counted: None,
        });
    }
    let Some(stock) = stock else { return };
    match what {
        SupplyMove::Received { quantity, .. } => {
            stock.received += i64::from(quantity);
            stock.in_store += i64::from(quantity);
        }
        SupplyMove::Stored { storage, .. } => stock.storage = Some(storage),
        SupplyMove::Issued { quantity, .. } => {
            stock.in_store -= i64::from(quantity);
            stock.issued += i64::from(quantity);
        }
        SupplyMove::Returned { quantity, .. } => {
            stock.in_store += i64::from(quantity);
            stock.issued -= i64::from(quantity);
        }
        SupplyMove::Disposed { quantity, .. } => {
            stock.in_store -= i64::from(quantity);
            stock.disposed += i64::from(quantity);
        }
        SupplyMove::Counted { quantity, .. } => {
            stock.counted = Some((i64::from(quantity), stock.in_store));
        }
    }
}
