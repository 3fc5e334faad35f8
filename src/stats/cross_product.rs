//! The inverse of a matrix of cross-products.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::{Collinearity, Failure};

/// Least pivot of the scaled cross-product of the fixed effects.
const COLLINEAR: f64 = 1e-11;

/// Logarithm of the determinant of a factorised matrix.
pub(super) fn log_determinant_of(factor: &Cholesky<f64, Dyn>) -> f64 {
    2.0 * factor
        .l_dirty()
        .diagonal()
        .iter()
        .map(|l| l.ln())
        .sum::<f64>()
}

/// Inverse of a cross-product and the logarithm of its determinant.
pub(super) fn inverse_of(cross: &DMatrix<f64>) -> Result<(DMatrix<f64>, f64), Failure> {
    let p = cross.nrows();
    let collinear = || {
        Failure::Collinear(vec![Collinearity {
            column: "a column of the fixed effects".to_owned(),
            of: vec!["the others".to_owned()],
        }])
    };
    let scale = DVector::from_fn(p, |j, _| cross[(j, j)].sqrt());
    if scale.iter().any(|s| !(*s > 0.0 && s.is_finite())) {
        return Err(collinear());
    }
    let scaled = DMatrix::from_fn(p, p, |i, j| cross[(i, j)] / (scale[i] * scale[j]));
    let factor = Cholesky::new(scaled).ok_or_else(collinear)?;
    if factor
        .l_dirty()
        .diagonal()
        .iter()
        .any(|pivot| pivot * pivot < COLLINEAR)
    {
        return Err(collinear());
    }
    let determinant = log_determinant_of(&factor) + 2.0 * scale.iter().map(|s| s.ln()).sum::<f64>();
    let inverse = factor.inverse();
    let inverse = DMatrix::from_fn(p, p, |i, j| inverse[(i, j)] / (scale[i] * scale[j]));
    Ok((inverse, determinant))
}
