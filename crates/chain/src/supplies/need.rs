//! What traps will need on which day: the clocks of those that hang, hangings that plans still want, and each season's end.
//!
//! A trap needs a piece on the day its clock first warns; a lure also by heat, whichever comes first. A hold puts that off
//! to the day after it ends. Between two seasons a trap rests. At a season's end it comes down, and where a plan wants it, a
//! new one is hung at the next season's start.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use earlywood_journal::{Clock, Hanging, Hold, Limits, Programme};
use earlywood_model::error::ModelError;
use earlywood_model::phenology::{SeasonOptions, SeasonSpan, season_plan};
use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{Access, Skill};
use earlywood_model::weather::Series;
use jiff::ToSpan as _;
use jiff::civil::Date;

use super::ask::Ask;
use super::balance::{Kind, Pieces, SupplyItem};
use crate::Notes;
use crate::due::{Board, runs_on, set_back, strictest};
use crate::error::ChainError;
use crate::rounds::heat::Heat;

/// Two seasons with fewer days between them are one: nobody takes traps down for so short a time. Design choice.
const SHORT_REST_DAYS: i64 = 28;

/// Pieces wanted, and pieces that come back.
#[derive(Debug, Default)]
pub(super) struct Needs {
    pub(super) wanted: Vec<Pieces>,
    pub(super) back: Vec<Pieces>,
}

/// First and last day of a season.
type Season = (Date, Date);

/// Days on which a trap hangs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Life {
    first: Date,
    last: Date,
    /// It is hung on the first day; otherwise it hangs already.
    hung: bool,
    /// It comes down on the day after the last.
    ends: bool,
}

/// The days a trap hangs from today on. No seasons: it hangs all the time.
fn lives(seasons: Option<&[Season]>, hangs: bool, wanted: bool, today: Date, to: Date) -> Vec<Life> {
    let Some(seasons) = seasons else {
        return vec![Life {
            first: today,
            last: to,
            hung: !hangs,
            ends: false,
        }];
    };
    let ahead = seasons.iter().filter(|s| today <= s.1 && s.0 <= to);
    ahead
        .enumerate()
        .take_while(|(n, _)| wanted || *n == 0)
        .map(|(n, &(first, last))| Life {
            first: first.max(today),
            last,
            hung: n > 0 || !hangs,
            ends: last < to,
        })
        .collect()
}

/// The days within a life on which a clock asks for a piece. `warns`: the first day due, when it was set back on a day;
/// `free`: the first day from one on that no hold covers.
fn renewals(
    life: Life,
    since: Date,
    to: Date,
    mut warns: impl FnMut(Date) -> Date,
    free: impl Fn(Date) -> Option<Date>,
) -> Vec<Date> {
    let (mut days, last) = (Vec::new(), life.last.min(to));
    let mut due = if life.hung {
        life.first
    } else {
        warns(since).max(life.first)
    };
    while let Some(day) = free(due).filter(|&day| day <= last) {
        days.push(day);
        // A clock that warns at once is still set back only once a day.
        due = warns(day).max(day.saturating_add(1.day()));
    }
    days
}

/// The first day from one on that none of the holds covers; none: one of them has no end.
fn free(holds: &[&Hold], mut day: Date) -> Option<Date> {
    while let Some(hold) = holds.iter().find(|h| runs_on(h, day)) {
        day = hold.to?.saturating_add(1.day());
    }
    Some(day)
}

/// The seasons of a target from before today to past the last day, one after the other.
fn seasons(
    profile: &TargetProfile,
    series: &Series,
    today: Date,
    to: Date,
) -> Result<Vec<Season>, ModelError> {
    let heat = profile.central()?.heat;
    let (first, last) = (heat.season_of(today), heat.season_of(to));
    let mut found: Vec<Season> = Vec::new();
    // Traps may have to hang before the heat of a season is counted, hence the one after the last.
    for year in first..=last.saturating_add(1) {
        match season_plan(profile, series, SeasonSpan::Year(year), SeasonOptions::default()) {
            Ok(plan) => {
                let dates = plan.spread.hang.zip(plan.spread.take_down);
                found.extend(dates.map(|(hang, down)| (hang.median, down.median)));
            }
            Err(why) if year <= last => return Err(why),
            Err(_) => {}
        }
    }
    Ok(joined(found))
}

/// Seasons in order, those with a short rest between them made one.
fn joined(mut seasons: Vec<Season>) -> Vec<Season> {
    seasons.sort_unstable();
    let mut all: Vec<Season> = Vec::new();
    for (first, last) in seasons {
        match all.last_mut() {
            Some(before) if first <= before.1.saturating_add(SHORT_REST_DAYS.days()) => {
                before.1 = before.1.max(last);
            }
            _ => all.push((first, last)),
        }
    }
    all
}

/// A trap that hangs, or is to be hung.
struct One<'a> {
    trap: Option<&'a Hanging>,
    label: &'a str,
    place: &'a str,
    zone: Option<&'a str>,
    targets: Vec<String>,
    wanted: bool,
}

/// What is read once for all traps.
struct Reckoner<'a> {
    board: &'a Board,
    profiles: BTreeMap<String, TargetProfile>,
    /// None: no season is known, so that a trap hangs all the time.
    seasons: BTreeMap<String, Option<Vec<Season>>>,
    heat: Option<Heat>,
    access: HashMap<String, Access>,
    today: Date,
    to: Date,
    limits: BTreeMap<Vec<String>, Limits>,
    wanted: BTreeMap<(Date, Kind), u64>,
    back: BTreeMap<(Date, Kind), u64>,
    resting: u64,
    held: u64,
    several: u64,
    unknown: BTreeMap<String, u64>,
}

/// Pieces wanted and coming back from today to the last day.
pub(super) fn needs(
    programme: &Programme,
    ask: &Ask,
    today: Date,
    to: Date,
    notes: &mut Notes,
) -> Result<Needs, ChainError> {
    let board = Board::read(programme, today)?;
    let open = crate::phone::open_places(programme, &board)?;
    let planned = planned(programme)?;
    let ids: BTreeSet<String> = board
        .limits()
        .keys()
        .chain(open.iter().flat_map(|o| &o.targets))
        .cloned()
        .collect();
    let mut reckoner = Reckoner::read(programme, &board, &ids, ask, (today, to), notes)?;
    let hanging = board.hanging.clone();
    for trap in &hanging {
        let p = &trap.placement;
        let zone = board.zone(p.position);
        reckoner.one(&One {
            trap: Some(trap),
            label: &p.trap,
            place: &p.place,
            zone: zone.as_deref(),
            targets: sorted(&p.targets),
            wanted: p
                .targets
                .iter()
                .any(|t| planned.contains(&(t.clone(), p.place.clone()))),
        });
    }
    for at in &open {
        reckoner.one(&One {
            trap: None,
            label: "",
            place: &at.place,
            zone: at.zone.as_deref(),
            targets: sorted(&at.targets),
            wanted: true,
        });
    }
    reckoner.tell(hanging.len(), open.len(), notes);
    Ok(Needs {
        wanted: pieces(reckoner.wanted, 1.0),
        back: pieces(reckoner.back, ask.reuse),
    })
}

fn sorted(targets: &[String]) -> Vec<String> {
    let all: BTreeSet<&String> = targets.iter().collect();
    all.into_iter().cloned().collect()
}

/// Target and place of all the latest plans.
fn planned(programme: &Programme) -> Result<HashSet<(String, String)>, ChainError> {
    let mut latest = BTreeMap::new();
    for plan in programme.plans()? {
        latest.insert(plan.value.target, plan.value.places);
    }
    let ruled_out: HashSet<String> = programme
        .places()?
        .into_iter()
        .filter(|p| p.forbidden)
        .map(|p| p.label)
        .collect();
    let all = latest
        .into_iter()
        .flat_map(|(target, places)| places.into_iter().map(move |place| (target.clone(), place.label)));
    Ok(all.filter(|(_, place)| !ruled_out.contains(place)).collect())
}

// A share of a count, rounded down; not negative, and far below what a double holds exactly.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn pieces(counts: BTreeMap<(Date, Kind), u64>, share: f64) -> Vec<Pieces> {
    let of = |((day, kind), count): ((Date, Kind), u64)| Pieces {
        day,
        kind,
        count: (count as f64 * share + 1e-9).floor() as u64,
    };
    counts.into_iter().map(of).filter(|p| p.count > 0).collect()
}

impl<'a> Reckoner<'a> {
    fn read(
        programme: &Programme,
        board: &'a Board,
        ids: &BTreeSet<String>,
        ask: &Ask,
        (today, to): (Date, Date),
        notes: &mut Notes,
    ) -> Result<Reckoner<'a>, ChainError> {
        let heat = Heat::read(programme, ids.iter(), ask.station.as_deref(), notes)?;
        let mut profiles = BTreeMap::new();
        for id in ids {
            // A target that nobody knows has no clocks; its traps are told of.
            if let Ok(profile) = crate::target(programme, id) {
                profiles.insert(id.clone(), profile);
            }
        }
        let mut all = BTreeMap::new();
        for (id, profile) in &profiles {
            let told = heat.as_ref().map(|h| seasons(profile, h.series(), today, to));
            let known = match told {
                Some(Ok(seasons)) => {
                    if seasons.is_empty() {
                        notes.push(format!(
                            "in this weather no {} flies: no trap need hang for it",
                            profile.common_name
                        ));
                    }
                    Some(seasons)
                }
                Some(Err(why)) => {
                    notes.push(format!(
                        "no season can be told for {}, so its traps are taken to hang all the time: {why}",
                        profile.common_name
                    ));
                    None
                }
                None => None,
            };
            all.insert(id.clone(), known);
        }
        match &heat {
            None => notes.push("without weather no season can be told, so traps are taken to hang all the time".into()),
            Some(heat) if heat.known_to() < to => notes.push(format!(
                "weather is known up to {}; beyond, seasons and lures are those of the middle one of past years",
                heat.known_to()
            )),
            Some(_) => {}
        }
        let access = programme
            .access()?
            .into_iter()
            .map(|a| (a.label.clone(), a))
            .collect();
        Ok(Reckoner {
            board,
            profiles,
            seasons: all,
            heat,
            access,
            today,
            to,
            limits: BTreeMap::new(),
            wanted: BTreeMap::new(),
            back: BTreeMap::new(),
            resting: 0,
            held: 0,
            several: 0,
            unknown: BTreeMap::new(),
        })
    }

    /// The seasons of all targets of a trap; none: one of them has none that is known.
    fn seasons_of(&self, targets: &[String]) -> Option<Vec<Season>> {
        let each = targets.iter().filter_map(|id| self.seasons.get(id));
        let all: Option<Vec<&Vec<Season>>> = each.map(Option::as_ref).collect();
        all.map(|all| joined(all.into_iter().flatten().copied().collect()))
    }

    fn one(&mut self, one: &One<'_>) {
        let known: Vec<String> = one
            .targets
            .iter()
            .filter(|id| self.profiles.contains_key(*id))
            .cloned()
            .collect();
        for id in one.targets.iter().filter(|id| !self.profiles.contains_key(*id)) {
            *self.unknown.entry(id.clone()).or_default() += 1;
        }
        if known.is_empty() {
            return;
        }
        self.several += u64::from(known.len() > 1);
        let seasons = self.seasons_of(&known);
        let (today, to) = (self.today, self.to);
        let lives = lives(seasons.as_deref(), one.trap.is_some(), one.wanted, today, to);
        if one.trap.is_some() && lives.first().is_none_or(|life| life.first > today) {
            self.resting += 1;
        }
        let board = self.board;
        let holds = board.holds_over(one.label, one.place, one.zone);
        if free(&holds, today).is_none() {
            self.held += 1;
        }
        for life in lives {
            self.live(one, &known, life, &holds);
        }
    }

    /// All that a trap asks for while it hangs, and what comes back when it comes down.
    fn live(&mut self, one: &One<'_>, targets: &[String], life: Life, holds: &[&Hold]) {
        // What is to be hung waits for the end of a hold too.
        let first = if life.hung {
            free(holds, life.first)
        } else {
            Some(life.first)
        };
        let Some(first) = first.filter(|&day| day <= life.last.min(self.to)) else {
            return;
        };
        let life = Life { first, ..life };
        let profiles = targets.iter().filter_map(|id| self.profiles.get(id));
        let limits = *self
            .limits
            .entry(targets.to_vec())
            .or_insert_with(|| strictest(profiles));
        for (clock, item) in PARTS {
            let Some(limit) = limits.of(clock) else { continue };
            let since = one.trap.map_or(first, |trap| set_back(trap, clock));
            let mut heat = if clock == Clock::Lure {
                self.heat.as_mut()
            } else {
                None
            };
            let warns = |day: Date| {
                let calendar = day.saturating_add(i64::from(limit.warn_days).days());
                let by_heat = heat
                    .as_mut()
                    .and_then(|heat| targets.iter().filter_map(|id| heat.days(id, day)?.warns).min());
                by_heat.map_or(calendar, |heat| heat.min(calendar))
            };
            let days = renewals(life, since, self.to, warns, |day| free(holds, day));
            for kind in kinds(item, targets) {
                for &day in &days {
                    *self.wanted.entry((day, kind.clone())).or_default() += 1;
                }
            }
        }
        let pole = self
            .access
            .get(one.place)
            .is_some_and(|a| a.needs.contains(&Skill::Pole));
        let whole = [Some(SupplyItem::Body), pole.then_some(SupplyItem::Pole)];
        for kind in whole.into_iter().flatten().flat_map(|item| kinds(item, targets)) {
            if life.hung && kind.item == SupplyItem::Pole {
                *self.wanted.entry((life.first, kind.clone())).or_default() += 1;
            }
            if life.ends {
                let day = life.last.saturating_add(1.day());
                *self.back.entry((day, kind)).or_default() += 1;
            }
        }
    }

    fn tell(&self, hanging: usize, open: usize, notes: &mut Notes) {
        notes.push(format!(
            "reckoned from {hanging} traps that hang and {open} that plans still want hung; a piece is needed on the day its \
             clock first warns"
        ));
        let mut count = |n: u64, words: &str| {
            if n > 0 {
                notes.push(format!("{n} {words}"));
            }
        };
        count(
            self.resting,
            "of the traps hang outside their season: they rest, and need nothing until the next one begins",
        );
        count(
            self.held,
            "of the traps are under a hold without an end: they need nothing as long as it lasts",
        );
        count(
            self.several,
            "of the traps are for several targets: a lure is counted for each of them, and one of everything else",
        );
        for (id, n) in &self.unknown {
            notes.push(format!(
                "nobody knows the target {id:?} any more: nothing is reckoned for it on {n} traps; adopt its profile"
            ));
        }
    }
}

/// The clocks that a piece sets back.
const PARTS: [(Clock, SupplyItem); 4] = [
    (Clock::Lure, SupplyItem::Lure),
    (Clock::Insert, SupplyItem::Insert),
    (Clock::KillingAgent, SupplyItem::KillingAgent),
    (Clock::Body, SupplyItem::Body),
];

/// What a trap for these targets asks for: a lure for each, one of everything else; a pole serves any.
fn kinds(item: SupplyItem, targets: &[String]) -> Vec<Kind> {
    let of = |targets: Vec<String>| Kind { item, targets };
    match item {
        SupplyItem::Lure => targets.iter().map(|t| of(vec![t.clone()])).collect(),
        SupplyItem::Pole => vec![of(Vec::new())],
        _ => vec![of(targets.to_vec())],
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use proptest::prelude::*;

    fn day(n: i64) -> Date {
        date(2026, 1, 1).saturating_add(n.days())
    }

    #[test]
    fn a_trap_hangs_from_season_to_season_where_a_plan_wants_it() {
        let seasons = [(day(10), day(100)), (day(200), day(300)), (day(600), day(700))];
        let lives = |hangs, wanted, today| -> Vec<(Date, Date, bool, bool)> {
            lives(Some(&seasons), hangs, wanted, today, day(400))
                .into_iter()
                .map(|l| (l.first, l.last, l.hung, l.ends))
                .collect()
        };
        assert_eq!(lives(true, false, day(50)), [(day(50), day(100), false, true)]);
        let both = [(day(50), day(100), false, true), (day(200), day(300), true, true)];
        assert_eq!(lives(true, true, day(50)), both);
        assert_eq!(lives(false, true, day(0))[0], (day(10), day(100), true, true));
        // Out of season it rests, and goes on as it is.
        assert_eq!(lives(true, false, day(150)), [(day(200), day(300), false, true)]);
        assert_eq!(lives(true, true, day(350)), []);
        // A last season that is not over on the last day has no end here.
        assert!(!super::lives(Some(&seasons), true, true, day(250), day(299))[0].ends);
    }

    #[test]
    fn seasons_with_a_short_rest_between_them_are_one() {
        let both = |gap: i64| joined(vec![(day(100 + gap), day(300)), (day(0), day(100))]).len();
        assert_eq!((both(28), both(29)), (1, 2));
        assert_eq!(
            joined(vec![(day(0), day(90)), (day(5), day(50))]),
            [(day(0), day(90))]
        );
    }

    proptest! {
        /// A day-by-day walk with an age in days finds the same renewals.
        #[test]
        fn renewals_are_those_of_a_walk_day_by_day(
            since in -90_i64..0, every in 1_i64..60, first in 0_i64..30, length in 0_i64..200, to in 0_i64..200,
            hung: bool, hold in proptest::option::of((0_i64..150, 0_i64..40)),
        ) {
            let life = Life { first: day(first), last: day(first + length), hung, ends: true };
            let held = |n: i64| hold.is_some_and(|(from, more)| (from..=from + more).contains(&n));
            let free = |d: Date| {
                let n = (d - day(0)).get_days();
                Some(day((i64::from(n)..).find(|&n| !held(n)).unwrap()))
            };
            let told = renewals(life, day(since), day(to), |d| d.saturating_add(every.days()), free);
            let mut walked = Vec::new();
            let mut age = if hung { None } else { Some(first - since) };
            for n in first..=(first + length).min(to) {
                if !held(n) && age.is_none_or(|age| age >= every) {
                    walked.push(day(n));
                    age = Some(0);
                }
                age = age.map(|age| age + 1);
            }
            prop_assert_eq!(told, walked);
        }
    }
}
