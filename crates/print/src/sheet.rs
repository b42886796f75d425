//! Round sheets: what a crew takes along, and the form that is typed in from it.
//!
//! Cautions stand first, then the map, then the stops. The boxes to fill in stand in the order of [`FIELDS`], under the same
//! names that `earlywood sheet CODE` asks for, so that typing in means reading from left to right.

use std::collections::BTreeMap;

use jiff::civil::{Date, Time};
use serde::Serialize;

use crate::engine::{Made, Template, pdf};
use crate::map::{RoundMap, round_map};
use crate::safety::{PROMPTS, Prompt};
use crate::stock::Paper;
use crate::{PrintError, qr};

/// The columns of a sheet that is typed in, in their order. The first two are printed, the others written by hand.
pub use earlywood_chain::rounds::sheet::COLUMNS as FIELDS;

/// What may be ticked under *found*, as it is typed.
pub const FOUND: [&str; 5] = ["working", "impaired", "down", "gone", "not-reached"];
/// What may be ticked under *looked*, as it is typed.
pub const LOOKED: [&str; 3] = ["fully", "partly", "no"];

/// Width between the margins, and the lowest and highest a map may be, millimetres.
fn map_mm(paper: Paper) -> (f64, (f64, f64)) {
    match paper {
        Paper::A4 => (182.0, (80.0, 128.0)),
        Paper::Letter => (187.9, (76.0, 110.0)),
    }
}

/// At most so many visits that are in no round stand on a sheet; the others are counted. Design choice.
const MOST_LEFT_OUT: usize = 15;

/// One or more rounds, each beginning on a leaf of its own.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RoundSheets {
    /// Paper.
    pub paper: Paper,
    /// The programme.
    pub programme: String,
    /// When the data are invented: the statement that says so.
    pub invented: Option<String>,
    /// Whom to call, in the programme's own words ("Office, extension 12").
    pub call: Option<String>,
    /// The rounds.
    pub rounds: Vec<RoundSheet>,
}

/// One crew's day.
#[derive(Debug, Clone, PartialEq)]
pub struct RoundSheet {
    /// The short code by which the form is typed in.
    pub sheet: String,
    /// The crew's id.
    pub crew: String,
    /// Who goes; ids, or names where the caller may know them.
    pub people: Vec<String>,
    /// The day.
    pub date: Date,
    /// When it leaves.
    pub starts: Time,
    /// When it is back.
    pub ends: Time,
    /// On the road and on foot, minutes.
    pub drive_minutes: f64,
    /// At the stops, minutes.
    pub work_minutes: f64,
    /// Length of the break, minutes; 0 for none.
    pub break_minutes: u32,
    /// When the break begins, if there is one.
    pub break_at: Option<Time>,
    /// Length of the drive, kilometres, where known.
    pub km: Option<f64>,
    /// Holds, weather and the like of the day, in words. They stand with the cautions.
    pub notes: Vec<String>,
    /// What the map shows. Its stops are taken from `stops`.
    pub map: RoundMap,
    /// The stops, in order.
    pub stops: Vec<SheetStop>,
    /// What was due in the days that were planned together and is in no round, what matters most first.
    pub left_out: Vec<SheetLeftOut>,
}

/// One stop.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetStop {
    /// The trap's label.
    pub trap: String,
    /// The place's label.
    pub place: String,
    /// Where it is.
    pub position: earlywood_model::record::Position,
    /// When work begins.
    pub arrive: Time,
    /// When it ends.
    pub leave: Time,
    /// To it from the stop before, minutes.
    pub drive_minutes: f64,
    /// What is due, in words.
    pub what: Vec<String>,
    /// What to beware of.
    pub cautions: Vec<String>,
    /// How to get there.
    pub directions: Option<String>,
    /// What it needs ("pole", "ladder", "two people").
    pub needs: Vec<String>,
    /// When its gate is open and by what right it is entered, in words.
    pub entry: Vec<String>,
}

/// A visit that was due and is in no round.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetLeftOut {
    /// The trap's label.
    pub trap: String,
    /// The place's label.
    pub place: String,
    /// Why.
    pub reason: String,
    /// The last day on which the visit would have been in time.
    pub last_day: Option<Date>,
}

/// The hazards of [`PROMPTS`] that stand on every round sheet; the others stand on the safety sheet. Design choice.
const ON_SHEETS: [&str; 6] = [
    "Heat",
    "Overhead lines",
    "Dogs and people",
    "Dead and infested trees",
    "Glue, blades, lures",
    "Roads",
];

/// The standing prompts of a round sheet. They remind; the law of the place, the labels of products and the programme's
/// own safety plan go before them.
fn prompts() -> Vec<Prompt> {
    let named = |hazard: &str| PROMPTS.iter().copied().find(|p| p.hazard == hazard);
    ON_SHEETS.into_iter().filter_map(named).collect()
}

/// The sheets as a PDF.
///
/// # Errors
/// See [`pdf`].
pub fn round_sheets(sheets: &RoundSheets, made: Made) -> Result<Vec<u8>, PrintError> {
    pdf(Template::SHEET, &Doc::of(sheets, made), made)
}

#[derive(Serialize)]
struct Doc<'a> {
    title: String,
    paper: &'static str,
    programme: &'a str,
    invented: Option<&'a str>,
    call: Option<&'a str>,
    printed: String,
    found: [&'static str; 5],
    looked: [&'static str; 3],
    prompts: Vec<Prompt>,
    rounds: Vec<RoundDoc<'a>>,
}

#[derive(Serialize)]
struct RoundDoc<'a> {
    sheet: &'a str,
    qr: Option<String>,
    crew: &'a str,
    people: String,
    date: String,
    short_date: String,
    facts: Vec<(&'static str, String)>,
    notes: &'a [String],
    cautions: Vec<Caution<'a>>,
    map: Option<String>,
    straight: bool,
    stops: Vec<StopDoc<'a>>,
    left_out: Vec<[String; 4]>,
    left_out_more: usize,
}

#[derive(Serialize)]
struct Caution<'a> {
    text: &'a str,
    stops: String,
}

#[derive(Serialize)]
struct StopDoc<'a> {
    number: usize,
    trap: &'a str,
    place: &'a str,
    at: String,
    times: String,
    drive: String,
    what: String,
    cautions: &'a [String],
    directions: Option<&'a str>,
    needs: String,
    entry: String,
}

impl<'a> Doc<'a> {
    fn of(sheets: &'a RoundSheets, made: Made) -> Doc<'a> {
        Doc {
            title: format!("Round sheets, {}", sheets.programme),
            paper: sheets.paper.name(),
            programme: &sheets.programme,
            invented: sheets.invented.as_deref(),
            call: sheets.call.as_deref(),
            printed: made.strftime("%Y-%m-%d %H:%M").to_string(),
            found: FOUND,
            looked: LOOKED,
            prompts: prompts(),
            rounds: sheets
                .rounds
                .iter()
                .map(|round| RoundDoc::of(round, sheets.paper))
                .collect(),
        }
    }
}

impl<'a> RoundDoc<'a> {
    fn of(round: &'a RoundSheet, paper: Paper) -> RoundDoc<'a> {
        let (width_mm, height_mm) = map_mm(paper);
        let map = RoundMap {
            stops: round.stops.iter().map(|s| s.position).collect(),
            ..round.map.clone()
        };
        RoundDoc {
            sheet: &round.sheet,
            qr: qr::svg(&round.sheet).ok(),
            crew: &round.crew,
            people: round.people.join(", "),
            date: round.date.strftime("%A %-d %B %Y").to_string(),
            short_date: round.date.to_string(),
            facts: facts(round),
            notes: &round.notes,
            cautions: cautions(&round.stops),
            map: round_map(&map, width_mm, height_mm),
            straight: round.map.line.is_empty(),
            stops: round
                .stops
                .iter()
                .enumerate()
                .map(|(k, stop)| StopDoc::of(k + 1, stop))
                .collect(),
            left_out: round
                .left_out
                .iter()
                .take(MOST_LEFT_OUT)
                .map(left_out_row)
                .collect(),
            left_out_more: round.left_out.len().saturating_sub(MOST_LEFT_OUT),
        }
    }
}

impl<'a> StopDoc<'a> {
    fn of(number: usize, stop: &'a SheetStop) -> StopDoc<'a> {
        StopDoc {
            number,
            trap: &stop.trap,
            place: &stop.place,
            at: format!("{:.5}, {:.5}", stop.position.lat, stop.position.lon),
            times: format!("{}–{}", hour(stop.arrive), hour(stop.leave)),
            drive: minutes(stop.drive_minutes),
            what: stop.what.join(", "),
            cautions: &stop.cautions,
            directions: stop.directions.as_deref(),
            needs: stop.needs.join(", "),
            entry: stop.entry.join("; "),
        }
    }
}

fn left_out_row(left: &SheetLeftOut) -> [String; 4] {
    [
        left.trap.clone(),
        left.place.clone(),
        left.reason.clone(),
        left.last_day
            .map_or_else(|| "–".to_owned(), |day| day.to_string()),
    ]
}

/// The caution of several stops stands once, with their numbers, in the order in which they are met.
fn cautions(stops: &[SheetStop]) -> Vec<Caution<'_>> {
    let mut order: Vec<&str> = Vec::new();
    let mut at: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (k, stop) in stops.iter().enumerate() {
        for text in &stop.cautions {
            let numbers = at.entry(text).or_default();
            if numbers.is_empty() {
                order.push(text);
            }
            if numbers.last() != Some(&(k + 1)) {
                numbers.push(k + 1);
            }
        }
    }
    let words = |numbers: &Vec<usize>| {
        numbers
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(", ")
    };
    order
        .into_iter()
        .map(|text| Caution {
            text,
            stops: at.get(text).map(words).unwrap_or_default(),
        })
        .collect()
}

fn facts(round: &RoundSheet) -> Vec<(&'static str, String)> {
    let pause = match (round.break_minutes, round.break_at) {
        (0, _) => "none".to_owned(),
        (m, Some(at)) => format!("{m} min at {}", hour(at)),
        (m, None) => format!("{m} min"),
    };
    const KM_PER_MILE: f64 = 1.609_344; // international mile, exact
    let way = round.km.map_or_else(
        || "not known".to_owned(),
        |km| format!("{km:.0} km ({:.0} mi)", km / KM_PER_MILE),
    );
    vec![
        ("leave", hour(round.starts)),
        ("back", hour(round.ends)),
        ("break", pause),
        ("stops", round.stops.len().to_string()),
        ("on the way", minutes(round.drive_minutes)),
        ("at stops", minutes(round.work_minutes)),
        ("distance", way),
    ]
}

fn hour(time: Time) -> String {
    time.strftime("%H:%M").to_string()
}

/// "2 h 20 min", "12 min".
fn minutes(m: f64) -> String {
    let whole = m.round().max(0.0) as u64;
    match (whole / 60, whole % 60) {
        (0, m) => format!("{m} min"),
        (h, m) => format!("{h} h {m:02} min"),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use earlywood_model::record::Position;
    use jiff::civil::{date, datetime, time};

    use super::*;
    use crate::map::MapRoad;

    const MADE: Made = datetime(2026, 6, 3, 17, 5, 0, 0);

    fn spot(k: usize) -> Position {
        let k = k as f64;
        Position {
            lat: 40.02 + 0.011 * (0.9 * k).sin() + 0.0011 * k.cos(),
            lon: -80.03 + 0.021 * (0.37 * k).cos() + 0.0004 * k,
        }
    }

    fn stop(k: usize) -> SheetStop {
        let start = time(7, 20, 0, 0).saturating_add(jiff::SignedDuration::from_mins(7 * k as i64));
        SheetStop {
            trap: format!("T-EAB-{k:03}"),
            place: format!("P-{:04}", 31 * k + 7),
            position: spot(k),
            arrive: start,
            leave: start.saturating_add(jiff::SignedDuration::from_mins(5)),
            drive_minutes: 2.0,
            what: match k % 5 {
                0 => vec!["look".into(), "lure".into()],
                3 => vec!["look".into(), "insert".into(), "body".into()],
                _ => vec!["look".into()],
            },
            cautions: match k % 8 {
                1 => vec!["Dog, not tied".into()],
                3 => vec!["Overhead line 6 m east of the trap".into(), "Dog, not tied".into()],
                6 => vec!["Beware of the slope when it is wet; the handrail is loose".into()],
                _ => Vec::new(),
            },
            directions: match k % 3 {
                0 => Some("Behind the pump house; third ash from the gate, street side.".into()),
                1 => None,
                _ => Some("Entrar por el portón pequeño; preguntar por la señora de la recepción. Árbol junto al arroyo, a 40 m del camino: año tras año el mismo.".into()),
            },
            needs: if k.is_multiple_of(4) { vec!["pole".into(), "two people".into()] } else { Vec::new() },
            entry: match k % 6 {
                2 => vec!["gate 07:00–16:00".into(), "consent until 2026-09-30".into()],
                _ => Vec::new(),
            },
        }
    }

    pub(crate) fn round(sheet: &str, stops: usize) -> RoundSheet {
        let depot = Position {
            lat: 40.0,
            lon: -80.05,
        };
        let street = |k: i32, main| MapRoad {
            line: (0..20)
                .map(|j| Position {
                    lat: 40.0 + 0.004 * f64::from(k) + 0.0006 * f64::from(j % 3),
                    lon: -80.06 + 0.003 * f64::from(j),
                })
                .collect(),
            main,
        };
        RoundSheet {
            sheet: sheet.into(),
            crew: "crew-3".into(),
            people: vec!["insp-04".into(), "insp-11".into()],
            date: date(2026, 6, 4),
            starts: time(7, 0, 0, 0),
            ends: time(15, 10, 0, 0),
            drive_minutes: 141.0,
            work_minutes: 212.4,
            break_minutes: 30,
            break_at: Some(time(11, 30, 0, 0)),
            km: Some(52.3),
            notes: vec!["Hold on Northfield since 2 June: hunting season, closed to crews.".into()],
            map: RoundMap {
                zones: vec![(
                    "Northfield".into(),
                    vec![vec![
                        Position {
                            lat: 40.012,
                            lon: -80.07,
                        },
                        Position {
                            lat: 40.015,
                            lon: -79.98,
                        },
                        Position {
                            lat: 40.05,
                            lon: -79.98,
                        },
                        Position {
                            lat: 40.05,
                            lon: -80.07,
                        },
                    ]],
                )],
                roads: (0..12).map(|k| street(k, k % 4 == 0)).collect(),
                depot: Some(depot),
                ..RoundMap::default()
            },
            stops: (1..=stops).map(stop).collect(),
            left_out: vec![SheetLeftOut {
                trap: "T-EAB-201".into(),
                place: "P-9001".into(),
                reason: "no crew has time for it; of all that is due it adds least".into(),
                last_day: Some(date(2026, 6, 9)),
            }],
        }
    }

    fn sheets(rounds: Vec<RoundSheet>, paper: Paper) -> RoundSheets {
        RoundSheets {
            paper,
            programme: "Tarrowbend".into(),
            invented: Some("Invented.".into()),
            call: Some("office, extension 12".into()),
            rounds,
        }
    }

    /// Writes what the template gets, and the PDF, for looking at: `EARLYWOOD_SHEETS=/tmp/somewhere`.
    #[test]
    fn sheets_are_written_when_asked_for() {
        let Some(folder) = std::env::var_os("EARLYWOOD_SHEETS") else {
            return;
        };
        let folder = std::path::PathBuf::from(folder);
        for (name, stops) in [("none", 0), ("one", 1), ("usual", 24), ("many", 60)] {
            let sheets = sheets(vec![round("R7K2", stops), round("Q4MX", stops)], Paper::A4);
            let doc = serde_json::to_vec(&Doc::of(&sheets, MADE)).unwrap();
            std::fs::write(folder.join(format!("sheet-{name}.json")), doc).unwrap();
            std::fs::write(
                folder.join(format!("sheet-{name}.pdf")),
                round_sheets(&sheets, MADE).unwrap(),
            )
            .unwrap();
        }
    }

    #[test]
    fn the_same_sheets_are_the_same_bytes() {
        for paper in [Paper::A4, Paper::Letter] {
            let sheets = sheets(vec![round("R7K2", 5), round("Q4MX", 0)], paper);
            let one = round_sheets(&sheets, MADE).unwrap();
            assert!(one.starts_with(b"%PDF-"));
            assert_eq!(one, round_sheets(&sheets, MADE).unwrap());
        }
    }

    #[test]
    fn a_caution_of_several_stops_stands_once_with_their_numbers() {
        let stops: Vec<SheetStop> = (1..=9).map(stop).collect();
        let told: Vec<(&str, String)> = cautions(&stops).into_iter().map(|c| (c.text, c.stops)).collect();
        assert_eq!(
            told,
            [
                ("Dog, not tied", "1, 3, 9".to_owned()),
                ("Overhead line 6 m east of the trap", "3".to_owned()),
                (
                    "Beware of the slope when it is wet; the handrail is loose",
                    "6".to_owned()
                ),
            ]
        );
    }

    #[test]
    fn the_form_asks_in_the_order_in_which_it_is_typed() {
        let template = include_str!("../paper/sheet.typ");
        let form = &template[template.find("#let stop(s)").unwrap()..];
        let at = |field: &str| {
            form.find(&format!("\"{field}\""))
                .unwrap_or_else(|| panic!("{field} is not on the sheet"))
        };
        let written: Vec<usize> = FIELDS
            .into_iter()
            .filter(|f| !matches!(*f, "stop" | "trap"))
            .map(|f| form.find(&format!("field(\"{f}\")")).unwrap_or_else(|| at(f)))
            .collect();
        assert!(written.is_sorted(), "{written:?}");
    }

    #[test]
    fn no_prompt_of_the_sheet_is_missing() {
        assert_eq!(prompts().len(), ON_SHEETS.len());
    }

    #[test]
    fn minutes_read_as_hours() {
        assert_eq!(minutes(141.0), "2 h 21 min");
        assert_eq!(minutes(59.6), "1 h 00 min");
        assert_eq!(minutes(0.2), "0 min");
    }
}
