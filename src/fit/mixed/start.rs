//! Where does a mixed fit begin: the curve through the mean of each group.
//!
//! Values are averaged at equal ages (or in bins of equal count where ages are
//! many), the curve's own starting rule is applied to the means, and the least-squares
//! descent of single fits is run from there, each mean weighted by its observations. This
//! costs next to nothing beside the mixed fit and needs nothing of any single subject.

use super::subjects::Subjects;
use crate::fit::Series;
use crate::fit::least_squares::{Descent, End};
use crate::fit::search::usual_descent;
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

/// Terms of the curve through the mean of a group (of all subjects where `None`).
pub(super) fn mean_curve(
    curve: &dyn Curve,
    subjects: &Subjects<'_>,
    group: Option<usize>,
) -> Option<Vec<f64>> {
    let means = means(subjects, group);
    let problem = Problem {
        curve,
        series: Series {
            ages_d: &means.ages_d,
            values: &means.values,
        },
        scale: Scale::Natural,
        weights: Some(&means.counts),
    };
    let mut descent = Descent::default();
    descent.reserve(means.values.len(), curve.terms().len());
    let mut best: Option<(f64, Vec<f64>)> = None;
    for attempt in 0..MOST_ATTEMPTS {
        if !curve.start(attempt, &means.ages_d, &means.values, &mut descent.terms) {
            break;
        }
        // Fewer means than terms determine no curve: the curve's own start stands.
        if means.values.len() < descent.terms.len() {
            return Some(descent.terms);
        }
        let optimum = usual_descent(&problem, &mut descent);
        let least = optimum.sum_of_squares;
        if optimum.end != End::OutsideDomain
            && best.as_ref().is_none_or(|(known, _)| least < *known)
        {
            best = Some((least, descent.terms.clone()));
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
