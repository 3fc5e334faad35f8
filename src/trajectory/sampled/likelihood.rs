//! The likelihood of the linearised model: generalised least squares of the cells' means.
//!
//! Of group g, unit j and day d the log mean of a cell is x'b + unit + day + occasion + error of
//! sampling. Units are factored one by one, days (which cross the units of a group) eliminated
//! after them.

use nalgebra::{DMatrix, DVector};

use super::data::SampledData;
use super::spread::{Reduced, Spread, log_determinant};

/// The mean of every cell linearised: log value at the terms, and its gradient in them.
pub(super) struct Linearised {
    /// Log value at the present terms, one a cell.
    pub(super) fitted: DVector<f64>,
    /// Gradient of the log value in the group's terms, one row a cell.
    pub(super) design: DMatrix<f64>,
}

/// Whether variances are those of restricted likelihood.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Criterion {
    Full,
    Restricted,
}

/// One group's estimate at given variances.
pub(super) struct GroupFit {
    /// Step of the terms from where the mean was linearised.
    pub(super) step: DVector<f64>,
    /// Covariance of the terms.
    pub(super) covariance: DMatrix<f64>,
}

/// The likelihood at given variances, maximised over the terms.
pub(super) struct Fitted {
    pub(super) log_lik: f64,
    pub(super) groups: Vec<GroupFit>,
    /// Weighted squares of the cells' means about the curves *before* the step.
    pub(super) squares: f64,
}

/// Fits every group; `None` where a matrix is not positive definite.
pub(super) fn fit(
    data: &SampledData,
    reduced: &[Reduced],
    spread: &Spread,
    linear: &Linearised,
    criterion: Criterion,
) -> Option<Fitted> {
    let mut fitted = Fitted {
        log_lik: 0.0,
        groups: Vec::new(),
        squares: 0.0,
    };
    let mut cells = 0.0;
    for group in 0..data.groups() {
        let (log_lik, squares, one) = group_fit(data, group, reduced, spread, linear, criterion)?;
        fitted.log_lik += log_lik;
        fitted.squares += squares;
        fitted.groups.push(one);
    }
    for one in reduced {
        fitted.log_lik += one.log_lik;
        cells += one.beyond;
    }
    fitted.log_lik -= 0.5 * cells * (2.0 * std::f64::consts::PI).ln();
    fitted.log_lik.is_finite().then_some(fitted)
}

fn group_fit(
    data: &SampledData,
    group: usize,
    reduced: &[Reduced],
    spread: &Spread,
    linear: &Linearised,
    criterion: Criterion,
) -> Option<(f64, f64, GroupFit)> {
    let p = linear.design.ncols();
    let members = || {
        data.units
            .iter()
            .enumerate()
            .filter(|(_, of)| **of == group)
            .map(|(unit, _)| unit)
    };
    let days = members()
        .flat_map(|unit| {
            data.cells[data.cells_of(unit)]
                .iter()
                .map(|cell| cell.day + 1)
        })
        .max()
        .unwrap_or(0);
    // Products of [X, r] with each other, of days with [X, r], and of days with days.
    let mut products = DMatrix::<f64>::zeros(p + 1, p + 1);
    let mut crossed = DMatrix::<f64>::zeros(days, p + 1);
    let mut of_days = DMatrix::<f64>::zeros(days, days);
    let (mut log_det, mut n) = (0.0, 0.0);
    for unit in members() {
        let range = data.cells_of(unit);
        if range.is_empty() {
            continue;
        }
        let t = range.len();
        let one = &reduced[unit];
        let covariance = DMatrix::from_fn(t, t, |i, j| {
            let own = if i == j { spread.occasions } else { 0.0 };
            one.covariance[(i, j)] + spread.units + own
        });
        let factor = covariance.cholesky()?;
        log_det += log_determinant(&factor);
        n += t as f64;
        let mut known = DMatrix::<f64>::zeros(t, p + 1);
        for (at, cell) in range.clone().enumerate() {
            known
                .view_mut((at, 0), (1, p))
                .copy_from(&linear.design.row(cell));
            known[(at, p)] = one.means[at] - linear.fitted[cell];
        }
        let solved = factor.solve(&known);
        products += known.transpose() * &solved;
        if spread.days > 0.0 {
            let inverse = factor.inverse();
            for (i, one) in range.clone().enumerate() {
                let day = data.cells[one].day;
                for column in 0..=p {
                    crossed[(day, column)] += solved[(i, column)];
                }
                for (j, other) in range.clone().enumerate() {
                    of_days[(day, data.cells[other].day)] += inverse[(i, j)];
                }
            }
        }
    }
    if spread.days > 0.0 {
        let whole = DMatrix::<f64>::identity(days, days) + &of_days * spread.days;
        let factor = whole.cholesky()?;
        log_det += log_determinant(&factor);
        products -= crossed.transpose() * factor.solve(&crossed) * spread.days;
    }
    // Terms differ in size by orders of magnitude.
    let scale = DVector::from_fn(p, |at, _| products[(at, at)].max(f64::MIN_POSITIVE).sqrt());
    let information = DMatrix::from_fn(p, p, |i, j| products[(i, j)] / (scale[i] * scale[j]));
    let right = DVector::from_fn(p, |at, _| products[(at, p)] / scale[at]);
    let factor = information.cholesky()?;
    let step = factor.solve(&right);
    let squares = products[(p, p)];
    let rest = squares - right.dot(&step);
    let restricted = match criterion {
        Criterion::Full => 0.0,
        Criterion::Restricted => {
            log_determinant(&factor) + 2.0 * scale.iter().map(|s| s.ln()).sum::<f64>()
        }
    };
    let free = match criterion {
        Criterion::Full => n,
        Criterion::Restricted => n - p as f64,
    };
    let log_lik = -0.5 * (log_det + rest + restricted + free * (2.0 * std::f64::consts::PI).ln());
    let inverse = factor.inverse();
    let covariance = DMatrix::from_fn(p, p, |i, j| inverse[(i, j)] / (scale[i] * scale[j]));
    let step = DVector::from_fn(p, |at, _| step[at] / scale[at]);
    Some((log_lik, squares, GroupFit { step, covariance }))
}
