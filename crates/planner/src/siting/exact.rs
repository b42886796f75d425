//! Branch and bound for small problems, with the bound every submodular function offers.

use super::core::Core;
use super::kernel::Kernel;
use super::primal::Incumbent;
use super::solve::Deadline;

struct Search<'a, 'b, K: Kernel> {
    core: &'a Core<K>,
    incumbent: &'b mut Incumbent,
    nodes_left: u64,
    /// Largest bound of a branch that was given up.
    open: f64,
    deadline: &'a Deadline,
}

struct Node<S> {
    state: Vec<S>,
    chosen: Vec<u32>,
    value: f64,
    left: f64,
    /// Places still undecided.
    free: Vec<u32>,
}

/// Searches all plans, at most `nodes` branches; improves the incumbent and returns an upper bound, which is the incumbent's value
/// when the search was complete.
pub(crate) fn prove<K: Kernel>(
    core: &Core<K>,
    incumbent: &mut Incumbent,
    nodes: u64,
    deadline: &Deadline,
) -> f64 {
    let mut search = Search {
        core,
        incumbent,
        nodes_left: nodes,
        open: f64::NEG_INFINITY,
        deadline,
    };
    search.visit(Node {
        state: core.base.clone(),
        chosen: Vec::new(),
        value: core.base_value,
        left: core.budget,
        free: (0..core.len() as u32).collect(),
    });
    search.open.max(search.incumbent.value)
}

impl<K: Kernel> Search<'_, '_, K> {
    fn visit(&mut self, mut node: Node<K::State>) {
        // The "take" branch is explored by recursion and the "leave" branch by this loop.
        loop {
            if node.value > self.incumbent.value {
                self.incumbent.offer(self.core, &node.chosen);
            }
            let mut gains: Vec<(f64, u32)> = node
                .free
                .iter()
                .filter(|&&i| self.core.cost[i as usize] <= node.left)
                .map(|&i| (self.core.gain(&node.state, i as usize), i))
                .filter(|g| g.0 > 0.0)
                .collect();
            let bound = node.value + self.knapsack(&mut gains, node.left);
            if bound <= self.incumbent.value * (1.0 + 1e-12) {
                return;
            }
            if self.nodes_left == 0 || self.deadline.passed() {
                self.open = self.open.max(bound);
                return;
            }
            self.nodes_left -= 1;
            let Some(&(gain, branch)) = gains
                .iter()
                .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))
            else {
                return;
            };
            node.free = gains.iter().map(|g| g.1).filter(|&i| i != branch).collect();
            let mut state = node.state.clone();
            self.core.add(&mut state, branch as usize);
            let conflicts = self.core.conflicts_of(branch as usize);
            let mut chosen = node.chosen.clone();
            chosen.push(branch);
            self.visit(Node {
                state,
                chosen,
                value: node.value + gain,
                left: node.left - self.core.cost[branch as usize],
                free: node
                    .free
                    .iter()
                    .copied()
                    .filter(|i| conflicts.binary_search(i).is_err())
                    .collect(),
            });
        }
    }

    /// The most that gains, taken as if they did not overlap, can add within the budget, fractions allowed. One place of each clique
    /// of conflicting places counts at most once where costs are equal. Sorts `gains` by gain per cost.
    fn knapsack(&self, gains: &mut [(f64, u32)], left: f64) -> f64 {
        let cost = |i: u32| self.core.cost[i as usize];
        gains.sort_by(|a, b| {
            (b.0 * cost(a.1))
                .total_cmp(&(a.0 * cost(b.1)))
                .then(a.1.cmp(&b.1))
        });
        let equal = gains.windows(2).all(|w| cost(w[0].1) == cost(w[1].1));
        let mut cliques: Vec<Vec<u32>> = Vec::new();
        let (mut total, mut left) = (0.0, left);
        for &(gain, i) in gains.iter() {
            if equal {
                // Places come in order of falling gain, so a clique's first member stands for it.
                let conflicts = self.core.conflicts_of(i as usize);
                let home = cliques
                    .iter_mut()
                    .find(|c| c.iter().all(|j| conflicts.binary_search(j).is_ok()));
                match home {
                    Some(clique) => {
                        clique.push(i);
                        continue;
                    }
                    None => cliques.push(vec![i]),
                }
            }
            if cost(i) <= left {
                total += gain;
                left -= cost(i);
            } else {
                return total + gain * left / cost(i);
            }
        }
        total
    }
}
