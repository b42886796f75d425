//! How sure are we that a target is absent, from the visits really made?

mod types;

pub use types::{
    Assurance, Band, Cause, Cell, Find, FittedOn, Hold, Input, Loss, NextVisit, PeriodFigures,
    PlacementInput, Settings, ZoneAssurance, ZoneInput,
};

use crate::error::ModelError;

/// Assesses every zone.
///
/// # Errors
/// Input that contradicts itself, or weather that does not cover the days needed.
pub fn assess(input: &Input<'_>) -> Result<Assurance, ModelError> {
    input.settings.check()?;
    Err(ModelError::Inconsistent("assurance is not computed yet".into()))
}
