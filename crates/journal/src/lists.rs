//! Lists for people who look things up: conflicts, stock, tree inspections.

use uuid::Uuid;

use crate::body::{Body, DetectionTreePeeled, TipClosed, TipReceived, TreeInspected};
use crate::error::Error;
use crate::programme::Programme;
use crate::project::lots::{self, Stock};
use crate::read::Recorded;

/// What two people did that can't both be, as a supervisor sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownConflict {
    /// Id, the same on every copy that has the same entries: 64 hexadecimal digits.
    pub id: String,
    /// What it is about ("trap:A-1").
    pub subject: String,
    /// Sort of the conflict.
    pub kind: String,
    /// Ids of the entries that can't all stand.
    pub entries: Vec<String>,
    /// What is the matter.
    pub words: String,
    /// The entry that settled it.
    pub settled_by: Option<Uuid>,
}

impl Programme {
    /// The conflicts that wait for a supervisor; with `all`, the settled ones too.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn conflicts(&self, all: bool) -> Result<Vec<KnownConflict>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT id, subject, kind, entries, words, settled_by FROM conflicts
             WHERE ?1 OR settled_by IS NULL ORDER BY subject, id",
        )?;
        let mut rows = select.query([all])?;
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            let entries: String = row.get(3)?;
            found.push(KnownConflict {
                id: row.get(0)?,
                subject: row.get(1)?,
                kind: row.get(2)?,
                entries: serde_json::from_str(&entries)
                    .map_err(|e| Error::Damaged(format!("a conflict can't be read: {e}")))?,
                words: row.get(4)?,
                settled_by: row.get::<_, Option<[u8; 16]>>(5)?.map(Uuid::from_bytes),
            });
        }
        Ok(found)
    }

    /// Every lot that was received, as it stands, by label.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn stocks(&self) -> Result<Vec<Stock>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT DISTINCT substr(subject, 5) FROM facts WHERE kind = 'supply' AND subject LIKE 'lot:%' ORDER BY 1",
        )?;
        let labels = select
            .query_map([], |row| row.get::<_, String>(0))?
            .collect::<Result<Vec<_>, _>>()?;
        let stocks = labels.iter().map(|lot| lots::stock(&self.db, lot));
        Ok(stocks
            .collect::<Result<Vec<_>, _>>()?
            .into_iter()
            .flatten()
            .collect())
    }

    /// The inspections of trees, by day.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn inspections(&self) -> Result<Vec<Recorded<TreeInspected>>, Error> {
        self.recorded("tree-inspected", "day, entry", |body| match body {
            Body::TreeInspected(inspected) => Some(inspected),
            _ => None,
        })
    }

    /// The detection trees that were peeled, by day.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn detection_trees(&self) -> Result<Vec<Recorded<DetectionTreePeeled>>, Error> {
        self.recorded("detection-tree-peeled", "day, entry", |body| match body {
            Body::DetectionTreePeeled(peeled) => Some(peeled),
            _ => None,
        })
    }

    /// What the public reported, by day.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn tips(&self) -> Result<Vec<Recorded<TipReceived>>, Error> {
        self.recorded("tip-received", "day, entry", |body| match body {
            Body::TipReceived(tip) => Some(tip),
            _ => None,
        })
    }

    /// What came of the public's reports, by day.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn tips_closed(&self) -> Result<Vec<Recorded<TipClosed>>, Error> {
        self.recorded("tip-closed", "day, entry", |body| match body {
            Body::TipClosed(closed) => Some(closed),
            _ => None,
        })
    }
}
