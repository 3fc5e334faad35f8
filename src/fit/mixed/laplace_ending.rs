//! From the maximum of the marginal likelihood to the ending: standard errors of what
//! the parameters stand for, by the delta method.

use super::alternating::State;
use super::ending::Ending;
use super::laplace::{dot, multiply};
use super::likelihood::Likelihood;
use super::marginal::Point;
use super::model::{Correlation, Estimator};
use super::result::Certificate;
use super::spread::correlation_slope;
use crate::fit::Variance;

impl Likelihood<'_, '_> {
    pub(super) fn ending(
        self,
        x: &[f64],
        value: f64,
        covariance: &[f64],
        certificate: Certificate,
    ) -> Ending {
        let (problem, m) = (self.problem, x.len());
        let (q, fixed) = (problem.q, problem.fixed);
        let point = self.unpack(x);
        let state = self.state(&point);
        let variance_of = |slope: &[f64]| {
            let variance = dot(&multiply(covariance, slope, m), slope);
            (variance > 0.0 && variance.is_finite()).then(|| variance.sqrt())
        };
        let log_sd_errors = (0..q)
            .map(|k| {
                // ln SD_k = 1/2 ln sum_l L_kl^2.
                let row = &point.factor[k * q..(k + 1) * q];
                let square: f64 = row.iter().map(|l| l * l).sum();
                let mut slope = vec![0.0; m];
                for (at, (of, column)) in self.entries.iter().enumerate() {
                    if *of == k {
                        slope[fixed + at] = row[*column] * self.sizes[k] / square;
                    }
                }
                variance_of(&slope)
            })
            .collect();
        let correlation_errors = (0..q * q)
            .map(|at| {
                let (one, other) = (at / q, at % q);
                if one == other || self.entries.len() == q {
                    return None;
                }
                let mut slope = vec![0.0; m];
                let by_entry = correlation_slope(&point.factor, q, &self.entries, (one, other));
                for (at, (row, _)) in self.entries.iter().enumerate() {
                    slope[fixed + at] = by_entry[at] * self.sizes[*row];
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
            group_covariance: None,
            beta_covariance: (0..fixed * fixed)
                .map(|at| covariance[at / fixed * m + at % fixed])
                .collect(),
            information: self.information,
            log_sd_errors,
            cluster_covariances: Vec::new(),
            variance_error: None,
            cluster_log_sd_errors: Vec::new(),
            log_sigma_error: variance_of(&sigma_slope),
            correlation_errors,
            power_error: (power == 1).then(|| error_of(1)).flatten(),
            logit_phi_error: (problem.correlation == Correlation::Ar1)
                .then(|| error_of(1 + power))
                .flatten(),
            log_lik: value,
            certificate,
            estimator: Estimator::Laplace,
            undetermined: false,
            weaknesses: Vec::new(),
            state,
        }
    }

    /// The state at the end; columns of the factor whose diagonal entry is negative are
    /// turned, with the effects that they bear: L L' and L u stay the same.
    fn state(&self, point: &Point) -> State {
        let q = self.problem.q;
        let sigma = point.noise.log_sigma.exp();
        let turned = |column: usize| {
            if point.factor[column * q + column] < 0.0 {
                -1.0
            } else {
                1.0
            }
        };
        let factor = point.factor.iter().enumerate();
        State {
            factor: factor.map(|(at, l)| turned(at % q) * l / sigma).collect(),
            variance: sigma * sigma,
            beta: point.beta.clone(),
            errors: point.noise.errors,
            cluster_factor: Vec::new(),
            cluster_spherical: Vec::new(),
            spherical: if q == 0 {
                Vec::new()
            } else {
                let modes = self.modes.iter().enumerate();
                modes.map(|(at, u)| turned(at % q) * u * sigma).collect()
            },
        }
    }
}
