//! `earlywood demo`: an invented district and the whole job on it, through the same code as anybody's.

use std::collections::HashMap;
use std::fs;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use clap::Args;
use earlywood_chain::ground::{Ground, GroundOptions};
use earlywood_chain::load::What;
use earlywood_chain::siting::{Aim, Request, candidates, choose};
use earlywood_chain::trial::{self, Answer};
use earlywood_journal::{Act, Programme};
use earlywood_model::phenology::{SeasonOptions, SeasonSpan, season_plan};
use earlywood_model::record::{Access, Place, Placement, Visit};
use earlywood_model::trial::{Kind, Presence, PriorOf};
use earlywood_model::weather::Series;
use earlywood_planner::siting::Limit;
use earlywood_print::fill::season::{Asked, Decoration, gather};
use earlywood_print::report::{ReportData, TargetReport};
use jiff::ToSpan as _;
use jiff::civil::Date;
use serde_json::json;

use super::load::load_file;
use crate::chain::tell as tell_notes;
use crate::demo::custody::{self, Staff};
use crate::demo::days;
use crate::demo::district::{self, District, Files, SEASON_YEAR, TARGETS};
use crate::demo::files;
use crate::demo::incursion::{self, Arrival, HostSpot, Incursion};
use crate::demo::paper;
use crate::demo::response;
use crate::demo::season::{self, Calendar, Failings, TrapTruth};
use crate::demo::working_day::{self, Played};
use crate::out::Form;

#[derive(Args)]
pub(crate) struct DemoArgs {
    /// Folder for the programme file, the input files and the report; a demo's folder is made anew.
    #[arg(long, value_name = "DIR", default_value = "earlywood-demo")]
    dir: PathBuf,
    /// Seed of everything invented; another seed, another district and year. The usual one was chosen because its hidden
    /// incursion is found; about every second one is missed.
    #[arg(long, default_value = "7")]
    seed: u64,
    /// Traps for each target.
    #[arg(long, value_name = "K", default_value = "150", value_parser = clap::value_parser!(u32).range(1..=2000))]
    traps: u32,
    /// Hide no incursion: the season then ends in an assurance.
    #[arg(long)]
    no_incursion: bool,
    /// Then open it to a browser on this machine, as it stood on a morning in its season. A demonstration that is in the
    /// folder already is taken as it is.
    #[arg(long)]
    serve: bool,
    /// Address and port to listen on, with --serve; port 0 takes a free one.
    #[arg(
        long,
        value_name = "ADDR",
        default_value = "127.0.0.1:8640",
        requires = "serve"
    )]
    listen: SocketAddr,
}

/// Stands in a folder that a demo made, so that the next demo may clear what this one wrote and nothing else.
const MARKER: &str = "this-is-invented.txt";
const PROGRAMME: &str = "district.earlywood";
/// The same programme as it stood on a morning in its season: what `--serve` shows.
const AT_WORK: &str = "at-work.earlywood";
const REPORT: &str = "report.html";

/// Crews of two; invented.
const CREWS: [&str; 3] = ["crew-1", "crew-2", "crew-3"];

/// Draws behind the report's bands.
const DRAWS: u32 = 500;

pub(crate) fn run(args: DemoArgs, form: Form) -> Result<()> {
    let at_work = args.dir.join(AT_WORK);
    if !args.serve {
        return play(&args, form);
    }
    if args.dir.join(MARKER).exists() && at_work.exists() {
        crate::out::note(&format!(
            "the demonstration in {} is taken as it is; without --serve it is made anew",
            args.dir.display()
        ));
    } else {
        play(&args, form)?;
    }
    super::serve::serve(
        super::serve::ServeArgs::of_demo(at_work, args.listen, working_day::MORNING),
        form,
    )
}

/// Plays the year and writes the folder.
fn play(args: &DemoArgs, form: Form) -> Result<()> {
    let dir = &args.dir;
    make_room(dir)?;
    let tell = |text: &str| {
        if form == Form::Words {
            eprintln!("{text}");
        }
    };
    tell(district::STATEMENT);
    let district = district::invent(args.seed);
    let inputs = district.write_files(dir)?;
    let act = Act::new("demo", jiff::ZonedDateTime::now())?;
    let path = dir.join(PROGRAMME);
    let mut programme = Programme::create(&path, district::NAME, &act)?;
    load(&mut programme, &inputs, &act, form, &tell)?;
    let staff = custody::enrol(&mut programme, &act, &CREWS)?;
    response::adopt(&mut programme, &act)?;
    let chosen = if args.no_incursion {
        None
    } else {
        Some(args.seed as usize % TARGETS.len())
    };
    let mut last_day = jiff::civil::date(SEASON_YEAR, 1, 1);
    let mut season = Vec::new();
    for (at, id) in TARGETS.iter().enumerate() {
        let year = Year {
            programme: &mut programme,
            district: &district,
            act: &act,
            staff: &staff,
            args,
            dir,
        };
        let (last, played) = year.work(id, chosen == Some(at), &tell)?;
        last_day = last_day.max(last);
        season.push(played);
    }
    let access = access(&district, &season, args.seed);
    let access_csv = dir.join("access.csv");
    days::write_access(&access_csv, &access)?;
    tell(&load_file(&mut programme, What::Access, &access_csv, &act, form)?.words());
    tell("Writing the same programme as it stood on a morning in its season …");
    let morning_path = dir.join(AT_WORK);
    working_day::write(&morning_path, &district, &season, &access, args.seed)?;
    for find in response::respond(&mut programme, &act, ground_options(), args.seed)? {
        tell(&format!(
            "{find} is confirmed: notices, regulated area, delimiting survey and pest report are in the journal."
        ));
    }
    tell("Reckoning assurance and writing the report …");
    let mut notes = Vec::new();
    let data = gather(&programme, &asked(&district, last_day), &mut notes);
    tell_notes(&notes);
    let mut data = data?;
    tell("Trying the plans in simulated worlds, and whether what is stated is true …");
    for id in TARGETS {
        earlywood_print::fill::trial::add(
            &programme,
            &mut data,
            &tried(&programme, id, last_day, args.seed)?,
        )?;
    }
    let report_path = dir.join(REPORT);
    fs::write(&report_path, earlywood_print::report::html(&data))
        .with_context(|| format!("{} can't be written", report_path.display()))?;
    tell("Printing round sheets, labels and the season's report …");
    let paper_dir = paper::write(dir, &Programme::open_read_only(&morning_path)?, &data, last_day)?;
    let sound = programme.verify()?;
    if !sound.is_sound() {
        bail!("the journal of the demo does not hold; this is a defect");
    }
    let lines = summary(&data, sound.entries, (&report_path, &paper_dir), &path);
    form.say(
        || lines.join("\n"),
        || json!({"summary": lines, "report": report_path, "paper": paper_dir, "programme": path}),
    )
}

/// Clears what an earlier demo wrote here; refuses a folder that holds anything else.
fn make_room(dir: &Path) -> Result<()> {
    fs::create_dir_all(dir).with_context(|| format!("{} can't be made", dir.display()))?;
    let marker = dir.join(MARKER);
    let mut there = fs::read_dir(dir).with_context(|| format!("{} can't be read", dir.display()))?;
    if there.next().is_some() && !marker.exists() {
        bail!(
            "{} is not empty and no demo made it; name another folder with --dir",
            dir.display()
        );
    }
    let files = [PROGRAMME, AT_WORK].iter().flat_map(|file| {
        [
            "",
            "-wal",
            "-shm",
            ".key",
            ".signin",
            ".signin-wal",
            ".signin-shm",
        ]
        .map(|end| format!("{file}{end}"))
    });
    let printed = paper::FILES
        .iter()
        .map(|file| format!("{}/{file}", paper::FOLDER));
    for name in files.chain([REPORT.to_string()]).chain(printed) {
        match fs::remove_file(dir.join(&name)) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                return Err(e).with_context(|| format!("{name} in {} can't be replaced", dir.display()));
            }
            _ => {}
        }
    }
    fs::write(&marker, district::STATEMENT).with_context(|| format!("{} can't be written", marker.display()))
}

fn load(programme: &mut Programme, files: &Files, act: &Act, form: Form, tell: &dyn Fn(&str)) -> Result<()> {
    let all = [
        (What::Zones, &files.zones),
        (What::Hosts, &files.hosts),
        (What::Pathways, &files.pathways),
        (What::Land, &files.land),
        (What::Weather, &files.weather),
        (What::Roads, &files.roads),
        (What::Crews, &files.crews),
    ];
    for (what, path) in all {
        tell(&load_file(programme, what, path, act, form)?.words());
    }
    Ok(())
}

/// How the places of all plans are got to.
fn access(district: &District, season: &[Played], seed: u64) -> Vec<Access> {
    let places: Vec<Place> = season
        .iter()
        .flat_map(|p| p.plan.places.iter().cloned())
        .collect();
    days::access(&places, district, seed)
}

/// One target's year in the district.
struct Year<'a> {
    programme: &'a mut Programme,
    district: &'a District,
    act: &'a Act,
    staff: &'a Staff,
    args: &'a DemoArgs,
    dir: &'a Path,
}

impl Year<'_> {
    /// Plan, season, field work, catches, determinations; gives the last day of the target's records, and what was played.
    fn work(self, id: &str, invaded: bool, tell: &dyn Fn(&str)) -> Result<(Date, Played)> {
        let Year {
            programme,
            district,
            act,
            staff,
            args,
            dir,
        } = self;
        let ground = Ground::of(
            programme,
            earlywood_chain::target(programme, id)?,
            ground_options(),
        )?;
        let own = programme.places()?;
        let request = request(args);
        let mut notes = Vec::new();
        let spots = candidates(&ground, &[], &request, &mut notes)?;
        let sited = choose(&ground, spots, &[], &request)?;
        tell(&format!(
            "{id}: {} traps of {} candidate places; objective {:.4}, no plan beats {:.4} (gap {:.2} %).",
            sited.plan.chosen.len(),
            sited.candidates.len(),
            sited.plan.objective,
            sited.plan.bound,
            100.0 * sited.plan.gap
        ));
        let mut plan = earlywood_chain::plan::entry(
            &ground,
            &sited,
            &request,
            ground_options(),
            "the demo's plan for the season".into(),
        );
        relabel(&mut plan.places, id);
        earlywood_chain::plan::save(programme, act, &ground, &own, plan.clone())?;

        let series = earlywood_chain::weather::series(programme, None, &mut notes)?;
        tell_notes(&notes);
        let calendar = calendar(&ground, &series)?;
        let placements = placements(&plan.places, id, &calendar);
        let work = season::work_season(&placements, &calendar, &Failings::ORDINARY, &CREWS, args.seed);
        let caught = if invaded {
            fly(district, &ground, &placements, &work.truth, &series, args.seed)?
        } else {
            Vec::new()
        };
        let screening = ground.params.screening;
        let (visits, verdicts) =
            season::read_catches(&work, &caught, &Failings::ORDINARY, screening, args.seed);
        let (traps_csv, visits_csv) = (
            dir.join(format!("traps-{id}.csv")),
            dir.join(format!("visits-{id}.csv")),
        );
        files::write_traps(&traps_csv, &still_open(season::as_worked(&placements, &work)))?;
        files::write_visits(&visits_csv, &visits)?;
        for (what, path) in [(What::Traps, &traps_csv), (What::Visits, &visits_csv)] {
            tell(&load_file(programme, what, path, act, Form::Words)?.words());
        }
        for (n, verdict) in verdicts.iter().enumerate() {
            let label = format!("S-{}-{:03}", letters(id), n + 1);
            custody::name(programme, staff, id, &label, verdict)?;
        }
        let last = last_day(&visits, &calendar)
            .max(verdicts.iter().map(|v| v.determined).max().unwrap_or(Date::MIN));
        let played = Played {
            target: id.to_string(),
            letters: letters(id),
            toml: ground.profile.to_toml()?,
            plan,
            placements: season::as_worked(&placements, &work),
            visits,
            verdicts,
        };
        Ok((last, played))
    }
}

/// Take-downs are recorded by the visits themselves, so the trap sheet must not record them first.
fn still_open(mut placements: Vec<Placement>) -> Vec<Placement> {
    placements.iter_mut().for_each(|p| p.taken_down = None);
    placements
}

fn ground_options() -> GroundOptions {
    GroundOptions {
        resolution: None,
        background_risk: 0.05,
    }
}

fn request(args: &DemoArgs) -> Request {
    Request {
        limit: Limit::Count(args.traps as usize),
        aim: Aim::Sensitivity,
        spacing_m: None,
        own_places_only: false,
        most_candidates: 4_000,
        keep_hanging: false,
        seed: args.seed,
        effort: 1.0,
        time_limit: None,
        prove: false,
    }
}

/// First letters of a target's words, in capitals.
fn letters(id: &str) -> String {
    id.split('-')
        .filter_map(|w| w.chars().next())
        .collect::<String>()
        .to_uppercase()
}

/// Two targets share the district, so each one's places carry its own letters.
fn relabel(places: &mut [earlywood_model::record::Place], id: &str) {
    let letters = letters(id);
    for (n, place) in places.iter_mut().enumerate() {
        place.label = format!("{letters}-{:03}", n + 1);
    }
}

/// The calendar a lead would draw up before the season, from the years before it.
fn calendar(ground: &Ground, series: &Series) -> Result<Calendar> {
    let heat = ground.params.heat;
    let start = *heat.season_range(SEASON_YEAR)?.start();
    let past = Series::new(
        series
            .between(series.first()..=start.saturating_sub(1.day()))
            .to_vec(),
    )?;
    let plan = season_plan(
        &ground.profile,
        &past,
        SeasonSpan::Year(SEASON_YEAR),
        SeasonOptions::default(),
    )?;
    let (Some(hang), Some(take_down)) = (plan.spread.hang, plan.spread.take_down) else {
        bail!("nothing flies in this district's weather");
    };
    let clocks = &ground.profile.clocks;
    Ok(Calendar {
        hang: hang.median,
        take_down: take_down.median,
        service_days: clocks.look.nominal_days.round() as u16,
        lure_changes: plan.spread.lure_changes.iter().map(|c| c.median).collect(),
        insert_days: clocks.insert.as_ref().map(|c| c.nominal_days.round() as u16),
        killing_agent: clocks.killing_agent.is_some(),
    })
}

fn placements(places: &[earlywood_model::record::Place], id: &str, calendar: &Calendar) -> Vec<Placement> {
    places
        .iter()
        .map(|p| Placement {
            trap: format!("T-{}", p.label),
            place: p.label.clone(),
            position: p.position,
            targets: vec![id.to_string()],
            hung: calendar.hang,
            taken_down: None,
        })
        .collect()
}

/// The hidden incursion: single insects past the traps that really hung that day.
fn fly(
    district: &District,
    ground: &Ground,
    placements: &[Placement],
    truth: &[TrapTruth],
    series: &Series,
    seed: u64,
) -> Result<Vec<incursion::Catch>> {
    let plane = &district.plane;
    let arrivals: Vec<Arrival> = ground
        .pathways
        .iter()
        .map(|p| Arrival {
            at: plane.point(p.position),
            weight: p.weight,
            reach_m: p.reach_m,
        })
        .collect();
    let hosts: Vec<HostSpot> = ground
        .hosts
        .iter()
        .map(|h| HostSpot {
            at: plane.point(h.position),
            weight: ground.profile.host_weight(&h.species),
        })
        .collect();
    let Some(origin) = incursion::choose_origin(&arrivals, &hosts, seed) else {
        return Ok(Vec::new());
    };
    let at: HashMap<&str, _> = placements
        .iter()
        .map(|p| (p.trap.as_str(), plane.point(p.position)))
        .collect();
    let year = series.year(SEASON_YEAR);
    let traps = incursion::live_traps(truth, |t| at.get(t).copied(), &ground.params.lure, year);
    let flight = ground.params.flight.daily_share(series, SEASON_YEAR)?;
    let hidden = Incursion {
        origin,
        flyers: ground.params.flyers.round() as u32,
        mean_m: incursion::dispersal_of(&ground.profile.id).mean_m,
        flight_life_days: FLIGHT_LIFE_DAYS,
    };
    let capture = ground.params.capture;
    Ok(incursion::catches(&incursion::simulate(
        &hidden,
        &flight,
        &traps,
        |d| capture.hazard(d),
        seed,
    )))
}

/// Days a flyer of the demo is on the wing; invented for the demo.
const FLIGHT_LIFE_DAYS: u16 = 14;

fn last_day(visits: &[Visit], calendar: &Calendar) -> Date {
    visits.iter().map(|v| v.date).max().unwrap_or(calendar.take_down)
}

fn asked(district: &District, on: Date) -> Asked {
    let lines = |all: &[Vec<crate::demo::plane::Xy>]| -> Vec<Vec<earlywood_model::record::Position>> {
        all.iter()
            .map(|l| l.iter().map(|&p| district.plane.position(p)).collect())
            .collect()
    };
    Asked {
        targets: TARGETS.iter().map(ToString::to_string).collect(),
        on,
        station: None,
        ground: ground_options(),
        draws: DRAWS,
        decoration: Decoration {
            invented: Some(district::STATEMENT.to_string()),
            water: lines(std::slice::from_ref(&district.river)),
            water_width_m: district.river_width_m,
            roads: lines(&district.streets),
            greens: lines(&district.greens),
        },
    }
}

/// Simulated worlds of each target's trial, and draws behind each statement of its calibration: few, for the demo's sake; the
/// report says how many.
const WORLDS: u32 = 100;
const STATEMENT_DRAWS: u32 = 40;
/// As `earlywood trial` has it.
const MOST_INSECTS: u32 = 20_000;

/// The plan of a target in the simulated season, and the curve of what the assurance states of it.
fn tried(programme: &Programme, id: &str, on: Date, seed: u64) -> Result<Answer> {
    let ground = Ground::of(
        programme,
        earlywood_chain::target(programme, id)?,
        ground_options(),
    )?;
    let mut notes = Vec::new();
    let series = earlywood_chain::weather::series(programme, None, &mut notes)?;
    let asked = trial::Asked {
        plan: Some(trial::Named::Latest),
        against: None,
        year: SEASON_YEAR,
        seasons: 1,
        on,
        replicates: WORLDS,
        seed,
        kind: Kind::Growing,
        presence: Presence::Certain,
        most_insects: MOST_INSECTS,
        given: trial::Given::default(),
    };
    let question = trial::Question::of(programme, &ground, &series, &asked, &mut notes)?;
    tell_notes(&notes);
    super::trial::answer(programme, &question, Some((STATEMENT_DRAWS, PriorOf::Spread)))
}

/// Five lines: what was done, one on each target, the file, the report and the paper; and one for each response.
fn summary(
    data: &ReportData,
    entries: u64,
    (report, paper): (&Path, &Path),
    programme: &Path,
) -> Vec<String> {
    let traps: usize = data.targets.iter().map(|t| t.traps.len()).sum();
    let mut lines = vec![format!(
        "{} (invented), season {}: {traps} traps for {} targets, {entries} journal entries, all verified.",
        data.programme,
        data.season_year,
        data.targets.len()
    )];
    lines.extend(data.targets.iter().map(target_line));
    let responses = data.targets.iter().flat_map(|t| &t.responses);
    lines.extend(responses.filter_map(|r| Some(format!("{}: {}.", r.title, r.in_short.as_ref()?))));
    lines.push(format!(
        "Programme file: {} (try: earlywood assurance {} --help).",
        programme.display(),
        programme.display()
    ));
    lines.push(format!(
        "Report: {} (on paper, with round sheets and labels: {})",
        report.display(),
        paper.display()
    ));
    lines
}

fn target_line(t: &TargetReport) -> String {
    let name = &t.common_name;
    if let Some(first) = t.finds.first() {
        return format!(
            "{name}: FOUND. First taken on {} at trap {} in {}; {} confirmed catches in all.",
            first.taken,
            first.label,
            first.zone,
            t.finds.len()
        );
    }
    let zones: Vec<String> = t
        .zones
        .iter()
        .map(|z| {
            let free = z.free.last().map_or_else(
                || "unknown".into(),
                |(_, b)| earlywood_chain::wording::share(b.median),
            );
            format!(
                "{} {} (absent {free})",
                z.zone,
                earlywood_chain::wording::share(z.sensitivity.median)
            )
        })
        .collect();
    format!(
        "{name}: not found. Had it been there at the design size, chance of having seen it: {}.",
        zones.join(", ")
    )
}
