//! The release clock: worked values, gates, restarts, forecasts.
//!
//! "Worked value" stands for a value computed independently of this code, with numpy and scipy.
#![allow(clippy::unwrap_used)]

use earlywood_model::degree_days::{Cutoff, Method, Rule};
use earlywood_model::param::{Dist, Mark, Param};
use earlywood_model::phenology::{HeatModel, MonthDay};
use earlywood_model::release::{DayEffort, Heat, Protocol, Record, Season, Term, silence};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use proptest::prelude::*;

const FIND: Date = date(2024, 6, 1);

fn param(value: f64) -> Param {
    Param {
        dist: Dist::Fixed { value },
        unit: "test".into(),
        source: "invented for a test".into(),
        mark: Mark::SetByProgramme,
        note: None,
    }
}

fn protocol(term: fn(Param) -> Term, count: f64) -> Protocol {
    Protocol {
        term: term(param(count)),
        least_effort: param(0.8),
    }
}

const GENERATIONS: fn(Param) -> Term = |count| Term::Generations { count };
const YEARS: fn(Param) -> Term = |count| Term::Years { count };
const SEASONS: fn(Param) -> Term = |count| Term::Seasons { count };

fn heat_model() -> HeatModel {
    HeatModel {
        rule: Rule::new(Method::Average, Cutoff::Horizontal, 10.0, None).unwrap(),
        start: MonthDay::parse("01-01").unwrap(),
    }
}

/// Constant weather of so many degree-days a day, a little warmer every year.
fn series(dd: f64, warmer: f64) -> Series {
    let days = (0..2190).map(|n| date(2020, 1, 1) + n.days()).map(|date| {
        let t = 10.0 + dd + warmer * f64::from(date.year() - 2024);
        DailyTemp {
            date,
            tmin_c: t,
            tmax_c: t,
        }
    });
    Series::new(days.collect()).unwrap()
}

fn effort(days: i64, share: impl Fn(i64) -> f64) -> Vec<DayEffort> {
    (-30..days)
        .map(|n| DayEffort {
            date: FIND + n.days(),
            effective: 100.0 * share(n),
            planned: 100.0,
        })
        .collect()
}

/// Worked values: three cycles of 398 at 8 degree-days a day take 149.25 days, three of 328 at 12 take 82.
#[test]
fn three_cycles_at_constant_heat() {
    let model = heat_model();
    let all = effort(400, |_| 1.0);
    for (generation_dd, dd, days) in [(398.0, 8.0, 150), (328.0, 12.0, 82)] {
        let series = series(dd, 0.0);
        let heat = Some(Heat {
            model: &model,
            series: &series,
            generation_dd,
        });
        let record = Record {
            finds: &[FIND],
            effort: &all,
            heat,
            seasons: &[],
        };
        let clock = protocol(GENERATIONS, 3.0);
        let done = clock.state(record, FIND + 200.days()).unwrap();
        assert_eq!(done.done_on, Some(FIND + days.days()));
        assert_eq!((done.remaining, done.forecast), (0.0, None));
        // half way: the forecast from constant years is the same day
        let half = clock.state(record, FIND + 40.days()).unwrap();
        assert!((half.passed - 40.0 * dd / generation_dd).abs() < 1e-9);
        let forecast = half.forecast.unwrap();
        assert_eq!(
            (forecast.earliest, forecast.latest),
            (FIND + days.days(), FIND + days.days())
        );
        assert_eq!(forecast.years, 4);
    }
}

#[test]
fn warmer_years_forecast_sooner() {
    let (model, series, all) = (heat_model(), series(8.0, 1.0), effort(400, |_| 1.0));
    let heat = Some(Heat {
        model: &model,
        series: &series,
        generation_dd: 398.0,
    });
    let record = Record {
        finds: &[FIND],
        effort: &all,
        heat,
        seasons: &[],
    };
    let forecast = protocol(GENERATIONS, 3.0)
        .state(record, FIND)
        .unwrap()
        .forecast
        .unwrap();
    assert!(
        forecast.earliest < forecast.median && forecast.median < forecast.latest,
        "{forecast:?}"
    );
    // 2023 ran at 7 a day until New Year, which 1194 degree-days are reached before
    assert_eq!(forecast.earliest, FIND + 171.days());
}

#[test]
fn days_without_effort_do_not_count_and_a_find_starts_anew() {
    let clock = protocol(YEARS, 1.0);
    let gap = effort(800, |n| if (10..40).contains(&n) { 0.79 } else { 0.8 });
    let record = Record {
        finds: &[FIND],
        effort: &gap,
        heat: None,
        seasons: &[],
    };
    let state = clock.state(record, FIND + 100.days()).unwrap();
    assert_eq!((state.held_days, state.lost_days), (70, 30));
    assert!((state.passed - 70.0 / 365.25).abs() < 1e-9);
    assert_eq!(state.forecast.unwrap().median, FIND + (366 + 30).days());
    let later = clock.state(record, FIND + 500.days()).unwrap();
    assert_eq!(later.done_on, Some(FIND + (366 + 30).days()));
    // no record of effort at all: nobody looked
    let none = Record {
        effort: &[],
        ..record
    };
    assert_eq!(clock.state(none, FIND + 500.days()).unwrap().passed, 0.0);
    // a second find; one that is still to come is not known
    let finds = [FIND + 90.days(), FIND, FIND + 300.days()];
    let again = clock
        .state(
            Record {
                finds: &finds,
                ..record
            },
            FIND + 100.days(),
        )
        .unwrap();
    assert_eq!((again.last_find, again.held_days), (FIND + 90.days(), 10));
    assert!(clock.state(record, FIND - 1.days()).is_err());
}

#[test]
fn whole_seasons() {
    let season = |year| Season {
        from: date(year, 5, 1),
        to: date(year, 9, 30),
    };
    let seasons = [
        season(2024),
        season(2025),
        season(2026),
        season(2027),
        season(2028),
    ];
    let all = effort(1300, |n| if n > 700 && n < 850 { 0.0 } else { 1.0 });
    let record = Record {
        finds: &[FIND],
        effort: &all,
        heat: None,
        seasons: &seasons,
    };
    let clock = protocol(SEASONS, 2.0);
    // that of the find is none; 2025 counts at its end; 2026 was not trapped; 2027 counts
    let at = |date| clock.state(record, date).unwrap();
    assert_eq!(at(date(2025, 9, 29)).passed, 0.0);
    assert_eq!(at(date(2025, 9, 29)).forecast.unwrap().median, date(2026, 9, 30));
    assert_eq!(at(date(2025, 9, 30)).passed, 1.0);
    assert_eq!(at(date(2026, 12, 1)).passed, 1.0);
    assert_eq!(at(date(2026, 12, 1)).forecast.unwrap().median, date(2027, 9, 30));
    assert_eq!(at(date(2027, 10, 5)).done_on, Some(date(2027, 9, 30)));
}

/// Worked values of the zero-catch bounds and the sighting record.
#[test]
fn what_silence_says() {
    let near = |got: f64, expected: f64| assert!((got / expected - 1.0).abs() < 1e-8, "{got} {expected}");
    // 200 traps, 15 weeks, 0.001 a trap and week
    let days = effort(106, |n| if n > 0 { 2.0 } else { 0.0 });
    let record = Record {
        finds: &[FIND],
        effort: &days,
        heat: None,
        seasons: &[],
    };
    let on = FIND + 105.days();
    let told = silence(record, on, 0.001 / 7.0, 200.0, Some(0.5)).unwrap();
    assert_eq!(told.trap_days, 200.0 * 105.0);
    near(told.none_poisson, 0.04978706837);
    near(told.none_clumped.unwrap(), 0.05203283985);
    assert_eq!(told.sighting_p, None);
    // five sightings, the last after 300 of 520 trap-days
    let days = [
        DayEffort {
            date: FIND,
            effective: 300.0,
            planned: 1.0,
        },
        DayEffort {
            date: FIND + 9.days(),
            effective: 220.0,
            planned: 1.0,
        },
    ];
    let record = Record {
        finds: &[FIND; 5],
        effort: &days,
        heat: None,
        seasons: &[],
    };
    let told = silence(record, FIND + 9.days(), 0.01, 10.0, None).unwrap();
    near(told.sighting_p.unwrap(), 0.0639130518);
}

#[test]
fn refusals() {
    let days = effort(10, |_| 1.0);
    let record = Record {
        finds: &[FIND],
        effort: &days,
        heat: None,
        seasons: &[],
    };
    let on = FIND + 5.days();
    assert!(protocol(GENERATIONS, 3.0).state(record, on).is_err(), "no heat");
    assert!(protocol(YEARS, 0.0).state(record, on).is_err());
    assert!(protocol(SEASONS, 1.5).state(record, on).is_err());
    let (model, series) = (heat_model(), series(8.0, 0.0));
    let heat = Some(Heat {
        model: &model,
        series: &series,
        generation_dd: 398.0,
    });
    let far = protocol(GENERATIONS, 3.0).state(Record { heat, ..record }, date(2040, 1, 1));
    assert!(far.is_err(), "weather does not reach");
    let backwards: Vec<DayEffort> = days.iter().rev().copied().collect();
    assert!(
        protocol(YEARS, 1.0)
            .state(
                Record {
                    effort: &backwards,
                    ..record
                },
                on
            )
            .is_err()
    );
    let unsourced = Protocol {
        least_effort: Param {
            source: " ".into(),
            ..param(0.5)
        },
        ..protocol(YEARS, 1.0)
    };
    assert!(unsourced.state(record, on).is_err());
    assert!(silence(record, on, 0.0, 1.0, None).is_err());
    assert!(silence(record, FIND - 3.days(), 0.1, 1.0, None).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// More effort never slows the clock, it never runs backwards, and every day is either held or lost.
    #[test]
    fn the_clock_runs_forward(shares in prop::collection::vec(0.0..1.5f64, 60), day in 1i64..60, better in 0usize..60) {
        let make = |shares: &[f64]| -> Vec<DayEffort> {
            let rows = shares.iter().enumerate();
            rows.map(|(n, s)| DayEffort { date: FIND + (n as i64 + 1).days(), effective: *s, planned: 1.0 }).collect()
        };
        let (model, series) = (heat_model(), series(8.0, 0.0));
        let heat = Some(Heat { model: &model, series: &series, generation_dd: 398.0 });
        for term in [GENERATIONS, YEARS] {
            let clock = protocol(term, 1.0);
            let read = |effort: &[DayEffort], on| {
                clock.state(Record { finds: &[FIND], effort, heat, seasons: &[] }, on).unwrap()
            };
            let days = make(&shares);
            let (before, after) = (read(&days, FIND + (day - 1).days()), read(&days, FIND + day.days()));
            prop_assert!(after.passed >= before.passed);
            prop_assert_eq!(i64::from(after.held_days + after.lost_days), day);
            let mut more = shares.clone();
            more[better] = 1.0;
            prop_assert!(read(&make(&more), FIND + day.days()).passed >= after.passed);
            prop_assert!((after.passed + after.remaining - 1.0).abs() < 1e-9 || after.done_on.is_some());
        }
    }
}
