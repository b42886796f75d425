//! The way from a problem to a plan.

use std::time::{Duration, Instant};

use super::anneal::{self, SquarePlan, Stretch};
use super::core::{Core, Sharing};
use super::dual::{Dual, Effort};
use super::error::PlannerError;
use super::exact;
use super::greedy::{self, Score};
use super::kernel::{Cover, Flyers, Kernel, OneFlyer};
use super::primal::{self, Incumbent, Scale};
use super::problem::{Objective, Problem};
use super::relax;
use super::swap::{self, Board};

/// How to search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Seed of every random choice. The same problem, seed and effort give the same plan whatever the number of threads.
    pub seed: u64,
    /// How hard to look, in multiples of the usual work. Counted in work done, never in seconds, so that it is the same
    /// everywhere. 0 stops after greedy and swaps.
    pub effort: f64,
    /// Stop after this long, with the best plan and bound so far, and say so in [`Plan::stopped_early`].
    pub time_limit: Option<Duration>,
    /// Spend as much again, and more, on the proof: aims at a gap of at most [`Options::target_gap`].
    pub prove: bool,
    /// A gap that is good enough to stop proving at.
    pub target_gap: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            seed: 1,
            effort: 1.0,
            time_limit: None,
            prove: false,
            target_gap: 0.0,
        }
    }
}

/// A plan and how good it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Indices of the chosen places in the caller's list, ascending, kept places included.
    pub chosen: Vec<usize>,
    /// The objective, computed afresh from the definition.
    pub objective: f64,
    /// No plan that obeys the rules can have a larger objective.
    pub bound: f64,
    /// `(bound - objective) / bound`: the plan reaches at least `1 - gap` of the best possible. 0 means proved optimal.
    pub gap: f64,
    /// `(k, objective)` of the first `k` traps of [`Plan::order`], from `(0, 0)` to the whole plan. Each further trap adds no more
    /// than the one before, so it shows what the next trap brings. It is what *this* plan reaches when hung in that order;
    /// a plan made for fewer traps may do a little better.
    pub curve: Vec<(usize, f64)>,
    /// The chosen places in the order in which each adds most to those before it, kept places first.
    pub order: Vec<usize>,
    /// Seconds spent, wall clock.
    pub seconds: f64,
    /// The time limit cut the search short: another run may stop elsewhere and give another plan.
    pub stopped_early: bool,
}

/// Chooses places.
///
/// Fewer places than the limit allows are chosen when the spacing leaves no more room or nothing more adds anything.
///
/// # Errors
/// Kept places that conflict, exceed the limit or are forbidden; an option that is NaN or negative.
pub fn solve(problem: &Problem, options: &Options) -> Result<Plan, PlannerError> {
    if !(options.effort.is_finite() && options.effort >= 0.0) {
        return Err(PlannerError::BadSetting {
            what: "the effort",
            value: options.effort,
            rule: "a number of at least 0",
        });
    }
    if !(options.target_gap.is_finite() && options.target_gap >= 0.0) {
        return Err(PlannerError::BadSetting {
            what: "the target gap",
            value: options.target_gap,
            rule: "a number of at least 0",
        });
    }
    match problem.objective {
        Objective::OneFlyer => solve_with(problem, options, OneFlyer),
        Objective::Flyers(flyers) => solve_with(problem, options, Flyers { flyers }),
        Objective::Cover => solve_with(problem, options, Cover),
    }
}

/// Says when the time is up.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Deadline {
    pub(crate) at: Option<Instant>,
}

impl Deadline {
    pub(crate) fn passed(&self) -> bool {
        self.at.is_some_and(|at| Instant::now() >= at)
    }
}

fn solve_with<K: Kernel>(problem: &Problem, options: &Options, kernel: K) -> Result<Plan, PlannerError> {
    let begun = Instant::now();
    let deadline = Deadline {
        at: options.time_limit.map(|limit| begun + limit),
    };
    let core = Core::new(problem, kernel)?;
    let mut best = greedy::plan(&core, Score::Gain);
    let by_ratio = greedy::plan(&core, Score::GainPerCost);
    if core.value(&by_ratio) > core.value(&best) {
        best = by_ratio;
    }
    let sharing = core.sharing();
    let mut board = Board::new(&core, &sharing, &best);
    swap::improve(&mut board, || !deadline.passed());
    if core.value(&board.chosen) > core.value(&best) {
        best = board.chosen.clone();
    }
    let mut incumbent = Incumbent {
        value: core.value(&best),
        set: best,
    };
    let bound = if core.len() > 0 {
        search(&core, &sharing, &mut incumbent, options, &deadline)
    } else {
        incumbent.value
    };
    let best = incumbent.set;
    Ok(finish(problem, &core, &best, bound, begun, deadline.passed()))
}

/// Improves the incumbent and returns an upper bound.
fn search<K: Kernel>(
    core: &Core<K>,
    sharing: &Sharing,
    incumbent: &mut Incumbent,
    options: &Options,
    deadline: &Deadline,
) -> f64 {
    let single = core.single_gains();
    let mut price = marginal_price(core, &incumbent.set);
    let mut bound = modular_bound(core, &incumbent.set);
    let good_enough = |bound: f64, value: f64| bound - value <= options.target_gap.max(1e-9) * bound;
    let scale = Scale::new(core, sharing, &single, price);
    let sweeps = scale.filter(Scale::sweepable);
    if options.effort > 0.0 {
        match &sweeps {
            Some(scale) => {
                price = primal::search(core, sharing, incumbent, price, scale, options.effort, deadline)
            }
            None => anneal_anyhow(core, sharing, incumbent, &single, price, options, deadline),
        }
    }
    if core.len() <= SMALL {
        bound = bound.min(exact::prove(
            core,
            incumbent,
            branches(core, 20_000.0 * options.effort),
            deadline,
        ));
    }
    if good_enough(bound, incumbent.value) || deadline.passed() {
        return bound;
    }
    let hard = options.effort * if options.prove { 8.0 } else { 1.0 };
    if sweeps.is_none() {
        bound = bound.min(relaxed(core, incumbent, hard, deadline));
        if good_enough(bound, incumbent.value) || deadline.passed() {
            return bound;
        }
    }
    let mut dual = Dual::new(core, &single, price, scale.map_or(1.0, |s| s.band_m));
    // Where bands must forget, they seldom beat the relaxation.
    let worth = if sweeps.is_some() { hard } else { 0.1 * hard };
    let mut stages = vec![0.5, 0.5];
    if options.prove {
        stages = vec![0.1, 0.2, 0.3, 0.4];
    }
    for share in stages {
        let effort = Effort {
            rounds: ((60.0 * hard * share).ceil() as usize).max(4),
            work: (2e10 * worth * share) as u64,
            gap: options.target_gap,
        };
        dual.descend(incumbent.value, &effort, deadline);
        bound = bound.min(dual.bound);
        if good_enough(bound, incumbent.value) || deadline.passed() {
            return bound;
        }
        // The bands' own wishes, made into a plan, are a start of another kind.
        if let Some(scale) = sweeps.as_ref().filter(|_| options.effort > 0.0) {
            let start = dual.favourites();
            primal::from_wishes(core, sharing, incumbent, start, dual.mu(), scale, deadline);
        }
        if core.len() <= FEW && options.effort > 0.0 && sweeps.is_some() {
            anneal_chains(
                core,
                incumbent,
                &single,
                dual.mu(),
                0.3 * options.effort,
                options.seed,
                deadline,
            );
        }
    }
    if sweeps.is_some() && bound - incumbent.value > WIDE * bound {
        bound = bound.min(relaxed(core, incumbent, hard, deadline));
    }
    if core.len() <= 200 && options.prove && !good_enough(bound, incumbent.value) {
        bound = bound.min(exact::prove(
            core,
            incumbent,
            branches(core, 200_000.0 * options.effort),
            deadline,
        ));
    }
    bound
}

/// Branches to try, fewer where one takes long.
fn branches<K: Kernel>(core: &Core<K>, most: f64) -> u64 {
    let one = (core.cell.len() as u64 * K::WORK).max(1) as f64;
    most.min(most * 2e4 / one) as u64
}

fn relaxed<K: Kernel>(core: &Core<K>, incumbent: &Incumbent, hard: f64, deadline: &Deadline) -> f64 {
    let round = (2 * core.cell.len() as u64 * K::WORK).max(1) as f64;
    let rounds = (2e9 * hard / round).clamp(1.0, 300.0 * hard.max(1.0));
    relax::bound(core, &incumbent.set, rounds as usize, deadline)
}

/// A gap so wide says that the bands forgot too much, and that the concave relaxation is worth a try.
const WIDE: f64 = 0.01;

/// Up to so many free places are searched completely as a matter of course.
const SMALL: usize = 40;
/// Up to so many free places whole-problem annealing is worth while.
const FEW: usize = 3_000;

/// Annealing, for ground where traps reach so far that a sweep cannot remember what matters, or that has no positions.
fn anneal_anyhow<K: Kernel>(
    core: &Core<K>,
    sharing: &Sharing,
    incumbent: &mut Incumbent,
    single: &[f64],
    price: f64,
    options: &Options,
    deadline: &Deadline,
) {
    if core.len() <= FEW || core.xy.is_none() {
        anneal_chains(
            core,
            incumbent,
            single,
            price,
            options.effort,
            options.seed,
            deadline,
        );
    } else {
        let plan = SquarePlan {
            seed: options.seed,
            rounds: 40,
            proposals_per_place: (200.0 * options.effort).ceil() as u64,
            places_per_square: 1000.0,
            hot: 0.2,
            cold: 0.005,
            price,
            price_step: 0.5,
        };
        let set = anneal::squares(core, &incumbent.set, &plan, deadline);
        let settled = primal::settle(core, sharing, &set, deadline);
        incumbent.offer(core, &settled);
    }
}

fn anneal_chains<K: Kernel>(
    core: &Core<K>,
    incumbent: &mut Incumbent,
    single: &[f64],
    price: f64,
    effort: f64,
    seed: u64,
    deadline: &Deadline,
) {
    let candidates: Vec<u32> = (0..core.len() as u32)
        .filter(|&i| single[i as usize] > 0.8 * price * core.cost[i as usize])
        .collect();
    if incumbent.set.is_empty() || candidates.is_empty() {
        return;
    }
    let mean = (incumbent.value - core.base_value) / incumbent.set.len() as f64;
    let row = core.cell.len() as f64 / core.len() as f64;
    let proposals = (4_000.0 * candidates.len() as f64).min(2e8 / (K::WORK as f64 * (row + 10.0))) * effort;
    let stretch = Stretch {
        hot: 0.12 * mean,
        cold: 0.002 * mean,
        proposals: proposals.max(1.0) as u64,
        price: 0.0,
        cap: core.budget,
        keep_best: true,
    };
    if let Some(set) = anneal::chains(core, &incumbent.set, &candidates, 4, &stretch, seed, deadline) {
        incumbent.offer(core, &set);
    }
}

/// What the weakest chosen place earns per unit of cost; 0 when the budget is not used up and nothing more fits.
fn marginal_price<K: Kernel>(core: &Core<K>, set: &[u32]) -> f64 {
    let state = core.states(set);
    let least = set
        .iter()
        .filter(|&&i| core.cost[i as usize] > 0.0)
        .map(|&i| core.loss(&state, i as usize) / core.cost[i as usize])
        .fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 0.0 }
}

/// `f(S) + max sum of gains over S` within the budget (fractionally), spacing ignored: at least the optimum for any `S`,
/// because a monotone submodular `f` satisfies `f(O) <= f(S) + sum over O of the gains over S` (Nemhauser, Wolsey & Fisher 1978).
fn modular_bound<K: Kernel>(core: &Core<K>, chosen: &[u32]) -> f64 {
    let state = core.states(chosen);
    let mut items: Vec<(f64, f64)> = (0..core.len())
        .map(|i| (core.gain(&state, i), core.cost[i]))
        .filter(|item| item.0 > 0.0)
        .collect();
    items.sort_unstable_by(|a, b| (b.0 * a.1).total_cmp(&(a.0 * b.1)).then(b.0.total_cmp(&a.0)));
    let mut left = core.budget;
    let mut bound = core.value(chosen);
    for (gain, cost) in items {
        if cost <= left {
            bound += gain;
            left -= cost;
        } else {
            bound += gain * left / cost;
            break;
        }
    }
    bound
}

fn finish<K: Kernel>(
    problem: &Problem,
    core: &Core<K>,
    best: &[u32],
    bound: f64,
    begun: Instant,
    stopped_early: bool,
) -> Plan {
    let kept: Vec<usize> = problem.kept.iter().map(|&i| i as usize).collect();
    let (order, curve) = hang_order(problem, core, &kept, best);
    let mut chosen = order.clone();
    chosen.sort_unstable();
    let objective = curve.last().map_or(0.0, |last| last.1);
    // Sums of up to a million terms in different orders differ by far less than this.
    let bound = (bound * (1.0 + 1e-9)).max(objective);
    let gap = if bound > 0.0 {
        ((bound - objective) / bound).max(0.0)
    } else {
        0.0
    };
    let gap = if gap <= 4e-9 { 0.0 } else { gap };
    Plan {
        chosen,
        objective,
        bound,
        gap,
        curve,
        order,
        seconds: begun.elapsed().as_secs_f64(),
        stopped_early,
    }
}

/// Kept places first, then the others, each group in greedy order; and the objective after each.
fn hang_order<K: Kernel>(
    problem: &Problem,
    core: &Core<K>,
    kept: &[usize],
    best: &[u32],
) -> (Vec<usize>, Vec<(usize, f64)>) {
    let kernel = core.kernel;
    let mut state = vec![kernel.empty(); problem.cells()];
    let catch = |k: usize| -(-problem.hazard[k]).exp_m1();
    let mut order = Vec::new();
    let free: Vec<usize> = best.iter().map(|&i| core.origin[i as usize] as usize).collect();
    for group in [kept, &free] {
        let mut waiting: Vec<(f64, usize)> = group.iter().map(|&i| (f64::INFINITY, i)).collect();
        // Lazy greedy over a group of at most a few thousand.
        let mut heap: std::collections::BinaryHeap<(OrderedGain, std::cmp::Reverse<usize>, usize)> = waiting
            .drain(..)
            .map(|(g, i)| (OrderedGain(g), std::cmp::Reverse(i), 0))
            .collect();
        let mut round = 1;
        while let Some((_, std::cmp::Reverse(i), computed)) = heap.pop() {
            if computed < round {
                let gain: f64 = (problem.start[i]..problem.start[i + 1])
                    .map(|k| {
                        let c = problem.cell[k] as usize;
                        problem.weights[c] * kernel.gain(state[c], catch(k))
                    })
                    .sum();
                heap.push((OrderedGain(gain), std::cmp::Reverse(i), round));
                continue;
            }
            for k in problem.start[i]..problem.start[i + 1] {
                let c = problem.cell[k] as usize;
                state[c] = kernel.add(state[c], catch(k));
            }
            order.push(i);
            round += 1;
        }
    }
    let curve = curve_of(problem, kernel, &order);
    (order, curve)
}

/// The objective after each trap; the last value is recomputed from the definition.
fn curve_of<K: Kernel>(problem: &Problem, kernel: K, order: &[usize]) -> Vec<(usize, f64)> {
    let mut state = vec![kernel.empty(); problem.cells()];
    let mut total = 0.0;
    let mut curve = vec![(0, 0.0)];
    for (k, &i) in order.iter().enumerate() {
        for e in problem.start[i]..problem.start[i + 1] {
            let c = problem.cell[e] as usize;
            let p = -(-problem.hazard[e]).exp_m1();
            total += problem.weights[c] * kernel.gain(state[c], p);
            state[c] = kernel.add(state[c], p);
        }
        curve.push((k + 1, total));
    }
    if let (Some(last), Ok(exact)) = (curve.last_mut(), problem.evaluate(order)) {
        last.1 = exact;
    }
    curve
}

#[derive(PartialEq)]
struct OrderedGain(f64);
impl Eq for OrderedGain {}
impl PartialOrd for OrderedGain {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for OrderedGain {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.total_cmp(&other.0)
    }
}
