//! Which share of the body is fat, along age: a curve derived from two fitted ones.
//!
//! ```text
//! share(t) = 100 fat(t) / total(t)
//! ```
//!
//! with both curves fitted to all records of a group. Its error is by the delta method
//! from the joint covariance of both fits, which share their birds: a bird that is
//! fat is often heavy, and the sandwich by bird ([`crate::fit::influence`]) holds that.
//! Percentages are never fitted: their errors are not those of a mass.

use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use super::Request;
use super::grouping::{Groups, Sample};
use super::joint::{PooledFit, pooled_fit};
use crate::fit::Workspace;
use crate::fit::influence::covariance_between;
use crate::growth::Curve;
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{BODY_WEIGHT, Study};
use crate::trajectory::days_between;

/// The share of fat of one group, by one curve.
#[derive(Debug, Clone, PartialEq)]
pub struct FatShare {
    /// Index into the names of the groups.
    pub group: usize,
    /// The curve of both masses.
    pub curve: String,
    /// Index of the fat into the study's traits.
    pub fat: usize,
    /// The masses that it is a share of.
    pub of: Vec<usize>,
    /// The share along age, or why there is none.
    pub shares: std::result::Result<Vec<Share>, String>,
}

/// The share of fat at one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// Age, d.
    pub age_d: f64,
    /// Fat as a percentage of the total.
    pub percent: f64,
    /// Its standard error, where there are birds enough for one.
    pub standard_error: Option<f64>,
    /// Its interval.
    pub interval: Option<Interval>,
}

/// The share of each fat trait of a study, group by group and curve by curve; none
/// where the study has no fat.
///
/// A fat is a trait named `fat`, or `fat_` and more. The total is body weight; without
/// it the sum of the fat, lean and bone whose names end alike.
#[must_use]
pub fn fat_shares(study: &Study, groups: &Groups, request: &Request) -> Vec<FatShare> {
    let mut all = Vec::new();
    for (fat, records) in study.traits.iter().enumerate() {
        let Some(ending) = ending(&records.name) else {
            continue;
        };
        let of = total(study, fat, ending);
        if of.is_empty() {
            continue;
        }
        for curve in &request.curves {
            for group in 0..groups.names.len() {
                all.push(FatShare {
                    group,
                    curve: curve.name().to_owned(),
                    fat,
                    of: of.clone(),
                    shares: shares(study, groups, group, (fat, &of), curve, request),
                });
            }
        }
    }
    all
}

/// What follows `fat` in a trait's name: nothing, or `_corrected`.
fn ending(name: &str) -> Option<&str> {
    name.strip_prefix("fat")
        .filter(|ending| ending.is_empty() || ending.starts_with('_'))
}

fn total(study: &Study, fat: usize, ending: &str) -> Vec<usize> {
    let find = |name: &str| study.traits.iter().position(|records| records.name == name);
    if let Some(weight) = find(BODY_WEIGHT) {
        return vec![weight];
    }
    match (
        find(&format!("lean{ending}")),
        find(&format!("bone{ending}")),
    ) {
        (Some(lean), Some(bone)) => vec![fat, lean, bone],
        _ => Vec::new(),
    }
}

fn shares(
    study: &Study,
    groups: &Groups,
    group: usize,
    (fat, of): (usize, &[usize]),
    curve: &Arc<dyn Curve>,
    request: &Request,
) -> std::result::Result<Vec<Share>, String> {
    // The fat first, then the masses of the total.
    let traits: Vec<usize> = std::iter::once(fat).chain(of.iter().copied()).collect();
    let mut fits: Vec<(PooledFit, Option<DMatrix<f64>>)> = Vec::new();
    let (mut first_d, mut last_d, mut fewest) = (f64::NEG_INFINITY, f64::INFINITY, usize::MAX);
    for index in traits {
        let sample = Sample::of(&study.traits[index], groups, &[group]);
        let fit = pooled_fit(&sample, Some(0), curve, request, &mut Workspace::new())
            .map_err(|reason| format!("{}: {reason}", study.traits[index].name))?;
        let span = sample.age_span(0);
        first_d = first_d.max(span.0);
        last_d = last_d.min(span.1);
        fewest = fewest.min(sample.birds.len());
        let moved = fit.influence(&sample).map(|moved| {
            // By bird of the study, so that the fits share their rows.
            let mut all = DMatrix::zeros(study.birds.len(), moved.ncols());
            for (row, bird) in sample.birds.iter().enumerate() {
                all.row_mut(*bird).copy_from(&moved.row(row));
            }
            all
        });
        fits.push((fit, moved));
    }
    if first_d > last_d {
        return Err("fat and the total have no ages in common".to_owned());
    }
    let p = curve.terms().len();
    let covariance = (fewest > p).then(|| joint(&fits, p)).flatten();
    let factor = t_two_sided_quantile(request.confidence, (fewest.max(2) - 1) as f64);
    let ages_d = days_between(first_d, last_d);
    Ok(ages_d
        .iter()
        .filter_map(|age_d| share(&fits, covariance.as_ref(), *age_d, factor))
        .collect())
}

/// Covariance of the terms of all fits; `None` where one has none.
fn joint(fits: &[(PooledFit, Option<DMatrix<f64>>)], p: usize) -> Option<DMatrix<f64>> {
    let mut all = DMatrix::zeros(fits.len() * p, fits.len() * p);
    for (i, (_, one)) in fits.iter().enumerate() {
        for (j, (_, other)) in fits.iter().enumerate() {
            let block = covariance_between(one.as_ref()?, other.as_ref()?);
            all.view_mut((i * p, j * p), (p, p)).copy_from(&block);
        }
    }
    Some(all)
}

/// The share at one age; `None` where the total is not above zero.
fn share(
    fits: &[(PooledFit, Option<DMatrix<f64>>)],
    covariance: Option<&DMatrix<f64>>,
    age_d: f64,
    factor: f64,
) -> Option<Share> {
    let p = fits[0].0.estimates.terms.len();
    let mut gradient = DVector::zeros(fits.len() * p);
    let mut values = Vec::new();
    for ((fit, _), part) in fits.iter().zip(gradient.as_mut_slice().chunks_exact_mut(p)) {
        values.push(
            fit.curve
                .value_and_gradient(age_d, &fit.estimates.terms, part),
        );
    }
    let total: f64 = values[1..].iter().sum();
    if !(total.is_finite() && total > 0.0) {
        return None;
    }
    let percent = 100.0 * values[0] / total;
    for (at, part) in gradient.as_mut_slice().chunks_exact_mut(p).enumerate() {
        let slope = if at == 0 { 100.0 } else { -percent } / total;
        part.iter_mut().for_each(|entry| *entry *= slope);
    }
    let variance = covariance.map(|covariance| (covariance * &gradient).dot(&gradient));
    let standard_error = variance
        .filter(|variance| variance.is_finite() && *variance > 0.0)
        .map(f64::sqrt);
    Some(Share {
        age_d,
        percent,
        standard_error,
        interval: standard_error.map(|error| Interval::around(percent, factor * error)),
    })
}
