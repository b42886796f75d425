//! A response: all that follows a find.
//!
//! * [`trigger`]: what the programme's protocol says of the confirmed finds, and what somebody should look at now.
//! * [`origin`]: where they came from, as regions over the cells, and in which order to search the trees.
//! * [`delimit`]: the delimiting survey, by rings or optimised.
//! * [`area`]: the regulated area, drawn from the finds by the protocol's rule.
//! * [`clock`]: how much of the time without a find has passed, and what silence is worth.
//! * [`steps`]: whom to tell, in which order, by when.
//! * [`status`]: the category of pest status that the evidence would support: proposed, never declared.
//! * `report`: the pest report, version by version.
//! * [`public`]: what of it the public may see.
//!
//! Only confirmed finds enter; everything here is confidential until the programme publishes it. All of it is proposed: people
//! with standing adopt, and the law of the place decides.

pub mod area;
mod case;
pub mod clock;
pub mod delimit;
pub mod origin;
pub mod public;
pub mod report;
pub mod status;
pub mod steps;
pub mod trigger;
mod whole;

use earlywood_journal::body::{ResponseClosed, ResponseEnd};
use jiff::civil::Date;

use crate::error::ChainError;

pub use case::{Case, Find, confirmed, label_of};
pub use whole::{AreaView, DelimitingView, How, Lacking, ReportView, Whole, whole};

/// Refuses a last day before the first.
///
/// # Errors
/// It is.
pub fn in_order(from: Date, to: Option<Date>) -> Result<(), ChainError> {
    match to {
        Some(to) if to < from => Err(ChainError::asked("to", "the last day lies before the first")),
        _ => Ok(()),
    }
}

/// The entry that ends a response. `authority` is an office and its paper, never a person's name.
///
/// # Errors
/// That the find was none, while one stands confirmed.
pub fn closing(
    case: &Case,
    end: ResponseEnd,
    date: Date,
    authority: String,
    reason: String,
) -> Result<ResponseClosed, ChainError> {
    if let (ResponseEnd::NoFind, [first, ..]) = (end, case.finds.as_slice()) {
        return Err(ChainError::asked(
            "end",
            format!(
                "{} still stands confirmed; whoever may name it changes the determination first",
                first.label
            ),
        ));
    }
    Ok(ResponseClosed {
        find: case.find.clone(),
        date,
        end,
        authority,
        reason,
    })
}
