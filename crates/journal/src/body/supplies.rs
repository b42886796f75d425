//! Lures, inserts and the rest, lot by lot.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::{Says, Subject, check_person, check_range, check_words, check_year, refuse};
use crate::error::Refusal;
use crate::load::{check_day, check_label};

/// What a lot consists of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Item {
    /// Lures.
    Lure,
    /// Sticky inserts.
    Insert,
    /// Killing strips or fluid.
    KillingAgent,
    /// Trap bodies.
    Body,
    /// Poles for hanging.
    Pole,
    /// Anything else.
    Other,
}

/// Something happened to a lot of supplies.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Supply {
    /// Label of the lot.
    pub lot: String,
    /// What happened.
    pub what: SupplyMove,
}

/// What happened to a lot. Quantities are pieces.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(tag = "is", rename_all = "kebab-case", deny_unknown_fields)]
pub enum SupplyMove {
    /// It came in.
    Received {
        /// What it consists of.
        item: Item,
        /// Target id it is for, where it is for one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        target: Option<String>,
        /// Pieces, above 0.
        quantity: u32,
        /// Day it was made.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
        made: Option<Date>,
        /// Day after which it must not be used.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[cfg_attr(feature = "schema", schemars(with = "Option<earlywood_model::record::Day>"))]
        expires: Option<Date>,
        /// Where it is kept, in plain words ("freezer 2").
        #[serde(default, skip_serializing_if = "Option::is_none")]
        storage: Option<String>,
        /// Temperature there, degrees Celsius.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        storage_c: Option<f64>,
    },
    /// It was put somewhere else.
    Stored {
        /// Where it is kept, in plain words.
        storage: String,
        /// Temperature there, degrees Celsius.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        storage_c: Option<f64>,
    },
    /// Pieces were handed out.
    Issued {
        /// Pieces, above 0.
        quantity: u32,
        /// Id of the person or crew who got them.
        to: String,
    },
    /// Pieces were handed back.
    Returned {
        /// Pieces, above 0.
        quantity: u32,
        /// Id of the person or crew who brought them.
        from: String,
    },
    /// Pieces were thrown away.
    Disposed {
        /// Pieces, above 0.
        quantity: u32,
        /// Why.
        why: String,
    },
    /// Somebody counted what is there.
    Counted {
        /// Pieces; 0 means "looked, none".
        quantity: u32,
        /// Where, in plain words.
        storage: String,
    },
}

fn check_pieces(quantity: u32) -> Result<(), Refusal> {
    if quantity == 0 {
        return refuse("quantity", 0, "at least 1");
    }
    Ok(())
}

/// From the coldest freezers to the hottest store room; what lies outside is most likely in Fahrenheit.
fn check_storage_c(celsius: Option<f64>) -> Result<(), Refusal> {
    check_range("storage_c", celsius, -100.0, 60.0, "degrees Celsius")
}

impl Says for Supply {
    fn check_on(&self, today: Date) -> Result<(), Refusal> {
        check_label("lot", &self.lot)?;
        match &self.what {
            SupplyMove::Received {
                target,
                quantity,
                made,
                expires,
                storage,
                storage_c,
                ..
            } => {
                check_pieces(*quantity)?;
                target
                    .iter()
                    .try_for_each(|target| check_label("target", target))?;
                made.map_or(Ok(()), |made| check_day("made", made, today))?;
                expires.map_or(Ok(()), |day| check_year("expires", day))?;
                if let (Some(made), Some(expires)) = (made, expires)
                    && expires <= made
                {
                    return refuse("expires", expires, &format!("after the day it was made, {made}"));
                }
                check_words("storage", storage.as_deref())?;
                if storage.is_none() && storage_c.is_some() {
                    return refuse("storage_c", "without storage", "say where it is kept");
                }
                check_storage_c(*storage_c)
            }
            SupplyMove::Stored { storage, storage_c } => {
                check_words("storage", Some(storage))?;
                check_storage_c(*storage_c)
            }
            SupplyMove::Issued { quantity, to } => {
                check_pieces(*quantity)?;
                check_person("to", to)
            }
            SupplyMove::Returned { quantity, from } => {
                check_pieces(*quantity)?;
                check_person("from", from)
            }
            SupplyMove::Disposed { quantity, why } => {
                check_pieces(*quantity)?;
                check_words("why", Some(why))
            }
            SupplyMove::Counted { storage, .. } => check_words("storage", Some(storage)),
        }
    }
    fn subjects(&self) -> Vec<Subject> {
        vec![Subject::Lot(self.lot.clone())]
    }
}
