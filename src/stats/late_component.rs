//! A normal time, of which a share comes late for another reason.
//!
//! With m and s the mean and the standard deviation of a subject that is on time,
//!
//! ```text
//! f(t) = (1 - p) n(t; m, s^2) + p n(t; m + d, s^2 + (d / 3)^2),
//! ```
//!
//! p the share of late subjects and d their mean delay. A late subject then neither pulls the
//! mean of the others nor widens their spread: the component takes it. That the delay's own
//! standard deviation is a third of its mean keeps it above 0 and leaves one term to be
//! estimated of the few subjects that are late.
//!
//! # Source
//! McLachlan GJ, Peel D 2000, Finite Mixture Models, ch. 2 (from memory).

use rand::Rng;

use super::distribution::{normal_log_density, normal_log_upper, normal_quantile};
use super::time_to_event::EventTime;

/// Standard deviation of the delay as a share of its mean.
const DELAY_SPREAD: f64 = 1.0 / 3.0;

/// The late subjects.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Late {
    /// Their share, above 0 and below 1.
    pub share: f64,
    /// Their mean delay, in the unit of the times, above 0.
    pub delay: f64,
}

/// A log-likelihood and its slopes.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Slopes {
    pub(super) value: f64,
    /// In the mean of a subject on time.
    pub(super) mean: f64,
    /// In its standard deviation.
    pub(super) spread: f64,
    /// In the logit of the share of late subjects.
    pub(super) logit_share: f64,
    /// In the logarithm of the delay.
    pub(super) log_delay: f64,
}

impl Late {
    /// Mean and standard deviation of a late subject.
    fn component(self, mean: f64, spread: f64) -> (f64, f64) {
        (mean + self.delay, spread.hypot(DELAY_SPREAD * self.delay))
    }

    /// Log-likelihood of what is known of one subject's time; `mean` and `spread` are those of
    /// a subject on time.
    pub(super) fn log_likelihood(self, time: EventTime, mean: f64, spread: f64) -> Slopes {
        let (late_mean, late_spread) = self.component(mean, spread);
        let on_time = normal(time, mean, spread);
        let late = normal(time, late_mean, late_spread);
        let parts = [
            (1.0 - self.share).ln() + on_time.0,
            self.share.ln() + late.0,
        ];
        let greater = parts[0].max(parts[1]);
        let value = greater
            + parts
                .map(|part| (part - greater).exp())
                .iter()
                .sum::<f64>()
                .ln();
        let weights = parts.map(|part| (part - value).exp());
        Slopes {
            value,
            mean: weights[0] * on_time.1 + weights[1] * late.1,
            spread: weights[0] * on_time.2 + weights[1] * late.2 * spread / late_spread,
            logit_share: weights[1] - self.share,
            log_delay: weights[1]
                * self.delay
                * (late.1 + late.2 * DELAY_SPREAD.powi(2) * self.delay / late_spread),
        }
    }

    /// A time drawn for a subject that had no event by `seen`, and whether it is a late one.
    pub fn draw_after(
        self,
        seen: f64,
        mean: f64,
        spread: f64,
        random: &mut impl Rng,
    ) -> (f64, bool) {
        let (late_mean, late_spread) = self.component(mean, spread);
        let left = [(mean, spread), (late_mean, late_spread)]
            .map(|(mean, spread)| normal_log_upper((seen - mean) / spread));
        let odds = self.share.ln() + left[1] - (1.0 - self.share).ln() - left[0];
        // The same number of random numbers whichever component it is.
        let (which, chance): (f64, f64) = (random.random(), random.random());
        let is_late = which * (1.0 + odds.exp()) >= 1.0;
        let (centre, width, log_left) = if is_late {
            (late_mean, late_spread, left[1])
        } else {
            (mean, spread, left[0])
        };
        let upper = ((1.0 - chance).ln() + log_left).exp();
        if upper < f64::MIN_POSITIVE {
            // No subject is left so late: it is due at once.
            return (seen, is_late);
        }
        let time = (centre - width * normal_quantile(upper.min(1.0 - 1e-16))).max(seen);
        (time, is_late)
    }
}

/// Log-likelihood under one normal law, and its slopes in mean and standard deviation.
fn normal(time: EventTime, mean: f64, spread: f64) -> (f64, f64, f64) {
    let z = |t: f64| (t - mean) / spread;
    // Density over what is left: the hazard, in standard units.
    let hazard = |z: f64| (normal_log_density(z) - normal_log_upper(z)).exp();
    match time {
        EventTime::Exact(t) => {
            let z = z(t);
            let value = normal_log_density(z) - spread.ln();
            (value, z / spread, (z * z - 1.0) / spread)
        }
        EventTime::After(t) => {
            let z = z(t);
            let hazard = hazard(z);
            (normal_log_upper(z), hazard / spread, z * hazard / spread)
        }
        EventTime::Before(t) => {
            let z = -z(t);
            let hazard = hazard(z);
            (normal_log_upper(z), -hazard / spread, z * hazard / spread)
        }
        EventTime::Between(lower, upper) => {
            let (a, b) = (z(lower), z(upper));
            // In the tail where both are small, so that their difference keeps its digits.
            let (near, far) = if a + b > 0.0 { (a, b) } else { (-b, -a) };
            let log_near = normal_log_upper(near);
            let value = log_near + (-(normal_log_upper(far) - log_near).exp()).ln_1p();
            let share = |z: f64| (normal_log_density(z) - value).exp();
            let slopes = (share(a) - share(b), a * share(a) - b * share(b));
            (value, slopes.0 / spread, slopes.1 / spread)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::resample::{Purpose, stream};

    const LATE: Late = Late {
        share: 0.1,
        delay: 30.0,
    };

    #[test]
    fn the_slopes_are_the_difference_quotients() {
        let times = [
            EventTime::Exact(137.0),
            EventTime::Exact(170.0),
            EventTime::After(140.0),
            EventTime::After(172.0),
            EventTime::Before(128.0),
            EventTime::Between(126.0, 133.0),
            EventTime::Between(161.0, 168.0),
        ];
        for time in times {
            let value = |mean: f64, spread: f64, logit: f64, log_delay: f64| {
                let late = Late {
                    share: 1.0 / (1.0 + (-logit).exp()),
                    delay: log_delay.exp(),
                };
                late.log_likelihood(time, mean, spread).value
            };
            let at = [135.0, 3.4, (0.1_f64 / 0.9).ln(), 30.0_f64.ln()];
            let found = LATE.log_likelihood(time, at[0], at[1]);
            let exact = [found.mean, found.spread, found.logit_share, found.log_delay];
            for (k, exact) in exact.into_iter().enumerate() {
                let (mut up, mut down) = (at, at);
                up[k] += 1e-5;
                down[k] -= 1e-5;
                let quotient = (value(up[0], up[1], up[2], up[3])
                    - value(down[0], down[1], down[2], down[3]))
                    / 2e-5;
                // Central differences: h^2, and rounding / h.
                assert!(
                    (exact - quotient).abs() < 1e-7 * (1.0 + quotient.abs()),
                    "{time:?} {k}"
                );
            }
        }
    }

    /// Shares of draws up to an age against (F(t) - F(seen)) / (1 - F(seen)).
    #[test]
    fn draws_follow_the_law_beyond_what_was_seen() {
        let mut random = stream(3, Purpose::FirstEggs, 0);
        let (mean, spread, seen) = (135.0, 4.0, 138.0);
        let mut late = 0;
        let draws: Vec<f64> = (0..40_000)
            .map(|_| LATE.draw_after(seen, mean, spread, &mut random))
            .inspect(|(_, is_late)| late += u32::from(*is_late))
            .map(|(time, _)| time)
            .collect();
        let left = |t: f64| {
            LATE.log_likelihood(EventTime::After(t), mean, spread)
                .value
                .exp()
        };
        for t in [139.0, 142.0, 150.0, 165.0, 180.0] {
            let expected = 1.0 - left(t) / left(seen);
            let share = draws.iter().filter(|draw| **draw <= t).count() as f64 / 40_000.0;
            // Four binomial errors at the most.
            assert!((share - expected).abs() < 0.01, "{t}: {share} {expected}");
        }
        assert!(draws.iter().all(|draw| *draw >= seen));
        // Bayes' rule: 0.1 P(late > seen) of what is left; P(late > seen) is 1 - 0.003.
        let share = f64::from(late) / 40_000.0;
        assert!((share - 0.1 * 0.997 / left(seen)).abs() < 0.01, "{share}");
    }
}
