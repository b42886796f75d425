//! Is a plan what it says? Written apart from the solver, so that neither can hide the other's mistakes: it looks at the stated times
//! only, and reckons every cost again from the problem.

use thiserror::Error;

use super::plan::{Cost, Plan, Round, Stop, Why};
use super::problem::{Problem, Shift, Visit};

/// Something in a plan that breaks the problem's rules. Indices count from 0.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Fault {
    /// A visit is neither done nor listed as left out.
    #[error("visit {0} is neither done nor left out")]
    Missing(usize),
    /// A visit is done or listed more than once.
    #[error("visit {visit} stands {times} times in the plan")]
    Repeated {
        /// index of the visit
        visit: usize,
        /// how often
        times: usize,
    },
    /// The plan names a visit or a shift that isn't in the problem.
    #[error("the plan names {what} {index}, which does not exist")]
    Unknown {
        /// "visit" or "shift"
        what: &'static str,
        /// the index named
        index: usize,
    },
    /// A shift has two rounds.
    #[error("shift {0} has more than one round")]
    TwoRounds(usize),
    /// A round has no stop.
    #[error("the round of shift {0} has no stop")]
    EmptyRound(usize),
    /// A visit is done by a shift that may not or can't do it.
    #[error("visit {visit} may not be done by shift {shift}: {why}")]
    NotAllowed {
        /// index of the visit
        visit: usize,
        /// index of the shift
        shift: usize,
        /// in words
        why: &'static str,
    },
    /// The times of a round can't be so.
    #[error("shift {shift}: {why}")]
    Times {
        /// index of the shift
        shift: usize,
        /// in words
        why: String,
    },
    /// The pause is missing, too short or at the wrong time.
    #[error("the pause of shift {shift}: {why}")]
    Pause {
        /// index of the shift
        shift: usize,
        /// in words
        why: &'static str,
    },
    /// The truck is too full.
    #[error("shift {shift} carries {load} but holds {capacity}")]
    Overloaded {
        /// index of the shift
        shift: usize,
        /// what its stops need together
        load: u64,
        /// what it holds
        capacity: u32,
    },
    /// A stated sum isn't what the stops add up to.
    #[error("{what} is stated as {stated} but comes to {found}")]
    Sum {
        /// which sum
        what: String,
        /// what the plan says
        stated: f64,
        /// what it comes to
        found: f64,
    },
    /// The reason for leaving a visit out isn't true.
    #[error("visit {visit} is said to be left out for {said:?}, which is not so")]
    WrongReason {
        /// index of the visit
        visit: usize,
        /// the reason given
        said: Why,
    },
}

/// Checks a plan against its problem: every visit exactly once or left out with a true reason, windows, skills, load, shifts, pauses,
/// travel times, stated sums and cost (to 1e-6 of it).
///
/// [`Why::NoRoom`] and [`Why::NotWorthIt`] are checked as far as that the visit could be done alone; that no better place exists is
/// the solver's claim.
///
/// # Errors
/// All faults found.
pub fn check(problem: &Problem, plan: &Plan) -> Result<(), Vec<Fault>> {
    let mut faults = Vec::new();
    let mut seen = vec![0_usize; problem.visits.len()];
    let mut used = vec![false; problem.shifts.len()];
    for round in &plan.rounds {
        let Some(shift) = problem.shifts.get(round.shift) else {
            faults.push(Fault::Unknown {
                what: "shift",
                index: round.shift,
            });
            continue;
        };
        if std::mem::replace(&mut used[round.shift], true) {
            faults.push(Fault::TwoRounds(round.shift));
        }
        let known = round.stops.iter().filter(|s| s.visit >= problem.visits.len());
        let unknown: Vec<Fault> = known
            .map(|s| Fault::Unknown {
                what: "visit",
                index: s.visit,
            })
            .collect();
        if unknown.is_empty() {
            check_round(problem, shift, round, &mut faults);
            round.stops.iter().for_each(|s| seen[s.visit] += 1);
        } else {
            faults.extend(unknown);
        }
    }
    for &(visit, why) in &plan.left_out {
        match problem.visits.get(visit) {
            None => faults.push(Fault::Unknown {
                what: "visit",
                index: visit,
            }),
            Some(v) => {
                seen[visit] += 1;
                if !reason_holds(problem, v, why) {
                    faults.push(Fault::WrongReason { visit, said: why });
                }
            }
        }
    }
    for (visit, &times) in seen.iter().enumerate() {
        match times {
            1 => {}
            0 => faults.push(Fault::Missing(visit)),
            _ => faults.push(Fault::Repeated { visit, times }),
        }
    }
    if faults.is_empty() {
        check_cost(problem, plan, &mut faults);
    }
    if faults.is_empty() { Ok(()) } else { Err(faults) }
}

fn check_round(problem: &Problem, shift: &Shift, round: &Round, faults: &mut Vec<Fault>) {
    let s = round.shift;
    let (Some(first), Some(last)) = (round.stops.first(), round.stops.last()) else {
        faults.push(Fault::EmptyRound(s));
        return;
    };
    for stop in &round.stops {
        check_stop(&problem.visits[stop.visit], stop, s, shift, faults);
    }
    if round.starts_s < shift.opens_s {
        faults.push(times(
            s,
            format!("sets out at {} s, before the shift begins", round.starts_s),
        ));
    }
    if round.ends_s > shift.closes_s {
        faults.push(times(s, format!("ends at {} s, after the shift", round.ends_s)));
    }
    if let Some(capacity) = shift.capacity {
        let load: u64 = round
            .stops
            .iter()
            .map(|t| u64::from(problem.visits[t.visit].load))
            .sum();
        if load > u64::from(capacity) {
            faults.push(Fault::Overloaded {
                shift: s,
                load,
                capacity,
            });
        }
    }
    let mut drive_s = 0;
    let mut here = (shift.from_at, round.starts_s);
    for stop in &round.stops {
        let visit = &problem.visits[stop.visit];
        drive_s += check_leg(
            problem,
            round,
            here,
            (visit.at, stop.arrive_s, stop.start_s),
            faults,
        );
        if problem.travel.seconds(here.0, visit.at) != Some(stop.drive_s) {
            faults.push(times(
                s,
                format!("the drive to visit {} is not {} s", stop.visit, stop.drive_s),
            ));
        }
        here = (visit.at, stop.leave_s);
    }
    drive_s += check_leg(
        problem,
        round,
        here,
        (shift.to_at, round.ends_s, round.ends_s),
        faults,
    );
    let service_s: i64 = round
        .stops
        .iter()
        .map(|t| i64::from(problem.visits[t.visit].service_s))
        .sum();
    let mut pause_s = 0;
    match (shift.pause, round.pause_at_s) {
        (None, Some(_)) => faults.push(Fault::Pause {
            shift: s,
            why: "none is owed",
        }),
        (Some(p), None) if round.ends_s > p.latest_s - i64::from(p.length_s) => {
            faults.push(Fault::Pause {
                shift: s,
                why: "it is owed, but not there",
            });
        }
        (Some(p), Some(at)) => {
            pause_s = i64::from(p.length_s);
            let (from, to) = (at, at + pause_s);
            if from < p.earliest_s || to > p.latest_s {
                faults.push(Fault::Pause {
                    shift: s,
                    why: "it is outside its window",
                });
            }
            if from < round.starts_s || to > round.ends_s {
                faults.push(Fault::Pause {
                    shift: s,
                    why: "it is outside the round",
                });
            }
            if round.stops.iter().any(|t| t.start_s < to && from < t.leave_s) {
                faults.push(Fault::Pause {
                    shift: s,
                    why: "it falls in the work at a stop",
                });
            }
        }
        _ => {}
    }
    if first.arrive_s < round.starts_s || last.leave_s > round.ends_s {
        faults.push(times(s, "stops lie outside the round".into()));
    }
    let wait_s = round.ends_s - round.starts_s - drive_s - service_s - pause_s;
    for (what, stated, found) in [
        ("driving", round.drive_s, drive_s),
        ("work", round.service_s, service_s),
        ("waiting", round.wait_s, wait_s),
    ] {
        if stated != found {
            let what = format!("{what} of shift {s}");
            faults.push(Fault::Sum {
                what,
                stated: stated as f64,
                found: found as f64,
            });
        }
    }
}

fn times(shift: usize, why: String) -> Fault {
    Fault::Times { shift, why }
}

fn check_stop(visit: &Visit, stop: &Stop, s: usize, shift: &Shift, faults: &mut Vec<Fault>) {
    let v = stop.visit;
    if visit.needs & !shift.skills != 0 {
        faults.push(Fault::NotAllowed {
            visit: v,
            shift: s,
            why: "a skill is missing",
        });
    }
    if !visit.only_shifts.is_empty() && !visit.only_shifts.contains(&s) {
        faults.push(Fault::NotAllowed {
            visit: v,
            shift: s,
            why: "it is for other shifts",
        });
    }
    let work_s = i64::from(visit.service_s);
    let inside = |&(from, to): &(i64, i64)| {
        from <= stop.start_s && stop.start_s <= to && (!visit.ends_in_window || stop.leave_s <= to)
    };
    if !visit.windows.iter().any(inside) {
        faults.push(times(
            s,
            format!("visit {v} at {} s is outside its windows", stop.start_s),
        ));
    }
    if stop.arrive_s > stop.start_s || stop.leave_s != stop.start_s + work_s {
        faults.push(times(s, format!("the times of visit {v} do not add up")));
    }
}

/// One drive, from (place, time left) to (place, time there, time the work begins). Returns its length.
fn check_leg(
    problem: &Problem,
    round: &Round,
    from: (usize, i64),
    to: (usize, i64, i64),
    faults: &mut Vec<Fault>,
) -> i64 {
    let s = round.shift;
    let Some(drive) = problem.travel.seconds(from.0, to.0).map(i64::from) else {
        faults.push(times(
            s,
            format!("there is no way from location {} to {}", from.0, to.0),
        ));
        return 0;
    };
    let pause_s = problem.shifts[s].pause.map_or(0, |p| i64::from(p.length_s));
    // What the pause takes of the way there, and of the time until the work begins.
    let (mut on_way, mut in_all) = (0, 0);
    if let Some(at) = round.pause_at_s
        && at >= from.1
        && at + pause_s <= to.2
        && pause_belongs(round, from.1)
    {
        in_all = pause_s;
        if at < to.1 {
            on_way = pause_s;
            if at + pause_s > to.1 {
                faults.push(Fault::Pause {
                    shift: s,
                    why: "the crew arrives while resting",
                });
            }
        }
    }
    if from.1 + drive + on_way > to.1 || from.1 + drive + in_all > to.2 {
        faults.push(times(
            s,
            format!("{drive} s from location {} to {} are not there", from.0, to.0),
        ));
    }
    drive
}

/// The pause belongs to the last leg that it could lie in, so that it's counted once where work takes no time.
fn pause_belongs(round: &Round, left_s: i64) -> bool {
    let at = round.pause_at_s.unwrap_or(i64::MAX);
    !round.stops.iter().any(|t| t.leave_s > left_s && t.leave_s <= at)
}

/// Is the reason for leaving a visit out a true one?
fn reason_holds(problem: &Problem, visit: &Visit, why: Why) -> bool {
    let allowed = |s: usize| visit.only_shifts.is_empty() || visit.only_shifts.contains(&s);
    let shifts = || {
        problem
            .shifts
            .iter()
            .enumerate()
            .filter(|(s, _)| allowed(*s))
            .map(|(_, shift)| shift)
    };
    let skilled = || shifts().filter(|s| visit.needs & !s.skills == 0);
    let big = || skilled().filter(|s| s.capacity.is_none_or(|c| visit.load <= c));
    let met = || {
        big().filter(|s| {
            visit
                .windows
                .iter()
                .any(|&(a, b)| a.max(s.opens_s) <= last_start(visit, a, b).min(s.closes_s))
        })
    };
    let alone = || met().any(|s| alone(problem, s, visit));
    match why {
        Why::NoSkills => skilled().next().is_none(),
        Why::TooBig => skilled().next().is_some() && big().next().is_none(),
        Why::NoWindow => big().next().is_some() && met().next().is_none(),
        Why::TooFar => met().next().is_some() && !alone(),
        Why::NoRoom => alone(),
        Why::NotGiven { would_cost } => alone() && would_cost < visit.worth,
        Why::NotWorthIt { would_cost } => alone() && would_cost >= visit.worth - 1e-6,
    }
}

fn last_start(visit: &Visit, from_s: i64, to_s: i64) -> i64 {
    // A window shorter than the work, with a gate that closes, holds no start at all.
    if visit.ends_in_window {
        (to_s - i64::from(visit.service_s)).max(from_s - 1)
    } else {
        to_s
    }
}

/// Can a shift do this visit and nothing else?
fn alone(problem: &Problem, shift: &Shift, visit: &Visit) -> bool {
    let (Some(out), Some(back)) = (
        problem.travel.seconds(shift.from_at, visit.at),
        problem.travel.seconds(visit.at, shift.to_at),
    ) else {
        return false;
    };
    let (out, back, work) = (i64::from(out), i64::from(back), i64::from(visit.service_s));
    let start_after = |t: i64| {
        let starts = visit.windows.iter().filter_map(|&(a, b)| {
            let start = t.max(a);
            (start <= last_start(visit, a, b)).then_some(start)
        });
        starts.min()
    };
    let without = start_after(shift.opens_s + out).map(|start| start + work + back);
    let Some(p) = shift.pause else {
        return without.is_some_and(|end| end <= shift.closes_s);
    };
    let length = i64::from(p.length_s);
    // No pause owed; rest before the work; rest after it.
    let skipped = without.is_some_and(|end| end <= shift.closes_s.min(p.latest_s - length));
    let rest_at = shift.opens_s.max(p.earliest_s);
    let before = rest_at + length <= p.latest_s
        && start_after((rest_at + length).max(shift.opens_s + out + length))
            .is_some_and(|start| start + work + back <= shift.closes_s);
    let after = start_after(shift.opens_s + out).is_some_and(|start| {
        let rest_at = (start + work).max(p.earliest_s);
        rest_at + length <= p.latest_s
            && (rest_at + length).max(start + work + back + length) <= shift.closes_s
    });
    skipped || before || after
}

fn check_cost(problem: &Problem, plan: &Plan, faults: &mut Vec<Fault>) {
    let mut cost = Cost::default();
    let w = &problem.weights;
    for round in &plan.rounds {
        let shift = &problem.shifts[round.shift];
        let busy = (round.drive_s + round.service_s) as f64;
        cost.drive += w.drive * round.drive_s as f64;
        cost.rounds += w.round;
        cost.fairness += w.fairness * busy * busy / (2.0 * (shift.closes_s - shift.opens_s) as f64);
        for stop in &round.stops {
            let visit = &problem.visits[stop.visit];
            cost.days += visit.day_cost.get(shift.day).copied().unwrap_or(0.0);
            cost.changes += visit
                .usual
                .map_or(0.0, |u| if u.shift == round.shift { 0.0 } else { u.cost });
        }
    }
    cost.left_out = plan.left_out.iter().map(|&(v, _)| problem.visits[v].worth).sum();
    let stated = &plan.cost;
    for (what, stated, found) in [
        ("driving", stated.drive, cost.drive),
        ("crews sent out", stated.rounds, cost.rounds),
        ("visits left out", stated.left_out, cost.left_out),
        ("days waited", stated.days, cost.days),
        ("changes", stated.changes, cost.changes),
        ("unequal days", stated.fairness, cost.fairness),
    ] {
        let near = (stated - found).abs() <= 1e-6 * (1.0 + found.abs());
        if !near {
            faults.push(Fault::Sum {
                what: format!("the cost of {what}"),
                stated,
                found,
            });
        }
    }
}
