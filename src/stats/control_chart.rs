//! Is a series of single values in control? An individuals chart, and a self-starting
//! cumulative sum for lasting changes.
//!
//! *Individuals chart*: the centre is the mean of m values, sigma the mean moving range of two
//! over d2 = 1.128, the limits are centre -+ 3 sigma. Later values are judged by limits that are
//! themselves estimated, so that more than 0.27 % of them lie outside without any change:
//! [`Individuals::chance_outside`].
//!
//! *Self-starting cumulative sum*: value n is compared with the mean and the standard deviation
//! of the values before it,
//!
//! ```text
//! T = sqrt((n - 1) / n) (x_n - mean) / sd ~ t on n - 2 degrees of freedom,
//! ```
//!
//! and its normal score U = Phi^-1(F(T)) enters the sums of [`super::cusum`]. The scores of
//! normal values without a change are independent and standard normal whatever their mean and
//! variance, so that no baseline has to be long enough to be taken for the truth. A value whose
//! score is beyond 3 counts, in the sums and in mean and standard deviation, as the value whose
//! score is 3, so that one wild value neither alarms nor hides what follows.
//!
//! # Source
//! NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (limits); Montgomery DC,
//! Introduction to Statistical Quality Control (d2). Variance of sigma: Cryer JD, Ryan TP 1990,
//! Journal of Quality Technology 22:187-192 (from memory; compared with a simulation below).
//! Hawkins DM 1987, Self-starting cusum charts for location and scale, The Statistician
//! 36:299-316 (from memory). Scores cut off: common practice (Lucas and Crosier 1982 on robust
//! cusums), no formula of theirs.

use super::cusum::next_sum;
use super::distribution::{normal_lower, normal_quantile, t_quantile, t_upper};
use super::failure::{check_count, check_finite};
use super::{Failure, mean};

/// Expected range of two values in standard deviations, as tabulated.
const D2: f64 = 1.128;
/// Limits in standard deviations.
const LIMITS: f64 = 3.0;

/// Limits of single values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Individuals {
    /// Values that they rest on.
    pub n: usize,
    /// Their mean.
    pub centre: f64,
    /// Standard deviation by the mean moving range.
    pub sigma: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

impl Individuals {
    /// The limits by these values, in the order in which they were measured.
    ///
    /// # Errors
    /// [`Failure::TooFew`] of fewer than 2, [`Failure::Value`], [`Failure::NoVariation`].
    pub fn of(values: &[f64]) -> Result<Self, Failure> {
        check_count("values", values.len(), 2)?;
        check_finite("values", values)?;
        let ranges: Vec<f64> = values
            .windows(2)
            .map(|two| (two[1] - two[0]).abs())
            .collect();
        let (centre, sigma) = (mean(values), mean(&ranges) / D2);
        if sigma <= 0.0 {
            return Err(Failure::NoVariation {
                what: "values".to_owned(),
            });
        }
        Ok(Self {
            n: values.len(),
            centre,
            sigma,
            lower: centre - LIMITS * sigma,
            upper: centre + LIMITS * sigma,
        })
    }

    /// Whether a value lies outside the limits.
    #[must_use]
    pub fn is_outside(&self, value: f64) -> bool {
        !(self.lower..=self.upper).contains(&value)
    }

    /// Chance that a later value without any change lies outside the limits: sigma has about the
    /// distribution of a standard deviation on 2 / (its relative variance) / 2 degrees of
    /// freedom, relative variance (0.8264 n - 1.082) / (n - 1)^2.
    #[must_use]
    pub fn chance_outside(&self) -> f64 {
        let n = self.n as f64;
        let relative_variance = (0.8264 * n - 1.082) / ((n - 1.0) * (n - 1.0));
        let df = 0.5 / relative_variance;
        2.0 * t_upper(LIMITS / (1.0 + 1.0 / n).sqrt(), df)
    }
}

/// One value of a self-starting chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scored {
    /// Its normal score against the values before it; none of the first two, or where those
    /// before it are all alike.
    pub score: Option<f64>,
    /// Cumulative sum of high scores.
    pub rising: f64,
    /// Cumulative sum of low scores.
    pub falling: f64,
}

/// A lasting change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Change {
    /// The first value after the sum that passed the limit was last zero: Page's estimate of
    /// where the change began.
    pub since: usize,
    /// The value at which the sum passed the limit.
    pub found: usize,
    /// Whether values rose or fell.
    pub rising: bool,
}

/// Mean and standard deviation of the values so far.
#[derive(Debug, Clone, Copy, Default)]
struct Running {
    n: f64,
    mean: f64,
    squares: f64,
}

impl Running {
    fn add(&mut self, value: f64) {
        self.n += 1.0;
        let off = value - self.mean;
        self.mean += off / self.n;
        self.squares += off * (value - self.mean);
    }

    /// Standard deviation of the next value about the mean; none of fewer than two values, or
    /// where all are alike.
    fn spread(&self) -> Option<f64> {
        let sd = (self.squares / (self.n - 1.0)).sqrt();
        (self.n >= 2.0 && sd > 0.0).then(|| sd * ((self.n + 1.0) / self.n).sqrt())
    }

    /// Normal score of the next value.
    fn score(&self, value: f64) -> Option<f64> {
        let t = (value - self.mean) / self.spread()?;
        // Beyond any limit the tail is no number to take a quantile of.
        let tail = t_upper(t.abs(), self.n - 1.0).max(1e-300);
        let score = -normal_quantile(tail) * t.signum();
        score.is_finite().then_some(score)
    }

    /// The next value, no further from the mean than a score of 3.
    fn cut(&self, value: f64) -> f64 {
        let Some(spread) = self.spread() else {
            return value;
        };
        let furthest = t_quantile(normal_lower(LIMITS), self.n - 1.0) * spread;
        value.clamp(self.mean - furthest, self.mean + furthest)
    }
}

/// The scores and sums of a series, and its first lasting change by a limit of the sums
/// ([`super::cusum::limit`]). From that on mean and standard deviation stay as they were.
#[must_use]
pub fn self_starting(values: &[f64], limit: f64) -> (Vec<Scored>, Option<Change>) {
    let mut before = Running::default();
    let mut change: Option<Change> = None;
    let mut sums = [0.0_f64; 2];
    let mut since = [0_usize; 2];
    let mut scored = Vec::with_capacity(values.len());
    for (at, value) in values.iter().enumerate() {
        let score = before.score(*value);
        let cut = score.unwrap_or(0.0).clamp(-LIMITS, LIMITS);
        for (side, sign) in [1.0, -1.0].into_iter().enumerate() {
            if sums[side] <= 0.0 {
                since[side] = at;
            }
            sums[side] = next_sum(sums[side], sign * cut);
            if sums[side] > limit && change.is_none() {
                change = Some(Change {
                    since: since[side],
                    found: at,
                    rising: side == 0,
                });
            }
        }
        if change.is_none() {
            let is_wild = score.is_some_and(|score| score.abs() > LIMITS);
            before.add(if is_wild { before.cut(*value) } else { *value });
        }
        scored.push(Scored {
            score,
            rising: sums[0],
            falling: sums[1],
        });
    }
    (scored, change)
}

#[cfg(test)]
mod tests {
    use super::super::cusum;
    use super::*;
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};

    fn series(random: &mut rand_chacha::ChaCha8Rng, n: usize) -> Vec<f64> {
        (0..n).map(|_| StandardNormal.sample(random)).collect()
    }

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow rates of ten batches:
    /// centre 50.81, limits 45.8159 and 55.8041 as printed, no batch outside.
    #[test]
    fn limits_are_those_of_the_handbook() {
        let flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let chart = Individuals::of(&flow).unwrap();
        assert!((chart.centre - 50.81).abs() < 1e-9);
        assert!((chart.lower - 45.8159).abs() < 5e-5, "{}", chart.lower);
        assert!((chart.upper - 55.8041).abs() < 5e-5, "{}", chart.upper);
        assert!(!flow.iter().any(|value| chart.is_outside(*value)));
    }

    #[test]
    fn estimated_limits_are_passed_as_often_as_stated() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(16);
        let (mut outside, mut stated, rounds) = (0, 0.0, 40_000);
        for _ in 0..rounds {
            let values = series(&mut random, 21);
            let chart = Individuals::of(&values[..20]).unwrap();
            outside += usize::from(chart.is_outside(values[20]));
            stated = chart.chance_outside();
        }
        let share = outside as f64 / f64::from(rounds);
        // Binomial standard error of 1.3 percent in 40,000 is 0.0006: four of them.
        assert!((share - stated).abs() < 0.0023, "{share} {stated}");
    }

    /// R 4.2: `x <- c(4, 6, 5, 8, 5.5); for (n in 3:5) { b <- x[1:(n-1)]; print(qnorm(pt(
    /// sqrt((n-1)/n) * (x[n]-mean(b))/sd(b), n-2)), digits = 15) }`.
    #[test]
    fn scores_are_those_of_r() {
        let (scored, _) = self_starting(&[4.0, 6.0, 5.0, 8.0, 5.5], 100.0);
        let expected = [None, None, Some(0.0), Some(R_SCORES[0]), Some(R_SCORES[1])];
        for (found, expected) in scored.iter().zip(expected) {
            match (found.score, expected) {
                (Some(found), Some(expected)) => {
                    assert!((found - expected).abs() < 1e-9, "{found} {expected}");
                }
                (found, expected) => assert_eq!(found.is_none(), expected.is_none()),
            }
        }
    }

    const R_SCORES: [f64; 2] = [1.547_719_129_564_63, -0.120_462_327_794_356];

    #[test]
    fn series_without_a_change_alarm_as_often_as_stated() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let (n, rounds) = (80, 8_000);
        let limit = cusum::limit(n - 2, 0.05);
        let alarms =
            (0..rounds).filter(|_| self_starting(&series(&mut random, n), limit).1.is_some());
        let share = alarms.count() as f64 / f64::from(rounds);
        // Binomial standard error 0.0024; scores cut off at 3 make alarms a little rarer.
        assert!((0.038..0.06).contains(&share), "{share}");
    }

    #[test]
    fn a_change_is_found_near_where_it_began_and_one_wild_value_is_none() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let mut values = series(&mut random, 80);
        let limit = cusum::limit(78, 0.05);
        values[30] = 9.0;
        assert_eq!(self_starting(&values, limit).1, None);
        for value in &mut values[50..] {
            *value -= 2.0;
        }
        let change = self_starting(&values, limit).1.unwrap();
        assert!(!change.rising);
        assert!((48..54).contains(&change.since), "{change:?}");
        assert!(change.found < 58, "{change:?}");
    }

    #[test]
    fn values_that_do_not_vary_have_no_score() {
        let (scored, change) = self_starting(&[3.0; 12], 4.0);
        assert!(scored.iter().all(|one| one.score.is_none()));
        assert_eq!(change, None);
        assert!(Individuals::of(&[1.0]).is_err());
        assert!(Individuals::of(&[1.0, f64::NAN]).is_err());
        assert!(Individuals::of(&[1.0; 12]).is_err());
    }
}
