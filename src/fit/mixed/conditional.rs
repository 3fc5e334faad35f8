//! Each subject's curve: its conditional mode, and the precision of it.

use rayon::prelude::*;

use super::cholesky;
use super::ending::{Ending, around_into};
use super::problem::{CHUNK, Problem};
use super::scale;

/// Subjects' terms at their modes, and what is known of them.
#[derive(Debug)]
pub(super) struct Conditional {
    /// Terms, subjects x p.
    pub(super) terms: Vec<f64>,
    /// Their covariances, subjects x p x p.
    pub(super) covariances: Vec<f64>,
    /// 1 - variance of a random effect given the data / its variance, subjects x q.
    pub(super) reliabilities: Vec<f64>,
    /// Random effects, subjects x q.
    effects: Vec<f64>,
}

impl Conditional {
    pub(super) fn of(ending: &Ending, problem: &Problem<'_>) -> Self {
        let (p, q) = (problem.p, problem.q);
        let count = problem.subjects();
        let mut conditional = Self {
            terms: vec![0.0; count * p],
            covariances: vec![0.0; count * p * p],
            reliabilities: vec![0.0; count * q],
            effects: vec![0.0; count * q],
        };
        let sigma = ending.state.variance.sqrt();
        let factor: Vec<f64> = ending
            .state
            .factor
            .iter()
            .map(|value| value * sigma)
            .collect();
        let shared = Shared {
            problem,
            factor: &factor,
            beta_covariance: &ending.beta_covariance,
            cluster_covariances: &ending.cluster_covariances,
        };
        let cluster_effects = ending.state.cluster_effects(problem.cluster.len());
        // Without random effects the chunks of an empty slice would be none.
        let mut none = (vec![0.0; count], vec![0.0; count]);
        let (shares, effects) = if q == 0 {
            (&mut none.0, &mut none.1)
        } else {
            (&mut conditional.reliabilities, &mut conditional.effects)
        };
        let width = q.max(1);
        conditional
            .terms
            .par_chunks_mut(CHUNK * p)
            .zip(conditional.covariances.par_chunks_mut(CHUNK * p * p))
            .zip(shares.par_chunks_mut(CHUNK * width))
            .zip(effects.par_chunks_mut(CHUNK * width))
            .enumerate()
            .for_each(|(chunk, (((terms, covariances), shares), effects))| {
                let mut known = Known::new(p, q);
                for (at, (((terms, covariance), shares), effects)) in terms
                    .chunks_exact_mut(p)
                    .zip(covariances.chunks_exact_mut(p * p))
                    .zip(shares.chunks_exact_mut(width))
                    .zip(effects.chunks_exact_mut(width))
                    .enumerate()
                {
                    let subject = chunk * CHUNK + at;
                    let state = &ending.state;
                    let spherical = &state.spherical[subject * q..(subject + 1) * q];
                    effects_of(&state.factor, spherical, &mut effects[..q]);
                    problem.place(subject, &state.beta, &effects[..q], &mut known.eta);
                    let of_cluster = problem.cluster_part(subject, &cluster_effects);
                    for (term, effect) in problem.cluster.iter().zip(of_cluster) {
                        known.eta[*term] += effect;
                    }
                    scale::to_terms(problem.scales, &known.eta, terms);
                    let information = &ending.information[subject * p * p..][..p * p];
                    shared.know(information, &mut known);
                    shares[..q].copy_from_slice(&known.shares);
                    let error = ending.variance_error.as_ref();
                    let of_mode = error.map(|error| &error.modes[subject * p * p..][..p * p]);
                    shared.covariance((subject, of_mode), terms, &mut known, covariance);
                }
            });
        conditional
    }

    /// 1 - SD of the subjects' modes / SD between subjects, of the k-th effect of q.
    pub(super) fn shrinkage(&self, k: usize, q: usize, standard_deviation: f64) -> f64 {
        shrinkage(self.effects.iter().skip(k).step_by(q), standard_deviation)
    }
}

/// 1 - SD of these modes / the effect's SD.
pub(super) fn shrinkage<'e>(
    effects: impl Iterator<Item = &'e f64>,
    standard_deviation: f64,
) -> f64 {
    let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
    for effect in effects {
        sum += effect;
        squares += effect * effect;
        count += 1.0;
    }
    let mean = sum / f64::max(count, 1.0);
    let spread = (squares / f64::max(count, 1.0) - mean * mean)
        .max(0.0)
        .sqrt();
    if standard_deviation > 0.0 {
        1.0 - spread / standard_deviation
    } else {
        1.0
    }
}

/// What the subjects have in common: how a subject's own data and the population's
/// estimates make up its terms.
pub(super) struct Shared<'e, 'a> {
    pub(super) problem: &'e Problem<'a>,
    /// Factor of the random effects' covariance, q x q.
    pub(super) factor: &'e [f64],
    /// Covariance of the fixed effects.
    pub(super) beta_covariance: &'e [f64],
    /// Covariance of the fixed effects with the effect of a cluster, clusters x p x p;
    /// empty without clusters.
    pub(super) cluster_covariances: &'e [f64],
}

/// Working memory for one subject at a time, and what is known of it.
#[derive(Debug)]
pub(super) struct Known {
    /// Covariance of eta by the random effects given the data, p x p.
    pub(super) own: Vec<f64>,
    /// How eta at the mode moves with the fixed part of eta, p x p.
    pub(super) transfer: Vec<f64>,
    /// 1 - variance of a random effect given the data / its variance, q.
    pub(super) shares: Vec<f64>,
    /// The subject's eta.
    pub(super) eta: Vec<f64>,
    k: Vec<f64>,
    m: Vec<f64>,
    inverse: Vec<f64>,
    fixed: Vec<f64>,
    half: Vec<f64>,
    sum: Vec<f64>,
    jacobian: Vec<f64>,
}

impl Known {
    pub(super) fn new(p: usize, q: usize) -> Self {
        Self {
            own: vec![0.0; p * p],
            transfer: vec![0.0; p * p],
            shares: vec![0.0; q],
            eta: vec![0.0; p],
            k: vec![0.0; q * p],
            m: vec![0.0; q * q],
            inverse: vec![0.0; q * q],
            fixed: vec![0.0; p * p],
            half: vec![0.0; p * p],
            sum: vec![0.0; p * p],
            jacobian: vec![0.0; p * p],
        }
    }
}

impl Shared<'_, '_> {
    /// What a subject's expected information at its mode, p x p, makes known.
    ///
    /// The mode moves with the fixed effects by T = I - Z-part of L M^-1 L'Z'I, so
    /// the covariance is L M^-1 L' (random terms) + T Cov(beta) T'. For a curve linear
    /// in its terms that is the prediction error variance of the best linear unbiased
    /// predictor (Henderson 1975, Biometrics 31:423-447), for a subject that was fitted
    /// and for a new one.
    pub(super) fn know(&self, information: &[f64], known: &mut Known) {
        let (problem, factor) = (self.problem, self.factor);
        let (p, q) = (problem.p, problem.q);
        let Known {
            own,
            transfer,
            shares,
            k,
            m,
            inverse,
            ..
        } = known;
        // K = L' I over the random terms, q x p.
        k.fill(0.0);
        for row in 0..q {
            for l in row..q {
                for j in 0..p {
                    k[row * p + j] += factor[l * q + row] * information[problem.random[l] * p + j];
                }
            }
        }
        for row in 0..q {
            for column in 0..q {
                m[row * q + column] = (column..q)
                    .map(|l| k[row * p + problem.random[l]] * factor[l * q + column])
                    .sum();
            }
            m[row * q + row] += 1.0;
        }
        transfer.fill(0.0);
        for j in 0..p {
            transfer[j * p + j] = 1.0;
        }
        own.fill(0.0);
        shares.fill(0.0);
        if !cholesky::factor(m, q) {
            return;
        }
        cholesky::invert(m, q, inverse);
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
                    own[problem.random[a] * p + problem.random[c]] += left * factor[c * q + b];
                }
            }
            let term = problem.random[a];
            let before: f64 = (0..=a).map(|l| factor[a * q + l].powi(2)).sum();
            if before > 0.0 {
                shares[a] = (1.0 - own[term * p + term] / before).clamp(0.0, 1.0);
            }
        }
    }

    /// Covariance of the subject's terms, p x p, after [`Self::know`], with what the errors
    /// of the variance terms add to that of its mode.
    pub(super) fn covariance(
        &self,
        (subject, of_mode): (usize, Option<&[f64]>),
        terms: &[f64],
        known: &mut Known,
        out: &mut [f64],
    ) {
        let (p, fixed) = (self.problem.p, self.problem.fixed);
        let columns = self.problem.columns_of(subject);
        if let Some(clusters) = self.problem.clusters {
            let of_cluster = &self.cluster_covariances[clusters.of[subject] * p * p..][..p * p];
            known.fixed.copy_from_slice(of_cluster);
        } else {
            for (at, value) in known.fixed.iter_mut().enumerate() {
                *value = self.beta_covariance[columns[at / p] * fixed + columns[at % p]];
            }
        }
        around_into(
            &known.transfer,
            &known.fixed,
            p,
            &mut known.half,
            &mut known.sum,
        );
        known
            .sum
            .iter_mut()
            .zip(&known.own)
            .for_each(|(sum, part)| *sum += part);
        let added = of_mode.unwrap_or_default();
        for (sum, part) in known.sum.iter_mut().zip(added) {
            *sum += part;
        }
        scale::jacobian(self.problem.scales, terms, &mut known.jacobian);
        around_into(&known.jacobian, &known.sum, p, &mut known.half, out);
    }
}

/// A subject's random effects L u, from spherical ones and their factor, q x q.
pub(super) fn effects_of(factor: &[f64], spherical: &[f64], effects: &mut [f64]) {
    let q = effects.len();
    for (row, effect) in effects.iter_mut().enumerate() {
        *effect = (0..=row).map(|l| factor[row * q + l] * spherical[l]).sum();
    }
}
