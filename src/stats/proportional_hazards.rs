//! Proportional hazards: how do terms raise or lower the rate of an event?
//!
//! hazard(t | x) = h0(t) exp(x'b), h0 left open. The partial likelihood is maximised by
//! Newton's method in centred, orthonormal columns; times run backwards, so that the sums over those
//! at risk grow by one subject at a time. There is no intercept: h0 holds it.

use nalgebra::{DMatrix, DVector};

use super::Failure;
use super::failure::{check_count, check_finite, check_length};
use super::linear::Design;
use super::newton::{Evaluation, maximise};
use super::orthogonal::orthonormal;
use super::parametric_survival::main_term;
use super::time_to_event::{EventTime, right_censored_only};

/// How events at the same time share their risk set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Ties {
    /// Each leaves it in turn, on average: close to the exact likelihood.
    #[default]
    Efron,
    /// All face the whole set: simpler, drawn towards 0 where ties are many.
    Breslow,
}

/// A fitted proportional hazards model.
#[derive(Debug, Clone)]
pub struct HazardFit {
    /// Names of the coefficients, p of them.
    pub names: Vec<String>,
    /// Log hazard ratios.
    pub coefficients: Vec<f64>,
    /// Their covariance, p x p: inverse observed information.
    pub covariance: DMatrix<f64>,
    /// Log partial likelihood.
    pub log_lik: f64,
    /// The same without any term.
    pub log_lik_null: f64,
    /// Score test of all coefficients 0: chi-squared on p degrees of freedom.
    pub score_test: f64,
    /// Subjects.
    pub n: usize,
    /// Events.
    pub events: usize,
    /// Means of the columns: the baseline is a subject with these.
    pub means: Vec<f64>,
    /// Event times, ascending, with the cumulative hazard of the baseline just after.
    pub baseline: Vec<(f64, f64)>,
    /// Iterations taken.
    pub iterations: usize,
}

/// How do the design's terms change the rate of the event?
///
/// # Shapes
/// One time a subject, exact or right-censored, as many as the design has rows; no
/// constant column.
/// # Errors
/// [`Failure::TooFew`] without an event; [`Failure::NoVariation`] for a constant
/// column or if all times are the same; [`Failure::Collinear`];
/// [`Failure::Unbounded`] with the term that separates; [`Failure::NotConverged`];
/// [`Failure::Value`], [`Failure::Lengths`].
/// # Source
/// Cox 1972, J. R. Statist. Soc. B 34:187-220; ties: Breslow 1974, Biometrics
/// 30:89-99, Efron 1977, J. Am. Statist. Assoc. 72:557-565.
pub fn proportional_hazards(
    design: &Design,
    times: &[EventTime],
    ties: Ties,
) -> Result<HazardFit, Failure> {
    let seen = right_censored_only(times)?;
    check_length("times", times.len(), design.n())?;
    let events = seen.iter().filter(|(_, happened)| *happened).count();
    check_count("events", events, 1)?;
    check_count("subjects", seen.len(), design.p() + 1)?;
    let (earliest, latest) = seen
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(low, high), (t, _)| {
            (low.min(*t), high.max(*t))
        });
    if latest <= earliest {
        return Err(Failure::NoVariation {
            what: "times".to_owned(),
        });
    }
    let (centred, means) = centre(design)?;
    let factors = orthonormal(&centred)?;
    let root_n = (seen.len() as f64).sqrt();
    let problem = Problem {
        basis: &factors.q * root_n,
        groups: at_same_time(&seen),
        happened: seen.iter().map(|(_, happened)| *happened).collect(),
        ties,
    };
    let start = DVector::zeros(design.p());
    let unsettled = || Failure::NotConverged { iterations: 0 };
    let null = problem.evaluate(&start).ok_or_else(unsettled)?;
    let found = maximise(start, |point| problem.evaluate(point)).ok_or_else(unsettled)?;
    let not_converged = Failure::NotConverged {
        iterations: found.iterations,
    };
    let back = &factors.inverse * root_n;
    if let Some(direction) = found.open_direction() {
        return Err(Failure::Unbounded {
            term: main_term(design, &(&back * direction)),
        });
    }
    let Some(covariance) = found.covariance().filter(|_| found.converged) else {
        return Err(not_converged);
    };
    let covariance = &back * covariance * back.transpose();
    let solved = (-&null.hessian)
        .cholesky()
        .map(|factored| factored.solve(&null.gradient));
    let mut times_of_groups: Vec<f64> = problem
        .groups
        .iter()
        .map(|group| seen[group[0]].0)
        .collect();
    times_of_groups.reverse();
    Ok(HazardFit {
        names: design.names().to_vec(),
        coefficients: (&back * &found.point).iter().copied().collect(),
        covariance,
        log_lik: found.value,
        log_lik_null: null.value,
        score_test: solved.map_or(0.0, |step| null.gradient.dot(&step)),
        n: seen.len(),
        events,
        means,
        baseline: problem.baseline(&found.point, &times_of_groups),
        iterations: found.iterations,
    })
}

fn centre(design: &Design) -> Result<(Design, Vec<f64>), Failure> {
    let mut means = Vec::with_capacity(design.p());
    let mut columns = Vec::with_capacity(design.p());
    for (name, column) in design.names().iter().zip(design.matrix().column_iter()) {
        let values: Vec<f64> = column.iter().copied().collect();
        if column.max() <= column.min() {
            return Err(Failure::NoVariation { what: name.clone() });
        }
        let mean = super::mean(&values);
        means.push(mean);
        columns.push((
            name.clone(),
            values.iter().map(|value| value - mean).collect(),
        ));
    }
    Ok((Design::new(columns)?, means))
}

/// Subjects by time, latest first.
fn at_same_time(seen: &[(f64, bool)]) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..seen.len()).collect();
    order.sort_by(|a, b| seen[*b].0.total_cmp(&seen[*a].0));
    let groups = order.chunk_by(|a, b| seen[*a].0.total_cmp(&seen[*b].0).is_eq());
    groups.map(<[usize]>::to_vec).collect()
}

struct Problem {
    /// Centred columns, orthogonal, of mean square 1, n x p.
    basis: DMatrix<f64>,
    /// Subjects by time, latest first.
    groups: Vec<Vec<usize>>,
    happened: Vec<bool>,
    ties: Ties,
}

/// Sums of exp(x'b), times x and xx'.
struct Sums {
    zero: f64,
    one: DVector<f64>,
    two: DMatrix<f64>,
}

impl Sums {
    fn new(p: usize) -> Self {
        Self {
            zero: 0.0,
            one: DVector::zeros(p),
            two: DMatrix::zeros(p, p),
        }
    }

    fn add(&mut self, weight: f64, x: &DVector<f64>) {
        self.zero += weight;
        self.one.axpy(weight, x, 1.0);
        self.two.ger(weight, x, x, 1.0);
    }
}

impl Problem {
    /// Share of the tied events that has left when the k-th of d is counted.
    fn gone(&self, k: usize, d: usize) -> f64 {
        match self.ties {
            Ties::Efron => k as f64 / d as f64,
            Ties::Breslow => 0.0,
        }
    }

    fn evaluate(&self, b: &DVector<f64>) -> Option<Evaluation> {
        let p = b.len();
        let scores = &self.basis * b;
        // A constant in the score cancels; without its largest value exp cannot overflow.
        let top = scores.max();
        let mut all = Evaluation::zero(p);
        let mut at_risk = Sums::new(p);
        for group in &self.groups {
            let mut tied = Sums::new(p);
            let mut d = 0;
            for &i in group {
                let weight = (scores[i] - top).exp();
                let x = self.basis.row(i).transpose();
                at_risk.add(weight, &x);
                if self.happened[i] {
                    tied.add(weight, &x);
                    all.value += scores[i] - top;
                    all.gradient += x;
                    d += 1;
                }
            }
            for k in 0..d {
                let gone = self.gone(k, d);
                let zero = at_risk.zero - gone * tied.zero;
                if zero <= 0.0 {
                    return None;
                }
                let mean = (&at_risk.one - &tied.one * gone) / zero;
                all.value -= zero.ln();
                all.gradient -= &mean;
                all.hessian -= (&at_risk.two - &tied.two * gone) / zero;
                all.hessian.ger(1.0, &mean, &mean, 1.0);
            }
        }
        Some(all)
    }

    /// Cumulative hazard of a subject with the mean of every column, after each event time.
    fn baseline(&self, b: &DVector<f64>, times: &[f64]) -> Vec<(f64, f64)> {
        let scores = &self.basis * b;
        let mut at_risk = 0.0;
        let mut jumps = Vec::with_capacity(self.groups.len());
        for group in &self.groups {
            let weight = |i: &usize| scores[*i].exp();
            at_risk += group.iter().map(weight).sum::<f64>();
            let tied = group.iter().filter(|i| self.happened[**i]);
            let d = tied.clone().count();
            let tied: f64 = tied.map(weight).sum();
            let jump = (0..d).map(|k| 1.0 / (at_risk - self.gone(k, d) * tied));
            jumps.push((d, jump.sum::<f64>()));
        }
        jumps.reverse();
        let mut sum = 0.0;
        let steps = times.iter().zip(jumps).map(|(time, (d, jump))| {
            sum += jump;
            (d, (*time, sum))
        });
        steps
            .filter(|(d, _)| *d > 0)
            .map(|(_, step)| step)
            .collect()
    }
}

impl HazardFit {
    /// Standard errors of the coefficients.
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.names.len())
            .map(|j| self.covariance[(j, j)].sqrt())
            .collect()
    }

    /// Twice the rise of the log-likelihood over no terms: chi-squared on p degrees of freedom.
    #[must_use]
    pub fn likelihood_ratio(&self) -> f64 {
        2.0 * (self.log_lik - self.log_lik_null)
    }

    /// Akaike's criterion of the partial likelihood; comparable between Cox models only.
    #[must_use]
    pub fn aic(&self) -> f64 {
        2.0 * self.names.len() as f64 - 2.0 * self.log_lik
    }

    /// (x - mean)'b: log hazard ratio of a row to the baseline.
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`] and [`Failure::Value`].
    pub fn log_hazard_ratio(&self, row: &[f64]) -> Result<f64, Failure> {
        check_length("row", row.len(), self.coefficients.len())?;
        check_finite("row", row)?;
        let parts = row.iter().zip(&self.means).zip(&self.coefficients);
        Ok(parts.map(|((x, mean), b)| (x - mean) * b).sum())
    }

    /// Survival: probability that the event has not happened by `time`; level after the last event.
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`] and [`Failure::Value`].
    pub fn survival(&self, row: &[f64], time: f64) -> Result<f64, Failure> {
        let ratio = self.log_hazard_ratio(row)?.exp();
        let after = self.baseline.partition_point(|(event, _)| *event <= time);
        let hazard = if after == 0 {
            0.0
        } else {
            self.baseline[after - 1].1
        };
        Ok((-hazard * ratio).exp())
    }

    /// Time by which the given share has had the event; none if the curve does not fall so far.
    ///
    /// # Shapes
    /// `row`: p values in the design's order.
    /// # Errors
    /// [`Failure::Lengths`], [`Failure::Value`]; [`Failure::Setting`] for the share.
    pub fn quantile(&self, row: &[f64], share: f64) -> Result<Option<f64>, Failure> {
        if !(share > 0.0 && share < 1.0) {
            return Err(Failure::Setting {
                what: "share",
                found: share,
                expected: "a share between 0 and 1",
            });
        }
        let ratio = self.log_hazard_ratio(row)?.exp();
        let needed = -(-share).ln_1p() / ratio;
        let step = self.baseline.iter().find(|(_, hazard)| *hazard >= needed);
        Ok(step.map(|(time, _)| *time))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn design(values: &[f64]) -> Design {
        Design::new(vec![("cue".to_owned(), values.to_vec())]).unwrap()
    }

    #[test]
    fn separation_is_named() {
        let times = [1.0, 2.0, 3.0, 8.0, 9.0, 10.0];
        let times: Vec<_> = times
            .iter()
            .map(|t| EventTime::right_censored(*t, *t < 5.0))
            .collect();
        let cue = [1.0, 1.0, 1.0, 0.0, 0.0, 0.0];
        for ties in [Ties::Efron, Ties::Breslow] {
            let failure = proportional_hazards(&design(&cue), &times, ties).unwrap_err();
            assert_eq!(
                failure,
                Failure::Unbounded {
                    term: "cue".to_owned()
                }
            );
        }
    }

    #[test]
    fn nothing_to_learn_from_is_reported() {
        let cue = [1.0, 2.0, 4.0];
        let none = [
            EventTime::After(1.0),
            EventTime::After(2.0),
            EventTime::After(3.0),
        ];
        let failure = proportional_hazards(&design(&cue), &none, Ties::Efron).unwrap_err();
        assert_eq!(failure.to_string(), "0 events, at least 1 expected");
        let same = [EventTime::Exact(2.0); 3];
        let failure = proportional_hazards(&design(&cue), &same, Ties::Efron).unwrap_err();
        assert_eq!(
            failure.to_string(),
            "times: all values are the same, some spread expected"
        );
        let times = [1.0, 2.0, 3.0].map(EventTime::Exact);
        assert!(proportional_hazards(&design(&[2.0; 3]), &times, Ties::Efron).is_err());
    }

    /// Breslow's baseline makes the expected events add up to the observed ones.
    #[test]
    fn expected_events_equal_observed() {
        let raw = [
            (5.0, true, 1.0),
            (3.0, true, 2.0),
            (3.0, false, 0.5),
            (3.0, true, -2.0),
            (8.0, false, 2.0),
            (1.0, true, -1.0),
            (5.0, false, 3.0),
            (7.0, true, 0.5),
        ];
        let times: Vec<_> = raw
            .iter()
            .map(|r| EventTime::right_censored(r.0, r.1))
            .collect();
        let cue: Vec<f64> = raw.iter().map(|r| r.2).collect();
        let fit = proportional_hazards(&design(&cue), &times, Ties::Breslow).unwrap();
        let hazards = raw.iter().map(|r| -fit.survival(&[r.2], r.0).unwrap().ln());
        assert!((hazards.sum::<f64>() - 5.0).abs() < 1e-12);
        assert!(fit.quantile(&[0.0], 0.99).unwrap().is_none());
        assert_eq!(fit.baseline.len(), 4);
    }
}
