//! Weights of predictors from how their past forecasts came true.
//!
//! Stacking of predictive distributions: the weights maximise the sum of the logarithms of the
//! mixture's density at what came. The forecasts of one strain as of one age go wrong
//! together, so each such cluster counts as one: by the geometric mean of its densities. The
//! prior is Dirichlet with parameters of 2: without a past all predictors weigh the same, and
//! none is ever left out altogether.
//!
//! Source: Yao Y, Vehtari A, Simpson D, Gelman A 2018, Using stacking to average Bayesian
//! predictive distributions, Bayesian Analysis 13:917-1007 (from memory).

use std::collections::BTreeMap;

use super::predictors::{OF_WEIGHT, Predictor, Weights};
use crate::fit::mixed::Forecast;

/// Steps of the grid over the weights.
const STEPS: usize = 40;

/// Logarithms of the densities of what came, by predictor and cluster.
#[derive(Debug, Clone, Default)]
pub(super) struct PastScores {
    /// Strain and age as of which; sums of log densities and their number, and which
    /// predictors were used.
    clusters: BTreeMap<(usize, u64), Vec<Score>>,
}

#[derive(Debug, Clone, Copy)]
struct Score {
    log_density: [Option<f64>; 3],
}

impl PastScores {
    /// Enters what came of a bird of a strain, forecast as of an age, beside its forecasts.
    pub(super) fn enter(
        &mut self,
        (strain, as_of_d): (usize, f64),
        forecasts: &[(Predictor, Forecast)],
        came: f64,
    ) {
        let mut log_density = [None; 3];
        for (predictor, forecast) in forecasts {
            if let Some(place) = OF_WEIGHT.iter().position(|own| own == predictor) {
                log_density[place] = Some(log_density_of(forecast, came));
            }
        }
        if log_density.iter().flatten().count() > 1 {
            let cluster = self.clusters.entry((strain, as_of_d.to_bits()));
            cluster.or_default().push(Score { log_density });
        }
    }

    pub(super) fn append(&mut self, other: Self) {
        for (cluster, scores) in other.clusters {
            self.clusters.entry(cluster).or_default().extend(scores);
        }
    }

    /// The weights; `without` leaves out what was forecast as of one age.
    pub(super) fn weights(&self, without: Option<f64>) -> Weights {
        let mut clusters: Vec<[Option<f64>; 3]> = Vec::new();
        for ((_, as_of), scores) in &self.clusters {
            if without.is_some_and(|age_d| age_d.to_bits() == *as_of) {
                continue;
            }
            // Predictors that were used for every one of the cluster's commonest set.
            let mut by_set: BTreeMap<[bool; 3], Vec<&Score>> = BTreeMap::new();
            for score in scores {
                by_set
                    .entry(score.log_density.map(|density| density.is_some()))
                    .or_default()
                    .push(score);
            }
            let Some((set, same)) = by_set.into_iter().max_by_key(|(_, same)| same.len()) else {
                continue;
            };
            let n = same.len() as f64;
            clusters.push(std::array::from_fn(|place| {
                let sum: f64 = same.iter().filter_map(|one| one.log_density[place]).sum();
                set[place].then_some(sum / n)
            }));
        }
        best(&clusters)
    }
}

fn log_density_of(forecast: &Forecast, came: f64) -> f64 {
    let z = forecast.standardised(came);
    let unit = if forecast.logarithmic { came } else { 1.0 };
    // Far out all are equally wrong: a density is never quite zero.
    (-0.5 * z * z - forecast.prediction_error.ln() - unit.ln()).max(-700.0)
}

fn best(clusters: &[[Option<f64>; 3]]) -> Weights {
    let mut found = ([1.0 / 3.0; 3], f64::NEG_INFINITY);
    let mut consider = |weights: Weights| {
        let prior: f64 = weights.iter().map(|weight| weight.ln()).sum();
        let score = prior + clusters.iter().map(|one| score(one, &weights)).sum::<f64>();
        if score > found.1 {
            found = (weights, score);
        }
    };
    consider([1.0 / 3.0; 3]);
    let share = |step: usize| (step as f64 + 0.5) / (STEPS as f64 + 1.5);
    for first in 0..=STEPS {
        for second in 0..=STEPS - first {
            consider([share(first), share(second), share(STEPS - first - second)]);
        }
    }
    found.0
}

/// Logarithm of the mixture's density in a cluster, among the predictors that were used.
fn score(cluster: &[Option<f64>; 3], weights: &Weights) -> f64 {
    let most = cluster.iter().flatten().copied();
    let most = most.fold(f64::NEG_INFINITY, f64::max);
    let (mut sum, mut of_weights) = (0.0, 0.0);
    for (density, weight) in cluster.iter().zip(weights) {
        if let Some(density) = density {
            sum += weight * (density - most).exp();
            of_weights += weight;
        }
    }
    most + (sum / of_weights).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn forecast(value: f64, error: f64) -> Forecast {
        Forecast {
            age_d: 100.0,
            value,
            standard_error: error,
            prediction_error: error,
            df: 50.0,
            logarithmic: false,
        }
    }

    #[test]
    fn without_a_past_all_weigh_the_same() {
        let weights = PastScores::default().weights(None);
        assert!(
            weights
                .iter()
                .all(|weight| (weight - 1.0 / 3.0).abs() < 1e-12)
        );
    }

    #[test]
    fn the_predictor_that_came_true_weighs_most() {
        let mut past = PastScores::default();
        for cluster in 0..6_u8 {
            let forecasts = [
                (Predictor::OwnModel, forecast(900.0, 30.0)),
                (Predictor::RelativeToTarget, forecast(1000.0, 30.0)),
            ];
            past.enter((0, f64::from(cluster)), &forecasts, 1010.0);
        }
        let [own, saved, relative] = past.weights(None);
        assert!(
            relative > 0.5 && own < 0.25 && saved > 0.0,
            "{own} {saved} {relative}"
        );
        let left_out = past.weights(Some(0.0));
        assert!(left_out[2] < relative);
    }
}
