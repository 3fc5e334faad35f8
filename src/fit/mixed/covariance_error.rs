//! Degrees of freedom of any combination of fixed effects, from the error of their covariance
//! that `variance_error.rs` has.

use super::ending::around_into;
use super::problem::Problem;
use super::scale;
use super::variance_error::VarianceError;

/// The error of the covariance of the groups' terms: what degrees of freedom follow from.
#[derive(Debug, Clone, PartialEq)]
pub struct CovarianceError {
    /// Terms of the curve.
    p: usize,
    groups: usize,
    /// Whether groups have terms in common, so that those of two groups are correlated.
    shared: bool,
    /// Along each independent direction of the variance terms: p x p of each group, or of
    /// each pair of groups where they have terms in common.
    directions: Vec<Vec<f64>>,
    /// Most degrees of freedom: those of the subjects.
    most: f64,
    /// Degrees of freedom of the whole, where it has the law of a Wishart matrix.
    wishart_df: Option<f64>,
}

impl CovarianceError {
    /// From the error of the fixed effects' covariance, and the groups' terms.
    pub(super) fn of(
        problem: &Problem<'_>,
        error: &VarianceError,
        group_terms: &[f64],
        most: f64,
    ) -> Self {
        let p = problem.p;
        let groups = problem.columns.len() / p;
        let shared = problem.blocks.len() != groups * p * p;
        let jacobians: Vec<Vec<f64>> = group_terms
            .chunks_exact(p)
            .map(|terms| {
                let mut jacobian = vec![0.0; p * p];
                scale::jacobian(problem.scales, terms, &mut jacobian);
                jacobian
            })
            .collect();
        let (mut half, mut inner) = (vec![0.0; p * p], vec![0.0; p * p]);
        let directions = error.covariance.iter().map(|blocks| {
            let mut all = Vec::new();
            for a in 0..groups {
                let others = if shared { 0..groups } else { a..a + 1 };
                for b in others {
                    let (rows, columns) =
                        (problem.blocks.rows_of(a, p), problem.blocks.rows_of(b, p));
                    for (at, entry) in inner.iter_mut().enumerate() {
                        *entry = blocks[problem.blocks.place(a, rows[at / p], columns[at % p])];
                    }
                    let mut out = vec![0.0; p * p];
                    if a == b {
                        around_into(&jacobians[a], &inner, p, &mut half, &mut out);
                    } else {
                        between(&jacobians[a], &inner, &jacobians[b], p, &mut out);
                    }
                    all.extend(out);
                }
            }
            all
        });
        Self {
            p,
            groups,
            shared,
            directions: directions.collect(),
            most,
            wishart_df: error.wishart_df,
        }
    }

    /// The same for a model whose first terms are these, and whose further variance was
    /// estimated on `df` degrees of freedom by itself.
    ///
    /// # Shapes
    /// `p`: terms of the model; `covariance(a, b)`: of all terms of two groups, p x p. What is
    /// not of the first terms alone is further variance; it goes up and down as one, so that a
    /// combination of it has `df` degrees of freedom, and one of both parts those of their sum
    /// (Satterthwaite).
    #[must_use]
    pub fn extended(
        &self,
        p: usize,
        covariance: impl Fn(usize, usize) -> Vec<f64>,
        df: f64,
    ) -> Self {
        let own = self.p;
        let pairs = (0..self.groups).flat_map(|a| (0..self.groups).map(move |b| (a, b)));
        let embedded = |direction: usize| {
            let of_pair = |(a, b): (usize, usize)| {
                let mut all = vec![0.0; p * p];
                if let Some(block) = self.block(direction, a, b) {
                    for (row, entries) in block.chunks_exact(own).enumerate() {
                        all[row * p..row * p + own].copy_from_slice(entries);
                    }
                }
                all
            };
            pairs.clone().flat_map(of_pair).collect::<Vec<f64>>()
        };
        let mut directions: Vec<Vec<f64>> = (0..self.directions()).map(embedded).collect();
        // One standard error of a variance on df degrees of freedom.
        let scale = (2.0 / df.max(1.0)).sqrt();
        let further = |(a, b): (usize, usize)| {
            let mut all = covariance(a, b);
            for (at, entry) in all.iter_mut().enumerate() {
                let first = at / p < own && at % p < own;
                *entry *= if first { 0.0 } else { scale };
            }
            all
        };
        directions.push(pairs.clone().flat_map(further).collect());
        Self {
            p,
            groups: self.groups,
            shared: true,
            directions,
            most: self.most.max(df),
            wishart_df: None,
        }
    }

    /// Degrees of freedom of the covariance, where it has the law of a Wishart matrix, as that
    /// by the variation between clusters: of one combination of groups in several terms
    /// Hotelling's T^2 is then exact. `None` of any other.
    #[must_use]
    pub fn wishart_df(&self) -> Option<f64> {
        self.wishart_df
    }

    /// Independent directions of the variance terms.
    #[must_use]
    pub fn directions(&self) -> usize {
        self.directions.len()
    }

    /// Change of the covariance between the terms of two groups along a direction, p x p;
    /// `None` where there is none.
    #[must_use]
    pub fn block(&self, direction: usize, a: usize, b: usize) -> Option<&[f64]> {
        let size = self.p * self.p;
        let at = match (self.shared, a == b) {
            (true, _) => a * self.groups + b,
            (false, true) => a,
            (false, false) => return None,
        };
        Some(&self.directions[direction][at * size..(at + 1) * size])
    }

    /// Changes of the covariance of two combinations of the groups' terms along each
    /// direction, each combination by its gradient in the terms of each group that it is of.
    #[must_use]
    pub fn changes(&self, left: &[(usize, &[f64])], right: &[(usize, &[f64])]) -> Vec<f64> {
        let mut changes = vec![0.0; self.directions()];
        for (a, left) in left {
            for (b, right) in right.iter().filter(|(b, _)| self.shared || b == a) {
                for (direction, change) in changes.iter_mut().enumerate() {
                    if let Some(block) = self.block(direction, *a, *b) {
                        *change += bilinear(left, block, right);
                    }
                }
            }
        }
        changes
    }

    /// Satterthwaite's degrees of freedom of a variance from its changes along the
    /// directions: 2 v^2 / sum of squares, at least 1 and no more than those of the subjects.
    #[must_use]
    pub fn degrees_of_freedom(&self, variance: f64, changes: &[f64]) -> f64 {
        let of_variance: f64 = changes.iter().map(|change| change * change).sum();
        let df = 2.0 * variance * variance / of_variance;
        let most = self.most.max(1.0);
        if df.is_nan() {
            most
        } else {
            df.clamp(1.0, most)
        }
    }
}

/// a' B c of a p x p matrix by rows.
fn bilinear(left: &[f64], matrix: &[f64], right: &[f64]) -> f64 {
    let rows = matrix.chunks_exact(right.len());
    let sums = rows.zip(left).map(|(row, left)| {
        let sum: f64 = row.iter().zip(right).map(|(a, b)| a * b).sum();
        left * sum
    });
    sums.sum()
}

/// A B C' for p x p matrices.
fn between(a: &[f64], b: &[f64], c: &[f64], p: usize, out: &mut [f64]) {
    for (at, entry) in out.iter_mut().enumerate() {
        let (row, column) = (at / p, at % p);
        *entry = bilinear(
            &a[row * p..(row + 1) * p],
            b,
            &c[column * p..(column + 1) * p],
        );
    }
}
