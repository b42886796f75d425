//! The first look of the day: what is overdue and what it costs, what waits, what stands in the way.

use earlywood_journal::{FindRow as Find, Level, Programme};
use earlywood_model::record::Position;
use jiff::ToSpan as _;
use jiff::civil::Date;
use serde::Serialize;

use crate::bench::Hung;
use crate::desk::{Desk, USUAL_DRAWS};
use crate::due::{Board, Costs, price, rank};
use crate::error::ChainError;
use crate::view::{Band, ConflictRow, DueTrap, FindRow, HandoverRow, HoldRow, Now, TrayRow};
use crate::{Notes, bench};

/// More overdue traps than this are counted in a note, not listed: nobody drives to more in a morning.
const MOST_OVERDUE: usize = 500;
/// More finds than this are for the journal, not for the morning.
const MOST_FINDS: usize = 100;

/// One target in one line: its weakest zone.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Weakest {
    /// The target.
    pub target: String,
    /// Its common name.
    pub common_name: String,
    /// The zone in which an incursion would be seen least.
    pub zone: String,
    /// Sensitivity there, to date.
    pub sensitivity: Band,
    /// Probability of absence there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p_free: Option<Band>,
}

/// How many of each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Counts {
    /// Traps that hang.
    pub traps_out: u64,
    /// Stops recorded for today.
    pub visits_today: u64,
    /// Stops recorded for today and the six days before.
    pub visits_7_days: u64,
    /// Host trees.
    pub hosts: u64,
    /// Places.
    pub places: u64,
    /// Entries in the journal.
    pub entries: u64,
}

/// The morning.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Morning {
    /// The day.
    pub on: Date,
    /// Traps on which a clock is due or has failed: those that cost most first.
    pub overdue: Vec<DueTrap>,
    /// Suspects that wait, the longest first.
    pub suspects: Vec<TrayRow>,
    /// Hand-overs that were not answered.
    pub handovers: Vec<HandoverRow>,
    /// Holds in force.
    pub holds: Vec<HoldRow>,
    /// Conflicts that wait.
    pub conflicts: Vec<ConflictRow>,
    /// Confirmed finds, the newest first.
    pub finds: Vec<FindRow>,
    /// How many of each.
    pub counts: Counts,
    /// One per target that traps hang for.
    pub assurance: Vec<Weakest>,
    /// Worth knowing.
    pub notes: Notes,
}

/// What the engine says of a day: kept, because it takes the longest.
#[derive(Debug)]
pub(crate) struct Figures {
    costs: Costs,
    assurance: Vec<Weakest>,
    notes: Notes,
}

/// Gathers it.
///
/// # Errors
/// A programme that can't be read. What can't be reckoned (no weather, no hosts) is a note.
pub fn morning(desk: &Desk, programme: &Programme, now: Now) -> Result<Morning, ChainError> {
    let board = Board::read(programme, now.today)?;
    let figures = desk.morning_figures((now.today, programme.revision()?), || {
        figures(desk, programme, &board, now.today)
    })?;
    let mut notes = figures.notes.clone();
    let mut overdue = board.all();
    overdue.retain(|t| t.level != Level::Fine);
    price(&mut overdue, &figures.costs);
    rank(&mut overdue);
    if overdue.len() > MOST_OVERDUE {
        notes.push(format!(
            "{} more traps are overdue than are listed here",
            overdue.len() - MOST_OVERDUE
        ));
        overdue.truncate(MOST_OVERDUE);
    }
    let mut bench = bench::bench(programme, now, None)?;
    bench.tray.retain(|row| row.urgency == "suspect");
    Ok(Morning {
        on: now.today,
        overdue,
        suspects: bench.tray,
        handovers: bench.handovers,
        holds: board.holds_in_force(),
        conflicts: conflicts(programme)?,
        finds: finds(programme)?,
        counts: counts(programme, &board, now.today)?,
        assurance: figures.assurance.clone(),
        notes,
    })
}

fn figures(desk: &Desk, programme: &Programme, board: &Board, today: Date) -> Result<Figures, ChainError> {
    let mut figures = Figures {
        costs: Costs::new(),
        assurance: Vec::new(),
        notes: Notes::new(),
    };
    let mut targets: Vec<String> = programme.profiles()?.into_iter().map(|p| p.profile.id).collect();
    targets.extend(board.limits().keys().cloned());
    targets.sort();
    targets.dedup();
    for target in targets {
        let answered = match desk.answered(programme, &target, today, USUAL_DRAWS, None) {
            Ok(answered) => answered,
            Err(why) => {
                figures
                    .notes
                    .push(format!("no figures for {target}: {}", why.words()));
                continue;
            }
        };
        for visit in answered.answer.zones.iter().flat_map(|z| &z.next_visits) {
            let adds = (visit.from_look, visit.from_renewal);
            let kept = figures.costs.entry(visit.label.clone()).or_insert(adds);
            if adds.0 + adds.1 > kept.0 + kept.1 {
                *kept = adds;
            }
        }
        let last = |z: &&earlywood_model::assurance::ZoneAssurance| z.cells > 0;
        let weakest = answered
            .answer
            .zones
            .iter()
            .filter(last)
            .min_by(|a, b| a.central_sensitivity.total_cmp(&b.central_sensitivity));
        if let Some((zone, period)) = weakest.and_then(|z| Some((z, z.periods.last()?))) {
            figures.assurance.push(Weakest {
                target: target.clone(),
                common_name: answered.profile.common_name.clone(),
                zone: zone.zone.clone(),
                sensitivity: period.sensitivity.into(),
                p_free: period.p_free.map(Band::from),
            });
        }
    }
    Ok(figures)
}

fn counts(programme: &Programme, board: &Board, today: Date) -> Result<Counts, ChainError> {
    let counts = programme.counts()?;
    let week = today.saturating_sub(6.days());
    Ok(Counts {
        traps_out: board.hanging.len() as u64,
        visits_today: programme.visits_between(today, today)?,
        visits_7_days: programme.visits_between(week, today)?,
        hosts: counts.hosts,
        places: counts.places,
        entries: counts.entries,
    })
}

/// Conflicts that wait for a supervisor.
///
/// # Errors
/// A programme that can't be read.
pub fn conflicts(programme: &Programme) -> Result<Vec<ConflictRow>, ChainError> {
    let open = programme.conflicts(false)?;
    Ok(open
        .into_iter()
        .map(|c| ConflictRow {
            id: c.id,
            subject: c.subject,
            kind: c.kind,
            words: c.words,
            entries: c.entries,
            settled_by: c.settled_by,
        })
        .collect())
}

/// Confirmed finds, the newest first.
///
/// # Errors
/// A programme that can't be read.
pub fn finds(programme: &Programme) -> Result<Vec<FindRow>, ChainError> {
    let mut rows = all_finds(programme)?;
    rows.truncate(MOST_FINDS);
    Ok(rows)
}

/// A find whose position is known.
pub(crate) struct FindAt {
    pub(crate) at: Position,
    pub(crate) row: FindRow,
}

/// Every confirmed find whose position is known.
pub(crate) fn finds_placed(programme: &Programme) -> Result<Vec<FindAt>, ChainError> {
    let placed = |row: FindRow| {
        let at = Position {
            lat: row.lat?,
            lon: row.lon?,
        };
        Some(FindAt { at, row })
    };
    Ok(all_finds(programme)?.into_iter().filter_map(placed).collect())
}

fn all_finds(programme: &Programme) -> Result<Vec<FindRow>, ChainError> {
    let confirmed: Vec<Find> = programme
        .finds()?
        .into_iter()
        .filter(|f| f.state == "confirmed")
        .collect();
    if confirmed.is_empty() {
        return Ok(Vec::new());
    }
    let hung = Hung::read(programme)?;
    let mut rows: Vec<FindRow> = confirmed.into_iter().map(|f| find_row(f, &hung)).collect();
    rows.sort_by(|a, b| (b.day, &a.specimen).cmp(&(a.day, &b.specimen)));
    Ok(rows)
}

fn find_row(find: Find, hung: &Hung) -> FindRow {
    let since = jiff::tz::TimeZone::system().to_datetime(find.since).date();
    let day = find.day.unwrap_or(since);
    let at = find
        .trap
        .as_deref()
        .and_then(|trap| hung.at(trap, day))
        .map(|p| p.position);
    FindRow {
        lat: at.map(|p| p.lat),
        lon: at.map(|p| p.lon),
        specimen: find.specimen,
        trap: find.trap,
        zone: at.and_then(|p| hung.zone(p)),
        day,
        target: find.target,
        state: find.state,
        since: Some(since),
    }
}
