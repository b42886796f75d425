//! `earlywood journal`: the record itself.

use std::path::PathBuf;

use anyhow::{Result, bail};
use clap::{Args, Subcommand, ValueEnum};
use earlywood_journal::{Body, Change, Correction, Determination, LogFilter, Status};
use jiff::civil::Date;
use serde_json::{Value, json};
use uuid::Uuid;

use super::exchange::{self, Exchange};
use super::record::{AnyActor, Desk, json_text, json_value};
use crate::FileArg;
use crate::out::{Form, table};

#[derive(Args)]
pub(crate) struct JournalArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
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
    /// Correct an earlier entry by a new one.
    Correct(CorrectArgs),
    /// Write down an entry of any kind from its JSON.
    Append {
        /// Kind of the entry (earlywood journal FILE schema lists them).
        kind: String,
        /// The entry's body as JSON; - reads standard input.
        body: String,
        /// Version of the kind; the newest when left out.
        #[arg(long)]
        version: Option<u32>,
    },
    /// List the kinds of entries, or print the JSON Schema of one.
    Schema {
        /// The kind.
        kind: Option<String>,
    },
    #[command(flatten)]
    Exchange(Exchange),
}

#[derive(Args)]
struct CorrectArgs {
    /// Id of the entry.
    entry: Uuid,
    /// It never happened.
    #[arg(long, required_unless_present = "instead", conflicts_with = "instead")]
    withdraw: bool,
    /// What it should have said: its whole body as JSON; - reads standard input.
    #[arg(long, value_name = "JSON")]
    instead: Option<String>,
    /// Why.
    #[arg(long)]
    reason: String,
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

fn determine(desk: &Desk<'_>, args: DetermineArgs) -> Result<()> {
    let mut programme = desk.open()?;
    // Also refuses a target that nobody knows.
    let target = earlywood_chain::target(&programme, &args.target)?;
    let on = args.on.unwrap_or_else(super::today);
    if on < args.taken || on > super::today() {
        bail!(
            "--on {on} must lie between the day the specimen was taken ({}) and today",
            args.taken
        );
    }
    let made = Determination::of_trap(args.trap, args.taken, target.id, args.status.into(), args.by)
        .with_note(args.note);
    let receipt = programme.append(&desk.actor.act()?, earlywood_chain::determination_on(on, made)?)?;
    desk.receipt(&receipt)
}

/// Kinds and versions that this program writes and reads, with their JSON Schemas.
const SCHEMAS: &[(&str, u32, &str)] = &[
    (
        "area-drawn",
        1,
        include_str!("../../../journal/schemas/area-drawn.v1.json"),
    ),
    (
        "area-lifted",
        1,
        include_str!("../../../journal/schemas/area-lifted.v1.json"),
    ),
    (
        "authority-granted",
        1,
        include_str!("../../../journal/schemas/authority-granted.v1.json"),
    ),
    (
        "clock-seen",
        1,
        include_str!("../../../journal/schemas/clock-seen.v1.json"),
    ),
    (
        "conflict-settled",
        1,
        include_str!("../../../journal/schemas/conflict-settled.v1.json"),
    ),
    (
        "correction",
        1,
        include_str!("../../../journal/schemas/correction.v1.json"),
    ),
    (
        "correction",
        2,
        include_str!("../../../journal/schemas/correction.v2.json"),
    ),
    (
        "crew-formed",
        1,
        include_str!("../../../journal/schemas/crew-formed.v1.json"),
    ),
    (
        "delimiting-adopted",
        1,
        include_str!("../../../journal/schemas/delimiting-adopted.v1.json"),
    ),
    (
        "determination",
        1,
        include_str!("../../../journal/schemas/determination.v1.json"),
    ),
    (
        "determination",
        2,
        include_str!("../../../journal/schemas/determination.v2.json"),
    ),
    (
        "device-enrolled",
        1,
        include_str!("../../../journal/schemas/device-enrolled.v1.json"),
    ),
    (
        "device-withdrawn",
        1,
        include_str!("../../../journal/schemas/device-withdrawn.v1.json"),
    ),
    (
        "hold-declared",
        1,
        include_str!("../../../journal/schemas/hold-declared.v1.json"),
    ),
    (
        "hold-lifted",
        1,
        include_str!("../../../journal/schemas/hold-lifted.v1.json"),
    ),
    (
        "access-loaded",
        1,
        include_str!("../../../journal/schemas/access-loaded.v1.json"),
    ),
    (
        "crews-loaded",
        1,
        include_str!("../../../journal/schemas/crews-loaded.v1.json"),
    ),
    (
        "hosts-loaded",
        1,
        include_str!("../../../journal/schemas/hosts-loaded.v1.json"),
    ),
    (
        "land-loaded",
        1,
        include_str!("../../../journal/schemas/land-loaded.v1.json"),
    ),
    (
        "pathways-loaded",
        1,
        include_str!("../../../journal/schemas/pathways-loaded.v1.json"),
    ),
    (
        "person-enrolled",
        1,
        include_str!("../../../journal/schemas/person-enrolled.v1.json"),
    ),
    (
        "person-erased",
        1,
        include_str!("../../../journal/schemas/person-erased.v1.json"),
    ),
    (
        "pest-report-issued",
        1,
        include_str!("../../../journal/schemas/pest-report-issued.v1.json"),
    ),
    (
        "places-loaded",
        1,
        include_str!("../../../journal/schemas/places-loaded.v1.json"),
    ),
    (
        "plan-adopted",
        1,
        include_str!("../../../journal/schemas/plan-adopted.v1.json"),
    ),
    (
        "planting-closed",
        1,
        include_str!("../../../journal/schemas/planting-closed.v1.json"),
    ),
    (
        "programme-set-up",
        1,
        include_str!("../../../journal/schemas/programme-set-up.v1.json"),
    ),
    (
        "programme-set-up",
        2,
        include_str!("../../../journal/schemas/programme-set-up.v2.json"),
    ),
    (
        "protocol-adopted",
        1,
        include_str!("../../../journal/schemas/protocol-adopted.v1.json"),
    ),
    (
        "response-closed",
        1,
        include_str!("../../../journal/schemas/response-closed.v1.json"),
    ),
    (
        "response-opened",
        1,
        include_str!("../../../journal/schemas/response-opened.v1.json"),
    ),
    (
        "response-step-done",
        1,
        include_str!("../../../journal/schemas/response-step-done.v1.json"),
    ),
    (
        "roads-loaded",
        1,
        include_str!("../../../journal/schemas/roads-loaded.v1.json"),
    ),
    (
        "rounds-adopted",
        1,
        include_str!("../../../journal/schemas/rounds-adopted.v1.json"),
    ),
    (
        "screening-made",
        1,
        include_str!("../../../journal/schemas/screening-made.v1.json"),
    ),
    (
        "sealed",
        1,
        include_str!("../../../journal/schemas/sealed.v1.json"),
    ),
    (
        "specimen-ended",
        1,
        include_str!("../../../journal/schemas/specimen-ended.v1.json"),
    ),
    (
        "specimen-taken",
        1,
        include_str!("../../../journal/schemas/specimen-taken.v1.json"),
    ),
    (
        "specimens-accepted",
        1,
        include_str!("../../../journal/schemas/specimens-accepted.v1.json"),
    ),
    (
        "specimens-declined",
        1,
        include_str!("../../../journal/schemas/specimens-declined.v1.json"),
    ),
    (
        "specimens-offered",
        1,
        include_str!("../../../journal/schemas/specimens-offered.v1.json"),
    ),
    (
        "supply",
        1,
        include_str!("../../../journal/schemas/supply.v1.json"),
    ),
    (
        "target-adopted",
        1,
        include_str!("../../../journal/schemas/target-adopted.v1.json"),
    ),
    (
        "trap-came-back",
        1,
        include_str!("../../../journal/schemas/trap-came-back.v1.json"),
    ),
    (
        "trap-placed",
        1,
        include_str!("../../../journal/schemas/trap-placed.v1.json"),
    ),
    (
        "trap-registered",
        1,
        include_str!("../../../journal/schemas/trap-registered.v1.json"),
    ),
    (
        "trap-taken-down",
        1,
        include_str!("../../../journal/schemas/trap-taken-down.v1.json"),
    ),
    (
        "trap-written-off",
        1,
        include_str!("../../../journal/schemas/trap-written-off.v1.json"),
    ),
    (
        "tree-inspected",
        1,
        include_str!("../../../journal/schemas/tree-inspected.v1.json"),
    ),
    (
        "visit-made",
        1,
        include_str!("../../../journal/schemas/visit-made.v1.json"),
    ),
    (
        "visit-made",
        2,
        include_str!("../../../journal/schemas/visit-made.v2.json"),
    ),
    (
        "weather-loaded",
        1,
        include_str!("../../../journal/schemas/weather-loaded.v1.json"),
    ),
    (
        "zones-loaded",
        1,
        include_str!("../../../journal/schemas/zones-loaded.v1.json"),
    ),
];

fn newest(kind: &str) -> Option<u32> {
    SCHEMAS
        .iter()
        .filter(|(k, ..)| *k == kind)
        .map(|(_, version, _)| *version)
        .max()
}

fn append(desk: &Desk<'_>, kind: &str, body: &str, version: Option<u32>) -> Result<()> {
    let Some(version) = version.or_else(|| newest(kind)) else {
        bail!("no kind {kind:?} is known (earlywood journal FILE schema lists the kinds)");
    };
    let body = Body::read_strict(kind, version, &json_text(body)?)?;
    let (mut programme, act) = (desk.open()?, desk.actor.act()?);
    let receipt = match body {
        // A stop brings its specimens, its take-down and its new placement along.
        Body::VisitMade(visit) => programme.record_stop(&act, &visit)?,
        body => programme.append(&act, body)?,
    };
    desk.receipt(&receipt)
}

fn schema(kind: Option<&str>, form: Form) -> Result<()> {
    let Some(kind) = kind else {
        let kinds: Vec<&str> = SCHEMAS
            .iter()
            .filter(|(k, v, _)| newest(k) == Some(*v))
            .map(|(k, ..)| *k)
            .collect();
        return form.say(|| kinds.join("\n"), || json!({"kinds": kinds}));
    };
    let version = newest(kind);
    match SCHEMAS.iter().find(|(k, v, _)| *k == kind && Some(*v) == version) {
        Some((_, _, text)) => {
            let value: Value = serde_json::from_str(text)?;
            form.say(|| (*text).to_owned(), || value)
        }
        None => bail!("no kind {kind:?} is known (earlywood journal FILE schema lists the kinds)"),
    }
}

fn correct(desk: &Desk<'_>, args: &CorrectArgs) -> Result<()> {
    let change = match &args.instead {
        None => Change::Withdraw,
        Some(text) => {
            let Some(entry) = desk.read()?.entry(args.entry)? else {
                bail!(
                    "no entry {} is in this programme (earlywood journal FILE log --json shows ids)",
                    args.entry
                );
            };
            let version = newest(&entry.kind).unwrap_or(entry.body_version);
            let body = json_value(text)?;
            // Says what is wrong with the body itself before the correction is written.
            Body::read_strict(&entry.kind, version, &body.to_string())?;
            Change::Instead { version, body }
        }
    };
    let correction = Correction {
        corrects: args.entry,
        reason: args.reason.clone(),
        change,
    };
    let receipt = desk.open()?.correct(&desk.actor.act()?, correction)?;
    desk.receipt(&receipt)
}

pub(crate) fn run(args: JournalArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    match args.what {
        What::Verify => verify(&args.file, form),
        What::Log { last, kind } => log(&args.file, last, kind, form),
        What::Determine(found) => determine(&desk, found),
        What::Rebuild => rebuild(&args.file, form),
        What::Backup { to } => backup(&args.file, &to, form),
        What::Correct(it) => correct(&desk, &it),
        What::Append { kind, body, version } => append(&desk, &kind, &body, version),
        What::Schema { kind } => schema(kind.as_deref(), form),
        What::Exchange(it) => exchange::run(&desk, it),
    }
}

fn verify(file: &FileArg, form: Form) -> Result<()> {
    let found = super::read(file)?.verify()?;
    if let Some(bad) = &found.first_bad {
        bail!("{}: the journal does not hold: {bad}", file.file.display());
    }
    let founder = found.founder.map(|key| key.to_string());
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
                "The journal holds: {} entries and {} loaded rows, numbered without a gap, every hash right.\n\
                 {} entries are signed; {} contents are awaited.\nKey of the founding device: {}\n{}",
                found.entries,
                found.rows,
                found.signed,
                found.awaited,
                founder.as_deref().unwrap_or("none"),
                heads_words(&found.heads)
            )
        },
        || json!({"sound": true, "entries": found.entries, "rows": found.rows, "chunks": found.chunks,
            "signed": found.signed, "awaited": found.awaited, "founder": founder,
            "heads": found.heads.iter().map(|h| json!({"device": h.device.to_string(), "number": h.number, "hash": h.hash.to_string()})).collect::<Vec<_>>(),
            "unknown": unknown}),
    )
}

fn heads_words(heads: &[earlywood_journal::Head]) -> String {
    let rows: Vec<Vec<String>> = heads
        .iter()
        .map(|h| vec![h.device.to_string(), h.number.to_string(), h.hash.to_string()])
        .collect();
    table(&["device", "last entry", "hash"], &rows)
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
