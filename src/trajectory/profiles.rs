//! How precisely are the terms of each strain's curve determined: profiles to be drawn.

use rayon::prelude::*;

use super::{Level, Pooled, Trajectories};
use crate::fit::Outcome;
use crate::fit::interval::{self, SamplingDistribution};
use crate::fit::profile::{self, Quantity};
use crate::stats::Interval;
use crate::study::Study;

/// The profile of one term of one strain's best curve.
#[derive(Debug, Clone, PartialEq)]
pub struct TermProfile {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::strains`].
    pub strain: usize,
    /// Name of the curve.
    pub curve: String,
    /// Name of the term.
    pub term: String,
    /// Its unit.
    pub unit: String,
    /// The estimate.
    pub estimate: f64,
    /// Profile interval; a side that is open is infinite.
    pub interval: Interval,
    /// Values of the term, ascending, and tau squared there: (n - p) (S/S_least - 1).
    pub points: Vec<(f64, f64)>,
    /// Where tau squared gives the interval: the square of Student's t.
    pub cut_off: f64,
}

/// Values on each side of the estimate.
const STEPS: u32 = 10;
/// How far beyond the interval the profile is reported.
const BEYOND: f64 = 1.15;
/// How far an open side is followed, in standard errors.
const OPEN_SIDE: f64 = 4.0;

/// Profiles of the terms of every strain's best curve, at bird weighings taken as
/// independent; none of a term that the data do not determine.
#[must_use]
pub fn of_strains(study: &Study, trajectories: &Trajectories, level: f64) -> Vec<TermProfile> {
    let traits = 0..study.traits.len();
    let strains = traits.flat_map(|index| trajectories.of(Level::Strain, index));
    let mut wanted = Vec::new();
    for fits in strains {
        if let Some(best) = fits.best()
            && let Outcome::Converged(estimates) | Outcome::Weak(estimates, _) = &best.outcome
        {
            let records = &study.traits[fits.subject.trait_index];
            let pooled = Pooled::of(study, records, fits.subject.strain);
            let pooled = std::sync::Arc::new(pooled);
            let known =
                |term: &usize| interval::term(&*best.curve, estimates, *term, level).is_ok();
            for term in (0..estimates.terms.len()).filter(known) {
                wanted.push((fits.subject, best, estimates, pooled.clone(), term));
            }
        }
    }
    let found = wanted
        .par_iter()
        .filter_map(|(subject, best, estimates, pooled, index)| {
            let curve = &*best.curve;
            let series = pooled.series();
            let quantity = Quantity::Term(*index);
            let interval = profile::interval(curve, series, estimates, quantity, level)?;
            let estimate = estimates.terms[*index];
            let error = estimates.standard_error(*index)?;
            let end = |limit: f64, sign: f64| {
                if limit.is_finite() {
                    estimate + BEYOND * (limit - estimate)
                } else {
                    estimate + sign * OPEN_SIDE * error
                }
            };
            let (first, last) = (end(interval.lower, -1.0), end(interval.upper, 1.0));
            let values: Vec<f64> = (0..=2 * STEPS)
                .map(|step| {
                    let share = f64::from(step) / f64::from(STEPS) - 1.0;
                    let reach = if share < 0.0 {
                        estimate - first
                    } else {
                        last - estimate
                    };
                    estimate + share * reach
                })
                .collect();
            let taus = profile::trace(curve, series, estimates, quantity, &values)?;
            let points = values.into_iter().zip(taus);
            let term = &curve.terms()[*index];
            Some(TermProfile {
                trait_index: subject.trait_index,
                strain: subject.strain,
                curve: curve.name().to_owned(),
                term: term.name.to_string(),
                unit: term.unit.to_string(),
                estimate,
                interval,
                points: points
                    .filter(|(_, tau)| tau.is_finite())
                    .map(|(value, tau)| (value, tau * tau))
                    .collect(),
                cut_off: SamplingDistribution::of(estimates)
                    .pointwise_factor(level)
                    .powi(2),
            })
        });
    found.collect()
}
