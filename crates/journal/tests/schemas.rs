//! The schemas in `schemas/` are those of the types, and they are JSON Schemas.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::PathBuf;

use earlywood_journal::Body;
use earlywood_journal::body::schemas;
use serde_json::Value;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("schemas")
}

/// Every file that must stand in the folder, and what must be in it.
fn wanted() -> Vec<(String, Value)> {
    let bodies = Body::kinds().map(|(kind, version)| {
        let schema = schemas::schema(kind, version).unwrap();
        (format!("{kind}.v{version}.json"), schema)
    });
    bodies
        .chain([
            ("entry.v1.json".to_owned(), schemas::envelope()),
            ("planting.v1.json".to_owned(), schemas::planting()),
        ])
        .collect()
}

#[test]
fn the_files_are_current() {
    let write = std::env::var_os("EARLYWOOD_WRITE_SCHEMAS").is_some();
    for (name, schema) in wanted() {
        let path = folder().join(&name);
        let text = serde_json::to_string_pretty(&schema).unwrap() + "\n";
        if write {
            fs::create_dir_all(folder()).unwrap();
            fs::write(&path, text).unwrap();
        } else {
            let there = fs::read_to_string(&path).unwrap_or_default();
            assert_eq!(
                there, text,
                "{name}: run EARLYWOOD_WRITE_SCHEMAS=1 cargo test -p earlywood-journal schemas"
            );
        }
    }
    let mut there: Vec<String> = fs::read_dir(folder())
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect();
    let mut names: Vec<String> = wanted().into_iter().map(|(name, _)| name).collect();
    there.sort();
    names.sort();
    assert_eq!(there, names, "a file too many or too few");
}

#[test]
fn each_is_a_schema_of_draft_2020_12_with_a_title_and_words_for_every_field() {
    for (name, schema) in wanted() {
        assert_eq!(
            schema["$schema"], "https://json-schema.org/draft/2020-12/schema",
            "{name}"
        );
        assert!(jsonschema::meta::is_valid(&schema), "{name}");
        assert_eq!(
            schema["title"],
            name.replace(".v", ", version ").replace(".json", ""),
            "{name}"
        );
        assert!(
            schema["description"]
                .as_str()
                .is_some_and(|words| words.len() > 10),
            "{name}"
        );
        let fields = schema["properties"].as_object().unwrap();
        for (field, about) in fields {
            assert!(
                about["description"].is_string(),
                "{name}: {field} is not described"
            );
        }
    }
}

#[test]
fn what_is_not_known_has_no_schema() {
    assert_eq!(schemas::schema("visit-made", 3), None);
    assert_eq!(schemas::schema("visit-made", 0), None);
    assert_eq!(schemas::schema("trap-sung-to", 1), None);
}
