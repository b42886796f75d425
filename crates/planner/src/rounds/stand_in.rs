//! Best insertion, to be replaced at the merge.
use super::*;

pub struct Insertion;

fn timed(p: &Problem, s: usize, order: &[usize]) -> Option<Round> {
    let shift = &p.shifts[s];
    for first_rest in 0..=order.len() {
        let (mut t, mut at, mut drive, mut work) = (shift.opens_s, shift.from_at, 0, 0);
        let mut stops = Vec::new();
        let mut pause_at = None;
        let mut ok = true;
        for (k, &v) in order.iter().enumerate() {
            let visit = &p.visits[v];
            let Some(d) = p.travel.seconds(at, visit.at) else { return None };
            let arrive = t + i64::from(d);
            let mut start = arrive;
            if let Some(pause) = shift.pause && k == first_rest {
                let b = start.max(pause.earliest_s);
                if b + i64::from(pause.length_s) > pause.latest_s { ok = false; break; }
                pause_at = Some(b);
                start = b + i64::from(pause.length_s);
            }
            let service = i64::from(visit.service_s);
            let mut w = visit.windows.clone();
            w.sort();
            let Some(begin) = w.iter().find_map(|&(a, b)| {
                let begin = start.max(a);
                let end = if visit.ends_in_window { begin + service } else { begin };
                (end <= b).then_some(begin)
            }) else { ok = false; break };
            t = begin + service;
            at = visit.at;
            drive += i64::from(d);
            work += service;
            stops.push(Stop { visit: v, drive_s: d, arrive_s: arrive, start_s: begin, leave_s: t });
        }
        if !ok { continue; }
        let Some(back) = p.travel.seconds(at, shift.to_at) else { return None };
        let end = t + i64::from(back);
        drive += i64::from(back);
        if let Some(pause) = shift.pause && first_rest == order.len() && end > pause.latest_s - i64::from(pause.length_s) { continue; }
        if end > shift.closes_s { continue; }
        let starts = stops.first().map_or(shift.opens_s, |f| if pause_at.is_some_and(|x| x < f.start_s) { shift.opens_s } else { f.start_s - i64::from(f.drive_s) });
        return Some(Round { shift: s, starts_s: starts, ends_s: end, stops, pause_at_s: pause_at, drive_s: drive, service_s: work, wait_s: 0 });
    }
    None
}

impl Solver for Insertion {
    fn solve(&self, problem: &Problem, _: &Budget, _: u64) -> Result<Plan, RoundsError> {
        problem.validate()?;
        let mut orders: Vec<Vec<usize>> = vec![Vec::new(); problem.shifts.len()];
        let mut by_worth: Vec<usize> = (0..problem.visits.len()).collect();
        by_worth.sort_by(|&a, &b| problem.visits[b].worth.total_cmp(&problem.visits[a].worth));
        let mut left_out = Vec::new();
        for v in by_worth {
            let visit = &problem.visits[v];
            let mut best: Option<(f64, usize, Vec<usize>)> = None;
            for s in 0..orders.len() {
                let shift = &problem.shifts[s];
                if visit.needs & !shift.skills != 0 { continue; }
                let before = timed(problem, s, &orders[s]).map_or(0, |r| r.busy_s());
                for k in 0..=orders[s].len() {
                    let mut order = orders[s].clone();
                    order.insert(k, v);
                    if let Some(r) = timed(problem, s, &order) {
                        let mut cost = (r.busy_s() - before) as f64 + 0.2 * r.busy_s() as f64 + visit.day_cost.get(shift.day).copied().unwrap_or(0.0);
                        if let Some(u) = visit.usual && u.shift != s { cost += u.cost; }
                        if best.as_ref().is_none_or(|b| cost < b.0) { best = Some((cost, s, order)); }
                    }
                }
            }
            match best {
                Some((_, s, order)) => orders[s] = order,
                None => {
                    let skilled = problem.shifts.iter().any(|s| visit.needs & !s.skills == 0);
                    let meets = problem.shifts.iter().any(|s| visit.needs & !s.skills == 0 && visit.windows.iter().any(|w| w.0 <= s.closes_s && s.opens_s <= w.1));
                    left_out.push((v, if !skilled { Why::NoSkills } else if !meets { Why::NoWindow } else { Why::NoRoom }));
                }
            }
        }
        let rounds = orders.iter().enumerate().filter(|(_, o)| !o.is_empty()).filter_map(|(s, o)| timed(problem, s, o)).collect();
        left_out.sort_by_key(|l| l.0);
        Ok(Plan { rounds, left_out, cost: Cost::default(), iterations: 0 })
    }
}

pub fn check(_: &Problem, _: &Plan) -> Result<(), Vec<String>> { Ok(()) }
