//! The month's books: they add up exactly when every placement and every visit due is accounted for once.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use earlywood_model::ledger::{Difference, Outcome, Placements, VisitsDue, traps, visits};
use proptest::prelude::*;

fn set(labels: &[&str]) -> BTreeSet<String> {
    labels.iter().map(|label| (*label).to_owned()).collect()
}

#[test]
fn a_month_that_adds_up() {
    let books = traps(&Placements {
        at_start: set(&["a", "b", "c"]),
        hung: set(&["d"]),
        taken_down: set(&["a"]),
        lost: set(&["b"]),
        at_end: set(&["c", "d"]),
    });
    assert!(books.adds_up());
    assert_eq!(
        (
            books.traps_in,
            books.taken_down,
            books.lost,
            books.still_hanging,
            books.gap()
        ),
        (4, 1, 1, 2, 0)
    );
    let due = visits(&VisitsDue {
        due: set(&["a", "b", "c", "d", "e"]),
        on_time: set(&["a", "b"]),
        late: set(&["c"]),
        excused: set(&["d"]),
        missed: set(&["e"]),
    });
    assert!(due.adds_up());
    assert_eq!((due.made(), due.gap()), (3, 0));
    assert_eq!(due.on_time_share().unwrap(), Some(0.5));
    assert_eq!(visits(&VisitsDue::default()).on_time_share().unwrap(), None);
}

#[test]
fn two_faults_that_cancel_are_still_told() {
    let books = traps(&Placements {
        at_start: set(&["a"]),
        at_end: set(&["b"]),
        ..Placements::default()
    });
    assert_eq!(books.gap(), 0);
    assert!(!books.adds_up());
    let words: Vec<String> = books.differences.iter().map(ToString::to_string).collect();
    assert_eq!(
        words,
        [
            "\"a\" hung and hangs no more, but was neither taken down nor written off",
            "\"b\" hangs at the end, but was never hung"
        ]
    );
    let due = visits(&VisitsDue {
        due: set(&["a", "b"]),
        on_time: set(&["b", "c"]),
        missed: set(&["b"]),
        ..VisitsDue::default()
    });
    let words: Vec<String> = due.differences.iter().map(ToString::to_string).collect();
    assert_eq!(
        words,
        [
            "\"a\" was due and is neither made, excused nor missed",
            "\"b\" is counted more than once: made on time and missed",
            "\"c\" is made on time, but was not due"
        ]
    );
    assert_eq!(
        due.on_time_share().unwrap_err().to_string(),
        "the visits due do not add up (3 differences; the first: \"a\" was due and is neither made, excused nor \
         missed), so no share of them can be stated"
    );
}

/// Every one of the 32 ways in which one placement can stand in the five sets.
#[test]
fn every_way_a_placement_can_stand() {
    let mut sound = 0;
    for bits in 0..32_u8 {
        let is = |n: u8| bits >> n & 1 == 1;
        let of = |n: u8| if is(n) { set(&["x"]) } else { set(&[]) };
        let (start, hung, down, lost, end) = (is(0), is(1), is(2), is(3), is(4));
        let books = traps(&Placements {
            at_start: of(0),
            hung: of(1),
            taken_down: of(2),
            lost: of(3),
            at_end: of(4),
        });
        let placement = || "x".to_owned();
        let nothing = bits == 0;
        let ways = u8::from(down) + u8::from(lost) + u8::from(end);
        let once = (start != hung) && ways == 1;
        assert_eq!(books.adds_up(), once || nothing, "{bits:05b}: {books:?}");
        if books.adds_up() {
            assert_eq!(books.gap(), 0);
            sound += 1;
        }
        let has = |difference: Difference| books.differences.contains(&difference);
        let ended = Difference::HangsThoughEnded {
            placement: placement(),
            lost: lost && !down,
        };
        assert_eq!(has(ended), (down || lost) && end);
        assert_eq!(
            has(Difference::EndedTwice {
                placement: placement()
            }),
            down && lost
        );
        assert_eq!(
            has(Difference::HungTwice {
                placement: placement()
            }),
            start && hung
        );
    }
    assert_eq!(sound, 7, "nothing at all, or two ways in times three ways out");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn visits_add_up_exactly_when_each_due_has_one_outcome(marks in prop::collection::vec(0..32_u8, 0..12)) {
        let pick = |bit: u8| -> BTreeSet<String> {
            let has = |mark: u8| mark >> bit & 1 == 1;
            marks.iter().enumerate().filter(|(_, m)| has(**m)).map(|(n, _)| format!("v{n}")).collect()
        };
        let period = VisitsDue { due: pick(0), on_time: pick(1), late: pick(2), excused: pick(3), missed: pick(4) };
        let books = visits(&period);
        let fine = |mark: &u8| *mark == 0 || (mark & 1 == 1 && (mark >> 1).count_ones() == 1);
        prop_assert_eq!(books.adds_up(), marks.iter().all(fine));
        prop_assert_eq!(books.on_time_share().is_ok(), books.adds_up());
        if books.adds_up() {
            prop_assert_eq!(books.gap(), 0);
            prop_assert_eq!(books.due, books.made() + books.excused + books.missed);
        }
        let told = |d: &Difference| matches!(d, Difference::NotDue { outcome: Outcome::Excused, .. });
        let expected = marks.iter().filter(|m| **m & 1 == 0 && **m >> 3 & 1 == 1).count();
        prop_assert_eq!(books.differences.iter().filter(|d| told(d)).count(), expected);
    }
}
