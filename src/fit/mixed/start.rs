//! Where does a mixed fit begin: the curve through the mean of each group.
//!
//! Values are averaged at equal ages (or in bins of equal count where ages are
//! many), the curve's own starting rule is applied to the means, and a damped
//! Gauss-Newton (Levenberg 1944, Marquardt 1963) fits them. This costs next to
//! nothing beside the mixed fit and makes no demand on any single subject.

use super::cholesky;
use super::subjects::Subjects;
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

/// Weighted sum of squares, and the normal equations where requested.
fn measure(
    curve: &dyn Curve,
    means: &Means,
    terms: &[f64],
    normal: &mut [f64],
    right: &mut [f64],
    row: &mut [f64],
) -> f64 {
    let p = terms.len();
    normal.fill(0.0);
    right.fill(0.0);
    let mut total = 0.0;
    for ((age, value), count) in means.ages_d.iter().zip(&means.values).zip(&means.counts) {
        let residual = value - curve.value_and_gradient(*age, terms, row);
        total += count * residual * residual;
        for j in 0..p {
            right[j] += count * row[j] * residual;
            for k in 0..=j {
                normal[j * p + k] += count * row[j] * row[k];
            }
        }
    }
    if right.iter().all(|value| value.is_finite()) {
        total
    } else {
        f64::INFINITY
    }
}

/// Levenberg-Marquardt on the means, from `terms`; returns the sum of squares.
fn descend(curve: &dyn Curve, means: &Means, terms: &mut [f64]) -> f64 {
    let p = terms.len();
    let (mut normal, mut right) = (vec![0.0; p * p], vec![0.0; p]);
    let (mut next_normal, mut next_right) = (normal.clone(), right.clone());
    let mut row = vec![0.0; p];
    let mut best = measure(curve, means, terms, &mut normal, &mut right, &mut row);
    let mut damping = 1e-3;
    for _ in 0..60 {
        let mut damped = normal.clone();
        for j in 0..p {
            damped[j * p + j] *= 1.0 + damping;
        }
        let mut scales = vec![0.0; p];
        let mut step = right.clone();
        if cholesky::factor_scaled(&mut damped, p, &mut scales).is_none() {
            break;
        }
        cholesky::solve_scaled(&damped, p, &scales, &mut step);
        let trial: Vec<f64> = curve
            .terms()
            .iter()
            .zip(terms.iter().zip(&step))
            .map(|(term, (value, step))| (value + step).clamp(term.lower, term.upper))
            .collect();
        let total = measure(
            curve,
            means,
            &trial,
            &mut next_normal,
            &mut next_right,
            &mut row,
        );
        if total < best {
            let gain = (best - total) / best;
            terms.copy_from_slice(&trial);
            best = total;
            std::mem::swap(&mut normal, &mut next_normal);
            std::mem::swap(&mut right, &mut next_right);
            damping = (damping * 0.1).max(1e-12);
            // A start needs no more than a few digits.
            if gain < 1e-6 {
                break;
            }
        } else {
            damping *= 10.0;
            if damping > 1e10 {
                break;
            }
        }
    }
    best
}

/// Terms of the curve through the mean of a group (of all subjects where `None`).
pub(super) fn mean_curve(
    curve: &dyn Curve,
    subjects: &Subjects<'_>,
    group: Option<usize>,
) -> Option<Vec<f64>> {
    let means = means(subjects, group);
    let mut best: Option<(f64, Vec<f64>)> = None;
    for attempt in 0..MOST_ATTEMPTS {
        let mut terms = vec![0.0; curve.terms().len()];
        if !curve.start(attempt, &means.ages_d, &means.values, &mut terms) {
            break;
        }
        let total = descend(curve, &means, &mut terms);
        if total.is_finite() && best.as_ref().is_none_or(|(least, _)| total < *least) {
            best = Some((total, terms));
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
