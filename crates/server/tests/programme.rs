//! Real programme files at both ends of a real connection, and either process killed at any moment.
#![allow(clippy::unwrap_used)]

use std::collections::HashSet;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use earlywood_journal::{
    Act, Body, DeviceWithdrawn, Hash, LogFilter, PersonEnrolled, Programme, Role, TrapRegistered,
};
use earlywood_server::{ClientError, Config, Limit, Options, Server, sync_with};

const FOLDER: &str = "EARLYWOOD_TEST_FOLDER";
const NAME: &str = "EARLYWOOD_TEST_NAME";
const URL: &str = "EARLYWOOD_TEST_URL";

fn act() -> Act {
    Act::new("lead", jiff::ZonedDateTime::now()).unwrap()
}

fn now() -> jiff::Timestamp {
    jiff::Timestamp::now()
}

fn told() -> Option<(PathBuf, String)> {
    Some((std::env::var_os(FOLDER)?.into(), std::env::var(NAME).ok()?))
}

fn child(test: &str, folder: &Path, name: &str) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command
        .args([
            "--exact",
            &format!("programme::{test}"),
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

fn trap(label: &str) -> Body {
    Body::TrapRegistered(TrapRegistered {
        trap: label.into(),
        device: "prism".into(),
        note: None,
    })
}

fn quick() -> Options {
    Options {
        attempts: 2,
        first_wait: Duration::from_millis(5),
        longest_wait: Duration::from_millis(20),
        limit: Limit {
            entries: 3,
            ..Limit::default()
        },
        ..Options::default()
    }
}

/// An office with a file that is served, and a phone with a copy.
fn two(dir: &Path) -> (PathBuf, PathBuf) {
    let (office, phone) = (dir.join("office"), dir.join("phone"));
    let mut p = Programme::create(&office, "Alder Reach", &act()).unwrap();
    p.backup(&phone).unwrap();
    let request = Programme::open(&phone).unwrap().join(now()).unwrap();
    p.enrol_device(&act(), request, None).unwrap();
    Programme::open(&phone).unwrap().take_all(now(), &p).unwrap();
    (office, phone)
}

/// Child: serves the office's file until it is killed.
#[test]
fn child_serves() {
    let Some((folder, _)) = told() else { return };
    let p = Programme::open(&folder.join("office")).unwrap();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        let server = Server::bind(p, "127.0.0.1:0".parse().unwrap(), Config::default())
            .await
            .unwrap();
        say(&format!("at http://{}", server.address()));
        server.run(std::future::pending()).await;
    });
}

/// Child: the phone writes and visits the server, for ever; says what was kept, and what both have.
#[test]
fn child_visits_for_ever() {
    let Some((folder, name)) = told() else { return };
    let url = std::env::var(URL).unwrap();
    let mut p = Programme::open(&folder.join("phone")).unwrap();
    for n in 0.. {
        let mut last = None;
        for k in 0..1 + n % 5 {
            let receipt = p.append(&act(), trap(&format!("{name}-{n}-{k}"))).unwrap();
            say(&format!("ack {}", receipt.hash));
            last = Some(receipt.hash);
        }
        p.attach(format!("photo {name} {n}").as_bytes()).unwrap();
        if let Ok(report) = sync_with(&mut p, &url, &quick())
            && report.complete
            && let Some(last) = last
        {
            say(&format!("both {last}"));
        }
        if n == 0 {
            say("ready");
        }
    }
}

struct Running(Child, mpsc::Receiver<String>);

impl Running {
    fn start(mut command: Command) -> Self {
        let mut child = command.spawn().unwrap();
        let out = child.stdout.take().unwrap();
        let (lines, heard) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let _ = lines.send(line);
            }
        });
        Running(child, heard)
    }

    fn wait_for(&self, start: &str, seen: &mut Vec<String>) -> String {
        loop {
            let line = self.1.recv_timeout(Duration::from_secs(60)).expect(start);
            seen.push(line.clone());
            if line.starts_with(start) {
                return line;
            }
        }
    }

    fn kill(mut self, seen: &mut Vec<String>) {
        self.0.kill().unwrap(); // SIGKILL
        self.0.wait().unwrap();
        seen.extend(self.1.iter());
    }
}

fn hashes(p: &Programme) -> HashSet<Hash> {
    p.log(&LogFilter::default())
        .unwrap()
        .iter()
        .map(|entry| entry.hash)
        .collect()
}

/// Short here; a longer run sets EARLYWOOD_KILLS to the number of kills.
#[test]
fn a_visit_whose_server_or_client_is_killed_loses_nothing_and_goes_on() {
    let dir = tempfile::tempdir().unwrap();
    let (office, phone) = two(dir.path());
    let runs = std::env::var("EARLYWOOD_KILLS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(12_u64);
    let (mut acks, mut both) = (HashSet::new(), HashSet::new());
    let mut written = 0;
    for run in 0..runs {
        let mut seen = Vec::new();
        let server = Running::start(child("child_serves", dir.path(), "server"));
        let url = server.wait_for("at http", &mut Vec::new())[3..].to_owned();
        let mut visiting = child("child_visits_for_ever", dir.path(), &format!("run{run}"));
        visiting.env(URL, &url);
        let client = Running::start(visiting);
        // The office writes meanwhile, beside its server.
        let mut p = Programme::open(&office).unwrap();
        p.append(&act(), trap(&format!("office-{run}"))).unwrap();
        written += 1;
        client.wait_for("ready", &mut seen);
        std::thread::sleep(Duration::from_micros(random(100_000)));
        if run % 2 == 0 {
            server.kill(&mut Vec::new());
            std::thread::sleep(Duration::from_micros(random(10_000)));
            client.kill(&mut seen);
        } else {
            client.kill(&mut seen);
            server.kill(&mut Vec::new());
        }
        for line in &seen {
            match line.split_once(' ') {
                Some(("ack", hash)) if hash.len() == 64 => drop(acks.insert(hash.parse::<Hash>().unwrap())),
                Some(("both", hash)) if hash.len() == 64 => drop(both.insert(hash.parse::<Hash>().unwrap())),
                _ => {}
            }
        }
        let (here, there) = (
            Programme::open(&phone).unwrap(),
            Programme::open(&office).unwrap(),
        );
        for p in [&here, &there] {
            let seen = p.verify().unwrap();
            assert!(
                seen.is_sound(),
                "run {run}, {}: {:?}",
                p.path().display(),
                seen.first_bad
            );
        }
        assert!(acks.is_subset(&hashes(&here)), "run {run}: acknowledged and lost");
        assert!(
            both.is_subset(&hashes(&there)),
            "run {run}: said to be there and lost"
        );
    }
    // One visit more, and both are the same.
    let server = Running::start(child("child_serves", dir.path(), "server"));
    let url = server.wait_for("at http", &mut Vec::new())[3..].to_owned();
    let mut p = Programme::open(&phone).unwrap();
    assert!(sync_with(&mut p, &url, &Options::default()).unwrap().complete);
    server.kill(&mut Vec::new());
    let there = Programme::open(&office).unwrap();
    assert_eq!(p.offer().unwrap().heads, there.offer().unwrap().heads);
    assert_eq!(p.digests().unwrap(), there.digests().unwrap());
    println!(
        "{runs} kills, {} acknowledged entries, {} visits told complete, {written} written beside the server",
        acks.len(),
        both.len()
    );
    assert!(acks.len() as u64 >= runs && !both.is_empty());
}

#[test]
fn a_withdrawn_phone_is_shown_the_door_and_a_crew_is_not_given_what_is_sealed() {
    let dir = tempfile::tempdir().unwrap();
    let (office, phone) = two(dir.path());
    let crew = dir.path().join("crew");
    let mut p = Programme::open(&office).unwrap();
    p.enrol_person(
        &act(),
        PersonEnrolled {
            person: "insp-1".into(),
            roles: vec![Role::Inspector],
            from: jiff::civil::date(2026, 1, 1),
            to: None,
        },
    )
    .unwrap();
    p.backup(&crew).unwrap();
    let request = Programme::open(&crew).unwrap().join(now()).unwrap();
    p.enrol_device(&act(), request, Some("insp-1".into())).unwrap();
    let sealed = earlywood_journal::Sealed {
        content: Hash::of(b"what is planted"),
        bytes: 15,
    };
    p.append(&act(), Body::Sealed(sealed)).unwrap();
    p.attach(b"what is planted").unwrap();
    let server = Running::start(child("child_serves", dir.path(), "server"));
    let url = server.wait_for("at http", &mut Vec::new())[3..].to_owned();
    let visit = |path: &Path| sync_with(&mut Programme::open(path).unwrap(), &url, &quick());
    assert!(visit(&phone).unwrap().complete);
    visit(&crew).unwrap();
    let has = |path: &Path| {
        Programme::open(path)
            .unwrap()
            .attachment(Hash::of(b"what is planted"))
            .unwrap()
            .is_some()
    };
    assert!(has(&phone) && !has(&crew));
    assert_eq!(hashes(&Programme::open(&crew).unwrap()), hashes(&p));
    assert!(Programme::open(&crew).unwrap().verify().unwrap().is_sound());
    // The phone is lost.
    let device = Programme::open(&phone).unwrap().device();
    p.append(
        &act(),
        Body::DeviceWithdrawn(DeviceWithdrawn {
            device,
            last_number: 0,
            reason: "lost".into(),
        }),
    )
    .unwrap();
    Programme::open(&phone)
        .unwrap()
        .append(&act(), trap("secret"))
        .unwrap();
    assert!(matches!(visit(&phone), Err(ClientError::NotEnrolled { .. })));
    server.kill(&mut Vec::new());
    assert!(p.verify().unwrap().is_sound());
}
