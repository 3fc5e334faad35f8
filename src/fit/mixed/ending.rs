//! From the maximum to the result: standard errors, subjects' curves, cautions.

use rayon::prelude::*;

use super::alternating::State;
use super::cholesky;
use super::model::MixedModel;
use super::problem::{CHUNK, Problem};
use super::result::{Certificate, Estimated, FixedEffect, MixedFit, RandomEffect};
use super::scale;
use crate::fit::{Variance, Weakness};

/// A maximum of either likelihood, in the engine's own terms.
#[derive(Debug)]
pub(super) struct Ending {
    /// The factor in it is relative to sigma.
    pub(super) state: State,
    /// Covariance of the fixed effects, fixed x fixed.
    pub(super) beta_covariance: Vec<f64>,
    /// Information on eta of each subject's data at its mode, subjects x p x p.
    pub(super) information: Vec<f64>,
    /// Standard errors of ln(random SD).
    pub(super) log_sd_errors: Vec<Option<f64>>,
    /// Standard error of the power of the mean.
    pub(super) power_error: Option<f64>,
    /// Standard error of the logit of phi.
    pub(super) logit_phi_error: Option<f64>,
    pub(super) log_lik: f64,
    pub(super) certificate: Certificate,
    pub(super) weaknesses: Vec<Weakness>,
}

/// A random effect whose one SD moves a subject's fitted values by less than this
/// share of their error has gone to zero.
const VANISHED: f64 = 1e-2;
/// A standard error over this share of its term leaves the term unsupported.
const UNSUPPORTED: f64 = 0.5;

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
    ) -> (MixedFit, Vec<Weakness>) {
        let (p, q) = (problem.p, problem.q);
        let groups = problem.columns.len() / p;
        let covariance = self.covariance(q);
        let (group_terms, fixed_jacobian) = self.groups(problem, groups);
        let group_covariances = self.group_covariances(problem, &group_terms);
        let (fixed, fixed_covariance) =
            self.fixed_effects(problem, model, &group_terms, &fixed_jacobian);
        let (subject_terms, subject_covariances) = self.subjects(problem);
        let random: Vec<RandomEffect> = (0..q)
            .map(|k| {
                let standard_deviation = covariance[k * q + k].sqrt();
                RandomEffect {
                    term: problem.random[k],
                    standard_deviation,
                    standard_error: self.log_sd_errors[k].map(|error| error * standard_deviation),
                    shrinkage: self.shrinkage(problem, k, standard_deviation),
                }
            })
            .collect();
        self.judge_random(problem, &random, &covariance);
        self.judge_fixed(problem, &fixed);
        self.judge_errors(problem);
        let phi = self.state.errors.phi;
        let power = self.state.errors.power;
        let sigma = self.state.variance.sqrt() * (-power * problem.reference).exp();
        let errors = super::alternating::error_terms(problem);
        let fit = MixedFit {
            estimator: model.estimator,
            parameters: problem.fixed + problem.free_entries(is_full(model)).len() + 1 + errors,
            fixed,
            fixed_covariance,
            group_terms,
            group_covariances,
            random,
            random_covariance: covariance,
            sigma: if problem.spread_follows_mean() {
                sigma
            } else {
                self.state.variance.sqrt()
            },
            power: (problem.variance == Variance::Power).then_some(Estimated {
                value: power,
                standard_error: self.power_error,
            }),
            ar1: (problem.correlation == super::model::Correlation::Ar1).then_some(Estimated {
                value: phi,
                standard_error: self.logit_phi_error.map(|error| error * phi * (1.0 - phi)),
            }),
            log_lik: self.log_lik,
            n: problem.y.len(),
            subject_terms,
            subject_covariances,
            certificate: self.certificate,
            terms: p,
            state: self.state,
        };
        (fit, self.weaknesses)
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

    fn group_covariances(&self, problem: &Problem<'_>, group_terms: &[f64]) -> Vec<f64> {
        let (p, fixed) = (problem.p, problem.fixed);
        let mut all = Vec::with_capacity(group_terms.len() * p);
        for (group, terms) in group_terms.chunks_exact(p).enumerate() {
            let columns = &problem.columns[group * p..(group + 1) * p];
            let inner: Vec<f64> = (0..p * p)
                .map(|at| self.beta_covariance[columns[at / p] * fixed + columns[at % p]])
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
        // Row of d(effect)/d(beta) of each fixed effect.
        let mut rows = vec![0.0; fixed * fixed];
        for term in 0..p {
            let own = if model.grouped[term] { groups } else { 1 };
            for group in 0..own {
                let at = problem.columns[group * p + term];
                let row = &jacobians[group * p * p + term * p..][..p];
                for (slope, column) in row.iter().zip(&problem.columns[group * p..]) {
                    rows[at * fixed + column] += slope;
                }
                effects.push(FixedEffect {
                    term,
                    group: model.grouped[term].then_some(group),
                    value: group_terms[group * p + term],
                    standard_error: 0.0,
                });
            }
        }
        let covariance = around(&rows, &self.beta_covariance, fixed);
        for (at, effect) in effects.iter_mut().enumerate() {
            effect.standard_error = covariance[at * fixed + at].max(0.0).sqrt();
        }
        (effects, covariance)
    }

    /// Terms of all subjects and the covariances of those.
    fn subjects(&self, problem: &Problem<'_>) -> (Vec<f64>, Vec<f64>) {
        let (p, q) = (problem.p, problem.q);
        let count = problem.subjects();
        let (mut terms, mut covariances) = (vec![0.0; count * p], vec![0.0; count * p * p]);
        terms
            .par_chunks_mut(CHUNK * p)
            .zip(covariances.par_chunks_mut(CHUNK * p * p))
            .enumerate()
            .for_each(|(chunk, (terms, covariances))| {
                let mut eta = vec![0.0; p];
                let mut effects = vec![0.0; q];
                for (at, (terms, covariance)) in terms
                    .chunks_exact_mut(p)
                    .zip(covariances.chunks_exact_mut(p * p))
                    .enumerate()
                {
                    let subject = chunk * CHUNK + at;
                    self.effects(subject, q, &mut effects);
                    problem.place(subject, &self.state.beta, &effects, &mut eta);
                    scale::to_terms(problem.scales, &eta, terms);
                    let inner = self.eta_covariance(problem, subject);
                    covariance.copy_from_slice(&sandwich(problem, terms, &inner));
                }
            });
        (terms, covariances)
    }

    /// A subject's random effects L u.
    fn effects(&self, subject: usize, q: usize, effects: &mut [f64]) {
        for (row, effect) in effects.iter_mut().enumerate() {
            *effect = (0..=row)
                .map(|l| self.state.factor[row * q + l] * self.state.spherical[subject * q + l])
                .sum();
        }
    }

    /// Covariance of a subject's eta about its mode.
    ///
    /// The mode moves with the fixed effects by T = I - Z-part of L M^-1 L'Z'I, so
    /// the covariance is L M^-1 L' (random terms) + T Cov(beta) T'.
    fn eta_covariance(&self, problem: &Problem<'_>, subject: usize) -> Vec<f64> {
        let (p, q, fixed) = (problem.p, problem.q, problem.fixed);
        let information = &self.information[subject * p * p..(subject + 1) * p * p];
        let sigma = self.state.variance.sqrt();
        let factor: Vec<f64> = self
            .state
            .factor
            .iter()
            .map(|value| value * sigma)
            .collect();
        // K = L' I over the random terms, q x p.
        let mut k = vec![0.0; q * p];
        for row in 0..q {
            for l in row..q {
                for j in 0..p {
                    k[row * p + j] += factor[l * q + row] * information[problem.random[l] * p + j];
                }
            }
        }
        let mut m = vec![0.0; q * q];
        for row in 0..q {
            for column in 0..q {
                m[row * q + column] = (column..q)
                    .map(|l| k[row * p + problem.random[l]] * factor[l * q + column])
                    .sum();
            }
            m[row * q + row] += 1.0;
        }
        let mut transfer: Vec<f64> = (0..p * p)
            .map(|at| if at / p == at % p { 1.0 } else { 0.0 })
            .collect();
        let mut covariance = vec![0.0; p * p];
        if cholesky::factor(&mut m, q) {
            let mut inverse = vec![0.0; q * q];
            cholesky::invert(&m, q, &mut inverse);
            for a in 0..q {
                for b in 0..q {
                    // (L M^-1)[a, b]
                    let left: f64 = (0..=a)
                        .map(|l| factor[a * q + l] * inverse[l * q + b])
                        .sum();
                    for j in 0..p {
                        transfer[problem.random[a] * p + j] -= left * k[b * p + j];
                    }
                    for c in b..q {
                        covariance[problem.random[a] * p + problem.random[c]] +=
                            left * factor[c * q + b];
                    }
                }
            }
        }
        let columns = problem.columns_of(subject);
        let own: Vec<f64> = (0..p * p)
            .map(|at| self.beta_covariance[columns[at / p] * fixed + columns[at % p]])
            .collect();
        let fixed_part = around(&transfer, &own, p);
        covariance
            .iter_mut()
            .zip(fixed_part)
            .for_each(|(sum, part)| *sum += part);
        covariance
    }

    fn shrinkage(&self, problem: &Problem<'_>, k: usize, standard_deviation: f64) -> f64 {
        let q = problem.q;
        let mut effects = vec![0.0; q];
        let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
        for subject in 0..problem.subjects() {
            self.effects(subject, q, &mut effects);
            sum += effects[k];
            squares += effects[k] * effects[k];
            count += 1.0;
        }
        let spread = (squares / count - (sum / count) * (sum / count))
            .max(0.0)
            .sqrt();
        if standard_deviation > 0.0 {
            1.0 - spread / standard_deviation
        } else {
            1.0
        }
    }

    fn judge_random(&mut self, problem: &Problem<'_>, random: &[RandomEffect], covariance: &[f64]) {
        let (p, q) = (problem.p, problem.q);
        let terms = problem.curve.terms();
        let subjects = problem.subjects();
        if q > 0 && subjects <= q + 1 {
            self.weaknesses.push(Weakness {
                term: None,
                reason: format!(
                    "only {subjects} subjects: the spread between subjects is hardly known"
                ),
            });
        }
        for (k, effect) in random.iter().enumerate() {
            let (mut told, mut count) = (0.0, 0.0);
            for information in self.information.chunks_exact(p * p) {
                told += information[effect.term * p + effect.term];
                count += 1.0;
            }
            let reach = effect.standard_deviation * (told / f64::max(count, 1.0)).sqrt();
            let name = &terms[effect.term].name;
            if reach < VANISHED {
                self.weaknesses.push(Weakness {
                    term: Some(effect.term),
                    reason: format!(
                        "the random effect of {name} goes to zero: subjects differ in {name} by no more than their residuals explain; leave it out of the random terms"
                    ),
                });
                continue;
            }
            for other in 0..k {
                let size = effect.standard_deviation * random[other].standard_deviation;
                let correlation = covariance[k * q + other] / size;
                if size > 0.0 && correlation.abs() > 0.999 {
                    self.weaknesses.push(Weakness {
                        term: Some(effect.term),
                        reason: format!(
                            "the random effects of {} and {name} have a correlation of {correlation:.4}: the data hold one of them, not two; take a diagonal covariance or leave one out",
                            terms[random[other].term].name
                        ),
                    });
                }
            }
        }
    }

    fn judge_fixed(&mut self, problem: &Problem<'_>, fixed: &[FixedEffect]) {
        for effect in fixed {
            let name = &problem.curve.terms()[effect.term].name;
            let share = effect.standard_error / effect.value.abs();
            let group = effect
                .group
                .map_or_else(String::new, |group| format!(" of group {}", group + 1));
            if !(share <= UNSUPPORTED) {
                self.weaknesses.push(Weakness {
                    term: Some(effect.term),
                    reason: format!(
                        "{name}{group} is not supported by the data: its standard error is {:.0} percent of it",
                        100.0 * share.min(1e4)
                    ),
                });
            }
        }
    }

    fn judge_errors(&mut self, problem: &Problem<'_>) {
        let phi = self.state.errors.phi;
        if problem.correlation == super::model::Correlation::Ar1
            && !(1e-6..1.0 - 1e-6).contains(&phi)
        {
            let reason = if phi < 0.5 {
                "the residual correlation goes to zero: residuals are independent; leave it out"
            } else {
                "the residual correlation goes to one: it stands for differences between subjects; give a term a random effect instead"
            };
            self.weaknesses.push(Weakness {
                term: None,
                reason: reason.to_owned(),
            });
        }
    }
}

pub(super) fn is_full(model: &MixedModel<'_>) -> bool {
    model.covariance == super::model::Covariance::Full
}

/// A B A' for n x n matrices.
fn around(a: &[f64], b: &[f64], n: usize) -> Vec<f64> {
    let mut half = vec![0.0; n * n];
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
    let mut out = vec![0.0; n * n];
    for i in 0..n {
        for j in 0..n {
            out[i * n + j] = (0..n).map(|k| half[i * n + k] * a[j * n + k]).sum();
        }
    }
    out
}

/// Covariance of the curve's terms from that of eta.
fn sandwich(problem: &Problem<'_>, terms: &[f64], covariance: &[f64]) -> Vec<f64> {
    let p = problem.p;
    let mut jacobian = vec![0.0; p * p];
    scale::jacobian(problem.scales, terms, &mut jacobian);
    around(&jacobian, covariance, p)
}
