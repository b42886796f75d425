//! `earlywood people`: who takes part, in what role; and what is known of them beside the journal.

use anyhow::Result;
use clap::{Args, Subcommand};
use earlywood_journal::Personal;
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};

use super::record::{AnyActor, Desk};
use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct PeopleArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: AnyActor,
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// List people and their roles of today.
    List,
    /// Enrol a person, or give one other roles.
    Enrol(Enrol),
    /// Form a crew, or change who is in it.
    Crew(Crew),
    /// Say up to where an identifier's word counts.
    Authority(Authority),
    /// Show what the erasable side table says of a person.
    Who {
        /// Id of the person.
        person: String,
    },
    /// Write down who a person is, beside the journal, where it can be erased.
    Tell(Tell),
    /// Erase what is known of a person beyond the id.
    Erase {
        /// Id of the person.
        person: String,
    },
}

#[derive(Args, Serialize)]
struct Enrol {
    /// Id of the person, such as p-14: no name.
    person: String,
    /// lead, supervisor, inspector, identifier, clerk or partner; may be given again.
    #[arg(long = "role", required = true)]
    roles: Vec<String>,
    /// First day; today when left out.
    #[arg(long)]
    from: Option<Date>,
    /// Last day.
    #[arg(long)]
    to: Option<Date>,
}

#[derive(Args, Serialize)]
struct Crew {
    /// Label of the crew, such as crew-3.
    crew: String,
    /// Ids of the people in it.
    #[arg(long = "of", value_name = "PERSON", required = true, num_args = 1.., value_delimiter = ',')]
    people: Vec<String>,
    /// First day; today when left out.
    #[arg(long)]
    from: Option<Date>,
    /// Last day.
    #[arg(long)]
    to: Option<Date>,
}

#[derive(Args, Serialize)]
struct Authority {
    /// Id of the person.
    person: String,
    /// Target ids or scientific names; * for any.
    #[arg(long, required = true, num_args = 1.., value_delimiter = ',')]
    taxa: Vec<String>,
    /// tentative, determined or confirmed.
    #[arg(long)]
    up_to: String,
    /// Life stages it is limited to; any when left out.
    #[arg(long, value_delimiter = ',')]
    life_stages: Vec<String>,
    /// First day; today when left out.
    #[arg(long)]
    from: Option<Date>,
    /// Last day.
    #[arg(long)]
    to: Option<Date>,
    /// Who granted it; the person acting when left out.
    #[arg(long)]
    granted_by: Option<String>,
    /// Anything a reader must know.
    #[arg(long)]
    note: Option<String>,
}

#[derive(Args)]
struct Tell {
    /// Id of the person.
    person: String,
    /// Name as the person wants it written.
    #[arg(long)]
    name: Option<String>,
    /// Telephone number.
    #[arg(long)]
    phone: Option<String>,
    /// E-mail address.
    #[arg(long)]
    email: Option<String>,
    /// Postal address.
    #[arg(long)]
    address: Option<String>,
    /// Languages, preferred hours.
    #[arg(long)]
    note: Option<String>,
}

pub(crate) fn run(args: PeopleArgs, form: Form) -> Result<()> {
    let desk = Desk {
        file: &args.file,
        actor: &args.actor,
        form,
    };
    let today = super::today();
    match args.what {
        What::List => list(&desk),
        What::Enrol(mut it) => {
            it.from.get_or_insert(today);
            desk.record("person-enrolled", 1, &it)
        }
        What::Crew(mut it) => {
            it.from.get_or_insert(today);
            desk.record("crew-formed", 1, &it)
        }
        What::Authority(mut it) => {
            it.from.get_or_insert(today);
            it.granted_by.get_or_insert_with(|| args.actor.who().to_owned());
            desk.record("authority-granted", 1, &it)
        }
        What::Who { person } => {
            let known = desk.read()?.personal(&args.actor.act()?, &person)?;
            match known {
                Some(known) => desk.show(&known, "nothing"),
                None => form.say(
                    || format!("Nothing is kept of {person}."),
                    || json!({"person": person, "kept": false}),
                ),
            }
        }
        What::Tell(it) => tell(&desk, it),
        What::Erase { person } => {
            let receipt = desk.open()?.erase_person(&args.actor.act()?, &person)?;
            desk.receipt(&receipt)
        }
    }
}

fn list(desk: &Desk<'_>) -> Result<()> {
    let people = desk.read()?.people(super::today())?;
    let rows: Vec<Value> = people
        .iter()
        .map(|p| {
            json!({"person": p.id, "roles": p.roles, "from": p.enrolled.as_ref().map(|e| e.from),
                "to": p.enrolled.as_ref().and_then(|e| e.to)})
        })
        .collect();
    desk.list("people", &rows, "Nobody is enrolled.")
}

/// What is not told stays as it was.
fn tell(desk: &Desk<'_>, it: Tell) -> Result<()> {
    let mut programme = desk.open()?;
    let act = desk.actor.act()?;
    let was = programme.personal(&act, &it.person)?.unwrap_or_default();
    let now = Personal {
        name: it.name.or(was.name),
        phone: it.phone.or(was.phone),
        email: it.email.or(was.email),
        address: it.address.or(was.address),
        note: it.note.or(was.note),
    };
    programme.set_personal(&act, &it.person, &now)?;
    let person = it.person;
    desk.form.say(
        || format!("Kept beside the journal for {person}."),
        || json!({"person": person, "kept": true}),
    )
}
