//! Intervals on the scale on which an estimate is nearly normal.
//!
//! Standard deviations on the logarithm, shares between 0 and 1 on the logit,
//! correlations on Fisher's z = atanh(r), each value +- z SE there (the delta method
//! gives the SE) and put back: no limit falls outside of what the quantity can be.
//! The same scales as R's `intervals` for mixed models uses (Pinheiro and Bates 2000,
//! 2.4.3, from memory).

use super::interval::Estimate;
use crate::stats::Interval;
use crate::stats::distribution::normal_quantile;

/// Two-sided quantile of the standard normal.
fn quantile(level: f64) -> f64 {
    normal_quantile(0.5 + 0.5 * level)
}

fn estimate(
    value: f64,
    standard_error: Option<f64>,
    level: f64,
    slope: f64,
    there: fn(f64) -> f64,
    back: fn(f64) -> f64,
) -> Estimate {
    let interval = standard_error.and_then(|error| {
        let half = quantile(level) * error * slope;
        let limits = Interval {
            lower: back(there(value) - half),
            upper: back(there(value) + half),
        };
        (limits.lower.is_finite() && limits.upper.is_finite()).then_some(limits)
    });
    Estimate {
        value,
        standard_error,
        interval,
    }
}

/// A standard deviation.
#[must_use]
pub fn positive(value: f64, standard_error: Option<f64>, level: f64) -> Estimate {
    estimate(value, standard_error, level, 1.0 / value, f64::ln, f64::exp)
}

/// A share, such as the correlation of neighbouring residuals.
#[must_use]
pub fn share(value: f64, standard_error: Option<f64>, level: f64) -> Estimate {
    let slope = 1.0 / (value * (1.0 - value));
    let logit = |share: f64| (share / (1.0 - share)).ln();
    let back = |logit: f64| 1.0 / (1.0 + (-logit).exp());
    estimate(value, standard_error, level, slope, logit, back)
}

/// A correlation between -1 and 1.
#[must_use]
pub fn correlation(value: f64, standard_error: Option<f64>, level: f64) -> Estimate {
    let slope = 1.0 / ((1.0 - value) * (1.0 + value));
    estimate(value, standard_error, level, slope, f64::atanh, f64::tanh)
}

/// A quantity that may be any number.
#[must_use]
pub fn plain(value: f64, standard_error: Option<f64>, level: f64) -> Estimate {
    let same = |value: f64| value;
    estimate(value, standard_error, level, 1.0, same, same)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_stay_within_what_can_be() {
        let sd = positive(2.0, Some(1.5), 0.95).interval.expect("limits");
        // exp(ln 2 +- 1.959964 * 0.75), by hand.
        assert!((sd.lower - 0.459_863_4).abs() < 1e-6 && (sd.upper - 8.698_235).abs() < 1e-5);
        let one = correlation(0.9, Some(0.1), 0.95).interval.expect("limits");
        assert!(one.lower > 0.0 && one.upper < 1.0 && one.contains(0.9));
        let phi = share(0.02, Some(0.05), 0.95).interval.expect("limits");
        assert!(phi.lower > 0.0 && phi.upper < 1.0);
        // On the bound there is no scale to speak of: no limits, and no NaN.
        assert_eq!(correlation(1.0, Some(0.1), 0.95).interval, None);
        assert_eq!(positive(0.0, Some(0.1), 0.95).interval, None);
        assert_eq!(plain(1.0, None, 0.95).interval, None);
    }
}
