//! From orders to a plan: times, pauses, reasons and cost.

use super::error::RoundsError;
use super::model::{Model, NEVER};
use super::plan::{Cost, Plan, Round, Stop, Why};
use super::problem::{Problem, Shift, Visit};
use super::route::Route;
use super::search::State;

/// Times given orders of visits (one list per shift, empty = stays at home): every crew as early as it can, its pause where it delays
/// least. Visits in no list are left out, with the reason. For plans made elsewhere: by another solver, or by hand.
///
/// # Errors
/// [`RoundsError`] if the problem is bad, a visit stands twice, or an order can't be driven.
pub fn schedule(problem: &Problem, orders: &[Vec<usize>]) -> Result<Plan, RoundsError> {
    problem.validate()?;
    let mut seen = vec![false; problem.visits.len()];
    for (shift, order) in orders.iter().enumerate() {
        let bad = |why: String| Err(RoundsError::BadOrder { shift, why });
        if shift >= problem.shifts.len() {
            return bad(format!("there are only {} shifts", problem.shifts.len()));
        }
        for &v in order {
            match seen.get_mut(v) {
                None => return bad(format!("there is no visit {v}")),
                Some(true) => return bad(format!("visit {v} stands twice")),
                Some(new) => *new = true,
            }
        }
    }
    let m = Model::new(problem, 0);
    let mut given = vec![Vec::new(); problem.shifts.len()];
    for (s, order) in orders.iter().enumerate() {
        if let Some(v) = order.iter().find(|&&v| !m.may(v, s)) {
            return Err(RoundsError::BadOrder {
                shift: s,
                why: format!("visit {v} may not be done by it"),
            });
        }
        let mut route = Route::of(order.iter().map(|&v| v as u32).collect());
        if !route.refresh(&m, s) {
            let why = "windows, load or pause don't allow it".into();
            return Err(RoundsError::BadOrder { shift: s, why });
        }
        given[s] = route.order;
    }
    let mut state = State::new(&m, 0);
    state.load(&given);
    Ok(plan_of(problem, &m, &mut state, 0))
}

/// The plan that a state stands for.
pub(super) fn plan_of(problem: &Problem, m: &Model, state: &mut State, iterations: u64) -> Plan {
    let used = (0..m.days.len()).filter(|&s| !state.routes[s].order.is_empty());
    let rounds: Vec<Round> = used.map(|s| round_of(problem, m, &state.routes[s], s)).collect();
    let mut out = state.out.clone();
    out.sort_unstable();
    let left_out: Vec<(usize, Why)> = out
        .iter()
        .map(|&v| (v as usize, why(problem, m, state, v as usize)))
        .collect();
    let cost = cost_of(problem, m, &rounds, &left_out);
    Plan {
        rounds,
        left_out,
        cost,
        iterations,
    }
}

fn round_of(problem: &Problem, m: &Model, route: &Route, s: usize) -> Round {
    let day = &m.days[s];
    let rest = day.rest.zip(route.rest_before(m, s));
    let (mut here, mut free) = (day.from, day.opens);
    let (mut pause_at_s, mut drive_s, mut service_s, mut starts_s) = (None, 0, 0, day.opens);
    let mut stops = Vec::with_capacity(route.order.len());
    // Time there, ready to work, with the pause if it's taken on this leg.
    let mut go = |k: usize, free: i64, leg: i64| match rest {
        Some((rest, place)) if place == k => {
            let begin = rest.begins(free);
            pause_at_s = Some(begin);
            let there = if begin < free + leg {
                free + leg + rest.length
            } else {
                free + leg
            };
            (there, rest.arrive(free, leg))
        }
        _ => (free + leg, free + leg),
    };
    for (k, &v) in route.order.iter().enumerate() {
        let v = v as usize;
        let leg = m.drive(here, v);
        let (mut arrive_s, ready) = go(k, free, leg);
        let start_s = m.start(v, s, ready);
        if k == 0 && ready == arrive_s && rest.is_none_or(|r| r.1 != 0) {
            // No need to set out early only to stand at a gate.
            arrive_s = start_s;
            starts_s = start_s - leg;
        }
        let leave_s = start_s + m.service[v];
        stops.push(Stop {
            visit: v,
            drive_s: leg as u32,
            arrive_s,
            start_s,
            leave_s,
        });
        drive_s += leg;
        service_s += m.service[v];
        (here, free) = (v, leave_s);
    }
    let leg = m.drive(here, day.to);
    drive_s += leg;
    let ends_s = go(route.order.len(), free, leg).1;
    let pause_s = pause_at_s.map_or(0, |_| {
        problem.shifts[s].pause.map_or(0, |p| i64::from(p.length_s))
    });
    let wait_s = ends_s - starts_s - drive_s - service_s - pause_s;
    Round {
        shift: s,
        starts_s,
        ends_s,
        stops,
        pause_at_s,
        drive_s,
        service_s,
        wait_s,
    }
}

fn cost_of(problem: &Problem, m: &Model, rounds: &[Round], left_out: &[(usize, Why)]) -> Cost {
    let w = &problem.weights;
    let mut cost = Cost::default();
    for round in rounds {
        let busy = round.busy_s() as f64;
        let day = problem.shifts[round.shift].day;
        cost.drive += w.drive * round.drive_s as f64;
        cost.rounds += w.round;
        cost.fairness += m.days[round.shift].fair * busy * busy;
        for stop in &round.stops {
            let of_day = problem.visits[stop.visit]
                .day_cost
                .get(day)
                .copied()
                .unwrap_or(0.0);
            cost.days += of_day;
            cost.changes += problem.visits[stop.visit]
                .usual
                .map_or(0.0, |u| if u.shift == round.shift { 0.0 } else { u.cost });
        }
    }
    cost.left_out = left_out.iter().map(|&(v, _)| m.worth[v]).sum();
    cost
}

/// Why is a visit left out? Asked in turn, from what no plan could change to what this plan costs.
fn why(problem: &Problem, m: &Model, state: &mut State, v: usize) -> Why {
    let visit = &problem.visits[v];
    let may = |s: &(usize, &Shift)| visit.only_shifts.is_empty() || visit.only_shifts.contains(&s.0);
    let mut left: Vec<(usize, &Shift)> = problem.shifts.iter().enumerate().filter(may).collect();
    left.retain(|(_, s)| visit.needs & !s.skills == 0);
    if left.is_empty() {
        return Why::NoSkills;
    }
    left.retain(|(_, s)| s.capacity.is_none_or(|c| visit.load <= c));
    if left.is_empty() {
        return Why::TooBig;
    }
    left.retain(|(_, s)| meets(visit, s));
    if left.is_empty() {
        return Why::NoWindow;
    }
    let alone = |s: usize| {
        let mut route = Route::of(vec![v as u32]);
        m.may(v, s) && route.refresh(m, s)
    };
    if !left.iter().any(|&(s, _)| alone(s)) {
        return Why::TooFar;
    }
    match state.cheapest(v) {
        Some(would_cost) if would_cost < visit.worth => Why::NotGiven { would_cost },
        Some(would_cost) => Why::NotWorthIt { would_cost },
        None => Why::NoRoom,
    }
}

/// Does a start of the work lie in both a window and the shift?
fn meets(visit: &Visit, shift: &Shift) -> bool {
    visit.windows.iter().any(|&(from, to)| {
        let to = if visit.ends_in_window {
            to - i64::from(visit.service_s)
        } else {
            to
        };
        to >= from && to >= shift.opens_s && from <= shift.closes_s
    })
}

const _: () = assert!(NEVER > 2 * 100 * 366 * 86_400);
