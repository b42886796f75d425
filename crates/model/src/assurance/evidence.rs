//! Evidence beside traps: looks at trees, branch samples, detection trees and the public's silence, joined with the traps.
//!
//! What each kind is worth stands in the profile's optional section ([`crate::profile::InspectionSection`]); the formulas
//! are those of [`crate::inspection`]. Without the section, and without evidence, every figure is the traps' alone, to the
//! last digit.
//!
//! **From flyers to trees.** The design incursion's `N` flyers come out of `D = max(1, floor(N / f))` infested trees, `f`
//! being what one tree sends out; all stand in the cell where the incursion sits, so at most its hosts. Trees beyond that
//! are left out, which can only lower sensitivity.
//!
//! **Time.** A look counts from the period in which it was made. A detection tree counts by the share of the year's flight
//! during which it stood girdled, once it was peeled. Silence of the public counts by its days. All of it speaks of an
//! incursion that was there when the season began: **one that arrives during the season is not credited to any of it**, for
//! signs come late (an exit hole a year or more after the attack). Traps are credited with such arrivals as before.
//!
//! **Joined** cell by cell: `J_ct` from the cell's cumulative misses `T` (traps), `L` (looks), `D` (detection trees) and `G`
//! (the public), by [`Missed::together`]. The zone's escape is `Σ w_c J_ct`, and what the evidence takes away from the traps'
//! escape is taken, times the prior, from the mass of "present, unseen".

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::band;
use super::draw::{Climate, Effort, Outcome, Scratch, Setting, escapes_by_slot};
use super::field::Field;
use super::schedule::{Calendar, Record};
use super::types::{Band, Input};
use crate::error::{ModelError, check};
use crate::inspection::{Method, Missed, missed_of, missed_on_tree};
use crate::profile::{DrawnInspection, DrawnParams};
use crate::weather::days_between;

/// One look at one tree in which no sign of the target was seen, or the branches of one tree that were peeled and showed
/// nothing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Look {
    /// The day.
    pub date: Date,
    /// How.
    pub method: Method,
    /// The tree was in leaf, or nobody wrote down whether it was. Means nothing for branches.
    pub in_leaf: bool,
    /// Minutes spent looking, where they were written down.
    pub minutes: Option<f64>,
    /// Share, 0 to 1, of the parts on which signs are looked for that the look took in; 1 for branches.
    pub share: f64,
    /// It was looked at only in part: credited with the profile's share for an impaired trap.
    pub partly: bool,
    /// Length peeled, cm, all branches together; 0 for other methods.
    pub peeled_cm: f64,
    /// Made beside a trap that was looked at in the same week: dependent on the traps.
    pub beside_trap: bool,
}

/// A host tree and the looks at it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TreeLooks {
    /// How likely it is to be infested against the likeliest host of its cell, above 0, up to 1.
    pub weight: f64,
    /// The looks, in any order.
    pub looks: Vec<Look>,
}

/// The trees of one cell that were looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CellLooks {
    /// Index into [`Input::cells`]; each cell once.
    pub cell: usize,
    /// Hosts in the cell, where they are all counted (in units of the likeliest host, rounded up).
    pub hosts: Option<u64>,
    /// The trees that were looked at, each once; no more than the hosts.
    pub trees: Vec<TreeLooks>,
}

/// A girdled tree that was peeled and showed nothing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DetectionTree {
    /// Easting, metres.
    pub x_m: f64,
    /// Northing, metres.
    pub y_m: f64,
    /// Day it was girdled.
    pub girdled: Date,
    /// Day it was peeled.
    pub peeled: Date,
    /// Share of its bark that was peeled, 0 to 1.
    pub share: f64,
}

/// Days on which the public of a zone could report, and nothing that it reported was, or may still be, the target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Silence {
    /// Index into [`Input::zones`].
    pub zone: usize,
    /// First day.
    pub from: Date,
    /// Last day, included.
    pub to: Date,
}

/// All evidence beside the traps.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Looks and branch samples, cell by cell.
    pub looks: Vec<CellLooks>,
    /// Detection trees.
    pub detection_trees: Vec<DetectionTree>,
    /// The public's silence; spans of one zone must not overlap.
    pub silence: Vec<Silence>,
}

impl Evidence {
    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.looks.is_empty() && self.detection_trees.is_empty() && self.silence.is_empty()
    }
}

/// A kind of evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ComponentKind {
    /// Traps.
    Traps,
    /// Looks at trees, branch samples among them.
    Inspections,
    /// Girdled trees.
    DetectionTrees,
    /// The public's reports.
    Hotline,
}

impl ComponentKind {
    /// The words shown to people.
    pub fn words(self) -> &'static str {
        match self {
            ComponentKind::Traps => "traps alone",
            ComponentKind::Inspections => "inspections alone",
            ComponentKind::DetectionTrees => "detection trees alone",
            ComponentKind::Hotline => "the public's reports alone",
        }
    }
}

/// Looks made by one method.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct MethodLooks {
    /// The method.
    pub method: Method,
    /// Looks.
    pub looks: usize,
}

/// What one kind of evidence would say of a zone by itself, season to date.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// The kind.
    pub kind: ComponentKind,
    /// Sensitivity to date.
    pub sensitivity: Band,
    /// The same at central parameters.
    pub central: f64,
    /// Probability of absence to date by this evidence alone; none from the day of a find on.
    pub p_free: Option<Band>,
    /// Traps, trees looked at, detection trees, or days of silence.
    pub units: usize,
    /// Looks by method, of inspections.
    pub methods: Vec<MethodLooks>,
    /// Looks beside a trap in the same week, among them: dependent on the traps.
    pub beside_traps: usize,
    /// Share of the zone's weight in cells that the evidence speaks of (central parameters).
    pub weight: f64,
}

/// A cell that evidence other than traps speaks of by itself.
struct Place {
    cell: usize,
    zone: usize,
    /// Normalised weight.
    weight: f64,
    /// Slot in the field of these places; none where no trap is near.
    slot: Option<usize>,
    hosts: Option<u64>,
    trees: Vec<Tree>,
    /// Periods in which there are looks, rising.
    events: Vec<usize>,
    /// Detection trees that may be near: index and distance, metres.
    near: Vec<(usize, f64)>,
}

struct Tree {
    weight: f64,
    /// Period and look, by rising period.
    looks: Vec<(usize, Look)>,
}

/// A girdled tree on the calendar.
struct Girdled {
    share: f64,
    /// Periods with the share of their days on which it stood girdled.
    stood: Vec<(usize, f64)>,
}

/// Evidence on the calendar, ready to be joined draw by draw.
pub(super) struct Prepared {
    places: Vec<Place>,
    girdled: Vec<Girdled>,
    /// Days of silence up to the end of every period, by zone.
    silent_days: Vec<Vec<f64>>,
    /// Zones in which there is any weight.
    weighty: Vec<bool>,
    field: Field,
    effort: Effort,
}

/// One draw's joint figures.
#[derive(Debug, Clone)]
pub(super) struct Joint {
    pub(super) outcome: Outcome,
    /// Sensitivity to date of inspections, detection trees and the public alone, by zone.
    pub(super) alone: Vec<[f64; 3]>,
    /// Probability of absence to date by each of them alone, by zone.
    pub(super) free_alone: Vec<[f64; 3]>,
}

/// By zone and period: weight × what the traps alone leave, and × what all leave together, over the places; and what each
/// of the others alone sees by the last period.
struct Sums {
    by_traps: Vec<Vec<f64>>,
    by_all: Vec<Vec<f64>>,
    alone: Vec<[f64; 3]>,
}

fn share_free(free: f64, present: f64) -> f64 {
    if free > 0.0 { free / (free + present) } else { 0.0 }
}

const DAYS_PER_YEAR: f64 = 365.25;

impl Prepared {
    /// Checks the evidence and lays it on the calendar. `None` where the profile says nothing of inspections, or nothing of
    /// the evidence counts by the as-of day.
    pub(super) fn new<'p>(
        input: &Input<'_>,
        evidence: &Evidence,
        weights: &[f64],
        setting: &Setting,
        records: &[Record],
        params: impl Iterator<Item = &'p DrawnParams>,
        distance_m: f64,
    ) -> Result<Option<Self>, ModelError> {
        check_evidence(input, evidence)?;
        let (Some(section), false) = (&input.profile.inspection, evidence.is_empty()) else {
            return Ok(None);
        };
        let calendar = &setting.calendar;
        let counts = |look: &Look| section.counts(look.method);
        let mut places = places_of_looks(input, evidence, weights, calendar, &counts);
        let reach_m = params
            .filter_map(|p| p.inspection?.detection_tree)
            .map(|d| d.reach_m)
            .fold(0.0, f64::max);
        let girdled = place_detection_trees(input, evidence, weights, calendar, reach_m, &mut places);
        let silent_days = if section.hotline.is_some() {
            silent_days(input, evidence, calendar)
        } else {
            vec![vec![0.0; calendar.to_date]; input.zones.len()]
        };
        let silent = silent_days.iter().flatten().any(|d| *d > 0.0);
        if places.is_empty() && !silent {
            return Ok(None);
        }
        let mut weighty = vec![false; input.zones.len()];
        for (cell, weight) in input.cells.iter().zip(weights) {
            weighty[cell.zone] |= *weight > 0.0;
        }
        // The same traps and the same distances as everywhere, only for the cells that need their own figure.
        let mut masked = vec![0.0; weights.len()];
        places.iter().for_each(|p| masked[p.cell] = p.weight);
        let credited: Vec<bool> = records.iter().map(|r| !r.credited.is_empty()).collect();
        let field = Field::new(input, &masked, &credited, distance_m);
        let effort = Effort::of(
            setting,
            field.traps.iter().map(|trap| records[*trap].credited.as_slice()),
        );
        let mut slots = vec![None; input.cells.len()];
        for (slot, cell) in field.cells.iter().enumerate() {
            if let Some(known) = slots.get_mut(*cell) {
                *known = Some(slot);
            }
        }
        places.iter_mut().for_each(|p| p.slot = slots[p.cell]);
        Ok(Some(Prepared {
            places,
            girdled,
            silent_days,
            weighty,
            field,
            effort,
        }))
    }

    /// Cell of every place, in the order of [`Prepared::join_cells`].
    pub(super) fn cells(&self) -> impl Iterator<Item = usize> {
        self.places.iter().map(|p| p.cell)
    }

    /// Joins one draw's evidence with what the traps say. `main` is the field behind `traps`.
    #[allow(clippy::too_many_arguments, reason = "all of them are one draw")]
    pub(super) fn join(
        &self,
        setting: &Setting,
        main: &Field,
        traps: &Outcome,
        params: &DrawnParams,
        climate: &Climate,
        floor: f64,
        scratch: &mut Scratch,
    ) -> Option<Joint> {
        let periods = setting.calendar.to_date;
        let zones = self.silent_days.len();
        let mut sums = Sums {
            by_traps: vec![vec![0.0; periods]; zones],
            by_all: vec![vec![0.0; periods]; zones],
            alone: vec![[0.0; 3]; zones],
        };
        let silence = self.each_place(
            setting,
            params,
            climate,
            floor,
            scratch,
            |place, t, missed, joint| {
                sums.by_traps[place.zone][t] += place.weight * missed.traps;
                sums.by_all[place.zone][t] += place.weight * joint;
                if t + 1 == periods {
                    let alone = &mut sums.alone[place.zone];
                    alone[0] += place.weight * (1.0 - missed.looks);
                    alone[1] += place.weight * (1.0 - missed.detection_trees);
                }
            },
        )?;
        let Sums {
            by_traps,
            by_all,
            mut alone,
        } = sums;
        let mut outcome = traps.clone();
        let mut free_alone = vec![[0.0; 3]; zones];
        for zone in (0..zones).filter(|z| self.weighty[*z]) {
            let prior = setting.priors[zone].unwrap_or(params.prior_infested);
            let whole = main.untouched[zone] + main.touched[zone];
            for (t, left) in silence[zone].iter().enumerate() {
                let plain = (whole - traps.sensitivity[zone][t] - by_traps[zone][t]).max(0.0);
                let more = plain * (1.0 - left) + (by_traps[zone][t] - by_all[zone][t]);
                if more <= 0.0 {
                    continue;
                }
                let free = traps.free[zone][t];
                let present = (traps.present[zone][t] - prior * more).max(0.0);
                outcome.sensitivity[zone][t] = (traps.sensitivity[zone][t] + more).min(1.0);
                outcome.present[zone][t] = present;
                outcome.p_free[zone][t] = share_free(free, present);
            }
            if let (Some(left), Some(free)) = (silence[zone].last(), traps.free[zone].last()) {
                alone[zone][2] = 1.0 - left;
                // Nothing looked for leaves all that is not free.
                free_alone[zone] = alone[zone].map(|s| share_free(*free, (1.0 - free - prior * s).max(0.0)));
            }
        }
        Some(Joint {
            outcome,
            alone,
            free_alone,
        })
    }

    /// One draw's joint sensitivity to date of every place, and what the public's silence leaves, by zone.
    pub(super) fn join_cells(
        &self,
        setting: &Setting,
        params: &DrawnParams,
        climate: &Climate,
        floor: f64,
        scratch: &mut Scratch,
    ) -> Option<(Vec<f64>, Vec<f64>)> {
        let last = setting.calendar.to_date.checked_sub(1)?;
        let mut seen = Vec::with_capacity(self.places.len());
        let silence = self.each_place(setting, params, climate, floor, scratch, |_, t, _, joint| {
            if t == last {
                seen.push(1.0 - joint);
            }
        })?;
        let left = silence.iter().zip(&self.weighty);
        let left = left.map(|(s, weighty)| if *weighty { s[last] } else { 1.0 });
        Some((seen, left.collect()))
    }

    /// Tells, place by place and period by period, what each component alone leaves and what all leave together. Returns
    /// what the public's silence leaves, by zone and period.
    fn each_place(
        &self,
        setting: &Setting,
        params: &DrawnParams,
        climate: &Climate,
        floor: f64,
        scratch: &mut Scratch,
        mut each: impl FnMut(&Place, usize, Missed, f64),
    ) -> Option<Vec<Vec<f64>>> {
        let inspection = params.inspection?;
        let periods = setting.calendar.to_date;
        let (field, effort) = (&self.field, &self.effort);
        let escapes = escapes_by_slot(setting, field, effort, params, climate, floor, scratch);
        let silence: Vec<Vec<f64>> = self
            .silent_days
            .iter()
            .map(|days| left_by_silence(days, inspection.reports_per_year))
            .collect();
        let infested = inspection.infested_trees(params.flyers);
        let detection: Vec<Vec<f64>> = self
            .girdled
            .iter()
            .map(|g| g.left(climate, periods, &inspection))
            .collect();
        let mut memory = Memory::default();
        for place in &self.places {
            let mut events = place.events.iter().copied().peekable();
            let (mut looks, mut looks_apart) = (1.0, 1.0);
            for (t, left) in silence[place.zone].iter().enumerate() {
                if events.next_if_eq(&t).is_some() {
                    (looks, looks_apart) = place.missed(t, infested, &inspection, params, &mut memory);
                }
                let missed = Missed {
                    traps: place.slot.map_or(1.0, |slot| escapes.at(slot, t)),
                    looks_apart,
                    looks,
                    detection_trees: place.left_by_detection_trees(t, &detection, &inspection),
                    hotline: *left,
                };
                each(place, t, missed, missed.together(inspection.dependent));
            }
        }
        Some(silence)
    }

    /// What each kind of evidence would say of a zone alone; empty where the traps stand alone there.
    pub(super) fn components(
        &self,
        zone: usize,
        found: bool,
        (placements, covered): (usize, f64),
        traps: &[&Outcome],
        joints: &[&Joint],
        central: (&Outcome, &Joint),
    ) -> Vec<Component> {
        let mine = || self.places.iter().filter(|p| p.zone == zone);
        let looked = || mine().filter(|p| !p.trees.is_empty());
        let trees: usize = looked().map(|p| p.trees.len()).sum();
        let looks = || {
            looked()
                .flat_map(|p| &p.trees)
                .flat_map(|t| &t.looks)
                .map(|l| l.1)
        };
        let mut near: Vec<usize> = mine().flat_map(|p| p.near.iter().map(|n| n.0)).collect();
        near.sort_unstable();
        near.dedup();
        let days = self.silent_days[zone].last().copied().unwrap_or(0.0);
        if (trees == 0 && near.is_empty() && days <= 0.0) || !self.weighty[zone] {
            return Vec::new();
        }
        let last = |series: &[f64]| series.last().copied().unwrap_or(0.0);
        let mut all = vec![Component {
            kind: ComponentKind::Traps,
            sensitivity: band(traps.iter().map(|o| last(&o.sensitivity[zone]))),
            central: last(&central.0.sensitivity[zone]),
            p_free: (!found).then(|| band(traps.iter().map(|o| last(&o.p_free[zone])))),
            units: placements,
            methods: Vec::new(),
            beside_traps: 0,
            weight: covered,
        }];
        let methods = Method::ALL
            .into_iter()
            .map(|method| MethodLooks {
                method,
                looks: looks().filter(|l| l.method == method).count(),
            })
            .filter(|m| m.looks > 0)
            .collect();
        let kinds = [
            (
                ComponentKind::Inspections,
                trees,
                looked().map(|p| p.weight).sum(),
            ),
            (
                ComponentKind::DetectionTrees,
                near.len(),
                mine().filter(|p| !p.near.is_empty()).map(|p| p.weight).sum(),
            ),
            (ComponentKind::Hotline, days.round() as usize, 1.0),
        ];
        for (i, (kind, units, weight)) in kinds.into_iter().enumerate().filter(|(_, k)| k.1 > 0) {
            let inspections = kind == ComponentKind::Inspections;
            all.push(Component {
                kind,
                sensitivity: band(joints.iter().map(|j| j.alone[zone][i])),
                central: central.1.alone[zone][i],
                p_free: (!found).then(|| band(joints.iter().map(|j| j.free_alone[zone][i]))),
                units,
                methods: if inspections {
                    Vec::clone(&methods)
                } else {
                    Vec::new()
                },
                beside_traps: if inspections {
                    looks().filter(|l| l.beside_trap).count()
                } else {
                    0
                },
                weight,
            });
        }
        all
    }
}

/// Memory used again from place to place.
#[derive(Default)]
struct Memory {
    all: Vec<f64>,
    apart: Vec<f64>,
    by_count: Vec<f64>,
}

impl Place {
    /// What all looks up to a period leave, and what those apart from traps do.
    fn missed(
        &self,
        period: usize,
        infested: u64,
        inspection: &DrawnInspection,
        params: &DrawnParams,
        memory: &mut Memory,
    ) -> (f64, f64) {
        let Memory { all, apart, by_count } = memory;
        all.clear();
        apart.clear();
        for tree in &self.trees {
            let upto = || tree.looks.iter().take_while(|l| l.0 <= period).map(|l| &l.1);
            let missed = |look: &Look| 1.0 - worth(look, inspection, params);
            let seen = |missed: f64| tree.weight * (1.0 - missed);
            if upto().next().is_some() {
                all.push(seen(missed_on_tree(upto().map(missed), inspection.same_tree)));
            }
            let mut by_itself = upto().filter(|l| !l.beside_trap).peekable();
            if by_itself.peek().is_some() {
                apart.push(seen(missed_on_tree(by_itself.map(missed), inspection.same_tree)));
            }
        }
        let mut of = |sensitivities: &[f64]| match self.hosts {
            Some(hosts) => missed_of(hosts, infested, sensitivities, by_count),
            None => sensitivities
                .iter()
                .map(|s| 1.0 - inspection.prevalence * s)
                .product(),
        };
        let looks = of(all);
        // Exact sums of different length may differ by rounding; fewer looks never see more.
        (looks, of(apart).max(looks))
    }

    fn left_by_detection_trees(&self, period: usize, left: &[Vec<f64>], inspection: &DrawnInspection) -> f64 {
        let Some(detection) = inspection.detection_tree else {
            return 1.0;
        };
        self.near
            .iter()
            .filter(|(_, distance_m)| *distance_m <= detection.reach_m)
            .map(|(tree, _)| left[*tree][period])
            .product()
    }
}

/// Sensitivity of one look at an infested tree, all things considered.
fn worth(look: &Look, inspection: &DrawnInspection, params: &DrawnParams) -> f64 {
    let Some(full) = inspection.sensitivity[look.method.index()] else {
        return 0.0;
    };
    let partly = if look.partly { params.impaired_share } else { 1.0 };
    if look.method == Method::Branches {
        let share = (look.peeled_cm / inspection.full_peeled_cm).clamp(0.0, 1.0);
        return partly * (1.0 - (1.0 - full).powf(share));
    }
    let leaf = if look.in_leaf { inspection.in_leaf } else { 1.0 };
    let time = match (inspection.search_per_minute, look.minutes) {
        (Some(rate), Some(minutes)) => -(-rate * minutes).exp_m1(),
        _ => 1.0,
    };
    full * leaf * time * look.share * partly
}

impl Girdled {
    /// What the tree leaves of an incursion in its reach, up to the end of every period.
    fn left(&self, climate: &Climate, periods: usize, inspection: &DrawnInspection) -> Vec<f64> {
        let Some(detection) = inspection.detection_tree else {
            return vec![1.0; periods];
        };
        let missed = 1.0 - detection.sensitivity * self.share;
        let mut stood = self.stood.iter().peekable();
        let mut flown = 0.0;
        (0..periods)
            .map(|t| {
                if let Some((_, share)) = stood.next_if(|(period, _)| *period == t) {
                    flown += share * climate.flight_of[t];
                }
                missed.powf(flown.min(1.0))
            })
            .collect()
    }
}

/// What silence leaves up to the end of every period: `(1 - r)^(days / 365.25)`.
fn left_by_silence(days: &[f64], reports_per_year: Option<f64>) -> Vec<f64> {
    let Some(chance) = reports_per_year else {
        return vec![1.0; days.len()];
    };
    days.iter()
        .map(|d| (1.0 - chance).powf(d / DAYS_PER_YEAR))
        .collect()
}

fn check_evidence(input: &Input<'_>, evidence: &Evidence) -> Result<(), ModelError> {
    let mut seen = vec![false; input.cells.len()];
    for looks in &evidence.looks {
        let Some(seen) = seen.get_mut(looks.cell) else {
            return Err(ModelError::Inconsistent(format!(
                "trees were looked at in cell {} but there are {} cells",
                looks.cell,
                input.cells.len()
            )));
        };
        if std::mem::replace(seen, true) {
            return Err(ModelError::Inconsistent(format!(
                "the looks of cell {} are given twice",
                looks.cell
            )));
        }
        if looks.hosts.is_some_and(|hosts| hosts < looks.trees.len() as u64) {
            return Err(ModelError::Inconsistent(format!(
                "{} trees were looked at in cell {}, which has fewer hosts",
                looks.trees.len(),
                looks.cell
            )));
        }
        for tree in &looks.trees {
            let ok = tree.weight > 0.0 && tree.weight <= 1.0;
            check(
                "the weight of a tree looked at",
                tree.weight,
                ok,
                "above 0, up to 1",
            )?;
            for look in &tree.looks {
                let ok = (0.0..=1.0).contains(&look.share);
                check("the share of a tree looked at", look.share, ok, "0 to 1")?;
                check(
                    "the length peeled in cm",
                    look.peeled_cm,
                    look.peeled_cm >= 0.0,
                    "0 or more",
                )?;
                let minutes = look.minutes.unwrap_or(0.0);
                check("the minutes of a look", minutes, minutes >= 0.0, "0 or more")?;
            }
        }
    }
    for tree in &evidence.detection_trees {
        let ok = (0.0..=1.0).contains(&tree.share);
        check(
            "the share of a detection tree's bark that was peeled",
            tree.share,
            ok,
            "0 to 1",
        )?;
        check("a detection tree's easting in metres", tree.x_m, true, "a number")?;
        check(
            "a detection tree's northing in metres",
            tree.y_m,
            true,
            "a number",
        )?;
        if tree.peeled < tree.girdled {
            return Err(ModelError::Inconsistent(format!(
                "a detection tree was peeled before it was girdled on {}",
                tree.girdled
            )));
        }
    }
    for silence in &evidence.silence {
        if silence.zone >= input.zones.len() {
            return Err(ModelError::Inconsistent(format!(
                "the public's silence since {} is that of no zone",
                silence.from
            )));
        }
    }
    Ok(())
}

/// Cells with looks that count: by a method with a figure, in the season, up to the as-of day.
fn places_of_looks(
    input: &Input<'_>,
    evidence: &Evidence,
    weights: &[f64],
    calendar: &Calendar,
    counts: &dyn Fn(&Look) -> bool,
) -> Vec<Place> {
    let mut places = Vec::new();
    for looks in evidence.looks.iter().filter(|l| weights[l.cell] > 0.0) {
        let trees: Vec<Tree> = looks
            .trees
            .iter()
            .map(|tree| {
                let mut looks: Vec<(usize, Look)> = tree
                    .looks
                    .iter()
                    .filter(|l| counts(l))
                    .filter_map(|l| Some((calendar.period(l.date)?, *l)))
                    .collect();
                looks.sort_by_key(|l| l.0);
                Tree {
                    weight: tree.weight,
                    looks,
                }
            })
            .filter(|tree| !tree.looks.is_empty())
            .collect();
        if trees.is_empty() {
            continue;
        }
        let mut events: Vec<usize> = trees.iter().flat_map(|t| t.looks.iter().map(|l| l.0)).collect();
        events.sort_unstable();
        events.dedup();
        places.push(Place {
            cell: looks.cell,
            zone: input.cells[looks.cell].zone,
            weight: weights[looks.cell],
            slot: None,
            hosts: looks.hosts,
            trees,
            events,
            near: Vec::new(),
        });
    }
    places
}

/// Puts the detection trees on the calendar and adds the cells within their greatest reach to the places.
fn place_detection_trees(
    input: &Input<'_>,
    evidence: &Evidence,
    weights: &[f64],
    calendar: &Calendar,
    reach_m: f64,
    places: &mut Vec<Place>,
) -> Vec<Girdled> {
    let mut girdled = Vec::new();
    if reach_m <= 0.0 {
        return girdled;
    }
    let mut near: Vec<Vec<(usize, f64)>> = vec![Vec::new(); input.cells.len()];
    for tree in &evidence.detection_trees {
        let (from, to) = (calendar.day(tree.girdled), calendar.day(tree.peeled));
        let stood = calendar.shares_between(from, to);
        if to > calendar.today || stood.is_empty() {
            continue;
        }
        for (i, cell) in input.cells.iter().enumerate().filter(|(i, _)| weights[*i] > 0.0) {
            let distance_m = (cell.x_m - tree.x_m).hypot(cell.y_m - tree.y_m);
            if distance_m <= reach_m {
                near[i].push((girdled.len(), distance_m));
            }
        }
        girdled.push(Girdled {
            share: tree.share,
            stood,
        });
    }
    for place in places.iter_mut() {
        place.near = std::mem::take(&mut near[place.cell]);
    }
    for (cell, near) in near.into_iter().enumerate().filter(|(_, n)| !n.is_empty()) {
        places.push(Place {
            cell,
            zone: input.cells[cell].zone,
            weight: weights[cell],
            slot: None,
            hosts: None,
            trees: Vec::new(),
            events: Vec::new(),
            near,
        });
    }
    girdled
}

/// Days of silence up to the end of every period, by zone.
fn silent_days(input: &Input<'_>, evidence: &Evidence, calendar: &Calendar) -> Vec<Vec<f64>> {
    let mut out = vec![vec![0.0; calendar.to_date]; input.zones.len()];
    for silence in &evidence.silence {
        let (from, to) = (
            calendar.day(silence.from),
            calendar.day(silence.to).saturating_add(1),
        );
        for (t, (start, end)) in calendar.periods[..calendar.to_date].iter().enumerate() {
            // A period that ends with the as-of day ends there.
            out[silence.zone][t] += f64::from((to.min(*end) - from.max(*start)).max(0));
        }
    }
    for days in &mut out {
        let mut sum = 0.0;
        for d in days {
            sum += *d;
            *d = sum;
        }
    }
    out
}

/// Whether two days lie within a week of each other, so that a look and a trap's visit are one event to the model.
pub fn same_week(a: Date, b: Date) -> bool {
    days_between(a, b).abs() <= 3
}
