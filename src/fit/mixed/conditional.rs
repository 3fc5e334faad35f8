//! Each subject's own curve: its conditional mode, and how sure that is.

use rayon::prelude::*;

use super::cholesky;
use super::ending::{Ending, around, sandwich};
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
    pub(super) own_shares: Vec<f64>,
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
            own_shares: vec![0.0; count * q],
            effects: vec![0.0; count * q],
        };
        let one = One::new(ending, problem);
        // Without random effects the chunks of an empty slice would be none.
        let mut none = (vec![0.0; count], vec![0.0; count]);
        let (shares, effects) = if q == 0 {
            (&mut none.0, &mut none.1)
        } else {
            (&mut conditional.own_shares, &mut conditional.effects)
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
                let mut work = Work::new(p, q);
                for (at, (((terms, covariance), shares), effects)) in terms
                    .chunks_exact_mut(p)
                    .zip(covariances.chunks_exact_mut(p * p))
                    .zip(shares.chunks_exact_mut(width))
                    .zip(effects.chunks_exact_mut(width))
                    .enumerate()
                {
                    let subject = chunk * CHUNK + at;
                    one.effects(subject, &mut effects[..q]);
                    problem.place(subject, &ending.state.beta, &effects[..q], &mut work.eta);
                    scale::to_terms(problem.scales, &work.eta, terms);
                    let inner = one.eta_covariance(subject, &mut work, &mut shares[..q]);
                    covariance.copy_from_slice(&sandwich(problem, terms, &inner));
                }
            });
        conditional
    }

    /// 1 - SD of the subjects' modes / SD between subjects, of the k-th effect of q.
    pub(super) fn shrinkage(&self, k: usize, q: usize, standard_deviation: f64) -> f64 {
        let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
        for effect in self.effects.iter().skip(k).step_by(q) {
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
}

/// What the subjects have in common.
struct One<'e, 'a> {
    ending: &'e Ending,
    problem: &'e Problem<'a>,
    /// Factor of the random effects' covariance, q x q.
    factor: Vec<f64>,
}

/// Working memory for one subject at a time.
struct Work {
    eta: Vec<f64>,
    k: Vec<f64>,
    m: Vec<f64>,
    inverse: Vec<f64>,
}

impl Work {
    fn new(p: usize, q: usize) -> Self {
        Self {
            eta: vec![0.0; p],
            k: vec![0.0; q * p],
            m: vec![0.0; q * q],
            inverse: vec![0.0; q * q],
        }
    }
}

impl<'e, 'a> One<'e, 'a> {
    fn new(ending: &'e Ending, problem: &'e Problem<'a>) -> Self {
        let sigma = ending.state.variance.sqrt();
        let factor = ending.state.factor.iter().map(|value| value * sigma);
        Self {
            ending,
            problem,
            factor: factor.collect(),
        }
    }

    /// A subject's random effects L u.
    fn effects(&self, subject: usize, effects: &mut [f64]) {
        let (q, state) = (self.problem.q, &self.ending.state);
        for (row, effect) in effects.iter_mut().enumerate() {
            *effect = (0..=row)
                .map(|l| state.factor[row * q + l] * state.spherical[subject * q + l])
                .sum();
        }
    }

    /// Covariance of a subject's eta about its mode; writes the own shares.
    ///
    /// The mode moves with the fixed effects by T = I - Z-part of L M^-1 L'Z'I, so
    /// the covariance is L M^-1 L' (random terms) + T Cov(beta) T'.
    fn eta_covariance(&self, subject: usize, work: &mut Work, shares: &mut [f64]) -> Vec<f64> {
        let (problem, factor) = (self.problem, &self.factor);
        let (p, q, fixed) = (problem.p, problem.q, problem.fixed);
        let Work { k, m, inverse, .. } = work;
        let information = &self.ending.information[subject * p * p..(subject + 1) * p * p];
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
        let mut transfer: Vec<f64> = (0..p * p)
            .map(|at| if at / p == at % p { 1.0 } else { 0.0 })
            .collect();
        let mut covariance = vec![0.0; p * p];
        shares.fill(0.0);
        if cholesky::factor(m, q) {
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
                        covariance[problem.random[a] * p + problem.random[c]] +=
                            left * factor[c * q + b];
                    }
                }
                let term = problem.random[a];
                let before: f64 = (0..=a).map(|l| factor[a * q + l].powi(2)).sum();
                if before > 0.0 {
                    shares[a] = (1.0 - covariance[term * p + term] / before).clamp(0.0, 1.0);
                }
            }
        }
        let columns = problem.columns_of(subject);
        let own: Vec<f64> = (0..p * p)
            .map(|at| self.ending.beta_covariance[columns[at / p] * fixed + columns[at % p]])
            .collect();
        let fixed_part = around(&transfer, &own, p);
        covariance
            .iter_mut()
            .zip(fixed_part)
            .for_each(|(sum, part)| *sum += part);
        covariance
    }
}
