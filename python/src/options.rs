//! Options by their names, as in the program.

use pinfeather::composition::calibration::Weighting;
use pinfeather::fit::Variance;
use pinfeather::fit::mixed::{Correlation, Covariance, Criterion, Estimator, Nodes, RandomScale};
use pinfeather::study::FixedEffectOf;

use crate::{Fault, Result};

/// What an option's name stands for; `None` for none.
///
/// # Errors
/// Another name, with those that there are.
pub(crate) fn named<T: Copy>(
    option: &str,
    name: Option<&str>,
    choices: &[(&str, T)],
) -> Result<Option<T>> {
    let Some(name) = name else {
        return Ok(None);
    };
    let found = choices.iter().find(|(known, _)| *known == name);
    let known = || {
        let known: Vec<&str> = choices.iter().map(|(known, _)| *known).collect();
        known.join(", ")
    };
    let found = found.ok_or_else(|| {
        Fault(format!(
            "{option}: found \"{name}\", expected one of {}",
            known()
        ))
    })?;
    Ok(Some(found.1))
}

pub(crate) const VARIANCES: &[(&str, Variance)] = &[
    ("constant", Variance::Constant),
    ("proportional", Variance::Proportional),
    ("power", Variance::Power),
    ("lognormal", Variance::LogNormal),
];

pub(crate) const CORRELATIONS: &[(&str, Correlation)] =
    &[("none", Correlation::None), ("ar1", Correlation::Ar1)];

pub(crate) const COVARIANCES: &[(&str, Covariance)] = &[
    ("diagonal", Covariance::Diagonal),
    ("full", Covariance::Full),
];

pub(crate) const SCALES: &[(&str, RandomScale)] =
    &[("natural", RandomScale::Natural), ("log", RandomScale::Log)];

pub(crate) const ESTIMATORS: &[(&str, Estimator)] = &[
    ("alternating", Estimator::Alternating),
    ("laplace", Estimator::Laplace),
    (
        "quadrature",
        Estimator::Quadrature {
            nodes: Nodes::Converged,
        },
    ),
];

pub(crate) const CRITERIA: &[(&str, Criterion)] = &[
    ("ml", Criterion::Likelihood),
    ("reml", Criterion::RestrictedLikelihood),
];

pub(crate) const GROUPINGS: &[(&str, FixedEffectOf)] = &[
    ("strain", FixedEffectOf::Strain),
    ("treatment", FixedEffectOf::Treatment),
    ("pen", FixedEffectOf::Pen),
];

pub(crate) const WEIGHTINGS: &[(&str, Weighting)] = &[
    ("ordinary", Weighting::Ordinary),
    ("power", Weighting::PowerOfMean),
    ("huber", Weighting::Robust),
];
