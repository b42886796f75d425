//! How long a stop takes, learned from the stops that were made.

use std::collections::HashMap;

use earlywood_journal::{Programme, VisitMade};
use earlywood_model::record::{Access, Skill, VisitKind};
use serde::Serialize;

use crate::error::ChainError;

/// A stop is not shorter than nothing and not longer than this; what is told beyond was a lunch or a forgotten tap, and is
/// left out. Design choice.
const LONGEST_MINUTES: f64 = 180.0;
/// So many stops at one trap weigh as much as what all others of its kind tell. Design choice.
const SHRINK: f64 = 3.0;
/// From so many stops on, the places with the same needs are a kind of their own. Design choice.
const LEAST_OF_A_KIND: usize = 5;

/// How long a stop is thought to take, and what that rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stay {
    /// Minutes.
    pub minutes: f64,
    /// Stops at this very trap on which that rests.
    pub own_stops: usize,
    /// Stops at others on which it rests.
    pub other_stops: usize,
    /// The access record of the place says so, and nothing was learned.
    pub told: bool,
}

/// Minutes of the past stops, by trap and by kind of place.
pub(crate) struct Stays {
    default_minutes: f64,
    own: HashMap<String, Vec<f64>>,
    kinds: HashMap<Vec<Skill>, (f64, usize)>,
    all: Option<(f64, usize)>,
    hanging: Option<(f64, usize)>,
    downs: Option<(f64, usize)>,
    /// Stops with both times that were left out as impossible.
    pub(crate) odd: usize,
}

/// Minutes between the two times of a stop. None: not told. Some(None): told, and not to be believed.
fn minutes(stop: &VisitMade) -> Option<Option<f64>> {
    let moment = |text: &Option<String>| text.as_ref()?.parse::<jiff::Timestamp>().ok();
    let (arrive, leave) = (moment(&stop.arrive)?, moment(&stop.leave)?);
    let minutes = (leave.as_second() - arrive.as_second()) as f64 / 60.0;
    Some((minutes > 0.0 && minutes <= LONGEST_MINUTES).then_some(minutes))
}

/// The middle one; of an even number, the mean of the two.
fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    match n {
        0 => None,
        n if n % 2 == 1 => Some(values[n / 2]),
        n => Some(0.5 * (values[n / 2 - 1] + values[n / 2])),
    }
}

fn told(mut values: Vec<f64>) -> Option<(f64, usize)> {
    let n = values.len();
    Some((median(&mut values)?, n))
}

impl Stays {
    /// Reads all past stops. `needs` tells the kind of a trap's place.
    pub(crate) fn read(
        programme: &Programme,
        needs: &HashMap<String, Vec<Skill>>,
        default_minutes: f64,
    ) -> Result<Stays, ChainError> {
        let stops: Vec<VisitMade> = programme.stops()?.into_iter().map(|s| s.value).collect();
        Ok(Stays::of(&stops, needs, default_minutes))
    }

    fn of(stops: &[VisitMade], needs: &HashMap<String, Vec<Skill>>, default_minutes: f64) -> Stays {
        let mut own: HashMap<String, Vec<f64>> = HashMap::new();
        let mut kinds: HashMap<Vec<Skill>, Vec<f64>> = HashMap::new();
        let (mut all, mut hanging, mut downs, mut odd) = (Vec::new(), Vec::new(), Vec::new(), 0);
        for stop in stops {
            match (minutes(stop), stop.kind) {
                (None, _) => {}
                (Some(None), _) => odd += 1,
                (Some(Some(m)), VisitKind::Hang) => hanging.push(m),
                (Some(Some(m)), VisitKind::Service) => {
                    own.entry(stop.trap.clone()).or_default().push(m);
                    kinds
                        .entry(needs.get(&stop.trap).cloned().unwrap_or_default())
                        .or_default()
                        .push(m);
                    all.push(m);
                }
                (Some(Some(m)), VisitKind::TakeDown) => downs.push(m),
                (Some(Some(_)), VisitKind::Move) => {}
            }
        }
        kinds.retain(|_, values| values.len() >= LEAST_OF_A_KIND);
        Stays {
            default_minutes,
            own,
            kinds: kinds
                .into_iter()
                .filter_map(|(k, v)| Some((k, told(v)?)))
                .collect(),
            all: told(all),
            hanging: told(hanging),
            downs: told(downs),
            odd,
        }
    }

    /// How long a stop at a trap takes: what the place's access record says, else the median of its own past stops drawn
    /// towards that of the places with the same needs (or of all, where those are too few), else the default.
    pub(crate) fn at(&self, trap: &str, access: Option<&Access>) -> Stay {
        if let Some(minutes) = access.and_then(|a| a.minutes) {
            return Stay {
                minutes,
                own_stops: 0,
                other_stops: 0,
                told: true,
            };
        }
        let needs = access.map(|a| kind(&a.needs)).unwrap_or_default();
        let others = self.kinds.get(&needs).copied().or(self.all);
        let mut own = self.own.get(trap).cloned().unwrap_or_default();
        let own_stops = own.len();
        let (towards, other_stops) = others.map_or((self.default_minutes, 0), |(m, n)| {
            (m, n.saturating_sub(own_stops))
        });
        let minutes = match median(&mut own) {
            Some(m) => {
                let n = own_stops as f64;
                (n * m + SHRINK * towards) / (n + SHRINK)
            }
            None => towards,
        };
        Stay {
            minutes,
            own_stops,
            other_stops,
            told: false,
        }
    }

    /// How long it takes to hang a trap.
    pub(crate) fn hang(&self, access: Option<&Access>) -> Stay {
        let (minutes, other_stops) = self.hanging.unwrap_or((self.default_minutes, 0));
        let given = access.and_then(|a| a.minutes);
        Stay {
            minutes: given.unwrap_or(minutes),
            own_stops: 0,
            other_stops: if given.is_some() { 0 } else { other_stops },
            told: given.is_some(),
        }
    }

    /// How long it takes to take a trap down: what the place's access record says, else the median of past take-downs, else as a
    /// visit to it.
    pub(crate) fn take_down(&self, trap: &str, access: Option<&Access>) -> Stay {
        match self.downs {
            Some((minutes, other_stops)) if access.is_none_or(|a| a.minutes.is_none()) => Stay {
                minutes,
                own_stops: 0,
                other_stops,
                told: false,
            },
            _ => self.at(trap, access),
        }
    }

    /// Past stops on which all of this rests.
    pub(crate) fn learned_from(&self) -> usize {
        self.all.map_or(0, |(_, n)| n)
    }
}

/// What makes two places one kind: their needs, in order.
pub(crate) fn kind(needs: &[Skill]) -> Vec<Skill> {
    let mut kind = needs.to_vec();
    kind.sort();
    kind.dedup();
    kind
}

#[cfg(test)]
mod tests {
    use super::*;
    use earlywood_journal::VisitMade;
    use earlywood_model::record::{Looked, Renewed, TrapFound, Visit};
    use jiff::civil::date;

    fn stop(trap: &str, minutes: i64) -> VisitMade {
        let visit = Visit {
            trap: trap.into(),
            date: date(2026, 6, 1),
            kind: VisitKind::Service,
            found: TrapFound::Working,
            looked: Looked::Fully,
            suspects: Some(0),
            renewed: Renewed::default(),
            lure_lot: None,
            crew: None,
            exception: None,
        };
        let leave = 600 + minutes;
        VisitMade {
            arrive: Some("2026-06-01T10:00:00Z".into()),
            leave: Some(format!("2026-06-01T{:02}:{:02}:00Z", leave / 60, leave % 60)),
            ..VisitMade::from_visit(&visit)
        }
    }

    #[test]
    fn a_lunch_and_a_forgotten_tap_teach_nothing() {
        let stops = [
            stop("T1", 10),
            stop("T1", 0),
            stop("T1", 181),
            stop("T1", 12),
            stop("T2", 40),
        ];
        let stays = Stays::of(&stops, &HashMap::new(), 15.0);
        assert_eq!((stays.odd, stays.learned_from()), (2, 3));
        // The median of all three is 12; T1's own, 11 of two stops, is drawn to it as by three.
        let own = stays.at("T1", None);
        assert!(
            (own.minutes - (2.0 * 11.0 + 3.0 * 12.0) / 5.0).abs() < 1e-9,
            "{own:?}"
        );
        assert_eq!((own.own_stops, own.other_stops), (2, 1));
        assert!((stays.at("T9", None).minutes - 12.0).abs() < 1e-9);
        let access = Access {
            minutes: Some(33.0),
            ..Access::default()
        };
        assert!(stays.at("T1", Some(&access)).told);
        assert_eq!(Stays::of(&[], &HashMap::new(), 15.0).at("T1", None).minutes, 15.0);
    }

    #[test]
    fn take_downs_take_as_long_as_they_did_and_as_a_visit_while_none_was_made() {
        let down = |minutes| VisitMade {
            kind: VisitKind::TakeDown,
            ..stop("T1", minutes)
        };
        let none = Stays::of(&[stop("T1", 10)], &HashMap::new(), 15.0);
        assert_eq!(none.take_down("T1", None), none.at("T1", None));
        let some = Stays::of(&[stop("T1", 10), down(4), down(6)], &HashMap::new(), 15.0);
        assert_eq!(
            (
                some.take_down("T1", None).minutes,
                some.take_down("T1", None).other_stops
            ),
            (5.0, 2)
        );
        assert_eq!(some.learned_from(), 1);
        let access = Access {
            minutes: Some(33.0),
            ..Access::default()
        };
        assert_eq!(some.take_down("T1", Some(&access)).minutes, 33.0);
    }

    #[test]
    fn places_that_need_a_ladder_are_a_kind_of_their_own_once_there_are_enough() {
        let needs: HashMap<String, Vec<Skill>> = [("L".to_owned(), vec![Skill::Ladder])].into();
        let ladder = Access {
            needs: vec![Skill::Ladder],
            ..Access::default()
        };
        let stops = |n: usize| -> Vec<VisitMade> {
            let plain = (0..9).map(|_| stop("T", 10));
            plain.chain((0..n).map(|_| stop("L", 50))).collect()
        };
        assert_eq!(
            Stays::of(&stops(4), &needs, 15.0)
                .at("other", Some(&ladder))
                .minutes,
            10.0
        );
        assert_eq!(
            Stays::of(&stops(5), &needs, 15.0)
                .at("other", Some(&ladder))
                .minutes,
            50.0
        );
    }
}
