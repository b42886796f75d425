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
    pub(super) fn leave(&self, by: i64, drive: i64) -> i64 {
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

/// One visit in one shift, all that an insertion asks in one line of the processor's cache.
#[derive(Debug, Clone, Copy)]
struct Slot {
    /// the one window of start (the hull of several); empty if the shift may not do the visit
    from: i64,
    to: i64,
    /// cost of the day and of a change
    fixed: f64,
    /// where its windows stand, and how many they are (0 = not allowed)
    first: u32,
    count: u32,
}

/// The whole problem, or a part of it. Nodes are the visits, then the places where shifts begin or end.
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
    /// visit `v` in shift `s`: `slots[v * shifts + s]`
    slots: Vec<Slot>,
    /// the windows of slots that have several
    windows: Vec<(i64, i64)>,
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
            slots: Vec::with_capacity(visits * problem.shifts.len()),
            windows: Vec::new(),
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
        model.find_depots();
        let counted = model.find_near(neighbours);
        model.scale = counted;
        model
    }

    fn lay_out_windows(&mut self, problem: &Problem, v: usize) {
        let visit = &problem.visits[v];
        let mut allowed = Vec::new();
        let mut found: Vec<(i64, i64)> = Vec::new();
        for (s, shift) in problem.shifts.iter().enumerate() {
            let named = visit.only_shifts.is_empty() || visit.only_shifts.contains(&s);
            let fits = shift.capacity.is_none_or(|c| visit.load <= c);
            found.clear();
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
                        found.push((a, b));
                    }
                }
                join(&mut found);
            }
            let day_cost = visit.day_cost.get(shift.day).copied().unwrap_or(0.0);
            let change = visit
                .usual
                .map_or(0.0, |u| if u.shift == s { 0.0 } else { u.cost });
            self.slots.push(Slot {
                from: found.first().map_or(NEVER, |w| w.0),
                to: found.last().map_or(-NEVER, |w| w.1),
                fixed: day_cost + change,
                first: self.windows.len() as u32,
                count: found.len() as u32,
            });
            if !found.is_empty() {
                allowed.push(s as u32);
            }
            if found.len() > 1 {
                self.windows.extend_from_slice(&found);
            }
        }
        self.allowed.push(allowed);
    }

    /// The part of a problem that these visits and these shifts make up, numbered anew in the order given. Its scale is the whole's.
    pub(super) fn part(&self, visits: &[u32], shifts: &[u32], neighbours: usize) -> Model {
        let mut places: Vec<usize> = shifts
            .iter()
            .flat_map(|&s| [self.days[s as usize].from, self.days[s as usize].to])
            .collect();
        places.sort_unstable();
        places.dedup();
        let at: Vec<usize> = visits
            .iter()
            .map(|&v| v as usize)
            .chain(places.iter().copied())
            .collect();
        let table = |whole: &[u32]| {
            let mut cut = Vec::with_capacity(at.len() * at.len());
            for &a in &at {
                let row = &whole[a * self.nodes..(a + 1) * self.nodes];
                cut.extend(at.iter().map(|&b| row[b]));
            }
            cut
        };
        let node_of = |node: usize| visits.len() + places.partition_point(|&p| p < node);
        let days = shifts.iter().map(|&s| {
            let day = &self.days[s as usize];
            Day {
                from: node_of(day.from),
                to: node_of(day.to),
                ..day.clone()
            }
        });
        let mut part = Model {
            visits: visits.len(),
            nodes: at.len(),
            out: table(&self.out),
            into: table(&self.into),
            days: days.collect(),
            service: visits.iter().map(|&v| self.service[v as usize]).collect(),
            worth: visits.iter().map(|&v| self.worth[v as usize]).collect(),
            load: visits.iter().map(|&v| self.load[v as usize]).collect(),
            slots: Vec::with_capacity(visits.len() * shifts.len()),
            windows: Vec::new(),
            allowed: Vec::with_capacity(visits.len()),
            near: Vec::new(),
            depot: Vec::with_capacity(visits.len()),
            drive_weight: self.drive_weight,
            round_cost: self.round_cost,
            scale: self.scale,
        };
        for &v in visits {
            let mut allowed = Vec::new();
            for (k, &s) in shifts.iter().enumerate() {
                let mut slot = *self.slot(v as usize, s as usize);
                if slot.count > 1 {
                    let windows = self.windows(&slot);
                    slot.first = part.windows.len() as u32;
                    part.windows.extend_from_slice(windows);
                }
                if slot.count > 0 {
                    allowed.push(k as u32);
                }
                part.slots.push(slot);
            }
            part.allowed.push(allowed);
        }
        part.find_depots();
        part.find_near(neighbours);
        part
    }

    fn find_depots(&mut self) {
        for v in 0..self.visits {
            let begins = self.allowed[v]
                .iter()
                .map(|&s| self.drive_into(self.days[s as usize].from, v));
            let least = begins.min().unwrap_or(NEVER);
            self.depot.push(least);
        }
    }

    /// Finds the near visits of each, and a usual drive between neighbours, as cost.
    fn find_near(&mut self, neighbours: usize) -> f64 {
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
        if drive > 0.0 {
            drive
        } else {
            (worth / 100.0).max(1e-6)
        }
    }

    /// Seconds from node to node, [`NEVER`] if there is no way.
    pub(super) fn drive(&self, from: usize, to: usize) -> i64 {
        far(self.out[from * self.nodes + to])
    }

    /// Seconds to node `v`, looked up in its own row.
    pub(super) fn drive_into(&self, from: usize, v: usize) -> i64 {
        far(self.into[v * self.nodes + from])
    }

    fn slot(&self, v: usize, s: usize) -> &Slot {
        &self.slots[v * self.days.len() + s]
    }

    /// Cost of the day and of a change.
    pub(super) fn fixed(&self, v: usize, s: usize) -> f64 {
        self.slot(v, s).fixed
    }

    pub(super) fn may(&self, v: usize, s: usize) -> bool {
        self.slot(v, s).count > 0
    }

    /// Seconds to a visit from the nearest begin of a shift that may do it.
    pub(super) fn depot(&self, v: u32) -> i64 {
        self.depot[v as usize]
    }

    /// How many shifts may do a visit: few = hard to place.
    pub(super) fn room(&self, v: usize) -> usize {
        self.allowed[v].len()
    }

    fn windows(&self, slot: &Slot) -> &[(i64, i64)] {
        &self.windows[slot.first as usize..(slot.first + slot.count) as usize]
    }

    /// First start of the work at `v` in shift `s` for a crew that is there at `t`; [`NEVER`] if none is left.
    pub(super) fn start(&self, v: usize, s: usize, t: i64) -> i64 {
        let slot = self.slot(v, s);
        if t > slot.to {
            NEVER
        } else if slot.count == 1 {
            slot.from.max(t)
        } else {
            self.windows(slot)
                .iter()
                .find(|w| t <= w.1)
                .map_or(NEVER, |w| w.0.max(t))
        }
    }

    /// Last start of the work at `v` in shift `s` that is no later than `t`; `-NEVER` if there is none.
    pub(super) fn last_start(&self, v: usize, s: usize, t: i64) -> i64 {
        let slot = self.slot(v, s);
        if t < slot.from {
            -NEVER
        } else if slot.count == 1 {
            slot.to.min(t)
        } else {
            self.windows(slot)
                .iter()
                .rev()
                .find(|w| w.0 <= t)
                .map_or(-NEVER, |w| w.1.min(t))
        }
    }
}

fn far(raw: u32) -> i64 {
    if raw == Travel::UNREACHABLE {
        NEVER
    } else {
        i64::from(raw)
    }
}

/// Sorts windows and joins those that overlap.
fn join(windows: &mut Vec<(i64, i64)>) {
    windows.sort_unstable();
    let mut kept = 0;
    for k in 0..windows.len() {
        let w = windows[k];
        if kept > 0 && w.0 <= windows[kept - 1].1 + 1 {
            windows[kept - 1].1 = windows[kept - 1].1.max(w.1);
        } else {
            windows[kept] = w;
            kept += 1;
        }
    }
    windows.truncate(kept);
}
