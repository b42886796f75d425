#![allow(clippy::unwrap_used)]

use proptest::prelude::*;

use super::*;

fn at(minutes: i64) -> Timestamp {
    Timestamp::from_second(1_777_000_000 - 1_777_000_000 % 60 + 60 * minutes).unwrap()
}

fn event(n: u128, minutes: i64, what: Move) -> Event {
    Event::new(Uuid::from_u128(n), at(minutes), what)
}

fn taken(by: &str) -> Move {
    Move::Taken { by: by.into() }
}

fn offered(handover: &str, from: &str, to: &str) -> Move {
    Move::Offered {
        handover: handover.into(),
        from: from.into(),
        to: to.into(),
    }
}

fn accepted(handover: &str, by: &str) -> Move {
    Move::Accepted {
        handover: handover.into(),
        by: by.into(),
    }
}

fn declined(handover: &str, by: &str) -> Move {
    Move::Declined {
        handover: handover.into(),
        by: by.into(),
    }
}

fn screened(pass: u8, by: &str) -> Move {
    Move::Screened { pass, by: by.into() }
}

fn opinion(image: bool) -> Move {
    Move::Opinion {
        by: "I".into(),
        image,
    }
}

fn planting(label: &str) -> Move {
    Move::PlantFound {
        planting: label.into(),
    }
}

fn ended(how: &str) -> Move {
    Move::Ended {
        how: how.into(),
        by: "C".into(),
    }
}

fn split(child: &str) -> Move {
    Move::Split { child: child.into() }
}

fn lifted(by: &str) -> Move {
    Move::Lifted {
        parent: "S-0".into(),
        by: by.into(),
    }
}

#[test]
fn every_move_from_every_state() {
    let unknown = Specimen::unknown("S-1");
    let held = unknown.step(&event(1, 1, taken("A"))).unwrap();
    let offer = held.step(&event(2, 2, offered("H", "A", "B"))).unwrap();
    let gone = held.step(&event(3, 3, ended("destroyed"))).unwrap();
    let moves = [
        taken("A"),
        lifted("A"),
        split("c"),
        screened(1, "A"),
        screened(2, "A"),
        screened(3, "A"),
        offered("H2", "A", "B"),
        offered("H2", "B", "A"),
        offered("H2", "A", "A"),
        accepted("H", "B"),
        accepted("H", "A"),
        accepted("X", "B"),
        declined("H", "B"),
        declined("H", "A"),
        declined("H", "C"),
        opinion(false),
        opinion(true),
        planting("P"),
        ended("lost"),
    ];
    let table = "
        unknown | Held Held Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown! Unknown!
        held    | TakenTwice! TakenTwice! Held Held NoFirstPass! NoSuchPass! Offered NotHolder! ToHolder! NoSuchOffer! NoSuchOffer! NoSuchOffer! NoSuchOffer! NoSuchOffer! NoSuchOffer! Held Held Held Ended
        offered | TakenTwice! TakenTwice! Offered Offered NoFirstPass! NoSuchPass! OfferOpen! OfferOpen! OfferOpen! Held NotAddressee! NoSuchOffer! Held Held NotAddressee! Offered Offered Offered Ended
        ended   | TakenTwice! TakenTwice! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! EndedAlready! Ended Ended EndedAlready!";
    let mut asserted = 0;
    for (from, line) in [unknown, held, offer, gone].iter().zip(table.trim().lines()) {
        let words: Vec<&str> = line.split_once('|').unwrap().1.split_whitespace().collect();
        assert_eq!(words.len(), moves.len());
        for (what, expected) in moves.iter().zip(words) {
            let (got, mark) = match from.step(&event(9, 10, what.clone())) {
                Ok(next) => (format!("{:?}", next.state), ""),
                Err(why) => (format!("{why:?}"), "!"),
            };
            let got = format!("{}{mark}", got.split([' ', '{']).next().unwrap());
            assert_eq!(got, expected, "{what:?} from {:?}", from.state);
            asserted += 1;
        }
    }
    assert_eq!(asserted, 76);
}

#[test]
fn a_chain_of_custody_has_no_gaps() {
    let events = [
        event(1, 0, taken("crew")),
        event(2, 10, offered("H-1", "crew", "office")),
        event(3, 12, declined("H-1", "office")),
        event(4, 20, offered("H-2", "crew", "office")),
        event(5, 30, accepted("H-2", "office")),
        event(6, 31, screened(1, "office")),
        event(7, 32, screened(2, "other")),
        event(8, 33, split("S-1a")),
        event(9, 40, offered("H-3", "office", "state")),
        event(10, 50, ended("lost")),
        event(11, 60, opinion(true)),
    ];
    let folded = fold("S-1", &events);
    assert_eq!(folded.illegal, []);
    let chain: Vec<_> = folded
        .custody
        .iter()
        .map(|h| (h.by.as_str(), h.from, h.to))
        .collect();
    assert_eq!(
        chain,
        [("crew", at(0), Some(at(30))), ("office", at(30), Some(at(50)))]
    );
    assert_eq!(folded.specimen.children, ["S-1a"]);
    assert_eq!(
        (folded.specimen.holder(), folded.specimen.open_since()),
        (None, None)
    );
    let open = fold("S-1", &events[..9]);
    assert_eq!(
        (open.specimen.holder(), open.specimen.open_since()),
        (Some("office"), Some(at(40)))
    );
    let late = would_refuse("S-1", &events[..9], &[event(12, 45, offered("H-4", "crew", "x"))]).unwrap();
    assert_eq!(
        late.to_string(),
        format!(
            "specimen \"S-1\" was offered to \"state\" at {} (hand-over \"H-3\") and that is not answered yet",
            minute(at(40))
        )
    );
    let early = would_refuse("S-1", &events[..8], &[event(12, 25, declined("H-2", "office"))]).unwrap();
    assert!(
        matches!(&early, Illegal::Contradicts(inner) if matches!(**inner, Illegal::NoSuchOffer { .. })),
        "{early}"
    );
    assert!(minute(at(0)).ends_with(" UTC") && minute(at(0)).starts_with("2026-04-2"));
}

#[test]
fn a_slow_clock_does_not_undo_a_hand_over() {
    // The taker's clock runs two minutes behind the giver's.
    for (offer_at, answer_at) in [(12, 10), (10, 10)] {
        let events = [
            event(1, 0, taken("A")),
            event(9, offer_at, offered("H", "A", "B")),
            event(2, answer_at, accepted("H", "B")),
        ];
        let folded = fold("S", &events);
        assert_eq!(folded.illegal, []);
        assert_eq!(folded.specimen.holder(), Some("B"));
        assert_eq!(folded.custody[1].from, at(offer_at));
    }
}

#[test]
fn second_pass_is_somebody_else_s() {
    let start = [event(1, 0, taken("A")), event(2, 1, screened(1, "A"))];
    let why = |what: Move| would_refuse("S", &start, &[event(3, 2, what)]).map(|why| why.to_string());
    assert_eq!(why(screened(2, "B")), None);
    assert_eq!(
        why(screened(2, "A")).unwrap(),
        "\"A\" made the first pass of specimen \"S\": the second is somebody else's"
    );
    assert_eq!(
        why(screened(1, "B")).unwrap(),
        "pass 1 of specimen \"S\" was made by \"A\" already"
    );
    let two = [start[0].clone(), event(3, 2, split("c")), event(4, 3, split("c"))];
    assert!(
        matches!(fold("S", &two).illegal[..], [(id, Illegal::ChildTwice { .. })] if id == Uuid::from_u128(4))
    );
    let planted = [
        start[0].clone(),
        event(3, 2, planting("P-1")),
        event(4, 3, planting("P-1")),
        event(5, 4, planting("P-2")),
    ];
    let folded = fold("S", &planted);
    assert_eq!(folded.specimen.planted.as_deref(), Some("P-1"));
    assert!(matches!(folded.illegal[..], [(id, Illegal::OtherPlanting { .. })] if id == Uuid::from_u128(5)));
    let withdrawn = would_contradict(
        "S",
        &[start.to_vec(), vec![event(3, 2, screened(2, "B"))]].concat(),
        &[start[0].clone(), event(3, 2, screened(2, "B"))],
    );
    assert!(matches!(withdrawn, Some(Illegal::Contradicts(_))));
}

fn any_event() -> impl Strategy<Value = Event> {
    let who = || prop::sample::select(vec!["A", "B", "C"]);
    let handover = || prop::sample::select(vec!["H-1", "H-2", "H-3"]);
    let what = prop_oneof![
        2 => who().prop_map(taken),
        1 => who().prop_map(lifted),
        2 => prop::sample::select(vec!["c", "d"]).prop_map(split),
        6 => (handover(), who(), who()).prop_map(|(h, a, b)| offered(h, a, b)),
        6 => (handover(), who()).prop_map(|(h, a)| accepted(h, a)),
        2 => (handover(), who()).prop_map(|(h, a)| declined(h, a)),
        3 => (0..4_u8, who()).prop_map(|(pass, a)| screened(pass, a)),
        2 => any::<bool>().prop_map(opinion),
        1 => prop::sample::select(vec!["P-1", "P-2"]).prop_map(planting),
        1 => Just(ended("lost")),
    ];
    (any::<u64>(), 0..12_i64, what).prop_map(|(n, minutes, what)| event(n.into(), minutes, what))
}

fn history() -> impl Strategy<Value = Vec<Event>> {
    let start = event(0, -1, taken("A"));
    prop::collection::vec(any_event(), 0..16).prop_map(move |mut all| {
        if all.len() % 4 != 0 {
            all.push(start.clone());
        }
        all
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4096, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_order_of_input_never_matters(
        (events, shuffled) in history().prop_flat_map(|e| (Just(e.clone()), Just(e).prop_shuffle())),
        again in any::<prop::sample::Index>(),
    ) {
        let folded = fold("S", &events);
        let mut twice = shuffled;
        if !twice.is_empty() {
            twice.push(twice[again.index(twice.len())].clone());
        }
        prop_assert_eq!(&folded, &fold("S", &twice));
        prop_assert!(folded.history.is_sorted_by_key(|step| step.at));
        prop_assert_eq!(folded.history.len() + folded.illegal.len(), events.len());
    }

    #[test]
    fn custody_changes_by_acceptance_alone(events in history()) {
        let folded = fold("S", &events);
        for pair in folded.custody.windows(2) {
            prop_assert_eq!(pair[0].to, Some(pair[1].from));
            prop_assert_ne!(&pair[0].by, &pair[1].by);
        }
        prop_assert!(folded.custody.iter().all(|held| held.to.is_none_or(|to| held.from <= to)));
        let mut holder: Option<String> = None;
        for step in &folded.history {
            let now = match &step.after {
                State::Held { by, .. } | State::Offered { by, .. } => Some(by.clone()),
                _ => None,
            };
            if now != holder {
                let what = &events.iter().find(|event| event.id == step.id).unwrap().what;
                match (&holder, what) {
                    (None, Move::Taken { by } | Move::Lifted { by, .. }) => prop_assert_eq!(Some(by), now.as_ref()),
                    (Some(_), Move::Accepted { by, .. }) => prop_assert_eq!(Some(by), now.as_ref()),
                    (Some(_), Move::Ended { .. }) => prop_assert_eq!(&now, &None),
                    other => prop_assert!(false, "{:?}", other),
                }
                holder = now;
            }
        }
        let last = folded.custody.last().filter(|held| held.to.is_none()).map(|held| held.by.as_str());
        prop_assert_eq!(last, folded.specimen.holder());
    }

    #[test]
    fn nothing_physical_happens_after_the_end(events in history()) {
        let folded = fold("S", &events);
        let mut gone = false;
        for step in &folded.history {
            let what = &events.iter().find(|event| event.id == step.id).unwrap().what;
            if gone {
                let harmless = matches!(what, Move::Opinion { image: true, .. } | Move::PlantFound { .. });
                prop_assert!(harmless, "after its end");
            }
            gone |= matches!(what, Move::Ended { .. });
        }
        let [first, second] = &folded.specimen.passes;
        prop_assert!(second.is_none() || first.is_some() && first != second);
    }

    #[test]
    fn refused_is_what_makes_a_new_illegal_move(events in history(), candidate in any_event()) {
        let before: Vec<Uuid> = fold("S", &events).illegal.iter().map(|(id, _)| *id).collect();
        let with = fold("S", &[events.clone(), vec![candidate.clone()]].concat());
        let new = with.illegal.iter().any(|(id, _)| !before.contains(id));
        prop_assert_eq!(would_refuse("S", &events, &[candidate]).is_some(), new);
    }

    #[test]
    fn an_illegal_move_changes_nothing(events in history()) {
        let folded = fold("S", &events);
        let refused = |id: Uuid| folded.illegal.iter().any(|(known, _)| *known == id);
        // Offers stay in: an answer is never before its offer, be that legal or not.
        let kept: Vec<Event> = events
            .iter()
            .filter(|e| !refused(e.id) || matches!(e.what, Move::Offered { .. }))
            .cloned()
            .collect();
        let again = fold("S", &kept);
        prop_assert_eq!((again.specimen, again.history, again.custody), (folded.specimen, folded.history, folded.custody));
    }
}
