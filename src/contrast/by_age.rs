//! From which age on do two groups, or a group and the mean of all, differ?
//!
//! The difference between two fitted curves at each day that both have data for (that all
//! have, where the mean of all is one of the two), with
//! a pointwise interval and a band that holds at all days at once: the factor of the
//! band bounds the quantile of the greatest |t| over the days (sup-t) by the tube formula,
//! from the joint covariance of the terms. Two groups differ at the ages where the band leaves
//! zero out, and the chance that this is wrong at any age at all is one minus the
//! confidence.

use rayon::prelude::*;

use super::joint::{Difference, Joint};
use super::mean_of_all::MeanAlong;
use super::pairs::pairs;
use super::{Against, Request};
use crate::fit::estimable::Reach;
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::trajectory::days_between;

/// The difference at one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgeDifference {
    /// Age, d.
    pub age_d: f64,
    /// Value of the first curve minus that of the second.
    pub difference: f64,
    /// Standard error, where there is one.
    pub standard_error: Option<f64>,
    /// Interval at this age by itself.
    pub interval: Option<Interval>,
    /// Band that holds at all ages together.
    pub simultaneous: Option<Interval>,
}

impl AgeDifference {
    /// Whether the band leaves zero out; `None` without a band.
    #[must_use]
    pub fn differs(&self) -> Option<bool> {
        self.simultaneous.map(|band| !band.contains(0.0))
    }
}

/// The difference between a group and another, or the mean of all, along age.
#[derive(Debug, Clone, PartialEq)]
pub struct PairByAge {
    /// The first group, an index into the names.
    pub a: usize,
    /// What it is compared with.
    pub b: Against,
    /// Standard errors of the simultaneous band.
    pub factor: Option<f64>,
    /// The difference at each day that both (with the mean, all) have data for.
    pub ages: Vec<AgeDifference>,
}

impl PairByAge {
    /// How clearly the two differ at the last age: the difference over its standard error,
    /// without its sign; 0 where there is none.
    #[must_use]
    pub fn clearness(&self) -> f64 {
        let last = self.ages.last();
        let t = last.and_then(|at| Some(at.difference / at.standard_error?));
        t.map_or(0.0, f64::abs)
    }

    /// Spans of ages, first and last, at which the two differ, and whether the first
    /// group is the heavier there.
    #[must_use]
    pub fn spans(&self) -> Vec<(f64, f64, bool)> {
        let sign = |at: &AgeDifference| (at.differs() == Some(true)).then_some(at.difference > 0.0);
        self.ages
            .chunk_by(|one, next| sign(one) == sign(next))
            .filter_map(|span| {
                let (first, last) = (span.first()?, span.last()?);
                Some((first.age_d, last.age_d, sign(first)?))
            })
            .collect()
    }
}

/// All comparisons along age; a pair without common ages is left out, and all where the
/// mean of all has none.
pub(super) fn differences(joint: &Joint, request: &Request) -> Vec<PairByAge> {
    if joint.groups.len() > Against::MOST_IN_PAIRS {
        return against_mean(joint, request);
    }
    let found = pairs(joint.groups.len()).filter_map(|(a, b)| {
        let ages_d = common(&[joint.reaches[a], joint.reaches[b]])?;
        let differences: Vec<Difference> = ages_d
            .iter()
            .map(|age_d| joint.difference_at(a, b, *age_d))
            .collect();
        let df = fewest_df(&differences);
        let factor = joint.band_factor((a, b), &ages_d, df, request.confidence);
        let whose = (joint.groups[a], Against::Group(joint.groups[b]));
        Some(along(whose, &ages_d, &differences, factor, request))
    });
    found.collect()
}

fn against_mean(joint: &Joint, request: &Request) -> Vec<PairByAge> {
    let Some(ages_d) = common(&joint.reaches) else {
        return Vec::new();
    };
    let Some(mean) = MeanAlong::of(joint, &ages_d) else {
        return Vec::new();
    };
    let one = |place: usize| {
        let differences = mean.differences(place);
        let df = fewest_df(&differences);
        let factor = mean.band_factor(place, df, request.confidence);
        let whose = (joint.groups[place], Against::MeanOfAll);
        along(whose, &ages_d, &differences, factor, request)
    };
    let places = (0..joint.groups.len()).into_par_iter();
    places.map(one).collect()
}

/// The days that the data of all these groups reach; `None` where there is none.
fn common(reaches: &[Reach]) -> Option<Vec<f64>> {
    let first_d = reaches
        .iter()
        .map(|reach| reach.first_d)
        .fold(f64::NEG_INFINITY, f64::max);
    let last_d = reaches
        .iter()
        .map(|reach| reach.last_d)
        .fold(f64::INFINITY, f64::min);
    (first_d <= last_d).then(|| days_between(first_d, last_d))
}

/// The band takes the fewest degrees of freedom of any age.
fn fewest_df(differences: &[Difference]) -> f64 {
    let df = differences.iter().map(|found| found.df);
    df.fold(f64::INFINITY, f64::min)
}

fn along(
    (a, b): (usize, Against),
    ages_d: &[f64],
    differences: &[Difference],
    factor: Option<f64>,
    request: &Request,
) -> PairByAge {
    let ages = ages_d.iter().zip(differences).map(|(age_d, found)| {
        let around = |factor: f64| {
            let error = found.standard_error?;
            Some(Interval::around(found.value, factor * error))
        };
        AgeDifference {
            age_d: *age_d,
            difference: found.value,
            standard_error: found.standard_error,
            interval: around(t_two_sided_quantile(request.confidence, found.df)),
            simultaneous: factor.and_then(around),
        }
    });
    PairByAge {
        a,
        b,
        factor,
        ages: ages.collect(),
    }
}
