//! What a programme shows now: readers of the projections and of the log.

use std::collections::{BTreeMap, HashSet};

use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{
    Access, Host, Land, Pathway, Place, Placement, Road, Shift, Visit, WeatherDay, Zone,
};
use jiff::civil::Date;
use rayon::prelude::*;
use rusqlite::{Connection, OptionalExtension, params};
use serde::de::DeserializeOwned;
use uuid::Uuid;

use crate::body::{
    Body, Determination, HoldDeclared, HoldLifted, Plan, PlantingClosed, RoundsAdopted, TargetAdopted,
    VisitMade, What,
};
use crate::chunk::{self, ChunkRef};
use crate::entry::{COLUMNS, Entry};
use crate::error::{Error, Refusal};
use crate::hash::Hash;
use crate::load::Bulk;
use crate::programme::Programme;

/// A projected record and the entry it comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded<T> {
    /// Id of the entry that recorded it: what a correction names.
    pub entry: Uuid,
    /// The last correction that changed it, if any.
    pub corrected_by: Option<Uuid>,
    /// The record as it stands now.
    pub value: T,
}

/// An adopted target profile.
#[derive(Debug, Clone, PartialEq)]
pub struct Adopted {
    /// Id of the entry that adopted it.
    pub entry: Uuid,
    /// When: RFC 3339 with offset.
    pub adopted: String,
    /// The profile.
    pub profile: TargetProfile,
    /// Its TOML text as it was adopted.
    pub toml: String,
}

/// A weather station and the days known from it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Station {
    /// Its label.
    pub label: String,
    /// Number of days.
    pub days: u64,
    /// First day.
    pub first: Date,
    /// Last day.
    pub last: Date,
}

/// How many of each there are now.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Entries in the journal.
    pub entries: u64,
    /// Host trees.
    pub hosts: u64,
    /// Pathways.
    pub pathways: u64,
    /// Pieces of land.
    pub land: u64,
    /// Zones.
    pub zones: u64,
    /// Days of weather, over all stations.
    pub weather_days: u64,
    /// Places.
    pub places: u64,
    /// Roads.
    pub roads: u64,
    /// Crews whose days are known.
    pub crews: u64,
    /// Places of which it is known how to get there.
    pub access: u64,
    /// Placements.
    pub placements: u64,
    /// Visits.
    pub visits: u64,
    /// Adopted targets.
    pub targets: u64,
    /// Adopted plans.
    pub plans: u64,
    /// Determinations.
    pub determinations: u64,
}

/// What stands of one specimen, or of one trap's catch of a day, for one target.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FindRow {
    /// The specimen; none for a determination of layout 1, which names a trap and a day.
    pub specimen: Option<String>,
    /// The trap it came from, where it came from one.
    pub trap: Option<String>,
    /// The day it was taken, where that is known.
    pub day: Option<Date>,
    /// Target id.
    pub target: String,
    /// "suspect", "tentative", "determined", "confirmed", "ruled-out", "undeterminable", "planted", "overturned".
    pub state: String,
    /// Since when.
    pub since: jiff::Timestamp,
}

/// A trap that hangs, as it stands now.
#[derive(Debug, Clone, PartialEq)]
pub struct Hanging {
    /// Where, since when and for what.
    pub placement: Placement,
    /// How it was last found: working, impaired, down or missing.
    pub condition: String,
    /// The last visit that reached it.
    pub last_visit: Option<Date>,
    /// The last full look at its catch since it was hung there.
    pub last_look: Option<Date>,
    /// Since when it has its lure.
    pub lure: Option<Date>,
    /// Since when it has its insert.
    pub insert: Option<Date>,
    /// Since when it has its killing agent.
    pub killing_agent: Option<Date>,
    /// Since when it has its body.
    pub body: Option<Date>,
    /// Lot of its lure, where it was told.
    pub lure_lot: Option<String>,
}

/// A specimen that somebody has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenSpecimen {
    /// Its label.
    pub specimen: String,
    /// Who has it.
    pub holder: Option<String>,
    /// Who it was offered to, and has not answered.
    pub offered_to: Option<String>,
    /// In which hand-over.
    pub handover: Option<String>,
    /// Since when it is in that state.
    pub since: jiff::Timestamp,
    /// "held" or "offered".
    pub state: String,
    /// The specimen it was lifted from.
    pub parent: Option<String>,
    /// The trap that it, or the specimen it comes from, was taken out of.
    pub trap: Option<String>,
    /// The tree that it, or the specimen it comes from, was taken from.
    pub tree: Option<String>,
    /// The day of that.
    pub day: Option<Date>,
}

/// Which entries [`Programme::log`] gives.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct LogFilter {
    /// Entries of this kind only.
    pub kind: Option<String>,
    /// Entries with this number or a later one only.
    pub from_number: Option<u64>,
    /// The last so many only.
    pub last: Option<u64>,
}

/// The records of a set of which only the chunks are kept.
pub(crate) fn read_chunked<T: Bulk>(db: &Connection, what: What) -> Result<Vec<T>, Error> {
    let table = what.chunk_table().unwrap_or_else(|| what.word());
    let mut select = db.prepare(&format!(
        "SELECT c.hash, c.bytes, c.rows, contents.bytes FROM {table} c
         LEFT JOIN contents ON contents.hash = c.hash ORDER BY c.ord"
    ))?;
    let mut chunks = Vec::new();
    let mut rows = select.query([])?;
    while let Some(row) = rows.next()? {
        let size = |column| row.get::<_, i64>(column).map(i64::unsigned_abs);
        let name = ChunkRef {
            hash: Hash(row.get(0)?),
            bytes: size(1)?,
            rows: size(2)?,
        };
        let bytes: Option<Vec<u8>> = row.get(3)?;
        chunks.push((
            name,
            bytes.ok_or_else(|| Error::Damaged(format!("the contents {} are missing", name.hash)))?,
        ));
    }
    let blocks: Vec<Vec<T>> = chunks
        .par_iter()
        .map(|(name, bytes)| chunk::unpack(name, bytes))
        .collect::<Result<_, _>>()?;
    let mut records = Vec::with_capacity(blocks.iter().map(Vec::len).sum());
    blocks.into_iter().for_each(|block| records.extend(block));
    let twice = db
        .prepare_cached("SELECT 1 FROM conflicts WHERE subject = ?")?
        .exists([format!("set:{}", what.word())])?;
    if twice {
        let mut seen = HashSet::new();
        records.retain(|record: &T| seen.insert(record.key().into_owned()));
    }
    Ok(records)
}

fn read_json<T: DeserializeOwned>(text: &str) -> Result<T, Error> {
    serde_json::from_str(text).map_err(|e| Error::Damaged(format!("a projected record can't be read: {e}")))
}

fn read_date(text: &str) -> Result<Date, Error> {
    text.parse()
        .map_err(|_| Error::Damaged(format!("{text:?} stands where a date should")))
}

impl Programme {
    /// Every host, in the order loaded.
    ///
    /// # Errors
    /// A database or chunk that can't be read; so for every reader below.
    pub fn hosts(&self) -> Result<Vec<Host>, Error> {
        read_chunked(&self.db, What::Hosts)
    }

    /// Every pathway, in the order loaded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn pathways(&self) -> Result<Vec<Pathway>, Error> {
        self.labelled(What::Pathways)
    }

    /// Every piece of land, in the order loaded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn land(&self) -> Result<Vec<Land>, Error> {
        self.labelled(What::Land)
    }

    /// Every zone, in the order loaded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn zones(&self) -> Result<Vec<Zone>, Error> {
        self.labelled(What::Zones)
    }

    /// Every place, in the order loaded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn places(&self) -> Result<Vec<Place>, Error> {
        self.labelled(What::Places)
    }

    /// Every road, in the order loaded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn roads(&self) -> Result<Vec<Road>, Error> {
        read_chunked(&self.db, What::Roads)
    }

    /// The usual day of every crew, in the order loaded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn shifts(&self) -> Result<Vec<Shift>, Error> {
        self.labelled(What::Crews)
    }

    /// What must be known to get to places, in the order loaded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn access(&self) -> Result<Vec<Access>, Error> {
        self.labelled(What::Access)
    }

    fn labelled<T: DeserializeOwned>(&self, what: What) -> Result<Vec<T>, Error> {
        let mut select = self
            .db
            .prepare_cached(&format!("SELECT body FROM {} ORDER BY ord", what.word()))?;
        let mut rows = select.query([])?;
        let mut records = Vec::new();
        while let Some(row) = rows.next()? {
            records.push(read_json(
                row.get_ref(0)?.as_str().map_err(rusqlite::Error::from)?,
            )?);
        }
        Ok(records)
    }

    /// Days of weather, by station and date; of one station, or of all.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn weather(&self, station: Option<&str>) -> Result<Vec<WeatherDay>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT station, date, tmin_c, tmax_c FROM weather WHERE ?1 IS NULL OR station = ?1
             ORDER BY station, date",
        )?;
        let mut rows = select.query([station])?;
        let mut days = Vec::new();
        while let Some(row) = rows.next()? {
            days.push(WeatherDay {
                station: row.get(0)?,
                date: read_date(&row.get::<_, String>(1)?)?,
                tmin_c: row.get(2)?,
                tmax_c: row.get(3)?,
            });
        }
        Ok(days)
    }

    /// Every weather station, by label.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn stations(&self) -> Result<Vec<Station>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT station, count(*), min(date), max(date) FROM weather GROUP BY station ORDER BY station",
        )?;
        let mut rows = select.query([])?;
        let mut stations = Vec::new();
        while let Some(row) = rows.next()? {
            stations.push(Station {
                label: row.get(0)?,
                days: row.get::<_, i64>(1)?.unsigned_abs(),
                first: read_date(&row.get::<_, String>(2)?)?,
                last: read_date(&row.get::<_, String>(3)?)?,
            });
        }
        Ok(stations)
    }

    /// Every placement that was not withdrawn, by the day it was hung, with its take-down.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn placements(&self) -> Result<Vec<Placement>, Error> {
        Ok(self
            .recorded_placements()?
            .into_iter()
            .map(|recorded| recorded.value)
            .collect())
    }

    /// As [`Programme::placements`], with their entries; `corrected_by` is the entry that took the trap down, if any.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn recorded_placements(&self) -> Result<Vec<Recorded<Placement>>, Error> {
        let mut select = self
            .db
            .prepare_cached("SELECT entry, down_by, body, taken_down FROM placements ORDER BY hung, entry")?;
        let mut rows = select.query([])?;
        let mut placements = Vec::new();
        while let Some(row) = rows.next()? {
            let mut placement: Placement =
                read_json(row.get_ref(2)?.as_str().map_err(rusqlite::Error::from)?)?;
            placement.taken_down = row
                .get::<_, Option<String>>(3)?
                .as_deref()
                .map(read_date)
                .transpose()?;
            placements.push(Recorded {
                entry: Uuid::from_bytes(row.get(0)?),
                corrected_by: row.get::<_, Option<[u8; 16]>>(1)?.map(Uuid::from_bytes),
                value: placement,
            });
        }
        Ok(placements)
    }

    /// Every visit that was not withdrawn, as corrected, by date: what effort is reckoned from.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn visits(&self) -> Result<Vec<Visit>, Error> {
        Ok(self
            .recorded_visits()?
            .into_iter()
            .map(|recorded| recorded.value)
            .collect())
    }

    /// As [`Programme::visits`], with their entries.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn recorded_visits(&self) -> Result<Vec<Recorded<Visit>>, Error> {
        self.recorded("visit-made", "day, entry", |body| match body {
            Body::VisitMade(visit) => Some(visit.to_visit()),
            _ => None,
        })
    }

    /// As [`Programme::visits`], with all that was recorded of each stop.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn stops(&self) -> Result<Vec<Recorded<VisitMade>>, Error> {
        self.recorded("visit-made", "day, entry", |body| match body {
            Body::VisitMade(visit) => Some(visit),
            _ => None,
        })
    }

    /// Every determination that was not withdrawn, in the order recorded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn determinations(&self) -> Result<Vec<Recorded<Determination>>, Error> {
        self.recorded("determination", "entry", |body| match body {
            Body::Determination(determination) => Some(determination),
            _ => None,
        })
    }

    /// What stands of everything that was determined, for each target. A planted or overturned specimen is no find.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn finds(&self) -> Result<Vec<FindRow>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT specimen, trap, day, target, state, since FROM finds ORDER BY day, source, target",
        )?;
        let mut rows = select.query([])?;
        let mut finds = Vec::new();
        while let Some(row) = rows.next()? {
            let since: String = row.get(5)?;
            finds.push(FindRow {
                specimen: row.get(0)?,
                trap: row.get(1)?,
                day: row
                    .get::<_, Option<String>>(2)?
                    .as_deref()
                    .map(read_date)
                    .transpose()?,
                target: row.get(3)?,
                state: row.get(4)?,
                since: since
                    .parse()
                    .map_err(|_| Error::Damaged(format!("{since:?} stands where a time should")))?,
            });
        }
        Ok(finds)
    }

    /// Every hold that was declared and not withdrawn, in the order recorded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn holds_declared(&self) -> Result<Vec<Recorded<HoldDeclared>>, Error> {
        self.recorded("hold-declared", "entry", |body| match body {
            Body::HoldDeclared(hold) => Some(hold),
            _ => None,
        })
    }

    /// Every lifting of a hold, in the order recorded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn holds_lifted(&self) -> Result<Vec<Recorded<HoldLifted>>, Error> {
        self.recorded("hold-lifted", "entry", |body| match body {
            Body::HoldLifted(lifted) => Some(lifted),
            _ => None,
        })
    }

    /// How plantings ended, in the order recorded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn plantings_closed(&self) -> Result<Vec<Recorded<PlantingClosed>>, Error> {
        self.recorded("planting-closed", "entry", |body| match body {
            Body::PlantingClosed(closed) => Some(closed),
            _ => None,
        })
    }

    /// Every plan that was not withdrawn, the newest last.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn plans(&self) -> Result<Vec<Recorded<Plan>>, Error> {
        self.recorded("plan-adopted", "entry", |body| match body {
            Body::PlanAdopted(plan) => Some(plan),
            _ => None,
        })
    }

    /// All rounds that were adopted and not withdrawn, the newest last.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn rounds_adopted(&self) -> Result<Vec<Recorded<RoundsAdopted>>, Error> {
        self.recorded("rounds-adopted", "entry", |body| match body {
            Body::RoundsAdopted(rounds) => Some(rounds),
            _ => None,
        })
    }

    /// The facts of one kind that stand, as `take` wants them.
    pub(crate) fn recorded<T>(
        &self,
        kind: &str,
        order: &str,
        take: impl Fn(Body) -> Option<T>,
    ) -> Result<Vec<Recorded<T>>, Error> {
        let mut select = self.db.prepare_cached(&format!(
            "SELECT entry, corrected_by, body_version, body FROM facts
             WHERE kind = ? AND withdrawn_by IS NULL ORDER BY {order}"
        ))?;
        let mut rows = select.query([kind])?;
        let mut records = Vec::new();
        while let Some(row) = rows.next()? {
            let text = row.get_ref(3)?.as_str().map_err(rusqlite::Error::from)?;
            if let Some(value) = take(Body::read(kind, row.get(2)?, text)?) {
                records.push(Recorded {
                    entry: Uuid::from_bytes(row.get(0)?),
                    corrected_by: row.get::<_, Option<[u8; 16]>>(1)?.map(Uuid::from_bytes),
                    value,
                });
            }
        }
        Ok(records)
    }

    /// Every adopted target, by id, as adopted last.
    ///
    /// # Errors
    /// As [`Programme::hosts`]; also a profile that this program can't read any more.
    pub fn profiles(&self) -> Result<Vec<Adopted>, Error> {
        let mut last = BTreeMap::new();
        for adopted in self.recorded("target-adopted", "entry", |body| match body {
            Body::TargetAdopted(target) => Some(target),
            _ => None,
        })? {
            last.insert(adopted.value.id.clone(), adopted);
        }
        let adopted = |recorded: Recorded<TargetAdopted>| {
            let entry = self
                .entry(recorded.entry)?
                .ok_or(Refusal::UnknownEntry(recorded.entry))?;
            Ok(Adopted {
                entry: recorded.entry,
                adopted: entry.event_time,
                profile: TargetProfile::from_toml(&recorded.value.toml).map_err(Refusal::Profile)?,
                toml: recorded.value.toml,
            })
        };
        last.into_values().map(adopted).collect()
    }

    /// How many of each there are.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn counts(&self) -> Result<Counts, Error> {
        let count = |sql: &str| -> Result<u64, Error> {
            Ok(self
                .db
                .prepare_cached(sql)?
                .query_row([], |row| row.get::<_, i64>(0))?
                .unsigned_abs())
        };
        let all = |table: &str| count(&format!("SELECT count(*) FROM {table}"));
        // Both are counted in an index alone.
        let live = |kind: &str| {
            let all = count(&format!("SELECT count(*) FROM facts WHERE kind = '{kind}'"))?;
            let withdrawn = count(&format!(
                "SELECT count(*) FROM facts WHERE kind = '{kind}' AND withdrawn_by IS NOT NULL"
            ))?;
            Ok::<u64, Error>(all.saturating_sub(withdrawn))
        };
        Ok(Counts {
            entries: count("SELECT coalesce(sum(number), 0) FROM heads")?,
            hosts: count("SELECT coalesce(sum(rows), 0) FROM host_chunks")?,
            pathways: all("pathways")?,
            land: all("land")?,
            zones: all("zones")?,
            weather_days: all("weather")?,
            places: all("places")?,
            roads: count("SELECT coalesce(sum(rows), 0) FROM road_chunks")?,
            crews: all("crews")?,
            access: all("access")?,
            placements: all("placements")?,
            visits: live("visit-made")?,
            targets: count("SELECT count(DISTINCT subject) FROM facts WHERE kind = 'target-adopted'")?,
            plans: live("plan-adopted")?,
            determinations: live("determination")?,
        })
    }

    /// How many entries of some kinds there are, those withdrawn or corrected included: grows with every such entry, so
    /// that what was worked out from them can be kept as long as it stays the same.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn entries_of(&self, kinds: &[&str]) -> Result<u64, Error> {
        let mut select = self
            .db
            .prepare_cached("SELECT count(*) FROM facts WHERE kind = ?")?;
        let mut sum = 0;
        for kind in kinds {
            sum += select
                .query_row([kind], |row| row.get::<_, i64>(0))?
                .unsigned_abs();
        }
        Ok(sum)
    }

    /// Stops of a span of days, both ends included, that were not withdrawn.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn visits_between(&self, from: Date, to: Date) -> Result<u64, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT count(*) FROM facts WHERE kind = 'visit-made' AND day BETWEEN ?1 AND ?2 AND withdrawn_by IS NULL",
        )?;
        let count = select.query_row([from.to_string(), to.to_string()], |row| row.get::<_, i64>(0))?;
        Ok(count.unsigned_abs())
    }

    /// The traps that hang now, each with where it hangs and when its parts were last set back, by label.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn hanging(&self) -> Result<Vec<Hanging>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT t.condition, t.last_visit, t.last_look, t.lure, t.insert_day, t.killing_agent, t.body_day, p.body, t.lure_lot
             FROM traps t JOIN placements p ON p.entry = t.placement WHERE t.state = 'hanging' ORDER BY t.trap",
        )?;
        let mut rows = select.query([])?;
        let mut traps = Vec::new();
        while let Some(row) = rows.next()? {
            let day = |column| {
                row.get::<_, Option<String>>(column)?
                    .as_deref()
                    .map(read_date)
                    .transpose()
            };
            traps.push(Hanging {
                condition: row.get::<_, Option<String>>(0)?.unwrap_or_default(),
                last_visit: day(1)?,
                last_look: day(2)?,
                lure: day(3)?,
                insert: day(4)?,
                killing_agent: day(5)?,
                body: day(6)?,
                lure_lot: row.get(8)?,
                placement: read_json(row.get_ref(7)?.as_str().map_err(rusqlite::Error::from)?)?,
            });
        }
        Ok(traps)
    }

    /// Labels of the traps that were taken down and may be hung again.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn stored(&self) -> Result<Vec<String>, Error> {
        let mut select = self
            .db
            .prepare_cached("SELECT trap FROM traps WHERE state = 'stored' ORDER BY trap")?;
        let rows = select.query_map([], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Every specimen that was not ended (returned, retained, destroyed, lost), by label.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn specimens_open(&self) -> Result<Vec<OpenSpecimen>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT specimen, holder, offered_to, handover, since, state, parent, trap, tree, day FROM specimens
             WHERE state IN ('held', 'offered') ORDER BY specimen",
        )?;
        let mut rows = select.query([])?;
        let mut open = Vec::new();
        while let Some(row) = rows.next()? {
            let since: String = row.get(4)?;
            open.push(OpenSpecimen {
                specimen: row.get(0)?,
                holder: row.get(1)?,
                offered_to: row.get(2)?,
                handover: row.get(3)?,
                since: since
                    .parse()
                    .map_err(|_| Error::Damaged(format!("{since:?} stands where a time should")))?,
                state: row.get(5)?,
                parent: row.get(6)?,
                trap: row.get(7)?,
                tree: row.get(8)?,
                day: row
                    .get::<_, Option<String>>(9)?
                    .as_deref()
                    .map(read_date)
                    .transpose()?,
            });
        }
        Ok(open)
    }

    /// Every specimen that was taken and not withdrawn, in the order recorded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn specimens_taken(&self) -> Result<Vec<Recorded<crate::body::SpecimenTaken>>, Error> {
        self.recorded("specimen-taken", "entry", |body| match body {
            Body::SpecimenTaken(taken) => Some(taken),
            _ => None,
        })
    }

    /// Every screening that was not withdrawn, in the order recorded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn screenings(&self) -> Result<Vec<Recorded<crate::body::ScreeningMade>>, Error> {
        self.recorded("screening-made", "entry", |body| match body {
            Body::ScreeningMade(made) => Some(made),
            _ => None,
        })
    }

    /// Every crew that was formed and not withdrawn, in the order recorded.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn crews_formed(&self) -> Result<Vec<Recorded<crate::body::CrewFormed>>, Error> {
        self.recorded("crew-formed", "entry", |body| match body {
            Body::CrewFormed(crew) => Some(crew),
            _ => None,
        })
    }

    /// Everything that was recorded of one specimen and not withdrawn, in the order it happened: entry, instant, body.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn history_of_specimen(&self, specimen: &str) -> Result<Vec<(Entry, Body)>, Error> {
        let key = format!("specimen:{specimen}");
        let mut select = self.db.prepare_cached(
            "WITH own AS (SELECT entry FROM facts WHERE subject = ?1 UNION SELECT entry FROM touches WHERE subject = ?1),
               -- Answers name the hand-over, not what was handed over.
               handed AS (SELECT subject FROM facts WHERE kind = 'specimens-offered' AND entry IN own)
             SELECT entry, kind, body_version, body FROM facts WHERE withdrawn_by IS NULL AND (entry IN own OR
               (kind IN ('specimens-accepted', 'specimens-declined') AND subject IN handed))
             ORDER BY at, entry",
        )?;
        let mut rows = select.query([&key])?;
        let mut history = Vec::new();
        while let Some(row) = rows.next()? {
            let id = Uuid::from_bytes(row.get(0)?);
            let (kind, text): (String, String) = (row.get(1)?, row.get(3)?);
            let entry = self.entry(id)?.ok_or(Refusal::UnknownEntry(id))?;
            history.push((entry, Body::read(&kind, row.get(2)?, &text)?));
        }
        Ok(history)
    }

    /// Entries in the order of their numbers.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn log(&self, filter: &LogFilter) -> Result<Vec<Entry>, Error> {
        let limit = filter.last.map_or(-1, |n| i64::try_from(n).unwrap_or(i64::MAX));
        let from = i64::try_from(filter.from_number.unwrap_or(0)).unwrap_or(i64::MAX);
        let mut select = self.db.prepare_cached(&format!(
            "SELECT * FROM (SELECT {COLUMNS} FROM entries WHERE number >= ?1 AND (?2 IS NULL OR kind = ?2)
                            ORDER BY device DESC, number DESC LIMIT ?3)
             ORDER BY device, number"
        ))?;
        let rows = select.query_map(params![from, filter.kind, limit], Entry::from_row)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// One entry.
    ///
    /// # Errors
    /// As [`Programme::hosts`].
    pub fn entry(&self, id: Uuid) -> Result<Option<Entry>, Error> {
        let mut select = self
            .db
            .prepare_cached(&format!("SELECT {COLUMNS} FROM entries WHERE id = ?"))?;
        Ok(select.query_row([id.as_bytes()], Entry::from_row).optional()?)
    }
}
