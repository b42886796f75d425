//! A set of chosen places with the gain of every other place kept up to date, and the exchanges that use it.

use super::core::{Core, Sharing};
use super::kernel::Kernel;

/// The chosen places and what each free place would add to them.
pub(crate) struct Board<'a, K: Kernel> {
    core: &'a Core<K>,
    sharing: &'a Sharing,
    pub(crate) state: Vec<K::State>,
    pub(crate) inside: Vec<bool>,
    /// How many chosen places conflict with each place.
    pub(crate) blocked: Vec<u32>,
    pub(crate) gain: Vec<f64>,
    pub(crate) left: f64,
    pub(crate) chosen: Vec<u32>,
}

impl<'a, K: Kernel> Board<'a, K> {
    pub(crate) fn new(core: &'a Core<K>, sharing: &'a Sharing, chosen: &[u32]) -> Self {
        let state = core.states(chosen);
        let gain = (0..core.len()).map(|i| core.gain(&state, i)).collect();
        let mut board = Self {
            core,
            sharing,
            state,
            inside: vec![false; core.len()],
            blocked: vec![0; core.len()],
            gain,
            left: core.budget,
            chosen: chosen.to_vec(),
        };
        for &i in chosen {
            board.mark(i as usize, true);
        }
        board
    }

    fn mark(&mut self, place: usize, inside: bool) {
        self.inside[place] = inside;
        self.left += if inside {
            -self.core.cost[place]
        } else {
            self.core.cost[place]
        };
        for &j in self.core.conflicts_of(place) {
            if inside {
                self.blocked[j as usize] += 1;
            } else {
                self.blocked[j as usize] -= 1;
            }
        }
    }

    fn refresh(&mut self, place: usize) {
        for &j in self.sharing.of(place) {
            self.gain[j as usize] = self.core.gain(&self.state, j as usize);
        }
        self.gain[place] = self.core.gain(&self.state, place);
    }

    pub(crate) fn insert(&mut self, place: usize) {
        self.core.add(&mut self.state, place);
        self.mark(place, true);
        self.chosen.push(place as u32);
        self.refresh(place);
    }

    pub(crate) fn take_out(&mut self, place: usize) {
        self.core.remove(&mut self.state, place);
        self.mark(place, false);
        if let Some(at) = self.chosen.iter().position(|&i| i as usize == place) {
            self.chosen.swap_remove(at);
        }
        self.refresh(place);
    }

    /// The free place that adds most and fits; ties go to the smaller index.
    pub(crate) fn best_free(&self) -> Option<usize> {
        let mut best: Option<usize> = None;
        for i in 0..self.gain.len() {
            if !self.inside[i]
                && self.blocked[i] == 0
                && self.core.cost[i] <= self.left
                && self.gain[i] > best.map_or(0.0, |b| self.gain[b])
            {
                best = Some(i);
            }
        }
        best
    }

    /// Fills what is left of the budget, always with the largest gain.
    pub(crate) fn fill(&mut self) {
        while let Some(i) = self.best_free() {
            self.insert(i);
        }
    }
}

/// Takes out one place at a time and puts in the best one that then fits, until no exchange helps. `keep_going` is asked
/// before each try.
pub(crate) fn improve<K: Kernel>(board: &mut Board<'_, K>, mut keep_going: impl FnMut() -> bool) {
    board.fill();
    loop {
        let mut improved = false;
        let mut order = board.chosen.clone();
        order.sort_unstable();
        for u in order {
            if !keep_going() {
                return;
            }
            let u = u as usize;
            if !board.inside[u] {
                continue;
            }
            board.take_out(u);
            let own = board.gain[u];
            match board.best_free() {
                Some(v) if v != u && board.gain[v] > own * (1.0 + 1e-12) => {
                    board.insert(v);
                    board.fill();
                    improved = true;
                }
                _ => board.insert(u),
            }
        }
        if !improved {
            return;
        }
    }
}
