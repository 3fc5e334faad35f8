//! Subjects whose time follows covariates that are known with an error, and the terms by which it
//! does: see [`measured_event`](super::measured_event), which estimates them.

use nalgebra::{DMatrix, DVector};
use rand::Rng;
use rand_distr::StandardNormal;

use super::late_component::Late;
use super::time_to_event::EventTime;

/// What is known of one subject.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    /// Its group.
    pub group: usize,
    /// What is known before its covariates: its group's typical value of the first.
    pub offset: f64,
    /// Covariates as deviations from the group's typical values; the first in the unit of time.
    pub deviations: Vec<f64>,
    /// Their covariance given the measurements, k x k.
    pub covariance: Vec<f64>,
}

/// Terms of the model.
#[derive(Debug, Clone, PartialEq)]
pub struct EventTerms {
    /// Mean of time minus offset by group, covariates at their typical values.
    pub lags: Vec<f64>,
    /// Effect of one standard deviation of each covariate beyond that of the first one to one.
    pub effects: Vec<f64>,
    /// Standard deviation of the error.
    pub sigma: f64,
    /// The late subjects.
    pub late: Late,
}

impl EventTerms {
    /// Mean and standard deviation of a subject's time if it is on time.
    #[must_use]
    pub fn expect(&self, spreads: &[f64], subject: &Subject) -> (f64, f64) {
        let slopes = slopes(&self.effects, spreads);
        let k = slopes.len();
        let along: f64 = slopes
            .iter()
            .zip(&subject.deviations)
            .map(|(a, u)| a * u)
            .sum();
        let of_error: f64 = (0..k * k)
            .map(|at| slopes[at / k] * subject.covariance[at] * slopes[at % k])
            .sum();
        let mean = subject.offset + self.lags[subject.group] + along;
        (mean, self.sigma.hypot(of_error.max(0.0).sqrt()))
    }

    /// All terms as numbers on which their posterior is near normal: lags, effects, ln sigma,
    /// logit of the share, ln delay.
    #[must_use]
    pub fn numbers(&self) -> Vec<f64> {
        let Late { share, delay } = self.late;
        let mut numbers = self.lags.clone();
        numbers.extend_from_slice(&self.effects);
        numbers.extend([self.sigma.ln(), (share / (1.0 - share)).ln(), delay.ln()]);
        numbers
    }

    /// The terms that [`EventTerms::numbers`] are of; `None` where they are too few.
    #[must_use]
    pub fn of_numbers(numbers: &[f64], groups: usize) -> Option<Self> {
        let effects = numbers.len().checked_sub(groups + 3)?;
        let [log_sigma, logit_share, log_delay] = numbers[groups + effects..] else {
            return None;
        };
        Some(Self {
            lags: numbers[..groups].to_vec(),
            effects: numbers[groups..groups + effects].to_vec(),
            sigma: log_sigma.exp(),
            late: late(logit_share, log_delay),
        })
    }
}

pub(super) fn late(logit_share: f64, log_delay: f64) -> Late {
    let share = 1.0 / (1.0 + (-logit_share).exp());
    Late {
        // Rounding must leave both components.
        share: share.clamp(1e-12, 1.0 - 1e-12),
        delay: log_delay.exp(),
    }
}

/// Log-likelihood of the subjects' times given their measurements.
///
/// # Shapes
/// `times`: one a subject; `spreads`: one a covariate.
#[must_use]
pub fn log_likelihood(
    terms: &EventTerms,
    spreads: &[f64],
    subjects: &[Subject],
    times: &[EventTime],
) -> f64 {
    let each = subjects.iter().zip(times);
    each.map(|(subject, time)| {
        let (mean, spread) = terms.expect(spreads, subject);
        terms.late.log_likelihood(*time, mean, spread).value
    })
    .sum()
}

/// a of `measured_event.rs`: a covariate in which subjects do not differ has no separate effect.
pub(super) fn slopes(effects: &[f64], spreads: &[f64]) -> Vec<f64> {
    let pairs = effects.iter().zip(spreads).enumerate();
    pairs
        .map(|(at, (effect, spread))| {
            let own = if *spread > 0.0 { effect / spread } else { 0.0 };
            own + f64::from(u8::from(at == 0))
        })
        .collect()
}

/// Terms drawn from a normal law about their numbers, as a saved posterior has it.
#[must_use]
pub fn draw_terms_about(
    (mean, covariance): (&[f64], &[f64]),
    groups: usize,
    draws: usize,
    random: &mut impl Rng,
) -> Vec<EventTerms> {
    let n = mean.len();
    let matrix = DMatrix::from_row_slice(n, n, covariance);
    // A covariance that is singular to rounding adds nothing.
    let root = matrix
        .cholesky()
        .map_or_else(|| DMatrix::zeros(n, n), |root| root.l());
    let centre = DVector::from_column_slice(mean);
    let one = |_| {
        let z = DVector::from_fn(n, |_, _| random.sample::<f64, _>(StandardNormal));
        let numbers = &centre + &root * z;
        EventTerms::of_numbers(numbers.as_slice(), groups)
    };
    (0..draws).filter_map(one).collect()
}

/// Mean and covariance of the draws' numbers, row-major.
#[must_use]
pub fn moments(draws: &[EventTerms]) -> (Vec<f64>, Vec<f64>) {
    let rows: Vec<Vec<f64>> = draws.iter().map(EventTerms::numbers).collect();
    let size = rows.first().map_or(0, Vec::len);
    let n = rows.len() as f64;
    let mean: Vec<f64> = (0..size)
        .map(|k| rows.iter().map(|row| row[k]).sum::<f64>() / n)
        .collect();
    let product = |at: usize| {
        let (i, j) = (at / size, at % size);
        let sum: f64 = rows
            .iter()
            .map(|row| (row[i] - mean[i]) * (row[j] - mean[j]))
            .sum();
        sum / (n - 1.0).max(1.0)
    };
    let covariance = (0..size * size).map(product).collect();
    (mean, covariance)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_of_terms_and_back() {
        let terms = EventTerms {
            lags: vec![17.0, 15.0],
            effects: vec![0.5, -1.5],
            sigma: 2.8,
            late: Late {
                share: 0.1,
                delay: 35.0,
            },
        };
        let back = EventTerms::of_numbers(&terms.numbers(), 2).unwrap();
        let pairs = back.numbers().into_iter().zip(terms.numbers());
        assert!(pairs.into_iter().all(|(a, b)| (a - b).abs() < 1e-12));
        assert!(EventTerms::of_numbers(&[1.0, 2.0], 2).is_none());
    }
}
