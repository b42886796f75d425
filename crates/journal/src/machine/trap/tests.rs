#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;

use jiff::civil::date;
use proptest::prelude::*;

use super::*;

fn id(n: u128) -> Uuid {
    Uuid::from_u128(n)
}

fn on(day: i8) -> Date {
    date(2026, 4, day)
}

fn event(n: u128, day: i8, what: Move) -> Event {
    Event::new(id(n), on(day), what)
}

fn hang(n: u128, day: i8, place: &str) -> Event {
    placement(id(n), place, on(day), None).remove(0)
}

fn down(n: u128, day: i8) -> Event {
    event(n, day, Move::TakeDown { placement: None })
}

fn visit_of(n: u128, day: i8, kind: VisitKind, found: TrapFound) -> Event {
    event(n, day, Move::Visit { found, kind })
}

fn visit(n: u128, day: i8) -> Event {
    visit_of(n, day, VisitKind::Service, TrapFound::Working)
}

fn lose(n: u128, day: i8) -> Event {
    event(n, day, Move::WriteOff { why: "stolen".into() })
}

/// Every state of the table, as of 10 April.
fn states() -> Vec<(&'static str, Trap)> {
    let a = |state| Trap {
        label: "A".into(),
        registered: None,
        state,
    };
    let hanging = |until| State::Hanging {
        place: "P".into(),
        placement: id(1),
        since: on(5),
        until,
        condition: Condition::Working,
    };
    vec![
        ("unknown", a(State::Unknown)),
        (
            "stored",
            a(State::Stored {
                since: on(5),
                down: None,
            }),
        ),
        (
            "down before",
            a(State::Stored {
                since: on(9),
                down: Some(on(9)),
            }),
        ),
        (
            "down today",
            a(State::Stored {
                since: on(10),
                down: Some(on(10)),
            }),
        ),
        ("hanging", a(hanging(None))),
        ("hanging until", a(hanging(Some(on(20))))),
        (
            "written off",
            a(State::WrittenOff {
                why: "stolen".into(),
                since: on(8),
            }),
        ),
    ]
}

#[test]
fn every_move_from_every_state() {
    let moves: Vec<(&str, Move)> = vec![
        ("register", Move::Register),
        ("hang", hang(7, 10, "Q").what),
        ("visit", visit(7, 10).what),
        ("determined", Move::Determined),
        ("take down", down(7, 10).what),
        (
            "take down P",
            Move::TakeDown {
                placement: Some(id(1)),
            },
        ),
        (
            "take down other",
            Move::TakeDown {
                placement: Some(id(2)),
            },
        ),
        ("write off", lose(7, 10).what),
        ("come back", Move::ComeBack),
    ];
    // One line per state, one word per move: the state after it, or the reason.
    let table = "
        unknown       | Stored Hanging UnknownTrap UnknownTrap UnknownTrap UnknownTrap UnknownTrap UnknownTrap UnknownTrap
        stored        | Stored Hanging NotHanging NotHanging NotHanging NotHanging NotHanging WrittenOff NotWrittenOff
        down before   | Stored Hanging AfterTakeDown AfterTakeDown DownAlready DownAlready DownAlready WrittenOff NotWrittenOff
        down today    | Stored Hanging Stored Stored DownAlready DownAlready DownAlready WrittenOff NotWrittenOff
        hanging       | Hanging HangsAlready Hanging Hanging Stored Stored OtherPlacement WrittenOff NotWrittenOff
        hanging until | Hanging HangsAlready Hanging Hanging DownAlready Stored OtherPlacement WrittenOff NotWrittenOff
        written off   | WrittenOff !WrittenOff !WrittenOff !WrittenOff !WrittenOff !WrittenOff !WrittenOff !WrittenOff Stored";
    let mut asserted = 0;
    for ((name, trap), line) in states().iter().zip(table.trim().lines()) {
        let (title, words) = line.split_once('|').unwrap();
        assert_eq!(title.trim(), *name);
        for ((what, step), expected) in moves.iter().zip(words.split_whitespace()) {
            let got = match trap.step(&event(7, 10, step.clone())) {
                Ok(next) => format!("{:?}", next.state),
                Err(why) if expected.starts_with('!') => format!("!{why:?}"),
                Err(why) => format!("{why:?}"),
            };
            let got = got.split([' ', '{']).next().unwrap();
            assert_eq!(got, expected, "{what} from {name}");
            asserted += 1;
        }
        let again = Trap {
            registered: Some(on(1)),
            ..trap.clone()
        };
        let why = again.step(&event(7, 10, Move::Register)).unwrap_err();
        assert!(matches!(why, Illegal::RegisteredAlready { since, .. } if since == on(1)));
    }
    assert_eq!(asserted, 63);
}

#[test]
fn the_condition_is_as_last_found() {
    use TrapFound::*;
    for (found, expected) in [
        (Working, Condition::Working),
        (Impaired, Condition::Impaired),
        (Down, Condition::Down),
        (Gone, Condition::Missing),
        (NotReached, Condition::Impaired),
    ] {
        let before = visit_of(2, 2, VisitKind::Service, Impaired);
        let events = [hang(1, 1, "P"), before, visit_of(3, 3, VisitKind::Service, found)];
        let State::Hanging { condition, .. } = fold("A", &events).trap.state else {
            panic!("it hangs")
        };
        assert_eq!(condition, expected);
    }
}

#[test]
fn what_is_done_on_one_day_needs_no_order() {
    let mut day = [
        visit(12, 10),
        down(11, 10),
        hang(10, 10, "Q"),
        event(13, 10, Move::Determined),
    ];
    for _ in 0..4 {
        day.rotate_left(1);
        let mut events = vec![hang(1, 1, "P")];
        events.extend(day.iter().cloned());
        let folded = fold("A", &events);
        assert_eq!(folded.illegal, []);
        let spans = spans(&folded);
        assert_eq!(spans.len(), 2);
        assert_eq!(
            (spans[0].place.as_str(), spans[0].ended.clone()),
            ("P", Some((on(10), How::TakenDown { by: id(11) })))
        );
        assert_eq!(
            (spans[1].place.as_str(), spans[1].hung, &spans[1].ended),
            ("Q", on(10), &None)
        );
    }
    // Found gone and written off on one day; taken down and written off on one day.
    let gone = visit_of(9, 5, VisitKind::TakeDown, TrapFound::Gone);
    let folded = fold("A", &[hang(1, 1, "P"), lose(2, 5), gone]);
    assert_eq!(folded.illegal, []);
    let why = "stolen".into();
    assert_eq!(
        spans(&folded)[0].ended,
        Some((on(5), How::WrittenOff { by: id(2), why }))
    );
    let folded = fold("A", &[hang(1, 1, "P"), lose(2, 5), down(9, 5)]);
    assert_eq!(folded.illegal, []);
    assert_eq!(
        spans(&folded)[0].ended,
        Some((on(5), How::TakenDown { by: id(9) }))
    );
}

#[test]
fn a_take_down_that_did_not_reach_the_trap_leaves_it_hanging() {
    assert!(!Move::takes_down(VisitKind::TakeDown, TrapFound::NotReached));
    assert!(Move::takes_down(VisitKind::TakeDown, TrapFound::Gone));
    assert!(!Move::takes_down(VisitKind::Service, TrapFound::Working));
    let locked = visit_of(2, 5, VisitKind::TakeDown, TrapFound::NotReached);
    let folded = fold("A", &[hang(1, 1, "P"), locked, visit(3, 8)]);
    assert_eq!(folded.illegal, []);
    assert!(matches!(folded.trap.state, State::Hanging { .. }));
}

#[test]
fn refusals_say_what_is_the_matter() {
    let history = [hang(1, 5, "P-3"), visit(2, 10), down(3, 20)];
    let words = |candidates: &[Event]| would_refuse("A-1", &history, candidates).map(|why| why.to_string());
    assert_eq!(words(&[visit(9, 5)]), None);
    assert_eq!(words(&[visit(9, 20)]), None);
    assert_eq!(
        words(&[visit(9, 4)]).unwrap(),
        "trap \"A-1\" was first hung on 2026-04-05, after 2026-04-04"
    );
    assert_eq!(
        words(&[visit(9, 21)]).unwrap(),
        "trap \"A-1\" was taken down on 2026-04-20, before 2026-04-21, and not hung again by then"
    );
    assert_eq!(
        words(&[down(9, 25)]).unwrap(),
        "trap \"A-1\" does not hang: it was taken down on 2026-04-20"
    );
    assert_eq!(
        words(&[hang(9, 10, "P-4")]).unwrap(),
        "trap \"A-1\" hangs at \"P-3\" since 2026-04-05: take it down first"
    );
    assert_eq!(
        words(&[hang(9, 1, "P-4")]).unwrap(),
        "trap \"A-1\" hangs at \"P-3\" since 2026-04-05 until 2026-04-20: take it down first"
    );
    assert_eq!(words(&placement(id(9), "P-4", on(1), Some(on(5)))), None);
    assert_eq!(words(&placement(id(9), "P-4", on(20), Some(on(22)))), None);
    assert_eq!(words(&placement(id(9), "P-4", on(20), None)), None);
    assert_eq!(
        words(&placement(id(9), "P-4", on(1), Some(on(6)))).unwrap(),
        "trap \"A-1\" hangs at \"P-3\" since 2026-04-05 until 2026-04-20: take it down first"
    );
    assert_eq!(
        words(&[lose(9, 7)]).unwrap(),
        "with that, something recorded already could not have been: trap \"A-1\" was written off on 2026-04-07 \
         (stolen): record first that it came back"
    );
    assert_eq!(
        words(&[event(9, 21, Move::ComeBack)]).unwrap(),
        "trap \"A-1\" was not written off by 2026-04-21, so it can't come back"
    );
    let open = [hang(1, 5, "P-3"), visit(2, 10), event(4, 12, Move::Determined)];
    assert_eq!(
        would_refuse("A-1", &open, &[down(9, 8)]).unwrap().to_string(),
        "trap \"A-1\" has a visit on 2026-04-10 that would be left without a hanging trap"
    );
    assert_eq!(
        would_refuse("A-1", &open, &[down(9, 10)]).unwrap().to_string(),
        "trap \"A-1\" has a determination on 2026-04-12 that would be left without a hanging trap"
    );
    assert_eq!(would_refuse("A-1", &open, &[down(9, 12)]), None);
    assert_eq!(
        would_refuse("A-1", &[], &[visit(9, 8)]).unwrap().to_string(),
        "trap \"A-1\" is unknown on 2026-04-08: it was neither registered nor hung by then"
    );
    let registered = [event(1, 1, Move::Register)];
    assert_eq!(
        would_refuse("A-1", &registered, &[event(2, 9, Move::Register)])
            .unwrap()
            .to_string(),
        "trap \"A-1\" was registered on 2026-04-01 already: another trap needs another label"
    );
    assert_eq!(
        would_refuse("A-1", &registered, &[visit(2, 9)])
            .unwrap()
            .to_string(),
        "trap \"A-1\" does not hang on 2026-04-09: it was not hung by then"
    );
}

#[test]
fn corrections_are_held_against_what_stays() {
    let history = [
        hang(1, 1, "P"),
        visit(2, 4),
        down(3, 8),
        hang(4, 9, "Q"),
        visit(5, 12),
    ];
    let without = |n: usize| {
        let mut left = history.to_vec();
        left.remove(n);
        would_contradict("A", &history, &left)
    };
    assert!(matches!(
        without(0),
        Some(Illegal::StillNeeded { what: "visit", date, .. }) if date == on(4)
    ));
    assert_eq!(without(1), None);
    assert!(matches!(without(2), Some(Illegal::HangsAlready { place, .. }) if place == "Q"));
    assert!(matches!(without(3), Some(Illegal::StillNeeded { date, .. }) if date == on(12)));
    let mut moved = history.to_vec();
    moved[1] = visit(2, 12);
    assert_eq!(would_contradict("A", &history, &moved), None);
    // Withdrawing a take-down leaves nothing of a placement that was loaded with its end untouched.
    let mut loaded = placement(id(1), "P", on(1), Some(on(8)));
    loaded.push(visit(2, 8));
    assert_eq!(
        would_contradict("A", &loaded, &loaded[2..]).unwrap().to_string(),
        { "trap \"A\" has a visit on 2026-04-08 that would be left without a hanging trap" }
    );
    assert_eq!(
        would_refuse("A", &loaded, &[down(9, 4)]).unwrap().to_string(),
        "trap \"A\" does not hang: it was taken down on 2026-04-08"
    );
}

#[test]
fn two_people_at_once_leave_one_conflict_listed_once() {
    let mut events = vec![hang(1, 3, "P")];
    events.extend(placement(id(2), "Q", on(4), Some(on(9))));
    let folded = fold("A", &events);
    assert_eq!(folded.illegal.len(), 1);
    assert_eq!(folded.illegal[0].0, id(2));
    assert!(
        matches!(&folded.illegal[0].1, Illegal::HangsAlready { place, hung, .. } if place == "P" && *hung == on(3))
    );
    assert!(
        matches!(folded.trap.state, State::Hanging { since, .. } if since == on(3)),
        "the take-down of the other placement does nothing"
    );
}

/// Any move on one of a few days, by a few entries, so that they do collide.
fn any_event(days: i8) -> impl Strategy<Value = Vec<Event>> {
    let found = prop_oneof![
        Just(TrapFound::Working),
        Just(TrapFound::Impaired),
        Just(TrapFound::Down),
        Just(TrapFound::Gone),
        Just(TrapFound::NotReached),
    ];
    let kind = prop_oneof![Just(VisitKind::Service), Just(VisitKind::TakeDown)];
    let what = prop_oneof![
        1 => Just(0_u8),
        4 => Just(1),
        2 => Just(2),
        3 => Just(3),
        3 => Just(4),
        1 => Just(5),
        1 => Just(6),
        1 => Just(7),
    ];
    (what, 1..=days, 0..=days, any::<u64>(), found, kind).prop_map(
        move |(what, day, length, n, found, kind)| {
            let n = u128::from(n);
            match what {
                0 => vec![event(n, day, Move::Register)],
                1 => vec![hang(n, day, if n % 2 == 0 { "P" } else { "Q" })],
                2 => placement(id(n), "R", on(day), Some(on((day + length).min(days)))),
                3 => vec![event(n, day, Move::Visit { found, kind })],
                4 => vec![down(n, day)],
                5 => vec![lose(n, day)],
                6 => vec![event(n, day, Move::ComeBack)],
                _ => vec![event(n, day, Move::Determined)],
            }
        },
    )
}

fn history(days: i8, most: usize) -> impl Strategy<Value = Vec<Event>> {
    prop::collection::vec(any_event(days), 0..=most).prop_map(|all| all.concat())
}

/// A dumb trap that knows only whether it hangs, until when, whether it is gone, and on which day it last hung.
#[derive(Debug, Clone, Default, PartialEq)]
struct Dumb {
    known: bool,
    registered: bool,
    gone: bool,
    hangs: Option<(Uuid, Option<Date>)>,
    hung_on: Option<Date>,
}

impl Dumb {
    fn can(&mut self, event: &Event) -> bool {
        let hung_today = self.hangs.is_some() || self.hung_on == Some(event.day);
        let ok = match &event.what {
            Move::Register => !self.registered,
            Move::Hang { .. } => !self.gone && self.hangs.is_none(),
            Move::Visit { .. } | Move::Determined => !self.gone && hung_today,
            Move::TakeDown { placement: None } => matches!(self.hangs, Some((_, None))),
            Move::TakeDown { placement: Some(p) } => matches!(self.hangs, Some((q, _)) if q == *p),
            Move::WriteOff { .. } => self.known && !self.gone,
            Move::ComeBack => self.gone,
        };
        if !ok {
            return false;
        }
        self.known = true;
        match &event.what {
            Move::Register => self.registered = true,
            Move::Hang { placement, until, .. } => self.hangs = Some((*placement, *until)),
            Move::TakeDown { .. } => {
                self.hangs = None;
                self.hung_on = Some(event.day);
            }
            Move::WriteOff { .. } => {
                self.hangs = None;
                self.hung_on = None;
                self.gone = true;
            }
            Move::ComeBack => self.gone = false,
            _ => {}
        }
        true
    }
}

/// Every end a day can have when all of its events are legal in some order.
fn ends_of_day(from: Dumb, left: &[Event], ends: &mut Vec<Dumb>) {
    if left.is_empty() && !ends.contains(&from) {
        ends.push(from);
        return;
    }
    for n in 0..left.len() {
        let mut next = from.clone();
        if next.can(&left[n]) {
            let mut rest = left.to_vec();
            rest.remove(n);
            ends_of_day(next, &rest, ends);
        }
    }
}

/// Whether there is any order of each day's events in which all are legal.
fn possible(events: &[Event]) -> bool {
    let mut by_day: BTreeMap<Date, Vec<Event>> = BTreeMap::new();
    for event in events {
        by_day.entry(event.day).or_default().push(event.clone());
    }
    let mut now = vec![Dumb::default()];
    for day in by_day.values() {
        let mut ends = Vec::new();
        for state in now {
            ends_of_day(state, day, &mut ends);
        }
        now = ends;
    }
    !now.is_empty()
}

/// A day on which a trap is both written off and comes back has more than one possible end; no order is the right one.
fn gone_and_back(events: &[Event]) -> bool {
    events.iter().any(|a| {
        matches!(a.what, Move::WriteOff { .. })
            && events.iter().any(|b| {
                b.day == a.day
                    && (b.what == Move::ComeBack || matches!(b.what, Move::WriteOff { .. }) && a != b)
            })
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4096, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_order_of_input_never_matters(
        (events, shuffled) in history(6, 14).prop_flat_map(|e| (Just(e.clone()), Just(e).prop_shuffle())),
        again in any::<prop::sample::Index>(),
    ) {
        let folded = fold("A", &events);
        prop_assert_eq!(&folded, &fold("A", &shuffled));
        let mut twice = shuffled;
        if !twice.is_empty() {
            twice.push(twice[again.index(twice.len())].clone());
        }
        prop_assert_eq!(&folded, &fold("A", &twice));
        prop_assert!(folded.history.is_sorted_by_key(|step| step.day));
    }

    #[test]
    fn it_never_hangs_twice_and_every_legal_visit_is_covered(events in history(8, 16)) {
        let folded = fold("A", &events);
        let spans = spans(&folded);
        for pair in spans.windows(2) {
            let end = pair[0].ended.as_ref().map(|(end, _)| *end);
            prop_assert!(end.is_some_and(|end| pair[0].hung <= end && end <= pair[1].hung));
        }
        for event in &events {
            let legal = folded.illegal.iter().all(|(id, _)| *id != event.id);
            if let Move::Visit { .. } | Move::Determined = event.what {
                // Day by day: a visit is legal exactly when the trap hung on that day.
                prop_assert_eq!(legal, spans.iter().any(|span| span.covers(event.day)), "{:?}", event);
            }
        }
        let hangs = matches!(folded.trap.state, State::Hanging { .. });
        prop_assert_eq!(hangs, spans.last().is_some_and(|span| span.ended.is_none()));
    }

    #[test]
    fn a_history_is_legal_when_any_order_of_its_days_is(events in history(4, 7)) {
        let legal = fold("A", &events).illegal.is_empty();
        if legal {
            prop_assert!(possible(&events));
        } else if !gone_and_back(&events) {
            prop_assert!(!possible(&events), "{:?}", fold("A", &events).illegal);
        }
    }

    #[test]
    fn refused_is_what_makes_a_new_illegal_move(events in history(6, 10), candidate in any_event(8)) {
        let before: Vec<Uuid> = fold("A", &events).illegal.iter().map(|(id, _)| *id).collect();
        let with = fold("A", &[events.clone(), candidate.clone()].concat());
        let new = with.illegal.iter().any(|(id, _)| !before.contains(id));
        prop_assert_eq!(would_refuse("A", &events, &candidate).is_some(), new);
        let kept: Vec<Event> = events.iter().skip(1).cloned().collect();
        let left = fold("A", &kept);
        let new = left.illegal.iter().any(|(id, _)| !before.contains(id));
        prop_assert_eq!(would_contradict("A", &events, &kept).is_some(), new);
    }

    #[test]
    fn an_illegal_move_changes_nothing(events in history(6, 14)) {
        let folded = fold("A", &events);
        let refused: Vec<Uuid> = folded.illegal.iter().map(|(id, _)| *id).collect();
        // Entries with two moves may be half legal only in that their take-down is refused: leave those out.
        let halves = refused.iter().any(|id| folded.history.iter().any(|step| step.id == *id));
        let kept: Vec<Event> = events.iter().filter(|e| !refused.contains(&e.id)).cloned().collect();
        if !halves {
            let again = fold("A", &kept);
            prop_assert_eq!(again.illegal, []);
            prop_assert_eq!((again.trap, again.history), (folded.trap, folded.history));
        }
    }
}
