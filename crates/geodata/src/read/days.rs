//! Crews' days, and how places are got to: the records that rounds are made from.

use std::collections::HashSet;

use earlywood_model::record::{Access, Position, Shift, Skill, Weekday};
use jiff::civil::{Date, Time};

use super::field::{self, Wrong};
use super::row::{Column, Headings, Row, Sink};
use super::{Batch, Context, Record, Shape};

/// A day's minutes.
const DAY_MINUTES: f64 = 1440.0;

impl Record for Shift {
    const WHAT: &'static str = "crews";
    const SHAPE: Shape = Shape::Point;
    const LABELLED: bool = true;
    // A yard may lie in the next town.
    const EXTRA_MARGIN_M: f64 = 45_000.0;
    const COLUMNS: &'static [Column] = &[
        Column::required("label", &["crew", "id"]),
        Column::required("lat", &["latitude"]),
        Column::required("lon", &["longitude", "lng", "long"]),
        Column::optional("end_lat", &[]),
        Column::optional("end_lon", &[]),
        Column::required("starts", &[]),
        Column::required("ends", &[]),
        Column::optional("break_minutes", &[]),
        Column::optional("break_from", &[]),
        Column::optional("break_to", &[]),
        Column::optional("days", &[]),
        Column::optional("from", &[]),
        Column::optional("to", &[]),
        Column::optional("skills", &[]),
    ];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Shift> {
        let label = row.need("label", sink);
        let depot = row.position(sink);
        let end = pair(row, ("end_lat", "end_lon"), sink);
        let starts = need_time(row, "starts", sink);
        let ends = need_time(row, "ends", sink);
        let pause = row.optional_within(
            "break_minutes",
            (0.0, DAY_MINUTES),
            "give minutes, not hours",
            sink,
        );
        let break_from = maybe(row, "break_from", time, sink);
        let break_to = maybe(row, "break_to", time, sink);
        let days = list(row, "days", weekdays(), sink);
        let from = maybe(row, "from", any_date, sink);
        let to = maybe(row, "to", any_date, sink);
        let skills = list(row, "skills", skills(), sink);
        let shift = Shift {
            label: label?,
            depot: depot?,
            end: end.ok()?,
            starts: starts?,
            ends: ends?,
            break_minutes: whole_minutes(pause.ok()?.unwrap_or(0.0)),
            break_from: break_from.ok()?,
            break_to: break_to.ok()?,
            days: days?,
            from: from.ok()?,
            to: to.ok()?,
            skills: skills?,
        };
        in_order(row, &shift, sink).then_some(shift)
    }

    fn label(&self) -> &str {
        &self.label
    }

    fn position(&self) -> Option<Position> {
        Some(self.depot)
    }

    fn heading_notes(headings: &Headings) -> Vec<String> {
        if headings.has("days") {
            return vec![];
        }
        vec!["there is no column days: every crew works Monday to Friday".into()]
    }
}

/// Whether the times of a working day follow each other.
fn in_order(row: &Row<'_>, shift: &Shift, sink: &mut Sink) -> bool {
    let mut wrong = |column: &str, rule: String, remedy: &str| {
        sink.at(row, column, &rule, remedy);
        false
    };
    if shift.ends <= shift.starts {
        let rule = format!("the day ends before it starts ({})", shift.starts);
        return wrong("ends", rule, "check both times; a day does not run past midnight");
    }
    let (from, to) = (
        shift.break_from.unwrap_or(shift.starts),
        shift.break_to.unwrap_or(shift.ends),
    );
    if from < shift.starts || shift.ends < to || to < from {
        let rule = format!(
            "the break lies between {from} and {to}, the day between {} and {}",
            shift.starts, shift.ends
        );
        let column = if shift.break_to.is_some() {
            "break_to"
        } else {
            "break_from"
        };
        return wrong(column, rule, "put the break inside the day");
    }
    let length = (shift.ends - shift.starts)
        .total(jiff::Unit::Minute)
        .unwrap_or(DAY_MINUTES);
    if f64::from(shift.break_minutes) >= length {
        let rule = "the break is as long as the day".to_owned();
        return wrong("break_minutes", rule, "give minutes");
    }
    if let (Some(from), Some(to)) = (shift.from, shift.to)
        && to < from
    {
        let rule = format!("the last day comes before the first ({from})");
        return wrong("to", rule, "check both dates");
    }
    true
}

impl Record for Access {
    const WHAT: &'static str = "access";
    const SHAPE: Shape = Shape::None;
    const LABELLED: bool = true;
    const COLUMNS: &'static [Column] = &[
        Column::required("label", &["place", "id"]),
        Column::optional("directions", &[]),
        Column::optional("cautions", &["caution"]),
        Column::optional("opens", &[]),
        Column::optional("closes", &[]),
        Column::optional("days", &[]),
        Column::optional("permit", &[]),
        Column::optional("permit_from", &[]),
        Column::optional("permit_to", &[]),
        Column::optional("needs", &[]),
        Column::optional("minutes", &[]),
        Column::optional("park_lat", &[]),
        Column::optional("park_lon", &[]),
    ];

    fn from_row(row: &Row<'_>, _today: Date, sink: &mut Sink) -> Option<Access> {
        let label = row.need("label", sink);
        let opens = maybe(row, "opens", time, sink);
        let closes = maybe(row, "closes", time, sink);
        let days = list(row, "days", weekdays(), sink);
        let permit_from = maybe(row, "permit_from", any_date, sink);
        let permit_to = maybe(row, "permit_to", any_date, sink);
        let needs = list(row, "needs", skills(), sink);
        let minutes = row.optional_within("minutes", (0.5, DAY_MINUTES), "give minutes", sink);
        let park = pair(row, ("park_lat", "park_lon"), sink);
        let (opens, closes) = (opens.ok()?, closes.ok()?);
        if let (Some(opens), Some(closes)) = (opens, closes)
            && closes <= opens
        {
            let rule = format!("the gate shuts before it opens ({opens})");
            sink.at(row, "closes", &rule, "check both times");
            return None;
        }
        let (permit_from, permit_to) = (permit_from.ok()?, permit_to.ok()?);
        if let (Some(from), Some(to)) = (permit_from, permit_to)
            && to < from
        {
            let rule = format!("the last day comes before the first ({from})");
            sink.at(row, "permit_to", &rule, "check both dates");
            return None;
        }
        Some(Access {
            label: label?,
            directions: row.optional("directions"),
            cautions: cautions(row.get("cautions")),
            opens,
            closes,
            days: days?,
            permit: row.optional("permit"),
            permit_from,
            permit_to,
            needs: needs?,
            minutes: minutes.ok()?,
            park: park.ok()?,
        })
    }

    fn label(&self) -> &str {
        &self.label
    }

    fn finish(batch: &mut Batch<Access>, context: &Context<'_>) {
        let known: HashSet<&str> = context.places.iter().map(|p| p.label.as_str()).collect();
        if known.is_empty() {
            return;
        }
        let strange = batch
            .good
            .iter()
            .filter(|a| !known.contains(a.label.as_str()))
            .count();
        if strange > 0 {
            batch.notes.push(format!(
                "{strange} of the {} places are not known to the programme yet: what is said of them waits until they are loaded or a trap hangs there",
                batch.good.len()
            ));
        }
    }
}

/// Cautions in one cell, between semicolons or bars: commas belong to the sentence.
fn cautions(text: &str) -> Vec<String> {
    text.split([';', '|'])
        .map(str::trim)
        .filter(|w| !w.is_empty())
        .map(str::to_owned)
        .collect()
}

fn weekdays() -> Vec<(&'static str, Weekday)> {
    const LONG: [&str; 7] = [
        "monday",
        "tuesday",
        "wednesday",
        "thursday",
        "friday",
        "saturday",
        "sunday",
    ];
    Weekday::ALL
        .into_iter()
        .flat_map(|day| [(day.word(), day), (LONG[day as usize], day)])
        .collect()
}

fn skills() -> Vec<(&'static str, Skill)> {
    Skill::ALL
        .into_iter()
        .map(|skill| (skill.word(), skill))
        .collect()
}

/// Words of a fixed list in one cell, between semicolons, commas, bars or blanks.
fn list<T: Copy + Ord>(
    row: &Row<'_>,
    column: &'static str,
    words: Vec<(&'static str, T)>,
    sink: &mut Sink,
) -> Option<Vec<T>> {
    let mut found = Vec::new();
    for said in row
        .get(column)
        .split([';', ',', '|', ' '])
        .filter(|w| !w.is_empty())
    {
        match field::word(said, &words) {
            Ok(value) => found.push(value),
            Err((rule, remedy)) => {
                sink.at(row, column, &rule, &remedy);
                return None;
            }
        }
    }
    found.sort_unstable();
    found.dedup();
    Some(found)
}

/// A value that may be missing; `Err(())` when it is there and wrong.
fn maybe<T>(
    row: &Row<'_>,
    column: &'static str,
    read: fn(&str) -> Result<T, Wrong>,
    sink: &mut Sink,
) -> Result<Option<T>, ()> {
    let text = row.get(column);
    if text.is_empty() {
        return Ok(None);
    }
    read(text)
        .map(Some)
        .map_err(|(rule, remedy)| sink.at(row, column, &rule, &remedy))
}

fn need_time(row: &Row<'_>, column: &'static str, sink: &mut Sink) -> Option<Time> {
    row.need(column, sink)?;
    maybe(row, column, time, sink).ok().flatten()
}

/// A time of the day: hours and minutes, 24 hours.
fn time(text: &str) -> Result<Time, Wrong> {
    let mut parts = text.split(':').map(|part| {
        let plain = (1..=2).contains(&part.len()) && part.bytes().all(|b| b.is_ascii_digit());
        plain.then(|| part.parse::<i8>().ok()).flatten()
    });
    let read = match (parts.next(), parts.next(), parts.next(), parts.next()) {
        (Some(Some(h)), Some(Some(m)), None, None) => Time::new(h, m, 0, 0).ok(),
        (Some(Some(h)), Some(Some(m)), Some(Some(0)), None) => Time::new(h, m, 0, 0).ok(),
        _ => None,
    };
    read.ok_or_else(|| {
        (
            "this is not a time of the day".to_owned(),
            "write hours and minutes of 24 hours, for example 08:30 or 16:00".to_owned(),
        )
    })
}

/// A date that may lie ahead.
fn any_date(text: &str) -> Result<Date, Wrong> {
    field::date(text, Date::MAX)
}

/// A second position in two columns of its own, both or none.
fn pair(
    row: &Row<'_>,
    (lat, lon): (&'static str, &'static str),
    sink: &mut Sink,
) -> Result<Option<Position>, ()> {
    if row.get(lat).is_empty() && row.get(lon).is_empty() {
        return Ok(None);
    }
    let (y, x) = (row.number(lat, sink).ok_or(())?, row.number(lon, sink).ok_or(())?);
    field::position(y, x)
        .map(Some)
        .map_err(|(column, (rule, remedy))| {
            let column = if column == "lat" { lat } else { lon };
            sink.at(row, column, &rule, &remedy);
        })
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // between 0 and 1440, as was checked
fn whole_minutes(minutes: f64) -> u32 {
    minutes.round() as u32
}
