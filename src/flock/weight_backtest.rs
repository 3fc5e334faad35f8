//! How well would the forecasts of weights have come true?
//!
//! As of the ages at which people decide (every third week from the middle of the study, and
//! the ages that the study names, such as transfer and light stimulation) what came is hidden,
//! the predictors forecast from what was known, and that is set against the weighings that
//! came: each bird's, and the mean of each strain's birds on one occasion. The flock's own
//! model is fitted again to what was known, its curve and structure being those chosen for
//! the whole; a saved population is taken as it is. The predictors' weights as of an age are
//! those of all other ages.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::own_models::{Sources, own_source};
use super::predictors::{Ensemble, Weights, may_describe};
use super::stacking::PastScores;
use crate::error::Result;
use crate::fit::mixed::Forecast;
use crate::flock::backtest_rows::{BIRD, Hit, STRAIN, WeightBacktests, rows_of, weeks_ahead};
use crate::stats::distribution::t_two_sided_quantile;
use crate::stats::mean;
use crate::study::{AgeMatching, OccasionKey, Occasions, Records, Study};
use crate::trajectory::{BirdPopulation, TraitModel};

/// Share of a population's records that another flock may have by chance: birds of the same
/// names, hatchlings of 38.1 g each.
const CHANCE: f64 = 0.1;

/// Weeks between the ages that the backtest stands at, d.
const EVERY_D: f64 = 21.0;
/// Ages closer together than this count as one, d.
const SAME_D: f64 = 3.5;
/// Forecasts up to this far ahead decide the weights of the predictors, d.
const SCORED_D: f64 = 42.0;

/// The backtest of one trait, and its comparison of the predictors.
pub(super) struct Tested {
    pub(super) results: WeightBacktests,
    pub(super) weights: Weights,
}

/// What was forecast as of one age.
struct AsOf {
    as_of_d: f64,
    /// The birds that were followed further.
    birds: Vec<usize>,
    /// Records of each bird known then.
    seen: Vec<usize>,
    ensemble: Ensemble,
    scores: PastScores,
}

/// Backtests the forecasts of one trait by its predictors. Ages as of which nobody could have
/// forecast are left out.
///
/// # Errors
/// As [`super::forecast`].
pub(super) fn backtest(
    known: &Study,
    sources: &Sources<'_>,
    named_ages_d: &[f64],
    confidence: f64,
    done: &(dyn Fn() + Sync),
) -> Result<Tested> {
    let records = &known.traits[sources.trait_index];
    if let Some(share) = in_sample(known, sources, records) {
        return Ok(Tested {
            results: WeightBacktests {
                in_sample: Some(share),
                ..WeightBacktests::default()
            },
            weights: PastScores::default().weights(None),
        });
    }
    let ages_d = ages_to_stand_at(known, records, named_ages_d);
    let made: Result<Vec<AsOf>> = ages_d
        .into_par_iter()
        .map(|as_of_d| {
            let made = AsOf::of(known, sources, as_of_d);
            done();
            made
        })
        .collect();
    let made = made?;
    let mut scores = PastScores::default();
    for one in &made {
        scores.append(one.scores.clone());
    }
    let mut hits: Vec<Hit> = Vec::new();
    for one in &made {
        let weights = scores.weights(Some(one.as_of_d));
        one.hits(
            known,
            sources.trait_index,
            (&weights, confidence),
            &mut hits,
        );
    }
    Ok(Tested {
        results: rows_of(hits, confidence),
        weights: scores.weights(None),
    })
}

/// The share of a saved population's records that are among the study's, where it is more
/// than [`CHANCE`].
fn in_sample(study: &Study, sources: &Sources<'_>, records: &Records) -> Option<f64> {
    let origin = &sources.saved.as_ref()?.population.origin;
    Some(origin.fingerprint.share_in(study, records)).filter(|share| *share > CHANCE)
}

/// Every third week from the middle of the records on, and the ages named: each the last age
/// by then at which a bird was measured that was measured again.
fn ages_to_stand_at(study: &Study, records: &Records, named_ages_d: &[f64]) -> Vec<f64> {
    let mut followed_d: Vec<f64> = Vec::new();
    for bird in 0..study.birds.len() {
        let (ages_d, _) = records.of(bird);
        followed_d.extend(ages_d.split_last().map_or(&[][..], |(_, before)| before));
    }
    followed_d.sort_by(f64::total_cmp);
    let (Some(first_d), Some(last_followed_d)) = (followed_d.first(), followed_d.last()) else {
        return Vec::new();
    };
    let last_d = records.ages_d.iter().copied().fold(0.0, f64::max);
    let middle_d = 0.5 * (first_d + last_d);
    let ends_d = last_followed_d + SAME_D;
    let named = named_ages_d.iter().filter(|age_d| **age_d <= ends_d);
    let mut asked: Vec<f64> = named.copied().collect();
    let mut next_d = middle_d;
    while next_d <= ends_d {
        asked.push(next_d);
        next_d += EVERY_D;
    }
    let mut chosen: Vec<f64> = Vec::new();
    for age_d in asked {
        let by_then = followed_d.partition_point(|followed| *followed <= age_d + 0.5);
        if by_then > 0 {
            chosen.push(followed_d[by_then - 1]);
        }
    }
    chosen.sort_by(f64::total_cmp);
    chosen.dedup_by(|later, kept| *later - *kept < SAME_D);
    chosen
}

impl AsOf {
    fn of(study: &Study, sources: &Sources<'_>, as_of_d: f64) -> Result<Self> {
        let known = study.as_of_occasion(as_of_d);
        let trait_index = sources.trait_index;
        let (records, later) = (&known.traits[trait_index], &study.traits[trait_index]);
        let counts: Vec<usize> = (0..study.birds.len())
            .map(|bird| records.of(bird).0.len())
            .collect();
        let comes = |bird: &usize| counts[*bird] > 0 && later.of(*bird).0.len() > counts[*bird];
        let birds: Vec<usize> = (0..study.birds.len()).filter(comes).collect();
        let own = own_as_of(study, &known, sources)?;
        let own = own.as_ref().map(own_source);
        let list: Vec<_> = own.into_iter().chain(sources.saved).collect();
        let ensemble = Ensemble::of(
            &known,
            (trait_index, &sources.targets),
            &list,
            &birds,
            &|bird| &later.of(bird).0[counts[bird]..],
        )?;
        let mut scores = PastScores::default();
        for bird in &birds {
            let (ages_d, values) = later.of(*bird);
            let seen = counts[*bird];
            for at in seen..ages_d.len() {
                if ages_d[at] - as_of_d <= SCORED_D {
                    let each = ensemble.each(*bird, (at - seen, ages_d[at]));
                    scores.enter((study.birds[*bird].strain, as_of_d), &each, values[at]);
                }
            }
        }
        Ok(Self {
            as_of_d,
            seen: birds.iter().map(|bird| counts[*bird]).collect(),
            birds,
            ensemble,
            scores,
        })
    }

    /// The forecasts against what came.
    fn hits(
        &self,
        study: &Study,
        trait_index: usize,
        (weights, confidence): (&Weights, f64),
        hits: &mut Vec<Hit>,
    ) {
        let later = &study.traits[trait_index];
        let mut quantiles: BTreeMap<u64, f64> = BTreeMap::new();
        let mut hit =
            |level: u8, (strain, bird): (usize, usize), forecast: &Forecast, value: f64| {
                let quantile = *quantiles
                    .entry(forecast.df.to_bits())
                    .or_insert_with(|| t_two_sided_quantile(confidence, forecast.df));
                let (lower, upper) = forecast.interval(quantile);
                hits.push(Hit {
                    key: (
                        trait_index,
                        level,
                        weeks_ahead(forecast.age_d - self.as_of_d),
                    ),
                    bird,
                    cluster: (strain, self.as_of_d.to_bits()),
                    error: forecast.value - value,
                    value,
                    held: lower <= value && value <= upper,
                });
            };
        // Birds of one strain forecast for one occasion: (strain, occasion) and who.
        type Member = (usize, usize, f64);
        let mut together: Vec<(usize, OccasionKey, Member, f64)> = Vec::new();
        let clock = Occasions::of(study, later, AgeMatching::default());
        for (bird, seen) in self.birds.iter().zip(&self.seen) {
            let (ages_d, values) = later.of(*bird);
            let keys = clock.of_bird(later, *bird);
            for at in *seen..ages_d.len() {
                let age = (at - seen, ages_d[at]);
                if let Some(combined) = self.ensemble.bird(*bird, age, weights) {
                    let strain = study.birds[*bird].strain;
                    hit(BIRD, (strain, *bird), &combined.forecast, values[at]);
                    let member = (*bird, age.0, age.1);
                    together.push((strain, keys[at], member, values[at]));
                }
            }
        }
        together.sort_by(|a, b| {
            let days = a.0.cmp(&b.0).then(a.1.day.total_cmp(&b.1.day));
            days.then(a.1.batch.cmp(&b.1.batch))
        });
        for group in together.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
            let members: Vec<Member> = group.iter().map(|row| row.2).collect();
            let values: Vec<f64> = group.iter().map(|row| row.3).collect();
            if let Some(combined) = self.ensemble.mean(&members, weights) {
                let strain = group[0].0;
                hit(
                    STRAIN,
                    (strain, usize::MAX),
                    &combined.forecast,
                    mean(&values),
                );
            }
        }
    }
}

/// The flock's own population as of an age, fitted again with the curve and structure chosen
/// for the whole; none where it would not be used at an age that came.
fn own_as_of(
    study: &Study,
    known: &Study,
    sources: &Sources<'_>,
) -> Result<Option<BirdPopulation>> {
    let (Ok(whole), Some(fit)) = (&sources.own, sources.model.and_then(TraitModel::fitted)) else {
        return Ok(None);
    };
    if !may_describe(study, known, (sources.trait_index, &sources.targets), whole)? {
        return Ok(None);
    }
    fit.again(known, sources.groups)
        .bird_population(known, sources.groups)
}
