//! Exchanges that are cut off: killed processes, damaged messages, full disks, two processes at once.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::common::*;
#[cfg(feature = "postgres")]
use crate::postgres_server;
use earlywood_journal::sync::{Limit, Limits, Offer, Scope, decode_gzip, encode_gzip};
use earlywood_journal::*;
use earlywood_model::record::Visit;
use proptest::prelude::*;

const FOLDER: &str = "EARLYWOOD_TEST_FOLDER";
const NAME: &str = "EARLYWOOD_TEST_NAME";

fn now() -> jiff::Timestamp {
    NOW.parse::<jiff::ZonedDateTime>().unwrap().timestamp()
}

fn told() -> Option<(PathBuf, String)> {
    Some((std::env::var_os(FOLDER)?.into(), std::env::var(NAME).ok()?))
}

fn child(test: &str, folder: &Path, name: &str) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command
        .args([
            "--exact",
            &format!("sync_faults::{test}"),
            "--nocapture",
            "--test-threads=1",
        ])
        .env(FOLDER, folder)
        .env(NAME, name);
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    command
}

fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "\n{line}").unwrap();
    out.flush().unwrap();
}

fn random(below: u64) -> u64 {
    (uuid::Uuid::now_v7().as_u64_pair().1 & 0xffff_ffff) % below
}

/// Two offices with a trap; each knows the other's device.
fn offices(dir: &Path) -> (PathBuf, PathBuf) {
    let (a, b) = (dir.join("a"), dir.join("b"));
    let mut p = Programme::create(&a, "Alder Reach", &act()).unwrap();
    p.record_placements(&act(), &[placement("A", day(1, 1), None)])
        .unwrap();
    p.backup(&b).unwrap();
    let request = Programme::open(&b).unwrap().join(now()).unwrap();
    p.enrol_device(&act(), request, None).unwrap();
    Programme::open(&b).unwrap().take_all(now(), &p).unwrap();
    (a, b)
}

fn stop(name: &str, n: usize) -> Visit {
    Visit {
        crew: Some(format!("{name} {n}")),
        ..visit("A", day(5, 1 + (n % 28) as i8))
    }
}

/// Child: both offices write, load, and exchange, for ever; says what was acknowledged.
#[test]
fn child_exchanges_for_ever() {
    let Some((folder, name)) = told() else { return };
    let (a, b) = (folder.join("a"), folder.join("b"));
    let mut here = Programme::open(&a).unwrap();
    for n in 0.. {
        for receipt in here
            .record_visits(&act(), &[stop(&name, 3 * n), stop(&name, 3 * n + 1)])
            .unwrap()
        {
            say(&format!("ack {} {}", receipt.device, receipt.hash));
        }
        let mut there = Programme::open(&b).unwrap();
        let receipt = there.record_visits(&act(), &[stop(&name, 3 * n + 2)]).unwrap()[0];
        say(&format!("ack {} {}", receipt.device, receipt.hash));
        let loaded = there
            .load_hosts(&act(), &name, LoadMode::Replace, &hosts(0..500 + n))
            .unwrap();
        say(&format!("ack {} {}", loaded.device, loaded.hash));
        if n % 2 == 0 {
            drop(there);
            here.merge_file(now(), &b).unwrap();
        } else {
            // In small pieces, so that the kill falls between them too.
            loop {
                let small = Limit {
                    entries: 2,
                    ..Limit::default()
                };
                let bundle = there
                    .bundle(&here.offer().unwrap(), Scope::Everything, small)
                    .unwrap();
                here.accept(now(), &bundle).unwrap();
                if bundle.complete {
                    break;
                }
            }
        }
        say(&format!("both {}", receipt.hash));
        if n == 0 {
            say("ready");
        }
    }
}

fn run_and_kill(mut command: Command, after: Duration) -> Vec<String> {
    let mut child = command.spawn().unwrap();
    let out = child.stdout.take().unwrap();
    let (ready, is_ready) = std::sync::mpsc::channel();
    let reader = std::thread::spawn(move || {
        let mut lines = Vec::new();
        for line in BufReader::new(out).lines().map_while(Result::ok) {
            if line == "ready" {
                let _ = ready.send(());
            }
            lines.push(line);
        }
        lines
    });
    is_ready
        .recv_timeout(Duration::from_secs(60))
        .expect("the child never got ready");
    std::thread::sleep(after);
    child.kill().unwrap(); // SIGKILL
    child.wait().unwrap();
    reader.join().unwrap()
}

/// Short here; a longer run sets EARLYWOOD_KILLS to the number of kills.
#[test]
fn an_exchange_killed_at_any_moment_loses_nothing_and_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = offices(dir.path());
    let runs = std::env::var("EARLYWOOD_KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(12_usize);
    let (mut acks, mut both): (HashMap<String, String>, Vec<String>) = Default::default();
    for run in 0..runs {
        let after = Duration::from_micros(random(120_000));
        for line in run_and_kill(
            child("child_exchanges_for_ever", dir.path(), &format!("run{run}")),
            after,
        ) {
            let words: Vec<&str> = line.split(' ').collect();
            match words[..] {
                ["ack", device, hash] if hash.len() == 64 => drop(acks.insert(hash.into(), device.into())),
                ["both", hash] if hash.len() == 64 => both.push(hash.into()),
                _ => {}
            }
        }
        let (pa, pb) = (Programme::open(&a).unwrap(), Programme::open(&b).unwrap());
        for (name, p) in [("a", &pa), ("b", &pb)] {
            let seen = p.verify().unwrap();
            assert!(
                seen.is_sound(),
                "run {run}, {name}, killed after {after:?}: {:?}",
                seen.first_bad
            );
        }
        let hashes = |p: &Programme| {
            whole_log(p)
                .iter()
                .map(|e| e.hash.to_string())
                .collect::<std::collections::HashSet<_>>()
        };
        let (in_a, in_b) = (hashes(&pa), hashes(&pb));
        for (hash, device) in &acks {
            let there = if *device == pa.device().to_string() {
                &in_a
            } else {
                &in_b
            };
            assert!(there.contains(hash), "run {run}: {hash} was acknowledged");
        }
        for hash in &both {
            assert!(in_a.contains(hash), "run {run}: {hash} had arrived");
        }
    }
    let mut p = Programme::open(&a).unwrap();
    p.merge_file(now(), &b).unwrap();
    assert_eq!(
        p.digests().unwrap(),
        Programme::open(&b).unwrap().digests().unwrap()
    );
    assert!(p.verify().unwrap().is_sound());
    println!(
        "{runs} kills, {} acknowledged entries, {} exchanges",
        acks.len(),
        both.len()
    );
    assert!(acks.len() >= runs && both.len() >= runs);
}

/// Child: appends and exchanges thirty times, beside others.
#[test]
fn child_exchanges_thirty_times() {
    let Some((folder, name)) = told() else { return };
    let (a, b) = (folder.join("a"), folder.join("b"));
    let mut p = Programme::open(&a).unwrap();
    for n in 0..30 {
        p.record_visits(&act(), &[stop(&name, n)]).unwrap();
        if n % 3 == 0 {
            p.merge_file(now(), &b).unwrap();
        }
    }
    say("done");
}

#[test]
fn processes_that_exchange_and_append_on_the_same_files_do_not_harm_each_other() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = offices(dir.path());
    let mut children: Vec<_> = (0..2)
        .map(|i| {
            child("child_exchanges_thirty_times", dir.path(), &format!("c{i}"))
                .spawn()
                .unwrap()
        })
        .collect();
    let mut p = Programme::open(&b).unwrap();
    for n in 0..30 {
        p.record_visits(&act(), &[stop("here", n)]).unwrap();
        if n % 5 == 0 {
            p.take_all(now(), &Programme::open_read_only(&a).unwrap())
                .unwrap();
        }
    }
    for child in &mut children {
        assert!(child.wait().unwrap().success());
    }
    p.merge_file(now(), &a).unwrap();
    assert_eq!(p.visits().unwrap().len(), 90);
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!(
        p.digests().unwrap(),
        Programme::open(&a).unwrap().digests().unwrap()
    );
}

/// A message of some entries and a chunk, as a file.
fn message() -> &'static (tempfile::TempDir, PathBuf, Vec<u8>) {
    static MESSAGE: std::sync::OnceLock<(tempfile::TempDir, PathBuf, Vec<u8>)> = std::sync::OnceLock::new();
    MESSAGE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let (a, b) = offices(dir.path());
        let mut p = Programme::open(&a).unwrap();
        furnish_more(&mut p);
        let theirs = Programme::open(&b).unwrap().offer().unwrap();
        let mut bytes = Vec::new();
        encode_gzip(
            &p.bundle(&theirs, Scope::Everything, Limit::default()).unwrap(),
            &mut bytes,
        )
        .unwrap();
        (dir, b, bytes)
    })
}

fn furnish_more(p: &mut Programme) {
    p.load_hosts(&act(), "trees.csv", LoadMode::Add, &hosts(0..50))
        .unwrap();
    for n in 0..20 {
        p.record_visits(&act(), &[stop("crew", n)]).unwrap();
    }
}

fn cases(short: u32) -> u32 {
    std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(short)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(300), max_shrink_iters: 50, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_message_cut_short_or_changed_is_refused_whole(at in any::<prop::sample::Index>(), flip in 0..=255_u8, more in any::<bool>()) {
        let (_, _, good) = message();
        let at = at.index(good.len());
        let mut bytes = good.clone();
        match flip {
            0 if more => bytes.extend([0, 1, 2]),
            0 => bytes.truncate(at),
            flip => bytes[at] ^= flip,
        }
        match decode_gzip(bytes.as_slice(), &Limits::default()) {
            Err(e) => prop_assert!(!e.to_string().is_empty()),
            // The header of gzip holds a time and an operating system, which say nothing.
            Ok(bundle) => {
                prop_assert!(at < 10, "byte {at} changed, and nobody noticed");
                let whole = decode_gzip(good.as_slice(), &Limits::default()).unwrap();
                prop_assert_eq!(bundle.entries, whole.entries);
            }
        }
    }
}

/// A small disk of its own.
struct SmallDisk(PathBuf, tempfile::TempDir);

impl SmallDisk {
    fn new(size: &str) -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("disk");
        std::fs::create_dir(&path).unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(&path)
            .stderr(Stdio::null())
            .status();
        mounted
            .is_ok_and(|status| status.success())
            .then_some(SmallDisk(path, dir))
    }

    fn grow(&self, size: &str) {
        assert!(
            Command::new("mount")
                .args(["-o", &format!("remount,size={size}")])
                .arg(&self.0)
                .status()
                .unwrap()
                .success()
        );
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
        let _ = &self.1;
    }
}

#[test]
fn a_full_disk_is_told_in_plain_words_and_leaves_nothing_half_written() {
    let dir = tempfile::tempdir().unwrap();
    let (a, _) = offices(dir.path());
    let Some(disk) = SmallDisk::new("1200k") else {
        println!("no small disk can be mounted here: not tested");
        return;
    };
    // A copy on the small disk, of an office that takes from the large one.
    let small = disk.0.join("small");
    let mut large = Programme::open(&a).unwrap();
    large.backup(&small).unwrap();
    let mut p = Programme::open(&small).unwrap();
    let request = p.join(now()).unwrap();
    large.enrol_device(&act(), request, None).unwrap();
    p.take_all(now(), &large).unwrap();
    // What is taken does not fit: a load of random labels that hardly packs.
    let many: Vec<_> = (0..60_000)
        .map(|i| host(&Hash::of(&[(i % 251) as u8, (i / 251) as u8]).to_string()[..20]))
        .collect();
    let unique: HashMap<String, _> = many.into_iter().map(|h| (h.label.clone(), h)).collect();
    let rows: Vec<_> = unique.into_values().collect();
    large
        .load_hosts(&act(), "trees.csv", LoadMode::Add, &rows)
        .unwrap();
    large.record_visits(&act(), &[stop("late", 1)]).unwrap();
    let before = everything(&p).unwrap();
    for _ in 0..3 {
        let error = p.take_all(now(), &large).unwrap_err();
        assert!(matches!(error, Error::DiskFull | Error::Io { .. }), "{error:?}");
        assert!(
            error.to_string().contains("disk") || error.to_string().contains("space"),
            "{error}"
        );
        assert_eq!(everything(&p).unwrap(), before);
        let seen = p.verify().unwrap();
        assert!(seen.is_sound(), "{:?}", seen.first_bad);
    }
    // So does what is recorded, sooner or later.
    let mut n = 0;
    let error = loop {
        match p.record_visits(&act(), &[stop(&"x".repeat(150), n)]) {
            Ok(_) => n += 1,
            Err(error) => break error,
        }
        assert!(n < 20_000);
    };
    assert!(matches!(error, Error::DiskFull | Error::Io { .. }), "{error:?}");
    assert_eq!(p.visits().unwrap().len(), n);
    // A backup that does not fit leaves no file behind.
    let files = || {
        std::fs::read_dir(&disk.0)
            .unwrap()
            .map(|f| f.unwrap().file_name())
            .collect::<std::collections::BTreeSet<_>>()
    };
    let there = files();
    assert!(p.backup(&disk.0.join("copy")).is_err());
    assert!(Programme::create(&disk.0.join("new"), "Alder Reach", &act()).is_err());
    assert_eq!(files(), there);
    drop(p);
    // Opened again on the full disk it still reads; with room it goes on.
    let read = Programme::open_read_only(&small).unwrap();
    assert_eq!(read.visits().unwrap().len(), n);
    drop(read);
    disk.grow("64m");
    let mut p = Programme::open(&small).unwrap();
    assert!(p.verify().unwrap().is_sound());
    p.take_all(now(), &large).unwrap();
    p.record_visits(&act(), &[stop("again", 1)]).unwrap();
    large.take_all(now(), &p).unwrap();
    assert_eq!(p.digests().unwrap(), large.digests().unwrap());
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn photos_and_sealed_contents_come_with_the_entries_that_name_them() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = offices(dir.path());
    let (mut here, mut there) = (Programme::open(&a).unwrap(), Programme::open(&b).unwrap());
    for (p, photo) in [(&mut here, b"one"), (&mut there, b"two")] {
        let mut seen = VisitMade::from_visit(&stop("photo", 1));
        let hash = Hash::of(photo);
        seen.photos = vec![Photo {
            hash,
            bytes: 3,
            media: "image/jpeg".into(),
            shows: "the trap".into(),
        }];
        p.record_stops(&act(), &[seen]).unwrap();
        p.attach(photo).unwrap();
    }
    drop(there);
    here.merge_file(now(), &b).unwrap();
    let there = Programme::open(&b).unwrap();
    for p in [&here, &there] {
        for photo in [b"one", b"two"] {
            assert_eq!(
                p.attachment(Hash::of(photo)).unwrap().as_deref(),
                Some(&photo[..])
            );
        }
        let seen = p.verify().unwrap();
        assert!(seen.is_sound() && seen.awaited == 0, "{seen:?}");
    }
}

#[test]
fn a_copy_that_cannot_be_written_is_read_and_only_read() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = offices(dir.path());
    let mut p = Programme::open(&a).unwrap();
    Programme::open(&b)
        .unwrap()
        .record_visits(&act(), &[stop("b", 1)])
        .unwrap();
    let bundle = {
        let other = Programme::open_read_only(&b).unwrap();
        let offer: Offer = p.offer().unwrap();
        other.bundle(&offer, Scope::Everything, Limit::default()).unwrap()
    };
    let mut read = Programme::open_read_only(&a).unwrap();
    assert!(matches!(read.accept(now(), &bundle), Err(Error::ReadOnly(_))));
    assert!(matches!(read.join(now()), Err(Error::ReadOnly(_))));
    assert!(matches!(read.attach(b"x"), Err(Error::ReadOnly(_))));
    assert_eq!(p.accept(now(), &bundle).unwrap().new, 1);
    // A bundle of another programme.
    let (_other_dir, _, other) = new_programme();
    let foreign = other
        .bundle(
            &Offer {
                programme: other.id().unwrap(),
                heads: vec![],
                wants: vec![],
            },
            Scope::Everything,
            Limit::default(),
        )
        .unwrap();
    let error = p.accept(now(), &foreign).unwrap_err();
    assert!(error.to_string().contains("two programmes"), "{error}");
}

/// Child: appends for ever to a file that shares a store; says what was acknowledged, and goes on where it can't.
#[cfg(feature = "postgres")]
#[test]
fn child_shares_for_ever() {
    let Some((file, name)) = told() else { return };
    let url = std::env::var("EARLYWOOD_TEST_URL").unwrap();
    let mut ready = false;
    for n in 0.. {
        let mut p = Programme::open(&file).unwrap();
        let Ok(store) = PostgresStore::open(&url) else {
            continue;
        };
        if p.share(Box::new(store)).is_err() {
            continue;
        }
        for k in 0..20 {
            match p.record_visits(&act(), &[stop(&name, 20 * n + k)]) {
                Ok(receipts) => say(&format!("ack {} {}", receipts[0].number, receipts[0].hash)),
                Err(_) => break,
            }
            // The server may have been killed before the first of them.
            if !std::mem::replace(&mut ready, true) {
                say("ready");
            }
        }
    }
}

/// Kills the program, or the server, wherever they are: between the two commits too.
#[cfg(feature = "postgres")]
#[test]
fn a_shared_journal_survives_a_killed_program_and_a_killed_server() {
    let Some(server) = postgres_server::Server::start_durable() else {
        return;
    };
    let url = server.new_database();
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = offices(dir.path());
    Programme::open(&a)
        .unwrap()
        .share(Box::new(PostgresStore::create(&url, |_| Ok(())).unwrap()))
        .unwrap();
    let runs = std::env::var("EARLYWOOD_KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(6_usize);
    let mut acks = std::collections::HashSet::new();
    for run in 0..runs {
        let file = if run % 2 == 0 { &a } else { &b };
        let mut command = child("child_shares_for_ever", file, &format!("run{run}"));
        command.env("EARLYWOOD_TEST_URL", &url);
        let after = Duration::from_micros(random(80_000));
        let kill_server = run % 3 == 2;
        let lines = std::thread::scope(|scope| {
            if kill_server {
                scope.spawn(|| {
                    std::thread::sleep(Duration::from_micros(50_000 + random(200_000)));
                    server.kill();
                    server.start_again();
                });
            }
            run_and_kill(command, after)
        });
        acks.extend(
            lines
                .iter()
                .filter_map(|line| line.strip_prefix("ack ")?.split(' ').nth(1))
                .filter(|h| h.len() == 64)
                .map(str::to_owned),
        );
        let mut p = Programme::open(file).unwrap();
        assert!(
            p.verify().unwrap().is_sound(),
            "run {run}: before it shares again"
        );
        // Whichever side has more, both have the same once they share again.
        p.share(Box::new(PostgresStore::open(&url).unwrap())).unwrap();
        let seen = p.verify().unwrap();
        assert!(seen.is_sound(), "run {run}: {:?}", seen.first_bad);
        let there: std::collections::HashSet<String> =
            whole_log(&p).iter().map(|e| e.hash.to_string()).collect();
        assert!(
            acks.iter().all(|hash| there.contains(hash)),
            "run {run}: an acknowledged entry is lost"
        );
        let mut store = PostgresStore::open(&url).unwrap();
        let shared = store.read().unwrap();
        assert_eq!(shared.heads().unwrap(), p.offer().unwrap().heads);
        assert!(verify_log(&*shared).unwrap().first_bad.is_none());
    }
    println!("{runs} kills, {} acknowledged entries", acks.len());
    assert!(acks.len() >= runs);
}
