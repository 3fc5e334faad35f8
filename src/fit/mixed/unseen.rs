//! What is to be expected of a subject of which nothing is known but its group.
//!
//! To first order at the typical terms, with g the gradient of the curve in them (on the
//! scales of the random effects),
//!
//! Var(y) = g' Cov(beta) g + g' G g + s^2:
//!
//! the fixed effects' own error, the spread between subjects, and the residual of one
//! observation. It is what [`forecast`](super::forecast) tends to as a subject's own
//! observations become less informative.

use super::forecast::{Forecast, quadratic};
use super::population::Population;
use super::scale;
use crate::fit::Variance;

impl Population {
    /// A new subject of a group at these ages; `None` where the curve has no finite value.
    ///
    /// # Panics
    /// Where there is no such group.
    #[must_use]
    pub fn unseen(&self, group: usize, ages_d: &[f64]) -> Vec<Option<Forecast>> {
        let terms = self.group_terms(group);
        ages_d
            .iter()
            .map(|age_d| self.unseen_at(group, &terms, *age_d))
            .collect()
    }

    fn unseen_at(&self, group: usize, terms: &[f64], age_d: f64) -> Option<Forecast> {
        let p = terms.len();
        let mut gradient = vec![0.0; p];
        let value = self.curve.value_and_gradient(age_d, terms, &mut gradient);
        scale::chain(&self.scales, terms, &mut gradient);
        let logarithmic = self.options().variance == Variance::LogNormal;
        let spread = if logarithmic {
            gradient.iter_mut().for_each(|slope| *slope /= value);
            self.sigma
        } else {
            self.sigma * value.abs().powf(self.power)
        };
        let fixed = self.beta.len();
        let mut slope = vec![0.0; fixed];
        for (part, column) in gradient
            .iter()
            .zip(&self.columns[group * p..(group + 1) * p])
        {
            slope[*column] += part;
        }
        let of_random: Vec<f64> = self.random.iter().map(|term| gradient[*term]).collect();
        let variance = quadratic(&slope, &self.beta_covariance).max(0.0)
            + quadratic(&of_random, self.random_covariance()).max(0.0);
        let df = self.df() as f64;
        Some(Forecast {
            age_d,
            value,
            standard_error: variance.sqrt(),
            prediction_error: (variance + spread * spread).sqrt(),
            df,
            logarithmic,
        })
        .filter(|one| one.value.is_finite() && one.prediction_error.is_finite())
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use rand::SeedableRng;

    use super::*;
    use crate::fit::mixed::{
        Correlation, Covariance, Criterion, Estimator, GroupedTerms, MixedModel, MixedOptions,
        MixedOutcome, PopulationNumbers, RandomScale, RandomTerm, Subjects,
    };
    use crate::growth::{Curve, built_in};
    use crate::stats::distribution::t_two_sided_quantile;

    fn options() -> MixedOptions {
        let random = ["A", "ti"].map(|term| RandomTerm {
            term: term.to_owned(),
            scale: RandomScale::Natural,
        });
        MixedOptions {
            grouped: GroupedTerms::All,
            random: random.to_vec(),
            unsupported: Vec::new(),
            cluster: Vec::new(),
            common_cluster: false,
            between_clusters: false,
            ordered: Vec::new(),
            covariance: Covariance::Diagonal,
            variance: Variance::Constant,
            correlation: Correlation::None,
            criterion: Criterion::Likelihood,
            estimator: Estimator::Alternating,
        }
    }

    /// Studies of 30 birds from known terms, each fitted; in each, 40 new birds weighed
    /// once at one of five ages. Of 4,000 such weighings 95 % should lie within their
    /// intervals. Those of one study share its estimates, so the error of the share is
    /// that of the mean over studies (0.0041 here, where the share is 0.943); the bound is
    /// some five of them.
    #[test]
    fn new_birds_fall_within_their_intervals() {
        let curve: Arc<dyn Curve> = built_in("gompertz").unwrap();
        let truth = Population::new(
            curve.clone(),
            &options(),
            &PopulationNumbers {
                groups: 1,
                fixed: vec![1500.0, 0.033, 52.0],
                fixed_covariance: vec![0.0; 9],
                random_covariance: vec![120.0 * 120.0, 0.0, 0.0, 9.0],
                sigma: 20.0,
                power: None,
                ar1: None,
                subjects: 30,
                observations: 300,
            },
        )
        .unwrap();
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let visits: Vec<f64> = (0..10).map(|visit| 14.0 * f64::from(visit)).collect();
        let mut shares = Vec::new();
        for _ in 0..100 {
            let starts: Vec<usize> = (0..=30).map(|bird| 10 * bird).collect();
            let ages_d = visits.repeat(30);
            let groups = vec![0; 30];
            let blank = vec![1.0; 300];
            let subjects = Subjects::new(&starts, &ages_d, &blank, &groups).unwrap();
            let values = truth.simulate(&subjects, &mut random);
            let subjects = Subjects::new(&starts, &ages_d, &values, &groups).unwrap();
            let options = options();
            let model = MixedModel::new(&*curve, &options).unwrap();
            let (MixedOutcome::Converged(fit) | MixedOutcome::Weak(fit, _)) = model.fit(&subjects)
            else {
                panic!("a study of 30 birds has a fit")
            };
            let found = fit.population(&model, &curve);
            let at: Vec<f64> = vec![10.0, 40.0, 70.0, 100.0, 140.0];
            let forecasts = found.unseen(0, &at);
            let quantile = t_two_sided_quantile(0.95, f64::from(29));
            let starts: Vec<usize> = (0..=40).collect();
            let ages_d = at.repeat(8);
            let (groups, blank) = (vec![0; 40], vec![1.0; 40]);
            let new_birds = Subjects::new(&starts, &ages_d, &blank, &groups).unwrap();
            let values = truth.simulate(&new_birds, &mut random);
            let held = values.iter().enumerate().filter(|(index, value)| {
                let (lower, upper) = forecasts[index % 5].unwrap().interval(quantile);
                (lower..=upper).contains(value)
            });
            shares.push(held.count() as f64 / 40.0);
        }
        let share = crate::stats::mean(&shares);
        let squares = crate::stats::squares_about_mean(&shares);
        let error = (squares / 99.0 / 100.0).sqrt();
        assert!(error < 0.006, "{error}");
        assert!((share - 0.95).abs() < 0.02, "{share} +- {error}");
    }
}
