//! What a forecast of supplies is asked with. Nothing here is taken to be known: what nobody says is none, or not given.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::balance::{SupplyItem, Terms};
use crate::error::ChainError;

/// Weeks that are shown when nobody says how many. Design choice: half a year.
pub const USUAL_WEEKS: u32 = 26;
/// Weeks at most. Design choice: two years; beyond, no plan reaches.
pub const MOST_WEEKS: u32 = 104;

/// One figure for all items, and others for some.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PerItem {
    all: Option<f64>,
    some: BTreeMap<SupplyItem, f64>,
}

impl PerItem {
    /// One figure for all.
    pub fn all(figure: f64) -> PerItem {
        PerItem {
            all: Some(figure),
            some: BTreeMap::new(),
        }
    }

    /// Reads "30", "lure=45" or "30,lure=45": a figure for all items, others for some.
    ///
    /// # Errors
    /// No number, an unknown item, or a figure told twice.
    pub fn read(field: &'static str, text: &str) -> Result<PerItem, ChainError> {
        let mut told = PerItem::default();
        for part in text.split(',').map(str::trim).filter(|p| !p.is_empty()) {
            let (item, figure) = match part.split_once('=') {
                Some((item, figure)) => (Some(item_named(field, item.trim())?), figure.trim()),
                None => (None, part),
            };
            let value: f64 = figure
                .parse()
                .ok()
                .filter(|v: &f64| v.is_finite())
                .ok_or_else(|| {
                    ChainError::asked(field, format!("{figure:?} is no number; write 30, or 30,lure=45"))
                })?;
            let twice = match item {
                Some(item) => told.some.insert(item, value).is_some(),
                None => told.all.replace(value).is_some(),
            };
            if twice {
                return Err(ChainError::asked(
                    field,
                    format!("{text:?} tells one figure twice"),
                ));
            }
        }
        Ok(told)
    }

    fn of(&self, item: SupplyItem) -> Option<f64> {
        self.some.get(&item).copied().or(self.all)
    }

    fn figures(&self) -> impl Iterator<Item = f64> {
        self.all.into_iter().chain(self.some.values().copied())
    }
}

fn item_named(field: &'static str, word: &str) -> Result<SupplyItem, ChainError> {
    SupplyItem::ALL
        .into_iter()
        .find(|i| i.word() == word)
        .ok_or_else(|| {
            let words: Vec<&str> = SupplyItem::ALL.map(SupplyItem::word).into();
            ChainError::asked(
                field,
                format!("{word:?} is no item; it is one of {}", words.join(", ")),
            )
        })
}

/// A question.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask {
    /// First day of the first week; not before today.
    pub from: Date,
    /// Weeks, 1 to [`MOST_WEEKS`].
    pub weeks: u32,
    /// Days from an order to the day it is in store, 0 to 730; where none is given no day to order by can be told.
    pub lead_days: PerItem,
    /// Share of the pieces taken out that never work in a trap, 0 to 0.9; 0 where none is given.
    pub spoilage: PerItem,
    /// Pieces are to be in store so many days before they are needed, 0 to 365; 0 where none is given.
    pub safety_days: PerItem,
    /// One order covers so many weeks, 1 to [`MOST_WEEKS`].
    pub batch_weeks: u32,
    /// Share of the bodies and poles taken down at a season's end that hang again, 0 to 1.
    pub reuse: f64,
    /// Pieces handed out and not written down as used count as in store.
    pub with_crews: bool,
    /// The weather station; the only one, when none is named.
    pub station: Option<String>,
}

impl Ask {
    /// So many weeks as usual, nothing else told.
    pub fn new(from: Date) -> Ask {
        Ask {
            from,
            weeks: USUAL_WEEKS,
            lead_days: PerItem::default(),
            spoilage: PerItem::default(),
            safety_days: PerItem::default(),
            batch_weeks: 1,
            reuse: 0.0,
            with_crews: false,
            station: None,
        }
    }

    /// # Errors
    /// Anything out of its range.
    pub(super) fn check(&self, today: Date) -> Result<(), ChainError> {
        if self.from < today {
            return Err(ChainError::asked(
                "from",
                format!(
                    "{} has passed; what is in store is known as it is today, so ask from {today} on",
                    self.from
                ),
            ));
        }
        if self.from > today.saturating_add(jiff::Span::new().years(1)) {
            return Err(ChainError::asked(
                "from",
                format!("{} lies more than a year ahead", self.from),
            ));
        }
        for (field, weeks) in [("weeks", self.weeks), ("batch_weeks", self.batch_weeks)] {
            if weeks == 0 || weeks > MOST_WEEKS {
                return Err(ChainError::asked(
                    field,
                    format!("{weeks} weeks can't be told; ask for 1 to {MOST_WEEKS}"),
                ));
            }
        }
        whole("lead_days", "a lead time", &self.lead_days, 730)?;
        whole("safety_days", "a safety stock", &self.safety_days, 365)?;
        for share in self.spoilage.figures() {
            if !(0.0..=0.9).contains(&share) {
                return Err(ChainError::asked(
                    "spoilage",
                    format!(
                        "{share} is no share that spoils; write 0 to 0.9, such as 0.05 for one in twenty"
                    ),
                ));
            }
        }
        if !(0.0..=1.0).contains(&self.reuse) {
            return Err(ChainError::asked(
                "reuse",
                format!("{} is no share of what hangs again; write 0 to 1", self.reuse),
            ));
        }
        Ok(())
    }

    /// What holds for one item.
    // Days were checked to be whole and small.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub(super) fn terms(&self, item: SupplyItem) -> Terms {
        Terms {
            lead_days: self.lead_days.of(item).map(|d| d as u32),
            spoilage: self.spoilage.of(item).unwrap_or(0.0),
            safety_days: self.safety_days.of(item).unwrap_or(0.0) as u32,
        }
    }
}

fn whole(field: &'static str, what: &str, told: &PerItem, most: u32) -> Result<(), ChainError> {
    for days in told.figures() {
        if days.fract() != 0.0 || !(0.0..=f64::from(most)).contains(&days) {
            return Err(ChainError::asked(
                field,
                format!("{days} days is not {what} that can be reckoned with; write whole days, 0 to {most}"),
            ));
        }
    }
    Ok(())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn a_figure_for_all_and_others_for_some() {
        let told = PerItem::read("lead_days", "30, lure=45").unwrap();
        assert_eq!(told.of(SupplyItem::Lure), Some(45.0));
        assert_eq!(told.of(SupplyItem::Body), Some(30.0));
        assert_eq!(PerItem::read("lead_days", "").unwrap().of(SupplyItem::Body), None);
        for bad in ["soon", "lure=", "pie=3", "3,4", "lure=1,lure=2", "NaN", "inf"] {
            let why = PerItem::read("lead_days", bad).unwrap_err();
            assert_eq!(why.field(), Some("lead_days"), "{bad}");
        }
    }

    #[test]
    fn what_cannot_be_asked_is_refused_by_name() {
        let today = date(2026, 5, 1);
        let refused = |change: &dyn Fn(&mut Ask)| {
            let mut ask = Ask::new(today);
            change(&mut ask);
            ask.check(today).unwrap_err().field().unwrap()
        };
        Ask::new(today).check(today).unwrap();
        assert_eq!(refused(&|a| a.from = date(2026, 4, 30)), "from");
        assert_eq!(refused(&|a| a.from = date(2027, 5, 2)), "from");
        assert_eq!(refused(&|a| a.weeks = 0), "weeks");
        assert_eq!(refused(&|a| a.batch_weeks = 105), "batch_weeks");
        assert_eq!(refused(&|a| a.lead_days = PerItem::all(1.5)), "lead_days");
        assert_eq!(refused(&|a| a.safety_days = PerItem::all(-1.0)), "safety_days");
        assert_eq!(refused(&|a| a.spoilage = PerItem::all(1.0)), "spoilage");
        assert_eq!(refused(&|a| a.reuse = f64::NAN), "reuse");
    }
}
