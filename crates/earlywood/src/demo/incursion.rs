//! The hidden incursion: single insects that arrive, fly, and meet the traps that really hung that day.
//!
//! This is a simulation of events, not the assurance formula: each flyer has its own place and its own days, and on
//! each of them the traps in reach compete for it. Whether anybody notices is left to the crews
//! ([`super::season::read_catches`]).

use std::collections::BTreeMap;

use earlywood_model::lure::Lure;
use earlywood_model::weather::DailyTemp;
use jiff::ToSpan as _;
use jiff::civil::Date;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, Gamma};

use super::plane::{Xy, xy};
use super::season::TrapTruth;

/// How far a target's flyers settle from where their kind arrived.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Dispersal {
    /// Mean distance of a 2-D exponential kernel, metres.
    pub(crate) mean_m: f64,
    /// Where the figure comes from.
    pub(crate) source: &'static str,
}

/// The demo's dispersal figure for a target. Only the demo's invented incursion uses it.
///
/// The kernel is `exp(-r/a)/(2 pi a^2)`: mean `2a`, and `P(> r) = (1 + r/a) exp(-r/a)`.
pub(crate) fn dispersal_of(target: &str) -> Dispersal {
    match target {
        // (1 + x) exp(-x) = 0.2 at x = 2.994; 32.5 m / 2.994 = 10.9 m; mean 21.7 m.
        "polyphagous-shot-hole-borer" => Dispersal {
            mean_m: 21.7,
            source: "80 % of marked beetles recaptured within 30-35 m: Owens et al. 2019 Agric For Entomol 21:199-208",
        },
        // (1 + x) exp(-x) = 0.1 at x = 3.890; 100 m / 3.890 = 25.7 m; mean 51.4 m.
        "emerald-ash-borer" => Dispersal {
            mean_m: 51.4,
            source: "about 90 % of larvae within 100 m: Mercader et al. 2009, quoted from memory",
        },
        _ => Dispersal {
            mean_m: 50.0,
            source: "none: set for the demo",
        },
    }
}

/// A pathway as the incursion sees it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arrival {
    /// Where.
    pub(crate) at: Xy,
    /// Relative risk.
    pub(crate) weight: f64,
    /// Distance over which it falls to 1/e, metres.
    pub(crate) reach_m: f64,
}

/// A host as the incursion sees it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct HostSpot {
    /// Where.
    pub(crate) at: Xy,
    /// Weight of its taxon for the target.
    pub(crate) weight: f64,
}

/// Draws the tree on which the incursion begins: by the taxon's weight times the pathways' risk at the tree. `None`
/// when no tree has any.
pub(crate) fn choose_origin(arrivals: &[Arrival], hosts: &[HostSpot], seed: u64) -> Option<Xy> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x0419_1210);
    let risk = |host: &HostSpot| -> f64 {
        let from_paths: f64 = arrivals
            .iter()
            .map(|a| a.weight * (-a.at.distance_m(host.at) / a.reach_m).exp())
            .sum();
        host.weight * from_paths
    };
    let risks: Vec<f64> = hosts.iter().map(risk).collect();
    let total: f64 = risks.iter().sum();
    if !(total > 0.0 && total.is_finite()) {
        return None;
    }
    let mut left = rng.random::<f64>() * total;
    let mut chosen = None;
    for (host, risk) in hosts.iter().zip(&risks).filter(|(_, r)| **r > 0.0) {
        chosen = Some(host.at);
        left -= risk;
        if left < 0.0 {
            break;
        }
    }
    chosen
}

/// A trap with its real power to catch, day by day: up x lure potency, 0 to 1.
#[derive(Debug, Clone)]
pub(crate) struct LiveTrap {
    /// Its label.
    pub(crate) trap: String,
    /// Where it hangs.
    pub(crate) at: Xy,
    /// First day of `power`.
    pub(crate) from: Date,
    /// One entry a day.
    pub(crate) power: Vec<f64>,
}

impl LiveTrap {
    fn power_on(&self, day: Date) -> f64 {
        self.from
            .until(day)
            .ok()
            .and_then(|span| usize::try_from(span.get_days()).ok())
            .and_then(|k| self.power.get(k).copied())
            .unwrap_or(0.0)
    }
}

/// What traps could really do: their state in the field with each lure aged by the season's weather.
///
/// `weather` must cover the days of the truth; days without weather count as no power. `at` gives a trap's place.
pub(crate) fn live_traps(
    truth: &[TrapTruth],
    at: impl Fn(&str) -> Option<Xy>,
    lure: &Lure,
    weather: &[DailyTemp],
) -> Vec<LiveTrap> {
    // Traps share the days on which lures were put in, so each is aged once.
    let mut aged: BTreeMap<Date, BTreeMap<Date, f64>> = BTreeMap::new();
    let mut traps = Vec::new();
    for t in truth {
        let Some(place) = at(&t.trap) else { continue };
        let mut day = t.from;
        let mut power = Vec::with_capacity(t.days.len());
        for state in &t.days {
            let potency = aged.entry(state.lure_since).or_insert_with(|| {
                let start = weather.partition_point(|w| w.date < state.lure_since);
                lure.age(&weather[start..])
                    .into_iter()
                    .map(|l| (l.date, l.potency))
                    .collect()
            });
            power.push(state.up * potency.get(&day).copied().unwrap_or(0.0));
            day = day.saturating_add(1.day());
        }
        traps.push(LiveTrap {
            trap: t.trap.clone(),
            at: place,
            from: t.from,
            power,
        });
    }
    traps
}

/// The incursion to be played.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Incursion {
    /// Where it began.
    pub(crate) origin: Xy,
    /// Flyers over the season.
    pub(crate) flyers: u32,
    /// Mean distance at which they settle, metres.
    pub(crate) mean_m: f64,
    /// Days a flyer is on the wing; its chance of capture is spread over them.
    pub(crate) flight_life_days: u16,
}

/// An insect in a trap.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Catch {
    /// The trap's label.
    pub(crate) trap: String,
    /// The day.
    pub(crate) date: Date,
}

/// One flyer as it was.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Flyer {
    /// Where it settled.
    pub(crate) at: Xy,
    /// Its first day on the wing.
    pub(crate) from: Date,
    /// Where and when it was caught, if it was.
    pub(crate) caught: Option<Catch>,
}

/// Lets every flyer fly.
///
/// `flight` is the share of the year's flight on each day; `hazard_at` gives a trap's capture hazard over one flight
/// life at a distance in metres (`-ln(1-p)`, as [`earlywood_model::capture::Capture::hazard`]), of which a day takes
/// its part. On a day with total hazard `H` the flyer is caught with probability `1 - exp(-H)`, by trap `i` in the
/// share `h_i / H`: competing hazards, so no insect is in two traps.
pub(crate) fn simulate(
    incursion: &Incursion,
    flight: &[(Date, f64)],
    traps: &[LiveTrap],
    hazard_at: impl Fn(f64) -> f64,
    seed: u64,
) -> Vec<Flyer> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xF1_1E25);
    let total: f64 = flight.iter().map(|(_, share)| share).sum();
    if !(total > 0.0 && total.is_finite()) {
        return Vec::new();
    }
    (0..incursion.flyers)
        .filter_map(|_| {
            let at = settle(incursion, &mut rng);
            let from = draw_day(flight, total, &mut rng)?;
            let caught = fly(
                at,
                from,
                incursion.flight_life_days.max(1),
                traps,
                &hazard_at,
                &mut rng,
            );
            Some(Flyer { at, from, caught })
        })
        .collect()
}

/// All catches of a simulation, in order of date.
pub(crate) fn catches(flyers: &[Flyer]) -> Vec<Catch> {
    let mut all: Vec<Catch> = flyers.iter().filter_map(|f| f.caught.clone()).collect();
    all.sort_by(|a, b| (a.date, &a.trap).cmp(&(b.date, &b.trap)));
    all
}

/// A place drawn from the 2-D exponential kernel: the distance of `exp(-r/a)/(2 pi a^2)` is gamma with shape 2.
fn settle(incursion: &Incursion, rng: &mut ChaCha8Rng) -> Xy {
    let bearing = rng.random_range(0.0..std::f64::consts::TAU);
    let r = Gamma::new(2.0, 0.5 * incursion.mean_m).map_or(0.0, |g| g.sample(rng));
    incursion.origin.plus(xy(r * bearing.cos(), r * bearing.sin()))
}

fn draw_day(flight: &[(Date, f64)], total: f64, rng: &mut ChaCha8Rng) -> Option<Date> {
    let mut left = rng.random::<f64>() * total;
    let mut last = None;
    for &(day, share) in flight.iter().filter(|(_, share)| *share > 0.0) {
        last = Some(day);
        left -= share;
        if left < 0.0 {
            break;
        }
    }
    last
}

fn fly(
    at: Xy,
    from: Date,
    life_days: u16,
    traps: &[LiveTrap],
    hazard_at: &impl Fn(f64) -> f64,
    rng: &mut ChaCha8Rng,
) -> Option<Catch> {
    let near: Vec<(&LiveTrap, f64)> = traps
        .iter()
        .map(|t| (t, hazard_at(t.at.distance_m(at)) / f64::from(life_days)))
        .filter(|(_, h)| *h > 1e-15)
        .collect();
    if near.is_empty() {
        return None;
    }
    let mut day = from;
    for _ in 0..life_days {
        let hazards: Vec<f64> = near.iter().map(|(t, h)| h * t.power_on(day)).collect();
        let sum: f64 = hazards.iter().sum();
        if sum > 0.0 && rng.random::<f64>() < -(-sum).exp_m1() {
            let mut left = rng.random::<f64>() * sum;
            let winner = hazards.iter().position(|h| {
                left -= h;
                left < 0.0
            });
            let (trap, _) = near[winner.unwrap_or(near.len() - 1)];
            return Some(Catch {
                trap: trap.trap.clone(),
                date: day,
            });
        }
        day = day.saturating_add(1.day());
    }
    None
}

#[cfg(test)]
mod tests {
    use earlywood_model::lure::Kinetics;
    use jiff::civil::date;

    use super::super::season::TrapDay;
    use super::*;

    fn live(label: &str, at: Xy, power: f64) -> LiveTrap {
        LiveTrap {
            trap: label.to_owned(),
            at,
            from: date(2025, 4, 1),
            power: vec![power; 200],
        }
    }

    const POINT: Incursion = Incursion {
        origin: xy(0.0, 0.0),
        flyers: 20_000,
        mean_m: 1e-9,
        flight_life_days: 21,
    };
    const FLIGHT: [(Date, f64); 2] = [(date(2025, 6, 1), 0.5), (date(2025, 6, 15), 0.5)];

    #[test]
    fn two_traps_compete_as_the_formula_says() {
        // Competing hazards, no death: P_i = h_i/H (1 - exp(-H)). With h = 0.6 and 0.3: 0.39562, 0.19781.
        let traps = [live("A", xy(1.0, 0.0), 1.0), live("B", xy(2.0, 0.0), 1.0)];
        let flyers = simulate(&POINT, &FLIGHT, &traps, |d| if d < 1.5 { 0.6 } else { 0.3 }, 1);
        let share = |label: &str| {
            catches(&flyers).iter().filter(|c| c.trap == label).count() as f64 / f64::from(POINT.flyers)
        };
        // Four standard deviations of a binomial share of 20 000.
        assert!((share("A") - 0.395_620).abs() < 4.0 * 0.003_46, "{}", share("A"));
        assert!((share("B") - 0.197_810).abs() < 4.0 * 0.002_82, "{}", share("B"));
    }

    #[test]
    fn a_dead_trap_catches_nothing_and_half_power_is_half_the_hazard() {
        let dead = simulate(&POINT, &FLIGHT, &[live("A", xy(1.0, 0.0), 0.0)], |_| 5.0, 1);
        assert!(catches(&dead).is_empty());
        let half = simulate(&POINT, &FLIGHT, &[live("A", xy(1.0, 0.0), 0.5)], |_| 0.8, 2);
        let share = catches(&half).len() as f64 / f64::from(POINT.flyers);
        // 1 - exp(-0.4) = 0.32968.
        assert!((share - 0.329_680).abs() < 4.0 * 0.003_33, "{share}");
    }

    #[test]
    fn flyers_settle_by_the_kernel() {
        let wide = Incursion {
            mean_m: 100.0,
            ..POINT
        };
        let flyers = simulate(&wide, &FLIGHT, &[], |_| 0.0, 3);
        let mean = flyers.iter().map(|f| f.at.distance_m(POINT.origin)).sum::<f64>() / flyers.len() as f64;
        // Standard deviation of the distance: a sqrt(2) = 70.7 m.
        assert!(
            (mean - 100.0).abs() < 4.0 * 70.7 / f64::from(POINT.flyers).sqrt(),
            "{mean}"
        );
        // P(<= 100 m) with a = 50 m: 0.5939941503, a worked value computed independently with scipy.
        let within = flyers
            .iter()
            .filter(|f| f.at.distance_m(POINT.origin) <= 100.0)
            .count() as f64;
        assert!((within / f64::from(POINT.flyers) - 0.593_994).abs() < 4.0 * 0.003_47);
    }

    #[test]
    fn the_cited_distances_give_the_means() {
        let beyond = |r: f64, mean: f64| {
            let x = r / (0.5 * mean);
            (1.0 + x) * (-x).exp()
        };
        let ash = dispersal_of("emerald-ash-borer").mean_m;
        assert!((beyond(100.0, ash) - 0.10).abs() < 0.001);
        let shot_hole = dispersal_of("polyphagous-shot-hole-borer").mean_m;
        assert!((beyond(32.5, shot_hole) - 0.20).abs() < 0.001);
    }

    #[test]
    fn the_origin_is_a_host_and_near_the_risk() {
        let arrivals = [Arrival {
            at: xy(0.0, 0.0),
            weight: 1.0,
            reach_m: 50.0,
        }];
        let hosts = [
            HostSpot {
                at: xy(10.0, 0.0),
                weight: 0.0,
            },
            HostSpot {
                at: xy(20.0, 0.0),
                weight: 1.0,
            },
            HostSpot {
                at: xy(90_000.0, 0.0),
                weight: 1.0,
            },
        ];
        for seed in 0..50 {
            assert_eq!(choose_origin(&arrivals, &hosts, seed), Some(xy(20.0, 0.0)));
        }
        assert_eq!(choose_origin(&[], &hosts, 1), None);
        assert_eq!(choose_origin(&arrivals, &[], 1), None);
    }

    #[test]
    fn a_lure_that_ran_empty_has_no_power() {
        let weather: Vec<DailyTemp> = (0i32..60)
            .map(|k| DailyTemp {
                date: date(2025, 6, 1).saturating_add(k.days()),
                tmin_c: 20.0,
                tmax_c: 20.0,
            })
            .collect();
        let lure = Lure::new(Kinetics::ZeroOrder, 30.0, 20.0, 2.0, 0.4, 0.0).unwrap();
        let days = vec![
            TrapDay {
                up: 1.0,
                lure_since: date(2025, 6, 1)
            };
            60
        ];
        let truth = [TrapTruth {
            trap: "A".to_owned(),
            from: date(2025, 6, 1),
            days,
        }];
        let traps = live_traps(&truth, |_| Some(xy(0.0, 0.0)), &lure, &weather);
        assert_eq!(traps[0].power_on(date(2025, 6, 10)), 1.0);
        assert_eq!(traps[0].power_on(date(2025, 7, 15)), 0.0);
        assert_eq!(traps[0].power_on(date(2025, 12, 1)), 0.0);
        assert!(live_traps(&truth, |_| None, &lure, &weather).is_empty());
    }

    #[test]
    fn nothing_flies_where_there_is_no_flight() {
        assert!(simulate(&POINT, &[], &[], |_| 1.0, 1).is_empty());
        assert!(simulate(&POINT, &[(date(2025, 6, 1), 0.0)], &[], |_| 1.0, 1).is_empty());
    }
}
