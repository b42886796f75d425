//! The ground as one target sees it: its hosts, the cells they stand in, and how likely it arrives in each.

use earlywood_geodata::{CellOptions, Cells, Xy, cells};
use earlywood_journal::Programme;
use earlywood_model::profile::{DrawnParams, TargetProfile};
use earlywood_model::proportion::screening_from_audit;
use earlywood_model::record::{Host, Land, Pathway, Zone};

use crate::error::{ChainError, Lack, While as _};

/// Mean edge of an H3 cell, metres, by resolution from 10 on (H3's own table of average edge lengths).
const EDGE_M: [(u8, f64); 4] = [(10, 75.9), (11, 28.7), (12, 10.8), (13, 4.1)];

/// What a zoneless programme calls its only zone.
pub const WHOLE: &str = "whole programme";

/// Hosts, land, zones and cells for one target.
#[derive(Debug)]
pub struct Ground {
    /// The target.
    pub profile: TargetProfile,
    /// The profile's parameters at their central values.
    pub params: DrawnParams,
    /// Hosts of this target only.
    pub hosts: Vec<Host>,
    /// Places through which it may arrive.
    pub pathways: Vec<Pathway>,
    /// Land that may, or may not, be used.
    pub land: Vec<Land>,
    /// Areas that are reported on.
    pub zones: Vec<Zone>,
    /// Cells with a host in them; weight = host weight x pathway risk.
    pub cells: Cells,
    /// Cell centres in the cells' frame.
    pub xy: Vec<Xy>,
}

/// How cells are laid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroundOptions {
    /// H3 resolution of the cells, 0 to 15; left out, 10, or finer where the traps' reach is shorter than a cell's edge.
    pub resolution: Option<u8>,
    /// Introduction risk far from every pathway, in the unit of the pathways' weights.
    pub background_risk: f64,
}

impl Default for GroundOptions {
    fn default() -> Self {
        GroundOptions {
            resolution: None,
            background_risk: 1.0,
        }
    }
}

impl Ground {
    /// Reads the ground of a target from the programme.
    ///
    /// # Errors
    /// No hosts of the target, cells that can't be laid, or no cell where it could arrive.
    pub fn of(
        programme: &Programme,
        mut profile: TargetProfile,
        options: GroundOptions,
    ) -> Result<Ground, ChainError> {
        let audit = super::audit(programme)?;
        if audit.1 > 0 {
            profile.design.screening = screening_from_audit(audit.0, audit.1)?;
        }
        let params = profile.central()?;
        let all = programme.hosts()?;
        if all.is_empty() {
            return Err(Lack::Hosts.into());
        }
        let hosts: Vec<Host> = all
            .into_iter()
            .filter(|h| profile.host_weight(&h.species) > 0.0)
            .collect();
        if hosts.is_empty() {
            let taxa: Vec<&str> = profile.hosts.iter().map(|h| h.taxon.as_str()).collect();
            return Err(Lack::HostsOf {
                target: profile.common_name.clone(),
                taxa: taxa.join(", "),
            }
            .into());
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
            .while_doing(|| "cells can't be laid".into())?;
        if cells.weights().iter().sum::<f64>() <= 0.0 {
            return Err(Lack::Risk.into());
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
    pub fn zone_labels(&self) -> Vec<String> {
        if self.zones.is_empty() {
            vec![WHOLE.to_string()]
        } else {
            self.cells.zone_labels.clone()
        }
    }

    /// Each cell's share of all the risk.
    pub fn shares(&self) -> Vec<f64> {
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
