//! From the trap to the name: who has a specimen, who may say what it is, and who may record what.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::path::Path;

use crate::common::*;
use earlywood_journal::body::{self, arbitrary};
use earlywood_journal::*;
use earlywood_model::record::VisitKind;
use jiff::ToSpan as _;
use jiff::civil::Date;
use proptest::strategy::{Strategy as _, ValueTree as _};
use rusqlite::Connection;

const TARGET: &str = "emerald-ash-borer";

fn act_of(person: &str, minutes: i64) -> Act {
    let now: jiff::ZonedDateTime = NOW.parse().unwrap();
    Act::new(person, now.checked_add(minutes.minutes()).unwrap()).unwrap()
}

fn now() -> jiff::Timestamp {
    NOW.parse::<jiff::ZonedDateTime>().unwrap().timestamp()
}

fn enrol(p: &mut Programme, person: &str, role: Role) {
    let enrolled = PersonEnrolled {
        person: person.into(),
        roles: vec![role],
        from: day(1, 1),
        to: None,
    };
    p.enrol_person(&act(), enrolled).unwrap();
}

fn authority(person: &str, up_to: Status, from: Date, to: Option<Date>) -> Body {
    Body::AuthorityGranted(AuthorityGranted {
        person: person.into(),
        taxa: vec![TARGET.into()],
        up_to,
        life_stages: vec![],
        from,
        to,
        granted_by: "letter 7".into(),
        note: None,
    })
}

/// An inspector, a supervisor, two identifiers, a trap, and a stop at it with one insect.
fn scene() -> (tempfile::TempDir, std::path::PathBuf, Programme) {
    let (dir, path, mut p) = new_programme();
    enrol(&mut p, "insp-1", Role::Inspector);
    enrol(&mut p, "sup", Role::Supervisor);
    enrol(&mut p, "ident-1", Role::Identifier);
    enrol(&mut p, "ident-2", Role::Identifier);
    p.append(&act(), authority("ident-1", Status::Confirmed, day(1, 1), None))
        .unwrap();
    p.append(&act(), authority("ident-2", Status::Determined, day(1, 1), None))
        .unwrap();
    p.record_placements(&act(), &[placement("A", day(4, 1), None)])
        .unwrap();
    let mut stop = VisitMade::from_visit(&earlywood_model::record::Visit {
        suspects: Some(1),
        kind: VisitKind::Service,
        ..visit("A", day(6, 1))
    });
    stop.catch = Some(body::Catch {
        suspects: 1,
        specimens: vec!["S-1".into()],
        by_catch: None,
    });
    p.record_stops(&act_of("insp-1", 0), &[stop]).unwrap();
    (dir, path, p)
}

fn offer(handover: &str, specimens: &[&str], from: &str, to: &str) -> Body {
    Body::SpecimensOffered(SpecimensOffered {
        handover: handover.into(),
        specimens: specimens.iter().map(|s| (*s).into()).collect(),
        from: from.into(),
        to: to.into(),
        place: None,
        seal: Some("seal 12".into()),
        seal_intact: Some(true),
        condition: None,
        purpose: "to be named".into(),
        containers: 1,
    })
}

fn accepted(handover: &str, by: &str) -> Body {
    Body::SpecimensAccepted(SpecimensAccepted {
        handover: handover.into(),
        by: by.into(),
        containers: 1,
        seal_intact: Some(true),
        condition: None,
    })
}

fn declined(handover: &str, by: &str) -> Body {
    Body::SpecimensDeclined(SpecimensDeclined {
        handover: handover.into(),
        by: by.into(),
        why: "the seal is broken".into(),
    })
}

fn said(specimen: &str, by: &str, status: Status, mark_checked: bool) -> Body {
    let mut said = Determination::of_specimen(specimen, TARGET, status, by, body::Method::Morphology);
    said.mark_checked = mark_checked;
    Body::Determination(said)
}

fn screening(specimen: &str, pass: u8, by: &str, children: &[&str]) -> Body {
    Body::ScreeningMade(ScreeningMade {
        specimen: specimen.into(),
        pass,
        by: by.into(),
        minutes: Some(20),
        suspects: children.len() as u32,
        children: children.iter().map(|c| (*c).into()).collect(),
        look_alikes: 0,
        note: None,
    })
}

fn lifted(specimen: &str, parent: &str) -> Body {
    Body::SpecimenTaken(SpecimenTaken {
        specimen: specimen.into(),
        what: body::Material::Insect,
        from: body::Origin::Specimen {
            parent: parent.into(),
        },
        count: None,
        container: None,
        kept_in: None,
        suspected: None,
        note: None,
        photos: vec![],
    })
}

fn planting(label: &str) -> Planting {
    Planting {
        salt: "00112233445566778899aabbccddeeff".into(),
        planting: label.into(),
        trap: "A".into(),
        date: day(5, 20),
        species: "Agrilus planipennis".into(),
        mark: "red dot under the wing".into(),
        specimens: vec!["M-1".into()],
        by: "sup".into(),
    }
}

fn closed(label: &str, specimen: &str, by: &str) -> PlantingClosed {
    PlantingClosed {
        planting: label.into(),
        outcome: body::PlantingOutcome::Recovered {
            specimen: specimen.into(),
        },
        by: by.into(),
        date: day(6, 20),
    }
}

fn refused(p: &mut Programme, act: &Act, body: Body) -> String {
    let before = whole_log(p).len();
    let error = p.append(act, body).unwrap_err();
    assert!(matches!(error, Error::Refused { .. }), "{error:?}");
    assert_eq!(whole_log(p).len(), before, "refused, and yet an entry");
    error.to_string()
}

/// One column of a projected table.
fn shown(path: &Path, sql: &str) -> Option<String> {
    let db = Connection::open(path).unwrap();
    rusqlite::OptionalExtension::optional(db.query_row(sql, [], |row| row.get::<_, Option<String>>(0)))
        .unwrap()
        .flatten()
}

fn holder(path: &Path, specimen: &str) -> Option<String> {
    shown(
        path,
        &format!("SELECT holder FROM specimens WHERE specimen = '{specimen}'"),
    )
}

fn find(path: &Path, specimen: &str) -> Option<String> {
    shown(
        path,
        &format!("SELECT state FROM finds WHERE source = 'specimen:{specimen}' AND target = '{TARGET}'"),
    )
}

#[test]
fn custody_changes_by_two_signatures_alone_from_the_trap_to_the_name() {
    let (_dir, path, mut p) = scene();
    assert_eq!(holder(&path, "S-1").as_deref(), Some("insp-1"));
    // Nobody hands on what somebody else has; nobody hands to the unknown.
    refused(
        &mut p,
        &act_of("ident-1", 1),
        offer("H-0", &["S-1"], "ident-1", "sup"),
    );
    refused(
        &mut p,
        &act_of("insp-1", 1),
        offer("H-0", &["S-1"], "insp-1", "nobody"),
    );
    refused(
        &mut p,
        &act_of("ident-1", 1),
        offer("H-0", &["S-1"], "insp-1", "sup"),
    );
    p.append(&act_of("insp-1", 1), offer("H-1", &["S-1"], "insp-1", "sup"))
        .unwrap();
    assert_eq!(
        holder(&path, "S-1").as_deref(),
        Some("insp-1"),
        "an offer changes nothing yet"
    );
    assert_eq!(
        shown(&path, "SELECT offered_to FROM specimens").as_deref(),
        Some("sup")
    );
    refused(
        &mut p,
        &act_of("insp-1", 2),
        offer("H-2", &["S-1"], "insp-1", "ident-1"),
    );
    refused(&mut p, &act_of("ident-1", 2), accepted("H-1", "ident-1"));
    refused(&mut p, &act_of("insp-1", 2), accepted("H-1", "sup"));
    // Declined: it stays where it was, and the hand-over is over.
    p.append(&act_of("sup", 2), declined("H-1", "sup")).unwrap();
    assert_eq!(holder(&path, "S-1").as_deref(), Some("insp-1"));
    refused(&mut p, &act_of("sup", 3), accepted("H-1", "sup"));
    refused(
        &mut p,
        &act_of("insp-1", 3),
        offer("H-1", &["S-1"], "insp-1", "sup"),
    );
    for (n, (from, to)) in [("insp-1", "sup"), ("sup", "ident-1")].into_iter().enumerate() {
        let label = format!("H-{}", n + 3);
        let at = 10 * n as i64 + 4;
        p.append(&act_of(from, at), offer(&label, &["S-1"], from, to))
            .unwrap();
        p.append(&act_of(to, at + 1), accepted(&label, to)).unwrap();
        assert_eq!(holder(&path, "S-1").as_deref(), Some(to));
    }
    // Two passes by two people, in their order.
    assert!(
        refused(
            &mut p,
            &act_of("ident-1", 30),
            screening("S-1", 2, "ident-1", &[])
        )
        .contains("pass")
    );
    p.append(&act_of("ident-1", 31), screening("S-1", 1, "ident-1", &["S-1a"]))
        .unwrap();
    refused(
        &mut p,
        &act_of("ident-1", 32),
        screening("S-1", 1, "ident-1", &[]),
    );
    refused(
        &mut p,
        &act_of("ident-1", 32),
        screening("S-1", 2, "ident-1", &[]),
    );
    p.append(&act_of("ident-2", 33), screening("S-1", 2, "ident-2", &[]))
        .unwrap();
    // What was lifted from it has a history of its own, and comes from the same trap.
    p.append(&act_of("ident-1", 34), lifted("S-1a", "S-1")).unwrap();
    refused(&mut p, &act_of("ident-1", 35), lifted("S-1a", "S-1"));
    refused(&mut p, &act_of("ident-1", 35), lifted("S-9", "S-8"));
    assert_eq!(
        shown(&path, "SELECT trap FROM specimens WHERE specimen = 'S-1a'").as_deref(),
        Some("A")
    );
    // The name.
    p.append(
        &act_of("ident-2", 40),
        said("S-1a", "ident-2", Status::Determined, true),
    )
    .unwrap();
    assert_eq!(find(&path, "S-1a").as_deref(), Some("determined"));
    refused(
        &mut p,
        &act_of("ident-2", 41),
        said("S-1a", "ident-2", Status::Confirmed, true),
    );
    refused(
        &mut p,
        &act_of("sup", 41),
        said("S-1a", "ident-1", Status::Confirmed, true),
    );
    p.append(
        &act_of("ident-1", 42),
        said("S-1a", "ident-1", Status::Confirmed, true),
    )
    .unwrap();
    assert_eq!(find(&path, "S-1a").as_deref(), Some("confirmed"));
    // The end, after which nothing more is done with it.
    let ended = SpecimenEnded {
        specimen: "S-1a".into(),
        how: body::Ending::Retained,
        where_: Some("collection".into()),
        by: "ident-1".into(),
        note: None,
    };
    p.append(&act_of("ident-1", 50), Body::SpecimenEnded(ended.clone()))
        .unwrap();
    refused(&mut p, &act_of("ident-1", 51), Body::SpecimenEnded(ended));
    refused(
        &mut p,
        &act_of("ident-1", 51),
        offer("H-9", &["S-1a"], "ident-1", "sup"),
    );
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    assert!(p.conflict_rows().unwrap().is_empty());
}

#[test]
fn a_planted_specimen_is_never_a_find_whatever_the_order_in_which_things_are_recorded() {
    // The supervisor closes the planting on one machine, the identifier confirms on another; either clock may be ahead, and
    // either may hear of the other first.
    for (close_at, confirm_at, sealed_known) in [(0, 60, true), (60, 0, true), (0, 60, false), (60, 0, false)]
    {
        let (dir, path, mut p) = scene();
        if sealed_known {
            p.plant(&act_of("sup", -90), &planting("PL-1")).unwrap();
        }
        let copy = dir.path().join("copy.earlywood");
        p.backup(&copy).unwrap();
        let mut laboratory = Programme::open(&copy).unwrap();
        let request = laboratory.join(now()).unwrap();
        p.enrol_device(&act(), request, None).unwrap();
        laboratory.take_all(now(), &p).unwrap();
        if !sealed_known {
            p.plant(&act_of("sup", -1), &planting("PL-1")).unwrap();
        }
        laboratory
            .append(
                &act_of("ident-1", confirm_at),
                said("S-1", "ident-1", Status::Confirmed, true),
            )
            .unwrap();
        assert_eq!(find(&copy, "S-1").as_deref(), Some("confirmed"));
        p.close_planting(&act_of("sup", close_at), closed("PL-1", "S-1", "sup"))
            .unwrap();
        p.merge_file(now(), &copy).unwrap();
        for file in [&path, &copy] {
            assert_eq!(
                find(file, "S-1").as_deref(),
                Some("planted"),
                "closed at {close_at}, confirmed at {confirm_at}"
            );
        }
        // Nothing said later makes it one.
        refused(
            &mut p,
            &act_of("ident-1", 200),
            said("S-1", "ident-1", Status::Confirmed, true),
        );
        p.append(
            &act_of("ident-1", 201),
            said("S-1", "ident-1", Status::Determined, true),
        )
        .unwrap();
        assert_eq!(find(&path, "S-1").as_deref(), Some("planted"));
        assert!(p.verify().unwrap().is_sound());
        p.rebuild().unwrap();
        assert_eq!(find(&path, "S-1").as_deref(), Some("planted"));
    }
}

#[test]
fn confirming_needs_the_mark_looked_for_while_a_planting_is_out() {
    let (_dir, path, mut p) = scene();
    p.plant(&act_of("sup", -90), &planting("PL-1")).unwrap();
    let why = refused(
        &mut p,
        &act_of("ident-1", 1),
        said("S-1", "ident-1", Status::Confirmed, false),
    );
    assert!(why.contains("mark"), "{why}");
    // Lower opinions don't need it.
    p.append(
        &act_of("ident-1", 2),
        said("S-1", "ident-1", Status::Determined, false),
    )
    .unwrap();
    p.append(
        &act_of("ident-1", 3),
        said("S-1", "ident-1", Status::Confirmed, true),
    )
    .unwrap();
    assert_eq!(find(&path, "S-1").as_deref(), Some("confirmed"));
    // The closed planting is out no more.
    let (_dir, _path, mut p) = scene();
    p.plant(&act_of("sup", -90), &planting("PL-1")).unwrap();
    let missed = PlantingClosed {
        outcome: body::PlantingOutcome::Missed {},
        ..closed("PL-1", "S-1", "sup")
    };
    p.close_planting(&act_of("sup", 1), missed.clone()).unwrap();
    refused(&mut p, &act_of("sup", 2), Body::PlantingClosed(missed));
    p.append(
        &act_of("ident-1", 3),
        said("S-1", "ident-1", Status::Confirmed, false),
    )
    .unwrap();
    // What is planted is not for everybody's eyes.
    assert_eq!(p.plantings(&act_of("sup", 4)).unwrap().len(), 1);
    assert!(matches!(
        p.plantings(&act_of("insp-1", 4)),
        Err(Error::Refused { .. })
    ));
}

#[test]
fn an_authority_counts_from_its_first_day_to_its_last() {
    let (_dir, path, mut p) = scene();
    enrol(&mut p, "ident-3", Role::Identifier);
    // From tomorrow on; then until yesterday; then today.
    let today = act().today();
    for (from, to, may) in [
        (today.tomorrow().unwrap(), None, false),
        (day(1, 1), Some(today.yesterday().unwrap()), false),
        (day(1, 1), Some(today), true),
    ] {
        p.append(&act(), authority("ident-3", Status::Confirmed, from, to))
            .unwrap();
        let done = p.append(
            &act_of("ident-3", 5),
            said("S-1", "ident-3", Status::Confirmed, true),
        );
        assert_eq!(done.is_ok(), may, "{from} to {to:?}: {done:?}");
    }
    assert_eq!(find(&path, "S-1").as_deref(), Some("confirmed"));
    // The day after, the same person's word on another specimen counts for less.
    p.append(
        &act_of("insp-1", 6),
        Body::SpecimenTaken(SpecimenTaken {
            specimen: "S-2".into(),
            what: body::Material::Insect,
            from: body::Origin::Trap {
                trap: "A".into(),
                date: day(6, 1),
            },
            count: None,
            container: None,
            kept_in: None,
            suspected: None,
            note: None,
            photos: vec![],
        }),
    )
    .unwrap();
    refused(
        &mut p,
        &act_of("ident-3", 24 * 60),
        said("S-2", "ident-3", Status::Confirmed, true),
    );
    // For another target it counts for nothing.
    let mut other = Determination::of_specimen(
        "S-2",
        "other-beetle",
        Status::Tentative,
        "ident-3",
        body::Method::Dna,
    );
    other.mark_checked = true;
    refused(&mut p, &act_of("ident-3", 7), Body::Determination(other));
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn an_erased_person_is_gone_from_the_file_and_the_journal_stays_whole() {
    let (dir, path, mut p) = scene();
    let name = "Zebulon Quackenfeather";
    let personal = Personal {
        name: Some(name.into()),
        phone: Some("555 0199".into()),
        ..Personal::default()
    };
    p.set_personal(&act(), "insp-1", &personal).unwrap();
    assert_eq!(
        p.personal(&act_of("insp-1", 0), "insp-1").unwrap(),
        Some(personal.clone())
    );
    assert!(matches!(
        p.personal(&act_of("ident-1", 0), "insp-1"),
        Err(Error::Refused { .. })
    ));
    assert!(matches!(
        p.set_personal(&act(), "nobody", &personal),
        Err(Error::Refused { .. })
    ));
    assert!(matches!(
        p.erase_person(&act_of("ident-1", 0), "insp-1"),
        Err(Error::Refused { .. })
    ));
    assert!(
        p.personal(&act(), "insp-1").unwrap().is_some(),
        "who may not erase does not"
    );
    let heads = p.offer().unwrap().heads;
    p.erase_person(&act(), "insp-1").unwrap();
    assert_eq!(p.personal(&act(), "insp-1").unwrap(), None);
    assert_eq!(p.offer().unwrap().heads[0].number, heads[0].number + 1);
    let seen = p.verify().unwrap();
    assert!(seen.is_sound(), "{:?}", seen.first_bad);
    for file in std::fs::read_dir(dir.path()).unwrap() {
        let bytes = std::fs::read(file.unwrap().path()).unwrap();
        assert!(
            !bytes.windows(name.len()).any(|w| w == name.as_bytes()),
            "the name is still in a file"
        );
    }
    // The id goes on standing where it stood.
    assert_eq!(holder(&path, "S-1").as_deref(), Some("insp-1"));
}

/// Who may record what, from the contract's words: l lead, s supervisor, i inspector, d identifier, c clerk; a partner
/// records nothing.
const RIGHTS: [(&str, &str); 42] = [
    ("target-adopted", "l"),
    ("plan-adopted", "l"),
    ("protocol-adopted", "l"),
    ("response-opened", "l"),
    ("area-drawn", "l"),
    ("area-lifted", "l"),
    ("pest-report-issued", "l"),
    ("response-closed", "l"),
    ("response-step-done", "ls"),
    ("delimiting-adopted", "ls"),
    ("device-enrolled", "l"),
    ("device-withdrawn", "l"),
    ("person-enrolled", "l"),
    ("authority-granted", "l"),
    ("person-erased", "lc"),
    ("crew-formed", "ls"),
    ("rounds-adopted", "ls"),
    ("hold-declared", "ls"),
    ("hold-lifted", "ls"),
    ("sealed", "ls"),
    ("conflict-settled", "ls"),
    ("trap-written-off", "ls"),
    ("planting-closed", "lsd"),
    ("trap-placed", "lsic"),
    ("trap-taken-down", "lsic"),
    ("visit-made", "lsic"),
    ("trap-registered", "lsic"),
    ("trap-came-back", "lsic"),
    ("tree-inspected", "lsic"),
    ("detection-tree-peeled", "lsic"),
    ("tip-closed", "lsic"),
    ("tip-received", "lsic"),
    ("supply", "lsic"),
    ("specimen-taken", "lsid"),
    ("specimens-offered", "lsid"),
    ("specimens-accepted", "lsid"),
    ("specimens-declined", "lsid"),
    ("screening-made", "lsd"),
    ("specimen-ended", "lsd"),
    ("determination", "ld"),
    ("correction", "lsc"),
    ("moon-phase", "l"),
];

#[test]
fn each_role_may_record_what_its_work_needs_and_nothing_else() {
    let (_dir, _path, mut p) = new_programme();
    let roles = [
        ('l', Role::Lead),
        ('s', Role::Supervisor),
        ('i', Role::Inspector),
        ('d', Role::Identifier),
        ('c', Role::Clerk),
        ('p', Role::Partner),
    ];
    for (letter, role) in roles {
        enrol(&mut p, &format!("role-{letter}"), role);
    }
    // Rolls everything back: nobody can take down what never hung, and the refusal names the second draft.
    let never = Draft::from(Body::TrapTakenDown(TakeDown {
        trap: "never".into(),
        date: day(5, 1),
        reason: None,
    }));
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let (mut asked, mut kinds) = (0, std::collections::BTreeSet::new());
    let mut each: Vec<(&str, proptest::strategy::BoxedStrategy<Body>)> = arbitrary::each()
        .into_iter()
        .map(|(kind, _, strategy)| (kind, strategy))
        .collect();
    let moon = || {
        Body::Other(Other {
            kind: "moon-phase".into(),
            version: 1,
            body: serde_json::json!({}),
        })
    };
    each.push(("moon-phase", proptest::prelude::Just(moon()).boxed()));
    for (kind, strategy) in each {
        let Some((_, who)) = RIGHTS.iter().find(|(named, _)| *named == kind) else {
            let by_itself = kind.ends_with("-loaded") || kind == "programme-set-up" || kind == "clock-seen";
            assert!(by_itself, "nobody said who may record a {kind}");
            continue;
        };
        kinds.insert(kind.to_owned());
        for _ in 0..12 {
            let body = strategy.new_tree(&mut runner).unwrap().current();
            if body.check(act().today()).is_err() {
                continue;
            }
            let suspect = matches!(&body, Body::Determination(b) if b.status == Status::Suspect);
            for (letter, _) in roles {
                let drafts = [Draft::from(body.clone()), never.clone()];
                let error = p
                    .append_all(&act_of(&format!("role-{letter}"), 0), &drafts)
                    .unwrap_err();
                let barred =
                    error.index() == Some(0) && matches!(error.refusal(), Some(Refusal::NotEntitled { .. }));
                let may = if suspect {
                    "lsid".contains(letter)
                } else {
                    who.contains(letter)
                };
                assert_eq!(barred, !may, "role {letter}, {kind}: {error}");
                asked += 1;
            }
        }
    }
    assert_eq!(kinds.len(), RIGHTS.len(), "every kind was asked: {kinds:?}");
    assert!(asked > 1000, "{asked}");
    // Sets of records: lead, supervisor, clerk.
    for (letter, _) in roles {
        let loaded = p.load_places(
            &act_of(&format!("role-{letter}"), 0),
            "x",
            LoadMode::Replace,
            &[place("P-1")],
        );
        assert_eq!(loaded.is_ok(), "lsc".contains(letter), "{letter}: {loaded:?}");
    }
    // One's own entry may be corrected by whoever made it, another's not.
    p.record_placements(&act(), &[placement("A", day(4, 1), None)])
        .unwrap();
    let own = p
        .record_visits(&act_of("role-i", 0), &[visit("A", day(5, 1))])
        .unwrap()[0]
        .id;
    let others = p.record_visits(&act(), &[visit("A", day(5, 2))]).unwrap()[0].id;
    let withdraw = |corrects| Correction {
        corrects,
        reason: "wrong trap".into(),
        change: Change::Withdraw,
    };
    assert!(p.correct(&act_of("role-i", 0), withdraw(others)).is_err());
    assert!(p.correct(&act_of("role-d", 0), withdraw(own)).is_err());
    assert!(p.correct(&act_of("role-p", 0), withdraw(own)).is_err());
    p.correct(&act_of("role-i", 0), withdraw(own)).unwrap();
    // Who has no role any more records nothing, from that day on.
    let ended = PersonEnrolled {
        person: "role-i".into(),
        roles: vec![Role::Inspector],
        from: day(1, 1),
        to: Some(day(11, 19)),
    };
    p.enrol_person(&act(), ended).unwrap();
    assert!(
        p.record_visits(&act_of("role-i", 0), &[visit("A", day(5, 3))])
            .is_err()
    );
}
