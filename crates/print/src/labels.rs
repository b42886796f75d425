//! Labels of traps: a QR code, the number to read, the programme's name and whom to call.
//!
//! The code holds the trap's label, nothing more: the phone's app takes what it scans for the label as it stands (or the
//! last part of a link), so that a printed label opens the trap. Error correction is level M.

use serde::Serialize;

use crate::engine::{self, Made, Template};
use crate::stock::LabelSheet;
use crate::{PrintError, qr};

/// The smallest dot of a code, millimetres. From memory: about 13 mil, a usual lower limit for codes that hand-held
/// readers and phones scan.
pub const LEAST_DOT_MM: f64 = 0.33;
/// Free space inside a label's edge, millimetres. Design choice: what a sheet may lie askew in the printer.
const INSET_MM: f64 = 1.5;
/// The most of a label's width that its code takes. Design choice: the number needs the rest.
const CODE_SHARE: f64 = 0.45;
/// The largest code, millimetres. Design choice.
const MOST_CODE_MM: f64 = 34.0;
/// So many labels go into one file at most. Design choice: a larger number is a slip, or wants several files.
pub const MOST_LABELS: usize = 3000;

/// One trap's label.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct TrapLabel {
    /// The trap's label: what the code holds.
    pub label: String,
    /// A shorter number to be read from the ground, large; none: the label itself is large.
    pub number: Option<String>,
    /// A line more, such as the place or the target.
    pub note: Option<String>,
}

/// Labels of traps on one kind of sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct TrapLabels {
    /// The sheet.
    pub sheet: LabelSheet,
    /// First free label of the first sheet, from 1 (row by row): half-used sheets are used up.
    pub start_at: usize,
    /// The programme's name.
    pub programme: String,
    /// Whom to call: a telephone number or an office. None prints a line to write on.
    pub call: Option<String>,
    /// When the data are invented: the statement that says so.
    pub invented: Option<String>,
    /// The traps, in their order.
    pub traps: Vec<TrapLabel>,
    /// Date of the document.
    pub made: Made,
}

/// A label as `paper/labels.typ` draws it.
#[derive(Debug, Serialize)]
pub(crate) struct Drawn {
    pub(crate) svg: String,
    pub(crate) big: String,
    pub(crate) lines: Vec<String>,
    pub(crate) small: Vec<String>,
    pub(crate) call: bool,
}

#[derive(Serialize)]
struct Doc<'a> {
    title: &'a str,
    sheet: &'a LabelSheet,
    skip: usize,
    inset_mm: f64,
    code_mm: f64,
    labels: Vec<Drawn>,
}

/// The PDF of trap labels.
///
/// # Errors
/// [`PrintError::Sheet`] when the sheet can't be or `start_at` is not on it; [`PrintError::CodeTooSmall`] when a code's
/// dots would be under [`LEAST_DOT_MM`]; [`PrintError::Value`] without labels, with too many, or with an empty one.
pub fn traps(input: &TrapLabels) -> Result<Vec<u8>, PrintError> {
    let drawn = input.traps.iter().map(|trap| {
        let large = trap.number.as_ref().unwrap_or(&trap.label);
        let mut lines: Vec<String> = trap.number.iter().map(|_| trap.label.clone()).collect();
        lines.extend(trap.note.clone());
        let mut small = vec![input.programme.clone()];
        small.extend(input.call.clone());
        small.extend(input.invented.clone());
        (
            trap.label.as_str(),
            Drawn {
                svg: String::new(),
                big: large.clone(),
                lines,
                small,
                call: input.call.is_none(),
            },
        )
    });
    print(
        "Trap labels",
        &input.sheet,
        input.start_at,
        drawn.collect(),
        input.made,
    )
}

/// Puts `labels` (what each code holds, and the rest) on sheets.
pub(crate) fn print(
    title: &str,
    sheet: &LabelSheet,
    start_at: usize,
    labels: Vec<(&str, Drawn)>,
    made: Made,
) -> Result<Vec<u8>, PrintError> {
    sheet.check()?;
    if !(1..=sheet.per_page()).contains(&start_at) {
        let rule = format!("the sheet has labels 1 to {}", sheet.per_page());
        return Err(PrintError::Sheet {
            figure: "the label to start at",
            value: start_at.to_string(),
            rule,
        });
    }
    if !(1..=MOST_LABELS).contains(&labels.len()) {
        let rule = format!("from 1 to {MOST_LABELS} in one file");
        return Err(PrintError::Value {
            what: "the number of labels",
            value: labels.len().to_string(),
            rule,
        });
    }
    let code_mm = (sheet.height_mm - 2.0 * INSET_MM)
        .min(sheet.width_mm * CODE_SHARE - INSET_MM)
        .clamp(0.0, MOST_CODE_MM);
    let labels = labels
        .into_iter()
        .map(|(text, drawn)| with_code(text, drawn, sheet, code_mm));
    let labels = labels.collect::<Result<Vec<_>, _>>()?;
    let doc = Doc {
        title,
        sheet,
        skip: start_at - 1,
        inset_mm: INSET_MM,
        code_mm,
        labels,
    };
    engine::pdf(Template::LABELS, &doc, made)
}

fn with_code(text: &str, drawn: Drawn, sheet: &LabelSheet, code_mm: f64) -> Result<Drawn, PrintError> {
    if text.trim().is_empty() {
        let rule = "the trap's or specimen's own label".to_owned();
        return Err(PrintError::Value {
            what: "a label",
            value: "empty".to_owned(),
            rule,
        });
    }
    let dot_mm = code_mm / qr::side_modules(text)? as f64;
    if dot_mm < LEAST_DOT_MM {
        return Err(PrintError::CodeTooSmall {
            text: text.to_owned(),
            width_mm: sheet.width_mm,
            height_mm: sheet.height_mm,
            dot_mm,
            needed_mm: LEAST_DOT_MM,
        });
    }
    Ok(Drawn {
        svg: qr::svg(text)?,
        ..drawn
    })
}
