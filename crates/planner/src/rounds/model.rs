//! The question, laid out for speed: what a solver looks up thousands of times a millisecond.

use super::problem::{Problem, Travel};

/// Later than any time of a problem that passed validation, and small enough to be added to.
pub(super) const NEVER: i64 = 1 << 40;

/// A pause, its window cut to the shift.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rest {
    pub(super) length: i64,
    pub(super) earliest: i64,
    pub(super) latest: i64,
}

impl Rest {
    /// Earliest arrival after a drive of `drive` seconds that begins at `left`, with the pause taken on the way or on arrival.
    /// [`NEVER`] or later if the pause's window is over.
    pub(super) fn arrive(&self, left: i64, drive: i64) -> i64 {
        let begin = left.max(self.earliest);
        if begin + self.length > self.latest {
            NEVER
        } else {
            (left + drive).max(begin) + self.length
        }
    }

    /// When the pause begins, if it is taken on or after a drive that begins at `left`.
    pub(super) fn begins(&self, left: i64) -> i64 {
        left.max(self.earliest)
    }

    /// Latest departure on a drive of `drive` seconds such that one has rested and is there by `by`; `-NEVER` if there is none.
    fn leave(&self, by: i64, drive: i64) -> i64 {
        if self.earliest + self.length > by {
            return -NEVER;
        }
        (by - drive - self.length).min(self.latest - self.length)
    }
}

/// A shift, laid out for speed.
#[derive(Debug, Clone)]
pub(super) struct Day {
    /// node of its begin and its end
    pub(super) from: usize,
    pub(super) to: usize,
    pub(super) opens: i64,
    pub(super) closes: i64,
    pub(super) rest: Option<Rest>,
    pub(super) capacity: u64,
    /// fairness: cost per squared busy second
    pub(super) fair: f64,
    /// latest end of a round without a pause
    pub(super) closes_unrested: i64,
}

/// The whole problem. Nodes are the visits, then the places where shifts begin or end.
pub(super) struct Model {
    pub(super) visits: usize,
    nodes: usize,
    /// travel, row = from; and the other way round, so that both directions of one visit lie together
    out: Vec<u32>,
    into: Vec<u32>,
    pub(super) days: Vec<Day>,
    pub(super) service: Vec<i64>,
    pub(super) worth: Vec<f64>,
    pub(super) load: Vec<u64>,
    /// windows of start of visit `v` in shift `s`: `windows[first[v * shifts + s]..first[v * shifts + s + 1]]`; none = not allowed
    windows: Vec<(i64, i64)>,
    first: Vec<u32>,
    /// cost of the day and of a change, of visit `v` in shift `s`
    fixed: Vec<f64>,
    /// shifts that may do a visit
    pub(super) allowed: Vec<Vec<u32>>,
    /// nearest other visits that share a shift, nearest first
    pub(super) near: Vec<Vec<u32>>,
    depot: Vec<i64>,
    pub(super) drive_weight: f64,
    pub(super) round_cost: f64,
    /// a usual drive between neighbours, as cost: the scale on which the search accepts worse
    pub(super) scale: f64,
}

impl Model {
    /// Lays out a problem that passed validation. `neighbours` is how many near visits are kept.
    pub(super) fn new(problem: &Problem, neighbours: usize) -> Model {
        let mut places: Vec<usize> = problem.shifts.iter().flat_map(|s| [s.from_at, s.to_at]).collect();
        places.sort_unstable();
        places.dedup();
        let visits = problem.visits.len();
        let at: Vec<usize> = problem
            .visits
            .iter()
            .map(|v| v.at)
            .chain(places.iter().copied())
            .collect();
        let nodes = at.len();
        let mut out = Vec::with_capacity(nodes * nodes);
        let mut into = Vec::with_capacity(nodes * nodes);
        for &a in &at {
            out.extend(at.iter().map(|&b| problem.travel.raw(a, b)));
        }
        for &b in &at {
            into.extend(at.iter().map(|&a| problem.travel.raw(a, b)));
        }
        let node_of = |place: usize| visits + places.partition_point(|&p| p < place);
        let w = problem.weights;
        let days = problem.shifts.iter().map(|s| {
            let rest = s.pause.map(|p| Rest {
                length: i64::from(p.length_s),
                earliest: p.earliest_s.max(s.opens_s),
                latest: p.latest_s.min(s.closes_s),
            });
            Day {
                from: node_of(s.from_at),
                to: node_of(s.to_at),
                opens: s.opens_s,
                closes: s.closes_s,
                // The window as the problem states it: the end of the shift doesn't shorten what is owed.
                closes_unrested: s
                    .pause
                    .map_or(s.closes_s, |p| s.closes_s.min(p.latest_s - i64::from(p.length_s))),
                rest,
                capacity: s.capacity.map_or(u64::MAX, u64::from),
                fair: w.fairness / (2.0 * (s.closes_s - s.opens_s) as f64),
            }
        });
        let mut model = Model {
            visits,
            nodes,
            out,
            into,
            days: days.collect(),
            service: problem.visits.iter().map(|v| i64::from(v.service_s)).collect(),
            worth: problem.visits.iter().map(|v| v.worth).collect(),
            load: problem.visits.iter().map(|v| u64::from(v.load)).collect(),
            windows: Vec::new(),
            first: vec![0],
            fixed: Vec::with_capacity(visits * problem.shifts.len()),
            allowed: Vec::with_capacity(visits),
            near: Vec::new(),
            depot: Vec::with_capacity(visits),
            drive_weight: w.drive,
            round_cost: w.round,
            scale: 1.0,
        };
        for v in 0..visits {
            model.lay_out_windows(problem, v);
        }
        for v in 0..visits {
            let begins = model.allowed[v]
                .iter()
                .map(|&s| model.drive_into(model.days[s as usize].from, v));
            model.depot.push(begins.min().unwrap_or(NEVER));
        }
        model.find_near(neighbours);
        model
    }

    fn lay_out_windows(&mut self, problem: &Problem, v: usize) {
        let visit = &problem.visits[v];
        let mut allowed = Vec::new();
        for (s, shift) in problem.shifts.iter().enumerate() {
            let named = visit.only_shifts.is_empty() || visit.only_shifts.contains(&s);
            let fits = shift.capacity.is_none_or(|c| visit.load <= c);
            let first = self.windows.len();
            if named && fits && visit.needs & !shift.skills == 0 {
                let day = &self.days[s];
                // Not cut by the direct drive: a table may hold a way round that is quicker.
                let (earliest, latest) = (day.opens, day.closes - self.service[v]);
                for &(a, b) in &visit.windows {
                    let b = if visit.ends_in_window {
                        b - self.service[v]
                    } else {
                        b
                    };
                    let (a, b) = (a.max(earliest), b.min(latest));
                    if a <= b {
                        self.windows.push((a, b));
                    }
                }
                join(&mut self.windows, first);
                if self.windows.len() > first {
                    allowed.push(s as u32);
                }
            }
            self.first.push(self.windows.len() as u32);
            let day_cost = visit.day_cost.get(shift.day).copied().unwrap_or(0.0);
            let change = visit
                .usual
                .map_or(0.0, |u| if u.shift == s { 0.0 } else { u.cost });
            self.fixed.push(day_cost + change);
        }
        self.allowed.push(allowed);
    }

    fn find_near(&mut self, neighbours: usize) {
        let words = self.days.len().div_ceil(64);
        let mut bits = vec![0_u64; self.visits * words];
        for (v, allowed) in self.allowed.iter().enumerate() {
            for &s in allowed {
                bits[v * words + s as usize / 64] |= 1 << (s % 64);
            }
        }
        let share = |u: usize, v: usize| (0..words).any(|k| bits[u * words + k] & bits[v * words + k] != 0);
        let (mut sum, mut counted) = (0.0, 0.0);
        for v in 0..self.visits {
            let both = |u: usize| self.drive(u, v) + self.drive(v, u);
            let mut others: Vec<(i64, u32)> = (0..self.visits)
                .filter(|&u| u != v && share(u, v))
                .map(|u| (both(u), u as u32))
                .collect();
            others.retain(|o| o.0 < NEVER * 2);
            if others.len() > neighbours {
                others.select_nth_unstable(neighbours);
                others.truncate(neighbours);
            }
            others.sort_unstable();
            for o in others.iter().take(8).filter(|o| o.0 > 0 && o.0 < NEVER) {
                sum += o.0 as f64 / 2.0;
                counted += 1.0;
            }
            self.near.push(others.into_iter().map(|o| o.1).collect());
        }
        let drive = if counted > 0.0 {
            self.drive_weight * sum / counted
        } else {
            0.0
        };
        let worth = self.worth.iter().sum::<f64>() / self.visits as f64;
        self.scale = if drive > 0.0 {
            drive
        } else {
            (worth / 100.0).max(1e-6)
        };
    }

    /// Seconds from node to node, [`NEVER`] if there is no way.
    pub(super) fn drive(&self, from: usize, to: usize) -> i64 {
        far(self.out[from * self.nodes + to])
    }

    /// Seconds to node `v`, looked up in its own row.
    pub(super) fn drive_into(&self, from: usize, v: usize) -> i64 {
        far(self.into[v * self.nodes + from])
    }

    pub(super) fn may(&self, v: usize, s: usize) -> bool {
        let k = v * self.days.len() + s;
        self.first[k] < self.first[k + 1]
    }

    pub(super) fn fixed(&self, v: usize, s: usize) -> f64 {
        self.fixed[v * self.days.len() + s]
    }

    /// Seconds to a visit from the nearest begin of a shift that may do it.
    pub(super) fn depot(&self, v: u32) -> i64 {
        self.depot[v as usize]
    }

    /// How many shifts may do a visit: few = hard to place.
    pub(super) fn room(&self, v: usize) -> usize {
        self.allowed[v].len()
    }

    fn windows(&self, v: usize, s: usize) -> &[(i64, i64)] {
        let k = v * self.days.len() + s;
        &self.windows[self.first[k] as usize..self.first[k + 1] as usize]
    }

    /// First start of the work at `v` in shift `s` for a crew that is there at `t`; [`NEVER`] if none is left.
    pub(super) fn start(&self, v: usize, s: usize, t: i64) -> i64 {
        self.windows(v, s)
            .iter()
            .find(|w| t <= w.1)
            .map_or(NEVER, |w| w.0.max(t))
    }

    /// Last start of the work at `v` in shift `s` that is no later than `t`; `-NEVER` if there is none.
    fn last_start(&self, v: usize, s: usize, t: i64) -> i64 {
        self.windows(v, s)
            .iter()
            .rev()
            .find(|w| w.0 <= t)
            .map_or(-NEVER, |w| w.1.min(t))
    }
}

fn far(raw: u32) -> i64 {
    if raw == Travel::UNREACHABLE {
        NEVER
    } else {
        i64::from(raw)
    }
}

/// Sorts the windows from `first` on and joins those that overlap.
fn join(windows: &mut Vec<(i64, i64)>, first: usize) {
    windows[first..].sort_unstable();
    let mut kept = first;
    for k in first..windows.len() {
        let w = windows[k];
        if kept > first && w.0 <= windows[kept - 1].1 + 1 {
            windows[kept - 1].1 = windows[kept - 1].1.max(w.1);
        } else {
            windows[kept] = w;
            kept += 1;
        }
    }
    windows.truncate(kept);
}

/// One shift's order of visits with all that is needed to judge an insertion in a few operations.
///
/// Arriving earlier never hurts (one can wait), so two numbers per place in the order and per state (pause still owed, pause taken)
/// decide exactly whether something fits: the earliest moment the crew is free, and the latest moment the rest may begin.
#[derive(Debug, Clone, Default)]
pub(super) struct Route {
    pub(super) order: Vec<u32>,
    /// drive to each stop, and to the end
    legs: Vec<i64>,
    /// earliest moment the crew is free at the begin and after each stop: pause still owed, pause taken
    free: Vec<(i64, i64)>,
    /// latest start of each stop, and latest end: pause still to come, pause taken
    late: Vec<(i64, i64)>,
    pub(super) busy: i64,
    load: u64,
    pub(super) cost: f64,
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
        self.legs.clear();
        self.free.clear();
        self.late.clear();
        (self.busy, self.load, self.cost) = (0, 0, 0.0);
        self.late.resize(self.order.len() + 1, (0, 0));
        self.free.push((day.opens, NEVER));
        if self.order.is_empty() {
            self.legs.push(m.drive(day.from, day.to));
            self.late[0] = (day.closes_unrested, day.closes);
            return true;
        }
        let mut here = day.from;
        let mut drive = 0;
        for &v in &self.order {
            let v = v as usize;
            let leg = m.drive(here, v);
            let (owed, rested) = self.free[self.free.len() - 1];
            let after = |t: i64| {
                if t >= NEVER {
                    NEVER
                } else {
                    m.start(v, s, t) + m.service[v]
                }
            };
            let by_rest = day
                .rest
                .map_or(NEVER, |r| if owed >= NEVER { NEVER } else { r.arrive(owed, leg) });
            self.free
                .push((after(owed + leg), after(by_rest.min(rested + leg))));
            self.legs.push(leg);
            drive += leg;
            self.busy += m.service[v];
            self.load += m.load[v];
            self.cost += m.fixed(v, s);
            here = v;
        }
        let leg = m.drive(here, day.to);
        self.legs.push(leg);
        drive += leg;
        self.busy += drive;
        let busy = self.busy as f64;
        self.cost += m.round_cost + m.drive_weight * drive as f64 + day.fair * busy * busy;
        let end = self.order.len();
        self.late[end] = (day.closes_unrested, day.closes);
        for k in (0..end).rev() {
            let v = self.order[k] as usize;
            let (leg, work) = (self.legs[k + 1], m.service[v]);
            let (owed, rested) = self.late[k + 1];
            let by_rest = day.rest.map_or(-NEVER, |r| r.leave(rested, leg));
            let last = |t: i64| {
                if t <= -NEVER {
                    -NEVER
                } else {
                    m.last_start(v, s, t - work)
                }
            };
            self.late[k] = (last((owed - leg).max(by_rest)), last(rested - leg));
        }
        self.load <= day.capacity && self.reaches(day, 0, day.opens, NEVER)
    }

    /// Can the rest from place `k` on be done by a crew that is free at `owed` (pause still to come) or `rested`?
    fn reaches(&self, day: &Day, k: usize, owed: i64, rested: i64) -> bool {
        let leg = self.legs[k];
        let late = self.late[k];
        (owed < NEVER && owed + leg <= late.0)
            || (rested < NEVER && rested + leg <= late.1)
            || day
                .rest
                .is_some_and(|r| owed < NEVER && r.arrive(owed, leg) <= late.1)
    }

    /// What inserting `v` at place `k` would add to the cost, if it costs less than `below` and can be driven.
    pub(super) fn insertion(&self, m: &Model, s: usize, v: usize, k: usize, below: f64) -> Option<f64> {
        let day = &m.days[s];
        let before = if k == 0 {
            day.from
        } else {
            self.order[k - 1] as usize
        };
        let behind = if k == self.order.len() {
            day.to
        } else {
            self.order[k] as usize
        };
        let (to, on) = (m.drive_into(before, v), m.drive(v, behind));
        let empty = self.order.is_empty();
        let more = to + on - if empty { 0 } else { self.legs[k] };
        let (b, db) = (self.busy as f64, (more + m.service[v]) as f64);
        let mut cost = m.drive_weight * more as f64 + day.fair * db * (2.0 * b + db) + m.fixed(v, s);
        if empty {
            cost += m.round_cost;
        }
        if cost >= below || self.load + m.load[v] > day.capacity {
            return None;
        }
        let (owed, rested) = self.free[k];
        let late = self.late[k];
        let start = if owed >= NEVER {
            NEVER
        } else {
            m.start(v, s, owed + to)
        };
        if start < NEVER && start + m.service[v] + on <= late.0 {
            return Some(cost);
        }
        let rest = day.rest?;
        if start < NEVER && rest.arrive(start + m.service[v], on) <= late.1 {
            return Some(cost);
        }
        let by_rest = if owed >= NEVER {
            NEVER
        } else {
            rest.arrive(owed, to)
        };
        let start = m.start(v, s, by_rest.min(rested + to));
        (start < NEVER && start + m.service[v] + on <= late.1).then_some(cost)
    }

    /// The drives, and before which stop (or the end) the pause is taken, if it is.
    pub(super) fn rest_before(&self, m: &Model, s: usize) -> Option<usize> {
        let day = &m.days[s];
        let rest = day.rest?;
        let end = self.order.len();
        let (owed, mut rested) = self.free[end];
        if owed < NEVER && owed + self.legs[end] <= day.closes_unrested {
            return None;
        }
        // Walk back: at each place, was the pause taken on the last drive, or before?
        let mut k = end;
        loop {
            let owed = self.free[k].0;
            let by_rest = if owed >= NEVER {
                NEVER
            } else {
                rest.arrive(owed, self.legs[k])
            };
            if k == 0 || by_rest <= rested + self.legs[k] {
                return Some(k);
            }
            k -= 1;
            rested = self.free[k].1;
        }
    }
}
