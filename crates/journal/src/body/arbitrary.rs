//! Strategies that draw valid bodies at random: every one passes [`Body::check`] on [`TODAY`].
//!
//! Labels are drawn from few, so that bodies of a history speak of each other's traps and specimens.

use std::fmt::Debug;

use earlywood_model::record::{Looked, Place, Placement, Position, Renewed, TrapFound, Visit, VisitKind};
use jiff::ToSpan;
use jiff::civil::{Date, date};
use proptest::collection::{btree_set, vec};
use proptest::option::of;
use proptest::prelude::*;
use proptest::sample::{select, subsequence};
use uuid::Uuid;

use super::*;
use crate::chunk::{ChunkRef, ENCODING};

/// The day on which the bodies are valid.
pub const TODAY: Date = date(2026, 11, 25);

/// Its profile is the one that `target-adopted` bodies carry.
const PROFILE: &str = include_str!("../../../../targets/emerald-ash-borer.toml");
/// The protocol of the same target.
const PROTOCOL: &str = include_str!("../../../../protocols/emerald-ash-borer.toml");
const TARGET: &str = "emerald-ash-borer";

fn any_of<T: Clone + Debug + 'static>(values: &[T]) -> BoxedStrategy<T> {
    select(values.to_vec()).boxed()
}

fn some_of<T: Clone + Debug + 'static>(values: &'static [T]) -> BoxedStrategy<Vec<T>> {
    subsequence(values, 0..=values.len()).boxed()
}

/// A label that starts with `prefix`: most are plain, some are hard to print.
fn label(prefix: &'static str) -> BoxedStrategy<String> {
    prop_oneof![
        9 => (1..40_u32).prop_map(move |n| format!("{prefix}-{n}")),
        1 => "[ -~äßЖ漢]{0,12}[a-zß漢\"\\\\]".prop_map(move |rest| format!("{prefix}{rest}")),
    ]
    .boxed()
}

fn labels(prefix: &'static str, least: usize) -> BoxedStrategy<Vec<String>> {
    btree_set(label(prefix), least..least + 4)
        .prop_map(|set| set.into_iter().collect())
        .boxed()
}

/// Free text, and so never an address.
fn adjusted() -> BoxedStrategy<Vec<String>> {
    labels("cleaned", 0)
        .prop_map(|all| all.into_iter().filter(|text| !text.contains('@')).collect())
        .boxed()
}

fn person() -> BoxedStrategy<String> {
    (1..30_u32).prop_map(|n| format!("p-{n}")).boxed()
}

fn words() -> BoxedStrategy<String> {
    "[a-zäЖ漢\"\\\\][a-z ,.;\n\täé\"\\\\/]{0,30}[a-z.]".boxed()
}

fn day() -> BoxedStrategy<Date> {
    (0..900_i64)
        .prop_map(|back| TODAY.saturating_sub(back.days()))
        .boxed()
}

/// A day that may lie ahead.
fn any_day() -> BoxedStrategy<Date> {
    (-400..400_i64)
        .prop_map(|by| TODAY.saturating_add(by.days()))
        .boxed()
}

fn span() -> BoxedStrategy<(Date, Option<Date>)> {
    (any_day(), of(0..300_i64))
        .prop_map(|(from, length)| (from, length.map(|days| from.saturating_add(days.days()))))
        .boxed()
}

fn later(than: Date, days: Option<i64>) -> Option<Date> {
    days.map(|days| than.saturating_add(days.days()))
}

fn position() -> BoxedStrategy<Position> {
    (-90.0..=90.0_f64, -180.0..=180.0_f64)
        .prop_map(|(lat, lon)| Position { lat, lon })
        .boxed()
}

fn placed() -> BoxedStrategy<(Option<Position>, Option<f64>)> {
    of((position(), of(0.0..500.0_f64)))
        .prop_map(|placed| {
            (
                placed.map(|(position, _)| position),
                placed.and_then(|(_, accuracy)| accuracy),
            )
        })
        .boxed()
}

fn hash() -> BoxedStrategy<Hash> {
    any::<[u8; 32]>().prop_map(Hash).boxed()
}

fn key() -> BoxedStrategy<PublicKey> {
    any::<[u8; 32]>()
        .prop_map(|mut bytes| {
            bytes[0] |= 1;
            PublicKey(bytes)
        })
        .boxed()
}

fn id() -> BoxedStrategy<Uuid> {
    any::<u128>()
        .prop_map(|bits| {
            let bits = bits & !(0xf << 76) & !(0x3 << 62);
            Uuid::from_u128(bits | (0x7 << 76) | (0x2 << 62))
        })
        .boxed()
}

fn count() -> BoxedStrategy<u64> {
    prop_oneof![0..1000_u64, Just((1 << 53) - 1)].boxed()
}

fn photos() -> BoxedStrategy<Vec<Photo>> {
    let photo = (
        hash(),
        1..9_000_000_u64,
        any_of(&["image/jpeg", "audio/ogg"]),
        words(),
    );
    vec(photo, 0..3)
        .prop_map(|photos| {
            let mut photos: Vec<Photo> = photos
                .into_iter()
                .map(|(hash, bytes, media, shows)| Photo {
                    hash,
                    bytes,
                    media: media.into(),
                    shows,
                })
                .collect();
            photos.dedup_by_key(|photo| photo.hash);
            photos
        })
        .boxed()
}

fn status() -> BoxedStrategy<Status> {
    use Status::*;
    any_of(&[
        Suspect,
        Tentative,
        Determined,
        Confirmed,
        RuledOut,
        Undeterminable,
    ])
}

/// Where the value `other` needs words, they are there.
fn said(need: bool, note: Option<String>) -> Option<String> {
    if need {
        note.or_else(|| Some("in words".into()))
    } else {
        note
    }
}

prop_compose! {
    fn set_up()(programme in id(), name in words(), made_by in words(), key in key()) -> ProgrammeSetUp {
        ProgrammeSetUp { programme, name, made_by, key: Some(key) }
    }
}

fn loaded(what: What) -> BoxedStrategy<Body> {
    let chunk = (hash(), 1..1_000_000_u64, 0..20_001_u64).prop_map(|(hash, bytes, rows)| ChunkRef {
        hash,
        bytes,
        rows,
    });
    (
        any_of(&[LoadMode::Add, LoadMode::Replace]),
        words(),
        vec(chunk, 0..4),
    )
        .prop_map(move |(mode, source, chunks)| {
            Body::Loaded(Loaded {
                what,
                mode,
                source,
                rows: chunks.iter().map(|chunk| chunk.rows).sum(),
                encoding: ENCODING.into(),
                chunks,
            })
        })
        .boxed()
}

prop_compose! {
    fn place()(label in label("P"), position in position(), cost in 0.0..9.0_f64, kept: bool, forbidden: bool) -> Place {
        Place { label, position, cost, kept, forbidden }
    }
}

prop_compose! {
    fn plan()(
        places in vec(place(), 0..4),
        objective in -1e9..1e9_f64,
        bound in of(-1e9..1e9_f64),
        spacing in 0..1000_u32,
        reason in words(),
    ) -> Plan {
        let mut places = places;
        places.sort_by(|a, b| a.label.cmp(&b.label));
        places.dedup_by(|a, b| a.label == b.label);
        let settings = serde_json::json!({ "spacing_m": spacing, "seed": 7, "kept": [null, true] });
        Plan { target: TARGET.into(), places, objective, bound, settings, reason }
    }
}

prop_compose! {
    fn rounds()(
        crews in btree_set(person(), 0..4),
        first in day(),
        traps in vec((label("T"), place(), vec(words(), 0..3)), 0..4),
        left in vec((label("T"), words(), of(-1.0..1.0_f64), of(day())), 0..3),
        km in of(0.0..500.0_f64),
        break_minutes in 0..60_u32,
        reason in words(),
    ) -> RoundsAdopted {
        let at = |minutes: usize| jiff::civil::time(8, 0, 0, 0) + jiff::SignedDuration::from_mins(minutes as i64);
        let stops: Vec<PlannedStop> = traps
            .iter()
            .enumerate()
            .map(|(i, (trap, place, what))| PlannedStop {
                trap: trap.clone(),
                place: place.label.clone(),
                position: place.position,
                arrive: at(20 * i + 5),
                leave: at(20 * i + 15),
                drive_minutes: 5.0,
                what: what.clone(),
            })
            .collect();
        RoundsAdopted {
            from: first,
            to: first,
            rounds: crews
                .into_iter()
                .enumerate()
                .map(|(i, crew)| PlannedRound {
                    sheet: format!("R-{i}"),
                    crew,
                    date: first,
                    starts: at(0),
                    ends: at(120),
                    drive_minutes: 20.5,
                    work_minutes: 40.0,
                    break_minutes,
                    break_at: (break_minutes > 0).then(|| at(60)),
                    km,
                    stops: stops.clone(),
                })
                .collect(),
            left_out: left
                .into_iter()
                .map(|(trap, reason, worth, last_day)| LeftOut { place: trap.clone(), trap, reason, worth, last_day })
                .collect(),
            settings: serde_json::json!({ "seed": 7 }),
            reason,
        }
    }
}

prop_compose! {
    /// A placement.
    pub fn placement()(
        trap in label("T"),
        place in label("P"),
        position in position(),
        targets in labels("target", 1),
        hung in day(),
        length in of(0..400_i64),
    ) -> Placement {
        let taken_down = later(hung, length).map(|day| day.min(TODAY));
        Placement { trap, place, position, targets, hung, taken_down }
    }
}

prop_compose! {
    fn take_down()(trap in label("T"), date in day(), reason in of(words())) -> TakeDown {
        TakeDown { trap, date, reason }
    }
}

const FOUND: [TrapFound; 5] = [
    TrapFound::Working,
    TrapFound::Impaired,
    TrapFound::Down,
    TrapFound::Gone,
    TrapFound::NotReached,
];
const KINDS_OF_VISIT: [VisitKind; 4] = [
    VisitKind::Hang,
    VisitKind::Service,
    VisitKind::Move,
    VisitKind::TakeDown,
];
const LOOKED: [Looked; 3] = [Looked::Fully, Looked::Partly, Looked::No];

prop_compose! {
    /// A record of version 1 that [`Visit::check`] accepts.
    pub fn visit_of_version_1()(
        (trap, date, kind) in (label("T"), day(), any_of(&KINDS_OF_VISIT)),
        (found, looked) in (any_of(&FOUND), any_of(&LOOKED)),
        suspects in 0..5_u32,
        [lure, insert, killing_agent, body]: [bool; 4],
        (lure_lot, crew, exception) in (of(label("L")), of(person()), of(words())),
    ) -> Visit {
        let not_there = matches!(found, TrapFound::Gone | TrapFound::NotReached) && kind != VisitKind::Hang;
        let looked = if not_there { Looked::No } else { looked };
        let suspects = (looked != Looked::No).then_some(suspects);
        let renewed = Renewed { lure, insert, killing_agent, body };
        Visit { trap, date, kind, found, looked, suspects, renewed, lure_lot, crew, exception }
    }
}

const IMPAIRMENTS: &[Impairment] = &[
    Impairment::Twisted,
    Impairment::Wet,
    Impairment::GlueDead,
    Impairment::FullOfByCatch,
    Impairment::AnimalDamage,
    Impairment::PulledApart,
    Impairment::Melted,
    Impairment::LureMissing,
    Impairment::LureDry,
    Impairment::PartMissing,
    Impairment::WrongHeight,
    Impairment::FoliageBlocking,
    Impairment::HostChanged,
    Impairment::SprayedNearby,
    Impairment::Other,
];
const EXCEPTIONS: [Exception; 12] = [
    Exception::TrapMissing,
    Exception::Locked,
    Exception::Unsafe,
    Exception::ClosedArea,
    Exception::NobodyHome,
    Exception::RefusedToday,
    Exception::RefusedForGood,
    Exception::SiteChanged,
    Exception::WrongAddress,
    Exception::DuplicateTrap,
    Exception::DamagedByPeople,
    Exception::Other,
];
const RESIDENTS: [Resident; 5] = [
    Resident::Spoke,
    Resident::NobodyHome,
    Resident::RefusedToday,
    Resident::RefusedForGood,
    Resident::CallBack,
];

fn renewal() -> BoxedStrategy<Option<Renewal>> {
    of(of(label("L")).prop_map(|lot| Renewal { lot })).boxed()
}

prop_compose! {
    fn renewals()(
        (lure, insert, killing_agent, body) in (renewal(), renewal(), renewal(), renewal()),
    ) -> Renewals {
        Renewals { lure, insert, killing_agent, body }
    }
}

prop_compose! {
    fn by_catch()(
        level in any_of(&[ByCatchLevel::None, ByCatchLevel::Few, ByCatchLevel::Many, ByCatchLevel::Full]),
        note in of(words()),
    ) -> ByCatch {
        ByCatch { level, note }
    }
}

prop_compose! {
    fn catch()(suspects in 0..5_u32, specimens in labels("S", 0), by_catch in of(by_catch())) -> Catch {
        let most = usize::try_from(suspects).unwrap_or(0);
        Catch { suspects, specimens: specimens.into_iter().take(most).collect(), by_catch }
    }
}

prop_compose! {
    fn notice()(language in any_of(&["en", "es", "vi"]), where_left in words()) -> Notice {
        Notice { language: language.into(), where_left }
    }
}

prop_compose! {
    /// A visit.
    pub fn visit()(
        (trap, date, minutes) in (label("T"), day(), of((0..1200_u32, of(0..200_u32)))),
        (kind, found, looked) in (any_of(&KINDS_OF_VISIT), any_of(&FOUND), any_of(&LOOKED)),
        (place, to) in (label("P"), position()),
        proved_by in of(any_of(&[Proof::Scanned, Proof::Read, Proof::Recognised])),
        (position, position_accuracy_m) in placed(),
        (impairments, not_looked_why) in (some_of(IMPAIRMENTS), of(words())),
        (catch, insert_taken, renewed) in (catch(), of(label("I")), renewals()),
        (hanging_lot, adjusted) in (of(label("L")), adjusted()),
        (outcome, exception, exception_note) in
            (any_of(&[Outcome::Complete, Outcome::Partial, Outcome::Failed]), of(any_of(&EXCEPTIONS)), of(words())),
        (next, notices, resident) in (of(0..60_i64), vec(notice(), 0..2), of(any_of(&RESIDENTS))),
        (photos, weather_note, temperature_c) in (photos(), of(words()), of(-30.0..45.0_f64)),
        (crew, request, note) in (of(person()), of(words()), of(words())),
    ) -> VisitMade {
        let at = |minute: u32| format!("{date}T{:02}:{:02}:00-07:00", minute / 60, minute % 60);
        mend(VisitMade {
            trap,
            date,
            arrive: minutes.map(|(arrive, _)| at(arrive)),
            leave: minutes.and_then(|(arrive, stay)| stay.map(|stay| at(arrive + stay))),
            place: crew.as_ref().map(|_| place.clone()),
            kind,
            moved_to: Some(MovedTo { place, position: to }),
            proved_by,
            position,
            position_accuracy_m,
            found,
            impairments,
            looked,
            not_looked_why,
            catch: Some(catch),
            insert_taken,
            renewed,
            hanging_lot,
            adjusted,
            outcome,
            exception,
            exception_note,
            next_due: later(date, next),
            notices,
            resident,
            photos,
            weather_note,
            temperature_c,
            crew,
            request,
            note,
        })
    }
}

/// Makes the parts of a visit agree, keeping as much of what was drawn as can be.
fn mend(mut v: VisitMade) -> VisitMade {
    let hang = v.kind == VisitKind::Hang;
    let there = match v.found {
        TrapFound::NotReached => false,
        TrapFound::Gone => hang,
        _ => true,
    };
    let replaced = v.found == TrapFound::Gone && v.renewed.body.is_some();
    if v.found == TrapFound::NotReached || (v.found == TrapFound::Gone && !hang && !replaced) {
        v.outcome = if v.found == TrapFound::Gone {
            v.outcome
        } else {
            Outcome::Failed
        };
        v.renewed = Renewals::default();
        v.adjusted.clear();
    }
    if v.outcome == Outcome::Failed {
        v.renewed = Renewals::default();
        v.adjusted.clear();
    }
    if !there || v.outcome == Outcome::Failed {
        v.looked = Looked::No;
        v.insert_taken = None;
    }
    if !there {
        v.proved_by = None;
    }
    if hang {
        v.insert_taken = None;
    }
    if v.looked == Looked::No {
        v.catch = None;
    }
    if v.looked == Looked::Fully {
        v.not_looked_why = None;
    }
    if v.kind != VisitKind::Move || v.outcome == Outcome::Failed {
        v.moved_to = None;
    } else if !there {
        v.kind = VisitKind::Service;
        v.moved_to = None;
    }
    if v.outcome == Outcome::Complete && !hang && (v.looked != Looked::Fully || !there) {
        v.outcome = Outcome::Partial;
    }
    if v.kind == VisitKind::TakeDown && v.outcome != Outcome::Failed {
        v.next_due = None;
    }
    if !matches!(v.found, TrapFound::Impaired | TrapFound::Down) {
        v.impairments.clear();
    }
    if v.impairments.contains(&Impairment::Other) {
        v.note = said(true, v.note);
    }
    if v.renewed.lure.is_some() {
        v.hanging_lot = None;
    }
    mend_exception(v)
}

fn mend_exception(mut v: VisitMade) -> VisitMade {
    v.exception = match v.exception {
        Some(Exception::TrapMissing) if v.found != TrapFound::Gone => Some(Exception::DuplicateTrap),
        Some(
            Exception::Locked
            | Exception::Unsafe
            | Exception::ClosedArea
            | Exception::NobodyHome
            | Exception::RefusedToday
            | Exception::WrongAddress,
        ) if v.looked == Looked::Fully => None,
        exception => exception,
    };
    match v.exception {
        None => v.exception_note = None,
        Some(exception) => v.exception_note = said(exception == Exception::Other, v.exception_note),
    }
    match v.exception {
        Some(Exception::NobodyHome) => v.resident = v.resident.map(|_| Resident::NobodyHome),
        Some(Exception::RefusedToday) => v.resident = v.resident.map(|_| Resident::CallBack),
        Some(Exception::RefusedForGood) => v.resident = v.resident.map(|_| Resident::RefusedForGood),
        _ => {}
    }
    if v.looked != Looked::Fully && v.exception.is_none() {
        v.not_looked_why = said(true, v.not_looked_why);
    }
    v
}

prop_compose! {
    fn determination_v1()(
        trap in label("T"), date in day(), target in label("target"), status in status(), by in person(),
        note in of(words()),
    ) -> Determination {
        Determination::of_trap(trap, date, target, status, by).with_note(note)
    }
}

prop_compose! {
    fn determination_v2()(
        (specimen, target, status, by) in (label("S"), label("target"), status(), person()),
        (name, rank, life_stage) in (of(label("Agrilus")), of(label("genus")), of(label("adult"))),
        method in any_of(&[Method::Image, Method::Morphology, Method::Dna, Method::Other]),
        (sex, mated, sure) in (of(any_of(&[Sex::Female, Sex::Male])), of(any::<bool>()), of(words())),
        [mark_checked, official]: [bool; 2],
        note in of(words()),
    ) -> Determination {
        Determination {
            rank: if name.is_some() { rank } else { None },
            name,
            life_stage,
            mated: if sex == Some(Sex::Female) { mated } else { None },
            sex,
            sure,
            mark_checked,
            official: official && !matches!(status, Status::Suspect | Status::Tentative),
            note: said(method == Method::Other, note),
            ..Determination::of_specimen(specimen, target, status, by, method)
        }
    }
}

fn change_v1() -> BoxedStrategy<Change> {
    prop_oneof![
        Just(Change::Withdraw),
        visit_of_version_1().prop_map(|visit| Change::Visit { visit })
    ]
    .boxed()
}

fn change_v2() -> BoxedStrategy<Change> {
    let body =
        take_down().prop_map(|down| serde_json::json!({"trap": down.trap, "date": down.date.to_string()}));
    (1..4_u32, body)
        .prop_map(|(version, body)| Change::Instead { version, body })
        .boxed()
}

fn correction(change: BoxedStrategy<Change>) -> BoxedStrategy<Body> {
    (id(), words(), change)
        .prop_map(|(corrects, reason, change)| {
            Body::Correction(Correction {
                corrects,
                reason,
                change,
            })
        })
        .boxed()
}

const ROLES: &[Role] = &[
    Role::Lead,
    Role::Supervisor,
    Role::Inspector,
    Role::Identifier,
    Role::Clerk,
];

fn roles() -> BoxedStrategy<Vec<Role>> {
    prop_oneof![subsequence(ROLES, 1..=ROLES.len()), Just(vec![Role::Partner])].boxed()
}

fn taxa() -> BoxedStrategy<Vec<String>> {
    prop_oneof![labels("target", 1), Just(vec!["*".to_owned()])].boxed()
}

fn scope() -> BoxedStrategy<HoldScope> {
    prop_oneof![
        Just(HoldScope::All),
        labels("Z", 1).prop_map(HoldScope::Zones),
        labels("P", 1).prop_map(HoldScope::Places),
        labels("T", 1).prop_map(HoldScope::Traps),
    ]
    .boxed()
}

fn cause() -> BoxedStrategy<Cause> {
    use Cause::*;
    let plain = [
        Lightning,
        Wind,
        Rain,
        Heat,
        Smoke,
        FireClosure,
        Flood,
        Hunting,
        PesticideReEntry,
        Police,
        Holiday,
    ];
    prop_oneof![4 => any_of(&plain), 1 => words().prop_map(Other)].boxed()
}

const SIGNS: [SignKind; 17] = [
    SignKind::Hole,
    SignKind::EggPit,
    SignKind::Frass,
    SignKind::Stain,
    SignKind::Gum,
    SignKind::BarkSplit,
    SignKind::LooseBark,
    SignKind::Stripped,
    SignKind::Gallery,
    SignKind::LiveStage,
    SignKind::CrownThin,
    SignKind::Shoots,
    SignKind::Flagging,
    SignKind::TreeDead,
    SignKind::TreeGone,
    SignKind::CutWood,
    SignKind::Other,
];

prop_compose! {
    fn sign()(
        sign in any_of(&SIGNS),
        size in of((0.1..40.0_f64, 0.0..10.0_f64)),
        shape in of(any_of(&[HoleShape::D, HoleShape::Round, HoleShape::Oval, HoleShape::Irregular])),
        (count, patch_m2, height_m) in (of(1..500_u32), of(0.01..3.0_f64), of(0.0..40.0_f64)),
        (fresh, note) in (of(any::<bool>()), of(words())),
    ) -> Sign {
        Sign {
            sign,
            size_mm: size.map(|(lo, more)| [lo, lo + more]),
            shape: if sign == SignKind::Hole { shape } else { None },
            patch_m2: if count.is_some() { patch_m2 } else { None },
            count,
            height_m,
            fresh,
            note: said(sign == SignKind::Other, note),
        }
    }
}

fn severity(scale: &'static str) -> BoxedStrategy<Option<Severity>> {
    let severity = (1..4_u32, 2..=9_u8, any::<u8>()).prop_map(move |(scale_version, of, class)| Severity {
        scale: scale.into(),
        scale_version,
        class: 1 + class % of,
        of,
    });
    of(severity).boxed()
}

prop_compose! {
    fn branch()(
        label in label("B"),
        (height_m, base_cm, length_cm) in (of(0.0..30.0_f64), of(0.5..20.0_f64), of(60.0..300.0_f64)),
        peeled_cm in 1.0..60.0_f64,
        found in any_of(&[Peeled::Positive, Peeled::Negative, Peeled::NotDone]),
    ) -> BranchSample {
        let done = found != Peeled::NotDone;
        let specimens = if done { vec![format!("from {label}")] } else { Vec::new() };
        let peeled_cm = if done { peeled_cm } else { 0.0 };
        BranchSample { label, height_m, base_cm, length_cm, peeled_cm, found, specimens }
    }
}

fn branches() -> BoxedStrategy<Vec<BranchSample>> {
    vec(branch(), 0..3)
        .prop_map(|mut branches| {
            branches.sort_by(|a, b| a.label.cmp(&b.label));
            branches.dedup_by(|a, b| a.label == b.label);
            branches
        })
        .boxed()
}

const PARTS: &[TreePart] = &[
    TreePart::Base,
    TreePart::LowerTrunk,
    TreePart::UpperTrunk,
    TreePart::Branches,
    TreePart::Canopy,
];

prop_compose! {
    /// A look at a tree.
    pub fn tree()(
        (tree, host, species) in (label("tree"), of(label("H")), of(label("Fraxinus"))),
        sure: bool,
        (position, position_accuracy_m) in placed(),
        (dbh_cm, setting, date, crew) in (of(1.0..150.0_f64), of(words()), day(), of(person())),
        from in any_of(&[Vantage::Ground, Vantage::Binocular, Vantage::Ladder, Vantage::Climb, Vantage::Lift]),
        (parts, looked, why_not) in (subsequence(PARTS, 1..=PARTS.len()), any_of(&LOOKED), words()),
        (leaf, minutes) in (any_of(&[Leaf::InLeaf, Leaf::Leafless, Leaf::Unknown]), of(0..90_u32)),
        (signs, crown, borer) in (vec(sign(), 0..3), severity("crown thinning"), severity("hole count")),
        (branch_samples, specimens) in (branches(), labels("S", 0)),
        (photos, action, next) in (photos(), of(words()), of(0..400_i64)),
    ) -> TreeInspected {
        let species_sure = match (&species, sure) {
            (None, _) => Sureness::Unknown,
            (Some(_), true) => Sureness::Sure,
            (Some(_), false) => Sureness::Probable,
        };
        let seen = looked != Looked::No;
        let positive = branch_samples.iter().any(|branch| branch.found == Peeled::Positive);
        let signs = match (seen, positive && signs.is_empty()) {
            (false, _) => Vec::new(),
            (true, false) => signs,
            (true, true) => vec![Sign {
                sign: SignKind::Gallery,
                size_mm: None,
                shape: None,
                count: None,
                patch_m2: None,
                height_m: None,
                fresh: None,
                note: None,
            }],
        };
        TreeInspected {
            tree,
            host,
            species,
            species_sure,
            position,
            position_accuracy_m,
            dbh_cm,
            setting,
            date,
            crew,
            from,
            parts: if seen { parts } else { Vec::new() },
            looked,
            why_not: (looked != Looked::Fully).then_some(why_not),
            leaf,
            minutes,
            none_found: seen && signs.is_empty(),
            signs,
            crown: crown.filter(|_| seen),
            borer: borer.filter(|_| seen),
            branch_samples: if seen { branch_samples } else { Vec::new() },
            specimens: if seen { specimens } else { Vec::new() },
            photos,
            action,
            next_look: later(date, next),
        }
    }
}

fn origin() -> BoxedStrategy<(Origin, Material)> {
    use Material::*;
    let from_trap = (label("T"), day()).prop_map(|(trap, date)| Origin::Trap { trap, date });
    let from_tree = (label("tree"), day()).prop_map(|(tree, date)| Origin::Tree { tree, date });
    let from_specimen = label("parent").prop_map(|parent| Origin::Specimen { parent });
    let elsewhere = (words(), of(position())).prop_map(|(words, position)| Origin::Other { words, position });
    prop_oneof![
        (
            from_trap,
            any_of(&[Insert, Insect, Larva, Frass, Material::Other])
        ),
        (
            from_tree,
            any_of(&[Insect, Larva, Branch, Gallery, Log, Frass, Material::Other])
        ),
        (from_specimen, any_of(&[Insect, Larva, Gallery, Frass])),
        (elsewhere, any_of(&[Insert, Insect, Log, Material::Other])),
    ]
    .boxed()
}

prop_compose! {
    fn taken()(
        specimen in label("S"),
        (from, what) in origin(),
        (count, container, kept_in) in (of(1..50_u32), of(words()), of(words())),
        (suspected, note, photos) in (of(label("target")), of(words()), photos()),
    ) -> SpecimenTaken {
        let note = said(what == Material::Other, note);
        SpecimenTaken { specimen, what, from, count, container, kept_in, suspected, note, photos }
    }
}

prop_compose! {
    fn offered()(
        (handover, specimens, from, place) in (label("HO"), labels("S", 1), person(), of(words())),
        (seal, intact) in (of(label("seal")), of(any::<bool>())),
        (condition, purpose, containers) in (of(words()), words(), 1..20_u32),
        to in (1..9_u32).prop_map(|n| format!("lab-{n}")),
    ) -> SpecimensOffered {
        let seal_intact = if seal.is_some() { intact } else { None };
        SpecimensOffered { handover, specimens, from, to, place, seal, seal_intact, condition, purpose, containers }
    }
}

prop_compose! {
    fn screening()(
        (specimen, pass, by) in (label("I"), 1..=2_u8, person()),
        (minutes, suspects, look_alikes) in (of(0..300_u32), 0..5_u32, 0..5_u32),
        (children, note) in (labels("S", 0), of(words())),
    ) -> ScreeningMade {
        let most = usize::try_from(suspects + look_alikes).unwrap_or(0);
        let children = children.into_iter().take(most).collect();
        ScreeningMade { specimen, pass, by, minutes, suspects, children, look_alikes, note }
    }
}

fn supply() -> BoxedStrategy<SupplyMove> {
    let item = any_of(&[
        Item::Lure,
        Item::Insert,
        Item::KillingAgent,
        Item::Body,
        Item::Pole,
        Item::Other,
    ]);
    let kept = of((words(), of(-80.0..40.0_f64)));
    let dates = (of(day()), of(1..900_i64));
    let received = (item, of(label("target")), 1..5000_u32, dates, kept).prop_map(
        |(item, target, quantity, (made, life), kept)| SupplyMove::Received {
            item,
            target,
            quantity,
            made,
            expires: later(made.unwrap_or(TODAY), life),
            storage_c: kept.as_ref().and_then(|(_, celsius)| *celsius),
            storage: kept.map(|(storage, _)| storage),
        },
    );
    prop_oneof![
        received,
        (words(), of(-80.0..40.0_f64))
            .prop_map(|(storage, storage_c)| SupplyMove::Stored { storage, storage_c }),
        (1..500_u32, person()).prop_map(|(quantity, to)| SupplyMove::Issued { quantity, to }),
        (1..500_u32, person()).prop_map(|(quantity, from)| SupplyMove::Returned { quantity, from }),
        (1..500_u32, words()).prop_map(|(quantity, why)| SupplyMove::Disposed { quantity, why }),
        (0..500_u32, words()).prop_map(|(quantity, storage)| SupplyMove::Counted { quantity, storage }),
    ]
    .boxed()
}

prop_compose! {
    /// The content of a sealed entry.
    pub fn planting()(
        salt in "[0-9a-f]{32}",
        (planting, trap, date, species) in (label("PL"), label("T"), day(), label("Agrilus")),
        (mark, specimens, by) in (words(), labels("S", 1), person()),
    ) -> Planting {
        Planting { salt, planting, trap, date, species, mark, specimens, by }
    }
}

fn planting_outcome() -> BoxedStrategy<PlantingOutcome> {
    prop_oneof![
        label("S").prop_map(|specimen| PlantingOutcome::Recovered { specimen }),
        Just(PlantingOutcome::Missed {}),
        Just(PlantingOutcome::Lost {}),
    ]
    .boxed()
}

fn decision() -> BoxedStrategy<Decision> {
    prop_oneof![
        Just(Decision::KeepAll {}),
        Just(Decision::AcceptLoss {}),
        btree_set(id(), 1..4).prop_map(|ids| Decision::Withdraw {
            entries: ids.into_iter().collect()
        }),
    ]
    .boxed()
}

/// A square somewhere, with a hole.
fn ground() -> BoxedStrategy<MultiPolygon> {
    (vec((-80.0..80.0_f64, -170.0..170.0_f64, any::<bool>()), 1..3))
        .prop_map(|squares| {
            let ring = |lon: f64, lat: f64, side: f64| {
                vec![
                    [lon, lat],
                    [lon + side, lat],
                    [lon + side, lat + side],
                    [lon, lat + side],
                    [lon, lat],
                ]
            };
            let polygon = |(lat, lon, holed): (f64, f64, bool)| {
                let mut rings = vec![ring(lon, lat, 0.5)];
                rings.extend(holed.then(|| ring(lon + 0.1, lat + 0.1, 0.1)));
                rings
            };
            MultiPolygon::new(squares.into_iter().map(polygon).collect())
        })
        .boxed()
}

prop_compose! {
    fn area_drawn()(
        find in label("S"),
        version in 1..9_u32,
        finds in labels("S", 1),
        geometry in ground(),
        km2 in 0.01..500.0_f64,
        (text, steps) in (words(), vec(words(), 0..3)),
        (from, to) in span(),
        (authority, reason) in (words(), words()),
    ) -> AreaDrawn {
        let settings = serde_json::json!({ "radius_m": 2400 });
        AreaDrawn { find, version, finds, geometry, km2, text, steps, from, to, authority, reason, settings }
    }
}

prop_compose! {
    fn delimiting()(
        find in label("S"),
        method in any_of(&["rings", "optimised"]),
        (from, to) in span(),
        (traps, looks) in (labels("P", 1), labels("T", 0)),
        at in position(),
        (ring, hours) in (0..5_u32, 0.1..9.0_f64),
        reason in words(),
    ) -> DelimitingAdopted {
        let spot = |hours| move |label| DelimitingSpot { label, position: at, ring, hours };
        DelimitingAdopted {
            find,
            method: method.into(),
            from,
            to,
            traps: traps.into_iter().map(spot(None)).collect(),
            looks: looks.into_iter().map(spot(Some(hours))).collect(),
            settings: serde_json::json!({ "hours": 40 }),
            reason,
        }
    }
}

prop_compose! {
    fn pest_report()(
        find in label("S"),
        version in 1..5_u32,
        (date, preliminary) in (day(), any::<bool>()),
        items in labels("item", 1),
        missing in labels("lacks", 0),
        (text, to, changes) in (words(), words(), words()),
        (proposed_status, statement) in (of(words()), of(words())),
    ) -> PestReportIssued {
        PestReportIssued {
            find,
            version,
            date,
            preliminary,
            items: items.into_iter().map(|item| ReportItem { item, text: text.clone() }).collect(),
            missing,
            proposed_status,
            statement,
            to,
            changes: (version > 1).then_some(changes),
        }
    }
}

prop_compose! {
    fn detection_tree()(
        tree in label("tag"),
        (host, species, crew) in (of(label("H")), of(label("Fraxinus")), of(person())),
        (position, accuracy) in (position(), of(0.0..50.0_f64)),
        (girdled, date) in (day(), day()),
        (share, found) in (0.1..1.0_f64, any_of(&[Peeled::Positive, Peeled::Negative, Peeled::NotDone])),
        note in words(),
    ) -> DetectionTreePeeled {
        let done = found != Peeled::NotDone;
        DetectionTreePeeled {
            specimens: if done { vec![format!("from {tree}")] } else { Vec::new() },
            tree,
            host,
            species,
            position: Some(position),
            position_accuracy_m: accuracy,
            girdled: girdled.min(date),
            date: girdled.max(date),
            crew,
            peeled_share: if done { share } else { 0.0 },
            found,
            note: Some(note),
        }
    }
}
prop_compose! {
    fn tip_received()(
        tip in label("TIP"),
        (date, what) in (day(), words()),
        (target, zone) in (of(Just(TARGET.to_owned())), of(label("Z"))),
        at in of((position(), of(0.0..500.0_f64))),
    ) -> TipReceived {
        TipReceived {
            tip,
            date,
            target,
            what,
            zone,
            position: at.map(|a| a.0),
            position_accuracy_m: at.and_then(|a| a.1),
        }
    }
}
prop_compose! {
    fn tip_closed()(
        tip in label("TIP"),
        (date, note) in (day(), words()),
        end in any_of(&[TipEnd::SomethingElse, TipEnd::NothingFound, TipEnd::NotFollowed, TipEnd::SpecimensTaken]),
    ) -> TipClosed {
        let taken = end == TipEnd::SpecimensTaken;
        TipClosed {
            specimens: if taken { vec![format!("from {tip}")] } else { Vec::new() },
            tip,
            date,
            end,
            note: Some(note),
        }
    }
}

/// Bodies of responses.
fn responses() -> Vec<(&'static str, u32, BoxedStrategy<Body>)> {
    let opened =
        (label("S"), id(), vec(words(), 0..3), words()).prop_map(|(find, protocol, set_off, reason)| {
            let target = TARGET.into();
            Body::ResponseOpened(ResponseOpened {
                find,
                target,
                protocol,
                set_off,
                reason,
            })
        });
    let step = (label("S"), label("step"), of(words()))
        .prop_map(|(find, step, note)| Body::ResponseStepDone(ResponseStepDone { find, step, note }));
    let lifted = (label("S"), 1..9_u32, any_day(), words(), words()).prop_map(
        |(find, version, from, authority, reason)| {
            Body::AreaLifted(AreaLifted {
                find,
                version,
                from,
                authority,
                reason,
            })
        },
    );
    let closed = (label("S"), day(), any_of(&ResponseEnd::ALL), words(), words()).prop_map(
        |(find, date, end, authority, reason)| {
            Body::ResponseClosed(ResponseClosed {
                find,
                date,
                end,
                authority,
                reason,
            })
        },
    );
    let protocol = Just(PROTOCOL).prop_map(|toml| {
        Body::ProtocolAdopted(ProtocolAdopted {
            target: TARGET.into(),
            toml: toml.into(),
        })
    });
    vec![
        ("protocol-adopted", 1, protocol.boxed()),
        ("response-opened", 1, opened.boxed()),
        ("response-step-done", 1, step.boxed()),
        ("area-drawn", 1, area_drawn().prop_map(Body::AreaDrawn).boxed()),
        ("area-lifted", 1, lifted.boxed()),
        (
            "delimiting-adopted",
            1,
            delimiting().prop_map(Body::DelimitingAdopted).boxed(),
        ),
        (
            "pest-report-issued",
            1,
            pest_report().prop_map(Body::PestReportIssued).boxed(),
        ),
        ("response-closed", 1, closed.boxed()),
    ]
}

/// A strategy for every kind and version that is still written (`visit-made` version 1 is only read).
pub fn each() -> Vec<(&'static str, u32, BoxedStrategy<Body>)> {
    fn kind<S: Strategy + 'static>(
        name: &'static str,
        version: u32,
        strategy: S,
        body: fn(S::Value) -> Body,
    ) -> (&'static str, u32, BoxedStrategy<Body>) {
        (name, version, strategy.prop_map(body).boxed())
    }
    let mut all: Vec<_> = What::ALL
        .into_iter()
        .map(|what| (what.kind(), 1, loaded(what)))
        .collect();
    all.extend(responses());
    all.extend([
        ("correction", 1, correction(change_v1())),
        ("correction", 2, correction(change_v2())),
        kind("programme-set-up", 1, set_up(), |set_up| {
            Body::ProgrammeSetUp(ProgrammeSetUp { key: None, ..set_up })
        }),
        kind("programme-set-up", 2, set_up(), Body::ProgrammeSetUp),
        kind("target-adopted", 1, Just(PROFILE), |toml| {
            Body::TargetAdopted(TargetAdopted {
                id: TARGET.into(),
                toml: toml.into(),
            })
        }),
        kind("plan-adopted", 1, plan(), Body::PlanAdopted),
        kind("rounds-adopted", 1, rounds(), Body::RoundsAdopted),
        kind("trap-placed", 1, placement(), Body::TrapPlaced),
        kind("trap-taken-down", 1, take_down(), Body::TrapTakenDown),
        kind("visit-made", 2, visit(), Body::VisitMade),
        kind("determination", 1, determination_v1(), Body::Determination),
        kind("determination", 2, determination_v2(), Body::Determination),
        kind("tree-inspected", 1, tree(), Body::TreeInspected),
        kind(
            "detection-tree-peeled",
            1,
            detection_tree(),
            Body::DetectionTreePeeled,
        ),
        kind("tip-received", 1, tip_received(), Body::TipReceived),
        kind("tip-closed", 1, tip_closed(), Body::TipClosed),
        kind("specimen-taken", 1, taken(), Body::SpecimenTaken),
        kind("specimens-offered", 1, offered(), Body::SpecimensOffered),
        kind("screening-made", 1, screening(), Body::ScreeningMade),
    ]);
    all.extend([
        kind(
            "device-enrolled",
            1,
            (id(), key(), of(person()), of(words())),
            |(device, key, holder, note)| {
                Body::DeviceEnrolled(DeviceEnrolled {
                    device,
                    key,
                    holder,
                    note,
                })
            },
        ),
        kind(
            "device-withdrawn",
            1,
            (id(), count(), words()),
            |(device, last_number, reason)| {
                Body::DeviceWithdrawn(DeviceWithdrawn {
                    device,
                    last_number,
                    reason,
                })
            },
        ),
        kind(
            "person-enrolled",
            1,
            (person(), roles(), span()),
            |(person, roles, (from, to))| {
                Body::PersonEnrolled(PersonEnrolled {
                    person,
                    roles,
                    from,
                    to,
                })
            },
        ),
        kind(
            "crew-formed",
            1,
            (person(), btree_set(person(), 1..4), span()),
            |(crew, people, (from, to))| {
                let people = people.into_iter().collect();
                Body::CrewFormed(CrewFormed {
                    crew,
                    people,
                    from,
                    to,
                })
            },
        ),
        kind(
            "authority-granted",
            1,
            (
                (person(), taxa(), labels("adult", 0), span()),
                any_of(&[Status::Tentative, Status::Determined, Status::Confirmed]),
                (person(), of(words())),
            ),
            |((person, taxa, life_stages, (from, to)), up_to, (granted_by, note))| {
                Body::AuthorityGranted(AuthorityGranted {
                    person,
                    taxa,
                    up_to,
                    life_stages,
                    from,
                    to,
                    granted_by,
                    note,
                })
            },
        ),
        kind("person-erased", 1, person(), |person| {
            Body::PersonErased(PersonErased { person })
        }),
        kind(
            "trap-registered",
            1,
            (label("T"), label("prism"), of(words())),
            |(trap, device, note)| Body::TrapRegistered(TrapRegistered { trap, device, note }),
        ),
        kind(
            "trap-written-off",
            1,
            (
                label("T"),
                day(),
                any_of(&[
                    Loss::Lost,
                    Loss::Stolen,
                    Loss::Destroyed,
                    Loss::Vandalised,
                    Loss::Other,
                ]),
                of(words()),
            ),
            |(trap, date, why, note)| {
                let note = said(why == Loss::Other, note);
                Body::TrapWrittenOff(TrapWrittenOff {
                    trap,
                    date,
                    why,
                    note,
                })
            },
        ),
        kind(
            "trap-came-back",
            1,
            (label("T"), day(), of(words())),
            |(trap, date, note)| Body::TrapCameBack(TrapCameBack { trap, date, note }),
        ),
        kind(
            "hold-declared",
            1,
            (label("hold"), cause(), scope(), span(), of(words())),
            |(hold, cause, scope, (from, to), note)| {
                Body::HoldDeclared(HoldDeclared {
                    hold,
                    cause,
                    scope,
                    from,
                    to,
                    note,
                })
            },
        ),
        kind("hold-lifted", 1, (label("hold"), day()), |(hold, date)| {
            Body::HoldLifted(HoldLifted { hold, date })
        }),
        kind(
            "specimens-accepted",
            1,
            (label("HO"), person(), 1..20_u32, of(any::<bool>()), of(words())),
            |(handover, by, containers, seal_intact, condition)| {
                Body::SpecimensAccepted(SpecimensAccepted {
                    handover,
                    by,
                    containers,
                    seal_intact,
                    condition,
                })
            },
        ),
        kind(
            "specimens-declined",
            1,
            (label("HO"), person(), words()),
            |(handover, by, why)| Body::SpecimensDeclined(SpecimensDeclined { handover, by, why }),
        ),
        kind(
            "specimen-ended",
            1,
            (
                label("S"),
                any_of(&[
                    Ending::Returned,
                    Ending::Retained,
                    Ending::Destroyed,
                    Ending::Lost,
                ]),
                of(words()),
                person(),
                of(words()),
            ),
            |(specimen, how, where_, by, note)| {
                let where_ = said(matches!(how, Ending::Returned | Ending::Retained), where_);
                Body::SpecimenEnded(SpecimenEnded {
                    specimen,
                    how,
                    where_,
                    by,
                    note,
                })
            },
        ),
        kind("supply", 1, (label("L"), supply()), |(lot, what)| {
            Body::Supply(Supply { lot, what })
        }),
        kind("sealed", 1, (hash(), 1..100_000_u64), |(content, bytes)| {
            Body::Sealed(Sealed { content, bytes })
        }),
        kind(
            "planting-closed",
            1,
            (label("PL"), planting_outcome(), person(), day()),
            |(planting, outcome, by, date)| {
                Body::PlantingClosed(PlantingClosed {
                    planting,
                    outcome,
                    by,
                    date,
                })
            },
        ),
        kind(
            "conflict-settled",
            1,
            (hash(), decision(), words()),
            |(conflict, decision, reason)| {
                Body::ConflictSettled(ConflictSettled {
                    conflict: conflict.to_string(),
                    decision,
                    reason,
                })
            },
        ),
        kind(
            "clock-seen",
            1,
            (id(), 1..100_000_u64, 301..900_000_i64),
            |(device, number, ahead_s)| {
                Body::ClockSeen(ClockSeen {
                    device,
                    number,
                    ahead_s,
                })
            },
        ),
    ]);
    all
}

/// Any body.
pub fn body() -> BoxedStrategy<Body> {
    let strategies: Vec<_> = each().into_iter().map(|(_, _, strategy)| (1, strategy)).collect();
    proptest::strategy::Union::new_weighted(strategies).boxed()
}
