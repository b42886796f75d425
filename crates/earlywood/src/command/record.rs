//! What the commands that record and that list have in common: an entry from options, an answer from a value.

use anyhow::{Context as _, Result, bail};
use clap::Args;
use earlywood_journal::{Body, Programme};
use serde::Serialize;
use serde_json::{Value, json};

use crate::out::{Form, table};
use crate::{ActorArg, FileArg};

/// Who acts, at any place of a command's options.
#[derive(Args, Clone)]
pub(crate) struct AnyActor {
    /// Role or number of the person acting, as the journal shall show it (no personal data).
    #[arg(long = "as", value_name = "WHO", default_value = "lead", global = true)]
    who: String,
}

impl AnyActor {
    pub(crate) fn who(&self) -> &str {
        &self.who
    }

    pub(crate) fn act(&self) -> Result<earlywood_journal::Act> {
        super::act(&ActorArg {
            who: self.who.clone(),
        })
    }
}

/// One command line's file, person and form of answer.
pub(crate) struct Desk<'a> {
    pub(crate) file: &'a FileArg,
    pub(crate) actor: &'a AnyActor,
    pub(crate) form: Form,
}

impl Desk<'_> {
    pub(crate) fn open(&self) -> Result<Programme> {
        super::open(self.file)
    }

    pub(crate) fn read(&self) -> Result<Programme> {
        super::read(self.file)
    }

    /// Records an entry of a kind from the options given, which have the names of its fields.
    pub(crate) fn record(&self, kind: &str, version: u32, fields: &impl Serialize) -> Result<()> {
        let text = serde_json::to_string(&without_nulls(serde_json::to_value(fields)?))?;
        let body = Body::read_strict(kind, version, &text)?;
        let receipt = self.open()?.append(&self.actor.act()?, body)?;
        self.receipt(&receipt)
    }

    /// Says under which number something was written down.
    pub(crate) fn receipt(&self, receipt: &earlywood_journal::Receipt) -> Result<()> {
        self.form.say(
            || format!("Written down as entry {} ({}).", receipt.number, receipt.id),
            || json!({"entry": receipt.id.to_string(), "number": receipt.number}),
        )
    }

    /// Shows a value: a table where it is a list, a line a field where it is one thing.
    pub(crate) fn show(&self, value: &impl Serialize, none: &str) -> Result<()> {
        let value = serde_json::to_value(value)?;
        self.form.say(|| words(&value, none), || value.clone())
    }

    /// Shows a list under its name.
    pub(crate) fn list(&self, name: &str, rows: &impl Serialize, none: &str) -> Result<()> {
        let rows = serde_json::to_value(rows)?;
        self.form.say(|| words(&rows, none), || json!({ name: rows }))
    }
}

/// A field left out is not a field that is null.
fn without_nulls(value: Value) -> Value {
    match value {
        Value::Object(fields) => fields
            .into_iter()
            .filter(|(_, v)| !v.is_null())
            .map(|(k, v)| (k, without_nulls(v)))
            .collect(),
        Value::Array(items) => items.into_iter().map(without_nulls).collect(),
        other => other,
    }
}

/// JSON from the command line, or from standard input where that says "-".
pub(crate) fn json_text(given: &str) -> Result<String> {
    if given == "-" {
        std::io::read_to_string(std::io::stdin()).context("standard input can't be read")
    } else {
        Ok(given.to_owned())
    }
}

/// A JSON value typed by a person.
pub(crate) fn json_value(given: &str) -> Result<Value> {
    let text = json_text(given)?;
    match serde_json::from_str(&text) {
        Ok(value) => Ok(value),
        Err(e) => {
            bail!("that is no JSON: {e} (write {{\"name\": \"value\", ...}}, or - to read standard input)")
        }
    }
}

fn words(value: &Value, none: &str) -> String {
    match value {
        Value::Array(rows) if rows.is_empty() => none.to_owned(),
        Value::Array(rows) if rows.iter().all(Value::is_object) => rows_table(rows),
        Value::Array(rows) => rows.iter().map(cell).collect::<Vec<_>>().join("\n"),
        Value::Object(fields) => {
            let line = |(name, value): (&String, &Value)| match value {
                Value::Array(rows) if rows.first().is_some_and(Value::is_object) => {
                    format!("{}:\n{}", spaced(name), indented(&words(value, "none")))
                }
                Value::Object(_) => format!("{}:\n{}", spaced(name), indented(&words(value, "none"))),
                other => format!("{}: {}", spaced(name), cell(other)),
            };
            fields.iter().map(line).collect::<Vec<_>>().join("\n")
        }
        other => cell(other),
    }
}

fn rows_table(rows: &[Value]) -> String {
    let mut names: Vec<&String> = Vec::new();
    for name in rows
        .iter()
        .filter_map(Value::as_object)
        .flat_map(|row| row.keys())
    {
        if !names.contains(&name) {
            names.push(name);
        }
    }
    let header: Vec<String> = names.iter().map(|name| spaced(name)).collect();
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    let line = |row: &Value| {
        names
            .iter()
            .map(|name| row.get(*name).map_or_else(String::new, cell))
            .collect()
    };
    table(&header, &rows.iter().map(line).collect::<Vec<_>>())
}

fn spaced(name: &str) -> String {
    name.replace('_', " ")
}

fn indented(text: &str) -> String {
    text.lines()
        .map(|line| format!("  {line}"))
        .collect::<Vec<_>>()
        .join("\n")
}

/// One value in a line.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => "-".into(),
        Value::Bool(true) => "yes".into(),
        Value::Bool(false) => "no".into(),
        Value::String(text) => text.clone(),
        Value::Array(items) if items.is_empty() => "none".into(),
        Value::Array(items) => items.iter().map(cell).collect::<Vec<_>>().join(", "),
        Value::Object(fields) => fields
            .iter()
            .filter(|(_, v)| !v.is_null())
            // "is" names the sort of a thing: its value says it all.
            .map(|(name, v)| match name.as_str() {
                "is" => cell(v),
                name => format!("{} {}", spaced(name), cell(v)),
            })
            .collect::<Vec<_>>()
            .join(" "),
        number => match number.as_f64().filter(|_| number.is_f64()) {
            // Four digits are more than any figure here is worth.
            Some(x) => format!("{:.4}", x)
                .trim_end_matches('0')
                .trim_end_matches('.')
                .to_owned(),
            None => number.to_string(),
        },
    }
}
