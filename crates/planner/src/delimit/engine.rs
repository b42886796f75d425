//! The objective under a growing or changing plan: what one more trap or look adds, and what one fewer takes.

use super::problem::{Problem, Use};
use super::solve::Chance;

/// A trap or a look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Item {
    Trap(usize),
    Look(usize),
}

/// What makes a gain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Goal {
    Share,
    Whole,
}

/// A plan and what it finds.
#[derive(Debug, Clone)]
pub(crate) struct Engine<'a> {
    pub(crate) problem: &'a Problem<'a>,
    /// Hazard of all traps on one insect of each cell.
    met: Vec<f64>,
    /// `U` of each piece, and `exp(-U)`.
    found: Vec<f64>,
    missed: Vec<f64>,
    /// Room for a gain: change of `U` by piece, and which pieces changed.
    change: Vec<f64>,
    touched: Vec<u32>,
    /// Entries read so far: the work done, the same on every machine.
    pub(crate) work: u64,
}

impl<'a> Engine<'a> {
    /// Held traps alone.
    pub(crate) fn new(problem: &'a Problem<'a>) -> Self {
        let pieces = problem.ground.share.len();
        let mut engine = Engine {
            problem,
            met: vec![0.0; problem.ground.cells.len()],
            found: vec![0.0; pieces],
            missed: vec![1.0; pieces],
            change: vec![0.0; pieces],
            touched: Vec::new(),
            work: 0,
        };
        for (i, t) in problem.traps.iter().enumerate() {
            if t.usage == Use::Held {
                engine.add(Item::Trap(i));
            }
        }
        engine
    }

    /// Held traps and these.
    pub(crate) fn with(problem: &'a Problem<'a>, items: impl IntoIterator<Item = Item>) -> Self {
        let mut engine = Engine::new(problem);
        items.into_iter().for_each(|item| engine.add(item));
        engine
    }

    /// Fills `change` with how `U` of each piece changes; `sign` is 1 to add, -1 to take away.
    fn prepare(&mut self, item: Item, sign: f64) {
        let ground = self.problem.ground;
        self.touched.clear();
        match item {
            Item::Trap(i) => {
                for &(c, hazard) in self.problem.reach_of(i) {
                    let escape = (-self.met[c as usize]).exp();
                    // One insect escapes less often by this much.
                    let caught = -escape * (-sign * hazard).exp_m1();
                    for &(e, flyers, _) in ground.gives_of(c as usize) {
                        self.note(e, flyers * caught);
                    }
                }
            }
            Item::Look(k) => {
                let hazard = sign * self.problem.sight[k];
                for &(e, _, trees) in ground.gives_of(self.problem.looks[k].cell as usize) {
                    self.note(e, trees * hazard);
                }
            }
        }
    }

    fn note(&mut self, piece: u32, change: f64) {
        self.work += 1;
        let at = &mut self.change[piece as usize];
        if *at == 0.0 {
            if change == 0.0 {
                return;
            }
            self.touched.push(piece);
        }
        *at += change;
    }

    fn apply(&mut self, item: Item, sign: f64) {
        self.prepare(item, sign);
        while let Some(e) = self.touched.pop() {
            let e = e as usize;
            self.found[e] = (self.found[e] + std::mem::take(&mut self.change[e])).max(0.0);
            self.missed[e] = (-self.found[e]).exp();
        }
        if let Item::Trap(i) = item {
            for &(c, hazard) in self.problem.reach_of(i) {
                let met = &mut self.met[c as usize];
                *met = (*met + sign * hazard).max(0.0);
            }
        }
    }

    pub(crate) fn add(&mut self, item: Item) {
        self.apply(item, 1.0);
    }

    pub(crate) fn remove(&mut self, item: Item) {
        self.apply(item, -1.0);
    }

    /// What one more adds.
    pub(crate) fn gain(&mut self, item: Item, goal: Goal) -> f64 {
        self.prepare(item, 1.0);
        let ground = self.problem.ground;
        let mut gain = 0.0;
        match goal {
            Goal::Share => {
                while let Some(e) = self.touched.pop() {
                    let e = e as usize;
                    let change = std::mem::take(&mut self.change[e]);
                    gain -= ground.share[e] * self.missed[e] * (-change).exp_m1();
                }
            }
            Goal::Whole => {
                let mut touched = std::mem::take(&mut self.touched);
                touched.sort_unstable();
                let mut last = u32::MAX;
                for e in &touched {
                    let j = ground.of[*e as usize];
                    if j == last {
                        continue;
                    }
                    last = j;
                    let (mut before, mut after) = (1.0, 1.0);
                    for e in ground.first[j as usize]..ground.first[j as usize + 1] {
                        let e = e as usize;
                        before *= 1.0 - self.missed[e];
                        after *= 1.0 - self.missed[e] * (-self.change[e]).exp();
                    }
                    gain += ground.weight[j as usize] * (after - before);
                }
                for e in touched.drain(..) {
                    self.change[e as usize] = 0.0;
                }
                self.touched = touched;
            }
        }
        gain
    }

    /// What each trap and look would add at most, by the slope of the objective: never less than its gain in share.
    pub(crate) fn slopes(&mut self) -> (Vec<f64>, Vec<f64>) {
        let ground = self.problem.ground;
        let weight: Vec<f64> = ground
            .share
            .iter()
            .zip(&self.missed)
            .map(|(w, m)| w * m)
            .collect();
        slopes(self.problem, &weight, &self.met, &mut self.work)
    }

    pub(crate) fn chance(&self) -> Chance {
        let ground = self.problem.ground;
        let pieces = ground.share.iter().zip(&self.missed);
        let share = pieces.map(|(w, m)| w * (1.0 - m)).sum::<f64>() + ground.bounded;
        let whole = (0..ground.weight.len())
            .map(|j| {
                let own = ground.first[j] as usize..ground.first[j + 1] as usize;
                ground.weight[j] * self.missed[own].iter().map(|m| 1.0 - m).product::<f64>()
            })
            .sum();
        Chance { share, whole }
    }

    /// Chance that one insect of a cell is caught.
    pub(crate) fn caught(&self, cell: usize) -> f64 {
        -(-self.met[cell]).exp_m1()
    }
}

/// Slopes of the share by trap and by look, where `weight` is that of each piece times its chance to be missed and `met` the hazard
/// of the traps on one insect of each cell.
pub(crate) fn slopes(
    problem: &Problem<'_>,
    weight: &[f64],
    met: &[f64],
    work: &mut u64,
) -> (Vec<f64>, Vec<f64>) {
    let ground = problem.ground;
    let mut by_flyers = vec![0.0; ground.cells.len()];
    let mut by_trees = vec![0.0; ground.cells.len()];
    for c in 0..ground.cells.len() {
        let (mut flyers, mut trees) = (0.0, 0.0);
        for &(e, n, m) in ground.gives_of(c) {
            flyers += weight[e as usize] * n;
            trees += weight[e as usize] * m;
        }
        by_flyers[c] = flyers * (-met[c]).exp();
        by_trees[c] = trees;
    }
    *work += (ground.gives.len() + problem.reach.len()) as u64;
    let trap = |i: usize| {
        let own = problem.reach_of(i).iter();
        own.map(|(c, hazard)| hazard * by_flyers[*c as usize]).sum()
    };
    let look = |k: usize| problem.sight[k] * by_trees[problem.looks[k].cell as usize];
    (
        (0..problem.traps.len()).map(trap).collect(),
        (0..problem.looks.len()).map(look).collect(),
    )
}
