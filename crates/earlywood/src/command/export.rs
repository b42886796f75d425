//! `earlywood export`: adopted rounds, and the map that the public may see, as files for other programs.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, bail};
use clap::{Args, ValueEnum};
use earlywood_chain::response::public::public;
use earlywood_chain::rounds::files::{Export, Which, csv, gpx, ics};
use earlywood_chain::rounds::put_lines;
use earlywood_journal::Programme;
use jiff::civil::Date;
use serde_json::json;

use crate::FileArg;
use crate::out::Form;

#[derive(Args)]
pub(crate) struct ExportArgs {
    #[command(flatten)]
    file: FileArg,
    /// The format: ics (calendar, RFC 5545), gpx (GPX 1.1) or csv (RFC 4180; a cell that a spreadsheet would take for a formula
    /// gets an apostrophe in front) of the adopted rounds; geojson (RFC 7946) of what the public may see, with --public.
    #[arg(long = "as", value_name = "FORMAT")]
    format: Format,
    /// The file to write.
    #[arg(value_name = "OUT")]
    out: PathBuf,
    /// The public map: confirmed finds alone, in cells of about 5 km2, and regulated areas in force. Only with --as geojson.
    #[arg(long)]
    public: bool,
    /// First day; today when left out. For the public map: the day it shows.
    #[arg(long, value_name = "DATE")]
    from: Option<Date>,
    /// Last day; 27 days after the first when left out.
    #[arg(long, value_name = "DATE")]
    to: Option<Date>,
    /// One crew's rounds only.
    #[arg(long, value_name = "CREW")]
    crew: Option<String>,
    /// In a calendar, an event for each stop as well.
    #[arg(long)]
    stops: bool,
    /// Time zone of the programme's times (IANA name); that of the adopted rounds, or this machine's, when left out.
    #[arg(long, value_name = "TZ")]
    time_zone: Option<String>,
    /// Write over a file that is there.
    #[arg(long)]
    force: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    Ics,
    Gpx,
    Csv,
    Geojson,
}

pub(crate) fn run(args: &ExportArgs, form: Form) -> Result<()> {
    if args.stops && args.format != Format::Ics {
        bail!("--stops is for calendars; the other formats have every stop in any case");
    }
    if args.public != (args.format == Format::Geojson) {
        bail!(
            "geojson and --public go together: rounds are exported as ics, gpx or csv, the public map as geojson"
        );
    }
    let programme = super::read(&args.file)?;
    if args.public {
        return public_map(args, &programme, form);
    }
    let zone = super::zone(&programme, args.time_zone.as_deref())?;
    let from = args
        .from
        .unwrap_or_else(|| jiff::Timestamp::now().to_zoned_datetime(zone.clone()).date());
    let to = args
        .to
        .unwrap_or_else(|| from.saturating_add(jiff::Span::new().days(27)));
    let which = Which {
        from,
        to,
        crew: args.crew.clone(),
    };
    let mut export = Export::of(&programme, &which, zone)?;
    if args.format == Format::Gpx {
        put_lines(&programme, export.rounds.iter_mut().map(|r| &mut r.round))?;
    }
    let text = match args.format {
        Format::Ics => ics(&export, args.stops)?,
        Format::Gpx => gpx(&export),
        Format::Csv => csv(&export)?,
        Format::Geojson => bail!("rounds are exported as ics, gpx or csv"),
    };
    write_whole(&args.out, &text, args.force)?;
    let stops: usize = export.rounds.iter().map(|r| r.round.stops.len()).sum();
    form.say(
        || {
            format!(
                "{} rounds with {stops} stops written to {}.",
                export.rounds.len(),
                args.out.display()
            )
        },
        || json!({"file": args.out.display().to_string(), "rounds": export.rounds.len(), "stops": stops}),
    )
}

fn public_map(args: &ExportArgs, programme: &Programme, form: Form) -> Result<()> {
    let on = args.from.unwrap_or_else(super::today);
    let map = public(programme, on)?;
    crate::chain::tell(&map.notes);
    write_whole(&args.out, &serde_json::to_string(&map.geojson())?, args.force)?;
    form.say(
        || {
            format!(
                "{} cells with confirmed finds and {} regulated areas written to {}.",
                map.cells.len(),
                map.areas.len(),
                args.out.display()
            )
        },
        || json!({"file": args.out.display().to_string(), "cells": map.cells.len(), "areas": map.areas.len()}),
    )
}

/// Writes a file as a whole or not at all: whoever reads it never sees half of it, and what was there before stays unless
/// `force` says otherwise.
pub(crate) fn write_whole(path: &Path, text: &str, force: bool) -> Result<()> {
    if !force && path.exists() {
        bail!("{} is there already; --force writes over it", path.display());
    }
    let name = path
        .file_name()
        .with_context(|| format!("{} names no file", path.display()))?;
    let mut beside = name.to_os_string();
    beside.push(format!(".{}.part", std::process::id()));
    let part = path.with_file_name(beside);
    let written = write_through(&part, text).and_then(|()| {
        if force {
            std::fs::rename(&part, path)
        } else {
            // A link refuses where a rename would replace a file that came in between.
            std::fs::hard_link(&part, path).or_else(|e| match e.kind() {
                std::io::ErrorKind::AlreadyExists => Err(e),
                _ => std::fs::rename(&part, path),
            })
        }
    });
    // After a rename there is nothing left to remove.
    let _ = std::fs::remove_file(&part);
    written.with_context(|| format!("{} can't be written", path.display()))
}

fn write_through(path: &Path, text: &str) -> std::io::Result<()> {
    use std::io::Write as _;
    let mut file = std::fs::File::create(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()
}
