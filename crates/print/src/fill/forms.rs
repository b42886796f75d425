//! Labels of the traps on the books, forms for what lies on a bench, notices and safety sheets of a crew.

use std::collections::{BTreeMap, HashMap};

use earlywood_chain::ChainError;
use earlywood_chain::rounds::crews;
use earlywood_journal::{Body, Programme};
use earlywood_model::record::Placement;
use jiff::civil::Date;

use crate::custody::{CustodyForm, CustodyItem};
use crate::engine::Made;
use crate::labels::{TrapLabel, TrapLabels};
use crate::notice::DoorNotice;
use crate::safety::CrewSafety;
use crate::stock::{LabelSheet, Paper};

/// Which labels of traps.
#[derive(Debug, Clone)]
pub struct LabelsAsked {
    /// The sheet they are printed on.
    pub sheet: LabelSheet,
    /// First free label of the first sheet, from 1.
    pub start_at: usize,
    /// These traps only, also such as are not on the books yet; empty: all that hang or are stored.
    pub traps: Vec<String>,
    /// Whom to call.
    pub call: Option<String>,
    /// Date of the document.
    pub made: Made,
}

/// Labels of traps, by label. The line more is the place where one hangs now.
///
/// # Errors
/// A programme that can't be read.
pub fn labels(programme: &Programme, asked: &LabelsAsked) -> Result<TrapLabels, ChainError> {
    let hanging = hanging(programme)?;
    let wanted: Vec<String> = if asked.traps.is_empty() {
        let mut all: Vec<String> = hanging.keys().cloned().collect();
        all.extend(programme.stored()?);
        all.sort();
        all.dedup();
        all
    } else {
        asked.traps.clone()
    };
    Ok(TrapLabels {
        sheet: asked.sheet.clone(),
        start_at: asked.start_at,
        programme: programme.name()?,
        call: asked.call.clone(),
        invented: None,
        traps: wanted
            .into_iter()
            .map(|label| TrapLabel {
                note: hanging
                    .get(&label)
                    .map(|p| p.place.clone())
                    .filter(|place| *place != label),
                number: None,
                label,
            })
            .collect(),
        made: asked.made,
    })
}

/// The traps that hang, by label.
fn hanging(programme: &Programme) -> Result<BTreeMap<String, Placement>, ChainError> {
    let placements = programme.placements()?.into_iter();
    Ok(placements
        .filter(|p| p.taken_down.is_none())
        .map(|p| (p.trap.clone(), p))
        .collect())
}

/// Which hand-over.
#[derive(Debug, Clone, Default)]
pub struct CustodyAsked {
    /// Label of a hand-over that was offered; its specimens, people, place and purpose are then filled in.
    pub handover: Option<String>,
    /// These specimens; none of both: what `from` has.
    pub specimens: Vec<String>,
    /// Who gives.
    pub from: Option<String>,
    /// Who takes.
    pub to: Option<String>,
    /// Where.
    pub place: Option<String>,
    /// What for.
    pub purpose: Option<String>,
    /// Paper.
    pub paper: Paper,
    /// Empty rows after the items.
    pub blank_rows: usize,
}

/// A hand-over's form. Without a hand-over, specimens or giver it is empty, to be written by hand.
///
/// # Errors
/// A hand-over or specimen that nobody has heard of; a programme that can't be read.
pub fn custody(programme: &Programme, asked: &CustodyAsked, made: Made) -> Result<CustodyForm, ChainError> {
    let open = programme.specimens_open()?;
    let mut asked = asked.clone();
    if let Some(handover) = &asked.handover {
        let mine: Vec<_> = open
            .iter()
            .filter(|s| s.handover.as_ref() == Some(handover))
            .collect();
        let Some(first) = mine.first() else {
            return Err(ChainError::Unknown {
                what: "handover",
                label: handover.clone(),
            });
        };
        asked.from = asked.from.or_else(|| first.holder.clone());
        asked.to = asked.to.or_else(|| first.offered_to.clone());
        asked.specimens = mine.iter().map(|s| s.specimen.clone()).collect();
        let history = programme.history_of_specimen(&first.specimen)?;
        let offer = history.into_iter().rev().find_map(|(_, body)| match body {
            Body::SpecimensOffered(offer) if offer.handover == *handover => Some(offer),
            _ => None,
        });
        if let Some(offer) = offer {
            asked.place = asked.place.or(offer.place);
            asked.purpose = asked.purpose.or(Some(offer.purpose));
        }
    } else if asked.specimens.is_empty()
        && let Some(from) = &asked.from
    {
        let theirs = open.iter().filter(|s| s.holder.as_ref() == Some(from));
        asked.specimens = theirs.map(|s| s.specimen.clone()).collect();
    }
    let taken: HashMap<String, _> = programme
        .specimens_taken()?
        .into_iter()
        .map(|t| (t.value.specimen.clone(), t.value))
        .collect();
    let known: HashMap<&str, _> = open.iter().map(|s| (s.specimen.as_str(), s)).collect();
    let mut items = Vec::with_capacity(asked.specimens.len());
    for number in &asked.specimens {
        if !taken.contains_key(number) && !known.contains_key(number.as_str()) {
            return Err(ChainError::Unknown {
                what: "specimen",
                label: number.clone(),
            });
        }
        let about = known.get(number.as_str());
        let from = about.and_then(|s| {
            s.trap
                .as_ref()
                .map(|trap| format!("from trap {trap}"))
                .or_else(|| s.tree.as_ref().map(|tree| format!("from tree {tree}")))
        });
        items.push(CustodyItem {
            number: number.clone(),
            what: from.unwrap_or_else(|| "specimen".into()),
            taken: about.and_then(|s| s.day).map(|day| day.to_string()),
            containers: None,
        });
    }
    Ok(CustodyForm {
        paper: asked.paper,
        programme: programme.name()?,
        invented: None,
        from: asked.from,
        to: asked.to,
        when: None,
        place: asked.place,
        purpose: asked.purpose,
        items,
        blank_rows: asked.blank_rows,
        made,
    })
}

/// Which notice.
#[derive(Debug, Clone, Default)]
pub struct NoticeAsked {
    /// The trap; none leaves a line to write on.
    pub trap: Option<String>,
    /// Telephone.
    pub phone: Option<String>,
    /// The office, with its address.
    pub office: Option<String>,
    /// How often it is looked at, English.
    pub visits_en: Option<String>,
    /// The same in Spanish.
    pub visits_es: Option<String>,
    /// Paper.
    pub paper: Paper,
}

/// A notice for the door behind which a trap hangs.
///
/// # Errors
/// A trap that does not hang; a programme that can't be read.
pub fn notice(programme: &Programme, asked: &NoticeAsked, made: Made) -> Result<DoorNotice, ChainError> {
    let place = match &asked.trap {
        None => None,
        Some(trap) => match hanging(programme)?.remove(trap) {
            Some(placement) => Some(placement.place),
            None => {
                return Err(ChainError::asked("trap", format!("no trap {trap:?} hangs")));
            }
        },
    };
    Ok(DoorNotice {
        paper: asked.paper,
        programme: programme.name()?,
        invented: None,
        trap: asked.trap.clone(),
        place,
        phone: asked.phone.clone(),
        office: asked.office.clone(),
        visits_en: asked.visits_en.clone(),
        visits_es: asked.visits_es.clone(),
        made,
    })
}

/// Which safety sheet. What is none is a line to write on.
#[derive(Debug, Clone, Default)]
pub struct SafetyAsked {
    /// The crew; its people of the day stand on the sheet.
    pub crew: Option<String>,
    /// The day.
    pub on: Date,
    /// Local emergency number.
    pub emergency: Option<String>,
    /// The supervisor's number.
    pub supervisor: Option<String>,
    /// Nearest hospital.
    pub hospital: Option<String>,
    /// Electricity company's emergency number.
    pub power: Option<String>,
    /// Check-in times.
    pub check_ins: Vec<String>,
    /// The programme's own prompts.
    pub own: Vec<String>,
    /// Paper.
    pub paper: Paper,
}

/// A crew's safety sheet.
///
/// # Errors
/// A crew that nobody formed for that day; a programme that can't be read.
pub fn safety(programme: &Programme, asked: &SafetyAsked, made: Made) -> Result<CrewSafety, ChainError> {
    let crew = match &asked.crew {
        None => None,
        Some(label) => {
            let formed = crews(programme, asked.on)?;
            let found = formed.into_iter().find(|c| c.crew == *label);
            let found = found.ok_or_else(|| ChainError::Unknown {
                what: "crew",
                label: label.clone(),
            })?;
            Some(format!("{} ({})", found.crew, found.people.join(", ")))
        }
    };
    Ok(CrewSafety {
        paper: asked.paper,
        programme: programme.name()?,
        invented: None,
        crew,
        emergency: asked.emergency.clone(),
        supervisor: asked.supervisor.clone(),
        hospital: asked.hospital.clone(),
        power: asked.power.clone(),
        check_ins: asked.check_ins.clone(),
        own: asked.own.clone(),
        made,
    })
}
