//! The identifier's bench: what lies on whose table, and everything known of one specimen.

use std::collections::HashMap;

use earlywood_geodata::AreaIndex;
use earlywood_journal::body::{Material, Origin};
use earlywood_journal::{Act, Body, FindRow, OpenSpecimen, Programme, SpecimenTaken};
use earlywood_model::record::{Placement, Position, Zone};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use uuid::Uuid;

use crate::error::ChainError;
use crate::view::{At, HandoverRow, Now, TrayRow, hours, word};

/// A suspect is to be passed on, and a hand-over answered, within this; common practice (chain-of-custody forms ask for the
/// next working day).
const WITHIN_HOURS: f64 = 24.0;

/// An insert that lies on a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct InsertRow {
    /// Its label.
    pub insert: String,
    /// The trap it was taken out of.
    pub trap: String,
    /// The day of that.
    pub taken: Date,
    /// How often it was gone through.
    pub screenings: usize,
}

/// What lies on the tables.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Bench {
    /// Specimens, the most urgent first.
    pub tray: Vec<TrayRow>,
    /// Hand-overs that wait for an answer.
    pub handovers: Vec<HandoverRow>,
    /// Inserts and panels to be gone through.
    pub inserts: Vec<InsertRow>,
}

/// Where traps hung, for looking up a catch.
pub(crate) struct Hung {
    placements: HashMap<String, Vec<Placement>>,
    zones: Vec<Zone>,
    index: AreaIndex,
}

impl Hung {
    pub(crate) fn read(programme: &Programme) -> Result<Hung, ChainError> {
        let mut placements: HashMap<String, Vec<Placement>> = HashMap::new();
        for p in programme.placements()? {
            placements.entry(p.trap.clone()).or_default().push(p);
        }
        let zones = programme.zones()?;
        Ok(Hung {
            placements,
            index: AreaIndex::new(zones.iter().map(|z| &z.area)),
            zones,
        })
    }

    /// Where a trap hung on a day; on the day of a move, where it hung before.
    pub(crate) fn at(&self, trap: &str, day: Date) -> Option<&Placement> {
        let all = self.placements.get(trap)?;
        all.iter()
            .find(|p| p.hung <= day && p.taken_down.is_none_or(|down| day <= down))
            .or_else(|| all.last())
    }

    pub(crate) fn zone(&self, p: Position) -> Option<String> {
        self.index.first_at(p).map(|z| self.zones[z].label.clone())
    }
}

/// What stands of every specimen.
fn finds_by_specimen(programme: &Programme) -> Result<HashMap<String, Vec<FindRow>>, ChainError> {
    let mut by: HashMap<String, Vec<FindRow>> = HashMap::new();
    for find in programme.finds()? {
        if let Some(specimen) = &find.specimen {
            by.entry(specimen.clone()).or_default().push(find);
        }
    }
    Ok(by)
}

/// What lies on all tables, or on one person's.
///
/// # Errors
/// A programme that can't be read.
pub fn bench(programme: &Programme, now: Now, person: Option<&str>) -> Result<Bench, ChainError> {
    let open = programme.specimens_open()?;
    let taken: HashMap<String, SpecimenTaken> = programme
        .specimens_taken()?
        .into_iter()
        .map(|t| (t.value.specimen.clone(), t.value))
        .collect();
    let finds = finds_by_specimen(programme)?;
    let hung = Hung::read(programme)?;
    let mut screened: HashMap<String, usize> = HashMap::new();
    for made in programme.screenings()? {
        *screened.entry(made.value.specimen).or_default() += 1;
    }
    let is_insert = |s: &OpenSpecimen| taken.get(&s.specimen).is_some_and(|t| t.what == Material::Insert);
    let mine = |s: &&OpenSpecimen| {
        person.is_none_or(|p| s.holder.as_deref() == Some(p) || s.offered_to.as_deref() == Some(p))
    };
    let mut tray = Vec::new();
    let mut inserts = Vec::new();
    for specimen in open.iter().filter(mine) {
        let said = finds
            .get(&specimen.specimen)
            .map(Vec::as_slice)
            .unwrap_or_default();
        let times = screened.get(&specimen.specimen).copied().unwrap_or(0);
        let row = tray_row(specimen, taken.get(&specimen.specimen), said, times, &hung, now);
        if let (true, Some(trap)) = (is_insert(specimen), specimen.trap.clone()) {
            inserts.push(InsertRow {
                insert: specimen.specimen.clone(),
                trap,
                taken: row.taken,
                screenings: times,
            });
        }
        tray.push(row);
    }
    sort_tray(&mut tray);
    inserts.sort_by(|a, b| (a.screenings, a.taken, &a.insert).cmp(&(b.screenings, b.taken, &b.insert)));
    Ok(Bench {
        tray,
        handovers: handovers(programme, now)?,
        inserts,
    })
}

/// The order of urgencies.
const URGENCIES: [&str; 4] = ["suspect", "answer", "look", "finish"];

fn sort_tray(tray: &mut [TrayRow]) {
    let place = |t: &TrayRow| URGENCIES.iter().position(|u| *u == t.urgency);
    tray.sort_by(|a, b| {
        place(a)
            .cmp(&place(b))
            .then_with(|| b.hours.total_cmp(&a.hours))
            .then_with(|| a.specimen.cmp(&b.specimen))
    });
}

fn tray_row(
    specimen: &OpenSpecimen,
    taken: Option<&SpecimenTaken>,
    said: &[FindRow],
    screenings: usize,
    hung: &Hung,
    now: Now,
) -> TrayRow {
    let open = |f: &&FindRow| matches!(f.state.as_str(), "suspect" | "tentative" | "determined");
    let worst = said.iter().find(open);
    let urgency = if worst.is_some() {
        URGENCIES[0]
    } else if specimen.offered_to.is_some() {
        URGENCIES[1]
    } else if said.is_empty() && screenings == 0 {
        URGENCIES[2]
    } else {
        URGENCIES[3]
    };
    let waited = hours(specimen.since, now.at);
    let day = specimen.day.unwrap_or_else(|| utc_day(specimen.since));
    let placement = specimen.trap.as_deref().and_then(|trap| hung.at(trap, day));
    let told = worst.or_else(|| said.first());
    TrayRow {
        specimen: specimen.specimen.clone(),
        trap: specimen.trap.clone(),
        place: placement.map(|p| p.place.clone()),
        zone: placement.and_then(|p| hung.zone(p.position)),
        target: told
            .map(|f| f.target.clone())
            .or_else(|| taken.and_then(|t| t.suspected.clone())),
        taken: day,
        hours: waited,
        urgency: urgency.into(),
        state: told.map_or_else(|| specimen.state.clone(), |f| f.state.clone()),
        held_by: specimen.holder.clone(),
        late: (urgency == URGENCIES[0] || urgency == URGENCIES[1]) && waited > WITHIN_HOURS,
        photos: taken.map_or(0, |t| t.photos.len()),
    }
}

fn utc_day(at: Timestamp) -> Date {
    jiff::tz::TimeZone::UTC.to_datetime(at).date()
}

/// Hand-overs that wait for an answer, the oldest first.
///
/// # Errors
/// A programme that can't be read.
pub fn handovers(programme: &Programme, now: Now) -> Result<Vec<HandoverRow>, ChainError> {
    let open = programme.unanswered(now.at, 0)?;
    Ok(open
        .into_iter()
        .map(|offer| {
            let waited = hours(offer.since, now.at);
            HandoverRow {
                handover: offer.handover,
                from: offer.from,
                to: offer.to,
                specimens: offer.specimens,
                offered: offer.since,
                hours: waited,
                late: waited > WITHIN_HOURS,
            }
        })
        .collect())
}

/// A photo of a specimen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PhotoRow {
    /// Hash of its bytes.
    pub hash: String,
    /// Its media type.
    pub media_type: String,
}

/// What somebody said of a specimen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct OpinionRow {
    /// The entry.
    pub entry: Uuid,
    /// Whose word it is.
    pub by: String,
    /// The day.
    pub on: Date,
    /// What it is said to be.
    pub taxon: String,
    /// How sure.
    pub status: String,
    /// By what.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub method: Option<String>,
    /// In their words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub words: Option<String>,
    /// It is an official determination.
    pub authority: bool,
}

/// One step of a specimen's way.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct CustodyRow {
    /// The entry.
    pub entry: Uuid,
    /// When.
    pub at: Timestamp,
    /// taken, offered, accepted, declined or ended.
    pub what: String,
    /// From whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// To whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// In plain words.
    pub words: String,
}

/// One time it was gone through.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ScreeningRow {
    /// The entry.
    pub entry: Uuid,
    /// By whom.
    pub by: String,
    /// The day.
    pub on: Date,
    /// In plain words.
    pub words: String,
}

/// Everything known of one specimen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SpecimenView {
    /// Its label.
    pub specimen: String,
    /// The specimen it was lifted from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parent: Option<String>,
    /// The trap it, or its parent, was taken out of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trap: Option<String>,
    /// Where that hung.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The day.
    pub taken: Date,
    /// By whom.
    pub taken_by: String,
    /// Where it stands: what was said last, or where it is.
    pub state: String,
    /// Who has it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held_by: Option<String>,
    /// Where it was taken.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<At>,
    /// The tree it was taken from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub host: Option<String>,
    /// Photos.
    pub photos: Vec<PhotoRow>,
    /// Opinions, by time.
    pub opinions: Vec<OpinionRow>,
    /// Its way, by time.
    pub custody: Vec<CustodyRow>,
    /// Screenings, by time.
    pub screenings: Vec<ScreeningRow>,
    /// Specimens lifted from it.
    pub children: Vec<String>,
    /// Kinds of entries that may come next.
    pub next_moves: Vec<String>,
}

/// Everything known of one specimen, as the person may know it.
///
/// # Errors
/// A specimen that nobody has heard of; a programme that can't be read.
pub fn specimen(programme: &Programme, act: &Act, label: &str) -> Result<SpecimenView, ChainError> {
    let known = programme.whereabouts(act, label)?;
    let history = programme.history_of_specimen(label)?;
    if history.is_empty() {
        return Err(ChainError::Unknown {
            what: "specimen",
            label: label.to_owned(),
        });
    }
    let taken = history.iter().find_map(|(entry, body)| match body {
        Body::SpecimenTaken(taken) if taken.specimen == label => Some((entry, taken)),
        _ => None,
    });
    let hung = Hung::read(programme)?;
    let first_day = history[0].0.day().unwrap_or(Date::ZERO);
    let day = known.day.unwrap_or(first_day);
    let placement = known.trap.as_deref().and_then(|trap| hung.at(trap, day));
    let at = match taken.map(|(_, t)| &t.from) {
        Some(Origin::Other { position, .. }) => *position,
        _ => placement.map(|p| p.position),
    };
    let state = known
        .finds
        .iter()
        .map(|f| f.state.clone())
        .next()
        .unwrap_or_else(|| known.state.clone());
    Ok(SpecimenView {
        specimen: label.to_owned(),
        parent: known.parent,
        place: placement.map(|p| p.place.clone()),
        trap: known.trap,
        taken: day,
        taken_by: taken.map_or_else(|| history[0].0.person.clone(), |(entry, _)| entry.person.clone()),
        state,
        held_by: known.holder.clone(),
        at: at.map(At::from),
        host: known.tree,
        photos: taken
            .map(|(_, t)| t.photos.iter())
            .into_iter()
            .flatten()
            .map(|p| PhotoRow {
                hash: p.hash.to_string(),
                media_type: p.media.clone(),
            })
            .collect(),
        opinions: known.opinions.into_iter().map(opinion_row).collect(),
        custody: history
            .iter()
            .filter_map(|(e, b)| custody_row(e, b, label))
            .collect(),
        screenings: history
            .iter()
            .filter_map(|(e, b)| screening_row(e, b, label))
            .collect(),
        children: known.children,
        next_moves: next_moves(&known.state),
    })
}

fn opinion_row(opinion: earlywood_journal::Opinion) -> OpinionRow {
    let said = opinion.said;
    OpinionRow {
        entry: opinion.entry,
        by: said.by,
        on: jiff::tz::TimeZone::system().to_datetime(opinion.at).date(),
        taxon: said.name.unwrap_or(said.target),
        status: said.status.word().into(),
        method: said.method.map(|m| word(&m)),
        words: said.note.or(said.sure),
        authority: said.official,
    }
}

fn custody_row(entry: &earlywood_journal::Entry, body: &Body, label: &str) -> Option<CustodyRow> {
    let (what, from, to, words) = match body {
        Body::SpecimenTaken(b) if b.specimen == label => {
            let words = match &b.from {
                Origin::Trap { trap, .. } => format!("taken out of trap {trap}"),
                Origin::Tree { tree, .. } => format!("taken from tree {tree}"),
                Origin::Specimen { parent } => format!("lifted from specimen {parent}"),
                Origin::Other { words, .. } => words.clone(),
            };
            ("taken", None, Some(entry.person.clone()), words)
        }
        Body::SpecimensOffered(b) => (
            "offered",
            Some(b.from.clone()),
            Some(b.to.clone()),
            format!("hand-over {}: {}", b.handover, b.purpose),
        ),
        Body::SpecimensAccepted(b) => {
            let condition = b.condition.as_deref().unwrap_or("condition not told");
            (
                "accepted",
                None,
                Some(b.by.clone()),
                format!(
                    "hand-over {}: {} containers, {condition}",
                    b.handover, b.containers
                ),
            )
        }
        Body::SpecimensDeclined(b) => (
            "declined",
            None,
            Some(b.by.clone()),
            format!("hand-over {}: {}", b.handover, b.why),
        ),
        Body::SpecimenEnded(b) if b.specimen == label => {
            let place = b.where_.as_deref().map(|w| format!(", {w}")).unwrap_or_default();
            (
                "ended",
                Some(b.by.clone()),
                None,
                format!("{}{place}", word(&b.how)),
            )
        }
        _ => return None,
    };
    Some(CustodyRow {
        entry: entry.id,
        at: entry.event_time.parse().ok()?,
        what: what.into(),
        from,
        to,
        words,
    })
}

fn screening_row(entry: &earlywood_journal::Entry, body: &Body, label: &str) -> Option<ScreeningRow> {
    match body {
        Body::ScreeningMade(b) if b.specimen == label => Some(ScreeningRow {
            entry: entry.id,
            by: b.by.clone(),
            on: entry.day()?,
            words: format!(
                "pass {}: {} suspects, {} look-alikes{}",
                b.pass,
                b.suspects,
                b.look_alikes,
                b.minutes.map(|m| format!(", {m} minutes")).unwrap_or_default()
            ),
        }),
        _ => None,
    }
}

/// Kinds of entries that the specimen's state allows next.
fn next_moves(state: &str) -> Vec<String> {
    let kinds: &[&str] = match state {
        "held" => &[
            "determination",
            "screening-made",
            "specimens-offered",
            "specimen-ended",
        ],
        "offered" => &["specimens-accepted", "specimens-declined", "determination"],
        "lost" => &["determination", "specimen-taken"],
        _ => &["determination"],
    };
    kinds.iter().map(|k| (*k).to_string()).collect()
}
