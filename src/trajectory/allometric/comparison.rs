//! Allometry or a growth curve in age: which predicts the last scan of each bird better
//! from its other scans and from all other birds.

use std::collections::BTreeMap;

use super::super::observed::weights;
use super::super::population::PopulationFit;
use super::{AllometricFit, Description, Outcome, capitalised};
use crate::error::Result;
use crate::fit::mixed::{MixedModel, Subjects};
use crate::stats::mean;
use crate::study::Records;

/// Both models' predictions of the last scans, and their likelihoods.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// The growth curve.
    pub growth_curve: String,
    /// Birds whose last scan both predict.
    pub birds: usize,
    /// Root mean square error of log mass by allometry.
    pub allometric_rmse: f64,
    /// The same by the growth curve.
    pub growth_rmse: f64,
    /// Mean square error of the growth curve minus that of allometry, over its standard
    /// error between birds.
    pub t: f64,
    /// Log-likelihood of the masses in grams by allometry.
    pub allometric_log_lik: f64,
    /// The same by the growth curve, where it was maximised for as many masses.
    pub growth_log_lik: Option<f64>,
}

/// Parts into which the birds are put: the last scans of a part are left out together.
const FOLDS: usize = 5;
/// A forecast of no mass counts as one of this share of the mass.
const LEAST_SHARE: f64 = 0.01;

impl Outcome {
    /// Compares the allometric model with a growth curve in age fitted to the same records:
    /// where allometry predicts the last scans worse, by more than the standard error of the
    /// difference of the mean square errors, the growth curve describes the trait.
    ///
    /// The growth curve is fitted anew to all but a fifth of the last scans, five times;
    /// allometry predicts each last scan at its own form and variances. A growth curve whose
    /// fits fail predicts nothing, and is not taken.
    ///
    /// # Errors
    /// As [`MixedModel::new`], which made the growth curve's fit.
    pub fn against_growth(
        mut self,
        records: &Records,
        growth: &PopulationFit,
    ) -> Result<(Self, Option<Comparison>)> {
        let Some(fit) = &self.fit else {
            return Ok((self, None));
        };
        let forecasts = forecasts(records, growth)?;
        let Some(comparison) = fit.compared(records, growth, &forecasts) else {
            return Ok((self, None));
        };
        let percent = |rmse: f64| format!("{:.1} %", 100.0 * rmse);
        let errors = format!(
            "error of scans left out: {} against {}, {} birds",
            percent(comparison.allometric_rmse),
            percent(comparison.growth_rmse),
            comparison.birds
        );
        if comparison.t < -1.0 {
            self.description = Description::GrowthCurve;
            self.sentence = format!(
                "{} is described by growth curves in age, since they predict scans better than allometry on the weight curves ({errors}).",
                capitalised(&fit.trait_name)
            );
        } else {
            let kept = self.sentence.trim_end_matches('.');
            self.sentence = format!("{kept}, not by growth curves in age ({errors}).");
        }
        Ok((self, Some(comparison)))
    }
}

impl AllometricFit {
    fn compared(
        &self,
        records: &Records,
        growth: &PopulationFit,
        forecasts: &BTreeMap<usize, f64>,
    ) -> Option<Comparison> {
        let errors: Vec<(f64, f64)> = self
            .last_scan_errors
            .iter()
            .filter_map(|(bird, own)| {
                let mass_g = *records.of(*bird).1.last()?;
                let forecast_g = forecasts.get(bird)?.max(LEAST_SHARE * mass_g);
                Some((*own, (mass_g / forecast_g).ln()))
            })
            .collect();
        if errors.len() < 2 {
            return None;
        }
        let n = errors.len() as f64;
        let gains: Vec<f64> = errors
            .iter()
            .map(|(own, other)| other * other - own * own)
            .collect();
        let spread = crate::stats::squares_about_mean(&gains) / (n - 1.0) / n;
        let rmse = |squares: f64| (squares / n).sqrt();
        let mixed = growth.outcome.fit();
        Some(Comparison {
            growth_curve: growth.curve.name().to_owned(),
            birds: errors.len(),
            allometric_rmse: rmse(errors.iter().map(|(own, _)| own * own).sum()),
            growth_rmse: rmse(errors.iter().map(|(_, other)| other * other).sum()),
            t: mean(&gains) / spread.sqrt().max(f64::MIN_POSITIVE),
            allometric_log_lik: self.log_lik,
            growth_log_lik: mixed
                .filter(|mixed| mixed.n == self.n)
                .map(|mixed| mixed.log_lik),
        })
    }
}

/// The last record of each bird with two or more, as the growth curve forecasts it when
/// fitted without it: by index of the bird, g.
fn forecasts(records: &Records, growth: &PopulationFit) -> Result<BTreeMap<usize, f64>> {
    let cohort = &growth.cohort;
    let model = MixedModel::new(&*growth.curve, &growth.options)?;
    let mut group_of = vec![0; cohort.birds.len()];
    for (group, subjects) in cohort.by_group().into_iter().enumerate() {
        for subject in subjects {
            group_of[subject] = group;
        }
    }
    let mut found = BTreeMap::new();
    for fold in 0..FOLDS {
        let mut part = Part::default();
        let mut left_out: Vec<(usize, usize)> = Vec::new();
        for (subject, bird) in cohort.birds.iter().enumerate() {
            // As many as the cohort kept of it: the last ones.
            let kept = cohort.ages_of(subject).len();
            let all = records.of(*bird).0.len();
            let out = kept > 1 && subject % FOLDS == fold;
            if out {
                left_out.push((part.groups.len(), *bird));
            }
            part.add(
                records,
                (*bird, group_of[subject]),
                all - kept..all - usize::from(out),
            );
        }
        let part = part.weighted();
        let subjects = part.subjects()?;
        let outcome = model.fit(&subjects);
        let Some(fit) = outcome.fit() else { continue };
        let population = fit.population(&model, &growth.curve);
        let mut without = Part::default();
        for (place, bird) in &left_out {
            let all = records.of(*bird).0.len();
            let kept = part.starts[place + 1] - part.starts[*place];
            without.add(
                records,
                (*bird, part.groups[*place]),
                all - 1 - kept..all - 1,
            );
        }
        let lasts: Vec<f64> = left_out
            .iter()
            .filter_map(|(_, bird)| records.of(*bird).0.last().copied())
            .collect();
        let without = without.weighted();
        if left_out.is_empty() {
            continue;
        }
        let Ok(forecasts) = population.forecast(&without.subjects()?, |at| &lasts[at..=at]) else {
            continue;
        };
        for (at, (_, bird)) in left_out.iter().enumerate() {
            if let Some(forecast) = forecasts.of(at, 0) {
                found.insert(*bird, forecast.value);
            }
        }
    }
    Ok(found)
}

/// Some records of some birds, in columns.
#[derive(Default)]
struct Part {
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    values: Vec<f64>,
    variances: Vec<f64>,
    groups: Vec<usize>,
    relative: Vec<f64>,
}

impl Part {
    fn add(
        &mut self,
        records: &Records,
        (bird, group): (usize, usize),
        places: std::ops::Range<usize>,
    ) {
        if self.starts.is_empty() {
            self.starts.push(0);
        }
        let (ages_d, values) = records.of(bird);
        self.ages_d.extend_from_slice(&ages_d[places.clone()]);
        self.values.extend_from_slice(&values[places.clone()]);
        let known = records.variances_of(bird).get(places).unwrap_or_default();
        self.variances.extend_from_slice(known);
        self.groups.push(group);
        self.starts.push(self.values.len());
    }

    /// Takes the known variances relative to their usual one.
    fn weighted(mut self) -> Self {
        self.relative = weights(&self.variances)
            .filter(|weights| weights.len() == self.values.len())
            .map_or_else(Vec::new, |weights| {
                weights.iter().map(|weight| 1.0 / weight).collect()
            });
        self
    }

    fn subjects(&self) -> Result<Subjects<'_>> {
        let subjects = Subjects::new(&self.starts, &self.ages_d, &self.values, &self.groups)?;
        match self.relative.as_slice() {
            [] => Ok(subjects),
            known => subjects.with_relative_variances(known),
        }
    }
}
