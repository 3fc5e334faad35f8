//! One linear regression, whichever way its rows are weighted, with the errors of
//! birds left out whole.

use nalgebra::DMatrix;
use rayon::prelude::*;

use super::cluster_correlation::{ClusterCorrelation, Residuals, aicc};
use crate::stats::distribution::t_two_sided_quantile;
use crate::stats::left_out::group_left_out_errors;
use crate::stats::linear::{Design, Fit, fit, fit_weighted};
use crate::stats::reweighted::{PowerFit, estimated_power_of, estimated_power_of_mean, huber};
use crate::stats::{Failure, Interval};

/// A fitted regression.
#[derive(Debug, Clone)]
pub(super) struct Regression {
    /// The linear fit at its last weights, for the diagnostics of its rows.
    pub(super) linear: Fit,
    pub(super) coefficients: Vec<f64>,
    pub(super) standard_errors: Vec<f64>,
    pub(super) covariance: DMatrix<f64>,
    /// Residual SD; at a prediction (or size) of 1 where `power` is not 0.
    pub(super) sigma: f64,
    /// Degrees of freedom of `sigma` and of the coefficients.
    pub(super) df: usize,
    /// By how much the covariance grew since rows of one bird are alike; 1 where
    /// each bird has one row.
    pub(super) cluster_correlation: f64,
    pub(super) power: f64,
    pub(super) residuals: Vec<f64>,
    /// By the likelihood in which rows of one bird are alike; none for a robust fit.
    pub(super) aicc: Option<f64>,
    /// Observed minus predicted without the row's bird.
    pub(super) left_out: Vec<Option<f64>>,
}

impl Regression {
    /// Several rows of one bird count for less than as many birds.
    fn allow_for_clusters(&mut self, response: &[f64], birds: &[usize]) {
        let whitened: Vec<f64> = self
            .residuals
            .iter()
            .zip(&self.linear.weights)
            .map(|(residual, weight)| residual * weight.sqrt())
            .collect();
        let Some(cluster_correlation) =
            ClusterCorrelation::of(&whitened, birds, self.coefficients.len())
        else {
            return;
        };
        // A robust scale stays: its outlying rows are not to come back in here.
        let spread = match self.aicc {
            Some(_) => {
                cluster_correlation.variance / (self.sigma * self.sigma).max(f64::MIN_POSITIVE)
            }
            None => 1.0,
        };
        self.aicc = self.aicc.and_then(|_| {
            let rows = Residuals {
                whitened: &whitened,
                weights: &self.linear.weights,
                response,
                birds,
            };
            aicc(rows, self.coefficients.len(), self.linear.parameters)
        });
        self.sigma *= spread.sqrt();
        self.covariance *= spread * cluster_correlation.factor;
        for error in &mut self.standard_errors {
            *error *= (spread * cluster_correlation.factor).sqrt();
        }
        self.df = cluster_correlation.df;
        self.cluster_correlation = cluster_correlation.factor;
    }

    /// Residual SD in the unit of the response, whichever way the spread depends on the
    /// prediction: `sigma` is that at a prediction of 1 where there is a power.
    pub(super) fn residual_sd(&self) -> f64 {
        if self.power.abs() < f64::MIN_POSITIVE {
            return self.sigma;
        }
        let squares: f64 = self
            .residuals
            .iter()
            .map(|residual| residual * residual)
            .sum();
        (squares / (self.residuals.len() - self.coefficients.len()).max(1) as f64).sqrt()
    }

    pub(super) fn intervals(&self, level: f64) -> Result<Vec<Interval>, Failure> {
        // The fit checks the level; a robust fit has other standard errors.
        self.linear.intervals(level)?;
        let t = t_two_sided_quantile(level, self.df as f64);
        let pairs = self.coefficients.iter().zip(&self.standard_errors);
        Ok(pairs
            .map(|(b, error)| Interval::around(*b, t * error))
            .collect())
    }
}

/// How the rows of a regression count.
#[derive(Debug, Clone, Copy)]
pub(super) enum Rows<'a> {
    /// Alike.
    Alike,
    /// Residual SD grows with a power of the prediction.
    PowerOfMean,
    /// It grows with a power of these sizes, n of them, above 0.
    PowerOf(&'a [f64]),
    /// Those far from the rest pull with a limited force.
    Robust,
}

/// Fits a regression and leaves each bird out in turn.
///
/// # Shapes
/// `columns`: p columns of n values; `response`, `birds`: n.
pub(super) fn regress(
    columns: Vec<(String, Vec<f64>)>,
    response: &[f64],
    birds: &[usize],
    rows: Rows<'_>,
) -> Result<Regression, Failure> {
    let design = Design::new(columns)?;
    let mut regression = once(&design, response, rows)?;
    regression.allow_for_clusters(response, birds);
    regression.left_out = match rows {
        // The one power of known sizes hardly hangs on a single bird: it is kept.
        Rows::Alike | Rows::PowerOf(_) => group_left_out_errors(&regression.linear, birds)?,
        Rows::PowerOfMean | Rows::Robust => refit_without(&design, response, birds, rows),
    };
    Ok(regression)
}

fn once(design: &Design, response: &[f64], rows: Rows<'_>) -> Result<Regression, Failure> {
    match rows {
        Rows::Alike => Ok(linear(fit(design, response)?, 0.0)),
        Rows::PowerOfMean => {
            let PowerFit { fit, power, .. } = estimated_power_of_mean(design, response)?;
            Ok(linear(fit, power))
        }
        Rows::PowerOf(sizes) => {
            let PowerFit { fit, power, .. } = estimated_power_of(design, response, sizes)?;
            Ok(linear(fit, power))
        }
        Rows::Robust => {
            let robust = huber(design, response)?;
            let plain = fit(design, response)?;
            // Huber's covariance is that of the plain fit times one factor.
            let first = robust.standard_errors[0] / plain.standard_errors()[0];
            let covariance = plain.covariance() * (first * first);
            Ok(Regression {
                linear: fit_weighted(design, response, &robust.pull)?,
                covariance,
                standard_errors: robust.standard_errors,
                coefficients: robust.coefficients,
                sigma: robust.scale,
                df: plain.df,
                cluster_correlation: 1.0,
                power: 0.0,
                residuals: robust.residuals,
                aicc: None,
                left_out: Vec::new(),
            })
        }
    }
}

fn linear(fit: Fit, power: f64) -> Regression {
    Regression {
        coefficients: fit.coefficients.clone(),
        standard_errors: fit.standard_errors(),
        covariance: fit.covariance(),
        sigma: fit.sigma,
        df: fit.df,
        cluster_correlation: 1.0,
        power,
        residuals: fit.residuals.clone(),
        aicc: fit.aicc(),
        left_out: Vec::new(),
        linear: fit,
    }
}

/// Weights depend on the rows, so each bird is left out by refitting.
fn refit_without(
    design: &Design,
    response: &[f64],
    birds: &[usize],
    rows: Rows<'_>,
) -> Vec<Option<f64>> {
    let last = birds.iter().copied().max().map_or(0, |bird| bird + 1);
    let of_bird = |bird: usize| -> Vec<(usize, f64)> {
        let kept: Vec<usize> = (0..birds.len()).filter(|row| birds[*row] != bird).collect();
        let columns = design
            .names()
            .iter()
            .zip(design.matrix().column_iter())
            .map(|(name, column)| (name.clone(), kept.iter().map(|row| column[*row]).collect()));
        let rest: Vec<f64> = kept.iter().map(|row| response[*row]).collect();
        let refit = Design::new(columns.collect()).and_then(|design| once(&design, &rest, rows));
        let Ok(refit) = refit else {
            return Vec::new();
        };
        let own = (0..birds.len()).filter(|row| birds[*row] == bird);
        own.map(|row| {
            let x = design.matrix().row(row);
            let predicted: f64 = x.iter().zip(&refit.coefficients).map(|(x, b)| x * b).sum();
            (row, response[row] - predicted)
        })
        .collect()
    };
    let found: Vec<(usize, f64)> = (0..last).into_par_iter().flat_map_iter(of_bird).collect();
    let mut errors = vec![None; response.len()];
    for (row, error) in found {
        errors[row] = Some(error);
    }
    errors
}
