//! The regulated area on an invented plain of ash and squares of land: whose rule draws it, what a version adds to the one
//! before, what is taken from a file and what is not, where no trap may hang, and that words and maps tell the same ground.

#![allow(clippy::unwrap_used)]

use earlywood_chain::ChainError;
use earlywood_chain::response::Case;
use earlywood_chain::response::area::{Near, Order, Proposal, drawn_elsewhere, near_finds, of_case};
use earlywood_geodata::area::{area_m2, contains};
use earlywood_geodata::geodesic_m;
use earlywood_journal::{AreaDrawn, AreaLifted, Body, LoadMode, Programme, Status};
use earlywood_model::protocol;
use earlywood_model::record::{Area, Host, Land, LandRule, Place, Placement, Position};
use jiff::civil::{Date, date};
use serde_json::{Value, json};

use crate::common::{
    ASH_BORER, adopt_protocol, ash, created, hung, lead, look_for_ash_borer, opened, said, taken,
};

/// When everything is typed in.
const NOW: &str = "2025-10-01T08:00:00";
const ON: Date = date(2025, 10, 1);
const JULY: Date = date(2025, 7, 1);
/// Distance from one tree to the next, metres.
const TREES_APART_M: i32 = 100;
/// Side of a parcel, metres.
const PARCEL_M: i32 = 400;

/// So many metres east and north of the first trap, near enough for a test: all that is asked is measured on the ellipsoid.
fn at(east_m: i32, north_m: i32) -> Position {
    Position {
        lat: 44.0 + f64::from(north_m) / 111_100.0,
        lon: -100.0 + f64::from(east_m) / 80_200.0,
    }
}

/// A square's ring, eastern and northern metres of its south-west corner and its side.
fn square(east_m: i32, north_m: i32, side_m: i32) -> Vec<[f64; 2]> {
    let corner = |e: i32, n: i32| {
        let p = at(east_m + e * side_m, north_m + n * side_m);
        [p.lon, p.lat]
    };
    vec![
        corner(0, 0),
        corner(1, 0),
        corner(1, 1),
        corner(0, 1),
        corner(0, 0),
    ]
}

/// A figure of the programme's own.
fn figure(value: f64) -> String {
    format!(
        r#"{{ dist = {{ kind = "fixed", value = {value:?} }}, unit = "m", source = "none", mark = "set-by-programme" }}"#
    )
}

/// A rule of two rings round an epicentre; a single find counts where it lies in the area.
fn rings(infested_m: f64, buffer_m: f64, more: &str) -> String {
    let (none, inner, outer) = (figure(0.0), figure(infested_m), figure(buffer_m));
    format!(
        "[area]\nshape = {{ kind = \"radius\" }}\nsatellite = {{ within_m = {none} }}\n{more}\n\
         [[area.rings]]\nid = \"infested\"\nwords = \"infested zone\"\nradius_m = {inner}\n\
         [[area.rings]]\nid = \"buffer\"\nwords = \"regulated area\"\nradius_m = {outer}\n"
    )
}

/// The protocol that ships, but that only two insects within 3 km and a year set anything off, and with this area.
fn protocol_with(area: &str) -> String {
    let shipped = protocol::shipped_toml(ASH_BORER).unwrap();
    let part = |from: &str, to: &str| {
        let start = shipped.find(from).unwrap();
        &shipped[start..start + shipped[start..].find(to).unwrap()]
    };
    let head = &shipped[..shipped.find("[[trigger.rules]]").unwrap()];
    let two = part(
        "[[trigger.rules]]\nid = \"two-beetles\"",
        "[[trigger.rules]]\nid = \"immature\"",
    );
    let rest = part("[[notify]]", "[area]");
    let release = &shipped[shipped.find("[release.term]").unwrap()..];
    format!("{head}{two}{rest}{area}\n{release}")
}

struct Site {
    _dir: tempfile::TempDir,
    programme: Programme,
}

impl Site {
    /// Ash every 100 m and land in squares of 400 m over 8 km by 3 km, one tree in five a maple; traps by name.
    fn new(area: &str, traps: &[(&str, Position)]) -> Site {
        let act = lead(NOW);
        let (dir, mut programme) = created(&act);
        programme
            .load(&act, "trees.csv", LoadMode::Add, &trees())
            .unwrap();
        programme
            .load(&act, "land.geojson", LoadMode::Add, &land())
            .unwrap();
        look_for_ash_borer(&mut programme, &act);
        adopt_protocol(&mut programme, &act, &protocol_with(area));
        let placements: Vec<Placement> = traps
            .iter()
            .map(|(trap, at)| hung(trap, &format!("P-{trap}"), *at, ASH_BORER, date(2024, 5, 1)))
            .collect();
        programme.record_placements(&act, &placements).unwrap();
        Site { _dir: dir, programme }
    }

    /// Three traps: two within 700 m of each other, the third 5 km east of the first.
    fn plain(area: &str) -> Site {
        Site::new(area, &[("T1", at(0, 0)), ("T2", at(700, 0)), ("T3", at(5000, 0))])
    }

    fn append(&mut self, body: Body) {
        self.programme.append(&lead(NOW), body).unwrap();
    }

    /// So many insects of a trap, confirmed.
    fn find(&mut self, specimen: &str, trap: &str, day: Date, count: u32) {
        self.append(taken(specimen, trap, day, count));
        self.append(said(specimen, Status::Confirmed, Some("adult")));
    }

    /// Two finds in July that make each other an epicentre, and a response to the first.
    fn two_finds(area: &str) -> Site {
        let mut site = Site::plain(area);
        site.find("S-1", "T1", JULY, 1);
        site.find("S-2", "T2", JULY, 1);
        site.open();
        site
    }

    fn open(&mut self) {
        let protocol = self.programme.protocol(ASH_BORER).unwrap().unwrap().entry;
        self.append(opened("S-1", protocol));
    }

    fn case(&self) -> Case {
        Case::of(&self.programme, "S-1", ON).unwrap()
    }

    fn proposed(&self) -> Result<Proposal, ChainError> {
        of_case(&self.programme, &self.case())
    }

    fn adopt(&mut self, made: &Proposal) -> AreaDrawn {
        let entry = made.entry("S-1", ON, None, "order 7", None).unwrap();
        self.append(Body::AreaDrawn(entry.clone()));
        entry
    }

    fn lift(&mut self, version: u32) {
        self.append(Body::AreaLifted(AreaLifted {
            find: "S-1".into(),
            version,
            from: ON,
            authority: "order 8".into(),
            reason: "a test".into(),
        }));
    }
}

fn trees() -> Vec<Host> {
    let mut trees = Vec::new();
    for row in -15..=15 {
        for column in -15..=65 {
            let position = at(column * TREES_APART_M, row * TREES_APART_M);
            let mut tree = ash(format!("A{row}/{column}"), position);
            if (row + column).rem_euclid(5) == 0 {
                tree.species = "Acer".into();
            }
            trees.push(tree);
        }
    }
    trees
}

fn land() -> Vec<Land> {
    let parcel = |row: i32, column: i32| Land {
        label: format!("L{row}/{column}"),
        rule: LandRule::Usable,
        area: Area(vec![vec![square(
            column * PARCEL_M - 200,
            row * PARCEL_M - 200,
            PARCEL_M,
        )]]),
        reason: None,
    };
    (-4..4)
        .flat_map(|row| (-4..17).map(move |column| parcel(row, column)))
        .collect()
}

fn outer(made: &Proposal) -> &Area {
    &made.area().unwrap().area
}

/// Ground of the first that is not of the second, km2, by counting the middles of little squares.
fn counted_km2(new: &Area, old: &Area) -> f64 {
    const STEP_M: i32 = 20;
    let mut cells = 0;
    for east in (-2000..7500).step_by(STEP_M as usize) {
        for north in (-2000..2000).step_by(STEP_M as usize) {
            let p = at(east, north);
            cells += u32::from(contains(new, p) && !contains(old, p));
        }
    }
    // A square of the grid, on the ellipsoid.
    f64::from(cells) * area_m2(&Area(vec![vec![square(0, 0, STEP_M)]])) / 1e6
}

/// Whether the ground's middle or a corner lies in an area.
fn touches(land: &Land, area: &Area) -> bool {
    let ring = &land.area.0[0][0];
    let middle = |k: usize| (ring[0][k] + ring[2][k]) / 2.0;
    let mut points = vec![[middle(0), middle(1)]];
    points.extend(ring);
    points
        .iter()
        .any(|&[lon, lat]| contains(area, Position { lat, lon }))
}

#[test]
fn a_protocol_without_an_area_or_none_at_all_is_refused_plainly() {
    let mut site = Site::two_finds("");
    let before = site.programme.revision().unwrap();
    let refused = site.proposed().unwrap_err();
    assert_eq!((refused.code(), refused.field()), ("asked", Some("area")));
    for part in [ASH_BORER, "no [area]", "adopt it again", "GeoJSON"] {
        assert!(refused.words().contains(part), "{part}: {}", refused.words());
    }
    assert_eq!(site.programme.revision().unwrap(), before);
    // The response goes on under the protocol that it began with, whatever is adopted later.
    adopt_protocol(
        &mut site.programme,
        &lead(NOW),
        &protocol_with(&rings(300.0, 900.0, "")),
    );
    assert!(site.proposed().is_err());

    let (_dir, mut programme) = created(&lead(NOW));
    look_for_ash_borer(&mut programme, &lead(NOW));
    let trap = hung("T1", "P1", at(0, 0), ASH_BORER, date(2024, 5, 1));
    programme.record_placements(&lead(NOW), &[trap]).unwrap();
    for body in [
        taken("S-1", "T1", JULY, 1),
        said("S-1", Status::Confirmed, Some("adult")),
    ] {
        programme.append(&lead(NOW), body).unwrap();
    }
    let refused = of_case(&programme, &Case::of(&programme, "S-1", ON).unwrap()).unwrap_err();
    assert_eq!(refused.field(), Some("protocol"));
}

#[test]
fn only_finds_that_the_protocol_makes_epicentres_are_drawn_round() {
    let mut site = Site::plain(&rings(300.0, 900.0, ""));
    site.find("S-1", "T1", JULY, 1);
    let alone = site.proposed().unwrap_err();
    assert!(
        alone.words().contains("none of the 1 finds is an epicentre"),
        "{}",
        alone.words()
    );
    // Another within 3 km and a year: together they are.
    site.find("S-2", "T2", JULY, 1);
    let two = site.proposed().unwrap();
    assert_eq!(two.area().unwrap().finds, ["S-1", "S-2"]);
    assert!(contains(outer(&two), at(0, 890)) && !contains(outer(&two), at(0, 910)));
    // A single one far off is told, with its distance, and not drawn round.
    site.find("S-3", "T3", JULY, 1);
    let three = site.proposed().unwrap();
    let drawn = three.area().unwrap();
    assert_eq!(drawn.finds, two.area().unwrap().finds);
    assert!(counted_km2(&drawn.area, outer(&two)) + counted_km2(outer(&two), &drawn.area) < 1e-9);
    let [(label, off_m)] = drawn.left_out.as_slice() else {
        panic!("{:?}", drawn.left_out);
    };
    let expected_m = geodesic_m(at(700, 0), at(5000, 0)) - 900.0;
    assert!(label == "S-3" && (off_m - expected_m).abs() < 1.0, "{off_m}");
    assert!(three.notes.iter().any(|n| n.contains("S-3")), "{:?}", three.notes);
    // Two beetles at once are an epicentre by themselves, and take in the one at the same place.
    site.find("S-4", "T3", JULY, 2);
    let four = site.proposed().unwrap();
    assert_eq!(four.area().unwrap().area.0.len(), 2);
    assert!(contains(outer(&four), at(5000, 0)) && four.area().unwrap().left_out.is_empty());

    // Two that lie more than a year apart are no population by that rule.
    let mut site = Site::plain(&rings(300.0, 900.0, ""));
    site.find("S-1", "T1", date(2024, 6, 1), 1);
    site.find("S-2", "T2", JULY, 1);
    assert!(site.proposed().unwrap_err().words().contains("epicentre"));
}

#[test]
fn a_version_tells_what_it_adds_to_the_one_that_holds() {
    let mut site = Site::two_finds(&rings(300.0, 900.0, ""));
    let first = site.proposed().unwrap();
    assert_eq!((first.version, first.added.to_version), (1, None));
    assert!((first.added.km2 - first.within.km2).abs() < 1e-12);
    assert_eq!(first.added.hosts, first.within.hosts);
    assert_eq!(first.added.parcels.len(), first.within.parcels);
    let nothing = Area(vec![]);
    assert!((counted_km2(outer(&first), &nothing) / first.within.km2 - 1.0).abs() < 0.005);
    // Neither the third trap nor a maple is among what lies in it.
    assert_eq!(first.within.traps, 2);
    assert_eq!(first.within.species.keys().collect::<Vec<_>>(), ["Fraxinus"]);
    site.adopt(&first);

    site.find("S-3", "T3", date(2025, 8, 1), 2);
    let second = site.proposed().unwrap();
    let (old, new) = (outer(&first), outer(&second));
    let added = &second.added;
    assert_eq!((second.version, added.to_version), (2, Some(1)));
    assert_eq!(added.finds, ["S-3"]);
    assert!((added.km2 - (area_m2(new) - area_m2(old)) / 1e6).abs() < 1e-9);
    assert!(
        (counted_km2(new, old) / added.km2 - 1.0).abs() < 0.005,
        "{added:?}"
    );
    assert!(counted_km2(old, new) < 1e-9, "a version holds the one before");
    let fresh = |host: &Host| contains(new, host.position) && !contains(old, host.position);
    let hosts = trees()
        .into_iter()
        .filter(|t| t.species == "Fraxinus" && fresh(t));
    assert_eq!(added.hosts, hosts.count());
    let mut parcels: Vec<String> = land()
        .into_iter()
        .filter(|l| touches(l, new) && !touches(l, old))
        .map(|l| l.label)
        .collect();
    let mut told = added.parcels.clone();
    parcels.sort();
    told.sort();
    assert!(parcels.len() > 10, "{parcels:?}");
    assert_eq!(told, parcels);
    for part in [
        "Version 2",
        "3 confirmed finds",
        "1 of them new since version 1",
        &format!("adds {:.2} km2", added.km2),
        &format!("{} hosts and {} parcels", added.hosts, parcels.len()),
    ] {
        assert!(second.reason.contains(part), "{part}: {}", second.reason);
    }
    let entry = site.adopt(&second);
    assert_eq!(entry.settings["added"], json!(added));

    // Asked again, nothing comes on top.
    let third = site.proposed().unwrap();
    assert_eq!((third.version, third.added.to_version), (3, Some(2)));
    assert!(third.added.km2.abs() < 1e-5, "{:?}", third.added);
    assert_eq!((third.added.hosts, third.added.finds.len()), (0, 0));
    assert!(third.added.parcels.is_empty(), "{:?}", third.added.parcels);
}

#[test]
fn what_is_lifted_holds_no_more_but_its_number_stays() {
    let mut site = Site::two_finds(&rings(300.0, 900.0, ""));
    // An order took in far more than the rule does.
    let wide = json!({"type": "Polygon", "coordinates": [square(-2500, -2500, 5000)]});
    let entry = drawn_elsewhere(&site.case(), &wide, None, order(ON, None)).unwrap();
    site.append(Body::AreaDrawn(entry));
    let over = site.proposed().unwrap();
    assert_eq!((over.version, over.added.to_version), (2, Some(1)));
    assert!(
        over.within.km2 >= 25.0 * 0.99 && over.added.km2 < 1e-3,
        "{:?}",
        over.added
    );
    site.lift(1);
    let anew = site.proposed().unwrap();
    assert_eq!((anew.version, anew.added.to_version), (2, None));
    assert!(anew.within.km2 < 5.0, "{}", anew.within.km2);
    assert_eq!(anew.added.finds, ["S-1", "S-2"]);
    site.adopt(&anew);
    // It holds, though what was before it does not.
    let response = site.programme.response("S-1").unwrap().unwrap();
    assert_eq!(response.area_on(ON).unwrap().value.version, 2);
    let twice = AreaLifted {
        find: "S-1".into(),
        version: 9,
        from: ON,
        authority: "order 8".into(),
        reason: "no such version".into(),
    };
    let before = site.programme.revision().unwrap();
    assert!(
        site.programme
            .append(&lead(NOW), Body::AreaLifted(twice))
            .is_err()
    );
    assert_eq!(site.programme.revision().unwrap(), before);
}

fn order(from: Date, to: Option<Date>) -> Order {
    Order {
        from,
        to,
        authority: "order 7".into(),
        reason: "drawn by hand".into(),
    }
}

#[test]
fn ground_drawn_elsewhere_is_taken_as_it_is() {
    let site = Site::two_finds(&rings(300.0, 900.0, ""));
    let case = site.case();
    let taken = |geojson: &Value| drawn_elsewhere(&case, geojson, None, order(ON, None)).unwrap();
    let (one, two) = (square(-500, -500, 1000), square(2000, 0, 500));
    let hole = square(200, 200, 200);
    let polygon = json!({"type": "Polygon", "coordinates": [one, hole]});
    let other = json!({"type": "Polygon", "coordinates": [two]});
    let feature =
        |geometry: &Value| json!({"type": "Feature", "properties": {"any": 1}, "geometry": geometry});
    let both = vec![vec![one.clone(), hole.clone()], vec![two.clone()]];
    // An altitude may follow longitude and latitude; it is not read.
    let high = |ring: &[[f64; 2]]| -> Vec<[f64; 3]> { ring.iter().map(|&[x, y]| [x, y, 310.5]).collect() };
    let high = json!({"type": "Polygon", "coordinates": [high(&one), high(&hole)]});
    for geojson in [&polygon, &feature(&polygon), &high] {
        assert_eq!(taken(geojson).geometry.coordinates, both[..1]);
    }
    let multi = json!({"type": "MultiPolygon", "coordinates": both});
    let many = json!({"type": "FeatureCollection", "features": [feature(&polygon), feature(&other)]});
    for geojson in [&multi, &feature(&multi), &many] {
        let entry = taken(geojson);
        assert_eq!(entry.geometry.coordinates, both);
        assert_eq!(entry.text, "2 polygons with 12 corners, as drawn in a file");
        // A square kilometre less a hole of 200 m, and a quarter.
        let km2 = area_m2(&Area(both.clone())) / 1e6;
        assert!(
            (entry.km2 - km2).abs() < 1e-12 && (km2 - 1.21).abs() < 0.01,
            "{km2}"
        );
        assert_eq!(
            (entry.version, entry.finds.as_slice()),
            (1, &["S-1".to_owned(), "S-2".to_owned()][..])
        );
        assert_eq!(entry.settings["from_file"], true);
    }
    let told = drawn_elsewhere(
        &case,
        &polygon,
        Some("The block of the old mill.".into()),
        order(ON, None),
    )
    .unwrap();
    assert_eq!(
        (told.text.as_str(), told.authority.as_str(), told.reason.as_str()),
        ("The block of the old mill.", "order 7", "drawn by hand")
    );
}

#[test]
fn what_is_no_ground_is_refused_with_its_fault() {
    let site = Site::two_finds(&rings(300.0, 900.0, ""));
    let case = site.case();
    let good = square(0, 0, 1000);
    let open = &good[..4];
    let bow = [good[0], good[2], good[1], good[3], good[0]];
    let flat = [good[0], good[1], good[0], good[1], good[0]];
    let polygon = |ring: Value| json!({"type": "Polygon", "coordinates": [ring]});
    let point = json!({"type": "Point", "coordinates": good[0]});
    let far = square(20_000, 0, 1000);
    let bad: [(Value, &str); 18] = [
        (point.clone(), "a Point is no ground"),
        (
            json!({"type": "LineString", "coordinates": good}),
            "a LineString is no ground",
        ),
        (
            json!({"type": "GeometryCollection", "geometries": []}),
            "is no ground",
        ),
        (
            json!({"type": "FeatureCollection", "features": [
                {"type": "Feature", "geometry": polygon(json!(good))}, {"type": "Feature", "geometry": point},
            ]}),
            "a Point is no ground",
        ),
        (json!({"type": "FeatureCollection", "features": []}), "no polygon"),
        (json!({"type": "MultiPolygon", "coordinates": []}), "no polygon"),
        (json!({"type": "Polygon", "coordinates": []}), "no ring"),
        (json!({"type": "Polygon"}), "coordinates"),
        (json!({"coordinates": [good]}), "\"type\""),
        (
            polygon(json!([[f64::NAN, 44.0], good[1], good[2], good[0]])),
            "coordinates",
        ),
        (polygon(json!(open)), "not closed"),
        (
            polygon(json!([good[0], good[1], good[0]])),
            "at least four positions",
        ),
        (polygon(json!(bow)), "crosses itself"),
        (polygon(json!(flat)), "encloses no ground"),
        (
            json!({"type": "MultiPolygon", "coordinates": [[good], [square(-500, -500, 1000)]]}),
            "overlap",
        ),
        (
            json!({"type": "Polygon", "coordinates": [good, far]}),
            "interior ring",
        ),
        (polygon(json!(far)), "none of the finds lies in this ground"),
        (
            polygon(json!([[-100.0, 44.0, 0.0, 0.0], good[1], good[2], good[0]])),
            "a position has 4 numbers",
        ),
    ];
    for (geojson, part) in bad {
        let refused = drawn_elsewhere(&case, &geojson, None, order(ON, None)).unwrap_err();
        assert_eq!(refused.field(), Some("geometry"), "{geojson}");
        assert!(refused.words().contains(part), "{part}: {}", refused.words());
    }
}

#[test]
fn ground_off_the_globe_and_days_in_the_wrong_order_never_get_into_the_journal() {
    let mut site = Site::two_finds(&rings(300.0, 900.0, ""));
    let swapped: Vec<[f64; 2]> = square(0, 0, 1000)
        .into_iter()
        .map(|[lon, lat]| [lat, lon])
        .collect();
    let far = vec![[190.0, 44.0], [191.0, 44.0], [191.0, 45.0], [190.0, 44.0]];
    let good = square(0, 0, 1000);
    let (day_before, day) = (date(2025, 9, 30), ON);
    let before = site.programme.revision().unwrap();
    for (ring, order, part) in [
        (&swapped, order(ON, None), "latitude"),
        (&far, order(ON, None), "longitude"),
        (&good, order(day, Some(day_before)), "2025-09-30"),
    ] {
        let polygon = json!({"type": "Polygon", "coordinates": [ring]});
        let refused = drawn_elsewhere(&site.case(), &polygon, None, order)
            .map_err(|e| e.words())
            .and_then(|entry| {
                let appended = site.programme.append(&lead(NOW), Body::AreaDrawn(entry));
                appended.map_err(|e| e.to_string())
            })
            .unwrap_err();
        assert!(refused.contains(part), "{part}: {refused}");
        assert_eq!(site.programme.revision().unwrap(), before);
    }
    // The same day first and last is a day.
    let polygon = json!({"type": "Polygon", "coordinates": [good]});
    let entry = drawn_elsewhere(&site.case(), &polygon, None, order(day, Some(day))).unwrap();
    site.append(Body::AreaDrawn(entry));
}

#[test]
fn where_no_trap_may_hang_is_told_the_nearest_first() {
    let more = format!("do_not_bait_m = {}", figure(500.0));
    let mut site = Site::two_finds(&rings(300.0, 900.0, &more));
    let act = lead(NOW);
    let day = date(2025, 5, 1);
    let down = Placement {
        taken_down: Some(date(2025, 9, 1)),
        ..hung("GONE", "P-GONE", at(10, 0), ASH_BORER, day)
    };
    let placements = [
        hung("N-450", "P-1", at(-450, 0), ASH_BORER, day),
        hung("N-550", "P-2", at(-550, 0), ASH_BORER, day),
        hung("N-250", "P-3", at(950, 0), ASH_BORER, day),
        hung("FLY", "P-4", at(20, 0), "mediterranean-fruit-fly", day),
        down,
    ];
    site.programme.record_placements(&act, &placements).unwrap();
    let place = |label: &str, position: Position, forbidden: bool| Place {
        label: label.into(),
        position,
        cost: 1.0,
        kept: false,
        forbidden,
    };
    let places = [
        place("far", at(0, 480), false),
        place("near", at(700, 30), false),
        place("never", at(0, 10), true),
        place("out", at(0, 520), false),
    ];
    site.programme
        .load(&act, "places.csv", LoadMode::Add, &places)
        .unwrap();
    let told = site.proposed().unwrap().do_not_bait.unwrap();
    let finds = [at(0, 0), at(700, 0)];
    let labels = |near: &[Near]| near.iter().map(|n| n.label.clone()).collect::<Vec<_>>();
    assert_eq!(told.radius_m, 500.0);
    // A trap where the find was made is nearest; of two as near the label decides.
    assert_eq!(labels(&told.traps), ["T1", "T2", "N-250", "N-450"]);
    assert_eq!(labels(&told.places), ["near", "far"]);
    let to_nearest = |p: Position| {
        finds
            .iter()
            .map(|f| geodesic_m(*f, p))
            .fold(f64::INFINITY, f64::min)
    };
    assert!((told.traps[2].distance_m - to_nearest(at(950, 0))).abs() < 1e-9);
    assert!((told.places[1].distance_m - to_nearest(at(0, 480))).abs() < 1e-9);
    // On a day before it came down, the trap was there; before they were hung, none was.
    let traps_on = |on: Date| {
        labels(
            &near_finds(&site.programme, ASH_BORER, &finds, 500.0, on)
                .unwrap()
                .traps,
        )
    };
    assert!(traps_on(date(2025, 8, 31)).contains(&"GONE".to_owned()));
    assert!(!traps_on(date(2025, 9, 1)).contains(&"GONE".to_owned()));
    assert_eq!(traps_on(date(2024, 6, 1)), ["T1", "T2"]);
    // A rule that does not say so forbids nothing.
    let silent = Site::two_finds(&rings(300.0, 900.0, ""));
    assert!(silent.proposed().unwrap().do_not_bait.is_none());
}

/// Twice the area to the left of a ring in the plane of longitude and latitude: above 0 where it runs counterclockwise.
fn turned(ring: &[[f64; 2]]) -> f64 {
    let [x, y] = ring[0];
    ring.windows(2)
        .map(|two| (two[0][0] - x) * (two[1][1] - y) - (two[1][0] - x) * (two[0][1] - y))
        .sum()
}

#[test]
fn words_and_map_tell_the_ground_that_was_drawn() {
    // Six traps on a circle of 1 km, with free land in the middle that the rule keeps.
    let around: Vec<(String, Position)> = (0..6)
        .map(|n| {
            let turn = std::f64::consts::TAU * f64::from(n) / 6.0;
            let metres = |part: f64| (1000.0 * part).round() as i32;
            (format!("T{}", n + 1), at(metres(turn.cos()), metres(turn.sin())))
        })
        .collect();
    let traps: Vec<(&str, Position)> = around.iter().map(|(trap, at)| (trap.as_str(), *at)).collect();
    let kept = r#"keep_holes_km2 = { dist = { kind = "fixed", value = 0.01 }, unit = "km2", source = "none", mark = "set-by-programme" }"#;
    let mut site = Site::new(&rings(600.0, 800.0, kept), &traps);
    for n in 1..=6 {
        site.find(&format!("S-{n}"), &format!("T{n}"), JULY, 2);
    }
    site.open();
    let made = site.proposed().unwrap();
    let map = made.geojson();
    let features = map["features"].as_array().unwrap();
    assert_eq!(map["type"], "FeatureCollection");
    let ids: Vec<&str> = features
        .iter()
        .map(|f| f["properties"]["ring"].as_str().unwrap())
        .collect();
    assert_eq!(ids, ["buffer", "infested"], "the widest first");
    for (feature, drawn) in features.iter().zip(made.rings.iter().rev()) {
        let told: Area = serde_json::from_value(feature["geometry"]["coordinates"].clone()).unwrap();
        assert_eq!(
            (&feature["geometry"]["type"], &told),
            (&json!("MultiPolygon"), &drawn.area)
        );
        assert_eq!(told.0.len(), 1);
        assert_eq!(told.0[0].len(), 2, "a hole is kept");
        for (n, ring) in told.0[0].iter().enumerate() {
            assert!(ring.len() >= 4 && ring.first() == ring.last());
            assert_eq!(
                turned(ring) > 0.0,
                n == 0,
                "RFC 7946: outside left, holes right about"
            );
        }
        let km2 = area_m2(&told) / 1e6;
        assert!((feature["properties"]["km2"].as_f64().unwrap() - km2).abs() < 1e-9);
        assert!(!contains(&told, at(0, 0)) && contains(&told, at(1000, 0)));
        let walked_m: f64 = drawn
            .walks
            .iter()
            .flat_map(|w| &w.stretches)
            .map(|s| s.length_m)
            .sum();
        assert!(
            (walked_m / 1e3 / drawn.perimeter_km - 1.0).abs() < 1e-3,
            "{walked_m}"
        );
        for walk in &drawn.walks {
            let (first, last) = (walk.stretches.first().unwrap(), walk.stretches.last().unwrap());
            assert!(geodesic_m(last.to, first.from) < 0.01, "the line closes");
            let joined =
                |two: &[earlywood_geodata::boundary::Stretch]| geodesic_m(two[0].to, two[1].from) < 0.01;
            assert!(walk.stretches.windows(2).all(joined));
        }
        assert_eq!(
            drawn.walks.iter().map(|w| w.hole).collect::<Vec<_>>(),
            [false, true]
        );
        let heading = format!(
            "{}: {km2:.2} km2, boundary {:.1} km, round 6 finds.",
            if drawn.ring == "buffer" {
                "Regulated area"
            } else {
                "Infested zone"
            },
            drawn.perimeter_km
        );
        assert!(made.text().contains(&heading), "{heading}: {}", made.text());
    }
    let (inner, wide) = (&made.rings[0].area, outer(&made));
    assert!(
        inner
            .0
            .iter()
            .flatten()
            .flatten()
            .all(|&[lon, lat]| contains(wide, Position { lat, lon }))
    );

    // What is adopted is what was shown.
    let entry = site.adopt(&made);
    assert_eq!(
        (&entry.geometry.coordinates, entry.km2),
        (&wide.0, made.within.km2)
    );
    assert_eq!((entry.text, entry.steps), (made.text(), made.steps()));
    let held = site.programme.response("S-1").unwrap().unwrap();
    let held = &held.area_on(ON).unwrap().value;
    assert_eq!(held.geometry.coordinates, wide.0);
    let rings = held.settings["rings"].as_array().unwrap();
    let stored: Area = serde_json::from_value(rings[0]["area"].clone()).unwrap();
    assert_eq!((&rings[0]["ring"], &stored), (&json!("infested"), inner));
}

#[test]
fn parcels_are_kept_whole_and_named() {
    let snap = "[[area.snap]]\nkind = \"parcels\"\n";
    let site = Site::two_finds(&format!("{}{snap}", rings(300.0, 900.0, "")));
    let made = site.proposed().unwrap();
    // A parcel is in or out: a grid of points within it tells the same everywhere.
    let mut inside = Vec::new();
    for land in land() {
        let ring = &land.area.0[0][0];
        let share = |k: usize, n: i32| ring[0][k] + (ring[2][k] - ring[0][k]) * f64::from(n) / 10.0;
        let points = (1..10).flat_map(|i| (1..10).map(move |j| (i, j)));
        let within: Vec<bool> = points
            .map(|(i, j)| {
                let (lon, lat) = (share(0, i), share(1, j));
                contains(outer(&made), Position { lat, lon })
            })
            .collect();
        assert!(within.iter().all(|w| *w == within[0]), "{} is split", land.label);
        if within[0] {
            inside.push(land.label);
        }
    }
    // Those that the discs hold anyway need not be taken.
    let whole = &made.area().unwrap().parcels;
    assert!(
        !whole.is_empty() && whole.iter().all(|p| inside.contains(p)),
        "{whole:?}"
    );
    // Neighbours that only touch it are not counted.
    assert_eq!(made.within.parcels, inside.len());
    assert_eq!(
        sorted(&made.added.parcels),
        sorted(&inside),
        "a first version adds all that it holds"
    );
    let parcel = area_m2(&land()[0].area) / 1e6;
    assert!((made.within.km2 / (parcel * inside.len() as f64) - 1.0).abs() < 1e-3);
    assert!(made.text().contains(&whole[0]), "{}", made.text());
}

fn sorted(labels: &[String]) -> Vec<&str> {
    let mut labels: Vec<&str> = labels.iter().map(String::as_str).collect();
    labels.sort_unstable();
    labels
}

/// A rule of two insects within 3 km: six single finds 1 km apart on a circle each have a neighbour, whenever they were taken.
#[test]
fn a_find_that_meets_a_rule_later_is_an_epicentre_too() {
    let around: Vec<(String, Position)> = (0..6)
        .map(|i| {
            let turn = std::f64::consts::TAU * f64::from(i) / 6.0;
            let metres = |v: f64| (1000.0 * v).round() as i32;
            (format!("T{i}"), at(metres(turn.cos()), metres(turn.sin())))
        })
        .collect();
    let traps: Vec<(&str, Position)> = around.iter().map(|(trap, at)| (trap.as_str(), *at)).collect();
    let mut site = Site::new(
        &rings(200.0, 600.0, &format!("keep_holes_km2 = {}", figure(0.05))),
        &traps,
    );
    for (i, (trap, _)) in around.iter().enumerate() {
        let day = date(2025, 7, 1 + 3 * i8::try_from(i).unwrap());
        site.find(&format!("S-{}", i + 1), trap, day, 1);
    }
    site.open();
    let made = site.proposed().unwrap();
    let drawn = made.area().unwrap();
    assert_eq!((drawn.finds.len(), drawn.left_out.len()), (6, 0));
    // All round, with free land in the middle.
    assert_eq!((drawn.area.0.len(), drawn.area.0[0].len()), (1, 2));
    assert!(!contains(&drawn.area, at(0, 0)));
}

#[test]
fn what_is_drawn_elsewhere_gives_up_nothing_that_is_regulated() {
    let mut site = Site::two_finds(&rings(300.0, 900.0, ""));
    let whole = |side: i32| json!({"type": "Polygon", "coordinates": [square(-side / 2, -side / 2, side)]});
    let drawn = |site: &Site, side: i32, from: Date| {
        drawn_elsewhere(&site.case(), &whole(side), None, order(from, None))
    };
    let first = drawn(&site, 4000, ON).unwrap();
    site.append(Body::AreaDrawn(first));
    let refused = drawn(&site, 2000, ON).unwrap_err();
    // 16 km2 less 4.
    assert!(
        refused.words().contains("leaves out 12.0") && refused.words().contains("version 1"),
        "{}",
        refused.words()
    );
    // A corner rounded by another program gives up nothing.
    site.append(Body::AreaDrawn(drawn(&site, 3999, ON).unwrap()));
    site.append(Body::AreaLifted(AreaLifted {
        find: "S-1".into(),
        version: 2,
        from: ON,
        authority: "order 8".into(),
        reason: "too wide".into(),
    }));
    site.append(Body::AreaDrawn(drawn(&site, 2000, ON).unwrap()));
}

#[test]
fn a_version_holds_from_its_first_day_until_it_is_lifted_or_run_out() {
    let mut site = Site::two_finds(&rings(300.0, 900.0, ""));
    let day = |n: i8| date(2025, 10, n);
    let polygon = json!({"type": "Polygon", "coordinates": [square(-2000, -2000, 4000)]});
    for (from, to) in [(day(1), Some(day(20))), (day(10), None)] {
        let entry = drawn_elsewhere(&site.case(), &polygon, None, order(from, to)).unwrap();
        site.append(Body::AreaDrawn(entry));
    }
    let held = |site: &Site| -> Vec<Option<u32>> {
        let response = site.programme.response("S-1").unwrap().unwrap();
        let days = [date(2025, 9, 30), day(1), day(9), day(10), day(21)];
        let of = |day| response.area_on(day).map(|area| area.value.version);
        days.map(of).to_vec()
    };
    assert_eq!(held(&site), [None, Some(1), Some(1), Some(2), Some(2)]);
    let lift = |version, from| {
        Body::AreaLifted(AreaLifted {
            find: "S-1".into(),
            version,
            from,
            authority: "order 8".into(),
            reason: "clean".into(),
        })
    };
    // Lifted from a day on, and the version before does not come back.
    site.append(lift(2, day(15)));
    assert_eq!(held(&site), [None, Some(1), Some(1), Some(2), None]);
    let newest = |day| {
        let response = site.programme.response("S-1").unwrap().unwrap();
        response.newest_area(day).map(|area| area.value.version)
    };
    assert_eq!([day(1), day(14), day(15)].map(newest), [Some(2), Some(2), None]);
    // A version that is lifted before it began never took the place of another.
    let entry = drawn_elsewhere(&site.case(), &polygon, None, order(day(12), None)).unwrap();
    site.append(Body::AreaDrawn(entry));
    site.append(lift(3, day(11)));
    let response = site.programme.response("S-1").unwrap().unwrap();
    assert_eq!(response.area_on(day(13)).map(|area| area.value.version), Some(2));
}
