//! What is given: ground, scenarios, spots and looks, checked once.

use std::collections::HashMap;

use super::Position;
use super::edge::{Known, distance_m, edge};
use super::error::{DelimitError, number, setting};

/// Hazards are capped here: `1 - exp(-30)` differs from 1 by 1e-13.
pub(crate) const HAZARD_CAP: f64 = 30.0;

/// An infested cell of a scenario.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Infested {
    /// Index of the cell.
    pub cell: u32,
    /// Insects from it that fly while the survey lasts, and would be known for what they are once caught: expected number, 0 or
    /// more.
    pub flyers: f64,
    /// Infested trees in it, 0 or more.
    pub trees: f64,
}

/// What may be true.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// How likely, 0 or more; only ratios matter.
    pub weight: f64,
    /// Its infested cells, each once.
    pub infested: Vec<Infested>,
}

/// Cells, scenarios and the pieces of their edges.
#[derive(Debug, Clone)]
pub struct Ground {
    pub(crate) cells: Vec<Position>,
    pub(crate) scenarios: Vec<Scenario>,
    pub(crate) known: Known,
    /// Weight of each scenario; they add up to 1.
    pub(crate) weight: Vec<f64>,
    /// Pieces of scenario j: `first[j]..first[j + 1]`.
    pub(crate) first: Vec<u32>,
    /// Weight of each piece.
    pub(crate) share: Vec<f64>,
    /// Scenario of each piece.
    pub(crate) of: Vec<u32>,
    /// What each cell gives to pieces: (piece, flyers, trees), from `gives_first[c]`.
    pub(crate) gives_first: Vec<u32>,
    pub(crate) gives: Vec<(u32, f64, f64)>,
    /// Weight of the scenarios that have no edge to find.
    pub(crate) bounded: f64,
}

impl Ground {
    /// Checks scenarios and takes their edges.
    ///
    /// # Errors
    /// No cell or scenario, a number out of its range, a cell named that is not there or twice, no scenario with a weight.
    pub fn new(cells: Vec<Position>, scenarios: Vec<Scenario>, known: Known) -> Result<Self, DelimitError> {
        known.check()?;
        if cells.is_empty() {
            return Err(DelimitError::Empty("cells"));
        }
        for (i, c) in cells.iter().enumerate() {
            number("cell", i, "x", c.x_m, true, "a finite number")?;
            number("cell", i, "y", c.y_m, true, "a finite number")?;
        }
        few(cells.len(), "cells")?;
        let mut total = 0.0;
        let mut last_named = vec![usize::MAX; cells.len()];
        for (j, s) in scenarios.iter().enumerate() {
            number("scenario", j, "weight", s.weight, s.weight >= 0.0, "0 or more")?;
            total += s.weight;
            for i in &s.infested {
                let cell = i.cell as usize;
                if cell >= cells.len() {
                    return Err(DelimitError::NoSuchIndex {
                        what: "cell",
                        item: "scenario",
                        index: j,
                        named: cell,
                        count: cells.len(),
                    });
                }
                number("scenario", j, "flyers", i.flyers, i.flyers >= 0.0, "0 or more")?;
                number(
                    "scenario",
                    j,
                    "infested trees",
                    i.trees,
                    i.trees >= 0.0,
                    "0 or more",
                )?;
                let once = last_named[cell] != j;
                number("scenario", j, "a cell", i.cell.into(), once, "named only once")?;
                last_named[cell] = j;
            }
        }
        setting("the weight of all scenarios", total, total > 0.0, "above 0")?;
        let mut ground = Ground {
            weight: scenarios.iter().map(|s| s.weight / total).collect(),
            first: vec![0],
            share: Vec::new(),
            of: Vec::new(),
            gives_first: Vec::new(),
            gives: Vec::new(),
            bounded: 0.0,
            cells,
            scenarios,
            known,
        };
        ground.take_edges()?;
        Ok(ground)
    }

    fn take_edges(&mut self) -> Result<(), DelimitError> {
        let mut gives: Vec<(u32, u32, f64, f64)> = Vec::new();
        for (j, s) in (0u32..).zip(&self.scenarios) {
            let at: Vec<Position> = s.infested.iter().map(|i| self.cells[i.cell as usize]).collect();
            let pieces = edge(&at, &self.known);
            let weight = self.weight[j as usize];
            if pieces.is_empty() {
                self.bounded += weight;
            }
            for piece in &pieces {
                let e = self.share.len() as u32;
                self.share.push(weight / pieces.len() as f64);
                self.of.push(j);
                for i in piece {
                    let i = s.infested[*i as usize];
                    gives.push((i.cell, e, i.flyers, i.trees));
                }
            }
            self.first.push(few(self.share.len(), "pieces of edges")?);
        }
        few(gives.len(), "infested cells")?;
        gives.sort_unstable_by_key(|g| (g.0, g.1));
        let mut k = 0;
        for c in 0..self.cells.len() as u32 {
            self.gives_first.push(k as u32);
            while k < gives.len() && gives[k].0 == c {
                k += 1;
            }
        }
        self.gives_first.push(k as u32);
        self.gives = gives.into_iter().map(|(_, e, n, m)| (e, n, m)).collect();
        Ok(())
    }

    /// How many cells there are.
    pub fn cells(&self) -> usize {
        self.cells.len()
    }

    /// How many pieces of edges there are to find, over all scenarios.
    pub fn pieces(&self) -> usize {
        self.share.len()
    }

    /// Chance that nothing lies outside even now, before any survey.
    pub fn bounded_already(&self) -> f64 {
        self.bounded
    }

    /// What is known and how the area is drawn.
    pub fn known(&self) -> &Known {
        &self.known
    }

    /// For each cell, the chance that it is part of the edge.
    pub fn edge_chance(&self) -> Vec<f64> {
        // A cell may stand in two pieces of one scenario: it counts once.
        let once = |cell: usize| {
            let mut last = u32::MAX;
            let mut sum = 0.0;
            for (e, ..) in self.gives_of(cell) {
                let j = self.of[*e as usize];
                if j != last {
                    sum += self.weight[j as usize];
                    last = j;
                }
            }
            sum
        };
        (0..self.cells.len()).map(once).collect()
    }

    pub(crate) fn gives_of(&self, cell: usize) -> &[(u32, f64, f64)] {
        &self.gives[self.gives_first[cell] as usize..self.gives_first[cell + 1] as usize]
    }
}

fn few(count: usize, what: &'static str) -> Result<u32, DelimitError> {
    u32::try_from(count)
        .ok()
        .filter(|n| *n < 4_000_000_000)
        .ok_or(DelimitError::TooMany(count, what))
}

/// Whether a spot may carry a trap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// It may.
    Free,
    /// A trap hangs there already and stays: it counts for the edge, not against the number of traps.
    Held,
    /// It may not: land that may not be used, a do-not-bait zone.
    Barred,
}

/// A spot where a trap may hang.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trap {
    /// Where.
    pub at: Position,
    /// Whether it may.
    pub usage: Use,
}

/// A look at trees of one cell: one tree or a block of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Index of the cell.
    pub cell: u32,
    /// Crew-hours it takes, 0 or more.
    pub hours: f64,
    /// Chance that it finds a given infested tree of the cell: share of the cell's trees looked at × sensitivity, 0 to 1.
    pub chance_each: f64,
}

/// What there is to spend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Traps K, above those that are held.
    pub traps: usize,
    /// Crew-hours of looks H, 0 or more.
    pub hours: f64,
    /// Least distance between traps, metres, 0 or more; held traps keep theirs whatever it is.
    pub spacing_m: f64,
}

/// Traps and looks to choose from, over a ground.
#[derive(Debug, Clone)]
pub struct Problem<'a> {
    pub(crate) ground: &'a Ground,
    pub(crate) traps: Vec<Trap>,
    pub(crate) looks: Vec<Look>,
    pub(crate) limits: Limits,
    /// Cells that trap i reaches: (cell, hazard), from `reach_first[i]`.
    pub(crate) reach_first: Vec<usize>,
    pub(crate) reach: Vec<(u32, f64)>,
    /// Hazard of each look on one infested tree.
    pub(crate) sight: Vec<f64>,
    /// Traps too close to each, as far as spacing asks.
    pub(crate) close: Vec<Vec<u32>>,
}

impl<'a> Problem<'a> {
    /// Traps see cells within `cutoff_m` with the chance `p(distance)`; above 1 counts as 1, below 0 as 0.
    ///
    /// # Errors
    /// A number out of its range, a look at a cell that is not there, a `p` that is no number.
    pub fn new(
        ground: &'a Ground,
        traps: Vec<Trap>,
        looks: Vec<Look>,
        cutoff_m: f64,
        p: impl Fn(f64) -> f64,
        limits: Limits,
    ) -> Result<Self, DelimitError> {
        setting("the cut-off", cutoff_m, cutoff_m > 0.0, "above 0 m")?;
        setting("the crew-hours", limits.hours, limits.hours >= 0.0, "0 or more")?;
        setting(
            "the spacing",
            limits.spacing_m,
            limits.spacing_m >= 0.0,
            "0 m or more",
        )?;
        few(traps.len() + looks.len(), "traps and looks")?;
        for (i, t) in traps.iter().enumerate() {
            number("trap", i, "x", t.at.x_m, true, "a finite number")?;
            number("trap", i, "y", t.at.y_m, true, "a finite number")?;
        }
        for (i, l) in looks.iter().enumerate() {
            if l.cell as usize >= ground.cells.len() {
                return Err(DelimitError::NoSuchIndex {
                    what: "cell",
                    item: "look",
                    index: i,
                    named: l.cell as usize,
                    count: ground.cells.len(),
                });
            }
            number("look", i, "hours", l.hours, l.hours >= 0.0, "0 or more")?;
            let is_share = (0.0..=1.0).contains(&l.chance_each);
            number(
                "look",
                i,
                "chance to find a tree",
                l.chance_each,
                is_share,
                "between 0 and 1",
            )?;
        }
        let near = Squares::new(&ground.cells, cutoff_m);
        let mut reach_first = vec![0];
        let mut reach = Vec::new();
        for (i, t) in traps.iter().enumerate() {
            let mut own: Vec<(u32, f64)> = Vec::new();
            for c in near.around(t.at) {
                let d = distance_m(t.at, ground.cells[c as usize]);
                // A cell that no scenario's edge holds says nothing about it.
                if d > cutoff_m || ground.gives_of(c as usize).is_empty() {
                    continue;
                }
                let chance = p(d);
                number("trap", i, "chance of capture", chance, true, "a finite number")?;
                let hazard = hazard_of(chance);
                if hazard > 0.0 {
                    own.push((c, hazard));
                }
            }
            own.sort_unstable_by_key(|(c, _)| *c);
            reach.extend(own);
            reach_first.push(reach.len());
        }
        let close = close_pairs(&traps, limits.spacing_m);
        Ok(Problem {
            ground,
            sight: looks.iter().map(|l| hazard_of(l.chance_each)).collect(),
            traps,
            looks,
            limits,
            reach_first,
            reach,
            close,
        })
    }

    /// Whether a choice keeps all limits, held traps left out of the list.
    pub fn allows(&self, traps: &[usize], looks: &[usize]) -> bool {
        let mut chosen = vec![false; self.traps.len()];
        let free = traps.iter().all(|t| self.traps[*t].usage == Use::Free);
        let once = traps.iter().all(|t| !std::mem::replace(&mut chosen[*t], true));
        let mut seen = vec![false; self.looks.len()];
        let looks_once = looks.iter().all(|l| !std::mem::replace(&mut seen[*l], true));
        let hours: f64 = looks.iter().map(|l| self.looks[*l].hours).sum();
        let held = |t: u32| self.traps[t as usize].usage == Use::Held;
        let apart = traps
            .iter()
            .all(|t| self.close[*t].iter().all(|o| !chosen[*o as usize] && !held(*o)));
        free && once
            && looks_once
            && apart
            && traps.len() <= self.limits.traps
            && hours <= self.limits.hours + 1e-9
    }

    pub(crate) fn reach_of(&self, trap: usize) -> &[(u32, f64)] {
        &self.reach[self.reach_first[trap]..self.reach_first[trap + 1]]
    }
}

fn hazard_of(chance: f64) -> f64 {
    (-(-chance.clamp(0.0, 1.0)).ln_1p()).min(HAZARD_CAP)
}

fn close_pairs(traps: &[Trap], spacing_m: f64) -> Vec<Vec<u32>> {
    let mut close = vec![Vec::new(); traps.len()];
    if spacing_m <= 0.0 {
        return close;
    }
    let at: Vec<Position> = traps.iter().map(|t| t.at).collect();
    let near = Squares::new(&at, spacing_m);
    for (i, t) in at.iter().enumerate() {
        let mut own: Vec<u32> = near
            .around(*t)
            .filter(|j| *j as usize != i && distance_m(*t, at[*j as usize]) < spacing_m)
            .collect();
        own.sort_unstable();
        close[i] = own;
    }
    close
}

/// Points in squares as wide as one looks.
struct Squares {
    wide_m: f64,
    inside: HashMap<(i64, i64), Vec<u32>>,
}

impl Squares {
    fn new(points: &[Position], wide_m: f64) -> Self {
        let mut inside: HashMap<(i64, i64), Vec<u32>> = HashMap::new();
        for (i, p) in (0u32..).zip(points) {
            inside.entry(Self::key(*p, wide_m)).or_default().push(i);
        }
        Squares { wide_m, inside }
    }

    fn key(p: Position, wide_m: f64) -> (i64, i64) {
        ((p.x_m / wide_m).floor() as i64, (p.y_m / wide_m).floor() as i64)
    }

    fn around(&self, at: Position) -> impl Iterator<Item = u32> {
        let (x, y) = Self::key(at, self.wide_m);
        (-1..=1)
            .flat_map(move |dx| (-1..=1).map(move |dy| (x.saturating_add(dx), y.saturating_add(dy))))
            .filter_map(|key| self.inside.get(&key))
            .flatten()
            .copied()
    }
}
