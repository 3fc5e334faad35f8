//! Which curve, with which uncertainty.
//!
//! Start reading here: [`fit`] takes a curve and a [`Series`] of ages and values
//! and ends in an [`Outcome`]. The loop itself is `least_squares.rs`.
//! This module knows nothing of birds or files.

pub mod mixed;

/// Ages and values of one subject, ascending in age.
#[derive(Debug, Clone, Copy)]
pub struct Series<'a> {
    /// Ages in days, n of them, ascending.
    pub ages_d: &'a [f64],
    /// Values, n of them.
    pub values: &'a [f64],
}

/// How the spread of the residuals depends on the fitted value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Variance {
    /// The same at every age.
    #[default]
    Constant,
    /// Standard deviation proportional to the fitted value.
    Proportional,
    /// Standard deviation proportional to a power of the fitted value, the power estimated.
    Power,
    /// Constant on the log scale.
    LogNormal,
}

/// A fit's answer.
#[derive(Debug, Clone)]
pub enum Outcome {
    /// The convergence criterion was met and every term is supported by the data.
    Converged(Estimates),
    /// Converged, but these terms are not supported by the data.
    Weak(Estimates, Vec<Weakness>),
    /// Why there are no numbers.
    Failed(Failure),
}

/// The numbers of a fit that met its convergence criterion.
#[derive(Debug, Clone)]
pub struct Estimates {
    /// Terms in the curve's order.
    pub terms: Box<[f64]>,
    /// Their covariance, p x p row-major, same order.
    pub covariance: Box<[f64]>,
    /// Residual standard deviation on n - p degrees of freedom.
    pub sigma: f64,
    /// (Weighted) residual sum of squares.
    pub rss: f64,
    /// Full Gaussian log-likelihood at the ML variance (R's `logLik`).
    pub log_lik: f64,
    /// Observations.
    pub n: usize,
    /// Terms that count in AIC: the curve's, sigma and any of the variance model.
    pub parameters: usize,
    /// Power of the mean in the residual SD (0 for constant, 1 for proportional).
    pub variance_power: f64,
    /// Iterations taken.
    pub iterations: usize,
    /// Relative offset of Bates and Watts at the end.
    pub relative_offset: f64,
}

/// Why a converged fit is not to be relied upon.
#[derive(Debug, Clone, PartialEq)]
pub struct Weakness {
    /// The term concerned (index in the curve's order), if it is one.
    pub term: Option<usize>,
    /// Why, in words.
    pub reason: String,
}

/// Why a fit has no numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Failure {
    /// Why, in words.
    pub reason: String,
    /// Observations.
    pub n: usize,
}
