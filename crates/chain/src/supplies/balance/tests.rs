//! Against a store of single pieces that is walked through day by day.

use super::*;
use jiff::civil::date;
use proptest::prelude::*;

const TODAY: Date = date(2026, 3, 2);

fn day(n: i64) -> Date {
    TODAY.saturating_add(n.days())
}

fn kind(item: SupplyItem, targets: &[&str]) -> Kind {
    Kind {
        item,
        targets: targets.iter().map(|t| (*t).into()).collect(),
    }
}

fn wanted(n: i64, kind: &Kind, count: u64) -> Pieces {
    Pieces {
        day: day(n),
        kind: kind.clone(),
        count,
    }
}

fn lot(label: &str, target: Option<&str>, expires: Option<i64>, count: u64) -> Lot {
    Lot {
        label: label.into(),
        item: SupplyItem::Lure,
        target: target.map(Into::into),
        expires: expires.map(day),
        count,
    }
}

fn days(weeks: u32) -> Days {
    Days {
        today: TODAY,
        from: TODAY,
        weeks,
        batch_weeks: 1,
    }
}

fn given(lead: Option<u32>, safety_days: u32, spoilage: f64) -> impl Fn(SupplyItem) -> Terms {
    move |_| Terms {
        lead_days: lead,
        spoilage,
        safety_days,
    }
}

fn of(lot: &str, pieces: u64) -> FromLot {
    FromLot {
        lot: Some(lot.into()),
        pieces,
    }
}

#[test]
fn first_out_is_what_expires_first_and_the_rest_of_it_is_lost() {
    let moth = kind(SupplyItem::Lure, &["moth"]);
    let lots = [
        lot("keeps", None, None, 5),
        lot("late", None, Some(20), 4),
        lot("soon", Some("moth"), Some(7), 6),
        lot("gone", None, Some(-1), 9),
        lot("other", Some("gnat"), None, 50),
    ];
    let needs = [
        wanted(0, &moth, 2),
        wanted(7, &moth, 3),
        wanted(8, &moth, 3),
        wanted(14, &moth, 9),
    ];
    let told = balance(&days(4), &needs, &[], &lots, given(Some(10), 2, 0.0));
    let of_moth = told.iter().find(|t| t.targets == ["moth"]).unwrap();
    assert_eq!((of_moth.in_store, of_moth.need, of_moth.lost), (15, 17, 1));
    assert_eq!(of_moth.expired_already, [of("gone", 9)]);
    assert_eq!(of_moth.weeks[0].used, [of("soon", 2)]);
    // On its last day it is still used; the piece left over is lost on the next.
    assert_eq!(of_moth.weeks[1].used, [of("soon", 3), of("late", 3)]);
    assert_eq!(of_moth.weeks[1].expired, [of("soon", 1)]);
    assert_eq!(of_moth.weeks[2].used, [of("late", 1), of("keeps", 5)]);
    assert_eq!((of_moth.weeks[2].short, of_moth.short_from), (3, Some(day(14))));
    let order = &of_moth.orders[0];
    assert_eq!((order.pieces, order.arrive_by), (3, day(12)));
    assert_eq!(
        (order.order_by, order.late, order.arrives),
        (Some(day(2)), false, None)
    );
    // What serves nothing that is needed is listed all the same, with the nine pieces that would serve any target.
    let gnat = told.iter().find(|t| t.targets == ["gnat"]).unwrap();
    assert_eq!((gnat.in_store, gnat.need, gnat.weeks[3].left), (59, 0, 50));
}

#[test]
fn an_order_that_comes_too_late_says_what_will_be_missing() {
    let moth = kind(SupplyItem::Lure, &["moth"]);
    let needs = [wanted(1, &moth, 2), wanted(5, &moth, 3), wanted(9, &moth, 4)];
    let mut span = days(3);
    span.batch_weeks = 2;
    let told = balance(&span, &needs, &[], &[], given(Some(5), 0, 0.0));
    assert_eq!(told[0].orders.len(), 1);
    let order = &told[0].orders[0];
    assert_eq!((order.pieces, order.arrive_by, order.late), (9, day(1), true));
    // Three pieces are needed on the day it comes, and are there.
    assert_eq!((order.arrives, order.missing_before), (Some(day(5)), 2));
    let untold = balance(&span, &needs, &[], &[], given(None, 0, 0.0));
    assert_eq!(
        (untold[0].orders[0].order_by, untold[0].orders[0].late),
        (None, false)
    );
}

#[test]
fn spoilage_is_rounded_over_all_days_together() {
    let moth = kind(SupplyItem::Lure, &["moth"]);
    let needs: Vec<Pieces> = (0..28).map(|n| wanted(n, &moth, 1)).collect();
    let told = balance(&days(4), &needs, &[], &[], given(None, 0, 0.5));
    assert_eq!((told[0].need, told[0].short), (28, 56));
    let told = balance(&days(4), &needs, &[], &[], given(None, 0, 0.2));
    assert_eq!(told[0].short, 35);
}

#[test]
fn days_before_the_first_week_make_a_row_of_their_own() {
    let moth = kind(SupplyItem::Lure, &["moth"]);
    let mut span = days(2);
    span.from = day(10);
    let needs = [wanted(3, &moth, 4), wanted(12, &moth, 4)];
    let told = balance(
        &span,
        &needs,
        &[],
        &[lot("a", None, None, 5)],
        given(Some(1), 0, 0.0),
    );
    let rows: Vec<(Date, u64, u64)> = told[0].weeks.iter().map(|w| (w.from, w.need, w.short)).collect();
    assert_eq!(rows, [(day(0), 4, 0), (day(10), 4, 3), (day(17), 0, 0)]);
    assert_eq!((told[0].weeks[0].to, told[0].weeks[2].to), (day(9), day(23)));
}

#[test]
fn bodies_that_come_back_hang_again() {
    let body = kind(SupplyItem::Body, &["moth"]);
    let needs = [wanted(0, &body, 3), wanted(10, &body, 3)];
    let told = balance(&days(2), &needs, &[wanted(9, &body, 2)], &[], given(None, 0, 0.0));
    assert_eq!(told[0].weeks[1].used, [FromLot { lot: None, pieces: 2 }]);
    assert_eq!(
        (told[0].weeks[1].back, told[0].weeks[1].short, told[0].short),
        (2, 1, 4)
    );
}

/// A single piece in the walked store.
#[derive(Debug, Clone)]
struct Piece {
    lot: Option<String>,
    serves: Vec<String>,
    last: Option<i64>,
}

type Walked = BTreeMap<Vec<String>, (u64, u64, BTreeMap<i64, u64>)>;

/// Used, lost (of what the kind could have used) and missing by day, piece by piece.
fn walk(needs: &[Pieces], back: &[Pieces], lots: &[Lot], weeks: i64, targets: &[&str]) -> Walked {
    let all: Vec<String> = targets.iter().map(|t| (*t).into()).collect();
    let number = |d: Date| i64::from((d - TODAY).get_days());
    let mut store: Vec<Piece> = Vec::new();
    for lot in lots {
        for _ in 0..lot.count {
            store.push(Piece {
                lot: Some(lot.label.clone()),
                serves: lot.target.clone().map_or(all.clone(), |t| vec![t]),
                last: lot.expires.map(number),
            });
        }
    }
    let mut told: Walked = all
        .iter()
        .map(|t| (vec![t.clone()], Default::default()))
        .collect();
    store.retain(|p| p.last.is_none_or(|last| last >= 0));
    for n in 0..7 * weeks {
        for target in &all {
            let lost = store
                .iter()
                .filter(|p| p.last.is_some_and(|last| last < n) && p.serves.contains(target));
            told.get_mut(&vec![target.clone()]).unwrap().1 += lost.count() as u64;
        }
        store.retain(|p| p.last.is_none_or(|last| last >= n));
        for target in &all {
            let mine = |p: &&Pieces| p.day == day(n) && p.kind.targets == [target.clone()];
            for _ in 0..back.iter().filter(mine).map(|p| p.count).sum() {
                store.push(Piece {
                    lot: None,
                    serves: vec![target.clone()],
                    last: None,
                });
            }
            for _ in 0..needs.iter().filter(mine).map(|p| p.count).sum() {
                let best = (0..store.len())
                    .filter(|&i| store[i].serves.contains(target))
                    .min_by_key(|&i| {
                        let p = &store[i];
                        (
                            p.last.unwrap_or(i64::MAX),
                            p.lot.is_some(),
                            p.serves.len() > 1,
                            p.lot.clone(),
                        )
                    });
                let entry = told.get_mut(&vec![target.clone()]).unwrap();
                match best {
                    Some(i) => {
                        store.remove(i);
                        entry.0 += 1;
                    }
                    None => *entry.2.entry(n).or_default() += 1,
                }
            }
        }
    }
    told
}

const TARGETS: [&str; 2] = ["gnat", "moth"];

fn any_pieces() -> impl Strategy<Value = Vec<Pieces>> {
    let one = (0_i64..42, 0_usize..2, 1_u64..6)
        .prop_map(|(n, t, count)| wanted(n, &kind(SupplyItem::Lure, &[TARGETS[t]]), count));
    proptest::collection::vec(one, 0..12)
}

fn any_lots() -> impl Strategy<Value = Vec<Lot>> {
    let one = (
        proptest::option::of(0_usize..2),
        proptest::option::of(-5_i64..45),
        0_u64..12,
    );
    proptest::collection::vec(one, 0..6).prop_map(|lots| {
        let named = |(n, (t, expires, count)): (usize, (Option<usize>, Option<i64>, u64))| {
            lot(&format!("L{n}"), t.map(|t| TARGETS[t]), expires, count)
        };
        lots.into_iter().enumerate().map(named).collect()
    })
}

proptest! {
    #[test]
    fn the_weeks_are_those_of_a_store_of_single_pieces(needs in any_pieces(), back in any_pieces(), lots in any_lots()) {
        let told = balance(&days(6), &needs, &back, &lots, given(Some(7), 0, 0.0));
        let mut walked = walk(&needs, &back, &lots, 6, &TARGETS);
        for one in told.iter().filter(|t| t.need > 0) {
            let (used, lost, missing) = walked.remove(&one.targets).unwrap();
            let taken: u64 = one.weeks.iter().flat_map(|w| &w.used).map(|u| u.pieces).sum();
            prop_assert_eq!((taken, one.lost), (used, lost));
            prop_assert_eq!(one.short, missing.values().sum::<u64>());
            prop_assert_eq!(one.short_from, missing.keys().next().map(|&n| day(n)));
            for (w, week) in one.weeks.iter().enumerate() {
                let w = w as i64;
                prop_assert_eq!(week.short, missing.range(7 * w..7 * w + 7).map(|(_, n)| n).sum::<u64>());
                prop_assert_eq!(week.taken, week.short + week.used.iter().map(|u| u.pieces).sum::<u64>());
            }
        }
        for (targets, (used, _, missing)) in walked {
            prop_assert!(used == 0 && missing.is_empty(), "{targets:?} is needed and not told of");
        }
    }

    #[test]
    fn orders_that_come_on_their_last_day_are_enough_and_one_piece_fewer_is_not(
        needs in any_pieces(), lots in any_lots(), batch in 1_u32..5, spoilage in 0.0..0.5,
    ) {
        let mut span = days(6);
        span.batch_weeks = batch;
        let told = balance(&span, &needs, &[], &lots, given(Some(7), 0, spoilage));
        // What arrives counts as coming back on that day, so that it is used from then on.
        let arrivals = |fewer: u64| -> Vec<Pieces> {
            let mut all: Vec<Pieces> = told
                .iter()
                .flat_map(|t| t.orders.iter().map(move |o| (t, o)))
                .map(|(t, o)| Pieces {
                    day: o.arrive_by,
                    kind: Kind { item: t.item, targets: t.targets.clone() },
                    count: o.pieces,
                })
                .collect();
            if let Some(last) = all.last_mut() {
                last.count -= fewer;
            }
            all
        };
        let short = |fewer| -> u64 {
            let again = balance(&span, &needs, &arrivals(fewer), &lots, given(None, 0, spoilage));
            again.iter().map(|t| t.short).sum()
        };
        prop_assert_eq!(short(0), 0);
        if told.iter().any(|t| t.short > 0) {
            prop_assert_eq!(short(1), 1);
        }
    }

    #[test]
    fn dates_of_orders_follow_from_lead_time_and_safety(
        needs in any_pieces(), lots in any_lots(), lead in 0_u32..40, safety in 0_u32..20,
    ) {
        for one in balance(&days(6), &needs, &[], &lots, given(Some(lead), safety, 0.0)) {
            prop_assert_eq!(one.orders.iter().map(|o| o.pieces).sum::<u64>(), one.short);
            for o in &one.orders {
                let ideal = o.covers.0.saturating_sub(i64::from(safety).days());
                prop_assert_eq!(o.arrive_by, ideal.max(TODAY));
                let by = o.order_by.unwrap();
                prop_assert_eq!(by.saturating_add(i64::from(lead).days()), o.arrive_by);
                prop_assert_eq!((o.late, o.arrives.is_some()), (by < TODAY, by < TODAY));
                prop_assert!(o.missing_before <= o.pieces);
            }
        }
    }
}
