//! Several rows of one bird carry less information than as many birds: their correlation, and
//! what that takes from the standard errors.
//!
//! Rows of a bird share the bird's deviation b from the equation, and each has an error
//! w (posture, repositioning). From the residuals r, by one-way analysis of
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
//! [`aicc`] judges candidate equations by the same cluster_correlation.
//!
//! # Source
//! Analysis of variance: any textbook (Searle 1971, Linear Models, chapter 9). The
//! factor: Kish (1965) Survey Sampling; for regression, Moulton BR (1986) Random group
//! effects and the precision of regression estimates, Journal of Econometrics
//! 32:385-397. Cited from memory.

use std::f64::consts::TAU;

/// How alike the rows of one bird are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ClusterCorrelation {
    /// Variance of one row about the equation: the bird's part and the row's.
    pub(super) variance: f64,
    /// By how much the covariance of the coefficients grows.
    pub(super) factor: f64,
    /// The bird's share of that variance, rho.
    pub(super) share: f64,
    /// Degrees of freedom: birds minus coefficients.
    pub(super) df: usize,
}

impl ClusterCorrelation {
    /// From the residuals on the scale on which all have one spread; none where no
    /// bird has two rows, or the birds are too few.
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
            share,
            df: k - coefficients,
        })
    }
}

/// Rows of several birds on the scale on which all have one spread.
#[derive(Debug, Clone, Copy)]
pub(super) struct Residuals<'a> {
    /// Observed minus predicted, times the root of the weight, n of them.
    pub(super) whitened: &'a [f64],
    /// Weights, n of them.
    pub(super) weights: &'a [f64],
    /// What was predicted, n of them.
    pub(super) response: &'a [f64],
    /// Birds, numbered from 0 without gaps, n of them.
    pub(super) birds: &'a [usize],
}

/// One bird's rows.
#[derive(Debug, Clone, Copy, Default)]
struct Own {
    rows: f64,
    mean: f64,
    /// Squares about its mean.
    within: f64,
    /// Sum of the logarithms of its weights.
    log_weights: f64,
}

/// AICc of an equation some of whose birds have several rows, from the likelihood
/// of its residuals with a bird's rows alike (compound symmetry, rho from 0 on):
///
/// ```text
/// within bird i of m rows:  variance s^2, covariance rho s^2
/// ```
///
/// with s and rho of greatest likelihood at the equation's own coefficients, and rho
/// counted as a term. Where the chemistry is the same in all rows of each bird, as of
/// a carcass scanned twice, differences of its readings are no evidence on it: a slope of
/// 0 would make them one and the likelihood endless. Then only each bird's mean
/// residual counts, of variance s^2 (rho + (1 - rho) / m) with rho from
/// [`ClusterCorrelation`], and there are as many observations as birds.
///
/// None where a likelihood has no bound or there are too few observations.
///
/// # Shapes
/// `parameters`: those of the equation with its variance, without the cluster_correlation.
/// # Source
/// Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, section 5.3
/// (`corCompSymm`); AICc: Hurvich & Tsai 1989, Biometrika 76:297-307. Cited from memory.
pub(super) fn aicc(rows: Residuals<'_>, coefficients: usize, parameters: usize) -> Option<f64> {
    let birds = own(&rows);
    let same_chemistry = rows.birds.iter().zip(rows.response).all(|(bird, value)| {
        let first = rows.birds.iter().position(|other| other == bird);
        first.is_some_and(|first| rows.response[first].total_cmp(value).is_eq())
    });
    let (log_lik, n, parameters) = if same_chemistry {
        let share = ClusterCorrelation::of(rows.whitened, rows.birds, coefficients)?.share;
        (of_means(&birds, share)?, birds.len(), parameters)
    } else {
        (of_rows(&birds)?, rows.birds.len(), parameters + 1)
    };
    let k = parameters as f64;
    let spare = n as f64 - k - 1.0;
    (spare > 0.0).then(|| -2.0 * log_lik + 2.0 * k + 2.0 * k * (k + 1.0) / spare)
}

fn own(rows: &Residuals<'_>) -> Vec<Own> {
    let mut birds = vec![Own::default(); rows.birds.iter().max().map_or(0, |last| last + 1)];
    for (row, bird) in rows.birds.iter().enumerate() {
        let bird = &mut birds[*bird];
        bird.rows += 1.0;
        bird.mean += rows.whitened[row];
        bird.log_weights += rows.weights[row].ln();
    }
    for bird in &mut birds {
        bird.mean /= bird.rows;
    }
    for (row, bird) in rows.birds.iter().enumerate() {
        let bird = &mut birds[*bird];
        bird.within += (rows.whitened[row] - bird.mean).powi(2);
    }
    birds
}

/// Gaussian log-likelihood at its best variance: n residuals whose squares, each over
/// its relative variance, add to `squares`, the logarithms of these variances to
/// `log_variances`; none where all residuals are 0.
fn at_best(n: f64, squares: f64, log_variances: f64) -> Option<f64> {
    let found = -0.5 * (n * ((TAU * squares / n).ln() + 1.0) + log_variances);
    Some(found).filter(|found| found.is_finite())
}

/// Log-likelihood of the birds' means.
fn of_means(birds: &[Own], share: f64) -> Option<f64> {
    let (mut squares, mut log_variances) = (0.0, 0.0);
    for bird in birds {
        let relative = share + (1.0 - share) / bird.rows;
        squares += bird.mean * bird.mean / relative;
        log_variances += relative.ln() - bird.log_weights / bird.rows;
    }
    at_best(birds.len() as f64, squares, log_variances)
}

/// Log-likelihood of all rows at the best rho.
fn of_rows(birds: &[Own]) -> Option<f64> {
    let rows: f64 = birds.iter().map(|bird| bird.rows).sum();
    let within: f64 = birds.iter().map(|bird| bird.within).sum();
    if within <= 0.0 {
        return None;
    }
    let log_weights: f64 = birds.iter().map(|bird| bird.log_weights).sum();
    let at = |share: f64| {
        let (mut squares, mut log_variances) = (within / (1.0 - share), -log_weights);
        for bird in birds {
            let together = 1.0 + (bird.rows - 1.0) * share;
            squares += bird.rows * bird.mean * bird.mean / together;
            log_variances += (bird.rows - 1.0) * (1.0 - share).ln() + together.ln();
        }
        at_best(rows, squares, log_variances).unwrap_or(f64::NEG_INFINITY)
    };
    // The best of a grid, then golden section between its neighbours.
    let step = 1.0 / GRID;
    let grid = (0..200).map(|i| f64::from(i) * step);
    let best = grid.max_by(|a, b| at(*a).total_cmp(&at(*b)))?;
    let (mut low, mut high) = ((best - step).max(0.0), (best + step).min(1.0));
    for _ in 0..80 {
        let (left, right) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
        if at(left) < at(right) {
            low = left;
        } else {
            high = right;
        }
    }
    Some(at(f64::midpoint(low, high)).max(at(best))).filter(|found| found.is_finite())
}

/// Values of rho that are tried before the search between them.
const GRID: f64 = 200.0;
/// (sqrt(5) - 1) / 2
const GOLDEN: f64 = 0.618_033_988_749_895;

#[cfg(test)]
mod tests {
    use super::*;

    /// AICc of an equation of one coefficient, by weights of 1.
    fn judged(whitened: &[f64], response: &[f64], birds: &[usize]) -> Option<f64> {
        let rows = Residuals {
            whitened,
            weights: &vec![1.0; whitened.len()],
            response,
            birds,
        };
        aicc(rows, 1, 2)
    }

    #[test]
    fn a_row_written_twice_adds_nothing() {
        let residuals = [1.0, -2.0, 3.0, -2.0, 0.5, -0.5];
        let twice: Vec<f64> = residuals.iter().flat_map(|r| [*r, *r]).collect();
        let response: Vec<f64> = (0..12).map(|row| f64::from(row / 2)).collect();
        let birds: Vec<usize> = (0..12).map(|row| row / 2).collect();
        let found = judged(&twice, &response, &birds).unwrap();
        // Six residuals of squares 18.5: -2 log L = 6 (ln(2 pi 18.5 / 6) + 1), and two
        // parameters cost 4 + 12 / 3.
        let expected = 6.0 * ((TAU * 18.5 / 6.0).ln() + 1.0) + 8.0;
        assert!((found - expected).abs() < 1e-10, "{found} {expected}");
    }

    /// Without a bird's part the likelihood is that of independent rows.
    #[test]
    fn rows_that_share_nothing_have_the_usual_likelihood() {
        let residuals = [1.0, -1.0, 2.0, -2.0, 1.5, -1.5, 0.5, -0.5];
        let response: Vec<f64> = (0..8).map(f64::from).collect();
        let found = judged(&residuals, &response, &[0, 0, 1, 1, 2, 2, 3, 3]).unwrap();
        // Three parameters of eight rows: 6 + 24 / 4.
        let expected = 8.0 * ((TAU * 15.0 / 8.0).ln() + 1.0) + 12.0;
        assert!((found - expected).abs() < 1e-8, "{found} {expected}");
    }

    #[test]
    fn an_exact_equation_has_no_likelihood() {
        let response: Vec<f64> = (0..8).map(f64::from).collect();
        let birds = [0, 0, 1, 1, 2, 2, 3, 3];
        assert_eq!(judged(&[0.0; 8], &response, &birds), None);
        assert_eq!(judged(&[0.0; 8], &[1.0; 8], &birds), None);
    }

    #[test]
    fn rows_that_repeat_their_bird_count_once() {
        // Twice the same residual: the second row adds no information.
        let residuals = [1.0, 1.0, -2.0, -2.0, 3.0, 3.0, -2.0, -2.0];
        let cluster_correlation =
            ClusterCorrelation::of(&residuals, &[0, 0, 1, 1, 2, 2, 3, 3], 1).unwrap();
        // Sum of squares 18 over 3 degrees of freedom of four birds.
        assert!((cluster_correlation.variance - 6.0).abs() < 1e-12);
        assert!((cluster_correlation.factor - 2.0).abs() < 1e-12);
        assert_eq!(cluster_correlation.df, 3);
    }

    #[test]
    fn rows_that_share_nothing_count_each() {
        let residuals = [1.0, -1.0, 2.0, -2.0, 1.5, -1.5, 0.5, -0.5];
        let cluster_correlation =
            ClusterCorrelation::of(&residuals, &[0, 0, 1, 1, 2, 2, 3, 3], 1).unwrap();
        assert!((cluster_correlation.factor - 1.0).abs() < 1e-12);
        // Within 2 (1 + 4 + 2.25 + 0.25) over four degrees of freedom.
        assert!((cluster_correlation.variance - 15.0 / 4.0).abs() < 1e-12);
        // Each bird once: no correlation to estimate.
        assert_eq!(
            ClusterCorrelation::of(&residuals, &[0, 1, 2, 3, 4, 5, 6, 7], 1),
            None
        );
    }
}
