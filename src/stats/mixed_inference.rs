//! How well are the fixed effects of a linear mixed model known from few clusters?
//!
//! The values of cluster j have the covariance `V_j = sum_i t_i V_ij` with estimated t. The
//! covariance of the generalised least squares estimates, `C = (sum X_j' V_j^-1 X_j)^-1`, takes the t
//! as known and is too small; Kenward and Roger's is
//!
//! ```text
//! C + 2 C [ sum_ik W_ik (Q_ik - P_i C P_k) ] C
//! P_i = X' V^-1 V_i V^-1 X,   Q_ik = X' V^-1 V_i V^-1 V_k V^-1 X
//! ```
//!
//! with W the inverse of the expected restricted information of the t. One combination l'b has
//! `2 (l'C l)^2 / (g' W g)` degrees of freedom, g the derivatives of l'C l by the t (Satterthwaite),
//! which for one combination are those of Kenward and Roger too.
//!
//! # Source
//! Kenward MG, Roger JH (1997) Small sample inference for fixed effects from restricted maximum
//! likelihood, Biometrics 53:983-997; checked against R's pbkrtest
//! (`tests/reference/laboratories/SOURCE.md`).

use nalgebra::{Cholesky, DMatrix, DVector};

use super::Failure;

/// One part of the covariance within clusters, multiplied by its variance term.
#[derive(Debug, Clone, PartialEq)]
pub enum Part {
    /// The identity: errors of single values.
    Residual,
    /// `a a'` for a column a of n values.
    Square(Vec<f64>),
    /// `a b' + b a'` for two columns of n values.
    Cross(Vec<f64>, Vec<f64>),
}

impl Part {
    /// The rows of one cluster.
    fn block(&self, first: usize, rows: usize) -> DMatrix<f64> {
        match self {
            Self::Residual => DMatrix::identity(rows, rows),
            Self::Square(a) => DMatrix::from_fn(rows, rows, |i, j| a[first + i] * a[first + j]),
            Self::Cross(a, b) => DMatrix::from_fn(rows, rows, |i, j| {
                a[first + i] * b[first + j] + b[first + i] * a[first + j]
            }),
        }
    }
}

/// Fixed effects of a linear mixed model, with errors for few clusters.
#[derive(Debug, Clone)]
pub struct SmallSample {
    /// Estimates, p.
    pub fixed: DVector<f64>,
    /// Kenward and Roger's covariance, p x p.
    pub covariance: DMatrix<f64>,
    /// The covariance that takes the variance terms as known, p x p.
    pub by_model: DMatrix<f64>,
    /// Its derivative by each variance term.
    derivatives: Vec<DMatrix<f64>>,
    /// Covariance of the variance terms.
    of_terms: DMatrix<f64>,
}

impl SmallSample {
    /// At estimated variance terms.
    ///
    /// # Shapes
    /// `starts`: first row of each cluster, and the end; `fixed`: n x p; `response`: n; a
    /// variance term for each part.
    ///
    /// # Errors
    /// [`Failure::NotConverged`] where the covariance of the values, of the fixed effects or of
    /// the variance terms has no inverse.
    pub fn of(
        starts: &[usize],
        fixed: &DMatrix<f64>,
        response: &[f64],
        (parts, terms): (&[Part], &[f64]),
    ) -> Result<Self, Failure> {
        let singular = || Failure::NotConverged { iterations: 0 };
        let (p, count) = (fixed.ncols(), parts.len());
        let square = || DMatrix::zeros(p, p);
        let mut cross = square();
        let mut right = DVector::zeros(p);
        let mut first_order = vec![square(); count];
        let mut second_order = vec![vec![square(); count]; count];
        let mut traces = DMatrix::<f64>::zeros(count, count);
        for pair in starts.windows(2) {
            let (first, rows) = (pair[0], pair[1] - pair[0]);
            let blocks: Vec<DMatrix<f64>> =
                parts.iter().map(|part| part.block(first, rows)).collect();
            let mut whole = DMatrix::zeros(rows, rows);
            for (block, term) in blocks.iter().zip(terms) {
                whole += block * *term;
            }
            let inverse = Cholesky::new(whole).ok_or_else(singular)?.inverse();
            let x = fixed.rows(first, rows);
            let y = DVector::from_column_slice(&response[first..first + rows]);
            let weighted = &inverse * x;
            cross += x.transpose() * &weighted;
            right += weighted.transpose() * y;
            let turned: Vec<DMatrix<f64>> = blocks.iter().map(|block| &inverse * block).collect();
            let along: Vec<DMatrix<f64>> = blocks.iter().map(|block| block * &weighted).collect();
            for i in 0..count {
                first_order[i] += weighted.transpose() * &along[i];
                for k in 0..count {
                    second_order[i][k] += along[i].transpose() * (&inverse * &along[k]);
                    traces[(i, k)] += turned[i].component_mul(&turned[k].transpose()).sum();
                }
            }
        }
        let by_model = symmetric_inverse(&cross).ok_or_else(singular)?;
        let derivatives: Vec<DMatrix<f64>> = first_order
            .iter()
            .map(|own| &by_model * own * &by_model)
            .collect();
        let mut information = DMatrix::zeros(count, count);
        for i in 0..count {
            for k in 0..count {
                let lost = (&by_model * &second_order[i][k]).trace();
                let twice = (&first_order[i] * &derivatives[k]).trace();
                information[(i, k)] = 0.5 * (traces[(i, k)] - 2.0 * lost + twice);
            }
        }
        let of_terms = symmetric_inverse(&information).ok_or_else(singular)?;
        let mut middle = square();
        for i in 0..count {
            for k in 0..count {
                let own = &second_order[i][k] - &first_order[i] * &by_model * &first_order[k];
                middle += own * of_terms[(i, k)];
            }
        }
        let covariance = &by_model + &by_model * middle * &by_model * 2.0;
        Ok(Self {
            fixed: &by_model * right,
            covariance: (&covariance + covariance.transpose()) * 0.5,
            by_model,
            derivatives,
            of_terms,
        })
    }

    /// Degrees of freedom of a variance `l'C l + sum_i d_i t_i`, such as that of a new value:
    /// l a row of the fixed effects, d the part of that value in each variance term.
    ///
    /// # Shapes
    /// `row`: p; `own`: one number for each variance term.
    #[must_use]
    pub fn degrees_of_freedom(&self, row: &[f64], own: &[f64], terms: &[f64]) -> f64 {
        let l = DVector::from_column_slice(row);
        let slope = DVector::from_fn(self.derivatives.len(), |i, _| {
            l.dot(&(&self.derivatives[i] * &l)) + own[i]
        });
        let added: f64 = own.iter().zip(terms).map(|(d, t)| d * t).sum();
        let variance = l.dot(&(&self.by_model * &l)) + added;
        let of_variance = slope.dot(&(&self.of_terms * &slope));
        if of_variance > 0.0 {
            2.0 * variance * variance / of_variance
        } else {
            f64::INFINITY
        }
    }
}

/// Inverse of a positive definite matrix, scaled before it is taken.
fn symmetric_inverse(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let n = matrix.nrows();
    let size = DVector::from_fn(n, |i, _| matrix[(i, i)].sqrt());
    if size.iter().any(|size| !(*size > 0.0 && size.is_finite())) {
        return None;
    }
    let scaled = DMatrix::from_fn(n, n, |i, j| matrix[(i, j)] / (size[i] * size[j]));
    let inverse = Cholesky::new(scaled)?.inverse();
    Some(DMatrix::from_fn(n, n, |i, j| {
        inverse[(i, j)] / (size[i] * size[j])
    }))
}
