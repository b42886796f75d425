#![allow(clippy::unwrap_used)]

use std::collections::{BinaryHeap, HashMap};

use earlywood_model::record::{Oneway, Position, Road, RoadClass};
use proptest::prelude::*;

use super::*;
use crate::geodesy::geodesic_m;

// A small writer of OpenStreetMap's PBF: protocol buffers by hand, blocks raw, so that any fault can be made.

fn varint(out: &mut Vec<u8>, mut v: u64) {
    while v >= 0x80 {
        out.push(v as u8 | 0x80);
        v >>= 7;
    }
    out.push(v as u8);
}

fn number(out: &mut Vec<u8>, field: u64, v: u64) {
    varint(out, field << 3);
    varint(out, v);
}

fn bytes(out: &mut Vec<u8>, field: u64, v: &[u8]) {
    varint(out, field << 3 | 2);
    varint(out, v.len() as u64);
    out.extend_from_slice(v);
}

fn zigzag(v: i64) -> u64 {
    (v << 1 ^ v >> 63) as u64
}

fn block(kind: &str, blob: &[u8]) -> Vec<u8> {
    let mut head = Vec::new();
    bytes(&mut head, 1, kind.as_bytes());
    number(&mut head, 3, blob.len() as u64);
    let mut out = (head.len() as u32).to_be_bytes().to_vec();
    out.extend(head);
    out.extend_from_slice(blob);
    out
}

fn raw(kind: &str, data: &[u8]) -> Vec<u8> {
    let mut blob = Vec::new();
    bytes(&mut blob, 1, data);
    block(kind, &blob)
}

fn head() -> Vec<u8> {
    let mut data = Vec::new();
    bytes(&mut data, 4, b"OsmSchema-V0.6");
    raw("OSMHeader", &data)
}

fn primitive(strings: &[&str], group: &[u8]) -> Vec<u8> {
    let (mut table, mut data) = (Vec::new(), Vec::new());
    for s in strings {
        bytes(&mut table, 1, s.as_bytes());
    }
    bytes(&mut data, 1, &table);
    bytes(&mut data, 2, group);
    raw("OSMData", &data)
}

fn nodes(list: &[(i64, f64, f64)]) -> Vec<u8> {
    let mut group = Vec::new();
    for &(id, lon, lat) in list {
        let mut node = Vec::new();
        number(&mut node, 1, zigzag(id));
        number(&mut node, 8, zigzag((lat * 1e7).round() as i64));
        number(&mut node, 9, zigzag((lon * 1e7).round() as i64));
        bytes(&mut group, 1, &node);
    }
    primitive(&[""], &group)
}

fn way(id: i64, refs: &[i64], tags: &[(&str, &str)]) -> Vec<u8> {
    let mut strings = vec![""];
    let (mut keys, mut values, mut list) = (Vec::new(), Vec::new(), Vec::new());
    for (k, v) in tags {
        varint(&mut keys, strings.len() as u64);
        strings.push(k);
        varint(&mut values, strings.len() as u64);
        strings.push(v);
    }
    let mut before = 0;
    for &r in refs {
        varint(&mut list, zigzag(r - before));
        before = r;
    }
    let (mut w, mut group) = (Vec::new(), Vec::new());
    number(&mut w, 1, id as u64);
    bytes(&mut w, 2, &keys);
    bytes(&mut w, 3, &values);
    bytes(&mut w, 8, &list);
    bytes(&mut group, 3, &w);
    primitive(&strings, &group)
}

const FOUR: [(i64, f64, f64); 4] = [
    (1, 10.0, 50.0),
    (2, 10.01, 50.0),
    (3, 10.02, 50.0),
    (4, 10.03, 50.0),
];

fn extract(tags: &[(&str, &str)]) -> Vec<u8> {
    [head(), nodes(&FOUR), way(7, &[1, 2, 3, 4], tags)].concat()
}

fn read(file: &[u8]) -> Result<OsmRoads, RoadsError> {
    read_osm_pbf("x.osm.pbf", file, &OsmOptions::default())
}

fn one(tags: &[(&str, &str)]) -> Option<Road> {
    match read(&extract(tags)) {
        Ok(mut r) => r.roads.pop(),
        Err(RoadsError::NoRoads { ways: 1, .. }) => None,
        Err(e) => panic!("{e}"),
    }
}

#[test]
fn tags_are_read_as_documented() {
    let r = one(&[
        ("highway", "primary_link"),
        ("maxspeed", "30 mph"),
        ("oneway", "-1"),
        ("name", "Long Lane"),
    ])
    .unwrap();
    assert_eq!(
        (r.class, r.oneway, r.label.as_str()),
        (RoadClass::Primary, Oneway::Backward, "way/7")
    );
    assert!((r.speed_kmh.unwrap() - 48.28032).abs() < 1e-9);
    assert_eq!(r.name.as_deref(), Some("Long Lane"));
    assert_eq!(r.nodes, [1, 2, 3, 4]);
    assert!((r.line[3][0] - 10.03).abs() < 1e-9 && (r.line[3][1] - 50.0).abs() < 1e-9);
    let oneway = |tags: &[(&str, &str)]| one(tags).unwrap().oneway;
    assert_eq!(oneway(&[("highway", "motorway")]), Oneway::Forward);
    assert_eq!(oneway(&[("highway", "motorway"), ("oneway", "no")]), Oneway::Both);
    assert_eq!(
        oneway(&[("highway", "tertiary"), ("junction", "roundabout")]),
        Oneway::Forward
    );
    let speed = |v: &str| one(&[("highway", "track"), ("maxspeed", v)]).unwrap().speed_kmh;
    assert_eq!(
        (speed("50"), speed("walk"), speed("70;50")),
        (Some(50.0), Some(6.0), Some(50.0))
    );
    assert_eq!(
        (speed("DE:urban"), speed("none"), speed("-5"), speed("NaN")),
        (None, None, None, None)
    );
    for out in [
        &[("highway", "footway")][..],
        &[("highway", "service"), ("area", "yes")],
        &[("highway", "service"), ("access", "private")],
        &[
            ("highway", "residential"),
            ("motor_vehicle", "no"),
            ("access", "yes"),
        ],
        &[("building", "yes")],
    ] {
        assert_eq!(one(out), None, "{out:?}");
    }
    assert!(
        one(&[
            ("highway", "residential"),
            ("access", "no"),
            ("motor_vehicle", "yes")
        ])
        .is_some()
    );
    let private = OsmOptions {
        private: true,
        ..OsmOptions::default()
    };
    let file = extract(&[("highway", "service"), ("access", "private")]);
    assert_eq!(read_osm_pbf("x", &file, &private).unwrap().roads.len(), 1);
}

#[test]
fn ways_may_come_before_nodes() {
    let file = [head(), way(7, &[1, 2], &[("highway", "track")]), nodes(&FOUR)].concat();
    assert_eq!(read(&file).unwrap().roads[0].line.len(), 2);
}

#[test]
fn every_cut_is_told_and_nothing_panics() {
    let file = extract(&[("highway", "track")]);
    let whole: Vec<usize> = vec![head().len(), head().len() + nodes(&FOUR).len()];
    for n in 0..file.len() {
        let said = read(&file[..n]).unwrap_err();
        match said {
            RoadsError::NotPbf { .. } => assert!(n < head().len()),
            RoadsError::NoRoads { .. } => assert!(whole.contains(&n), "{n}"),
            RoadsError::CutOff { .. } => assert!(!whole.contains(&n)),
            other => panic!("{n}: {other}"),
        }
    }
    let half = read(&file[..file.len() / 2]).unwrap_err().to_string();
    assert!(half.contains("cut off") && half.contains("x.osm.pbf"), "{half}");
}

#[test]
fn other_files_and_damage_are_told() {
    for other in [
        &b"label,species\n"[..],
        b"",
        b"\x00\x00\x00\x0dsomething else",
        &[0xff; 40],
    ] {
        assert!(matches!(read(other), Err(RoadsError::NotPbf { .. })), "{other:?}");
    }
    let mut blob = Vec::new();
    number(&mut blob, 2, 100);
    bytes(&mut blob, 3, b"this was never compressed");
    let file = [head(), block("OSMData", &blob)].concat();
    assert!(matches!(read(&file), Err(RoadsError::Damaged { .. })));
}

#[test]
fn missing_nodes_cut_a_road_or_are_an_error() {
    let tags = [("highway", "track")];
    let file = [head(), nodes(&FOUR[..2]), way(7, &[1, 2, 3, 4], &tags)].concat();
    let made = read(&file).unwrap();
    assert_eq!(made.roads[0].nodes, [1, 2]);
    assert!(made.notes[0].contains("2 nodes"), "{:?}", made.notes);
    let none = [head(), way(7, &[1, 2, 3, 4], &tags)].concat();
    assert!(matches!(
        read(&none),
        Err(RoadsError::NodesMissing { ways: 1, .. })
    ));
}

#[test]
fn a_clip_keeps_what_touches_it() {
    let file = extract(&[("highway", "track")]);
    let clip = |west, east| OsmOptions {
        clip: Some((
            Position { lat: 49.9, lon: west },
            Position { lat: 50.1, lon: east },
        )),
        private: false,
    };
    let made = read_osm_pbf("x", &file, &clip(10.012, 10.013)).unwrap();
    assert_eq!(made.roads[0].nodes, [2, 3]);
    let said = read_osm_pbf("x", &file, &clip(20.0, 21.0)).unwrap_err();
    assert!(matches!(said, RoadsError::OutOfReach { .. }), "{said}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn damaged_bytes_never_panic(at in 0..400_usize, value in any::<u8>()) {
        let mut file = extract(&[("highway", "track"), ("maxspeed", "50")]);
        let n = file.len();
        file[at % n] = value;
        let _ = read(&file);
    }
}

// The net against a plain Dijkstra that knows nothing of chains, snapping or contraction.

fn place(i: usize) -> [f64; 2] {
    [
        10.0 + 0.01 * (i % 5) as f64 + 0.0007 * (i * i % 7) as f64,
        50.0 + 0.01 * (i / 5) as f64,
    ]
}

fn at([lon, lat]: [f64; 2]) -> Position {
    Position { lat, lon }
}

fn road(label: usize, ids: &[usize], class: RoadClass, oneway: Oneway) -> Road {
    Road {
        label: format!("r{label}"),
        class,
        oneway,
        speed_kmh: None,
        name: None,
        nodes: ids.iter().map(|&i| i as i64).collect(),
        line: ids.iter().map(|&i| place(i)).collect(),
    }
}

/// Seconds from node to node by plain Dijkstra over single segments.
fn dijkstra(roads: &[Road], speeds: &Speeds, from: i64) -> HashMap<i64, f64> {
    let mut out: HashMap<i64, Vec<(i64, f64)>> = HashMap::new();
    for r in roads {
        for i in 1..r.nodes.len() {
            let s = geodesic_m(at(r.line[i - 1]), at(r.line[i])) * 3.6 / speeds.of(r.class);
            if r.oneway != Oneway::Backward {
                out.entry(r.nodes[i - 1]).or_default().push((r.nodes[i], s));
            }
            if r.oneway != Oneway::Forward {
                out.entry(r.nodes[i]).or_default().push((r.nodes[i - 1], s));
            }
        }
    }
    let mut best = HashMap::new();
    let mut heap = BinaryHeap::from([(std::cmp::Reverse(0_u64), from)]);
    while let Some((std::cmp::Reverse(bits), node)) = heap.pop() {
        // Bits of non-negative numbers stand in the numbers' order.
        let s = f64::from_bits(bits);
        if best.contains_key(&node) {
            continue;
        }
        best.insert(node, s);
        for &(to, cost) in out.get(&node).into_iter().flatten() {
            heap.push((std::cmp::Reverse((s + cost).to_bits()), to));
        }
    }
    best
}

fn roads_of() -> impl Strategy<Value = Vec<Road>> {
    let class = prop::sample::select(&RoadClass::ALL[1..]);
    let oneway = prop::sample::select(vec![
        Oneway::Both,
        Oneway::Both,
        Oneway::Forward,
        Oneway::Backward,
    ]);
    let one = (prop::collection::vec(0..25_usize, 2..6), class, oneway);
    prop::collection::vec(one, 3..14).prop_map(|list| {
        list.into_iter()
            .enumerate()
            .filter_map(|(i, (mut ids, class, oneway))| {
                ids.dedup();
                (ids.len() > 1).then(|| road(i, &ids, class, oneway))
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn drives_are_dijkstras(roads in roads_of()) {
        prop_assume!(!roads.is_empty());
        let options = RoadOptions::default();
        let net = RoadNet::build(&roads, &options).unwrap();
        let mut ids: Vec<i64> = roads.iter().flat_map(|r| r.nodes.clone()).collect();
        ids.sort_unstable();
        ids.dedup();
        // Corners on the main net: a corner snaps to itself.
        let on: Vec<i64> = ids
            .into_iter()
            .filter(|&i| net.snap(at(place(i as usize))).is_some_and(|s| s.walk_m < 0.01))
            .collect();
        let positions: Vec<Position> = on.iter().map(|&i| at(place(i as usize))).collect();
        let table = net.times(&positions);
        for (i, &a) in on.iter().enumerate() {
            let truth = dijkstra(&roads, &options.speeds, a);
            for (j, &b) in on.iter().enumerate() {
                // A corner where two roads cross without meeting may snap to the other road: no such corner here,
                // since one number is one place; but a snap a hair before or behind a corner of a one-way can go round.
                let (Some(got), Some(&want)) = (table.seconds(i, j), truth.get(&b)) else { continue };
                prop_assert!(f64::from(got) > want - 0.1, "{a} to {b}: {got} {want}");
                if roads.iter().all(|r| r.oneway == Oneway::Both) {
                    prop_assert!(f64::from(got) < want + 1.1, "{a} to {b}: {got} {want}");
                }
                let drive = net.path(positions[i], positions[j]).unwrap();
                prop_assert_eq!(drive.seconds, got);
                let length: f64 = drive.line.windows(2).map(|p| geodesic_m(p[0], p[1])).sum();
                prop_assert!((length - drive.metres).abs() < 0.5 + 1e-3 * length, "{} {}", length, drive.metres);
            }
        }
    }

    #[test]
    fn straight_lines_are_symmetric(list in prop::collection::vec((-80.0..80.0_f64, -179.0..179.0_f64), 1..8)) {
        let p: Vec<Position> = list.iter().map(|&(lat, lon)| Position { lat, lon }).collect();
        let t = Travel::geodesic(&p, 1.3, 40.0).unwrap();
        for i in 0..p.len() {
            prop_assert_eq!(t.seconds(i, i), Some(0));
            for j in 0..p.len() {
                prop_assert_eq!(t.seconds(i, j), t.seconds(j, i));
            }
        }
    }
}

/// Nets of one-way streets, junction to junction, so that every node is a node of the graph.
fn one_ways() -> impl Strategy<Value = Vec<Road>> {
    let one = (
        0..25_usize,
        0..25_usize,
        prop::sample::select(&RoadClass::ALL[1..]),
        any::<bool>(),
    );
    prop::collection::vec(one, 20..120).prop_map(|list| {
        list.into_iter()
            .enumerate()
            .filter(|(_, (a, b, ..))| a != b)
            .map(|(i, (a, b, class, on))| {
                let oneway = if on { Oneway::Forward } else { Oneway::Backward };
                road(i, &[a, b], class, oneway)
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn the_hierarchy_is_dijkstra_on_random_one_ways(roads in one_ways()) {
        prop_assume!(!roads.is_empty());
        let net = RoadNet::build(&roads, &RoadOptions::default()).unwrap();
        prop_assert_eq!(net.wrong_times(0..net.counts().junctions as u32), Vec::new());
    }

    /// Swept or asked pair by pair, a table is the same: islands, one-ways and points off the roads too.
    #[test]
    fn a_swept_table_is_the_hierarchys(roads in one_ways(), here in prop::collection::vec((-0.01..0.07_f64, -0.01..0.07_f64), 1..9), split in 0..9_usize) {
        prop_assume!(!roads.is_empty());
        let net = RoadNet::build(&roads, &RoadOptions::default()).unwrap();
        let snaps: Vec<_> = here.iter().map(|&(x, y)| {
            let [lon, lat] = place(0);
            net.snap(at([lon + x, lat + y]))
        }).collect();
        let (rows, columns) = (&snaps[split.min(snaps.len() - 1)..], &snaps[..]);
        prop_assert_eq!(net.by_sweep(rows, columns), net.by_hierarchy(rows, columns));
    }
}

/// The whole of a real extract, where scripts/test has fetched one.
#[test]
fn the_hierarchy_is_dijkstra_on_a_real_extract() {
    let Ok(path) = std::env::var("EARLYWOOD_EXTRACT") else {
        println!(
            "EARLYWOOD_EXTRACT names no extract: nothing is compared (tests/python/test_roads.py fails then)"
        );
        return;
    };
    let read = read_osm_pbf_file(path.as_ref(), &OsmOptions::default()).unwrap();
    let net = RoadNet::build(&read.roads, &RoadOptions::default()).unwrap();
    let junctions = net.counts().junctions as u32;
    assert!(junctions > 100, "{junctions}");
    // Some 40 sources, all over the net, to every junction.
    let sources = (0..junctions).step_by((junctions as usize / 40).max(1));
    assert_eq!(net.wrong_times(sources), Vec::new());
    // The same table, swept or asked pair by pair.
    let ends = |road: &Road| [road.line[0], road.line[road.line.len() - 1]].map(at);
    let every = (read.roads.len() / 60).max(1);
    let some = read.roads.iter().step_by(every).flat_map(ends);
    let snaps: Vec<_> = some.map(|p| net.snap(p)).collect();
    assert!(snaps.iter().flatten().count() > 50);
    assert_eq!(net.by_sweep(&snaps, &snaps), net.by_hierarchy(&snaps, &snaps));
}

/// A ring of one-way road 0-1-6-5-0 with a spur of both ways.
fn ring() -> Vec<Road> {
    vec![
        road(0, &[0, 1, 6, 5, 0], RoadClass::Local, Oneway::Forward),
        road(1, &[6, 7], RoadClass::Local, Oneway::Both),
    ]
}

fn between(a: usize, b: usize, share: f64) -> Position {
    let ([x0, y0], [x1, y1]) = (place(a), place(b));
    at([x0 + (x1 - x0) * share, y0 + (y1 - y0) * share])
}

#[test]
fn one_ways_and_points_on_one_stretch() {
    let net = RoadNet::build(&ring(), &RoadOptions::default()).unwrap();
    let (early, late) = (between(0, 1, 0.25), between(0, 1, 0.75));
    let s = |a, b| f64::from(net.times(&[a, b]).seconds(0, 1).unwrap());
    let whole: f64 = [(0, 1), (1, 6), (6, 5), (5, 0)]
        .iter()
        .map(|&(a, b)| geodesic_m(at(place(a)), at(place(b))) * 3.6 / 30.0)
        .sum();
    let side = geodesic_m(early, late) * 3.6 / 30.0;
    assert!((s(early, late) - side).abs() < 1.5);
    // Against the arrow: all the way round.
    assert!(
        (s(late, early) - (whole - side)).abs() < 1.5,
        "{} {whole} {side}",
        s(late, early)
    );
    let (near, far) = (between(6, 7, 0.2), between(6, 7, 0.9));
    assert_eq!(s(near, far), s(far, near));
    let drive = net.path(late, early).unwrap();
    assert!(drive.line.len() > 5 && drive.metres > 1000.0);
}

#[test]
fn closures_lengthen_or_forbid_and_unknown_ones_are_told() {
    let mut roads = vec![
        road(0, &[0, 1], RoadClass::Local, Oneway::Both),
        road(1, &[0, 5, 6, 1], RoadClass::Local, Oneway::Both),
    ];
    let build = |roads: &[Road], closures: Vec<Closure>| {
        RoadNet::build(
            roads,
            &RoadOptions {
                closures,
                ..RoadOptions::default()
            },
        )
    };
    let ends = [at(place(0)), at(place(1))];
    let open = build(&roads, vec![]).unwrap().times(&ends).seconds(0, 1).unwrap();
    for closure in [
        Closure::Road("r0".into()),
        Closure::Around {
            position: between(0, 1, 0.5),
            radius_m: 20.0,
        },
    ] {
        let net = build(&roads, vec![closure]).unwrap();
        assert_eq!(net.counts().closed, 1);
        assert!(net.times(&ends).seconds(0, 1).unwrap() > 2 * open);
    }
    let said = build(&roads, vec![Closure::Road("r".into())])
        .unwrap_err()
        .to_string();
    assert!(said.contains("no road is called r"), "{said}");
    roads.truncate(1);
    assert!(build(&roads, vec![Closure::Road("r0".into())]).is_err());
    assert!(build(&[], vec![]).is_err());
}

#[test]
fn stops_are_put_on_no_island_and_no_motorway() {
    let mut roads = ring();
    // A one-way street that leads into nowhere, nearer to the stop than the ring.
    roads.push(road(2, &[7, 8], RoadClass::Local, Oneway::Forward));
    roads.push(road(3, &[0, 5], RoadClass::Motorway, Oneway::Both));
    let net = RoadNet::build(&roads, &RoadOptions::default()).unwrap();
    assert_eq!(net.counts().off_main, 1);
    assert_eq!(net.snap(between(7, 8, 0.9)), None);
    let said = net
        .snap_or_say("the depot of crew-3", Position { lat: 51.0, lon: 10.0 })
        .unwrap_err()
        .to_string();
    assert!(
        said.contains("the depot of crew-3") && said.contains(" km from the nearest road"),
        "{said}"
    );
    let table = net.times(&[at(place(0)), Position { lat: 51.0, lon: 10.0 }]);
    assert_eq!((table.off_road[1], table.seconds(0, 1)), (true, None));
    let beside = net
        .snap(Position {
            lat: place(0)[1] - 0.001,
            lon: between(0, 1, 0.5).lon,
        })
        .unwrap();
    assert!((beside.walk_m - 111.2).abs() < 0.2, "{}", beside.walk_m);
    assert_eq!(beside.walk_s, (beside.walk_m * 3.6 / 4.0).ceil() as u32);
}
