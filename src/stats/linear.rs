//! Linear least squares: coefficients, their covariance, and predictions.
//!
//! Rows are whitened by the square root of their weight, columns scaled by powers
//! of two, the matrix factored by repeated Gram-Schmidt with a rank check that names
//! columns, and the solution refined with residuals in doubled precision, so that an
//! ill-conditioned polynomial keeps its digits.
//!
//! Start at [`fit`]. Row diagnostics and cross-validation are in
//! [`left_out`](super::left_out), robust and power-of-mean fits in
//! [`reweighted`](super::reweighted).

use nalgebra::{DMatrix, DVector};

use super::distribution::t_two_sided_quantile;
use super::failure::{check_count, check_finite, check_length, check_level};
use super::orthogonal::{constant_first, factor, refine, scale_columns, unscaled};
use super::{Failure, Interval};

/// A residual sum of squares below this share of the response's own is rounding.
const EXACT_SHARE: f64 = 64.0 * f64::EPSILON * f64::EPSILON;

/// The columns of a linear model, by name.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    names: Vec<String>,
    matrix: DMatrix<f64>,
}

impl Design {
    /// A design of named columns; an intercept is a column of ones like any other.
    ///
    /// # Shapes
    /// p columns of n values each.
    /// # Errors
    /// [`Failure::Lengths`] for columns of unequal length, [`Failure::Value`] for one
    /// that is not finite, [`Failure::TooFew`] without a column.
    pub fn new(columns: Vec<(String, Vec<f64>)>) -> Result<Self, Failure> {
        check_count("columns", columns.len(), 1)?;
        let n = columns[0].1.len();
        let mut matrix = DMatrix::zeros(n, columns.len());
        for (j, (name, column)) in columns.iter().enumerate() {
            check_length("column", column.len(), n)?;
            check_finite(name, column)?;
            matrix.set_column(j, &DVector::from_column_slice(column));
        }
        Ok(Self {
            names: columns.into_iter().map(|(name, _)| name).collect(),
            matrix,
        })
    }

    /// The same, with a leading column of ones named "intercept".
    ///
    /// # Shapes
    /// `n` rows; as many values in each column.
    /// # Errors
    /// As [`Design::new`].
    pub fn with_intercept(n: usize, columns: Vec<(String, Vec<f64>)>) -> Result<Self, Failure> {
        let mut all = vec![("intercept".to_owned(), vec![1.0; n])];
        all.extend(columns);
        Self::new(all)
    }

    /// Names of the columns, in order.
    #[must_use]
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The n x p matrix.
    #[must_use]
    pub fn matrix(&self) -> &DMatrix<f64> {
        &self.matrix
    }

    /// Rows.
    #[must_use]
    pub fn n(&self) -> usize {
        self.matrix.nrows()
    }

    /// Columns.
    #[must_use]
    pub fn p(&self) -> usize {
        self.matrix.ncols()
    }
}

/// A fitted linear model.
#[derive(Debug, Clone)]
pub struct Fit {
    /// Names of the coefficients, p of them.
    pub names: Vec<String>,
    /// Coefficients, in the design's order.
    pub coefficients: Vec<f64>,
    /// Observed minus fitted, n of them, in the response's unit (not whitened).
    pub residuals: Vec<f64>,
    /// Fitted values, n of them.
    pub fitted: Vec<f64>,
    /// Weights, n of them; all 1 for an ordinary fit.
    pub weights: Vec<f64>,
    /// Weighted residual sum of squares; exactly 0 where it is below the rounding of the response.
    pub rss: f64,
    /// Residual standard deviation (of a row of weight 1) on n - p degrees of freedom.
    pub sigma: f64,
    /// n - p.
    pub df: usize,
    /// 1 - rss / total, the total about the mean where the columns can make a
    /// constant, about 0 otherwise; none where the response does not vary.
    pub r_squared: Option<f64>,
    /// Gaussian log-likelihood at the ML variance (R's `logLik`); none for an exact
    /// fit, whose likelihood has no bound.
    pub log_lik: Option<f64>,
    /// Terms that AIC counts: p and sigma, plus any of a variance model.
    pub parameters: usize,
    /// U = R^-1 with the column scales undone: U U' is (X'WX)^-1.
    root: DMatrix<f64>,
    /// Q, n x p: orthonormal basis of the whitened columns.
    pub(super) basis: DMatrix<f64>,
    /// Variance inflation factors, where they exist.
    inflation: Vec<Option<f64>>,
}

/// Prediction for a new row, with its two kinds of error kept apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// Predicted value.
    pub value: f64,
    /// Standard error that comes from the coefficients: shared by all rows predicted.
    pub coefficient_standard_error: f64,
    /// Residual standard deviation of a single new row about the model.
    pub residual_sd: f64,
}

impl Prediction {}

/// Which coefficients make the smallest sum of squared residuals?
///
/// # Shapes
/// `response`: n, as many as the design has rows; n must exceed p.
/// # Errors
/// [`Failure::TooFew`] rows, [`Failure::Lengths`], [`Failure::Value`] and
/// [`Failure::Collinear`] with the names. An exact fit is not an error: sigma is 0.
/// # Source
/// Golub & Van Loan, Matrix Computations, ch. 5; refinement: Bjorck, A. (1967), BIT
/// 7:257-278.
/// # Example
/// ```
/// use pinfeather::stats::linear::{Design, fit};
/// let scan = vec![150.0, 180.0, 210.0, 260.0];
/// let design = Design::with_intercept(4, vec![("fat_scan".to_owned(), scan)])?;
/// let line = fit(&design, &[141.0, 172.0, 195.0, 244.0])?;
/// assert!((line.coefficients[1] - 0.924_242).abs() < 1e-6);
/// # Ok::<(), pinfeather::stats::Failure>(())
/// ```
pub fn fit(design: &Design, response: &[f64]) -> Result<Fit, Failure> {
    fit_weighted(design, response, &vec![1.0; response.len()])
}

/// The same with a weight for each row: the variance of row i is sigma^2 / weight i.
///
/// # Shapes
/// `response` and `weights`: n, as many as the design has rows.
/// # Errors
/// As [`fit`]; also [`Failure::Value`] for a weight that is not above 0.
/// # Source
/// As [`fit`].
pub fn fit_weighted(design: &Design, response: &[f64], weights: &[f64]) -> Result<Fit, Failure> {
    let (n, p) = (design.n(), design.p());
    check_length("response", response.len(), n)?;
    check_length("weights", weights.len(), n)?;
    check_finite("response", response)?;
    check_finite("weight", weights)?;
    if let Some(row) = weights.iter().position(|weight| *weight <= 0.0) {
        return Err(Failure::Value {
            what: "weight".to_owned(),
            row,
            found: weights[row],
            expected: "a number above 0",
        });
    }
    check_count("rows", n, p + 1)?;
    let roots: Vec<f64> = weights.iter().map(|weight| weight.sqrt()).collect();
    let mut matrix = design.matrix.clone();
    for (mut row, root) in matrix.row_iter_mut().zip(&roots) {
        row *= *root;
    }
    let scales = scale_columns(&mut matrix);
    let factors = factor(&matrix, &constant_first(design), &design.names)?;
    let whitened = DVector::from_iterator(n, response.iter().zip(&roots).map(|(y, r)| y * r));
    let (solution, whitened_residuals) = refine(&matrix, &whitened, &factors);

    let coefficients: Vec<f64> = solution.iter().zip(&scales).map(|(b, s)| b / s).collect();
    let root = unscaled(factors.inverse, &scales);
    let df = n - p;
    let rss = match whitened_residuals.norm_squared() {
        rss if rss <= EXACT_SHARE * whitened.norm_squared() => 0.0,
        rss => rss,
    };
    let residuals: Vec<f64> = whitened_residuals
        .iter()
        .zip(&roots)
        .map(|(e, r)| e / r)
        .collect();
    let fitted = response
        .iter()
        .zip(&residuals)
        .map(|(y, e)| y - e)
        .collect();
    let one = DVector::from_column_slice(&roots);
    let holds_constant = (&one - &factors.q * factors.q.tr_mul(&one)).norm() <= 1e-9 * one.norm();
    let total = total_squares(response, weights, holds_constant);
    Ok(Fit {
        names: design.names.clone(),
        residuals,
        fitted,
        weights: weights.to_vec(),
        rss,
        sigma: (rss / df as f64).sqrt(),
        df,
        r_squared: (total > EXACT_SHARE * whitened.norm_squared()).then(|| 1.0 - rss / total),
        log_lik: gaussian_log_likelihood(rss, weights),
        parameters: p + 1,
        inflation: inflation(design, &root, weights, holds_constant),
        coefficients,
        root,
        basis: factors.q,
    })
}

/// Fitted values and residuals of a fit that is only a step towards another.
pub(super) struct Rough {
    /// n of them.
    pub(super) fitted: Vec<f64>,
    /// Observed minus fitted.
    pub(super) residuals: Vec<f64>,
    /// Whether nothing but rounding is left.
    pub(super) exact: bool,
}

impl From<&Fit> for Rough {
    fn from(fit: &Fit) -> Self {
        Self {
            fitted: fit.fitted.clone(),
            residuals: fit.residuals.clone(),
            exact: fit.is_exact(),
        }
    }
}

/// The fit of [`fit_weighted`] from its factors alone, neither refined nor checked for warnings
/// on its coefficients; response and weights are those of an earlier fit, checked there.
///
/// # Errors
/// [`Failure::Collinear`].
pub(super) fn fit_roughly(
    design: &Design,
    response: &[f64],
    weights: &[f64],
) -> Result<Rough, Failure> {
    let roots: Vec<f64> = weights.iter().map(|weight| weight.sqrt()).collect();
    let mut matrix = design.matrix.clone();
    for mut column in matrix.column_iter_mut() {
        for (value, root) in column.iter_mut().zip(&roots) {
            *value *= root;
        }
    }
    scale_columns(&mut matrix);
    let basis = factor(&matrix, &constant_first(design), &design.names)?.q;
    let pairs = response.iter().zip(&roots);
    let whitened = DVector::from_iterator(response.len(), pairs.map(|(y, root)| y * root));
    let rest = &whitened - &basis * basis.tr_mul(&whitened);
    let residuals: Vec<f64> = rest.iter().zip(&roots).map(|(e, root)| e / root).collect();
    let pairs = response.iter().zip(&residuals);
    Ok(Rough {
        fitted: pairs.map(|(y, e)| y - e).collect(),
        residuals,
        exact: rest.norm_squared() <= EXACT_SHARE * whitened.norm_squared(),
    })
}

impl Fit {
    /// Observations.
    #[must_use]
    pub fn n(&self) -> usize {
        self.residuals.len()
    }

    /// Whether the columns reproduce the response to rounding (sigma is then 0).
    #[must_use]
    pub fn is_exact(&self) -> bool {
        self.rss <= 0.0
    }

    /// Covariance of the coefficients, p x p.
    #[must_use]
    pub fn covariance(&self) -> DMatrix<f64> {
        &self.root * self.root.transpose() * (self.sigma * self.sigma)
    }

    /// A B' for two fits to the same rows, A = (X'WX)^-1 X'W here and B there (p x q):
    /// times the covariance of the two residuals of a row of weight 1 it is the
    /// covariance of the two fits' coefficients; none for other numbers of rows.
    #[must_use]
    pub fn cross_product(&self, other: &Self) -> Option<DMatrix<f64>> {
        (self.n() == other.n())
            .then(|| &self.root * self.basis.tr_mul(&other.basis) * other.root.transpose())
    }

    /// Standard errors of the coefficients, p of them.
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        self.root
            .row_iter()
            .map(|row| self.sigma * row.norm())
            .collect()
    }

    /// Confidence interval of each coefficient by Student's t on n - p degrees of freedom.
    ///
    /// # Errors
    /// [`Failure::Setting`] for a level that is not between 0 and 1.
    pub fn intervals(&self, level: f64) -> Result<Vec<Interval>, Failure> {
        check_level(level)?;
        let factor = t_two_sided_quantile(level, self.df as f64);
        let errors = self.standard_errors();
        let pairs = self.coefficients.iter().zip(errors);
        Ok(pairs
            .map(|(b, error)| Interval::around(*b, factor * error))
            .collect())
    }

    /// AICc; none for an exact fit, or with too few rows for the correction.
    ///
    /// # Source
    /// Hurvich & Tsai 1989, Biometrika 76:297-307; sigma counts as a term.
    #[must_use]
    pub fn aicc(&self) -> Option<f64> {
        let k = self.parameters as f64;
        let spare = self.n() as f64 - k - 1.0;
        let log_lik = self.log_lik?;
        (spare > 0.0).then(|| -2.0 * log_lik + 2.0 * k + 2.0 * k * (k + 1.0) / spare)
    }

    /// How much collinearity inflates each coefficient's variance.
    ///
    /// None for the constant itself, and for every column of a model with one column.
    /// Without a constant, columns are compared about 0 in place of their mean.
    ///
    /// # Source
    /// Marquardt 1970, Technometrics 12:591-612.
    #[must_use]
    pub fn variance_inflation(&self) -> &[Option<f64>] {
        &self.inflation
    }

    /// What to expect of a new row of weight 1.
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`] and [`Failure::Value`].
    pub fn predict(&self, row: &[f64]) -> Result<Prediction, Failure> {
        self.predict_weighted(row, 1.0)
    }

    /// What to expect of a new row whose variance is sigma^2 / `weight`.
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`], [`Failure::Value`], [`Failure::Setting`] for the weight.
    pub fn predict_weighted(&self, row: &[f64], weight: f64) -> Result<Prediction, Failure> {
        check_length("row", row.len(), self.coefficients.len())?;
        check_finite("row", row)?;
        if !(weight > 0.0 && weight.is_finite()) {
            return Err(Failure::Setting {
                what: "weight",
                found: weight,
                expected: "a number above 0",
            });
        }
        let row = DVector::from_column_slice(row);
        let value = row.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum();
        Ok(Prediction {
            value,
            coefficient_standard_error: self.sigma * self.root.tr_mul(&row).norm(),
            residual_sd: self.sigma / weight.sqrt(),
        })
    }
}

fn total_squares(response: &[f64], weights: &[f64], about_mean: bool) -> f64 {
    let centre = if about_mean {
        weighted_mean(response, weights)
    } else {
        0.0
    };
    let pairs = response.iter().zip(weights);
    pairs.map(|(y, w)| w * (y - centre).powi(2)).sum()
}

fn weighted_mean(values: &[f64], weights: &[f64]) -> f64 {
    let total: f64 = weights.iter().sum();
    let first = values.iter().zip(weights).map(|(y, w)| y * w).sum::<f64>() / total;
    let rest = values.iter().zip(weights).map(|(y, w)| (y - first) * w);
    first + rest.sum::<f64>() / total
}

fn gaussian_log_likelihood(rss: f64, weights: &[f64]) -> Option<f64> {
    let n = weights.len() as f64;
    let log_weights: f64 = weights.iter().map(|weight| weight.ln()).sum();
    let per_row = (std::f64::consts::TAU * rss / n).ln() + 1.0;
    (rss > 0.0).then_some(0.5 * (log_weights - n * per_row))
}

fn inflation(
    design: &Design,
    root: &DMatrix<f64>,
    weights: &[f64],
    holds_constant: bool,
) -> Vec<Option<f64>> {
    let factors = (0..design.p()).map(|j| {
        let column: Vec<f64> = design.matrix.column(j).iter().copied().collect();
        let squares = total_squares(&column, weights, holds_constant);
        let constant = squares <= 1e-24 * total_squares(&column, weights, false);
        let others = design.p() - usize::from(holds_constant);
        (!constant && others > 1).then(|| root.row(j).norm_squared() * squares)
    });
    factors.collect()
}

#[cfg(test)]
mod tests;
