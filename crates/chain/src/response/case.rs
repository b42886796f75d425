//! A find with all that belongs to it: the other confirmed finds, the protocol, what was done so far.

use std::collections::HashMap;

use earlywood_geodata::{Frame, geodesic_m};
use earlywood_journal::body::{Determined, Material, Method, Origin, Sex as RecordedSex};
use earlywood_journal::{Determination, FindRow, Programme, Response, SpecimenTaken, Status};
use earlywood_model::detection::Point;
use earlywood_model::profile::TargetProfile;
use earlywood_model::protocol::Protocol;
use earlywood_model::record::{Placement, Position};
use earlywood_model::trigger::{Sex, Stage};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use uuid::Uuid;

use crate::Notes;
use crate::error::ChainError;

/// A confirmed find.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Find {
    /// Its label: the specimen's, or `trap:T-1 2026-05-04` for a determination that names a trap and a day.
    pub label: String,
    /// The target's id.
    pub target: String,
    /// Where it was taken, where that is known.
    pub position: Option<Position>,
    /// The trap that caught it.
    pub trap: Option<String>,
    /// The tree it was taken from.
    pub tree: Option<String>,
    /// Day it was taken.
    pub taken: Date,
    /// When it was confirmed.
    pub confirmed: Timestamp,
    /// Who confirmed it.
    pub by: String,
    /// How.
    pub method: Option<String>,
    /// Insects, 1 or more.
    pub count: u32,
    /// Life stage, as it was told.
    pub life_stage: Option<String>,
    /// Adult or not, where that is known.
    #[serde(skip)]
    pub stage: Option<Stage>,
    /// Sex, where it is known.
    #[serde(skip)]
    pub sex: Option<Sex>,
    /// Whether it had mated, where somebody looked.
    pub mated: Option<bool>,
}

/// A find, the finds that belong with it, and what rules them.
#[derive(Debug)]
pub struct Case {
    /// The label that was asked for.
    pub find: String,
    /// The target.
    pub profile: TargetProfile,
    /// The protocol that holds: the one under which the response was opened, else the one adopted last.
    pub protocol: Option<Protocol>,
    /// The entry that adopted it.
    pub protocol_entry: Option<Uuid>,
    /// What was done so far.
    pub response: Option<Response>,
    /// Confirmed finds of the target that belong to this response, by the day they were taken; may be empty where the
    /// find was taken back.
    pub finds: Vec<Find>,
    /// The day asked about.
    pub on: Date,
    /// Metres about the finds.
    pub frame: Frame,
    /// Worth knowing.
    pub notes: Notes,
}

/// The label of what stands of a specimen or of a trap's day.
pub fn label_of(row: &FindRow) -> String {
    match (&row.specimen, &row.trap, row.day) {
        (Some(specimen), ..) => specimen.clone(),
        (None, Some(trap), Some(day)) => format!("trap:{trap} {day}"),
        _ => String::new(),
    }
}

/// Every confirmed find that was confirmed by a day, by the day it was taken; all targets.
///
/// # Errors
/// A programme that can't be read.
pub fn confirmed(programme: &Programme, on: Date) -> Result<Vec<Find>, ChainError> {
    let zone = jiff::tz::TimeZone::system();
    let rows: Vec<FindRow> = programme
        .finds()?
        .into_iter()
        .filter(|row| row.state == "confirmed" && zone.to_datetime(row.since).date() <= on)
        .collect();
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let sources = Sources::of(programme)?;
    let mut finds: Vec<Find> = rows
        .iter()
        .map(|row| sources.find(row, zone.to_datetime(row.since).date()))
        .collect();
    finds.sort_by(|a, b| (a.taken, &a.label).cmp(&(b.taken, &b.label)));
    Ok(finds)
}

/// What is needed to say where specimens came from.
struct Sources {
    taken: HashMap<String, SpecimenTaken>,
    placements: Vec<Placement>,
    trees: HashMap<String, (Option<String>, Option<Position>)>,
    hosts: HashMap<String, Position>,
    said: Vec<Determination>,
}

impl Sources {
    fn of(programme: &Programme) -> Result<Sources, ChainError> {
        let taken = programme.specimens_taken()?.into_iter().map(|r| r.value);
        let taken: HashMap<String, SpecimenTaken> = taken.map(|t| (t.specimen.clone(), t)).collect();
        let mut trees = HashMap::new();
        for seen in programme.inspections()? {
            let tree = trees.entry(seen.value.tree.clone()).or_insert((None, None));
            if seen.value.host.is_some() {
                tree.0 = seen.value.host;
            }
            if seen.value.position.is_some() {
                tree.1 = seen.value.position;
            }
        }
        // Inventories are large: read only where a tree that matters has no position of its own.
        let needed = trees.values().any(|(host, at)| host.is_some() && at.is_none());
        let hosts = if needed {
            programme.hosts()?.into_iter().map(|h| (h.label, h.position)).collect()
        } else {
            HashMap::new()
        };
        Ok(Sources {
            taken,
            placements: programme.placements()?,
            trees,
            hosts,
            said: programme.determinations()?.into_iter().map(|r| r.value).collect(),
        })
    }

    /// Where a specimen came from at last; those lifted from an insert come from its trap.
    fn root(&self, label: &str) -> Option<&SpecimenTaken> {
        let mut at = self.taken.get(label)?;
        // Deeper than anybody lifts one from another.
        for _ in 0..16 {
            match &at.from {
                Origin::Specimen { parent } => at = self.taken.get(parent)?,
                _ => break,
            }
        }
        Some(at)
    }

    fn find(&self, row: &FindRow, confirmed_on: Date) -> Find {
        let label = label_of(row);
        let own = row.specimen.as_ref().and_then(|s| self.taken.get(s));
        let root = row.specimen.as_ref().and_then(|s| self.root(s));
        let mut tree = None;
        let mut position = None;
        match root.map(|r| &r.from) {
            Some(Origin::Tree { tree: named, .. }) => {
                tree = Some(named.clone());
                position = self.trees.get(named).and_then(|(host, at)| {
                    at.or_else(|| host.as_ref().and_then(|h| self.hosts.get(h)).copied())
                });
            }
            Some(Origin::Other { position: at, .. }) => position = *at,
            _ => {}
        }
        if let (None, Some(trap), Some(day)) = (position, &row.trap, row.day) {
            let hung = self.placements.iter().filter(|p| p.trap == *trap && p.hung <= day);
            position = hung.max_by_key(|p| p.hung).map(|p| p.position);
        }
        let said = self.said.iter().rfind(|d| {
            let mine = match (&d.of, &row.specimen) {
                (Determined::Specimen(specimen), Some(label)) => specimen == label,
                (Determined::Trap { trap, date }, None) => Some(trap) == row.trap.as_ref() && Some(*date) == row.day,
                _ => false,
            };
            mine && d.target == row.target && d.status == Status::Confirmed
        });
        let life_stage = said.and_then(|d| d.life_stage.clone());
        let larva = own.is_some_and(|t| t.what == Material::Larva);
        Find {
            label,
            target: row.target.clone(),
            position,
            trap: row.trap.clone(),
            tree,
            taken: row.day.unwrap_or(confirmed_on),
            confirmed: row.since,
            by: said.map(|d| d.by.clone()).unwrap_or_default(),
            method: said.and_then(|d| d.method).map(method_word),
            count: own.and_then(|t| t.count).unwrap_or(1).max(1),
            stage: life_stage.as_deref().and_then(stage).or(larva.then_some(Stage::Immature)),
            life_stage,
            sex: said.and_then(|d| d.sex).map(sex),
            mated: said.and_then(|d| d.mated),
        }
    }
}

fn method_word(method: Method) -> String {
    match method {
        Method::Image => "from a photo",
        Method::Morphology => "from its form",
        Method::Dna => "from its DNA",
        Method::Other => "in another way",
    }
    .to_owned()
}

/// A stage in words; what is no word for one stays unknown.
fn stage(words: &str) -> Option<Stage> {
    match words.trim().to_lowercase().as_str() {
        "adult" | "imago" | "adulto" => Some(Stage::Adult),
        "egg" | "larva" | "nymph" | "pupa" | "prepupa" | "immature" | "huevo" | "ninfa" => Some(Stage::Immature),
        _ => None,
    }
}

fn sex(recorded: RecordedSex) -> Sex {
    match recorded {
        RecordedSex::Female => Sex::Female,
        RecordedSex::Male => Sex::Male,
    }
}

impl Case {
    /// The case of a find, as known on a day.
    ///
    /// # Errors
    /// No such find; one that is not confirmed and opened no response; a programme that can't be read.
    pub fn of(programme: &Programme, find: &str, on: Date) -> Result<Case, ChainError> {
        let response = programme.response(find)?;
        let target = match &response {
            Some(response) => response.target().to_owned(),
            None => confirmed_target(programme, find)?,
        };
        let profile = crate::target(programme, &target)?;
        let adopted = match &response {
            Some(response) => programme.protocol_of(response.opened.value.protocol)?,
            None => programme.protocol(&target)?,
        };
        let mut notes = Notes::new();
        let finds = belonging(programme, find, &target, on, &mut notes)?;
        if finds.iter().any(|f| f.position.is_none()) {
            notes.push("some finds have no position: they count for the clock, and are on no map".into());
        }
        let at: Vec<Position> = finds.iter().filter_map(|f| f.position).collect();
        let frame = match at.as_slice() {
            [] => Frame::new(Position { lat: 0.0, lon: 0.0 }),
            at => Frame::about(at.iter().copied())?,
        };
        Ok(Case {
            find: find.to_owned(),
            profile,
            protocol_entry: adopted.as_ref().map(|a| a.entry),
            protocol: adopted.map(|a| a.protocol),
            response,
            finds,
            on,
            frame,
            notes,
        })
    }

    /// The protocol, or what to do about there being none.
    ///
    /// # Errors
    /// No protocol was adopted for the target.
    pub fn protocol(&self) -> Result<&Protocol, ChainError> {
        self.protocol.as_ref().ok_or_else(|| {
            ChainError::asked(
                "protocol",
                format!(
                    "no protocol of response is adopted for {}: adopt one first (response FILE adopt PROTOCOL.toml; protocols \
                     to start from come with the program)",
                    self.profile.id
                ),
            )
        })
    }

    /// The find asked for.
    pub fn opening(&self) -> Option<&Find> {
        self.finds.iter().find(|f| f.label == self.find)
    }

    /// Metres in the frame about the finds.
    pub fn point(&self, at: Position) -> Point {
        let xy = self.frame.to_xy(at);
        Point {
            x_m: xy.x_m,
            y_m: xy.y_m,
        }
    }

    /// Where the finds lie, of those that have a position.
    pub fn positions(&self) -> Vec<Position> {
        self.finds.iter().filter_map(|f| f.position).collect()
    }
}

/// The target for which a find stands confirmed.
fn confirmed_target(programme: &Programme, find: &str) -> Result<String, ChainError> {
    let rows: Vec<FindRow> = programme
        .finds()?
        .into_iter()
        .filter(|row| label_of(row) == find)
        .collect();
    if let Some(row) = rows.iter().find(|row| row.state == "confirmed") {
        return Ok(row.target.clone());
    }
    match rows.first() {
        Some(row) => Err(ChainError::asked(
            "find",
            format!(
                "{find} is {} for {}, not confirmed: a response begins when somebody with the authority confirms it",
                row.state, row.target
            ),
        )),
        None => Err(ChainError::Unknown {
            what: "find",
            label: find.to_owned(),
        }),
    }
}

/// Confirmed finds of the target, each with the response whose opening find is nearest; the case's own among them.
fn belonging(
    programme: &Programme,
    find: &str,
    target: &str,
    on: Date,
    notes: &mut Notes,
) -> Result<Vec<Find>, ChainError> {
    let all: Vec<Find> = confirmed(programme, on)?
        .into_iter()
        .filter(|f| f.target == target)
        .collect();
    let Some(mine) = all.iter().find(|f| f.label == find).and_then(|f| f.position) else {
        return Ok(all.into_iter().filter(|f| f.label == find).collect());
    };
    let others: Vec<Position> = programme
        .responses()?
        .iter()
        .filter(|r| r.target() == target && r.find() != find && r.closed.is_none())
        .filter_map(|r| all.iter().find(|f| f.label == r.find()))
        .filter_map(|f| f.position)
        .collect();
    let nearest_is_mine = |at: Position| {
        let here = geodesic_m(mine, at);
        others.iter().all(|other| here <= geodesic_m(*other, at))
    };
    let before = all.len();
    let kept: Vec<Find> = all
        .into_iter()
        .filter(|f| f.label == find || f.position.is_none_or(nearest_is_mine))
        .collect();
    if kept.len() < before {
        notes.push(format!(
            "{} other finds lie nearer to another open response and count there",
            before - kept.len()
        ));
    }
    Ok(kept)
}
