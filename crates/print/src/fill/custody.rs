//! The custody form of specimens that somebody has.

use std::collections::BTreeMap;

use earlywood_chain::ChainError;
use earlywood_journal::body::{Material, SpecimenTaken};
use earlywood_journal::{OpenSpecimen, Programme};

use crate::Made;
use crate::custody::{CustodyForm, CustodyItem};
use crate::stock::Paper;

/// Which form.
#[derive(Debug, Clone)]
pub struct Asked {
    /// Labels of the specimens, in the order they are to stand; empty: a blank form.
    pub specimens: Vec<String>,
    /// Who gives, in words.
    pub from: Option<String>,
    /// Who takes, in words.
    pub to: Option<String>,
    /// Where, in words.
    pub place: Option<String>,
    /// What for, in words.
    pub purpose: Option<String>,
    /// Empty rows after the specimens.
    pub blank_rows: usize,
    /// Paper.
    pub paper: Paper,
    /// Statement for data that are invented.
    pub invented: Option<String>,
    /// Date of the document.
    pub made: Made,
}

/// The form, with what each specimen is and when it was taken from the journal. Containers and the time of the hand-over
/// are left to be written.
///
/// # Errors
/// A specimen named twice, or one that nobody has (never recorded, or ended); a programme that can't be read.
pub fn custody(programme: &Programme, asked: &Asked) -> Result<CustodyForm, ChainError> {
    let open = programme.specimens_open()?;
    let open: BTreeMap<&str, &OpenSpecimen> = open.iter().map(|s| (s.specimen.as_str(), s)).collect();
    let taken = programme.specimens_taken()?;
    let taken: BTreeMap<&str, &SpecimenTaken> = taken
        .iter()
        .map(|t| (t.value.specimen.as_str(), &t.value))
        .collect();
    let mut items: Vec<CustodyItem> = Vec::new();
    for label in &asked.specimens {
        if items.iter().any(|item| item.number == *label) {
            let words = format!("specimen {label:?} is named twice");
            return Err(ChainError::asked("specimen", words));
        }
        let held = open.get(label.as_str()).ok_or_else(|| {
            let words = format!("nobody has a specimen {label:?}: it was not recorded, or it was ended");
            ChainError::asked("specimen", words)
        })?;
        items.push(item(held, taken.get(label.as_str()).copied()));
    }
    Ok(CustodyForm {
        paper: asked.paper,
        programme: programme.name()?,
        invented: asked.invented.clone(),
        from: asked.from.clone(),
        to: asked.to.clone(),
        when: None,
        place: asked.place.clone(),
        purpose: asked.purpose.clone(),
        items,
        blank_rows: asked.blank_rows,
        made: asked.made,
    })
}

fn item(held: &OpenSpecimen, taken: Option<&SpecimenTaken>) -> CustodyItem {
    let mut what = vec![taken.map_or("specimen", |t| material(t.what)).to_owned()];
    what.extend(taken.and_then(|t| t.count).map(|n| format!("pieces: {n}")));
    what.extend(held.trap.as_ref().map(|trap| format!("from trap {trap}")));
    what.extend(held.tree.as_ref().map(|tree| format!("from tree {tree}")));
    what.extend(held.parent.as_ref().map(|whole| format!("out of {whole}")));
    what.extend(taken.and_then(|t| t.container.clone()));
    what.extend(
        taken
            .and_then(|t| t.kept_in.clone())
            .map(|k| format!("kept in: {k}")),
    );
    CustodyItem {
        number: held.specimen.clone(),
        what: what.join(", "),
        taken: held.day.map(|day| day.to_string()),
        containers: None,
    }
}

fn material(what: Material) -> &'static str {
    match what {
        Material::Insert => "sticky insert",
        Material::Insect => "insect",
        Material::Larva => "larva",
        Material::Branch => "branch",
        Material::Gallery => "piece with a gallery",
        Material::Log => "log",
        Material::Frass => "frass",
        Material::Other => "other material",
    }
}
