//! A correction equation: its predictions and their precision.
//!
//! prediction = x'b, where x is the row of its columns for a scan. Its error has
//! two parts, kept apart: the bird's own, with the residual variance, and
//! x'Vx from the coefficients, which all scans share: for two scans i and j it is
//! the covariance `x_i' V x_j` ([`Equation::shared_covariance`]). Averaging over
//! birds shrinks the first and leaves the second.
//!
//! How it is saved stands in `saved.rs`.

use super::cross_equation::CrossEquationCovariance;
use super::formula::{EquationColumn, Gap};
use super::frame::Value;
use super::provenance::{Provenance, Scale};
use crate::error::{Error, Result};
use crate::stats::resample::{Purpose, stream};
use nalgebra::{DMatrix, DVector};
use rand_distr::{Distribution as _, StandardNormal};

/// A correction equation with its provenance.
#[derive(Debug, Clone, PartialEq)]
pub struct Equation {
    /// Where it comes from and what it holds for.
    pub provenance: Provenance,
    /// Its columns, p of them.
    pub columns: Vec<EquationColumn>,
    /// A coefficient for each column.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients, p x p; `None` where it was not published.
    pub covariance: Option<DMatrix<f64>>,
    /// Equations fitted to the same rows, and what this one has in common with them.
    pub companions: Vec<CrossEquationCovariance>,
    /// Where the equation was read from; empty for one just fitted.
    pub file: String,
}

impl Equation {
    /// The row x of its columns, given what stands under each name.
    ///
    /// # Errors
    /// [`Gap`] with the name that has no value.
    pub fn row<'a>(
        &self,
        lookup: impl Fn(&str) -> Option<Value<'a>>,
    ) -> std::result::Result<Vec<f64>, Gap> {
        self.columns
            .iter()
            .map(|column| column.value(&lookup))
            .collect()
    }

    /// Names of what it reads, each once, in order.
    #[must_use]
    pub fn names(&self) -> Vec<&str> {
        let mut names: Vec<&str> = self
            .columns
            .iter()
            .flat_map(EquationColumn::names)
            .collect();
        names.sort_unstable();
        names.dedup();
        names
    }

    /// Predicted response of a row of columns (p values).
    #[must_use]
    pub fn value(&self, row: &[f64]) -> f64 {
        self.value_with(row, &self.coefficients)
    }

    /// The same with other coefficients, such as redrawn ones.
    #[must_use]
    pub fn value_with(&self, row: &[f64], coefficients: &[f64]) -> f64 {
        let sum: f64 = row.iter().zip(coefficients).map(|(x, b)| x * b).sum();
        match self.provenance.scale {
            Scale::Identity => sum,
            Scale::Log => (sum + self.provenance.residual_variance.unwrap_or(0.0) / 2.0).exp(),
        }
    }

    /// Derivative of the prediction by x'b.
    #[must_use]
    pub fn slope(&self, row: &[f64]) -> f64 {
        match self.provenance.scale {
            Scale::Identity => 1.0,
            Scale::Log => self.value(row),
        }
    }

    /// Covariance of two predictions that comes from the coefficients alone, in
    /// the response's unit squared; none where their covariance is not known.
    ///
    /// # Shapes
    /// `a`, `b`: p values each.
    #[must_use]
    pub fn shared_covariance(&self, a: &[f64], b: &[f64]) -> Option<f64> {
        let covariance = self.covariance.as_ref()?;
        let (x, y) = (DVector::from_column_slice(a), DVector::from_column_slice(b));
        // Delta method.
        Some(x.dot(&(covariance * y)) * self.slope(a) * self.slope(b))
    }

    /// Variance of one bird about the equation where it predicts `value`, or where
    /// what `variance_of` names is `value`; none where that is not known, or grows
    /// without bound since the power is below 0 and `value` is 0.
    #[must_use]
    pub fn own_variance(&self, value: f64) -> Option<f64> {
        let variance = self.provenance.residual_variance?;
        let power = self.provenance.variance_power;
        let own = match self.provenance.scale {
            Scale::Log => value * value * variance.exp_m1(),
            Scale::Identity => variance * value.abs().powf(2.0 * power),
        };
        Some(own).filter(|own| own.is_finite())
    }

    /// Coefficients redrawn from a normal distribution with their covariance.
    ///
    /// The same `seed` and `replicate` give the same draw, whatever was drawn
    /// before and by whichever thread.
    ///
    /// # Errors
    /// [`ErrorKind::Input`](crate::ErrorKind::Input) where the equation has no covariance.
    pub fn redraw(&self, seed: u64, replicate: u64) -> Result<Vec<f64>> {
        let covariance = self.covariance.clone().ok_or_else(|| {
            Error::input(format!(
                "{}: found no covariance of the coefficients, expected one to draw them from; use an equation fitted here",
                self.label()
            ))
        })?;
        let mut generator = stream(seed, Purpose::Coefficients, replicate);
        let p = self.coefficients.len();
        let normal = DVector::from_fn(p, |_, _| StandardNormal.sample(&mut generator));
        Ok(
            (DVector::from_column_slice(&self.coefficients) + root(covariance) * normal)
                .iter()
                .copied()
                .collect(),
        )
    }

    /// The equation's name in messages: its file, or what it predicts.
    #[must_use]
    pub fn label(&self) -> &str {
        if self.file.is_empty() {
            &self.provenance.response
        } else {
            &self.file
        }
    }
}

/// A square root L of a covariance, L L' = V, by its eigenvectors: a covariance
/// that is singular to rounding has one too.
pub(super) fn root(covariance: DMatrix<f64>) -> DMatrix<f64> {
    if covariance.is_empty() {
        return covariance;
    }
    let eigen = covariance.symmetric_eigen();
    let mut root = eigen.eigenvectors;
    for (mut column, value) in root.column_iter_mut().zip(eigen.eigenvalues.iter()) {
        column *= value.max(0.0).sqrt();
    }
    root
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::formula::Levels;
    use super::super::provenance::{Range, Recalibration, ValidationRecord};
    use super::super::saved::digest;
    use super::*;
    use crate::study::Publication;

    /// Made up, with every field in use.
    pub(in super::super) fn equation() -> Equation {
        Equation {
            provenance: Provenance {
                response: "fat".into(),
                unit: "g".into(),
                scale: Scale::Identity,
                feathers: "intact".into(),
                part: "body".into(),
                method: "ordinary".into(),
                rows: 12,
                birds: 12,
                strains: vec!["A".into(), "B \"two\"".into()],
                ways: vec!["tube".into()],
                residual_variance: Some(0.1 + 0.2),
                variance_power: 0.0,
                variance_of: None,
                residual_df: Some(9),
                cross_validated_rmse: Some(1.0 / 3.0),
                scanner: "scanner A\nhead first".into(),
                source: String::new(),
                input_digest: digest(b"x"),
                factors: vec![Levels {
                    name: "strain".into(),
                    levels: vec!["A".into(), "B \"two\"".into()],
                }],
                ranges: vec![Range {
                    name: "fat_scan".into(),
                    least: 1.5,
                    greatest: 1e3,
                }],
                laboratories: vec!["L1".into(), "L2".into()],
                basis: "as-is".into(),
                publication: Publication {
                    licence: "CC0-1.0".into(),
                    ..Publication::default()
                },
                validations: vec![ValidationRecord {
                    verdict: "usable as it is".into(),
                    birds: 9,
                    strains: Vec::new(),
                    ages_d: None,
                    masses: [20.5, 1e3 / 3.0],
                    bias: -0.1,
                    bias_interval: Some([-1.0 / 3.0, 0.2]),
                    confidence: 0.95,
                    rmse: 2.5,
                    acceptable_error: 3.0,
                    equation_digest: digest(b"y"),
                    input_digest: digest(b"w"),
                }],
                recalibrations: vec![Recalibration {
                    changed: "intercept".into(),
                    birds: 8,
                    strains: vec!["C".into()],
                    ages_d: Some([28.0, 98.0]),
                    masses: [40.5, 1.0 / 3.0],
                    share_taken: 0.7,
                    rmse_before: 12.5,
                    cross_validated_rmse: 6.25,
                    equation_digest: digest(b"z"),
                    input_digest: String::new(),
                }],
            },
            columns: ["intercept", "fat_scan", "strain[B \"two\"]"]
                .map(|name| name.parse().unwrap())
                .to_vec(),
            coefficients: vec![-12.345_678_901_234_567, 0.1 + 0.7, 1e-17],
            covariance: Some(DMatrix::from_row_slice(
                3,
                3,
                &[4.0, -0.1, 0.3, -0.1, 0.011, 0.0, 0.3, 0.0, 2.0],
            )),
            companions: vec![CrossEquationCovariance {
                response: "lean".into(),
                coefficients_digest: digest(b"y"),
                residual_covariance: -0.3,
                covariance: vec![vec![0.1 + 0.2], vec![1e-17], vec![-3.0]],
            }],
            file: String::new(),
        }
    }

    #[test]
    fn shared_and_own_errors_are_kept_apart() {
        let equation = equation();
        let (a, b) = ([1.0, 10.0, 0.0], [1.0, 20.0, 1.0]);
        // 4 - 0.1 x 30 + 0.011 x 200 + 0.3 by hand
        let shared = equation.shared_covariance(&a, &b).unwrap();
        assert!((shared - 3.5).abs() < 1e-12, "{shared}");
        assert_eq!(equation.own_variance(50.0), Some(0.1 + 0.2));
    }

    /// A power below 0 counts as one above it does.
    #[test]
    fn the_own_variance_follows_its_power() {
        let mut equation = equation();
        equation.provenance.residual_variance = Some(400.0);
        equation.provenance.variance_power = -0.5;
        assert_eq!(equation.own_variance(100.0), Some(4.0));
        assert_eq!(equation.own_variance(0.0), None);
        equation.provenance.variance_power = 0.5;
        assert_eq!(equation.own_variance(100.0), Some(40_000.0));
    }

    #[test]
    fn redrawn_coefficients_have_the_covariance() {
        let equation = equation();
        let n = 20_000u32;
        let draws: Vec<Vec<f64>> = (0..u64::from(n))
            .map(|replicate| equation.redraw(7, replicate).unwrap())
            .collect();
        assert_eq!(draws[3], equation.redraw(7, 3).unwrap());
        assert_ne!(draws[3], equation.redraw(8, 3).unwrap());
        let covariance = equation.covariance.as_ref().unwrap();
        for i in 0..3 {
            for j in 0..3 {
                let of = |k: usize, draw: &Vec<f64>| draw[k] - equation.coefficients[k];
                let found = draws
                    .iter()
                    .map(|draw| of(i, draw) * of(j, draw))
                    .sum::<f64>()
                    / f64::from(n);
                // 5 standard errors of a covariance of 20,000 normal draws.
                let allowed =
                    5.0 * (2.0 * covariance[(i, i)] * covariance[(j, j)] / f64::from(n)).sqrt();
                assert!(
                    (found - covariance[(i, j)]).abs() < allowed,
                    "{i} {j} {found}"
                );
            }
        }
    }
}
