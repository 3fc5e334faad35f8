//! How many birds must be analysed chemically for a calibration?
//!
//! An equation of c coefficients from n birds, its residual SD s and its reading spread
//! with SD s_x, has, as long as readings and the other terms are not collinear,
//!
//! ```text
//! half width of its mean prediction (at the mean reading):  t s / sqrt(n)
//! half width of the reading's coefficient:                  t s / (s_x sqrt(n - 1))
//! ```
//!
//! with t Student's quantile on n - c degrees of freedom. The mean prediction's error is
//! common to all scans that the equation corrects, and does not shrink as more of them
//! are taken.
//!
//! # Source
//! The intervals of a regression, e.g. Snedecor GW, Cochran WG (1989) Statistical
//! Methods, 9.7 to 9.9 (from memory).

use super::power::{factor, least_number};

/// What is known of the equation, and the precision required.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibrationRequirement {
    /// Residual SD of a bird, in the response's unit (g).
    pub residual_sd: f64,
    /// SD of the reading among the birds, in its unit (g); none where only the mean
    /// prediction is requested.
    pub reading_sd: Option<f64>,
    /// Coefficients of the equation, the constant too.
    pub coefficients: usize,
    /// Half width required of the mean prediction, g.
    pub mean_within: Option<f64>,
    /// Half width required of the reading's coefficient.
    pub coefficient_within: Option<f64>,
    /// Level of the intervals.
    pub level: f64,
    /// Most birds.
    pub most: usize,
}

/// The precision that this number of birds would give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibrationPrecision {
    /// Birds analysed.
    pub birds: usize,
    /// Standard error of the mean prediction, g.
    pub mean_error: f64,
    /// Half width of its interval.
    pub mean_half_width: f64,
    /// Standard error of the reading's coefficient.
    pub coefficient_error: Option<f64>,
    /// Half width of its interval.
    pub coefficient_half_width: Option<f64>,
}

impl CalibrationRequirement {
    /// The precision that this number of birds would give.
    #[must_use]
    pub fn precision(&self, birds: usize) -> CalibrationPrecision {
        let n = birds as f64;
        let df = birds.saturating_sub(self.coefficients).max(1) as f64;
        let t = factor(self.level, df);
        let mean_error = self.residual_sd / n.sqrt();
        let coefficient_error = self
            .reading_sd
            .map(|spread| self.residual_sd / (spread * (n - 1.0).sqrt()));
        CalibrationPrecision {
            birds,
            mean_error,
            mean_half_width: t * mean_error,
            coefficient_error,
            coefficient_half_width: coefficient_error.map(|error| t * error),
        }
    }

    /// Fewest birds that do; `None` where more than the limit would be needed.
    #[must_use]
    pub fn birds(&self) -> Option<usize> {
        let met = |found: Option<f64>, wanted: Option<f64>| match (found, wanted) {
            (Some(found), Some(wanted)) => found <= wanted,
            (None, Some(_)) => false,
            (_, None) => true,
        };
        least_number(self.coefficients + 1, self.most, |birds| {
            let precision = self.precision(birds);
            met(Some(precision.mean_half_width), self.mean_within)
                && met(precision.coefficient_half_width, self.coefficient_within)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fewest_birds_of_an_equation() {
        let requirement = CalibrationRequirement {
            residual_sd: 10.0,
            reading_sd: Some(50.0),
            coefficients: 2,
            mean_within: Some(4.0),
            coefficient_within: None,
            level: 0.95,
            most: 1000,
        };
        // R: qt(.975, 24) * 10 / sqrt(26) = 4.0477, qt(.975, 25) * 10 / sqrt(27) = 3.9635.
        assert_eq!(requirement.birds(), Some(27));
        assert!((requirement.precision(26).mean_half_width - 4.0477).abs() < 1e-3);
        let requirement = CalibrationRequirement {
            coefficient_within: Some(0.05),
            mean_within: None,
            ..requirement
        };
        // R: qt(.975, 62) * .2 / sqrt(63) = .05037, qt(.975, 63) * .2 / sqrt(64) = .04996.
        assert_eq!(requirement.birds(), Some(65));
        let requirement = CalibrationRequirement {
            most: 60,
            ..requirement
        };
        assert_eq!(requirement.birds(), None);
    }
}
