//! Several rows of one bird tell less than as many birds: how alike they are, and
//! what that takes from the standard errors.
//!
//! Rows of a bird share its own deviation b from the equation, and each has an error
//! w of its own (posture, repositioning). From the residuals r, by one-way analysis of
//! variance over k birds of `n_i` rows (N in all), p coefficients taken from the
//! birds' part,
//!
//! ```text
//! var w = within / (N - k),  var b = max(0, (between / (k - p) - var w) / n0)
//! n0 = (N - sum n_i^2 / N) / (k - 1)
//! ```
//!
//! Readings of one bird at one age are nearly the same, and then the covariance of
//! least squares is short by the factor 1 + (m - 1) rho, rho = var b / (var b + var w),
//! m = sum n_i^2 / N. The degrees of freedom are those of the birds, k - p.
//!
//! # Source
//! Analysis of variance: any textbook (Searle 1971, Linear Models, chapter 9). The
//! factor: Kish (1965) Survey Sampling; for regression, Moulton BR (1986) Random group
//! effects and the precision of regression estimates, Journal of Econometrics
//! 32:385-397. Cited from memory.

/// How alike the rows of one bird are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Likeness {
    /// Variance of one row about the equation: the bird's part and the row's.
    pub(super) variance: f64,
    /// By how much the covariance of the coefficients grows.
    pub(super) factor: f64,
    /// Degrees of freedom: birds less coefficients.
    pub(super) df: usize,
}

impl Likeness {
    /// From the residuals on the scale on which all have one spread; none where no
    /// bird has two rows, or the birds are too few to tell.
    ///
    /// # Shapes
    /// `residuals`, `birds`: n; birds are numbered from 0 without gaps.
    pub(super) fn of(residuals: &[f64], birds: &[usize], coefficients: usize) -> Option<Self> {
        let k = birds.iter().max()? + 1;
        let n = residuals.len();
        if k == n || k <= coefficients {
            return None;
        }
        let mut sums = vec![(0.0, 0.0); k];
        for (residual, bird) in residuals.iter().zip(birds) {
            sums[*bird].0 += residual;
            sums[*bird].1 += 1.0;
        }
        let means = |bird: usize| sums[bird].0 / sums[bird].1;
        let between: f64 = sums.iter().map(|(sum, n)| sum * sum / n).sum();
        let within: f64 = residuals
            .iter()
            .zip(birds)
            .map(|(residual, bird)| (residual - means(*bird)).powi(2))
            .sum();
        let (rows, squares) = (
            n as f64,
            sums.iter().map(|(_, n)| n * n).sum::<f64>() / n as f64,
        );
        let usual_rows = (rows - squares) / (k as f64 - 1.0);
        let own = within / (n - k) as f64;
        let bird = ((between / (k - coefficients) as f64 - own) / usual_rows).max(0.0);
        let variance = own + bird;
        let share = if variance > 0.0 { bird / variance } else { 0.0 };
        Some(Self {
            variance,
            factor: 1.0 + (squares - 1.0) * share,
            df: k - coefficients,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_that_repeat_their_bird_count_once() {
        // Twice the same residual: the second row says nothing new.
        let residuals = [1.0, 1.0, -2.0, -2.0, 3.0, 3.0, -2.0, -2.0];
        let likeness = Likeness::of(&residuals, &[0, 0, 1, 1, 2, 2, 3, 3], 1).unwrap();
        // Sum of squares 18 over 3 degrees of freedom of four birds.
        assert!((likeness.variance - 6.0).abs() < 1e-12);
        assert!((likeness.factor - 2.0).abs() < 1e-12);
        assert_eq!(likeness.df, 3);
    }

    #[test]
    fn rows_that_share_nothing_count_each() {
        let residuals = [1.0, -1.0, 2.0, -2.0, 1.5, -1.5, 0.5, -0.5];
        let likeness = Likeness::of(&residuals, &[0, 0, 1, 1, 2, 2, 3, 3], 1).unwrap();
        assert!((likeness.factor - 1.0).abs() < 1e-12);
        // Within 2 (1 + 4 + 2.25 + 0.25) over four degrees of freedom.
        assert!((likeness.variance - 15.0 / 4.0).abs() < 1e-12);
        // Each bird once: nothing to tell.
        assert_eq!(Likeness::of(&residuals, &[0, 1, 2, 3, 4, 5, 6, 7], 1), None);
    }
}
