//! One shift's order of visits, laid out for speed.

use super::model::{Day, Model, NEVER};

/// A place in an order: between two nodes, what an insertion there must know.
#[derive(Debug, Clone, Copy)]
struct Spot {
    /// node before and node behind
    before: u32,
    behind: u32,
    /// drive between them
    leg: i64,
    /// earliest moment the crew is free at `before`: pause still owed, pause taken
    owed: i64,
    rested: i64,
    /// latest start at `behind` (at the end: latest end): pause still to come, pause taken
    late_owed: i64,
    late_rested: i64,
}

/// One shift's order of visits with all that is needed to judge an insertion in a few operations.
///
/// Arriving earlier never hurts (one can wait), so two numbers per place in the order and per state (pause still owed, pause taken)
/// decide exactly whether something fits: the earliest moment the crew is free, and the latest moment the rest may begin.
#[derive(Debug, Default)]
pub(super) struct Route {
    pub(super) order: Vec<u32>,
    /// one more than the order has stops
    spots: Vec<Spot>,
    drive: i64,
    pub(super) busy: i64,
    load: u64,
    /// costs of the days and of changes
    fixed: f64,
    pub(super) cost: f64,
}

impl Clone for Route {
    fn clone(&self) -> Route {
        let mut copy = Route::default();
        copy.clone_from(self);
        copy
    }

    /// Without new memory where there is room.
    fn clone_from(&mut self, from: &Route) {
        self.order.clone_from(&from.order);
        self.spots.clone_from(&from.spots);
        (self.drive, self.busy, self.load) = (from.drive, from.busy, from.load);
        (self.fixed, self.cost) = (from.fixed, from.cost);
    }
}

impl Route {
    /// An order of visits, not worked out yet: [`Route::refresh`] does so.
    pub(super) fn of(order: Vec<u32>) -> Route {
        Route {
            order,
            ..Route::default()
        }
    }

    /// Works everything out again after a change of the order. False if the order can't be driven.
    pub(super) fn refresh(&mut self, m: &Model, s: usize) -> bool {
        let day = &m.days[s];
        let end = self.order.len();
        self.spots.clear();
        (self.drive, self.busy, self.load, self.fixed) = (0, 0, 0, 0.0);
        let mut before = day.from;
        for k in 0..=end {
            let behind = self.order.get(k).map_or(day.to, |&v| v as usize);
            let leg = m.drive(before, behind);
            self.spots.push(Spot {
                before: before as u32,
                behind: behind as u32,
                leg,
                owed: day.opens,
                rested: NEVER,
                late_owed: day.closes_unrested,
                late_rested: day.closes,
            });
            self.drive += leg;
            if k < end {
                self.busy += m.service[behind];
                self.load += m.load[behind];
                self.fixed += m.fixed(behind, s);
            }
            before = behind;
        }
        if end == 0 {
            (self.drive, self.cost) = (0, 0.0);
            return true;
        }
        self.busy += self.drive;
        self.reckon(m, day);
        self.forward(m, s, 1);
        self.backward(m, s, end);
        self.load <= day.capacity && self.reaches(day)
    }

    /// Puts a visit at place `k`, where [`Route::insertion`] found that it fits.
    pub(super) fn insert(&mut self, m: &Model, s: usize, v: u32, k: usize) {
        let day = &m.days[s];
        let vi = v as usize;
        let old = self.spots[k];
        let (to, on) = (
            m.drive_into(old.before as usize, vi),
            m.drive(vi, old.behind as usize),
        );
        let more = to + on - if self.order.is_empty() { 0 } else { old.leg };
        self.order.insert(k, v);
        self.spots[k] = Spot {
            behind: v,
            leg: to,
            ..old
        };
        self.spots.insert(
            k + 1,
            Spot {
                before: v,
                leg: on,
                ..old
            },
        );
        self.drive += more;
        self.busy += more + m.service[vi];
        self.load += m.load[vi];
        self.fixed += m.fixed(vi, s);
        self.reckon(m, day);
        self.forward(m, s, k + 1);
        self.backward(m, s, k + 1);
    }

    fn reckon(&mut self, m: &Model, day: &Day) {
        let busy = self.busy as f64;
        self.cost = m.round_cost + m.drive_weight * self.drive as f64 + day.fair * busy * busy + self.fixed;
    }

    /// Earliest moments from place `from` on; those before stand.
    fn forward(&mut self, m: &Model, s: usize, from: usize) {
        let day = &m.days[s];
        let last = self.spots[from - 1];
        let (mut owed, mut rested, mut leg) = (last.owed, last.rested, last.leg);
        for spot in &mut self.spots[from..] {
            let v = spot.before as usize;
            let by_rest = match day.rest {
                Some(rest) if owed < NEVER => rest.arrive(owed, leg),
                _ => NEVER,
            };
            let after = |t: i64| {
                if t >= NEVER {
                    NEVER
                } else {
                    m.start(v, s, t) + m.service[v]
                }
            };
            (owed, rested) = (after(owed + leg), after(by_rest.min(rested + leg)));
            (spot.owed, spot.rested, leg) = (owed, rested, spot.leg);
        }
    }

    /// Latest moments of the places before `to`; that of `to` stands.
    fn backward(&mut self, m: &Model, s: usize, to: usize) {
        let day = &m.days[s];
        let next = self.spots[to];
        let (mut owed, mut rested, mut leg) = (next.late_owed, next.late_rested, next.leg);
        for spot in self.spots[..to].iter_mut().rev() {
            let v = spot.behind as usize;
            let by_rest = day.rest.map_or(-NEVER, |r| r.leave(rested, leg));
            let last = |t: i64| {
                if t <= -NEVER {
                    -NEVER
                } else {
                    m.last_start(v, s, t - m.service[v])
                }
            };
            (owed, rested) = (last((owed - leg).max(by_rest)), last(rested - leg));
            (spot.late_owed, spot.late_rested, leg) = (owed, rested, spot.leg);
        }
    }

    /// Can the whole be done?
    fn reaches(&self, day: &Day) -> bool {
        let first = &self.spots[0];
        first.owed + first.leg <= first.late_owed
            || day
                .rest
                .is_some_and(|r| r.arrive(first.owed, first.leg) <= first.late_rested)
    }

    /// What inserting `v` at place `k` would add to the cost, if it costs less than `below` and can be driven.
    pub(super) fn insertion(&self, m: &Model, s: usize, v: usize, k: usize, below: f64) -> Option<f64> {
        let day = &m.days[s];
        let spot = &self.spots[k];
        let (to, on) = (
            m.drive_into(spot.before as usize, v),
            m.drive(v, spot.behind as usize),
        );
        let empty = self.order.is_empty();
        let more = to + on - if empty { 0 } else { spot.leg };
        let mut cost = m.drive_weight * more as f64 + m.fixed(v, s);
        if day.fair > 0.0 {
            let (b, db) = (self.busy as f64, (more + m.service[v]) as f64);
            cost += day.fair * db * (2.0 * b + db);
        }
        if empty {
            cost += m.round_cost;
        }
        if cost >= below || self.load + m.load[v] > day.capacity {
            return None;
        }
        let (owed, rested, service) = (spot.owed, spot.rested, m.service[v]);
        let start = if owed >= NEVER {
            NEVER
        } else {
            m.start(v, s, owed + to)
        };
        if start < NEVER && start + service + on <= spot.late_owed {
            return Some(cost);
        }
        let rest = day.rest?;
        if start < NEVER && rest.arrive(start + service, on) <= spot.late_rested {
            return Some(cost);
        }
        let by_rest = if owed >= NEVER {
            NEVER
        } else {
            rest.arrive(owed, to)
        };
        let start = m.start(v, s, by_rest.min(rested + to));
        (start < NEVER && start + service + on <= spot.late_rested).then_some(cost)
    }

    /// Before which stop (or the end) the pause is taken, if it is.
    pub(super) fn rest_before(&self, m: &Model, s: usize) -> Option<usize> {
        let day = &m.days[s];
        let rest = day.rest?;
        let end = self.order.len();
        let last = &self.spots[end];
        if last.owed < NEVER && last.owed + last.leg <= day.closes_unrested {
            return None;
        }
        // Walk back: at each place, was the pause taken on the last drive, or before?
        let mut k = end;
        loop {
            let spot = &self.spots[k];
            let by_rest = if spot.owed >= NEVER {
                NEVER
            } else {
                rest.arrive(spot.owed, spot.leg)
            };
            if k == 0 || by_rest <= spot.rested + spot.leg {
                return Some(k);
            }
            k -= 1;
        }
    }
}
