//! Intervals of contrasts by drawing birds again.
//!
//! Birds are drawn with replacement within each group, whole, and the groups are fitted
//! again as they were: the mixed fit from where it ended, the pooled fits from their
//! terms. Percentiles are widened for few birds as in
//! [`crate::trajectory::interval::widened`], by the smaller of the two groups (by the group's own birds against the mean of all).

use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::grouping::Sample;
use super::joint::{Joint, PooledFit};
use super::pairs::Contrast;
use super::{Against, Request};
use crate::error::Result;
use crate::fit::mixed::MixedModel;
use crate::fit::{Series, Settings, Workspace, fit};
use crate::growth::Curve;
use crate::stats::Interval;
use crate::stats::resample::{Purpose, draw, percentile_interval, stream};
use crate::trajectory::interval::widened;
use crate::trajectory::{Redrawn, TraitModel};

/// What is fitted again.
pub(super) enum Refit<'a> {
    /// The model of a trait.
    Model(&'a TraitModel),
    /// A pooled fit of each group, and the birds of all.
    Pooled {
        sample: &'a Sample,
        fits: &'a [PooledFit],
    },
}

/// Greatest share of replicates without an answer for which an interval is still reported.
const MOST_FAILED: f64 = 0.1;

/// Puts percentile intervals in place of those of standard errors; `done` is called after
/// each replicate.
pub(super) fn put_intervals(
    contrasts: &mut [Contrast],
    joint: &Joint,
    refit: &Refit<'_>,
    (request, replicates): (&Request, usize),
    done: &(dyn Fn(usize) + Sync),
) -> Result<()> {
    let birds = match refit {
        Refit::Model(model) => model.cohort().by_group(),
        Refit::Pooled { sample, .. } => by_group(sample, joint),
    };
    let drawn = match refit {
        // Of an allometry the intervals stay those of standard errors.
        Refit::Model(model) => {
            let Some(fitted) = model.fitted() else {
                return Ok(());
            };
            let Some(fit) = fitted.outcome.fit() else {
                return Ok(());
            };
            let subjects = fitted.cohort.subjects()?;
            let model = MixedModel::new(&*fitted.curve, &fitted.options)?;
            let again = Redrawn {
                model: &model,
                subjects: &subjects,
                fit,
                units: &fitted.cohort.units(!fit.cluster.is_empty()),
            };
            let one = |random: &mut ChaCha8Rng| again.terms(random);
            replicate(contrasts, joint, &one, (request.seed, replicates), done)
        }
        Refit::Pooled { fits, .. } => {
            let one = |random: &mut ChaCha8Rng| pooled_terms(fits, &birds, request, random);
            replicate(contrasts, joint, &one, (request.seed, replicates), done)
        }
    };
    for (place, contrast) in contrasts.iter_mut().enumerate() {
        let values: Vec<f64> = drawn.iter().filter_map(|values| values[place]).collect();
        let count = |group: usize| {
            let at = joint.groups.iter().position(|known| *known == group);
            at.map_or(0, |at| birds[at].len())
        };
        let fewest = match contrast.b {
            Against::Group(b) => count(contrast.a).min(count(b)),
            Against::MeanOfAll => count(contrast.a),
        };
        let failed = 1.0 - values.len() as f64 / replicates as f64;
        contrast.interval = if fewest < 2 || failed > MOST_FAILED {
            None
        } else {
            let level = widened(request.confidence, fewest);
            percentile_interval(&values, level)
                .ok()
                .map(|found| Interval {
                    lower: found.lower,
                    upper: found.upper,
                })
        };
    }
    Ok(())
}

/// The birds of the sample in each group that was fitted.
fn by_group(sample: &Sample, joint: &Joint) -> Vec<Vec<usize>> {
    let of = |group: &usize| {
        let birds = sample.groups.iter().enumerate();
        birds
            .filter(|(_, place)| sample.kept[**place] == *group)
            .map(|(bird, _)| bird)
            .collect()
    };
    joint.groups.iter().map(of).collect()
}

/// Terms of each group from birds drawn again; `None` where a fit has no numbers.
type Draw<'a> = dyn Fn(&mut ChaCha8Rng) -> Option<Vec<Vec<f64>>> + Sync + 'a;

/// The differences of each replicate, in the order of the contrasts.
fn replicate(
    contrasts: &[Contrast],
    joint: &Joint,
    one: &Draw<'_>,
    (seed, replicates): (u64, usize),
    done: &(dyn Fn(usize) + Sync),
) -> Vec<Vec<Option<f64>>> {
    let value = |terms: &[Vec<f64>], contrast: &Contrast, group: usize| {
        let at = joint.groups.iter().position(|known| *known == group)?;
        let mut gradient = vec![0.0; terms[at].len()];
        contrast
            .quantity
            .value(&*joint.curves[at], &terms[at], &mut gradient)
    };
    let differences = |terms: &[Vec<f64>]| {
        let of_quantity = contrasts.chunk_by(|one, next| one.quantity == next.quantity);
        of_quantity
            .flat_map(|contrasts| {
                let first: Vec<Option<f64>> = contrasts
                    .iter()
                    .map(|contrast| value(terms, contrast, contrast.a))
                    .collect();
                // Of the groups that the mean was over; none may be missing.
                let mean = first
                    .iter()
                    .copied()
                    .sum::<Option<f64>>()
                    .map(|sum| sum / first.len() as f64);
                let difference = |(contrast, first): (&Contrast, Option<f64>)| {
                    let second = match contrast.b {
                        Against::Group(b) => value(terms, contrast, b),
                        Against::MeanOfAll => mean,
                    };
                    Some(first? - second?)
                };
                let found: Vec<Option<f64>> = contrasts.iter().zip(first).map(difference).collect();
                found
            })
            .collect()
    };
    (0..replicates as u64)
        .into_par_iter()
        .map(|replicate| {
            let terms = one(&mut stream(seed, Purpose::Resampling, replicate));
            done(1);
            terms.map_or_else(|| vec![None; contrasts.len()], |terms| differences(&terms))
        })
        .collect()
}

fn pooled_terms(
    fits: &[PooledFit],
    birds: &[Vec<usize>],
    request: &Request,
    random: &mut ChaCha8Rng,
) -> Option<Vec<Vec<f64>>> {
    let mut workspace = Workspace::new();
    let mut all = Vec::new();
    for (one, group) in fits.iter().zip(birds) {
        let mut times = vec![0_usize; group.len()];
        for at in draw(random, group.len()) {
            times[at] += 1;
        }
        let (mut ages_d, mut values) = (Vec::new(), Vec::new());
        for ((age_d, value), bird) in one.ages_d.iter().zip(&one.values).zip(&one.birds) {
            // Birds of a group ascend, as they stand in the sample.
            let at = group.partition_point(|known| known < bird);
            for _ in 0..times[at] {
                ages_d.push(*age_d);
                values.push(*value);
            }
        }
        let settings = Settings {
            start: Some(one.estimates.terms.clone()),
            ..request.settings.clone()
        };
        let series = Series {
            ages_d: &ages_d,
            values: &values,
        };
        let curve: &dyn Curve = &*one.curve;
        let outcome = fit(curve, series, &settings, &mut workspace);
        all.push(outcome.estimates()?.terms.to_vec());
    }
    Some(all)
}
