//! `earlywood specimen`: from the trap to the name, and who holds it.

use anyhow::{Result, bail};
use clap::{Args, Subcommand};
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::record::{AnyActor, Desk};
use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct SpecimenArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// Label something taken from a trap, a tree or another specimen.
    Take(Take),
    /// Offer specimens to another person, who accepts or declines.
    Offer(Offer),
    /// Accept what was offered.
    Accept(Accept),
    /// Decline what was offered.
    Decline(Decline),
    /// Write down a screening.
    Screen(Screen),
    /// Write down what a specimen is, in one person's opinion.
    Determine(Determine),
    /// Say what became of a specimen.
    End(End),
    /// Where a specimen is, who held it, and what was said of it.
    Where {
        /// Label of the specimen.
        specimen: String,
    },
    /// What a person holds or was offered, most urgent first.
    Tray {
        /// Id of the person.
        person: String,
    },
    /// Offers that nobody has answered.
    Unanswered {
        /// Only those older than this, in hours.
        #[arg(long, default_value = "0")]
        hours: u32,
    },
}

#[derive(Args)]
struct Take {
    /// Label of the specimen.
    specimen: String,
    /// insert, insect, larva, branch, gallery, log, frass or other.
    #[arg(long)]
    what: String,
    /// The trap it came from.
    #[arg(long, conflicts_with_all = ["tree", "parent", "elsewhere"])]
    trap: Option<String>,
    /// The tree it came from.
    #[arg(long, conflicts_with_all = ["parent", "elsewhere"])]
    tree: Option<String>,
    /// The specimen it was lifted from.
    #[arg(long, conflicts_with = "elsewhere")]
    parent: Option<String>,
    /// Where else it came from, in words.
    #[arg(long)]
    elsewhere: Option<String>,
    /// Day it was taken; today when left out.
    #[arg(long)]
    on: Option<Date>,
    #[command(flatten)]
    more: TakeMore,
}

#[derive(Args, Serialize)]
struct TakeMore {
    /// How many pieces.
    #[arg(long)]
    count: Option<u32>,
    /// What it is in.
    #[arg(long)]
    container: Option<String>,
    /// dry, cold, 70 % ethanol ...
    #[arg(long)]
    kept_in: Option<String>,
    /// Target id it may be.
    #[arg(long)]
    suspected: Option<String>,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

#[derive(Args, Serialize)]
struct Offer {
    /// Label of the hand-over.
    handover: String,
    /// Labels of the specimens.
    #[arg(long, required = true, num_args = 1.., value_delimiter = ',')]
    specimens: Vec<String>,
    /// Who gives; the person acting when left out.
    #[arg(long)]
    from: Option<String>,
    /// Who shall take them.
    #[arg(long)]
    to: String,
    /// What for.
    #[arg(long)]
    purpose: String,
    /// How many containers.
    #[arg(long)]
    containers: u32,
    /// Where.
    #[arg(long)]
    place: Option<String>,
    /// Mark of the seal.
    #[arg(long)]
    seal: Option<String>,
    /// Whether the seal is whole (true or false).
    #[arg(long)]
    seal_intact: Option<bool>,
    /// In what state they are.
    #[arg(long)]
    condition: Option<String>,
}

#[derive(Args, Serialize)]
struct Accept {
    /// Label of the hand-over.
    handover: String,
    /// Who accepts; the person acting when left out.
    #[arg(long)]
    by: Option<String>,
    /// How many containers came.
    #[arg(long)]
    containers: u32,
    /// Whether the seal is whole (true or false).
    #[arg(long)]
    seal_intact: Option<bool>,
    /// In what state they came.
    #[arg(long)]
    condition: Option<String>,
}

#[derive(Args, Serialize)]
struct Decline {
    /// Label of the hand-over.
    handover: String,
    /// Who declines; the person acting when left out.
    #[arg(long)]
    by: Option<String>,
    /// Why.
    #[arg(long)]
    why: String,
}

#[derive(Args, Serialize)]
struct Screen {
    /// Label of the specimen.
    specimen: String,
    /// First or second look: 1 or 2.
    #[arg(long, default_value = "1")]
    pass: u8,
    /// Who looked; the person acting when left out.
    #[arg(long)]
    by: Option<String>,
    /// Minutes it took.
    #[arg(long)]
    minutes: Option<u32>,
    /// Suspects seen.
    #[arg(long)]
    suspects: u32,
    /// Labels of the specimens lifted from it.
    #[arg(long, value_delimiter = ',')]
    children: Vec<String>,
    /// Look-alikes seen.
    #[arg(long, default_value = "0")]
    look_alikes: u32,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

#[derive(Args, Serialize)]
struct Determine {
    /// Label of the specimen.
    specimen: String,
    /// Target it is (or is not), by id.
    #[arg(long)]
    target: String,
    /// suspect, tentative, determined, confirmed, ruled-out or undeterminable.
    #[arg(long)]
    status: String,
    /// Who says so; the person acting when left out.
    #[arg(long)]
    by: Option<String>,
    /// image, morphology, dna or other.
    #[arg(long)]
    method: String,
    /// Name of what it is.
    #[arg(long)]
    name: Option<String>,
    /// Rank of the name: species, genus ...
    #[arg(long)]
    rank: Option<String>,
    /// Life stage.
    #[arg(long)]
    life_stage: Option<String>,
    /// female or male.
    #[arg(long)]
    sex: Option<String>,
    /// Whether a female was mated (true or false).
    #[arg(long)]
    mated: Option<bool>,
    /// How sure, in words.
    #[arg(long)]
    sure: Option<String>,
    /// It was looked at for the mark of a planted specimen.
    #[arg(long)]
    mark_checked: bool,
    /// It is the official determination.
    #[arg(long)]
    official: bool,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

#[derive(Args, Serialize)]
struct End {
    /// Label of the specimen.
    specimen: String,
    /// returned, retained, destroyed or lost.
    #[arg(long)]
    how: String,
    /// Where it is now.
    #[arg(long = "where")]
    #[serde(rename = "where")]
    where_: Option<String>,
    /// Who says so; the person acting when left out.
    #[arg(long)]
    by: Option<String>,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

pub(crate) fn run(args: SpecimenArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    let me = || args.actor.who().to_owned();
    match args.what {
        What::Take(it) => take(&desk, it),
        What::Offer(mut it) => {
            it.from.get_or_insert_with(me);
            desk.record("specimens-offered", 1, &it)
        }
        What::Accept(mut it) => {
            it.by.get_or_insert_with(me);
            desk.record("specimens-accepted", 1, &it)
        }
        What::Decline(mut it) => {
            it.by.get_or_insert_with(me);
            desk.record("specimens-declined", 1, &it)
        }
        What::Screen(mut it) => {
            it.by.get_or_insert_with(me);
            desk.record("screening-made", 1, &it)
        }
        What::Determine(mut it) => {
            it.by.get_or_insert_with(me);
            desk.record("determination", 2, &it)
        }
        What::End(mut it) => {
            it.by.get_or_insert_with(me);
            desk.record("specimen-ended", 1, &it)
        }
        What::Where { specimen } => whereabouts(&desk, &specimen),
        What::Tray { person } => desk.list("tray", &desk.read()?.in_tray(&person)?, "The tray is empty."),
        What::Unanswered { hours } => {
            let open = desk.read()?.unanswered(jiff::Timestamp::now(), hours)?;
            desk.list("offers", &open, "Every offer is answered.")
        }
    }
}

fn take(desk: &Desk<'_>, it: Take) -> Result<()> {
    let date = it.on.unwrap_or_else(super::today);
    let from = match (it.trap, it.tree, it.parent, it.elsewhere) {
        (Some(trap), ..) => json!({"is": "trap", "trap": trap, "date": date}),
        (_, Some(tree), ..) => json!({"is": "tree", "tree": tree, "date": date}),
        (_, _, Some(parent), _) => json!({"is": "specimen", "parent": parent}),
        (_, _, _, Some(words)) => json!({"is": "other", "words": words}),
        _ => bail!("say where it came from: --trap, --tree, --parent or --elsewhere"),
    };
    let mut body = serde_json::to_value(&it.more)?;
    if let Value::Object(fields) = &mut body {
        fields.insert("specimen".into(), it.specimen.into());
        fields.insert("what".into(), it.what.into());
        fields.insert("from".into(), from);
    }
    desk.record("specimen-taken", 1, &body)
}

fn whereabouts(desk: &Desk<'_>, specimen: &str) -> Result<()> {
    let w = desk.read()?.whereabouts(&desk.actor.act()?, specimen)?;
    let opinions: Vec<Value> = w
        .opinions
        .iter()
        .map(|o| json!({"entry": o.entry.to_string(), "at": o.at, "said": o.said}))
        .collect();
    let all = json!({"specimen": w.specimen, "state": w.state, "holder": w.holder, "since": w.since,
        "trap": w.trap, "tree": w.tree, "day": w.day, "parent": w.parent, "children": w.children,
        "custody": w.custody, "open_offer": w.open_offer, "opinions": opinions, "finds": w.finds,
        "planted": w.planted});
    desk.show(&all, "nothing")
}
