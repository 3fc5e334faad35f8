//! What equations fitted to the same rows have in common.
//!
//! Fat, lean and bone of one bird are predicted from the same readings, and what one
//! equation misses another often makes up for: their residuals e, f of one row are
//! correlated, and so are their coefficients. With A = (X'X)^-1 X' for the first and
//! B for the second,
//!
//! ```text
//! cov(e, f) = s_ef,   cov(a, b) = s_ef A B'
//! ```
//!
//! (seemingly unrelated regressions, Zellner 1962, Journal of the American
//! Statistical Association 57:348-368; from memory). Both are kept with each equation,
//! so that a sum of parts gets its true error. Equations of rows weighted by their
//! mean, robust ones and those of logarithms are left independent.

use serde::{Deserialize, Serialize};

use super::calibration::Calibration;
use super::equation::Equation;
use super::provenance::Scale;
use super::saved::digest;

/// What an equation has in common with another of the same rows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CrossEquationCovariance {
    /// What the other predicts.
    pub response: String,
    /// Digest of the other's coefficients: a later equation for the same is none.
    pub coefficients_digest: String,
    /// Covariance of the two residuals of one row.
    pub residual_covariance: f64,
    /// Covariance of this equation's coefficients (rows, p) with the other's (columns).
    pub covariance: Vec<Vec<f64>>,
}

impl CrossEquationCovariance {
    /// Whether it belongs to an equation of p coefficients and holds numbers.
    pub(super) fn fits(&self, p: usize) -> bool {
        let numbers = self.covariance.iter().flatten();
        self.covariance.len() == p
            && self
                .covariance
                .iter()
                .all(|row| row.len() == self.covariance[0].len())
            && numbers
                .chain([&self.residual_covariance])
                .all(|number| number.is_finite())
    }
}

/// Digest of an equation's coefficients, to their last digit.
fn coefficients_digest(equation: &Equation) -> String {
    let bytes: Vec<u8> = equation
        .coefficients
        .iter()
        .flat_map(|coefficient| coefficient.to_le_bytes())
        .collect();
    digest(&bytes)
}

impl Equation {
    /// Covariance of this equation's prediction with another's for one scan of
    /// `birds` birds: that of the birds' errors, and of the shared ones. Zero where
    /// they were not fitted together.
    ///
    /// # Shapes
    /// `row`, `other_row`: the columns of each, p and q.
    #[must_use]
    pub fn covariance_with(
        &self,
        other: &Self,
        row: &[f64],
        other_row: &[f64],
        birds: usize,
    ) -> f64 {
        let same = |cross_equation: &&CrossEquationCovariance| {
            cross_equation.response == other.provenance.response
                && cross_equation.covariance.len() == row.len()
                && cross_equation.coefficients_digest == coefficients_digest(other)
        };
        let Some(cross_equation) = self.companions.iter().find(same) else {
            return 0.0;
        };
        let shared: f64 = cross_equation
            .covariance
            .iter()
            .zip(row)
            .map(|(covariances, x)| {
                let along: f64 = covariances.iter().zip(other_row).map(|(c, z)| c * z).sum();
                x * along
            })
            .sum();
        cross_equation.residual_covariance / birds as f64 + shared
    }
}

/// Gives each equation its covariance with the others of the same rows.
pub(super) fn introduce(calibrations: &mut [&mut Calibration]) {
    for a in 0..calibrations.len() {
        let companions: Vec<CrossEquationCovariance> = (0..calibrations.len())
            .filter(|b| *b != a)
            .filter_map(|b| cross_equation(calibrations[a], calibrations[b]))
            .collect();
        calibrations[a].equation.companions = companions;
    }
}

fn cross_equation(one: &Calibration, other: &Calibration) -> Option<CrossEquationCovariance> {
    let rows = |calibration: &Calibration| -> Vec<u32> {
        calibration.rows.iter().map(|row| row.row).collect()
    };
    let plain = |calibration: &Calibration| {
        let provenance = &calibration.equation.provenance;
        provenance.scale == Scale::Identity && provenance.method == "ordinary"
    };
    if !plain(one) || !plain(other) || rows(one) != rows(other) {
        return None;
    }
    let (a, b) = (&one.regression, &other.regression);
    let product: f64 = a
        .residuals
        .iter()
        .zip(&b.residuals)
        .map(|(e, f)| e * f)
        .sum();
    let length = |residuals: &[f64]| residuals.iter().map(|e| e * e).sum::<f64>().sqrt();
    let lengths = length(&a.residuals) * length(&b.residuals);
    if lengths <= 0.0 {
        return None;
    }
    let residual_covariance = product / lengths * a.sigma * b.sigma;
    // ClusterCorrelation within birds widens both; their covariance by the middle of the two.
    let widened = residual_covariance * (a.cluster_correlation * b.cluster_correlation).sqrt();
    let covariance = a.linear.cross_product(&b.linear)? * widened;
    Some(CrossEquationCovariance {
        response: other.equation.provenance.response.clone(),
        coefficients_digest: coefficients_digest(&other.equation),
        residual_covariance,
        covariance: covariance
            .row_iter()
            .map(|row| row.iter().copied().collect())
            .collect(),
    })
}
