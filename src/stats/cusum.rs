//! Cumulative sums: when have standard normal scores changed their mean?
//!
//! S+ = max(0, S+ + z - k), S- likewise of -z; an alarm where one exceeds the limit h. With
//! k = 1/2 a lasting change by one standard deviation is found soonest. The limit is set so
//! that a series without a change gives an alarm within its m scores with a stated
//! probability: the run length's distribution of each side by a Markov chain over the sum's
//! range, half of the probability on each side (both sides alarm together so seldom that
//! this is no looser than stated).
//!
//! # Source
//! Page ES 1954, Continuous inspection schemes, Biometrika 41:100-115; Brook D and Evans DA
//! 1972, An approach to the probability distribution of cusum run length, Biometrika
//! 59:539-549.

use super::distribution::normal_lower;

/// What is let pass of each score.
pub const ALLOWANCE: f64 = 0.5;
/// States of the chain: with 60 the run length's probabilities are good to three digits.
const STATES: usize = 60;

/// The sum of the side of high scores after one more score; of the other side by `-score`.
#[must_use]
pub fn next_sum(sum: f64, score: f64) -> f64 {
    (sum + score - ALLOWANCE).max(0.0)
}

/// The limit at which a series of this number of scores without a change gives an alarm with this
/// probability.
#[must_use]
pub fn limit(scores: usize, false_alarms: f64) -> f64 {
    let (mut low, mut high) = (0.0, 30.0);
    // To a thousandth: finer than the chain.
    while high - low > 1e-3 {
        let middle = 0.5 * (low + high);
        if alarm_probability(middle, scores) > 0.5 * false_alarms {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Probability that one side passes `limit` within this number of scores without a change.
fn alarm_probability(limit: f64, scores: usize) -> f64 {
    let chain = Chain::new(limit);
    let mut here = vec![0.0; STATES];
    here[0] = 1.0;
    for _ in 0..scores {
        here = chain.step(&here);
    }
    1.0 - here.iter().sum::<f64>()
}

/// Transition probabilities between the states 0 to h, `STATES` x `STATES`.
struct Chain(Vec<f64>);

impl Chain {
    fn new(limit: f64) -> Self {
        let number = |at: usize| at as f64;
        // State i stands for sums around i w; the limit is the upper edge of the last.
        let width = 2.0 * limit / (2.0 * number(STATES) - 1.0);
        let mut probabilities = vec![0.0; STATES * STATES];
        for from in 0..STATES {
            for to in 0..STATES {
                let centre = (number(to) - number(from)) * width + ALLOWANCE;
                let above = normal_lower(centre + 0.5 * width);
                probabilities[from * STATES + to] = if to == 0 {
                    above
                } else {
                    above - normal_lower(centre - 0.5 * width)
                };
            }
        }
        Self(probabilities)
    }

    fn step(&self, here: &[f64]) -> Vec<f64> {
        let mut next = vec![0.0; STATES];
        for (from, share) in here.iter().enumerate() {
            let row = &self.0[from * STATES..(from + 1) * STATES];
            for (next, probability) in next.iter_mut().zip(row) {
                *next += share * probability;
            }
        }
        next
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn run_lengths_are_those_of_the_textbooks() {
        // Average run lengths of the two-sided cusum with k = 1/2 are 168 at h = 4 and 465 at
        // h = 5 (Montgomery, Introduction to statistical quality control, table of the tabular
        // cusum; from memory), twice that of one side. Three printed digits.
        for (limit, both_sides) in [(4.0, 168.0), (5.0, 465.0)] {
            let chain = Chain::new(limit);
            let (mut here, mut length) = (vec![0.0; STATES], 0.0);
            here[0] = 1.0;
            // The rest after 20,000 steps is below 1e-8.
            for _ in 0..20_000 {
                length += here.iter().sum::<f64>();
                here = chain.step(&here);
            }
            assert!(
                (length / (2.0 * both_sides) - 1.0).abs() < 5e-3,
                "{limit} {length}"
            );
        }
    }

    /// Montgomery DC, Introduction to statistical quality control, example of the tabular cusum
    /// (target 10, sigma 1, k 1/2, h 5): 30 values and the upper sums as printed, to two digits;
    /// the alarm is at value 29, seven values after the last zero.
    #[test]
    fn sums_are_those_of_the_published_example() {
        let values = [
            9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51,
            9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08,
            10.38, 11.62, 11.31,
        ];
        let printed = [
            0.0, 0.0, 0.0, 1.16, 2.82, 2.50, 0.04, 1.00, 0.0, 0.0, 0.0, 0.97, 0.98, 0.0, 0.0, 0.0,
            0.12, 0.0, 0.0, 0.34, 0.74, 0.0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28,
        ];
        let mut sum = 0.0;
        for (value, printed) in values.iter().zip(printed) {
            sum = next_sum(sum, value - 10.0);
            assert!((sum - printed).abs() < 5e-3 + 1e-9, "{sum} {printed}");
        }
    }

    #[test]
    fn a_limit_gives_as_many_false_alarms_as_stated() {
        use rand::SeedableRng as _;
        use rand_distr::{Distribution as _, StandardNormal};
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let (scores, series) = (10, 40_000);
        let limit = limit(scores, 0.05);
        let mut alarms = 0;
        for _ in 0..series {
            let (mut up, mut down, mut alarm) = (0.0_f64, 0.0_f64, false);
            for _ in 0..scores {
                let z: f64 = StandardNormal.sample(&mut random);
                up = next_sum(up, z);
                down = next_sum(down, -z);
                alarm |= up > limit || down > limit;
            }
            alarms += usize::from(alarm);
        }
        let rate = f64::from(u32::try_from(alarms).unwrap()) / f64::from(series);
        // Binomial standard error of 5 percent in 40,000 is 0.0011: four of them.
        assert!((rate - 0.05).abs() < 0.0045, "{rate}");
    }
}
