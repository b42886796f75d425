//! The part of `earlywood journal` about other copies: exchange by file, devices, conflicts, shared stores.

use std::fs::File;
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, bail};
use clap::{Args, Subcommand};
use earlywood_journal::sync::{
    Accepted, Held, Limit, Limits, Offer, Scope, decode_gzip, decode_offer_gzip, encode_gzip,
};
use earlywood_journal::{PostgresStore, Programme, Request, SqliteStore, Store};
use serde_json::{Value, json};
use uuid::Uuid;

use super::record::Desk;
use crate::out::note;

#[derive(Subcommand)]
pub(crate) enum Exchange {
    /// Exchange with another programme file: both then have what either had.
    Merge {
        /// The other copy.
        other: PathBuf,
    },
    /// Put a backup back as a working file (FILE is the new one).
    Restore {
        /// The backup.
        backup: PathBuf,
        /// The old device's key, to go on as that device; only when no other copy holds later entries of it.
        #[arg(long, value_name = "KEYFILE")]
        key: Option<PathBuf>,
    },
    /// Make this copy a device of its own; prints the line that a lead enrols.
    Join,
    /// Enrol a device by the line that it printed.
    Enrol {
        /// The line (earlywood-device:ID:KEY).
        line: String,
        /// The person who holds it; an office machine when left out.
        #[arg(long, value_name = "PERSON")]
        holder: Option<String>,
    },
    /// Let a device's entries count up to a number, and no further.
    Withdraw {
        /// Id of the device.
        device: Uuid,
        /// Number of its last entry that counts.
        #[arg(long, value_name = "N")]
        last: u64,
        /// Why.
        #[arg(long)]
        reason: String,
    },
    /// List devices.
    Devices,
    /// List what two people did that can't both be.
    Conflicts {
        /// The settled ones too.
        #[arg(long)]
        all: bool,
    },
    /// Settle a conflict.
    Settle(Settle),
    /// Copy the journal into another store, proved by hash.
    CopyTo {
        /// postgres://user@host/db (password in PGPASSWORD), or the path of a new file.
        store: String,
    },
    /// Exchange with a store that several offices share.
    Share {
        /// postgres://user@host/db (password in PGPASSWORD).
        store: String,
    },
    /// Take what a shared store has and this file has not.
    From {
        /// postgres://user@host/db (password in PGPASSWORD).
        store: String,
    },
    /// Write what another copy lacks into a file to carry by hand.
    Bundle {
        /// The file to write.
        out: PathBuf,
        /// What the other copy has (a bundle of its own); everything is put in when left out.
        #[arg(long = "for", value_name = "OTHER")]
        other: Option<PathBuf>,
    },
    /// Take what a carried file holds.
    Take {
        /// The file.
        bundle: PathBuf,
    },
}

#[derive(Args)]
pub(crate) struct Settle {
    /// Id of the conflict, or its first digits.
    id: String,
    /// Let everything stand as it is.
    #[arg(long, required_unless_present_any = ["withdraw", "accept_loss"], conflicts_with_all = ["withdraw", "accept_loss"])]
    keep: bool,
    /// Withdraw these entries.
    #[arg(long, value_name = "ENTRY", num_args = 1.., value_delimiter = ',', conflicts_with = "accept_loss")]
    withdraw: Vec<Uuid>,
    /// Accept that something is lost.
    #[arg(long)]
    accept_loss: bool,
    /// Why.
    #[arg(long)]
    reason: String,
}

pub(crate) fn run(desk: &Desk<'_>, what: Exchange) -> Result<()> {
    match what {
        Exchange::Merge { other } => merge(desk, &other),
        Exchange::Restore { backup, key } => restore(desk, &backup, key.as_deref()),
        Exchange::Join => {
            let request = desk.open()?.join(jiff::Timestamp::now())?;
            tell_request(desk, &request)
        }
        Exchange::Enrol { line, holder } => {
            let receipt = desk
                .open()?
                .enrol_device(&desk.actor.act()?, line.parse()?, holder)?;
            desk.receipt(&receipt)
        }
        Exchange::Withdraw { device, last, reason } => desk.record(
            "device-withdrawn",
            1,
            &json!({"device": device.to_string(), "last_number": last, "reason": reason}),
        ),
        Exchange::Devices => devices(desk),
        Exchange::Conflicts { all } => conflicts(desk, all),
        Exchange::Settle(it) => settle(desk, it),
        Exchange::CopyTo { store } => copy_to(desk, &store),
        Exchange::Share { store } | Exchange::From { store } if !is_server(&store) => {
            bail!(
                "{store:?} is no server: write postgres://user@host/db (two files exchange by: earlywood journal FILE merge OTHER)"
            )
        }
        Exchange::Share { store } => share(desk, &store),
        Exchange::From { store } => from(desk, &store),
        Exchange::Bundle { out, other } => bundle(desk, &out, other.as_deref()),
        Exchange::Take { bundle } => take(desk, &bundle),
    }
}

pub(crate) fn held_json(held: &[Held]) -> Value {
    held.iter()
        .map(|h| json!({"device": h.device.to_string(), "entries": h.entries, "why": h.why}))
        .collect()
}

fn accepted_json(a: &Accepted) -> Value {
    json!({"new": a.new, "known": a.known, "contents": a.contents, "held_back": held_json(&a.held_back),
        "conflicts": a.conflicts})
}

fn accepted_words(side: &str, a: &Accepted) -> String {
    for held in &a.held_back {
        note(&format!(
            "{side}: {} entries of device {} held back: {}",
            held.entries, held.device, held.why
        ));
    }
    format!(
        "{side}: {} entries new, {} known, {} contents, {} new conflicts.",
        a.new, a.known, a.contents, a.conflicts
    )
}

fn merge(desk: &Desk<'_>, other: &Path) -> Result<()> {
    let (here, there) = desk.open()?.merge_file(jiff::Timestamp::now(), other)?;
    desk.form.say(
        || {
            format!(
                "{}\n{}",
                accepted_words("here", &here),
                accepted_words("there", &there)
            )
        },
        || json!({"here": accepted_json(&here), "there": accepted_json(&there)}),
    )
}

fn tell_request(desk: &Desk<'_>, request: &Request) -> Result<()> {
    let file = desk.file.file.display();
    desk.form.say(
        || {
            format!(
                "{file} is a device of its own. Give the programme lead this line:\n{request}\n\
                 The lead types: earlywood journal THEIR-FILE enrol LINE [--holder PERSON]\n\
                 Then exchange once (merge, sync or take), and this copy may write."
            )
        },
        || json!({"device": request.device.to_string(), "line": request.to_string()}),
    )
}

fn restore(desk: &Desk<'_>, backup: &Path, key: Option<&Path>) -> Result<()> {
    let restored = Programme::restore(backup, &desk.file.file, jiff::Timestamp::now(), key)?;
    let request = restored.request()?;
    if key.is_none() {
        return tell_request(desk, &request);
    }
    desk.form.say(
        || {
            format!(
                "{} goes on as device {}.",
                desk.file.file.display(),
                request.device
            )
        },
        || json!({"device": request.device.to_string(), "line": request.to_string()}),
    )
}

fn devices(desk: &Desk<'_>) -> Result<()> {
    let programme = desk.read()?;
    let this = programme.device();
    let rows: Vec<Value> = programme
        .devices()?
        .iter()
        .map(|d| {
            json!({"device": d.device.to_string(), "holder": d.holder, "entries": d.entries,
                "withdrawn_after": d.last_number, "this": d.device == this})
        })
        .collect();
    desk.list("devices", &rows, "No device is enrolled.")
}

fn conflicts(desk: &Desk<'_>, all: bool) -> Result<()> {
    let found = desk.read()?.conflicts(all)?;
    let rows: Vec<Value> = found
        .iter()
        .map(|c| {
            json!({"id": c.id, "subject": c.subject, "kind": c.kind, "words": c.words, "entries": c.entries,
                "settled_by": c.settled_by.map(|by| by.to_string())})
        })
        .collect();
    desk.list("conflicts", &rows, "Nothing waits to be settled.")
}

fn settle(desk: &Desk<'_>, it: Settle) -> Result<()> {
    let known = desk.read()?.conflicts(true)?;
    let mut matching = known.iter().filter(|c| c.id.starts_with(&it.id));
    let id = match (matching.next(), matching.next()) {
        (Some(one), None) => one.id.clone(),
        (None, _) => bail!(
            "no conflict {:?} is listed (earlywood journal FILE conflicts lists them)",
            it.id
        ),
        _ => bail!("{:?} begins more than one conflict; write more of it", it.id),
    };
    let decision = if it.keep {
        json!({"is": "keep-all"})
    } else if it.accept_loss {
        json!({"is": "accept-loss"})
    } else {
        json!({"is": "withdraw", "entries": it.withdraw.iter().map(Uuid::to_string).collect::<Vec<_>>()})
    };
    desk.record(
        "conflict-settled",
        1,
        &json!({"conflict": id, "decision": decision, "reason": it.reason}),
    )
}

fn is_server(store: &str) -> bool {
    store.starts_with("postgres://") || store.starts_with("postgresql://")
}

/// The address with the password from PGPASSWORD; one written into the address would stay in the shell's history.
fn server_url(store: &str) -> Result<String> {
    let Some((scheme, rest)) = store.split_once("://") else {
        bail!("{store:?} is no address of a server")
    };
    let query_password = rest
        .split_once('?')
        .is_some_and(|(_, query)| query.contains("password"));
    let user = rest
        .split('/')
        .next()
        .and_then(|authority| authority.rsplit_once('@'));
    if query_password || user.is_some_and(|(user, _)| user.contains(':')) {
        bail!(
            "leave the password out of the address, where others can read it; put it into the variable PGPASSWORD"
        );
    }
    match (std::env::var("PGPASSWORD"), rest.split_once('@')) {
        (Ok(password), Some((user, host))) if !password.is_empty() => {
            let escaped: String = password.bytes().map(|b| format!("%{b:02X}")).collect();
            Ok(format!("{scheme}://{user}:{escaped}@{host}"))
        }
        (Ok(password), None) if !password.is_empty() => {
            bail!("PGPASSWORD is set but the address names no user: write postgres://user@host/db")
        }
        _ => Ok(store.to_owned()),
    }
}

/// The journal of a database, made when there is none.
fn server_store(store: &str) -> Result<PostgresStore> {
    let url = server_url(store)?;
    match PostgresStore::open(&url) {
        Ok(opened) => Ok(opened),
        Err(e) if e.to_string().contains("there is no journal") => {
            Ok(PostgresStore::create(&url, |_| Ok(()))?)
        }
        Err(e) => Err(e.into()),
    }
}

fn copy_to(desk: &Desk<'_>, store: &str) -> Result<()> {
    let programme = desk.read()?;
    let mut target: Box<dyn Store> = if is_server(store) {
        Box::new(server_store(store)?)
    } else {
        Box::new(SqliteStore::open(Path::new(store))?)
    };
    let copied = programme.copy_to(&mut *target)?;
    desk.form.say(
        || {
            format!(
                "Copied and proved: {} entries, {} contents, {} people.",
                copied.entries, copied.contents, copied.people
            )
        },
        || json!({"entries": copied.entries, "contents": copied.contents, "people": copied.people}),
    )
}

fn share(desk: &Desk<'_>, store: &str) -> Result<()> {
    let mut programme = desk.open()?;
    programme.share(Box::new(server_store(store)?))?;
    let entries = programme.counts()?.entries;
    desk.form.say(
        || format!("This file and the shared store now hold the same {entries} entries."),
        || json!({"entries": entries}),
    )
}

fn from(desk: &Desk<'_>, store: &str) -> Result<()> {
    let mut programme = desk.open()?;
    let before = programme.counts()?.entries;
    programme.share(Box::new(PostgresStore::open(&server_url(store)?)?))?;
    let after = programme.counts()?.entries;
    desk.form.say(
        || format!("{} entries taken; {after} in all.", after.saturating_sub(before)),
        || json!({"taken": after.saturating_sub(before), "entries": after}),
    )
}

fn bundle(desk: &Desk<'_>, out: &Path, other: Option<&Path>) -> Result<()> {
    let programme = desk.read()?;
    let theirs = match other {
        None => Offer {
            programme: programme.id()?,
            heads: Vec::new(),
            wants: Vec::new(),
        },
        Some(path) => their_offer(path)?,
    };
    let everything = Limit {
        entries: usize::MAX - 1,
        bytes: usize::MAX - 1,
    };
    let bundle = programme.bundle(&theirs, Scope::Everything, everything)?;
    let file = File::create_new(out).with_context(|| format!("{} can't be made", out.display()))?;
    let mut to = BufWriter::new(file);
    encode_gzip(&bundle, &mut to)?;
    to.into_inner()
        .map_err(std::io::IntoInnerError::into_error)?
        .sync_all()?;
    desk.form.say(
        || {
            format!(
                "{}: {} entries, {} contents. The other side types: earlywood journal FILE take {}",
                out.display(),
                bundle.entries.len(),
                bundle.contents.len(),
                out.display()
            )
        },
        || json!({"bundle": out, "entries": bundle.entries.len(), "contents": bundle.contents.len()}),
    )
}

fn open_message(path: &Path) -> Result<BufReader<File>> {
    Ok(BufReader::new(
        File::open(path).with_context(|| format!("{} can't be read", path.display()))?,
    ))
}

/// What the other side has: an offer, or any bundle of its own.
fn their_offer(path: &Path) -> Result<Offer> {
    if let Ok(offer) = decode_offer_gzip(open_message(path)?, &Limits::default()) {
        return Ok(offer);
    }
    let bundle = decode_gzip(open_message(path)?, &Limits::default())
        .with_context(|| format!("{}", path.display()))?;
    Ok(bundle.offer())
}

fn take(desk: &Desk<'_>, path: &Path) -> Result<()> {
    let bundle = decode_gzip(open_message(path)?, &Limits::default())
        .with_context(|| format!("{}", path.display()))?;
    let accepted = desk.open()?.accept(jiff::Timestamp::now(), &bundle)?;
    desk.form
        .say(|| accepted_words("here", &accepted), || accepted_json(&accepted))
}
