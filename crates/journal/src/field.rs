//! What happens in the field and the laboratory, as one call each where several entries belong together.

use earlywood_model::record::{Placement, TrapFound, VisitKind};

use crate::body::{
    Body, Material, Origin, Planting, PlantingClosed, Role, SpecimenTaken, TakeDown, VisitMade,
};
use crate::entry::{Act, Draft, Receipt};
use crate::error::{Error, Refusal};
use crate::hash::Hash;
use crate::programme::{Programme, Session};

impl Programme {
    /// Records stops at traps, all or none, each with what follows from it: the specimens that were labelled, the trap's
    /// take-down, its new placement when it was moved. The receipts are those of the visits.
    ///
    /// # Errors
    /// As [`Programme::append`]; the error's index names the visit.
    pub fn record_stops(&mut self, act: &Act, visits: &[VisitMade]) -> Result<Vec<Receipt>, Error> {
        self.change(|session| {
            let mut receipts = Vec::with_capacity(visits.len());
            for (i, visit) in visits.iter().enumerate() {
                receipts.push(session.append_stop(act, visit).map_err(|e| e.at(i))?);
            }
            Ok(receipts)
        })
    }

    /// Records one stop; see [`Programme::record_stops`].
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn record_stop(&mut self, act: &Act, visit: &VisitMade) -> Result<Receipt, Error> {
        self.change(|session| session.append_stop(act, visit))
    }

    /// Records a planted specimen. What was planted where is sealed: the journal holds its hash, and crews' devices are
    /// not given the content.
    ///
    /// # Errors
    /// As [`Programme::append`]; a trap that does not hang then, or a planting's label that is used.
    pub fn plant(&mut self, act: &Act, planting: &Planting) -> Result<Receipt, Error> {
        planting.check(act.today())?;
        let bytes = planting.to_bytes()?;
        let sealed = Planting::seal(&bytes);
        self.change(|session| {
            crate::rules::check_planting(session.db, planting)?;
            session.log.put_content(sealed.content, &bytes)?;
            Ok(session
                .append(act, &Draft::from(Body::Sealed(sealed.clone())))?
                .receipt())
        })
    }

    /// Records how a planting ended.
    ///
    /// # Errors
    /// As [`Programme::append`].
    pub fn close_planting(&mut self, act: &Act, closed: PlantingClosed) -> Result<Receipt, Error> {
        self.append(act, Body::PlantingClosed(closed))
    }

    /// What was planted where, as far as this copy was given it.
    ///
    /// # Errors
    /// A person who must not know: this is for lead, supervisor and identifier. A database that can't be read.
    pub fn plantings(&self, act: &Act) -> Result<Vec<Planting>, Error> {
        let roles = self.roles(act.person(), act.today())?;
        let may = [Role::Lead, Role::Supervisor, Role::Identifier];
        if !may.iter().any(|role| roles.contains(role)) {
            return Err(Refusal::NotEntitled {
                person: act.person().to_owned(),
                kind: "look at plantings".into(),
                why: "that is for lead, supervisor, identifier: a test that is known is none".into(),
            }
            .into());
        }
        let mut select = self
            .db
            .prepare_cached("SELECT body FROM plantings ORDER BY day, planting")?;
        let mut rows = select.query([])?;
        let mut plantings = Vec::new();
        while let Some(row) = rows.next()? {
            let text = row.get_ref(0)?.as_str().map_err(rusqlite::Error::from)?;
            plantings.push(Planting::read(text.as_bytes())?);
        }
        Ok(plantings)
    }

    /// Keeps the bytes of a photo that an entry names, or will name.
    ///
    /// # Errors
    /// A file that can't be written; bytes of another hash than the one expected.
    pub fn attach(&mut self, bytes: &[u8]) -> Result<Hash, Error> {
        let hash = Hash::of(bytes);
        self.change(|session| {
            session.log.put_content(hash, bytes)?;
            session.projector.content_came(hash)
        })?;
        Ok(hash)
    }

    /// The bytes of an attachment or chunk, if they are here.
    ///
    /// # Errors
    /// A database that can't be read; bytes that were changed.
    pub fn attachment(&self, hash: Hash) -> Result<Option<Vec<u8>>, Error> {
        use crate::store::Log as _;
        let bytes = self.log_view().content(hash)?;
        match bytes {
            Some(bytes) if Hash::of(&bytes) != hash => {
                Err(Error::Damaged(format!("the contents {hash} were changed")))
            }
            other => Ok(other),
        }
    }
}

impl Session<'_> {
    /// One stop, and what follows from it.
    pub(crate) fn append_stop(&mut self, act: &Act, visit: &VisitMade) -> Result<Receipt, Error> {
        let entry = self.append(act, &Draft::from(Body::VisitMade(visit.clone())))?;
        let then = Some(entry.event_time.clone());
        let also = |body: Body| Draft {
            event_time: then.clone(),
            body,
        };
        for taken in specimens_of(visit) {
            self.append(act, &also(Body::SpecimenTaken(taken)))?;
        }
        // A trap that could not be reached still hangs, whatever the stop was for.
        if visit.found == TrapFound::NotReached {
            return Ok(entry.receipt());
        }
        let leaves = matches!(visit.kind, VisitKind::TakeDown | VisitKind::Move);
        let open = if leaves {
            self.open_placement(&visit.trap)?
        } else {
            None
        };
        if let Some(open) = open {
            let down = TakeDown {
                trap: visit.trap.clone(),
                date: visit.date,
                reason: None,
            };
            self.append(act, &also(Body::TrapTakenDown(down)))?;
            if let (VisitKind::Move, Some(to)) = (visit.kind, &visit.moved_to) {
                let placement = Placement {
                    place: to.place.clone(),
                    position: to.position,
                    hung: visit.date,
                    taken_down: None,
                    ..open
                };
                self.append(act, &also(Body::TrapPlaced(placement)))?;
            }
        }
        Ok(entry.receipt())
    }

    fn open_placement(&mut self, trap: &str) -> Result<Option<Placement>, Error> {
        use rusqlite::OptionalExtension as _;
        self.projector.settle_ground()?;
        let body: Option<String> = self
            .db
            .prepare_cached("SELECT body FROM placements WHERE trap = ? AND taken_down IS NULL")?
            .query_row([trap], |row| row.get(0))
            .optional()?;
        body.map(|text| {
            serde_json::from_str(&text).map_err(|e| Error::Damaged(format!("a placement can't be read: {e}")))
        })
        .transpose()
    }
}

/// The labels that a stop gave out, as specimens of their own.
fn specimens_of(visit: &VisitMade) -> Vec<SpecimenTaken> {
    let taken = |label: &String, what: Material| SpecimenTaken {
        specimen: label.clone(),
        what,
        from: Origin::Trap {
            trap: visit.trap.clone(),
            date: visit.date,
        },
        count: None,
        container: None,
        kept_in: None,
        suspected: None,
        note: None,
        photos: Vec::new(),
    };
    let insects = visit.catch.iter().flat_map(|catch| &catch.specimens);
    insects
        .map(|label| taken(label, Material::Insect))
        .chain(
            visit
                .insert_taken
                .iter()
                .map(|label| taken(label, Material::Insert)),
        )
        .collect()
}
