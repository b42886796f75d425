//! Every rule that a body must keep, broken once: a sound body, a change to it, and the field that is named.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use earlywood_journal::{Body, Planting, Refusal};
use jiff::civil::date;
use serde_json::{Value, json};

const TODAY: jiff::civil::Date = date(2026, 11, 25);

/// Names what is refused: the field, or "read" when the body can't even be read.
fn verdict(kind: &str, version: u32, body: &Value) -> Option<String> {
    let Ok(body) = Body::read(kind, version, &body.to_string()) else {
        return Some("read".into());
    };
    body.check(TODAY).err().map(|refusal| match refusal {
        Refusal::Field { field, .. } | Refusal::FutureDate { field, .. } => field.to_owned(),
        Refusal::DatesReversed { later, .. } => later.to_owned(),
        Refusal::Visit(_) => "visit".into(),
        Refusal::Profile(_) => "profile".into(),
        other => panic!("{other}"),
    })
}

/// `sound` with the members of `changes` in place; null takes a member away.
fn changed(sound: &Value, changes: &Value) -> Value {
    let mut body = sound.clone();
    for (name, value) in changes.as_object().unwrap() {
        let members = body.as_object_mut().unwrap();
        if value.is_null() {
            members.remove(name);
        } else {
            members.insert(name.clone(), value.clone());
        }
    }
    body
}

/// The sound body passes; so does each of `fine`; each of `wrong` is refused, and the refusal names the field.
fn rules(kind: &str, version: u32, sound: &Value, fine: &[Value], wrong: &[(Value, &str)]) {
    assert_eq!(verdict(kind, version, sound), None, "{kind}: {sound}");
    for changes in fine {
        assert_eq!(
            verdict(kind, version, &changed(sound, changes)),
            None,
            "{kind}: {changes}"
        );
    }
    for (changes, field) in wrong {
        let verdict = verdict(kind, version, &changed(sound, changes));
        assert_eq!(verdict.as_deref(), Some(*field), "{kind}: {changes}");
    }
}

const ID: &str = "01900000-0000-7000-8000-000000000001";
const NIL: &str = "00000000-0000-0000-0000-000000000000";

fn hex(pair: &str) -> String {
    pair.repeat(32)
}

#[test]
fn labels_words_and_people() {
    let sound = json!({"trap": "T-1", "device": "prism", "note": "in two\nlines"});
    let long = "x".repeat(201);
    rules(
        "trap-registered",
        1,
        &sound,
        &[json!({"note": null}), json!({"note": "meet @ the gate"})],
        &[
            (json!({"trap": ""}), "trap"),
            (json!({"trap": " T-1"}), "trap"),
            (json!({"trap": "T\u{7}1"}), "trap"),
            (json!({"trap": long}), "trap"),
            (json!({"trap": 7}), "read"),
            (json!({"device": ""}), "device"),
            (json!({"note": ""}), "note"),
            (json!({"note": " \n"}), "note"),
            (json!({"note": "a\u{0}b"}), "note"),
            (json!({"note": "x".repeat(4001)}), "note"),
            (json!({"note": "ask someone@example.org, she knows"}), "note"),
            (json!({"colour": "red"}), "read"),
        ],
    );
    rules(
        "person-erased",
        1,
        &json!({"person": "p-1"}),
        &[json!({"person": "a@b.example"})],
        &[(json!({"person": ""}), "person")],
    );
}

#[test]
fn devices() {
    let sound = json!({"device": ID, "key": hex("ab"), "holder": "p-1", "note": "the old one"});
    rules(
        "device-enrolled",
        1,
        &sound,
        &[json!({"holder": null})],
        &[
            (json!({"device": NIL}), "device"),
            (json!({"device": "x"}), "read"),
            (json!({"key": hex("00")}), "key"),
            (json!({"key": hex("AB")}), "read"),
            (json!({"key": "ab"}), "read"),
            (json!({"holder": "someone@example.org"}), "holder"),
            (json!({"holder": "p".repeat(65)}), "holder"),
            (json!({"note": ""}), "note"),
        ],
    );
    let sound = json!({"device": ID, "last_number": 0, "reason": "lost in the river"});
    rules(
        "device-withdrawn",
        1,
        &sound,
        &[],
        &[
            (json!({"device": NIL}), "device"),
            (json!({"last_number": -1}), "read"),
            (json!({"last_number": 1_u64 << 53}), "last_number"),
            (json!({"reason": ""}), "reason"),
        ],
    );
}

#[test]
fn people_and_crews() {
    let sound =
        json!({"person": "p-1", "roles": ["lead", "clerk"], "from": "2026-12-01", "to": "2026-12-01"});
    rules(
        "person-enrolled",
        1,
        &sound,
        &[json!({"to": null}), json!({"roles": ["partner"]})],
        &[
            (json!({"person": "someone@example.org"}), "person"),
            (json!({"roles": []}), "roles"),
            (json!({"roles": ["lead", "lead"]}), "roles"),
            (json!({"roles": ["lead", "partner"]}), "roles"),
            (json!({"roles": ["boss"]}), "read"),
            (json!({"to": "2026-11-30"}), "to"),
            (json!({"from": "-000001-01-01"}), "from"),
            (json!({"from": "2026-02-30"}), "read"),
        ],
    );
    let sound = json!({"crew": "crew-3", "people": ["p-1", "p-2"], "from": "2026-05-01"});
    rules(
        "crew-formed",
        1,
        &sound,
        &[],
        &[
            (json!({"crew": "a@b"}), "crew"),
            (json!({"people": []}), "people"),
            (json!({"people": ["p-1", "p-1"]}), "people"),
            (json!({"people": ["p@1"]}), "people"),
            (json!({"to": "2026-04-30"}), "to"),
        ],
    );
    let sound = json!({"person": "p-1", "taxa": ["Agrilus planipennis"], "up_to": "confirmed", "from": "2026-05-01",
                       "granted_by": "state-lab", "life_stages": ["adult"]});
    rules(
        "authority-granted",
        1,
        &sound,
        &[json!({"taxa": ["*"]}), json!({"life_stages": null})],
        &[
            (json!({"person": "p@1"}), "person"),
            (json!({"granted_by": "p@1"}), "granted_by"),
            (json!({"taxa": []}), "taxa"),
            (json!({"taxa": ["*", "a"]}), "taxa"),
            (json!({"taxa": ["a", "a"]}), "taxa"),
            (json!({"up_to": "suspect"}), "up_to"),
            (json!({"up_to": "ruled-out"}), "up_to"),
            (json!({"up_to": "undeterminable"}), "up_to"),
            (json!({"life_stages": ["adult", "adult"]}), "life_stages"),
            (json!({"to": "2026-04-30"}), "to"),
            (json!({"note": ""}), "note"),
        ],
    );
}

#[test]
fn traps() {
    let sound = json!({"trap": "T-1", "date": "2026-11-25", "why": "other", "note": "under a landslide"});
    rules(
        "trap-written-off",
        1,
        &sound,
        &[json!({"why": "stolen", "note": null})],
        &[
            (json!({"trap": ""}), "trap"),
            (json!({"date": "2026-11-26"}), "date"),
            (json!({"note": null}), "note"),
            (json!({"why": "stolen", "note": ""}), "note"),
            (json!({"why": "bored"}), "read"),
        ],
    );
    let sound = json!({"trap": "T-1", "date": "2026-11-25"});
    rules(
        "trap-came-back",
        1,
        &sound,
        &[],
        &[
            (json!({"trap": ""}), "trap"),
            (json!({"date": "2026-11-26"}), "date"),
            (json!({"note": ""}), "note"),
        ],
    );
    rules(
        "trap-taken-down",
        1,
        &sound,
        &[],
        &[
            (json!({"trap": ""}), "trap"),
            (json!({"date": "2026-11-26"}), "date"),
        ],
    );
    let sound = json!({"trap": "T-1", "place": "P-1", "position": {"lat": 44.0, "lon": -121.0}, "targets": ["t"],
                       "hung": "2026-05-01", "taken_down": "2026-05-01"});
    rules(
        "trap-placed",
        1,
        &sound,
        &[json!({"taken_down": null})],
        &[
            (json!({"trap": ""}), "trap"),
            (json!({"place": ""}), "place"),
            (json!({"position": {"lat": -121.0, "lon": 44.0}}), "latitude"),
            (json!({"position": {"lat": 44.0, "lon": 181.0}}), "longitude"),
            (json!({"targets": []}), "targets"),
            (json!({"targets": [""]}), "target"),
            (json!({"hung": "2026-11-26"}), "hung"),
            (json!({"taken_down": "2026-11-26"}), "taken_down"),
            (json!({"taken_down": "2026-04-30"}), "taken_down"),
        ],
    );
}

#[test]
fn holds() {
    let sound =
        json!({"hold": "H-1", "cause": "smoke", "scope": "all", "from": "2026-12-01", "to": "2026-12-02"});
    let fine = [
        json!({"cause": {"other": "a film is being made"}}),
        json!({"scope": {"zones": ["Z-1"]}}),
        json!({"to": null}),
    ];
    rules(
        "hold-declared",
        1,
        &sound,
        &fine,
        &[
            (json!({"hold": ""}), "hold"),
            (json!({"cause": {"other": ""}}), "cause"),
            (json!({"cause": "mood"}), "read"),
            (json!({"scope": {"zones": []}}), "scope"),
            (json!({"scope": {"traps": ["T-1", "T-1"]}}), "scope"),
            (json!({"scope": {"places": [""]}}), "scope"),
            (json!({"scope": {"moods": ["x"]}}), "read"),
            (json!({"to": "2026-11-30"}), "to"),
            (json!({"note": ""}), "note"),
        ],
    );
    rules(
        "hold-lifted",
        1,
        &json!({"hold": "H-1", "date": "2026-11-25"}),
        &[],
        &[
            (json!({"hold": ""}), "hold"),
            (json!({"date": "2026-11-26"}), "date"),
        ],
    );
}

#[test]
fn detection_trees_and_tips() {
    let sound = json!({"tree": "D-1", "host": "H-7", "girdled": "2026-04-01", "date": "2026-10-20", "peeled_share": 1.0,
                       "found": "negative"});
    let fine = [
        json!({"host": null, "position": {"lat": 44.0, "lon": -121.0}, "position_accuracy_m": 5.0}),
        json!({"found": "positive", "specimens": ["S-1"]}),
        json!({"found": "not-done", "peeled_share": 0.0, "note": "felled by the owner"}),
    ];
    rules(
        "detection-tree-peeled",
        1,
        &sound,
        &fine,
        &[
            (json!({"tree": ""}), "tree"),
            (json!({"host": null}), "position"),
            (json!({"girdled": "2026-10-21"}), "date"),
            (json!({"date": "2026-11-26"}), "date"),
            (json!({"peeled_share": 1.5}), "peeled_share"),
            (json!({"peeled_share": 0.0}), "peeled_share"),
            (json!({"found": "not-done"}), "found"),
            (json!({"found": "not-done", "peeled_share": 0.0}), "note"),
            (json!({"specimens": ["S-1", "S-1"]}), "specimens"),
        ],
    );
    rules(
        "tip-received",
        1,
        &json!({"tip": "T-1", "date": "2026-06-01", "what": "holes in an ash by the school"}),
        &[json!({"target": "emerald-ash-borer", "zone": "north", "position": {"lat": 44.0, "lon": -121.0}})],
        &[
            (json!({"tip": ""}), "tip"),
            (json!({"date": "2026-11-26"}), "date"),
            (json!({"what": ""}), "what"),
            (json!({"what": "call me at someone@example.org"}), "what"),
            (json!({"position": {"lat": 144.0, "lon": -121.0}}), "latitude"),
        ],
    );
    rules(
        "tip-closed",
        1,
        &json!({"tip": "T-1", "date": "2026-06-03", "end": "nothing-found"}),
        &[
            json!({"end": "something-else", "note": "a native borer"}),
            json!({"end": "specimens-taken", "specimens": ["S-1"]}),
            json!({"end": "not-followed", "note": "no place was given"}),
        ],
        &[
            (json!({"end": "specimens-taken"}), "specimens"),
            (json!({"specimens": ["S-1"]}), "end"),
            (json!({"end": "not-followed"}), "note"),
            (json!({"end": "lost"}), "read"),
        ],
    );
}

/// A service at which all was well.
fn service() -> Value {
    json!({"trap": "T-1", "date": "2026-06-01", "kind": "service", "found": "working", "looked": "fully",
           "catch": {"suspects": 2, "specimens": ["S-1"]}, "outcome": "complete"})
}

#[test]
fn visits_of_sound_traps() {
    let fine = [
        json!({"catch": {"suspects": 0}}),
        json!({"arrive": "2026-06-01T09:00:00-07:00", "leave": "2026-06-01T09:00:00-07:00"}),
        json!({"arrive": "2026-06-01T23:59:00+05:45"}),
        json!({"renewed": {"lure": {"lot": "L-1"}}, "next_due": "2027-01-01"}),
        json!({"looked": "partly", "not_looked_why": "wet", "outcome": "partial"}),
        json!({"looked": "no", "not_looked_why": "wet", "catch": null, "insert_taken": "I-1", "outcome": "partial"}),
        json!({"kind": "move", "moved_to": {"place": "P-2", "position": {"lat": 44.0, "lon": -121.0}}}),
        json!({"kind": "take-down", "exception": "refused-for-good", "resident": "refused-for-good"}),
        json!({"kind": "hang", "found": "gone", "looked": "no", "catch": null}),
        json!({"found": "impaired", "impairments": ["twisted", "wet"]}),
        json!({"hanging_lot": "L-1"}),
    ];
    let position = json!({"lat": 44.0, "lon": -121.0});
    let photo = json!({"hash": hex("ab"), "bytes": 9, "media": "image/jpeg", "shows": "the tag"});
    let with = |name: &str, value: Value| json!([changed(&photo, &json!({name: value}))]);
    rules(
        "visit-made",
        2,
        &service(),
        &fine,
        &[
            (json!({"trap": ""}), "trap"),
            (json!({"crew": ""}), "crew"),
            (json!({"crew": "a@b"}), "crew"),
            (json!({"date": "2026-11-26"}), "date"),
            (json!({"next_due": "2026-05-31"}), "next_due"),
            (json!({"arrive": "09:00"}), "arrive"),
            (json!({"arrive": "2026-06-01T09:00:00"}), "arrive"),
            (json!({"arrive": "2026-06-01 09:00:00Z"}), "arrive"),
            (json!({"arrive": "2026-06-02T00:00:00Z"}), "arrive"),
            (json!({"leave": "2026-05-31T23:00:00Z"}), "leave"),
            (
                json!({"arrive": "2026-06-01T09:00:00-07:00", "leave": "2026-06-01T08:59:59-07:00"}),
                "leave",
            ),
            // A look needs its result, and a result its look.
            (json!({"catch": null}), "catch"),
            (
                json!({"looked": "no", "not_looked_why": "wet", "outcome": "partial"}),
                "catch",
            ),
            (
                json!({"looked": "no", "catch": null, "outcome": "partial"}),
                "not_looked_why",
            ),
            (
                json!({"looked": "partly", "outcome": "partial"}),
                "not_looked_why",
            ),
            (json!({"not_looked_why": "wet"}), "not_looked_why"),
            (
                json!({"looked": "partly", "not_looked_why": "", "outcome": "partial"}),
                "not_looked_why",
            ),
            (
                json!({"catch": {"suspects": 1, "specimens": ["S-1", "S-2"]}}),
                "specimens",
            ),
            (
                json!({"catch": {"suspects": 2, "specimens": ["S-1", "S-1"]}}),
                "specimens",
            ),
            (json!({"catch": {"suspects": 2, "specimens": [""]}}), "specimens"),
            (json!({"insert_taken": "S-1"}), "specimens"),
            (json!({"catch": {"suspects": -1}}), "read"),
            (
                json!({"catch": {"suspects": 2, "by_catch": {"level": "few", "note": ""}}}),
                "by_catch",
            ),
            // Work.
            (json!({"renewed": {"lure": {"lot": ""}}}), "lot"),
            (json!({"renewed": {"lure": true}}), "read"),
            (
                json!({"renewed": {"lure": {}}, "hanging_lot": "L-1"}),
                "hanging_lot",
            ),
            (json!({"hanging_lot": ""}), "lot"),
            (json!({"adjusted": [""]}), "adjusted"),
            (json!({"adjusted": ["cleaned", "cleaned"]}), "adjusted"),
            (json!({"kind": "hang", "insert_taken": "I-1"}), "insert_taken"),
            (json!({"kind": "take-down", "next_due": "2026-07-01"}), "next_due"),
            // Moves.
            (json!({"kind": "move"}), "moved_to"),
            (
                json!({"moved_to": {"place": "P-2", "position": position}}),
                "moved_to",
            ),
            (
                json!({"kind": "move", "moved_to": {"place": "", "position": position}}),
                "place",
            ),
            (
                json!({"kind": "move", "moved_to": {"place": "P-2", "position": {"lat": 91, "lon": 0}}}),
                "latitude",
            ),
            // Outcomes.
            (json!({"looked": "partly", "not_looked_why": "wet"}), "outcome"),
            (json!({"outcome": "failed"}), "looked"),
            // Exceptions.
            (json!({"exception": "other"}), "exception_note"),
            (
                json!({"exception": "other", "exception_note": ""}),
                "exception_note",
            ),
            (json!({"exception_note": "dog"}), "exception_note"),
            (json!({"exception": "trap-missing"}), "exception"),
            (json!({"exception": "locked"}), "exception"),
            (json!({"exception": "bored"}), "read"),
            (
                json!({"exception": "refused-for-good", "resident": "spoke"}),
                "resident",
            ),
            // What is wrong with it.
            (json!({"impairments": ["twisted"]}), "impairments"),
            (
                json!({"found": "impaired", "impairments": ["twisted", "twisted"]}),
                "impairments",
            ),
            (
                json!({"found": "impaired", "impairments": ["other"]}),
                "impairments",
            ),
            // The rest.
            (json!({"position": {"lat": 91.0, "lon": 0.0}}), "latitude"),
            (json!({"position_accuracy_m": 5.0}), "position_accuracy_m"),
            (
                json!({"position": position, "position_accuracy_m": -1.0}),
                "position_accuracy_m",
            ),
            (json!({"temperature_c": 90.0}), "temperature_c"),
            (
                json!({"notices": [{"language": "", "where_left": "door"}]}),
                "language",
            ),
            (
                json!({"notices": [{"language": "en", "where_left": ""}]}),
                "where_left",
            ),
            (json!({"resident": "Ms Doe"}), "read"),
            (json!({"photos": with("bytes", json!(0))}), "bytes"),
            (json!({"photos": with("bytes", json!(1_u64 << 53))}), "bytes"),
            (json!({"photos": with("media", json!("jpeg"))}), "media"),
            (json!({"photos": with("media", json!("image / jpeg"))}), "media"),
            (json!({"photos": with("shows", json!(""))}), "shows"),
            (json!({"photos": with("hash", json!("ab"))}), "read"),
            (json!({"photos": [photo, photo]}), "photos"),
            (json!({"weather_note": ""}), "weather_note"),
            (json!({"request": ""}), "request"),
            (json!({"note": ""}), "note"),
            (json!({"suspects": 2}), "read"),
        ],
    );
}

#[test]
fn visits_in_vain() {
    let sound = json!({"trap": "T-1", "date": "2026-06-01", "kind": "service", "found": "not-reached", "looked": "no",
                       "outcome": "failed", "exception": "nobody-home"});
    let fine = [
        json!({"exception": null}),
        json!({"kind": "move"}),
        json!({"kind": "take-down", "next_due": "2026-07-01"}),
        json!({"resident": "nobody-home"}),
        json!({"found": "gone", "exception": "trap-missing"}),
        json!({"found": "gone", "exception": null, "outcome": "partial", "renewed": {"body": {}, "lure": {}}, "adjusted": ["re-hung"]}),
        json!({"exception": "refused-today", "resident": "call-back"}),
    ];
    let to = json!({"place": "P-2", "position": {"lat": 44.0, "lon": -121.0}});
    rules(
        "visit-made",
        2,
        &sound,
        &fine,
        &[
            (
                json!({"looked": "fully", "catch": {"suspects": 0}, "exception": null}),
                "looked",
            ),
            (
                json!({"found": "gone", "looked": "fully", "catch": {"suspects": 0}, "exception": null}),
                "looked",
            ),
            (json!({"outcome": "partial"}), "outcome"),
            (json!({"outcome": "complete"}), "outcome"),
            (
                json!({"found": "gone", "exception": null, "outcome": "complete"}),
                "outcome",
            ),
            (json!({"found": "working", "outcome": "complete"}), "outcome"),
            (json!({"renewed": {"lure": {}}}), "renewed"),
            (json!({"renewed": {"body": {}}}), "renewed"),
            (
                json!({"found": "gone", "exception": null, "outcome": "partial", "renewed": {"lure": {}}}),
                "renewed",
            ),
            (json!({"found": "working", "renewed": {"lure": {}}}), "renewed"),
            (json!({"insert_taken": "I-1"}), "insert_taken"),
            (json!({"found": "working", "insert_taken": "I-1"}), "insert_taken"),
            (json!({"adjusted": ["cleaned"]}), "adjusted"),
            (json!({"found": "working", "adjusted": ["cleaned"]}), "adjusted"),
            (json!({"proved_by": "scanned"}), "proved_by"),
            (json!({"impairments": ["twisted"]}), "impairments"),
            (json!({"kind": "move", "moved_to": to}), "moved_to"),
            (
                json!({"kind": "move", "found": "gone", "exception": null, "outcome": "partial", "moved_to": to}),
                "moved_to",
            ),
            (json!({"resident": "spoke"}), "resident"),
            (
                json!({"exception": "refused-today", "resident": "nobody-home"}),
                "resident",
            ),
            (json!({"exception": "trap-missing"}), "exception"),
        ],
    );
}

#[test]
fn trees() {
    let sound = json!({"tree": "A-1", "species": "Fraxinus latifolia", "species_sure": "sure", "date": "2026-06-01",
        "from": "ground", "parts": ["base", "canopy"], "looked": "fully", "leaf": "in-leaf", "none_found": true});
    let hole = json!({"sign": "hole", "size_mm": [3.0, 3.5], "shape": "d", "count": 4, "patch_m2": 0.09});
    let seen = |changes: Value| json!({"none_found": false, "signs": [changed(&hole, &changes)]});
    let scale = json!({"scale": "crown", "scale_version": 1, "class": 2, "of": 5});
    let crown = |changes: Value| json!({"crown": changed(&scale, &changes)});
    let branch =
        json!({"label": "B-1", "base_cm": 6.0, "length_cm": 100.0, "peeled_cm": 50.0, "found": "negative"});
    let cut = |changes: Value| json!({"branch_samples": [changed(&branch, &changes)]});
    let fine = [
        seen(json!({})),
        seen(json!({"size_mm": [3.0, 3.0]})),
        crown(json!({"class": 5})),
        cut(json!({"specimens": ["S-1"]})),
        cut(json!({"found": "not-done", "peeled_cm": 0})),
        json!({"species": null, "species_sure": "unknown"}),
        json!({"looked": "partly", "why_not": "leaves"}),
        json!({"looked": "no", "why_not": "dog", "parts": null, "none_found": false}),
        json!({"next_look": "2026-12-24", "specimens": ["S-1"]}),
    ];
    rules(
        "tree-inspected",
        1,
        &sound,
        &fine,
        &[
            (json!({"tree": ""}), "tree"),
            (json!({"host": ""}), "host"),
            (json!({"crew": ""}), "crew"),
            (json!({"species": null}), "species"),
            (json!({"species_sure": "unknown"}), "species_sure"),
            (json!({"position": {"lat": 99, "lon": 0}}), "latitude"),
            (json!({"position_accuracy_m": 3}), "position_accuracy_m"),
            (json!({"dbh_cm": 0}), "dbh_cm"),
            (json!({"dbh_cm": 2000}), "dbh_cm"),
            (json!({"setting": ""}), "setting"),
            (json!({"minutes": 1441}), "minutes"),
            (json!({"date": "2026-11-26"}), "date"),
            (json!({"next_look": "2026-05-31"}), "next_look"),
            // "Looked, none" and "could not look".
            (json!({"none_found": false}), "none_found"),
            (json!({"signs": [hole]}), "none_found"),
            (cut(json!({"found": "positive"})), "none_found"),
            (json!({"parts": null}), "parts"),
            (json!({"parts": ["base", "base"]}), "parts"),
            (json!({"looked": "partly"}), "why_not"),
            (json!({"why_not": "leaves"}), "why_not"),
            (json!({"looked": "partly", "why_not": ""}), "why_not"),
            (
                json!({"looked": "no", "parts": null, "none_found": false}),
                "why_not",
            ),
            (
                json!({"looked": "no", "parts": null, "why_not": "dog"}),
                "none_found",
            ),
            (
                json!({"looked": "no", "why_not": "dog", "none_found": false}),
                "parts",
            ),
            (
                json!({"looked": "no", "why_not": "dog", "parts": null, "none_found": false, "signs": [hole]}),
                "signs",
            ),
            (
                json!({"looked": "no", "why_not": "dog", "parts": null, "none_found": false, "crown": scale}),
                "crown",
            ),
            (
                json!({"looked": "no", "why_not": "dog", "parts": null, "none_found": false, "borer": scale}),
                "borer",
            ),
            (
                json!({"looked": "no", "why_not": "dog", "parts": null, "none_found": false, "branch_samples": [branch]}),
                "branch_samples",
            ),
            (
                json!({"looked": "no", "why_not": "dog", "parts": null, "none_found": false, "specimens": ["S-1"]}),
                "specimens",
            ),
            // Signs.
            (seen(json!({"size_mm": [4.0, 3.0]})), "size_mm"),
            (seen(json!({"size_mm": [0.0, 3.0]})), "size_mm"),
            (seen(json!({"size_mm": [3.0, 2000.0]})), "size_mm"),
            (seen(json!({"size_mm": [3.0]})), "read"),
            (seen(json!({"count": 0})), "count"),
            (seen(json!({"count": null})), "patch_m2"),
            (seen(json!({"patch_m2": 0})), "patch_m2"),
            (seen(json!({"patch_m2": 10_000})), "patch_m2"),
            (seen(json!({"height_m": -1})), "height_m"),
            (seen(json!({"height_m": 130})), "height_m"),
            (seen(json!({"sign": "frass"})), "shape"),
            (seen(json!({"sign": "other", "shape": null})), "note"),
            (seen(json!({"note": ""})), "note"),
            // Scales.
            (crown(json!({"class": 0})), "class"),
            (crown(json!({"class": 6})), "class"),
            (crown(json!({"of": 1})), "of"),
            (crown(json!({"scale": ""})), "scale"),
            (crown(json!({"scale_version": 0})), "scale_version"),
            (json!({"crown": scale, "borer": scale}), "borer"),
            // Branches.
            (cut(json!({"label": ""})), "branch_samples"),
            (cut(json!({"height_m": 130})), "height_m"),
            (cut(json!({"base_cm": 0})), "base_cm"),
            (cut(json!({"length_cm": 0})), "length_cm"),
            (cut(json!({"peeled_cm": -1})), "peeled_cm"),
            (cut(json!({"peeled_cm": 0})), "peeled_cm"),
            (cut(json!({"peeled_cm": 101})), "peeled_cm"),
            (cut(json!({"found": "not-done"})), "found"),
            (
                cut(json!({"found": "not-done", "peeled_cm": 0, "specimens": ["S-1"]})),
                "specimens",
            ),
            (cut(json!({"specimens": ["S-1", "S-1"]})), "specimens"),
            (cut(json!({"specimens": ["B-1"]})), "specimens"),
            (json!({"branch_samples": [branch, branch]}), "specimens"),
            (json!({"specimens": ["S-1", "S-1"]}), "specimens"),
            (
                json!({"photos": [{"hash": hex("ab"), "bytes": 0, "media": "image/png", "shows": "x"}]}),
                "bytes",
            ),
            (json!({"action": ""}), "action"),
        ],
    );
}

#[test]
fn specimens() {
    let sound = json!({"specimen": "S-1", "what": "insect", "from": {"is": "trap", "trap": "T-1", "date": "2026-06-01"}});
    let from = |value: Value| json!({"from": value});
    let fine = [
        from(json!({"is": "specimen", "parent": "I-1"})),
        from(json!({"is": "other", "words": "brought by a neighbour"})),
        json!({"what": "log", "from": {"is": "tree", "tree": "A-1", "date": "2026-06-01"}}),
    ];
    rules(
        "specimen-taken",
        1,
        &sound,
        &fine,
        &[
            (json!({"specimen": ""}), "specimen"),
            (
                from(json!({"is": "trap", "trap": "", "date": "2026-06-01"})),
                "trap",
            ),
            (
                from(json!({"is": "trap", "trap": "T-1", "date": "2026-11-26"})),
                "date",
            ),
            (
                from(json!({"is": "tree", "tree": "", "date": "2026-06-01"})),
                "tree",
            ),
            (
                from(json!({"is": "tree", "tree": "A-1", "date": "2026-11-26"})),
                "date",
            ),
            (from(json!({"is": "specimen", "parent": ""})), "parent"),
            (from(json!({"is": "specimen", "parent": "S-1"})), "parent"),
            (from(json!({"is": "other", "words": ""})), "words"),
            (
                from(json!({"is": "other", "words": "x", "position": {"lat": 99, "lon": 0}})),
                "latitude",
            ),
            (
                from(json!({"is": "trap", "trap": "T-1", "date": "2026-06-01", "tree": "A-1"})),
                "read",
            ),
            (from(json!({"is": "thin air"})), "read"),
            (json!({"what": "log"}), "from"),
            (
                json!({"what": "insert", "from": {"is": "tree", "tree": "A-1", "date": "2026-06-01"}}),
                "from",
            ),
            (json!({"what": "other"}), "note"),
            (json!({"count": 0}), "count"),
            (json!({"suspected": ""}), "suspected"),
            (json!({"container": ""}), "container"),
            (json!({"kept_in": ""}), "kept_in"),
            (json!({"note": ""}), "note"),
            (
                json!({"photos": [{"hash": hex("ab"), "bytes": 1, "media": "x", "shows": "x"}]}),
                "media",
            ),
        ],
    );
    let sound = json!({"specimen": "S-1", "how": "retained", "where": "voucher cabinet", "by": "p-1"});
    rules(
        "specimen-ended",
        1,
        &sound,
        &[json!({"how": "lost", "where": null})],
        &[
            (json!({"specimen": ""}), "specimen"),
            (json!({"by": "p@1"}), "by"),
            (json!({"where": null}), "where"),
            (json!({"how": "returned", "where": null}), "where"),
            (json!({"where": ""}), "where"),
            (json!({"note": ""}), "note"),
        ],
    );
}

#[test]
fn hand_overs_and_screenings() {
    let sound = json!({"handover": "HO-1", "specimens": ["S-1", "S-2"], "from": "p-1", "to": "p-2", "seal": "77",
                       "seal_intact": true, "purpose": "to be named", "containers": 1});
    rules(
        "specimens-offered",
        1,
        &sound,
        &[json!({"seal": null, "seal_intact": null})],
        &[
            (json!({"handover": ""}), "handover"),
            (json!({"specimens": []}), "specimens"),
            (json!({"specimens": ["S-1", "S-1"]}), "specimens"),
            (json!({"from": "p@1"}), "from"),
            (json!({"to": "p@1"}), "to"),
            (json!({"to": "p-1"}), "to"),
            (json!({"place": ""}), "place"),
            (json!({"seal": ""}), "seal"),
            (json!({"seal": null}), "seal_intact"),
            (json!({"condition": ""}), "condition"),
            (json!({"purpose": ""}), "purpose"),
            (json!({"containers": 0}), "containers"),
        ],
    );
    let sound = json!({"handover": "HO-1", "by": "p-2", "containers": 1, "condition": "good"});
    rules(
        "specimens-accepted",
        1,
        &sound,
        &[],
        &[
            (json!({"handover": ""}), "handover"),
            (json!({"by": "p@2"}), "by"),
            (json!({"containers": 0}), "containers"),
            (json!({"condition": ""}), "condition"),
        ],
    );
    let sound = json!({"handover": "HO-1", "by": "p-2", "why": "one vial is missing"});
    rules(
        "specimens-declined",
        1,
        &sound,
        &[],
        &[
            (json!({"handover": ""}), "handover"),
            (json!({"by": "p@2"}), "by"),
            (json!({"why": ""}), "why"),
        ],
    );
    let sound = json!({"specimen": "I-1", "pass": 1, "by": "p-2", "suspects": 1, "children": ["S-1", "S-2"], "look_alikes": 1});
    rules(
        "screening-made",
        1,
        &sound,
        &[json!({"pass": 2, "suspects": 0, "look_alikes": 0, "children": null})],
        &[
            (json!({"specimen": ""}), "specimen"),
            (json!({"pass": 0}), "pass"),
            (json!({"pass": 3}), "pass"),
            (json!({"by": "p@2"}), "by"),
            (json!({"minutes": 1441}), "minutes"),
            (json!({"children": ["S-1", "S-1"]}), "children"),
            (json!({"children": ["I-1"]}), "children"),
            (json!({"suspects": 0}), "children"),
            (json!({"note": ""}), "note"),
        ],
    );
}

#[test]
fn determinations() {
    let sound = json!({"specimen": "S-1", "target": "eab", "status": "confirmed", "name": "Agrilus planipennis",
        "rank": "species", "by": "p-2", "method": "morphology", "life_stage": "adult", "sex": "female", "mated": true,
        "mark_checked": true, "official": true});
    let fine = [
        json!({"official": false, "status": "suspect"}),
        json!({"method": "other", "note": "by its scent"}),
        json!({"sex": null, "mated": null}),
    ];
    rules(
        "determination",
        2,
        &sound,
        &fine,
        &[
            (json!({"specimen": ""}), "specimen"),
            (json!({"target": ""}), "target"),
            (json!({"by": "p@2"}), "by"),
            (json!({"name": ""}), "name"),
            (json!({"name": null}), "rank"),
            (json!({"rank": ""}), "rank"),
            (json!({"life_stage": ""}), "life_stage"),
            (json!({"method": "other"}), "method"),
            (json!({"method": null}), "read"),
            (json!({"sex": "male"}), "mated"),
            (json!({"sex": null}), "mated"),
            (json!({"sure": ""}), "sure"),
            (json!({"status": "suspect"}), "official"),
            (json!({"status": "tentative"}), "official"),
            (json!({"status": "certain"}), "read"),
            (json!({"mark_checked": null}), "read"),
            (json!({"note": ""}), "note"),
        ],
    );
    let sound = json!({"trap": "T-1", "date": "2026-06-01", "target": "eab", "status": "confirmed", "by": "identifier-1 (invented)"});
    rules(
        "determination",
        1,
        &sound,
        &[],
        &[
            (json!({"trap": ""}), "trap"),
            (json!({"target": ""}), "target"),
            (json!({"date": "2026-11-26"}), "date"),
            (json!({"by": ""}), "by"),
            (json!({"by": "p@2"}), "by"),
        ],
    );
}

#[test]
fn a_determination_of_a_catch_holds_no_details_of_a_specimen() {
    use earlywood_journal::body::{Determination, Method, Sex, Status};
    let plain = Determination::of_trap("T-1", date(2026, 6, 1), "eab", Status::Confirmed, "p-2");
    plain.check().unwrap();
    let text = || Some("x".to_owned());
    let detailed: [(&str, Determination); 9] = [
        (
            "name",
            Determination {
                name: text(),
                ..plain.clone()
            },
        ),
        (
            "rank",
            Determination {
                rank: text(),
                ..plain.clone()
            },
        ),
        (
            "method",
            Determination {
                method: Some(Method::Dna),
                ..plain.clone()
            },
        ),
        (
            "life_stage",
            Determination {
                life_stage: text(),
                ..plain.clone()
            },
        ),
        (
            "sex",
            Determination {
                sex: Some(Sex::Male),
                ..plain.clone()
            },
        ),
        (
            "mated",
            Determination {
                mated: Some(false),
                ..plain.clone()
            },
        ),
        (
            "sure",
            Determination {
                sure: text(),
                ..plain.clone()
            },
        ),
        (
            "mark_checked",
            Determination {
                mark_checked: true,
                ..plain.clone()
            },
        ),
        (
            "official",
            Determination {
                official: true,
                ..plain.clone()
            },
        ),
    ];
    for (name, determination) in detailed {
        assert!(
            matches!(determination.check(), Err(Refusal::Field { field, .. }) if field == name),
            "{name}"
        );
    }
    let specimen = Determination::of_specimen("S-1", "eab", Status::Suspect, "p-2", Method::Dna);
    let without = Determination {
        method: None,
        ..specimen
    };
    assert!(matches!(
        without.check(),
        Err(Refusal::Field { field: "method", .. })
    ));
    assert!(Body::Determination(without).to_text().is_err());
}

#[test]
fn supplies() {
    let what = |value: Value| json!({"what": value});
    let got = json!({"is": "received", "item": "lure", "quantity": 10, "made": "2026-01-01", "expires": "2027-01-01",
                     "storage": "freezer", "storage_c": -20.0});
    let received = |changes: Value| what(changed(&got, &changes));
    let sound = json!({"lot": "L-1", "what": got});
    let fine = [
        what(json!({"is": "counted", "quantity": 0, "storage": "van 2"})),
        received(json!({"made": null})),
        received(json!({"expires": "2026-01-02"})),
        what(json!({"is": "stored", "storage": "shed"})),
        what(json!({"is": "issued", "quantity": 1, "to": "crew-3"})),
        what(json!({"is": "returned", "quantity": 1, "from": "crew-3"})),
        what(json!({"is": "disposed", "quantity": 1, "why": "expired"})),
    ];
    rules(
        "supply",
        1,
        &sound,
        &fine,
        &[
            (json!({"lot": ""}), "lot"),
            (received(json!({"quantity": 0})), "quantity"),
            (received(json!({"target": ""})), "target"),
            (received(json!({"made": "2026-11-26"})), "made"),
            (received(json!({"expires": "2026-01-01"})), "expires"),
            (
                received(json!({"made": null, "expires": "-000001-01-01"})),
                "expires",
            ),
            (received(json!({"storage": ""})), "storage"),
            (received(json!({"storage": null})), "storage_c"),
            (received(json!({"storage_c": 70.0})), "storage_c"),
            (received(json!({"item": "sandwich"})), "read"),
            (received(json!({"colour": "red"})), "read"),
            (what(json!({"is": "stored", "storage": ""})), "storage"),
            (
                what(json!({"is": "stored", "storage": "shed", "storage_c": -120.0})),
                "storage_c",
            ),
            (
                what(json!({"is": "issued", "quantity": 0, "to": "crew-3"})),
                "quantity",
            ),
            (what(json!({"is": "issued", "quantity": 1, "to": "a@b"})), "to"),
            (
                what(json!({"is": "returned", "quantity": 0, "from": "crew-3"})),
                "quantity",
            ),
            (
                what(json!({"is": "returned", "quantity": 1, "from": "a@b"})),
                "from",
            ),
            (
                what(json!({"is": "disposed", "quantity": 0, "why": "expired"})),
                "quantity",
            ),
            (what(json!({"is": "disposed", "quantity": 1, "why": ""})), "why"),
            (
                what(json!({"is": "counted", "quantity": 0, "storage": ""})),
                "storage",
            ),
            (what(json!({"is": "eaten"})), "read"),
        ],
    );
}

#[test]
fn plantings() {
    rules(
        "sealed",
        1,
        &json!({"content": hex("ab"), "bytes": 300}),
        &[],
        &[
            (json!({"bytes": 0}), "bytes"),
            (json!({"bytes": 1_u64 << 53}), "bytes"),
            (json!({"content": "ab"}), "read"),
        ],
    );
    let sound = json!({"planting": "PL-1", "outcome": {"is": "missed"}, "by": "p-2", "date": "2026-11-25"});
    rules(
        "planting-closed",
        1,
        &sound,
        &[json!({"outcome": {"is": "recovered", "specimen": "S-1"}})],
        &[
            (json!({"planting": ""}), "planting"),
            (json!({"by": "p@2"}), "by"),
            (json!({"date": "2026-11-26"}), "date"),
            (
                json!({"outcome": {"is": "recovered", "specimen": ""}}),
                "specimen",
            ),
            (json!({"outcome": {"is": "recovered"}}), "read"),
            (json!({"outcome": {"is": "missed", "specimen": "S-1"}}), "read"),
        ],
    );
    let sound = json!({"salt": "0a".repeat(16), "planting": "PL-1", "trap": "T-1", "date": "2026-06-01",
        "species": "Agrilus planipennis", "mark": "a red dot", "specimens": ["S-1"], "by": "p-2"});
    let verdict = |value: &Value| match Planting::read(value.to_string().as_bytes()) {
        Err(_) => Some("read".to_owned()),
        Ok(planting) => planting.check(TODAY).err().map(|refusal| match refusal {
            Refusal::Field { field, .. } | Refusal::FutureDate { field, .. } => field.to_owned(),
            other => panic!("{other}"),
        }),
    };
    assert_eq!(verdict(&sound), None);
    for (changes, field) in [
        (json!({"salt": "0a"}), "salt"),
        (json!({"salt": "0A".repeat(16)}), "salt"),
        (json!({"planting": ""}), "planting"),
        (json!({"trap": ""}), "trap"),
        (json!({"species": ""}), "species"),
        (json!({"mark": ""}), "mark"),
        (json!({"specimens": []}), "specimens"),
        (json!({"specimens": ["S-1", "S-1"]}), "specimens"),
        (json!({"by": "p@2"}), "by"),
        (json!({"date": "2026-11-26"}), "date"),
        (json!({"more": 1}), "read"),
    ] {
        assert_eq!(
            verdict(&changed(&sound, &changes)).as_deref(),
            Some(field),
            "{changes}"
        );
    }
}

#[test]
fn records() {
    let sound = json!({"programme": ID, "name": "Alder Reach", "made_by": "a test", "key": hex("ab")});
    rules(
        "programme-set-up",
        2,
        &sound,
        &[],
        &[
            (json!({"programme": NIL}), "programme"),
            (json!({"name": " "}), "name"),
            (json!({"key": hex("00")}), "key"),
        ],
    );
    let chunk = json!({"hash": hex("ab"), "bytes": 10, "rows": 3});
    let sound = json!({"what": "hosts", "mode": "add", "source": "trees.csv", "rows": 6, "encoding": "ndjson+gzip",
                       "chunks": [chunk, chunk]});
    rules(
        "hosts-loaded",
        1,
        &sound,
        &[json!({"rows": 0, "chunks": []})],
        &[
            (json!({"rows": 5}), "rows"),
            (json!({"rows": 1_u64 << 53}), "rows"),
            (json!({"encoding": "csv"}), "encoding"),
            (
                json!({"chunks": [{"hash": hex("ab"), "bytes": 1_u64 << 53, "rows": 6}]}),
                "bytes",
            ),
            (json!({"what": "land"}), "read"),
        ],
    );
    rules(
        "plan-adopted",
        1,
        &json!({"target": "t", "places": [], "objective": 1, "settings": {}, "reason": ""}),
        &[],
        &[
            (json!({"target": ""}), "target"),
            (
                json!({"places": [{"label": "", "position": {"lat": 0, "lon": 0}}]}),
                "label",
            ),
            (
                json!({"places": [{"label": "P", "position": {"lat": 0, "lon": 0}}, {"label": "P", "position": {"lat": 0, "lon": 0}}]}),
                "place",
            ),
        ],
    );
    let stop = json!({"trap": "T-1", "place": "P-1", "position": {"lat": 0, "lon": 0}, "arrive": "08:20:00", "leave": "08:30:00", "drive_minutes": 20});
    let round = json!({"sheet": "R-1", "crew": "c1", "date": "2026-11-25", "starts": "08:00:00", "ends": "09:00:00",
                       "drive_minutes": 40, "work_minutes": 10, "break_minutes": 0, "stops": [stop]});
    let with = |changes: Value| changed(&round, &changes);
    let at = |changes: Value| with(json!({"stops": [stop, changed(&stop, &changes)]}));
    rules(
        "rounds-adopted",
        1,
        &json!({"from": "2026-11-25", "to": "2027-01-10", "rounds": [round], "settings": {}, "reason": "a week",
                "left_out": [{"trap": "T-2", "place": "P-2", "reason": "no room", "worth": 0.01}]}),
        &[json!({"rounds": [], "left_out": []})],
        &[
            (json!({"to": "2026-11-24"}), "to"),
            (json!({"reason": ""}), "reason"),
            (json!({"rounds": [with(json!({"sheet": ""}))]}), "sheet"),
            (json!({"rounds": [round, with(json!({"crew": "c2"}))]}), "sheet"),
            (json!({"rounds": [round, with(json!({"sheet": "R-2"}))]}), "crew"),
            (json!({"rounds": [with(json!({"date": "2027-01-11"}))]}), "date"),
            (json!({"rounds": [with(json!({"ends": "07:59:00"}))]}), "ends"),
            (json!({"rounds": [with(json!({"ends": "08:29:00"}))]}), "ends"),
            (
                json!({"rounds": [with(json!({"drive_minutes": -1}))]}),
                "drive_minutes",
            ),
            (json!({"rounds": [with(json!({"km": -1}))]}), "km"),
            (json!({"rounds": [at(json!({"arrive": "08:29:00"}))]}), "arrive"),
            (
                json!({"rounds": [at(json!({"arrive": "08:40:00", "leave": "08:39:00"}))]}),
                "arrive",
            ),
            (
                json!({"left_out": [{"trap": "T-2", "place": "P-2", "reason": " "}]}),
                "reason",
            ),
            (
                json!({"left_out": [{"trap": "T-2", "place": "P-2", "reason": "x", "worth": 2}]}),
                "worth",
            ),
            (json!({"more": 1}), "read"),
        ],
    );
    let toml = include_str!("../../../targets/emerald-ash-borer.toml");
    rules(
        "target-adopted",
        1,
        &json!({"id": "emerald-ash-borer", "toml": toml}),
        &[],
        &[
            (json!({"id": ""}), "target"),
            (json!({"id": "another"}), "target"),
            (json!({"toml": "x"}), "profile"),
        ],
    );
}

#[test]
fn a_plan_has_numbers() {
    let plan = |objective, bound| {
        Body::PlanAdopted(earlywood_journal::Plan {
            target: "t".into(),
            places: Vec::new(),
            objective,
            bound,
            settings: json!({}),
            reason: String::new(),
        })
        .check(TODAY)
    };
    assert_eq!(plan(1.0, Some(2.0)), Ok(()));
    assert!(matches!(
        plan(f64::NAN, None),
        Err(Refusal::Field {
            field: "objective",
            ..
        })
    ));
    assert!(matches!(
        plan(1.0, Some(f64::INFINITY)),
        Err(Refusal::Field { field: "bound", .. })
    ));
}

#[test]
fn corrections_and_conflicts() {
    let sound =
        json!({"corrects": ID, "reason": "wrong row", "change": {"to": "instead", "version": 1, "body": {}}});
    rules(
        "correction",
        2,
        &sound,
        &[],
        &[
            (json!({"corrects": NIL}), "corrects"),
            (json!({"reason": " "}), "reason"),
            (
                json!({"change": {"to": "instead", "version": 0, "body": {}}}),
                "version",
            ),
            (
                json!({"change": {"to": "instead", "version": 1, "body": "x"}}),
                "body",
            ),
            (json!({"change": {"to": "instead", "version": 1}}), "read"),
        ],
    );
    let visit = json!({"trap": "T-1", "date": "2026-06-01", "kind": "service", "found": "working", "looked": "fully", "suspects": 0});
    let to = |changes: Value| json!({"change": {"to": "visit", "visit": changed(&visit, &changes)}});
    let sound = json!({"corrects": ID, "reason": "wrong row", "change": {"to": "withdraw"}});
    rules(
        "correction",
        1,
        &sound,
        &[to(json!({}))],
        &[
            (to(json!({"trap": ""})), "trap"),
            (to(json!({"date": "2026-11-26"})), "date"),
            (to(json!({"looked": "no"})), "visit"),
            (json!({"reason": ""}), "reason"),
        ],
    );
    let sound = json!({"conflict": hex("ab"), "decision": {"is": "keep-all"}, "reason": "both were there"});
    let withdraw = |ids: &[&str]| json!({"decision": {"is": "withdraw", "entries": ids}});
    rules(
        "conflict-settled",
        1,
        &sound,
        &[withdraw(&[ID]), json!({"decision": {"is": "accept-loss"}})],
        &[
            (json!({"conflict": "ab"}), "conflict"),
            (json!({"conflict": hex("AB")}), "conflict"),
            (json!({"reason": ""}), "reason"),
            (withdraw(&[]), "entries"),
            (withdraw(&[ID, ID]), "entries"),
            (withdraw(&[NIL]), "entries"),
            (json!({"decision": {"is": "keep-all", "entries": []}}), "read"),
        ],
    );
}

#[test]
fn other_kinds_have_proper_names() {
    let other = |kind: &str, version| {
        Body::Other(earlywood_journal::Other {
            kind: kind.into(),
            version,
            body: json!({}),
        })
        .check(TODAY)
    };
    assert_eq!(other("trap-sung-to", 1), Ok(()));
    assert_eq!(other("visit-made", 3), Ok(()));
    for (kind, version) in [
        ("", 1),
        ("Trap", 1),
        ("a b", 1),
        ("trap-sung-to", 0),
        ("visit-made", 2),
    ] {
        assert!(other(kind, version).is_err(), "{kind}");
    }
    assert!(other(&"k".repeat(65), 1).is_err());
}

/// What a body touches, spelt out for some.
#[test]
fn subjects() {
    let keys = |kind: &str, version, value: Value| -> BTreeSet<String> {
        let body = Body::read(kind, version, &value.to_string()).unwrap();
        body.subjects().iter().map(|subject| subject.key()).collect()
    };
    let set = |keys: &[&str]| -> BTreeSet<String> { keys.iter().map(|&key| key.to_owned()).collect() };
    let visit = changed(
        &service(),
        &json!({"kind": "move", "moved_to": {"place": "P-2", "position": {"lat": 0, "lon": 0}}, "insert_taken": "I-1",
                "renewed": {"lure": {"lot": "L-1"}, "insert": {"lot": "L-1"}}, "crew": "crew-3"}),
    );
    assert_eq!(
        keys("visit-made", 2, visit),
        set(&["trap:T-1", "specimen:S-1", "specimen:I-1", "lot:L-1", "place:P-2"])
    );
    assert_eq!(
        keys(
            "specimens-offered",
            1,
            json!({"handover": "H", "specimens": ["S-1", "S-2"], "from": "p-1", "to": "p-2",
                                          "purpose": "x", "containers": 1})
        ),
        set(&["handover:H", "specimen:S-1", "specimen:S-2"])
    );
    assert_eq!(
        keys(
            "specimen-taken",
            1,
            json!({"specimen": "S-1", "what": "larva", "from": {"is": "tree", "tree": "A-1", "date": "2026-06-01"}})
        ),
        set(&["specimen:S-1", "tree:A-1"])
    );
    assert_eq!(
        keys(
            "correction",
            2,
            json!({"corrects": ID, "reason": "x", "change": {"to": "instead", "version": 1, "body": {}}})
        ),
        set(&[&format!("entry:{ID}")])
    );
    assert_eq!(
        keys("sealed", 1, json!({"content": hex("ab"), "bytes": 1})),
        set(&[])
    );
    assert_eq!(
        keys(
            "device-withdrawn",
            1,
            json!({"device": ID, "last_number": 3, "reason": "x"})
        ),
        set(&[&format!("device:{ID}")])
    );
}

/// Bodies of responses: each rule of each field.
#[test]
fn responses() {
    let ring = json!([[10.0, 50.0], [10.1, 50.0], [10.1, 50.1], [10.0, 50.0]]);
    let with_ring = |ring: Value| json!({"geometry": {"type": "MultiPolygon", "coordinates": [[ring]]}});
    rules(
        "area-drawn",
        1,
        &json!({"find": "S-1", "version": 1, "finds": ["S-1"], "geometry": {"type": "MultiPolygon", "coordinates": [[ring]]},
                "km2": 12.5, "text": "From the mill\nalong the road", "from": "2026-11-25", "authority": "order 7", "reason": "two finds",
                "settings": {}}),
        &[
            json!({"to": "2027-11-25"}),
            json!({"steps": ["a buffer of 800 m"]}),
        ],
        &[
            (json!({"find": ""}), "find"),
            (json!({"version": 0}), "version"),
            (json!({"finds": []}), "finds"),
            (json!({"finds": ["S-1", "S-1"]}), "finds"),
            (json!({"km2": 0}), "km2"),
            (json!({"text": " \n "}), "text"),
            (json!({"to": "2026-11-24"}), "to"),
            (json!({"authority": ""}), "authority"),
            (json!({"reason": ""}), "reason"),
            (
                json!({"geometry": {"type": "Polygon", "coordinates": [[ring]]}}),
                "read",
            ),
            (
                json!({"geometry": {"type": "MultiPolygon", "coordinates": []}}),
                "geometry",
            ),
            (
                json!({"geometry": {"type": "MultiPolygon", "coordinates": [[]]}}),
                "geometry",
            ),
            (
                with_ring(json!([[10.0, 50.0], [10.1, 50.0], [10.0, 50.0]])),
                "geometry",
            ),
            (
                with_ring(json!([[10.0, 50.0], [10.1, 50.0], [10.1, 50.1], [10.0, 50.1]])),
                "geometry",
            ),
            (
                with_ring(json!([[10.0, 50.0], [10.1, 50.0], [10.2, 50.0], [10.0, 50.0]])),
                "geometry",
            ),
            (
                with_ring(json!([[10.0, 50.0], [10.1, 90.5], [10.1, 50.1], [10.0, 50.0]])),
                "latitude",
            ),
        ],
    );
    rules(
        "pest-report-issued",
        1,
        &json!({"find": "S-1", "version": 1, "date": "2026-11-25", "preliminary": true, "to": "state partner",
                "items": [{"item": "hosts", "text": "ash"}]}),
        &[json!({"version": 2, "changes": "the map was added", "missing": ["map"]})],
        &[
            (json!({"version": 2}), "changes"),
            (json!({"changes": "none"}), "changes"),
            (json!({"date": "2026-11-27"}), "date"),
            (json!({"items": []}), "items"),
            (
                json!({"items": [{"item": "hosts", "text": "ash"}, {"item": "hosts", "text": "ash"}]}),
                "items",
            ),
            (json!({"to": ""}), "to"),
        ],
    );
    let spot = json!({"label": "P-1", "position": {"lat": 50.0, "lon": 10.0}, "ring": 1});
    rules(
        "delimiting-adopted",
        1,
        &json!({"find": "S-1", "method": "rings", "from": "2026-11-25", "traps": [spot], "settings": {}, "reason": "protocol"}),
        &[json!({"method": "optimised", "traps": [], "looks": [spot]})],
        &[
            (json!({"method": "guessed"}), "method"),
            (json!({"traps": []}), "traps"),
            (json!({"traps": [spot, spot]}), "traps"),
            (json!({"to": "2026-11-24"}), "to"),
            (json!({"reason": ""}), "reason"),
        ],
    );
    rules(
        "response-closed",
        1,
        &json!({"find": "S-1", "date": "2026-11-25", "end": "released", "authority": "order 9", "reason": "clean"}),
        &[],
        &[
            (json!({"end": "over"}), "read"),
            (json!({"date": "2026-11-27"}), "date"),
            (json!({"authority": ""}), "authority"),
        ],
    );
    rules(
        "response-step-done",
        1,
        &json!({"find": "S-1", "step": "lead"}),
        &[json!({"note": "by telephone"})],
        &[
            (json!({"step": ""}), "step"),
            (json!({"note": "write to a.b@example.org"}), "note"),
        ],
    );
    rules(
        "area-lifted",
        1,
        &json!({"find": "S-1", "version": 1, "from": "2027-11-25", "authority": "order 9", "reason": "clean"}),
        &[],
        &[
            (json!({"version": 0}), "version"),
            (json!({"reason": ""}), "reason"),
        ],
    );
    rules(
        "response-opened",
        1,
        &json!({"find": "S-1", "target": "emerald-ash-borer", "protocol": ID, "reason": "one beetle"}),
        &[json!({"set_off": ["delimiting survey"]})],
        &[
            (json!({"find": ""}), "find"),
            (json!({"reason": ""}), "reason"),
            (json!({"target": ""}), "target"),
        ],
    );
    rules(
        "protocol-adopted",
        1,
        &json!({"target": "emerald-ash-borer", "toml": "layout = 1"}),
        &[],
        &[(json!({"target": ""}), "target")],
    );
}
