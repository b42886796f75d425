//! `earlywood init`: a new programme file.

use anyhow::Result;
use clap::Args;
use earlywood_journal::Programme;
use serde_json::json;

use crate::out::Form;
use crate::{ActorArg, FileArg};

#[derive(Args)]
pub(crate) struct InitArgs {
    #[command(flatten)]
    file: FileArg,
    /// Name of the programme; the file's name when left out.
    #[arg(long)]
    name: Option<String>,
    #[command(flatten)]
    actor: ActorArg,
}

pub(crate) fn run(args: InitArgs, form: Form) -> Result<()> {
    let path = &args.file.file;
    let stem = path
        .file_stem()
        .map_or_else(|| "programme".into(), |s| s.to_string_lossy().into_owned());
    let name = args.name.unwrap_or(stem);
    Programme::create(path, &name, &super::act(&args.actor)?)?;
    form.say(
        || {
            format!(
                "{} is a new programme file, \"{name}\".\nNext: earlywood load {} hosts TREES.csv (then zones, land, pathways, weather)",
                path.display(),
                path.display()
            )
        },
        || json!({"file": path, "name": name}),
    )
}
