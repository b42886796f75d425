//! A throw-away PostgreSQL server for tests: made in a temporary folder, loopback only, gone with the test process
//! however that ends. Only the standard library and PostgreSQL's own programs are used, so that the tests of any
//! crate can include this file:
//!
//! ```ignore
//! #[path = "../../journal/tests/common/postgres.rs"]
//! mod postgres;
//! let Some(server) = postgres::shared() else { return };
//! let url = server.new_database();
//! ```
//!
//! A server takes about a second to make. nextest runs every test in a process of its own, so put several checks into
//! one test rather than one each.
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::fs;
use std::net::TcpListener;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, OnceLock};
use std::time::{Duration, Instant};

/// Start of the folders' names; the id of the test process follows.
const NAME: &str = "earlywood-postgres-";

/// Set to 1 where there is no PostgreSQL and the tests with it are to be left out.
const WITHOUT: &str = "EARLYWOOD_WITHOUT_POSTGRES";

/// A server of one's own: stopped and removed when dropped.
pub struct Server {
    programs: PathBuf,
    folder: PathBuf,
    port: u16,
    options: String,
    databases: AtomicU32,
    /// Stops the server and removes its folder as soon as its standard input ends: when this is dropped, or when this
    /// process is no more, by a panic, an exit or a kill.
    watcher: Option<(Child, ChildStdin)>,
}

/// The server that the tests of this process share, started when first asked for. `None` when the tests with
/// PostgreSQL are to be left out.
pub fn shared() -> Option<&'static Server> {
    static SHARED: OnceLock<Option<Server>> = OnceLock::new();
    SHARED.get_or_init(Server::start).as_ref()
}

impl Server {
    /// A server that does not wait for the disk: quick, and its data would not survive a power cut.
    pub fn start() -> Option<Self> {
        Self::start_with("-c fsync=off -c full_page_writes=off")
    }

    /// A server that keeps what it acknowledged, as a real one does.
    pub fn start_durable() -> Option<Self> {
        Self::start_with("-c fsync=on -c synchronous_commit=on")
    }

    fn start_with(options: &str) -> Option<Self> {
        if std::env::var(WITHOUT).is_ok_and(|v| v == "1") {
            eprintln!("left out: {WITHOUT}=1");
            return None;
        }
        let programs = find_programs().unwrap_or_else(|| {
            panic!("PostgreSQL is not installed. Install it with:  apt-get install postgresql\n(or leave its tests out with {WITHOUT}=1)")
        });
        sweep(&programs);
        static MADE: AtomicU32 = AtomicU32::new(0);
        let number = MADE.fetch_add(1, Ordering::Relaxed);
        // The server's own user must be able to reach the folder, which a private TMPDIR may not allow.
        let temporary = if Path::new("/tmp").is_dir() {
            PathBuf::from("/tmp")
        } else {
            std::env::temp_dir()
        };
        let folder = temporary.join(format!("{NAME}{}-{number}", std::process::id()));
        fs::create_dir(&folder).unwrap();
        let watcher = Some(watch(&programs, &folder));
        let mut server = Server {
            programs,
            folder,
            port: 0,
            options: options.to_owned(),
            databases: AtomicU32::new(0),
            watcher,
        };
        if is_root() {
            run(Command::new("chown").arg("postgres").arg(&server.folder));
        }
        let data = server.data();
        run(server
            .command("initdb")
            .args([
                "--no-sync",
                "--auth=trust",
                "--username=postgres",
                "--encoding=UTF8",
                "--locale=C",
                "-D",
            ])
            .arg(data));
        // Another process may take the port between finding it free and starting.
        let started = (0..10).any(|_| {
            server.port = TcpListener::bind("127.0.0.1:0")
                .unwrap()
                .local_addr()
                .unwrap()
                .port();
            server.try_start()
        });
        assert!(started, "the server does not start:\n{}", server.log());
        Some(server)
    }

    /// The address of a database, for the server's owner.
    pub fn url(&self, database: &str) -> String {
        self.url_as("postgres", database)
    }

    /// The address of a database, for another role.
    pub fn url_as(&self, role: &str, database: &str) -> String {
        format!("postgresql://{role}@127.0.0.1:{}/{database}", self.port)
    }

    /// The port it listens on, on 127.0.0.1.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Makes an empty database and gives its address.
    pub fn new_database(&self) -> String {
        let name = format!("db{}", self.databases.fetch_add(1, Ordering::Relaxed));
        let mut create = self.command("createdb");
        create.args([
            "-h",
            "127.0.0.1",
            "-U",
            "postgres",
            "-p",
            &self.port.to_string(),
            &name,
        ]);
        run(&mut create);
        self.url(&name)
    }

    /// Stops the server as if it had crashed: no connection is ended in order and nothing is written any more.
    pub fn stop_immediately(&self) {
        run(self
            .command("pg_ctl")
            .args(["-w", "-m", "immediate", "stop", "-D"])
            .arg(self.data()));
    }

    /// Kills every process of the server with SIGKILL, the first one first.
    pub fn kill(&self) {
        let first = self.postmaster().expect("the server runs");
        let said = Command::new("ps")
            .args(["-o", "pid=", "--ppid", &first.to_string()])
            .output()
            .unwrap();
        let mut all = vec![first.to_string()];
        all.extend(
            String::from_utf8_lossy(&said.stdout)
                .split_whitespace()
                .map(str::to_owned),
        );
        // One of them may have ended by itself meanwhile.
        let _ = Command::new("kill")
            .arg("-9")
            .args(&all)
            .stderr(Stdio::null())
            .status();
        let began = Instant::now();
        while all.iter().any(|id| is_alive(id)) {
            assert!(
                began.elapsed() < Duration::from_secs(20),
                "killed and still there"
            );
            std::thread::sleep(Duration::from_millis(5));
        }
        // Until its parent has waited for it, a dead process still has its number, and would be taken for a running one.
        fs::remove_file(self.data().join("postmaster.pid")).unwrap();
    }

    /// Starts it again, on the same port and with the same data, and waits until it has recovered.
    pub fn start_again(&self) {
        let began = Instant::now();
        while !self.try_start() {
            assert!(
                began.elapsed() < Duration::from_secs(30),
                "the server does not start again:\n{}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// What the server wrote to its log.
    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    fn data(&self) -> PathBuf {
        self.folder.join("data")
    }

    fn postmaster(&self) -> Option<u32> {
        let text = fs::read_to_string(self.data().join("postmaster.pid")).ok()?;
        text.lines().next()?.trim().parse().ok()
    }

    fn try_start(&self) -> bool {
        let folder = self.folder.display();
        let options = format!(
            "-p {} -k {folder} -c listen_addresses=127.0.0.1 -c shared_buffers=32MB -c max_connections=40 {}",
            self.port, self.options
        );
        self.command("pg_ctl")
            .args(["-w", "-t", "30", "start", "-o", &options, "-l"])
            .arg(self.folder.join("log"))
            .arg("-D")
            .arg(self.data())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .unwrap()
            .success()
    }

    /// A PostgreSQL program, as a user that it accepts: none of them runs a server as root.
    fn command(&self, program: &str) -> Command {
        let path = self.programs.join(program);
        let mut command = if is_root() {
            let mut command = Command::new("runuser");
            command.args(["-u", "postgres", "--"]).arg(path);
            command
        } else {
            Command::new(path)
        };
        // The folder of the tests may be closed to that user.
        command
            .current_dir("/")
            .env_remove("PGPASSWORD")
            .env_remove("PGOPTIONS");
        command
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Some((mut child, input)) = self.watcher.take() {
            drop(input);
            let _ = child.wait();
        }
    }
}

fn watch(programs: &Path, folder: &Path) -> (Child, ChildStdin) {
    let mut child = Command::new("sh")
        .args(["-c", &format!("read -r _; {CLEAN_UP}"), "sh"])
        .arg(programs)
        .arg(folder)
        .current_dir("/")
        // Whoever ends the test's process group shall not end its cleaning up.
        .process_group(0)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let input = child.stdin.take().unwrap();
    (child, input)
}

/// Shell: stops the server in folder $2 with the programs in $1, and removes the folder.
const CLEAN_UP: &str = r#"
    as=; [ "$(id -u)" -ne 0 ] || as="runuser -u postgres --"
    [ ! -f "$2/data/postmaster.pid" ] || $as "$1/pg_ctl" -w -t 20 -m immediate stop -D "$2/data"
    rm -rf "$2"
"#;

/// Removes what test processes left that are no more, had even their watcher been killed.
fn sweep(programs: &Path) {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _one = ONE_AT_A_TIME
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    for entry in fs::read_dir("/tmp").into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(rest) = name.strip_prefix(NAME) else {
            continue;
        };
        let Some((process, _)) = rest.split_once('-') else {
            continue;
        };
        if process.parse::<u32>().is_ok() && !is_alive(process) {
            let _ = Command::new("sh")
                .args(["-c", CLEAN_UP, "sh"])
                .arg(programs)
                .arg(entry.path())
                .current_dir("/")
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .status();
        }
    }
}

/// Whether a process runs; one that has ended and was not yet waited for does not.
fn is_alive(process: &str) -> bool {
    let said = Command::new("ps")
        .args(["-o", "stat=", "-p", process])
        .output()
        .unwrap();
    let state = String::from_utf8_lossy(&said.stdout);
    !state.trim().is_empty() && !state.trim().starts_with('Z')
}

fn is_root() -> bool {
    static ROOT: OnceLock<bool> = OnceLock::new();
    *ROOT.get_or_init(|| {
        Command::new("id")
            .arg("-u")
            .output()
            .is_ok_and(|said| said.stdout == b"0\n")
    })
}

/// The newest PostgreSQL in Debian's place, else the one on PATH.
fn find_programs() -> Option<PathBuf> {
    let mut versions: Vec<(u32, PathBuf)> = fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| {
            Some((
                entry.file_name().to_str()?.parse().ok()?,
                entry.path().join("bin"),
            ))
        })
        .collect();
    versions.sort();
    let debian = versions.into_iter().rev().map(|(_, path)| path);
    let path = std::env::var_os("PATH").unwrap_or_default();
    debian.chain(std::env::split_paths(&path)).find(|folder| {
        ["initdb", "pg_ctl", "postgres", "createdb"]
            .iter()
            .all(|program| folder.join(program).is_file())
    })
}

fn run(command: &mut Command) {
    let said = command.stdin(Stdio::null()).output().unwrap();
    assert!(
        said.status.success(),
        "{command:?}: {}\n{}{}",
        said.status,
        String::from_utf8_lossy(&said.stdout),
        String::from_utf8_lossy(&said.stderr)
    );
}
