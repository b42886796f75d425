//! The regulated area: drawn round finds by a rule, moved outward to what people can recognise, told in words.
//!
//! [`draw`] takes finds, the rule ([`AreaRule`]), parcels, named lines and administrative units, and gives one [`Drawn`] for each
//! ring of the rule. **The boundary never moves inward**: what is drawn holds every disc, square or unit that the rule requires,
//! every ring holds the ring inside it, and a version holds the version before it where one is given.
//! Cells are the one exception: a disc that only just reaches over the side of a cell, by less than a millimetre, does not
//! bring the next row of cells (so four and a half cells are nine, whatever the rounding).
//!
//! How it goes: geodesic discs on WGS 84 (Karney 2013), as polygons that lie outside the true circle by
//! [`DISC_MARGIN_M`] to [`DISC_MARGIN_M`] + [`DISC_ERROR_M`] metres; single finds near the area become epicentres of their own;
//! zones nearer than the gap become one with the land between (a morphological closing, and every shortest way across a gap);
//! enclosed land is taken in, but for holes that the rule keeps; then the rule's snapping, in the rule's order. Parcels are
//! looked at again at the end, since a line or a leg may have come to split one.
//!
//! All of it is proposed: an authority draws the area, and the law of the place decides. Areas across the 180th meridian or
//! within ten degrees of a pole are refused.

use std::collections::BTreeSet;

use earlywood_model::ModelError;
use earlywood_model::record::{Area, Position};
use earlywood_model::regulated::{AreaRule, FARTHEST_M, Shape, Snap};
use geo::{Area as _, Coord, MultiPolygon, Polygon};
use rayon::prelude::*;
use serde_json::{Value, json};

use crate::area::area_m2;
use crate::geodesy::Frame;

mod grid;
mod legs;
mod lines;
mod parcels;
mod plane;
#[cfg(test)]
mod tests;
mod walk;

pub use plane::{DISC_ERROR_M, DISC_MARGIN_M};
pub use walk::{Along, Stretch, Walk, bearing_deg, position_words};

use parcels::{Parcels, Taken, check_all, share, take_whole};
use plane::{
    Ground, apart, closed, disc, disc_box, edge_index, inside_index, is_inside, joined, mended, to_area,
    to_plane, union_near_first, with, without_holes,
};
use walk::{Mark, Marks, rings_of, walks};

/// No ground nearer to a pole than this latitude, degrees. Design choice.
const MOST_LAT: f64 = 80.0;
/// Steps that took in less than this are not told, m2.
const TOLD_M2: f64 = 1.0;

/// Why no area was drawn.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum BoundaryError {
    /// No find at all.
    #[error("there is no confirmed find to draw an area round")]
    NoFinds,
    /// The rule knows satellites, but no find is an epicentre.
    #[error(
        "none of the {finds} finds is an epicentre by itself, and the rule only adds single finds to an area: name at least one as epicentre"
    )]
    NoEpicentre {
        /// How many finds there are.
        finds: usize,
    },
    /// The rule can't be used.
    #[error(transparent)]
    Rule(#[from] ModelError),
    /// A find that can't be used.
    #[error("find {id}: {why}")]
    Find {
        /// Its id.
        id: String,
        /// What is wrong with it.
        why: String,
    },
    /// Finds too far from each other for one area.
    #[error(
        "find {id} lies {apart_km:.0} km from the middle of the finds; an area is drawn for finds within {most_km:.0} km of it: respond to them apart"
    )]
    TooFarApart {
        /// The farthest find.
        id: String,
        /// How far, km.
        apart_km: f64,
        /// The limit, km.
        most_km: f64,
    },
    /// Too near a pole, or across the 180th meridian.
    #[error("the area would reach {what}; such an area is not drawn here: draw it by hand")]
    Edge {
        /// What it would reach.
        what: &'static str,
    },
    /// A parcel, unit or older area whose polygon can't be used.
    #[error("{what} {label}: {rule} ({value}); mend its polygon and load it again")]
    Polygon {
        /// What it is.
        what: &'static str,
        /// Its label.
        label: String,
        /// What it breaks.
        rule: String,
        /// The offending value.
        value: String,
    },
    /// A line that can't be used.
    #[error(
        "line {name}: it has a corner outside the globe, or fewer than two corners; mend it and load it again"
    )]
    Line {
        /// Its name.
        name: String,
    },
    /// Whole units are asked for and none meets the area.
    #[error(
        "the rule takes whole administrative units, and none of the {units} units meets the area round the finds: load the zones"
    )]
    NoUnits {
        /// How many units were given.
        units: usize,
    },
    /// A grid too fine.
    #[error("with cells of {side_m} m the area has more than four million cells; give side_m larger")]
    TooManyCells {
        /// Side of a cell, metres.
        side_m: f64,
    },
    /// The arithmetic gave no sound polygon.
    #[error(
        "the boundary of ring \"{ring}\" came out unsound ({why}); leave out the parcels or lines there, and report this"
    )]
    Unsound {
        /// The ring's id.
        ring: String,
        /// What is wrong with it.
        why: String,
    },
}

/// A confirmed find.
#[derive(Debug, Clone, PartialEq)]
pub struct Find {
    /// Its id, as people call it.
    pub id: String,
    /// Where.
    pub at: Position,
    /// Whether an area is drawn round it whatever else was found; a find that is none is drawn by the rule's `satellite`.
    /// Without such a part in the rule every find is one.
    pub epicentre: bool,
    /// Signs counted there (exit holes, insects); `None` where nobody counted.
    pub signs: Option<u32>,
}

/// A named polygon: a parcel, a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Labelled<'a> {
    /// Its label.
    pub label: &'a str,
    /// Its ground.
    pub area: &'a Area,
}

/// A named line: a road, a creek. Lines of one name may come in pieces; lines without a name are not followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NamedLine<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its corners, `[longitude, latitude]`.
    pub line: &'a [[f64; 2]],
}

/// What an area is drawn from.
#[derive(Debug, Clone, Copy)]
pub struct Inputs<'a> {
    /// The rule.
    pub rule: &'a AreaRule,
    /// Confirmed finds, the oldest first (the first holds the grid where the rule has no anchor for it).
    pub finds: &'a [Find],
    /// Parcels that are kept whole.
    pub parcels: &'a [Labelled<'a>],
    /// Lines that a boundary may follow.
    pub lines: &'a [NamedLine<'a>],
    /// Administrative units.
    pub units: &'a [Labelled<'a>],
    /// The version that holds now, ring by ring by id; what is drawn holds it.
    pub held: &'a [Labelled<'a>],
}

/// One step of the drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Short word for it: "round", "satellites", "inner", "held", "merge", "holes", "squares", "units", "parcels", "lines",
    /// "legs", "parcels-again", "mended".
    pub what: &'static str,
    /// What was done, in words.
    pub words: String,
    /// Land taken in by it, km2.
    pub added_km2: f64,
    /// Finds, parcels, lines or units it concerns.
    pub names: Vec<String>,
    /// The area after it.
    pub after: Area,
}

/// A ring of a regulated area, drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawn {
    /// The ring's id.
    pub ring: String,
    /// What it is called.
    pub words: String,
    /// All the ground within its boundary, inner rings included; rings turned as RFC 7946 says.
    pub area: Area,
    /// Ground, km2 on the WGS 84 ellipsoid.
    pub km2: f64,
    /// Length of its boundary, km.
    pub perimeter_km: f64,
    /// How it came to be, in order.
    pub steps: Vec<Step>,
    /// Finds drawn round.
    pub finds: Vec<String>,
    /// Single finds that the rule leaves out, with their distance to the area, metres: for a person to decide.
    pub left_out: Vec<(String, f64)>,
    /// Parcels taken whole.
    pub parcels: Vec<String>,
    /// Parcels that stay split, being larger than the rule takes.
    pub split_parcels: Vec<String>,
    /// Named lines followed.
    pub lines: Vec<String>,
    /// Units taken whole.
    pub units: Vec<String>,
    /// Cells, where it is made of squares.
    pub cells: Option<usize>,
    /// Walks round it.
    pub walks: Vec<Walk>,
    /// What a reader must know, in words.
    pub notes: Vec<String>,
}

/// Draws the area, ring by ring, the innermost first.
///
/// # Errors
/// No find, no epicentre, a rule or a find that can't be used, a self-crossing parcel, an area at a pole or across the 180th
/// meridian; see [`BoundaryError`].
pub fn draw(inputs: &Inputs<'_>) -> Result<Vec<Drawn>, BoundaryError> {
    let job = Job::new(inputs)?;
    let mut out: Vec<Drawn> = Vec::new();
    let mut inner: Option<Ground> = None;
    for at in 0..inputs.rule.rings.len() {
        let (drawn, ground) = job.ring(at, inner.as_ref())?;
        out.push(drawn);
        inner = Some(ground);
    }
    Ok(out)
}

/// The finds drawn round, with how far each ring reaches from them.
struct Epicentre<'a> {
    find: &'a Find,
    /// Whether it came in as a satellite.
    satellite: bool,
}

struct Job<'a> {
    inputs: &'a Inputs<'a>,
    frame: Frame,
    epicentres: Vec<Epicentre<'a>>,
    left_out: Vec<(String, f64)>,
    parcels: Parcels<'a>,
    units: Parcels<'a>,
    gap_m: Option<f64>,
    keep_m2: f64,
}

impl<'a> Job<'a> {
    fn new(inputs: &'a Inputs<'a>) -> Result<Self, BoundaryError> {
        let rule = inputs.rule;
        rule.check()?;
        check_finds(inputs)?;
        check_all("parcel", inputs.parcels)?;
        check_all("unit", inputs.units)?;
        check_all("the area that holds now, ring", inputs.held)?;
        check_lines(inputs.lines)?;
        let frame = frame(inputs)?;
        let mut job = Job {
            inputs,
            frame,
            epicentres: Vec::new(),
            left_out: Vec::new(),
            parcels: Parcels::new(inputs.parcels, frame),
            units: Parcels::new(inputs.units, frame),
            gap_m: rule.gap_m.as_ref().map(earlywood_model::param::Param::central),
            keep_m2: rule
                .keep_holes_km2
                .as_ref()
                .map_or(f64::INFINITY, |km2| km2.central() * 1e6),
        };
        job.choose_epicentres()?;
        Ok(job)
    }

    fn xy(&self, p: Position) -> Coord<f64> {
        let xy = self.frame.to_xy_exact(p);
        Coord { x: xy.x_m, y: xy.y_m }
    }

    /// How far a ring reaches from an epicentre, metres.
    fn reach_m(&self, ring: usize, one: &Epicentre<'_>) -> f64 {
        let rule = self.inputs.rule;
        let own = rule.rings[ring].reach_m(rule.is_dense(one.find.signs));
        match rule.satellite.as_ref().and_then(|s| s.radius_m.as_ref()) {
            // A satellite's radius replaces the ring's own, but never for a find with many signs.
            Some(radius) if one.satellite && !rule.is_dense(one.find.signs) => radius.central(),
            _ => own,
        }
    }

    fn is_squares(&self) -> bool {
        matches!(self.inputs.rule.shape, Shape::Squares { .. })
    }

    /// What a ring requires about one epicentre: a disc, or the box about it where cells are taken.
    fn required(&self, ring: usize, one: &Epicentre<'_>) -> (Coord<f64>, Polygon<f64>) {
        let (at, reach_m) = (self.xy(one.find.at), self.reach_m(ring, one));
        if self.is_squares() {
            let (low, high) = disc_box(&self.frame, one.find.at, reach_m);
            return (at, grid::rectangle(low.x, low.y, high.x, high.y));
        }
        (at, disc(&self.frame, one.find.at, reach_m))
    }

    fn round(&self, ring: usize, of: &[Epicentre<'_>]) -> Ground {
        union_near_first(of.par_iter().map(|one| self.required(ring, one)).collect())
    }

    fn merged(&self, ground: Ground) -> Ground {
        let Some(gap_m) = self.gap_m else {
            return ground;
        };
        let before_m2 = ground.unsigned_area();
        let merged = joined(closed(ground, gap_m), gap_m);
        // Cells are counted on what is there to the millimetre, and leave no slits; else a centimetre more closes them.
        if self.is_squares() || merged.unsigned_area() - before_m2 < TOLD_M2 {
            return merged;
        }
        mended(merged)
    }

    /// Finds that are epicentres by themselves, and single finds that lie in or near the area they make, until no more do.
    fn choose_epicentres(&mut self) -> Result<(), BoundaryError> {
        let finds = self.inputs.finds;
        let all = |find| Epicentre {
            find,
            satellite: false,
        };
        let Some(satellite) = &self.inputs.rule.satellite else {
            self.epicentres = finds.iter().map(all).collect();
            return Ok(());
        };
        self.epicentres = finds.iter().filter(|f| f.epicentre).map(all).collect();
        if self.epicentres.is_empty() {
            return Err(BoundaryError::NoEpicentre { finds: finds.len() });
        }
        let mut waiting: Vec<&Find> = finds.iter().filter(|f| !f.epicentre).collect();
        let (within_m, last) = (satellite.within_m.central(), self.inputs.rule.rings.len() - 1);
        let mut ground = self.merged(self.round(last, &self.epicentres));
        loop {
            let (inside, tree) = (inside_index(&ground), edge_index(&ground));
            let off_m = |find: &Find| {
                let p = self.xy(find.at);
                let nearest = tree.nearest_neighbor(&[p.x, p.y]);
                if is_inside(&inside, p) {
                    0.0
                } else {
                    nearest.map_or(f64::INFINITY, |e| apart(p, e.nearest(p)))
                }
            };
            let (near, far): (Vec<&Find>, Vec<&Find>) =
                waiting.iter().partition(|find| off_m(find) <= within_m);
            if near.is_empty() {
                self.left_out = far.iter().map(|find| (find.id.clone(), off_m(find))).collect();
                return Ok(());
            }
            let new: Vec<Epicentre<'_>> = near
                .into_iter()
                .map(|find| Epicentre {
                    find,
                    satellite: true,
                })
                .collect();
            ground = self.merged(with(&ground, self.round(last, &new).0));
            self.epicentres.extend(new);
            waiting = far;
        }
    }

    /// Draws one ring round what the ring inside it is.
    fn ring(&self, at: usize, inner: Option<&Ground>) -> Result<(Drawn, Ground), BoundaryError> {
        let rule = self.inputs.rule;
        let mut work = Work {
            job: self,
            steps: Vec::new(),
            ground: MultiPolygon::new(vec![]),
            m2: 0.0,
        };
        self.draw_round(at, &mut work);
        if let Some(inner) = inner {
            work.step(
                "inner",
                "the ring inside it, as it was drawn".into(),
                vec![],
                |g| with(&g, inner.0.iter().cloned()),
            );
        }
        if let Some(held) = self
            .inputs
            .held
            .iter()
            .find(|held| held.label == rule.rings[at].id)
        {
            let held = to_plane(&self.frame, held.area);
            work.step("held", "the version that holds now".into(), vec![], |g| {
                with(&g, held.0)
            });
        }
        if let Some(gap_m) = self.gap_m {
            let words = format!("zones nearer to each other than {gap_m} m made one, with the land between");
            work.step("merge", words, vec![], |g| self.merged(g));
        }
        work.fill();
        let (cells, units) = self.whole_pieces(&mut work)?;
        let (taken, lines) = self.snap(&mut work);
        self.finish(at, work, cells, &units, &taken, lines)
    }

    fn draw_round(&self, at: usize, work: &mut Work<'_>) {
        let ids = |satellite: bool| {
            let mine = self.epicentres.iter().filter(|e| e.satellite == satellite);
            mine.map(|e| e.find.id.clone()).collect::<Vec<_>>()
        };
        let (own, more): (Vec<&Epicentre<'_>>, Vec<&Epicentre<'_>>) =
            self.epicentres.iter().partition(|e| !e.satellite);
        let ground_of = |of: Vec<&Epicentre<'_>>| {
            let parts = of.into_par_iter().map(|one| self.required(at, one));
            union_near_first(parts.collect())
        };
        let ring = &self.inputs.rule.rings[at];
        let mut words = format!("within {} m of each find", ring.radius_m.central());
        let dense = self
            .epicentres
            .iter()
            .filter(|e| self.inputs.rule.is_dense(e.find.signs))
            .count();
        if let Some(far) = ring.dense_radius_m.as_ref().filter(|_| dense > 0) {
            words.push_str(&format!(
                "; within {} m of {dense} with many signs",
                far.central()
            ));
        }
        work.step("round", words, ids(false), |_| ground_of(own));
        if !more.is_empty() {
            let words = "single finds in or near the area, each with a radius of its own".into();
            work.step("satellites", words, ids(true), |g| with(&g, ground_of(more).0));
        }
    }

    /// Whole cells, or whole units, where the rule asks for them.
    fn whole_pieces(&self, work: &mut Work<'_>) -> Result<(Option<usize>, BTreeSet<usize>), BoundaryError> {
        match &self.inputs.rule.shape {
            Shape::Radius {} => Ok((None, BTreeSet::new())),
            Shape::Squares { side_m, .. } => {
                let side_m = side_m.central();
                let (cells, count) = grid::cells_met(&work.ground, side_m)?;
                work.step("squares", format!("whole cells of {side_m} m"), vec![], |_| cells);
                Ok((Some(count), BTreeSet::new()))
            }
            Shape::Units {} => {
                let met: Vec<(usize, Ground)> = self
                    .units
                    .about(&work.ground)
                    .into_par_iter()
                    .map(|i| (i, self.units.plane(i)))
                    .filter(|(_, unit)| share(unit, &work.ground).is_met())
                    .collect();
                if met.is_empty() {
                    return Err(BoundaryError::NoUnits {
                        units: self.inputs.units.len(),
                    });
                }
                let names = met.iter().map(|(i, _)| self.units.label(*i).to_owned()).collect();
                let numbers = met.iter().map(|(i, _)| *i).collect();
                work.step("units", "whole administrative units".into(), names, |g| {
                    with(&g, met.into_iter().flat_map(|(_, unit)| unit.0))
                });
                work.fill();
                Ok((None, numbers))
            }
        }
    }

    fn snap(&self, work: &mut Work<'_>) -> (Taken, BTreeSet<String>) {
        let (mut taken, mut names) = (Taken::default(), BTreeSet::new());
        let mut largest_m2 = None;
        for snap in &self.inputs.rule.snap {
            match snap {
                Snap::Parcels { largest_km2 } => {
                    let m2 = largest_km2
                        .as_ref()
                        .map_or(f64::INFINITY, |km2| km2.central() * 1e6);
                    largest_m2 = Some(m2);
                    self.take_parcels(work, &mut taken, m2, "parcels");
                }
                Snap::Lines { within_m, least_m } => {
                    let (ground, followed) = lines::follow(
                        &self.frame,
                        &work.ground,
                        self.inputs.lines,
                        within_m.central(),
                        least_m.central(),
                    );
                    names.extend(followed.iter().cloned());
                    let words = format!("named lines within {} m outside it", within_m.central());
                    work.step("lines", words, followed.into_iter().collect(), |_| ground);
                    work.fill();
                }
                Snap::Legs { within_m } => {
                    let marks = self.marks(&taken, &names, &BTreeSet::new(), &work.ground);
                    let made_of_squares = self.is_squares();
                    let m = within_m.central();
                    work.step(
                        "legs",
                        format!("straight legs no more than {m} m outside what was a curve"),
                        vec![],
                        |g| {
                            if made_of_squares {
                                g
                            } else {
                                // What runs along a line or a limit, be it in part, stays there.
                                let curved = |a, b| marks.pieces(a, b).iter().all(|(_, mark)| mark.is_none());
                                legs::straightened(&g, m, curved)
                            }
                        },
                    );
                    work.fill();
                }
            }
        }
        if let Some(m2) = largest_m2 {
            self.take_parcels(work, &mut taken, m2, "parcels-again");
        }
        (taken, names)
    }

    fn take_parcels(&self, work: &mut Work<'_>, taken: &mut Taken, largest_m2: f64, what: &'static str) {
        let before: BTreeSet<usize> = taken.whole.keys().copied().collect();
        let ground = take_whole(work.ground.clone(), &self.parcels, largest_m2, taken);
        let new = taken.whole.keys().filter(|i| !before.contains(i));
        let names: Vec<String> = new.map(|&i| self.parcels.label(i).to_owned()).collect();
        // Looked at again and nothing there: not a step.
        if what != "parcels" && names.is_empty() {
            return;
        }
        let words = "parcels that the boundary would split, taken whole".into();
        work.step(what, words, names, |_| ground);
        work.fill();
    }

    /// What the boundary may run along: lines before limits, since people know them better.
    fn marks(
        &self,
        taken: &Taken,
        names: &BTreeSet<String>,
        units: &BTreeSet<usize>,
        ground: &Ground,
    ) -> Marks {
        let near = if names.is_empty() {
            Vec::new()
        } else {
            lines::lines_near(&self.frame, ground, self.inputs.lines, 1.0)
        };
        let followed = near
            .into_iter()
            .map(|i| &self.inputs.lines[i])
            .filter(|line| names.contains(line.name));
        let roads = followed.map(|line| {
            (
                Mark::Line(line.name.to_owned()),
                vec![plane::line_to_plane(&self.frame, line.line)],
            )
        });
        let limits = taken
            .whole
            .iter()
            .map(|(&i, parcel)| (Mark::Parcel(self.parcels.label(i).to_owned()), rings_of(parcel)));
        let units = units.iter().map(|&i| {
            (
                Mark::Unit(self.units.label(i).to_owned()),
                rings_of(&self.units.plane(i)),
            )
        });
        Marks::new(roads.chain(limits).chain(units))
    }

    fn finish(
        &self,
        at: usize,
        mut work: Work<'_>,
        cells: Option<usize>,
        units: &BTreeSet<usize>,
        taken: &Taken,
        lines: BTreeSet<String>,
    ) -> Result<(Drawn, Ground), BoundaryError> {
        let rule = self.inputs.rule;
        // The largest part is told first.
        work.ground
            .0
            .sort_by(|a, b| b.unsigned_area().total_cmp(&a.unsigned_area()));
        let area = self.sound_area(&rule.rings[at].id, &mut work)?;
        let straight = cells.is_some() || rule.snap.iter().any(|snap| matches!(snap, Snap::Legs { .. }));
        let marks = self.marks(taken, &lines, units, &work.ground);
        let walks = walks(&self.frame, &work.ground, &marks, straight);
        let label = |i: &usize| self.parcels.label(*i).to_owned();
        let drawn = Drawn {
            ring: rule.rings[at].id.clone(),
            words: rule.rings[at].words.clone(),
            km2: area_m2(&area) / 1e6,
            perimeter_km: crate::area::perimeter_m(&area) / 1e3,
            area,
            finds: self.epicentres.iter().map(|e| e.find.id.clone()).collect(),
            left_out: self.left_out.clone(),
            parcels: taken.whole.keys().map(label).collect(),
            split_parcels: taken.split.iter().map(label).collect(),
            lines: lines.into_iter().collect(),
            units: units.iter().map(|&i| self.units.label(i).to_owned()).collect(),
            cells,
            walks,
            notes: self.notes(&work, taken),
            steps: work.steps,
        };
        Ok((drawn, work.ground))
    }

    /// The ground in degrees; where rounding left a knot in it, grown by a centimetre or two until there is none.
    fn sound_area(&self, ring: &str, work: &mut Work<'_>) -> Result<Area, BoundaryError> {
        let mut area = to_area(&self.frame, &work.ground);
        for _ in 0..3 {
            if check_sound(ring, &area).is_ok() {
                break;
            }
            let words = "a centimetre more all round, where rounding had left a knot".into();
            work.step("mended", words, vec![], mended);
            work.fill();
            area = to_area(&self.frame, &work.ground);
        }
        check_sound(ring, &area)?;
        Ok(area)
    }

    fn notes(&self, work: &Work<'_>, taken: &Taken) -> Vec<String> {
        let mut notes = self.inputs.rule.warnings();
        if !taken.split.is_empty() {
            let names: Vec<&str> = taken.split.iter().map(|&i| self.parcels.label(i)).collect();
            notes.push(format!(
                "Larger than the rule takes whole, and split by the boundary: {}.",
                names.join(", ")
            ));
        }
        for (id, off_m) in &self.left_out {
            notes.push(format!("Find {id} is no epicentre and lies {off_m:.0} m outside: a person decides whether it is drawn round."));
        }
        if work.ground.0.len() > 1 {
            notes.push(format!("It is in {} parts.", work.ground.0.len()));
        }
        let circle = if self.is_squares() {
            String::new()
        } else {
            let out_m = DISC_MARGIN_M + DISC_ERROR_M;
            format!("; a circle is drawn as a polygon at most {out_m:.2} m outside it")
        };
        notes.push(format!("Distances are geodesics on WGS 84{circle}. It is a proposal: the authority draws the area, and the law of the place decides."));
        notes
    }
}

/// A ring while it is drawn.
struct Work<'a> {
    job: &'a Job<'a>,
    steps: Vec<Step>,
    ground: Ground,
    m2: f64,
}

impl Work<'_> {
    fn step(
        &mut self,
        what: &'static str,
        words: String,
        names: Vec<String>,
        change: impl FnOnce(Ground) -> Ground,
    ) {
        let ground = change(std::mem::replace(&mut self.ground, MultiPolygon::new(vec![])));
        let after = to_area(&self.job.frame, &ground);
        let m2 = area_m2(&after);
        let added_km2 = (m2 - self.m2).max(0.0) / 1e6;
        self.steps.push(Step {
            what,
            words,
            added_km2,
            names,
            after,
        });
        (self.ground, self.m2) = (ground, m2);
    }

    /// Takes enclosed land in; a step of its own only where there was some.
    fn fill(&mut self) {
        let (ground, filled_m2) = without_holes(self.ground.clone(), self.job.keep_m2);
        if filled_m2 > TOLD_M2 {
            self.step("holes", "land enclosed by it".into(), vec![], |_| ground);
        } else {
            self.ground = ground;
        }
    }
}

fn check_finds(inputs: &Inputs<'_>) -> Result<(), BoundaryError> {
    if inputs.finds.is_empty() {
        return Err(BoundaryError::NoFinds);
    }
    for (i, find) in inputs.finds.iter().enumerate() {
        let wrong = |why: String| {
            Err(BoundaryError::Find {
                id: find.id.clone(),
                why,
            })
        };
        if let Err(e) = Position::new(find.at.lat, find.at.lon) {
            return wrong(e.to_string());
        }
        if find.id.trim().is_empty() {
            return wrong(format!("number {} has no id", i + 1));
        }
        if inputs.finds[..i].iter().any(|other| other.id == find.id) {
            return wrong("it is given twice".into());
        }
    }
    Ok(())
}

fn check_lines(lines: &[NamedLine<'_>]) -> Result<(), BoundaryError> {
    let wrong = |line: &&NamedLine<'_>| {
        line.line.len() < 2 || line.line.iter().any(|c| Position::new(c[1], c[0]).is_err())
    };
    match lines.iter().find(wrong) {
        Some(line) => Err(BoundaryError::Line {
            name: line.name.to_owned(),
        }),
        None => Ok(()),
    }
}

/// The frame that everything is drawn in: about the finds, or about the grid's anchor.
fn frame(inputs: &Inputs<'_>) -> Result<Frame, BoundaryError> {
    let finds = inputs.finds;
    let frame = match &inputs.rule.shape {
        Shape::Squares {
            anchor: Some([lon, lat]),
            ..
        } => Frame::new(Position { lat: *lat, lon: *lon }),
        Shape::Squares { anchor: None, .. } => Frame::new(finds[0].at),
        _ => Frame::about(finds.iter().map(|f| f.at)).map_err(|_| BoundaryError::NoFinds)?,
    };
    let mut reach_m = 0.0_f64;
    for ring in &inputs.rule.rings {
        reach_m = reach_m.max(ring.reach_m(true)).max(ring.reach_m(false));
    }
    if let Some(radius) = inputs.rule.satellite.as_ref().and_then(|s| s.radius_m.as_ref()) {
        reach_m = reach_m.max(radius.central());
    }
    for find in finds {
        let apart_m = crate::geodesic_m(frame.centre(), find.at);
        if apart_m > FARTHEST_M {
            let (apart_km, most_km) = (apart_m / 1e3, FARTHEST_M / 1e3);
            return Err(BoundaryError::TooFarApart {
                id: find.id.clone(),
                apart_km,
                most_km,
            });
        }
        // A degree of latitude is at least 110.5 km; twice the reach, for what snapping adds.
        let lat = find.at.lat.abs() + 2.0 * reach_m / 110_500.0;
        if lat > MOST_LAT {
            return Err(BoundaryError::Edge {
                what: "too near a pole",
            });
        }
        let lon = 2.0 * reach_m / (110_500.0 * lat.to_radians().cos());
        if find.at.lon.abs() + lon > 180.0 || (find.at.lon - frame.centre().lon).abs() > 90.0 {
            return Err(BoundaryError::Edge {
                what: "across the 180th meridian",
            });
        }
    }
    Ok(frame)
}

/// What is drawn must be a sound multipolygon in degrees too.
fn check_sound(ring: &str, area: &Area) -> Result<(), BoundaryError> {
    match crate::area::unsound(area) {
        None => Ok(()),
        Some(why) => Err(BoundaryError::Unsound {
            ring: ring.to_owned(),
            why,
        }),
    }
}

impl Drawn {
    /// The boundary in words: a heading, each walk, what was taken in and what to know. For people; the geometry holds.
    pub fn text(&self) -> String {
        let mut out = format!(
            "{}: {:.2} km2, boundary {:.1} km, round {}.\n",
            capital(&self.words),
            self.km2,
            self.perimeter_km,
            count(self.finds.len(), "find")
        );
        for (i, walk) in self.walks.iter().enumerate() {
            if self.walks.len() > 1 {
                out.push_str(&format!("\nLine {}. ", i + 1));
            } else {
                out.push('\n');
            }
            out.push_str(&walk.words());
            out.push('\n');
        }
        out.push_str("\nHow it was drawn:\n");
        for step in &self.steps {
            out.push_str(&format!("- {}: {:.2} km2 added", step.words, step.added_km2));
            if !step.names.is_empty() {
                out.push_str(&format!(" ({})", some_of(&step.names)));
            }
            out.push('\n');
        }
        for note in &self.notes {
            out.push_str(note);
            out.push('\n');
        }
        out
    }

    /// The ring as a GeoJSON feature (RFC 7946).
    pub fn feature(&self) -> Value {
        let steps: Vec<Value> = self
            .steps
            .iter()
            .map(|s| json!({"what": s.what, "words": s.words, "added_km2": s.added_km2, "names": s.names}))
            .collect();
        let left_out: Vec<Value> = self
            .left_out
            .iter()
            .map(|(id, off_m)| json!({"find": id, "outside_m": off_m}))
            .collect();
        json!({
            "type": "Feature",
            "geometry": {"type": "MultiPolygon", "coordinates": self.area.0},
            "properties": {
                "ring": self.ring,
                "words": self.words,
                "km2": self.km2,
                "perimeter_km": self.perimeter_km,
                "parts": self.area.0.len(),
                "finds": self.finds,
                "left_out": left_out,
                "parcels": self.parcels,
                "split_parcels": self.split_parcels,
                "lines": self.lines,
                "units": self.units,
                "cells": self.cells,
                "steps": steps,
                "walks": self.walks,
                "notes": self.notes,
                "text": self.text(),
            }
        })
    }
}

/// All rings as a GeoJSON feature collection, the widest first, so that a map paints the inner ones on top.
pub fn feature_collection(rings: &[Drawn]) -> Value {
    json!({"type": "FeatureCollection", "features": rings.iter().rev().map(Drawn::feature).collect::<Vec<_>>()})
}

/// Those of the positions that lie within `radius_m` (geodesic) of a find, each with its distance to the nearest find, by
/// number: traps to withdraw, places not to bait.
pub fn within_of_finds(finds: &[Position], radius_m: f64, positions: &[Position]) -> Vec<(usize, f64)> {
    // A box first: a degree of latitude is at least 110.5 km.
    let lat = radius_m / 110_500.0;
    positions
        .par_iter()
        .enumerate()
        .filter_map(|(i, p)| {
            let near = finds.iter().filter(|f| (f.lat - p.lat).abs() <= lat);
            let nearest_m = near
                .map(|f| crate::geodesic_m(*f, *p))
                .fold(f64::INFINITY, f64::min);
            (nearest_m <= radius_m).then_some((i, nearest_m))
        })
        .collect()
}

fn capital(words: &str) -> String {
    let mut chars = words.chars();
    chars
        .next()
        .map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// The first few names, and how many more there are.
fn some_of(names: &[String]) -> String {
    const FEW: usize = 12;
    if names.len() <= FEW {
        return names.join(", ");
    }
    format!("{} and {} more", names[..FEW].join(", "), names.len() - FEW)
}
