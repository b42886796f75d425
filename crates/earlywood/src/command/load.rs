//! `earlywood load`: files into a programme file, all or nothing unless told otherwise.

use std::path::{Path, PathBuf};

use anyhow::Result;
use clap::{Args, ValueEnum};
use earlywood_chain::load::{self, Reading, Source, What};
use earlywood_journal::{Act, LoadMode, Programme};
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::{Value, json};

use crate::chain::tell;
use crate::out::{Form, note};
use crate::{ActorArg, FileArg};

/// What a file holds.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum WhatArg {
    /// Host trees.
    Hosts,
    /// Places through which a pest may arrive.
    Pathways,
    /// Land that may, or may not, be used.
    Land,
    /// Areas that are reported on.
    Zones,
    /// Daily temperatures.
    Weather,
    /// Spots where traps may hang.
    Places,
    /// Roads that may be driven: an OpenStreetMap .pbf extract, or GeoJSON lines.
    Roads,
    /// Working days of the crews: depot, hours, break, skills.
    Crews,
    /// How places are got to, when they may be entered, what a stop there needs.
    Access,
    /// Traps that hang: trap, place, targets, dates.
    Traps,
    /// Stops made at traps.
    Visits,
    /// A target profile of the programme's own (TOML).
    Targets,
}

impl From<WhatArg> for What {
    fn from(what: WhatArg) -> Self {
        match what {
            WhatArg::Hosts => What::Hosts,
            WhatArg::Pathways => What::Pathways,
            WhatArg::Land => What::Land,
            WhatArg::Zones => What::Zones,
            WhatArg::Weather => What::Weather,
            WhatArg::Places => What::Places,
            WhatArg::Roads => What::Roads,
            WhatArg::Crews => What::Crews,
            WhatArg::Access => What::Access,
            WhatArg::Traps => What::Traps,
            WhatArg::Visits => What::Visits,
            WhatArg::Targets => What::Targets,
        }
    }
}

#[derive(Args)]
pub(crate) struct LoadArgs {
    #[command(flatten)]
    file: FileArg,
    /// What the source holds.
    #[arg(value_enum)]
    what: WhatArg,
    /// The file to read: CSV or GeoJSON (docs/formats.md lists the columns); TOML for targets; .osm.pbf for roads.
    source: PathBuf,
    /// Keep the good rows when some are bad; otherwise one bad row stops the whole load.
    #[arg(long)]
    keep_good: bool,
    /// Put these in the place of what was loaded before, rather than adding to it.
    #[arg(long)]
    replace: bool,
    /// Check only; write nothing.
    #[arg(long)]
    check: bool,
    #[command(flatten)]
    actor: ActorArg,
}

/// What a load is asked to do, for every kind of record alike.
struct Job<'a> {
    source: &'a Path,
    keep_good: bool,
    check: bool,
    mode: LoadMode,
    act: Act,
    form: Form,
}

pub(crate) fn run(args: LoadArgs, form: Form) -> Result<()> {
    let mut programme = super::open(&args.file)?;
    let job = Job {
        source: &args.source,
        keep_good: args.keep_good,
        check: args.check,
        mode: if args.replace {
            LoadMode::Replace
        } else {
            LoadMode::Add
        },
        act: super::act(&args.actor)?,
        form,
    };
    let summary = load_one(&mut programme, args.what.into(), &job)?;
    form.say(|| summary.words(), || summary.json())
}

/// Loads one file that must be good throughout, as the demo does: the same path as the command's.
pub(crate) fn load_file(
    programme: &mut Programme,
    what: What,
    source: &Path,
    act: &Act,
    form: Form,
) -> Result<Summary> {
    let job = Job {
        source,
        keep_good: false,
        check: false,
        mode: LoadMode::Add,
        act: act.clone(),
        form,
    };
    load_one(programme, what, &job)
}

/// What became of a file.
pub(crate) struct Summary {
    source: String,
    unit: &'static str,
    good: usize,
    left_out: usize,
    check: bool,
}

impl Summary {
    pub(crate) fn words(&self) -> String {
        let Summary {
            source,
            unit,
            good,
            left_out,
            ..
        } = self;
        match (self.check, left_out) {
            (true, 0) => format!(
                "{source}: all {good} {unit}s read well; nothing was written, and the journal was not asked (--check)."
            ),
            (true, n) => format!("{source}: {good} good, {n} bad {unit}s; nothing was written (--check)."),
            (false, 0) => format!("{source}: {good} {unit}s loaded."),
            (false, n) => format!("{source}: {good} {unit}s loaded, {n} left out."),
        }
    }

    fn json(&self) -> Value {
        let written = if self.check { 0 } else { self.good };
        json!({"source": self.source, "good": self.good, "written": written, "left_out": self.left_out})
    }
}

fn load_one(programme: &mut Programme, what: What, job: &Job<'_>) -> Result<Summary> {
    let bar = progress_bar(job.form);
    let reading = Reading {
        today: job.act.today(),
        mode: job.mode,
        problem_cap: MOST_LISTED,
        progress: &mut |done, all| {
            bar.set_length(all);
            bar.set_position(done);
        },
    };
    let read = load::read(programme, what, Source::File(job.source), reading);
    bar.finish_and_clear();
    let read = read?;
    if !read.unknown_columns.is_empty() {
        note(&format!("columns not used: {}", read.unknown_columns.join(", ")));
    }
    if what != What::Targets {
        tell(&read.notes);
    }
    if !read.is_clean() {
        eprintln!("{}", read.listing);
    }
    load::check(&read, job.keep_good)?;
    let mut summary = Summary {
        source: read.source.clone(),
        unit: read.unit,
        good: read.good.len(),
        left_out: read.bad_rows,
        check: job.check,
    };
    let warnings = if what == What::Targets {
        read.notes.clone()
    } else {
        Vec::new()
    };
    // A mere check asks the journal nothing.
    if !job.check {
        let written = load::write(programme, &job.act, read, job.mode, job.keep_good)?;
        written.refused.iter().for_each(|line| eprintln!("{line}"));
        (summary.good, summary.left_out) = (written.written, written.left_out);
    }
    tell(&warnings);
    Ok(summary)
}

/// How many problems are listed; all are counted.
const MOST_LISTED: usize = 100;

fn progress_bar(form: Form) -> ProgressBar {
    if form == Form::Json {
        return ProgressBar::hidden();
    }
    // indicatif draws on standard error, and only when that is a terminal.
    ProgressBar::new(0).with_style(
        ProgressStyle::with_template("{bar:40} {bytes}/{total_bytes} {eta}")
            .unwrap_or_else(|_| ProgressStyle::default_bar()),
    )
}
