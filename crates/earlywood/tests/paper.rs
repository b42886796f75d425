//! Labels, forms and notices through the program itself: a PDF, or a plain refusal and no file. All invented.

#![allow(clippy::unwrap_used)] // helpers outside #[test] functions may fail as loudly as the tests

use crate::common::{Answer, run};

fn earlywood(dir: &tempfile::TempDir, words: &[&str]) -> Answer {
    let file = dir.path().join("a").display().to_string();
    let mut all = vec![words[0].to_owned(), file];
    all.extend(words[1..].iter().map(|word| (*word).to_owned()));
    run(&all, b"")
}

fn programme() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let traps = dir.path().join("traps.csv");
    let rows = "trap,place,lat,lon,targets,hung\nA-1,P-1,34.0,-100.0,emerald-ash-borer,2026-05-01\n";
    std::fs::write(&traps, rows).unwrap();
    let traps = traps.display().to_string();
    let take = [
        "specimen",
        "take",
        "S-1",
        "--what",
        "insect",
        "--elsewhere",
        "a window sill",
    ];
    let steps: [&[&str]; 3] = [&["init"], &["load", "traps", &traps], &take];
    for words in steps {
        let answer = earlywood(&dir, words);
        assert_eq!(answer.code, Some(0), "{words:?}: {answer:?}");
    }
    dir
}

fn print(dir: &tempfile::TempDir, words: &[&str]) -> (Answer, Option<Vec<u8>>) {
    let out = dir.path().join("out.pdf");
    let path = out.display().to_string();
    let answer = earlywood(dir, &[&["print"], words, &["--out", &path]].concat());
    let bytes = std::fs::read(&out).ok();
    if bytes.is_some() {
        std::fs::remove_file(&out).unwrap();
    }
    (answer, bytes)
}

#[test]
fn every_paper_is_a_pdf() {
    let dir = programme();
    let all: [&[&str]; 9] = [
        &["labels", "--call", "the office", "--invented", "All invented"],
        &[
            "labels",
            "--trap",
            "A-1",
            "--stock",
            "70x33,3,8@letter",
            "--start-at",
            "24",
        ],
        &["specimens", "--year", "2026", "--first", "1", "--count", "3"],
        &["specimens", "--first", "4", "--count", "1", "--copies", "3"],
        &[
            "custody",
            "--specimen",
            "S-1",
            "--to",
            "the bench",
            "--blank-rows",
            "2",
        ],
        &["custody", "--paper", "letter"],
        &["notice", "--trap", "A-1", "--visits-en", "about every two weeks"],
        &[
            "safety",
            "--emergency",
            "the local number",
            "--check-in",
            "10:00",
            "--check-in",
            "14:00",
        ],
        &["safety", "--own", "Ticks", "--json"],
    ];
    for words in all {
        let (answer, bytes) = print(&dir, words);
        assert_eq!(answer.code, Some(0), "{words:?}: {answer:?}");
        assert!(bytes.unwrap().starts_with(b"%PDF"), "{words:?}");
    }
}

#[test]
fn what_can_not_be_printed_is_refused_and_no_file_is_written() {
    let dir = programme();
    let all: [(&[&str], &str); 9] = [
        (&["labels", "--stock", "0x37,3,8"], "sheet of labels"),
        (&["labels", "--stock", "no-such-sheet"], "a4-70x37"),
        (&["labels", "--start-at", "25"], "1 to 24"),
        (&["labels", "--trap", "A-9"], "A-9"),
        (&["labels", "--zone", "nowhere"], "nowhere"),
        (&["specimens", "--first", "1", "--count", "0"], "number of labels"),
        (&["custody", "--specimen", "S-9"], "S-9"),
        (&["notice", "--trap", "A-9"], "A-9"),
        (&["safety", "--crew", "C-9"], "C-9"),
    ];
    for (words, part) in all {
        let (answer, bytes) = print(&dir, words);
        assert!(matches!(answer.code, Some(1 | 2)), "{words:?}: {answer:?}");
        assert!(answer.stderr.contains(part), "{words:?}: {answer:?}");
        assert!(bytes.is_none(), "{words:?} wrote a file");
    }
}
