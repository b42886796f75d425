//! Runs the built program as a person would: arguments, standard input, and what comes back.

use std::io::{Read as _, Write as _};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

/// One that runs this long hangs: the longest call here, a whole demonstration, takes half a minute on an idle machine and
/// was seen to take two on a busy one.
const LONGEST: Duration = Duration::from_secs(600);

/// What came back.
#[derive(Debug)]
#[allow(dead_code)] // each test file looks at what it needs
pub(crate) struct Answer {
    /// The exit code; `None` when a signal ended it.
    pub(crate) code: Option<i32>,
    /// Standard output.
    pub(crate) stdout: String,
    /// Standard error.
    pub(crate) stderr: String,
}

/// The program with arguments, its streams piped.
pub(crate) fn start(arguments: &[String]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_earlywood"))
        .args(arguments)
        // A panic must show as one, and must not be hidden or lengthened by the caller's environment.
        .env_remove("RUST_BACKTRACE")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts")
}

/// Runs the program to its end.
pub(crate) fn run(arguments: &[String], stdin: &[u8]) -> Answer {
    let mut child = start(arguments);
    let (mut to, mut out, mut err) = (
        child.stdin.take().expect("a pipe"),
        child.stdout.take().expect("a pipe"),
        child.stderr.take().expect("a pipe"),
    );
    thread::scope(|scope| {
        // A program that refuses its options never reads its input, so a broken pipe is no failure here.
        scope.spawn(move || drop(to.write_all(stdin)));
        let read_out = scope.spawn(move || {
            let mut bytes = Vec::new();
            out.read_to_end(&mut bytes).map(|_| bytes)
        });
        let read_err = scope.spawn(move || {
            let mut bytes = Vec::new();
            err.read_to_end(&mut bytes).map(|_| bytes)
        });
        let began = Instant::now();
        let status = loop {
            match child.try_wait().expect("the program can be waited for") {
                Some(status) => break status,
                None if began.elapsed() > LONGEST => {
                    child.kill().expect("the program can be ended");
                    child.wait().expect("the program ends");
                    panic!("still running after {LONGEST:?}: {arguments:?}");
                }
                None => thread::sleep(Duration::from_millis(2)),
            }
        };
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("the program prints UTF-8");
        Answer {
            code: status.code(),
            stdout: text(read_out.join().expect("no panic").expect("readable")),
            stderr: text(read_err.join().expect("no panic").expect("readable")),
        }
    })
}

#[allow(dead_code)] // Each test file has its own copy of this module, and not all of them calculate.
/// `calc` and a topic's arguments, from one string split at blanks.
pub(crate) fn calc(line: &str) -> Vec<String> {
    std::iter::once("calc")
        .chain(line.split_whitespace())
        .map(str::to_owned)
        .collect()
}
