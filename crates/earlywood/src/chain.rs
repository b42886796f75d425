//! The steps of the job as the command line takes them: its options, and what to do about a refusal, in its own words.

use clap::{Args, ValueEnum};
use earlywood_chain::ground::GroundOptions;
use earlywood_chain::siting::Aim;
use earlywood_chain::{ChainError, Choice, Lack};

use crate::out::note;

/// How cells are laid.
#[derive(Debug, Clone, Copy, Args)]
pub(crate) struct GroundArgs {
    /// H3 resolution of the cells, 0 to 15; left out, 10, or finer where the traps' reach is shorter than a cell's edge.
    #[arg(long, value_name = "R")]
    resolution: Option<u8>,
    /// Introduction risk far from every pathway, in the unit of the pathways' weights.
    #[arg(long, value_name = "W", default_value = "1", value_parser = crate::number::not_negative, allow_negative_numbers = true)]
    background_risk: f64,
}

impl From<GroundArgs> for GroundOptions {
    fn from(args: GroundArgs) -> Self {
        GroundOptions {
            resolution: args.resolution,
            background_risk: args.background_risk,
        }
    }
}

/// What the plan should make large.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub(crate) enum AimArg {
    /// The chance that the design incursion is seen.
    Sensitivity,
    /// The weight of the cells that have a trap within the reach.
    Cover,
}

impl From<AimArg> for Aim {
    fn from(aim: AimArg) -> Self {
        match aim {
            AimArg::Sensitivity => Aim::Sensitivity,
            AimArg::Cover => Aim::Cover,
        }
    }
}

/// Tells what is worth knowing besides the answer.
pub(crate) fn tell(notes: &[String]) {
    notes.iter().for_each(|n| note(n));
}

/// What to do about an error, where the command line knows.
pub(crate) fn hint(error: &anyhow::Error) -> Option<&'static str> {
    let error = error.chain().find_map(|e| e.downcast_ref::<ChainError>())?;
    match error.root() {
        ChainError::Lacking(Lack::Hosts) => {
            Some("load a tree inventory with: earlywood load FILE hosts TREES.csv")
        }
        ChainError::Lacking(Lack::Weather) => {
            Some("load a year or more with: earlywood load FILE weather WEATHER.csv")
        }
        ChainError::Lacking(Lack::Target) => {
            Some("name one with --target (earlywood targets lists those that ship)")
        }
        ChainError::Several {
            what: Choice::Target, ..
        } => Some("--target T names it"),
        ChainError::Several {
            what: Choice::Station,
            ..
        } => Some("--station S names it"),
        ChainError::Asked { field: "crews", .. } => Some(
            "load working days with: earlywood load FILE crews CREWS.csv, and form a crew with: earlywood people FILE crew \
             CREW --of PERSON,PERSON",
        ),
        ChainError::BadRows { .. } => Some("--keep-good keeps the good ones"),
        ChainError::Row { why, .. } if why.starts_with("moved_to empty") => Some(
            "a file of visits has no columns for that: record the move with earlywood journal FILE append visit-made JSON \
             (earlywood journal FILE schema visit-made shows its fields)",
        ),
        ChainError::Row { .. } => Some("--keep-good leaves such rows out"),
        _ => None,
    }
}
