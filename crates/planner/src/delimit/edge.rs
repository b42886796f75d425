//! The edge of an infestation, piece by piece.

use super::Position;
use super::error::{DelimitError, setting};

/// What is known before the survey, and how the area will be drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// Finds so far, one or more.
    pub finds: Vec<Position>,
    /// The area reaches this far round every find, metres, above 0.
    pub enclose_m: f64,
    /// Sectors of the compass in each of which the outermost infested cell must come to lie inside, 1 to 360.
    pub sectors: u32,
}

impl Known {
    /// Checks the figures.
    ///
    /// # Errors
    /// No find, a find nowhere, a distance not above 0, no sector or more than 360.
    pub fn check(&self) -> Result<(), DelimitError> {
        if self.finds.is_empty() {
            return Err(DelimitError::Empty("finds"));
        }
        for f in &self.finds {
            setting("x of a find", f.x_m, true, "a finite number")?;
            setting("y of a find", f.y_m, true, "a finite number")?;
        }
        setting(
            "the distance round a find",
            self.enclose_m,
            self.enclose_m > 0.0,
            "above 0 m",
        )?;
        let sectors = f64::from(self.sectors);
        setting(
            "the number of sectors",
            sectors,
            (1.0..=360.0).contains(&sectors),
            "from 1 to 360",
        )
    }

    /// The middle of the finds.
    pub fn middle(&self) -> Position {
        let n = self.finds.len() as f64;
        let sum = |of: fn(&Position) -> f64| self.finds.iter().map(of).sum::<f64>() / n;
        Position {
            x_m: sum(|f| f.x_m),
            y_m: sum(|f| f.y_m),
        }
    }

    fn encloses(&self, at: Position) -> bool {
        self.finds.iter().any(|f| distance_m(*f, at) <= self.enclose_m)
    }
}

pub(crate) fn distance_m(a: Position, b: Position) -> f64 {
    (a.x_m - b.x_m).hypot(a.y_m - b.y_m)
}

/// The pieces of the edge of an infestation: for each sector with an infested cell that no known find encloses, the infested cells
/// (indices into `infested`) that lie within `enclose_m` of the sector's outermost. `known` must have passed its check.
pub fn edge(infested: &[Position], known: &Known) -> Vec<Vec<u32>> {
    let middle = known.middle();
    let mut outermost: Vec<Option<(f64, usize)>> = vec![None; known.sectors as usize];
    for (i, at) in infested
        .iter()
        .enumerate()
        .filter(|(_, at)| !known.encloses(**at))
    {
        let turn = (at.y_m - middle.y_m).atan2(at.x_m - middle.x_m) / std::f64::consts::TAU;
        let sector = (turn.rem_euclid(1.0) * f64::from(known.sectors)) as usize;
        let sector = sector.min(outermost.len() - 1);
        let out = distance_m(*at, middle);
        if outermost[sector].is_none_or(|(far, _)| out > far) {
            outermost[sector] = Some((out, i));
        }
    }
    let piece = |(_, far): (f64, usize)| {
        let near = |at: &Position| distance_m(*at, infested[far]) <= known.enclose_m;
        (0u32..)
            .zip(infested)
            .filter(|(_, at)| near(at))
            .map(|(i, _)| i)
            .collect()
    };
    outermost.into_iter().flatten().map(piece).collect()
}
