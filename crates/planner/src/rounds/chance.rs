//! Arithmetic that gives the same bits on every machine: random numbers, logarithm and exponential made of exactly rounded operations
//! only. (The standard library's `ln` and `exp` may differ in the last bit from one system to the next, and one bit is enough to send
//! a search another way.)

/// SplitMix64 (Steele, Lea and Flood 2014, OOPSLA, <https://doi.org/10.1145/2660193.2660195>).
#[derive(Debug, Clone)]
pub(super) struct Chance(u64);

impl Chance {
    pub(super) fn new(seed: u64) -> Chance {
        Chance(seed ^ 0x5851_F42D_4C95_7F2D)
    }

    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A whole number below `n` (0 if `n` is 0). The bias is below `n / 2^64`.
    pub(super) fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.next()) * n as u128) >> 64) as usize
    }

    /// A number in (0, 1].
    pub(super) fn unit(&mut self) -> f64 {
        ((self.next() >> 11) + 1) as f64 / (1_u64 << 53) as f64
    }

    /// Puts a list into random order (Fisher and Yates).
    pub(super) fn shuffle<T>(&mut self, list: &mut [T]) {
        for k in (1..list.len()).rev() {
            list.swap(k, self.below(k + 1));
        }
    }
}

/// Natural logarithm of a positive, normal number, to about 1e-13: `ln(m 2^e) = e ln 2 + 2 atanh((m-1)/(m+1))`.
pub(super) fn ln(x: f64) -> f64 {
    let bits = x.to_bits();
    let mut exponent = ((bits >> 52) & 0x7FF) as i64 - 1023;
    let mut mantissa = f64::from_bits((bits & 0x000F_FFFF_FFFF_FFFF) | 0x3FF0_0000_0000_0000);
    if mantissa > std::f64::consts::SQRT_2 {
        mantissa /= 2.0;
        exponent += 1;
    }
    let y = (mantissa - 1.0) / (mantissa + 1.0);
    let (square, mut term, mut sum) = (y * y, y, 0.0);
    for k in 0..9 {
        sum += term / f64::from(2 * k + 1);
        term *= square;
    }
    exponent as f64 * std::f64::consts::LN_2 + 2.0 * sum
}

/// e to the power `x`, for `x` between -40 and 40, to about 1e-9: `(1 + h + h^2/2)^(2^20)` with `h = x/2^20`, by squaring.
pub(super) fn exp(x: f64) -> f64 {
    // A second-order start makes the error of the first step (`h^2/2`) vanish.
    let h = x / f64::from(1 << 20);
    let mut y = 1.0 + h + h * h / 2.0;
    for _ in 0..20 {
        y *= y;
    }
    y
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithm_and_exponential_are_the_library_s() {
        for k in 1..2000 {
            let x = f64::from(k) * 0.37;
            assert!((ln(x) - x.ln()).abs() < 1e-12, "{x}");
            let x = f64::from(k - 1000) * 0.01;
            assert!((exp(x) / x.exp() - 1.0).abs() < 1e-7, "{x}");
        }
    }

    #[test]
    fn numbers_below_are_even() {
        let mut chance = Chance::new(7);
        let mut seen = [0_u32; 6];
        (0..60_000).for_each(|_| seen[chance.below(6)] += 1);
        assert!(seen.iter().all(|&n| (9_500..10_500).contains(&n)), "{seen:?}");
    }
}
