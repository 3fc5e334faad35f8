//! From spherical random effects to terms and back: eta = A beta + L u.

use super::marginal::Point;
use super::problem::Problem;

/// eta = A beta + L u.
pub(super) fn place(
    problem: &Problem<'_>,
    point: &Point,
    subject: usize,
    u: &[f64],
    eta: &mut [f64],
) {
    let q = problem.q;
    for (eta, column) in eta.iter_mut().zip(problem.columns_of(subject)) {
        *eta = point.beta[*column];
    }
    for (k, term) in problem.random.iter().enumerate() {
        for l in 0..=k {
            eta[*term] += point.factor[k * q + l] * u[l];
        }
    }
}

/// L'D' + u.
pub(super) fn spherical_slope(
    problem: &Problem<'_>,
    point: &Point,
    slope: &[f64],
    u: &[f64],
    g: &mut [f64],
) {
    let q = problem.q;
    for l in 0..q {
        g[l] = u[l];
        for k in l..q {
            g[l] += point.factor[k * q + l] * slope[problem.random[k]];
        }
    }
}

/// I + L'ML over the random terms.
pub(super) fn spherical_matrix(
    problem: &Problem<'_>,
    point: &Point,
    matrix: &[f64],
    out: &mut [f64],
) {
    let (p, q) = (problem.p, problem.q);
    for row in 0..q {
        for column in 0..=row {
            let mut sum = if row == column { 1.0 } else { 0.0 };
            for k in row..q {
                let weight = point.factor[k * q + row];
                if weight != 0.0 {
                    for l in column..q {
                        sum += weight
                            * matrix[problem.random[k] * p + problem.random[l]]
                            * point.factor[l * q + column];
                    }
                }
            }
            out[row * q + column] = sum;
        }
    }
}
