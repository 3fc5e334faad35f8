//! Standard errors of the random effects' spread, from the information of their
//! factor.

use nalgebra::{DMatrix, SymmetricEigen};

use super::alternating::State;
use super::cholesky;
use super::linear::FactorStep;
use super::problem::Problem;

/// Standard errors of the random effects' spread.
#[derive(Debug)]
pub(super) struct SpreadErrors {
    /// Of ln(random SD), subjects' effects before clusters'.
    pub(super) log_sds: Vec<Option<f64>>,
    /// Of ln sigma.
    pub(super) log_sigma: Option<f64>,
    /// Of the correlations, q x q.
    pub(super) correlations: Vec<Option<f64>>,
    /// Least eigenvalue of the entries' information scaled to unit diagonal (1 where
    /// there are no random effects).
    pub(super) least_eigenvalue: f64,
}

/// Standard errors of random SDs, their correlations and sigma.
///
/// ln SD_k = 1/2 ln sigma^2 + 1/2 ln sum_l L_kl^2, with the joint information of
/// the entries and ln sigma^2; a correlation depends on the entries alone.
pub(super) fn spread_errors(
    problem: &Problem<'_>,
    state: &State,
    entries: &[(usize, usize)],
    step: &FactorStep,
) -> SpreadErrors {
    // Clusters' effects come behind the subjects', independent of them.
    let (inner, outer) = (problem.q, problem.cluster_spreads());
    let q = inner + outer;
    let mut factor = vec![0.0; q * q];
    for (to, from) in factor
        .chunks_exact_mut(q.max(1))
        .zip(state.factor.chunks_exact(inner.max(1)))
    {
        to[..inner].copy_from_slice(from);
    }
    let mut entries = entries.to_vec();
    for (c, sd) in problem.cluster_sds(&state.cluster_factor).enumerate() {
        let at = inner + c;
        factor[at * q + at] = sd;
        entries.push((at, at));
    }
    let (factor, entries) = (&factor[..], &entries[..]);
    let count = entries.len();
    let degrees_of_freedom = problem.observations();
    let mut errors = SpreadErrors {
        log_sds: vec![None; q],
        log_sigma: Some((0.5 / degrees_of_freedom).sqrt()),
        correlations: vec![None; inner * inner],
        least_eigenvalue: least_eigenvalue(&step.information, count),
    };
    let mut scaled = step.information.clone();
    let mut scales = vec![0.0; count];
    if q == 0 {
        return errors;
    }
    if cholesky::factor_scaled(&mut scaled, count, &mut scales) != Some(0.0) {
        errors.log_sigma = None;
        return errors;
    }
    let variance_of = |slope: &[f64]| {
        let mut solved = slope.to_vec();
        cholesky::solve_scaled(&scaled, count, &scales, &mut solved);
        slope.iter().zip(&solved).map(|(a, b)| a * b).sum::<f64>()
    };
    let root = |variance: f64| (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt());
    let mut shared = step.cross.clone();
    cholesky::solve_scaled(&scaled, count, &scales, &mut shared);
    let through: f64 = shared.iter().zip(&step.cross).map(|(a, b)| a * b).sum();
    let log_variance = 2.0 / degrees_of_freedom + (2.0 / degrees_of_freedom).powi(2) * through;
    errors.log_sigma = root(0.25 * log_variance);
    for k in 0..q {
        let size: f64 = (0..=k).map(|l| factor[k * q + l].powi(2)).sum();
        let slope: Vec<f64> = entries
            .iter()
            .map(|(row, l)| {
                if *row == k {
                    factor[k * q + l] / size
                } else {
                    0.0
                }
            })
            .collect();
        let joint: f64 = slope.iter().zip(&shared).map(|(a, b)| a * b).sum();
        errors.log_sds[k] =
            root(variance_of(&slope) - 2.0 / degrees_of_freedom * joint + 0.25 * log_variance);
        for other in (0..k).filter(|_| k < inner) {
            let slope = correlation_slope(factor, q, entries, (k, other));
            let error = root(variance_of(&slope));
            errors.correlations[k * inner + other] = error;
            errors.correlations[other * inner + k] = error;
        }
    }
    errors
}

/// Gradient of a correlation in the factor's entries: with rows a and b of the
/// factor, r = a.b / (|a| |b|), dr/da = (b / |b| - r a / |a|) / |a|.
pub(super) fn correlation_slope(
    factor: &[f64],
    q: usize,
    entries: &[(usize, usize)],
    (one, other): (usize, usize),
) -> Vec<f64> {
    let row = |k: usize| &factor[k * q..(k + 1) * q];
    let size = |k: usize| row(k).iter().map(|x| x * x).sum::<f64>().sqrt();
    let dot: f64 = row(one).iter().zip(row(other)).map(|(a, b)| a * b).sum();
    let correlation = dot / (size(one) * size(other));
    let along = |k: usize, beside: usize, l: usize| {
        (row(beside)[l] / size(beside) - correlation * row(k)[l] / size(k)) / size(k)
    };
    entries
        .iter()
        .map(|(k, l)| match *k {
            k if k == one => along(one, other, *l),
            k if k == other => along(other, one, *l),
            _ => 0.0,
        })
        .collect()
}

/// Least eigenvalue of a symmetric matrix scaled to unit diagonal; 0 where the
/// diagonal is not positive, or too small to be scaled.
pub(super) fn least_eigenvalue(matrix: &[f64], n: usize) -> f64 {
    if n == 0 {
        return 1.0;
    }
    if (0..n).any(|k| !(matrix[k * n + k] > 0.0)) {
        return 0.0;
    }
    let scaled = DMatrix::from_fn(n, n, |k, l| {
        // One root after the other: the product of two small numbers may be none.
        matrix[k * n + l] / matrix[k * n + k].sqrt() / matrix[l * n + l].sqrt()
    });
    if !scaled.iter().all(|value| value.is_finite()) {
        return 0.0;
    }
    SymmetricEigen::new(scaled).eigenvalues.min()
}
