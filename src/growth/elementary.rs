//! exp for several ages at once, and a rough logarithm for starts.
//!
//! A fit spends most of its time in exp, and a call of the system's for each age cannot
//! use the processor's vector instructions. These are plain arithmetic on a few numbers
//! in a row, without a branch or a table, which the compiler turns into them.
//!
//! # exp
//! With n the integer nearest to x / ln 2 and r = x - n ln 2, so |r| <= ln 2 / 2:
//! exp(x) = 2^n exp(r) and exp(r) = 1 + r + r^2 q(r), q a polynomial of degree 9 fitted
//! at Chebyshev nodes in 40 digits (greatest error 1.1e-16 of q, so 1.3e-17 of exp).
//! n ln 2 is subtracted in two parts, the first with zeros at its end, so that the
//! product with n is exact.
//!
//! # Source
//! The reduction: Cody WJ, Waite W (1980) Software Manual for the Elementary Functions,
//! chapter 6. Cited from memory, not checked; the result is tested against the system's exp.

/// Ages that are worked on together.
pub(super) const BLOCK: usize = 16;

/// 1.5 * 2^52: added to a small number it leaves the nearest integer in the last bits.
const SHIFT: f64 = 6_755_399_441_055_744.0;
/// ln 2 with its last 21 bits zero, and the rest of it.
const LN_2: (f64, f64) = (0.693_147_180_369_123_8, 1.908_214_929_270_587_7e-10);
/// Below this exp is less than the smallest normal number, and taken as zero.
const LEAST: f64 = -708.0;
/// Above this exp is taken as exp of this, 8e307.
const GREATEST: f64 = 709.0;

/// q, from its constant on.
const Q: [f64; 10] = [
    0.500_000_000_000_000_1,
    0.166_666_666_666_666_69,
    0.041_666_666_666_624_13,
    0.008_333_333_333_330_062,
    0.001_388_888_891_721_371_7,
    0.000_198_412_698_630_536_18,
    2.480_152_129_595_437_6e-5,
    2.755_726_845_999_706_4e-6,
    2.762_008_844_540_974_6e-7,
    2.510_038_549_551_032e-8,
];

/// Puts exp of each in its place: to 2 units in the last place where that is a normal
/// number, 0 below; a NaN stays one.
pub(super) fn exp_each(x: &mut [f64]) {
    // A loop of a length that the compiler does not know: this it turns into vectors.
    for x in x {
        *x = exp(*x);
    }
}

/// Puts [`rough_ln`] of each in its place.
pub(super) fn rough_ln_each(x: &mut [f64]) {
    for x in x {
        *x = rough_ln(*x);
    }
}

/// One [`exp_each`], to the bit.
#[inline(always)]
pub(super) fn exp(x: f64) -> f64 {
    let held = x.clamp(LEAST, GREATEST);
    let shifted = held * std::f64::consts::LOG2_E + SHIFT;
    let n = shifted - SHIFT;
    let r = (held - n * LN_2.0) - n * LN_2.1;
    // Pairs of powers, so that the products do not wait for one another (Estrin).
    let (r2, pair) = (r * r, |at: usize| Q[at] + Q[at + 1] * r);
    let r4 = r2 * r2;
    let low = pair(0) + pair(2) * r2;
    let high = pair(4) + pair(6) * r2 + pair(8) * r4;
    let exp_r = 1.0 + (r + r2 * (low + high * r4));
    let power = f64::from_bits(shifted.to_bits().wrapping_add(1023) << 52);
    if x < LEAST { 0.0 } else { exp_r * power }
}

/// ln to 7 digits, for a positive normal number; some finite number for others.
///
/// ln m = 2 artanh((m - 1) / (m + 1)) for m between sqrt(1/2) and sqrt(2).
#[inline(always)]
fn rough_ln(x: f64) -> f64 {
    /// Bits of sqrt(1/2), and of 1.
    const ROOT_HALF: u64 = 0x3fe6_a09e_667f_3bcd;
    const ONE: u64 = 0x3ff0_0000_0000_0000;
    /// 2^52 with n in its last bits is 2^52 + n.
    const TWO_52: u64 = 0x4330_0000_0000_0000;
    let bits = x.to_bits();
    let power = bits.wrapping_add(ONE - ROOT_HALF) >> 52;
    let exponent = f64::from_bits(TWO_52 | power) - (f64::from_bits(TWO_52) + 1023.0);
    let m = f64::from_bits(bits.wrapping_sub(power.wrapping_sub(1023) << 52));
    let s = (m - 1.0) / (m + 1.0);
    let s2 = s * s;
    exponent * std::f64::consts::LN_2 + 2.0 * s * (1.0 + s2 * (1.0 / 3.0 + s2 * (0.2 + s2 / 7.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Units in the last place between two numbers of one sign.
    fn apart(a: f64, b: f64) -> u64 {
        a.to_bits().abs_diff(b.to_bits())
    }

    #[test]
    fn exp_is_the_systems_to_two_units() {
        let mut worst = 0;
        for i in -7_080_000..7_090_000_i32 {
            // Steps of about 1e-4 that are no round numbers.
            let x = f64::from(i) * 0.999_999_3e-4;
            worst = worst.max(apart(exp(x), x.exp()));
        }
        assert!(worst <= 2, "{worst} units in the last place");
    }

    #[test]
    fn exp_at_its_ends() {
        let each = |mut x: [f64; 4]| {
            exp_each(&mut x);
            x
        };
        let [zero, nan, least, one] = each([f64::NEG_INFINITY, f64::NAN, LEAST, 0.0]);
        assert_eq!((zero.to_bits(), one.to_bits()), (0, 1f64.to_bits()));
        assert!(nan.is_nan() && apart(least, LEAST.exp()) <= 2);
        let [above, infinite, below, _] = each([1e300, f64::INFINITY, -709.0, 0.0]);
        assert!(above > 1e307 && infinite > 1e307 && below.to_bits() == 0);
    }

    #[test]
    fn the_rough_logarithm_has_seven_digits() {
        for i in 1..200_000_i32 {
            let x = (f64::from(i) * 7.05e-3 - 705.0).exp();
            assert!(
                (rough_ln(x) - x.ln()).abs() <= 1e-7 * x.ln().abs().max(1.0),
                "{x:e}"
            );
        }
        assert!(rough_ln(0.0).is_finite() && rough_ln(1.0).to_bits() == 0);
    }
}
