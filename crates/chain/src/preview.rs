//! A file looked at before it is written: what is good, what is not and why. Written is exactly what was shown.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use earlywood_journal::{Act, LoadMode, Programme};
use earlywood_model::record::Position;
use jiff::civil::Date;
use serde::Serialize;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::Notes;
use crate::error::ChainError;
use crate::load::{self, FileRead, Reading, Records, Source, What, Written};
use crate::map::{area_feature, collection, point_feature};

/// Rejected rows that are listed; all are counted.
const MOST_REJECTED: usize = 500;
/// Good rows that are shown.
const SAMPLE: usize = 20;
/// Good rows that are drawn on a map.
const MOST_SHAPES: usize = 5_000;
/// Files kept at a time; the oldest goes first. Design choice.
const MOST_DRAFTS: usize = 6;
/// Bytes of all files kept. Design choice: three inventories of a million trees.
const MOST_BYTES: usize = 512 << 20;

/// One thing wrong in a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Rejected {
    /// Row or feature number; absent when the whole file is meant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub row: Option<usize>,
    /// The column.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// The value, as written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// The rule that was broken.
    pub rule: String,
    /// What to do.
    pub words: String,
}

/// A column of the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ColumnSeen {
    /// Its heading.
    pub name: String,
    /// Whether it means something here.
    pub used: bool,
}

/// A file as it was read.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoadPreview {
    /// Its id here.
    pub draft: Uuid,
    /// What it holds.
    pub what: What,
    /// Its name.
    pub name: String,
    /// Good rows.
    pub good: usize,
    /// Bad rows.
    pub bad: usize,
    /// Good rows if the set is put in the place of what is there; absent where that is no choice.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub good_if_replaced: Option<usize>,
    /// The first things that are wrong.
    pub rejected: Vec<Rejected>,
    /// Its columns.
    pub columns: Vec<ColumnSeen>,
    /// The first good rows, as records.
    #[cfg_attr(feature = "openapi", schema(value_type = Vec<Object>))]
    pub sample: Vec<Value>,
    /// Good rows as GeoJSON, where they lie somewhere.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub shapes: Option<Value>,
    /// Things worth knowing that are not wrong.
    pub notes: Notes,
    /// Whether it may take the place of what is there.
    pub can_replace: bool,
}

#[derive(Debug)]
struct Kept {
    draft: Uuid,
    by: String,
    bytes: usize,
    add: FileRead,
    replace: Option<FileRead>,
}

/// Files that were looked at and not written yet.
#[derive(Debug, Default)]
pub struct Previews {
    kept: Mutex<VecDeque<Arc<Kept>>>,
}

/// A file that is handed in.
#[derive(Debug, Clone, Copy)]
pub struct Handed<'a> {
    /// What it holds.
    pub what: What,
    /// Its name.
    pub name: &'a str,
    /// Its bytes.
    pub bytes: &'a [u8],
}

impl Previews {
    fn lock(&self) -> std::sync::MutexGuard<'_, VecDeque<Arc<Kept>>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Reads a file and keeps what was read, both as an addition and in the place of what is there.
    ///
    /// # Errors
    /// A target profile that can't be read; a programme that can't be read. A file of bad rows is an answer.
    pub fn look(
        &self,
        programme: &Programme,
        draft: Uuid,
        by: &str,
        file: Handed<'_>,
        today: Date,
    ) -> Result<LoadPreview, ChainError> {
        let read = |mode| {
            let reading = Reading {
                today,
                mode,
                problem_cap: MOST_REJECTED,
                progress: &mut |_, _| {},
            };
            load::read(
                programme,
                file.what,
                Source::Bytes(file.name, file.bytes),
                reading,
            )
        };
        let add = read(LoadMode::Add)?;
        // Without a bad row both ways read the same.
        let differs = file.what.can_replace() && !add.is_clean();
        let replace = differs.then(|| read(LoadMode::Replace)).transpose()?;
        let preview = told(draft, &add, replace.as_ref());
        let mut kept = self.lock();
        kept.push_back(Arc::new(Kept {
            draft,
            by: by.to_owned(),
            bytes: file.bytes.len(),
            add,
            replace,
        }));
        while kept.len() > 1
            && (kept.len() > MOST_DRAFTS || kept.iter().map(|k| k.bytes).sum::<usize>() > MOST_BYTES)
        {
            kept.pop_front();
        }
        Ok(preview)
    }

    fn of(&self, draft: Uuid, by: &str) -> Result<Arc<Kept>, ChainError> {
        self.lock()
            .iter()
            .find(|k| k.draft == draft && k.by == by)
            .cloned()
            .ok_or_else(|| ChainError::Unknown {
                what: "file",
                label: draft.to_string(),
            })
    }

    /// Drops a file.
    ///
    /// # Errors
    /// The person has none of that id.
    pub fn remove(&self, draft: Uuid, by: &str) -> Result<(), ChainError> {
        self.of(draft, by)?;
        self.lock().retain(|k| k.draft != draft);
        Ok(())
    }

    /// Writes what was shown, all of it or nothing, and drops the file. It stays where the journal refuses.
    ///
    /// # Errors
    /// No such file; bad rows that were not to be left out; a set that can't be replaced; a refusal of the journal.
    pub fn write(
        &self,
        programme: &mut Programme,
        act: &Act,
        draft: Uuid,
        keep_good: bool,
        replace: bool,
    ) -> Result<Written, ChainError> {
        let kept = self.of(draft, act.person())?;
        if replace && !kept.add.what.can_replace() {
            return Err(ChainError::asked(
                "replace",
                "traps, visits and targets are never replaced; what was wrong is put right by a correction",
            ));
        }
        let (read, mode) = if replace {
            (kept.replace.as_ref().unwrap_or(&kept.add), LoadMode::Replace)
        } else {
            (&kept.add, LoadMode::Add)
        };
        let written = load::write(programme, act, read.clone(), mode, keep_good)?;
        self.lock().retain(|k| k.draft != draft);
        Ok(written)
    }
}

fn told(draft: Uuid, read: &FileRead, replace: Option<&FileRead>) -> LoadPreview {
    let columns = |names: &[String], used: bool| -> Vec<ColumnSeen> {
        let column = |name: &String| ColumnSeen {
            name: name.clone(),
            used,
        };
        names.iter().map(column).collect()
    };
    let mut all = columns(&read.columns, true);
    all.extend(columns(&read.unknown_columns, false));
    LoadPreview {
        draft,
        what: read.what,
        name: read.name.clone(),
        good: read.good.len(),
        bad: read.bad_rows,
        good_if_replaced: replace.map(|r| r.good.len()),
        rejected: read
            .problems
            .iter()
            .map(|p| Rejected {
                row: p.row,
                column: p.column.clone(),
                value: p.value.clone(),
                rule: p.rule.clone(),
                words: p.remedy.clone(),
            })
            .collect(),
        columns: all,
        sample: sample(&read.good),
        shapes: shapes(&read.good),
        notes: read.notes.clone(),
        can_replace: read.what.can_replace(),
    }
}

fn first<T: Serialize>(rows: &[T]) -> Vec<Value> {
    rows.iter()
        .take(SAMPLE)
        .filter_map(|r| serde_json::to_value(r).ok())
        .collect()
}

fn sample(records: &Records) -> Vec<Value> {
    match records {
        Records::Hosts(r) => first(r),
        Records::Pathways(r) => first(r),
        Records::Land(r) => first(r),
        Records::Zones(r) => first(r),
        Records::Weather(r) => first(r),
        Records::Places(r) => first(r),
        Records::Roads(r) => first(r),
        Records::Crews(r) => first(r),
        Records::Access(r) => first(r),
        Records::Traps(r) => first(r),
        Records::Visits(r) => first(r),
        Records::Target(profile, _) => vec![json!({"id": profile.id, "common_name": profile.common_name,
            "scientific_name": profile.scientific_name, "caution": profile.caution})],
    }
}

fn shapes(records: &Records) -> Option<Value> {
    fn points<T>(rows: &[T], of: impl Fn(&T) -> (Position, &str)) -> Vec<Value> {
        // Every n-th row, so that the whole extent is seen.
        let step = rows.len().div_ceil(MOST_SHAPES).max(1);
        let point = |row: &T| {
            let (at, label) = of(row);
            point_feature(at, json!({"label": label}))
        };
        rows.iter().step_by(step).map(point).collect()
    }
    let features = match records {
        Records::Hosts(r) => points(r, |h| (h.position, &h.label)),
        Records::Pathways(r) => points(r, |p| (p.position, &p.label)),
        Records::Places(r) => points(r, |p| (p.position, &p.label)),
        Records::Crews(r) => points(r, |s| (s.depot, &s.label)),
        Records::Traps(r) => points(r, |p| (p.position, &p.trap)),
        Records::Land(r) => r
            .iter()
            .take(MOST_SHAPES)
            .map(|l| area_feature(&l.area, json!({"label": l.label})))
            .collect(),
        Records::Zones(r) => r
            .iter()
            .take(MOST_SHAPES)
            .map(|z| area_feature(&z.area, json!({"label": z.label})))
            .collect(),
        Records::Weather(_)
        | Records::Roads(_)
        | Records::Access(_)
        | Records::Visits(_)
        | Records::Target(..) => return None,
    };
    Some(collection(features))
}
