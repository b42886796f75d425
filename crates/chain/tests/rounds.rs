//! Rounds over a small invented ground: what is due, who drives there, planning again in mid-day, files, typed-in sheets.

#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};

use earlywood_chain::rounds::due::{By, DueAsk, DueVisit, Job, due_over};
use earlywood_chain::rounds::files::{Export, Which, csv, gpx, ics};
use earlywood_chain::rounds::sheet::{Typed, TypedRow, form_csv, read_csv, sheet, type_in};
use earlywood_chain::rounds::{self, Ask, Proposal, Without};
use earlywood_chain::view::Now;
use earlywood_chain::{ChainError, Desk, phone};
use earlywood_journal::body::{Cause, HoldScope};
use earlywood_journal::{
    Act, Body, Clock, CrewFormed, HoldDeclared, LoadMode, PersonEnrolled, Programme, Role, TakeDown,
    VisitMade,
};
use earlywood_model::record::{
    Access, Oneway, Placement, Position, Renewed, Road, RoadClass, Shift, Skill, Visit, WeatherDay,
};
use jiff::civil::{Date, date, time};
use jiff::tz::TimeZone;

use crate::common::{created, hung, lead, service, weather};

const TARGET: &str = "mediterranean-fruit-fly";
/// A Monday.
const TODAY: Date = date(2025, 8, 4);

struct Site {
    _dir: tempfile::TempDir,
    programme: Programme,
    act: Act,
    desk: Desk,
}

fn at(n: usize) -> Position {
    let (row, column) = ((n / 6) as f64, (n % 6) as f64);
    Position {
        lat: 34.0 + 0.02 * row,
        lon: -100.0 + 0.02 * column,
    }
}

fn stop(trap: &str, date: Date) -> VisitMade {
    stop_renewing(trap, date, Renewed::default())
}

fn stop_renewing(trap: &str, date: Date, renewed: Renewed) -> VisitMade {
    VisitMade::from_visit(&Visit {
        crew: Some("crew-1".into()),
        ..service(trap, date, 0, renewed)
    })
}

impl Site {
    /// 24 traps, hung on 1 July and looked at between 7 and 18 July: their looks warn between 28 July and 8 August.
    fn bare() -> Site {
        let act = lead("2025-08-04T07:00:00");
        let (dir, mut programme) = created(&act);
        let placements: Vec<Placement> = (0..24)
            .map(|n| {
                let (trap, place) = (format!("T{n:02}"), format!("P{n:02}"));
                hung(&trap, &place, at(n), TARGET, date(2025, 7, 1))
            })
            .collect();
        programme.record_placements(&act, &placements).unwrap();
        let looks: Vec<Body> = (0..24_i8)
            .map(|n| Body::VisitMade(stop(&format!("T{n:02}"), date(2025, 7, 7 + n / 2))))
            .collect();
        let drafts: Vec<_> = looks.into_iter().map(Into::into).collect();
        programme.append_all(&act, &drafts).unwrap();
        Site {
            _dir: dir,
            programme,
            act,
            desk: Desk::new(),
        }
    }

    fn append(&mut self, body: Body) {
        self.programme.append(&self.act, body).unwrap();
    }

    fn form(&mut self, crew: &str, people: &[&str]) {
        for person in people {
            self.append(Body::PersonEnrolled(PersonEnrolled {
                person: (*person).into(),
                roles: vec![Role::Inspector],
                from: date(2025, 1, 1),
                to: None,
            }));
        }
        self.append(Body::CrewFormed(CrewFormed {
            crew: crew.into(),
            people: people.iter().map(|p| (*p).into()).collect(),
            from: date(2025, 7, 1),
            to: None,
        }));
    }

    fn shifts(&mut self, shifts: &[Shift]) {
        self.programme
            .load(&self.act, "crews.csv", LoadMode::Replace, shifts)
            .unwrap();
    }

    fn access(&mut self, access: &[Access]) {
        self.programme
            .load(&self.act, "access.csv", LoadMode::Replace, access)
            .unwrap();
    }

    /// Two crews, the second of two people.
    fn new() -> Site {
        let mut site = Site::bare();
        site.form("crew-1", &["ada"]);
        site.form("crew-2", &["ben", "cleo"]);
        site.shifts(&[shift("crew-1"), shift("crew-2")]);
        site
    }

    fn propose(&self, ask: &Ask) -> Result<Proposal, ChainError> {
        rounds::propose(&self.desk, &self.programme, ask, TODAY)
    }

    fn adopt(&mut self, ask: &Ask) -> Proposal {
        let proposal = self.propose(ask).unwrap();
        rounds::adopt(&mut self.programme, &self.act, &proposal, "a test").unwrap();
        proposal
    }
}

fn shift(crew: &str) -> Shift {
    Shift {
        label: crew.into(),
        depot: at(8),
        end: None,
        starts: time(7, 0, 0, 0),
        ends: time(15, 0, 0, 0),
        break_minutes: 30,
        break_from: Some(time(11, 0, 0, 0)),
        break_to: Some(time(13, 0, 0, 0)),
        days: Vec::new(),
        from: None,
        to: None,
        skills: vec![Skill::Pole],
    }
}

fn week() -> Ask {
    Ask::new(TODAY, 5)
}

fn said(result: Result<Proposal, ChainError>) -> String {
    result.unwrap_err().words()
}

fn planned(proposal: &Proposal) -> BTreeMap<String, (String, Date)> {
    let mut all = BTreeMap::new();
    for round in &proposal.rounds {
        for stop in &round.stops {
            let before = all.insert(stop.trap.clone(), (round.crew.clone(), round.date));
            assert!(before.is_none(), "{} stands twice", stop.trap);
        }
    }
    all
}

#[test]
fn what_is_due_has_its_days_and_says_why_not_on_others() {
    let mut site = Site::new();
    site.access(&[
        Access {
            label: "P20".into(),
            days: vec![earlywood_model::record::Weekday::Wed],
            opens: Some(time(9, 0, 0, 0)),
            closes: Some(time(10, 0, 0, 0)),
            ..Access::default()
        },
        Access {
            label: "P21".into(),
            permit: Some("permit 7".into()),
            permit_to: Some(date(2025, 8, 1)),
            ..Access::default()
        },
    ]);
    site.append(Body::HoldDeclared(HoldDeclared {
        hold: "flood".into(),
        cause: Cause::Flood,
        scope: HoldScope::Traps(vec!["T22".into()]),
        from: TODAY,
        to: Some(date(2025, 8, 6)),
        note: None,
    }));
    let mut ask = DueAsk::new(TODAY, 5);
    ask.no_work = vec![date(2025, 8, 8)];
    let list = due_over(&site.desk, &site.programme, TODAY, &ask, &mut Vec::new()).unwrap();
    let of = |trap: &str| list.visits.iter().find(|v| v.trap == trap).unwrap();
    assert_eq!(list.visits.len(), 24);
    // T23 was looked at on 18 July: 21 days on, 8 August, it warns; with three days of slack it is due from the 5th.
    assert_eq!(
        (of("T23").first, of("T23").last),
        (date(2025, 8, 5), date(2025, 8, 8))
    );
    assert_eq!(of("T23").in_time, Some(date(2025, 8, 28)));
    let days: Vec<Date> = of("T20").days.iter().map(|d| d.date).collect();
    assert_eq!(days, [date(2025, 8, 6)]);
    assert!(of("T21").days.is_empty());
    assert!(
        of("T21")
            .shut
            .iter()
            .any(|(_, why)| why.contains("permit 7 ended on 2025-08-01"))
    );
    let days: Vec<Date> = of("T22").days.iter().map(|d| d.date).collect();
    assert_eq!(days, [date(2025, 8, 7)]);
    assert!(of("T22").shut.iter().any(|(_, why)| why.contains("flood")));
    assert!(
        of("T22")
            .shut
            .iter()
            .any(|(d, why)| *d == date(2025, 8, 8) && why.contains("without work"))
    );
    assert_eq!(of("T00").what, ["look"]);
}

#[test]
fn heat_uses_up_a_lure_before_its_days_are_over_and_hot_days_are_no_working_days() {
    let mut site = Site::new();
    // Asked on the Friday, so that the week's weather is known.
    let friday = date(2025, 8, 8);
    let weather = weather("S1", date(2023, 1, 1), friday, |day| {
        let hot = day == date(2025, 8, 6);
        (30.0, if hot { 46.0 } else { 38.0 })
    });
    site.act = lead("2025-08-08T18:00:00");
    site.programme
        .load(&site.act, "weather.csv", LoadMode::Replace, &weather)
        .unwrap();
    let mut ask = DueAsk::new(TODAY, 5);
    ask.heat_limit_c = Some(42.0);
    let mut notes = Vec::new();
    let list = due_over(&site.desk, &site.programme, friday, &ask, &mut notes).unwrap();
    let lure = |v: &rounds::due::DueVisit| *v.clocks.iter().find(|c| c.clock == Clock::Lure).unwrap();
    assert!(
        list.visits.iter().all(|v| lure(v).by == By::Heat),
        "{:?}",
        lure(&list.visits[0])
    );
    // By the calendar alone it would fail 84 days after it was hung.
    assert!(list.visits.iter().all(|v| lure(v).fails < date(2025, 9, 23)));
    assert!(
        list.days_off
            .iter()
            .any(|(d, why)| *d == date(2025, 8, 6) && why.contains("46.0"))
    );
    assert!(
        list.visits
            .iter()
            .all(|v| v.days.iter().all(|d| d.date != date(2025, 8, 6)))
    );
    assert!(
        notes.iter().any(|n| n.contains("no work on 2025-08-06")),
        "{notes:?}"
    );
}

/// Weather of a place with a winter, to `to`.
fn seasons(to: Date) -> Vec<WeatherDay> {
    weather("S1", date(2022, 1, 1), to, |day| {
        // Warmest late in July.
        let turn = std::f64::consts::TAU * (f64::from(day.day_of_year()) - 205.0) / 365.0;
        let mean = 11.0 + 14.0 * turn.cos();
        (mean - 6.0, mean + 6.0)
    })
}

#[test]
fn a_trap_whose_season_is_over_is_due_to_be_taken_down() {
    let mut site = Site::new();
    let today = date(2025, 9, 30);
    site.act = lead("2025-09-30T07:00:00");
    site.programme
        .load(&site.act, "weather.csv", LoadMode::Replace, &seasons(today))
        .unwrap();
    let season = earlywood_chain::season::season(&site.programme, TARGET, 2025).unwrap();
    let over = season.dates.iter().find(|d| d.what == "take-down").unwrap().date;
    assert!(date(2025, 10, 5) < over && over < date(2025, 12, 10), "{over}");
    // One trap is in good order until then; the others were not looked at since July.
    let fresh = over.saturating_sub(jiff::Span::new().days(4));
    site.act = lead(&format!("{fresh}T18:00:00"));
    site.append(Body::VisitMade(stop_renewing("T03", fresh, Renewed::ALL)));
    site.access(&[
        Access {
            label: "P03".into(),
            needs: vec![Skill::Ladder],
            minutes: Some(21.0),
            ..Access::default()
        },
        Access {
            label: "P05".into(),
            permit_to: Some(date(2025, 9, 1)),
            ..Access::default()
        },
    ]);
    let due = |from: Date, days: u16, take_down: bool| -> (Vec<DueVisit>, Vec<String>) {
        let mut notes = Vec::new();
        let ask = DueAsk {
            take_down,
            ..DueAsk::new(from, days)
        };
        let list = due_over(&site.desk, &site.programme, from, &ask, &mut notes).unwrap();
        (list.visits, notes)
    };
    let of = |visits: &[DueVisit], trap: &str| visits.iter().find(|v| v.trap == trap).cloned();
    // A week that ends before: nothing comes down.
    let before = over.saturating_sub(jiff::Span::new().days(3));
    let (visits, _) = due(before, 3, true);
    assert!(
        visits.iter().all(|v| v.job == Job::Service) && visits.len() == 23,
        "{}",
        visits.len()
    );
    // A week in which it ends: what is in order until then comes down from that day on; what has failed is to be looked at first.
    let (visits, notes) = due(before, 7, true);
    let down = of(&visits, "T03").unwrap();
    let last = before.saturating_add(jiff::Span::new().days(6));
    assert_eq!((down.job, down.first, down.last), (Job::TakeDown, over, last));
    assert_eq!(down.days.len(), 4);
    assert_eq!(
        (down.needs.as_slice(), down.stay.minutes),
        (&[Skill::Ladder][..], 21.0)
    );
    assert!(
        down.what[0].starts_with("take down") && down.what[0].contains(&over.to_string()),
        "{:?}",
        down.what
    );
    assert_eq!(visits.iter().filter(|v| v.job == Job::Service).count(), 23);
    assert!(
        notes
            .iter()
            .any(|n| n.starts_with("1 of the traps are to be taken down")),
        "{notes:?}"
    );
    // From that day on, all of them; the one on land that may not be entered says why not.
    let (visits, _) = due(over, 5, true);
    assert!(visits.len() == 24 && visits.iter().all(|v| v.job == Job::TakeDown && v.first == over));
    let shut = of(&visits, "T05").unwrap();
    assert!(
        shut.days.is_empty() && shut.shut[0].1.contains("ended on 2025-09-01"),
        "{:?}",
        shut.shut
    );
    // Unless nobody wants that.
    let (visits, _) = due(over, 5, false);
    assert!(visits.iter().all(|v| v.job == Job::Service));
    // And they stand in the rounds with that reason.
    let proposal = rounds::propose(&site.desk, &site.programme, &Ask::new(over, 5), over).unwrap();
    let stops: Vec<_> = proposal.rounds.iter().flat_map(|r| &r.stops).collect();
    assert_eq!(stops.len() + proposal.left_out.len(), 24);
    assert!(!stops.is_empty() && stops.iter().all(|s| s.what[0].starts_with("take down")));
}

#[test]
fn without_a_winter_or_without_weather_nothing_is_taken_down() {
    let mut site = Site::new();
    let mut notes = Vec::new();
    let ask = DueAsk::new(TODAY, 5);
    let list = due_over(&site.desk, &site.programme, TODAY, &ask, &mut notes).unwrap();
    assert!(list.visits.iter().all(|v| v.job == Job::Service));
    assert!(
        notes
            .iter()
            .any(|n| n.contains("no trap is listed to be taken down")),
        "{notes:?}"
    );
    let mut warm = seasons(TODAY);
    for day in &mut warm {
        (day.tmin_c, day.tmax_c) = (20.0, 30.0);
    }
    site.programme
        .load(&site.act, "weather.csv", LoadMode::Replace, &warm)
        .unwrap();
    for from in [TODAY, date(2025, 12, 29)] {
        let list = due_over(
            &site.desk,
            &site.programme,
            TODAY,
            &DueAsk::new(from, 14),
            &mut Vec::new(),
        )
        .unwrap();
        assert!(list.visits.iter().all(|v| v.job == Job::Service));
    }
}

#[test]
fn a_week_is_shared_fairly_and_nothing_is_lost() {
    let mut site = Site::new();
    site.access(&[Access {
        label: "P05".into(),
        needs: vec![Skill::TwoPeople],
        cautions: vec!["dog".into()],
        ..Access::default()
    }]);
    let proposal = site.propose(&week()).unwrap();
    let all = planned(&proposal);
    assert_eq!(all.len() + proposal.left_out.len(), 24);
    assert!(proposal.left_out.is_empty(), "{:?}", proposal.left_out);
    assert_eq!(all["T05"].0, "crew-2", "one person alone may not");
    assert!(proposal.notes.iter().any(|n| n.contains("no roads are loaded")));
    for round in &proposal.rounds {
        assert!(round.starts >= time(7, 0, 0, 0) && round.ends <= time(15, 0, 0, 0));
        let spent = round.drive_minutes + round.work_minutes;
        assert!(spent > 0.0 && round.stops.iter().all(|s| s.arrive < s.leave));
    }
    // The same question has the same answer.
    assert_eq!(site.propose(&week()).unwrap(), proposal);
    let view = proposal.view(&site.programme).unwrap();
    let stop = view
        .rounds
        .iter()
        .flat_map(|r| &r.stops)
        .find(|s| s.trap == "T05")
        .unwrap();
    assert_eq!(
        (stop.cautions.as_slice(), stop.needs.as_slice()),
        (&["dog".to_owned()][..], &["two-people".to_owned()][..])
    );
    assert_eq!(view.fairness.len(), 2);
    let json = serde_json::to_value(&view).unwrap();
    assert_eq!(json["rounds"][0]["starts"].as_str().unwrap().len(), 5);
    // Nothing was written.
    assert!(site.programme.rounds_adopted().unwrap().is_empty());
}

#[test]
fn when_time_is_short_what_can_wait_goes_first() {
    let mut site = Site::new();
    let mut short = shift("crew-1");
    (short.ends, short.break_minutes) = (time(8, 30, 0, 0), 0);
    short.break_from = None;
    short.break_to = None;
    site.shifts(&[short]);
    let late = hung("LATE", "PL", at(14), TARGET, date(2025, 6, 20));
    site.programme.record_placements(&site.act, &[late]).unwrap();
    let proposal = site.propose(&Ask::new(TODAY, 1)).unwrap();
    assert!(!proposal.left_out.is_empty());
    assert!(proposal.left_out.iter().all(|l| !l.reason.is_empty()));
    // Of the 24, two are not due yet. The one whose clock has failed is among those that are visited.
    let all = planned(&proposal);
    assert_eq!(all.len() + proposal.left_out.len(), 23);
    assert!(all.contains_key("LATE"), "{all:?}");
    assert!(
        proposal
            .left_out
            .iter()
            .all(|l| l.last_day.is_some_and(|day| day > TODAY))
    );
    assert!(
        proposal
            .notes
            .iter()
            .any(|n| n.contains("no working day is loaded for crew-2"))
    );
}

#[test]
fn what_can_not_be_planned_is_said_plainly() {
    let mut site = Site::bare();
    assert!(said(site.propose(&week())).contains("no crew's working day is loaded"));
    site.shifts(&[shift("crew-1")]);
    assert!(said(site.propose(&week())).contains("no crew is formed"));
    site.form("crew-1", &["ada"]);
    assert!(site.propose(&week()).is_ok());
    let with = |change: &dyn Fn(&mut Ask)| {
        let mut ask = week();
        change(&mut ask);
        said(site.propose(&ask))
    };
    assert!(with(&|a| a.due.days = 0).contains("1 to 28"));
    assert!(with(&|a| a.due.days = 29).contains("1 to 28"));
    assert!(with(&|a| a.due.from = date(2015, 1, 1)).contains("years back"));
    assert!(with(&|a| a.due.from = date(2029, 1, 1)).contains("more than a year ahead"));
    assert!(with(&|a| a.due.minutes = -1.0).contains("no length of a stop"));
    assert!(with(&|a| a.due.no_work = vec![date(2025, 9, 1)]).contains("not among the days"));
    let away = |crew: &str, date| Without {
        crew: crew.into(),
        date,
    };
    assert!(with(&|a| a.without = vec![away("crew-9", None)]).contains("no crew \"crew-9\""));
    assert!(with(&|a| a.without = vec![away("crew-1", None)]).contains("all are off, away"));
    assert!(with(&|a| a.without = vec![away("crew-1", Some(date(2026, 1, 1)))]).contains("not among"));
    assert!(with(&|a| a.at = Some(time(11, 0, 0, 0))).contains("no rounds are adopted"));
    assert!(with(&|a| a.closed = vec!["way/1".into()]).contains("no roads are loaded"));
    assert!(with(&|a| a.due.station = Some("S9".into())).contains("S9"));
    assert!(with(&|a| a.detour = 0.5).contains("detour"));
    // In the middle of an ocean.
    let mut astray = shift("crew-1");
    astray.depot = Position { lat: 0.0, lon: -30.0 };
    site.shifts(&[astray]);
    let words = said(site.propose(&week()));
    assert!(
        words.contains("depot of crew-1") && words.contains(" km "),
        "{words}"
    );
    // All looked at yesterday: nothing is due.
    site.shifts(&[shift("crew-1")]);
    for n in 0..24 {
        let visit = stop(&format!("T{n:02}"), date(2025, 8, 3));
        site.append(Body::VisitMade(visit));
    }
    let mut ask = Ask::new(TODAY, 1);
    ask.due.hang = false;
    let words = said(site.propose(&ask));
    assert!(
        words.contains("nothing is due") && words.contains("2025-08-"),
        "{words}"
    );
}

#[test]
fn a_visit_that_no_day_suits_is_listed_with_the_reason() {
    let mut site = Site::new();
    site.access(&[
        Access {
            label: "P00".into(),
            needs: vec![Skill::Ladder],
            ..Access::default()
        },
        Access {
            label: "P01".into(),
            opens: Some(time(20, 0, 0, 0)),
            closes: Some(time(22, 0, 0, 0)),
            ..Access::default()
        },
        Access {
            label: "P02".into(),
            opens: Some(time(9, 0, 0, 0)),
            closes: Some(time(9, 5, 0, 0)),
            ..Access::default()
        },
    ]);
    let proposal = site.propose(&week()).unwrap();
    let why = |trap: &str| {
        proposal
            .left_out
            .iter()
            .find(|l| l.trap == trap)
            .unwrap()
            .reason
            .clone()
    };
    assert!(why("T00").contains("ladder"), "{}", why("T00"));
    assert!(
        why("T01").contains("no crew works at the hours"),
        "{}",
        why("T01")
    );
    assert!(
        why("T02").contains("the gate is open for 5 minutes"),
        "{}",
        why("T02")
    );
    assert_eq!(proposal.left_out.len(), 3);
}

/// A visit as a phone records it, within the round's own times.
fn done(trap: &str, crew: &str, from: &str, to: &str) -> Body {
    Body::VisitMade(VisitMade {
        arrive: Some(format!("2025-08-04T{from}:00-06:00")),
        leave: Some(format!("2025-08-04T{to}:00-06:00")),
        crew: Some(crew.into()),
        ..stop(trap, TODAY)
    })
}

#[test]
fn planning_again_in_mid_day_keeps_what_is_done_and_loses_nothing() {
    let mut site = Site::new();
    let old = site.adopt(&week());
    let before = planned(&old);
    let first = |crew: &str| {
        let round = old
            .rounds
            .iter()
            .find(|r| r.crew == crew && r.date == TODAY)
            .unwrap();
        round.stops.iter().map(|s| s.trap.clone()).collect::<Vec<_>>()
    };
    let (one, two) = (first("crew-1"), first("crew-2"));
    assert!(one.len() >= 2 && !two.is_empty(), "{one:?} {two:?}");
    site.act = lead("2025-08-04T11:00:00");
    site.append(done(&one[0], "crew-1", "07:20", "07:31"));
    site.append(done(&one[1], "crew-1", "07:50", "08:04"));
    site.append(done(&two[0], "crew-2", "07:15", "07:30"));
    // A trap of a later day is taken down meanwhile.
    let gone = old
        .rounds
        .iter()
        .rev()
        .find(|r| r.date > TODAY)
        .map_or_else(|| one.last().unwrap().clone(), |r| r.stops[0].trap.clone());
    site.append(Body::TrapTakenDown(TakeDown {
        trap: gone.clone(),
        date: TODAY,
        reason: None,
    }));
    let mut ask = week();
    ask.all_days = true;
    ask.at = Some(time(11, 0, 0, 0));
    ask.without = vec![Without {
        crew: "crew-2".into(),
        date: Some(TODAY),
    }];
    let new = site.adopt(&ask);
    assert_eq!((new.from, new.to), (old.from, old.to));
    let after = planned(&new);
    let listed: BTreeSet<&str> = new.left_out.iter().map(|l| l.trap.as_str()).collect();
    let reached = [&one[0], &one[1], &two[0]];
    for trap in before.keys() {
        let places = [after.contains_key(trap), listed.contains(trap.as_str())];
        assert_eq!(places.iter().filter(|p| **p).count(), 1, "{trap} {places:?}");
    }
    assert!(listed.contains(gone.as_str()));
    // What is done stands at the head of its crew's round and nowhere else; nothing new begins before now.
    let view = rounds::adopted(&site.programme, TODAY, TODAY).unwrap();
    for round in &view.rounds {
        let done: Vec<bool> = round.stops.iter().map(|s| s.done).collect();
        assert!(done.is_sorted_by(|a, b| a >= b), "{done:?}");
        for stop in &round.stops {
            assert_eq!(stop.done, reached.contains(&&stop.trap), "{}", stop.trap);
            assert!(stop.done || stop.arrive >= time(11, 0, 0, 0));
        }
        if round.crew == "crew-2" {
            assert_eq!(round.stops.len(), 1, "it went home");
        }
    }
    assert_eq!(
        view.rounds
            .iter()
            .flat_map(|r| &r.stops)
            .filter(|s| s.done)
            .count(),
        3
    );
    // Whoever was to go tomorrow still goes then, where nothing speaks against it.
    let kept = before
        .iter()
        .filter(|(trap, was)| was.1 > TODAY && after.get(*trap) == Some(*was));
    let all = before.values().filter(|was| was.1 > TODAY).count();
    assert!(kept.count() * 2 >= all, "{before:?} {after:?}");
    // The paper of the morning can still be typed in.
    let morning = &old
        .rounds
        .iter()
        .find(|r| r.crew == "crew-2" && r.date == TODAY)
        .unwrap()
        .sheet;
    assert!(sheet(&site.programme, morning).is_ok());
    assert!(
        new.rounds
            .iter()
            .all(|r| old.rounds.iter().all(|o| o.sheet != r.sheet))
    );
}

#[test]
fn a_phone_has_its_crews_round_first_and_in_its_order() {
    let mut site = Site::new();
    let proposal = site.adopt(&week());
    let round = proposal
        .rounds
        .iter()
        .find(|r| r.crew == "crew-2" && r.date == TODAY)
        .unwrap();
    let now = Now {
        today: TODAY,
        at: "2025-08-04T13:00:00Z".parse().unwrap(),
    };
    let day = phone::day(&site.programme, "cleo", now).unwrap();
    let wanted: Vec<&str> = round.stops.iter().map(|s| s.trap.as_str()).collect();
    let got: Vec<&str> = day
        .stops
        .iter()
        .map(|s| s.trap.trap.as_str())
        .take(wanted.len())
        .collect();
    assert_eq!(got, wanted);
    assert!(day.stops.iter().zip(1..).all(|(s, n)| s.order == n));
    let all: BTreeSet<&str> = day.stops.iter().map(|s| s.trap.trap.as_str()).collect();
    assert_eq!(all.len(), day.stops.len());
}

fn zone() -> TimeZone {
    TimeZone::get("America/Denver").unwrap()
}

fn problems(typed: Typed) -> Vec<(usize, String)> {
    match typed {
        Typed::Problems(wrong) => wrong.into_iter().map(|w| (w.row, w.column)).collect(),
        Typed::Recorded(n) => panic!("{n} recorded"),
    }
}

#[test]
fn a_sheet_comes_back_and_is_typed_in_once() {
    let mut site = Site::new();
    let proposal = site.adopt(&week());
    let round = proposal
        .rounds
        .iter()
        .find(|r| r.date == TODAY && r.stops.len() >= 3)
        .unwrap()
        .clone();
    let code = round.sheet.clone();
    let form = sheet(&site.programme, &code.to_lowercase()).unwrap();
    assert_eq!(form.rows.len(), round.stops.len());
    let text = form_csv(&form).unwrap();
    assert!(
        text.starts_with("stop,trap,found,looked,suspects,lure,insert,agent,body,arrive,leave,note\r\n1,")
    );
    assert_eq!(read_csv(&text).unwrap(), form.rows);
    let before = site.programme.revision().unwrap();
    let mut type_rows =
        |rows: &[TypedRow]| type_in(&mut site.programme, &site.act, &code, rows, &zone()).unwrap();
    // An empty form says nothing.
    assert_eq!(problems(type_rows(&form.rows)), [(0, "found".to_owned())]);
    let good = |n: usize| TypedRow {
        stop: (n + 1).to_string(),
        trap: round.stops[n].trap.clone(),
        found: "Working".into(),
        looked: "fully".into(),
        suspects: "0".into(),
        lure: "yes".into(),
        arrive: format!("{}:05", 7 + n),
        leave: format!("{}:20", 7 + n),
        ..TypedRow::default()
    };
    type Change = dyn Fn(&mut TypedRow);
    let bad: [(&Change, &str); 13] = [
        (&|r| r.stop = "99".into(), "stop"),
        (&|r| r.stop = "x".into(), "stop"),
        (&|r| r.trap = "T99".into(), "trap"),
        (&|r| r.found = "fine".into(), "found"),
        (&|r| r.found = String::new(), "found"),
        (&|r| r.looked = "maybe".into(), "looked"),
        (&|r| r.suspects = String::new(), "suspects"),
        (&|r| r.suspects = "-1".into(), "suspects"),
        (&|r| (r.looked, r.suspects) = ("no".into(), String::new()), "note"),
        (&|r| r.lure = "L-unknown".into(), "lure"),
        (&|r| r.agent = "renewed".into(), "agent"),
        (&|r| r.arrive = "25:00".into(), "arrive"),
        (&|r| r.leave = "6:00".into(), "leave"),
    ];
    for (change, column) in bad {
        let mut rows = vec![good(0), good(1)];
        change(&mut rows[1]);
        assert_eq!(problems(type_rows(&rows)), [(2, column.to_owned())]);
    }
    // The same stop twice; two places at once.
    assert_eq!(problems(type_rows(&[good(0), good(0)])), [(2, "stop".to_owned())]);
    let mut rows = vec![good(0), good(1)];
    rows[1].arrive = "7:10".into();
    assert_eq!(problems(type_rows(&rows)), [(2, "arrive".to_owned())]);
    assert_eq!(
        site.programme.revision().unwrap(),
        before,
        "nothing was half written"
    );
    let mut type_rows =
        |rows: &[TypedRow]| type_in(&mut site.programme, &site.act, &code, rows, &zone()).unwrap();
    let mut rows = vec![good(0), good(1)];
    rows[0].agent = "Yes".into();
    (rows[1].found, rows[1].looked, rows[1].suspects) = ("not reached".into(), String::new(), String::new());
    (rows[1].lure, rows[1].note) = (String::new(), "gate locked".into());
    assert_eq!(type_rows(&rows), Typed::Recorded(2));
    assert_eq!(
        problems(type_rows(&rows)),
        [(1, "stop".to_owned()), (2, "stop".to_owned())]
    );
    let stops = site.programme.stops().unwrap();
    let typed = &stops
        .iter()
        .rfind(|s| s.value.trap == round.stops[0].trap)
        .unwrap()
        .value;
    assert_eq!(typed.arrive.as_deref(), Some("2025-08-04T07:05:00-06:00"));
    assert_eq!(
        (typed.date, typed.crew.as_deref()),
        (TODAY, Some(round.crew.as_str()))
    );
    assert_eq!(typed.proved_by, Some(earlywood_journal::body::Proof::Read));
    assert!(typed.renewed.lure.is_some() && typed.renewed.killing_agent.is_some());
    assert!(typed.renewed.insert.is_none() && typed.renewed.body.is_none());
    assert_eq!(sheet(&site.programme, &code).unwrap().recorded, [1, 2]);
    assert!(matches!(
        sheet(&site.programme, "33333"),
        Err(ChainError::Unknown { .. } | ChainError::Asked { .. })
    ));
}

#[test]
fn files_hold_every_stop_and_are_the_same_every_time() {
    let mut site = Site::new();
    site.access(&[Access {
        label: "P00".into(),
        cautions: vec!["=dog, \"Rex\"; <big>".into()],
        directions: Some("Hinter dem Haus\nam Bach, äußerstes Tor; dann 水".into()),
        ..Access::default()
    }]);
    let mut ask = week();
    ask.time_zone = Some("America/Denver".into());
    let proposal = site.adopt(&ask);
    let which = Which {
        from: TODAY,
        to: date(2025, 8, 8),
        crew: None,
    };
    let export = Export::of(&site.programme, &which, zone()).unwrap();
    let stops: usize = proposal.rounds.iter().map(|r| r.stops.len()).sum();
    let rows = csv(&export).unwrap();
    assert_eq!(rows.matches("\r\n").count(), stops + 1);
    assert!(rows.contains("\"'=dog, \"\"Rex\"\"; <big>\""), "{rows}");
    let calendar = ics(&export, true).unwrap();
    assert_eq!(
        calendar.matches("BEGIN:VEVENT").count(),
        proposal.rounds.len() + stops
    );
    let first = &proposal.rounds[0];
    let utc = first
        .date
        .to_datetime(first.starts)
        .to_zoned_datetime(zone())
        .unwrap()
        .timestamp();
    assert!(calendar.contains(&format!("DTSTART:{}", utc.strftime("%Y%m%dT%H%M%SZ"))));
    assert!(calendar.lines().all(|l| l.len() <= 75));
    let route = gpx(&export);
    assert_eq!(route.matches("<rtept ").count(), stops);
    assert!(route.contains("&lt;big&gt;"));
    let again = Export::of(&site.programme, &which, zone()).unwrap();
    assert_eq!((ics(&again, true).unwrap(), gpx(&again)), (calendar, route));
    let one = Which {
        crew: Some("crew-9".into()),
        ..which.clone()
    };
    let words = Export::of(&site.programme, &one, zone()).unwrap_err().words();
    assert!(words.contains("crew-1, crew-2"), "{words}");
    let later = Which {
        from: date(2026, 1, 1),
        to: date(2026, 1, 2),
        crew: None,
    };
    assert!(Export::of(&site.programme, &later, zone()).is_err());
    assert_eq!(
        rounds::named_zone(&site.programme).unwrap().as_deref(),
        Some("America/Denver")
    );
}

/// A grid of streets through all traps but the last row, every crossing a node.
fn streets() -> Vec<Road> {
    let node = |row: usize, column: usize| i64::try_from(row * 10 + column).unwrap();
    let street = |label: String, corners: Vec<(usize, usize)>| Road {
        label,
        class: RoadClass::Local,
        oneway: Oneway::Both,
        speed_kmh: None,
        name: None,
        nodes: corners.iter().map(|&(r, c)| node(r, c)).collect(),
        line: corners
            .iter()
            .map(|&(r, c)| {
                let p = at(r * 6 + c);
                [p.lon, p.lat]
            })
            .collect(),
    };
    let along = (0..3).map(|r| street(format!("row/{r}"), (0..6).map(|c| (r, c)).collect()));
    let across = (0..6).map(|c| street(format!("column/{c}"), (0..3).map(|r| (r, c)).collect()));
    along.chain(across).collect()
}

#[test]
fn along_roads_drives_have_their_length_and_what_is_off_them_is_listed() {
    let mut site = Site::new();
    site.programme
        .load(&site.act, "roads.geojson", LoadMode::Replace, &streets())
        .unwrap();
    let proposal = site.propose(&week()).unwrap();
    assert!(
        proposal.notes.iter().any(|n| n.contains("drives follow 9 roads")),
        "{:?}",
        proposal.notes
    );
    // The last row of traps lies two kilometres from any street.
    let off: BTreeSet<&str> = proposal.left_out.iter().map(|l| l.trap.as_str()).collect();
    assert_eq!(off, ["T18", "T19", "T20", "T21", "T22", "T23"].into());
    assert!(
        proposal
            .left_out
            .iter()
            .all(|l| l.reason.contains("too far to walk"))
    );
    for round in &proposal.rounds {
        // Streets are driven at 30 km/h; stops are at crossings, so nobody walks.
        let km = round.km.unwrap();
        assert!(
            (round.drive_minutes / 60.0 * 30.0 - km).abs() < 0.05 * km + 0.1,
            "{km} {}",
            round.drive_minutes
        );
    }
    rounds::adopt(&mut site.programme, &site.act, &proposal, "a test").unwrap();
    let mut view = rounds::adopted(&site.programme, TODAY, date(2025, 8, 8)).unwrap();
    rounds::put_lines(&site.programme, view.rounds.iter_mut()).unwrap();
    for round in &view.rounds {
        // A crew whose only trap hangs at the depot drives nowhere.
        let Some(line) = round.line.as_ref() else {
            assert!(round.km.is_some_and(|km| km < 0.001), "{round:?}");
            continue;
        };
        assert!(line.len() > round.stops.len());
        assert!((line[0][1] - at(8).lat).abs() < 1e-6 && line.first() == line.last());
    }
    // With all streets closed around a trap nobody gets there, and a road that is closed must be one.
    let mut ask = week();
    ask.closed = vec![format!("{},{},{}", at(0).lat, at(0).lon, 600)];
    let closed = site.propose(&ask).unwrap();
    assert!(
        closed.left_out.iter().any(|l| l.trap == "T00"),
        "{:?}",
        closed.left_out
    );
    ask.closed = vec!["row/77".into()];
    assert!(said(site.propose(&ask)).contains("row/77"));
    // The depot in the sea.
    let mut astray = shift("crew-1");
    astray.depot = Position {
        lat: 33.5,
        lon: -100.0,
    };
    site.shifts(&[astray, shift("crew-2")]);
    let words = said(site.propose(&week()));
    assert!(
        words.contains("the depot of crew-1") && words.contains("km from the nearest road"),
        "{words}"
    );
}
