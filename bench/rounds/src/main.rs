//! rounds-bench ours|vrp INSTANCE SECONDS SEED, rounds-bench check INSTANCE ORDERS: one line of JSON, checked by our validator.

use std::io::BufWriter;
use std::sync::Arc;
use std::time::Instant;

use earlywood_planner::rounds::{
    Budget, Plan, Problem, RoundsError, Shift, Solver, StringRemovals, Travel, Visit, Weights, check,
    schedule,
};
use serde_json::{Value, json};
use vrp_pragmatic::core::prelude::{Solver as VrpSolver, VrpConfigBuilder};
use vrp_pragmatic::core::rosomaxa::utils::{DefaultRandom, Environment, Parallelism};
use vrp_pragmatic::format::problem::PragmaticProblem;
use vrp_pragmatic::format::solution::write_pragmatic;

type Res<T> = Result<T, Box<dyn std::error::Error>>;

fn main() -> Res<()> {
    let args: Vec<String> = std::env::args().collect();
    let instance: Value = serde_json::from_str(&std::fs::read_to_string(&args[2])?)?;
    let problem = read(&instance)?;
    let began = Instant::now();
    let plan = match args[1].as_str() {
        "check" => {
            let orders: Value = serde_json::from_str(&std::fs::read_to_string(&args[3])?)?;
            let mut all = vec![Vec::new(); problem.shifts.len()];
            for pair in orders.as_array().ok_or("no answer")? {
                let order = pair[1].as_array().ok_or("no order")?.iter();
                all[whole(&pair[0]) as usize] = order.map(|v| whole(v) as usize).collect();
            }
            schedule(&problem, &all)?
        }
        which => {
            let budget = match args[3].strip_suffix("it") {
                Some(n) => Budget::iterations(n.parse()?),
                None => Budget::seconds(args[3].parse()?),
            };
            let seed = args.get(4).map_or(Ok(1), |s| s.parse())?;
            match which {
                "ours" => StringRemovals.solve(&problem, &budget, seed)?,
                _ => VrpPragmatic.solve(&problem, &budget, seed)?,
            }
        }
    };
    let seconds = began.elapsed().as_secs_f64();
    if let Err(faults) = check(&problem, &plan) {
        return Err(format!("the plan fails the check: {}", faults[0]).into());
    }
    let (cost, drive) = (plan.cost.total(), plan.cost.drive);
    println!(
        "{}",
        json!({"instance": instance["name"], "cost": cost, "drive": drive, "left_out": plan.left_out.len(),
               "rounds": plan.rounds.len(), "seconds": (seconds * 10.0).round() / 10.0, "cpu_seconds": cpu_seconds(),
               "iterations": plan.iterations})
    );
    Ok(())
}

/// Seconds of all processors that this program has used so far (Linux; none elsewhere).
fn cpu_seconds() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    // Behind the name in brackets: the 12th and 13th field, in hundredths of a second.
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let ticks = fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

fn whole(v: &Value) -> i64 {
    v.as_i64().unwrap_or(-1)
}

/// The instance as a problem of ours: driving and what is left out, nothing else, like the peers.
fn read(instance: &Value) -> Res<Problem> {
    let list = |v: &Value| v.as_array().cloned().unwrap_or_default();
    let number = |v: &Value| v.as_f64().unwrap_or(f64::NAN);
    let xy: Vec<(f64, f64)> = list(&instance["xy"])
        .iter()
        .map(|p| (number(&p[0]), number(&p[1])))
        .collect();
    let scale = number(&instance["scale"]);
    let mut seconds = Vec::with_capacity(xy.len() * xy.len());
    for a in &xy {
        seconds.extend(
            xy.iter()
                .map(|b| (((a.0 - b.0).powi(2) + (a.1 - b.1).powi(2)).sqrt() * scale).floor() as u32),
        );
    }
    let shifts = list(&instance["shifts"])
        .into_iter()
        .enumerate()
        .map(|(crew, s)| Shift {
            crew,
            day: 0,
            from_at: whole(&s["from"]) as usize,
            to_at: whole(&s["to"]) as usize,
            opens_s: whole(&s["opens"]),
            closes_s: whole(&s["closes"]),
            pause: None,
            skills: 0,
            capacity: s["capacity"].as_u64().map(|c| c as u32),
        });
    let visits = list(&instance["visits"]);
    let visits = visits.iter().map(|v| Visit {
        windows: list(&v["windows"])
            .iter()
            .map(|w| (whole(&w[0]), whole(&w[1])))
            .collect(),
        load: whole(&v["load"]) as u32,
        ..Visit::plain(
            whole(&v["at"]) as usize,
            whole(&v["service"]) as u32,
            (0, 0),
            number(&v["worth"]),
        )
    });
    Ok(Problem {
        travel: Travel::new(xy.len(), seconds)?,
        shifts: shifts.collect(),
        visits: visits.collect(),
        weights: Weights {
            drive: 1.0,
            round: 0.0,
            fairness: 0.0,
        },
    })
}

/// vrp-pragmatic 1.25 behind our trait: serve as many as possible, then drive least. (It knows no price of leaving out beyond that.)
struct VrpPragmatic;

impl Solver for VrpPragmatic {
    fn solve(&self, problem: &Problem, budget: &Budget, _seed: u64) -> Result<Plan, RoundsError> {
        let orders = vrp_orders(problem, budget.seconds.unwrap_or(10.0))
            .map_err(|e| RoundsError::Solver(e.to_string()))?;
        schedule(problem, &orders)
    }
}

/// RFC 3339 in UTC, from a start of its own.
fn moment(s: i64) -> String {
    let (days, s) = (s.div_euclid(86_400), s.rem_euclid(86_400));
    format!(
        "2024-01-{:02}T{:02}:{:02}:{:02}Z",
        days + 2,
        s / 3600,
        s % 3600 / 60,
        s % 60
    )
}

fn vrp_orders(problem: &Problem, seconds: f64) -> Res<Vec<Vec<usize>>> {
    let began = Instant::now();
    let n = problem.travel.locations();
    let times: Vec<u32> = (0..n * n)
        .map(|k| {
            problem
                .travel
                .seconds(k / n, k % n)
                .ok_or("every place must be reachable")
        })
        .collect::<Result<_, _>>()?;
    let place = |at: usize| json!({"index": at});
    let jobs: Vec<Value> = problem
        .visits
        .iter()
        .enumerate()
        .map(|(v, visit)| {
            let windows: Vec<Value> = visit
                .windows
                .iter()
                .map(|w| json!([moment(w.0), moment(w.1)]))
                .collect();
            let places =
                json!([{"location": place(visit.at), "duration": visit.service_s, "times": windows}]);
            json!({"id": v.to_string(), "deliveries": [{"places": places, "demand": [visit.load]}]})
        })
        .collect();
    let vehicles: Vec<Value> = problem.shifts.iter().enumerate().map(|(s, shift)| {
        json!({"typeId": format!("t{s}"), "vehicleIds": [s.to_string()], "profile": {"matrix": "car"},
               "costs": {"fixed": 0.0, "distance": 1.0, "time": 0.0}, "capacity": [shift.capacity.unwrap_or(1_000_000)],
               "shifts": [{"start": {"earliest": moment(shift.opens_s), "location": place(shift.from_at)},
                           "end": {"latest": moment(shift.closes_s), "location": place(shift.to_at)}}]})
    }).collect();
    let question = json!({
        "plan": {"jobs": jobs}, "fleet": {"vehicles": vehicles, "profiles": [{"name": "car"}]},
        "objectives": [{"type": "minimize-unassigned"}, {"type": "minimize-cost"}]
    });
    let matrix = json!({"profile": "car", "travelTimes": times, "distances": times});
    let core = (question.to_string(), vec![matrix.to_string()])
        .read_pragmatic()
        .map_err(|e| e.to_string())?;
    let core = Arc::new(core);
    let quiet = Arc::new(|_: &str| {});
    let environment = Environment::new(
        Arc::new(DefaultRandom::default()),
        None,
        Parallelism::new(1, 1),
        quiet,
        false,
    );
    let left = (seconds - began.elapsed().as_secs_f64()).max(1.0).round() as usize;
    let config = VrpConfigBuilder::new(core.clone())
        .set_environment(Arc::new(environment))
        .prebuild()?;
    let config = config
        .with_max_time(Some(left))
        .with_max_generations(None)
        .build()?;
    let found = VrpSolver::new(core.clone(), config).solve()?;
    let mut text = BufWriter::new(Vec::new());
    write_pragmatic(&core, &found, Default::default(), &mut text)?;
    let answer: Value = serde_json::from_slice(&text.into_inner()?)?;
    let mut orders = vec![Vec::new(); problem.shifts.len()];
    for tour in answer["tours"].as_array().ok_or("no tours")? {
        let s: usize = tour["vehicleId"].as_str().ok_or("no vehicle")?.parse()?;
        for stop in tour["stops"].as_array().ok_or("no stops")? {
            for activity in stop["activities"].as_array().ok_or("no activities")? {
                if let Some(v) = activity["jobId"].as_str().and_then(|id| id.parse().ok()) {
                    orders[s].push(v);
                }
            }
        }
    }
    Ok(orders)
}
