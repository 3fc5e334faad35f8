//! How much does each cluster of observations move the terms: the sandwich.
//!
//! A pooled curve takes observations as independent; weighings of one bird are not.
//! With u the residuals on the scale of the variance model, J the Jacobian of -u and
//! H = J'J, cluster i moves the terms by
//!
//! ```text
//! psi_i = H^-1 sum over its observations of J u        (p)
//! ```
//!
//! to first order. The psi add to zero, and their sum of squares estimates the
//! covariance of the terms whatever the correlation within a cluster:
//! V = c/(c - 1) sum psi psi'. Two fits that share clusters (two traits of the same
//! birds) have the covariance c/(c - 1) sum psi_1 psi_2' by the same argument. For
//! clusters of equal ages V has no bias to first order.
//!
//! # Source
//! Huber PJ (1967) The behavior of maximum likelihood estimates under nonstandard
//! conditions, Proc Fifth Berkeley Symp 1: 221-233; Liang KY, Zeger SL (1986)
//! Longitudinal data analysis using generalized linear models, Biometrika 73: 13-22.
//! Cited from memory.

use nalgebra::DMatrix;

use super::least_squares::Descent;
use super::variance::{Problem, Scale};
use super::{Estimates, Series, Variance};
use crate::growth::Curve;

/// The scale on which a finished fit is a least squares fit.
pub(super) fn scale_of(estimates: &Estimates) -> Scale {
    match estimates.variance {
        Variance::Constant => Scale::Natural,
        Variance::Proportional | Variance::Power => Scale::PowerOfMean(estimates.variance_power),
        Variance::LogNormal => Scale::Logarithm,
    }
}

/// psi of each cluster, clusters x p; zero for a term on its bound and for a cluster
/// without observations. `None` where J'J has no inverse.
///
/// # Shapes
/// `clusters`: the cluster of each observation of the series, each below `count`.
#[must_use]
pub fn influence(
    curve: &dyn Curve,
    series: Series<'_>,
    estimates: &Estimates,
    clusters: &[usize],
    count: usize,
) -> Option<DMatrix<f64>> {
    let (n, p) = (series.values.len(), estimates.terms.len());
    let problem = Problem {
        curve,
        series,
        scale: scale_of(estimates),
        weights: estimates.weights.as_deref(),
    };
    let mut descent = Descent::default();
    descent.reserve(n, p);
    problem.fill(&estimates.terms, &mut descent)?;
    let free = |j: usize| estimates.standard_error(j).is_some();
    let mut rows = DMatrix::from_row_slice(n, p, &descent.jacobian);
    let mut lengths = vec![1.0; p];
    for (j, mut column) in rows.column_iter_mut().enumerate() {
        let length = column.norm();
        if free(j) && length > 0.0 {
            lengths[j] = length;
            column /= length;
        } else {
            column.fill(0.0);
        }
    }
    let mut product = rows.tr_mul(&rows);
    for j in 0..p {
        if product[(j, j)] <= 0.0 {
            product[(j, j)] = 1.0;
        }
    }
    let solve = product.cholesky()?;
    let mut scores = DMatrix::zeros(p, count);
    for ((row, residual), cluster) in rows.row_iter().zip(&descent.residuals).zip(clusters) {
        let mut score = scores.column_mut(*cluster);
        score += row.transpose() * *residual;
    }
    solve.solve_mut(&mut scores);
    let mut moved = scores.transpose();
    for (mut column, length) in moved.column_iter_mut().zip(&lengths) {
        column /= *length;
    }
    moved.iter().all(|value| value.is_finite()).then_some(moved)
}

/// Covariance of the terms of one fit with those of another that shares its
/// clusters (of a fit with itself: its covariance), p1 x p2, from their [`influence`].
#[must_use]
pub fn covariance_between(one: &DMatrix<f64>, other: &DMatrix<f64>) -> DMatrix<f64> {
    let has = |moved: &DMatrix<f64>, i: usize| moved.row(i).iter().any(|value| *value != 0.0);
    let seen = (0..one.nrows())
        .filter(|i| has(one, *i) || has(other, *i))
        .count() as f64;
    let small = if seen > 1.0 { seen / (seen - 1.0) } else { 1.0 };
    one.tr_mul(other) * small
}
