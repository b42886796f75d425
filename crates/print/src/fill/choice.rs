//! Which traps get labels.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_chain::ChainError;
use earlywood_geodata::area::contains;
use earlywood_journal::{Hanging, Programme};
use earlywood_model::record::Zone;

/// Which traps.
#[derive(Debug, Clone, Default)]
pub struct Choice {
    /// These alone; empty: all of them.
    pub traps: Vec<String>,
    /// Those that hang for this target alone.
    pub target: Option<String>,
    /// Those that hang in this zone alone.
    pub zone: Option<String>,
}

/// Labels of the traps that hang or are stored, sorted. A stored trap has no target and no zone: where one is asked for,
/// only traps that hang are chosen.
///
/// # Errors
/// A trap that neither hangs nor is stored; a zone or target the programme does not have; no trap at all; a programme
/// that can't be read.
pub fn traps(programme: &Programme, choice: &Choice) -> Result<Vec<String>, ChainError> {
    if let Some(target) = &choice.target {
        earlywood_chain::target(programme, target)?;
    }
    let zone = choice
        .zone
        .as_deref()
        .map(|label| zone(programme, label))
        .transpose()?;
    let hanging = programme.hanging()?;
    let stored = programme.stored()?;
    let mut all: BTreeMap<&str, Option<&Hanging>> = stored.iter().map(|trap| (trap.as_str(), None)).collect();
    all.extend(hanging.iter().map(|h| (h.placement.trap.as_str(), Some(h))));
    if let Some(unknown) = choice.traps.iter().find(|t| !all.contains_key(t.as_str())) {
        let words = format!("no trap {unknown:?} hangs or is stored");
        return Err(ChainError::asked("trap", words));
    }
    let only: BTreeSet<&str> = choice.traps.iter().map(String::as_str).collect();
    let chosen: Vec<String> = all
        .iter()
        .filter(|(trap, _)| only.is_empty() || only.contains(*trap))
        .filter(|(_, hangs)| wanted(**hangs, choice.target.as_deref(), zone.as_ref()))
        .map(|(trap, _)| (*trap).to_owned())
        .collect();
    if chosen.is_empty() {
        let words = "no trap of that kind hangs or is stored: there is no label to print";
        return Err(ChainError::asked("trap", words));
    }
    Ok(chosen)
}

fn zone(programme: &Programme, label: &str) -> Result<Zone, ChainError> {
    let found = programme.zones()?.into_iter().find(|z| z.label == label);
    found.ok_or_else(|| ChainError::asked("zone", format!("there is no zone {label:?}")))
}

fn wanted(hangs: Option<&Hanging>, target: Option<&str>, zone: Option<&Zone>) -> bool {
    let of = |h: &Hanging| {
        target.is_none_or(|t| h.placement.targets.iter().any(|own| own == t))
            && zone.is_none_or(|z| contains(&z.area, h.placement.position))
    };
    hangs.map_or(target.is_none() && zone.is_none(), of)
}
