//! A group's or a subject's curve as the estimates of a fit, so that everything that
//! follows from a curve's terms (derived quantities, bands, rates) is computed in one
//! place for all kinds of fits.

use super::model::Covariance;
use super::result::{Estimated, MixedFit, RandomEffect};
use crate::fit::estimable::NotEstimable;
use crate::fit::interval::Estimate;
use crate::fit::{Estimates, transformed};
use crate::growth::Curve;

impl MixedFit {
    /// The typical subject of a group.
    ///
    /// Intervals rest on degrees of freedom of each quantity
    /// ([`CovarianceError`](super::CovarianceError)); where the fit has none, on subjects -
    /// groups (what is known of a typical subject is limited by how many there are), with
    /// cluster effects on clusters - groups.
    #[must_use]
    pub fn group_estimates(&self, group: usize) -> Estimates {
        let subjects = self.subject_groups.len();
        let df = if !self.cluster.is_empty() {
            self.clusters.saturating_sub(self.groups())
        } else if self.random.is_empty() {
            self.n.saturating_sub(self.fixed.len())
        } else {
            subjects.saturating_sub(self.groups())
        };
        let covariance = self.group_covariance(group);
        Estimates {
            covariance_error: self
                .covariance_error
                .as_ref()
                .map(|error| (error.clone(), group)),
            ..self.estimates(self.group(group), covariance, group, df)
        }
    }

    /// One subject at its conditional mode.
    ///
    /// Its intervals rest on the residuals' degrees of freedom, observations minus
    /// fixed effects and the effective number of the subjects' effects.
    #[must_use]
    pub fn subject_estimates(&self, subject: usize) -> Estimates {
        let group = self.subject_groups[subject];
        self.estimates(
            self.subject(subject),
            self.subject_covariance(subject),
            group,
            self.residual_df,
        )
    }

    fn estimates(&self, terms: &[f64], covariance: &[f64], group: usize, df: usize) -> Estimates {
        let rss = self.sigma * self.sigma * self.n as f64;
        Estimates {
            terms: terms.into(),
            covariance: covariance.into(),
            weights: None,
            sigma: self.sigma,
            rss,
            log_lik: self.log_lik,
            n: self.n,
            parameters: self.parameters,
            variance: self.variance,
            variance_power: self.variance_power(),
            iterations: self.certificate.iterations,
            relative_offset: self.certificate.gradient,
            df: df.max(1),
            covariance_error: None,
            ar1: self.ar1,
            // A subject borrows from its group: so far reach its data.
            reach: self.reaches[group],
        }
    }

    /// Power of the fitted value in the residual SD, estimated or given.
    #[must_use]
    pub fn variance_power(&self) -> f64 {
        match (self.power, self.variance) {
            (Some(power), _) => power.value,
            (None, crate::fit::Variance::Constant) => 0.0,
            (None, _) => 1.0,
        }
    }

    /// Spread of the terms between clusters, by name (`A`), each with its interval at
    /// `level`, or why the data do not determine it.
    #[must_use]
    pub fn cluster_spread(
        &self,
        curve: &dyn Curve,
        level: f64,
    ) -> Vec<(String, Result<Estimate, NotEstimable>)> {
        let one = |effect: &RandomEffect| {
            let name = curve.terms()[effect.term].name.to_string();
            let spread = effect.spread();
            let interval =
                |sd: Estimated| transformed::positive(sd.value, sd.standard_error, level);
            (name, spread.map(interval))
        };
        self.cluster.iter().map(one).collect()
    }

    /// Spread of the terms between subjects and of the residuals, by name: `sd(A)`,
    /// `cor(A,k)` (where the effects may be correlated), `sigma`, `variance_power` and
    /// `ar1` (where they are estimated), each with its interval at `level`, or why the data
    /// do not determine it.
    #[must_use]
    pub fn spread_terms(
        &self,
        curve: &dyn Curve,
        level: f64,
    ) -> Vec<(String, Result<Estimate, NotEstimable>)> {
        let name = |k: usize| &*curve.terms()[self.random[k].term].name;
        let q = self.random.len();
        let mut terms: Vec<(String, Result<Estimate, NotEstimable>)> = Vec::new();
        let spreads: Vec<_> = self.random.iter().map(RandomEffect::spread).collect();
        for (k, spread) in spreads.iter().enumerate() {
            let interval =
                |sd: &Estimated| transformed::positive(sd.value, sd.standard_error, level);
            let estimate = spread.as_ref().map(interval).map_err(Clone::clone);
            terms.push((format!("sd({})", name(k)), estimate));
        }
        for k in 0..q {
            for other in k + 1..q {
                if self.covariance == Covariance::Full {
                    let error = self.correlation_errors[k * q + other];
                    let correlation = self.random_correlation(k, other);
                    let both = spreads[k].clone().and(spreads[other].clone());
                    let estimate =
                        both.map(|_| transformed::correlation(correlation, error, level));
                    terms.push((format!("cor({},{})", name(k), name(other)), estimate));
                }
            }
        }
        let sigma = transformed::positive(self.sigma, self.sigma_error, level);
        terms.push(("sigma".to_owned(), Ok(sigma)));
        if let Some(power) = self.power {
            let estimate = transformed::plain(power.value, power.standard_error, level);
            terms.push(("variance_power".to_owned(), Ok(estimate)));
        }
        if let Some(ar1) = self.ar1 {
            let estimate = transformed::share(ar1.value, ar1.standard_error, level);
            terms.push(("ar1".to_owned(), Ok(estimate)));
        }
        terms
    }
}
