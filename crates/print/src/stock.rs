//! Sheets of labels as data: page, grid, margins, in millimetres. Named by size.
//!
//! The figures of the ready ones are the usual sizes of label paper (common practice, no source): measure your own sheets,
//! and print one page on plain paper first.

use std::str::FromStr;

use serde::Serialize;

use crate::PrintError;

/// What a printer may be off by, and rounding of sizes in inches: a grid may stick out of the page by so much. Design choice.
const TOLERANCE_MM: f64 = 0.2;
/// The longest side of a page that is accepted. Design choice: a figure above it was meant in another unit.
const MOST_MM: f64 = 1200.0;

/// A sheet of labels.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LabelSheet {
    /// Page width, millimetres.
    pub page_width_mm: f64,
    /// Page height, millimetres.
    pub page_height_mm: f64,
    /// Labels side by side.
    pub columns: usize,
    /// Labels one below the other.
    pub rows: usize,
    /// Width of one label, millimetres.
    pub width_mm: f64,
    /// Height of one label, millimetres.
    pub height_mm: f64,
    /// From the page's left edge to the first label, millimetres.
    pub left_mm: f64,
    /// From the page's top edge to the first label, millimetres.
    pub top_mm: f64,
    /// Between two labels side by side, millimetres.
    pub gap_x_mm: f64,
    /// Between two labels one below the other, millimetres.
    pub gap_y_mm: f64,
}

/// Names of the ready sheets, with what they are.
pub const NAMES: [(&str, &str); 5] = [
    ("a4-70x37", "A4, 3 by 8 labels of 70 x 37 mm"),
    ("a4-99x38", "A4, 2 by 7 labels of 99.1 x 38.1 mm"),
    ("letter-67x25", "US Letter, 3 by 10 labels of 2 5/8 x 1 in"),
    ("letter-102x51", "US Letter, 2 by 5 labels of 4 x 2 in"),
    ("roll-62x29", "roll, one label of 62 x 29 mm a page"),
];

const A4: (f64, f64) = (210.0, 297.0);
const LETTER: (f64, f64) = (215.9, 279.4);

impl LabelSheet {
    /// A ready sheet by its name in [`NAMES`].
    pub fn named(name: &str) -> Option<LabelSheet> {
        let grid =
            |page, columns, rows, label, left_top, gap| Some(of(page, columns, rows, label, left_top, gap));
        match name {
            "a4-70x37" => grid(A4, 3, 8, (70.0, 37.0), (0.0, 0.5), (0.0, 0.0)),
            "a4-99x38" => grid(A4, 2, 7, (99.1, 38.1), (4.65, 15.15), (2.5, 0.0)),
            "letter-67x25" => grid(LETTER, 3, 10, (66.675, 25.4), (4.7625, 12.7), (3.175, 0.0)),
            "letter-102x51" => grid(LETTER, 2, 5, (101.6, 50.8), (3.96875, 12.7), (4.7625, 0.0)),
            "roll-62x29" => grid((62.0, 29.0), 1, 1, (62.0, 29.0), (0.0, 0.0), (0.0, 0.0)),
            _ => None,
        }
    }

    /// Labels on one page.
    pub fn per_page(&self) -> usize {
        self.columns * self.rows
    }

    /// Whether the figures can be.
    ///
    /// # Errors
    /// [`PrintError::Sheet`] names the first figure that can't.
    pub fn check(&self) -> Result<(), PrintError> {
        for (figure, value) in [
            ("the page's width", self.page_width_mm),
            ("the page's height", self.page_height_mm),
            ("a label's width", self.width_mm),
            ("a label's height", self.height_mm),
        ] {
            if !(value > 0.0 && value <= MOST_MM) {
                return Err(wrong(
                    figure,
                    format!("{value} mm"),
                    format!("it must be above 0 and at most {MOST_MM} mm"),
                ));
            }
        }
        for (figure, value) in [
            ("the left margin", self.left_mm),
            ("the top margin", self.top_mm),
            ("the gap between columns", self.gap_x_mm),
            ("the gap between rows", self.gap_y_mm),
        ] {
            if !(0.0..=MOST_MM).contains(&value) {
                return Err(wrong(
                    figure,
                    format!("{value} mm"),
                    format!("it must be from 0 to {MOST_MM} mm"),
                ));
            }
        }
        for (figure, value) in [
            ("the number of columns", self.columns),
            ("the number of rows", self.rows),
        ] {
            if !(1..=100).contains(&value) {
                return Err(wrong(
                    figure,
                    value.to_string(),
                    "it must be from 1 to 100".to_owned(),
                ));
            }
        }
        let across = span(self.left_mm, self.columns, self.width_mm, self.gap_x_mm);
        fits(
            "the number of columns",
            self.columns,
            "wide",
            across,
            self.page_width_mm,
        )?;
        let down = span(self.top_mm, self.rows, self.height_mm, self.gap_y_mm);
        fits("the number of rows", self.rows, "high", down, self.page_height_mm)
    }
}

fn of(
    page: (f64, f64),
    columns: usize,
    rows: usize,
    label: (f64, f64),
    left_top: (f64, f64),
    gap: (f64, f64),
) -> LabelSheet {
    LabelSheet {
        page_width_mm: page.0,
        page_height_mm: page.1,
        columns,
        rows,
        width_mm: label.0,
        height_mm: label.1,
        left_mm: left_top.0,
        top_mm: left_top.1,
        gap_x_mm: gap.0,
        gap_y_mm: gap.1,
    }
}

/// Where the last of `count` labels ends, millimetres from the page's edge.
fn span(margin_mm: f64, count: usize, size_mm: f64, gap_mm: f64) -> f64 {
    margin_mm + count as f64 * size_mm + (count as f64 - 1.0) * gap_mm
}

fn fits(
    figure: &'static str,
    count: usize,
    way: &str,
    needs_mm: f64,
    page_mm: f64,
) -> Result<(), PrintError> {
    if needs_mm <= page_mm + TOLERANCE_MM {
        return Ok(());
    }
    let rule = format!(
        "with its margin and gaps that is {needs_mm:.1} mm {way}, and the page is {page_mm:.1} mm {way}"
    );
    Err(wrong(figure, count.to_string(), rule))
}

fn wrong(figure: &'static str, value: String, rule: String) -> PrintError {
    PrintError::Sheet { figure, value, rule }
}

/// How an own sheet is written.
const GRAMMAR: &str = "write the label's size in mm, columns, rows, and if you like the left and top margin and the gaps: \
     70x37,3,8 or 70x37,3,8,0,0.5 or 99.1x38.1,2,7,4.65,15.15,2.5,0; with @a4, @letter or @WIDTHxHEIGHT after it \
     for the page (A4 if not said). Without margins the labels stand in the middle";

/// A ready sheet's name, or an own size: `WxH,columns,rows[,left,top[,gap between columns,gap between rows]][@page]`,
/// millimetres, where `WxH` is one label and the page is `a4`, `letter` or `WxH`.
impl FromStr for LabelSheet {
    type Err = PrintError;

    fn from_str(text: &str) -> Result<LabelSheet, PrintError> {
        let text = text.trim();
        if let Some(ready) = LabelSheet::named(text) {
            return Ok(ready);
        }
        let sheet = own(text).ok_or_else(|| {
            let names: Vec<&str> = NAMES.iter().map(|(name, _)| *name).collect();
            wrong(
                "its text",
                format!("{text:?}"),
                format!("take one of {}, or {GRAMMAR}", names.join(", ")),
            )
        })?;
        sheet.check()?;
        Ok(sheet)
    }
}

fn own(text: &str) -> Option<LabelSheet> {
    let (grid, page) = text.split_once('@').unwrap_or((text, "a4"));
    let page = match page.trim() {
        "a4" => A4,
        "letter" => LETTER,
        size => pair(size)?,
    };
    let parts: Vec<&str> = grid.split(',').map(str::trim).collect();
    let (size, columns, rows) = (
        pair(parts.first()?)?,
        parts.get(1)?.parse().ok()?,
        parts.get(2)?.parse().ok()?,
    );
    let rest = parts[3..]
        .iter()
        .map(|part| part.parse::<f64>().ok())
        .collect::<Option<Vec<f64>>>()?;
    let gap = match rest.as_slice() {
        [] | [_, _] => (0.0, 0.0),
        [_, _, x, y] => (*x, *y),
        _ => return None,
    };
    let middle = |page_mm: f64, count, size_mm| (page_mm - span(0.0, count, size_mm, 0.0)).max(0.0) / 2.0;
    let left_top = match rest.as_slice() {
        [left, top, ..] => (*left, *top),
        _ => (middle(page.0, columns, size.0), middle(page.1, rows, size.1)),
    };
    Some(of(page, columns, rows, size, left_top, gap))
}

/// `70x37`: width and height.
fn pair(text: &str) -> Option<(f64, f64)> {
    let (width, height) = text.split_once(['x', 'X', '×'])?;
    Some((width.trim().parse().ok()?, height.trim().parse().ok()?))
}

/// Size of the paper of forms and notices.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 mm by 297 mm.
    #[default]
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl Paper {
    /// The layout engine's name of it.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Paper::A4 => "a4",
            Paper::Letter => "us-letter",
        }
    }
}
