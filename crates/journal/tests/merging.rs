//! Copies of one programme that go their own ways and exchange in any order: they end alike, and what can't be is told.
#![allow(
    unreachable_pub,
    clippy::unwrap_used,
    reason = "a test binary exports nothing, and its helpers may panic too"
)]

use std::path::PathBuf;

use crate::common::*;
use crate::forge;
use earlywood_journal::body::arbitrary;
use earlywood_journal::sync::{Bundle, Limit, Limits, Scope, decode_gzip, encode_gzip};
use earlywood_journal::*;
use earlywood_model::record::{Visit, VisitKind};
use jiff::ToSpan as _;
use proptest::prelude::*;
use serde_json::{Value, json};

const PEOPLE: [&str; 5] = ["lead", "sup", "insp-1", "ident", "clerk"];

/// The person's clock, minutes from the tests' now.
fn act_of(person: &str, minutes: i64) -> Act {
    let now: jiff::ZonedDateTime = NOW.parse().unwrap();
    Act::new(person, now.checked_add(minutes.minutes()).unwrap()).unwrap()
}

fn now() -> jiff::Timestamp {
    NOW.parse::<jiff::ZonedDateTime>().unwrap().timestamp()
}

struct Copy {
    p: Programme,
    holder: &'static str,
    enrolled: bool,
}

struct World {
    _dir: tempfile::TempDir,
    copies: Vec<Copy>,
    rogue: forge::Rogue,
}

fn path_of(dir: &tempfile::TempDir, n: usize) -> PathBuf {
    dir.path().join(format!("copy-{n}.earlywood"))
}

fn enrol(person: &str, roles: Vec<Role>) -> PersonEnrolled {
    PersonEnrolled {
        person: person.into(),
        roles,
        from: day(1, 1),
        to: None,
    }
}

/// A founder with people, two traps and some specimens, and copies that joined.
fn world(copies: usize, enrolled: bool) -> World {
    let dir = tempfile::tempdir().unwrap();
    let mut p = Programme::create(&path_of(&dir, 0), "Alder Reach", &act()).unwrap();
    p.enrol_person(&act(), enrol("sup", vec![Role::Supervisor, Role::Identifier]))
        .unwrap();
    p.enrol_person(&act(), enrol("insp-1", vec![Role::Inspector]))
        .unwrap();
    p.enrol_person(&act(), enrol("ident", vec![Role::Identifier]))
        .unwrap();
    p.enrol_person(&act(), enrol("clerk", vec![Role::Clerk])).unwrap();
    for person in ["ident", "lead"] {
        let authority = AuthorityGranted {
            person: person.into(),
            taxa: vec!["*".into()],
            up_to: Status::Confirmed,
            life_stages: vec![],
            from: day(1, 1),
            to: None,
            granted_by: "letter 7".into(),
            note: None,
        };
        p.append(&act(), Body::AuthorityGranted(authority)).unwrap();
    }
    p.adopt_target(&act(), &profile_toml()).unwrap();
    p.record_placements(
        &act(),
        &[
            placement("T-0", day(4, 1), None),
            placement("T-1", day(4, 1), None),
        ],
    )
    .unwrap();
    for specimen in ["S-0", "S-1"] {
        p.append(&act(), taken(specimen, "T-0", day(5, 1))).unwrap();
    }
    let rogue = forge::Rogue::new(9);
    p.enrol_device(&act(), rogue.request(), None).unwrap();
    let mut world = World {
        copies: vec![Copy {
            p,
            holder: "lead",
            enrolled: true,
        }],
        _dir: dir,
        rogue,
    };
    for n in 1..copies {
        let path = path_of(&world._dir, n);
        world.copies[0].p.backup(&path).unwrap();
        let mut p = Programme::open(&path).unwrap();
        p.join(now()).unwrap();
        world.copies.push(Copy {
            p,
            holder: PEOPLE[n % PEOPLE.len()],
            enrolled: false,
        });
        if enrolled {
            world.enrol(n);
            world.direct(n, 0);
        }
    }
    world
}

fn taken(specimen: &str, trap: &str, date: jiff::civil::Date) -> Body {
    Body::SpecimenTaken(SpecimenTaken {
        specimen: specimen.into(),
        what: body::Material::Insect,
        from: body::Origin::Trap {
            trap: trap.into(),
            date,
        },
        count: None,
        container: None,
        kept_in: None,
        suspected: None,
        note: None,
        photos: vec![],
    })
}

impl World {
    fn enrol(&mut self, n: usize) {
        if !self.copies[n].enrolled {
            let request = self.copies[n].p.request().unwrap();
            let holder = (n != 1).then(|| self.copies[n].holder.to_owned());
            // The second office is nobody's own.
            self.copies[0].p.enrol_device(&act(), request, holder).unwrap();
            self.copies[n].enrolled = true;
        }
    }

    fn bundle(&self, to: usize, from: usize, limit: Limit) -> Bundle {
        let offer = self.copies[to].p.offer().unwrap();
        self.copies[from]
            .p
            .bundle(&offer, Scope::Everything, limit)
            .unwrap()
    }

    fn direct(&mut self, to: usize, from: usize) -> u64 {
        let bundle = self.bundle(to, from, Limit::default());
        let accepted = self.copies[to].p.accept(now(), &bundle).unwrap();
        accepted.new + accepted.contents
    }

    /// Everybody with everybody until nobody has anything new.
    fn settle(&mut self) {
        for _ in 0..12 {
            let mut new = 0;
            for a in 0..self.copies.len() {
                for b in 0..self.copies.len() {
                    if a != b {
                        new += self.direct(a, b);
                    }
                }
            }
            if new == 0 {
                return;
            }
        }
        panic!("the exchange never ends");
    }

    fn check(&self, n: usize) {
        let seen = self.copies[n].p.verify().unwrap();
        assert!(seen.is_sound(), "copy {n}: {:?}", seen.first_bad);
    }

    fn check_alike(&self) {
        let first = &self.copies[0].p;
        for (n, copy) in self.copies.iter().enumerate() {
            assert_eq!(
                copy.p.offer().unwrap().heads,
                first.offer().unwrap().heads,
                "heads of {n}"
            );
            assert_eq!(
                copy.p.digests().unwrap(),
                first.digests().unwrap(),
                "tables of {n}"
            );
            self.check(n);
        }
    }

    fn conflicts(&self, n: usize, kind: &str) -> Vec<(String, bool)> {
        let rows = self.copies[n].p.conflict_rows().unwrap();
        rows.into_iter()
            .filter(|row| row.2 == kind)
            .map(|row| (row.0, row.4))
            .collect()
    }

    fn open(&self, n: usize, kind: &str) -> usize {
        self.conflicts(n, kind)
            .iter()
            .filter(|(_, settled)| !settled)
            .count()
    }

    /// Settles the one open conflict of a kind, everywhere, and proves that it stays settled.
    fn settle_one(&mut self, kind: &str, decision: Decision) {
        let (id, _) = self
            .conflicts(0, kind)
            .into_iter()
            .find(|(_, settled)| !settled)
            .expect(kind);
        let body = Body::ConflictSettled(ConflictSettled {
            conflict: id,
            decision,
            reason: "asked both".into(),
        });
        self.copies[0].p.append(&act_of("sup", 0), body.clone()).unwrap();
        let again = self.copies[0].p.append(&act_of("sup", 0), body).unwrap_err();
        assert!(matches!(again, Error::Refused { .. }), "{again}");
        self.settle();
        self.check_alike();
        for n in 0..self.copies.len() {
            assert_eq!(self.open(n, kind), 0, "{kind} is open again in copy {n}");
            self.copies[n].p.rebuild().unwrap();
            assert_eq!(
                self.open(n, kind),
                0,
                "{kind} is open again after a rebuild of {n}"
            );
        }
        self.check_alike();
    }
}

// Random histories.

fn hash_of(text: &str, salt: u64) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325 ^ salt, |h, b| {
        (h ^ u64::from(b)).wrapping_mul(0x100_0000_01b3)
    }) >> 20
}

/// Puts labels of a few things, people and days into a body of any shape, so that bodies meet each other.
fn plausible(value: &mut Value, key: &str, salt: u64) {
    let one_of = |prefix: &str, h: u64, n: u64| format!("{prefix}-{}", h % n);
    match value {
        Value::Object(members) => {
            for name in ["arrive", "leave", "life_stage"] {
                members.remove(name);
            }
            members
                .iter_mut()
                .for_each(|(key, member)| plausible(member, key, salt));
        }
        Value::Array(items) => {
            let key = match key {
                "specimens" | "children" => "specimen",
                "people" => "person",
                "traps" => "trap",
                other => other,
            };
            items.iter_mut().for_each(|item| plausible(item, key, salt));
            let mut seen = std::collections::HashSet::new();
            items.retain(|item| seen.insert(item.to_string()));
        }
        Value::String(text) => {
            let h = hash_of(text, salt);
            if text.len() == 10 && text.parse::<jiff::civil::Date>().is_ok() {
                *text = day(4, 1).saturating_add(((h % 200) as i64).days()).to_string();
                return;
            }
            let new = match key {
                "trap" => one_of("T", h, 3),
                "specimen" | "parent" | "insert_taken" => one_of("S", h, 5),
                "handover" => one_of("H", h, 2),
                "lot" | "hanging_lot" => one_of("L", h, 2),
                "hold" => one_of("HO", h, 2),
                "planting" => one_of("PL", h, 2),
                "tree" => one_of("TR", h, 2),
                "crew" => one_of("C", h, 2),
                "place" => format!("place of T-{}", h % 3),
                "target" => "emerald-ash-borer".into(),
                "person" | "by" | "holder" | "granted_by" | "from" | "to" => PEOPLE[(h % 5) as usize].into(),
                _ => return,
            };
            *text = new;
        }
        _ => {}
    }
}

fn any_body() -> impl Strategy<Value = Body> {
    let kinds: Vec<_> = arbitrary::each()
        .into_iter()
        .filter(|(kind, ..)| {
            !kind.ends_with("-loaded") && *kind != "programme-set-up" && *kind != "clock-seen"
        })
        .map(|(.., strategy)| strategy)
        .collect();
    (prop::strategy::Union::new(kinds), any::<u64>()).prop_filter_map("readable", |(body, salt)| {
        let mut value: Value = serde_json::from_str(&body.to_text().ok()?).ok()?;
        plausible(&mut value, "", salt);
        if body.kind() == "person-enrolled" {
            value["person"] = json!(PEOPLE[2 + (salt % 3) as usize]);
        }
        Body::read(body.kind(), body.version(), &canonical_json(&value).ok()?).ok()
    })
}

#[derive(Debug, Clone)]
enum Step {
    Any(Body),
    Place(u8, u16, Option<u16>),
    TakeDown(u8, u16),
    Visit(u8, u16, u8),
    Taken(u8, Option<u8>, u16),
    Offer(u8, u8, u8),
    Answer(u8, bool),
    Say(u8, u8),
    End(u8),
    Correct(prop::sample::Index, Option<Body>),
    Settle(prop::sample::Index, u8),
    Plant(u8, u8, u16),
    Close(u8, Option<u8>),
    Load(bool, bool, u8),
    Withdraw(prop::sample::Index, u8),
    Attach(u8),
}

#[derive(Debug, Clone)]
enum Action {
    Do {
        at: prop::sample::Index,
        own: bool,
        who: u8,
        minutes: i64,
        step: Step,
    },
    Exchange {
        a: prop::sample::Index,
        b: prop::sample::Index,
        entries: usize,
        file: bool,
    },
    Enrol(prop::sample::Index),
    Rebuild(prop::sample::Index),
    Rogue {
        to: prop::sample::Index,
        who: u8,
        body: Body,
        names: prop::sample::Index,
        given: bool,
    },
}

fn step() -> impl Strategy<Value = Step> {
    let index = any::<prop::sample::Index>;
    prop_oneof![
        4 => any_body().prop_map(Step::Any),
        2 => (0..3_u8, 90..250_u16, prop::option::of(1..60_u16)).prop_map(|(t, d, n)| Step::Place(t, d, n)),
        1 => (0..3_u8, 90..250_u16).prop_map(|(t, d)| Step::TakeDown(t, d)),
        4 => (0..3_u8, 90..250_u16, 0..4_u8).prop_map(|(t, d, k)| Step::Visit(t, d, k)),
        3 => (0..5_u8, prop::option::of(0..5_u8), 90..250_u16).prop_map(|(s, p, d)| Step::Taken(s, p, d)),
        3 => (0..2_u8, 0..5_u8, 0..5_u8).prop_map(|(h, s, to)| Step::Offer(h, s, to)),
        3 => (0..2_u8, any::<bool>()).prop_map(|(h, yes)| Step::Answer(h, yes)),
        3 => (0..5_u8, 0..6_u8).prop_map(|(s, k)| Step::Say(s, k)),
        1 => (0..5_u8).prop_map(Step::End),
        3 => (index(), prop::option::of(any_body())).prop_map(|(n, b)| Step::Correct(n, b)),
        2 => (index(), 0..3_u8).prop_map(|(n, k)| Step::Settle(n, k)),
        1 => (0..2_u8, 0..2_u8, 90..200_u16).prop_map(|(p, t, d)| Step::Plant(p, t, d)),
        1 => (0..2_u8, prop::option::of(0..5_u8)).prop_map(|(p, s)| Step::Close(p, s)),
        2 => (any::<bool>(), any::<bool>(), 0..4_u8).prop_map(|(h, r, n)| Step::Load(h, r, n)),
        1 => (index(), 0..30_u8).prop_map(|(d, n)| Step::Withdraw(d, n)),
        1 => any::<u8>().prop_map(Step::Attach),
    ]
}

fn action() -> impl Strategy<Value = Action> {
    let index = any::<prop::sample::Index>;
    let clock = prop_oneof![6 => Just(0_i64), 1 => -600..600_i64, 1 => -200_000..0_i64, 1 => 0..20_000_i64];
    prop_oneof![
        10 => (index(), prop::bool::weighted(0.8), 0..5_u8, clock, step())
            .prop_map(|(at, own, who, minutes, step)| Action::Do { at, own, who, minutes, step }),
        5 => (index(), index(), prop_oneof![Just(1_usize), Just(3), Just(10_000)], any::<bool>())
            .prop_map(|(a, b, entries, file)| Action::Exchange { a, b, entries, file }),
        1 => index().prop_map(Action::Enrol),
        1 => index().prop_map(Action::Rebuild),
        3 => (index(), 0..5_u8, any_body(), index(), any::<bool>())
            .prop_map(|(to, who, body, names, given)| Action::Rogue { to, who, body, names, given }),
    ]
}

fn on(days: u16) -> jiff::civil::Date {
    day(1, 1).saturating_add(i64::from(days).days())
}

fn stop(trap: u8, days: u16, kind: u8) -> Visit {
    Visit {
        kind: if kind == 0 {
            VisitKind::TakeDown
        } else {
            VisitKind::Service
        },
        crew: Some(format!("C-{}", kind % 2)),
        ..visit(&format!("T-{trap}"), on(days))
    }
}

impl World {
    fn step(&mut self, n: usize, act: &Act, step: &Step) -> Result<(), Error> {
        let me = act.person().to_owned();
        let devices: Vec<uuid::Uuid> = self.copies.iter().map(|c| c.p.device()).collect();
        let p = &mut self.copies[n].p;
        let s = |n: u8| format!("S-{n}");
        match step {
            Step::Any(body) => p.append(act, body.clone()).map(drop),
            Step::Place(t, d, n) => p
                .record_placements(act, &[placement(&format!("T-{t}"), on(*d), n.map(|n| on(d + n)))])
                .map(drop),
            Step::TakeDown(t, d) => p
                .take_down(
                    act,
                    TakeDown {
                        trap: format!("T-{t}"),
                        date: on(*d),
                        reason: None,
                    },
                )
                .map(drop),
            Step::Visit(t, d, k) => p.record_visits(act, &[stop(*t, *d, *k)]).map(drop),
            Step::Taken(specimen, parent, d) => {
                let mut body = taken(&s(*specimen), "T-0", on(*d));
                if let (Body::SpecimenTaken(b), Some(parent)) = (&mut body, parent) {
                    b.from = body::Origin::Specimen { parent: s(*parent) };
                }
                p.append(act, body).map(drop)
            }
            Step::Offer(h, specimen, to) => p
                .append(
                    act,
                    offer(&format!("H-{h}"), &[&s(*specimen)], &me, PEOPLE[*to as usize], 1),
                )
                .map(drop),
            Step::Answer(h, true) => p.append(act, accepted(&format!("H-{h}"), &me, 1)).map(drop),
            Step::Answer(h, false) => p
                .append(
                    act,
                    Body::SpecimensDeclined(SpecimensDeclined {
                        handover: format!("H-{h}"),
                        by: me,
                        why: "seal broken".into(),
                    }),
                )
                .map(drop),
            Step::Say(specimen, k) => {
                let status = [
                    Status::Suspect,
                    Status::Tentative,
                    Status::Determined,
                    Status::Confirmed,
                    Status::RuledOut,
                    Status::Undeterminable,
                ][*k as usize];
                p.append(act, opinion(&s(*specimen), &me, status, k % 2 == 1))
                    .map(drop)
            }
            Step::End(specimen) => p
                .append(
                    act,
                    Body::SpecimenEnded(SpecimenEnded {
                        specimen: s(*specimen),
                        how: body::Ending::Retained,
                        where_: None,
                        by: me,
                        note: None,
                    }),
                )
                .map(drop),
            Step::Correct(nth, body) => {
                let log = whole_log(p);
                let entry = &log[nth.index(log.len())];
                let change = match body {
                    None => Change::Withdraw,
                    Some(body) => Change::Instead {
                        version: body.version(),
                        body: serde_json::from_str(&body.to_text()?).unwrap(),
                    },
                };
                p.correct(
                    act,
                    Correction {
                        corrects: entry.id,
                        reason: "not so".into(),
                        change,
                    },
                )
                .map(drop)
            }
            Step::Settle(nth, k) => {
                let rows = p.conflict_rows()?;
                if rows.is_empty() {
                    return Ok(());
                }
                let row = &rows[nth.index(rows.len())];
                let entries: Vec<uuid::Uuid> = serde_json::from_str(&row.3).unwrap();
                let decision = match k {
                    0 => Decision::KeepAll {},
                    1 => Decision::AcceptLoss {},
                    _ => Decision::Withdraw {
                        entries: entries.last().copied().into_iter().collect(),
                    },
                };
                let settled = ConflictSettled {
                    conflict: row.0.clone(),
                    decision,
                    reason: "asked".into(),
                };
                p.append(act, Body::ConflictSettled(settled)).map(drop)
            }
            Step::Plant(planting, t, d) => p
                .plant(
                    act,
                    &planted(&format!("PL-{planting}"), &format!("T-{t}"), on(*d)),
                )
                .map(drop),
            Step::Close(planting, specimen) => {
                let outcome = specimen.map_or(body::PlantingOutcome::Missed {}, |n| {
                    body::PlantingOutcome::Recovered { specimen: s(n) }
                });
                p.close_planting(
                    act,
                    PlantingClosed {
                        planting: format!("PL-{planting}"),
                        outcome,
                        by: me,
                        date: day(10, 1),
                    },
                )
                .map(drop)
            }
            Step::Load(true, replace, n) => p
                .load_hosts(
                    act,
                    "trees.csv",
                    mode(*replace),
                    &hosts(usize::from(*n)..usize::from(n + 3)),
                )
                .map(drop),
            Step::Load(false, replace, n) => p
                .load_places(
                    act,
                    "places.csv",
                    mode(*replace),
                    &[place(&format!("P-{n}")), place(&format!("P-{}", n + 1))],
                )
                .map(drop),
            Step::Withdraw(device, last) => {
                let device = devices[device.index(devices.len())];
                p.append(
                    act,
                    Body::DeviceWithdrawn(DeviceWithdrawn {
                        device,
                        last_number: u64::from(*last),
                        reason: "lost".into(),
                    }),
                )
                .map(drop)
            }
            Step::Attach(n) => p.attach(&[*n; 20]).map(drop),
        }
    }

    fn rogue(&mut self, to: usize, who: &str, body: &Body, names: &prop::sample::Index, given: bool) {
        let log = whole_log(&self.copies[0].p);
        let some = log[names.index(log.len())].id;
        let mut value: Value = serde_json::from_str(&body.to_text().unwrap()).unwrap();
        // What names entries names real ones.
        if value.get("corrects").is_some() {
            value["corrects"] = json!(some);
        }
        if let Some(entries) = value.pointer_mut("/decision/entries") {
            *entries = json!([some]);
        }
        let text = canonical_json(&value).unwrap();
        self.rogue.write(
            who,
            body.kind(),
            body.version(),
            &text,
            "2026-08-01T10:00:00-07:00",
        );
        if given {
            let bundle = Bundle {
                programme: self.copies[0].p.id().unwrap(),
                heads: vec![],
                wants: vec![],
                entries: self.rogue.chain.clone(),
                contents: vec![],
                complete: true,
            };
            let accepted = self.copies[to].p.accept(now(), &bundle).unwrap();
            assert_eq!(
                accepted.held_back,
                [],
                "an enrolled device's entries are taken, whatever they say"
            );
        }
    }
}

fn mode(replace: bool) -> LoadMode {
    if replace { LoadMode::Replace } else { LoadMode::Add }
}

fn planted(planting: &str, trap: &str, date: jiff::civil::Date) -> Planting {
    Planting {
        salt: "00112233445566778899aabbccddeeff".into(),
        planting: planting.into(),
        trap: trap.into(),
        date,
        species: "Agrilus planipennis".into(),
        mark: "red dot".into(),
        specimens: vec!["M-1".into()],
        by: "sup".into(),
    }
}

fn offer(handover: &str, specimens: &[&str], from: &str, to: &str, containers: u32) -> Body {
    Body::SpecimensOffered(SpecimensOffered {
        handover: handover.into(),
        specimens: specimens.iter().map(|s| (*s).into()).collect(),
        from: from.into(),
        to: to.into(),
        place: None,
        seal: None,
        seal_intact: None,
        condition: None,
        purpose: "to the laboratory".into(),
        containers,
    })
}

fn accepted(handover: &str, by: &str, containers: u32) -> Body {
    Body::SpecimensAccepted(SpecimensAccepted {
        handover: handover.into(),
        by: by.into(),
        containers,
        seal_intact: None,
        condition: None,
    })
}

fn opinion(specimen: &str, by: &str, status: Status, mark_checked: bool) -> Body {
    let mut said = Determination::of_specimen(
        specimen,
        "emerald-ash-borer",
        status,
        by,
        body::Method::Morphology,
    );
    said.mark_checked = mark_checked;
    Body::Determination(said)
}

fn cases(short: u32) -> u32 {
    std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(short)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: cases(12), max_shrink_iters: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn copies_that_exchanged_everything_are_alike_whatever_happened(
        copies in 2..5_usize,
        enrolled in any::<bool>(),
        history in prop::collection::vec(action(), 5..45),
    ) {
        let mut world = world(copies, enrolled);
        for action in &history {
            let touched = match action {
                Action::Do { at, own, who, minutes, step } => {
                    let n = at.index(copies);
                    let person = if *own { world.copies[n].holder } else { PEOPLE[*who as usize] };
                    match world.step(n, &act_of(person, *minutes), step) {
                        Ok(()) | Err(Error::Refused { .. } | Error::Body { .. }) => {}
                        Err(error) => return Err(TestCaseError::fail(format!("{action:?}: {error}"))),
                    }
                    n
                }
                Action::Exchange { a, b, entries, file } => {
                    let (a, b) = (a.index(copies), b.index(copies));
                    if a == b { continue; }
                    let limit = Limit { entries: *entries, ..Limit::default() };
                    let mut bundle = world.bundle(a, b, limit);
                    if *file {
                        let mut bytes = Vec::new();
                        encode_gzip(&bundle, &mut bytes).unwrap();
                        let back = decode_gzip(bytes.as_slice(), &Limits::default()).unwrap();
                        prop_assert_eq!(&back.entries, &bundle.entries);
                        bundle = back;
                    }
                    world.copies[a].p.accept(now(), &bundle).unwrap();
                    let again = world.copies[a].p.accept(now(), &bundle).unwrap();
                    prop_assert_eq!(again.new, 0, "the same bundle twice");
                    a
                }
                Action::Enrol(n) => { world.enrol(n.index(copies)); 0 }
                Action::Rebuild(n) => { world.copies[n.index(copies)].p.rebuild().unwrap(); n.index(copies) }
                Action::Rogue { to, who, body, names, given } => {
                    world.rogue(to.index(copies), PEOPLE[*who as usize], body, names, *given);
                    to.index(copies)
                }
            };
            let seen = world.copies[touched].p.verify().unwrap();
            prop_assert!(seen.is_sound(), "after {action:?}: {:?}", seen.first_bad);
        }
        for n in 0..copies {
            world.enrol(n);
        }
        world.settle();
        world.check_alike();
    }
}

// Crafted cases.

#[test]
fn two_visits_at_once_are_told_and_settled_either_way() {
    for withdraw in [false, true] {
        let mut w = world(2, true);
        w.copies[0]
            .p
            .record_visits(&act(), &[visit("T-0", day(6, 1))])
            .unwrap();
        let theirs = w.copies[1]
            .p
            .record_visits(&act_of("sup", 0), &[visit("T-0", day(6, 1))])
            .unwrap();
        w.settle();
        assert_eq!(w.open(0, "visited-twice"), 1);
        let decision = if withdraw {
            Decision::Withdraw {
                entries: vec![theirs[0].id],
            }
        } else {
            Decision::KeepAll {}
        };
        w.settle_one("visited-twice", decision);
        let visits = w.copies[1].p.visits().unwrap().len();
        assert_eq!(visits, if withdraw { 1 } else { 2 });
    }
}

#[test]
fn a_moved_trap_visited_at_its_old_place_is_told() {
    let mut w = world(2, true);
    let mut moved = VisitMade::from_visit(&Visit {
        kind: VisitKind::Move,
        ..visit("T-0", day(6, 1))
    });
    moved.moved_to = Some(body::MovedTo {
        place: "P-9".into(),
        position: position(),
    });
    w.copies[0].p.record_stops(&act(), &[moved]).unwrap();
    let mut late = VisitMade::from_visit(&visit("T-0", day(6, 5)));
    late.place = Some("place of T-0".into());
    w.copies[1].p.record_stops(&act_of("sup", 0), &[late]).unwrap();
    w.settle();
    assert_eq!(w.open(0, "old-place"), 1);
    w.settle_one("old-place", Decision::KeepAll {});
}

#[test]
fn one_label_on_two_things_is_told_and_withdrawing_one_restores_the_other() {
    let mut w = world(2, true);
    // A trap, placed by two offices at once.
    w.copies[0]
        .p
        .record_placements(&act(), &[placement("T-2", day(5, 1), None)])
        .unwrap();
    let second = w.copies[1]
        .p
        .record_placements(&act_of("sup", 0), &[placement("T-2", day(5, 3), None)])
        .unwrap();
    // A specimen.
    w.copies[0]
        .p
        .append(&act(), taken("S-7", "T-0", day(5, 5)))
        .unwrap();
    w.copies[1]
        .p
        .append(&act_of("sup", 0), taken("S-7", "T-1", day(5, 5)))
        .unwrap();
    // The label of a place, and of a host.
    w.copies[0]
        .p
        .load_places(&act(), "a.csv", LoadMode::Add, &[place("P-1")])
        .unwrap();
    w.copies[1]
        .p
        .load_places(
            &act_of("sup", 0),
            "b.csv",
            LoadMode::Add,
            &[place("P-1"), place("P-2")],
        )
        .unwrap();
    w.copies[0]
        .p
        .load_hosts(&act(), "a.csv", LoadMode::Add, &hosts(0..3))
        .unwrap();
    w.copies[1]
        .p
        .load_hosts(&act_of("sup", 0), "b.csv", LoadMode::Add, &hosts(2..5))
        .unwrap();
    // A hand-over.
    w.copies[0]
        .p
        .append(&act(), offer("H-1", &["S-0"], "lead", "ident", 1))
        .unwrap();
    w.copies[1]
        .p
        .append(&act_of("sup", 0), offer("H-1", &["S-1"], "lead", "ident", 2))
        .unwrap();
    w.settle();
    w.check_alike();
    assert_eq!(w.copies[0].p.hosts().unwrap().len(), 5);
    assert_eq!(w.copies[0].p.places().unwrap().len(), 2);
    assert_eq!(
        w.open(0, "label-twice"),
        3,
        "place, host, hand-over: {:?}",
        w.copies[0].p.conflict_rows()
    );
    assert_eq!(
        w.open(0, "not-possible"),
        2,
        "trap, specimen: {:?}",
        w.copies[0].p.conflict_rows()
    );
    for _ in 0..3 {
        let kind = "label-twice";
        let (id, _) = w
            .conflicts(0, kind)
            .into_iter()
            .find(|(_, settled)| !settled)
            .unwrap();
        let settled = ConflictSettled {
            conflict: id,
            decision: Decision::KeepAll {},
            reason: "seen".into(),
        };
        w.copies[1]
            .p
            .append(&act_of("sup", 0), Body::ConflictSettled(settled))
            .unwrap();
        w.settle();
    }
    assert_eq!(w.open(1, "label-twice"), 0);
    // The second placement goes: nothing is left of its conflict.
    let rows = w.copies[0].p.conflict_rows().unwrap();
    let row = rows.iter().find(|row| row.1 == "trap:T-2").unwrap();
    let withdraw = Decision::Withdraw {
        entries: vec![second[0].id],
    };
    let settled = ConflictSettled {
        conflict: row.0.clone(),
        decision: withdraw,
        reason: "one trap".into(),
    };
    w.copies[0]
        .p
        .append(&act_of("sup", 0), Body::ConflictSettled(settled))
        .unwrap();
    w.settle();
    w.check_alike();
    assert_eq!(w.open(1, "not-possible"), 1);
    w.copies[1]
        .p
        .record_visits(&act_of("sup", 0), &[visit("T-2", day(5, 4))])
        .unwrap();
}

#[test]
fn clocks_that_are_wrong_are_told_all_three_ways() {
    // Ahead of the device that receives.
    let mut w = world(2, true);
    w.copies[1]
        .p
        .record_visits(&act_of("sup", 60), &[visit("T-0", day(6, 1))])
        .unwrap();
    w.settle();
    assert_eq!(w.open(0, "clock"), 1, "{:?}", w.copies[0].p.conflict_rows());
    w.settle_one("clock", Decision::KeepAll {});
    // Set back: the ids have been further on.
    let mut w = world(2, true);
    w.copies[1]
        .p
        .record_visits(&act_of("sup", 0), &[visit("T-0", day(6, 1))])
        .unwrap();
    w.copies[1]
        .p
        .record_visits(&act_of("sup", -3000), &[visit("T-1", day(6, 1))])
        .unwrap();
    w.settle();
    assert_eq!(w.open(0, "clock"), 1, "{:?}", w.copies[0].p.conflict_rows());
    w.settle_one("clock", Decision::KeepAll {});
    // Happened after it was recorded: refused here, told where it came from elsewhere.
    let mut w = world(2, true);
    let text = taken("S-9", "T-0", day(6, 1)).to_text().unwrap();
    w.rogue
        .write("sup", "specimen-taken", 1, &text, "2026-11-20T15:00:00-08:00");
    let body = taken("S-8", "T-0", day(6, 1));
    let (i, given) = (any_index(), true);
    w.rogue(0, "sup", &body, &i, given);
    assert_eq!(w.open(0, "clock"), 1, "{:?}", w.copies[0].p.conflict_rows());
    w.settle_one("clock", Decision::KeepAll {});
}

fn any_index() -> prop::sample::Index {
    use proptest::strategy::ValueTree as _;
    any::<prop::sample::Index>()
        .new_tree(&mut proptest::test_runner::TestRunner::deterministic())
        .unwrap()
        .current()
}

#[test]
fn what_a_person_had_no_right_to_is_told_and_can_be_settled_away() {
    let mut w = world(3, true);
    let made = w.copies[0]
        .p
        .record_visits(&act(), &[visit("T-0", day(6, 1))])
        .unwrap();
    w.settle();
    // The office has taken the clerk's role away; the clerk's phone does not know yet.
    w.copies[0]
        .p
        .enrol_person(&act(), enrol("clerk", vec![Role::Partner]))
        .unwrap();
    let change = Change::Visit {
        visit: Visit {
            suspects: Some(7),
            ..visit("T-0", day(6, 1))
        },
    };
    let correction = Correction {
        corrects: made[0].id,
        reason: "counted again".into(),
        change,
    };
    let corrected = w.copies[1].p.correct(&act_of("clerk", 0), correction).unwrap();
    assert_eq!(w.copies[1].p.visits().unwrap()[0].suspects, Some(7));
    w.settle();
    w.check_alike();
    assert_eq!(w.open(0, "not-entitled"), 1);
    w.settle_one(
        "not-entitled",
        Decision::Withdraw {
            entries: vec![corrected.id],
        },
    );
    for copy in &w.copies {
        assert_eq!(
            copy.p.visits().unwrap()[0].suspects,
            Some(0),
            "the visit is again what it was"
        );
    }
}

#[test]
fn a_withdrawn_device_is_told_and_a_closed_hand_over_with_other_containers() {
    let mut w = world(3, true);
    let phone = w.copies[2].p.device();
    let last = w.copies[0]
        .p
        .offer()
        .unwrap()
        .heads
        .iter()
        .find(|h| h.device == phone)
        .map_or(0, |h| h.number);
    w.copies[0]
        .p
        .append(
            &act(),
            Body::DeviceWithdrawn(DeviceWithdrawn {
                device: phone,
                last_number: last,
                reason: "lost".into(),
            }),
        )
        .unwrap();
    w.copies[2]
        .p
        .record_visits(&act_of("insp-1", 0), &[visit("T-0", day(6, 1))])
        .unwrap();
    w.settle();
    w.check_alike();
    assert_eq!(w.open(0, "withdrawn-device"), 1);
    w.settle_one("withdrawn-device", Decision::KeepAll {});
    assert!(w.copies[0].p.device_key(phone, day(11, 1)).unwrap().is_none());

    w.copies[0]
        .p
        .append(&act(), offer("H-1", &["S-0"], "lead", "ident", 3))
        .unwrap();
    w.settle();
    let refused = w.copies[1]
        .p
        .append(&act_of("ident", 1), accepted("H-1", "ident", 2))
        .unwrap_err();
    assert!(refused.to_string().contains("3 containers"), "{refused}");
    let Body::SpecimensAccepted(mut said) = accepted("H-1", "ident", 2) else {
        unreachable!()
    };
    said.condition = Some("one was broken on the way".into());
    w.copies[1]
        .p
        .append(&act_of("ident", 1), Body::SpecimensAccepted(said))
        .unwrap();
    w.settle();
    assert_eq!(w.open(0, "containers"), 1);
    w.settle_one("containers", Decision::AcceptLoss {});
}
