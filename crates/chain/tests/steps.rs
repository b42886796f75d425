//! The steps of the job over a small invented ground, as a server takes them: files looked at and written, a plan drawn and
//! adopted, what-ifs held against the whole reckoned anew, tiles read back, the day of a phone.

#![allow(clippy::unwrap_used)]

use std::fmt::Write as _;
use std::sync::Arc;

use earlywood_chain::draft::{AsIs, Drafts, Edited, Hanging, PlanAsk, State};
use earlywood_chain::load::What;
use earlywood_chain::map::tiles::TileId;
use earlywood_chain::map::{self, LayerName};
use earlywood_chain::network::{Change, Network, Spot};
use earlywood_chain::preview::{Handed, Previews};
use earlywood_chain::view::Now;
use earlywood_chain::{
    ChainError, Desk, bench, draft, figures, morning, phone, rounds, season, stores, trees,
};
use earlywood_journal::{Act, Body, Correction, Draft, PersonEnrolled, Programme, Role, TakeDown};
use earlywood_model::assurance::Settings;
use earlywood_model::record::{Placement, Position, Renewed, Visit};
use jiff::civil::{Date, date};
use proptest::prelude::*;
use uuid::Uuid;

use crate::common::{created, hung, lead, service};

const TARGET: &str = "mediterranean-fruit-fly";
const TODAY: Date = date(2025, 8, 1);

struct Site {
    _dir: tempfile::TempDir,
    programme: Programme,
    act: Act,
    desk: Desk,
}

fn now() -> Now {
    Now {
        today: TODAY,
        at: "2025-08-01T18:00:00Z".parse().unwrap(),
    }
}

fn hosts() -> String {
    let mut text = String::from("label,species,lat,lon,condition\n");
    for row in 0..12 {
        for column in 0..12 {
            writeln!(
                text,
                "H-{row}-{column},Citrus sinensis,{:.7},{:.7},healthy",
                34.0 + f64::from(row) * 3.6e-4,
                -100.0 + f64::from(column) * 4.3e-4
            )
            .unwrap();
        }
    }
    text
}

fn zones() -> String {
    let square = |label: &str, west: f64, east: f64| {
        format!(
            r#"{{"type":"Feature","properties":{{"label":"{label}"}},"geometry":{{"type":"Polygon","coordinates":
            [[[{west},33.998],[{east},33.998],[{east},34.006],[{west},34.006],[{west},33.998]]]}}}}"#
        )
    };
    format!(
        r#"{{"type":"FeatureCollection","features":[{},{}]}}"#,
        square("west", -100.002, -99.9976),
        square("east", -99.9976, -99.993)
    )
}

fn weather() -> String {
    let mut text = String::from("station,date,tmin_c,tmax_c\n");
    let mut day = date(2022, 1, 1);
    while day <= TODAY {
        let phase = f64::from(day.day_of_year()) / 365.0 * std::f64::consts::TAU;
        let mean = 17.0 - 10.0 * phase.cos();
        writeln!(text, "S1,{day},{:.1},{:.1}", mean - 6.0, mean + 6.0).unwrap();
        day = day.tomorrow().unwrap();
    }
    text
}

impl Site {
    fn empty() -> Site {
        let act = lead("2025-08-01T12:00:00");
        let (dir, programme) = created(&act);
        Site {
            _dir: dir,
            programme,
            act,
            desk: Desk::new(),
        }
    }

    fn load(&mut self, what: What, name: &str, text: &str) {
        let previews = Previews::default();
        let id = Uuid::now_v7();
        let file = Handed {
            what,
            name,
            bytes: text.as_bytes(),
        };
        let told = previews.look(&self.programme, id, "lead", file, TODAY).unwrap();
        assert_eq!(told.bad, 0, "{:?}", told.rejected);
        let written = previews
            .write(&mut self.programme, &self.act, id, false, false)
            .unwrap();
        assert_eq!(written.written, told.good);
    }

    fn new() -> Site {
        let mut site = Site::empty();
        site.load(What::Zones, "zones.geojson", &zones());
        site.load(What::Hosts, "hosts.csv", &hosts());
        site.load(
            What::Pathways,
            "pathways.csv",
            "label,kind,lat,lon,weight,reach_m\nmarket,fruit market,34.0020,-100.0000,5,150\n",
        );
        site.load(What::Weather, "weather.csv", &weather());
        site
    }

    fn draw(&self, drafts: &Drafts, ask: &PlanAsk) -> Uuid {
        let id = Uuid::now_v7();
        drafts.begin(id, ask, "lead", now().at).unwrap();
        drafts.make(&self.desk, &self.programme, id, ask);
        id
    }

    /// A plan of eight traps, adopted and hung on 1 April; all but the first looked at in July.
    fn hung() -> Site {
        let mut site = Site::new();
        let drafts = Drafts::default();
        let id = site.draw(&drafts, &eight());
        let told = drafts.get(id).unwrap();
        assert_eq!(told.state, State::Done, "{told:?}");
        let made = drafts.made(id).unwrap();
        draft::adopt(&mut site.programme, &site.act, &made, "a test").unwrap();
        let places = told.places.unwrap();
        let placements: Vec<Placement> = places
            .iter()
            .enumerate()
            .map(|(n, p)| {
                let at = p.position().unwrap();
                hung(&format!("T{n}"), &p.label, at, TARGET, date(2025, 4, 1))
            })
            .collect();
        site.programme.record_placements(&site.act, &placements).unwrap();
        let looks: Vec<Visit> = (1..placements.len())
            .map(|n| {
                let renewed = Renewed {
                    lure: true,
                    ..Renewed::default()
                };
                Visit {
                    crew: Some("crew-1".into()),
                    ..service(&format!("T{n}"), date(2025, 7, 20), 0, renewed)
                }
            })
            .collect();
        site.programme.record_visits(&site.act, &looks).unwrap();
        site
    }
}

fn eight() -> PlanAsk {
    PlanAsk {
        target: TARGET.into(),
        traps: Some(8),
        spacing_m: Some(60.0),
        ..PlanAsk::default()
    }
}

#[test]
fn the_views_of_a_season_agree_with_each_other() {
    let site = Site::hung();
    let (desk, programme) = (&site.desk, &site.programme);
    let told = morning::morning(desk, programme, now()).unwrap();
    assert_eq!(told.counts.traps_out, 8);
    assert_eq!((told.counts.visits_today, told.counts.visits_7_days), (0, 0));
    // T0 was never looked at: it is overdue, with failed parts. Those that cost most come first.
    let first = told.overdue.iter().find(|t| t.trap == "T0").unwrap();
    assert_eq!((first.last_look, first.clocks[0].days), (None, 122));
    let costs: Vec<f64> = told.overdue.iter().map(|t| t.costs.unwrap_or(-1.0)).collect();
    assert!(costs.is_sorted_by(|a, b| a >= b), "{costs:?}");
    assert!(told.overdue[0].costs.unwrap() > 0.0);
    assert!(told.overdue[0].zone.is_some() && told.overdue[0].held_by.is_none());
    assert_eq!(told.assurance.len(), 1);
    let asked = figures::Asked {
        target: TARGET.into(),
        on: TODAY,
        draws: earlywood_chain::desk::USUAL_DRAWS,
        ..figures::Asked::default()
    };
    let sure = figures::assurance(desk, programme, &asked, TODAY).unwrap();
    assert_eq!(sure.zones.len(), 2);
    assert!(
        sure.assumptions
            .iter()
            .all(|a| !a.source.is_empty() && !a.confidence.is_empty())
    );
    let weakest = &told.assurance[0];
    let zone = sure.zones.iter().find(|z| z.zone == weakest.zone).unwrap();
    assert_eq!(zone.sensitivity, weakest.sensitivity);
    // Cells, weighted, are the zone.
    let ground = desk.ground(programme, TARGET).unwrap();
    let seen = desk.cells_seen(programme, TARGET, TODAY).unwrap();
    let answered = desk
        .answered(programme, TARGET, TODAY, asked.draws, None)
        .unwrap();
    for (z, zone) in answered.answer.zones.iter().enumerate() {
        let cells = ground
            .cells
            .cells
            .iter()
            .zip(seen.iter())
            .filter(|(c, _)| c.zone == Some(z));
        let (sum, weight) = cells.fold((0.0, 0.0), |(s, w), (cell, seen)| {
            (s + cell.weight() * seen.central, w + cell.weight())
        });
        assert!(
            (sum / weight - zone.central_sensitivity).abs() < 1e-9,
            "{}",
            zone.zone
        );
    }
    let none = figures::Asked {
        zone: Some("nowhere".into()),
        ..asked.clone()
    };
    assert!(matches!(
        figures::assurance(desk, programme, &none, TODAY),
        Err(ChainError::Unknown { what: "zone", .. })
    ));
    let ahead = figures::Asked {
        on: date(2025, 8, 2),
        ..asked
    };
    assert!(figures::assurance(desk, programme, &ahead, TODAY).is_err());
    let due = rounds::rounds(desk, programme, TODAY).unwrap();
    let stops: Vec<usize> = due
        .zones
        .iter()
        .flat_map(|z| z.stops.iter().map(|s| s.order))
        .collect();
    assert_eq!(stops.len(), told.overdue.len());
    assert!(
        due.zones
            .iter()
            .all(|z| z.stops.iter().zip(1..).all(|(s, n)| s.order == n))
    );
    let plan = season::season(programme, TARGET, 2025).unwrap();
    assert!(plan.orders.iter().any(|o| o.item == "lures" && o.quantity >= 8));
    assert!(season::season(programme, TARGET, 1500).is_err());
    assert!(bench::bench(programme, now(), None).unwrap().tray.is_empty());
    assert!(bench::specimen(programme, &site.act, "S-1").is_err());
    assert_eq!(trees::trees(programme, None, 10).unwrap().total, 0);
    assert!(stores::stores(programme, TODAY).unwrap().is_empty());
    assert!(figures::targets(programme).unwrap()[0].adopted);
    assert_eq!(Settings::new(TODAY, TODAY, TODAY).seed, 1);
}

#[test]
fn a_phone_has_all_it_needs_for_its_day() {
    let site = Site::hung();
    let day = phone::day(&site.programme, "lead", now()).unwrap();
    assert_eq!(day.traps.len(), 8);
    let stop = day.stops.iter().find(|s| s.trap.trap == "T0").unwrap();
    assert!(stop.last.is_none());
    assert!(day.stops.iter().zip(1..).all(|(s, n)| s.order == n));
    assert!(!day.trees.is_empty() && day.trees.len() <= 144);
    assert_eq!(day.targets[0].id, TARGET);
    assert!(day.limits["look"].warn_days <= day.limits["look"].fail_days);
    let json = serde_json::to_value(&day).unwrap();
    assert_eq!(json["today"], "2025-08-01");
    assert_eq!(json["roles"][0], "lead");
    assert!(json["stops"][0]["lat"].is_f64() && json["stops"][0]["clocks"][0]["clock"] == "look");
}

/// What the phone writes at one tap when a trap is hung (web/src/phone/core/hang.ts; its own test has the same bodies).
fn hung_on_a_phone(place: &phone::PhonePlace) -> [(&'static str, u32, String); 3] {
    let (label, lat, lon) = (&place.place, place.lat, place.lon);
    [
        ("trap-registered", 1, r#"{"device":"prism","trap":"N-1"}"#.into()),
        (
            "trap-placed",
            1,
            format!(
                r#"{{"hung":"2025-08-01","place":"{label}","position":{{"lat":{lat},"lon":{lon}}},"targets":["{TARGET}"],"trap":"N-1"}}"#
            ),
        ),
        (
            "visit-made",
            2,
            format!(
                r#"{{"arrive":"2025-08-01T12:00:00-06:00","crew":"crew-3","date":"2025-08-01","found":"working","kind":"hang","leave":"2025-08-01T12:09:00-06:00","looked":"no","note":"shadier here","outcome":"complete","photos":[{{"bytes":70,"hash":"{}","media":"image/png","shows":"overview"}}],"place":"{label}","position":{{"lat":{lat},"lon":{lon}}},"position_accuracy_m":6,"proved_by":"read","renewed":{{"lure":{{"lot":"L-7"}}}},"trap":"N-1"}}"#,
                "ab".repeat(32)
            ),
        ),
    ]
}

#[test]
fn a_trap_is_hung_on_a_phone_where_the_plan_wants_one_and_can_be_taken_back() {
    let mut site = Site::hung();
    let open = |site: &Site| phone::day(&site.programme, "finn", now()).unwrap().to_hang;
    assert!(open(&site).is_empty());
    let down = TakeDown {
        trap: "T3".into(),
        date: TODAY,
        reason: None,
    };
    site.programme
        .append(&site.act, Body::TrapTakenDown(down))
        .unwrap();
    let finn = Body::PersonEnrolled(PersonEnrolled {
        person: "finn".into(),
        roles: vec![Role::Inspector],
        from: date(2025, 1, 1),
        to: None,
    });
    site.programme.append(&site.act, finn).unwrap();
    let places = open(&site);
    assert_eq!(places.len(), 1, "{places:?}");
    assert_eq!(places[0].targets, [TARGET]);
    assert!(places[0].zone.is_some());
    assert!(serde_json::to_value(&places[0]).unwrap()["lat"].is_f64());

    let inspector = Act::new("finn", site.act.now().clone()).unwrap();
    let drafts: Vec<Draft> = hung_on_a_phone(&places[0])
        .iter()
        .map(|(kind, version, body)| Body::read_strict(kind, *version, body).unwrap().into())
        .collect();
    let receipts = site.programme.append_all(&inspector, &drafts).unwrap();
    assert!(open(&site).is_empty());
    let hanging = site.programme.hanging().unwrap();
    let new = hanging.iter().find(|h| h.placement.trap == "N-1").unwrap();
    assert_eq!(
        (new.placement.place.as_str(), new.placement.hung),
        (places[0].place.as_str(), TODAY)
    );
    assert_eq!(
        (new.lure, new.lure_lot.as_deref(), new.condition.as_str()),
        (Some(TODAY), Some("L-7"), "working")
    );

    // The phone takes back the last first; the inspector may, since they are their own.
    for receipt in receipts.iter().rev() {
        let back = Body::Correction(Correction {
            corrects: receipt.id,
            reason: "a slip".into(),
            change: earlywood_journal::Change::Withdraw,
        });
        site.programme.append(&inspector, back).unwrap();
    }
    assert_eq!(open(&site), places);
    assert!(
        site.programme
            .hanging()
            .unwrap()
            .iter()
            .all(|h| h.placement.trap != "N-1")
    );
}

#[test]
fn a_bad_file_is_shown_row_by_row_and_written_only_as_it_was_shown() {
    let mut site = Site::new();
    let previews = Previews::default();
    let text = "label,species,lat,lon,colour\n\
                H-0-0,Citrus sinensis,34.0010,-99.9990,red\n\
                N-1,Citrus sinensis,34.0011,-99.9991,red\n\
                N-2,Citrus sinensis,134.0,-99.9991,red\n";
    let file = Handed {
        what: What::Hosts,
        name: "more.csv",
        bytes: text.as_bytes(),
    };
    let id = Uuid::now_v7();
    let told = previews.look(&site.programme, id, "lead", file, TODAY).unwrap();
    assert_eq!((told.good, told.bad, told.good_if_replaced), (1, 2, Some(2)));
    assert_eq!(told.rejected.len(), 2);
    let bad = told.rejected.iter().find(|r| r.row == Some(4)).unwrap();
    assert_eq!(bad.column.as_deref(), Some("lat"));
    assert!(!bad.rule.is_empty() && !bad.words.is_empty());
    assert!(told.columns.iter().any(|c| c.name == "colour" && !c.used));
    assert!(told.columns.iter().any(|c| c.name == "lat" && c.used));
    assert_eq!(told.sample.len(), 1);
    assert_eq!(told.shapes.unwrap()["features"].as_array().unwrap().len(), 1);
    let before = site.programme.revision().unwrap();
    assert!(
        previews
            .write(&mut site.programme, &site.act, id, false, false)
            .is_err()
    );
    assert_eq!(site.programme.revision().unwrap(), before, "nothing was written");
    // Another person can't write it.
    let other = Act::new("clerk", site.act.now().clone()).unwrap();
    assert!(
        previews
            .write(&mut site.programme, &other, id, true, false)
            .is_err()
    );
    let written = previews
        .write(&mut site.programme, &site.act, id, true, false)
        .unwrap();
    assert_eq!((written.written, written.left_out), (1, 2));
    assert_eq!(site.programme.hosts().unwrap().len(), 145);
    // It is gone once it was written.
    assert!(
        previews
            .write(&mut site.programme, &site.act, id, true, false)
            .is_err()
    );
    for (what, text) in [
        (What::Hosts, "not,a,table\n1,2,3\n"),
        (What::Zones, "{\"type\":\"FeatureCollection\",\"features\":[]}"),
        (What::Land, "{broken"),
        (What::Hosts, ""),
    ] {
        let file = Handed {
            what,
            name: "x.csv",
            bytes: text.as_bytes(),
        };
        let id = Uuid::now_v7();
        let told = previews.look(&site.programme, id, "lead", file, TODAY).unwrap();
        assert_eq!(told.good, 0, "{text:?}");
        assert!(
            previews
                .write(&mut site.programme, &site.act, id, true, false)
                .is_err()
        );
        previews.remove(id, "lead").unwrap();
        assert!(previews.remove(id, "lead").is_err());
    }
    let target = Handed {
        what: What::Targets,
        name: "t.toml",
        bytes: b"layout = 1",
    };
    assert!(
        previews
            .look(&site.programme, Uuid::now_v7(), "lead", target, TODAY)
            .is_err()
    );
}

#[test]
fn plans_are_drawn_compared_edited_and_adopted_with_a_reason() {
    let mut site = Site::hung();
    let drafts = Drafts::default();
    let hanging = site.draw(
        &drafts,
        &PlanAsk {
            target: TARGET.into(),
            as_is: Some(AsIs::Hanging(Hanging::Hanging)),
            ..PlanAsk::default()
        },
    );
    let four = site.draw(
        &drafts,
        &PlanAsk {
            traps: Some(4),
            ..eight()
        },
    );
    let (now_hanging, fewer) = (drafts.get(hanging).unwrap(), drafts.get(four).unwrap());
    assert_eq!((now_hanging.traps, fewer.traps), (8, 4));
    assert_eq!(fewer.cost.unwrap().traps, 4);
    let value = |d: &draft::PlanDraft| d.sensitivity.as_ref().unwrap().all;
    assert!(value(&now_hanging) > value(&fewer));
    // What the search says it found is what the network would see.
    assert!((fewer.objective.unwrap() - value(&fewer)).abs() < 1e-4);
    assert!(fewer.bound.unwrap() >= fewer.objective.unwrap() - 1e-9);
    let (a, b) = (drafts.made(four).unwrap(), drafts.made(hanging).unwrap());
    let both = draft::compare(&a, &b).unwrap();
    assert_eq!(both.only_a.len() + both.same_places, 4);
    assert_eq!(both.only_b.len() + both.same_places, 8);
    assert!(both.difference.max > 0.0);
    let mut places = fewer.places.clone().unwrap();
    places[0].lat += 5e-4;
    let moved = site.draw(
        &drafts,
        &PlanAsk {
            target: TARGET.into(),
            as_is: Some(AsIs::Edited(Edited {
                from: Some(four),
                places,
            })),
            ..PlanAsk::default()
        },
    );
    let edited = drafts.made(moved).unwrap();
    assert!(draft::adopt(&mut site.programme, &site.act, &edited, " ").is_err());
    draft::adopt(&mut site.programme, &site.act, &edited, "the owner asked").unwrap();
    let adopted = draft::adopted(&site.programme).unwrap();
    assert_eq!((adopted.len(), adopted[0].traps), (2, 4));
    assert_eq!(adopted[0].reason, "the owner asked");
    for bad in [
        PlanAsk::default(),
        PlanAsk {
            budget: Some(4.0),
            ..eight()
        },
        PlanAsk {
            traps: Some(0),
            ..eight()
        },
        PlanAsk {
            effort: Some(f64::NAN),
            ..eight()
        },
    ] {
        assert!(bad.check().is_err(), "{bad:?}");
    }
    let failed = site.draw(
        &drafts,
        &PlanAsk {
            target: "no-such-target".into(),
            ..eight()
        },
    );
    assert_eq!(drafts.get(failed).unwrap().state, State::Failed);
    assert!(drafts.made(failed).is_err());
    drafts.remove(failed).unwrap();
    assert!(drafts.remove(failed).is_err());
}

fn network_of(site: &Site, spots: Vec<Spot>) -> Network {
    let ground = site.desk.ground(&site.programme, TARGET).unwrap();
    let standing = site.desk.standing(&site.programme, TARGET, &ground).unwrap();
    Network::new(ground, standing, spots).unwrap()
}

fn spot(label: usize, at: (f64, f64)) -> Spot {
    Spot {
        label: format!("T{label}"),
        lat: at.0,
        lon: at.1,
        kept: false,
        cost: None,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// A change reckoned where it reaches is the whole network reckoned anew.
    #[test]
    fn a_what_if_is_what_the_whole_says(
        traps in prop::collection::vec((33.999..34.005_f64, -100.001..-99.994_f64), 1..8),
        to in (33.999..34.005_f64, -100.001..-99.994_f64),
        added in prop::collection::vec((33.999..34.005_f64, -100.001..-99.994_f64), 0..3),
        drop_last in any::<bool>(),
    ) {
        let site = shared();
        let before: Vec<Spot> = traps.iter().enumerate().map(|(i, at)| spot(i, *at)).collect();
        let network = network_of(&site, before.clone());
        let mut after = before.clone();
        after[0] = spot(0, to);
        let removed = if drop_last && after.len() > 1 {
            vec![after.pop().unwrap().label]
        } else {
            Vec::new()
        };
        after.extend(added.iter().enumerate().map(|(i, at)| spot(100 + i, *at)));
        let change = Change {
            moved: vec![spot(0, to)],
            added: added.iter().map(|(lat, lon)| Position { lat: *lat, lon: *lon }).collect(),
            removed,
        };
        let told = network.what_if(&change, 3).unwrap();
        let anew = network_of(&site, after);
        prop_assert!((told.all.before - network.sensitivity().0).abs() < 1e-12);
        prop_assert!((told.all.after - anew.sensitivity().0).abs() < 1e-9);
        for (row, (zone, value)) in told.zones.iter().zip(anew.sensitivity().1) {
            prop_assert_eq!(row.zone.as_deref(), Some(zone.as_str()));
            prop_assert!((row.after - value).abs() < 1e-9);
        }
        let (old, new) = (network.values(), anew.values());
        for (cell, b, a) in &told.cells {
            prop_assert!((old[*cell as usize] - b).abs() < 1e-9);
            prop_assert!((new[*cell as usize] - a).abs() < 1e-9);
        }
        let changed = old.iter().zip(&new).filter(|(o, n)| (*o - *n).abs() > 0.0005 + 1e-9).count();
        prop_assert!(told.cells.len() >= changed);
        let band = told.all.band_after.unwrap();
        let whole = anew.band(3).unwrap();
        prop_assert!((band.median - whole.median).abs() < 1e-9);
    }
}

/// One ground for all cases of a property: it is not changed.
fn shared() -> std::sync::MutexGuard<'static, Site> {
    static SITE: std::sync::OnceLock<std::sync::Mutex<Site>> = std::sync::OnceLock::new();
    let site = SITE.get_or_init(|| std::sync::Mutex::new(Site::new()));
    site.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

#[test]
fn a_what_if_names_broken_rules_and_refuses_unknown_traps() {
    let site = Site::hung();
    let network = site.desk.network(&site.programme, TARGET).unwrap();
    let far_from_trees = Change {
        moved: vec![spot(0, (34.0, -100.0015))],
        ..Change::default()
    };
    let told = network.what_if(&far_from_trees, 0).unwrap();
    assert!(
        told.broken_rules
            .iter()
            .any(|b| b.label == "T0" && b.words.contains("from the nearest host")),
        "{:?}",
        told.broken_rules
    );
    assert!(told.all.band_after.is_none());
    let elsewhere = Change {
        added: vec![Position {
            lat: 35.0,
            lon: -100.0,
        }],
        ..Change::default()
    };
    let told = network.what_if(&elsewhere, 0).unwrap();
    assert!(told.broken_rules.iter().any(|b| b.words.contains("in no zone")));
    assert!(told.cells.is_empty());
    let unknown = Change {
        removed: vec!["T99".into()],
        ..Change::default()
    };
    assert!(matches!(
        network.what_if(&unknown, 0),
        Err(ChainError::Unknown { .. })
    ));
}

#[test]
fn the_map_has_its_layers_and_tiles() {
    let site = Site::hung();
    let (desk, programme) = (&site.desk, &site.programme);
    let frame = map::frame(desk, programme, TARGET, TODAY).unwrap();
    assert_eq!(
        (frame.counts.hosts, frame.counts.traps, frame.counts.zones),
        (144, 8, 2)
    );
    assert!(
        frame.sensitivity.max > 0.0 && frame.notes.is_empty(),
        "{:?}",
        frame.notes
    );
    for (name, count) in [
        (LayerName::Zones, 2),
        (LayerName::Land, 0),
        (LayerName::Pathways, 1),
        (LayerName::Places, 8),
        (LayerName::Traps, 8),
        (LayerName::Finds, 0),
    ] {
        let layer = map::layer(desk, programme, name, Some(TARGET), TODAY).unwrap();
        assert_eq!(layer["features"].as_array().unwrap().len(), count, "{name:?}");
    }
    assert_eq!(LayerName::parse("traps"), Some(LayerName::Traps));
    assert_eq!(LayerName::parse("roads"), None);
    assert!(TileId::new(3, 8, 0).is_err() && TileId::new(23, 0, 0).is_err());
    // Whatever the zoom, every host is counted once over the tiles that hold the ground.
    for z in [0, 6, 12, 16, 18] {
        let mut hosts = 0.0;
        let mut cells = 0;
        for tile in tiles_over(z, &frame.bounds) {
            hosts += decoded(&map::host_tile(desk, programme, Some(TARGET), tile).unwrap())
                .iter()
                .map(|f| f.number("n"))
                .sum::<f64>();
            let shown = decoded(&map::cell_tile(desk, programme, TARGET, TODAY, tile).unwrap());
            cells += shown.len();
            for cell in shown {
                let (low, s, high) = (cell.number("s_low"), cell.number("s"), cell.number("s_high"));
                assert!((0.0..=1.0).contains(&s) && low <= s + 1e-6 && s <= high + 1e-6);
                assert!(cell.ring.len() >= 3 && area(&cell.ring) > 0);
            }
        }
        assert_eq!(hosts, 144.0, "zoom {z}");
        assert!(cells > 0, "zoom {z}");
    }
    let (network, drafts) = (desk.network(programme, TARGET).unwrap(), Drafts::default());
    assert_eq!(network.spots().len(), 8);
    let id = site.draw(&drafts, &eight());
    let made = drafts.made(id).unwrap();
    let tile = tiles_over(14, &frame.bounds)[0];
    assert!(!draft::tile(desk, programme, &made, tile).unwrap().is_empty());
    assert!(
        !draft::compare_tile(desk, programme, (&made, &made), tile)
            .unwrap()
            .is_empty()
    );
    drop(Arc::clone(&network));
}

fn tiles_over(z: u8, bounds: &[f64; 4]) -> Vec<TileId> {
    let n = f64::from(1_u32 << z);
    let column = |lon: f64| ((lon / 360.0 + 0.5) * n) as u32;
    let row = |lat: f64| {
        let sin = lat.to_radians().sin();
        ((0.5 - ((1.0 + sin) / (1.0 - sin)).ln() / (4.0 * std::f64::consts::PI)) * n) as u32
    };
    let mut all = Vec::new();
    for x in column(bounds[0])..=column(bounds[2]) {
        for y in row(bounds[3])..=row(bounds[1]) {
            all.push(TileId::new(z, x, y).unwrap());
        }
    }
    all
}

/// A feature read back.
struct Feature {
    properties: Vec<(String, f64, String)>,
    ring: Vec<(i64, i64)>,
}

impl Feature {
    fn number(&self, key: &str) -> f64 {
        self.properties.iter().find(|p| p.0 == key).unwrap().1
    }
}

fn area(ring: &[(i64, i64)]) -> i64 {
    let next = ring.iter().cycle().skip(1);
    ring.iter().zip(next).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum()
}

/// Protocol buffers, read as the specification has them: number, wire type, then a varint, four bytes or a length.
fn fields(bytes: &[u8]) -> Vec<(u64, u64, Vec<u8>)> {
    let (mut at, mut out) = (0, Vec::new());
    let varint = |at: &mut usize| {
        let (mut value, mut shift) = (0_u64, 0);
        loop {
            let byte = bytes[*at];
            *at += 1;
            value |= u64::from(byte & 0x7f) << shift;
            shift += 7;
            if byte < 0x80 {
                return value;
            }
        }
    };
    while at < bytes.len() {
        let key = varint(&mut at);
        match key & 7 {
            0 => out.push((key >> 3, varint(&mut at), Vec::new())),
            2 => {
                let length = varint(&mut at) as usize;
                out.push((key >> 3, 0, bytes[at..at + length].to_vec()));
                at += length;
            }
            5 => {
                out.push((key >> 3, 0, bytes[at..at + 4].to_vec()));
                at += 4;
            }
            other => panic!("wire type {other}"),
        }
    }
    out
}

fn packed(bytes: &[u8]) -> Vec<u64> {
    let (mut all, mut value, mut shift) = (Vec::new(), 0_u64, 0);
    for byte in bytes {
        value |= u64::from(byte & 0x7f) << shift;
        shift += 7;
        if *byte < 0x80 {
            all.push(value);
            (value, shift) = (0, 0);
        }
    }
    all
}

fn decoded(tile: &[u8]) -> Vec<Feature> {
    let mut all = Vec::new();
    for (_, _, layer) in fields(tile) {
        let parts = fields(&layer);
        let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
        let keys: Vec<String> = parts.iter().filter(|p| p.0 == 3).map(|p| text(&p.2)).collect();
        let values: Vec<(f64, String)> = parts
            .iter()
            .filter(|p| p.0 == 4)
            .map(|p| match &fields(&p.2)[0] {
                (1, _, bytes) => (f64::NAN, text(bytes)),
                (2, _, bytes) => {
                    let four = [bytes[0], bytes[1], bytes[2], bytes[3]];
                    (f64::from(f32::from_le_bytes(four)), String::new())
                }
                (5, count, _) => (*count as f64, String::new()),
                other => panic!("{other:?}"),
            })
            .collect();
        assert!(parts.contains(&(5, 4096, Vec::new())) && parts.contains(&(15, 2, Vec::new())));
        for (_, _, feature) in parts.iter().filter(|p| p.0 == 2) {
            let parts = fields(feature);
            let tags = packed(&parts.iter().find(|p| p.0 == 2).unwrap().2);
            let properties = tags
                .chunks(2)
                .map(|t| {
                    let (number, text) = values[t[1] as usize].clone();
                    (keys[t[0] as usize].clone(), number, text)
                })
                .collect();
            let geometry = packed(&parts.iter().find(|p| p.0 == 4).unwrap().2);
            all.push(Feature {
                properties,
                ring: walk(&geometry),
            });
        }
    }
    all
}

fn walk(geometry: &[u64]) -> Vec<(i64, i64)> {
    let (mut at, mut here, mut ring) = (0, (0, 0), Vec::new());
    let step = |v: u64| ((v >> 1) as i64) ^ -((v & 1) as i64);
    while at < geometry.len() {
        let (id, count) = (geometry[at] & 7, geometry[at] >> 3);
        at += 1;
        if id == 7 {
            continue;
        }
        for _ in 0..count {
            here = (here.0 + step(geometry[at]), here.1 + step(geometry[at + 1]));
            ring.push(here);
            at += 2;
        }
    }
    ring
}
