//! How well would the forecasts of weights have come true?
//!
//! As of each of the last ages from which birds were followed further, what came is hidden,
//! the population fitted to what was known (a saved one is taken as it is), the forecast
//! made, and set against the weighings that came: each bird's, and the mean of each strain's
//! birds on one occasion.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::forecast::PopulationFrom;

use super::trait_population::{only_trait, populations};
use crate::error::Result;
use crate::fit::mixed::Forecast;
use crate::flock::deviation::Level;
use crate::flock::known_birds::KnownBirds;
use crate::stats::distribution::t_upper;
use crate::stats::{mean, squares_about_mean};
use crate::study::{AgeMatching, OccasionKey, Occasions, Records, Study};

/// Errors of the forecasts of one trait at one horizon.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightBacktest {
    /// Index into [`Study::traits`].
    pub trait_index: usize,
    /// [`Level::Bird`] or [`Level::Strain`].
    pub level: Level,
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

/// Errors, forecast less weighed.
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
pub struct ForetoldWeight {
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
    pub weights: Vec<ForetoldWeight>,
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
    fn of_bird(&self) -> Option<ForetoldWeight> {
        let (trait_index, level, weeks) = self.key;
        (level == BIRD).then(|| ForetoldWeight {
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

/// Backtests by trait, level and horizon, as of the `most` last ages at which birds were
/// measured that were measured again.
///
/// These ages lie a week apart at least: of a trait that is measured daily each seventh day,
/// of one that is scanned every third week each scan. Ages as of which no population could
/// be fitted are left out.
///
/// # Errors
/// As [`super::forecast`].
pub fn weight_backtest(
    study: &Study,
    from: PopulationFrom<'_>,
    (last_d, most): (f64, u8),
    confidence: f64,
    done: &(dyn Fn() + Sync),
) -> Result<WeightBacktests> {
    let shown = study.as_of(last_d);
    if let Some(share) = in_sample(&shown, from) {
        return Ok(WeightBacktests {
            in_sample: Some(share),
            ..WeightBacktests::default()
        });
    }
    let mut asked = Vec::new();
    for (trait_index, records) in shown.traits.iter().enumerate() {
        let ages_d = ages_to_stand_at(followed_d(&shown, records), usize::from(most));
        asked.extend(ages_d.into_iter().map(|as_of_d| (trait_index, as_of_d)));
    }
    let made: Result<Vec<Vec<Hit>>> = asked
        .into_par_iter()
        .map(|(trait_index, as_of_d)| {
            let only = only_trait(&shown, trait_index);
            let hits = hits_as_of(&only, from, as_of_d, confidence);
            done();
            hits
        })
        .collect();
    let mut hits: Vec<Hit> = made?.into_iter().flatten().collect();
    hits.sort_by_key(|hit| hit.key);
    Ok(WeightBacktests {
        rows: hits
            .chunk_by(|a, b| a.key == b.key)
            .map(|hits| summed(hits, confidence))
            .collect(),
        weights: hits.iter().filter_map(Hit::of_bird).collect(),
        in_sample: None,
    })
}

/// The share of a saved population's records that are among the study's, where it is more
/// than [`CHANCE`].
fn in_sample(study: &Study, from: PopulationFrom<'_>) -> Option<f64> {
    let PopulationFrom::Saved { population, .. } = from else {
        return None;
    };
    let origin = &population.origin;
    let records = study
        .traits
        .iter()
        .find(|records| records.name == origin.trait_name)?;
    Some(origin.fingerprint.share_in(study, records)).filter(|share| *share > CHANCE)
}

/// Ages at which a bird was measured that was measured again later, each as often.
fn followed_d(study: &Study, records: &Records) -> Vec<f64> {
    let of_bird = |bird: usize| {
        records
            .of(bird)
            .0
            .split_last()
            .map_or(&[][..], |(_, before)| before)
    };
    let birds = 0..study.birds.len();
    birds.flat_map(of_bird).copied().collect()
}

/// The last of these ages, a week apart at least, the latest first. Half a day less will do:
/// birds of one hatch day are weighed on the same day, at ages that are rounded.
fn ages_to_stand_at(mut ages_d: Vec<f64>, most: usize) -> Vec<f64> {
    ages_d.sort_by(|a, b| b.total_cmp(a));
    let mut chosen: Vec<f64> = Vec::new();
    for age_d in ages_d {
        if chosen.len() < most && chosen.last().is_none_or(|later_d| later_d - age_d >= 6.5) {
            chosen.push(age_d);
        }
    }
    chosen
}

fn hits_as_of(
    study: &Study,
    from: PopulationFrom<'_>,
    as_of_d: f64,
    confidence: f64,
) -> Result<Vec<Hit>> {
    let known = study.as_of(as_of_d);
    let mut hits = Vec::new();
    if known.traits.iter().all(|records| records.values.is_empty()) {
        return Ok(hits);
    }
    let taken_for = match from {
        PopulationFrom::Saved { taken_for, .. } => taken_for,
        PopulationFrom::Flock(_) => &[],
    };
    for (trait_index, population) in populations(&known, from)? {
        let Ok(population) = population else { continue };
        let (records, later) = (&known.traits[trait_index], &study.traits[trait_index]);
        let groups = population.groups_of(&known, records, taken_for)?;
        let comes = |bird: usize| later.of(bird).0.len() > records.of(bird).0.len();
        let birds = KnownBirds::of(&known, records, &population, &groups, comes);
        // What came of each subject.
        let hidden = |subject: usize| {
            let bird = birds.birds[subject];
            let seen = records.of(bird).0.len();
            let (ages_d, values) = later.of(bird);
            (&ages_d[seen..], &values[seen..])
        };
        let forecasts = population
            .population
            .forecast(&birds.subjects()?, |subject| hidden(subject).0)?;
        let quantile = forecasts.quantile(confidence);
        let mut hit =
            |level: u8, (strain, bird): (usize, usize), forecast: &Forecast, value: f64| {
                let (lower, upper) = forecast.interval(quantile);
                hits.push(Hit {
                    key: (trait_index, level, weeks_ahead(forecast.age_d - as_of_d)),
                    bird,
                    cluster: (strain, as_of_d.to_bits()),
                    error: forecast.value - value,
                    value,
                    held: lower <= value && value <= upper,
                });
            };
        // Birds of one strain forecast for one occasion: (strain, occasion) and who.
        let mut together: Vec<(usize, OccasionKey, (usize, usize))> = Vec::new();
        let clock = Occasions::of(study, later, AgeMatching::default());
        for subject in 0..forecasts.len() {
            let (_, values) = hidden(subject);
            for (at, value) in values.iter().enumerate() {
                if let Some(forecast) = forecasts.of(subject, at) {
                    let bird = birds.birds[subject];
                    let strain = known.birds[bird].strain;
                    hit(BIRD, (strain, bird), &forecast, *value);
                    let seen = records.of(bird).0.len();
                    let key = clock.of_bird(later, bird)[seen + at];
                    together.push((strain, key, (subject, at)));
                }
            }
        }
        together.sort_by(|a, b| {
            let days = a.0.cmp(&b.0).then(a.1.day.total_cmp(&b.1.day));
            days.then(a.1.batch.cmp(&b.1.batch))
        });
        for group in together.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
            let members: Vec<(usize, usize)> = group.iter().map(|row| row.2).collect();
            let values = members.iter().map(|(subject, at)| hidden(*subject).1[*at]);
            #[expect(clippy::cast_precision_loss, reason = "a count of birds")]
            let mean = values.sum::<f64>() / members.len() as f64;
            if let Some(forecast) = forecasts.mean_of(&members) {
                hit(STRAIN, (group[0].0, usize::MAX), &forecast, mean);
            }
        }
    }
    Ok(hits)
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
        #[expect(clippy::cast_precision_loss, reason = "a count of forecasts")]
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
    #[expect(clippy::cast_precision_loss, reason = "a count of forecasts")]
    let coverage = hits.iter().filter(|hit| hit.held).count() as f64 / hits.len() as f64;
    WeightBacktest {
        trait_index,
        level: if level == BIRD {
            Level::Bird
        } else {
            Level::Strain
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
        |row: &&WeightBacktest| row.trait_index == trait_index && row.level == Level::Bird;
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
