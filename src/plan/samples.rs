//! How many birds of how many pens to weigh for the mean and the uniformity of a flock.
//!
//! k of the P pens of a flock are weighed, n of the N birds of each. With the coefficient of
//! variation c between birds of a pen and the relative standard deviations of pens, of days (common
//! to all pens) and of a pen's occasions, the mean of the pens' means has the relative variance
//!
//! ```text
//! V = pens^2 / k (1 - k / P) + days^2 + occasions^2 / k + c^2 / (k n) (1 - n / N)
//! ```
//!
//! (two-stage sampling of equal pens, Cochran WG 1977, Sampling techniques, 3rd ed., 10.3, from
//! memory, with days and occasions beside). Its interval reaches t sqrt(V) to either side, t on
//! Satterthwaite's degrees of freedom: pens have k - 1, birds k (n - 1); days and occasions are
//! taken as known from earlier weighings.
//!
//! Of a pen that is heavier by d (as a share of the mean) the share
//! g(d) = Phi((w - d) / c) - Phi((-w - d) / c) of its birds lies within w of the flock's mean. Over
//! the pens its mean is the uniformity U, its variance B; an estimate has the variance
//!
//! ```text
//! B / k (1 - k / P) + E g (1 - g) / (k n) (1 - n / N)
//! ```
//!
//! and by the error of the sample's own mean, about which birds are counted, D^2 V without days,
//! D = 2 w phi(w / s) / s with s^2 = c^2 + pens^2 (days leave a sample's shares as they are). Its
//! interval is Wilson's of as many birds as would have that variance if drawn one by one. Weights
//! are taken as normal within a pen.

use super::as_number;
use super::power::{factor, least_number};
use crate::stats::distribution::{normal_density, normal_lower, normal_quantile};
use crate::stats::wilson::wilson_pct;

/// Steps of the integral over pens, even.
const STEPS: u32 = 200;
/// Standard deviations to either side of it.
const REACH: f64 = 6.0;

/// What the flock is taken to be like; shares of the mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampledFlock {
    /// Coefficient of variation between birds of a pen.
    pub cv: f64,
    /// Standard deviation between pens.
    pub pens_sd: f64,
    /// Standard deviation between days, common to all pens.
    pub days_sd: f64,
    /// Standard deviation between occasions of a pen.
    pub occasions_sd: f64,
    /// Pens of the flock.
    pub pens: usize,
    /// Birds kept in a pen; none where they are not counted.
    pub birds_per_pen: Option<usize>,
    /// Half width of the range that counts as uniform.
    pub within: f64,
}

/// What a week's weighing is to reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleAim {
    /// Half width of the interval of the mean, a share of it.
    pub mean: Option<f64>,
    /// Half width of the interval of uniformity, points of percent.
    pub uniformity_points: Option<f64>,
    /// Confidence of the intervals.
    pub level: f64,
    /// Most birds of a pen.
    pub most: usize,
}

/// What weighing some birds of some pens gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleDesign {
    /// Pens weighed.
    pub pens: usize,
    /// Birds weighed of each.
    pub birds_per_pen: usize,
    /// Half width of the interval of the mean, a share of it; none where one pen of several is
    /// weighed, which does not show how pens differ.
    pub mean: Option<f64>,
    /// Uniformity expected, percent.
    pub uniformity_pct: f64,
    /// Longer arm of its interval, points of percent; none as of the mean.
    pub uniformity_points: Option<f64>,
}

impl SampleDesign {
    /// Birds weighed in all.
    #[must_use]
    pub fn birds(&self) -> usize {
        self.pens * self.birds_per_pen
    }

    /// Whether it reaches all that is asked.
    #[must_use]
    pub fn reaches(&self, aim: &SampleAim) -> bool {
        let within = |asked: Option<f64>, found: Option<f64>| {
            asked.is_none_or(|asked| found.is_some_and(|found| found <= asked))
        };
        within(aim.mean, self.mean) && within(aim.uniformity_points, self.uniformity_points)
    }
}

impl SampledFlock {
    /// What weighing `birds` of each of `pens` gives.
    #[must_use]
    pub fn expected(&self, pens: usize, birds: usize, level: f64) -> SampleDesign {
        let (k, n) = (as_number(pens), as_number(birds));
        let others = 1.0 - k / as_number(self.pens.max(pens));
        let left = self
            .birds_per_pen
            .map_or(1.0, |kept| (1.0 - n / as_number(kept)).max(0.0));
        let of_pens = self.pens_sd.powi(2) / k * others;
        let of_birds = self.cv.powi(2) / (k * n) * left;
        let rest = self.days_sd.powi(2) + self.occasions_sd.powi(2) / k;
        let variance = of_pens + of_birds + rest;
        let shown = others <= 0.0 || pens > 1;
        let error = |part: f64, df: f64| if part > 0.0 { part * part / df } else { 0.0 };
        let error = error(of_pens, k - 1.0) + error(of_birds, k * (n - 1.0));
        let df = if error > 0.0 {
            variance * variance / error
        } else {
            f64::INFINITY
        };
        let (uniformity, between, within) = self.uniformity();
        let spread = self.cv.hypot(self.pens_sd);
        let density = normal_density(self.within / spread) / spread;
        let by_centre = (2.0 * self.within * density).powi(2);
        let variance_of_share = between / k * others
            + within / (k * n) * left
            + by_centre * (variance - self.days_sd.powi(2));
        let effective = uniformity * (1.0 - uniformity) / variance_of_share;
        let z = normal_quantile(0.5 + 0.5 * level);
        let uniformity_pct = 100.0 * uniformity;
        let arm = if effective.is_finite() && effective > 0.0 {
            let (lower, upper) = wilson_pct(uniformity, effective, z);
            (uniformity_pct - lower).max(upper - uniformity_pct)
        } else {
            0.0
        };
        SampleDesign {
            pens,
            birds_per_pen: birds,
            mean: shown.then(|| factor(level, df) * variance.sqrt()),
            uniformity_pct,
            uniformity_points: shown.then_some(arm),
        }
    }

    /// The fewest birds of each of `pens` that reach the aim; what all allowed reach where they
    /// do not.
    ///
    /// # Errors
    /// What the most birds reach.
    pub fn fewest(&self, pens: usize, aim: &SampleAim) -> Result<SampleDesign, SampleDesign> {
        let most = aim.most.min(self.birds_per_pen.unwrap_or(aim.most)).max(2);
        let with = |birds: usize| self.expected(pens, birds, aim.level);
        match least_number(2, most, |birds| with(birds).reaches(aim)) {
            Some(birds) => Ok(with(birds)),
            None => Err(with(most)),
        }
    }

    /// Share of all birds within the range about the flock's mean, variance between pens of
    /// that share, and mean of g (1 - g) over pens.
    fn uniformity(&self) -> (f64, f64, f64) {
        let share = |off: f64| {
            normal_lower((self.within - off) / self.cv)
                - normal_lower((-self.within - off) / self.cv)
        };
        if self.pens_sd <= 0.0 {
            let alike = share(0.0);
            return (alike, 0.0, alike * (1.0 - alike));
        }
        let (mut mass, mut mean, mut square, mut within) = (0.0, 0.0, 0.0, 0.0);
        for step in 0..=STEPS {
            let z = REACH * (2.0 * f64::from(step) / f64::from(STEPS) - 1.0);
            let weight = normal_density(z);
            let own = share(self.pens_sd * z);
            mass += weight;
            mean += weight * own;
            square += weight * own * own;
            within += weight * own * (1.0 - own);
        }
        let mean = mean / mass;
        (mean, (square / mass - mean * mean).max(0.0), within / mass)
    }
}

/// The designs of every number of pens, and which of them reaches the aim with the fewest birds.
#[must_use]
pub fn sample_designs(
    flock: &SampledFlock,
    aim: &SampleAim,
) -> (Vec<Result<SampleDesign, SampleDesign>>, Option<usize>) {
    let designs: Vec<_> = (1..=flock.pens)
        .map(|pens| flock.fewest(pens, aim))
        .collect();
    let reached = designs.iter().enumerate();
    let reached = reached.filter_map(|(at, one)| Some((at, one.as_ref().ok()?.birds())));
    // Of as many birds in all, those of more pens.
    let chosen = reached.min_by_key(|(at, birds)| (*birds, usize::MAX - at));
    let chosen = chosen.map(|(at, _)| at);
    (designs, chosen)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FLOCK: SampledFlock = SampledFlock {
        cv: 0.08,
        pens_sd: 0.02,
        days_sd: 0.004,
        occasions_sd: 0.006,
        pens: 12,
        birds_per_pen: Some(400),
        within: 0.1,
    };

    #[test]
    fn without_pens_the_fewest_birds_are_those_of_a_plain_sample() {
        // R: which(qt(.975, n - 1) * cv / sqrt(n) <= e)[1] for n from 2; 2 p.c. of 8, 10, 12.
        for (cv, birds) in [(0.08, 64), (0.10, 99), (0.12, 141)] {
            let flock = SampledFlock {
                cv,
                pens_sd: 0.0,
                days_sd: 0.0,
                occasions_sd: 0.0,
                pens: 1,
                birds_per_pen: None,
                within: 0.1,
            };
            let aim = SampleAim {
                mean: Some(0.02),
                uniformity_points: None,
                level: 0.95,
                most: 1000,
            };
            assert_eq!(flock.fewest(1, &aim).map(|one| one.birds()), Ok(birds));
        }
    }

    #[test]
    fn half_widths_are_those_worked_out_in_r() {
        // tests/reference/plan/samples.R
        let found = FLOCK.expected(6, 30, 0.95);
        let mean = 100.0 * found.mean.expect("six pens");
        assert!((mean - MEAN_R).abs() < 1e-6, "{mean}");
        assert!((found.uniformity_pct - SHARE_R).abs() < 1e-5, "{found:?}");
        let points = found.uniformity_points.expect("six pens");
        assert!((points - POINTS_R).abs() < 1e-4, "{points}");
    }

    const MEAN_R: f64 = 1.908_673_190_4;
    const SHARE_R: f64 = 77.474_709_363_9;
    const POINTS_R: f64 = 6.536_370_232_7;

    #[test]
    fn one_pen_of_several_shows_nothing_of_the_flock() {
        let found = FLOCK.expected(1, 100, 0.95);
        assert_eq!((found.mean, found.uniformity_points), (None, None));
        let aim = SampleAim {
            mean: Some(0.005),
            uniformity_points: None,
            level: 0.95,
            most: 500,
        };
        // Days alone reach 0.8 %: no number of birds will do.
        assert_eq!(sample_designs(&FLOCK, &aim).1, None);
    }
}
