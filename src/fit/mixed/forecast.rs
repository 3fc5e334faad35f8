//! What will a subject be at a later age, given the population and its observations so far?
//!
//! Empirical Bayes: the population's estimates are taken as the prior of a new subject's
//! random effects, and the subject stands at its conditional mode, found by the mode
//! search of the marginal likelihood (`marginal.rs`). To first order at the mode, with g
//! the gradient of the curve at the later age in the subject's terms,
//!
//! Var(f^ - f) = g' L M^-1 L' g + g' T Cov(beta) T' g,
//!
//! the first part the bird's own and independent between subjects, the second that of the
//! fixed effects, common to all (L, M and T are defined in `conditional.rs`). For a curve
//! linear in its terms this is Henderson's prediction error variance of the best linear
//! unbiased predictor, exactly. What the estimation of the variances adds (Kass and
//! Steffey 1989, J Am Stat Assoc 84:717-726) is not in it; Student's t with subjects minus
//! groups degrees of freedom stands in its place.
//!
//! A new observation adds its residual variance. With residuals that fade as phi^gap, that
//! of the last observation is carried on: f(t) + s(t) rho u_last, with (1 - rho^2) s(t)^2
//! left over and the gradient of the whole in place of g.
//!
//! # Source
//! Henderson CR 1975, Best linear unbiased estimation and prediction under a selection
//! model, Biometrics 31:423-447; for the linearised nonlinear model Pinheiro and Bates
//! 2000, Mixed-effects models in S and S-PLUS, chapter 7 (from memory).

use rayon::prelude::*;

use super::conditional::{Known, Shared, effects_of};
use super::contribution::Noise;
use super::likelihood::difference_widths;
use super::marginal::{Marginal, Point};
use super::population::Population;
use super::problem::{CHUNK, Errors, Problem};
use super::scale;
use super::subjects::Subjects;
use crate::error::{Error, Result};
use crate::fit::Variance;
use crate::stats::distribution::{t_two_sided_quantile, t_upper};

/// Subjects brought to their modes, and what is to be expected of each at later ages.
///
/// # Shapes
/// Subject i's forecasts stand in the order of the ages requested for it.
#[derive(Debug, Clone)]
pub struct Forecasts {
    p: usize,
    q: usize,
    fixed: usize,
    df: f64,
    /// Covariance of the fixed effects.
    beta_covariance: Vec<f64>,
    logarithmic: bool,
    subjects: Columns,
}

/// Results of some subjects, one after the other.
#[derive(Debug, Clone, Default)]
struct Columns {
    found: Vec<bool>,
    terms: Vec<f64>,
    covariances: Vec<f64>,
    reliabilities: Vec<f64>,
    /// First forecast of each subject, and the end.
    starts: Vec<usize>,
    ages_d: Vec<f64>,
    locations: Vec<f64>,
    own_variances: Vec<f64>,
    residual_variances: Vec<f64>,
    /// How each forecast moves with the fixed effects, forecasts x fixed.
    slopes: Vec<f64>,
}

/// What is to be expected at one age, of one subject or of the mean of several.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// The age, d.
    pub age_d: f64,
    /// The median of a new observation, in the curve's unit.
    pub value: f64,
    /// Standard error of what is expected, residuals of the new observation apart.
    pub standard_error: f64,
    /// Standard error of the new observation itself.
    pub prediction_error: f64,
    /// Degrees of freedom of both.
    pub df: f64,
    /// Whether errors are those of the logarithm (a log-normal residual).
    pub logarithmic: bool,
}

impl Population {
    /// Forecasts for new subjects (or for those of the fit) at later ages.
    ///
    /// `subjects` hold what is known of each so far, their groups numbered as in this
    /// population; `ages_d` gives the ages requested of a subject by its index. An age that is
    /// not after a subject's last is forecast as if the residuals were independent.
    ///
    /// A known relative variance of an observation counts; a new one's is taken as 1.
    ///
    /// # Errors
    /// A group that the population does not have; values that the model does not allow
    /// (zero where the error is log-normal, two at one age where residuals are
    /// correlated).
    pub fn forecast<'w>(
        &self,
        subjects: &Subjects<'_>,
        ages_d: impl Fn(usize) -> &'w [f64] + Sync,
    ) -> Result<Forecasts> {
        if subjects.group_count() > self.groups {
            return Err(Error::call(format!(
                "group {} of the subjects: the population has {} groups",
                subjects.group_count() - 1,
                self.groups
            )));
        }
        let model = self.model();
        let problem = Problem::of_groups(&model, subjects, self.groups).map_err(Error::input)?;
        let power = if problem.spread_follows_mean() {
            self.power
        } else {
            0.0
        };
        let point = Point {
            beta: self.beta.clone(),
            factor: self.factor.clone(),
            noise: Noise {
                log_sigma: self.sigma.ln() + power * problem.reference,
                errors: Errors {
                    power,
                    phi: self.ar1.unwrap_or(0.0),
                },
            },
            widths: difference_widths(&problem, &self.beta),
        };
        let ahead = Ahead {
            problem: &problem,
            point: &point,
            shared: Shared {
                problem: &problem,
                factor: &self.factor,
                beta_covariance: &self.beta_covariance,
                cluster_covariances: &[],
            },
        };
        let chunks: Vec<Columns> = (0..subjects.len().div_ceil(CHUNK))
            .into_par_iter()
            .map(|chunk| {
                let end = ((chunk + 1) * CHUNK).min(subjects.len());
                ahead.chunk(chunk * CHUNK..end, &ages_d)
            })
            .collect();
        let mut all = Columns::default();
        for chunk in chunks {
            all.append(&chunk);
        }
        all.starts.push(all.ages_d.len());
        let df = self.df() as f64;
        Ok(Forecasts {
            p: problem.p,
            q: problem.q,
            fixed: problem.fixed,
            df,
            beta_covariance: self.beta_covariance.clone(),
            logarithmic: problem.variance == Variance::LogNormal,
            subjects: all,
        })
    }
}

/// A population laid over subjects.
struct Ahead<'s, 'a> {
    problem: &'s Problem<'a>,
    point: &'s Point,
    shared: Shared<'s, 'a>,
}

impl Ahead<'_, '_> {
    fn chunk<'w>(
        &self,
        subjects: std::ops::Range<usize>,
        ages_d: &impl Fn(usize) -> &'w [f64],
    ) -> Columns {
        let problem = self.problem;
        let (p, q) = (problem.p, problem.q);
        let mut columns = Columns::default();
        let mut marginal = Marginal::new(problem, 1, 1);
        let mut known = Known::new(p, q);
        let (mut u, mut effects) = (vec![0.0; q], vec![0.0; q]);
        let (mut terms, mut covariance) = (vec![0.0; p], vec![0.0; p * p]);
        let (mut gradient, mut moved) = (vec![0.0; p], vec![0.0; p]);
        for subject in subjects {
            u.fill(0.0);
            let found = marginal
                .find_mode(problem, self.point, subject, &mut u)
                .is_ok();
            effects_of(&self.point.factor, &u, &mut effects);
            problem.place(subject, &self.point.beta, &effects, &mut known.eta);
            scale::to_terms(problem.scales, &known.eta, &mut terms);
            self.shared.know(&marginal.here.information, &mut known);
            self.shared
                .covariance((subject, None), &terms, &mut known, &mut covariance);
            columns.found.push(found);
            columns.terms.extend_from_slice(&terms);
            columns.covariances.extend_from_slice(&covariance);
            columns.reliabilities.extend_from_slice(&known.shares);
            columns.starts.push(columns.ages_d.len());
            for age_d in ages_d(subject) {
                let (location, residual) =
                    self.at(subject, *age_d, &terms, &marginal, &mut gradient);
                columns.ages_d.push(*age_d);
                columns.locations.push(location);
                columns.residual_variances.push(residual);
                columns
                    .own_variances
                    .push(quadratic(&gradient, &known.own).max(0.0));
                for (j, moved) in moved.iter_mut().enumerate() {
                    *moved = (0..p)
                        .map(|k| gradient[k] * known.transfer[k * p + j])
                        .sum();
                }
                let first = columns.slopes.len();
                columns.slopes.resize(first + problem.fixed, 0.0);
                for (moved, column) in moved.iter().zip(problem.columns_of(subject)) {
                    columns.slopes[first + column] += moved;
                }
            }
        }
        columns
    }

    /// What is expected at an age, on the scale of the residuals; its gradient in eta;
    /// and the variance of what is left over.
    fn at(
        &self,
        subject: usize,
        age_d: f64,
        terms: &[f64],
        marginal: &Marginal,
        gradient: &mut [f64],
    ) -> (f64, f64) {
        let (problem, noise) = (self.problem, self.point.noise);
        let p = problem.p;
        let fitted = problem.curve.value_and_gradient(age_d, terms, gradient);
        scale::chain(problem.scales, terms, gradient);
        let mut location = fitted;
        if problem.variance == Variance::LogNormal {
            location = fitted.ln();
            gradient.iter_mut().for_each(|slope| *slope /= fitted);
        }
        let log_spread = |mu: f64| {
            let follows = if problem.spread_follows_mean() {
                noise.errors.power * (mu.abs().ln() - problem.reference)
            } else {
                0.0
            };
            noise.log_sigma + follows
        };
        let spread = log_spread(fitted).exp();
        let last = problem.starts[subject + 1] - 1;
        let gap_d = age_d - problem.ages_d[last];
        if !(noise.errors.phi > 0.0 && gap_d > 0.0) {
            return (location, spread * spread);
        }
        let rho = noise.errors.phi.powf(gap_d);
        let at = last - problem.starts[subject];
        let known = problem.spread.as_ref().map_or(1.0, |spread| spread[last]);
        let last_spread = log_spread(marginal.scratch.mu[at]).exp() * known;
        let carried = rho * spread / last_spread;
        location += carried * marginal.scratch.residual[at];
        for (slope, last) in gradient
            .iter_mut()
            .zip(&marginal.scratch.jacobian[at * p..])
        {
            *slope -= carried * last;
        }
        (location, (1.0 - rho) * (1.0 + rho) * spread * spread)
    }
}

impl Columns {
    fn append(&mut self, other: &Self) {
        let before = self.ages_d.len();
        self.starts
            .extend(other.starts.iter().map(|start| start + before));
        self.found.extend_from_slice(&other.found);
        self.terms.extend_from_slice(&other.terms);
        self.covariances.extend_from_slice(&other.covariances);
        self.reliabilities.extend_from_slice(&other.reliabilities);
        self.ages_d.extend_from_slice(&other.ages_d);
        self.locations.extend_from_slice(&other.locations);
        self.own_variances.extend_from_slice(&other.own_variances);
        self.residual_variances
            .extend_from_slice(&other.residual_variances);
        self.slopes.extend_from_slice(&other.slopes);
    }
}

impl Forecasts {
    /// Subjects.
    #[must_use]
    pub fn len(&self) -> usize {
        self.subjects.found.len()
    }

    /// Whether there is no subject at all.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.subjects.found.is_empty()
    }

    /// Standard errors to either side of a forecast in an interval at this level, such as
    /// 0.95: the same for all, since it takes longer to find than a forecast.
    #[must_use]
    pub fn quantile(&self, level: f64) -> f64 {
        t_two_sided_quantile(level, self.df)
    }

    /// A subject's terms at its conditional mode; `None` where it was not found.
    #[must_use]
    pub fn terms(&self, subject: usize) -> Option<&[f64]> {
        self.subjects.found[subject]
            .then(|| &self.subjects.terms[subject * self.p..(subject + 1) * self.p])
    }

    /// Covariance of a subject's terms, p x p.
    #[must_use]
    pub fn covariance(&self, subject: usize) -> &[f64] {
        let size = self.p * self.p;
        &self.subjects.covariances[subject * size..(subject + 1) * size]
    }

    /// How much of each random effect the subject's own values determine, 0 to 1.
    #[must_use]
    pub fn reliability(&self, subject: usize) -> &[f64] {
        &self.subjects.reliabilities[subject * self.q..(subject + 1) * self.q]
    }

    /// The forecast for one subject at the `at`-th of the subject's ages; `None` where its mode
    /// was not found or its curve has no finite value there.
    ///
    /// # Panics
    /// Where there is no such subject or age.
    #[must_use]
    pub fn of(&self, subject: usize, at: usize) -> Option<Forecast> {
        let row = self.row(subject, at)?;
        let slope = &self.subjects.slopes[row * self.fixed..(row + 1) * self.fixed];
        let variance =
            self.subjects.own_variances[row] + quadratic(slope, &self.beta_covariance).max(0.0);
        let residual = self.subjects.residual_variances[row];
        let (location, value) = (self.subjects.locations[row], self.value(row));
        Some(Forecast {
            age_d: self.subjects.ages_d[row],
            value,
            standard_error: variance.sqrt(),
            prediction_error: (variance + residual).sqrt(),
            df: self.df,
            logarithmic: self.logarithmic,
        })
        .filter(|forecast| {
            location.is_finite() && value.is_finite() && forecast.prediction_error.is_finite()
        })
    }

    /// The forecast for the mean of some subjects, each at one of the ages requested for it:
    /// pairs of a subject and the place of the age; `None` where one of them has none.
    ///
    /// The subjects' own errors average out with their number, those of the fixed effects,
    /// which all share, do not.
    ///
    /// # Panics
    /// Where there is no such subject or age.
    #[must_use]
    pub fn mean_of(&self, members: &[(usize, usize)]) -> Option<Forecast> {
        let (mut value, mut own, mut residual, mut age_d) = (0.0, 0.0, 0.0, 0.0);
        let mut slope = vec![0.0; self.fixed];
        for (subject, at) in members {
            let row = self.row(*subject, *at)?;
            let (of_own, of_residual) = (
                self.subjects.own_variances[row],
                self.subjects.residual_variances[row],
            );
            let mut expected = self.value(row);
            // The mean of log-normal values is above their median.
            let scale = if self.logarithmic {
                expected *= (0.5 * (of_own + of_residual)).exp();
                expected
            } else {
                1.0
            };
            value += expected;
            age_d += self.subjects.ages_d[row];
            own += scale * scale * of_own;
            residual += scale * scale * of_residual;
            let from = &self.subjects.slopes[row * self.fixed..(row + 1) * self.fixed];
            for (sum, part) in slope.iter_mut().zip(from) {
                *sum += scale * part;
            }
        }
        let n = members.len() as f64;
        let common = quadratic(&slope, &self.beta_covariance).max(0.0);
        let variance = (own + common) / (n * n);
        let forecast = Forecast {
            age_d: age_d / n,
            value: value / n,
            standard_error: variance.sqrt(),
            prediction_error: (variance + residual / (n * n)).sqrt(),
            df: self.df,
            logarithmic: false,
        };
        (forecast.value.is_finite() && forecast.prediction_error.is_finite()).then_some(forecast)
    }

    fn row(&self, subject: usize, at: usize) -> Option<usize> {
        let row = self.subjects.starts[subject] + at;
        assert!(
            row < self.subjects.starts[subject + 1],
            "no age {at} was requested for subject {subject}"
        );
        self.subjects.found[subject].then_some(row)
    }

    fn value(&self, row: usize) -> f64 {
        let location = self.subjects.locations[row];
        if self.logarithmic {
            location.exp()
        } else {
            location
        }
    }
}

impl Forecast {
    /// Interval of a new observation, that number of standard errors to either side:
    /// [`Forecasts::quantile`].
    #[must_use]
    pub fn interval(&self, quantile: f64) -> (f64, f64) {
        let half = quantile * self.prediction_error;
        if self.logarithmic {
            (self.value * (-half).exp(), self.value * half.exp())
        } else {
            (self.value - half, self.value + half)
        }
    }

    /// Chance that a new observation lies in a range; an edge that is not given is open.
    #[must_use]
    pub fn chance_within(&self, lower: Option<f64>, upper: Option<f64>) -> f64 {
        let below = |edge: f64| t_upper(-self.standardised(edge), self.df);
        (upper.map_or(1.0, below) - lower.map_or(0.0, below)).max(0.0)
    }

    /// An observation's distance from the forecast in standard errors of an observation.
    #[must_use]
    pub fn standardised(&self, value: f64) -> f64 {
        let distance = if self.logarithmic {
            (value / self.value).ln()
        } else {
            value - self.value
        };
        distance / self.prediction_error
    }

    /// Standard error of a new observation in the curve's own unit.
    #[must_use]
    pub fn error_in_unit(&self) -> f64 {
        if self.logarithmic {
            self.value * self.prediction_error
        } else {
            self.prediction_error
        }
    }
}

/// g' M g. Of many groups' fixed effects a bird's gradient has only its group's, so
/// that what is zero is passed over: a product of all would cost their square a bird.
pub(super) fn quadratic(g: &[f64], matrix: &[f64]) -> f64 {
    let n = g.len();
    let entries: Vec<(usize, f64)> = g
        .iter()
        .copied()
        .enumerate()
        .filter(|(_, entry)| entry.abs() > 0.0)
        .collect();
    let mut sum = 0.0;
    for (row, one) in &entries {
        for (column, other) in &entries {
            sum += one * matrix[row * n + column] * other;
        }
    }
    sum
}
