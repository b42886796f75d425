//! The same district on a morning in its season: the programme as its people would find it at work, written day by day
//! by those who did the work, up to [`MORNING`] and no further.
//!
//! The year's own records come first: plans, placements, visits, suspects and what was said of them. Around them stands
//! what a season has besides: people with roles, crews, stock, holds, planted specimens, looks at trees, hand-overs, and
//! a phone that was out of reach while the office wrote something else about the same trap.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use anyhow::{Context as _, Result};
use earlywood_chain::rounds::due::due_over;
use earlywood_chain::rounds::{self, Ask};
use earlywood_chain::{Desk, Notes};
use earlywood_journal::body::{
    BranchSample, Cause, Decision, Ending, HoldLifted, HoldScope, Item, Leaf, Loss, Material, Method, Origin,
    Peeled, PlantingOutcome, Proof, Renewal, Severity, Sign, SignKind, SupplyMove, Sureness, TreePart,
    Vantage,
};
use earlywood_journal::{
    Act, AuthorityGranted, Body, Bulk, ConflictSettled, CrewFormed, Determination, HoldDeclared, LoadMode,
    PersonEnrolled, Plan, Planting, PlantingClosed, Programme, Role, ScreeningMade, SpecimenEnded,
    SpecimenTaken, SpecimensAccepted, SpecimensOffered, Status, Supply, TrapWrittenOff, TreeInspected,
    VisitMade,
};
use earlywood_model::record::{Access, Host, Looked, Placement, TrapFound, Visit, VisitKind};
use jiff::ToSpan as _;
use jiff::civil::{Date, Time, date, time};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

use super::clock::{self, Town};
use super::district::{District, NAME, SEASON_YEAR};
use super::season::Verdict;

/// The morning on which the programme stands: the season is on, a find was made, and work waits.
pub(crate) const MORNING: Date = date(SEASON_YEAR, 7, 15);

/// Hours of the invented district behind universal time.
const HOURS_BEHIND: i8 = -5;

const LEAD: &str = "lead-1";
const SUPERVISOR: &str = "supervisor-1";
const IDENTIFIER: &str = "identifier-1";
const LABORATORY: &str = "laboratory-1";
/// The inspector who writes for a crew, and the crew's other half.
const PAIRS: [(&str, &str, &str); 3] = [
    ("crew-1", "inspector-1", "inspector-2"),
    ("crew-2", "inspector-3", "inspector-4"),
    ("crew-3", "inspector-5", "inspector-6"),
];
/// From this day on the first crew writes on a phone of its own.
const PHONE_FROM: Date = date(SEASON_YEAR, 6, 30);
/// Evenings on which the phone was in reach of the office.
const PHONE_REACHED: [Date; 3] = [
    date(SEASON_YEAR, 7, 1),
    date(SEASON_YEAR, 7, 8),
    date(SEASON_YEAR, 7, 14),
];

/// Days of the rounds that hold on that morning: the rest of its week.
const ROUND_DAYS: u16 = 4;
/// Rounds of search for them: fewer than usual, for a demonstration should be quick.
const ROUND_ITERATIONS: u64 = 4_000;

const INSERT_LOT: &str = "IN25-1";
const BODY_LOT: &str = "B25-1";
const AGENT_LOT: &str = "K25-1";

/// One target's season, as planned and as worked.
#[derive(Debug, Clone)]
pub(crate) struct Played {
    /// Target id.
    pub(crate) target: String,
    /// Its first letters, as labels carry them.
    pub(crate) letters: String,
    /// The profile, as TOML.
    pub(crate) toml: String,
    /// The plan.
    pub(crate) plan: Plan,
    /// Where the traps hung, with the days they were really hung.
    pub(crate) placements: Vec<Placement>,
    /// The stops.
    pub(crate) visits: Vec<Visit>,
    /// What was said of the suspects.
    pub(crate) verdicts: Vec<Verdict>,
}

/// Which copy of the programme a step is written on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Copy {
    Office,
    Phone,
}

/// What happens in a step.
type Deed = Box<dyn FnOnce(&mut Programme, &Act) -> Result<()>>;

enum What {
    Do(Copy, &'static str, Deed),
    /// The first crew's phone is enrolled.
    Phone,
    /// The phone and the office tell each other what they have.
    Exchange,
}

/// A season's steps, in the order of their moments when played.
#[derive(Default)]
struct Diary(Vec<(Date, Time, What)>);

impl Diary {
    fn add(&mut self, copy: Copy, day: Date, at: Time, who: &'static str, deed: Deed) {
        // Nothing of the morning itself: whoever opens it writes with a clock that runs on from here.
        if day < MORNING {
            self.0.push((day, at, What::Do(copy, who, deed)));
        }
    }

    fn entry(&mut self, day: Date, at: Time, who: &'static str, body: Body) {
        self.add(Copy::Office, day, at, who, append(vec![body]));
    }

    fn event(&mut self, day: Date, at: Time, what: What) {
        self.0.push((day, at, what));
    }
}

fn append(bodies: Vec<Body>) -> Deed {
    Box::new(move |p, act| {
        let drafts: Vec<_> = bodies.into_iter().map(Into::into).collect();
        Ok(p.append_all(act, &drafts).map(drop)?)
    })
}

/// Writes the programme file. Gives the number of its entries.
pub(crate) fn write(
    path: &Path,
    district: &District,
    season: &[Played],
    access: &[Access],
    seed: u64,
) -> Result<u64> {
    let first = act(LEAD, date(SEASON_YEAR, 1, 6), time(9, 0, 0, 0))?;
    let mut office = Programme::create(path, NAME, &first)?;
    let mut diary = Diary::default();
    staff(&mut diary);
    ground(&mut diary, district);
    for played in season {
        plan(&mut diary, played);
    }
    ways(&mut diary, district, access);
    let mut visits = worked(season);
    clock::put_times(&mut visits, &town(district, season, access), seed);
    let plantings = plant(&mut diary, &mut visits, season, seed);
    let late = late_suspects(&mut visits);
    stock(&mut diary, &visits, season);
    let inserts = stops(&mut diary, &visits);
    for played in season {
        for (n, verdict) in played.verdicts.iter().enumerate() {
            suspect(
                &mut diary,
                &format!("S-{}-{:03}", played.letters, n + 1),
                &played.target,
                verdict,
                &visits,
            );
        }
    }
    recoveries(&mut diary, plantings, &visits);
    waiting(&mut diary, &late, &visits, season);
    screenings(&mut diary, inserts);
    holds(&mut diary, &visits, season);
    trees(&mut diary, district, season, seed);
    phone(&mut diary, &visits);
    rounds_of_the_week(&mut diary);
    play(diary, &mut office, path)?;
    let sound = office.verify()?;
    anyhow::ensure!(
        sound.is_sound(),
        "the journal of the demo's working day does not hold; this is a defect"
    );
    Ok(sound.entries)
}

fn moment(day: Date, at: Time) -> Result<jiff::ZonedDateTime> {
    let zone = jiff::tz::TimeZone::fixed(jiff::tz::offset(HOURS_BEHIND));
    Ok(day.to_datetime(at).to_zoned_datetime(zone)?)
}

fn act(person: &str, day: Date, at: Time) -> Result<Act> {
    Ok(Act::new(person, moment(day, at)?)?)
}

/// Plays the steps in order. The phone's file is thrown away in the end, as a phone that went home is not here.
fn play(mut diary: Diary, office: &mut Programme, path: &Path) -> Result<()> {
    diary.0.sort_by_key(|(day, at, _)| (*day, *at));
    let away = tempfile_beside(path);
    let mut phone: Option<Programme> = None;
    let outcome = (|| {
        for (day, at, what) in diary.0 {
            let now = moment(day, at)?.timestamp();
            match what {
                What::Do(copy, who, deed) => {
                    let on = match (copy, &mut phone) {
                        (Copy::Phone, Some(phone)) => phone,
                        _ => &mut *office,
                    };
                    deed(on, &act(who, day, at)?).with_context(|| format!("{who} on {day} at {at}"))?;
                }
                What::Phone => {
                    std::fs::create_dir_all(&away)?;
                    let backup = away.join("backup.earlywood");
                    office.backup(&backup)?;
                    let mut new = Programme::restore(&backup, &away.join("phone.earlywood"), now, None)?;
                    let holder = Some(PAIRS[0].1.to_owned());
                    office.enrol_device(&act(LEAD, day, at)?, new.request()?, holder)?;
                    new.take_all(now, office)?;
                    phone = Some(new);
                }
                What::Exchange => {
                    if let Some(phone) = &mut phone {
                        office.take_all(now, phone)?;
                        phone.take_all(now, office)?;
                    }
                }
            }
        }
        Ok(())
    })();
    drop(phone);
    // Absent where the season ended before there was a phone.
    let _ = std::fs::remove_dir_all(&away);
    outcome
}

fn tempfile_beside(path: &Path) -> std::path::PathBuf {
    path.with_extension("phone")
}

fn staff(diary: &mut Diary) {
    let from = date(SEASON_YEAR, 1, 1);
    let day = date(SEASON_YEAR, 1, 6);
    let mut people = vec![
        (SUPERVISOR, Role::Supervisor),
        (IDENTIFIER, Role::Identifier),
        (LABORATORY, Role::Identifier),
        ("clerk-1", Role::Clerk),
        ("partner-1", Role::Partner),
    ];
    for (_, one, other) in PAIRS {
        people.extend([(one, Role::Inspector), (other, Role::Inspector)]);
    }
    let enrolled = |(person, role): (&str, Role)| {
        Body::PersonEnrolled(PersonEnrolled {
            person: person.into(),
            roles: vec![role],
            from,
            to: None,
        })
    };
    let crews = PAIRS.map(|(crew, one, other)| {
        Body::CrewFormed(CrewFormed {
            crew: crew.into(),
            people: vec![one.into(), other.into()],
            from,
            to: None,
        })
    });
    let authority = |(person, up_to): (&str, Status)| {
        Body::AuthorityGranted(AuthorityGranted {
            person: person.into(),
            taxa: vec!["*".into()],
            up_to,
            life_stages: Vec::new(),
            from,
            to: None,
            granted_by: LEAD.into(),
            note: None,
        })
    };
    let said = [(IDENTIFIER, Status::Determined), (LABORATORY, Status::Confirmed)];
    let bodies = people
        .into_iter()
        .map(enrolled)
        .chain(crews)
        .chain(said.map(authority));
    diary.add(
        Copy::Office,
        day,
        time(10, 0, 0, 0),
        LEAD,
        append(bodies.collect()),
    );
}

fn load<T: Bulk + Send + Sync + 'static>(source: &'static str, rows: Vec<T>) -> Deed {
    Box::new(move |p, act| Ok(p.load(act, source, LoadMode::Add, &rows).map(drop)?))
}

/// Loads in winter, and the season's weather as far as it has come.
fn ground(diary: &mut Diary, district: &District) {
    let day = date(SEASON_YEAR, 2, 3);
    let at = |minute| time(9, minute, 0, 0);
    diary.add(
        Copy::Office,
        day,
        at(0),
        LEAD,
        load("zones.geojson", district.zones.clone()),
    );
    diary.add(
        Copy::Office,
        day,
        at(5),
        LEAD,
        load("hosts.csv", district.hosts.clone()),
    );
    diary.add(
        Copy::Office,
        day,
        at(10),
        LEAD,
        load("pathways.csv", district.pathways.clone()),
    );
    diary.add(
        Copy::Office,
        day,
        at(15),
        LEAD,
        load("land.geojson", district.land.clone()),
    );
    let mut since = Date::MIN;
    // The station's days come with the first of each month, and those of July the evening before.
    let months = (3..=7).map(|month| (date(SEASON_YEAR, month, 1), time(8, 0, 0, 0)));
    let firsts = [(day, at(20))].into_iter().chain(months);
    for (until, at) in firsts.chain([(MORNING, time(18, 45, 0, 0))]) {
        let rows: Vec<_> = district
            .weather
            .iter()
            .filter(|w| since <= w.date && w.date < until)
            .cloned()
            .collect();
        since = until;
        let day = if until == MORNING {
            until.saturating_sub(1.day())
        } else {
            until
        };
        diary.add(Copy::Office, day, at, LEAD, load("weather.csv", rows));
    }
}

/// Roads and crews' days come before the season, and how places are got to once they are chosen.
fn ways(diary: &mut Diary, district: &District, access: &[Access]) {
    let day = date(SEASON_YEAR, 3, 4);
    let mut come = |minute, deed| diary.add(Copy::Office, day, time(9, minute, 0, 0), SUPERVISOR, deed);
    come(0, load("roads.geojson", district.roads.clone()));
    come(5, load("crews.csv", district.crews.clone()));
    come(10, load("access.csv", access.to_vec()));
}

/// Where everything is that crews drove to.
fn town<'a>(district: &'a District, season: &'a [Played], access: &'a [Access]) -> Town<'a> {
    Town {
        plane: &district.plane,
        crews: &district.crews,
        access: access.iter().map(|a| (a.label.as_str(), a)).collect(),
        traps: season
            .iter()
            .flat_map(|played| &played.placements)
            .map(|p| (p.trap.as_str(), (p.place.as_str(), p.position)))
            .collect(),
        hours_behind: HOURS_BEHIND,
    }
}

/// On the evening before, the supervisor has rounds proposed for the rest of the week and adopts them.
fn rounds_of_the_week(diary: &mut Diary) {
    let evening = MORNING.saturating_sub(1.day());
    let deed: Deed = Box::new(move |p, act| {
        let mut ask = Ask::new(MORNING, ROUND_DAYS);
        ask.iterations = ROUND_ITERATIONS;
        // Of a few traps none may be due.
        let due = due_over(&Desk::new(), p, evening, &ask.due, &mut Notes::new())?;
        if due.visits.is_empty() {
            return Ok(());
        }
        let proposal = rounds::propose(&Desk::new(), p, &ask, evening)?;
        rounds::adopt(p, act, &proposal, "the rest of the week")?;
        Ok(())
    });
    diary.add(Copy::Office, evening, time(19, 0, 0, 0), SUPERVISOR, deed);
}

fn plan(diary: &mut Diary, played: &Played) {
    let (toml, plan) = (played.toml.clone(), played.plan.clone());
    let day = date(SEASON_YEAR, 3, 3);
    diary.add(
        Copy::Office,
        day,
        time(11, 0, 0, 0),
        LEAD,
        Box::new(move |p, act| {
            p.adopt_target(act, &toml)?;
            p.load_places(act, "earlywood place", LoadMode::Add, &plan.places)?;
            Ok(p.adopt_plan(act, plan).map(drop)?)
        }),
    );
    let mut by_day: BTreeMap<Date, Vec<Body>> = BTreeMap::new();
    for placement in &played.placements {
        let hung = Placement {
            taken_down: None,
            ..placement.clone()
        };
        by_day.entry(hung.hung).or_default().push(Body::TrapPlaced(hung));
    }
    for (day, bodies) in by_day {
        // Before the crew drives out, for what they write down has the hour at which they came.
        diary.add(Copy::Office, day, time(6, 45, 0, 0), SUPERVISOR, append(bodies));
    }
}

/// The stops up to yesterday, each with the lots that were put in.
fn worked(season: &[Played]) -> Vec<VisitMade> {
    let mut visits: Vec<VisitMade> = season
        .iter()
        .flat_map(|played| &played.visits)
        .filter(|visit| visit.date < MORNING && !left_out(visit))
        .map(VisitMade::from_visit)
        .collect();
    visits.sort_by(|a, b| (a.date, &a.trap).cmp(&(b.date, &b.trap)));
    for visit in &mut visits {
        let lots = [
            (&mut visit.renewed.insert, INSERT_LOT),
            (&mut visit.renewed.body, BODY_LOT),
            (&mut visit.renewed.killing_agent, AGENT_LOT),
        ];
        for (renewal, lot) in lots {
            if let Some(renewal) = renewal {
                renewal.lot = Some(lot.into());
            }
        }
        // Each target has a lure of its own, and lots of it.
        let played = season
            .iter()
            .find(|p| p.placements.iter().any(|t| t.trap == visit.trap));
        let lure = visit.renewed.lure.as_mut().and_then(|lure| lure.lot.as_mut());
        for lot in lure.into_iter().chain(visit.hanging_lot.as_mut()) {
            if let Some(played) = played {
                *lot = format!("{lot}-{}", played.letters);
            }
        }
        // A wet insert that could not be read is taken along and read at a table.
        if visit.looked == Looked::Partly
            && visit.renewed.insert.is_some()
            && visit.kind == VisitKind::Service
        {
            visit.insert_taken = Some(format!("IN-{}-{}", visit.trap, visit.date.strftime("%m%d")));
        }
        if on_phone(visit) && visit.found == TrapFound::Working {
            visit.proved_by = Some(Proof::Scanned);
        }
    }
    visits
}

/// Stops that the third crew did not get to since June, some streets being dug up: these traps are overdue by now.
fn left_out(visit: &Visit) -> bool {
    let number = visit.trap.rsplit('-').next().and_then(|n| n.parse::<u32>().ok());
    let on_those_streets = number.is_some_and(|n| n % 7 == 3);
    visit.crew.as_deref() == Some(PAIRS[2].0) && visit.date >= date(SEASON_YEAR, 6, 1) && on_those_streets
}

fn on_phone(visit: &VisitMade) -> bool {
    visit.crew.as_deref() == Some(PAIRS[0].0) && visit.date >= PHONE_FROM
}

fn inspector_of(visit: &VisitMade) -> &'static str {
    PAIRS
        .iter()
        .find(|(crew, ..)| visit.crew.as_deref() == Some(crew))
        .map_or(PAIRS[0].1, |(_, inspector, _)| inspector)
}

fn copy_of(visit: &VisitMade) -> Copy {
    if on_phone(visit) {
        Copy::Phone
    } else {
        Copy::Office
    }
}

/// Every crew writes its day down in the evening. Gives the inserts that were taken along, with the day and by whom.
fn stops(diary: &mut Diary, visits: &[VisitMade]) -> Vec<(String, Date, &'static str, Copy)> {
    let mut by_evening: BTreeMap<(Date, &'static str), Vec<VisitMade>> = BTreeMap::new();
    let mut inserts = Vec::new();
    for visit in visits {
        let who = inspector_of(visit);
        if let Some(insert) = &visit.insert_taken {
            inserts.push((insert.clone(), visit.date, who, copy_of(visit)));
        }
        by_evening
            .entry((visit.date, who))
            .or_default()
            .push(visit.clone());
    }
    for ((day, who), stops) in by_evening {
        let copy = stops.first().map_or(Copy::Office, copy_of);
        let deed: Deed = Box::new(move |p, act| Ok(p.record_stops(act, &stops).map(drop)?));
        diary.add(copy, day, time(17, 0, 0, 0), who, deed);
    }
    inserts
}

/// Visits at which a crew could have seen a planted specimen: all was well, and nothing was taken.
fn plain_looks(visits: &[VisitMade], days: std::ops::Range<Date>) -> Vec<usize> {
    let plain = |visit: &VisitMade| {
        visit.kind == VisitKind::Service
            && visit.found == TrapFound::Working
            && visit.looked == Looked::Fully
            && visit.catch.as_ref().is_some_and(|c| c.suspects == 0)
            && !on_phone(visit)
            && days.contains(&visit.date)
    };
    (0..visits.len()).filter(|&k| plain(&visits[k])).collect()
}

/// Whether the trap's last stop was before a day, and by a crew that is in reach.
fn waits_since(visits: &[VisitMade], trap: &str, day: Date) -> bool {
    let last = visits.iter().rev().find(|v| v.trap == trap);
    last.is_some_and(|v| v.date < day && !on_phone(v))
}

/// A planted specimen and how it went: the visit that saw it, or did not.
struct Trial {
    planting: String,
    visit: Option<(usize, bool)>,
}

/// Supervisors plant marked specimens: most come back, one is overlooked, the last still waits.
fn plant(diary: &mut Diary, visits: &mut [VisitMade], season: &[Played], seed: u64) -> Vec<Trial> {
    const PLANTED: usize = 11;
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x71A7_ED00);
    let looks = plain_looks(visits, date(SEASON_YEAR, 6, 1)..date(SEASON_YEAR, 7, 9));
    let every = (looks.len() / (PLANTED - 1)).max(1);
    let mut trials = Vec::new();
    let mut add = |diary: &mut Diary, trap: &str, day: Date| {
        let planting = format!("PL-{:02}", trials.len() + 1);
        let species = season
            .iter()
            .find(|played| played.placements.iter().any(|p| p.trap == trap))
            .map_or_else(|| "not told".into(), |played| played.target.clone());
        let planted = Planting {
            salt: format!("{:032x}", rng.random::<u128>()),
            planting: planting.clone(),
            trap: trap.into(),
            date: day,
            species,
            mark: "blue dot under the left wing, killed before".into(),
            specimens: vec![format!("X-{planting}")],
            by: SUPERVISOR.into(),
        };
        let deed: Deed = Box::new(move |p, act| Ok(p.plant(act, &planted).map(drop)?));
        diary.add(Copy::Office, day, time(18, 30, 0, 0), SUPERVISOR, deed);
        trials.push(Trial {
            planting,
            visit: None,
        });
    };
    for &k in looks.iter().step_by(every).take(PLANTED - 1) {
        let (trap, day) = (visits[k].trap.clone(), visits[k].date);
        add(diary, &trap, day.saturating_sub(2.days()));
    }
    // Nobody has been at this one since.
    let still_out = season
        .iter()
        .flat_map(|p| &p.placements)
        .find(|p| waits_since(visits, &p.trap, date(SEASON_YEAR, 7, 9)));
    if let Some(placement) = still_out {
        add(diary, &placement.trap, date(SEASON_YEAR, 7, 10));
    }
    for (n, &k) in looks.iter().step_by(every).take(PLANTED - 1).enumerate() {
        let seen = n != 3;
        trials[n].visit = Some((k, seen));
        if let (true, Some(catch)) = (seen, &mut visits[k].catch) {
            catch.suspects = 1;
        }
    }
    trials
}

/// What came back is known by its mark at the identifier's table.
fn recoveries(diary: &mut Diary, trials: Vec<Trial>, visits: &[VisitMade]) {
    for trial in trials {
        let Some((k, seen)) = trial.visit else { continue };
        let visit = &visits[k];
        let day = visit.date.saturating_add(3.days());
        let closed = |outcome| {
            Body::PlantingClosed(PlantingClosed {
                planting: trial.planting.clone(),
                outcome,
                by: IDENTIFIER.into(),
                date: day,
            })
        };
        if seen {
            let specimen = format!("S-{}", trial.planting);
            take(diary, &specimen, None, visit);
            hand_over(
                diary,
                &specimen,
                inspector_of(visit),
                IDENTIFIER,
                visit.date,
                true,
            );
            diary.entry(
                day,
                time(10, 0, 0, 0),
                IDENTIFIER,
                closed(PlantingOutcome::Recovered {
                    specimen: specimen.clone(),
                }),
            );
            thrown_away(diary, &specimen, day);
        } else {
            diary.entry(
                day,
                time(10, 30, 0, 0),
                IDENTIFIER,
                closed(PlantingOutcome::Missed {}),
            );
        }
    }
}

fn take(diary: &mut Diary, specimen: &str, suspected: Option<&str>, visit: &VisitMade) {
    let taken = SpecimenTaken {
        specimen: specimen.into(),
        what: Material::Insect,
        from: Origin::Trap {
            trap: visit.trap.clone(),
            date: visit.date,
        },
        count: visit.catch.as_ref().map(|c| c.suspects.max(1)),
        container: Some("vial".into()),
        kept_in: Some("cold".into()),
        suspected: suspected.map(Into::into),
        note: None,
        photos: Vec::new(),
    };
    let deed = append(vec![Body::SpecimenTaken(taken)]);
    diary.add(
        copy_of(visit),
        visit.date,
        time(17, 10, 0, 0),
        inspector_of(visit),
        deed,
    );
}

/// The day on which the office has heard of what a crew wrote down.
fn heard(visit: &VisitMade) -> Date {
    if !on_phone(visit) {
        return visit.date;
    }
    PHONE_REACHED
        .into_iter()
        .find(|day| visit.date <= *day)
        .unwrap_or(MORNING)
}

/// Offered on the evening of a day, accepted next morning if it is.
fn hand_over(
    diary: &mut Diary,
    specimen: &str,
    from: &'static str,
    to: &'static str,
    day: Date,
    accepted: bool,
) {
    let handover = format!("{specimen} to {to}");
    let offered = SpecimensOffered {
        handover: handover.clone(),
        specimens: vec![specimen.into()],
        from: from.into(),
        to: to.into(),
        place: None,
        seal: None,
        seal_intact: None,
        condition: None,
        purpose: "naming".into(),
        containers: 1,
    };
    // The phone's evening exchange comes before, so that the office knows of the specimen.
    diary.entry(day, time(18, 15, 0, 0), from, Body::SpecimensOffered(offered));
    if accepted {
        let taken = SpecimensAccepted {
            handover,
            by: to.into(),
            containers: 1,
            seal_intact: None,
            condition: None,
        };
        diary.entry(
            day.saturating_add(1.day()),
            time(8, 30, 0, 0),
            to,
            Body::SpecimensAccepted(taken),
        );
    }
}

/// Its way is over: thrown away, as what is of no more use is.
fn thrown_away(diary: &mut Diary, specimen: &str, day: Date) {
    let ended = SpecimenEnded {
        specimen: specimen.into(),
        how: Ending::Destroyed,
        where_: None,
        by: IDENTIFIER.into(),
        note: None,
    };
    diary.entry(day, time(16, 30, 0, 0), IDENTIFIER, Body::SpecimenEnded(ended));
}

/// A suspect's way from the trap to its name, as far as it came by this morning.
fn suspect(diary: &mut Diary, label: &str, target: &str, verdict: &Verdict, visits: &[VisitMade]) {
    let Some(visit) = visits
        .iter()
        .find(|v| v.trap == verdict.trap && v.date == verdict.taken)
    else {
        return;
    };
    let came = heard(visit);
    take(diary, label, Some(target), visit);
    hand_over(diary, label, inspector_of(visit), IDENTIFIER, came, true);
    let named = verdict.determined.max(came.saturating_add(2.days()));
    let mut say = |who: &'static str, status, day, hour| {
        let mut said = Determination::of_specimen(label, target, status, who, Method::Morphology);
        said.mark_checked = true;
        diary.entry(day, time(hour, 0, 0, 0), who, Body::Determination(said));
    };
    if verdict.confirmed == 0 {
        say(IDENTIFIER, Status::RuledOut, named, 10);
        return thrown_away(diary, label, named.saturating_add(2.days()));
    }
    say(IDENTIFIER, Status::Determined, named, 10);
    say(LABORATORY, Status::Confirmed, named.saturating_add(3.days()), 15);
    hand_over(diary, label, IDENTIFIER, LABORATORY, named, true);
}

/// Looks of the last days at which something was taken that nobody has named yet: three, of different ages.
fn late_suspects(visits: &mut [VisitMade]) -> Vec<usize> {
    let mut chosen = Vec::new();
    let days = [
        date(SEASON_YEAR, 7, 9),
        date(SEASON_YEAR, 7, 12),
        date(SEASON_YEAR, 7, 14),
    ];
    for day in days {
        let looks = plain_looks(visits, day.saturating_sub(2.days())..day.saturating_add(1.day()));
        let free = looks.iter().rev().find(|k| !chosen.contains(*k));
        if let Some(&k) = free
            && let Some(catch) = &mut visits[k].catch
        {
            catch.suspects = 1;
            chosen.push(k);
        }
    }
    chosen
}

/// The oldest is on the identifier's table, the next was offered and not accepted, the last is still with the crew.
fn waiting(diary: &mut Diary, late: &[usize], visits: &[VisitMade], season: &[Played]) {
    for (n, &k) in late.iter().enumerate() {
        let visit = &visits[k];
        let label = format!("S-W-{:03}", n + 1);
        let target = season
            .iter()
            .find(|played| played.placements.iter().any(|p| p.trap == visit.trap))
            .map(|played| played.target.as_str());
        take(diary, &label, target, visit);
        if let Some(target) = target {
            let who = inspector_of(visit);
            let said = Determination::of_specimen(&label, target, Status::Suspect, who, Method::Morphology);
            let deed = append(vec![Body::Determination(said)]);
            diary.add(copy_of(visit), visit.date, time(17, 15, 0, 0), who, deed);
        }
        if n < 2 {
            hand_over(diary, &label, inspector_of(visit), IDENTIFIER, visit.date, n == 0);
        }
    }
}

/// Inserts are read at a table within ten days; the newest still wait.
fn screenings(diary: &mut Diary, inserts: Vec<(String, Date, &'static str, Copy)>) {
    for (insert, taken, who, copy) in inserts {
        // What the phone's crew took along waits for the crew.
        if copy == Copy::Phone {
            continue;
        }
        hand_over(diary, &insert, who, IDENTIFIER, taken, true);
        let read = ScreeningMade {
            specimen: insert.clone(),
            pass: 1,
            by: IDENTIFIER.into(),
            minutes: Some(25),
            suspects: 0,
            children: Vec::new(),
            look_alikes: 3,
            note: None,
        };
        let day = taken.saturating_add(6.days());
        diary.entry(day, time(13, 0, 0, 0), IDENTIFIER, Body::ScreeningMade(read));
        thrown_away(diary, &insert, day.saturating_add(14.days()));
    }
}

/// What came in, went out, and was counted. Lots are as large as what was used of them by now, and a quarter more.
fn stock(diary: &mut Diary, visits: &[VisitMade], season: &[Played]) {
    let mut used: BTreeMap<(String, u8), u32> = BTreeMap::new();
    for visit in visits {
        let parts = [
            &visit.renewed.lure,
            &visit.renewed.insert,
            &visit.renewed.killing_agent,
            &visit.renewed.body,
        ];
        for (kind, part) in (0u8..).zip(parts) {
            if let Some(Renewal { lot: Some(lot) }) = part {
                *used.entry((lot.clone(), kind)).or_default() += 1;
            }
        }
    }
    let traps: usize = season.iter().map(|p| p.placements.len()).sum();
    let (spring, summer) = (date(SEASON_YEAR, 3, 20), date(SEASON_YEAR, 6, 20));
    for ((lot, kind), pieces) in used {
        // Lots carry their quarter; those of the summer quarter came in June, what was left of last year's making.
        let in_summer = lot.contains("-3-");
        let target = season.iter().find(|p| lot.ends_with(&format!("-{}", p.letters)));
        let (item, storage, celsius, life) = match kind {
            0 => (
                Item::Lure,
                "freezer 1",
                Some(-18.0),
                Some(if in_summer { 3 } else { 18 }),
            ),
            1 => (Item::Insert, "store room", None, None),
            2 => (Item::KillingAgent, "locked cupboard", None, Some(24)),
            _ => (Item::Body, "store room", None, None),
        };
        let day = if in_summer { summer } else { spring };
        let quantity = (pieces + pieces / 4).div_ceil(50) * 50;
        let received = SupplyMove::Received {
            item,
            target: target.map(|p| p.target.clone()),
            quantity,
            made: Some(day.saturating_sub(2.months())),
            expires: life.map(|months| day.saturating_add(months.months())),
            storage: Some(storage.into()),
            storage_c: celsius,
        };
        let mut note = |day, hour, what| {
            let lot = lot.clone();
            diary.entry(
                day,
                time(hour, 0, 0, 0),
                SUPERVISOR,
                Body::Supply(Supply { lot, what }),
            );
        };
        note(day, 9, received);
        for (crew, ..) in PAIRS {
            let quantity = (quantity / 4).max(1);
            note(
                day.tomorrow().unwrap_or(day),
                9,
                SupplyMove::Issued {
                    quantity,
                    to: crew.into(),
                },
            );
        }
        if kind == 0 {
            let left = quantity - 3 * (quantity / 4).max(1);
            note(
                date(SEASON_YEAR, 7, 11),
                15,
                SupplyMove::Counted {
                    quantity: left,
                    storage: storage.into(),
                },
            );
        }
    }
    // Left over from last year, and past its day.
    let first = season.first();
    let old = SupplyMove::Received {
        item: Item::Lure,
        target: first.map(|p| p.target.clone()),
        quantity: u32::try_from(traps / 10).unwrap_or(1).max(1),
        made: Some(date(SEASON_YEAR - 1, 6, 1)),
        expires: Some(date(SEASON_YEAR, 6, 1)),
        storage: Some("freezer 2".into()),
        storage_c: Some(-18.0),
    };
    let lot = format!(
        "L24-4{}",
        first.map_or_else(String::new, |p| format!("-{}", p.letters))
    );
    diary.entry(
        spring,
        time(9, 30, 0, 0),
        SUPERVISOR,
        Body::Supply(Supply { lot, what: old }),
    );
}

/// One hold that is over (nobody was out that day, so it is a storm that kept them in) and one that runs.
fn holds(diary: &mut Diary, visits: &[VisitMade], season: &[Played]) {
    let out: BTreeSet<Date> = visits.iter().map(|v| v.date).collect();
    let quiet = (0..40)
        .map(|n| date(SEASON_YEAR, 5, 20).saturating_add(n.days()))
        .find(|day| !out.contains(day));
    if let Some(day) = quiet {
        let hold = HoldDeclared {
            hold: "H-1".into(),
            cause: Cause::Wind,
            scope: HoldScope::All,
            from: day,
            to: None,
            note: Some("gusts; no poles near lines".into()),
        };
        diary.entry(day, time(6, 30, 0, 0), SUPERVISOR, Body::HoldDeclared(hold));
        let next = day.tomorrow().unwrap_or(day);
        let lifted = HoldLifted {
            hold: "H-1".into(),
            date: next,
        };
        diary.entry(next, time(6, 30, 0, 0), SUPERVISOR, Body::HoldLifted(lifted));
    }
    let from = date(SEASON_YEAR, 7, 11);
    let unseen = season
        .iter()
        .flat_map(|p| &p.placements)
        .filter(|p| waits_since(visits, &p.trap, from));
    let places: Vec<String> = unseen.map(|p| p.place.clone()).take(6).collect();
    if !places.is_empty() {
        let hold = HoldDeclared {
            hold: "H-2".into(),
            cause: Cause::Flood,
            scope: HoldScope::Places(places),
            from,
            to: None,
            note: Some("the lower path is under water".into()),
        };
        diary.entry(from, time(7, 0, 0, 0), SUPERVISOR, Body::HoldDeclared(hold));
    }
}

/// Looks at trees: most show nothing, which is written down as such.
fn trees(diary: &mut Diary, district: &District, season: &[Played], seed: u64) {
    const LOOKS: usize = 18;
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x7EE5_0000);
    let near = |host: &Host, placement: &Placement| {
        let (a, b) = (
            district.plane.point(host.position),
            district.plane.point(placement.position),
        );
        (a.x - b.x).hypot(a.y - b.y)
    };
    let traps: Vec<&Placement> = season.iter().flat_map(|p| &p.placements).collect();
    let every = (traps.len() / LOOKS).max(1);
    for (n, placement) in traps.iter().step_by(every).take(LOOKS).enumerate() {
        let host = district
            .hosts
            .iter()
            .min_by(|a, b| near(a, placement).total_cmp(&near(b, placement)));
        let Some(host) = host else { continue };
        let (crew, inspector, _) = PAIRS[1 + n % 2];
        let day = date(SEASON_YEAR, 5, 12)
            .saturating_add((i32::try_from(n).unwrap_or(0) * 3 + rng.random_range(0..3)).days());
        let inspected = looked_at(host, n, crew, day);
        diary.entry(day, time(15, 0, 0, 0), inspector, Body::TreeInspected(inspected));
    }
}

fn looked_at(host: &Host, n: usize, crew: &str, day: Date) -> TreeInspected {
    let sign = |sign, note: Option<&str>| Sign {
        sign,
        size_mm: None,
        shape: None,
        count: None,
        patch_m2: None,
        height_m: None,
        fresh: Some(false),
        note: note.map(Into::into),
    };
    let signs = match n {
        4 => vec![sign(SignKind::CrownThin, Some("upper third"))],
        9 => vec![sign(SignKind::Stain, None), sign(SignKind::Shoots, None)],
        14 => vec![sign(SignKind::Stripped, Some("woodpeckers"))],
        _ => Vec::new(),
    };
    let worrying = n == 9;
    let none_found = signs.is_empty();
    TreeInspected {
        tree: format!("TAG-{:03}", n + 1),
        host: Some(host.label.clone()),
        species: Some(host.species.clone()),
        species_sure: Sureness::Sure,
        position: Some(host.position),
        position_accuracy_m: Some(5.0),
        dbh_cm: host.dbh_cm,
        setting: Some("street".into()),
        date: day,
        crew: Some(crew.into()),
        from: if n.is_multiple_of(3) {
            Vantage::Binocular
        } else {
            Vantage::Ground
        },
        parts: vec![TreePart::Base, TreePart::LowerTrunk, TreePart::Canopy],
        looked: Looked::Fully,
        why_not: None,
        leaf: Leaf::InLeaf,
        minutes: Some(8 + u32::try_from(n % 5).unwrap_or(0)),
        crown: (!none_found).then(|| Severity {
            scale: "crown".into(),
            scale_version: 1,
            class: 2,
            of: 5,
        }),
        borer: None,
        signs,
        none_found,
        branch_samples: if worrying {
            vec![BranchSample {
                label: "BR-001".into(),
                height_m: Some(6.0),
                base_cm: Some(7.5),
                length_cm: Some(60.0),
                peeled_cm: 60.0,
                found: Peeled::Negative,
                specimens: Vec::new(),
            }]
        } else {
            Vec::new()
        },
        specimens: Vec::new(),
        photos: Vec::new(),
        action: worrying.then(|| "one branch cut and peeled; look again in autumn".into()),
        next_look: worrying.then(|| date(SEASON_YEAR, 10, 1)),
    }
}

/// The first crew's phone, and two traps of which the office was told something else while the phone was out of reach.
fn phone(diary: &mut Diary, visits: &[VisitMade]) {
    diary.event(PHONE_FROM, time(7, 0, 0, 0), What::Phone);
    for day in PHONE_REACHED {
        diary.event(day, time(18, 0, 0, 0), What::Exchange);
    }
    // A trap that the crew saw on a day after one on which the office could have been told that it was gone.
    let seen = |from: Date, to: Date| {
        visits.iter().find(|v| {
            on_phone(v)
                && v.kind == VisitKind::Service
                && v.found == TrapFound::Working
                && from < v.date
                && v.date <= to
                && v.insert_taken.is_none()
                && v.catch.as_ref().is_some_and(|c| c.suspects == 0)
        })
    };
    let spans = PHONE_REACHED.iter().zip(&PHONE_REACHED[1..]);
    let settled = [true, false];
    for ((from, to), settle) in spans.zip(settled) {
        let Some(visit) = seen(from.saturating_add(1.day()), *to) else {
            continue;
        };
        let day = visit.date.saturating_sub(1.day());
        let gone = TrapWrittenOff {
            trap: visit.trap.clone(),
            date: day,
            why: Loss::Stolen,
            note: Some("a caller saw it carried away".into()),
        };
        diary.entry(day, time(10, 0, 0, 0), SUPERVISOR, Body::TrapWrittenOff(gone));
        if settle {
            let trap = visit.trap.clone();
            let deed: Deed = Box::new(move |p, act| settle_with_the_office(p, act, &trap));
            let next = to.tomorrow().unwrap_or(*to);
            diary.add(Copy::Office, next, time(9, 0, 0, 0), SUPERVISOR, deed);
        }
    }
}

fn settle_with_the_office(programme: &mut Programme, act: &Act, trap: &str) -> Result<()> {
    let subject = format!("trap:{trap}");
    for conflict in programme
        .conflicts(false)?
        .into_iter()
        .filter(|c| c.subject == subject)
    {
        let entries = conflict
            .entries
            .iter()
            .map(|e| e.parse())
            .collect::<Result<_, _>>()?;
        let settled = ConflictSettled {
            conflict: conflict.id,
            decision: Decision::Withdraw { entries },
            reason: "the crew had scanned the trap on the next pole; this one is gone".into(),
        };
        programme.append(act, Body::ConflictSettled(settled))?;
    }
    Ok(())
}
