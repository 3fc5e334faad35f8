//! The error terms in the alternation: power of the mean and residual correlation.
//!
//! They are moved by Newton steps on the linearised likelihood maximised over all else.

use super::alternating::{Alternation, State};
use super::cholesky;
use super::conditional_mode::Pass;
use super::linear::{FactorStep, Profile};
use super::model::Correlation;
use super::problem::{Errors, Problem};
use crate::fit::Variance;

impl Alternation<'_, '_> {
    fn errors_at(&self, base: Errors, change: &[f64]) -> Errors {
        let mut change = change.iter();
        let mut errors = base;
        if self.problem.variance == Variance::Power {
            errors.power += change.next().copied().unwrap_or(0.0);
        }
        if self.problem.correlation == Correlation::Ar1 {
            errors.phi = phi(logit(base.phi) + change.next().copied().unwrap_or(0.0));
        }
        errors
    }

    /// Likelihood at other error terms, maximised over the factor.
    fn likelihood_at(&mut self, errors: Errors) -> Option<(Profile, FactorStep)> {
        if !self.pass(Pass::Relinearise, errors, 0) {
            return None;
        }
        self.improve(6).map(|(profile, step, _)| (profile, step))
    }

    fn return_to(&mut self, settled: &State) {
        let state = &mut self.state;
        state.factor.clone_from(&settled.factor);
        state.spherical.clone_from(&settled.spherical);
        state.cluster_factor.clone_from(&settled.cluster_factor);
        state
            .cluster_spherical
            .clone_from(&settled.cluster_spherical);
    }

    /// A Newton step in (power, logit phi) on the likelihood that is maximised over
    /// all else; derivatives by central differences of that smooth function.
    /// Returns its length in standard errors and the terms' covariance.
    pub(super) fn improve_errors(
        &mut self,
        profile: &mut Profile,
        step: &mut FactorStep,
    ) -> Result<(f64, Vec<f64>), String> {
        /// Differences this wide leave 1e-8 in the gradient, relative, and see the
        /// curvature through rounding.
        const WIDTH: f64 = 1e-4;
        let count = self.error_terms();
        let base = self.state.errors;
        // Every evaluation linearises at the same random effects L u.
        let settled = self.state.clone();
        let fail = || "the error terms have no likelihood near their present values".to_owned();
        let at = |alternation: &mut Self, change: &[f64]| -> Result<f64, String> {
            alternation.return_to(&settled);
            let errors = alternation.errors_at(base, change);
            let (profile, _) = alternation.likelihood_at(errors).ok_or_else(fail)?;
            Ok(profile.log_lik)
        };
        let zero = vec![0.0; count];
        let centre = at(self, &zero)?;
        let mut gradient = vec![0.0; count];
        let mut curvature = vec![0.0; count * count];
        let mut ups = vec![0.0; count];
        for k in 0..count {
            let mut change = zero.clone();
            change[k] = WIDTH;
            ups[k] = at(self, &change)?;
            change[k] = -WIDTH;
            let down = at(self, &change)?;
            gradient[k] = (ups[k] - down) / (2.0 * WIDTH);
            curvature[k * count + k] = (2.0 * centre - ups[k] - down) / (WIDTH * WIDTH);
        }
        if count == 2 {
            let both = at(self, &[WIDTH, WIDTH])?;
            let cross = -(both - ups[0] - ups[1] + centre) / (WIDTH * WIDTH);
            curvature[1] = cross;
            curvature[2] = cross;
        }
        let mut factor = curvature;
        for k in 0..count {
            // Far from the maximum the curvature may be of either sign.
            let diagonal = &mut factor[k * count + k];
            *diagonal = diagonal.abs().max(1e-3);
        }
        let mut scales = vec![0.0; count];
        cholesky::factor_scaled(&mut factor, count, &mut scales).ok_or_else(fail)?;
        let mut newton = gradient.clone();
        cholesky::solve_scaled(&factor, count, &scales, &mut newton);
        let decrement: f64 = newton.iter().zip(&gradient).map(|(d, g)| d * g).sum();
        let longest = newton
            .iter()
            .fold(0.0_f64, |most, step| most.max(step.abs()));
        let mut share = (1.0 / longest).min(1.0);
        loop {
            let change: Vec<f64> = newton.iter().map(|step| share * step).collect();
            let errors = self.errors_at(base, &change);
            self.return_to(&settled);
            let found = self.likelihood_at(errors);
            let least = centre - 1e-9 * centre.abs();
            if let Some((next, last)) = found.filter(|(next, _)| next.log_lik >= least) {
                *profile = next;
                *step = last;
                self.state.errors = errors;
                break;
            }
            share *= 0.5;
            if share < 1e-6 {
                self.return_to(&settled);
                (*profile, *step) = self.likelihood_at(base).ok_or_else(fail)?;
                break;
            }
        }
        let covariance = cholesky::inverse_of(&factor, &scales, count);
        Ok((decrement.max(0.0).sqrt(), covariance))
    }
}

pub(super) fn logit(phi: f64) -> f64 {
    (phi / (1.0 - phi)).ln()
}

pub(super) fn phi(logit: f64) -> f64 {
    // Beyond this the correlation is 0 or 1 to all digits that matter.
    1.0 / (1.0 + (-logit.clamp(-18.0, 18.0)).exp())
}

/// Number of error terms that are estimated, sigma apart.
pub(super) fn error_terms(problem: &Problem<'_>) -> usize {
    usize::from(problem.variance == Variance::Power)
        + usize::from(problem.correlation == Correlation::Ar1)
}
