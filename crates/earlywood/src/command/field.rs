//! `earlywood hold`, `earlywood tree`, `earlywood trap`: what happens in the field beside the stops.

use anyhow::{Result, bail};
use clap::{Args, Subcommand};
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::record::{AnyActor, Desk, json_value};
use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct HoldArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: HoldWhat,
}

#[derive(Subcommand)]
enum HoldWhat {
    /// Work stops somewhere for a while: the days excuse the crew and still count as no effort.
    Declare(Declare),
    /// A hold is over.
    Lift {
        /// Label of the hold.
        hold: String,
        /// Last day; today when left out.
        #[arg(long)]
        on: Option<Date>,
    },
    /// List holds.
    List,
}

#[derive(Args)]
struct Declare {
    /// Label of the hold.
    hold: String,
    /// lightning, wind, rain, heat, smoke, fire-closure, flood, hunting, pesticide-re-entry, police, holiday; anything
    /// else is taken as your own words.
    #[arg(long)]
    cause: String,
    /// Zones it covers; everything when none, no place and no trap is named.
    #[arg(long, value_delimiter = ',', conflicts_with_all = ["places", "traps"])]
    zones: Vec<String>,
    /// Places it covers.
    #[arg(long, value_delimiter = ',', conflicts_with = "traps")]
    places: Vec<String>,
    /// Traps it covers.
    #[arg(long, value_delimiter = ',')]
    traps: Vec<String>,
    /// First day; today when left out.
    #[arg(long)]
    from: Option<Date>,
    /// Last day.
    #[arg(long)]
    to: Option<Date>,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

pub(crate) fn hold(args: HoldArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    match args.what {
        HoldWhat::Declare(it) => declare(&desk, &it),
        HoldWhat::Lift { hold, on } => {
            let date = on.unwrap_or_else(super::today);
            desk.record("hold-lifted", 1, &json!({"hold": hold, "date": date}))
        }
        HoldWhat::List => desk.list("holds", &desk.read()?.holds()?, "No hold was declared."),
    }
}

fn declare(desk: &Desk<'_>, it: &Declare) -> Result<()> {
    const CAUSES: [&str; 11] = [
        "lightning",
        "wind",
        "rain",
        "heat",
        "smoke",
        "fire-closure",
        "flood",
        "hunting",
        "pesticide-re-entry",
        "police",
        "holiday",
    ];
    let cause = if CAUSES.contains(&it.cause.as_str()) {
        json!(it.cause)
    } else {
        json!({"other": it.cause})
    };
    let scope = match (&it.zones, &it.places, &it.traps) {
        (zones, _, _) if !zones.is_empty() => json!({"zones": zones}),
        (_, places, _) if !places.is_empty() => json!({"places": places}),
        (_, _, traps) if !traps.is_empty() => json!({"traps": traps}),
        _ => json!("all"),
    };
    let from = it.from.unwrap_or_else(super::today);
    desk.record(
        "hold-declared",
        1,
        &json!({"hold": it.hold, "cause": cause, "scope": scope, "from": from, "to": it.to, "note": it.note}),
    )
}

#[derive(Args)]
pub(crate) struct TreeArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: TreeWhat,
}

#[derive(Subcommand)]
enum TreeWhat {
    /// Write down a look at a tree, from JSON (earlywood journal FILE schema tree-inspected shows its fields).
    Inspect {
        /// The inspection as JSON; - reads standard input.
        inspection: String,
    },
    /// List inspections.
    List,
    /// Write down that a girdled detection tree was peeled, from JSON (earlywood journal FILE schema detection-tree-peeled
    /// shows its fields).
    Peeled {
        /// The record as JSON; - reads standard input.
        record: String,
    },
    /// List detection trees that were peeled.
    DetectionTrees,
}

pub(crate) fn tree(args: TreeArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    match args.what {
        TreeWhat::Inspect { inspection } => desk.record("tree-inspected", 1, &json_value(&inspection)?),
        TreeWhat::List => {
            let all = desk.read()?.inspections()?;
            let rows: Vec<Value> = all
                .iter()
                .map(|r| {
                    json!({"date": r.value.date, "tree": r.value.tree, "looked": r.value.looked,
                        "signs": r.value.signs.iter().map(|s| json!(s.sign)).collect::<Vec<_>>(),
                        "none_found": r.value.none_found, "entry": r.entry.to_string()})
                })
                .collect();
            desk.list("inspections", &rows, "No tree was inspected.")
        }
        TreeWhat::Peeled { record } => desk.record("detection-tree-peeled", 1, &json_value(&record)?),
        TreeWhat::DetectionTrees => {
            let all = desk.read()?.detection_trees()?;
            let rows: Vec<Value> = all
                .iter()
                .map(|r| {
                    json!({"date": r.value.date, "tree": r.value.tree, "girdled": r.value.girdled,
                        "peeled_share": r.value.peeled_share, "found": r.value.found, "entry": r.entry.to_string()})
                })
                .collect();
            desk.list("detection_trees", &rows, "No detection tree was peeled.")
        }
    }
}

#[derive(Args)]
pub(crate) struct TipArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: TipWhat,
}

#[derive(Subcommand)]
enum TipWhat {
    /// Write down what somebody reported. Never who: names, numbers and addresses of people don't belong in the journal.
    Receive {
        /// Label of the tip.
        tip: String,
        /// What was reported, in plain words.
        what: String,
        /// The day; today when left out.
        #[arg(long)]
        on: Option<Date>,
        /// Target that it might be, by id; any when left out.
        #[arg(long)]
        target: Option<String>,
        /// Zone that it is about.
        #[arg(long)]
        zone: Option<String>,
    },
    /// Write down what came of it.
    Close {
        /// Label of the tip.
        tip: String,
        /// What came of it.
        #[arg(long, value_parser = ["something-else", "nothing-found", "not-followed", "specimens-taken"])]
        end: String,
        /// The day; today when left out.
        #[arg(long)]
        on: Option<Date>,
        /// Labels of specimens that were taken.
        #[arg(long, value_delimiter = ',')]
        specimens: Vec<String>,
        /// Anything a reader must know; why it was not followed up.
        #[arg(long)]
        note: Option<String>,
    },
    /// List tips and what came of them.
    List,
}

pub(crate) fn tip(args: TipArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    match args.what {
        TipWhat::Receive {
            tip,
            what,
            on,
            target,
            zone,
        } => {
            let date = on.unwrap_or_else(super::today);
            let body = json!({"tip": tip, "date": date, "what": what, "target": target, "zone": zone});
            desk.record("tip-received", 1, &body)
        }
        TipWhat::Close {
            tip,
            end,
            on,
            specimens,
            note,
        } => {
            let date = on.unwrap_or_else(super::today);
            let body = json!({"tip": tip, "date": date, "end": end, "specimens": specimens, "note": note});
            desk.record("tip-closed", 1, &body)
        }
        TipWhat::List => {
            let programme = desk.read()?;
            let closed = programme.tips_closed()?;
            let end = |tip: &str| {
                closed
                    .iter()
                    .find(|c| c.value.tip == tip)
                    .map(|c| json!(c.value.end))
            };
            let rows: Vec<Value> = programme
                .tips()?
                .iter()
                .map(|r| {
                    json!({"date": r.value.date, "tip": r.value.tip, "what": r.value.what, "zone": r.value.zone,
                        "target": r.value.target, "end": end(&r.value.tip), "entry": r.entry.to_string()})
                })
                .collect();
            desk.list("tips", &rows, "No tip was received.")
        }
    }
}

#[derive(Args)]
pub(crate) struct TrapArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: TrapWhat,
}

#[derive(Subcommand)]
enum TrapWhat {
    /// Give a trap its label.
    Register(Register),
    /// A trap is gone.
    WriteOff(WriteOff),
    /// A trap that was gone is back.
    CameBack(CameBack),
    /// What is known of a trap: where it hung, and the stops made at it.
    Show {
        /// Label of the trap.
        trap: String,
    },
}

#[derive(Args, Serialize)]
struct Register {
    /// Label of the trap.
    trap: String,
    /// What it is, in plain words: prism, multi-funnel ...
    #[arg(long)]
    device: String,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

#[derive(Args, Serialize)]
struct WriteOff {
    /// Label of the trap.
    trap: String,
    /// Day; today when left out.
    #[arg(long = "on")]
    date: Option<Date>,
    /// lost, stolen, destroyed, vandalised or other.
    #[arg(long)]
    why: String,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

#[derive(Args, Serialize)]
struct CameBack {
    /// Label of the trap.
    trap: String,
    /// Day; today when left out.
    #[arg(long = "on")]
    date: Option<Date>,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

pub(crate) fn trap(args: TrapArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    match args.what {
        TrapWhat::Register(it) => desk.record("trap-registered", 1, &it),
        TrapWhat::WriteOff(mut it) => {
            it.date.get_or_insert_with(super::today);
            desk.record("trap-written-off", 1, &it)
        }
        TrapWhat::CameBack(mut it) => {
            it.date.get_or_insert_with(super::today);
            desk.record("trap-came-back", 1, &it)
        }
        TrapWhat::Show { trap } => show(&desk, &trap),
    }
}

fn show(desk: &Desk<'_>, trap: &str) -> Result<()> {
    let programme = desk.read()?;
    let hung: Vec<Value> = programme
        .placements()?
        .iter()
        .filter(|p| p.trap == trap)
        .map(|p| json!({"place": p.place, "hung": p.hung, "taken_down": p.taken_down}))
        .collect();
    if hung.is_empty() {
        bail!("trap {trap:?} was never hung (earlywood load FILE traps SHEET.csv hangs traps)");
    }
    let stops: Vec<Value> = programme
        .stops()?
        .iter()
        .filter(|s| s.value.trap == trap)
        .map(|s| {
            json!({"date": s.value.date, "kind": s.value.kind, "found": s.value.found, "looked": s.value.looked,
                "outcome": s.value.outcome, "entry": s.entry.to_string()})
        })
        .collect();
    desk.show(&json!({"trap": trap, "hung": hung, "stops": stops}), "nothing")
}
