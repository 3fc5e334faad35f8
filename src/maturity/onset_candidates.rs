//! Which models may the first eggs follow, and how far do the data speak for each?
//!
//! The few first eggs that a forecast rests on seldom distinguish the laws, and it is in
//! the tail, where the waiting birds are, that the laws differ. A forecast by the one model of least AIC
//! would pass over that; so all are kept, each with its Akaike weight.

use rayon::prelude::*;

use super::onset_model::{CueSet, FittedFamily, OnsetFamily};
use super::onset_subjects::Subjects;
use crate::stats::Failure;
use crate::stats::parametric_survival::AcceleratedFit;

/// Models of less weight would have hardly a draw of a forecast.
const LEAST_WEIGHT: f64 = 0.002;

/// An accelerated failure time model and how far the data speak for it.
#[derive(Debug)]
pub(super) struct Candidate {
    pub(super) law: OnsetFamily,
    pub(super) set: CueSet,
    pub(super) fit: AcceleratedFit,
    /// Akaike weight; those of all candidates sum to 1.
    pub(super) weight: f64,
}

/// The accelerated failure time models with enough first eggs for their terms, the
/// heaviest first; those without cues where there are none.
///
/// # Source
/// Burnham KP, Anderson DR 2002, Model Selection and Multimodel Inference, 2nd ed., 2.9
/// (Akaike weights).
pub(super) fn candidates(subjects: &Subjects) -> Result<Vec<Candidate>, String> {
    let everyone: Vec<usize> = (0..subjects.times.len()).collect();
    let mut sets = vec![CueSet::None];
    if !subjects.cues.is_empty() {
        sets.push(CueSet::All);
    }
    if subjects.cues.len() > 1 {
        sets.extend((0..subjects.cues.len()).map(CueSet::One));
    }
    sets.retain(|set| *set == CueSet::None || subjects.weakness(*set).is_empty());
    let wanted: Vec<(OnsetFamily, CueSet)> = sets
        .into_iter()
        .flat_map(|set| OnsetFamily::ALL.map(|law| (law, set)))
        .filter(|(law, _)| law.family().is_some())
        .collect();
    let fitted: Vec<Result<(OnsetFamily, CueSet, AcceleratedFit), Failure>> = wanted
        .into_par_iter()
        .filter_map(|(law, set)| match law.fit(subjects, set, &everyone) {
            Ok(FittedFamily::Accelerated(fit)) => Some(Ok((law, set, fit))),
            Ok(FittedFamily::Hazards(_)) => None,
            Err(failure) => Some(Err(failure)),
        })
        .collect();
    let failure = fitted.iter().find_map(|one| one.as_ref().err());
    let failure = failure.map_or_else(|| "no model".to_owned(), ToString::to_string);
    let mut fitted: Vec<(OnsetFamily, CueSet, AcceleratedFit)> =
        fitted.into_iter().flatten().collect();
    fitted.sort_by(|(.., a), (.., b)| a.aic().total_cmp(&b.aic()));
    let least = fitted
        .first()
        .map(|(.., first)| first.aic())
        .ok_or(failure)?;
    let likelihood = |fit: &AcceleratedFit| (-0.5 * (fit.aic() - least)).exp();
    let sum: f64 = fitted.iter().map(|(.., fit)| likelihood(fit)).sum();
    fitted.retain(|(.., fit)| likelihood(fit) >= LEAST_WEIGHT * sum);
    let sum: f64 = fitted.iter().map(|(.., fit)| likelihood(fit)).sum();
    let candidates = fitted.into_iter().map(|(law, set, fit)| Candidate {
        law,
        set,
        weight: likelihood(&fit) / sum,
        fit,
    });
    Ok(candidates.collect())
}
