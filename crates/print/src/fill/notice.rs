//! The notice on the door, for a trap of the programme or for any.

use earlywood_chain::ChainError;
use earlywood_journal::Programme;

use crate::Made;
use crate::notice::DoorNotice;
use crate::stock::Paper;

/// What the notice is to say. None is a line to write on.
#[derive(Debug, Clone)]
pub struct Asked {
    /// A trap that hangs.
    pub trap: Option<String>,
    /// Telephone.
    pub phone: Option<String>,
    /// The office, with its address.
    pub office: Option<String>,
    /// How often the trap is looked at, English.
    pub visits_en: Option<String>,
    /// The same in Spanish.
    pub visits_es: Option<String>,
    /// Paper.
    pub paper: Paper,
    /// Statement for data that are invented.
    pub invented: Option<String>,
    /// Date of the document.
    pub made: Made,
}

/// The notice, with the place where the trap hangs.
///
/// # Errors
/// A trap that does not hang; a programme that can't be read.
pub fn notice(programme: &Programme, asked: &Asked) -> Result<DoorNotice, ChainError> {
    let place = asked
        .trap
        .as_deref()
        .map(|trap| place(programme, trap))
        .transpose()?;
    Ok(DoorNotice {
        paper: asked.paper,
        programme: programme.name()?,
        invented: asked.invented.clone(),
        trap: asked.trap.clone(),
        place,
        phone: asked.phone.clone(),
        office: asked.office.clone(),
        visits_en: asked.visits_en.clone(),
        visits_es: asked.visits_es.clone(),
        made: asked.made,
    })
}

fn place(programme: &Programme, trap: &str) -> Result<String, ChainError> {
    let hanging = programme
        .hanging()?
        .into_iter()
        .find(|h| h.placement.trap == trap);
    let hanging = hanging.ok_or_else(|| ChainError::asked("trap", format!("no trap {trap:?} hangs")))?;
    Ok(hanging.placement.place)
}
