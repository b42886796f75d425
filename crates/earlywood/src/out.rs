//! What a command says: words or one JSON object on standard output, notes on standard error.

use std::io::{ErrorKind, Write};

use anyhow::Result;
use serde_json::Value;

/// Words for a person, or JSON for a program.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    Words,
    Json,
}

impl Form {
    /// Says it in the form asked for.
    pub(crate) fn say(self, words: impl FnOnce() -> String, json: impl FnOnce() -> Value) -> Result<()> {
        match self {
            Form::Words => line(&words()),
            Form::Json => line(&serde_json::to_string(&json())?),
        }
    }
}

/// Writes one line. A closed pipe (`earlywood … | head`) is not an error.
pub(crate) fn line(text: &str) -> Result<()> {
    let mut out = std::io::stdout().lock();
    match writeln!(out, "{}", text.trim_end_matches('\n')).and_then(|()| out.flush()) {
        Err(e) if e.kind() == ErrorKind::BrokenPipe => Ok(()),
        done => Ok(done?),
    }
}

/// A note on standard error: worth knowing, not part of the answer.
pub(crate) fn note(text: &str) {
    eprintln!("note: {text}");
}

/// A table with its columns lined up: left-aligned text, a blank line never.
pub(crate) fn table(header: &[&str], rows: &[Vec<String>]) -> String {
    let mut width: Vec<usize> = header.iter().map(|h| h.chars().count()).collect();
    for row in rows {
        for (w, cell) in width.iter_mut().zip(row) {
            *w = (*w).max(cell.chars().count());
        }
    }
    let line = |cells: &mut dyn Iterator<Item = &str>| {
        let padded: Vec<String> = cells.zip(&width).map(|(c, &w)| format!("{c:<w$}")).collect();
        padded.join("  ").trim_end().to_string()
    };
    let mut lines = vec![line(&mut header.iter().copied())];
    lines.extend(rows.iter().map(|r| line(&mut r.iter().map(String::as_str))));
    lines.join("\n")
}
