//! How far were predicted probabilities of an event by a time from what happened?

use super::mean;
use super::time_to_event::EventTime;

/// Mean square of (happened by a time, 1 or 0, minus its predicted probability), each subject
/// weighted by the inverse probability of still being watched; subjects last seen before that
/// time without the event have weight 0.
///
/// Events come before censoring at the same time. Times must be exact or right-censored.
///
/// # Shapes
/// A time a subject, and its probability, none where it was not predicted: the score is over
/// those that were, the probability of being watched is that of all.
///
/// # Source
/// Graf E, Schmoor C, Sauerbrei W, Schumacher M 1999, Stat Med 18:2529-2545; checked against R
/// (`tests/reference/brier/`).
#[must_use]
pub fn brier_score(times: &[EventTime], probabilities: &[Option<f64>], at: f64) -> Option<f64> {
    let terms: Vec<f64> = times
        .iter()
        .zip(probabilities)
        .filter_map(|(time, probability)| {
            let probability = (*probability)?;
            let (seen, happened) = (time.range().0, time.happened());
            let (outcome, watched) = if seen > at {
                (0.0, still_watched(times, at, false))
            } else if happened {
                (1.0, still_watched(times, seen, true))
            } else {
                return Some(0.0);
            };
            (watched > 0.0).then(|| (outcome - probability).powi(2) / watched)
        })
        .collect();
    (!terms.is_empty()).then(|| mean(&terms))
}

/// Kaplan-Meier probability of not being censored up to a time (`before`: just before it).
fn still_watched(times: &[EventTime], until: f64, before: bool) -> f64 {
    let mut ends: Vec<f64> = times
        .iter()
        .filter(|time| !time.happened())
        .map(|time| time.range().0)
        .filter(|end| *end < until || (!before && *end <= until))
        .collect();
    ends.sort_by(f64::total_cmp);
    let groups = ends.chunk_by(|a, b| a.total_cmp(b).is_eq());
    groups
        .map(|group| {
            let at_risk = times.iter().filter(|time| {
                let seen = time.range().0;
                seen > group[0] || (!time.happened() && seen >= group[0])
            });
            1.0 - group.len() as f64 / at_risk.count().max(1) as f64
        })
        .product()
}
