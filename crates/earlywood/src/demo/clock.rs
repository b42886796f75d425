//! When crews came to their stops and left them, so that the length of a stop can be learned.

use std::collections::{BTreeMap, HashMap};

use earlywood_journal::VisitMade;
use earlywood_model::record::{Access, Position, Shift, Skill, TrapFound, VisitKind};
use jiff::civil::{Date, Time, time};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

use super::plane::Plane;

/// Crews write their day down at five, so all of it was done a little before.
const DONE_BY: Time = time(16, 40, 0, 0);
/// On the way at the depot before the first drive, and for the meal, minutes. Invented.
const SETTING_OUT_MIN: f64 = 10.0;
const MEAL_MIN: f64 = 30.0;
/// Metres a minute in a straight line in town, and minutes to park and walk at each stop. Invented.
const STRAIGHT_M_PER_MIN: f64 = 320.0;
const PARKING_MIN: f64 = 1.5;

/// What is known of where crews went.
pub(super) struct Town<'a> {
    pub(super) plane: &'a Plane,
    pub(super) crews: &'a [Shift],
    pub(super) access: HashMap<&'a str, &'a Access>,
    /// Where each trap hung: its place's label and its position.
    pub(super) traps: HashMap<&'a str, (&'a str, Position)>,
    pub(super) hours_behind: i8,
}

/// Gives every stop of a known crew the times at which the crew came and left, each day in the order from south to north.
pub(super) fn put_times(visits: &mut [VisitMade], town: &Town<'_>, seed: u64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xC10C_0000);
    let mut days: BTreeMap<(Date, String), Vec<usize>> = BTreeMap::new();
    for (k, visit) in visits.iter().enumerate() {
        if let Some(crew) = &visit.crew {
            days.entry((visit.date, crew.clone())).or_default().push(k);
        }
    }
    for ((date, crew), mut stops) in days {
        let Some(shift) = town.crews.iter().find(|s| s.label == crew) else {
            continue;
        };
        let at = |k: usize| {
            let spot = town.traps.get(visits[k].trap.as_str());
            town.plane.point(spot.map_or(shift.depot, |(_, p)| *p))
        };
        stops.sort_by(|&a, &b| at(a).y.total_cmp(&at(b).y));
        let mut here = town.plane.point(shift.depot);
        // Minutes since the day began: of each stop's beginning and its end.
        let (mut now, mut fed) = (SETTING_OUT_MIN, false);
        let mut spans = Vec::new();
        for &k in &stops {
            now += PARKING_MIN + here.distance_m(at(k)) / STRAIGHT_M_PER_MIN;
            here = at(k);
            if !fed && now > 240.0 {
                (now, fed) = (now + MEAL_MIN, true);
            }
            let stay = stay_minutes(&visits[k], town, &mut rng);
            spans.push((now, now + stay));
            now += stay;
        }
        // A day with more stops than hours went faster.
        let room = (DONE_BY - shift.starts)
            .total(jiff::Unit::Minute)
            .unwrap_or(480.0);
        let pace = (room / now).min(1.0);
        for (&k, (from, to)) in stops.iter().zip(&spans) {
            let moment = |minutes: f64| stamp(date, shift.starts, minutes * pace, town.hours_behind);
            let times = (moment(*from), moment(*to));
            visits[k].arrive = Some(times.0);
            visits[k].leave = Some(times.1);
        }
    }
}

/// How long the crew was there, minutes. Invented: what stops of this trade take by and large, with a spread.
fn stay_minutes(visit: &VisitMade, town: &Town<'_>, rng: &mut ChaCha8Rng) -> f64 {
    let usual = match (visit.found, visit.kind) {
        (TrapFound::NotReached, _) => 4.0,
        (_, VisitKind::Hang) => 18.0,
        (_, VisitKind::Service | VisitKind::Move) => 9.0,
        (_, VisitKind::TakeDown) => 8.0,
    };
    let needs = town
        .traps
        .get(visit.trap.as_str())
        .and_then(|(place, _)| town.access.get(place))
        .map(|a| a.needs.as_slice())
        .unwrap_or_default();
    let more: f64 = needs
        .iter()
        .map(|need| match need {
            Skill::Pole => 4.0,
            Skill::Ladder => 7.0,
            Skill::TwoPeople => 3.0,
        })
        .sum();
    let lure = if visit.renewed.lure.is_some() { 1.5 } else { 0.0 };
    let spread: f64 = StandardNormal.sample(rng);
    ((usual + more + lure) * (0.22 * spread).exp()).clamp(2.0, 60.0)
}

/// A moment of a day, to the minute, RFC 3339.
#[allow(clippy::cast_possible_truncation)] // minutes of one day
fn stamp(date: Date, starts: Time, minutes: f64, hours_behind: i8) -> String {
    let at = starts.saturating_add(jiff::Span::new().minutes(minutes.round() as i64));
    format!(
        "{date}T{}{}{:02}:00",
        at.strftime("%H:%M:%S"),
        if hours_behind < 0 { '-' } else { '+' },
        hours_behind.unsigned_abs()
    )
}

#[cfg(test)]
mod tests {
    use earlywood_model::record::{Looked, Renewed, Visit};
    use jiff::civil::date;

    use super::*;

    #[test]
    fn stops_follow_each_other_and_a_full_day_still_ends_before_the_evening() {
        let depot = Position {
            lat: 40.2,
            lon: -93.6,
        };
        let crews = [Shift {
            label: "crew-1".into(),
            depot,
            end: None,
            starts: time(7, 30, 0, 0),
            ends: time(16, 0, 0, 0),
            break_minutes: 0,
            break_from: None,
            break_to: None,
            days: Vec::new(),
            from: None,
            to: None,
            skills: Vec::new(),
        }];
        let labels: Vec<String> = (0..70).map(|k| format!("T{k}")).collect();
        let town = Town {
            plane: &Plane::at(depot),
            crews: &crews,
            access: HashMap::new(),
            traps: labels.iter().map(|l| (l.as_str(), ("P", depot))).collect(),
            hours_behind: -5,
        };
        let mut visits: Vec<VisitMade> = labels
            .iter()
            .map(|trap| {
                VisitMade::from_visit(&Visit {
                    trap: trap.clone(),
                    date: date(2025, 6, 1),
                    kind: VisitKind::Service,
                    found: TrapFound::Working,
                    looked: Looked::Fully,
                    suspects: Some(0),
                    renewed: Renewed::default(),
                    lure_lot: None,
                    crew: Some("crew-1".into()),
                    exception: None,
                })
            })
            .collect();
        put_times(&mut visits, &town, 3);
        let moment = |text: &Option<String>| text.as_ref().unwrap().parse::<jiff::Timestamp>().unwrap();
        for pair in visits.windows(2) {
            assert!(moment(&pair[0].arrive) <= moment(&pair[0].leave));
            assert!(moment(&pair[0].leave) <= moment(&pair[1].arrive));
        }
        let last = visits.last().unwrap();
        assert!(
            last.leave.as_deref().unwrap() <= "2025-06-01T16:40:00-05:00",
            "{last:?}"
        );
        assert!(visits.iter().all(|v| v.check().is_ok()));
    }
}
