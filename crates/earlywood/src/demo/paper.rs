//! The paper that the demo leaves in its folder, through the same code as `earlywood print`.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};
use earlywood_chain::rounds::adopted;
use earlywood_journal::Programme;
use earlywood_print::fill::{forms, sheets};
use earlywood_print::report::ReportData;
use earlywood_print::season::season_report;
use earlywood_print::sheet::round_sheets;
use earlywood_print::stock::{LabelSheet, Paper};
use earlywood_print::{Made, labels};
use jiff::ToSpan as _;
use jiff::civil::Date;

use super::district::STATEMENT;
use super::working_day::MORNING;

/// The folder for it, in the demo's own.
pub(crate) const FOLDER: &str = "paper";
/// Its files.
pub(crate) const FILES: [&str; 3] = [ROUND_SHEETS, TRAP_LABELS, SEASON_REPORT];
const ROUND_SHEETS: &str = "round-sheets.pdf";
const TRAP_LABELS: &str = "trap-labels.pdf";
const SEASON_REPORT: &str = "season-report.pdf";

/// What fits a label.
const SHORT_STATEMENT: &str = "Invented: no such trap.";
const LABEL_STOCK: &str = "a4-70x37";

/// Writes round sheets and trap labels of the working day, and the season's report. Gives the folder.
pub(crate) fn write(
    dir: &Path,
    at_work: &Programme,
    season: &ReportData,
    season_end: Date,
) -> Result<PathBuf> {
    let folder = dir.join(FOLDER);
    fs::create_dir_all(&folder).with_context(|| format!("{} can't be made", folder.display()))?;
    let save = |name: &str, pdf: Vec<u8>| {
        let path = folder.join(name);
        fs::write(&path, pdf).with_context(|| format!("{} can't be written", path.display()))
    };
    let evening = printed(MORNING.saturating_sub(1.day()));
    // A demonstration with few traps may have none to visit that day.
    if !adopted(at_work, MORNING, MORNING)?.rounds.is_empty() {
        let asked = sheets::Asked {
            from: MORNING,
            to: MORNING,
            crew: None,
            sheet: None,
            paper: Paper::A4,
            call: Some("the office, 555 0100".into()),
            invented: Some(STATEMENT.into()),
        };
        save(
            ROUND_SHEETS,
            round_sheets(&sheets::sheets(at_work, &asked)?, evening)?,
        )?;
    }
    let asked = forms::LabelsAsked {
        sheet: LABEL_STOCK.parse::<LabelSheet>()?,
        start_at: 1,
        traps: Vec::new(),
        call: Some("call 555 0100".into()),
        made: evening,
    };
    let mut traps = forms::labels(at_work, &asked)?;
    traps.invented = Some(SHORT_STATEMENT.into());
    save(TRAP_LABELS, labels::traps(&traps)?)?;
    save(
        SEASON_REPORT,
        season_report(season, Paper::A4, printed(season_end))?,
    )?;
    Ok(folder)
}

/// The hour at which all of it is printed, in the invented year.
fn printed(day: Date) -> Made {
    day.at(19, 30, 0, 0)
}
