//! What a mixed fit leaves over, seen from the typical and from the own curve.
//!
//! The marginal residual is the distance from the curve of the subject's group: it
//! holds the subject's own deviation. The conditional one is the distance from the
//! subject's own curve. Each is also given in units of its standard deviation: the
//! conditional one's is the residual spread, the marginal one's is
//! sqrt(g' Psi g + sigma^2 s^2) with g the gradient of the fitted value in the random
//! effects at the group's terms (first order). The normalised one is the conditional
//! one freed of the correlation with the observation before (Pinheiro and Bates 2000,
//! 5.3.4: independent standard normals where the model holds).

use super::model::MixedModel;
use super::result::MixedFit;
use super::scale;
use super::subjects::Subjects;
use crate::fit::Variance;

/// One observation beside both curves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MixedResidual {
    /// The subject.
    pub subject: usize,
    /// Age, d.
    pub age_d: f64,
    /// Observed value.
    pub value: f64,
    /// Value of the group's typical curve.
    pub marginal_fitted: f64,
    /// Value of the subject's own curve.
    pub fitted: f64,
    /// Observed minus the own curve's value over its standard deviation (of the
    /// logarithms where the error is log-normal).
    pub standardised: f64,
    /// Observed minus the typical curve's value over its standard deviation.
    pub marginal_standardised: f64,
    /// As `standardised`, freed of the correlation with the observation before.
    pub normalised: f64,
}

impl MixedResidual {
    /// Observed minus the own curve's value.
    #[must_use]
    pub fn conditional(&self) -> f64 {
        self.value - self.fitted
    }

    /// Observed minus the typical curve's value.
    #[must_use]
    pub fn marginal(&self) -> f64 {
        self.value - self.marginal_fitted
    }
}

impl MixedFit {
    /// Residuals of the subjects that were fitted, in their order.
    ///
    /// `model` and `subjects` are those of the fit.
    ///
    /// # Panics
    /// Where `subjects` are more than were fitted.
    #[must_use]
    pub fn residuals(&self, model: &MixedModel<'_>, subjects: &Subjects<'_>) -> Vec<MixedResidual> {
        let curve = model.curve;
        let p = curve.terms().len();
        let mut residuals = Vec::with_capacity(subjects.observations());
        let mut gradient = vec![0.0; p];
        for subject in 0..subjects.len() {
            let (ages_d, values) = subjects.of(subject);
            let first = subjects.starts[subject];
            let typical = self.group(self.subject_groups[subject]);
            let mut before: Option<(f64, f64)> = None;
            for (at, (age_d, value)) in ages_d.iter().zip(values).enumerate() {
                let known = subjects
                    .relative_variances
                    .as_ref()
                    .map_or(1.0, |variances| variances[first + at].sqrt());
                let fitted = curve.value(*age_d, self.subject(subject));
                let standardised = self.distance(*value, fitted) / self.spread(fitted, known);
                let marginal_fitted = curve.value_and_gradient(*age_d, typical, &mut gradient);
                scale::chain(&model.scales, typical, &mut gradient);
                if self.variance == Variance::LogNormal {
                    gradient
                        .iter_mut()
                        .for_each(|slope| *slope /= marginal_fitted);
                }
                let between = self.between(model, &gradient);
                let spread = self.spread(marginal_fitted, known).hypot(between.sqrt());
                let normalised = match (self.ar1, before) {
                    (Some(ar1), Some((age_before_d, one_before))) => {
                        let rho = ar1.value.powf(age_d - age_before_d);
                        (standardised - rho * one_before) / ((1.0 - rho) * (1.0 + rho)).sqrt()
                    }
                    _ => standardised,
                };
                before = Some((*age_d, standardised));
                residuals.push(MixedResidual {
                    subject,
                    age_d: *age_d,
                    value: *value,
                    marginal_fitted,
                    fitted,
                    standardised,
                    marginal_standardised: self.distance(*value, marginal_fitted) / spread,
                    normalised,
                });
            }
        }
        residuals
    }

    /// Distance on the scale on which the residuals are normal.
    fn distance(&self, value: f64, fitted: f64) -> f64 {
        if self.variance == Variance::LogNormal {
            (value / fitted).ln()
        } else {
            value - fitted
        }
    }

    /// Residual SD on that scale.
    fn spread(&self, fitted: f64, known: f64) -> f64 {
        let power = match self.variance {
            Variance::LogNormal => 0.0,
            _ => self.variance_power(),
        };
        self.sigma * fitted.abs().powf(power) * known
    }

    /// Variance between subjects of a fitted value with this gradient.
    fn between(&self, model: &MixedModel<'_>, gradient: &[f64]) -> f64 {
        let q = model.random.len();
        let mut sum = 0.0;
        for (k, row) in model.random.iter().enumerate() {
            for (l, column) in model.random.iter().enumerate() {
                sum += gradient[*row] * self.random_covariance[k * q + l] * gradient[*column];
            }
        }
        sum.max(0.0)
    }
}
