//! How well does an onset model predict birds that it has not seen?
//!
//! Birds are dealt into ten folds (every bird its own below twenty), each fold predicted
//! from the others. Of the predictions: the root mean square error in days over the birds
//! whose first egg is known, the concordance with all birds' times, and the calibration
//! slope (1 where predicted differences come true in full, less where they promise too
//! much).
//!
//! # Source
//! Harrell FE, Lee KL, Mark DB 1996, Stat Med 15:361-387 (concordance, calibration by
//! cross-validation).

use super::lay::middle;
use super::onset_model::{CueSet, FittedLaw, Law};
use super::onset_subjects::Subjects;
use crate::stats::concordance::order_agreement;
use crate::stats::linear::Design;
use crate::stats::parametric_survival::accelerated_failure;
use crate::stats::proportional_hazards::{Ties, proportional_hazards};
use crate::stats::time_to_event::EventTime;

const FOLDS: usize = 10;

/// What cross-validation found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrossValidated {
    /// Root mean square of predicted median less observed first egg, d; none where no
    /// bird with a known first egg could be predicted, or where it is longer than the
    /// longest record ([`Self::is_beyond`]).
    pub error_d: Option<f64>,
    /// Birds with a known first egg that were predicted.
    pub n: usize,
    /// Concordance of the predictions; none for a model without terms.
    pub concordance: Option<f64>,
    /// Slope of what happened on what was predicted; none for a model without terms.
    pub calibration_slope: Option<f64>,
}

impl CrossValidated {
    /// Whether the birds left out were predicted further off than any was recorded, so that
    /// the size of the error says nothing.
    #[must_use]
    pub fn is_beyond(&self) -> bool {
        self.error_d.is_none() && self.n > 0
    }
}

/// A prediction of a bird that was left out.
struct Prediction {
    bird: usize,
    median: f64,
    score: f64,
}

pub(super) fn cross_validate(subjects: &Subjects, law: Law, set: CueSet) -> Option<CrossValidated> {
    let n = subjects.times.len();
    let folds = if n < 2 * FOLDS { n } else { FOLDS };
    let mut predictions: Vec<Prediction> = Vec::new();
    for fold in 0..folds {
        let rest: Vec<usize> = (0..n).filter(|bird| bird % folds != fold).collect();
        let Ok(fit) = law.fit(subjects, set, &rest) else {
            continue;
        };
        let out = (fold..n).step_by(folds);
        predictions.extend(out.filter_map(|bird| predict(&fit, subjects, set, bird)));
    }
    if predictions.is_empty() {
        return None;
    }
    predictions.sort_by_key(|prediction| prediction.bird);
    let errors: Vec<f64> = predictions
        .iter()
        .filter_map(|prediction| match subjects.times[prediction.bird] {
            time @ (EventTime::Exact(_) | EventTime::Between(..)) => {
                Some(prediction.median - middle(time))
            }
            EventTime::After(_) | EventTime::Before(_) => None,
        })
        .collect();
    let squares: f64 = errors.iter().map(|error| error * error).sum();
    let error_d = (squares / errors.len() as f64).sqrt();
    let has_terms = !subjects.row(set, 0).is_empty();
    Some(CrossValidated {
        error_d: (error_d <= longest(&subjects.times)).then_some(error_d),
        n: errors.len(),
        concordance: has_terms
            .then(|| concordance(subjects, &predictions))
            .flatten(),
        calibration_slope: has_terms
            .then(|| slope(subjects, law, &predictions))
            .flatten(),
    })
}

/// The longest time that a record tells.
fn longest(times: &[EventTime]) -> f64 {
    let ends = times.iter().map(|time| match time.range() {
        (seen, upper) if upper.is_infinite() => seen,
        (_, upper) => upper,
    });
    ends.fold(0.0, f64::max)
}

fn predict(fit: &FittedLaw, subjects: &Subjects, set: CueSet, bird: usize) -> Option<Prediction> {
    let row = subjects.row(set, bird);
    let prediction = Prediction {
        bird,
        median: fit.median(&row).ok()?,
        score: fit.score(&row).ok()?,
    };
    prediction.median.is_finite().then_some(prediction)
}

fn times_of(subjects: &Subjects, predictions: &[Prediction]) -> Vec<EventTime> {
    let times = predictions.iter().map(|p| subjects.times[p.bird]);
    times.collect()
}

fn concordance(subjects: &Subjects, predictions: &[Prediction]) -> Option<f64> {
    let times = ordered_times(&times_of(subjects, predictions));
    let scores: Vec<f64> = predictions.iter().map(|p| p.score).collect();
    Some(order_agreement(&times, &scores).ok()?.concordance)
}

/// The coefficient of the prediction, in a model of the same law with nothing else.
fn slope(subjects: &Subjects, law: Law, predictions: &[Prediction]) -> Option<f64> {
    let times = times_of(subjects, predictions);
    let sign = if law.family().is_some() { 1.0 } else { -1.0 };
    let scores = predictions.iter().map(|p| sign * p.score).collect();
    let column = vec![("prediction".to_owned(), scores)];
    match law.family() {
        Some(family) => {
            let design = Design::with_intercept(times.len(), column).ok()?;
            let fit = accelerated_failure(&design, &times, family).ok()?;
            Some(fit.coefficients[1])
        }
        None => {
            let design = Design::new(column).ok()?;
            let fit = proportional_hazards(&design, &times, Ties::Efron).ok()?;
            Some(fit.coefficients[0])
        }
    }
}

/// Times that can be put in order: between two looks by their middle, before a look by it.
pub(super) fn ordered_times(times: &[EventTime]) -> Vec<EventTime> {
    let ordered = times.iter().map(|time| match time {
        EventTime::Between(..) | EventTime::Before(_) => EventTime::Exact(middle(*time)),
        known => *known,
    });
    ordered.collect()
}
