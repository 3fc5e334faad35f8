//! Predictions of a linear fit for each row when that row, or its whole group, is left out.
//!
//! No refitting: with H = QQ' the hat matrix of the whitened rows, leaving out the
//! rows g gives the prediction errors (I - H_gg)^-1 e_g exactly (Cook & Weisberg
//! 1982, Residuals and Influence in Regression, section 3.6). All answers are in the
//! response's unit; a quantity that does not exist without the row is `None`.

use nalgebra::{DMatrix, DVector};

use super::Failure;
use super::failure::check_length;
use super::linear::Fit;

/// Below this a row (or group) fixes a coefficient alone: nothing predicts it.
const ALONE: f64 = 1e-10;

/// How a single row pulls at the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RowDiagnostic {
    /// Diagonal of the hat matrix, 0 to 1.
    pub leverage: f64,
    /// Residual over its standard error, sigma from all rows.
    pub studentised_internally: Option<f64>,
    /// Residual over its standard error, sigma from the other rows: t on n - p - 1.
    pub studentised_externally: Option<f64>,
    /// Shift of all coefficients when the row is left out, in the coefficients' units.
    pub cooks_distance: Option<f64>,
    /// Observed minus predicted from the other rows.
    pub left_out_error: Option<f64>,
}

/// Which rows pull at the fit, and how badly would each be predicted without itself?
///
/// # Shapes
/// One diagnostic a row, n of them.
/// # Source
/// Cook, R. D. (1977), Technometrics 19:15-18; Belsley, Kuh & Welsch 1980.
#[must_use]
pub fn row_diagnostics(fit: &Fit) -> Vec<RowDiagnostic> {
    let p = fit.coefficients.len() as f64;
    let rows = fit.basis.row_iter().enumerate().map(|(i, row)| {
        let leverage = row.norm_squared().min(1.0);
        let spare = 1.0 - leverage;
        let residual = fit.residuals[i] * fit.weights[i].sqrt();
        let predictable = spare > ALONE;
        let spread = fit.sigma * spare.sqrt();
        let internal = (predictable && spread > 0.0).then(|| residual / spread);
        RowDiagnostic {
            leverage,
            studentised_internally: internal,
            studentised_externally: internal.and_then(|t| {
                // The other rows' sigma^2 is sigma^2 (df - t^2) / (df - 1).
                let rest = fit.df as f64 - t * t;
                (fit.df > 1 && rest > ALONE).then(|| t * ((fit.df as f64 - 1.0) / rest).sqrt())
            }),
            cooks_distance: internal.map(|t| t * t * leverage / (spare * p)),
            left_out_error: predictable.then(|| fit.residuals[i] / spare),
        }
    });
    rows.collect()
}

/// Root mean square of the left-out errors that exist, with how many do not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrossValidation {
    /// Root mean square prediction error, in the response's unit; none if there are no errors.
    pub rmse: Option<f64>,
    /// Rows predicted.
    pub predicted: usize,
    /// Rows that the others cannot predict.
    pub unpredictable: usize,
}

impl CrossValidation {
    /// Sums up left-out errors, in the response's unit.
    #[must_use]
    pub fn of(errors: &[Option<f64>]) -> Self {
        let known: Vec<f64> = errors.iter().flatten().copied().collect();
        let squares: f64 = known.iter().map(|error| error * error).sum();
        Self {
            rmse: (!known.is_empty()).then(|| (squares / known.len() as f64).sqrt()),
            predicted: known.len(),
            unpredictable: errors.len() - known.len(),
        }
    }
}

/// How badly would each row be predicted if its whole group (a bird) were left out?
///
/// # Shapes
/// `groups`: n labels, equal for rows of one group. One error a row, n of them; `None`
/// where the model cannot be fitted without the group.
/// # Errors
/// [`Failure::Lengths`].
/// # Source
/// Module text; exact for fixed weights.
pub fn group_left_out_errors(fit: &Fit, groups: &[usize]) -> Result<Vec<Option<f64>>, Failure> {
    check_length("groups", groups.len(), fit.n())?;
    let mut order: Vec<usize> = (0..groups.len()).collect();
    order.sort_by_key(|i| groups[*i]);
    let mut errors = vec![None; groups.len()];
    for rows in order.chunk_by(|a, b| groups[*a] == groups[*b]) {
        let part = fit.basis.select_rows(rows);
        let root = |i: usize| fit.weights[i].sqrt();
        let residuals = rows.iter().map(|&i| fit.residuals[i] * root(i));
        let residuals = DVector::from_iterator(rows.len(), residuals);
        if let Some(found) = left_out(&part, &residuals) {
            for (&i, error) in rows.iter().zip(found.iter()) {
                errors[i] = Some(error / root(i));
            }
        }
    }
    Ok(errors)
}

/// (I - QQ')^-1 e for a group's rows Q, by the p x p side where that is the smaller:
/// (I - QQ')^-1 = I + Q (I - Q'Q)^-1 Q'.
fn left_out(q: &DMatrix<f64>, e: &DVector<f64>) -> Option<DVector<f64>> {
    let (m, p) = q.shape();
    if m <= p {
        solve_spare(q * q.transpose(), e)
    } else {
        let along = solve_spare(q.tr_mul(q), &q.tr_mul(e))?;
        Some(e + q * along)
    }
}

/// (I - H)^-1 e; `None` where I - H is singular.
fn solve_spare(h: DMatrix<f64>, e: &DVector<f64>) -> Option<DVector<f64>> {
    let spare = DMatrix::identity(h.nrows(), h.nrows()) - h;
    let factored = spare.cholesky()?;
    let smallest = factored.l_dirty().diagonal().min();
    (smallest * smallest > ALONE).then(|| factored.solve(e))
}

#[cfg(test)]
mod tests {
    use super::super::linear::{Design, fit_weighted};
    use super::*;

    /// Leaving out by hand: refit without the group.
    #[test]
    fn block_update_equals_refitting() {
        let x = [1.0, 2.0, 3.0, 5.0, 8.0, 9.0, 4.0, 2.5];
        let y = [1.1, 1.9, 3.2, 4.7, 8.4, 8.8, 4.4, 2.0];
        let w = [1.0, 2.0, 0.5, 1.0, 1.5, 1.0, 3.0, 1.0];
        let groups = [7, 7, 3, 3, 3, 9, 9, 1];
        let column = |rows: &[usize]| {
            let values = rows.iter().map(|i| x[*i]).collect();
            Design::with_intercept(rows.len(), vec![("x".to_owned(), values)]).unwrap()
        };
        let all: Vec<usize> = (0..8).collect();
        let whole = fit_weighted(&column(&all), &y, &w).unwrap();
        let errors = group_left_out_errors(&whole, &groups).unwrap();
        for i in 0..8 {
            let kept: Vec<usize> = all
                .iter()
                .copied()
                .filter(|k| groups[*k] != groups[i])
                .collect();
            let pick = |v: &[f64]| kept.iter().map(|k| v[*k]).collect::<Vec<_>>();
            let rest = fit_weighted(&column(&kept), &pick(&y), &pick(&w)).unwrap();
            let expected = y[i] - rest.predict(&[1.0, x[i]]).unwrap().value;
            // 1e-12: a few roundings of values near 1
            assert!((errors[i].unwrap() - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn the_only_bird_of_a_strain_cannot_be_predicted_without_it() {
        let columns = vec![
            ("intercept".to_owned(), vec![1.0; 6]),
            ("strain".to_owned(), vec![0.0, 0.0, 0.0, 0.0, 1.0, 1.0]),
        ];
        let design = Design::new(columns).unwrap();
        let y = [1.0, 1.2, 0.9, 1.1, 2.0, 2.2];
        let whole = fit_weighted(&design, &y, &[1.0; 6]).unwrap();
        let errors = group_left_out_errors(&whole, &[0, 0, 1, 1, 2, 2]).unwrap();
        assert!(errors[3].is_some() && errors[4].is_none() && errors[5].is_none());
        let summary = CrossValidation::of(&errors);
        assert_eq!((summary.predicted, summary.unpredictable), (4, 2));
    }

    #[test]
    fn a_row_with_all_the_leverage_has_no_error_of_its_own() {
        let columns = vec![
            ("intercept".to_owned(), vec![1.0; 4]),
            ("spike".to_owned(), vec![0.0, 0.0, 0.0, 1.0]),
        ];
        let design = Design::new(columns).unwrap();
        let whole = fit_weighted(&design, &[1.0, 2.0, 3.0, 9.0], &[1.0; 4]).unwrap();
        let rows = row_diagnostics(&whole);
        assert!(rows[3].left_out_error.is_none() && rows[3].cooks_distance.is_none());
    }
}
