//! Responses: they rest on confirmed finds, their versions follow each other, and what can't be is refused here and listed
//! there.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::path::PathBuf;

use crate::common::*;
use earlywood_journal::body::Method;
use earlywood_journal::*;
use earlywood_model::protocol;
use jiff::ToSpan as _;
use rusqlite::Connection;

const TARGET: &str = "emerald-ash-borer";

fn act_of(person: &str, minutes: i64) -> Act {
    let now: jiff::ZonedDateTime = NOW.parse().unwrap();
    Act::new(person, now.checked_add(minutes.minutes()).unwrap()).unwrap()
}

fn now() -> jiff::Timestamp {
    NOW.parse::<jiff::ZonedDateTime>().unwrap().timestamp()
}

fn said(specimen: &str, status: Status) -> Body {
    let mut said = Determination::of_specimen(specimen, TARGET, status, "ident", Method::Morphology);
    said.mark_checked = true;
    Body::Determination(said)
}

fn taken(specimen: &str) -> Body {
    let text = serde_json::json!({
        "specimen": specimen, "what": "insect", "count": 1,
        "from": {"is": "trap", "trap": "A", "date": "2026-06-01"}
    });
    Body::read("specimen-taken", 1, &text.to_string()).unwrap()
}

/// A trap, an identifier, an adopted target, and two specimens of which the first is confirmed.
fn scene() -> (tempfile::TempDir, PathBuf, Programme) {
    let (dir, path, mut p) = new_programme();
    for (person, role) in [("ident", Role::Identifier), ("sup", Role::Supervisor)] {
        let enrolled = PersonEnrolled {
            person: person.into(),
            roles: vec![role],
            from: day(1, 1),
            to: None,
        };
        p.enrol_person(&act(), enrolled).unwrap();
    }
    let authority = AuthorityGranted {
        person: "ident".into(),
        taxa: vec![TARGET.into()],
        up_to: Status::Confirmed,
        life_stages: vec![],
        from: day(1, 1),
        to: None,
        granted_by: "letter 7".into(),
        note: None,
    };
    p.append(&act(), Body::AuthorityGranted(authority)).unwrap();
    p.record_placements(&act(), &[placement("A", day(4, 1), None)])
        .unwrap();
    for specimen in ["S-1", "S-2"] {
        p.append(&act(), taken(specimen)).unwrap();
    }
    p.append(&act(), said("S-1", Status::Suspect)).unwrap();
    (dir, path, p)
}

fn adopted() -> Body {
    let toml = protocol::shipped_toml(TARGET).unwrap().to_owned();
    Body::ProtocolAdopted(ProtocolAdopted {
        target: TARGET.into(),
        toml,
    })
}

fn opened(protocol: uuid::Uuid) -> Body {
    Body::ResponseOpened(ResponseOpened {
        find: "S-1".into(),
        target: TARGET.into(),
        protocol,
        set_off: vec!["delimiting survey".into()],
        reason: "one beetle".into(),
    })
}

fn area(version: u32, finds: &[&str]) -> Body {
    let ring = vec![[10.0, 50.0], [10.1, 50.0], [10.1, 50.1], [10.0, 50.0]];
    Body::AreaDrawn(AreaDrawn {
        find: "S-1".into(),
        version,
        finds: finds.iter().map(|&find| find.into()).collect(),
        geometry: MultiPolygon::new(vec![vec![ring]]),
        km2: 39.8,
        text: "From the mill along the road".into(),
        steps: vec![],
        from: day(11, 20),
        to: None,
        authority: "order 7".into(),
        reason: "the first find".into(),
        settings: serde_json::json!({}),
    })
}

fn report(version: u32) -> Body {
    Body::PestReportIssued(PestReportIssued {
        find: "S-1".into(),
        version,
        date: day(11, 20),
        preliminary: version == 1,
        items: vec![ReportItem {
            item: "hosts".into(),
            text: "ash".into(),
        }],
        missing: vec!["map".into()],
        proposed_status: Some("Present: transient".into()),
        statement: None,
        to: "state partner".into(),
        changes: (version > 1).then(|| "the map".into()),
    })
}

fn step(id: &str) -> Body {
    Body::ResponseStepDone(ResponseStepDone {
        find: "S-1".into(),
        step: id.into(),
        note: None,
    })
}

fn lifted(version: u32) -> Body {
    Body::AreaLifted(AreaLifted {
        find: "S-1".into(),
        version,
        from: day(11, 20),
        authority: "order 9".into(),
        reason: "replaced".into(),
    })
}

fn closed(end: ResponseEnd) -> Body {
    Body::ResponseClosed(ResponseClosed {
        find: "S-1".into(),
        date: day(11, 20),
        end,
        authority: "order 9".into(),
        reason: "over".into(),
    })
}

fn refused(p: &mut Programme, act: &Act, body: Body) -> String {
    let before = whole_log(p).len();
    let error = p.append(act, body).unwrap_err().to_string();
    assert_eq!(whole_log(p).len(), before);
    error
}

/// As [`scene`], confirmed, and with the response open.
fn response() -> (tempfile::TempDir, PathBuf, Programme) {
    let (dir, path, mut p) = scene();
    p.append(
        &act(),
        Body::TargetAdopted(TargetAdopted {
            id: TARGET.into(),
            toml: profile_toml(),
        }),
    )
    .unwrap();
    let protocol = p.append(&act(), adopted()).unwrap().id;
    p.append(&act_of("ident", 1), said("S-1", Status::Confirmed))
        .unwrap();
    p.append(&act_of("lead", 2), opened(protocol)).unwrap();
    (dir, path, p)
}

#[test]
fn a_response_opens_on_a_confirmed_find_under_an_adopted_protocol_alone() {
    let (_dir, _path, mut p) = scene();
    assert!(refused(&mut p, &act(), adopted()).contains("was not adopted"));
    p.append(
        &act(),
        Body::TargetAdopted(TargetAdopted {
            id: TARGET.into(),
            toml: profile_toml(),
        }),
    )
    .unwrap();
    assert!(p.protocol(TARGET).unwrap().is_none());
    let wrong = Body::ProtocolAdopted(ProtocolAdopted {
        target: TARGET.into(),
        toml: "layout = 1".into(),
    });
    assert!(refused(&mut p, &act(), wrong).contains("missing field"));
    let protocol = p.append(&act(), adopted()).unwrap().id;
    assert_eq!(p.protocol(TARGET).unwrap().unwrap().entry, protocol);
    assert_eq!(p.protocol_of(protocol).unwrap().unwrap().protocol.target, TARGET);
    // A suspect opens nothing; nor does what nobody adopted.
    assert!(refused(&mut p, &act(), opened(protocol)).contains("not confirmed"));
    p.append(&act_of("ident", 1), said("S-1", Status::Confirmed))
        .unwrap();
    assert!(refused(&mut p, &act_of("lead", 2), opened(uuid::Uuid::nil())).contains("no adopted protocol"));
    for body in [
        step("lead"),
        area(1, &["S-1"]),
        report(1),
        lifted(1),
        closed(ResponseEnd::Released),
    ] {
        assert!(refused(&mut p, &act_of("lead", 2), body).contains("never opened"));
    }
    assert!(refused(&mut p, &act_of("sup", 2), opened(protocol)).contains("that is for lead"));
    p.append(&act_of("lead", 2), opened(protocol)).unwrap();
    assert!(refused(&mut p, &act_of("lead", 3), opened(protocol)).contains("opened already"));
    assert_eq!(p.responses().unwrap().len(), 1);
    assert!(p.verify().unwrap().is_sound());
}

#[test]
fn versions_follow_each_other_and_nothing_is_overwritten() {
    let (_dir, _path, mut p) = response();
    let lead = |minutes| act_of("lead", minutes);
    assert!(refused(&mut p, &lead(3), area(2, &["S-1"])).contains("next version of \"S-1\" is 1"));
    assert!(refused(&mut p, &lead(3), area(1, &["S-1", "S-2"])).contains("not a confirmed find"));
    let first = p.append(&lead(3), area(1, &["S-1"])).unwrap().id;
    let withdraw = Correction {
        corrects: first,
        reason: "x".into(),
        change: Change::Withdraw,
    };
    assert!(
        p.correct(&lead(4), withdraw)
            .unwrap_err()
            .to_string()
            .contains("draw the next version")
    );
    assert!(refused(&mut p, &lead(4), area(1, &["S-1"])).contains("is 2"));
    p.append(&act_of("ident", 4), said("S-2", Status::Confirmed))
        .unwrap();
    p.append(&lead(5), area(2, &["S-1", "S-2"])).unwrap();
    assert!(refused(&mut p, &lead(6), lifted(3)).contains("no regulated area of version 3"));
    let shown = p.response("S-1").unwrap().unwrap();
    assert_eq!(shown.areas.len(), 2);
    assert_eq!(shown.area_on(day(11, 20)).unwrap().value.version, 2);
    p.append(&lead(6), lifted(2)).unwrap();
    assert!(refused(&mut p, &lead(7), lifted(2)).contains("lifted already"));
    assert!(p.response("S-1").unwrap().unwrap().area_on(day(11, 20)).is_none());
    p.append(&lead(7), report(1)).unwrap();
    p.append(&lead(8), report(2)).unwrap();
    assert!(refused(&mut p, &lead(9), report(2)).contains("is 3"));
    let done = p.append(&act_of("sup", 9), step("commissioner")).unwrap().id;
    assert!(refused(&mut p, &act_of("sup", 10), step("commissioner")).contains(&done.to_string()));
    p.append(&lead(11), closed(ResponseEnd::Released)).unwrap();
    assert!(refused(&mut p, &lead(12), step("public")).contains("closed on"));
    // The end itself is reported too.
    p.append(&lead(12), report(3)).unwrap();
    let shown = p.response("S-1").unwrap().unwrap();
    assert_eq!(
        shown.reports.iter().map(|r| r.value.version).collect::<Vec<_>>(),
        [1, 2, 3]
    );
    assert!(shown.closed.is_some());
    assert!(p.verify().unwrap().is_sound());
    assert!(p.conflict_rows().unwrap().is_empty());
}

/// The lead draws an area while the laboratory takes the find back: neither copy shows it in silence, whichever hears first.
#[test]
fn a_find_that_is_taken_back_leaves_its_response_in_the_list_of_conflicts() {
    let (dir, _path, mut p) = response();
    let copy = dir.path().join("copy.earlywood");
    p.backup(&copy).unwrap();
    let mut laboratory = Programme::open(&copy).unwrap();
    let request = laboratory.join(now()).unwrap();
    p.enrol_device(&act(), request, None).unwrap();
    laboratory.take_all(now(), &p).unwrap();
    p.append(&act_of("lead", 5), area(1, &["S-1"])).unwrap();
    laboratory
        .append(&act_of("ident", 4), said("S-1", Status::RuledOut))
        .unwrap();
    p.take_all(now(), &laboratory).unwrap();
    laboratory.take_all(now(), &p).unwrap();
    for programme in [&p, &laboratory] {
        let words: Vec<String> = programme
            .conflicts(false)
            .unwrap()
            .into_iter()
            .map(|c| c.words)
            .collect();
        assert_eq!(words.len(), 2, "{words:?}");
        assert!(words.iter().any(|w| w.contains("rests on a find")), "{words:?}");
        assert!(words.iter().any(|w| w.contains("drawn from")), "{words:?}");
        assert!(programme.verify().unwrap().is_sound());
    }
    // Closed as no find, it is in order again.
    p.append(&act_of("lead", 9), closed(ResponseEnd::NoFind)).unwrap();
    assert!(p.conflict_rows().unwrap().is_empty());
}

/// A file as the program of layout 3 left it, which took entries of responses from another copy without reading them.
#[test]
fn a_layout_3_file_is_brought_up_to_date_and_its_responses_are_read() {
    let (_dir, path, mut p) = response();
    p.append(&act_of("lead", 5), area(1, &["S-1"])).unwrap();
    let shown = everything(&p).unwrap();
    drop(p);
    let db = Connection::open(&path).unwrap();
    // What it could not read had no subject.
    db.execute_batch(
        "UPDATE facts SET subject = '' WHERE kind IN ('response-opened', 'area-drawn', 'protocol-adopted')",
    )
    .unwrap();
    db.pragma_update(None, "user_version", 3).unwrap();
    drop(db);
    let read = Programme::open_read_only(&path).unwrap();
    assert_eq!(read.responses().unwrap().len(), 1);
    drop(read);
    let p = Programme::open(&path).unwrap();
    assert_eq!(everything(&p).unwrap(), shown);
    assert!(p.verify().unwrap().is_sound());
}
