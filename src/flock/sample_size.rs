//! How many birds must be weighed for a given precision?
//!
//! Mean within e percent: n = (z CV / e)^2. Share p within d points: n = z^2 p (1 - p) / d^2.
//! Both rounded up, for birds drawn at random from a flock much larger than n; that birds
//! of one pen are alike is not allowed for.
//!
//! # Source
//! Cochran WG 1977, Sampling techniques, 3rd ed., chapter 4 (from memory); the tests hold a
//! table worked out by hand.

use statrs::distribution::{ContinuousCDF, Normal};

/// Birds to weigh for the mean to be known within `within_pct` percent; `None` where that is
/// no number of birds.
#[must_use]
pub fn birds_for_mean(cv_pct: f64, within_pct: f64, confidence: f64) -> Option<usize> {
    let z = Normal::standard().inverse_cdf(0.5 + 0.5 * confidence);
    whole((z * cv_pct / within_pct).powi(2))
}

/// Birds to weigh for a share (percent) to be known within so many points of percent.
#[must_use]
pub fn birds_for_share(share_pct: f64, within_points: f64, confidence: f64) -> Option<usize> {
    let z = Normal::standard().inverse_cdf(0.5 + 0.5 * confidence);
    whole(z * z * share_pct * (100.0 - share_pct) / (within_points * within_points))
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
                assert_eq!(birds_for_mean(cv_pct, within_pct, 0.95), Some(birds));
            }
        }
    }

    #[test]
    fn birds_for_a_share_and_what_is_no_number() {
        // 1.96^2 x 80 x 20 / 8^2 = 96.04.
        assert_eq!(birds_for_share(80.0, 8.0, 0.95), Some(97));
        assert_eq!(birds_for_mean(8.0, 0.0, 0.95), None);
        assert_eq!(birds_for_mean(f64::NAN, 2.0, 0.95), None);
    }
}
