//! The release clock of a response, and what the silence since the last find is worth.
//!
//! Effort is that of the traps inside the regulated area, or of all traps of the target where none is drawn. A day counts
//! only while the effective trap-days were at least the protocol's share of those planned; a trap's days are credited by the
//! look that follows, so the last days before today wait for one.

use earlywood_geodata::AreaIndex;
use earlywood_model::assurance::{DayOfEffort, Input, PlacementInput, efforts};
use earlywood_model::error::ModelError;
use earlywood_model::phenology::HeatModel;
use earlywood_model::protocol::Generation;
use earlywood_model::record::Area;
use earlywood_model::release::{DayEffort, Forecast, Heat, Record, Season, Silence, Term, silence};
use earlywood_model::weather::Series;
use jiff::civil::Date;
use jiff::{Span, ToSpan as _};
use serde::Serialize;

use super::case::Case;
use crate::Notes;
use crate::assure::Question;
use crate::error::ChainError;
use crate::ground::Ground;

/// The clock on a day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Clock {
    /// What must pass, in words.
    pub term: String,
    /// How much of it, in its unit.
    pub needed: f64,
    /// The last confirmed find.
    pub last_find: Date,
    /// What has passed.
    pub passed: f64,
    /// What is still to pass; 0 when the clock has run out.
    pub remaining: f64,
    /// Days since the last find on which effort was held.
    pub held_days: u32,
    /// Days since on which it was not.
    pub lost_days: u32,
    /// The day on which enough had passed.
    pub done_on: Option<Date>,
    /// When it will have, if effort holds and nothing is found.
    pub forecast: Option<Forecast>,
    /// Traps planned.
    pub planned_traps: f64,
    /// What the silence is worth.
    pub silence: Option<Silence>,
    /// Catch that a trap-day would give at the density tested.
    pub mean_per_trap_day: f64,
    /// Worth knowing.
    pub notes: Notes,
}

/// The clock of a case on its day. `question` must reach back to the season of the last find, and `series` over all days
/// since.
///
/// # Errors
/// No protocol; no confirmed find; weather that does not cover the days since the last find.
pub fn clock(
    case: &Case,
    ground: &Ground,
    question: &Question,
    series: &Series,
) -> Result<Clock, ChainError> {
    let protocol = case.protocol()?;
    let mut notes = Notes::new();
    let finds: Vec<Date> = case
        .finds
        .iter()
        .map(|f| f.taken)
        .filter(|d| *d <= case.on)
        .collect();
    let last_find = finds.iter().copied().max().ok_or_else(|| {
        ChainError::asked(
            "find",
            "none of these finds is confirmed any more: there is no clock to read",
        )
    })?;
    // Weather ends before today more often than not: what is not known yet does not count yet.
    let on = case.on.min(series.last());
    if on < case.on {
        notes.push(format!("the weather ends on {on}: the clock is read on that day"));
    }
    if on < last_find {
        return Err(ChainError::asked(
            "weather",
            format!(
                "the weather ends on {}, before the last find of {last_find}: load it first",
                series.last()
            ),
        ));
    }
    let days = question.with_input(ground, |input| watched_days(input, case, ground))?;
    let planned_traps = planned(case, &days, last_find);
    let effort: Vec<DayEffort> = days
        .iter()
        .map(|d| DayEffort {
            date: d.date,
            effective: d.effective,
            planned: if d.flight { planned_traps } else { 0.0 },
        })
        .collect();
    let heat_model = ground.params.heat;
    let heat = heat_of(case, &heat_model, series, &mut notes)?;
    let seasons = flight_seasons(&days, on);
    let record = Record {
        finds: &finds,
        effort: &effort,
        heat,
        seasons: &seasons,
    };
    let state = protocol.release.state(record, on)?;
    let waiting = days
        .iter()
        .rev()
        .take_while(|d| d.effective <= 0.0 && d.date > last_find && d.flight)
        .count();
    if waiting > 0 {
        notes.push(format!(
            "the last {waiting} days wait for a look: they count when somebody has looked"
        ));
    }
    if case.response.as_ref().and_then(|r| r.area_on(case.on)).is_none() {
        notes.push("no regulated area is in force: effort is that of all traps of this target".into());
    }
    let mean = mean_per_trap_day(ground, &days);
    notes.push(format!(
        "zero-catch bounds test the design incursion ({:.0} flyers) spread over 1 km2, the screening sensitivity counted: a \
         choice of design",
        ground.params.flyers
    ));
    let clumping = protocol
        .origin
        .as_ref()
        .and_then(|o| o.clumping.as_ref())
        .map(|k| k.central());
    let silence = if mean > 0.0 {
        Some(silence(record, on, mean, planned_traps.max(1.0), clumping)?)
    } else {
        None
    };
    Ok(Clock {
        term: term_words(&protocol.release.term),
        needed: protocol.release.count().central(),
        last_find: state.last_find,
        passed: state.passed,
        remaining: state.remaining,
        held_days: state.held_days,
        lost_days: state.lost_days,
        done_on: state.done_on,
        forecast: state.forecast,
        planned_traps,
        silence,
        mean_per_trap_day: mean,
        notes,
    })
}

fn term_words(term: &Term) -> String {
    match term {
        Term::Generations { .. } => "generations by heat",
        Term::Years { .. } => "years",
        Term::Seasons { .. } => "seasons of flight",
    }
    .to_owned()
}

/// Days of effort of the traps that watch the ground in question.
fn watched_days(input: &Input<'_>, case: &Case, ground: &Ground) -> Result<Vec<DayOfEffort>, ModelError> {
    let Some(area) = case.response.as_ref().and_then(|r| r.area_on(case.on)) else {
        return Ok(efforts(input)?.1);
    };
    let inside = AreaIndex::new([&Area(area.value.geometry.coordinates.clone())]);
    let mine: Vec<PlacementInput> = input
        .placements
        .iter()
        .filter(|p| {
            let at = ground.cells.frame.from_xy(earlywood_geodata::Xy {
                x_m: p.x_m,
                y_m: p.y_m,
            });
            inside.contains(at)
        })
        .cloned()
        .collect();
    Ok(efforts(&Input {
        placements: &mine,
        ..*input
    })?
    .1)
}

/// Traps that should hang: those of the adopted delimiting survey, else the most that hung on a day since the last find.
fn planned(case: &Case, days: &[DayOfEffort], last_find: Date) -> f64 {
    let adopted = case
        .response
        .as_ref()
        .and_then(|r| r.delimiting.last())
        .map(|d| d.value.traps.len());
    let hung = || {
        days.iter()
            .filter(|d| d.date >= last_find)
            .map(|d| d.hung)
            .max()
            .unwrap_or(0)
    };
    match adopted {
        Some(traps) if traps > 0 => traps as f64,
        _ => f64::from(hung().max(1)),
    }
}

fn heat_of<'a>(
    case: &Case,
    model: &'a HeatModel,
    series: &'a Series,
    notes: &mut Notes,
) -> Result<Option<Heat<'a>>, ChainError> {
    let protocol = case.protocol()?;
    match &protocol.generation {
        Generation::Heat { degree_days } => Ok(Some(Heat {
            model,
            series,
            generation_dd: degree_days.central(),
        })),
        Generation::Years { years } => {
            // A generation counted in years, where the term asks for generations: the heat of an average year stands for it.
            if !matches!(protocol.release.term, Term::Generations { .. }) {
                return Ok(None);
            }
            let complete = model.complete_seasons(series);
            let sums: Vec<f64> = complete
                .iter()
                .filter_map(|year| model.season(series, *year).ok())
                .filter_map(|season| season.days.last().map(|d| d.sum))
                .collect();
            if sums.is_empty() {
                return Err(ChainError::asked(
                    "weather",
                    "the protocol counts generations in years and releases by generations: a whole year of weather is needed",
                ));
            }
            let mean = sums.iter().sum::<f64>() / sums.len() as f64;
            notes.push(format!(
                "a generation of {} years is counted as {mean:.0} degree-days",
                years.central()
            ));
            Ok(Some(Heat {
                model,
                series,
                generation_dd: mean * years.central(),
            }))
        }
    }
}

/// First and last day of flight of each year, and of ten years to come like the last whole one.
fn flight_seasons(days: &[DayOfEffort], on: Date) -> Vec<Season> {
    let mut seasons: Vec<Season> = Vec::new();
    for day in days.iter().filter(|d| d.flight) {
        match seasons.last_mut().filter(|s| s.from.year() == day.date.year()) {
            Some(season) => season.to = day.date,
            None => seasons.push(Season {
                from: day.date,
                to: day.date,
            }),
        }
    }
    // The season under way is not over: it ends as late as the one before.
    let whole = seasons
        .iter()
        .rev()
        .find(|s| s.to < on.saturating_sub(30.days()))
        .copied();
    if let Some(like) = whole.or(seasons.last().copied()) {
        let shift =
            |date: Date, years: i16| date.saturating_add(Span::new().try_years(years).unwrap_or_default());
        let this_year = on.year() - like.from.year();
        if let Some(last) = seasons.last_mut().filter(|s| s.from.year() == on.year()) {
            last.to = last.to.max(shift(like.to, this_year));
        }
        for years in 1..=10 {
            let from = shift(like.from, this_year + years);
            let to = shift(like.to, this_year + years);
            if seasons.last().is_none_or(|s| s.to < from) {
                seasons.push(Season { from, to });
            }
        }
    }
    seasons
}

/// What one effective trap-day would catch, were the design incursion's flyers spread over a square kilometre.
fn mean_per_trap_day(ground: &Ground, days: &[DayOfEffort]) -> f64 {
    let flying = days.iter().filter(|d| d.flight).count();
    let years = days
        .first()
        .zip(days.last())
        .map_or(1.0, |(a, b)| f64::from(b.date.year() - a.date.year() + 1));
    if flying == 0 {
        return 0.0;
    }
    let days_of_a_life = flying as f64 / years;
    let params = &ground.params;
    let caught_in_a_life = params.flyers * params.capture.sampling_area_m2() / 1e6 * params.screening;
    caught_in_a_life / days_of_a_life
}
