//! A straight line whose errors need not be alike along it.
//!
//! y = a + b x by least squares; the covariance of a and b from the squared residuals, each
//! over 1 minus its leverage (HC2), and for every value c'(a, b) separate degrees of freedom
//! by Satterthwaite's rule, those that the estimated variance has where errors are alike.
//! With few points this keeps intervals at their level whether or not the spread changes
//! along the line; the plain t interval does not where it does.
//!
//! # Source
//! Bell RM, McCaffrey DF (2002) Bias reduction in standard errors for linear regression with
//! multi-stage samples, Survey Methodology 28:169-181; Imbens GW, Kolesár M (2016) Robust
//! standard errors in small samples, Review of Economics and Statistics 98:701-712.

use super::distribution::t_two_sided_quantile;
use super::failure::{check_count, check_finite, check_length};
use super::{Failure, Interval, mean, squares_about_mean};

/// A point with a leverage above this sets the line alone: its residual does not show its error.
const MOST_LEVERAGE: f64 = 1.0 - 1e-9;

/// A line fitted to n points.
#[derive(Debug, Clone, PartialEq)]
pub struct RobustLine {
    /// Mean of x.
    pub centre: f64,
    /// y at the mean of x.
    pub level: f64,
    /// Slope.
    pub slope: f64,
    /// Observed minus fitted, n of them.
    pub residuals: Vec<f64>,
    /// x minus its mean, n of them.
    offsets: Vec<f64>,
    squares: f64,
}

/// A value of the line, or its slope, with its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineValue {
    /// Estimate.
    pub value: f64,
    /// Standard error.
    pub standard_error: f64,
    /// Degrees of freedom of the standard error.
    pub df: f64,
}

impl LineValue {
    /// Confidence interval.
    #[must_use]
    pub fn interval(&self, level: f64) -> Interval {
        let half = t_two_sided_quantile(level, self.df) * self.standard_error;
        Interval::around(self.value, half)
    }
}

impl RobustLine {
    /// The line of `y` on `x`.
    ///
    /// # Shapes
    /// n points, at least 4.
    ///
    /// # Errors
    /// [`Failure::Lengths`], [`Failure::TooFew`], [`Failure::Value`];
    /// [`Failure::NoVariation`] where x is the same throughout, or but for one point.
    pub fn of(x: &[f64], y: &[f64]) -> Result<Self, Failure> {
        check_length("y", y.len(), x.len())?;
        check_count("points of the line", x.len(), 4)?;
        check_finite("x", x)?;
        check_finite("y", y)?;
        let none = |what: &str| Failure::NoVariation {
            what: what.to_owned(),
        };
        let (centre, squares) = (mean(x), squares_about_mean(x));
        let size: f64 = x.iter().map(|value| value * value).sum();
        if squares <= 1e-20 * size {
            return Err(none("x"));
        }
        let offsets: Vec<f64> = x.iter().map(|value| value - centre).collect();
        let level = mean(y);
        let products = offsets.iter().zip(y).map(|(u, y)| u * (y - level));
        let slope = products.sum::<f64>() / squares;
        let residuals = offsets.iter().zip(y);
        let line = Self {
            centre,
            level,
            slope,
            residuals: residuals.map(|(u, y)| y - level - slope * u).collect(),
            offsets,
            squares,
        };
        if (0..x.len()).any(|i| line.hat(i, i) > MOST_LEVERAGE) {
            return Err(none("x but for one point"));
        }
        Ok(line)
    }

    /// Standard deviation of the residuals on n - 2.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        let squares: f64 = self.residuals.iter().map(|e| e * e).sum();
        (squares / (self.residuals.len() as f64 - 2.0)).sqrt()
    }

    /// The line at a value of x.
    #[must_use]
    pub fn at(&self, x: f64) -> LineValue {
        let from_centre = x - self.centre;
        let value = self.level + self.slope * from_centre;
        self.with_error(value, [1.0, from_centre])
    }

    /// The slope.
    #[must_use]
    pub fn slope(&self) -> LineValue {
        self.with_error(self.slope, [0.0, 1.0])
    }

    /// Weight of the fitted value at point i on the response of point j.
    fn hat(&self, i: usize, j: usize) -> f64 {
        1.0 / self.offsets.len() as f64 + self.offsets[i] * self.offsets[j] / self.squares
    }

    /// `value` = level x c1 + slope x c2.
    fn with_error(&self, value: f64, [c1, c2]: [f64; 2]) -> LineValue {
        let n = self.offsets.len();
        let weight = |i: usize| c1 / n as f64 + c2 * self.offsets[i] / self.squares;
        let scaled: Vec<f64> = (0..n)
            .map(|i| weight(i).powi(2) / (1.0 - self.hat(i, i)))
            .collect();
        let squared = self.residuals.iter().map(|e| e * e);
        let variance: f64 = scaled.iter().zip(squared).map(|(d, e)| d * e).sum();
        // The variance is e' D e with e = M u: mean and variance of a quadratic form in
        // normal errors that are alike give the degrees of freedom.
        let (mut trace, mut trace_of_square) = (0.0, 0.0);
        for i in 0..n {
            trace += scaled[i] * (1.0 - self.hat(i, i));
            for j in 0..n {
                let rest = f64::from(u8::from(i == j)) - self.hat(i, j);
                trace_of_square += scaled[i] * scaled[j] * rest * rest;
            }
        }
        let df = if trace_of_square > 0.0 {
            (trace * trace / trace_of_square).max(1.0)
        } else {
            n as f64 - 2.0
        };
        LineValue {
            value,
            standard_error: variance.max(0.0).sqrt(),
            df,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Base R's `cars` (stopping distance on speed), its first twelve rows. HC2 and its degrees
    /// of freedom by matrices in R 4.2, written from the definitions of Bell and McCaffrey
    /// (`tests/reference/validation/robust_line.R`).
    #[test]
    fn errors_and_degrees_of_freedom_agree_with_matrices_in_r() {
        let speed = [4., 4., 7., 7., 8., 9., 10., 10., 10., 11., 11., 12.];
        let dist = [2., 10., 4., 22., 16., 10., 18., 26., 34., 17., 28., 14.];
        let line = RobustLine::of(&speed, &dist).unwrap();
        let slope = line.slope();
        let near = |found: f64, expected: f64| {
            assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
        };
        near(slope.value, 2.154_929_577_464_792);
        near(slope.standard_error, 0.832_349_867_325_303);
        near(slope.df, 4.027_562_258_012_186);
        let at = line.at(6.0);
        near(at.value, 11.183_098_591_549_3);
        near(at.standard_error, 2.672_876_840_143_68);
        near(at.df, 2.988_665_471_729_47);
    }

    #[test]
    fn a_line_that_one_point_sets_is_refused() {
        let y = [1.0, 2.0, 3.0, 4.0];
        assert!(RobustLine::of(&[1.0; 4], &y).is_err());
        assert!(RobustLine::of(&[1.0, 1.0, 1.0, 2.0], &y).is_err());
        assert!(RobustLine::of(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0]).is_err());
        let exact = RobustLine::of(&[1.0, 2.0, 3.0, 4.0], &y).unwrap();
        assert!(exact.slope().interval(0.95).width() < 1e-12);
    }
}
