//! What is in store against what is needed, day by day: used first what expires first, lost what expires, short what is not
//! there, and from that the orders.
//!
//! Nothing here reads a programme: needs, pieces that come back and lots come in as plain data.

use std::collections::{BTreeMap, BTreeSet};

use jiff::ToSpan as _;
use jiff::civil::Date;
use serde::Serialize;

/// What is needed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum SupplyItem {
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
}

impl SupplyItem {
    /// All of them.
    pub const ALL: [SupplyItem; 5] = [
        SupplyItem::Lure,
        SupplyItem::Insert,
        SupplyItem::KillingAgent,
        SupplyItem::Body,
        SupplyItem::Pole,
    ];

    /// The word for it, as people type it.
    pub fn word(self) -> &'static str {
        match self {
            SupplyItem::Lure => "lure",
            SupplyItem::Insert => "insert",
            SupplyItem::KillingAgent => "killing-agent",
            SupplyItem::Body => "body",
            SupplyItem::Pole => "pole",
        }
    }
}

/// An item, and the targets it serves.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Kind {
    /// What.
    pub item: SupplyItem,
    /// Target ids, in order. A lot for any of them will do; none: any lot of the item will.
    pub targets: Vec<String>,
}

/// Pieces wanted on a day, or coming back on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pieces {
    /// The day.
    pub day: Date,
    /// Of what.
    pub kind: Kind,
    /// How many.
    pub count: u64,
}

/// A lot in store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lot {
    /// Its label.
    pub label: String,
    /// What it consists of.
    pub item: SupplyItem,
    /// The target it is for; none: for all.
    pub target: Option<String>,
    /// The last day on which it may be used; none: it keeps.
    pub expires: Option<Date>,
    /// Pieces there.
    pub count: u64,
}

impl Lot {
    fn fits(&self, kind: &Kind) -> bool {
        let served = |t: &String| kind.targets.is_empty() || kind.targets.contains(t);
        self.item == kind.item && self.target.as_ref().is_none_or(served)
    }
}

/// What is asked of one item.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Terms {
    /// Days from the order to the day it is in store; none: not given.
    pub lead_days: Option<u32>,
    /// Share of the pieces taken out that never work in a trap, 0 to below 1.
    pub spoilage: f64,
    /// Pieces are to be in store so many days before they are needed.
    pub safety_days: u32,
}

/// The days reckoned over.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Days {
    /// The day on which the lots are as given, and the first on which anything can be ordered.
    pub today: Date,
    /// First day of the first whole week, not before today; days before it make a row of their own.
    pub from: Date,
    /// Whole weeks, at least 1.
    pub weeks: u32,
    /// One order covers so many weeks, at least 1.
    pub batch_weeks: u32,
}

impl Days {
    /// The last day.
    pub fn to(&self) -> Date {
        self.from.saturating_add((7 * i64::from(self.weeks) - 1).days())
    }

    /// The rows: first and last day of each.
    fn rows(&self) -> Vec<(Date, Date)> {
        let before = (self.today < self.from).then(|| (self.today, self.from.saturating_sub(1.day())));
        let week = |w: u32| {
            let first = self.from.saturating_add((7 * i64::from(w)).days());
            (first, first.saturating_add(6.days()))
        };
        before.into_iter().chain((0..self.weeks).map(week)).collect()
    }
}

/// Pieces of one lot.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct FromLot {
    /// The lot; left out: bodies or poles that came back from traps taken down.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
    /// Pieces.
    pub pieces: u64,
}

/// One week of an item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SupplyWeek {
    /// First day.
    pub from: Date,
    /// Last day.
    pub to: Date,
    /// Pieces that traps need.
    pub need: u64,
    /// Pieces taken out for them, with those that spoil.
    pub taken: u64,
    /// From which lots they come, the first to expire first.
    pub used: Vec<FromLot>,
    /// Pieces that are not there.
    pub short: u64,
    /// Pieces that come back from traps taken down.
    pub back: u64,
    /// Pieces lost in this week because their lot expired.
    pub expired: Vec<FromLot>,
    /// Pieces left at the end of the week. A lot that serves several items of this list counts in each.
    pub left: u64,
}

/// One order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SupplyOrder {
    /// Pieces.
    pub pieces: u64,
    /// The latest day on which they must be in store.
    pub arrive_by: Date,
    /// The latest day on which to order; left out: the lead time is not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub order_by: Option<Date>,
    /// That day has passed.
    pub late: bool,
    /// Of a late order: when it would arrive if it were sent today.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arrives: Option<Date>,
    /// Of a late order: pieces needed before it arrives.
    pub missing_before: u64,
    /// First and last day on which its pieces are needed.
    pub covers: (Date, Date),
}

/// One item over the weeks.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SupplyForecast {
    /// What.
    pub item: SupplyItem,
    /// The targets it serves; empty: any.
    pub targets: Vec<String>,
    /// Pieces in store today that may still be used.
    pub in_store: u64,
    /// Pieces in store whose day has passed: nobody may use them.
    pub expired_already: Vec<FromLot>,
    /// Pieces needed in all.
    pub need: u64,
    /// Pieces lost in all because their lot expires.
    pub lost: u64,
    /// The first day on which pieces are missing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub short_from: Option<Date>,
    /// Pieces missing in all.
    pub short: u64,
    /// Week by week.
    pub weeks: Vec<SupplyWeek>,
    /// What to order when, the first first.
    pub orders: Vec<SupplyOrder>,
}

/// What is left, and what came back, as the days go by.
struct Store<'a> {
    /// The lots in the order in which they are used, with what is left of each.
    lots: Vec<(&'a Lot, u64)>,
    back: BTreeMap<&'a Kind, u64>,
}

impl<'a> Store<'a> {
    fn new(lots: &'a [Lot]) -> Store<'a> {
        let mut lots: Vec<(&Lot, u64)> = lots.iter().map(|l| (l, l.count)).collect();
        // What serves one target before what serves all, so that others may still have that.
        lots.sort_by_key(|(l, _)| {
            (
                l.expires.unwrap_or(Date::MAX),
                l.target.is_none(),
                l.label.clone(),
            )
        });
        Store {
            lots,
            back: BTreeMap::new(),
        }
    }

    /// Takes out what expired before a day.
    fn expire(&mut self, day: Date) -> Vec<(&'a Lot, u64)> {
        let mut gone = Vec::new();
        for (lot, left) in &mut self.lots {
            if *left > 0 && lot.expires.is_some_and(|last| last < day) {
                gone.push((*lot, std::mem::take(left)));
            }
        }
        gone
    }

    /// Takes pieces out; what is missing comes back as the second.
    fn take(&mut self, kind: &'a Kind, mut wanted: u64) -> (Vec<FromLot>, u64) {
        let mut used = Vec::new();
        let mut draw = |left: &mut u64, lot: Option<&str>| {
            let pieces = wanted.min(*left);
            *left -= pieces;
            wanted -= pieces;
            if pieces > 0 {
                used.push(FromLot {
                    lot: lot.map(str::to_owned),
                    pieces,
                });
            }
        };
        // Dated lots first, then what came back, then what keeps.
        for keeps in [false, true] {
            if keeps && let Some(left) = self.back.get_mut(kind) {
                draw(left, None);
            }
            let fit = |lot: &Lot| lot.expires.is_none() == keeps && lot.fits(kind);
            for (lot, left) in self.lots.iter_mut().filter(|(lot, _)| fit(lot)) {
                draw(left, Some(&lot.label));
            }
        }
        (used, wanted)
    }

    fn left(&self, kind: &Kind) -> u64 {
        let lots = self
            .lots
            .iter()
            .filter(|(l, _)| l.fits(kind))
            .map(|(_, left)| left);
        lots.sum::<u64>() + self.back.get(kind).copied().unwrap_or(0)
    }
}

/// Adds pieces to those of the same lot.
fn add(to: &mut Vec<FromLot>, more: FromLot) {
    match to.iter_mut().find(|u| u.lot == more.lot) {
        Some(same) => same.pieces += more.pieces,
        None => to.push(more),
    }
}

/// Pieces to be taken out so that so many work.
// A count of pieces is far below what a double holds exactly, and not negative.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn with_spoilage(need: u64, share: f64) -> u64 {
    // A hair of slack, for the quotient is rounded.
    (need as f64 / (1.0 - share) - 1e-9).ceil().max(0.0) as u64
}

/// The forecast of every item that is needed, comes back or is in store.
///
/// Each day: what expired the day before is lost, what comes back is put in store, then the needs are met, item by item. What
/// is short is ordered; what is ordered is taken to keep until it is used.
pub fn balance(
    days: &Days,
    needs: &[Pieces],
    back: &[Pieces],
    lots: &[Lot],
    terms: impl Fn(SupplyItem) -> Terms,
) -> Vec<SupplyForecast> {
    let to = days.to();
    let within = |p: &&Pieces| days.today <= p.day && p.day <= to;
    let mut kinds: BTreeSet<Kind> = needs
        .iter()
        .chain(back)
        .filter(within)
        .map(|p| p.kind.clone())
        .collect();
    kinds.extend(alone(lots, &kinds));
    let by_day = |all: &[Pieces]| {
        let mut sums: BTreeMap<(Date, Kind), u64> = BTreeMap::new();
        for p in all.iter().filter(within) {
            *sums.entry((p.day, p.kind.clone())).or_default() += p.count;
        }
        sums
    };
    let (needs, back) = (by_day(needs), by_day(back));
    let rows = days.rows();
    let mut store = Store::new(lots);
    let gone = store.expire(days.today);
    let mut told: Vec<Running> = kinds
        .iter()
        .map(|kind| Running::new(kind, &rows, &gone, store.left(kind)))
        .collect();
    let mut day = days.today;
    for (at, (_, last)) in rows.iter().enumerate() {
        while day <= *last {
            let gone = store.expire(day);
            for one in &mut told {
                let row = &mut one.told.weeks[at];
                for (lot, pieces) in gone.iter().filter(|(l, _)| l.fits(one.kind)) {
                    add(&mut row.expired, from(lot, *pieces));
                }
                let key = (day, one.kind.clone());
                if let Some(&pieces) = back.get(&key) {
                    row.back += pieces;
                    *store.back.entry(one.kind).or_default() += pieces;
                }
                if let Some(&need) = needs.get(&key) {
                    one.meet(&mut store, at, day, need, terms(one.kind.item));
                }
            }
            day = day.saturating_add(1.day());
        }
        for one in &mut told {
            one.told.weeks[at].left = store.left(one.kind);
        }
    }
    told.into_iter()
        .map(|one| {
            let terms = terms(one.kind.item);
            one.done(days, terms)
        })
        .collect()
}

/// Lots that serve nothing that is needed make an item of their own.
fn alone(lots: &[Lot], kinds: &BTreeSet<Kind>) -> Vec<Kind> {
    lots.iter()
        .filter(|lot| lot.count > 0 && !kinds.iter().any(|k| lot.fits(k)))
        .map(|lot| Kind {
            item: lot.item,
            targets: lot.target.clone().into_iter().collect(),
        })
        .collect()
}

fn from(lot: &Lot, pieces: u64) -> FromLot {
    FromLot {
        lot: Some(lot.label.clone()),
        pieces,
    }
}

/// The forecast of one item while it grows.
struct Running<'a> {
    kind: &'a Kind,
    told: SupplyForecast,
    needed: u64,
    taken: u64,
    /// Pieces missing, day by day, with the row of the day.
    missing: Vec<(Date, usize, u64)>,
}

impl<'a> Running<'a> {
    fn new(kind: &'a Kind, rows: &[(Date, Date)], gone: &[(&Lot, u64)], in_store: u64) -> Running<'a> {
        let week = |&(from, to): &(Date, Date)| SupplyWeek {
            from,
            to,
            need: 0,
            taken: 0,
            used: Vec::new(),
            short: 0,
            back: 0,
            expired: Vec::new(),
            left: 0,
        };
        let gone = gone.iter().filter(|(lot, _)| lot.fits(kind));
        Running {
            kind,
            told: SupplyForecast {
                item: kind.item,
                targets: kind.targets.clone(),
                in_store,
                expired_already: gone.map(|(lot, pieces)| from(lot, *pieces)).collect(),
                need: 0,
                lost: 0,
                short_from: None,
                short: 0,
                weeks: rows.iter().map(week).collect(),
                orders: Vec::new(),
            },
            needed: 0,
            taken: 0,
            missing: Vec::new(),
        }
    }

    fn meet(&mut self, store: &mut Store<'a>, at: usize, day: Date, need: u64, terms: Terms) {
        // Rounded over all days together, so that a piece a day doesn't become two.
        self.needed += need;
        let wanted = with_spoilage(self.needed, terms.spoilage) - self.taken;
        self.taken += wanted;
        let (used, short) = store.take(self.kind, wanted);
        let row = &mut self.told.weeks[at];
        row.need += need;
        row.taken += wanted;
        row.short += short;
        for one in used {
            add(&mut row.used, one);
        }
        if short > 0 {
            self.missing.push((day, at, short));
        }
    }

    fn done(mut self, days: &Days, terms: Terms) -> SupplyForecast {
        let told = &mut self.told;
        told.need = self.needed;
        told.lost = told.weeks.iter().flat_map(|w| &w.expired).map(|e| e.pieces).sum();
        told.short = self.missing.iter().map(|m| m.2).sum();
        told.short_from = self.missing.first().map(|m| m.0);
        let mut rest = self.missing.as_slice();
        while let Some(&(_, first, _)) = rest.first() {
            let many = rest
                .iter()
                .take_while(|m| m.1 < first + days.batch_weeks.max(1) as usize)
                .count();
            let (batch, later) = rest.split_at(many);
            told.orders.push(order(batch, days.today, terms));
            rest = later;
        }
        self.told
    }
}

/// One order for a run of days with pieces missing; there is at least one.
fn order(batch: &[(Date, usize, u64)], today: Date, terms: Terms) -> SupplyOrder {
    let first = batch.first().map_or(today, |m| m.0);
    let last = batch.last().map_or(today, |m| m.0);
    let arrive_by = first
        .saturating_sub(i64::from(terms.safety_days).days())
        .max(today);
    let order_by = terms
        .lead_days
        .map(|lead| arrive_by.saturating_sub(i64::from(lead).days()));
    let late = order_by.is_some_and(|day| day < today);
    let arrives = terms
        .lead_days
        .filter(|_| late)
        .map(|lead| today.saturating_add(i64::from(lead).days()));
    SupplyOrder {
        pieces: batch.iter().map(|m| m.2).sum(),
        arrive_by,
        order_by,
        late,
        arrives,
        missing_before: arrives.map_or(0, |there| batch.iter().filter(|m| m.0 < there).map(|m| m.2).sum()),
        covers: (first, last),
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
