//! Labels of specimens: a series of numbers printed beforehand, each two or three times.
//!
//! A number says nothing about what it stands on. It is the year, a running number and a check digit, `2025-000123-9`: digits
//! only, so that nothing in it is mistaken for a letter when it is read aloud. The check digit is Damm's: every wrong digit
//! and every swap of neighbours is noticed (H. M. Damm, *Total anti-symmetrische Quasigruppen*, dissertation,
//! Philipps-Universität Marburg, 2004; the table is quoted from memory, and tests prove what it promises). The journal
//! takes any such number: 1 to 200 characters without blanks at the ends.

use jiff::civil::Date;

use crate::PrintError;
use crate::engine::Made;
use crate::labels::{self, Drawn};
use crate::stock::LabelSheet;

/// Damm's table: a totally anti-symmetric quasigroup of order 10, its diagonal 0.
const DAMM: [[u8; 10]; 10] = [
    [0, 3, 1, 7, 5, 9, 8, 6, 4, 2],
    [7, 0, 9, 2, 1, 5, 4, 8, 6, 3],
    [4, 2, 0, 6, 8, 7, 1, 3, 5, 9],
    [1, 7, 5, 0, 9, 8, 3, 4, 2, 6],
    [6, 1, 2, 3, 0, 4, 5, 9, 7, 8],
    [3, 6, 7, 4, 2, 0, 9, 5, 8, 1],
    [5, 8, 6, 9, 7, 2, 0, 1, 3, 4],
    [8, 9, 4, 5, 3, 6, 2, 0, 1, 7],
    [9, 4, 3, 8, 6, 1, 7, 2, 0, 5],
    [2, 5, 8, 1, 4, 3, 6, 7, 9, 0],
];

/// The highest running number of a year.
pub const LAST_SERIAL: u32 = 999_999;

/// A series to print.
#[derive(Debug, Clone, PartialEq)]
pub struct SpecimenLabels {
    /// The sheet.
    pub sheet: LabelSheet,
    /// First free label of the first sheet, from 1.
    pub start_at: usize,
    /// The programme's name.
    pub programme: String,
    /// When the data are invented: the statement that says so.
    pub invented: Option<String>,
    /// Year in the numbers, 1000 to 9999.
    pub year: i16,
    /// First running number, from 1.
    pub first: u32,
    /// So many numbers.
    pub count: u32,
    /// 2: container and inside; 3: one for the form too.
    pub copies: usize,
    /// Date of the document.
    pub made: Made,
}

/// The check digit of the digits in `text`; everything else in it is passed over.
pub fn check_digit(text: &str) -> u8 {
    let digits = text.bytes().filter(u8::is_ascii_digit);
    digits.fold(0, |row, digit| DAMM[usize::from(row)][usize::from(digit - b'0')])
}

/// The number of a year's `serial`-th specimen.
///
/// # Errors
/// [`PrintError::Value`] for a year without four digits or a running number that is 0 or above [`LAST_SERIAL`].
pub fn number(year: i16, serial: u32) -> Result<String, PrintError> {
    let refuse = |what, value: String, rule: String| Err(PrintError::Value { what, value, rule });
    if !(1000..=Date::MAX.year()).contains(&year) {
        return refuse("the year", year.to_string(), "a year of four digits".to_owned());
    }
    if !(1..=LAST_SERIAL).contains(&serial) {
        return refuse(
            "the running number",
            serial.to_string(),
            format!("from 1 to {LAST_SERIAL}"),
        );
    }
    let bare = format!("{year}-{serial:06}");
    let check = check_digit(&bare);
    Ok(format!("{bare}-{check}"))
}

/// Whether a number of such a series was read or typed right.
pub fn is_right(number: &str) -> bool {
    let shape: String = number
        .chars()
        .map(|c| if c.is_ascii_digit() { '9' } else { c })
        .collect();
    shape == "9999-999999-9" && check_digit(number) == 0
}

/// The PDF of a series. The copies of one number stand one after the other.
///
/// # Errors
/// As [`number`] and [`labels::traps`]; [`PrintError::Value`] when copies are not 2 or 3.
pub fn series(input: &SpecimenLabels) -> Result<Vec<u8>, PrintError> {
    let words: &[&str] = match input.copies {
        2 => &["on the container", "inside"],
        3 => &["on the container", "inside", "on the form"],
        copies => {
            let rule = "2 or 3".to_owned();
            return Err(PrintError::Value {
                what: "the number of copies",
                value: copies.to_string(),
                rule,
            });
        }
    };
    if input.count as usize > labels::MOST_LABELS {
        let rule = format!("at most {} labels in one file", labels::MOST_LABELS);
        return Err(PrintError::Value {
            what: "the count of numbers",
            value: input.count.to_string(),
            rule,
        });
    }
    let numbers: Vec<String> = (0..input.count)
        .map(|i| number(input.year, input.first.saturating_add(i)))
        .collect::<Result<_, _>>()?;
    let drawn = numbers.iter().flat_map(|number| {
        words.iter().map(move |copy| {
            let mut small = vec![input.programme.clone()];
            small.extend(input.invented.clone());
            let lines = vec![(*copy).to_owned()];
            (
                number.as_str(),
                Drawn {
                    svg: String::new(),
                    big: number.clone(),
                    lines,
                    small,
                    call: false,
                },
            )
        })
    });
    labels::print(
        "Specimen labels",
        &input.sheet,
        input.start_at,
        drawn.collect(),
        input.made,
    )
}
