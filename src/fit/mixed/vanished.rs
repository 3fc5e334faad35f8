//! Which spread between subjects went to zero: the effects, or combinations of effects,
//! in which the data show no difference between subjects.

use nalgebra::{DMatrix, SymmetricEigen};

use super::problem::Problem;

/// A random effect whose one SD moves a subject's fitted values by less than this
/// share of their error has gone to zero.
const VANISHED: f64 = 1e-2;
/// Least eigenvalue of the effects' correlations: of two effects, a correlation of 0.999.
const SINGULAR: f64 = 1e-3;
/// Effects with a smaller part in an eigenvector of length 1 have none.
const PART: f64 = 0.05;

/// A spread between subjects that went to zero.
#[derive(Debug, Clone, PartialEq)]
pub enum Vanished {
    /// That of one random effect, by its order in the options.
    Effect(usize),
    /// That of combinations of effects: the covariance of these is singular.
    Combination {
        /// The effects, by their order in the options, ascending.
        effects: Vec<usize>,
        /// In how many independent ways subjects differ in them.
        rank: usize,
        /// Least eigenvalue of their correlations.
        least_eigenvalue: f64,
    },
}

/// What went to zero of a spread with this covariance, q x q. `information` is that of
/// each subject's data on its terms, subjects x p x p.
pub(super) fn vanished(
    problem: &Problem<'_>,
    covariance: &[f64],
    information: &[f64],
) -> Vec<Vanished> {
    let (p, q) = (problem.p, problem.q);
    let (mut vanished, mut left) = (Vec::new(), Vec::new());
    for (k, term) in problem.random.iter().enumerate() {
        let (mut total, mut count) = (0.0, 0.0);
        for information in information.chunks_exact(p * p) {
            total += information[term * p + term];
            count += 1.0;
        }
        let reach = (covariance[k * q + k] * total / f64::max(count, 1.0)).sqrt();
        if reach < VANISHED {
            vanished.push(Vanished::Effect(k));
        } else {
            left.push(k);
        }
    }
    vanished.extend(combination(covariance, q, &left));
    vanished
}

/// The singular part of the correlations of some effects.
fn combination(covariance: &[f64], q: usize, left: &[usize]) -> Option<Vanished> {
    let correlations = DMatrix::from_fn(left.len(), left.len(), |a, b| {
        let (k, l) = (left[a], left[b]);
        covariance[k * q + l] / covariance[k * q + k].sqrt() / covariance[l * q + l].sqrt()
    });
    if left.len() < 2 || !correlations.iter().all(|value| value.is_finite()) {
        return None;
    }
    let eigen = SymmetricEigen::new(correlations);
    let gone: Vec<usize> = (0..left.len())
        .filter(|at| eigen.eigenvalues[*at] < SINGULAR)
        .collect();
    let effects: Vec<usize> = (0..left.len())
        .filter(|row| {
            let mut parts = gone.iter().map(|at| eigen.eigenvectors[(*row, *at)]);
            parts.any(|part| part.abs() > PART)
        })
        .map(|row| left[row])
        .collect();
    (!gone.is_empty()).then(|| Vanished::Combination {
        rank: effects.len() - gone.len(),
        effects,
        least_eigenvalue: eigen.eigenvalues.min().max(0.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three effects, no two of which are much alike, of which one is the sum of the
    /// others: pairs of correlations do not show it.
    #[test]
    fn a_singular_matrix_of_three_is_seen_where_no_pair_is_alike() {
        let rows = [[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]];
        let mut covariance = vec![0.0; 16];
        covariance[15] = 4.0;
        for k in 0..3 {
            for l in 0..3 {
                covariance[k * 4 + l] = rows[k][0] * rows[l][0] + rows[k][1] * rows[l][1];
            }
        }
        let Some(Vanished::Combination {
            effects,
            rank,
            least_eigenvalue,
        }) = combination(&covariance, 4, &[0, 1, 2, 3])
        else {
            panic!("singular");
        };
        assert_eq!((effects, rank), (vec![0, 1, 2], 2));
        // An eigenvalue of 0 to rounding.
        assert!(least_eigenvalue < 1e-14);
        assert_eq!(combination(&covariance, 4, &[0, 1, 3]), None);
    }
}
