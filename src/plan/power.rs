//! How often would a study detect a difference of a stated size?
//!
//! The difference of two strains over its standard error is compared with Student's t on
//! d degrees of freedom, as `contrast` does. Where the true difference is delta standard
//! errors, the ratio has a noncentral t distribution: with W a chi-squared on d,
//!
//! ```text
//! P(T > c) = E Phi(delta - c sqrt(W / d))
//! ```
//!
//! The expectation is an integral over s = sqrt(W / d), whose density is smooth and
//! narrow: Simpson's rule over ten standard deviations to each side. Without end of
//! degrees of freedom this is Phi(delta - z), from which the classical number of
//! subjects in each of two groups follows, n = 2 (z_a + z_b)^2 sd^2 / d^2.
//!
//! # Source
//! Noncentral t: Johnson NL, Kotz S, Balakrishnan N (1995) Continuous Univariate
//! Distributions 2, ch. 31; number of subjects: Snedecor GW, Cochran WG (1989)
//! Statistical Methods, 6.14 (both from memory). Checked against R's `power.t.test`.

use crate::stats::distribution::{normal_lower, normal_quantile, t_two_sided_quantile};

/// Steps of the integral, even.
const STEPS: u32 = 400;

/// Half width in standard errors of an interval at `level`; the normal's where `df` is
/// infinite.
#[must_use]
pub fn factor(level: f64, df: f64) -> f64 {
    if df.is_finite() {
        t_two_sided_quantile(level, df)
    } else {
        normal_quantile(0.5 + 0.5 * level)
    }
}

/// Probability that a two-sided test at 1 - `level` detects a difference of `size` standard
/// errors, on either side of 0.
#[must_use]
pub fn power(size: f64, level: f64, df: f64) -> f64 {
    let critical = factor(level, df);
    let size = size.abs();
    let beyond = |s: f64| normal_lower(size - critical * s) + normal_lower(-size - critical * s);
    if !df.is_finite() {
        return beyond(1.0);
    }
    let half = 0.5 * df;
    let log_constant = std::f64::consts::LN_2 + half * half.ln() - libm::lgamma(half);
    let density = |s: f64| {
        if s > 0.0 {
            (log_constant + (df - 1.0) * s.ln() - half * s * s).exp()
        } else {
            0.0
        }
    };
    // SD of s is below 1 / sqrt(2 d).
    let reach = 10.0 / (2.0 * df).sqrt();
    let (first, last) = ((1.0 - reach).max(0.0), 1.0 + reach);
    let width = (last - first) / f64::from(STEPS);
    let (mut sum, mut mass) = (0.0, 0.0);
    for step in 0..=STEPS {
        let weight = match step {
            0 | STEPS => 1.0,
            odd if odd % 2 == 1 => 4.0,
            _ => 2.0,
        };
        let s = first + width * f64::from(step);
        let share = weight * density(s);
        sum += share * beyond(s);
        mass += share;
    }
    // On one degree of freedom the density does not vanish at 0: the sum of the weights
    // takes the rule's own error out.
    sum / mass
}

/// Least number from `least` to `most` that will do, where more never does worse.
#[must_use]
pub fn least_number(least: usize, most: usize, will_do: impl Fn(usize) -> bool) -> Option<usize> {
    if least > most || !will_do(most) {
        return None;
    }
    let (mut low, mut high) = (least, most);
    while low < high {
        let middle = usize::midpoint(low, high);
        if will_do(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    Some(high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn power_is_that_of_the_textbook_and_of_r() {
        // R 4.2.2, power.t.test(n, delta = 1, sd = 1, strict = TRUE)$power:
        // standard error sqrt(2 / n), 2 n - 2 degrees of freedom.
        for (n, expected) in [
            (2.0, 0.095_201_755_5),
            (5.0, 0.286_295_493_4),
            (17.0, 0.807_036_715_1),
            (40.0, 0.992_984_771_1),
        ] {
            let found = power((n / 2.0_f64).sqrt(), 0.95, 2.0 * n - 2.0);
            // R's own algorithm stops at 1e-9 or so.
            assert!((found - expected).abs() < 1e-8, "{n}: {found} {expected}");
        }
        // The classical formula: power 0.8 at n = 2 (1.959964 + 0.841621)^2 = 15.69776.
        let n: f64 = 2.0 * (1.959_963_985 + 0.841_621_234_f64).powi(2);
        let found = power((n / 2.0).sqrt(), 0.95, f64::INFINITY);
        // The other side's chance, below 1e-5, is not in the formula.
        assert!((found - 0.8).abs() < 1e-5, "{found}");
    }

    #[test]
    fn the_least_number_is_found_or_there_is_none() {
        assert_eq!(least_number(2, 500, |n| n >= 37), Some(37));
        assert_eq!(least_number(2, 500, |n| n >= 2), Some(2));
        assert_eq!(least_number(2, 36, |n| n >= 37), None);
        assert_eq!(least_number(5, 4, |_| true), None);
    }
}
