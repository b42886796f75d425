//! The two exponentials of the inner loop, written so that the compiler can vectorise them.

const LOG2_E: f64 = std::f64::consts::LOG2_E;
/// High and low part of ln 2 (fdlibm): `k × LN2_HIGH` is exact for every `k` used here.
const LN2_HIGH: f64 = 6.931_471_803_691_238e-1;
const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// Adding 1.5 × 2^52 rounds to a whole number and leaves it in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// `exp(-700)` is about 1e-304: beyond it nothing changes any result.
const FAR: f64 = 700.0;

/// `(2^k, exp(r) - 1)` with `exp(-x) = 2^k exp(r)` and `|r| <= ln2 / 2`, for `x >= 0`.
#[inline(always)]
fn parts(x: f64) -> (f64, f64) {
    let y = -x.min(FAR);
    let shifted = y * LOG2_E + ROUNDER;
    let k = shifted - ROUNDER;
    let r = (y - k * LN2_HIGH) - k * LN2_LOW;
    let scale = f64::from_bits(shifted.to_bits().wrapping_add(1023) << 52);
    (scale, exp_m1_near(r))
}

/// `exp(r) - 1` for `|r| <= ln2 / 2`: Taylor to `r^9`, off by less than 7e-12 relative.
#[inline(always)]
fn exp_m1_near(r: f64) -> f64 {
    let mut p = 1.0 / 362_880.0;
    p = p * r + 1.0 / 40_320.0;
    p = p * r + 1.0 / 5_040.0;
    p = p * r + 1.0 / 720.0;
    p = p * r + 1.0 / 120.0;
    p = p * r + 1.0 / 24.0;
    p = p * r + 1.0 / 6.0;
    p = p * r + 0.5;
    p = p * r + 1.0;
    p * r
}

/// `exp(-x)` for `x >= 0`, to 1e-11 relative; not less than `exp(-700)`.
#[inline(always)]
pub(super) fn exp_neg(x: f64) -> f64 {
    let (scale, q) = parts(x);
    scale + scale * q
}

/// `1 - exp(-x)` for `x >= 0`, to 1e-11 relative, however small `x`.
#[inline(always)]
pub(super) fn one_minus_exp_neg(x: f64) -> f64 {
    let (scale, q) = parts(x);
    (1.0 - scale) - scale * q
}

/// Up to this no scaling by powers of two is needed.
pub(super) const MIDDLING: f64 = 0.34;

/// `1 - exp(-x)` for `0 <= x <= MIDDLING`, to 1e-11 relative.
#[inline(always)]
pub(super) fn one_minus_exp_neg_middling(x: f64) -> f64 {
    -exp_m1_near(-x)
}

/// Below this the short series serve.
pub(super) const SMALL: f64 = 0.03;

/// `1 - exp(-x)` for `0 <= x <= SMALL`: Taylor to `x^6`, off by less than 1e-12 relative.
#[inline(always)]
pub(super) fn one_minus_exp_neg_small(x: f64) -> f64 {
    let p = -1.0 / 720.0;
    let p = 1.0 / 120.0 + x * p;
    let p = -1.0 / 24.0 + x * p;
    let p = 1.0 / 6.0 + x * p;
    let p = -0.5 + x * p;
    (1.0 + x * p) * x
}

/// `exp(-x)` for `0 <= x <= SMALL`, to 1e-12.
#[inline(always)]
pub(super) fn exp_neg_small(x: f64) -> f64 {
    1.0 - one_minus_exp_neg_small(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponentials_are_right() {
        let mut x = 1e-300;
        while x < 690.0 {
            let (e, m) = (exp_neg(x), one_minus_exp_neg(x));
            assert!((e - (-x).exp()).abs() <= 1e-11 * (-x).exp(), "exp(-{x}) {e}");
            assert!(
                (m + (-x).exp_m1()).abs() <= 1e-11 * -(-x).exp_m1(),
                "1-exp(-{x}) {m}"
            );
            if x <= MIDDLING {
                let m = one_minus_exp_neg_middling(x);
                assert!(
                    (m + (-x).exp_m1()).abs() <= 1e-11 * -(-x).exp_m1(),
                    "1-exp(-{x}) {m}"
                );
            }
            if x <= SMALL {
                let m = one_minus_exp_neg_small(x);
                assert!(
                    (m + (-x).exp_m1()).abs() <= 1e-11 * -(-x).exp_m1(),
                    "1-exp(-{x}) {m}"
                );
                assert!((exp_neg_small(x) - (-x).exp()).abs() <= 1e-12);
            }
            x *= 1.37;
        }
        assert_eq!((exp_neg(0.0), one_minus_exp_neg(0.0)), (1.0, 0.0));
        assert!(exp_neg(f64::MAX) < 1e-300 && one_minus_exp_neg(f64::MAX) == 1.0);
    }
}
