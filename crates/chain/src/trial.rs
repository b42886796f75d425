//! A trial over a programme file: its ground, its plans, its weather, its record, played with simulated incursions.

use std::collections::HashMap;

use earlywood_geodata::Frame;
use earlywood_journal::Programme;
use earlywood_model::assurance::Cell;
use earlywood_model::error::ModelError;
use earlywood_model::param::{Dist, Mark, Param};
use earlywood_model::phenology::season_dates;
use earlywood_model::profile::Choice as Chosen;
use earlywood_model::record::{Place, TrapFound};
use earlywood_model::trial::{
    self, CalibrationSettings, Curve, Input, Kind, Plan, PlanTrap, Presence, PriorOf, Recorded, Routine,
    Settings, SpreadForm, Trial, TrialSection, Truth,
};
use earlywood_model::weather::Series;
use jiff::ToSpan as _;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::Notes;
use crate::assure::Asked as AssureAsked;
use crate::error::ChainError;
use crate::ground::Ground;

/// Days before first flight by which traps hang, and after last flight up to which they stay. Design choice, as in the
/// season's plan.
const AROUND_FLIGHT_DAYS: i32 = 14;
/// Visits on record from which shares are taken; below it they say too little. Design choice.
const ENOUGH_VISITS: usize = 50;
/// Share of visits that do not reach the trap, and that find it impaired, where the record is too short. Design choice.
const USUAL_SHARE: f64 = 0.03;

/// Which traps a plan has. As people type it: `latest`, `plan-2`, `hanging`, `recorded`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Named {
    /// The adopted plan with this number, 1 the oldest.
    Adopted(usize),
    /// The newest adopted plan.
    Latest,
    /// Traps of the season, worked by the routine.
    Hanging,
    /// Traps of the season with the visits that were really made.
    Recorded,
}

impl Named {
    /// Reads a name.
    ///
    /// # Errors
    /// Another word; the message lists those there are.
    pub fn parse(text: &str) -> Result<Self, String> {
        match text {
            "latest" => Ok(Named::Latest),
            "hanging" => Ok(Named::Hanging),
            "recorded" => Ok(Named::Recorded),
            _ => text
                .strip_prefix("plan-")
                .and_then(|n| n.parse().ok())
                .filter(|n| *n > 0)
                .map(Named::Adopted)
                .ok_or_else(|| {
                    format!(
                        "{text:?} names no plan; write latest (the plan saved last), plan-1, plan-2 ... (in the order they were \
                         saved), hanging (the season's traps, worked by the routine) or recorded (the same with the visits \
                         really made)"
                    )
                }),
        }
    }
}

/// Figures a person gives in place of the profile's. `None` leaves the profile's.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Given {
    /// Flyers that begin an incursion.
    pub founders: Option<f64>,
    /// Growth a generation.
    pub growth: Option<f64>,
    /// Mean spread a generation, metres.
    pub spread_m: Option<f64>,
    /// Days until a specimen is named.
    pub naming_days: Option<f64>,
    /// Days between looks.
    pub look_every_days: Option<u32>,
    /// Days by which visits come late, on average.
    pub late_days: Option<f64>,
    /// Share of visits that do not reach the trap.
    pub not_reached: Option<f64>,
    /// Share of visits that find it impaired.
    pub impaired: Option<f64>,
    /// Crew hours of a visit.
    pub visit_hours: Option<f64>,
}

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The plan; where absent the newest adopted one, else the hanging traps.
    pub plan: Option<Named>,
    /// Another to hold against it.
    pub against: Option<Named>,
    /// Year in which the first season starts.
    pub year: i16,
    /// Seasons played, 1 to 20.
    pub seasons: u8,
    /// The day up to which a record counts.
    pub on: Date,
    /// Worlds.
    pub replicates: u32,
    /// Seed.
    pub seed: u64,
    /// What the incursions are.
    pub kind: Kind,
    /// Whether there is one in each world.
    pub presence: Presence,
    /// Largest incursion.
    pub most_insects: u32,
    /// Figures given.
    pub given: Given,
}

/// Everything a trial needs, owned.
#[derive(Debug)]
pub struct Question {
    cells: Vec<Cell>,
    cell_area_m2: f64,
    weather: Series,
    profile: earlywood_model::profile::TargetProfile,
    spread: TrialSection,
    routine: Routine,
    settings: Settings,
    plans: Vec<Plan>,
    on: Date,
    season: (Date, Date),
}

/// What a trial says, as it is written to a file and read by the season report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// The programme's id.
    pub programme: String,
    /// Where its journal stood: device, number of its last entry and that entry's hash.
    pub state: Vec<String>,
    /// The trial.
    pub trial: Trial,
    /// Reliability curves, where asked for.
    #[serde(default)]
    pub calibration: Vec<Curve>,
    /// What the figures rest on, line by line.
    pub rests_on: Vec<String>,
    /// Version of the program.
    pub version: String,
}

/// Where a programme's journal stands.
///
/// # Errors
/// A programme that can't be read.
pub fn state(programme: &Programme) -> Result<Vec<String>, ChainError> {
    let heads = programme.offer()?.heads;
    Ok(heads
        .into_iter()
        .map(|h| {
            format!(
                "{} {} {}",
                h.device,
                h.number,
                earlywood_journal::sync::hex(&h.hash.0)
            )
        })
        .collect())
}

impl Question {
    /// Gathers it. What is worth knowing besides the answer is added to `told`.
    ///
    /// # Errors
    /// No plan of that name; a target whose profile lacks what a trial needs, where no figures were given; weather that
    /// does not reach back to the first season's beginning.
    pub fn of(
        programme: &Programme,
        ground: &Ground,
        series: &Series,
        asked: &Asked,
        told: &mut Notes,
    ) -> Result<Question, ChainError> {
        if !(1..=20).contains(&asked.seasons) {
            return Err(ChainError::asked("seasons", "1 to 20 seasons"));
        }
        let heat = ground.params.heat;
        let last_year = asked.year.saturating_add(i16::from(asked.seasons) - 1);
        let first = heat.season_range(asked.year)?;
        let last = heat.season_range(last_year)?;
        let (from, to) = (*first.start(), *last.end());
        if series.first() > from {
            return Err(ChainError::asked(
                "year",
                format!(
                    "the season of {} starts on {from}, but the weather begins on {}; load earlier weather, or try a later year",
                    asked.year,
                    series.first()
                ),
            ));
        }
        let weather = series.continued_with_normals(to)?;
        if series.last() < to {
            told.push(format!(
                "the weather ends on {}; days from there to {to} are those of an average year",
                series.last()
            ));
        }
        let mut routine = routine(programme, ground, &weather, asked, told)?;
        let (named, guessed) = match &asked.plan {
            Some(named) => (named.clone(), false),
            None => (default_plan(programme, ground)?, true),
        };
        let mut plans = vec![plan(programme, ground, series, &named, asked, &routine, told)?];
        if guessed {
            told.push(format!("no --plan was named: {} is tried", plans[0].name));
        }
        if let Some(other) = &asked.against {
            plans.push(plan(programme, ground, series, other, asked, &routine, told)?);
        }
        if let Some(hours) = asked.given.visit_hours {
            routine.visit_cost = hours;
        }
        let area: f64 = ground.cells.cells.iter().map(|c| c.area_m2()).sum();
        Ok(Question {
            cell_area_m2: area / ground.cells.cells.len().max(1) as f64,
            cells: cells(ground),
            weather,
            profile: ground.profile.clone(),
            spread: spread(ground, &asked.given, told)?,
            routine,
            settings: Settings {
                replicates: asked.replicates,
                seed: asked.seed,
                kind: asked.kind,
                presence: asked.presence,
                most_insects: asked.most_insects,
                ..Settings::new(from, to)
            },
            plans,
            on: asked.on,
            season: (from, *first.end()),
        })
    }

    fn input(&self) -> Input<'_> {
        Input {
            cells: &self.cells,
            cell_area_m2: self.cell_area_m2,
            weather: &self.weather,
            profile: &self.profile,
            spread: &self.spread,
            routine: &self.routine,
            settings: &self.settings,
        }
    }

    /// Plays the plans.
    ///
    /// # Errors
    /// What the model refuses.
    pub fn trial(&self) -> Result<Trial, ChainError> {
        Ok(trial::run(&self.input(), &self.plans)?.0)
    }

    /// Whether what the assurance states of the first plan's season is true, over as many worlds as the trial has.
    ///
    /// # Errors
    /// What the model refuses.
    pub fn calibration(&self, draws: u32, prior: PriorOf) -> Result<Vec<Curve>, ChainError> {
        let recorded = self.plans[0].traps.iter().any(|t| t.recorded.is_some());
        let settings = CalibrationSettings {
            worlds: self.settings.replicates,
            draws,
            last_as_of: if recorded {
                self.on.min(self.season.1)
            } else {
                self.season.1
            },
            season: self.season,
            prior,
        };
        Ok(trial::calibrate(
            &self.input(),
            &self.plans[0],
            &settings,
            &Truth::ALL,
        )?)
    }

    /// What the figures rest on, line by line.
    pub fn rests_on(&self) -> Vec<String> {
        let r = &self.routine;
        let mut lines = self.spread.told();
        lines.push(format!(
            "the routine: a look every {} days, lures changed after {} at the latest, visits late by {} days, {:.1} % do not \
             reach the trap, {:.1} % find it impaired",
            r.look_every_days,
            r.lure_every_days,
            r.late_days,
            100.0 * r.not_reached,
            100.0 * r.impaired
        ));
        lines.push(
            "capture, lure, flight and screening: the target's profile, drawn anew in every world"
                .to_string(),
        );
        lines.push(if r.visit_cost > 0.0 {
            format!(
                "cost: what a season at each place costs, and {} crew hours a visit",
                r.visit_cost
            )
        } else {
            "cost: what a season at each place costs; visits are not counted beside it (--visit-hours)"
                .to_string()
        });
        lines.push("insects in traps are not taken out of the next generation; nothing is carried by people; where no host stands an insect stays at home (choices of design)".to_string());
        lines
    }
}

fn cells(ground: &Ground) -> Vec<Cell> {
    let of = |(cell, at): (&earlywood_geodata::Cell, &earlywood_geodata::Xy)| Cell {
        x_m: at.x_m,
        y_m: at.y_m,
        weight: cell.weight(),
        zone: cell.zone.unwrap_or(0),
    };
    ground.cells.cells.iter().zip(&ground.xy).map(of).collect()
}

/// The profile's section with the figures given; the shipped profile's where the programme's own has none (it was adopted
/// before there was one); all of them given where neither has.
fn spread(ground: &Ground, given: &Given, notes: &mut Notes) -> Result<TrialSection, ChainError> {
    let told = |value: f64, unit: &str| Param {
        dist: Dist::Fixed { value },
        unit: unit.into(),
        source: "given on the command line".into(),
        mark: Mark::SetByProgramme,
        note: None,
    };
    let founders = given.founders.map(|v| told(v, "flyers"));
    let growth = given
        .growth
        .map(|v| told(v, "flyers of the next generation for each one"));
    let mean = given.spread_m.map(|v| told(v, "m a generation"));
    let naming = given.naming_days.map(|v| told(v, "days"));
    let shipped = || {
        let section = earlywood_model::profile::by_id(&ground.profile.id)
            .ok()?
            .trial
            .clone()?;
        notes.push(
            "the programme's own profile has no [trial] section; that of the profile shipped under its name is taken".into(),
        );
        Some(section)
    };
    if let Some(mut section) = ground.profile.trial.clone().or_else(shipped) {
        for (own, new) in [
            (&mut section.founders, founders),
            (&mut section.growth, growth),
            (&mut section.spread_mean_m, mean),
            (&mut section.naming_days, naming),
        ] {
            if let Some(new) = new {
                *own = new;
            }
        }
        return Ok(section);
    }
    let (Some(founders), Some(growth), Some(spread_mean_m)) = (founders, growth, mean) else {
        return Err(ChainError::asked(
            "growth",
            format!(
                "the profile of {} does not say how an incursion begins, grows and spreads: give --founders N --growth R \
                 --spread-m M, or add a [trial] section to the profile (earlywood targets shows one)",
                ground.profile.common_name
            ),
        ));
    };
    Ok(TrialSection {
        founders,
        growth,
        clumping: told(1.0, "k of the negative binomial"),
        spread_form: Chosen {
            value: SpreadForm::Exponential,
            source: "none".into(),
            mark: Mark::SetByProgramme,
            note: None,
        },
        spread_mean_m,
        naming_days: naming.unwrap_or_else(|| told(7.0, "days")),
    })
}

/// How crews work: the profile's clocks, and the shares of the programme's own visits where it has made enough.
fn routine(
    programme: &Programme,
    ground: &Ground,
    weather: &Series,
    asked: &Asked,
    told: &mut Notes,
) -> Result<Routine, ChainError> {
    let params = &ground.params;
    let mut seasons: Vec<(Date, Date)> = Vec::new();
    for k in 0..i16::from(asked.seasons) {
        let year = asked.year.saturating_add(k);
        let range = params.heat.season_range(year)?;
        let Some(dates) = season_dates(&params.flight.daily_share(weather, year)?) else {
            told.push(format!("nothing flies in the season of {year}: no trap is hung"));
            continue;
        };
        let hung = dates
            .first
            .saturating_sub(AROUND_FLIGHT_DAYS.days())
            .max(*range.start());
        let down = dates
            .last
            .saturating_add(AROUND_FLIGHT_DAYS.days())
            .min(*range.end());
        if seasons.last().is_none_or(|s| s.1 < hung) && hung < down {
            seasons.push((hung, down));
        }
    }
    if seasons.is_empty() {
        return Err(ChainError::asked(
            "year",
            "nothing flies in these seasons: there is nothing to try",
        ));
    }
    let visits = programme.visits()?;
    let looked: Vec<_> = visits.iter().filter(|v| v.date <= asked.on).collect();
    let share = |found: TrapFound| {
        if looked.len() >= ENOUGH_VISITS {
            looked.iter().filter(|v| v.found == found).count() as f64 / looked.len() as f64
        } else {
            USUAL_SHARE
        }
    };
    told.push(if looked.len() >= ENOUGH_VISITS {
        format!("shares of visits that fail are those of the {} visits on record", looked.len())
    } else {
        format!(
            "with {} visits on record, {:.0} % of visits are taken not to reach the trap and {:.0} % to find it impaired (a \
             choice of design)",
            looked.len(),
            100.0 * USUAL_SHARE,
            100.0 * USUAL_SHARE
        )
    });
    let given = &asked.given;
    let clocks = &ground.profile.clocks;
    let whole = |days: f64| days.clamp(1.0, 3_660.0).round() as u32;
    let lure = clocks.lure.nominal_days.min(params.lure_nominal_max_days);
    Ok(Routine {
        seasons,
        look_every_days: given
            .look_every_days
            .unwrap_or_else(|| whole(clocks.look.nominal_days)),
        lure_every_days: whole(lure),
        late_days: match given.late_days {
            Some(value) => Dist::Fixed { value },
            None => Dist::Pert {
                low: 0.0,
                mode: 1.0,
                high: 7.0,
            },
        },
        not_reached: given.not_reached.unwrap_or_else(|| share(TrapFound::NotReached)),
        impaired: given.impaired.unwrap_or_else(|| share(TrapFound::Impaired)),
        visit_cost: 0.0,
    })
}

fn default_plan(programme: &Programme, ground: &Ground) -> Result<Named, ChainError> {
    let id = &ground.profile.id;
    if programme.plans()?.iter().any(|p| &p.value.target == id) {
        return Ok(Named::Latest);
    }
    if programme.placements()?.iter().any(|p| p.targets.contains(id)) {
        return Ok(Named::Hanging);
    }
    Err(ChainError::asked(
        "plan",
        format!(
            "there is no plan for {} and no trap hangs for it: make one with earlywood place FILE --target {id} --traps K --save",
            ground.profile.common_name
        ),
    ))
}

/// A plan by its name.
fn plan(
    programme: &Programme,
    ground: &Ground,
    series: &Series,
    named: &Named,
    asked: &Asked,
    routine: &Routine,
    told: &mut Notes,
) -> Result<Plan, ChainError> {
    let id = &ground.profile.id;
    let frame = &ground.cells.frame;
    // A place's cost is that of one season.
    let seasons = routine.seasons.len() as f64;
    let adopted: Vec<_> = programme
        .plans()?
        .into_iter()
        .filter(|p| &p.value.target == id)
        .collect();
    let of_places = |number: usize| -> Result<Plan, ChainError> {
        let found = number.checked_sub(1).and_then(|i| adopted.get(i));
        let Some(plan) = found else {
            return Err(ChainError::asked(
                "plan",
                format!(
                    "there is no plan {number} for {}: {} have been saved",
                    ground.profile.common_name,
                    adopted.len()
                ),
            ));
        };
        Ok(Plan {
            name: format!("plan-{number}"),
            traps: plan
                .value
                .places
                .iter()
                .map(|p| of_place(p, frame, seasons))
                .collect(),
        })
    };
    match named {
        Named::Adopted(number) => of_places(*number),
        Named::Latest => of_places(adopted.len()),
        Named::Hanging | Named::Recorded => {
            let question = season_question(programme, ground, series, asked, routine, told)?;
            let costs: HashMap<String, f64> = programme
                .places()?
                .into_iter()
                .map(|p| (p.label, p.cost))
                .collect();
            let recorded = *named == Named::Recorded;
            let mut traps: Vec<PlanTrap> = question.with_input(ground, |input| {
                Ok::<_, ModelError>(
                    input
                        .placements
                        .iter()
                        .zip(&question.placements)
                        .map(|(p, at)| PlanTrap {
                            label: p.label.clone(),
                            x_m: p.x_m,
                            y_m: p.y_m,
                            cost: costs.get(&at.place).copied().unwrap_or(0.0)
                                * if recorded { 1.0 } else { seasons },
                            recorded: recorded.then(|| Recorded {
                                hung: p.hung,
                                taken_down: p.taken_down,
                                visits: p.visits.iter().filter(|v| v.date <= asked.on).cloned().collect(),
                                fitted: p.fitted,
                            }),
                        })
                        .collect(),
                )
            })?;
            if recorded && asked.seasons > 1 {
                told.push(
                    "recorded traps have visits in their own season only; later seasons go by unwatched"
                        .into(),
                );
            }
            if !recorded {
                // A trap that was moved hangs once, where it hung last; called by its place, as in a plan, so that a plan
                // with the same places has the same luck.
                let mut last: HashMap<String, PlanTrap> = HashMap::new();
                for (t, at) in traps.drain(..).zip(&question.placements) {
                    let label = at.place.clone();
                    last.insert(t.label.clone(), PlanTrap { label, ..t });
                }
                traps = last.into_values().collect();
                traps.sort_by(|a, b| a.label.cmp(&b.label));
            }
            if traps.is_empty() {
                return Err(ChainError::asked(
                    "plan",
                    format!(
                        "no trap for {} hung in the season of {}",
                        ground.profile.common_name, asked.year
                    ),
                ));
            }
            Ok(Plan {
                name: if recorded { "recorded" } else { "hanging" }.into(),
                traps,
            })
        }
    }
}

fn of_place(place: &Place, frame: &Frame, seasons: f64) -> PlanTrap {
    let at = frame.to_xy(place.position);
    PlanTrap {
        label: place.label.clone(),
        x_m: at.x_m,
        y_m: at.y_m,
        cost: place.cost * seasons,
        recorded: None,
    }
}

/// The placements of the trial's first season, as the assurance gathers them.
fn season_question(
    programme: &Programme,
    ground: &Ground,
    series: &Series,
    asked: &Asked,
    routine: &Routine,
    told: &mut Notes,
) -> Result<crate::assure::Question, ChainError> {
    let season = ground.params.heat.season_range(asked.year)?;
    let on = asked
        .on
        .clamp(*season.start(), *season.end())
        .max(routine.seasons[0].0);
    let asked = AssureAsked {
        on,
        draws: 1,
        seed: 1,
    };
    let mut aside = Notes::new();
    let question = crate::assure::Question::of(programme, ground, series, asked, &mut aside)?;
    told.extend(aside.into_iter().filter(|n| !n.starts_with("the weather ends")));
    Ok(question)
}
