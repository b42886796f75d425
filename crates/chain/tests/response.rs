//! A response on an invented street of ash: what the protocol says, whom to tell, where it came from, the clock, the
//! status, the report, and what of it the public may see.

#![allow(clippy::unwrap_used)]

use earlywood_chain::ChainError;
use earlywood_chain::ground::GroundOptions;
use earlywood_chain::response::public::{public, unanswered};
use earlywood_chain::response::report::{Given, Issue, draft, issue};
use earlywood_chain::response::status::Category;
use earlywood_chain::response::steps::{Standing, checklist, take};
use earlywood_chain::response::{Case, How, Whole, origin, whole};
use earlywood_journal::body::{MultiPolygon, ResponseEnd};
use earlywood_journal::{AreaDrawn, Body, Draft, LoadMode, Programme, ResponseClosed, Status, VisitMade};
use earlywood_model::protocol;
use earlywood_model::record::{Host, Pathway, Placement, Position, Renewed, WeatherDay};
use jiff::civil::{Date, date};

use crate::common::{
    ASH_BORER, adopt_protocol, ash, created, hung, lead, look_for_ash_borer, opened, said, service, taken,
};

/// When everything is typed in: each entry tells when it happened.
const NOW: &str = "2024-10-01T08:00:00";
/// A street's length of trees along a parallel.
const TREES: usize = 60;
/// Trees between traps.
const EVERY: usize = 6;

fn tree(n: usize) -> Position {
    // About 12 m from tree to tree.
    Position {
        lat: 44.0 + 0.0001 * (n % 2) as f64,
        lon: -100.0 + 0.00015 * n as f64,
    }
}

struct Site {
    _dir: tempfile::TempDir,
    programme: Programme,
}

fn stop(trap: &str, date: Date, suspects: u32) -> Body {
    let renewed = Renewed {
        lure: true,
        insert: true,
        ..Renewed::default()
    };
    Body::VisitMade(VisitMade::from_visit(&service(trap, date, suspects, renewed)))
}

/// Warm from May to September, with a year of it before.
fn weather() -> Vec<WeatherDay> {
    crate::common::weather("Street", date(2022, 1, 1), date(2024, 9, 30), |day| {
        let warm = 8.0 - 12.0 * (std::f64::consts::TAU * f64::from(day.day_of_year()) / 365.0).cos();
        (warm - 6.0, warm + 6.0)
    })
}

impl Site {
    /// Ten traps along a street of ash, looked at once in mid-season and again in August; trap T3 caught a suspect in July.
    fn new() -> Site {
        let lead = lead(NOW);
        let (dir, mut programme) = created(&lead);
        let hosts: Vec<Host> = (0..TREES).map(|n| ash(format!("A{n:02}"), tree(n))).collect();
        programme.load(&lead, "trees.csv", LoadMode::Add, &hosts).unwrap();
        let nursery = Pathway {
            label: "nursery".into(),
            kind: "nursery stock".into(),
            position: tree(20),
            weight: 3.0,
            reach_m: 200.0,
        };
        programme
            .load(&lead, "pathways.csv", LoadMode::Add, &[nursery])
            .unwrap();
        programme
            .load(&lead, "weather.csv", LoadMode::Add, &weather())
            .unwrap();
        look_for_ash_borer(&mut programme, &lead);
        let placements: Vec<Placement> = (0..TREES / EVERY)
            .map(|n| {
                let between = Position {
                    lat: 44.00015,
                    ..tree(n * EVERY + 3)
                };
                hung(
                    &format!("T{n}"),
                    &format!("P{n}"),
                    between,
                    ASH_BORER,
                    date(2024, 5, 1),
                )
            })
            .collect();
        programme.record_placements(&lead, &placements).unwrap();
        let mut site = Site { _dir: dir, programme };
        for (month, day) in [(7, 1), (8, 12)] {
            let when = date(2024, month, day);
            for n in 0..TREES / EVERY {
                let suspects = u32::from(n == 3 && month == 7);
                site.at(
                    &format!("{when}T10:00:00"),
                    stop(&format!("T{n}"), when, suspects),
                );
            }
        }
        site.at("2024-07-01T11:00:00", taken("S-1", "T3", date(2024, 7, 1), 1));
        site.at("2024-07-01T12:00:00", said("S-1", Status::Suspect, None));
        site
    }

    fn at(&mut self, time: &str, body: Body) {
        let event_time = Some(format!("{time}-06:00"));
        self.programme
            .append(&lead(NOW), Draft { event_time, body })
            .unwrap();
    }

    fn adopt(&mut self) -> uuid::Uuid {
        let toml = protocol::shipped_toml(ASH_BORER).unwrap();
        adopt_protocol(&mut self.programme, &lead("2024-07-01T13:00:00"), toml)
    }

    /// Confirmed on 3 July at noon, and opened at once.
    fn open(&mut self) {
        let protocol = self.adopt();
        self.at(
            "2024-07-03T12:00:00",
            said("S-1", Status::Confirmed, Some("adult")),
        );
        self.at("2024-07-03T12:30:00", opened("S-1", protocol));
    }

    fn case(&self, on: Date) -> Case {
        Case::of(&self.programme, "S-1", on).unwrap()
    }

    fn whole(&self, on: Date) -> Whole {
        let how = How {
            now: "2024-07-03T20:00:00Z".parse().unwrap(),
            ground: GroundOptions::default(),
            origin: origin::Ask {
                draws: 60,
                ..origin::Ask::default()
            },
        };
        whole(&self.programme, &self.case(on), how).unwrap()
    }

    fn step(&mut self, id: &str, time: &str) {
        let case = self.case(date(2024, 7, 4));
        let at = Some(format!("{time}-06:00"));
        take(&mut self.programme, &lead(NOW), &case, id, at, None).unwrap();
    }
}

fn area(version: u32) -> Body {
    let (south, west) = (43.99, -100.01);
    let ring = vec![
        [west, south],
        [west + 0.03, south],
        [west + 0.03, south + 0.02],
        [west, south + 0.02],
        [west, south],
    ];
    Body::AreaDrawn(AreaDrawn {
        find: "S-1".into(),
        version,
        finds: vec!["S-1".into()],
        geometry: MultiPolygon::new(vec![vec![ring]]),
        km2: 5.3,
        text: "a square".into(),
        steps: vec![],
        from: date(2024, 7, 4),
        to: None,
        authority: "order 7".into(),
        reason: "the first find".into(),
        settings: serde_json::json!({}),
    })
}

#[test]
fn a_suspect_begins_nothing_and_is_nowhere_public() {
    let site = Site::new();
    let refused = Case::of(&site.programme, "S-1", date(2024, 7, 2)).unwrap_err();
    assert!(refused.words().contains("suspect"), "{}", refused.words());
    let none = Case::of(&site.programme, "S-9", date(2024, 7, 2)).unwrap_err();
    assert!(matches!(none, ChainError::Unknown { .. }));
    assert!(unanswered(&site.programme).unwrap().is_empty());
    let map = public(&site.programme, date(2024, 9, 1)).unwrap();
    assert!(map.cells.is_empty() && map.areas.is_empty() && map.notes.is_empty());
}

#[test]
fn a_confirmed_find_proposes_what_the_protocol_says_and_whom_to_tell() {
    let mut site = Site::new();
    site.at(
        "2024-07-03T12:00:00",
        said("S-1", Status::Confirmed, Some("adult")),
    );
    assert_eq!(
        unanswered(&site.programme).unwrap(),
        [("S-1".to_owned(), ASH_BORER.to_owned())]
    );
    let lacking = site.whole(date(2024, 7, 4)).lacking;
    assert!(
        lacking
            .iter()
            .any(|l| l.part == "trigger" && l.why.contains("adopt")),
        "{lacking:?}"
    );
    let mut site = Site::new();
    site.open();
    let all = site.whole(date(2024, 7, 4));
    let met: Vec<&str> = all
        .proposed
        .as_ref()
        .unwrap()
        .met
        .iter()
        .map(|m| m.rule.as_str())
        .collect();
    assert_eq!(met, ["one-beetle", "near-nursery"]);
    assert!(
        all.proposed.as_ref().unwrap().nearly.is_empty(),
        "an adult is not immature"
    );
    assert_eq!(all.status.category, Category::Transient);
    // The hours run from the confirmation: 18:00 UTC.
    let standing = |site: &Site, now: &str| -> Vec<Standing> {
        let list = checklist(&site.case(date(2024, 7, 4)), now.parse().unwrap()).unwrap();
        list.steps.iter().map(|s| s.standing).collect()
    };
    use Standing::{Done, DoneLate, Due, Late, Waits};
    assert_eq!(
        standing(&site, "2024-07-03T18:30:00Z"),
        [Due, Waits, Waits, Waits, Waits, Waits, Waits]
    );
    assert_eq!(standing(&site, "2024-07-03T19:30:00Z")[0], Late);
    site.step("lead", "2024-07-03T12:40:00");
    assert_eq!(
        standing(&site, "2024-07-03T19:30:00Z"),
        [Done, Due, Due, Waits, Waits, Waits, Waits]
    );
    site.step("commissioner", "2024-07-04T12:00:00");
    assert_eq!(
        standing(&site, "2024-07-04T19:00:00Z")[..3],
        [Done, DoneLate, Late]
    );
    let case = site.case(date(2024, 7, 4));
    let unknown = take(&mut site.programme, &lead(NOW), &case, "mayor", None, None).unwrap_err();
    assert!(unknown.words().contains("state-partner"), "{}", unknown.words());
}

#[test]
fn the_origin_is_a_region_about_the_trap_and_an_order_of_search() {
    let mut site = Site::new();
    site.open();
    let all = site.whole(date(2024, 8, 20));
    assert!(all.lacking.is_empty(), "{:?}", all.lacking);
    let o = all.origin.unwrap();
    assert_eq!((o.with_catch, o.insects, o.trees), (1, 1, TREES));
    assert!(o.traps > 5, "zero catches speak too: {}", o.traps);
    assert!(o.region50.hectares < o.region95.hectares && o.region95.probability >= 0.95);
    let total: f64 = o.search.iter().map(|t| t.probability).sum();
    assert!((total - 1.0).abs() < 1e-9 && o.search.len() == TREES);
    assert!(
        o.search
            .windows(2)
            .all(|two| two[0].probability >= two[1].probability)
    );
    // Trap T3 hangs between trees 20 and 22.
    let first: usize = o.search[0].host[1..].parse().unwrap();
    assert!((18..=25).contains(&first), "{first}");
    // The same seed, the same answer.
    assert_eq!(site.whole(date(2024, 8, 20)).origin.unwrap().search, o.search);
    assert!(o.clusters.is_empty());
}

#[test]
fn the_clock_counts_only_days_that_somebody_looked_after() {
    let mut site = Site::new();
    site.open();
    let c = site.whole(date(2024, 8, 20)).clock.unwrap();
    assert_eq!(c.last_find, date(2024, 7, 1));
    // Looked at on 12 August: the days since wait.
    assert_eq!(c.held_days + c.lost_days, 50);
    assert!((35..=43).contains(&c.held_days), "{c:?}");
    assert!(
        c.notes.iter().any(|n| n.contains("wait for a look")),
        "{:?}",
        c.notes
    );
    let f = c.forecast.unwrap();
    assert!(f.median > date(2028, 7, 1), "{f:?}");
    let s = c.silence.unwrap();
    assert!(
        s.trap_days > 100.0 && s.none_poisson > 0.0 && s.none_poisson < 1.0,
        "{s:?}"
    );
    assert!(s.none_clumped.unwrap() >= s.none_poisson);
    // A later find starts it anew.
    site.at("2024-08-12T12:00:00", taken("S-2", "T7", date(2024, 8, 12), 1));
    site.at(
        "2024-08-13T12:00:00",
        said("S-2", Status::Confirmed, Some("adult")),
    );
    let all = site.whole(date(2024, 8, 20));
    assert_eq!(all.clock.unwrap().last_find, date(2024, 8, 12));
    assert_eq!(
        all.status.category,
        Category::NotUnderControl,
        "two traps: it lives here"
    );
    site.at("2024-08-14T12:00:00", area(1));
    let all = site.whole(date(2024, 8, 20));
    assert_eq!(all.status.category, Category::UnderControl);
    assert_eq!(all.area.as_ref().unwrap().version, 1);
    let kinds: Vec<&str> = all.geojson()["features"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["properties"]["kind"].as_str().unwrap().to_owned().leak() as &str)
        .collect();
    for kind in ["find", "origin-cell", "regulated-area"] {
        assert!(kinds.contains(&kind), "{kind}");
    }
}

#[test]
fn a_report_names_what_it_lacks_and_its_versions_stay() {
    let mut site = Site::new();
    site.open();
    let on = date(2024, 7, 4);
    let wrong = draft(
        &site.programme,
        &site.case(on),
        &Given::from([("weather".into(), "x".into())]),
    )
    .unwrap_err();
    assert!(wrong.words().contains("distribution"), "{}", wrong.words());
    let first = draft(&site.programme, &site.case(on), &Given::new()).unwrap();
    assert_eq!(
        (first.version, first.missing.as_slice()),
        (1, &["map".to_owned(), "danger".to_owned()][..])
    );
    let text = |d: &earlywood_chain::response::report::Draft, id: &str| -> String {
        d.items
            .iter()
            .find(|i| i.item == id)
            .map(|i| i.text.clone())
            .unwrap_or_default()
    };
    assert!(text(&first, "status").contains("Proposed: Present: transient"));
    assert!(
        !serde_json::to_string(&first).unwrap().contains("44.000"),
        "no exact place"
    );
    let how = |last| Issue {
        to: "state partner".into(),
        last,
        ..Issue::default()
    };
    let case = site.case(on);
    let refused = issue(&mut site.programme, &lead(NOW), &case, first.clone(), how(true)).unwrap_err();
    assert!(refused.words().contains("preliminary"), "{}", refused.words());
    issue(&mut site.programme, &lead(NOW), &case, first, how(false)).unwrap();
    site.at("2024-07-04T10:00:00", area(1));
    let case = site.case(on);
    let given = Given::from([("danger".into(), "it kills ash".into())]);
    let second = draft(&site.programme, &case, &given).unwrap();
    assert_eq!(second.version, 2);
    assert!(second.missing.is_empty(), "{:?}", second.missing);
    assert!(second.changed.contains(&"danger".to_owned()) && second.changed.contains(&"map".to_owned()));
    issue(&mut site.programme, &lead(NOW), &case, second, how(true)).unwrap();
    let all = site.whole(on);
    assert_eq!(
        all.reports
            .iter()
            .map(|r| (r.version, r.preliminary))
            .collect::<Vec<_>>(),
        [(1, true), (2, false)]
    );
    // Taken back, there is nothing to report but that.
    site.at("2024-07-05T09:00:00", said("S-1", Status::RuledOut, None));
    let closed = ResponseClosed {
        find: "S-1".into(),
        date: date(2024, 7, 5),
        end: ResponseEnd::NoFind,
        authority: "order 8".into(),
        reason: "another beetle".into(),
    };
    site.at("2024-07-05T10:00:00", Body::ResponseClosed(closed));
    let all = site.whole(date(2024, 7, 6));
    assert_eq!(all.status.category, Category::RecordsInvalid);
    assert!(all.clock.is_none() && all.origin.is_none());
    assert!(all.checklist.unwrap().steps.is_empty());
}

#[test]
fn the_public_map_shows_confirmed_finds_alone_in_coarse_cells_once_everybody_before_was_told() {
    let mut site = Site::new();
    site.open();
    site.at("2024-07-03T13:00:00", area(1));
    // A second specimen stays a suspect.
    site.at("2024-07-03T14:00:00", taken("S-2", "T5", date(2024, 7, 1), 1));
    site.at("2024-07-03T15:00:00", said("S-2", Status::Suspect, None));
    let on = date(2024, 7, 5);
    let map = public(&site.programme, on).unwrap();
    assert!(map.cells.is_empty() && map.areas.is_empty());
    assert!(
        map.notes[0].contains("1 confirmed finds are held back"),
        "{:?}",
        map.notes
    );
    let chain = [
        "lead",
        "commissioner",
        "state-partner",
        "federal-partner",
        "neighbours",
        "owner",
    ];
    for (i, step) in chain.iter().enumerate() {
        site.step(step, &format!("2024-07-04T{:02}:00:00", 9 + i));
        assert!(public(&site.programme, on).unwrap().cells.is_empty(), "{step}");
    }
    site.step("public", "2024-07-04T16:00:00");
    let map = public(&site.programme, on).unwrap();
    assert_eq!((map.cells.len(), map.areas.len(), map.cells[0].finds), (1, 1, 1));
    assert_eq!(
        (map.cells[0].first.as_str(), map.cells[0].target.as_str()),
        ("2024-07", ASH_BORER)
    );
    let text = map.geojson().to_string();
    for hidden in ["S-1", "S-2", "T3", "T5", "P3", "lead", "2024-07-01"] {
        assert!(!text.contains(hidden), "{hidden}: {text}");
    }
    // No corner or centre tells the place to better than a kilometre.
    let place = tree(21);
    for corner in &map.cells[0].corners {
        let metres = earlywood_geodata::geodesic_m(*corner, place);
        assert!(metres > 50.0, "a corner happens to lie at the find");
    }
    let ground = map.cells[0].corners.iter().map(|c| c.lat);
    let (south, north) = ground.fold((90.0_f64, -90.0_f64), |(s, n), lat| (s.min(lat), n.max(lat)));
    assert!((north - south) * 111_000.0 > 1_500.0);
}
