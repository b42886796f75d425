//! Questions that people ask of a programme, answered from the projections. Nothing here changes anything.
//!
//! Every answer is a function of the facts that stand (as corrected, without those withdrawn), whatever the order in which
//! they arrived. Days are those of the place where something happened; a span of days holds both its ends.

mod audit;
mod custody;
mod ground;
mod month;
mod overdue;
mod supplies;

pub use audit::Recovery;
pub use custody::{Custody, OpenOffer, Opinion, Standing, TrayItem, Urgency, Whereabouts};
pub use ground::{Near, Passed, PassedBy};
pub use month::{
    Count, LotMonth, Month, Pending, Planted, SpecimenMonth, StopMonth, TargetMonth, TrapMonth, TreeMonth,
};
pub use overdue::{Clock, ClockAge, Due, Hold, Level, Limit, Limits};
pub use supplies::{Carried, LotMove, LotTrace, LotVisit, Part};

use jiff::civil::Date;
use rusqlite::{Connection, Params};

use crate::error::{Error, Refusal};
use crate::project::Fact;
use crate::project::facts::COLUMNS;

/// Facts that stand, chosen by what follows WHERE.
fn facts_where(db: &Connection, rule: &str, params: impl Params) -> Result<Vec<Fact>, Error> {
    let mut select = db.prepare_cached(&format!(
        "SELECT {COLUMNS} FROM facts WHERE withdrawn_by IS NULL AND {rule}"
    ))?;
    let rows = select.query_map(params, Fact::from_row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// Facts of one kind on the days of a span, by day and then in the canonical order.
fn facts_between(db: &Connection, kind: &str, from: Date, to: Date) -> Result<Vec<Fact>, Error> {
    facts_where(
        db,
        "kind = ?1 AND day BETWEEN ?2 AND ?3 ORDER BY day, entry",
        (kind, from.to_string(), to.to_string()),
    )
}

fn read_day(text: &str) -> Result<Date, Error> {
    text.parse()
        .map_err(|_| Error::Damaged(format!("{text:?} stands where a date should")))
}

/// Days from one day to another; below 0 when it lies before.
fn days_between(from: Date, to: Date) -> i64 {
    from.until(to).map_or(0, |span| i64::from(span.get_days()))
}

/// A day so many days later; the last day there is, where there is none.
fn later(day: Date, days: i64) -> Date {
    day.saturating_add(jiff::Span::new().try_days(days).unwrap_or_default())
}

fn refuse<T>(field: &'static str, value: impl std::fmt::Display, rule: &str) -> Result<T, Error> {
    Err(Refusal::Field {
        field,
        value: value.to_string(),
        rule: rule.into(),
    }
    .into())
}

fn damaged(e: &impl std::fmt::Display) -> Error {
    Error::Damaged(format!("a projected record can't be read: {e}"))
}
