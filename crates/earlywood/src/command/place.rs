//! `earlywood place`: where traps hang.

use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use clap::Args;
use earlywood_chain::ground::{Ground, WHOLE};
use earlywood_chain::plan::{self, aim_word};
use earlywood_chain::siting::{Aim, Request, Sited, candidates, choose};
use earlywood_geodata::AreaIndex;
use earlywood_model::record::{Place, Position};
use earlywood_planner::siting::Limit;
use serde_json::{Value, json};

use crate::chain::{AimArg, GroundArgs, tell};
use crate::number;
use crate::out::{Form, table};
use crate::{ActorArg, FileArg};

#[derive(Args)]
pub(crate) struct PlaceArgs {
    #[command(flatten)]
    file: FileArg,
    /// Target, by id (earlywood targets lists those that ship).
    #[arg(long, value_name = "T")]
    target: Option<String>,
    /// Traps to place, kept ones included.
    #[arg(long, value_name = "K", value_parser = clap::value_parser!(u32).range(1..), required_unless_present = "budget", allow_negative_numbers = true)]
    traps: Option<u32>,
    /// Instead of a number of traps: the season's budget, in the unit of the places' costs (crew hours).
    #[arg(long, value_name = "HOURS", conflicts_with = "traps", value_parser = number::positive, allow_negative_numbers = true)]
    budget: Option<f64>,
    /// Least distance between two traps, metres; the profile's own when left out.
    #[arg(long, value_name = "M", value_parser = number::not_negative, allow_negative_numbers = true)]
    spacing: Option<f64>,
    /// What the plan should make large.
    #[arg(long, value_enum, default_value = "sensitivity")]
    objective: AimArg,
    #[command(flatten)]
    ground: GroundArgs,
    /// Choose among the programme's own places only, not also among spots between the trees.
    #[arg(long)]
    own_places: bool,
    /// Keep every trap of this target that hangs now.
    #[arg(long)]
    keep_hanging: bool,
    /// Look at no more than this many spots between the trees.
    #[arg(long, value_name = "N", default_value = "20000")]
    candidates: usize,
    /// Seed of the search; the same seed gives the same plan.
    #[arg(long, default_value = "1")]
    seed: u64,
    /// How hard to look, in multiples of the usual work.
    #[arg(long, default_value = "1", value_parser = number::not_negative, allow_negative_numbers = true)]
    effort: f64,
    /// Stop after so many seconds with the best plan so far (which may then differ from machine to machine).
    #[arg(long, value_name = "S", value_parser = number::positive, allow_negative_numbers = true)]
    seconds: Option<f64>,
    /// Work on the bound until the plan is proved to within 2 % or the effort runs out.
    #[arg(long)]
    prove: bool,
    /// Write the chosen places to this file (.csv or .geojson).
    #[arg(long, value_name = "OUT")]
    out: Option<PathBuf>,
    /// Write the plan into the journal; needs --reason. Nothing is written otherwise.
    #[arg(long, requires = "reason")]
    save: bool,
    /// Why this plan, in plain words, for the journal.
    #[arg(long)]
    reason: Option<String>,
    #[command(flatten)]
    actor: ActorArg,
}

impl PlaceArgs {
    fn request(&self) -> Request {
        Request {
            limit: match (self.traps, self.budget) {
                (_, Some(hours)) => Limit::Budget(hours),
                (traps, None) => Limit::Count(traps.unwrap_or(0) as usize),
            },
            aim: self.objective.into(),
            spacing_m: self.spacing,
            own_places_only: self.own_places,
            most_candidates: self.candidates,
            keep_hanging: self.keep_hanging,
            seed: self.seed,
            effort: self.effort,
            // A day is longer than anyone waits, and keeps the addition to the clock in range.
            time_limit: self.seconds.map(|s| Duration::from_secs_f64(s.min(86_400.0))),
            prove: self.prove,
        }
    }
}

pub(crate) fn run(args: PlaceArgs, form: Form) -> Result<()> {
    let mut programme = if args.save {
        super::open(&args.file)?
    } else {
        super::read(&args.file)?
    };
    let profile = earlywood_chain::target_or_only(&programme, args.target.as_deref())?;
    let ground = Ground::of(&programme, profile, args.ground.into())?;
    tell(&ground.cells.notes);
    let request = args.request();
    let own = programme.places()?;
    let hanging: Vec<_> = programme
        .placements()?
        .into_iter()
        .filter(|p| p.taken_down.is_none() && p.targets.contains(&ground.profile.id))
        .collect();
    let mut notes = Vec::new();
    let spots = candidates(&ground, &own, &request, &mut notes)?;
    tell(&notes);
    let sited = choose(&ground, spots, &hanging, &request)?;
    if let Some(path) = &args.out {
        write_places(path, &sited, &ground)?;
    }
    if args.save {
        let act = super::act(&args.actor)?;
        let plan = plan::entry(
            &ground,
            &sited,
            &request,
            args.ground.into(),
            args.reason.clone().unwrap_or_default(),
        );
        plan::save(&mut programme, &act, &ground, &own, plan)?;
    }
    tell(&ground.profile.warnings());
    form.say(
        || words(&sited, &ground, &request, args.save),
        || as_json(&sited, &ground, &request, args.save),
    )
}

/// More places than this are not listed in words: a file is the place for them.
const MOST_LISTED: usize = 40;

fn words(sited: &Sited, ground: &Ground, request: &Request, saved: bool) -> String {
    let plan = &sited.plan;
    let aim = match request.aim {
        Aim::Sensitivity => "Chance that the design incursion is seen, lures fresh and every visit made",
        Aim::Cover => "Share of the risk that lies within a trap's reach",
    };
    let mut lines = vec![
        format!(
            "{} traps for {} out of {} candidate places, {} m or more apart.",
            plan.chosen.len(),
            ground.profile.common_name,
            sited.candidates.len(),
            sited.spacing_m
        ),
        format!(
            "{aim}: {:.4} (design incursion: {} flyers).",
            plan.objective, ground.params.flyers
        ),
        format!(
            "No plan under the same rules can do better than {:.4}: this one is within {:.2} % of the best possible.",
            plan.bound,
            100.0 * plan.gap
        ),
        format!(
            "Found in {:.1} s.{}",
            plan.seconds,
            if plan.stopped_early {
                " The time limit cut the search short."
            } else {
                ""
            }
        ),
        String::new(),
        table(&["traps", "objective"], &curve_rows(&plan.curve)),
        String::new(),
    ];
    if plan.chosen.len() <= MOST_LISTED {
        let rows: Vec<Vec<String>> = sited
            .chosen()
            .iter()
            .map(|p| {
                vec![
                    p.label.clone(),
                    format!("{:.6}", p.position.lat),
                    format!("{:.6}", p.position.lon),
                ]
            })
            .collect();
        lines.push(table(&["place", "lat", "lon"], &rows));
    } else {
        lines.push("The places: --out PLACES.csv or --out PLACES.geojson, or --json.".into());
    }
    lines.push(if saved {
        "The plan is in the journal.".into()
    } else {
        "Nothing was saved: this is a proposal. --save --reason \"…\" writes it into the journal.".into()
    });
    lines.join("\n")
}

/// About ten rows of the curve, the last always among them.
fn curve_rows(curve: &[(usize, f64)]) -> Vec<Vec<String>> {
    let step = (curve.len() / 10).max(1);
    let mut rows: Vec<&(usize, f64)> = curve.iter().filter(|(k, _)| *k > 0).step_by(step).collect();
    if let Some(last) = curve.last()
        && rows.last() != Some(&last)
    {
        rows.push(last);
    }
    rows.into_iter()
        .map(|(k, f)| vec![k.to_string(), format!("{f:.4}")])
        .collect()
}

fn as_json(sited: &Sited, ground: &Ground, request: &Request, saved: bool) -> Value {
    let plan = &sited.plan;
    json!({
        "target": ground.profile.id,
        "objective_kind": aim_word(request.aim),
        "candidates": sited.candidates.len(),
        "spacing_m": sited.spacing_m,
        "resolution": ground.cells.resolution,
        "chosen": sited.chosen().iter().map(|p| json!({"label": p.label, "lat": p.position.lat, "lon": p.position.lon, "kept": p.kept})).collect::<Vec<_>>(),
        "objective": plan.objective,
        "bound": plan.bound,
        "gap": plan.gap,
        "seconds": plan.seconds,
        "stopped_early": plan.stopped_early,
        "curve": plan.curve.iter().map(|(k, f)| json!({"traps": k, "objective": f})).collect::<Vec<_>>(),
        "saved": saved,
        "warnings": ground.profile.warnings(),
    })
}

fn write_places(path: &std::path::Path, sited: &Sited, ground: &Ground) -> Result<()> {
    let chosen = sited.chosen();
    let zones = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
    let zone = |at: Position| {
        zones
            .first_at(at)
            .map_or(WHOLE.to_string(), |i| ground.zones[i].label.clone())
    };
    let text = match path
        .extension()
        .and_then(|e| e.to_str())
        .map(str::to_ascii_lowercase)
        .as_deref()
    {
        Some("geojson" | "json") => places_geojson(&chosen, zone),
        Some("csv") => places_csv(&chosen, zone)?,
        _ => bail!("{}: give a file that ends in .csv or .geojson", path.display()),
    };
    std::fs::write(path, text).with_context(|| format!("{} can't be written", path.display()))
}

/// RFC 7946; seven decimals are about a centimetre.
fn places_geojson(places: &[Place], zone: impl Fn(Position) -> String) -> String {
    let rounded = |v: f64| (v * 1e7).round() / 1e7;
    let features: Vec<Value> = places
        .iter()
        .map(|p| {
            json!({"type": "Feature",
                "geometry": {"type": "Point", "coordinates": [rounded(p.position.lon), rounded(p.position.lat)]},
                "properties": {"label": p.label, "cost": p.cost, "kept": p.kept, "zone": zone(p.position)}})
        })
        .collect();
    json!({"type": "FeatureCollection", "features": features}).to_string()
}

/// RFC 4180, in the columns that `earlywood load FILE places` reads.
fn places_csv(places: &[Place], zone: impl Fn(Position) -> String) -> Result<String> {
    let mut out = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(Vec::new());
    out.write_record(["label", "lat", "lon", "cost", "kept", "zone"])?;
    for p in places {
        out.write_record([
            p.label.clone(),
            format!("{:.7}", p.position.lat),
            format!("{:.7}", p.position.lon),
            p.cost.to_string(),
            if p.kept { "yes" } else { "no" }.to_string(),
            zone(p.position),
        ])?;
    }
    Ok(String::from_utf8(out.into_inner()?)?)
}
