//! How precisely a quantity is to be estimated, and how many birds that takes.

use super::power::{factor, least_number, power};
use super::precision::ExpectedPrecision;
use super::{Allocation, Estimand, Target};
use crate::fit::mixed::Population;

/// A size, in the quantity's own unit or as a share of its value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amount {
    /// Percent of the value.
    Percent(f64),
    /// In its unit.
    Units(f64),
}

impl Amount {
    /// In the unit of a quantity of this value.
    #[must_use]
    pub fn of(self, value: f64) -> f64 {
        match self {
            Self::Percent(percent) => 0.01 * percent * value.abs(),
            Self::Units(units) => units,
        }
    }
}

/// How precisely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Aim {
    /// The interval of each strain has at most this half width.
    Within(Amount),
    /// A difference of this size between any two strains is detected with this power.
    Detect {
        /// The difference; percent are of the second strain's value.
        size: Amount,
        /// The chance.
        power: f64,
    },
    /// A bird's own value is estimated with this reliability: 1 - variance given its scans / variance
    /// between birds, the share that a regression on the cue keeps of its slope.
    Reliable(f64),
}

/// A requirement on the precision of a design.
#[derive(Debug, Clone, PartialEq)]
pub struct Requirement {
    /// Name of the quantity.
    pub name: String,
    /// How precisely.
    pub aim: Aim,
}

/// What a requirement takes by one schedule.
#[derive(Debug, Clone, PartialEq)]
pub struct Needed {
    /// Birds a strain; none where it takes more than the limit, or no number will do.
    pub birds: Option<usize>,
    /// The target that takes most birds.
    pub target: usize,
    /// About how many birds a strain that one would take, without a limit; infinite where no
    /// number will do.
    pub about: f64,
    /// The same with birds whose own curve is known without error: what scanning more
    /// often could at best achieve.
    pub about_at_best: f64,
    /// What is reached at the limit: half width, power or reliability.
    pub reached: f64,
}

impl Requirement {
    /// Whether the requirement is about this target.
    #[must_use]
    pub fn is_about(&self, target: &Target) -> bool {
        let kind = match self.aim {
            Aim::Within(_) => matches!(target.what, Estimand::Value(_)),
            Aim::Detect { .. } => matches!(target.what, Estimand::Contrast(_)),
            Aim::Reliable(_) => matches!(target.what, Estimand::Cue(_)),
        };
        kind && target.name == self.name
    }

    /// What is reached with this number of birds a strain: the half width, the power or the
    /// reliability; `variance` is that of [`ExpectedPrecision::variance`].
    #[must_use]
    pub fn reached(
        &self,
        target: &Target,
        variance: f64,
        birds: usize,
        (allocation, level): (Allocation, f64),
    ) -> f64 {
        let error = allocation.standard_error(target, variance, birds);
        let df = allocation.degrees_of_freedom(birds);
        match self.aim {
            Aim::Within(_) => factor(level, df) * error,
            Aim::Detect { size, .. } => power(size.of(target.value) / error, level, df),
            Aim::Reliable(_) => 1.0 - variance / target.value.powi(2),
        }
    }

    /// Whether that will do.
    #[must_use]
    pub fn is_met(&self, target: &Target, reached: f64) -> bool {
        match self.aim {
            Aim::Within(amount) => reached <= amount.of(target.value),
            Aim::Detect { power, .. } => reached >= power,
            Aim::Reliable(share) => reached >= share,
        }
    }

    /// Birds a strain that the requirement takes, at most `most`, for all its targets; `None`
    /// where there is no such target or the schedule cannot estimate one.
    #[must_use]
    pub fn needed(
        &self,
        population: &Population,
        expected: &ExpectedPrecision,
        targets: &[Target],
        (most, level): (usize, f64),
        allocation: Allocation,
    ) -> Option<Needed> {
        let mut worst: Option<Needed> = None;
        for (at, target) in targets.iter().enumerate() {
            if !self.is_about(target) {
                continue;
            }
            let variance = expected.variance(population, target)?;
            let reached = |birds| self.reached(target, variance, birds, (allocation, level));
            let least = allocation.least_birds();
            let birds = least_number(least, most, |birds| self.is_met(target, reached(birds)));
            let (about, about_at_best) = self.about(population, target, variance, level);
            let needed = Needed {
                birds,
                target: at,
                about,
                about_at_best,
                reached: reached(most),
            };
            if worst
                .as_ref()
                .is_none_or(|known| needed.about > known.about)
            {
                worst = Some(needed);
            }
        }
        worst
    }

    /// Birds by the normal's quantiles, as scanned and with perfectly known birds.
    fn about(
        &self,
        population: &Population,
        target: &Target,
        variance: f64,
        level: f64,
    ) -> (f64, f64) {
        let z = factor(level, f64::INFINITY);
        let size = match self.aim {
            Aim::Within(amount) => amount.of(target.value) / z,
            Aim::Detect { size, power } => {
                let beyond = crate::stats::distribution::normal_quantile(power);
                size.of(target.value) / (z + beyond)
            }
            Aim::Reliable(_) => {
                let met = self.is_met(target, 1.0 - variance / target.value.powi(2));
                return (if met { 0.0 } else { f64::INFINITY }, 0.0);
            }
        };
        let best = super::target::variance_of_known_birds(population, target);
        (variance / (size * size), best / (size * size))
    }
}

/// Standard error with this number of birds a strain.
#[must_use]
pub fn standard_error(variance: f64, birds: usize) -> f64 {
    (variance / birds.max(1) as f64).sqrt()
}
