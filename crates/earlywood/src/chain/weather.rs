//! One station's temperatures as a series the model can use.

use anyhow::{Context, Result, bail};
use earlywood_journal::Programme;
use earlywood_model::weather::{DailyTemp, Series};

use crate::out::note;

/// Gaps up to this many days are bridged by a straight line, and told; a longer one is refused, since a missing day
/// is not a day of no heat. Choice of design.
pub(crate) const LONGEST_GAP_DAYS: u32 = 7;

/// The series of one station; the only one, when none is named.
pub(crate) fn series(programme: &Programme, station: Option<&str>) -> Result<Series> {
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
        bail!("there is no weather of station {label:?}");
    }
    let (series, gaps) = Series::with_gaps_filled(days, LONGEST_GAP_DAYS)
        .with_context(|| format!("weather of station {label}"))?;
    if !gaps.is_empty() {
        let days: u32 = gaps.iter().map(|g| g.days).sum();
        note(&format!(
            "{} short gaps in the weather ({days} days) were bridged by a straight line",
            gaps.len()
        ));
    }
    Ok(series)
}

fn only_station(programme: &Programme) -> Result<String> {
    let labels: Vec<String> = programme.stations()?.into_iter().map(|s| s.label).collect();
    match labels.as_slice() {
        [only] => Ok(only.clone()),
        [] => {
            bail!("no weather is loaded; load a year or more with: earlywood load FILE weather WEATHER.csv")
        }
        several => bail!(
            "several stations are loaded; name one with --station: {}",
            several.join(", ")
        ),
    }
}
