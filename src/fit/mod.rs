//! Which curve, with which uncertainty.
//!
//! Start reading here: [`fit`] takes a curve and a [`Series`] of ages and values
//! and ends in an [`Outcome`]. The loop itself is `least_squares.rs`; from where it is
//! begun, and which of several ends is the fit, `search.rs`; what makes a fit weak is
//! `support.rs`; standard errors and intervals of anything that follows from the terms
//! are [`interval`]; ranking of curves is [`choice`].
//! This module is independent of birds and files.

pub mod choice;
mod constrained;
mod correlated;
mod descend;
pub mod diagnostics;
pub mod estimable;
pub mod influence;
pub mod interval;
mod least_squares;
mod linear;
pub mod mixed;
mod power;
pub mod profile;
mod search;
mod support;
pub mod transformed;
pub mod validation;
mod variance;

use std::sync::Arc;

use rayon::prelude::*;

pub use correlated::fit_correlated;

use crate::growth::Curve;
use estimable::Reach;
use least_squares::{Descent, End, Optimum};
use variance::{Problem, Scale};

/// Ages and values of one subject, ascending in age.
#[derive(Debug, Clone, Copy)]
pub struct Series<'a> {
    /// Ages in days, n of them, ascending (equal ages are allowed: a pooled series).
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

impl Variance {
    /// `constant`, `proportional`, `power` or `lognormal`, as written in options and tables.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Constant => "constant",
            Self::Proportional => "proportional",
            Self::Power => "power",
            Self::LogNormal => "lognormal",
        }
    }
}

/// The options of a fit beside its curve and its series.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// Variance model, fitted by full maximum likelihood.
    pub variance: Variance,
    /// Starting terms in the curve's order; the curve's own rule where `None`.
    pub start: Option<Box<[f64]>>,
    /// Weight of each value, in the series' order: its variance is sigma^2 over the
    /// weight, times the variance model's value. Only their ratios matter to the
    /// terms; all alike where `None`.
    pub weights: Option<Box<[f64]>>,
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

impl Outcome {
    /// The numbers, where there are any: of a converged or of a weak fit.
    #[must_use]
    pub fn estimates(&self) -> Option<&Estimates> {
        match self {
            Self::Converged(estimates) | Self::Weak(estimates, _) => Some(estimates),
            Self::Failed(_) => None,
        }
    }

    /// Observations.
    #[must_use]
    pub fn n(&self) -> usize {
        match self {
            Self::Converged(estimates) | Self::Weak(estimates, _) => estimates.n,
            Self::Failed(failure) => failure.n,
        }
    }

    /// `converged`, `weak`, `failed` or `not fitted`, as written in the tables.
    #[must_use]
    pub fn status(&self) -> &'static str {
        match self {
            Self::Converged(_) => "converged",
            Self::Weak(..) => "weak",
            Self::Failed(failure) if failure.tried => "failed",
            Self::Failed(_) => "not fitted",
        }
    }

    /// Why the fit is weak or failed, in words; empty for a converged one.
    #[must_use]
    pub fn reason(&self) -> String {
        match self {
            Self::Converged(_) => String::new(),
            Self::Weak(_, weaknesses) => {
                let reasons: Vec<&str> =
                    weaknesses.iter().map(|weak| weak.reason.as_str()).collect();
                reasons.join("; ")
            }
            Self::Failed(failure) => failure.reason.clone(),
        }
    }
}

/// The numbers of a fit that met its convergence criterion.
#[derive(Debug, Clone)]
pub struct Estimates {
    /// Terms in the curve's order.
    pub terms: Box<[f64]>,
    /// Their covariance, p x p row-major, same order; zero for a term on its bound.
    pub covariance: Box<[f64]>,
    /// Weights of the values, where they were not all alike.
    pub weights: Option<Box<[f64]>>,
    /// Residual standard deviation of a value of weight 1, on n - p degrees of freedom (at a fitted value
    /// of 1 for a power of the mean; of the logarithm for log-normal).
    pub sigma: f64,
    /// (Weighted) residual sum of squares.
    pub rss: f64,
    /// Full Gaussian log-likelihood at the ML variance (R's `logLik`).
    pub log_lik: f64,
    /// Observations.
    pub n: usize,
    /// Terms that count in AIC: the curve's, sigma and any of the variance model.
    pub parameters: usize,
    /// Variance model of the fit.
    pub variance: Variance,
    /// Power of the mean in the residual SD (0 for constant, 1 for proportional and log-normal).
    pub variance_power: f64,
    /// Iterations taken.
    pub iterations: usize,
    /// Relative offset of Bates and Watts at the end.
    pub relative_offset: f64,
    /// Degrees of freedom of the intervals: n - p for a fit to one series; of the typical
    /// subject of a group those of the units that groups are made of.
    pub df: usize,
    /// Of a group: the error of the covariance, and the group, from which each quantity has
    /// degrees of freedom by itself; `None` where `df` serve for all.
    pub covariance_error: Option<(Arc<mixed::CovarianceError>, usize)>,
    /// Correlation of residuals one day apart, where it is estimated.
    pub ar1: Option<mixed::Estimated>,
    /// How far the data reach, by which quantities are judged to be estimable or not.
    pub reach: Reach,
}

impl Estimates {
    /// Degrees of freedom that intervals rest on; n - p for a fit to one series.
    #[must_use]
    pub fn residual_df(&self) -> usize {
        self.df
    }

    /// Standard error of a term; `None` for a term held on its bound.
    #[must_use]
    pub fn standard_error(&self, term: usize) -> Option<f64> {
        let variance = self.covariance[term * (self.terms.len() + 1)];
        (variance > 0.0).then(|| variance.sqrt())
    }
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
    /// Whether a fit was tried: not of a series with too few values, or without growth.
    pub tried: bool,
}

/// Working memory of [`fit`]: made once a thread, sized by the fits it has seen.
#[derive(Debug, Default)]
pub struct Workspace {
    descent: Descent,
    /// Terms of the best optimum so far.
    best: Vec<f64>,
}

impl Workspace {
    /// An empty one; the first fit gives it its size.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
}

/// Fits a curve to one series: terms, their covariance, likelihood, and whether to
/// rely on them.
///
/// Least squares on the scale of the variance model, which is full maximum
/// likelihood for each of them. The loop allocates nothing once the workspace has
/// its size.
///
/// What is wrong with the series (too few weighings, no growth, a value that is not
/// finite) is a [`Outcome::Failed`] with its reason, never an error or a panic.
#[must_use]
pub fn fit(
    curve: &dyn Curve,
    series: Series<'_>,
    settings: &Settings,
    workspace: &mut Workspace,
) -> Outcome {
    let n = series.values.len();
    if let Some(reason) = support::unfit(curve, series, settings) {
        return Outcome::Failed(Failure {
            reason,
            n,
            tried: false,
        });
    }
    workspace.descent.reserve(n, curve.terms().len());
    let mut problem = Problem {
        curve,
        series,
        scale: Scale::of(settings.variance),
        weights: settings.weights.as_deref(),
    };
    let optimum = match settings.variance {
        Variance::Power => power::best_power(&mut problem, settings, workspace),
        _ => search::best_optimum(&problem, settings, workspace),
    };
    if optimum.end != End::Certified {
        let reason = support::no_optimum(&problem, &optimum, &workspace.descent);
        return Outcome::Failed(Failure {
            reason,
            n,
            tried: true,
        });
    }
    if let Some(order) = curve.relabelled(&workspace.descent.terms) {
        workspace.descent.relabel(order);
    }
    let step = curve.step(series.ages_d, &workspace.descent.terms);
    if let Some(step) = &step {
        workspace.descent.hold([step.rate_term, step.age_term]);
    }
    if let Some(reason) = support::singular(curve, &workspace.descent) {
        return Outcome::Failed(Failure {
            reason,
            n,
            tried: true,
        });
    }
    let estimates = estimates(
        &problem,
        settings.variance,
        &optimum,
        &mut workspace.descent,
    );
    let finite = estimates.covariance.iter().all(|entry| entry.is_finite());
    if !finite || !estimates.sigma.is_finite() {
        let reason = "the terms' standard errors are too large for a number: the values are of too different size".to_owned();
        return Outcome::Failed(Failure {
            reason,
            n,
            tried: true,
        });
    }
    if let Some(step) = &step {
        workspace.descent.held[step.rate_term] = false;
        workspace.descent.held[step.age_term] = false;
    }
    let mut weaknesses =
        support::weaknesses(curve, estimates.reach, &estimates, &workspace.descent.held);
    weaknesses.extend(
        step.iter()
            .flat_map(|step| support::step_weaknesses(curve, step)),
    );
    let spread = support::spread_weakness(estimates.variance, estimates.variance_power);
    weaknesses.extend(spread);
    if weaknesses.is_empty() {
        Outcome::Converged(estimates)
    } else {
        Outcome::Weak(estimates, weaknesses)
    }
}

/// Fits a curve to many series in parallel; the order of the answers is the
/// series', and they do not depend on the number of threads.
///
/// `done` is called, from any thread, with the number of fits finished since its last call.
pub fn fit_all(
    curve: &dyn Curve,
    series: &[Series<'_>],
    settings: &Settings,
    done: &(dyn Fn(usize) + Sync),
) -> Vec<Outcome> {
    series
        .par_iter()
        .map_init(Workspace::new, |workspace, series| {
            let outcome = fit(curve, *series, settings, workspace);
            done(1);
            outcome
        })
        .collect()
}

/// The numbers of a certified optimum.
fn estimates(
    problem: &Problem<'_>,
    variance: Variance,
    optimum: &Optimum,
    descent: &mut Descent,
) -> Estimates {
    let (n, p) = (descent.fitted.len(), descent.terms.len());
    let spread = problem.spread(descent);
    let sigma = (spread.rss / (n - p) as f64).sqrt();
    let covariance = match problem.scale {
        Scale::Natural | Scale::Logarithm => descent
            .inverse
            .iter()
            .map(|entry| entry * sigma * sigma)
            .collect(),
        Scale::PowerOfMean(_) => problem.covariance(sigma, variance == Variance::Power, descent),
    };
    Estimates {
        terms: descent.terms.as_slice().into(),
        covariance,
        weights: problem.weights.map(Into::into),
        sigma,
        rss: spread.rss,
        log_lik: spread.log_lik,
        n,
        parameters: p + 1 + usize::from(variance == Variance::Power),
        variance,
        variance_power: problem.scale.power(),
        iterations: optimum.iterations,
        relative_offset: optimum.relative_offset,
        df: n - p,
        covariance_error: None,
        ar1: None,
        reach: Reach::of(problem.series),
    }
}
