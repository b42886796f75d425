//! From the journal to assurance: placements with their visits, finds, weather observed and then usual.

use std::collections::{HashMap, HashSet};

use earlywood_geodata::AreaIndex;
use earlywood_journal::body::HoldScope;
use earlywood_journal::{FindRow, Programme};
use earlywood_model::assurance::{
    Assurance, Cell, CellSeen, Evidence, Find, FittedOn, Hold, Input, PlacementInput, Settings, ZoneInput,
    assess_with, by_cell_with,
};
use earlywood_model::error::ModelError;
use earlywood_model::proportion::Share;
use earlywood_model::record::{Placement, Position, Renewed, Visit};
use earlywood_model::weather::Series;
use jiff::ToSpan as _;
use jiff::civil::Date;

use crate::Notes;
use crate::error::ChainError;
use crate::evidence;
use crate::ground::Ground;

/// Everything the engine needs, owned.
pub struct Question {
    /// The placements that count.
    pub placements: Vec<Placement>,
    /// Confirmed finds known by the day asked about, oldest first.
    pub found: Vec<Found>,
    /// Stops that took suspects which nobody has determined yet.
    pub open_suspects: usize,
    zones: Vec<ZoneInput>,
    cells: Vec<Cell>,
    inputs: Vec<PlacementInput>,
    weather: Series,
    finds: Vec<Find>,
    evidence: Evidence,
    settings: Settings,
    /// What a reader must know about the records behind the figures.
    notes: Vec<String>,
}

/// Most seasons of one question; the engine counts no further.
const MOST_SEASONS: i16 = 10;

/// How the question is asked.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// The day asked about.
    pub on: Date,
    /// Draws of the uncertain parameters behind every band.
    pub draws: u32,
    /// Seed of the draws.
    pub seed: u64,
}

impl Question {
    /// Gathers the placements for this target that hung in the season of the day asked about. What is worth knowing besides
    /// the answer is added to `told`.
    ///
    /// # Errors
    /// Weather that starts after the day asked about; a programme that can't be read.
    pub fn of(
        programme: &Programme,
        ground: &Ground,
        series: &Series,
        asked: Asked,
        told: &mut Notes,
    ) -> Result<Question, ChainError> {
        Question::spanning(programme, ground, series, asked, asked.on, told)
    }

    /// The same over several seasons: from the one in which `since` lies to the one of the day asked about; at most ten.
    ///
    /// # Errors
    /// As [`Question::of`].
    pub fn spanning(
        programme: &Programme,
        ground: &Ground,
        series: &Series,
        asked: Asked,
        since: Date,
        told: &mut Notes,
    ) -> Result<Question, ChainError> {
        let heat = ground.params.heat;
        let season = heat.season_of(asked.on);
        let first = heat.season_of(since).clamp(season - (MOST_SEASONS - 1), season);
        let (start, end) = (
            *heat.season_range(first)?.start(),
            *heat.season_range(season)?.end(),
        );
        let mut by_trap: HashMap<String, Vec<Visit>> = HashMap::new();
        for visit in programme.visits()? {
            by_trap.entry(visit.trap.clone()).or_default().push(visit);
        }
        let id = &ground.profile.id;
        let all = programme.placements()?;
        let placements: Vec<Placement> = all
            .iter()
            .filter(|p| p.targets.iter().any(|t| t == id))
            .filter(|p| p.hung <= asked.on && p.taken_down.is_none_or(|d| d >= start))
            .cloned()
            .collect();
        let zones_at = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
        let held = held(programme)?;
        let zone_labels = ground.zone_labels();
        let inputs: Vec<PlacementInput> = placements
            .iter()
            .map(|p| {
                let at = ground.cells.frame.to_xy(p.position);
                let zone = zones_at.first_at(p.position);
                let zone_label = zone.and_then(|z| zone_labels.get(z)).map(String::as_str);
                PlacementInput {
                    label: p.trap.clone(),
                    x_m: at.x_m,
                    y_m: at.y_m,
                    zone,
                    hung: p.hung,
                    taken_down: p.taken_down,
                    visits: visits_of(p, by_trap.get(&p.trap)),
                    holds: held
                        .iter()
                        .filter(|h| h.covers(p, zone_label))
                        .map(|h| h.span)
                        .collect(),
                    fitted: fitted(p, &all, by_trap.get(&p.trap)),
                }
            })
            .collect();
        let cells = ground
            .cells
            .cells
            .iter()
            .zip(&ground.xy)
            .map(|(cell, at)| Cell {
                x_m: at.x_m,
                y_m: at.y_m,
                weight: cell.weight(),
                zone: cell.zone.unwrap_or(0),
            })
            .collect();
        let zones = ground
            .zone_labels()
            .into_iter()
            .map(|label| ZoneInput {
                label,
                prior_infested: None,
            })
            .collect();
        let settings = Settings {
            draws: asked.draws,
            seed: asked.seed,
            ..Settings::new(asked.on, start, end)
        };
        let said = said(programme, asked.on)?;
        let open_suspects = open_suspects(&said, &inputs, asked.on);
        let gathered = evidence::Asked {
            programme,
            ground,
            season: (start, end),
            on: asked.on,
            traps: &inputs,
        }
        .gather()?;
        let mut found = found(said, ground, &placements, told);
        found.extend(gathered.found);
        found.sort_by(|a, b| (a.taken, &a.trap).cmp(&(b.taken, &b.trap)));
        let elsewhere = found_elsewhere(programme, &ground.profile.id, asked.on, &gathered.placed)?;
        let notes = held_words(&inputs, asked.on)
            .into_iter()
            .chain(elsewhere)
            .chain(gathered.notes)
            .chain(audit_words(programme)?)
            .collect();
        Ok(Question {
            notes,
            open_suspects,
            weather: weather_for(series, asked.on, end, told)?,
            finds: found
                .iter()
                .map(|f| Find {
                    zone: f.zone,
                    date: f.taken,
                })
                .collect(),
            found,
            evidence: gathered.evidence,
            placements,
            zones,
            cells,
            inputs,
            settings,
        })
    }

    /// Stops of this season at each placement, up to the day asked about, in order; stops made while the same trap
    /// hung elsewhere, or in another season, are not among them.
    pub fn stops(&self) -> impl Iterator<Item = (&Placement, Vec<&Visit>)> {
        let (from, to) = (self.settings.season_start, self.settings.as_of);
        self.placements
            .iter()
            .zip(&self.inputs)
            .map(move |(placement, input)| {
                let mut stops: Vec<&Visit> = input
                    .visits
                    .iter()
                    .filter(|v| v.date >= from && v.date <= to)
                    .collect();
                stops.sort_by_key(|v| v.date);
                (placement, stops)
            })
    }

    /// Whether nothing was looked at in the season: no trap hung, and there is no other evidence.
    pub fn is_of_nothing(&self) -> bool {
        self.placements.is_empty() && self.evidence.is_empty()
    }

    /// First and last day of the season.
    pub fn season(&self) -> (Date, Date) {
        (self.settings.season_start, self.settings.season_end)
    }

    /// The same question with so many next visits listed for each zone.
    pub fn listing(mut self, next_visits: usize) -> Self {
        self.settings.next_visits = next_visits;
        self
    }

    /// Hands the engine's input to one of its questions.
    ///
    /// # Errors
    /// What the question says.
    pub fn with_input<T>(
        &self,
        ground: &Ground,
        ask: impl FnOnce(&Input<'_>) -> Result<T, ModelError>,
    ) -> Result<T, ChainError> {
        Ok(ask(&Input {
            zones: &self.zones,
            cells: &self.cells,
            placements: &self.inputs,
            weather: &self.weather,
            profile: &ground.profile,
            finds: &self.finds,
            settings: &self.settings,
        })?)
    }

    /// Asks the engine.
    ///
    /// # Errors
    /// Records or settings that the engine refuses.
    pub fn answer(&self, ground: &Ground) -> Result<Assurance, ChainError> {
        let mut answer = self.with_input(ground, |input| assess_with(input, &self.evidence))?;
        if answer.zones.iter().any(|z| !z.components.is_empty()) {
            answer.warnings.extend(ground.profile.inspection_warnings());
        }
        answer.warnings.extend(self.notes.iter().cloned());
        Ok(answer)
    }

    /// Sensitivity to date of every cell.
    ///
    /// # Errors
    /// As [`Question::answer`].
    pub fn cells_seen(&self, ground: &Ground) -> Result<Vec<CellSeen>, ChainError> {
        self.with_input(ground, |input| by_cell_with(input, &self.evidence))
    }
}

/// Stops made while the trap hung at this place.
fn visits_of(placement: &Placement, all: Option<&Vec<Visit>>) -> Vec<Visit> {
    let during = |v: &&Visit| v.date >= placement.hung && placement.taken_down.is_none_or(|d| v.date <= d);
    all.map(|v| v.iter().filter(during).cloned().collect())
        .unwrap_or_default()
}

/// A trap that comes from another place within so many days was moved, and brings its used parts along; after a
/// longer rest it is taken as made ready anew. Choice of design.
const MOVED_WITHIN_DAYS: i32 = 7;

/// When the parts of a moved trap were put in; `None` for a trap hung with new ones.
fn fitted(placement: &Placement, all: &[Placement], visits: Option<&Vec<Visit>>) -> Option<FittedOn> {
    let rested = |q: &Placement| {
        q.taken_down
            .and_then(|d| d.until(placement.hung).ok())
            .map(|span| span.get_days())
    };
    let before = all
        .iter()
        .filter(|q| q.trap == placement.trap && q.hung < placement.hung)
        .filter(|q| rested(q).is_some_and(|days| (0..=MOVED_WITHIN_DAYS).contains(&days)))
        .max_by_key(|q| q.hung)?;
    let since = |renewed: fn(&Renewed) -> bool| {
        let during = |v: &&Visit| v.date >= before.hung && v.date <= placement.hung && renewed(&v.renewed);
        let last = visits.and_then(|all| all.iter().filter(during).map(|v| v.date).max());
        last.unwrap_or(before.hung)
    };
    Some(FittedOn {
        lure: since(|r| r.lure),
        insert: since(|r| r.insert),
        killing_agent: since(|r| r.killing_agent),
        body: since(|r| r.body),
    })
}

/// Observed days up to the day asked about, usual days from there to the season's end: what the season has still in
/// store is foreseen from past years, never known.
fn weather_for(series: &Series, on: Date, season_end: Date, notes: &mut Notes) -> Result<Series, ChainError> {
    if series.first() > on {
        return Err(ChainError::asked(
            "on",
            format!(
                "the weather starts on {}, after the day asked about ({on})",
                series.first()
            ),
        ));
    }
    if series.last() < on {
        notes.push(format!(
            "the weather ends on {}; days from there to {on} are those of an average year",
            series.last()
        ));
    }
    let observed = Series::new(series.between(series.first()..=on.min(series.last())).to_vec())?;
    Ok(observed.continued_with_normals(season_end)?)
}

/// A hold as the engine takes it, and what it covers.
struct Held {
    span: Hold,
    scope: HoldScope,
}

impl Held {
    fn covers(&self, placement: &Placement, zone: Option<&str>) -> bool {
        match &self.scope {
            HoldScope::All => true,
            HoldScope::Zones(labels) => zone.is_some_and(|zone| labels.iter().any(|l| l == zone)),
            HoldScope::Places(labels) => labels.contains(&placement.place),
            HoldScope::Traps(labels) => labels.contains(&placement.trap),
        }
    }
}

/// Every hold. On the day it is lifted crews may work again; one without an end goes on.
fn held(programme: &Programme) -> Result<Vec<Held>, ChainError> {
    let lifted = programme.holds_lifted()?;
    let spans = programme.holds_declared()?.into_iter().map(|declared| {
        let hold = declared.value;
        let lifts = lifted.iter().filter(|l| l.value.hold == hold.hold);
        let until = lifts.map(|l| l.value.date.saturating_sub(1.day())).min();
        let to = hold.to.into_iter().chain(until).min().unwrap_or(Date::MAX);
        let span = Hold { from: hold.from, to };
        Held {
            span,
            scope: hold.scope,
        }
    });
    Ok(spans.filter(|held| held.span.from <= held.span.to).collect())
}

/// The words for trap-days on which a hold kept crews away, up to a day; where there are any.
fn held_words(placements: &[PlacementInput], on: Date) -> Option<String> {
    let mut days = 0_i64;
    for p in placements {
        let end = p
            .taken_down
            .map_or(on, |down| down.saturating_sub(1.day()))
            .min(on);
        let mut spans: Vec<(Date, Date)> = p
            .holds
            .iter()
            .map(|h| (h.from.max(p.hung), h.to.min(end)))
            .filter(|(from, to)| from <= to)
            .collect();
        spans.sort_unstable();
        // Holds may overlap; a day counts once.
        let mut next = Date::MIN;
        for (from, to) in spans {
            let from = from.max(next);
            if from <= to {
                days += from.until(to).map_or(0, |s| i64::from(s.get_days())) + 1;
                next = to.saturating_add(1.day());
            }
        }
    }
    (days > 0).then(|| {
        format!("{days} trap-days lay under a hold: that excuses the crews, and counts as no effort")
    })
}

/// Where the screening sensitivity comes from, when planted specimens have shown it.
fn audit_words(programme: &Programme) -> Result<Option<String>, ChainError> {
    let (recovered, planted) = super::audit(programme)?;
    if planted == 0 {
        return Ok(None);
    }
    let bound = Share::new(recovered, planted)?.at_least(0.95)?;
    Ok(Some(format!(
        "screening sensitivity from {recovered} of {planted} planted specimens: at least {:.0} % (exact bound, 95 % confidence)",
        (100.0 * bound).floor()
    )))
}

/// Stops up to a day that took suspects of which no final word was said by then. Until it is, the figures take them for
/// something else, which a reader must know.
fn open_suspects(said: &[Said], placements: &[PlacementInput], on: Date) -> usize {
    let of = |settled: bool| -> HashSet<(&str, Date)> {
        said.iter()
            .filter(|s| s.is_settled() == settled)
            .map(|s| (s.trap.as_str(), s.taken))
            .collect()
    };
    let (settled, waiting) = (of(true), of(false));
    let visits = placements.iter().flat_map(|p| &p.visits);
    visits
        .filter(|v| v.suspects.is_some_and(|n| n > 0) && v.date <= on)
        .filter(|v| {
            let stop = (v.trap.as_str(), v.date);
            !settled.contains(&stop) || waiting.contains(&stop)
        })
        .count()
}

/// The words for open suspects, where there are any.
pub fn suspects_words(open: usize) -> Option<String> {
    (open > 0).then(|| {
        format!("{open} stops took suspects that nobody has determined yet; until then the figures take them for something else")
    })
}

/// What stands of something out of a trap, with the day since when: nobody knew before.
struct Said {
    on: Date,
    trap: String,
    /// Day the specimen was taken from the trap.
    taken: Date,
    what: FindRow,
}

impl Said {
    /// Whether no more has to be said: neither a suspect nor named without a final word.
    fn is_settled(&self) -> bool {
        !matches!(self.what.state.as_str(), "suspect" | "tentative")
    }
}

/// What had been said by a day, as it stands now. Planted and overturned specimens are among it, as no finds.
fn said(programme: &Programme, on: Date) -> Result<Vec<Said>, ChainError> {
    let zone = jiff::tz::TimeZone::system();
    let mut all = Vec::new();
    for row in programme.finds()? {
        let day = zone.to_datetime(row.since).date();
        if let (true, Some(trap), Some(taken)) = (day <= on, row.trap.clone(), row.day) {
            all.push(Said {
                on: day,
                trap,
                taken,
                what: row,
            });
        }
    }
    Ok(all)
}

/// Finds that nobody can put into a zone: the figures must not be read past these.
fn found_elsewhere(
    programme: &Programme,
    target: &str,
    on: Date,
    placed: &HashSet<String>,
) -> Result<Vec<String>, ChainError> {
    let zone = jiff::tz::TimeZone::system();
    let is_one = |row: &FindRow| {
        let day = zone.to_datetime(row.since).date();
        let placed = row.specimen.as_ref().is_some_and(|s| placed.contains(s));
        row.trap.is_none() && !placed && row.target == target && row.state == "confirmed" && day <= on
    };
    let words = |row: FindRow| {
        format!(
            "FOUND, not by a trap: specimen {} is confirmed. Where it came from the target is not absent, whatever the figures \
             of that zone say",
            row.specimen.unwrap_or_default()
        )
    };
    Ok(programme.finds()?.into_iter().filter(is_one).map(words).collect())
}

/// A confirmed find of the target.
#[derive(Debug, Clone)]
pub struct Found {
    /// The trap or the tree that made it, or the specimen where neither did.
    pub trap: String,
    /// Where that hung or stands.
    pub position: Position,
    /// Index of its zone.
    pub zone: usize,
    /// Day the specimen was taken.
    pub taken: Date,
    /// Day it was confirmed.
    pub confirmed: Date,
}

/// Confirmed determinations of the target, in the zone of the trap that caught it, oldest first.
fn found(said: Vec<Said>, ground: &Ground, placements: &[Placement], notes: &mut Notes) -> Vec<Found> {
    let zones_at = AreaIndex::new(ground.zones.iter().map(|z| &z.area));
    let mut finds = Vec::new();
    for Said {
        on,
        trap,
        taken,
        what: d,
    } in said
    {
        if d.state != "confirmed" || d.target != ground.profile.id {
            continue;
        }
        let told = format!("the find of {taken} at trap {trap}");
        let Some(placement) = placements.iter().rfind(|p| p.trap == trap && p.hung <= taken) else {
            notes.push(format!("{told} lies outside this season's placements"));
            continue;
        };
        let zone = if ground.zones.is_empty() {
            Some(0)
        } else {
            zones_at.first_at(placement.position)
        };
        match zone {
            Some(zone) => finds.push(Found {
                trap,
                position: placement.position,
                zone,
                taken,
                confirmed: on,
            }),
            None => notes.push(format!("{told} lies in no zone")),
        }
    }
    finds.sort_by(|a, b| (a.taken, &a.trap).cmp(&(b.taken, &b.trap)));
    finds
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use earlywood_model::record::{Looked, Position, TrapFound, VisitKind};
    use jiff::civil::date;

    use super::*;

    #[test]
    fn a_find_that_no_trap_made_is_told_from_the_day_it_was_confirmed() {
        use earlywood_journal::body::{Material, Method, Origin};
        use earlywood_journal::{Act, AuthorityGranted, Body, Determination, Draft, SpecimenTaken, Status};
        let dir = tempfile::tempdir().unwrap();
        let act = Act::new("lead", "2026-07-01T12:00:00Z[UTC]".parse().unwrap()).unwrap();
        let mut programme = Programme::create(&dir.path().join("a"), "A", &act).unwrap();
        let authority = AuthorityGranted {
            person: "lead".into(),
            taxa: vec!["*".into()],
            up_to: Status::Confirmed,
            life_stages: Vec::new(),
            from: date(2026, 1, 1),
            to: None,
            granted_by: "lead".into(),
            note: None,
        };
        programme.append(&act, Body::AuthorityGranted(authority)).unwrap();
        let taken = SpecimenTaken {
            specimen: "S-9".into(),
            what: Material::Larva,
            from: Origin::Other {
                words: "brought in".into(),
                position: None,
            },
            count: None,
            container: None,
            kept_in: None,
            suspected: None,
            note: None,
            photos: Vec::new(),
        };
        let at = |time: &str, body: Body| Draft {
            event_time: Some(format!("2026-06-10T{time}:00Z")),
            body,
        };
        programme
            .append(&act, at("08:00", Body::SpecimenTaken(taken)))
            .unwrap();
        let said = Determination::of_specimen("S-9", "moth", Status::Confirmed, "lead", Method::Dna);
        programme
            .append(&act, at("12:00", Body::Determination(said)))
            .unwrap();
        let told = |target: &str, on| {
            found_elsewhere(&programme, target, on, &HashSet::new())
                .unwrap()
                .len()
        };
        assert_eq!(told("moth", date(2026, 6, 12)), 1);
        assert_eq!(told("moth", date(2026, 6, 8)), 0);
        assert_eq!(told("beetle", date(2026, 6, 12)), 0);
    }

    fn placed(hung: Date, taken_down: Option<Date>) -> Placement {
        Placement {
            trap: "T1".into(),
            place: "P".into(),
            position: Position {
                lat: 40.0,
                lon: -93.0,
            },
            targets: vec!["x".into()],
            hung,
            taken_down,
        }
    }

    #[test]
    fn a_stop_belongs_to_the_placement_it_was_made_at() {
        let stop = |day: Date| Visit {
            trap: "T1".into(),
            date: day,
            kind: VisitKind::Service,
            found: TrapFound::Working,
            looked: Looked::Fully,
            suspects: Some(0),
            renewed: Renewed::default(),
            lure_lot: None,
            crew: None,
            exception: None,
        };
        let all = vec![
            stop(date(2024, 6, 1)),
            stop(date(2025, 5, 20)),
            stop(date(2025, 7, 20)),
        ];
        let first = placed(date(2025, 5, 1), Some(date(2025, 6, 10)));
        let second = placed(date(2025, 7, 1), None);
        let days = |p: &Placement| -> Vec<Date> { visits_of(p, Some(&all)).iter().map(|v| v.date).collect() };
        assert_eq!(days(&first), [date(2025, 5, 20)]);
        assert_eq!(days(&second), [date(2025, 7, 20)]);
        assert!(visits_of(&first, None).is_empty());
    }

    #[test]
    fn a_moved_trap_brings_its_lure_and_a_rested_one_gets_a_new_one() {
        let first = placed(date(2025, 5, 1), Some(date(2025, 6, 10)));
        let lure_change = Visit {
            trap: "T1".into(),
            date: date(2025, 5, 20),
            kind: VisitKind::Service,
            found: TrapFound::Working,
            looked: Looked::Fully,
            suspects: Some(0),
            renewed: Renewed {
                lure: true,
                ..Renewed::default()
            },
            lure_lot: None,
            crew: None,
            exception: None,
        };
        let visits = vec![lure_change];
        let moved = placed(date(2025, 6, 10), None);
        let parts = fitted(&moved, &[first.clone(), moved.clone()], Some(&visits)).unwrap();
        assert_eq!((parts.lure, parts.insert), (date(2025, 5, 20), date(2025, 5, 1)));
        let rested = placed(date(2025, 7, 10), None);
        assert_eq!(
            fitted(&rested, &[first.clone(), rested.clone()], Some(&visits)),
            None
        );
        assert_eq!(fitted(&first, std::slice::from_ref(&first), Some(&visits)), None);
    }
}
