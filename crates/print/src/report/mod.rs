//! The report: plain data in, one self-contained HTML page out.
//!
//! [`html`] is a pure function. It computes no figure about the world: every number it prints was handed to it in
//! [`ReportData`], apart from sums, shares and roundings for display. The page has no script, asks the network for
//! nothing, and can be mailed, printed or archived as it is.
//!
//! Colours carry at least 7:1 contrast for text; the map's scale runs by lightness so that it reads without colour.

pub(crate) mod chart;
pub(crate) mod map;
pub(crate) mod page;
pub(crate) mod response;
#[cfg(test)]
pub(crate) mod sample;
pub(crate) mod svg;

use jiff::civil::Date;

pub use page::html;

/// A point on a local plane, metres east and north of any one origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Metres east.
    pub x_m: f64,
    /// Metres north.
    pub y_m: f64,
}

/// A figure with its 5-95 % band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// 5 %.
    pub low: f64,
    /// 50 %.
    pub median: f64,
    /// 95 %.
    pub high: f64,
}

/// Everything a report says.
#[derive(Debug, Clone)]
pub struct ReportData {
    /// The programme or district ("Tarrowbend").
    pub programme: String,
    /// The year of the season reported on.
    pub season_year: i16,
    /// The day up to which records were counted.
    pub as_of: Date,
    /// The program and version that wrote it.
    pub written_by: String,
    /// When the data are invented: the statement that says so. `None` for a real programme.
    pub invented: Option<String>,
    /// The ground, common to all targets.
    pub map: MapBase,
    /// One section for each target.
    pub targets: Vec<TargetReport>,
    /// How the figures were made: title and text in plain words.
    pub methods: Vec<(String, String)>,
    /// Safety and other cautions for the work.
    pub cautions: Vec<String>,
}

/// The ground that every map shows.
#[derive(Debug, Clone, Default)]
pub struct MapBase {
    /// Zones: label and rings.
    pub zones: Vec<(String, Vec<Vec<Point>>)>,
    /// Parks, woods and the like (decoration; may be empty).
    pub greens: Vec<Vec<Point>>,
    /// Land where traps may not hang.
    pub forbidden: Vec<Vec<Point>>,
    /// Water as middle lines (decoration; may be empty).
    pub water: Vec<Vec<Point>>,
    /// Width of the water lines, metres.
    pub water_width_m: f64,
    /// Streets or roads (decoration; may be empty).
    pub roads: Vec<Vec<Point>>,
    /// Where a pest may arrive: label, kind, place.
    pub pathways: Vec<MapPathway>,
}

/// A pathway on the map.
#[derive(Debug, Clone)]
pub struct MapPathway {
    /// Label.
    pub label: String,
    /// What it is.
    pub kind: String,
    /// Where it is.
    pub at: Point,
}

/// What is known of a trap at the end of the period.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TrapState {
    /// Worked at the last look.
    Working,
    /// There but not as it should be, or its lure or look is overdue.
    Impaired,
    /// Down, gone or never reached.
    Out,
}

/// A trap on the map.
#[derive(Debug, Clone)]
pub struct MapTrap {
    /// The trap's label.
    pub label: String,
    /// Where it hangs.
    pub at: Point,
    /// Its state.
    pub state: TrapState,
}

/// A cell with a value from 0 to 1.
#[derive(Debug, Clone)]
pub struct MapCell {
    /// Its outline.
    pub ring: Vec<Point>,
    /// The value shown.
    pub value: f64,
    /// What it counts when small cells are put together for drawing: its host weight, say; 1 for all alike.
    pub weight: f64,
}

/// A confirmed find.
#[derive(Debug, Clone)]
pub struct Find {
    /// Label of the trap or tree.
    pub label: String,
    /// The zone it lies in.
    pub zone: String,
    /// Where.
    pub at: Point,
    /// Day the specimen was taken.
    pub taken: Date,
    /// Day the determination was confirmed.
    pub confirmed: Date,
}

/// All about one target.
#[derive(Debug, Clone)]
pub struct TargetReport {
    /// Common name.
    pub common_name: String,
    /// Scientific name.
    pub scientific_name: String,
    /// The profile's caution.
    pub caution: String,
    /// Flyers of the design incursion, for the plain sentence.
    pub design_flyers: Band,
    /// Host trees of this target.
    pub hosts: Vec<Point>,
    /// Cells and their value.
    pub cells: Vec<MapCell>,
    /// What a cell's value is, in words.
    pub cell_measure: String,
    /// Traps for this target.
    pub traps: Vec<MapTrap>,
    /// Confirmed finds, oldest first.
    pub finds: Vec<Find>,
    /// The siting result.
    pub plan: Option<PlanResult>,
    /// The dated plan.
    pub season: Option<SeasonPlan>,
    /// What became of the visits.
    pub visits: Option<VisitSummary>,
    /// How sure we are, zone by zone.
    pub zones: Vec<ZoneAssurance>,
    /// What cost most assurance, worst first.
    pub costs: Vec<Cost>,
    /// The visits that would add most, best first.
    pub next_visits: Vec<NextVisit>,
    /// Every parameter used.
    pub parameters: Vec<ParameterRow>,
    /// What a reader must know before leaning on the figures.
    pub warnings: Vec<String>,
    /// Responses to finds.
    pub responses: Vec<ResponsePart>,
    /// What a trial said, where one was run and given.
    pub trial: Option<TrialResult>,
}

/// A response to a find.
#[derive(Debug, Clone)]
pub struct ResponsePart {
    /// Its heading.
    pub title: String,
    /// What a reader must know first.
    pub caution: String,
    /// The figures of it in one line: ground, area, survey, clock; `None` where none of them could be worked out.
    pub in_short: Option<String>,
    /// Headings, each with its sentences.
    pub parts: Vec<(String, Vec<String>)>,
    /// Cells of the origin's 95 % region, and whether each belongs to the 50 % region.
    pub cells: Vec<(Vec<Point>, bool)>,
    /// Rings of the regulated area.
    pub area: Vec<Vec<Point>>,
    /// Traps of the delimiting survey.
    pub survey: Vec<Point>,
    /// Confirmed finds.
    pub finds: Vec<Point>,
}

/// What a trial said of the plan, and of our statements.
#[derive(Debug, Clone)]
pub struct TrialResult {
    /// What was simulated and what came of it, sentence by sentence.
    pub words: Vec<String>,
    /// Whether what is stated was true, curve by curve.
    pub curves: Vec<TrialCurve>,
    /// What the figures rest on, line by line.
    pub rests_on: Vec<String>,
}

/// A reliability curve.
#[derive(Debug, Clone)]
pub struct TrialCurve {
    /// In which worlds.
    pub title: String,
    /// Worlds in which something was stated.
    pub worlds: u64,
    /// What was stated of finding it against what was found, in a sentence.
    pub traps: String,
    /// Points by rising statement; bins without worlds are left out.
    pub points: Vec<TrialPoint>,
}

/// The worlds of one bin.
#[derive(Debug, Clone, Copy)]
pub struct TrialPoint {
    /// Bin's ends.
    pub bin: (f64, f64),
    /// Worlds.
    pub worlds: u64,
    /// Mean stated probability that the zone is free.
    pub stated: f64,
    /// Share really free.
    pub free: f64,
    /// Exact 95 % interval of that share.
    pub interval: (f64, f64),
}

impl TrialPoint {
    /// Whether the statement lies in the interval.
    pub fn agrees(&self) -> bool {
        (self.interval.0..=self.interval.1).contains(&self.stated)
    }
}

/// What the siting came to.
#[derive(Debug, Clone)]
pub struct PlanResult {
    /// Traps placed.
    pub traps: usize,
    /// Candidate places they were chosen from.
    pub candidates: usize,
    /// The plan's objective (programme sensitivity, 0 to 1, with fresh lures).
    pub objective: f64,
    /// No plan of as many traps can do better than this.
    pub bound: f64,
    /// Seconds the search took, if told.
    pub seconds: Option<f64>,
    /// Traps against objective, rising.
    pub curve: Vec<(usize, f64)>,
}

impl PlanResult {
    /// How far the plan may be from the best, as a share of the bound.
    pub fn gap(&self) -> f64 {
        if self.bound > 0.0 {
            ((self.bound - self.objective) / self.bound).max(0.0)
        } else {
            0.0
        }
    }
}

/// A date over the years: earliest, median, latest of the years used.
#[derive(Debug, Clone)]
pub struct DateRow {
    /// What happens ("Hang the traps").
    pub what: String,
    /// Earliest of the years.
    pub early: Date,
    /// Median of the years.
    pub median: Date,
    /// Latest of the years.
    pub late: Date,
    /// The rule, in words.
    pub why: String,
}

/// Share of the year's flight in one fortnight.
#[derive(Debug, Clone)]
pub struct Fortnight {
    /// First day.
    pub from: Date,
    /// Share of the year's flight over the years used.
    pub share: Band,
}

/// The dated plan.
#[derive(Debug, Clone)]
pub struct SeasonPlan {
    /// The years of weather it rests on, in words ("2016 to 2024 (9 years)").
    pub years: String,
    /// Dates: hang, change lures, take down, flight.
    pub dates: Vec<DateRow>,
    /// Flight by fortnight.
    pub fortnights: Vec<Fortnight>,
    /// What to order: thing, quantity, how it was reckoned.
    pub supplies: Vec<(String, String, String)>,
}

/// What became of the visits.
#[derive(Debug, Clone)]
pub struct VisitSummary {
    /// Visits due.
    pub due: u32,
    /// Made within the window.
    pub made: u32,
    /// Made, but after the window.
    pub late: u32,
    /// Not made or not reached, with reasons and counts.
    pub missed: Vec<(String, u32)>,
    /// Stops that found the trap down or gone.
    pub found_out: u32,
    /// Looks that covered part of the catch only.
    pub partly: u32,
    /// Suspects taken.
    pub suspects: u32,
    /// Calendar trap-days.
    pub calendar_trap_days: f64,
    /// Effective trap-days.
    pub effective_trap_days: f64,
}

/// How sure we are about a zone.
#[derive(Debug, Clone)]
pub struct ZoneAssurance {
    /// The zone's label.
    pub zone: String,
    /// Probability that this season's work would have seen the design incursion.
    pub sensitivity: Band,
    /// Probability that the zone is free, over time; the last point is the present.
    pub free: Vec<(Date, Band)>,
    /// Whether a find is confirmed in it, which ends any assurance of absence.
    pub found: bool,
    /// What each kind of evidence would say alone; empty where the traps stand alone.
    pub evidence: Vec<EvidenceRow>,
}

/// What one kind of evidence would say of a zone by itself.
#[derive(Debug, Clone)]
pub struct EvidenceRow {
    /// The kind, in words ("traps alone").
    pub kind: String,
    /// What it consists of, in words ("18 trees (18 looks from the ground)").
    pub units: String,
    /// Probability that it alone would have seen the design incursion.
    pub sensitivity: Band,
    /// Probability of absence by it alone.
    pub free: Option<Band>,
}

/// A thing that cost assurance.
#[derive(Debug, Clone)]
pub struct Cost {
    /// What it was, in words.
    pub what: String,
    /// Where.
    pub zone: String,
    /// Sensitivity lost, 0 to 1.
    pub lost: f64,
}

/// A visit worth making.
#[derive(Debug, Clone)]
pub struct NextVisit {
    /// The trap.
    pub trap: String,
    /// Its zone.
    pub zone: String,
    /// When it is (or was) due.
    pub due: Date,
    /// Sensitivity it would add, 0 to 1.
    pub gain: f64,
    /// What to do there.
    pub todo: String,
}

/// A parameter with its source and mark.
#[derive(Debug, Clone)]
pub struct ParameterRow {
    /// What it is.
    pub name: String,
    /// Value and band with unit, in words.
    pub value: String,
    /// Where it comes from.
    pub source: String,
    /// How it is known, in words.
    pub mark: String,
    /// Whether a reader must be warned.
    pub doubtful: bool,
}
