//! Scenarios: how far it may have come, insect by insect, from where it may have begun.
//!
//! One draw begins in a cell taken by the chances of the origin, breeds for some generations, and every settled offspring flies by the
//! kernel to a host. What is not known (how many generations, how fast it breeds, how far it flies) is drawn too. A draw that
//! the finds already rule out is for the caller to leave out or weigh down.

use rand::{Rng, RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use rstar::RTree;
use rstar::primitives::GeomWithData;

use super::Position;
use super::error::{DelimitError, number, setting};
use super::problem::{Infested, Scenario};

/// What spreads and over which ground.
#[derive(Debug, Clone)]
pub struct Spread<'a> {
    /// Cells with hosts: their middles.
    pub cells: &'a [Position],
    /// Chance that it began in each cell, 0 or more; only ratios matter.
    pub origin: &'a [f64],
    /// Host trees in each cell, above 0.
    pub trees: &'a [f64],
    /// How far from a cell's middle a host of it may stand, metres: farther off an insect finds none and tries again.
    pub cell_m: f64,
    /// Share of flyers of which a catch would be known for what it is, 0 to 1.
    pub screening: f64,
    /// Settled insects on one infested tree before the next is counted infested, above 0.
    pub insects_a_tree: f64,
}

/// What is not known of one draw.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Life {
    /// Generations since it began, 0 or more.
    pub generations: u32,
    /// Insects that began it, 1 or more.
    pub founders: u32,
    /// Settled offspring of one insect, 0 or more.
    pub growth: f64,
}

/// Insects of one generation beyond which only this many are followed, each standing for several.
const MOST_INSECTS: usize = 4000;
/// Flights tried before an insect is given up: hosts are sought, but not for ever (design choice).
const TRIES: usize = 6;

impl Spread<'_> {
    /// `draws` equally likely scenarios. `life` draws what is not known, `flight_m` a distance flown; both get a random stream of
    /// the draw's own, so the same seed gives the same scenarios, whatever the number of threads.
    ///
    /// # Errors
    /// Lists of different lengths, a number out of its range, no origin, no draw, a growth or a flight that is no number.
    pub fn scenarios(
        &self,
        draws: u32,
        seed: u64,
        life: impl Fn(&mut ChaCha8Rng) -> Life + Sync,
        flight_m: impl Fn(&mut ChaCha8Rng) -> f64 + Sync,
    ) -> Result<Vec<Scenario>, DelimitError> {
        self.check()?;
        setting("the number of scenarios", draws.into(), draws > 0, "1 or more")?;
        let mut upto = Vec::with_capacity(self.origin.len());
        let mut sum = 0.0;
        for o in self.origin {
            sum += o;
            upto.push(sum);
        }
        let near = RTree::bulk_load(
            self.cells
                .iter()
                .enumerate()
                .map(|(i, c)| GeomWithData::new([c.x_m, c.y_m], i))
                .collect(),
        );
        (0..draws)
            .into_par_iter()
            .map(|n| {
                let mut rng = ChaCha8Rng::seed_from_u64(seed);
                rng.set_stream(n.into());
                let u = rng.random::<f64>() * sum;
                let first = upto.partition_point(|s| *s <= u).min(upto.len() - 1);
                let life = life(&mut rng);
                setting("the growth", life.growth, life.growth >= 0.0, "0 or more")?;
                self.scenario(first, life, &near, &flight_m, &mut rng)
            })
            .collect()
    }

    fn check(&self) -> Result<(), DelimitError> {
        if self.cells.is_empty() {
            return Err(DelimitError::Empty("cells"));
        }
        for (what, given) in [
            ("chances of the origin", self.origin.len()),
            ("trees", self.trees.len()),
        ] {
            let (given, needed) = (given as f64, self.cells.len() as f64);
            setting(what, given, given == needed, "one for each cell")?;
        }
        for (i, c) in self.cells.iter().enumerate() {
            number("cell", i, "x", c.x_m, true, "a finite number")?;
            number("cell", i, "y", c.y_m, true, "a finite number")?;
            number(
                "cell",
                i,
                "chance of the origin",
                self.origin[i],
                self.origin[i] >= 0.0,
                "0 or more",
            )?;
            number("cell", i, "trees", self.trees[i], self.trees[i] > 0.0, "above 0")?;
        }
        let all: f64 = self.origin.iter().sum();
        setting("the chance of all origins", all, all > 0.0, "above 0")?;
        setting("the size of a cell", self.cell_m, self.cell_m > 0.0, "above 0 m")?;
        let ok = (0.0..=1.0).contains(&self.screening);
        setting("the screening", self.screening, ok, "between 0 and 1")?;
        setting(
            "insects a tree",
            self.insects_a_tree,
            self.insects_a_tree > 0.0,
            "above 0",
        )
    }

    fn scenario(
        &self,
        first: usize,
        life: Life,
        near: &RTree<GeomWithData<[f64; 2], usize>>,
        flight_m: &impl Fn(&mut ChaCha8Rng) -> f64,
        rng: &mut ChaCha8Rng,
    ) -> Result<Scenario, DelimitError> {
        let mut now: Vec<u32> = vec![first as u32; life.founders.max(1) as usize];
        // Every insect followed stands for this many.
        let mut each = 1.0;
        let mut ever: Vec<u32> = now.clone();
        for _ in 0..life.generations {
            let mut next = Vec::new();
            for &cell in &now {
                for _ in 0..whole(life.growth, rng) {
                    if let Some(to) = self.fly(cell as usize, near, flight_m, rng)? {
                        next.push(to as u32);
                    }
                }
            }
            if next.is_empty() {
                break;
            }
            if next.len() > MOST_INSECTS {
                each *= next.len() as f64 / MOST_INSECTS as f64;
                // A random part, not the first: those come from the first parents.
                for i in 0..MOST_INSECTS {
                    let j = rng.random_range(i..next.len());
                    next.swap(i, j);
                }
                next.truncate(MOST_INSECTS);
            }
            ever.extend(&next);
            now = next;
        }
        ever.sort_unstable();
        ever.dedup();
        now.sort_unstable();
        let count = |cell: u32| {
            let from = now.partition_point(|c| *c < cell);
            (now[from..].partition_point(|c| *c == cell)) as f64 * each
        };
        let infested = ever.iter().map(|&cell| {
            let insects = count(cell);
            let trees = self.trees[cell as usize];
            Infested {
                cell,
                flyers: insects * self.screening,
                // Where it bred once the tree keeps the signs, even if none is left to fly.
                trees: (insects / self.insects_a_tree)
                    .ceil()
                    .clamp(1.0_f64.min(trees), trees),
            }
        });
        Ok(Scenario {
            weight: 1.0,
            infested: infested.collect(),
        })
    }

    fn fly(
        &self,
        from: usize,
        near: &RTree<GeomWithData<[f64; 2], usize>>,
        flight_m: &impl Fn(&mut ChaCha8Rng) -> f64,
        rng: &mut ChaCha8Rng,
    ) -> Result<Option<usize>, DelimitError> {
        let start = self.cells[from];
        for _ in 0..TRIES {
            // From anywhere in the cell, else short flights would never leave it.
            let within = |rng: &mut ChaCha8Rng| (rng.random::<f64>() - 0.5) * self.cell_m;
            let d = flight_m(rng);
            setting("a distance flown", d, d >= 0.0, "0 m or more")?;
            let turn = rng.random::<f64>() * std::f64::consts::TAU;
            let x = start.x_m + within(rng) + d * turn.cos();
            let y = start.y_m + within(rng) + d * turn.sin();
            let Some(cell) = near.nearest_neighbor(&[x, y]) else {
                break;
            };
            let [cx, cy] = *cell.geom();
            if (cx - x).hypot(cy - y) <= self.cell_m {
                return Ok(Some(cell.data));
            }
        }
        Ok(None)
    }
}

/// A Poisson number by Knuth's products (1969, Seminumerical Algorithms 3.4.1), in parts so that none underflows.
pub(crate) fn whole<R: Rng>(mean: f64, rng: &mut R) -> u64 {
    const PART: f64 = 20.0;
    let mut left = mean;
    let mut n = 0;
    while left > 0.0 {
        let floor = (-left.min(PART)).exp();
        left -= PART;
        let mut product: f64 = rng.random();
        while product > floor {
            n += 1;
            product *= rng.random::<f64>();
        }
    }
    n
}
