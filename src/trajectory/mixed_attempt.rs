//! One mixed model of a trait fitted to the birds of a cohort, and the one that a choice begins
//! with.

use super::cohort::Cohort;
use super::population::{PopulationRequest, RandomTerms, ordered_terms};
use super::unit::pen_terms;
use crate::fit::mixed::{
    Criterion, Estimator, GroupedTerms, MixedModel, MixedOptions, MixedOutcome, RandomScale,
    RandomTerm,
};
use crate::growth::Curve;

/// The model that the choice begins with: every term random and independent, a constant
/// residual spread, but for what is named.
pub(super) fn first_options(curve: &dyn Curve, wanted: &PopulationRequest) -> MixedOptions {
    let names = match &wanted.random {
        RandomTerms::Chosen => {
            let terms = curve.terms().iter();
            terms.map(|term| term.name.to_string()).collect()
        }
        RandomTerms::Named(names) => names.clone(),
    };
    let usual = |name: &str| {
        let term = curve.terms().iter().find(|term| term.name == name);
        match term {
            Some(term) if term.lower >= 0.0 => RandomScale::Log,
            _ => RandomScale::Natural,
        }
    };
    let effect = |term: String| RandomTerm {
        scale: wanted.scale.unwrap_or_else(|| usual(&term)),
        term,
    };
    let random = names.into_iter().map(effect);
    // Pens belong to the design: their effects stay, whatever the criterion favours.
    let pens = wanted.pens.then(|| pen_terms(curve)).into_iter().flatten();
    // What pens share scales the whole curve: one factor of all its asymptotes.
    let cluster: Vec<RandomTerm> = pens.map(effect).collect();
    MixedOptions {
        grouped: GroupedTerms::All,
        common_cluster: cluster.iter().all(|own| own.scale == RandomScale::Log),
        // What pens differ in besides is not known.
        between_clusters: true,
        cluster,
        random: random.collect(),
        unsupported: Vec::new(),
        ordered: ordered_terms(curve),
        covariance: wanted.covariance.unwrap_or_default(),
        variance: wanted.variance.unwrap_or_default(),
        correlation: wanted.correlation.unwrap_or_default(),
        criterion: Criterion::Likelihood,
        estimator: Estimator::Alternating,
    }
}

/// Terms that were to be random and are not in the model chosen: birds may differ in them by
/// more than nothing, which their own curves allow for.
pub(super) fn left_out(
    curve: &dyn Curve,
    wanted: &PopulationRequest,
    chosen: &MixedOptions,
) -> Vec<RandomTerm> {
    let mut random = first_options(curve, wanted).random;
    random.retain(|one| chosen.random.iter().all(|other| other.term != one.term));
    random
}

/// One model fitted to all birds of a cohort.
pub(super) fn fit(curve: &dyn Curve, cohort: &Cohort, options: &MixedOptions) -> MixedOutcome {
    let made = MixedModel::new(curve, options).and_then(|model| Ok((model, cohort.subjects()?)));
    match made {
        Ok((model, subjects)) => model.fit(&subjects),
        Err(error) => super::population::failed(error.to_string(), cohort.records()),
    }
}
