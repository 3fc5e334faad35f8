//! Hand-weighed samples of the same days calibrate a scale.
//!
//! The log of a scale's daily value over that of a sample of the same pen and day is
//!
//! ```text
//! y = b0 + b1 (age - mean age) + u_scale + d + e
//! ```
//!
//! with b the scales' bias (which birds come, and what the scale itself reads too much), u what a
//! scale deviates by (SD S), d what a pair deviates by (another hour, another hand scale; SD
//! D), and e the error of the pair, whose variance is known: that of the daily value and that of
//! the sample's mean (of the same ringed birds each time, the latter is common to a scale's
//! pairs). The bias of a scale is b + u. Given S and D it is predicted by universal kriging
//! (Cressie 1993, Statistics for Spatial Data, section 3.4); S and D are averaged over a grid by
//! their restricted likelihood and a half-normal weight of SD 1 percent, since a few pairs carry
//! little information on them (Gelman 2006, Bayesian Analysis 1:515).

use nalgebra::{DMatrix, DVector};

/// A scale's value beside a sample's of the same pen and day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    /// The scale.
    pub scale: usize,
    /// Age, d.
    pub age_d: f64,
    /// Log of the scale's value over the sample's.
    pub log_ratio: f64,
    /// Variance of the scale's value.
    pub variance: f64,
    /// Variance of the sample's mean.
    pub hand_variance: f64,
    /// Whether the birds of the sample are the same each time, so that its error is.
    pub same_birds: bool,
}

/// Bias of scales on the log scale.
#[derive(Debug, Clone)]
pub struct Calibration {
    pairs: Vec<Pair>,
    mean_age_d: f64,
    /// Whether the bias is a line in age.
    pub by_age: bool,
    fits: Vec<Fit>,
    /// SDs between scales and between days, averaged.
    pub scale_sd: f64,
    /// As `scale_sd`.
    pub day_sd: f64,
}

/// Given the two SDs.
#[derive(Debug, Clone)]
struct Fit {
    probability: f64,
    scale_variance: f64,
    day_variance: f64,
    inverse: DMatrix<f64>,
    /// (X' V^-1 X)^-1.
    covariance: DMatrix<f64>,
    terms: DVector<f64>,
    /// V^-1 (y - X b).
    residuals: DVector<f64>,
}

/// A bias on the log scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bias {
    /// Log of the scale's value over the true one.
    pub log_ratio: f64,
    /// Its variance.
    pub variance: f64,
}

/// Fewest ages, and shortest span of days, with which the bias may follow age.
const LINE_FROM_AGES: usize = 4;
const LINE_OVER_D: f64 = 21.0;
/// Half-normal weight of the SDs between scales and days.
const WEIGHT_SD: f64 = 0.01;
/// Grid of the SDs.
const SDS: [f64; 9] = [0.0, 0.0025, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.04];

impl Calibration {
    /// From at least one pair; `None` where there is none.
    pub(super) fn of(pairs: Vec<Pair>) -> Option<Self> {
        let first = pairs.first()?.scale;
        let several = pairs.iter().any(|pair| pair.scale != first);
        let mut ages: Vec<f64> = pairs.iter().map(|pair| pair.age_d).collect();
        ages.sort_by(f64::total_cmp);
        ages.dedup();
        let by_age = ages.len() >= LINE_FROM_AGES && ages[ages.len() - 1] - ages[0] >= LINE_OVER_D;
        let mean_age_d = pairs.iter().map(|pair| pair.age_d).sum::<f64>() / pairs.len() as f64;
        let mut calibration = Self {
            pairs,
            mean_age_d,
            by_age,
            fits: Vec::new(),
            scale_sd: 0.0,
            day_sd: 0.0,
        };
        let scale_sds = if several { &SDS[..] } else { &SDS[..1] };
        let mut log_weights = Vec::new();
        for scale_sd in scale_sds {
            for day_sd in &SDS {
                let Some((fit, log_likelihood)) = calibration.fit(*scale_sd, *day_sd) else {
                    continue;
                };
                let prior = (scale_sd.powi(2) + day_sd.powi(2)) / (2.0 * WEIGHT_SD * WEIGHT_SD);
                // Cells of the grid differ in width.
                let width = cell_width(*scale_sd).ln() + cell_width(*day_sd).ln();
                log_weights.push(log_likelihood - prior + width);
                calibration.fits.push(fit);
            }
        }
        let greatest = log_weights
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = log_weights
            .iter()
            .map(|weight| (weight - greatest).exp())
            .sum();
        for (fit, weight) in calibration.fits.iter_mut().zip(&log_weights) {
            fit.probability = (weight - greatest).exp() / total;
            calibration.scale_sd += fit.probability * fit.scale_variance.sqrt();
            calibration.day_sd += fit.probability * fit.day_variance.sqrt();
        }
        (!calibration.fits.is_empty()).then_some(calibration)
    }

    fn row(&self, age_d: f64) -> Vec<f64> {
        let mut row = vec![1.0];
        if self.by_age {
            row.push(age_d - self.mean_age_d);
        }
        row
    }

    fn fit(&self, scale_sd: f64, day_sd: f64) -> Option<(Fit, f64)> {
        let n = self.pairs.len();
        let (scale_variance, day_variance) = (scale_sd.powi(2), day_sd.powi(2));
        let covariance = DMatrix::from_fn(n, n, |i, j| {
            let (one, other) = (&self.pairs[i], &self.pairs[j]);
            let mut covariance = 0.0;
            if i == j {
                covariance += one.variance + one.hand_variance + day_variance;
            }
            if one.scale == other.scale {
                covariance += scale_variance;
                if i != j && one.same_birds && other.same_birds {
                    covariance += (one.hand_variance * other.hand_variance).sqrt();
                }
            }
            covariance
        });
        let design = DMatrix::from_fn(n, self.row(0.0).len(), |i, j| {
            self.row(self.pairs[i].age_d)[j]
        });
        let y = DVector::from_iterator(n, self.pairs.iter().map(|pair| pair.log_ratio));
        let root = covariance.cholesky()?;
        let inverse = root.inverse();
        let information = design.transpose() * &inverse * &design;
        let information_root = information.clone().cholesky()?;
        let terms = information_root.solve(&(design.transpose() * &inverse * &y));
        let left = &y - &design * &terms;
        let residuals = &inverse * &left;
        let log_of = |root: &nalgebra::Cholesky<f64, nalgebra::Dyn>| -> f64 {
            root.l_dirty()
                .diagonal()
                .iter()
                .map(|value| value.ln())
                .sum()
        };
        let log_likelihood =
            -log_of(&root) - log_of(&information_root) - left.dot(&residuals) / 2.0;
        let fit = Fit {
            probability: 0.0,
            scale_variance,
            day_variance,
            inverse,
            covariance: information_root.inverse(),
            terms,
            residuals,
        };
        Some((fit, log_likelihood))
    }

    /// The bias of a scale on a day; of a scale without pairs that of scales at large.
    #[must_use]
    pub fn at(&self, scale: usize, age_d: f64) -> Bias {
        let row = DVector::from_vec(self.row(age_d));
        let n = self.pairs.len();
        let design = DMatrix::from_fn(n, row.len(), |i, j| self.row(self.pairs[i].age_d)[j]);
        let (mut mean, mut square) = (0.0, 0.0);
        for fit in &self.fits {
            let shared = DVector::from_iterator(
                n,
                self.pairs.iter().map(|pair| {
                    if pair.scale == scale {
                        fit.scale_variance
                    } else {
                        0.0
                    }
                }),
            );
            let weights = &fit.inverse * &shared;
            let left = &row - design.transpose() * &weights;
            let log_ratio = row.dot(&fit.terms) + shared.dot(&fit.residuals);
            let variance = fit.scale_variance - shared.dot(&weights)
                + (left.transpose() * &fit.covariance * &left)[(0, 0)];
            mean += fit.probability * log_ratio;
            square += fit.probability * (variance + log_ratio * log_ratio);
        }
        Bias {
            log_ratio: mean,
            variance: square - mean * mean,
        }
    }

    /// The bias of a scale at large, one without samples.
    #[must_use]
    pub fn at_large(&self, age_d: f64) -> Bias {
        self.at(usize::MAX, age_d)
    }

    /// First and last age of a sample, d.
    #[must_use]
    pub fn ages_d(&self) -> (f64, f64) {
        let ages = self.pairs.iter().map(|pair| pair.age_d);
        (
            ages.clone().fold(f64::INFINITY, f64::min),
            ages.fold(f64::NEG_INFINITY, f64::max),
        )
    }

    /// Pairs that it rests on.
    #[must_use]
    pub fn pairs(&self) -> usize {
        self.pairs.len()
    }
}

/// Width of the grid's cell round one of its SDs.
fn cell_width(sd: f64) -> f64 {
    let at = SDS.iter().position(|known| *known >= sd).unwrap_or(0);
    let lower = if at == 0 {
        0.0
    } else {
        f64::midpoint(SDS[at - 1], SDS[at])
    };
    let upper = SDS
        .get(at + 1)
        .map_or(SDS[at], |next| f64::midpoint(SDS[at], *next));
    upper - lower
}
