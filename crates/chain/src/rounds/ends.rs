//! When the season of a trap is over: the day from which the season's plans of all its targets let it come down.

use std::collections::HashMap;

use earlywood_journal::Programme;
use earlywood_model::phenology::{SeasonOptions, SeasonSpan, season_plan};
use earlywood_model::profile::TargetProfile;
use earlywood_model::weather::Series;
use jiff::ToSpan as _;
use jiff::civil::Date;

use crate::Notes;
use crate::error::ChainError;

/// A trap that would be hung again within so many days stays where it is: its target flies all year, or nearly so. Design choice.
const LEAST_APART_DAYS: i64 = 28;

/// The day from which a trap may come down, and the target that flies longest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Over {
    /// First day on which it need not hang.
    pub(crate) from: Date,
    /// Name of the target whose season ends last.
    pub(crate) target: String,
}

/// The ends of the seasons of targets over one series of weather.
pub(crate) struct Ends {
    series: Series,
    profiles: HashMap<String, TargetProfile>,
    told: HashMap<(String, i16), Option<Date>>,
}

impl Ends {
    /// Reads weather and targets. None where there is no weather: then the calendar alone says when a trap comes down, and people do.
    pub(crate) fn read<'a>(
        programme: &Programme,
        targets: impl Iterator<Item = &'a String>,
        station: Option<&str>,
        notes: &mut Notes,
    ) -> Result<Option<Ends>, ChainError> {
        // What is wrong with the weather is told where lures are judged by it.
        let Ok(series) = crate::weather::series(programme, station, &mut Notes::new()) else {
            notes.push(
                "without weather nobody can tell when a season is over: no trap is listed to be taken down"
                    .into(),
            );
            return Ok(None);
        };
        let mut profiles = HashMap::new();
        for id in targets {
            // A target that nobody knows any more has no season.
            if let Ok(profile) = crate::target(programme, id) {
                profiles.insert(id.clone(), profile);
            }
        }
        Ok(Some(Ends {
            series,
            profiles,
            told: HashMap::new(),
        }))
    }

    /// When a trap that was hung on a day for these targets may come down, as far as the plans of the years up to `to` tell. None: a
    /// target flies all year, or its season is not known: then nothing is proposed.
    pub(crate) fn of(&mut self, targets: &[String], hung: Date, to: Date) -> Option<Over> {
        let mut last: Option<Over> = None;
        for id in targets {
            // A season may be named after the year before: it begins in one and ends in the next.
            let from = (hung.year() - 1..=to.year())
                .filter_map(|year| self.end(id, year))
                .find(|end| *end > hung)?;
            if last.as_ref().is_none_or(|o| from > o.from) {
                let target = self.profiles.get(id)?.common_name.clone();
                last = Some(Over { from, target });
            }
        }
        last
    }

    /// The middle day, over the years of weather, from which the plan of a season lets traps come down.
    fn end(&mut self, id: &str, year: i16) -> Option<Date> {
        let key = (id.to_owned(), year);
        if let Some(told) = self.told.get(&key) {
            return *told;
        }
        let end = self.profiles.get(id).and_then(|p| end_of(p, &self.series, year));
        self.told.insert(key, end);
        end
    }
}

fn end_of(profile: &TargetProfile, series: &Series, year: i16) -> Option<Date> {
    // Where the weather is too short for a plan, there is none.
    let plan = season_plan(profile, series, SeasonSpan::Year(year), SeasonOptions::default()).ok()?;
    let day = plan.spread.take_down?.median;
    let next = plan.spread.hang?.median.saturating_add(1.year());
    (day.saturating_add(LEAST_APART_DAYS.days()) <= next).then_some(day)
}
