//! Rules that say what a find sets off: small tables, and brute force over all sets of finds.
#![allow(clippy::unwrap_used)]

use earlywood_model::degree_days::{Cutoff, Method, Rule as HeatRule};
use earlywood_model::detection::Point;
use earlywood_model::phenology::{HeatModel, MonthDay};
use earlywood_model::trigger::{Commercial, Found, Protocol, Sex, Stage, Within, generations_at};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::ToSpan as _;
use jiff::civil::date;
use proptest::prelude::*;

/// Figures invented for the test, in the shape of published protocols (k within 3 miles and one life cycle).
const RULES: &str = r#"
[[rules]]
id = "mated-or-young"
sets_off = "regulated area"
within = "of-one-find"
counted = { sex = "female", mated = true }
insects = { dist = { kind = "fixed", value = 1.0 }, unit = "insects", source = "invented for a test", mark = "set-by-programme" }
radius_m = { dist = { kind = "fixed", value = 4828.0 }, unit = "m", source = "invented for a test", mark = "read" }
generations = { dist = { kind = "fixed", value = 1.0 }, unit = "generations", source = "invented for a test", mark = "read" }

[[rules]]
id = "two-adults"
sets_off = "treatment decision"
within = "of-each-other"
counted = { stage = "adult" }
insects = { dist = { kind = "fixed", value = 2.0 }, unit = "insects", source = "invented for a test", mark = "read" }
radius_m = { dist = { kind = "fixed", value = 4828.0 }, unit = "m", source = "invented for a test", mark = "read" }
generations = { dist = { kind = "fixed", value = 1.0 }, unit = "generations", source = "invented for a test", mark = "read" }

[[rules]]
id = "far-from-crops"
sets_off = "regulated area"
within = "of-one-find"
insects = { dist = { kind = "fixed", value = 3.0 }, unit = "insects", source = "invented for a test", mark = "read" }
radius_m = { dist = { kind = "fixed", value = 4828.0 }, unit = "m", source = "invented for a test", mark = "read" }
generations = { dist = { kind = "fixed", value = 1.0 }, unit = "generations", source = "invented for a test", mark = "read" }
commercial = { kind = "all-beyond", distance_m = { dist = { kind = "fixed", value = 7242.0 }, unit = "m", source = "invented for a test", mark = "read" } }
"#;

fn find(x_m: f64, day: i8, generations: f64) -> Found {
    Found {
        at: Point { x_m, y_m: 0.0 },
        date: date(2025, 7, day),
        generations,
        count: 1,
        stage: Some(Stage::Adult),
        sex: Some(Sex::Male),
        mated: None,
        commercial_host_m: None,
    }
}

fn fired(finds: &[Found]) -> Vec<(usize, Vec<usize>)> {
    let outcome = Protocol::from_toml(RULES).unwrap().evaluate(finds).unwrap();
    outcome.fired.into_iter().map(|f| (f.rule, f.finds)).collect()
}

#[test]
fn a_small_table() {
    assert_eq!(fired(&[]), vec![]);
    assert_eq!(fired(&[find(0.0, 1, 0.0)]), vec![]);
    // at the radius and at the end of the window still counts; a step beyond either does not
    assert_eq!(
        fired(&[find(0.0, 1, 0.0), find(4828.0, 20, 1.0)]),
        vec![(1, vec![0, 1])]
    );
    assert_eq!(fired(&[find(0.0, 1, 0.0), find(4828.1, 20, 1.0)]), vec![]);
    assert_eq!(fired(&[find(0.0, 1, 0.0), find(100.0, 20, 1.001)]), vec![]);
    // two in one trap on one day are two
    let two = Found {
        count: 2,
        ..find(0.0, 1, 0.0)
    };
    assert_eq!(fired(&[two]), vec![(1, vec![0])]);
    // an immature is no adult
    let young = Found {
        stage: Some(Stage::Immature),
        ..find(0.0, 2, 0.0)
    };
    assert_eq!(fired(&[find(0.0, 1, 0.0), young]), vec![]);
    // the earliest set is named, in order of dates, whatever the order given
    let later = [find(10.0, 9, 0.5), find(0.0, 1, 0.0), find(20.0, 5, 0.3)];
    assert_eq!(fired(&later), vec![(1, vec![1, 2])]);
}

#[test]
fn unknown_is_not_known() {
    let female = Found {
        sex: Some(Sex::Female),
        ..find(0.0, 1, 0.0)
    };
    let protocol = Protocol::from_toml(RULES).unwrap();
    let outcome = protocol.evaluate(&[female]).unwrap();
    assert!(outcome.fired.is_empty());
    assert_eq!(outcome.nearly.len(), 1);
    assert_eq!(outcome.nearly[0].rule, 0);
    assert!(
        outcome.nearly[0].why.contains("look at that now"),
        "{}",
        outcome.nearly[0].why
    );
    let mated = Found {
        mated: Some(true),
        ..female
    };
    assert_eq!(fired(&[mated]), vec![(0, vec![0])]);
    let unmated = protocol
        .evaluate(&[Found {
            mated: Some(false),
            ..female
        }])
        .unwrap();
    assert!(unmated.fired.is_empty() && unmated.nearly.is_empty());
}

#[test]
fn commercial_hosts() {
    let three = |distance| {
        let at = |x, day| Found {
            commercial_host_m: distance,
            stage: Some(Stage::Immature),
            ..find(x, day, 0.1)
        };
        let outcome = Protocol::from_toml(RULES).unwrap();
        let outcome = outcome
            .evaluate(&[at(0.0, 1), at(4000.0, 2), at(-4000.0, 3)])
            .unwrap();
        (outcome.fired.len(), outcome.nearly.len())
    };
    // of one find: the ends are 8 km apart, both near the middle
    assert_eq!(three(Some(9000.0)), (1, 0));
    assert_eq!(three(Some(7242.0)), (0, 0));
    assert_eq!(three(None), (0, 1));
}

#[test]
fn words_and_warnings() {
    let protocol = Protocol::from_toml(RULES).unwrap();
    let outcome = protocol
        .evaluate(&[find(0.0, 1, 0.0), find(300.0, 4, 0.25)])
        .unwrap();
    assert_eq!(
        outcome.fired[0].why,
        "2 found from 2025-07-01 to 2025-07-04, at most 300 m apart and 0.25 generations; the rule asks for 2 within \
         4828 m and 1 generations"
    );
    assert_eq!(protocol.warnings().len(), 1);
    let again = Protocol::from_toml(&toml::to_string(&protocol).unwrap()).unwrap();
    assert_eq!(again, protocol);
}

#[test]
fn refusals() {
    let changed = |from: &str, to: &str| Protocol::from_toml(&RULES.replacen(from, to, 1));
    assert!(changed("value = 1.0", "value = 1.5").is_err());
    assert!(changed("value = 1.0", "value = 0.0").is_err());
    assert!(changed("value = 4828.0", "value = -1.0").is_err());
    assert!(changed("invented for a test", " ").is_err());
    assert!(changed("id = \"two-adults\"", "id = \"mated-or-young\"").is_err());
    assert!(changed("sets_off", "set_off").is_err());
    let protocol = Protocol::from_toml(RULES).unwrap();
    assert!(
        protocol
            .evaluate(&[Found {
                count: 0,
                ..find(0.0, 1, 0.0)
            }])
            .is_err()
    );
    assert!(protocol.evaluate(&[find(f64::NAN, 1, 0.0)]).is_err());
    assert!(protocol.evaluate(&[find(0.0, 1, f64::INFINITY)]).is_err());
}

#[test]
fn generations_by_heat_do_not_begin_anew_at_new_year() {
    let days = (0..400)
        .map(|n| DailyTemp {
            date: date(2024, 12, 1) + n.days(),
            tmin_c: 20.0,
            tmax_c: 20.0,
        })
        .collect();
    let series = Series::new(days).unwrap();
    let heat = HeatModel {
        rule: HeatRule::new(Method::Average, Cutoff::Horizontal, 10.0, None).unwrap(),
        start: MonthDay::parse("01-01").unwrap(),
    };
    // 10 degree-days a day: 45 days to 14 January, 4.5 generations of 100
    let got = generations_at(&heat, &series, date(2025, 1, 14), 100.0).unwrap();
    assert!((got - 4.5).abs() < 1e-12, "{got}");
    assert!(generations_at(&heat, &series, date(2027, 1, 1), 100.0).is_err());
    assert!(generations_at(&heat, &series, date(2025, 1, 14), 0.0).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    /// A rule fires exactly when some set of finds, of all sets there are, meets it.
    #[test]
    fn brute_force(
        rows in prop::collection::vec((0.0..10.0f64, 0.0..10.0f64, 1i8..28, 0.0..3.0f64, 1u32..3, any::<bool>(), 0.0..10.0f64), 0..9),
        k in 1u32..6,
        radius in 0.5..8.0f64,
        window in 0.1..2.0f64,
        each_other in any::<bool>(),
        commercial in 0u8..3,
    ) {
        let finds: Vec<Found> = rows
            .iter()
            .map(|(x, y, day, g, count, adult, hosts)| Found {
                at: Point { x_m: *x, y_m: *y },
                date: date(2025, 7, *day),
                generations: *g,
                count: *count,
                stage: Some(if *adult { Stage::Adult } else { Stage::Immature }),
                sex: None,
                mated: None,
                commercial_host_m: Some(*hosts),
            })
            .collect();
        let mut protocol = Protocol::from_toml(RULES).unwrap();
        let far = match protocol.rules[2].commercial.take() {
            Some(Commercial::AllBeyond { mut distance_m }) => {
                distance_m.dist = earlywood_model::param::Dist::Fixed { value: 5.0 };
                distance_m
            }
            _ => unreachable!(),
        };
        let mut rule = protocol.rules[1].clone();
        rule.insects.dist = earlywood_model::param::Dist::Fixed { value: f64::from(k) };
        rule.radius_m.dist = earlywood_model::param::Dist::Fixed { value: radius };
        rule.generations.dist = earlywood_model::param::Dist::Fixed { value: window };
        rule.within = if each_other { Within::OfEachOther } else { Within::OfOneFind };
        rule.commercial = match commercial {
            0 => None,
            1 => Some(Commercial::AllBeyond { distance_m: far }),
            _ => Some(Commercial::AnyWithin { distance_m: far }),
        };
        let meets = |set: &[usize]| {
            let apart = |a: &usize, b: &usize| finds[*a].at.distance_m(finds[*b].at) <= radius;
            let near = if each_other {
                set.iter().all(|a| set.iter().all(|b| apart(a, b)))
            } else {
                set.iter().any(|a| set.iter().all(|b| apart(a, b)))
            };
            let within = set.iter().all(|a| set.iter().all(|b| finds[*b].generations <= finds[*a].generations + window));
            let hosts = |i: &usize| finds[*i].commercial_host_m.unwrap();
            let commercial = match commercial {
                0 => true,
                1 => set.iter().all(|i| hosts(i) > 5.0),
                _ => set.iter().any(|i| hosts(i) <= 5.0),
            };
            let insects: u32 = set.iter().map(|i| finds[*i].count).sum();
            near && within && commercial && insects >= k && set.iter().all(|i| finds[*i].stage == Some(Stage::Adult))
        };
        let sets = (1u32..1 << finds.len()).map(|bits| (0..finds.len()).filter(|i| bits >> i & 1 == 1).collect::<Vec<_>>());
        let good: Vec<Vec<usize>> = sets.filter(|s| meets(s)).collect();
        let earliest = good.iter().map(|s| s.iter().map(|i| finds[*i].date).max().unwrap()).min();
        let protocol = Protocol { rules: vec![rule] };
        // Each find of each such set meets it, early or late, and no other.
        let in_one: Vec<bool> = (0..finds.len()).map(|i| good.iter().any(|s| s.contains(&i))).collect();
        prop_assert_eq!(protocol.meeting(&finds).unwrap(), in_one);
        let got = protocol.evaluate(&finds).unwrap();
        let told = got.fired.first().map(|f| f.finds.iter().map(|i| finds[*i].date).max().unwrap());
        prop_assert_eq!(told, earliest);
        if let Some(f) = got.fired.first() {
            prop_assert!(meets(&f.finds));
        }
        prop_assert!(got.nearly.is_empty());
    }
}
