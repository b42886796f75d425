//! Degree-days and lure age.

use anyhow::{Context, Result, bail};
use clap::{Args, ValueEnum};
use earlywood_model::degree_days::{Cutoff, Method, Rule};
use earlywood_model::lure::{Kinetics, Lure};
use earlywood_model::weather::{DailyTemp, Series};
use jiff::civil::Date;
use serde_json::{Value, json};

use super::input::Table;

#[derive(Clone, Copy, ValueEnum)]
enum MethodArg {
    Average,
    Sine,
    Triangle,
    DoubleSine,
    DoubleTriangle,
}

#[derive(Clone, Copy, ValueEnum)]
enum CutoffArg {
    Horizontal,
    Intermediate,
    Vertical,
}

#[derive(Args)]
pub(crate) struct DegreeDaysArgs {
    /// Lower threshold, degrees Celsius.
    #[arg(long, value_name = "C", value_parser = crate::number::finite, allow_negative_numbers = true)]
    lower: f64,
    /// Upper threshold, degrees Celsius; none when left out.
    #[arg(long, value_name = "C", value_parser = crate::number::finite, allow_negative_numbers = true)]
    upper: Option<f64>,
    /// How the day's curve is drawn through its extremes.
    #[arg(long, value_enum, default_value = "sine")]
    method: MethodArg,
    /// What heat above the upper threshold counts.
    #[arg(long, value_enum, default_value = "horizontal")]
    cutoff: CutoffArg,
}

#[derive(Clone, Copy, ValueEnum)]
enum KindArg {
    /// Releases at a constant rate until it is empty (a pouch with liquid).
    ZeroOrder,
    /// Releases in proportion to what is left (a septum).
    FirstOrder,
}

#[derive(Args)]
pub(crate) struct LureArgs {
    /// Kinetics of the device.
    #[arg(long, value_enum)]
    kind: KindArg,
    /// Zero-order: days until empty at the reference temperature.
    #[arg(long, value_name = "DAYS", value_parser = crate::number::positive, allow_negative_numbers = true)]
    rated_days: Option<f64>,
    /// First-order: days until half is left at the reference temperature.
    #[arg(long, value_name = "DAYS", value_parser = crate::number::positive, allow_negative_numbers = true)]
    half_life_days: Option<f64>,
    /// Reference temperature, degrees Celsius.
    #[arg(long, value_name = "C", value_parser = crate::number::finite, allow_negative_numbers = true)]
    reference_c: f64,
    /// Factor by which release rises per 10 degrees.
    #[arg(long, value_parser = crate::number::positive, allow_negative_numbers = true)]
    q10: f64,
    /// Exponent of potency on release rate; 0 makes potency constant while the lure lasts.
    #[arg(long, default_value = "1", value_parser = crate::number::not_negative, allow_negative_numbers = true)]
    beta: f64,
}

fn series_from_stdin() -> Result<Series> {
    let table = Table::from_stdin(&["date", "tmin_c", "tmax_c"], &[])?;
    let mut days = Vec::new();
    for row in table.rows() {
        let date: Date = row.parsed("date", "a date such as 2026-06-03")?;
        let (tmin_c, tmax_c) = (row.number("tmin_c")?, row.number("tmax_c")?);
        for (column, t) in [("tmin_c", tmin_c), ("tmax_c", tmax_c)] {
            if !(-90.0..=60.0).contains(&t) {
                bail!(row.complaint(
                    column,
                    &t.to_string(),
                    "between -90 and 60 degrees Celsius (is it Fahrenheit?)"
                ));
            }
        }
        if tmax_c < tmin_c {
            bail!(row.complaint(
                "tmax_c",
                &tmax_c.to_string(),
                &format!("not below tmin_c ({tmin_c})")
            ));
        }
        days.push(DailyTemp { date, tmin_c, tmax_c });
    }
    Series::new(days).context("standard input")
}

pub(super) fn degree_days(args: &DegreeDaysArgs) -> Result<Value> {
    let method = match args.method {
        MethodArg::Average => Method::Average,
        MethodArg::Sine => Method::Sine,
        MethodArg::Triangle => Method::Triangle,
        MethodArg::DoubleSine => Method::DoubleSine,
        MethodArg::DoubleTriangle => Method::DoubleTriangle,
    };
    let cutoff = match args.cutoff {
        CutoffArg::Horizontal => Cutoff::Horizontal,
        CutoffArg::Intermediate => Cutoff::Intermediate,
        CutoffArg::Vertical => Cutoff::Vertical,
    };
    let rule = Rule::new(method, cutoff, args.lower, args.upper)?;
    let series = series_from_stdin()?;
    let mut sum = 0.0;
    let days: Vec<Value> = series
        .days()
        .iter()
        .zip(rule.daily(series.days()))
        .map(|(day, dd)| {
            sum += dd;
            json!({"date": day.date, "dd": dd, "sum": sum})
        })
        .collect();
    Ok(json!({ "days": days }))
}

pub(super) fn lure(args: &LureArgs) -> Result<Value> {
    let (kinetics, life_days) = match (args.kind, args.rated_days, args.half_life_days) {
        (KindArg::ZeroOrder, Some(days), None) => (Kinetics::ZeroOrder, days),
        (KindArg::FirstOrder, None, Some(days)) => (Kinetics::FirstOrder, days),
        (KindArg::ZeroOrder, ..) => bail!("a zero-order lure needs --rated-days, and no --half-life-days"),
        (KindArg::FirstOrder, ..) => bail!("a first-order lure needs --half-life-days, and no --rated-days"),
    };
    let lure = Lure::new(kinetics, life_days, args.reference_c, args.q10, args.beta, 0.0)?;
    let series = series_from_stdin()?;
    let age = lure.age(series.days());
    let empty_on = age.iter().find(|d| d.left <= 0.0).map(|d| d.date);
    let days: Vec<Value> = age
        .iter()
        .map(|d| {
            json!({"date": d.date, "equivalent_days": d.equivalent_days, "left": d.left, "potency": d.potency})
        })
        .collect();
    Ok(json!({"days": days, "empty_on": empty_on}))
}
