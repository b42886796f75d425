//! One band of ground, solved exactly by dynamic programming along it.
//!
//! The cells of a band keep their full objective; each place that reaches the band may be bought there at the band's own price.
//! Sweeping along the band, all that must be remembered of the past is which of the places that still matter to places ahead
//! were chosen. Forgetting a chosen place early can only raise later gains (the objective is submodular, and a forgotten
//! conflict only allows more), so with forgetting the result is still an upper bound on the band's best value.

use super::core::Core;
use super::kernel::Kernel;

/// A place's links to earlier places of the band: those it conflicts with and those whose cells it shares.
#[derive(Debug, Clone, Copy)]
struct Link {
    earlier: u32,
    conflicts: bool,
    /// How much of this place's gain the earlier one takes away.
    overlap: f64,
}

/// Cells and places of one band, places in order along it.
#[derive(Debug, Clone)]
pub(crate) struct Band<K: Kernel> {
    kernel: K,
    /// Indices in the core problem.
    pub(crate) place: Vec<u32>,
    weight: Vec<f64>,
    base: Vec<K::State>,
    start: Vec<usize>,
    cell: Vec<u32>,
    p: Vec<f64>,
    link_start: Vec<usize>,
    link: Vec<Link>,
    /// What each place adds to the band alone.
    pub(crate) single: Vec<f64>,
}

/// What a band yields at its prices.
#[derive(Debug, Clone, Default)]
pub(crate) struct BandBest {
    /// Largest value of cells minus prices paid; at least 0.
    pub(crate) value: f64,
    /// The places bought, as indices within the band.
    pub(crate) bought: Vec<u32>,
    /// Work done, in the unit of [`Kernel::WORK`].
    pub(crate) work: u64,
    /// Something was forgotten for want of room, so that more room might give a better answer.
    pub(crate) crowded: bool,
}

impl<K: Kernel> Band<K> {
    /// `place` must be in order along the band; `owns` says which cells belong to it.
    pub(crate) fn new(core: &Core<K>, place: Vec<u32>, owns: impl Fn(u32) -> bool) -> Self {
        let mut cells: Vec<u32> = place
            .iter()
            .flat_map(|&i| core.cell[core.row(i as usize)].iter().copied())
            .filter(|&c| owns(c))
            .collect();
        cells.sort_unstable();
        cells.dedup();
        let (mut start, mut cell, mut p) = (vec![0], Vec::new(), Vec::new());
        for &i in &place {
            for k in core.row(i as usize) {
                if let Ok(rank) = cells.binary_search(&core.cell[k]) {
                    cell.push(rank as u32);
                    p.push(core.p[k]);
                }
            }
            start.push(cell.len());
        }
        let weight: Vec<f64> = cells.iter().map(|&c| core.weight[c as usize]).collect();
        let base: Vec<K::State> = cells.iter().map(|&c| core.base[c as usize]).collect();
        let mut band = Self {
            kernel: core.kernel,
            weight,
            base,
            start,
            cell,
            p,
            link_start: vec![0],
            link: Vec::new(),
            single: Vec::new(),
            place,
        };
        band.single = (0..band.place.len()).map(|i| band.gain_alone(i)).collect();
        band.find_links(core);
        band
    }

    /// Number of pairs of a place and a cell.
    pub(crate) fn entries(&self) -> usize {
        self.cell.len()
    }

    fn row(&self, i: usize) -> std::ops::Range<usize> {
        self.start[i]..self.start[i + 1]
    }

    fn gain_alone(&self, i: usize) -> f64 {
        self.row(i)
            .map(|k| {
                let c = self.cell[k] as usize;
                self.weight[c] * self.kernel.gain(self.base[c], self.p[k])
            })
            .sum()
    }

    fn find_links(&mut self, core: &Core<K>) {
        let mut on_cell: Vec<Vec<(u32, f64)>> = vec![Vec::new(); self.weight.len()];
        let mut overlap = vec![0.0; self.place.len()];
        let mut rank = std::collections::HashMap::new();
        for i in 0..self.place.len() {
            let mut near: Vec<u32> = Vec::new();
            for k in self.row(i) {
                let c = self.cell[k] as usize;
                let before = self.kernel.gain(self.base[c], self.p[k]);
                for &(j, p) in &on_cell[c] {
                    let after = self.kernel.gain(self.kernel.add(self.base[c], p), self.p[k]);
                    if overlap[j as usize] == 0.0 {
                        near.push(j);
                    }
                    // The tiny addition marks the place as seen even where nothing is lost.
                    overlap[j as usize] += self.weight[c] * (before - after) + 1e-300;
                }
            }
            for k in self.row(i) {
                on_cell[self.cell[k] as usize].push((i as u32, self.p[k]));
            }
            let mut links: Vec<Link> = near
                .iter()
                .map(|&j| Link {
                    earlier: j,
                    conflicts: false,
                    overlap: std::mem::take(&mut overlap[j as usize]),
                })
                .collect();
            for other in core.conflicts_of(self.place[i] as usize) {
                if let Some(&j) = rank.get(other) {
                    match links.iter_mut().find(|l| l.earlier == j) {
                        Some(link) => link.conflicts = true,
                        None => links.push(Link {
                            earlier: j,
                            conflicts: true,
                            overlap: 0.0,
                        }),
                    }
                }
            }
            links.sort_unstable_by_key(|l| l.earlier);
            self.link.extend(links);
            self.link_start.push(self.link.len());
            rank.insert(self.place[i], i as u32);
        }
    }

    /// Value of a set in this band, prices not taken off.
    pub(crate) fn value_of(&self, bought: &[u32]) -> f64 {
        let mut state = self.base.clone();
        let mut total = 0.0;
        for &i in bought {
            for k in self.row(i as usize) {
                let c = self.cell[k] as usize;
                total += self.weight[c] * self.kernel.gain(state[c], self.p[k]);
                state[c] = self.kernel.add(state[c], self.p[k]);
            }
        }
        total
    }

    /// Whether no two of these places conflict (a forgotten conflict may let two through).
    pub(crate) fn obeys(&self, bought: &[u32]) -> bool {
        bought.iter().all(|&i| {
            self.link[self.link_start[i as usize]..self.link_start[i as usize + 1]]
                .iter()
                .all(|l| !l.conflicts || !bought.contains(&l.earlier))
        })
    }

    /// The band's best set at these prices. Overlaps below `forget` are not remembered, nor anything when more than `most` states
    /// would be needed; the value is then an upper bound.
    pub(crate) fn solve(
        &self,
        price: &[f64],
        forget: f64,
        most: usize,
        scratch: &mut Scratch<K>,
    ) -> BandBest {
        // By submodularity a place that does not pay alone never pays.
        let live: Vec<u32> = (0..self.place.len() as u32)
            .filter(|&i| self.single[i as usize] > price[i as usize])
            .collect();
        let matters = |l: &&Link| l.conflicts || l.overlap > forget;
        let mut last_needed = vec![0u32; self.place.len()];
        for &i in &live {
            for l in self.link[self.link_start[i as usize]..self.link_start[i as usize + 1]]
                .iter()
                .filter(matters)
            {
                last_needed[l.earlier as usize] = i;
            }
        }
        let (mut work, mut crowded) = (0u64, false);
        scratch.work = 0;
        let mut states: Vec<(u64, f64, u32)> = vec![(0, 0.0, 0)];
        // Steps to walk back: for each state of each layer, where it came from; the top bit says the layer's place was bought.
        let mut back: Vec<Vec<u32>> = Vec::with_capacity(live.len());
        // Places that hold a bit, oldest first.
        let mut active: Vec<(u32, u32)> = Vec::new();
        let mut free: u64 = u64::MAX;
        for &i in &live {
            let mut a = 0;
            while a < active.len() {
                let (j, bit) = active[a];
                let over = last_needed[j as usize] < i;
                if over || free == 0 || states.len() > most {
                    crowded |= !over;
                    states = without_bit(&states, 1 << bit);
                    free |= 1 << bit;
                    active.remove(a);
                } else {
                    a += 1;
                }
            }
            let (mut conflict_mask, mut near_mask) = (0u64, 0u64);
            let links = &self.link[self.link_start[i as usize]..self.link_start[i as usize + 1]];
            scratch.begin(self, i as usize);
            for &(j, bit) in &active {
                if let Ok(at) = links.binary_search_by_key(&j, |l| l.earlier) {
                    let l = &links[at];
                    if l.conflicts {
                        conflict_mask |= 1 << bit;
                    } else if l.overlap > forget {
                        near_mask |= 1 << bit;
                        scratch.near(self, j as usize, bit);
                    }
                }
            }
            let bit = free.trailing_zeros();
            free &= !(1u64 << bit);
            active.push((i, bit));
            let mut with: Vec<(u64, f64, u32)> = Vec::new();
            for (k, &(mask, value, _)) in states.iter().enumerate() {
                if mask & conflict_mask != 0 {
                    continue;
                }
                let gain = scratch.gain(self, mask & near_mask);
                let net = gain - price[i as usize];
                if net > 0.0 {
                    with.push((mask | 1 << bit, value + net, k as u32));
                }
            }
            work += 8 * states.len() as u64;
            // Both lists are in order of mask: the new bit was clear in every state.
            let mut merged = Vec::with_capacity(states.len() + with.len());
            let mut steps = Vec::with_capacity(states.len() + with.len());
            let (mut x, mut y) = (0, 0);
            while x < states.len() || y < with.len() {
                let take_old = y == with.len() || (x < states.len() && states[x].0 < with[y].0);
                // `from` is the index after dropping bits, so the steps taken then are folded in here.
                if take_old {
                    steps.push(states[x].2);
                    merged.push((states[x].0, states[x].1, merged.len() as u32));
                    x += 1;
                } else {
                    steps.push(states[with[y].2 as usize].2 | BOUGHT);
                    merged.push((with[y].0, with[y].1, merged.len() as u32));
                    y += 1;
                }
            }
            states = merged;
            back.push(steps);
        }
        let mut best = (0.0, None);
        for &(_, value, id) in &states {
            if value > best.0 {
                best = (value, Some(id));
            }
        }
        let mut bought = Vec::new();
        if let Some(mut at) = best.1 {
            for (layer, steps) in back.iter().enumerate().rev() {
                let step = steps[at as usize];
                if step & BOUGHT != 0 {
                    bought.push(live[layer]);
                }
                at = step & !BOUGHT;
            }
            bought.reverse();
        }
        BandBest {
            value: best.0,
            bought,
            work: work + scratch.work,
            crowded,
        }
    }
}

const BOUGHT: u32 = 1 << 31;

/// States (in order of mask) after a bit is forgotten: of two that become equal the better stays.
fn without_bit(states: &[(u64, f64, u32)], bit: u64) -> Vec<(u64, f64, u32)> {
    let mut out: Vec<(u64, f64, u32)> = Vec::with_capacity(states.len());
    let mut clear = states.iter().filter(|s| s.0 & bit == 0).copied().peekable();
    let mut set = states
        .iter()
        .filter(|s| s.0 & bit != 0)
        .map(|s| (s.0 & !bit, s.1, s.2))
        .peekable();
    loop {
        let next = match (clear.peek(), set.peek()) {
            (Some(a), Some(b)) if a.0 <= b.0 => clear.next(),
            (_, Some(_)) => set.next(),
            (Some(_), None) => clear.next(),
            (None, None) => break,
        };
        if let Some(s) = next {
            match out.last_mut() {
                Some(last) if last.0 == s.0 => {
                    if s.1 > last.1 {
                        *last = s;
                    }
                }
                _ => out.push(s),
            }
        }
    }
    out
}

/// Working memory of a sweep: gains of the current place, remembered by which of its neighbours are chosen.
pub(crate) struct Scratch<K: Kernel> {
    position: Vec<u32>,
    stamp: Vec<u32>,
    now: u32,
    base: Vec<K::State>,
    weight: Vec<f64>,
    p: Vec<f64>,
    /// Row of catch probabilities of each near place over the current place's cells, by bit.
    other: Vec<Vec<f64>>,
    keys: Vec<u64>,
    values: Vec<f64>,
    filled: usize,
    cells: Vec<K::State>,
    work: u64,
}

impl<K: Kernel> Scratch<K> {
    pub(crate) fn new() -> Self {
        Self {
            position: Vec::new(),
            stamp: Vec::new(),
            now: 0,
            base: Vec::new(),
            weight: Vec::new(),
            p: Vec::new(),
            other: vec![Vec::new(); 64],
            keys: vec![u64::MAX; 1024],
            values: vec![0.0; 1024],
            filled: 0,
            cells: Vec::new(),
            work: 0,
        }
    }

    fn begin(&mut self, band: &Band<K>, i: usize) {
        if self.stamp.len() < band.weight.len() {
            self.stamp.resize(band.weight.len(), 0);
            self.position.resize(band.weight.len(), 0);
        }
        self.now = self.now.wrapping_add(1);
        self.base.clear();
        self.weight.clear();
        self.p.clear();
        for (at, k) in band.row(i).enumerate() {
            let c = band.cell[k] as usize;
            self.stamp[c] = self.now;
            self.position[c] = at as u32;
            self.base.push(band.base[c]);
            self.weight.push(band.weight[c]);
            self.p.push(band.p[k]);
        }
        if self.filled > 0 {
            self.keys.fill(u64::MAX);
            self.filled = 0;
        }
    }

    fn near(&mut self, band: &Band<K>, j: usize, bit: u32) {
        let row = &mut self.other[bit as usize];
        row.clear();
        row.resize(self.p.len(), 0.0);
        for k in band.row(j) {
            let c = band.cell[k] as usize;
            if self.stamp[c] == self.now {
                row[self.position[c] as usize] = band.p[k];
            }
        }
    }

    fn gain(&mut self, band: &Band<K>, key: u64) -> f64 {
        let size = self.keys.len();
        let mut at = (key.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 20) as usize & (size - 1);
        while self.keys[at] != u64::MAX {
            if self.keys[at] == key {
                return self.values[at];
            }
            at = (at + 1) & (size - 1);
        }
        let gain = self.compute(band, key);
        self.keys[at] = key;
        self.values[at] = gain;
        self.filled += 1;
        if self.filled * 2 > size {
            self.grow();
        }
        gain
    }

    fn grow(&mut self) {
        let size = self.keys.len() * 2;
        let old_keys = std::mem::replace(&mut self.keys, vec![u64::MAX; size]);
        let old_values = std::mem::replace(&mut self.values, vec![0.0; size]);
        for (key, value) in old_keys.into_iter().zip(old_values) {
            if key != u64::MAX {
                let mut at = (key.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 20) as usize & (size - 1);
                while self.keys[at] != u64::MAX {
                    at = (at + 1) & (size - 1);
                }
                self.keys[at] = key;
                self.values[at] = value;
            }
        }
    }

    fn compute(&mut self, band: &Band<K>, key: u64) -> f64 {
        let kernel = band.kernel;
        self.work += K::WORK * self.p.len() as u64 * (1 + u64::from(key.count_ones()));
        self.cells.clear();
        self.cells.extend_from_slice(&self.base);
        let mut rest = key;
        while rest != 0 {
            let bit = rest.trailing_zeros();
            rest &= rest - 1;
            for (slot, &p) in self.cells.iter_mut().zip(&self.other[bit as usize]) {
                if kernel.reaches(p) {
                    *slot = kernel.add(*slot, p);
                }
            }
        }
        let mut sum = 0.0;
        for ((&s, &w), &p) in self.cells.iter().zip(&self.weight).zip(&self.p) {
            sum += w * kernel.gain(s, p);
        }
        sum
    }
}
