//! Labels of the traps a programme has.

use std::collections::{BTreeMap, BTreeSet};

use earlywood_chain::ChainError;
use earlywood_geodata::area::contains;
use earlywood_journal::{Hanging, Programme};
use earlywood_model::record::Zone;

use crate::Made;
use crate::labels::{TrapLabel, TrapLabels};
use crate::stock::LabelSheet;

/// Which labels.
#[derive(Debug, Clone)]
pub struct Asked {
    /// These traps alone; empty: all of them.
    pub traps: Vec<String>,
    /// Traps that hang for this target alone.
    pub target: Option<String>,
    /// Traps that hang in this zone alone.
    pub zone: Option<String>,
    /// The sheet.
    pub sheet: LabelSheet,
    /// First free label of the first sheet, from 1.
    pub start_at: usize,
    /// Whom to call, in words.
    pub call: Option<String>,
    /// Statement for data that are invented.
    pub invented: Option<String>,
    /// Date of the document.
    pub made: Made,
}

/// Labels of the traps that hang or are stored, by label. A stored trap has no target and no zone, so that where one is
/// asked for, traps that hang are left.
///
/// # Errors
/// A trap that neither hangs nor is stored; a zone or target the programme does not have; nothing to print; a programme
/// that can't be read.
pub fn labels(programme: &Programme, asked: &Asked) -> Result<TrapLabels, ChainError> {
    if let Some(target) = &asked.target {
        earlywood_chain::target(programme, target)?;
    }
    let zone = asked.zone.as_deref().map(|z| zone(programme, z)).transpose()?;
    let hanging = programme.hanging()?;
    let mut all: BTreeMap<&str, Option<&Hanging>> = hanging
        .iter()
        .map(|h| (h.placement.trap.as_str(), Some(h)))
        .collect();
    let stored = programme.stored()?;
    all.extend(stored.iter().map(|trap| (trap.as_str(), None)));
    if let Some(unknown) = asked.traps.iter().find(|t| !all.contains_key(t.as_str())) {
        let words = format!("no trap {unknown:?} hangs or is stored");
        return Err(ChainError::asked("trap", words));
    }
    let only: BTreeSet<&str> = asked.traps.iter().map(String::as_str).collect();
    let traps: Vec<TrapLabel> = all
        .iter()
        .filter(|(trap, _)| only.is_empty() || only.contains(*trap))
        .filter(|(_, hangs)| wanted(**hangs, asked.target.as_deref(), zone.as_ref()))
        .map(|(trap, hangs)| TrapLabel {
            label: (*trap).to_owned(),
            number: None,
            note: hangs.map(|h| h.placement.place.clone()),
        })
        .collect();
    if traps.is_empty() {
        return Err(ChainError::asked(
            "trap",
            "no trap that was asked for hangs or is stored: there is no label to print",
        ));
    }
    Ok(TrapLabels {
        sheet: asked.sheet.clone(),
        start_at: asked.start_at,
        programme: programme.name()?,
        call: asked.call.clone(),
        invented: asked.invented.clone(),
        traps,
        made: asked.made,
    })
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
