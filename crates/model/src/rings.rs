//! Rings of a delimiting survey, as the programme's protocol says: how dense the traps hang round a find, how often they
//! are looked at, which trees are searched, and for how long.
//!
//! A protocol is data ([`RingProtocol`]): rings by radius, or whole square cells round the cell that holds the find. Every
//! figure carries its source and mark, as in target profiles. [`Rings`] lays it round finds: which spots, and which ring a
//! trap or a tree was in on which date. [`snap`](mod@snap) moves the spots to places that may be used.
//!
//! A circle and a block of squares are not the same area: 4.5 miles of radius are 63.6 square miles, the block of nine by
//! nine mile squares is 81.

mod layout;
pub mod snap;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

use crate::error::ModelError;
use crate::param::{Mark, Param};

pub use layout::{Cell, Centre, Change, Rings, Spot};

/// Square metres of a square kilometre.
pub(crate) const M2_PER_KM2: f64 = 1e6;

/// How the rings are shaped.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Shape {
    /// Circles round the find; each ring goes out to its `to_m`.
    Radius {},
    /// Square cells. The first find lies in the middle of its cell, later ones in whichever cell of that net holds them; each
    /// ring is so many `cells` wide.
    Squares {
        /// Edge of a cell, metres.
        cell_m: Param,
    },
}

/// How dense traps hang.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Density {
    /// So many a square kilometre.
    PerKm2 {
        /// Traps a square kilometre, 0 or more.
        traps: Param,
    },
    /// So many in each square cell.
    PerCell {
        /// Traps a cell, 0 or more.
        traps: Param,
    },
    /// On a square net of this width.
    Spacing {
        /// Metres from trap to trap, above 0.
        spacing_m: Param,
    },
}

impl Density {
    fn figure(&self) -> &Param {
        match self {
            Density::PerKm2 { traps } | Density::PerCell { traps } => traps,
            Density::Spacing { spacing_m } => spacing_m,
        }
    }

    /// Traps a square kilometre; `cell_m2` is the area of a square cell, where there are any.
    fn per_km2(&self, cell_m2: Option<f64>) -> f64 {
        let figure = self.figure().central();
        match self {
            Density::PerKm2 { .. } => figure,
            Density::PerCell { .. } => cell_m2.map_or(0.0, |m2| figure * M2_PER_KM2 / m2),
            Density::Spacing { .. } => M2_PER_KM2 / (figure * figure),
        }
    }
}

/// Which trees of a ring are looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Inspect {
    /// Share of the ring's hosts, above 0; 1 is all of them.
    pub share: Param,
    /// Days from one look to the next; absent: once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub every_days: Option<Param>,
}

/// One ring, the innermost first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ring {
    /// What the programme calls it ("core", "buffer").
    pub name: String,
    /// Rings by radius: where it ends, metres from the find.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to_m: Option<Param>,
    /// Rings of squares: how many cells wide it is; 1 if absent. The innermost of 1 is the find's own cell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cells: Option<Param>,
    /// How dense its traps hang; absent: no traps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub traps: Option<Density>,
    /// Days from one look at a trap to the next; absent where there are no traps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub look_every_days: Option<Param>,
    /// Which trees are looked at; absent: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inspect: Option<Inspect>,
}

/// How long the survey lasts after the last find.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Duration {
    /// Calendar days.
    Days {
        /// How many.
        count: Param,
    },
    /// Generations of the target, by heat or by years as the programme counts them.
    Generations {
        /// How many.
        count: Param,
    },
    /// Flight seasons of the target.
    Seasons {
        /// How many.
        count: Param,
    },
}

impl Duration {
    /// The figure, whichever it is.
    pub fn count(&self) -> &Param {
        match self {
            Duration::Days { count } | Duration::Generations { count } | Duration::Seasons { count } => count,
        }
    }

    /// In words ("3 generations").
    pub fn words(&self) -> String {
        let unit = match self {
            Duration::Days { .. } => "day",
            Duration::Generations { .. } => "generation",
            Duration::Seasons { .. } => "season",
        };
        let n = self.count().central();
        format!("{n} {unit}{}", if n == 1.0 { "" } else { "s" })
    }
}

/// A heavy find pushes the outermost ring farther out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Extension {
    /// What is counted ("exit holes on one tree").
    pub counted: String,
    /// More than this many make it heavy.
    pub over: Param,
    /// Where the outermost ring then ends, metres from the find.
    pub to_m: Param,
}

impl Extension {
    /// Whether so many make a find heavy.
    pub fn is_heavy(&self, counted: f64) -> bool {
        counted > self.over.central()
    }
}

/// What is believed of how far it may have come: the scenarios of an optimised plan are drawn from it. Figures may be
/// distributions here. How far one insect flies is not among them: it stands where the origin of catches is sought.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Extent {
    /// Generations since it began, 0 or more; draws are rounded.
    pub generations: Param,
    /// Insects that began it, 1 or more; draws are rounded.
    pub founders: Param,
    /// Settled offspring of one insect in a generation, above 0.
    pub growth: Param,
    /// Insects on one tree before the next is counted infested, above 0.
    pub insects_a_tree: Param,
    /// The area that will be drawn reaches this far round every find, metres, above 0; one number.
    pub enclose_m: Param,
    /// Sectors of the compass in each of which the edge must be found, 1 to 360; one whole number.
    pub sectors: Param,
}

/// What one look at one tree costs and sees.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TreeLook {
    /// Crew-minutes, the way to the tree counted in, above 0.
    pub minutes: Param,
    /// Chance that it shows an infested tree for what it is, above 0, at most 1.
    pub sensitivity: Param,
}

/// A protocol's rings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RingProtocol {
    /// Circles or squares.
    pub shape: Shape,
    /// The rings, innermost first.
    pub ring: Vec<Ring>,
    /// Traps in the innermost ring of each find, above its density.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extra_in_centre: Option<Param>,
    /// How long it lasts.
    pub duration: Duration,
    /// What a heavy find changes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extension: Option<Extension>,
    /// What a look at a tree costs and sees; absent: no looks are planned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tree_look: Option<TreeLook>,
    /// How far it may have come; absent: the survey can be laid by rings, not optimised or tried out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extent: Option<Extent>,
}

/// More rings than this are a mistake.
const MOST_RINGS: usize = 50;

impl RingProtocol {
    /// Reads and checks rings that stand alone in a file.
    ///
    /// # Errors
    /// TOML that does not parse (with line and column), a field unknown or missing, or what [`RingProtocol::check`] refuses.
    pub fn from_toml(text: &str) -> Result<Self, ModelError> {
        let rings: RingProtocol =
            toml::from_str(text).map_err(|e| ModelError::Inconsistent(format!("rings: {e}")))?;
        rings.check()?;
        Ok(rings)
    }

    /// Checks all figures.
    ///
    /// # Errors
    /// No ring; a ring without what its shape needs, or with what belongs to the other; rings that do not grow; traps
    /// without an interval of looks; a figure uncertain, out of its range or without a source.
    pub fn check(&self) -> Result<(), ModelError> {
        if self.ring.is_empty() || self.ring.len() > MOST_RINGS {
            return refuse(format!("write 1 to {MOST_RINGS} [[ring]]"));
        }
        let squares = match &self.shape {
            Shape::Radius {} => false,
            Shape::Squares { cell_m } => {
                figure("the edge of a cell", cell_m, |v| v > 0.0, "above 0 m")?;
                true
            }
        };
        let mut edge = 0.0;
        for ring in &self.ring {
            if ring.name.trim().is_empty() {
                return refuse("a ring has no name".into());
            }
            match (squares, &ring.to_m, &ring.cells) {
                (false, Some(to), None) => {
                    figure(
                        &ring.says("to_m"),
                        to,
                        |v| v > edge,
                        "above that of the ring inside it",
                    )?;
                    edge = to.central();
                }
                (true, None, None) => {}
                (true, None, Some(cells)) => {
                    let whole = |v: f64| v >= 1.0 && v.fract() == 0.0 && v <= 1000.0;
                    figure(&ring.says("cells"), cells, whole, "a whole number from 1 to 1000")?;
                }
                (false, ..) => {
                    return refuse(format!(
                        "{}: rings by radius have to_m and no cells",
                        ring.says("edge")
                    ));
                }
                (true, ..) => {
                    return refuse(format!(
                        "{}: rings of squares have cells and no to_m",
                        ring.says("edge")
                    ));
                }
            }
            ring.check(squares)?;
        }
        if let Some(extra) = &self.extra_in_centre {
            let whole = |v: f64| v >= 0.0 && v.fract() == 0.0;
            figure("extra_in_centre", extra, whole, "a whole number, 0 or more")?;
        }
        figure("the duration", self.duration.count(), |v| v > 0.0, "above 0")?;
        if let Some(look) = &self.tree_look {
            believed("tree_look, minutes", &look.minutes, |v| v > 0.0, "above 0")?;
            let share = |v: f64| v > 0.0 && v <= 1.0;
            believed(
                "tree_look, sensitivity",
                &look.sensitivity,
                share,
                "above 0, at most 1",
            )?;
        }
        if let Some(extent) = &self.extent {
            extent.check()?;
        }
        if let Some(extension) = &self.extension {
            if extension.counted.trim().is_empty() {
                return refuse("extension: say what is counted".into());
            }
            figure("extension, over", &extension.over, |v| v >= 0.0, "0 or more")?;
            figure(
                "extension, to_m",
                &extension.to_m,
                |v| v > edge,
                "above that of the outermost ring",
            )?;
        }
        Ok(())
    }

    /// Every figure with the words for it.
    fn figures(&self) -> Vec<(String, &Param)> {
        let mut all = Vec::new();
        if let Shape::Squares { cell_m } = &self.shape {
            all.push(("edge of a cell".into(), cell_m));
        }
        for ring in &self.ring {
            let inspect = ring.inspect.as_ref();
            let named = [
                ("edge", ring.to_m.as_ref()),
                ("width in cells", ring.cells.as_ref()),
                ("density of traps", ring.traps.as_ref().map(Density::figure)),
                ("days between looks", ring.look_every_days.as_ref()),
                ("share of trees looked at", inspect.map(|i| &i.share)),
                (
                    "days between looks at trees",
                    inspect.and_then(|i| i.every_days.as_ref()),
                ),
            ];
            all.extend(
                named
                    .into_iter()
                    .filter_map(|(what, p)| Some((ring.says(what), p?))),
            );
        }
        if let Some(extra) = &self.extra_in_centre {
            all.push(("extra traps in the centre".into(), extra));
        }
        all.push(("duration of the survey".into(), self.duration.count()));
        if let Some(extension) = &self.extension {
            all.push(("what makes a find heavy".into(), &extension.over));
            all.push(("edge round a heavy find".into(), &extension.to_m));
        }
        if let Some(look) = &self.tree_look {
            all.push(("minutes for a tree".into(), &look.minutes));
            all.push(("chance to see an infested tree".into(), &look.sensitivity));
        }
        if let Some(extent) = &self.extent {
            all.extend(extent.figures().map(|(what, param)| (what.to_owned(), param)));
        }
        all
    }

    /// Figures that nobody read anywhere, in words.
    pub fn warnings(&self) -> Vec<String> {
        let told = |(what, param): &(String, &Param)| format!("Rings, {what}: {}.", param.mark.words());
        self.figures()
            .iter()
            .filter(|(_, p)| p.mark.needs_warning())
            .map(told)
            .collect()
    }

    /// Whether every figure was read in its source, or worked out from what was.
    pub fn is_read(&self) -> bool {
        self.figures()
            .iter()
            .all(|(_, p)| matches!(p.mark, Mark::Read | Mark::Calculated))
    }

    /// Area of one square cell, square metres; `None` for rings by radius.
    fn cell_m2(&self) -> Option<f64> {
        match &self.shape {
            Shape::Radius {} => None,
            Shape::Squares { cell_m } => Some(cell_m.central() * cell_m.central()),
        }
    }

    /// Traps a square kilometre in a ring, those extra in the centre not counted; 0 where it has none.
    pub fn traps_per_km2(&self, ring: usize) -> f64 {
        let density = self.ring.get(ring).and_then(|r| r.traps.as_ref());
        density.map_or(0.0, |d| d.per_km2(self.cell_m2()))
    }
}

impl Extent {
    fn figures(&self) -> [(&'static str, &Param); 6] {
        [
            ("generations since it began", &self.generations),
            ("insects that began it", &self.founders),
            ("growth in a generation", &self.growth),
            ("insects a tree", &self.insects_a_tree),
            ("area round every find", &self.enclose_m),
            ("sectors of the edge", &self.sectors),
        ]
    }

    fn check(&self) -> Result<(), ModelError> {
        believed(
            "extent, generations",
            &self.generations,
            |v| (0.0..=100.0).contains(&v),
            "from 0 to 100",
        )?;
        believed(
            "extent, founders",
            &self.founders,
            |v| (1.0..=1000.0).contains(&v),
            "from 1 to 1000",
        )?;
        believed("extent, growth", &self.growth, |v| v > 0.0, "above 0")?;
        believed(
            "extent, insects_a_tree",
            &self.insects_a_tree,
            |v| v > 0.0,
            "above 0",
        )?;
        figure("extent, enclose_m", &self.enclose_m, |v| v > 0.0, "above 0 m")?;
        let whole = |v: f64| (1.0..=360.0).contains(&v) && v.fract() == 0.0;
        figure(
            "extent, sectors",
            &self.sectors,
            whole,
            "a whole number from 1 to 360",
        )
    }
}

impl Ring {
    fn says(&self, what: &str) -> String {
        format!("ring \"{}\", {what}", self.name)
    }

    fn check(&self, squares: bool) -> Result<(), ModelError> {
        if let Some(density) = &self.traps {
            let what = self.says("traps");
            match density {
                Density::PerKm2 { traps } => figure(&what, traps, |v| v >= 0.0, "0 or more")?,
                Density::PerCell { traps } => {
                    let whole = |v: f64| v >= 0.0 && v.fract() == 0.0;
                    figure(&what, traps, whole, "a whole number, 0 or more")?;
                    if !squares {
                        return refuse(format!("{what}: rings by radius have no cells; write per-km2"));
                    }
                }
                Density::Spacing { spacing_m } => figure(&what, spacing_m, |v| v > 0.0, "above 0 m")?,
            }
        }
        match (&self.traps, &self.look_every_days) {
            (Some(_), Some(days)) => figure(&self.says("look_every_days"), days, |v| v > 0.0, "above 0")?,
            (Some(_), None) => {
                return refuse(self.says("traps that are never looked at; write look_every_days"));
            }
            (None, Some(_)) => return refuse(self.says("look_every_days, but it has no traps")),
            (None, None) => {}
        }
        if let Some(inspect) = &self.inspect {
            let share = |v: f64| v > 0.0 && v <= 1.0;
            figure(
                &self.says("inspect.share"),
                &inspect.share,
                share,
                "above 0, at most 1",
            )?;
            if let Some(days) = &inspect.every_days {
                figure(&self.says("inspect.every_days"), days, |v| v > 0.0, "above 0")?;
            }
        }
        Ok(())
    }
}

fn refuse<T>(what: String) -> Result<T, ModelError> {
    Err(ModelError::Inconsistent(format!("rings: {what}")))
}

/// A figure that may be uncertain: its central value lies in its range, and it has a source.
fn believed(what: &str, param: &Param, ok: impl Fn(f64) -> bool, rule: &str) -> Result<(), ModelError> {
    param.dist.check()?;
    let value = param.central();
    if param.source.trim().is_empty() {
        return refuse(format!(
            "{what} has no source; write \"none\" where there is none"
        ));
    }
    if !(value.is_finite() && ok(value)) {
        return refuse(format!("{what} is {value}; it must be {rule}"));
    }
    Ok(())
}

/// A figure of a protocol is one number in its range, with its source.
fn figure(what: &str, param: &Param, ok: impl Fn(f64) -> bool, rule: &str) -> Result<(), ModelError> {
    param.dist.check()?;
    let value = param.central();
    if !param.dist.is_fixed() {
        return refuse(format!(
            "{what}: a protocol's figures are fixed numbers, not distributions"
        ));
    }
    if param.source.trim().is_empty() {
        return refuse(format!(
            "{what} has no source; write \"none\" where there is none"
        ));
    }
    if !(value.is_finite() && ok(value)) {
        return refuse(format!("{what} is {value}; it must be {rule}"));
    }
    Ok(())
}
