//! What really happened at one trap: its stops, what it was worth on each day, and what became of an insect in it.
//!
//! The same rules as the assurance's (see `walk` in `assurance/schedule.rs`), told of what happens to insects instead
//! of what may be credited: a trap found impaired drew less since the last look; one found on the ground and not
//! looked at holds nothing; a catch thrown away unseen is lost; a look in part sees a share; old catch spoils.

use jiff::civil::Date;
use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;

use super::types::{PlanTrap, Recorded, Routine};
use crate::assurance::FittedOn;
use crate::clock::{Clock, Parts};
use crate::error::ModelError;
use crate::lure::Lure;
use crate::profile::TargetProfile;
use crate::record::{Looked, Renewed, TrapFound, Visit, VisitKind};
use crate::weather::{Series, days_between, plus_days};

/// The profile's clocks.
#[derive(Debug, Clone)]
pub(super) struct Clocks {
    look: Clock,
    lure: Clock,
    insert: Option<Clock>,
    killing_agent: Option<Clock>,
    body: Clock,
}

impl Clocks {
    pub(super) fn new(profile: &TargetProfile) -> Result<Self, ModelError> {
        let c = &profile.clocks;
        Ok(Clocks {
            look: Clock::try_from(&c.look)?,
            lure: Clock::try_from(&c.lure)?,
            insert: c.insert.as_ref().map(Clock::try_from).transpose()?,
            killing_agent: c.killing_agent.as_ref().map(Clock::try_from).transpose()?,
            body: Clock::try_from(&c.body)?,
        })
    }
}

/// Days between two stops.
#[derive(Debug, Clone, Copy)]
struct Stay {
    from: i32,
    to: i32,
    parts: Parts,
    /// Times it was found impaired since.
    impaired: u8,
}

/// A stop as far as insects are concerned.
#[derive(Debug, Clone, Copy)]
struct Stop {
    day: i32,
    kind: VisitKind,
    found: TrapFound,
    looked: Looked,
    renewed: Renewed,
}

impl Stop {
    fn looks(&self) -> bool {
        self.looked != Looked::No && !matches!(self.found, TrapFound::Gone | TrapFound::NotReached)
    }

    fn throws_away(&self, has_insert: bool) -> bool {
        let r = self.renewed;
        r.insert || r.body || (r.killing_agent && !has_insert)
    }
}

/// One trap's stops and stays.
#[derive(Debug, Clone, Default)]
pub(super) struct Timeline {
    stops: Vec<Stop>,
    stays: Vec<Stay>,
    has_insert: bool,
}

/// What became of an insect in a trap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    /// Somebody took it for what it is on this day.
    Taken(i32),
    /// Nobody ever will.
    Lost,
}

/// Luck of one insect in a trap, numbers from 0 to 1.
#[derive(Debug, Clone, Copy)]
pub(super) struct Luck {
    pub(super) screened: f64,
    pub(super) spoiled: f64,
    pub(super) in_part: f64,
}

impl Timeline {
    /// The record of one placement, days counted from `start`.
    pub(super) fn recorded(record: &Recorded, start: Date, clocks: &Clocks) -> Self {
        let day = |date: Date| i32::try_from(days_between(start, date)).unwrap_or(i32::MAX / 4);
        let hung = day(record.hung);
        let parts = record.fitted.map_or(Parts::all_on(hung), |f: FittedOn| Parts {
            lure: Some(day(f.lure)),
            insert: Some(day(f.insert)),
            killing_agent: Some(day(f.killing_agent)),
            body: Some(day(f.body)),
        });
        let mut stops: Vec<Stop> = record
            .visits
            .iter()
            .map(|v| Stop {
                day: day(v.date),
                kind: v.kind,
                found: v.found,
                looked: v.looked,
                renewed: v.renewed,
            })
            .filter(|s| {
                s.day > hung || (s.day == hung && !matches!(s.kind, VisitKind::Hang | VisitKind::Move))
            })
            .collect();
        stops.sort_by_key(|s| s.day);
        let end = record.taken_down.map_or(i32::MAX / 4, day);
        Timeline::walk(vec![(hung, end, parts, stops)], clocks)
    }

    /// One made up by a routine, and how many visits it took. The luck is the trap's own: the same whatever other
    /// traps hang.
    pub(super) fn of_routine(
        routine: &Routine,
        start: Date,
        profile: &TargetProfile,
        clocks: &Clocks,
        rng: &mut ChaCha8Rng,
    ) -> (Self, u32) {
        let day = |date: Date| i32::try_from(days_between(start, date)).unwrap_or(i32::MAX / 4);
        let mut visits = 0;
        let seasons = routine
            .seasons
            .iter()
            .map(|(hung, down)| {
                let (hung, down) = (day(*hung), day(*down));
                let stops = routine_stops(routine, profile, hung, down, rng);
                visits += stops.len() as u32;
                (hung, down, Parts::all_on(hung), stops)
            })
            .collect();
        (Timeline::walk(seasons, clocks), visits)
    }

    fn walk(seasons: Vec<(i32, i32, Parts, Vec<Stop>)>, clocks: &Clocks) -> Self {
        let mut line = Timeline {
            has_insert: clocks.insert.is_some(),
            ..Timeline::default()
        };
        for (hung, end, fitted, stops) in seasons {
            let (mut at, mut parts, mut up) = (hung, fitted, true);
            let mut since_look = line.stays.len();
            for stop in &stops {
                let to = stop.day.min(end);
                if up && at < to {
                    line.stays.push(Stay {
                        from: at,
                        to,
                        parts,
                        impaired: 0,
                    });
                }
                at = at.max(stop.day);
                if stop.found == TrapFound::NotReached {
                    continue;
                }
                let looked = stop.looks();
                match stop.found {
                    TrapFound::Impaired => line.impair(since_look),
                    TrapFound::Down if looked => line.impair(since_look),
                    // Nothing since the last look: taken out of the record, as the assurance does.
                    TrapFound::Down | TrapFound::Gone => line.stays.truncate(since_look),
                    TrapFound::NotReached | TrapFound::Working => {}
                }
                if stop.found == TrapFound::Gone {
                    (up, parts) = (false, Parts::NONE);
                }
                if stop.looked == Looked::Fully && looked || stop.throws_away(line.has_insert) {
                    since_look = line.stays.len();
                }
                let day = Some(stop.day);
                let r = stop.renewed;
                parts.lure = if r.lure { day } else { parts.lure };
                parts.insert = if r.insert { day } else { parts.insert };
                parts.killing_agent = if r.killing_agent { day } else { parts.killing_agent };
                parts.body = if r.body { day } else { parts.body };
                match stop.kind {
                    VisitKind::Hang => (parts, up) = (Parts::all_on(stop.day), true),
                    VisitKind::TakeDown | VisitKind::Move => up = false,
                    VisitKind::Service if stop.found != TrapFound::Gone || r.body => up = true,
                    VisitKind::Service => {}
                }
            }
            if up && at < end {
                line.stays.push(Stay {
                    from: at,
                    to: end,
                    parts,
                    impaired: 0,
                });
            }
            line.stops.extend(stops);
        }
        line
    }

    fn impair(&mut self, from: usize) {
        for stay in self.stays.iter_mut().skip(from) {
            stay.impaired = stay.impaired.saturating_add(1);
        }
    }

    /// Share of its full hazard that the trap has on a day.
    pub(super) fn effort(&self, day: i32, clocks: &Clocks, lures: &LureAges, impaired_share: f64) -> f64 {
        let next = self.stays.partition_point(|s| s.to <= day);
        let Some(stay) = self.stays.get(next).filter(|s| s.from <= day) else {
            return 0.0;
        };
        let parts = stay.parts;
        let aged = |clock: &Option<Clock>, fitted: Option<i32>| match (clock, fitted) {
            (None, _) => 1.0,
            (Some(clock), Some(on)) => clock.factor(f64::from(day - on) + 0.5),
            (Some(_), None) => 0.0,
        };
        let Some(lure) = parts.lure else { return 0.0 };
        lures.potency(lure, day)
            * clocks.lure.factor(f64::from(day - lure) + 0.5)
            * aged(&clocks.insert, parts.insert)
            * aged(&clocks.killing_agent, parts.killing_agent)
            * aged(&Some(clocks.body), parts.body)
            * impaired_share.powi(i32::from(stay.impaired))
    }

    /// What becomes of an insect caught on a day.
    pub(super) fn fate(&self, day: i32, clocks: &Clocks, screening: f64, part: f64, luck: Luck) -> Fate {
        let mut in_part = luck.in_part;
        let from = self.stops.partition_point(|s| s.day <= day);
        for stop in &self.stops[from..] {
            if stop.found == TrapFound::NotReached {
                continue;
            }
            if stop.found == TrapFound::Gone || (stop.found == TrapFound::Down && !stop.looks()) {
                return Fate::Lost;
            }
            if stop.looks() {
                // Of what a look in part left, the next sees its share again.
                let met = stop.looked == Looked::Fully || in_part < part;
                if met {
                    let sound = luck.spoiled < clocks.look.factor(f64::from(stop.day - day) - 0.5);
                    let seen = sound && luck.screened < screening;
                    return if seen { Fate::Taken(stop.day) } else { Fate::Lost };
                }
                in_part = (in_part - part) / (1.0 - part);
            }
            let away = matches!(stop.kind, VisitKind::Hang | VisitKind::TakeDown | VisitKind::Move);
            if away || stop.throws_away(self.has_insert) {
                return Fate::Lost;
            }
        }
        Fate::Lost
    }

    /// Its stops up to a day as visits, for the assurance.
    pub(super) fn visits(&self, label: &str, start: Date, until: i32) -> Vec<Visit> {
        self.stops
            .iter()
            .filter(|s| s.day <= until)
            .map(|s| Visit {
                trap: label.to_owned(),
                date: plus_days(start, i64::from(s.day)),
                kind: s.kind,
                found: s.found,
                looked: s.looked,
                suspects: (s.looked != Looked::No).then_some(0),
                renewed: s.renewed,
                lure_lot: None,
                crew: None,
                exception: None,
            })
            .collect()
    }
}

/// The stops of one season. A part is renewed at the last planned look before its planned life is over.
fn routine_stops(
    routine: &Routine,
    profile: &TargetProfile,
    hung: i32,
    down: i32,
    rng: &mut ChaCha8Rng,
) -> Vec<Stop> {
    let every = routine.look_every_days.cast_signed();
    let clocks = &profile.clocks;
    let over = |since: i32, at: i32, life: f64| f64::from(at - since + every) > life;
    let (mut lure, mut insert, mut agent) = (hung, hung, hung);
    let (mut stops, mut at) = (Vec::new(), hung);
    loop {
        // The same number of draws at every stop, whatever comes of it.
        let late = routine.late_days.draw(rng).clamp(0.0, 3_660.0).round() as i32;
        let (reached, sound): (f64, f64) = (rng.random(), rng.random());
        at += every + late;
        let last = at >= down;
        let day = at.min(down);
        if !last && reached < routine.not_reached {
            stops.push(Stop {
                day,
                kind: VisitKind::Service,
                found: TrapFound::NotReached,
                looked: Looked::No,
                renewed: Renewed::default(),
            });
            continue;
        }
        let mut renewed = Renewed::default();
        if !last {
            let renew = |since: &mut i32, life: f64| {
                let due = over(*since, day, life);
                if due {
                    *since = day;
                }
                due
            };
            renewed.lure = renew(&mut lure, f64::from(routine.lure_every_days));
            if let Some(c) = &clocks.insert {
                renewed.insert = renew(&mut insert, c.nominal_days);
            }
            if let Some(c) = &clocks.killing_agent {
                renewed.killing_agent = renew(&mut agent, c.nominal_days);
            }
        }
        let impaired = sound < routine.impaired;
        stops.push(Stop {
            day,
            kind: if last {
                VisitKind::TakeDown
            } else {
                VisitKind::Service
            },
            found: if impaired {
                TrapFound::Impaired
            } else {
                TrapFound::Working
            },
            looked: Looked::Fully,
            renewed,
        });
        if last {
            return stops;
        }
    }
}

/// Equivalent age of lures, day by day, under one draw of the lure.
#[derive(Debug, Clone)]
pub(super) struct LureAges {
    first: i32,
    /// Sum of equivalent days before each day.
    sum: Vec<f64>,
    lure: Lure,
}

impl LureAges {
    /// From day `first` to day `end`, days counted from `start`. A day without weather ages a lure by a day at its
    /// reference temperature.
    pub(super) fn new(lure: Lure, weather: &Series, start: Date, first: i32, end: i32) -> Self {
        let mut sum = vec![0.0];
        let mut age = 0.0;
        for day in first..end {
            let date = plus_days(start, i64::from(day));
            age += weather
                .get(date)
                .map_or(1.0, |w| lure.day_factor(w.tmin_c, w.tmax_c));
            sum.push(age);
        }
        LureAges { first, sum, lure }
    }

    fn potency(&self, fitted: i32, day: i32) -> f64 {
        let at = |d: i32| {
            let i = usize::try_from(d - self.first).unwrap_or(0);
            self.sum[i.min(self.sum.len() - 1)]
        };
        let base = at(fitted);
        self.lure.mean_potency((at(day) - base)..(at(day + 1) - base))
    }
}

/// Day on which the oldest lure of a plan was fitted, no later than day 0.
pub(super) fn oldest_lure(traps: &[PlanTrap], start: Date) -> i32 {
    let day = |date: Date| i32::try_from(days_between(start, date)).unwrap_or(0);
    let of = |t: &PlanTrap| {
        t.recorded
            .as_ref()
            .map_or(0, |r| day(r.fitted.map_or(r.hung, |f| f.lure)))
    };
    traps.iter().map(of).min().unwrap_or(0).min(0)
}
