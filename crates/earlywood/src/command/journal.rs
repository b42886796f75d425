//! `earlywood journal`: the record itself.

use std::path::PathBuf;

use anyhow::{Result, bail};
use clap::{Args, Subcommand, ValueEnum};
use earlywood_journal::{Determination, LogFilter, Status};
use jiff::civil::Date;
use serde_json::{Value, json};

use crate::out::{Form, table};
use crate::{ActorArg, FileArg};

#[derive(Args)]
pub(crate) struct JournalArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// Check numbering, hashes and contents; name the first bad entry.
    Verify,
    /// List entries, oldest first.
    Log {
        /// Show only the last N entries; 0 shows all.
        #[arg(long, value_name = "N", default_value = "50")]
        last: usize,
        /// Show only entries of this kind (visit-made, hosts-loaded, ...).
        #[arg(long)]
        kind: Option<String>,
    },
    /// Write down what a suspect turned out to be. Only a person with standing determines; the tool records.
    Determine(DetermineArgs),
    /// Compute everything that is derived from the entries again.
    Rebuild,
    /// Write a verified copy of the programme file.
    Backup {
        /// The copy; must not exist.
        to: PathBuf,
    },
}

#[derive(Args)]
struct DetermineArgs {
    /// The trap it was taken from.
    #[arg(long)]
    trap: String,
    /// Day the specimen was taken.
    #[arg(long, value_name = "D")]
    taken: Date,
    /// Target it is (or is not), by id.
    #[arg(long)]
    target: String,
    /// How sure.
    #[arg(long, value_enum)]
    status: StatusArg,
    /// Who determined it: an id or a role.
    #[arg(long)]
    by: String,
    /// Day it was determined; today when left out.
    #[arg(long, value_name = "D")]
    on: Option<Date>,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
    #[command(flatten)]
    actor: ActorArg,
}

#[derive(Clone, Copy, ValueEnum)]
enum StatusArg {
    /// Could be the target; nobody who can tell has looked.
    Suspect,
    /// A trained screener thinks so.
    Tentative,
    /// A qualified identifier says so.
    Determined,
    /// The authority says so: a find.
    Confirmed,
    /// It is something else.
    RuledOut,
    /// It can't be told.
    Undeterminable,
}

impl From<StatusArg> for Status {
    fn from(status: StatusArg) -> Status {
        match status {
            StatusArg::Suspect => Status::Suspect,
            StatusArg::Tentative => Status::Tentative,
            StatusArg::Determined => Status::Determined,
            StatusArg::Confirmed => Status::Confirmed,
            StatusArg::RuledOut => Status::RuledOut,
            StatusArg::Undeterminable => Status::Undeterminable,
        }
    }
}

fn determine(file: &FileArg, args: DetermineArgs, form: Form) -> Result<()> {
    let mut programme = super::open(file)?;
    // Also refuses a target that nobody knows.
    let target = crate::chain::target(&programme, &args.target)?;
    let on = args.on.unwrap_or_else(super::today);
    if on < args.taken || on > super::today() {
        bail!(
            "--on {on} must lie between the day the specimen was taken ({}) and today",
            args.taken
        );
    }
    let made = Determination {
        trap: args.trap,
        date: args.taken,
        target: target.id,
        status: args.status.into(),
        by: args.by,
        note: args.note,
    };
    let receipt = programme.append(
        &super::act(&args.actor)?,
        crate::chain::determination_on(on, made)?,
    )?;
    form.say(
        || format!("Written down as entry {}.", receipt.number),
        || json!({"entry": receipt.id.to_string(), "number": receipt.number}),
    )
}

pub(crate) fn run(args: JournalArgs, form: Form) -> Result<()> {
    match args.what {
        What::Verify => verify(&args.file, form),
        What::Log { last, kind } => log(&args.file, last, kind, form),
        What::Determine(found) => determine(&args.file, found, form),
        What::Rebuild => rebuild(&args.file, form),
        What::Backup { to } => backup(&args.file, &to, form),
    }
}

fn verify(file: &FileArg, form: Form) -> Result<()> {
    let found = super::read(file)?.verify()?;
    if let Some(bad) = &found.first_bad {
        bail!("{}: the journal does not hold: {bad}", file.file.display());
    }
    let unknown: Vec<Value> = found
        .unknown
        .iter()
        .map(|u| json!({"kind": u.kind, "version": u.version, "entries": u.entries}))
        .collect();
    for u in &found.unknown {
        crate::out::note(&format!(
            "{} entries of kind {} version {} are kept but this program can't read them",
            u.entries, u.kind, u.version
        ));
    }
    form.say(
        || {
            format!(
                "The journal holds: {} entries and {} loaded rows, numbered without a gap, every hash right.",
                found.entries, found.rows
            )
        },
        || json!({"sound": true, "entries": found.entries, "rows": found.rows, "chunks": found.chunks, "unknown": unknown}),
    )
}

fn log(file: &FileArg, last: usize, kind: Option<String>, form: Form) -> Result<()> {
    let filter = LogFilter {
        kind,
        last: (last > 0).then_some(last as u64),
        ..LogFilter::default()
    };
    let entries = super::read(file)?.log(&filter)?;
    form.say(
        || {
            let rows: Vec<Vec<String>> = entries
                .iter()
                .map(|e| {
                    let brief: String = e.body_text.chars().take(70).collect();
                    vec![
                        e.number.to_string(),
                        e.event_time.clone(),
                        e.person.clone(),
                        e.kind.clone(),
                        brief,
                    ]
                })
                .collect();
            table(&["no.", "happened", "who", "kind", "what"], &rows)
        },
        || {
            let all: Vec<Value> = entries
                .iter()
                .map(|e| {
                    let body: Value = serde_json::from_str(&e.body_text).unwrap_or(Value::Null);
                    json!({"id": e.id.to_string(), "device": e.device.to_string(), "number": e.number,
                        "event_time": e.event_time, "recorded_time": e.recorded_time, "person": e.person,
                        "kind": e.kind, "version": e.body_version, "hash": e.hash.to_string(), "body": body})
                })
                .collect();
            json!({ "entries": all })
        },
    )
}

fn rebuild(file: &FileArg, form: Form) -> Result<()> {
    let mut programme = super::open(file)?;
    programme.rebuild()?;
    let counts = programme.counts()?;
    form.say(
        || {
            format!(
                "Everything derived was computed again from {} entries.",
                counts.entries
            )
        },
        || json!({"entries": counts.entries}),
    )
}

fn backup(file: &FileArg, to: &std::path::Path, form: Form) -> Result<()> {
    let copy = super::read(file)?.backup(to)?;
    form.say(
        || {
            format!(
                "{} holds a verified copy ({} entries).",
                to.display(),
                copy.entries
            )
        },
        || json!({"backup": to, "entries": copy.entries}),
    )
}
