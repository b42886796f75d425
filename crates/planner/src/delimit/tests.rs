//! The plan against brute force, the formulas against a plain computation, the trial against the formulas.
#![allow(clippy::unwrap_used)]

use proptest::prelude::*;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use super::spread::{Life, Spread};
use super::trial::trial;
use super::*;

fn at(x_m: f64, y_m: f64) -> Position {
    Position { x_m, y_m }
}

fn known(sectors: u32) -> Known {
    Known {
        finds: vec![at(0.0, 0.0)],
        enclose_m: 300.0,
        sectors,
    }
}

fn ground(rng: &mut ChaCha8Rng, sectors: u32) -> Ground {
    let cells: Vec<Position> = (0..150)
        .map(|_| {
            at(
                rng.random_range(-1500.0..1500.0),
                rng.random_range(-1500.0..1500.0),
            )
        })
        .collect();
    let scenarios = (0..25)
        .map(|_| {
            let mut named: Vec<u32> = (0..rng.random_range(0..30))
                .map(|_| rng.random_range(0..150))
                .collect();
            named.sort_unstable();
            named.dedup();
            Scenario {
                weight: rng.random::<f64>(),
                infested: named
                    .into_iter()
                    .map(|cell| Infested {
                        cell,
                        flyers: rng.random_range(0.0..6.0),
                        trees: f64::from(rng.random_range(0..4)),
                    })
                    .collect(),
            }
        })
        .collect();
    Ground::new(cells, scenarios, known(sectors)).unwrap()
}

fn p(d: f64) -> f64 {
    0.7 * (-d / 250.0).exp()
}

const CUTOFF_M: f64 = 1200.0;

fn problem<'a>(rng: &mut ChaCha8Rng, ground: &'a Ground, traps: usize, looks: usize) -> Problem<'a> {
    let usage = |u: f64| match u {
        u if u < 0.1 => Use::Held,
        u if u < 0.25 => Use::Barred,
        _ => Use::Free,
    };
    let traps = (0..traps)
        .map(|_| Trap {
            at: at(
                rng.random_range(-1500.0..1500.0),
                rng.random_range(-1500.0..1500.0),
            ),
            usage: usage(rng.random()),
        })
        .collect();
    let looks = (0..looks)
        .map(|_| Look {
            cell: rng.random_range(0..150),
            hours: rng.random_range(0.2..2.0),
            chance_each: rng.random::<f64>(),
        })
        .collect();
    let limits = Limits {
        traps: rng.random_range(0..4),
        hours: rng.random_range(0.0..4.0),
        spacing_m: if rng.random::<bool>() { 600.0 } else { 0.0 },
    };
    Problem::new(ground, traps, looks, CUTOFF_M, p, limits).unwrap()
}

/// Straight from the words of the module's page.
fn plain(problem: &Problem<'_>, traps: &[usize], looks: &[usize]) -> Chance {
    let ground = problem.ground;
    let weight: f64 = ground.scenarios.iter().map(|s| s.weight).sum();
    let (mut share, mut whole) = (0.0, 0.0);
    let hang = |i: &usize| problem.traps[*i].usage == Use::Held || traps.contains(i);
    let hung: Vec<Position> = (0..problem.traps.len())
        .filter(hang)
        .map(|i| problem.traps[i].at)
        .collect();
    for s in &ground.scenarios {
        let cells: Vec<Position> = s.infested.iter().map(|i| ground.cells[i.cell as usize]).collect();
        let pieces = edge(&cells, &ground.known);
        let found: Vec<f64> = pieces
            .iter()
            .map(|piece| {
                let mut missed = 1.0;
                for i in piece {
                    let i = s.infested[*i as usize];
                    let c = ground.cells[i.cell as usize];
                    let d = |t: &Position| (t.x_m - c.x_m).hypot(t.y_m - c.y_m);
                    let escape: f64 = hung
                        .iter()
                        .map(d)
                        .filter(|d| *d <= CUTOFF_M)
                        .map(|d| 1.0 - p(d))
                        .product();
                    missed *= (-i.flyers * (1.0 - escape)).exp();
                    for k in looks.iter().filter(|k| problem.looks[**k].cell == i.cell) {
                        missed *= (1.0 - problem.looks[*k].chance_each).powf(i.trees);
                    }
                }
                1.0 - missed
            })
            .collect();
        let mean = if found.is_empty() {
            1.0
        } else {
            found.iter().sum::<f64>() / found.len() as f64
        };
        share += s.weight / weight * mean;
        whole += s.weight / weight * found.iter().product::<f64>();
    }
    Chance { share, whole }
}

fn subset(mask: u32, from: u32, count: usize) -> Vec<usize> {
    (0..count)
        .filter(|i| mask >> (from + *i as u32) & 1 == 1)
        .collect()
}

fn indices(chosen: &[Chosen]) -> Vec<usize> {
    chosen.iter().map(|c| c.index).collect()
}

#[test]
fn no_plan_within_the_limits_beats_the_bound_and_ours_is_nearly_the_best() {
    let (mut found, mut possible, mut exact, mut cases) = (0.0, 0.0, 0, 0);
    for seed in 0..120 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let ground = ground(&mut rng, [1, 4, 8][seed as usize % 3]);
        let problem = problem(&mut rng, &ground, 8, 6);
        let share_only = Options {
            whole: false,
            ..Options::default()
        };
        let plan = solve(&problem, &share_only).unwrap();
        assert!(problem.allows(&indices(&plan.traps), &indices(&plan.looks)));
        assert!(plan.hours <= problem.limits.hours + 1e-9);
        let (mut best, mut best_whole): (f64, f64) = (0.0, 0.0);
        for mask in 0u32..1 << 14 {
            let (traps, looks) = (subset(mask, 0, 8), subset(mask, 8, 6));
            if problem.allows(&traps, &looks) {
                let chance = problem.evaluate(&traps, &looks).unwrap();
                best = best.max(chance.share);
                best_whole = best_whole.max(chance.whole);
                assert!(chance.whole <= chance.share + 1e-12);
            }
        }
        assert!(
            plan.bound >= best - 1e-12,
            "seed {seed}: {} under {best}",
            plan.bound
        );
        assert!(plan.bound >= best_whole - 1e-12);
        assert!(plan.chance.share <= best + 1e-12);
        let gap = (plan.bound - plan.chance.share) / plan.bound.max(1e-300);
        assert!((plan.gap - gap).abs() < 1e-12);
        let (own, top) = (plan.chance.share - plan.without.share, best - plan.without.share);
        assert!(own >= 0.63 * top - 1e-12, "seed {seed}: {own} of {top}");
        found += own;
        possible += top;
        exact += usize::from(own >= top - 1e-9);
        cases += 1;

        // Exchanges for the whole raise it and nothing else changes.
        let for_whole = solve(&problem, &Options::default()).unwrap();
        assert!(for_whole.chance.whole >= plan.chance.whole - 1e-9);
        assert!(problem.allows(&indices(&for_whole.traps), &indices(&for_whole.looks)));
        assert!(
            for_whole.chance.whole <= best_whole + 1e-12
                && for_whole.bound == plan.bound.max(for_whole.chance.share)
        );
    }
    assert!(found > 0.99 * possible, "{found} of {possible}");
    assert!(exact * 10 >= cases * 8, "{exact} of {cases} exact");
}

#[test]
fn the_objective_is_what_the_words_say() {
    for seed in 0..40 {
        let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
        let ground = ground(&mut rng, [1, 3, 8][seed as usize % 3]);
        let problem = problem(&mut rng, &ground, 12, 9);
        let traps: Vec<usize> = (0..12).filter(|_| rng.random()).collect();
        let looks: Vec<usize> = (0..9).filter(|_| rng.random()).collect();
        let (ours, plain) = (
            problem.evaluate(&traps, &looks).unwrap(),
            plain(&problem, &traps, &looks),
        );
        assert!((ours.share - plain.share).abs() < 1e-10, "{ours:?} {plain:?}");
        assert!((ours.whole - plain.whole).abs() < 1e-10, "{ours:?} {plain:?}");
    }
}

#[test]
fn each_contribution_is_what_would_be_lost() {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let ground = ground(&mut rng, 8);
    let traps: Vec<Trap> = (0..40)
        .map(|_| Trap {
            at: at(
                rng.random_range(-1500.0..1500.0),
                rng.random_range(-1500.0..1500.0),
            ),
            usage: Use::Free,
        })
        .collect();
    let looks: Vec<Look> = (0..20)
        .map(|cell| Look {
            cell,
            hours: 0.5,
            chance_each: 0.4,
        })
        .collect();
    let limits = Limits {
        traps: 10,
        hours: 3.0,
        spacing_m: 200.0,
    };
    let problem = Problem::new(&ground, traps, looks, CUTOFF_M, p, limits).unwrap();
    let plan = solve(&problem, &Options::default()).unwrap();
    assert_eq!(
        solve(&problem, &Options::default()).unwrap(),
        plan,
        "the same again"
    );
    let (traps, looks) = (indices(&plan.traps), indices(&plan.looks));
    assert_eq!(traps.len(), 10);
    for chosen in &plan.traps {
        let rest: Vec<usize> = traps.iter().copied().filter(|i| *i != chosen.index).collect();
        let without = problem.evaluate(&rest, &looks).unwrap();
        assert!((plan.chance.share - without.share - chosen.adds).abs() < 1e-9);
        assert!((plan.chance.whole - without.whole - chosen.adds_whole).abs() < 1e-9);
    }
    for chosen in &plan.looks {
        let rest: Vec<usize> = looks.iter().copied().filter(|i| *i != chosen.index).collect();
        let without = problem.evaluate(&traps, &rest).unwrap();
        assert!((plan.chance.share - without.share - chosen.adds).abs() < 1e-9);
    }
}

#[test]
fn the_trial_agrees_with_the_formulas() {
    for (seed, sectors) in [(1, 1), (2, 8), (3, 4)] {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let ground = ground(&mut rng, sectors);
        let problem = problem(&mut rng, &ground, 30, 20);
        let (traps, looks): (Vec<usize>, Vec<usize>) =
            ((0..30).step_by(2).collect(), (0..20).step_by(3).collect());
        let chance = problem.evaluate(&traps, &looks).unwrap();
        let played = trial(&problem, &traps, &looks, 20_000, 5).unwrap();
        assert_eq!(played, trial(&problem, &traps, &looks, 20_000, 5).unwrap());
        let slack = 4.5 * played.standard_error(0.5);
        assert!(
            (played.whole - chance.whole).abs() < slack,
            "{played:?} {chance:?}"
        );
        assert!(
            (played.share - chance.share).abs() < slack,
            "{played:?} {chance:?}"
        );
    }
}

#[test]
fn edges_are_the_outermost_of_each_sector() {
    let infested = [
        at(100.0, 100.0),  // enclosed by the find
        at(1000.0, 10.0),  // east, outermost
        at(800.0, 10.0),   // would do for it
        at(600.0, 10.0),   // would not
        at(-500.0, -10.0), // west
        at(-450.0, 100.0), // west-north-west: another of eight sectors, the west one within 300 m of it
    ];
    let pieces = edge(&infested, &known(8));
    assert_eq!(pieces, [vec![1, 2], vec![4, 5], vec![4, 5]]);
    // One sector: only the farthest counts.
    assert_eq!(edge(&infested, &known(1)), [vec![1, 2]]);
    assert!(edge(&infested[..1], &known(8)).is_empty());
    let two = Known {
        finds: vec![at(0.0, 0.0), at(890.0, 0.0)],
        ..known(4)
    };
    assert_eq!(edge(&infested[..4], &two), Vec::<Vec<u32>>::new());
}

#[test]
fn scenarios_begin_where_the_origin_says_and_spread_as_far_as_they_fly() {
    let cells: Vec<Position> = (-20..=20)
        .flat_map(|x| (-20..=20).map(move |y| at(100.0 * f64::from(x), 100.0 * f64::from(y))))
        .collect();
    let mut origin = vec![0.0; cells.len()];
    origin[20 * 41 + 20] = 0.75;
    origin[0] = 0.25;
    let spread = Spread {
        cells: &cells,
        origin: &origin,
        trees: &vec![10.0; cells.len()],
        cell_m: 100.0,
        screening: 0.5,
        insects_a_tree: 4.0,
    };
    let life = |generations, growth| {
        move |_: &mut ChaCha8Rng| Life {
            generations,
            founders: 1,
            growth,
        }
    };
    let stay = spread.scenarios(2000, 3, life(0, 5.0), |_| 0.0).unwrap();
    let here = stay.iter().filter(|s| s.infested[0].cell == 20 * 41 + 20).count();
    assert!((1420..1580).contains(&here), "{here}");
    assert!(
        stay.iter()
            .all(|s| s.infested.len() == 1 && s.infested[0].flyers == 0.5)
    );

    let flown = |m: f64| spread.scenarios(300, 3, life(3, 4.0), move |_| m).unwrap();
    let (near, far) = (flown(150.0), flown(400.0));
    assert_eq!(near, flown(150.0));
    let extent = |scenarios: &[Scenario]| -> f64 {
        let own = |s: &&Scenario| s.infested.iter().any(|i| i.cell == 20 * 41 + 20);
        let far = |s: &Scenario| {
            let out = s
                .infested
                .iter()
                .map(|i| cells[i.cell as usize])
                .map(|c| c.x_m.hypot(c.y_m));
            out.fold(0.0, f64::max)
        };
        let some: Vec<f64> = scenarios.iter().filter(own).map(far).collect();
        some.iter().sum::<f64>() / some.len() as f64
    };
    assert!(
        extent(&near) < 0.7 * extent(&far),
        "{} {}",
        extent(&near),
        extent(&far)
    );
    assert!(extent(&near) < 3.0 * 400.0);
    // Growth 4 over three generations: 64 insects on average where all find hosts, half of them known when caught.
    let mean = near
        .iter()
        .flat_map(|s| &s.infested)
        .map(|i| i.flyers)
        .sum::<f64>()
        / 300.0;
    assert!((25.0..34.0).contains(&mean), "{mean}");
    // Far more than are followed one by one.
    let many = spread.scenarios(4, 1, life(9, 4.0), |_| 150.0).unwrap();
    let alive = many
        .iter()
        .filter(|s| s.infested.iter().map(|i| i.flyers).sum::<f64>() > 50_000.0);
    assert!(alive.count() >= 3);
}

#[test]
fn bad_input_is_refused() {
    let one = |weight, cell, flyers| Scenario {
        weight,
        infested: vec![Infested {
            cell,
            flyers,
            trees: 1.0,
        }],
    };
    let cells = vec![at(1000.0, 0.0), at(1100.0, 0.0)];
    let made = |scenarios| Ground::new(cells.clone(), scenarios, known(8)).map(|g| g.pieces());
    assert_eq!(made(vec![one(1.0, 0, 1.0)]), Ok(1));
    assert!(made(vec![]).is_err());
    assert!(made(vec![one(0.0, 0, 1.0)]).is_err());
    assert!(made(vec![one(1.0, 2, 1.0)]).is_err());
    assert!(made(vec![one(1.0, 0, f64::NAN)]).is_err());
    let mut twice = one(1.0, 0, 1.0);
    twice.infested.push(twice.infested[0]);
    assert!(made(vec![twice]).unwrap_err().to_string().contains("once"));
    assert!(Ground::new(vec![], vec![one(1.0, 0, 1.0)], known(8)).is_err());
    assert!(Ground::new(cells.clone(), vec![one(1.0, 0, 1.0)], known(0)).is_err());
    let none = Known {
        finds: vec![],
        ..known(8)
    };
    assert!(Ground::new(cells.clone(), vec![one(1.0, 0, 1.0)], none).is_err());

    let ground = Ground::new(cells.clone(), vec![one(1.0, 0, 1.0)], known(8)).unwrap();
    let limits = Limits {
        traps: 1,
        hours: 1.0,
        spacing_m: 0.0,
    };
    let trap = Trap {
        at: at(1000.0, 0.0),
        usage: Use::Free,
    };
    let look = Look {
        cell: 0,
        hours: 1.0,
        chance_each: 0.5,
    };
    let made = |traps, looks, limits, cutoff: f64| {
        Problem::new(&ground, traps, looks, cutoff, p, limits).map(|p| solve(&p, &Options::default()).is_ok())
    };
    assert_eq!(made(vec![trap], vec![look], limits, 500.0), Ok(true));
    assert_eq!(made(vec![], vec![], limits, 500.0), Ok(false));
    assert!(made(vec![trap], vec![look], limits, 0.0).is_err());
    assert!(made(vec![trap], vec![Look { cell: 9, ..look }], limits, 500.0).is_err());
    assert!(
        made(
            vec![trap],
            vec![Look {
                chance_each: 1.5,
                ..look
            }],
            limits,
            500.0
        )
        .is_err()
    );
    assert!(made(vec![trap], vec![Look { hours: -1.0, ..look }], limits, 500.0).is_err());
    assert!(
        made(
            vec![trap],
            vec![look],
            Limits {
                hours: f64::NAN,
                ..limits
            },
            500.0
        )
        .is_err()
    );
    let problem = Problem::new(&ground, vec![trap], vec![look], 500.0, p, limits).unwrap();
    assert!(problem.evaluate(&[1], &[]).is_err() && problem.evaluate(&[], &[1]).is_err());
    assert!(trial(&problem, &[0], &[], 0, 1).is_err());
    assert!(Problem::new(&ground, vec![trap], vec![], 500.0, |_| f64::NAN, limits).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn more_never_finds_less_and_adds_less_to_more(seed in 0u64..10_000, mask in 0u32..1 << 16, over in 0u32..1 << 16) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let ground = ground(&mut rng, 1 + (seed % 8) as u32);
        let problem = problem(&mut rng, &ground, 10, 6);
        let of = |mask: u32| problem.evaluate(&subset(mask, 0, 10), &subset(mask, 10, 6)).unwrap();
        let (small, large) = (mask & over, mask | over);
        prop_assert!(of(small).share <= of(large).share + 1e-12);
        prop_assert!(of(small).whole <= of(large).whole + 1e-12);
        for item in 0..16 {
            let with = 1u32 << item;
            if large & with == 0 {
                let (to_small, to_large) =
                    (of(small | with).share - of(small).share, of(large | with).share - of(large).share);
                prop_assert!(to_large <= to_small + 1e-12);
            }
        }
    }
}
