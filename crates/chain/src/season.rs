//! The dated plan of a year: what is ordered, and its dates in order.

use earlywood_journal::Programme;
use earlywood_model::phenology::{SeasonOptions, SeasonPlan, SeasonSpan, Spread, Supplies, season_plan};
use jiff::civil::Date;
use jiff::{Span, ToSpan as _};
use serde::Serialize;

use crate::error::ChainError;
use crate::{Notes, weather};

/// Traps in the latest plan saved for the target.
///
/// # Errors
/// A programme that can't be read.
pub fn planned_traps(programme: &Programme, target: &str) -> Result<u32, ChainError> {
    let latest = programme.plans()?.into_iter().rfind(|p| p.value.target == target);
    Ok(latest.map_or(0, |p| u32::try_from(p.value.places.len()).unwrap_or(u32::MAX)))
}

/// One line of the order.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// What.
    pub what: &'static str,
    /// How many a trap, in 19 years of 20.
    pub each: f64,
    /// How many in all.
    pub quantity: u64,
}

/// Supplies for so many traps: the 95th percentile over the years, a share on top for spoilage and loss.
///
/// # Errors
/// A share that is not 0 or more.
pub fn orders(plan: &SeasonPlan, traps: u32, spare: f64) -> Result<Vec<Order>, ChainError> {
    let of = |what, count: fn(&Supplies) -> u32| -> Result<Order, ChainError> {
        let order = plan.to_order(count, traps, spare)?;
        Ok(Order {
            what,
            each: order.each,
            quantity: order.quantity,
        })
    };
    [
        of("lures", |s| s.lures),
        of("sticky inserts", |s| s.inserts),
        of("killing agents", |s| s.killing_agent),
        of("trap bodies", |s| s.bodies),
    ]
    .into_iter()
    .collect()
}

/// The dates of a plan with their spread: what, earliest, 5 %, median, 95 %, latest.
pub fn date_rows(plan: &SeasonPlan) -> Vec<(String, Spread<Date>)> {
    let s = &plan.spread;
    let mut rows: Vec<(String, Spread<Date>)> = [
        ("hang the traps by", s.hang),
        ("first flight", s.first_flight),
        ("peak flight", s.peak_flight),
        ("half flown", s.half_flown),
    ]
    .into_iter()
    .filter_map(|(what, spread)| spread.map(|d| (what.to_string(), d)))
    .collect();
    rows.extend(
        s.lure_changes
            .iter()
            .enumerate()
            .map(|(i, d)| (format!("lure change {}", i + 1), *d)),
    );
    rows.extend(s.take_down.map(|d| ("take down from".to_string(), d)));
    rows
}

/// The years of weather a plan rests on, in words.
pub fn years_words(plan: &SeasonPlan) -> String {
    let years: Vec<i16> = plan.rows.iter().map(|r| r.weather_year).collect();
    match (years.first(), years.last()) {
        (Some(a), Some(b)) if a != b => format!("{a} to {b} ({} years)", years.len()),
        (Some(a), _) => a.to_string(),
        _ => "no years".into(),
    }
}

/// A date with its spread over the years.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SeasonDate {
    /// hang, first-flight, peak-flight, half-flown, lure-change-1 ..., take-down.
    pub what: String,
    /// In plain words.
    pub words: String,
    /// The middle one.
    pub date: Date,
    /// Earlier in one year of 20.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub early: Option<Date>,
    /// Later in one year of 20.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub late: Option<Date>,
}

/// Flight in a fortnight.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Flight {
    /// Its first day.
    pub date: Date,
    /// Share of the year's flight.
    pub share: f64,
    /// 5 % quantile over the years.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// 95 % quantile.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
}

/// Something to be ordered.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct OrderRow {
    /// What.
    pub item: String,
    /// How many.
    pub quantity: u64,
    /// In what.
    pub unit: String,
    /// The day by which it should be there.
    pub by: Date,
    /// How it was reckoned.
    pub words: String,
}

/// A year's plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Season {
    /// Target id.
    pub target: String,
    /// Its common name.
    pub common_name: String,
    /// The year.
    pub year: i16,
    /// Dates in order.
    pub dates: Vec<SeasonDate>,
    /// Flight, fortnight by fortnight.
    pub flight: Vec<Flight>,
    /// When lures are changed, in the middle year.
    pub lure_changes: Vec<Date>,
    /// What to order.
    pub orders: Vec<OrderRow>,
    /// The years of weather it rests on.
    pub years: String,
    /// Worth knowing.
    pub notes: Notes,
}

/// Supplies on top of the reckoning; common practice, no source.
const SPARE: f64 = 0.1;
/// Supplies should be there so long before the traps hang; design choice, a month for making traps ready.
const BEFORE_HANGING_DAYS: i64 = 30;

/// The dated plan of a year for a target.
///
/// # Errors
/// A year out of range; no weather; as `season_plan` of the model.
pub fn season(programme: &Programme, target: &str, year: i16) -> Result<Season, ChainError> {
    if !(1900..=2200).contains(&year) {
        return Err(ChainError::asked(
            "year",
            format!("{year} is not a year this program plans for (1900 to 2200)"),
        ));
    }
    let mut notes = Notes::new();
    let profile = crate::target(programme, target)?;
    let series = weather::series(programme, None, &mut notes)?;
    let plan = season_plan(
        &profile,
        &series,
        SeasonSpan::Year(year),
        SeasonOptions::default(),
    )?;
    notes.extend(plan.warnings.iter().cloned());
    let traps = planned_traps(programme, target)?;
    if traps == 0 {
        notes.push("no plan is adopted for this target, so there is nothing to order yet".into());
    }
    if plan.spread.first_flight.is_none() {
        notes.push("in this weather nothing flies: no trap need hang".into());
    }
    let rows = date_rows(&plan);
    let first = rows.iter().find(|(what, _)| what == "hang the traps by");
    let before = Span::new().try_days(BEFORE_HANGING_DAYS).unwrap_or(1.day());
    let by = first.map(|(_, d)| d.p05.saturating_sub(before));
    let orders = match by {
        Some(by) if traps > 0 => orders(&plan, traps, SPARE)?
            .into_iter()
            .filter(|o| o.quantity > 0)
            .map(|o| OrderRow {
                item: o.what.into(),
                quantity: o.quantity,
                unit: "pieces".into(),
                by,
                words: format!(
                    "{:.0} a trap (19 years of 20), {traps} traps, {:.0} % spare",
                    o.each,
                    100.0 * SPARE
                ),
            })
            .collect(),
        _ => Vec::new(),
    };
    Ok(Season {
        target: target.to_owned(),
        common_name: profile.common_name,
        year,
        dates: rows
            .into_iter()
            .map(|(words, d)| SeasonDate {
                what: key_of(&words),
                words,
                date: d.median,
                early: Some(d.p05),
                late: Some(d.p95),
            })
            .collect(),
        flight: plan
            .spread
            .fortnights
            .iter()
            .map(|f| Flight {
                date: f.from,
                share: f.share.median,
                low: Some(f.share.p05),
                high: Some(f.share.p95),
            })
            .collect(),
        lure_changes: plan.spread.lure_changes.iter().map(|d| d.median).collect(),
        orders,
        years: years_words(&plan),
        notes,
    })
}

fn key_of(words: &str) -> String {
    match words {
        "hang the traps by" => "hang".into(),
        "take down from" => "take-down".into(),
        other => other.replace(' ', "-"),
    }
}
