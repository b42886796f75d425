//! `earlywood response`: all that follows a find, from the notices to the release.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail};
use clap::{Args, Subcommand, ValueEnum};
use earlywood_chain::response::area;
use earlywood_chain::response::delimit::{self, Delimiting, Layout, Wanted};
use earlywood_chain::response::report::{self, Given, Issue};
use earlywood_chain::response::{Case, How, Whole, closing, in_order, origin, public, steps, trigger, whole};
use earlywood_chain::wording::ground_words;
use earlywood_journal::body::ResponseEnd;
use earlywood_journal::{AreaDrawn, AreaLifted, Body, Programme, ProtocolAdopted, Receipt};
use earlywood_model::protocol;
use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::{Value, json};

use super::export::write_whole;
use super::record::AnyActor;
use crate::chain::{GroundArgs, tell};
use crate::out::{Form, table};
use crate::{FileArg, number};

#[derive(Args)]
#[command(subcommand_precedence_over_arg = true)]
pub(crate) struct ResponseArgs {
    #[command(flatten)]
    file: FileArg,
    /// The find, by its specimen's label (`trap:T-1 2026-05-04` for a determination that names a trap and a day). Without it:
    /// the responses there are, and the confirmed finds that wait for one.
    #[arg(value_name = "FIND")]
    find: Option<String>,
    #[command(flatten)]
    actor: AnyActor,
    /// The day asked about; today when left out.
    #[arg(long, value_name = "D", global = true)]
    on: Option<Date>,
    /// Weather station; the only one when left out.
    #[arg(long, value_name = "S", global = true)]
    station: Option<String>,
    #[command(flatten)]
    ground: GroundArgs,
    /// Draws of the uncertain parameters behind the origin; as many as a few seconds allow when left out.
    #[arg(long, value_name = "N", default_value = "0", value_parser = clap::value_parser!(u32).range(0..=100_000), global = true)]
    draws: u32,
    /// Seed of the draws.
    #[arg(long, default_value = "1", global = true)]
    seed: u64,
    /// Trees listed in the order of search.
    #[arg(long, value_name = "N", default_value = "200", global = true)]
    trees: usize,
    /// Write finds, origin and area as GeoJSON: exact positions, confidential.
    #[arg(long, value_name = "OUT", global = true)]
    geojson: Option<PathBuf>,
    /// Write over a file that is there.
    #[arg(long, global = true)]
    force: bool,
    #[command(subcommand)]
    what: Option<What>,
}

#[derive(Subcommand)]
enum What {
    /// Take a protocol for a target: what is decided beforehand about a find. Needs no FIND.
    Adopt {
        /// The protocol, a TOML file; or the id of a target whose protocol comes with the program.
        #[arg(value_name = "PROTOCOL")]
        protocol: String,
    },
    /// Begin a response to the find: it must be confirmed, and a protocol adopted.
    Open {
        /// Why.
        #[arg(long, value_name = "WORDS")]
        reason: String,
    },
    /// Record that somebody of the protocol's chain was told.
    Step {
        /// The step's id.
        #[arg(value_name = "STEP")]
        step: String,
        /// When, as 2026-05-04T09:30:00-07:00; now when left out.
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// What was told, to which office; no private person's name.
        #[arg(long, value_name = "WORDS")]
        note: Option<String>,
    },
    /// The next version of the regulated area, by the protocol's rule or from a file; nothing is written without --adopt.
    Area(AreaArgs),
    /// The delimiting survey, by the protocol's rings and optimised; nothing is written without --adopt.
    Delimit(DelimitArgs),
    /// Lift a version of the regulated area.
    Lift {
        /// The version.
        #[arg(long, value_name = "V")]
        version: u32,
        /// First day on which it holds no more; today when left out.
        #[arg(long, value_name = "D")]
        from: Option<Date>,
        /// By whose order: an office and its paper.
        #[arg(long, value_name = "WORDS")]
        authority: String,
        /// Why.
        #[arg(long, value_name = "WORDS")]
        reason: String,
    },
    /// The next version of the pest report; nothing is written without --issue.
    Report(ReportArgs),
    /// End the response.
    Close {
        /// How it ended.
        #[arg(long, value_enum)]
        end: EndArg,
        /// By whose order.
        #[arg(long, value_name = "WORDS")]
        authority: String,
        /// Why.
        #[arg(long, value_name = "WORDS")]
        reason: String,
    },
}

#[derive(Args)]
struct AreaArgs {
    /// The ground, drawn elsewhere: GeoJSON with one or more polygons. Without it the protocol's rule draws.
    #[arg(long, value_name = "GEOJSON")]
    geometry: Option<PathBuf>,
    /// The boundary in words, a text file; without it, so many polygons of so many corners.
    #[arg(long, value_name = "FILE", requires = "geometry")]
    text: Option<PathBuf>,
    /// First day on which it holds; today when left out.
    #[arg(long, value_name = "D")]
    from: Option<Date>,
    /// Last day on which it holds.
    #[arg(long, value_name = "D")]
    to: Option<Date>,
    /// Adopt it: it goes into the journal.
    #[arg(long, requires = "authority", requires = "reason")]
    adopt: bool,
    /// By whose order: an office and its paper.
    #[arg(long, value_name = "WORDS")]
    authority: Option<String>,
    /// Why this ground.
    #[arg(long, value_name = "WORDS")]
    reason: Option<String>,
}

#[derive(Args)]
struct DelimitArgs {
    /// Traps of the optimised plan; as many as the rings place when left out.
    #[arg(long, value_name = "K")]
    traps: Option<usize>,
    /// Crew-hours of looking at trees; as many as the rings' looks take when left out.
    #[arg(long, value_name = "H", value_parser = number::not_negative, allow_negative_numbers = true)]
    hours: Option<f64>,
    /// A find so heavy that the protocol's extension holds for it. May be given several times.
    #[arg(long, value_name = "FIND")]
    heavy: Vec<String>,
    /// Adopt one of the two: it goes into the journal.
    #[arg(long, value_name = "METHOD", value_parser = ["rings", "optimised"], requires = "reason")]
    adopt: Option<String>,
    /// First day; today when left out.
    #[arg(long, value_name = "D")]
    from: Option<Date>,
    /// Last day.
    #[arg(long, value_name = "D")]
    to: Option<Date>,
    /// Why.
    #[arg(long, value_name = "WORDS")]
    reason: Option<String>,
}

#[derive(Args)]
struct ReportArgs {
    /// What an item says: ITEM=WORDS. May be given several times. The danger is never filled by the program.
    #[arg(long = "item", value_name = "ITEM=WORDS", value_parser = item)]
    items: Vec<(String, String)>,
    /// Issue it: it goes into the journal, and no version is ever overwritten.
    #[arg(long, requires = "to")]
    issue: bool,
    /// To whom it goes, as offices.
    #[arg(long, value_name = "WORDS")]
    to: Option<String>,
    /// The authority's own statement on status, word for word.
    #[arg(long, value_name = "WORDS")]
    statement: Option<String>,
    /// What changed since the version before; the changed items are named when left out.
    #[arg(long, value_name = "WORDS")]
    changes: Option<String>,
    /// It is no preliminary report.
    #[arg(long = "final")]
    last: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum EndArg {
    /// The authority released the area.
    Released,
    /// The find was none.
    NoFind,
    /// Another response or another agency goes on with it.
    HandedOver,
    /// Eradication was given up.
    GivenUp,
}

impl From<EndArg> for ResponseEnd {
    fn from(end: EndArg) -> Self {
        match end {
            EndArg::Released => ResponseEnd::Released,
            EndArg::NoFind => ResponseEnd::NoFind,
            EndArg::HandedOver => ResponseEnd::HandedOver,
            EndArg::GivenUp => ResponseEnd::GivenUp,
        }
    }
}

fn item(text: &str) -> Result<(String, String), String> {
    match text.split_once('=') {
        Some((item, words)) if !item.trim().is_empty() && !words.trim().is_empty() => {
            Ok((item.trim().to_owned(), words.trim().to_owned()))
        }
        _ => Err(format!(
            "{text:?} is no item; write ITEM=WORDS, as danger=\"kills every ash\""
        )),
    }
}

pub(crate) fn run(args: ResponseArgs, form: Form) -> Result<()> {
    if let Some(on) = args.on.filter(|on| *on > super::today()) {
        bail!("--on {on} lies in the future; a response rests on what was found");
    }
    match (&args.what, &args.find) {
        (Some(What::Adopt { .. }), Some(find)) => {
            bail!("a protocol is adopted for a target, not for find {find:?}: leave the find out")
        }
        (Some(What::Adopt { protocol }), None) => adopt(&args, protocol, form),
        (Some(_), None) => bail!("name the find: earlywood response FILE FIND ..."),
        (None, None) => list(&args, form),
        (Some(what), Some(find)) => act(&args, find, what, form),
        (None, Some(find)) => show(&args, find, form),
    }
}

fn case(args: &ResponseArgs, programme: &Programme, find: &str) -> Result<Case> {
    let mut case = Case::of(programme, find, args.on.unwrap_or_else(super::today))?;
    case.station.clone_from(&args.station);
    Ok(case)
}

fn how(args: &ResponseArgs) -> How {
    How {
        now: Timestamp::now(),
        ground: args.ground.into(),
        origin: origin::Ask {
            draws: args.draws,
            seed: args.seed,
            trees: args.trees,
            ..origin::Ask::default()
        },
    }
}

// What there is.

fn list(args: &ResponseArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let on = args.on.unwrap_or_else(super::today);
    let responses = programme.responses()?;
    let waiting = public::unanswered(&programme)?;
    let state = |r: &earlywood_journal::Response| match &r.closed {
        Some(closed) => format!("closed on {} ({})", closed.value.date, closed.value.end.word()),
        None => "open".to_owned(),
    };
    form.say(
        || {
            let mut lines = Vec::new();
            if responses.is_empty() {
                lines.push("No response was opened.".to_owned());
            } else {
                let rows: Vec<Vec<String>> = responses
                    .iter()
                    .map(|r| {
                        let area = r.newest_area(on).map(|a| format!("{:.2} km2 (version {})", a.value.km2, a.value.version));
                        vec![
                            r.find().to_owned(),
                            r.target().to_owned(),
                            r.opened.at.strftime("%Y-%m-%d").to_string(),
                            state(r),
                            area.unwrap_or_else(|| "none".into()),
                            r.reports.len().to_string(),
                        ]
                    })
                    .collect();
                lines.push(table(&["find", "target", "opened", "state", "regulated area", "reports"], &rows));
            }
            for (find, target) in &waiting {
                lines.push(format!("WAITS: find {find} of {target} is confirmed and no response is open on it."));
            }
            lines.join("\n")
        },
        || {
            let one = |r: &earlywood_journal::Response| {
                json!({
                    "find": r.find(), "target": r.target(), "opened": r.opened.at.to_string(), "state": state(r),
                    "area_km2": r.newest_area(on).map(|a| a.value.km2), "reports": r.reports.len(),
                })
            };
            let waits = |(find, target): &(String, String)| json!({"find": find, "target": target});
            json!({
                "responses": responses.iter().map(one).collect::<Vec<_>>(),
                "waiting": waiting.iter().map(waits).collect::<Vec<_>>(),
            })
        },
    )
}

fn show(args: &ResponseArgs, find: &str, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let case = case(args, &programme, find)?;
    let all = whole(&programme, &case, how(args))?;
    if let Some(out) = &args.geojson {
        write_whole(out, &serde_json::to_string(&all.geojson())?, args.force)?;
    }
    form.say(|| words(&all), || json!(all))
}

fn words(all: &Whole) -> String {
    let mut lines = vec![
        format!("{} ({}): find {}, response {}.", all.common_name, all.target, all.find, all.state),
        "CONFIDENTIAL. Everything below is proposed; people with standing decide, and the law of the place holds.".into(),
        String::new(),
    ];
    lines.extend(finds_words(all));
    if let Some(proposed) = &all.proposed {
        lines.push(String::new());
        lines.push("What the protocol sets off:".into());
        if proposed.met.is_empty() {
            lines.push("  nothing yet".into());
        }
        for met in &proposed.met {
            lines.push(format!("  {}: {} ({})", met.rule, met.sets_off, met.why));
        }
        for met in &proposed.nearly {
            lines.push(format!("  perhaps {}: {} ({})", met.rule, met.sets_off, met.why));
        }
    }
    lines.extend(steps_words(all));
    lines.extend(origin_words(all));
    if let Some(d) = &all.delimiting {
        lines.push(String::new());
        lines.push(format!(
            "Delimiting survey ({}) from {}: {} traps, {} of them hanging; {} units to look at, {:.0} hours.",
            d.method, d.from, d.traps, d.hanging, d.looks, d.hours
        ));
    }
    if let Some(area) = &all.area {
        lines.push(String::new());
        lines.push(format!(
            "Regulated area, version {} of {}: {:.2} km2 from {} ({}).",
            area.version, area.versions, area.km2, area.from, area.authority
        ));
        lines.extend(area.text.lines().map(|line| format!("  {line}")));
    }
    lines.extend(clock_words(all));
    lines.push(String::new());
    lines.push(format!("Pest status, proposed: {}.", all.status.words));
    lines.extend(all.status.evidence.iter().map(|e| format!("  {e}")));
    lines.push(format!("  {}", all.status.caution));
    if let Some(said) = &all.status.statement {
        lines.push(format!("  The authority's own words: {said}"));
    }
    for report in &all.reports {
        let kind = if report.preliminary {
            "preliminary"
        } else {
            "final"
        };
        lines.push(format!(
            "Pest report, version {} of {} ({kind}), to {}.",
            report.version, report.date, report.to
        ));
    }
    if !all.lacking.is_empty() {
        lines.push(String::new());
    }
    for lacking in &all.lacking {
        lines.push(format!("Not worked out: {}: {}", lacking.part, lacking.why));
    }
    let notes = all.notes.iter().chain(all.proposed.iter().flat_map(|p| &p.notes));
    lines.extend(notes.map(|note| format!("Note: {note}")));
    lines.join("\n")
}

fn finds_words(all: &Whole) -> Vec<String> {
    if all.finds.is_empty() {
        return vec!["No find of this response stands confirmed.".into()];
    }
    let rows: Vec<Vec<String>> = all
        .finds
        .iter()
        .map(|f| {
            vec![
                f.label.clone(),
                f.taken.to_string(),
                f.count.to_string(),
                f.life_stage.clone().unwrap_or_else(|| "?".into()),
                match (&f.trap, &f.tree) {
                    (Some(trap), _) => format!("trap {trap}"),
                    (None, Some(tree)) => format!("tree {tree}"),
                    _ => "elsewhere".into(),
                },
                f.by.clone(),
            ]
        })
        .collect();
    vec![table(
        &["find", "taken", "insects", "stage", "from", "confirmed by"],
        &rows,
    )]
}

fn steps_words(all: &Whole) -> Vec<String> {
    let Some(checklist) = &all.checklist else {
        return Vec::new();
    };
    let mut lines = vec![String::new()];
    if let Some(confirmed) = checklist.confirmed {
        lines.push(format!(
            "Whom to tell, from the confirmation at {}:",
            confirmed.strftime("%Y-%m-%d %H:%MZ")
        ));
    }
    let rows: Vec<Vec<String>> = checklist
        .steps
        .iter()
        .map(|s| {
            vec![
                format!("  {}", s.order),
                s.id.clone(),
                s.who.clone(),
                s.due.strftime("%Y-%m-%d %H:%MZ").to_string(),
                s.standing.words().to_owned(),
                s.done
                    .map_or_else(String::new, |at| at.strftime("%Y-%m-%d %H:%MZ").to_string()),
            ]
        })
        .collect();
    if !rows.is_empty() {
        lines.push(table(&["  no", "step", "who", "by", "state", "done"], &rows));
    }
    lines.extend(checklist.notes.iter().map(|note| format!("  {note}")));
    lines
}

fn origin_words(all: &Whole) -> Vec<String> {
    let Some(o) = &all.origin else {
        return Vec::new();
    };
    let mut lines = vec![
        String::new(),
        format!(
            "Where it came from, by {} insects in {} of {} traps and {} host trees ({} draws):",
            o.insects, o.with_catch, o.traps, o.trees, o.draws
        ),
        format!(
            "  50 % within {} ({} trees), 95 % within {} ({} trees).",
            ground_words(o.region50.hectares),
            o.region50.trees,
            ground_words(o.region95.hectares),
            o.region95.trees
        ),
    ];
    if o.numbers.len() > 1 {
        let numbers: Vec<String> = o
            .numbers
            .iter()
            .map(|n| format!("{} {:.0} %", n.origins, 100.0 * n.probability))
            .collect();
        lines.push(format!("  How many origins: {}.", numbers.join(", ")));
    }
    for (i, cluster) in o.clusters.iter().enumerate() {
        lines.push(format!(
            "  Origin {}: about {:.0} flyers, 95 % within {}; traps {}.",
            i + 1,
            cluster.flyers,
            ground_words(cluster.hectares95),
            cluster.traps.join(", ")
        ));
    }
    let rows: Vec<Vec<String>> = o
        .search
        .iter()
        .take(10)
        .map(|t| {
            vec![
                format!("  {}", t.host),
                t.species.clone(),
                format!("{:.5}, {:.5}", t.position.lat, t.position.lon),
                format!("{:.1} %", 100.0 * t.probability),
                format!("{:.0} %", 100.0 * t.cumulative),
            ]
        })
        .collect();
    lines.push(table(
        &["  search first", "species", "where", "chance", "so far"],
        &rows,
    ));
    lines.extend(o.notes.iter().map(|note| format!("  {note}")));
    lines
}

fn clock_words(all: &Whole) -> Vec<String> {
    let Some(c) = &all.clock else {
        return Vec::new();
    };
    let mut lines = vec![
        String::new(),
        format!(
            "Release clock: {:.2} of {} {} since the last find of {}; {} days of effort held, {} not.",
            c.passed, c.needed, c.term, c.last_find, c.held_days, c.lost_days
        ),
    ];
    match (c.done_on, c.forecast) {
        (Some(day), _) => lines.push(format!("  It has run out on {day}; whether to release is for the authority.")),
        (None, Some(f)) if f.years == 0 => {
            lines.push(format!("  It runs out on {} if effort holds and nothing is found.", f.median));
        }
        (None, Some(f)) => lines.push(format!(
            "  It runs out about {} ({} to {}, by {} past years' weather) if effort holds and nothing is found.",
            f.median, f.earliest, f.latest, f.years
        )),
        (None, None) => lines.push("  When it runs out can't be foretold: no past year's weather tells.".into()),
    }
    if let Some(s) = &c.silence {
        let clumped = s.none_clumped.map_or_else(String::new, |p| {
            format!(", {:.1} % were catches clumped", 100.0 * p)
        });
        lines.push(format!(
            "  In {:.0} effective trap-days since: the design incursion would have gone unseen with {:.1} %{clumped}.",
            s.trap_days,
            100.0 * s.none_poisson
        ));
        if let Some(p) = s.sighting_p {
            lines.push(format!(
                "  So long a silence at the rate of the sightings before: {:.1} %.",
                100.0 * p
            ));
        }
    }
    lines.extend(c.notes.iter().map(|note| format!("  {note}")));
    lines
}

// What is recorded.

/// The protocol of a file, or the one that comes with the program for a target, with the entry that adopts it.
pub(crate) fn adoption(named: &str) -> Result<(protocol::Protocol, ProtocolAdopted)> {
    let path = Path::new(named);
    let toml = if path.exists() {
        std::fs::read_to_string(path).with_context(|| format!("{named} can't be read"))?
    } else if let Some(shipped) = protocol::shipped_toml(named) {
        shipped.to_owned()
    } else {
        let ids: Vec<&str> = protocol::shipped().iter().map(|p| p.target.as_str()).collect();
        bail!(
            "there is no file {named}, and no protocol of that name comes with the program (there are {})",
            ids.join(", ")
        );
    };
    let read = protocol::Protocol::from_toml(&toml).with_context(|| named.to_owned())?;
    let body = ProtocolAdopted {
        target: read.target.clone(),
        toml,
    };
    Ok((read, body))
}

fn adopt(args: &ResponseArgs, named: &str, form: Form) -> Result<()> {
    let (read, body) = adoption(named)?;
    let mut programme = super::open(&args.file)?;
    let receipt = programme.append(&args.actor.act()?, Body::ProtocolAdopted(body))?;
    tell(&read.warnings());
    form.say(
        || {
            format!(
                "Protocol adopted for {}: {} rules, {} to tell. {}",
                read.target,
                read.trigger.rules.len(),
                read.notify.len(),
                read.caution
            )
        },
        || json!({"target": read.target, "entry": receipt.id.to_string(), "warnings": read.warnings()}),
    )
}

fn act(args: &ResponseArgs, find: &str, what: &What, form: Form) -> Result<()> {
    if let What::Report(report) = what
        && !report.issue
    {
        let programme = super::read(&args.file)?;
        return draft(&case(args, &programme, find)?, &programme, report, form);
    }
    match what {
        What::Delimit(delimit) if delimit.adopt.is_none() => return show_survey(args, find, delimit, form),
        What::Area(area) if !area.adopt => return show_area(args, find, area, form),
        _ => {}
    }
    let mut programme = super::open(&args.file)?;
    let case = case(args, &programme, find)?;
    let act = args.actor.act()?;
    let (receipt, words): (Receipt, String) = match what {
        What::Adopt { .. } => bail!("a protocol is adopted without a find"),
        What::Open { reason } => {
            let body = trigger::opening(&programme, &case, reason)?;
            let said = if body.set_off.is_empty() {
                "nothing".to_owned()
            } else {
                body.set_off.join("; ")
            };
            let receipt = programme.append(&act, Body::ResponseOpened(body))?;
            (
                receipt,
                format!("Response to {find} opened. The protocol sets off: {said}."),
            )
        }
        What::Step { step, at, note } => (
            steps::take(&mut programme, &act, &case, step, at.clone(), note.clone())?,
            format!("Step {step} of {find} recorded."),
        ),
        What::Area(area) => draw(&mut programme, &act, &case, area)?,
        What::Delimit(delimit) => {
            let days = (delimit.from.unwrap_or_else(|| act.today()), delimit.to);
            // Before the survey, which takes its time.
            in_order(days.0, days.1)?;
            let (survey, wanted) = survey(args, &programme, &case, delimit)?;
            let method = delimit.adopt.as_deref().unwrap_or("rings");
            let body = survey.adopted(
                method,
                days,
                &wanted,
                delimit.reason.as_deref().unwrap_or_default(),
            )?;
            let words = format!(
                "Delimiting survey of {find} adopted ({method}): {} traps, {} units to look at.",
                body.traps.len(),
                body.looks.len()
            );
            (programme.append(&act, Body::DelimitingAdopted(body))?, words)
        }
        What::Lift {
            version,
            from,
            authority,
            reason,
        } => {
            let body = AreaLifted {
                find: find.to_owned(),
                version: *version,
                from: from.unwrap_or_else(|| act.today()),
                authority: authority.clone(),
                reason: reason.clone(),
            };
            let receipt = programme.append(&act, Body::AreaLifted(body))?;
            (
                receipt,
                format!("Version {version} of the regulated area of {find} lifted."),
            )
        }
        What::Report(report) => issue(&mut programme, &act, &case, report)?,
        What::Close {
            end,
            authority,
            reason,
        } => {
            let (authority, reason) = (authority.clone(), reason.clone());
            let body = closing(&case, (*end).into(), act.today(), authority, reason)?;
            let word = body.end.word();
            (
                programme.append(&act, Body::ResponseClosed(body))?,
                format!(
                    "Response to {find} closed ({word}); the pest report of the end is still to be issued."
                ),
            )
        }
    };
    form.say(
        || words,
        || json!({"find": find, "entry": receipt.id.to_string()}),
    )
}

/// The survey of a case, laid out by rings and optimised.
fn survey(
    args: &ResponseArgs,
    programme: &Programme,
    case: &Case,
    delimit: &DelimitArgs,
) -> Result<(Delimiting, Wanted)> {
    let wanted = Wanted {
        traps: delimit.traps,
        hours: delimit.hours,
        heavy: delimit.heavy.clone(),
        seed: args.seed,
        ..Wanted::default()
    };
    let made = delimit::survey(programme, case, how(args), &wanted)?;
    Ok((made, wanted))
}

fn show_survey(args: &ResponseArgs, find: &str, delimit: &DelimitArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let case = case(args, &programme, find)?;
    let (made, _) = survey(args, &programme, &case, delimit)?;
    if let Some(out) = &args.geojson {
        write_whole(out, &serde_json::to_string(&made.geojson())?, args.force)?;
    }
    tell(&made.notes);
    form.say(|| survey_words(&made).join("\n"), || json!(made))
}

fn survey_words(made: &Delimiting) -> Vec<String> {
    let mut lines = vec![format!(
        "Delimiting survey of {}, to last {}; {} traps hang about it already.",
        made.find, made.duration, made.hanging
    )];
    let rows: Vec<Vec<String>> = made
        .rings
        .iter()
        .map(|r| {
            vec![
                format!("  {}", r.name),
                r.wanted.to_string(),
                r.placed.to_string(),
                r.look_every_days
                    .map_or_else(|| "-".into(), |d| format!("{d:.0} days")),
                r.trees.to_string(),
            ]
        })
        .collect();
    lines.push(table(
        &[
            "  ring",
            "traps asked",
            "with a place",
            "looked at every",
            "trees to look at",
        ],
        &rows,
    ));
    for layout in std::iter::once(&made.by_rings).chain(&made.optimised) {
        lines.push(layout_words(layout));
    }
    if !made.unplaced.is_empty() {
        lines.push(format!(
            "{} spots have no place that may be used.",
            made.unplaced.len()
        ));
    }
    lines
}

fn layout_words(layout: &Layout) -> String {
    let worth = layout.worth.as_ref().map_or_else(String::new, |w| {
        format!(
            "; the edge found on all sides and nothing outside in {:.0} % of fresh scenarios ({:.0} % by trial)",
            100.0 * w.whole,
            100.0 * w.whole_by_trial
        )
    });
    format!(
        "{}: {} traps, {} units to look at, {:.0} crew-hours{worth}.",
        layout.method,
        layout.traps.len(),
        layout.looks.len(),
        layout.hours
    )
}

fn show_area(args: &ResponseArgs, find: &str, asked: &AreaArgs, form: Form) -> Result<()> {
    if asked.geometry.is_some() {
        bail!("--geometry is adopted as it is: give --adopt with --authority and --reason");
    }
    let programme = super::read(&args.file)?;
    let case = case(args, &programme, find)?;
    let made = area::of_case(&programme, &case)?;
    if let Some(out) = &args.geojson {
        write_whole(out, &serde_json::to_string(&made.geojson())?, args.force)?;
    }
    tell(&made.notes);
    let (within, added) = (&made.within, &made.added);
    form.say(
        || {
            let mut lines = vec![format!(
                "Regulated area of {find}, version {} (proposed; --adopt --authority WORDS --reason WORDS adopts it): {:.2} km2, {} \
                 hosts, {} parcels, {} traps.",
                made.version, within.km2, within.hosts, within.parcels, within.traps
            )];
            if let Some(version) = added.to_version {
                lines.push(format!(
                    "It adds {:.2} km2, {} hosts and {} parcels to version {version}.",
                    added.km2,
                    added.hosts,
                    added.parcels.len()
                ));
            }
            lines.push(format!("Why: {}", made.reason));
            lines.extend(made.steps());
            lines.push(made.text());
            lines.join("\n")
        },
        || {
            json!({
                "version": made.version, "within": within, "added": added, "reason": made.reason, "steps": made.steps(),
                "text": made.text(), "geojson": made.geojson(), "notes": made.notes,
            })
        },
    )
}

fn draw(
    programme: &mut Programme,
    act: &earlywood_journal::Act,
    case: &Case,
    args: &AreaArgs,
) -> Result<(Receipt, String)> {
    let from = args.from.unwrap_or_else(|| act.today());
    let authority = args.authority.clone().unwrap_or_default();
    let body = match &args.geometry {
        Some(path) => from_file(case, args, path, from, authority)?,
        None => {
            let made = area::of_case(programme, case)?;
            tell(&made.notes);
            made.entry(&case.find, from, args.to, &authority, args.reason.as_deref())
                .ok_or_else(|| anyhow!("the rule draws no ground round these finds"))?
        }
    };
    let words = format!(
        "Regulated area of {}, version {}: {:.2} km2.",
        case.find, body.version, body.km2
    );
    Ok((programme.append(act, Body::AreaDrawn(body))?, words))
}

fn from_file(case: &Case, args: &AreaArgs, path: &Path, from: Date, authority: String) -> Result<AreaDrawn> {
    let read = |path: &Path| {
        std::fs::read_to_string(path).with_context(|| format!("{} can't be read", path.display()))
    };
    let value: Value =
        serde_json::from_str(&read(path)?).with_context(|| format!("{} is no JSON", path.display()))?;
    let order = area::Order {
        from,
        to: args.to,
        authority,
        reason: args.reason.clone().unwrap_or_default(),
    };
    let text = args.text.as_deref().map(read).transpose()?;
    area::drawn_elsewhere(case, &value, text, order).with_context(|| path.display().to_string())
}

fn given(args: &ReportArgs) -> Given {
    args.items.iter().cloned().collect()
}

fn draft(case: &Case, programme: &Programme, args: &ReportArgs, form: Form) -> Result<()> {
    let draft = report::draft(programme, case, &given(args))?;
    form.say(
        || {
            let mut lines = vec![format!(
                "Pest report of {}, version {} (not issued; --issue --to OFFICES does):",
                case.find, draft.version
            )];
            for item in &draft.items {
                lines.push(format!("{}: {}", item.what, item.text));
            }
            for missing in &draft.missing {
                lines.push(format!("MISSING: {missing} (--item {missing}=WORDS)"));
            }
            lines.push(draft.status.caution.clone());
            lines.join("\n")
        },
        || json!(draft),
    )
}

fn issue(
    programme: &mut Programme,
    act: &earlywood_journal::Act,
    case: &Case,
    args: &ReportArgs,
) -> Result<(Receipt, String)> {
    let draft = report::draft(programme, case, &given(args))?;
    let (version, missing) = (draft.version, draft.missing.clone());
    let how = Issue {
        to: args.to.clone().unwrap_or_default(),
        statement: args.statement.clone(),
        changes: args.changes.clone(),
        last: args.last,
    };
    let receipt = report::issue(programme, act, case, draft, how)?;
    let lacks = if missing.is_empty() {
        "it lacks nothing that the standard asks for".to_owned()
    } else {
        format!("it lacks {}", missing.join(", "))
    };
    Ok((
        receipt,
        format!(
            "Pest report of {}, version {version}, issued; {lacks}.",
            case.find
        ),
    ))
}
