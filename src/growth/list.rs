//! The one list of built-in curves.

use std::sync::Arc;

use super::Curve;
use super::anchored::Anchored;
use super::bertalanffy::Bertalanffy;
use super::gompertz::Gompertz;
use super::logistic::Logistic;
use super::monomolecular::Monomolecular;
use super::richards::Richards;
use super::sigmoid::OnePhase;
use super::two_phase::TwoPhase;
use super::weibull::Weibull;

/// How a built-in curve is made.
type Make = fn() -> Arc<dyn Curve>;

/// Name and maker of each built-in curve, in the order in which they are told to a user.
const BUILT_IN: &[(&str, Make)] = &[
    ("gompertz", || Arc::new(OnePhase::<Gompertz>::new())),
    ("logistic", || Arc::new(OnePhase::<Logistic>::new())),
    ("richards", || Arc::new(OnePhase::<Richards>::new())),
    ("bertalanffy", || Arc::new(OnePhase::<Bertalanffy>::new())),
    ("monomolecular", || {
        Arc::new(OnePhase::<Monomolecular>::new())
    }),
    ("weibull", || Arc::new(Weibull)),
    ("two-phase-gompertz", || {
        Arc::new(TwoPhase::<Gompertz>::new())
    }),
    ("two-phase-logistic", || {
        Arc::new(TwoPhase::<Logistic>::new())
    }),
    (
        "anchored-gompertz",
        || Arc::new(Anchored::<Gompertz>::new()),
    ),
    (
        "anchored-logistic",
        || Arc::new(Anchored::<Logistic>::new()),
    ),
];

/// The built-in curve of a name.
#[must_use]
pub fn built_in(name: &str) -> Option<Arc<dyn Curve>> {
    BUILT_IN
        .iter()
        .find(|(known, _)| *known == name)
        .map(|(_, make)| make())
}

/// Names of the built-in curves.
pub fn names() -> impl Iterator<Item = &'static str> {
    BUILT_IN.iter().map(|(name, _)| *name)
}
