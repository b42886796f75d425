//! Puts the browser app (`web/dist`, made by `scripts/web`) into the program: each file as it is and packed by gzip.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

fn main() {
    let dist = Path::new("../../web/dist");
    println!("cargo::rerun-if-env-changed=EARLYWOOD_WITHOUT_APP");
    println!("cargo::rerun-if-changed=build.rs");
    let without = std::env::var_os("EARLYWOOD_WITHOUT_APP").is_some_and(|v| v == "1");
    let mut files = Vec::new();
    if !without {
        println!("cargo::rerun-if-changed={}", dist.display());
        assert!(
            dist.join("index.html").is_file(),
            "\n\nthe browser app is not built: run scripts/web first (it makes web/dist), \
             or set EARLYWOOD_WITHOUT_APP=1 for a program without it\n\n"
        );
        collect(dist, &mut files);
        files.sort();
    }
    let out = PathBuf::from(std::env::var_os("OUT_DIR").unwrap());
    let mut table = String::from("static FILES: &[File] = &[\n");
    for (i, file) in files.iter().enumerate() {
        println!("cargo::rerun-if-changed={}", file.display());
        let bytes = fs::read(file).unwrap();
        let packed = out.join(format!("{i}.gz"));
        let small = gzip(&bytes);
        // What gzip does not make smaller (pictures, fonts) is sent as it is.
        let is_smaller = small.len() + small.len() / 10 < bytes.len();
        fs::write(&packed, if is_smaller { &small[..] } else { &[] }).unwrap();
        let name = file.strip_prefix(dist).unwrap();
        let name = name.to_str().expect("a file name in UTF-8").replace('\\', "/");
        writeln!(
            table,
            "    File {{ path: {name:?}, bytes: include_bytes!({:?}), gzip: include_bytes!({packed:?}) }},",
            fs::canonicalize(file).unwrap()
        )
        .unwrap();
    }
    table.push_str("];\n");
    fs::write(out.join("app.rs"), table).unwrap();
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => collect(&path, files),
            // Maps from the packed code back to the source are for the developer's own machine.
            false if path.extension().is_some_and(|e| e == "map") => {}
            false => files.push(path),
        }
    }
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    packer.write_all(bytes).unwrap();
    packer.finish().unwrap()
}
