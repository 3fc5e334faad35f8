//! How precisely a design would estimate each quantity.
//!
//! Informations of birds add, so that every variance here is that of one bird a strain
//! over the number of birds: a schedule is worked out once, and all numbers of birds
//! follow. Intervals take Student's t on birds minus strains degrees of freedom, as the
//! fit of all birds at once does.
//!
//! A bird of a *serial slaughter* is analysed once: its information is that of one
//! age, and a strain's birds are shared evenly among the ages.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::{Estimand, Sampling, Schedule, Target};
use crate::fit::mixed::Population;
use crate::fit::profile::Quantity;

/// Scaled to a unit diagonal, a pivot below this leaves a combination of terms undetermined.
const LEAST_PIVOT: f64 = 1e-10;

/// A design whose standard error with this number of birds a strain is still greater than the
/// quantity itself carries no information: more than any study has (common practice, no
/// source). Such is the spread of a term that went to zero in the pilot.
const MANY_BIRDS: f64 = 100.0;

/// Why a schedule does not determine some terms.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotEstimable {
    /// The reason in words.
    pub reason: String,
}

/// What one bird in each strain is expected to contribute by a schedule.
#[derive(Debug, Clone)]
pub struct ExpectedPrecision {
    /// Covariance of the fixed effects, all strains together.
    fixed: DMatrix<f64>,
    /// Covariance of the spread's parameters; none where they cannot be estimated.
    spread: Option<DMatrix<f64>>,
    /// Covariance of a bird's random effects given its observations, strain by strain;
    /// empty where a bird is seen once.
    conditional: Vec<DMatrix<f64>>,
}

impl ExpectedPrecision {
    /// Works a schedule out.
    ///
    /// # Errors
    /// [`NotEstimable`] where the ages cannot separate the terms.
    pub fn of(population: &Population, schedule: &Schedule) -> Result<Self, NotEstimable> {
        let curve = population.curve();
        let not_estimable = |why: &str| NotEstimable {
            reason: format!("ages of {}: {why}", schedule.ages_in_words()),
        };
        let mut conditional = Vec::new();
        let mut spread: Option<DMatrix<f64>> = None;
        let count = 1 + population.last_fixed_effect();
        let mut fixed = DMatrix::<f64>::zeros(count, count);
        for group in 0..population.groups() {
            let nowhere = || not_estimable("the curve has no positive value at one of them");
            let terms = match schedule.sampling {
                Sampling::Repeated => {
                    let all = population
                        .information(group, &schedule.ages_d)
                        .ok_or_else(nowhere)?;
                    conditional.push(all.conditional);
                    spread = Some(match spread {
                        Some(sum) => sum + all.spread,
                        None => all.spread,
                    });
                    all.terms
                }
                Sampling::SerialSlaughter => {
                    let one = |age_d: &f64| population.term_information(group, &[*age_d]);
                    let each: Option<Vec<DMatrix<f64>>> = schedule.ages_d.iter().map(one).collect();
                    let each = each.ok_or_else(nowhere)?;
                    let ages = each.len() as f64;
                    each.iter().sum::<DMatrix<f64>>() / ages
                }
            };
            let columns = population.fixed_effects(group);
            for (k, row) in columns.iter().enumerate() {
                for (l, column) in columns.iter().enumerate() {
                    fixed[(*row, *column)] += terms[(k, l)];
                }
            }
        }
        let fixed = inverse(&fixed).ok_or_else(|| {
            not_estimable(&format!(
                "they cannot separate the {} terms of the curve {}; take more ages, further spread",
                curve.terms().len(),
                curve.name()
            ))
        })?;
        Ok(Self {
            fixed,
            spread: spread.as_ref().and_then(inverse),
            conditional,
        })
    }

    /// Variance of a target with one bird in each strain (of a cue: of one bird's own
    /// value, whatever the number of birds); `None` where the schedule cannot estimate it.
    #[must_use]
    pub fn variance(&self, population: &Population, target: &Target) -> Option<f64> {
        let variance = match target.what {
            Estimand::Value(quantity) | Estimand::Contrast(quantity) => {
                let mut slope = DVector::zeros(self.fixed.nrows());
                for (group, sign) in target.strains.iter().zip([1.0, -1.0]) {
                    let own = gradient(population, *group, quantity)?;
                    let columns = population.fixed_effects(*group);
                    for (own, column) in own.iter().zip(columns) {
                        slope[*column] += sign * own;
                    }
                }
                (&self.fixed * &slope).dot(&slope)
            }
            Estimand::Cue(quantity) => {
                let group = target.strains[0];
                let gradient = gradient(population, group, quantity)?;
                let own = population.random_gradient(group, gradient.as_slice());
                (self.conditional.get(group)? * &own).dot(&own)
            }
            Estimand::Spread(parameter) => {
                let gradient = population.spread_gradient(parameter)?;
                (self.spread.as_ref()? * &gradient).dot(&gradient)
            }
        };
        let informative = match target.what {
            Estimand::Value(_) | Estimand::Spread(_) => {
                variance <= MANY_BIRDS * target.value.powi(2)
            }
            Estimand::Contrast(_) | Estimand::Cue(_) => true,
        };
        (informative && variance > 0.0 && variance.is_finite()).then_some(variance)
    }
}

/// Gradient of a quantity in a strain's terms.
fn gradient(population: &Population, group: usize, quantity: Quantity) -> Option<DVector<f64>> {
    let terms = population.group_terms(group);
    let mut gradient = vec![0.0; terms.len()];
    quantity.value(&**population.curve(), &terms, &mut gradient)?;
    Some(DVector::from_vec(gradient))
}

/// Factor after scaling to a unit diagonal, and the scales (1 / sqrt of the diagonal);
/// `None` where the matrix is singular to working precision.
pub(super) fn scaled_factor(matrix: &DMatrix<f64>) -> Option<(DVector<f64>, Cholesky<f64, Dyn>)> {
    let scales = matrix.diagonal().map(|x| 1.0 / x.sqrt());
    if !scales.iter().all(|scale| scale.is_finite()) {
        return None;
    }
    let n = matrix.nrows();
    let scaled = DMatrix::from_fn(n, n, |k, l| matrix[(k, l)] * scales[k] * scales[l]);
    let factor = scaled.cholesky()?;
    let pivots = factor.l_dirty().diagonal();
    (pivots.min().powi(2) > LEAST_PIVOT).then_some((scales, factor))
}

fn inverse(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let (scales, factor) = scaled_factor(matrix)?;
    let inverse = factor.inverse();
    let n = matrix.nrows();
    Some(DMatrix::from_fn(n, n, |k, l| {
        inverse[(k, l)] * scales[k] * scales[l]
    }))
}
