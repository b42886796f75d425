//! The inner loops: one trap against a run of points that lie next to each other in memory.
//!
//! They are plain loops which the compiler turns into vector code, once for each width of vector; the widest that the
//! machine has is picked when the program runs. Exponentials and logarithms are short polynomials (relative error below
//! 1e-14), because a call into the system's library would keep the loops scalar. What each cell is given, and in which
//! order, depends neither on the width nor on the number of threads; only machines without fused multiply-add round
//! differently.

use std::f64::consts::{LN_2, LOG2_E};
use std::ops::Range;

use super::index::Index;
use crate::capture::{Capture, Form};

/// Points are worked off in groups of this many; every strip of the index ends in as many empty slots.
pub(super) const LANES: usize = 8;

/// Beyond this exponent capture (below 1e-304) counts as 0.
const EXPONENT_MAX: f64 = 700.0;
/// Above this peak, near points go through the scalar formula: there `1 - p` must not be formed by subtraction.
const HIGH_PEAK: f64 = 0.9;
/// How near, in reaches. From this distance on every form's escape is above [`LEAST_ESCAPE`].
const NEAR_REACHES: f64 = 0.1;
const LEAST_ESCAPE: f64 = 0.004;
/// The running product of escapes is turned into a hazard before it can fall below e^-600.
const PRODUCT_BUDGET: f64 = 600.0;

/// A trap, ready for the loops.
#[derive(Debug, Clone, Copy)]
pub(super) struct Term {
    pub(super) x_m: f64,
    pub(super) y_m: f64,
    pub(super) far_m: f64,
    exposure: f64,
    capture: Capture,
    /// Squared distance up to which the scalar formula serves; below 0 for nowhere.
    near2_m2: f64,
    far2_m2: f64,
}

impl Term {
    pub(super) fn new(x_m: f64, y_m: f64, capture: Capture, exposure: f64, cutoff_m: f64) -> Self {
        let reach_m = capture.reach_m();
        let limit_m = match capture.form() {
            Form::Sech | Form::Exponential => EXPONENT_MAX * reach_m,
            Form::HalfNormal => (2.0 * EXPONENT_MAX).sqrt() * reach_m,
            Form::Disc => reach_m,
        };
        let far_m = cutoff_m.min(limit_m);
        let near_m = NEAR_REACHES * reach_m;
        let scalar_near = capture.form() != Form::Disc && capture.peak() > HIGH_PEAK;
        Term {
            x_m,
            y_m,
            far_m,
            exposure,
            capture,
            near2_m2: if scalar_near { near_m * near_m } else { -1.0 },
            far2_m2: far_m * far_m,
        }
    }

    pub(super) fn reaches(&self, x_m: f64, y_m: f64) -> bool {
        distance2::<false>(x_m - self.x_m, y_m - self.y_m) <= self.far2_m2
    }

    /// Most by which the logarithm of a running product can fall when this trap is multiplied in.
    fn most(&self) -> f64 {
        -(1.0 - self.capture.peak()).max(LEAST_ESCAPE).ln()
    }
}

/// How the contributions of several traps are gathered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Gather {
    /// Every trap has this exposure: multiply escapes, take one logarithm at the end.
    Product { exposure: f64 },
    /// Exposures differ: one logarithm for every pair.
    Logs,
}

/// A run of neighbouring strips, and the hazards of its slots.
pub(super) struct Tile<'a> {
    pub(super) index: &'a Index,
    pub(super) strips: Range<usize>,
    /// By slot, from the first slot of the first strip.
    pub(super) hazard: &'a mut [f64],
}

/// Working space of one thread, by slot of a tile.
#[derive(Debug, Default)]
pub(super) struct Scratch {
    /// Product of escapes.
    escape: Vec<f64>,
    /// One minus that product, gathered without subtracting: precise where it is small.
    caught: Vec<f64>,
}

/// A term's hazards over the points near it, run after run.
#[derive(Debug, Default)]
pub(super) struct Runs {
    pub(super) slots: Vec<Range<usize>>,
    pub(super) hazard: Vec<f64>,
}

/// Calls the widest build of `$body` that this machine can run.
macro_rules! widest {
    ($(#[$doc:meta])* $name:ident => $body:ident($($arg:ident: $ty:ty),*)) => {
        $(#[$doc])*
        #[allow(unsafe_code)]
        pub(super) fn $name($($arg: $ty),*) {
            #[cfg(target_arch = "x86_64")]
            {
                #[target_feature(enable = "avx512f,avx512dq,avx512vl,avx2,fma")]
                fn with_avx512($($arg: $ty),*) {
                    $body::<true>($($arg),*);
                }
                #[target_feature(enable = "avx2,fma")]
                fn with_avx2($($arg: $ty),*) {
                    $body::<true>($($arg),*);
                }
                let fma = is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma");
                let wide = is_x86_feature_detected!("avx512f")
                    && is_x86_feature_detected!("avx512dq")
                    && is_x86_feature_detected!("avx512vl");
                if fma && wide {
                    // SAFETY: the only condition on the call is that the machine has the features named in the
                    // function's attribute, and all of them were asked for just above. The function is otherwise safe.
                    return unsafe { with_avx512($($arg),*) };
                }
                if fma {
                    // SAFETY: as above.
                    return unsafe { with_avx2($($arg),*) };
                }
            }
            $body::<{ cfg!(target_arch = "aarch64") }>($($arg),*);
        }
    };
}

widest! {
    /// Adds the hazards of `terms`, in their order, to every slot of a tile.
    accumulate => accumulate_body(tile: &mut Tile, terms: &[&Term], gather: Gather, scratch: &mut Scratch)
}
widest! {
    /// Fills `runs` with the hazards of one term.
    runs_of => runs_body(index: &Index, term: &Term, runs: &mut Runs)
}
widest! {
    /// Replaces every hazard by its probability `1 - exp(-h)`.
    to_probabilities => to_probabilities_body(hazards: &mut [f64])
}

#[inline(always)]
fn accumulate_body<const FMA: bool>(tile: &mut Tile, terms: &[&Term], gather: Gather, scratch: &mut Scratch) {
    match gather {
        Gather::Logs => {
            for term in terms {
                add_logs::<FMA>(tile, term);
            }
        }
        Gather::Product { exposure } => {
            let n = tile.hazard.len();
            scratch.escape.clear();
            scratch.escape.resize(n, 1.0);
            scratch.caught.clear();
            scratch.caught.resize(n, 0.0);
            let mut spent = 0.0;
            for term in terms {
                if spent + term.most() > PRODUCT_BUDGET {
                    flush::<FMA>(scratch, exposure, tile.hazard);
                    spent = 0.0;
                }
                spent += term.most();
                add_product::<FMA>(tile, term, scratch);
            }
            flush::<FMA>(scratch, exposure, tile.hazard);
        }
    }
}

/// Turns the products into hazards and starts them anew.
#[inline(always)]
fn flush<const FMA: bool>(scratch: &mut Scratch, exposure: f64, hazard: &mut [f64]) {
    let n = hazard.len();
    let (escape, caught) = (&mut scratch.escape[..n], &mut scratch.caught[..n]);
    for j in 0..n {
        hazard[j] += exposure * hazard_of::<FMA>(caught[j], escape[j]);
        escape[j] = 1.0;
        caught[j] = 0.0;
    }
}

#[inline(always)]
fn add_product<const FMA: bool>(tile: &mut Tile, term: &Term, scratch: &mut Scratch) {
    let base = tile.index.strip(tile.strips.start).first_slot;
    for strip in tile.strips.clone() {
        let Some(run) = tile.index.run(strip, term) else {
            continue;
        };
        let (xs, ys) = (&tile.index.xs_m[run.clone()], &tile.index.ys_m[run.clone()]);
        let local = run.start - base..run.end - base;
        if term.capture.form() == Form::Disc {
            add_disc::<FMA>(xs, ys, &mut tile.hazard[local], term);
            continue;
        }
        let (escape, caught) = (
            &mut scratch.escape[local.clone()],
            &mut scratch.caught[local.clone()],
        );
        match term.capture.form() {
            Form::Sech => product_run::<FMA, Sech>(xs, ys, escape, caught, term),
            Form::Exponential => product_run::<FMA, Exponential>(xs, ys, escape, caught, term),
            _ => product_run::<FMA, HalfNormal>(xs, ys, escape, caught, term),
        }
        add_near::<FMA>(xs, ys, &mut tile.hazard[local], term);
    }
}

#[inline(always)]
fn add_logs<const FMA: bool>(tile: &mut Tile, term: &Term) {
    let base = tile.index.strip(tile.strips.start).first_slot;
    for strip in tile.strips.clone() {
        if let Some(run) = tile.index.run(strip, term) {
            let (xs, ys) = (&tile.index.xs_m[run.clone()], &tile.index.ys_m[run.clone()]);
            log_run_of_form::<FMA>(xs, ys, &mut tile.hazard[run.start - base..run.end - base], term);
        }
    }
}

#[inline(always)]
fn runs_body<const FMA: bool>(index: &Index, term: &Term, runs: &mut Runs) {
    runs.slots.clear();
    runs.hazard.clear();
    for strip in index.strips_of(term) {
        if let Some(run) = index.run(strip, term) {
            let start = runs.hazard.len();
            runs.hazard.resize(start + run.len(), 0.0);
            let (xs, ys) = (&index.xs_m[run.clone()], &index.ys_m[run.clone()]);
            log_run_of_form::<FMA>(xs, ys, &mut runs.hazard[start..], term);
            runs.slots.push(run);
        }
    }
}

#[inline(always)]
fn log_run_of_form<const FMA: bool>(xs: &[f64], ys: &[f64], hazard: &mut [f64], term: &Term) {
    match term.capture.form() {
        Form::Sech => log_run::<FMA, Sech>(xs, ys, hazard, term),
        Form::Exponential => log_run::<FMA, Exponential>(xs, ys, hazard, term),
        Form::HalfNormal => log_run::<FMA, HalfNormal>(xs, ys, hazard, term),
        Form::Disc => return add_disc::<FMA>(xs, ys, hazard, term),
    }
    add_near::<FMA>(xs, ys, hazard, term);
}

/// The loop that has to be fast. `caught + escape = 1` always; both are kept, since each is precise where it is small.
#[inline(always)]
fn product_run<const FMA: bool, S: Shape>(
    xs: &[f64],
    ys: &[f64],
    escape: &mut [f64],
    caught: &mut [f64],
    term: &Term,
) {
    let n = xs.len();
    let (ys, escape, caught) = (&ys[..n], &mut escape[..n], &mut caught[..n]);
    let shape = S::new(&term.capture);
    for j in 0..n {
        let p = masked_capture::<FMA, S>(xs[j], ys[j], &shape, term);
        caught[j] = fma::<FMA>(p, escape[j], caught[j]);
        escape[j] = fma::<FMA>(-p, escape[j], escape[j]);
    }
}

#[inline(always)]
fn log_run<const FMA: bool, S: Shape>(xs: &[f64], ys: &[f64], hazard: &mut [f64], term: &Term) {
    let n = xs.len();
    let (ys, hazard) = (&ys[..n], &mut hazard[..n]);
    let shape = S::new(&term.capture);
    for j in 0..n {
        let p = masked_capture::<FMA, S>(xs[j], ys[j], &shape, term);
        hazard[j] = fma::<FMA>(term.exposure, hazard_of::<FMA>(p, 1.0 - p), hazard[j]);
    }
}

/// A disc's hazard is the same all over it, and may be that of certain capture.
#[inline(always)]
fn add_disc<const FMA: bool>(xs: &[f64], ys: &[f64], hazard: &mut [f64], term: &Term) {
    let n = xs.len();
    let (ys, hazard) = (&ys[..n], &mut hazard[..n]);
    let inside = term.exposure * term.capture.hazard(0.0);
    for j in 0..n {
        let d2 = distance2::<FMA>(xs[j] - term.x_m, ys[j] - term.y_m);
        hazard[j] += if d2 <= term.far2_m2 { inside } else { 0.0 };
    }
}

/// The near points of a trap with a high peak, which the vector loops leave out.
#[inline(always)]
fn add_near<const FMA: bool>(xs: &[f64], ys: &[f64], hazard: &mut [f64], term: &Term) {
    if term.near2_m2 < 0.0 {
        return;
    }
    for ((x, y), h) in xs.iter().zip(ys).zip(hazard) {
        let d2 = distance2::<FMA>(x - term.x_m, y - term.y_m);
        if d2 <= term.near2_m2 && d2 <= term.far2_m2 {
            *h += term.exposure * term.capture.hazard(d2.sqrt());
        }
    }
}

#[inline(always)]
fn masked_capture<const FMA: bool, S: Shape>(x_m: f64, y_m: f64, shape: &S, term: &Term) -> f64 {
    let d2 = distance2::<FMA>(x_m - term.x_m, y_m - term.y_m);
    let p = shape.capture::<FMA>(d2);
    if (d2 > term.near2_m2) & (d2 <= term.far2_m2) {
        p
    } else {
        0.0
    }
}

/// A form of capture as the loops compute it, from the squared distance.
trait Shape {
    fn new(capture: &Capture) -> Self;
    fn capture<const FMA: bool>(&self, d2_m2: f64) -> f64;
}

struct Sech {
    minus_per_reach: f64,
    twice_peak: f64,
}

impl Shape for Sech {
    #[inline(always)]
    fn new(capture: &Capture) -> Self {
        Sech {
            minus_per_reach: -1.0 / capture.reach_m(),
            twice_peak: 2.0 * capture.peak(),
        }
    }

    #[inline(always)]
    fn capture<const FMA: bool>(&self, d2_m2: f64) -> f64 {
        let t = exp::<FMA>(d2_m2.sqrt() * self.minus_per_reach);
        self.twice_peak * t / fma::<FMA>(t, t, 1.0)
    }
}

struct Exponential {
    minus_per_reach: f64,
    peak: f64,
}

impl Shape for Exponential {
    #[inline(always)]
    fn new(capture: &Capture) -> Self {
        Exponential {
            minus_per_reach: -1.0 / capture.reach_m(),
            peak: capture.peak(),
        }
    }

    #[inline(always)]
    fn capture<const FMA: bool>(&self, d2_m2: f64) -> f64 {
        self.peak * exp::<FMA>(d2_m2.sqrt() * self.minus_per_reach)
    }
}

struct HalfNormal {
    minus_half_per_reach2: f64,
    peak: f64,
}

impl Shape for HalfNormal {
    #[inline(always)]
    fn new(capture: &Capture) -> Self {
        let reach2 = capture.reach_m() * capture.reach_m();
        HalfNormal {
            minus_half_per_reach2: -0.5 / reach2,
            peak: capture.peak(),
        }
    }

    #[inline(always)]
    fn capture<const FMA: bool>(&self, d2_m2: f64) -> f64 {
        self.peak * exp::<FMA>(d2_m2 * self.minus_half_per_reach2)
    }
}

/// `a * b + c`, fused where the machine can: elsewhere a fused one would be a slow call.
#[inline(always)]
fn fma<const FMA: bool>(a: f64, b: f64, c: f64) -> f64 {
    if FMA { a.mul_add(b, c) } else { a * b + c }
}

#[inline(always)]
fn distance2<const FMA: bool>(dx: f64, dy: f64) -> f64 {
    fma::<FMA>(dx, dx, dy * dy)
}

/// ln 2 in two parts; the first has trailing zeros, so that its product with an exponent is exact.
const LN_2_HIGH: f64 = 6.931_471_803_691_238e-1;
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// Adding this to a small number leaves that number, rounded to an integer, in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0; // 1.5 * 2^52
const MANTISSA: u64 = (1 << 52) - 1;

/// 1/11! ... 1/0!: with |r| <= ln(2)/2 the first term left out is below 7e-15.
const EXP_COEFFICIENTS: [f64; 12] = [
    1.0 / 39_916_800.0,
    1.0 / 3_628_800.0,
    1.0 / 362_880.0,
    1.0 / 40_320.0,
    1.0 / 5_040.0,
    1.0 / 720.0,
    1.0 / 120.0,
    1.0 / 24.0,
    1.0 / 6.0,
    0.5,
    1.0,
    1.0,
];

/// `x = n ln 2 + r`; n comes with its bits ready to be shifted into an exponent.
#[inline(always)]
fn split<const FMA: bool>(x: f64) -> (u64, f64) {
    let z = fma::<FMA>(x, LOG2_E, ROUNDER);
    let n = z - ROUNDER;
    let r = fma::<FMA>(n, -LN_2_HIGH, x);
    (z.to_bits() << 52, fma::<FMA>(n, -LN_2_LOW, r))
}

#[inline(always)]
fn polynomial<const FMA: bool>(coefficients: &[f64], x: f64) -> f64 {
    let mut sum = coefficients[0];
    for &c in &coefficients[1..] {
        sum = fma::<FMA>(sum, x, c);
    }
    sum
}

/// e^x for x in -700..=0; anything elsewhere.
#[inline(always)]
fn exp<const FMA: bool>(x: f64) -> f64 {
    let (exponent, r) = split::<FMA>(x);
    f64::from_bits(
        polynomial::<FMA>(&EXP_COEFFICIENTS, r)
            .to_bits()
            .wrapping_add(exponent),
    )
}

/// 1/21, 1/19, ... 1/3, of the series of the inverse hyperbolic tangent.
const ATANH_COEFFICIENTS: [f64; 10] = [
    1.0 / 21.0,
    1.0 / 19.0,
    1.0 / 17.0,
    1.0 / 15.0,
    1.0 / 13.0,
    1.0 / 11.0,
    1.0 / 9.0,
    1.0 / 7.0,
    1.0 / 5.0,
    1.0 / 3.0,
];

/// `-ln(escape)`, where `escape = 1 - caught`; takes the digits from `caught` when that is small.
#[inline(always)]
fn hazard_of<const FMA: bool>(caught: f64, escape: f64) -> f64 {
    const ROOT_HALF_BITS: u64 = 0x3fe6_a09e_667f_3bcd;
    const ONE_BITS: u64 = 0x3ff0_0000_0000_0000;
    const TWO_52_BITS: u64 = 0x4330_0000_0000_0000;
    const TWO_52_AND_BIAS: f64 = 4_503_599_627_370_496.0 + 1023.0;
    // escape = 2^k m with m between the roots of 1/2 and 2
    let bits = escape.to_bits().wrapping_add(ONE_BITS - ROOT_HALF_BITS);
    let m = f64::from_bits((bits & MANTISSA) + ROOT_HALF_BITS);
    let k = f64::from_bits((bits >> 52) | TWO_52_BITS) - TWO_52_AND_BIAS;
    let f = if k == 0.0 { -caught } else { m - 1.0 };
    let s = f / (2.0 + f);
    let s2 = s * s;
    let series = polynomial::<FMA>(&ATANH_COEFFICIENTS, s2) * s2;
    let ln_m = 2.0 * fma::<FMA>(s, series, s);
    -fma::<FMA>(k, LN_2, ln_m)
}

#[inline(always)]
fn to_probabilities_body<const FMA: bool>(hazards: &mut [f64]) {
    for h in hazards {
        let (exponent, r) = split::<FMA>(-h.min(EXPONENT_MAX));
        // e^r - 1 = r (1 + r/2 + ...): the coefficients of e^r, moved down by one
        let less_one = r * polynomial::<FMA>(&EXP_LESS_ONE_COEFFICIENTS, r);
        let scale = f64::from_bits(1.0_f64.to_bits().wrapping_add(exponent));
        *h = -fma::<FMA>(scale, less_one, scale - 1.0);
    }
}

/// 1/12! ... 1/1!.
const EXP_LESS_ONE_COEFFICIENTS: [f64; 12] = [
    1.0 / 479_001_600.0,
    1.0 / 39_916_800.0,
    1.0 / 3_628_800.0,
    1.0 / 362_880.0,
    1.0 / 40_320.0,
    1.0 / 5_040.0,
    1.0 / 720.0,
    1.0 / 120.0,
    1.0 / 24.0,
    1.0 / 6.0,
    0.5,
    1.0,
];

#[cfg(test)]
mod tests {
    use super::*;

    fn relative(a: f64, b: f64) -> f64 {
        if a == b { 0.0 } else { ((a - b) / b).abs() }
    }

    fn exponentials<const FMA: bool>() {
        for i in 0..=700_000 {
            let x = -f64::from(i) / 1000.0;
            assert!(relative(exp::<FMA>(x), x.exp()) < 2e-14, "exp({x})");
            let mut p = [-x, -x * 1e-9];
            let expected = p.map(|h| -(-h).exp_m1());
            to_probabilities_body::<FMA>(&mut p);
            assert!(
                relative(p[0], expected[0]) < 1e-14 && relative(p[1], expected[1]) < 1e-14,
                "h {x}"
            );
        }
    }

    fn logarithms<const FMA: bool>() {
        for i in 0..=1_000_000 {
            let p = f64::from(i) / 1_000_001.0;
            for p in [p, p * 1e-8, p * 1e-200] {
                let got = hazard_of::<FMA>(p, 1.0 - p);
                assert!(relative(got, -(-p).ln_1p()) < 2e-15, "p {p}: {got}");
            }
            let escape = 10f64.powf(-300.0 * p);
            assert!((hazard_of::<FMA>(1.0 - escape, escape) + escape.ln()).abs() < 1e-12);
        }
        assert_eq!(hazard_of::<FMA>(0.0, 1.0), 0.0);
        assert!(hazard_of::<FMA>(1.0, 0.0) > 700.0 && hazard_of::<FMA>(1.0, 0.0).is_finite());
    }

    #[test]
    fn polynomials_agree_with_the_library() {
        exponentials::<true>();
        exponentials::<false>();
        logarithms::<true>();
        logarithms::<false>();
    }

    #[test]
    fn far_apart_reads_as_nothing() {
        let capture = Capture::new(Form::Sech, 1.0, 1.0).unwrap();
        let term = Term::new(0.0, 0.0, capture, 1.0, f64::INFINITY);
        for x in [701.0, 1e5, 1e150, f64::MAX, f64::INFINITY] {
            let mut h = [0.0];
            log_run::<true, Sech>(&[x], &[0.0], &mut h, &term);
            assert_eq!(h[0], 0.0, "{x}");
        }
    }
}
