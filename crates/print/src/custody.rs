//! The custody form: what passes from one hand to the next, in which state, with both signatures.
//!
//! Filled in from specimens, or blank. Containers are counted on both sides: out must equal in.

use serde::Serialize;

use crate::PrintError;
use crate::engine::{self, Made, Template};
use crate::stock::Paper;

/// So many items go on one form at most. Design choice.
pub const MOST_ITEMS: usize = 2000;

/// One thing that is handed over.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct CustodyItem {
    /// The specimen's number.
    pub number: String,
    /// What it is, such as "beetle, from trap T-12".
    pub what: String,
    /// When it was taken, as it is to be printed.
    pub taken: Option<String>,
    /// How many containers it is in; none: to be written.
    pub containers: Option<u32>,
}

/// One hand-over. What is none is a line to write on.
#[derive(Debug, Clone, PartialEq)]
pub struct CustodyForm {
    /// Size of the paper.
    pub paper: Paper,
    /// The programme's name.
    pub programme: String,
    /// When the data are invented: the statement that says so.
    pub invented: Option<String>,
    /// Who gives.
    pub from: Option<String>,
    /// Who takes.
    pub to: Option<String>,
    /// Local date and time of the hand-over, as it is to be printed.
    pub when: Option<String>,
    /// Where.
    pub place: Option<String>,
    /// What for.
    pub purpose: Option<String>,
    /// What is handed over.
    pub items: Vec<CustodyItem>,
    /// Empty rows after the items.
    pub blank_rows: usize,
    /// Date of the document.
    pub made: Made,
}

#[derive(Serialize)]
struct Doc<'a> {
    paper: &'static str,
    programme: &'a str,
    invented: Option<&'a str>,
    printed: String,
    from: Option<&'a str>,
    to: Option<&'a str>,
    when: Option<&'a str>,
    place: Option<&'a str>,
    purpose: Option<&'a str>,
    items: &'a [CustodyItem],
    blank_rows: usize,
    /// Sum of the containers, where every item says how many.
    containers: Option<u64>,
}

/// The PDF of a hand-over. Without items and blank rows it has twelve rows to write on.
///
/// # Errors
/// [`PrintError::Value`] for more than [`MOST_ITEMS`] rows.
pub fn form(input: &CustodyForm) -> Result<Vec<u8>, PrintError> {
    let rows = input.items.len().saturating_add(input.blank_rows);
    if rows > MOST_ITEMS {
        let rule = format!("at most {MOST_ITEMS} on one form");
        return Err(PrintError::Value {
            what: "the number of rows",
            value: rows.to_string(),
            rule,
        });
    }
    let counts: Option<Vec<u32>> = input.items.iter().map(|item| item.containers).collect();
    let containers = counts.filter(|counts| !counts.is_empty() && input.blank_rows == 0);
    let doc = Doc {
        paper: input.paper.name(),
        programme: &input.programme,
        invented: input.invented.as_deref(),
        printed: input.made.date().to_string(),
        from: input.from.as_deref(),
        to: input.to.as_deref(),
        when: input.when.as_deref(),
        place: input.place.as_deref(),
        purpose: input.purpose.as_deref(),
        items: &input.items,
        blank_rows: if rows == 0 { 12 } else { input.blank_rows },
        containers: containers.map(|counts| counts.into_iter().map(u64::from).sum()),
    };
    engine::pdf(Template::CUSTODY, &doc, input.made)
}
