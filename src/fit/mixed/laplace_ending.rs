//! From the maximum of the marginal likelihood to the ending: standard errors of what
//! the parameters stand for, by the delta method.

use super::alternating::State;
use super::ending::Ending;
use super::laplace::{dot, multiply};
use super::likelihood::Likelihood;
use super::model::Correlation;
use super::result::Certificate;
use super::spread::correlation_slope;
use crate::fit::{Variance, Weakness};

impl Likelihood<'_, '_> {
    pub(super) fn ending(
        self,
        x: &[f64],
        value: f64,
        covariance: &[f64],
        certificate: Certificate,
        weaknesses: Vec<Weakness>,
    ) -> Ending {
        let (problem, m) = (self.problem, x.len());
        let (q, fixed) = (problem.q, problem.fixed);
        let point = self.unpack(x);
        let sigma = point.noise.log_sigma.exp();
        let variance_of = |slope: &[f64]| {
            let variance = dot(&multiply(covariance, slope, m), slope);
            (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt())
        };
        let log_sd_errors = (0..q)
            .map(|k| {
                // ln SD_k = l_k + 1/2 ln(1 + sum of squared shares).
                let mut slope = vec![0.0; m];
                let mut squares = 1.0;
                for (at, (row, column)) in self.entries.iter().enumerate() {
                    if *row == k && row != column {
                        squares += x[fixed + at] * x[fixed + at];
                    }
                }
                for (at, (row, column)) in self.entries.iter().enumerate() {
                    if *row == k {
                        slope[fixed + at] = if row == column {
                            1.0
                        } else {
                            x[fixed + at] / squares
                        };
                    }
                }
                variance_of(&slope)
            })
            .collect();
        // x holds an off-diagonal entry as a share of its row's diagonal, and a
        // correlation does not change where a row is scaled.
        let correlation_errors = (0..q * q)
            .map(|at| {
                let (one, other) = (at / q, at % q);
                if one == other || self.entries.len() == q {
                    return None;
                }
                let mut slope = vec![0.0; m];
                let by_entry = correlation_slope(&point.factor, q, &self.entries, (one, other));
                for (at, (row, column)) in self.entries.iter().enumerate() {
                    if row != column {
                        slope[fixed + at] = by_entry[at] * point.factor[row * q + row];
                    }
                }
                variance_of(&slope)
            })
            .collect();
        let error_of = |at: usize| {
            let mut slope = vec![0.0; m];
            slope[fixed + self.entries.len() + at] = 1.0;
            variance_of(&slope)
        };
        let power = usize::from(problem.variance == Variance::Power);
        let mut sigma_slope = vec![0.0; m];
        sigma_slope[fixed + self.entries.len()] = 1.0;
        if power == 1 {
            // The table's sigma is at a fitted value of 1.
            sigma_slope[fixed + self.entries.len() + 1] = -problem.reference;
        }
        Ending {
            beta_covariance: (0..fixed * fixed)
                .map(|at| covariance[at / fixed * m + at % fixed])
                .collect(),
            information: self.information,
            log_sd_errors,
            log_sigma_error: variance_of(&sigma_slope),
            correlation_errors,
            power_error: (power == 1).then(|| error_of(1)).flatten(),
            logit_phi_error: (problem.correlation == Correlation::Ar1)
                .then(|| error_of(1 + power))
                .flatten(),
            log_lik: value,
            certificate,
            weaknesses,
            state: State {
                factor: point.factor.iter().map(|value| value / sigma).collect(),
                variance: sigma * sigma,
                beta: point.beta,
                errors: point.noise.errors,
                spherical: if q == 0 {
                    Vec::new()
                } else {
                    self.modes.iter().map(|u| u * sigma).collect()
                },
            },
        }
    }
}
