//! Sample sizes and freedom.

use anyhow::Result;
use clap::Args;
use earlywood_model::freedom;
use earlywood_model::sample_size::{Question, UnitsRule};
use serde_json::{Value, json};

use crate::number;

#[derive(Clone, Copy)]
enum Population {
    Large,
    Of(u64),
}

fn population(text: &str) -> Result<Population, String> {
    if text == "none" {
        return Ok(Population::Large);
    }
    match text.parse::<u64>() {
        Ok(n) if n > 0 => Ok(Population::Of(n)),
        _ => Err(format!(
            "{text} must be a whole number above 0, or none for a large population"
        )),
    }
}

#[derive(Args)]
pub(crate) struct SampleSizeArgs {
    /// Units in the population, or none for a large one (binomial).
    #[arg(long, value_name = "N|none", value_parser = population, allow_negative_numbers = true)]
    population: Population,
    /// Level of infestation to detect, as a share of units.
    #[arg(long, value_parser = number::share, allow_negative_numbers = true)]
    level: f64,
    /// Sensitivity of the look at one unit.
    #[arg(long, default_value = "1", value_parser = number::share, allow_negative_numbers = true)]
    sensitivity: f64,
    /// Confidence wanted.
    #[arg(long, value_parser = number::share, allow_negative_numbers = true)]
    confidence: f64,
}

#[derive(Args)]
pub(crate) struct FreedomArgs {
    /// Probability, before looking, that the target is present.
    #[arg(long, value_name = "PI", value_parser = number::share, allow_negative_numbers = true)]
    prior_infested: f64,
    /// Sensitivity of one period's looking.
    #[arg(long, value_parser = number::share, allow_negative_numbers = true)]
    sensitivity: f64,
    /// Probability of a new introduction per period.
    #[arg(long, default_value = "0", value_parser = number::share, allow_negative_numbers = true)]
    introduction: f64,
    /// Periods without a find.
    #[arg(long, allow_negative_numbers = true, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    periods: u32,
}

pub(super) fn sample_size(args: &SampleSizeArgs) -> Result<Value> {
    let question = Question {
        population: match args.population {
            Population::Large => None,
            Population::Of(n) => Some(n),
        },
        level: args.level,
        sensitivity: args.sensitivity,
        confidence: args.confidence,
        rule: UnitsRule::Floor,
    };
    let answer = question.answer()?;
    Ok(match answer.infested {
        Some(infested) => json!({"n": answer.n, "confidence": answer.confidence, "infested_units": infested}),
        None => json!({"n": answer.n, "confidence": answer.confidence}),
    })
}

pub(super) fn freedom(args: &FreedomArgs) -> Result<Value> {
    let series = freedom::series(
        args.prior_infested,
        args.sensitivity,
        args.introduction,
        args.periods as usize,
    )?;
    Ok(json!({"p_free": series.p_free, "limit": series.limit}))
}
