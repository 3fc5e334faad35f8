//! Does the spread of repeats grow with the size of what is measured?
//!
//! Subject i has the mean `m_i` and the sum of squares `S_i` about it, on `d_i` degrees of
//! freedom. With normal errors of SD `a m^b`, `S_i / (a m_i^b)^2` is chi-squared, which gives
//! the log-likelihood
//!
//! ```text
//! -1/2 sum ( d_i ln(a^2 m_i^(2 b)) + S_i / (a^2 m_i^(2 b)) )
//! ```
//!
//! At a given b, `a^2 = sum S_i m_i^(-2 b) / sum d_i`; what is left falls to one minimum in b.
//! It is a gamma regression of the variances `S_i / d_i` on log mean, with log link, weights
//! `d_i` and dispersion 2.
//!
//! # Source
//! Variance functions by pseudo-likelihood: Davidian, M. & Carroll, R. J. (1987), J. Am.
//! Stat. Assoc. 82:1079-1091; checked against R's `glm` (`tests/reference/spread/`).

use super::Interval;
use super::distribution::{chi_squared_upper, normal_quantile};

/// How the SD of one measurement depends on what is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SpreadKind {
    /// The same at any mean.
    Constant,
    /// In proportion to the mean.
    Proportional,
    /// As a power of the mean that is estimated.
    Power,
}

impl SpreadKind {
    /// Its name in tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Constant => "constant",
            Self::Proportional => "proportional",
            Self::Power => "power",
        }
    }
}

/// SD = factor x mean^power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpreadByMean {
    /// The form of least AICc.
    pub kind: SpreadKind,
    /// SD at a mean of 1.
    pub factor: f64,
    /// Power of the mean: 0 where constant, 1 where proportional.
    pub power: f64,
    /// The estimated power of the mean, whichever form was taken, with its test.
    pub estimated: Option<EstimatedPower>,
}

/// A power of the mean as the repeats give it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EstimatedPower {
    /// Its estimate.
    pub power: f64,
    /// Its standard error, from the expected information.
    pub std_error: f64,
    /// Normal confidence interval.
    pub interval: Interval,
    /// Likelihood ratio test of a constant spread (power 0), chi-squared on 1 degree of
    /// freedom.
    pub p_value: f64,
}

impl SpreadByMean {
    /// A spread that is the same for all.
    #[must_use]
    pub fn constant(sd: f64) -> Self {
        Self {
            kind: SpreadKind::Constant,
            factor: sd,
            power: 0.0,
            estimated: None,
        }
    }

    /// SD of one measurement of a subject with this mean.
    #[must_use]
    pub fn sd_at(&self, mean: f64) -> f64 {
        if self.kind == SpreadKind::Constant {
            self.factor
        } else {
            self.factor * mean.abs().powf(self.power)
        }
    }
}

/// The spread of repeats by their subject's mean.
///
/// A power is estimated where all means are above 0 and differ, and some repeats differ; of
/// the constant, the proportional and the power form the one of least AICc is taken, n the
/// degrees of freedom.
///
/// # Shapes
/// A mean, a sum of squares and degrees of freedom (at least 1) a subject.
pub(super) fn spread_by_mean(
    means: &[f64],
    squares: &[f64],
    dfs: &[f64],
    level: f64,
) -> SpreadByMean {
    let n: f64 = dfs.iter().sum();
    let sd = (squares.iter().sum::<f64>() / n).sqrt();
    let constant = SpreadByMean::constant(sd);
    if !(sd > 0.0 && sd.is_finite() && means.iter().all(|mean| *mean > 0.0)) {
        return constant;
    }
    let centre = means.iter().zip(dfs).map(|(m, d)| d * m.ln()).sum::<f64>() / n;
    let logs: Vec<f64> = means.iter().map(|mean| mean.ln() - centre).collect();
    // exp(-beta x) of the squares: their sum, first and second moments.
    let moments = |beta: f64| {
        let mut sums = [0.0; 3];
        for (x, square) in logs.iter().zip(squares) {
            let share = square * (-beta * x).exp();
            sums[0] += share;
            sums[1] += share * x;
            sums[2] += share * x * x;
        }
        sums
    };
    let deviance = |beta: f64| n * moments(beta)[0].ln();
    let at = |kind, power: f64| SpreadByMean {
        kind,
        factor: (moments(2.0 * power)[0] / n).sqrt() * (-power * centre).exp(),
        power,
        estimated: None,
    };
    let spread_of_logs: f64 = logs.iter().zip(dfs).map(|(x, d)| d * x * x).sum();
    let estimated = minimum(&moments).filter(|_| spread_of_logs > 1e-8 * n);
    let estimated = estimated.map(|beta| {
        let (power, std_error) = (0.5 * beta, 0.5 * (2.0 / spread_of_logs).sqrt());
        let half_width = normal_quantile(0.5 + 0.5 * level) * std_error;
        EstimatedPower {
            power,
            std_error,
            interval: Interval::around(power, half_width),
            p_value: chi_squared_upper((deviance(0.0) - deviance(beta)).max(0.0), 1.0),
        }
    });
    let corrected = |beta: f64, parameters: f64| {
        let left = n - parameters - 1.0;
        let few = if left > 0.0 {
            2.0 * parameters * (parameters + 1.0) / left
        } else {
            f64::INFINITY
        };
        deviance(beta) + 2.0 * parameters + few
    };
    let one = if deviance(2.0) < deviance(0.0) {
        at(SpreadKind::Proportional, 1.0)
    } else {
        constant
    };
    let chosen = match estimated {
        Some(found) if corrected(2.0 * found.power, 2.0) < corrected(2.0 * one.power, 1.0) => {
            at(SpreadKind::Power, found.power)
        }
        _ => one,
    };
    if !(chosen.factor.is_finite() && chosen.factor > 0.0) {
        return constant;
    }
    SpreadByMean {
        estimated,
        ..chosen
    }
}

/// Where the logarithm of the weighted squares, which is convex in beta, is least; `None`
/// where it falls without end (all spread at one end of the means).
fn minimum(moments: &impl Fn(f64) -> [f64; 3]) -> Option<f64> {
    let slope = |beta: f64| {
        let [sum, first, _] = moments(beta);
        -first / sum
    };
    let (mut low, mut high) = (-20.0, 20.0);
    if !(slope(low) < 0.0 && slope(high) > 0.0) {
        return None;
    }
    // Newton's steps, kept within a bracket that each slope narrows.
    let mut beta = 0.0;
    for _ in 0..200 {
        let [sum, first, second] = moments(beta);
        let gradient = -first / sum;
        if gradient < 0.0 {
            low = beta;
        } else {
            high = beta;
        }
        let curvature = second / sum - (first / sum).powi(2);
        let step = beta - gradient / curvature;
        let next = if step > low && step < high {
            step
        } else {
            0.5 * (low + high)
        };
        if (next - beta).abs() < 1e-13 * (1.0 + beta.abs()) {
            return Some(next);
        }
        beta = next;
    }
    Some(beta)
}
