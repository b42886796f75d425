//! One world: what is true of the target there, and an incursion that grows and spreads whatever traps hang.
//!
//! **Generations.** A target with one flight a year has a generation a season; one whose flight follows the temperature
//! begins a new one each time its heat sum is full, counted from the arrival. Each flyer flies on one day, drawn by the
//! flight shares of its generation's days. **Growth.** The `n` flyers of a cell leave a negative binomial number with
//! mean `n R` and clumping `n k`, which is the sum of `n` independent flyers' offspring. **Spread.** Each offspring goes
//! a distance drawn from the kernel in a direction drawn evenly; where no host stands it stays at home. Insects in traps
//! are not taken out of the next generation, so that plans are tried on one and the same incursion. Design choices.

use rand::{Rng, RngExt as _};
use rand_distr::{Distribution as _, Gamma, Poisson};

use super::ground::Landscape;
use super::luck::{Purpose, stream};
use super::section::{DrawnSpread, SpreadForm};
use super::types::{Input, Kind, Presence};
use crate::dispersal::Kernel;
use crate::error::ModelError;
use crate::freedom::per_period;
use crate::phenology::FlightCurve;
use crate::profile::DrawnParams;
use crate::weather::{Series, days_between, plus_days};

/// Distances of a kernel of mean 1, by the negative logarithm of the share that goes further.
#[derive(Debug, Clone)]
pub(super) struct Distances(Vec<f64>);

/// Steps of the table for each unit of the logarithm.
const STEPS: f64 = 32.0;
/// Beyond a share of `exp(-LONGEST)`, about 1e-9, nothing goes.
const LONGEST: f64 = 20.0;

impl Distances {
    pub(super) fn new(form: SpreadForm) -> Result<Self, ModelError> {
        let kernel = match form {
            SpreadForm::Exponential => Kernel::exponential(0.5)?,
            SpreadForm::Gaussian => Kernel::gaussian_with_mean(1.0, 1.0)?,
            SpreadForm::TwoDt => {
                let unit = Kernel::two_dt(1.0, 1.5)?;
                let mean = unit.mean_m().unwrap_or(1.0);
                unit.scaled(1.0 / mean)?
            }
        };
        let count = (LONGEST * STEPS) as usize + 2;
        let at = |i: usize| kernel.radius_beyond((-(i as f64) / STEPS).exp());
        Ok(Distances((0..count).map(at).collect()))
    }

    /// A distance drawn from the kernel, in units of its mean.
    pub(super) fn draw<R: Rng + ?Sized>(&self, rng: &mut R) -> f64 {
        let x = (-(-rng.random::<f64>()).ln_1p()).min(LONGEST) * STEPS;
        let i = x as usize;
        self.0[i] + (x - i as f64) * (self.0[i + 1] - self.0[i])
    }
}

/// Flight over the days of a trial: sum of the shares before each day; every season's shares sum to 1.
#[derive(Debug, Clone)]
pub(super) struct Flight {
    sum: Vec<f64>,
}

impl Flight {
    fn new(
        params: &DrawnParams,
        weather: &Series,
        start: jiff::civil::Date,
        days: i32,
    ) -> Result<Self, ModelError> {
        let heat = params.flight.heat();
        let end = plus_days(start, i64::from(days) - 1);
        let mut share = vec![0.0; days as usize];
        for year in heat.season_of(start)..=heat.season_of(end) {
            for (date, s) in params.flight.daily_share(weather, year)? {
                let day = days_between(start, date);
                if let Some(slot) = usize::try_from(day).ok().and_then(|d| share.get_mut(d)) {
                    *slot = s;
                }
            }
        }
        let mut sum = vec![0.0];
        let mut so_far = 0.0;
        for s in share {
            so_far += s;
            sum.push(so_far);
        }
        Ok(Flight { sum })
    }

    fn before(&self, day: i32) -> f64 {
        let day = usize::try_from(day).unwrap_or(0);
        self.sum[day.min(self.sum.len() - 1)]
    }

    /// Day on which a sum is passed.
    fn day_of(&self, sum: f64) -> i32 {
        let past = self.sum.partition_point(|s| *s <= sum);
        past.saturating_sub(1) as i32
    }
}

/// Days of one generation, first and past the last; the flight is drawn over them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Window {
    pub(super) from: i32,
    pub(super) to: i32,
}

/// A generation of flyers.
#[derive(Debug, Clone, Default)]
pub(super) struct Generation {
    /// Cells with flyers, by index, and how many.
    pub(super) cells: Vec<(u32, u32)>,
    pub(super) insects: u32,
    pub(super) radius_m: f64,
}

/// What is true of the target in one world.
#[derive(Debug, Clone)]
pub(super) struct Truths {
    pub(super) params: DrawnParams,
    pub(super) spread: DrawnSpread,
}

/// One infested world.
#[derive(Debug)]
pub(super) struct World<'a> {
    pub(super) number: u64,
    pub(super) truths: &'a Truths,
    pub(super) arrived: i32,
    pub(super) origin: u32,
    pub(super) windows: Vec<Window>,
    pub(super) capped: bool,
    flight: Flight,
    generations: Vec<Generation>,
    kind: Kind,
    seed: u64,
    most: u32,
    land: &'a Landscape,
    distances: &'a Distances,
}

/// When an incursion arrives, if it does; days from the trial's first. `prior` and the yearly chance are those of the
/// world.
pub(super) fn arrival_day<R: Rng + ?Sized>(
    presence: Presence,
    prior: f64,
    per_year: f64,
    days: i32,
    rng: &mut R,
) -> Result<Option<i32>, ModelError> {
    if presence == Presence::Certain {
        return Ok(Some(0));
    }
    if rng.random::<f64>() < prior {
        return Ok(Some(0));
    }
    // The assurance lets an incursion arrive between two weeks.
    const WEEK: i32 = 7;
    let weekly = per_period(per_year, f64::from(WEEK))?;
    let mut day = WEEK;
    while day < days {
        if rng.random::<f64>() < weekly {
            return Ok(Some(day));
        }
        day += WEEK;
    }
    Ok(None)
}

impl<'a> World<'a> {
    #[allow(
        clippy::too_many_arguments,
        reason = "one private constructor; a struct for it would only repeat the names"
    )]
    pub(super) fn new(
        input: &Input<'_>,
        kind: Kind,
        number: u64,
        truths: &'a Truths,
        arrived: i32,
        land: &'a Landscape,
        distances: &'a Distances,
        luck: f64,
    ) -> Result<Self, ModelError> {
        let settings = input.settings;
        let days = days_of(input);
        Ok(World {
            number,
            truths,
            arrived,
            origin: land.arrival(luck),
            windows: windows(&truths.params, kind, input.weather, settings.from, arrived, days)?,
            capped: false,
            flight: Flight::new(&truths.params, input.weather, settings.from, days)?,
            generations: Vec::new(),
            kind,
            seed: settings.seed,
            most: settings.most_insects,
            land,
            distances,
        })
    }

    /// The generation's flyers; empty once it died out.
    pub(super) fn generation(&mut self, g: usize) -> &Generation {
        while self.generations.len() <= g {
            let next = self.next();
            self.generations.push(next);
        }
        &self.generations[g]
    }

    fn next(&mut self) -> Generation {
        let g = self.generations.len();
        let mut rng = stream(self.seed, self.number, Purpose::Growth, g as u64);
        let most = self.most;
        if self.kind == Kind::Design {
            return self.at_origin(poisson(self.truths.params.flyers, &mut rng).min(f64::from(most)) as u32);
        }
        let Some(parents) = self.generations.last() else {
            let founders = 1.0 + poisson(self.truths.spread.founders - 1.0, &mut rng);
            return self.at_origin(founders.min(f64::from(most)) as u32);
        };
        let spread = self.truths.spread;
        let room = f64::from(most) / f64::from(parents.insects.max(1));
        let growth = spread.growth.min(room);
        let mut capped = growth < spread.growth;
        let mut landed: Vec<u32> = Vec::new();
        for (cell, n) in &parents.cells {
            let n = f64::from(*n);
            let shape = n * spread.clumping;
            let mean = Gamma::new(shape, growth * n / shape).map_or(growth * n, |d| d.sample(&mut rng));
            let offspring = poisson(mean, &mut rng);
            let left = f64::from(most) * 2.0 - landed.len() as f64;
            capped |= offspring > left;
            for _ in 0..offspring.min(left.max(0.0)) as u32 {
                let r = spread.mean_m * self.distances.draw(&mut rng);
                let bearing = rng.random_range(0.0..std::f64::consts::TAU);
                let (x, y) = self.land.at[*cell as usize];
                let there = (x + r * bearing.cos(), y + r * bearing.sin());
                landed.push(self.land.landing(there).unwrap_or(*cell));
            }
        }
        self.capped |= capped;
        self.counted(landed)
    }

    fn at_origin(&self, insects: u32) -> Generation {
        Generation {
            cells: if insects > 0 {
                vec![(self.origin, insects)]
            } else {
                Vec::new()
            },
            insects,
            radius_m: 0.0,
        }
    }

    fn counted(&self, mut landed: Vec<u32>) -> Generation {
        landed.sort_unstable();
        let (x, y) = self.land.at[self.origin as usize];
        let mut generation = Generation {
            insects: landed.len() as u32,
            ..Generation::default()
        };
        for same in landed.chunk_by(|a, b| a == b) {
            let cell = same[0];
            let at = self.land.at[cell as usize];
            generation.radius_m = generation.radius_m.max((at.0 - x).hypot(at.1 - y));
            generation.cells.push((cell, same.len() as u32));
        }
        generation
    }

    /// Day on which a flyer of a generation flies, for a number from 0 to 1; `None` for one that does not within the
    /// trial. Flyers of the design incursion are spread over the whole season's flight, and those of the part before
    /// its arrival were never there; founders fly in what is left of their season.
    pub(super) fn flight_day(&self, g: usize, luck: f64) -> Option<i32> {
        let Window { from, to } = self.windows[g];
        let low = self.flight.before(from);
        let mass = self.flight.before(to) - low;
        if mass <= 0.0 {
            return None;
        }
        let at = match self.kind {
            Kind::Design if luck >= mass => return None,
            Kind::Design => luck,
            Kind::Growing => luck * mass,
        };
        let day = self.flight.day_of(low + at).clamp(from, to - 1);
        (day >= self.arrived).then_some(day)
    }
}

fn poisson<R: Rng + ?Sized>(mean: f64, rng: &mut R) -> f64 {
    if mean > 0.0 {
        Poisson::new(mean).map_or(mean.round(), |d| d.sample(rng))
    } else {
        0.0
    }
}

/// Days of a trial.
pub(super) fn days_of(input: &Input<'_>) -> i32 {
    i32::try_from(days_between(input.settings.from, input.settings.to)).unwrap_or(i32::MAX / 4) + 1
}

/// Generations from the arrival to the end.
fn windows(
    params: &DrawnParams,
    kind: Kind,
    weather: &Series,
    start: jiff::civil::Date,
    arrived: i32,
    days: i32,
) -> Result<Vec<Window>, ModelError> {
    let heat = params.heat;
    let years = heat.season_of(start)..=heat.season_of(plus_days(start, i64::from(days) - 1));
    let by_heat = match (kind, params.flight, params.generation_dd) {
        (Kind::Growing, FlightCurve::TemperatureDriven { .. }, Some(dd)) => Some(dd),
        _ => None,
    };
    let mut ends = Vec::new();
    match by_heat {
        Some(full) => {
            let mut sum = 0.0;
            for year in years {
                for day in heat.season(weather, year)?.days {
                    let number = i32::try_from(days_between(start, day.date)).unwrap_or(i32::MAX);
                    if number < arrived || number >= days {
                        continue;
                    }
                    sum += day.dd;
                    if sum >= full {
                        sum -= full;
                        ends.push(number + 1);
                    }
                }
            }
        }
        None => {
            for year in years {
                let first = *heat.season_range(year)?.start();
                ends.push(i32::try_from(days_between(start, first)).unwrap_or(i32::MAX));
            }
        }
    }
    // The design incursion's flyers are drawn over the whole of the season they arrive in.
    let mut from = arrived;
    if kind == Kind::Design {
        from = ends
            .iter()
            .copied()
            .filter(|e| *e <= arrived)
            .max()
            .unwrap_or(0)
            .max(0);
    }
    let mut out = Vec::new();
    for end in ends
        .into_iter()
        .chain([days])
        .filter(|e| *e > from)
        .collect::<Vec<_>>()
    {
        let to = end.min(days);
        if to > from {
            out.push(Window { from, to });
            from = to;
        }
    }
    Ok(out)
}
