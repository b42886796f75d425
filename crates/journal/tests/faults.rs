//! Killed processes, two processes at once, and files that are not what they should be.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::collections::HashMap;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::common::*;
use earlywood_journal::{Error, LoadMode, Programme};
use earlywood_model::record::Visit;
use proptest::prelude::*;
use rusqlite::Connection;

const FILE: &str = "EARLYWOOD_TEST_FILE";
const NAME: &str = "EARLYWOOD_TEST_NAME";

/// Runs one test of this very file as a child process.
fn child(exe: &Path, test: &str, file: &Path, name: &str) -> Command {
    let mut command = Command::new(exe);
    command
        .args([
            "--exact",
            &format!("faults::{test}"),
            "--nocapture",
            "--test-threads=1",
        ])
        .env(FILE, file)
        .env(NAME, name);
    command.stdout(Stdio::piped()).stderr(Stdio::null());
    command
}

fn this_exe() -> PathBuf {
    std::env::current_exe().unwrap()
}

/// What a child was told, or `None` when this is not a child.
fn told() -> Option<(PathBuf, String)> {
    Some((std::env::var_os(FILE)?.into(), std::env::var(NAME).ok()?))
}

fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "\n{line}").unwrap();
    out.flush().unwrap();
}

/// A batch whose visits can be told from all others and belong together.
fn batch(name: &str, number: usize) -> Vec<Visit> {
    let visit = |k: usize| Visit {
        crew: Some(format!("{name} {number}")),
        exception: Some(k.to_string()),
        ..visit("A", day(5, 1 + (number % 28) as i8))
    };
    (0..1 + number % 4).map(visit).collect()
}

/// Child: appends batches for ever and says which are acknowledged; every fifth time loads a set of hosts.
#[test]
fn child_appends_for_ever() {
    let Some((file, name)) = told() else { return };
    let mut p = Programme::open(&file).unwrap();
    for number in 0.. {
        let receipts = p.record_visits(&act(), &batch(&name, number)).unwrap();
        for receipt in &receipts {
            say(&format!("ack {} {}", receipt.number, receipt.hash));
        }
        say(&format!("batch {name} {number}"));
        if number == 0 {
            say("ready");
        }
        if number % 5 == 4 {
            let loaded = p
                .load_hosts(&act(), &name, LoadMode::Replace, &hosts(0..1000 + number))
                .unwrap();
            say(&format!("ack {} {}", loaded.number, loaded.hash));
        }
    }
}

/// Child: appends thirty batches, beside others.
#[test]
fn child_appends_thirty() {
    let Some((file, name)) = told() else { return };
    let mut p = Programme::open(&file).unwrap();
    for number in 0..30 {
        p.record_visits(&act(), &batch(&name, number)).unwrap();
    }
    say("done");
}

/// Child: makes programme files for ever.
#[test]
fn child_creates_for_ever() {
    let Some((folder, name)) = told() else { return };
    for number in 0.. {
        let path = folder.join(format!("{name}-{number}.earlywood"));
        Programme::create(&path, "Alder Reach", &act()).unwrap();
        say(&format!("made {}", path.display()));
        if number == 0 {
            say("ready");
        }
    }
}

/// Lets a child run until its first change is acknowledged and a little longer, kills it with SIGKILL, and gives what it had said.
fn run_and_kill(mut command: Command, after: Duration) -> Vec<String> {
    let mut child: Child = command.spawn().unwrap();
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
    let mut lines = reader.join().unwrap();
    // A line that the kill cut short was not said.
    if lines
        .last()
        .is_some_and(|line| line.starts_with("ack") && line.len() < 70)
    {
        lines.pop();
    }
    lines
}

/// Short here; a longer run sets EARLYWOOD_KILLS to the number of kills.
#[test]
fn what_was_acknowledged_survives_kill_9_and_nothing_half_written_is_seen() {
    let (_dir, path, mut p) = new_programme();
    p.record_placements(&act(), &[placement("A", day(1, 1), None)])
        .unwrap();
    drop(p);
    let runs = std::env::var("EARLYWOOD_KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(25_usize);
    let mut acknowledged: HashMap<u64, String> = HashMap::new();
    let mut batches: Vec<(String, usize)> = Vec::new();
    for run in 0..runs {
        // A fresh, unpredictable moment in each run; the write is somewhere else each time.
        let after = random_micros(150_000);
        let name = format!("run{run}");
        for line in run_and_kill(child(&this_exe(), "child_appends_for_ever", &path, &name), after) {
            let words: Vec<&str> = line.split(' ').collect();
            match words[..] {
                ["ack", number, hash] => drop(acknowledged.insert(number.parse().unwrap(), hash.to_owned())),
                ["batch", name, number] => batches.push((name.to_owned(), number.parse().unwrap())),
                _ => {}
            }
        }
        let p = Programme::open(&path).unwrap();
        let seen = p.verify().unwrap();
        assert!(
            seen.is_sound(),
            "run {run}, killed after {after:?}: {:?}",
            seen.first_bad
        );
        let log = whole_log(&p);
        for (number, hash) in &acknowledged {
            let entry = &log[usize::try_from(*number).unwrap() - 1];
            assert_eq!(entry.hash.to_string(), *hash, "entry {number} was acknowledged");
        }
        let mut sizes: HashMap<String, usize> = HashMap::new();
        for visit in p.visits().unwrap() {
            *sizes.entry(visit.crew.unwrap()).or_default() += 1;
        }
        for (crew, size) in &sizes {
            let number: usize = crew.split(' ').nth(1).unwrap().parse().unwrap();
            assert_eq!(*size, batch("", number).len(), "batch {crew} is there in part");
        }
        for (name, number) in &batches {
            assert!(
                sizes.contains_key(&format!("{name} {number}")),
                "batch {name} {number} was lost"
            );
        }
    }
    assert!(
        acknowledged.len() >= runs,
        "the children hardly wrote anything: {}",
        acknowledged.len()
    );
}

/// A moment that differs from run to run: the low bits of a UUIDv7 are random.
fn random_micros(below: u64) -> Duration {
    Duration::from_micros((uuid::Uuid::now_v7().as_u64_pair().1 & 0xffff_ffff) % below)
}

#[test]
fn a_programme_file_appears_whole_or_not_at_all() {
    let dir = tempfile::tempdir().unwrap();
    let mut made = 0;
    for run in 0..6 {
        let after = random_micros(120_000);
        let lines = run_and_kill(
            child(
                &this_exe(),
                "child_creates_for_ever",
                dir.path(),
                &format!("r{run}"),
            ),
            after,
        );
        for line in lines.iter().filter_map(|line| line.strip_prefix("made ")) {
            assert!(Path::new(line).exists(), "{line} was acknowledged");
        }
    }
    for file in std::fs::read_dir(dir.path()).unwrap() {
        let path = file.unwrap().path();
        if path.extension().is_some_and(|e| e == "earlywood") {
            let seen = Programme::open(&path).unwrap().verify().unwrap();
            assert!(seen.is_sound(), "{}: {:?}", path.display(), seen.first_bad);
            made += 1;
        }
    }
    assert!(made >= 6, "each child made at least one");
}

#[test]
fn processes_and_threads_on_one_file_number_without_gaps() {
    let (_dir, path, mut p) = new_programme();
    p.record_placements(&act(), &[placement("A", day(1, 1), None)])
        .unwrap();
    let mut children: Vec<Child> = (0..2)
        .map(|i| {
            child(&this_exe(), "child_appends_thirty", &path, &format!("process{i}"))
                .spawn()
                .unwrap()
        })
        .collect();
    std::thread::scope(|scope| {
        for i in 0..2 {
            let path = &path;
            scope.spawn(move || {
                let mut p = Programme::open(path).unwrap();
                for number in 0..30 {
                    p.record_visits(&act(), &batch(&format!("thread{i}"), number))
                        .unwrap();
                    assert!(p.verify().unwrap().is_sound());
                }
            });
        }
    });
    for child in &mut children {
        assert!(child.wait().unwrap().success());
    }
    let visits: usize = 4 * (0..30).map(|number| batch("", number).len()).sum::<usize>();
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert_eq!(p.visits().unwrap().len(), visits);
    assert_eq!(seen.heads[0].number as usize, 2 + visits);
    assert_eq!(seen.heads.len(), 1);
}

#[test]
fn a_reader_sees_one_moment_while_another_writes() {
    let (_dir, path, mut p) = new_programme();
    p.record_placements(&act(), &[placement("A", day(1, 1), None)])
        .unwrap();
    let reader = Programme::open_read_only(&path).unwrap();
    for number in 0..5 {
        p.record_visits(&act(), &batch("w", number)).unwrap();
        assert_eq!(reader.counts().unwrap().visits, p.counts().unwrap().visits);
    }
    assert!(reader.verify().unwrap().is_sound());
}

#[test]
fn other_files_are_refused_in_plain_words() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    let message = |path: &Path| {
        let (write, read) = (
            Programme::open(path).unwrap_err(),
            Programme::open_read_only(path).unwrap_err(),
        );
        assert_eq!(write.to_string(), read.to_string());
        write.to_string()
    };
    assert!(message(&at("missing")).ends_with("does not exist"));
    assert!(!at("missing").exists(), "opening must not make a file");
    assert!(message(dir.path()).ends_with("it is not a file"));
    std::fs::write(at("empty"), b"").unwrap();
    assert!(message(&at("empty")).ends_with("it is empty (0 bytes)"));
    for (name, bytes) in [
        ("short", &b"SQLi"[..]),
        ("text", &[b'x'; 5000][..]),
        ("zeros", &[0; 8192][..]),
    ] {
        std::fs::write(at(name), bytes).unwrap();
        assert!(
            message(&at(name)).ends_with("it does not start like one"),
            "{name}"
        );
    }
    let mut garbage = b"SQLite format 3\0".to_vec();
    garbage.extend((0..9000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8));
    std::fs::write(at("garbage"), garbage).unwrap();
    let _ = message(&at("garbage"));

    Connection::open(at("other"))
        .unwrap()
        .execute_batch("CREATE TABLE t (x)")
        .unwrap();
    assert!(message(&at("other")).ends_with("it is a database of another program"));
    let made = |name: &str, change: &str| {
        drop(Programme::create(&at(name), "Alder Reach", &act()).unwrap());
        Connection::open(at(name)).unwrap().execute_batch(change).unwrap();
        message(&at(name))
    };
    assert!(made("newer", "PRAGMA user_version = 5").contains("use a newer program"));
    assert!(made("older", "PRAGMA user_version = 0").contains("was never finished"));
    assert!(made("half", "DROP TABLE facts").contains("table facts is missing"));
    assert!(
        made("none", "DROP TRIGGER entries_never_go; DELETE FROM entries").contains("first entry is missing")
    );
}

#[test]
fn a_log_left_behind_by_a_deleted_file_is_not_played_into_a_new_one() {
    let (_dir, path, p) = new_programme();
    let mut left = path.clone().into_os_string();
    left.push("-wal");
    let _open = p; // keeps its log there
    assert!(Path::new(&left).exists());
    std::fs::remove_file(&path).unwrap();
    let error = Programme::create(&path, "Alder Reach", &act()).unwrap_err();
    assert!(
        matches!(&error, Error::AlreadyExists { path } if path.as_os_str() == left),
        "{error}"
    );
}

#[test]
fn a_file_opened_for_reading_is_not_changed() {
    let (_dir, path, mut p) = new_programme();
    furnish(&mut p);
    let all = everything(&p).unwrap();
    drop(p);
    let bytes = std::fs::read(&path).unwrap();
    let mut p = Programme::open_read_only(&path).unwrap();
    assert_eq!(everything(&p).unwrap(), all);
    assert!(p.verify().unwrap().is_sound());
    let refused = [
        p.load_hosts(&act(), "x", LoadMode::Add, &hosts(900..901))
            .map(drop),
        p.record_visits(&act(), &[visit("B", day(6, 1))]).map(drop),
        p.rebuild(),
    ];
    assert!(
        refused.iter().all(|r| matches!(r, Err(Error::ReadOnly(_)))),
        "{refused:?}"
    );
    drop(p);
    assert_eq!(std::fs::read(&path).unwrap(), bytes);
}

/// Child: is somebody who may not write here.
#[test]
fn child_may_not_write() {
    let Some((file, _)) = told() else { return };
    assert!(
        std::fs::write(file.with_extension("probe"), b"x").is_err(),
        "this folder should be read-only"
    );
    let error = Programme::open(&file).unwrap_err();
    assert!(matches!(error, Error::ReadOnly(_)), "{error}");
    let p = Programme::open_read_only(&file).unwrap();
    assert_eq!(p.hosts().unwrap().len(), 300);
    assert!(p.verify().unwrap().is_sound());
    let new = file.with_extension("new");
    assert!(matches!(
        Programme::create(&new, "Alder Reach", &act()),
        Err(Error::Io { .. })
    ));
    say("done");
}

#[cfg(unix)]
#[test]
fn a_read_only_folder_can_be_read_and_says_so_when_written() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let (dir, path, mut p) = new_programme();
    furnish(&mut p);
    drop(p);
    let exe = dir.path().join("child");
    std::fs::copy(this_exe(), &exe).unwrap();
    let allow = |path: &Path, mode| std::fs::set_permissions(path, PermissionsExt::from_mode(mode)).unwrap();
    allow(&exe, 0o555);
    allow(&path, 0o444);
    allow(dir.path(), 0o555);
    let mut command = child(&exe, "child_may_not_write", &path, "");
    // The superuser may write anywhere, so nobody does it.
    if std::fs::metadata("/proc/self").is_ok_and(|me| me.uid() == 0) {
        command.uid(65_534).gid(65_534);
    }
    command.current_dir("/").stderr(Stdio::piped());
    let output = command.output().unwrap();
    allow(dir.path(), 0o755);
    assert!(
        output.status.success() && String::from_utf8_lossy(&output.stdout).contains("\ndone\n"),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// Opens and reads whatever is there: an error, a finding, or exactly what was written; never a panic, never a lie.
fn told_or_unchanged(path: &Path, original: &str) -> Result<&'static str, TestCaseError> {
    let Ok(p) = Programme::open(path) else {
        return Ok("open");
    };
    match p.verify() {
        Err(_) => return Ok("error"),
        Ok(seen) if !seen.is_sound() => {
            let _ = everything(&p); // must not panic either
            return Ok("found");
        }
        Ok(_) => {}
    }
    let shown = everything(&p).map_err(|e| TestCaseError::fail(format!("sound, yet unreadable: {e}")))?;
    prop_assert_eq!(shown, original, "sound, yet different");
    Ok("unchanged")
}

fn original() -> &'static (Vec<u8>, String) {
    static FILE: std::sync::OnceLock<(Vec<u8>, String)> = std::sync::OnceLock::new();
    FILE.get_or_init(|| {
        let (_dir, path, mut p) = new_programme();
        furnish(&mut p);
        let all = everything(&p).unwrap();
        drop(p);
        (std::fs::read(&path).unwrap(), all)
    })
}

/// A file in use, as a power cut finds it: the database, its log, and the hashes of all entries.
fn in_use() -> &'static (Vec<u8>, Vec<u8>, Vec<String>) {
    static FILE: std::sync::OnceLock<(Vec<u8>, Vec<u8>, Vec<String>)> = std::sync::OnceLock::new();
    FILE.get_or_init(|| {
        let (_dir, path, mut p) = new_programme();
        furnish(&mut p);
        let log = std::fs::read(format!("{}-wal", path.display())).unwrap();
        let hashes = whole_log(&p).iter().map(|e| e.hash.to_string()).collect();
        (std::fs::read(&path).unwrap(), log, hashes)
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, max_shrink_iters: 50, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_flipped_bit_is_told_or_harmless(at in any::<prop::sample::Index>(), bit in 0..8_u8) {
        let (bytes, all) = original();
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("flipped");
        let mut flipped = bytes.clone();
        flipped[at.index(bytes.len())] ^= 1 << bit;
        std::fs::write(&path, flipped).unwrap();
        told_or_unchanged(&path, all)?;
    }

    #[test]
    fn a_truncated_file_is_told(keep in any::<prop::sample::Index>()) {
        let (bytes, all) = original();
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("cut");
        std::fs::write(&path, &bytes[..keep.index(bytes.len())]).unwrap();
        prop_assert_ne!(told_or_unchanged(&path, all)?, "unchanged");
    }

    #[test]
    fn a_torn_log_leaves_a_whole_earlier_moment(
        keep in any::<prop::sample::Index>(),
        flip in prop::option::of((any::<prop::sample::Index>(), 0..8_u8)),
    ) {
        let (file, log, hashes) = in_use();
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("torn");
        let mut torn = log[..keep.index(log.len() + 1)].to_vec();
        if let (Some((at, bit)), false) = (flip, torn.is_empty()) {
            let at = at.index(torn.len());
            torn[at] ^= 1 << bit;
        }
        std::fs::write(&path, file).unwrap();
        std::fs::write(dir.path().join("torn-wal"), &torn).unwrap();
        let p = Programme::open(&path).unwrap();
        let seen = p.verify().unwrap();
        prop_assert!(seen.is_sound(), "{:?}", seen.first_bad);
        let left: Vec<String> = whole_log(&p).iter().map(|e| e.hash.to_string()).collect();
        prop_assert_eq!(&left[..], &hashes[..left.len()]);
        if torn == *log {
            prop_assert_eq!(left.len(), hashes.len());
        }
    }
}
