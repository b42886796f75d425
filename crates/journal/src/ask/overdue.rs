//! Which traps are overdue, and which of that was excused.

use earlywood_model::record::{Area, Placement, Position};
use jiff::civil::Date;
use rusqlite::{Connection, Row};
use serde::Serialize;

use super::{damaged, days_between, facts_where, later, read_day, refuse};
use crate::body::{Body, Cause, HoldDeclared, HoldLifted, HoldScope};
use crate::error::Error;
use crate::programme::Programme;

/// What runs out on a hanging trap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Clock {
    /// The look at its catch: set back by a full look only.
    Look,
    /// The lure.
    Lure,
    /// The sticky insert.
    Insert,
    /// The killing agent or fluid.
    KillingAgent,
    /// The trap's body.
    Body,
}

impl Clock {
    /// Every clock.
    pub const ALL: [Clock; 5] = [
        Clock::Look,
        Clock::Lure,
        Clock::Insert,
        Clock::KillingAgent,
        Clock::Body,
    ];

    /// It in plain words.
    pub fn words(self) -> &'static str {
        match self {
            Clock::Look => "look",
            Clock::Lure => "lure",
            Clock::Insert => "insert",
            Clock::KillingAgent => "killing agent",
            Clock::Body => "body",
        }
    }
}

/// When a clock warns and when it has failed: whole days since it was set back. Day 0 is the day itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Limit {
    /// From this many days on it is due; at least 1.
    pub warn_days: u32,
    /// From this many days on it has failed; not below `warn_days`.
    pub fail_days: u32,
}

/// The limits of each clock, from the target's profile; none: that clock is not asked about.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Limits {
    /// The look at the catch.
    pub look: Option<Limit>,
    /// The lure.
    pub lure: Option<Limit>,
    /// The sticky insert.
    pub insert: Option<Limit>,
    /// The killing agent or fluid.
    pub killing_agent: Option<Limit>,
    /// The trap's body.
    pub body: Option<Limit>,
}

impl Limits {
    /// The limit of a clock.
    pub fn of(&self, clock: Clock) -> Option<Limit> {
        match clock {
            Clock::Look => self.look,
            Clock::Lure => self.lure,
            Clock::Insert => self.insert,
            Clock::KillingAgent => self.killing_agent,
            Clock::Body => self.body,
        }
    }

    pub(super) fn check(&self) -> Result<(), Error> {
        for limit in Clock::ALL.into_iter().filter_map(|clock| self.of(clock)) {
            if limit.warn_days == 0 {
                return refuse("warn_days", 0, "at least 1");
            }
            if limit.fail_days < limit.warn_days {
                return refuse("fail_days", limit.fail_days, "not below warn_days");
            }
        }
        Ok(())
    }
}

/// How far a clock has run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// Not due yet.
    Fine,
    /// Due.
    Warn,
    /// Failed.
    Fail,
}

/// One clock of a hanging trap.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ClockAge {
    /// Which.
    pub clock: Clock,
    /// The day on which it was last set back; the day the trap was hung, if that never happened.
    pub last: Date,
    /// Days since.
    pub days: i64,
    /// What its limits say of that.
    pub level: Level,
    /// Its limits.
    pub limit: Limit,
    /// How many of those days a hold covered the trap. Crews are excused for them; the trap-days are unserved all the
    /// same, and `days` counts them.
    pub excused_days: i64,
}

/// A hanging trap on which something is due.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Due {
    /// The trap.
    pub trap: String,
    /// The place it hangs at.
    pub place: String,
    /// Since when it hangs there.
    pub hung: Date,
    /// How it was last found: working, impaired, down or missing.
    pub condition: String,
    /// The last visit that reached it.
    pub last_visit: Option<Date>,
    /// No visit has reached it since it was hung.
    pub never_visited: bool,
    /// The day that the last visit set for the next.
    pub next_due: Option<Date>,
    /// The worst of its clocks.
    pub worst: Level,
    /// Days by which the clock that is furthest past its limit is past it: past failure for a failed trap, else past the
    /// warning.
    pub past_days: i64,
    /// Every clock that has limits.
    pub clocks: Vec<ClockAge>,
    /// Labels of the holds that cover it on the day asked for.
    pub holds: Vec<String>,
}

/// A hold with its end, as far as that is known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Hold {
    /// Its label.
    pub hold: String,
    /// Why.
    pub cause: Cause,
    /// What it covers.
    pub scope: HoldScope,
    /// First day.
    pub from: Date,
    /// Last day; none: open-ended.
    pub to: Option<Date>,
}

impl Programme {
    /// Every hold that was declared, by first day. A hold that was lifted ends on the day before; a lifting ends every
    /// declaration of its label that began by then. One lifted on its first day covers nothing and is left out.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn holds(&self) -> Result<Vec<Hold>, Error> {
        holds(&self.db)
    }

    /// The hanging traps on which a clock is due or has failed, worst first: failed before due, then by the days past the
    /// limit, then by label.
    ///
    /// A clock counts from the day it was last set back since the trap was hung where it hangs now, or else from that day.
    /// It is due when `days >= warn_days` and failed when `days >= fail_days`. A clock that lies ahead of `today` (the
    /// question is asked of an earlier day than the last visit) counts 0 days. Traps hung after `today` are left out; the
    /// state is that of now, not of `today`.
    ///
    /// Excused days are those after the clock was set back, up to `today`, on which a hold covers the trap where it hangs
    /// now; a day under two holds counts once. A zone covers a trap whose placement lies in it.
    ///
    /// # Errors
    /// Limits that can't be; a database that can't be read.
    pub fn overdue(&self, today: Date, limits: &Limits) -> Result<Vec<Due>, Error> {
        limits.check()?;
        let cover = Cover::read(&self.db)?;
        let positions = cover.needs_positions();
        let mut select = self.db.prepare_cached(if positions {
            "SELECT t.trap, t.place, t.since, t.condition, t.last_visit, t.next_due, t.last_look, t.lure, t.insert_day,
                    t.killing_agent, t.body_day, p.body
             FROM traps t LEFT JOIN placements p ON p.entry = t.placement WHERE t.state = 'hanging' AND t.since <= ?"
        } else {
            "SELECT trap, place, since, condition, last_visit, next_due, last_look, lure, insert_day, killing_agent,
                    body_day, NULL
             FROM traps WHERE state = 'hanging' AND since <= ?"
        })?;
        let mut rows = select.query([today.to_string()])?;
        let mut due = Vec::new();
        while let Some(row) = rows.next()? {
            due.extend(due_of(row, today, limits, &cover)?);
        }
        due.sort_by(|a, b| {
            (b.worst, b.past_days)
                .cmp(&(a.worst, a.past_days))
                .then_with(|| a.trap.cmp(&b.trap))
        });
        Ok(due)
    }
}

fn day_at(row: &Row<'_>, column: usize) -> Result<Option<Date>, Error> {
    match row.get_ref(column)? {
        rusqlite::types::ValueRef::Null => Ok(None),
        value => read_day(value.as_str().map_err(rusqlite::Error::from)?).map(Some),
    }
}

fn due_of(row: &Row<'_>, today: Date, limits: &Limits, cover: &Cover) -> Result<Option<Due>, Error> {
    let hung = day_at(row, 2)?.unwrap_or(today);
    let mut clocks = Vec::new();
    let (mut worst, mut past_days) = (Level::Fine, i64::MIN);
    for (i, clock) in Clock::ALL.into_iter().enumerate() {
        let Some(limit) = limits.of(clock) else { continue };
        let last = day_at(row, 6 + i)?.unwrap_or(hung);
        let days = days_between(last, today).max(0);
        let (level, past) = if days >= i64::from(limit.fail_days) {
            (Level::Fail, days - i64::from(limit.fail_days))
        } else if days >= i64::from(limit.warn_days) {
            (Level::Warn, days - i64::from(limit.warn_days))
        } else {
            (Level::Fine, days - i64::from(limit.warn_days))
        };
        (worst, past_days) = (worst, past_days).max((level, past));
        clocks.push(ClockAge {
            clock,
            last,
            days,
            level,
            limit,
            excused_days: 0,
        });
    }
    if worst == Level::Fine {
        return Ok(None);
    }
    let trap: String = row.get(0)?;
    let place: String = row.get::<_, Option<String>>(1)?.unwrap_or_default();
    let position = match row.get_ref(11)? {
        rusqlite::types::ValueRef::Null => None,
        body => {
            let text = body.as_str().map_err(rusqlite::Error::from)?;
            Some(
                serde_json::from_str::<Placement>(text)
                    .map_err(|e| damaged(&e))?
                    .position,
            )
        }
    };
    let holds = cover.of(&trap, &place, position);
    for clock in &mut clocks {
        clock.excused_days = excused_days(&holds, later(clock.last, 1), today);
    }
    let last_visit = day_at(row, 4)?;
    Ok(Some(Due {
        trap,
        place,
        hung,
        condition: row.get::<_, Option<String>>(3)?.unwrap_or_default(),
        last_visit,
        never_visited: last_visit.is_none(),
        next_due: day_at(row, 5)?,
        worst,
        past_days,
        clocks,
        holds: holds
            .iter()
            .filter(|hold| covers_day(hold, today))
            .map(|hold| hold.hold.clone())
            .collect(),
    }))
}

fn holds(db: &Connection) -> Result<Vec<Hold>, Error> {
    let mut lifted: Vec<HoldLifted> = Vec::new();
    for fact in facts_where(db, "kind = ?", ["hold-lifted"])? {
        if let Body::HoldLifted(lift) = fact.body()? {
            lifted.push(lift);
        }
    }
    let mut holds = Vec::new();
    for fact in facts_where(db, "kind = ? ORDER BY day, entry", ["hold-declared"])? {
        if let Body::HoldDeclared(declared) = fact.body()? {
            holds.extend(with_end(declared, &lifted));
        }
    }
    holds.sort_by(|a, b| (a.from, &a.hold).cmp(&(b.from, &b.hold)));
    Ok(holds)
}

fn with_end(declared: HoldDeclared, lifted: &[HoldLifted]) -> Option<Hold> {
    let lift = lifted
        .iter()
        .filter(|lift| lift.hold == declared.hold && lift.date >= declared.from)
        .map(|lift| later(lift.date, -1))
        .min();
    let to = match (declared.to, lift) {
        (Some(to), Some(lift)) => Some(to.min(lift)),
        (to, lift) => to.or(lift),
    };
    to.is_none_or(|to| declared.from <= to).then_some(Hold {
        hold: declared.hold,
        cause: declared.cause,
        scope: declared.scope,
        from: declared.from,
        to,
    })
}

pub(super) fn covers_day(hold: &Hold, day: Date) -> bool {
    hold.from <= day && hold.to.is_none_or(|to| day <= to)
}

/// Days of a span, both ends included, that at least one of the holds covers.
pub(super) fn excused_days(holds: &[&Hold], from: Date, to: Date) -> i64 {
    let mut spans: Vec<(Date, Date)> = holds
        .iter()
        .map(|hold| (hold.from.max(from), hold.to.unwrap_or(to).min(to)))
        .filter(|(first, last)| first <= last)
        .collect();
    spans.sort_unstable();
    let (mut days, mut counted_to) = (0, None::<Date>);
    for (first, last) in spans {
        let first = counted_to.map_or(first, |done| first.max(later(done, 1)));
        if first <= last {
            days += days_between(first, last) + 1;
            counted_to = Some(last);
        }
    }
    days
}

/// A hold with the ground of its zones.
struct Ground {
    hold: Hold,
    zones: Vec<(Bounds, Area)>,
}

/// What covers which trap.
pub(super) struct Cover(Vec<Ground>);

impl Cover {
    pub(super) fn read(db: &Connection) -> Result<Self, Error> {
        let mut grounds = Vec::new();
        for hold in holds(db)? {
            let zones = match &hold.scope {
                HoldScope::Zones(labels) => zones(db, labels)?,
                _ => Vec::new(),
            };
            grounds.push(Ground { hold, zones });
        }
        Ok(Cover(grounds))
    }

    /// Whether it takes a trap's position to tell.
    fn needs_positions(&self) -> bool {
        self.0.iter().any(|ground| !ground.zones.is_empty())
    }

    /// The holds that cover a trap at a place, whatever the day.
    pub(super) fn of(&self, trap: &str, place: &str, position: Option<Position>) -> Vec<&Hold> {
        let among = |labels: &[String], label: &str| labels.iter().any(|l| l == label);
        self.0
            .iter()
            .filter(|ground| match &ground.hold.scope {
                HoldScope::All => true,
                HoldScope::Zones(_) => {
                    position.is_some_and(|p| ground.zones.iter().any(|zone| is_in(zone, p)))
                }
                HoldScope::Places(labels) => among(labels, place),
                HoldScope::Traps(labels) => among(labels, trap),
            })
            .map(|ground| &ground.hold)
            .collect()
    }
}

fn zones(db: &Connection, labels: &[String]) -> Result<Vec<(Bounds, Area)>, Error> {
    let mut select = db.prepare_cached("SELECT body FROM zones WHERE label = ?")?;
    let mut found = Vec::new();
    for label in labels {
        let mut rows = select.query([label])?;
        while let Some(row) = rows.next()? {
            let text = row.get_ref(0)?.as_str().map_err(rusqlite::Error::from)?;
            let zone: earlywood_model::record::Zone = serde_json::from_str(text).map_err(|e| damaged(&e))?;
            found.push((Bounds::of(&zone.area), zone.area));
        }
    }
    Ok(found)
}

/// The box around an area, degrees.
#[derive(Debug, Clone, Copy)]
struct Bounds {
    low: [f64; 2],
    high: [f64; 2],
}

impl Bounds {
    fn of(area: &Area) -> Self {
        let mut bounds = Bounds {
            low: [f64::INFINITY; 2],
            high: [f64::NEG_INFINITY; 2],
        };
        for [x, y] in area.0.iter().flatten().flatten() {
            bounds.low = [bounds.low[0].min(*x), bounds.low[1].min(*y)];
            bounds.high = [bounds.high[0].max(*x), bounds.high[1].max(*y)];
        }
        bounds
    }
}

fn is_in((bounds, area): &(Bounds, Area), p: Position) -> bool {
    (bounds.low[0]..=bounds.high[0]).contains(&p.lon)
        && (bounds.low[1]..=bounds.high[1]).contains(&p.lat)
        && contains(area, p)
}

/// Whether a position is in an area: an odd number of crossings of a ray to the east, over all rings of one polygon, so
/// that holes are out. A point on an edge is in one of two areas that share the edge, as in the geodata crate (which this
/// crate does not depend on).
pub(super) fn contains(area: &Area, p: Position) -> bool {
    let odd = |ring: &Vec<[f64; 2]>| {
        let before = ring.last().into_iter().chain(ring);
        before
            .zip(ring)
            .filter(|([ax, ay], [bx, by])| {
                (*ay > p.lat) != (*by > p.lat) && p.lon < ax + (p.lat - ay) / (by - ay) * (bx - ax)
            })
            .count()
            % 2
            == 1
    };
    area.0
        .iter()
        .any(|rings| rings.iter().fold(false, |inside, ring| inside ^ odd(ring)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    fn hold(label: &str, from: Date, to: Option<Date>) -> Hold {
        Hold {
            hold: label.into(),
            cause: Cause::Flood,
            scope: HoldScope::All,
            from,
            to,
        }
    }

    #[test]
    fn a_day_under_two_holds_counts_once() {
        let (a, b, open) = (
            hold("a", date(2026, 6, 1), Some(date(2026, 6, 10))),
            hold("b", date(2026, 6, 5), Some(date(2026, 6, 12))),
            hold("c", date(2026, 6, 20), None),
        );
        let days = |holds: &[&Hold], from, to| excused_days(holds, date(2026, 6, from), date(2026, 6, to));
        assert_eq!(days(&[&a, &b], 1, 30), 12);
        assert_eq!(days(&[&b, &a, &open], 1, 30), 23);
        assert_eq!(days(&[&a], 10, 30), 1);
        assert_eq!(days(&[&a], 11, 30), 0);
        assert_eq!(days(&[&open], 25, 24), 0);
        assert_eq!(days(&[], 1, 30), 0);
    }

    #[test]
    fn a_lifting_ends_what_had_begun() {
        let declared = |from, to| HoldDeclared {
            hold: "h".into(),
            cause: Cause::Heat,
            scope: HoldScope::All,
            from,
            to,
            note: None,
        };
        let lift = |date| HoldLifted {
            hold: "h".into(),
            date,
        };
        let day = |d| date(2026, 7, d);
        let end = |from, to, lifts: &[HoldLifted]| with_end(declared(from, to), lifts).map(|hold| hold.to);
        assert_eq!(end(day(1), None, &[lift(day(5))]), Some(Some(day(4))));
        assert_eq!(end(day(1), Some(day(3)), &[lift(day(5))]), Some(Some(day(3))));
        // An earlier lifting is of an earlier hold of the same label.
        assert_eq!(end(day(6), None, &[lift(day(5))]), Some(None));
        assert_eq!(end(day(5), None, &[lift(day(5))]), None);
    }

    #[test]
    fn holes_are_out_and_their_islands_in() {
        let square = |lo: f64, hi: f64| vec![[lo, lo], [hi, lo], [hi, hi], [lo, hi], [lo, lo]];
        let area = Area(vec![
            vec![square(0.0, 10.0), square(2.0, 8.0)],
            vec![square(4.0, 6.0)],
        ]);
        let at = |x: f64| {
            contains(
                &area,
                Position {
                    lat: x,
                    lon: x + 0.25,
                },
            )
        };
        assert_eq!([at(1.0), at(3.0), at(5.0), at(11.0)], [true, false, true, false]);
        assert!(!contains(&Area::default(), Position { lat: 0.0, lon: 0.0 }));
    }
}
