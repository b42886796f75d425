//! How a regulated area is drawn round finds, by the programme's own rule: the rule as data.
//!
//! A rule says the shape (round the finds, in square cells, or whole administrative units), how far each zone reaches
//! (`rings`: an infested zone, a buffer), what a single find near the area adds (`satellite`), how near two zones may lie
//! before the land between them is taken in (`gap_m`), and in which order the boundary is moved outward to what people can
//! recognise (`snap`). Every figure carries its source and mark, as in target profiles.
//!
//! The program only proposes. An authority with standing draws the area, and the law of the place decides; where law and
//! rule differ, the law holds.

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};
use crate::param::Param;

/// Most rings of a rule. Design choice: infested zone, buffer and a spare few.
const MOST_RINGS: usize = 8;

/// No zone reaches farther from a find than this, metres: beyond it a local metric frame is no longer true to a few parts in
/// ten thousand. Design choice.
pub const FARTHEST_M: f64 = 150_000.0;

/// What the area is made of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Shape {
    /// The ground within a geodesic radius of each find.
    Radius {},
    /// Whole cells of a square grid: every cell that meets the square that reaches the radius north, east, south and west of
    /// a find. The grid stays where it is from version to version.
    Squares {
        /// Side of a cell, metres, above 0.
        side_m: Param,
        /// Middle of one cell, `[longitude, latitude]`; absent: the first find stands in the middle of its cell.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        anchor: Option<[f64; 2]>,
    },
    /// Whole administrative units (the programme's zones): every unit that meets the ground within the radius of a find.
    Units {},
}

/// One zone round the finds: how far it reaches from each.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AreaRing {
    /// Short id ("infested", "buffer").
    pub id: String,
    /// What it is called.
    pub words: String,
    /// Distance from a find, metres, above 0; each ring reaches at least as far as the one before.
    pub radius_m: Param,
    /// Distance from a find with many signs (see [`AreaRule::dense_at_least`]), metres, at least `radius_m`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dense_radius_m: Option<Param>,
}

/// A single life stage inside the area, or near it: an epicentre of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Satellite {
    /// How near the area it must lie, metres, 0 or more; 0 is inside.
    pub within_m: Param,
    /// What it adds, metres, above 0; absent: each ring's own radius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub radius_m: Option<Param>,
}

/// One way of moving the boundary to what people can recognise. It only ever moves outward.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Snap {
    /// A parcel that the boundary would split is taken in whole.
    Parcels {
        /// Parcels larger than this may be split, km2, above 0; absent: none may.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        largest_km2: Option<Param>,
    },
    /// Where a named line runs outside the boundary, the boundary follows it.
    Lines {
        /// How far outside it may run, metres, above 0.
        within_m: Param,
        /// Shortest stretch of boundary that moves for the sake of one line, metres, 0 or more.
        least_m: Param,
    },
    /// What is still a curve becomes straight legs that run outside it.
    Legs {
        /// How far a leg may run outside the curve, metres, above 0.
        within_m: Param,
    },
}

/// The rule by which a regulated area is drawn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AreaRule {
    /// What it is made of.
    pub shape: Shape,
    /// Zones, the innermost first; the first is drawn round the finds themselves.
    pub rings: Vec<AreaRing>,
    /// Signs (exit holes, insects) at one find from which its rings reach `dense_radius_m`; absent: never.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dense_at_least: Option<Param>,
    /// What a find that is no epicentre by itself does; absent: every find is an epicentre.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub satellite: Option<Satellite>,
    /// Zones nearer to each other than this become one with the land between, metres, above 0; absent: only zones that
    /// overlap become one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap_m: Option<Param>,
    /// How the boundary is moved outward, in this order; empty: it stays where the distances put it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub snap: Vec<Snap>,
    /// Land enclosed by a zone stays free where it is larger than this, km2, above 0; absent: it is always taken in, because
    /// an island of free land can't be told from the zone about it by those who must obey.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub keep_holes_km2: Option<Param>,
    /// No trap hangs, and none is placed, within this of a find, metres, above 0: a lure would draw the pest into free land.
    /// Absent: no such zone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub do_not_bait_m: Option<Param>,
}

fn more<'a>(all: &mut Vec<Figure<'a>>, what: &str, param: Option<&'a Param>, range: Range) {
    all.extend(param.map(|param| (what.to_owned(), param, range)));
}

/// A figure of a rule: its name, and the range in which it has a meaning.
type Figure<'a> = (String, &'a Param, Range);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Range {
    /// Above 0, up to [`FARTHEST_M`].
    Distance,
    /// 0, up to [`FARTHEST_M`].
    DistanceOrNone,
    /// Above 0.
    Above0,
    /// A whole number from 1.
    Count,
}

impl AreaRule {
    /// Reads and checks a rule that stands alone.
    ///
    /// # Errors
    /// TOML that does not parse, a field unknown or missing, and what [`AreaRule::check`] refuses.
    pub fn from_toml(text: &str) -> Result<Self, ModelError> {
        let rule: AreaRule =
            toml::from_str(text).map_err(|e| ModelError::Inconsistent(format!("rule of an area: {e}")))?;
        rule.check()?;
        Ok(rule)
    }

    /// Checks every figure, and that they fit each other.
    ///
    /// # Errors
    /// A figure out of its range, uncertain or without a source; no ring, an id used twice, a ring that reaches less far than
    /// the one inside it; a way of snapping named twice or after one that must follow it.
    pub fn check(&self) -> Result<(), ModelError> {
        self.check_rings()?;
        for (what, param, range) in self.figures() {
            check_figure(&what, param, range)?;
        }
        if let Shape::Squares {
            anchor: Some([lon, lat]),
            ..
        } = self.shape
        {
            check(
                "latitude of the grid's anchor",
                lat,
                lat.abs() <= 80.0,
                "between -80 and 80 degrees",
            )?;
            check(
                "longitude of the grid's anchor",
                lon,
                lon.abs() <= 180.0,
                "between -180 and 180 degrees",
            )?;
        }
        self.check_reach()?;
        self.check_snap()
    }

    fn check_rings(&self) -> Result<(), ModelError> {
        if self.rings.is_empty() || self.rings.len() > MOST_RINGS {
            return refuse(format!(
                "it has {} rings; write one to {MOST_RINGS}",
                self.rings.len()
            ));
        }
        for (i, ring) in self.rings.iter().enumerate() {
            if ring.id.trim().is_empty() || ring.words.trim().is_empty() {
                return refuse(format!("ring number {}: id and words need text", i + 1));
            }
            if self.rings[..i].iter().any(|other| other.id == ring.id) {
                return refuse(format!("ring \"{}\": this id is used twice", ring.id));
            }
            if ring.dense_radius_m.is_some() && self.dense_at_least.is_none() {
                return refuse(format!(
                    "ring \"{}\" has dense_radius_m, but no dense_at_least says from how many signs on",
                    ring.id
                ));
            }
        }
        if self.dense_at_least.is_some() && self.rings.iter().all(|ring| ring.dense_radius_m.is_none()) {
            return refuse("dense_at_least changes nothing: no ring has dense_radius_m".into());
        }
        Ok(())
    }

    /// Rings only ever reach farther outward, and many signs reach no less far than few.
    fn check_reach(&self) -> Result<(), ModelError> {
        for ring in &self.rings {
            if ring.reach_m(true) < ring.reach_m(false) {
                return refuse(format!("ring \"{}\": dense_radius_m is below radius_m", ring.id));
            }
        }
        for two in self.rings.windows(2) {
            if [false, true]
                .iter()
                .any(|&dense| two[1].reach_m(dense) < two[0].reach_m(dense))
            {
                return refuse(format!(
                    "ring \"{}\" reaches less far than \"{}\" inside it",
                    two[1].id, two[0].id
                ));
            }
        }
        Ok(())
    }

    fn check_snap(&self) -> Result<(), ModelError> {
        for (i, snap) in self.snap.iter().enumerate() {
            if self.snap[..i].iter().any(|other| other.word() == snap.word()) {
                return refuse(format!("snap names \"{}\" twice", snap.word()));
            }
        }
        let last = self.snap.len().saturating_sub(1);
        match self
            .snap
            .iter()
            .position(|snap| matches!(snap, Snap::Legs { .. }))
        {
            Some(at) if at != last => refuse("snap: \"legs\" is for what is left, write it last".into()),
            _ => Ok(()),
        }
    }

    fn figures(&self) -> Vec<Figure<'_>> {
        let mut all: Vec<Figure<'_>> = Vec::new();
        if let Shape::Squares { side_m, .. } = &self.shape {
            all.push(("side_m of the cells".into(), side_m, Range::Distance));
        }
        for ring in &self.rings {
            all.push((
                format!("radius_m of ring \"{}\"", ring.id),
                &ring.radius_m,
                Range::Distance,
            ));
            let dense = ring.dense_radius_m.iter();
            all.extend(dense.map(|p| {
                (
                    format!("dense_radius_m of ring \"{}\"", ring.id),
                    p,
                    Range::Distance,
                )
            }));
        }
        more(
            &mut all,
            "dense_at_least",
            self.dense_at_least.as_ref(),
            Range::Count,
        );
        if let Some(satellite) = &self.satellite {
            more(
                &mut all,
                "within_m of satellite",
                Some(&satellite.within_m),
                Range::DistanceOrNone,
            );
            more(
                &mut all,
                "radius_m of satellite",
                satellite.radius_m.as_ref(),
                Range::Distance,
            );
        }
        more(&mut all, "gap_m", self.gap_m.as_ref(), Range::Distance);
        more(
            &mut all,
            "keep_holes_km2",
            self.keep_holes_km2.as_ref(),
            Range::Above0,
        );
        more(
            &mut all,
            "do_not_bait_m",
            self.do_not_bait_m.as_ref(),
            Range::Distance,
        );
        for snap in &self.snap {
            match snap {
                Snap::Parcels { largest_km2 } => {
                    more(
                        &mut all,
                        "largest_km2 of snap \"parcels\"",
                        largest_km2.as_ref(),
                        Range::Above0,
                    );
                }
                Snap::Lines { within_m, least_m } => {
                    more(
                        &mut all,
                        "within_m of snap \"lines\"",
                        Some(within_m),
                        Range::Distance,
                    );
                    more(
                        &mut all,
                        "least_m of snap \"lines\"",
                        Some(least_m),
                        Range::DistanceOrNone,
                    );
                }
                Snap::Legs { within_m } => more(
                    &mut all,
                    "within_m of snap \"legs\"",
                    Some(within_m),
                    Range::Distance,
                ),
            }
        }
        all
    }

    /// Figures that nobody read anywhere, in words.
    pub fn warnings(&self) -> Vec<String> {
        self.figures()
            .into_iter()
            .filter(|(_, param, _)| param.mark.needs_warning())
            .map(|(what, param, _)| format!("Regulated area, {what}: {}.", param.mark.words()))
            .collect()
    }

    /// Whether a find with so many signs reaches farther.
    pub fn is_dense(&self, signs: Option<u32>) -> bool {
        match (&self.dense_at_least, signs) {
            (Some(least), Some(signs)) => f64::from(signs) >= least.central(),
            _ => false,
        }
    }
}

impl AreaRing {
    /// How far it reaches from a find, metres; `dense`: from one with many signs.
    pub fn reach_m(&self, dense: bool) -> f64 {
        match &self.dense_radius_m {
            Some(far) if dense => far.central(),
            _ => self.radius_m.central(),
        }
    }
}

impl Snap {
    /// The word for it in a protocol.
    pub fn word(&self) -> &'static str {
        match self {
            Snap::Parcels { .. } => "parcels",
            Snap::Lines { .. } => "lines",
            Snap::Legs { .. } => "legs",
        }
    }
}

fn refuse<T>(what: String) -> Result<T, ModelError> {
    Err(ModelError::Inconsistent(format!("rule of an area: {what}")))
}

fn check_figure(what: &str, param: &Param, range: Range) -> Result<(), ModelError> {
    param.dist.check()?;
    if !param.dist.is_fixed() {
        return refuse(format!("{what}: write one fixed number, not a distribution"));
    }
    if param.source.trim().is_empty() {
        return refuse(format!(
            "{what} has no source; write \"none\" where there is none"
        ));
    }
    let value = param.central();
    let (ok, rule) = match range {
        Range::Distance => (value > 0.0 && value <= FARTHEST_M, "above 0 m, at most 150 km"),
        Range::DistanceOrNone => ((0.0..=FARTHEST_M).contains(&value), "0 m or more, at most 150 km"),
        Range::Above0 => (value > 0.0, "above 0"),
        Range::Count => (value >= 1.0 && value.fract() == 0.0, "a whole number, 1 or more"),
    };
    if ok && value.is_finite() {
        Ok(())
    } else {
        refuse(format!("{what} is {value}; it must be {rule}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figure(value: &str) -> String {
        format!(
            "{{ dist = {{ kind = \"fixed\", value = {value} }}, unit = \"m\", source = \"none\", mark = \"set-by-programme\" }}"
        )
    }

    fn whole() -> String {
        let f = figure;
        format!(
            "gap_m = {}\ndense_at_least = {}\ndo_not_bait_m = {}\n\
             shape = {{ kind = \"radius\" }}\n\
             satellite = {{ within_m = {} }}\n\
             [[rings]]\nid = \"infested\"\nwords = \"infested zone\"\nradius_m = {}\n\
             [[rings]]\nid = \"buffer\"\nwords = \"buffer zone\"\nradius_m = {}\ndense_radius_m = {}\n\
             [[snap]]\nkind = \"parcels\"\n\
             [[snap]]\nkind = \"lines\"\nwithin_m = {}\nleast_m = {}\n\
             [[snap]]\nkind = \"legs\"\nwithin_m = {}\n",
            f("500"),
            f("100"),
            f("3000"),
            f("0"),
            f("800"),
            f("2400"),
            f("4000"),
            f("150"),
            f("200"),
            f("60"),
        )
    }

    #[test]
    fn a_rule_is_read_and_written() {
        let rule = AreaRule::from_toml(&whole()).unwrap();
        assert_eq!(
            AreaRule::from_toml(&toml::to_string(&rule).unwrap()).unwrap(),
            rule
        );
        assert_eq!(rule.rings[1].reach_m(rule.is_dense(Some(100))), 4000.0);
        assert_eq!(rule.rings[1].reach_m(rule.is_dense(Some(99))), 2400.0);
        assert!(!rule.is_dense(None), "nobody counted: not dense");
        // Every figure above is the programme's to set, so each of them is warned of.
        assert_eq!(rule.warnings().len(), 10);
        assert!(rule.warnings()[0].contains("radius_m of ring \"infested\""));
    }

    #[test]
    fn what_is_wrong_is_told() {
        let good = whole();
        for (from, to, told) in [
            (
                "value = 800 }",
                "value = 0 }",
                "radius_m of ring \"infested\" is 0",
            ),
            ("value = 800 }", "value = 9000 }", "reaches less far"),
            ("value = 4000 }", "value = 2000 }", "below radius_m"),
            ("id = \"buffer\"", "id = \"infested\"", "used twice"),
            ("value = 100 }", "value = 99.5 }", "whole number"),
            ("kind = \"parcels\"", "kind = \"lots\"", "lots"),
            ("source = \"none\"", "source = \" \"", "has no source"),
            ("kind = \"radius\"", "kind = \"radius\", side = 1", "side"),
            (
                "kind = \"fixed\", value = 500",
                "kind = \"uniform\", low = 1, high = 500",
                "one fixed number",
            ),
            ("dense_at_least", "dense_from", "dense_from"),
            ("value = 150 }", "value = nan }", "number"),
        ] {
            assert!(good.contains(from), "{from}");
            let error = AreaRule::from_toml(&good.replacen(from, to, 1))
                .unwrap_err()
                .to_string();
            assert!(error.contains(told), "{told}: {error}");
        }
        let error = AreaRule::from_toml(&good.replace("\ndense_at_least", "\nkeep_holes_km2"))
            .unwrap_err()
            .to_string();
        assert!(error.contains("from how many signs"), "{error}");
        let legs_first = format!(
            "{}[[snap]]\nkind = \"parcels\"\n",
            good.replacen("kind = \"parcels\"", "kind = \"legs\"\nwithin_m = 1", 1)
        );
        assert!(AreaRule::from_toml(&legs_first).is_err());
        let twice = format!("{good}[[snap]]\nkind = \"parcels\"\n");
        assert!(
            AreaRule::from_toml(&twice)
                .unwrap_err()
                .to_string()
                .contains("twice")
        );
    }
}
