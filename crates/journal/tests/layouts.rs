//! Files of an older layout: read without a trace, brought up to date without touching an entry, and signed from then on.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::path::{Path, PathBuf};

use crate::common::*;
use earlywood_journal::*;
use rusqlite::Connection;

/// A file as the program of layout 1 wrote it: eleven entries, none signed.
fn old_file() -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("old.earlywood");
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/layout-1.earlywood");
    std::fs::copy(fixture, &path).unwrap();
    (dir, path)
}

/// Every column of every entry, as SQLite has it.
fn raw_entries(path: &Path) -> Vec<String> {
    let db = Connection::open(path).unwrap();
    let mut select = db
        .prepare("SELECT hex(device), number, hex(id), hex(previous), event_time, recorded_time, person, kind, body_version, body, hex(hash), hex(signature) FROM entries ORDER BY device, number")
        .unwrap();
    let columns = select.column_count();
    let rows = select
        .query_map([], |row| {
            let values: Vec<rusqlite::types::Value> =
                (0..columns).map(|i| row.get(i)).collect::<Result<_, _>>()?;
            Ok(format!("{values:?}"))
        })
        .unwrap();
    rows.collect::<Result<_, _>>().unwrap()
}

fn folder(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<_> = std::fs::read_dir(dir)
        .unwrap()
        .map(|file| file.unwrap().path())
        .map(|path| (path.display().to_string(), std::fs::read(&path).unwrap()))
        .collect();
    files.sort();
    files
}

fn founder_of(p: &Programme) -> Act {
    let person = whole_log(p)[0].person.clone();
    Act::new(&person, NOW.parse().unwrap()).unwrap()
}

#[test]
fn a_layout_1_file_is_read_and_nothing_in_its_folder_changes() {
    let (dir, path) = old_file();
    let before = folder(dir.path());
    let p = Programme::open_read_only(&path).unwrap();
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!((seen.entries, seen.signed, seen.founder), (11, 0, None));
    let counts = p.counts().unwrap();
    assert!(counts.hosts > 0 && counts.visits > 0, "{counts:?}");
    assert!(!p.placements().unwrap().is_empty() && !p.places().unwrap().is_empty());
    assert!(!p.weather(None).unwrap().is_empty());
    assert_eq!(p.determinations().unwrap().len(), 1);
    drop(p);
    let after: Vec<_> = folder(dir.path());
    // SQLite may leave an empty log and its index beside a file in write-ahead mode; the file is byte for byte the same.
    assert_eq!(before[0], after[0]);
    assert_eq!(std::fs::read(&path).unwrap(), before[0].1);
    assert!(
        after.iter().all(|(name, bytes)| name.ends_with("old.earlywood")
            || name.ends_with("-shm")
            || bytes.is_empty())
    );
    assert!(!after.iter().any(|(name, _)| name.ends_with(".key")));
}

#[test]
fn a_layout_1_file_is_brought_up_to_date_and_its_entries_stay_byte_for_byte() {
    let (_dir, path) = old_file();
    let entries = raw_entries(&path);
    assert_eq!(entries.len(), 11);
    let shown = everything(&Programme::open_read_only(&path).unwrap()).unwrap();
    let p = Programme::open(&path).unwrap();
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!((seen.entries, seen.signed), (11, 0));
    assert_eq!(everything(&p).unwrap(), shown);
    drop(p);
    assert_eq!(raw_entries(&path), entries);
    let version: i64 = Connection::open(&path)
        .unwrap()
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .unwrap();
    assert_eq!(version, LAYOUT);
    let again = Programme::open(&path).unwrap();
    assert_eq!(everything(&again).unwrap(), shown);
}

#[test]
fn the_founding_device_signs_from_its_first_change_on() {
    let (_dir, path) = old_file();
    let entries = raw_entries(&path);
    let mut p = Programme::open(&path).unwrap();
    let act = founder_of(&p);
    // Who is no lead can't make the first change, and leaves no entry.
    let other = Act::new("somebody", act.now().clone()).unwrap();
    let hosts_before = p.hosts().unwrap().len();
    assert!(matches!(
        p.load_hosts(&other, "x", LoadMode::Add, &hosts(7000..7001)),
        Err(Error::Refused { .. })
    ));
    assert_eq!(raw_entries(&path), entries);
    p.load_hosts(&act, "x", LoadMode::Add, &hosts(7000..7002))
        .unwrap();
    assert_eq!(p.hosts().unwrap().len(), hosts_before + 2);
    let log = whole_log(&p);
    assert_eq!(log.len(), 13);
    assert_eq!(
        (log[11].kind.as_str(), log[12].kind.as_str()),
        ("device-enrolled", "hosts-loaded")
    );
    assert!(log[10].signature.is_none() && log[11].signature.is_some() && log[12].signature.is_some());
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!((seen.entries, seen.signed), (13, 2));
    assert!(seen.founder.is_some(), "the root of trust is told from now on");
    drop(p);
    assert_eq!(raw_entries(&path)[..11], entries[..]);
    // The key is there when the file is opened again, and nothing is enrolled twice.
    let mut p = Programme::open(&path).unwrap();
    p.load_hosts(&act, "y", LoadMode::Add, &hosts(8000..8001))
        .unwrap();
    assert_eq!(whole_log(&p).len(), 14);
    assert!(
        p.begin_signing(&act)
            .unwrap_err()
            .to_string()
            .contains("signs already")
    );
    assert!(p.verify().unwrap().is_sound());
    // And people and devices can be enrolled from here.
    p.enrol_person(
        &act,
        PersonEnrolled {
            person: "insp-1".into(),
            roles: vec![Role::Inspector],
            from: day(1, 1),
            to: None,
        },
    )
    .unwrap();
    let copy = path.with_extension("copy");
    p.backup(&copy).unwrap();
    let mut phone = Programme::open(&copy).unwrap();
    let refused = phone
        .load_hosts(&act, "z", LoadMode::Add, &hosts(1..2))
        .unwrap_err();
    assert!(matches!(refused, Error::Key(_)), "a copy has no key: {refused}");
    let request = phone.join(act.now().timestamp()).unwrap();
    p.enrol_device(&act, request, Some("insp-1".into())).unwrap();
    phone.merge_file(act.now().timestamp(), &path).unwrap();
    let seen = phone.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!(phone.digests().unwrap(), p.digests().unwrap());
}

#[test]
fn begin_signing_alone_is_one_entry_and_survives_a_key_written_before_a_crash() {
    let (_dir, path) = old_file();
    let mut p = Programme::open(&path).unwrap();
    let act = founder_of(&p);
    // As if the process had been killed after the key was written and before the entry was kept.
    let left = DeviceKey::generate(p.device()).unwrap();
    left.write(&DeviceKey::path_beside(&path)).unwrap();
    p.begin_signing(&act).unwrap();
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!(
        (seen.entries, seen.signed, seen.founder),
        (12, 1, Some(left.public()))
    );
    // Another key under the same device's id is found out before it signs anything.
    DeviceKey::generate(p.device())
        .unwrap()
        .write(&DeviceKey::path_beside(&path))
        .unwrap();
    let mut p = Programme::open(&path).unwrap();
    let refused = p.load_hosts(&act, "x", LoadMode::Add, &hosts(1..2)).unwrap_err();
    assert!(
        refused.to_string().contains("not the one with which"),
        "{refused}"
    );
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn copies_of_a_layout_1_file_merge() {
    let (dir, path) = old_file();
    let copy = dir.path().join("copy.earlywood");
    std::fs::copy(&path, &copy).unwrap();
    let mut p = Programme::open(&path).unwrap();
    let act = founder_of(&p);
    let now = act.now().timestamp();
    // Nothing new on either side.
    let (here, there) = p.merge_file(now, &copy).unwrap();
    assert_eq!(
        (here.new, there.new, here.held_back.len(), there.held_back.len()),
        (0, 0, 0, 0)
    );
    // One goes on and signs; the other takes it, the enrolment in the middle of the chain included.
    p.load_hosts(&act, "x", LoadMode::Add, &hosts(7000..7002))
        .unwrap();
    let (here, there) = p.merge_file(now, &copy).unwrap();
    assert_eq!((here.new, there.new), (0, 2));
    assert_eq!(there.held_back, []);
    let mut other = Programme::open(&copy).unwrap();
    assert!(other.verify().unwrap().is_sound());
    assert_eq!(other.digests().unwrap(), p.digests().unwrap());
    assert!(
        matches!(other.begin_signing(&act), Err(Error::Key(_))),
        "only one copy goes on as that device"
    );
    // Two copies that both went on as the same device: told, and neither loses anything.
    let (_dir2, third) = old_file();
    let mut forked = Programme::open(&third).unwrap();
    forked
        .load_hosts(&act, "other", LoadMode::Add, &hosts(9000..9001))
        .unwrap();
    let (here, there) = forked.merge_file(now, &path).unwrap();
    assert_eq!((here.new, there.new), (0, 0));
    assert!(
        here.held_back[0].why.contains("two different entries"),
        "{here:?}"
    );
    assert!(
        there.held_back[0].why.contains("two different entries"),
        "{there:?}"
    );
    assert!(forked.verify().unwrap().is_sound() && p.verify().unwrap().is_sound());
    assert_eq!(
        forked
            .hosts()
            .unwrap()
            .iter()
            .filter(|h| h.label == "T-9000")
            .count(),
        1
    );
}

/// What no entry of an unsigned founder may do: count as signed by whoever comes along.
#[test]
fn an_unsigned_entry_after_the_first_signed_one_is_not_taken() {
    let (dir, path) = old_file();
    let copy = dir.path().join("copy.earlywood");
    std::fs::copy(&path, &copy).unwrap();
    let mut p = Programme::open(&path).unwrap();
    let act = founder_of(&p);
    p.load_hosts(&act, "x", LoadMode::Add, &hosts(7000..7002))
        .unwrap();
    let mut other = Programme::open(&copy).unwrap();
    let mut bundle = p
        .bundle(
            &other.offer().unwrap(),
            sync::Scope::Everything,
            sync::Limit::default(),
        )
        .unwrap();
    bundle.entries.last_mut().unwrap().signature = None;
    let accepted = other.accept(act.now().timestamp(), &bundle).unwrap();
    assert_eq!((accepted.new, accepted.held_back[0].entries), (1, 1));
    assert!(other.verify().unwrap().is_sound());
}

/// A file as the program of layout 2 left it, which took entries of later kinds from other copies without reading them.
#[test]
fn a_layout_2_file_is_brought_up_to_date_and_what_it_could_not_read_is_read() {
    for with_later_kinds in [false, true] {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("two.earlywood");
        let mut p = Programme::create(&path, "Alder Reach", &act()).unwrap();
        p.load_hosts(&act(), "trees", LoadMode::Add, &hosts(0..3))
            .unwrap();
        if with_later_kinds {
            let crew: earlywood_model::record::Shift = serde_json::from_value(serde_json::json!({
                "label": "crew-1", "depot": {"lat": 44.0, "lon": -121.0}, "starts": "08:00:00", "ends": "16:00:00"
            }))
            .unwrap();
            p.load(&act(), "crews.csv", LoadMode::Add, &[crew]).unwrap();
        }
        let shown = everything(&p).unwrap();
        drop(p);
        let entries = raw_entries(&path);
        let db = Connection::open(&path).unwrap();
        for table in ["road_chunks", "crews", "access"] {
            db.execute_batch(&format!("DROP TABLE {table}")).unwrap();
        }
        db.pragma_update(None, "user_version", 2).unwrap();
        drop(db);
        let read = Programme::open_read_only(&path).unwrap();
        assert_eq!(read.shifts().unwrap().len(), usize::from(with_later_kinds));
        drop(read);
        let p = Programme::open(&path).unwrap();
        assert_eq!(p.shifts().unwrap().len(), usize::from(with_later_kinds));
        assert_eq!(everything(&p).unwrap(), shown);
        let seen = p.verify().unwrap();
        assert!(seen.is_sound(), "{:?}", seen.first_bad);
        assert_eq!(raw_entries(&path), entries);
    }
}
