//! Trials against hand-made answers: the simulated share detected is the formula's, plans meet the same worlds, threads
//! change nothing, and the reliability curve holds where it must and fails where it must.
#![allow(clippy::unwrap_used)]

use std::sync::OnceLock;

use earlywood_model::assurance::{self, Cell, PlacementInput, ZoneInput, assess};
use earlywood_model::capture::Form;
use earlywood_model::param::{Dist, Mark, Param};
use earlywood_model::profile::{Choice, ClockDays, FlightSection, TargetProfile, by_id};
use earlywood_model::record::{Looked, Renewed, TrapFound, Visit, VisitKind};
use earlywood_model::trial::{
    CalibrationSettings, Input, Kind, Plan, PlanTrap, Presence, PriorOf, Recorded, Routine, Settings,
    SpreadForm, TrialSection, Truth, calibrate, run,
};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use proptest::prelude::*;

fn fixed(value: f64) -> Dist {
    Dist::Fixed { value }
}

fn param(value: f64) -> Param {
    Param {
        dist: fixed(value),
        unit: "-".into(),
        source: "made up".into(),
        mark: Mark::SetByProgramme,
        note: None,
    }
}

fn spread(growth: f64, mean_m: f64) -> TrialSection {
    TrialSection {
        founders: param(8.0),
        growth: param(growth),
        clumping: param(0.5),
        spread_form: Choice {
            value: SpreadForm::Exponential,
            source: "made up".into(),
            mark: Mark::SetByProgramme,
            note: None,
        },
        spread_mean_m: param(mean_m),
        naming_days: param(5.0),
    }
}

/// The ash borer with every parameter known and traps that never fail or age.
fn known() -> TargetProfile {
    let mut p = by_id("emerald-ash-borer").unwrap().clone();
    p.capture.form.value = Form::Exponential;
    for (param, value) in [
        (&mut p.capture.reach_m, 50.0),
        (&mut p.capture.peak, 0.2),
        (&mut p.lure.life_days, 65.0),
        (&mut p.lure.reference_c, 20.0),
        (&mut p.lure.q10, 2.0),
        (&mut p.lure.beta, 0.0),
        (&mut p.lure.sun_offset_c, 0.0),
        (&mut p.design.flyers, 20.0),
        (&mut p.design.screening, 0.8),
        (&mut p.design.impaired_share, 0.5),
        (&mut p.design.prior_infested, 0.3),
        (&mut p.design.introduction_per_year, 0.05),
    ] {
        param.dist = fixed(value);
    }
    if let FlightSection::HeatSumWindow {
        start_dd,
        peak_dd,
        end_dd,
    } = &mut p.heat.flight
    {
        for param in [start_dd, peak_dd, end_dd] {
            param.dist = fixed(param.central());
        }
    }
    // A lure whose potency does not follow its age is still gone when it is empty; make it last.
    p.lure.life_days.dist = fixed(3_000.0);
    let long = |c: &mut ClockDays| {
        (c.nominal_days, c.warning_days, c.failed_days) = (3_000.0, 3_001.0, 3_002.0);
    };
    long(&mut p.clocks.lure);
    long(&mut p.clocks.body);
    long(&mut p.clocks.look);
    p.clocks.insert = None;
    p.clocks.killing_agent = None;
    p
}

fn weather() -> &'static Series {
    static SERIES: OnceLock<Series> = OnceLock::new();
    SERIES.get_or_init(|| {
        let first = date(2024, 1, 1);
        let days = (0..1_461_i32)
            .map(|k| {
                let at = first.saturating_add(k.days());
                let season = (f64::from(at.day_of_year()) - 15.0) / 365.0 * std::f64::consts::TAU;
                let middle = 10.0 - 14.0 * season.cos();
                DailyTemp {
                    date: at,
                    tmin_c: middle - 6.0,
                    tmax_c: middle + 6.0,
                }
            })
            .collect();
        Series::new(days).unwrap()
    })
}

const SEASON: (Date, Date) = (date(2025, 1, 1), date(2025, 12, 31));

fn routine() -> Routine {
    Routine {
        seasons: vec![(date(2025, 1, 1), date(2025, 12, 20))],
        look_every_days: 7,
        lure_every_days: 3_000,
        late_days: fixed(0.0),
        not_reached: 0.0,
        impaired: 0.0,
        visit_cost: 0.0,
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

fn trap(label: &str, x_m: f64, y_m: f64) -> PlanTrap {
    PlanTrap {
        label: label.into(),
        x_m,
        y_m,
        cost: 2.0,
        recorded: None,
    }
}

fn plan(name: &str, traps: &[PlanTrap]) -> Plan {
    Plan {
        name: name.into(),
        traps: traps.to_vec(),
    }
}

struct Case {
    cells: Vec<Cell>,
    profile: TargetProfile,
    spread: TrialSection,
    routine: Routine,
    settings: Settings,
}

impl Case {
    fn new(cells: Vec<Cell>, kind: Kind, replicates: u32) -> Self {
        Case {
            cells,
            profile: known(),
            spread: spread(4.0, 60.0),
            routine: routine(),
            settings: Settings {
                kind,
                replicates,
                ..Settings::new(SEASON.0, SEASON.1)
            },
        }
    }

    fn input(&self) -> Input<'_> {
        Input {
            cells: &self.cells,
            cell_area_m2: 10_000.0,
            weather: weather(),
            profile: &self.profile,
            spread: &self.spread,
            routine: &self.routine,
            settings: &self.settings,
        }
    }
}

/// Four standard deviations of a binomial share.
fn near(share: f64, truth: f64, worlds: u32) -> bool {
    (share - truth).abs() <= 4.0 * (truth * (1.0 - truth) / f64::from(worlds)).sqrt() + 1e-12
}

#[test]
fn the_share_detected_is_the_formula_s() {
    // Fresh, working traps looked at to the end: S_c = 1 - exp(-s N (1 - exp(-sum a))), by cell, weighted by risk.
    let cells = vec![
        cell(0.0, 0.0, 1.0),
        cell(120.0, 0.0, 3.0),
        cell(5_000.0, 0.0, 1.0),
    ];
    let mut case = Case::new(cells.clone(), Kind::Design, 20_000);
    case.spread.naming_days = param(0.0);
    let traps = [trap("A", 20.0, 0.0), trap("B", 60.0, 0.0)];
    let (trial, _) = run(&case.input(), &[plan("two", &traps)]).unwrap();
    let seen = |c: &Cell| {
        let p = |t: &PlanTrap| 0.2 * (-(t.x_m - c.x_m).hypot(t.y_m - c.y_m) / 50.0).exp();
        let hazard: f64 = traps.iter().map(|t| -(1.0 - p(t)).ln()).sum();
        1.0 - (-0.8 * 20.0 * (1.0 - (-hazard).exp())).exp()
    };
    let truth = (seen(&cells[0]) + 3.0 * seen(&cells[1]) + seen(&cells[2])) / 5.0;
    let share = trial.plans[0].detected.share;
    assert!(truth > 0.3 && truth < 0.7, "{truth}");
    assert!(near(share, truth, 20_000), "{share} against {truth}");
    let (low, high) = trial.plans[0].detected.interval;
    assert!(low < share && share < high && high - low < 0.02);
}

/// A season with everything that can go wrong in it, and what the assurance says of it.
#[test]
fn the_trial_and_the_assurance_tell_the_same_of_a_bad_season() {
    let mut case = Case::new(
        vec![cell(0.0, 0.0, 1.0), cell(90.0, 30.0, 1.0)],
        Kind::Design,
        30_000,
    );
    case.profile = {
        let mut p = by_id("emerald-ash-borer").unwrap().clone();
        let quick = known();
        p.capture = quick.capture;
        p.design = quick.design;
        p.heat = quick.heat;
        for param in [
            &mut p.lure.life_days,
            &mut p.lure.reference_c,
            &mut p.lure.q10,
            &mut p.lure.beta,
            &mut p.lure.sun_offset_c,
        ] {
            param.dist = fixed(param.central());
        }
        p
    };
    case.spread.naming_days = param(0.0);
    let stop = |day: Date, found: TrapFound, looked: Looked, renewed: Renewed| Visit {
        trap: "A".into(),
        date: day,
        kind: VisitKind::Service,
        found,
        looked,
        suspects: (looked != Looked::No).then_some(0),
        renewed,
        lure_lot: None,
        crew: None,
        exception: None,
    };
    let nothing = Renewed::default();
    let insert = Renewed {
        insert: true,
        ..nothing
    };
    let lure = Renewed {
        lure: true,
        ..nothing
    };
    let visits = vec![
        stop(date(2025, 5, 20), TrapFound::Working, Looked::Fully, nothing),
        stop(date(2025, 6, 5), TrapFound::Impaired, Looked::Fully, lure),
        stop(date(2025, 6, 12), TrapFound::Working, Looked::No, nothing),
        stop(date(2025, 6, 20), TrapFound::Working, Looked::Partly, nothing),
        stop(date(2025, 6, 27), TrapFound::Working, Looked::Fully, insert),
        stop(date(2025, 7, 4), TrapFound::NotReached, Looked::No, nothing),
        stop(date(2025, 7, 9), TrapFound::Working, Looked::No, insert),
        stop(date(2025, 7, 20), TrapFound::Down, Looked::No, nothing),
        stop(date(2025, 7, 28), TrapFound::Down, Looked::Fully, nothing),
        stop(date(2025, 8, 30), TrapFound::Working, Looked::Fully, nothing),
    ];
    let recorded = |taken_down| Recorded {
        hung: date(2025, 4, 20),
        taken_down,
        visits: visits.clone(),
        fitted: None,
    };
    let traps = [PlanTrap {
        recorded: Some(recorded(Some(date(2025, 9, 1)))),
        ..trap("A", 10.0, 10.0)
    }];
    let (trial, _) = run(&case.input(), &[plan("record", &traps)]).unwrap();
    let share = trial.plans[0].detected.share;
    let placements = [PlacementInput {
        label: "A".into(),
        x_m: 10.0,
        y_m: 10.0,
        zone: Some(0),
        hung: date(2025, 4, 20),
        taken_down: Some(date(2025, 9, 1)),
        visits: visits.clone(),
        holds: Vec::new(),
        fitted: None,
    }];
    let answer = assess(&assurance::Input {
        zones: &[ZoneInput {
            label: "z".into(),
            prior_infested: None,
        }],
        cells: &case.cells,
        placements: &placements,
        weather: weather(),
        profile: &case.profile,
        finds: &[],
        settings: &assurance::Settings {
            draws: 2,
            ..assurance::Settings::new(SEASON.1, SEASON.0, SEASON.1)
        },
    })
    .unwrap();
    let said = answer.zones[0].central_sensitivity;
    assert!(said > 0.1 && said < 0.8, "{said}");
    // The engine takes mean effort within a week where the trial takes the day's; allow 2 % of the figure for that.
    assert!(
        (share - said).abs() < 4.0 * (0.25_f64 / 30_000.0).sqrt() + 0.02 * said,
        "{share} against {said}"
    );
}

fn district() -> Vec<Cell> {
    (0..400)
        .map(|i| {
            cell(
                f64::from(i % 20) * 100.0,
                f64::from(i / 20) * 100.0,
                1.0 + f64::from(i % 7),
            )
        })
        .collect()
}

fn net(every: usize) -> Vec<PlanTrap> {
    (0..400)
        .step_by(every)
        .map(|i| {
            trap(
                &format!("T{i}"),
                (i % 20) as f64 * 100.0 + 30.0,
                (i / 20) as f64 * 100.0 + 20.0,
            )
        })
        .collect()
}

/// Two seasons of growth, a full two years of weather.
fn growing(replicates: u32) -> Case {
    let mut case = Case::new(district(), Kind::Growing, replicates);
    case.settings.to = date(2027, 12, 31);
    case.routine.seasons = (2025..=2027).map(|y| (date(y, 3, 1), date(y, 11, 20))).collect();
    case.routine.look_every_days = 14;
    case.routine.late_days = Dist::Pert {
        low: 0.0,
        mode: 2.0,
        high: 10.0,
    };
    case.routine.not_reached = 0.05;
    case.routine.impaired = 0.1;
    case.routine.visit_cost = 0.25;
    case
}

#[test]
fn a_plan_against_itself_differs_by_exactly_nothing() {
    let case = growing(200);
    let same = net(9);
    let (trial, worlds) = run(&case.input(), &[plan("a", &same), plan("b", &same)]).unwrap();
    let against = trial.against.unwrap();
    for d in [
        against.detected,
        against.days,
        against.insects,
        against.area_m2,
        against.cost,
    ] {
        assert_eq!((d.mean, d.low, d.high, d.pairs), (0.0, 0.0, 0.0, 200));
    }
    assert!(worlds.iter().all(|w| w.outcomes[0] == w.outcomes[1]));
    let share = trial.plans[0].detected.share;
    assert!(share > 0.2 && share < 1.0, "{share}");
    assert!(trial.plans[0].cost > 2.0 * same.len() as f64);
}

#[test]
fn a_denser_net_finds_more_sooner_and_smaller_and_costs_more() {
    let case = growing(400);
    let (trial, _) = run(&case.input(), &[plan("thin", &net(19)), plan("dense", &net(3))]).unwrap();
    let a = trial.against.unwrap();
    assert!(
        a.detected.low > 0.0 && a.days.high < 0.0 && a.insects.high < 0.0,
        "{a:?}"
    );
    assert!(a.cost.low > 0.0);
    let size = |i: usize| trial.plans[i].area_m2.unwrap().median;
    assert!(size(1) <= size(0));
}

#[test]
fn threads_change_nothing_and_seeds_change_everything() {
    let case = growing(64);
    let plans = [plan("a", &net(5)), plan("b", &net(7))];
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| run(&case.input(), &plans).unwrap())
    };
    assert_eq!(on(1), on(2));
    let mut other = growing(64);
    other.settings.seed = 2;
    assert_ne!(run(&other.input(), &plans).unwrap().1, on(1).1);
}

#[test]
fn a_first_flight_s_offspring_spread_by_the_kernel_and_grow_by_the_rate() {
    // A fine net of cells, no trap: the second generation of many worlds.
    let cells: Vec<Cell> = (0..10_000)
        .map(|i| {
            let middle = i == 5_050;
            cell(
                f64::from(i % 100) * 20.0,
                f64::from(i / 100) * 20.0,
                if middle { 1.0 } else { 0.0 },
            )
        })
        .collect();
    let mut case = Case::new(cells, Kind::Growing, 1_000);
    case.spread = spread(3.0, 100.0);
    case.settings.to = date(2026, 12, 31);
    case.routine.seasons = vec![(date(2025, 3, 1), date(2025, 11, 1))];
    let mut input = case.input();
    input.cell_area_m2 = 400.0;
    let (trial, worlds) = run(&input, &[plan("none", &[])]).unwrap();
    assert_eq!(trial.plans[0].detected.worlds, 0);
    let mean = worlds
        .iter()
        .map(|w| f64::from(w.outcomes[0].insects))
        .sum::<f64>()
        / 1_000.0;
    // 8 founders x 3; variance of the sum about 8 (3 + 9 / 0.5) + 9 * 7 = 231, so sd of the mean 0.48.
    assert!((mean - 24.0).abs() < 2.0, "{mean}");
    assert!(worlds.iter().all(|w| w.outcomes[0].generations == 2));
    // No insect is lost; cells are at least one where any insect is.
    assert!(
        worlds
            .iter()
            .all(|w| (w.outcomes[0].insects > 0) == (w.outcomes[0].cells > 0))
    );
    // Greatest of about 24 distances of a kernel with mean 100 (a = 50): a middle one near a x with
    // (1 + x) exp(-x) = 1 / 24, x = 4.9: 245 m.
    let mut radii: Vec<f64> = worlds.iter().map(|w| w.outcomes[0].radius_m).collect();
    radii.sort_by(f64::total_cmp);
    assert!((150.0..350.0).contains(&radii[500]), "{}", radii[500]);
}

#[test]
fn presence_follows_the_belief() {
    let mut case = Case::new(district(), Kind::Design, 4_000);
    case.settings.presence = Presence::Believed;
    let (trial, _) = run(&case.input(), &[plan("p", &net(40))]).unwrap();
    // 0.3 at the start, and 0.05 of the rest within the year.
    let truth = 0.3 + 0.7 * 0.05;
    assert!(
        near(trial.infested as f64 / 4_000.0, truth, 4_000),
        "{}",
        trial.infested
    );
}

fn calibration(case: &Case, of: &[Truth], worlds: u32) -> Vec<earlywood_model::trial::Curve> {
    let settings = CalibrationSettings {
        worlds,
        draws: 3,
        last_as_of: SEASON.1,
        season: SEASON,
        prior: PriorOf::Spread,
    };
    calibrate(&case.input(), &plan("p", &net(11)), &settings, of).unwrap()
}

#[test]
fn what_is_stated_is_true_where_beliefs_are_and_is_not_where_they_are_wrong() {
    let mut case = Case::new(district(), Kind::Design, 1);
    case.routine.not_reached = 0.1;
    case.routine.impaired = 0.2;
    case.routine.look_every_days = 21;
    // Near a quarter of the ground within reach, as with a net of a hundred.
    case.profile.capture.reach_m.dist = fixed(90.0);
    let curves = calibration(&case, &[Truth::AsBelieved, Truth::WrongParameters], 2_000);
    let wrong = |i: usize| {
        curves[i]
            .bins
            .iter()
            .filter(|b| b.agrees() == Some(false))
            .count()
    };
    let said: u64 = curves[0].bins.iter().map(|b| b.worlds).sum();
    assert_eq!(said + curves[0].found, 2_000);
    assert!(curves[0].bins.iter().filter(|b| b.worlds > 30).count() >= 8);
    // Ten intervals of 95 %: more than two outside happens once in about ninety runs; the seed is fixed.
    assert!(wrong(0) <= 1, "{:?}", curves[0].bins);
    assert!(wrong(1) >= 4, "{:?}", curves[1].bins);
    assert_eq!(
        curves[0].sensitivity.agrees(),
        Some(true),
        "{:?}",
        curves[0].sensitivity
    );
    assert_eq!(
        curves[1].sensitivity.agrees(),
        Some(false),
        "{:?}",
        curves[1].sensitivity
    );
    // The error is to the side of too much assurance.
    let over = curves[1].bins.iter().filter(|b| b.worlds > 30);
    assert!(
        over.clone()
            .filter(|b| b.interval.unwrap().1 < b.mean_stated.unwrap())
            .count()
            >= 4
    );
}

#[test]
fn bad_input_is_told() {
    let told = |change: &dyn Fn(&mut Case)| {
        let mut case = Case::new(district(), Kind::Growing, 10);
        change(&mut case);
        run(&case.input(), &[plan("p", &net(40))])
            .unwrap_err()
            .to_string()
    };
    assert!(told(&|c| c.settings.replicates = 0).contains("number of replicates"));
    assert!(told(&|c| c.settings.to = c.settings.from).contains("ends on"));
    assert!(told(&|c| c.routine.look_every_days = 0).contains("between looks"));
    assert!(told(&|c| c.routine.not_reached = 1.5).contains("do not reach"));
    assert!(told(&|c| c.routine.seasons.clear()).contains("seasons"));
    assert!(told(&|c| c.spread.growth = param(-1.0)).contains("growth a generation"));
    assert!(told(&|c| c.cells.iter_mut().for_each(|c| c.weight = 0.0)).contains("nothing can arrive"));
    assert!(told(&|c| c.settings.to = date(2035, 1, 1)).contains("weather"));
    let case = Case::new(district(), Kind::Growing, 10);
    assert!(
        run(&case.input(), &[])
            .unwrap_err()
            .to_string()
            .contains("no plan")
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// With looks on common days and sound traps, a trap more never makes a world's first catch, or its detection,
    /// later: each flyer's luck is its own.
    #[test]
    fn a_trap_more_is_never_later(seed in 0_u64..1_000, every in 5_usize..40, extra in 0_usize..400) {
        let mut case = Case::new(district(), Kind::Growing, 20);
        case.settings.seed = seed;
        case.settings.to = date(2026, 12, 31);
        case.routine.seasons = vec![(date(2025, 1, 1), date(2025, 12, 20)), (date(2026, 1, 1), date(2026, 12, 20))];
        case.profile.design.screening.dist = fixed(1.0);
        let few = net(every);
        let mut more = few.clone();
        more.push(trap("extra", (extra % 20) as f64 * 100.0 + 5.0, (extra / 20) as f64 * 100.0 - 5.0));
        let (_, worlds) = run(&case.input(), &[plan("few", &few), plan("more", &more)]).unwrap();
        for world in worlds {
            let [a, b] = [world.outcomes[0], world.outcomes[1]];
            prop_assert!(b.taken_days.unwrap_or(f64::INFINITY) <= a.taken_days.unwrap_or(f64::INFINITY));
            prop_assert!(a.known_days.is_none() || b.known_days.is_some());
        }
    }
}
