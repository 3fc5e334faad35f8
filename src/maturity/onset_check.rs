//! How well does an onset model predict birds that it has not seen?
//!
//! Birds are dealt into ten folds (every bird its own below twenty), each fold predicted
//! from the others. Of the predictions: the root mean square and the median absolute error in
//! days over the birds whose first egg is known, the concordance with all birds' times, the
//! calibration slope (1 where predicted differences come true in full, less where they promise
//! too much), the Brier score at the median first egg, and the gain in squared error over the
//! same law without cues, paired over birds.
//!
//! # Source
//! Graf E, Schmoor C, Sauerbrei W, Schumacher M 1999, Stat Med 18:2529-2545 (Brier score with
//! inverse probability of censoring weights; formula from memory).
//! Harrell FE, Lee KL, Mark DB 1996, Stat Med 15:361-387 (concordance, calibration by
//! cross-validation).

use super::lay::middle;
use super::onset_model::{CueSet, FittedFamily, OnsetFamily};
use super::onset_subjects::Subjects;
use crate::stats::brier::brier_score;
use crate::stats::concordance::order_agreement;
use crate::stats::linear::Design;
use crate::stats::parametric_survival::accelerated_failure;
use crate::stats::proportional_hazards::{Ties, proportional_hazards};
use crate::stats::survival_curve::{IntervalScale, kaplan_meier};
use crate::stats::time_to_event::EventTime;
use crate::stats::{mean, squares_about_mean};

const FOLDS: usize = 10;

/// Birds with a known first egg from which a cue may be recommended.
pub(super) const LEAST_BIRDS: usize = 10;

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
    /// Median size of the same errors, d; none where `error_d` is none.
    pub median_absolute_error_d: Option<f64>,
    /// Brier score of the predicted probability of having laid by a stated age; none where
    /// half of the birds never came to lay.
    pub brier: Option<Brier>,
    /// By how much it predicts better than the same law without cues; none for that law itself.
    pub gain: Option<Gain>,
}

/// Mean square of (laid by that age, 1 or 0, minus its predicted probability), each bird
/// weighted by the inverse probability of still being watched (Graf 1999): birds last seen
/// before that age without an egg have weight 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Brier {
    /// Median time of the first egg (Kaplan-Meier, all birds), in days after
    /// [`super::LayRecords::counted_from_d`].
    pub time_d: f64,
    /// The score: 0 is perfect, 0.25 is a probability of one half for every bird.
    pub score: f64,
}

/// Squared errors without the cue minus those with it, over the same birds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// Their mean, d^2; positive where the cue helps.
    pub mean_d2: f64,
    /// Standard error of that mean, the birds being the sample, d^2.
    pub std_error_d2: f64,
    /// Birds.
    pub n: usize,
}

impl Gain {
    /// From squared errors of the same birds; none below two birds.
    pub(super) fn of(without: &[Option<f64>], with: &[Option<f64>]) -> Option<Self> {
        let pairs = without.iter().zip(with);
        let gains: Vec<f64> = pairs
            .filter_map(|(without, with)| Some((*without)?.powi(2) - (*with)?.powi(2)))
            .collect();
        let n = gains.len() as f64;
        (n >= 2.0).then(|| Self {
            mean_d2: mean(&gains),
            std_error_d2: (squares_about_mean(&gains) / (n - 1.0) / n).sqrt(),
            n: gains.len(),
        })
    }

    /// Whether the cue helps: at least ten birds, and a mean gain above its standard error. Where
    /// no cue goes with the first egg, left-out predictions with a cue are worse on average, so
    /// that the best of four candidates passes in 1 to 8 % of studies of 12 to 60 birds (tests of
    /// `cue_choice.rs`).
    pub(super) fn helps(&self) -> bool {
        self.n >= LEAST_BIRDS && self.mean_d2 > self.std_error_d2
    }
}

impl CrossValidated {
    /// Whether the birds left out were predicted further off than any was recorded, so that
    /// the size of the error is not interpretable.
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
    /// Probability of having laid by the median time of all birds.
    laid: Option<f64>,
}

/// What cross-validation found, and each bird's predicted median minus its first egg, d.
pub(super) fn cross_validate(
    subjects: &Subjects,
    law: OnsetFamily,
    set: CueSet,
) -> Option<(CrossValidated, Vec<Option<f64>>)> {
    let n = subjects.times.len();
    let folds = if n < 2 * FOLDS { n } else { FOLDS };
    let ordered = ordered_times(&subjects.times);
    let half_d = median_time(&ordered);
    let mut predictions: Vec<Prediction> = Vec::new();
    for fold in 0..folds {
        let rest: Vec<usize> = (0..n).filter(|bird| bird % folds != fold).collect();
        let Ok(fit) = law.fit(subjects, set, &rest) else {
            continue;
        };
        let out = (fold..n).step_by(folds);
        predictions.extend(out.filter_map(|bird| predict(&fit, subjects, set, (bird, half_d))));
    }
    if predictions.is_empty() {
        return None;
    }
    predictions.sort_by_key(|prediction| prediction.bird);
    let mut errors: Vec<Option<f64>> = vec![None; n];
    for prediction in &predictions {
        let time = subjects.times[prediction.bird];
        errors[prediction.bird] = match time {
            EventTime::Exact(_) | EventTime::Between(..) => Some(prediction.median - middle(time)),
            EventTime::After(_) | EventTime::Before(_) => None,
        };
    }
    let mut sizes: Vec<f64> = errors.iter().flatten().map(|error| error.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let squares: f64 = sizes.iter().map(|error| error * error).sum();
    let error_d = (squares / sizes.len() as f64).sqrt();
    let error_d = (error_d <= longest(&subjects.times)).then_some(error_d);
    let has_terms = !subjects.row(set, 0).is_empty();
    let found = CrossValidated {
        error_d,
        n: sizes.len(),
        concordance: has_terms
            .then(|| concordance(subjects, &predictions))
            .flatten(),
        calibration_slope: has_terms
            .then(|| slope(subjects, law, &predictions))
            .flatten(),
        median_absolute_error_d: error_d.map(|_| {
            let last = sizes.len() - 1;
            f64::midpoint(sizes[last / 2], sizes[last.div_ceil(2)])
        }),
        brier: half_d.and_then(|time_d| {
            let mut laid = vec![None; n];
            for prediction in &predictions {
                laid[prediction.bird] = prediction.laid;
            }
            let score = brier_score(&ordered, &laid, time_d)?;
            Some(Brier { time_d, score })
        }),
        gain: None,
    };
    Some((found, errors))
}

/// Time by which half of the birds have laid (Kaplan-Meier); none where that is not reached.
fn median_time(ordered: &[EventTime]) -> Option<f64> {
    kaplan_meier(ordered, IntervalScale::Log, 0.95)
        .ok()?
        .quantile(0.5)
        .ok()?
        .time
}

/// The longest time that a record gives.
fn longest(times: &[EventTime]) -> f64 {
    let ends = times.iter().map(|time| match time.range() {
        (seen, upper) if upper.is_infinite() => seen,
        (_, upper) => upper,
    });
    ends.fold(0.0, f64::max)
}

fn predict(
    fit: &FittedFamily,
    subjects: &Subjects,
    set: CueSet,
    (bird, half_d): (usize, Option<f64>),
) -> Option<Prediction> {
    let row = subjects.row(set, bird);
    let prediction = Prediction {
        bird,
        median: fit.median(&row).ok()?,
        score: fit.score(&row).ok()?,
        laid: half_d.and_then(|half_d| fit.laid_by(&row, half_d).ok()),
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
fn slope(subjects: &Subjects, law: OnsetFamily, predictions: &[Prediction]) -> Option<f64> {
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
