//! How well would the forecasts of weights have come true?
//!
//! As of each of the last ages from which birds were followed further, what came is hidden,
//! the population fitted to what was known (a saved one is taken as it is), the forecast
//! made, and set against the weighings that came: each bird's, and the mean of each strain's
//! birds of one age.

use rayon::prelude::*;

use super::forecast::PopulationFrom;

use super::trait_population::{only_trait, populations};
use crate::error::Result;
use crate::fit::mixed::Forecast;
use crate::flock::deviation::Level;
use crate::flock::known_birds::KnownBirds;
use crate::flock::occasion::AgeMatching;
use crate::study::{Records, Study};

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
        rows: hits.chunk_by(|a, b| a.key == b.key).map(summed).collect(),
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
        let mut hit = |level: u8, bird: usize, forecast: &Forecast, value: f64| {
            let (lower, upper) = forecast.interval(quantile);
            hits.push(Hit {
                key: (trait_index, level, weeks_ahead(forecast.age_d - as_of_d)),
                bird,
                error: forecast.value - value,
                value,
                held: lower <= value && value <= upper,
            });
        };
        // Birds of one strain forecast for one age: (strain, age) and who.
        let mut together: Vec<(usize, f64, (usize, usize))> = Vec::new();
        for subject in 0..forecasts.len() {
            let (ages_d, values) = hidden(subject);
            for (at, (age_d, value)) in ages_d.iter().zip(values).enumerate() {
                if let Some(forecast) = forecasts.of(subject, at) {
                    let bird = birds.birds[subject];
                    hit(BIRD, bird, &forecast, *value);
                    let strain = known.birds[bird].strain;
                    let age_d = AgeMatching::default().key(*age_d);
                    together.push((strain, age_d, (subject, at)));
                }
            }
        }
        together.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        for group in together.chunk_by(|a, b| a.0 == b.0 && a.1.total_cmp(&b.1).is_eq()) {
            let members: Vec<(usize, usize)> = group.iter().map(|row| row.2).collect();
            let values = members.iter().map(|(subject, at)| hidden(*subject).1[*at]);
            #[expect(clippy::cast_precision_loss, reason = "a count of birds")]
            let mean = values.sum::<f64>() / members.len() as f64;
            if let Some(forecast) = forecasts.mean_of(&members) {
                hit(STRAIN, usize::MAX, &forecast, mean);
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

fn summed(hits: &[Hit]) -> WeightBacktest {
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
    }
}
