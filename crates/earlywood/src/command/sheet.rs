//! `earlywood sheet`: the form of a round, and its answers when the paper comes back.

use std::path::PathBuf;

use anyhow::{Context as _, Result};
use clap::Args;
use earlywood_chain::rounds::sheet::{Typed, Wrong, form_csv, read_csv, sheet, type_in};
use serde_json::json;

use crate::out::{Form, note};
use crate::{ActorArg, FileArg};

#[derive(Args)]
pub(crate) struct SheetArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: ActorArg,
    /// The code on the round's paper.
    #[arg(value_name = "CODE")]
    code: String,
    /// Record the answers in this CSV file; - reads standard input. Without it the empty form is printed.
    #[arg(long, value_name = "ANSWERS")]
    typed: Option<PathBuf>,
    /// Time zone of the programme's times (IANA name); that of the adopted rounds, or this machine's, when left out.
    #[arg(long, value_name = "TZ", requires = "typed")]
    time_zone: Option<String>,
}

pub(crate) fn run(args: &SheetArgs, form: Form) -> Result<()> {
    match &args.typed {
        None => print(args, form),
        Some(path) => record(args, path, form),
    }
}

fn print(args: &SheetArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let told = sheet(&programme, &args.code)?;
    if !told.recorded.is_empty() {
        let stops: Vec<String> = told.recorded.iter().map(ToString::to_string).collect();
        note(&format!(
            "visits of these stops are recorded already: {}",
            stops.join(", ")
        ));
    }
    let text = form_csv(&told)?;
    form.say(|| text, || json!(told))
}

fn record(args: &SheetArgs, path: &std::path::Path, form: Form) -> Result<()> {
    let name = path.display().to_string();
    let bytes = if name == "-" {
        let mut bytes = Vec::new();
        std::io::Read::read_to_end(&mut std::io::stdin(), &mut bytes)
            .context("standard input can't be read")?;
        bytes
    } else {
        std::fs::read(path).with_context(|| format!("{name} can't be read"))?
    };
    let text = String::from_utf8(bytes).with_context(|| format!("{name} is no text in UTF-8"))?;
    let rows = read_csv(&text).map_err(|wrong| refusal(&name, &wrong))?;
    let mut programme = super::open(&args.file)?;
    let zone = super::zone(&programme, args.time_zone.as_deref())?;
    match type_in(
        &mut programme,
        &super::act(&args.actor)?,
        &args.code,
        &rows,
        &zone,
    )? {
        Typed::Problems(wrong) => Err(refusal(&name, &wrong)),
        Typed::Recorded(visits) => form.say(
            || {
                format!(
                    "{visits} visits recorded from sheet {}.",
                    args.code.to_uppercase()
                )
            },
            || json!({"recorded": visits}),
        ),
    }
}

/// All that is wrong, a line each.
fn refusal(name: &str, wrong: &[Wrong]) -> anyhow::Error {
    let lines: Vec<String> = wrong
        .iter()
        .map(|w| {
            let row = if w.row == 0 {
                "header".to_owned()
            } else {
                format!("row {}", w.row)
            };
            let column = if w.column.is_empty() {
                String::new()
            } else {
                format!(", column {}", w.column)
            };
            format!("{name}, {row}{column}: {}", w.words)
        })
        .collect();
    anyhow::anyhow!("{}; nothing was written", lines.join("\n  "))
}
