//! New values for the same subjects, drawn from a fitted model.
//!
//! Each subject gets new random effects (normal with the fitted covariance) and each
//! observation a new residual with the fitted spread and correlation: what a
//! parametric bootstrap and the planning of a study draw again and again.

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

use super::model::MixedModel;
use super::result::MixedFit;
use super::scale;
use super::subjects::Subjects;
use crate::fit::Variance;

impl MixedFit {
    /// Values at the ages of `subjects`, in their order, for subjects of the same
    /// groups drawn anew from the population.
    ///
    /// `model` is that of the fit.
    ///
    /// # Panics
    /// Where a subject's group has no fixed effects in this fit.
    #[must_use]
    pub fn simulate(
        &self,
        model: &MixedModel<'_>,
        subjects: &Subjects<'_>,
        random: &mut impl Rng,
    ) -> Vec<f64> {
        let (p, q) = (self.terms, model.random.len());
        let mut values = Vec::with_capacity(subjects.observations());
        let (mut eta, mut terms) = (vec![0.0; p], vec![0.0; p]);
        let mut normal = || -> f64 { StandardNormal.sample(&mut *random) };
        let sigma = self.state.variance.sqrt();
        for subject in 0..subjects.len() {
            let typical = self.group(subjects.group(subject));
            // A fitted group's terms have their logarithms.
            let _ = scale::from_terms(&model.scales, typical, &mut eta);
            let spherical: Vec<f64> = (0..q).map(|_| sigma * normal()).collect();
            for (row, term) in model.random.iter().enumerate() {
                eta[*term] += (0..=row)
                    .map(|l| self.state.factor[row * q + l] * spherical[l])
                    .sum::<f64>();
            }
            scale::to_terms(&model.scales, &eta, &mut terms);
            let (ages_d, _) = subjects.of(subject);
            let first = subjects.starts[subject];
            let mut before: Option<(f64, f64)> = None;
            for (at, age_d) in ages_d.iter().enumerate() {
                let rho = match (self.ar1, before) {
                    (Some(ar1), Some((age_before_d, _))) => ar1.value.powf(age_d - age_before_d),
                    _ => 0.0,
                };
                let one_before = before.map_or(0.0, |(_, residual)| residual);
                let residual = rho * one_before + ((1.0 - rho) * (1.0 + rho)).sqrt() * normal();
                before = Some((*age_d, residual));
                let known = subjects
                    .relative_variances
                    .as_ref()
                    .map_or(1.0, |variances| variances[first + at].sqrt());
                let fitted = model.curve.value(*age_d, &terms);
                let error = self.spread(fitted, known) * residual;
                values.push(match self.variance {
                    Variance::LogNormal => fitted * error.exp(),
                    _ => fitted + error,
                });
            }
        }
        values
    }
}
