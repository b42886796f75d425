//! The ground as one target sees it: its hosts, the cells they stand in, and how likely it arrives in each.

use anyhow::{Context, Result, bail};
use earlywood_geodata::{CellOptions, Cells, Xy, cells};
use earlywood_journal::Programme;
use earlywood_model::profile::{DrawnParams, TargetProfile};
use earlywood_model::proportion::screening_from_audit;
use earlywood_model::record::{Host, Land, Pathway, Zone};

/// Mean edge of an H3 cell, metres, by resolution from 10 on (H3's own table of average edge lengths).
const EDGE_M: [(u8, f64); 4] = [(10, 75.9), (11, 28.7), (12, 10.8), (13, 4.1)];

/// What a zoneless programme calls its only zone.
pub(crate) const WHOLE: &str = "whole programme";

/// Hosts, land, zones and cells for one target.
pub(crate) struct Ground {
    pub(crate) profile: TargetProfile,
    /// The profile's parameters at their central values.
    pub(crate) params: DrawnParams,
    /// Hosts of this target only.
    pub(crate) hosts: Vec<Host>,
    pub(crate) pathways: Vec<Pathway>,
    pub(crate) land: Vec<Land>,
    pub(crate) zones: Vec<Zone>,
    /// Cells with a host in them; weight = host weight x pathway risk.
    pub(crate) cells: Cells,
    /// Cell centres in the cells' frame.
    pub(crate) xy: Vec<Xy>,
}

/// How cells are laid.
#[derive(Debug, Clone, Copy, clap::Args)]
pub(crate) struct GroundOptions {
    /// H3 resolution of the cells, 0 to 15; left out, 10, or finer where the traps' reach is shorter than a cell's edge.
    #[arg(long, value_name = "R")]
    pub(crate) resolution: Option<u8>,
    /// Introduction risk far from every pathway, in the unit of the pathways' weights.
    #[arg(long, value_name = "W", default_value = "1", value_parser = crate::number::not_negative, allow_negative_numbers = true)]
    pub(crate) background_risk: f64,
}

impl Ground {
    /// Reads the ground of a target from the programme.
    pub(crate) fn of(
        programme: &Programme,
        mut profile: TargetProfile,
        options: GroundOptions,
    ) -> Result<Ground> {
        let audit = super::audit(programme)?;
        if audit.1 > 0 {
            profile.design.screening = screening_from_audit(audit.0, audit.1)?;
        }
        let params = profile.central()?;
        let all = programme.hosts()?;
        if all.is_empty() {
            bail!("no hosts are loaded; load a tree inventory with: earlywood load FILE hosts TREES.csv");
        }
        let hosts: Vec<Host> = all
            .into_iter()
            .filter(|h| profile.host_weight(&h.species) > 0.0)
            .collect();
        if hosts.is_empty() {
            let taxa: Vec<&str> = profile.hosts.iter().map(|h| h.taxon.as_str()).collect();
            bail!(
                "none of the hosts loaded is a host of {} ({})",
                profile.common_name,
                taxa.join(", ")
            );
        }
        let (pathways, land, zones) = (programme.pathways()?, programme.land()?, programme.zones()?);
        let resolution = options
            .resolution
            .unwrap_or_else(|| resolution_for(params.capture.reach_m()));
        let wanted = CellOptions {
            resolution,
            background_risk: options.background_risk,
            drop_hostless: true,
            ..CellOptions::default()
        };
        let cells = cells::lay(&hosts, &pathways, &zones, |s| profile.host_weight(s), &wanted)
            .context("cells can't be laid")?;
        if cells.weights().iter().sum::<f64>() <= 0.0 {
            bail!("every cell has risk 0: no host stands inside a zone where the target could arrive");
        }
        let xy = cells.xy();
        Ok(Ground {
            profile,
            params,
            hosts,
            pathways,
            land,
            zones,
            cells,
            xy,
        })
    }

    /// Zone labels, one for the whole when the programme has no zones.
    pub(crate) fn zone_labels(&self) -> Vec<String> {
        if self.zones.is_empty() {
            vec![WHOLE.to_string()]
        } else {
            self.cells.zone_labels.clone()
        }
    }

    /// Each cell's share of all the risk.
    pub(crate) fn shares(&self) -> Vec<f64> {
        let weights = self.cells.weights();
        let total: f64 = weights.iter().sum();
        weights.into_iter().map(|w| w / total).collect()
    }
}

/// The coarsest resolution, from the usual 10 on (1.5 ha a cell), whose cells are no longer than the reach: with larger ones the
/// distance from a cell's centre would stand for distances on which capture differs.
fn resolution_for(reach_m: f64) -> u8 {
    EDGE_M
        .iter()
        .find(|(_, edge)| *edge <= reach_m)
        .map_or(EDGE_M[EDGE_M.len() - 1].0, |(r, _)| *r)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_no_longer_than_the_reach() {
        assert_eq!(resolution_for(500.0), 10);
        assert_eq!(resolution_for(42.0), 11);
        assert_eq!(resolution_for(12.2), 12);
        assert_eq!(resolution_for(0.5), 13);
    }
}
