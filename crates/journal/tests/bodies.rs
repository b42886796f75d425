//! Every kind of body: what is drawn at random survives writing and reading, and fits its schema; examples of every
//! kind and version stay readable for ever; version 1 is never lost.
#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;
use std::sync::LazyLock;

use earlywood_journal::body::{NOT_TOLD, Outcome, arbitrary, schemas};
use earlywood_journal::{Body, Planting, VisitMade, canonical_json};
use earlywood_model::record::{TrapFound, Visit, VisitKind};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use serde_json::Value;

static VALIDATORS: LazyLock<BTreeMap<(&str, u32), jsonschema::Validator>> = LazyLock::new(|| {
    Body::kinds()
        .map(|(kind, version)| {
            let schema = schemas::schema(kind, version).unwrap();
            let validator = jsonschema::options()
                .should_validate_formats(true)
                .build(&schema)
                .unwrap();
            ((kind, version), validator)
        })
        .collect()
});

fn fits(kind: &str, version: u32, text: &str) -> Result<(), String> {
    let value: Value = serde_json::from_str(text).unwrap();
    let (_, validator) = VALIDATORS
        .iter()
        .find(|(known, _)| **known == (kind, version))
        .unwrap();
    validator
        .validate(&value)
        .map_err(|e| format!("{kind}.v{version}: {e} in {text}"))
}

fn check(body: &Body) -> Result<(), TestCaseError> {
    if let Err(refusal) = body.check(arbitrary::TODAY) {
        return Err(TestCaseError::fail(format!("{refusal}: {body:?}")));
    }
    let (kind, version, text) = (body.kind(), body.version(), body.to_text().unwrap());
    prop_assert!(Body::is_known(kind, version));
    let back = Body::read(kind, version, &text).map_err(|e| TestCaseError::fail(e.to_string()))?;
    prop_assert_eq!(&back, body);
    let strict = Body::read_strict(kind, version, &text).map_err(|e| TestCaseError::fail(e.to_string()))?;
    prop_assert_eq!(&strict, body);
    prop_assert_eq!(
        &canonical_json(&serde_json::from_str(&text).unwrap()).unwrap(),
        &text
    );
    prop_assert_eq!(fits(kind, version, &text), Ok(()));
    let subjects = body.subjects();
    let keys: BTreeSet<String> = subjects.iter().map(|subject| subject.key()).collect();
    prop_assert_eq!(keys.len(), subjects.len(), "a subject twice");
    Ok(())
}

#[test]
fn every_kind_and_version_that_is_written_is_drawn() {
    let drawn: BTreeSet<(&str, u32)> = arbitrary::each()
        .iter()
        .map(|(kind, version, _)| (*kind, *version))
        .collect();
    let known: BTreeSet<(&str, u32)> = Body::kinds()
        .filter(|known| *known != ("visit-made", 1))
        .collect();
    assert_eq!(drawn, known);
    let mut runner = TestRunner::deterministic();
    for (kind, version, strategy) in arbitrary::each() {
        let body = strategy.new_tree(&mut runner).unwrap().current();
        assert_eq!((body.kind(), body.version()), (kind, version));
    }
}

/// Each kind by itself, so that none is drawn too seldom.
#[test]
fn what_is_written_reads_back_and_fits_its_schema() {
    for (kind, version, strategy) in arbitrary::each() {
        let cases = if matches!(kind, "visit-made" | "tree-inspected") {
            3000
        } else {
            200
        };
        let mut runner = TestRunner::new(ProptestConfig {
            cases,
            failure_persistence: None,
            ..ProptestConfig::default()
        });
        if let Err(failure) = runner.run(&strategy, |body| check(&body)) {
            panic!("{kind}.v{version}: {failure}");
        }
    }
}

/// Adds a field to every object at any depth, one at a time.
fn with_one_field_more(value: &Value) -> Vec<Value> {
    match value {
        Value::Object(members) => {
            let mut more = members.clone();
            more.insert("colour_of_the_sky".into(), "blue".into());
            let deeper = members.iter().flat_map(|(name, member)| {
                with_one_field_more(member).into_iter().map(move |changed| {
                    let mut members = members.clone();
                    members.insert(name.clone(), changed);
                    Value::Object(members)
                })
            });
            std::iter::once(Value::Object(more)).chain(deeper).collect()
        }
        Value::Array(items) => (0..items.len())
            .flat_map(|i| {
                with_one_field_more(&items[i]).into_iter().map(move |changed| {
                    let mut items = items.clone();
                    items[i] = changed;
                    Value::Array(items)
                })
            })
            .collect(),
        _ => Vec::new(),
    }
}

/// Kinds and versions of layout 1, which pass over fields that they do not have.
fn of_the_first_layout(kind: &str, version: u32) -> bool {
    version == 1
        && (kind.ends_with("-loaded")
            || matches!(
                kind,
                "programme-set-up"
                    | "target-adopted"
                    | "plan-adopted"
                    | "trap-placed"
                    | "trap-taken-down"
                    | "visit-made"
                    | "determination"
                    | "correction"
            ))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 600, ..ProptestConfig::default() })]

    #[test]
    fn a_field_too_many_is_refused_on_append_and_never_makes_an_old_entry_unreadable(body in arbitrary::body()) {
        let (kind, version) = (body.kind(), body.version());
        let text = body.to_text().unwrap();
        let value: Value = serde_json::from_str(&text).unwrap();
        for more in with_one_field_more(&value) {
            let more = canonical_json(&more).unwrap();
            // What people may write as they like is kept as it is.
            let free = more.contains(r#""settings":{"colour_of_the_sky""#)
                || kind == "correction" && version == 2 && more.contains(r#""body":{"colour_of_the_sky""#);
            prop_assert_eq!(Body::read_strict(kind, version, &more).is_ok(), free, "{}", more);
            if of_the_first_layout(kind, version) && !free {
                prop_assert_eq!(&Body::read(kind, version, &more).unwrap(), &body);
            }
        }
        let top = text.replacen('{', r#"{"colour_of_the_sky":"blue","#, 1);
        prop_assert_eq!(Body::read(kind, version, &top).is_ok(), of_the_first_layout(kind, version));
    }

    #[test]
    fn a_field_too_few_is_never_a_panic_and_the_rest_says_no_more(body in arbitrary::body(), nth: prop::sample::Index) {
        let (kind, version) = (body.kind(), body.version());
        let mut value: Value = serde_json::from_str(&body.to_text().unwrap()).unwrap();
        let members = value.as_object_mut().unwrap();
        let name = members.keys().nth(nth.index(members.len())).unwrap().clone();
        members.remove(&name);
        let text = value.to_string();
        let schema = schemas::schema(kind, version).unwrap();
        let required = schema["required"].as_array().unwrap().iter().any(|r| r == name.as_str());
        let read = Body::read(kind, version, &text);
        // A required field that is missing is refused by the reader and by the schema alike.
        prop_assert_eq!(read.is_err(), required, "{} {}", kind, name);
        prop_assert_eq!(fits(kind, version, &text).is_err(), required, "{} {}", kind, name);
    }

    #[test]
    fn a_visit_of_version_1_is_not_changed_by_its_new_form(visit in arbitrary::visit_of_version_1()) {
        visit.check().unwrap();
        let made = VisitMade::from_visit(&visit);
        prop_assert_eq!(&made.to_visit(), &visit);
        let text = canonical_json(&serde_json::to_value(&visit).unwrap()).unwrap();
        prop_assert_eq!(fits("visit-made", 1, &text), Ok(()));
        let read = Body::read_strict("visit-made", 1, &text).unwrap();
        prop_assert_eq!(&read, &Body::VisitMade(made.clone()));
        prop_assert_eq!(read.version(), 2);
        let again = Body::read("visit-made", 2, &read.to_text().unwrap()).unwrap();
        prop_assert_eq!(again, read);
    }

    /// Old records may be appended anew, but for those that say what can't be.
    #[test]
    fn what_version_1_accepted_is_accepted_unless_it_can_not_be(visit in arbitrary::visit_of_version_1()) {
        let renews = visit.renewed != earlywood_model::record::Renewed::default();
        let hang = visit.kind == VisitKind::Hang;
        let contradicts = match visit.found {
            TrapFound::NotReached => renews || visit.suspects.is_some(),
            TrapFound::Gone => renews && !visit.renewed.body && !hang,
            _ => false,
        };
        let made = VisitMade::from_visit(&visit);
        let nowhere = visit.kind == VisitKind::Move && made.outcome != Outcome::Failed;
        let checked = Body::VisitMade(made).check(arbitrary::TODAY);
        prop_assert_eq!(checked.is_err(), contradicts || nowhere, "{:?}", checked);
    }

    #[test]
    fn the_model_sees_of_a_visit_what_the_model_accepts(visit in arbitrary::visit()) {
        let seen = visit.to_visit();
        prop_assert_eq!(seen.check(), Ok(()));
        prop_assert_eq!(seen.suspects.is_some(), visit.catch.is_some());
        prop_assert_eq!(seen.renewed, visit.renewed.to_renewed());
    }

    #[test]
    fn a_planting_is_sealed_by_its_very_bytes(planting in arbitrary::planting()) {
        planting.check(arbitrary::TODAY).unwrap();
        let bytes = planting.to_bytes().unwrap();
        prop_assert_eq!(&Planting::read(&bytes).unwrap(), &planting);
        let sealed = Planting::seal(&bytes);
        prop_assert_eq!(sealed.bytes, bytes.len() as u64);
        let other = Planting { salt: "0".repeat(32), ..planting.clone() };
        prop_assert_eq!(Planting::seal(&other.to_bytes().unwrap()) == sealed, other == planting);
        let schema = jsonschema::validator_for(&schemas::planting()).unwrap();
        prop_assert!(schema.is_valid(&serde_json::from_slice(&bytes).unwrap()));
    }
}

#[test]
fn a_reason_that_version_1_did_not_tell_is_said_to_be_untold() {
    let text = r#"{"date":"2026-05-01","found":"working","kind":"service","looked":"no","renewed":{"body":false,"insert":false,"killing_agent":false,"lure":false},"suspects":null,"trap":"T-1"}"#;
    let Body::VisitMade(made) = Body::read("visit-made", 1, text).unwrap() else {
        panic!("not a visit");
    };
    assert_eq!(made.not_looked_why.as_deref(), Some(NOT_TOLD));
    assert_eq!((made.catch.clone(), made.outcome), (None, Outcome::Failed));
    assert_eq!(made.to_visit(), serde_json::from_str::<Visit>(text).unwrap());
}

#[test]
fn forms_of_the_other_version_are_refused() {
    let id = "01900000-0000-7000-8000-000000000001";
    let key = "ab".repeat(32);
    let v1 = format!(r#"{{"programme":"{id}","name":"n","made_by":"m","key":"{key}"}}"#);
    let Body::ProgrammeSetUp(set_up) = Body::read("programme-set-up", 1, &v1).unwrap() else {
        panic!("not a set-up");
    };
    assert_eq!(set_up.key, None, "version 1 has no key, whatever the text says");
    for (kind, version, text) in [
        ("programme-set-up", 2, format!(r#"{{"programme":"{id}","name":"n","made_by":"m"}}"#)),
        ("correction", 2, format!(r#"{{"corrects":"{id}","reason":"r","change":{{"to":"withdraw"}}}}"#)),
        ("correction", 1, format!(r#"{{"corrects":"{id}","reason":"r","change":{{"to":"instead","version":1,"body":{{}}}}}}"#)),
        ("determination", 1, r#"{"specimen":"S-1","target":"t","status":"suspect","by":"p-1","method":"dna","mark_checked":false,"official":false}"#.into()),
        ("determination", 2, r#"{"trap":"T-1","date":"2026-05-01","target":"t","status":"suspect","by":"p-1"}"#.into()),
        ("hosts-loaded", 1, r#"{"what":"places","mode":"add","source":"s","rows":0,"encoding":"ndjson+gzip","chunks":[]}"#.into()),
    ] {
        assert!(Body::read(kind, version, &text).is_err(), "{kind}.v{version}");
        assert!(fits(kind, version, &text).is_err(), "{kind}.v{version}");
    }
}

#[test]
fn unknown_kinds_and_versions_are_kept_as_they_are() {
    for (kind, version) in [
        ("visit-made", 3),
        ("trap-sung-to", 1),
        ("supply", 2),
        ("supply", 0),
    ] {
        let body = Body::read(kind, version, r#"{"b":[1,null],"a":1.50}"#).unwrap();
        assert!(matches!(&body, Body::Other(other) if other.kind == kind && other.version == version));
        assert_eq!((body.kind(), body.version()), (kind, version));
        assert_eq!(body.to_text().unwrap(), r#"{"a":1.5,"b":[1,null]}"#);
        assert_eq!(body.subjects(), []);
        assert_eq!(body.check(arbitrary::TODAY).is_ok(), version != 0);
    }
}

fn examples() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/entries")
}

/// The examples are frozen: a change that this test refuses makes journals unreadable. Never write over one that is
/// there; `EARLYWOOD_WRITE_EXAMPLES=1` only adds those of new kinds and versions.
#[test]
fn frozen_examples_read_for_ever() {
    let write = std::env::var_os("EARLYWOOD_WRITE_EXAMPLES").is_some();
    let mut runner = TestRunner::deterministic();
    let mut drawn: BTreeMap<(&str, u32), Body> = BTreeMap::new();
    if write {
        // The fullest of many says the most.
        for (kind, version, strategy) in arbitrary::each() {
            let bodies = (0..400).map(|_| strategy.new_tree(&mut runner).unwrap().current());
            drawn.insert((kind, version), bodies.max_by_key(fields_in).unwrap());
        }
    }
    let mut seen = BTreeSet::new();
    for (kind, version) in Body::kinds() {
        let path = examples().join(format!("{kind}.v{version}.json"));
        if let (true, false, Some(body)) = (write, path.exists(), drawn.get(&(kind, version))) {
            fs::create_dir_all(examples()).unwrap();
            fs::write(&path, body.to_text().unwrap() + "\n").unwrap();
        }
        let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let text = text.trim_end();
        let body =
            Body::read_strict(kind, version, text).unwrap_or_else(|e| panic!("{kind}.v{version}: {e}"));
        assert_eq!(body.kind(), kind);
        assert_eq!(fits(kind, version, text), Ok(()));
        body.check(arbitrary::TODAY).unwrap();
        if (kind, version) == ("visit-made", 1) {
            let visit: Visit = serde_json::from_str(text).unwrap();
            assert_eq!(body, Body::VisitMade(VisitMade::from_visit(&visit)));
        } else {
            assert_eq!(
                (body.version(), body.to_text().unwrap().as_str()),
                (version, text),
                "{kind}"
            );
        }
        seen.insert(format!("{kind}.v{version}.json"));
    }
    let there: BTreeSet<String> = fs::read_dir(examples())
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(there, seen, "an example too many or too few");
}

/// How many values stand in a body, short texts before long ones, so that an example is full and yet readable.
fn fields_in(body: &Body) -> (usize, std::cmp::Reverse<usize>) {
    fn count(value: &Value) -> usize {
        match value {
            Value::Object(members) => members.values().map(count).sum::<usize>() + 1,
            Value::Array(items) => items.iter().map(count).sum::<usize>(),
            _ => 1,
        }
    }
    let text = body.to_text().unwrap();
    (
        count(&serde_json::from_str(&text).unwrap()),
        std::cmp::Reverse(text.len()),
    )
}
