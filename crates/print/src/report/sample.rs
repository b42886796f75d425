//! A made-up report for tests and for looking at the page: shapes from the demo's district, figures from thin air.

use jiff::ToSpan as _;
use jiff::civil::{Date, date};

use super::{
    Band, Cost, DateRow, Find, Fortnight, MapBase, MapCell, MapPathway, MapTrap, NextVisit, ParameterRow,
    PlanResult, Point, ReportData, SeasonPlan, TargetReport, TrapState, VisitSummary, ZoneAssurance,
};

fn point(x_m: f64, y_m: f64) -> Point {
    Point { x_m, y_m }
}

fn points(corners: &[(f64, f64)]) -> Vec<Point> {
    corners.iter().map(|&(x, y)| point(x, y)).collect()
}

/// Three zones side by side, a river between the second and the third.
fn zones() -> Vec<(String, Vec<Vec<Point>>)> {
    let zone = |label: &str, corners: &[(f64, f64)]| (label.to_owned(), vec![points(corners)]);
    vec![
        zone(
            "Northfield",
            &[
                (-3_000.0, 400.0),
                (900.0, 500.0),
                (1_000.0, 2_900.0),
                (-2_600.0, 3_100.0),
            ],
        ),
        zone(
            "Oldmill",
            &[
                (-3_100.0, -2_800.0),
                (800.0, -2_900.0),
                (900.0, 500.0),
                (-3_000.0, 400.0),
            ],
        ),
        zone(
            "Eastbank",
            &[
                (1_100.0, -2_700.0),
                (3_200.0, -2_400.0),
                (3_100.0, 2_600.0),
                (1_200.0, 2_800.0),
            ],
        ),
    ]
}

/// Even-odd rule on one ring.
fn inside(p: Point, ring: &[Point]) -> bool {
    let next = ring.iter().cycle().skip(1);
    let crossed = ring.iter().zip(next).filter(|(a, b)| {
        (a.y_m > p.y_m) != (b.y_m > p.y_m)
            && p.x_m < (b.x_m - a.x_m) * (p.y_m - a.y_m) / (b.y_m - a.y_m) + a.x_m
    });
    crossed.count() % 2 == 1
}

/// Trees in rows of streets, a little off them: every `step`th.
fn trees(zones: &[(String, Vec<Vec<Point>>)], step: i32) -> Vec<Point> {
    let mut all = Vec::new();
    for i in (-3_200..=3_200).step_by(110) {
        for j in (-2_900..=3_100).step_by(130) {
            if (i + 3 * j) % step == 0 {
                let p = point(f64::from(i) + f64::from(j % 17), f64::from(j) + f64::from(i % 13));
                if zones.iter().any(|(_, r)| inside(p, &r[0])) {
                    all.push(p);
                }
            }
        }
    }
    all
}

fn band(median: f64, half: f64) -> Band {
    Band {
        low: (median - half).max(0.0),
        median,
        high: (median + 0.7 * half).min(1.0),
    }
}

pub(crate) fn report() -> ReportData {
    let zones = zones();
    let pathway = |label: &str, kind: &str, x: f64, y: f64| MapPathway {
        label: label.to_owned(),
        kind: kind.to_owned(),
        at: point(x, y),
    };
    ReportData {
        programme: "Tarrowbend".to_owned(),
        season_year: 2025,
        as_of: date(2025, 9, 30),
        written_by: "earlywood 0.1.0".to_owned(),
        invented: Some("The district of this report, its trees and its people are made up.".to_owned()),
        map: MapBase {
            greens: vec![points(&[(-1_500.0, 900.0), (-700.0, 900.0), (-600.0, 1_700.0), (-1_400.0, 1_800.0)])],
            forbidden: vec![points(&[(-2_000.0, -2_000.0), (-1_300.0, -2_000.0), (-1_300.0, -1_400.0)])],
            water: vec![points(&[(950.0, -3_000.0), (1_000.0, 0.0), (1_080.0, 3_100.0)])],
            water_width_m: 90.0,
            roads: (-3..=3)
                .map(|k| points(&[(f64::from(k) * 1_000.0, -2_900.0), (f64::from(k) * 1_000.0, 3_000.0)]))
                .collect(),
            pathways: vec![
                pathway("Firewood yard at the old quarry", "firewood", -2_400.0, -900.0),
                pathway("Nursery Hazel Lane", "nursery stock", 2_100.0, 700.0),
                pathway("Green-waste site", "green waste", -200.0, 2_300.0),
            ],
            zones: zones.clone(),
        },
        targets: vec![
            target(&zones, "Emerald ash borer", "Agrilus planipennis Fairmaire, 1888", 20, false),
            target(&zones, "Polyphagous shot hole borer", "Euwallacea fornicatus sensu lato", 30, true),
        ],
        methods: vec![(
            "Seeing it".to_owned(),
            "Each flyer of the design incursion meets the traps around it; nearer traps with fresher lures catch more.".to_owned(),
        )],
        cautions: vec!["Keep poles away from overhead lines.".to_owned(), "Sticky glue: gloves on.".to_owned()],
    }
}

fn hexagon(middle: Point, radius_m: f64) -> Vec<Point> {
    (0..6)
        .map(|k| {
            let t = std::f64::consts::FRAC_PI_3 * f64::from(k);
            point(middle.x_m + radius_m * t.cos(), middle.y_m + radius_m * t.sin())
        })
        .collect()
}

fn target(
    zones: &[(String, Vec<Vec<Point>>)],
    common: &str,
    scientific: &str,
    step: i32,
    found: bool,
) -> TargetReport {
    let hosts = trees(zones, step);
    let traps: Vec<MapTrap> = hosts
        .iter()
        .step_by(hosts.len() / 60)
        .enumerate()
        .map(|(k, at)| MapTrap {
            label: format!("T{:03}", k + 1),
            at: *at,
            state: match k % 13 {
                4 | 9 => TrapState::Impaired,
                7 => TrapState::Out,
                _ => TrapState::Working,
            },
        })
        .collect();
    let mut cells = Vec::new();
    for i in -32..=32 {
        for j in -28..=28 {
            let middle = point(
                f64::from(i) * 105.0,
                f64::from(j) * 121.2 + if i % 2 == 0 { 0.0 } else { 60.6 },
            );
            if zones.iter().any(|(_, r)| inside(middle, &r[0])) {
                let near = traps
                    .iter()
                    .map(|t| (t.at.x_m - middle.x_m).hypot(t.at.y_m - middle.y_m))
                    .fold(f64::INFINITY, f64::min);
                cells.push(MapCell {
                    ring: hexagon(middle, 70.0),
                    value: 0.95 * (-near / 170.0).exp(),
                    weight: 1.0,
                });
            }
        }
    }
    let start = date(2025, 5, 5);
    TargetReport {
        common_name: common.to_owned(),
        scientific_name: scientific.to_owned(),
        caution: "Capture with distance is known from few trials; read the bands, not the medians."
            .to_owned(),
        design_flyers: Band {
            low: 90.0,
            median: 200.0,
            high: 450.0,
        },
        cells,
        cell_measure: "Chance of having seen the design incursion".to_owned(),
        finds: if found {
            vec![find(&traps[17]), find(&traps[18])]
        } else {
            Vec::new()
        },
        plan: Some(plan(traps.len())),
        season: Some(season()),
        visits: Some(visits()),
        zones: zones
            .iter()
            .enumerate()
            .map(|(k, (label, _))| ZoneAssurance {
                evidence: Vec::new(),
                zone: label.clone(),
                sensitivity: band(0.81 - 0.09 * k as f64, 0.14),
                free: (0i32..11)
                    .map(|w| {
                        let day: Date = start.checked_add((14 * w).days()).unwrap();
                        let gained = 1.0 - (-0.33 * f64::from(w)).exp();
                        (
                            day,
                            band(0.90 + (0.08 - 0.012 * k as f64) * gained, 0.045 - 0.02 * gained),
                        )
                    })
                    .collect(),
                found: found && label == "Oldmill",
            })
            .collect(),
        costs: vec![
            Cost {
                what: "Lures changed late in the July heat".to_owned(),
                zone: "Eastbank".to_owned(),
                lost: 0.034,
            },
            Cost {
                what: "Traps down after the storm of 18 June".to_owned(),
                zone: "Northfield".to_owned(),
                lost: 0.021,
            },
            Cost {
                what: "Locked gates".to_owned(),
                zone: "Oldmill".to_owned(),
                lost: 0.0003,
            },
        ],
        next_visits: (0i32..5)
            .map(|k| NextVisit {
                trap: format!("T{:03}", 9 * k + 4),
                zone: zones[k as usize % 3].0.clone(),
                due: date(2025, 10, 2).checked_add(k.days()).unwrap(),
                gain: 0.012 / f64::from(k + 1),
                todo: "look, change the lure".to_owned(),
            })
            .collect(),
        parameters: vec![
            ParameterRow {
                name: "Reach of the trap".to_owned(),
                value: "28 m (16–73)".to_owned(),
                source: "Wittman et al. 2021 Agric For Entomol 23:527-535".to_owned(),
                mark: "read in the source".to_owned(),
                doubtful: false,
            },
            ParameterRow {
                name: "Capture at the trap".to_owned(),
                value: "0.3 (0.05–0.8)".to_owned(),
                source: "none".to_owned(),
                mark: "set by the programme, no published figure".to_owned(),
                doubtful: true,
            },
        ],
        trial: Some(trial()),
        warnings: vec!["Capture at the trap has no published figure; the programme must set it.".to_owned()],
        responses: Vec::new(),
        hosts,
        traps,
    }
}

fn find(trap: &MapTrap) -> Find {
    Find {
        label: trap.label.clone(),
        zone: "Oldmill".to_owned(),
        at: trap.at,
        taken: date(2025, 7, 3),
        confirmed: date(2025, 7, 11),
    }
}

fn plan(traps: usize) -> PlanResult {
    let at = |k: usize| 0.88 * (1.0 - (-0.03 * k as f64).exp());
    PlanResult {
        traps,
        candidates: 4_312,
        objective: at(traps),
        bound: at(traps) * 1.017,
        seconds: Some(2.4),
        curve: (0..=120).step_by(5).map(|k| (k, at(k))).collect(),
    }
}

fn season() -> SeasonPlan {
    let row = |what: &str, m: Date, why: &str| DateRow {
        what: what.to_owned(),
        early: m.checked_sub(9.days()).unwrap(),
        median: m,
        late: m.checked_add(8.days()).unwrap(),
        why: why.to_owned(),
    };
    SeasonPlan {
        years: "2015 to 2024 (10 years)".to_owned(),
        dates: vec![
            row(
                "Hang the traps",
                date(2025, 5, 5),
                "before the first adults, at 250 degree-days",
            ),
            row("First flight", date(2025, 5, 17), "5 % of the year's flight"),
            row(
                "Change the lures",
                date(2025, 7, 1),
                "when a tenth of the load is left",
            ),
            row(
                "Take the traps down",
                date(2025, 9, 22),
                "95 % of the year's flight",
            ),
        ],
        fortnights: (0i32..26)
            .map(|k| {
                let x = (f64::from(k) - 12.0) / 2.3;
                let share = if (8..19).contains(&k) {
                    0.17 * (-0.5 * x * x).exp()
                } else {
                    0.0
                };
                Fortnight {
                    from: date(2025, 1, 1).checked_add((14 * k).days()).unwrap(),
                    share: Band {
                        low: share * 0.6,
                        median: share,
                        high: share * 1.35,
                    },
                }
            })
            .collect(),
        supplies: vec![
            (
                "Lures".to_owned(),
                "132".to_owned(),
                "60 traps × 2 lures, 10 % spare".to_owned(),
            ),
            (
                "Sticky inserts".to_owned(),
                "264".to_owned(),
                "60 traps × 4, 10 % spare".to_owned(),
            ),
        ],
    }
}

fn visits() -> VisitSummary {
    VisitSummary {
        due: 602,
        made: 511,
        late: 52,
        missed: vec![
            ("gate locked".to_owned(), 21),
            ("storm, rounds called off".to_owned(), 13),
            ("not recorded".to_owned(), 5),
        ],
        found_out: 17,
        partly: 9,
        suspects: 3,
        calendar_trap_days: 8_320.0,
        effective_trap_days: 6_911.0,
    }
}

fn trial() -> super::TrialResult {
    let point = |k: u32, free: f64| super::TrialPoint {
        bin: (f64::from(k) / 10.0, f64::from(k + 1) / 10.0),
        worlds: 180,
        stated: f64::from(k) / 10.0 + 0.05,
        free,
        interval: (free - 0.06, free + 0.06),
    };
    super::TrialResult {
        words: vec!["Of 1 000 simulated incursions the plan found 612.".to_owned()],
        curves: vec![super::TrialCurve {
            title: "worlds as the statement believes them".to_owned(),
            worlds: 540,
            traps: "Of 200 worlds infested all season 41 % were found; stated was 40 % on average."
                .to_owned(),
            points: vec![point(2, 0.27), point(5, 0.52), point(8, 0.74)],
        }],
        rests_on: vec![
            "growth a generation: 3; source: none; set by the programme, no published figure".to_owned(),
        ],
    }
}
