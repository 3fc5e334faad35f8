//! Numbers as the tables write them: 10 significant digits, trailing zeros cut.

use std::io::Write;

const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// From here on ten digits round to 1e10, which has eleven.
const GREATEST_PLAIN: f64 = 9_999_999_999.5;

/// A finite number to 10 significant digits, trailing zeros cut; plain between
/// 1e-5 and 1e10, with an exponent outside.
///
/// Millions of these are written, so the common range goes through one
/// multiplication by an exact power of ten and whole-number digits.
pub(crate) fn write_number(text: &mut Vec<u8>, value: f64) {
    let magnitude = value.abs();
    if value == 0.0 {
        text.push(b'0');
    } else if (1e-5..GREATEST_PLAIN).contains(&magnitude) {
        if value < 0.0 {
            text.push(b'-');
        }
        write_plain(text, magnitude);
    } else {
        write_scientific(text, value);
    }
}

/// `00` to `99`.
const PAIRS: [[u8; 2]; 100] = {
    let mut pairs = [[b'0'; 2]; 100];
    let mut number = 0u8;
    while number < 100 {
        pairs[number as usize] = [b'0' + number / 10, b'0' + number % 10];
        number += 1;
    }
    pairs
};

/// Ten significant digits of a number in [1e-5, 1e10).
fn write_plain(text: &mut Vec<u8>, magnitude: f64) {
    let mut before = digits_before_the_point(magnitude);
    let decimals = (10 - before).unsigned_abs() as usize;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "below 1e10 + 1 by construction"
    )]
    let mut digits = (magnitude * TENS[decimals] + 0.5) as u64;
    if digits >= 10_000_000_000 {
        // 9.99.. went up to 10.
        digits /= 10;
        before += 1;
    }
    let mut buffer = [b'0'; 10];
    for pair in (0..5).rev() {
        let [tens, ones] = PAIRS[(digits % 100) as usize];
        buffer[2 * pair] = tens;
        buffer[2 * pair + 1] = ones;
        digits /= 100;
    }
    let zeros = buffer.iter().rev().take_while(|digit| **digit == b'0');
    let significant = 10 - zeros.count();
    // A whole block is appended and cut: its length is known to the compiler.
    let mut block = [b'0'; 16];
    let length = if let Some(whole) = usize::try_from(before).ok().filter(|whole| *whole > 0) {
        for (i, digit) in buffer.into_iter().enumerate() {
            block[i + usize::from(i >= whole)] = digit;
        }
        block[whole.min(10)] = b'.';
        if significant > whole {
            significant + 1
        } else {
            whole
        }
    } else {
        let start = 2 + before.unsigned_abs().min(4) as usize;
        block[1] = b'.';
        block[start..start + 10].copy_from_slice(&buffer);
        start + significant
    };
    let end = text.len() + length;
    text.extend_from_slice(&block);
    text.truncate(end);
}

/// 1 for [1, 10), 0 for [0.1, 1), -1 for [0.01, 0.1) ..., of a number in [1e-5, 1e10).
fn digits_before_the_point(magnitude: f64) -> i32 {
    let exponent = (magnitude.to_bits() >> 52) as i32 - 1023;
    // log10(2) is 1233 / 4096 to 5 digits, and the exponent is no more than 33: with the
    // number at least 2^exponent, this is right or one too few.
    let guess = ((exponent * 1233) >> 12) + 1;
    let power = TENS[guess.unsigned_abs() as usize];
    let enough = if guess >= 0 {
        magnitude < power
    } else {
        magnitude * power < 1.0
    };
    guess + i32::from(!enough)
}

fn write_scientific(text: &mut Vec<u8>, value: f64) {
    let written = format!("{value:.9e}");
    let (mantissa, exponent) = written.split_once('e').unwrap_or((&written, "0"));
    let mantissa = mantissa.trim_end_matches('0').trim_end_matches('.');
    let _ = write!(text, "{mantissa}e{exponent}");
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn written(value: f64) -> String {
        let mut text = Vec::new();
        write_number(&mut text, value);
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn numbers_have_ten_digits_and_no_trailing_zeros() {
        let cases = [
            (0.0, "0"),
            (-0.0, "0"),
            (1.0, "1"),
            (0.1, "0.1"),
            (1250.5, "1250.5"),
            (-42.0, "-42"),
            (1.0 / 3.0, "0.3333333333"),
            (2.0 / 3.0, "0.6666666667"),
            (9_999_999_999.0, "9999999999"),
            (9_999_999_999.7, "1e10"),
            (0.999_999_999_99, "1"),
            (0.000_01, "0.00001"),
            (100.0, "100"),
            (99_999.999_999_9, "100000"),
            (0.000_012_345_678_912_3, "0.00001234567891"),
            (1e-6, "1e-6"),
            (1.5e10, "1.5e10"),
            (-2.25e-9, "-2.25e-9"),
            (1e300, "1e300"),
        ];
        for (value, expected) in cases {
            assert_eq!(written(value), expected, "{value:e}");
        }
    }

    proptest! {
        /// What is written reads back to within half a unit of the tenth digit.
        #[test]
        fn numbers_read_back(mantissa in -10.0f64..10.0, exponent in -30i32..30) {
            let value = mantissa * 10f64.powi(exponent);
            let back: f64 = written(value).parse().unwrap();
            // 0.5e-9 of the leading digit's place; a rounding of the scaled value adds 1e-15.
            prop_assert!((back - value).abs() <= 5.001e-10 * value.abs() * 1.000_001);
        }
    }

    /// The digits before the point change exactly at the powers of ten.
    #[test]
    fn digits_before_the_point_change_at_powers_of_ten() {
        for power in 0..10_i32 {
            let at = TENS[power.unsigned_abs() as usize];
            assert_eq!(digits_before_the_point(at), power + 1);
            assert_eq!(digits_before_the_point(at.next_down()), power);
        }
        for power in 1..=4_i32 {
            let at = 1.0 / TENS[power.unsigned_abs() as usize];
            assert_eq!(digits_before_the_point(at), 1 - power);
            assert_eq!(digits_before_the_point(at * (1.0 - 1e-15)), -power);
        }
    }
}
