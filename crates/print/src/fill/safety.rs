//! The crew's safety sheet of a programme.

use earlywood_chain::ChainError;
use earlywood_journal::Programme;

use crate::Made;
use crate::safety::CrewSafety;
use crate::stock::Paper;

/// What the sheet is to say. None is a line to write on.
#[derive(Debug, Clone)]
pub struct Asked {
    /// The crew, in words.
    pub crew: Option<String>,
    /// Local emergency number.
    pub emergency: Option<String>,
    /// The supervisor's number.
    pub supervisor: Option<String>,
    /// Nearest hospital.
    pub hospital: Option<String>,
    /// Electricity company's emergency number.
    pub power: Option<String>,
    /// Check-in times, in words.
    pub check_ins: Vec<String>,
    /// The programme's own prompts.
    pub own: Vec<String>,
    /// Paper.
    pub paper: Paper,
    /// Statement for data that are invented.
    pub invented: Option<String>,
    /// Date of the document.
    pub made: Made,
}

/// The sheet, with the programme's name.
///
/// # Errors
/// A programme that can't be read.
pub fn safety(programme: &Programme, asked: &Asked) -> Result<CrewSafety, ChainError> {
    Ok(CrewSafety {
        paper: asked.paper,
        programme: programme.name()?,
        invented: asked.invented.clone(),
        crew: asked.crew.clone(),
        emergency: asked.emergency.clone(),
        supervisor: asked.supervisor.clone(),
        hospital: asked.hospital.clone(),
        power: asked.power.clone(),
        check_ins: asked.check_ins.clone(),
        own: asked.own.clone(),
        made: asked.made,
    })
}
