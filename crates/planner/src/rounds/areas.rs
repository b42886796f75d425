//! Large problems in parts: rounds near each other, of whatever crew and day, are searched on their own, on all threads at once, and
//! put together again; then the whole is split anew in another way. Everything is drawn before the threads start and put together in
//! one order, so the answer does not depend on how many there are.

use std::time::Instant;

use rayon::prelude::*;

use super::chance::{Chance, exp, ln};
use super::model::Model;
use super::plan::Budget;
use super::search::{Best, End, State};

/// First and last temperature of a small problem, in usual drives between neighbours (tuned in bench/rounds).
const HOT: f64 = 0.5;
const COLD: f64 = 0.005;
/// Last temperature of a large problem.
const LARGE_COLD: f64 = 0.05;
/// First temperature of a large problem per iteration and visit of the budget, and its bounds: who has time melts more first.
const HOT_PER_STEP: f64 = 0.1;
const LEAST_HOT: f64 = 0.5;
const MOST_HOT: f64 = 20.0;
/// Iterations that a second is thought to hold, where only a time is given (only for the temperature; design choice).
const STEPS_PER_SECOND: f64 = 50_000.0;
/// Visits of a part, about (tuned in bench/rounds).
const PART: usize = 750;
/// Problems from so many visits on are split.
const SPLIT_FROM: usize = 2 * PART;
/// Near visits kept per visit, in the whole and in a part: places next to others are rarely tried (tuned in bench/rounds).
pub(super) const NEIGHBOURS: usize = 60;
const PART_NEIGHBOURS: usize = 40;
/// Iterations per visit on the whole, cold, before the first split: rounds that lie all over the county can't be told apart by area.
const FIRST: u64 = 5;
/// Iterations per visit between two splits (tuned in bench/rounds).
const STEP: u64 = 10;

/// How temperature falls with the share (0 to 1) of the budget that is used.
#[derive(Debug, Clone, Copy)]
struct Cooling {
    hot: f64,
    cold: f64,
}

impl Cooling {
    fn small(m: &Model) -> Cooling {
        Cooling {
            hot: HOT * m.scale,
            cold: COLD * m.scale,
        }
    }

    fn large(m: &Model, budget: &Budget) -> Cooling {
        let steps = budget.iterations.map_or(f64::INFINITY, |n| n as f64);
        let by_clock = budget.seconds.map_or(f64::INFINITY, |s| s * STEPS_PER_SECOND);
        let each = steps.min(by_clock) / m.visits as f64;
        Cooling {
            hot: (HOT_PER_STEP * each).clamp(LEAST_HOT, MOST_HOT) * m.scale,
            cold: LARGE_COLD * m.scale,
        }
    }

    fn at(self, done: f64) -> f64 {
        self.hot * exp(ln(self.cold / self.hot) * done)
    }
}

/// Looks for better until the budget is used; ends with the best found, never with worse than the begin. Returns the number of
/// iterations.
pub(super) fn improve(m: &Model, state: &mut State, budget: &Budget, seed: u64, began: Instant) -> u64 {
    if m.visits >= SPLIT_FROM {
        return improve_large(m, state, budget, seed, began, PART);
    }
    let cooling = Cooling::small(m);
    let heat = |n| {
        let done = progress(budget, n, began);
        (done < 1.0).then(|| cooling.at(done))
    };
    state.anneal(budget.iterations.unwrap_or(u64::MAX), heat, End::Best)
}

/// Whole and cold first, then in parts of about `size` visits, split anew after every step.
fn improve_large(
    m: &Model,
    state: &mut State,
    budget: &Budget,
    seed: u64,
    began: Instant,
    size: usize,
) -> u64 {
    let most = budget.iterations.unwrap_or(u64::MAX);
    let visits = m.visits as u64;
    let cooling = Cooling::large(m, budget);
    let heat = |n| (progress(budget, n, began) < 1.0).then_some(cooling.cold);
    let mut n = state.anneal(most.min(FIRST * visits), heat, End::Best);
    let mut chance = Chance::new(seed ^ 0xA7EA5);
    let mut best = Best::of(state);
    let mut pace: Option<f64> = None;
    loop {
        let done = progress(budget, n, began);
        let step = next_step(STEP * visits, most - n, budget, pace, began);
        if done >= 1.0 || step == 0 {
            break;
        }
        let by_clock = match (budget.seconds, pace) {
            (Some(seconds), Some(pace)) => done + step as f64 * pace / seconds,
            _ => 0.0,
        };
        let by_steps = (n + step) as f64 / most as f64;
        let heats = (
            cooling.at(done),
            cooling.at(by_steps.max(by_clock).clamp(done, 1.0)),
        );
        let from = Instant::now();
        step_in_parts(m, state, (step, size), heats, &mut chance);
        n += step;
        pace = Some((from.elapsed().as_secs_f64() / step as f64).max(1e-9));
        if state.cost() < best.cost - 1e-9 {
            best = Best::of(state);
        }
    }
    best.restore(state);
    n
}

/// Iterations until the next split. By the clock, the first step is short, to learn how long an iteration takes (`pace`, seconds),
/// and the last one no longer than the time left.
fn next_step(usual: u64, left: u64, budget: &Budget, pace: Option<f64>, began: Instant) -> u64 {
    let step = usual.min(left);
    match (budget.seconds, pace) {
        (None, _) => step,
        (Some(_), None) => step.min((usual / 8).max(1)),
        (Some(seconds), Some(pace)) => {
            let time = (seconds - began.elapsed().as_secs_f64()).max(0.0);
            step.min((time / pace) as u64)
        }
    }
}

/// How much of the budget is used, 0 to 1.
fn progress(budget: &Budget, n: u64, began: Instant) -> f64 {
    let steps = budget
        .iterations
        .map_or(0.0, |most| if most == 0 { 1.0 } else { n as f64 / most as f64 });
    let clock = budget
        .seconds
        .map_or(0.0, |most| began.elapsed().as_secs_f64() / most);
    steps.max(clock)
}

/// Visits and shifts that are searched together.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Part {
    visits: Vec<u32>,
    shifts: Vec<u32>,
}

/// Splits the whole, searches each part for its share of the iterations, and puts them together.
fn step_in_parts(
    m: &Model,
    state: &mut State,
    (iterations, size): (u64, usize),
    heats: (f64, f64),
    chance: &mut Chance,
) {
    let parts = split(m, state, size, chance);
    let seeds: Vec<u64> = parts.iter().map(|_| chance.next()).collect();
    let all: u64 = parts.iter().map(|p| p.visits.len() as u64).sum();
    let orders: Vec<Vec<u32>> = state.routes.iter().map(|r| r.order.clone()).collect();
    let found: Vec<Vec<Vec<u32>>> = parts
        .par_iter()
        .zip(seeds)
        .map(|(part, seed)| {
            let share = iterations * part.visits.len() as u64 / all.max(1);
            search_part(m, part, &orders, share, heats, seed)
        })
        .collect();
    let mut joined = orders;
    for (part, found) in parts.iter().zip(found) {
        for (&s, order) in part.shifts.iter().zip(found) {
            joined[s as usize] = order;
        }
    }
    state.load(&joined);
}

fn search_part(
    m: &Model,
    part: &Part,
    orders: &[Vec<u32>],
    iterations: u64,
    heats: (f64, f64),
    seed: u64,
) -> Vec<Vec<u32>> {
    let own = m.part(&part.visits, &part.shifts, PART_NEIGHBOURS);
    let mut number = vec![0; m.visits];
    for (k, &v) in part.visits.iter().enumerate() {
        number[v as usize] = k as u32;
    }
    let given: Vec<Vec<u32>> = part
        .shifts
        .iter()
        .map(|&s| orders[s as usize].iter().map(|&v| number[v as usize]).collect())
        .collect();
    let mut state = State::new(&own, seed);
    state.load(&given);
    let cooling = ln(heats.1 / heats.0);
    let heat = |n: u64| Some(heats.0 * exp(cooling * n as f64 / iterations as f64));
    state.anneal(iterations, heat, End::Last);
    state
        .routes
        .iter()
        .map(|r| r.order.iter().map(|&k| part.visits[k as usize]).collect())
        .collect()
}

/// Splits the rounds into groups near each other: the round farthest from one drawn at random takes the nearest ones along until
/// there are visits enough, then the farthest of those left, and so on. Crews that stay at home go with the rounds nearest to where
/// they begin, visits that are left out with their nearest neighbours.
fn split(m: &Model, state: &State, size: usize, chance: &mut Chance) -> Vec<Part> {
    let used: Vec<usize> = (0..state.routes.len())
        .filter(|&s| !state.routes[s].order.is_empty())
        .collect();
    if used.is_empty() {
        let all = Part {
            visits: (0..m.visits as u32).collect(),
            shifts: (0..state.routes.len() as u32).collect(),
        };
        return vec![all];
    }
    let orders: Vec<&[u32]> = used.iter().map(|&s| state.routes[s].order.as_slice()).collect();
    let middles: Vec<usize> = orders.iter().map(|o| middle(m, o)).collect();
    let away = |from: usize, k: usize| -> f64 {
        let sum: f64 = orders[k]
            .iter()
            .map(|&v| m.drive_into(from, v as usize).min(MOST_AWAY) as f64)
            .sum();
        sum / orders[k].len() as f64
    };
    let placed: usize = orders.iter().map(|o| o.len()).sum();
    let parts = placed.div_ceil(size).max(1);
    let wanted = placed.div_ceil(parts);
    let start = middles[chance.below(used.len())];
    let mut left: Vec<usize> = (0..used.len()).collect();
    let mut part_of = vec![0; state.routes.len()];
    let mut shifts: Vec<Vec<u32>> = Vec::new();
    while !left.is_empty() {
        let seed = left
            .iter()
            .copied()
            .max_by(|&a, &b| away(start, a).total_cmp(&away(start, b)).then(b.cmp(&a)))
            .unwrap_or(0);
        let mut by_way: Vec<(f64, usize)> = left.iter().map(|&k| (away(middles[seed], k), k)).collect();
        by_way.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let last = shifts.len() + 1 >= parts;
        let (mut visits, mut taken) = (0, Vec::new());
        for (_, k) in by_way {
            if !last && visits >= wanted {
                break;
            }
            visits += orders[k].len();
            taken.push(used[k] as u32);
            part_of[used[k]] = shifts.len();
        }
        left.retain(|&k| !taken.contains(&(used[k] as u32)));
        shifts.push(taken);
    }
    for s in (0..state.routes.len()).filter(|&s| state.routes[s].order.is_empty()) {
        let from = m.days[s].from;
        let nearest =
            (0..used.len()).min_by(|&a, &b| away(from, a).total_cmp(&away(from, b)).then(a.cmp(&b)));
        let part = nearest.map_or(0, |k| part_of[used[k]]);
        part_of[s] = part;
        shifts[part].push(s as u32);
    }
    let mut found: Vec<Part> = shifts
        .into_iter()
        .map(|mut shifts| {
            shifts.sort_unstable();
            Part {
                visits: Vec::new(),
                shifts,
            }
        })
        .collect();
    for v in 0..m.visits as u32 {
        let beside = |u: &u32| state.shift_of(*u).filter(|&s| m.may(v as usize, s as usize));
        let shift = state
            .shift_of(v)
            .or_else(|| m.near[v as usize].iter().find_map(beside))
            .or_else(|| m.allowed[v as usize].first().copied());
        // No shift may do it: it stays where it is, out.
        if let Some(s) = shift {
            found[part_of[s as usize]].visits.push(v);
        }
    }
    found
}

/// A drive longer than any that matters here, so that no way at all does not swallow the sums.
const MOST_AWAY: i64 = 1 << 24;

/// The stop of a round that is nearest to all others.
fn middle(m: &Model, order: &[u32]) -> usize {
    let sum = |v: &u32| -> i64 {
        order
            .iter()
            .map(|&u| m.drive_into(u as usize, *v as usize).min(MOST_AWAY))
            .sum()
    };
    order
        .iter()
        .min_by_key(|v| (sum(v), **v))
        .map_or(0, |&v| v as usize)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use proptest::prelude::*;

    use super::*;
    use crate::rounds::problem::{Problem, Shift, Travel, Visit, Weights};
    use crate::rounds::{check, schedule::plan_of};

    /// Crews with depots of their own over some days on a plane of a few kilometres; one visit in ten is not to be done by anybody.
    fn plane(visits: usize, crews: usize, days: usize, seed: u64) -> Problem {
        let mut chance = Chance::new(seed);
        let mut spot = || (chance.below(4000) as f64, chance.below(4000) as f64);
        let spots: Vec<(f64, f64)> = (0..crews + visits).map(|_| spot()).collect();
        let mut seconds = Vec::new();
        for a in &spots {
            seconds.extend(spots.iter().map(|b| ((a.0 - b.0).hypot(a.1 - b.1) / 2.0) as u32));
        }
        let day = 86_400;
        let shift = |d: usize, c: usize| Shift {
            crew: c,
            day: d,
            from_at: c,
            to_at: c,
            opens_s: day * d as i64,
            closes_s: day * d as i64 + 20_000,
            pause: None,
            skills: 1,
            capacity: None,
        };
        let visit = |v: usize| {
            let first = chance.below(days) as i64;
            let mut visit = Visit::plain(crews + v, 600, (first * day, (first + 2) * day - 1), 20_000.0);
            visit.windows.push((0, 2000));
            visit.needs = if chance.below(10) == 0 { 2 } else { 1 };
            visit
        };
        Problem {
            travel: Travel::new(spots.len(), seconds).unwrap(),
            shifts: (0..days)
                .flat_map(|d| (0..crews).map(move |c| shift(d, c)))
                .collect(),
            visits: (0..visits).map(visit).collect(),
            weights: Weights::default(),
        }
    }

    fn orders(state: &State) -> Vec<Vec<u32>> {
        state.routes.iter().map(|r| r.order.clone()).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn parts_hold_every_shift_once_with_its_visits(seed in any::<u64>(), visits in 1_usize..80, size in 1_usize..40) {
            let problem = plane(visits, 3, 4, seed);
            let m = Model::new(&problem, NEIGHBOURS);
            let mut state = State::new(&m, seed);
            state.construct();
            let parts = split(&m, &state, size, &mut Chance::new(seed));
            let mut shifts: Vec<u32> = parts.iter().flat_map(|p| p.shifts.clone()).collect();
            shifts.sort_unstable();
            prop_assert_eq!(shifts, (0..12).collect::<Vec<u32>>());
            let mut seen = vec![0; visits];
            for part in &parts {
                for &v in &part.visits {
                    seen[v as usize] += 1;
                    prop_assert!(state.shift_of(v).is_none_or(|s| part.shifts.contains(&s)));
                }
            }
            for (v, &times) in seen.iter().enumerate() {
                // Only what nobody may do is in no part.
                prop_assert_eq!(times, usize::from(m.room(v) > 0));
            }
        }

        #[test]
        fn in_parts_it_never_gets_worse_and_every_visit_is_told_of(
            seed in any::<u64>(), visits in 1_usize..80, size in 5_usize..40, iterations in 0_u64..4000,
        ) {
            let problem = plane(visits, 3, 4, seed);
            let m = Model::new(&problem, NEIGHBOURS);
            let mut state = State::new(&m, seed);
            state.construct();
            let given = state.cost();
            let n = improve_large(&m, &mut state, &Budget::iterations(iterations), seed, Instant::now(), size);
            prop_assert_eq!(n, iterations);
            prop_assert!(state.cost() <= given + 1e-6, "{} after {given}", state.cost());
            let cost = state.cost();
            state.load(&orders(&state));
            prop_assert!((state.cost() - cost).abs() < 1e-6);
            state.fill();
            let plan = plan_of(&problem, &m, &mut state, n);
            prop_assert!(check(&problem, &plan).is_ok(), "{:?}", check(&problem, &plan));
        }
    }

    #[test]
    fn a_part_is_the_whole_cut_to_it() {
        let problem = plane(40, 3, 4, 9);
        let m = Model::new(&problem, NEIGHBOURS);
        let (visits, shifts) = (vec![3, 7, 11, 30], vec![1, 5, 6]);
        let part = m.part(&visits, &shifts, 2);
        for (k, &v) in visits.iter().enumerate() {
            for (l, &u) in visits.iter().enumerate() {
                assert_eq!(part.drive(k, l), m.drive(v as usize, u as usize));
                assert_eq!(part.drive_into(k, l), m.drive_into(v as usize, u as usize));
            }
            for (l, &s) in shifts.iter().enumerate() {
                let (s, v) = (s as usize, v as usize);
                assert_eq!(part.may(k, l), m.may(v, s));
                assert_eq!(part.drive(part.days[l].from, k), m.drive(m.days[s].from, v));
                for t in (0..400_000).step_by(1900) {
                    assert_eq!(part.start(k, l, t), m.start(v, s, t));
                    assert_eq!(part.last_start(k, l, t), m.last_start(v, s, t));
                }
            }
        }
    }

    #[test]
    fn the_number_of_threads_changes_nothing() {
        let problem = plane(120, 3, 4, 5);
        let m = Model::new(&problem, NEIGHBOURS);
        let with = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| {
                let mut state = State::new(&m, 3);
                state.construct();
                improve_large(&m, &mut state, &Budget::iterations(9000), 3, Instant::now(), 20);
                orders(&state)
            })
        };
        let one = with(1);
        assert_eq!(one, with(2));
        assert_eq!(one, with(7));
    }

    #[test]
    fn time_ends_the_steps() {
        let problem = plane(120, 3, 4, 5);
        let m = Model::new(&problem, NEIGHBOURS);
        let mut state = State::new(&m, 3);
        state.construct();
        let given = state.cost();
        let began = Instant::now();
        let n = improve_large(&m, &mut state, &Budget::seconds(0.3), 3, began, 20);
        assert!(
            n > 600 && state.cost() < given,
            "{n} iterations, {} from {given}",
            state.cost()
        );
        let budget = Budget {
            iterations: Some(700),
            seconds: Some(60.0),
        };
        assert_eq!(improve_large(&m, &mut state, &budget, 3, Instant::now(), 20), 700);
    }
}
