//! From the maximum to the result: fixed effects, spread, errors.
//!
//! The subjects' own curves are `conditional.rs`, what to be careful about is
//! `caution.rs`.

use std::sync::Arc;

use super::alternating::State;
use super::conditional::{Conditional, shrinkage};
use super::covariance_error::CovarianceError;
use super::model::{Estimator, MixedModel};
use super::problem::Problem;
use super::result::{Certificate, Estimated, FixedEffect, MixedFit, RandomEffect};
use super::scale;
use super::subjects::Subjects;
use super::vanished::vanished;
use super::variance_error::VarianceError;
use crate::fit::{Variance, Weakness};

/// A maximum of either likelihood, in the engine's own terms.
#[derive(Debug)]
pub(super) struct Ending {
    /// How it was found, with the nodes that were taken.
    pub(super) estimator: Estimator,
    /// Whether some combination of the parameters has no curvature at the end.
    pub(super) undetermined: bool,
    /// The factor in it is relative to sigma.
    pub(super) state: State,
    /// Covariance of the fixed effects, fixed x fixed.
    pub(super) beta_covariance: Vec<f64>,
    /// The same by the variation between clusters, which groups are compared by where whole
    /// clusters belong to them.
    pub(super) group_covariance: Option<Vec<f64>>,
    /// Information on eta of each subject's data at its mode, subjects x p x p.
    pub(super) information: Vec<f64>,
    /// Standard errors of ln(random SD).
    pub(super) log_sd_errors: Vec<Option<f64>>,
    /// Covariance of (fixed effects + cluster effect), clusters x p x p; empty without
    /// clusters.
    pub(super) cluster_covariances: Vec<f64>,
    /// What the errors of the variance terms make of all this, where they are known.
    pub(super) variance_error: Option<VarianceError>,
    /// Standard errors of ln(cluster SD).
    pub(super) cluster_log_sd_errors: Vec<Option<f64>>,
    /// Standard error of ln sigma (at a fitted value of 1).
    pub(super) log_sigma_error: Option<f64>,
    /// Standard errors of the random effects' correlations, q x q.
    pub(super) correlation_errors: Vec<Option<f64>>,
    /// Standard error of the power of the mean.
    pub(super) power_error: Option<f64>,
    /// Standard error of the logit of phi.
    pub(super) logit_phi_error: Option<f64>,
    pub(super) log_lik: f64,
    pub(super) certificate: Certificate,
    pub(super) weaknesses: Vec<Weakness>,
}

/// An SD that went to zero has no standard error: one of its logarithm beyond this is
/// the rounding of a flat likelihood.
const KNOWN: f64 = 10.0;

impl Ending {
    /// Random SDs and their covariance.
    fn covariance(&self, q: usize) -> Vec<f64> {
        let mut covariance = vec![0.0; q * q];
        for k in 0..q {
            for l in 0..q {
                let sum: f64 = (0..=k.min(l))
                    .map(|m| self.state.factor[k * q + m] * self.state.factor[l * q + m])
                    .sum();
                covariance[k * q + l] = self.state.variance * sum;
            }
        }
        covariance
    }

    /// The result, and what to be careful about.
    pub(super) fn result(
        mut self,
        problem: &Problem<'_>,
        model: &MixedModel<'_>,
        subjects: &Subjects<'_>,
    ) -> (MixedFit, Vec<Weakness>) {
        let (p, q) = (problem.p, problem.q);
        let groups = problem.columns.len() / p;
        let random_covariance = self.covariance(q);
        let (group_terms, fixed_jacobian) = self.groups(problem, groups);
        let group_covariances = self.group_covariances(problem, &group_terms);
        let (fixed, fixed_covariance) =
            self.fixed_effects(problem, model, &group_terms, &fixed_jacobian);
        let conditional = Conditional::of(&self, problem);
        let most = if problem.q == 0 && problem.clusters.is_none() {
            problem.y.len().saturating_sub(problem.fixed)
        } else {
            problem.subjects().saturating_sub(groups)
        };
        let of_groups = |error| CovarianceError::of(problem, error, &group_terms, most as f64);
        let covariance_error = self.variance_error.as_ref().map(of_groups).map(Arc::new);
        let sigma = self.sigma(problem);
        let mut weaknesses = std::mem::take(&mut self.weaknesses);
        let errors = super::error_terms::error_terms(problem);
        let fit = MixedFit {
            estimator: self.estimator,
            criterion: model.criterion,
            covariance: model.covariance,
            variance: problem.variance,
            parameters: problem.fixed
                + problem.free_entries(is_full(model)).len()
                + problem.cluster_spreads()
                + 1
                + errors,
            fixed,
            fixed_covariance,
            covariance_error,
            group_terms,
            group_covariances,
            random: self.random(problem, &random_covariance, &conditional),
            cluster: self.clusters(problem),
            clusters: problem.clusters.map_or(0, |_| subjects.cluster_count()),
            vanished: vanished(problem, &random_covariance, &self.information),
            random_covariance,
            sigma,
            sigma_error: self.log_sigma_error.map(|error| error * sigma),
            power: self.power(problem),
            ar1: self.ar1(problem),
            correlation_errors: self.correlation_errors,
            log_lik: self.log_lik,
            n: problem.y.len(),
            subject_terms: conditional.terms,
            subject_covariances: conditional.covariances,
            residual_df: residual_df(problem, &conditional.reliabilities),
            reliabilities: conditional.reliabilities,
            subject_groups: problem.groups.to_vec(),
            certificate: self.certificate,
            reaches: super::caution::reaches(subjects, groups),
            terms: p,
            beta_covariance: self.beta_covariance,
            state: self.state,
        };
        // Where a spread went to zero the reason for that is more informative.
        if self.undetermined && fit.vanished.is_empty() {
            weaknesses.push(Weakness {
                term: None,
                reason: "the Hessian is not positive definite at the end: some combination of the terms is not identified by these data; take fewer random terms or a diagonal covariance".to_owned(),
            });
        }
        weaknesses.extend(super::caution::cautions(&fit, problem, subjects));
        (fit, weaknesses)
    }

    /// Residual SD; at a fitted value of 1 where the spread follows the mean.
    fn sigma(&self, problem: &Problem<'_>) -> f64 {
        let sigma = self.state.variance.sqrt();
        if problem.spread_follows_mean() {
            sigma * (-self.state.errors.power * problem.reference).exp()
        } else {
            sigma
        }
    }

    fn power(&self, problem: &Problem<'_>) -> Option<Estimated> {
        (problem.variance == Variance::Power).then_some(Estimated {
            value: self.state.errors.power,
            standard_error: self.power_error,
        })
    }

    fn ar1(&self, problem: &Problem<'_>) -> Option<Estimated> {
        let phi = self.state.errors.phi;
        (problem.correlation == super::model::Correlation::Ar1).then_some(Estimated {
            value: phi,
            standard_error: self.logit_phi_error.map(|error| error * phi * (1.0 - phi)),
        })
    }

    fn random(
        &self,
        problem: &Problem<'_>,
        covariance: &[f64],
        conditional: &Conditional,
    ) -> Vec<RandomEffect> {
        let q = problem.q;
        let effect = |k: usize| {
            let standard_deviation = covariance[k * q + k].sqrt();
            let term = problem.random[k];
            RandomEffect {
                term,
                scale: problem.scales[term],
                standard_deviation,
                standard_error: self.log_sd_errors[k]
                    .filter(|error| *error < KNOWN)
                    .map(|error| error * standard_deviation),
                shrinkage: conditional.shrinkage(k, q, standard_deviation),
            }
        };
        (0..q).map(effect).collect()
    }

    fn clusters(&self, problem: &Problem<'_>) -> Vec<RandomEffect> {
        let q = problem.cluster.len();
        let sigma = self.state.variance.sqrt();
        let effects = self.state.cluster_effects(q);
        let terms = problem.cluster.iter().enumerate();
        let effect = terms.map(|(c, term)| {
            let (row, column) = problem.cluster_entry(c);
            let standard_deviation = sigma * self.state.cluster_factor[row * q + column];
            RandomEffect {
                term: *term,
                scale: problem.scales[*term],
                standard_deviation,
                standard_error: self.cluster_log_sd_errors[c]
                    .filter(|error| *error < KNOWN)
                    .map(|error| error * standard_deviation),
                shrinkage: shrinkage(effects.iter().skip(c).step_by(q), standard_deviation),
            }
        });
        effect.collect()
    }

    /// Terms of each group's typical subject, and d(terms)/d(eta) of each.
    fn groups(&self, problem: &Problem<'_>, groups: usize) -> (Vec<f64>, Vec<f64>) {
        let p = problem.p;
        let (mut terms, mut jacobians) = (vec![0.0; groups * p], vec![0.0; groups * p * p]);
        let mut eta = vec![0.0; p];
        for group in 0..groups {
            for (eta, column) in eta.iter_mut().zip(&problem.columns[group * p..]) {
                *eta = self.state.beta[*column];
            }
            let terms = &mut terms[group * p..(group + 1) * p];
            scale::to_terms(problem.scales, &eta, terms);
            scale::jacobian(problem.scales, terms, &mut jacobians[group * p * p..]);
        }
        (terms, jacobians)
    }

    /// Covariance of the fixed effects by which groups are compared, fixed x fixed.
    fn among_groups(&self) -> &[f64] {
        self.group_covariance
            .as_ref()
            .unwrap_or(&self.beta_covariance)
    }

    fn group_covariances(&self, problem: &Problem<'_>, group_terms: &[f64]) -> Vec<f64> {
        let (p, fixed) = (problem.p, problem.fixed);
        let among_groups = self.among_groups();
        let mut all = Vec::with_capacity(group_terms.len() * p);
        for (group, terms) in group_terms.chunks_exact(p).enumerate() {
            let columns = &problem.columns[group * p..(group + 1) * p];
            let inner: Vec<f64> = (0..p * p)
                .map(|at| among_groups[columns[at / p] * fixed + columns[at % p]])
                .collect();
            all.extend(sandwich(problem, terms, &inner));
        }
        all
    }

    /// Fixed effects in the terms' own units, with covariance.
    fn fixed_effects(
        &self,
        problem: &Problem<'_>,
        model: &MixedModel<'_>,
        group_terms: &[f64],
        jacobians: &[f64],
    ) -> (Vec<FixedEffect>, Vec<f64>) {
        let (p, fixed) = (problem.p, problem.fixed);
        let groups = problem.columns.len() / p;
        let mut effects = Vec::with_capacity(fixed);
        // d(effect)/d(beta) of each fixed effect, where it is not zero, and of which beta.
        let mut rows = Vec::with_capacity(fixed);
        for term in 0..p {
            let own = if model.grouped[term] { groups } else { 1 };
            for group in 0..own {
                let slopes = &jacobians[group * p * p + term * p..][..p];
                rows.push((slopes, &problem.columns[group * p..][..p]));
                effects.push(FixedEffect {
                    term,
                    group: model.grouped[term].then_some(group),
                    value: group_terms[group * p + term],
                    standard_error: 0.0,
                });
            }
        }
        let mut covariance = Vec::with_capacity(fixed * fixed);
        let mut half = vec![0.0; fixed];
        for (slopes, columns) in &rows {
            half.fill(0.0);
            for (slope, column) in slopes.iter().zip(*columns) {
                let from = &self.among_groups()[column * fixed..][..fixed];
                for (half, covariance) in half.iter_mut().zip(from) {
                    *half += slope * covariance;
                }
            }
            covariance.extend(rows.iter().map(|(slopes, columns)| {
                let parts = slopes.iter().zip(*columns);
                parts.map(|(slope, at)| half[*at] * slope).sum::<f64>()
            }));
        }
        for (at, effect) in effects.iter_mut().enumerate() {
            effect.standard_error = covariance[at * fixed + at].max(0.0).sqrt();
        }
        (effects, covariance)
    }
}

/// Degrees of freedom of the residuals, from the subjects' own shares of their effects.
fn residual_df(problem: &Problem<'_>, reliabilities: &[f64]) -> usize {
    let taken: f64 = reliabilities.iter().sum();
    let left = (problem.y.len().saturating_sub(problem.fixed) as f64 - taken).max(1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 1 and the number of observations"
    )]
    let whole = left as usize;
    whole
}

pub(super) fn is_full(model: &MixedModel<'_>) -> bool {
    model.covariance == super::model::Covariance::Full
}

/// A B A' for n x n matrices.
pub(super) fn around(a: &[f64], b: &[f64], n: usize) -> Vec<f64> {
    let (mut half, mut out) = (vec![0.0; n * n], vec![0.0; n * n]);
    around_into(a, b, n, &mut half, &mut out);
    out
}

/// The same into `out`, with memory for A B.
pub(super) fn around_into(a: &[f64], b: &[f64], n: usize, half: &mut [f64], out: &mut [f64]) {
    half.fill(0.0);
    for i in 0..n {
        for k in 0..n {
            let weight = a[i * n + k];
            if weight != 0.0 {
                for j in 0..n {
                    half[i * n + j] += weight * b[k * n + j];
                }
            }
        }
    }
    for i in 0..n {
        for j in 0..n {
            out[i * n + j] = (0..n).map(|k| half[i * n + k] * a[j * n + k]).sum();
        }
    }
}

/// Covariance of the curve's terms from that of eta.
fn sandwich(problem: &Problem<'_>, terms: &[f64], covariance: &[f64]) -> Vec<f64> {
    let p = problem.p;
    let mut jacobian = vec![0.0; p * p];
    scale::jacobian(problem.scales, terms, &mut jacobian);
    around(&jacobian, covariance, p)
}
