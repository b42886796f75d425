//! `earlywood targets`: what ships, and what each figure rests on.

use anyhow::Result;
use clap::Args;
use earlywood_model::profile::{self, TargetProfile};
use serde_json::json;

use crate::out::{Form, table};

#[derive(Args)]
pub(crate) struct TargetsArgs {
    /// Show one target's parameters with their sources; all ids are listed when left out.
    id: Option<String>,
    /// Print the profile as TOML, to edit and load into a programme as its own.
    #[arg(long, requires = "id")]
    toml: bool,
}

pub(crate) fn run(args: TargetsArgs, form: Form) -> Result<()> {
    let Some(id) = &args.id else { return list(form) };
    let profile = profile::by_id(id)?;
    if args.toml {
        return crate::out::line(&profile.to_toml()?);
    }
    form.say(
        || words(profile),
        || json!({"profile": profile, "warnings": profile.warnings()}),
    )
}

fn list(form: Form) -> Result<()> {
    let all = profile::shipped();
    form.say(
        || {
            let rows: Vec<Vec<String>> = all
                .iter()
                .map(|p| {
                    vec![p.id.clone(), p.common_name.clone(), p.scientific_name.clone(), p.warnings().len().to_string()]
                })
                .collect();
            table(&["target", "common name", "scientific name", "figures to check"], &rows)
        },
        || json!({"targets": all.iter().map(|p| json!({"id": p.id, "common_name": p.common_name, "scientific_name": p.scientific_name, "warnings": p.warnings()})).collect::<Vec<_>>()}),
    )
}

fn words(profile: &TargetProfile) -> String {
    let rows: Vec<Vec<String>> = profile
        .parameters()
        .into_iter()
        .map(|(name, p)| {
            vec![
                name.to_string(),
                format!("{} {}", p.dist, p.unit),
                p.mark.words().to_string(),
                p.source.clone(),
            ]
        })
        .collect();
    format!(
        "{} ({})\n{}\n\n{}",
        profile.common_name,
        profile.scientific_name,
        profile.caution,
        table(&["parameter", "value", "how known", "source"], &rows)
    )
}
