//! Target profiles: every shipped one is read, refuses nonsense, and warns where it must; seasons planned from them.

#![allow(
    clippy::unwrap_used,
    reason = "helpers outside the test functions are tests too"
)]

use std::fmt::Write as _;

use earlywood_model::ModelError;
use earlywood_model::param::{Dist, Mark};
use earlywood_model::phenology::{
    Basis, ChangeReason, FlightCurve, HeatModel, HeatWindow, MonthDay, SeasonOptions, SeasonSpan,
    season_dates, season_plan,
};
use earlywood_model::profile::{FlightSection, SHIPPED_TOML, TargetProfile, by_id, shipped};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};
use proptest::prelude::*;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

/// Whole years of a plain temperate climate: a sine over the year, warmer or cooler by a different amount each year.
fn climate(years: std::ops::RangeInclusive<i16>, mean_c: f64, swing_c: f64) -> Series {
    let mut days = Vec::new();
    for (k, year) in years.enumerate() {
        let offset = ((k * 7) % 5) as f64 * 0.6 - 1.2;
        let first = date(year, 1, 1);
        let mut day = first;
        while day.year() == year {
            let angle = std::f64::consts::TAU * (f64::from(day.day_of_year()) - 105.0) / 365.0;
            let mid = mean_c + offset + swing_c * angle.sin();
            days.push(DailyTemp {
                date: day,
                tmin_c: mid - 6.0,
                tmax_c: mid + 6.0,
            });
            day = day.tomorrow().unwrap();
        }
    }
    Series::new(days).unwrap()
}

fn until(series: &Series, last: Date) -> Series {
    Series::new(series.between(series.first()..=last).to_vec()).unwrap()
}

#[test]
fn every_shipped_profile_is_read_and_survives_a_round_trip() {
    assert_eq!(shipped().len(), SHIPPED_TOML.len());
    for profile in shipped() {
        let text = profile.to_toml().unwrap();
        assert_eq!(
            &TargetProfile::from_toml(&text).unwrap(),
            profile,
            "{}",
            profile.id
        );
        assert_eq!(by_id(&profile.id).unwrap(), profile);
        assert!(profile.caution.contains("licensed"), "{}", profile.id);
    }
    let told = by_id("no-such-beetle").unwrap_err().to_string();
    assert!(told.contains("emerald-ash-borer"), "{told}");
}

#[test]
fn shipped_files_are_named_after_their_ids() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../targets");
    let mut ids: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".toml"))
        .collect();
    ids.sort();
    let mut known: Vec<String> = shipped().iter().map(|p| format!("{}.toml", p.id)).collect();
    known.sort();
    assert_eq!(
        ids, known,
        "a file in targets/ that is not embedded, or named otherwise"
    );
}

/// Figures read in the cited papers must stand in the files as they were read.
#[test]
fn published_figures_stand_as_published() {
    let fixed = |param: &earlywood_model::param::Param, value: f64| {
        assert!((param.central() - value).abs() < 1e-12, "{param:?}");
        assert!(matches!(param.mark, Mark::Read | Mark::Calculated), "{param:?}");
    };
    // Umeda & Paine 2019 Agric For Entomol 21:1-7.
    let pshb = by_id("polyphagous-shot-hole-borer").unwrap();
    fixed(&pshb.heat.lower_c, 13.34);
    fixed(pshb.heat.upper_c.as_ref().unwrap(), 33.08);
    fixed(pshb.heat.generation_dd.as_ref().unwrap(), 398.0);
    // Shelly et al. 2014 J Asia-Pac Entomol 17:525-530, exponential through four points.
    let medfly = by_id("mediterranean-fruit-fly").unwrap();
    fixed(&medfly.capture.reach_m, 41.67665);
    fixed(&medfly.capture.peak, 0.1217449);
    let area = medfly.central().unwrap().capture.sampling_area_m2();
    assert!((area - 1328.7).abs() < 0.05, "{area}");
    // Seybold et al. 2012: flight from 17 to 18 C.
    let walnut = by_id("walnut-twig-beetle").unwrap();
    let FlightSection::TemperatureDriven { threshold_c } = &walnut.heat.flight else {
        panic!("walnut twig beetle flies by temperature")
    };
    fixed(threshold_c, 17.5);
    // Smith et al. 2004 Environ Entomol 33:435: adults most abundant at 800-900 degree-days above 10 C.
    let alb = by_id("asian-longhorned-beetle").unwrap();
    let FlightSection::HeatSumWindow { peak_dd, .. } = &alb.heat.flight else {
        panic!("one flight a year")
    };
    fixed(peak_dd, 850.0);
    // 450-500 and 1000 degree-days F from 1 January, base 50 F.
    let eab = by_id("emerald-ash-borer").unwrap();
    let FlightSection::HeatSumWindow {
        start_dd, peak_dd, ..
    } = &eab.heat.flight
    else {
        panic!("one flight a year")
    };
    assert!((peak_dd.central() - 1000.0 / 1.8).abs() < 0.5);
    let Dist::Pert { low, high, .. } = start_dd.dist else {
        panic!("PERT")
    };
    assert!((low - 450.0 / 1.8).abs() < 0.5 && (high - 500.0 / 1.8).abs() < 0.5);
}

#[test]
fn what_was_not_retrieved_is_marked_wide_and_warned_of() {
    for profile in shipped() {
        let warnings = profile.warnings();
        assert!(!warnings.is_empty(), "{} cannot know everything", profile.id);
        for told in &warnings {
            assert!(told.ends_with('.') && told.len() > 20, "{told}");
        }
        for param in [
            &profile.design.flyers,
            &profile.design.screening,
            &profile.design.prior_infested,
        ] {
            assert_eq!(param.mark, Mark::SetByProgramme);
            assert!(!param.dist.is_fixed());
            let said = param
                .note
                .as_deref()
                .expect("a set-by-programme figure says what to do");
            assert!(warnings.iter().any(|w| w.contains(said)), "{said}");
        }
        // A capture figure that no paper gave must not look exact.
        for param in [&profile.capture.reach_m, &profile.capture.peak] {
            assert!(!param.dist.is_fixed(), "{}: {param:?}", profile.id);
        }
    }
    let medfly = by_id("mediterranean-fruit-fly").unwrap().warnings().join("\n");
    assert!(
        !medfly.contains("Capture reach"),
        "that one is calculated from a paper:\n{medfly}"
    );
    let eab = by_id("emerald-ash-borer").unwrap().warnings().join("\n");
    assert!(eab.contains("Capture reach (m): set by the programme"), "{eab}");
}

#[test]
fn hosts_match_by_the_longest_name() {
    let pshb = by_id("polyphagous-shot-hole-borer").unwrap();
    for (species, weight) in [
        ("Acer negundo", 1.0),
        ("acer NEGUNDO var. californicum", 1.0),
        ("Acer platanoides", 0.3),
        ("Acer", 0.3),
        ("  Platanus × hispanica ", 1.0),
        ("Platanus x hispanica", 1.0),
        ("Platanus ×hispanica", 1.0),
        ("Aceriphyllum rossii", 0.0),
        ("Pinus ponderosa", 0.0),
        ("", 0.0),
        ("negundo", 0.0),
    ] {
        assert_eq!(pshb.host_weight(species), weight, "{species}");
    }
}

#[test]
fn draws_stay_legal_repeat_by_seed_and_differ_by_seed() {
    for profile in shipped() {
        let draw = |seed| profile.drawn(&mut ChaCha8Rng::seed_from_u64(seed)).unwrap();
        assert_eq!(draw(7), draw(7));
        assert_ne!(draw(7), draw(8));
        for seed in 0..500 {
            let d = draw(seed);
            for share in [
                d.screening,
                d.impaired_share,
                d.prior_infested,
                d.introduction_per_year,
            ] {
                assert!((0.0..=1.0).contains(&share), "{}: {d:?}", profile.id);
            }
            assert!((0.0..=1.0).contains(&d.capture.probability(0.0)));
            assert!(d.flyers >= 0.0 && d.lure.life_days > 0.0 && d.lure_nominal_max_days > 0.0);
            if let FlightCurve::HeatSumWindow { window, .. } = d.flight {
                window.checked().unwrap();
            }
        }
    }
}

#[test]
fn wild_draws_are_pulled_into_range() {
    let mut profile = by_id("japanese-beetle").unwrap().clone();
    profile.capture.peak.dist = Dist::LogNormal {
        median: 0.9,
        sigma: 2.0,
    };
    profile.capture.reach_m.dist = Dist::Normal { mean: 1.0, sd: 100.0 };
    profile.design.screening.dist = Dist::Normal { mean: 0.5, sd: 3.0 };
    profile.heat.flight = FlightSection::HeatSumWindow {
        start_dd: with(
            &profile,
            Dist::Normal {
                mean: 500.0,
                sd: 900.0,
            },
        ),
        peak_dd: with(
            &profile,
            Dist::Normal {
                mean: 600.0,
                sd: 900.0,
            },
        ),
        end_dd: with(
            &profile,
            Dist::Normal {
                mean: 700.0,
                sd: 900.0,
            },
        ),
    };
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let (mut at_top, mut at_bottom) = (0, 0);
    for _ in 0..300 {
        let d = profile.drawn(&mut rng).unwrap();
        at_top += i32::from(d.screening >= 1.0);
        at_bottom += i32::from(d.screening <= 0.0);
        assert!((0.0..=1.0).contains(&d.capture.probability(0.0)));
    }
    assert!(
        at_top > 0 && at_bottom > 0,
        "the wild distribution never met the clamp"
    );
}

fn with(profile: &TargetProfile, dist: Dist) -> earlywood_model::param::Param {
    let mut param = profile.design.flyers.clone();
    param.dist = dist;
    param
}

/// Replaces one line of a shipped profile and expects a refusal that says why.
#[test]
fn nonsense_is_refused_with_the_reason() {
    let text = SHIPPED_TOML[1];
    assert!(TargetProfile::from_toml(text).is_ok());
    let cases = [
        ("layout = 1", "layout = 2", "layout 2"),
        ("id = \"emerald-ash-borer\"", "id = \"Emerald ash\"", "hyphens"),
        ("id = \"emerald-ash-borer\"", "id = \"emerald--ash\"", "hyphens"),
        (
            "common_name = \"Emerald ash borer\"",
            "common_name = \" \"",
            "common_name is empty",
        ),
        ("weight = 1.0", "weight = -1.0", "must be 0 or more"),
        ("weight = 1.0", "weight = nan", "must be 0 or more"),
        (
            "taxon = \"Chionanthus virginicus\"",
            "taxon = \"fraxinus\"",
            "listed twice",
        ),
        (
            "dist = { kind = \"pert\", low = 7.0, mode = 12.2, high = 32.0 }",
            "dist = { kind = \"pert\", low = 7.0, mode = 2.2, high = 32.0 }",
            "capture reach",
        ),
        (
            "dist = { kind = \"pert\", low = 7.0, mode = 12.2, high = 32.0 }",
            "dist = { kind = \"pert\", low = -7.0, mode = 12.2, high = 32.0 }",
            "capture reach is -7",
        ),
        (
            "dist = { kind = \"pert\", low = 0.01, mode = 0.08, high = 0.35 }",
            "dist = { kind = \"uniform\", low = 0.01, high = 1.35 }",
            "capture at distance zero is 1.35",
        ),
        ("warning_days = 45.0", "warning_days = 25.0", "clock of the look"),
        ("failed_days = 75.0", "failed_days = 25.0", "clock of the look"),
        ("value = \"01-01\"", "value = \"13-01\"", "13-01"),
        ("value = \"01-01\"", "value = \"02-29\"", "02-29"),
        ("value = \"average\"", "value = \"mean\"", "unknown variant"),
        (
            "unit = \"m\"",
            "unit = \"m\"\ncolour = \"green\"",
            "unknown field",
        ),
        (
            "dist = { kind = \"pert\", low = 900.0, mode = 1200.0, high = 1600.0 }",
            "dist = { kind = \"fixed\", value = 400.0 }",
            "flight",
        ),
        (
            "source = \"Ash, the main host genus; common knowledge\"",
            "source = \"\"",
            "names no source",
        ),
    ];
    for (from, to, reason) in cases {
        assert!(text.contains(from), "the case \"{from}\" no longer fits the file");
        let told = match TargetProfile::from_toml(&text.replacen(from, to, 1)) {
            Err(ModelError::Profile(told)) => told,
            other => panic!("{to}: {other:?}"),
        };
        assert!(told.contains(reason), "{to}: {told}");
    }
    assert!(TargetProfile::from_toml("").is_err());
    assert!(TargetProfile::from_toml("layout = ").is_err());
}

#[test]
fn flight_shares_sum_to_one_and_dates_are_in_order() {
    let series = climate(2020..=2023, 12.0, 11.0);
    for profile in shipped() {
        let params = profile.central().unwrap();
        let curve = FlightCurve::from_profile(profile, &params);
        let shares = curve.daily_share(&series, 2021).unwrap();
        assert_eq!(shares.len(), 365);
        let total: f64 = shares.iter().map(|s| s.1).sum();
        assert!((total - 1.0).abs() < 1e-9, "{}: {total}", profile.id);
        let d = season_dates(&shares).unwrap();
        let order = [d.first, d.p01, d.p05, d.p25, d.p50, d.p75, d.p95, d.p99, d.last];
        assert!(order.windows(2).all(|w| w[0] <= w[1]), "{}: {d:?}", profile.id);
        assert!(d.first <= d.peak && d.peak <= d.last);
    }
}

#[test]
fn no_heat_means_no_flight() {
    let frozen = climate(2020..=2021, -25.0, 5.0);
    for profile in shipped() {
        let curve = profile.central().unwrap().flight;
        let shares = curve.daily_share(&frozen, 2020).unwrap();
        assert!(shares.iter().all(|s| s.1 == 0.0), "{}", profile.id);
        assert_eq!(season_dates(&shares), None);
        let plan = season_plan(profile, &frozen, SeasonSpan::Year(2020), SeasonOptions::default()).unwrap();
        assert!(plan.rows[0].campaign.is_none() && plan.spread.hang.is_none());
        assert_eq!(plan.lures_to_order(100, 0.1).unwrap(), 0);
    }
}

#[test]
fn the_window_is_flown_between_its_ends_with_the_peak_at_its_mode() {
    let window = HeatWindow {
        start_dd: 250.0,
        peak_dd: 500.0,
        end_dd: 1000.0,
    };
    // Beta(7/3, 11/3) on [250, 1000]: worked values, computed independently with scipy.stats.beta.cdf.
    for (sum, want) in [
        (0.0, 0.0),
        (250.0, 0.0),
        (375.0, 0.118675126754),
        (500.0, 0.416789799290),
        (625.0, 0.721442196530),
        (1000.0, 1.0),
        (5000.0, 1.0),
    ] {
        let got = window.flown_by(sum);
        assert!((got - want).abs() < 1e-8, "{sum}: {got} against {want}");
    }
    let density = |at: f64| window.flown_by(at + 0.5) - window.flown_by(at - 0.5);
    assert!(density(500.0) > density(480.0) && density(500.0) > density(520.0));
}

#[test]
fn half_a_season_is_refused_not_rescaled() {
    let series = climate(2020..=2021, 12.0, 11.0);
    let profile = by_id("emerald-ash-borer").unwrap();
    let curve = profile.central().unwrap().flight;
    let part = until(&series, date(2021, 6, 10));
    let told = curve.daily_share(&part, 2021).unwrap_err().to_string();
    assert!(
        told.contains("2021-12-31") && told.contains("2021-06-10"),
        "{told}"
    );
    assert!(curve.daily_share(&series, 2019).is_err());
    let whole = part.continued_with_normals(date(2021, 12, 31)).unwrap();
    assert_eq!(whole.between(part.first()..=part.last()), part.days());
    let shares = curve.daily_share(&whole, 2021).unwrap();
    assert!((shares.iter().map(|s| s.1).sum::<f64>() - 1.0).abs() < 1e-9);
}

#[test]
fn a_season_may_cross_the_new_year() {
    let series = climate(2019..=2022, 12.0, -11.0);
    let heat = HeatModel {
        start: MonthDay::parse("07-01").unwrap(),
        ..by_id("emerald-ash-borer").unwrap().central().unwrap().heat
    };
    let range = heat.season_range(2020).unwrap();
    assert_eq!(
        (*range.start(), *range.end()),
        (date(2020, 7, 1), date(2021, 6, 30))
    );
    assert_eq!(heat.complete_seasons(&series), [2019, 2020, 2021]);
    let season = heat.season(&series, 2020).unwrap();
    assert!(season.complete && season.days.len() == 365);
    assert_eq!(heat.season_of(date(2021, 3, 1)), 2020);
    assert_eq!(heat.season_of(date(2021, 7, 1)), 2021);
    let curve = FlightCurve::HeatSumWindow {
        heat,
        window: HeatWindow {
            start_dd: 264.0,
            peak_dd: 556.0,
            end_dd: 1200.0,
        },
    };
    let dates = season_dates(&curve.daily_share(&series, 2020).unwrap()).unwrap();
    assert!(
        dates.first > date(2020, 9, 1) && dates.last < date(2021, 4, 1),
        "{dates:?}"
    );
}

/// Synthetic year of the worked values (daily mean 16 + 8 sin, half-range 6; computed independently with numpy):
/// 4.065548 generations of 398 degree-days. Any start day will do, for the sine here runs from 1 January.
#[test]
fn generations_of_the_synthetic_year() {
    let first = date(2023, 1, 1);
    let days = (0..365_i64)
        .map(|d| {
            let mean = 16.0 + 8.0 * (std::f64::consts::TAU * (d as f64 + 0.5) / 365.0).sin();
            DailyTemp {
                date: first.saturating_add(d.days()),
                tmin_c: mean - 6.0,
                tmax_c: mean + 6.0,
            }
        })
        .collect();
    let params = by_id("polyphagous-shot-hole-borer").unwrap().central().unwrap();
    let season = params.heat.season(&Series::new(days).unwrap(), 2023).unwrap();
    let generations = season
        .generations_by(date(2023, 12, 31), params.generation_dd.unwrap())
        .unwrap();
    assert!((generations - 4.065_548).abs() < 1e-6, "{generations}");
    assert_eq!(season.generations_by(date(2022, 12, 31), 398.0).unwrap(), 0.0);
    assert!(season.generations_by(first, 0.0).is_err());
    assert_eq!(season.reached_on(1e9), None);
}

#[test]
fn start_days_are_read_strictly() {
    for bad in [
        "", "1-1", "00-10", "04-31", "02-29", "0101", "01-01-01", "aa-bb", "01/01", "+1-01",
    ] {
        assert!(MonthDay::parse(bad).is_err(), "{bad}");
    }
    assert_eq!(
        MonthDay::parse("12-31").unwrap().in_year(2024).unwrap(),
        date(2024, 12, 31)
    );
}

#[test]
fn the_plan_is_dated_and_shows_the_spread() {
    let series = climate(2014..=2023, 12.0, 11.0);
    let profile = by_id("emerald-ash-borer").unwrap();
    let options = SeasonOptions::default();
    let past = season_plan(profile, &series, SeasonSpan::AllPast, options).unwrap();
    assert_eq!((past.rows.len(), past.year, past.basis), (10, 2024, Basis::Past));
    let hang = past.spread.hang.unwrap();
    assert!(hang.min < hang.max && hang.min.year() == 2024, "{hang:?}");
    assert!(
        hang.min <= hang.p05 && hang.p05 <= hang.median && hang.median <= hang.p95 && hang.p95 <= hang.max
    );
    for row in &past.rows {
        let (flight, campaign) = (row.flight.unwrap(), row.campaign.as_ref().unwrap());
        assert_eq!(campaign.hang, flight.first.saturating_sub(14.days()));
        assert_eq!(campaign.take_down, flight.p99.tomorrow().unwrap());
        assert!((row.fortnights.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        assert_eq!(campaign.supplies.lures as usize, 1 + campaign.lure_changes.len());
        assert!(
            campaign
                .lure_changes
                .iter()
                .all(|c| c.date > campaign.hang && c.date < campaign.take_down)
        );
        assert_eq!(
            campaign.supplies.killing_agent, 0,
            "a sticky prism holds no killing agent"
        );
    }
    assert_eq!(past.spread.fortnights.len(), 27);
    assert!(!past.warnings.is_empty());
    // 100 placements, one in ten spare.
    let each = past.spread.lures.unwrap().p95.ceil() as u64;
    assert_eq!(past.lures_to_order(100, 0.1).unwrap(), each * 110);
    assert!(past.lures_to_order(100, -0.1).is_err());
}

#[test]
fn a_forecast_starts_from_the_days_in_hand_and_narrows() {
    let series = climate(2014..=2023, 12.0, 11.0);
    let profile = by_id("emerald-ash-borer").unwrap();
    let plan = |s: &Series, span| season_plan(profile, s, span, SeasonOptions::default()).unwrap();
    let width = |p: &earlywood_model::phenology::SeasonPlan| {
        let s = p.spread.first_flight.unwrap();
        s.min.duration_until(s.max).as_hours() / 24
    };
    let before = plan(&until(&series, date(2022, 12, 31)), SeasonSpan::Year(2023));
    assert_eq!(before.basis, Basis::Forecast { observed_days: 0 });
    assert_eq!(before.rows.len(), 9);
    assert!(before.rows.iter().all(|r| r.flight.unwrap().first.year() == 2023));
    let under_way = plan(&until(&series, date(2023, 5, 1)), SeasonSpan::Year(2023));
    assert_eq!(under_way.basis, Basis::Forecast { observed_days: 121 });
    assert!(
        width(&under_way) < width(&before),
        "{} {}",
        width(&under_way),
        width(&before)
    );
    let done = plan(&series, SeasonSpan::Year(2023));
    assert_eq!((done.basis, done.rows.len()), (Basis::Observed, 1));
    // Once first flight has been seen, the forecast agrees with what happened.
    let first = done.rows[0].flight.unwrap().first;
    let after = plan(&until(&series, first), SeasonSpan::Year(2023));
    let told = after.spread.first_flight.unwrap();
    assert_eq!((told.min, told.max), (first, first));
    // Replaying a leap year over a common one, and the other way, loses no day.
    let leap = plan(&until(&series, date(2019, 12, 31)), SeasonSpan::Year(2020));
    assert!(
        leap.rows
            .iter()
            .all(|r| (r.fortnights.iter().sum::<f64>() - 1.0).abs() < 1e-9)
    );
}

#[test]
fn a_forecast_without_a_past_is_refused() {
    let series = climate(2023..=2023, 12.0, 11.0);
    let profile = by_id("emerald-ash-borer").unwrap();
    let part = Series::new(series.between(date(2023, 1, 1)..=date(2023, 5, 1)).to_vec()).unwrap();
    for span in [SeasonSpan::Year(2023), SeasonSpan::AllPast] {
        let told = season_plan(profile, &part, span, SeasonOptions::default())
            .unwrap_err()
            .to_string();
        assert!(told.contains("whole past season"), "{told}");
    }
    let bad = SeasonOptions {
        take_down_share: 1.5,
        ..SeasonOptions::default()
    };
    assert!(season_plan(profile, &series, SeasonSpan::Year(2023), bad).is_err());
}

#[test]
fn lures_are_changed_by_heat_where_it_is_hot_and_by_the_calendar_where_not() {
    let profile = by_id("emerald-ash-borer").unwrap();
    let reasons = |mean_c: f64, swing_c: f64| -> Vec<ChangeReason> {
        let series = climate(2020..=2021, mean_c, swing_c);
        let plan = season_plan(profile, &series, SeasonSpan::Year(2021), SeasonOptions::default()).unwrap();
        plan.rows[0]
            .campaign
            .as_ref()
            .unwrap()
            .lure_changes
            .iter()
            .map(|c| c.reason)
            .collect()
    };
    let hot = reasons(21.0, 9.0);
    assert!(
        !hot.is_empty() && hot.iter().all(|r| *r == ChangeReason::Heat),
        "{hot:?}"
    );
    let cool = reasons(12.0, 2.0);
    assert_eq!(cool.first(), Some(&ChangeReason::NominalMaximum), "{cool:?}");
}

/// A lure that reaches its change share shortly before take-down, but not the end of its life, stays.
#[test]
fn a_lure_that_outlasts_the_season_is_not_changed() {
    let series = climate(2020..=2021, 12.0, 11.0);
    let mut profile = by_id("spongy-moth").unwrap().clone();
    profile.lure.nominal_max_days.dist = Dist::Fixed { value: 365.0 };
    let used = |profile: &TargetProfile| -> f64 {
        let plan = season_plan(profile, &series, SeasonSpan::Year(2021), SeasonOptions::default()).unwrap();
        let campaign = plan.rows[0].campaign.clone().unwrap();
        let lure = profile.central().unwrap().lure;
        let days = series.between(campaign.hang..=campaign.take_down.yesterday().unwrap());
        lure.age(days).last().unwrap().equivalent_days
    };
    let changes = |life: f64| -> usize {
        let mut p = profile.clone();
        p.lure.life_days.dist = Dist::Fixed { value: life };
        let plan = season_plan(&p, &series, SeasonSpan::Year(2021), SeasonOptions::default()).unwrap();
        plan.rows[0].campaign.as_ref().unwrap().lure_changes.len()
    };
    let season = used(&profile);
    assert_eq!(changes(season * 2.0), 0, "never near its end");
    assert_eq!(changes(season * 1.05), 0, "past the change share, but it lasts");
    assert_eq!(changes(season * 0.95), 1, "would run out before take-down");
}

#[test]
fn the_summary_names_what_the_warnings_tell() {
    let profile = by_id("walnut-twig-beetle").unwrap();
    let summary = profile.warning_summary().unwrap();
    assert!(
        summary.contains("capture reach (m)") && summary.contains("walnut twig beetle"),
        "{summary}"
    );
    assert!(summary.starts_with(&profile.warnings().len().to_string()));
}

proptest! {
    #[test]
    fn shares_sum_to_one_or_are_all_zero(mean_c in -20.0..35.0_f64, swing_c in 0.0..20.0_f64, which in 0..7_usize, seed in 0_u64..1000) {
        let profile = &shipped()[which];
        let curve = profile.drawn(&mut ChaCha8Rng::seed_from_u64(seed)).unwrap().flight;
        let shares = curve.daily_share(&climate(2021..=2021, mean_c, swing_c), 2021).unwrap();
        let total: f64 = shares.iter().map(|s| s.1).sum();
        prop_assert!(shares.iter().all(|s| s.1 >= 0.0));
        prop_assert!(total == 0.0 || (total - 1.0).abs() < 1e-9, "{}", total);
    }

    #[test]
    fn any_text_is_read_or_refused_without_a_panic(text in "\\PC{0,200}") {
        let _ = TargetProfile::from_toml(&text);
        let mut doubled = String::from(SHIPPED_TOML[0]);
        let _ = write!(doubled, "{text}");
        let _ = TargetProfile::from_toml(&doubled);
    }
}
