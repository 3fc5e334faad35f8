//! Forecasts with what came, put together by horizon: errors, coverage, and whether the intervals
//! covered clearly less than stated.

use std::collections::BTreeMap;

use crate::flock::deviation::FlockLevel;
use crate::stats::distribution::t_upper;
use crate::stats::{mean, squares_about_mean};

/// Errors of the forecasts of one trait at one horizon.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightBacktest {
    /// Index into [`crate::study::Study::traits`].
    pub trait_index: usize,
    /// [`FlockLevel::Bird`] or [`FlockLevel::Strain`]; of unnamed birds [`FlockLevel::Pen`] or
    /// [`FlockLevel::Strain`].
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
    /// Index into [`crate::study::Study::traits`].
    pub trait_index: usize,
    /// Index into [`crate::study::Study::birds`].
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
pub(super) struct Hit {
    pub(super) key: (usize, u8, u32),
    /// Index into [`crate::study::Study::birds`], of one bird's.
    pub(super) bird: usize,
    /// Strain and age from which it was forecast: these hits go wrong together.
    pub(super) cluster: (usize, u64),
    pub(super) error: f64,
    pub(super) value: f64,
    pub(super) held: bool,
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

pub(super) const BIRD: u8 = 0;
pub(super) const STRAIN: u8 = 1;
pub(super) const PEN: u8 = 2;

impl WeightBacktests {
    pub(crate) fn append(&mut self, other: Self) {
        self.rows.extend(other.rows);
        self.weights.extend(other.weights);
        self.in_sample = self.in_sample.or(other.in_sample);
    }
}

/// Whole weeks ahead, to the nearest, one at least.
pub(super) fn weeks_ahead(days: f64) -> u32 {
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

/// The rows of forecasts and what came, by trait, level and horizon.
pub(super) fn rows_of(mut hits: Vec<Hit>, confidence: f64) -> WeightBacktests {
    hits.sort_by_key(|hit| hit.key);
    WeightBacktests {
        rows: hits
            .chunk_by(|a, b| a.key == b.key)
            .map(|hits| summed(hits, confidence))
            .collect(),
        weights: hits.iter().filter_map(Hit::of_bird).collect(),
        in_sample: None,
    }
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
        level: match level {
            BIRD => FlockLevel::Bird,
            PEN => FlockLevel::Pen,
            _ => FlockLevel::Strain,
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
