//! Sets of records that are loaded in bulk: hosts, pathways, land, zones, places, weather, roads, crews' days, access to places.

use std::collections::{BTreeMap, HashSet};

use earlywood_model::record::{Access, Host, Land, Pathway, Place, Road, Shift, WeatherDay, Zone};
use rusqlite::params;
use uuid::Uuid;

use super::conflicts::{self, Conflict};
use super::{Projector, facts_of, record_text};
use crate::body::{Body, LoadMode, Loaded, What};
use crate::chunk::unpack;
use crate::entry::to_sql_integer;
use crate::error::Error;
use crate::load::Bulk;

/// The subject that the loads of one set have in common.
pub(crate) fn subject(what: What) -> String {
    format!("set:{}", what.word())
}

/// One label on two records, both loaded; the one loaded first stands.
type Twice = BTreeMap<String, Vec<Uuid>>;

impl Projector<'_> {
    /// Adds a load to its set; one that comes before another in the canonical order has the set made anew. So has one of
    /// those kept as chunks that was not checked against the set here: whether a label is there twice shows only when all are read.
    pub(super) fn load(&mut self, entry: Uuid, loaded: &Loaded, checked: bool) -> Result<(), Error> {
        let later = self
            .db
            .prepare_cached("SELECT 1 FROM facts WHERE subject = ? AND entry > ?")?
            .exists(params![subject(loaded.what), entry.as_bytes()])?;
        let unseen = loaded.what.chunk_table().is_some() && loaded.mode == LoadMode::Add && !checked;
        if later || unseen || self.dirty.sets.contains(&loaded.what) {
            self.dirty.sets.insert(loaded.what);
            return Ok(());
        }
        let mut twice = Twice::new();
        self.put(entry, loaded, &mut twice)?;
        if twice.is_empty() {
            return Ok(());
        }
        // The list of conflicts is the set's, so that a rebuild finds the same one.
        self.dirty.sets.insert(loaded.what);
        Ok(())
    }

    /// Makes a set anew from all its loads.
    pub(super) fn reload(&mut self, what: What) -> Result<(), Error> {
        let table = table(what);
        self.db.execute(&format!("DELETE FROM {table}"), [])?;
        let mut loads = Vec::new();
        for fact in facts_of(self.db, &subject(what), what.kind())? {
            if let Body::Loaded(loaded) = fact.body()? {
                loads.push((fact.entry, loaded));
            }
        }
        let mut twice = Twice::new();
        for (entry, loaded) in &loads {
            if loaded.mode == LoadMode::Replace && what != What::Weather {
                twice.clear();
            }
            self.put(*entry, loaded, &mut twice)?;
        }
        match what {
            What::Hosts => twice = self.twice_in_chunks::<Host>(&loads)?,
            What::Roads => twice = self.twice_in_chunks::<Road>(&loads)?,
            _ => {}
        }
        let found = twice.into_iter().map(|(label, entries)| Conflict {
            kind: "label-twice",
            entries,
            words: format!(
                "{} label {label:?} was loaded twice; the record loaded first stands",
                what.word()
            ),
        });
        conflicts::replace(self.db, &subject(what), found.collect())
    }

    fn put(&self, entry: Uuid, loaded: &Loaded, twice: &mut Twice) -> Result<(), Error> {
        match loaded.what {
            What::Hosts => self.put_chunks("host_chunks", loaded),
            What::Roads => self.put_chunks("road_chunks", loaded),
            What::Weather => self.put_weather(loaded),
            What::Pathways => self.put_labelled::<Pathway>(entry, loaded, twice),
            What::Land => self.put_labelled::<Land>(entry, loaded, twice),
            What::Zones => self.put_labelled::<Zone>(entry, loaded, twice),
            What::Places => self.put_labelled::<Place>(entry, loaded, twice),
            What::Crews => self.put_labelled::<Shift>(entry, loaded, twice),
            What::Access => self.put_labelled::<Access>(entry, loaded, twice),
        }
    }

    fn put_chunks(&self, table: &str, loaded: &Loaded) -> Result<(), Error> {
        if loaded.mode == LoadMode::Replace {
            self.db.execute(&format!("DELETE FROM {table}"), [])?;
        }
        let mut insert = self.db.prepare_cached(&format!(
            "INSERT INTO {table} (hash, bytes, rows) VALUES (?, ?, ?)"
        ))?;
        for chunk in &loaded.chunks {
            insert.execute(params![
                chunk.hash.0,
                to_sql_integer(chunk.bytes)?,
                to_sql_integer(chunk.rows)?
            ])?;
        }
        Ok(())
    }

    /// Labels that more than one load of the standing set has.
    fn twice_in_chunks<T: Bulk>(&self, loads: &[(Uuid, Loaded)]) -> Result<Twice, Error> {
        let standing = loads
            .iter()
            .rposition(|(_, loaded)| loaded.mode == LoadMode::Replace)
            .unwrap_or(0);
        let loads = loads.get(standing..).unwrap_or_default();
        let mut twice = Twice::new();
        if loads.len() < 2 {
            return Ok(twice);
        }
        let mut seen = HashSet::new();
        for (entry, loaded) in loads {
            for chunk in &loaded.chunks {
                for row in unpack::<T>(chunk, &self.content(chunk)?)? {
                    let label = row.key().into_owned();
                    if seen.contains(&label) {
                        twice.entry(label).or_default().push(*entry);
                    } else {
                        seen.insert(label);
                    }
                }
            }
        }
        Ok(twice)
    }

    fn put_labelled<T: Bulk>(&self, entry: Uuid, loaded: &Loaded, twice: &mut Twice) -> Result<(), Error> {
        let table = table(loaded.what);
        if loaded.mode == LoadMode::Replace {
            self.db.execute(&format!("DELETE FROM {table}"), [])?;
        }
        let mut insert = self.db.prepare_cached(&format!(
            "INSERT OR IGNORE INTO {table} (label, body) VALUES (?, ?)"
        ))?;
        for chunk in &loaded.chunks {
            for row in unpack::<T>(chunk, &self.content(chunk)?)? {
                if insert.execute(params![row.key(), record_text(&row)?])? == 0 {
                    twice.entry(row.key().into_owned()).or_default().push(entry);
                }
            }
        }
        Ok(())
    }

    fn put_weather(&self, loaded: &Loaded) -> Result<(), Error> {
        let mut days: Vec<WeatherDay> = Vec::new();
        for chunk in &loaded.chunks {
            days.extend(unpack::<WeatherDay>(chunk, &self.content(chunk)?)?);
        }
        if loaded.mode == LoadMode::Replace {
            let mut stations: Vec<&str> = days.iter().map(|day| day.station.as_str()).collect();
            stations.sort_unstable();
            stations.dedup();
            let mut delete = self.db.prepare_cached("DELETE FROM weather WHERE station = ?")?;
            for station in stations {
                delete.execute([station])?;
            }
        }
        // Two offices may have loaded the same day: the first load stands.
        let mut insert = self.db.prepare_cached(
            "INSERT OR IGNORE INTO weather (station, date, tmin_c, tmax_c) VALUES (?, ?, ?, ?)",
        )?;
        for day in &days {
            insert.execute(params![day.station, day.date.to_string(), day.tmin_c, day.tmax_c])?;
        }
        Ok(())
    }
}

fn table(what: What) -> &'static str {
    what.chunk_table().unwrap_or_else(|| what.word())
}
