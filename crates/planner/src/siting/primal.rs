//! The search for a good plan on ground with positions: sweeps at a price that is moved until the budget is met.

use super::core::{Core, Sharing};
use super::kernel::Kernel;
use super::refine::{Along, Cut, sweep};
use super::solve::Deadline;
use super::swap::{self, Board};

/// How the ground is cut for sweeps and for the bound.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    /// How far a place's influence reaches.
    pub(crate) margin_m: f64,
    /// Width of a stripe in which about [`Scale::MEMORY`] places matter at once.
    pub(crate) stripe_m: f64,
    /// Height of a band of cells for the bound.
    pub(crate) band_m: f64,
    /// About how many places a sweep must remember even along the narrowest useful stripe.
    pub(crate) least_memory: f64,
}

impl Scale {
    /// Places remembered at once: more is more exact and slower.
    const MEMORY: f64 = 20.0;

    /// From the density of places that can earn `price`, taken where they stand closest. `None` without positions.
    pub(crate) fn new<K: Kernel>(
        core: &Core<K>,
        sharing: &Sharing,
        single: &[f64],
        price: f64,
    ) -> Option<Self> {
        let margin_m = super::anneal::Squares::margin_m(core)?;
        let earns = |i: usize| single[i] > price * core.cost[i];
        let mut crowd: Vec<usize> = (0..core.len())
            .filter(|&i| earns(i))
            .map(|i| 1 + sharing.of(i).iter().filter(|&&j| earns(j as usize)).count())
            .collect();
        crowd.sort_unstable();
        let crowd = crowd.get(crowd.len() * 9 / 10).copied().unwrap_or(1) as f64;
        let memory_m = 2.0 * margin_m;
        let (wide_m, high_m) = extent_m(core);
        // Near the edge of small ground the circle of influence is mostly empty.
        let per_m2 = crowd / (std::f64::consts::PI * memory_m * memory_m).min((wide_m * high_m).max(1e-6));
        let across_m = Self::MEMORY / (per_m2 * memory_m);
        let least_m = 0.25 * margin_m;
        Some(Self {
            margin_m,
            stripe_m: across_m.clamp(least_m, 3.0 * memory_m),
            band_m: (across_m - memory_m).clamp(margin_m, 4.0 * memory_m),
            least_memory: per_m2 * memory_m * least_m,
        })
    }

    /// Whether sweeps can remember enough to be worth while.
    pub(crate) fn sweepable(&self) -> bool {
        self.least_memory <= 20.0
    }
}

/// Extent of the places.
fn extent_m<K: Kernel>(core: &Core<K>) -> (f64, f64) {
    let span = |get: fn(&super::problem::Position) -> f64| {
        let (low, high) = core
            .xy
            .iter()
            .flatten()
            .map(get)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            });
        (high - low).max(0.0)
    };
    (span(|p| p.x_m), span(|p| p.y_m))
}

/// Keeps the best set that obeys the budget.
pub(crate) struct Incumbent {
    pub(crate) set: Vec<u32>,
    pub(crate) value: f64,
}

impl Incumbent {
    pub(crate) fn offer<K: Kernel>(&mut self, core: &Core<K>, set: &[u32]) -> bool {
        let value = core.value(set);
        let better = value > self.value;
        if better {
            self.value = value;
            self.set = set.to_vec();
            self.set.sort_unstable();
        }
        better
    }
}

/// Makes a set obey the budget (the traps that earn least per cost go), fills what is left and swaps.
pub(crate) fn settle<K: Kernel>(
    core: &Core<K>,
    sharing: &Sharing,
    set: &[u32],
    deadline: &Deadline,
) -> Vec<u32> {
    let mut board = Board::new(core, sharing, set);
    while board.left < 0.0 {
        let rate =
            |i: u32| core.loss(&board.state, i as usize) / core.cost[i as usize].max(f64::MIN_POSITIVE);
        let rates: Vec<(f64, u32)> = board.chosen.iter().map(|&i| (rate(i), i)).collect();
        match rates
            .into_iter()
            .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
        {
            Some((_, worst)) => board.take_out(worst as usize),
            None => break,
        }
    }
    swap::improve(&mut board, || !deadline.passed());
    board.chosen
}

/// Sweeps stop after so much work, in the unit of [`Kernel::WORK`]: far more than ground with room to move on ever needs.
const MOST_WORK: u64 = 10_000_000_000;

/// How far the sweeps have come.
#[derive(Debug, Default)]
struct Pace {
    /// Sweeps made, which sets how the next one cuts the ground.
    turn: usize,
    work: u64,
}

/// Sweeps at `price` until nothing changes or `most` sweeps are made.
fn settle_at_price<K: Kernel>(
    core: &Core<K>,
    set: &mut Vec<u32>,
    price: f64,
    scale: &Scale,
    most: usize,
    pace: &mut Pace,
    deadline: &Deadline,
) {
    const SHIFTS: [f64; 4] = [0.5, 0.0, 0.25, 0.75];
    let mut calm = 0;
    for _ in 0..most {
        if deadline.passed() || pace.work > MOST_WORK {
            return;
        }
        let along = if pace.turn.is_multiple_of(2) {
            Along::X
        } else {
            Along::Y
        };
        let cut = Cut {
            along,
            width_m: scale.stripe_m,
            shift: SHIFTS[pace.turn / 2 % 4],
            margin_m: scale.margin_m,
        };
        pace.turn += 1;
        if sweep(core, set, price, &cut, &mut pace.work, deadline) {
            calm = 0;
        } else {
            calm += 1;
            if calm >= 4 {
                return;
            }
        }
    }
}

/// Finds a price at which sweeps use the budget, and offers what they find. Returns that price.
pub(crate) fn search<K: Kernel>(
    core: &Core<K>,
    sharing: &Sharing,
    incumbent: &mut Incumbent,
    start_price: f64,
    scale: &Scale,
    effort: f64,
    deadline: &Deadline,
) -> f64 {
    let cost = |set: &[u32]| set.iter().map(|&i| core.cost[i as usize]).sum::<f64>();
    let mut set = incumbent.set.clone();
    let mut price = start_price;
    let mut low: Option<(f64, f64)> = None;
    let mut high: Option<(f64, f64)> = None;
    let (mut over, mut under): (Option<Vec<u32>>, Option<Vec<u32>>) = (None, None);
    let mut pace = Pace::default();
    let trials = (12.0 * effort).ceil() as usize;
    for trial in 0..trials {
        let most = if trial == 0 { 12 } else { 6 };
        settle_at_price(core, &mut set, price, scale, most, &mut pace, deadline);
        let used = cost(&set);
        if used > core.budget {
            over = Some(set.clone());
            low = Some((price, used));
        } else {
            under = Some(set.clone());
            high = Some((price, used));
            if core.budget - used < 1e-6 * core.budget || price <= 0.0 {
                break;
            }
        }
        if deadline.passed() || pace.work > MOST_WORK {
            break;
        }
        price = match (low, high) {
            (Some((p0, u0)), Some((p1, u1))) => {
                if (p1 - p0).abs() <= 1e-6 * p1.abs() {
                    break;
                }
                let share = ((u0 - core.budget) / (u0 - u1).max(1e-300)).clamp(0.1, 0.9);
                p0 + share * (p1 - p0)
            }
            // About 3 % more is used for each per cent by which the price falls, when spacing binds as usual.
            _ => {
                price
                    * (0.5
                        * ((used - core.budget) / core.budget).clamp(-0.5, 0.5)
                        * (1.0 + trial as f64 * 0.3)
                        + if used > core.budget { 1e-3 } else { -1e-3 })
                    .exp()
            }
        };
    }
    for set in [over, under].into_iter().flatten() {
        let settled = settle(core, sharing, &set, deadline);
        incumbent.offer(core, &settled);
    }
    price
}

/// Sweeps from a given set at the bound's price, and offers the result.
pub(crate) fn from_wishes<K: Kernel>(
    core: &Core<K>,
    sharing: &Sharing,
    incumbent: &mut Incumbent,
    mut set: Vec<u32>,
    price: f64,
    scale: &Scale,
    deadline: &Deadline,
) {
    settle_at_price(core, &mut set, price, scale, 6, &mut Pace::default(), deadline);
    let settled = settle(core, sharing, &set, deadline);
    incumbent.offer(core, &settled);
}
