//! The concave function of a cell, in the form that makes a marginal gain cheap.

/// Hazards are capped here before they enter the optimiser: `1 - exp(-30)` differs from 1 by 1e-13, and the product of
/// twenty such factors still stays far from underflow.
pub(crate) const HAZARD_CAP: f64 = 30.0;

/// A cell's state and how one trap changes it. `p` is the probability that the trap catches one flyer from the cell.
pub(crate) trait Kernel: Copy + Send + Sync + 'static {
    /// What must be known of a cell under the traps chosen so far.
    type State: Copy + Send + Sync + PartialEq + std::fmt::Debug;
    /// Work of one gain in one cell, in units of a multiplication or two.
    const WORK: u64;
    /// No trap reaches the cell.
    fn empty(&self) -> Self::State;
    /// One more trap.
    fn add(&self, state: Self::State, p: f64) -> Self::State;
    /// One trap fewer; the inverse of [`Kernel::add`] up to rounding.
    fn remove(&self, state: Self::State, p: f64) -> Self::State;
    /// `g` of the cell, in [0, 1].
    fn value(&self, state: Self::State) -> f64;
    /// `value(add(state, p)) - value(state)`, without cancellation.
    fn gain(&self, state: Self::State, p: f64) -> f64;
    /// The hazard whose sum over traps `g` is a concave function of.
    fn hazard(&self, p: f64) -> f64 {
        -(-p).ln_1p()
    }
    /// The sum of hazards behind a state.
    fn total_hazard(&self, state: Self::State) -> f64;
    /// The concave function, or one that lies on it wherever traps are whole, and a slope that keeps its tangent above it.
    fn tangent(&self, hazard: f64) -> (f64, f64);
    /// Whether a trap with this `p` changes the cell at all.
    fn reaches(&self, p: f64) -> bool {
        p > 0.0
    }
}

/// `g(H) = 1 - exp(-H)`: the chance that one flyer is caught. The state is `exp(-H)`, so a gain needs no exponential.
#[derive(Debug, Clone, Copy)]
pub(crate) struct OneFlyer;

impl Kernel for OneFlyer {
    type State = f64;
    const WORK: u64 = 1;
    fn empty(&self) -> f64 {
        1.0
    }
    #[inline]
    fn add(&self, escape: f64, p: f64) -> f64 {
        escape * (1.0 - p)
    }
    #[inline]
    fn remove(&self, escape: f64, p: f64) -> f64 {
        (escape / (1.0 - p)).min(1.0)
    }
    fn value(&self, escape: f64) -> f64 {
        1.0 - escape
    }
    fn total_hazard(&self, escape: f64) -> f64 {
        -escape.max(1e-300).ln()
    }
    fn tangent(&self, hazard: f64) -> (f64, f64) {
        (-(-hazard).exp_m1(), (-hazard).exp())
    }
    #[inline]
    fn gain(&self, escape: f64, p: f64) -> f64 {
        escape * p
    }
}

/// `g(H) = 1 - exp(-N (1 - exp(-H)))`: the chance that at least one of N (Poisson) flyers is caught.
/// The state is `(exp(-H), 1 - g)`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Flyers {
    pub(crate) flyers: f64,
}

impl Kernel for Flyers {
    type State = (f64, f64);
    const WORK: u64 = 12;
    fn empty(&self) -> (f64, f64) {
        (1.0, 1.0)
    }
    #[inline]
    fn add(&self, (escape, _): (f64, f64), p: f64) -> (f64, f64) {
        let escape = escape * (1.0 - p);
        (escape, (-self.flyers * (1.0 - escape)).exp())
    }
    #[inline]
    fn remove(&self, (escape, _): (f64, f64), p: f64) -> (f64, f64) {
        let escape = (escape / (1.0 - p)).min(1.0);
        (escape, (-self.flyers * (1.0 - escape)).exp())
    }
    fn value(&self, (_, unseen): (f64, f64)) -> f64 {
        1.0 - unseen
    }
    fn total_hazard(&self, (escape, _): (f64, f64)) -> f64 {
        -escape.max(1e-300).ln()
    }
    fn tangent(&self, hazard: f64) -> (f64, f64) {
        let unseen = (self.flyers * (-hazard).exp_m1()).exp();
        (1.0 - unseen, unseen * self.flyers * (-hazard).exp())
    }
    #[inline]
    fn gain(&self, (escape, unseen): (f64, f64), p: f64) -> f64 {
        unseen * -(-self.flyers * escape * p).exp_m1()
    }
}

/// Covered by at least one trap or not (Church and ReVelle 1974). The state counts the traps that cover the cell.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cover;

impl Kernel for Cover {
    type State = u32;
    const WORK: u64 = 1;
    fn empty(&self) -> u32 {
        0
    }
    #[inline]
    fn add(&self, covering: u32, _p: f64) -> u32 {
        covering + 1
    }
    #[inline]
    fn remove(&self, covering: u32, _p: f64) -> u32 {
        covering.saturating_sub(1)
    }
    fn value(&self, covering: u32) -> f64 {
        f64::from(u32::from(covering > 0))
    }
    fn hazard(&self, _p: f64) -> f64 {
        1.0
    }
    fn total_hazard(&self, covering: u32) -> f64 {
        f64::from(covering)
    }
    fn tangent(&self, hazard: f64) -> (f64, f64) {
        if hazard < 1.0 { (hazard, 1.0) } else { (1.0, 0.0) }
    }
    #[inline]
    fn gain(&self, covering: u32, _p: f64) -> f64 {
        f64::from(u32::from(covering == 0))
    }
}
