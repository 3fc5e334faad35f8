//! Standard errors and intervals of the terms and of what follows from them.
//!
//! Delta method: a quantity q of the terms with gradient g has the standard error
//! sqrt(g' V g), V the terms' covariance, and the interval q -+ t SE with Student's
//! t on n - p degrees of freedom. Bands around a curve are the same at each age
//! (pointwise), with sqrt(p F(p, n - p)) in place of t (simultaneous over all ages,
//! Scheffé), or with the spread of one new value added (prediction). All are on the
//! natural scale; where a lower limit of a mass is below zero, the data say no more
//! than that, and the limit is not cut.
//!
//! # Source
//! Bates DM, Watts DG (1988) Nonlinear Regression Analysis and Its Applications,
//! 2.3 (bands) (from memory).

use std::cell::RefCell;
use std::collections::HashMap;

use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

use super::{Estimates, Series, Variance};
use crate::growth::{Curve, Derived};

/// An estimate with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Standard error; `None` where a term on its bound leaves it undefined.
    pub standard_error: Option<f64>,
    /// Interval at the level asked for; `None` where there is no standard error.
    pub interval: Option<Interval>,
}

/// A lower and an upper limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

impl Interval {
    fn around(value: f64, half: f64) -> Self {
        Self {
            lower: value - half,
            upper: value + half,
        }
    }

    /// Whether a value lies within.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        (self.lower..=self.upper).contains(&value)
    }
}

/// What a band around a curve is to hold.
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
#[must_use]
pub fn term(estimates: &Estimates, index: usize, level: f64) -> Estimate {
    let standard_error = estimates.standard_error(index);
    with_interval(
        estimates.terms[index],
        standard_error,
        t_quantile(estimates, level),
    )
}

/// A quantity that follows from the terms, by the delta method; `None` where the
/// curve has no such quantity at these terms.
#[must_use]
pub fn derived(
    curve: &dyn Curve,
    estimates: &Estimates,
    what: Derived,
    level: f64,
) -> Option<Estimate> {
    let mut gradient = vec![0.0; estimates.terms.len()];
    let value = curve.derived(what, &estimates.terms, &mut gradient)?;
    let error = standard_error(estimates, &gradient);
    Some(with_interval(value, error, t_quantile(estimates, level)))
}

/// The fitted value at each age, with the band asked for.
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
    let quantile = band_quantile(estimates, band, level);
    let mut gradient = vec![0.0; estimates.terms.len()];
    let mut at = |age_d: &f64| {
        let value = curve.value_and_gradient(*age_d, &estimates.terms, &mut gradient);
        let error = standard_error(estimates, &gradient);
        if band != Band::Prediction {
            return with_interval(value, error, quantile);
        }
        let curve_error = error.unwrap_or(0.0);
        if estimates.variance == Variance::LogNormal {
            let half = quantile * (curve_error / value).hypot(estimates.sigma);
            let interval = Interval {
                lower: value * (-half).exp(),
                upper: value * half.exp(),
            };
            return Estimate {
                value,
                standard_error: error,
                interval: Some(interval),
            };
        }
        let spread = estimates.sigma * value.abs().powf(estimates.variance_power);
        let half = quantile * curve_error.hypot(spread);
        Estimate {
            value,
            standard_error: error,
            interval: Some(Interval::around(value, half)),
        }
    };
    ages_d.iter().map(&mut at).collect()
}

/// The rate of gain at each age, g/d, with the band asked for (a prediction band of
/// a rate is the pointwise one: no rate is observed).
#[must_use]
pub fn rate_band(
    curve: &dyn Curve,
    estimates: &Estimates,
    ages_d: &[f64],
    band: Band,
    level: f64,
) -> Vec<Estimate> {
    let quantile = band_quantile(estimates, band, level);
    let mut gradient = vec![0.0; estimates.terms.len()];
    ages_d
        .iter()
        .map(|age_d| {
            let rate = curve.slope_and_gradient(*age_d, &estimates.terms, &mut gradient);
            with_interval(rate, standard_error(estimates, &gradient), quantile)
        })
        .collect()
}

/// sqrt(g' V g); `None` where that is not a positive number.
#[must_use]
pub fn standard_error(estimates: &Estimates, gradient: &[f64]) -> Option<f64> {
    let p = gradient.len();
    let mut variance = 0.0;
    for (j, row) in estimates.covariance.chunks_exact(p).enumerate() {
        variance += gradient[j] * row.iter().zip(gradient).map(|(v, g)| v * g).sum::<f64>();
    }
    (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt())
}

fn with_interval(value: f64, standard_error: Option<f64>, quantile: f64) -> Estimate {
    let interval = standard_error.map(|error| Interval::around(value, quantile * error));
    Estimate {
        value,
        standard_error,
        interval,
    }
}

/// Which quantile: numerator degrees of freedom (0 for Student's t), denominator
/// degrees of freedom, the level's bits.
type Asked = (usize, usize, u64);

thread_local! {
    /// Quantiles already found on this thread: inverting a distribution takes longer
    /// than a fit, and the birds of a flock share a few degrees of freedom.
    static KNOWN: RefCell<HashMap<Asked, f64>> = RefCell::new(HashMap::new());
}

fn known_or(asked: Asked, find: impl FnOnce() -> f64) -> f64 {
    KNOWN.with_borrow_mut(|known| *known.entry(asked).or_insert_with(find))
}

/// Two-sided quantile of Student's t on the residual degrees of freedom.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts of observations are far below 2^52"
)]
fn t_quantile(estimates: &Estimates, level: f64) -> f64 {
    let df = estimates.residual_df().max(1);
    known_or((0, df, level.to_bits()), || {
        StudentsT::new(0.0, 1.0, df as f64)
            .map_or(f64::INFINITY, |t| t.inverse_cdf(0.5 + 0.5 * level))
    })
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts of observations are far below 2^52"
)]
fn band_quantile(estimates: &Estimates, band: Band, level: f64) -> f64 {
    match band {
        Band::Pointwise | Band::Prediction => t_quantile(estimates, level),
        Band::Simultaneous => {
            let (p, df) = (estimates.terms.len(), estimates.residual_df().max(1));
            known_or((p, df, level.to_bits()), || {
                FisherSnedecor::new(p as f64, df as f64)
                    .map_or(f64::INFINITY, |f| (p as f64 * f.inverse_cdf(level)).sqrt())
            })
        }
    }
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
