//! What a mixed fit gives.

use std::sync::Arc;

use super::alternating::State;
use super::covariance_error::CovarianceError;
use super::model::{Covariance, Criterion, Estimator};
use super::scale::TermScale;
use super::vanished::Vanished;
use crate::fit::estimable::{NotEstimable, Reach};
use crate::fit::{Failure, Variance, Weakness};

/// A mixed fit's answer.
#[derive(Debug, Clone)]
pub enum MixedOutcome {
    /// At the maximum, and every part is supported by the data.
    Converged(Box<MixedFit>),
    /// At the maximum, but these parts are not supported by the data.
    Weak(Box<MixedFit>, Vec<Weakness>),
    /// Why there are no numbers.
    Failed(Failure),
}

impl MixedOutcome {
    /// The fit, weak or not.
    #[must_use]
    pub fn fit(&self) -> Option<&MixedFit> {
        match self {
            Self::Converged(fit) | Self::Weak(fit, _) => Some(fit),
            Self::Failed(_) => None,
        }
    }

    /// The fit itself, weak or not.
    #[must_use]
    pub fn into_fit(self) -> Option<Box<MixedFit>> {
        match self {
            Self::Converged(fit) | Self::Weak(fit, _) => Some(fit),
            Self::Failed(_) => None,
        }
    }

    /// `converged`, `weak` or `failed`, as written in the tables.
    #[must_use]
    pub fn status(&self) -> &'static str {
        match self {
            Self::Converged(_) => "converged",
            Self::Weak(..) => "weak",
            Self::Failed(_) => "failed",
        }
    }

    /// Reasons for caution or failure, in words; none for a converged fit.
    #[must_use]
    pub fn reasons(&self) -> Vec<&str> {
        match self {
            Self::Converged(_) => Vec::new(),
            Self::Weak(_, reasons) => reasons.iter().map(|weak| &*weak.reason).collect(),
            Self::Failed(failure) => vec![&*failure.reason],
        }
    }
}

/// A value and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimated {
    /// The estimate.
    pub value: f64,
    /// Its standard error; `None` where the likelihood has no curvature for it.
    pub standard_error: Option<f64>,
}

/// A fixed effect: a term of the typical subject, of one group or of all.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixedEffect {
    /// Index of the term in the curve's order.
    pub term: usize,
    /// The group, or `None` where all groups share it.
    pub group: Option<usize>,
    /// Value in the term's own unit (of the median subject where the random effect
    /// is on the log scale).
    pub value: f64,
    /// Standard error in the same unit.
    pub standard_error: f64,
}

/// How one term differs between subjects.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RandomEffect {
    /// Index of the term in the curve's order.
    pub term: usize,
    /// Scale on which the effect is normal, and on which its standard deviation is reported.
    pub scale: TermScale,
    /// Standard deviation between subjects, on that scale.
    pub standard_deviation: f64,
    /// Standard error of that, by expected or observed information.
    pub standard_error: Option<f64>,
    /// 1 - SD of the subjects' modes / `standard_deviation`: near 0 where each
    /// subject determines its term, near 1 where all are drawn to the mean.
    pub shrinkage: f64,
}

/// Greatest standard error of a spread as a share of it: the interval, on the scale of
/// the logarithm, then reaches from a seventh of it to seven times it (common practice,
/// no source).
const GREATEST_SPREAD_ERROR: f64 = 1.0;

impl RandomEffect {
    /// The standard deviation between subjects and its standard error.
    ///
    /// # Errors
    /// Why the data do not determine it.
    pub fn spread(&self) -> Result<Estimated, NotEstimable> {
        let known = |error: &f64| *error <= GREATEST_SPREAD_ERROR * self.standard_deviation;
        match self.standard_error.filter(known) {
            Some(_) => Ok(Estimated {
                value: self.standard_deviation,
                standard_error: self.standard_error,
            }),
            None => Err(NotEstimable::Undetermined(
                "the data do not determine how much subjects differ: the standard error of their spread exceeds it, or there is none"
                    .to_owned(),
            )),
        }
    }
}

/// Numerical precision of the maximum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Certificate {
    /// Length of the gradient in the metric of the information: the distance to the
    /// maximum of the quadratic through this point, in standard errors.
    pub gradient: f64,
    /// Least eigenvalue of the outer Hessian scaled to unit diagonal: positive at a
    /// true maximum, near 0 where some combination is not identified.
    pub least_eigenvalue: f64,
    /// Rounds of the outer iteration.
    pub iterations: usize,
}

/// A mixed model fitted to subjects.
#[derive(Debug, Clone)]
pub struct MixedFit {
    /// Which approximation of the likelihood was maximised; of a quadrature, with the
    /// number of nodes that it took.
    pub estimator: Estimator,
    /// Whether it was restricted.
    pub criterion: Criterion,
    /// Whether the random effects may be correlated.
    pub covariance: Covariance,
    /// How the residual spread depends on the fitted value.
    pub variance: Variance,
    /// Fixed effects: terms in the curve's order, groups within a term.
    pub fixed: Vec<FixedEffect>,
    /// Their covariance, row-major in the same order.
    pub fixed_covariance: Vec<f64>,
    /// How well the covariance of the groups' terms is known; `None` of a fit by unrestricted
    /// likelihood, or where the variance terms have no information.
    pub covariance_error: Option<Arc<CovarianceError>>,
    /// Terms of the typical subject of each group, groups x p.
    pub group_terms: Vec<f64>,
    /// Covariance of those, groups x p x p.
    pub group_covariances: Vec<f64>,
    /// Random effects in the order of the options.
    pub random: Vec<RandomEffect>,
    /// Random effects of the clusters, in the order of the options; none without clusters.
    /// They belong to the design: one that goes to zero stays, and is no reason for caution.
    pub cluster: Vec<RandomEffect>,
    /// Clusters that have subjects; 0 where there are no cluster effects.
    pub clusters: usize,
    /// Covariance of the subjects' random effects, q x q.
    pub random_covariance: Vec<f64>,
    /// Which of them, or which combinations of them, went to zero.
    pub vanished: Vec<Vanished>,
    /// Standard errors of their correlations, q x q; none on the diagonal, nor where
    /// the effects are independent by assumption.
    pub correlation_errors: Vec<Option<f64>>,
    /// Residual standard deviation at the maximum; the factor of |fitted|^power
    /// where the spread follows the fitted value.
    pub sigma: f64,
    /// Standard error of sigma; `None` where the alternating method estimates a
    /// power beside it.
    pub sigma_error: Option<f64>,
    /// Power of the fitted value in the residual SD, where it is estimated.
    pub power: Option<Estimated>,
    /// Correlation of residuals one day apart, where it is estimated.
    pub ar1: Option<Estimated>,
    /// Log-likelihood (of the linearised model for the alternating method,
    /// restricted where that was requested).
    pub log_lik: f64,
    /// Observations.
    pub n: usize,
    /// Parameters that count in AIC.
    pub parameters: usize,
    /// Terms of each subject at its conditional mode, subjects x p.
    pub subject_terms: Vec<f64>,
    /// Covariance of a subject's terms about its mode, subjects x p x p: of the
    /// random effects given the data, of the fixed effects as far as the subject's own
    /// data do not make up for them, and, of a fit by restricted likelihood, of the
    /// variance terms.
    pub subject_covariances: Vec<f64>,
    /// How much of each random effect a subject's own data determine, subjects x q:
    /// 1 - variance of the effect given the data / variance between subjects. Near 1
    /// the subject's data determine the effect, near 0 it is the group's mean.
    pub reliabilities: Vec<f64>,
    /// Degrees of freedom of the residuals, at least 1: observations minus fixed effects and
    /// the effective number of the subjects' effects.
    pub residual_df: usize,
    /// Fixed-effect group of each subject.
    pub subject_groups: Vec<usize>,
    /// Numerical precision of the maximum.
    pub certificate: Certificate,
    /// How far the data of each group reach.
    pub reaches: Vec<Reach>,
    pub(super) terms: usize,
    /// Covariance of the fixed effects on the engine's scales.
    pub(super) beta_covariance: Vec<f64>,
    pub(super) state: State,
}

impl MixedFit {
    /// Terms of one subject at its conditional mode.
    #[must_use]
    pub fn subject(&self, subject: usize) -> &[f64] {
        let p = self.terms;
        &self.subject_terms[subject * p..(subject + 1) * p]
    }

    /// Covariance of one subject's terms, p x p.
    #[must_use]
    pub fn subject_covariance(&self, subject: usize) -> &[f64] {
        let size = self.terms * self.terms;
        &self.subject_covariances[subject * size..(subject + 1) * size]
    }

    /// Terms of the typical subject of a group.
    #[must_use]
    pub fn group(&self, group: usize) -> &[f64] {
        let p = self.terms;
        &self.group_terms[group * p..(group + 1) * p]
    }

    /// Covariance of a group's terms, p x p.
    #[must_use]
    pub fn group_covariance(&self, group: usize) -> &[f64] {
        let size = self.terms * self.terms;
        &self.group_covariances[group * size..(group + 1) * size]
    }

    /// Correlation of two random effects, by their order in the options.
    #[must_use]
    pub fn random_correlation(&self, first: usize, second: usize) -> f64 {
        let q = self.random.len();
        let size = self.random[first].standard_deviation * self.random[second].standard_deviation;
        if size > 0.0 {
            (self.random_covariance[first * q + second] / size).clamp(-1.0, 1.0)
        } else {
            0.0
        }
    }

    /// Akaike's criterion.
    #[must_use]
    pub fn aic(&self) -> f64 {
        2.0 * self.count() - 2.0 * self.log_lik
    }

    /// Akaike's criterion for few observations; infinite where there are too few.
    #[must_use]
    pub fn aicc(&self) -> f64 {
        let (k, n) = (self.count(), self.observations());
        if n - k - 1.0 > 0.0 {
            self.aic() + 2.0 * k * (k + 1.0) / (n - k - 1.0)
        } else {
            f64::INFINITY
        }
    }

    /// Schwarz's criterion, with the number of observations.
    #[must_use]
    pub fn bic(&self) -> f64 {
        self.count() * self.observations().ln() - 2.0 * self.log_lik
    }

    /// How much of each random effect one subject's own data determine, in the order of
    /// the options.
    #[must_use]
    pub fn reliability(&self, subject: usize) -> &[f64] {
        let q = self.random.len();
        &self.reliabilities[subject * q..(subject + 1) * q]
    }

    /// Number of fixed-effect groups.
    #[must_use]
    pub fn groups(&self) -> usize {
        self.group_terms.len() / self.terms
    }

    fn count(&self) -> f64 {
        self.parameters as f64
    }

    fn observations(&self) -> f64 {
        self.n as f64
    }
}
