//! From the journal to evidence beside traps: looks at trees, branch samples, detection trees, the public's silence, and
//! finds that trees or tips made.

use std::collections::{BTreeMap, HashMap, HashSet};

use earlywood_geodata::AreaIndex;
use earlywood_journal::body::{Leaf, Origin, Peeled, TreePart as Part, Vantage};
use earlywood_journal::{DetectionTreePeeled, FindRow, Programme, TipClosed, TipEnd, TreeInspected};
use earlywood_model::assurance::{
    CellLooks, DetectionTree, Evidence, Look, PlacementInput, Silence, TreeLooks, same_week,
};
use earlywood_model::inspection::{Method, TreePart};
use earlywood_model::profile::InspectionSection;
use earlywood_model::record::{Looked, Position};
use jiff::ToSpan as _;
use jiff::civil::Date;

use crate::assure::Found;
use crate::error::ChainError;
use crate::ground::Ground;

/// A look within this of a trap is made beside it, metres: one stop of one crew. Choice of design.
const BESIDE_M: f64 = 20.0;

/// Evidence beside traps, as the engine takes it, and what a reader must know about it.
#[derive(Debug, Default)]
pub(crate) struct Gathered {
    pub(crate) evidence: Evidence,
    /// Confirmed finds that trees made, in a zone.
    pub(crate) found: Vec<Found>,
    /// Specimens whose finds stand in [`Gathered::found`].
    pub(crate) placed: HashSet<String>,
    pub(crate) notes: Vec<String>,
}

/// What is asked of the journal.
pub(crate) struct Asked<'a> {
    pub(crate) programme: &'a Programme,
    pub(crate) ground: &'a Ground,
    pub(crate) season: (Date, Date),
    pub(crate) on: Date,
    /// The season's placements, for looks beside them.
    pub(crate) traps: &'a [PlacementInput],
}

/// Where things are said to be, and what is known of specimens.
struct Known<'a> {
    asked: &'a Asked<'a>,
    zones_at: AreaIndex,
    hosts: HashMap<&'a str, usize>,
    /// State of every specimen for this target, up to the day asked about.
    states: HashMap<String, String>,
}

impl Asked<'_> {
    /// Gathers it.
    ///
    /// # Errors
    /// A programme that can't be read.
    pub(crate) fn gather(&self) -> Result<Gathered, ChainError> {
        let zone = jiff::tz::TimeZone::system();
        let id = &self.ground.profile.id;
        let finds = self.programme.finds()?;
        let by_now = |row: &&FindRow| row.target == *id && zone.to_datetime(row.since).date() <= self.on;
        let known = Known {
            asked: self,
            zones_at: AreaIndex::new(self.ground.zones.iter().map(|z| &z.area)),
            hosts: self
                .ground
                .hosts
                .iter()
                .enumerate()
                .map(|(i, h)| (h.label.as_str(), i))
                .collect(),
            states: finds
                .iter()
                .filter(by_now)
                .filter_map(|row| Some((row.specimen.clone()?, row.state.clone())))
                .collect(),
        };
        let mut out = Gathered::default();
        let inspections: Vec<TreeInspected> = self
            .programme
            .inspections()?
            .into_iter()
            .map(|r| r.value)
            .collect();
        let peeled: Vec<DetectionTreePeeled> = self
            .programme
            .detection_trees()?
            .into_iter()
            .map(|r| r.value)
            .collect();
        known.found(&finds, &inspections, &peeled, &mut out)?;
        let Some(section) = &self.ground.profile.inspection else {
            let looks = inspections.iter().filter(|t| known.of_season(t.date)).count();
            if looks > 0 {
                out.notes.push(format!(
                    "{looks} looks at trees are not counted: the profile of {} does not say what a look is worth",
                    self.ground.profile.common_name.to_lowercase()
                ));
            }
            return Ok(out);
        };
        known.looks(section, &inspections, &mut out);
        if section.detection_tree.is_some() {
            known.detection_trees(&peeled, &mut out);
        }
        if let Some(hotline) = &section.hotline {
            known.silence(hotline, &mut out)?;
        }
        Ok(out)
    }
}

impl Known<'_> {
    fn of_season(&self, date: Date) -> bool {
        let (from, to) = self.asked.season;
        date >= from && date <= to && date <= self.asked.on
    }

    /// Where a tree stands: as the host it is, or as it was written down.
    fn place(&self, host: Option<&String>, position: Option<Position>) -> Option<Position> {
        let host = host.and_then(|label| self.hosts.get(label.as_str()));
        host.map(|i| self.asked.ground.hosts[*i].position).or(position)
    }

    fn zone_at(&self, position: Position) -> Option<usize> {
        if self.asked.ground.zones.is_empty() {
            Some(0)
        } else {
            self.zones_at.first_at(position)
        }
    }

    /// How much the target likes a tree: by its species, or that of the host it is.
    fn weight(&self, host: Option<&String>, species: Option<&String>) -> f64 {
        let ground = self.asked.ground;
        let listed = host.and_then(|label| self.hosts.get(label.as_str()));
        let species = species.or(listed.map(|i| &ground.hosts[*i].species));
        species.map_or(0.0, |s| ground.profile.host_weight(s))
    }

    fn ruled_out(&self, specimens: &[&String]) -> bool {
        !specimens.is_empty()
            && specimens
                .iter()
                .all(|s| self.states.get(*s).is_some_and(|state| state == "ruled-out"))
    }

    /// Looks of the season that showed nothing, cell by cell.
    fn looks(&self, section: &InspectionSection, inspections: &[TreeInspected], out: &mut Gathered) {
        struct Tree {
            weight: f64,
            listed: bool,
            looks: Vec<Look>,
        }
        let ground = self.asked.ground;
        let (mut signs, mut lost, mut outside) = (0_usize, 0_usize, 0_usize);
        let mut no_figure: BTreeMap<&str, usize> = BTreeMap::new();
        let mut cells: BTreeMap<usize, BTreeMap<&str, Tree>> = BTreeMap::new();
        let seen = inspections
            .iter()
            .filter(|t| self.of_season(t.date) && t.looked != Looked::No);
        for t in seen {
            let weight = self.weight(t.host.as_ref(), t.species.as_ref());
            if weight <= 0.0 {
                // No host of this target: it says nothing of it.
                continue;
            }
            let specimens: Vec<&String> = t
                .specimens
                .iter()
                .chain(t.branch_samples.iter().flat_map(|b| &b.specimens))
                .collect();
            if (!t.none_found || !specimens.is_empty()) && !self.ruled_out(&specimens) {
                signs += 1;
                continue;
            }
            let Some(position) = self.place(t.host.as_ref(), t.position) else {
                lost += 1;
                continue;
            };
            let Some(cell) = ground.cells.at(position) else {
                outside += 1;
                continue;
            };
            let looks: Vec<Look> = self
                .looks_of(section, t, position)
                .into_iter()
                .filter(|look| {
                    let counts = section.counts(look.method);
                    if !counts {
                        *no_figure.entry(look.method.words()).or_default() += 1;
                    }
                    counts
                })
                .collect();
            if looks.is_empty() {
                continue;
            }
            let listed = t.host.as_ref().filter(|h| self.hosts.contains_key(h.as_str()));
            let tree = cells
                .entry(cell)
                .or_default()
                .entry(listed.unwrap_or(&t.tree).as_str())
                .or_insert(Tree {
                    weight,
                    listed: listed.is_some(),
                    looks: Vec::new(),
                });
            tree.looks.extend(looks);
        }
        // Hosts of the cells that were looked into: the likeliest is the unit, and the sum is rounded up.
        let mut hosts: HashMap<usize, (f64, f64)> = HashMap::new();
        for host in &ground.hosts {
            if let Some(cell) = ground.cells.at(host.position).filter(|c| cells.contains_key(c)) {
                let (sum, most) = hosts.entry(cell).or_insert((0.0, 0.0));
                let weight = ground.profile.host_weight(&host.species);
                *sum += weight;
                *most = f64::max(*most, weight);
            }
        }
        let mut uncounted = 0;
        for (cell, trees) in cells {
            let (sum, listed_most) = hosts.get(&cell).copied().unwrap_or((0.0, 0.0));
            let most = trees.values().map(|t| t.weight).fold(listed_most, f64::max);
            let all_listed = trees.values().all(|t| t.listed);
            uncounted += usize::from(!all_listed);
            out.evidence.looks.push(CellLooks {
                cell,
                hosts: all_listed.then(|| ((sum / most).ceil() as u64).max(trees.len() as u64)),
                trees: trees
                    .into_values()
                    .map(|t| TreeLooks {
                        weight: t.weight / most,
                        looks: t.looks,
                    })
                    .collect(),
            });
        }
        let mut told = |n: usize, words: &str| {
            if n > 0 {
                out.notes.push(format!("{n} {words}"));
            }
        };
        told(
            signs,
            "looks at trees saw signs or took specimens that nobody has ruled out: they count as no evidence of absence",
        );
        told(
            lost,
            "looks at trees are not counted: it was not written down where the tree stands",
        );
        told(
            outside,
            "looks at trees are not counted: the tree stands outside every zone",
        );
        told(
            uncounted,
            "cells hold trees that were looked at and are not on the list of hosts: their hosts are taken as not counted",
        );
        for (method, n) in no_figure {
            told(
                n,
                &format!("{method} are not counted: the profile has no figure for them"),
            );
        }
    }

    /// A record's look and branch sample, as the engine takes them.
    fn looks_of(&self, section: &InspectionSection, t: &TreeInspected, position: Position) -> Vec<Look> {
        let parts: Vec<TreePart> = t.parts.iter().map(|p| part(*p)).collect();
        let share = section.signs_on.as_ref().map_or(1.0, |on| {
            let looked_at = on.value.iter().filter(|p| parts.contains(p)).count();
            looked_at as f64 / on.value.len() as f64
        });
        let look = Look {
            date: t.date,
            method: method(t.from),
            in_leaf: t.leaf != Leaf::Leafless,
            minutes: t.minutes.map(f64::from),
            share,
            partly: t.looked == Looked::Partly,
            peeled_cm: 0.0,
            beside_trap: self.beside_trap(position, t.date),
        };
        let negative = t.branch_samples.iter().filter(|b| b.found == Peeled::Negative);
        let peeled_cm: f64 = negative.map(|b| b.peeled_cm).sum();
        let branches = (peeled_cm > 0.0).then_some(Look {
            method: Method::Branches,
            share: 1.0,
            partly: false,
            peeled_cm,
            ..look
        });
        std::iter::once(look).chain(branches).collect()
    }

    /// Whether a trap that was looked at in the same week hung beside the tree.
    fn beside_trap(&self, position: Position, date: Date) -> bool {
        let at = self.asked.ground.cells.frame.to_xy(position);
        self.asked.traps.iter().any(|trap| {
            (trap.x_m - at.x_m).hypot(trap.y_m - at.y_m) <= BESIDE_M
                && trap
                    .visits
                    .iter()
                    .any(|v| v.looked != Looked::No && same_week(v.date, date))
        })
    }

    fn detection_trees(&self, peeled: &[DetectionTreePeeled], out: &mut Gathered) {
        let mut open = 0_usize;
        for t in peeled
            .iter()
            .filter(|t| t.date <= self.asked.on && t.date >= self.asked.season.0)
        {
            let specimens: Vec<&String> = t.specimens.iter().collect();
            let counts = match t.found {
                Peeled::NotDone => continue,
                Peeled::Negative => specimens.is_empty() || self.ruled_out(&specimens),
                Peeled::Positive => self.ruled_out(&specimens),
            };
            if !counts {
                open += 1;
                continue;
            }
            let species_known = t.species.is_some() || t.host.is_some();
            if species_known && self.weight(t.host.as_ref(), t.species.as_ref()) <= 0.0 {
                continue;
            }
            let Some(position) = self.place(t.host.as_ref(), t.position) else {
                out.notes.push(format!(
                    "detection tree {} is not counted: host {} is not on the list",
                    t.tree,
                    t.host.as_deref().unwrap_or_default()
                ));
                continue;
            };
            let at = self.asked.ground.cells.frame.to_xy(position);
            out.evidence.detection_trees.push(DetectionTree {
                x_m: at.x_m,
                y_m: at.y_m,
                girdled: t.girdled,
                peeled: t.date,
                share: t.peeled_share,
            });
        }
        if open > 0 {
            out.notes.push(format!(
                "{open} detection trees showed something that nobody has ruled out: they count as no evidence of absence"
            ));
        }
    }

    /// Days on which the hotline ran and nothing that came in may still be the target. "Could not follow it up" is never
    /// "nothing found": from such a tip on the zone is silent no more.
    fn silence(
        &self,
        hotline: &earlywood_model::profile::HotlineSection,
        out: &mut Gathered,
    ) -> Result<(), ChainError> {
        let ground = self.asked.ground;
        let labels = ground.zone_labels();
        let closed: HashMap<String, TipClosed> = self
            .asked
            .programme
            .tips_closed()?
            .into_iter()
            .filter(|c| c.value.date <= self.asked.on)
            .map(|c| (c.value.tip.clone(), c.value))
            .collect();
        let settled = |tip: &str| {
            closed.get(tip).is_some_and(|c| match c.end {
                TipEnd::SomethingElse | TipEnd::NothingFound => true,
                TipEnd::NotFollowed => false,
                TipEnd::SpecimensTaken => self.ruled_out(&c.specimens.iter().collect::<Vec<_>>()),
            })
        };
        let mut first_open: Vec<Option<Date>> = vec![None; labels.len()];
        let mut open = 0_usize;
        for tip in self.asked.programme.tips()? {
            let tip = tip.value;
            let about = tip.target.as_ref().is_none_or(|t| *t == ground.profile.id);
            if !about || tip.date > self.asked.on || settled(&tip.tip) {
                continue;
            }
            open += 1;
            let named = tip.zone.and_then(|z| labels.iter().position(|l| *l == z));
            let zone = named.or_else(|| tip.position.and_then(|p| self.zone_at(p)));
            for (i, first) in first_open.iter_mut().enumerate() {
                // A tip of which nobody knows where stands for every zone.
                if zone.is_none_or(|z| z == i) {
                    *first = Some(first.map_or(tip.date, |f| f.min(tip.date)));
                }
            }
        }
        if let Some(unknown) = hotline.zones.iter().flatten().find(|z| !labels.contains(z)) {
            out.notes.push(format!(
                "the profile's hotline serves zone {unknown}, which there is not; there are {}",
                labels.join(", ")
            ));
        }
        let (start, end) = self.asked.season;
        for (zone, label) in labels.iter().enumerate() {
            if hotline.zones.as_ref().is_some_and(|z| !z.contains(label)) {
                continue;
            }
            let from = hotline.since.max(start);
            let mut to = hotline.until.unwrap_or(end).min(end).min(self.asked.on);
            if let Some(first) = first_open[zone] {
                to = to.min(first.saturating_sub(1.day()));
            }
            if from <= to {
                out.evidence.silence.push(Silence { zone, from, to });
            }
        }
        if open > 0 {
            out.notes.push(format!(
                "{open} tips from the public are open or could not be followed up: from the first of them on, the public's \
                 silence counts for nothing in its zone"
            ));
        }
        Ok(())
    }

    /// Confirmed finds of this target that trees made, in the zone where the tree stands.
    fn found(
        &self,
        finds: &[FindRow],
        inspections: &[TreeInspected],
        peeled: &[DetectionTreePeeled],
        out: &mut Gathered,
    ) -> Result<(), ChainError> {
        let zone = jiff::tz::TimeZone::system();
        let confirmed: Vec<(&FindRow, Date)> = finds
            .iter()
            .filter(|r| {
                r.trap.is_none() && r.target == self.asked.ground.profile.id && r.state == "confirmed"
            })
            .map(|r| (r, zone.to_datetime(r.since).date()))
            .filter(|(_, since)| *since <= self.asked.on)
            .collect();
        if confirmed.is_empty() {
            return Ok(());
        }
        let origins: HashMap<String, Origin> = self
            .asked
            .programme
            .specimens_taken()?
            .into_iter()
            .map(|s| (s.value.specimen, s.value.from))
            .collect();
        for (row, confirmed) in confirmed {
            let Some(specimen) = &row.specimen else { continue };
            let Some((label, taken, position)) = self.origin(specimen, &origins, inspections, peeled) else {
                continue;
            };
            if let Some(zone) = self.zone_at(position) {
                out.placed.insert(specimen.clone());
                out.found.push(Found {
                    trap: label,
                    position,
                    zone,
                    taken: taken.or(row.day).unwrap_or(confirmed),
                    confirmed,
                });
            }
        }
        Ok(())
    }

    /// Label, day and place of what a specimen, or the one it was lifted from, was taken from.
    fn origin(
        &self,
        specimen: &str,
        origins: &HashMap<String, Origin>,
        inspections: &[TreeInspected],
        peeled: &[DetectionTreePeeled],
    ) -> Option<(String, Option<Date>, Position)> {
        let mut at = specimen;
        // Parts of parts of parts; a chain that goes round ends here too.
        for _ in 0..32 {
            match origins.get(at)? {
                Origin::Specimen { parent } => at = parent,
                Origin::Tree { tree, date } => {
                    let looks = inspections
                        .iter()
                        .filter(|t| t.tree == *tree)
                        .filter_map(|t| self.place(t.host.as_ref(), t.position));
                    let detection = peeled
                        .iter()
                        .filter(|t| t.tree == *tree)
                        .filter_map(|t| self.place(t.host.as_ref(), t.position));
                    let position = looks.chain(detection).next()?;
                    return Some((tree.clone(), Some(*date), position));
                }
                Origin::Other { position, .. } => return Some((specimen.to_owned(), None, (*position)?)),
                Origin::Trap { .. } => return None,
            }
        }
        None
    }
}

fn method(from: Vantage) -> Method {
    match from {
        Vantage::Ground => Method::Ground,
        Vantage::Binocular => Method::Binocular,
        Vantage::Ladder => Method::Ladder,
        Vantage::Climb => Method::Climb,
        Vantage::Lift => Method::Lift,
    }
}

fn part(part: Part) -> TreePart {
    match part {
        Part::Base => TreePart::Base,
        Part::LowerTrunk => TreePart::LowerTrunk,
        Part::UpperTrunk => TreePart::UpperTrunk,
        Part::Branches => TreePart::Branches,
        Part::Canopy => TreePart::Canopy,
    }
}
