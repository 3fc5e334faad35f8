//! Do two methods that measure the same thing agree?
//!
//! [`limits_of_agreement`] gives the mean and range of their differences,
//! [`concordance_coefficient`] gives one
//! number for "on the identity line", and [`deming`] a line where both are measured
//! with error. Pairs are given as two slices of equal length in the same unit.

use super::distribution::{normal_quantile, t_two_sided_quantile};
use super::failure::{check_count, check_finite, check_length, check_level};
use super::{Failure, Interval, mean, squares_about_mean};

/// Bland & Altman's factor for limits that hold 95 % of the differences.
pub const LIMIT_FACTOR: f64 = 1.96;

/// How far apart two methods are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Pairs.
    pub n: usize,
    /// Mean of second minus first.
    pub bias: f64,
    /// Standard deviation of the differences, on n - 1.
    pub sd: f64,
    /// Standard error of the bias.
    pub bias_standard_error: f64,
    /// Confidence interval of the bias.
    pub bias_interval: Interval,
    /// Bias minus and plus 1.96 SD: holds 95 % of normal differences.
    pub limits: Interval,
    /// Standard error of either limit.
    pub limit_standard_error: f64,
    /// Confidence interval of the lower limit.
    pub lower_limit_interval: Interval,
    /// Confidence interval of the upper limit.
    pub upper_limit_interval: Interval,
}

/// By how much does `second` differ from `first`, on average and for single pairs?
///
/// # Shapes
/// n pairs, at least 2; `level` is that of the confidence intervals (the limits are 95 % ones).
/// # Units
/// Those of the values.
/// # Errors
/// [`Failure::Lengths`], [`Failure::TooFew`], [`Failure::Value`], [`Failure::Setting`].
/// # Source
/// Bland & Altman 1986, Lancet 1:307-310; standard error of a limit: 1999, Stat.
/// Methods Med. Res. 8:135-160, section 2.1.
pub fn limits_of_agreement(first: &[f64], second: &[f64], level: f64) -> Result<Limits, Failure> {
    check_pairs(first, second, 2)?;
    check_level(level)?;
    let differences: Vec<f64> = second.iter().zip(first).map(|(b, a)| b - a).collect();
    let n = differences.len() as f64;
    let bias = mean(&differences);
    let sd = (squares_about_mean(&differences) / (n - 1.0)).sqrt();
    let t = t_two_sided_quantile(level, n - 1.0);
    let bias_standard_error = sd / n.sqrt();
    let spread = 1.0 / n + LIMIT_FACTOR * LIMIT_FACTOR / (2.0 * (n - 1.0));
    let limit_standard_error = sd * spread.sqrt();
    let limits = Interval::around(bias, LIMIT_FACTOR * sd);
    Ok(Limits {
        n: differences.len(),
        bias,
        sd,
        bias_standard_error,
        bias_interval: Interval::around(bias, t * bias_standard_error),
        limits,
        limit_standard_error,
        lower_limit_interval: Interval::around(limits.lower, t * limit_standard_error),
        upper_limit_interval: Interval::around(limits.upper, t * limit_standard_error),
    })
}

/// How the difference between two methods changes along their mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProportionalBias {
    /// Difference (second less first) at a mean of zero.
    pub intercept: f64,
    /// Change of the difference per unit of the mean.
    pub slope: f64,
    /// Confidence interval of the slope.
    pub slope_interval: Interval,
    /// Half the width of the limits of agreement about the line: 1.96 residual SD.
    pub half_width: f64,
}

impl ProportionalBias {
    /// The expected difference at a mean.
    #[must_use]
    pub fn at(&self, mean: f64) -> f64 {
        self.intercept + self.slope * mean
    }

    /// Whether the slope's interval leaves zero: level limits would be wrong.
    #[must_use]
    pub fn is_proportional(&self) -> bool {
        !self.slope_interval.contains(0.0)
    }
}

/// Does the difference grow with the mean? Least squares of the differences on the means.
///
/// # Shapes
/// n pairs, at least 3; `level` is that of the slope's interval (the limits are 95 % ones).
/// # Units
/// Those of the values; the slope has none.
/// # Errors
/// As [`limits_of_agreement`]; [`Failure::NoVariation`] where all means are equal.
/// # Source
/// Bland & Altman 1999, Stat. Methods Med. Res. 8:135-160, section 3.2.
pub fn proportional_bias(
    first: &[f64],
    second: &[f64],
    level: f64,
) -> Result<ProportionalBias, Failure> {
    check_pairs(first, second, 3)?;
    check_level(level)?;
    let means: Vec<f64> = first
        .iter()
        .zip(second)
        .map(|(a, b)| f64::midpoint(*a, *b))
        .collect();
    let differences: Vec<f64> = second.iter().zip(first).map(|(b, a)| b - a).collect();
    let spread = squares_about_mean(&means);
    if spread <= 0.0 {
        return Err(Failure::NoVariation {
            what: "means of the pairs".to_owned(),
        });
    }
    let (of_means, of_differences) = (mean(&means), mean(&differences));
    let products = means.iter().zip(&differences);
    let products: f64 = products
        .map(|(m, d)| (m - of_means) * (d - of_differences))
        .sum();
    let slope = products / spread;
    let intercept = of_differences - slope * of_means;
    let residuals = means.iter().zip(&differences);
    let squares: f64 = residuals
        .map(|(m, d)| (d - intercept - slope * m).powi(2))
        .sum();
    let df = means.len() as f64 - 2.0;
    let sd = (squares / df).sqrt();
    let t = t_two_sided_quantile(level, df);
    Ok(ProportionalBias {
        intercept,
        slope,
        slope_interval: Interval::around(slope, t * sd / spread.sqrt()),
        half_width: LIMIT_FACTOR * sd,
    })
}

/// How close the pairs lie to the line of identity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Concordance {
    /// Pairs.
    pub n: usize,
    /// Lin's coefficient: 1 on the identity line, 0 no agreement.
    pub coefficient: f64,
    /// Its confidence interval.
    pub interval: Interval,
    /// Pearson's correlation: the part lost to scatter.
    pub correlation: f64,
    /// Bias correction, coefficient / correlation: the part lost to shift and scale.
    pub bias_correction: f64,
}

/// How close are the pairs to the line of identity, in one number?
///
/// # Shapes
/// n pairs, at least 4.
/// # Errors
/// [`Failure::Lengths`], [`Failure::TooFew`], [`Failure::Value`], [`Failure::Setting`];
/// [`Failure::NoVariation`] if either method gives the same value throughout.
/// # Source
/// Lin, L. I. (1989), Biometrics 45:255-268, population variances; standard error on
/// the scale of Fisher's z with the corrections of 2000, Biometrics 56:324-325.
pub fn concordance_coefficient(
    first: &[f64],
    second: &[f64],
    level: f64,
) -> Result<Concordance, Failure> {
    check_pairs(first, second, 4)?;
    check_level(level)?;
    let n = first.len() as f64;
    let (xx, yy, xy) = moments(first, second)?;
    let shift = mean(first) - mean(second);
    let correlation = (xy / (xx * yy).sqrt()).clamp(-1.0, 1.0);
    let bias_correction = 2.0 * (xx * yy).sqrt() / (xx + yy + n * shift * shift);
    let coefficient = correlation * bias_correction;
    // Lin's variance with r_c / r written as the bias correction, so that r = 0 is no exception.
    let u2 = n * shift * shift / (xx * yy).sqrt();
    let (c2, b2) = (coefficient * coefficient, bias_correction * bias_correction);
    let spare = 1.0 - c2;
    let interval = if spare <= 1e-15 {
        // On the identity line itself there is no spread to judge by.
        Interval::around(coefficient, 0.0)
    } else {
        let variance = (1.0 - correlation * correlation) * b2 / spare
            + 2.0 * c2 * bias_correction * (1.0 - coefficient) * u2 / (spare * spare)
            - c2 * b2 * u2 * u2 / (2.0 * spare * spare);
        let error = (variance.max(0.0) / (n - 2.0)).sqrt();
        let half = normal_quantile(0.5 + 0.5 * level) * error;
        let z = coefficient.atanh();
        Interval {
            lower: (z - half).tanh(),
            upper: (z + half).tanh(),
        }
    };
    Ok(Concordance {
        n: first.len(),
        coefficient,
        interval,
        correlation,
        bias_correction,
    })
}

/// A line between two methods that both have error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DemingLine {
    /// Second on first.
    pub slope: f64,
    /// Second where first is 0.
    pub intercept: f64,
    /// Jackknife standard error of the slope.
    pub slope_standard_error: f64,
    /// Jackknife standard error of the intercept.
    pub intercept_standard_error: f64,
    /// Confidence interval of the slope, t on n - 2.
    pub slope_interval: Interval,
    /// Confidence interval of the intercept, t on n - 2.
    pub intercept_interval: Interval,
}

/// Which line joins two methods when both are measured with error?
///
/// `variance_ratio`: error variance of `second` over that of `first` (1: equally good).
///
/// # Shapes
/// n pairs, at least 3.
/// # Errors
/// [`Failure::Lengths`], [`Failure::TooFew`], [`Failure::Value`], [`Failure::Setting`];
/// [`Failure::NoVariation`] if a method gives the same value throughout, or the two
/// do not vary together, with all pairs or with any one left out.
/// # Source
/// Deming 1943; Linnet, K. (1990), Stat. Med. 9:1463-1473 (jackknife).
pub fn deming(
    first: &[f64],
    second: &[f64],
    variance_ratio: f64,
    level: f64,
) -> Result<DemingLine, Failure> {
    check_pairs(first, second, 3)?;
    check_level(level)?;
    if !(variance_ratio > 0.0 && variance_ratio.is_finite()) {
        return Err(Failure::Setting {
            what: "variance ratio",
            found: variance_ratio,
            expected: "a number above 0",
        });
    }
    let n = first.len();
    let (slope, intercept) = deming_line(first, second, variance_ratio)?;
    let mut slopes = Vec::with_capacity(n);
    let mut intercepts = Vec::with_capacity(n);
    for left_out in 0..n {
        let without = |values: &[f64]| {
            let kept = values.iter().enumerate().filter(|(i, _)| *i != left_out);
            kept.map(|(_, value)| *value).collect::<Vec<f64>>()
        };
        let (b, a) = deming_line(&without(first), &without(second), variance_ratio)?;
        slopes.push(b);
        intercepts.push(a);
    }
    let factor = (n as f64 - 1.0) / n as f64;
    let error = |values: &[f64]| (factor * squares_about_mean(values)).sqrt();
    let (slope_standard_error, intercept_standard_error) = (error(&slopes), error(&intercepts));
    let t = t_two_sided_quantile(level, n as f64 - 2.0);
    Ok(DemingLine {
        slope,
        intercept,
        slope_standard_error,
        intercept_standard_error,
        slope_interval: Interval::around(slope, t * slope_standard_error),
        intercept_interval: Interval::around(intercept, t * intercept_standard_error),
    })
}

fn deming_line(first: &[f64], second: &[f64], ratio: f64) -> Result<(f64, f64), Failure> {
    let (xx, yy, xy) = moments(first, second)?;
    if xy.abs() <= 1e-14 * (xx * yy).sqrt() {
        return Err(Failure::NoVariation {
            what: "the two methods together (they do not rise or fall with each other)".to_owned(),
        });
    }
    let gap = yy - ratio * xx;
    let root = gap.hypot(2.0 * ratio.sqrt() * xy);
    // The two forms are equal; each avoids the cancellation of the other.
    let slope = if gap > 0.0 {
        (gap + root) / (2.0 * xy)
    } else {
        2.0 * ratio * xy / (root - gap)
    };
    Ok((slope, mean(second) - slope * mean(first)))
}

/// Sums of squares and products about the means.
fn moments(first: &[f64], second: &[f64]) -> Result<(f64, f64, f64), Failure> {
    let (xx, yy) = (squares_about_mean(first), squares_about_mean(second));
    for (what, squares, values) in [("first method", xx, first), ("second method", yy, second)] {
        let size = values.iter().map(|value| value * value).sum::<f64>();
        if squares <= 1e-28 * size {
            return Err(Failure::NoVariation {
                what: what.to_owned(),
            });
        }
    }
    let (x, y) = (mean(first), mean(second));
    let products = first.iter().zip(second).map(|(a, b)| (a - x) * (b - y));
    Ok((xx, yy, products.sum()))
}

fn check_pairs(first: &[f64], second: &[f64], needed: usize) -> Result<(), Failure> {
    check_length("second method", second.len(), first.len())?;
    check_count("pairs", first.len(), needed)?;
    check_finite("first method", first)?;
    check_finite("second method", second)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identical_methods_agree_fully() {
        let x = [1.0, 2.0, 4.0, 8.0];
        let limits = limits_of_agreement(&x, &x, 0.95).unwrap();
        assert!(limits.bias.abs() < 1e-15 && limits.limits.width() < 1e-15);
        let lin = concordance_coefficient(&x, &x, 0.95).unwrap();
        assert!((lin.coefficient - 1.0).abs() < 1e-15 && lin.interval.width() < 1e-12);
        let line = deming(&x, &x, 1.0, 0.95).unwrap();
        assert!((line.slope - 1.0).abs() < 1e-15 && line.intercept.abs() < 1e-14);
    }

    #[test]
    fn uncorrelated_methods_have_no_line_but_a_concordance() {
        let x = [-1.0, 1.0, -1.0, 1.0];
        let y = [1.0, 1.0, -1.0, -1.0];
        assert!(matches!(
            deming(&x, &y, 1.0, 0.95),
            Err(Failure::NoVariation { .. })
        ));
        let lin = concordance_coefficient(&x, &y, 0.95).unwrap();
        assert!(lin.coefficient.abs() < 1e-15);
        assert!(lin.interval.lower < 0.0 && lin.interval.upper > 0.0);
    }

    #[test]
    fn swapping_the_methods_turns_the_deming_line_round() {
        let x = [1.0, 2.1, 3.9, 8.2, 9.0];
        let y = [1.3, 1.9, 4.4, 7.9, 9.9];
        let forth = deming(&x, &y, 2.5, 0.95).unwrap();
        let back = deming(&y, &x, 0.4, 0.95).unwrap();
        assert!((forth.slope * back.slope - 1.0).abs() < 1e-14);
    }

    #[test]
    fn bad_pairs_are_answered() {
        assert!(limits_of_agreement(&[1.0], &[1.0], 0.95).is_err());
        assert!(limits_of_agreement(&[1.0, 2.0], &[1.0], 0.95).is_err());
        assert!(limits_of_agreement(&[1.0, 2.0], &[1.0, 2.0], 95.0).is_err());
        let flat = concordance_coefficient(&[3.0; 5], &[1.0, 2.0, 3.0, 4.0, 5.0], 0.95);
        assert_eq!(
            flat.unwrap_err().to_string(),
            "first method: all values are the same, some spread expected"
        );
        assert!(deming(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.5], 0.0, 0.95).is_err());
    }
}
