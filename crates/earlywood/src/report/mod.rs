//! The report: plain data in, one self-contained HTML page out.
//!
//! [`html`] is a pure function. It computes no figure about the world: every number it prints was handed to it in
//! [`ReportData`], apart from sums, shares and roundings for display. The page has no script, asks the network for
//! nothing, and can be mailed, printed or archived as it is.
//!
//! Colours carry at least 7:1 contrast for text; the map's scale runs by lightness so that it reads without colour.

mod chart;
pub(crate) mod gather;
mod map;
mod page;
#[cfg(test)]
mod sample;
mod svg;

use jiff::civil::Date;

pub(crate) use page::html;

/// A point on a local plane, metres east and north of any one origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Point {
    /// Metres east.
    pub(crate) x_m: f64,
    /// Metres north.
    pub(crate) y_m: f64,
}

/// A figure with its 5-95 % band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Band {
    /// 5 %.
    pub(crate) low: f64,
    /// 50 %.
    pub(crate) median: f64,
    /// 95 %.
    pub(crate) high: f64,
}

/// Everything a report says.
#[derive(Debug, Clone)]
pub(crate) struct ReportData {
    /// The programme or district ("Tarrowbend").
    pub(crate) programme: String,
    /// The year of the season reported on.
    pub(crate) season_year: i16,
    /// The day up to which records were counted.
    pub(crate) as_of: Date,
    /// The program and version that wrote it.
    pub(crate) written_by: String,
    /// When the data are invented: the statement that says so. `None` for a real programme.
    pub(crate) invented: Option<String>,
    /// The ground, common to all targets.
    pub(crate) map: MapBase,
    /// One section for each target.
    pub(crate) targets: Vec<TargetReport>,
    /// How the figures were made: title and text in plain words.
    pub(crate) methods: Vec<(String, String)>,
    /// Safety and other cautions for the work.
    pub(crate) cautions: Vec<String>,
}

/// The ground that every map shows.
#[derive(Debug, Clone, Default)]
pub(crate) struct MapBase {
    /// Zones: label and rings.
    pub(crate) zones: Vec<(String, Vec<Vec<Point>>)>,
    /// Parks, woods and the like (decoration; may be empty).
    pub(crate) greens: Vec<Vec<Point>>,
    /// Land where traps may not hang.
    pub(crate) forbidden: Vec<Vec<Point>>,
    /// Water as middle lines (decoration; may be empty).
    pub(crate) water: Vec<Vec<Point>>,
    /// Width of the water lines, metres.
    pub(crate) water_width_m: f64,
    /// Streets or roads (decoration; may be empty).
    pub(crate) roads: Vec<Vec<Point>>,
    /// Where a pest may arrive: label, kind, place.
    pub(crate) pathways: Vec<MapPathway>,
}

/// A pathway on the map.
#[derive(Debug, Clone)]
pub(crate) struct MapPathway {
    /// Label.
    pub(crate) label: String,
    /// What it is.
    pub(crate) kind: String,
    /// Where it is.
    pub(crate) at: Point,
}

/// What is known of a trap at the end of the period.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum TrapState {
    /// Worked at the last look.
    Working,
    /// There but not as it should be, or its lure or look is overdue.
    Impaired,
    /// Down, gone or never reached.
    Out,
}

/// A trap on the map.
#[derive(Debug, Clone)]
pub(crate) struct MapTrap {
    /// The trap's label.
    pub(crate) label: String,
    /// Where it hangs.
    pub(crate) at: Point,
    /// Its state.
    pub(crate) state: TrapState,
}

/// A cell with a value from 0 to 1.
#[derive(Debug, Clone)]
pub(crate) struct MapCell {
    /// Its outline.
    pub(crate) ring: Vec<Point>,
    /// The value shown.
    pub(crate) value: f64,
    /// What it counts when small cells are put together for drawing: its host weight, say; 1 for all alike.
    pub(crate) weight: f64,
}

/// A confirmed find.
#[derive(Debug, Clone)]
pub(crate) struct Find {
    /// Label of the trap or tree.
    pub(crate) label: String,
    /// The zone it lies in.
    pub(crate) zone: String,
    /// Where.
    pub(crate) at: Point,
    /// Day the specimen was taken.
    pub(crate) taken: Date,
    /// Day the determination was confirmed.
    pub(crate) confirmed: Date,
}

/// All about one target.
#[derive(Debug, Clone)]
pub(crate) struct TargetReport {
    /// Common name.
    pub(crate) common_name: String,
    /// Scientific name.
    pub(crate) scientific_name: String,
    /// The profile's caution.
    pub(crate) caution: String,
    /// Flyers of the design incursion, for the plain sentence.
    pub(crate) design_flyers: Band,
    /// Host trees of this target.
    pub(crate) hosts: Vec<Point>,
    /// Cells and their value.
    pub(crate) cells: Vec<MapCell>,
    /// What a cell's value is, in words.
    pub(crate) cell_measure: String,
    /// Traps for this target.
    pub(crate) traps: Vec<MapTrap>,
    /// Confirmed finds, oldest first.
    pub(crate) finds: Vec<Find>,
    /// The siting result.
    pub(crate) plan: Option<PlanResult>,
    /// The dated plan.
    pub(crate) season: Option<SeasonPlan>,
    /// What became of the visits.
    pub(crate) visits: Option<VisitSummary>,
    /// How sure we are, zone by zone.
    pub(crate) zones: Vec<ZoneAssurance>,
    /// What cost most assurance, worst first.
    pub(crate) costs: Vec<Cost>,
    /// The visits that would add most, best first.
    pub(crate) next_visits: Vec<NextVisit>,
    /// Every parameter used.
    pub(crate) parameters: Vec<ParameterRow>,
    /// What a reader must know before leaning on the figures.
    pub(crate) warnings: Vec<String>,
}

/// What the siting came to.
#[derive(Debug, Clone)]
pub(crate) struct PlanResult {
    /// Traps placed.
    pub(crate) traps: usize,
    /// Candidate places they were chosen from.
    pub(crate) candidates: usize,
    /// The plan's objective (programme sensitivity, 0 to 1, with fresh lures).
    pub(crate) objective: f64,
    /// No plan of as many traps can do better than this.
    pub(crate) bound: f64,
    /// Seconds the search took, if told.
    pub(crate) seconds: Option<f64>,
    /// Traps against objective, rising.
    pub(crate) curve: Vec<(usize, f64)>,
}

impl PlanResult {
    /// How far the plan may be from the best, as a share of the bound.
    pub(crate) fn gap(&self) -> f64 {
        if self.bound > 0.0 {
            ((self.bound - self.objective) / self.bound).max(0.0)
        } else {
            0.0
        }
    }
}

/// A date over the years: earliest, median, latest of the years used.
#[derive(Debug, Clone)]
pub(crate) struct DateRow {
    /// What happens ("Hang the traps").
    pub(crate) what: String,
    /// Earliest of the years.
    pub(crate) early: Date,
    /// Median of the years.
    pub(crate) median: Date,
    /// Latest of the years.
    pub(crate) late: Date,
    /// The rule, in words.
    pub(crate) why: String,
}

/// Share of the year's flight in one fortnight.
#[derive(Debug, Clone)]
pub(crate) struct Fortnight {
    /// First day.
    pub(crate) from: Date,
    /// Share of the year's flight over the years used.
    pub(crate) share: Band,
}

/// The dated plan.
#[derive(Debug, Clone)]
pub(crate) struct SeasonPlan {
    /// The years of weather it rests on, in words ("2016 to 2024 (9 years)").
    pub(crate) years: String,
    /// Dates: hang, change lures, take down, flight.
    pub(crate) dates: Vec<DateRow>,
    /// Flight by fortnight.
    pub(crate) fortnights: Vec<Fortnight>,
    /// What to order: thing, quantity, how it was reckoned.
    pub(crate) supplies: Vec<(String, String, String)>,
}

/// What became of the visits.
#[derive(Debug, Clone)]
pub(crate) struct VisitSummary {
    /// Visits due.
    pub(crate) due: u32,
    /// Made within the window.
    pub(crate) made: u32,
    /// Made, but after the window.
    pub(crate) late: u32,
    /// Not made or not reached, with reasons and counts.
    pub(crate) missed: Vec<(String, u32)>,
    /// Stops that found the trap down or gone.
    pub(crate) found_out: u32,
    /// Looks that covered part of the catch only.
    pub(crate) partly: u32,
    /// Suspects taken.
    pub(crate) suspects: u32,
    /// Calendar trap-days.
    pub(crate) calendar_trap_days: f64,
    /// Effective trap-days.
    pub(crate) effective_trap_days: f64,
}

/// How sure we are about a zone.
#[derive(Debug, Clone)]
pub(crate) struct ZoneAssurance {
    /// The zone's label.
    pub(crate) zone: String,
    /// Probability that this season's work would have seen the design incursion.
    pub(crate) sensitivity: Band,
    /// Probability that the zone is free, over time; the last point is the present.
    pub(crate) free: Vec<(Date, Band)>,
    /// Whether a find is confirmed in it, which ends any assurance of absence.
    pub(crate) found: bool,
}

/// A thing that cost assurance.
#[derive(Debug, Clone)]
pub(crate) struct Cost {
    /// What it was, in words.
    pub(crate) what: String,
    /// Where.
    pub(crate) zone: String,
    /// Sensitivity lost, 0 to 1.
    pub(crate) lost: f64,
}

/// A visit worth making.
#[derive(Debug, Clone)]
pub(crate) struct NextVisit {
    /// The trap.
    pub(crate) trap: String,
    /// Its zone.
    pub(crate) zone: String,
    /// When it is (or was) due.
    pub(crate) due: Date,
    /// Sensitivity it would add, 0 to 1.
    pub(crate) gain: f64,
    /// What to do there.
    pub(crate) todo: String,
}

/// A parameter with its source and mark.
#[derive(Debug, Clone)]
pub(crate) struct ParameterRow {
    /// What it is.
    pub(crate) name: String,
    /// Value and band with unit, in words.
    pub(crate) value: String,
    /// Where it comes from.
    pub(crate) source: String,
    /// How it is known, in words.
    pub(crate) mark: String,
    /// Whether a reader must be warned.
    pub(crate) doubtful: bool,
}
