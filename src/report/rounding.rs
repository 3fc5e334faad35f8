//! How many digits a number has on paper.
//!
//! The standard error has two significant digits, and the estimate and its interval
//! the same decimals: JCGM 100:2008 (GUM), 7.2.6. Numbers are text from here on, with
//! a true minus sign (U+2212), so that a table can be set as it stands.

use crate::stats::Interval;

/// Beyond this number of decimals, or zeros before the point, a number is written with its power of ten.
const MOST_DECIMALS: i32 = 12;

/// How a number is written: a number of decimals (negative: tens, hundreds), or with a
/// power of ten.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Digits {
    Decimals(i32),
    PowerOfTen,
}

impl Digits {
    /// Those of a number with `significant` digits.
    fn of(value: f64, significant: i32) -> Self {
        if value == 0.0 || !value.is_finite() {
            return Self::Decimals(0);
        }
        #[expect(
            clippy::cast_possible_truncation,
            reason = "the exponent of a finite number is below 400"
        )]
        let exponent = value.abs().log10().floor() as i32;
        let decimals = significant - 1 - exponent;
        // 0.0996 has 0.10 for two digits, not 0.100.
        let carried = (value.abs() * 10_f64.powi(decimals)).round() >= 10_f64.powi(significant);
        match decimals - i32::from(carried) {
            decimals if decimals.abs() > MOST_DECIMALS => Self::PowerOfTen,
            decimals => Self::Decimals(decimals),
        }
    }

    /// Those of an estimate with this standard error.
    pub(super) fn of_error(standard_error: f64) -> Self {
        Self::of(standard_error, 2)
    }

    /// The number, with a true minus.
    pub(super) fn write(self, value: f64) -> String {
        let text = match self {
            Self::Decimals(decimals) if decimals < 0 => {
                let unit = 10_f64.powi(-decimals);
                format!("{:.0}", (value / unit).round() * unit)
            }
            Self::Decimals(decimals) => {
                let decimals = usize::try_from(decimals).unwrap_or(0);
                format!("{value:.decimals$}")
            }
            // No mass, age or rate is so small: a spread that went to zero.
            Self::PowerOfTen if value.abs() < 1e-30 => "0".to_owned(),
            Self::PowerOfTen => format!("{value:.1e}"),
        };
        match text.strip_prefix('-') {
            // What rounds to nothing has no sign.
            Some(zero) if zero.chars().all(|digit| matches!(digit, '0' | '.')) => zero.to_owned(),
            Some(size) => format!("\u{2212}{size}"),
            None => text,
        }
    }
}

/// The estimate and its standard error (or half the width of its interval), as
/// `1834 ± 12`; three digits of the estimate alone where there is none.
pub(super) fn estimate_and_error(value: f64, standard_error: Option<f64>) -> String {
    match standard_error {
        Some(error) if error.is_finite() => {
            let digits = Digits::of_error(error);
            format!("{} \u{b1} {}", digits.write(value), digits.write(error))
        }
        Some(_) | None => significant(value, 3),
    }
}

/// An interval to the decimals of its estimate; empty where there is none.
pub(super) fn interval(interval: Option<Interval>, standard_error: Option<f64>) -> String {
    let Some(Interval { lower, upper }) = interval else {
        return String::new();
    };
    let digits = match standard_error {
        Some(error) => Digits::of_error(error),
        None => Digits::of(upper - lower, 2),
    };
    format!("{} to {}", digits.write(lower), digits.write(upper))
}

/// A number to the given number of significant digits.
pub(super) fn significant(value: f64, digits: i32) -> String {
    Digits::of(value, digits).write(value)
}

/// A P value to three decimals, from 0.1 on to two, or below which thousandth it lies.
pub(super) fn chance(p_value: f64) -> String {
    match p_value {
        p if p < 1e-3 => "< 0.001".to_owned(),
        p if p < 0.0995 => format!("{p:.3}"),
        p if p < 0.995 => format!("{p:.2}"),
        _ => "> 0.99".to_owned(),
    }
}

/// "P = 0.012", "P < 0.001".
pub(super) fn p_equals(p_value: f64) -> String {
    let written = chance(p_value);
    if written.starts_with(['<', '>']) {
        format!("P {written}")
    } else {
        format!("P = {written}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_digits_of_the_error_set_the_decimals() {
        for (value, error, expected) in [
            // The guide's own example of a mass: 100.021 47 g, 0.35 mg (7.2.2).
            (100.021_47, 0.000_35, "100.02147 \u{b1} 0.00035"),
            // 7.2.6: 10.057 62 ohm with an error of 27 milliohm is 10.058 ohm.
            (10.057_62, 0.027, "10.058 \u{b1} 0.027"),
            (1834.27, 12.34, "1834 \u{b1} 12"),
            (1834.27, 123.4, "1830 \u{b1} 120"),
            (0.031_25, 0.000_408, "0.03125 \u{b1} 0.00041"),
            (-0.5, 0.0996, "\u{2212}0.50 \u{b1} 0.10"),
            (55.0, 9.96, "55 \u{b1} 10"),
            (-0.004, 1.3, "0.0 \u{b1} 1.3"),
            (1.5e-14, 2.5e-15, "1.5e-14 \u{b1} 2.5e-15"),
        ] {
            assert_eq!(estimate_and_error(value, Some(error)), expected);
        }
        assert_eq!(estimate_and_error(1834.27, None), "1830");
    }

    #[test]
    fn an_interval_has_the_decimals_of_its_estimate() {
        let limits = Interval {
            lower: -1.2345,
            upper: 12.0,
        };
        assert_eq!(interval(Some(limits), Some(0.33)), "\u{2212}1.23 to 12.00");
        assert_eq!(interval(Some(limits), None), "\u{2212}1 to 12");
        assert_eq!(interval(None, Some(1.0)), "");
    }

    #[test]
    fn chances_have_a_floor_and_a_ceiling() {
        for (p_value, expected) in [
            (0.000_999, "< 0.001"),
            (0.001, "0.001"),
            (0.004_24, "0.004"),
            (0.02, "0.020"),
            (0.0996, "0.10"),
            (0.5, "0.50"),
            (0.996, "> 0.99"),
        ] {
            assert_eq!(chance(p_value), expected);
        }
        assert_eq!(p_equals(0.0), "P < 0.001");
        assert_eq!(p_equals(0.05), "P = 0.050");
    }
}
