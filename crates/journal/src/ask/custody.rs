//! Where a specimen is, who has it, and what has been said of it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use uuid::Uuid;

use super::{damaged, facts_where};
use crate::body::{Body, Determination, Role};
use crate::entry::Act;
use crate::error::Error;
use crate::machine::specimen::State;
use crate::programme::Programme;
use crate::project::facts_of;
use crate::project::specimens::{folded, instant, source, subject};

/// A stretch of time in one person's hands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Custody {
    /// Who.
    pub by: String,
    /// Since when.
    pub from: Timestamp,
    /// Until when; none: still.
    pub to: Option<Timestamp>,
}

/// A hand-over that waits for its answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OpenOffer {
    /// Its label.
    pub handover: String,
    /// The specimens in it that wait, by label.
    pub specimens: Vec<String>,
    /// Who has them.
    pub from: String,
    /// Who should answer.
    pub to: String,
    /// Since when it waits.
    pub since: Timestamp,
}

/// What somebody said of a specimen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Opinion {
    /// The entry.
    pub entry: Uuid,
    /// When it was said.
    pub at: Timestamp,
    /// What was said.
    pub said: Determination,
}

/// How a specimen stands for one target.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Standing {
    /// The target.
    pub target: String,
    /// suspect, tentative, determined, confirmed, ruled-out, undeterminable, overturned or planted.
    pub state: String,
    /// By whose word; empty for planted.
    pub by: String,
    /// Since when.
    pub since: Timestamp,
}

/// Everything known of a specimen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Whereabouts {
    /// Its label.
    pub specimen: String,
    /// unknown, held, offered, returned, retained, destroyed or lost.
    pub state: String,
    /// Who has it; an offer does not change that. None before it was taken and after its end.
    pub holder: Option<String>,
    /// Since when it is in that state; for one that is offered, since the offer.
    pub since: Option<Timestamp>,
    /// In whose hands it was, one after another without gaps.
    pub custody: Vec<Custody>,
    /// The offer that waits for an answer. It lists this specimen alone.
    pub open_offer: Option<OpenOffer>,
    /// The specimen it was lifted from.
    pub parent: Option<String>,
    /// Specimens lifted from it.
    pub children: Vec<String>,
    /// The trap that it, or the specimen it comes from, was taken out of.
    pub trap: Option<String>,
    /// The tree that it, or the specimen it comes from, was taken from.
    pub tree: Option<String>,
    /// The day of that.
    pub day: Option<Date>,
    /// What was said of it, by time; several opinions stand beside each other.
    pub opinions: Vec<Opinion>,
    /// How it stands for each target of which something was said, by target.
    pub finds: Vec<Standing>,
    /// The planting it belongs to, for those who may know (lead, supervisor, identifier); none for everybody else. That a
    /// closed planting is no find shows in `finds` to everybody: nobody may take it for one.
    pub planted: Option<String>,
}

/// What a specimen waits for, the most urgent first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Urgency {
    /// Somebody holds it to be a target, and whose word is final has not spoken: to be passed on within a day.
    Suspect,
    /// It was handed to this person, who has not answered.
    Answer,
    /// Nothing was said of it yet: to be screened or named.
    Look,
    /// All has been said: to be returned, kept or destroyed.
    Finish,
}

/// A specimen on somebody's table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TrayItem {
    /// The specimen.
    pub specimen: String,
    /// What it waits for.
    pub urgency: Urgency,
    /// It was offered to this person and not accepted yet; the hand-over's label.
    pub offered_in: Option<String>,
    /// Since when it lies there: the offer to this person, or else since they have it.
    pub since: Timestamp,
    /// How it stands for each target of which something was said.
    pub finds: Vec<Standing>,
}

impl Programme {
    /// Where a specimen is and how it came there. One that is not known here has the state "unknown" and nothing else.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn whereabouts(&self, act: &Act, specimen: &str) -> Result<Whereabouts, Error> {
        let folded = folded(&self.db, specimen)?;
        let from = source(&self.db, specimen)?;
        let (state, since) = match &folded.specimen.state {
            State::Unknown => ("unknown".to_owned(), None),
            State::Held { since, .. } => ("held".to_owned(), Some(*since)),
            State::Offered { since, .. } => ("offered".to_owned(), Some(*since)),
            State::Ended { how, since, .. } => (how.clone(), Some(*since)),
        };
        let open_offer = match &folded.specimen.state {
            State::Offered {
                by,
                to,
                handover,
                since,
                ..
            } => Some(OpenOffer {
                handover: handover.clone(),
                specimens: vec![specimen.to_owned()],
                from: by.clone(),
                to: to.clone(),
                since: *since,
            }),
            _ => None,
        };
        Ok(Whereabouts {
            specimen: specimen.to_owned(),
            state,
            holder: folded.specimen.holder().map(str::to_owned),
            since,
            custody: folded
                .custody
                .into_iter()
                .map(|held| Custody {
                    by: held.by,
                    from: held.from,
                    to: held.to,
                })
                .collect(),
            open_offer,
            parent: folded.specimen.parent,
            children: folded.specimen.children,
            trap: from.trap,
            tree: from.tree,
            day: from.day,
            opinions: self.opinions(specimen)?,
            finds: self.standings(specimen)?,
            planted: self.planted(act, specimen, folded.specimen.planted)?,
        })
    }

    /// Hand-overs that were offered at least so many hours ago and not answered, the oldest first.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn unanswered(&self, now: Timestamp, older_than_hours: u32) -> Result<Vec<OpenOffer>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT handover, holder, offered_to, since, specimen FROM specimens
             WHERE offered_to IS NOT NULL AND handover IS NOT NULL ORDER BY specimen",
        )?;
        let mut rows = select.query([])?;
        let mut offers: BTreeMap<(Timestamp, String, String, String), Vec<String>> = BTreeMap::new();
        while let Some(row) = rows.next()? {
            let since = moment(&row.get::<_, String>(3)?)?;
            // A phone whose clock is ahead offers in the future: that is an open offer all the same.
            let waited_s = (now.as_second() - since.as_second()).max(0);
            if waited_s >= i64::from(older_than_hours) * 3600 {
                let from = row.get::<_, Option<String>>(1)?.unwrap_or_default();
                offers
                    .entry((since, row.get(0)?, from, row.get(2)?))
                    .or_default()
                    .push(row.get(4)?);
            }
        }
        let offer = |((since, handover, from, to), specimens)| OpenOffer {
            handover,
            specimens,
            from,
            to,
            since,
        };
        Ok(offers.into_iter().map(offer).collect())
    }

    /// What lies on a person's table: what was offered to them and what they hold (without what they have offered on), by
    /// urgency, the oldest first.
    ///
    /// # Errors
    /// A database that can't be read.
    pub fn in_tray(&self, person: &str) -> Result<Vec<TrayItem>, Error> {
        let mut select = self.db.prepare_cached(
            "SELECT specimen, handover, since, state FROM specimens WHERE offered_to = ?1
             UNION ALL SELECT specimen, NULL, since, state FROM specimens WHERE holder = ?1 AND state = 'held'",
        )?;
        let mut rows = select.query([person])?;
        let mut items = Vec::new();
        while let Some(row) = rows.next()? {
            let specimen: String = row.get(0)?;
            let offered_in: Option<String> = row.get(1)?;
            let finds = self.standings(&specimen)?;
            let is = |states: &[&str]| finds.iter().any(|find| states.contains(&find.state.as_str()));
            let urgency = if is(&["suspect", "tentative", "determined"]) {
                Urgency::Suspect
            } else if offered_in.is_some() {
                Urgency::Answer
            } else if finds.is_empty() && !self.was_screened(&specimen)? {
                Urgency::Look
            } else {
                Urgency::Finish
            };
            items.push(TrayItem {
                specimen,
                urgency,
                offered_in,
                since: moment(&row.get::<_, String>(2)?)?,
                finds,
            });
        }
        items.sort_by(|a, b| (a.urgency, a.since, &a.specimen).cmp(&(b.urgency, b.since, &b.specimen)));
        Ok(items)
    }

    fn opinions(&self, specimen: &str) -> Result<Vec<Opinion>, Error> {
        let mut opinions = Vec::new();
        for fact in facts_of(&self.db, &subject(specimen), "determination")? {
            if let Body::Determination(said) = fact.body()? {
                opinions.push(Opinion {
                    entry: fact.entry,
                    at: instant(fact.at),
                    said,
                });
            }
        }
        opinions.sort_by_key(|opinion| (opinion.at, opinion.entry));
        Ok(opinions)
    }

    fn standings(&self, specimen: &str) -> Result<Vec<Standing>, Error> {
        let mut select = self
            .db
            .prepare_cached("SELECT target, state, by, since FROM finds WHERE source = ? ORDER BY target")?;
        let mut rows = select.query([subject(specimen)])?;
        let mut standings = Vec::new();
        while let Some(row) = rows.next()? {
            standings.push(Standing {
                target: row.get(0)?,
                state: row.get(1)?,
                by: row.get(2)?,
                since: moment(&row.get::<_, String>(3)?)?,
            });
        }
        Ok(standings)
    }

    fn was_screened(&self, specimen: &str) -> Result<bool, Error> {
        let made = facts_where(
            &self.db,
            "subject = ?1 AND kind = 'screening-made' LIMIT 1",
            [subject(specimen)],
        )?;
        Ok(!made.is_empty())
    }

    fn planted(&self, act: &Act, specimen: &str, closed: Option<String>) -> Result<Option<String>, Error> {
        let roles = self.roles(act.person(), act.today())?;
        let may = [Role::Lead, Role::Supervisor, Role::Identifier];
        if !may.iter().any(|role| roles.contains(role)) {
            return Ok(None);
        }
        if closed.is_some() {
            return Ok(closed);
        }
        let plantings = self.plantings(act)?;
        let of = plantings
            .into_iter()
            .find(|planting| planting.specimens.iter().any(|label| label == specimen));
        Ok(of.map(|planting| planting.planting))
    }
}

fn moment(text: &str) -> Result<Timestamp, Error> {
    text.parse().map_err(|e: jiff::Error| damaged(&e))
}
