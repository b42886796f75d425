//! Entries that somebody else wrote, or changed: named by verify, and held back (they alone) by whoever is given them.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::path::{Path, PathBuf};

use crate::common::*;
use crate::forge;
use earlywood_journal::sync::{Bundle, Limit, Scope};
use earlywood_journal::*;
use ed25519_dalek::SigningKey;
use proptest::prelude::*;
use rusqlite::{Connection, params};
use uuid::Uuid;

fn now() -> jiff::Timestamp {
    NOW.parse::<jiff::ZonedDateTime>().unwrap().timestamp()
}

/// A programme of two offices and a third device, before and after they wrote.
struct Scene {
    _dir: tempfile::TempDir,
    /// Knows who is who, and nothing that they wrote since.
    before: PathBuf,
    /// Has everything.
    after: PathBuf,
    /// What was written since, by device and number.
    new: Vec<Entry>,
    all: Vec<Entry>,
    /// The devices and their secrets: founder, second office.
    keys: [(Uuid, SigningKey); 2],
}

fn scene() -> &'static Scene {
    static SCENE: std::sync::OnceLock<Scene> = std::sync::OnceLock::new();
    SCENE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let at = |name: &str| dir.path().join(name);
        let mut p = Programme::create(&at("founder"), "Alder Reach", &act()).unwrap();
        let enrolled = PersonEnrolled {
            person: "insp-1".into(),
            roles: vec![Role::Inspector],
            from: day(1, 1),
            to: None,
        };
        p.enrol_person(&act(), enrolled).unwrap();
        p.record_placements(&act(), &[placement("A", day(4, 1), None)])
            .unwrap();
        p.enrol_device(&act(), forge::Rogue::new(9).request(), None)
            .unwrap();
        p.backup(&at("office")).unwrap();
        let mut office = Programme::open(&at("office")).unwrap();
        let request = office.join(now()).unwrap();
        p.enrol_device(&act(), request, None).unwrap();
        office.take_all(now(), &p).unwrap();
        p.backup(&at("before")).unwrap();
        let old = whole_log(&p).len();
        for d in 1..=6 {
            p.record_visits(&act(), &[visit("A", day(5, d))]).unwrap();
            office.record_visits(&act(), &[visit("A", day(6, d))]).unwrap();
        }
        p.take_all(now(), &office).unwrap();
        assert!(p.verify().unwrap().is_sound());
        p.backup(&at("after")).unwrap();
        let mut all = whole_log(&p);
        all.sort_by_key(|e| (e.device, e.number));
        let mut new: Vec<Entry> = all.iter().filter(|e| e.kind == "visit-made").cloned().collect();
        new.sort_by_key(|e| (e.device, e.number));
        assert_eq!((new.len(), all.len()), (12, old + 12));
        let keys = [
            (p.device(), forge::secret_of(&at("founder"))),
            (office.device(), forge::secret_of(&at("office"))),
        ];
        Scene {
            before: at("before"),
            after: at("after"),
            new,
            all,
            keys,
            _dir: dir,
        }
    })
}

/// Puts other entries into a file, with all guards taken off and put back, and heads to match if wanted.
fn rewrite(path: &Path, entries: &[Entry], heads: bool) {
    let db = Connection::open(path).unwrap();
    let guards: Vec<(String, String)> = db
        .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    for (name, _) in &guards {
        db.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
    }
    db.execute_batch("DELETE FROM entries").unwrap();
    if heads {
        db.execute_batch("DELETE FROM heads").unwrap();
    }
    let raw = |hash: &Hash| sync::unhex(&hash.to_string()).unwrap();
    for e in entries {
        db.execute(
            "INSERT INTO entries (device, number, id, previous, event_time, recorded_time, person, kind, body_version, body, hash, signature)
             VALUES (?,?,?,?,?,?,?,?,?,?,?,?)",
            params![e.device.as_bytes(), e.number as i64, e.id.as_bytes(), e.previous.as_ref().map(raw), e.event_time,
                e.recorded_time, e.person, e.kind, e.body_version, e.body_text, raw(&e.hash), e.signature],
        ).unwrap();
        if heads {
            db.execute(
                "INSERT OR REPLACE INTO heads VALUES (?,?,?)",
                params![e.device.as_bytes(), e.number as i64, raw(&e.hash)],
            )
            .unwrap();
        }
    }
    for (_, sql) in &guards {
        db.execute_batch(sql).unwrap();
    }
}

fn copy_of(path: &Path) -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let to = dir.path().join("copy");
    std::fs::copy(path, &to).unwrap();
    (dir, to)
}

#[derive(Debug, Clone, Copy)]
enum Forgery {
    /// One column, nothing else.
    Edit(u8),
    /// The body and all hashes and links after it; the signatures can't be made.
    Rehash,
    /// The same, signed by the other office's key.
    Resign,
    /// The same, signed by a stranger.
    Stranger,
    /// One entry taken out.
    Delete,
    /// Two entries in each other's place.
    Swap,
    /// One more at the end, signed by a stranger.
    Append,
    /// The signature taken off.
    Unsigned,
}

/// Forges at the nth of the new entries. Gives all new entries, and the first that is bad.
fn forge_at(forgery: Forgery, nth: usize) -> (Vec<Entry>, (Uuid, u64)) {
    let s = scene();
    let mut new = s.new.clone();
    let device = new[nth].device;
    let at = (device, new[nth].number);
    let other = s.keys.iter().find(|(d, _)| *d != device).unwrap();
    let stranger = SigningKey::from_bytes(&[77; 32]);
    let rechain = |new: &mut Vec<Entry>, key: Option<&SigningKey>| {
        new[nth].body_text = new[nth]
            .body_text
            .replace("\"working\"", "\"down\"")
            .replace("\"suspects\":0", "\"suspects\":1");
        new[nth].person = "insp-1".into();
        for i in nth..new.len() {
            if new[i].device != device {
                continue;
            }
            if i > nth {
                new[i].previous = Some(new[i - 1].hash);
            }
            new[i].hash = forge::digest(&new[i]);
            if let Some(key) = key {
                new[i].signature = Some(forge::sign(key, &new[i].hash));
            }
        }
    };
    match forgery {
        Forgery::Edit(column) => {
            let e = &mut new[nth];
            match column % 9 {
                0 => e.event_time = "2026-05-09T00:00:00-07:00".into(),
                1 => e.recorded_time = "2026-11-20T20:00:01Z".into(),
                2 => e.person.push('x'),
                3 => e.kind = "trap-taken-down".into(),
                4 => e.body_version += 1,
                5 => e.body_text = e.body_text.replace("2026", "2025"),
                6 => e.hash = Hash::of(b"x"),
                7 => e.signature.as_mut().unwrap()[usize::from(column) % 64] ^= 1,
                _ => e.previous = Some(Hash::of(b"y")),
            }
            (new, at)
        }
        Forgery::Rehash => {
            rechain(&mut new, None);
            (new, at)
        }
        Forgery::Resign => {
            rechain(&mut new, Some(&other.1));
            (new, at)
        }
        Forgery::Stranger => {
            rechain(&mut new, Some(&stranger));
            (new, at)
        }
        Forgery::Unsigned => {
            new[nth].signature = None;
            (new, at)
        }
        Forgery::Delete => {
            new.remove(nth);
            (new, (device, at.1 + 1))
        }
        Forgery::Swap => {
            let next = nth + 1;
            if new.get(next).is_none_or(|e| e.device != device) {
                return forge_at(Forgery::Rehash, nth);
            }
            let number = new[nth].number;
            new[nth].number = number + 1;
            new[next].number = number;
            new.swap(nth, next);
            (new, at)
        }
        Forgery::Append => {
            let last = new.iter().rposition(|e| e.device == device).unwrap();
            let mut more = new[last].clone();
            more.id = forge::id(1_900_000_000_000, 5);
            more.number += 1;
            more.previous = Some(new[last].hash);
            forge::seal(&mut more, &stranger);
            let at = (device, more.number);
            new.insert(last + 1, more);
            (new, at)
        }
    }
}

fn forgery() -> impl Strategy<Value = Forgery> {
    prop_oneof![
        4 => any::<u8>().prop_map(Forgery::Edit),
        1 => Just(Forgery::Rehash), 1 => Just(Forgery::Resign), 1 => Just(Forgery::Stranger), 1 => Just(Forgery::Delete),
        1 => Just(Forgery::Swap), 1 => Just(Forgery::Append), 1 => Just(Forgery::Unsigned),
    ]
}

fn cases(short: u32) -> u32 {
    std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(short)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(60), max_shrink_iters: 50, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn verify_names_the_first_forged_entry(forgery in forgery(), nth in 0..12_usize) {
        let s = scene();
        let (new, at) = forge_at(forgery, nth);
        let mut entries: Vec<Entry> = s.all.iter().filter(|e| e.kind != "visit-made").cloned().collect();
        entries.extend(new);
        entries.sort_by_key(|e| (e.device, e.number));
        let (_dir, path) = copy_of(&s.after);
        rewrite(&path, &entries, true);
        let bad = Programme::open_read_only(&path).unwrap().verify().unwrap().first_bad;
        let Some(bad) = bad else { return Err(TestCaseError::fail("nobody noticed")) };
        let last_deleted = matches!(forgery, Forgery::Delete) && !entries.iter().any(|e| (e.device, e.number) == at);
        if last_deleted {
            // With the head moved as well, only what the tables show is too much.
            prop_assert!(matches!(bad.fault, Fault::Projection(_)), "{bad}");
        } else {
            prop_assert_eq!((bad.device, bad.number), (Some(at.0), Some(at.1)), "{}", bad);
        }
    }

    #[test]
    fn whoever_is_given_forged_entries_holds_back_exactly_those(forgery in forgery(), nth in 0..12_usize, turned in any::<bool>()) {
        let s = scene();
        let (mut new, at) = forge_at(forgery, nth);
        let expected = new.iter().filter(|e| e.device == at.0 && e.number >= at.1).count() as u64;
        let good = new.len() as u64 - expected;
        if turned {
            new.reverse();
        }
        let (_dir, path) = copy_of(&s.before);
        let mut p = Programme::open(&path).unwrap();
        let programme = p.id().unwrap();
        let bundle = |entries: Vec<Entry>| Bundle { programme, heads: vec![], wants: vec![], entries, contents: vec![], complete: true };
        let accepted = p.accept(now(), &bundle(new)).unwrap();
        prop_assert_eq!(accepted.new, good);
        let held: u64 = accepted.held_back.iter().map(|held| held.entries).sum();
        prop_assert_eq!(held, expected, "{:?}", accepted.held_back);
        prop_assert!(accepted.held_back.iter().all(|held| held.device == at.0 && !held.why.is_empty()));
        let seen = p.verify().unwrap();
        prop_assert!(seen.is_sound(), "{:?}", seen.first_bad);
        // The true ones still come.
        let accepted = p.accept(now(), &bundle(s.new.clone())).unwrap();
        prop_assert_eq!((accepted.new, accepted.held_back.len()), (12 - good, 0));
        prop_assert_eq!(p.digests().unwrap(), Programme::open_read_only(&s.after).unwrap().digests().unwrap());
    }
}

fn given(p: &mut Programme, entries: &[&[Entry]]) -> sync::Accepted {
    let bundle = Bundle {
        programme: p.id().unwrap(),
        heads: vec![],
        wants: vec![],
        entries: entries.concat(),
        contents: vec![],
        complete: true,
    };
    p.accept(now(), &bundle).unwrap()
}

#[test]
fn an_enrolment_that_no_lead_made_enrols_nobody() {
    let s = scene();
    let enrolment = |rogue: &forge::Rogue| {
        let body = Body::DeviceEnrolled(DeviceEnrolled {
            device: rogue.device,
            key: rogue.request().key,
            holder: None,
            note: None,
        });
        body.to_text().unwrap()
    };
    let text = visit_text();
    // By the device itself, in the lead's name.
    let (_dir, path) = copy_of(&s.before);
    let mut p = Programme::open(&path).unwrap();
    let mut stranger = forge::Rogue::new(5);
    let own = enrolment(&stranger);
    stranger.write("lead", "device-enrolled", 1, &own, "2026-10-01T10:00:00-07:00");
    stranger.write("lead", "visit-made", 2, &text, "2026-10-01T10:00:00-07:00");
    let accepted = given(&mut p, &[&stranger.chain]);
    assert_eq!((accepted.new, accepted.held_back[0].entries), (0, 2));
    // By a person who is no lead, on a device that is enrolled: that entry is kept and told, and vouches for nobody.
    let mut known = forge::Rogue::new(9);
    known.write("insp-1", "device-enrolled", 1, &own, "2026-10-01T10:00:00-07:00");
    let accepted = given(&mut p, &[&known.chain, &stranger.chain]);
    assert_eq!((accepted.new, accepted.conflicts), (1, 1));
    assert_eq!(accepted.held_back.len(), 1);
    assert_eq!(
        (accepted.held_back[0].device, accepted.held_back[0].entries),
        (stranger.device, 2)
    );
    assert!(accepted.held_back[0].why.contains("not enrolled"));
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert!(p.device_key(stranger.device, day(11, 1)).unwrap().is_none());
    // The same put into the file itself.
    let mut entries = s.all.clone();
    entries.extend(known.chain.clone());
    entries.extend(stranger.chain.clone());
    entries.sort_by_key(|e| (e.device, e.number));
    let (_dir, path) = copy_of(&s.after);
    rewrite(&path, &entries, true);
    let bad = Programme::open_read_only(&path)
        .unwrap()
        .verify()
        .unwrap()
        .first_bad
        .unwrap();
    assert_eq!(
        (bad.device, bad.number, bad.fault),
        (Some(stranger.device), Some(1), Fault::NotEnrolled)
    );
    // Once a lead has enrolled it, all that was held back comes.
    let (_dir, path) = copy_of(&s.before);
    let mut p = Programme::open(&path).unwrap();
    let mut known = forge::Rogue::new(9);
    known.write("lead", "device-enrolled", 1, &own, "2026-10-01T10:00:00-07:00");
    let accepted = given(&mut p, &[&stranger.chain, &known.chain]);
    assert_eq!((accepted.new, accepted.held_back.len()), (3, 0));
    assert!(p.verify().unwrap().is_sound());
}

fn visit_text() -> String {
    Body::VisitMade(VisitMade::from_visit(&visit("A", day(5, 9))))
        .to_text()
        .unwrap()
}

#[test]
fn a_chain_cut_off_with_its_head_is_shown_by_the_head_and_comes_back_with_an_exchange() {
    let s = scene();
    for keep in [1, 4] {
        let cut: Vec<Entry> = s
            .all
            .iter()
            .filter(|e| e.device != s.keys[1].0 || e.number <= keep)
            .cloned()
            .collect();
        let (_dir, path) = copy_of(&s.after);
        rewrite(&path, &cut, true);
        let mut p = Programme::open(&path).unwrap();
        assert!(matches!(
            p.verify().unwrap().first_bad.unwrap().fault,
            Fault::Projection(_)
        ));
        p.rebuild().unwrap();
        let seen = p.verify().unwrap();
        assert!(seen.is_sound());
        let head = |heads: &[Head]| heads.iter().find(|h| h.device == s.keys[1].0).map(|h| h.number);
        assert_eq!(
            (head(&seen.heads), head(&p.offer().unwrap().heads)),
            (Some(keep), Some(keep))
        );
        p.take_all(now(), &Programme::open_read_only(&s.after).unwrap())
            .unwrap();
        assert_eq!(
            p.digests().unwrap(),
            Programme::open_read_only(&s.after).unwrap().digests().unwrap()
        );
        // With the head left as it was, it is named.
        let (_dir, path) = copy_of(&s.after);
        rewrite(&path, &cut, false);
        let fault = Programme::open_read_only(&path)
            .unwrap()
            .verify()
            .unwrap()
            .first_bad
            .unwrap()
            .fault;
        assert!(
            matches!(fault, Fault::Head { found, .. } if found == keep),
            "{fault}"
        );
    }
}

#[test]
fn a_journal_forged_as_a_whole_shows_another_founders_key() {
    let (_dir, path, mut p) = new_programme();
    furnish(&mut p);
    let true_key = p.verify().unwrap().founder.unwrap();
    let mut entries = whole_log(&p);
    drop(p);
    let forger = SigningKey::from_bytes(&[3; 32]);
    let public: String = forger
        .verifying_key()
        .to_bytes()
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    entries[0].body_text = entries[0].body_text.replace(&true_key.to_string(), &public);
    for i in 0..entries.len() {
        entries[i].previous = (i > 0).then(|| entries[i - 1].hash);
        forge::seal(&mut entries[i], &forger);
    }
    rewrite(&path, &entries, true);
    let mut p = Programme::open(&path).unwrap();
    p.rebuild().unwrap();
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_ne!(seen.founder, Some(true_key));
    assert_eq!(seen.founder.unwrap().to_string(), public);
    // With the true founding entry left in place, its key refutes all that follows.
    let (_dir, path, mut p) = new_programme();
    furnish(&mut p);
    let mut entries = whole_log(&p);
    drop(p);
    for i in 1..entries.len() {
        entries[i].previous = Some(entries[i - 1].hash);
        forge::seal(&mut entries[i], &forger);
    }
    rewrite(&path, &entries, true);
    let bad = Programme::open_read_only(&path)
        .unwrap()
        .verify()
        .unwrap()
        .first_bad
        .unwrap();
    assert_eq!((bad.number, bad.fault), (Some(2), Fault::Signature));
}

#[test]
fn a_file_copied_with_its_key_is_told_and_neither_side_loses_anything() {
    let (dir, path, mut p) = new_programme();
    p.record_placements(&act(), &[placement("A", day(4, 1), None)])
        .unwrap();
    let copy = dir.path().join("copy.earlywood");
    p.backup(&copy).unwrap();
    std::fs::copy(DeviceKey::path_beside(&path), DeviceKey::path_beside(&copy)).unwrap();
    let mut twin = Programme::open(&copy).unwrap();
    p.record_visits(&act(), &[visit("A", day(5, 1))]).unwrap();
    for d in 2..5 {
        twin.record_visits(&act(), &[visit("A", day(5, d))]).unwrap();
    }
    let before = (everything(&p).unwrap(), everything(&twin).unwrap());
    for _ in 0..2 {
        let (here, there) = p.merge_file(now(), &copy).unwrap();
        for side in [&here, &there] {
            assert_eq!(side.new, 0);
            assert!(
                side.held_back[0]
                    .why
                    .contains("two different entries under number 3"),
                "{side:?}"
            );
        }
        // The shorter side is told as well when it asks alone.
        let bundle = p
            .bundle(&twin.offer().unwrap(), Scope::Everything, Limit::default())
            .unwrap();
        assert_eq!(twin.accept(now(), &bundle).unwrap().held_back.len(), 1);
    }
    assert_eq!((everything(&p).unwrap(), everything(&twin).unwrap()), before);
    assert!(p.verify().unwrap().is_sound() && twin.verify().unwrap().is_sound());
    // What other devices write still goes to and fro: the twin becomes one.
    let request = twin.join(now()).unwrap();
    p.enrol_device(&act(), request, None).unwrap();
    let (_, there) = p.merge_file(now(), &copy).unwrap();
    assert!(!there.held_back.is_empty());
    assert!(p.verify().unwrap().is_sound() && twin.verify().unwrap().is_sound());
}

#[test]
fn a_load_whose_chunk_is_no_records_stands_in_nobodys_way() {
    let s = scene();
    let (_dir, path) = copy_of(&s.before);
    let mut p = Programme::open(&path).unwrap();
    let mut rogue = forge::Rogue::new(9);
    let chunk = b"this is no gzip".to_vec();
    let text = canonical_json(&serde_json::json!({
        "what": "hosts", "mode": "add", "source": "x", "rows": 3, "encoding": "ndjson+gzip",
        "chunks": [{"hash": Hash::of(&chunk).to_string(), "bytes": chunk.len(), "rows": 3}],
    }))
    .unwrap();
    rogue.write("lead", "hosts-loaded", 1, &text, "2026-10-01T10:00:00-07:00");
    let mut entries = rogue.chain.clone();
    entries.extend(s.new.clone());
    let bundle = Bundle {
        programme: p.id().unwrap(),
        heads: vec![],
        wants: vec![],
        entries,
        contents: vec![(Hash::of(&chunk), chunk)],
        complete: true,
    };
    let accepted = p.accept(now(), &bundle).unwrap();
    assert_eq!(accepted.new, 12);
    assert_eq!((accepted.held_back.len(), accepted.held_back[0].entries), (1, 1));
    assert!(p.hosts().unwrap().is_empty());
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn an_attachment_of_another_length_than_said_does_not_make_the_journal_unsound() {
    let s = scene();
    let (_dir, path) = copy_of(&s.before);
    let mut p = Programme::open(&path).unwrap();
    let mut rogue = forge::Rogue::new(9);
    let photo = b"a photo".to_vec();
    let mut seen = VisitMade::from_visit(&visit("A", day(5, 9)));
    seen.photos = vec![Photo {
        hash: Hash::of(&photo),
        bytes: 999,
        media: "image/jpeg".into(),
        shows: "the trap".into(),
    }];
    let text = Body::VisitMade(seen).to_text().unwrap();
    rogue.write("insp-1", "visit-made", 2, &text, "2026-10-01T10:00:00-07:00");
    let bundle = Bundle {
        programme: p.id().unwrap(),
        heads: vec![],
        wants: vec![],
        entries: rogue.chain.clone(),
        contents: vec![(Hash::of(&photo), photo)],
        complete: true,
    };
    let accepted = p.accept(now(), &bundle).unwrap();
    assert_eq!((accepted.new, accepted.contents), (1, 1));
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
}

#[test]
fn a_load_that_miscounts_is_held_back() {
    let s = scene();
    let (_dir, path) = copy_of(&s.before);
    let mut p = Programme::open(&path).unwrap();
    let mut rogue = forge::Rogue::new(9);
    let text = canonical_json(&serde_json::json!({
        "what": "places", "mode": "replace", "source": "x", "rows": 3, "encoding": "ndjson+gzip", "chunks": [],
    })).unwrap();
    rogue.write("lead", "places-loaded", 1, &text, "2026-10-01T10:00:00-07:00");
    let accepted = given(&mut p, &[&rogue.chain]);
    assert_eq!((accepted.new, accepted.held_back[0].entries), (0, 1));
    assert!(p.verify().unwrap().is_sound());
}
