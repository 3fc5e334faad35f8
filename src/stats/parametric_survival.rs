//! Accelerated failure time models: how do terms stretch the time to an event?
//!
//! ln T = x'b + sigma W, with W smallest-extreme-value (Weibull; exponential with
//! sigma = 1), normal (log-normal) or logistic (log-logistic).
//!
//! The search runs in a = 1/sigma and d = b/sigma, in which z = a ln t - x'd is
//! linear and the log-likelihood of all kinds of censoring concave, so Newton's
//! method finds the one maximum (Burridge 1981, J. R. Statist. Soc. B 43:41-45). The
//! columns are first made orthonormal and least squares is taken out of ln t. The
//! covariance is the inverse observed information, carried over to (b, ln sigma).

use nalgebra::{DMatrix, DVector};

use super::distribution::normal_quantile;
use super::failure::{check_count, check_finite, check_length, check_level};
use super::linear::Design;
use super::newton::{Evaluation, Maximum, maximise};
use super::orthogonal::{Factors, orthonormal};
use super::time_to_event::{EventTime, check_times};
use super::{Failure, Interval};

pub use super::time_law::Family;

/// A fitted accelerated failure time model.
#[derive(Debug, Clone)]
pub struct AcceleratedFit {
    /// Law of the times.
    pub family: Family,
    /// Names of the coefficients, p of them.
    pub names: Vec<String>,
    /// Coefficients on ln time: exp(b) is the factor by which time stretches.
    pub coefficients: Vec<f64>,
    /// Sigma: spread of ln time; 1 for the exponential.
    pub scale: f64,
    /// Covariance of the coefficients and, last, ln sigma (absent for the exponential).
    pub covariance: DMatrix<f64>,
    /// Log-likelihood of the times (not of their logarithms).
    pub log_lik: f64,
    /// Subjects.
    pub n: usize,
    /// Subjects whose event is known to have happened.
    pub events: usize,
    /// Iterations taken.
    pub iterations: usize,
}

/// A time with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimeEstimate {
    /// Estimate.
    pub time: f64,
    /// Standard error of ln time.
    pub log_standard_error: f64,
    /// Interval, symmetric on ln time.
    pub interval: Interval,
}

/// How do the design's terms stretch the time to the event?
///
/// # Shapes
/// One time a subject, as many as the design has rows; give the design an intercept.
/// # Errors
/// [`Failure::TooFew`] events or subjects; [`Failure::Collinear`];
/// [`Failure::NoVariation`] if the terms fit the times exactly (all events at one
/// time, for instance); [`Failure::Unbounded`] with the term that separates;
/// [`Failure::NotConverged`]; [`Failure::Value`], [`Failure::Lengths`].
/// # Source
/// Kalbfleisch & Prentice 1980, The Statistical Analysis of Failure Time Data, ch. 3;
/// parameters as in R's `survreg`.
pub fn accelerated_failure(
    design: &Design,
    times: &[EventTime],
    family: Family,
) -> Result<AcceleratedFit, Failure> {
    check_times(times)?;
    check_length("times", times.len(), design.n())?;
    check_count("subjects", times.len(), design.p() + 1)?;
    let events = times.iter().filter(|time| time.happened()).count();
    check_count("events", events, 1)?;
    let problem = Problem::new(design, times, family)?;
    let unsettled = Failure::NotConverged { iterations: 0 };
    let found = maximise(problem.start(), |point| problem.evaluate(point)).ok_or(unsettled)?;
    problem.answer(design, events, &found)
}

/// Logs of a subject's limits.
#[derive(Clone, Copy)]
pub(super) enum LogTime {
    Exact(f64),
    After(f64),
    Before(f64),
    Between(f64, f64),
}

/// Two looks closer than this share of the times' spread count as an exact time in their
/// middle: the chance is then density times width to 1e-7, while the difference of two
/// chances would lose digits.
const NARROW: f64 = 1e-3;

struct Problem {
    family: Family,
    factors: Factors,
    /// Basis with columns of mean square 1, n x p.
    basis: DMatrix<f64>,
    /// Least squares of ln time in that basis.
    offset: DVector<f64>,
    times: Vec<LogTime>,
    /// Log of what turns densities of the scaled ln t into densities of t, or, for narrow
    /// intervals, into chances.
    measure: f64,
    /// What ln times are measured in: their root mean square about least squares, so that
    /// 1/sigma is near 1; 1 for the exponential.
    unit: f64,
}

impl Problem {
    fn new(design: &Design, times: &[EventTime], family: Family) -> Result<Self, Failure> {
        let factors = orthonormal(design)?;
        let n = times.len() as f64;
        let basis = &factors.q * n.sqrt();
        let middles = times.iter().map(|time| match *time {
            EventTime::Exact(t) | EventTime::After(t) | EventTime::Before(t) => t.ln(),
            EventTime::Between(lower, upper) => 0.5 * (lower.ln() + upper.ln()),
        });
        let middles = DVector::from_iterator(times.len(), middles);
        let offset = basis.tr_mul(&middles) / n;
        let taken_out = &basis * &offset;
        let spread = ((&middles - &taken_out).norm_squared() / n).sqrt();
        if spread <= 1e-12 * (1.0 + middles.amax()) && family.scale_is_free() {
            return Err(exact_times());
        }
        let unit = if family.scale_is_free() { spread } else { 1.0 };
        let mut measure = 0.0;
        let mut logs = Vec::with_capacity(times.len());
        for (time, out) in times.iter().zip(taken_out.iter()) {
            let log = |t: f64| (t.ln() - out) / unit;
            logs.push(match *time {
                EventTime::Exact(t) => {
                    measure -= (t * unit).ln();
                    LogTime::Exact(log(t))
                }
                EventTime::After(t) => LogTime::After(log(t)),
                EventTime::Before(t) => LogTime::Before(log(t)),
                EventTime::Between(a, b) if log(b) - log(a) < NARROW => {
                    measure += (log(b) - log(a)).ln();
                    LogTime::Exact(f64::midpoint(log(a), log(b)))
                }
                EventTime::Between(a, b) => LogTime::Between(log(a), log(b)),
            });
        }
        Ok(Self {
            family,
            times: logs,
            measure,
            factors,
            basis,
            offset,
            unit,
        })
    }

    /// Number of terms d; 1/sigma, where free, follows them.
    fn p(&self) -> usize {
        self.basis.ncols()
    }

    fn start(&self) -> DVector<f64> {
        let free = usize::from(self.family.scale_is_free());
        let mut point = DVector::zeros(self.p() + free);
        if free == 1 {
            point[self.p()] = 1.0;
        }
        point
    }

    fn inverse_scale(&self, point: &DVector<f64>) -> f64 {
        if self.family.scale_is_free() {
            point[self.p()]
        } else {
            1.0
        }
    }

    /// Log-likelihood of ln t and its derivatives; `None` where 1/sigma is not above 0.
    fn evaluate(&self, point: &DVector<f64>) -> Option<Evaluation> {
        let p = self.p();
        let a = self.inverse_scale(point);
        if a <= 0.0 {
            return None;
        }
        let terms = point.len();
        let mut all = Evaluation::zero(terms);
        let mut slope = DVector::zeros(terms);
        let shifts = &self.basis * point.rows(0, p);
        for (i, time) in self.times.iter().enumerate() {
            let mut direction = |log_time: f64| {
                slope
                    .rows_mut(0, p)
                    .copy_from(&(-self.basis.row(i).transpose()));
                if terms > p {
                    slope[p] = log_time;
                }
                slope.clone()
            };
            match *time {
                LogTime::Exact(y) => {
                    let z = a * y - shifts[i];
                    let (first, second) = self.family.scores(z);
                    all.value += a.ln() + self.family.log_density(z);
                    add(&mut all, &direction(y), first, second);
                    if terms > p {
                        all.gradient[p] += 1.0 / a;
                        all.hessian[(p, p)] -= 1.0 / (a * a);
                    }
                }
                LogTime::After(y) => {
                    let z = a * y - shifts[i];
                    let log_upper = self.family.log_upper(z);
                    let hazard = (self.family.log_density(z) - log_upper).exp();
                    let second = -hazard * (self.family.scores(z).0 + hazard);
                    all.value += log_upper;
                    add(&mut all, &direction(y), -hazard, second);
                }
                LogTime::Before(y) => {
                    let z = a * y - shifts[i];
                    let log_lower = self.family.log_lower(z);
                    let rate = (self.family.log_density(z) - log_lower).exp();
                    let second = rate * (self.family.scores(z).0 - rate);
                    all.value += log_lower;
                    add(&mut all, &direction(y), rate, second);
                }
                LogTime::Between(y_1, y_2) => {
                    let (z_1, z_2) = (a * y_1 - shifts[i], a * y_2 - shifts[i]);
                    let log_chance = self.family.log_between(z_1, z_2);
                    let density = |z: f64| (self.family.log_density(z) - log_chance).exp();
                    let (d_1, d_2) = (density(z_1), density(z_2));
                    let (s_1, s_2) = (self.family.scores(z_1).0, self.family.scores(z_2).0);
                    all.value += log_chance;
                    let (v_1, v_2) = (direction(y_1), direction(y_2));
                    add(&mut all, &v_1, -d_1, -s_1 * d_1 - d_1 * d_1);
                    add(&mut all, &v_2, d_2, s_2 * d_2 - d_2 * d_2);
                    let cross = d_1 * d_2;
                    all.hessian.ger(cross, &v_1, &v_2, 1.0);
                    all.hessian.ger(cross, &v_2, &v_1, 1.0);
                }
            }
        }
        Some(all)
    }

    /// Back from (d, 1/sigma) in the basis to (b, ln sigma) in the design's columns.
    fn answer(
        &self,
        design: &Design,
        events: usize,
        found: &Maximum,
    ) -> Result<AcceleratedFit, Failure> {
        let p = self.p();
        let a = self.inverse_scale(&found.point);
        if a > 1e8 {
            return Err(exact_times());
        }
        let root_n = (self.times.len() as f64).sqrt();
        let back = &self.factors.inverse * root_n;
        let terms = found.point.len();
        if let Some(direction) = found.open_direction() {
            let scale_alone = terms > p && direction[p].abs() > 0.9;
            return Err(Failure::Unbounded {
                term: if scale_alone {
                    "scale".to_owned()
                } else {
                    main_term(design, &(&back * direction.rows(0, p)))
                },
            });
        }
        let d = found.point.rows(0, p);
        let coefficients = &back * (&self.offset + d * (self.unit / a));
        let mut jacobian = DMatrix::zeros(terms, terms);
        jacobian
            .view_mut((0, 0), (p, p))
            .copy_from(&(&back * (self.unit / a)));
        if terms > p {
            let column = &back * d * (-self.unit / (a * a));
            jacobian.view_mut((0, p), (p, 1)).copy_from(&column);
            jacobian[(p, p)] = -1.0 / a;
        }
        let not_converged = Failure::NotConverged {
            iterations: found.iterations,
        };
        let Some(covariance) = found.covariance().filter(|_| found.converged) else {
            return Err(not_converged);
        };
        let covariance = &jacobian * covariance * jacobian.transpose();
        Ok(AcceleratedFit {
            family: self.family,
            names: design.names().to_vec(),
            coefficients: coefficients.iter().copied().collect(),
            scale: self.unit / a,
            covariance,
            log_lik: found.value + self.measure,
            n: self.times.len(),
            events,
            iterations: found.iterations,
        })
    }
}

fn exact_times() -> Failure {
    Failure::NoVariation {
        what: "times about their values predicted from the terms".to_owned(),
    }
}

/// Adds a term of the likelihood in one z, with dz = `direction`.
fn add(all: &mut Evaluation, direction: &DVector<f64>, first: f64, second: f64) {
    all.gradient.axpy(first, direction, 1.0);
    all.hessian.ger(second, direction, direction, 1.0);
}

/// The term that a direction in the design's coefficients moves most, on each column's own scale.
pub(super) fn main_term(design: &Design, direction: &DVector<f64>) -> String {
    let sizes = DVector::from_fn(design.p(), |j, _| {
        let column = design.matrix().column(j);
        let spread = column.variance().sqrt();
        let size = if spread > 0.0 { spread } else { column.amax() };
        (direction[j] * size).abs()
    });
    design.names()[sizes.argmax().0].clone()
}

impl AcceleratedFit {
    /// Standard errors of the coefficients.
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.names.len())
            .map(|j| self.covariance[(j, j)].sqrt())
            .collect()
    }

    /// Standard error of ln sigma; none for the exponential, whose sigma is given.
    #[must_use]
    pub fn log_scale_standard_error(&self) -> Option<f64> {
        let p = self.names.len();
        (self.covariance.nrows() > p).then(|| self.covariance[(p, p)].sqrt())
    }

    /// Terms that AIC counts: the coefficients and, where free, sigma.
    #[must_use]
    pub fn parameters(&self) -> usize {
        self.covariance.nrows()
    }

    /// Akaike's criterion.
    #[must_use]
    pub fn aic(&self) -> f64 {
        2.0 * self.parameters() as f64 - 2.0 * self.log_lik
    }

    /// x'b: the centre of ln time for a row.
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`] and [`Failure::Value`].
    pub fn linear_predictor(&self, row: &[f64]) -> Result<f64, Failure> {
        check_length("row", row.len(), self.coefficients.len())?;
        check_finite("row", row)?;
        Ok(row.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum())
    }

    /// Survival: probability that the event has not happened by `time`.
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`], [`Failure::Value`]; [`Failure::Setting`] for a time that is
    /// not above 0.
    pub fn survival(&self, row: &[f64], time: f64) -> Result<f64, Failure> {
        if time.is_nan() || time <= 0.0 {
            return Err(Failure::Setting {
                what: "time",
                found: time,
                expected: "a time above 0",
            });
        }
        let z = (time.ln() - self.linear_predictor(row)?) / self.scale;
        Ok(self.family.log_upper(z).exp())
    }

    /// Time by which the given share (0.5 for the median) has had the event, with the
    /// interval that comes from the estimates' own error (not the spread between subjects).
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`], [`Failure::Value`], [`Failure::Setting`].
    pub fn quantile(&self, row: &[f64], share: f64, level: f64) -> Result<TimeEstimate, Failure> {
        check_level(level)?;
        if !(share > 0.0 && share < 1.0) {
            return Err(Failure::Setting {
                what: "share",
                found: share,
                expected: "a share between 0 and 1",
            });
        }
        let spread = self.scale * self.family.quantile(share);
        let log_time = self.linear_predictor(row)? + spread;
        // Gradient of x'b + e^(ln sigma) w.
        let mut gradient = DVector::from_element(self.covariance.nrows(), spread);
        gradient.rows_mut(0, row.len()).copy_from_slice(row);
        let variance = (&self.covariance * &gradient).dot(&gradient);
        let log_standard_error = variance.max(0.0).sqrt();
        let half = normal_quantile(0.5 + 0.5 * level) * log_standard_error;
        Ok(TimeEstimate {
            time: log_time.exp(),
            log_standard_error,
            interval: Interval {
                lower: (log_time - half).exp(),
                upper: (log_time + half).exp(),
            },
        })
    }
}

#[cfg(test)]
mod tests;
