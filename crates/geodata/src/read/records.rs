//! The kinds of record, their columns, and what is right for each.

use std::collections::HashMap;

use earlywood_model::record::{
    Host, HostCondition, Land, LandRule, Looked, Pathway, Place, Placement, Position, Renewed, TrapFound,
    Visit, VisitKind, Zone,
};
use jiff::civil::Date;

use super::positions::Box2;
use super::row::{Column, Headings, Row, Sink};
use super::{Batch, Context, Record, Shape};

const LAT: Column = Column::required("lat", &["latitude"]);
const LON: Column = Column::required("lon", &["longitude", "lng", "long"]);
const LABEL: Column = Column::required("label", &["id"]);

/// Wider than any tree: the stoutest known trunk (a Montezuma cypress) is 11.6 m across (Debreczy & Racz 1997,
/// Arnoldia 57(4):3-11); a larger figure is in millimetres.
const WIDEST_TREE_CM: f64 = 1200.0;

/// Words for a host's condition; after the first four come the words usual in tree inventories.
const CONDITIONS: [(&str, HostCondition); 12] = [
    ("healthy", HostCondition::Healthy),
    ("declining", HostCondition::Declining),
    ("dead", HostCondition::Dead),
    ("unknown", HostCondition::Unknown),
    ("excellent", HostCondition::Healthy),
    ("very-good", HostCondition::Healthy),
    ("good", HostCondition::Healthy),
    ("fair", HostCondition::Healthy),
    ("poor", HostCondition::Declining),
    ("very-poor", HostCondition::Declining),
    ("critical", HostCondition::Declining),
    ("stressed", HostCondition::Declining),
];

impl Record for Host {
    const WHAT: &'static str = "hosts";
    const SHAPE: Shape = Shape::Point;
    const LABELLED: bool = true;
    const COLUMNS: &'static [Column] = &[
        LABEL,
        Column::required("species", &[]),
        LAT,
        LON,
        Column::optional("dbh_cm", &[]),
        Column::optional("condition", &[]),
    ];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Host> {
        let label = row.need("label", sink);
        let species = row.need("species", sink);
        let position = row.position(sink);
        let dbh_cm = row.optional_within(
            "dbh_cm",
            (0.0, WIDEST_TREE_CM),
            "give centimetres: is this in millimetres?",
            sink,
        );
        let condition = if row.get("condition").is_empty() {
            Some(HostCondition::Unknown)
        } else {
            row.word("condition", &CONDITIONS, sink)
        };
        Some(Host {
            label: label?,
            species: species?,
            position: position?,
            dbh_cm: dbh_cm.ok()?,
            condition: condition?,
        })
    }

    fn label(&self) -> &str {
        &self.label
    }

    fn position(&self) -> Option<Position> {
        Some(self.position)
    }

    fn heading_notes(headings: &Headings) -> Vec<String> {
        if headings.has("condition") {
            return vec![];
        }
        vec!["there is no column condition: every host counts as unknown, and traps keep their distance from it".into()]
    }
}

impl Record for Pathway {
    const WHAT: &'static str = "pathways";
    const SHAPE: Shape = Shape::Point;
    const LABELLED: bool = true;
    // A port or a mill next door threatens the programme without being in it.
    const EXTRA_MARGIN_M: f64 = 45_000.0;
    const COLUMNS: &'static [Column] = &[
        LABEL,
        Column::required("kind", &[]),
        LAT,
        LON,
        Column::required("weight", &[]),
        Column::required("reach_m", &[]),
    ];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Pathway> {
        let label = row.need("label", sink);
        let kind = row.need("kind", sink);
        let position = row.position(sink);
        let weight = amount(row, "weight", 0.0, sink);
        let reach_m = amount(row, "reach_m", 1.0, sink);
        Some(Pathway {
            label: label?,
            kind: kind?,
            position: position?,
            weight: weight?,
            reach_m: reach_m?,
        })
    }

    fn label(&self) -> &str {
        &self.label
    }

    fn position(&self) -> Option<Position> {
        Some(self.position)
    }
}

/// A number that must be there and at least `least`.
fn amount(row: &Row<'_>, column: &'static str, least: f64, sink: &mut Sink) -> Option<f64> {
    let value = row.number(column, sink)?;
    if value < least {
        let rule = format!("the value must be {least} or more");
        sink.at(row, column, &rule, "check the value");
        return None;
    }
    Some(value)
}

impl Record for Land {
    const WHAT: &'static str = "land";
    const SHAPE: Shape = Shape::Ground;
    const LABELLED: bool = true;
    const COLUMNS: &'static [Column] = &[
        LABEL,
        Column::required("rule", &[]),
        Column::optional("reason", &[]),
        Column::required("wkt", &["geometry"]),
    ];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Land> {
        let label = row.need("label", sink);
        let words = [("usable", LandRule::Usable), ("forbidden", LandRule::Forbidden)];
        let rule = row.word("rule", &words, sink);
        let area = row.ground(sink);
        Some(Land {
            label: label?,
            rule: rule?,
            area: area?,
            reason: row.optional("reason"),
        })
    }

    fn label(&self) -> &str {
        &self.label
    }

    fn finish(batch: &mut Batch<Land>, context: &Context<'_>) {
        let Some(programme) = Box2::of_programme(context, 0.0) else {
            return;
        };
        let mut bad = Vec::new();
        for (i, land) in batch.good.iter().enumerate() {
            let Some(ground) = Box2::of_area(&land.area) else {
                continue;
            };
            if !programme.meets(&ground) {
                bad.push((i, land.label.clone(), programme.meets(&ground.swapped())));
            }
        }
        for (i, label, turned) in &bad {
            let remedy = if *turned {
                "latitude and longitude look swapped: longitude comes first in GeoJSON and well-known text"
            } else {
                "check its coordinates"
            };
            batch.blame(
                *i,
                "label",
                label,
                "the land lies outside the programme's area (its zones and a margin)",
                remedy,
            );
        }
        let gone: Vec<usize> = bad.iter().map(|b| b.0).collect();
        batch.remove(&gone);
    }
}

impl Record for Zone {
    const WHAT: &'static str = "zones";
    const SHAPE: Shape = Shape::Ground;
    const LABELLED: bool = true;
    const COLUMNS: &'static [Column] = &[LABEL, Column::required("wkt", &["geometry"])];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Zone> {
        let (label, area) = (row.need("label", sink), row.ground(sink));
        Some(Zone {
            label: label?,
            area: area?,
        })
    }

    fn label(&self) -> &str {
        &self.label
    }
}

impl Record for Place {
    const WHAT: &'static str = "places";
    const SHAPE: Shape = Shape::Point;
    const LABELLED: bool = true;
    const COLUMNS: &'static [Column] = &[
        LABEL,
        LAT,
        LON,
        Column::optional("cost", &[]),
        Column::optional("kept", &[]),
        Column::optional("forbidden", &[]),
    ];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Place> {
        let label = row.need("label", sink);
        let position = row.position(sink);
        let cost = row.optional_within("cost", (0.0, 1e9), "check the value", sink);
        let (kept, forbidden) = (row.flag("kept", sink), row.flag("forbidden", sink));
        if let (Some(true), Some(true)) = (kept, forbidden) {
            sink.at(
                row,
                "kept",
                "a place can't be both kept in every plan and forbidden",
                "say yes to one of the two",
            );
            return None;
        }
        Some(Place {
            label: label?,
            position: position?,
            cost: cost.ok()?.unwrap_or(1.0),
            kept: kept?,
            forbidden: forbidden?,
        })
    }

    fn label(&self) -> &str {
        &self.label
    }

    fn position(&self) -> Option<Position> {
        Some(self.position)
    }
}

impl Record for Placement {
    const WHAT: &'static str = "traps";
    const SHAPE: Shape = Shape::Point;
    const COLUMNS: &'static [Column] = &[
        Column::required("trap", &["label"]),
        Column::optional("place", &[]),
        Column::optional("lat", &["latitude"]),
        Column::optional("lon", &["longitude", "lng", "long"]),
        Column::required("targets", &["target"]),
        Column::required("hung", &[]),
        Column::optional("taken_down", &[]),
    ];

    fn from_row(row: &Row<'_>, today: Date, sink: &mut Sink) -> Option<Placement> {
        let trap = row.need("trap", sink);
        let place = row.optional("place");
        // A place without a position is looked up once all rows are read.
        let by_place = place.is_some() && row.get("lat").is_empty() && row.get("lon").is_empty();
        let position = if by_place {
            Some(NOT_YET)
        } else {
            row.position(sink)
        };
        let targets = row.need("targets", sink).map(|t| words_of(&t));
        let hung = row.date("hung", today, sink);
        let down = if row.get("taken_down").is_empty() {
            Some(None)
        } else {
            row.date("taken_down", today, sink).map(Some)
        };
        if let (Some(hung), Some(Some(down))) = (hung, down)
            && down < hung
        {
            let rule = format!("the trap can't be taken down before it was hung ({hung})");
            sink.at(row, "taken_down", &rule, "check both dates");
            return None;
        }
        let trap = trap?;
        Some(Placement {
            place: place.unwrap_or_else(|| trap.clone()),
            trap,
            position: position?,
            targets: targets?,
            hung: hung?,
            taken_down: down?,
        })
    }

    fn label(&self) -> &str {
        &self.trap
    }

    fn position(&self) -> Option<Position> {
        (!self.position.lat.is_nan()).then_some(self.position)
    }

    fn heading_notes(headings: &Headings) -> Vec<String> {
        if headings.has("place") {
            return vec![];
        }
        vec!["there is no column place: each trap's place takes the trap's label".into()]
    }

    fn finish(batch: &mut Batch<Placement>, context: &Context<'_>) {
        find_places(batch, context);
        no_trap_twice_at_once(batch);
    }
}

/// Stands for a position to be had from the named place; never leaves this module.
const NOT_YET: Position = Position {
    lat: f64::NAN,
    lon: f64::NAN,
};

fn find_places(batch: &mut Batch<Placement>, context: &Context<'_>) {
    let known: HashMap<&str, Position> = context
        .places
        .iter()
        .map(|p| (p.label.as_str(), p.position))
        .collect();
    let mut bad = Vec::new();
    for (i, placement) in batch.good.iter_mut().enumerate() {
        if placement.position.lat.is_nan() {
            match known.get(placement.place.as_str()) {
                Some(&position) => placement.position = position,
                None => bad.push((i, placement.place.clone())),
            }
        }
    }
    for (i, place) in &bad {
        batch.blame(
            *i,
            "place",
            place,
            "the programme has no place of this label, and lat and lon are empty",
            "load the places first, or give lat and lon",
        );
    }
    let gone: Vec<usize> = bad.iter().map(|b| b.0).collect();
    batch.remove(&gone);
}

fn no_trap_twice_at_once(batch: &mut Batch<Placement>) {
    let mut by_trap: HashMap<&str, Vec<usize>> = HashMap::new();
    for (i, p) in batch.good.iter().enumerate() {
        by_trap.entry(&p.trap).or_default().push(i);
    }
    let mut bad: Vec<(usize, String, String)> = Vec::new();
    for (trap, mut list) in by_trap {
        list.sort_by_key(|&i| (batch.good[i].hung, i));
        for pair in list.windows(2) {
            let (before, after) = (&batch.good[pair[0]], &batch.good[pair[1]]);
            // Taken down and hung again on one day is a move.
            if before.taken_down.is_none_or(|down| down > after.hung) {
                let rule = format!(
                    "this trap still hangs elsewhere on {} ({} {})",
                    after.hung,
                    batch.sink.unit.word(),
                    batch.rows[pair[0]]
                );
                bad.push((pair[1], trap.to_owned(), rule));
            }
        }
    }
    bad.sort();
    for (i, trap, rule) in &bad {
        batch.blame(
            *i,
            "trap",
            trap,
            rule,
            "give the day the earlier placement ended in taken_down, or the trap its own label",
        );
    }
    let gone: Vec<usize> = bad.iter().map(|b| b.0).collect();
    batch.remove(&gone);
}

/// A list in one cell: words between spaces, plus signs, semicolons, commas or bars.
fn words_of(text: &str) -> Vec<String> {
    text.split([' ', '+', ';', ',', '|'])
        .filter(|w| !w.is_empty())
        .map(str::to_owned)
        .collect()
}

const VISIT_KINDS: [(&str, VisitKind); 4] = [
    ("hang", VisitKind::Hang),
    ("service", VisitKind::Service),
    ("move", VisitKind::Move),
    ("take-down", VisitKind::TakeDown),
];

const FOUND: [(&str, TrapFound); 5] = [
    ("working", TrapFound::Working),
    ("impaired", TrapFound::Impaired),
    ("down", TrapFound::Down),
    ("gone", TrapFound::Gone),
    ("not-reached", TrapFound::NotReached),
];

const LOOKED: [(&str, Looked); 3] = [
    ("fully", Looked::Fully),
    ("partly", Looked::Partly),
    ("no", Looked::No),
];

/// More suspects in one trap than anyone counts: a slip of the pen.
const MOST_SUSPECTS: f64 = 100_000.0;

impl Record for Visit {
    const WHAT: &'static str = "visits";
    const SHAPE: Shape = Shape::None;
    const COLUMNS: &'static [Column] = &[
        Column::required("trap", &[]),
        Column::required("date", &[]),
        Column::required("kind", &[]),
        Column::required("found", &[]),
        Column::required("looked", &[]),
        Column::required("suspects", &[]),
        Column::optional("renewed", &[]),
        Column::optional("lure_lot", &[]),
        Column::optional("crew", &[]),
        Column::optional("exception", &[]),
    ];

    fn from_row(row: &Row<'_>, today: Date, sink: &mut Sink) -> Option<Visit> {
        let trap = row.need("trap", sink);
        let date = row.date("date", today, sink);
        let kind = row.word("kind", &VISIT_KINDS, sink);
        let found = row.word("found", &FOUND, sink);
        let looked = row.word("looked", &LOOKED, sink);
        let suspects = suspects(row, sink);
        let renewed = renewed(row, kind, sink);
        let visit = Visit {
            trap: trap?,
            date: date?,
            kind: kind?,
            found: found?,
            looked: looked?,
            suspects: suspects?,
            renewed: renewed?,
            lure_lot: row.optional("lure_lot"),
            crew: row.optional("crew"),
            exception: row.optional("exception"),
        };
        if let Err(why) = visit.check() {
            sink.at(row, "suspects", &why.to_string(), "");
            return None;
        }
        if visit.lure_lot.is_some() && !visit.renewed.lure {
            sink.at(
                row,
                "lure_lot",
                "a lure lot is given but the lure is not among the things renewed",
                "add lure to renewed, or empty lure_lot",
            );
            return None;
        }
        Some(visit)
    }

    fn finish(batch: &mut Batch<Visit>, _context: &Context<'_>) {
        let mut first: HashMap<(&str, Date, VisitKindKey), usize> = HashMap::new();
        let mut bad = Vec::new();
        for (i, v) in batch.good.iter().enumerate() {
            let key = (v.trap.as_str(), v.date, v.kind as VisitKindKey);
            match first.get(&key) {
                Some(&before) => bad.push((i, v.trap.clone(), v.date, batch.rows[before])),
                None => {
                    first.insert(key, i);
                }
            }
        }
        for (i, trap, date, before) in &bad {
            let rule = format!("this trap has a visit of this kind on {date} already (row {before})");
            batch.blame(
                *i,
                "trap",
                trap,
                &rule,
                "take one of the two out, or correct its date",
            );
        }
        let gone: Vec<usize> = bad.iter().map(|b| b.0).collect();
        batch.remove(&gone);
    }
}

type VisitKindKey = u8;

/// Empty is "did not look", 0 is "looked, none". The outer `None` is a problem.
fn suspects(row: &Row<'_>, sink: &mut Sink) -> Option<Option<u32>> {
    let value = row
        .optional_within("suspects", (0.0, MOST_SUSPECTS), "check the count", sink)
        .ok()?;
    match value {
        None => Some(None),
        Some(count) if count.fract() == 0.0 => Some(Some(count as u32)),
        Some(_) => {
            sink.at(
                row,
                "suspects",
                "a count must be a whole number",
                "write 0, 1, 2 ...",
            );
            None
        }
    }
}

/// Hanging a trap renews everything unless the row says what.
fn renewed(row: &Row<'_>, kind: Option<VisitKind>, sink: &mut Sink) -> Option<Renewed> {
    let text = row.get("renewed").to_lowercase().replace('_', "-");
    let text = text.replace("killing agent", "killing-agent");
    let mut made = Renewed::default();
    if text.is_empty() && kind == Some(VisitKind::Hang) {
        return Some(Renewed::ALL);
    }
    for word in words_of(&text) {
        match word.as_str() {
            "lure" => made.lure = true,
            "insert" => made.insert = true,
            "killing-agent" => made.killing_agent = true,
            "body" => made.body = true,
            "all" => made = Renewed::ALL,
            "none" => {}
            _ => {
                sink.at(
                    row,
                    "renewed",
                    "this word is not known here",
                    "write any of lure, insert, killing-agent, body, or all, with spaces or + between",
                );
                return None;
            }
        }
    }
    Some(made)
}
