//! Intervals of the typical bird of each group of a mixed fit that do not rest on its
//! standard errors: by the profile of its marginal likelihood, and by drawing birds again.
//!
//! Birds are drawn with replacement within each group, whole (with pen effects: pens with
//! all their birds), and all are fitted again from where the fit ended; percentiles are
//! widened for few of them by their number in the group. What holds for all birds (`sd(A)`, `sigma`) and birds' own curves keep the
//! intervals of their standard errors.

use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::interval::{Method, opened, percentiles, widened};
use super::{PopulationFit, TraitModel};
use crate::fit::mixed::{MixedFit, MixedModel, Subjects};
use crate::fit::profile::Quantity;
use crate::stats::Interval;
use crate::stats::distribution::t_two_sided_quantile;
use crate::stats::resample::{Purpose, draw, stream};

/// The intervals of one group's quantities; a side that is open is infinite.
pub(super) type OfGroup = Vec<Option<Interval>>;

impl TraitModel {
    /// Intervals of the derived quantities after the terms, group by group; where there are
    /// none the reason, in words, is added to `lost`.
    pub(super) fn intervals(
        &self,
        derived: &[Quantity],
        method: Method,
        level: f64,
        done: &(dyn Fn(usize) + Sync),
        lost: &mut Vec<String>,
    ) -> Vec<OfGroup> {
        let Some(fit) = self.growth() else {
            return Vec::new();
        };
        let terms = fit.curve.terms().len();
        let quantities: Vec<Quantity> = (0..terms)
            .map(Quantity::Term)
            .chain(derived.iter().copied())
            .collect();
        let found = fit.intervals(&quantities, method, level);
        done(1);
        match (found, fit.outcome.fit()) {
            (Ok(found), Some(mixed)) => {
                let groups = found.into_iter().enumerate().map(|(group, found)| {
                    let estimates = mixed.group_estimates(group);
                    opened(&*fit.curve, &estimates, &quantities, found)
                });
                groups.collect()
            }
            (Ok(_), None) => Vec::new(),
            (Err(reason), _) => {
                lost.push(format!("{} of all birds: {reason}", fit.curve.name()));
                Vec::new()
            }
        }
    }
}

impl PopulationFit {
    /// Group by group; none of a failed fit, and the reason where a fit has no profile.
    fn intervals(
        &self,
        quantities: &[Quantity],
        method: Method,
        level: f64,
    ) -> Result<Vec<OfGroup>, String> {
        let Some(fit) = self.outcome.fit() else {
            return Ok(Vec::new());
        };
        let words = |error: crate::Error| error.to_string();
        let model = MixedModel::new(&*self.curve, &self.options).map_err(words)?;
        let subjects = self.cohort.subjects().map_err(words)?;
        let groups = self.cohort.groups.len();
        match method {
            Method::Wald => Ok(Vec::new()),
            Method::Profile => {
                let quantile = t_two_sided_quantile(level, fit.group_estimates(0).df as f64);
                let wanted: Vec<(usize, Quantity)> = (0..groups)
                    .flat_map(|group| quantities.iter().map(move |one| (group, *one)))
                    .collect();
                let found = model.profile(&subjects, fit, &wanted, quantile)?;
                Ok(found.chunks(quantities.len()).map(<[_]>::to_vec).collect())
            }
            Method::Bootstrap { replicates, seed } => {
                let units = self.cohort.units(!self.options.cluster.is_empty());
                let again = Redrawn {
                    model: &model,
                    subjects: &subjects,
                    fit,
                    units: &units,
                };
                let drawn: Vec<Option<Vec<Vec<f64>>>> = (0..replicates as u64)
                    .into_par_iter()
                    .map(|replicate| again.terms(&mut stream(seed, Purpose::Resampling, replicate)))
                    .collect();
                let mut gradient = vec![0.0; self.curve.terms().len()];
                let mut of = |group: usize, quantity: &Quantity| {
                    if units[group].len() < 2 {
                        return None;
                    }
                    let values: Vec<f64> = drawn
                        .iter()
                        .flatten()
                        .filter_map(|terms| {
                            quantity.value(&*self.curve, &terms[group], &mut gradient)
                        })
                        .collect();
                    percentiles(&values, replicates, widened(level, units[group].len()))
                };
                let of_group = |group| quantities.iter().map(|one| of(group, one)).collect();
                Ok((0..groups).map(of_group).collect())
            }
        }
    }
}

/// A mixed fit whose birds are drawn again.
pub(crate) struct Redrawn<'a> {
    /// The model.
    pub(crate) model: &'a MixedModel<'a>,
    /// All birds.
    pub(crate) subjects: &'a Subjects<'a>,
    /// Where their fit ended.
    pub(crate) fit: &'a MixedFit,
    /// The units of each group that are drawn, each the birds of it.
    pub(crate) units: &'a [Vec<Vec<usize>>],
}

impl Redrawn<'_> {
    /// Terms of each group from birds drawn with replacement within the groups; `None`
    /// where their fit has no numbers.
    pub(crate) fn terms(&self, random: &mut ChaCha8Rng) -> Option<Vec<Vec<f64>>> {
        let (mut indices, mut clusters) = (Vec::new(), Vec::new());
        let mut drawn = 0;
        for group in self.units {
            for at in draw(random, group.len()) {
                indices.extend(&group[at]);
                // A pen that is drawn twice stands for two pens.
                clusters.resize(indices.len(), drawn);
                drawn += 1;
            }
        }
        let mut subjects = self.subjects.draw(&indices);
        if !self.fit.cluster.is_empty() {
            subjects = subjects.with_clusters(clusters).ok()?;
        }
        let outcome = self.model.fit_from(&subjects, self.fit);
        let fit = outcome.fit()?;
        Some(
            (0..self.units.len())
                .map(|at| fit.group(at).to_vec())
                .collect(),
        )
    }
}
