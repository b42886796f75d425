//! From one point to many at once: a plain Dijkstra (1959, Numer. Math. 1:269-271) that stops when all that was asked for is
//! settled. A row of a table of drives takes one of these, where a question to the hierarchy for each column costs more.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Junctions and the quickest stretches between them, each way that may be driven.
#[derive(Debug, Default)]
pub(super) struct Legs {
    /// Where the stretches out of each junction begin in `legs`, and one more.
    first: Vec<u32>,
    /// Junction come to, milliseconds.
    legs: Vec<(u32, u64)>,
}

impl Legs {
    /// Of a list of from, to, milliseconds, sorted.
    pub(super) fn new(junctions: usize, sorted: &[(u32, u32, u64)]) -> Legs {
        let mut first = vec![0; junctions + 1];
        for &(from, ..) in sorted {
            first[from as usize + 1] += 1;
        }
        for i in 0..junctions {
            first[i + 1] += first[i];
        }
        Legs {
            first,
            legs: sorted.iter().map(|&(_, to, ms)| (to, ms)).collect(),
        }
    }

    fn out_of(&self, junction: u32) -> &[(u32, u64)] {
        let [from, to] = [0, 1].map(|i| self.first[junction as usize + i] as usize);
        &self.legs[from..to]
    }
}

/// Not come to yet.
const FAR: u64 = u64::MAX;

/// The room that a sweep works in, to be used again for the next one.
pub(super) struct Sweep<'a> {
    legs: &'a Legs,
    /// Milliseconds to each junction, [`FAR`] where the last sweep did not come.
    ms: Vec<u64>,
    touched: Vec<u32>,
    /// Junctions that are asked for.
    wanted: &'a [bool],
    wanted_count: usize,
    heap: BinaryHeap<Reverse<(u64, u32)>>,
}

impl<'a> Sweep<'a> {
    /// `wanted` says of each junction whether it is asked for.
    pub(super) fn new(legs: &'a Legs, wanted: &'a [bool]) -> Sweep<'a> {
        Sweep {
            legs,
            ms: vec![FAR; wanted.len()],
            touched: Vec::new(),
            wanted,
            wanted_count: wanted.iter().filter(|w| **w).count(),
            heap: BinaryHeap::new(),
        }
    }

    /// Sweeps from some junctions, each with what it costs to come there, until all that are wanted and can be come to are settled.
    pub(super) fn from(&mut self, starts: impl IntoIterator<Item = (u32, u64)>) {
        for junction in self.touched.drain(..) {
            self.ms[junction as usize] = FAR;
        }
        self.heap.clear();
        let mut left = self.wanted_count;
        for (junction, ms) in starts {
            self.come_to(junction, ms);
        }
        while left > 0 {
            let Some(Reverse((ms, junction))) = self.heap.pop() else {
                break;
            };
            // An older, dearer way to a junction that is settled already.
            if ms > self.ms[junction as usize] {
                continue;
            }
            left -= usize::from(self.wanted[junction as usize]);
            let legs = self.legs;
            for &(to, leg) in legs.out_of(junction) {
                self.come_to(to, ms + leg);
            }
        }
    }

    fn come_to(&mut self, junction: u32, ms: u64) {
        let best = &mut self.ms[junction as usize];
        if ms < *best {
            if *best == FAR {
                self.touched.push(junction);
            }
            *best = ms;
            self.heap.push(Reverse((ms, junction)));
        }
    }

    /// Milliseconds to a junction that is wanted; `None` where no way leads there.
    pub(super) fn ms_to(&self, junction: u32) -> Option<u64> {
        Some(self.ms[junction as usize]).filter(|&ms| ms != FAR)
    }
}
