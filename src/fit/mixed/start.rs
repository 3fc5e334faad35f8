//! Where does a mixed fit begin: the curve through the mean of each group.
//!
//! Values are averaged at equal ages (or in bins of equal count where ages are
//! many), and the curve is fitted to the means by least squares weighted by their
//! counts, from each of its starts. This costs next to nothing beside the mixed fit
//! and makes no demand on any single subject.

use super::subjects::Subjects;
use crate::fit::Series;
use crate::fit::least_squares::{Descent, minimise};
use crate::fit::search::USUAL;
use crate::fit::variance::{Problem, Scale};
use crate::growth::Curve;

/// Most mean values that a starting curve is fitted to.
const MOST_MEANS: usize = 60;
const MOST_ATTEMPTS: usize = 6;

/// Means by age of the observations of one group (or of all).
struct Means {
    ages_d: Vec<f64>,
    values: Vec<f64>,
    counts: Vec<f64>,
}

fn means(subjects: &Subjects<'_>, group: Option<usize>) -> Means {
    let mut rows: Vec<(f64, f64)> = Vec::new();
    for (subject, bounds) in subjects.starts.windows(2).enumerate() {
        if group.is_none_or(|group| subjects.groups[subject] == group) {
            let range = bounds[0]..bounds[1];
            rows.extend(
                subjects.ages_d[range.clone()]
                    .iter()
                    .copied()
                    .zip(subjects.values[range].iter().copied()),
            );
        }
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut distinct = 1;
    for pair in rows.windows(2) {
        distinct += usize::from(pair[0].0 < pair[1].0);
    }
    let least = if distinct > MOST_MEANS {
        rows.len().div_ceil(MOST_MEANS)
    } else {
        1
    };
    let mut means = Means {
        ages_d: Vec::new(),
        values: Vec::new(),
        counts: Vec::new(),
    };
    let mut at = 0;
    while at < rows.len() {
        let mut end = (at + least).min(rows.len());
        while end < rows.len() && rows[end].0 <= rows[end - 1].0 {
            end += 1;
        }
        let (mut ages, mut values, mut count) = (0.0, 0.0, 0.0);
        for (age, value) in &rows[at..end] {
            ages += age;
            values += value;
            count += 1.0;
        }
        means.ages_d.push(ages / count);
        means.values.push(values / count);
        means.counts.push(count);
        at = end;
    }
    means
}

/// Terms of the curve through the mean of a group (of all subjects where `None`);
/// none where it has more terms than there are ages.
pub(super) fn mean_curve(
    curve: &dyn Curve,
    subjects: &Subjects<'_>,
    group: Option<usize>,
) -> Option<Vec<f64>> {
    let Means {
        ages_d,
        values,
        counts,
    } = means(subjects, group);
    let series = Series {
        ages_d: &ages_d,
        values: &values,
    };
    let problem = Problem {
        curve,
        series,
        scale: Scale::Natural,
        weights: Some(&counts),
    };
    if ages_d.len() < curve.terms().len() {
        return None;
    }
    let mut descent = Descent::default();
    descent.reserve(ages_d.len(), curve.terms().len());
    let mut best: Option<(f64, Vec<f64>)> = None;
    for attempt in 0..MOST_ATTEMPTS {
        if !curve.start(attempt, &ages_d, &values, &mut descent.terms) {
            break;
        }
        let total = minimise(&problem, USUAL, &mut descent).sum_of_squares;
        if total.is_finite() && best.as_ref().is_none_or(|(least, _)| total < *least) {
            best = Some((total, descent.terms.clone()));
        }
    }
    best.map(|(_, terms)| terms)
}

/// Mean square of the values around each group's curve.
pub(super) fn mean_square(
    curve: &dyn Curve,
    subjects: &Subjects<'_>,
    group_terms: &[Vec<f64>],
) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for (subject, bounds) in subjects.starts.windows(2).enumerate() {
        let terms = &group_terms[subjects.groups[subject]];
        for at in bounds[0]..bounds[1] {
            let residual = subjects.values[at] - curve.value(subjects.ages_d[at], terms);
            sum += residual * residual;
            count += 1.0;
        }
    }
    sum / count
}
