#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;

const STATUSES: [Status; 6] = [
    Status::Suspect,
    Status::Tentative,
    Status::Determined,
    Status::Confirmed,
    Status::RuledOut,
    Status::Undeterminable,
];
const RANKS: [Rank; 4] = [Rank::None, Rank::Tentative, Rank::Determined, Rank::Confirmed];

fn at(days: i64) -> Timestamp {
    Timestamp::from_second(1_777_000_000 + 86_400 * days).unwrap()
}

fn said(status: Status, by: &str, rank: Rank) -> Move {
    Move::Opinion {
        status,
        by: by.into(),
        rank,
        mark_checked: false,
        mark_needed: false,
    }
}

fn event(n: u128, days: i64, what: Move) -> Event {
    Event::new(Uuid::from_u128(n), at(days), what)
}

fn name(state: &State) -> String {
    format!("{state:?}").split([' ', '(']).next().unwrap().to_owned()
}

fn states() -> Vec<(&'static str, State)> {
    let said = |rank| Said {
        by: "A".into(),
        rank,
        at: at(1),
    };
    vec![
        ("no opinion", State::NoOpinion),
        ("suspect", State::Suspect(said(Rank::Confirmed))),
        ("tentative", State::Tentative(said(Rank::Confirmed))),
        ("determined", State::Determined(said(Rank::Confirmed))),
        (
            "confirmed",
            State::Confirmed {
                since: at(1),
                by: "A".into(),
            },
        ),
        ("ruled out by tentative", State::RuledOut(said(Rank::Tentative))),
        ("ruled out by confirmed", State::RuledOut(said(Rank::Confirmed))),
        (
            "undeterminable by determined",
            State::Undeterminable(said(Rank::Determined)),
        ),
        (
            "overturned",
            State::Overturned {
                status: Status::RuledOut,
                said: said(Rank::Confirmed),
            },
        ),
        (
            "planted",
            State::Planted {
                since: at(1),
                annulled: true,
            },
        ),
    ]
}

#[test]
fn every_opinion_from_every_state() {
    // The least rank for suspect, tentative, determined, confirmed, ruled out, undeterminable: none, tentative,
    // determined, confirmed; x: illegal for everybody.
    let table = "
        no opinion                   | n t d c n n
        suspect                      | n t d c n n
        tentative                    | x t d c t t
        determined                   | x x d c d d
        confirmed                    | x x x c c c
        ruled out by tentative       | t t d c t t
        ruled out by confirmed       | c c c c c c
        undeterminable by determined | d d d c d d
        overturned                   | c c c c c c
        planted                      | n t d x n n";
    let mut asserted = 0;
    for ((title, state), line) in states().into_iter().zip(table.trim().lines()) {
        let (row, words) = line.split_once('|').unwrap();
        assert_eq!(row.trim(), title);
        let find = Find {
            state: state.clone(),
            ..Find::new("S-1", "oak-borer")
        };
        for (status, word) in STATUSES.into_iter().zip(words.split_whitespace()) {
            for (n, rank) in RANKS.into_iter().enumerate() {
                let least = ["n", "t", "d", "c"].iter().position(|w| *w == word);
                let got = find.step(&event(9, 9, said(status, "B", rank)));
                let off = matches!(status, Status::RuledOut | Status::Undeterminable);
                match (&state, least.is_some_and(|least| least <= n)) {
                    (_, false) => {
                        let why = got.unwrap_err();
                        let expected = match (word, &state) {
                            ("x", State::Planted { .. }) => matches!(why, Illegal::WasPlanted { .. }),
                            ("x", _) => matches!(why, Illegal::Lowers { .. }),
                            _ => {
                                matches!(why, Illegal::NoAuthority { needs, .. } if needs == RANKS[least.unwrap()])
                            }
                        };
                        assert!(expected, "{status:?} by {rank:?} from {title}: {why}");
                    }
                    (State::Planted { .. }, true) => assert_eq!(got.unwrap().state, state),
                    (State::Confirmed { .. } | State::Overturned { .. }, true) if off => {
                        let got = got.unwrap().state;
                        assert!(
                            matches!(&got, State::Overturned { status: s, .. } if *s == status),
                            "{got:?}"
                        );
                    }
                    (before, true) if before.status() == Some(status) && !off => {
                        assert_eq!(&got.unwrap().state, before, "the same again leaves it");
                    }
                    (_, true) => {
                        let got = got.unwrap().state;
                        assert_eq!((got.status(), name(&got)), (Some(status), format!("{status:?}")));
                    }
                }
                asserted += 1;
            }
        }
        let planted = find.step(&event(9, 9, Move::Planted)).unwrap().state;
        let annulled = matches!(title, "confirmed" | "planted");
        let since = if title == "planted" { at(1) } else { at(9) };
        assert_eq!(planted, State::Planted { since, annulled }, "{title}");
        assert!(!planted.is_find() && !planted.is_open());
    }
    assert_eq!(asserted, 240);
}

#[test]
fn confirming_while_plantings_are_outstanding_needs_a_look_for_the_mark() {
    let find = Find::new("S-1", "oak-borer");
    for (checked, needed, ok) in [
        (false, true, false),
        (true, true, true),
        (false, false, true),
        (true, false, true),
    ] {
        let what = |status| Move::Opinion {
            status,
            by: "A".into(),
            rank: Rank::Confirmed,
            mark_checked: checked,
            mark_needed: needed,
        };
        let got = find.step(&event(1, 1, what(Status::Confirmed)));
        assert_eq!(got.is_ok(), ok);
        if let Err(why) = got {
            assert!(why.to_string().contains("look for a mark"), "{why}");
        }
        assert!(
            find.step(&event(1, 1, what(Status::Determined))).is_ok(),
            "only a confirmation needs it"
        );
    }
}

#[test]
fn the_ladder_of_a_first_find() {
    let events = [
        event(1, 0, said(Status::Suspect, "crew-3", Rank::None)),
        event(2, 1, said(Status::Tentative, "p-2", Rank::Tentative)),
        event(3, 2, said(Status::RuledOut, "p-2", Rank::Tentative)),
        event(4, 3, said(Status::Suspect, "crew-3", Rank::None)),
        event(5, 4, said(Status::Determined, "p-7", Rank::Determined)),
        event(6, 5, said(Status::RuledOut, "p-2", Rank::Tentative)),
        event(7, 6, said(Status::Confirmed, "p-9", Rank::Confirmed)),
    ];
    let folded = fold("S-1", "oak-borer", &events);
    let refused: Vec<u128> = folded.illegal.iter().map(|(id, _)| id.as_u128()).collect();
    assert_eq!(refused, [4, 6]);
    assert_eq!(
        folded.find.state,
        State::Confirmed {
            since: at(6),
            by: "p-9".into()
        }
    );
    assert_eq!(
        folded.illegal[1].1.to_string(),
        "\"p-2\" can't say \"ruled out\" of specimen \"S-1\" for \"oak-borer\": that needs authority up to determined, \
         and theirs is tentative"
    );
    let lower = would_refuse(
        "S-1",
        "oak-borer",
        &events,
        &[event(8, 7, said(Status::Tentative, "p-9", Rank::Confirmed))],
    );
    assert_eq!(
        lower.unwrap().to_string(),
        "specimen \"S-1\" is confirmed for \"oak-borer\" since 2026-04-30 (\"p-9\" says so): \"tentative\" would lower \
         that; rule it out, or say that it can't be told"
    );
    // Known to be planted only afterwards: annulled; known before: never confirmed.
    let late = fold(
        "S-1",
        "oak-borer",
        &[&events[..], &[event(8, 9, Move::Planted)]].concat(),
    );
    assert_eq!(
        late.find.state,
        State::Planted {
            since: at(9),
            annulled: true
        }
    );
    let early = fold(
        "S-1",
        "oak-borer",
        &[&events[..], &[event(8, 1, Move::Planted)]].concat(),
    );
    assert_eq!(
        early.find.state,
        State::Planted {
            since: at(1),
            annulled: false
        }
    );
    assert!(matches!(early.illegal.last(), Some((id, Illegal::WasPlanted { .. })) if id.as_u128() == 7));
}

fn any_event() -> impl Strategy<Value = Event> {
    let opinion = (
        prop::sample::select(STATUSES.to_vec()),
        prop::sample::select(vec!["A", "B"]),
        prop::sample::select(RANKS.to_vec()),
        any::<bool>(),
        any::<bool>(),
    )
        .prop_map(|(status, by, rank, mark_checked, mark_needed)| Move::Opinion {
            status,
            by: by.into(),
            rank,
            mark_checked,
            mark_needed,
        });
    let what = prop_oneof![20 => opinion, 1 => Just(Move::Planted)];
    (any::<u64>(), 0..8_i64, what).prop_map(|(n, days, what)| event(n.into(), days, what))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4096, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_order_of_input_never_matters(
        (events, shuffled) in prop::collection::vec(any_event(), 0..16)
            .prop_flat_map(|e| (Just(e.clone()), Just(e).prop_shuffle())),
        again in any::<prop::sample::Index>(),
    ) {
        let folded = fold("S", "t", &events);
        let mut twice = shuffled;
        if !twice.is_empty() {
            twice.push(twice[again.index(twice.len())].clone());
        }
        prop_assert_eq!(&folded, &fold("S", "t", &twice));
        prop_assert_eq!(folded.history.len() + folded.illegal.len(), events.len());
    }

    #[test]
    fn planted_is_never_a_find_and_finds_have_standing(events in prop::collection::vec(any_event(), 0..16)) {
        let folded = fold("S", "t", &events);
        let move_of = |id: Uuid| &events.iter().find(|event| event.id == id).unwrap().what;
        if events.iter().any(|event| event.what == Move::Planted) {
            let planted = matches!(folded.find.state, State::Planted { .. });
            prop_assert!(planted);
        }
        let mut before = State::NoOpinion;
        for step in &folded.history {
            let what = move_of(step.id);
            if let Move::Opinion { status, rank, mark_checked, mark_needed, .. } = what {
                prop_assert!(*rank >= Rank::needed(*status));
                if step.after.is_find() && !before.is_find() {
                    prop_assert_eq!(*status, Status::Confirmed);
                    prop_assert!(*mark_checked || !mark_needed);
                }
                if before.is_find() && !step.after.is_find() {
                    prop_assert_eq!(*rank, Rank::Confirmed);
                    let overturned = matches!(step.after, State::Overturned { .. });
                    prop_assert!(overturned);
                }
            }
            let falls = matches!(&step.after, after if after.rung() > 0 && after.rung() < before.rung());
            prop_assert!(!falls);
            before = step.after.clone();
        }
    }

    #[test]
    fn refused_is_what_makes_a_new_illegal_move(
        events in prop::collection::vec(any_event(), 0..12),
        candidate in any_event(),
    ) {
        let before: Vec<Uuid> = fold("S", "t", &events).illegal.iter().map(|(id, _)| *id).collect();
        let with = fold("S", "t", &[&events[..], std::slice::from_ref(&candidate)].concat());
        let new = with.illegal.iter().any(|(id, _)| !before.contains(id));
        prop_assert_eq!(would_refuse("S", "t", &events, &[candidate]).is_some(), new);
    }

    #[test]
    fn an_illegal_move_changes_nothing(events in prop::collection::vec(any_event(), 0..16)) {
        let folded = fold("S", "t", &events);
        let kept: Vec<Event> = events
            .iter()
            .filter(|e| folded.illegal.iter().all(|(id, _)| *id != e.id))
            .cloned()
            .collect();
        let again = fold("S", "t", &kept);
        prop_assert_eq!(again.illegal, []);
        prop_assert_eq!((again.find, again.history), (folded.find, folded.history));
    }
}
