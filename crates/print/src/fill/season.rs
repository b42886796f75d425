//! From a programme file to what the season report says: every figure computed here or handed on, none made up.

use std::collections::BTreeMap;

use earlywood_chain::assure::{self, Question};
use earlywood_chain::ground::{Ground, GroundOptions};
use earlywood_chain::season::{date_rows, orders, years_words};
use earlywood_chain::wording::component_units;
use earlywood_chain::{ChainError, Lack};
use earlywood_geodata::Frame;
use earlywood_journal::{Plan, Programme};
use earlywood_model::assurance::{self, Assurance};
use earlywood_model::detection::{Cutoff, Point as ModelPoint, Surface, SurfaceTrap};
use earlywood_model::param::Dist;
use earlywood_model::phenology::{SeasonOptions, SeasonSpan, Spread, season_plan};
use earlywood_model::record::{
    Area, LandRule, Looked, Pathway, Placement, Position, TrapFound, Visit, VisitKind,
};
use earlywood_model::weather::Series;
use jiff::ToSpan as _;
use jiff::civil::Date;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use crate::report::{
    Band, Cost, DateRow, EvidenceRow, Find, Fortnight, MapBase, MapCell, MapPathway, MapTrap, NextVisit,
    ParameterRow, PlanResult, Point, ReportData, SeasonPlan, TargetReport, TrapState, VisitSummary,
    ZoneAssurance,
};

/// Shapes that make a map easier to read and mean nothing: rivers, streets, parks.
#[derive(Debug, Clone, Default)]
pub struct Decoration {
    /// Statement for data that are invented.
    pub invented: Option<String>,
    /// Middle lines of rivers.
    pub water: Vec<Vec<Position>>,
    /// Their width, metres.
    pub water_width_m: f64,
    /// Middle lines of streets and roads.
    pub roads: Vec<Vec<Position>>,
    /// Parks and woods.
    pub greens: Vec<Vec<Position>>,
}

/// What the report is asked to cover.
#[derive(Debug, Clone)]
pub struct Asked {
    /// Target ids; empty for all the programme has adopted.
    pub targets: Vec<String>,
    /// The day up to which records count.
    pub on: Date,
    /// Weather station; none where only one is loaded.
    pub station: Option<String>,
    /// How cells are laid.
    pub ground: GroundOptions,
    /// Draws of the uncertain parameters behind every band.
    pub draws: u32,
    /// What makes the map easier to read.
    pub decoration: Decoration,
}

/// How many next visits and costs a target's section lists.
const LISTED: usize = 10;

/// Gathers the report.
///
/// # Errors
/// A programme that can't be read, or lacks what a figure needs: a target, hosts, weather.
pub fn gather(
    programme: &Programme,
    asked: &Asked,
    notes: &mut Vec<String>,
) -> Result<ReportData, ChainError> {
    let ids: Vec<String> = if asked.targets.is_empty() {
        programme.profiles()?.into_iter().map(|p| p.profile.id).collect()
    } else {
        asked.targets.clone()
    };
    if ids.is_empty() {
        return Err(Lack::Target.into());
    }
    let series = earlywood_chain::weather::series(programme, asked.station.as_deref(), notes)?;
    let frame = frame(programme)?;
    let targets = ids
        .iter()
        .map(|id| {
            let ground = Ground::of(programme, earlywood_chain::target(programme, id)?, asked.ground)?;
            TargetSection {
                programme,
                ground,
                series: &series,
                asked,
                frame: &frame,
            }
            .gather(notes)
        })
        .collect::<Result<Vec<_>, ChainError>>()?;
    let methods = methods(targets.iter().any(has_evidence));
    Ok(ReportData {
        programme: programme.name()?,
        season_year: asked.on.year(),
        as_of: asked.on,
        written_by: concat!("earlywood ", env!("CARGO_PKG_VERSION")).to_string(),
        invented: asked.decoration.invented.clone(),
        map: map_base(programme, &frame, &asked.decoration)?,
        targets,
        methods,
        cautions: cautions(),
    })
}

/// One frame for every map of the report.
fn frame(programme: &Programme) -> Result<Frame, ChainError> {
    let corners: Vec<Position> = programme
        .zones()?
        .iter()
        .flat_map(|z| {
            z.area
                .0
                .iter()
                .flatten()
                .flatten()
                .map(|&[lon, lat]| Position { lat, lon })
                .collect::<Vec<_>>()
        })
        .collect();
    Ok(if corners.is_empty() {
        Frame::about(programme.hosts()?.into_iter().map(|h| h.position))?
    } else {
        Frame::about(corners)?
    })
}

fn at(frame: &Frame, p: Position) -> Point {
    let xy = frame.to_xy(p);
    Point {
        x_m: xy.x_m,
        y_m: xy.y_m,
    }
}

fn line(frame: &Frame, points: &[Position]) -> Vec<Point> {
    points.iter().map(|&p| at(frame, p)).collect()
}

fn rings(frame: &Frame, area: &Area) -> Vec<Vec<Point>> {
    let ring = |r: &Vec<[f64; 2]>| {
        r.iter()
            .map(|&[lon, lat]| at(frame, Position { lat, lon }))
            .collect()
    };
    area.0.iter().flatten().map(ring).collect()
}

fn map_base(programme: &Programme, frame: &Frame, decoration: &Decoration) -> Result<MapBase, ChainError> {
    let lines = |all: &[Vec<Position>]| all.iter().map(|l| line(frame, l)).collect();
    Ok(MapBase {
        zones: programme
            .zones()?
            .iter()
            .map(|z| (z.label.clone(), rings(frame, &z.area)))
            .collect(),
        greens: lines(&decoration.greens),
        forbidden: programme
            .land()?
            .iter()
            .filter(|l| l.rule == LandRule::Forbidden)
            .flat_map(|l| rings(frame, &l.area))
            .collect(),
        water: lines(&decoration.water),
        water_width_m: decoration.water_width_m,
        roads: lines(&decoration.roads),
        pathways: programme
            .pathways()?
            .iter()
            .map(|p| map_pathway(frame, p))
            .collect(),
    })
}

fn map_pathway(frame: &Frame, p: &Pathway) -> MapPathway {
    MapPathway {
        label: p.label.clone(),
        kind: p.kind.clone(),
        at: at(frame, p.position),
    }
}

fn band(b: assurance::Band) -> Band {
    Band {
        low: b.p05,
        median: b.median,
        high: b.p95,
    }
}

/// One target's section in the making.
struct TargetSection<'a> {
    programme: &'a Programme,
    ground: Ground,
    series: &'a Series,
    asked: &'a Asked,
    frame: &'a Frame,
}

impl TargetSection<'_> {
    fn gather(&self, notes: &mut Vec<String>) -> Result<TargetReport, ChainError> {
        let how = assure::Asked {
            on: self.asked.on,
            draws: self.asked.draws,
            seed: 1,
        };
        let question = Question::of(self.programme, &self.ground, self.series, how, notes)?;
        let answer = question.answer(&self.ground)?;
        let (profile, plan) = (&self.ground.profile, self.latest_plan()?);
        Ok(TargetReport {
            common_name: profile.common_name.clone(),
            scientific_name: profile.scientific_name.clone(),
            caution: profile.caution.clone(),
            design_flyers: dist_band(&profile.design.flyers.dist),
            hosts: self.ground.hosts.iter().map(|h| at(self.frame, h.position)).collect(),
            cells: self.cells(&question.placements)?,
            cell_measure: "Chance that the design incursion, starting there, would be seen by these traps with fresh lures and every visit made".into(),
            traps: self.traps(&question),
            finds: self.finds(&question),
            season: self.season(plan.as_ref(), notes)?,
            plan: plan.as_ref().map(plan_result),
            visits: Some(self.visit_summary(&question, &answer)),
            zones: answer.zones.iter().map(zone_assurance).collect(),
            costs: costs(&answer),
            next_visits: self.next_visits(&answer, &question.placements),
            parameters: parameters(&self.ground, answer.zones.iter().any(|z| !z.components.is_empty())),
            warnings: assure::suspects_words(question.open_suspects).into_iter().chain(answer.warnings.clone()).collect(),
            responses: super::response::responses(
                self.programme,
                &profile.id,
                self.asked.on,
                self.asked.ground,
                self.asked.station.as_deref(),
                self.frame,
            )?,
            trial: None,
        })
    }

    fn latest_plan(&self) -> Result<Option<Plan>, ChainError> {
        let plans = self.programme.plans()?;
        Ok(plans
            .into_iter()
            .map(|p| p.value)
            .rfind(|p| p.target == self.ground.profile.id))
    }

    fn look_clock(&self) -> (i64, i64) {
        let look = &self.ground.profile.clocks.look;
        (look.nominal_days.round() as i64, look.warning_days.round() as i64)
    }

    fn traps(&self, question: &Question) -> Vec<MapTrap> {
        let (_, warning) = self.look_clock();
        question
            .stops()
            .map(|(p, stops)| {
                let last_look = stops
                    .iter()
                    .rfind(|v| v.looked != Looked::No)
                    .map_or(p.hung, |v| v.date);
                let until = p.taken_down.unwrap_or(self.asked.on).min(self.asked.on);
                let overdue = days(last_look, until) > warning;
                // A trap found down or gone at a stop that hung a new body works again.
                let out = |v: &&Visit| match v.found {
                    TrapFound::Down | TrapFound::Gone => !v.renewed.body,
                    TrapFound::NotReached => true,
                    TrapFound::Impaired | TrapFound::Working => false,
                };
                let impaired = |v: &&Visit| v.found == TrapFound::Impaired;
                let state = match stops.last() {
                    Some(v) if out(v) => TrapState::Out,
                    Some(v) if impaired(v) || overdue => TrapState::Impaired,
                    None if overdue => TrapState::Impaired,
                    _ => TrapState::Working,
                };
                MapTrap {
                    label: p.trap.clone(),
                    at: at(self.frame, p.position),
                    state,
                }
            })
            .collect()
    }

    fn finds(&self, question: &Question) -> Vec<Find> {
        let zones = self.ground.zone_labels();
        question
            .found
            .iter()
            .map(|f| Find {
                label: f.trap.clone(),
                zone: zones[f.zone].clone(),
                at: at(self.frame, f.position),
                taken: f.taken,
                confirmed: f.confirmed,
            })
            .collect()
    }

    /// What the placed traps would see in each cell at their best.
    fn cells(&self, placements: &[Placement]) -> Result<Vec<MapCell>, ChainError> {
        let fine = &self.ground.cells;
        let points: Vec<ModelPoint> = self
            .ground
            .xy
            .iter()
            .map(|p| ModelPoint {
                x_m: p.x_m,
                y_m: p.y_m,
            })
            .collect();
        let traps: Vec<SurfaceTrap> = placements
            .iter()
            .map(|p| {
                let xy = fine.frame.to_xy(p.position);
                SurfaceTrap::new(
                    ModelPoint {
                        x_m: xy.x_m,
                        y_m: xy.y_m,
                    },
                    self.ground.params.capture,
                    1.0,
                )
            })
            .collect::<Result<_, _>>()?;
        let hazards = Surface::over_points(&points)?.hazards(&traps, Cutoff::ShareOfPeak(1e-6));
        let caught = self.ground.params.flyers * self.ground.params.screening;
        let seen: Vec<f64> = hazards
            .iter()
            .map(|h| -(caught * (-h).exp_m1()).exp_m1())
            .collect();
        Ok(fine
            .cells
            .iter()
            .zip(seen)
            .map(|(cell, value)| MapCell {
                ring: line(self.frame, &cell.corners()),
                value,
                weight: cell.weight(),
            })
            .collect())
    }

    fn season(&self, plan: Option<&Plan>, notes: &mut Vec<String>) -> Result<Option<SeasonPlan>, ChainError> {
        let heat = self.ground.params.heat;
        let year = heat.season_of(self.asked.on);
        let start = *heat.season_range(year)?.start();
        let before = self
            .series
            .between(self.series.first()..=start.saturating_sub(1.day()));
        // The plan as it could be made before the season began: the season's own weather is not known then.
        let past = Series::new(before.to_vec());
        let made = past.and_then(|past| {
            season_plan(
                &self.ground.profile,
                &past,
                SeasonSpan::Year(year),
                SeasonOptions::default(),
            )
        });
        let made = match made {
            Ok(made) => made,
            Err(why) => {
                notes.push(format!("no season plan in the report: {why}"));
                return Ok(None);
            }
        };
        let dates = date_rows(&made)
            .into_iter()
            .map(|(what, d)| DateRow {
                why: why(&what, &made.options),
                what,
                early: d.min,
                median: d.median,
                late: d.max,
            })
            .collect();
        let share = |s: &Spread<f64>| Band {
            low: s.p05,
            median: s.median,
            high: s.p95,
        };
        let traps = plan.map_or(0, |p| u32::try_from(p.places.len()).unwrap_or(u32::MAX));
        Ok(Some(SeasonPlan {
            years: years_words(&made),
            dates,
            fortnights: made
                .spread
                .fortnights
                .iter()
                .map(|f| Fortnight {
                    from: f.from,
                    share: share(&f.share),
                })
                .collect(),
            supplies: orders(&made, traps, SPARE)?
                .into_iter()
                .filter(|o| o.quantity > 0)
                .map(|o| {
                    let how = format!(
                        "{:.0} a trap (19 years of 20), {traps} traps, {:.0} % spare",
                        o.each,
                        100.0 * SPARE
                    );
                    (o.what.to_string(), o.quantity.to_string(), how)
                })
                .collect(),
        }))
    }

    fn visit_summary(&self, question: &Question, answer: &Assurance) -> VisitSummary {
        let (_, warning) = self.look_clock();
        let mut s = VisitSummary {
            due: 0,
            made: 0,
            late: 0,
            missed: Vec::new(),
            found_out: 0,
            partly: 0,
            suspects: 0,
            calendar_trap_days: answer.zones.iter().map(|z| z.calendar_trap_days).sum(),
            effective_trap_days: answer.zones.iter().map(|z| z.effective_trap_days).sum(),
        };
        let mut missed: BTreeMap<String, u32> = BTreeMap::new();
        for (p, stops) in question.stops() {
            let mut since = p.hung;
            // The stop that moved a trap here belongs to the place it came from.
            for v in stops
                .into_iter()
                .filter(|v| v.kind != VisitKind::Hang && v.date > p.hung)
            {
                s.found_out += u32::from(matches!(v.found, TrapFound::Down | TrapFound::Gone));
                s.partly += u32::from(v.looked == Looked::Partly);
                s.suspects += v.suspects.unwrap_or(0);
                if v.looked == Looked::No {
                    let why = v.exception.clone().unwrap_or_else(|| "no reason given".into());
                    *missed.entry(why).or_default() += 1;
                    continue;
                }
                if days(since, v.date) > warning {
                    s.late += 1
                } else {
                    s.made += 1
                }
                since = v.date;
            }
            if p.taken_down.is_none_or(|d| d > self.asked.on) && days(since, self.asked.on) > warning {
                *missed
                    .entry("overdue on the day of the report".into())
                    .or_default() += 1;
            }
        }
        s.missed = missed.into_iter().collect();
        s.missed.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        s.due = s.made + s.late + s.missed.iter().map(|m| m.1).sum::<u32>();
        s
    }

    fn next_visits(&self, answer: &Assurance, placements: &[Placement]) -> Vec<NextVisit> {
        let (nominal, _) = self.look_clock();
        let mut all: Vec<NextVisit> = answer
            .zones
            .iter()
            .flat_map(|z| z.next_visits.iter().map(move |v| (z, v)))
            .map(|(z, v)| {
                let last = v.last_look.unwrap_or(placements[v.placement].hung);
                NextVisit {
                    trap: v.label.clone(),
                    zone: z.zone.clone(),
                    due: last.saturating_add(nominal.days()),
                    gain: v.from_look + v.from_renewal,
                    todo: todo(v),
                }
            })
            .filter(|v| v.gain > 0.0)
            .collect();
        all.sort_by(|a, b| b.gain.total_cmp(&a.gain).then_with(|| a.trap.cmp(&b.trap)));
        all.truncate(LISTED);
        all
    }
}

/// Supplies on top of the reckoning; common practice, no source.
const SPARE: f64 = 0.1;

fn days(from: Date, to: Date) -> i64 {
    from.until(to).map_or(0, |span| i64::from(span.get_days()))
}

fn todo(v: &assurance::NextVisit) -> String {
    match (v.from_look > 0.0, v.from_renewal > 0.0) {
        (true, true) => "look, and renew lure and parts".into(),
        (true, false) => "look".into(),
        _ => "renew lure and parts".into(),
    }
}

fn why(what: &str, options: &SeasonOptions) -> String {
    match what {
        "hang the traps by" => format!("{} days before the first flight", options.hang_lead_days),
        "take down from" => format!("{:.0} % of the flight is over", 100.0 * options.take_down_share),
        w if w.starts_with("lure change") => format!(
            "{:.0} % of the rated life is spent, reckoned by heat, or the longest time a lure may hang",
            100.0 * options.lure_change_share
        ),
        _ => "heat sum from past weather".into(),
    }
}

fn plan_result(plan: &Plan) -> PlanResult {
    let curve = plan.settings["curve"]
        .as_array()
        .map(Vec::as_slice)
        .unwrap_or_default();
    PlanResult {
        traps: plan.places.len(),
        candidates: plan.settings["candidates"].as_u64().unwrap_or(0) as usize,
        objective: plan.objective,
        bound: plan.bound.unwrap_or(1.0),
        seconds: plan.settings["seconds"].as_f64(),
        curve: curve
            .iter()
            .filter_map(|p| Some((p[0].as_u64()? as usize, p[1].as_f64()?)))
            .collect(),
    }
}

fn zone_assurance(z: &assurance::ZoneAssurance) -> ZoneAssurance {
    let seen = z.periods.last().map_or(
        Band {
            low: 0.0,
            median: 0.0,
            high: 0.0,
        },
        |p| band(p.sensitivity),
    );
    ZoneAssurance {
        zone: z.zone.clone(),
        sensitivity: seen,
        free: z
            .periods
            .iter()
            .filter_map(|p| p.p_free.map(|b| (p.to, band(b))))
            .collect(),
        found: z.found_on.is_some(),
        evidence: z
            .components
            .iter()
            .map(|c| EvidenceRow {
                kind: c.kind.words().into(),
                units: component_units(c),
                sensitivity: band(c.sensitivity),
                free: c.p_free.map(band),
            })
            .collect(),
    }
}

/// The three causes that cost most, each where it cost most.
fn costs(answer: &Assurance) -> Vec<Cost> {
    let mut worst: BTreeMap<&str, Cost> = BTreeMap::new();
    for zone in &answer.zones {
        for loss in &zone.losses {
            let what = loss.cause.words();
            if worst.get(what).is_none_or(|c| c.lost < loss.sensitivity) {
                let cost = Cost {
                    what: what.into(),
                    zone: zone.zone.clone(),
                    lost: loss.sensitivity,
                };
                worst.insert(what, cost);
            }
        }
    }
    let mut all: Vec<Cost> = worst.into_values().collect();
    all.sort_by(|a, b| b.lost.total_cmp(&a.lost).then_with(|| a.what.cmp(&b.what)));
    all.truncate(3);
    all
}

/// Draws behind the band of one parameter.
const BAND_DRAWS: usize = 2_000;

/// Central value and 5-95 % of a parameter, whatever its distribution, by seeded draws.
fn dist_band(dist: &Dist) -> Band {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut drawn: Vec<f64> = (0..BAND_DRAWS).map(|_| dist.draw(&mut rng)).collect();
    drawn.sort_unstable_by(f64::total_cmp);
    Band {
        low: drawn[BAND_DRAWS / 20],
        median: dist.central(),
        high: drawn[BAND_DRAWS - 1 - BAND_DRAWS / 20],
    }
}

/// Those of inspections only where figures lean on them.
fn parameters(ground: &Ground, inspections: bool) -> Vec<ParameterRow> {
    let of_inspections = ground.profile.inspection.as_ref().filter(|_| inspections);
    ground
        .profile
        .parameters()
        .into_iter()
        .chain(of_inspections.map_or_else(Vec::new, |i| i.parameters()))
        .map(|(name, p)| ParameterRow {
            name: name.into(),
            value: format!("{} {}", p.dist, p.unit),
            source: match &p.note {
                Some(note) => format!("{}. {note}", p.source),
                None => p.source.clone(),
            },
            mark: p.mark.words().into(),
            doubtful: p.mark.needs_warning(),
        })
        .collect()
}

fn has_evidence(target: &TargetReport) -> bool {
    target.zones.iter().any(|z| !z.evidence.is_empty())
}

/// What is said of evidence beside traps, where there is any.
const EVIDENCE: (&str, &str) = (
    "Evidence beside traps",
    "The design incursion's flyers come out of infested trees: its flyers divided by what one tree sends out. A look counts by its vantage, the leaves, the parts taken in and the time spent; of a cell's counted hosts the infested ones are any of them alike, so the chance that no look shows one is hypergeometric, and binomial where hosts are not counted. Looks at one tree again, looks beside a trap in the same week, detection trees beside traps, and the public beside looks are dependent: a stated share of such evidence counts only by its better part. Detection trees count by the flight they stood through; the public's silence only where the programme states a hotline, and only while no tip is open. Looks that saw signs which nobody has ruled out count as no evidence of absence, and nothing of this is credited with an incursion that arrives during the season.",
);

fn methods(evidence: bool) -> Vec<(String, String)> {
    let mut all = general_methods();
    if evidence {
        let at = all
            .iter()
            .position(|(title, _)| title == "A zone")
            .unwrap_or(all.len());
        all.insert(at, (EVIDENCE.0.to_owned(), EVIDENCE.1.to_owned()));
    }
    all
}

fn general_methods() -> Vec<(String, String)> {
    [
        ("Seeing it", "A flyer that starts in a cell is caught by a trap with a probability that falls with distance; hazards of several traps add, so that one insect is caught once. Of the flyers of the design incursion, those caught while a trap was up, baited and later looked at are seen with the screening sensitivity. A cell's sensitivity is the chance that at least one is."),
        ("Effort", "Only what was later looked at counts. Lures weaken with the heat they have had, inserts and other parts with age; a trap found down or gone earns nothing since the look before; a stop at which nobody could look earns nothing by itself."),
        ("A zone", "Cells are weighed by host trees and by the risk that the target arrives there, and averaged. The same weights, updated by what has not been seen, carry the probability of absence from week to week, with the chance of a new arrival added."),
        ("Uncertainty", "Parameters carry distributions; every figure is the median of seeded draws, its band the 5th to 95th percentile. A parameter that has no published figure is marked, and listed with every result that leans on it."),
        ("Siting", "Places lie between host trees, away from healthy ones. The plan maximises the weighted sensitivity with fresh lures; the bound is proved, not estimated, so the gap says how much any other plan could gain at most."),
        ("Dates", "Degree-days by the method with which the target's sums were fitted, one row for each past year; medians and extremes over the years."),
        ("Visits", "A look is on time while the look clock is below its warning age, late beyond it. Stops without a look are listed by their reason and never count as looked, none."),
        ("Drawing a conclusion", "The figures propose; a determination is made by a person with standing, and a pest's status is declared only by the plant protection authority."),
    ]
    .map(|(title, text)| (title.to_string(), text.to_string()))
    .to_vec()
}

/// Common cautions for the work; common practice, and the law of the place goes before them.
fn cautions() -> Vec<String> {
    [
        "Overhead lines: no pole, ladder or trap within reach of one; keep at least 3 m, more at higher voltages, as the local rules say.",
        "Dead limbs and infested trees: look up before working beneath; never climb a tree with symptoms; stay away in wind.",
        "Sticky glue, solvents and blades: gloves and eye protection; cut away from the hand; wash off with the remover meant for skin.",
        "Lures and killing agents: follow the label; keep them cold and closed; do not handle them bare-handed.",
        "Roads: park off the carriageway, wear high-visibility clothing, and never stop on a bridge.",
        "Heat: plan water, shade and rest, and let new people get used to it.",
        "Dogs, people and property: enter only with a right to; leave when challenged; work in pairs and check in.",
        "Treatment is for licensed people only. Local law decides what may be trapped, moved, opened or treated.",
    ]
    .map(String::from)
    .to_vec()
}
