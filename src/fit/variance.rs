//! How the residuals are put on one scale, and what likelihood follows.
//!
//! With fitted values mu, residual SD sigma mu^d and unknown sigma, the
//! log-likelihood at its best sigma is
//!
//! ```text
//! -n/2 (ln(2 pi S/n) + 1) - d sum ln mu,   S = sum ((y - mu) / mu^d)^2
//! ```
//!
//! and with g the geometric mean of the mu this is, up to a constant,
//! -n/2 ln sum u^2 with u = (y - mu) (g/mu)^d. So for a given power d, *full*
//! maximum likelihood is least squares in u, weights that move with the terms
//! included, and the same loop serves every variance model. (Iterated reweighting,
//! where the weights are not differentiated, solves other equations; its terms
//! differ a little and its likelihood is lower.) The power itself: `power.rs`.
//!
//! The log-normal model is least squares in ln y - ln mu; its likelihood carries
//! the Jacobian - sum ln y, so that it compares with the others.
//!
//! # Source
//! The moving weights: as for the power transformation, Box GEP, Cox DR (1964) An
//! analysis of transformations, J R Stat Soc B 26: 211-252 (from memory); the
//! variance function: Carroll RJ, Ruppert D (1988) Transformation and Weighting in
//! Regression, chapter 3 (from memory).

use nalgebra::DMatrix;

use super::least_squares::Descent;
use super::{Series, Variance};
use crate::growth::Curve;

/// The scale on which residuals have one spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Scale {
    /// y - mu.
    Natural,
    /// (y - mu) (g/mu)^d.
    PowerOfMean(f64),
    /// ln y - ln mu.
    Logarithm,
}

impl Scale {
    /// The scale of a variance model; a power that is to be estimated starts at 1.
    pub(crate) fn of(variance: Variance) -> Self {
        match variance {
            Variance::Constant => Self::Natural,
            Variance::Proportional | Variance::Power => Self::PowerOfMean(1.0),
            Variance::LogNormal => Self::Logarithm,
        }
    }

    /// Power of the mean in the residual SD on the natural scale.
    pub(crate) fn power(self) -> f64 {
        match self {
            Self::Natural => 0.0,
            Self::PowerOfMean(power) => power,
            Self::Logarithm => 1.0,
        }
    }
}

/// What the loop minimises: a curve against a series on a scale.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Problem<'a> {
    pub(crate) curve: &'a dyn Curve,
    pub(crate) series: Series<'a>,
    pub(crate) scale: Scale,
    /// Weight w of each value: its residual and its row of the Jacobian count sqrt(w)
    /// times, and the likelihood gains half the sum of ln w.
    pub(crate) weights: Option<&'a [f64]>,
}

impl Problem<'_> {
    /// Residuals r, fitted values, and the Jacobian of -r in the terms, into the
    /// descent's memory. The sum of squares, or `None` where any is not finite or
    /// the scale has no meaning (a fitted value of zero or below).
    pub(crate) fn fill(&self, terms: &[f64], descent: &mut Descent) -> Option<f64> {
        let Descent {
            fitted,
            residuals,
            jacobian,
            ..
        } = descent;
        let values = self.series.values;
        self.curve.fill(self.series.ages_d, terms, fitted, jacobian);
        match self.scale {
            Scale::Natural => {
                for ((residual, value), fitted) in residuals.iter_mut().zip(values).zip(&*fitted) {
                    *residual = value - fitted;
                }
            }
            Scale::PowerOfMean(power) => {
                scale_by_power(power, values, fitted, residuals, jacobian, terms.len())?;
            }
            Scale::Logarithm => {
                let rows = jacobian.chunks_exact_mut(terms.len());
                for (((residual, value), fitted), row) in
                    residuals.iter_mut().zip(values).zip(&*fitted).zip(rows)
                {
                    if *fitted <= 0.0 {
                        return None;
                    }
                    *residual = value.ln() - fitted.ln();
                    row.iter_mut().for_each(|entry| *entry /= fitted);
                }
            }
        }
        if let Some(weights) = self.weights {
            let rows = jacobian.chunks_exact_mut(terms.len());
            for ((residual, weight), row) in residuals.iter_mut().zip(weights).zip(rows) {
                let root = weight.sqrt();
                *residual *= root;
                row.iter_mut().for_each(|entry| *entry *= root);
            }
        }
        let sum_of_squares: f64 = residuals.iter().map(|r| r * r).sum();
        sum_of_squares.is_finite().then_some(sum_of_squares)
    }

    /// Length of the observations on the scale: what rounding is measured by.
    pub(crate) fn length(&self) -> f64 {
        let values = self.series.values.iter().enumerate();
        let weighed = values.map(|(i, y)| {
            let square = match self.scale {
                Scale::Natural | Scale::PowerOfMean(_) => y * y,
                Scale::Logarithm => y.ln().powi(2) + 1.0,
            };
            square * self.weight(i)
        });
        weighed.sum::<f64>().sqrt()
    }

    fn weight(&self, i: usize) -> f64 {
        self.weights.map_or(1.0, |weights| weights[i])
    }

    /// Likelihood and spread at the terms that the descent holds.
    pub(crate) fn spread(&self, descent: &Descent) -> Spread {
        let (values, fitted) = (self.series.values, &descent.fitted);
        let n = values.len() as f64;
        let (rss, jacobian) = match self.scale {
            Scale::Natural => (descent.residuals.iter().map(|r| r * r).sum(), 0.0),
            Scale::Logarithm => (
                descent.residuals.iter().map(|r| r * r).sum(),
                values.iter().map(|y| y.ln()).sum(),
            ),
            Scale::PowerOfMean(power) => (
                values
                    .iter()
                    .zip(fitted)
                    .enumerate()
                    .map(|(i, (y, mu))| self.weight(i) * ((y - mu) / mu.powf(power)).powi(2))
                    .sum(),
                power * fitted.iter().map(|mu| mu.ln()).sum::<f64>(),
            ),
        };
        // Exact data have no finite likelihood; their variance is taken as that of
        // rounding, so that no infinity reaches a table.
        let rounding = match self.scale {
            Scale::PowerOfMean(power) => {
                let greatest = values.iter().fold(0.0, |most: f64, y| most.max(y.abs()));
                (f64::EPSILON * greatest.powf(1.0 - power)).powi(2)
            }
            _ => (f64::EPSILON * self.length()).powi(2) / n,
        };
        let variance = f64::max(rss / n, rounding.max(f64::MIN_POSITIVE));
        let weights: f64 = self
            .weights
            .unwrap_or_default()
            .iter()
            .map(|w| w.ln())
            .sum();
        let log_lik =
            0.5 * (weights - n * ((std::f64::consts::TAU * variance).ln() + 1.0)) - jacobian;
        Spread { rss, log_lik }
    }

    /// Derivative of the log-likelihood in the power, at the terms that the descent
    /// holds: sum of ln(mu) (standardised residual squared - 1). By the envelope
    /// theorem this is the derivative of the profile where the terms are optimal.
    pub(crate) fn power_score(&self, descent: &Descent) -> f64 {
        let n = descent.fitted.len() as f64;
        let variance = descent.residuals.iter().map(|u| u * u).sum::<f64>() / n;
        let terms = descent.fitted.iter().zip(&descent.residuals);
        terms
            .map(|(mu, u)| mu.ln() * (u * u / variance - 1.0))
            .sum()
    }

    /// Covariance of the terms under a power of the mean, p x p row-major: the
    /// inverse of the expected information of a normal with mean mu and SD sigma
    /// mu^d, after ln sigma (and d, where estimated) have been taken out:
    ///
    /// ```text
    /// J'WJ / sigma^2 + 2 d^2 L'(I - P)L
    /// ```
    ///
    /// with W = mu^-2d (times the values' weights), L the Jacobian of ln mu, and P the projection on 1 (and ln
    /// mu). The second part is the information of the variance on the mean.
    ///
    /// # Source
    /// Davidian M, Carroll RJ (1987) Variance function estimation, J Am Stat Assoc
    /// 82: 1079-1091 (from memory); the projection is the usual partitioned inverse.
    pub(crate) fn covariance(
        &self,
        sigma: f64,
        estimated: bool,
        descent: &mut Descent,
    ) -> Box<[f64]> {
        let (n, p, power) = (
            descent.fitted.len(),
            descent.terms.len(),
            self.scale.power(),
        );
        let Descent {
            terms,
            held,
            fitted,
            jacobian,
            ..
        } = descent;
        self.curve.fill(self.series.ages_d, terms, fitted, jacobian);
        let logs: Vec<f64> = fitted.iter().map(|mu| mu.ln()).collect();
        let mean_log = logs.iter().sum::<f64>() / n as f64;
        let squares: f64 = logs.iter().map(|log| (log - mean_log).powi(2)).sum();
        // Two rows an observation: the mean's, and the spread's minus its projection.
        let mut rows = DMatrix::zeros(2 * n, p);
        for j in (0..p).filter(|j| !held[*j]) {
            let column: Vec<f64> = jacobian.iter().skip(j).step_by(p).copied().collect();
            let relative = |i: usize| column[i] / fitted[i];
            let mean = (0..n).map(relative).sum::<f64>() / n as f64;
            let slope = if estimated && squares > 0.0 {
                (0..n)
                    .map(|i| relative(i) * (logs[i] - mean_log))
                    .sum::<f64>()
                    / squares
            } else {
                0.0
            };
            for i in 0..n {
                rows[(i, j)] = column[i] * self.weight(i).sqrt() / (sigma * fitted[i].powf(power));
                rows[(n + i, j)] = std::f64::consts::SQRT_2
                    * power
                    * (relative(i) - mean - slope * (logs[i] - mean_log));
            }
        }
        inverse_of_product(rows, held)
    }
}

/// (M'M)^-1 by QR of the scaled columns, row-major; zero where a term is held.
pub(super) fn inverse_of_product(mut rows: DMatrix<f64>, held: &[bool]) -> Box<[f64]> {
    let p = rows.ncols();
    let mut lengths = vec![1.0; p];
    for (j, mut column) in rows.column_iter_mut().enumerate() {
        if held[j] {
            column[0] = 1.0;
            continue;
        }
        lengths[j] = column.norm();
        column /= lengths[j];
    }
    let triangle = rows.qr().r();
    let root = triangle
        .solve_upper_triangular(&DMatrix::identity(p, p))
        .unwrap_or_else(|| DMatrix::from_element(p, p, f64::INFINITY));
    let inverse = &root * root.transpose();
    let entry = |j: usize, k: usize| {
        if held[j] || held[k] {
            0.0
        } else {
            inverse[(j, k)] / (lengths[j] * lengths[k])
        }
    };
    (0..p * p).map(|at| entry(at / p, at % p)).collect()
}

/// RSS on the scale of the model, and the full log-likelihood of the values.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Spread {
    pub(crate) rss: f64,
    pub(crate) log_lik: f64,
}

/// u = (y - mu) (g/mu)^d, and -du/dterm = (g/mu)^d dmu + d u (dln mu - mean dln mu).
fn scale_by_power(
    power: f64,
    values: &[f64],
    fitted: &[f64],
    residuals: &mut [f64],
    jacobian: &mut [f64],
    p: usize,
) -> Option<()> {
    if fitted.iter().any(|mu| mu.is_nan() || *mu <= 0.0) {
        return None;
    }
    let n = fitted.len() as f64;
    let mean_log = fitted.iter().map(|mu| mu.ln()).sum::<f64>() / n;
    for ((residual, value), mu) in residuals.iter_mut().zip(values).zip(fitted) {
        *residual = (value - mu) * (power * (mean_log - mu.ln())).exp();
    }
    for j in 0..p {
        let column = jacobian.iter().skip(j).step_by(p);
        let mean = column
            .zip(fitted)
            .map(|(slope, mu)| slope / mu)
            .sum::<f64>()
            / n;
        let column = jacobian.iter_mut().skip(j).step_by(p);
        for ((slope, mu), u) in column.zip(fitted).zip(&*residuals) {
            let weight = (power * (mean_log - mu.ln())).exp();
            *slope = weight * *slope + power * u * (*slope / mu - mean);
        }
    }
    Some(())
}
