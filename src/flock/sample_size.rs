//! How many birds must be weighed for a given precision?
//!
//! The fewest birds whose interval, as it is reported beside this advice, reaches no further than
//! requested: of a mean, Student's t CV / sqrt(n) <= e percent; of a share, the longer arm of
//! Wilson's interval <= d points. Of a flock of N birds, n = n0 / (1 + n0 / N), n0 being the
//! number above. For birds drawn at random; that birds of one pen are alike is not allowed for.
//!
//! # Source
//! Cochran WG 1977, Sampling techniques, 3rd ed., chapter 4 (from memory); Wilson EB 1927, J Am
//! Stat Assoc 22:209-212. The tests hold numbers worked out in R.

use crate::stats::distribution::{normal_quantile, t_two_sided_quantile};
use crate::stats::wilson::wilson_pct;

/// Birds to weigh for the mean to be known within `within_pct` percent; `None` where that is
/// no number of birds. `flock`: birds that it is the mean of; none for a flock without end.
#[must_use]
pub fn birds_for_mean(
    cv_pct: f64,
    within_pct: f64,
    confidence: f64,
    flock: Option<usize>,
) -> Option<usize> {
    let ratio = cv_pct / within_pct;
    if !(ratio >= 0.0 && ratio.is_finite()) {
        return None;
    }
    let met = |n: f64| t_two_sided_quantile(confidence, n - 1.0) * ratio <= n.sqrt();
    of_flock(fewest(met)?, flock)
}

/// Birds to weigh for a share (percent) of a flock to be known within this number of points of
/// percent; `flock` as of [`birds_for_mean`].
#[must_use]
pub fn birds_for_share(
    share_pct: f64,
    within_points: f64,
    confidence: f64,
    flock: Option<usize>,
) -> Option<usize> {
    if !((0.0..=100.0).contains(&share_pct) && within_points > 0.0) {
        return None;
    }
    let z = normal_quantile(0.5 + 0.5 * confidence);
    let met = |n: f64| {
        let (lower, upper) = wilson_pct(0.01 * share_pct, n, z);
        (share_pct - lower).max(upper - share_pct) <= within_points
    };
    of_flock(fewest(met)?, flock)
}

/// The fewest birds, two at least, with which a condition is met that more birds keep; none
/// above a billion.
fn fewest(met: impl Fn(f64) -> bool) -> Option<f64> {
    let mut high = 2.0_f64;
    while !met(high) {
        high *= 2.0;
        if high > 1e9 {
            return None;
        }
    }
    let mut low = 0.5 * high;
    while high - low > 1.0 {
        let middle = (0.5 * (low + high)).floor();
        if met(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}

fn of_flock(endless: f64, flock: Option<usize>) -> Option<usize> {
    let Some(flock) = flock else {
        return whole(endless);
    };
    // Of a flock of one or two, all are weighed.
    let needed = whole(endless / (1.0 + endless / flock as f64))?;
    Some(needed.min(flock))
}

fn whole(birds: f64) -> Option<usize> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 1 and a billion"
    )]
    (0.0..1e9)
        .contains(&birds)
        .then(|| birds.ceil().max(2.0) as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R: `which(qt(.975, n - 1) * cv / sqrt(n) <= e)[1]` for n from 2.
    #[test]
    fn birds_for_a_mean_are_those_of_the_table() {
        let table = [
            (8.0, [249, 64, 30, 13]),
            (10.0, [387, 99, 46, 18]),
            (12.0, [556, 141, 64, 25]),
        ];
        for (cv_pct, birds) in table {
            for (within_pct, birds) in [1.0, 2.0, 3.0, 5.0].into_iter().zip(birds) {
                assert_eq!(birds_for_mean(cv_pct, within_pct, 0.95, None), Some(birds));
            }
        }
    }

    /// n0 / (1 + n0 / N), Cochran 1977, (4.4) (from memory), by hand.
    #[test]
    fn of_a_finite_flock_fewer_will_do() {
        assert_eq!(birds_for_mean(10.0, 1.0, 0.95, Some(1000)), Some(280));
        // Never more than there are.
        assert_eq!(birds_for_mean(10.0, 0.001, 0.95, Some(40)), Some(40));
        assert_eq!(birds_for_mean(10.0, 1.0, 0.95, Some(1)), Some(1));
    }

    /// R: the longer arm of `prop.test(x, n, correct = FALSE)$conf.int` round x / n.
    #[test]
    fn advice_on_a_share_agrees_with_its_interval() {
        assert_eq!(birds_for_share(80.0, 8.0, 0.95, None), Some(122));
        assert_eq!(birds_for_share(100.0, 8.0, 0.95, None), Some(45));
        // Five birds of five, interval 57 to 100: not enough for 8 points.
        assert!(wilson_pct(1.0, 5.0, 1.959_964).0 < 57.0);
        assert_eq!(birds_for_mean(8.0, 0.0, 0.95, None), None);
        assert_eq!(birds_for_mean(f64::NAN, 2.0, 0.95, None), None);
    }
}
