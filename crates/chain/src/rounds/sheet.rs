//! A round's paper when it comes back: its form, and the answers that a clerk types in from it.
//!
//! A row is a stop. All rows are looked at before anything is written; where one is wrong nothing is, and what is wrong is told
//! by row and column. A row without any answer is a stop that was not made, and says nothing.

use std::collections::{HashMap, HashSet};

use earlywood_journal::body::{Catch, Outcome, Proof, Renewal, Renewals};
use earlywood_journal::{Act, Body, Draft, PlannedRound, PlannedStop, Programme, Refusal, VisitMade};
use earlywood_model::record::{Looked, TrapFound, VisitKind};
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::code;
use super::due::to_hang;
use super::files::{guarded, unguarded};
use super::view::{PlannedRoundView, Viewer};
use crate::error::ChainError;

/// The columns of the form, in order.
pub const COLUMNS: [&str; 12] = [
    "stop", "trap", "found", "looked", "suspects", "lure", "insert", "agent", "body", "arrive", "leave",
    "note",
];

/// A row as it was typed. Every cell is text.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(default, deny_unknown_fields)]
pub struct TypedRow {
    /// Number of the stop, from 1.
    pub stop: String,
    /// The trap's label.
    pub trap: String,
    /// working, impaired, down, gone or not-reached.
    pub found: String,
    /// fully, partly or no.
    pub looked: String,
    /// How many suspects were taken; 0: looked, none.
    pub suspects: String,
    /// The lure was changed: yes, no, or the lot of the new one.
    pub lure: String,
    /// The sticky insert was changed: yes, no, or its lot.
    pub insert: String,
    /// The killing agent was renewed: yes, no, or its lot.
    pub agent: String,
    /// The body was changed: yes, no, or its lot.
    pub body: String,
    /// When the crew came, HH:MM.
    pub arrive: String,
    /// When it left, HH:MM.
    pub leave: String,
    /// Anything else; why the catch was not looked at.
    pub note: String,
}

impl TypedRow {
    fn cells(&mut self) -> [&mut String; 12] {
        [
            &mut self.stop,
            &mut self.trap,
            &mut self.found,
            &mut self.looked,
            &mut self.suspects,
            &mut self.lure,
            &mut self.insert,
            &mut self.agent,
            &mut self.body,
            &mut self.arrive,
            &mut self.leave,
            &mut self.note,
        ]
    }

    fn answered(&mut self) -> bool {
        self.cells().into_iter().skip(2).any(|c| !c.is_empty())
    }
}

/// Something wrong in a row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Wrong {
    /// The row, from 1, the header not counted.
    pub row: usize,
    /// The column.
    pub column: String,
    /// What is wrong, and what to write.
    pub words: String,
}

/// What became of typed rows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Typed {
    /// Nothing was written.
    Problems(Vec<Wrong>),
    /// So many visits were recorded.
    Recorded(usize),
}

/// The form of a round.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SheetForm {
    /// The round.
    pub round: PlannedRoundView,
    /// A row for each stop.
    pub rows: Vec<TypedRow>,
    /// Stops of which a visit is recorded already, by number.
    pub recorded: Vec<usize>,
}

struct Found {
    round: PlannedRound,
    began: Date,
}

fn find(programme: &Programme, typed: &str) -> Result<Found, ChainError> {
    let code = code::parse(typed).map_err(|e| ChainError::asked("code", e.to_string()))?;
    let all = programme.rounds_adopted()?;
    let found = all.iter().rev().find_map(|a| {
        Some(Found {
            round: a.value.sheet(&code)?.clone(),
            began: a.value.from,
        })
    });
    found.ok_or(ChainError::Unknown {
        what: "sheet",
        label: code,
    })
}

/// The traps that have a visit on a day.
fn recorded_on(programme: &Programme, date: Date) -> Result<HashSet<String>, ChainError> {
    let stops = programme.stops()?.into_iter().map(|s| s.value);
    Ok(stops.filter(|v| v.date == date).map(|v| v.trap).collect())
}

/// The form of the round with a code.
///
/// # Errors
/// A text that is no code, a code that no round has; a programme that can't be read.
pub fn sheet(programme: &Programme, code: &str) -> Result<SheetForm, ChainError> {
    let found = find(programme, code)?;
    let there = recorded_on(programme, found.round.date)?;
    let row = |(n, stop): (usize, &PlannedStop)| TypedRow {
        stop: n.to_string(),
        trap: stop.trap.clone(),
        ..TypedRow::default()
    };
    Ok(SheetForm {
        rows: (1..).zip(&found.round.stops).map(row).collect(),
        recorded: (1..)
            .zip(&found.round.stops)
            .filter(|(_, s)| there.contains(&s.trap))
            .map(|(n, _)| n)
            .collect(),
        round: Viewer::read(programme)?.round(found.round, found.began)?,
    })
}

/// The form as CSV (RFC 4180), to be filled in.
///
/// # Errors
/// None that a form can bring about.
pub fn form_csv(form: &SheetForm) -> Result<String, ChainError> {
    let rows = form.rows.iter().map(|row| {
        let mut row = row.clone();
        row.cells().map(|c| guarded(c)).to_vec()
    });
    super::files::csv_text(&COLUMNS, rows)
}

/// The rows of a filled-in form. Columns may stand in any order, and those that nobody filled in may be left out.
///
/// # Errors
/// What is wrong with the file itself: no header, an unknown column, no `stop`, a row that is too long.
pub fn read_csv(text: &str) -> Result<Vec<TypedRow>, Vec<Wrong>> {
    let wrong = |row: usize, column: &str, words: String| {
        vec![Wrong {
            row,
            column: column.to_owned(),
            words,
        }]
    };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new()
        .flexible(false)
        .from_reader(text.as_bytes());
    let header = reader.headers().map_err(|e| wrong(0, "", e.to_string()))?.clone();
    let mut columns = Vec::new();
    for name in &header {
        let name = name.trim().to_lowercase();
        let at = COLUMNS.iter().position(|c| *c == name);
        let at = at.ok_or_else(|| {
            let known = COLUMNS.join(", ");
            wrong(0, &name, format!("no such column; there are: {known}"))
        })?;
        if columns.contains(&at) {
            return Err(wrong(0, &name, "the column stands there twice".into()));
        }
        columns.push(at);
    }
    if !columns.contains(&0) {
        return Err(wrong(
            0,
            "stop",
            "this column is missing: it tells which stop a row is about".into(),
        ));
    }
    let mut rows = Vec::new();
    for (n, record) in reader.records().enumerate() {
        let record = record.map_err(|e| wrong(n + 1, "", format!("the row can't be read: {e}")))?;
        let mut row = TypedRow::default();
        let cells = row.cells();
        for (value, &at) in record.iter().zip(&columns) {
            *cells[at] = unguarded(value.trim()).to_owned();
        }
        rows.push(row);
    }
    Ok(rows)
}

/// One row on its way to a visit: collects what is wrong with it.
struct Reader<'a> {
    row: usize,
    wrong: &'a mut Vec<Wrong>,
}

impl Reader<'_> {
    fn say(&mut self, column: &str, words: impl Into<String>) {
        self.wrong.push(Wrong {
            row: self.row,
            column: column.to_owned(),
            words: words.into(),
        });
    }

    fn found(&mut self, text: &str) -> Option<TrapFound> {
        match plain(text).as_str() {
            "working" => Some(TrapFound::Working),
            "impaired" => Some(TrapFound::Impaired),
            "down" => Some(TrapFound::Down),
            "gone" => Some(TrapFound::Gone),
            "not-reached" => Some(TrapFound::NotReached),
            "" => {
                self.say(
                    "found",
                    "say how the trap was found: working, impaired, down, gone or not-reached",
                );
                None
            }
            _ => {
                self.say(
                    "found",
                    format!("{text:?} is not working, impaired, down, gone or not-reached"),
                );
                None
            }
        }
    }

    fn looked(&mut self, text: &str, found: Option<TrapFound>) -> Option<Looked> {
        match (plain(text).as_str(), found) {
            ("fully" | "yes", _) => Some(Looked::Fully),
            ("partly", _) => Some(Looked::Partly),
            ("no", _) | ("", Some(TrapFound::Gone | TrapFound::NotReached)) => Some(Looked::No),
            ("", _) => {
                self.say(
                    "looked",
                    "say whether the catch was looked at: fully, partly or no",
                );
                None
            }
            _ => {
                self.say("looked", format!("{text:?} is not fully, partly or no"));
                None
            }
        }
    }

    fn suspects(&mut self, text: &str, looked: Option<Looked>) -> Option<u32> {
        match (text, looked) {
            ("", Some(Looked::Fully | Looked::Partly)) => {
                self.say(
                    "suspects",
                    "the catch was looked at: write how many were taken, 0 for \"looked, none\"",
                );
                None
            }
            ("", _) => None,
            (_, Some(Looked::No)) => {
                self.say(
                    "suspects",
                    format!("{text:?}, but the catch was not looked at: leave it out, or say looked"),
                );
                None
            }
            _ => {
                let number = text.parse::<u32>().ok().filter(|n| *n <= 100_000);
                if number.is_none() {
                    self.say("suspects", format!("{text:?} is not a whole number of 0 or more"));
                }
                number
            }
        }
    }

    fn renewal(&mut self, column: &str, text: &str, lots: &HashSet<String>) -> Option<Renewal> {
        match plain(text).as_str() {
            "" | "no" => None,
            "yes" => Some(Renewal::default()),
            _ if lots.contains(text) => Some(Renewal {
                lot: Some(text.to_owned()),
            }),
            _ => {
                self.say(
                    column,
                    format!("{text:?} is neither yes nor no nor the label of a lot that was received"),
                );
                None
            }
        }
    }

    fn time(&mut self, column: &str, text: &str) -> Option<Time> {
        if text.is_empty() {
            return None;
        }
        // People write 9:05 as well as 09:05.
        let (hour, minute) = text.split_once(':').unwrap_or((text, ""));
        let digits = |t: &str, most: usize| {
            (!t.is_empty() && t.len() <= most && t.bytes().all(|b| b.is_ascii_digit()))
                .then(|| t.parse::<i8>().ok())
        };
        let time = digits(hour, 2)
            .flatten()
            .zip(digits(minute, 2).flatten().filter(|_| minute.len() == 2));
        let time = time.and_then(|(h, m)| Time::new(h, m, 0, 0).ok());
        if time.is_none() {
            self.say(column, format!("{text:?} is not a time of the day, as in 09:05"));
        }
        time
    }
}

/// Small letters, blanks as hyphens.
fn plain(text: &str) -> String {
    text.trim().to_lowercase().replace([' ', '_'], "-")
}

/// What the rows of one sheet are checked against.
struct Desk<'a> {
    round: &'a PlannedRound,
    there: HashSet<String>,
    lots: HashSet<String>,
    zone: &'a TimeZone,
    today: Date,
}

/// Records the visits that were typed in from a sheet: all of them, or none with what is wrong.
///
/// # Errors
/// A code that no round has; whatever the journal refuses. What is wrong with a row is no error but [`Typed::Problems`].
pub fn type_in(
    programme: &mut Programme,
    act: &Act,
    code: &str,
    rows: &[TypedRow],
    zone: &TimeZone,
) -> Result<Typed, ChainError> {
    let found = find(programme, code)?;
    let desk = Desk {
        there: recorded_on(programme, found.round.date)?,
        lots: programme.stocks()?.into_iter().map(|s| s.lot).collect(),
        round: &found.round,
        zone,
        today: act.today(),
    };
    let mut wrong = Vec::new();
    let mut visits: Vec<(usize, VisitMade)> = Vec::new();
    let mut seen: HashMap<usize, usize> = HashMap::new();
    for (n, row) in rows.iter().enumerate() {
        let mut row = row.clone();
        for cell in row.cells() {
            *cell = cell.trim().to_owned();
        }
        let mut reader = Reader {
            row: n + 1,
            wrong: &mut wrong,
        };
        if let Some(visit) = desk.visit(&mut reader, &mut row, &mut seen) {
            visits.push((n + 1, visit));
        }
    }
    overlaps(&visits, &mut wrong);
    if rows.is_empty() || (visits.is_empty() && wrong.is_empty()) {
        wrong.push(Wrong {
            row: 0,
            column: "found".into(),
            words: "no row has an answer, so there is nothing to record".into(),
        });
    }
    if !wrong.is_empty() {
        wrong.sort_by_key(|w| w.row);
        return Ok(Typed::Problems(wrong));
    }
    let drafts: Vec<Draft> = visits
        .into_iter()
        .map(|(_, visit)| Draft::from(Body::VisitMade(visit)))
        .collect();
    programme.append_all(act, &drafts)?;
    Ok(Typed::Recorded(drafts.len()))
}

impl Desk<'_> {
    /// The visit of a row; none where nothing was answered, or something is wrong.
    fn visit(
        &self,
        to: &mut Reader<'_>,
        row: &mut TypedRow,
        seen: &mut HashMap<usize, usize>,
    ) -> Option<VisitMade> {
        let before = to.wrong.len();
        let stop = self.stop(to, row, seen)?;
        if !row.answered() {
            return None;
        }
        if stop.trap == to_hang(&stop.place) {
            to.say(
                "stop",
                "a trap that is hung is recorded on the phone or with its own label, not from a sheet",
            );
            return None;
        }
        if self.there.contains(&stop.trap) {
            to.say(
                "stop",
                format!(
                    "a visit of {} on {} is recorded already; what is wrong in it is corrected, not typed again",
                    stop.trap, self.round.date
                ),
            );
            return None;
        }
        let visit = self.read(to, row, stop);
        if to.wrong.len() > before {
            return None;
        }
        if let Err(refusal) = Body::VisitMade(visit.clone()).check(self.today) {
            to.say(column_of(&refusal), refusal.to_string());
            return None;
        }
        Some(visit)
    }

    fn stop(
        &self,
        to: &mut Reader<'_>,
        row: &TypedRow,
        seen: &mut HashMap<usize, usize>,
    ) -> Option<&PlannedStop> {
        let number = row.stop.parse::<usize>().ok().filter(|n| *n >= 1);
        let stop = number.and_then(|n| Some((n, self.round.stops.get(n - 1)?)));
        let Some((number, stop)) = stop else {
            let last = self.round.stops.len();
            to.say(
                "stop",
                format!(
                    "{:?} is no stop of this round; they are numbered 1 to {last}",
                    row.stop
                ),
            );
            return None;
        };
        if !row.trap.is_empty() && row.trap != stop.trap {
            to.say(
                "trap",
                format!(
                    "stop {number} of this round is {}, not {:?}: is it another sheet?",
                    stop.trap, row.trap
                ),
            );
            return None;
        }
        if let Some(first) = seen.insert(number, to.row) {
            to.say("stop", format!("stop {number} stands in row {first} already"));
            return None;
        }
        Some(stop)
    }

    fn read(&self, to: &mut Reader<'_>, row: &TypedRow, stop: &PlannedStop) -> VisitMade {
        let found = to.found(&row.found);
        let looked = to.looked(&row.looked, found);
        let suspects = to.suspects(&row.suspects, looked);
        let renewed = Renewals {
            lure: to.renewal("lure", &row.lure, &self.lots),
            insert: to.renewal("insert", &row.insert, &self.lots),
            killing_agent: to.renewal("agent", &row.agent, &self.lots),
            body: to.renewal("body", &row.body, &self.lots),
        };
        let (arrive, leave) = (to.time("arrive", &row.arrive), to.time("leave", &row.leave));
        if let (Some(arrive), Some(leave)) = (arrive, leave)
            && leave < arrive
        {
            to.say(
                "leave",
                format!("{} lies before the crew came, {}", row.leave, row.arrive),
            );
        }
        let note = (!row.note.is_empty()).then(|| row.note.clone());
        let unsaid = matches!(found, Some(TrapFound::Working | TrapFound::Impaired))
            && matches!(looked, Some(Looked::No | Looked::Partly))
            && note.is_none();
        if unsaid {
            to.say("note", "say why the catch was not looked at, or in part only");
        }
        let (found, looked) = (found.unwrap_or(TrapFound::Working), looked.unwrap_or(Looked::No));
        let there = !matches!(found, TrapFound::NotReached | TrapFound::Gone);
        let looked_at = looked != Looked::No;
        VisitMade {
            trap: stop.trap.clone(),
            date: self.round.date,
            arrive: self.moment(to, "arrive", arrive),
            leave: self.moment(to, "leave", leave),
            place: Some(stop.place.clone()),
            kind: VisitKind::Service,
            moved_to: None,
            proved_by: there.then_some(Proof::Read),
            position: None,
            position_accuracy_m: None,
            found,
            impairments: Vec::new(),
            looked,
            not_looked_why: note.clone().filter(|_| looked != Looked::Fully),
            catch: suspects.filter(|_| looked_at).map(|suspects| Catch {
                suspects,
                specimens: Vec::new(),
                by_catch: None,
            }),
            insert_taken: None,
            outcome: outcome(found, looked, &renewed),
            renewed,
            hanging_lot: None,
            adjusted: Vec::new(),
            exception: None,
            exception_note: None,
            next_due: None,
            notices: Vec::new(),
            resident: None,
            photos: Vec::new(),
            weather_note: None,
            temperature_c: None,
            crew: Some(self.round.crew.clone()),
            request: None,
            note,
        }
    }

    fn moment(&self, to: &mut Reader<'_>, column: &str, time: Option<Time>) -> Option<String> {
        let moment = self
            .round
            .date
            .to_datetime(time?)
            .to_zoned_datetime(self.zone.clone());
        match moment {
            Ok(moment) => Some(moment.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()),
            Err(_) => {
                to.say(column, "the time zone has no such moment");
                None
            }
        }
    }
}

fn outcome(found: TrapFound, looked: Looked, renewed: &Renewals) -> Outcome {
    match (found, looked) {
        (TrapFound::NotReached, _) => Outcome::Failed,
        (TrapFound::Gone, _) => Outcome::Partial,
        (_, Looked::Fully) => Outcome::Complete,
        (_, Looked::No) if renewed.is_empty() => Outcome::Failed,
        _ => Outcome::Partial,
    }
}

/// The column that a refusal of the journal is about.
fn column_of(refusal: &Refusal) -> &'static str {
    let field = match refusal {
        Refusal::Field { field, .. } | Refusal::FutureDate { field, .. } => *field,
        _ => "",
    };
    match field {
        "arrive" => "arrive",
        "leave" => "leave",
        "catch" | "suspects" => "suspects",
        "looked" => "looked",
        "not_looked_why" | "note" => "note",
        "renewed" | "lot" => "lure",
        "date" => "stop",
        _ => "found",
    }
}

/// One crew is at one place at a time.
fn overlaps(visits: &[(usize, VisitMade)], wrong: &mut Vec<Wrong>) {
    let mut timed: Vec<(&String, &String, usize)> = visits
        .iter()
        .filter_map(|(row, v)| Some((v.arrive.as_ref()?, v.leave.as_ref()?, *row)))
        .collect();
    timed.sort();
    for pair in timed.windows(2) {
        let ((_, left, before), (came, _, row)) = (pair[0], pair[1]);
        if came < left {
            wrong.push(Wrong {
                row,
                column: "arrive".into(),
                words: format!("the crew came before it had left the stop of row {before}"),
            });
        }
    }
}
