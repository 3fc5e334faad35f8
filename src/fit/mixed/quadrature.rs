//! Gauss-Hermite nodes and weights.
//!
//! The nodes are the eigenvalues of the symmetric tridiagonal Jacobi matrix with
//! zero diagonal and off-diagonal sqrt(k/2); a weight is sqrt(pi) times the squared
//! first component of its eigenvector (Golub and Welsch 1969, Calculation of Gauss
//! quadrature rules, Math. Comp. 23, from memory).

use nalgebra::{DMatrix, SymmetricEigen};

/// Product rule in `dimensions` for the integral of f(x) exp(-x'x).
#[derive(Debug, Clone)]
pub(super) struct Rule {
    /// Nodes, count x dimensions.
    pub(super) nodes: Vec<f64>,
    /// ln(weight) + x'x of each node: what multiplies f without the exponential.
    pub(super) log_weights: Vec<f64>,
}

fn one_dimension(count: usize) -> Vec<(f64, f64)> {
    let mut matrix = DMatrix::zeros(count, count);
    let mut step = 0.0_f64;
    for k in 1..count {
        step += 0.5;
        matrix[(k, k - 1)] = step.sqrt();
        matrix[(k - 1, k)] = step.sqrt();
    }
    let eigen = SymmetricEigen::new(matrix);
    let root_pi = std::f64::consts::PI.sqrt();
    let mut rule: Vec<(f64, f64)> = (0..count)
        .map(|k| {
            let first = eigen.eigenvectors[(0, k)];
            (eigen.eigenvalues[k], root_pi * first * first)
        })
        .collect();
    rule.sort_by(|a, b| a.0.total_cmp(&b.0));
    rule
}

impl Rule {
    /// The rule with `count` nodes a dimension; one node is the Laplace approximation.
    pub(super) fn new(count: usize, dimensions: usize) -> Self {
        let line = one_dimension(count.max(1));
        let mut rule = Self {
            nodes: Vec::new(),
            log_weights: vec![0.0],
        };
        for dimension in 0..dimensions {
            let (mut nodes, mut log_weights) = (Vec::new(), Vec::new());
            for (at, log_weight) in rule.log_weights.iter().enumerate() {
                for (x, weight) in &line {
                    nodes.extend_from_slice(&rule.nodes[at * dimension..(at + 1) * dimension]);
                    nodes.push(*x);
                    log_weights.push(log_weight + weight.ln() + x * x);
                }
            }
            rule = Self { nodes, log_weights };
        }
        rule
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_of_the_normal_are_exact_to_degree_2n_minus_1() {
        for count in [1, 2, 5, 9, 20] {
            let line = one_dimension(count);
            let moment = |power: i32| -> f64 { line.iter().map(|(x, w)| w * x.powi(power)).sum() };
            let root_pi = std::f64::consts::PI.sqrt();
            // Exact moments of exp(-x^2): sqrt(pi) and sqrt(pi)/2; eigenvalue rounding.
            assert!((moment(0) - root_pi).abs() < 1e-13);
            if count > 1 {
                assert!((moment(2) - root_pi / 2.0).abs() < 1e-13);
            }
        }
        let rule = Rule::new(3, 2);
        assert_eq!(rule.log_weights.len(), 9);
        let total: f64 = (0..9)
            .map(|at| {
                let (x, y) = (rule.nodes[2 * at], rule.nodes[2 * at + 1]);
                (rule.log_weights[at] - x * x - y * y).exp() * x * x * y * y
            })
            .sum();
        assert!((total - std::f64::consts::PI / 4.0).abs() < 1e-13);
    }
}
