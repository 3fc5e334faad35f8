//! How many birds must be weighed for a given precision?
//!
//! Mean within e percent: n = (z CV / e)^2. Share p within d points: n = z^2 p (1 - p) / d^2.
//! Of a flock of N birds, n = n0 / (1 + n0 / N), n0 being the number above. Rounded up, for
//! birds drawn at random; that birds of one pen are alike is not allowed for.
//!
//! # Source
//! Cochran WG 1977, Sampling techniques, 3rd ed., chapter 4 (from memory); the tests hold a
//! table worked out by hand.

use crate::stats::distribution::normal_quantile;

/// Birds to weigh for the mean to be known within `within_pct` percent; `None` where that is
/// no number of birds. `flock`: birds that it is the mean of; none for a flock without end.
#[must_use]
pub fn birds_for_mean(
    cv_pct: f64,
    within_pct: f64,
    confidence: f64,
    flock: Option<usize>,
) -> Option<usize> {
    let z = normal_quantile(0.5 + 0.5 * confidence);
    of_flock((z * cv_pct / within_pct).powi(2), flock)
}

/// Birds to weigh for a share (percent) of a flock to be known within so many points of
/// percent; `flock` as of [`birds_for_mean`].
#[must_use]
pub fn birds_for_share(
    share_pct: f64,
    within_points: f64,
    confidence: f64,
    flock: Option<usize>,
) -> Option<usize> {
    let z = normal_quantile(0.5 + 0.5 * confidence);
    let variance = share_pct * (100.0 - share_pct);
    of_flock(z * z * variance / (within_points * within_points), flock)
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

    #[test]
    fn birds_for_a_mean_are_those_of_the_table() {
        // (1.96 CV / e)^2, rounded up, by hand.
        let table = [
            (8.0, [246, 62, 28, 10]),
            (10.0, [385, 97, 43, 16]),
            (12.0, [554, 139, 62, 23]),
        ];
        for (cv_pct, birds) in table {
            for (within_pct, birds) in [1.0, 2.0, 3.0, 5.0].into_iter().zip(birds) {
                assert_eq!(birds_for_mean(cv_pct, within_pct, 0.95, None), Some(birds));
            }
        }
    }

    /// n0 / (1 + n0 / N), Cochran 1977, (4.4) (from memory), by hand: 384.15 / 1.38415 of a
    /// thousand birds; 96.04 / 1.4802 of two hundred.
    #[test]
    fn of_a_finite_flock_fewer_will_do() {
        assert_eq!(birds_for_mean(10.0, 1.0, 0.95, Some(1000)), Some(278));
        assert_eq!(birds_for_share(80.0, 8.0, 0.95, Some(200)), Some(65));
        assert_eq!(
            birds_for_mean(10.0, 1.0, 0.95, Some(1_000_000_000)),
            Some(385)
        );
        // Never more than there are.
        assert_eq!(birds_for_mean(10.0, 0.001, 0.95, Some(40)), Some(40));
        assert_eq!(birds_for_mean(10.0, 1.0, 0.95, Some(1)), Some(1));
    }

    #[test]
    fn birds_for_a_share_and_what_is_no_number() {
        // 1.96^2 x 80 x 20 / 8^2 = 96.04.
        assert_eq!(birds_for_share(80.0, 8.0, 0.95, None), Some(97));
        assert_eq!(birds_for_mean(8.0, 0.0, 0.95, None), None);
        assert_eq!(birds_for_mean(f64::NAN, 2.0, 0.95, None), None);
    }
}
