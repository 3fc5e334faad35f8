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
use crate::flock::deviation::FlockLevel;
use crate::stats::distribution::{t_two_sided_quantile, t_upper};
use crate::stats::{mean, squares_about_mean};
use crate::study::{AgeMatching, OccasionKey, Occasions, Records, Study};
use crate::trajectory::{BirdPopulation, TraitModel};

/// Errors of the forecasts of one trait at one horizon.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightBacktest {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// [`FlockLevel::Bird`] or [`FlockLevel::Strain`].
    pub level: FlockLevel,
    /// Days ahead, in whole weeks (to the nearest).
    pub horizon_d: f64,
    /// Forecasts that came to be known.
    pub n: usize,
    /// Errors in grams.
    pub grams: Errors,
    /// Errors in percent of what was weighed.
    pub percent: Errors,
    /// Percent of intervals that held what was weighed.
    pub coverage_pct: f64,
    /// One-sided P that intervals which cover as stated cover so few: t test of the coverages of
    /// strains at one age from which forecasts were made, since what the birds of one strain
    /// share goes wrong for all; none below three of them.
    pub coverage_p: Option<f64>,
}

/// Errors, forecast minus weighed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Errors {
    /// Their mean.
    pub bias: f64,
    /// Root of their mean square.
    pub rmse: f64,
    /// Mean of their sizes.
    pub mean_absolute: f64,
}

/// A bird's weight as it was forecast, and as it came.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightPrediction {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// Index into [`Study::birds`].
    pub bird: usize,
    /// Days ahead, in whole weeks (to the nearest).
    pub horizon_d: f64,
    /// Forecast, g.
    pub forecast_g: f64,
    /// What was weighed, g.
    pub weighed_g: f64,
    /// Whether the interval held it.
    pub held: bool,
}

/// The backtest, and the forecasts of birds that it rests on.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WeightBacktests {
    /// By trait, level and horizon.
    pub rows: Vec<WeightBacktest>,
    /// By trait and horizon.
    pub weights: Vec<WeightPrediction>,
    /// The share of a saved population's records that are among the study's, where it is so
    /// great that a backtest would be of birds that the population was estimated from:
    /// nothing is forecast then.
    pub in_sample: Option<f64>,
}

/// One forecast and what came.
struct Hit {
    key: (usize, u8, u32),
    /// Index into [`Study::birds`], of one bird's.
    bird: usize,
    /// Strain and age from which it was forecast: these hits go wrong together.
    cluster: (usize, u64),
    error: f64,
    value: f64,
    held: bool,
}

impl Hit {
    fn of_bird(&self) -> Option<WeightPrediction> {
        let (trait_index, level, weeks) = self.key;
        (level == BIRD).then(|| WeightPrediction {
            trait_index,
            bird: self.bird,
            horizon_d: 7.0 * f64::from(weeks),
            forecast_g: self.value + self.error,
            weighed_g: self.value,
            held: self.held,
        })
    }
}

/// Share of a population's records that another flock may have by chance: birds of the same
/// names, hatchlings of 38.1 g each.
const CHANCE: f64 = 0.1;

const BIRD: u8 = 0;
const STRAIN: u8 = 1;

/// Weeks between the ages that the backtest stands at, d.
const EVERY_D: f64 = 21.0;
/// Ages closer together than this count as one, d.
const SAME_D: f64 = 3.5;
/// Forecasts up to this far ahead decide the weights of the predictors, d.
const SCORED_D: f64 = 42.0;

impl WeightBacktests {
    pub(super) fn append(&mut self, other: Self) {
        self.rows.extend(other.rows);
        self.weights.extend(other.weights);
        self.in_sample = self.in_sample.or(other.in_sample);
    }
}

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
    hits.sort_by_key(|hit| hit.key);
    Ok(Tested {
        results: WeightBacktests {
            rows: hits
                .chunk_by(|a, b| a.key == b.key)
                .map(|hits| summed(hits, confidence))
                .collect(),
            weights: hits.iter().filter_map(Hit::of_bird).collect(),
            in_sample: None,
        },
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

/// Whole weeks ahead, to the nearest, one at least.
fn weeks_ahead(days: f64) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 1 and the weeks of a bird's life"
    )]
    let weeks = (days / 7.0).round().clamp(1.0, 1000.0) as u32;
    weeks
}

/// One-sided P of a coverage as low as this, by [`WeightBacktest::coverage_p`].
fn coverage_p(hits: impl Iterator<Item = ((usize, u64), bool)>, confidence: f64) -> Option<f64> {
    let mut clusters: BTreeMap<(usize, u64), (f64, f64)> = BTreeMap::new();
    for (cluster, held) in hits {
        let (all, inside) = clusters.entry(cluster).or_default();
        *all += 1.0;
        *inside += f64::from(u8::from(held));
    }
    let shares: Vec<f64> = clusters
        .values()
        .map(|(all, inside)| inside / all)
        .collect();
    let n = shares.len() as f64;
    if n < 3.0 {
        return None;
    }
    let below = confidence - mean(&shares);
    let std_error = (squares_about_mean(&shares) / (n - 1.0) / n).sqrt();
    if std_error > 0.0 {
        return Some(t_upper(below / std_error, n - 1.0));
    }
    Some(if below > 0.0 { 0.0 } else { 1.0 })
}

fn summed(hits: &[Hit], confidence: f64) -> WeightBacktest {
    let (trait_index, level, weeks) = hits[0].key;
    let errors = |of: &dyn Fn(&Hit) -> f64| {
        let n = hits.len() as f64;
        let mean = |of: &dyn Fn(f64) -> f64, from: &dyn Fn(&Hit) -> f64| {
            hits.iter().map(|hit| of(from(hit))).sum::<f64>() / n
        };
        Errors {
            bias: mean(&|error| error, of),
            rmse: mean(&|error| error * error, of).sqrt(),
            mean_absolute: mean(&f64::abs, of),
        }
    };
    let coverage = hits.iter().filter(|hit| hit.held).count() as f64 / hits.len() as f64;
    WeightBacktest {
        trait_index,
        level: if level == BIRD {
            FlockLevel::Bird
        } else {
            FlockLevel::Strain
        },
        horizon_d: 7.0 * f64::from(weeks),
        n: hits.len(),
        grams: errors(&|hit| hit.error),
        percent: errors(&|hit| 100.0 * hit.error / hit.value),
        coverage_pct: 100.0 * coverage,
        coverage_p: coverage_p(hits.iter().map(|hit| (hit.cluster, hit.held)), confidence),
    }
}

/// Coverage, in points of percent below what is stated, from which the intervals of a trait
/// are not to be relied on.
const ASTRAY_POINTS: f64 = 15.0;

/// Share of flocks with sound intervals that may be flagged, a trait.
const FALSE_WARNINGS: f64 = 0.01;

/// The least coverage (percent) among the horizons at which birds' intervals covered clearly
/// less than stated; none where none did.
pub(super) fn astray(
    tested: &[WeightBacktest],
    trait_index: usize,
    confidence: f64,
) -> Option<f64> {
    let of_birds =
        |row: &&WeightBacktest| row.trait_index == trait_index && row.level == FlockLevel::Bird;
    let own: Vec<&WeightBacktest> = tested.iter().filter(of_birds).collect();
    let chance = FALSE_WARNINGS / own.len().max(1) as f64;
    own.into_iter()
        .filter(|row| row.coverage_pct < 100.0 * confidence - ASTRAY_POINTS)
        .filter(|row| row.coverage_p.is_some_and(|p| p < chance))
        .map(|row| row.coverage_pct)
        .min_by(f64::total_cmp)
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};

    use super::*;

    /// Backtest rows of three strains of four birds, forecast from six ages, one to six weeks ahead.
    /// A quarter of each forecast's error variance is shared by the strain's birds; intervals are
    /// those of the whole variance, of forecasts off by `bias` standard deviations.
    fn flock(bias: f64, seed: u64) -> Vec<WeightBacktest> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
        let mut hits = Vec::new();
        for (strain, from) in (0..3).flat_map(|strain| (0..6_u64).map(move |from| (strain, from))) {
            for weeks in 1..=6 {
                let shared = 0.5 * normal();
                for bird in 0..4 {
                    let error = bias + shared + 0.75_f64.sqrt() * normal();
                    hits.push(Hit {
                        key: (0, BIRD, weeks),
                        bird: 4 * strain + bird,
                        cluster: (strain, from),
                        error,
                        value: 100.0,
                        held: error.abs() <= 1.959_964,
                    });
                }
            }
        }
        hits.sort_by_key(|hit| hit.key);
        let rows = hits.chunk_by(|a, b| a.key == b.key);
        rows.map(|hits| summed(hits, 0.95)).collect()
    }

    #[test]
    fn sound_intervals_are_not_called_unreliable() {
        let wrong = (0..400).filter(|seed| astray(&flock(0.0, *seed), 0, 0.95).is_some());
        let wrong = wrong.count();
        // 5 % of 400 flocks.
        assert!(wrong <= 20, "{wrong} of 400");
    }

    #[test]
    fn forecasts_that_go_astray_are_called_so() {
        let found = (0..100).filter(|seed| astray(&flock(2.5, *seed), 0, 0.95).is_some());
        let found = found.count();
        assert!(found >= 95, "{found} of 100");
    }

    #[test]
    fn few_forecasts_of_one_strain_are_no_warning() {
        // The least coverage of rows of one to four forecasts: what used to be taken.
        let hits = [((0, 1), false), ((0, 1), false)];
        assert_eq!(coverage_p(hits.into_iter(), 0.95), None);
    }
}
