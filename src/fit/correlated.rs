//! One curve through correlated observations: residuals of one subject that are
//! alike the nearer in age they are.
//!
//! A marginal model (generalised nonlinear least squares): the terms are the same
//! for all subjects, and a subject's residuals have the correlation
//! phi^(days apart). It is the mixed engine without random effects, so there is no
//! integral, and the maximum is that of the exact likelihood. The covariance of the
//! terms and sigma are put on n - p degrees of freedom, as those of a fit without
//! correlation are (R's `gnls` does the same).

use super::estimable::Reach;
use super::mixed::{Correlation, Estimator, MixedModel, MixedOptions, MixedOutcome, Subjects};
use super::support;
use super::{Failure, Outcome, Series, Settings, Weakness};
use crate::growth::Curve;

/// Fits a curve to the pooled observations of some subjects, with continuous-time
/// autoregression of each subject's residuals, by maximum likelihood.
///
/// As in [`super::fit`], what the data cannot carry is an outcome with its reason.
/// `settings.start` is not used: the start is the curve through the means by age.
#[must_use]
pub fn fit_correlated(curve: &dyn Curve, subjects: &Subjects<'_>, settings: &Settings) -> Outcome {
    let n = subjects.observations();
    let ended = |reason: String, tried: bool| Outcome::Failed(Failure { reason, n, tried });
    let failed = |reason: String| ended(reason, true);
    let (ages_d, values) = pooled(subjects);
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    if let Some(reason) = support::unfit(curve, series, settings) {
        return ended(reason, false);
    }
    let options = MixedOptions {
        variance: settings.variance,
        correlation: Correlation::Ar1,
        estimator: Estimator::Laplace,
        ..MixedOptions::default()
    };
    let model = match MixedModel::new(curve, &options) {
        Ok(model) => model,
        Err(error) => return failed(error.to_string()),
    };
    let outcome = model.fit(subjects);
    let (fit, mut weaknesses) = match outcome {
        MixedOutcome::Converged(fit) => (fit, Vec::new()),
        MixedOutcome::Weak(fit, weaknesses) => (fit, weaknesses),
        MixedOutcome::Failed(failure) => return Outcome::Failed(failure),
    };
    let mut estimates = fit.group_estimates(0);
    let p = estimates.terms.len();
    let (count, degrees_of_freedom) = (n as f64, (n - p) as f64);
    let inflation = count / degrees_of_freedom;
    estimates
        .covariance
        .iter_mut()
        .for_each(|entry| *entry *= inflation);
    estimates.sigma *= inflation.sqrt();
    estimates.df = n - p;
    // The terms are judged again, by their standard errors as given here.
    weaknesses.retain(|weak| weak.term.is_none());
    estimates.reach = Reach::of(series);
    let held = vec![false; p];
    let own: Vec<Weakness> = support::weaknesses(curve, estimates.reach, &estimates, &held);
    weaknesses.extend(own);
    if weaknesses.is_empty() {
        Outcome::Converged(estimates)
    } else {
        Outcome::Weak(estimates, weaknesses)
    }
}

/// All observations, ascending in age.
fn pooled(subjects: &Subjects<'_>) -> (Vec<f64>, Vec<f64>) {
    let mut rows: Vec<(f64, f64)> = (0..subjects.len())
        .flat_map(|subject| {
            let (ages_d, values) = subjects.of(subject);
            ages_d.iter().copied().zip(values.iter().copied())
        })
        .collect();
    rows.sort_by(|one, other| one.0.total_cmp(&other.0));
    rows.into_iter().unzip()
}
