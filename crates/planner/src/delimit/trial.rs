//! A layout tried out: scenarios played insect by insect and tree by tree, and the plain question asked of each.
//!
//! It leans on none of the optimiser's formulas but the chance that one insect is caught, and it asks more than the optimiser does:
//! whether any infested cell lies outside the area that would be drawn, which is the convex hull of all finds and
//! `enclose_m` round it. The same seed draws the same worlds for every layout, so layouts are compared on common random numbers.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::Position;
use super::edge::distance_m;
use super::engine::Engine;
use super::error::{DelimitError, setting};
use super::problem::{Ground, Problem};
use super::spread::whole;

/// What happened over all worlds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Worlds played.
    pub worlds: u32,
    /// Share of them in which every piece of the edge was found.
    pub whole: f64,
    /// Mean share of the edge that was found.
    pub share: f64,
    /// Share of them in which nothing infested lay outside the area drawn.
    pub nothing_outside: f64,
    /// Mean number of cells in which something was found.
    pub finds: f64,
}

impl Trial {
    /// Standard error of a share of the worlds.
    pub fn standard_error(&self, share: f64) -> f64 {
        (share * (1.0 - share) / f64::from(self.worlds)).sqrt()
    }
}

/// One world, in whole numbers so that sums do not depend on the order.
#[derive(Debug, Clone, Copy, Default)]
struct World {
    whole: u64,
    outside: u64,
    finds: u64,
    /// Share of the edge in units of 2^-32.
    share: u64,
}

const UNIT: f64 = 4_294_967_296.0;

/// Plays a layout (indices of traps and of looks; held traps are in it) in `worlds` worlds.
///
/// # Errors
/// An index that names nothing, no world.
pub fn trial(
    problem: &Problem<'_>,
    traps: &[usize],
    looks: &[usize],
    worlds: u32,
    seed: u64,
) -> Result<Trial, DelimitError> {
    setting("the number of worlds", worlds.into(), worlds > 0, "1 or more")?;
    let engine = Engine::with(problem, problem.items(traps, looks)?);
    let ground = problem.ground;
    let caught: Vec<f64> = (0..ground.cells.len()).map(|c| engine.caught(c)).collect();
    let mut missed = vec![1.0; ground.cells.len()];
    for k in looks {
        let look = problem.looks[*k];
        missed[look.cell as usize] *= 1.0 - look.chance_each;
    }
    let mut upto = Vec::with_capacity(ground.weight.len());
    let mut sum = 0.0;
    for w in &ground.weight {
        sum += w;
        upto.push(sum);
    }
    let total = (0..worlds)
        .into_par_iter()
        .map(|n| {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(n.into());
            let u = rng.random::<f64>() * sum;
            let j = upto.partition_point(|s| *s <= u).min(upto.len() - 1);
            play(ground, j, &caught, &missed, &mut rng)
        })
        .reduce(World::default, |a, b| World {
            whole: a.whole + b.whole,
            outside: a.outside + b.outside,
            finds: a.finds + b.finds,
            share: a.share + b.share,
        });
    let each = |n: u64| n as f64 / f64::from(worlds);
    Ok(Trial {
        worlds,
        whole: each(total.whole),
        share: each(total.share) / UNIT,
        nothing_outside: 1.0 - each(total.outside),
        finds: each(total.finds),
    })
}

fn play(ground: &Ground, j: usize, caught: &[f64], missed: &[f64], rng: &mut ChaCha8Rng) -> World {
    let infested = &ground.scenarios[j].infested;
    let mut found = vec![false; infested.len()];
    for (i, cell) in infested.iter().enumerate() {
        let c = cell.cell as usize;
        // One number for each insect and each tree whatever the layout, so that all layouts meet the same world.
        for _ in 0..whole(cell.flyers, rng) {
            found[i] |= rng.random::<f64>() < caught[c];
        }
        for k in 0..cell.trees.ceil() as u64 {
            // A part of a tree hides the better.
            let part = (cell.trees - k as f64).min(1.0);
            found[i] |= rng.random::<f64>() >= missed[c].powf(part);
        }
    }
    let at = |i: usize| ground.cells[infested[i].cell as usize];
    let positions: Vec<Position> = (0..infested.len()).map(at).collect();
    let pieces = super::edge::edge(&positions, &ground.known);
    let seen = pieces
        .iter()
        .filter(|p| p.iter().any(|i| found[*i as usize]))
        .count();
    let share = if pieces.is_empty() {
        1.0
    } else {
        seen as f64 / pieces.len() as f64
    };
    let finds = (0..infested.len()).filter(|i| found[*i]).map(at);
    let hull = hull(ground.known.finds.iter().copied().chain(finds).collect());
    let out = |p: &Position| outside_m(&hull, *p) > ground.known.enclose_m;
    World {
        whole: u64::from(seen == pieces.len()),
        outside: u64::from(positions.iter().any(out)),
        finds: found.iter().filter(|f| **f).count() as u64,
        share: (share * UNIT) as u64,
    }
}

/// Twice the area of a triangle; above 0 where the turn is to the left.
fn turn(a: Position, b: Position, c: Position) -> f64 {
    (b.x_m - a.x_m) * (c.y_m - a.y_m) - (b.y_m - a.y_m) * (c.x_m - a.x_m)
}

/// The convex hull, counter-clockwise (Andrew 1979, Information Processing Letters 9:216-219).
fn hull(mut points: Vec<Position>) -> Vec<Position> {
    points.sort_by(|a, b| a.x_m.total_cmp(&b.x_m).then(a.y_m.total_cmp(&b.y_m)));
    points.dedup();
    if points.len() < 3 {
        return points;
    }
    let half = |points: &mut dyn Iterator<Item = Position>| {
        let mut chain: Vec<Position> = Vec::new();
        for p in points {
            while chain.len() > 1 && turn(chain[chain.len() - 2], chain[chain.len() - 1], p) <= 0.0 {
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut whole = half(&mut points.iter().copied());
    whole.extend(half(&mut points.iter().rev().copied()));
    whole
}

/// How far outside a hull a point lies, metres; 0 inside.
fn outside_m(hull: &[Position], p: Position) -> f64 {
    let n = hull.len();
    let side = |k: usize| (hull[k], hull[(k + 1) % n]);
    if n > 2 && (0..n).all(|k| turn(side(k).0, side(k).1, p) >= 0.0) {
        return 0.0;
    }
    let to_side = |k: usize| {
        let (a, b) = side(k);
        let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
        let length2 = dx * dx + dy * dy;
        let along = if length2 > 0.0 {
            (((p.x_m - a.x_m) * dx + (p.y_m - a.y_m) * dy) / length2).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let foot = Position {
            x_m: a.x_m + along * dx,
            y_m: a.y_m + along * dy,
        };
        distance_m(foot, p)
    };
    (0..n).map(to_side).fold(f64::INFINITY, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hull_and_how_far_outside_it() {
        let at = |x_m, y_m| Position { x_m, y_m };
        let square = hull(vec![
            at(0.0, 0.0),
            at(10.0, 10.0),
            at(5.0, 5.0),
            at(10.0, 0.0),
            at(0.0, 10.0),
            at(5.0, 0.0),
        ]);
        assert_eq!(square.len(), 4);
        for (p, far) in [
            (at(5.0, 5.0), 0.0),
            (at(13.0, 5.0), 3.0),
            (at(13.0, 14.0), 5.0),
            (at(10.0, 3.0), 0.0),
        ] {
            assert!((outside_m(&square, p) - far).abs() < 1e-12);
        }
        assert_eq!(outside_m(&hull(vec![at(1.0, 1.0)]), at(4.0, 5.0)), 5.0);
        assert_eq!(
            outside_m(
                &hull(vec![at(0.0, 0.0), at(4.0, 0.0), at(4.0, 0.0)]),
                at(2.0, 7.0)
            ),
            7.0
        );
    }
}
