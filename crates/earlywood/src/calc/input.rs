//! Rows from standard input: CSV with a header, checked cell by cell, with errors that say where.

use std::io::{IsTerminal, Read};
use std::str::FromStr;

use anyhow::{Context, Result, bail};

/// CSV rows with the columns a topic asked for.
#[derive(Debug)]
pub(crate) struct Table {
    header: Vec<String>,
    rows: Vec<(u64, csv::StringRecord)>,
}

/// One row of a [`Table`].
#[derive(Clone, Copy)]
pub(crate) struct Row<'a> {
    table: &'a Table,
    line: u64,
    record: &'a csv::StringRecord,
}

impl Table {
    /// Reads standard input. Columns may stand in any order; ones that are not used are named on standard error.
    pub(crate) fn from_stdin(required: &[&str], optional: &[&str]) -> Result<Table> {
        let stdin = std::io::stdin();
        if stdin.is_terminal() {
            eprintln!(
                "reading CSV from standard input, header {} (end with Ctrl-D)",
                required.join(",")
            );
        }
        Table::read(stdin.lock(), required, optional)
    }

    fn read(source: impl Read, required: &[&str], optional: &[&str]) -> Result<Table> {
        let want = required.join(",");
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(source);
        let header: Vec<String> = reader
            .headers()
            .context("standard input: the header can't be read (is it UTF-8 text?)")?
            .iter()
            .map(|h| h.trim_start_matches('\u{feff}').to_ascii_lowercase())
            .collect();
        if header.iter().all(String::is_empty) {
            bail!("standard input is empty; give CSV with the header {want}");
        }
        for (at, name) in header.iter().enumerate() {
            if header[..at].contains(name) {
                bail!("standard input: the header names column {name:?} twice");
            }
            if !required.contains(&name.as_str()) && !optional.contains(&name.as_str()) {
                eprintln!("note: column {name:?} is not used");
            }
        }
        if let Some(missing) = required.iter().find(|r| !header.iter().any(|h| h == *r)) {
            bail!(
                "standard input: column {missing:?} is missing; the header is {:?}, it must have {want}",
                header.join(",")
            );
        }
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.context("standard input: a row can't be read")?;
            let line = record.position().map_or(0, csv::Position::line);
            rows.push((line, record));
        }
        if rows.is_empty() {
            bail!("standard input has a header but no rows");
        }
        Ok(Table { header, rows })
    }

    pub(crate) fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|(line, record)| Row {
            table: self,
            line: *line,
            record,
        })
    }
}

impl<'a> Row<'a> {
    /// The cell's text; an error if it is empty.
    pub(crate) fn text(&self, column: &str) -> Result<&'a str> {
        let at = self.table.header.iter().position(|h| h == column);
        match at.and_then(|i| self.record.get(i)) {
            Some(text) if !text.is_empty() => Ok(text),
            _ => bail!(
                "standard input, line {}, column {column}: nothing there",
                self.line
            ),
        }
    }

    /// The cell parsed as T, with `rule` in the message when it isn't one.
    pub(crate) fn parsed<T: FromStr>(&self, column: &str, rule: &str) -> Result<T> {
        let text = self.text(column)?;
        text.parse()
            .ok()
            .with_context(|| self.complaint(column, text, rule))
    }

    /// A finite number.
    pub(crate) fn number(&self, column: &str) -> Result<f64> {
        let text = self.text(column)?;
        crate::number::finite(text)
            .ok()
            .with_context(|| self.complaint(column, text, "a finite number"))
    }

    /// A finite number of 0 or more.
    pub(crate) fn amount(&self, column: &str) -> Result<f64> {
        let text = self.text(column)?;
        crate::number::not_negative(text)
            .ok()
            .with_context(|| self.complaint(column, text, "a number of 0 or more"))
    }

    /// A complaint about one cell: where, what, which rule.
    pub(crate) fn complaint(&self, column: &str, value: &str, rule: &str) -> String {
        format!(
            "standard input, line {}, column {column}: {value:?} must be {rule}",
            self.line
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &[u8]) -> Result<Table> {
        Table::read(text, &["kind", "x"], &["weight"])
    }

    #[test]
    fn says_what_is_wrong_with_the_header() {
        assert!(read(b"").unwrap_err().to_string().contains("empty"));
        assert!(
            read(b"kind,y\n")
                .unwrap_err()
                .to_string()
                .contains("\"x\" is missing")
        );
        assert!(read(b"kind,x,x\n").unwrap_err().to_string().contains("twice"));
        assert!(read(b"kind,x\n").unwrap_err().to_string().contains("no rows"));
        assert!(read(b"kind,x\n\xff\xfe,1\n").is_err());
    }

    #[test]
    fn says_where_a_cell_is_wrong() {
        let table = read(b"\xef\xbb\xbfKind,x\ntrap,1\ncell,NaN\n").unwrap();
        let rows: Vec<_> = table.rows().collect();
        assert_eq!(rows[0].number("x").unwrap(), 1.0);
        let said = rows[1].number("x").unwrap_err().to_string();
        assert!(
            said.contains("line 3") && said.contains("column x") && said.contains("NaN"),
            "{said}"
        );
    }
}
