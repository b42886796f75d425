//! Every rule has a bad input here, and what the message must say.

use super::*;
use earlywood_model::record::{Area, Looked, Oneway, Renewed, Skill, Weekday};
use jiff::civil::date;
use proptest::prelude::*;

const TODAY: Date = date(2026, 6, 30);

fn read<T: Loadable>(name: &str, text: impl AsRef<[u8]>) -> Loaded<T> {
    read_bytes(name, text.as_ref(), &Context::new(TODAY), &mut |_, _| {})
}

/// The only problem of a file, as a person reads it.
fn one<T: Loadable>(name: &str, text: impl AsRef<[u8]>) -> String {
    let loaded = read::<T>(name, text);
    assert_eq!(loaded.problem_count, 1, "{}", loaded.listing());
    loaded.listing()
}

#[track_caller]
fn says(message: &str, parts: &[&str]) {
    for part in parts {
        assert!(message.contains(part), "\"{part}\" is not in: {message}");
    }
}

const HOSTS: &str = "label,species,lat,lon,dbh_cm,condition\n";

fn hosts(row: &str) -> String {
    format!("{HOSTS}{row}\n")
}

#[test]
fn a_sound_file_is_read_whole() {
    let text = "\u{feff}Label,species,Latitude,Longitude,dbh_cm,condition,street\r\n\
        T1,Fraxinus pennsylvanica,40.71,-74.00,30.5,good,Elm St\r\n\r\n\
        T2,\"Acer, maybe\",40.72,-74.01,,,\"He said \"\"here\"\"\"\r\n";
    let loaded = read::<Host>("trees.csv", text);
    assert!(loaded.is_clean(), "{}", loaded.listing());
    assert_eq!(loaded.rows, [2, 4]);
    assert_eq!(loaded.good[0].dbh_cm, Some(30.5));
    assert_eq!(loaded.good[1].species, "Acer, maybe");
    assert_eq!(loaded.good[1].dbh_cm, None);
    assert_eq!(loaded.unknown_columns, ["street"]);
    assert!(loaded.summary().contains("nothing wrong"));
}

#[test]
fn a_zero_is_not_a_missing_value() {
    let loaded = read::<Host>("t.csv", hosts("a,Acer,40,-74,0,"));
    assert_eq!(loaded.good[0].dbh_cm, Some(0.0));
    let head = "trap,date,kind,found,looked,suspects\n";
    let visits = read::<Visit>(
        "v.csv",
        format!("{head}T,2026-05-01,service,working,fully,0\nT,2026-05-08,service,not-reached,no,\n"),
    );
    assert!(visits.is_clean(), "{}", visits.listing());
    assert_eq!(visits.good[0].suspects, Some(0));
    assert_eq!(
        (visits.good[1].suspects, visits.good[1].looked),
        (None, Looked::No)
    );
}

#[test]
fn whole_files_that_cannot_be_read() {
    says(&one::<Host>("t.csv", ""), &["t.csv", "empty"]);
    says(&one::<Host>("t.csv", " \n \n"), &["empty"]);
    says(&one::<Host>("t.csv", HOSTS), &["no row below"]);
    says(
        &one::<Host>("t.csv", b"label,species\na,\xE9rable\n"),
        &["row 2", "not UTF-8", "0xE9", "CSV UTF-8"],
    );
    says(&one::<Host>("t.csv", b"\xFF\xFEl\0a\0"), &["UTF-16"]);
    says(
        &one::<Host>("t.csv", b"PK\x03\x04rest"),
        &["workbook", "CSV UTF-8"],
    );
    says(
        &one::<Host>("t.csv", b"label,species\na\0b,c\n"),
        &["row 2", "zero bytes"],
    );
    says(
        &one::<Host>("t.csv", hosts("\"a,Acer,40,-74,,")),
        &["row 2", "never closed"],
    );
    let missing = read_file::<Host>(Path::new("/nowhere/t.csv"), &Context::new(TODAY), &mut |_, _| {});
    says(&missing.listing(), &["/nowhere/t.csv", "can't be read"]);
}

#[test]
fn headings_are_checked_and_near_misses_named() {
    let m = one::<Host>("t.csv", "label,species,latt,lon\na,b,1,2\n");
    says(
        &m,
        &[
            "row 1",
            "the column lat is missing",
            "found: label, species, latt, lon",
            "rename column latt to lat?",
        ],
    );
    says(
        &one::<Host>("t.csv", "a,Acer,40.5,-74\n"),
        &["are missing", "the first row must name the columns"],
    );
    says(
        &one::<Host>("t.csv", "label,species,lat,lat,lon\na,b,1,1,2\n"),
        &["more than one column", "lat, lat"],
    );
    says(
        &one::<Host>("t.csv", "label,species,lat,latitude,lon\na,b,1,1,2\n"),
        &["more than one column", "latitude"],
    );
    let loaded = read::<Host>("t.csv", "label,species,lat,lon,dbh\na,Acer,40,-74,12\n");
    assert_eq!(loaded.unknown_columns, ["dbh"]);
    assert!(
        loaded.notes.iter().any(|n| n.contains("did you mean dbh_cm?")),
        "{:?}",
        loaded.notes
    );
}

#[test]
fn other_separators_are_read_and_told() {
    let loaded = read::<Host>("t.csv", "label;species;lat;lon\na;Acer;40.5;-74\n");
    assert!(
        loaded.is_clean() && loaded.notes[0].contains("semicolons"),
        "{:?}",
        loaded.notes
    );
    let m = one::<Host>("t.csv", "label;species;lat;lon\na;Acer;40,5;-74\n");
    says(
        &m,
        &["row 2", "column lat", "\"40,5\"", "decimal comma", "write 40.5"],
    );
}

#[test]
fn rows_of_the_wrong_length() {
    says(
        &one::<Host>("t.csv", hosts("a,Acer,40,5,-74,,,x")),
        &["row 2", "8 cells", "heading has 6", "comma inside a value"],
    );
    says(
        &one::<Host>("t.csv", hosts("a,Acer,40")),
        &["row 2", "3 cells", "cut-off"],
    );
    assert!(read::<Host>("t.csv", hosts("a,Acer,40,-74,,,,,")).is_clean());
}

#[test]
fn numbers_that_are_none() {
    let lat = |v: &str| one::<Host>("t.csv", hosts(&format!("a,Acer,\"{v}\",-74,,")));
    says(&lat("NaN"), &["row 2, column lat, value \"NaN\"", "not a number"]);
    says(&lat("inf"), &["not a number"]);
    says(&lat("1e999"), &["not a number"]);
    says(&lat("#N/A"), &["spreadsheet's error"]);
    says(&lat("40,5"), &["decimal comma"]);
    says(&lat("40°42'"), &["decimal degrees"]);
    says(&lat("abc"), &["not a number"]);
    says(&lat(""), &["cell is empty"]);
    let dbh = |v: &str| one::<Host>("t.csv", hosts(&format!("a,Acer,40,-74,{v},")));
    says(&dbh("-3"), &["column dbh_cm", "0 or more"]);
    says(&dbh("12 cm"), &["unit out of the cell"]);
    says(&dbh("5000"), &["1200 or less", "millimetres"]);
    says(
        &one::<Host>("t.csv", hosts("a,Acer,40,-74,,sick")),
        &["column condition", "write one of: healthy, declining"],
    );
    says(
        &one::<Host>("t.csv", hosts("a,Acer,40,-74,,helthy")),
        &["did you mean healthy?"],
    );
    let path = |w: &str, r: &str| {
        one::<Pathway>(
            "p.csv",
            format!("label,kind,lat,lon,weight,reach_m\nF,firewood,40,-74,{w},{r}\n"),
        )
    };
    says(&path("-1", "500"), &["column weight", "0 or more"]);
    says(&path("1", "0"), &["column reach_m", "1 or more"]);
}

#[test]
fn positions_that_are_none() {
    let at = |lat: &str, lon: &str| one::<Host>("t.csv", hosts(&format!("a,Acer,{lat},{lon},,")));
    says(&at("0", "0"), &["open sea"]);
    says(
        &at("-122.3", "47.6"),
        &["column lat", "between -90 and 90", "swapped"],
    );
    says(&at("-74.0", "40.7"), &["no tree grows", "swapped"]);
    says(
        &at("583959.372", "4507350.998"),
        &["projected metres", "WGS 84 degrees"],
    );
    says(
        &at("40", "286"),
        &["column lon", "west longitudes are negative: -74.0"],
    );
    says(&at("40", "500"), &["between -180 and 180"]);
    says(&at("100", "500"), &["between -90 and 90"]);
}

fn cluster(extra: &str) -> String {
    let rows: String = (0..20)
        .map(|k| format!("h{k},Acer,50.{k:02},10.{k:02},,\n"))
        .collect();
    format!("{HOSTS}{rows}{extra}\n")
}

#[test]
fn strays_are_found_by_the_rest_of_the_file() {
    says(
        &one::<Host>("t.csv", cluster("x,Acer,10.1,50.1,,")),
        &["row 22", "far from all the others", "swapped"],
    );
    says(
        &one::<Host>("t.csv", cluster("x,Acer,5.01,10.1,,")),
        &["row 22", "more than 500 km"],
    );
    assert!(read::<Host>("t.csv", cluster("x,Acer,51.5,11.5,,")).is_clean());
}

fn zone(label: &str, west: f64, south: f64) -> Zone {
    let ring = vec![
        [west, south],
        [west + 1.0, south],
        [west + 1.0, south + 1.0],
        [west, south + 1.0],
        [west, south],
    ];
    Zone {
        label: label.into(),
        area: Area(vec![vec![ring]]),
    }
}

#[test]
fn strays_are_found_by_the_programmes_zones() {
    let zones = [zone("z", 10.0, 50.0)];
    let context = Context {
        zones: &zones,
        ..Context::new(TODAY)
    };
    let read = |rows: &str| read_bytes::<Host>("t.csv", hosts(rows).as_bytes(), &context, &mut |_, _| {});
    let m = read("a,Acer,10.5,50.5,,\nb,Acer,50.5,10.5,,");
    assert_eq!((m.problem_count, m.good.len(), m.bad_rows), (1, 1, 1));
    says(
        &m.listing(),
        &["row 2", "outside the programme's area", "swapped"],
    );
    says(
        &read("a,Acer,48,10.5,,").listing(),
        &["outside the programme's area", "check the position"],
    );
    let near = read("a,Acer,51.01,10.5,,");
    assert!(
        near.is_clean() && near.notes.iter().any(|n| n.contains("outside every zone")),
        "{:?}",
        near.notes
    );
    let all = read("a,Acer,10.5,50.5,,\nb,Acer,10.6,50.6,,");
    assert!(
        all.notes
            .iter()
            .any(|n| n.contains("are the two headings swapped?"))
    );
    // A pathway may threaten from 50 km away, a host is only looked for in the programme's area.
    let pathway = |lat: f64| {
        let text = format!("label,kind,lat,lon,weight,reach_m\nport,port,{lat},10.5,1,900\n");
        read_bytes::<Pathway>("p.csv", text.as_bytes(), &context, &mut |_, _| {})
    };
    assert!(pathway(51.4).is_clean() && pathway(51.4).notes.is_empty());
    says(&pathway(51.6).listing(), &["outside the programme's area"]);
    let wkt = "label,rule,wkt\nL,usable,\"POLYGON((50.1 10.1, 50.2 10.1, 50.2 10.2, 50.1 10.1))\"\n";
    let land = read_bytes::<Land>("l.csv", wkt.as_bytes(), &context, &mut |_, _| {});
    says(
        &land.listing(),
        &["row 2", "outside the programme's area", "longitude comes first"],
    );
}

#[test]
fn labels_are_used_once() {
    let m = one::<Host>(
        "t.csv",
        hosts("a,Acer,40,-74,,\nb,Acer,40,-74,,\na,Acer,40,-74,,"),
    );
    says(&m, &["row 4, column label, value \"a\"", "used already in row 2"]);
    let known = HashSet::from(["a".to_owned()]);
    let context = Context {
        existing: Some(&known),
        ..Context::new(TODAY)
    };
    let m = read_bytes::<Host>(
        "t.csv",
        hosts("a,Acer,40,-74,,").as_bytes(),
        &context,
        &mut |_, _| {},
    );
    says(&m.listing(), &["the programme already has this label"]);
}

#[test]
fn problems_are_counted_in_all_and_listed_in_part() {
    let rows: Vec<String> = (0..500).map(|k| format!("h{k},Acer,x,-74,,")).collect();
    let context = Context {
        problem_cap: 7,
        ..Context::new(TODAY)
    };
    let m = read_bytes::<Host>(
        "t.csv",
        hosts(&rows.join("\n")).as_bytes(),
        &context,
        &mut |_, _| {},
    );
    assert_eq!((m.problem_count, m.problems.len(), m.bad_rows), (500, 7, 500));
    assert_eq!(m.problems[0].row, Some(2));
    says(&m.listing(), &["and 493 more problems"]);
}

#[test]
fn dates() {
    let head = "trap,date,kind,found,looked,suspects\n";
    let on = |d: &str| one::<Visit>("v.csv", format!("{head}T,{d},service,working,fully,0\n"));
    says(
        &on("2026-07-01"),
        &["row 2, column date", "in the future (today is 2026-06-30)"],
    );
    says(&on("1899-12-31"), &["before 1900"]);
    says(&on("6/3/2026"), &["can't be told apart", "2026-06-03"]);
    says(&on("03.06.2026"), &["can't be told apart"]);
    says(&on("2026-02-30"), &["no such day"]);
    says(&on("20260603"), &["not a date"]);
    says(&on(""), &["cell is empty"]);
    says(&on("2026-06-éé"), &["not a date"]);
    assert!(
        read::<Visit>(
            "v.csv",
            format!("{head}T,2026-06-30T09:14-04:00,service,working,fully,0\n")
        )
        .is_clean()
    );
}

#[test]
fn visits_that_contradict_themselves() {
    let head = "trap,date,kind,found,looked,suspects,renewed,lure_lot,crew,exception\n";
    let row = |r: &str| one::<Visit>("v.csv", format!("{head}{r}\n"));
    says(&row("T,2026-06-01,service,working,no,0,,,,"), &["not looked at"]);
    says(&row("T,2026-06-01,service,working,fully,,,,,"), &["write 0"]);
    says(
        &row("T,2026-06-01,service,gone,fully,0,,,,"),
        &["gone or not reached"],
    );
    says(
        &row("T,2026-06-01,service,working,fully,1.5,,,,"),
        &["whole number"],
    );
    says(&row("T,2026-06-01,service,working,fully,-1,,,,"), &["0 or more"]);
    says(
        &row("T,2026-06-01,service,working,yes,0,,,,"),
        &["write one of: fully, partly, no"],
    );
    says(
        &row("T,2026-06-01,visit,working,fully,0,,,,"),
        &["write one of: hang, service"],
    );
    says(
        &row("T,2026-06-01,service,working,fully,0,glue,,,"),
        &["column renewed", "lure, insert"],
    );
    says(
        &row("T,2026-06-01,service,working,fully,0,,L7,,"),
        &["column lure_lot", "not among the things renewed"],
    );
    let twice = "T,2026-06-01,service,working,fully,0,,,,\n";
    says(
        &row(&format!("{twice}{}", twice.trim())),
        &["row 3", "already (row 2)"],
    );
    says(
        &one::<Visit>("v.json", r#"{"type":"FeatureCollection","features":[]}"#),
        &["from tables"],
    );
}

#[test]
fn what_a_visit_renewed() {
    let head = "trap,date,kind,found,looked,suspects,renewed,lure_lot\n";
    let text = format!(
        "{head}T,2026-06-01,service,working,fully,2,lure+killing_agent,L7\nT,2026-06-02,Hang,working,no,,,L8\n\
         T,2026-06-03,take_down,working,fully,0,,\nT,2026-06-04,service,impaired,partly,0,Insert killing agent,\n"
    );
    let loaded = read::<Visit>("v.csv", text);
    assert!(loaded.is_clean(), "{}", loaded.listing());
    let want = Renewed {
        lure: true,
        killing_agent: true,
        ..Renewed::default()
    };
    assert_eq!(loaded.good[0].renewed, want);
    assert_eq!(loaded.good[1].renewed, Renewed::ALL);
    assert_eq!(loaded.good[2].renewed, Renewed::default());
    let want = Renewed {
        insert: true,
        killing_agent: true,
        ..Renewed::default()
    };
    assert_eq!(loaded.good[3].renewed, want);
}

#[test]
fn traps_have_places_and_hang_once_at_a_time() {
    let head = "trap,place,lat,lon,targets,hung,taken_down\n";
    let places = [Place {
        label: "P-0001".into(),
        position: Position {
            lat: 40.0,
            lon: -74.0,
        },
        cost: 1.0,
        kept: false,
        forbidden: false,
    }];
    let context = Context {
        places: &places,
        ..Context::new(TODAY)
    };
    let read = |rows: &str| {
        read_bytes::<Placement>(
            "t.csv",
            format!("{head}{rows}\n").as_bytes(),
            &context,
            &mut |_, _| {},
        )
    };
    let good = read(
        "T1,P-0001,,,emerald-ash-borer+spongy-moth,2026-05-01,\nT2,,40.1,-74.1,a,2026-05-01,2026-06-01\nT2,,40.2,-74.1,a,2026-06-01,",
    );
    assert!(good.is_clean(), "{}", good.listing());
    assert_eq!(good.good[0].position, places[0].position);
    assert_eq!(good.good[0].targets, ["emerald-ash-borer", "spongy-moth"]);
    assert_eq!(good.good[1].place, "T2");
    says(
        &read("T1,P-9,,,a,2026-05-01,").listing(),
        &["column place, value \"P-9\"", "no place of this label"],
    );
    says(
        &read("T1,,40,-74,a,2026-05-01,2026-04-30").listing(),
        &["before it was hung (2026-05-01)"],
    );
    says(
        &read("T1,,40,-74,a,2026-05-01,\nT1,,40,-74,a,2026-05-09,").listing(),
        &["row 3", "still hangs elsewhere on 2026-05-09 (row 2)"],
    );
    says(&read("T1,,40,-74,a,2026-08-01,").listing(), &["in the future"]);
    says(
        &read("T1,,40,-74,,2026-05-01,").listing(),
        &["column targets", "empty"],
    );
    says(
        &read("T1,P-0001,40,,a,2026-05-01,").listing(),
        &["column lon", "empty"],
    );
}

#[test]
fn places_are_not_kept_and_forbidden() {
    let head = "label,lat,lon,cost,kept,forbidden\n";
    says(
        &one::<Place>("p.csv", format!("{head}P,40,-74,1,yes,yes\n")),
        &["both kept", "forbidden"],
    );
    says(
        &one::<Place>("p.csv", format!("{head}P,40,-74,-1,,\n")),
        &["column cost", "0 or more"],
    );
    says(
        &one::<Place>("p.csv", format!("{head}P,40,-74,1,maybe,\n")),
        &["column kept", "write one of: yes, no"],
    );
    let loaded = read::<Place>("p.csv", format!("{head}P,40,-74,,YES,\n"));
    assert_eq!((loaded.good[0].cost, loaded.good[0].kept), (1.0, true));
}

fn feature(geometry: &str, properties: &str) -> String {
    format!(
        r#"{{"type":"FeatureCollection","features":[{{"type":"Feature","geometry":{geometry},"properties":{properties}}}]}}"#
    )
}

#[test]
fn geojson_points() {
    let text = feature(
        r#"{"type":"Point","coordinates":[-74.0,40.7,12.0]}"#,
        r#"{"label":7,"species":"Acer","dbh_cm":12.5,"condition":null,"lat":99,"street":"x"}"#,
    );
    let loaded = read::<Host>("t.geojson", &text);
    assert!(loaded.is_clean(), "{}", loaded.listing());
    assert_eq!(loaded.unit, Unit::Feature);
    assert_eq!(loaded.good[0].label, "7");
    assert_eq!(
        loaded.good[0].position,
        Position {
            lat: 40.7,
            lon: -74.0
        }
    );
    assert_eq!(loaded.unknown_columns, ["street"]);
    let props = r#"{"label":"a","species":"Acer"}"#;
    let bad = |g: &str| one::<Host>("t.geojson", feature(g, props));
    says(
        &bad(r#"{"type":"LineString","coordinates":[[1,2],[3,4]]}"#),
        &["feature 1", "wrong kind of geometry", "LineString", "a Point"],
    );
    says(&bad("null"), &["feature 1", "no geometry"]);
    says(
        &bad(r#"{"type":"Point","coordinates":[40.7,-122.0]}"#),
        &["feature 1", "column lat", "swapped"],
    );
    says(&bad(r#"{"type":"Point","coordinates":[1]}"#), &["feature 1"]);
    says(
        &bad(r#"{"type":"Point","coordinates":["a","b"]}"#),
        &["feature 1", "geometry can't be read"],
    );
    says(
        &one::<Host>(
            "t.geojson",
            feature(r#"{"type":"Point","coordinates":[-74,40]}"#, r#"{"label":"a"}"#),
        ),
        &["no feature has the property species"],
    );
    says(
        &one::<Host>("t.geojson", "{\"type\":\"Topology\"}"),
        &["not GeoJSON", "Topology"],
    );
    says(&one::<Host>("t.geojson", "[1,2"), &["not sound JSON"]);
    says(&one::<Host>("t.geojson", "[1,2]"), &["not GeoJSON"]);
    says(
        &one::<Host>("t.geojson", r#"{"type":"FeatureCollection","features":[]}"#),
        &["holds no feature"],
    );
    let crs = r#"{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::2263"}},"features":[]}"#;
    says(
        &one::<Host>("t.geojson", crs),
        &["not WGS 84", "EPSG::2263", "EPSG:4326"],
    );
}

#[test]
fn geojson_ground() {
    let props = r#"{"label":"Z"}"#;
    let square = r#"{"type":"Polygon","coordinates":[[[-74,40],[-73,40],[-73,41],[-74,41],[-74,40]]]}"#;
    let loaded = read::<Zone>("z.geojson", feature(square, props));
    assert!(loaded.is_clean(), "{}", loaded.listing());
    assert_eq!(loaded.good[0].area.0[0][0].len(), 5);
    let multi = square
        .replace(
            "\"Polygon\",\"coordinates\":",
            "\"MultiPolygon\",\"coordinates\":[",
        )
        .replace("]]]}", "]]]]}");
    assert_eq!(
        read::<Zone>("z.geojson", feature(&multi, props)).good[0].area,
        loaded.good[0].area
    );
    let bad = |ring: &str| {
        one::<Zone>(
            "z.geojson",
            feature(&format!(r#"{{"type":"Polygon","coordinates":[{ring}]}}"#), props),
        )
    };
    says(
        &bad("[[-74,40],[-73,40],[-73,41],[-74,41]]"),
        &["feature 1", "not closed"],
    );
    says(&bad("[[-74,40],[-73,40],[-74,40]]"), &["at least four"]);
    says(
        &bad("[[-74,40],[-73,41],[-73,40],[-74,41],[-74,40]]"),
        &["crosses itself"],
    );
    says(
        &bad("[[583959,4507350],[583960,4507350],[583960,4507351],[583959,4507350]]"),
        &["projected metres"],
    );
    says(&bad("[[40,-122],[41,-122],[41,-121],[40,-122]]"), &["swapped"]);
    says(
        &one::<Zone>(
            "z.geojson",
            feature(r#"{"type":"Point","coordinates":[1,2]}"#, props),
        ),
        &["a Polygon or MultiPolygon"],
    );
    let land = |p: &str| one::<Land>("l.geojson", feature(square, p));
    says(
        &land(r#"{"label":"L","rule":"maybe"}"#),
        &["column rule", "usable, forbidden"],
    );
    says(&land(r#"{"label":"L"}"#), &["no feature has the property rule"]);
    // A feature's id serves as its label.
    let by_id = format!(r#"{{"type":"Feature","id":17,"geometry":{square},"properties":{{}}}}"#);
    assert_eq!(read::<Zone>("z.json", by_id).good[0].label, "17");
}

#[test]
fn well_known_text() {
    let loaded = read::<Land>(
        "l.csv",
        "label,rule,reason,wkt\nL,forbidden,closed,\"MULTIPOLYGON(((-74 40, -73 40, -73 41, -74 40)))\"\n",
    );
    assert!(loaded.is_clean(), "{}", loaded.listing());
    assert_eq!(loaded.good[0].reason.as_deref(), Some("closed"));
    let bad = |w: &str| one::<Zone>("z.csv", format!("label,wkt\nZ,\"{w}\"\n"));
    says(
        &bad("POINT(1 2)"),
        &["wrong kind of geometry", "POLYGON or MULTIPOLYGON"],
    );
    says(&bad("POLYGON((1 2, 3"), &["not well-known text"]);
    says(&bad("POLYGON EMPTY"), &["no ring"]);
    says(
        &bad(&"GEOMETRYCOLLECTION(".repeat(50_000)),
        &["not well-known text"],
    );
}

#[test]
fn weather_of_our_own() {
    let head = "station,date,tmin_c,tmax_c\n";
    let good = read::<WeatherDay>(
        "w.csv",
        "date,tmin_c,tmax_c\n2026-01-01,-3.5,0\n2026-01-02,,4\n2026-01-03,-9999,5\n",
    );
    assert!(good.is_clean(), "{}", good.listing());
    assert_eq!(
        (
            good.good.len(),
            good.good[0].station.as_str(),
            good.good[0].tmax_c
        ),
        (1, "default", 0.0)
    );
    assert!(
        good.notes.iter().any(|n| n.contains("2 days have no reading")),
        "{:?}",
        good.notes
    );
    let bad = |r: &str| one::<WeatherDay>("w.csv", format!("{head}{r}\n"));
    says(
        &bad("S,2026-06-01,60,85"),
        &["row 2, column tmin_c, value \"60\"", "Fahrenheit", "tmin_f"],
    );
    says(&bad("S,2026-06-01,156,283"), &["tenths of a degree"]);
    says(
        &bad("S,2026-06-01,12,9"),
        &["highest temperature is below its lowest (12)"],
    );
    says(&bad("S,2026-07-01,12,19"), &["in the future"]);
    says(
        &bad("S,2026-06-01,12,19\nS,2026-06-01,12,18"),
        &["row 3", "station S has this day already (row 2)"],
    );
    says(&bad("S,2026-06-01,12"), &["3 cells", "heading has 4"]);
    says(&bad("S,2026-06-01,\"12,5\",19"), &["decimal comma"]);
    says(
        &one::<WeatherDay>("w.csv", "date,tmin,tmax\n2026-01-01,1,2\n"),
        &["tmin_c and tmax_c (Celsius) or tmin_f", "rename tmin, tmax"],
    );
    says(
        &one::<WeatherDay>("w.csv", "date,tmin_c,tmax_f\n2026-01-01,1,2\n"),
        &["both in Celsius and in Fahrenheit"],
    );
    says(&one::<WeatherDay>("w.csv", head), &["no row below"]);
    says(&one::<WeatherDay>("w.csv", ""), &["empty"]);
}

#[test]
fn fahrenheit_is_converted_when_named_and_caught_when_not() {
    let named = read::<WeatherDay>("w.csv", "date,tmin_f,tmax_f\n2026-06-01,50,86\n");
    assert_eq!((named.good[0].tmin_c, named.good[0].tmax_c), (10.0, 30.0));
    // A temperate year in Fahrenheit, no single value of which is impossible in Celsius.
    let mut text = "date,tmin_c,tmax_c\n".to_owned();
    let mut day = date(2025, 1, 1);
    for k in 0..365 {
        let mean = 45.0 - 8.0 * (f64::from(k) / 365.0 * std::f64::consts::TAU).cos();
        text += &format!("{day},{:.1},{:.1}\n", mean - 3.0, mean + 3.0);
        day = day.tomorrow().unwrap();
    }
    let loaded = read::<WeatherDay>("w.csv", &text);
    assert_eq!(
        (loaded.problem_count, loaded.good.len(), loaded.bad_rows),
        (1, 0, 365)
    );
    says(&loaded.listing(), &["Fahrenheit", "tmin_f and tmax_f"]);
    assert!(read::<WeatherDay>("w.csv", text.replace("_c", "_f")).is_clean());
}

#[test]
fn ghcn_daily_long_form() {
    // Layout of GHCN-Daily's by-year files (NOAA readme-by_year.txt); the station and figures are invented.
    let text = "XX000000001,20260101,TMAX,56,,,W,2400\nXX000000001,20260101,TMIN,-17,,,W,2400\n\
        XX000000001,20260101,PRCP,0,,,W,2400\nXX000000001,20260102,TMAX,61,,I,W,2400\n\
        XX000000001,20260102,TMIN,10,,,W,2400\nXX000000001,20260103,TMAX,-9999,,,W,\n";
    let loaded = read::<WeatherDay>("2026.csv", text);
    assert!(loaded.is_clean(), "{}", loaded.listing());
    assert_eq!(loaded.good.len(), 1);
    assert_eq!((loaded.good[0].tmin_c, loaded.good[0].tmax_c), (-1.7, 5.6));
    let notes = loaded.notes.join("\n");
    says(
        &notes,
        &[
            "long form",
            "1 readings were rejected",
            "row 4: TMAX of 2026-01-02, flag I",
            "1 readings are missing",
            "1 days lack",
            "1 readings of other elements",
        ],
    );
    let bad = |r: &str| one::<WeatherDay>("2026.csv", format!("{text}{r}\n"));
    says(
        &bad("XX000000001,20260105,TMAX,abc,,,W,"),
        &["row 7", "value \"abc\""],
    );
    says(
        &bad("XX000000001,20261305,TMAX,12,,,W,"),
        &["row 7", "no such day"],
    );
    says(
        &bad("XX000000001,20260101,TMAX,57,,,W,"),
        &["row 7", "already (row 1)"],
    );
    says(
        &bad("XX000000001,20260105,TMAX,12,,,W,\nXX000000001,20260105,TMIN,22,,,W,"),
        &["row 7", "below its lowest"],
    );
    says(
        &one::<WeatherDay>("2026.csv", "XX000000001,20260101,PRCP,0,,,W,2400\n"),
        &["no day has both"],
    );
}

#[test]
fn ghcn_daily_wide_form() {
    // Layout of GHCN-Daily's access files (NOAA NCEI); the station and figures are invented.
    let head = "\"STATION\",\"DATE\",\"LATITUDE\",\"NAME\",\"TMAX\",\"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\"\n";
    let rows = "\"XX000000001\",\"2026-01-01\",\"50.1\",\"A, B\",\"   56\",\",,W,2400\",\"  -17\",\",,W\"\n\
        \"XX000000001\",\"2026-01-02\",\"50.1\",\"A, B\",\"   60\",\",I,W\",\"  -17\",\",,W\"\n";
    let loaded = read::<WeatherDay>("a.csv", format!("{head}{rows}"));
    assert!(loaded.is_clean(), "{}", loaded.listing());
    assert_eq!(
        (loaded.good.len(), loaded.good[0].tmin_c, loaded.good[0].tmax_c),
        (1, -1.7, 5.6)
    );
    says(
        &loaded.notes.join("\n"),
        &["wide form", "tenths", "row 3: TMAX, flag I"],
    );
    let plain = |v: &str| read::<WeatherDay>("a.csv", format!("STATION,DATE,TMAX,TMIN\nS,2026-01-01,{v}\n"));
    assert_eq!(plain("5.6,-1.7").good[0].tmax_c, 5.6);
    assert_eq!(plain("156,110").good[0].tmax_c, 15.6);
    says(
        &plain("56,17").listing(),
        &["can't be told", "rename the columns"],
    );
    says(&plain("86.0,50.5").listing(), &["can't be told"]);
}

#[test]
fn progress_ends_at_the_whole_file() {
    let mut text = HOSTS.to_owned();
    for k in 0..200_000 {
        text += &format!("h{k},Acer rubrum,40.5,-74.5,12,good\n");
    }
    let mut told = Vec::new();
    let loaded = read_bytes::<Host>(
        "t.csv",
        text.as_bytes(),
        &Context::new(TODAY),
        &mut |done, all| told.push((done, all)),
    );
    assert!(loaded.is_clean() && loaded.good.len() == 200_000);
    assert_eq!(loaded.rows.last(), Some(&200_001));
    assert!(told.len() > 1 && told.windows(2).all(|w| w[0].0 <= w[1].0));
    assert_eq!(told.last(), Some(&(text.len() as u64, text.len() as u64)));
}

#[test]
fn roads_that_share_a_corner_meet() {
    let road = |label: &str, line: &str, more: &str| {
        format!(
            r#"{{"type":"Feature","geometry":{{"type":"LineString","coordinates":{line}}},"properties":{{"label":"{label}","class":"local"{more}}}}}"#
        )
    };
    let file = |features: &[String]| {
        format!(
            r#"{{"type":"FeatureCollection","features":[{}]}}"#,
            features.join(",")
        )
    };
    let loaded = read::<Road>(
        "r.geojson",
        file(&[
            road(
                "a",
                "[[7.1,45.2],[7.1,45.2],[7.11,45.2]]",
                r#","oneway":"forward","speed_kmh":30,"name":"Mill Lane""#,
            ),
            road("b", "[[7.11,45.20000001],[7.12,45.21]]", ""),
        ]),
    );
    assert!(loaded.is_clean(), "{}", loaded.listing());
    let (a, b) = (&loaded.good[0], &loaded.good[1]);
    assert_eq!((a.line.len(), a.nodes[1]), (2, b.nodes[0]));
    assert!(a.nodes[0] != a.nodes[1] && b.nodes[0] != b.nodes[1]);
    assert_eq!(
        (a.oneway, a.speed_kmh, a.name.as_deref()),
        (Oneway::Forward, Some(30.0), Some("Mill Lane"))
    );
    assert_eq!((b.oneway, b.speed_kmh), (Oneway::Both, None));
    for (feature, parts) in [
        (
            road("a", "[[7.1,45.2]]", ""),
            ["feature 1", "fewer than two corners"],
        ),
        (
            road("a", "[[45.2,97.1],[45.3,97.2]]", ""),
            ["feature 1", "swapped"],
        ),
        (
            road("a", "[[7.1,45.2],[7.2,45.2]]", r#","speed_kmh":500"#),
            ["speed_kmh", "km/h"],
        ),
        (
            road("a", "[[7.1,45.2],[7.2,45.2]]", r#","oneway":"up""#),
            ["oneway", "forward"],
        ),
        (
            road("a", "[7.1,45.2]", "").replace("LineString", "Point"),
            ["feature 1", "a LineString"],
        ),
    ] {
        says(&one::<Road>("r.geojson", file(&[feature])), &parts);
    }
    says(
        &one::<Road>("r.csv", "label,class\nx,local\n"),
        &["GeoJSON", ".pbf"],
    );
}

const CREWS: &str = "label,lat,lon,starts,ends,break_minutes,break_from,break_to,days,from,to,skills\n";

#[test]
fn a_crews_day_is_read_whole() {
    let text = format!(
        "{CREWS}crew-1,40.1,-74,8:00,16:30,30,11:30,13:00,mon;tue;saturday,2026-03-01,2099-01-01,pole; two-people\ncrew-2,40.1,-74,07:15:00,15:00,,,,,,,\n"
    );
    let loaded = read::<Shift>("c.csv", &text);
    assert!(loaded.is_clean(), "{}", loaded.listing());
    let first = &loaded.good[0];
    assert_eq!(first.days, [Weekday::Mon, Weekday::Tue, Weekday::Sat]);
    assert_eq!(first.skills, [Skill::Pole, Skill::TwoPeople]);
    assert_eq!(
        (first.break_minutes, first.break_from),
        (30, Some(jiff::civil::time(11, 30, 0, 0)))
    );
    assert!(
        first.works_on(date(2026, 3, 7))
            && !first.works_on(date(2026, 3, 8))
            && !first.works_on(date(2026, 2, 28))
    );
    let second = &loaded.good[1];
    assert!(second.works_on(date(2026, 3, 6)) && !second.works_on(date(2026, 3, 7)));
}

#[test]
fn a_crews_day_that_can_not_be_is_told() {
    for (row, parts) in [
        ("c,40,-74,16:00,08:00,,,,,,,", ["column ends", "before it starts"]),
        ("c,40,-74,8,16:00,,,,,,,", ["column starts", "24 hours"]),
        ("c,40,-74,08:00,24:30,,,,,,,", ["column ends", "24 hours"]),
        (
            "c,40,-74,08:00,16:00,30,07:00,,,,,",
            ["column break_from", "inside the day"],
        ),
        (
            "c,40,-74,08:00,16:00,30,12:00,11:00,,,,",
            ["column break_to", "inside the day"],
        ),
        (
            "c,40,-74,08:00,16:00,480,,,,,,",
            ["column break_minutes", "as long as the day"],
        ),
        ("c,40,-74,08:00,16:00,,,,funday,,,", ["column days", "mon"]),
        (
            "c,40,-74,08:00,16:00,,,,,2026-05-02,2026-05-01,",
            ["column to", "before the first"],
        ),
        ("c,40,-74,08:00,16:00,,,,,,,stilts", ["column skills", "pole"]),
        ("c,0,0,08:00,16:00,,,,,,,", ["column lat", "open sea"]),
    ] {
        says(&one::<Shift>("c.csv", format!("{CREWS}{row}\n")), &parts);
    }
}

#[test]
fn access_is_read_and_what_can_not_be_is_told() {
    let head = "place,directions,cautions,opens,closes,days,permit,permit_from,permit_to,needs,minutes,park_lat,park_lon\n";
    let text = format!(
        "{head}P-1,\"past the barn, left\",\"dog, ring first; overhead line\",07:00,15:30,mon fri,consent,2026-01-01,2026-12-31,ladder,12.5,40.2,-74.1\n"
    );
    let loaded = read::<Access>("a.csv", text);
    assert!(loaded.is_clean(), "{}", loaded.listing());
    let access = &loaded.good[0];
    assert_eq!(access.cautions, ["dog, ring first", "overhead line"]);
    assert!(
        access.open_on(date(2026, 6, 1))
            && !access.open_on(date(2026, 6, 2))
            && !access.open_on(date(2027, 6, 4))
    );
    assert_eq!(access.park.map(|p| p.lon), Some(-74.1));
    for (row, parts) in [
        ("P,,,15:00,07:00,,,,,,,,", ["column closes", "before it opens"]),
        (
            "P,,,,,,,2026-05-02,2026-05-01,,,,",
            ["column permit_to", "before the first"],
        ),
        ("P,,,,,,,,,,0,,", ["column minutes", "0.5 or more"]),
        ("P,,,,,,,,,,,40.2,", ["column park_lon", "empty"]),
        ("P,,,noon,,,,,,,,,", ["column opens", "08:30"]),
    ] {
        says(&one::<Access>("a.csv", format!("{head}{row}\n")), &parts);
    }
}

fn read_everything(name: &str, bytes: &[u8]) {
    let context = Context::new(TODAY);
    fn go<T: Loadable>(name: &str, bytes: &[u8], context: &Context<'_>) {
        let loaded = read_bytes::<T>(name, bytes, context, &mut |_, _| {});
        assert_eq!(loaded.good.len(), loaded.rows.len());
        assert!(loaded.problem_count > 0 || loaded.bad_rows == 0);
        let _ = loaded.listing();
    }
    go::<Host>(name, bytes, &context);
    go::<Pathway>(name, bytes, &context);
    go::<Land>(name, bytes, &context);
    go::<Zone>(name, bytes, &context);
    go::<WeatherDay>(name, bytes, &context);
    go::<Place>(name, bytes, &context);
    go::<Placement>(name, bytes, &context);
    go::<Visit>(name, bytes, &context);
    go::<Road>(name, bytes, &context);
    go::<Shift>(name, bytes, &context);
    go::<Access>(name, bytes, &context);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn arbitrary_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..300), json in any::<bool>()) {
        read_everything(if json { "x.geojson" } else { "x.csv" }, &bytes);
    }

    #[test]
    fn arbitrary_cells_under_true_headings_never_panic(
        rows in prop::collection::vec(prop::collection::vec(
            prop_oneof![
                "[-0-9.,eE+ ]{0,12}", "\\PC{0,12}", Just("2026-06-01".to_owned()), Just("40.5".to_owned()),
                Just("POLYGON((0 0,1 0,1 1,0 0))".to_owned()), Just("service".to_owned()), Just("\"".to_owned()),
            ], 4..11), 0..12),
        kind in 0..10_usize,
    ) {
        let heads = [
            "label,species,lat,lon,dbh_cm,condition", "label,kind,lat,lon,weight,reach_m", "label,rule,reason,wkt",
            "label,wkt", "station,date,tmin_c,tmax_c", "label,lat,lon,cost,kept,forbidden",
            "trap,place,lat,lon,targets,hung,taken_down", "STATION,DATE,TMAX,TMIN",
            "label,lat,lon,starts,ends,break_minutes,days,skills", "label,opens,closes,days,permit_from,needs,minutes",
        ];
        let body: Vec<String> = rows.iter().map(|r| r.join(",")).collect();
        read_everything("x.csv", format!("{}\n{}\n", heads[kind], body.join("\n")).as_bytes());
    }

    #[test]
    fn arbitrary_geojson_never_panics(
        coords in prop::collection::vec(prop::collection::vec(-1e3..1e3_f64, 0..4), 0..8),
        kind in prop_oneof![Just("Point"), Just("Polygon"), Just("MultiPolygon"), Just("LineString")],
        key in "\\PC{0,6}",
    ) {
        let list = serde_json::json!(coords);
        let shape = match kind {
            "Point" => serde_json::json!(coords.first()),
            "Polygon" => serde_json::json!([list]),
            "MultiPolygon" => serde_json::json!([[list]]),
            _ => list,
        };
        let text = serde_json::json!({"type": "FeatureCollection", "features": [
            {"type": "Feature", "geometry": {"type": kind, "coordinates": shape}, "properties": {"label": "a", "rule": "usable", key: 1}},
            {"type": "Feature"}, 7,
        ]});
        read_everything("x.geojson", text.to_string().as_bytes());
    }

    /// What is written is read back.
    #[test]
    fn a_written_file_comes_back(
        rows in prop::collection::vec(("[a-zA-Z\u{e9} ]{1,10}", -59.0..74.0_f64, -180.0..180.0_f64, prop::option::of(0.0..300.0_f64)), 1..4),
    ) {
        let mut text = HOSTS.to_owned();
        for (k, (species, lat, lon, dbh)) in rows.iter().enumerate() {
            let dbh = dbh.map_or(String::new(), |d| d.to_string());
            text += &format!("h{k},x{species},{lat},{lon},{dbh},dead\n");
        }
        let loaded = read::<Host>("t.csv", &text);
        prop_assert!(loaded.is_clean(), "{}", loaded.listing());
        for (got, (species, lat, lon, dbh)) in loaded.good.iter().zip(&rows) {
            let wanted = format!("x{species}");
            prop_assert_eq!(&got.species, wanted.trim());
            prop_assert_eq!((got.position.lat, got.position.lon, got.dbh_cm), (*lat, *lon, *dbh));
        }
    }
}
