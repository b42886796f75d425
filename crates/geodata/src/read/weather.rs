//! Daily weather: our own table, and the two open layouts of GHCN-Daily.
//!
//! GHCN-Daily (Menne et al. 2012, Journal of Atmospheric and Oceanic Technology 29:897-910) comes from its archive as a long
//! form by year or by station without a heading, `station,YYYYMMDD,element,value,m-flag,q-flag,s-flag,time`, temperatures in
//! tenths of a degree Celsius; and as a wide form, one row a day, with a heading (`STATION,DATE,...,TMAX,TMAX_ATTRIBUTES,...`).

use std::collections::{BTreeMap, HashMap};

use earlywood_model::record::WeatherDay;
use earlywood_model::weather::{DailyTemp, UnitCheck, unit_check};
use jiff::civil::Date;

use super::field;
use super::row::{Cells, Column, Headings, Row, Sink};
use super::text::{self, FileFault, Style};
use super::{Batch, Context, Record, Shape};
use crate::problem::Unit;

/// Lowest and highest air temperatures on record, with a little room: -89.2 (Vostok 1983) and 56.7 (Furnace Creek 1913)
/// degrees Celsius (World Meteorological Organization, World Weather and Climate Extremes Archive).
const RECORDS_C: (f64, f64) = (-90.0, 57.0);

/// Figures that stand for "no reading" in published files.
const NO_READING: [f64; 6] = [-9999.0, 9999.0, -999.9, 999.9, -99.9, -999.0];

const OUR_COLUMNS: &[Column] = &[
    Column::optional("station", &[]),
    Column::required("date", &[]),
    Column::optional("tmin_c", &[]),
    Column::optional("tmax_c", &[]),
    Column::optional("tmin_f", &[]),
    Column::optional("tmax_f", &[]),
];

const WIDE_COLUMNS: &[Column] = &[
    Column::required("station", &[]),
    Column::required("date", &[]),
    Column::required("tmax", &[]),
    Column::required("tmin", &[]),
    Column::optional("tmax_attributes", &[]),
    Column::optional("tmin_attributes", &[]),
];

impl Record for WeatherDay {
    const WHAT: &'static str = "weather";
    const SHAPE: Shape = Shape::None;
    const COLUMNS: &'static [Column] = OUR_COLUMNS;

    // Every weather table goes through `other_layout`; a single row is never read on its own.
    fn from_row(row: &Row<'_>, today: Date, sink: &mut Sink) -> Option<WeatherDay> {
        let mut absent = 0;
        own_row(row, today, false, &mut absent, sink).flatten()
    }

    fn other_layout(file: &str, text: &str, context: &Context<'_>) -> Option<Batch<WeatherDay>> {
        Some(read(file, text, context))
    }

    fn finish(batch: &mut Batch<WeatherDay>, _context: &Context<'_>) {
        no_day_twice(batch);
        no_fahrenheit_series(batch);
        note_gaps(batch);
    }
}

fn read(file: &str, text: &str, context: &Context<'_>) -> Batch<WeatherDay> {
    let mut batch = Batch::new(file, Unit::Row, context.problem_cap);
    let style = Style::sniff(text);
    batch.notes.extend(style.note());
    let (pieces, unclosed) = text::cut(text, style, usize::MAX);
    if let Some(row) = unclosed {
        return batch.stopped(
            FileFault::new(
                "a quotation mark opened in this row is never closed",
                "close it, or take it out",
            )
            .at(row),
        );
    }
    let mut table: Vec<(usize, csv::StringRecord)> = Vec::new();
    for piece in pieces {
        text::each_record(text, piece, style, |row, record| {
            table.push((row, record.clone()))
        });
    }
    let Some((heading_row, heading)) = table.first() else {
        return batch.stopped(FileFault::new(
            "the file is empty",
            "check that the export finished",
        ));
    };
    if is_ghcn_long(heading) {
        long_form(&mut batch, &table, context);
        return batch;
    }
    let mut found: Vec<String> = heading.iter().map(str::to_owned).collect();
    while found.len() > 1 && found.last().is_some_and(|h| h.trim().is_empty()) {
        found.pop();
    }
    let wide = Headings::new(found.clone(), WIDE_COLUMNS);
    let own = Headings::new(found, OUR_COLUMNS);
    let (is_wide, headings) = if wide.missing().is_empty() && !own.has("tmax_c") {
        (true, wide)
    } else {
        (false, own)
    };
    let judged = if is_wide {
        headings.twice().map_or(Ok(()), |(name, _)| {
            Err(FileFault::new(
                format!("more than one column is read as {name}"),
                "keep one of them",
            ))
        })
    } else {
        own_headings(&headings)
    };
    if let Err(fault) = judged {
        let row = *heading_row;
        return batch.stopped(fault.at(row));
    }
    if table.len() == 1 {
        return batch.stopped(FileFault::new(
            "there is a heading but no row below it",
            "check that the export finished",
        ));
    }
    let width = headings.found.len();
    let mut rows: Vec<Row<'_>> = Vec::with_capacity(table.len());
    for (number, record) in &table[1..] {
        if record.len() < width || record.iter().skip(width).any(|c| !c.trim().is_empty()) {
            batch.bad_rows += 1;
            batch.sink.push(
                Some(*number),
                None,
                &format!("the row has {} cells but the heading has {width}", record.len()),
                "check for a comma inside a value (put such a value in \"quotation marks\") or a cut-off row",
            );
            continue;
        }
        rows.push(Row {
            number: *number,
            cells: Cells::Csv(record),
            headings: &headings,
            ground: None,
        });
    }
    if is_wide {
        wide_form(&mut batch, &rows, context);
    } else {
        batch.name_headings(&headings);
        own_form(&mut batch, &headings, &rows, context);
    }
    batch
}

fn own_headings(headings: &Headings) -> Result<(), FileFault> {
    super::check_headings::<WeatherDay>(headings)?;
    let has = |name| headings.has(name);
    let (celsius, fahrenheit) = (has("tmin_c") && has("tmax_c"), has("tmin_f") && has("tmax_f"));
    let found = || {
        let names: Vec<&str> = headings.found.iter().map(|h| h.trim()).collect();
        format!("found: {}", names.join(", "))
    };
    if (has("tmin_c") || has("tmax_c")) && (has("tmin_f") || has("tmax_f")) {
        let mut fault = FileFault::new(
            "the file has temperatures both in Celsius and in Fahrenheit",
            "keep tmin_c and tmax_c, or tmin_f and tmax_f",
        );
        fault.value = Some(found());
        return Err(fault);
    }
    if celsius || fahrenheit {
        return Ok(());
    }
    let near: Vec<String> = headings
        .unknown()
        .into_iter()
        .filter(|h| {
            let plain = super::row::plain(h).into_owned();
            plain.contains("min") || plain.contains("max") || plain.contains("temp")
        })
        .collect();
    let hint = if near.is_empty() {
        String::new()
    } else {
        format!("; rename {} by the unit they are in", near.join(", "))
    };
    let mut fault = FileFault::new(
        "the columns of daily lowest and highest temperature are missing",
        format!("give tmin_c and tmax_c (Celsius) or tmin_f and tmax_f (Fahrenheit){hint}"),
    );
    fault.value = Some(found());
    Err(fault)
}

fn own_form(batch: &mut Batch<WeatherDay>, headings: &Headings, rows: &[Row<'_>], context: &Context<'_>) {
    let fahrenheit = headings.has("tmin_f");
    let mut absent = 0;
    for row in rows {
        match own_row(row, context.today, fahrenheit, &mut absent, &mut batch.sink) {
            Some(Some(day)) => {
                batch.good.push(day);
                batch.rows.push(row.number);
            }
            Some(None) => {}
            None => batch.bad_rows += 1,
        }
    }
    if fahrenheit {
        batch
            .notes
            .push("temperatures were converted from Fahrenheit".into());
    }
    if absent > 0 {
        batch.notes.push(format!(
            "{absent} days have no reading and stay gaps (a missing day is never 0)"
        ));
    }
}

/// `None` for a problem, `Some(None)` for a day without a reading.
fn own_row(
    row: &Row<'_>,
    today: Date,
    fahrenheit: bool,
    absent: &mut usize,
    sink: &mut Sink,
) -> Option<Option<WeatherDay>> {
    let (low, high) = if fahrenheit {
        ("tmin_f", "tmax_f")
    } else {
        ("tmin_c", "tmax_c")
    };
    let date = row.date("date", today, sink);
    let none = |column: &str| {
        let text = row.get(column);
        text.is_empty() || text.parse().is_ok_and(|v| NO_READING.contains(&v))
    };
    if none(low) || none(high) {
        *absent += usize::from(date.is_some());
        return date.map(|_| None);
    }
    let to_c = |v: f64| if fahrenheit { (v - 32.0) / 1.8 } else { v };
    let tmin_c = row.number(low, sink).map(to_c);
    let tmax_c = row.number(high, sink).map(to_c);
    let day = WeatherDay {
        station: row.optional("station").unwrap_or_else(|| "default".into()),
        date: date?,
        tmin_c: tmin_c?,
        tmax_c: tmax_c?,
    };
    let shown = [row.get(low), row.get(high)];
    let names = [row.headings.heading(low), row.headings.heading(high)];
    judge_day(&day, row.number, [&names[0], &names[1]], shown, sink).then_some(Some(day))
}

/// Whether a day's figures can be; says what is wrong where not. Both are degrees Celsius by now.
fn judge_day(day: &WeatherDay, row: usize, names: [&str; 2], shown: [&str; 2], sink: &mut Sink) -> bool {
    for (k, value) in [day.tmin_c, day.tmax_c].into_iter().enumerate() {
        if (RECORDS_C.0..=RECORDS_C.1).contains(&value) {
            continue;
        }
        let in_f = (value - 32.0) / 1.8;
        let remedy = if (RECORDS_C.0..=RECORDS_C.1).contains(&in_f) && value > 0.0 {
            "these look like degrees Fahrenheit: name the columns tmin_f and tmax_f"
        } else if (RECORDS_C.0..=RECORDS_C.1).contains(&(value / 10.0)) {
            "these look like tenths of a degree: divide by 10"
        } else {
            "check the value; leave the cell empty where there was no reading"
        };
        sink.push(
            Some(row),
            Some((names[k], shown[k])),
            "no air temperature like this was ever recorded (-89.2 to 56.7 C)",
            remedy,
        );
        return false;
    }
    if day.tmax_c < day.tmin_c {
        sink.push(
            Some(row),
            Some((names[1], shown[1])),
            &format!("the day's highest temperature is below its lowest ({})", shown[0]),
            "check whether the two columns or values are swapped",
        );
        return false;
    }
    true
}

fn is_ghcn_long(first: &csv::StringRecord) -> bool {
    let cell = |i: usize| first.get(i).unwrap_or("").trim();
    first.len() >= 4
        && cell(0).len() == 11
        && cell(1).len() == 8
        && cell(1).bytes().all(|b| b.is_ascii_digit())
        && cell(2).len() == 4
        && cell(3).parse::<i64>().is_ok()
}

/// Half a day: row and reading of each extreme, as they come in.
#[derive(Default)]
struct Halves {
    low: Option<(usize, f64)>,
    high: Option<(usize, f64)>,
}

#[derive(Default)]
struct Tally {
    other_elements: usize,
    no_reading: usize,
    flagged: Vec<String>,
}

fn long_form(batch: &mut Batch<WeatherDay>, table: &[(usize, csv::StringRecord)], context: &Context<'_>) {
    let mut days: BTreeMap<(String, Date), Halves> = BTreeMap::new();
    let mut tally = Tally::default();
    for (row, record) in table {
        if !long_row(*row, record, &mut days, &mut tally, context, &mut batch.sink) {
            batch.bad_rows += 1;
        }
    }
    batch
        .notes
        .push("read as GHCN-Daily, long form: TMAX and TMIN in tenths of a degree Celsius".to_owned());
    let halves = pair_up(batch, days);
    tell(batch, &tally, halves);
}

/// Takes one reading; false when it has a problem.
fn long_row(
    row: usize,
    record: &csv::StringRecord,
    days: &mut BTreeMap<(String, Date), Halves>,
    tally: &mut Tally,
    context: &Context<'_>,
    sink: &mut Sink,
) -> bool {
    let cell = |i: usize| record.get(i).unwrap_or("").trim();
    let element = cell(2);
    if element != "TMAX" && element != "TMIN" {
        tally.other_elements += 1;
        return true;
    }
    let mut fault = |column: &str, i: usize, rule: &str, remedy: &str| {
        sink.push(Some(row), Some((column, cell(i))), rule, remedy);
        false
    };
    let date = match field::compact_date(cell(1), context.today) {
        Ok(date) => date,
        Err((rule, remedy)) => return fault("2 (date)", 1, &rule, &remedy),
    };
    if cell(0).is_empty() {
        return fault("1 (station)", 0, "the station is missing", "check the file");
    }
    let value = match field::number(cell(3)) {
        Ok(value) => value,
        Err((rule, remedy)) => return fault("4 (value)", 3, &rule, &remedy),
    };
    if value == -9999.0 {
        tally.no_reading += 1;
        return true;
    }
    if !cell(5).is_empty() {
        tally
            .flagged
            .push(format!("row {row}: {element} of {date}, flag {}", cell(5)));
        return true;
    }
    let halves = days.entry((cell(0).to_owned(), date)).or_default();
    let slot = if element == "TMAX" {
        &mut halves.high
    } else {
        &mut halves.low
    };
    if let Some((before, _)) = slot {
        let rule = format!("this station has {element} for {date} already (row {before})");
        return fault("2 (date)", 1, &rule, "take one of the two out");
    }
    *slot = Some((row, value / 10.0));
    true
}

/// Whole days go to the batch; the number of days with one reading only is returned.
fn pair_up(batch: &mut Batch<WeatherDay>, days: BTreeMap<(String, Date), Halves>) -> usize {
    let mut lone = 0;
    for ((station, date), halves) in days {
        let (Some((row_low, tmin_c)), Some((row_high, tmax_c))) = (halves.low, halves.high) else {
            lone += 1;
            continue;
        };
        let day = WeatherDay {
            station,
            date,
            tmin_c,
            tmax_c,
        };
        let row = row_low.min(row_high);
        let shown = [(tmin_c * 10.0).to_string(), (tmax_c * 10.0).to_string()];
        if judge_day(
            &day,
            row,
            ["TMIN", "TMAX"],
            [&shown[0], &shown[1]],
            &mut batch.sink,
        ) {
            batch.good.push(day);
            batch.rows.push(row);
        } else {
            batch.bad_rows += 1;
        }
    }
    lone
}

fn tell(batch: &mut Batch<WeatherDay>, tally: &Tally, lone: usize) {
    let mut note = |count: usize, text: String| {
        if count > 0 {
            batch.notes.push(text);
        }
    };
    let flagged = tally.flagged.len();
    note(
        flagged,
        format!(
            "{flagged} readings were rejected because the source itself doubts them (quality flag): {}{}",
            tally
                .flagged
                .iter()
                .take(5)
                .cloned()
                .collect::<Vec<_>>()
                .join("; "),
            if flagged > 5 { "; ..." } else { "" }
        ),
    );
    note(
        tally.no_reading,
        format!("{} readings are missing in the source (-9999)", tally.no_reading),
    );
    note(
        lone,
        format!("{lone} days lack a usable TMAX or TMIN and stay gaps (a missing day is never 0)"),
    );
    note(
        tally.other_elements,
        format!(
            "{} readings of other elements (rain, snow ...) were left aside",
            tally.other_elements
        ),
    );
    if batch.good.is_empty() && batch.sink.count == 0 {
        batch.sink.push(
            None,
            None,
            "no day has both TMAX and TMIN",
            "choose a station that reports both",
        );
    }
}

/// In which unit a wide form's TMAX and TMIN are.
#[derive(Clone, Copy, PartialEq)]
enum WideUnit {
    Tenths,
    Celsius,
}

/// No air temperature in Fahrenheit reaches this (56.7 C is 134 F), so whole numbers above it are tenths of Celsius.
const ABOVE_ANY_FAHRENHEIT: f64 = 135.0;

fn wide_unit(rows: &[Row<'_>]) -> Result<WideUnit, FileFault> {
    let mut highest = f64::NEG_INFINITY;
    let (mut points, mut attributes) = (false, false);
    for row in rows {
        for column in ["tmax", "tmin"] {
            let text = row.get(column);
            points |= text.contains('.');
            if let Ok(v) = text.parse::<f64>()
                && !NO_READING.contains(&v)
            {
                highest = highest.max(v.abs());
            }
        }
        attributes |= row.headings.has("tmax_attributes");
    }
    if !points && (attributes || highest >= ABOVE_ANY_FAHRENHEIT) {
        return Ok(WideUnit::Tenths);
    }
    if points && highest <= RECORDS_C.1 {
        return Ok(WideUnit::Celsius);
    }
    Err(FileFault::new(
        "the unit of TMAX and TMIN can't be told from the file (tenths of Celsius, Celsius or Fahrenheit)",
        "rename the columns tmin_c and tmax_c, or tmin_f and tmax_f, by the unit they are in",
    ))
}

fn wide_form(batch: &mut Batch<WeatherDay>, rows: &[Row<'_>], context: &Context<'_>) {
    let unit = match wide_unit(rows) {
        Ok(unit) => unit,
        Err(fault) => {
            batch.bad_rows += rows.len();
            batch.sink.push(None, None, &fault.rule, &fault.remedy);
            return;
        }
    };
    let divisor = if unit == WideUnit::Tenths { 10.0 } else { 1.0 };
    batch.notes.push(format!(
        "read as GHCN-Daily, wide form: TMAX and TMIN in {}",
        if unit == WideUnit::Tenths {
            "tenths of a degree Celsius"
        } else {
            "degrees Celsius"
        }
    ));
    let (mut tally, mut lone) = (Tally::default(), 0);
    for row in rows {
        match wide_row(row, divisor, &mut tally, context, &mut batch.sink) {
            Some(Some(day)) => {
                batch.good.push(day);
                batch.rows.push(row.number);
            }
            Some(None) => lone += 1,
            None => batch.bad_rows += 1,
        }
    }
    tell(batch, &tally, lone);
}

/// `None` for a problem, `Some(None)` for a day without both readings.
fn wide_row(
    row: &Row<'_>,
    divisor: f64,
    tally: &mut Tally,
    context: &Context<'_>,
    sink: &mut Sink,
) -> Option<Option<WeatherDay>> {
    let station = row.need("station", sink);
    let date = match field::compact_date(row.get("date"), context.today) {
        Ok(date) => Some(date),
        Err((rule, remedy)) => {
            sink.at(row, "date", &rule, &remedy);
            None
        }
    };
    let mut value = |column: &'static str, attributes: &str| -> Option<Option<f64>> {
        let text = row.get(column);
        if text.is_empty() {
            return Some(None);
        }
        let value = row.number(column, sink)?;
        if NO_READING.contains(&value) {
            tally.no_reading += 1;
            return Some(None);
        }
        let flag = row.get(attributes).split(',').nth(1).unwrap_or("").trim();
        if !flag.is_empty() {
            let upper = column.to_uppercase();
            tally
                .flagged
                .push(format!("row {}: {upper}, flag {flag}", row.number));
            return Some(None);
        }
        Some(Some(value / divisor))
    };
    let (low, high) = (value("tmin", "tmin_attributes"), value("tmax", "tmax_attributes"));
    let (station, date, Some(tmin_c), Some(tmax_c)) = (station?, date?, low?, high?) else {
        return Some(None);
    };
    let day = WeatherDay {
        station,
        date,
        tmin_c,
        tmax_c,
    };
    let shown = [row.get("tmin"), row.get("tmax")];
    judge_day(&day, row.number, ["TMIN", "TMAX"], shown, sink).then_some(Some(day))
}

fn no_day_twice(batch: &mut Batch<WeatherDay>) {
    let mut first: HashMap<(&str, Date), usize> = HashMap::with_capacity(batch.good.len());
    let mut bad = Vec::new();
    for (i, day) in batch.good.iter().enumerate() {
        match first.get(&(day.station.as_str(), day.date)) {
            Some(&before) => bad.push((i, day.date, day.station.clone(), batch.rows[before])),
            None => {
                first.insert((day.station.as_str(), day.date), i);
            }
        }
    }
    for (i, date, station, before) in &bad {
        let rule = format!("station {station} has this day already (row {before})");
        batch.blame(*i, "date", &date.to_string(), &rule, "take one of the two out");
    }
    let gone: Vec<usize> = bad.iter().map(|b| b.0).collect();
    batch.remove(&gone);
}

/// Positions in `good` of each station's days.
fn by_station(good: &[WeatherDay]) -> BTreeMap<&str, Vec<usize>> {
    let mut stations: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, day) in good.iter().enumerate() {
        stations.entry(&day.station).or_default().push(i);
    }
    stations
}

fn no_fahrenheit_series(batch: &mut Batch<WeatherDay>) {
    let mut bad: Vec<usize> = Vec::new();
    let mut told: Vec<(usize, String, String)> = Vec::new();
    for (station, list) in by_station(&batch.good) {
        let days: Vec<DailyTemp> = list
            .iter()
            .map(|&i| &batch.good[i])
            .map(|d| DailyTemp {
                date: d.date,
                tmin_c: d.tmin_c,
                tmax_c: d.tmax_c,
            })
            .collect();
        let verdict = unit_check(&days);
        if let (UnitCheck::LikelyFahrenheit { .. }, Some(message)) = (verdict, verdict.message()) {
            told.push((list[0], station.to_owned(), message));
            bad.extend(list);
        }
    }
    for (i, station, message) in &told {
        batch.blame(
            *i,
            "station",
            station,
            message,
            "name the columns tmin_f and tmax_f if they are in Fahrenheit",
        );
    }
    bad.sort_unstable();
    batch.remove(&bad);
}

fn note_gaps(batch: &mut Batch<WeatherDay>) {
    let mut notes = Vec::new();
    for (station, list) in by_station(&batch.good) {
        let dates = || list.iter().map(|&i| batch.good[i].date);
        let (Some(first), Some(last)) = (dates().min(), dates().max()) else {
            continue;
        };
        let span = first.until(last).map_or(0, |s| s.get_days()) as usize + 1;
        let gaps = span.saturating_sub(list.len());
        notes.push(format!(
            "station {station}: {} days from {first} to {last}, {gaps} missing between",
            list.len()
        ));
    }
    // More stations than a person wants to read about are counted, not listed.
    let count = notes.len();
    batch.notes.extend(notes.into_iter().take(10));
    if count > 10 {
        batch.notes.push(format!("... and {} more stations", count - 10));
    }
}
