//! The questions: against brute force over the raw entries of random histories, and against examples worked by hand.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::collections::{BTreeMap, BTreeSet};

use crate::common::*;
use earlywood_journal::body::{
    Cause, Ending, HoldScope, Item, Loss, Material, Origin, PlantingOutcome, Renewal, SupplyMove,
};
use earlywood_journal::{
    Act, Body, Change, Clock, Correction, Draft, Error, HoldDeclared, HoldLifted, Level, Limit, Limits,
    LoadMode, Near, Part, PassedBy, PersonEnrolled, Planting, PlantingClosed, Programme, Refusal, Role,
    SpecimenEnded, SpecimenTaken, SpecimensAccepted, SpecimensOffered, Supply, TakeDown, TrapWrittenOff,
    Urgency, VisitMade,
};
use earlywood_model::record::{Area, Looked, Placement, Position, TrapFound, Visit, Zone};
use jiff::ToSpan as _;
use jiff::civil::Date;
use proptest::prelude::*;
use uuid::Uuid;

const LOOK: Limit = Limit {
    warn_days: 14,
    fail_days: 21,
};
const TODAY: Date = jiff::civil::date(2026, 11, 20);

fn limits() -> Limits {
    let lure = Limit {
        warn_days: 60,
        fail_days: 90,
    };
    Limits {
        look: Some(LOOK),
        lure: Some(lure),
        ..Limits::default()
    }
}

fn on(days: u16) -> Date {
    day(1, 1).saturating_add(i64::from(days).days())
}

fn plus(date: Date, days: i64) -> Date {
    date.saturating_add(days.days())
}

fn gap(from: Date, to: Date) -> i64 {
    i64::from(from.until(to).unwrap().get_days())
}

/// Places stand on one parallel, a hundredth of a degree (some 800 m) apart.
fn spot(place: u8) -> Position {
    Position::new(44.05, -121.3 + 0.01 * f64::from(place)).unwrap()
}

/// Zone Z holds places 0 and 2, and not place 1, which lies in its hole.
fn zone() -> Zone {
    let ring = |west: f64, east: f64, half: f64| {
        let (south, north) = (44.05 - half, 44.05 + half);
        vec![
            [west, south],
            [east, south],
            [east, north],
            [west, north],
            [west, south],
        ]
    };
    Zone {
        label: "Z".into(),
        area: Area(vec![vec![
            ring(-121.305, -121.275, 0.01),
            ring(-121.292, -121.288, 0.001),
        ]]),
    }
}

const IN_ZONE: [bool; 4] = [true, false, true, false];

#[derive(Debug, Clone)]
enum Attempt {
    Hang {
        trap: u8,
        place: u8,
        on: u16,
        days: Option<u16>,
    },
    Down {
        trap: u8,
        on: u16,
    },
    Off {
        trap: u8,
        on: u16,
    },
    Visit {
        trap: u8,
        on: u16,
        how: u8,
    },
    Hold {
        n: u8,
        scope: u8,
        from: u16,
        days: Option<u16>,
    },
    Lift {
        n: u8,
        on: u16,
    },
    Withdraw {
        nth: prop::sample::Index,
    },
}

fn attempt() -> impl Strategy<Value = Attempt> {
    let (t, d) = (|| 0..3_u8, || 0..320_u16);
    prop_oneof![
        5 => (t(), 0..4_u8, d(), prop::option::weighted(0.4, 0..150_u16))
            .prop_map(|(trap, place, on, days)| Attempt::Hang { trap, place, on, days }),
        2 => (t(), d()).prop_map(|(trap, on)| Attempt::Down { trap, on }),
        1 => (t(), d()).prop_map(|(trap, on)| Attempt::Off { trap, on }),
        12 => (t(), d(), 0..5_u8).prop_map(|(trap, on, how)| Attempt::Visit { trap, on, how }),
        2 => (0..4_u8, 0..6_u8, d(), prop::option::of(0..60_u16))
            .prop_map(|(n, scope, from, days)| Attempt::Hold { n, scope, from, days }),
        1 => (0..4_u8, d()).prop_map(|(n, on)| Attempt::Lift { n, on }),
        1 => any::<prop::sample::Index>().prop_map(|nth| Attempt::Withdraw { nth }),
    ]
}

fn stop(trap: u8, date: Date, how: u8) -> Visit {
    let (found, looked, suspects) = match how {
        0 => (TrapFound::NotReached, Looked::No, None),
        1 => (TrapFound::Working, Looked::Partly, Some(0)),
        2 => (TrapFound::Impaired, Looked::No, None),
        _ => (TrapFound::Working, Looked::Fully, Some(0)),
    };
    Visit {
        found,
        looked,
        suspects,
        exception: (how == 0).then(|| "gate locked".into()),
        ..visit(&format!("t{trap}"), date)
    }
}

fn scope(n: u8) -> HoldScope {
    match n {
        0 => HoldScope::All,
        1 | 2 => HoldScope::Zones(vec!["Z".into()]),
        3 => HoldScope::Places(vec!["p1".into(), "p3".into()]),
        4 => HoldScope::Traps(vec!["t0".into()]),
        _ => HoldScope::Zones(vec!["no such zone".into()]),
    }
}

fn body_of(p: &Programme, attempt: &Attempt) -> Body {
    match attempt {
        Attempt::Hang {
            trap,
            place,
            on: d,
            days,
        } => Body::TrapPlaced(Placement {
            place: format!("p{place}"),
            position: spot(*place),
            ..placement(&format!("t{trap}"), on(*d), days.map(|n| on((d + n).min(320))))
        }),
        Attempt::Down { trap, on: d } => Body::TrapTakenDown(TakeDown {
            trap: format!("t{trap}"),
            date: on(*d),
            reason: None,
        }),
        Attempt::Off { trap, on: d } => Body::TrapWrittenOff(TrapWrittenOff {
            trap: format!("t{trap}"),
            date: on(*d),
            why: Loss::Stolen,
            note: None,
        }),
        Attempt::Visit { trap, on: d, how } => {
            Body::VisitMade(VisitMade::from_visit(&stop(*trap, on(*d), *how)))
        }
        Attempt::Hold {
            n,
            scope: s,
            from,
            days,
        } => Body::HoldDeclared(HoldDeclared {
            hold: format!("h{n}"),
            cause: Cause::Smoke,
            scope: scope(*s),
            from: on(*from),
            to: days.map(|n| on(from + n)),
            note: None,
        }),
        Attempt::Lift { n, on: d } => Body::HoldLifted(HoldLifted {
            hold: format!("h{n}"),
            date: on(*d),
        }),
        Attempt::Withdraw { nth } => {
            let log = whole_log(p);
            Body::Correction(Correction {
                corrects: log[nth.index(log.len())].id,
                reason: "not so".into(),
                change: Change::Withdraw,
            })
        }
    }
}

/// The bodies that stand, out of the journal itself.
fn standing(p: &Programme) -> Vec<(Uuid, Body)> {
    let all: Vec<(Uuid, Body)> = whole_log(p).iter().map(|e| (e.id, e.body().unwrap())).collect();
    let gone: BTreeSet<Uuid> = all
        .iter()
        .filter_map(|(_, body)| match body {
            Body::Correction(c) => Some(c.corrects),
            _ => None,
        })
        .collect();
    all.into_iter().filter(|(id, _)| !gone.contains(id)).collect()
}

/// A placement as the raw entries tell it. Nothing illegal was appended, so an end belongs to the last hanging before it.
#[derive(Debug, Clone)]
struct Raw {
    placed: Placement,
    ended: Option<Date>,
    lost: bool,
}

fn raw_placements(facts: &[(Uuid, Body)]) -> Vec<Raw> {
    let mut raw: Vec<Raw> = Vec::new();
    for (_, body) in facts {
        if let Body::TrapPlaced(placed) = body {
            raw.push(Raw {
                ended: placed.taken_down,
                placed: placed.clone(),
                lost: false,
            });
        }
    }
    let mut ends: Vec<(Date, &String, bool)> = facts
        .iter()
        .filter_map(|(_, body)| match body {
            Body::TrapTakenDown(b) => Some((b.date, &b.trap, false)),
            Body::TrapWrittenOff(b) => Some((b.date, &b.trap, true)),
            _ => None,
        })
        .collect();
    ends.sort_by_key(|(date, _, lost)| (*date, *lost));
    for (date, trap, lost) in ends {
        // The one open then; a trap in store can be written off without leaving a place.
        let open = raw
            .iter_mut()
            .filter(|r| r.placed.trap == *trap && r.placed.hung <= date && r.ended.is_none())
            .min_by_key(|r| r.placed.hung);
        if let Some(r) = open {
            (r.ended, r.lost) = (Some(date), lost);
        }
    }
    raw
}

fn visits_of<'a>(facts: &'a [(Uuid, Body)], r: &'a Raw) -> impl Iterator<Item = (Uuid, &'a VisitMade)> {
    facts.iter().filter_map(move |(id, body)| match body {
        Body::VisitMade(v)
            if v.trap == r.placed.trap
                && r.placed.hung <= v.date
                && r.ended.is_none_or(|end| v.date <= end) =>
        {
            Some((*id, v))
        }
        _ => None,
    })
}

fn held(facts: &[(Uuid, Body)], r: &Raw, day: Date) -> bool {
    let place: u8 = r.placed.place[1..].parse().unwrap();
    facts.iter().any(|(_, body)| {
        let Body::HoldDeclared(h) = body else { return false };
        let covers = match &h.scope {
            HoldScope::All => true,
            HoldScope::Zones(z) => z.contains(&"Z".to_owned()) && IN_ZONE[usize::from(place)],
            HoldScope::Places(p) => p.contains(&r.placed.place),
            HoldScope::Traps(t) => t.contains(&r.placed.trap),
        };
        let lifted = facts.iter().any(|(_, body)| {
            matches!(body, Body::HoldLifted(l) if l.hold == h.hold && h.from <= l.date && l.date <= day)
        });
        covers && h.from <= day && h.to.is_none_or(|to| day <= to) && !lifted
    })
}

/// What became of a day, by asking of every beginning of the clock whether a stop was due then.
fn outcome(r: &Raw, looks: &BTreeSet<Date>, day: Date) -> Option<&'static str> {
    let (every, grace) = (
        i64::from(LOOK.warn_days),
        i64::from(LOOK.fail_days - LOOK.warn_days),
    );
    if day <= r.placed.hung || r.ended.is_some_and(|end| end < day) {
        return None;
    }
    let mut starts = looks.clone();
    starts.insert(r.placed.hung);
    for start in starts {
        let since = gap(start, day);
        if since <= 0 || since % every != 0 {
            continue;
        }
        let next = looks.iter().copied().find(|look| *look > start);
        match next {
            Some(next) if next <= day && (since == every || next == day) => return Some("on time"),
            Some(next) if next < day => {}
            Some(next) if gap(day, next) <= grace && gap(day, next) < every => return Some("late"),
            _ => return Some("missed"),
        }
    }
    None
}

fn check_overdue(p: &Programme, facts: &[(Uuid, Body)], raw: &[Raw]) -> Result<(), TestCaseError> {
    let mut expected = BTreeMap::new();
    for r in raw.iter().filter(|r| r.ended.is_none()) {
        let (mut look, mut reached) = (r.placed.hung, None);
        for (_, v) in visits_of(facts, r).filter(|(_, v)| v.found != TrapFound::NotReached) {
            reached = reached.max(Some(v.date));
            if v.looked == Looked::Fully {
                look = look.max(v.date);
            }
        }
        let excused = (1..=gap(look, TODAY))
            .filter(|n| held(facts, r, plus(look, *n)))
            .count() as i64;
        let (days, lure) = (gap(look, TODAY), gap(r.placed.hung, TODAY));
        if days >= 14 || lure >= 60 {
            let level = if days >= 21 || lure >= 90 {
                Level::Fail
            } else {
                Level::Warn
            };
            expected.insert(r.placed.trap.clone(), (look, days, excused, reached, level));
        }
    }
    let found = p.overdue(TODAY, &limits()).unwrap();
    for pair in found.windows(2) {
        prop_assert!((pair[0].worst, pair[0].past_days) >= (pair[1].worst, pair[1].past_days));
    }
    let found: BTreeMap<String, _> = found
        .into_iter()
        .map(|due| {
            let look = due.clocks.iter().find(|c| c.clock == Clock::Look).unwrap();
            let told = (look.last, look.days, look.excused_days, due.last_visit, due.worst);
            assert_eq!(due.never_visited, due.last_visit.is_none());
            (due.trap, told)
        })
        .collect();
    prop_assert_eq!(found, expected);
    Ok(())
}

fn check_month(
    p: &Programme,
    facts: &[(Uuid, Body)],
    raw: &[Raw],
    (from, to): (Date, Date),
) -> Result<u64, TestCaseError> {
    let month = p.month(from, to, &limits()).unwrap();
    let within = |day: Date| from <= day && day <= to;
    let count = |which: &dyn Fn(&Raw) -> bool| raw.iter().filter(|r| which(r)).count() as u64;
    let t = &month.traps;
    prop_assert_eq!(
        t.out_at_start,
        count(&|r| r.placed.hung < from && r.ended.is_none_or(|e| from <= e))
    );
    prop_assert_eq!(t.hung, count(&|r| within(r.placed.hung)));
    prop_assert_eq!(t.taken_down, count(&|r| !r.lost && r.ended.is_some_and(within)));
    prop_assert_eq!(t.written_off, count(&|r| r.lost && r.ended.is_some_and(within)));
    prop_assert_eq!(
        t.out_at_end,
        count(&|r| r.placed.hung <= to && r.ended.is_none_or(|e| to < e))
    );
    prop_assert_eq!(
        t.out_at_start + t.hung,
        t.taken_down + t.written_off + t.out_at_end
    );
    prop_assert!(month.differences.is_empty(), "{:?}", month.differences);
    prop_assert_eq!(month.trap_books.gap(), 0);
    let mut tally: BTreeMap<&str, u64> = BTreeMap::new();
    for r in raw {
        let looks: BTreeSet<Date> = visits_of(facts, r)
            .filter(|(_, v)| v.found != TrapFound::NotReached && v.looked == Looked::Fully)
            .map(|(_, v)| v.date)
            .collect();
        for n in 0..=gap(from, to) {
            let day = plus(from, n);
            match outcome(r, &looks, day) {
                Some("missed") if held(facts, r, day) => *tally.entry("excused").or_default() += 1,
                Some(words) => *tally.entry(words).or_default() += 1,
                None => {}
            }
        }
    }
    let of = |words: &str| tally.get(words).copied().unwrap_or(0);
    let s = &month.stops;
    prop_assert_eq!(
        (s.on_time, s.late, s.excused, s.missed),
        (of("on time"), of("late"), of("excused"), of("missed"))
    );
    prop_assert_eq!(s.due, tally.values().sum::<u64>());
    prop_assert_eq!(s.missed, s.missed_why.iter().map(|why| why.count).sum::<u64>());
    let made = facts
        .iter()
        .filter(|(_, b)| matches!(b, Body::VisitMade(v) if within(v.date)));
    prop_assert_eq!(s.visits, made.count() as u64);
    prop_assert_eq!(&month, &p.month(from, to, &limits()).unwrap());
    Ok(s.due)
}

fn check_last_on(p: &Programme, facts: &[(Uuid, Body)], raw: &[Raw]) -> Result<(), TestCaseError> {
    let since = day(4, 1);
    for place in 0..4_u8 {
        // Half a hundredth of a degree, and half as much again: one place, and three in a row.
        for (radius_m, reach) in [(400.0, 0), (1200.0, 1)] {
            let mut expected: Vec<(Date, Uuid)> = Vec::new();
            for r in raw {
                let other: i16 = r.placed.place[1..].parse().unwrap();
                if (other - i16::from(place)).abs() <= reach {
                    expected.extend(visits_of(facts, r).map(|(id, v)| (v.date, id)));
                }
            }
            expected.retain(|(day, _)| *day >= since);
            expected.sort_unstable();
            expected.dedup();
            expected.reverse();
            let near = Near::Point {
                position: spot(place),
                radius_m,
            };
            let found: Vec<_> = p
                .last_on(&near, Some(since))
                .unwrap()
                .iter()
                .map(|x| (x.day, x.entry))
                .collect();
            prop_assert_eq!(&found, &expected);
            if reach == 0 {
                let near = Near::Place(format!("p{place}"));
                let by_label = p.last_on(&near, Some(since)).unwrap();
                prop_assert_eq!(
                    by_label.iter().map(|x| (x.day, x.entry)).collect::<Vec<_>>(),
                    expected
                );
            }
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, max_shrink_iters: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn answers_are_those_of_brute_force(history in prop::collection::vec(attempt(), 1..60)) {
        let (_dir, _path, mut p) = new_programme();
        p.load_zones(&act(), "zones.geojson", LoadMode::Add, &[zone()]).unwrap();
        for attempt in &history {
            let body = body_of(&p, attempt);
            match p.append(&act(), Draft::from(body)) {
                Ok(_) | Err(Error::Refused { .. }) => {}
                Err(error) => return Err(TestCaseError::fail(format!("{attempt:?}: {error}"))),
            }
        }
        let facts = standing(&p);
        let raw = raw_placements(&facts);
        check_overdue(&p, &facts, &raw)?;
        check_last_on(&p, &facts, &raw)?;
        let mut due = 0;
        for month in 1..=10 {
            let from = day(month, 1);
            due += check_month(&p, &facts, &raw, (from, from.last_of_month()))?;
        }
        // Months add up to their year: no due day falls between two, none into both.
        let whole = p.month(day(1, 1), day(10, 31), &limits()).unwrap();
        prop_assert_eq!(whole.stops.due, due);
        p.rebuild().unwrap();
        prop_assert_eq!(p.month(day(1, 1), day(10, 31), &limits()).unwrap(), whole);
    }
}

fn at(person: &str, time: &str) -> Act {
    Act::new(
        person,
        format!("2026-07-{time}:00-07:00[-07:00]").parse().unwrap(),
    )
    .unwrap()
}

fn enrol(p: &mut Programme, person: &str, role: Role) {
    let enrolled = PersonEnrolled {
        person: person.into(),
        roles: vec![role],
        from: day(1, 1),
        to: None,
    };
    p.enrol_person(&at("lead", "01T08:00"), enrolled).unwrap();
}

fn taken(specimen: &str, from: Origin) -> Body {
    Body::SpecimenTaken(SpecimenTaken {
        specimen: specimen.into(),
        what: Material::Insect,
        from,
        count: None,
        container: None,
        kept_in: None,
        suspected: None,
        note: None,
        photos: Vec::new(),
    })
}

#[test]
fn a_specimen_on_its_way() {
    let (_dir, _path, mut p) = new_programme();
    enrol(&mut p, "p-1", Role::Inspector);
    enrol(&mut p, "p-2", Role::Identifier);
    p.record_placements(&at("lead", "01T08:00"), &[placement("A", day(6, 1), None)])
        .unwrap();
    let from = Origin::Trap {
        trap: "A".into(),
        date: day(7, 2),
    };
    p.append(&at("p-1", "02T09:00"), taken("S-1", from)).unwrap();
    let unknown = p.whereabouts(&at("p-1", "02T10:00"), "S-9").unwrap();
    assert_eq!(
        (unknown.state.as_str(), unknown.holder, unknown.custody.len()),
        ("unknown", None, 0)
    );
    let offered = Body::SpecimensOffered(SpecimensOffered {
        handover: "H-1".into(),
        specimens: vec!["S-1".into()],
        from: "p-1".into(),
        to: "p-2".into(),
        place: None,
        seal: None,
        seal_intact: None,
        condition: None,
        purpose: "to be named".into(),
        containers: 1,
    });
    p.append(&at("p-1", "02T12:00"), offered).unwrap();
    let now = |act: Act| act.now().timestamp();
    let late = p.unanswered(now(at("p-1", "03T12:00")), 24).unwrap();
    assert_eq!(late.len(), 1);
    assert_eq!((late[0].handover.as_str(), late[0].to.as_str()), ("H-1", "p-2"));
    assert_eq!(late[0].specimens, ["S-1"]);
    assert!(p.unanswered(now(at("p-1", "03T11:59")), 24).unwrap().is_empty());
    let tray = p.in_tray("p-2").unwrap();
    assert_eq!((tray.len(), tray[0].urgency), (1, Urgency::Answer));
    assert!(
        p.in_tray("p-1").unwrap().is_empty(),
        "what was offered on waits for the other"
    );
    // Still in the first hands until it was accepted.
    let open = p.whereabouts(&at("p-1", "02T13:00"), "S-1").unwrap();
    assert_eq!(
        (open.state.as_str(), open.holder.as_deref()),
        ("offered", Some("p-1"))
    );
    assert_eq!(open.open_offer.unwrap().to, "p-2");
    assert_eq!((open.trap.as_deref(), open.day), (Some("A"), Some(day(7, 2))));
    let accepted = Body::SpecimensAccepted(SpecimensAccepted {
        handover: "H-1".into(),
        by: "p-2".into(),
        containers: 1,
        seal_intact: None,
        condition: None,
    });
    p.append(&at("p-2", "03T13:00"), accepted).unwrap();
    assert!(p.unanswered(now(at("p-1", "09T12:00")), 0).unwrap().is_empty());
    assert_eq!(p.in_tray("p-2").unwrap()[0].urgency, Urgency::Look);
    let ended = SpecimenEnded {
        specimen: "S-1".into(),
        how: Ending::Destroyed,
        where_: None,
        by: "p-2".into(),
        note: None,
    };
    p.append(&at("p-2", "05T10:00"), Body::SpecimenEnded(ended))
        .unwrap();
    let end = p.whereabouts(&at("p-1", "06T10:00"), "S-1").unwrap();
    assert_eq!((end.state.as_str(), end.holder), ("destroyed", None));
    let hands: Vec<_> = end
        .custody
        .iter()
        .map(|c| (c.by.as_str(), c.from, c.to))
        .collect();
    let instant = |time: &str| now(at("p-1", time));
    assert_eq!(
        hands,
        [
            ("p-1", instant("02T09:00"), Some(instant("03T13:00"))),
            ("p-2", instant("03T13:00"), Some(instant("05T10:00"))),
        ]
    );
    let july = p.month(day(7, 1), day(7, 31), &limits()).unwrap();
    assert_eq!(
        (
            july.specimens.taken,
            july.specimens.determined,
            july.specimens.pending.len()
        ),
        (1, 0, 0)
    );
}

#[test]
fn a_lot_is_traced_into_its_traps_and_out_again() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    let hung = |trap: &str| placement(trap, day(5, 1), None);
    p.record_placements(&act, &[hung("A"), hung("B"), hung("C"), hung("D")])
        .unwrap();
    let received = SupplyMove::Received {
        item: Item::Lure,
        target: None,
        quantity: 50,
        made: None,
        expires: None,
        storage: None,
        storage_c: None,
    };
    let issued = SupplyMove::Issued {
        quantity: 8,
        to: "lead".into(),
    };
    for what in [received, issued] {
        p.append(
            &act,
            Body::Supply(Supply {
                lot: "L-1".into(),
                what,
            }),
        )
        .unwrap();
    }
    let renew = |trap: &str, month, lot: Option<&str>| {
        let mut visit = VisitMade::from_visit(&visit(trap, day(month, 10)));
        visit.renewed.lure = Some(Renewal {
            lot: lot.map(str::to_owned),
        });
        visit
    };
    let stops = [
        renew("A", 6, Some("L-1")),
        renew("A", 7, Some("L-2")),
        renew("B", 6, Some("L-1")),
        renew("B", 8, Some("L-1")),
        renew("C", 6, Some("L-1")),
        renew("D", 6, Some("L-2")),
    ];
    p.record_stops(&act, &stops).unwrap();
    p.take_down(
        &act,
        TakeDown {
            trap: "C".into(),
            date: day(9, 1),
            reason: None,
        },
    )
    .unwrap();
    let trace = p.lot_trace("L-1").unwrap();
    let stock = trace.stock.as_ref().unwrap();
    assert_eq!((stock.received, stock.in_store, stock.issued), (50, 42, 8));
    assert_eq!((trace.moves.len(), trace.visits.len()), (2, 4));
    assert!(trace.visits.iter().all(|visit| visit.put_into == [Part::Lure]));
    let spans: Vec<_> = trace
        .carried
        .iter()
        .map(|c| (c.trap.as_str(), c.from, c.to))
        .collect();
    assert_eq!(
        spans,
        [
            ("A", day(6, 10), Some(day(7, 10))),
            ("B", day(6, 10), None),
            ("C", day(6, 10), Some(day(9, 1))),
        ]
    );
    assert_eq!(trace.traps_now, ["B"]);
    assert_eq!(trace.window, Some((day(6, 10), None)));
    let none = p.lot_trace("L-9").unwrap();
    assert_eq!((none.stock, none.window, none.visits.len()), (None, None, 0));
    let june = p.month(day(6, 1), day(6, 30), &limits()).unwrap();
    let used: Vec<_> = june
        .supplies
        .iter()
        .map(|lot| (lot.lot.as_str(), lot.used))
        .collect();
    assert_eq!(used, [("L-1", 3), ("L-2", 1)]);
}

/// Plants so many, of which so many come back; the rest is missed.
fn planted(recovered: u32, total: u32) -> (tempfile::TempDir, Programme) {
    let (dir, _path, mut p) = new_programme();
    let act = act();
    p.record_placements(&act, &[placement("A", day(5, 1), None)])
        .unwrap();
    for n in 0..total {
        let planting = Planting {
            salt: format!("{n:032x}"),
            planting: format!("Q-{n}"),
            trap: "A".into(),
            date: day(6, 1),
            species: "Agrilus planipennis".into(),
            mark: "left wing clipped".into(),
            specimens: vec![format!("M-{n}")],
            by: "lead".into(),
        };
        p.plant(&act, &planting).unwrap();
        let outcome = if n < recovered {
            let specimen = format!("S-{n}");
            let from = Origin::Trap {
                trap: "A".into(),
                date: day(6, 10),
            };
            p.append(&act, taken(&specimen, from)).unwrap();
            PlantingOutcome::Recovered { specimen }
        } else {
            PlantingOutcome::Missed {}
        };
        let closed = PlantingClosed {
            planting: format!("Q-{n}"),
            outcome,
            by: "lead".into(),
            date: day(6, 12),
        };
        p.close_planting(&act, closed).unwrap();
    }
    (dir, p)
}

/// One-sided 95 % bounds as the trade states them: 9/10 at least 61 %, 27/30 76 %, 90/100 84 % (rounded).
#[test]
fn recovered_shares_come_with_what_they_prove() {
    for (recovered, total, percent) in [(9, 10, 61.0_f64), (27, 30, 76.0), (90, 100, 84.0)] {
        let (_dir, p) = planted(recovered, total);
        let told = p.planted_recovery(&act(), None, None, 0.95).unwrap();
        assert!(
            (told.at_least * 100.0 - percent).abs() <= 0.6,
            "{} of {total}: {}",
            recovered,
            told.at_least
        );
        assert_eq!(
            (told.share.successes(), told.share.trials()),
            (u64::from(recovered), u64::from(total))
        );
        assert_eq!((told.planted, told.open, told.lost), (u64::from(total), 0, 0));
        assert!(told.at_most > told.share.point().unwrap());
    }
}

#[test]
fn an_audit_is_not_for_everybody() {
    let (_dir, mut p) = planted(1, 2);
    enrol(&mut p, "p-1", Role::Inspector);
    let crew = Act::new("p-1", act().now().clone()).unwrap();
    let refused = p.planted_recovery(&crew, None, None, 0.95);
    assert!(matches!(
        refused,
        Err(Error::Refused { refusal, .. }) if matches!(*refusal, Refusal::NotEntitled { .. })
    ));
    assert!(p.planted_recovery(&act(), None, None, 1.0).is_err());
    // Outside the days asked for there is nothing, and nothing is known of the share.
    let none = p.planted_recovery(&act(), Some(day(6, 2)), None, 0.95).unwrap();
    assert_eq!((none.planted, none.at_least, none.at_most), (0, 0.0, 1.0));
    // What came back is planted for those who may know, and no find for anybody.
    assert_eq!(
        p.whereabouts(&act(), "S-0").unwrap().planted.as_deref(),
        Some("Q-0")
    );
    assert_eq!(p.whereabouts(&crew, "S-0").unwrap().planted, None);
    let june = p.month(day(6, 1), day(6, 30), &limits()).unwrap();
    assert_eq!(
        (june.planted.recovered, june.planted.missed, june.planted.lost),
        (1, 1, 0)
    );
    assert!(june.specimens.pending.is_empty());
}

#[test]
fn limits_and_spans_that_cannot_be_are_refused() {
    let (_dir, _path, p) = new_programme();
    let with = |warn_days, fail_days| Limits {
        look: Some(Limit { warn_days, fail_days }),
        ..Limits::default()
    };
    assert!(p.overdue(TODAY, &with(0, 5)).is_err());
    assert!(p.overdue(TODAY, &with(6, 5)).is_err());
    assert!(p.overdue(TODAY, &with(5, 5)).unwrap().is_empty());
    assert!(p.month(day(6, 30), day(6, 1), &limits()).is_err());
    let near = |radius_m| Near::Point {
        position: position(),
        radius_m,
    };
    assert!(p.last_on(&near(-1.0), None).is_err());
    assert!(p.last_on(&near(f64::NAN), None).is_err());
    assert!(p.last_on(&near(0.0), None).unwrap().is_empty());
}

/// A stop counts where the crew says it looked, and where the trap hung only if they do not say.
#[test]
fn a_stop_was_where_the_crew_looked() {
    let (_dir, _path, mut p) = new_programme();
    let act = act();
    p.record_placements(
        &act,
        &[
            placement("A", day(5, 1), Some(day(6, 1))),
            Placement {
                place: "elsewhere".into(),
                ..placement("A", day(6, 1), None)
            },
        ],
    )
    .unwrap();
    let mut stray = VisitMade::from_visit(&visit("A", day(6, 10)));
    stray.place = Some("place of A".into());
    let plain = VisitMade::from_visit(&visit("A", day(6, 20)));
    p.record_stops(&act, &[stray, plain]).unwrap();
    let days = |place: &str| -> Vec<Date> {
        let passed = p.last_on(&Near::Place(place.into()), None).unwrap();
        assert!(
            passed
                .iter()
                .all(|x| x.what == PassedBy::Visit && x.place.as_deref() == Some(place))
        );
        passed.iter().map(|x| x.day).collect()
    };
    assert_eq!(days("place of A"), [day(6, 10)]);
    assert_eq!(days("elsewhere"), [day(6, 20)]);
}

/// Two offices take the same trap down, each on its own day: one take-down counts, the other is told, on either side alike.
#[test]
fn what_two_offices_did_at_once_is_a_difference_in_words() {
    let (dir, _path, mut first) = new_programme();
    let act = act();
    let now = act.now().timestamp();
    first
        .record_placements(
            &act,
            &[placement("A", day(6, 1), None), placement("B", day(6, 1), None)],
        )
        .unwrap();
    let copy = dir.path().join("second.earlywood");
    first.backup(&copy).unwrap();
    let mut second = Programme::open(&copy).unwrap();
    let request = second.join(now).unwrap();
    first.enrol_device(&act, request, None).unwrap();
    second.merge_file(now, first.path()).unwrap();
    let down = |d| TakeDown {
        trap: "A".into(),
        date: day(7, d),
        reason: None,
    };
    first.take_down(&act, down(1)).unwrap();
    second.take_down(&act, down(5)).unwrap();
    second.merge_file(now, first.path()).unwrap();
    drop(first);
    let first = Programme::open(&dir.path().join("test.earlywood")).unwrap();
    let july = first.month(day(7, 1), day(7, 31), &limits()).unwrap();
    assert_eq!(july, second.month(day(7, 1), day(7, 31), &limits()).unwrap());
    assert_eq!(
        (
            july.traps.out_at_start,
            july.traps.taken_down,
            july.traps.out_at_end
        ),
        (2, 1, 1)
    );
    assert_eq!(july.conflicts_open, 1);
    assert_eq!(july.differences.len(), 1);
    assert!(
        july.differences[0].contains("A on 2026-07-05"),
        "{}",
        july.differences[0]
    );
    // Of A, due on 15 June and never after 1 July; of B, every fortnight.
    assert_eq!((july.stops.due, july.stops.missed), (2, 2));
}
