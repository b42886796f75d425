//! Supplies, lot by lot.

use earlywood_journal::{Programme, Stock};
use jiff::civil::Date;
use serde::Serialize;

use crate::error::ChainError;
use crate::view::word;

/// Where pieces of a lot are.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Kept {
    /// The store, in plain words.
    pub place: String,
    /// Pieces there.
    pub quantity: i64,
}

/// A lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LotRow {
    /// Its label.
    pub lot: String,
    /// What it consists of.
    pub item: String,
    /// Pieces received.
    pub received: i64,
    /// Pieces with crews or used, and disposed of.
    pub used: i64,
    /// Pieces in store.
    pub on_hand: i64,
    /// Day after which it must not be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expires: Option<Date>,
    /// That day has passed.
    pub expired: bool,
    /// Where they are.
    #[serde(rename = "where")]
    pub at: Vec<Kept>,
}

/// Every lot, by label.
///
/// # Errors
/// A programme that can't be read.
pub fn stores(programme: &Programme, today: Date) -> Result<Vec<LotRow>, ChainError> {
    Ok(programme
        .stocks()?
        .into_iter()
        .map(|s| lot_row(s, today))
        .collect())
}

fn lot_row(stock: Stock, today: Date) -> LotRow {
    let mut at = Vec::new();
    if stock.in_store != 0 {
        at.push(Kept {
            place: stock.storage.unwrap_or_else(|| "in store".into()),
            quantity: stock.in_store,
        });
    }
    if stock.issued != 0 {
        at.push(Kept {
            place: "with crews, or used".into(),
            quantity: stock.issued,
        });
    }
    LotRow {
        lot: stock.lot,
        item: word(&stock.item),
        received: stock.received,
        used: stock.issued + stock.disposed,
        on_hand: stock.in_store,
        expired: stock.expires.is_some_and(|d| d < today),
        expires: stock.expires,
        at,
    }
}
