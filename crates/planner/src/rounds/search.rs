//! The search: take strings of neighbouring stops out of a few rounds, put them back greedily, and keep the result by simulated annealing.
//!
//! Slack induction by string removals, Christiaens and Vanden Berghe 2020 (Transportation Science 54(2), 417-433,
//! <https://doi.org/10.1287/trsc.2019.0914>), with what the work here needs besides: visits may stay out at a price, several windows and
//! a pause are judged exactly, and only places next to near visits are tried first.
//!
//! Visits go in one at a time: one that can be reached or left only by way of another visit stays out, and is told of with its reason.

use super::chance::{Chance, ln};
use super::model::Model;
use super::route::Route;

const OUT: u32 = u32::MAX;
/// Stops taken out per iteration on average, longest string, chance that a string keeps a middle part, chance to overlook a place:
/// the paper's values.
const REMOVED: f64 = 10.0;
const LONGEST: usize = 10;
const SPLIT: f64 = 0.5;
const BLINK: f64 = 0.01;
/// Left-out visits that are tried again in one iteration, at most.
const RETRIED: usize = 12;
/// Rounds are all tried, not only those of near visits, in one insertion of so many.
const WIDE_EVERY: usize = 32;
/// One iteration of so many puts some visits in at a loss.
const GENEROUS_EVERY: usize = 8;
/// Problems up to this size try every place every time.
const SMALL: usize = 64;

/// An order of visits for every shift, with its cost.
pub(super) struct State<'a> {
    m: &'a Model,
    pub(super) routes: Vec<Route>,
    /// shift and place of every visit
    at: Vec<(u32, u32)>,
    pub(super) out: Vec<u32>,
    cost: f64,
    /// routes as they were at the begin of this iteration
    before: Vec<(usize, Route)>,
    touched: Vec<bool>,
    /// routes of no use but for their memory
    spare: Vec<Route>,
    chance: Chance,
    until_blink: usize,
}

impl<'a> State<'a> {
    pub(super) fn new(m: &'a Model, seed: u64) -> State<'a> {
        let shifts = m.days.len();
        let mut state = State {
            m,
            routes: vec![Route::default(); shifts],
            at: vec![(OUT, 0); m.visits],
            out: (0..m.visits as u32).collect(),
            cost: m.worth.iter().sum(),
            before: Vec::new(),
            touched: vec![false; shifts],
            spare: Vec::new(),
            chance: Chance::new(seed),
            until_blink: usize::MAX,
        };
        for (s, route) in state.routes.iter_mut().enumerate() {
            route.refresh(m, s);
        }
        state
    }

    /// Starts from given orders instead of from nothing. Each must be drivable.
    pub(super) fn load(&mut self, orders: &[Vec<u32>]) {
        self.at.fill((OUT, 0));
        for (s, order) in orders.iter().enumerate() {
            self.set(s, order.clone());
        }
        let at = &self.at;
        self.out = (0..at.len() as u32)
            .filter(|&v| at[v as usize].0 == OUT)
            .collect();
        self.cost = self.whole_cost();
    }

    fn whole_cost(&self) -> f64 {
        let out: f64 = self.out.iter().map(|&v| self.m.worth[v as usize]).sum();
        out + self.routes.iter().map(|r| r.cost).sum::<f64>()
    }

    fn set(&mut self, s: usize, order: Vec<u32>) {
        self.routes[s] = Route::of(order);
        self.routes[s].refresh(self.m, s);
        self.note_places(s, 0);
    }

    fn note_places(&mut self, s: usize, from: usize) {
        for (k, &v) in self.routes[s].order.iter().enumerate().skip(from) {
            self.at[v as usize] = (s as u32, k as u32);
        }
    }

    /// Remembers a round before its first change in this iteration.
    fn touch(&mut self, s: usize) {
        if !self.touched[s] {
            self.touched[s] = true;
            let mut copy = self.spare.pop().unwrap_or_default();
            copy.clone_from(&self.routes[s]);
            self.before.push((s, copy));
        }
    }

    fn insert(&mut self, v: u32, s: usize, k: usize) {
        self.touch(s);
        let route = &mut self.routes[s];
        self.cost -= route.cost;
        route.insert(self.m, s, v, k);
        self.cost += route.cost - self.m.worth[v as usize];
        self.note_places(s, k);
    }

    /// Takes the stops at places `from..from + length` out, but for `kept` of them from `keep` on.
    fn take(
        &mut self,
        s: usize,
        places: std::ops::Range<usize>,
        kept: std::ops::Range<usize>,
        taken: &mut Vec<u32>,
    ) {
        self.touch(s);
        let first = taken.len();
        let route = &mut self.routes[s];
        let mut k = 0;
        route.order.retain(|&v| {
            let gone = places.contains(&k) && !kept.contains(&k);
            k += 1;
            if gone {
                taken.push(v);
            }
            !gone
        });
        self.cost -= route.cost;
        if !route.refresh(self.m, s) {
            // A way round that was quicker than the direct one is gone: start this round afresh.
            taken.append(&mut route.order);
            route.refresh(self.m, s);
        }
        self.cost += route.cost;
        self.note_places(s, places.start);
        for &v in &taken[first..] {
            self.at[v as usize] = (OUT, 0);
            self.cost += self.m.worth[v as usize];
        }
    }

    fn keep(&mut self) {
        for (s, route) in self.before.drain(..) {
            self.touched[s] = false;
            self.spare.push(route);
        }
    }

    fn undo(&mut self, cost: f64) {
        for (s, _) in &self.before {
            for &v in &self.routes[*s].order {
                self.at[v as usize] = (OUT, 0);
            }
        }
        let mut before = std::mem::take(&mut self.before);
        for (s, route) in before.drain(..) {
            self.touched[s] = false;
            self.spare.push(std::mem::replace(&mut self.routes[s], route));
            self.note_places(s, 0);
        }
        self.before = before;
        self.cost = cost;
    }

    fn blinks(&mut self) -> bool {
        self.until_blink = self.until_blink.wrapping_sub(1);
        if self.until_blink == 0 {
            self.draw_blink();
            return true;
        }
        false
    }

    fn draw_blink(&mut self) {
        // Places until the next one overlooked: geometric, drawn as exponential.
        self.until_blink = 1 + (-ln(self.chance.unit()) / BLINK) as usize;
    }

    /// The cheapest place for a visit that costs less than `below`: (cost, shift, place).
    fn place(&mut self, v: u32, below: f64, wide: bool) -> Option<(f64, usize, usize)> {
        let m = self.m;
        let vi = v as usize;
        let mut best: Option<(f64, usize, usize)> = None;
        let mut below = below;
        if wide {
            for &s in &m.allowed[vi] {
                let s = s as usize;
                for k in 0..=self.routes[s].order.len() {
                    self.consider(vi, s, k, &mut below, &mut best);
                }
            }
            return best;
        }
        for &u in &m.near[vi] {
            let (s, k) = self.at[u as usize];
            if s == OUT || !m.may(vi, s as usize) {
                continue;
            }
            self.consider(vi, s as usize, k as usize, &mut below, &mut best);
            self.consider(vi, s as usize, k as usize + 1, &mut below, &mut best);
        }
        for &s in &m.allowed[vi] {
            let s = s as usize;
            if self.routes[s].order.is_empty() {
                self.consider(vi, s, 0, &mut below, &mut best);
            }
        }
        best
    }

    fn consider(
        &mut self,
        v: usize,
        s: usize,
        k: usize,
        below: &mut f64,
        best: &mut Option<(f64, usize, usize)>,
    ) {
        if self.blinks() {
            return;
        }
        if let Some(cost) = self.routes[s].insertion(self.m, s, v, k, *below) {
            *below = cost;
            *best = Some((cost, s, k));
        }
    }

    /// First plan: the visits in several orders (the most worth first; the farthest first), each visit at its cheapest place next to
    /// near ones or in a round of its own, and the cheapest of the plans.
    pub(super) fn construct(&mut self) {
        let m = self.m;
        let mut worthy: Vec<u32> = (0..m.visits as u32).collect();
        worthy.sort_by_key(|&v| m.room(v as usize));
        let mut far = worthy.clone();
        worthy.sort_by(|&a, &b| m.worth[b as usize].total_cmp(&m.worth[a as usize]));
        far.sort_by_key(|&v| std::cmp::Reverse(m.depot(v)));
        let mut best: Option<Best> = None;
        for (order, wide) in [(&worthy, false), (&far, false), (&worthy, true)] {
            self.clear();
            self.insert_all(order, wide || m.visits <= SMALL);
            if best.as_ref().is_none_or(|b| self.cost < b.cost) {
                best = Some(Best::of(self));
            }
        }
        if let Some(best) = best {
            best.restore(self);
        }
    }

    /// Nobody drives, and no visit is in the list of those left out either.
    fn clear(&mut self) {
        for s in 0..self.routes.len() {
            self.set(s, Vec::new());
        }
        self.at.fill((OUT, 0));
        self.out.clear();
        self.cost = self.m.worth.iter().sum();
    }

    fn insert_all(&mut self, order: &[u32], wide: bool) {
        self.until_blink = usize::MAX;
        for &v in order {
            let worth = self.m.worth[v as usize];
            let found = self.place(v, worth, wide);
            match found.or_else(|| self.place(v, worth, true)) {
                Some((_, s, k)) => self.insert(v, s, k),
                None => self.out.push(v),
            }
            self.keep();
        }
    }

    /// Tries every place for every visit that is left out, until none pays.
    pub(super) fn fill(&mut self) {
        self.until_blink = usize::MAX;
        let mut found = true;
        while found {
            found = false;
            let out = std::mem::take(&mut self.out);
            for v in out {
                match self.place(v, self.m.worth[v as usize], true) {
                    Some((_, s, k)) => {
                        self.insert(v, s, k);
                        self.keep();
                        found = true;
                    }
                    None => self.out.push(v),
                }
            }
        }
    }

    /// What the cheapest place for a visit that is left out would cost, whatever its worth.
    pub(super) fn cheapest(&mut self, v: usize) -> Option<f64> {
        self.until_blink = usize::MAX;
        self.place(v as u32, f64::INFINITY, true).map(|p| p.0)
    }

    /// Takes strings of stops out near one visit.
    fn ruin(&mut self, taken: &mut Vec<u32>) {
        let m = self.m;
        let seed = if !self.out.is_empty() && self.chance.below(4) == 0 {
            self.out[self.chance.below(self.out.len())]
        } else {
            self.chance.below(m.visits) as u32
        };
        let placed = m.visits - self.out.len();
        let used = self.routes.iter().filter(|r| !r.order.is_empty()).count().max(1);
        let longest = LONGEST.min(placed.div_ceil(used)).max(1);
        let most = 4.0 * REMOVED / (1.0 + longest as f64) - 1.0;
        let strings = 1 + (self.chance.unit() * most) as usize;
        let mut cut: Vec<usize> = Vec::with_capacity(strings);
        for u in std::iter::once(seed).chain(m.near[seed as usize].iter().copied()) {
            let (s, k) = self.at[u as usize];
            if s == OUT || cut.contains(&(s as usize)) {
                continue;
            }
            let s = s as usize;
            self.cut_string(s, k as usize, longest, taken);
            cut.push(s);
            if cut.len() >= strings {
                break;
            }
        }
        self.retry_near(seed, taken);
    }

    fn cut_string(&mut self, s: usize, k: usize, longest: usize, taken: &mut Vec<u32>) {
        let stops = self.routes[s].order.len();
        let length = 1 + self.chance.below(longest.min(stops));
        let mut span = length;
        if length > 1 && length < stops && self.chance.unit() < SPLIT {
            // A longer string of which a middle part stays.
            span = length + 1;
            while span < stops && self.chance.unit() > 0.01 {
                span += 1;
            }
            span = span.min(length + LONGEST);
        }
        let first = (k + 1).saturating_sub(span);
        let last = k.min(stops - span);
        let from = first + self.chance.below(last - first + 1);
        let kept = span - length;
        let keep = from + self.chance.below(length + 1);
        self.take(s, from..from + span, keep..keep + kept, taken);
    }

    /// Some of the visits that are left out near the ruin get another try.
    fn retry_near(&mut self, seed: u32, taken: &mut Vec<u32>) {
        if self.out.is_empty() {
            return;
        }
        let m = self.m;
        let first = taken.len();
        if self.out.len() <= RETRIED {
            taken.append(&mut self.out);
            return;
        }
        let near = std::iter::once(seed).chain(m.near[seed as usize].iter().copied());
        let ruined = first;
        for u in near {
            // Those just taken out are out too, but in the list already.
            if self.at[u as usize].0 == OUT && !taken[..ruined].contains(&u) {
                taken.push(u);
                if taken.len() - first >= RETRIED {
                    break;
                }
            }
        }
        let (out, again) = (&mut self.out, &taken[first..]);
        out.retain(|v| !again.contains(v));
    }

    fn recreate(&mut self, taken: &mut [u32]) {
        let m = self.m;
        self.chance.shuffle(taken);
        match self.chance.below(11) {
            0..4 => {}
            4..6 => taken.sort_by(|&a, &b| m.worth[b as usize].total_cmp(&m.worth[a as usize])),
            6..8 => taken.sort_by_key(|&v| std::cmp::Reverse(m.depot(v))),
            8 => taken.sort_by_key(|&v| m.depot(v)),
            9 => taken.sort_by_key(|&v| m.room(v as usize)),
            _ => taken.sort_by_key(|&v| std::cmp::Reverse(m.service[v as usize])),
        }
        // Visits far out may pay together though none pays alone: now and then some go in at a loss, and annealing judges the whole.
        let generous = self.chance.below(GENEROUS_EVERY) == 0;
        for &v in taken.iter() {
            let wide = m.visits <= SMALL || self.chance.below(WIDE_EVERY) == 0;
            let below = if generous && self.chance.below(2) == 0 {
                f64::INFINITY
            } else {
                m.worth[v as usize]
            };
            match self.place(v, below, wide) {
                Some((_, s, k)) => self.insert(v, s, k),
                None => self.out.push(v),
            }
        }
    }

    /// Looks for better for at most `most` iterations. `heat` is asked now and then for the temperature after so many iterations
    /// (seconds of the objective), and ends the search with none. Ends with the best found, or with the last state accepted. Returns
    /// the number of iterations.
    pub(super) fn anneal(&mut self, most: u64, mut heat: impl FnMut(u64) -> Option<f64>, end: End) -> u64 {
        let mut best = Best::of(self);
        let mut dirty = vec![false; self.routes.len()];
        let mut taken: Vec<u32> = Vec::new();
        let mut out_before: Vec<u32> = Vec::new();
        let mut temperature = 0.0;
        let mut n: u64 = 0;
        self.draw_blink();
        while n < most {
            if n.is_multiple_of(64) {
                match heat(n) {
                    Some(t) => temperature = t,
                    None => break,
                }
            }
            n += 1;
            let cost = self.cost;
            out_before.clone_from(&self.out);
            taken.clear();
            self.ruin(&mut taken);
            self.recreate(&mut taken);
            if self.cost < cost - temperature * ln(self.chance.unit()) {
                if matches!(end, End::Best) {
                    for (s, _) in &self.before {
                        dirty[*s] = true;
                    }
                }
                self.keep();
                if matches!(end, End::Best) && self.cost < best.cost - 1e-9 {
                    best.update(self, &mut dirty);
                }
            } else {
                self.out.clone_from(&out_before);
                self.undo(cost);
            }
        }
        if matches!(end, End::Best) {
            best.restore(self);
        }
        n
    }

    pub(super) fn cost(&self) -> f64 {
        self.cost
    }

    /// Where a visit stands: its shift; none if it is left out.
    pub(super) fn shift_of(&self, v: u32) -> Option<u32> {
        let s = self.at[v as usize].0;
        (s != OUT).then_some(s)
    }
}

/// What a search ends with.
#[derive(Debug, Clone, Copy)]
pub(super) enum End {
    Best,
    Last,
}

/// The best orders so far.
pub(super) struct Best {
    orders: Vec<Vec<u32>>,
    out: Vec<u32>,
    pub(super) cost: f64,
}

impl Best {
    pub(super) fn of(state: &State) -> Best {
        let orders = state.routes.iter().map(|r| r.order.clone()).collect();
        Best {
            orders,
            out: state.out.clone(),
            cost: state.cost,
        }
    }

    fn update(&mut self, state: &State, dirty: &mut [bool]) {
        for (s, dirty) in dirty.iter_mut().enumerate() {
            if std::mem::take(dirty) {
                self.orders[s].clone_from(&state.routes[s].order);
            }
        }
        self.out.clone_from(&state.out);
        self.cost = state.cost;
    }

    pub(super) fn restore(self, state: &mut State) {
        state.at.fill((OUT, 0));
        for (s, order) in self.orders.into_iter().enumerate() {
            state.set(s, order);
        }
        state.out = self.out;
        state.cost = state.whole_cost();
    }
}
