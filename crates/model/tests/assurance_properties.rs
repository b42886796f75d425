//! The assurance engine against plain re-computations, a simulation, its own rules, and properties that must hold.

#![allow(clippy::unwrap_used)] // a test may fail on the spot

use earlywood_model::assurance::{
    Assurance, Cause, Cell, Find, FittedOn, Hold, Input, PlacementInput, Settings, ZoneInput, assess,
};
use earlywood_model::capture::Form;
use earlywood_model::freedom;
use earlywood_model::lure::Kinetics;
use earlywood_model::param::{Dist, Param};
use earlywood_model::profile::{FlightSection, SHIPPED_TOML, TargetProfile};
use earlywood_model::record::{Looked, Renewed, TrapFound, Visit, VisitKind};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use proptest::prelude::*;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

const START: Date = date(2025, 4, 1);
const END: Date = date(2025, 9, 29); // 26 weeks

fn day(n: i32) -> Date {
    START + n.days()
}

/// Two made-up years with a warm summer.
fn weather() -> Series {
    let first = date(2024, 1, 1);
    let days = (0..1096)
        .map(|n| {
            let mean = 12.0 - 11.0 * (std::f64::consts::TAU * f64::from(n - 20) / 365.25).cos();
            DailyTemp {
                date: first + n.days(),
                tmin_c: mean - 6.0,
                tmax_c: mean + 6.0,
            }
        })
        .collect();
    Series::new(days).unwrap()
}

fn fix(param: &mut Param, value: f64) {
    param.dist = Dist::Fixed { value };
}

/// A profile without uncertainty whose lure, insert and body last for ever, for sums that can be done by hand.
fn certain() -> TargetProfile {
    let mut p = TargetProfile::from_toml(SHIPPED_TOML[0]).unwrap();
    p.capture.form.value = Form::Sech;
    fix(&mut p.capture.reach_m, 30.0);
    fix(&mut p.capture.peak, 0.4);
    p.lure.kind.value = Kinetics::ZeroOrder;
    fix(&mut p.lure.life_days, 3_000.0);
    fix(&mut p.lure.reference_c, 20.0);
    fix(&mut p.lure.q10, 2.0);
    fix(&mut p.lure.beta, 0.5);
    fix(&mut p.lure.sun_offset_c, 0.0);
    for clock in [&mut p.clocks.look, &mut p.clocks.lure, &mut p.clocks.body] {
        (clock.nominal_days, clock.warning_days, clock.failed_days) = (14.0, 900.0, 1000.0);
    }
    p.clocks.insert = Some(p.clocks.body.clone());
    p.clocks.killing_agent = None;
    let mut threshold = p.capture.peak.clone();
    fix(&mut threshold, 12.0);
    p.heat.flight = FlightSection::TemperatureDriven {
        threshold_c: threshold,
    };
    p.heat.start.value = "01-01".into();
    fix(&mut p.design.flyers, 40.0);
    fix(&mut p.design.screening, 0.8);
    fix(&mut p.design.impaired_share, 0.3);
    fix(&mut p.design.prior_infested, 0.3);
    fix(&mut p.design.introduction_per_year, 0.2);
    p
}

/// A profile with everything uncertain and everything ageing.
fn uncertain() -> TargetProfile {
    let mut p = certain();
    p.capture.reach_m.dist = Dist::LogNormal {
        median: 30.0,
        sigma: 0.4,
    };
    p.capture.peak.dist = Dist::Beta {
        alpha: 4.0,
        beta: 6.0,
    };
    p.lure.kind.value = Kinetics::FirstOrder;
    p.lure.life_days.dist = Dist::Pert {
        low: 20.0,
        mode: 30.0,
        high: 50.0,
    };
    p.lure.q10.dist = Dist::Uniform { low: 1.5, high: 3.0 };
    p.design.flyers.dist = Dist::LogNormal {
        median: 40.0,
        sigma: 0.6,
    };
    p.design.impaired_share.dist = Dist::Uniform { low: 0.2, high: 0.8 };
    (p.clocks.look.warning_days, p.clocks.look.failed_days) = (20.0, 40.0);
    (p.clocks.lure.warning_days, p.clocks.lure.failed_days) = (50.0, 90.0);
    p
}

fn visit(n: i32) -> Visit {
    Visit {
        trap: "t".into(),
        date: day(n),
        kind: VisitKind::Service,
        found: TrapFound::Working,
        looked: Looked::Fully,
        suspects: Some(0),
        renewed: Renewed::default(),
        lure_lot: None,
        crew: None,
        exception: None,
    }
}

fn lure_changed(n: i32) -> Visit {
    Visit {
        renewed: Renewed {
            lure: true,
            ..Renewed::default()
        },
        ..visit(n)
    }
}

fn not_looked(n: i32, found: TrapFound) -> Visit {
    Visit {
        found,
        looked: Looked::No,
        suspects: None,
        ..visit(n)
    }
}

fn placement(x_m: f64, y_m: f64, hung: i32, visits: Vec<Visit>) -> PlacementInput {
    PlacementInput {
        label: format!("trap at {x_m} {y_m}"),
        x_m,
        y_m,
        zone: None,
        hung: day(hung),
        taken_down: None,
        visits,
        holds: Vec::new(),
        fitted: None,
    }
}

fn zone(label: &str) -> ZoneInput {
    ZoneInput {
        label: label.into(),
        prior_infested: None,
    }
}

fn settings(as_of: i32) -> Settings {
    Settings {
        draws: 8,
        capture_floor: 1e-9,
        ..Settings::new(day(as_of), START, END)
    }
}

/// One question, owned, so that tests can change parts of it.
#[derive(Clone)]
struct Case {
    zones: Vec<ZoneInput>,
    cells: Vec<Cell>,
    placements: Vec<PlacementInput>,
    profile: TargetProfile,
    finds: Vec<Find>,
    settings: Settings,
}

/// A failing case is told without its profile, which the tests name themselves.
impl std::fmt::Debug for Case {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Case")
            .field("cells", &self.cells)
            .field("placements", &self.placements)
            .field("certain", &self.profile.design.flyers.dist.is_fixed())
            .field("as_of", &self.settings.as_of)
            .finish()
    }
}

impl Case {
    fn new(cells: Vec<Cell>, placements: Vec<PlacementInput>, as_of: i32) -> Self {
        Case {
            zones: vec![zone("north")],
            cells,
            placements,
            profile: certain(),
            finds: Vec::new(),
            settings: settings(as_of),
        }
    }

    fn ask(&self) -> Assurance {
        self.try_ask().unwrap()
    }

    fn try_ask(&self) -> Result<Assurance, earlywood_model::ModelError> {
        let weather = weather();
        assess(&Input {
            zones: &self.zones,
            cells: &self.cells,
            placements: &self.placements,
            weather: &weather,
            profile: &self.profile,
            finds: &self.finds,
            settings: &self.settings,
        })
    }

    /// Season-to-date sensitivity of the first zone at central parameters.
    fn s(&self) -> f64 {
        self.ask().zones[0].central_sensitivity
    }
}

fn cell(x_m: f64, y_m: f64, weight: f64) -> Cell {
    Cell {
        x_m,
        y_m,
        weight,
        zone: 0,
    }
}

fn close(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} within {tolerance}"
    );
}

/// Flight and mean effort of each whole week, when effort is given day by day.
fn weekly(profile: &TargetProfile, weeks: usize, effort: &dyn Fn(i32) -> f64) -> (Vec<f64>, Vec<f64>) {
    let shares = profile
        .central()
        .unwrap()
        .flight
        .daily_share(&weather(), 2025)
        .unwrap();
    let on = |n: i32| shares.iter().find(|s| s.0 == day(n)).unwrap().1;
    (0..weeks as i32)
        .map(|w| {
            let flight: f64 = (7 * w..7 * w + 7).map(on).sum();
            let flown: f64 = (7 * w..7 * w + 7).map(|n| on(n) * effort(n)).sum();
            (flight, if flight > 0.0 { flown / flight } else { 0.0 })
        })
        .unzip()
}

/// The small case that is done over by hand: three cells, two traps, one of which begins late and is looked at late.
fn small() -> (Case, Vec<f64>, Vec<Vec<f64>>) {
    let cells = vec![cell(0.0, 0.0, 1.0), cell(60.0, 0.0, 2.0), cell(400.0, 0.0, 1.0)];
    let weeks = 12;
    let early: Vec<Visit> = (1..=weeks).map(|w| visit(7 * w)).collect();
    let late = vec![visit(30), visit(80)];
    let mut case = Case::new(
        cells.clone(),
        vec![placement(10.0, 5.0, -20, early), placement(70.0, -10.0, 10, late)],
        7 * weeks - 1,
    );
    // The look on day 84 is tomorrow's: the first trap's credit ends on day 77.
    case.settings.as_of = day(7 * weeks - 1);
    let profile = case.profile.clone();
    let (flight, first) = weekly(&profile, weeks as usize, &|n| f64::from(u8::from(n < 77)));
    let (_, second) = weekly(&profile, weeks as usize, &|n| {
        f64::from(u8::from((10..80).contains(&n)))
    });
    let capture = profile.central().unwrap().capture;
    let hazards = cells
        .iter()
        .map(|c| {
            let a = capture.hazard((c.x_m - 10.0).hypot(c.y_m - 5.0));
            let b = capture.hazard((c.x_m - 70.0).hypot(c.y_m + 10.0));
            (0..weeks as usize)
                .map(|t| a * first[t] + b * second[t])
                .collect()
        })
        .collect();
    (case, flight, hazards)
}

#[test]
fn sensitivity_is_the_formula() {
    let (case, flight, hazards) = small();
    let got = case.ask();
    assert_eq!(got.zones[0].periods.len(), 12);
    for t in 0..12 {
        let want: f64 = [0.25, 0.5, 0.25]
            .iter()
            .zip(&hazards)
            .map(|(w, hazard)| {
                let seen: f64 = (0..=t).map(|u| 40.0 * flight[u] * -(-hazard[u]).exp_m1()).sum();
                w * -(-0.8 * seen).exp_m1()
            })
            .sum();
        let band = got.zones[0].periods[t].sensitivity;
        close(band.median, want, 2e-5);
        close(got.zones[0].periods[t].flight_share, flight[t], 1e-12);
    }
    assert!(
        got.zones[0].central_sensitivity > 0.2,
        "the case must not be empty"
    );
}

/// Chance that an incursion in a cell is missed in a period, from the same hand-made hazards.
fn missed(flight: &[f64], hazards: &[Vec<f64>]) -> Vec<Vec<f64>> {
    hazards
        .iter()
        .map(|h| {
            h.iter()
                .zip(flight)
                .map(|(a, f)| (-0.8 * 40.0 * f * -(-a).exp_m1()).exp())
                .collect()
        })
        .collect()
}

/// Every history (never present; there from the start; come after period τ; in each cell) is listed with its own
/// probability, and Bayes' rule is applied to the list.
#[test]
fn absence_is_bayes_over_every_history() {
    let (case, flight, hazards) = small();
    let weights = [0.25, 0.5, 0.25];
    let missed = missed(&flight, &hazards);
    let i = freedom::per_period(0.2, 7.0).unwrap();
    let got = case.ask();
    let mut naive_prior = 0.3;
    let mut biggest_error: f64 = 0.0;
    for t in 0..12 {
        // Still free after period t: not there at the start, and none of the t arrivals between periods happened.
        let free = 0.7 * (1.0_f64 - i).powi(t as i32);
        let mut present = 0.0;
        for (weight, missed) in weights.iter().zip(&missed) {
            let escape = |from: usize| missed[from..=t].iter().product::<f64>();
            present += weight * 0.3 * escape(0);
            for tau in 1..=t {
                present += weight * 0.7 * (1.0 - i).powi(tau as i32 - 1) * i * escape(tau);
            }
        }
        let want = free / (free + present);
        close(got.zones[0].periods[t].p_free.unwrap().median, want, 2e-5);
        // What a mean sensitivity per period would say.
        let per_period: f64 = weights.iter().zip(&missed).map(|(w, m)| w * (1.0 - m[t])).sum();
        let naive = freedom::posterior_free(naive_prior, per_period).unwrap();
        naive_prior = freedom::carry_over(naive, i).unwrap();
        biggest_error = biggest_error.max((naive - want).abs());
    }
    assert!(
        biggest_error > 0.02,
        "the case must tell the joint rule from the mean rule: {biggest_error}"
    );
}

/// Single insects: arrival, flight week, capture and screening are drawn one by one; nothing of the formula is used but
/// the chance that one insect in one cell in one week is caught.
#[test]
fn a_simulation_of_single_insects_agrees() {
    let (case, flight, hazards) = small();
    let got = case.ask();
    let i = freedom::per_period(0.2, 7.0).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(20250401);
    let runs = 400_000;
    let (mut unseen_free, mut unseen, mut there_at_start, mut there_and_seen) = (0, 0, 0, 0);
    for _ in 0..runs {
        let mut arrival = (rng.random::<f64>() < 0.3).then_some(0);
        for t in 1..12 {
            if arrival.is_none() && rng.random::<f64>() < i {
                arrival = Some(t);
            }
        }
        let Some(arrival) = arrival else {
            unseen_free += 1;
            unseen += 1;
            continue;
        };
        let which: f64 = rng.random();
        let hazard = &hazards[if which < 0.25 {
            0
        } else if which < 0.75 {
            1
        } else {
            2
        }];
        // A Poisson number of flyers of mean 40 over the year: exponential gaps.
        let (mut seen, mut sum) = (false, 0.0);
        loop {
            sum -= rng.random::<f64>().max(1e-300).ln();
            if sum > 40.0 {
                break;
            }
            let (mut u, mut week) = (rng.random::<f64>(), 0);
            while week < 12 && u >= flight[week] {
                u -= flight[week];
                week += 1;
            }
            if week < 12 && week >= arrival {
                let caught = rng.random::<f64>() < -(-hazard[week]).exp_m1();
                seen |= caught && rng.random::<f64>() < 0.8;
            }
        }
        if arrival == 0 {
            there_at_start += 1;
            there_and_seen += i32::from(seen);
        }
        unseen += i32::from(!seen);
    }
    let spread = |p: f64, n: i32| 4.0 * (p * (1.0 - p) / f64::from(n)).sqrt();
    let s = got.zones[0].central_sensitivity;
    close(
        f64::from(there_and_seen) / f64::from(there_at_start),
        s,
        spread(s, there_at_start),
    );
    let free = got.zones[0].central_p_free.unwrap();
    close(
        f64::from(unseen_free) / f64::from(unseen),
        free,
        spread(free, unseen),
    );
}

#[test]
fn one_cell_is_the_recursion_of_freedom() {
    let (mut case, ..) = small();
    case.cells.truncate(1);
    case.settings.as_of = day(60);
    let got = case.ask();
    let mut before = 0.0;
    let per_period: Vec<f64> = got.zones[0]
        .periods
        .iter()
        .map(|p| {
            // S_t of one cell from the season-to-date figures: 1 - (1-S_now)/(1-S_before).
            let s = 1.0 - (1.0 - p.sensitivity.median) / (1.0 - before);
            before = p.sensitivity.median;
            s
        })
        .collect();
    let i = freedom::per_period(0.2, 7.0).unwrap();
    let want = freedom::series_of(0.3, &per_period, i).unwrap();
    for (period, want) in got.zones[0].periods.iter().zip(want) {
        close(period.p_free.unwrap().median, want, 1e-9);
    }
}

/// Effective trap-days of one trap (in weather in which flight is possible every day) under the rules.
fn effective(visits: Vec<Visit>, change: impl FnOnce(&mut Case)) -> (f64, f64) {
    let mut case = Case::new(
        vec![cell(0.0, 0.0, 1.0)],
        vec![placement(0.0, 0.0, 60, visits)],
        100,
    );
    change(&mut case);
    let got = case.ask();
    let zone = &got.zones[0];
    assert_eq!(zone.calendar_trap_days, 40.0);
    (zone.effective_trap_days, zone.waiting_trap_days)
}

fn same(got: (f64, f64), credited: f64, waiting: f64) {
    close(got.0, credited, 1e-5);
    close(got.1, waiting, 1e-5);
}

#[test]
fn rules_of_credit() {
    let keep = |_: &mut Case| {};
    let h = 0.3;
    same(effective(vec![], keep), 0.0, 40.0);
    same(effective(vec![visit(80)], keep), 20.0, 20.0);
    same(effective(vec![visit(70), visit(100)], keep), 40.0, 0.0);
    // Not reached, reached without a look: what waits goes on waiting, then the next look has it all.
    same(
        effective(vec![not_looked(80, TrapFound::NotReached)], keep),
        0.0,
        40.0,
    );
    same(
        effective(vec![not_looked(80, TrapFound::Working)], keep),
        0.0,
        40.0,
    );
    same(
        effective(vec![not_looked(80, TrapFound::NotReached), visit(90)], keep),
        30.0,
        10.0,
    );
    // A look tomorrow does not exist today.
    same(effective(vec![visit(101)], keep), 0.0, 40.0);
    // In part: a share now, the rest when it is looked at.
    let partly = |n| Visit {
        looked: Looked::Partly,
        ..visit(n)
    };
    same(
        effective(vec![partly(80)], keep),
        20.0 * h,
        20.0 + 20.0 * (1.0 - h),
    );
    same(effective(vec![partly(80), visit(90)], keep), 30.0, 10.0);
    // Impaired: a share, for good. Both: the square.
    let impaired = |n| Visit {
        found: TrapFound::Impaired,
        ..visit(n)
    };
    same(
        effective(vec![impaired(80), visit(90)], keep),
        20.0 * h + 10.0,
        10.0,
    );
    same(
        effective(vec![not_looked(80, TrapFound::Impaired), visit(90)], keep),
        20.0 * h + 10.0,
        10.0,
    );
    let both = Visit {
        found: TrapFound::Impaired,
        looked: Looked::Partly,
        ..visit(80)
    };
    same(
        effective(vec![both], keep),
        20.0 * h * h,
        20.0 + 20.0 * h * (1.0 - h),
    );
    // Down: nothing without a look, a share with one; up again from then on.
    same(
        effective(vec![not_looked(80, TrapFound::Down), visit(90)], keep),
        10.0,
        10.0,
    );
    same(
        effective(
            vec![
                Visit {
                    found: TrapFound::Down,
                    ..visit(80)
                },
                visit(90),
            ],
            keep,
        ),
        20.0 * h + 10.0,
        10.0,
    );
    // Gone: nothing since the last look, and nothing until body and lure are back.
    let gone = |n| not_looked(n, TrapFound::Gone);
    same(effective(vec![visit(70), gone(80), visit(90)], keep), 10.0, 0.0);
    let body_only = Visit {
        renewed: Renewed {
            body: true,
            ..Renewed::default()
        },
        ..gone(80)
    };
    same(effective(vec![visit(70), body_only, visit(90)], keep), 10.0, 0.0);
    let all = Visit {
        renewed: Renewed::ALL,
        ..gone(80)
    };
    same(effective(vec![visit(70), all, visit(90)], keep), 20.0, 10.0);
    let hung_anew = Visit {
        kind: VisitKind::Hang,
        looked: Looked::No,
        suspects: None,
        ..visit(85)
    };
    same(
        effective(vec![visit(70), gone(80), hung_anew, visit(90)], keep),
        15.0,
        10.0,
    );
    // The insert thrown away unseen takes the catch with it.
    let thrown = Visit {
        renewed: Renewed {
            insert: true,
            ..Renewed::default()
        },
        ..not_looked(80, TrapFound::Working)
    };
    same(effective(vec![thrown, visit(90)], keep), 10.0, 10.0);
    // A renewal at a trap that was not reached did not happen.
    let unreached = Visit {
        renewed: Renewed::ALL,
        ..not_looked(80, TrapFound::NotReached)
    };
    same(effective(vec![unreached], keep), 0.0, 40.0);
    // A hold credits nothing.
    let held = |c: &mut Case| {
        c.placements[0].holds = vec![Hold {
            from: day(60),
            to: day(100),
        }]
    };
    same(effective(vec![visit(80)], held), 20.0, 20.0);
}

#[test]
fn taking_down_is_a_look_only_if_somebody_looked() {
    for (looked, want) in [(true, 30.0), (false, 10.0)] {
        let last = if looked {
            visit(90)
        } else {
            not_looked(90, TrapFound::Working)
        };
        let down = Visit {
            kind: VisitKind::TakeDown,
            ..last
        };
        let mut case = Case::new(
            vec![cell(0.0, 0.0, 1.0)],
            vec![placement(0.0, 0.0, 60, vec![visit(70), down])],
            100,
        );
        case.placements[0].taken_down = Some(day(90));
        let got = case.ask();
        assert_eq!(got.zones[0].calendar_trap_days, 30.0);
        close(got.zones[0].effective_trap_days, want, 1e-5);
        assert_eq!(got.zones[0].waiting_trap_days, 0.0);
        assert!(
            got.zones[0].next_visits.is_empty(),
            "a trap that is gone for good needs no visit"
        );
    }
}

#[test]
fn clocks_lures_and_old_catches_cost_effort() {
    // The look clock: warning at 10 days of age, failed at 20; looked at after 40 days.
    let spoils = |c: &mut Case| {
        (
            c.profile.clocks.look.nominal_days,
            c.profile.clocks.look.warning_days,
        ) = (7.0, 10.0);
        c.profile.clocks.look.failed_days = 20.0;
    };
    let late = vec![visit(100)];
    same(effective(late.clone(), spoils), 15.0, 0.0);
    let keeps = |c: &mut Case| {
        spoils(c);
        c.settings.catch_spoils = false;
    };
    same(effective(late.clone(), keeps), 40.0, 0.0);
    // The lure's calendar clock: full to 10 days, none from 20.
    let lure = |c: &mut Case| {
        (
            c.profile.clocks.lure.nominal_days,
            c.profile.clocks.lure.warning_days,
        ) = (7.0, 10.0);
        c.profile.clocks.lure.failed_days = 20.0;
    };
    same(effective(late.clone(), lure), 15.0, 0.0);
    same(effective(vec![lure_changed(80), visit(100)], lure), 30.0, 0.0);
    // Hung with a used lure.
    let used = |c: &mut Case| {
        lure(c);
        let new = day(60);
        c.placements[0].fitted = Some(FittedOn {
            lure: day(50),
            insert: new,
            killing_agent: new,
            body: new,
        });
    };
    same(effective(late.clone(), used), 5.0, 0.0);
    // Heat empties the lure: 10 days at 20 degrees last as long as the day factors say.
    let heat = |c: &mut Case| fix(&mut c.profile.lure.life_days, 10.0);
    let mut life = certain();
    fix(&mut life.lure.life_days, 10.0);
    let device = life.central().unwrap().lure;
    let mut age = 0.0;
    let mut days = 0.0;
    for n in 60..100 {
        let today = *weather().get(day(n)).unwrap();
        let factor = device.day_factor(today.tmin_c, today.tmax_c);
        days += ((10.0 - age) / factor).clamp(0.0, 1.0);
        age += factor;
    }
    assert!(days > 5.0 && days < 35.0);
    same(effective(late, heat), days, 0.0);
}

#[test]
fn what_cost_most_is_named() {
    let many = |visits: Vec<Visit>, change: &dyn Fn(&mut Case)| {
        let mut case = Case::new(
            vec![cell(10.0, 0.0, 1.0), cell(40.0, 0.0, 1.0)],
            vec![placement(0.0, 0.0, 0, visits)],
            98,
        );
        case.profile.clocks.look.warning_days = 20.0;
        case.profile.clocks.look.failed_days = 40.0;
        change(&mut case);
        case.ask().zones[0].clone()
    };
    let every = |days: usize| {
        (1..=98)
            .step_by(1)
            .filter(move |n| n % days as i32 == 0)
            .map(visit)
            .collect::<Vec<_>>()
    };
    let keep = |_: &mut Case| {};
    let fine = many(every(14), &keep);
    assert!(
        fine.losses.is_empty() && fine.lost_in_all < 1e-9,
        "{:?}",
        fine.losses
    );
    let first = |zone: &earlywood_model::assurance::ZoneAssurance| zone.losses.first().map(|l| l.cause);
    assert_eq!(
        first(&many(vec![visit(49)], &keep)),
        Some(Cause::LateOrMissedLooks)
    );
    let held = |c: &mut Case| {
        c.placements[0].holds = vec![Hold {
            from: day(0),
            to: day(200),
        }]
    };
    let zone = many(vec![visit(49)], &held);
    assert_eq!(first(&zone), Some(Cause::Holds));
    assert_eq!(zone.losses.len(), 1, "{:?}", zone.losses);
    let weak = |c: &mut Case| fix(&mut c.profile.lure.life_days, 15.0);
    assert_eq!(first(&many(every(14), &weak)), Some(Cause::WeakLures));
    let worn = |c: &mut Case| {
        let insert = c.profile.clocks.insert.as_mut().unwrap();
        (insert.warning_days, insert.failed_days) = (20.0, 30.0);
    };
    assert_eq!(first(&many(every(14), &worn)), Some(Cause::WornParts));
    let spoil = |found, looked| {
        let mut visits = every(14);
        for visit in visits.iter_mut().skip(3) {
            visit.found = found;
            visit.looked = looked;
            visit.suspects = (looked != Looked::No).then_some(0);
        }
        many(visits, &keep)
    };
    assert_eq!(
        first(&spoil(TrapFound::Down, Looked::No)),
        Some(Cause::DownOrGone)
    );
    assert_eq!(
        first(&spoil(TrapFound::Gone, Looked::No)),
        Some(Cause::DownOrGone)
    );
    assert_eq!(
        first(&spoil(TrapFound::Impaired, Looked::Fully)),
        Some(Cause::Impaired)
    );
    assert_eq!(
        first(&spoil(TrapFound::Working, Looked::Partly)),
        Some(Cause::PartlyLooked)
    );
    assert_eq!(
        first(&spoil(TrapFound::NotReached, Looked::No)),
        Some(Cause::LateOrMissedLooks)
    );
    for zone in [
        spoil(TrapFound::Gone, Looked::No),
        spoil(TrapFound::Impaired, Looked::Partly),
    ] {
        assert!(
            zone.losses
                .iter()
                .all(|l| l.sensitivity <= zone.lost_in_all + 1e-12)
        );
        assert!(zone.central_sensitivity + zone.lost_in_all <= 1.0);
    }
}

/// What a next visit is said to add is what it does add.
#[test]
fn next_visits_add_what_they_say() {
    let as_of = 7 * 14 - 1;
    let mut case = Case::new(
        vec![cell(10.0, 0.0, 1.0), cell(40.0, 10.0, 3.0), cell(90.0, 0.0, 2.0)],
        vec![
            placement(0.0, 0.0, 0, vec![visit(40), lure_changed(70), visit(90)]),
            placement(50.0, 0.0, 20, vec![lure_changed(60)]),
            placement(80.0, 10.0, 0, vec![visit(30), not_looked(70, TrapFound::Gone)]),
        ],
        as_of,
    );
    case.profile = uncertain();
    case.settings.catch_spoils = false;
    let now = case.ask();
    let listed = &now.zones[0].next_visits;
    assert_eq!(listed.len(), 3);
    let total = |v: &earlywood_model::assurance::NextVisit| v.from_look + v.from_renewal;
    assert!(listed.windows(2).all(|w| total(&w[0]) >= total(&w[1])));
    let base = case.s();
    for next in listed {
        let mut visited = case.clone();
        visited.placements[next.placement].visits.push(visit(as_of));
        if next.placement == 2 {
            assert_eq!(next.from_look, 0.0, "nothing waits in a trap that is gone");
            continue;
        }
        assert!(next.from_look > 1e-3 && next.waiting_trap_days > 1.0);
        close(visited.s() - base, next.from_look, 1e-9);
    }
    // Renewal: everything is looked at on the as-of day and on the day after the season; one trap is renewed or not.
    for next in listed {
        let ask_end = |renew: bool| {
            let mut later = case.clone();
            later.settings.as_of = END + 1.day();
            for (index, p) in later.placements.iter_mut().enumerate() {
                if index != 2 {
                    p.visits.push(visit(as_of));
                }
                p.visits.push(visit(182));
                if renew && index == next.placement {
                    let hang = Visit {
                        kind: VisitKind::Hang,
                        ..visit(as_of)
                    };
                    p.visits.push(Visit {
                        looked: Looked::No,
                        suspects: None,
                        ..hang
                    });
                }
            }
            later.s()
        };
        assert!(next.from_renewal > 1e-3);
        close(ask_end(true) - ask_end(false), next.from_renewal, 1e-9);
    }
}

/// The usual cut-off leaves out next to nothing, and never adds anything.
#[test]
fn the_cutoff_only_takes_away() {
    let (mut case, ..) = small();
    let whole = case.s();
    case.settings.capture_floor = Settings::new(day(0), START, END).capture_floor;
    let cut = case.s();
    assert!(cut <= whole && cut > whole * 0.997, "{cut} of {whole}");
}

#[test]
fn a_find_ends_talk_of_absence() {
    let (mut case, ..) = small();
    case.finds = vec![
        Find {
            zone: 0,
            date: day(30),
        },
        Find {
            zone: 0,
            date: day(500),
        },
    ];
    let got = case.ask();
    assert_eq!(got.zones[0].found_on, Some(day(30)));
    assert!(got.zones[0].central_p_free.is_none());
    for period in &got.zones[0].periods {
        assert_eq!(period.p_free.is_some(), period.to < day(30), "{period:?}");
        assert!(period.sensitivity.median >= 0.0);
    }
}

#[test]
fn zones_are_kept_apart_and_carried_priors_are_used() {
    let (mut case, ..) = small();
    case.zones = vec![
        ZoneInput {
            label: "a".into(),
            prior_infested: Some(0.05),
        },
        zone("b"),
        zone("empty"),
    ];
    case.cells.push(Cell {
        x_m: 5000.0,
        y_m: 0.0,
        weight: 7.0,
        zone: 1,
    });
    case.placements.push(placement(5100.0, 0.0, 0, vec![visit(10)]));
    let got = case.ask();
    assert_eq!(got.zones.len(), 3);
    assert_eq!(got.zones[0].placements, 2);
    assert_eq!(got.zones[1].placements, 1);
    assert!(got.zones[0].central_p_free.unwrap() > 0.9);
    assert!(got.zones[1].central_sensitivity < 0.2);
    assert_eq!((got.zones[2].central_sensitivity, got.zones[2].cells), (0.0, 0));
    let empty = got.zones[2].periods.last().unwrap();
    // Nothing is ever looked for there: the prior, worn down by introductions alone.
    let i = freedom::per_period(0.2, 7.0).unwrap();
    close(empty.p_free.unwrap().median, 0.7 * (1.0 - i).powi(11), 1e-9);
    assert!(got.zones[0].covered_weight > 0.99 && got.zones[2].covered_weight == 0.0);
}

#[test]
fn nothing_at_all_is_fine() {
    for (cells, placements) in [
        (vec![], vec![]),
        (vec![cell(0.0, 0.0, 1.0)], vec![]),
        (vec![], vec![placement(0.0, 0.0, 0, vec![visit(10)])]),
        (
            vec![cell(0.0, 0.0, 0.0)],
            vec![placement(0.0, 0.0, 0, vec![visit(10)])],
        ),
    ] {
        let got = Case::new(cells, placements, 50).ask();
        let zone = &got.zones[0];
        assert_eq!(zone.central_sensitivity, 0.0);
        assert!(
            zone.periods
                .iter()
                .all(|p| p.sensitivity.p95 == 0.0 && p.p_free.unwrap().p95 <= 0.7)
        );
        assert!(zone.next_visits.is_empty() && zone.losses.is_empty());
    }
    let mut none = Case::new(vec![], vec![], 50);
    none.zones.clear();
    assert!(none.ask().zones.is_empty());
}

#[test]
fn extremes_stay_numbers() {
    let (mut case, ..) = small();
    for (flyers, reach, peak) in [
        (1e6, 1.0, 1.0),
        (1e6, 5000.0, 1.0),
        (0.0, 30.0, 1.0),
        (40.0, 30.0, 0.0),
    ] {
        fix(&mut case.profile.design.flyers, flyers);
        fix(&mut case.profile.capture.reach_m, reach);
        fix(&mut case.profile.capture.peak, peak);
        case.cells[2].x_m = 100_000.0;
        let got = case.ask();
        for period in &got.zones[0].periods {
            let free = period.p_free.unwrap();
            for v in [
                period.sensitivity.p05,
                period.sensitivity.p95,
                free.p05,
                free.median,
                free.p95,
            ] {
                assert!((0.0..=1.0).contains(&v), "{flyers} {reach} {peak}: {v}");
            }
        }
    }
    for prior in [0.0, 1.0] {
        fix(&mut case.profile.design.prior_infested, prior);
        fix(&mut case.profile.design.introduction_per_year, 0.0);
        assert_eq!(case.ask().zones[0].central_p_free, Some(1.0 - prior));
    }
}

#[test]
fn contradictions_are_refused_in_words() {
    let (good, ..) = small();
    let refuse = |change: &dyn Fn(&mut Case), word: &str| {
        let mut case = good.clone();
        change(&mut case);
        let message = case.try_ask().unwrap_err().to_string();
        assert!(message.contains(word), "{message}");
    };
    refuse(&|c| c.cells[0].zone = 5, "zone 5");
    refuse(&|c| c.cells[0].weight = -1.0, "weight");
    refuse(&|c| c.cells[0].x_m = f64::NAN, "easting");
    refuse(&|c| c.placements[0].y_m = f64::INFINITY, "northing");
    refuse(
        &|c| c.placements[0].taken_down = Some(day(-30)),
        "before it was hung",
    );
    refuse(&|c| c.placements[0].visits[0].suspects = None, "looked, none");
    refuse(&|c| c.settings.as_of = day(-1), "nothing to report");
    refuse(&|c| c.settings.season_end = day(-1), "ends on");
    refuse(&|c| c.settings.draws = 0, "draws");
    refuse(&|c| c.settings.period_days = 0, "period");
    refuse(
        &|c| {
            c.finds = vec![Find {
                zone: 3,
                date: day(3),
            }]
        },
        "no zone",
    );
    refuse(&|c| c.zones[0].prior_infested = Some(2.0), "prior");
    refuse(
        &|c| {
            // Weather ends in 2026; the season does not.
            c.settings = settings(0);
            c.settings.season_start = date(2027, 4, 1);
            c.settings.season_end = date(2027, 9, 1);
            c.settings.as_of = date(2027, 5, 1);
        },
        "weather",
    );
}

/// The same to the last bit, whatever the number of threads.
#[test]
fn threads_do_not_matter() {
    let (mut case, ..) = small();
    case.profile = uncertain();
    case.settings.draws = 200;
    let on = |threads| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| case.ask())
    };
    let (one, four) = (on(1), on(4));
    assert_eq!(one, four);
    assert!(one.zones[0].periods[11].sensitivity.p05 < one.zones[0].periods[11].sensitivity.p95);
    let mut other = case.clone();
    other.settings.seed = 2;
    assert_ne!(one, other.ask());
}

/// Draws are free to roam: the band must hold the central figure and narrow where parameters are certain.
#[test]
fn bands_are_bands() {
    let (mut case, ..) = small();
    let certain = case.ask();
    let last = certain.zones[0].periods.last().unwrap();
    assert_eq!(last.sensitivity.p05, last.sensitivity.p95);
    case.profile = uncertain();
    case.settings.draws = 400;
    let wide = case.ask();
    let last = wide.zones[0].periods.last().unwrap();
    let s = wide.zones[0].central_sensitivity;
    assert!(
        last.sensitivity.p05 < s && s < last.sensitivity.p95,
        "{s} {last:?}"
    );
}

const FOUND: [TrapFound; 5] = [
    TrapFound::Working,
    TrapFound::Impaired,
    TrapFound::Down,
    TrapFound::Gone,
    TrapFound::NotReached,
];
const LOOKED: [Looked; 3] = [Looked::No, Looked::Partly, Looked::Fully];

fn any_visit() -> impl Strategy<Value = Visit> {
    (1..120i32, 0..8usize, 0..3usize, any::<[bool; 4]>(), 0..12u8).prop_map(|(n, found, looked, r, kind)| {
        let found = *FOUND.get(found).unwrap_or(&TrapFound::Working);
        let there = !matches!(found, TrapFound::Gone | TrapFound::NotReached);
        let looked = if there { LOOKED[looked] } else { Looked::No };
        Visit {
            kind: if kind == 0 {
                VisitKind::Hang
            } else {
                VisitKind::Service
            },
            found,
            looked,
            suspects: (looked != Looked::No).then_some(0),
            renewed: Renewed {
                lure: r[0],
                insert: r[1] && r[2],
                killing_agent: r[2],
                body: r[3] && r[1],
            },
            ..visit(n)
        }
    })
}

fn any_case() -> impl Strategy<Value = Case> {
    let cells = prop::collection::vec((0.0..300.0f64, 0.0..300.0f64, 0.0..2.0f64), 1..14);
    let traps = prop::collection::vec(
        (
            0.0..300.0f64,
            0.0..300.0f64,
            0..40i32,
            prop::collection::vec(any_visit(), 0..8),
        ),
        1..6,
    );
    (cells, traps, 40..125i32, any::<bool>()).prop_map(|(cells, traps, as_of, sure)| {
        let cells = cells.into_iter().map(|(x, y, w)| cell(x, y, w)).collect();
        let placements = traps
            .into_iter()
            .map(|(x, y, h, v)| placement(x, y, h, v))
            .collect();
        let mut case = Case::new(cells, placements, as_of);
        if !sure {
            case.profile = uncertain();
        }
        case
    })
}

/// Every sensitivity a result states, in a fixed order.
fn all_sensitivities(case: &Case) -> Vec<f64> {
    let got = case.ask();
    let zone = &got.zones[0];
    let bands = zone.periods.iter().map(|p| p.sensitivity);
    bands
        .flat_map(|b| [b.p05, b.median, b.p95])
        .chain([zone.central_sensitivity])
        .collect()
}

fn not_below(more: &[f64], less: &[f64]) -> Result<(), TestCaseError> {
    prop_assert_eq!(more.len(), less.len());
    for (m, l) in more.iter().zip(less) {
        prop_assert!(*m >= *l - 1e-9, "{m} fell below {l}");
    }
    Ok(())
}

fn alike(a: &[f64], b: &[f64]) -> Result<(), TestCaseError> {
    not_below(a, b)?;
    not_below(b, a)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn everything_is_a_probability(case in any_case()) {
        let got = case.ask();
        let zone = &got.zones[0];
        let mut before = 0.0;
        for period in &zone.periods {
            let (s, f) = (period.sensitivity, period.p_free.unwrap());
            prop_assert!(0.0 <= s.p05 && s.p05 <= s.median && s.median <= s.p95 && s.p95 <= 1.0);
            prop_assert!(0.0 <= f.p05 && f.p05 <= f.median && f.median <= f.p95 && f.p95 <= 1.0);
            prop_assert!(s.median >= before - 1e-12, "season-to-date sensitivity fell");
            before = s.median;
        }
        prop_assert!(zone.effective_trap_days + zone.waiting_trap_days <= zone.calendar_trap_days + 1e-4);
    }

    #[test]
    fn one_more_trap_never_hurts(case in any_case(), x in 0.0..300.0f64, y in 0.0..300.0f64) {
        let mut more = case.clone();
        more.placements.push(placement(x, y, 0, vec![visit(20), visit(39)]));
        not_below(&all_sensitivities(&more), &all_sensitivities(&case))?;
    }

    #[test]
    fn more_flyers_and_better_screening_never_hurt(case in any_case(), by in 1.0..3.0f64) {
        let mut case = case;
        case.profile.design.flyers.dist = Dist::LogNormal { median: 40.0, sigma: 0.6 };
        fix(&mut case.profile.design.screening, 0.3);
        let base = all_sensitivities(&case);
        let mut more = case.clone();
        more.profile.design.flyers.dist = Dist::LogNormal { median: 40.0 * by, sigma: 0.6 };
        not_below(&all_sensitivities(&more), &base)?;
        let mut better = case.clone();
        fix(&mut better.profile.design.screening, 0.3 * by);
        not_below(&all_sensitivities(&better), &base)?;
    }

    #[test]
    fn a_dead_lure_changes_nothing(case in any_case(), x in 0.0..300.0f64, y in 0.0..300.0f64) {
        let mut more = case.clone();
        let mut dead = placement(x, y, 0, vec![visit(20), visit(39)]);
        // Past the failed age of the lure clock of either profile.
        let new = day(0);
        dead.fitted = Some(FittedOn { lure: day(-1001), insert: new, killing_agent: new, body: new });
        more.placements.push(dead);
        alike(&all_sensitivities(&more), &all_sensitivities(&case))?;
    }

    #[test]
    fn order_does_not_matter(case in any_case(), seed in any::<u64>()) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut mixed = case.clone();
        mixed.cells.sort_by_cached_key(|_| rng.random::<u64>());
        mixed.placements.sort_by_cached_key(|_| rng.random::<u64>());
        for p in &mut mixed.placements {
            p.visits.sort_by_cached_key(|_| rng.random::<u64>());
        }
        alike(&all_sensitivities(&mixed), &all_sensitivities(&case))?;
    }

    #[test]
    fn a_stop_that_did_not_reach_the_trap_changes_nothing(case in any_case(), which in any::<prop::sample::Index>(), n in 1..120i32) {
        let mut more = case.clone();
        let trap = which.index(more.placements.len());
        more.placements[trap].visits.push(not_looked(n, TrapFound::NotReached));
        alike(&all_sensitivities(&more), &all_sensitivities(&case))?;
        // And turning any visit into one that was not made... by somebody who could not look, at a working trap, never
        // counts as a look.
        let mut idle = case.clone();
        idle.placements[trap].visits.push(not_looked(n, TrapFound::Working));
        not_below(&all_sensitivities(&case), &all_sensitivities(&idle))?;
    }

    #[test]
    fn a_fuller_look_never_hurts(case in any_case(), which in any::<prop::sample::Index>(), visit in any::<prop::sample::Index>()) {
        let trap = which.index(case.placements.len());
        let count = case.placements[trap].visits.len();
        prop_assume!(count > 0);
        let at = visit.index(count);
        let found = case.placements[trap].visits[at].found;
        prop_assume!(!matches!(found, TrapFound::Gone | TrapFound::NotReached));
        let mut before: Option<Vec<f64>> = None;
        for looked in LOOKED {
            let mut now = case.clone();
            now.placements[trap].visits[at].looked = looked;
            now.placements[trap].visits[at].suspects = (looked != Looked::No).then_some(0);
            let s = all_sensitivities(&now);
            if let Some(before) = &before {
                not_below(&s, before)?;
            }
            before = Some(s);
        }
    }

    #[test]
    fn no_remedy_makes_it_worse(case in any_case()) {
        let got = case.ask();
        let zone = &got.zones[0];
        for loss in &zone.losses {
            prop_assert!(loss.sensitivity > 0.0 && loss.sensitivity <= zone.lost_in_all + 1e-9, "{zone:?}");
        }
        prop_assert!(zone.central_sensitivity + zone.lost_in_all <= 1.0 + 1e-9);
    }
}
