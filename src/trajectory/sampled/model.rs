//! The model fitted: variances and terms in turn.

use std::sync::Arc;

use nalgebra::{DMatrix, DVector};

use super::data::{Part, SampledData};
use super::likelihood::{self, Criterion, Fitted, Linearised};
use super::search;
use super::spread::{Layout, Spread, UNIT, reduce};
use crate::growth::Curve;

/// Rounds of variances and terms in turn.
const ROUNDS: usize = 40;
/// Steps of the terms at given variances.
const STEPS: usize = 60;

/// The fitted model.
#[derive(Debug, Clone)]
pub struct SampledModel {
    /// The curve of the typical bird.
    pub curve: Arc<dyn Curve>,
    /// Its terms, a row a group.
    pub terms: Vec<Vec<f64>>,
    /// Their covariance, a matrix a group.
    pub covariance: Vec<DMatrix<f64>>,
    /// Variances between units, days and a unit's occasions, of logarithms.
    pub components: Components,
    /// Restricted log-likelihood.
    pub restricted: f64,
    /// Log-likelihood at the same variances, for the choice of curve.
    pub log_lik: f64,
    /// Terms and parameters of variation.
    pub parameters: usize,
    /// Cells.
    pub cells: usize,
    layout: Layout,
    x: DVector<f64>,
    /// Covariance of `x`; zero in directions that the data do not determine.
    x_covariance: DMatrix<f64>,
    /// How each group's covariance of terms changes with each entry of `x`.
    slopes: Vec<Vec<DMatrix<f64>>>,
}

/// Variances of logarithms, with the covariance of their errors.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Components {
    /// Between units of a group.
    pub units: f64,
    /// Between days, common to all units of a group.
    pub days: f64,
    /// Between a unit's occasions.
    pub occasions: f64,
    /// Variances and covariance of the errors of `days` and `occasions`: of days, of both, of
    /// occasions.
    pub errors: [f64; 3],
    /// Variance of the error of `units`.
    pub units_error: f64,
}

/// A value on the log scale with its standard error and degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogEstimate {
    /// Logarithm of grams.
    pub value: f64,
    /// Its standard error.
    pub std_error: f64,
    /// Degrees of freedom of the standard error.
    pub df: f64,
}

/// Everything that a fit holds while it searches.
struct Search<'a> {
    curve: &'a dyn Curve,
    data: &'a SampledData,
    by_unit: Vec<Vec<usize>>,
    layout: Layout,
    terms: Vec<Vec<f64>>,
}

impl SampledModel {
    /// Fits a curve a group; `start` holds the terms of each to begin with, and `slopes` sets how
    /// many terms in age the log SD has (0 to 2).
    ///
    /// # Errors
    /// Why there is no fit, in words.
    pub fn fit(
        curve: &Arc<dyn Curve>,
        data: &SampledData,
        start: Vec<Vec<f64>>,
        slopes: usize,
    ) -> Result<Self, String> {
        let p = curve.terms().len();
        let layout = Layout::of(data, slopes);
        if data.cells.len() < data.groups() * p + layout.components().iter().flatten().count() {
            return Err(format!(
                "{} occasions for {} curves of {p} terms",
                data.cells.len(),
                data.groups()
            ));
        }
        let mut by_unit = vec![Vec::new(); data.units.len()];
        for (at, part) in data.parts.iter().enumerate() {
            let cell = match part {
                Part::Sample { cell, .. } | Part::Bulk { cell, .. } => *cell,
                Part::Bird { cells, .. } => cells[0],
            };
            by_unit[data.cells[cell].unit].push(at);
        }
        let mut search = Search {
            curve: curve.as_ref(),
            data,
            by_unit,
            layout,
            terms: start,
        };
        let mut x = search.layout.start(search.raw_log_sd());
        let failed = || "the search found no values of the likelihood".to_owned();
        let mut before = f64::NEG_INFINITY;
        let mut settled = false;
        for round in 0..ROUNDS {
            search.steps(&x).ok_or_else(failed)?;
            let linear = search.linearised().ok_or_else(failed)?;
            let summit = search::maximise(x, &|x| search.value(x, &linear, Criterion::Restricted))
                .ok_or_else(failed)?;
            x = summit.x;
            settled = summit.converged
                && (summit.value - before).abs() < 1e-5 * (1.0 + summit.value.abs() * 1e-6);
            before = summit.value;
            if settled && round > 0 {
                break;
            }
        }
        if !settled {
            return Err("the variances did not settle".to_owned());
        }
        search.steps(&x).ok_or_else(failed)?;
        search.finished(curve, x).ok_or_else(failed)
    }

    /// Log value of the typical bird of a group at an age, d.
    #[must_use]
    pub fn typical(&self, group: usize, age_d: f64) -> LogEstimate {
        let p = self.terms[group].len();
        let mut gradient = vec![0.0; p];
        let value = self
            .curve
            .value_and_gradient(age_d, &self.terms[group], &mut gradient);
        let gradient = DVector::from_vec(gradient) / value;
        self.of_terms(group, value.ln(), &gradient)
    }

    /// A term of a group's curve.
    #[must_use]
    pub fn term(&self, group: usize, term: usize) -> LogEstimate {
        let mut gradient = DVector::zeros(self.terms[group].len());
        gradient[term] = 1.0;
        self.of_terms(group, self.terms[group][term], &gradient)
    }

    fn of_terms(&self, group: usize, value: f64, gradient: &DVector<f64>) -> LogEstimate {
        let form = |matrix: &DMatrix<f64>| (gradient.transpose() * matrix * gradient)[(0, 0)];
        let variance = form(&self.covariance[group]).max(0.0);
        let slopes = DVector::from_iterator(
            self.x.len(),
            self.slopes.iter().map(|groups| form(&groups[group])),
        );
        let error = (slopes.transpose() * &self.x_covariance * &slopes)[(0, 0)];
        LogEstimate {
            value,
            std_error: variance.sqrt(),
            df: satterthwaite(variance, error),
        }
    }

    /// SD between birds of a group at an age, of logarithms; none where it cannot be known.
    /// Outside the ages weighed it is that of the nearest.
    #[must_use]
    pub fn sd(&self, group: usize, age_d: f64) -> Option<f64> {
        let spread = self.spread();
        (!spread.log_sd.is_empty()).then(|| spread.sd(group, age_d))
    }

    /// Share of a ringed bird's variance that passes between its weighings, and the days after
    /// which the lasting part has fallen to 1/e; none without ringed birds.
    #[must_use]
    pub fn within_birds(&self) -> Option<(f64, f64)> {
        let spread = self.spread();
        self.layout
            .has_repeats
            .then_some((spread.passing, spread.lasting_d))
    }

    /// Terms in age of the log SD between birds.
    #[must_use]
    pub fn spread_terms(&self) -> usize {
        self.layout.slopes
    }

    /// AIC by restricted likelihood, for models that differ in variation alone.
    #[must_use]
    pub fn restricted_aic(&self) -> f64 {
        2.0 * self.parameters as f64 - 2.0 * self.restricted
    }

    fn spread(&self) -> Spread {
        self.layout.read(&self.x)
    }
}

/// Degrees of freedom of a variance with this error variance: 2 V^2 / var(V).
#[must_use]
pub fn satterthwaite(variance: f64, error: f64) -> f64 {
    if error > 0.0 {
        (2.0 * variance * variance / error).clamp(1.0, 1e6)
    } else {
        1e6
    }
}

impl Search<'_> {
    /// Logarithm of the pooled SD between birds, as weighed.
    fn raw_log_sd(&self) -> f64 {
        let (mut squares, mut df) = (0.0, 0.0);
        for part in &self.data.parts {
            match part {
                Part::Sample {
                    n, squares: own, ..
                } if *n > 1.0 => {
                    squares += own;
                    df += n - 1.0;
                }
                Part::Bulk {
                    n, cv: Some(cv), ..
                } => {
                    squares += (n - 1.0) * cv * cv;
                    df += n - 1.0;
                }
                _ => {}
            }
        }
        if df > 0.0 && squares > 0.0 {
            0.5 * (squares / df).ln()
        } else {
            0.09_f64.ln()
        }
    }

    fn linearised(&self) -> Option<Linearised> {
        self.linearised_at(&self.terms)
    }

    fn linearised_at(&self, terms: &[Vec<f64>]) -> Option<Linearised> {
        let p = self.curve.terms().len();
        let n = self.data.cells.len();
        let mut linear = Linearised {
            fitted: DVector::zeros(n),
            design: DMatrix::zeros(n, p),
        };
        let mut gradient = vec![0.0; p];
        for (at, cell) in self.data.cells.iter().enumerate() {
            let group = self.data.group_of(cell);
            let value = self
                .curve
                .value_and_gradient(cell.age_d, &terms[group], &mut gradient);
            if !(value > 0.0 && value.is_finite()) {
                return None;
            }
            linear.fitted[at] = value.ln();
            for (term, slope) in gradient.iter().enumerate() {
                linear.design[(at, term)] = slope / value;
            }
        }
        Some(linear)
    }

    fn fit(&self, x: &DVector<f64>, linear: &Linearised, criterion: Criterion) -> Option<Fitted> {
        let spread = self.layout.read(x);
        let reduced = reduce(self.data, &self.by_unit, &spread)?;
        likelihood::fit(self.data, &reduced, &spread, linear, criterion)
    }

    fn value(&self, x: &DVector<f64>, linear: &Linearised, criterion: Criterion) -> Option<f64> {
        Some(self.fit(x, linear, criterion)?.log_lik)
    }

    /// Moves the terms to their generalised least squares values at these variances.
    fn steps(&mut self, x: &DVector<f64>) -> Option<()> {
        let spread = self.layout.read(x);
        let reduced = reduce(self.data, &self.by_unit, &spread)?;
        let at = |terms: &[Vec<f64>]| {
            let linear = self.linearised_at(terms)?;
            likelihood::fit(self.data, &reduced, &spread, &linear, Criterion::Full)
        };
        let mut terms = self.terms.clone();
        let mut here = at(&terms)?;
        for _ in 0..STEPS {
            let mut factor = 1.0;
            let mut next = None;
            while factor > 1e-6 {
                let moved = self.moved(&terms, &here, factor);
                if let Some(there) = at(&moved).filter(|there| there.squares <= here.squares) {
                    next = Some((moved, there));
                    break;
                }
                factor *= 0.5;
            }
            let Some((moved, there)) = next else { break };
            let fall = here.squares - there.squares;
            terms = moved;
            let done = fall <= 1e-10 * (1.0 + there.squares);
            here = there;
            if done {
                break;
            }
        }
        self.terms = terms;
        Some(())
    }

    fn moved(&self, terms: &[Vec<f64>], fitted: &Fitted, factor: f64) -> Vec<Vec<f64>> {
        let bounds = self.curve.terms();
        let of_group = |(own, group): (&Vec<f64>, &likelihood::GroupFit)| {
            let moved = own.iter().zip(group.step.iter()).zip(bounds);
            moved
                .map(|((value, step), bound)| {
                    (value + factor * step).clamp(bound.lower, bound.upper)
                })
                .collect()
        };
        terms.iter().zip(&fitted.groups).map(of_group).collect()
    }

    fn finished(self, curve: &Arc<dyn Curve>, x: DVector<f64>) -> Option<SampledModel> {
        let linear = self.linearised()?;
        let restricted = |x: &DVector<f64>| self.value(x, &linear, Criterion::Restricted);
        let best = self.fit(&x, &linear, Criterion::Restricted)?;
        let curvature = search::hessian(&x, &restricted)?;
        let x_covariance = inverse_where_determined(&-curvature);
        const STEP: f64 = 1e-3;
        let covariances = |x: &DVector<f64>| -> Option<Vec<DMatrix<f64>>> {
            let fitted = self.fit(x, &linear, Criterion::Restricted)?;
            Some(
                fitted
                    .groups
                    .into_iter()
                    .map(|group| group.covariance)
                    .collect(),
            )
        };
        let mut slopes = Vec::new();
        for at in 0..x.len() {
            let mut moved = x.clone();
            moved[at] += STEP;
            let above = covariances(&moved)?;
            moved[at] -= 2.0 * STEP;
            let below = covariances(&moved)?;
            let pairs = above.iter().zip(&below);
            slopes.push(pairs.map(|(a, b)| (a - b) / (2.0 * STEP)).collect());
        }
        let log_lik = self.value(&x, &linear, Criterion::Full)?;
        let spread = self.layout.read(&x);
        let [units, days, occasions] = self.layout.components();
        // d(variance) = 2 UNIT^2 x dx.
        let error = |one: Option<usize>, other: Option<usize>| {
            one.zip(other).map_or(0.0, |(i, j)| {
                4.0 * UNIT.powi(4) * x[i] * x[j] * x_covariance[(i, j)]
            })
        };
        Some(SampledModel {
            curve: Arc::clone(curve),
            parameters: self.terms.iter().map(Vec::len).sum::<usize>() + self.layout.len(),
            terms: self.terms,
            covariance: best
                .groups
                .into_iter()
                .map(|group| group.covariance)
                .collect(),
            components: Components {
                units: spread.units,
                days: spread.days,
                occasions: spread.occasions,
                errors: [
                    error(days, days),
                    error(days, occasions),
                    error(occasions, occasions),
                ],
                units_error: error(units, units),
            },
            restricted: best.log_lik,
            log_lik,
            cells: self.data.cells.len(),
            layout: self.layout,
            x,
            x_covariance,
            slopes,
        })
    }
}

/// The inverse of an information matrix in the directions that have information; zero in others.
fn inverse_where_determined(information: &DMatrix<f64>) -> DMatrix<f64> {
    let n = information.nrows();
    let eigen = information.clone().symmetric_eigen();
    let greatest = eigen.eigenvalues.amax();
    let mut inverse = DMatrix::zeros(n, n);
    for (value, vector) in eigen
        .eigenvalues
        .iter()
        .zip(eigen.eigenvectors.column_iter())
    {
        if *value > 1e-8 * greatest.max(1.0) {
            inverse += vector * vector.transpose() / *value;
        }
    }
    inverse
}
