//! One station's temperatures as a series the model can use.

use earlywood_journal::Programme;
use earlywood_model::weather::{DailyTemp, Series};

use crate::Notes;
use crate::error::{ChainError, Choice, Lack, While as _};

/// Gaps up to this many days are bridged by a straight line, and told; a longer one is refused, since a missing day
/// is not a day of no heat. Choice of design.
pub const LONGEST_GAP_DAYS: u32 = 7;

/// The series of one station; the only one, when none is named.
///
/// # Errors
/// No weather of that station, or several stations and none named; a gap too long to be bridged.
pub fn series(programme: &Programme, station: Option<&str>, notes: &mut Notes) -> Result<Series, ChainError> {
    let label = match station {
        Some(label) => label.to_string(),
        None => only_station(programme)?,
    };
    let days: Vec<DailyTemp> = programme
        .weather(Some(&label))?
        .into_iter()
        .map(|d| DailyTemp {
            date: d.date,
            tmin_c: d.tmin_c,
            tmax_c: d.tmax_c,
        })
        .collect();
    if days.is_empty() {
        return Err(Lack::Station(label).into());
    }
    let (series, gaps) = Series::with_gaps_filled(days, LONGEST_GAP_DAYS)
        .while_doing(|| format!("weather of station {label}"))?;
    if !gaps.is_empty() {
        let days: u32 = gaps.iter().map(|g| g.days).sum();
        notes.push(format!(
            "{} short gaps in the weather ({days} days) were bridged by a straight line",
            gaps.len()
        ));
    }
    Ok(series)
}

fn only_station(programme: &Programme) -> Result<String, ChainError> {
    let labels: Vec<String> = programme.stations()?.into_iter().map(|s| s.label).collect();
    match labels.as_slice() {
        [only] => Ok(only.clone()),
        [] => Err(Lack::Weather.into()),
        several => Err(ChainError::Several {
            what: Choice::Station,
            among: several.to_vec(),
        }),
    }
}
