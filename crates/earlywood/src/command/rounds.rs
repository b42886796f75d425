//! `earlywood rounds`: who drives where on which day.

use anyhow::{Context as _, Result, bail};
use clap::Args;
use earlywood_chain::Desk;
use earlywood_chain::rounds::due::{USUAL_MINUTES, USUAL_SLACK_DAYS};
use earlywood_chain::rounds::{
    self, Ask, LeftOutView, PlannedRoundView, RoundsView, USUAL_DETOUR, USUAL_ITERATIONS, USUAL_SPEED_KMH,
    Without,
};
use jiff::civil::{Date, Time};
use serde_json::json;

use crate::chain::tell;
use crate::out::{Form, table};
use crate::{ActorArg, FileArg, number};

/// Days that are planned when nobody says how many: a working week.
const USUAL_DAYS: u16 = 7;

#[derive(Args)]
pub(crate) struct RoundsArgs {
    #[command(flatten)]
    file: FileArg,
    #[command(flatten)]
    actor: ActorArg,
    /// First day; today when left out.
    #[arg(long, value_name = "DATE")]
    from: Option<Date>,
    /// How many days, 1 to 28; 7 when left out, or the days that are left of the rounds that are planned again (--at).
    #[arg(long, value_name = "N")]
    days: Option<u16>,
    /// A crew that stays at home, on all days or on one: CREW or CREW:DATE. May be given several times.
    #[arg(long, value_name = "CREW[:DATE]", value_parser = without)]
    without: Vec<Without>,
    /// A day on which nobody works. May be given several times.
    #[arg(long, value_name = "DATE")]
    no_work: Vec<Date>,
    /// No work on days whose weather, as far as it is loaded, is hotter than this, degrees Celsius.
    #[arg(long, value_name = "T", value_parser = number::finite, allow_negative_numbers = true)]
    heat_limit_c: Option<f64>,
    /// Days before its first warning on which a visit may be made already (design choice).
    #[arg(long, value_name = "DAYS", default_value_t = USUAL_SLACK_DAYS)]
    slack: u16,
    /// Length of a stop of which nothing is known, minutes (common practice, no source).
    #[arg(long, value_name = "M", default_value_t = USUAL_MINUTES, value_parser = number::positive)]
    minutes: f64,
    /// Leave out traps that a plan wants hung.
    #[arg(long)]
    no_hang: bool,
    /// Leave out taking down traps whose season is over; they are visited like the others.
    #[arg(long)]
    no_take_down: bool,
    /// Weather station; the only one when left out.
    #[arg(long, value_name = "S")]
    station: Option<String>,
    /// Length of a drive over that of the straight line, where no roads are loaded (common practice, no source).
    #[arg(long, value_name = "F", default_value_t = USUAL_DETOUR, value_parser = number::positive)]
    detour: f64,
    /// Speed of such a drive, km/h (common practice, no source).
    #[arg(long, value_name = "KMH", default_value_t = USUAL_SPEED_KMH, value_parser = number::positive)]
    speed: f64,
    /// Plan again from this time of the first day on: what is done is kept, crews start from their last stop.
    #[arg(long, value_name = "HH:MM", value_parser = time)]
    at: Option<Time>,
    /// A road that is closed, by its label, or a circle as LAT,LON,RADIUS_M. May be given several times.
    #[arg(long, value_name = "ROAD", allow_hyphen_values = true)]
    closed: Vec<String>,
    /// Rounds of search: more take longer and find better.
    #[arg(long, value_name = "N", default_value_t = USUAL_ITERATIONS)]
    iterations: u64,
    /// The same seed gives the same rounds.
    #[arg(long, default_value = "1")]
    seed: u64,
    /// Time zone of the programme's times (IANA name); this machine's when left out.
    #[arg(long, value_name = "TZ")]
    time_zone: Option<String>,
    /// Adopt the rounds: they go into the journal.
    #[arg(long, requires = "reason")]
    adopt: bool,
    /// Why these rounds.
    #[arg(long, value_name = "WORDS")]
    reason: Option<String>,
    /// Show the adopted rounds instead of planning.
    #[arg(long, conflicts_with_all = ["adopt", "at", "without"])]
    show: bool,
    /// The day to show; today when left out.
    #[arg(long, value_name = "DATE", requires = "show")]
    on: Option<Date>,
}

fn without(text: &str) -> Result<Without, String> {
    let (crew, date) = match text.rsplit_once(':') {
        Some((crew, date)) => {
            let day = date
                .parse()
                .map_err(|_| format!("{date:?} is not a day; write CREW or CREW:YYYY-MM-DD"))?;
            (crew, Some(day))
        }
        None => (text, None),
    };
    if crew.is_empty() {
        return Err("name the crew: CREW or CREW:YYYY-MM-DD".into());
    }
    Ok(Without {
        crew: crew.to_owned(),
        date,
    })
}

pub(crate) fn time(text: &str) -> Result<Time, String> {
    Time::strptime("%H:%M", text).map_err(|_| format!("{text:?} is not a time of the day, as in 13:05"))
}

pub(crate) fn run(args: RoundsArgs, form: Form) -> Result<()> {
    let programme = super::read(&args.file)?;
    let zone = super::zone(&programme, args.time_zone.as_deref())?;
    let today = jiff::Timestamp::now().to_zoned_datetime(zone).date();
    if args.show {
        return show(&args, &programme, today, form);
    }
    let from = args.from.unwrap_or(today);
    let mut ask = Ask::new(from, args.days.unwrap_or(USUAL_DAYS));
    ask.all_days = args.days.is_none();
    ask.due.no_work.clone_from(&args.no_work);
    ask.due.heat_limit_c = args.heat_limit_c;
    ask.due.slack_days = args.slack;
    ask.due.minutes = args.minutes;
    ask.due.hang = !args.no_hang;
    ask.due.take_down = !args.no_take_down;
    ask.due.station.clone_from(&args.station);
    ask.without.clone_from(&args.without);
    ask.at = args.at;
    ask.closed.clone_from(&args.closed);
    ask.iterations = args.iterations;
    ask.seed = args.seed;
    ask.detour = args.detour;
    ask.speed_kmh = args.speed;
    ask.time_zone.clone_from(&args.time_zone);
    let proposal = rounds::propose(&Desk::new(), &programme, &ask, today)?;
    let mut view = proposal.view(&programme)?;
    drop(programme);
    tell(&view.notes);
    let mut end =
        "Nothing was written: this is a proposal. --adopt --reason \"…\" writes it into the journal."
            .to_owned();
    let mut entry = None;
    if args.adopt {
        let Some(reason) = &args.reason else {
            bail!("say why these rounds: --reason \"…\"");
        };
        let mut programme = super::open(&args.file)?;
        let receipt = rounds::adopt(&mut programme, &super::act(&args.actor)?, &proposal, reason)
            .context("the rounds were not adopted")?;
        end = format!("Adopted as entry {} ({}).", receipt.number, receipt.id);
        entry = Some(receipt);
        let held = rounds::adopted(&programme, view.from, view.to)?;
        // Codes are given out for good when rounds are adopted.
        view.rounds = held.rounds;
        view.adopted = held.adopted;
    }
    form.say(
        || format!("{}\n\n{end}", words(&view)),
        || {
            let mut answer = json!(view);
            if let Some(receipt) = entry {
                answer["entry"] = json!({"entry": receipt.id.to_string(), "number": receipt.number});
            }
            answer
        },
    )
}

fn show(args: &RoundsArgs, programme: &earlywood_journal::Programme, today: Date, form: Form) -> Result<()> {
    let from = args.on.or(args.from).unwrap_or(today);
    let days = i64::from(args.days.unwrap_or(1).max(1)) - 1;
    let to = from.saturating_add(jiff::Span::new().try_days(days)?);
    let view = rounds::adopted(programme, from, to)?;
    tell(&view.notes);
    form.say(|| words(&view), || json!(view))
}

fn hm(time: Time) -> String {
    time.strftime("%H:%M").to_string()
}

fn words(view: &RoundsView) -> String {
    let mut parts = Vec::new();
    let days = if view.from == view.to {
        view.from.to_string()
    } else {
        format!("{} to {}", view.from, view.to)
    };
    if view.rounds.is_empty() {
        parts.push(format!("No rounds, {days}."));
    } else {
        let stops: usize = view.rounds.iter().map(|r| r.stops.len()).sum();
        parts.push(format!(
            "{} rounds with {stops} stops, {days}.{}",
            view.rounds.len(),
            fairness(view)
        ));
        parts.push(summary(&view.rounds));
        parts.extend(view.rounds.iter().map(round));
    }
    if !view.left_out.is_empty() {
        parts.push(left_out(&view.left_out));
    }
    parts.join("\n\n")
}

fn fairness(view: &RoundsView) -> String {
    let minutes = |f: fn(f64, f64) -> f64| view.fairness.iter().map(|c| c.minutes).reduce(f);
    match (minutes(f64::max), minutes(f64::min)) {
        (Some(longest), Some(shortest)) if view.fairness.len() > 1 => {
            format!(" Minutes of a crew in all: longest {longest:.0}, shortest {shortest:.0}.")
        }
        _ => String::new(),
    }
}

fn summary(rounds: &[PlannedRoundView]) -> String {
    let rows: Vec<Vec<String>> = rounds
        .iter()
        .map(|r| {
            vec![
                r.date.strftime("%a %Y-%m-%d").to_string(),
                r.crew.clone(),
                r.sheet.clone(),
                hm(r.starts),
                hm(r.ends),
                r.stops.len().to_string(),
                format!("{:.0}", r.drive_minutes),
                format!("{:.0}", r.work_minutes),
                r.break_at.map_or_else(|| "-".into(), hm),
                r.km.map_or_else(|| "-".into(), |km| format!("{km:.1}")),
            ]
        })
        .collect();
    table(
        &[
            "day",
            "crew",
            "sheet",
            "leave",
            "back",
            "stops",
            "drive min",
            "work min",
            "break",
            "km",
        ],
        &rows,
    )
}

fn round(round: &PlannedRoundView) -> String {
    let rows: Vec<Vec<String>> = (1..)
        .zip(&round.stops)
        .map(|(n, s): (usize, _)| {
            let mut mind = s.needs.clone();
            mind.extend(s.cautions.iter().cloned());
            vec![
                n.to_string(),
                hm(s.arrive),
                hm(s.leave),
                s.trap.clone(),
                s.place.clone(),
                s.what.join(", "),
                if s.done { "done" } else { "" }.to_owned(),
                mind.join("; "),
            ]
        })
        .collect();
    format!(
        "{} on {} ({}), sheet {}\n{}",
        round.crew,
        round.date,
        if round.people.is_empty() {
            "nobody named".to_owned()
        } else {
            round.people.join(", ")
        },
        round.sheet,
        table(
            &["", "arrive", "leave", "trap", "place", "due", "", "mind"],
            &rows
        )
    )
}

fn left_out(left: &[LeftOutView]) -> String {
    let rows: Vec<Vec<String>> = left
        .iter()
        .map(|l| {
            vec![
                l.trap.clone(),
                l.place.clone(),
                l.worth.map_or_else(|| "-".into(), |w| format!("{w:.5}")),
                l.last_day.map_or_else(|| "-".into(), |d| d.to_string()),
                l.reason.clone(),
            ]
        })
        .collect();
    format!(
        "Left out ({}), those that would add most first:\n{}",
        left.len(),
        table(&["trap", "place", "would add", "in time until", "why"], &rows)
    )
}
