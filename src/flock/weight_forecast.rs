//! The forecasts of a trait by its predictors: of each bird, pen, strain and the whole flock.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::error::Result;
use crate::flock::deviation::{FlockLevel, NoTarget, target_at};
use crate::flock::forecast_rows::{
    Flag, ForecastOptions, ForecastRow, TraitForecast, ages_of, chance_of, gone, groups_of,
    mean_target, not_foreseen, still_there,
};
use crate::flock::own_models::Sources;
use crate::flock::predictors::{Combined, Ensemble, OF_WEIGHT, Predictor, Weights};
use crate::flock::relative::{PhasedTarget, RelativeModel};
use crate::flock::target::TargetPoint;
use crate::stats::distribution::t_two_sided_quantile;
use crate::study::{Records, Study};
use crate::trajectory::BirdPopulation;

/// Forecasts of one trait by its predictors, weighted so.
pub(super) fn of_trait(
    known: &Study,
    sources: &Sources<'_>,
    weights: &Weights,
    options: &ForecastOptions,
) -> Result<TraitForecast> {
    let records = &known.traits[sources.trait_index];
    let there = still_there(known, options.as_of_d);
    let has_records = |bird: &usize| there[*bird] && !records.of(*bird).0.is_empty();
    let birds: Vec<usize> = (0..known.birds.len()).filter(has_records).collect();
    let ages_d = ages_of(known, &records.name, options);
    let ensemble = Ensemble::of(
        known,
        (sources.trait_index, &sources.targets),
        &sources.list(),
        &birds,
        &|_| &ages_d[..],
    )?;
    let mut ahead = Ahead {
        known,
        trait_index: sources.trait_index,
        birds: &birds,
        ensemble: &ensemble,
        weights,
        own_only: sources.own.as_ref().ok(),
        targets: &sources.targets,
        ages_d: &ages_d,
        confidence: options.confidence,
        quantiles: BTreeMap::new(),
    };
    let mut rows = ahead.groups();
    rows.extend(ahead.birds());
    rows.extend(gone(known, records, &there));
    let asked: f64 = OF_WEIGHT
        .iter()
        .zip(weights)
        .filter(|(predictor, _)| ensemble.has(**predictor))
        .map(|(_, weight)| *weight)
        .sum();
    let used = |predictor: &Predictor| {
        let mut parts = rows.iter().flat_map(|row: &ForecastRow| &row.predictors);
        parts.any(|(own, _)| own == predictor)
    };
    let predictors: Vec<(Predictor, f64)> = OF_WEIGHT
        .into_iter()
        .zip(weights)
        .filter(|(predictor, _)| used(predictor))
        .map(|(predictor, weight)| (predictor, weight / asked))
        .collect();
    let relative = ensemble
        .relative
        .as_ref()
        .and_then(|model| model.as_ref().ok());
    let reason = predictors
        .is_empty()
        .then(|| no_forecast(&ensemble, sources, records));
    Ok(TraitForecast {
        trait_index: sources.trait_index,
        unnamed: false,
        population: sources.judged_by(),
        predictors,
        timing_sd_d: relative.and_then(RelativeModel::timing_sd_d),
        reason,
        rows,
    })
}

/// Why nothing is forecast of a trait.
fn no_forecast(ensemble: &Ensemble, sources: &Sources<'_>, records: &Records) -> String {
    let mut reasons = Vec::new();
    match &sources.own {
        Ok(_) => {
            let last_d = records.ages_d.iter().copied().fold(0.0, f64::max);
            reasons.push(not_foreseen(last_d));
        }
        Err(reason) => reasons.push(reason.clone()),
    }
    if let Some(Err(reason)) = &ensemble.relative {
        reasons.push(format!("relative to the target: {reason}"));
    }
    reasons.join("; ")
}

/// Birds of one trait with their forecasts and targets.
struct Ahead<'a> {
    known: &'a Study,
    trait_index: usize,
    /// Index into [`Study::birds`], ascending.
    birds: &'a [usize],
    ensemble: &'a Ensemble,
    weights: &'a Weights,
    /// The flock's own population.
    own_only: Option<&'a BirdPopulation>,
    targets: &'a [Option<Arc<PhasedTarget>>],
    ages_d: &'a [f64],
    confidence: f64,
    /// Standard errors to either side by degrees of freedom: of the interval, and of a fan.
    quantiles: BTreeMap<u64, [f64; 3]>,
}

impl Ahead<'_> {
    /// The whole flock where it has several strains, each strain, each pen.
    fn groups(&mut self) -> Vec<ForecastRow> {
        let mut rows = Vec::new();
        for (level, (strain, pen), birds) in groups_of(self.known, self.birds) {
            for at in 0..self.ages_d.len() {
                let found = |bird: &&usize| {
                    let age = (at, self.ages_d[at]);
                    self.ensemble.bird(**bird, age, self.weights).is_some()
                };
                let mut members: Vec<usize> = birds.iter().filter(found).copied().collect();
                if members.is_empty() {
                    members.clone_from(&birds);
                }
                rows.push(self.group(level, (strain, pen), &members, at));
            }
        }
        rows
    }

    fn group(
        &mut self,
        level: FlockLevel,
        (strain, pen): (Option<usize>, Option<usize>),
        birds: &[usize],
        at: usize,
    ) -> ForecastRow {
        let age_d = self.ages_d[at];
        let members: Vec<(usize, usize, f64)> =
            birds.iter().map(|bird| (*bird, at, age_d)).collect();
        let combined = self.ensemble.mean(&members, self.weights);
        let targets = birds.iter().map(|bird| self.target(*bird, at));
        let target = targets
            .collect::<std::result::Result<Vec<_>, _>>()
            .map(|points| mean_target(&points));
        let mut shares = Vec::new();
        for bird in birds {
            let of_bird = self.ensemble.bird(*bird, (at, age_d), self.weights);
            let chance = self.target(*bird, at).ok().zip(of_bird);
            shares.extend(chance.and_then(|(target, one)| chance_of(&target, &one.forecast)));
        }
        let share =
            (shares.len() == birds.len()).then(|| shares.iter().sum::<f64>() / shares.len() as f64);
        let fan_g = combined.as_ref().map(|one| {
            let [_, half, most] = self.quantiles(one.forecast.df);
            [half, most].map(|quantile| one.forecast.interval(quantile))
        });
        ForecastRow {
            level,
            strain,
            pen,
            n: birds.len(),
            birds_in_band: share,
            fan_g,
            ..self.row(combined, target, age_d, birds)
        }
    }

    fn birds(&mut self) -> Vec<ForecastRow> {
        let mut rows = Vec::new();
        for bird in self.birds {
            for (at, age_d) in self.ages_d.iter().enumerate() {
                let combined = self.ensemble.bird(*bird, (at, *age_d), self.weights);
                let target = self.target(*bird, at);
                let mut row = self.row(combined, target, *age_d, &[*bird]);
                row.strain = Some(self.known.birds[*bird].strain);
                row.pen = self.known.pen_at(*bird, f64::INFINITY);
                row.bird = Some(*bird);
                row.n = self.records().of(*bird).0.len();
                if row.n == 1 {
                    row.flags.push(Flag::OneWeighing);
                }
                rows.push(row);
            }
        }
        rows
    }

    fn records(&self) -> &Records {
        &self.known.traits[self.trait_index]
    }

    fn quantiles(&mut self, df: f64) -> [f64; 3] {
        let levels = [self.confidence, 0.5, 0.8];
        *self
            .quantiles
            .entry(df.to_bits())
            .or_insert_with(|| levels.map(|level| t_two_sided_quantile(level, df)))
    }

    /// What a bird's and a group's row have in common.
    fn row(
        &mut self,
        combined: Option<Combined>,
        target: std::result::Result<TargetPoint, NoTarget>,
        age_d: f64,
        birds: &[usize],
    ) -> ForecastRow {
        let mut flags = Vec::new();
        let records = self.records();
        let ends = birds.iter().filter_map(|bird| records.of(*bird).0.last());
        let end_d = ends.copied().fold(f64::INFINITY, f64::min);
        match &combined {
            None => flags.push(Flag::NotForeseen(end_d)),
            Some(one) if one.shares.iter().all(|part| part.0 == Predictor::OwnModel) => {
                flags.push(Flag::PastPopulation(end_d));
                if self.own_only.is_some_and(|own| own.origin.status == "weak") {
                    flags.push(Flag::WeakPopulation);
                }
            }
            Some(_) => {}
        }
        let forecast = combined.as_ref().map(|one| one.forecast);
        let chance = target.as_ref().ok().zip(forecast);
        let chance = chance.and_then(|(target, forecast)| chance_of(target, &forecast));
        match &target {
            Ok(target) if !target.has_band() => flags.push(Flag::NoBand),
            Ok(_) => {}
            Err(reason) => flags.push(Flag::NoTarget(*reason)),
        }
        ForecastRow {
            level: FlockLevel::Bird,
            strain: None,
            house: None,
            pen: None,
            bird: None,
            age_d: Some(age_d),
            n: 1,
            interval_g: forecast.map(|forecast| forecast.interval(self.quantiles(forecast.df)[0])),
            fan_g: None,
            forecast,
            target,
            chance,
            birds_in_band: None,
            predictors: combined.map(|one| one.shares).unwrap_or_default(),
            flags,
        }
    }

    fn target(&self, bird: usize, at: usize) -> std::result::Result<TargetPoint, NoTarget> {
        let strain = self.known.birds[bird].strain;
        let target = self.targets[strain].as_ref().ok_or(NoTarget::ForStrain)?;
        target_at(&target.trajectory, self.ages_d[at])
    }
}
