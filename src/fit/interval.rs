//! Standard errors and intervals of the terms and of what follows from them.
//!
//! Delta method: a quantity q of the terms with gradient g has the standard error
//! sqrt(g' V g), V the terms' covariance, and the interval q -+ t SE with Student's
//! t on n - p degrees of freedom (of a mixed fit on those of each quantity). Bands around a curve are the same at each age
//! (pointwise), with a greater factor in place of t (simultaneous: sqrt(p F(p, n -
//! p)) of Scheffé over all ages there are, or that of the tube about the curve's path over
//! the ages requested), or with the spread of one new value added
//! (prediction). All are on the
//! natural scale; where a lower limit of a mass is below zero, the data show no more
//! than that, and the limit is not cut.
//!
//! # Source
//! Bates DM, Watts DG (1988) Nonlinear Regression Analysis and Its Applications,
//! 2.3 (bands) (from memory).

use std::cell::RefCell;
use std::collections::HashMap;

use nalgebra::{DMatrix, DVector};

use super::estimable::{Fitted, NotEstimable};
use super::mixed::CovarianceError;
use super::{Estimates, Series, Variance};
use crate::error::Error;
use crate::growth::{Curve, Derived};
use crate::stats::Interval;
use crate::stats::distribution::{f_quantile, t_two_sided_quantile};
use crate::stats::tube::{self, Scale};

/// The law of estimated terms: normal about the truth, its scale estimated.
///
/// What every interval and band needs to know of a fit, whichever kind it was: a
/// fit of one series ([`SamplingDistribution::of`]), or a group's typical subject of a mixed fit.
#[derive(Debug, Clone, Copy)]
pub struct SamplingDistribution<'a> {
    /// Terms in the curve's order, p of them.
    pub terms: &'a [f64],
    /// Their covariance, p x p row-major.
    pub covariance: &'a [f64],
    /// Degrees of freedom of Student's t, common to all quantities.
    pub df: f64,
    /// The source of each quantity's degrees of freedom: the error of the covariance, and
    /// the group whose terms these are.
    pub error: Option<(&'a CovarianceError, usize)>,
}

impl<'a> SamplingDistribution<'a> {
    /// The law of a fit.
    #[must_use]
    pub fn of(estimates: &'a Estimates) -> Self {
        Self {
            terms: &estimates.terms,
            covariance: &estimates.covariance,
            df: estimates.residual_df().max(1) as f64,
            error: estimates
                .covariance_error
                .as_ref()
                .map(|(error, group)| (&**error, *group)),
        }
    }

    /// sqrt(g' V g); `None` where that is not a positive number.
    #[must_use]
    pub fn standard_error(&self, gradient: &[f64]) -> Option<f64> {
        let mut variance = 0.0;
        for (j, row) in self.covariance.chunks_exact(gradient.len()).enumerate() {
            variance += gradient[j] * row.iter().zip(gradient).map(|(v, g)| v * g).sum::<f64>();
        }
        (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt())
    }

    /// Degrees of freedom of a quantity with this gradient and standard error.
    #[must_use]
    pub fn df_of(&self, gradient: &[f64], standard_error: Option<f64>) -> f64 {
        match (self.error, standard_error) {
            (Some((error, group)), Some(size)) => {
                let parts = [(group, gradient)];
                error.degrees_of_freedom(size * size, &error.changes(&parts, &parts))
            }
            _ => self.df,
        }
    }

    /// A value with this gradient, with its interval at `level`.
    fn estimate(&self, value: f64, gradient: &[f64], level: f64) -> Estimate {
        let error = self.standard_error(gradient);
        let factor = t_factor(level, self.df_of(gradient, error));
        with_interval(value, error, factor)
    }

    /// A term, by its place in the curve's order, with its interval at `level`.
    #[must_use]
    pub fn term(&self, index: usize, level: f64) -> Estimate {
        let mut gradient = vec![0.0; self.terms.len()];
        gradient[index] = 1.0;
        self.estimate(self.terms[index], &gradient, level)
    }

    /// A quantity that follows from the terms, by the delta method; `None` where the
    /// curve has no such quantity at these terms.
    #[must_use]
    pub fn derived(&self, curve: &dyn Curve, what: Derived, level: f64) -> Option<Estimate> {
        let mut gradient = vec![0.0; self.terms.len()];
        let value = curve.derived(what, self.terms, &mut gradient)?;
        Some(self.estimate(value, &gradient, level))
    }

    /// The curve at each age, with its pointwise interval at `level`.
    #[must_use]
    pub fn values(&self, curve: &dyn Curve, ages_d: &[f64], level: f64) -> Vec<Estimate> {
        let mut gradient = vec![0.0; self.terms.len()];
        let at = |age_d: &f64| {
            let value = curve.value_and_gradient(*age_d, self.terms, &mut gradient);
            self.estimate(value, &gradient, level)
        };
        ages_d.iter().map(at).collect()
    }

    /// The rate of gain at each age, g/d, with its pointwise interval at `level`.
    #[must_use]
    pub fn rates(&self, curve: &dyn Curve, ages_d: &[f64], level: f64) -> Vec<Estimate> {
        let mut gradient = vec![0.0; self.terms.len()];
        let at = |age_d: &f64| {
            let rate = curve.slope_and_gradient(*age_d, self.terms, &mut gradient);
            self.estimate(rate, &gradient, level)
        };
        ages_d.iter().map(at).collect()
    }

    /// Standard errors of a pointwise interval by the degrees of freedom of all: Student's t.
    #[must_use]
    pub fn pointwise_factor(&self, level: f64) -> f64 {
        t_factor(level, self.df)
    }

    /// Standard errors of a band that holds the curve at all ages there are, sqrt(p
    /// F(p, df)): Scheffé's, wider than need be, at the price of one quantile.
    #[must_use]
    pub fn scheffe_factor(&self, level: f64) -> f64 {
        let p = self.terms.len();
        known_or((p, self.df.to_bits(), level.to_bits()), || {
            (p as f64 * f_quantile(level, p as f64, self.df)).sqrt()
        })
    }

    /// Standard errors of a band that holds the curve at all of these ages at once, by the
    /// length of its path ([`crate::stats::tube`]), on the fewest degrees of freedom of any
    /// age.
    #[must_use]
    pub fn band_factor(&self, curve: &dyn Curve, ages_d: &[f64], level: f64) -> f64 {
        let p = self.terms.len();
        let covariance = DMatrix::from_row_slice(p, p, self.covariance);
        let mut gradient = DVector::zeros(p);
        let mut before: Option<(DVector<f64>, f64)> = None;
        let mut correlations = Vec::with_capacity(ages_d.len());
        let mut df = f64::INFINITY;
        for age_d in ages_d {
            curve.value_and_gradient(*age_d, self.terms, gradient.as_mut_slice());
            let moved = &covariance * &gradient;
            let error = gradient.dot(&moved).max(0.0).sqrt();
            df = df.min(self.df_of(gradient.as_slice(), Some(error)));
            if error > 0.0 {
                if let Some((moved_before, error_before)) = &before {
                    correlations.push(gradient.dot(moved_before) / (error * error_before));
                }
                before = Some((moved, error));
            }
        }
        match self.error {
            // Too few units hold no band.
            Some(_) => tube::band_factor(&correlations, df, level, Scale::OfEachAge)
                .unwrap_or(f64::INFINITY),
            None => {
                let scheffe = self.scheffe_factor(level);
                let factor = tube::band_factor(&correlations, df, level, Scale::Common);
                factor.map_or(scheffe, |factor| factor.min(scheffe))
            }
        }
    }
}

/// That a confidence is between 0 and 1.
///
/// # Errors
/// [`crate::ErrorKind::Call`] for any other number.
pub fn check_confidence(confidence: f64) -> Result<(), Error> {
    if confidence > 0.0 && confidence < 1.0 {
        return Ok(());
    }
    Err(Error::call(format!(
        "confidence {confidence}, expected a number between 0 and 1, such as 0.95"
    )))
}

/// F with F F' = V by eigenvalues, for a V that may be singular (a term on its
/// bound); `None` where an entry is not finite.
#[must_use]
pub fn root_of(covariance: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    if !covariance.iter().all(|entry| entry.is_finite()) {
        return None;
    }
    // Correlations, so that terms of very different size lose no digits.
    let size = |j: usize| covariance[(j, j)].max(0.0).sqrt();
    let correlation = DMatrix::from_fn(covariance.nrows(), covariance.ncols(), |j, k| {
        let sizes = size(j) * size(k);
        if sizes > 0.0 {
            0.5 * (covariance[(j, k)] + covariance[(k, j)]) / sizes
        } else {
            0.0
        }
    });
    let parts = correlation.symmetric_eigen();
    let mut root = parts.eigenvectors;
    for (mut column, value) in root.column_iter_mut().zip(parts.eigenvalues.iter()) {
        column *= value.max(0.0).sqrt();
    }
    for (j, mut row) in root.row_iter_mut().enumerate() {
        row *= size(j);
    }
    Some(root)
}

/// An estimate with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Standard error; `None` where a term on its bound leaves it undefined.
    pub standard_error: Option<f64>,
    /// Interval at the level requested; `None` where there is no standard error.
    pub interval: Option<Interval>,
}

impl Estimate {
    /// The same estimate with an interval of `factor` standard errors.
    #[must_use]
    pub fn at_factor(self, factor: f64) -> Self {
        with_interval(self.value, self.standard_error, factor)
    }
}

/// What a band around a curve covers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Band {
    /// The curve at each age by itself.
    Pointwise,
    /// The curve at all ages at once.
    Simultaneous,
    /// One new value at each age by itself.
    Prediction,
}

/// A term, by its place in the curve's order, with its interval at `level` (0.95).
///
/// # Errors
/// Why the data do not determine it.
pub fn term(
    curve: &dyn Curve,
    estimates: &Estimates,
    index: usize,
    level: f64,
) -> Result<Estimate, NotEstimable> {
    Fitted::of(curve, estimates).term(index, level)
}

/// A quantity that follows from the terms, by the delta method.
///
/// # Errors
/// [`NotEstimable::Absent`] where the curve has no such quantity at these terms, else
/// why the data do not determine it.
pub fn derived(
    curve: &dyn Curve,
    estimates: &Estimates,
    what: Derived,
    level: f64,
) -> Result<Estimate, NotEstimable> {
    Fitted::of(curve, estimates).derived(what, level)
}

/// The fitted value at each age, with the band requested.
///
/// A prediction band of a log-normal fit is for the logarithm of a new value, put
/// back on the natural scale.
#[must_use]
pub fn value_band(
    curve: &dyn Curve,
    estimates: &Estimates,
    ages_d: &[f64],
    band: Band,
    level: f64,
) -> Vec<Estimate> {
    let law = SamplingDistribution::of(estimates);
    let values = law.values(curve, ages_d, level).into_iter();
    match band {
        Band::Pointwise => values.collect(),
        Band::Simultaneous => {
            let factor = law.scheffe_factor(level);
            values.map(|value| value.at_factor(factor)).collect()
        }
        Band::Prediction => {
            let factor = law.pointwise_factor(level);
            let predict = |estimate: Estimate| prediction(estimates, estimate, factor);
            values.map(predict).collect()
        }
    }
}

/// The interval of a new value where the curve is `estimate`.
#[must_use]
pub fn prediction(estimates: &Estimates, estimate: Estimate, factor: f64) -> Estimate {
    let Estimate {
        value,
        standard_error,
        ..
    } = estimate;
    let curve_error = standard_error.unwrap_or(0.0);
    let interval = if estimates.variance == Variance::LogNormal {
        let half = factor * (curve_error / value).hypot(estimates.sigma);
        Interval {
            lower: value * (-half).exp(),
            upper: value * half.exp(),
        }
    } else {
        let spread = estimates.sigma * value.abs().powf(estimates.variance_power);
        Interval::around(value, factor * curve_error.hypot(spread))
    };
    Estimate {
        interval: Some(interval),
        ..estimate
    }
}

/// The rate of gain at each age, g/d, with the band requested (a prediction band of
/// a rate is the pointwise one: no rate is observed).
#[must_use]
pub fn rate_band(
    curve: &dyn Curve,
    estimates: &Estimates,
    ages_d: &[f64],
    band: Band,
    level: f64,
) -> Vec<Estimate> {
    let law = SamplingDistribution::of(estimates);
    let rates = law.rates(curve, ages_d, level);
    if band != Band::Simultaneous {
        return rates;
    }
    let factor = law.scheffe_factor(level);
    let rates = rates.into_iter();
    rates.map(|rate| rate.at_factor(factor)).collect()
}

fn with_interval(value: f64, standard_error: Option<f64>, quantile: f64) -> Estimate {
    let interval = standard_error.map(|error| Interval::around(value, quantile * error));
    Estimate {
        value,
        standard_error,
        interval,
    }
}

/// Which quantile: numerator degrees of freedom (0 for Student's t), the bits of the
/// denominator's degrees of freedom and of the level.
type QuantileKey = (usize, u64, u64);

thread_local! {
    /// Quantiles already found on this thread: inverting a distribution takes longer
    /// than a fit, and the birds of a flock share a few degrees of freedom.
    static KNOWN: RefCell<HashMap<QuantileKey, f64>> = RefCell::new(HashMap::new());
}

/// Student's t quantile of a two-sided interval at `level`.
fn t_factor(level: f64, df: f64) -> f64 {
    known_or((0, df.to_bits(), level.to_bits()), || {
        t_two_sided_quantile(level, df)
    })
}

fn known_or(asked: QuantileKey, find: impl FnOnce() -> f64) -> f64 {
    KNOWN.with_borrow_mut(|known| *known.entry(asked).or_insert_with(find))
}

/// Residuals' home: the fitted values of a series, in its order.
#[must_use]
pub fn fitted(curve: &dyn Curve, estimates: &Estimates, series: Series<'_>) -> Vec<f64> {
    series
        .ages_d
        .iter()
        .map(|age_d| curve.value(*age_d, &estimates.terms))
        .collect()
}
