//! Other published measures of how far a trap works. They are four different quantities: effective attraction radius,
//! attraction range, sampling range and effective sampling area; store which one a figure is.

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use crate::error::{ModelError, check};

/// A field comparison of a baited trap with an identical unbaited passive one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BaitTrial {
    /// Catch of the baited trap, insects.
    pub baited_catch: f64,
    /// Catch of the passive trap over the same time, insects.
    pub passive_catch: f64,
    /// Silhouette of the passive trap seen from the side, square metres (a cylinder: diameter times height).
    pub silhouette_m2: f64,
}

impl BaitTrial {
    /// Effective attraction radius (EAR), metres: radius of the passive sphere that would catch as much as the baited
    /// trap, `sqrt(Ca S / (pi Cb))` (Byers, Anderbrant & Löfqvist 1989, J Chem Ecol 15:749-765).
    ///
    /// # Errors
    /// A catch below 0, nothing on the passive trap, or a silhouette that is not above 0.
    pub fn effective_radius_m(&self) -> Result<f64, ModelError> {
        let ca = check(
            "baited catch",
            self.baited_catch,
            self.baited_catch >= 0.0,
            "0 or more",
        )?;
        let cb = check(
            "passive catch",
            self.passive_catch,
            self.passive_catch > 0.0,
            "above 0",
        )?;
        let s = check(
            "silhouette",
            self.silhouette_m2,
            self.silhouette_m2 > 0.0,
            "above 0 square metres",
        )?;
        Ok((ca / cb * s / PI).sqrt())
    }
}

/// The layer of air in which a species flies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FlightLayer {
    /// Standard deviation of flight height, metres, above 0.
    pub height_sd_m: f64,
}

impl FlightLayer {
    /// Effective thickness, metres: `sd * sqrt(2 pi)` (Byers 2009, J Theor Biol 256:81-89).
    pub fn thickness_m(&self) -> f64 {
        self.height_sd_m * (2.0 * PI).sqrt()
    }

    /// Circular radius (EARc), metres: the flat equivalent of a spherical effective attraction radius inside this layer,
    /// `pi EAR^2 / (2 F)` (Byers 2009, J Theor Biol 256:81-89).
    ///
    /// # Errors
    /// A spread of height that is not above 0, or a radius below 0.
    pub fn circular_radius_m(&self, effective_radius_m: f64) -> Result<f64, ModelError> {
        check(
            "spread of flight height",
            self.height_sd_m,
            self.height_sd_m > 0.0,
            "above 0 metres",
        )?;
        let r = effective_radius_m;
        check("effective attraction radius", r, r >= 0.0, "0 metres or more")?;
        Ok(PI * r * r / (2.0 * self.thickness_m()))
    }
}

/// Straight fliers crossing a circle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Encounter {
    /// Circular radius of the trap (EARc), metres.
    pub circular_radius_m: f64,
    /// Flight speed, metres a second.
    pub speed_m_per_s: f64,
    /// Insects in flight a square metre.
    pub density_per_m2: f64,
}

impl Encounter {
    /// Insects met in a second: `2 EARc v rho` (Byers 2009, J Theor Biol 256:81-89).
    pub fn per_second(&self) -> f64 {
        2.0 * self.circular_radius_m * self.speed_m_per_s * self.density_per_m2
    }
}

/// Traps evenly set on a circle round a source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrapRing {
    /// Number of traps.
    pub traps: u32,
    /// Radius of the circle, metres, above 0.
    pub ring_radius_m: f64,
    /// Effective attraction radius of each trap, metres.
    pub effective_radius_m: f64,
}

impl TrapRing {
    /// Share of straight fliers from the middle that the ring stops: the traps' widths over its length, at most 1.
    pub fn share_stopped(&self) -> f64 {
        let width_m = f64::from(self.traps) * 2.0 * self.effective_radius_m;
        (width_m / (2.0 * PI * self.ring_radius_m)).clamp(0.0, 1.0)
    }
}

/// Share of straight fliers that pass several rings, one after the other.
pub fn share_passing(rings: &[TrapRing]) -> f64 {
    rings.iter().map(|ring| 1.0 - ring.share_stopped()).product()
}

/// A ring of ground round a trap, and the share of the insects that start there which it catches.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Annulus {
    /// Inner radius, metres.
    pub inner_m: f64,
    /// Outer radius, metres.
    pub outer_m: f64,
    /// Share of those starting here that are caught (spTfer), 0 to 1.
    pub share_caught: f64,
}

/// The ground a trap draws from, and the mean share it catches of those on it (Miller, Adams, Weston & Schenker 2015,
/// "Trapping of Small Organisms Moving Randomly"; Adams et al. 2017, J Econ Entomol 110(2)).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrappingArea {
    /// Area, square metres: pi times the square of plume reach plus the longest dispersal.
    pub area_m2: f64,
    /// Mean share caught over the area (Tfer), 0 to 1.
    pub share_caught: f64,
}

impl TrappingArea {
    /// A checked trapping area.
    ///
    /// # Errors
    /// An area that is not above 0, or a share that is not above 0 and at most 1.
    pub fn new(area_m2: f64, share_caught: f64) -> Result<Self, ModelError> {
        check("trapping area", area_m2, area_m2 > 0.0, "above 0 square metres")?;
        let ok = share_caught > 0.0 && share_caught <= 1.0;
        check("share caught", share_caught, ok, "above 0, at most 1")?;
        Ok(TrappingArea {
            area_m2,
            share_caught,
        })
    }

    /// The trapping area of a trap whose catch by annulus is known: shares weighted by ground.
    ///
    /// # Errors
    /// An annulus without ground, a share outside 0 to 1, or shares that are all 0.
    pub fn from_annuli(annuli: &[Annulus]) -> Result<Self, ModelError> {
        let (mut area_m2, mut sampled_m2) = (0.0, 0.0);
        for a in annuli {
            check("inner radius", a.inner_m, a.inner_m >= 0.0, "0 metres or more")?;
            check(
                "outer radius",
                a.outer_m,
                a.outer_m > a.inner_m,
                "above the inner radius",
            )?;
            let ok = (0.0..=1.0).contains(&a.share_caught);
            check("share caught", a.share_caught, ok, "between 0 and 1")?;
            let ground_m2 = PI * (a.outer_m - a.inner_m) * (a.outer_m + a.inner_m);
            area_m2 += ground_m2;
            sampled_m2 += ground_m2 * a.share_caught;
        }
        TrappingArea::new(area_m2, sampled_m2 / area_m2)
    }

    /// Effective sampling area, square metres.
    pub fn sampling_area_m2(&self) -> f64 {
        self.area_m2 * self.share_caught
    }

    /// Insects a square metre behind a catch.
    pub fn density_per_m2(&self, catch: f64) -> f64 {
        catch / self.sampling_area_m2()
    }

    /// Highest density that a catch of nothing leaves open at a confidence between 0 and 1 (Poisson), insects a square
    /// metre.
    ///
    /// # Errors
    /// A confidence that is not between 0 and 1.
    pub fn density_not_ruled_out_per_m2(&self, confidence: f64) -> Result<f64, ModelError> {
        let ok = (0.0..1.0).contains(&confidence);
        check("confidence", confidence, ok, "0 or more, below 1")?;
        Ok(self.density_per_m2(-(-confidence).ln_1p()))
    }
}

/// Capture probability of one insect behind a known chance of catching any of `insects`.
///
/// # Errors
/// No insects, or a chance that is not 0 or more and below 1.
pub fn per_insect(chance_of_any: f64, insects: f64) -> Result<f64, ModelError> {
    check("insects", insects, insects > 0.0, "above 0")?;
    let ok = (0.0..1.0).contains(&chance_of_any);
    check("chance of catching any", chance_of_any, ok, "0 or more, below 1")?;
    Ok(-((-chance_of_any).ln_1p() / insects).exp_m1())
}

/// Effective sampling area of one trap, square metres, from a release spread evenly over ground with traps.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MassRelease {
    /// Ground, square metres.
    pub ground_m2: f64,
    /// Traps on it.
    pub traps: u32,
    /// Share of the released that all traps together caught, 0 to 1.
    pub share_caught: f64,
}

impl MassRelease {
    /// Effective sampling area of one trap, square metres; 0 where there are no traps.
    pub fn sampling_area_m2(&self) -> f64 {
        if self.traps == 0 {
            0.0
        } else {
            self.share_caught * self.ground_m2 / f64::from(self.traps)
        }
    }
}
