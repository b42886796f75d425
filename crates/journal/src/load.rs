//! Records that are loaded in bulk: what makes one acceptable, and what makes two the same.

use std::borrow::Cow;

use earlywood_model::record::{
    Access, Area, Host, Land, Pathway, Place, Position, Road, Shift, WeatherDay, Zone,
};
use jiff::civil::Date;
use serde::{Serialize, de::DeserializeOwned};

use crate::body::What;
use crate::chunk::{ChunkRef, unpack};
use crate::error::{Error, Refusal};

mod sealed {
    pub trait Sealed {}
    impl Sealed for super::Host {}
    impl Sealed for super::Pathway {}
    impl Sealed for super::Land {}
    impl Sealed for super::Zone {}
    impl Sealed for super::WeatherDay {}
    impl Sealed for super::Place {}
    impl Sealed for super::Road {}
    impl Sealed for super::Shift {}
    impl Sealed for super::Access {}
}

/// A record of a set that is loaded in bulk. Implemented for the nine records of [`What`], and for nothing else.
pub trait Bulk: Serialize + DeserializeOwned + Send + Sync + sealed::Sealed {
    /// The set it belongs to.
    const WHAT: What;

    /// What must be unique in the set: the label; for weather the station and the date.
    fn key(&self) -> Cow<'_, str>;

    /// Checks the record on its own.
    ///
    /// # Errors
    /// A field with a value that can't be, or a day after `today`.
    fn check(&self, today: Date) -> Result<(), Refusal>;
}

/// Whether a chunk holds records of that set.
pub(crate) fn try_unpack(what: What, chunk: &ChunkRef, bytes: &[u8]) -> Result<(), Error> {
    match what {
        What::Hosts => unpack::<Host>(chunk, bytes).map(drop),
        What::Pathways => unpack::<Pathway>(chunk, bytes).map(drop),
        What::Land => unpack::<Land>(chunk, bytes).map(drop),
        What::Zones => unpack::<Zone>(chunk, bytes).map(drop),
        What::Weather => unpack::<WeatherDay>(chunk, bytes).map(drop),
        What::Places => unpack::<Place>(chunk, bytes).map(drop),
        What::Roads => unpack::<Road>(chunk, bytes).map(drop),
        What::Crews => unpack::<Shift>(chunk, bytes).map(drop),
        What::Access => unpack::<Access>(chunk, bytes).map(drop),
    }
}

pub(crate) fn field(field: &'static str, value: impl ToString, rule: &str) -> Refusal {
    Refusal::Field {
        field,
        value: value.to_string(),
        rule: rule.to_owned(),
    }
}

/// A label people type and print: something in it, no blanks at its ends, no control characters, at most 200 bytes.
pub(crate) fn check_label(name: &'static str, label: &str) -> Result<(), Refusal> {
    let ok = !label.is_empty()
        && label.len() <= 200
        && label.trim().len() == label.len()
        && !label.chars().any(char::is_control);
    let rule = "1 to 200 characters, no blanks at its ends, no control characters";
    if ok {
        Ok(())
    } else {
        Err(field(name, format!("{label:?}"), rule))
    }
}

/// A day that has come, in the years that are written with four digits.
pub(crate) fn check_day(name: &'static str, date: Date, today: Date) -> Result<(), Refusal> {
    if date > today {
        return Err(Refusal::FutureDate {
            field: name,
            date,
            today,
        });
    }
    if date.year() < 1 {
        return Err(field(name, date, "a year from 0001"));
    }
    Ok(())
}

pub(crate) fn check_position(position: Position) -> Result<(), Refusal> {
    let Position { lat, lon } = position;
    if !(-90.0..=90.0).contains(&lat) {
        return Err(field("latitude", lat, "between -90 and 90 degrees"));
    }
    if !(-180.0..=180.0).contains(&lon) {
        return Err(field("longitude", lon, "between -180 and 180 degrees"));
    }
    Ok(())
}

fn check_not_negative(name: &'static str, value: f64) -> Result<(), Refusal> {
    if value.is_finite() && value >= 0.0 {
        Ok(())
    } else {
        Err(field(name, value, "a number, 0 or more"))
    }
}

fn check_positive(name: &'static str, value: f64) -> Result<(), Refusal> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        Err(field(name, value, "a number above 0"))
    }
}

fn check_area(area: &Area) -> Result<(), Refusal> {
    if area.0.is_empty() || area.0.iter().any(Vec::is_empty) {
        return Err(field(
            "area",
            "without ground",
            "at least one polygon with an outer ring",
        ));
    }
    for ring in area.0.iter().flatten() {
        if ring.len() < 3 {
            return Err(field(
                "area",
                format!("with a ring of {} corners", ring.len()),
                "at least 3 corners",
            ));
        }
        for &[lon, lat] in ring {
            check_position(Position { lat, lon })?;
        }
    }
    Ok(())
}

impl Bulk for Host {
    const WHAT: What = What::Hosts;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        check_position(self.position)?;
        self.dbh_cm
            .map_or(Ok(()), |dbh| check_not_negative("dbh_cm", dbh))
    }
}

impl Bulk for Pathway {
    const WHAT: What = What::Pathways;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        check_position(self.position)?;
        check_not_negative("weight", self.weight)?;
        check_positive("reach_m", self.reach_m)
    }
}

impl Bulk for Land {
    const WHAT: What = What::Land;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        check_area(&self.area)
    }
}

impl Bulk for Zone {
    const WHAT: What = What::Zones;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        check_area(&self.area)
    }
}

impl Bulk for WeatherDay {
    const WHAT: What = What::Weather;
    fn key(&self) -> Cow<'_, str> {
        Cow::Owned(format!("{} {}", self.station, self.date))
    }
    fn check(&self, today: Date) -> Result<(), Refusal> {
        check_label("station", &self.station)?;
        check_day("date", self.date, today)?;
        if !self.tmin_c.is_finite() {
            return Err(field("tmin_c", self.tmin_c, "a number"));
        }
        if !(self.tmax_c.is_finite() && self.tmax_c >= self.tmin_c) {
            return Err(field(
                "tmax_c",
                self.tmax_c,
                &format!("a number not below tmin_c {}", self.tmin_c),
            ));
        }
        Ok(())
    }
}

impl Bulk for Place {
    const WHAT: What = What::Places;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        check_position(self.position)?;
        check_not_negative("cost", self.cost)
    }
}

impl Bulk for Road {
    const WHAT: What = What::Roads;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        if self.line.len() < 2 || self.line.len() != self.nodes.len() {
            let value = format!("with {} corners and {} nodes", self.line.len(), self.nodes.len());
            return Err(field(
                "road",
                value,
                "at least two corners, and one node for each",
            ));
        }
        for &[lon, lat] in &self.line {
            check_position(Position { lat, lon })?;
        }
        self.speed_kmh
            .map_or(Ok(()), |speed| check_positive("speed_kmh", speed))
    }
}

impl Bulk for Shift {
    const WHAT: What = What::Crews;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        check_position(self.depot)?;
        self.end.map_or(Ok(()), check_position)?;
        if self.ends <= self.starts {
            return Err(field(
                "ends",
                self.ends,
                &format!("after the day starts, {}", self.starts),
            ));
        }
        let length_s = (self.ends - self.starts).total(jiff::Unit::Second).unwrap_or(0.0);
        if f64::from(self.break_minutes) * 60.0 > length_s {
            return Err(field(
                "break_minutes",
                self.break_minutes,
                "not longer than the day",
            ));
        }
        let (from, to) = (
            self.break_from.unwrap_or(self.starts),
            self.break_to.unwrap_or(self.ends),
        );
        if to < from || from < self.starts || self.ends < to {
            return Err(field(
                "break",
                format!("between {from} and {to}"),
                "inside the day, and not back to front",
            ));
        }
        check_days_in_order(self.from, self.to)
    }
}

impl Bulk for Access {
    const WHAT: What = What::Access;
    fn key(&self) -> Cow<'_, str> {
        Cow::Borrowed(&self.label)
    }
    fn check(&self, _today: Date) -> Result<(), Refusal> {
        check_label("label", &self.label)?;
        self.park.map_or(Ok(()), check_position)?;
        self.minutes.map_or(Ok(()), |minutes| {
            check_positive("minutes", minutes)?;
            if minutes > 1440.0 {
                return Err(field("minutes", minutes, "at most a day, 1440"));
            }
            Ok(())
        })?;
        if let (Some(opens), Some(closes)) = (self.opens, self.closes)
            && closes <= opens
        {
            return Err(field("closes", closes, &format!("after the gate opens, {opens}")));
        }
        for caution in &self.cautions {
            crate::body::check_words("cautions", Some(caution))?;
        }
        crate::body::check_words("directions", self.directions.as_deref())?;
        crate::body::check_words("permit", self.permit.as_deref())?;
        check_days_in_order(self.permit_from, self.permit_to)
    }
}

fn check_days_in_order(from: Option<Date>, to: Option<Date>) -> Result<(), Refusal> {
    match (from, to) {
        (Some(from), Some(to)) if to < from => {
            Err(field("to", to, &format!("not before the first day, {from}")))
        }
        _ => Ok(()),
    }
}
