//! From which age on do two groups differ?
//!
//! The difference between two fitted curves at each day that both have data for, with
//! a pointwise interval and a band that holds at all days at once: the factor of the
//! band is the simulated quantile of the greatest |t| over the days (sup-t), from the
//! joint covariance of the terms. Two groups differ at the ages where the band leaves
//! zero out, and the chance that this is wrong at any age at all is one less the
//! confidence.

use super::Request;
use super::joint::Joint;
use super::pairs::pairs;
use crate::fit::interval::{Interval, SUP_T_DRAWS};
use crate::stats::distribution::t_two_sided_quantile;
use crate::trajectory::days_between;

/// The difference between two groups at one age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgeDifference {
    /// Age, d.
    pub age_d: f64,
    /// Value of the first curve less that of the second.
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
        self.simultaneous.map(|band| !band.holds(0.0))
    }
}

/// The difference between two groups along age.
#[derive(Debug, Clone, PartialEq)]
pub struct PairByAge {
    /// The first group, an index into the names.
    pub a: usize,
    /// The second group.
    pub b: usize,
    /// Standard errors of the simultaneous band.
    pub factor: Option<f64>,
    /// The difference at each day that both have data for.
    pub ages: Vec<AgeDifference>,
}

impl PairByAge {
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

/// All pairs of groups along age; a pair without common ages is left out.
pub(super) fn differences(joint: &Joint, request: &Request) -> Vec<PairByAge> {
    let found = pairs(joint.groups.len()).filter_map(|(a, b)| {
        let (one, other) = (joint.reaches[a], joint.reaches[b]);
        let first_d = one.first_d.max(other.first_d);
        let last_d = one.last_d.min(other.last_d);
        (first_d <= last_d).then(|| pair(joint, (a, b), &days_between(first_d, last_d), request))
    });
    found.collect()
}

fn pair(joint: &Joint, (a, b): (usize, usize), ages_d: &[f64], request: &Request) -> PairByAge {
    let level = request.confidence;
    let differences: Vec<_> = ages_d
        .iter()
        .map(|age_d| joint.difference_at(a, b, *age_d))
        .collect();
    // The band takes the fewest degrees of freedom of any age.
    let df = differences
        .iter()
        .map(|found| found.df)
        .fold(f64::INFINITY, f64::min);
    let draws = (SUP_T_DRAWS, request.seed);
    let factor = joint.simultaneous_factor((a, b), ages_d, df, level, draws);
    let ages = ages_d.iter().zip(&differences).map(|(age_d, found)| {
        let around = |factor: f64| {
            let error = found.standard_error?;
            Some(Interval::around(found.value, factor * error))
        };
        AgeDifference {
            age_d: *age_d,
            difference: found.value,
            standard_error: found.standard_error,
            interval: around(t_two_sided_quantile(level, found.df)),
            simultaneous: factor.and_then(around),
        }
    });
    PairByAge {
        a: joint.groups[a],
        b: joint.groups[b],
        factor,
        ages: ages.collect(),
    }
}
