//! Is a mean difference small enough not to matter? Two one-sided t tests (TOST).
//!
//! That a difference is not significant does not show that it is small. Equivalence within
//! a limit L is shown at level alpha where both one-sided tests, of mean <= -L and of
//! mean >= L, reject: where the 1 - 2 alpha interval of the mean lies within -L to L.
//!
//! # Source
//! Schuirmann DJ (1987) A comparison of the two one-sided tests procedure and the power
//! approach for assessing the equivalence of average bioavailability, Journal of
//! Pharmacokinetics and Biopharmaceutics 15:657-680.

use super::distribution::{t_quantile, t_upper};
use super::failure::{check_count, check_finite};
use super::{Failure, Interval, mean, squares_about_mean};

/// The greatest number of units that is looked for.
const MOST_UNITS: usize = 100_000;

/// Two one-sided tests of a mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equivalence {
    /// Values.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Standard deviation on n - 1.
    pub sd: f64,
    /// Standard error of the mean.
    pub standard_error: f64,
    /// Interval of the mean with confidence 1 - 2 alpha.
    pub interval: Interval,
    /// The greater of the two one-sided P values.
    pub p_value: f64,
    /// Whether the mean is shown to lie within the limit: P < alpha.
    pub equivalent: bool,
}

/// An estimate against a margin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WithinMargin {
    /// Interval of the estimate with confidence 1 - 2 alpha.
    pub interval: Interval,
    /// The greater of the two one-sided P values.
    pub p_value: f64,
    /// Whether the estimate is shown to lie within the margin of 0: P < alpha.
    pub equivalent: bool,
}

/// Tests whether an estimate with this standard error on df degrees of freedom lies within
/// `margin` of 0.
///
/// # Errors
/// [`Failure::Setting`] for a margin that is not above 0, or alpha not between 0 and 0.5.
pub fn within_margin(
    (estimate, standard_error, df): (f64, f64, f64),
    margin: f64,
    alpha: f64,
) -> Result<WithinMargin, Failure> {
    check_limit(margin)?;
    check_alpha(alpha)?;
    let interval = Interval::around(estimate, t_quantile(1.0 - alpha, df) * standard_error);
    let p_value = if standard_error > 0.0 {
        // The nearer limit has the greater P.
        t_upper((margin - estimate.abs()) / standard_error, df)
    } else {
        f64::from(u8::from(estimate.abs() >= margin))
    };
    Ok(WithinMargin {
        interval,
        p_value,
        equivalent: -margin < interval.lower && interval.upper < margin,
    })
}

/// Tests whether the mean of `values` lies within `limit` of 0.
///
/// # Shapes
/// n values, at least 2; `limit` above 0 in their unit; `alpha` between 0 and 0.5.
///
/// # Errors
/// [`Failure::TooFew`], [`Failure::Value`], [`Failure::Setting`].
pub fn two_one_sided(values: &[f64], limit: f64, alpha: f64) -> Result<Equivalence, Failure> {
    check_count("values", values.len(), 2)?;
    check_finite("values", values)?;
    let n = values.len() as f64;
    let centre = mean(values);
    let sd = (squares_about_mean(values) / (n - 1.0)).sqrt();
    let standard_error = sd / n.sqrt();
    let WithinMargin {
        interval,
        p_value,
        equivalent,
    } = within_margin((centre, standard_error, n - 1.0), limit, alpha)?;
    Ok(Equivalence {
        n: values.len(),
        mean: centre,
        sd,
        standard_error,
        interval,
        p_value,
        equivalent,
    })
}

/// The smallest number of units with which a mean is shown, at level `alpha` and with
/// probability `power`, to lie on the expected side of a limit that is `distance` away from it:
/// (t_alpha + t_power) SD / sqrt(n) <= distance, t on n - 1 degrees of freedom.
///
/// `None` where that takes more than 100 000, or the mean lies at the limit.
#[must_use]
pub fn units_needed(distance: f64, sd: f64, alpha: f64, power: f64) -> Option<usize> {
    if !(distance > 0.0 && sd >= 0.0 && sd.is_finite()) {
        return None;
    }
    let enough = |n: usize| {
        let df = n as f64 - 1.0;
        let quantiles = t_quantile(1.0 - alpha, df) + t_quantile(power, df);
        quantiles * sd / (n as f64).sqrt() <= distance
    };
    if !enough(MOST_UNITS) {
        return None;
    }
    // Fewer units never show more.
    let (mut few, mut many) = (1, MOST_UNITS);
    while many - few > 1 {
        let middle = usize::midpoint(few, many);
        if middle >= 2 && enough(middle) {
            many = middle;
        } else {
            few = middle;
        }
    }
    Some(many)
}

fn check_limit(limit: f64) -> Result<(), Failure> {
    if limit > 0.0 && limit.is_finite() {
        return Ok(());
    }
    Err(Failure::Setting {
        what: "limit of equivalence",
        found: limit,
        expected: "a number above 0",
    })
}

fn check_alpha(alpha: f64) -> Result<(), Failure> {
    if alpha > 0.0 && alpha < 0.5 {
        return Ok(());
    }
    Err(Failure::Setting {
        what: "level of the tests",
        found: alpha,
        expected: "a share between 0 and 0.5, such as 0.05",
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R 4.2: `t.test(x, mu = -1, alternative = "greater")`, `t.test(x, mu = 1,
    /// alternative = "less")`, `t.test(x, conf.level = 0.9)$conf.int` on the differences of
    /// `sleep` (base R; Student 1908): mean 1.58 against limits of 2.5.
    #[test]
    fn both_tests_agree_with_r() {
        let x = [1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4];
        let found = two_one_sided(&x, 2.5, 0.05).unwrap();
        assert!((found.mean - 1.58).abs() < 1e-12);
        assert!((found.p_value - SLEEP_P).abs() < 1e-9, "{}", found.p_value);
        assert!((found.interval.lower - SLEEP_LOWER).abs() < 1e-9);
        assert!((found.interval.upper - SLEEP_UPPER).abs() < 1e-9);
        assert!(found.equivalent);
        assert!(!two_one_sided(&x, 2.2, 0.05).unwrap().equivalent);
    }

    const SLEEP_P: f64 = 0.021_116_860_246_5;
    const SLEEP_LOWER: f64 = 0.866_994_732_971;
    const SLEEP_UPPER: f64 = 2.293_005_267_029;

    /// R 4.2: `power.t.test(delta = .5, sd = 1, power = .8, type = "one.sample",
    /// alternative = "one.sided")` gives n = 26.138.
    #[test]
    fn units_needed_are_those_of_r() {
        assert_eq!(units_needed(0.5, 1.0, 0.05, 0.8), Some(27));
    }

    #[test]
    fn more_units_are_needed_nearer_to_the_limit() {
        let far = units_needed(1.0, 1.0, 0.05, 0.8).unwrap();
        let near = units_needed(0.2, 1.0, 0.05, 0.8).unwrap();
        assert!(far < near, "{far} {near}");
        assert_eq!(units_needed(0.0, 1.0, 0.05, 0.8), None);
        assert_eq!(units_needed(1e-9, 1.0, 0.05, 0.8), None);
        assert_eq!(units_needed(1.0, 0.0, 0.05, 0.8), Some(2));
    }

    #[test]
    fn wrong_settings_are_refused() {
        assert!(two_one_sided(&[1.0], 1.0, 0.05).is_err());
        assert!(two_one_sided(&[1.0, 2.0], 0.0, 0.05).is_err());
        assert!(two_one_sided(&[1.0, 2.0], 1.0, 0.5).is_err());
        let alike = two_one_sided(&[0.5, 0.5], 1.0, 0.05).unwrap();
        assert!(alike.equivalent && alike.p_value <= 0.0);
    }
}
