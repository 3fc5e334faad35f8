//! Exact binomial interval of a share.

use super::Interval;
use super::distribution::f_quantile;

/// Limits of a share of which k of n were seen, 0 to 1.
///
/// # Source
/// Clopper CJ, Pearson ES 1934, Biometrika 26:404-413.
#[must_use]
pub fn exact_share(k: usize, n: usize, confidence: f64) -> Interval {
    let tail = (1.0 - confidence) / 2.0;
    let (k, n) = (k as f64, n as f64);
    let lower = if k > 0.0 {
        let f = f_quantile(tail, 2.0 * k, 2.0 * (n - k + 1.0));
        k * f / (n - k + 1.0 + k * f)
    } else {
        0.0
    };
    let upper = if k < n {
        let f = f_quantile(1.0 - tail, 2.0 * (k + 1.0), 2.0 * (n - k));
        (k + 1.0) * f / (n - k + (k + 1.0) * f)
    } else {
        1.0
    };
    Interval { lower, upper }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R 4.2: `binom.test(2, 12)$conf.int`, `binom.test(0, 12)$conf.int`.
    #[test]
    fn the_interval_of_a_share_is_that_of_r() {
        let two = exact_share(2, 12, 0.95);
        assert!((two.lower - 0.020_862_525_5).abs() < 1e-8, "{two:?}");
        assert!((two.upper - 0.484_137_748_7).abs() < 1e-8, "{two:?}");
        let none = exact_share(0, 12, 0.95);
        assert!(none.lower <= 0.0 && (none.upper - 0.264_648_469_4).abs() < 1e-8);
    }
}
