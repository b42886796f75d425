//! The plan: lazy greedy in two orders, exchanges, and the bound.

use std::collections::BinaryHeap;

use super::bound::bound;
use super::engine::{Engine, Goal, Item};
use super::error::DelimitError;
use super::problem::{Problem, Use};
use crate::lazy::Entry;

/// How good a plan or a layout is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chance {
    /// Share of the edge that is expected to be found, 0 to 1.
    pub share: f64,
    /// Chance that all of the edge is found, so that nothing lies outside the area then drawn; never above the share.
    pub whole: f64,
}

/// How long to try.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Entries the exchanges may read. The default takes a second or so; the answer is the same on every machine.
    pub exchange_work: u64,
    /// Tangents of the bound.
    pub bound_rounds: u32,
    /// The bound is good enough this close to the plan, as a share of it.
    pub enough: f64,
    /// Ends with exchanges that raise the chance of the whole edge, whatever they cost the share.
    pub whole: bool,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            exchange_work: 200_000_000,
            bound_rounds: 120,
            enough: 0.001,
            whole: true,
        }
    }
}

/// A trap or look of the plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chosen {
    /// Its index.
    pub index: usize,
    /// What the share would lose without it.
    pub adds: f64,
    /// What the chance of the whole edge would lose without it.
    pub adds_whole: f64,
}

/// The plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Traps to hang, by index; held traps are not among them.
    pub traps: Vec<Chosen>,
    /// Looks to make, by index.
    pub looks: Vec<Chosen>,
    /// Crew-hours the looks take.
    pub hours: f64,
    /// How good it is.
    pub chance: Chance,
    /// Held traps alone.
    pub without: Chance,
    /// No plan within the limits has a higher share; nor, then, a higher chance of the whole.
    pub bound: f64,
    /// How far the share may lie under the best there is, as a share of the bound.
    pub gap: f64,
}

impl Problem<'_> {
    /// How good any choice of its traps and looks is, held traps counted in; limits are not asked after.
    ///
    /// # Errors
    /// An index that names nothing.
    pub fn evaluate(&self, traps: &[usize], looks: &[usize]) -> Result<Chance, DelimitError> {
        Ok(Engine::with(self, self.items(traps, looks)?).chance())
    }

    pub(crate) fn items(&self, traps: &[usize], looks: &[usize]) -> Result<Vec<Item>, DelimitError> {
        let named = |item, what, index: usize, named: usize, count: usize| {
            if named < count {
                Ok(named)
            } else {
                Err(DelimitError::NoSuchIndex {
                    what,
                    item,
                    index,
                    named,
                    count,
                })
            }
        };
        let mut items = Vec::with_capacity(traps.len() + looks.len());
        for (n, t) in traps.iter().enumerate() {
            let t = named("choice", "trap", n, *t, self.traps.len())?;
            // A held trap counts already.
            if self.traps[t].usage != Use::Held {
                items.push(Item::Trap(t));
            }
        }
        for (n, k) in looks.iter().enumerate() {
            items.push(Item::Look(named("choice", "look", n, *k, self.looks.len())?));
        }
        Ok(items)
    }
}

/// Chooses traps and looks within the limits: see the module's page for what is made large.
///
/// # Errors
/// Neither a trap nor a look to choose from.
pub fn solve(problem: &Problem<'_>, options: &Options) -> Result<Plan, DelimitError> {
    if problem.traps.is_empty() && problem.looks.is_empty() {
        return Err(DelimitError::Empty("traps or looks"));
    }
    // Looks by gain an hour can start with a cheap one that shuts out a much better one; looks by gain alone then do better. The
    // better of the two is sound (Leskovec et al. 2007).
    let by_hour = Board::greedy(problem, true);
    let mut best = by_hour;
    if !problem.looks.is_empty() {
        let by_gain = Board::greedy(problem, false);
        if by_gain.engine.chance().share > best.engine.chance().share {
            best = by_gain;
        }
    }
    best.engine.work = 0;
    best.exchange(Goal::Share, options.exchange_work / 2);
    let bound = bound(problem, &best.items(), options.bound_rounds, options.enough);
    if options.whole && problem.ground.known().sectors > 1 {
        best.engine.work = 0;
        best.exchange(Goal::Whole, options.exchange_work / 2);
    }
    Ok(best.told(bound))
}

/// A plan in the making.
struct Board<'a> {
    engine: Engine<'a>,
    /// By trap: how many traps of the plan, or held, hang too close to it.
    blocked: Vec<u32>,
    trap_in: Vec<bool>,
    look_in: Vec<bool>,
    traps: usize,
    hours: f64,
}

impl<'a> Board<'a> {
    fn new(problem: &'a Problem<'a>) -> Self {
        let mut blocked = vec![0; problem.traps.len()];
        for (i, t) in problem.traps.iter().enumerate() {
            if t.usage == Use::Held {
                problem.close[i].iter().for_each(|j| blocked[*j as usize] += 1);
            }
        }
        Board {
            engine: Engine::new(problem),
            blocked,
            trap_in: vec![false; problem.traps.len()],
            look_in: vec![false; problem.looks.len()],
            traps: 0,
            hours: 0.0,
        }
    }

    fn problem(&self) -> &'a Problem<'a> {
        self.engine.problem
    }

    fn item(&self, index: u32) -> Item {
        let traps = self.problem().traps.len();
        let index = index as usize;
        if index < traps {
            Item::Trap(index)
        } else {
            Item::Look(index - traps)
        }
    }

    /// Whether it may be added now.
    fn fits(&self, item: Item) -> bool {
        let p = self.problem();
        match item {
            Item::Trap(i) => {
                p.traps[i].usage == Use::Free
                    && !self.trap_in[i]
                    && self.blocked[i] == 0
                    && self.traps < p.limits.traps
            }
            Item::Look(k) => !self.look_in[k] && self.hours + p.looks[k].hours <= p.limits.hours + 1e-9,
        }
    }

    fn put(&mut self, item: Item) {
        self.engine.add(item);
        self.mark(item, true);
    }

    fn take(&mut self, item: Item) {
        self.engine.remove(item);
        self.mark(item, false);
    }

    fn mark(&mut self, item: Item, inside: bool) {
        let p = self.problem();
        match item {
            Item::Trap(i) => {
                self.trap_in[i] = inside;
                for j in &p.close[i] {
                    let b = &mut self.blocked[*j as usize];
                    *b = if inside { *b + 1 } else { *b - 1 };
                }
                self.traps = if inside { self.traps + 1 } else { self.traps - 1 };
            }
            Item::Look(k) => {
                self.look_in[k] = inside;
                // Summed anew: no drift however often looks come and go.
                let chosen = (0..self.look_in.len()).filter(|k| self.look_in[*k]);
                self.hours = chosen.map(|k| p.looks[k].hours).sum();
            }
        }
    }

    fn items(&self) -> Vec<Item> {
        let traps = (0..self.trap_in.len())
            .filter(|i| self.trap_in[*i])
            .map(Item::Trap);
        let looks = (0..self.look_in.len())
            .filter(|k| self.look_in[*k])
            .map(Item::Look);
        traps.chain(looks).collect()
    }

    /// How far an item brings the plan for the part of its own limit that it takes.
    fn score(&self, item: Item, gain: f64, by_hour: bool) -> f64 {
        let p = self.problem();
        match item {
            Item::Trap(_) => gain * p.limits.traps as f64,
            Item::Look(_) if !by_hour => gain * p.looks.len() as f64,
            Item::Look(k) if p.looks[k].hours <= 0.0 => f64::INFINITY,
            Item::Look(k) => gain * p.limits.hours / p.looks[k].hours,
        }
    }

    fn greedy(problem: &'a Problem<'a>, by_hour: bool) -> Self {
        let mut board = Board::new(problem);
        // The slope is never less than the gain: a sound first guess, worked out for all at once.
        let (by_trap, by_look) = board.engine.slopes();
        let slopes = by_trap.into_iter().chain(by_look);
        let mut heap: BinaryHeap<Entry> = (0u32..)
            .zip(slopes)
            .filter(|(i, slope)| *slope > 0.0 && board.fits(board.item(*i)))
            .map(|(item, slope)| Entry {
                score: board.score(board.item(item), slope, by_hour),
                item,
                round: u32::MAX,
            })
            .collect();
        let mut round = 0;
        while let Some(top) = heap.pop() {
            let item = board.item(top.item);
            // Neither limits nor spacing ever ease again: what does not fit now never will.
            if !board.fits(item) {
                continue;
            }
            if top.round == round {
                board.put(item);
                round += 1;
                continue;
            }
            let gain = board.engine.gain(item, Goal::Share);
            if gain > 0.0 {
                heap.push(Entry {
                    score: board.score(item, gain, by_hour),
                    item: top.item,
                    round,
                });
            }
        }
        board
    }

    /// Takes out one at a time, the least useful first, and puts in the best that then fits; until none helps or the work is done.
    fn exchange(&mut self, goal: Goal, work: u64) {
        loop {
            let mut improved = false;
            let mut order: Vec<(f64, Item)> = Vec::new();
            for item in self.items() {
                self.take(item);
                let loss = self.engine.gain(item, goal);
                self.put(item);
                order.push((loss, item));
            }
            order.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (_, item) in order {
                if self.engine.work > work {
                    return;
                }
                self.take(item);
                let own = self.engine.gain(item, goal);
                match self.best_instead(item, goal, own * (1.0 + 1e-9) + 1e-15) {
                    Some(other) => {
                        self.put(other);
                        self.fill(item, goal);
                        improved = true;
                    }
                    None => self.put(item),
                }
            }
            if !improved {
                return;
            }
        }
    }

    /// The item of the same kind that adds more than `more`, and most; ties go to the smaller index.
    fn best_instead(&mut self, out: Item, goal: Goal, more: f64) -> Option<Item> {
        let (by_trap, by_look) = self.engine.slopes();
        let mut candidates: Vec<(f64, Item)> = match out {
            Item::Trap(_) => by_trap
                .into_iter()
                .enumerate()
                .map(|(i, s)| (s, Item::Trap(i)))
                .collect(),
            Item::Look(_) => by_look
                .into_iter()
                .enumerate()
                .map(|(k, s)| (s, Item::Look(k)))
                .collect(),
        };
        candidates.retain(|(slope, item)| *slope > 0.0 && *item != out && self.fits(*item));
        // The slope bounds a gain in share. It says little of one in the whole: there the likeliest are tried.
        const TRIED_FOR_THE_WHOLE: usize = 40;
        candidates.sort_by(|a, b| b.0.total_cmp(&a.0));
        if goal == Goal::Whole {
            candidates.truncate(TRIED_FOR_THE_WHOLE);
        }
        let mut best: Option<Item> = None;
        let mut top = more;
        for (slope, item) in candidates {
            if goal == Goal::Share && slope <= top {
                break;
            }
            let gain = self.engine.gain(item, goal);
            if gain > top {
                top = gain;
                best = Some(item);
            }
        }
        best
    }

    /// Fills what an exchange left free.
    fn fill(&mut self, kind: Item, goal: Goal) {
        while let Some(more) = self.best_instead(kind, goal, 1e-15) {
            self.put(more);
        }
    }

    fn told(&mut self, bound: f64) -> Plan {
        let problem = self.problem();
        // Built anew: what is stated carries no rounding of exchanges.
        let items = self.items();
        let mut engine = Engine::with(problem, items.iter().copied());
        let chance = engine.chance();
        let (mut traps, mut looks) = (Vec::new(), Vec::new());
        for item in items {
            engine.remove(item);
            let (adds, adds_whole) = (engine.gain(item, Goal::Share), engine.gain(item, Goal::Whole));
            engine.add(item);
            let (list, index) = match item {
                Item::Trap(i) => (&mut traps, i),
                Item::Look(k) => (&mut looks, k),
            };
            list.push(Chosen {
                index,
                adds,
                adds_whole,
            });
        }
        let bound = bound.max(chance.share);
        Plan {
            traps,
            looks,
            hours: self.hours,
            chance,
            without: Engine::new(problem).chance(),
            bound,
            gap: if bound > 0.0 {
                (bound - chance.share) / bound
            } else {
                0.0
            },
        }
    }
}
