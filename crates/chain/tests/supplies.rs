//! Supplies ahead over a small invented ground: clocks, heat, seasons, plans, holds, lots.

#![allow(clippy::unwrap_used)]

use earlywood_chain::supplies::{Ask, Forecast, PerItem, SupplyForecast, SupplyItem, forecast};
use earlywood_journal::body::{Cause, HoldScope, Item, Supply, SupplyMove};
use earlywood_journal::{Act, Body, HoldDeclared, LoadMode, Plan, Programme};
use earlywood_model::record::{Access, Place, Placement, Position};
use jiff::ToSpan as _;
use jiff::civil::{Date, date};

use crate::common::{created, hung, lead, weather};

const TARGET: &str = "mediterranean-fruit-fly";
const TODAY: Date = date(2025, 8, 4);

struct Site {
    _dir: tempfile::TempDir,
    programme: Programme,
    act: Act,
}

fn at(n: usize) -> Position {
    Position {
        lat: 34.0 + 0.02 * n as f64,
        lon: -100.0,
    }
}

impl Site {
    /// So many traps, hung on 1 July and not renewed since.
    fn with(traps: usize, target: &str) -> Site {
        let act = lead("2025-08-04T07:00:00");
        let (dir, mut programme) = created(&act);
        let placements: Vec<Placement> = (0..traps)
            .map(|n| {
                hung(
                    &format!("T{n}"),
                    &format!("P{n}"),
                    at(n),
                    target,
                    date(2025, 7, 1),
                )
            })
            .collect();
        if let Some(adopted) = crate::common::target(target) {
            programme.append(&act, adopted).unwrap();
        }
        if traps > 0 {
            programme.record_placements(&act, &placements).unwrap();
        }
        Site {
            _dir: dir,
            programme,
            act,
        }
    }

    fn append(&mut self, body: Body) {
        self.programme.append(&self.act, body).unwrap();
    }

    fn receive(&mut self, lot: &str, item: Item, quantity: u32, expires: Option<Date>) {
        self.append(Body::Supply(Supply {
            lot: lot.into(),
            what: SupplyMove::Received {
                item,
                target: None,
                quantity,
                made: None,
                expires,
                storage: None,
                storage_c: None,
            },
        }));
    }

    fn plan(&mut self, places: &[usize]) {
        self.append(Body::PlanAdopted(Plan {
            target: TARGET.into(),
            places: places
                .iter()
                .map(|&n| Place {
                    label: format!("P{n}"),
                    position: at(n),
                    cost: 1.0,
                    kept: false,
                    forbidden: false,
                })
                .collect(),
            objective: 1.0,
            bound: None,
            settings: serde_json::json!({}),
            reason: "a test".into(),
        }));
    }

    /// Ten years of one temperature in summer and another in winter, up to yesterday.
    fn weather(&mut self, summer_c: f64, winter_c: f64) {
        let days = weather("S", date(2016, 1, 1), TODAY.yesterday().unwrap(), |day| {
            let summer = (5..=9).contains(&day.month());
            let t = if summer { summer_c } else { winter_c };
            (t, t)
        });
        self.programme
            .load(&self.act, "weather.csv", LoadMode::Add, &days)
            .unwrap();
    }

    fn told(&self, change: impl Fn(&mut Ask)) -> Forecast {
        let mut ask = Ask::new(TODAY);
        change(&mut ask);
        forecast(&self.programme, &ask, TODAY).unwrap()
    }
}

fn item(told: &Forecast, item: SupplyItem) -> &SupplyForecast {
    told.items
        .iter()
        .find(|i| i.item == item)
        .unwrap_or_else(|| panic!("{told:?}"))
}

fn says(told: &Forecast, part: &str) -> bool {
    told.notes.iter().any(|n| n.contains(part))
}

/// Days after which the lure of the target warns by the calendar, from its profile.
fn lure_days() -> i64 {
    let profile = earlywood_model::profile::by_id(TARGET).unwrap();
    profile.clocks.lure.warning_days.ceil() as i64
}

#[test]
fn without_weather_the_calendar_and_the_lots_speak() {
    let mut site = Site::with(3, TARGET);
    site.receive("keeps", Item::Lure, 1, None);
    site.receive("gone", Item::Lure, 9, Some(date(2025, 8, 3)));
    let told = site.told(|a| a.weeks = 20);
    assert!(
        says(&told, "hang all the time") && says(&told, "no expiry date"),
        "{:?}",
        told.notes
    );
    assert!(says(&told, "lead time not given"), "{:?}", told.notes);
    let lure = item(&told, SupplyItem::Lure);
    // Renewed on the day of the first warning (or today, if that has passed), and then at that pace.
    let first = date(2025, 7, 1).saturating_add(lure_days().days()).max(TODAY);
    let expected = 3 * (1 + i64::from((told.to - first).get_days()) / lure_days());
    assert_eq!(lure.need, expected.unsigned_abs());
    assert_eq!((lure.in_store, lure.expired_already[0].pieces), (1, 9));
    assert_eq!((lure.short, lure.short_from), (lure.need - 1, Some(first)));
    assert!(lure.orders.iter().all(|o| o.order_by.is_none() && !o.late));

    let told = site.told(|a| {
        a.weeks = 20;
        a.lead_days = PerItem::read("lead_days", "10,lure=400").unwrap();
    });
    let order = &item(&told, SupplyItem::Lure).orders[0];
    assert_eq!(
        (order.late, order.order_by),
        (true, Some(first.saturating_sub(400.days())))
    );
    assert_eq!(order.missing_before, order.pieces);
}

#[test]
fn heat_makes_a_lure_due_sooner() {
    let need = |weather: Option<f64>| {
        let mut site = Site::with(1, TARGET);
        if let Some(t) = weather {
            site.weather(t, t);
        }
        let told = site.told(|a| a.weeks = 8);
        item(&told, SupplyItem::Lure).need
    };
    assert!(
        need(Some(35.0)) > need(None),
        "{} {}",
        need(Some(35.0)),
        need(None)
    );
}

#[test]
fn a_season_ends_the_need_and_the_next_begins_it_where_a_plan_wants_a_trap() {
    let mut site = Site::with(2, TARGET);
    site.weather(26.0, 2.0);
    let ask = |a: &mut Ask| {
        a.weeks = 60;
        a.reuse = 1.0;
    };
    let once = site.told(ask);
    let bodies = item(&once, SupplyItem::Body);
    let back: Vec<Date> = bodies
        .weeks
        .iter()
        .filter(|w| w.back > 0)
        .map(|w| w.from)
        .collect();
    assert_eq!(back.len(), 1, "{bodies:?}");
    assert!(
        bodies
            .weeks
            .iter()
            .filter(|w| w.from > back[0])
            .all(|w| w.need == 0)
    );
    site.plan(&[0, 1]);
    let again = site.told(ask);
    let later: Vec<_> = item(&again, SupplyItem::Body)
        .weeks
        .iter()
        .filter(|w| w.from > back[0] && w.need > 0)
        .collect();
    assert!(
        later[0].need == 2 && later[0].from > date(2026, 2, 1),
        "{later:?}"
    );
    // Both bodies that came down hang again.
    assert_eq!((later[0].short, later[0].used[0].lot.as_ref()), (0, None));
    assert!(item(&again, SupplyItem::Lure).need > item(&once, SupplyItem::Lure).need);
}

#[test]
fn places_of_a_plan_want_a_whole_trap_each_and_poles_where_they_are_needed() {
    let mut site = Site::with(0, TARGET);
    site.plan(&[4, 5, 6]);
    let access = Access {
        label: "P5".into(),
        needs: vec![earlywood_model::record::Skill::Pole],
        ..Access::default()
    };
    site.programme
        .load(&site.act, "access.csv", LoadMode::Add, &[access])
        .unwrap();
    let told = site.told(|a| a.weeks = 1);
    assert!(says(&told, "no lot was received"), "{:?}", told.notes);
    for (of, need) in [
        (SupplyItem::Lure, 3),
        (SupplyItem::Body, 3),
        (SupplyItem::Pole, 1),
    ] {
        assert_eq!(
            (item(&told, of).need, item(&told, of).short),
            (need, need),
            "{of:?}"
        );
    }
    let spoiled = site.told(|a| {
        a.weeks = 1;
        a.spoilage = PerItem::all(0.25);
    });
    assert_eq!(item(&spoiled, SupplyItem::Lure).short, 4);
}

#[test]
fn a_hold_puts_off_and_one_without_an_end_takes_away() {
    let need = |to: Option<Date>| {
        let mut site = Site::with(1, TARGET);
        site.append(Body::HoldDeclared(HoldDeclared {
            hold: "H-1".into(),
            cause: Cause::Heat,
            scope: HoldScope::All,
            from: date(2025, 8, 1),
            to,
            note: None,
        }));
        let told = site.told(|a| a.weeks = 12);
        (told.items.iter().map(|i| i.need).sum::<u64>(), told)
    };
    let (none, told) = need(None);
    assert_eq!(none, 0);
    assert!(says(&told, "hold without an end"), "{:?}", told.notes);
    let (some, told) = need(Some(date(2025, 9, 30)));
    assert!(some > 0);
    let first = told.items.iter().filter_map(|i| i.short_from).min().unwrap();
    assert_eq!(first, date(2025, 10, 1));
}

#[test]
fn a_target_that_nobody_knows_and_a_question_that_cannot_be_answered() {
    let site = Site::with(2, "no-such-moth");
    let told = site.told(|_| {});
    assert!(told.items.is_empty() && says(&told, "no-such-moth"), "{told:?}");
    let refused = |change: &dyn Fn(&mut Ask)| {
        let mut ask = Ask::new(TODAY);
        change(&mut ask);
        forecast(&site.programme, &ask, TODAY).unwrap_err().words()
    };
    assert!(refused(&|a| a.from = date(2025, 8, 3)).contains("has passed"));
    assert!(refused(&|a| a.station = Some("nowhere".into())).contains("nowhere"));
}

#[test]
fn pieces_with_crews_count_only_when_asked_for() {
    let mut site = Site::with(1, TARGET);
    site.receive("L", Item::Lure, 10, Some(date(2026, 8, 1)));
    site.append(Body::Supply(Supply {
        lot: "L".into(),
        what: SupplyMove::Issued {
            quantity: 4,
            to: "crew-1".into(),
        },
    }));
    assert_eq!(item(&site.told(|_| {}), SupplyItem::Lure).in_store, 6);
    let with = site.told(|a| a.with_crews = true);
    assert_eq!(item(&with, SupplyItem::Lure).in_store, 10);
    assert!(says(&with, "counted as in store"));
}
