//! The inner loops: one trap against a run of points that lie next to each other in memory.
//!
//! They are plain loops which the compiler turns into vector code, once for each width of vector; the widest that the
//! machine has is picked when the program runs. Exponentials and logarithms are short polynomials (relative error below
//! 3e-14), because a call into the system's library would keep the loops scalar. What each cell is given, and in which
//! order, depends neither on the width nor on the number of threads; only machines without fused multiply-add round
//! differently.

use std::f64::consts::{LN_2, LOG2_E};
use std::ops::Range;

use super::index::{Index, Run};
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
/// The running products are turned into a hazard before they can fall below e^-600 or rise above e^600.
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

    /// Most by which the logarithm of a running product can change when this trap is multiplied in: it falls by at most
    /// the hazard at the peak, and rises by at most the logarithm of [`Odds::whole`].
    fn most(&self) -> f64 {
        (-(1.0 - self.capture.peak()).max(LEAST_ESCAPE).ln()).max(LN_2)
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

/// Working space of one thread, by slot of a tile: the weights of escape and capture, whose sum is whatever it is.
///
/// Starting from (1, 0), a trap with odds (captured, whole) takes (escape, caught) to `(escape (whole - captured),
/// caught whole + escape captured)`. Nothing is divided until the end, and nothing that matters is subtracted, so both
/// weights keep their digits: caught where capture is tiny, escape where it is near certain.
#[derive(Debug, Default)]
pub(super) struct Scratch {
    escape: Vec<f64>,
    caught: Vec<f64>,
    runs: Vec<Run>,
}

/// Where one row of a sparse table goes, and room to work in.
pub(super) struct Row<'a> {
    pub(super) cells: &'a mut [u32],
    pub(super) hazards: &'a mut [f64],
    pub(super) room: &'a mut Vec<f64>,
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
    /// Adds the number of points within a term's cut-off to `count`.
    count_within => count_body(index: &Index, term: &Term, count: &mut usize)
}
widest! {
    /// Fills a row, which must be as long as [`count_within`] says, with the points within a term's cut-off.
    fill_row => fill_row_body(index: &Index, term: &Term, row: Row)
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
        let whole = escape[j] + caught[j];
        hazard[j] += exposure * hazard_of::<FMA>(caught[j] / whole, escape[j] / whole);
        escape[j] = 1.0;
        caught[j] = 0.0;
    }
}

#[inline(always)]
fn add_product<const FMA: bool>(tile: &mut Tile, term: &Term, scratch: &mut Scratch) {
    match term.capture.form() {
        Form::Sech => add_product_of::<FMA, Sech>(tile, term, scratch),
        Form::Exponential => add_product_of::<FMA, Exponential>(tile, term, scratch),
        Form::HalfNormal => add_product_of::<FMA, HalfNormal>(tile, term, scratch),
        // the same all over the disc, and perhaps certain: one logarithm serves for all
        Form::Disc => add_logs::<FMA>(tile, term),
    }
}

#[inline(always)]
fn add_product_of<const FMA: bool, S: Shape>(tile: &mut Tile, term: &Term, scratch: &mut Scratch) {
    let shape = S::new(&term.capture);
    let index = tile.index;
    let base = index.strip(tile.strips.start).first_slot;
    let Scratch { escape, caught, runs } = scratch;
    index.runs(index.strips_of(term, &tile.strips), term, runs);
    for run in runs.iter() {
        let xs = &index.xs_m[run.slots.clone()];
        let local = run.slots.start - base..run.slots.end - base;
        let (escape, caught) = (&mut escape[local.clone()], &mut caught[local.clone()]);
        if let Some(y_m) = run.level_y_m {
            let dy = y_m - term.y_m;
            product_run::<FMA, S>(xs, |_| dy * dy, escape, caught, &shape, term);
        } else {
            let ys = &index.ys_m[run.slots.clone()][..xs.len()];
            let dy2 = |j: usize| {
                let dy = ys[j] - term.y_m;
                dy * dy
            };
            product_run::<FMA, S>(xs, dy2, escape, caught, &shape, term);
        }
        if term.near2_m2 >= 0.0 {
            let ys = &index.ys_m[run.slots.clone()];
            add_near::<FMA>(xs, ys, &mut tile.hazard[local], term);
        }
    }
}

#[inline(always)]
fn add_logs<const FMA: bool>(tile: &mut Tile, term: &Term) {
    let base = tile.index.strip(tile.strips.start).first_slot;
    for strip in tile.index.strips_of(term, &tile.strips) {
        if let Some(run) = tile.index.run(strip, term) {
            let (xs, ys) = (&tile.index.xs_m[run.clone()], &tile.index.ys_m[run.clone()]);
            log_run_of_form::<FMA>(xs, ys, &mut tile.hazard[run.start - base..run.end - base], term);
        }
    }
}

#[inline(always)]
fn count_body<const FMA: bool>(index: &Index, term: &Term, count: &mut usize) {
    for strip in index.strips_of(term, &(0..index.strips())) {
        if let Some(run) = index.run(strip, term) {
            let (xs, ys) = (&index.xs_m[run.clone()], &index.ys_m[run]);
            *count += xs
                .iter()
                .zip(ys)
                .map(|(&x, &y)| usize::from(term.reaches(x, y)))
                .sum::<usize>();
        }
    }
}

#[inline(always)]
fn fill_row_body<const FMA: bool>(index: &Index, term: &Term, row: Row) {
    let mut filled = 0;
    for strip in index.strips_of(term, &(0..index.strips())) {
        let Some(run) = index.run(strip, term) else {
            continue;
        };
        let (xs, ys) = (&index.xs_m[run.clone()], &index.ys_m[run.clone()]);
        row.room.clear();
        row.room.resize(run.len(), 0.0);
        log_run_of_form::<FMA>(xs, ys, row.room, term);
        for (j, slot) in run.enumerate() {
            if term.reaches(xs[j], ys[j]) && filled < row.cells.len() {
                row.cells[filled] = index.point_in(slot);
                row.hazards[filled] = row.room[j];
                filled += 1;
            }
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

/// The loop that has to be fast.
#[inline(always)]
fn product_run<const FMA: bool, S: Shape>(
    xs: &[f64],
    dy2: impl Fn(usize) -> f64,
    escape: &mut [f64],
    caught: &mut [f64],
    shape: &S,
    term: &Term,
) {
    let n = xs.len();
    let (escape, caught) = (&mut escape[..n], &mut caught[..n]);
    for j in 0..n {
        let dx = xs[j] - term.x_m;
        let Odds { captured, whole } = odds::<FMA, S>(fma::<FMA>(dx, dx, dy2(j)), shape, term);
        caught[j] = fma::<FMA>(caught[j], whole, escape[j] * captured);
        escape[j] *= whole - captured;
    }
}

#[inline(always)]
fn log_run<const FMA: bool, S: Shape>(xs: &[f64], ys: &[f64], hazard: &mut [f64], term: &Term) {
    let n = xs.len();
    let (ys, hazard) = (&ys[..n], &mut hazard[..n]);
    let shape = S::new(&term.capture);
    for j in 0..n {
        let d2 = distance2::<FMA>(xs[j] - term.x_m, ys[j] - term.y_m);
        let Odds { captured, whole } = odds::<FMA, S>(d2, &shape, term);
        let p = captured / whole;
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

/// Capture as a fraction that is not divided out: `p = captured / whole`, with whole between 1 and 2.
struct Odds {
    captured: f64,
    whole: f64,
}

#[inline(always)]
fn odds<const FMA: bool, S: Shape>(d2_m2: f64, shape: &S, term: &Term) -> Odds {
    let t = exp2::<FMA>(shape.exponent(d2_m2));
    let met = (d2_m2 > term.near2_m2) & (d2_m2 <= term.far2_m2);
    shape.odds::<FMA>(if met { t } else { 0.0 })
}

/// A form of capture as the loops compute it: t, a power of 2 whose exponent comes from the squared distance, and what is
/// made of it. Of 0 it makes no capture.
trait Shape {
    fn new(capture: &Capture) -> Self;
    fn exponent(&self, d2_m2: f64) -> f64;
    fn odds<const FMA: bool>(&self, t: f64) -> Odds;
}

struct Sech {
    /// log2(e) over the reach, times -1.
    minus_per_reach: f64,
    twice_peak: f64,
}

impl Shape for Sech {
    #[inline(always)]
    fn new(capture: &Capture) -> Self {
        Sech {
            minus_per_reach: -LOG2_E / capture.reach_m(),
            twice_peak: 2.0 * capture.peak(),
        }
    }

    #[inline(always)]
    fn exponent(&self, d2_m2: f64) -> f64 {
        d2_m2.sqrt() * self.minus_per_reach
    }

    #[inline(always)]
    fn odds<const FMA: bool>(&self, t: f64) -> Odds {
        Odds {
            captured: self.twice_peak * t,
            whole: fma::<FMA>(t, t, 1.0),
        }
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
            minus_per_reach: -LOG2_E / capture.reach_m(),
            peak: capture.peak(),
        }
    }

    #[inline(always)]
    fn exponent(&self, d2_m2: f64) -> f64 {
        d2_m2.sqrt() * self.minus_per_reach
    }

    #[inline(always)]
    fn odds<const FMA: bool>(&self, t: f64) -> Odds {
        Odds {
            captured: self.peak * t,
            whole: 1.0,
        }
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
            minus_half_per_reach2: -0.5 * LOG2_E / reach2,
            peak: capture.peak(),
        }
    }

    #[inline(always)]
    fn exponent(&self, d2_m2: f64) -> f64 {
        d2_m2 * self.minus_half_per_reach2
    }

    #[inline(always)]
    fn odds<const FMA: bool>(&self, t: f64) -> Odds {
        Odds {
            captured: self.peak * t,
            whole: 1.0,
        }
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

/// Adding this to a small number leaves that number, rounded to an integer, in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0; // 1.5 * 2^52
const MANTISSA: u64 = (1 << 52) - 1;

/// 2^r for |r| <= 1/2, highest power first: the Chebyshev series cut at the ninth power, relative error below 2e-14.
#[expect(clippy::approx_constant, reason = "near ln 2, but the best here is not ln 2")]
const EXP2_COEFFICIENTS: [f64; 10] = [
    1.020_869_083_593_037e-7,
    1.325_964_625_027_045_1e-6,
    1.525_265_725_718_604_1e-5,
    0.000_154_034_337_462_241_96,
    0.001_333_355_823_017_062_7,
    0.009_618_129_193_942_167,
    0.055_504_108_664_447_68,
    0.240_226_506_956_403,
    0.693_147_180_559_95,
    1.000_000_000_000_013_5,
];

/// (2^r - 1) / r for |r| <= 1/2, highest power first: the Taylor series, relative error below 1e-16.
const EXP2_LESS_ONE_COEFFICIENTS: [f64; 13] = {
    let mut coefficients = [0.0; 13];
    let mut term = LN_2;
    let mut k = 13;
    while k > 0 {
        coefficients[k - 1] = term;
        k -= 1;
        term *= LN_2 / (14 - k) as f64;
    }
    coefficients
};

/// `x = n + r` with n an integer, ready in the place of an exponent, and |r| <= 1/2.
#[inline(always)]
fn split(x: f64) -> (u64, f64) {
    let z = x + ROUNDER;
    (z.to_bits() << 52, x - (z - ROUNDER))
}

#[inline(always)]
fn polynomial<const FMA: bool>(coefficients: &[f64], x: f64) -> f64 {
    let mut sum = coefficients[0];
    for &c in &coefficients[1..] {
        sum = fma::<FMA>(sum, x, c);
    }
    sum
}

/// 2^x for x in -1020..=0; anything elsewhere.
#[inline(always)]
fn exp2<const FMA: bool>(x: f64) -> f64 {
    let (exponent, r) = split(x);
    f64::from_bits(
        polynomial::<FMA>(&EXP2_COEFFICIENTS, r)
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
        let (exponent, r) = split(-LOG2_E * h.min(EXPONENT_MAX));
        let less_one = r * polynomial::<FMA>(&EXP2_LESS_ONE_COEFFICIENTS, r);
        let scale = f64::from_bits(1.0_f64.to_bits().wrapping_add(exponent));
        *h = -fma::<FMA>(scale, less_one, scale - 1.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn relative(a: f64, b: f64) -> f64 {
        if a == b { 0.0 } else { ((a - b) / b).abs() }
    }

    fn exponentials<const FMA: bool>() {
        for i in 0..=1_000_000 {
            let x = -f64::from(i) / 1000.0;
            assert!(relative(exp2::<FMA>(x), x.exp2()) < 2e-14, "2^{x}");
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

    /// Every build of the loops, and the one picked for this machine, against the plain formula.
    #[test]
    fn builds_agree() {
        let grid = crate::detection::Grid {
            first: crate::detection::Point { x_m: 0.0, y_m: 0.0 },
            spacing_m: 7.0,
            cols: 61,
            rows: 43,
        };
        let index = Index::over_grid(&grid);
        for form in [Form::Sech, Form::Exponential, Form::HalfNormal, Form::Disc] {
            let terms: Vec<Term> = (0..40)
                .map(|i| {
                    let t = f64::from(i);
                    let capture = Capture::new(form, 5.0 + t, (t * 0.37).fract()).unwrap();
                    Term::new(
                        (t * 91.0) % 430.0,
                        (t * 57.0) % 300.0,
                        capture,
                        2.5,
                        capture.cutoff_m(1e-9),
                    )
                })
                .collect();
            let terms: Vec<&Term> = terms.iter().collect();
            let plain = |slot: usize| -> f64 {
                let (x, y) = (index.xs_m[slot], index.ys_m[slot]);
                let within = terms.iter().filter(|t| t.reaches(x, y));
                within
                    .map(|t| 2.5 * t.capture.hazard((x - t.x_m).hypot(y - t.y_m)))
                    .sum()
            };
            for gather in [Gather::Logs, Gather::Product { exposure: 2.5 }] {
                for build in [accumulate, accumulate_body::<true>, accumulate_body::<false>] {
                    let mut hazard = vec![0.0; index.slots()];
                    let strips = 0..index.strips();
                    let mut tile = Tile {
                        index: &index,
                        strips,
                        hazard: &mut hazard,
                    };
                    build(&mut tile, &terms, gather, &mut Scratch::default());
                    for slot in (0..index.strips()).flat_map(|s| index.strip(s).points()) {
                        let (got, want) = (hazard[slot], plain(slot));
                        assert!(relative(got, want) < 1e-12, "{form:?} {gather:?} {got} {want}");
                    }
                }
            }
        }
    }
}
