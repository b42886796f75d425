//! `earlywood load`: files into a programme file, all or nothing unless told otherwise.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, bail};
use clap::{Args, ValueEnum};
use earlywood_geodata::{Context, Loadable, Loaded, read_file};
use earlywood_journal::{Act, Bulk, LoadMode, Programme};
use earlywood_model::profile::TargetProfile;
use earlywood_model::record::{Host, Land, Pathway, Place, Placement, Visit, WeatherDay, Zone};
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::{Value, json};

use crate::out::{Form, note};
use crate::{ActorArg, FileArg};

/// What a file holds.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum What {
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
    /// Traps that hang: trap, place, targets, dates.
    Traps,
    /// Stops made at traps.
    Visits,
    /// A target profile of the programme's own (TOML).
    Targets,
}

#[derive(Args)]
pub(crate) struct LoadArgs {
    #[command(flatten)]
    file: FileArg,
    /// What the source holds.
    #[arg(value_enum)]
    what: What,
    /// The file to read: CSV or GeoJSON (docs/formats.md lists the columns); TOML for targets.
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

impl Job<'_> {
    fn source_name(&self) -> String {
        self.source.file_name().map_or_else(
            || self.source.display().to_string(),
            |n| n.to_string_lossy().into_owned(),
        )
    }
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
    if args.replace && matches!(args.what, What::Traps | What::Visits | What::Targets) {
        bail!("traps, visits and targets are never replaced; what was wrong is put right by a correction");
    }
    let summary = load_one(&mut programme, args.what, &job)?;
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
    match what {
        What::Hosts => bulk::<Host>(programme, job, |p| Ok(labels(p.hosts()?, |h| h.label))),
        What::Pathways => bulk::<Pathway>(programme, job, |p| Ok(labels(p.pathways()?, |x| x.label))),
        What::Land => bulk::<Land>(programme, job, |p| Ok(labels(p.land()?, |x| x.label))),
        What::Zones => bulk::<Zone>(programme, job, |p| Ok(labels(p.zones()?, |x| x.label))),
        What::Places => bulk::<Place>(programme, job, |p| Ok(labels(p.places()?, |x| x.label))),
        // Station-days are checked by the journal: ten years of them are not worth reading twice.
        What::Weather => bulk::<WeatherDay>(programme, job, |_| Ok(HashSet::new())),
        What::Traps => entries(programme, job, |p, rows: &[Placement]| {
            p.record_placements(&job.act, rows).map(drop)
        }),
        What::Visits => entries(programme, job, |p, rows: &[Visit]| {
            p.record_visits(&job.act, rows).map(drop)
        }),
        What::Targets => target(programme, job),
    }
}

fn labels<T>(records: Vec<T>, label: impl Fn(T) -> String) -> HashSet<String> {
    records.into_iter().map(label).collect()
}

/// Kinds of which a whole file becomes one entry.
fn bulk<T: Loadable + Bulk>(
    programme: &mut Programme,
    job: &Job<'_>,
    known: impl FnOnce(&Programme) -> Result<HashSet<String>>,
) -> Result<Summary> {
    let known = if job.mode == LoadMode::Add {
        known(programme)?
    } else {
        HashSet::new()
    };
    let loaded = read_records::<T>(programme, job, &known)?;
    let (name, mode) = (job.source_name(), job.mode);
    write(programme, job, loaded, |p, rows| {
        p.load(&job.act, &name, mode, rows).map(drop)
    })
}

/// Kinds of which every row becomes an entry of its own.
fn entries<T: Loadable>(
    programme: &mut Programme,
    job: &Job<'_>,
    append: impl Fn(&mut Programme, &[T]) -> Result<(), earlywood_journal::Error>,
) -> Result<Summary> {
    let loaded = read_records::<T>(programme, job, &HashSet::new())?;
    write(programme, job, loaded, append)
}

/// Reads and checks the file; bad rows stop the load here unless the good ones are to be kept.
fn read_records<T: Loadable>(
    programme: &Programme,
    job: &Job<'_>,
    known: &HashSet<String>,
) -> Result<Loaded<T>> {
    let (zones, places) = (programme.zones()?, programme.places()?);
    let context = Context {
        existing: Some(known),
        zones: &zones,
        places: &places,
        ..Context::new(job.act.today())
    };
    let bar = progress_bar(job.form);
    let loaded = read_file::<T>(job.source, &context, &mut |done, all| {
        bar.set_length(all);
        bar.set_position(done);
    });
    bar.finish_and_clear();
    if !loaded.unknown_columns.is_empty() {
        note(&format!(
            "columns not used: {}",
            loaded.unknown_columns.join(", ")
        ));
    }
    loaded.notes.iter().for_each(|n| note(n));
    if !loaded.is_clean() {
        eprintln!("{}", loaded.listing());
        if !job.keep_good {
            bail!(
                "{}; nothing was written (--keep-good keeps the good ones)",
                loaded.summary()
            );
        }
    }
    if loaded.good.is_empty() {
        bail!(
            "{}: there is no good {} in it; nothing was written",
            job.source.display(),
            loaded.unit.word()
        );
    }
    Ok(loaded)
}

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

/// More rows refused by the journal than this, and the file is not the file that was meant.
const MOST_REFUSED: usize = 200;

/// What to do about a refusal that the file's columns can't answer.
fn advice(why: &str) -> &'static str {
    if why.starts_with("moved_to empty") {
        "; a file of visits has no columns for that: record the move with earlywood journal FILE append visit-made JSON \
         (earlywood journal FILE schema visit-made shows its fields)"
    } else {
        ""
    }
}

/// Writes the good rows in one piece. A row that the journal refuses stops the load, naming the row, unless the good
/// ones are to be kept: then it is told, left out, and the rest is tried again.
fn write<T>(
    programme: &mut Programme,
    job: &Job<'_>,
    loaded: Loaded<T>,
    append: impl Fn(&mut Programme, &[T]) -> Result<(), earlywood_journal::Error>,
) -> Result<Summary> {
    let (unit, source) = (loaded.unit.word(), job.source.display().to_string());
    let (mut good, mut rows, mut refused) = (loaded.good, loaded.rows, 0);
    loop {
        // A mere check asks the journal nothing.
        let outcome = if job.check {
            Ok(())
        } else {
            append(programme, &good)
        };
        let Err(error) = outcome else { break };
        let Some(at) = error.index().filter(|&i| i < good.len()) else {
            return Err(error).with_context(|| format!("{source}: nothing was written"));
        };
        let why = error
            .refusal()
            .map_or_else(|| error.to_string(), ToString::to_string);
        let told = format!("{source}, {unit} {}: {why}{}", rows[at], advice(&why));
        if !job.keep_good {
            bail!("{told}; nothing was written (--keep-good leaves such rows out)");
        }
        eprintln!("{told}");
        refused += 1;
        good.remove(at);
        rows.remove(at);
        if refused > MOST_REFUSED || good.is_empty() {
            bail!("{source}: {refused} rows were refused; nothing was written");
        }
    }
    Ok(Summary {
        source,
        unit,
        good: good.len(),
        left_out: loaded.bad_rows + refused,
        check: job.check,
    })
}

fn target(programme: &mut Programme, job: &Job<'_>) -> Result<Summary> {
    let source = job.source.display();
    let toml = std::fs::read_to_string(job.source).with_context(|| format!("{source} can't be read"))?;
    let profile = TargetProfile::from_toml(&toml).with_context(|| format!("{source}"))?;
    if !job.check {
        programme.adopt_target(&job.act, &toml)?;
    }
    profile.warnings().iter().for_each(|w| note(w));
    Ok(Summary {
        source: profile.id,
        unit: "profile",
        good: 1,
        left_out: 0,
        check: job.check,
    })
}
