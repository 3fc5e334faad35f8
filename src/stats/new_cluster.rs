//! How far do clusters differ, and where will another one lie, when there are few of them?
//!
//! Each of k clusters has an estimate of a quantity (the level of its line at some point,
//! its slope), `q ~ N(m 1 + t^2, s^2 C)`: they differ with variance t^2 about m, and their
//! estimates have errors with the known covariance C times s^2, of which n values left an estimate
//! on f degrees of freedom. With l = t^2 / s^2 and
//!
//! ```text
//! Q(l) = (q - m(l))' (l I + C)^-1 (q - m(l)),   m(l) by generalised least squares,
//! ```
//!
//! Q(l) / s^2 is chi squared on k - 1 and the residual sum of squares over s^2 on f degrees of
//! freedom, independently. Inverting both gives the exact test of no difference, exact intervals
//! of l and, with draws of the two chi squares, distributions of t and of a new cluster's value,
//! which is that of Student's t on k - 1 degrees of freedom where the clusters' own errors are
//! nothing. A restricted likelihood that ends at t = 0 promises too much of a new cluster; this does
//! not, since it has all t that the clusters leave possible. Draws are the quantiles of the
//! chi squares, so that the same data give the same interval.
//!
//! # Source
//! Wald A (1947) A note on regression analysis, Annals of Mathematical Statistics 18:586-589 (the
//! exact interval of a ratio of variances); Weerahandi S (1993) Generalized confidence intervals,
//! Journal of the American Statistical Association 88:899-905; Nagashima K, Noma H, Furukawa TA
//! (2019) Prediction intervals for random-effects meta-analysis: a confidence distribution
//! approach, Statistical Methods in Medical Research 28:1689-1702, which does so with s known.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

use super::distribution::{
    chi_squared_quantile, f_quantile, f_upper, normal_lower, normal_quantile,
};
use super::{Failure, Interval};

/// Quantiles of the two chi squares.
const BETWEEN: usize = 200;
const WITHIN: usize = 5;
/// Newton's steps to a ratio, of which far from the root each doubles it.
const STEPS: usize = 200;
/// Halvings of the interval in which a quantile lies.
const HALVINGS: usize = 60;
/// Its width at the end, as a share of the first.
const PRECISE: f64 = 1e-7;
/// Degrees of freedom from which on s is as good as known.
const KNOWN: f64 = 200.0;

/// Own estimates of k clusters.
#[derive(Debug, Clone)]
pub struct ClusterValues {
    /// Contrasts between the estimates, turned so that their errors are independent, k - 1.
    contrasts: Vec<f64>,
    /// Variances of their errors over s^2.
    spreads: Vec<f64>,
    /// `q'v` and `1'v` along each eigenvector v of C, and its eigenvalue.
    along: Vec<[f64; 3]>,
    squares: f64,
    df: f64,
    draws: Vec<Draw>,
}

/// One pair of quantiles of the chi squares.
#[derive(Debug, Clone, Copy)]
struct Draw {
    /// t^2.
    between: f64,
    /// s^2.
    within: f64,
    /// m and the variance of its estimate.
    mean: f64,
    of_mean: f64,
}

impl ClusterValues {
    /// From the clusters' estimates.
    ///
    /// # Shapes
    /// `values`: k, at least 2; `covariance`: k x k, over s^2; `squares`: the residual sum of
    /// squares on `df` degrees of freedom.
    ///
    /// # Errors
    /// [`Failure::TooFew`] for fewer than 2 clusters; [`Failure::NoVariation`] where the residual
    /// sum of squares is 0 or has no degrees of freedom.
    pub fn of(
        values: &[f64],
        covariance: &DMatrix<f64>,
        (squares, df): (f64, f64),
    ) -> Result<Self, Failure> {
        let k = values.len();
        if k < 2 {
            return Err(Failure::TooFew {
                what: "clusters",
                found: k,
                needed: 2,
            });
        }
        if !(squares > 0.0 && df >= 1.0) {
            return Err(Failure::NoVariation {
                what: "the values of clusters about their estimates".to_owned(),
            });
        }
        let q = DVector::from_column_slice(values);
        let helmert = DMatrix::from_fn(k - 1, k, |row, column| {
            let size = (((row + 1) * (row + 2)) as f64).sqrt();
            match column {
                _ if column <= row => 1.0 / size,
                _ if column == row + 1 => -((row + 1) as f64) / size,
                _ => 0.0,
            }
        });
        let between = SymmetricEigen::new(&helmert * covariance * helmert.transpose());
        let contrasts = between.eigenvectors.tr_mul(&(&helmert * &q));
        let whole = SymmetricEigen::new(covariance.clone());
        let along = (0..k).map(|i| {
            let v = whole.eigenvectors.column(i);
            [v.dot(&q), v.sum(), whole.eigenvalues[i].max(0.0)]
        });
        let mut all = Self {
            contrasts: contrasts.iter().copied().collect(),
            spreads: between.eigenvalues.iter().map(|e| e.max(0.0)).collect(),
            along: along.collect(),
            squares,
            df,
            draws: Vec::new(),
        };
        all.draws = all.all_draws();
        Ok(all)
    }

    fn all_draws(&self) -> Vec<Draw> {
        let quantiles = |n: usize, df: f64| -> Vec<f64> {
            (0..n)
                .map(|i| chi_squared_quantile((i as f64 + 0.5) / n as f64, df))
                .collect()
        };
        let within: Vec<f64> = if self.df > KNOWN {
            vec![self.df]
        } else {
            quantiles(WITHIN, self.df)
        };
        let between = quantiles(BETWEEN, self.contrasts.len() as f64);
        let pairs = within
            .iter()
            .flat_map(|u| between.iter().map(move |w| (*u, *w)));
        pairs
            .map(|(u, w)| {
                let s2 = self.squares / u;
                let ratio = self.ratio(s2 * w);
                let (mean, of_mean) = self.mean(ratio);
                Draw {
                    between: s2 * ratio,
                    within: s2,
                    mean,
                    of_mean: s2 * of_mean,
                }
            })
            .collect()
    }

    fn q(&self, ratio: f64) -> f64 {
        let pairs = self.contrasts.iter().zip(&self.spreads);
        pairs.map(|(z, d)| z * z / (ratio + d).max(1e-300)).sum()
    }

    /// The l at which Q is this; 0 where it is less even there.
    fn ratio(&self, q: f64) -> f64 {
        if q.is_nan() || q <= 0.0 || self.q(0.0) <= q {
            return 0.0;
        }
        // Q falls and is convex: Newton's steps from the left end at the root without passing it.
        let mut ratio = 0.0;
        for _ in 0..STEPS {
            let slope: f64 = self
                .contrasts
                .iter()
                .zip(&self.spreads)
                .map(|(z, d)| (z / (ratio + d).max(1e-300)).powi(2))
                .sum();
            let step = (self.q(ratio) - q) / slope;
            ratio += step;
            if step <= 1e-12 * ratio {
                break;
            }
        }
        ratio
    }

    /// m(l), and its variance over s^2.
    fn mean(&self, ratio: f64) -> (f64, f64) {
        let (mut above, mut below) = (0.0, 0.0);
        for [value, one, spread] in &self.along {
            let weight = 1.0 / (ratio + spread).max(1e-300);
            above += value * one * weight;
            below += one * one * weight;
        }
        (above / below, 1.0 / below)
    }

    /// P of the exact test that the clusters do not differ.
    #[must_use]
    pub fn p_value(&self) -> f64 {
        let clusters = self.contrasts.len() as f64;
        let f = self.q(0.0) / clusters / (self.squares / self.df);
        f_upper(f, clusters, self.df)
    }

    /// The share l / (l + own) of the variance of a value that is between clusters, and its
    /// exact interval; `own` is the value's residual variance over s^2.
    #[must_use]
    pub fn share_between(&self, own: f64, confidence: f64) -> Interval {
        let clusters = self.contrasts.len() as f64;
        let at = |p: f64| {
            let f = f_quantile(p, clusters, self.df);
            let ratio = self.ratio(f * clusters * self.squares / self.df);
            ratio / (ratio + own)
        };
        let tail = (1.0 - confidence) / 2.0;
        Interval {
            lower: at(1.0 - tail),
            upper: at(tail),
        }
    }

    /// Interval of t, the SD between clusters.
    #[must_use]
    pub fn sd_between(&self, confidence: f64) -> Interval {
        let mut variances: Vec<f64> = self.draws.iter().map(|draw| draw.between).collect();
        variances.sort_by(f64::total_cmp);
        let tail = (1.0 - confidence) / 2.0;
        let count = variances.len() as f64;
        // The draws are equally likely: those of which no more than the tail lies beyond.
        let beyond = |place: usize| (place as f64) < tail * count;
        let skipped = (0..variances.len())
            .take_while(|place| beyond(*place))
            .count();
        let last = variances.len() - 1;
        Interval {
            lower: variances[skipped.min(last)].sqrt(),
            upper: variances[last.saturating_sub(skipped)].sqrt(),
        }
    }

    /// Prediction interval of a new cluster's quantity, with an error of variance
    /// `own` s^2: 0 for the cluster itself, that of one value for a value of it.
    #[must_use]
    pub fn of_new_cluster(&self, own: f64, confidence: f64) -> Interval {
        let laws: Vec<[f64; 2]> = self
            .draws
            .iter()
            .map(|draw| {
                let variance = draw.between + draw.of_mean + own * draw.within;
                [draw.mean, variance.sqrt().max(f64::MIN_POSITIVE)]
            })
            .collect();
        let tail = (1.0 - confidence) / 2.0;
        let below = |x: f64| -> f64 {
            let sum: f64 = laws.iter().map(|[m, s]| normal_lower((x - m) / s)).sum();
            sum / laws.len() as f64
        };
        let far = normal_quantile(1.0 - tail / 2.0);
        let end = |p: f64, sign: f64| {
            let ends = laws.iter().map(|[m, s]| m + sign * far * s);
            let mut low = ends.clone().fold(f64::INFINITY, f64::min);
            let mut high = ends.fold(f64::NEG_INFINITY, f64::max);
            let first = high - low;
            // The quantile of a mixture lies between the least and the greatest of its parts.
            for _ in 0..HALVINGS {
                let middle = f64::midpoint(low, high);
                if below(middle) < p {
                    low = middle;
                } else {
                    high = middle;
                }
                if high - low <= PRECISE * first {
                    break;
                }
            }
            f64::midpoint(low, high)
        };
        Interval {
            lower: end(tail, -1.0),
            upper: end(1.0 - tail, 1.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::distribution::t_two_sided_quantile;
    use crate::stats::{mean, squares_about_mean};

    const VALUES: [f64; 5] = [3.1, -1.4, 0.6, 5.2, 1.9];

    /// Clusters without estimation errors: Student's t on k - 1.
    #[test]
    fn clusters_known_exactly_give_students_t() {
        let exact = DMatrix::identity(5, 5) * 1e-9;
        let values = ClusterValues::of(&VALUES, &exact, (1e-6, 40.0)).unwrap();
        let found = values.of_new_cluster(0.0, 0.95);
        let sd = (squares_about_mean(&VALUES) / 4.0).sqrt();
        let half = t_two_sided_quantile(0.95, 4.0) * sd * (1.0_f64 + 0.2).sqrt();
        // 200 quantiles of chi squared leave a hundredth.
        assert!(
            (found.width() / 2.0 / half - 1.0).abs() < 0.01,
            "{found:?} {half}"
        );
        assert!((f64::midpoint(found.lower, found.upper) - mean(&VALUES)).abs() < 0.01 * half);
        // Its SD: sqrt(squares / chi squared).
        let sds = values.sd_between(0.95);
        let end = |p: f64| (squares_about_mean(&VALUES) / chi_squared_quantile(p, 4.0)).sqrt();
        assert!((sds.lower / end(0.975) - 1.0).abs() < 0.02, "{sds:?}");
        assert!((sds.upper / end(0.025) - 1.0).abs() < 0.05, "{sds:?}");
    }

    /// Means of 8 values each: the F test of an analysis of variance.
    #[test]
    fn the_test_is_that_of_an_analysis_of_variance() {
        let values = ClusterValues::of(&VALUES, &(DMatrix::identity(5, 5) / 8.0), (700.0, 35.0));
        let values = values.unwrap();
        let f = 8.0 * squares_about_mean(&VALUES) / 4.0 / 20.0;
        assert!((values.p_value() / f_upper(f, 4.0, 35.0) - 1.0).abs() < 1e-9);
        // Wald's interval: (F / F_quantile - 1) / 8 is the ratio of the variances.
        let share = values.share_between(1.0, 0.9);
        let ratio = (f / f_quantile(0.05, 4.0, 35.0) - 1.0) / 8.0;
        assert!(
            (share.upper / (ratio / (ratio + 1.0)) - 1.0).abs() < 1e-9,
            "{share:?}"
        );
    }

    #[test]
    fn too_few_or_exact_values_are_refused() {
        let one = DMatrix::identity(1, 1);
        assert!(ClusterValues::of(&[1.0], &one, (1.0, 3.0)).is_err());
        let two = DMatrix::identity(2, 2);
        assert!(ClusterValues::of(&[1.0, 2.0], &two, (0.0, 3.0)).is_err());
        let alike = ClusterValues::of(&[1.0, 1.0], &two, (2.0, 3.0)).unwrap();
        assert!((alike.p_value() - 1.0).abs() < 1e-12 && alike.sd_between(0.95).upper <= 0.0);
    }
}
