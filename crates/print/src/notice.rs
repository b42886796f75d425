//! The notice on the door: half a page in English, half a page in Spanish, in plain words.
//!
//! What the programme may do on private ground, and how one says no, is for local law: the notice says only what the
//! programme gives it.

use serde::Serialize;

use crate::PrintError;
use crate::engine::{self, Made, Template};
use crate::stock::Paper;

/// A notice. What is none is a line to write on.
#[derive(Debug, Clone, PartialEq)]
pub struct DoorNotice {
    /// Size of the paper.
    pub paper: Paper,
    /// The programme's name.
    pub programme: String,
    /// When the data are invented: the statement that says so.
    pub invented: Option<String>,
    /// Number of the trap; none: to be written.
    pub trap: Option<String>,
    /// Where it hangs, such as "the ash at the drive".
    pub place: Option<String>,
    /// Telephone.
    pub phone: Option<String>,
    /// The office, with its address.
    pub office: Option<String>,
    /// How often it is looked at, English, such as "about every two weeks".
    pub visits_en: Option<String>,
    /// The same in Spanish.
    pub visits_es: Option<String>,
    /// Date of the document.
    pub made: Made,
}

#[derive(Serialize)]
struct Doc<'a> {
    paper: &'static str,
    programme: &'a str,
    invented: Option<&'a str>,
    trap: Option<&'a str>,
    place: Option<&'a str>,
    phone: Option<&'a str>,
    office: Option<&'a str>,
    visits_en: Option<&'a str>,
    visits_es: Option<&'a str>,
}

/// The PDF of a notice, one page.
///
/// # Errors
/// [`PrintError::Value`] for a text of more than 120 characters: it would push the other language off the page.
pub fn door(input: &DoorNotice) -> Result<Vec<u8>, PrintError> {
    let named = [
        ("the programme's name", Some(&input.programme)),
        ("the statement that data are invented", input.invented.as_ref()),
        ("the trap's number", input.trap.as_ref()),
        ("the trap's place", input.place.as_ref()),
        ("the telephone", input.phone.as_ref()),
        ("the office", input.office.as_ref()),
        (
            "how often the trap is looked at (English)",
            input.visits_en.as_ref(),
        ),
        (
            "how often the trap is looked at (Spanish)",
            input.visits_es.as_ref(),
        ),
    ];
    for (what, text) in named {
        let long = text.map_or(0, |text| text.chars().count());
        if long > 120 {
            let rule = "at most 120, so that both languages stay on the page".to_owned();
            return Err(PrintError::Value {
                what,
                value: format!("{long} characters long"),
                rule,
            });
        }
    }
    let doc = Doc {
        paper: input.paper.name(),
        programme: &input.programme,
        invented: input.invented.as_deref(),
        trap: input.trap.as_deref(),
        place: input.place.as_deref(),
        phone: input.phone.as_deref(),
        office: input.office.as_deref(),
        visits_en: input.visits_en.as_deref(),
        visits_es: input.visits_es.as_deref(),
    };
    engine::pdf(Template::NOTICE, &doc, input.made)
}
